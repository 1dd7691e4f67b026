//! Where volumes lie by the partition table: MBR with its chain of logical partitions, GPT with its two copies, or none.
//!
//! The parsers are short and tolerant. Whatever is wrong with a table is a finding and costs what it describes; a part
//! that lies where the drive gave nothing makes the list of partitions incomplete, unless the other copy has it.

#![cfg_attr(
    not(test),
    deny(clippy::expect_used, clippy::indexing_slicing, clippy::arithmetic_side_effects, clippy::as_conversions)
)]

pub(crate) mod boot_sector;
pub mod capacity;
pub mod cross_check;
#[cfg(test)]
pub(crate) mod example_disk;
mod gpt;
mod gpt_array;
mod gpt_copy;
mod gpt_header;
mod gpt_loose;
mod guid;
mod mbr;
mod sector_size;
mod types;

use std::fmt;

use serde::{Serialize, Serializer};

pub use guid::Guid;
pub use types::Purpose;

use crate::bytes::to_u64;
use crate::catalog::{FindingKind, Findings};
use crate::error::{Error, Result};
use crate::source::Source;

/// Logical sectors are never smaller than this, in bytes.
const SMALLEST_SECTOR: u64 = 512;
/// Logical sectors of drives are never larger than this, in bytes.
const LARGEST_SECTOR: u64 = 4096;
/// What one table may hold: the largest plausible GPT array is far smaller, and a garbage table must end.
const MAX_PARTITIONS: usize = 8192;

/// The kind of a partition table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Scheme {
    /// No table was found: one filesystem may fill the whole image.
    None,
    /// Master boot record.
    Mbr,
    /// GUID partition table.
    Gpt,
}

/// On whose word the sector size stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum SectorSizeFrom {
    /// The table, or the volumes found where it points, show it.
    Found,
    /// The caller set it.
    Set,
    /// Nothing shows it; 512 is the usual one.
    Assumed,
}

/// A partition's type as the table gives it. It is a hint: what the volume holds decides.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum TypeCode {
    /// The type byte of an MBR entry.
    Mbr(u8),
    /// The type GUID of a GPT entry.
    Gpt(Guid),
}

impl TypeCode {
    /// What the code stands for; `None` for an unlisted one.
    #[must_use]
    pub fn name(self) -> Option<&'static str> {
        types::lookup(self).map(|known| known.name)
    }

    /// What a partition of this type is for.
    #[must_use]
    pub fn purpose(self) -> Purpose {
        types::lookup(self).map_or(Purpose::Data, |known| known.purpose)
    }
}

impl fmt::Display for TypeCode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Mbr(code) => write!(f, "{code:02x}"),
            Self::Gpt(guid) => guid.fmt(f),
        }
    }
}

impl Serialize for TypeCode {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// One entry of a table.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Partition {
    /// MBR: 1 to 4 by slot, logical ones from 5 in the order of their chain. GPT: the entry's place, from 1.
    pub number: u32,
    /// First byte, relative to the image.
    pub start: u64,
    /// Length in bytes, as the table says it; it may reach past the image's end.
    pub length: u64,
    /// The type.
    pub code: TypeCode,
    /// The name that a GPT entry bears.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The partition's own GUID (GPT).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub id: Option<Guid>,
    /// MBR: flagged active. GPT: legacy BIOS bootable.
    pub bootable: bool,
    /// A logical partition inside an extended one.
    pub logical: bool,
    /// Where its entry stands, in bytes from the image's start.
    pub entry_offset: u64,
}

impl Partition {
    /// Whether it is the container of logical partitions, and no volume itself.
    #[must_use]
    pub fn is_extended(&self) -> bool {
        self.code.purpose() == Purpose::Extended
    }

    /// The byte after its last, relative to the image.
    #[must_use]
    pub fn end(&self) -> u64 {
        self.start.saturating_add(self.length)
    }
}

/// Which number marks the drive itself.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub enum DiskId {
    /// The disk signature of an MBR.
    Mbr(u32),
    /// The disk GUID of a GPT.
    Gpt(Guid),
}

impl fmt::Display for DiskId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Mbr(id) => write!(f, "{id:#010x}"),
            Self::Gpt(guid) => guid.fmt(f),
        }
    }
}

/// What independent readers say of a table that this one found sound.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum CrossCheck {
    /// They see the same partitions.
    Agrees,
    /// They see something else, or refuse the table; this is a finding too.
    Differs(String),
    /// It lies outside what they read; why.
    NotCheckable(String),
    /// The table has findings of its own, or there is none.
    NotAsked,
}

/// A partition table.
#[derive(Debug, Clone, Serialize)]
pub struct Table {
    /// Its kind.
    pub scheme: Scheme,
    /// Logical sector size of the drive in bytes: a hole of the image takes whole ones.
    pub sector_size: u64,
    /// On whose word.
    pub sector_size_from: SectorSizeFrom,
    /// Bytes in the sectors that the table counts in. It differs from the drive's if an adapter showed the drive with larger
    /// sectors than it has when it was partitioned, and the caller says how large they are.
    pub unit: u64,
    /// The drive's own number.
    pub disk_id: Option<DiskId>,
    /// By number.
    pub partitions: Vec<Partition>,
    /// Whether no partition can be missing: every part of the table was read, or the other copy has it.
    pub complete: bool,
    /// What independent readers say.
    pub cross_check: CrossCheck,
    /// What was found.
    pub findings: Findings,
    /// Where the header of the copy that counts stands, in bytes (GPT).
    #[serde(skip)]
    header: Option<u64>,
}

impl Table {
    fn empty(scheme: Scheme, sector_size: u64, sector_size_from: SectorSizeFrom) -> Self {
        Self {
            scheme,
            sector_size,
            sector_size_from,
            unit: sector_size,
            disk_id: None,
            partitions: Vec::new(),
            complete: true,
            cross_check: CrossCheck::NotAsked,
            findings: Findings::default(),
            header: None,
        }
    }

    /// Notes a finding after which partitions may be missing.
    fn lose(&mut self, kind: FindingKind, offset: u64, detail: impl Into<String>) {
        self.complete = false;
        self.findings.add(kind, Some(offset), None, || detail);
    }

    fn note(&mut self, kind: FindingKind, offset: u64, detail: impl Into<String>) {
        self.findings.add(kind, Some(offset), None, || detail);
    }

    /// Whether somebody vouches for every sector that says where a partition lies; `source` is the drive's image.
    #[must_use]
    pub fn is_vouched_for(&self, partition: &Partition, source: &Source) -> bool {
        let known = |offset: u64, length: u64| !source.reality(offset, length).unknown;
        // A logical partition hangs on every link before its own.
        let chain = self
            .partitions
            .iter()
            .filter(|one| partition.logical && (one.is_extended() || (one.logical && one.number < partition.number)));
        // The header of a GPT says where its entries are. Entries without one stand for themselves, as those of an MBR do.
        let header = self.header.is_none_or(|offset| known(offset, self.unit));
        // The fields that say where a GPT's partition lies end at byte 48 of its entry.
        let entry = if matches!(partition.code, TypeCode::Gpt(_)) { 48 } else { 16 };
        header && known(partition.entry_offset, entry) && chain.into_iter().all(|one| known(one.entry_offset, 16))
    }

    fn sectors(&self, count: u64) -> Option<u64> {
        count.checked_mul(self.unit)
    }
}

/// Reads the partition table of a drive's image. `sector_size` overrides what the image shows.
///
/// # Errors
/// [`Error::Usage`] for a sector size that drives don't have; [`Error::ImageIo`] when the image file can't be read.
pub fn read(source: &Source, sector_size: Option<u64>) -> Result<Table> {
    if let Some(size) = sector_size
        && !(size.is_power_of_two() && (SMALLEST_SECTOR..=LARGEST_SECTOR).contains(&size))
    {
        return Err(Error::Usage(format!(
            "`{size}` is no sector size of a drive; use 512 or 4096 (1024 and 2048 are read too)"
        )));
    }
    let seen = sector_size::find(source)?;
    let (size, from) = sector_size.map_or((seen.size, seen.from), |size| (size, SectorSizeFrom::Set));
    // A drive gives a sector or nothing, so holes grow to whole sectors before the table is read.
    let source = &source.with_sector_size(size);
    let mut table = Table::empty(Scheme::None, size, from);
    seen.enter(&mut table);
    let mut table = table_of(source, table)?;
    if !source.length().is_multiple_of(SMALLEST_SECTOR) {
        table.findings.add(FindingKind::ImageOddLength, Some(source.length()), None, || {
            format!("{} bytes; compare with the drive's label", source.length())
        });
    }
    check_places(&mut table, source.length());
    table.cross_check = cross_check::run(source, &table)?;
    if let CrossCheck::Differs(what) = &table.cross_check {
        let what = what.clone();
        table.findings.add(FindingKind::TableReadersDiffer, None, None, || what);
    }
    Ok(table)
}

/// Decides which table counts.
///
/// A GPT counts if the MBR has its protective entry, or if the MBR's sector gives no other table. An ordinary MBR, or
/// the boot sector of a filesystem that fills the image, makes a GPT elsewhere a leftover: whoever partitions or
/// formats a used drive anew need not wipe the backup copy at its end.
fn table_of(source: &Source, mut table: Table) -> Result<Table> {
    let sector = mbr::Sector::read(source)?;
    let gpt = gpt::Found::read(source, table.unit, sector.protective_length())?;
    match &sector {
        mbr::Sector::Unread => {
            table.lose(FindingKind::TableUnread, 0, "sector 0, where every table begins; read it again");
            if gpt.any_header().is_some() || gpt.has_loose_entries() {
                gpt.fill(source, &mut table)?;
            }
        }
        mbr::Sector::Table(mbr) if mbr.is_protective() => {
            mbr.check_protective(&mut table, source.length());
            gpt.fill(source, &mut table)?;
            if table.partitions.is_empty() && !table.complete {
                // A hybrid table still names what it mirrors.
                mbr.fill(source, &mut table)?;
                table.partitions.retain(|partition| partition.code.purpose() != Purpose::Protective);
            }
        }
        mbr::Sector::Table(mbr) if mbr.has_entries() => {
            if let Some(offset) = gpt.any_header() {
                table.note(FindingKind::GptLeftover, offset, "the ordinary MBR entries count");
            }
            mbr.fill(source, &mut table)?;
        }
        mbr::Sector::Filesystem(_) if !gpt.primary_sound() => {
            if let Some(offset) = gpt.any_header() {
                table.note(FindingKind::GptLeftover, offset, "the image opens with a filesystem's boot sector");
            }
        }
        _ => {
            let left = gpt.any_header().is_some() || gpt.has_loose_entries();
            if gpt.any_sound() || (left && !matches!(sector, mbr::Sector::Filesystem(_))) {
                table.note(FindingKind::ProtectiveMissing, 0, "the GPT is read all the same");
                gpt.fill(source, &mut table)?;
            } else if let mbr::Sector::Table(mbr) = &sector {
                mbr.fill(source, &mut table)?;
            } else if matches!(sector, mbr::Sector::Garbled) {
                let why = "sector 0 ends like an MBR, but its entries make no sense";
                table.lose(FindingKind::PartitionEntryBad, 0, why);
            }
        }
    }
    table.partitions.sort_by_key(|partition| partition.number);
    Ok(table)
}

/// Notes partitions that overlap or reach past the image's end.
fn check_places(table: &mut Table, image_length: u64) {
    let mut by_start: Vec<&Partition> = table.partitions.iter().filter(|one| !one.is_extended()).collect();
    by_start.sort_by_key(|partition| (partition.start, partition.number));
    let mut furthest: Option<&Partition> = None;
    for partition in by_start {
        if let Some(before) = furthest.filter(|before| partition.start < before.end()) {
            let number = Some(u64::from(partition.number));
            table.findings.add(FindingKind::PartitionOverlap, Some(partition.start), number, || {
                let until = before.end().min(partition.end());
                let (one, other) = (before.number, partition.number);
                format!("partitions {one} and {other} share {:#x} to {until:#x}", partition.start)
            });
        }
        if furthest.is_none_or(|before| before.end() < partition.end()) {
            furthest = Some(partition);
        }
    }
    for partition in table.partitions.iter().filter(|partition| partition.end() > image_length) {
        let number = Some(u64::from(partition.number));
        table.findings.add(FindingKind::PartitionPastEnd, Some(partition.entry_offset), number, || {
            let missing = partition.end().saturating_sub(image_length.max(partition.start));
            format!("partition {}: {missing} of its {} bytes lie after the end", partition.number, partition.length)
        });
    }
}

/// Reads `length` bytes at `offset`, `None` if any of them is not there.
fn read_real(source: &Source, offset: u64, length: usize) -> Result<Option<Vec<u8>>> {
    if offset.checked_add(to_u64(length)).is_none_or(|end| end > source.length()) {
        return Ok(None);
    }
    Ok(source.read_real(offset, length)?.map(|(bytes, _)| bytes))
}

#[cfg(test)]
mod gpt_tests;
#[cfg(test)]
mod tests;
