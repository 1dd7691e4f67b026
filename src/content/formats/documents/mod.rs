//! Documents, tables, slides, archives and databases.

use super::Format;

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] = &[];
