//! What makes a folder a bag (RFC 8493), and the record of the job: written when all files are, `bagit.txt` last.

use std::io::{self, BufWriter, Write};

use serde_json::json;
use sha2::{Digest, Sha256};

use super::account::Account;
use super::destination::BAGIT;
use super::digests::Algorithm;
use super::hex;
use super::job::{Job, Selected};
use super::journal::now;
use super::output::OutputFile;
use super::plan;
use super::readme;
use super::record;
use super::records;
#[cfg(feature = "report")]
use super::report;
use super::results::Results;
use super::session::Session;
use super::sign::SIGNATURE;
use super::summary::Summary;
use crate::error::{Error, Result};
use crate::progress::Progress;

/// What [`finish`] writes besides `bagit.txt` and the sheets of pictures.
pub(crate) const CLOSING_FILES: [&str; 14] = [
    SIGNATURE,
    TAG_MANIFEST,
    MANIFEST,
    "manifest-sha512.txt",
    "manifest-blake3.txt",
    "manifest-md5.txt",
    BAG_INFO,
    readme::READ_ME_FIRST,
    "records/job.json",
    "records/links.csv",
    "records/lost.csv",
    "records/manifest.csv",
    "records/manifest.json",
    "report.html",
];
pub(crate) const MANIFEST: &str = "manifest-sha256.txt";
pub(crate) const TAG_MANIFEST: &str = "tagmanifest-sha256.txt";
pub(crate) const BAG_INFO: &str = "bag-info.txt";
pub(crate) const LOG: &str = "records/log.txt";

/// RFC 8493, section 2.1.1.
const BAGIT_TEXT: &[u8] = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n";

/// Hashes what it passes on.
struct Hashing {
    file: Box<dyn OutputFile>,
    hash: Sha256,
}

impl Write for Hashing {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.hash.update(bytes);
        self.file.write_all(bytes)?;
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The files of the bag that are no payload, with their digests.
pub(crate) struct Tags<'s, 'o> {
    pub(crate) session: &'s Session<'o>,
    digests: Vec<(String, String)>,
}

impl<'s, 'o> Tags<'s, 'o> {
    fn new(session: &'s Session<'o>) -> Self {
        Self { session, digests: Vec::new() }
    }

    /// Writes one of them.
    pub(crate) fn write(&mut self, name: &str, fill: impl FnOnce(&mut dyn Write) -> io::Result<()>) -> Result<()> {
        let session = self.session;
        let (temporary, path) = (session.temporary(&format!("record {}", name.replace('/', " "))), session.path(name));
        let output = session.output;
        let write = || {
            let file = Hashing { file: output.create(&temporary)?, hash: Sha256::new() };
            let mut buffered = BufWriter::with_capacity(1 << 16, file);
            fill(&mut buffered)?;
            let mut file = buffered.into_inner().map_err(io::IntoInnerError::into_error)?;
            file.file.sync()?;
            let digest = file.hash.finalize();
            drop(file.file);
            output.publish(&temporary, &path)?;
            Ok(hex::of(&digest))
        };
        let digest = write().map_err(|source| Error::Io { action: "write", path, source })?;
        self.digests.push((name.to_string(), digest));
        Ok(())
    }

    /// The digest of a file that is there already.
    fn add(&mut self, name: &str) -> Result<()> {
        let path = self.session.path(name);
        let mut bytes = Vec::new();
        let read = self.session.output.open(&path).and_then(|mut file| file.read_to_end(&mut bytes));
        read.map_err(|source| Error::Io { action: "read", path, source })?;
        self.digests.push((name.to_string(), hex::of(&Sha256::digest(&bytes))));
        Ok(())
    }
}

/// Writes all records and closes the bag. Meanwhile `settle` makes sure of what was copied: the bag is closed only if
/// it could.
pub(crate) fn finish(
    results: &Results<'_>,
    session: Session<'_>,
    summary: &Summary,
    started: &str,
    settle: impl FnOnce(&Session<'_>) -> Result<()>,
    progress: &dyn Progress,
) -> Result<()> {
    let write = || -> Result<()> {
        let ended = now();
        let account = Account::of(results, summary, &ended);
        session.log_lines(&record::totals(results.job, summary))?;
        session.log("all files are written; closing")?;
        let mut tags = Tags::new(&session);
        std::thread::scope(|scope| {
            // Each of the two takes as long as all that is done here.
            let beside = [
                scope.spawn(|| write_manifest_json(results, &session)),
                scope.spawn(|| write_tables(results, &session)),
            ];
            let own = settle(&session)
                .and_then(|()| write_others(results, summary, &account, (started, &ended), &mut tags, progress));
            let beside = beside.map(|thread| thread.join().unwrap_or_else(|panic| std::panic::resume_unwind(panic)));
            own?;
            beside.into_iter().try_for_each(|digests| digests.map(|digests| tags.digests.extend(digests)))
        })?;
        tags.add(LOG)?;
        tags.digests.push((BAGIT.to_string(), hex::of(&Sha256::digest(BAGIT_TEXT))));
        let mut lines: Vec<String> = tags.digests.iter().map(|(name, digest)| format!("{digest}  {name}\n")).collect();
        // By path; every digest has the same length.
        lines.sort_by(|one, two| one.get(64..).cmp(&two.get(64..)));
        let text = lines.concat();
        tags.write(TAG_MANIFEST, |out| out.write_all(text.as_bytes()))?;
        match &results.job.record.signer {
            Some(key) => session.write_file("signature", SIGNATURE, key.sign(text.as_bytes())?.as_bytes()),
            None => Ok(()),
        }
    };
    write().inspect_err(|error| session.log_stop(error))?;
    session.close(BAGIT_TEXT)
}

/// Writes the manifest for programs.
fn write_manifest_json(results: &Results<'_>, session: &Session<'_>) -> Result<Vec<(String, String)>> {
    let mut tags = Tags::new(session);
    tags.write("records/manifest.json", |out| records::manifest_json(results, out))?;
    Ok(tags.digests)
}

/// Writes the tables, and the payload's digests.
fn write_tables(results: &Results<'_>, session: &Session<'_>) -> Result<Vec<(String, String)>> {
    let mut tags = Tags::new(session);
    tags.write("records/manifest.csv", |out| records::manifest_csv(results, out))?;
    tags.write("records/lost.csv", |out| records::lost_csv(results, out))?;
    tags.write("records/links.csv", |out| records::links_csv(results, out))?;
    for algorithm in results.job.options.also() | Algorithm::Sha256 {
        tags.write(algorithm.manifest(), |out| manifest(results, algorithm, out))?;
    }
    Ok(tags.digests)
}

/// Writes the records of the job, and what people read.
fn write_others(
    results: &Results<'_>,
    summary: &Summary,
    account: &Account,
    (started, ended): (&str, &str),
    tags: &mut Tags<'_, '_>,
    progress: &dyn Progress,
) -> Result<()> {
    tags.write("records/job.json", |out| job_json(results, summary, started, ended, out))?;
    #[cfg(feature = "report")]
    let beside = report::write(results, account, tags, progress)?;
    #[cfg(not(feature = "report"))]
    let beside = {
        let _ = progress;
        super::account::Beside::default()
    };
    tags.write(readme::READ_ME_FIRST, |out| out.write_all(readme::text(results, account, &beside).as_bytes()))?;
    tags.write(BAG_INFO, |out| out.write_all(bag_info(results, summary, ended).as_bytes()))
}

/// The payload's digests as RFC 8493 and the common checkers have them: two spaces, sorted by path. No name in it
/// needs the RFC's `%` sequences: see [`super::names`].
fn manifest(results: &Results<'_>, algorithm: Algorithm, out: &mut dyn Write) -> io::Result<()> {
    for row in results.written() {
        if let (Some(path), Some(reading)) = (row.path(), row.reading) {
            writeln!(out, "{}  {path}", reading.digest(algorithm))?;
        }
    }
    Ok(())
}

/// One line without control characters: a label's value.
fn value(text: &str) -> String {
    text.chars().map(|character| if character.is_control() { ' ' } else { character }).collect()
}

fn bag_info(results: &Results<'_>, summary: &Summary, ended: &str) -> String {
    let job = results.job;
    let mut text = String::new();
    let mut put = |label: &str, content: &str| {
        text.push_str(&format!("{label}: {}\n", value(content)));
    };
    let description = format!("Files from the drive image {}.", job.image_name);
    match summary.unproven_line() {
        Some(line) => put("External-Description", &format!("{line} {description}")),
        None => put("External-Description", &description),
    }
    // The labels of RFC 8493, section 2.2.2.
    let details = &job.details;
    for (label, known) in [
        ("Source-Organization", &details.workshop),
        ("Contact-Name", &details.technician),
        ("External-Identifier", &details.ticket),
        ("Internal-Sender-Identifier", &details.customer),
    ] {
        if let Some(known) = known {
            put(label, known);
        }
    }
    put("Bagging-Date", ended.get(..10).unwrap_or(ended));
    put("Bag-Software-Agent", &format!("handback {}", env!("CARGO_PKG_VERSION")));
    put("Payload-Oxum", &format!("{}.{}", summary.written_bytes, summary.written_files));
    text
}

/// The image, as the record of the job names it.
pub(crate) fn image_json(job: &Job<'_>) -> serde_json::Value {
    let modified =
        job.image.modified().and_then(|time| jiff::Timestamp::try_from(time).ok()).map(|time| time.to_string());
    let parts: Vec<_> =
        job.image.parts().iter().map(|part| part.file_name().unwrap_or_default().to_string_lossy()).collect();
    json!({
        "name": job.image_name,
        "parts": parts,
        "length": job.image.length(),
        "modified": modified,
        "sha256": job.record.image.as_ref().map(|digest| &digest.sha256),
        "digest": job.record.image_json(),
    })
}

/// The program, as the record of the job names it.
pub(crate) fn software_json() -> serde_json::Value {
    json!({"name": "handback", "version": env!("CARGO_PKG_VERSION")})
}

fn job_json(
    results: &Results<'_>,
    summary: &Summary,
    started: &str,
    ended: &str,
    out: &mut dyn Write,
) -> io::Result<()> {
    let job = results.job;
    let volumes: Vec<_> = job
        .volumes
        .iter()
        .map(|volume| {
            let mut selected: Vec<String> = volume
                .selected
                .iter()
                .map(|selected| match selected {
                    Selected::Root => "/".to_string(),
                    Selected::Name(name) => volume.catalog.path(*name),
                })
                .collect();
            selected.sort();
            selected.dedup();
            json!({
                "number": volume.number,
                "folder": plan::volume_folder(job, volume),
                "image_offset": volume.filesystem.source().image_offset(0),
                "facts": volume.facts,
                "selected": selected,
                "lost_records": volume.catalog.lost_records,
            })
        })
        .collect();
    let document = json!({
        "handback_json": 1,
        "command": "extract",
        "software": software_json(),
        "ticket": job.details.ticket,
        "details": job.details,
        "image": image_json(job),
        "map": job.map,
        "map_file_sha256": job.record.map_file_sha256,
        "signature": job.record.signature_json(),
        "volumes": volumes,
        "selections": job.choices.list.iter().map(|choice| &choice.selection).collect::<Vec<_>>(),
        "volumes_complete": job.volumes_complete,
        "options": job.options,
        "time_zone": results.plan.local_times.then(|| plan::zone_name(&job.time_zone)),
        "plan": results.plan.digest,
        "states": summary.states,
        "reasons": summary.reasons,
        "written_files": summary.written_files,
        "written_bytes": summary.written_bytes,
        "unproven_files": summary.unproven_files,
        "unproven_blank": summary.unproven_blank,
        "folders": summary.folders,
        "incomplete_folders": summary.incomplete_folders,
        "not_copied": summary.not_copied,
        "lost_records": summary.lost_records,
        "links": summary.links,
        "streams_left": summary.streams_left,
        "special_files": summary.special_files,
        "deleted_left": summary.deleted_left,
        "left_out": summary.left_out,
        "undated": summary.undated,
        "second_reader": summary.second_reader,
        "contents": summary.contents,
        "times": {"started": started, "ended": ended},
    });
    serde_json::to_writer_pretty(&mut *out, &document)?;
    out.write_all(b"\n")
}
