//! Whose drive it is, and who did the work: what the report says beside the files.

use std::path::PathBuf;

use clap::Args;

#[derive(Debug, Args)]
pub(super) struct DetailsArgs {
    /// What is known of the job (ticket, customer, drive, technician, notes), for the report
    /// [default: `IMAGE.job.toml` or `job.toml` beside the image, if it is there; `handback demo` writes one]
    #[arg(long, value_name = "FILE")]
    pub(super) job: Option<PathBuf>,
    /// Make no sheets of small pictures beside the report
    #[arg(long)]
    pub(super) no_sheets: bool,
}
