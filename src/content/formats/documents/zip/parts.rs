//! Kinds that are told by one or two members.

use super::archive::Archive;
use crate::content::formats::documents::text;
use crate::content::formats::{Step, Stop, Strength, Subject, broken};

/// An attribute's value in the text of an XML element.
pub(super) fn attribute<'t>(element: &'t [u8], name: &[u8]) -> Option<&'t [u8]> {
    let mut rest = element;
    loop {
        let at = text::find(rest, name)?;
        let before = at.checked_sub(1).and_then(|before| rest.get(before));
        rest = rest.get(at.checked_add(name.len())?..)?;
        let Some(value) = rest.trim_ascii_start().strip_prefix(b"=") else { continue };
        if before.is_some_and(u8::is_ascii_whitespace) {
            let value = value.trim_ascii_start();
            let quote = value.first().filter(|quote| matches!(quote, b'"' | b'\''))?;
            return value.get(1..)?.split(|byte| byte == quote).next();
        }
    }
}

/// A book has one root, or one for each of a few readings.
const MOST_ROOTS: usize = 16;

fn ends_with(archive: &Archive<'_>, ending: &[u8]) -> bool {
    archive.names().any(|name| {
        let start = name.len().saturating_sub(ending.len());
        name.get(start..).is_some_and(|end| end.eq_ignore_ascii_case(ending))
    })
}

fn needs(subject: &Subject<'_>, what: &str, has: impl Fn(&Archive<'_>) -> bool) -> Step<Strength> {
    let archive = Archive::walk(subject)?;
    if !has(&archive) {
        return broken(0, format!("it is an archive without what makes it {what}"));
    }
    archive.finish()
}

/// EPUB (W3C, EPUB 3.3, section 4: the container).
pub(super) fn book(subject: &Subject<'_>) -> Step<Strength> {
    let archive = Archive::walk(subject)?;
    let Some(container) = archive.part(b"META-INF/container.xml")? else {
        return if archive.is_locked() {
            archive.finish()
        } else {
            broken(0, "it is an archive without a book's table")
        };
    };
    let roots = container.split(|byte| *byte == b'<').filter_map(|element| attribute(element, b"full-path"));
    if !roots.take(MOST_ROOTS).all(|root| archive.has(root) || root.contains(&b'%')) {
        return broken(0, "what its container names as the book is not in it");
    }
    let strength = archive.finish()?;
    // Fonts are made unreadable by themselves in books that anyone may read.
    let encryption = archive.part(b"META-INF/encryption.xml")?.unwrap_or_default();
    let locked = encryption.split(|byte| *byte == b'<').any(|element| {
        attribute(element, b"Algorithm").is_some_and(|algorithm| {
            text::holds(element, b"EncryptionMethod")
                && !matches!(algorithm, b"http://www.idpf.org/2008/embedding" | b"http://ns.adobe.com/pdf/enc#RC")
        })
    });
    if locked || archive.has(b"META-INF/rights.xml") {
        return Err(Stop::Protected { why: "it can be read only with its shop's program".to_string() });
    }
    Ok(strength)
}

/// XPS (ECMA-388, section 10.1): a sequence of fixed documents.
pub(super) fn page_description(subject: &Subject<'_>) -> Step<Strength> {
    needs(subject, "an XPS document", |archive| {
        archive.has(b"[Content_Types].xml") && (ends_with(archive, b".fdseq") || ends_with(archive, b".fpage"))
    })
}

/// Scores: MusicXML's compressed form (W3C, MusicXML 4.0, "Compressed .mxl files"), and one that holds `.mscx` (common
/// practice).
pub(super) fn score(subject: &Subject<'_>) -> Step<Strength> {
    needs(subject, "a score", |archive| archive.has(b"META-INF/container.xml") || ends_with(archive, b".mscx"))
}

/// Places on a map (OGC 12-007r2, KML 2.3, annex C: a `.kml` file in it).
pub(super) fn places(subject: &Subject<'_>) -> Step<Strength> {
    needs(subject, "map places", |archive| ends_with(archive, b".kml"))
}

/// Pages, Numbers and Keynote: an index in one of three forms (common practice, no source).
pub(super) fn work(subject: &Subject<'_>) -> Step<Strength> {
    needs(subject, "an iWork document", |archive| {
        archive.has(b"Index.zip")
            || ends_with(archive, b".iwa")
            || ends_with(archive, b"index.xml")
            || ends_with(archive, b"index.apxl")
            || ends_with(archive, b"index.xml.gz")
            || ends_with(archive, b"index.apxl.gz")
    })
}

#[cfg(test)]
mod tests {
    use super::attribute;

    #[test]
    fn attributes_are_found() {
        let element = br#"Relationship MyType="no" Type = 'http://x/officeDocument' Target="word/document.xml"/>"#;
        assert_eq!(attribute(element, b"Type"), Some(&b"http://x/officeDocument"[..]));
        assert_eq!(attribute(element, b"Target"), Some(&b"word/document.xml"[..]));
        assert_eq!(attribute(element, b"Id"), None);
        assert_eq!(attribute(b"a Type=", b"Type"), None);
    }
}
