//! Whether a file is what its name says, and opens: checks by format.
//!
//! A file that was read without a hole may still have been broken before: by a crash, by a bad sector that the drive
//! did not report, by a table that led to another file's clusters. What a format can notice of that differs, so a
//! result says how strongly it holds ([`Strength`]); `docs/content.md` has what each check catches and what it can't
//! see.
//!
//! Content is hostile. A checker gets a [`Subject`], which bounds what it reads at once and what it may unpack, and ends
//! with a `Stop` where something is wrong.

mod content;
mod documents;
mod many;
mod media;
mod pictures;
mod step;
mod subject;
mod text;

pub use super::verdict::{Opens, Strength, Verdict};
pub use content::{Content, RandomRead};
pub use many::{examine_all, examine_object};
pub(crate) use step::{Step, Stop, broken, unchecked};
pub use subject::{MOST_AT_ONCE, Siblings, Subject};

use crate::bytes::{at_most, to_u64};
use crate::error::Result;

/// How many bytes of a file's beginning tell its format: the image of a disc says what it is behind 32 KiB.
const HEAD: usize = 9 * 4096;

/// How much of a file is looked at in one go to see that it is blank.
const PIECE: usize = 1 << 18;

/// A format that can be checked.
pub(crate) struct Format {
    /// What people call it.
    pub(crate) name: &'static str,
    /// Endings of names, in lower case, without the dot. An ending stands in one format only.
    pub(crate) endings: &'static [&'static str],
    /// Whether a file opens so, by its first bytes (up to [`HEAD`]).
    pub(crate) opens: fn(&[u8]) -> bool,
    /// Checks a file that opens so.
    pub(crate) check: fn(&Subject<'_>) -> Step<Strength>,
}

/// All formats. The first one that a file opens as is the one that it is, unless its ending names another that it opens
/// as, too.
fn formats() -> impl Iterator<Item = &'static Format> {
    [pictures::FORMATS, media::FORMATS, documents::FORMATS, text::FORMATS].into_iter().flatten().copied().flatten()
}

/// All formats, with those that only an ending tells: what they open as would be said of too much else.
fn named_formats() -> impl Iterator<Item = &'static Format> {
    formats().chain([media::NAMED, text::NAMED].into_iter().flatten().copied().flatten())
}

/// Endings that several programs give to formats of their own (from memory: Office's data connections, encrypted settings,
/// embedded databases, animations, gene variants, mail of other programs, themes, discs of other kinds).
const SHARED_ENDINGS: [&str; 8] = ["dbx", "dcr", "iso", "mbx", "mdb", "odc", "thm", "vcf"];

/// A name's ending, in lower case.
fn ending(name: &str) -> Option<String> {
    Some(name.rsplit_once('.')?.1.to_lowercase())
}

/// The format that a name's ending stands for.
fn by_ending(name: &str) -> Option<&'static Format> {
    let ending = ending(name)?;
    named_formats().find(|format| format.endings.contains(&&*ending))
}

/// Checks a file by its name and content. `siblings` gives files of the same folder by name, for what belongs together.
///
/// # Errors
/// [`crate::Error::ImageIo`] when the image file can't be read. What is wrong with the file is in the verdict.
pub fn examine(name: &str, content: &dyn RandomRead, siblings: &dyn Siblings) -> Result<Verdict> {
    if content.size() == 0 {
        return Ok(Verdict::new(Opens::Unchecked, None, "it is empty"));
    }
    let mut head = vec![0; at_most(content.size(), HEAD)];
    content.read_at(0, &mut head)?;
    let named = by_ending(name);
    let promised = named.map(|format| format.name);
    if is_zeros(&head) && is_blank(content)? {
        return Ok(Verdict::new(Opens::Blank, promised, "there is nothing in it but zeros"));
    }
    let found = named.filter(|format| (format.opens)(&head)).or_else(|| formats().find(|one| (one.opens)(&head)));
    let Some(format) = found else {
        // What lost its first sector has zeros there.
        let lost = head.get(..512).is_none_or(is_zeros);
        let shared = ending(name).is_some_and(|ending| SHARED_ENDINGS.contains(&&*ending)) && !lost;
        let excuse = match shared {
            true => Some("other programs use this ending, too, and it does not open as the format that is checked"),
            false => named.and_then(|named| documents::may_be_sound(named, &head)),
        };
        return Ok(match (named, excuse) {
            (_, Some(why)) => Verdict::new(Opens::Unchecked, promised, why),
            (Some(_), None) => {
                let verdict = Verdict::new(Opens::Broken, promised, "it does not open as files of this kind do");
                Verdict { at: Some(0), ..verdict }
            }
            (None, None) => Verdict::new(Opens::Unchecked, None, "no rule for this kind of file"),
        });
    };
    let verdict = match (format.check)(&Subject::new(name, content, siblings)) {
        Ok(strength) => Verdict { strength: Some(strength), ..Verdict::new(Opens::Sound, Some(format.name), "") },
        Err(Stop::Broken { at, why }) => Verdict { at, ..Verdict::new(Opens::Broken, Some(format.name), why) },
        Err(Stop::Protected { why }) => Verdict::new(Opens::Protected, Some(format.name), why),
        Err(Stop::Unchecked { why }) => Verdict::new(Opens::Unchecked, Some(format.name), why),
        Err(Stop::Mislabelled { is }) => {
            let why = format!("named as {}, and is {is} (sound)", format.name);
            Verdict { format: Some(is), ..Verdict::new(Opens::Mislabelled, None, why) }
        }
        Err(Stop::Failed(error)) => return Err(error),
    };
    // Broken is the graver word; of everything else the wrong name is what people have to know.
    Ok(match named {
        Some(named) if named.name != format.name && !matches!(verdict.opens, Opens::Broken | Opens::Mislabelled) => {
            let inside = match verdict.opens {
                Opens::Sound => "sound".to_string(),
                other => format!("{}: {}", other.word(), verdict.why),
            };
            let why = format!("named as {}, and is {} ({inside})", named.name, format.name);
            Verdict { opens: Opens::Mislabelled, why, ..verdict }
        }
        _ => verdict,
    })
}

fn is_zeros(bytes: &[u8]) -> bool {
    bytes.iter().all(|byte| *byte == 0)
}

fn is_blank(content: &dyn RandomRead) -> Result<bool> {
    let mut piece = vec![0; at_most(content.size(), PIECE)];
    let mut at = 0_u64;
    while at < content.size() {
        let count = at_most(content.size().saturating_sub(at), piece.len());
        let slot = piece.get_mut(..count).unwrap_or_default();
        content.read_at(at, slot)?;
        if !is_zeros(slot) {
            return Ok(false);
        }
        at = at.saturating_add(to_u64(count).max(1));
    }
    Ok(true)
}

#[cfg(test)]
mod tests;
