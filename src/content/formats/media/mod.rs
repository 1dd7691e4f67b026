//! Films, sound, archives of mail, and plain text.

use super::Format;

/// The formats of this folder.
pub(super) const FORMATS: &[&[Format]] = &[];
