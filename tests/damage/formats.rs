//! What is known of each format: its images, and what may come of damage to them. A new format is a line in [`FORMATS`].

use crate::fields::{self, Fields};

/// A format under the harness.
pub(crate) struct Format {
    /// What tables call it.
    pub(crate) name: &'static str,
    /// Images of one volume, for all sweeps.
    pub(crate) volumes: &'static [&'static str],
    /// Those of them that together have every structure; the fields are changed there.
    pub(crate) with_each_structure: &'static [&'static str],
    pub(crate) fields: &'static dyn Fields,
    /// Kinds of sectors that may spoil a file although they are not its own: structures without a second copy.
    pub(crate) files_may_suffer_from: &'static [&'static str],
    /// Folders likewise.
    pub(crate) folders_may_suffer_from: &'static [&'static str],
    /// Kinds of sectors without which the volume can't be opened.
    pub(crate) may_close: &'static [&'static str],
    /// Kinds of sectors that never make a wrong `whole` or `complete` even if they changed without a word: they carry
    /// check words, or have a copy.
    pub(crate) never_wrong: &'static [&'static str],
    /// Kinds of sectors of which a change is always noticed: a state, a folder, a finding or the unexplained bytes are
    /// other ones than before.
    pub(crate) always_noticed: &'static [&'static str],
}

pub(crate) const FORMATS: [Format; 3] = [NTFS, FAT, EXFAT];

/// Cluster sizes, a table in pieces, large records, every form of content.
const NTFS: Format = Format {
    name: "NTFS",
    volumes: &[
        "ntfs-c512",
        "ntfs-c4k",
        "ntfs-c64k",
        "ntfs-mftfrag",
        "ntfs-compressed-512",
        "ntfs-rec4k",
        "ntfs-attrlist",
        "ntfs-reparse",
        "ntfs-streams",
        "ntfs-wof-lzx",
        "ntfs-wof-xpress4k",
        "ntfs-wof-xpress8k",
        "ntfs-wof-xpress16k",
    ],
    with_each_structure: &[
        "ntfs-c512",
        "ntfs-compressed-512",
        "ntfs-rec4k",
        "ntfs-attrlist",
        "ntfs-reparse",
        "ntfs-streams",
    ],
    fields: &fields::ntfs::Ntfs,
    files_may_suffer_from: &["extension record of $MFT"],
    // There, and where a record is lost that may have stood in any folder whose own list was not read whole.
    folders_may_suffer_from: &["extension record of $MFT", "file record"],
    // A boot sector has a backup.
    may_close: &[],
    never_wrong: &[
        "boot sector",
        "backup boot sector",
        "file record",
        "root folder's record",
        "extension record",
        "$MFT's record 0",
        "record of the filesystem's own",
        "index block",
    ],
    always_noticed: &[
        "boot sector",
        "file record",
        "root folder's record",
        "extension record",
        "$MFT's record 0",
        "extension record of $MFT",
    ],
};

/// Cluster sizes, sectors of 4,096 bytes, chains in many pieces, and what the format allows and few write.
pub(crate) const EXFAT: Format = Format {
    name: "exFAT",
    volumes: &["exfat-c512", "exfat-c4k", "exfat-c32k", "exfat-s4k", "exfat-odd"],
    with_each_structure: &["exfat-c512", "exfat-odd"],
    fields: &fields::exfat::ExFat,
    files_may_suffer_from: &[],
    folders_may_suffer_from: &[],
    // The boot sectors have a backup.
    may_close: &[],
    never_wrong: &[
        "boot region",
        "backup boot region",
        "entries of a file",
        "entries of a folder",
        "folder's list",
        "table, links",
        "table, links of the volume's own",
        "allocation bitmap",
        "up-case table",
    ],
    always_noticed: &["boot region", "backup boot region", "entries of a file", "entries of a folder", "up-case table"],
};

/// Each width, sectors of every size, chains in many pieces. Nothing in FAT has a check word: what changed without a word
/// is noticed only where it contradicts something else.
pub(crate) const FAT: Format = Format {
    name: "FAT",
    volumes: &["fat12", "fat16", "fat32-few", "fat12-s1024", "fat16-s2048", "fat32-s4096", "fat16-frag", "fat16-stale"],
    with_each_structure: &["fat12", "fat16", "fat32-few"],
    fields: &fields::fat::Fat,
    // A second table that is of an earlier day and was not read can't disagree
    // any more: files and folders are better than before. That a folder is in force, only the list of the one above says:
    // without it the folder is found again, and all in it is doubtful.
    files_may_suffer_from: &["second allocation table", "folder", "root folder"],
    folders_may_suffer_from: &["second allocation table", "folder", "root folder"],
    // Tables and folders show where everything lies.
    may_close: &[],
    // There are copies.
    always_noticed: &["boot sector", "boot sector without a copy", "backup boot sector", "free space hint"],
    never_wrong: &[
        "boot sector",
        "boot sector without a copy",
        "backup boot sector",
        "free space hint",
        "reserved sector",
        "allocation table",
        "second allocation table",
    ],
};
