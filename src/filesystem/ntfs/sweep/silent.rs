//! Records that are no file by their own word only: the table's bitmap calls them in use, and one says that it is free,
//! another that it belongs to a file that doesn't list it. A folder's list may know better.
//!
//! Volumes that were unplugged in mid-work have such records, and nothing is missing there: a file that was being
//! deleted is named by no list any more, or has a higher sequence number than the list says.

use std::collections::HashSet;

use super::super::attributes::walk;
use super::super::file::File;
use super::super::lost::add_unlocated;
use super::super::object::{make, shown_names};
use super::super::record::Record;
use super::super::structures::{FileName, attribute_type};
use super::super::units::Reference;
use super::{Owner, Sweep};
use crate::catalog::{Distrust, FindingKind};
use crate::error::Result;

/// What was met of them.
#[derive(Debug, Default)]
pub(super) struct Silent {
    /// Their numbers, in order.
    pub(super) records: Vec<u64>,
    /// Extension records in use, in order, and the record that each names as its file's.
    pub(super) extensions: Vec<(u64, Reference)>,
}

impl Sweep<'_> {
    /// Says which extension records no file has taken. Names that they hold are lost, and what was a file's first
    /// record before one field changed is one of them.
    pub(super) fn unlisted_extensions(&mut self) -> Result<()> {
        let parts = self.ntfs.parts();
        for (number, base) in std::mem::take(&mut self.silent.extensions) {
            if self.budget.taken.contains(&number) {
                continue;
            }
            self.findings.add(FindingKind::ExtensionUnlisted, parts.image_offset(number), Some(number), || {
                format!("it names {base}")
            });
            self.silent.records.push(number);
            let may_hold_names = parts.table.read(parts.volume, number)?.is_ok_and(|record| {
                record.partial || walk(&record).any(|one| one.header.kind == attribute_type::FILE_NAME)
            });
            if may_hold_names {
                self.names_lost.insert(base.record);
            }
        }
        self.silent.records.sort_unstable();
        Ok(())
    }

    /// Adds what lists name of them: as a `doubtful` file where the record describes a file of that name, else as
    /// `unlocated`. Answers their numbers.
    pub(super) fn silent_files(&mut self, listed: Vec<(Reference, Vec<FileName>)>) -> Result<HashSet<u64>> {
        let parts = self.ntfs.parts();
        let mut taken = HashSet::new();
        for (reference, names) in listed {
            taken.insert(reference.record);
            let record = parts.table.read(parts.volume, reference.record)?;
            let added = match record {
                Ok(record) if record.is_base() => self.silent_file(&record, &names)?,
                _ => false,
            };
            if !added {
                add_unlocated(&mut self.tree, reference, &names)?;
            }
        }
        Ok(taken)
    }

    /// Adds one if its own names are those of the lists.
    fn silent_file(&mut self, base: &Record, listed: &[FileName]) -> Result<bool> {
        let ntfs = self.ntfs;
        let mut file = File::load(ntfs.parts(), base, &mut self.budget, &mut self.findings)?;
        let has = |name: &FileName| {
            file.names.iter().any(|own| own.parent.record == name.parent.record && own.units == name.units)
        };
        if !listed.iter().all(has) {
            return Ok(false);
        }
        self.unknown |= file.unknown;
        file.distrust.insert(Distrust::NotInUse);
        let made = make(&ntfs.source, &ntfs.boot, base.number, base.is_folder(), &file);
        let reference = Reference { record: base.number, sequence: base.header.sequence };
        self.tree.add(reference, false, made, &shown_names(&file.names))?;
        // They are explained by it, and are held against nobody: that it is free may be true.
        for (_, stream) in file.streams.iter() {
            self.claims.stream(stream, Owner::SetAside);
        }
        self.claims.runs(&file.other_runs, Owner::SetAside);
        Ok(true)
    }

    /// Lists the others as deleted, where that was asked for.
    pub(super) fn silent_deleted(&mut self, taken: &HashSet<u64>) -> Result<()> {
        if !self.options.deleted {
            return Ok(());
        }
        let parts = self.ntfs.parts();
        for number in std::mem::take(&mut self.silent.records) {
            if taken.contains(&number) {
                continue;
            }
            if let Ok(record) = parts.table.read(parts.volume, number)?
                && record.is_base()
                && !record.in_use()
            {
                self.deleted(&record)?;
            }
        }
        Ok(())
    }
}
