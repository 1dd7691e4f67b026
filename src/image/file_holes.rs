//! Where a sparse file keeps nothing, asked of Linux (`lseek(2)`: `SEEK_HOLE`, `SEEK_DATA`).

use std::fs::File;
use std::ops::Range;

use rustix::fs::{SeekFrom, seek};
use rustix::io::Errno;

/// The first hole of `file` at or after `from` and before `length` (bytes of the file). The outer `None`: it can't be told.
/// The file's own position, which this moves, is used by nobody: images are read at positions.
pub(super) fn next(file: &File, from: u64, length: u64) -> Option<Option<Range<u64>>> {
    if from >= length {
        return Some(None);
    }
    let start = match seek(file, SeekFrom::Hole(from)) {
        Ok(start) => start,
        // The file became shorter; that is noticed elsewhere.
        Err(Errno::NXIO) => return Some(None),
        Err(_) => return None,
    };
    // The end of every file counts as the beginning of a hole.
    if start >= length {
        return Some(None);
    }
    let end = match seek(file, SeekFrom::Data(start)) {
        Ok(end) => end.min(length),
        Err(Errno::NXIO) => length,
        Err(_) => return None,
    };
    Some((start < end).then_some(start..end))
}
