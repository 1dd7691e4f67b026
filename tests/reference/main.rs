//! The reference suite: fresh images from random content, made by outside tools and compared with what outside tools
//! say of them. It drives the built program and needs root, loop devices, FUSE and the packages that `.ci/run`
//! installs; a tool that is not there is a failure, never a test less.
//!
//! Each check names the source of its truth beside it. Random content comes from a seed that is printed;
//! `HANDBACK_SEED=N` runs the same again.

#![expect(clippy::disallowed_methods, reason = "the images, maps and folders of the tests are made here")]

#[path = "../common/mod.rs"]
mod common;

mod bag;
mod destinations;
mod exfat_volumes;
mod fat_destinations;
mod fat_volumes;
mod guest;
mod headless;
mod kill;
mod lists;
mod lost_tables;
mod main_job;
mod maps;
mod mounts;
mod pictures;
mod random;
mod recognised;
mod report;
mod sealed;
mod sign;
mod tables;
mod tools;
mod tree;
mod wanted;
