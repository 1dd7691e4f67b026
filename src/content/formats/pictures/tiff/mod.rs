//! TIFF (Adobe, TIFF 6.0; Adobe, TIFF Technical Notes 1 and 2 for directories inside directories and for JPEG; BigTIFF
//! as libtiff's design note has it), and the raw files of cameras, which are TIFF with the makers' own ways of packing.
//!
//! Walked is the chain of directories with those that they point to. What each says of strips, tiles and embedded
//! pictures has to lie inside the file; those whose packing is known are unpacked to their exact length. A raw file's
//! sensor data is mostly packed in a way that only its maker describes: that it lies inside the file is all that is said
//! of it.

mod directory;
mod strips;

use directory::{Directory, Order, TAGS};

use super::jpeg;
use crate::bytes::le_u32;
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(in crate::content::formats) const FORMATS: &[Format] = &[
    Format { name: "TIFF", endings: &["tif", "tiff"], opens, check: check_tiff },
    Format {
        name: "camera raw",
        endings: &[
            "dng", "nef", "nrw", "arw", "sr2", "srf", "cr2", "pef", "orf", "ori", "rw2", "rwl", "srw", "3fr", "erf",
            "kdc", "dcr", "mef", "mos", "iiq",
        ],
        opens: opens_raw,
        check: check_raw,
    },
    Format { name: "Fujifilm raw", endings: &["raf"], opens: opens_raf, check: check_raf },
];

fn opens(head: &[u8]) -> bool {
    Order::of(head).is_some_and(|order| matches!(order.magic(head), Some(42 | 43)))
}

/// Two makers write letters where TIFF has 42 (from memory: `OR`, `SR`, and 0x55).
fn opens_raw(head: &[u8]) -> bool {
    Order::of(head).is_some_and(|order| matches!(order.magic(head), Some(42 | 0x4f52 | 0x5352 | 0x0055)))
}

fn check_tiff(subject: &Subject<'_>) -> Step<Strength> {
    let all = walk(subject, false)?;
    if all.pictures == 0 {
        return broken(all.last, "it ends before its first picture");
    }
    Ok(if all.decoded { Strength::Decoded } else { Strength::Structure })
}

fn check_raw(subject: &Subject<'_>) -> Step<Strength> {
    let all = walk(subject, true)?;
    if all.pictures == 0 {
        return unchecked("no picture is found in it, and its maker's own structures are not known");
    }
    Ok(Strength::Structure)
}

/// The most directories of one file: a page or a size of the picture each.
const MOST_DIRECTORIES: usize = 4096;

/// What a walk came to.
#[derive(Default)]
struct All {
    pictures: u32,
    /// Whether every strip and tile was unpacked.
    decoded: bool,
    /// The directory that came last.
    last: u64,
}

/// Walks all directories. `raw` allows for what makers of cameras do.
fn walk(subject: &Subject<'_>, raw: bool) -> Step<All> {
    let head = subject.up_to(0, 16)?;
    let Some(order) = Order::of(&head) else { return broken(0, "it does not open as a TIFF") };
    let first = order.first(&head);
    let mut waiting = vec![(first.unwrap_or(0), true)];
    let mut seen: Vec<u64> = Vec::new();
    let mut all = All { decoded: true, ..All::default() };
    while let Some((at, in_chain)) = waiting.pop() {
        if seen.contains(&at) && !in_chain {
            // Two directories may share a third.
            continue;
        }
        if seen.contains(&at) {
            return broken(at, "its directories go round in a circle");
        }
        if seen.len() >= MOST_DIRECTORIES {
            return unchecked("it has more directories than are followed");
        }
        seen.push(at);
        all.last = at;
        let directory = Directory::read(subject, &order, at, raw)?;
        if let Some(next) = directory.next {
            waiting.push((next, in_chain));
        }
        // SubIFDs hold the picture of a raw file, or smaller sizes of it; the others hold facts only.
        for tag in TAGS.directories {
            let inside = directory.numbers(subject, &order, *tag)?;
            if waiting.len().saturating_add(inside.len()) > MOST_DIRECTORIES {
                return unchecked("it has more directories than are followed");
            }
            waiting.extend(inside.into_iter().map(|at| (at, false)));
        }
        preview(subject, &order, &directory)?;
        if let Some(decoded) = strips::check(subject, &order, &directory, raw)? {
            all.pictures = all.pictures.saturating_add(1);
            all.decoded &= decoded;
        }
    }
    Ok(all)
}

/// An embedded JPEG: tags JPEGInterchangeFormat and its length.
fn preview(subject: &Subject<'_>, order: &Order, directory: &Directory) -> Step<()> {
    let start = directory.numbers(subject, order, TAGS.jpeg)?;
    let length = directory.numbers(subject, order, TAGS.jpeg_length)?;
    let (Some(start), Some(length)) = (start.first(), length.first()) else { return Ok(()) };
    let end = start.saturating_add(*length);
    if end > subject.size() {
        return broken(subject.size(), "the file ends inside an embedded picture");
    }
    // Thousands of directories may have the same picture.
    subject.spend(*length)?;
    let opening = subject.up_to(*start, 2)?;
    if *length > 0 && opening == [0xff, 0xd8] {
        known(jpeg::picture(subject, *start, end, jpeg::Tables::default()))?;
    }
    Ok(())
}

/// A part that is packed in a way that is not decoded is not wrong. Whether it was decoded.
fn known<T>(step: Step<T>) -> Step<bool> {
    match step {
        Ok(_) => Ok(true),
        Err(crate::content::formats::Stop::Unchecked { .. }) => Ok(false),
        Err(stop) => Err(stop),
    }
}

/// RAF, whose header says where its JPEG, its facts and its sensor data lie (from memory; no source).
fn opens_raf(head: &[u8]) -> bool {
    head.starts_with(b"FUJIFILMCCD-RAW ")
}

fn check_raf(subject: &Subject<'_>) -> Step<Strength> {
    let head: [u8; 108] = subject.array(0)?;
    for at in [84_usize, 92, 100] {
        let part = |at: usize| crate::bytes::be_u32(&head, at).map(u64::from).unwrap_or(0);
        let (start, length) = (part(at), part(at.saturating_add(4)));
        if start.saturating_add(length) > subject.size() {
            return broken(subject.size(), "the file ends before a part that its header names");
        }
        if at == 84 && length > 0 {
            known(jpeg::picture(subject, start, start.saturating_add(length), jpeg::Tables::default()))?;
        }
    }
    if le_u32(&head, 100) == Some(0) {
        return broken(100, "its header names no sensor data");
    }
    Ok(Strength::Structure)
}
