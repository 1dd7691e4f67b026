//! OLE compound files: Word, Excel, PowerPoint before 2007, saved messages and more ([MS-CFB]).
//!
//! A compound file is a small filesystem: sectors, chains in a table, folders and streams. None of it has a checksum. What
//! is checked is that every chain is there, as long as its stream and used once; on top of that come the records of the
//! programs that people know.

mod compound;
mod directory;
mod excel;
mod header;
mod kinds;
mod message;
mod slides;
mod stream;
mod word;

pub(super) use kinds::{FORMATS, encrypted_package};

/// The opening ([MS-CFB] 2.2, Header Signature).
const OPENING: [u8; 8] = [0xD0, 0xCF, 0x11, 0xE0, 0xA1, 0xB1, 0x1A, 0xE1];

/// Whether a file opens as a compound file.
pub(super) fn opens(head: &[u8]) -> bool {
    head.starts_with(&OPENING)
}

#[cfg(test)]
mod tests;
