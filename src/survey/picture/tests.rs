use proptest::prelude::*;

use super::*;
use crate::sector_map::{Basis, Segment};

const BIG: u64 = 500_107_862_016;

fn map(length: u64, ranges: &[(Range<u64>, ByteState)]) -> SectorMap {
    let segments: Vec<Segment> =
        ranges.iter().map(|(range, state)| Segment { range: range.clone(), state: *state }).collect();
    SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &segments).unwrap()
}

fn subject<'a>(map: &'a SectorMap, name: &'a str) -> Subject<'a> {
    Subject { name, map, volumes: Vec::new(), chosen: None }
}

fn volume(number: u32, start: u64, length: u64, label: &str) -> VolumeMark {
    VolumeMark { number, start, length, what: "NTFS".to_string(), label: Some(label.to_string()) }
}

/// What is drawn of a state in the strip: from, to and height.
fn areas(picture: &Picture, wanted: ByteState) -> Vec<(i32, i32, i32)> {
    let scene = Scene::of(picture);
    let strip_top = scene
        .shapes
        .iter()
        .find_map(|shape| match shape {
            scene::Shape::Area { at, fill: scene::Fill::State(ByteState::Read), .. } => Some(at.y),
            _ => None,
        })
        .unwrap();
    let areas = scene.shapes.iter().filter_map(|shape| match shape {
        scene::Shape::Area { at, width, height, fill: scene::Fill::State(state) }
            if *state == wanted && at.y < strip_top + 56 =>
        {
            Some((at.x, at.x + width, *height))
        }
        _ => None,
    });
    areas.collect()
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn each_byte_is_in_one_column_and_nothing_that_is_lost_is_not_drawn(
        length in 1..3_000_000_u64, cuts in prop::collection::btree_set(0..3_000_000_u64, 0..60), columns in 1..200_usize,
    ) {
        let cuts: Vec<u64> = cuts.into_iter().filter(|cut| *cut < length).collect();
        let ranges: Vec<(Range<u64>, ByteState)> = cuts
            .windows(2)
            .enumerate()
            .map(|(at, pair)| (pair[0]..pair[1], ByteState::ALL[at % 4]))
            .collect();
        let map = map(length, &ranges);
        let picture = Picture::with_columns(&subject(&map, "disk.img"), columns);
        let mut sum = StateBytes::default();
        for column in &picture.strip.columns {
            prop_assert!(column.bytes.total() > 0);
            sum.read += column.bytes.read;
            sum.unread += column.bytes.unread;
            sum.unreached += column.bytes.unreached;
            sum.unknown += column.bytes.unknown;
        }
        prop_assert_eq!(sum, picture.bytes);
        prop_assert_eq!(sum.total(), length);
        let whole = Picture::of(&subject(&map, "disk.img"));
        for state in [ByteState::Unread, ByteState::Unreached, ByteState::Unknown] {
            prop_assert_eq!(map.total(state) > 0, !areas(&whole, state).is_empty());
        }
        // Places are in order, apart, in the image, and each has something that would not come.
        let mut end = 0;
        for one in &whole.enlarged {
            prop_assert!(one.start >= end && one.start + one.length <= length && one.bytes.unread > 0);
            prop_assert!(one.length * 64 <= length);
            end = one.start + one.length;
        }
    }
}

#[test]
fn one_sector_of_500_gb_is_seen_where_it_is() {
    let hole = BIG / 4 / 512 * 512;
    let map = map(BIG, &[(hole..hole + 512, ByteState::Unread)]);
    let picture = Picture::of(&subject(&map, "disk.img"));
    assert_eq!(areas(&picture, ByteState::Unread), [(40 + 280, 40 + 283, 14)]);
    let [place] = &picture.enlarged[..] else { panic!("one place: {:?}", picture.enlarged) };
    assert_eq!((place.length, place.bytes.unread), (65536, 512));
    assert!((place.start..place.start + place.length).contains(&hole));
    // There it is drawn to scale: 512 of 65,536 bytes in 352 columns.
    let lost = place.strip.columns.iter().filter(|column| column.bytes.unread > 0).count();
    assert!((3..=4).contains(&lost), "{lost}");
}

#[test]
fn the_places_that_lost_most_are_enlarged() {
    let mut ranges = Vec::new();
    for (start, count) in [(10_u64, 5_u64), (120, 50), (250, 20), (380, 100), (450, 1)] {
        let start = start * 1_000_000_000 / 512 * 512;
        ranges.extend((0..count).map(|at| (start + at * 8192..start + at * 8192 + 4096, ByteState::Unread)));
    }
    // So large that it can be seen.
    ranges.push((460_000_000_000..480_000_000_000, ByteState::Unread));
    let map = map(BIG, &ranges);
    let picture = Picture::of(&subject(&map, "disk.img"));
    let unread: Vec<u64> = picture.enlarged.iter().map(|one| one.bytes.unread).collect();
    assert_eq!(unread, [50 * 4096, 20 * 4096, 100 * 4096]);
    assert_eq!(picture.holes, 177);
}

#[test]
fn chosen_files_are_shown_and_the_damaged_ones_cover_the_others() {
    let map = map(1_120_000, &[]);
    let pieces = vec![
        ChosenPiece { range: 10_000..10_001, damaged: false },
        ChosenPiece { range: 500_000..502_000, damaged: false },
        ChosenPiece { range: 501_000..501_500, damaged: true },
        ChosenPiece { range: 1_119_999..9_000_000, damaged: true },
        ChosenPiece { range: u64::MAX - 1..u64::MAX, damaged: true },
    ];
    let chosen = Chosen { name: "/Users".to_string(), pieces, files: 4, damaged: 2, incomplete: false };
    let picture = Picture::of(&Subject { chosen: Some(chosen), ..subject(&map, "disk.img") });
    let marked: Vec<(usize, Here)> = picture
        .strip
        .columns
        .iter()
        .enumerate()
        .filter(|(_, column)| column.chosen != Here::Nothing)
        .map(|(at, column)| (at, column.chosen))
        .collect();
    assert_eq!(marked, [(10, Here::Sound), (500, Here::Sound), (501, Here::Damaged), (1119, Here::Damaged)]);
    assert!(picture.svg().contains("where /Users lies"));
}

/// Names that would do harm where they are not escaped.
fn hostile() -> Vec<String> {
    vec![
        "<script>alert('choir')</script>".to_string(),
        "\u{202E}gnp.esoR\u{202C}".to_string(),
        "a&amp;\"b\"]]>--><!--".to_string(),
        "\0\u{1}\u{1B}[31m\u{FFFE}\u{FFFF}".to_string(),
        "ß".repeat(255),
        "合唱団のアルバム".to_string(),
        "\u{202E}".repeat(255),
    ]
}

#[test]
fn hostile_names_do_nothing_and_can_be_read() {
    for name in hostile() {
        let map = map(BIG, &[(4096..8192, ByteState::Unread), (BIG / 2..BIG, ByteState::Unknown)]);
        let chosen = Chosen { name: name.clone(), files: 1, ..Chosen::default() };
        let volumes = (1..=30).map(|number| volume(number, u64::from(number) * 15_000_000_000, 14_000_000_000, &name));
        let one = Subject { volumes: volumes.take(2).collect(), chosen: Some(chosen), ..subject(&map, &name) };
        let picture = Picture::of(&one);
        let svg = picture.svg();
        let document = roxmltree::Document::parse(&svg).unwrap_or_else(|error| panic!("{error}: {name:?}"));
        // Nothing but shapes and words, and nothing from elsewhere.
        let known = ["svg", "title", "desc", "defs", "pattern", "rect", "path", "line", "text"];
        for node in document.descendants().filter(roxmltree::Node::is_element) {
            assert!(known.contains(&node.tag_name().name()), "{:?}", node.tag_name());
            for attribute in node.attributes() {
                assert!(!attribute.name().starts_with("on") && !attribute.name().contains("href"), "{attribute:?}");
                let local = attribute.value().replace("url(#handback-", "");
                assert!(!local.contains("url(") && !local.contains("//"), "{attribute:?}");
            }
        }
        let shown = readable(&name, 20);
        let texts: Vec<&str> = document.descendants().filter_map(|node| node.text()).collect();
        assert!(texts.iter().any(|text| text.contains(&shown)), "{shown}: {texts:?}");
        let hidden = |c: char| crate::hidden::is_hidden(c) && c != '\n';
        assert!(!svg.contains(hidden));
        assert!(picture.lines().iter().all(|line| !line.contains(hidden)), "{name:?}");
    }
}

#[test]
fn the_same_description_makes_the_same_bytes() {
    let map = map(BIG, &[(4096..8192, ByteState::Unread), (BIG / 2..BIG, ByteState::Unreached)]);
    let make = || Picture::of(&Subject { volumes: vec![volume(2, 0, BIG, "Choir")], ..subject(&map, "choir.img") });
    assert_eq!((make().svg(), make().lines()), (make().svg(), make().lines()));
    #[cfg(feature = "picture")]
    assert_eq!(make().png(), make().png());
}

#[test]
fn images_without_anything_and_volumes_without_bounds_are_drawn() {
    for length in [0, 1, 2, 511, 4096, u64::MAX] {
        for state in ByteState::ALL {
            let ranges = if length > 0 { vec![(length / 2..length, state)] } else { Vec::new() };
            let map = map(length, &ranges);
            let volumes = [0, 1, length / 2, length, u64::MAX].into_iter().zip(1..);
            let volumes = volumes.map(|(start, number)| volume(number, start, u64::MAX - start, "x")).collect();
            let picture = Picture::of(&Subject { volumes, ..subject(&map, "disk.img") });
            roxmltree::Document::parse(&picture.svg()).unwrap();
            assert!(!picture.lines().is_empty());
            for columns in [1, 2, 80] {
                let picture = Picture::with_columns(&subject(&map, "disk.img"), columns);
                assert!(
                    picture
                        .lines()
                        .iter()
                        .skip(1)
                        .take_while(|line| !line.starts_with("  "))
                        .all(|line| line.len() <= columns)
                );
            }
        }
    }
}

/// How light a colour is in grey (ITU-R BT.601: 0.299 R + 0.587 G + 0.114 B), in thousandths.
fn grey([red, green, blue]: [u8; 3]) -> u32 {
    (u32::from(red) * 299 + u32::from(green) * 587 + u32::from(blue) * 114) / 255
}

#[test]
fn states_are_told_apart_without_colour() {
    let looks: Vec<_> = layout::STATES
        .iter()
        .map(|state| {
            let texture = scene::Fill::State(*state).texture();
            let all = (0..scene::PERIOD * scene::PERIOD).map(|at| (at % scene::PERIOD, at / scene::PERIOD));
            let marked = all.filter(|(x, y)| texture.kind.at(*x, *y)).count() as u32;
            let shade = (grey(texture.mark) * marked + grey(texture.ground) * (64 - marked)) / 64;
            (texture.kind, shade)
        })
        .collect();
    for (at, (kind, shade)) in looks.iter().enumerate() {
        for (other_kind, other) in &looks[at + 1..] {
            assert!(kind != other_kind || shade.abs_diff(*other) > 400, "{looks:?}");
        }
    }
    let darkest = looks.iter().map(|(_, shade)| shade).min();
    assert_eq!(darkest, Some(&looks[1].1), "what would not come is darkest");
}

#[test]
fn a_line_of_signs() {
    // A byte of 500 is a little, thirty of them are a part.
    let states = [
        (2500..5000, ByteState::Unknown),
        (5000..5030, ByteState::Unread),
        (6000..6001, ByteState::Unread),
        (7000..7800, ByteState::Unread),
        (9000..10_000, ByteState::Unreached),
    ];
    let map = map(10_000, &states);
    let volumes = vec![volume(1, 0, 5000, "Choir"), volume(2, 5000, 5000, "Photos")];
    let chosen = Chosen {
        name: "/Photos".to_string(),
        pieces: vec![
            ChosenPiece { range: 5500..6500, damaged: false },
            ChosenPiece { range: 7000..7100, damaged: true },
        ],
        files: 9,
        damaged: 1,
        incomplete: false,
    };
    let picture = Picture::with_columns(&Subject { volumes, chosen: Some(chosen), ..subject(&map, "disk.img") }, 20);
    assert_eq!(picture.lines()[2..5], ["<1=======><2=======>", "_____.....!_:_##__~~", "           ^^ X"]);
    let all = picture.lines().join("\n");
    for meaning in
        ["  !  a part", "  :  a little", "  #  half", "  ~  was not tried", "  .  nobody knows", "  X  damaged"]
    {
        assert!(all.contains(meaning), "{meaning}: {all}");
    }
    assert!(all.is_ascii());
}

#[cfg(feature = "picture")]
mod pixels {
    use super::*;

    /// Reads a PNG by the `png` crate, with all checks: width, height, and three bytes a pixel.
    fn decoded(bytes: &[u8]) -> (usize, usize, Vec<u8>) {
        let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
        decoder.ignore_checksums(false);
        let mut reader = decoder.read_info().unwrap();
        let mut rgb = vec![0; reader.output_buffer_size().unwrap()];
        let info = reader.next_frame(&mut rgb).unwrap();
        assert_eq!((info.color_type, info.bit_depth), (png::ColorType::Rgb, png::BitDepth::Eight));
        (info.width as usize, info.height as usize, rgb)
    }

    #[test]
    fn the_png_has_each_hole_in_its_place() {
        let hole = BIG / 4 / 512 * 512;
        let map = map(BIG, &[(hole..hole + 512, ByteState::Unread), (BIG / 2..BIG, ByteState::Unreached)]);
        let picture = Picture::of(&subject(&map, "choir.img"));
        let (width, height, rgb) = decoded(&picture.png().unwrap());
        let scene = Scene::of(&picture);
        assert_eq!((width as i32, height as i32), (scene.width * 2, scene.height * 2));
        let pixel = |x: usize, y: usize| <[u8; 3]>::try_from(&rgb[(y * width + x) * 3..][..3]).unwrap();
        // A row just above the strip's lower edge: the hole's column at 40 + 1120 / 4, two pixels a unit.
        let dark = scene::Fill::State(ByteState::Unread).texture().ground;
        let light = scene::Fill::State(ByteState::Read).texture().ground;
        let row = (0..height).rev().find(|y| pixel(2 * 100, *y) == light && pixel(2 * 321, *y) == dark).unwrap();
        let found: Vec<usize> = (80..1200).filter(|x| pixel(*x, row) == dark).collect();
        assert_eq!((found.first(), found.last(), found.len()), (Some(&640), Some(&645), 6));
        let stripes = scene::Fill::State(ByteState::Unreached).texture();
        let both = [stripes.ground, stripes.mark];
        let kinds: std::collections::BTreeSet<[u8; 3]> = (1210..2300).map(|x| pixel(x, row)).collect();
        assert_eq!(kinds, both.into_iter().collect());
    }

    #[test]
    fn hostile_names_have_pixels_too() {
        for name in hostile() {
            let map = map(BIG, &[]);
            let picture = Picture::of(&subject(&map, &name));
            let (_, _, rgb) = decoded(&picture.png().unwrap());
            assert!(rgb.iter().any(|byte| *byte < 0x40));
        }
    }
}
