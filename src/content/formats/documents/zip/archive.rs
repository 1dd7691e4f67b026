//! A whole ZIP archive: the end, the list, every member.

use super::cut;
use super::end::{List, list};
use super::member::{Member, Outcome, Own};
use crate::bytes::{le_u32, to_u64, to_usize};
use crate::content::formats::{MOST_AT_ONCE, Step, Stop, Strength, Subject, broken, unchecked};

/// A digital signature may end the list (APPNOTE.TXT 6.3, section 4.3.13).
const SIGNATURE: u32 = 0x0505_4b50;

/// The longest member that a rule of its kind reads whole, in bytes: lists of parts, which are short.
const LONGEST_PART: u64 = 1 << 24;

/// An archive whose members all are what their checksums say, as far as they can be read.
pub(super) struct Archive<'a> {
    subject: &'a Subject<'a>,
    list: Vec<u8>,
    /// In the order in which they lie in the file.
    members: Vec<Member>,
    locked: bool,
    packed: Option<u16>,
}

impl<'a> Archive<'a> {
    /// Walks an archive; broken if anything in it is.
    pub(super) fn walk(subject: &'a Subject<'a>) -> Step<Self> {
        let read = list(subject).and_then(|found| match found {
            Some(list) => members(subject, list).map(|(bytes, members)| (list, bytes, members)),
            None => broken(subject.size(), "the list at its end is missing"),
        });
        let (list, bytes, members) = match read {
            Err(Stop::Broken { at, why }) => {
                let (count, end) = cut::whole(subject)?;
                let left = match count {
                    0 => "none of its files was found whole".to_string(),
                    1 => format!("one file in it is whole, up to byte {end}"),
                    _ => format!("{count} of its files are whole, up to byte {end}"),
                };
                return Err(Stop::Broken { at, why: format!("{why}; {left}") });
            }
            other => other?,
        };
        let mut archive = Self { subject, list: bytes, members, locked: false, packed: None };
        archive.check_members(list.start)?;
        Ok(archive)
    }

    fn name(&self, member: &Member) -> &[u8] {
        self.list.get(member.name.clone()).unwrap_or_default()
    }

    fn check_members(&mut self, list_start: u64) -> Step<()> {
        let (mut first, mut count) = (None, 0_usize);
        let starts = self.members.iter().skip(1).map(|next| next.header).chain([list_start]);
        let (mut locked, mut packed) = (false, None);
        for (member, next) in self.members.iter().zip(starts) {
            match member.check(self.subject, self.name(member), next.min(list_start)) {
                Ok(Outcome::Sound) => {}
                Ok(Outcome::Locked) => locked = true,
                Ok(Outcome::Packed(method)) => packed = Some(method),
                Err(Stop::Broken { at, why }) => {
                    count = count.saturating_add(1);
                    first.get_or_insert((at, why));
                }
                // What is broken counts more than what can't be told of the rest.
                Err(Stop::Unchecked { .. }) if first.is_some() => break,
                Err(other) => return Err(other),
            }
        }
        (self.locked, self.packed) = (locked, packed);
        match first {
            None => Ok(()),
            Some((at, why)) if count == 1 => Err(Stop::Broken { at, why }),
            Some((at, why)) => {
                let all = self.members.len();
                Err(Stop::Broken { at, why: format!("{why}; {count} of the {all} files in it are broken") })
            }
        }
    }

    /// Names of all members.
    pub(super) fn names(&self) -> impl Iterator<Item = &[u8]> {
        self.members.iter().map(|member| self.name(member))
    }

    fn find(&self, name: &[u8]) -> Option<&Member> {
        let plain = name.strip_prefix(b"/").unwrap_or(name);
        self.members.iter().find(|member| self.name(member).eq_ignore_ascii_case(plain))
    }

    /// Whether there is such a member; upper and lower case are one.
    pub(super) fn has(&self, name: &[u8]) -> bool {
        self.find(name).is_some()
    }

    /// The content of a short member. `None` if there is none, or if it can't be read.
    pub(super) fn part(&self, name: &[u8]) -> Step<Option<Vec<u8>>> {
        let Some(member) = self.find(name) else { return Ok(None) };
        let readable =
            matches!(member.method, super::member::STORED | super::member::DEFLATED) && member.flags & 1 == 0;
        if !readable || member.size > LONGEST_PART {
            return Ok(None);
        }
        let Some(own) = Own::read(self.subject, member.header, self.subject.size())? else { return Ok(None) };
        let mut bytes = Vec::new();
        member.unpack(self.subject, name, own.header_end, &mut |piece| bytes.extend_from_slice(piece))?;
        Ok(Some(bytes))
    }

    /// Whether a member needs a password.
    pub(super) fn is_locked(&self) -> bool {
        self.locked
    }

    /// What the archive comes to, if nothing else is wrong with it.
    pub(super) fn finish(&self) -> Step<Strength> {
        if self.locked {
            return Err(Stop::Protected { why: "files in it are encrypted".to_string() });
        }
        match self.packed {
            Some(method) => unchecked(format!("files in it are packed in a way that isn't read (method {method})")),
            None => Ok(Strength::Checksum),
        }
    }
}

/// The list and its entries, by place in the file.
fn members(subject: &Subject<'_>, list: List) -> Step<(Vec<u8>, Vec<Member>)> {
    let Some(length) = to_usize(list.length).filter(|length| *length <= MOST_AT_ONCE) else {
        return if list.length > subject.size() {
            broken(list.start, "the list at its end is longer than the file")
        } else {
            unchecked("the list of its files is too long to be looked at")
        };
    };
    let bytes = subject.bytes(list.start, length)?;
    let mut members = Vec::new();
    let mut at = 0;
    while at < bytes.len() {
        let Some((member, next)) = Member::from_bytes(&bytes, at, list.base) else {
            if le_u32(&bytes, at) == Some(SIGNATURE) {
                break;
            }
            return broken(list.start.saturating_add(to_u64(at)), "the list at its end is broken");
        };
        if member.header >= list.start {
            return broken(list.start.saturating_add(to_u64(at)), "the list at its end names a place behind the files");
        }
        members.push(member);
        at = next;
    }
    let counted = to_u64(members.len());
    let same = if list.wide { counted == list.count } else { counted & 0xFFFF == list.count };
    if !same {
        return broken(list.start, format!("the list at its end has {counted} files, and {} are promised", list.count));
    }
    members.sort_by_key(|member| member.header);
    Ok((bytes, members))
}
