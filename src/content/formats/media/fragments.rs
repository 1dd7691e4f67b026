//! Films in fragments: each `moof` names the samples of the media behind it (ISO/IEC 14496-12, 8.8).

use super::boxes::{Atom, Part, Parts, atoms, first};
use super::codec::Codec;
use super::tracks::{Budget, MOST_TRACKS, Track, sample};
use crate::bytes::{be_u32, be_u64};
use crate::content::formats::{MOST_AT_ONCE, Step, Subject, broken, unchecked};

/// What `mvex` says of all fragments of a track: its number and the size of samples that say none.
pub(super) type Defaults = Vec<(u32, u32)>;

/// Reads `trex` (8.8.3): the track's number at 4, the default size at 16.
pub(super) fn defaults(mvex: &[Atom<'_>]) -> Defaults {
    let entries = mvex.iter().filter(|atom| atom.kind == *b"trex");
    entries.take(MOST_TRACKS).filter_map(|trex| be_u32(trex.body, 4).zip(be_u32(trex.body, 16))).collect()
}

/// Fields one after the other.
struct Fields<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl Fields<'_> {
    fn word(&mut self) -> Option<u32> {
        let word = be_u32(self.bytes, self.at)?;
        self.at = self.at.checked_add(4)?;
        Some(word)
    }

    fn word_if(&mut self, flag: bool) -> Option<Option<u32>> {
        if flag { self.word().map(Some) } else { Some(None) }
    }
}

/// Checks one fragment.
pub(super) fn check(
    subject: &Subject<'_>,
    parts: &Parts,
    moof: &Part,
    tracks: &[Track],
    defaults: &Defaults,
    budget: &Budget,
) -> Step<()> {
    let length = moof.end.saturating_sub(moof.body);
    let Some(length) = crate::bytes::to_usize(length).filter(|length| *length <= MOST_AT_ONCE) else {
        return unchecked("a fragment's index is too long");
    };
    let body = subject.bytes(moof.body, length)?;
    let mut end = moof.at;
    for traf in atoms(&body, moof.body)?.iter().filter(|atom| atom.kind == *b"traf") {
        let children = atoms(traf.body, traf.body_at)?;
        let Some(tfhd) = first(&children, b"tfhd") else {
            return broken(traf.at, "a fragment of the film does not say which track it belongs to");
        };
        let Some(head) = Head::of(tfhd.body, moof.at, end, defaults) else {
            return broken(tfhd.at, "a fragment's head ends too early");
        };
        let codec = tracks.iter().find(|track| track.id == head.track).and_then(|track| track.codecs.first());
        end = head.base;
        for trun in children.iter().filter(|atom| atom.kind == *b"trun") {
            let codec = codec.copied().unwrap_or(Codec::Other);
            end = run(subject, parts, trun, &Run { head: &head, from: end, codec, budget })?;
        }
    }
    Ok(())
}

/// `tfhd` (8.8.7).
struct Head {
    track: u32,
    base: u64,
    size: u32,
}

impl Head {
    fn of(body: &[u8], moof: u64, end: u64, defaults: &Defaults) -> Option<Self> {
        let flags = be_u32(body, 0)?;
        let track = be_u32(body, 4)?;
        let mut fields = Fields { bytes: body, at: 8 };
        let base = if flags & 1 != 0 {
            fields.at = 16;
            be_u64(body, 8)?
        } else if flags & 0x2_0000 != 0 {
            moof
        } else {
            end
        };
        fields.word_if(flags & 2 != 0)?;
        fields.word_if(flags & 8 != 0)?;
        let size = fields.word_if(flags & 0x10 != 0)?;
        let default = defaults.iter().find(|(id, _)| *id == track).map(|(_, size)| *size);
        Some(Self { track, base, size: size.or(default).unwrap_or_default() })
    }
}

struct Run<'a> {
    head: &'a Head,
    from: u64,
    codec: Codec,
    budget: &'a Budget,
}

/// `trun` (8.8.8): says where the samples end.
fn run(subject: &Subject<'_>, parts: &Parts, trun: &Atom<'_>, run: &Run<'_>) -> Step<u64> {
    let mut fields = Fields { bytes: trun.body, at: 8 };
    let early = || broken(trun.at, "a fragment's table of samples ends too early");
    let (Some(flags), Some(count)) = (be_u32(trun.body, 0), be_u32(trun.body, 4)) else { return early() };
    let Some(moved) = fields.word_if(flags & 1 != 0) else { return early() };
    if fields.word_if(flags & 4 != 0).is_none() {
        return early();
    }
    let mut at = match moved {
        Some(moved) => run.head.base.saturating_add_signed(i64::from(moved.cast_signed())),
        None => run.from,
    };
    // With no field of its own a sample takes no room in the table, but at least a byte in the film.
    for _ in 0..count {
        let read = fields.word_if(flags & 0x100 != 0).and_then(|_| {
            let size = fields.word_if(flags & 0x200 != 0)?;
            fields.word_if(flags & 0x400 != 0)?;
            fields.word_if(flags & 0x800 != 0)?;
            Some(size.unwrap_or(run.head.size))
        });
        let Some(size) = read else { return early() };
        let length = u64::from(size);
        if at.checked_add(length).is_none_or(|end| end > subject.size()) {
            return broken(subject.size(), "the index points past the end: recording or copying was stopped");
        }
        if length == 0 && flags & 0xf00 == 0 {
            break;
        }
        if length > 0 && !parts.in_media(at, length) {
            return broken(trun.at, "the index points to a place where no sound and no picture lies");
        }
        match run.budget.get().checked_sub(length) {
            Some(left) => run.budget.set(left),
            None => return unchecked("its index names the same bytes again and again"),
        }
        if run.codec.says_something() {
            sample(subject, at, size, run.codec)?;
        }
        at = at.saturating_add(length);
    }
    Ok(at)
}
