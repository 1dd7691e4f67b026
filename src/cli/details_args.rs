//! Whose drive it is, and who did the work: what the report says beside the files.

use clap::Args;

#[derive(Debug, Args)]
pub(super) struct DetailsArgs {}
