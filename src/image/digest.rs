//! SHA-256 of a whole image, as its file stands: holes of the drive count with whatever the imaging left there.

use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;
use std::time::{Duration, SystemTime};

use sha2::{Digest, Sha256};

use super::Image;
use crate::bytes::{at_most, to_u64};
use crate::error::{Error, Result};
use crate::progress::{Progress, Unit};

/// Bytes read at a time: one thread reads ahead while another hashes.
const PIECE: usize = 4 << 20;
/// Pieces that may wait to be hashed. With the one being read and the one being hashed that is 16 MiB.
const WAITING: usize = 2;

/// The digest of an image, with all that tells whether it is still the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ImageDigest {
    /// SHA-256, in hexadecimal, of all parts joined.
    pub sha256: String,
    /// Bytes of the image.
    pub length: u64,
    /// Its parts, in order.
    pub parts: Vec<PartDigest>,
    /// When the digest was computed.
    pub computed: SystemTime,
}

/// The digest of one file of an image.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PartDigest {
    /// The file.
    pub path: PathBuf,
    /// Bytes of it.
    pub length: u64,
    /// When it was last modified.
    pub modified: Option<SystemTime>,
    /// SHA-256, in hexadecimal.
    pub sha256: String,
}

impl ImageDigest {
    /// Reads all of an image once.
    ///
    /// # Errors
    /// [`Error::ImageIo`] if it can't be read; [`Error::ImageChanged`] if it was changed meanwhile.
    pub fn compute(image: &dyn Image, progress: &dyn Progress) -> Result<Self> {
        let mut parts = Vec::new();
        for path in image.parts() {
            let (length, modified) = facts(path)?;
            parts.push(PartDigest { path: path.clone(), length, modified, sha256: String::new() });
        }
        progress.begin("hashing the image", image.length(), Unit::Bytes);
        let outcome = hash(image, &mut parts, progress);
        progress.end();
        let sha256 = outcome?;
        // Only now it is sure that the lengths above were those of the image that was read.
        image.check_unchanged()?;
        // To the second: it is for people.
        let now = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).map_or(0, |since| since.as_secs());
        let computed = SystemTime::UNIX_EPOCH.checked_add(Duration::from_secs(now)).unwrap_or(SystemTime::UNIX_EPOCH);
        Ok(Self { sha256, length: image.length(), parts, computed })
    }

    /// Why this is not the digest of `image` as its files stand now; `None` if nothing speaks against it.
    ///
    /// # Errors
    /// [`Error::ImageIo`] if a part can't be looked at.
    pub fn misfit(&self, image: &dyn Image) -> Result<Option<String>> {
        if (self.length, self.parts.len()) != (image.length(), image.parts().len()) {
            return Ok(Some("the image's length or the number of its parts is another".to_string()));
        }
        for (known, path) in self.parts.iter().zip(image.parts()) {
            let name = path.file_name().unwrap_or_default();
            let (length, modified) = facts(path)?;
            if known.path.file_name() != Some(name) {
                return Ok(Some(format!("`{}` is no part of it", name.display())));
            }
            if known.length != length {
                return Ok(Some(format!("the length of `{}` is another", name.display())));
            }
            if modified.is_none() || known.modified != modified {
                return Ok(Some(format!("`{}` was modified since", name.display())));
            }
        }
        Ok(None)
    }
}

fn facts(path: &Path) -> Result<(u64, Option<SystemTime>)> {
    let failed = |source| Error::ImageIo { path: path.to_path_buf(), offset: None, source };
    let metadata = std::fs::metadata(path).map_err(failed)?;
    Ok((metadata.len(), metadata.modified().ok()))
}

/// Hashes the whole, and each part if there are several.
fn hash(image: &dyn Image, parts: &mut [PartDigest], progress: &dyn Progress) -> Result<String> {
    let length = image.length();
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<Result<Vec<u8>>>(WAITING);
        scope.spawn(move || {
            let mut at = 0_u64;
            while at < length {
                let mut piece = vec![0; at_most(length.saturating_sub(at), PIECE)];
                let read = image.read_at(at, &mut piece).map(|()| piece);
                at = at.saturating_add(to_u64(PIECE));
                let failed = read.is_err();
                // Nobody listens any more after an error.
                if sender.send(read).is_err() || failed {
                    return;
                }
            }
        });
        let mut whole = Sha256::new();
        let is_split = parts.len() > 1;
        let mut part = Sha256::new();
        let mut parts = parts.iter_mut();
        let mut current = parts.next();
        let mut left = current.as_ref().map_or(0, |part| part.length);
        for piece in receiver {
            let piece = piece?;
            whole.update(&piece);
            progress.advance(to_u64(piece.len()));
            let mut rest = piece.as_slice();
            while is_split && !rest.is_empty() {
                let (now, later) = rest.split_at_checked(at_most(left, rest.len())).unwrap_or((rest, &[]));
                part.update(now);
                left = left.saturating_sub(to_u64(now.len()));
                rest = later;
                if left == 0 {
                    let Some(done) = current.take() else { break };
                    done.sha256 = hex(std::mem::take(&mut part));
                    current = parts.next();
                    left = current.as_ref().map_or(0, |part| part.length);
                }
            }
        }
        let whole = hex(whole);
        if let (false, Some(only)) = (is_split, current) {
            only.sha256.clone_from(&whole);
        }
        Ok(whole)
    })
}

fn hex(hash: Sha256) -> String {
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::image::MemoryImage;
    use crate::progress::Silent;
    use crate::testing::{set_modified, write_file};

    fn of(bytes: &[u8]) -> String {
        hex(Sha256::new_with_prefix(bytes))
    }

    #[test]
    fn parts_and_the_whole_are_hashed_in_one_pass() {
        let folder = tempfile::tempdir().unwrap();
        let bytes: Vec<u8> = (0..3 * PIECE + 17).map(|at| (at % 251) as u8).collect();
        let cuts = [0, 1000, 1000 + PIECE, 2 * PIECE, bytes.len()];
        let paths: Vec<PathBuf> = (1..=4).map(|number| folder.path().join(format!("disk.{number:03}"))).collect();
        for (path, cut) in paths.iter().zip(cuts.windows(2)) {
            write_file(path, &bytes[cut[0]..cut[1]]);
        }
        let image = crate::image::open(&paths).unwrap();
        let digest = ImageDigest::compute(image.as_ref(), &Silent).unwrap();
        assert_eq!((digest.length, digest.sha256.as_str()), (bytes.len() as u64, of(&bytes).as_str()));
        for (part, cut) in digest.parts.iter().zip(cuts.windows(2)) {
            assert_eq!(part.sha256, of(&bytes[cut[0]..cut[1]]), "{}", part.path.display());
        }
        assert_eq!(digest.misfit(image.as_ref()).unwrap(), None);
        // Windows lets nobody write while the image is open.
        drop(image);
        set_modified(&paths[2], SystemTime::UNIX_EPOCH);
        let image = crate::image::open(&paths).unwrap();
        assert_eq!(digest.misfit(image.as_ref()).unwrap().unwrap(), "`disk.003` was modified since");
        let fewer = crate::image::open(&paths[..3]).unwrap();
        assert!(digest.misfit(fewer.as_ref()).unwrap().unwrap().contains("number of its parts"));
    }

    #[test]
    fn one_file_and_memory() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("disk.img");
        write_file(&path, b"abc");
        let image = crate::image::open(&[&path]).unwrap();
        let digest = ImageDigest::compute(image.as_ref(), &Silent).unwrap();
        assert_eq!(
            (digest.sha256.as_str(), digest.parts[0].sha256.as_str()),
            (of(b"abc").as_str(), of(b"abc").as_str())
        );
        let memory = MemoryImage::new(vec![7; 100]);
        assert_eq!(ImageDigest::compute(&memory, &Silent).unwrap().sha256, of(&[7; 100]));
    }
}
