//! placeholder

#![cfg_attr(not(test), deny(clippy::unwrap_used, clippy::panic))]

mod bytes;
pub mod catalog;
#[cfg(feature = "cli")]
pub mod cli;
pub mod content;
pub mod error;
pub mod filesystem;
pub mod handover;
pub mod image;
pub mod partition;
pub mod progress;
pub mod sector_map;
pub mod source;
pub mod survey;
#[cfg(test)]
mod testing;
pub mod volumes;

pub use error::{Error, Result};
