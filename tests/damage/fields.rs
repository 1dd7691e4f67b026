//! Each field of each structure set to 0, 1, all ones and itself plus and minus one, with sound check words: what no
//! reader can notice, counted; and no panic, no endless reading.

pub(crate) mod fat;
pub(crate) mod ntfs;

use std::ops::Range;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::time::{Duration, Instant};

use handback::image::{Image, MemoryImage};
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::Source;

use crate::common::fixture;
use crate::common::harness::anatomy::Piece;
use crate::common::harness::images::Patched;
use crate::common::harness::tally::{Notice, Tally};
use crate::common::harness::{Baseline, Shape};
use crate::formats::{FORMATS, Format};
use crate::{say, step};

const LONGEST: Duration = Duration::from_secs(10);

/// Where a field starts in its structure, and its width, in bytes.
pub(crate) type Field = (usize, usize, &'static str);

/// The fields of a format.
pub(crate) trait Fields: Sync {
    /// A structure of this kind without what has to be right for it to be read at all: check words undone.
    fn open(&self, kind: &str, raw: &[u8]) -> Vec<u8>;

    /// The opposite: as it would be stored, check words and checksums put right. `raw` is the sound structure.
    fn close(&self, kind: &str, raw: &[u8], opened: &[u8]) -> Vec<u8>;

    /// Its fields, at most 8 bytes wide each.
    fn of(&self, kind: &str, opened: &[u8]) -> Vec<Field>;
}

/// The fields of `kind` at `base`, cut at the structure's end.
pub(crate) fn at(base: usize, kind: &[Field], end: usize, into: &mut Vec<Field>) {
    into.extend(
        kind.iter().map(|(offset, width, name)| (base + offset, *width, *name)).filter(|one| one.0 + one.1 <= end),
    );
}

/// The values that a field takes; its own is not among them.
fn values(old: u64, width: usize) -> Vec<u64> {
    let most = if width >= 8 { u64::MAX } else { (1 << (8 * width)) - 1 };
    let mut all = vec![0, 1, most, old.wrapping_add(1) & most, old.wrapping_sub(1) & most];
    all.sort_unstable();
    all.dedup();
    all.retain(|value| *value != old);
    all
}

/// A structure with one field changed.
struct Job {
    piece: Piece,
    field: Field,
    value: u64,
}

/// A structure of the sound image as it is stored.
fn stored(image: &MemoryImage, range: &Range<u64>) -> Vec<u8> {
    let mut raw = vec![0; usize::try_from(range.end - range.start).expect("small")];
    image.read_at(range.start, &mut raw).expect("inside");
    raw
}

fn jobs(known: &dyn Fields, image: &MemoryImage, pieces: &[Piece]) -> Vec<Job> {
    let mut jobs = Vec::new();
    for piece in pieces {
        let plain = known.open(piece.kind, &stored(image, &piece.range));
        for field in known.of(piece.kind, &plain) {
            let (offset, width, _) = field;
            let mut old = [0; 8];
            old[..width].copy_from_slice(&plain[offset..offset + width]);
            for value in values(u64::from_le_bytes(old), width) {
                jobs.push(Job { piece: piece.clone(), field, value });
            }
        }
    }
    jobs
}

fn changed(known: &dyn Fields, image: &MemoryImage, job: &Job) -> Vec<u8> {
    let raw = stored(image, &job.piece.range);
    let mut bytes = known.open(job.piece.kind, &raw);
    let (offset, width, _) = job.field;
    bytes[offset..offset + width].copy_from_slice(&job.value.to_le_bytes()[..width]);
    known.close(job.piece.kind, &raw, &bytes)
}

fn sweep(format: &Format, cross_check: bool, sample: u64) {
    let mut all = Notice::default();
    let (mut cases, mut possible, mut longest, mut panics) = (0, 0, Duration::ZERO, Vec::new());
    for name in format.with_each_structure {
        let baseline = Baseline::of(name, Shape::Bare, cross_check);
        let below = Arc::new(MemoryImage::new(fixture::image(name)));
        let map = SectorMap::from_ranges(below.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
        let jobs = jobs(format.fields, &below, &baseline.anatomy.pieces);
        possible += jobs.len();
        let every = step(u64::try_from(jobs.len()).expect("few"), sample);
        for job in jobs.iter().step_by(every) {
            let case = format!("{name} at {:#x}, {} = {:#x}", job.piece.range.start, job.field.2, job.value);
            let bytes = changed(format.fields, &below, job);
            let image: Arc<dyn Image> =
                Arc::new(Patched { below: Arc::clone(&below), offset: job.piece.range.start, bytes });
            let source = Source::new(image, &map, 512);
            let ranges = [job.piece.range.clone()];
            let begun = Instant::now();
            cases += 1;
            match catch_unwind(AssertUnwindSafe(|| baseline.check_source(&source, &ranges, &mut Tally::default()))) {
                Ok(seen) => all.add(job.field.2, &case, &seen),
                Err(_) => panics.push(case.clone()),
            }
            let took = begun.elapsed();
            assert!(took < LONGEST, "{case}: {took:?}");
            longest = longest.max(took);
        }
    }
    say(&format!(
        "{}: fields, cross-check {cross_check}: {cases} cases of {possible}, longest {longest:?}\n{}{:#?}",
        format.name,
        all.table(),
        all.examples()
    ));
    assert!(panics.is_empty(), "{} panics: {:#?}", panics.len(), &panics[..panics.len().min(10)]);
}

#[test]
fn each_field_of_each_structure() {
    for format in &FORMATS {
        sweep(format, false, 120);
    }
}

#[test]
fn each_field_of_each_structure_with_the_lists_of_folders() {
    for format in &FORMATS {
        sweep(format, true, 60);
    }
}
