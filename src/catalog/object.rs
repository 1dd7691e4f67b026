//! What a filesystem keeps once.

use enumset::{EnumSet, EnumSetType};
use serde::Serialize;

use super::{Completeness, Facts, Incomplete, ObjectId, Timestamp, Zone};

/// What an object is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ObjectKind {
    /// A file; its unnamed stream where a file has several.
    File,
    /// A folder.
    Folder,
    /// A link of any kind: recorded, never followed.
    Link,
    /// An alternate stream or resource fork of another object.
    Stream,
    /// Something that has no content of its own: a device, a socket.
    Other,
}

impl ObjectKind {
    /// The word used in files and on screen.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::File => "file",
            Self::Folder => "folder",
            Self::Link => "link",
            Self::Stream => "stream",
            Self::Other => "other",
        }
    }
}

/// What a filesystem notes about an object, one bit each.
#[derive(Debug, EnumSetType, Serialize)]
#[enumset(repr = "u16")]
#[serde(rename_all = "snake_case")]
pub enum Attribute {
    /// Not to be changed.
    ReadOnly,
    /// Not shown by default.
    Hidden,
    /// Belongs to the operating system.
    System,
    /// Kept compressed by the filesystem.
    Compressed,
    /// Has ranges that were never written.
    Sparse,
    /// Kept encrypted by the filesystem.
    Encrypted,
    /// A cloud program keeps (part of) the content elsewhere.
    Cloud,
    /// Made by this library to have a place for objects whose folder is not known.
    Virtual,
    /// The creation time is local and its zone is not known.
    CreatedLocal,
    /// The modification time is local and its zone is not known.
    ModifiedLocal,
}

/// No time is stored.
const NO_TIME: i64 = i64::MIN;

/// A file, folder, link or stream.
#[derive(Debug, Clone)]
pub struct Object {
    /// What it is.
    pub kind: ObjectKind,
    /// The filesystem's own number of it; see [`super::AddressKind`].
    pub locator: u64,
    /// For a stream: the object it belongs to.
    pub owner: Option<ObjectId>,
    /// Size in bytes; 0 for a folder.
    pub size: u64,
    /// Bytes it takes on the volume.
    pub allocated: u64,
    /// What the filesystem notes about it.
    pub attributes: EnumSet<Attribute>,
    /// What its state is made from.
    pub facts: Facts,
    /// The lowest byte of the volume that content comes from, 0 if there is none: the order in which files are best
    /// read.
    pub place: u64,
    /// For a folder: why its list of names is not all there.
    pub incomplete: EnumSet<Incomplete>,
    created: i64,
    modified: i64,
}

impl Object {
    /// An object without size or times that nobody has examined yet: its reader says what it is worth.
    #[must_use]
    pub const fn new(kind: ObjectKind, locator: u64) -> Self {
        Self {
            kind,
            locator,
            owner: None,
            size: 0,
            allocated: 0,
            attributes: EnumSet::empty(),
            facts: Facts::UNEXAMINED,
            place: 0,
            incomplete: EnumSet::empty(),
            created: NO_TIME,
            modified: NO_TIME,
        }
    }

    /// Sets the times.
    pub fn set_times(&mut self, created: Option<Timestamp>, modified: Option<Timestamp>) {
        self.created = created.map_or(NO_TIME, |time| time.ticks);
        self.modified = modified.map_or(NO_TIME, |time| time.ticks);
        for (time, bit) in [(created, Attribute::CreatedLocal), (modified, Attribute::ModifiedLocal)] {
            if time.is_some_and(|time| time.zone == Zone::Unknown) {
                self.attributes.insert(bit);
            }
        }
    }

    fn time(&self, ticks: i64, local: Attribute) -> Option<Timestamp> {
        let zone = if self.attributes.contains(local) { Zone::Unknown } else { Zone::Utc };
        (ticks != NO_TIME).then_some(Timestamp { ticks, zone })
    }

    /// When it was created.
    #[must_use]
    pub fn created(&self) -> Option<Timestamp> {
        self.time(self.created, Attribute::CreatedLocal)
    }

    /// When its content was last changed.
    #[must_use]
    pub fn modified(&self) -> Option<Timestamp> {
        self.time(self.modified, Attribute::ModifiedLocal)
    }

    /// For a folder: whether its list of names is all there.
    #[must_use]
    pub fn completeness(&self) -> Completeness {
        let doubted = self.facts.unlocated.is_some() || !self.facts.distrust.is_empty() || !self.facts.gaps.is_empty();
        if doubted || !self.incomplete.is_empty() {
            Completeness::Incomplete
        } else if self.facts.unknown {
            Completeness::Unproven
        } else {
            Completeness::Complete
        }
    }
}
