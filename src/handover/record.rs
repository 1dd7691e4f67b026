//! What the workshop keeps: the words of the log, and a copy of a handover's lists and report without the files.

use std::io::{self, Read};
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::bag::BAG_INFO;
use super::destination::{self, BAGIT, NOT_FINISHED, PROGRESS, RECORDS};
use super::hex;
use super::job::{Job, Selected};
use super::names::safe_component;
use super::output::{Disk, Output, ReadBack};
use super::plan::Plan;
use super::sign::{NAMESPACE, SIGNATURE, SigningKey};
use super::summary::Summary;
use crate::amount::counted;
use crate::catalog::ObjectKind;
use crate::error::{Error, Result};
use crate::hidden::is_hidden;
use crate::image::digest::ImageDigest;

/// How many chosen paths of a volume the log names; `job.json` has all.
const SHOWN: usize = 20;

/// The list of what a kept record holds; as it is written last, it also says that all is there.
const SUMS: &str = "SHA256SUMS";

/// How many records of one handover are counted up before the disk is taken to be out of its mind.
const MOST_RECORDS: u32 = 100_000;

/// What the records say beside the files, and who signs them.
#[derive(Debug, Clone, Default)]
pub struct Record {
    /// The image's digest, if it is known.
    pub image: Option<ImageDigest>,
    /// Whether it was not computed for this handover but kept from an earlier time.
    pub image_digest_was_kept: bool,
    /// SHA-256 of the map's file as it stands, in hexadecimal; `None` if the map is from no file.
    pub map_file_sha256: Option<String>,
    /// The key that signs the tag manifest.
    pub signer: Option<SigningKey>,
}

impl Record {
    /// What `job.json` says of the image's digest.
    pub(crate) fn image_json(&self) -> Value {
        let Some(digest) = &self.image else { return Value::Null };
        let time =
            |time| jiff::Timestamp::try_from(time).ok().map(|time| time.strftime("%Y-%m-%dT%H:%M:%SZ").to_string());
        let parts = digest.parts.iter().map(|part| {
            let name = part.path.file_name().unwrap_or_default().to_string_lossy();
            json!({"name": name, "length": part.length, "sha256": part.sha256})
        });
        json!({
            "parts": parts.collect::<Vec<_>>(),
            "computed": time(digest.computed),
            "kept": self.image_digest_was_kept,
        })
    }

    /// What `job.json` says of the signature.
    pub(crate) fn signature_json(&self) -> Value {
        let signature = |key: &SigningKey| json!({"file": SIGNATURE, "key": key.fingerprint(), "namespace": NAMESPACE});
        self.signer.as_ref().map_or(Value::Null, signature)
    }
}

/// A text of the image's in one line that shows all that is in it.
fn shown(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for character in text.chars() {
        match is_hidden(character) {
            true => shown.push_str(&format!("\\u{{{:04X}}}", u32::from(character))),
            false => shown.push(character),
        }
    }
    shown
}

/// What the log says when the work begins, and again when it goes on.
pub(crate) fn opening(job: &Job<'_>, plan: &Plan) -> Vec<String> {
    let mut lines = Vec::new();
    let image = job.image;
    lines.push(format!(
        "image `{}`: {} bytes in {}",
        shown(&job.image_name),
        image.length(),
        counted(image.parts().len() as u64, "file")
    ));
    if let Some(digest) = &job.record.image {
        let how = if job.record.image_digest_was_kept { "kept from an earlier run" } else { "computed for this one" };
        lines.push(format!("image: SHA-256 {}, {how}", digest.sha256));
    }
    lines.push(match (&job.map.file, job.map.basis) {
        (_, None) => "map: none".to_string(),
        (None, Some(basis)) => format!("map: from no file, basis {basis}"),
        (Some(file), Some(basis)) => format!("map `{}`: basis {basis}", shown(&file.to_string_lossy())),
    });
    if let Some(sha256) = &job.record.map_file_sha256 {
        lines.push(format!("map: SHA-256 of its file {sha256}"));
    }
    for doubt in &job.map.doubts {
        let verdict = if job.map.accepted { "accepted all the same" } else { "its good word was not used" };
        lines.push(format!("map doubted ({}); {verdict}", shown(doubt)));
    }
    for volume in &job.volumes {
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
        for path in selected.iter().take(SHOWN) {
            lines.push(format!("chosen on volume {} ({}): `{}`", volume.number, volume.facts.filesystem, shown(path)));
        }
        if let Some(more) = selected.len().checked_sub(SHOWN).filter(|more| *more > 0) {
            lines.push(format!("chosen on volume {}: and {more} more, see job.json", volume.number));
        }
    }
    let folders = plan.entries.iter().filter(|entry| entry.kind == ObjectKind::Folder).count();
    lines.push(format!(
        "planned: {} and {} (plan {})",
        counted((plan.entries.len() - folders) as u64, "file"),
        counted(folders as u64, "folder"),
        plan.digest
    ));
    lines
}

/// What the log says of reading back.
pub(crate) fn read_back(from: Option<ReadBack>) -> &'static str {
    match from {
        Some(ReadBack::Disk) => {
            "all files are written and were read back, past this computer's memory; each is as it was written"
        }
        Some(ReadBack::Memory) => {
            "all files are written and were read back, some perhaps from this computer's memory; each is as it was written"
        }
        None => "all files are written; they were not read back",
    }
}

/// What the log says when all files are there.
pub(crate) fn totals(job: &Job<'_>, summary: &Summary) -> Vec<String> {
    let mut lines = Vec::new();
    let files = counted(summary.written_files, "file");
    lines.push(format!("written: {files} with {} bytes; not copied: {}", summary.written_bytes, summary.not_copied));
    for (state, count) in &summary.states {
        lines.push(format!("{}: {}, {} bytes", state.word(), counted(count.paths, "file"), count.bytes));
    }
    if let Some(second) = &summary.second_reader {
        let totals = &second.totals;
        lines.push(format!(
            "second reader: agrees on {}, differs on {}, could not compare {}",
            totals.agrees, totals.differs, totals.not_checkable
        ));
    }
    if let Some(key) = &job.record.signer {
        lines.push(format!("signed with the key {}", key.fingerprint()));
    }
    lines
}

/// Copies what a workshop keeps of a finished handover (all but the files) into a new folder in `into`, with the digest
/// of each in `SHA256SUMS`, and gives that folder. `name` is what it is called if nothing else is called so; nothing is
/// overwritten. Folders of the bag other than `records` stay out: they may hold the customer's pictures. `image` are
/// the files of the image.
///
/// # Errors
/// [`Error::Destination`] if `into` lies in the bag, in the image or on the drive that is read; [`Error::Io`] if something
/// can't be read or written. What is there by then stays and is called `(unfinished)`.
pub fn keep(bag: &Path, into: &Path, name: &str, image: &[PathBuf]) -> Result<PathBuf> {
    destination::not_inside(into, image)?;
    let failed = |action: &'static str, path: &Path| {
        let path = path.to_path_buf();
        move |source| Error::Io { action, path, source }
    };
    let inside = into.ancestors().find_map(|path| std::fs::canonicalize(path).ok());
    if inside.zip(std::fs::canonicalize(bag).ok()).is_some_and(|(into, bag)| into.starts_with(bag)) {
        return Err(Error::Destination {
            path: into.to_path_buf(),
            why: "it lies in the handover folder, and the workshop's copy belongs elsewhere; name another folder"
                .to_string(),
        });
    }
    let files = kept_files(bag).map_err(failed("list", bag))?;
    Disk.create_folder(into).map_err(failed("make the folder", into))?;
    let (unfinished, folder) = free_names(into, name)?;
    let records = unfinished.join(RECORDS);
    Disk.create_folder(&records).map_err(failed("make the folder", &records))?;
    let mut sums = String::new();
    for relative in files {
        let from = super::output::below(bag, &relative);
        let to = super::output::below(&unfinished, &relative);
        let digest = copy(&from, &to).map_err(failed("copy to the record", &from))?;
        sums.push_str(&format!("{digest}  {relative}\n"));
    }
    let path = unfinished.join(SUMS);
    let write = || {
        let mut file = Disk.create(&path)?;
        file.write_all(sums.as_bytes())?;
        file.sync()
    };
    write().map_err(failed("write", &path))?;
    Disk.publish(&unfinished, &folder).map_err(failed("give its name to", &folder))?;
    Ok(folder)
}

/// The paths of a bag that are kept, sorted. Links are not followed.
fn kept_files(bag: &Path) -> io::Result<Vec<String>> {
    let mut files = Vec::new();
    for prefix in ["", RECORDS] {
        for entry in std::fs::read_dir(bag.join(prefix))? {
            let entry = entry?;
            let name = entry.file_name().to_string_lossy().into_owned();
            let path = if prefix.is_empty() { name } else { format!("{prefix}/{name}") };
            // With what makes it a bag it would look like one that has lost its files.
            let is_left_out = [BAGIT, NOT_FINISHED, PROGRESS].contains(&path.as_str());
            if entry.file_type()?.is_file() && !is_left_out {
                files.push(path);
            }
        }
    }
    files.sort();
    Ok(files)
}

/// Two names that nothing has yet: until it is done, and then.
fn free_names(into: &Path, name: &str) -> Result<(PathBuf, PathBuf)> {
    let name = safe_component(&name.encode_utf16().collect::<Vec<_>>()).name;
    let is_free =
        |path: &Path| std::fs::symlink_metadata(path).is_err_and(|error| error.kind() == io::ErrorKind::NotFound);
    for number in 1..=MOST_RECORDS {
        let numbered = if number == 1 { name.clone() } else { format!("{name} ({number})") };
        let (folder, unfinished) = (into.join(&numbered), into.join(format!("{numbered} (unfinished)")));
        if is_free(&folder) && is_free(&unfinished) {
            return Ok((unfinished, folder));
        }
    }
    Err(Error::Destination {
        path: into.to_path_buf(),
        why: "no name is free there for another record; name another folder".to_string(),
    })
}

fn copy(from: &Path, to: &Path) -> io::Result<String> {
    let (mut input, mut output) = (Disk.open(from)?, Disk.create(to)?);
    let (mut hash, mut buffer) = (Sha256::new(), vec![0; 1 << 16]);
    loop {
        let count = match input.read(&mut buffer) {
            Ok(0) => break,
            Ok(count) => count,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(error),
        };
        hash.update(&buffer[..count]);
        output.write_all(&buffer[..count])?;
    }
    output.sync()?;
    Ok(hex::of(&hash.finalize()))
}

/// What the record of a handover is called: the day on which it was closed, and the job's number if it has one.
#[must_use]
pub fn record_name(bag: &Path, ticket: Option<&str>) -> String {
    let info = std::fs::read_to_string(bag.join(BAG_INFO)).unwrap_or_default();
    let date = info.lines().find_map(|line| line.strip_prefix("Bagging-Date: ")).unwrap_or("handover").to_string();
    match ticket {
        Some(ticket) => format!("{date} {ticket}"),
        None => date,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::write_file;

    fn bag() -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        for (path, bytes) in [
            ("bag/bagit.txt", "BagIt-Version: 1.0\n"),
            ("bag/bag-info.txt", "Bagging-Date: 2026-03-01\n"),
            ("bag/manifest-sha256.txt", "la"),
            ("bag/report.html", "<p>"),
            ("bag/records/job.json", "{}"),
            ("bag/data/recovered/song.txt", "la la"),
            ("bag/pictures/sheet.html", "<img>"),
        ] {
            let path = folder.path().join(path);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            write_file(&path, bytes.as_bytes());
        }
        folder
    }

    #[test]
    fn a_record_is_new_and_without_the_files() {
        let folder = bag();
        let (bag, into) = (folder.path().join("bag"), folder.path().join("kept"));
        let name = record_name(&bag, Some("T-17: choir"));
        for expected in ["2026-03-01 T-17(u+003A) choir", "2026-03-01 T-17(u+003A) choir (2)"] {
            let kept = keep(&bag, &into, &name, &[]).unwrap();
            assert_eq!(kept.file_name().unwrap(), expected);
            let names = kept_files(&kept).unwrap();
            let all = ["SHA256SUMS", "bag-info.txt", "manifest-sha256.txt", "records/job.json", "report.html"];
            assert_eq!(names, all);
            assert!(!kept.join("data").exists() && !kept.join("pictures").exists());
            let sums = std::fs::read_to_string(kept.join(SUMS)).unwrap();
            assert_eq!(sums.lines().count(), 4);
            assert!(sums.contains(&format!("{}  records/job.json\n", hex::of(&Sha256::digest("{}")))));
        }
        assert_eq!(std::fs::read_dir(&into).unwrap().count(), 2);
    }

    #[test]
    fn what_cannot_be_kept_is_an_error_and_overwrites_nothing() {
        let folder = bag();
        let bag = folder.path().join("bag");
        let error = keep(&bag, &bag.join("records"), "x", &[]).unwrap_err();
        assert!(error.to_string().contains("lies in the handover folder"), "{error}");
        assert!(keep(&bag, &bag.join("report.html"), "x", &[]).is_err());
        let file = folder.path().join("file");
        write_file(&file, b"mine");
        assert!(matches!(keep(&bag, &file, "x", &[]), Err(Error::Io { .. })));
        assert_eq!(std::fs::read(&file).unwrap(), b"mine");
        assert!(keep(&folder.path().join("none"), &folder.path().join("kept"), "x", &[]).is_err());
        assert!(!folder.path().join("kept").exists(), "nothing is made for nothing");
    }

    #[test]
    fn names_of_the_image_stay_in_their_line() {
        assert_eq!(shown("so\nng\u{202E}.txt é"), "so\\u{000A}ng\\u{202E}.txt é");
    }
}
