//! What a rule of the don't-forget list is made of.

use serde::Serialize;

/// What a rule is about, in the order of the list.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Topic {
    /// Mail, address books and calendars.
    Mail,
    /// Bookmarks and saved passwords.
    Browsers,
    /// Backups of phones, and what phones say to each other.
    Phones,
    /// Books, taxes, databases.
    Business,
    /// Pictures, music and films that a program keeps as one thing.
    Collections,
    /// Notes.
    Notes,
    /// Keys, passwords, and what can't be opened without them.
    Keys,
    /// Whole computers, games and other programs' things.
    Programs,
    /// Folders and copies outside of people's own.
    Places,
}

impl Topic {
    /// What people call it.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Self::Mail => "Mail, contacts and calendars",
            Self::Browsers => "Browsers: bookmarks and saved passwords",
            Self::Phones => "Phones and messages",
            Self::Business => "Books, taxes and databases",
            Self::Collections => "Collections of pictures, music and films",
            Self::Notes => "Notes",
            Self::Keys => "Keys, passwords, and what needs them",
            Self::Programs => "Programs' own things",
            Self::Places => "Other places",
        }
    }
}

/// How something is handed over so that it is of use.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum HandOver {
    /// Each file is of use by itself.
    Files,
    /// Only the whole folder, or all of the files together, is of use.
    Together,
    /// It is a copy of what a service keeps: signing in there brings it back.
    Account,
    /// It is of no use without a key or password that is not in it.
    Key,
    /// Ask the customer whether it is wanted.
    Ask,
}

impl HandOver {
    /// What to do, as a sentence; empty where nothing is to be minded.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::Files => "",
            Self::Together => "Copy it as a whole, never single files out of it.",
            Self::Account => "Write the account down.",
            Self::Key => "Ask for the key or the password.",
            Self::Ask => "Ask whether it is wanted.",
        }
    }
}

/// How something is recognised. Patterns are the end of a path in plain names (lower case, composed), with `*` for any
/// characters of one name; one that begins with `/` is a whole path.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Mark {
    /// A folder.
    Folder(&'static str),
    /// A folder, the first pattern, in which something stands directly, by the second.
    FolderWith(&'static str, &'static str),
    /// Files; those of one folder are one hit.
    File(&'static str),
    /// What has been thrown away.
    RecycleBin,
    /// A folder in the root that is large and nobody's.
    LargeInRoot,
    /// Files whose content never was on the drive.
    Absent,
    /// Files that are encrypted by the filesystem.
    Locked,
}

/// A rule of the list.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rule {
    /// Its name in documents.
    pub(super) id: &'static str,
    pub(super) topic: Topic,
    /// What it is, as people say it.
    pub(super) what: &'static str,
    pub(super) marks: &'static [Mark],
    /// Fewer files than this are not worth a word.
    pub(super) least: u64,
    /// Whether it also counts inside folders of installed programs, which bring samples along.
    pub(super) in_programs: bool,
    /// Whether its files are one hit wherever they stand.
    pub(super) gathered: bool,
    /// Whether what it holds is no hit of its own.
    pub(super) closed: bool,
    /// Names of which the second must be there if the first is.
    pub(super) pairs: &'static [(&'static str, &'static str)],
    /// Why it is easily forgotten, or matters.
    pub(super) reason: &'static str,
    /// What to tell the customer.
    pub(super) say: &'static str,
    pub(super) hand_over: HandOver,
}

impl Rule {
    /// What most rules have in common.
    pub(super) const BASE: Self = Self {
        id: "",
        topic: Topic::Places,
        what: "",
        marks: &[],
        least: 1,
        in_programs: true,
        gathered: false,
        closed: true,
        pairs: &[],
        reason: "",
        say: "",
        hand_over: HandOver::Files,
    };
}
