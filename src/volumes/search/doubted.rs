//! A found volume that others may have written over.
//!
//! What of it depends on bytes that another volume claims can't be shown to be its own. To see what depends on them, the
//! volume is read a second time as if those bytes had not been read: whatever comes out the same does not hang on them.

use std::collections::HashMap;
use std::ops::Range;

use crate::catalog::{Catalog, Distrust, Extents, Findings, Object, ObjectId, ObjectKind};
use crate::error::Result;
use crate::filesystem::{Chosen, Filesystem, Needs, SweepOptions, Swept, VolumeFacts};
use crate::progress::Progress;
use crate::sector_map::ByteState;
use crate::source::{Damage, Source};

/// What is to be doubted of a volume.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(in crate::volumes) struct Doubts {
    /// The bytes of the image that others claim.
    pub(in crate::volumes) contested: Vec<Range<u64>>,
    /// Nobody has looked through the whole image for others.
    pub(in crate::volumes) unsearched: bool,
}

struct Doubted {
    inner: Box<dyn Filesystem>,
    /// The volume without what others claim; `None` if nothing is left of it then.
    without: Option<Box<dyn Filesystem>>,
    doubts: Doubts,
}

/// Lays the doubts over a reader. `window` is the volume, and `open` opens it.
///
/// # Errors
/// As `open`.
pub(in crate::volumes) fn doubted(
    inner: Box<dyn Filesystem>,
    doubts: Doubts,
    window: &Source,
    open: impl FnOnce(&Source) -> Result<Option<Box<dyn Filesystem>>>,
) -> Result<Box<dyn Filesystem>> {
    if doubts == Doubts::default() {
        return Ok(inner);
    }
    let without = if doubts.contested.is_empty() || doubts.unsearched { None } else { open(&hidden(window, &doubts))? };
    Ok(Box::new(Doubted { inner, without, doubts }))
}

/// The same bytes as if nothing had been read of what others claim.
fn hidden(window: &Source, doubts: &Doubts) -> Source {
    let as_unread =
        |range: &Range<u64>| Damage { range: range.clone(), state: Some(ByteState::Unread), scrambled: false };
    window.with_damage(&doubts.contested.iter().map(as_unread).collect::<Vec<_>>())
}

impl Doubted {
    /// The objects that come out otherwise without the bytes that others claim.
    fn dependent(&self, swept: &Swept, options: SweepOptions, progress: &dyn Progress) -> Result<Vec<ObjectId>> {
        let Some(without) = &self.without else { return Ok(all(&swept.catalog)) };
        let other = without.sweep(options, progress)?.catalog;
        let by_address: HashMap<String, ObjectId> =
            other.objects().filter_map(|(id, _)| Some((other.address(id)?, id))).collect();
        let mut dependent = Vec::new();
        for (id, object) in swept.catalog.objects() {
            let same = match swept.catalog.address(id).and_then(|address| by_address.get(&address)) {
                Some(twin) => self.is_same(&swept.catalog, id, object, without.as_ref(), &other, *twin)?,
                None => false,
            };
            if !same {
                dependent.push(id);
            }
        }
        Ok(dependent)
    }

    fn is_same(
        &self,
        catalog: &Catalog,
        id: ObjectId,
        object: &Object,
        without: &dyn Filesystem,
        other: &Catalog,
        twin: ObjectId,
    ) -> Result<bool> {
        let shown = other.object(twin);
        let says = |one: &Object| (one.kind, one.facts.clone(), one.size, one.completeness());
        let names = |catalog: &Catalog, id| catalog.names_of(id).map(|name| catalog.path(name)).collect::<Vec<_>>();
        if says(object) != says(shown) || names(catalog, id) != names(other, twin) {
            return Ok(false);
        }
        Ok(match object.kind {
            ObjectKind::File | ObjectKind::Stream if object.facts.unlocated.is_none() => {
                match (self.inner.extents(catalog, id), without.extents(other, twin)) {
                    (Ok(one), Ok(two)) => one == two,
                    (Err(error @ crate::Error::ImageIo { .. }), _) | (_, Err(error @ crate::Error::ImageIo { .. })) => {
                        return Err(error);
                    }
                    _ => false,
                }
            }
            ObjectKind::Link => self.inner.link_target(catalog, id)? == without.link_target(other, twin)?,
            _ => true,
        })
    }
}

fn all(catalog: &Catalog) -> Vec<ObjectId> {
    catalog.objects().map(|(id, _)| id).collect()
}

impl Filesystem for Doubted {
    fn source(&self) -> &Source {
        self.inner.source()
    }

    fn facts(&self) -> &VolumeFacts {
        self.inner.facts()
    }

    fn findings(&self) -> &Findings {
        self.inner.findings()
    }

    fn sweep(&self, options: SweepOptions, progress: &dyn Progress) -> Result<Swept> {
        let mut swept = self.inner.sweep(options, progress)?;
        if self.doubts.unsearched {
            let everything = all(&swept.catalog);
            swept.catalog.doubt(&everything, Distrust::VolumeUnsearched);
        }
        if !self.doubts.contested.is_empty() {
            let dependent = self.dependent(&swept, options, progress)?;
            swept.catalog.doubt(&dependent, Distrust::VolumeOverlaps);
        }
        Ok(swept)
    }

    fn extents(&self, catalog: &Catalog, object: ObjectId) -> Result<Extents> {
        self.inner.extents(catalog, object)
    }

    fn link_target(&self, catalog: &Catalog, object: ObjectId) -> Result<Option<String>> {
        self.inner.link_target(catalog, object)
    }

    fn needs(&self, catalog: &Catalog, chosen: Chosen<'_>) -> Result<Needs> {
        self.inner.needs(catalog, chosen)
    }
}
