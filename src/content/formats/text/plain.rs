//! Plain text in any encoding: UTF-8 (RFC 3629), UTF-16 with or without a mark (RFC 2781), and the many of one byte a
//! character, of which only is known what none of them has.

use crate::bytes::{array, at_most, to_u64};
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const NAMED: &[Format] = &[Format {
    name: "text",
    endings: &[
        "txt",
        "text",
        "asc",
        "log",
        "csv",
        "tsv",
        "md",
        "markdown",
        "rst",
        "nfo",
        "tex",
        "bib",
        "ini",
        "inf",
        "cfg",
        "conf",
        "properties",
        "reg",
        "url",
        "desktop",
        "srt",
        "vtt",
        "ass",
        "ssa",
        "m3u",
        "m3u8",
        "pls",
        "cue",
        "css",
        "js",
        "mjs",
        "py",
        "pl",
        "rb",
        "lua",
        "c",
        "h",
        "cc",
        "cpp",
        "hpp",
        "java",
        "rs",
        "go",
        "sh",
        "bat",
        "cmd",
        "ps1",
        "vbs",
        "sql",
        "yaml",
        "yml",
        "toml",
        "diff",
        "patch",
        "ldif",
        "gcode",
        "tpl",
        "php",
    ],
    opens: super::may_be,
    check,
}];

/// How much is looked at in one go: an even number, so that no character of UTF-16 is cut.
const PIECE: usize = 1 << 18;

/// Zeros in a row that count as a stretch: fewer may be padding of fields, or the ends of lines of strange programs.
const RUN: u64 = 32;

/// Stretches of zeros that a damaged text may have; a file with more is rather of records.
const MOST_RUNS: u32 = 8;

/// How a text is coded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Encoding {
    Bytes,
    Little,
    Big,
}

/// What looking at all bytes of a text showed.
#[derive(Debug)]
pub(super) struct Scan {
    pub(super) encoding: Encoding,
    /// The first stretch of zeros, and where it ends.
    zeros: Option<(u64, u64)>,
    runs: u32,
    /// Characters that no text has, and where the first stands.
    strange: u64,
    first_strange: u64,
    lines: u64,
    characters: u64,
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    scan(subject)?;
    Ok(Strength::Opening)
}

/// Looks at all bytes; ends the check where they are not those of a text.
pub(super) fn scan(subject: &Subject<'_>) -> Step<Scan> {
    let mut scan = Scan {
        encoding: encoding(subject)?,
        zeros: None,
        runs: 0,
        strange: 0,
        first_strange: 0,
        lines: 0,
        characters: 0,
    };
    let width = if scan.encoding == Encoding::Bytes { 1 } else { 2 };
    let mut run = 0_u64;
    let mut at = 0_u64;
    while at < subject.size() {
        let piece = subject.up_to(at, PIECE)?;
        for (index, unit) in piece.chunks(width).enumerate() {
            let place = at.saturating_add(to_u64(index.saturating_mul(width)));
            let unit = match (scan.encoding, array::<2>(unit, 0)) {
                (Encoding::Little, Some(unit)) => u16::from_le_bytes(unit),
                (Encoding::Big, Some(unit)) => u16::from_be_bytes(unit),
                _ => unit.first().copied().map_or(0, u16::from),
            };
            if unit == 0 {
                run = run.saturating_add(to_u64(width));
                continue;
            }
            scan.end_run(place, run);
            run = 0;
            scan.character(place, unit);
        }
        at = at.saturating_add(to_u64(piece.len()).max(1));
    }
    scan.end_run(subject.size(), run);
    scan.judge(subject)
}

impl Scan {
    fn end_run(&mut self, place: u64, run: u64) {
        if run >= RUN {
            self.zeros.get_or_insert((place.saturating_sub(run), place));
            self.runs = self.runs.saturating_add(1);
        } else if run > 0 {
            self.note_strange(place.saturating_sub(run));
        }
    }

    fn note_strange(&mut self, place: u64) {
        if self.strange == 0 {
            self.first_strange = place;
        }
        self.strange = self.strange.saturating_add(1);
    }

    fn character(&mut self, place: u64, unit: u16) {
        self.characters = self.characters.saturating_add(1);
        match unit {
            0x0a | 0x0d => self.lines = self.lines.saturating_add(1),
            // The bell, backspace, tabs, new pages, the end mark of old systems, and escapes for printers and screens.
            0x07..=0x0c | 0x1a | 0x1b => {}
            0..0x20 | 0x7f => self.note_strange(place),
            _ => {}
        }
    }

    fn judge(self, subject: &Subject<'_>) -> Step<Self> {
        // One strange character in a page is some program's mark; more are no text.
        let clean = self.strange <= self.characters / 4096 && (self.lines > 0 || self.characters >= 4096);
        match self.zeros {
            Some((start, end)) if clean && self.runs <= MOST_RUNS => {
                let log = subject.name().to_lowercase().ends_with(".log");
                if log && end >= subject.size() && self.runs == 1 {
                    return unchecked(
                        "it ends in zeros, as logs do that were set aside in advance or not written to the end",
                    );
                }
                broken(start, format!("{} zeros stand in a text", end.saturating_sub(start)))
            }
            Some(_) => unchecked("it is no plain text"),
            None if self.strange > 0 => {
                let at = self.first_strange;
                unchecked(format!("it has characters that no plain text has, the first at byte {at}"))
            }
            None => Ok(self),
        }
    }
}

/// By the mark at the beginning, or else by where the zeros stand behind the first stretch of them.
fn encoding(subject: &Subject<'_>) -> Step<Encoding> {
    let head = subject.up_to(0, 4096)?;
    if head.starts_with(&[0xff, 0xfe]) {
        return Ok(Encoding::Little);
    }
    if head.starts_with(&[0xfe, 0xff]) {
        return Ok(Encoding::Big);
    }
    let zeros = head.iter().take_while(|byte| **byte == 0).count();
    let body = head.get(zeros & !1..).unwrap_or_default();
    let body = body.get(..body.len().min(1024)).unwrap_or_default();
    let count = |from: usize| body.iter().skip(from).step_by(2).filter(|byte| **byte == 0).count();
    let (even, odd, half) = (count(0), count(1), body.len() / 2);
    Ok(if odd > half / 2 && even < half / 8 {
        Encoding::Little
    } else if even > half / 2 && odd < half / 8 {
        Encoding::Big
    } else {
        Encoding::Bytes
    })
}

/// The characters of a stretch in one byte each, as far as they have one.
pub(super) fn letters(subject: &Subject<'_>, start: u64, length: usize) -> Step<Vec<u8>> {
    let mut bytes = subject.up_to(start, at_most(to_u64(length), PIECE))?;
    bytes.retain(|byte| *byte != 0);
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use crate::content::formats::{Opens, examine};

    fn opens(name: &str, bytes: &[u8]) -> (Opens, Option<u64>) {
        let verdict = examine(name, &bytes.to_vec(), &()).unwrap();
        (verdict.opens, verdict.at)
    }

    #[test]
    fn texts_of_all_encodings_are_sound() {
        let wide = |text: &str, big: bool| -> Vec<u8> {
            text.encode_utf16().flat_map(|unit| if big { unit.to_be_bytes() } else { unit.to_le_bytes() }).collect()
        };
        for big in [false, true] {
            assert_eq!(opens("a.txt", &wide("\u{feff}Probe um acht.\r\n", big)).0, Opens::Sound);
            assert_eq!(opens("a.txt", &wide("Probe um acht, bitte Noten mitbringen.\r\n", big)).0, Opens::Sound);
        }
        assert_eq!(opens("a.txt", "Gr\u{fc}\u{df}e\n".as_bytes()).0, Opens::Sound);
        assert_eq!(opens("a.txt", b"Gr\xfc\xdfe\n\x1a").0, Opens::Sound);
        assert_eq!(opens("a.txt", b"x").0, Opens::Sound);
    }

    #[test]
    fn zeros_in_a_text_are_found_and_binary_files_are_left_alone() {
        let mut text = b"Altus, Bassus, Cantus\n".repeat(100);
        text[1024..1536].fill(0);
        assert_eq!(opens("a.csv", &text), (Opens::Broken, Some(1024)));
        let mut wide: Vec<u8> = "Altus und Bassus\n".repeat(99).encode_utf16().flat_map(u16::to_le_bytes).collect();
        wide[..512].fill(0);
        assert_eq!(opens("a.txt", &wide), (Opens::Broken, Some(0)));
        let mut tail = b"one line\n".repeat(200);
        tail[1024..].fill(0);
        assert_eq!(opens("a.log", &tail).0, Opens::Unchecked);
        assert_eq!(opens("a.txt", &tail), (Opens::Broken, Some(1024)));
        let record = [b"Altus".as_slice(), &[0; 123]].concat();
        assert_eq!(opens("a.cfg", &record.repeat(20)).0, Opens::Unchecked);
        assert_eq!(opens("a.cfg", &record).0, Opens::Unchecked);
        assert_eq!(opens("a.md", b"\x01\x02\x03 binary").0, Opens::Unchecked);
    }
}
