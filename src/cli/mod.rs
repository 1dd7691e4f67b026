//! The program's face: arguments in, tables and an exit status out. Everything it shows comes from the library.

mod args;
mod check;
mod choose;
mod compare;
mod contents;
mod demo;
mod details_args;
mod disk;
pub mod escape;
mod exit;
mod extract;
mod findings;
mod findings_file;
mod image_digest;
mod job_file;
mod json;
mod layout;
mod list;
mod map;
mod map_args;
mod map_find;
mod map_picture;
mod map_suspect;
mod map_wanted;
mod new_file;
mod open_image;
mod output;
mod progress;
mod record_args;
mod second;
mod selection_args;
mod size;
mod survey;
mod verify;

use std::ffi::OsString;
use std::io::Write;

use clap::Parser;

use crate::error::Result;
use args::{Arguments, Command};
use output::Printer;
use progress::TerminalProgress;

pub use exit::ExitStatus;
pub use output::Terminal;

/// What every command is handed beside its arguments.
struct Context<'a> {
    printer: Printer<'a>,
    progress: TerminalProgress,
}

/// Runs the program. `args` begins with the program's own name; `out` takes data and `err` the rest.
pub fn run(
    args: impl Iterator<Item = OsString>,
    out: &mut dyn Write,
    err: &mut dyn Write,
    terminal: Terminal,
) -> ExitStatus {
    let mut context =
        Context { printer: Printer::new(out, err, terminal), progress: TerminalProgress::new(terminal.err) };
    let result = match Arguments::try_parse_from(args) {
        Ok(arguments) => dispatch(&arguments.command, &mut context),
        Err(stop) => explain(&stop, &mut context.printer),
    };
    // A listing that did not arrive was not done, whatever its result; of two errors the first says more.
    let finished = context.printer.finish();
    match result.and_then(|status| finished.map(|()| status)) {
        Ok(status) => status,
        Err(error) => {
            context.printer.error(&error);
            ExitStatus::from(&error)
        }
    }
}

fn dispatch(command: &Command, context: &mut Context<'_>) -> Result<ExitStatus> {
    match command {
        Command::Map(command) => map::run(command, context),
        Command::Layout(args) => layout::run(args, context),
        Command::List(args) => list::run(args, context),
        Command::Survey(args) => survey::run(args, context),
        Command::Extract(args) => extract::run(args, context),
        Command::Check(args) => check::run(args, context),
        Command::Verify(args) => verify::run(args, context),
        Command::Compare(args) => compare::run(args, context),
        Command::Demo(args) => demo::run(args, context),
    }
}

/// Prints help where it was asked for, and what is wrong with the arguments where it was not.
fn explain(stop: &clap::Error, printer: &mut Printer<'_>) -> Result<ExitStatus> {
    printer.help(&stop.render().to_string(), stop.use_stderr())?;
    Ok(if stop.use_stderr() { ExitStatus::Usage } else { ExitStatus::Well })
}
