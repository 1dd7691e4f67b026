//! `handback demo`: a village choir's old computer, and every command tried on it.

use std::ffi::OsString;
use std::io::Read;
use std::path::Path;

use clap::Parser;

use super::args::{Arguments, DemoArgs};
use super::exit::ExitStatus;
use super::{Context, dispatch, job_file, new_file};
use crate::error::{Error, Result};

/// The image, made by `test-images/build`.
const IMAGE: &[u8] = include_bytes!("../../test-images/demo.img.zst");
/// What the imaging could not read of it.
const MAP: &str = include_str!("../../test-images/demo.map.csv");

/// How much is unpacked at once, in bytes. A piece of zeros is left as a hole of the file.
const PIECE: usize = 1 << 16;

pub(super) fn run(args: &DemoArgs, context: &mut Context<'_>) -> Result<ExitStatus> {
    let folder = &args.folder;
    prepare(folder)?;
    let image = folder.join("choir.img");
    let map = folder.join("choir.map.csv");
    unpack(&image)?;
    new_file::create(&map, MAP.as_bytes())?;
    new_file::create(&folder.join("choir.job.toml"), job_file::TEMPLATE.as_bytes())?;
    let handover = folder.join("handover");

    context
        .printer
        .line("A village choir's old computer broke down; its drive gave all but four stretches of sectors.")?;
    context.printer.line(&format!("Its image and the map of what was read are now in `{}`.", folder.display()))?;
    let image = image.as_os_str().to_os_string();
    let to = handover.as_os_str().to_os_string();
    let word = OsString::from;
    for (why, words) in [
        ("What is on it?", vec![word("layout"), image.clone()]),
        ("Whose folders are there, and what touches holes?", vec![word("survey"), image.clone()]),
        ("Do the choir's files open?", vec![word("check"), image.clone(), word("/Users/Choir")]),
        (
            "Copy out the choir's own folders.",
            vec![word("extract"), image.clone(), word("/Users/Choir"), word("/Scores 2009"), word("--to"), to.clone()],
        ),
        ("Is the copy what was written?", vec![word("verify"), to.clone()]),
    ] {
        let printer = &mut context.printer;
        printer.line("")?;
        printer.line(&format!("── {why}"))?;
        let shown: Vec<String> = words.iter().map(|word| shell_word(&word.to_string_lossy())).collect();
        printer.line(&format!("$ handback {}", shown.join(" ")))?;
        let arguments = Arguments::try_parse_from(std::iter::once(word("handback")).chain(words))
            .map_err(|error| Error::Usage(error.to_string()))?;
        let status = dispatch(&arguments.command, context)?;
        match status {
            ExitStatus::Well => {}
            // Two pictures and a letter have holes: that is what the demo shows.
            ExitStatus::Faults => context.printer.line("(exit status 1: done, and something is damaged)")?,
            ExitStatus::Usage | ExitStatus::Unusable => return Ok(status),
        }
    }
    let printer = &mut context.printer;
    let image = shell_word(&image.to_string_lossy());
    let to = shell_word(&to.to_string_lossy());
    printer.line("")?;
    printer.line("── Try next")?;
    printer.line(&format!("$ handback list {image} \"/Users/Choir/Pictures\" --recursive"))?;
    printer.line(&format!("$ handback map picture {image}"))?;
    printer.line(&format!(
        "$ handback map wanted {image} /Users/Choir      (what to read again, while the drive still turns)"
    ))?;
    printer.line(&format!(
        "$ handback survey {image} --no-map      (what can be said if nobody kept the imaging's log)"
    ))?;
    printer.line(&format!("Open `report.html` and `READ ME FIRST.txt` in {to}: that is what the customer gets."))?;
    Ok(ExitStatus::Well)
}

/// A folder with nothing in it.
fn prepare(folder: &Path) -> Result<()> {
    let failed = |action| move |source| Error::Io { action, path: folder.to_path_buf(), source };
    std::fs::create_dir_all(folder).map_err(failed("make the folder"))?;
    let mut entries = std::fs::read_dir(folder).map_err(failed("look into"))?;
    if entries.next().is_some() {
        return Err(Error::Destination {
            path: folder.to_path_buf(),
            why: "something is in it already; name a new or empty folder".to_string(),
        });
    }
    Ok(())
}

fn unpack(path: &Path) -> Result<()> {
    let broken = |error: &dyn std::fmt::Display| Error::Io {
        action: "unpack the example to",
        path: path.to_path_buf(),
        source: std::io::Error::other(error.to_string()),
    };
    let mut decoder = ruzstd::decoding::StreamingDecoder::new(IMAGE).map_err(|error| broken(&error))?;
    let mut piece = vec![0; PIECE];
    new_file::create_sparse(path, &mut || {
        let mut filled = 0;
        while filled < piece.len() {
            match decoder.read(&mut piece[filled..])? {
                0 => break,
                count => filled += count,
            }
        }
        Ok(piece[..filled].to_vec())
    })
}

/// A word as it would be typed.
pub(super) fn shell_word(text: &str) -> String {
    if text.chars().all(|one| one.is_alphanumeric() || "/\\:._-".contains(one)) {
        text.to_string()
    } else {
        format!("\"{text}\"")
    }
}
