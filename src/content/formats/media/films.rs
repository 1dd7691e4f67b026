//! MP4, QuickTime and their kin (ISO/IEC 14496-12; QuickTime File Format; 3GPP TS 26.244), HEIF pictures (ISO/IEC
//! 23008-12) and CR3 raws, which are built of the same boxes: what is said where, and that it is there.
//!
//! The brands are those of the standards; the brand of CR3 is common practice, without a source.

use super::boxes::{self, Parts, atoms, first, inside, parts};
use super::{fragments, heif, tracks};
use crate::bytes::{array, be_u32, to_usize};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[
    Format {
        name: "HEIC/AVIF",
        endings: &["heic", "heif", "hif", "heics", "heifs", "avif", "avifs"],
        opens: opens_as_picture,
        check: heif::check,
    },
    Format { name: "CR3", endings: &["cr3"], opens: opens_as_raw, check: film },
    Format {
        name: "MP4/MOV",
        endings: &["mp4", "m4v", "m4a", "m4b", "m4p", "mov", "qt", "3gp", "3g2", "3gpp", "f4v"],
        opens: opens_as_film,
        check: film,
    },
];

/// The first brand, which says what a file is meant to be.
fn brand(head: &[u8]) -> Option<[u8; 4]> {
    (array::<4>(head, 4) == Some(*b"ftyp") && be_u32(head, 0)? >= 16).then(|| array::<4>(head, 8))?
}

fn opens_as_picture(head: &[u8]) -> bool {
    let known: [&[u8; 4]; 12] =
        [b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"mif2", b"msf1", b"avif", b"avis", b"MiHE"];
    brand(head).is_some_and(|brand| known.contains(&&brand))
}

fn opens_as_raw(head: &[u8]) -> bool {
    brand(head) == Some(*b"crx ")
}

fn opens_as_film(head: &[u8]) -> bool {
    if brand(head).is_some() {
        return !opens_as_picture(head) && !opens_as_raw(head);
    }
    // QuickTime films from before there were brands. Four letters alone would be a word in a text.
    let (Some(length), Some(kind)) = (array::<4>(head, 0), array::<4>(head, 4)) else { return false };
    let [high, ..] = length;
    match &kind {
        b"moov" | b"wide" | b"free" | b"skip" | b"pnot" => high == 0,
        b"mdat" => high < 0x20,
        _ => false,
    }
}

/// What is said of a film that has no index: its most frequent fate in a camera whose battery died.
const NO_INDEX: &str = "the film's index is missing: recording or copying was stopped";

fn film(subject: &Subject<'_>) -> Step<Strength> {
    let parts = parts(subject)?;
    let whole = |part: &&boxes::Part| parts.cut.is_none_or(|(cut, _)| cut.at != part.at);
    let Some(moov) = parts.first(b"moov").filter(whole) else {
        return broken(parts.strange.unwrap_or(subject.size()), NO_INDEX);
    };
    if let Some((_, end)) = parts.cut {
        let missing = end.saturating_sub(subject.size());
        return broken(
            subject.size(),
            format!("the file ends {missing} bytes too early: recording or copying was stopped"),
        );
    }
    index(subject, &parts, moov)?;
    Ok(Strength::Structure)
}

/// Checks what the index says of its tracks, and the fragments.
pub(super) fn index(subject: &Subject<'_>, parts: &Parts, moov: &boxes::Part) -> Step<()> {
    let length = moov.end.saturating_sub(moov.body);
    let Some(length) = to_usize(length).filter(|length| *length <= MOST_AT_ONCE) else {
        return unchecked("the film's index is too long");
    };
    let body = subject.bytes(moov.body, length)?;
    let children = atoms(&body, moov.body)?;
    if first(&children, b"cmov").is_some() {
        return unchecked("the film's index is compressed, as old QuickTime did");
    }
    if first(&children, b"mvhd").is_none() {
        return broken(moov.at, "the film's index has lost its head");
    }
    let budget = tracks::budget(subject);
    let mut known = Vec::new();
    for trak in children.iter().filter(|atom| atom.kind == *b"trak") {
        if known.len() >= tracks::MOST_TRACKS {
            return unchecked("it has more tracks than can be looked at");
        }
        known.push(tracks::check(subject, parts, trak, &budget)?);
    }
    let defaults = fragments::defaults(&inside(&children, b"mvex")?);
    for moof in parts.of(b"moof") {
        fragments::check(subject, parts, moof, &known, &defaults, &budget)?;
    }
    if known.is_empty() {
        return broken(moov.at, "the film's index names no track");
    }
    // Bytes after the last box matter only if fragments could have stood there.
    match parts.strange {
        Some(at) if !defaults.is_empty() => broken(at, "the film goes on with bytes that are no part of a film"),
        _ => Ok(()),
    }
}
