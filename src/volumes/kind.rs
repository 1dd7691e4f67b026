//! The kinds of volumes that are recognised and not read, each with a plain sentence and what to do.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// What a recognised kind means for the files in it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Class {
    /// The bytes are there, their meaning isn't: a key or password is needed.
    Locked,
    /// It is a part of something that spans several volumes or drives.
    Container,
    /// A filesystem.
    Filesystem,
    /// It holds no files.
    NoFiles,
}

const KEY_ASK: &str = "Ask the customer for the 48-digit recovery key (it may be in their Microsoft account, on a \
     printout, or with the administrator at work) and unlock a copy of the image with it.";
const LUKS_ASK: &str = "Ask the customer for the passphrase or the key file, and open a copy of the image with it on a \
     Linux computer.";
const OPEN_ELSEWHERE: &str = "Open a copy of the image, read-only, on a computer that knows this filesystem.";
const RAID_ASK: &str = "Ask the customer for the other drives of the set, take images of all of them, and assemble \
     copies of those on a Linux computer.";

macro_rules! kinds {
    ($($(#[doc = $doc:literal])+ $variant:ident => $word:literal, $class:ident, $what:literal, $sentence:literal, $ask:expr;)+) => {
        /// A kind of volume.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Kind {
            $($(#[doc = $doc])+ $variant,)+
        }

        impl Kind {
            /// All kinds, in the order of the type.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// The word used in files.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The kind that a word of files names.
            #[must_use]
            pub fn from_word(word: &str) -> Option<Self> {
                match word { $($word => Some(Self::$variant),)+ _ => None }
            }

            /// What it means for the files in it.
            #[must_use]
            pub fn class(self) -> Class {
                match self { $(Self::$variant => Class::$class,)+ }
            }

            /// What it is, as a noun with its article.
            #[must_use]
            pub fn what(self) -> &'static str {
                match self { $(Self::$variant => $what,)+ }
            }

            /// What it is in a table, whether or not it can be opened.
            #[must_use]
            pub fn name(self) -> &'static str {
                match self {
                    Self::Ntfs => "NTFS",
                    Self::Fat12 => "FAT12",
                    Self::Fat16 => "FAT16",
                    Self::Fat32 => "FAT32",
                    Self::ExFat => "exFAT",
                    _ => self.what(),
                }
            }

            /// What it is, as a sentence for people.
            #[must_use]
            pub fn sentence(self) -> &'static str {
                match self { $(Self::$variant => $sentence,)+ }
            }

            /// What to ask the customer for, or to do next.
            #[must_use]
            pub fn ask(self) -> &'static str {
                match self { $(Self::$variant => $ask,)+ }
            }
        }
    };
}

kinds! {
    /// BitLocker on a fixed disk.
    BitLocker => "bitlocker", Locked, "a BitLocker volume",
        "Windows has encrypted this volume with BitLocker.", KEY_ASK;
    /// BitLocker on a removable disk.
    BitLockerToGo => "bitlocker-to-go", Locked, "a BitLocker To Go volume",
        "Windows has encrypted this removable volume with BitLocker To Go.", KEY_ASK;
    /// LUKS version 1.
    Luks1 => "luks1", Locked, "a LUKS1 volume", "Linux has encrypted this volume (LUKS, version 1).", LUKS_ASK;
    /// LUKS version 2.
    Luks2 => "luks2", Locked, "a LUKS2 volume", "Linux has encrypted this volume (LUKS, version 2).", LUKS_ASK;
    /// Apple Core Storage, which FileVault 2 lies on.
    CoreStorage => "corestorage", Locked, "a Core Storage volume",
        "A Mac keeps a Core Storage group here; most often that is a volume encrypted with FileVault.",
        "Ask the customer for the Mac's login password or the FileVault recovery key (24 letters and digits), and open \
         a copy of the image on a Mac.";
    /// Apple File System.
    Apfs => "apfs", Filesystem, "an APFS container",
        "A newer Mac keeps its volumes here (APFS); they may be encrypted with FileVault.",
        "Open a copy of the image, read-only, on a Mac; ask the customer for the login password or the FileVault \
         recovery key in case it is locked.";
    /// HFS Plus.
    HfsPlus => "hfsplus", Filesystem, "an HFS+ volume", "An older Mac keeps its files here (HFS+).", OPEN_ELSEWHERE;
    /// HFS Plus that tells upper from lower case.
    Hfsx => "hfsx", Filesystem, "an HFSX volume",
        "An older Mac keeps its files here (HFS+ that tells upper from lower case).", OPEN_ELSEWHERE;
    /// HFS.
    Hfs => "hfs", Filesystem, "an HFS volume", "A very old Mac keeps its files here (HFS).", OPEN_ELSEWHERE;
    /// ext2.
    Ext2 => "ext2", Filesystem, "an ext2 volume", "Linux keeps its files here (ext2).", OPEN_ELSEWHERE;
    /// ext3.
    Ext3 => "ext3", Filesystem, "an ext3 volume", "Linux keeps its files here (ext3).", OPEN_ELSEWHERE;
    /// ext4.
    Ext4 => "ext4", Filesystem, "an ext4 volume", "Linux keeps its files here (ext4).", OPEN_ELSEWHERE;
    /// XFS.
    Xfs => "xfs", Filesystem, "an XFS volume", "Linux keeps its files here (XFS).", OPEN_ELSEWHERE;
    /// Btrfs.
    Btrfs => "btrfs", Filesystem, "a Btrfs volume",
        "Linux keeps its files here (Btrfs); it may span several drives.",
        "Open a copy of the image, read-only, on a Linux computer; ask the customer whether there were more drives.";
    /// NTFS that its reader could not open.
    Ntfs => "ntfs", Filesystem, "an NTFS volume that could not be opened",
        "Windows keeps its files here (NTFS), but what says where they lie could not be read.",
        "Try to read the volume's first and last sectors and its file table again.";
    /// ReFS.
    Refs => "refs", Filesystem, "a ReFS volume", "Windows Server keeps its files here (ReFS).",
        "Open a copy of the image, read-only, on a Windows computer that knows ReFS.";
    /// exFAT that its reader could not open.
    ExFat => "exfat", Filesystem, "an exFAT volume that could not be opened",
        "A camera, phone or stick keeps its files here (exFAT), but its boot sector contradicts itself, and so does its \
         backup.", OPEN_ELSEWHERE;
    /// FAT12 that its reader could not open.
    Fat12 => "fat12", Filesystem, "a FAT12 volume that could not be opened",
        "A floppy disk or small stick keeps its files here (FAT12), but its boot sector contradicts itself.", OPEN_ELSEWHERE;
    /// FAT16 that its reader could not open.
    Fat16 => "fat16", Filesystem, "a FAT16 volume that could not be opened",
        "An old or small drive keeps its files here (FAT16), but its boot sector contradicts itself.", OPEN_ELSEWHERE;
    /// FAT32 that its reader could not open.
    Fat32 => "fat32", Filesystem, "a FAT32 volume that could not be opened",
        "A stick, camera or start volume keeps its files here (FAT32), but its boot sector contradicts itself.",
        OPEN_ELSEWHERE;
    /// UDF.
    Udf => "udf", Filesystem, "a UDF volume", "A disc or disc image keeps its files here (UDF).", OPEN_ELSEWHERE;
    /// ISO 9660.
    Iso9660 => "iso9660", Filesystem, "an ISO 9660 volume", "A disc image keeps its files here (ISO 9660).", OPEN_ELSEWHERE;
    /// A physical volume of LVM.
    Lvm => "lvm", Container, "an LVM physical volume",
        "Linux has divided this space again with LVM; the files lie in logical volumes inside it, perhaps over several drives.",
        "Ask the customer whether there were more drives, and activate a copy of the image on a Linux computer.";
    /// Linux RAID, superblock 0.90 at the end.
    Raid090 => "raid-0.90", Container, "a Linux RAID member (0.90)",
        "This is one member of a Linux RAID set (superblock 0.90).", RAID_ASK;
    /// Linux RAID, superblock 1.0 at the end.
    Raid10 => "raid-1.0", Container, "a Linux RAID member (1.0)",
        "This is one member of a Linux RAID set (superblock 1.0).", RAID_ASK;
    /// Linux RAID, superblock 1.1 at the start.
    Raid11 => "raid-1.1", Container, "a Linux RAID member (1.1)",
        "This is one member of a Linux RAID set (superblock 1.1).", RAID_ASK;
    /// Linux RAID, superblock 1.2, 4 KiB from the start.
    Raid12 => "raid-1.2", Container, "a Linux RAID member (1.2)",
        "This is one member of a Linux RAID set (superblock 1.2).", RAID_ASK;
    /// A Windows dynamic disk.
    DynamicDisk => "dynamic-disk", Container, "a part of a dynamic disk",
        "Windows manages this drive as a dynamic disk; its volumes may span several drives.",
        "Ask the customer whether there were more drives, take images of all of them, and attach copies to a Windows \
         computer together.";
    /// A Windows storage pool.
    StorageSpaces => "storage-spaces", Container, "a part of a storage pool",
        "Windows has put this drive into a storage pool (Storage Spaces) with others.",
        "Ask the customer for the other drives of the pool, take images of all of them, and attach copies to a Windows \
         computer together.";
    /// Linux swap.
    Swap => "swap", NoFiles, "Linux swap", "Linux used this as an extension of its memory; it holds no files.",
        "Nothing is needed from it.";
    /// Linux swap that a sleeping system wrote itself to.
    HibernatedSwap => "hibernated-swap", NoFiles, "Linux swap with a hibernated system",
        "A Linux system went to sleep into this swap space; what it had not yet written to its other volumes is only in here.",
        "Treat this drive's Linux volumes as they were at that moment: their newest files may be older than the \
         customer remembers.";
}

impl Serialize for Kind {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.word())
    }
}

impl<'de> Deserialize<'de> for Kind {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let word = String::deserialize(deserializer)?;
        Self::from_word(&word).ok_or_else(|| serde::de::Error::custom("no kind of volume has this word"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_kind_says_what_it_is_and_what_to_do() {
        let words: std::collections::BTreeSet<&str> = Kind::ALL.iter().map(|kind| kind.word()).collect();
        assert_eq!(words.len(), Kind::ALL.len());
        for kind in Kind::ALL {
            assert_eq!(Kind::from_word(kind.word()), Some(*kind));
            assert!(kind.sentence().ends_with('.') && kind.ask().ends_with('.'), "{kind:?}");
            assert!(!kind.what().ends_with('.') && !kind.what().is_empty(), "{kind:?}");
        }
    }
}
