//! What a search found: places, and the evidence for each.

use std::ops::Range;

use serde::{Deserialize, Serialize};

use crate::filesystem::ntfs::headless::Geometry;
use crate::filesystem::{Evidence, Structure, Verdict, exfat, fat};
use crate::volumes::Kind;

/// Where a volume lies, and by what it is opened.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Place {
    /// A boot sector, or a backup of one, says so.
    BootSector {
        /// First byte, relative to the image.
        start: u64,
        /// Bytes.
        length: u64,
    },
    /// A superblock, or another head of a format that is only recognised.
    Superblock {
        /// First byte, relative to the image.
        start: u64,
        /// Bytes, where it says so.
        length: Option<u64>,
    },
    /// File records say so: both boot sectors of an NTFS volume are lost.
    NtfsHeadless(Geometry),
    /// Allocation tables and folders say so: every boot sector of a FAT volume is lost.
    FatHeadless {
        /// How it is laid out.
        geometry: fat::headless::Geometry,
        /// Bytes, at the most.
        length: u64,
    },
    /// The root folder and what it names say so: every boot sector of an exFAT volume is lost.
    ExFatHeadless {
        /// How it is laid out.
        geometry: exfat::headless::Geometry,
        /// Bytes, to within a few clusters.
        length: u64,
    },
}

impl Place {
    /// First byte, relative to the image.
    #[must_use]
    pub fn start(&self) -> u64 {
        match self {
            Self::BootSector { start, .. } | Self::Superblock { start, .. } => *start,
            Self::NtfsHeadless(geometry) => geometry.start,
            Self::FatHeadless { geometry, .. } => geometry.start,
            Self::ExFatHeadless { geometry, .. } => geometry.start,
        }
    }

    /// Bytes, where that is known.
    #[must_use]
    pub fn length(&self) -> Option<u64> {
        match self {
            Self::BootSector { length, .. } | Self::FatHeadless { length, .. } | Self::ExFatHeadless { length, .. } => {
                Some(*length)
            }
            Self::Superblock { length, .. } => *length,
            Self::NtfsHeadless(geometry) => geometry.total_is_known.then_some(geometry.total_bytes),
        }
    }

    /// For a place that no boot sector shows: whether its layout is proven.
    #[must_use]
    pub fn is_proven_without_head(&self) -> Option<bool> {
        match self {
            Self::BootSector { .. } | Self::Superblock { .. } => None,
            Self::NtfsHeadless(geometry) => Some(geometry.is_proven()),
            Self::FatHeadless { geometry, .. } => Some(geometry.is_proven()),
            Self::ExFatHeadless { geometry, .. } => Some(geometry.is_proven()),
        }
    }

    /// The byte after its last, relative to the image, where that is known.
    #[must_use]
    pub fn end(&self) -> Option<u64> {
        self.length().map(|length| self.start().saturating_add(length))
    }
}

/// How well a place is proven, from worst to best.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Proof {
    /// What must stand where it says was read and is not there, or the volume's first sector is another's by now.
    Disproven,
    /// There is a head and nothing else of the format that could be looked at.
    HeadOnly,
    /// What must stand where it says was not read.
    Open,
    /// At least one further structure stands where it says.
    Proven,
}

/// A place where a volume may be, with all that speaks for and against it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Candidate {
    /// Where.
    pub place: Place,
    /// What it is.
    pub kind: Kind,
    /// What was seen, in a fixed order.
    pub evidence: Vec<Evidence>,
    /// Whether the boot sector of another volume stands in its first sector: it was formatted over.
    pub formatted_over: bool,
}

impl Candidate {
    /// How well it is proven.
    #[must_use]
    pub fn proof(&self) -> Proof {
        if self.formatted_over { Proof::Disproven } else { self.proof_of_old() }
    }

    /// How well it is proven that a volume is there, or was until it was formatted over.
    pub(super) fn proof_of_old(&self) -> Proof {
        if let Some(proven) = self.place.is_proven_without_head() {
            return if proven { Proof::Proven } else { Proof::Open };
        }
        // What stands at a place that the head names shows the place. A checksum shows only the head, and is all that
        // some have; a root folder that can be one is often only a folder, and speaks beside an allocation table.
        let by_place = self.structures().any(|one| is_decisive(one.structure));
        let counts = |structure| !by_place || is_decisive(structure);
        let of = |verdict| self.structures().any(|one| counts(one.structure) && one.verdict == verdict);
        if of(Verdict::Stands) {
            Proof::Proven
        } else if of(Verdict::Unread) || (by_place && self.stands(Structure::RootFolder)) {
            Proof::Open
        } else if of(Verdict::Absent) {
            Proof::Disproven
        } else {
            Proof::HeadOnly
        }
    }

    /// The evidence beside the copies of the head itself.
    fn structures(&self) -> impl Iterator<Item = &Evidence> {
        self.evidence.iter().filter(|one| {
            !matches!(one.structure, Structure::FirstCopy | Structure::BackupCopy | Structure::StatedPlace)
        })
    }

    /// Whether a structure was seen to stand.
    #[must_use]
    pub fn stands(&self, structure: Structure) -> bool {
        self.evidence.iter().any(|one| one.structure == structure && one.verdict == Verdict::Stands)
    }

    /// What decides between two places that overlap: the better one is the greater.
    pub(super) fn rank(&self) -> (Proof, bool, bool, bool, usize, u64) {
        (
            self.proof(),
            self.stands(Structure::StatedPlace),
            self.stands(Structure::FirstCopy),
            self.stands(Structure::BackupCopy),
            self.structures().filter(|one| one.verdict == Verdict::Stands).count(),
            self.place.length().unwrap_or(0),
        )
    }

    /// The bytes it takes up, where its length is known.
    pub(super) fn range(&self) -> Option<Range<u64>> {
        Some(self.place.start()..self.place.end()?)
    }
}

fn is_decisive(structure: Structure) -> bool {
    use Structure::{AllocationTable, FileTable, FileTableMirror, Neighbour};
    matches!(structure, FileTable | FileTableMirror | AllocationTable | Neighbour)
}

/// What a search brought.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Found {
    /// In the order of the image.
    pub candidates: Vec<Candidate>,
    /// Bytes that were looked at.
    pub bytes_read: u64,
    /// Bytes in which a volume's head may stand unseen: the drive did not give them.
    pub bytes_not_read: u64,
    /// How many sectors that look like heads, or places, were left out because there were too many of one sort.
    pub left_out: u64,
}

impl Found {
    /// Whether every byte of the image was looked at and nothing was left out.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.bytes_not_read == 0 && self.left_out == 0
    }
}
