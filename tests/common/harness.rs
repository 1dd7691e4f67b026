//! The damage harness: breaks a sound volume in many ways and looks whether anything wrong is called right.
//!
//! The sound volume itself is the measure: what it lists and where its files lie was compared with the truth before.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;

use handback::catalog::{Catalog, Completeness, Extents, Lookup, ObjectId, ObjectKind, Place, State};
use handback::content::Outcome;
use handback::filesystem::{self, Filesystem, Swept};
use handback::progress::Silent;
use handback::source::{Damage, Source};
use sha2::{Digest, Sha256};

/// A file or stream of the sound volume.
struct Sound {
    extents: Extents,
    sha256: [u8; 32],
}

/// A sound volume and all that is known of it.
pub(crate) struct Baseline {
    source: Source,
    /// By address: paths change when folders are lost.
    files: HashMap<String, Sound>,
    /// The addresses of what stands in each folder, by the folder's address.
    folders: HashMap<String, BTreeSet<(String, String)>>,
}

/// What many damages did.
#[derive(Debug, Default)]
pub(crate) struct Tally {
    pub(crate) damages: u64,
    pub(crate) files: BTreeMap<&'static str, u64>,
    pub(crate) folders: BTreeMap<&'static str, u64>,
    /// Volumes that were not recognised at all.
    pub(crate) closed: u64,
    /// Files called whole that are not, and folders called complete that are not.
    pub(crate) wrong: Vec<String>,
}

fn hash(volume: &dyn Filesystem, extents: &Extents) -> ([u8; 32], Outcome) {
    let mut hash = Sha256::new();
    let outcome = handback::content::read(volume.source(), extents, &mut |piece| {
        hash.update(piece);
        Ok(())
    })
    .expect("an image in memory");
    (hash.finalize().into(), outcome)
}

/// What stands in a folder: addresses and names, streams left out.
fn listed(catalog: &Catalog, folder: ObjectId) -> BTreeSet<(String, String)> {
    catalog
        .children(folder)
        .filter_map(|name| Some((catalog.address(catalog.named_object(name))?, catalog.name(name).text().into_owned())))
        .collect()
}

impl Baseline {
    pub(crate) fn of(source: Source) -> Self {
        let volume = filesystem::open(&source).expect("in memory").expect("a volume");
        let Swept { catalog, .. } = volume.sweep(Default::default(), &Silent).expect("in memory");
        let (mut files, mut folders) = (HashMap::new(), HashMap::new());
        for (id, object) in catalog.objects() {
            let Some(address) = catalog.address(id) else { continue };
            match object.kind {
                ObjectKind::File | ObjectKind::Stream if object.facts.unlocated.is_none() => {
                    let extents = volume.extents(&catalog, id).expect("a placed file");
                    let (sha256, _) = hash(volume.as_ref(), &extents);
                    files.insert(address, Sound { extents, sha256 });
                }
                ObjectKind::Folder => {
                    folders.insert(address, listed(&catalog, id));
                }
                _ => {}
            }
        }
        drop(volume);
        Self { source, files, folders }
    }

    pub(crate) fn length(&self) -> u64 {
        self.source.length()
    }

    /// Breaks the volume once and adds what is seen. `marked` ranges are damage that the map tells of.
    pub(crate) fn check(&self, damage: &[Damage], tally: &mut Tally) {
        tally.damages += 1;
        let source = self.source.with_damage(damage);
        let Some(volume) = filesystem::open(&source).expect("in memory") else {
            tally.closed += 1;
            return;
        };
        let Swept { catalog, .. } = volume.sweep(Default::default(), &Silent).expect("in memory");
        let what =
            || damage.iter().map(|one| format!("{:#x}..{:#x}", one.range.start, one.range.end)).collect::<Vec<_>>();
        for (id, object) in catalog.objects() {
            let Some(address) = catalog.address(id) else { continue };
            match object.kind {
                ObjectKind::File | ObjectKind::Stream => {
                    let state = self.file(volume.as_ref(), &catalog, id, &address, damage, &mut |why| {
                        tally.wrong.push(format!("{address} after {:?}: {why}", what()));
                    });
                    *tally.files.entry(state.word()).or_default() += 1;
                }
                ObjectKind::Folder => {
                    let completeness = object.completeness();
                    *tally.folders.entry(completeness.word()).or_default() += 1;
                    if completeness != Completeness::Complete {
                        continue;
                    }
                    let missing = match self.folders.get(&address) {
                        Some(names) => names.difference(&listed(&catalog, id)).count(),
                        None => 0,
                    };
                    if missing > 0 {
                        tally.wrong.push(format!("folder {address} after {:?}: {missing} names missing", what()));
                    }
                }
                ObjectKind::Link | ObjectKind::Other => {}
            }
        }
        // What is gone and counted nowhere is silently missing.
        let incomplete = catalog.object(catalog.root()).completeness() != Completeness::Complete;
        let gone =
            self.files.keys().filter(|address| !has(&catalog, address) && !owner_is_doubted(&catalog, address)).count();
        if gone > 0 && !incomplete {
            tally.wrong.push(format!("after {:?}: {gone} files are gone and nothing says so", what()));
        }
    }

    /// The state of a file, decoded where the sweep could not say.
    fn file(
        &self,
        volume: &dyn Filesystem,
        catalog: &Catalog,
        id: ObjectId,
        address: &str,
        damage: &[Damage],
        wrong: &mut dyn FnMut(String),
    ) -> State {
        let object = catalog.object(id);
        let swept = object.facts.state();
        if !matches!(swept, State::Whole | State::NotDecoded | State::Unproven | State::Absent) {
            return swept;
        }
        let Ok(extents) = volume.extents(catalog, id) else {
            wrong("it can't be placed any more".to_string());
            return swept;
        };
        let Some(sound) = self.files.get(address) else {
            if swept == State::Whole {
                wrong("no such file was there".to_string());
            }
            return swept;
        };
        // Where nothing of it was touched, it needs no reading: the same places hold the same bytes.
        if extents == sound.extents && !touches(volume.source(), &extents, damage) {
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
        state
    }
}

/// For a stream: whether its file is there and says that something of it may be lost.
fn owner_is_doubted(catalog: &Catalog, address: &str) -> bool {
    let owner = address.splitn(3, ':').take(2).collect::<Vec<_>>().join(":");
    match catalog.find_address(&owner) {
        Lookup::Found(id, _) => !catalog.object(id).facts.distrust.is_empty(),
        _ => false,
    }
}

fn has(catalog: &Catalog, address: &str) -> bool {
    matches!(catalog.find_address(address), Lookup::Found(..))
}

fn touches(volume: &Source, extents: &Extents, damage: &[Damage]) -> bool {
    let runs = match extents {
        Extents::Resident(_) => return false,
        Extents::Packed(packed) => return touches(volume, &packed.stored, damage),
        Extents::Runs(runs) => runs,
    };
    runs.runs.iter().any(|run| match run.place {
        Place::At(offset) => {
            let start = volume.image_offset(offset);
            damage.iter().any(|one| one.range.start < start + run.length && start < one.range.end)
        }
        _ => false,
    })
}

/// The sector `number` of 512 bytes.
pub(crate) fn sector(number: u64) -> Range<u64> {
    number * 512..(number + 1) * 512
}
