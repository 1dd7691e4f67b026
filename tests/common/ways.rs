//! The ways in which a file is broken, to see which of them a check notices.

/// A sector, in bytes.
const SECTOR: usize = 512;
/// A page of a modern drive, in bytes.
const PAGE: usize = 4096;

/// One way: what is done, and what came of it. `None` if the file is too small for it to change a byte.
pub(crate) type Way = (&'static str, fn(&[u8], &[u8]) -> Option<Vec<u8>>);

/// All ways. The second argument is another file of the same kind, which strange bytes come from.
pub(crate) const WAYS: [Way; 10] = [
    ("cut at 10%", |file, _| cut(file, 10)),
    ("cut at 50%", |file, _| cut(file, 50)),
    ("cut at 90%", |file, _| cut(file, 90)),
    ("cut at 99%", |file, _| cut(file, 99)),
    ("zeroed sector", |file, _| changed(file, |bytes| fill(bytes, middle(file, SECTOR), SECTOR))),
    ("zeroed tail", |file, _| {
        let start = file.len() / 10 * 9 / SECTOR * SECTOR;
        changed(file, |bytes| fill(bytes, start, file.len()))
    }),
    ("header gone", |file, _| changed(file, |bytes| fill(bytes, 0, SECTOR))),
    ("swapped sectors", |file, _| {
        let (one, other) = (file.len() / 3 / SECTOR * SECTOR, file.len() / 3 * 2 / SECTOR * SECTOR);
        if other + SECTOR > file.len() || one + SECTOR > other {
            return None;
        }
        changed(file, |bytes| {
            let (front, back) = bytes.split_at_mut(other);
            front[one..one + SECTOR].swap_with_slice(&mut back[..SECTOR]);
        })
    }),
    ("foreign 4 KiB", |file, other| {
        let (to, from) = (middle(file, PAGE), middle(other, PAGE));
        let strange = other.get(from..from + PAGE)?;
        if to + PAGE > file.len() {
            return None;
        }
        changed(file, |bytes| bytes[to..to + PAGE].copy_from_slice(strange))
    }),
    ("one bit flipped", |file, _| changed(file, |bytes| bytes[file.len() / 2] ^= 0x10)),
];

/// The unit that begins last before the middle.
fn middle(file: &[u8], unit: usize) -> usize {
    file.len() / 2 / unit * unit
}

fn cut(file: &[u8], percent: usize) -> Option<Vec<u8>> {
    let length = file.len() * percent / 100;
    (length > 0 && length < file.len()).then(|| file[..length].to_vec())
}

fn fill(bytes: &mut [u8], start: usize, length: usize) {
    let end = (start + length).min(bytes.len());
    bytes[start..end].fill(0);
}

fn changed(file: &[u8], change: impl FnOnce(&mut Vec<u8>)) -> Option<Vec<u8>> {
    let mut bytes = file.to_vec();
    if bytes.is_empty() {
        return None;
    }
    change(&mut bytes);
    (bytes != file).then_some(bytes)
}
