//! Any damage at all, and no map that tells of it: no panic, no endless reading, no great memory.

use std::time::{Duration, Instant};

use handback::filesystem::SweepOptions;
use handback::progress::Silent;
use handback::source::{Damage, Source};
use handback::volumes::{self, Content};

use crate::common::fixture;
use crate::common::harness::{Baseline, Shape};
use crate::common::memory;
use crate::formats::{FORMATS, Format};
use crate::{Numbers, say, seeds};

const LONGEST: Duration = Duration::from_secs(10);

/// Of content, so much is read: a file may say of itself that it has 2^63 bytes.
const MOST_CONTENT: u64 = 16 << 20;

fn read_all(source: &Source) -> u64 {
    let disk = volumes::open(source, Default::default()).expect("in memory");
    let mut objects = 0;
    for volume in &disk.volumes {
        let Content::Readable(reader) = &volume.content else { continue };
        let options = SweepOptions { deleted: true, cross_check: true, ..SweepOptions::default() };
        let catalog = reader.sweep(options, &Silent).expect("in memory").catalog;
        for (id, _) in catalog.objects() {
            objects += 1;
            reader.link_target(&catalog, id).expect("in memory");
            if let Ok(extents) = reader.extents(&catalog, id)
                && extents.size() <= MOST_CONTENT
            {
                handback::content::read(reader.source(), &extents, &mut |_| Ok(())).expect("in memory");
            }
        }
    }
    objects
}

#[test]
fn random_damage_without_a_map_ends_soon() {
    for format in &FORMATS {
        ends_soon(format);
    }
}

fn ends_soon(format: &Format) {
    let seeds = seeds(10_000, 65);
    let mut longest = Duration::ZERO;
    let mut objects = 0;
    let all = u64::try_from(format.volumes.len()).expect("few");
    for (index, name) in (0..).zip(format.volumes) {
        let source = fixture::unmapped(name);
        let pieces = Baseline::of(name, Shape::Bare, false).anatomy.pieces;
        for seed in (index..seeds).step_by(format.volumes.len()) {
            let mut numbers = Numbers(seed);
            let damage: Vec<Damage> = (0..1 + numbers.below(40))
                .map(|_| {
                    let most = [8, 512, 20_000][numbers.index(3)];
                    let length = 1 + numbers.below(most);
                    // Small ones go where something is described.
                    let piece = &pieces[numbers.index(pieces.len())];
                    let start = if length <= 512 {
                        piece.range.start + numbers.below(piece.range.end - piece.range.start)
                    } else {
                        numbers.below(source.length())
                    };
                    Damage::unmarked(start..(start + length).min(source.length()))
                })
                .collect();
            let begun = Instant::now();
            objects += read_all(&source.with_damage(&damage));
            let took = begun.elapsed();
            assert!(took < LONGEST, "{name}, seed {seed}: {took:?}");
            longest = longest.max(took);
        }
    }
    let memory = memory::peak();
    say(&format!(
        "{}: random damage without a map: {seeds} seeds over {all} volumes, {objects} objects read, longest {longest:?}, \
         most memory of the whole process {memory:?} KiB",
        format.name
    ));
    // All images of the tests that run beside this one are in it.
    assert!(memory.is_none_or(|kib| kib < 512 << 10), "{memory:?} KiB");
}
