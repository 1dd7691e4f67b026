//! One copy of a GPT: what stands where its header should be, and the entries that it names.

use super::gpt_array::Array;
use super::gpt_header::Header;
use super::read_real;
use crate::bytes::to_usize;
use crate::error::Result;
use crate::source::Source;

/// One copy of the table.
#[derive(Debug)]
pub(super) struct Copy {
    /// Where its header stands, in bytes.
    pub(super) offset: u64,
    pub(super) header: Header,
    /// What stands where the header says; `None` if it names no array that could be.
    pub(super) array: Option<Array>,
    /// An array in another usual place that has the checksum which the header names, if the one above has not.
    pub(super) elsewhere: Option<Array>,
    /// A sound array also speaks for the fields of the header that name it.
    pub(super) array_sound: bool,
}

impl Copy {
    /// Whether it has nothing wrong.
    pub(super) fn is_sound(&self) -> bool {
        self.header.checksum_holds && self.array_sound
    }

    /// The array that counts.
    pub(super) fn entries(&self) -> Option<&Array> {
        self.elsewhere.as_ref().or(self.array.as_ref())
    }

    /// Looks in `places` (bytes) for the array that the header means, if it is not where the header says.
    pub(super) fn look_elsewhere(&mut self, source: &Source, places: &[u64]) -> Result<()> {
        let Some(length) = self.header.array_length().filter(|_| !self.array_sound && self.header.is_plausible())
        else {
            return Ok(());
        };
        for offset in places {
            let found = Array::read(source, *offset, length)?;
            if let Some(array) = found.filter(|array| array.has_checksum(self.header.array_checksum)) {
                self.elsewhere = Some(array);
                self.array_sound = true;
                return Ok(());
            }
        }
        Ok(())
    }
}

/// What stands where a header should be.
#[derive(Debug)]
pub(super) enum Place {
    Copy(Box<Copy>),
    Unread(u64),
    PastEnd,
    Nothing(u64),
}

impl Place {
    pub(super) fn read(source: &Source, sector: u64, unit: u64) -> Result<Self> {
        let inside = sector
            .checked_mul(unit)
            .filter(|offset| offset.checked_add(unit).is_some_and(|end| end <= source.length()));
        let (Some(offset), Some(length)) = (inside, to_usize(unit)) else { return Ok(Self::PastEnd) };
        let Some(bytes) = read_real(source, offset, length)? else { return Ok(Self::Unread(offset)) };
        let Some(mut header) = Header::from_bytes(&bytes) else { return Ok(Self::Nothing(offset)) };
        // A copy of a header in another place is a leftover.
        header.checksum_holds &= header.own_sector == sector && header.is_plausible();
        let array = if header.is_plausible() { Array::of_header(source, &header, unit)? } else { None };
        let array_sound = array.as_ref().is_some_and(|array| array.has_checksum(header.array_checksum));
        Ok(Self::Copy(Box::new(Copy { offset, header, array, elsewhere: None, array_sound })))
    }

    pub(super) fn copy(&self) -> Option<&Copy> {
        match self {
            Self::Copy(copy) => Some(copy),
            _ => None,
        }
    }

    pub(super) fn is_sound(&self) -> bool {
        self.copy().is_some_and(Copy::is_sound)
    }
}
