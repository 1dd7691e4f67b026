//! Places that a search found, or that the caller names, as volumes of a disk.

use super::search::{Doubts, Found, Located, Neighbour, Place, Proof, Standing, arrange, doubted};
use super::{Content, Disk, Origin, Role, Volume, is_read, look};
use crate::error::{Error, Result};
use crate::filesystem::exfat::ExFat;
use crate::filesystem::fat::Fat;
use crate::filesystem::ntfs::Ntfs;
use crate::filesystem::{self, Filesystem, anchor};
use crate::partition::Table;
use crate::source::Source;

/// A boot sector is looked at in so many bytes.
const SECTOR: usize = 512;

/// The places of a search beside the volumes of the table; those of them that are volumes are added.
pub(super) fn add(source: &Source, table: &Table, found: &Found, volumes: &mut Vec<Volume>) -> Result<Vec<Located>> {
    let neighbours: Vec<Neighbour> = volumes.iter().filter_map(neighbour).collect();
    let located = arrange(found, &neighbours, next_number(table, volumes), source.length());
    for one in &located {
        if let Standing::Volume { volume } = one.standing {
            volumes.push(open(source, one, volume, found.left_out > 0)?);
        }
    }
    Ok(located)
}

/// A volume of the table that takes part in what becomes of found places. Of the whole image only a filesystem that is
/// read does: what is merely recognised at its start may be left over from before the drive was divided.
fn neighbour(volume: &Volume) -> Option<Neighbour> {
    let counts = match volume.content {
        Content::Readable(_) => true,
        Content::Recognised(_) => volume.partition.is_some(),
        Content::Unknown(_) => false,
    };
    let range = volume.start..volume.start.saturating_add(volume.length);
    let could_not_be_opened = matches!(&volume.content, Content::Recognised(recognised) if is_read(recognised.kind));
    counts.then_some(Neighbour { number: volume.number, range, could_not_be_opened })
}

/// The first number after those of the table and of all volumes.
fn next_number(table: &Table, volumes: &[Volume]) -> u32 {
    let by_table = table.partitions.iter().map(|one| one.number);
    by_table.chain(volumes.iter().map(|one| one.number)).max().unwrap_or(0).saturating_add(1)
}

/// Opens a place. What can't be opened is recognised as what the search took it for.
fn open(source: &Source, located: &Located, number: u32, unsearched: bool) -> Result<Volume> {
    let place = &located.candidate.place;
    let (start, in_image) = (place.start(), source.length().saturating_sub(place.start()));
    let length = place.length().unwrap_or(in_image);
    let window = source.window(start, length);
    let doubts = Doubts { contested: located.contested.clone(), unsearched };
    let content = match place {
        Place::BootSector { .. } | Place::Superblock { .. } => look(&window, None)?,
        _ => match again(&window, place)? {
            Some(filesystem) => Content::Readable(filesystem),
            None => Content::Recognised(located.candidate.kind.into()),
        },
    };
    let content = match content {
        Content::Readable(filesystem) => {
            Content::Readable(doubted(filesystem, doubts, &window, |window| again(window, place))?)
        }
        Content::Recognised(recognised) => Content::Recognised(recognised),
        Content::Unknown(_) => Content::Recognised(located.candidate.kind.into()),
    };
    Ok(Volume { number, role: Role::Main, partition: None, origin: Origin::Found, start, length, content })
}

/// Opens a place by what it was found by.
fn again(window: &Source, place: &Place) -> Result<Option<Box<dyn Filesystem>>> {
    fn boxed<F: Filesystem + 'static>(volume: Option<F>) -> Option<Box<dyn Filesystem>> {
        volume.map(|volume| -> Box<dyn Filesystem> { Box::new(volume) })
    }
    Ok(match place {
        Place::BootSector { .. } | Place::Superblock { .. } => filesystem::open(window)?,
        Place::NtfsHeadless(geometry) => boxed(Ntfs::open_at(window, geometry)?),
        Place::FatHeadless { geometry, .. } => boxed(Fat::open_at(window, geometry)?),
        Place::ExFatHeadless { geometry, .. } => boxed(ExFat::open_at(window, geometry)?),
    })
}

impl Disk {
    /// The number of the volume that begins exactly at `offset`: one of those there are, a place that the search found
    /// and that is none of them, or what its own boot sector shows to begin there. Of the last nobody knows whether
    /// another volume lies over it, so everything in it is doubtful until the image was searched.
    ///
    /// # Errors
    /// [`Error::NoVolumeAt`] if nothing that is known begins there; [`Error::ImageIo`] when the image file can't be read.
    pub fn at(&mut self, offset: u64) -> Result<u32> {
        let here = |one: &&Volume| one.start == offset;
        let readable = self.volumes.iter().filter(here).find(|one| one.filesystem().is_some());
        if let Some(volume) = readable {
            return Ok(volume.number);
        }
        let number = next_number(&self.table, &self.volumes);
        let places = self.search.iter().flat_map(|search| &search.places);
        let best = places.filter(|one| one.candidate.place.start() == offset).max_by_key(|one| one.candidate.proof());
        let volume = match best.filter(|one| one.candidate.proof() > Proof::Disproven) {
            Some(located) => {
                let left_out = self.search.as_ref().is_some_and(|search| search.left_out > 0);
                Some(open(&self.source, located, number, left_out)?)
            }
            None => directly(&self.source, offset, number)?,
        };
        let volume = volume.filter(|one| !matches!(one.content, Content::Unknown(_)));
        // One of the table that can't be read is still better than nothing.
        match volume {
            Some(volume) => {
                self.volumes.push(volume);
                Ok(number)
            }
            None => self.volumes.iter().find(here).map(|one| one.number).ok_or(Error::NoVolumeAt { offset }),
        }
    }
}

/// What begins at a byte by its own word.
fn directly(source: &Source, offset: u64, number: u32) -> Result<Option<Volume>> {
    let in_image = source.length().saturating_sub(offset);
    if in_image == 0 {
        return Ok(None);
    }
    let anchor = source.read_real(offset, SECTOR)?.and_then(|(bytes, _)| anchor::anchor(&bytes));
    let length = anchor.map_or(in_image, |anchor| anchor.length);
    let window = source.window(offset, length);
    let content = match look(&window, None)? {
        Content::Readable(filesystem) => {
            let doubts = Doubts { contested: Vec::new(), unsearched: true };
            let none = |_: &Source| -> Result<Option<Box<dyn Filesystem>>> { Ok(None) };
            Content::Readable(doubted(filesystem, doubts, &window, none)?)
        }
        content => content,
    };
    let origin = Origin::Asked;
    Ok(Some(Volume { number, role: Role::Main, partition: None, origin, start: offset, length, content }))
}
