//! A compound file's tables, chains and streams ([MS-CFB] 2.3 to 2.6).

use super::directory::{Entry, Kind, entries, reachable};
use super::header::{END_OF_CHAIN, FREE, Header, LARGEST};
use super::stream::Stream;
use crate::bytes::{at_most, to_u64, to_usize};
use crate::content::formats::{Step, Subject, broken};

/// Bytes of a mini sector ([MS-CFB] 2.2, Mini Sector Shift).
const MINI: usize = 64;

/// A compound file in which every stream is there.
pub(super) struct Compound<'a> {
    pub(super) subject: &'a Subject<'a>,
    header: Header,
    table: Vec<u32>,
    mini_table: Vec<u32>,
    /// Sectors that hold the mini sectors.
    mini_sectors: Vec<u32>,
    pub(super) entries: Vec<Entry>,
}

/// Which sectors are taken.
struct Taken(Vec<bool>);

impl Taken {
    /// Takes a sector; `false` if it is none or has been taken before.
    fn take(&mut self, sector: u32) -> bool {
        match usize::try_from(sector).ok().and_then(|sector| self.0.get_mut(sector)) {
            Some(taken) if !*taken => {
                *taken = true;
                true
            }
            _ => false,
        }
    }
}

fn next_in(table: &[u32], sector: u32) -> u32 {
    usize::try_from(sector).ok().and_then(|sector| table.get(sector)).copied().unwrap_or(FREE)
}

impl<'a> Compound<'a> {
    /// Walks a compound file; broken if a chain of it is.
    pub(super) fn walk(subject: &'a Subject<'a>) -> Step<Self> {
        let header = Header::read(subject)?;
        let mut taken = Taken(vec![false; usize::try_from(header.sectors).unwrap_or_default()]);
        let table = read_table(subject, &header, &mut taken)?;
        let mut compound =
            Self { subject, header, table, mini_table: Vec::new(), mini_sectors: Vec::new(), entries: Vec::new() };
        let directory = compound.chain(compound.header.directory, &mut taken, "the list of its streams")?;
        compound.entries = entries(&compound.stream_of(&directory, None), subject, compound.header.version)?;
        reachable(&mut compound.entries, compound.header.place(compound.header.directory))?;
        if compound.header.mini_tables > 0 && compound.header.mini_table != END_OF_CHAIN {
            let sectors = compound.chain(compound.header.mini_table, &mut taken, "the table of its small streams")?;
            for sector in sectors {
                compound.mini_table.extend(compound.header.numbers(subject, sector)?);
            }
        }
        let root = compound.entries.first().map(|root| (root.start, root.length)).unwrap_or_default();
        if root.1 > 0 {
            compound.mini_sectors = compound.chain(root.0, &mut taken, "the room of its small streams")?;
            compound.must_hold(compound.mini_sectors.len(), root.1, root.0)?;
        }
        compound.check_streams(&mut taken)?;
        Ok(compound)
    }

    fn check_streams(&self, taken: &mut Taken) -> Step<()> {
        let minis = self.mini_sectors.len().saturating_mul(self.header.sector).checked_div(MINI).unwrap_or_default();
        let mut taken_minis = Taken(vec![false; minis]);
        for entry in self.entries.iter().filter(|entry| entry.kind == Kind::Stream && entry.reached && entry.length > 0)
        {
            if entry.length >= self.header.cutoff {
                let chain = self.chain(entry.start, taken, &entry.title())?;
                self.must_hold(chain.len(), entry.length, entry.start)?;
                let stream = self.stream_of(&chain, Some(entry.length));
                if stream.end() > self.subject.size() {
                    return broken(self.subject.size(), format!("the file ends within {}", entry.title()));
                }
                continue;
            }
            let chain = self.mini_chain(entry.start, &mut taken_minis, &entry.title())?;
            if to_u64(chain.len().saturating_mul(MINI)) < entry.length {
                return broken(self.mini_place(entry.start), format!("{} is shorter than it says", entry.title()));
            }
            if self.mini_stream_of(&chain, entry.length).end() > self.subject.size() {
                return broken(self.subject.size(), format!("the file ends within {}", entry.title()));
            }
        }
        Ok(())
    }

    fn must_hold(&self, sectors: usize, length: u64, start: u32) -> Step<()> {
        if to_u64(sectors.saturating_mul(self.header.sector)) < length {
            return broken(self.header.place(start), "a stream in it is shorter than it says");
        }
        Ok(())
    }

    /// The sectors of a chain, each taken once.
    fn chain(&self, start: u32, taken: &mut Taken, what: &str) -> Step<Vec<u32>> {
        follow(&self.table, start, taken, what, |sector| self.header.place(sector))
    }

    fn mini_chain(&self, start: u32, taken: &mut Taken, what: &str) -> Step<Vec<u32>> {
        follow(&self.mini_table, start, taken, what, |sector| self.mini_place(sector))
    }

    /// Byte of the file at which a mini sector begins.
    fn mini_place(&self, mini: u32) -> u64 {
        let at = u64::from(mini).saturating_mul(to_u64(MINI));
        let sector = to_u64(self.header.sector);
        let (number, inside) = (at.checked_div(sector).unwrap_or_default(), at.checked_rem(sector).unwrap_or_default());
        let holder = to_usize(number).and_then(|number| self.mini_sectors.get(number));
        holder.map_or(0, |holder| self.header.place(*holder).saturating_add(inside))
    }

    fn stream_of(&self, chain: &[u32], length: Option<u64>) -> Stream {
        let places = chain.iter().map(|sector| self.header.place(*sector)).collect();
        Stream::new(places, self.header.sector, length)
    }

    fn mini_stream_of(&self, chain: &[u32], length: u64) -> Stream {
        Stream::new(chain.iter().map(|mini| self.mini_place(*mini)).collect(), MINI, Some(length))
    }

    /// A stream of the root by its name; `None` if there is none.
    pub(super) fn stream(&self, name: &str) -> Step<Option<Stream>> {
        let found = self
            .entries
            .iter()
            .find(|entry| entry.kind == Kind::Stream && entry.in_root && entry.name.eq_ignore_ascii_case(name));
        let Some(entry) = found else { return Ok(None) };
        if entry.length >= self.header.cutoff {
            let mut taken = Taken(vec![false; self.table.len().min(at_most(self.header.sectors.into(), usize::MAX))]);
            let chain = self.chain(entry.start, &mut taken, &entry.title())?;
            return Ok(Some(self.stream_of(&chain, Some(entry.length))));
        }
        if entry.length == 0 {
            return Ok(Some(Stream::new(Vec::new(), MINI, Some(0))));
        }
        let mut taken = Taken(vec![false; self.mini_table.len()]);
        let chain = self.mini_chain(entry.start, &mut taken, &entry.title())?;
        Ok(Some(self.mini_stream_of(&chain, entry.length)))
    }

    /// Whether the root has such a stream or folder.
    pub(super) fn has(&self, name: &str) -> bool {
        self.entries.iter().any(|entry| entry.in_root && entry.name.eq_ignore_ascii_case(name))
    }
}

/// The numbers of a chain in a table. Each number is taken, so no chain is followed twice or without end.
fn follow(table: &[u32], start: u32, taken: &mut Taken, what: &str, place: impl Fn(u32) -> u64) -> Step<Vec<u32>> {
    let mut chain: Vec<u32> = Vec::new();
    let mut at = start;
    while at != END_OF_CHAIN {
        let before = chain.last().map_or(0, |last| place(*last));
        if at > LARGEST {
            return broken(before, format!("the chain of {what} leads into nothing"));
        }
        if !taken.take(at) {
            return broken(before, format!("the chain of {what} leads out of the file or into another chain"));
        }
        chain.push(at);
        at = next_in(table, at);
    }
    Ok(chain)
}

/// The table of sectors, by the list of its own sectors ([MS-CFB] 2.5).
fn read_table(subject: &Subject<'_>, header: &Header, taken: &mut Taken) -> Step<Vec<u32>> {
    let mut tables: Vec<u32> = header.first_tables.iter().copied().filter(|sector| *sector <= LARGEST).collect();
    let mut more = header.more_tables;
    // Some programs end this chain with the word for free.
    while more != END_OF_CHAIN && more != FREE && tables.len() < usize::try_from(header.tables).unwrap_or_default() {
        if !taken.take(more) {
            return broken(0x44, "the list of its tables leads out of the file or in a circle");
        }
        let mut numbers = header.numbers(subject, more)?;
        let next = numbers.pop().unwrap_or(END_OF_CHAIN);
        tables.extend(numbers.into_iter().filter(|sector| *sector <= LARGEST));
        more = next;
    }
    tables.truncate(usize::try_from(header.tables).unwrap_or_default());
    if tables.len() < usize::try_from(header.tables).unwrap_or_default() {
        return broken(0x4c, "the list of its tables is not whole");
    }
    let mut table = Vec::new();
    for sector in &tables {
        if !taken.take(*sector) {
            return broken(0x4c, "the list of its tables leads out of the file, or names one twice");
        }
        table.extend(header.numbers(subject, *sector)?);
    }
    // What lies behind the file's end is free.
    let behind = table.get(usize::try_from(header.sectors).unwrap_or(usize::MAX)..).unwrap_or_default();
    // Some programs fill up with zeros.
    if behind.iter().any(|entry| ![FREE, 0].contains(entry)) {
        return broken(subject.size(), "the file ends before sectors that are in use");
    }
    // A sector of the table has a mark of its own; what matters is that it is in no chain.
    if let Some(sector) = tables.iter().find(|sector| next_in(&table, **sector) <= LARGEST) {
        return broken(header.place(*sector), "a sector of its table is in use for something else");
    }
    Ok(table)
}
