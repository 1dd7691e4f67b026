//! What the type codes of partition tables stand for.
//!
//! Sources: the type list of `sfdisk` 2.38 (`sfdisk --list-types`) for every code; Microsoft, "Disk Partition Types" and
//! `PARTITION_INFORMATION_GPT`, for those of Windows. The names are ours, in the words that the fields share.

use super::{Guid, TypeCode};

/// What a partition is for, by its type code alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// It holds a volume, or nothing says otherwise.
    Data,
    /// The computer starts from it.
    Start,
    /// It brings back the system as it was delivered, or mends it.
    Recovery,
    /// It holds no filesystem by design.
    Reserved,
    /// It is the container of logical partitions.
    Extended,
    /// It stands in the MBR so that old programs leave the GPT alone.
    Protective,
    /// It is a part of a Windows dynamic disk.
    DynamicDisk,
    /// It is a part of a Windows storage pool.
    StorageSpaces,
}

/// A known type code.
#[derive(Debug)]
pub(super) struct Known {
    pub(super) name: &'static str,
    pub(super) purpose: Purpose,
}

/// The entry for a code, if it is a known one.
pub(super) fn lookup(code: TypeCode) -> Option<&'static Known> {
    match code {
        TypeCode::Mbr(code) => MBR.iter().find(|(one, _)| *one == code).map(|(_, known)| known),
        TypeCode::Gpt(guid) => GPT.iter().find(|(one, _)| *one == guid).map(|(_, known)| known),
    }
}

const fn known(name: &'static str, purpose: Purpose) -> Known {
    Known { name, purpose }
}

const MBR: &[(u8, Known)] = &[
    (0x01, known("FAT12", Purpose::Data)),
    (0x04, known("FAT16, small", Purpose::Data)),
    (0x05, known("extended", Purpose::Extended)),
    (0x06, known("FAT16", Purpose::Data)),
    (0x07, known("NTFS or exFAT", Purpose::Data)),
    (0x0b, known("FAT32", Purpose::Data)),
    (0x0c, known("FAT32 (LBA)", Purpose::Data)),
    (0x0e, known("FAT16 (LBA)", Purpose::Data)),
    (0x0f, known("extended (LBA)", Purpose::Extended)),
    (0x11, known("hidden FAT12", Purpose::Data)),
    (0x12, known("vendor diagnostics", Purpose::Recovery)),
    (0x14, known("hidden FAT16, small", Purpose::Data)),
    (0x16, known("hidden FAT16", Purpose::Data)),
    (0x17, known("hidden NTFS", Purpose::Data)),
    (0x1b, known("hidden FAT32", Purpose::Data)),
    (0x1c, known("hidden FAT32 (LBA)", Purpose::Data)),
    (0x1e, known("hidden FAT16 (LBA)", Purpose::Data)),
    (0x27, known("Windows recovery", Purpose::Recovery)),
    (0x42, known("dynamic disk", Purpose::DynamicDisk)),
    (0x82, known("Linux swap", Purpose::Data)),
    (0x83, known("Linux", Purpose::Data)),
    (0x85, known("Linux extended", Purpose::Extended)),
    (0x8e, known("Linux LVM", Purpose::Data)),
    (0xa5, known("FreeBSD", Purpose::Data)),
    (0xa6, known("OpenBSD", Purpose::Data)),
    (0xa8, known("Apple UFS", Purpose::Data)),
    (0xa9, known("NetBSD", Purpose::Data)),
    (0xab, known("Apple boot", Purpose::Start)),
    (0xaf, known("HFS or HFS+", Purpose::Data)),
    (0xde, known("vendor utility", Purpose::Recovery)),
    (0xee, known("GPT protective", Purpose::Protective)),
    (0xef, known("EFI system", Purpose::Start)),
    (0xfd, known("Linux RAID", Purpose::Data)),
];

const GPT: &[(Guid, Known)] = &[
    // C12A7328-F81F-11D2-BA4B-00A0C93EC93B
    (
        Guid::from_groups(0xC12A_7328, 0xF81F, 0x11D2, [0xba, 0x4b, 0x00, 0xa0, 0xc9, 0x3e, 0xc9, 0x3b]),
        known("EFI system", Purpose::Start),
    ),
    // BFBFAFE7-A34F-448A-9A5B-6213EB736C22
    (
        Guid::from_groups(0xBFBF_AFE7, 0xA34F, 0x448A, [0x9a, 0x5b, 0x62, 0x13, 0xeb, 0x73, 0x6c, 0x22]),
        known("vendor boot", Purpose::Start),
    ),
    // F4019732-066E-4E12-8273-346C5641494F
    (
        Guid::from_groups(0xF401_9732, 0x066E, 0x4E12, [0x82, 0x73, 0x34, 0x6c, 0x56, 0x41, 0x49, 0x4f]),
        known("vendor boot", Purpose::Start),
    ),
    // BC13C2FF-59E6-4262-A352-B275FD6F7172
    (
        Guid::from_groups(0xBC13_C2FF, 0x59E6, 0x4262, [0xa3, 0x52, 0xb2, 0x75, 0xfd, 0x6f, 0x71, 0x72]),
        known("Linux boot", Purpose::Start),
    ),
    // DE94BBA4-06D1-4D40-A16A-BFD50179D6AC
    (
        Guid::from_groups(0xDE94_BBA4, 0x06D1, 0x4D40, [0xa1, 0x6a, 0xbf, 0xd5, 0x01, 0x79, 0xd6, 0xac]),
        known("Windows recovery", Purpose::Recovery),
    ),
    // 426F6F74-0000-11AA-AA11-00306543ECAC
    (
        Guid::from_groups(0x426F_6F74, 0x0000, 0x11AA, [0xaa, 0x11, 0x00, 0x30, 0x65, 0x43, 0xec, 0xac]),
        known("Apple boot and recovery", Purpose::Recovery),
    ),
    // E3C9E316-0B5C-4DB8-817D-F92DF00215AE
    (
        Guid::from_groups(0xE3C9_E316, 0x0B5C, 0x4DB8, [0x81, 0x7d, 0xf9, 0x2d, 0xf0, 0x02, 0x15, 0xae]),
        known("Microsoft reserved", Purpose::Reserved),
    ),
    // 21686148-6449-6E6F-744E-656564454649
    (
        Guid::from_groups(0x2168_6148, 0x6449, 0x6E6F, [0x74, 0x4e, 0x65, 0x65, 0x64, 0x45, 0x46, 0x49]),
        known("BIOS boot", Purpose::Reserved),
    ),
    // D3BFE2DE-3DAF-11DF-BA40-E3A556D89593
    (
        Guid::from_groups(0xD3BF_E2DE, 0x3DAF, 0x11DF, [0xba, 0x40, 0xe3, 0xa5, 0x56, 0xd8, 0x95, 0x93]),
        known("fast start store", Purpose::Reserved),
    ),
    // 8DA63339-0007-60C0-C436-083AC8230908
    (
        Guid::from_groups(0x8DA6_3339, 0x0007, 0x60C0, [0xc4, 0x36, 0x08, 0x3a, 0xc8, 0x23, 0x09, 0x08]),
        known("Linux reserved", Purpose::Reserved),
    ),
    // 5808C8AA-7E8F-42E0-85D2-E1E90434CFB3
    (
        Guid::from_groups(0x5808_C8AA, 0x7E8F, 0x42E0, [0x85, 0xd2, 0xe1, 0xe9, 0x04, 0x34, 0xcf, 0xb3]),
        known("dynamic disk database", Purpose::Reserved),
    ),
    // AF9B60A0-1431-4F62-BC68-3311714A69AD
    (
        Guid::from_groups(0xAF9B_60A0, 0x1431, 0x4F62, [0xbc, 0x68, 0x33, 0x11, 0x71, 0x4a, 0x69, 0xad]),
        known("dynamic disk data", Purpose::DynamicDisk),
    ),
    // E75CAF8F-F680-4CEE-AFA3-B001E56EFC2D
    (
        Guid::from_groups(0xE75C_AF8F, 0xF680, 0x4CEE, [0xaf, 0xa3, 0xb0, 0x01, 0xe5, 0x6e, 0xfc, 0x2d]),
        known("Storage Spaces", Purpose::StorageSpaces),
    ),
    // EBD0A0A2-B9E5-4433-87C0-68B6B72699C7
    (
        Guid::from_groups(0xEBD0_A0A2, 0xB9E5, 0x4433, [0x87, 0xc0, 0x68, 0xb6, 0xb7, 0x26, 0x99, 0xc7]),
        known("Windows data", Purpose::Data),
    ),
    // 0FC63DAF-8483-4772-8E79-3D69D8477DE4
    (
        Guid::from_groups(0x0FC6_3DAF, 0x8483, 0x4772, [0x8e, 0x79, 0x3d, 0x69, 0xd8, 0x47, 0x7d, 0xe4]),
        known("Linux data", Purpose::Data),
    ),
    // 933AC7E1-2EB4-4F13-B844-0E14E2AEF915
    (
        Guid::from_groups(0x933A_C7E1, 0x2EB4, 0x4F13, [0xb8, 0x44, 0x0e, 0x14, 0xe2, 0xae, 0xf9, 0x15]),
        known("Linux home", Purpose::Data),
    ),
    // 4F68BCE3-E8CD-4DB1-96E7-FBCAF984B709
    (
        Guid::from_groups(0x4F68_BCE3, 0xE8CD, 0x4DB1, [0x96, 0xe7, 0xfb, 0xca, 0xf9, 0x84, 0xb7, 0x09]),
        known("Linux system (x86-64)", Purpose::Data),
    ),
    // 3B8F8425-20E0-4F3B-907F-1A25A76F98E8
    (
        Guid::from_groups(0x3B8F_8425, 0x20E0, 0x4F3B, [0x90, 0x7f, 0x1a, 0x25, 0xa7, 0x6f, 0x98, 0xe8]),
        known("Linux server data", Purpose::Data),
    ),
    // 0657FD6D-A4AB-43C4-84E5-0933C84B4F4F
    (
        Guid::from_groups(0x0657_FD6D, 0xA4AB, 0x43C4, [0x84, 0xe5, 0x09, 0x33, 0xc8, 0x4b, 0x4f, 0x4f]),
        known("Linux swap", Purpose::Data),
    ),
    // E6D6D379-F507-44C2-A23C-238F2A3DF928
    (
        Guid::from_groups(0xE6D6_D379, 0xF507, 0x44C2, [0xa2, 0x3c, 0x23, 0x8f, 0x2a, 0x3d, 0xf9, 0x28]),
        known("Linux LVM", Purpose::Data),
    ),
    // A19D880F-05FC-4D3B-A006-743F0F84911E
    (
        Guid::from_groups(0xA19D_880F, 0x05FC, 0x4D3B, [0xa0, 0x06, 0x74, 0x3f, 0x0f, 0x84, 0x91, 0x1e]),
        known("Linux RAID", Purpose::Data),
    ),
    // 48465300-0000-11AA-AA11-00306543ECAC
    (
        Guid::from_groups(0x4846_5300, 0x0000, 0x11AA, [0xaa, 0x11, 0x00, 0x30, 0x65, 0x43, 0xec, 0xac]),
        known("HFS or HFS+", Purpose::Data),
    ),
    // 7C3457EF-0000-11AA-AA11-00306543ECAC
    (
        Guid::from_groups(0x7C34_57EF, 0x0000, 0x11AA, [0xaa, 0x11, 0x00, 0x30, 0x65, 0x43, 0xec, 0xac]),
        known("APFS", Purpose::Data),
    ),
    // 53746F72-6167-11AA-AA11-00306543ECAC
    (
        Guid::from_groups(0x5374_6F72, 0x6167, 0x11AA, [0xaa, 0x11, 0x00, 0x30, 0x65, 0x43, 0xec, 0xac]),
        known("Core Storage", Purpose::Data),
    ),
];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_code_is_listed_once() {
        for (index, (code, _)) in MBR.iter().enumerate() {
            assert!(MBR[..index].iter().all(|(other, _)| other < code), "{code:#x}");
        }
        for (index, (guid, _)) in GPT.iter().enumerate() {
            assert!(GPT[..index].iter().all(|(other, _)| other != guid), "{guid}");
        }
    }

    #[test]
    fn codes_are_found_by_their_bytes_on_disk() {
        // Bytes as sfdisk 2.38 writes them.
        let recovery = [0xa4, 0xbb, 0x94, 0xde, 0xd1, 0x06, 0x40, 0x4d, 0xa1, 0x6a, 0xbf, 0xd5, 0x01, 0x79, 0xd6, 0xac];
        let code = TypeCode::Gpt(Guid::from_disk(recovery));
        assert_eq!((code.name(), code.purpose()), (Some("Windows recovery"), Purpose::Recovery));
        assert_eq!(TypeCode::Mbr(0x85).purpose(), Purpose::Extended);
        assert_eq!((TypeCode::Mbr(0x3c).name(), TypeCode::Mbr(0x3c).purpose()), (None, Purpose::Data));
    }
}
