//! The tables in `records/`, and the manifest for programs.

use std::borrow::Cow;
use std::io::{self, Write};

use enumset::EnumSet;
use serde::ser::{Serialize, SerializeMap, Serializer};
use serde_json::{Map, Value, json};

use super::csv::{harmless, row};
use super::digests::Algorithm;
use super::hex;
use super::plan::{Link, address, link_path};
use super::results::{Results, Row};
use crate::catalog::{Gap, Object, ObjectKind, Timestamp};
use crate::content::Verdict;
use crate::content::second::Outcome;

/// A time for a table, empty where there is none.
fn time(time: Option<Timestamp>) -> String {
    time.and_then(Timestamp::rfc3339).unwrap_or_default()
}

/// The zone of an object's times; empty where it has none.
fn zone(object: &Object) -> &'static str {
    object.modified().or(object.created()).map_or("", |time| time.zone.word())
}

/// One row a written path.
pub(crate) fn manifest_csv(results: &Results<'_>, out: &mut dyn Write) -> io::Result<()> {
    let also = results.job.options.also();
    let heading = |columns: &[&'static str]| -> Vec<&'static str> {
        columns.iter().copied().chain(also.iter().map(Algorithm::word)).collect()
    };
    row(
        out,
        &heading(&[
            "path",
            "source_path",
            "volume",
            "address",
            "kind",
            "state",
            "reasons",
            "size",
            "gap_bytes",
            "sha256",
            "created",
            "modified",
            "zone",
            "second_reader",
            "opens",
        ]),
    )?;
    for written in results.written() {
        let path = written.path().unwrap_or_default();
        let size = match written.reading {
            Some(reading) => reading.size.to_string(),
            None => String::new(),
        };
        let gap_bytes = written.reading.map(|_| written.facts.gap_bytes.to_string()).unwrap_or_default();
        let digest = |algorithm| written.reading.map(|reading| reading.digest(algorithm)).unwrap_or_default();
        let (volume, address) = (written.volume.number.to_string(), address(written.volume, written.entry.object));
        let cells = [
            harmless(&path),
            harmless(&written.source_path()).into_owned().into(),
            volume.into(),
            harmless(&address),
            written.entry.kind.word().into(),
            written.state_word().into(),
            written.reasons().join(" ").into(),
            size.into(),
            gap_bytes.into(),
            digest(Algorithm::Sha256),
            time(written.object.created()).into(),
            time(written.object.modified()).into(),
            zone(written.object).into(),
            harmless(&written.second.map(Outcome::words).unwrap_or_default()).into_owned().into(),
            harmless(&written.opens.map(Verdict::words).unwrap_or_default()).into_owned().into(),
        ];
        let cells: Vec<Cow<'_, str>> = cells.into_iter().chain(also.iter().map(digest)).collect();
        row(out, &cells.iter().map(AsRef::as_ref).collect::<Vec<_>>())?;
    }
    Ok(())
}

/// One row a gap, a file that was not copied, or a volume with records that have no name.
pub(crate) fn lost_csv(results: &Results<'_>, out: &mut dyn Write) -> io::Result<()> {
    row(out, &["source_path", "volume", "address", "state", "size", "gap_start", "gap_length", "why"])?;
    for lost in results.rows().filter(|lost| lost.entry.kind != ObjectKind::Folder) {
        let gaps = if lost.tree.is_some() { lost.gaps() } else { Vec::new() };
        if lost.tree.is_some() && gaps.is_empty() {
            continue;
        }
        let source_path = lost.source_path();
        let volume = lost.volume.number.to_string();
        let address = address(lost.volume, lost.entry.object);
        let size = lost.size().to_string();
        let mut write = |start: &str, length: &str, why: &str| {
            let (path, why) = (harmless(&source_path), harmless(why));
            row(out, &[&path, &volume, &harmless(&address), lost.state_word(), &size, start, length, &why])
        };
        if lost.tree.is_none() {
            write("", "", &lost.why())?;
        }
        for gap in gaps {
            let length = gap.range.end.saturating_sub(gap.range.start);
            write(&gap.range.start.to_string(), &length.to_string(), gap.why.word())?;
        }
    }
    for volume in &results.job.volumes {
        let count = volume.catalog.lost_records;
        if count > 0 {
            let why = format!("{count} records could not be read: what they described is missing and has no name");
            row(out, &["", &volume.number.to_string(), "", "unlocated", "", "", "", &why])?;
        }
    }
    Ok(())
}

/// One row a link.
pub(crate) fn links_csv(results: &Results<'_>, out: &mut dyn Write) -> io::Result<()> {
    row(out, &["source_path", "volume", "address", "target", "created", "modified", "zone"])?;
    let volumes = &results.job.volumes;
    let mut links: Vec<(u32, String, &Link, &String)> = results
        .plan
        .links
        .iter()
        .zip(&results.located.targets)
        .map(|(link, target)| (volumes[link.volume].number, link_path(&volumes[link.volume], link), link, target))
        .collect();
    links.sort_by(|one, two| (one.0, &one.1, one.2.name).cmp(&(two.0, &two.1, two.2.name)));
    for (number, source_path, link, target) in links {
        let volume = &volumes[link.volume];
        let object = volume.catalog.object(link.object);
        row(
            out,
            &[
                &harmless(&source_path),
                &number.to_string(),
                &harmless(&address(volume, link.object)),
                &harmless(target),
                &time(object.created()),
                &time(object.modified()),
                zone(object),
            ],
        )?;
    }
    Ok(())
}

/// The manifest for programs: all that was asked for, copied or not, with the four facts. Written piece by piece: a
/// volume has millions of files.
pub(crate) fn manifest_json(results: &Results<'_>, out: &mut dyn Write) -> io::Result<()> {
    out.write_all(b"{\"handback_json\":1,\"command\":\"extract\",\"files\":[")?;
    let mut text = Vec::new();
    for (index, row) in results.rows().enumerate() {
        text.clear();
        text.extend(if index == 0 { &b"\n"[..] } else { b",\n" });
        serde_json::to_writer(&mut text, &Item(row, results.job.options.also()))?;
        out.write_all(&text)?;
    }
    out.write_all(b"\n]}\n")
}

/// One of its files or folders.
struct Item<'r>(Row<'r>, EnumSet<Algorithm>);

impl Serialize for Item<'_> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let Self(row, also) = self;
        let mut map = serializer.serialize_map(None)?;
        map.serialize_entry("path", &row.path())?;
        map.serialize_entry("source_path", &row.source_path())?;
        if let Some(raw) = row.entry.name.and_then(|name| row.volume.catalog.name(name).raw_hex()) {
            map.serialize_entry("name_raw", &raw)?;
        }
        map.serialize_entry("volume", &row.volume.number)?;
        map.serialize_entry("address", &row.volume.catalog.address(row.entry.object))?;
        map.serialize_entry("kind", row.entry.kind.word())?;
        map.serialize_entry("state", row.state_word())?;
        map.serialize_entry("created", &row.object.created().and_then(Timestamp::rfc3339))?;
        map.serialize_entry("modified", &row.object.modified().and_then(Timestamp::rfc3339))?;
        map.serialize_entry("zone", zone(row.object))?;
        if row.entry.kind == ObjectKind::Folder {
            map.serialize_entry("incomplete", &row.reasons())?;
            return map.end();
        }
        map.serialize_entry("size", &row.size())?;
        map.serialize_entry("sha256", &row.reading.map(|reading| hex::of(&reading.sha256)))?;
        for algorithm in *also {
            map.serialize_entry(algorithm.word(), &row.reading.map(|reading| reading.digest(algorithm)))?;
        }
        let gap = |gap: Gap| {
            let length = gap.range.end.saturating_sub(gap.range.start);
            json!({"start": gap.range.start, "length": length, "why": gap.why.word()})
        };
        map.serialize_entry("gaps", &row.gaps().into_iter().map(gap).collect::<Vec<_>>())?;
        map.serialize_entry("gap_bytes", &row.facts.gap_bytes)?;
        map.serialize_entry("never_here_bytes", &row.facts.never_here_bytes)?;
        map.serialize_entry("distrust", &row.facts.distrust.iter().map(|one| one.word()).collect::<Vec<_>>())?;
        map.serialize_entry("encrypted", &row.facts.encrypted)?;
        map.serialize_entry("unknown", &row.facts.unknown)?;
        map.serialize_entry("decoded", &row.facts.decoded)?;
        if row.reading.is_some_and(|reading| reading.blank) {
            map.serialize_entry("blank", &true)?;
        }
        if let Some(outcome) = row.second {
            map.serialize_entry("second_reader", &second_reader(outcome))?;
        }
        if let Some(verdict) = row.opens {
            map.serialize_entry("opens", verdict)?;
        }
        if let Some(unlocated) = row.facts.unlocated {
            map.serialize_entry("unlocated", unlocated.word())?;
            map.serialize_entry("why", &row.unplaced)?;
        }
        map.end()
    }
}

fn second_reader(outcome: &Outcome) -> Value {
    let mut value = Map::new();
    value.insert("outcome".to_string(), json!(outcome.word()));
    if let Some(why) = outcome.why() {
        value.insert("why".to_string(), json!(why));
        value.insert("detail".to_string(), json!(outcome.sentence()));
    }
    Value::Object(value)
}
