//! SQLite databases (the SQLite project, "Database File Format", sections 1 to 4).
//!
//! A database has no checksum (its write-ahead log has). What is checked is that every page is used exactly once: as a
//! part of a table or an index, of a long row, of the list of free pages or of the map of pages; and in each page that
//! its cells lie in it without overlap, and that every row is as long as its columns say.

mod cell;
mod header;
mod journal;
mod log;
mod page;
mod pages;
mod schema;
mod spare;
mod tree;

use std::collections::BTreeSet;

use super::Format;
use crate::content::formats::{Step, Strength, Subject, broken, unchecked};
use header::Header;
use pages::Pages;
use tree::Walk;

/// The format, under the endings that nothing else uses: `.db` is many things.
pub(super) const FORMATS: &[Format] = &[Format {
    name: "SQLite database",
    endings: &["sqlite", "sqlite3", "db3", "s3db", "sl3"],
    opens: |head| head.starts_with(header::OPENING),
    check,
}];

/// What a file under one of the endings may be that does not open as a database: an extension encrypts all of it, so that
/// it looks like noise.
pub(super) fn may_be_encrypted(head: &[u8]) -> bool {
    // Of 256 values noise has about 221 in 512 bytes and all in 4,096; a sector that was lost has one.
    let values = |length: usize| head.get(..length).map_or(0, |bytes| bytes.iter().collect::<BTreeSet<_>>().len());
    values(512) > 190 && values(4096) > 250
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    if journal::is_hot(subject)? {
        return unchecked("a transaction was not finished: it needs the file beside it that ends in -journal");
    }
    let first = Header::read(&subject.up_to(0, header::LENGTH)?)?;
    let log = log::read(subject, first.page)?;
    let mut pages = Pages::new(subject, first, log)?;
    // A page in the log is newer than the one in the database, the first one too.
    let header = Header::read(&pages.part(1, 0, header::LENGTH)?)?;
    if header.page != pages.header.page {
        return broken(0x10, "its size of pages differs between the database and its log");
    }
    pages.header = header;
    let mut walk = Walk::new(&pages)?;
    spare::take_maps(&mut walk)?;
    for root in schema::roots(&mut walk)? {
        walk.tree(root.page, root.is_index, &root.title)?;
    }
    spare::check_free(&mut walk)?;
    match walk.unused() {
        Some(page) => broken(pages.place(page), format!("page {page} belongs to nothing")),
        None => Ok(Strength::Structure),
    }
}

#[cfg(test)]
mod tests;
