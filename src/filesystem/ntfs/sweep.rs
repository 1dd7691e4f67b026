//! The sweep: the file table read from front to back.

mod deleted;
mod doubt;
mod holes;
mod silent;
mod stretches;

use std::collections::HashSet;

use deleted::{DeletedRun, claimed_ranges};
use enumset::EnumSet;
use silent::Silent;

use super::Ntfs;
use super::extents::read_stream;
use super::file::{ExtensionBudget, File, Stream};
use super::lost::{self, Listed, LostRecords, Wanted};
use super::object::{bitmap_distrust, has_list, make, shown_names};
use super::own_stream::stream_of_record;
use super::record::{NoRecord, Record};
use super::runs::DataRun;
use super::sleep::hibernated;
use super::structures::{attribute_type, record_number};
use super::table::Doubt;
use super::tree::{Added, Slot, Tree};
use super::units::{Lcn, Reference};
use crate::bytes::at_most;
use crate::catalog::{Distrust, FindingKind, Findings, Incomplete, ObjectKind};
use crate::error::Result;
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::{Claims, Owner, Span};
use crate::filesystem::hole_use::Allocation;
use crate::filesystem::{ByteRange, SweepOptions, Swept};
use crate::progress::{Progress, Unit};

pub(super) fn sweep(ntfs: &Ntfs, options: SweepOptions, progress: &dyn Progress) -> Result<Swept> {
    in_stretches(ntfs, options, stretches::LENGTH, progress)
}

/// `stretch` is how many bytes of the table a thread reads at once.
fn in_stretches(ntfs: &Ntfs, options: SweepOptions, stretch: u64, progress: &dyn Progress) -> Result<Swept> {
    let records = ntfs.table.record_count();
    progress.begin("reading the file table", records, Unit::Records);
    let mut sweep = Sweep::new(ntfs, options, ExtensionBudget::for_table(&ntfs.table));
    sweep.all_records(stretch, progress)?;
    for base in std::mem::take(&mut sweep.own) {
        sweep.own_file(&base)?;
    }
    for base in std::mem::take(&mut sweep.with_list) {
        sweep.file(&base)?;
    }
    sweep.unlisted_extensions()?;
    progress.end();
    sweep.finish()
}

struct Sweep<'a> {
    ntfs: &'a Ntfs,
    options: SweepOptions,
    tree: Tree,
    findings: Findings,
    /// Base records of the filesystem's own files.
    own: Vec<Record>,
    /// Base records whose files go on in other records.
    with_list: Vec<Record>,
    lost: LostRecords,
    /// Records of files that had more names than were read.
    names_lost: HashSet<u64>,
    /// Files that go on in other records.
    several: HashSet<u64>,
    unknown: bool,
    budget: ExtensionBudget,
    claims: Claims,
    /// Runs of deleted files: whose, the cluster and byte of the file where each starts, and its clusters.
    deleted_runs: Vec<DeletedRun>,
    silent: Silent,
}

impl<'a> Sweep<'a> {
    fn new(ntfs: &'a Ntfs, options: SweepOptions, budget: ExtensionBudget) -> Self {
        Self {
            ntfs,
            options,
            tree: Tree::default(),
            findings: Findings::default(),
            own: Vec::new(),
            with_list: Vec::new(),
            lost: LostRecords::default(),
            names_lost: HashSet::new(),
            several: HashSet::new(),
            unknown: ntfs.table.unknown,
            budget,
            claims: Claims::default(),
            deleted_runs: Vec::new(),
            silent: Silent::default(),
        }
    }

    /// What can be said once every record was seen.
    fn finish(mut self) -> Result<Swept> {
        let ntfs = self.ntfs;
        let root = self.tree.root_or_stand_in()?;
        let headless = ntfs.table.record_count() == 0;
        let misnumbered = self.tree.misnumbered();
        let doubted = ntfs.table.doubt != Doubt::Nothing;
        let mut named = 0;
        let mut in_lists = Vec::new();
        if self.lost.count > 0
            || headless
            || doubted
            || !self.names_lost.is_empty()
            || !self.silent.records.is_empty()
            || !misnumbered.is_empty()
            || self.options.cross_check
        {
            let wanted = Wanted { lost: &self.lost, names_lost: &self.names_lost, silent: &self.silent.records };
            let mut listed = lost::read_lists(ntfs.parts(), &mut self.tree, wanted, &mut self.findings)?;
            named = listed.named;
            in_lists = std::mem::take(&mut listed.confirmed);
            let taken = self.silent_files(std::mem::take(&mut listed.silent))?;
            self.mark_folders(&listed, &misnumbered);
            self.silent_deleted(&taken)?;
        }
        let mut facts = ntfs.facts.clone();
        let (bitmap, vouched) = volume_bitmap(ntfs)?;
        let ground = self.ground();
        let mut claims = std::mem::take(&mut self.claims);
        self.claim_pieces(&mut claims);
        let settled = claims.settle(bitmap.as_ref(), ntfs.boot.total_clusters());
        // What is not proven of a layout or a table may lead to another bitmap.
        let sure = vouched && !settled.contradicted && ntfs.table.doubt == Doubt::Nothing;
        let allocation = bitmap.as_ref().map(|bitmap| Allocation { bitmap, sure });
        let holes = holes::of(ntfs, ground, allocation).on_layout(ntfs.table.doubt == Doubt::Layout);
        for (owners, distrust) in [(&settled.twice, Distrust::ClaimedTwice), (&settled.free, Distrust::ClustersFree)] {
            for owner in owners {
                if let Some(object) = self.tree.object_mut(*owner) {
                    object.facts.distrust.insert(distrust);
                }
            }
        }
        self.doubt(&in_lists, &settled, bitmap.as_ref());
        if bitmap.is_some() {
            let bytes = |clusters| ntfs.boot.cluster.bytes(clusters).unwrap_or(u64::MAX);
            let range = |span: Span| ByteRange { at_least: bytes(span.at_least), at_most: bytes(span.at_most) };
            facts.used_bytes = Some(range(settled.used));
            facts.unexplained_bytes = Some(range(settled.unexplained));
        }
        if self.unknown {
            let folders: Vec<Slot> = self.tree.live().map(|known| known.object).collect();
            for folder in folders {
                if let Some(object) = self.tree.object_mut(folder).filter(|object| object.kind == ObjectKind::Folder) {
                    object.facts.unknown = true;
                }
            }
        }
        let (mut catalog, places) = self.tree.build(root, self.lost.count.saturating_sub(named), &mut self.findings)?;
        let claimed = claimed_ranges(ntfs, &self.deleted_runs, &settled, bitmap.as_ref(), &places, &catalog);
        facts.hibernated = hibernated(ntfs, &catalog)?;
        if facts.hibernated == Some(true) {
            self.findings.add(FindingKind::VolumeHibernated, None, None, || "`/hiberfil.sys` holds a sleeping system");
        }
        catalog.findings.extend(self.findings);
        Ok(Swept { catalog, facts, claimed, holes })
    }

    /// Where records or names are lost, or may be, only a folder whose own list was read whole is complete.
    fn mark_folders(&mut self, listed: &Listed, misnumbered: &HashSet<u64>) {
        let records_lost = self.lost.count > 0 || self.ntfs.table.record_count() == 0;
        let mut reasons = EnumSet::empty();
        for (holds, reason) in [
            (records_lost || !self.silent.records.is_empty(), Incomplete::LostRecords),
            (!self.names_lost.is_empty(), Incomplete::LostNames),
        ] {
            if holds {
                reasons.insert_all(reason | Incomplete::ListPartlyRead);
            }
        }
        let folders: Vec<_> = self.tree.live().filter(|known| !listed.whole.contains(&known.record)).collect();
        for known in folders {
            let Some(object) = self.tree.object_mut(known.object) else { continue };
            if object.kind == ObjectKind::Folder {
                object.incomplete.insert_all(reasons);
                if misnumbered.contains(&known.record) {
                    object.incomplete.insert(Incomplete::ListPartlyRead);
                }
            }
        }
    }
}

/// The volume's $Bitmap, `None` if nothing of it can be had; and whether a map vouches for all of it that was read.
fn volume_bitmap(ntfs: &Ntfs) -> Result<(Option<Bitmap>, bool)> {
    let parts = ntfs.parts();
    let Ok(record) = parts.table.read(parts.volume, record_number::BITMAP)? else { return Ok((None, false)) };
    if !record.in_use() || record.partial || record.other_number {
        return Ok((None, false));
    }
    let stream = stream_of_record(parts.volume, parts.boot, parts.table, &record, attribute_type::DATA)?;
    let Some(stream) = stream else { return Ok((None, false)) };
    let wanted = at_most(parts.boot.total_clusters().div_ceil(8), usize::MAX);
    let (bytes, holes, unknown) = read_stream(parts.volume, parts.boot, &stream, wanted)?;
    let bitmap = (!bytes.is_empty()).then(|| Bitmap::new(bytes, holes));
    Ok((bitmap, !unknown && !record.unknown))
}

impl Sweep<'_> {
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
                    self.lost.add(number..number.saturating_add(1), 1);
                }
                Ok(())
            }
            Ok(record) if !record.is_base() => {
                if record.in_use() && in_use != Some(false) && number >= record_number::FIRST_ORDINARY {
                    self.silent.extensions.push((number, record.header.base));
                }
                Ok(())
            }
            Ok(record) if !record.in_use() => {
                if number < record_number::FIRST_ORDINARY {
                    return Ok(());
                }
                if in_use == Some(true) {
                    let offset = table.image_offset(&self.ntfs.source, number);
                    self.findings.add(FindingKind::RecordNotInUse, offset, Some(number), || "");
                    self.silent.records.push(number);
                } else if self.options.deleted {
                    self.deleted(&record)?;
                }
                Ok(())
            }
            Ok(record) if number < record_number::FIRST_ORDINARY && number != record_number::ROOT => {
                self.own.push(record);
                Ok(())
            }
            Ok(record) if has_list(&record) => {
                self.several.insert(record.number);
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
        if file.names.len() < usize::from(base.header.links) {
            self.names_lost.insert(base.number);
            let offset = ntfs.table.image_offset(&ntfs.source, base.number);
            self.findings.add(FindingKind::NameLost, offset, Some(base.number), || {
                format!("{} of {} names were read", file.names.len(), base.header.links)
            });
        }
        let made = make(&ntfs.source, &ntfs.boot, base.number, base.is_folder(), &file);
        let reference = Reference { record: base.number, sequence: base.header.sequence };
        let Added { object, streams } = self.tree.add(reference, false, made, &shown_names(&file.names))?;
        for (name, stream) in file.streams.iter() {
            // What Windows compressed by its own means is the file's content under another name.
            let slot = streams.iter().find(|(other, _)| other == name).map_or(object, |(_, slot)| *slot);
            self.claims.stream(stream, Owner::Object(slot));
        }
        self.claims.runs(&file.other_runs, Owner::Other);
        Ok(())
    }

    /// A file of the filesystem's own claims its clusters like any other, and is not listed.
    fn own_file(&mut self, base: &Record) -> Result<()> {
        let mut findings = Findings::default();
        let file = File::load(self.ntfs.parts(), base, &mut self.budget, &mut findings)?;
        let owner = if base.number == record_number::BAD_CLUSTERS { Owner::SetAside } else { Owner::Other };
        for (_, stream) in file.streams.iter() {
            self.claims.stream(stream, owner);
        }
        self.claims.runs(&file.other_runs, Owner::Other);
        Ok(())
    }
}

impl Claims {
    fn stream(&mut self, stream: &Stream, owner: Owner) {
        for piece in &stream.pieces {
            self.runs(&piece.runs, owner);
        }
    }

    fn runs(&mut self, runs: &[DataRun], owner: Owner) {
        for run in runs {
            if let Some(Lcn(lcn)) = run.place {
                self.add(lcn, run.length, owner);
            }
        }
    }
}
