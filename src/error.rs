//! What can stop an operation. Facts that do not stop anything are findings ([`crate::catalog::Finding`]).

use std::fmt;
use std::io;
use std::path::PathBuf;

/// The result of everything in this library that can fail.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Why an operation can't go on.
///
/// The classes are what a caller can act on: try the image file again, free the destination, ask for a key, ask for
/// the sectors, correct the command. Display is one sentence; offsets are absolute in the image, in hexadecimal bytes.
#[derive(Debug)]
#[non_exhaustive]
pub enum Error {
    /// The image *file* could not be read (a network drive went away, a bad cable). Never a sector that the customer's
    /// drive did not give.
    ImageIo {
        /// The image file or the part of it.
        path: PathBuf,
        /// Byte offset in the image, where one is known.
        offset: Option<u64>,
        /// What the operating system said.
        source: io::Error,
    },
    /// The image file was changed by somebody else while it was read.
    ImageChanged {
        /// The image file or the part of it.
        path: PathBuf,
        /// What changed.
        what: String,
    },
    /// The image file is not what a list of checksums beside it says: bytes are wrong that no map knows of.
    ImageDiffers {
        /// The image file or the part of it.
        path: PathBuf,
        /// The list.
        list: PathBuf,
        /// SHA-256 of the file, in hexadecimal.
        found: String,
        /// What the list says.
        listed: String,
    },
    /// The destination, or another file that is not the image, could not be read or written.
    Io {
        /// What was being done, as in "cannot ACTION `path`".
        action: &'static str,
        /// The file or folder.
        path: PathBuf,
        /// What the operating system said.
        source: io::Error,
    },
    /// The destination can't be used as it is, or a bag there can't be continued.
    Destination {
        /// The file or folder.
        path: PathBuf,
        /// Why, and what to do.
        why: String,
    },
    /// Bytes that are needed lie where the drive gave nothing.
    Unreadable {
        /// Absolute byte offset in the image.
        offset: u64,
        /// The structure that lies there.
        structure: &'static str,
        /// Its number (record, cluster), where it has one.
        number: Option<u64>,
    },
    /// A structure was read and is not what it must be.
    Corrupt {
        /// Absolute byte offset in the image.
        offset: u64,
        /// The structure that lies there.
        structure: &'static str,
        /// Its number (record, cluster), where it has one.
        number: Option<u64>,
        /// What must stand there.
        expected: String,
        /// What stands there.
        found: String,
    },
    /// Something sound that this library does not read.
    Unsupported {
        /// What it is, as a noun.
        what: String,
        /// What to do about it.
        next: String,
    },
    /// A bound that protects time or memory was reached.
    Limit {
        /// What was bounded, as a noun.
        what: String,
        /// The bound.
        limit: u64,
        /// What to do about it.
        next: &'static str,
    },
    /// No volume that is known begins at the place that was asked for.
    NoVolumeAt {
        /// Absolute byte offset in the image.
        offset: u64,
    },
    /// The caller asked for something that does not exist or does not fit.
    Usage(String),
}

impl Error {
    /// The class as one word, for programs.
    #[must_use]
    pub fn class(&self) -> &'static str {
        match self {
            Self::ImageIo { .. } => "image_io",
            Self::ImageChanged { .. } => "image_changed",
            Self::ImageDiffers { .. } => "image_differs",
            Self::Io { .. } => "io",
            Self::Destination { .. } => "destination",
            Self::Unreadable { .. } => "unreadable",
            Self::Corrupt { .. } => "corrupt",
            Self::Unsupported { .. } => "unsupported",
            Self::Limit { .. } => "limit",
            Self::NoVolumeAt { .. } => "no_volume_at",
            Self::Usage(_) => "usage",
        }
    }
}

struct Numbered(&'static str, Option<u64>);

impl fmt::Display for Numbered {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.1 {
            Some(number) => write!(f, "{} {number}", self.0),
            None => f.write_str(self.0),
        }
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::ImageIo { path, offset: Some(offset), source } => {
                write!(f, "cannot read the image file `{}` at {offset:#x}: {source}", path.display())
            }
            Self::ImageIo { path, offset: None, source } => {
                write!(f, "cannot read the image file `{}`: {source}", path.display())
            }
            Self::ImageDiffers { path, list, found, listed } => write!(
                f,
                "the image file `{}` is not what `{}` says (SHA-256 {found} and not {listed}): take the image from its \
                 other copy, or the list away if it is of an earlier state of the imaging",
                path.display(),
                list.display()
            ),
            Self::ImageChanged { path, what } => {
                write!(
                    f,
                    "the image file `{}` changed while it was read ({what}); wait until imaging has ended and start again",
                    path.display()
                )
            }
            Self::Io { action, path, source } => write!(f, "cannot {action} `{}`: {source}", path.display()),
            Self::Destination { path, why } => write!(f, "cannot use `{}`: {why}", path.display()),
            Self::Unreadable { offset, structure, number } => {
                write!(f, "the {} at {offset:#x} lies where the drive gave nothing", Numbered(structure, *number))
            }
            Self::Corrupt { offset, structure, number, expected, found } => {
                write!(
                    f,
                    "the {} at {offset:#x} is damaged: expected {expected}, found {found}",
                    Numbered(structure, *number)
                )
            }
            Self::Unsupported { what, next } => write!(f, "this is {what}, which handback does not read; {next}"),
            Self::Limit { what, limit, next } => write!(f, "more than {limit} {what}; {next}"),
            Self::NoVolumeAt { offset } => write!(
                f,
                "no volume that is known begins at byte {offset} ({offset:#x}); `handback layout IMAGE --search` walks \
                 the whole image and says where volumes begin"
            ),
            Self::Usage(what) => f.write_str(what),
        }
    }
}

impl std::error::Error for Error {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::ImageIo { source, .. } | Self::Io { source, .. } => Some(source),
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_message_says_where_and_what() {
        let error = Error::Corrupt {
            offset: 0x4_0400,
            structure: "file record",
            number: Some(7),
            expected: "`FILE`".to_string(),
            found: "`BAAD`".to_string(),
        };
        assert_eq!(error.to_string(), "the file record 7 at 0x40400 is damaged: expected `FILE`, found `BAAD`");
        assert_eq!(error.class(), "corrupt");
    }
}
