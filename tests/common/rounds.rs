//! Imaging passes over a dying drive, simulated: the whole truth lies hidden behind a map with holes, and what is asked
//! for comes off the drive.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::SystemTime;

use handback::catalog::{Catalog, Completeness, Lookup, ObjectId, ObjectKind, State};
use handback::content::fingerprint;
use handback::error::Result;
use handback::filesystem::{Filesystem, SweepOptions, Swept};
use handback::image::Image;
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap, Segment};
use handback::source::Source;
use handback::survey::wanted::{self, Selection, Wanted, WantedRange};
use handback::volumes::{self, Disk};

/// More than this would help nobody.
const MOST_PASSES: usize = 8;

/// Holes in order and apart, each with its state.
pub(crate) type Holes = Vec<Segment>;

/// The truth with noise in its holes, so that nobody profits from peeking.
struct Holed {
    truth: Arc<dyn Image>,
    holes: Vec<Range<u64>>,
}

impl Image for Holed {
    fn length(&self) -> u64 {
        self.truth.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        self.truth.read_at(offset, buffer)?;
        let end = offset + buffer.len() as u64;
        let first = self.holes.partition_point(|hole| hole.end <= offset);
        for hole in self.holes[first..].iter().take_while(|hole| hole.start < end) {
            for at in hole.start.max(offset)..hole.end.min(end) {
                buffer[usize::try_from(at - offset).expect("inside")] ^= 0x5a_u8.wrapping_add(at as u8) | 1;
            }
        }
        Ok(())
    }

    fn parts(&self) -> &[PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<SystemTime> {
        None
    }

    fn check_unchanged(&self) -> Result<()> {
        Ok(())
    }
}

/// What is asked for: a path, and on which volume.
pub(crate) type Choice = (u32, String);

/// How a chosen thing stands: a file by state and hash, a folder by whether it is complete.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Standing {
    File(State, Option<[u8; 32]>),
    Folder(Completeness),
}

/// A drive whose truth is known.
pub(crate) struct Drive {
    truth: Arc<dyn Image>,
    choices: Vec<Choice>,
    sound: BTreeMap<String, Standing>,
}

/// What all passes together took.
pub(crate) struct Passes {
    /// The round of each.
    pub(crate) rounds: Vec<u8>,
    /// All that was asked for, in the order of the passes.
    pub(crate) asked: Vec<WantedRange>,
    /// The first answer.
    pub(crate) first: Wanted,
    /// Holes that are left.
    pub(crate) left: Holes,
}

impl Drive {
    pub(crate) fn new(truth: Arc<dyn Image>, choices: Vec<Choice>) -> Self {
        let mut drive = Self { truth, choices, sound: BTreeMap::new() };
        drive.sound = drive.standing(&Vec::new());
        assert!(!drive.sound.is_empty(), "something is chosen");
        drive
    }

    /// Bytes in a sector of the drive.
    pub(crate) fn sector(&self) -> u64 {
        volumes::open(&self.source(&Vec::new()), Default::default()).expect("the image can be read").table.sector_size
    }

    /// SHA-256 of each chosen file on the sound drive, in hexadecimal, by path.
    pub(crate) fn hashes(&self) -> BTreeMap<String, String> {
        let path = |key: &str| key.split_once(' ').map(|(_, path)| path.to_string()).unwrap_or_default();
        let hex = |hash: &[u8; 32]| hash.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        let files = self.sound.iter().filter_map(|(key, standing)| match standing {
            Standing::File(_, Some(hash)) => Some((path(key), hex(hash))),
            _ => None,
        });
        files.collect()
    }

    /// Whether nothing is wrong with what is chosen on the sound drive.
    pub(crate) fn is_sound(&self) -> bool {
        self.sound.values().all(|standing| match standing {
            Standing::File(state, _) => !state.is_loss(),
            Standing::Folder(completeness) => *completeness == Completeness::Complete,
        })
    }

    pub(crate) fn chosen(&self) -> usize {
        self.sound.len()
    }

    /// The drive's image with holes.
    fn source(&self, holes: &Holes) -> Source {
        let length = self.truth.length();
        let map = SectorMap::from_ranges(length, Basis::Full, ByteState::Read, holes).expect("in order");
        let ranges = holes.iter().map(|hole| hole.range.clone()).collect();
        Source::new(Arc::new(Holed { truth: Arc::clone(&self.truth), holes: ranges }), &map, 512)
    }

    /// All that is chosen, by volume and path and address: whether it is as it should be.
    fn standing(&self, holes: &Holes) -> BTreeMap<String, Standing> {
        let mut all = BTreeMap::new();
        let source = self.source(holes);
        let disk = volumes::open(&source, Default::default()).expect("the image can be read");
        for opened in opened(&disk) {
            let (number, filesystem, swept) = (opened.number, opened.filesystem, &opened.swept);
            let catalog = &swept.catalog;
            for (_, path) in self.choices.iter().filter(|(volume, _)| *volume == number) {
                let Lookup::Found(root, _) = catalog.find(path) else { continue };
                for id in below(catalog, root) {
                    let key = |path: String| format!("{number}:{} {path}", catalog.address(id).unwrap_or_default());
                    let paths: Vec<String> = catalog.names_of(id).map(|name| catalog.path(name)).collect();
                    let standing = standing(filesystem, catalog, id);
                    for path in if paths.is_empty() { vec!["/".to_string()] } else { paths } {
                        all.insert(key(path), standing.clone());
                    }
                }
            }
        }
        all
    }

    /// What is not as on the sound drive.
    pub(crate) fn faults(&self, holes: &Holes) -> Vec<String> {
        let now = self.standing(holes);
        let mut faults: Vec<String> = Vec::new();
        for (key, sound) in &self.sound {
            match now.get(key) {
                Some(standing) if is_as_good(standing, sound) => {}
                other => faults.push(format!("{key}: {} instead of {}", word(other), word(Some(sound)))),
            }
        }
        faults.extend(now.keys().filter(|key| !self.sound.contains_key(*key)).map(|key| format!("{key} is new")));
        faults
    }

    /// What is wanted under these holes.
    pub(crate) fn wanted(&self, holes: &Holes) -> Wanted {
        let source = self.source(holes);
        let disk = volumes::open(&source, Default::default()).expect("the image can be read");
        let opened = opened(&disk);
        let unopened = self.choices.iter().find(|(number, _)| opened.iter().all(|one| one.number != *number));
        let mut selections = Vec::new();
        for found in &opened {
            let catalog = &found.swept.catalog;
            let (mut objects, mut lists) = (Vec::new(), Vec::new());
            for (_, path) in self.choices.iter().filter(|(number, _)| *number == found.number) {
                match catalog.find(path) {
                    Lookup::Found(id, _) => objects.push(id),
                    _ => lists.extend(wanted::where_it_may_have_stood(catalog, path)),
                }
            }
            if !objects.is_empty() || !lists.is_empty() {
                selections.push(Selection { filesystem: found.filesystem, catalog, objects, lists });
            }
        }
        if let Some((number, _)) = unopened {
            return wanted::to_open(&disk, Some(*number));
        }
        wanted::wanted(&disk.source, disk.table.sector_size, &selections, &Silent).expect("the image can be read")
    }

    /// Reads what is asked for until nothing is.
    pub(crate) fn passes(&self, holes: &Holes) -> Passes {
        let first = self.wanted(holes);
        let mut passes = Passes { rounds: Vec::new(), asked: Vec::new(), first: first.clone(), left: holes.clone() };
        let sector = self.sector();
        let mut now = first;
        while let Some(round) = now.round() {
            assert!(passes.rounds.len() < MOST_PASSES, "it ends: {:?} {:x?}\n{holes:x?}", passes.rounds, passes.asked);
            let asked = if round == 1 { &now.metadata } else { &now.content };
            assert!(asked.ranges.windows(2).all(|pair| pair[0].end() <= pair[1].start), "in image order");
            let mut given = 0;
            for range in &asked.ranges {
                let before: u64 = total(&passes.left);
                // The drive gives whole sectors, also where their size was not known yet. Two ranges may share one.
                let start = (range.start / sector * sector).max(given);
                given = range.end().next_multiple_of(sector).min(self.truth.length()).max(start);
                passes.left = filled(&passes.left, start..given);
                assert_eq!(before - total(&passes.left), given - start, "only holes are asked for: {range:?}");
            }
            passes.rounds.push(round);
            passes.asked.extend(asked.ranges.iter().cloned());
            now = self.wanted(&passes.left);
        }
        passes
    }
}

pub(crate) fn total(holes: &Holes) -> u64 {
    holes.iter().map(|hole| hole.range.end - hole.range.start).sum()
}

/// The holes without a range that was read.
pub(crate) fn filled(holes: &Holes, read: Range<u64>) -> Holes {
    let mut left = Vec::with_capacity(holes.len() + 1);
    for hole in holes {
        let (start, end) = (hole.range.start, hole.range.end);
        for range in [start..end.min(read.start), start.max(read.end)..end] {
            if range.start < range.end {
                left.push(Segment { range, state: hole.state });
            }
        }
    }
    left
}

/// The holes with one more, which lies apart from them or beside them.
pub(crate) fn with(holes: &Holes, more: &WantedRange) -> Holes {
    let mut all = holes.clone();
    all.push(Segment { range: more.start..more.end(), state: more.state });
    all.sort_by_key(|hole| hole.range.start);
    all
}

struct Opened<'a> {
    number: u32,
    filesystem: &'a dyn Filesystem,
    swept: Swept,
}

fn opened(disk: &Disk) -> Vec<Opened<'_>> {
    let readable = disk.volumes.iter().filter_map(|volume| Some((volume.number, volume.filesystem()?)));
    readable
        .map(|(number, filesystem)| {
            let swept = filesystem.sweep(SweepOptions::default(), &Silent).expect("the image can be read");
            Opened { number, filesystem, swept }
        })
        .collect()
}

fn below(catalog: &Catalog, root: ObjectId) -> BTreeSet<ObjectId> {
    let mut stack = vec![root];
    let mut all = BTreeSet::new();
    while let Some(id) = stack.pop() {
        // What lost its folder is not what is chosen.
        if catalog.address(id).is_some() && all.insert(id) {
            stack.extend(catalog.streams(id).chain(catalog.children(id)).map(|name| catalog.named_object(name)));
        }
    }
    all
}

fn standing(filesystem: &dyn Filesystem, catalog: &Catalog, id: ObjectId) -> Standing {
    let object = catalog.object(id);
    if object.kind == ObjectKind::Folder {
        return Standing::Folder(object.completeness());
    }
    let is_file = matches!(object.kind, ObjectKind::File | ObjectKind::Stream);
    let found = match is_file && object.facts.unlocated.is_none() {
        true => fingerprint(filesystem, catalog, id, &mut |_| ()).expect("the image can be read"),
        false => None,
    };
    match found {
        Some(found) => {
            let facts = object.facts.with_reading(&found.outcome.gaps, found.outcome.unknown);
            Standing::File(facts.state(), Some(found.sha256))
        }
        None => Standing::File(object.facts.state(), None),
    }
}

/// Whether it is as before. Where a table of an earlier day lies in a hole, it can't disagree any more, and files are
/// better than on the sound drive.
fn is_as_good(now: &Standing, sound: &Standing) -> bool {
    match (now, sound) {
        (Standing::File(now, now_hash), Standing::File(sound, hash)) => now >= sound && now_hash == hash,
        (Standing::Folder(now), Standing::Folder(sound)) => now <= sound,
        _ => false,
    }
}

fn word(standing: Option<&Standing>) -> String {
    match standing {
        None => "missing".to_string(),
        Some(Standing::File(state, _)) => state.word().to_string(),
        Some(Standing::Folder(completeness)) => completeness.word().to_string(),
    }
}
