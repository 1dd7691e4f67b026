//! NTFS: a sweeping reader.

use super::{Filesystem, Swept, VolumeFacts};
use crate::catalog::{Catalog, Extents, Findings, ObjectId};
use crate::error::Result;
use crate::progress::Progress;
use crate::source::Source;

/// An NTFS volume.
#[derive(Debug)]
pub struct Ntfs {
    source: Source,
    facts: VolumeFacts,
    findings: Findings,
}

impl Ntfs {
    /// Opens `source` as an NTFS volume by its boot sector or the backup of it; `None` if neither is one.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn open(_source: &Source) -> Result<Option<Self>> {
        Ok(None)
    }
}

impl Filesystem for Ntfs {
    fn source(&self) -> &Source {
        &self.source
    }

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn findings(&self) -> &Findings {
        &self.findings
    }

    fn sweep(&self, _: &dyn Progress) -> Result<Swept> {
        todo!()
    }

    fn extents(&self, _: &Catalog, _: ObjectId) -> Result<Extents> {
        todo!()
    }

    fn link_target(&self, _: &Catalog, _: ObjectId) -> Result<Option<String>> {
        todo!()
    }
}
