//! A film's tracks: each has tables that say where its samples (pictures, stretches of sound) lie in the file
//! (ISO/IEC 14496-12, 8.3 to 8.7; QuickTime File Format, "Sample Atoms").

use std::cell::Cell;

use super::boxes::{Atom, Parts, atoms, first, inside};
use super::codec::{self, Codec};
use crate::bytes::{array, at_most, be_u32, be_u64, to_u64, to_usize, u8_at};
use crate::content::formats::{MOST_AT_ONCE, Step, Subject, broken, unchecked};

/// How many bytes of samples may still be looked into, as an index may name the same ones again and again.
pub(super) type Budget = Cell<u64>;

/// The most tracks: a film in all languages of the world has fewer.
pub(super) const MOST_TRACKS: usize = 1024;

/// A budget for a file: its bytes twice.
pub(super) fn budget(subject: &Subject<'_>) -> Budget {
    Cell::new(subject.size().saturating_mul(2).saturating_add(1 << 20))
}

/// What the fragments need to know of a track.
#[derive(Debug)]
pub(super) struct Track {
    pub(super) id: u32,
    pub(super) codecs: Vec<Codec>,
}

/// Checks a track's tables, and looks into its samples.
pub(super) fn check(subject: &Subject<'_>, parts: &Parts, trak: &Atom<'_>, budget: &Budget) -> Step<Track> {
    let children = atoms(trak.body, trak.body_at)?;
    // tkhd: the track's number stands behind two times, whose width depends on the version.
    let id = first(&children, b"tkhd").and_then(|header| match u8_at(header.body, 0)? {
        1 => be_u32(header.body, 20),
        _ => be_u32(header.body, 12),
    });
    let media = inside(&children, b"mdia")?;
    let handler = first(&media, b"hdlr").and_then(|handler| array::<4>(handler.body, 8));
    let info = inside(&media, b"minf")?;
    let elsewhere = is_elsewhere(&inside(&info, b"dinf")?)?;
    let stbl = inside(&info, b"stbl")?;
    let Some(table) = Tables::of(&stbl)? else {
        return broken(trak.at, "a track of the film has lost the tables that say where its samples lie");
    };
    let track = Track { id: id.unwrap_or_default(), codecs: table.codecs.clone() };
    if elsewhere {
        return Ok(track);
    }
    table.check_times(handler)?;
    table.walk(handler, &mut |chunk| chunk.check(subject, parts, budget))?;
    Ok(track)
}

/// Whether media lie in another file: a data reference whose flag 1, "self-contained", is not set.
fn is_elsewhere(dinf: &[Atom<'_>]) -> Step<bool> {
    let Some(dref) = first(dinf, b"dref") else { return Ok(false) };
    let entries = atoms(dref.body.get(8..).unwrap_or_default(), dref.body_at.saturating_add(8))?;
    Ok(entries.iter().any(|entry| u8_at(entry.body, 3).is_some_and(|flags| flags & 1 == 0)))
}

/// Sizes of samples.
#[derive(Debug, Clone, Copy)]
enum Sizes<'a> {
    Constant(u32),
    /// Entries of so many bits.
    Table(&'a [u8], u8),
}

impl Sizes<'_> {
    fn get(self, sample: u32) -> Option<u32> {
        let index = usize::try_from(sample).ok()?;
        match self {
            Self::Constant(size) => Some(size),
            Self::Table(table, 32) => be_u32(table, index.checked_mul(4)?),
            Self::Table(table, 16) => array(table, index.checked_mul(2)?).map(u16::from_be_bytes).map(u32::from),
            Self::Table(table, 8) => u8_at(table, index).map(u32::from),
            Self::Table(table, _) => {
                let byte = u8_at(table, index.checked_div(2)?)?;
                Some(u32::from(if index.is_multiple_of(2) { byte >> 4 } else { byte & 15 }))
            }
        }
    }
}

/// Samples that lie one after the other.
struct Chunk<'a> {
    /// Where the table says so.
    said_at: u64,
    offset: u64,
    first: u32,
    samples: u32,
    sizes: Sizes<'a>,
    codec: Codec,
    /// Whether one "sample" is no piece of the file: sound of old QuickTime films counts otherwise.
    other_units: bool,
}

impl Chunk<'_> {
    fn check(&self, subject: &Subject<'_>, parts: &Parts, budget: &Budget) -> Step<()> {
        let length = match self.sizes {
            Sizes::Constant(_) if self.other_units => 1,
            Sizes::Constant(size) => u64::from(size).saturating_mul(u64::from(self.samples)),
            Sizes::Table(..) => self.numbers().filter_map(|number| self.sizes.get(number)).map(u64::from).sum(),
        };
        if length == 0 {
            return Ok(());
        }
        if self.offset.checked_add(length).is_none_or(|end| end > subject.size()) {
            return broken(subject.size(), "the index points past the end: recording or copying was stopped");
        }
        if !parts.in_media(self.offset, length) {
            return broken(self.said_at, "the index points to a place where no sound and no picture lies");
        }
        if !self.codec.says_something() {
            return Ok(());
        }
        match budget.get().checked_sub(length) {
            Some(left) => budget.set(left),
            None => return unchecked("its index names the same bytes again and again"),
        }
        let mut at = self.offset;
        for number in self.numbers() {
            let size = self.sizes.get(number).unwrap_or_default();
            sample(subject, at, size, self.codec)?;
            at = at.saturating_add(u64::from(size));
        }
        Ok(())
    }

    fn numbers(&self) -> std::ops::Range<u32> {
        self.first..self.first.saturating_add(self.samples)
    }
}

/// Looks into one sample.
pub(super) fn sample(subject: &Subject<'_>, at: u64, size: u32, codec: Codec) -> Step<()> {
    let size = at_most(u64::from(size), usize::MAX);
    if size > MOST_AT_ONCE {
        return unchecked("a picture of the film is too large to be looked into");
    }
    let bytes = subject.bytes(at, size)?;
    codec.check(&bytes).or_else(|(inside, why)| {
        broken(at.saturating_add(to_u64(inside)), format!("a picture of the film is damaged: {why}"))
    })
}

/// The tables of one track.
struct Tables<'a> {
    codecs: Vec<Codec>,
    /// Whether the sound may be counted in other units than bytes and pieces.
    old_sound: bool,
    stts: Atom<'a>,
    stsc: Atom<'a>,
    places: Atom<'a>,
    wide: bool,
    samples: u32,
    sizes: Sizes<'a>,
}

impl<'a> Tables<'a> {
    fn of(stbl: &[Atom<'a>]) -> Step<Option<Self>> {
        let Some(stsd) = first(stbl, b"stsd") else { return Ok(None) };
        let entries = atoms(stsd.body.get(8..).unwrap_or_default(), stsd.body_at.saturating_add(8))?;
        let codecs = entries.iter().map(codec::of_entry).collect();
        let (stco, co64) = (first(stbl, b"stco"), first(stbl, b"co64"));
        let wide = stco.is_none();
        let tables = first(stbl, b"stts").zip(first(stbl, b"stsc")).zip(stco.or(co64));
        let Some(((stts, stsc), places)) = tables else { return Ok(None) };
        let (samples, sizes) = match (first(stbl, b"stsz"), first(stbl, b"stz2")) {
            (Some(stsz), _) => {
                let (Some(size), Some(count)) = (be_u32(stsz.body, 4), be_u32(stsz.body, 8)) else { return Ok(None) };
                let table = stsz.body.get(12..).unwrap_or_default();
                (count, if size == 0 { sizes(&stsz, table, 32, count)? } else { Sizes::Constant(size) })
            }
            (None, Some(stz2)) => {
                let (Some(bits), Some(count)) = (u8_at(stz2.body, 7), be_u32(stz2.body, 8)) else { return Ok(None) };
                if !matches!(bits, 4 | 8 | 16) {
                    return broken(stz2.at, "the sizes of a track's samples have an impossible width");
                }
                (count, sizes(&stz2, stz2.body.get(12..).unwrap_or_default(), bits, count)?)
            }
            (None, None) => return Ok(None),
        };
        let old_sound = matches!(sizes, Sizes::Constant(_)) && entries.iter().all(|entry| entry.kind != *b"mp4a");
        Ok(Some(Self { codecs, old_sound, stts, stsc, places, wide, samples, sizes }))
    }

    /// The table of times speaks of each sample once.
    fn check_times(&self, handler: Option<[u8; 4]>) -> Step<()> {
        let count = be_u32(self.stts.body, 4).unwrap_or_default();
        let entries = self.stts.body.get(8..).unwrap_or_default().chunks_exact(8);
        if to_u64(entries.len()) < u64::from(count) {
            return broken(self.stts.at, "the table of a track's times ends too early");
        }
        let sum = entries
            .take(at_most(u64::from(count), usize::MAX))
            .map(|entry| be_u32(entry, 0).map_or(0, u64::from))
            .fold(0_u64, u64::saturating_add);
        let samples = u64::from(self.samples);
        // Sound and text tracks of some writers speak of more times than there are samples.
        let agree = if handler == Some(*b"vide") { sum == samples } else { sum >= samples };
        if agree { Ok(()) } else { broken(self.stts.at, format!("a track has {samples} samples and {sum} times")) }
    }

    fn place(&self, chunk: u32) -> Option<(u64, u64)> {
        let width = if self.wide { 8 } else { 4 };
        let at = usize::try_from(chunk).ok()?.checked_mul(width)?.checked_add(8)?;
        let offset = if self.wide { be_u64(self.places.body, at)? } else { u64::from(be_u32(self.places.body, at)?) };
        Some((offset, self.places.body_at.saturating_add(to_u64(at))))
    }

    /// Hands out all chunks; the three tables have to agree.
    fn walk(&self, handler: Option<[u8; 4]>, visit: &mut dyn FnMut(&Chunk<'a>) -> Step<()>) -> Step<()> {
        let chunks = be_u32(self.places.body, 4).unwrap_or_default();
        let width = if self.wide { 8 } else { 4 };
        let room = to_u64(self.places.body.len().saturating_sub(8)).checked_div(width).unwrap_or_default();
        if u64::from(chunks) > room {
            return broken(self.places.at, "the table of a track's places ends too early");
        }
        let count = be_u32(self.stsc.body, 4).unwrap_or_default();
        let entries: &[u8] = self.stsc.body.get(8..).unwrap_or_default();
        if to_u64(entries.len()) < u64::from(count).saturating_mul(12) {
            return broken(self.stsc.at, "the table of a track's chunks ends too early");
        }
        let count = to_usize(u64::from(count)).unwrap_or(usize::MAX);
        let mut runs = entries.chunks_exact(12).take(count).peekable();
        let (mut sample, mut chunk) = (0_u32, 0_u32);
        while let Some(run) = runs.next() {
            let [start, per_chunk, description] = [0, 4, 8].map(|at| be_u32(run, at).unwrap_or_default());
            let next = runs.peek().map_or(chunks.saturating_add(1), |next| be_u32(next, 0).unwrap_or_default());
            if start != chunk.saturating_add(1) || next < start || (next == start && runs.peek().is_some()) {
                return broken(self.stsc.at, "the table of a track's chunks is out of order");
            }
            let codec = description.checked_sub(1).and_then(|index| self.codecs.get(usize::try_from(index).ok()?));
            for _ in start..next {
                let left = self.samples.saturating_sub(sample);
                let Some((offset, said_at)) = self.place(chunk) else {
                    return broken(self.places.at, "the table of a track's places ends too early");
                };
                if left == 0 && handler == Some(*b"vide") {
                    return broken(said_at, "a track has places without samples");
                }
                let samples = per_chunk.min(left);
                visit(&Chunk {
                    said_at,
                    offset,
                    first: sample,
                    samples,
                    sizes: self.sizes,
                    codec: codec.copied().unwrap_or(Codec::Other),
                    other_units: self.old_sound && handler == Some(*b"soun"),
                })?;
                sample = sample.saturating_add(samples);
                chunk = chunk.saturating_add(1);
            }
        }
        if sample < self.samples {
            return broken(self.stsc.at, format!("a track has {} samples and places for {sample}", self.samples));
        }
        Ok(())
    }
}

fn sizes<'a>(atom: &Atom<'_>, table: &'a [u8], bits: u8, count: u32) -> Step<Sizes<'a>> {
    let needed = u64::from(count).saturating_mul(u64::from(bits)).div_ceil(8);
    if needed > to_u64(table.len()) {
        return broken(atom.at, "the table of a track's sizes ends too early");
    }
    Ok(Sizes::Table(table, bits))
}
