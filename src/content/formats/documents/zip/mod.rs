//! ZIP archives and the many kinds of documents that are one (APPNOTE.TXT 6.3).
//!
//! Every member is unpacked and held against its CRC-32, and its own header against the list at the end. What a kind has
//! to have in it comes on top: see `office`, `open_document` and `parts`.

mod archive;
mod cut;
mod end;
mod kinds;
mod member;
mod office;
mod open_document;
mod parts;

pub(super) use kinds::{EXACT, NAMED, PLAIN};

#[cfg(test)]
mod tests;
