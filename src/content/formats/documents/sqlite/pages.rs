//! The pages of a database, with those of its log over them.

use super::header::Header;
use super::log::Log;
use crate::bytes::{to_u64, to_usize};
use crate::content::formats::{Step, Subject, broken};

/// The page with this byte is never used ("Database File Format", section 1.4).
const LOCK: u64 = 1 << 30;

/// A database's pages, numbered from 1.
pub(super) struct Pages<'a> {
    subject: &'a Subject<'a>,
    pub(super) header: Header,
    log: Option<Log<'a>>,
    pub(super) count: u32,
}

impl<'a> Pages<'a> {
    pub(super) fn new(subject: &'a Subject<'a>, header: Header, log: Option<Log<'a>>) -> Step<Self> {
        let there = subject.size().checked_div(to_u64(header.page)).unwrap_or_default();
        let there = u32::try_from(there).unwrap_or(u32::MAX);
        let count = match &log {
            Some(log) => log.pages,
            None => header.pages.unwrap_or(there),
        };
        let pages = Self { subject, header, log, count };
        if pages.log.is_none() && count > there {
            return broken(subject.size(), format!("the file ends after {there} of {count} pages"));
        }
        Ok(pages)
    }

    /// Byte of the file at which a page begins.
    pub(super) fn place(&self, page: u32) -> u64 {
        u64::from(page).saturating_sub(1).saturating_mul(to_u64(self.header.page))
    }

    /// `length` bytes from byte `at` of a page.
    pub(super) fn part(&self, page: u32, at: usize, length: usize) -> Step<Vec<u8>> {
        let mut bytes = vec![0; length.min(self.header.page)];
        if let Some(log) = &self.log
            && log.read(page, to_u64(at), &mut bytes)?
        {
            return Ok(bytes);
        }
        self.subject.bytes(self.place(page).saturating_add(to_u64(at)), bytes.len())
    }

    /// A whole page.
    pub(super) fn page(&self, page: u32) -> Step<Vec<u8>> {
        self.part(page, 0, self.header.page)
    }

    /// The page that is never used, if the database is so long.
    pub(super) fn lock(&self) -> u32 {
        LOCK.checked_div(to_u64(self.header.page))
            .and_then(|page| u32::try_from(page.saturating_add(1)).ok())
            .unwrap_or(u32::MAX)
    }

    /// Pages as a length in memory. What is longer than the file and its log can't be.
    pub(super) fn room(&self) -> Step<usize> {
        let log = self.log.as_ref().map_or(0, Log::size);
        let most = self.subject.size().saturating_add(log).checked_div(to_u64(self.header.page)).unwrap_or_default();
        match to_usize(self.count.into()).filter(|_| u64::from(self.count) <= most) {
            Some(count) => Ok(count.saturating_add(1)),
            None => broken(self.subject.size(), format!("the file ends before page {}", self.count)),
        }
    }
}
