//! What is doubted where the head of the volume or of its table is lost, and what shows all the same that a record is in
//! force.

use std::collections::{HashMap, HashSet};

use super::super::structures::record_number;
use super::super::table::Doubt;
use super::super::tree::Slot;
use super::{Claims, Owner, Sweep};
use crate::bytes::to_u64;
use crate::catalog::{Distrust, Incomplete, ObjectKind};
use crate::filesystem::bitmap::Bitmap;
use crate::filesystem::claims::Settled;

/// The slot in the list of claims that stands for a piece of a table that was put together. Objects are fewer.
fn slot_of_piece(index: usize) -> Option<Slot> {
    Slot::try_from(index).ok().and_then(|index| Slot::MAX.checked_sub(index))
}

impl Sweep<'_> {
    /// A table without its own record is claimed by nobody else.
    pub(super) fn claim_pieces(&self, claims: &mut Claims) {
        if self.ntfs.table.own_record_is_lost {
            for (index, clusters) in self.piece_clusters() {
                if let Some(slot) = slot_of_piece(index) {
                    claims.add(clusters.start, clusters.end.saturating_sub(clusters.start), Owner::Object(slot));
                }
            }
        }
    }

    /// The clusters in which each piece of the table lies.
    fn piece_clusters(&self) -> impl Iterator<Item = (usize, std::ops::Range<u64>)> + '_ {
        let cluster = self.ntfs.boot.cluster;
        self.ntfs.table.pieces.iter().enumerate().filter_map(move |(index, piece)| {
            let start = piece.place?;
            let length = piece.range.end.saturating_sub(piece.range.start);
            Some((index, start.checked_div(cluster.0)?..cluster.clusters(start.saturating_add(length))))
        })
    }

    /// Takes the good word from everything whose record is not shown to be in force. `named` are folders and what their
    /// own lists name in them, where the records agree.
    pub(super) fn doubt(&mut self, named: &[(u64, u64)], settled: &Settled, bitmap: Option<&Bitmap>) {
        let distrust = match self.ntfs.table.doubt {
            Doubt::Nothing => return,
            Doubt::Records => Distrust::RecordUnconfirmed,
            Doubt::Layout => Distrust::GeometryDoubtful,
        };
        let confirmed = match self.ntfs.table.doubt {
            Doubt::Records => self.confirmed(named, settled, bitmap),
            Doubt::Nothing | Doubt::Layout => HashSet::new(),
        };
        for object in self.tree.objects_mut() {
            // Where the table ends is not known, nor what else stood in a folder.
            match object.kind {
                ObjectKind::Folder => {
                    object.incomplete.insert(Incomplete::TableDoubtful);
                }
                _ if !confirmed.contains(&object.locator) => {
                    object.facts.distrust.insert(distrust);
                }
                _ => {}
            }
        }
    }

    /// Records that are in force: they lie in clusters that $Bitmap calls in use and nobody else claims, and a list names
    /// them, of a folder that is confirmed itself; the root is, if it lies so. What an old part of a table says, which
    /// was let go of since, meets that at most by chance.
    fn confirmed(&self, named: &[(u64, u64)], settled: &Settled, bitmap: Option<&Bitmap>) -> HashSet<u64> {
        let table = &self.ntfs.table;
        let record_size = to_u64(table.record_size);
        let mut confirmed = HashSet::new();
        // Where a record lies in several clusters, its halves may be of two records, and a fixup be right by chance.
        let Some(bitmap) = bitmap.filter(|_| self.ntfs.boot.cluster.0 >= record_size) else { return confirmed };
        let sound: HashSet<u64> = self
            .piece_clusters()
            .filter(|(index, clusters)| {
                let length = clusters.end.saturating_sub(clusters.start);
                slot_of_piece(*index).is_some_and(|slot| !settled.twice.contains(&slot))
                    && bitmap.count(clusters.clone()).set == length
            })
            .filter_map(|(index, _)| Some(table.pieces.get(index)?.range.start))
            .collect();
        let is_sound = |record: u64| {
            let at = record.saturating_mul(record_size);
            let piece = table.pieces.partition_point(|piece| piece.range.end <= at);
            table.pieces.get(piece).is_some_and(|piece| sound.contains(&piece.range.start))
        };
        let mut below: HashMap<u64, Vec<u64>> = HashMap::new();
        for (folder, record) in named {
            below.entry(*folder).or_default().push(*record);
        }
        let mut open = vec![record_number::ROOT];
        // Each record is opened once.
        while let Some(record) = open.pop() {
            if is_sound(record) && confirmed.insert(record) {
                open.extend(below.get(&record).into_iter().flatten());
            }
        }
        // What a file has in further records is not followed.
        for record in &self.several {
            confirmed.remove(record);
        }
        confirmed
    }
}
