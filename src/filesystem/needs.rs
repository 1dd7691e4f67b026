//! Metadata that is not there, and on which chosen files and folders depend: what another imaging pass should try first.

use std::ops::Range;

use enumset::EnumSetType;
use serde::Serialize;

use crate::bytes::round_up;
use crate::catalog::ObjectId;
use crate::source::{Missing, SMALLEST_SECTOR, Source};

/// What stands in a range that is wanted.
#[derive(Debug, EnumSetType, PartialOrd, Ord, Hash, Serialize)]
#[enumset(repr = "u16")]
#[serde(rename_all = "kebab-case")]
pub enum NeededStructure {
    /// The partition table, or a link of it.
    PartitionTable,
    /// A volume's boot sector.
    BootSector,
    /// What says where the table of file records lies.
    TableDescription,
    /// Records of files.
    FileRecord,
    /// The list of a file's further records.
    AttributeList,
    /// A folder's list of names.
    FolderList,
    /// Links from cluster to cluster.
    AllocationTable,
    /// Content of files.
    Content,
}

impl NeededStructure {
    /// The word used in files.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::PartitionTable => "partition-table",
            Self::BootSector => "boot-sector",
            Self::TableDescription => "table-description",
            Self::FileRecord => "file-record",
            Self::AttributeList => "attribute-list",
            Self::FolderList => "folder-list",
            Self::AllocationTable => "allocation-table",
            Self::Content => "content",
        }
    }
}

/// A range that is not there and that something chosen depends on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Need {
    /// Bytes of the volume.
    pub range: Range<u64>,
    /// Why they are not there: tried in vain, or not tried yet.
    pub why: Missing,
    /// What stands there.
    pub structure: NeededStructure,
    /// For whom; `None` if nobody knows yet whose it is.
    pub object: Option<ObjectId>,
    /// Whether something chosen is not whole or not complete without it. Of the others it can't be told: they may
    /// belong to something chosen.
    pub certain: bool,
}

impl Need {
    fn goes_on_in(&self, next: &Self) -> bool {
        self.range.end == next.range.start
            && (self.why, self.structure, self.object, self.certain)
                == (next.why, next.structure, next.object, next.certain)
    }
}

/// What is chosen on a volume.
#[derive(Debug, Clone, Copy)]
pub struct Chosen<'a> {
    /// Files, streams, links and folders, each once; of a folder also all that is below it.
    pub objects: &'a [ObjectId],
    /// Folders in which something that was asked for may have stood: a name is looked for in their lists, and nothing
    /// else of them matters.
    pub lists: &'a [ObjectId],
    /// The folders above them, whose lists are of no matter.
    pub above: &'a [ObjectId],
}

/// All that is needed.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Needs {
    /// In no order; ranges may overlap.
    pub list: Vec<Need>,
    /// How many names may stand in it at the most that no folder shows yet.
    pub names: u64,
    /// Bytes that are needed and lie after the image's end.
    pub past_end: u64,
}

impl Needs {
    /// Adds what of a range of `source` is not there. What was read needs nothing.
    pub(crate) fn add(
        &mut self,
        source: &Source,
        range: Range<u64>,
        structure: NeededStructure,
        object: Option<ObjectId>,
        certain: bool,
    ) {
        let length = range.end.saturating_sub(range.start);
        for hole in source.reality(range.start, length).holes {
            if hole.why == Missing::PastEnd {
                self.past_end = self.past_end.saturating_add(hole.range.end.saturating_sub(hole.range.start));
                continue;
            }
            let need = Need { range: hole.range, why: hole.why, structure, object, certain };
            // A whole table in a hole is one need and not a million.
            match self.list.last_mut() {
                Some(last) if last.goes_on_in(&need) => last.range.end = need.range.end,
                _ => self.list.push(need),
            }
        }
    }

    /// Adds the first bytes of each cluster of `cluster` bytes in a run of clusters, where they are not there: a folder
    /// may open in them.
    pub(crate) fn openings(&mut self, source: &Source, run: Range<u64>, cluster: u64) {
        for hole in source.reality(run.start, run.end.saturating_sub(run.start)).holes {
            // By the holes and not by the clusters: of those there may be any number.
            let mut at = run.start.saturating_add(round_up(hole.range.start.saturating_sub(run.start), cluster));
            // A cluster that begins before the hole has its first bytes, or an earlier hole has them.
            while at < hole.range.end && hole.why != Missing::PastEnd {
                let end = at.saturating_add(SMALLEST_SECTOR).min(hole.range.end);
                self.add(source, at..end, NeededStructure::FolderList, None, false);
                at = at.saturating_add(cluster.max(1));
            }
        }
    }
}
