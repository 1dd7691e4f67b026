//! Outlook Express kept each folder of mail in one file. Its format was never published; that the first four bytes are
//! these is common practice, without a source. Nothing more is looked at.

use crate::content::formats::{Format, Step, Strength, Subject};

pub(super) const FORMATS: &[Format] = &[Format { name: "DBX", endings: &["dbx"], opens, check }];

fn opens(head: &[u8]) -> bool {
    head.starts_with(&[0xcf, 0xad, 0x12, 0xfe])
}

fn check(_: &Subject<'_>) -> Step<Strength> {
    Ok(Strength::Opening)
}
