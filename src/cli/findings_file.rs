//! What a search found, kept beside the image (`disk.found.json` for `disk.img`) and used again by every command.

use std::path::{Path, PathBuf};

use super::Context;
use super::new_file;
use crate::error::{Error, Result};
use crate::image::Image;
use crate::source::Source;
use crate::volumes::search::{Found, Saved};

/// What is added to the image's name, without its last extension.
const BESIDE: &str = "found.json";
/// Longest file that is read, in bytes: 1,024 places with 32 pieces of evidence, each 150 bytes, and as much again.
const MAX_FILE: u64 = 16 << 20;

/// Where the findings of an image are kept; nowhere for one that is no file.
fn place(image: &dyn Image) -> Option<PathBuf> {
    image.parts().first().map(|first| first.with_extension(BESIDE))
}

fn read(path: &Path) -> Option<Saved> {
    let is_short = std::fs::metadata(path).is_ok_and(|file| file.is_file() && file.len() <= MAX_FILE);
    let bytes = if is_short { std::fs::read(path).ok()? } else { return None };
    serde_json::from_slice(&bytes).ok()
}

/// The findings of an earlier search, if there are any of this image under this map; says so, or why not.
pub(super) fn load(source: &Source, context: &mut Context<'_>) -> Option<Found> {
    let path = place(source.image().as_ref()).filter(|path| path.exists())?;
    let shown = path.display();
    let Some(saved) = read(&path) else {
        context.printer.note(&format!("`{shown}` is left out of account: it holds no findings of a search"));
        return None;
    };
    if let Err(misfit) = saved.fits(source) {
        context.printer.note(&format!(
            "the findings in `{shown}` are left out of account: {misfit}; `handback layout IMAGE --search` searches again"
        ));
        return None;
    }
    context.printer.note(&format!("volumes found by an earlier search are used, too: `{shown}`"));
    Some(saved.found)
}

/// Keeps findings. Where that can't be, it is said, and the work goes on.
pub(super) fn save(source: &Source, found: &Found, context: &mut Context<'_>) -> Result<()> {
    let Some(path) = place(source.image().as_ref()) else { return Ok(()) };
    if path.symlink_metadata().is_ok() && read(&path).is_none() {
        context.printer.note(&format!(
            "what was found is not kept: `{}` is there, and holds no findings of a search; nothing is ever overwritten",
            path.display()
        ));
        return Ok(());
    }
    let failed = |error: serde_json::Error| Error::Io { action: "write", path: path.clone(), source: error.into() };
    let mut text = serde_json::to_string_pretty(&Saved::new(source, found.clone())).map_err(failed)?;
    text.push('\n');
    match new_file::replace_own(&path, text.as_bytes()) {
        Ok(()) => context.printer.note(&format!("what was found is kept in `{}`", path.display())),
        Err(error) => {
            context.printer.note(&format!("what was found is not kept, and each search starts anew: {error}"))
        }
    }
    Ok(())
}
