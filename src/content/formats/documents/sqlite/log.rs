//! The write-ahead log beside a database ("Database File Format", section 4).

use std::collections::BTreeMap;

use crate::bytes::{be_u32, le_u32, to_u64};
use crate::content::formats::{RandomRead, Step, Subject};

const HEADER: u64 = 32;
const FRAME: u64 = 24;
/// The last bit says in which order the checksum takes bytes.
const OPENING: u32 = 0x377F_0682;

/// Pages that are newer than those in the database.
pub(super) struct Log<'a> {
    file: Box<dyn RandomRead + 'a>,
    /// For each page, where its newest content stands.
    frames: BTreeMap<u32, u64>,
    /// Pages of the database after the last transaction.
    pub(super) pages: u32,
}

impl Log<'_> {
    /// Bytes of the log.
    pub(super) fn size(&self) -> u64 {
        self.file.size()
    }

    /// Fills `buffer` from byte `at` of a page; `false` if the page is not in the log.
    pub(super) fn read(&self, page: u32, at: u64, buffer: &mut [u8]) -> Step<bool> {
        let Some(frame) = self.frames.get(&page) else { return Ok(false) };
        self.file.read_at(frame.saturating_add(at), buffer)?;
        Ok(true)
    }
}

/// The log's checksum so far.
#[derive(Clone, Copy, PartialEq, Eq)]
struct Sum(u32, u32);

impl Sum {
    fn add(self, bytes: &[u8], big: bool) -> Self {
        let read = if big { be_u32 } else { le_u32 };
        bytes.chunks_exact(8).fold(self, |Self(one, two), eight| {
            let (low, high) = (read(eight, 0).unwrap_or_default(), read(eight, 4).unwrap_or_default());
            let one = one.wrapping_add(low).wrapping_add(two);
            Self(one, two.wrapping_add(high).wrapping_add(one))
        })
    }
}

/// The log, up to the last transaction in it that is whole; `None` if there is no log or no such transaction.
pub(super) fn read<'a>(subject: &Subject<'a>, page: usize) -> Step<Option<Log<'a>>> {
    let Some(file) = subject.sibling(&format!("{}-wal", subject.name()))? else { return Ok(None) };
    let mut header = [0; 32];
    file.read_at(0, &mut header)?;
    let long = |offset| be_u32(&header, offset).unwrap_or_default();
    let big = long(0) & 1 == 1;
    let salts = (long(0x10), long(0x14));
    let mut sum = Sum(0, 0).add(header.get(..24).unwrap_or_default(), big);
    if long(0) & !1 != OPENING || sum != Sum(long(0x18), long(0x1c)) || to_u64(page) != u64::from(long(0x08)) {
        return Ok(None);
    }
    let (mut frames, mut since, mut pages) = (BTreeMap::new(), Vec::new(), None);
    let mut at = HEADER;
    let mut content = vec![0; page];
    while at.saturating_add(FRAME).saturating_add(to_u64(page)) <= file.size() {
        let mut head = [0; 24];
        file.read_at(at, &mut head)?;
        let content_at = at.saturating_add(FRAME);
        file.read_at(content_at, &mut content)?;
        let field = |offset| be_u32(&head, offset).unwrap_or_default();
        sum = sum.add(head.get(..8).unwrap_or_default(), big).add(&content, big);
        if (field(0x08), field(0x0c)) != salts || sum != Sum(field(0x10), field(0x14)) {
            break;
        }
        since.push((field(0), content_at));
        if field(4) != 0 {
            frames.extend(since.drain(..));
            pages = Some(field(4));
        }
        at = content_at.saturating_add(to_u64(page));
    }
    Ok(pages.map(|pages| Log { file, frames, pages }))
}
