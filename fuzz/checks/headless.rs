//! NTFS volumes without boot sectors, as `sparse.rs` packs them, in front of them a layout that somebody wrote down:
//! what is found, and what is opened by either.
//!
//! | offset | bytes | what |
//! |---|---|---|
//! | 0x00 | 1 | powers of two of the cluster's (low half) and the record's size (high half), of 256 bytes |
//! | 0x01 | 4 | cluster of the table |
//! | 0x05 | 4 | cluster of the mirror |
//! | 0x09 | 6 | bytes of the volume |
//! | 0x0f | 1 | [`SEARCHED`], [`PIECES`] |
//! | 0x10 | 6 each | with [`PIECES`]: two pieces: first record (2), records (1), sector (3) |
//!
//! and from 0x20 on the volume.

use handback::catalog::State;
use handback::filesystem::ntfs::Ntfs;
use handback::filesystem::ntfs::headless::{Evidence, Geometry, TablePiece, TablePlace, Traces};
use handback::filesystem::{self, Filesystem, SweepOptions};
use handback::progress::Silent;

use super::sparse::{DELETED, Sparse};
use super::{Taker, ntfs};

/// It says that all was searched.
const SEARCHED: u8 = 1;
/// It says that the table was put together.
const PIECES: u8 = 2;

pub(super) fn check(data: &[u8]) {
    let (header, volume) = data.split_at(data.len().min(0x20));
    let sparse = Sparse::parse(volume);
    let source = sparse.source();
    let written = geometry(&mut Taker(header));
    if let Some(volume) = Ntfs::open_at(&source, &written).expect("an image in memory can't fail") {
        doubted_unless(&volume, written.searched && !written.contested);
        ntfs::sweep(&volume, sparse.has(DELETED));
    }
    if let Some(volume) =
        filesystem::open_without_head(&source, filesystem::Formats::ALL).expect("an image in memory can't fail")
    {
        ntfs::sweep(&*volume, sparse.has(DELETED));
    }
    let mut traces = Traces::new();
    let mut sector = [0; 512];
    for at in (0..source.length()).step_by(512) {
        let _ = source.read_at(at, &mut sector).expect("an image in memory can't fail");
        traces.look(at, &sector);
    }
    let found = traces.volumes(&source).expect("an image in memory can't fail");
    for one in found.iter().take(4) {
        assert!(one.start < source.length(), "{one:?}");
        let window = source.window(one.start, one.total_bytes);
        if let Some(volume) = Ntfs::open_at(&window, one).expect("an image in memory can't fail") {
            doubted_unless(&volume, one.is_proven());
        }
    }
}

/// Nothing is whole in a volume whose layout is not proven.
fn doubted_unless(volume: &Ntfs, may_be_proven: bool) {
    let Ok(swept) = volume.sweep(SweepOptions::default(), &Silent) else { return };
    let mut objects = swept.catalog.objects();
    assert!(may_be_proven || objects.all(|(_, object)| object.size == 0 || object.facts.state() != State::Whole));
}

fn geometry(taker: &mut Taker<'_>) -> Geometry {
    let sizes = taker.byte();
    let (mft, mirror, total_bytes) = (taker.number(4), taker.number(4), taker.number(6));
    let flags = taker.byte();
    let mut piece = || TablePiece { first: taker.number(2), records: taker.number(1), offset: taker.number(3) * 512 };
    let table = if flags & PIECES != 0 {
        TablePlace::Pieces(vec![piece(), piece()])
    } else {
        TablePlace::Described { mft, mirror }
    };
    Geometry {
        start: 0,
        total_bytes,
        total_is_known: true,
        cluster_size: 256 << (sizes & 15),
        record_size: 256 << (sizes >> 4),
        table,
        evidence: Evidence::default(),
        searched: flags & SEARCHED != 0,
        contested: false,
    }
}
