//! PowerPoint's records ([MS-PPT] 2.3.1: the header of a record; 2.3.2: the current user; 2.3.3: edits).

use super::compound::Compound;
use super::stream::Stream;
use crate::bytes::{le_u16, le_u32};
use crate::content::formats::{Step, Stop, Subject, broken};

const HEADER: u64 = 8;
const CURRENT_USER: u16 = 0x0FF6;
const USER_EDIT: u16 = 0x0FF5;
const PERSIST_DIRECTORY: u16 = 0x1772;
/// The token of what is not encrypted, and of what is.
const PLAIN: u32 = 0xE391_C05F;
const ENCRYPTED: u32 = 0xF3D1_C4DF;
/// Containers of containers of shapes of groups of groups.
const DEEPEST: usize = 128;
/// Edits of one file that are followed back: each saving without a clean-up adds one.
const MOST_EDITS: usize = 100_000;

/// A record's header.
struct Record {
    is_container: bool,
    kind: u16,
    end: u64,
}

impl Record {
    fn read(subject: &Subject<'_>, stream: &Stream, at: u64) -> Step<Self> {
        let head: [u8; 8] = stream.array(subject, at)?;
        let length = le_u32(&head, 4).unwrap_or_default();
        Ok(Self {
            is_container: le_u16(&head, 0).unwrap_or_default() & 0xF == 0xF,
            kind: le_u16(&head, 2).unwrap_or_default(),
            end: at.saturating_add(HEADER).saturating_add(length.into()),
        })
    }
}

pub(super) fn check(compound: &Compound<'_>) -> Step<()> {
    let subject = compound.subject;
    let Some(stream) = compound.stream("PowerPoint Document")? else { return broken(0, "it has no slides") };
    let Some(user) = compound.stream("Current User")? else {
        return broken(0, "what says where its last edit is is not in it");
    };
    let head: [u8; 20] = user.array(subject, 0)?;
    let token = le_u32(&head, 12).unwrap_or_default();
    if le_u16(&head, 2) != Some(CURRENT_USER) || ![PLAIN, ENCRYPTED].contains(&token) {
        return broken(user.place(0), "what says where its last edit is is broken");
    }
    check_edits(subject, &stream, le_u32(&head, 16).unwrap_or_default())?;
    if token == ENCRYPTED {
        return Err(Stop::Protected { why: "it is encrypted with a password".to_string() });
    }
    check_records(subject, &stream)
}

/// Each edit leads to the one before, further ahead in the stream.
fn check_edits(subject: &Subject<'_>, stream: &Stream, last: u32) -> Step<()> {
    let mut at = last;
    for _ in 0..MOST_EDITS {
        let edit = Record::read(subject, stream, at.into())?;
        if edit.kind != USER_EDIT {
            return broken(stream.place(at.into()), "an edit of it is not where it should be");
        }
        let body: [u8; 16] = stream.array(subject, u64::from(at).saturating_add(HEADER))?;
        let (before, directory) = (le_u32(&body, 8).unwrap_or_default(), le_u32(&body, 12).unwrap_or_default());
        if Record::read(subject, stream, directory.into())?.kind != PERSIST_DIRECTORY {
            return broken(stream.place(directory.into()), "the list of an edit's parts is not where it should be");
        }
        if before == 0 {
            return Ok(());
        }
        if before >= at {
            return broken(stream.place(at.into()), "its edits lead in a circle");
        }
        at = before;
    }
    Ok(())
}

/// Records fill the stream, and those in containers the containers.
fn check_records(subject: &Subject<'_>, stream: &Stream) -> Step<()> {
    let mut ends = vec![stream.length()];
    let mut at = 0_u64;
    while let Some(end) = ends.last().copied() {
        if at >= end {
            ends.pop();
            continue;
        }
        let record = Record::read(subject, stream, at)?;
        if record.end > end || ends.len() > DEEPEST {
            return broken(stream.place(at), "a record of it reaches out of what it is in");
        }
        if record.is_container {
            ends.push(record.end);
            at = at.saturating_add(HEADER);
        } else {
            at = record.end;
        }
    }
    Ok(())
}
