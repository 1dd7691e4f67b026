//! `handback list`: a folder with the state of every file.

mod line;

use std::collections::{BTreeMap, HashMap};
use std::ops::Range;

use jiff::tz::TimeZone;

use self::line::{GapDocument, Line, RangeDocument};
use super::args::ListArgs;
use super::disk::{self, Named, OpenedDisk};
use super::exit::ExitStatus;
use super::output::{Align, Printer, Table};
use super::{Context, escape, json, size};
use crate::catalog::{
    Attribute, Catalog, Completeness, Distrust, Gap, Name, NameId, Object, ObjectId, ObjectKind, State,
};
use crate::error::{Error, Result};
use crate::filesystem::{self, Filesystem, SweepOptions};
use crate::survey::recycle::{self, Recycled};

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

    /// The names from the root to an entry, itself last.
    fn line_of(&self, entry: Entry) -> Vec<NameId> {
        match entry.beside {
            None => self.catalog.line(entry.name),
            Some(owner) => {
                let mut line = self.catalog.line(owner);
                line.push(entry.name);
                line
            }
        }
    }

    /// The path of an entry, each name written by `write`; a stream follows its owner after `:`.
    fn path_of(&self, entry: Entry, write: impl Fn(Name<'_>) -> String) -> String {
        let mut path = String::new();
        for part in self.line_of(entry) {
            let stream = self.catalog.object(self.catalog.named_object(part)).kind == ObjectKind::Stream;
            path.push(if stream { ':' } else { '/' });
            path.push_str(&write(self.catalog.name(part)));
        }
        path
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

    fn table(&self, named: &Named, recursive: bool, shown: &mut Shown, printer: &mut Printer<'_>) -> Result<()> {
        let mut rows = Table::new(&[
            ("state", Align::Left),
            ("size", Align::Right),
            ("missing", Align::Right),
            ("modified", Align::Left),
            ("address", Align::Left),
            ("name", Align::Left),
        ]);
        self.count_start(named, shown);
        self.walk(named, recursive, &mut |entry| {
            self.count(self.catalog.object(entry.object), shown);
            rows.row(self.row(entry, recursive)?);
            Ok(true)
        })?;
        printer.table(rows)
    }

    fn row(&self, entry: Entry, whole_path: bool) -> Result<Vec<String>> {
        let Entry { name, object: id, .. } = entry;
        let object = self.catalog.object(id);
        let mut shown = if whole_path || object.kind == ObjectKind::Stream {
            self.path_of(entry, |name| escape::for_terminal_units(&name.units()))
        } else {
            escape::for_terminal_units(&self.catalog.name(name).units())
        };
        match object.kind {
            ObjectKind::Folder => shown.push('/'),
            ObjectKind::Link => {
                let target = self.filesystem.link_target(self.catalog, id)?;
                let target = target.as_deref().map_or("an unknown place".into(), escape::for_terminal);
                shown.push_str(&format!("  (link to {target})"));
            }
            _ => {}
        }
        if let Some(item) = self.recycled.get(&name) {
            let deleted = item.deleted.as_deref().and_then(|text| text.parse::<jiff::Timestamp>().ok());
            let deleted = deleted.map_or("at an unknown time".to_string(), |time| {
                time.to_zoned_datetime(self.zone.clone()).strftime("%Y-%m-%d %H:%M").to_string()
            });
            shown.push_str(&format!("  (thrown away {deleted}, was {})", escape::for_terminal(&item.original_path)));
        }
        if is_deleted(object) {
            shown.push_str(&match self.claimed_bytes(id) {
                0 => "  (deleted)".to_string(),
                bytes => format!("  (deleted; {} of it are others' now)", size::human(bytes)),
            });
        }
        let (state, sized) = match object.kind {
            ObjectKind::Folder => (object.completeness().word(), false),
            ObjectKind::File | ObjectKind::Stream => (object.facts.state().word(), true),
            ObjectKind::Link => ("link", false),
            ObjectKind::Other => ("other", false),
        };
        let missing = object.facts.gap_bytes.saturating_add(object.facts.never_here_bytes);
        Ok(vec![
            state.to_string(),
            if sized { size::grouped(object.size) } else { String::new() },
            if missing > 0 { size::grouped(missing) } else { String::new() },
            object.modified().and_then(|time| time.display(&self.zone)).unwrap_or_default(),
            self.catalog.address(id).unwrap_or_default(),
            shown,
        ])
    }

    fn json(&self, named: &Named, recursive: bool, shown: &mut Shown, printer: &mut Printer<'_>) -> Result<()> {
        self.count_start(named, shown);
        self.walk(named, recursive, &mut |entry| {
            self.count(self.catalog.object(entry.object), shown);
            json::object_line(printer, "list", &self.line(entry)?)?;
            Ok(!printer.is_closed())
        })
    }

    fn line(&self, entry: Entry) -> Result<Line<'_>> {
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
            path: self.path_of(entry, |name| name.text().into_owned()),
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
