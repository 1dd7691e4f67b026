//! Calendars (RFC 5545, 3.4 and 3.6) and address cards (RFC 6350, 6.1.1 and 6.1.2): everything that begins has an end.

use std::io::BufRead as _;

use super::plain::scan;
use crate::content::formats::{Format, Step, Strength, Subject, broken, unchecked};

pub(super) const FORMATS: &[Format] = &[
    Format { name: "iCalendar", endings: &["ics", "vcs", "ifb"], opens: opens_as_calendar, check },
    Format { name: "vCard", endings: &["vcf", "vcard"], opens: opens_as_card, check },
];

/// How deep things begin in each other: four levels in the standards.
const DEEPEST: usize = 64;

/// How much of a line is kept: only its first word matters.
const KEPT: usize = 128;

fn begins(head: &[u8], what: &[u8]) -> bool {
    let head = head.strip_prefix(&[0xef, 0xbb, 0xbf]).unwrap_or(head).trim_ascii_start();
    head.get(..what.len()).is_some_and(|start| start.eq_ignore_ascii_case(what))
}

fn opens_as_calendar(head: &[u8]) -> bool {
    begins(head, b"BEGIN:VCALENDAR")
}

fn opens_as_card(head: &[u8]) -> bool {
    begins(head, b"BEGIN:VCARD")
}

fn check(subject: &Subject<'_>) -> Step<Strength> {
    scan(subject)?;
    let mut reader = subject.reader(0..subject.size());
    let mut open: Vec<Vec<u8>> = Vec::new();
    let mut line = Vec::new();
    loop {
        let piece = match reader.fill_buf() {
            Ok(piece) => piece.to_vec(),
            Err(_) => return Err(reader.stop("")),
        };
        reader.consume(piece.len());
        for byte in &piece {
            if !matches!(byte, b'\r' | b'\n') {
                if line.len() < KEPT {
                    line.push(byte.to_ascii_uppercase());
                }
                continue;
            }
            note(&line, &mut open)?;
            line.clear();
        }
        if piece.is_empty() {
            break;
        }
    }
    note(&line, &mut open)?;
    match open.last() {
        Some(last) => {
            let last = String::from_utf8_lossy(last).into_owned();
            broken(subject.size(), format!("the file ends before `END:{last}`"))
        }
        None => Ok(Strength::Structure),
    }
}

fn note(line: &[u8], open: &mut Vec<Vec<u8>>) -> Step<()> {
    let line = line.strip_prefix(&[0xef, 0xbb, 0xbf]).unwrap_or(line);
    if let Some(name) = line.strip_prefix(b"BEGIN:") {
        if open.len() >= DEEPEST {
            return unchecked("more begins in it than any calendar has");
        }
        // Only words that the standards would allow are repeated to people.
        open.push(name.trim_ascii().iter().copied().filter(|byte| byte.is_ascii_graphic()).collect());
    } else if let Some(name) = line.strip_prefix(b"END:") {
        let name = name.trim_ascii();
        if open.pop().is_none_or(|last| last != name) {
            return unchecked("something ends in it that did not begin");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use crate::content::formats::{Opens, examine};

    #[test]
    fn what_begins_has_to_end() {
        let opens = |text: &str| examine("a.vcf", &text.as_bytes().to_vec(), &()).unwrap().opens;
        assert_eq!(opens("BEGIN:VCARD\r\nFN:Anna Probst\r\nEND:VCARD\r\n"), Opens::Sound);
        assert_eq!(opens("begin:vcard\nFN:Anna\nend:vcard\nBEGIN:VCARD\nFN:Berta\nEND:VCARD"), Opens::Sound);
        assert_eq!(opens("BEGIN:VCARD\r\nFN:Anna Probst\r\n"), Opens::Broken);
        assert_eq!(opens("BEGIN:VCARD\r\nEND:VEVENT\r\n"), Opens::Unchecked);
    }
}
