//! Content to be read at any place, as structures point back and forth.

use std::cell::RefCell;

use crate::bytes::{at_most, round_down, to_u64};
use crate::catalog::{Catalog, Extents, ObjectId};
use crate::content::fingerprint::located;
use crate::content::read_at;
use crate::error::Result;
use crate::filesystem::Filesystem;
use crate::source::Source;

/// Bytes that can be read at any place.
pub trait RandomRead {
    /// How many there are.
    fn size(&self) -> u64;

    /// Fills `buffer` from byte `offset`. What lies past the end is zeros.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()>;
}

impl RandomRead for [u8] {
    fn size(&self) -> u64 {
        to_u64(self.len())
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        let from = self.get(at_most(offset, usize::MAX)..).unwrap_or_default();
        let count = from.len().min(buffer.len());
        let (filled, rest) = buffer.split_at_mut(count);
        filled.copy_from_slice(from.get(..count).unwrap_or_default());
        rest.fill(0);
        Ok(())
    }
}

impl RandomRead for Vec<u8> {
    fn size(&self) -> u64 {
        self.as_slice().size()
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        self.as_slice().read_at(offset, buffer)
    }
}

/// Pieces that are kept, so that small reads beside each other cost one.
const PIECE: usize = 1 << 17;

/// How many pieces are kept: a structure is walked at a few places at a time.
const PIECES: usize = 8;

/// An object's content in an image. Gaps read as zeros.
pub struct Content<'a> {
    volume: &'a Source,
    extents: Extents,
    size: u64,
    /// The last one used comes last.
    pieces: RefCell<Vec<(u64, Vec<u8>)>>,
}

impl<'a> Content<'a> {
    /// The content of an object; `None` if nothing of it can be placed.
    ///
    /// # Errors
    /// [`crate::Error::ImageIo`] when the image file can't be read.
    pub fn of(filesystem: &'a dyn Filesystem, catalog: &Catalog, object: ObjectId) -> Result<Option<Self>> {
        let extents = located(filesystem, catalog, object)?;
        Ok(extents.map(|extents| Self::new(filesystem.source(), extents)))
    }

    /// Content that lies so on a volume.
    #[must_use]
    pub fn new(volume: &'a Source, extents: Extents) -> Self {
        let size = extents.size();
        Self { volume, extents, size, pieces: RefCell::default() }
    }
}

impl RandomRead for Content<'_> {
    fn size(&self) -> u64 {
        self.size
    }

    fn read_at(&self, offset: u64, buffer: &mut [u8]) -> Result<()> {
        if buffer.len() >= PIECE {
            read_at(self.volume, &self.extents, offset, buffer)?;
            return Ok(());
        }
        let mut pieces = self.pieces.borrow_mut();
        let mut filled = 0_usize;
        while filled < buffer.len() {
            let at = offset.saturating_add(to_u64(filled));
            let start = round_down(at, to_u64(PIECE));
            let slot = buffer.get_mut(filled..).unwrap_or_default();
            if at >= self.size {
                slot.fill(0);
                break;
            }
            match pieces.iter().position(|(first, _)| *first == start) {
                Some(found) => {
                    let piece = pieces.remove(found);
                    pieces.push(piece);
                }
                None => {
                    let mut piece = vec![0; at_most(self.size.saturating_sub(start), PIECE)];
                    read_at(self.volume, &self.extents, start, &mut piece)?;
                    if pieces.len() >= PIECES {
                        pieces.remove(0);
                    }
                    pieces.push((start, piece));
                }
            }
            let piece = pieces.last().map(|(_, piece)| piece.as_slice()).unwrap_or_default();
            let from = piece.get(at_most(at.saturating_sub(start), PIECE)..).unwrap_or_default();
            let count = from.len().min(slot.len());
            if count == 0 {
                // The size is not the piece's end only if the content is shorter than it says, which it never is.
                slot.fill(0);
                break;
            }
            let (now, _) = slot.split_at_mut(count);
            now.copy_from_slice(from.get(..count).unwrap_or_default());
            filled = filled.saturating_add(count);
        }
        Ok(())
    }
}
