//! What a survey says of the list of blank stretches that stands beside the image.

use serde::Serialize;

use crate::cli::disk::OpenedDisk;
use crate::cli::output::Printer;
use crate::cli::{Context, size};
use crate::error::Result;
use crate::survey::FileKind;
use crate::survey::suspect::list::{self, Blank, Listed};

/// The list as JSON documents show it.
#[derive(Serialize)]
pub(super) struct Document {
    file: String,
    whole: bool,
    volumes: Vec<Volume>,
}

#[derive(Serialize)]
struct Volume {
    volume: u32,
    kinds: Vec<Kind>,
}

#[derive(Serialize)]
struct Kind {
    kind: FileKind,
    #[serde(flatten)]
    blank: Blank,
}

impl Document {
    /// What the list says of these volumes.
    pub(super) fn of(listed: &Listed, numbers: impl Iterator<Item = u32>) -> Self {
        let kinds = |number: u32| {
            let kinds = listed.volumes.get(&number).into_iter().flatten();
            kinds.map(|(kind, blank)| Kind { kind: *kind, blank: *blank }).collect()
        };
        Self {
            file: listed.path.display().to_string(),
            whole: listed.whole,
            volumes: numbers.map(|volume| Volume { volume, kinds: kinds(volume) }).collect(),
        }
    }
}

/// Reads the list that stands beside the image, or names the way to one where no map speaks.
///
/// # Errors
/// As [`list::read`].
pub(super) fn open(opened: &OpenedDisk, context: &mut Context<'_>) -> Result<Option<Listed>> {
    let image = opened.disk.source.image();
    let Some(path) = list::beside(image.as_ref()) else {
        if opened.map.basis().is_none() {
            let first = image.parts().first().map(|path| path.display().to_string()).unwrap_or_default();
            context.printer.note(&format!(
                "no map speaks for this image: `handback map suspect {first}` lists long blank stretches in files, which \
                 may be holes"
            ));
        }
        return Ok(None);
    };
    let listed = list::read(&path, image.length())?;
    let part = if listed.whole { "" } else { "; only a part of the files was looked at for it" };
    context.printer.note(&format!("suspects: `{}`, found beside the image{part}", path.display()));
    Ok(Some(listed))
}

/// Says by kind what the list has of a volume.
pub(super) fn print(volume: u32, listed: Option<&Listed>, printer: &mut Printer<'_>) -> Result<()> {
    let Some(kinds) = listed.and_then(|listed| listed.volumes.get(&volume)) else { return Ok(()) };
    printer.line("")?;
    for (kind, blank) in kinds {
        printer.prose(0, &sentence(*kind, *blank))?;
    }
    printer.line("Blank stretches change no file's state. `handback map suspect` lists the files.")
}

fn sentence(kind: FileKind, blank: Blank) -> String {
    let Blank { files, likely, all_blank, end_blank } = blank;
    let noun = match (kind, files) {
        (FileKind::Pictures, 1) => "picture",
        (FileKind::Films, 1) => "film",
        (FileKind::Documents, 1) => "document",
        (FileKind::Archives, 1) => "archive",
        (FileKind::Other, 1) => "other file",
        (FileKind::Pictures | FileKind::Films | FileKind::Documents | FileKind::Archives | FileKind::Other, _) => {
            kind.words()
        }
        (FileKind::Music, _) => "of music and sound",
        (FileKind::Mail, _) => "of mail and contacts",
        (FileKind::System, _) => "of Windows and its programs",
    };
    let verb = if files == 1 { "contains" } else { "contain" };
    let mut parts = Vec::new();
    for (count, what) in [
        (likely, "where the format holds none: almost surely a hole"),
        (all_blank, "from the first byte to the last"),
        (end_blank, "only at the end"),
    ] {
        if count > 0 {
            parts.push(format!("{} {what}", size::grouped(count)));
        }
    }
    let detail = if parts.is_empty() { String::new() } else { format!(" ({})", parts.join(", ")) };
    format!("{} {noun} {verb} long blank stretches{detail}.", size::grouped(files))
}
