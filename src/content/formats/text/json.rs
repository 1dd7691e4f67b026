//! JSON (RFC 8259): read to its end. Dialects with remarks are many, so that only an end that comes too early is broken.

use serde::de::IgnoredAny;

use super::plain::{Encoding, scan};
use crate::content::formats::{Format, MOST_AT_ONCE, Step, Strength, Subject, broken, unchecked};

pub(super) const NAMED: &[Format] = &[Format {
    name: "JSON",
    endings: &["json", "geojson", "jsonl", "ndjson", "ipynb", "webmanifest"],
    opens: super::may_be,
    check,
}];

fn check(subject: &Subject<'_>) -> Step<Strength> {
    let text = scan(subject)?;
    if text.encoding != Encoding::Bytes || subject.size() > crate::bytes::to_u64(MOST_AT_ONCE) {
        return Ok(Strength::Opening);
    }
    let mark = if subject.up_to(0, 3)? == [0xef, 0xbb, 0xbf] { 3 } else { 0 };
    let mut reader = subject.reader(mark..subject.size());
    // Some programs write one value a line.
    let values = serde_json::Deserializer::from_reader(&mut reader).into_iter::<IgnoredAny>();
    for value in values {
        match value {
            Ok(IgnoredAny) => {}
            Err(error) if error.is_eof() => {
                return broken(subject.size(), "the file ends before its last bracket is closed");
            }
            Err(error) if error.is_io() => return Err(reader.stop("the file ends too early")),
            Err(error) => {
                return unchecked(format!("it is no JSON to the letter, from line {} on", error.line()));
            }
        }
    }
    Ok(Strength::Decoded)
}
