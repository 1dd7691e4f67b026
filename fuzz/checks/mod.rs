//! What must hold for any bytes: one check per parser, through the public interface. The fuzz targets run them on new
//! inputs, and `tests/crashers.rs` on all that were kept.
//!
//! A check returns if all is well and panics if something doesn't hold.

mod chunks;
mod columns;
mod content;
mod exfat;
mod fat;
mod headless;
mod lznt1;
mod names;
mod ntfs;
mod partition;
mod recycle;
mod sector_map;
pub(crate) mod sparse;
mod split_reads;
mod verify;
mod volumes;

use std::sync::Arc;

use handback::error::Error;
use handback::filesystem::{self, Filesystem, Formats};
use handback::image::MemoryImage;
use handback::source::Source;

/// A check and its name.
type Check = (&'static str, fn(&[u8]));

/// All checks by name.
pub(crate) const CHECKS: [Check; 15] = [
    ("chunks", chunks::check),
    ("columns", columns::check),
    ("content", content::check),
    ("exfat", exfat::check),
    ("fat", fat::check),
    ("headless", headless::check),
    ("lznt1", lznt1::check),
    ("names", names::check),
    ("ntfs", ntfs::check),
    ("partition", partition::check),
    ("recycle", recycle::check),
    ("sector_map", sector_map::check),
    ("split_reads", split_reads::check),
    ("verify", verify::check),
    ("volumes", volumes::check),
];

/// Runs the check with this name.
pub(crate) fn run(name: &str, data: &[u8]) {
    let (_, check) = CHECKS.iter().find(|(known, _)| *known == name).expect("a check");
    check(data);
}

/// Hands out each sector that was read whole, in order.
fn look(source: &Source, mut visit: impl FnMut(u64, &[u8])) {
    for offset in (0..source.length()).step_by(512) {
        if let Ok(Some((sector, _))) = source.read_real(offset, 512) {
            visit(offset, &sector);
        }
    }
}

/// Numbers off the front of an input; zeros when it is used up.
struct Taker<'a>(&'a [u8]);

impl<'a> Taker<'a> {
    fn bytes(&mut self, count: usize) -> &'a [u8] {
        let (taken, rest) = self.0.split_at(count.min(self.0.len()));
        self.0 = rest;
        taken
    }

    fn number(&mut self, width: usize) -> u64 {
        self.bytes(width).iter().rev().fold(0, |sum, byte| sum << 8 | u64::from(*byte))
    }

    fn byte(&mut self) -> u8 {
        self.bytes(1).first().copied().unwrap_or(0)
    }
}

/// A volume in memory of which nobody says anything.
fn in_memory(bytes: &[u8]) -> Source {
    Source::without_map(Arc::new(MemoryImage::new(bytes.to_vec())))
}

/// What reading an object's content brought.
struct Content {
    /// The first bytes, never more than the cap and a piece.
    bytes: Vec<u8>,
    /// What is missing; `None` if the cap came first.
    outcome: Option<handback::content::Outcome>,
}

/// Reads content up to about `cap` bytes. The image is in memory, so that no error can be meant but our own.
fn read_content(source: &Source, extents: &handback::catalog::Extents, cap: usize) -> Content {
    let mut bytes = Vec::new();
    let read = handback::content::read(source, extents, &mut |piece| {
        assert!(!piece.is_empty() && piece.len() <= handback::content::PIECE);
        bytes.extend_from_slice(piece);
        if bytes.len() > cap { Err(Error::Usage("enough".to_string())) } else { Ok(()) }
    });
    let outcome = match read {
        Ok(outcome) => Some(outcome),
        Err(Error::Usage(_)) => None,
        Err(error) => panic!("an image in memory can't fail: {error}"),
    };
    if let Some(outcome) = &outcome {
        assert_eq!((outcome.length, bytes.len() as u64), (extents.size(), extents.size()), "all of it is delivered");
        let mut end = 0;
        for gap in &outcome.gaps {
            assert!(end <= gap.range.start && gap.range.start < gap.range.end, "gaps are in order: {outcome:?}");
            end = gap.range.end;
            let missing = usize::try_from(gap.range.start).expect("capped")..usize::try_from(end).expect("capped");
            assert!(bytes[missing].iter().all(|byte| *byte == 0), "what is missing is delivered as zeros");
        }
        assert!(end <= outcome.length);
    }
    Content { bytes, outcome }
}

/// A volume's reader, if one knows it, by its boot sectors or without them.
fn open_volume(source: &Source) -> Option<Box<dyn Filesystem>> {
    let volume = filesystem::open(source).expect("an image in memory can't fail");
    volume.or_else(|| filesystem::open_without_head(source, Formats::ALL).expect("an image in memory can't fail"))
}
