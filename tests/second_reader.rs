//! The second reader: on sound volumes it agrees on every file but where a limit of its own is known, and where it
//! differs, that is reported. Three words stand against one another: ours, the crates', and a third from outside, the
//! sources of the fixture and what Linux's own drivers read (`NAME.kernel.tsv`, see `test-images/README.md`).

#![cfg(feature = "second-reader")]

mod common;

use std::collections::{BTreeMap, BTreeSet};

use common::fixture;
use handback::catalog::ObjectKind;
use handback::content::fingerprint;
use handback::content::second::{Difference, Limit, Ours, Outcome, Read, Totals, compare};
use handback::filesystem::{self, Filesystem, Swept};
use handback::progress::Silent;
use handback::source::{Damage, Source};

/// What the second reader comes to on a fixture: agreements, and every limit with its count. It never differs.
type Expected = (&'static str, u64, &'static [(Limit, u64)]);

/// Found by running the crates over all volumes (`ntfs` 0.4.0, `fatfs` 0.3.6). A newer crate that reads more shows here.
const VOLUMES: &[Expected] = &[
    ("ntfs-attrlist", 363, &[(Limit::SeveralRecords, 4)]),
    ("ntfs-c2m", 318, &[]),
    ("ntfs-c4k", 448, &[]),
    ("ntfs-c512", 80, &[]),
    ("ntfs-c64k", 80, &[]),
    ("ntfs-compressed", 7, &[(Limit::Compressed, 22)]),
    ("ntfs-compressed-1k", 7, &[(Limit::Compressed, 22)]),
    ("ntfs-compressed-512", 7, &[(Limit::Compressed, 22)]),
    ("ntfs-deleted", 27, &[]),
    ("ntfs-dirty", 2, &[]),
    ("ntfs-encrypted", 2, &[(Limit::Encrypted, 3)]),
    ("ntfs-faststart", 4, &[]),
    ("ntfs-hibernated", 4, &[]),
    ("ntfs-hostile", 15, &[]),
    ("ntfs-mftfrag", 834, &[(Limit::TableInPieces, 256)]),
    ("ntfs-rec4k", 80, &[]),
    ("ntfs-recycle", 22, &[]),
    ("ntfs-reparse", 6, &[(Limit::Gaps, 2), (Limit::NothingRead, 5)]),
    ("ntfs-resumed", 4, &[]),
    ("ntfs-sparse", 12, &[]),
    ("ntfs-streams", 25, &[]),
    ("ntfs-valid", 3, &[(Limit::ValidSize, 8)]),
    ("ntfs-wof-lzx", 4, &[(Limit::SystemCompressed, 8)]),
    ("ntfs-wof-xpress16k", 4, &[(Limit::SystemCompressed, 8)]),
    ("ntfs-wof-xpress4k", 4, &[(Limit::SystemCompressed, 8)]),
    ("ntfs-wof-xpress8k", 4, &[(Limit::SystemCompressed, 8)]),
    ("fat12", 50, &[]),
    ("fat12-s1024", 48, &[]),
    ("fat16", 50, &[]),
    ("fat16-deleted", 33, &[]),
    ("fat16-frag", 552, &[]),
    ("fat16-s2048", 49, &[]),
    ("fat16-stale", 44, &[]),
    ("fat32", 90, &[]),
    ("fat32-few", 0, &[(Limit::VolumeRefused, 90)]),
    ("fat32-s4096", 0, &[(Limit::VolumeRefused, 169)]),
    ("fat4084", 2, &[]),
    ("fat4085", 2, &[]),
    ("fat65524", 2, &[]),
    ("fat65525", 2, &[]),
];

/// Where the crates are at a limit, and Linux was asked.
const ASKED_LINUX: &[&str] = &[
    "ntfs-attrlist",
    "ntfs-compressed",
    "ntfs-compressed-1k",
    "ntfs-compressed-512",
    "ntfs-mftfrag",
    "ntfs-valid",
    "fat32-few",
    "fat32-s4096",
];

struct Asked {
    filesystem: Box<dyn Filesystem>,
    swept: Swept,
    files: Vec<Ours>,
    outcomes: Vec<Outcome>,
}

impl Asked {
    /// Reads every file and stream, and has them read again.
    fn of(source: &Source) -> Self {
        let filesystem = filesystem::open(source).expect("in memory").expect("a volume");
        let swept = filesystem.sweep(Default::default(), &Silent).expect("in memory");
        let content = |(_, object): &(_, &handback::catalog::Object)| {
            matches!(object.kind, ObjectKind::File | ObjectKind::Stream)
        };
        let files: Vec<Ours> = swept
            .catalog
            .objects()
            .filter(content)
            .map(|(id, object)| {
                let found = fingerprint(filesystem.as_ref(), &swept.catalog, id, &mut |_| {}).expect("in memory");
                let read = found.map(|found| {
                    let facts = object.facts.with_reading(&found.outcome.gaps, found.outcome.unknown);
                    Read { sha256: found.sha256, size: found.outcome.length, gaps: !facts.gaps.is_empty() }
                });
                Ours { object: id, read }
            })
            .collect();
        let outcomes = compare(filesystem.as_ref(), &swept.catalog, &files, &Silent).expect("in memory");
        Self { filesystem, swept, files, outcomes }
    }

    fn totals(&self) -> Totals {
        let mut totals = Totals::default();
        self.outcomes.iter().for_each(|outcome| totals.add(outcome));
        totals
    }

    fn by_path(&self) -> BTreeMap<String, (&Ours, &Outcome)> {
        let path = |ours: &Ours| self.swept.catalog.first_path(ours.object);
        self.files.iter().zip(&self.outcomes).map(|(ours, outcome)| (path(ours), (ours, outcome))).collect()
    }
}

fn hex(sha256: &[u8; 32]) -> String {
    sha256.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[test]
fn it_agrees_on_every_file_but_for_known_limits() {
    for (name, agrees, limits) in VOLUMES {
        let asked = Asked::of(&fixture::all_read(name));
        let totals = asked.totals();
        let differing: Vec<String> = asked
            .by_path()
            .into_iter()
            .filter(|(_, (_, outcome))| matches!(outcome, Outcome::Differs(_)))
            .map(|(path, (_, outcome))| format!("{path}: {}", outcome.sentence()))
            .collect();
        assert!(differing.is_empty(), "{name}: {differing:#?}");
        assert_eq!((totals.agrees, &totals.limits), (*agrees, &limits.iter().copied().collect()), "{name}");
    }
}

#[test]
fn every_volume_of_these_kinds_is_among_them() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("test-images");
    let images: BTreeSet<String> = std::fs::read_dir(folder)
        .expect("the test images")
        .filter_map(|entry| Some(entry.ok()?.file_name().to_str()?.strip_suffix(".img.zst")?.to_string()))
        .filter(|name| name.starts_with("ntfs-") || name.starts_with("fat"))
        .collect();
    assert_eq!(images, VOLUMES.iter().map(|(name, ..)| name.to_string()).collect());
}

#[test]
fn a_third_opinion_is_ours_where_the_crates_have_limits() {
    for name in ASKED_LINUX {
        let asked = Asked::of(&fixture::all_read(name));
        let ours = asked.by_path();
        let text = String::from_utf8(fixture::file(&format!("{name}.kernel.tsv"))).expect("text");
        let mut compared = 0;
        for line in text.lines().filter(|line| !line.starts_with('#')) {
            let [size, sha256, path] = line.split('\t').collect::<Vec<_>>()[..] else { panic!("{name}: {line}") };
            let (file, outcome) = ours[path];
            assert!(matches!(outcome, Outcome::NotCheckable(_)), "{name}: {path} {outcome:?}");
            let read = file.read.expect("read");
            assert_eq!((read.size.to_string().as_str(), hex(&read.sha256).as_str()), (size, sha256), "{name}: {path}");
            compared += 1;
        }
        let limited = |(_, (ours, outcome)): &(&String, &(&Ours, &Outcome))| {
            let file = asked.swept.catalog.object(ours.object).kind == ObjectKind::File;
            file && matches!(outcome, Outcome::NotCheckable(_))
        };
        assert_eq!(compared, ours.iter().filter(limited).count(), "{name}: every such file was asked about");
        assert!(compared > 0, "{name}");
    }
}

#[test]
fn every_kind_of_difference_is_reported() {
    for name in ["ntfs-c4k", "fat16"] {
        let mut asked = Asked::of(&fixture::all_read(name));
        let [first, second] = [0, 1].map(|nth| {
            let long = |file: &(usize, &Ours)| file.1.read.is_some_and(|read| read.size > 1000);
            asked.files.iter().enumerate().filter(long).nth(nth).expect("files").0
        });
        let right = asked.files[first].read.expect("read");
        asked.files[first].read = Some(Read { sha256: [7; 32], ..right });
        let longer = asked.files[second].read.expect("read");
        asked.files[second].read = Some(Read { size: longer.size - 1, ..longer });
        let outcomes = compare(asked.filesystem.as_ref(), &asked.swept.catalog, &asked.files, &Silent).expect("memory");
        assert_eq!(outcomes[first], Outcome::Differs(Difference::OtherBytes(right.sha256)), "{name}");
        assert_eq!(outcomes[second], Outcome::Differs(Difference::OtherSize(longer.size)), "{name}");
        let others = outcomes.iter().enumerate().filter(|(index, _)| ![first, second].contains(index));
        assert!(others.map(|(_, outcome)| outcome).all(|outcome| *outcome == Outcome::Agrees), "{name}");
    }
}

#[test]
fn nobody_agrees_with_zeros_that_stand_for_a_hole() {
    for (name, path) in [("ntfs-c4k", "/Sizes/100000.bin"), ("fat16", "/Fotos/IMG_0010.JPG")] {
        let sound = fixture::all_read(name);
        let asked = Asked::of(&sound);
        let (file, outcome) = asked.by_path()[path];
        assert_eq!(*outcome, Outcome::Agrees, "{name}: {path}");
        let extents = asked.filesystem.extents(&asked.swept.catalog, file.object).expect("placed");
        let place = sound.image_offset(extents.first_place());
        let asked = Asked::of(&sound.with_damage(&[Damage::unread(place..place + 512)]));
        assert_eq!(*asked.by_path()[path].1, Outcome::NotCheckable(Limit::Gaps), "{name}: {path}");
        assert_eq!(asked.totals().not_checkable, 1, "{name}");
    }
}

#[test]
fn a_hole_that_only_the_second_reader_meets_is_no_difference() {
    // We read the backup of the boot sector.
    for name in ["ntfs-c4k", "fat32"] {
        let asked = Asked::of(&fixture::all_read(name).with_damage(&[Damage::unread(0..512)]));
        let totals = asked.totals();
        assert_eq!(totals.limits, BTreeMap::from([(Limit::HoleOnItsWay, asked.files.len() as u64)]), "{name}");
        assert_eq!(totals.differs, 0, "{name}");
    }
}

#[test]
fn reading_twice_takes_no_more_than_a_few_reads_a_file() {
    for name in ["ntfs-c4k", "fat16-frag"] {
        let asked = Asked::of(&fixture::all_read(name));
        let counting = common::counting::CountingImage::new(fixture::image(name));
        let source = Source::without_map(counting.clone());
        let filesystem = filesystem::open(&source).expect("in memory").expect("a volume");
        let before = counting.reads();
        let outcomes = compare(filesystem.as_ref(), &asked.swept.catalog, &asked.files, &Silent).expect("in memory");
        assert!(outcomes.iter().all(|outcome| *outcome == Outcome::Agrees));
        let reads = counting.reads() - before;
        let bytes: u64 = asked.files.iter().filter_map(|file| file.read).map(|read| read.size).sum();
        // One a piece of a file, which is at most a cluster of 512 bytes or more, and a few for each file's description.
        let fair = asked.files.len() as u64 * 6 + bytes / 512 * 2;
        assert!(reads < fair, "{name}: {reads} reads for {} files with {bytes} bytes", asked.files.len());
    }
}
