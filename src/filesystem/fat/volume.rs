//! Opening a volume: boot sector or its backup, tables, and the facts that the volume tells of itself.

use super::Fat;
use super::block::{Block, LONGEST};
use super::chain::{End, Steps, follow};
use super::headless::{self, Geometry};
use super::listing::{self, Reading};
use super::names;
use super::structures::{BootSector, FsInfo, Width};
use super::table::Tables;
use super::units::{Cluster, Layout};
use crate::bytes::slice;
use crate::catalog::{FindingKind, Findings};
use crate::error::Result;
use crate::filesystem::{CodePage, VolumeFacts};
use crate::source::Source;

/// Sector sizes at which the backup of the boot sector is looked for, in bytes.
const SECTOR_SIZES: [u64; 4] = [512, 1024, 2048, 4096];
/// Where FAT32 keeps it (FAT specification, BPB_BkBootSec: "no value other than 6 is recommended").
const BACKUP_SECTOR: u64 = 6;
/// Fewest clusters of a FAT32 volume by the specification.
const FEWEST_FAT32: u64 = 65_525;

pub(super) fn open(source: &Source) -> Result<Option<Fat>> {
    let mut findings = Findings::default();
    let Some((boot, unknown)) = boot_sector(source, &mut findings)? else { return Ok(None) };
    let Some(layout) = Layout::of(&boot) else { return Ok(None) };
    // Everything hangs on the boot sector.
    let source = if unknown { &source.unvouched() } else { source };
    with_layout(source, boot, layout, findings).map(Some)
}

/// Opens a volume whose boot sectors are lost by what was found of it.
pub(super) fn open_headless(source: &Source, geometry: &Geometry) -> Result<Option<Fat>> {
    let Some((boot, layout)) = geometry.boot() else { return Ok(None) };
    // Everything hangs on what was found all over the volume.
    let vague = source.reality(0, source.length_in_image()).unknown;
    let source = if vague { &source.unvouched() } else { source };
    let mut findings = Findings::default();
    let start = Some(source.image_offset(0));
    findings.add(FindingKind::HeadRebuilt, start, None, || headless::words(geometry));
    if !geometry.is_proven() {
        findings.add(FindingKind::GeometryDoubtful, start, None, || headless::lacks(geometry));
    }
    let mut fat = with_layout(source, boot, layout, findings)?;
    fat.doubted = !geometry.is_proven();
    // The boot sector's own flag is lost: only that the table says so counts.
    fat.facts.dirty = fat.facts.dirty.filter(|dirty| *dirty);
    Ok(Some(fat))
}

fn with_layout(source: &Source, boot: BootSector, layout: Layout, mut findings: Findings) -> Result<Fat> {
    let start = Some(source.image_offset(0));
    let total = boot.total_sectors.saturating_mul(boot.bytes_per_sector);
    let rebuilt = findings.count(FindingKind::HeadRebuilt) > 0;
    if total > source.length_in_image() {
        findings.add(FindingKind::VolumePastEnd, start, None, || {
            format!("it has {total} bytes, of which {} are in the image", source.length_in_image())
        });
    }
    if boot.width == Width::Fat32 && boot.clusters < FEWEST_FAT32 && !rebuilt {
        findings.add(FindingKind::FewClusters, start, None, || format!("{} clusters", boot.clusters));
    }
    if u64::from(layout.end) < boot.clusters.saturating_add(2) {
        findings.add(FindingKind::TableTooShort, start, None, || {
            format!("it has {} clusters and entries for {}", boot.clusters, layout.end.saturating_sub(2))
        });
    }
    if let Some(active) = boot.only_active {
        findings.add(FindingKind::OneTableActive, start, Some(active), || "");
    }
    let tables = Tables::read(source, &boot, &layout, &mut findings)?;
    let facts = VolumeFacts {
        filesystem: boot.width.name(),
        serial: boot.serial.map(|serial| format!("{:04X}-{:04X}", serial >> 16, serial & 0xffff)),
        cluster_size: layout.cluster,
        sector_size: boot.bytes_per_sector,
        total_bytes: total,
        dirty: Some(dirty(source, &boot, &tables, &mut findings)),
        ..VolumeFacts::default()
    };
    free_space_hint(source, &boot, &tables, &mut findings)?;
    let mut fat = Fat { source: source.clone(), boot, layout, tables, facts, findings, doubted: false };
    fat.facts.label = fat.label(CodePage::default())?;
    let in_boot = fat.boot.label.and_then(|label| names::label(&label, CodePage::default()));
    // Systems write it into the root folder alone; only another name in the boot sector is worth a word.
    if let Some(boot) = in_boot.filter(|boot| fat.facts.label.as_ref() != Some(boot)) {
        let root = fat.facts.label.as_ref().map_or("none".to_string(), |label| format!("`{label}`"));
        fat.findings
            .add(FindingKind::LabelsDiffer, start, None, || format!("boot sector: `{boot}`, root folder: {root}"));
    }
    Ok(fat)
}

/// The boot sector, or FAT32's backup of it; and whether nobody vouches for it.
fn boot_sector(source: &Source, findings: &mut Findings) -> Result<Option<(BootSector, bool)>> {
    let first = source.read_real(0, BootSector::LENGTH)?;
    if let Some((bytes, unknown)) = &first {
        if let Some(boot) = BootSector::from_bytes(bytes) {
            compare_backup(source, &boot, bytes, findings)?;
            return Ok(Some((boot, *unknown)));
        }
        // A boot sector of something else makes this volume something else, whatever an old backup says.
        if slice(bytes, 0x1fe, 2) == Some(&[0x55, 0xaa]) {
            return Ok(None);
        }
    }
    for sector in SECTOR_SIZES {
        let offset = sector.saturating_mul(BACKUP_SECTOR);
        let Some((bytes, unknown)) = source.read_real(offset, BootSector::LENGTH)? else { continue };
        let Some(boot) = BootSector::from_bytes(&bytes) else { continue };
        if boot.width != Width::Fat32 || boot.bytes_per_sector != sector || boot.backup_sector != BACKUP_SECTOR {
            continue;
        }
        let at = Some(source.image_offset(offset));
        findings.add(FindingKind::BackupBootUsed, at, None, || "the first boot sector can't be used");
        return Ok(Some((boot, unknown)));
    }
    Ok(None)
}

fn compare_backup(source: &Source, boot: &BootSector, first: &[u8], findings: &mut Findings) -> Result<()> {
    // From BPB_BytsPerSec to BPB_BkBootSec: what follows may differ, as in the dirty flag and the label.
    const PARAMETERS: (usize, usize) = (0x0b, 0x34 - 0x0b);
    let offset = boot.backup_sector.saturating_mul(boot.bytes_per_sector);
    if boot.backup_sector == 0 || boot.backup_sector >= boot.reserved_sectors {
        return Ok(());
    }
    let Some((backup, _)) = source.read_real(offset, BootSector::LENGTH)? else { return Ok(()) };
    let (at, length) = PARAMETERS;
    if slice(&backup, at, length) != slice(first, at, length) {
        let at = Some(source.image_offset(offset));
        findings.add(FindingKind::BootSectorsDiffer, at, None, || "the first one was used");
    }
    Ok(())
}

/// Whether the volume was not closed properly, by the boot sector or the flags in the table (a clear bit says so).
fn dirty(source: &Source, boot: &BootSector, tables: &Tables, findings: &mut Findings) -> bool {
    let (clean, no_errors) = match boot.width {
        Width::Fat12 => (0, 0),
        Width::Fat16 => (0x8000, 0x4000),
        Width::Fat32 => (0x0800_0000, 0x0400_0000),
    };
    let cleared = |bit: u32| bit != 0 && tables.flags.is_some_and(|flags| flags & bit == 0);
    let mut note = |kind, by_boot: bool, by_table: bool| {
        let by = match (by_boot, by_table) {
            (true, true) => "boot sector and allocation table say so",
            (true, false) => "the boot sector says so",
            _ => "the allocation table says so",
        };
        if by_boot || by_table {
            findings.add(kind, Some(source.image_offset(0)), None, || by);
        }
        by_boot || by_table
    };
    note(FindingKind::VolumeErrors, boot.state & BootSector::ERRORS != 0, cleared(no_errors));
    note(FindingKind::VolumeDirty, boot.state & BootSector::DIRTY != 0, cleared(clean))
}

/// Compares FAT32's note of its free space with the table.
fn free_space_hint(source: &Source, boot: &BootSector, tables: &Tables, findings: &mut Findings) -> Result<()> {
    if boot.info_sector == 0 || boot.info_sector >= boot.reserved_sectors {
        return Ok(());
    }
    let offset = boot.info_sector.saturating_mul(boot.bytes_per_sector);
    let Some((bytes, _)) = source.read_real(offset, BootSector::LENGTH)? else { return Ok(()) };
    let offset = Some(source.image_offset(offset));
    match FsInfo::from_bytes(&bytes) {
        None => findings.add(FindingKind::FreeSpaceHint, offset, None, || "its signatures are wrong"),
        Some(FsInfo { free: Some(free) }) => {
            if let Some(counted) = tables.free().filter(|counted| *counted != u64::from(free)) {
                findings.add(FindingKind::FreeSpaceHint, offset, None, || {
                    format!("it says {free} free clusters, there are {counted}")
                });
            }
        }
        Some(FsInfo { free: None }) => {}
    }
    Ok(())
}

impl Fat {
    /// The volume's label: the root folder's, as systems show it, else the boot sector's.
    pub(super) fn label(&self, codepage: CodePage) -> Result<Option<String>> {
        let first = Cluster(self.boot.root_cluster);
        let (pieces, whole): (Vec<(u64, u64)>, bool) = if self.boot.width != Width::Fat32 {
            (vec![self.layout.root], true)
        } else if self.layout.has(first) {
            let most = self.layout.clusters_for(LONGEST);
            let chain = follow(&self.tables, first, most, &mut Steps::for_volume(&self.layout));
            (Block::pieces(&self.layout, &chain.runs).collect(), chain.end == End::Marked)
        } else {
            (Vec::new(), false)
        };
        let block = Block::read(&self.source, pieces)?;
        let reading = Reading { codepage, deleted: false };
        let listing = listing::read(&self.source, &block, reading, &mut Findings::default());
        // The boot sector's copy may be an earlier one: it counts only where the root's may be lost.
        let label = if listing.partly_read || !whole { listing.label.or(self.boot.label) } else { listing.label };
        Ok(label.and_then(|label| names::label(&label, codepage)))
    }
}
