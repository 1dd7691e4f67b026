//! The attributes of one record.

use super::record::Record;
use super::structures::{AttributeHeader, NonResidentBody, ResidentBody, attribute_type, utf16};
use crate::bytes::{le_u32, slice};

/// One attribute.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Attribute<'a> {
    pub(super) header: AttributeHeader,
    pub(super) name: Vec<u16>,
    pub(super) body: Body<'a>,
}

/// What an attribute holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Body<'a> {
    /// Its value.
    Resident(&'a [u8]),
    /// Where its value is: the packed runs.
    NonResident(NonResidentBody, &'a [u8]),
}

impl Attribute<'_> {
    /// The value, if it is resident.
    pub(super) fn value(&self) -> Option<&[u8]> {
        match self.body {
            Body::Resident(value) => Some(value),
            Body::NonResident(..) => None,
        }
    }
}

/// The attributes that stand wholly in what was read of the record.
pub(super) fn attributes(record: &Record) -> Vec<Attribute<'_>> {
    walk(record).collect()
}

/// The same, one after the other.
pub(super) fn walk(record: &Record) -> Walk<'_> {
    Walk { record, at: Some(record.header.first_attribute), broken: false }
}

/// A walk from attribute to attribute.
pub(super) struct Walk<'a> {
    record: &'a Record,
    /// Where the next one stands; `None` at the end.
    at: Option<usize>,
    /// Whether the walk ended before the end mark, other than where the reading did.
    pub(super) broken: bool,
}

impl<'a> Iterator for Walk<'a> {
    type Item = Attribute<'a>;

    /// Every attribute is at least a head long, so the walk ends.
    fn next(&mut self) -> Option<Self::Item> {
        let at = self.at.take()?;
        let kind = le_u32(&self.record.bytes, at);
        if kind == Some(attribute_type::END) {
            return None;
        }
        let found = kind.and_then(|_| one(&self.record.bytes, at));
        match &found {
            Some(attribute) => self.at = Some(at.saturating_add(attribute.header.length)),
            // In a record that was read in part, the walk ends where the reading did.
            None => self.broken = !self.record.partial,
        }
        found
    }
}

/// The shortest attribute, in bytes: a resident one without name or value.
const MIN_LENGTH: usize = 0x18;

fn one(bytes: &[u8], at: usize) -> Option<Attribute<'_>> {
    let header = AttributeHeader::from_bytes(bytes.get(at..)?)?;
    if header.length < MIN_LENGTH || header.length % 8 != 0 {
        return None;
    }
    let bytes = slice(bytes, at, header.length)?;
    let name = match header.name_length {
        0 => Vec::new(),
        length => utf16(slice(bytes, header.name_offset, length.checked_mul(2)?)?),
    };
    let body = if header.non_resident {
        let body = NonResidentBody::from_bytes(bytes)?;
        Body::NonResident(body, bytes.get(body.runs_offset..)?)
    } else {
        let body = ResidentBody::from_bytes(bytes)?;
        Body::Resident(slice(bytes, body.offset, body.length)?)
    };
    Some(Attribute { header, name, body })
}

#[cfg(test)]
mod tests {
    use super::super::record::tests::record;
    use super::*;
    use crate::source::Reality;

    fn resident(kind: u32, value: &[u8]) -> Vec<u8> {
        let length = (0x18 + value.len()).next_multiple_of(8);
        let mut bytes = vec![0; length];
        bytes[..4].copy_from_slice(&kind.to_le_bytes());
        bytes[4..8].copy_from_slice(&u32::try_from(length).unwrap().to_le_bytes());
        bytes[0x10..0x14].copy_from_slice(&u32::try_from(value.len()).unwrap().to_le_bytes());
        bytes[0x14] = 0x18;
        bytes[0x18..0x18 + value.len()].copy_from_slice(value);
        bytes
    }

    fn walk(attributes_bytes: &[u8]) -> (Vec<(u32, Vec<u8>)>, bool) {
        let raw = record(30, 1, attributes_bytes);
        let record = Record::parse(30, &raw, 0, &Reality::default()).unwrap();
        let mut found = super::walk(&record);
        let list =
            found.by_ref().map(|attribute| (attribute.header.kind, attribute.value().unwrap().to_vec())).collect();
        (list, found.broken)
    }

    #[test]
    fn attributes_follow_one_another_to_the_end_mark() {
        let bytes = [resident(0x10, b"abc"), resident(0x80, b"")].concat();
        assert_eq!(walk(&bytes), (vec![(0x10, b"abc".to_vec()), (0x80, Vec::new())], false));
        assert_eq!(walk(&[]), (Vec::new(), false));
    }

    #[test]
    fn a_length_that_can_not_be_ends_the_walk() {
        for length in [0_u32, 8, 0x19, 0xffff_fff8, 0x2000] {
            let mut second = resident(0x80, b"x");
            second[4..8].copy_from_slice(&length.to_le_bytes());
            let (list, broken) = walk(&[resident(0x10, b"abc"), second].concat());
            assert_eq!((list.len(), broken), (1, true), "{length}");
        }
        let mut value = resident(0x80, b"x");
        value[0x10] = 0xff;
        assert_eq!(walk(&value), (Vec::new(), true));
    }
}
