//! What it means for a file that a part of it is missing, by what kind of file it is.
//!
//! The kinds go by the name's extension alone, from memory of what programs call their files: this only chooses a
//! sentence.

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

/// Extensions by kind, in lower case.
const EXTENSIONS: [(Kind, &[&str]); 8] = [
    (
        Kind::Picture,
        &[
            "arw", "avif", "bmp", "cr2", "cr3", "dib", "dng", "gif", "heic", "heif", "jfif", "jpe", "jpeg", "jpg",
            "nef", "nrw", "orf", "pef", "png", "psd", "raf", "rw2", "sr2", "srw", "tif", "tiff", "webp",
        ],
    ),
    (
        Kind::Document,
        &[
            "doc", "docm", "docx", "dot", "dotx", "key", "numbers", "odg", "odp", "ods", "odt", "ott", "pages", "pdf",
            "pps", "ppsx", "ppt", "pptx", "pub", "wpd", "wps", "xls", "xlsm", "xlsx",
        ],
    ),
    (Kind::Text, &["csv", "htm", "html", "ini", "json", "log", "md", "rtf", "tsv", "txt", "vcf", "xml"]),
    (Kind::Music, &["aac", "aif", "aiff", "flac", "m4a", "mid", "midi", "mp3", "ogg", "opus", "wav", "wma"]),
    (
        Kind::Video,
        &["3gp", "avi", "flv", "m2ts", "m4v", "mkv", "mov", "mp4", "mpeg", "mpg", "mts", "vob", "webm", "wmv"],
    ),
    (Kind::Archive, &["7z", "bz2", "gz", "iso", "rar", "tar", "tgz", "xz", "zip"]),
    (Kind::Mail, &["dbx", "eml", "mbox", "mbx", "msf", "msg", "ost", "pst"]),
    (Kind::Database, &["accdb", "db", "db3", "dbf", "fdb", "mdb", "sdf", "sqlite", "sqlite3"]),
];

impl Kind {
    /// The kind of a file of this name.
    pub(crate) fn of(name: &str) -> Self {
        let Some(extension) = extension(name) else { return Self::Other };
        let found = EXTENSIONS.iter().find(|(_, extensions)| extensions.contains(&&*extension));
        found.map_or(Self::Other, |(kind, _)| *kind)
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
            (".jpg", Kind::Other),
            ("/a.zip/README", Kind::Other),
            ("jpg", Kind::Other),
            ("", Kind::Other),
        ] {
            assert_eq!(Kind::of(name), kind, "{name}");
        }
    }

    #[test]
    fn extensions_are_listed_once_and_in_lower_case() {
        let mut all: Vec<&str> = EXTENSIONS.iter().flat_map(|(_, extensions)| extensions.iter().copied()).collect();
        let count = all.len();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), count);
        assert!(all.iter().all(|extension| *extension == extension.to_ascii_lowercase()));
    }
}
