//! The damage harness: breaks a sound image in many ways and looks whether anything wrong is called right.
//!
//! The sound image itself is the measure: what it lists and where its files lie was compared with the truth before.
//! [`anatomy`] says what stands in each sector; it is read without the library.

pub(crate) mod anatomy;
pub(crate) mod images;
mod said;
mod sound;
pub(crate) mod tally;

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;
use std::sync::Arc;

use handback::catalog::{Catalog, Completeness, ObjectId, ObjectKind, State};
use handback::filesystem::{Filesystem, SweepOptions};
use handback::image::{Image, MemoryImage};
use handback::progress::Silent;
use handback::sector_map::{Basis, ByteState, SectorMap};
use handback::source::{Damage, Source};
use handback::volumes::{self, Content, Options, search};

use anatomy::Anatomy;
use images::Recording;
use said::Said;
use sound::{Key, Sound, SoundFolder, SoundLink, hash, listed, owner, touches};
use tally::{Seen, Tally};

use super::{edit, fixture};

/// How an image is opened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Shape {
    /// One volume fills it.
    Bare,
    /// A drive with a partition table.
    Disk,
    /// The same with its table unread: its volumes are searched for.
    Searched,
}

/// A sound image and all that is known of it.
pub(crate) struct Baseline {
    pub(crate) source: Source,
    pub(crate) anatomy: Anatomy,
    shape: Shape,
    options: SweepOptions,
    /// Sectors that anything asked for on the sound image.
    asked: BTreeSet<u64>,
    volumes: BTreeSet<u64>,
    files: HashMap<Key, Sound>,
    folders: HashMap<Key, SoundFolder>,
    links: HashMap<Key, SoundLink>,
    /// In which folders something stands.
    folders_of: HashMap<Key, Vec<Key>>,
    said: Said,
}

/// An opened image.
struct Opened {
    /// First bytes in the image, and readers.
    volumes: Vec<(u64, Box<dyn Filesystem>)>,
    /// Starts of everything that is named as a volume, readable or not.
    named: BTreeSet<u64>,
    /// Whether it says that no volume is missing.
    complete: bool,
    said: Said,
}

fn opened(source: &Source, shape: Shape) -> Opened {
    let mut all = Opened { volumes: Vec::new(), named: BTreeSet::new(), complete: false, said: Said::default() };
    match shape {
        Shape::Bare => {
            all.volumes.extend(edit::any(source).map(|volume| (0, volume)));
        }
        Shape::Disk | Shape::Searched => {
            let found = (shape == Shape::Searched).then(|| search::search(source, &Silent).expect("in memory"));
            let options = Options { found: found.map(Arc::new), ..Options::default() };
            let disk = volumes::open(source, options).expect("in memory");
            all.complete = disk.complete;
            all.said.add(u64::MAX, &disk.table.findings);
            for volume in disk.volumes {
                all.named.insert(volume.start);
                if let Content::Readable(filesystem) = volume.content {
                    all.volumes.push((volume.start, filesystem));
                }
            }
        }
    }
    for (start, volume) in &all.volumes {
        all.said.add(*start, volume.findings());
    }
    all
}

/// All that leads to a volume by the table: what lies before the first one, and of a GPT the copy at the end, with sectors
/// of 4,096 bytes at the most. A chain of logical partitions begins in the first.
fn tables(source: &Source, name: &str) -> Vec<Damage> {
    const BACKUP: u64 = 5 * 4096;
    let end = source.length();
    let mut damage = vec![Damage::unread(0..1 << 20)];
    if name.starts_with("gpt") {
        damage.push(Damage::unread(end - BACKUP..end));
    }
    damage
}

impl Baseline {
    /// A test image, all of it read. With `cross_check`, folders' own lists are held against the records.
    pub(crate) fn of(name: &str, shape: Shape, cross_check: bool) -> Self {
        let options = SweepOptions { cross_check, ..SweepOptions::default() };
        let image = Arc::new(Recording::new(MemoryImage::new(fixture::image(name))));
        let map = SectorMap::from_ranges(image.length(), Basis::Full, ByteState::Read, &[]).expect("no ranges");
        let source = Source::new(Arc::clone(&image) as Arc<dyn Image>, &map, 512);
        let source = if shape == Shape::Searched { source.with_damage(&tables(&source, name)) } else { source };
        let Opened { volumes, mut said, .. } = opened(&source, shape);
        assert!(!volumes.is_empty(), "a sound image has a volume");
        let (mut files, mut folders, mut links) = (HashMap::new(), HashMap::new(), HashMap::new());
        for (start, volume) in &volumes {
            let swept = volume.sweep(options, &Silent).expect("in memory");
            said.swept(*start, &swept);
            let catalog = swept.catalog;
            for (id, object) in catalog.objects() {
                let Some(address) = catalog.address(id) else { continue };
                match object.kind {
                    ObjectKind::File | ObjectKind::Stream if object.facts.unlocated.is_none() => {
                        let extents = volume.extents(&catalog, id).expect("a placed file");
                        let (sha256, _) = hash(volume.as_ref(), &extents);
                        let state = object.facts.state();
                        files.insert((*start, address), Sound { extents, sha256, state });
                    }
                    ObjectKind::Folder => {
                        let sound = SoundFolder { names: listed(&catalog, id), completeness: object.completeness() };
                        folders.insert((*start, address), sound);
                    }
                    ObjectKind::Link | ObjectKind::Other => {
                        let target = volume.link_target(&catalog, id).expect("in memory");
                        links.insert((*start, address), SoundLink { target, state: object.facts.state() });
                    }
                    _ => {}
                }
            }
        }
        let starts: BTreeSet<u64> = volumes.iter().map(|(start, _)| *start).collect();
        drop(volumes);
        let asked = image.end();
        let mut folders_of: HashMap<Key, Vec<Key>> = HashMap::new();
        for (folder, sound) in &folders {
            let folder: &Key = folder;
            let sound: &SoundFolder = sound;
            for (address, _) in &sound.names {
                folders_of.entry((folder.0, address.clone())).or_default().push(folder.clone());
            }
        }
        let anatomy = Anatomy::of(&source, &starts);
        Self { source, anatomy, shape, options, asked, volumes: starts, files, folders, links, folders_of, said }
    }

    pub(crate) fn sectors(&self) -> u64 {
        self.source.length() / 512
    }

    /// Whether a sector, alone, can change nothing: nothing asked for it on the sound image, so with only it broken
    /// everything runs the same way. What is read only for want of something else, or asked about and not read (a
    /// file's content), is not among these.
    pub(crate) fn is_quiet(&self, number: u64) -> bool {
        let kind = self.anatomy.kind(number * 512);
        !self.asked.contains(&number) && self.anatomy.is_quiet(kind)
    }

    pub(crate) fn file_count(&self) -> usize {
        self.files.len()
    }

    /// Breaks the image once and adds what is seen.
    pub(crate) fn check(&self, damage: &[Damage], tally: &mut Tally) -> Seen {
        let ranges: Vec<Range<u64>> = damage.iter().map(|one| one.range.clone()).collect();
        self.check_source(&self.source.with_damage(damage), &ranges, tally)
    }

    /// Looks at the image as `source` has it now; only the bytes of `changed` may be other ones.
    pub(crate) fn check_source(&self, source: &Source, changed: &[Range<u64>], tally: &mut Tally) -> Seen {
        tally.damages += 1;
        let mut seen = Seen::default();
        let Opened { volumes, named, complete, mut said } = opened(source, self.shape);
        let mut states: HashMap<Key, State> = HashMap::new();
        let mut completeness: HashMap<Key, Completeness> = HashMap::new();
        for start in &self.volumes {
            if !volumes.iter().any(|(other, _)| other == start) {
                tally.closed += 1;
                if let [one] = changed {
                    *tally.closed_by.entry(self.anatomy.kind(one.start)).or_default() += 1;
                }
                seen.noticed = true;
                if self.shape != Shape::Bare && complete && !named.contains(start) {
                    seen.wrong.push(format!("the volume at {start} is gone and nothing says so"));
                }
            }
        }
        for (start, volume) in &volumes {
            let swept = volume.sweep(self.options, &Silent).expect("in memory");
            said.swept(*start, &swept);
            let catalog = swept.catalog;
            for (id, object) in catalog.objects() {
                let Some(address) = catalog.address(id) else { continue };
                let key = (*start, address);
                match object.kind {
                    ObjectKind::File | ObjectKind::Stream => {
                        let state = self.file(volume.as_ref(), &catalog, id, &key, changed, &mut seen);
                        *tally.files.entry(state.word()).or_default() += 1;
                        states.insert(key, state);
                    }
                    ObjectKind::Folder => {
                        let now = object.completeness();
                        *tally.folders.entry(now.word()).or_default() += 1;
                        if now == Completeness::Complete
                            && let Some(sound) = self.folders.get(&key)
                        {
                            let missing = sound.names.difference(&listed(&catalog, id)).count();
                            if missing > 0 {
                                seen.wrong.push(format!("folder {} lacks {missing} names", key.1));
                            }
                        }
                        completeness.insert(key, now);
                    }
                    ObjectKind::Link | ObjectKind::Other => {
                        let target = volume.link_target(&catalog, id).expect("in memory");
                        let state = object.facts.state();
                        self.link(&key, state, target, &mut seen);
                        states.insert(key, state);
                    }
                }
            }
            // What is gone and counted nowhere is silently missing: its folder, or the file of a stream, must say so,
            // or the volume. A folder that is gone, too, is judged by itself.
            let root_complete = catalog.object(catalog.root()).completeness() == Completeness::Complete;
            let is_complete = |key: &Key| completeness.get(key).map(|now| *now == Completeness::Complete);
            for key in
                self.files.keys().chain(self.folders.keys()).chain(self.links.keys()).filter(|key| key.0 == *start)
            {
                if said.listing.contains_key(key) {
                    continue;
                }
                let owner = owner(&key.1).map(|owner| (*start, owner));
                // An owner that is gone itself is judged by itself.
                let said_by_owner = owner.is_some_and(|owner| match is_complete(&owner) {
                    Some(complete) => !complete,
                    None => states.get(&owner).is_none_or(|state| state.is_loss()),
                });
                let mut homes = self.folders_of.get(key).into_iter().flatten();
                let said_by_folder = homes.any(|home| is_complete(home) != Some(true));
                if !said_by_owner && !said_by_folder && root_complete {
                    seen.wrong.push(format!("{} is gone and nothing says so", key.1));
                }
            }
        }
        self.converse(&states, &completeness, changed, tally, &mut seen);
        seen.noticed |= !said.is_same_beside_the_listing(&self.said);
        seen.relisted = said.listing != self.said.listing;
        tally.wrong.extend(seen.wrong.iter().map(|what| format!("{changed:x?}: {what}")));
        seen
    }

    /// What is worse than before, and whether the changed sectors are its own.
    fn converse(
        &self,
        states: &HashMap<Key, State>,
        folders: &HashMap<Key, Completeness>,
        changed: &[Range<u64>],
        tally: &mut Tally,
        seen: &mut Seen,
    ) {
        let mut note = |key: &Key, by_kind: fn(&mut Tally) -> &mut BTreeMap<&'static str, u64>| {
            seen.noticed = true;
            // Of several damages, nobody can say which one it was.
            if let [one] = changed
                && !self.anatomy.belongs(one, key.0, &key.1)
            {
                *by_kind(tally).entry(self.anatomy.kind(one.start)).or_default() += 1;
            }
        };
        let files = self.files.iter().map(|(key, sound)| (key, sound.state));
        for (key, sound) in files.chain(self.links.iter().map(|(key, sound)| (key, sound.state))) {
            if states.get(key) != Some(&sound) {
                note(key, |tally| &mut tally.files_spoiled);
            }
        }
        for (key, sound) in &self.folders {
            if folders.get(key) != Some(&sound.completeness) {
                note(key, |tally| &mut tally.folders_spoiled);
            }
        }
    }

    /// A link that is called whole points where it did.
    fn link(&self, key: &Key, state: State, target: Option<String>, seen: &mut Seen) {
        match self.links.get(key) {
            None if state == State::Whole => seen.wrong.push(format!("{}: no such link was there", key.1)),
            Some(sound) if target.is_none() && sound.target.is_some() => seen.noticed = true,
            Some(sound) if state == State::Whole && target != sound.target => {
                seen.wrong.push(format!("{}: a whole link to {target:?} instead of {:?}", key.1, sound.target));
            }
            _ => {}
        }
    }

    /// The state of a file, as the sweep says it; what is called whole is held against the sound file.
    fn file(
        &self,
        volume: &dyn Filesystem,
        catalog: &Catalog,
        id: ObjectId,
        key: &Key,
        changed: &[Range<u64>],
        seen: &mut Seen,
    ) -> State {
        let object = catalog.object(id);
        let swept = object.facts.state();
        if !matches!(swept, State::Whole | State::NotDecoded | State::Unproven | State::Absent) {
            return swept;
        }
        let mut wrong = |why: String| seen.wrong.push(format!("{} {}: {why}", key.1, catalog.first_path(id)));
        let Ok(extents) = volume.extents(catalog, id) else {
            wrong("it can't be placed any more".to_string());
            return swept;
        };
        let Some(sound) = self.files.get(key) else {
            if matches!(swept, State::Whole | State::NotDecoded) {
                wrong("no such file was there".to_string());
            }
            return swept;
        };
        // Where nothing of it was touched, it needs no reading: the same places hold the same bytes.
        if extents == sound.extents && !touches(volume.source(), &extents, changed) {
            return swept;
        }
        // A size that is another one is wrong without reading; it may be anything.
        if extents.size() != sound.extents.size() {
            if swept == State::Whole {
                wrong(format!("whole, with {} bytes instead of {}", extents.size(), sound.extents.size()));
            }
            return swept;
        }
        let (sha256, outcome) = hash(volume, &extents);
        let mut facts = object.facts.clone();
        facts.after_reading(&outcome.gaps, outcome.unknown);
        let state = facts.state();
        if state == State::Whole && sha256 != sound.sha256 {
            wrong("whole, with other bytes".to_string());
        }
        if swept == State::Whole && state != State::Whole {
            wrong(format!("the sweep said whole and reading says {state}"));
        }
        if swept == State::NotDecoded && state == State::Whole { swept } else { state }
    }
}

/// The sector `number` of 512 bytes.
pub(crate) fn sector(number: u64) -> Range<u64> {
    number * 512..(number + 1) * 512
}
