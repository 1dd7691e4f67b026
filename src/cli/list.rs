//! `handback list`: a folder with the state of every file.

mod line;
mod paths;
mod table;

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use jiff::tz::TimeZone;

use self::line::{GapDocument, Line, RangeDocument};
use self::paths::Paths;
use super::args::ListArgs;
use super::disk::{self, Named, OpenedDisk};
use super::exit::ExitStatus;
use super::output::Printer;
use super::{Context, json, size};
use crate::catalog::{
    Attribute, Catalog, Completeness, Distrust, Gap, Name, NameId, Object, ObjectId, ObjectKind, State,
};
use crate::error::{Error, Result};
use crate::filesystem::{self, Filesystem, SweepOptions};
use crate::survey::recycle::{self, Recycled};

/// So many entries are made into text at once, by so many threads at the most.
const AT_ONCE: usize = 1 << 15;
const MOST_THREADS: usize = 8;

/// What was shown, for the last line and the exit status.
#[derive(Default)]
struct Shown {
    files: u64,
    bytes: u64,
    folders: u64,
    lost: u64,
    incomplete: u64,
    unproven: u64,
    /// Deleted files and folders; they are no loss, whatever their state.
    deleted: u64,
}

/// What stands on one line of a listing.
#[derive(Clone, Copy)]
struct Entry {
    name: NameId,
    object: ObjectId,
    /// For a stream, the name of its file or folder beside which it is listed: a file may have several.
    beside: Option<NameId>,
}

/// One volume as it is listed.
struct Listing<'a> {
    volume: u32,
    filesystem: &'a dyn Filesystem,
    catalog: &'a Catalog,
    recycled: HashMap<NameId, Recycled>,
    claimed: &'a BTreeMap<ObjectId, Vec<Range<u64>>>,
    zone: TimeZone,
}

pub(super) fn run(args: &ListArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let options =
        SweepOptions { deleted: args.deleted, cross_check: args.cross_check, codepage: args.codepage.codepage };
    let mut opened = OpenedDisk::open(&args.image, &args.map, &args.sector, options, context)?;
    let named = match opened.find(&args.path, args.volume.volume, context)? {
        Ok(named) => named,
        Err(refused) => return Ok(refused.say(context)),
    };
    let Some((filesystem, swept)) = opened.swept(named.volume) else {
        return Err(Error::Usage(format!("volume {} can't be read", named.volume)));
    };
    let catalog = &swept.catalog;
    let recycled =
        recycle::read(filesystem, catalog)?.into_iter().filter_map(|item| Some((item.content()?, item))).collect();
    let zone = disk::time_zone(&args.time);
    let listing = Listing { volume: named.volume, filesystem, catalog, recycled, claimed: &swept.claimed, zone };
    opened.check_unchanged()?;
    let mut shown = Shown::default();
    if args.json {
        listing.json(&named, args.recursive, &mut shown, &mut context.printer)?;
    } else {
        listing.table(&named, args.recursive, &mut shown, &mut context.printer)?;
    }
    if !args.json {
        say(&shown, catalog.lost_records, context);
        opened.say_if_incomplete(context);
    }
    Ok(ExitStatus::of_faults(shown.lost > 0 || shown.incomplete > 0 || !opened.disk.complete))
}

fn say(shown: &Shown, lost_records: u64, context: &mut Context<'_>) {
    let printer = &mut context.printer;
    printer.note(&format!(
        "{}, {}; {}",
        size::counted(shown.files, "file"),
        size::both(shown.bytes),
        size::counted(shown.folders, "folder")
    ));
    if shown.deleted > 0 {
        printer.note(&format!(
            "{} deleted among them: doubtful at best, as others may have written over what they held",
            size::grouped(shown.deleted)
        ));
    }
    if shown.lost > 0 {
        printer.note(&format!("{} of them damaged, doubtful or not to be found", size::grouped(shown.lost)));
    }
    if shown.unproven > 0 {
        printer.note(&format!(
            "{} of them unproven: no map speaks for their sectors, so holes can't be ruled out",
            size::grouped(shown.unproven)
        ));
    }
    if lost_records > 0 {
        printer.note(&format!(
            "{} file records of this volume are lost: what they described is missing without a name, and may have \
             stood here",
            size::grouped(lost_records)
        ));
    }
}

impl Listing<'_> {
    /// Calls `visit` for what is asked for; folders come before what is in them.
    fn walk(&self, named: &Named, recursive: bool, visit: &mut dyn FnMut(Entry) -> Result<bool>) -> Result<()> {
        let is_folder = self.catalog.object(named.object).kind == ObjectKind::Folder;
        if !is_folder {
            if let Some(name) = named.name {
                self.with_streams(name, visit)?;
            }
            return Ok(());
        }
        if !self.streams(named.object, named.name, visit)? {
            return Ok(());
        }
        let mut open = vec![self.catalog.children(named.object)];
        while let Some(names) = open.last_mut() {
            let Some(name) = names.next() else {
                open.pop();
                continue;
            };
            if !self.with_streams(name, visit)? {
                return Ok(());
            }
            let object = self.catalog.named_object(name);
            if recursive && self.catalog.object(object).kind == ObjectKind::Folder {
                open.push(self.catalog.children(object));
            }
        }
        Ok(())
    }

    fn with_streams(&self, name: NameId, visit: &mut dyn FnMut(Entry) -> Result<bool>) -> Result<bool> {
        let object = self.catalog.named_object(name);
        Ok(visit(Entry { name, object, beside: None })? && self.streams(object, Some(name), visit)?)
    }

    fn streams(
        &self,
        owner: ObjectId,
        beside: Option<NameId>,
        visit: &mut dyn FnMut(Entry) -> Result<bool>,
    ) -> Result<bool> {
        for name in self.catalog.streams(owner) {
            if !visit(Entry { name, object: self.catalog.named_object(name), beside })? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn count(&self, object: &Object, shown: &mut Shown) {
        let deleted = is_deleted(object);
        shown.deleted +=
            u64::from(deleted && object.kind != ObjectKind::Stream && !object.attributes.contains(Attribute::Virtual));
        match object.kind {
            ObjectKind::Folder => {
                shown.folders += 1;
                shown.incomplete += u64::from(!deleted && object.completeness() == Completeness::Incomplete);
            }
            ObjectKind::File | ObjectKind::Stream => {
                shown.files += u64::from(object.kind == ObjectKind::File);
                shown.bytes = shown.bytes.saturating_add(object.size);
                shown.lost += u64::from(!deleted && object.facts.state().is_loss());
                shown.unproven += u64::from(object.facts.state() == State::Unproven);
            }
            ObjectKind::Link | ObjectKind::Other => {}
        }
    }

    /// The folder that is asked for counts too: what it may have lost would stand here.
    fn count_start(&self, named: &Named, shown: &mut Shown) {
        let object = self.catalog.object(named.object);
        let incomplete = object.completeness() == Completeness::Incomplete;
        if object.kind == ObjectKind::Folder && incomplete && !is_deleted(object) {
            shown.incomplete += 1;
        }
    }

    /// Prints what `add` adds to a text for each entry, in order; the texts of many are made at once.
    fn print(
        &self,
        named: &Named,
        recursive: bool,
        shown: &mut Shown,
        write: fn(&mut String, Name<'_>),
        add: &(dyn Fn(&mut String, Entry, &mut Paths<'_>) -> Result<()> + Sync),
        printer: &mut Printer<'_>,
    ) -> Result<()> {
        let threads = std::thread::available_parallelism().map_or(1, usize::from).min(MOST_THREADS);
        let mut parts: Vec<_> = (0..threads).map(|_| (Paths::new(self.catalog, write), String::new())).collect();
        let mut waiting: Vec<Entry> = Vec::with_capacity(AT_ONCE);
        let mut print = |waiting: &mut Vec<Entry>| {
            let share = waiting.len().div_ceil(threads).max(1);
            let done: Vec<Result<()>> = std::thread::scope(|scope| {
                let work = |(entries, (paths, text)): (&[Entry], &mut (Paths<'_>, String))| {
                    text.clear();
                    entries.iter().try_for_each(|entry| add(text, *entry, paths))
                };
                let mut shares = waiting.chunks(share).zip(&mut parts);
                let own = shares.next();
                let others: Vec<_> = shares.map(|share| scope.spawn(move || work(share))).collect();
                let own = own.map(work);
                let others = others
                    .into_iter()
                    .map(|other| other.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
                own.into_iter().chain(others).collect()
            });
            waiting.clear();
            for (done, (_, text)) in done.into_iter().zip(&parts) {
                done?;
                printer.raw(text.as_bytes())?;
            }
            Ok(!printer.is_closed())
        };
        self.walk(named, recursive, &mut |entry| {
            self.count(self.catalog.object(entry.object), shown);
            waiting.push(entry);
            if waiting.len() < AT_ONCE { Ok(true) } else { print(&mut waiting) }
        })?;
        print(&mut waiting).map(drop)
    }

    fn json(&self, named: &Named, recursive: bool, shown: &mut Shown, printer: &mut Printer<'_>) -> Result<()> {
        self.count_start(named, shown);
        let add = |text: &mut String, entry: Entry, paths: &mut Paths<'_>| {
            text.push_str(&json::line("list", &self.line(entry, paths.of(entry))?)?);
            Ok(())
        };
        self.print(named, recursive, shown, |path, name| path.push_str(&name.text()), &add, printer)
    }

    fn line(&self, entry: Entry, path: String) -> Result<Line<'_>> {
        let Entry { name, object: id, .. } = entry;
        let object = self.catalog.object(id);
        let facts = &object.facts;
        let is_content = matches!(object.kind, ObjectKind::File | ObjectKind::Stream);
        let is_folder = object.kind == ObjectKind::Folder;
        let mut reasons = facts.reasons();
        if facts.encrypted {
            reasons.push("encrypted");
        }
        if is_folder {
            reasons.extend(object.incomplete.iter().map(|reason| reason.word()));
        }
        let stored = self.catalog.name(name);
        Ok(Line {
            volume: self.volume,
            path,
            name: stored.text().into_owned(),
            name_raw: stored.raw_hex(),
            address: self.catalog.address(id),
            kind: object.kind,
            state: is_content.then(|| facts.state()),
            completeness: is_folder.then(|| object.completeness()),
            reasons,
            encrypted: facts.encrypted,
            unknown: facts.unknown,
            decoded: facts.decoded,
            size: object.size,
            allocated: object.allocated,
            gap_bytes: facts.gap_bytes,
            never_here_bytes: facts.never_here_bytes,
            gaps: self.gaps(id)?.into_iter().map(GapDocument::from).collect(),
            claimed: is_deleted(object).then(|| self.claimed_ranges(id).map(RangeDocument::from).collect()),
            created: object.created().and_then(|time| time.rfc3339()),
            modified: object.modified().and_then(|time| time.rfc3339()),
            zone: object.modified().or(object.created()).map(|time| time.zone.word()),
            attributes: object.attributes.iter().collect(),
            link_target: match object.kind {
                ObjectKind::Link => self.filesystem.link_target(self.catalog, id)?,
                _ => None,
            },
            recycled: self.recycled.get(&name),
        })
    }

    /// The ranges of a deleted file whose clusters are somebody else's now.
    fn claimed_ranges(&self, id: ObjectId) -> impl Iterator<Item = &Range<u64>> {
        self.claimed.get(&id).into_iter().flatten()
    }

    fn claimed_bytes(&self, id: ObjectId) -> u64 {
        self.claimed_ranges(id).map(|range| range.end - range.start).fold(0, u64::saturating_add)
    }

    /// The ranges that are missing, derived again for files that miss something.
    fn gaps(&self, id: ObjectId) -> Result<Vec<Gap>> {
        let facts = &self.catalog.object(id).facts;
        if facts.gaps.is_empty() || facts.unlocated.is_some() {
            return Ok(Vec::new());
        }
        match self.filesystem.extents(self.catalog, id) {
            Ok(extents) => Ok(filesystem::damage(self.filesystem.source(), &extents).gaps),
            Err(error @ Error::ImageIo { .. }) => Err(error),
            Err(_) => Ok(Vec::new()),
        }
    }
}

fn is_deleted(object: &Object) -> bool {
    object.facts.distrust.contains(Distrust::Deleted)
}
