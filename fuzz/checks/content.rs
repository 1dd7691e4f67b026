//! Whether a file opens: the first byte picks an ending, the rest is the file.

use handback::content::formats::{Opens, RandomRead, Verdict, examine};
use handback::error::Result;

/// One ending for each format that is checked, and some that only a name tells.
const ENDINGS: [&str; 48] = [
    "mp4", "mov", "heic", "cr3", "avi", "wav", "mp3", "aac", "flac", "ogg", "mid", "ts", "m2ts", "mpg", "wmv", "mkv",
    "gz", "xz", "bz2", "pst", "dbx", "mbox", "eml", "txt", "log", "xml", "html", "json", "rtf", "ics", "vcf", "bmp",
    "jpg", "png", "gif", "tif", "webp", "dng", "pdf", "zip", "docx", "odt", "doc", "xls", "sqlite", "7z", "rar",
    "unknown",
];

/// The same bytes, but each read is made of small ones, and what is asked for past the end was asked for elsewhere.
struct Pieces<'a>(&'a [u8]);

impl RandomRead for Pieces<'_> {
    fn size(&self) -> u64 {
        self.0.size()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        for (number, piece) in buffer.chunks_mut(37).enumerate() {
            piece.fill(0xa5);
            self.0.read_at(offset.saturating_add(number as u64 * 37), piece)?;
        }
        Ok(())
    }
}

pub(super) fn check(data: &[u8]) {
    let Some((first, file)) = data.split_first() else { return };
    let name = format!("a.{}", ENDINGS[usize::from(*first) % ENDINGS.len()]);
    let verdict = verdict(&name, &file.to_vec());
    assert_eq!(verdict, self::verdict(&name, &Pieces(file)), "how reads are split changes nothing");
    assert_eq!(verdict.opens == Opens::Sound, verdict.strength.is_some() && verdict.opens != Opens::Mislabelled);
    assert!(verdict.opens != Opens::Sound || verdict.format.is_some(), "what is sound has a format: {verdict:?}");
    assert_eq!(verdict.opens == Opens::Sound, verdict.why.is_empty(), "all else has a reason: {verdict:?}");
    if let Some(at) = verdict.at {
        assert!(verdict.opens == Opens::Broken && at <= file.len() as u64, "a place in the file: {verdict:?}");
    }
    let blank = !file.is_empty() && file.iter().all(|byte| *byte == 0);
    assert_eq!(verdict.opens == Opens::Blank, blank, "{verdict:?}");
}

fn verdict(name: &str, content: &dyn RandomRead) -> Verdict {
    examine(name, content, &()).expect("nothing fails in memory")
}
