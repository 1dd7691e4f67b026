//! The pictures against outside programs: a parser of XML, and a renderer of SVG, whose pixels must be those of our own PNG.

use crate::common::{Bench, fixture, full_map};
use crate::tools::run;

/// A picture in pixels.
struct Pixels {
    width: usize,
    rgb: Vec<[u8; 3]>,
}

/// Reads a PNG of eight bits a channel with the `png` crate.
fn pixels(bytes: &[u8]) -> Pixels {
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::EXPAND | png::Transformations::STRIP_16);
    let mut reader = decoder.read_info().expect("a PNG");
    let mut raw = vec![0; reader.output_buffer_size().expect("it fits")];
    let info = reader.next_frame(&mut raw).expect("whole");
    let rgb = raw[..info.buffer_size()].chunks_exact(info.color_type.samples()).map(|one| [one[0], one[1], one[2]]);
    Pixels { width: info.width as usize, rgb: rgb.collect() }
}

/// How many of the pixels of some rows differ so that one sees it, in thousandths.
fn differ(one: &Pixels, other: &Pixels, rows: std::ops::Range<usize>) -> usize {
    let range = rows.start * one.width..rows.end * one.width;
    let grey = |[red, green, blue]: [u8; 3]| i32::from(red) + i32::from(green) + i32::from(blue);
    let pairs = one.rgb[range.clone()].iter().zip(&other.rgb[range.clone()]);
    pairs.filter(|(one, other)| (grey(**one) - grey(**other)).abs() > 240).count() * 1000 / range.len()
}

#[test]
fn the_svg_is_well_formed_and_looks_like_the_png() {
    let bench = Bench::new();
    bench.fixture("demo");
    bench.file("demo.map.csv", fixture::file("demo.map.csv"));
    bench.file("big.img", []);
    bench.stretch("big.img", 500_107_862_016);
    let holes: Vec<_> =
        (1..200).map(|at| at * 2_500_000_000 / 512 * 512..at * 2_500_000_000 / 512 * 512 + 4096).collect();
    bench.file("big.map.csv", full_map(500_107_862_016, &holes));
    for (line, code) in [("demo.img /Users/Choir", 1), ("demo.img", 0), ("big.img", 0), ("big.img --no-map", 0)] {
        for name in ["one.svg", "one.png"] {
            bench.run(&format!("map picture {line} --to {name}")).code(code);
        }
        let (svg, drawn) = (bench.path("one.svg"), bench.path("drawn.png"));
        let (svg, drawn) = (svg.to_str().expect("text"), drawn.to_str().expect("text"));
        run("xmllint", &["--noout", "--nonet", svg]);
        run("rsvg-convert", &["--zoom", "2", "--output", drawn, svg]);
        let read = |name| pixels(&std::fs::read(bench.path(name)).expect("just written"));
        let (ours, theirs) = (read("one.png"), read("drawn.png"));
        assert_eq!((ours.width, ours.rgb.len()), (theirs.width, theirs.rgb.len()), "{line}");
        let height = ours.rgb.len() / ours.width;
        // Letters are of different fonts; the strip's rows have next to none.
        assert!(differ(&ours, &theirs, 0..height) < 60, "{line}: {}", differ(&ours, &theirs, 0..height));
        // The strip's frame is dark from one end to the other: its two lines are the first such.
        let dark = |y: usize| ours.rgb[y * ours.width + 90..y * ours.width + 2300].iter().all(|one| one[1] < 0x40);
        let frame: Vec<usize> = (0..height).filter(|y| dark(*y)).collect();
        let strip = frame.iter().zip(&frame[1..]).find(|(top, bottom)| *bottom - *top > 50).expect("a strip");
        let strip = strip.0 + 2..strip.1 - 2;
        assert!(strip.len() > 90, "{strip:?}");
        assert!(differ(&ours, &theirs, strip.clone()) < 15, "{line}: {}", differ(&ours, &theirs, strip));
        bench.remove("one.svg");
        bench.remove("one.png");
        bench.remove("drawn.png");
    }
}
