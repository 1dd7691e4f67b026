//! Facts about an image, a volume or a file that stop nothing.

use std::collections::BTreeMap;

use serde::Serialize;

/// How many findings of one kind are kept with their offsets; the rest are counted. A garbage volume has a million.
pub(super) const KEPT: usize = 20;

macro_rules! finding_kinds {
    ($($(#[doc = $doc:literal])+ $variant:ident => $word:literal,)+) => {
        /// What was found. The doc line of each is the sentence shown to people.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum FindingKind {
            $($(#[doc = $doc])+ $variant,)+
        }

        impl FindingKind {
            /// All kinds, in the order of the type.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// The word used in files.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// What it means, as a sentence.
            #[must_use]
            pub fn sentence(self) -> &'static str {
                match self { $(Self::$variant => concat!($($doc),+).trim_ascii_start(),)+ }
            }
        }
    };
}

finding_kinds! {
    /// The image's length is not a multiple of 512 bytes: it may have been cut short.
    ImageOddLength => "image_odd_length",
    /// A part of the partition table lies where the drive gave nothing.
    TableUnread => "table_unread",
    /// A partition entry points after the image's end.
    PartitionPastEnd => "partition_past_end",
    /// Two partitions overlap.
    PartitionOverlap => "partition_overlap",
    /// A partition entry contradicts itself.
    PartitionEntryBad => "partition_entry_bad",
    /// The chain of logical partitions is broken: partitions after this link may be missing.
    LogicalChainBroken => "logical_chain_broken",
    /// The chain of logical partitions runs in a loop.
    LogicalChainLoop => "logical_chain_loop",
    /// The protective entry before a GPT has another length than the drive.
    ProtectiveLength => "protective_length",
    /// The drive has a GPT and ordinary MBR entries beside the protective one.
    HybridTable => "hybrid_table",
    /// A GPT header is damaged.
    GptHeaderBad => "gpt_header_bad",
    /// A GPT entry array is damaged.
    GptArrayBad => "gpt_array_bad",
    /// The two copies of the GPT differ.
    GptCopiesDiffer => "gpt_copies_differ",
    /// The backup copy of the GPT was used.
    GptBackupUsed => "gpt_backup_used",
    /// The GPT was made for a drive of another length than the image.
    GptOtherLength => "gpt_other_length",
    /// Both headers of the GPT are gone: partitions come from entries that no header vouches for.
    GptArrayAlone => "gpt_array_alone",
    /// A partition table counts in sectors of another size than the drive's.
    TableOtherSectorSize => "table_other_sector_size",
    /// The drive has a GPT without the protective entry before it.
    ProtectiveMissing => "protective_missing",
    /// A GPT of an earlier use of the drive is still there. It is not used.
    GptLeftover => "gpt_leftover",
    /// An independent reader of partition tables sees this table otherwise.
    TableReadersDiffer => "table_readers_differ",
    /// The volume reaches past the image's end.
    VolumePastEnd => "volume_past_end",
    /// The volume was not closed properly: its newest files may be older than the customer remembers.
    VolumeDirty => "volume_dirty",
    /// Windows was hibernated or fast start-up was on: what it had not yet written is not on the drive.
    VolumeHibernated => "volume_hibernated",
    /// The backup boot sector was used.
    BackupBootUsed => "backup_boot_used",
    /// Every copy of the boot sector is lost: how the volume is laid out was found from its other structures.
    HeadRebuilt => "head_rebuilt",
    /// How the volume is laid out is not proven: nothing on it is called whole.
    GeometryDoubtful => "geometry_doubtful",
    /// The file table was put together from the records that were found; its end is not known.
    TableRebuilt => "table_rebuilt",
    /// The boot sector and its backup differ.
    BootSectorsDiffer => "boot_sectors_differ",
    /// The mirror of the file table's first records was used.
    MirrorUsed => "mirror_used",
    /// The mirror of the file table's first records says something else than they do.
    MirrorDiffers => "mirror_differs",
    /// A part of the file table was placed by a record that the table's own list does not name any more.
    TablePartFound => "table_part_found",
    /// A part of the file table can't be placed: what it described is missing.
    TablePartLost => "table_part_lost",
    /// A file record lies where the drive gave nothing.
    RecordUnread => "record_unread",
    /// A file record is damaged.
    RecordDamaged => "record_damaged",
    /// A file record says another number than its place has.
    RecordOtherNumber => "record_other_number",
    /// The file table's bitmap calls a record in use, and the record itself does not.
    RecordNotInUse => "record_not_in_use",
    /// A part of a file record can't be used.
    AttributeBad => "attribute_bad",
    /// An extension record of a file is missing or belongs to another file.
    ExtensionMissing => "extension_missing",
    /// An extension record is in use, and the file that it names does not list it.
    ExtensionUnlisted => "extension_unlisted",
    /// A file's list of where its bytes lie is damaged.
    RunsBad => "runs_bad",
    /// The folder of a file is lost or is no folder any more.
    ParentLost => "parent_lost",
    /// Folders stand in one another in a loop.
    FolderLoop => "folder_loop",
    /// A folder has a second name, which no folder can have.
    FolderSecondName => "folder_second_name",
    /// A folder stands too deep below the root to be walked to.
    FolderTooDeep => "folder_too_deep",
    /// A folder's own list and the records of its files disagree.
    IndexDisagrees => "index_disagrees",
    /// A folder's own list was not read whole, so names of lost records may be missing.
    IndexPartlyRead => "index_partly_read",
    /// A file has lost names, or has none that could be read.
    NameLost => "name_lost",
    /// The volume calls itself FAT32 and has so few clusters that it should be FAT12 or FAT16.
    FewClusters => "few_clusters",
    /// The allocation table is too short for the volume: its last clusters have no entry.
    TableTooShort => "table_too_short",
    /// A part of the allocation table lies where the drive gave nothing; the copy was used where it could be.
    AllocationTableUnread => "allocation_table_unread",
    /// The allocation tables differ.
    AllocationTablesDiffer => "allocation_tables_differ",
    /// The second allocation table was never kept up. It is not used.
    SecondTableUnused => "second_table_unused",
    /// An allocation table does not open as one.
    AllocationTableBad => "allocation_table_bad",
    /// The volume says that only one of its allocation tables is kept up.
    OneTableActive => "one_table_active",
    /// The volume's note of its free space is damaged or wrong; it is only a hint.
    FreeSpaceHint => "free_space_hint",
    /// The system that used the volume met errors on the drive.
    VolumeErrors => "volume_errors",
    /// Clusters of the volume are set aside as bad.
    BadClusters => "bad_clusters",
    /// The volume's label in the boot sector and in the root folder differ.
    LabelsDiffer => "labels_differ",
    /// A file's chain of clusters runs in a loop.
    ChainLoop => "chain_loop",
    /// A file's chain of clusters leads to a free cluster, a bad one, or one that does not exist.
    ChainBroken => "chain_broken",
    /// A file's chain of clusters ends before its size is reached.
    ChainShort => "chain_short",
    /// A file has more clusters than its size needs.
    ChainLong => "chain_long",
    /// A link of a file's chain of clusters lies where the drive gave nothing.
    ChainUnread => "chain_unread",
    /// Two files or folders claim the same clusters.
    ChainsCross => "chains_cross",
    /// A file's first cluster can't be one.
    FirstClusterBad => "first_cluster_bad",
    /// A part of a folder's list lies where the drive gave nothing.
    FolderPartlyRead => "folder_partly_read",
    /// A folder's own list contradicts itself.
    FolderEntryBad => "folder_entry_bad",
    /// A folder's references to itself and to the folder above are wrong or missing.
    FolderDotsBad => "folder_dots_bad",
    /// A folder's list goes on after its end mark, or past the longest that a list can be.
    FolderListLong => "folder_list_long",
    /// Two entries of a folder have the same name.
    DuplicateName => "duplicate_name",
    /// A long name belongs to no entry.
    LongNameOrphaned => "long_name_orphaned",
    /// A part of a long name is lost: the file is shown under its short name.
    LongNameLost => "long_name_lost",
    /// A folder that no other folder names was found by its own list.
    LostFolderFound => "lost_folder_found",
    /// The checksum over the boot sectors is wrong.
    BootChecksumWrong => "boot_checksum_wrong",
    /// The checksum over the boot sectors could not be checked: a part of them was not read.
    BootChecksumUnread => "boot_checksum_unread",
    /// The allocation bitmap, or a part of it, was not read: what it would show of files was not checked.
    BitmapPartlyRead => "bitmap_partly_read",
    /// The allocation bitmap has another size than the volume.
    BitmapBad => "bitmap_bad",
    /// The volume's table of capital letters can't be used: the hashes of names were not checked.
    UpcaseUnusable => "upcase_unusable",
    /// The entries of a file in a folder's list are damaged.
    EntrySetBad => "entry_set_bad",
    /// A name has characters that no name may have.
    NameInvalid => "name_invalid",
    /// A name and the hash of it disagree.
    NameHashWrong => "name_hash_wrong",
}

impl Serialize for FindingKind {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

/// One fact.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Finding {
    /// What was found.
    pub kind: FindingKind,
    /// Absolute byte offset in the image, where there is one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<u64>,
    /// The number of the structure (record, entry), where it has one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub number: Option<u64>,
    /// What exactly, in words; may be empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub detail: String,
}

/// The findings of one kind.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// The first ones.
    pub first: Vec<Finding>,
    /// How many there are in all.
    pub count: u64,
}

/// Findings by kind, each kind with a cap.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Findings(BTreeMap<FindingKind, Kept>);

impl Findings {
    /// Notes a fact. `detail` is asked only if the finding is kept.
    pub fn add<D: Into<String>>(
        &mut self,
        kind: FindingKind,
        offset: Option<u64>,
        number: Option<u64>,
        detail: impl FnOnce() -> D,
    ) {
        let kept = self.0.entry(kind).or_default();
        kept.count = kept.count.saturating_add(1);
        if kept.first.len() < KEPT {
            kept.first.push(Finding { kind, offset, number, detail: detail().into() });
        }
    }

    /// Adds the findings of another stage.
    pub fn extend(&mut self, other: Self) {
        for (kind, more) in other.0 {
            let kept = self.0.entry(kind).or_default();
            kept.count = kept.count.saturating_add(more.count);
            let room = KEPT.saturating_sub(kept.first.len());
            kept.first.extend(more.first.into_iter().take(room));
        }
    }

    /// The kinds found, in the order of the type.
    pub fn kinds(&self) -> impl Iterator<Item = (FindingKind, &Kept)> {
        self.0.iter().map(|(kind, kept)| (*kind, kept))
    }

    /// How many findings of a kind there are.
    #[must_use]
    pub fn count(&self, kind: FindingKind) -> u64 {
        self.0.get(&kind).map_or(0, |kept| kept.count)
    }

    /// Whether nothing was found.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl Serialize for Findings {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        #[derive(Serialize)]
        struct Kind<'a> {
            kind: FindingKind,
            means: &'static str,
            count: u64,
            first: &'a [Finding],
        }
        serializer.collect_seq(self.kinds().map(|(kind, kept)| Kind {
            kind,
            means: kind.sentence(),
            count: kept.count,
            first: &kept.first,
        }))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kind_is_counted_past_its_cap() {
        let mut findings = Findings::default();
        for number in 0..50 {
            findings.add(FindingKind::RecordDamaged, Some(number * 1024), Some(number), || "x");
        }
        let (_, kept) = findings.kinds().next().unwrap();
        assert_eq!((kept.count, kept.first.len()), (50, KEPT));
        let mut more = findings.clone();
        more.extend(findings);
        assert_eq!(more.count(FindingKind::RecordDamaged), 100);
    }

    #[test]
    fn words_are_unique_and_sentences_end() {
        let words: std::collections::BTreeSet<&str> = FindingKind::ALL.iter().map(|kind| kind.word()).collect();
        assert_eq!(words.len(), FindingKind::ALL.len());
        for kind in FindingKind::ALL {
            assert!(kind.sentence().ends_with('.') && !kind.sentence().starts_with(' '), "{kind:?}");
        }
    }
}
