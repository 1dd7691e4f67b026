//! What is in a volume, by its signatures and, for what has none, by its partition type.

use serde::Serialize;

use super::kind::{Class, Kind};
use super::probe::Probe;
use super::signatures::{COPIES, ENDINGS, OPENINGS, Signature};
use crate::partition::{Purpose, TypeCode};

/// Something that is known, and not read.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Recognised {
    /// The kind.
    pub kind: Kind,
    /// What the kind means for the files in it.
    pub class: Class,
    /// What it is, as a noun with its article.
    pub what: &'static str,
    /// What it is, as a sentence for people.
    pub sentence: &'static str,
    /// What to ask the customer for, or to do next.
    pub ask: &'static str,
}

impl From<Kind> for Recognised {
    fn from(kind: Kind) -> Self {
        Self { kind, class: kind.class(), what: kind.what(), sentence: kind.sentence(), ask: kind.ask() }
    }
}

/// Why nothing was recognised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Unknown {
    /// Partitions of this type hold no filesystem.
    ByDesign,
    /// It lies after the image's end.
    PastEnd,
    /// Its first sectors lie where the drive gave nothing.
    FirstSectorsUnread,
    /// Its first sectors were read, but not every place where a signature may stand.
    PartlyUnread,
    /// Its opening holds only zeros.
    Blank,
    /// There are bytes, but no signature that we know.
    NoSignature,
}

impl Unknown {
    /// What it means and what to do, as a sentence.
    #[must_use]
    pub fn sentence(self) -> &'static str {
        match self {
            Self::ByDesign => "It holds no filesystem by design.",
            Self::PastEnd => "It lies after the image's end: compare the image's length with the drive's label.",
            Self::FirstSectorsUnread => {
                "Its first sectors were not read, so what it holds can't be told; read them again, and its last ones."
            }
            Self::PartlyUnread => {
                "No filesystem was recognised, but some of the places that would show one were not read; read them again."
            }
            Self::Blank => "It opens with nothing but zeros: nothing was ever written here, or it was wiped.",
            Self::NoSignature => {
                "Nothing that we know begins here: its boot sector may be destroyed, or it is encrypted as a whole; \
                 ask the customer what it was used for."
            }
        }
    }
}

/// What the type code alone decides: containers whose parts begin with anything.
pub(super) fn by_type(code: Option<TypeCode>) -> Option<Kind> {
    match code?.purpose() {
        Purpose::DynamicDisk => Some(Kind::DynamicDisk),
        Purpose::StorageSpaces => Some(Kind::StorageSpaces),
        _ => None,
    }
}

/// What the volume's opening shows.
pub(super) fn by_opening(probe: &Probe<'_>) -> Option<Kind> {
    first_match(probe, OPENINGS)
}

/// What second copies near its start show, when its opening shows nothing and no reader knows it.
pub(super) fn by_copies(probe: &Probe<'_>) -> Option<Kind> {
    first_match(probe, COPIES)
}

/// What its end shows, when nothing else does.
pub(super) fn by_ending(probe: &Probe<'_>) -> Option<Kind> {
    first_match(probe, ENDINGS)
}

fn first_match(probe: &Probe<'_>, signatures: &[Signature]) -> Option<Kind> {
    signatures.iter().find_map(|signature| {
        let at = (signature.place)(probe.length())?;
        if probe.has(at, signature.magic) { (signature.kind)(probe, at) } else { None }
    })
}

/// Why nothing was recognised. `by_design` is what the partition type says.
pub(super) fn why_unknown(probe: &Probe<'_>, in_image: u64, by_design: bool) -> Unknown {
    if in_image == 0 {
        Unknown::PastEnd
    } else if by_design {
        Unknown::ByDesign
    } else if probe.first_sectors_have_holes() {
        Unknown::FirstSectorsUnread
    } else if probe.has_holes() {
        Unknown::PartlyUnread
    } else if probe.is_blank() {
        Unknown::Blank
    } else {
        Unknown::NoSignature
    }
}
