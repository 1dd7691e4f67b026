//! The index of something in a recycle bin: the input is the file `$I…`.

use handback::catalog::{AddressKind, Catalog, CatalogBuilder, Extents, Facts, Findings, Object, ObjectId, ObjectKind};
use handback::error::Result;
use handback::filesystem::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts};
use handback::progress::Progress;
use handback::source::Source;
use handback::survey::recycle;

use super::in_memory;

/// A volume whose every file is the same.
struct Bin {
    source: Source,
    facts: VolumeFacts,
    findings: Findings,
    index: Vec<u8>,
}

impl Filesystem for Bin {
    fn source(&self) -> &Source {
        &self.source
    }

    fn facts(&self) -> &VolumeFacts {
        &self.facts
    }

    fn findings(&self) -> &Findings {
        &self.findings
    }

    fn sweep(&self, _: SweepOptions, _: &dyn Progress) -> Result<Swept> {
        unreachable!("the catalog is made by hand")
    }

    fn extents(&self, _: &Catalog, _: ObjectId) -> Result<Extents> {
        Ok(Extents::Resident(self.index.clone()))
    }

    fn link_target(&self, _: &Catalog, _: ObjectId) -> Result<Option<String>> {
        Ok(None)
    }

    fn needs(&self, _: &Catalog, _: Chosen<'_>) -> Result<Needs> {
        Ok(Needs::default())
    }
}

pub(super) fn check(data: &[u8]) {
    let catalog = catalog(data.len() as u64).expect("four names");
    let bin = Bin {
        source: in_memory(&[]),
        facts: VolumeFacts::default(),
        findings: Findings::default(),
        index: data.to_vec(),
    };
    let found = recycle::read(&bin, &catalog).expect("nothing is read from an image");
    assert!(found.len() <= 1);
    for one in found {
        assert!(!one.original_path.is_empty() && one.content().is_none() && one.path.is_none());
    }
}

/// `/$Recycle.Bin/S-1/$I1.txt`.
fn catalog(size: u64) -> Result<Catalog> {
    let mut builder = CatalogBuilder::new(AddressKind::Record);
    let mut add = |kind, locator| {
        let mut object = Object::new(kind, locator);
        object.facts = Facts::SOUND;
        object.size = if kind == ObjectKind::File { size } else { 0 };
        builder.object(object)
    };
    let root = add(ObjectKind::Folder, 0)?;
    let line = [add(ObjectKind::Folder, 1)?, add(ObjectKind::Folder, 2)?, add(ObjectKind::File, 3)?];
    let mut folder = root;
    for (object, name) in line.into_iter().zip(["$Recycle.Bin", "S-1", "$I1.txt"]) {
        builder.name(folder, object, name.encode_utf16())?;
        folder = object;
    }
    builder.finish(root)
}
