//! The same volume must say the same however its bytes come: in one piece, in the parts of a split image on disk, and
//! further back in a longer image.

use std::fmt::Write as _;
use std::io::{Seek, SeekFrom, Write as _};
use std::path::Path;
use std::sync::Arc;

use handback::image::{self, Image};
use handback::progress::Silent;
use handback::source::Source;

use super::sparse::{CROSS_CHECK, DELETED, Sparse};
use super::{open_volume, read_content};
use handback::filesystem::SweepOptions;

/// Bytes of one file that are read, and of all files of an input.
const CAP: usize = 1 << 20;
const ALL: usize = 4 << 20;

/// No multiple of anything.
const CUTS: [u64; 3] = [513, 32_771, 1_000_003];

/// Any place on a sector that is on no larger boundary.
const BASE: u64 = 63 * 512;

pub(super) fn check(data: &[u8]) {
    let sparse = Sparse::parse(data);
    if sparse.length == 0 {
        return;
    }
    let whole = described(&sparse, &sparse.source());

    let folder = tempfile::tempdir().expect("a temporary folder");
    let parts = split(&sparse, folder.path());
    let map = sparse.map(0);
    assert_eq!(parts.length(), sparse.length);
    assert_eq!(whole, described(&sparse, &Source::new(parts, &map, 512)), "in one piece and in parts");

    let moved = Source::new(Arc::new(sparse.moved(BASE)), &sparse.map(BASE), 512).window(BASE, sparse.length);
    assert_eq!(whole, described(&sparse, &moved), "at the start and further back");
}

/// Everything a volume says, but for places in the image.
fn described(sparse: &Sparse, source: &Source) -> String {
    let mut text = String::new();
    let Some(volume) = open_volume(source) else { return text };
    let options =
        SweepOptions { deleted: sparse.has(DELETED), cross_check: sparse.has(CROSS_CHECK), ..SweepOptions::default() };
    let swept = match volume.sweep(options, &Silent) {
        Ok(swept) => swept,
        Err(_) => return "no sweep".to_string(),
    };
    let mut say = |what: std::fmt::Arguments<'_>| writeln!(text, "{what}").expect("a string");
    say(format_args!("{:?} {:?}", swept.facts, swept.claimed));
    for (kind, kept) in volume.findings().kinds().chain(swept.catalog.findings.kinds()) {
        say(format_args!("{kind:?} {}", kept.count));
    }
    let mut read = 0;
    for (id, object) in swept.catalog.objects() {
        say(format_args!("{} {object:?}", swept.catalog.first_path(id)));
        let Ok(extents) = volume.extents(&swept.catalog, id) else {
            say(format_args!("not placed"));
            continue;
        };
        if read < ALL {
            let content = read_content(volume.source(), &extents, CAP);
            read += content.bytes.len();
            say(format_args!("{:x} {:?}", crc32fast::hash(&content.bytes), content.outcome));
        }
    }
    text
}

/// The image in parts that end where nothing else does.
#[expect(clippy::disallowed_methods, reason = "a temporary folder of the check's own")]
fn split(sparse: &Sparse, folder: &Path) -> Arc<dyn Image> {
    let mut edges = vec![0];
    edges.extend(CUTS.into_iter().filter(|cut| *cut < sparse.length));
    edges.push(sparse.length);
    let mut paths = Vec::new();
    for (index, edge) in edges.windows(2).enumerate() {
        let &[start, end] = edge else { continue };
        let path = folder.join(format!("choir.{index}"));
        let mut file = std::fs::File::create(&path).expect("a temporary folder");
        file.set_len(end - start).expect("a temporary folder");
        for (at, stretch) in &sparse.stretches {
            let (from, to) = (start.max(*at), end.min(at + stretch.len() as u64));
            if from < to {
                file.seek(SeekFrom::Start(from - start)).expect("a temporary folder");
                file.write_all(&stretch[(from - at) as usize..(to - at) as usize]).expect("a temporary folder");
            }
        }
        paths.push(path);
    }
    // An image that looks like a container is refused; as bytes in memory it isn't.
    image::open(&paths).unwrap_or_else(|_| Arc::new(sparse.clone()))
}
