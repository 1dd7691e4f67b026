//! OpenDocument (OASIS, OpenDocument 1.3, part 2: packages), and its forerunner in the same form.

use super::archive::Archive;
use crate::content::formats::documents::text;
use crate::content::formats::{Step, Stop, Strength, Subject, broken};

/// What a document is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Open {
    Text,
    Table,
    Slides,
    Drawing,
}

impl Open {
    fn name(self) -> &'static str {
        match self {
            Self::Text => "OpenDocument text",
            Self::Table => "OpenDocument table",
            Self::Slides => "OpenDocument slides",
            Self::Drawing => "OpenDocument drawing",
        }
    }
}

/// The kind that a media type tells. Drawings stand for all that is none of the others: charts, formulas, databases.
pub(super) fn kind(media_type: &[u8]) -> Option<Open> {
    let rest = media_type
        .strip_prefix(b"application/vnd.oasis.opendocument.")
        .or_else(|| media_type.strip_prefix(b"application/vnd.sun.xml."))?;
    let is = |words: [&[u8]; 2]| words.iter().any(|word| rest.starts_with(word));
    Some(if is([b"text", b"writer"]) {
        Open::Text
    } else if is([b"spreadsheet", b"calc"]) {
        Open::Table
    } else if is([b"presentation", b"impress"]) {
        Open::Slides
    } else {
        Open::Drawing
    })
}

/// Checks a document.
pub(super) fn check(subject: &Subject<'_>, open: Open) -> Step<Strength> {
    let archive = Archive::walk(subject)?;
    let found = match archive.part(b"mimetype")? {
        Some(media_type) => match kind(media_type.trim_ascii()) {
            Some(kind) => kind,
            None => return broken(0, format!("it is an archive of another kind than an {}", open.name())),
        },
        None => open,
    };
    let Some(manifest) = archive.part(b"META-INF/manifest.xml")? else {
        return if archive.is_locked() { archive.finish() } else { no_document(open) };
    };
    let encrypted = text::holds(&manifest, b"encryption-data");
    if !archive.has(b"content.xml") && !archive.has(b"encrypted-package") {
        return no_document(open);
    }
    let strength = archive.finish()?;
    if encrypted {
        return Err(Stop::Protected { why: "it is encrypted with a password".to_string() });
    }
    if found != open {
        return Err(Stop::Mislabelled { is: found.name() });
    }
    Ok(strength)
}

fn no_document(open: Open) -> Step<Strength> {
    broken(0, format!("it is an archive without what makes it an {}", open.name()))
}
