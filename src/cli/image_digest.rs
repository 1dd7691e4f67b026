//! The digest of the image, kept beside it (`disk.img.sha256` for `disk.img`) in a form that `sha256sum -c` checks.

use std::io::Read;
use std::path::{Path, PathBuf};

use super::{Context, escape, new_file};
use crate::error::{Error, Result};
use crate::handover;
use crate::image::Image;
use crate::image::digest::ImageDigest;

/// What is added to the name of the image's first file.
const BESIDE: &str = ".sha256";
/// Longest file that is read, in bytes: 100,000 parts with 300 bytes each.
const MAX_FILE: u64 = 32 << 20;

fn place(image: &dyn Image) -> Option<PathBuf> {
    let first = image.parts().first()?;
    let mut name = first.file_name()?.to_os_string();
    name.push(BESIDE);
    Some(first.with_file_name(name))
}

/// What stands beside the image.
enum Beside {
    Nothing,
    Ours(ImageDigest),
    Foreign,
}

fn look(path: &Path) -> Beside {
    if path.symlink_metadata().is_err() {
        return Beside::Nothing;
    }
    let read = || -> Option<Vec<u8>> {
        if !std::fs::metadata(path).ok()?.is_file() {
            return None;
        }
        let mut bytes = Vec::new();
        #[expect(clippy::disallowed_methods, reason = "opens for reading what stands beside the image")]
        std::fs::File::open(path).ok()?.take(MAX_FILE).read_to_end(&mut bytes).ok()?;
        Some(bytes)
    };
    read().and_then(|bytes| ImageDigest::from_text(&bytes)).map_or(Beside::Foreign, Beside::Ours)
}

/// The digest of an image, and whether it was kept from an earlier time: the kept one if it still fits, else a new one
/// if it is asked for.
///
/// # Errors
/// As [`ImageDigest::compute`]; [`Error::ImageDiffers`] if another program's list beside it says something else.
pub(super) fn of(image: &dyn Image, is_asked: bool, context: &mut Context<'_>) -> Result<(Option<ImageDigest>, bool)> {
    let Some(path) = place(image) else {
        let computed = is_asked.then(|| ImageDigest::compute(image, &context.progress)).transpose()?;
        return Ok((computed, false));
    };
    let shown = path.display().to_string();
    let beside = look(&path);
    if let Beside::Ours(kept) = &beside {
        match kept.misfit(image)? {
            None => {
                let again = if is_asked { "; to have it computed anew, take that file away" } else { "" };
                context.printer.note(&format!("image: SHA-256 as kept in `{shown}`{again}"));
                return Ok((Some(kept.clone()), true));
            }
            Some(why) if !is_asked => context.printer.note(&format!(
                "image: the SHA-256 in `{shown}` is left out of account: {why}; `--hash-image` computes it anew"
            )),
            Some(_) => {}
        }
    }
    if !is_asked {
        return Ok((None, false));
    }
    let computed = ImageDigest::compute(image, &context.progress)?;
    context.printer.note(&format!("image: SHA-256 {}", computed.sha256));
    let Some(text) = computed.to_text() else {
        context.printer.note("the image's SHA-256 is not kept beside it: its files have no modification time");
        return Ok((Some(computed), false));
    };
    let written = match beside {
        Beside::Nothing => new_file::create(&path, &text),
        Beside::Ours(_) => new_file::replace_own(&path, &text),
        Beside::Foreign => {
            ask_foreign(&path, &computed, context)?;
            return Ok((Some(computed), false));
        }
    };
    match written {
        Ok(()) => context.printer.note(&format!("the image's SHA-256 is kept in `{shown}`; `sha256sum -c` checks it")),
        Err(error) => context.printer.note(&format!("the image's SHA-256 is not kept beside it: {error}")),
    }
    Ok((Some(computed), false))
}

/// Another program's list: left alone, and asked what it says. An image that is not what it was when it was made has wrong
/// bytes that no map knows of.
///
/// # Errors
/// [`Error::ImageDiffers`] if the list says something else.
fn ask_foreign(path: &Path, computed: &ImageDigest, context: &mut Context<'_>) -> Result<()> {
    let shown = path.display();
    context.printer.note(&format!(
        "the image's SHA-256 is not kept beside it: `{shown}` is there and not handback's; nothing is ever overwritten"
    ));
    for part in &computed.parts {
        let name = part.path.file_name().unwrap_or_default().to_string_lossy();
        match handover::compare::listed_sha256(path, &name) {
            Some(listed) if listed == part.sha256 => {
                context.printer.note(&format!("`{shown}` says the same of `{}`", escape::for_terminal(&name)));
            }
            Some(listed) => {
                let (list, found) = (path.to_path_buf(), part.sha256.clone());
                return Err(Error::ImageDiffers { path: part.path.clone(), list, found, listed });
            }
            None => {}
        }
    }
    Ok(())
}
