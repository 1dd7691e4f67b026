//! What it means for a file that a part of it is missing, by what kind of file it is.
//!
//! The kinds go by the name's extension alone: those of the survey, but for what a hole means something else for. This
//! only chooses a sentence.

use crate::survey::FileKind;

/// A kind of file, as far as damage means something else for it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Kind {
    Picture,
    Document,
    Text,
    Music,
    Video,
    Archive,
    Mail,
    Database,
    Other,
}

/// Texts that open whatever is in them.
const TEXTS: [&str; 11] = ["csv", "htm", "html", "ini", "json", "log", "md", "rtf", "tsv", "txt", "xml"];

/// What programs keep their entries in.
const DATABASES: [&str; 9] = ["accdb", "db", "db3", "dbf", "fdb", "mdb", "sdf", "sqlite", "sqlite3"];

impl Kind {
    /// The kind of a file of this name.
    pub(crate) fn of(name: &str) -> Self {
        let Some(extension) = extension(name) else { return Self::Other };
        if TEXTS.contains(&&*extension) {
            return Self::Text;
        }
        if DATABASES.contains(&&*extension) {
            return Self::Database;
        }
        match FileKind::of_name(name) {
            FileKind::Pictures => Self::Picture,
            FileKind::Films => Self::Video,
            FileKind::Music => Self::Music,
            FileKind::Documents => Self::Document,
            FileKind::Mail => Self::Mail,
            FileKind::Archives => Self::Archive,
            FileKind::Other | FileKind::System => Self::Other,
        }
    }

    /// What such files are called.
    pub(crate) fn word(self) -> &'static str {
        match self {
            Self::Picture => "picture",
            Self::Document => "document",
            Self::Text => "text",
            Self::Music => "sound",
            Self::Video => "film",
            Self::Archive => "packed file",
            Self::Mail => "mail",
            Self::Database => "database",
            Self::Other => "file",
        }
    }

    /// What may be seen of it if a part is missing.
    pub(crate) fn with_a_hole(self) -> &'static str {
        match self {
            Self::Picture => "The picture may show grey or coloured stripes from the hole on, or not open at all.",
            Self::Document => "The document may not open; a newer version or a printout may be elsewhere.",
            Self::Text => "The text opens; where the hole is, there are blanks or odd signs.",
            Self::Music => "It may play with a gap or stop at the hole.",
            Self::Video => {
                "The film may freeze or stop at the hole; if its beginning or end is missing, it may not play."
            }
            Self::Archive => "It may not unpack, or only some of what is packed in it.",
            Self::Mail => "The mail program may not open it; its repair tool may get most of the mails out of it.",
            Self::Database => {
                "The program may not open it, or show some entries wrongly: compare before you rely on it."
            }
            Self::Other => "The program that made it may not open it, or show a part of it wrongly.",
        }
    }
}

/// The extension of a name in lower case, if it has one.
pub(crate) fn extension(name: &str) -> Option<String> {
    let name = name.rsplit('/').next().unwrap_or(name);
    let (stem, extension) = name.rsplit_once('.')?;
    (!stem.is_empty()).then(|| extension.to_ascii_lowercase())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_tell_the_kind() {
        for (name, kind) in [
            ("/Users/Choir/IMG_0001.JPG", Kind::Picture),
            ("cash book.csv", Kind::Text),
            ("annual.report.odt", Kind::Document),
            ("members.mdb", Kind::Database),
            ("choir.pst", Kind::Mail),
            (".jpg", Kind::Other),
            ("/a.zip/README", Kind::Other),
            ("jpg", Kind::Other),
            ("", Kind::Other),
        ] {
            assert_eq!(Kind::of(name), kind, "{name}");
        }
    }
}
