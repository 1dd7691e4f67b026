//! XML (W3C, "Extensible Markup Language 1.0", 2.1) and HTML: texts whose first element is closed at their end. HTML
//! may leave that out, so of it no more is known than of a text.

use super::plain::{letters, scan};
use crate::bytes::to_u64;
use crate::content::formats::{Format, Step, Strength, Subject, broken};

pub(super) const NAMED: &[Format] = &[
    Format {
        name: "XML",
        endings: &[
            "xml", "xsd", "xsl", "xslt", "gpx", "kml", "tcx", "svg", "plist", "rss", "atom", "opml", "xmp", "dtd",
            "musicxml", "xaml", "wsdl", "fb2", "ui",
        ],
        opens: super::may_be,
        check: xml,
    },
    Format {
        name: "HTML",
        endings: &["html", "htm", "xhtml", "shtml", "mht", "mhtml"],
        opens: super::may_be,
        check: html,
    },
];

/// How far from the end the last mark is looked for.
const TAIL: usize = 1 << 16;

fn html(subject: &Subject<'_>) -> Step<Strength> {
    scan(subject)?;
    Ok(Strength::Opening)
}

fn xml(subject: &Subject<'_>) -> Step<Strength> {
    scan(subject)?;
    let head = letters(subject, 0, TAIL)?;
    let Some(name) = first_element(&head).filter(|_| declared(&head)) else { return Ok(Strength::Opening) };
    let tail = letters(subject, subject.size().saturating_sub(to_u64(TAIL)) & !1, TAIL)?;
    let closing = [b"</", name].concat();
    let closed = tail.windows(closing.len()).any(|window| window == closing);
    let last = tail.iter().rfind(|byte| !byte.is_ascii_whitespace());
    match (closed, last) {
        (true, Some(b'>')) => Ok(Strength::Structure),
        // An element without content closes itself; what is put together of pieces may end in words.
        (true, _) | (false, Some(b'>')) => Ok(Strength::Opening),
        (false, _) => broken(subject.size(), "the file ends before its first element is closed"),
    }
}

fn declared(head: &[u8]) -> bool {
    let start = head.strip_prefix(&[0xef, 0xbb, 0xbf]).unwrap_or(head);
    let start = start.strip_prefix(&[0xff, 0xfe]).or(start.strip_prefix(&[0xfe, 0xff])).unwrap_or(start);
    start.starts_with(b"<?xml")
}

/// The name of the first element, behind declarations and remarks.
fn first_element(head: &[u8]) -> Option<&[u8]> {
    let mut rest = head;
    loop {
        let start = rest.iter().position(|byte| *byte == b'<')?;
        rest = rest.get(start.checked_add(1)?..)?;
        match rest.first()? {
            b'?' | b'!' => {
                let end: &[u8] = if rest.starts_with(b"!--") { b"-->" } else { b">" };
                let skip = rest.windows(end.len()).position(|window| window == end)?;
                rest = rest.get(skip..)?;
            }
            _ => {
                let length = rest.iter().position(|byte| byte.is_ascii_whitespace() || matches!(byte, b'>' | b'/'))?;
                return rest.get(..length).filter(|name| !name.is_empty());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::content::formats::{Opens, Strength, examine};

    #[test]
    fn an_element_that_is_never_closed_is_noticed() {
        let opens = |text: &str| {
            let verdict = examine("a.xml", &text.as_bytes().to_vec(), &()).unwrap();
            (verdict.opens, verdict.strength)
        };
        let whole = "<?xml version='1.0'?>\n<!-- <x> -->\n<!DOCTYPE choir>\n<choir><voice>Altus</voice></choir>\n";
        assert_eq!(opens(whole), (Opens::Sound, Some(Strength::Structure)));
        assert_eq!(opens(&whole[..whole.len() - 9]), (Opens::Sound, Some(Strength::Opening)));
        assert_eq!(opens(&whole[..whole.len() - 20]).0, Opens::Broken);
        assert_eq!(opens("<?xml version='1.0'?><empty/>"), (Opens::Sound, Some(Strength::Opening)));
        assert_eq!(opens("no element at all").0, Opens::Sound);
    }
}
