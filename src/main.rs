//! The program: hands the arguments to [`handback::cli`] and its exit status back.

use std::io::{BufWriter, IsTerminal};
use std::process::ExitCode;

use handback::cli::{self, Terminal};
use handback::source::fence;

fn main() -> ExitCode {
    // A panic of an outside reader behind the fence is an answer that is dealt with, and no news for the user.
    let report = std::panic::take_hook();
    std::panic::set_hook(Box::new(move |panic| {
        if std::thread::current().name() != Some(fence::THREAD_NAME) {
            report(panic);
        }
    }));
    let terminal = Terminal {
        out: std::io::stdout().is_terminal(),
        err: std::io::stderr().is_terminal(),
        colour: std::env::var_os("NO_COLOR").is_none_or(|value| value.is_empty()),
    };
    // Standard error is not locked: progress is drawn on it from other threads.
    let mut out = BufWriter::new(std::io::stdout());
    cli::run(std::env::args_os(), &mut out, &mut std::io::stderr(), terminal).into()
}
