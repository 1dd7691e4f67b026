//! See what is on the image of a dying drive, prove what is really there, and hand the customer's files back.
//!
//! The way through this library is the way through the job; imports only ever point up this list:
//!
//! | module | knows |
//! | --- | --- |
//! | [`image`] | the bytes: a read-only image of a drive |
//! | [`sector_map`] | which of those bytes really came off the drive, and on whose word |
//! | [`source`] | both as one: bytes together with their state |
//! | [`catalog`] | the types that all share: objects, names, extents, states, findings |
//! | [`partition`] | where volumes lie by the table |
//! | [`filesystem`] | one reader per filesystem; each fills a catalog |
//! | [`volumes`] | what is in each place, read or recognised |
//! | [`content`] | the bytes of one object |
//! | [`survey`] | what it means to the customer |
//! | [`handover`] | copy out, hash, manifest, verification |
//! | `cli` | the program's face (feature `cli`) |
//!
//! Three promises hold everything together: no file is called whole when one byte of it is not what the drive held;
//! nothing is silently missing; the image is never written to. `docs/states.md` says what `whole` means and rests on.
//!
//! # Example
//!
//! List a volume's files, and what of each is missing:
//!
//! ```no_run
//! use handback::progress::Silent;
//! use handback::{image, sector_map, source, volumes};
//!
//! # fn main() -> handback::Result<()> {
//! let image = image::open(&["choir.img"])?;
//! // `choir.map.csv` beside it says which sectors the drive gave.
//! let map = sector_map::open::open(image.as_ref(), &Default::default())?;
//! let source = source::Source::new(image, &map.map, source::SMALLEST_SECTOR);
//! let disk = volumes::open(&source, Default::default())?;
//! for volume in &disk.volumes {
//!     let Some(filesystem) = volume.filesystem() else { continue };
//!     let swept = filesystem.sweep(Default::default(), &Silent)?;
//!     for (id, object) in swept.catalog.objects() {
//!         let path = swept.catalog.first_path(id);
//!         println!("{} {path}: {} bytes missing", object.facts.state(), object.facts.gap_bytes);
//!     }
//! }
//! # Ok(())
//! # }
//! ```

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::panic))]

mod amount;
mod bytes;
pub mod catalog;
#[cfg(feature = "cli")]
pub mod cli;
pub mod content;
pub mod error;
pub mod filesystem;
pub mod handover;
mod hidden;
pub mod image;
pub mod partition;
pub mod progress;
pub mod sector_map;
pub mod source;
pub mod survey;
#[cfg(test)]
mod testing;
mod threads;
pub mod volumes;

pub use error::{Error, Result};
