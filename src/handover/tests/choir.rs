//! The choir's old computer in memory: a filesystem that only says where things lie.

use std::collections::HashMap;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::SystemTime;

use crate::catalog::{
    AddressKind, Attribute, Catalog, CatalogBuilder, Distrust, Encoding, Extents, Facts, Findings, Incomplete, Object,
    ObjectId, ObjectKind, Place, Run, Runs, Timestamp, Unlocated,
};
use crate::error::{Error, Result};
use crate::filesystem::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts, damage};
use crate::handover::{Choices, Job, JobDetails, MapNote, Options, Record, Selected, VolumeSelection};
use crate::image::{Image, MemoryImage};
use crate::progress::Progress;
use crate::sector_map::{Basis, ByteState, SectorMap, Segment};
use crate::source::Source;

/// An image file that fails or changes when it is told to.
pub(in crate::handover) struct MoodyImage {
    bytes: MemoryImage,
    mood: Arc<Mood>,
}

/// How a [`MoodyImage`] behaves.
#[derive(Debug, Default)]
pub(in crate::handover) struct Mood {
    pub(in crate::handover) fails: AtomicBool,
    pub(in crate::handover) changed: AtomicBool,
    pub(in crate::handover) reads: AtomicU64,
}

impl Image for MoodyImage {
    fn length(&self) -> u64 {
        self.bytes.length()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        self.mood.reads.fetch_add(1, Ordering::SeqCst);
        if self.mood.fails.load(Ordering::SeqCst) {
            let source = std::io::Error::other("the network drive went away");
            return Err(Error::ImageIo { path: PathBuf::from("choir.img"), offset: Some(offset), source });
        }
        self.bytes.read_at(offset, buffer)
    }

    fn parts(&self) -> &[PathBuf] {
        &[]
    }

    fn modified(&self) -> Option<SystemTime> {
        self.bytes.modified()
    }

    fn check_unchanged(&self) -> Result<()> {
        match self.mood.changed.load(Ordering::SeqCst) {
            true => Err(Error::ImageChanged { path: PathBuf::from("choir.img"), what: "it grew".to_string() }),
            false => Ok(()),
        }
    }
}

/// A volume that is told where its files lie.
pub(in crate::handover) struct Choir {
    source: Source,
    pub(in crate::handover) facts: VolumeFacts,
    findings: Findings,
    extents: HashMap<ObjectId, Extents>,
    targets: HashMap<ObjectId, String>,
    pub(in crate::handover) catalog: Catalog,
    pub(in crate::handover) mood: Arc<Mood>,
}

impl Filesystem for Choir {
    fn source(&self) -> &Source {
        &self.source
    }

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn findings(&self) -> &Findings {
        &self.findings
    }

    fn sweep(&self, _: SweepOptions, _: &dyn Progress) -> Result<Swept> {
        unreachable!("the catalog is ready")
    }

    fn extents(&self, catalog: &Catalog, object: ObjectId) -> Result<Extents> {
        let lost = || Error::Unreadable {
            offset: 0x400,
            structure: "file record",
            number: Some(catalog.object(object).locator),
        };
        self.extents.get(&object).cloned().ok_or_else(lost)
    }

    fn link_target(&self, _: &Catalog, object: ObjectId) -> Result<Option<String>> {
        Ok(self.targets.get(&object).cloned())
    }

    fn needs(&self, _: &Catalog, _: Chosen<'_>) -> Result<Needs> {
        Ok(Needs::default())
    }
}

/// Fills a [`Choir`].
pub(in crate::handover) struct Builder {
    catalog: CatalogBuilder,
    extents: HashMap<ObjectId, Extents>,
    targets: HashMap<ObjectId, String>,
    pub(in crate::handover) bytes: Vec<u8>,
    next: u64,
}

pub(in crate::handover) const CLUSTER: u64 = 512;

impl Builder {
    pub(in crate::handover) fn new() -> (Self, ObjectId) {
        let mut catalog = CatalogBuilder::new(AddressKind::Record);
        let mut root = Object::new(ObjectKind::Folder, 5);
        root.facts = Facts::SOUND;
        let root = catalog.object(root).unwrap();
        (Self { catalog, extents: HashMap::new(), targets: HashMap::new(), bytes: vec![0; 1024], next: 24 }, root)
    }

    fn object(&mut self, kind: ObjectKind, size: u64) -> ObjectId {
        let mut object = Object::new(kind, self.next);
        self.next += 1;
        object.size = size;
        object.facts = Facts::SOUND;
        object.set_times(
            Timestamp::from_filetime(128_815_169_661_234_567),
            Timestamp::from_filetime(128_815_169_661_234_567 + self.next * 10_000_000),
        );
        self.catalog.object(object).unwrap()
    }

    pub(in crate::handover) fn named(&mut self, folder: ObjectId, object: ObjectId, name: &str) {
        self.catalog.name(folder, object, name.encode_utf16()).unwrap();
    }

    /// A name that text may not hold.
    pub(super) fn named_units(&mut self, folder: ObjectId, object: ObjectId, units: &[u16]) {
        self.catalog.name(folder, object, units.iter().copied()).unwrap();
    }

    pub(in crate::handover) fn folder(&mut self, folder: ObjectId, name: &str) -> ObjectId {
        let object = self.object(ObjectKind::Folder, 0);
        self.named(folder, object, name);
        object
    }

    /// A file in clusters of its own.
    pub(in crate::handover) fn file(&mut self, folder: ObjectId, name: &str, content: &[u8]) -> ObjectId {
        let object = self.content(ObjectKind::File, content);
        self.named(folder, object, name);
        object
    }

    fn content(&mut self, kind: ObjectKind, content: &[u8]) -> ObjectId {
        let object = self.object(kind, content.len() as u64);
        let place = self.bytes.len() as u64;
        self.bytes.extend_from_slice(content);
        self.bytes.resize(self.bytes.len().next_multiple_of(CLUSTER as usize), 0xee);
        let length = self.bytes.len() as u64 - place;
        let size = content.len() as u64;
        let runs = vec![Run { start: 0, length, place: Place::At(place) }];
        let runs = Runs { runs, size, valid_size: size, encoding: Encoding::Plain };
        self.extents.insert(object, Extents::Runs(runs));
        object
    }

    pub(in crate::handover) fn stream(&mut self, owner: ObjectId, name: &str, content: &[u8]) {
        let stream = self.content(ObjectKind::Stream, content);
        self.named(owner, stream, name);
    }

    pub(in crate::handover) fn link(&mut self, folder: ObjectId, name: &str, target: &str) {
        let link = self.object(ObjectKind::Link, 0);
        self.targets.insert(link, target.to_string());
        self.named(folder, link, name);
    }

    pub(in crate::handover) fn change(&mut self, object: ObjectId, change: impl FnOnce(&mut Object)) {
        change(self.catalog.object_mut(object).unwrap());
    }

    pub(in crate::handover) fn facts(&mut self, object: ObjectId, change: impl FnOnce(&mut Facts)) {
        self.change(object, |object| change(&mut object.facts));
    }

    pub(in crate::handover) fn set_extents(&mut self, object: ObjectId, extents: Option<Extents>) {
        match extents {
            Some(extents) => self.extents.insert(object, extents),
            None => self.extents.remove(&object),
        };
    }

    pub(in crate::handover) fn lose_records(&mut self, count: u64) {
        self.catalog.lost_records = count;
    }

    /// Where a file's content begins in the image.
    pub(in crate::handover) fn place(&self, object: ObjectId) -> u64 {
        self.extents[&object].first_place()
    }

    /// The volume under a map whose every byte is `rest` but for what is unread.
    pub(in crate::handover) fn finish(
        mut self,
        root: ObjectId,
        rest: Option<ByteState>,
        unread: &[Range<u64>],
    ) -> Choir {
        let mood = Arc::new(Mood::default());
        let bytes = MemoryImage::new(std::mem::take(&mut self.bytes));
        let image: Arc<dyn Image> = Arc::new(MoodyImage { bytes, mood: Arc::clone(&mood) });
        let segments: Vec<Segment> =
            unread.iter().map(|range| Segment { range: range.clone(), state: ByteState::Unread }).collect();
        let source = match rest {
            None => Source::without_map(image),
            Some(rest) => {
                let map = SectorMap::from_ranges(image.length(), Basis::Full, rest, &segments).unwrap();
                Source::new(image, &map, 512)
            }
        };
        for (object, extents) in &self.extents {
            let found = damage(&source, extents);
            found.enter(&mut self.catalog.object_mut(*object).unwrap().facts);
        }
        let facts = VolumeFacts { filesystem: "choir", cluster_size: CLUSTER, ..VolumeFacts::default() };
        let catalog = self.catalog.finish(root).unwrap();
        Choir {
            source,
            facts,
            findings: Findings::default(),
            extents: self.extents,
            targets: self.targets,
            catalog,
            mood,
        }
    }
}

/// A bit of everything: every state, hard links, streams, links, hard names.
pub(in crate::handover) fn everything(rest: Option<ByteState>) -> Choir {
    let (mut choir, root) = Builder::new();
    let users = choir.folder(root, "Users");
    let clara = choir.folder(users, "Clara");
    let song = choir.file(clara, "Abend 100%.txt", b"Der Mond ist aufgegangen\n");
    choir.named(clara, song, "evening.txt");
    choir.file(clara, "photo.jpg", &noise(1300, 1));
    choir.file(clara, "Photo.JPG", &noise(1024, 2));
    choir.file(clara, "lit%0Aeral.txt", b"percent");
    choir.file(clara, "CON", b"");
    let holed = choir.file(clara, "concert.mp3", &noise(3000, 3));
    let stream = choir.file(clara, "letter.doc", &noise(700, 4));
    choir.stream(stream, "Zone.Identifier", b"[ZoneTransfer]\r\nZoneId=3\r\n");
    choir.link(clara, "My Music", "C:\\Users\\Clara\\Music");
    let twice = choir.file(clara, "claimed.bin", &noise(600, 5));
    choir.facts(twice, |facts| {
        facts.distrust.insert(Distrust::ClaimedTwice);
    });
    let locked = choir.file(clara, "secret.txt", &noise(600, 6));
    choir.facts(locked, |facts| facts.encrypted = true);
    let named_only = choir.file(clara, "gone.txt", b"");
    choir.facts(named_only, |facts| facts.unlocated = Some(Unlocated::RecordLost));
    let misplaced = choir.file(clara, "misplaced.txt", b"where?");
    choir.set_extents(misplaced, None);
    let cloud = choir.file(clara, "cloud.txt", b"");
    let runs = vec![Run { start: 0, length: 4096, place: Place::NeverHere }];
    let runs = Runs { runs, size: 4000, valid_size: 4000, encoding: Encoding::Plain };
    choir.set_extents(cloud, Some(Extents::Runs(runs)));
    choir.change(cloud, |object| {
        object.size = 4000;
        object.attributes.insert(Attribute::Cloud);
    });
    let deleted = choir.file(clara, "old.txt", b"deleted");
    choir.facts(deleted, |facts| {
        facts.distrust.insert(Distrust::Deleted);
    });
    let blank = choir.file(clara, "blank.dat", &[0; 2000]);
    choir.set_extents(blank, Some(Extents::Resident(vec![0; 2000])));
    let empty = choir.folder(users, "Empty");
    choir.change(empty, |object| {
        object.incomplete.insert(Incomplete::LostRecords);
    });
    choir.lose_records(2);
    for number in 0..12 {
        choir.file(root, &format!("note {number}.txt"), &noise(100 * number, 10 + number as u64));
    }
    let hole = Range { start: choir.place(holed) + 512, end: choir.place(holed) + 1024 };
    choir.finish(root, rest, std::slice::from_ref(&hole))
}

/// Bytes that do not repeat (a linear congruential generator; constants of MMIX, from memory).
pub(in crate::handover) fn noise(length: usize, seed: u64) -> Vec<u8> {
    let mut state = seed;
    let mut next = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 56) as u8
    };
    (0..length).map(|_| next()).collect()
}

/// The job of handing over parts of a volume.
pub(in crate::handover) fn job<'a>(choir: &'a Choir, selected: Vec<Selected>, options: Options) -> Job<'a> {
    Job {
        image: choir.source.image(),
        image_name: "choir.img".to_string(),
        map: MapNote { basis: Some(Basis::Full), sha256: Some("5f".repeat(32)), ..MapNote::default() },
        volumes_complete: true,
        choices: Choices::default(),
        volumes: vec![VolumeSelection {
            number: 2,
            filesystem: choir,
            catalog: &choir.catalog,
            facts: &choir.facts,
            selected,
        }],
        details: JobDetails::default(),
        disk: None,
        time_zone: jiff::tz::TimeZone::UTC,
        options,
        record: Record::default(),
    }
}
