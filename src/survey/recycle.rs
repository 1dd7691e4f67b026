//! The recycle bin: what was thrown away, from where and when.
//!
//! Windows since Vista keeps each deleted thing as `$Rxxxxxx.ext` beside an index `$Ixxxxxx.ext` (from memory, agreed
//! by several public descriptions): version, 8 bytes; size, 8; time of deletion as FILETIME, 8; then in version 1 the
//! original path in 260 UTF-16 units, in version 2 (Windows 10) the number of units, 4 bytes, and the path.

use serde::Serialize;

use super::known;
use crate::bytes::{le_u32, le_u64, slice};
use crate::catalog::{Catalog, Lookup, NameId, ObjectKind, Timestamp};
use crate::content;
use crate::error::{Error, Result};
use crate::filesystem::Filesystem;

/// Longest index that is read, in bytes: the longest path Windows can make, and some.
const MAX_INDEX: u64 = 70_000;

/// Most indexes that are read on one volume.
const MAX_ITEMS: usize = 200_000;

/// Units of the path in version 1.
const UNITS_VERSION_1: usize = 260;

/// Something in a recycle bin.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Recycled {
    /// Where its content stands now; `None` if only the index is left.
    pub path: Option<String>,
    /// The path it had.
    pub original_path: String,
    /// When it was thrown away, in RFC 3339.
    pub deleted: Option<String>,
    /// The size it had, in bytes.
    pub size: u64,
    #[serde(skip)]
    content: Option<NameId>,
}

impl Recycled {
    /// The name under which its content stands now.
    #[must_use]
    pub fn content(&self) -> Option<NameId> {
        self.content
    }
}

/// Reads the indexes of all recycle bins of a volume. One that can't be read or makes no sense is passed over: what it
/// names is still listed under the name it has in the bin.
///
/// # Errors
/// [`Error::ImageIo`] when the image file can't be read.
pub fn read(volume: &dyn Filesystem, catalog: &Catalog) -> Result<Vec<Recycled>> {
    let mut all = Vec::new();
    let bins = catalog
        .children(catalog.root())
        .filter(|name| known::RECYCLE_BINS.contains(&&*catalog.name(*name).text().to_lowercase()));
    for owner in bins.flat_map(|bin| catalog.children(catalog.named_object(bin))) {
        let folder = catalog.named_object(owner);
        for index in catalog.children(folder) {
            let name = catalog.name(index).text();
            let Some(rest) = name.strip_prefix("$I") else { continue };
            if all.len() >= MAX_ITEMS {
                return Ok(all);
            }
            let Some((original_path, deleted, size)) = read_index(volume, catalog, index)? else { continue };
            let content = match catalog.find_in(folder, &format!("$R{rest}")) {
                Lookup::Found(_, name) => name,
                Lookup::Ambiguous(_) | Lookup::Missing { .. } => None,
            };
            all.push(Recycled {
                path: content.map(|name| catalog.path(name)),
                original_path,
                deleted: deleted.and_then(Timestamp::rfc3339),
                size,
                content,
            });
        }
    }
    Ok(all)
}

fn read_index(
    volume: &dyn Filesystem,
    catalog: &Catalog,
    name: NameId,
) -> Result<Option<(String, Option<Timestamp>, u64)>> {
    let object = catalog.named_object(name);
    let entry = catalog.object(object);
    if entry.kind != ObjectKind::File || entry.size > MAX_INDEX || entry.facts.state().is_loss() {
        return Ok(None);
    }
    let extents = match volume.extents(catalog, object) {
        Ok(extents) => extents,
        Err(error @ Error::ImageIo { .. }) => return Err(error),
        Err(_) => return Ok(None),
    };
    let mut bytes = Vec::new();
    let outcome = content::read(volume.source(), &extents, &mut |piece| {
        bytes.extend_from_slice(piece);
        Ok(())
    })?;
    Ok(if outcome.gaps.is_empty() { parse(&bytes) } else { None })
}

/// Original path, time of deletion and size.
fn parse(bytes: &[u8]) -> Option<(String, Option<Timestamp>, u64)> {
    let (version, size, deleted) = (le_u64(bytes, 0)?, le_u64(bytes, 8)?, le_u64(bytes, 16)?);
    let path = match version {
        1 => slice(bytes, 24, UNITS_VERSION_1 * 2)?,
        2 => slice(bytes, 28, usize::try_from(le_u32(bytes, 24)?).ok()?.checked_mul(2)?)?,
        _ => return None,
    };
    let units: Vec<u16> =
        path.as_chunks::<2>().0.iter().map(|unit| u16::from_le_bytes(*unit)).take_while(|unit| *unit != 0).collect();
    (!units.is_empty()).then(|| (String::from_utf16_lossy(&units), Timestamp::from_filetime(deleted), size))
}
