//! The words of the command line. What they mean is done in one file a command.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use jiff::tz::TimeZone;

use super::details_args::DetailsArgs;
use super::map_args::{MapArgs, MapFormArgs};
use super::map_wanted::MapWantedArgs;
use super::record_args::RecordArgs;
use super::selection_args::SelectionArgs;
use super::size;
use crate::filesystem::CodePage;
use crate::partition::capacity::Expected;

const CAUTION: &str = "\
See what is on the image of a dying drive, prove what is really there, and hand the customer's files back.

Before you start:
  * Work on an image, never on the drive. Every further minute can be a dying drive's last; image it first, with a \
program that notes which sectors would not read.
  * Nothing here ever writes to the image. Copies go to a folder of another disk.
  * If the imaging left a log, bring it: without it nobody can tell a hole from the customer's zeros. Stand it beside \
the image as `disk.map.csv` for `disk.img`, or name it with `--map`.";

const EXAMPLES: &str = "\
A usual day:
  handback layout disk.img                            what is on it, is the image complete?
  handback survey disk.img                            whose folders, and what touches holes?
  handback list disk.img /Users                       look around
  handback extract disk.img /Users/Anna --to E:\\Anna  copy out, with a checksum of each file
  handback verify E:\\Anna                             check the copy, today or in a year

Exit status: 0 all well; 1 done, but something is damaged, doubtful or lost; 2 the command is wrong; 3 the image, the \
volume or the destination can't be used.";

#[derive(Debug, Parser)]
#[command(
    name = "handback",
    bin_name = "handback",
    version,
    about = "See what is on the image of a dying drive and hand the customer's files back",
    long_about = CAUTION,
    after_help = EXAMPLES,
    arg_required_else_help = true,
    disable_help_subcommand = true
)]
pub(super) struct Arguments {
    #[command(subcommand)]
    pub(super) command: Command,
}

#[derive(Debug, Subcommand)]
pub(super) enum Command {
    /// Show the partition table, the volumes, and whether the image is as long as it should be
    Layout(LayoutArgs),
    /// List a folder, with the state of every file
    List(ListArgs),
    /// Tell whose folders are there, how much is in them, and what touches holes
    Survey(SurveyArgs),
    /// Copy files and folders out of the image into a handover folder with checksums
    Extract(Box<ExtractArgs>),
    /// Tell which files open, by the rules of their formats, and which do not
    Check(CheckArgs),
    /// Check a handover folder: is every file still as it was written?
    Verify(VerifyArgs),
    /// Compare two handovers or lists, or a handover with the image: same, changed, missing, new, moved
    Compare(super::compare::CompareArgs),
    /// Sector maps: which bytes really came off the drive, what that looks like, and what to read again
    #[command(subcommand, disable_help_subcommand = true)]
    Map(MapCommand),
    /// Write a small example image to a folder and try everything on it
    Demo(DemoArgs),
}

/// Which image.
#[derive(Debug, Args)]
pub(super) struct ImageArgs {
    /// The image file; of a split image, its first part (`disk.001`)
    #[arg(value_name = "IMAGE")]
    pub(super) image: PathBuf,
    /// A further part of a split image whose parts are not numbered on; repeat it in order
    #[arg(long = "part", value_name = "FILE")]
    pub(super) parts: Vec<PathBuf>,
}

/// How the drive is divided.
#[derive(Debug, Args)]
pub(super) struct SectorArgs {
    /// Bytes in one of the drive's sectors, if it can't be told from the table
    #[arg(long, value_name = "BYTES", value_parser = sector_size)]
    pub(super) sector_size: Option<u64>,
    /// The volume that begins at this byte of the image, whether or not the table names it
    #[arg(long, value_name = "OFFSET", value_parser = size::parse)]
    pub(super) at: Option<u64>,
}

/// Which volume of the image.
#[derive(Debug, Args)]
pub(super) struct VolumeArgs {
    /// The volume by its number in `handback layout`; needed only if a path could be on several
    #[arg(long, value_name = "NUMBER")]
    pub(super) volume: Option<u32>,
}

/// How times are shown.
#[derive(Debug, Args)]
pub(super) struct TimeArgs {
    /// The zone in which times are shown, such as `Europe/Vienna` [default: this computer's]
    #[arg(long, value_name = "ZONE", value_parser = time_zone)]
    pub(super) time_zone: Option<TimeZone>,
}

/// How short names are written.
#[derive(Debug, Args)]
pub(super) struct CodePageArgs {
    /// The code page of short names on FAT volumes, such as 850 for Western Europe
    #[arg(long, value_name = "NUMBER", default_value = "437", value_parser = codepage)]
    pub(super) codepage: CodePage,
}

fn codepage(text: &str) -> Result<CodePage, String> {
    text.parse().ok().and_then(CodePage::new).ok_or_else(|| {
        let known: Vec<String> = CodePage::known().iter().map(u16::to_string).collect();
        format!("it must be one of {}", known.join(", "))
    })
}

#[derive(Debug, Args)]
pub(super) struct LayoutArgs {
    #[command(flatten)]
    pub(super) image: ImageArgs,
    #[command(flatten)]
    pub(super) sector: SectorArgs,
    /// The capacity on the drive's label, such as `500GB`: is the image as long?
    #[arg(long, value_name = "SIZE", value_parser = Expected::from_label)]
    pub(super) drive_size: Option<Expected>,
    /// Walk the whole image for volumes, where the table is gone or lies; what is found is kept beside the image
    #[arg(long)]
    pub(super) search: bool,
    /// Print one JSON document for programs
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct ListArgs {
    #[command(flatten)]
    pub(super) image: ImageArgs,
    /// The folder or file: `/Users`, `2:/Users` on volume 2, or an address such as `record:57`
    #[arg(value_name = "PATH", default_value = "/")]
    pub(super) path: String,
    /// Everything below, too
    #[arg(long)]
    pub(super) recursive: bool,
    /// Deleted files, too; never better than doubtful
    #[arg(long)]
    pub(super) deleted: bool,
    /// Hold every folder's own list against the files' records, also where nothing is lost
    #[arg(long)]
    pub(super) cross_check: bool,
    #[command(flatten)]
    pub(super) volume: VolumeArgs,
    #[command(flatten)]
    pub(super) time: TimeArgs,
    #[command(flatten)]
    pub(super) sector: SectorArgs,
    #[command(flatten)]
    pub(super) codepage: CodePageArgs,
    /// Print one JSON object a line for programs
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct SurveyArgs {
    #[command(flatten)]
    pub(super) image: ImageArgs,
    /// Say what lies in the holes (files, the filesystem's own, free space), and which folders and kinds of files they
    /// cost most
    #[arg(long)]
    pub(super) holes: bool,
    /// Check the people's files by the rules of their formats, and say how many open
    #[arg(long)]
    pub(super) check: bool,
    /// Hold every folder's own list against the files' records, also where nothing is lost
    #[arg(long)]
    pub(super) cross_check: bool,
    #[command(flatten)]
    pub(super) volume: VolumeArgs,
    #[command(flatten)]
    pub(super) time: TimeArgs,
    #[command(flatten)]
    pub(super) sector: SectorArgs,
    #[command(flatten)]
    pub(super) codepage: CodePageArgs,
    /// Print one JSON document for programs
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct ExtractArgs {
    #[command(flatten)]
    pub(super) image: ImageArgs,
    #[command(flatten)]
    pub(super) selection: SelectionArgs,
    /// The handover folder: a new or empty one, or one that was not finished and goes on
    #[arg(long, value_name = "FOLDER", required_unless_present = "dry_run")]
    pub(super) to: Option<PathBuf>,
    #[command(flatten)]
    pub(super) details: DetailsArgs,
    #[command(flatten)]
    pub(super) record: RecordArgs,
    /// Deleted files that stood in these folders, too, apart from the others and never better than doubtful
    #[arg(long)]
    pub(super) deleted: bool,
    /// Write alternate streams, too, as files of their own beside their file
    #[arg(long)]
    pub(super) streams: bool,
    /// Check every file by the rules of its format, and say of each whether it opens
    #[arg(long)]
    pub(super) check: bool,
    /// Do not read the written files back. `verify` does that later; until then nobody knows what the disk took
    #[arg(long)]
    pub(super) no_read_back: bool,
    /// Have an independent program read every file again, and say of each whether it gets the same bytes
    #[arg(long)]
    pub(super) second_reader: bool,
    /// The zone of dates that the volume keeps without one, as memory cards do: the copies get their dates by it, such as
    /// `Europe/Vienna` [default: this computer's]
    #[arg(long, value_name = "ZONE", value_parser = time_zone)]
    pub(super) time_zone: Option<TimeZone>,
    #[command(flatten)]
    pub(super) volume: VolumeArgs,
    #[command(flatten)]
    pub(super) sector: SectorArgs,
    #[command(flatten)]
    pub(super) codepage: CodePageArgs,
    /// Print one JSON document for programs
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct CheckArgs {
    #[command(flatten)]
    pub(super) image: ImageArgs,
    /// What to check: `/Users/Anna`, `2:/Photos`, or an address such as `record:57` [default: all of every main volume]
    #[arg(value_name = "PATH")]
    pub(super) paths: Vec<String>,
    /// Have an independent program read every file again, and say of each whether it gets the same bytes
    #[arg(long)]
    pub(super) second_reader: bool,
    #[command(flatten)]
    pub(super) volume: VolumeArgs,
    #[command(flatten)]
    pub(super) codepage: CodePageArgs,
    #[command(flatten)]
    pub(super) sector: SectorArgs,
    /// Print one JSON document for programs
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct VerifyArgs {
    /// The handover folder, or a folder or disk that holds exactly one
    #[arg(value_name = "FOLDER")]
    pub(super) folder: PathBuf,
    /// Whose signature it must bear: a public key, or a list of allowed signers as ssh-keygen has it
    #[arg(long, value_name = "FILE")]
    pub(super) signer: Option<PathBuf>,
    /// Print one JSON document for programs
    #[arg(long)]
    pub(super) json: bool,
}

#[derive(Debug, Args)]
pub(super) struct DemoArgs {
    /// A new or empty folder for the example
    #[arg(value_name = "FOLDER")]
    pub(super) folder: PathBuf,
}

#[derive(Debug, Subcommand)]
pub(super) enum MapCommand {
    /// Show what a map says: how much was read, how much not, and where
    Show(MapShowArgs),
    /// Write a list of bad sectors or another program's log as a sector map
    Convert(MapConvertArgs),
    /// Join several maps of one drive: each byte in the best state that any map gives it
    Merge(MapMergeArgs),
    /// Draw the image as one long strip: what was read, what not, and where volumes and chosen folders lie
    Picture(super::map_picture::MapPictureArgs),
    /// Make a map from the marker that the imaging wrote into sectors that would not read
    Find(super::map_find::MapFindArgs),
    /// List long blank stretches in files: hints at holes where no map speaks
    Suspect(super::map_suspect::MapSuspectArgs),
    /// List what to read again from the drive so that chosen folders become complete
    Wanted(MapWantedArgs),
}

#[derive(Debug, Args)]
pub(super) struct MapShowArgs {
    /// The image file that the map speaks of; without it, only the map named with `--map` is shown
    #[arg(value_name = "IMAGE", required_unless_present = "map")]
    pub(super) image: Option<PathBuf>,
    /// A further part of a split image whose parts are not numbered on; repeat it in order
    #[arg(long = "part", value_name = "FILE", requires = "image")]
    pub(super) parts: Vec<PathBuf>,
    /// Print one JSON document for programs, with every range
    #[arg(long)]
    pub(super) json: bool,
    #[command(flatten)]
    pub(super) map: MapArgs,
}

#[derive(Debug, Args)]
pub(super) struct MapConvertArgs {
    /// The list, log or map
    #[arg(value_name = "FILE")]
    pub(super) input: PathBuf,
    /// The new map, a `.csv` file; without it the map is printed
    #[arg(long, value_name = "FILE")]
    pub(super) to: Option<PathBuf>,
    /// The image that it speaks of, whose length counts
    #[arg(long, value_name = "IMAGE", conflicts_with = "image_length")]
    pub(super) image: Option<PathBuf>,
    /// The length in bytes of the image that it speaks of
    #[arg(long, value_name = "BYTES", value_parser = size::parse)]
    pub(super) image_length: Option<u64>,
    #[command(flatten)]
    pub(super) form: MapFormArgs,
}

#[derive(Debug, Args)]
pub(super) struct MapMergeArgs {
    /// The maps, in handback's own form
    #[arg(value_name = "MAP", required = true, num_args = 1..)]
    pub(super) maps: Vec<PathBuf>,
    /// The new map, a `.csv` file; without it the map is printed
    #[arg(long, value_name = "FILE")]
    pub(super) to: Option<PathBuf>,
}

fn time_zone(text: &str) -> Result<TimeZone, String> {
    TimeZone::get(text).map_err(|_| "zones are written as `Europe/Vienna` or `UTC`".to_string())
}

pub(super) fn sector_size(text: &str) -> Result<u64, String> {
    match size::parse(text)? {
        size @ (512 | 4096) => Ok(size),
        _ => Err("drives have sectors of 512 or 4096 bytes".to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_definition_is_sound() {
        Arguments::command().debug_assert();
    }

    #[test]
    fn no_word_is_abbreviated() {
        fn check(command: &clap::Command) {
            for argument in command.get_arguments() {
                let own = !matches!(argument.get_id().as_str(), "help" | "version");
                assert!(!own || argument.get_short().is_none(), "{} {}", command.get_name(), argument.get_id());
                assert!(!own || argument.get_help().is_some(), "{} {}", command.get_name(), argument.get_id());
            }
            command.get_subcommands().for_each(check);
        }
        check(&Arguments::command());
    }

    #[test]
    fn only_real_sector_sizes_are_taken() {
        assert_eq!(sector_size("512"), Ok(512));
        assert_eq!(sector_size("4KiB"), Ok(4096));
        assert!(sector_size("0").is_err() && sector_size("520").is_err());
    }
}
