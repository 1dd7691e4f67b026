//! The parts that every job goes through, each by itself: the sweep of a file table, the decoding of LZNT1, and what is
//! asked of a sector map. Whole jobs are measured beside outside programs by `cargo bench --bench main_job`.

#[path = "../growth/volume.rs"]
mod volume;

use std::hint::black_box;
use std::io::Read as _;
use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use handback::catalog::{Encoding, Extents, ObjectKind, Place};
use handback::content::lznt1;
use handback::filesystem::{self, Filesystem, SweepOptions};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;

const SECTOR: u64 = 512;
const RECORDS: u64 = 20_000;
const HOLES: u64 = 100_000;

fn opened(bytes: Vec<u8>, map: Option<&SectorMap>) -> Box<dyn Filesystem> {
    let image: Arc<dyn Image> = Arc::new(MemoryImage::new(bytes));
    let source = match map {
        Some(map) => Source::new(image, map, SECTOR),
        None => Source::without_map(image),
    };
    filesystem::open(&source).expect("memory does not fail").expect("a filesystem")
}

/// A map of `length` bytes with holes of a sector, evenly over `content`.
fn with_holes(length: u64, content: Range<u64>, holes: u64) -> SectorMap {
    let step = (content.end - content.start) / holes / SECTOR * SECTOR;
    let hole = |number: u64| content.start + number * step;
    let holes: Vec<Segment> = (0..holes)
        .map(|number| Segment { range: hole(number)..hole(number) + SECTOR, state: ByteState::Unread })
        .collect();
    SectorMap::from_ranges(length, Basis::Full, ByteState::Read, &holes).expect("in order")
}

fn sweep(criterion: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let path = folder.path().join("volume.img");
    let content = volume::make(&path, RECORDS, 200);
    let bytes = std::fs::read(&path).expect("own file");
    let holes = with_holes(content.image, content.start..content.start + content.length, RECORDS / 10);
    let mut group = criterion.benchmark_group("sweep of 20,000 files");
    group.throughput(Throughput::Elements(RECORDS));
    for (name, map) in [("without a map", None), ("a hole in each tenth file", Some(&holes))] {
        let filesystem = opened(bytes.clone(), map);
        group.bench_function(name, |bencher| {
            bencher.iter(|| filesystem.sweep(SweepOptions::default(), &Silent).expect("a sweep"));
        });
    }
    group.finish();
}

fn fixture(name: &str) -> Vec<u8> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("../../test-images/{name}.img.zst"));
    let packed = std::fs::read(path).expect("a test image");
    let mut bytes = Vec::new();
    let mut unpacked = ruzstd::decoding::StreamingDecoder::new(&packed[..]).expect("a test image");
    unpacked.read_to_end(&mut bytes).expect("a test image");
    bytes
}

/// What an outside driver compressed: the stored bytes of each unit that is smaller than its content.
fn compressed_units(bytes: &[u8]) -> Vec<(Vec<u8>, usize)> {
    let filesystem = opened(bytes.to_vec(), None);
    let swept = filesystem.sweep(SweepOptions::default(), &Silent).expect("a sweep");
    let mut units = Vec::new();
    for (id, object) in swept.catalog.objects() {
        if object.kind != ObjectKind::File {
            continue;
        }
        let Ok(Extents::Runs(runs)) = filesystem.extents(&swept.catalog, id) else { continue };
        let Encoding::Lznt1 { unit } = runs.encoding else { continue };
        for run in &runs.runs {
            if let Place::At(start) = run.place
                && run.start % unit == 0
                && run.length < unit
                && run.start + unit <= runs.size
            {
                let range = usize::try_from(start).expect("small")..usize::try_from(start + run.length).expect("small");
                units.push((bytes[range].to_vec(), usize::try_from(unit).expect("small")));
            }
        }
    }
    units
}

fn decoding(criterion: &mut Criterion) {
    let units = compressed_units(&fixture("ntfs-compressed"));
    assert!(!units.is_empty(), "the test image has compressed files");
    let mut group = criterion.benchmark_group("LZNT1");
    group.throughput(Throughput::Bytes(units.iter().map(|(_, unit)| *unit as u64).sum()));
    group.bench_function("units of the test image", |bencher| {
        let mut output = Vec::new();
        bencher.iter(|| {
            for (stored, unit) in &units {
                output.clear();
                lznt1::decode(stored, &mut output, *unit).expect("an outside driver wrote it");
            }
        });
    });
    group.finish();
}

fn map(criterion: &mut Criterion) {
    const LENGTH: u64 = 500_000_000_000;
    const ASKED: u64 = 1000;
    let map = with_holes(LENGTH, 0..LENGTH, HOLES);
    let places: Vec<u64> = (0..ASKED).map(|number| number * 0x9e37_79b9_7f4a_7c15 % (LENGTH - (1 << 20))).collect();
    let mut group = criterion.benchmark_group("a map of 100,000 holes");
    group.throughput(Throughput::Elements(ASKED));
    group.bench_function("the state of a byte", |bencher| {
        bencher.iter(|| places.iter().filter(|place| map.state_at(**place) == ByteState::Unread).count());
    });
    group.bench_function("what is unread of a megabyte", |bencher| {
        bencher
            .iter(|| places.iter().map(|place| map.count(*place..*place + (1 << 20), ByteState::Unread)).sum::<u64>());
    });
    group.bench_function("the states of a megabyte", |bencher| {
        bencher.iter(|| {
            for place in &places {
                map.segments(*place..*place + (1 << 20)).for_each(|segment| {
                    black_box(segment);
                });
            }
        });
    });
    group.finish();
}

criterion_group!(parts, sweep, decoding, map);
criterion_main!(parts);
