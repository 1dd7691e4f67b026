//! Documents, tables, slides, archives and databases.

mod inflate;
mod ole;
mod text;
mod zip;

use super::Format;

/// The formats of this folder. Kinds that an opening tells exactly stand before those that only a name's ending tells.
pub(super) const FORMATS: &[&[Format]] = &[zip::EXACT, zip::PLAIN, ole::FORMATS, zip::NAMED];
