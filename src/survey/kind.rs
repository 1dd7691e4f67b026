//! Kinds of files as customers name them, by the ending of the name: what is lost is told by kind.

use serde::{Deserialize, Serialize};

use super::known;

/// A kind of files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum FileKind {
    /// Pictures, raw data of cameras among them.
    Pictures,
    /// Films.
    Films,
    /// Music and other sound.
    Music,
    /// Letters, tables, slides, books, plain text.
    Documents,
    /// Mail, address books and calendars.
    Mail,
    /// Archives and images of disks, which hold other files.
    Archives,
    /// Anything else of the customer's.
    Other,
    /// What belongs to the operating system and its programs, by where it stands.
    System,
}

impl FileKind {
    /// All, in the order of the type.
    pub const ALL: [Self; 8] = [
        Self::Pictures,
        Self::Films,
        Self::Music,
        Self::Documents,
        Self::Mail,
        Self::Archives,
        Self::Other,
        Self::System,
    ];

    /// The kind of a file with this name that is not the system's.
    #[must_use]
    pub fn of_name(name: &str) -> Self {
        let Some((_, ending)) = name.rsplit_once('.') else { return Self::Other };
        let ending = ending.to_lowercase();
        let lists = [
            (known::PICTURES, Self::Pictures),
            (known::FILMS, Self::Films),
            (known::MUSIC, Self::Music),
            (known::DOCUMENTS, Self::Documents),
            (known::MAIL, Self::Mail),
            (known::ARCHIVES, Self::Archives),
        ];
        lists.into_iter().find(|(list, _)| list.contains(&&*ending)).map_or(Self::Other, |(_, kind)| kind)
    }

    /// The kind that somebody means who writes this word; nobody chooses what belongs to the system.
    #[must_use]
    pub fn from_word(word: &str) -> Option<Self> {
        Some(match word {
            "pictures" | "photos" => Self::Pictures,
            "films" => Self::Films,
            "music" => Self::Music,
            "documents" => Self::Documents,
            "mail" => Self::Mail,
            "archives" => Self::Archives,
            "other" => Self::Other,
            _ => return None,
        })
    }

    /// The word for it where kinds are chosen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Pictures => "photos",
            Self::Films => "films",
            Self::Music => "music",
            Self::Documents => "documents",
            Self::Mail => "mail",
            Self::Archives => "archives",
            Self::Other => "other",
            Self::System => "system",
        }
    }

    /// What people call it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Pictures => "pictures",
            Self::Films => "films",
            Self::Music => "music and sound",
            Self::Documents => "documents",
            Self::Mail => "mail and contacts",
            Self::Archives => "archives",
            Self::Other => "other files",
            Self::System => "Windows and its programs",
        }
    }

    /// So many of it, as one says them aloud, without the number.
    #[must_use]
    pub fn noun(self, count: u64) -> &'static str {
        match (self, count) {
            (Self::Pictures, 1) => "picture",
            (Self::Films, 1) => "film",
            (Self::Music, 1) => "piece of music or sound",
            (Self::Music, _) => "pieces of music and sound",
            (Self::Documents, 1) => "document",
            (Self::Mail, 1) => "file of mail or contacts",
            (Self::Mail, _) => "files of mail and contacts",
            (Self::Archives, 1) => "archive",
            (Self::Other, 1) => "other file",
            (Self::System, 1) => "file of Windows and its programs",
            (Self::System, _) => "files of Windows and its programs",
            (Self::Pictures | Self::Films | Self::Documents | Self::Archives | Self::Other, _) => self.words(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_ending_says_the_kind_and_no_ending_is_of_two() {
        for (name, kind) in [
            ("Sommerfest.JPG", FileKind::Pictures),
            ("rehearsal.mp4", FileKind::Films),
            ("alto.mid", FileKind::Music),
            ("letter to the mayor.odt", FileKind::Documents),
            ("outlook.pst", FileKind::Mail),
            ("scores.zip", FileKind::Archives),
            ("LICENSE", FileKind::Other),
            ("jpg", FileKind::Other),
            ("a.jpg.bak", FileKind::Other),
            ("", FileKind::Other),
        ] {
            assert_eq!(FileKind::of_name(name), kind, "{name}");
        }
        let lists =
            [known::PICTURES, known::FILMS, known::MUSIC, known::DOCUMENTS, known::MAIL, known::ARCHIVES].concat();
        let each: std::collections::BTreeSet<_> = lists.iter().collect();
        assert_eq!(each.len(), lists.len());
        assert!(lists.iter().all(|ending| *ending == ending.to_lowercase()));
    }
}
