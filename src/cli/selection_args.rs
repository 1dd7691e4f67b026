//! What is to be copied.

use clap::Args;

#[derive(Debug, Args)]
pub(super) struct SelectionArgs {
    /// What to copy: `/Users/Anna`, `2:/Photos`, an address such as `record:57`, or `/` for everything
    #[arg(value_name = "PATH", required = true)]
    pub(super) paths: Vec<String>,
}
