//! Content read at any place is what reading all of it gives, bytes and gaps alike: plain, compressed, packed, sparse,
//! and with holes.

mod common;

use common::fixture;
use handback::catalog::ObjectKind;
use handback::content;
use handback::filesystem::{self, SweepOptions};
use handback::progress::Silent;
use handback::sector_map::ByteState;
use handback::source::Damage;

/// Each has one way of storing content that the others don't have.
const IMAGES: [&str; 9] = [
    "ntfs-c512",
    "ntfs-compressed",
    "ntfs-compressed-512",
    "ntfs-sparse",
    "ntfs-valid",
    "ntfs-wof-lzx",
    "ntfs-wof-xpress4k",
    "fat16-frag",
    "exfat-c4k",
];

/// The largest file that is read range by range.
const LARGEST: u64 = 8 << 20;

#[test]
fn ranges_are_what_the_whole_is() {
    let mut with_gaps = 0;
    for image in IMAGES {
        let sound = fixture::all_read(image);
        let length = sound.length();
        // Away from the front, where the filesystem's own structures are.
        let holes: Vec<Damage> = (1..60)
            .map(|number| {
                let start = (length / 60 * number) / 512 * 512;
                Damage { range: start..start + 512, state: Some(ByteState::Unread), scrambled: true }
            })
            .collect();
        for source in [sound.clone(), sound.with_damage(&holes)] {
            let Ok(Some(volume)) = filesystem::open(&source) else { continue };
            let swept = volume.sweep(SweepOptions::default(), &Silent).expect("a sweep");
            for (id, object) in swept.catalog.objects() {
                if object.kind != ObjectKind::File && object.kind != ObjectKind::Stream {
                    continue;
                }
                let Ok(extents) = volume.extents(&swept.catalog, id) else { continue };
                if extents.size() > LARGEST {
                    continue;
                }
                let mut all = Vec::new();
                let whole = content::read(volume.source(), &extents, &mut |piece| {
                    all.extend_from_slice(piece);
                    Ok(())
                })
                .expect("an image in memory");
                let size = all.len() as u64;
                for (start, count) in
                    [(0, 1), (0, 5000), (size / 2, 70_000), (size / 3, 4096), (size - size.min(7), 20)]
                {
                    let mut part = vec![0xaa; count];
                    let outcome = content::read_at(volume.source(), &extents, start, &mut part).expect("in memory");
                    let end = (start + count as u64).min(size);
                    let (from, to) = (start as usize, end as usize);
                    assert_eq!(part[..to - from], all[from..to], "{image} {id:?} {start} {count}");
                    assert!(part[to - from..].iter().all(|byte| *byte == 0));
                    let gaps: Vec<_> = whole
                        .gaps
                        .iter()
                        .map(|gap| (gap.range.start.max(start)..gap.range.end.min(end), gap.why))
                        .filter(|(range, _)| range.start < range.end)
                        .collect();
                    with_gaps += usize::from(!gaps.is_empty());
                    let found: Vec<_> = outcome.gaps.into_iter().map(|gap| (gap.range, gap.why)).collect();
                    assert_eq!(found, gaps, "{image} {id:?} {start} {count}");
                }
            }
        }
    }
    assert!(with_gaps > 100, "{with_gaps}");
}
