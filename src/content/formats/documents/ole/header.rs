//! The header of a compound file ([MS-CFB] 2.2), and sectors by their number ([MS-CFB] 2.1).

use super::OPENING;
use crate::bytes::{le_u16, le_u32, to_u64};
use crate::content::formats::{Step, Subject, broken};

/// No sector is next ([MS-CFB] 2.1).
pub(super) const END_OF_CHAIN: u32 = 0xFFFF_FFFE;
/// The sector is free; in the table of tables: nothing here.
pub(super) const FREE: u32 = 0xFFFF_FFFF;
/// Numbers above are no sectors.
pub(super) const LARGEST: u32 = 0xFFFF_FFFA;

/// Entries of the table of tables that stand in the header.
const IN_HEADER: usize = 109;

/// A compound file's header.
pub(super) struct Header {
    /// Bytes of a sector: 512, or 4,096 from version 4 on.
    pub(super) sector: usize,
    pub(super) version: u16,
    /// Sectors of the file, the last one perhaps not whole.
    pub(super) sectors: u32,
    pub(super) tables: u32,
    pub(super) directory: u32,
    /// Streams below this length lie in mini sectors.
    pub(super) cutoff: u64,
    pub(super) mini_table: u32,
    pub(super) mini_tables: u32,
    pub(super) more_tables: u32,
    pub(super) first_tables: Vec<u32>,
}

impl Header {
    pub(super) fn read(subject: &Subject<'_>) -> Step<Self> {
        let head: [u8; 512] = subject.array(0)?;
        let short = |offset| le_u16(&head, offset).unwrap_or_default();
        let long = |offset| le_u32(&head, offset).unwrap_or_default();
        if !head.starts_with(&OPENING) {
            return broken(0, "it does not open as an OLE compound file");
        }
        let version = short(0x1a);
        let sector = match (version, short(0x1e)) {
            (3, 9) => 512,
            (4, 12) => 4096,
            _ => return broken(0x1a, "its version and sector size do not fit each other"),
        };
        if short(0x1c) != 0xFFFE || short(0x20) != 6 {
            return broken(0x1c, "its header is no compound file's");
        }
        let sectors = subject.size().saturating_sub(to_u64(sector)).div_ceil(to_u64(sector));
        let header = Self {
            sector,
            version,
            sectors: u32::try_from(sectors).unwrap_or(LARGEST).min(LARGEST),
            tables: long(0x2c),
            directory: long(0x30),
            cutoff: u64::from(long(0x38)),
            mini_table: long(0x3c),
            mini_tables: long(0x40),
            more_tables: long(0x44),
            first_tables: (0..IN_HEADER).map(|n| long(n.saturating_mul(4).saturating_add(0x4c))).collect(),
        };
        if header.cutoff != 0x1000 {
            return broken(0x38, "its header is no compound file's");
        }
        if header.tables > header.sectors {
            return broken(0x2c, "the file ends too early");
        }
        Ok(header)
    }

    /// Byte of the file at which a sector begins. The header takes the place of one.
    pub(super) fn place(&self, sector: u32) -> u64 {
        u64::from(sector).saturating_add(1).saturating_mul(to_u64(self.sector))
    }

    /// The numbers in a sector.
    pub(super) fn numbers(&self, subject: &Subject<'_>, sector: u32) -> Step<Vec<u32>> {
        let bytes = subject.bytes(self.place(sector), self.sector)?;
        Ok(bytes.chunks_exact(4).filter_map(|four| le_u32(four, 0)).collect())
    }
}
