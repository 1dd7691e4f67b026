//! Whether the lists and texts of a finished bag are those that were written.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::Path;

use sha2::{Digest, Sha256};

use super::super::destination::{NOT_FINISHED, UNFINISHED};
use super::super::output::{Output, below};
use super::super::sign::{self, SignatureState};
use super::super::{bag, hex};
use super::{failed, read, refused};
use crate::error::Result;

/// Refuses a record that has another digest than the list of lists says.
pub(super) fn is_listed(output: &dyn Output, folder: &Path, name: &str, digest: &str) -> Result<()> {
    match tag_digests(output, folder)?.get(name).is_some_and(|listed| listed == digest) {
        true => Ok(()),
        false => Err(refused(
            &below(folder, name),
            "it was changed since the handover was finished; nothing is added to what is not as it was",
        )),
    }
}

/// The digest of the list of lists, which stands for all of a finished bag.
pub(crate) fn tags_digest(output: &dyn Output, folder: &Path) -> Result<String> {
    Ok(hex::of(&Sha256::digest(read(output, folder, bag::TAG_MANIFEST)?)))
}

/// The digests of the files that are no payload.
fn tag_digests(output: &dyn Output, folder: &Path) -> Result<BTreeMap<String, String>> {
    let text = read(output, folder, bag::TAG_MANIFEST)?;
    let mut digests = BTreeMap::new();
    for line in BufReader::new(&*text).lines() {
        let line = line.map_err(failed("read", &below(folder, bag::TAG_MANIFEST)))?;
        if let Some((digest, name)) = line.split_once("  ") {
            digests.insert(name.to_string(), digest.to_string());
        }
    }
    Ok(digests)
}

/// Refuses a bag whose signature is no good or can't be checked, in which a list or text is not the one that was
/// written, or into whose place for unfinished files somebody put something: all of these are taken away when more is
/// added.
pub(super) fn unchanged_lists(output: &dyn Output, folder: &Path) -> Result<()> {
    if let Some(report) = sign::check(folder, None)?
        && report.state != SignatureState::Good
    {
        return Err(refused(
            folder,
            "its signature is not good, or can't be checked here; nothing is added to what is not as it was",
        ));
    }
    let written = bag::CLOSING_FILES.into_iter().filter(|name| ![bag::TAG_MANIFEST, sign::SIGNATURE].contains(name));
    for name in written.chain([bag::LOG]).filter(|name| below(folder, name).symlink_metadata().is_ok()) {
        is_listed(output, folder, name, &hex::of(&Sha256::digest(read(output, folder, name)?)))?;
    }
    let unfinished = below(folder, UNFINISHED);
    // Behind our mark it is what an earlier run left.
    if below(folder, NOT_FINISHED).exists() {
        return Ok(());
    }
    let Ok(mut entries) = std::fs::read_dir(&unfinished) else { return Ok(()) };
    match entries.any(|entry| entry.is_ok_and(|entry| entry.file_name() != "lock")) {
        true => Err(refused(&unfinished, "something lies there that is no part of the handover; move it away")),
        false => Ok(()),
    }
}
