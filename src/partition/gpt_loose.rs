//! An entry array without a header: both headers are gone, and the entries have to prove themselves.
//!
//! An array is looked for where every tool puts it (UEFI 2.11 section 5.3.1: behind the primary header in sector 1, and
//! before the backup header in the last sector), with entries of 128 bytes, 128 of them, or of 256 bytes. It is believed
//! if its entries are well-formed, and volumes stand where they point.

use std::collections::BTreeSet;

use super::gpt_array::Array;
use super::gpt_header::Entry;
use super::{Guid, TypeCode, boot_sector};
use crate::bytes::to_usize;
use crate::error::Result;
use crate::source::Source;

/// How many entries an array has that no header describes: what all tools write.
const ENTRIES: u64 = 128;
/// Sizes of an entry that are tried, in bytes, the usual one first.
const ENTRY_SIZES: [u64; 2] = [128, 256];
/// The array behind the primary header begins in this sector.
const FIRST_SECTOR: u64 = 2;

/// An array that looks like one.
#[derive(Debug)]
pub(super) struct Loose {
    pub(super) array: Array,
    pub(super) entry_size: u64,
    /// Entries in use that are well-formed.
    pub(super) used: u64,
    /// Those of them where a volume of a common kind begins.
    pub(super) volumes: u64,
    /// Those of them of a known type.
    known: u64,
    /// Whether the two places hold arrays that are both believable and differ.
    pub(super) differ: bool,
}

impl Loose {
    /// Looks for an array of a drive whose sectors have `unit` bytes. `ends` are the places where the drive may end, in
    /// bytes.
    pub(super) fn find(source: &Source, unit: u64, ends: &[u64]) -> Result<Option<Self>> {
        let mut best: Option<Self> = None;
        for entry_size in ENTRY_SIZES {
            let length = entry_size.saturating_mul(ENTRIES);
            let last = ends.iter().filter_map(|end| end.checked_sub(unit)?.checked_sub(length));
            let places: BTreeSet<u64> = last.chain(FIRST_SECTOR.checked_mul(unit)).collect();
            for offset in places {
                let Some(found) = Self::at(source, offset, entry_size, unit)? else { continue };
                match &mut best {
                    Some(before) if before.rank() >= found.rank() => {
                        before.differ |= before.entry_size == entry_size && before.array.bytes != found.array.bytes;
                    }
                    _ => {
                        let other = best.take();
                        best = Some(found);
                        if let (Some(best), Some(other)) = (&mut best, other) {
                            best.differ = other.entry_size == entry_size && best.array.bytes != other.array.bytes;
                        }
                    }
                }
            }
        }
        Ok(best)
    }

    fn rank(&self) -> (u64, u64, u64) {
        (self.volumes, self.known, self.used)
    }

    /// Whether it may be believed. Behind a protective entry there was a GPT, and a known type (16 bytes that nothing else
    /// has) is enough; elsewhere a volume must stand where an entry points, too.
    pub(super) fn is_proven(&self, protective: bool) -> bool {
        self.known > 0 && (self.volumes > 0 || protective)
    }

    fn at(source: &Source, offset: u64, entry_size: u64, unit: u64) -> Result<Option<Self>> {
        let Some(length) = entry_size.checked_mul(ENTRIES).and_then(to_usize) else { return Ok(None) };
        let Some(array) = Array::read(source, offset, length)? else { return Ok(None) };
        let (mut used, mut volumes, mut known, mut bad) = (0_u64, 0_u64, 0_u64, 0_u64);
        let mut ids: BTreeSet<Guid> = BTreeSet::new();
        for index in 0..ENTRIES {
            let Some(entry) = array.entry(index, entry_size).and_then(|(bytes, _)| Entry::from_bytes(bytes)) else {
                continue;
            };
            if !entry.is_plausible(unit) || !ids.insert(entry.id) {
                bad = bad.saturating_add(1);
                continue;
            }
            used = used.saturating_add(1);
            known = known.saturating_add(u64::from(TypeCode::Gpt(entry.code).name().is_some()));
            let start = entry.first.saturating_mul(unit);
            volumes = volumes.saturating_add(u64::from(boot_sector::volume_begins_at(source, start)?));
        }
        Ok((used > bad).then_some(Self { array, entry_size, used, volumes, known, differ: false }))
    }
}
