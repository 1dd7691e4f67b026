//! Plain text and what is written in it: pages, tables, settings, letters, mail.
//!
//! Almost any bytes may be a text of some kind, so most of these formats are only looked for where a name says so, and
//! a text is called broken only for what no text has: a stretch of zeros, or an end that its own rules miss.

mod calendar;
mod json;
mod mail;
mod markup;
mod plain;
mod rtf;

use super::Format;

/// The formats of this folder that their opening tells.
pub(super) const FORMATS: &[&[Format]] = &[rtf::FORMATS, calendar::FORMATS, mail::FORMATS];

/// The formats of this folder that only a name tells.
pub(super) const NAMED: &[&[Format]] = &[plain::NAMED, markup::NAMED, json::NAMED, mail::NAMED];

/// Whether a file named as text may be one: it does not open as something else does.
fn may_be(head: &[u8]) -> bool {
    let others = [super::pictures::FORMATS, super::media::FORMATS, super::documents::FORMATS, &[rtf::FORMATS]];
    !others.into_iter().flatten().copied().flatten().any(|format| (format.opens)(head))
}
