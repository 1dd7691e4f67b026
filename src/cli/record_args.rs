//! What the workshop keeps, and how a handover is proven.

use clap::Args;

#[derive(Debug, Args)]
pub(super) struct RecordArgs {}
