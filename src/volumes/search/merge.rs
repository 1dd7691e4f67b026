//! From heads to places: what each head claims, checked, and the copies of one volume put together.

use std::collections::{BTreeMap, BTreeSet};

use super::candidate::{Candidate, Found, Place, Proof};
use super::headless;
use super::pass::{Head, Pass, Sort};
use super::superblocks;
use crate::bytes::to_u64;
use crate::error::Result;
use crate::filesystem::anchor::{self, Anchor, Format};
use crate::filesystem::ntfs::headless::{Geometry, TablePlace};
use crate::filesystem::{Evidence, Structure, Verdict};
use crate::partition::boot_sector;
use crate::source::Source;
use crate::volumes::Kind;

/// Bytes of a head that are kept and compared.
const SECTOR: usize = 512;
/// So many places are kept, the best ones: more than any drive has, and few enough to hold each against each.
const MOST_CANDIDATES: usize = 1024;

/// What tells places apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Key {
    start: u64,
    kind: Kind,
    length: Option<u64>,
}

/// A place in the making.
#[derive(Debug, Default)]
struct Draft {
    boot: bool,
    /// The heads that speak for it: where they stand.
    first: Option<u64>,
    backups: BTreeSet<u64>,
    evidence: Vec<Evidence>,
    formatted_over: bool,
}

impl Draft {
    fn heads(&self) -> impl Iterator<Item = u64> + '_ {
        self.first.into_iter().chain(self.backups.iter().copied())
    }
}

pub(super) fn merge(source: &Source, pass: Pass) -> Result<Found> {
    let by_records = pass.traces.volumes(source)?;
    let mut drafts: BTreeMap<Key, Draft> = BTreeMap::new();
    for head in &pass.heads {
        match head.sort {
            Sort::Boot => boot_sector(source, head, &mut drafts)?,
            _ => superblock(source, head, &mut drafts)?,
        }
    }
    let mut candidates: Vec<(Candidate, Vec<u64>)> =
        drafts.into_iter().map(|(key, draft)| finish(key, draft)).collect();
    let tables = known_tables(&candidates, &by_records);
    for geometry in by_records {
        let is_copy = table_start(&geometry)
            .is_some_and(|at| tables.iter().any(|(start, table)| *table == at && *start != geometry.start));
        if !is_copy {
            without_head(source, geometry, &mut candidates)?;
        }
    }
    only_explained_once(&mut candidates);
    copies_inside(&mut candidates);
    headless::add(source, pass.others, &mut candidates)?;
    lone_tables(&pass.tables, &mut candidates);
    let mut candidates: Vec<Candidate> = candidates.into_iter().map(|(candidate, _)| candidate).collect();
    candidates.sort_by_key(|candidate| std::cmp::Reverse(candidate.rank()));
    let too_many = to_u64(candidates.len().saturating_sub(MOST_CANDIDATES));
    candidates.truncate(MOST_CANDIDATES);
    candidates.sort_by_key(|candidate| candidate.place.start());
    Ok(Found {
        candidates,
        bytes_read: pass.bytes_read,
        bytes_not_read: pass.bytes_not_read,
        left_out: pass.left_out.saturating_add(too_many),
    })
}

fn kind(format: Format) -> Kind {
    match format {
        Format::Ntfs => Kind::Ntfs,
        Format::Fat12 => Kind::Fat12,
        Format::Fat16 => Kind::Fat16,
        Format::Fat32 => Kind::Fat32,
        Format::ExFat => Kind::ExFat,
    }
}

/// A boot sector may be the first one of its volume or the backup: both are looked into.
fn boot_sector(source: &Source, head: &Head, drafts: &mut BTreeMap<Key, Draft>) -> Result<()> {
    let Some(anchor) = anchor::anchor(&head.sector) else { return Ok(()) };
    for back in [Some(0), anchor.backup].into_iter().flatten() {
        let Some(start) = head.offset.checked_sub(back) else { continue };
        let key = Key { start, kind: kind(anchor.format), length: Some(anchor.length) };
        let new = !drafts.contains_key(&key);
        let draft = drafts.entry(key).or_default();
        if back == 0 {
            draft.first = Some(head.offset);
        } else {
            draft.backups.insert(head.offset);
        }
        if new {
            draft.boot = true;
            let volume = source.window(start, anchor.length);
            draft.evidence = anchor::evidence(&head.sector, anchor.format, &volume)?;
            if anchor.before == Some(start) {
                let stated = Evidence { structure: Structure::StatedPlace, offset: start, verdict: Verdict::Stands };
                draft.evidence.push(stated);
            }
            other_copies(source, start, &anchor, draft)?;
        }
    }
    Ok(())
}

/// What stands where copies of the boot sector should: only what is no copy is noted here, the copies themselves are
/// heads of their own.
fn other_copies(source: &Source, start: u64, anchor: &Anchor, draft: &mut Draft) -> Result<()> {
    for (structure, at) in [(Structure::FirstCopy, Some(0)), (Structure::BackupCopy, anchor.backup)] {
        let Some(offset) = at.and_then(|at| start.checked_add(at)) else { continue };
        let verdict = match source.read_real(offset, SECTOR)? {
            None => Verdict::Unread,
            Some((bytes, _)) => {
                let other = anchor::anchor(&bytes);
                let same = other.is_some_and(|other| (other.format, other.length) == (anchor.format, anchor.length));
                if structure == Structure::FirstCopy && !same {
                    draft.formatted_over |= other.is_some() || boot_sector::recognise(&bytes).is_some();
                }
                if same { Verdict::Stands } else { Verdict::Absent }
            }
        };
        draft.evidence.push(Evidence { structure, offset, verdict });
    }
    Ok(())
}

fn superblock(source: &Source, head: &Head, drafts: &mut BTreeMap<Key, Draft>) -> Result<()> {
    let Some(claim) = superblocks::claim(source, head)? else { return Ok(()) };
    let key = Key { start: claim.start, kind: claim.kind, length: claim.length };
    let draft = drafts.entry(key).or_default();
    if claim.copy == Structure::FirstCopy {
        draft.first = Some(head.offset);
    } else {
        draft.backups.insert(head.offset);
    }
    draft.evidence.push(Evidence { structure: claim.copy, offset: head.offset, verdict: Verdict::Stands });
    draft.evidence.extend(claim.evidence);
    Ok(())
}

/// How much evidence of one place is kept: all there is of a boot sector, and of a volume with a superblock in every
/// group the first ones.
const MOST_EVIDENCE: usize = 32;

fn finish(key: Key, mut draft: Draft) -> (Candidate, Vec<u64>) {
    let heads = draft.heads().collect();
    draft.evidence.sort_unstable();
    draft.evidence.dedup();
    draft.evidence.truncate(MOST_EVIDENCE);
    let place = match (draft.boot, key.length) {
        (true, Some(length)) => Place::BootSector { start: key.start, length },
        _ => Place::Superblock { start: key.start, length: key.length },
    };
    let candidate = Candidate { place, kind: key.kind, evidence: draft.evidence, formatted_over: draft.formatted_over };
    (candidate, heads)
}

/// Where the file table begins by a geometry, in the image.
fn table_start(geometry: &Geometry) -> Option<u64> {
    match &geometry.table {
        TablePlace::Described { mft, .. } => in_volume(geometry, *mft),
        TablePlace::Pieces(pieces) => pieces.first().and_then(|piece| geometry.start.checked_add(piece.offset)),
    }
}

fn in_volume(geometry: &Geometry, cluster: u64) -> Option<u64> {
    geometry.start.checked_add(cluster.checked_mul(geometry.cluster_size)?)
}

/// Where the file tables and mirrors of proven volumes stand, and where those volumes begin: a mirror that is taken for a
/// table shows a volume that isn't there.
fn known_tables(candidates: &[(Candidate, Vec<u64>)], headless: &[Geometry]) -> Vec<(u64, u64)> {
    let mut tables = Vec::new();
    for (candidate, _) in candidates.iter().filter(|(one, _)| one.kind == Kind::Ntfs && one.proof() == Proof::Proven) {
        let is_table = |one: &&Evidence| matches!(one.structure, Structure::FileTable | Structure::FileTableMirror);
        tables.extend(candidate.evidence.iter().filter(is_table).map(|one| (candidate.place.start(), one.offset)));
    }
    for geometry in headless.iter().filter(|geometry| geometry.is_proven()) {
        if let TablePlace::Described { mft, mirror } = geometry.table {
            let places = [mft, mirror].into_iter().filter_map(|cluster| in_volume(geometry, cluster));
            tables.extend(places.map(|table| (geometry.start, table)));
        }
    }
    tables
}

/// An NTFS volume known by its file records. Where a boot sector says that one begins there, the records speak for that.
fn without_head(source: &Source, geometry: Geometry, candidates: &mut Vec<(Candidate, Vec<u64>)>) -> Result<()> {
    let start = geometry.start;
    let same = |one: &&mut (Candidate, Vec<u64>)| one.0.kind == Kind::Ntfs && one.0.place.start() == start;
    if let Some((candidate, _)) = candidates.iter_mut().find(same) {
        if geometry.is_proven() {
            let records = Evidence { structure: Structure::Neighbour, offset: start, verdict: Verdict::Stands };
            candidate.evidence.push(records);
        }
        return Ok(());
    }
    let first = source.read_real(start, SECTOR)?;
    let formatted_over = first.is_some_and(|(bytes, _)| boot_sector::recognise(&bytes).is_some());
    let place = Place::NtfsHeadless(geometry);
    candidates.push((Candidate { place, kind: Kind::Ntfs, evidence: Vec::new(), formatted_over }, Vec::new()));
    Ok(())
}

/// A head that a proven place explains speaks for no other: a backup taken for a first one, and the other way round. And
/// a backup alone, whose volume isn't where it says, is no place.
fn only_explained_once(candidates: &mut Vec<(Candidate, Vec<u64>)>) {
    let proven = candidates.iter().filter(|(candidate, _)| candidate.proof_of_old() == Proof::Proven);
    let explained: BTreeSet<u64> = proven.flat_map(|(_, heads)| heads.iter().copied()).collect();
    candidates.retain(|(candidate, heads)| {
        let proof = candidate.proof();
        let by_first = candidate.stands(Structure::FirstCopy);
        candidate.proof_of_old() == Proof::Proven
            || heads.is_empty()
            || (!heads.iter().all(|head| explained.contains(head)) && (by_first || proof != Proof::Disproven))
    });
}

/// The allocation table begins at most so many bytes behind the boot sector: 32 sectors on most FAT32 volumes, one to
/// eight on others.
const MOST_RESERVED: u64 = 64 << 10;

/// Two allocation tables that open alike, and that no boot sector explains: of a FAT volume whose boot sectors are lost,
/// which can't be opened. Where it begins is not known (a little before them), nor where it ends.
fn lone_tables(tables: &[(u64, Format, Vec<u8>)], candidates: &mut Vec<(Candidate, Vec<u64>)>) {
    let of = |candidate: &Candidate| {
        let stands = |one: &&Evidence| one.structure == Structure::AllocationTable && one.verdict == Verdict::Stands;
        candidate.evidence.iter().filter(stands).map(|one| one.offset).collect::<Vec<u64>>()
    };
    let explained: BTreeSet<u64> = candidates.iter().flat_map(|(candidate, _)| of(candidate)).collect();
    let is_first = |one: &Candidate| one.proof() == Proof::Proven && one.stands(Structure::FirstCopy);
    let starts: BTreeSet<u64> =
        candidates.iter().filter(|(one, _)| is_first(one)).map(|(one, _)| one.place.start()).collect();
    let mut waiting: BTreeMap<&[u8], u64> = BTreeMap::new();
    for (offset, format, sector) in tables.iter().filter(|(offset, ..)| !explained.contains(offset)) {
        let Some(first) = waiting.remove(sector.as_slice()) else {
            waiting.insert(sector, *offset);
            continue;
        };
        let table = |offset| Evidence { structure: Structure::AllocationTable, offset, verdict: Verdict::Stands };
        let candidate = Candidate {
            place: Place::Superblock { start: first, length: None },
            kind: kind(*format),
            evidence: vec![table(first), table(*offset)],
            // The first sector of another volume stands where its own must have been.
            formatted_over: starts.range(first.saturating_sub(MOST_RESERVED)..first).next().is_some(),
        };
        candidates.push((candidate, Vec::new()));
    }
}

/// APFS keeps older copies of its head inside the container, and they name no place but their own.
fn copies_inside(candidates: &mut Vec<(Candidate, Vec<u64>)>) {
    let mut container: Option<(u64, Option<u64>)> = None;
    // They are in the order of their starts.
    candidates.retain(|(candidate, _)| {
        if candidate.kind != Kind::Apfs {
            return true;
        }
        let (start, length) = (candidate.place.start(), candidate.place.length());
        let inside =
            container.is_some_and(|(first, size)| size == length && start < first.saturating_add(size.unwrap_or(0)));
        if !inside {
            container = Some((start, length));
        }
        !inside
    });
}
