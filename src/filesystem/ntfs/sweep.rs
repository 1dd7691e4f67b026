//! The sweep: the file table read from front to back.

use super::Ntfs;
use super::file::{ExtensionBudget, File};
use super::object::{Made, bitmap_distrust, has_list, make, shown_names};
use super::record::{NoRecord, Record};
use super::structures::record_number;
use super::tree::Tree;
use crate::bytes::{at_most, round_down, to_u64};
use crate::catalog::{Catalog, FindingKind, Findings, Incomplete, Lookup};
use crate::error::Result;
use crate::filesystem::{Filesystem, Swept};
use crate::progress::{Progress, Unit};

/// How much of the table is read at once, in bytes.
const CHUNK: usize = 4 << 20;

/// How much of a sleeping system's memory file is looked at.
const SLEEP_MAGIC: usize = 4;

pub(super) fn sweep(ntfs: &Ntfs, progress: &dyn Progress) -> Result<Swept> {
    let records = ntfs.table.record_count();
    progress.begin("reading the file table", records, Unit::Records);
    let mut sweep = Sweep {
        ntfs,
        tree: Tree::default(),
        findings: Findings::default(),
        with_list: Vec::new(),
        lost: 0,
        names_lost: false,
        unknown: ntfs.table.unknown,
        budget: ExtensionBudget::for_table(&ntfs.table),
    };
    sweep.all_records(progress)?;
    for base in std::mem::take(&mut sweep.with_list) {
        sweep.file(&base)?;
    }
    // A table without a record to read has lost everything it held.
    let headless = records == 0;
    let (mut tree, mut findings) = (sweep.tree, sweep.findings);
    let root = tree.root_or_stand_in();
    if sweep.lost > 0 || headless {
        tree.mark_folders(|object| object.incomplete.insert(Incomplete::LostRecords));
    }
    if sweep.names_lost {
        tree.mark_folders(|object| object.incomplete.insert(Incomplete::LostNames));
    }
    if sweep.unknown {
        tree.mark_folders(|object| std::mem::replace(&mut object.facts.unknown, true));
    }
    let catalog = tree.build(root, sweep.lost, &mut findings)?;
    progress.end();
    let mut facts = ntfs.facts.clone();
    facts.hibernated = hibernated(ntfs, &catalog)?;
    let mut catalog = catalog;
    if facts.hibernated == Some(true) {
        findings.add(FindingKind::VolumeHibernated, None, None, || "`/hiberfil.sys` holds a sleeping system");
    }
    catalog.findings.extend(findings);
    Ok(Swept { catalog, facts })
}

struct Sweep<'a> {
    ntfs: &'a Ntfs,
    tree: Tree,
    findings: Findings,
    /// Base records whose files go on in other records.
    with_list: Vec<Record>,
    lost: u64,
    /// Whether a file had more names than were read.
    names_lost: bool,
    unknown: bool,
    budget: ExtensionBudget,
}

impl Sweep<'_> {
    fn all_records(&mut self, progress: &dyn Progress) -> Result<()> {
        let table = &self.ntfs.table;
        let size = to_u64(table.record_size);
        let end = table.record_count().saturating_mul(size);
        let in_image = self.ntfs.source.length_in_image();
        let chunk = round_down(to_u64(CHUNK), size).max(size);
        let mut buffer = vec![0; at_most(chunk.min(end), CHUNK.max(table.record_size))];
        let mut at = 0;
        while at < end {
            // Stretches without a place in the image are not walked record by record: their length is the volume's
            // word and may be anything.
            let real = table
                .places(at..end)
                .find(|piece| piece.place.is_some_and(|place| place < in_image))
                .map_or(end, |piece| piece.range.start);
            let skip_to = round_down(real, size);
            if skip_to > at {
                self.all_lost(at.checked_div(size).unwrap_or(0)..skip_to.checked_div(size).unwrap_or(0));
                progress.advance(skip_to.saturating_sub(at).checked_div(size).unwrap_or(0));
                at = skip_to;
                continue;
            }
            let length = at_most(end.saturating_sub(at), buffer.len());
            let slot = buffer.get_mut(..length).unwrap_or_default();
            let reality = table.read_bytes(&self.ntfs.source, at, slot)?;
            self.unknown |= reality.unknown;
            let mut holes = reality.holes.as_slice();
            let mut start = at;
            for raw in slot.chunks_exact(table.record_size) {
                let number = start.checked_div(size).unwrap_or(0);
                let record_end = start.saturating_add(size);
                let passed = holes.iter().take_while(|hole| hole.range.end <= start).count();
                holes = holes.get(passed..).unwrap_or_default();
                let here = holes.iter().take_while(|hole| hole.range.start < record_end);
                let mine = crate::source::Reality { holes: here.cloned().collect(), unknown: reality.unknown };
                self.record(number, Record::parse(number, raw, start, &mine))?;
                start = record_end;
            }
            progress.advance(to_u64(length).checked_div(size).unwrap_or(0));
            at = at.saturating_add(to_u64(length));
        }
        Ok(())
    }

    /// A stretch of records that are not in the image.
    fn all_lost(&mut self, records: std::ops::Range<u64>) {
        let ordinary = records.start.max(record_number::FIRST_ORDINARY)..records.end;
        if ordinary.start < ordinary.end {
            let lost = self.ntfs.table.bitmap.count_used(ordinary.clone());
            self.lost = self.lost.saturating_add(lost);
            self.findings.add(FindingKind::TablePartLost, None, Some(ordinary.start), || {
                format!("records {} to {} are not in the image", ordinary.start, ordinary.end.saturating_sub(1))
            });
        }
    }

    fn record(&mut self, number: u64, parsed: Result<Record, NoRecord>) -> Result<()> {
        let table = &self.ntfs.table;
        let in_use = table.bitmap.get(number);
        match parsed {
            Err(why) => {
                // Free in the table's bitmap, or blank as records are that were never used: nothing was here.
                if in_use == Some(false) {
                    return Ok(());
                }
                let kind = match why {
                    NoRecord::Unread => FindingKind::RecordUnread,
                    NoRecord::Blank | NoRecord::Damaged => FindingKind::RecordDamaged,
                };
                let offset = table.image_offset(&self.ntfs.source, number);
                self.findings.add(
                    kind,
                    offset,
                    Some(number),
                    || if why == NoRecord::Blank { "only zeros" } else { "" },
                );
                if number >= record_number::FIRST_ORDINARY {
                    self.lost = self.lost.saturating_add(1);
                }
                Ok(())
            }
            Ok(record) if !record.in_use() || !record.is_base() => Ok(()),
            Ok(record) if record.number < record_number::FIRST_ORDINARY && number != record_number::ROOT => Ok(()),
            Ok(record) if has_list(&record) => {
                self.with_list.push(record);
                Ok(())
            }
            Ok(record) => self.file(&record),
        }
    }

    fn file(&mut self, base: &Record) -> Result<()> {
        let ntfs = self.ntfs;
        if base.other_number {
            let offset = ntfs.table.image_offset(&ntfs.source, base.number);
            self.findings.add(FindingKind::RecordOtherNumber, offset, Some(base.number), || {
                format!("it says {}", base.header.own_number.unwrap_or(0))
            });
        }
        let mut file = File::load(ntfs.parts(), base, &mut self.budget, &mut self.findings)?;
        file.distrust.insert_all(bitmap_distrust(ntfs.table.bitmap.get(base.number)));
        self.unknown |= file.unknown;
        if file.incomplete && file.names.len() < usize::from(base.header.links) {
            self.names_lost = true;
            let offset = ntfs.table.image_offset(&ntfs.source, base.number);
            self.findings.add(FindingKind::NameLost, offset, Some(base.number), || {
                format!("{} of {} names were read", file.names.len(), base.header.links)
            });
        }
        let Made { object, streams } = make(&ntfs.source, &ntfs.boot, base.number, base.is_folder(), &file);
        self.tree.add(base.number, base.header.sequence, object, shown_names(&file.names).into_iter(), streams);
        Ok(())
    }
}

/// Whether a sleeping system's memory file says so: `hibr` or `HIBR` at its start (from memory; ntfs-3g's check of the
/// same file agrees).
fn hibernated(ntfs: &Ntfs, catalog: &Catalog) -> Result<Option<bool>> {
    let Lookup::Found(object, Some(_)) = catalog.find("/hiberfil.sys") else { return Ok(Some(false)) };
    let Ok(extents) = ntfs.extents(catalog, object) else { return Ok(None) };
    let head = match extents {
        crate::catalog::Extents::Resident(bytes) => bytes,
        crate::catalog::Extents::Runs(runs) => {
            let Some(crate::catalog::Run { place: crate::catalog::Place::At(offset), .. }) = runs.runs.first().copied()
            else {
                return Ok(None);
            };
            match ntfs.source.read_real(offset, SLEEP_MAGIC)? {
                Some((bytes, _)) => bytes,
                None => return Ok(None),
            }
        }
    };
    Ok(Some(matches!(head.get(..SLEEP_MAGIC), Some(b"hibr" | b"HIBR"))))
}
