//! Mail as text: single letters (RFC 5322, 2.1) and whole folders of them (RFC 4155: a line `From ` opens each).
//! Attachments are text, too, so that zeros are as strange in them as in any.

use super::plain::scan;
use crate::content::formats::{Format, Step, Strength, Subject};

pub(super) const FORMATS: &[Format] =
    &[Format { name: "MBOX", endings: &["mbox", "mbx"], opens: opens_as_folder, check }];

pub(super) const NAMED: &[Format] = &[Format { name: "EML", endings: &["eml", "emlx"], opens: super::may_be, check }];

/// A line of fields, "Name: value".
fn is_field(line: &[u8]) -> bool {
    let name = line.iter().take_while(|byte| byte.is_ascii_alphanumeric() || **byte == b'-').count();
    name > 0 && line.get(name) == Some(&b':')
}

fn opens_as_folder(head: &[u8]) -> bool {
    let mut lines = head.split(|byte| *byte == b'\n');
    let first = lines.next().unwrap_or_default();
    let second = lines.next().unwrap_or_default();
    first.starts_with(b"From ") && first.contains(&b':') && (is_field(second) || second.starts_with(b">From "))
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    scan(subject)?;
    Ok(Strength::Opening)
}
