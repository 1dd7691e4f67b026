//! Whose system a volume was, by its root: it says which folders there are the system's.

use super::{known, people::plain};
use crate::catalog::{Catalog, ObjectKind};

/// A family of operating systems.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum System {
    /// Windows, or none: a volume of data has no system's folders but those that Windows makes on every volume.
    Windows,
    /// Linux.
    Linux,
    /// A Mac's.
    Mac,
}

impl System {
    /// By what stands in the root.
    pub(super) fn of(catalog: &Catalog) -> Self {
        let (mut linux, mut mac) = (0, 0);
        for name in catalog.children(catalog.root()) {
            if catalog.object(catalog.named_object(name)).kind == ObjectKind::Folder {
                let text = plain(&catalog.name(name).text());
                linux += u32::from(matches!(&*text, "etc" | "usr"));
                mac += u32::from(matches!(&*text, "applications" | "system" | "library"));
            }
        }
        // One of the names alone may be anybody's.
        match (linux, mac) {
            (_, 3) => Self::Mac,
            (2, _) => Self::Linux,
            _ => Self::Windows,
        }
    }

    /// Whether a folder in the root, by its plain name, is the system's.
    pub(super) fn owns(self, name: &str) -> bool {
        known::SYSTEM_ROOT_FOLDERS.contains(&name)
            || match self {
                Self::Windows => false,
                Self::Linux => known::LINUX_ROOT_FOLDERS.contains(&name),
                Self::Mac => known::MAC_ROOT_FOLDERS.contains(&name),
            }
    }
}
