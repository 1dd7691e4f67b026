//! An image with its volumes, and what the arguments of a command name on them.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::tz::TimeZone;

use super::Context;
use super::args::{ImageArgs, SectorArgs, TimeArgs};
use super::escape;
use super::exit::ExitStatus;
use super::findings_file;
use super::map_args::MapArgs;
use super::open_image::{OpenedImage, open_image};
use crate::catalog::{Catalog, Lookup, NameId, ObjectId};
use crate::error::{Error, Result};
use crate::filesystem::{Filesystem, SweepOptions, Swept};
use crate::sector_map::OpenedMap;
use crate::survey::wanted::where_it_may_have_stood;
use crate::volumes::address::{self, Argument, Presence, Refusal, Target};
use crate::volumes::{self, Disk, Options, Role, search};

/// An image, opened down to its volumes.
pub(super) struct OpenedDisk {
    pub(super) disk: Disk,
    pub(super) map: OpenedMap,
    options: SweepOptions,
    swept: BTreeMap<u32, Swept>,
    /// The volume that `--at` names.
    at: Option<u32>,
}

/// Where volumes that no table names come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Found {
    /// From what an earlier search left beside the image, if it did.
    Kept,
    /// From a search of the whole image now.
    Now,
}

/// What to do where the table leads to nothing.
pub(super) const SEARCH: &str =
    "nothing readable by the table; `handback layout IMAGE --search` walks the whole image for volumes";

/// What an argument names.
#[derive(Debug, Clone, Copy)]
pub(super) struct Named {
    pub(super) volume: u32,
    pub(super) object: ObjectId,
    /// The name it was reached by, or the first one it has; the root has none.
    pub(super) name: Option<NameId>,
}

/// Why an argument names nothing, as the user is told, with the status that follows.
pub(super) struct Refused {
    message: String,
    status: ExitStatus,
}

impl Refused {
    /// Something that was asked for is not there; a mistake in the command, unless it may be lost.
    pub(super) fn missing(message: String, may_be_lost: bool) -> Self {
        Self { message, status: if may_be_lost { ExitStatus::Faults } else { ExitStatus::Usage } }
    }

    /// Says it.
    pub(super) fn say(self, context: &mut Context<'_>) -> ExitStatus {
        context.printer.note(&format!("error: {}", self.message));
        self.status
    }

    /// Says it where the work goes on all the same.
    pub(super) fn note(&self, context: &mut Context<'_>) {
        context.printer.note(&self.message);
    }

    /// Whether it may be for want of something that was not read, and no mistake in the command.
    pub(super) fn may_be_cured(&self) -> bool {
        matches!(self.status, ExitStatus::Faults | ExitStatus::Unusable)
    }
}

impl OpenedDisk {
    /// Opens image, map and table, and takes a first look at every volume.
    ///
    /// # Errors
    /// As [`open_image`] and [`volumes::open`].
    pub(super) fn open(
        image: &ImageArgs,
        map: &MapArgs,
        sector: &SectorArgs,
        options: SweepOptions,
        context: &mut Context<'_>,
    ) -> Result<Self> {
        Self::open_found(image, map, sector, options, Found::Kept, context)
    }

    /// As [`OpenedDisk::open`]; `found` says where volumes that no table names come from.
    ///
    /// # Errors
    /// As [`OpenedDisk::open`]; [`Error::NoVolumeAt`] if nothing begins where `--at` says.
    pub(super) fn open_found(
        image: &ImageArgs,
        map: &MapArgs,
        sector: &SectorArgs,
        options: SweepOptions,
        found: Found,
        context: &mut Context<'_>,
    ) -> Result<Self> {
        let OpenedImage { source, map } = open_image(image, map, sector.sector_size, context)?;
        let found = match found {
            Found::Kept => findings_file::load(&source, context),
            Found::Now => {
                let found = search::search(&source, &context.progress)?;
                // What was seen of an image that changed meanwhile is no finding.
                source.image().check_unchanged()?;
                findings_file::save(&source, &found, context)?;
                Some(found)
            }
        };
        let volumes = Options { sector_size: sector.sector_size, found: found.map(Arc::new) };
        let mut disk = volumes::open(&source, volumes)?;
        let at = sector.at.map(|offset| disk.at(offset)).transpose()?;
        Ok(Self { disk, map, options, swept: BTreeMap::new(), at })
    }

    /// The volume that is asked for, by its number or by its place.
    pub(super) fn asked(&self, number: Option<u32>) -> Result<Option<u32>, Refused> {
        match (number, self.at) {
            (Some(number), Some(at)) if number != at => Err(Refused {
                message: format!("`--at` names volume {at}, and volume {number} is asked for, too; name one of them"),
                status: ExitStatus::Usage,
            }),
            (number, at) => Ok(number.or(at)),
        }
    }

    /// Image and map as JSON documents show them.
    pub(super) fn map_facts(&self) -> super::open_image::MapFacts<'_> {
        super::open_image::MapFacts::of_opened(&self.map, self.disk.source.map())
    }

    /// The reader of a volume.
    pub(super) fn filesystem(&self, volume: u32) -> Option<&dyn Filesystem> {
        self.disk.volume(volume).and_then(volumes::Volume::filesystem)
    }

    /// What the sweep of a volume brought; it is swept once.
    ///
    /// # Errors
    /// As [`Filesystem::sweep`].
    pub(super) fn sweep(&mut self, volume: u32, context: &mut Context<'_>) -> Result<()> {
        if self.swept.contains_key(&volume) {
            return Ok(());
        }
        let Some(filesystem) = self.filesystem(volume) else { return Ok(()) };
        let swept = filesystem.sweep(self.options, &context.progress)?;
        self.swept.insert(volume, swept);
        Ok(())
    }

    /// A volume that was swept.
    pub(super) fn swept(&self, volume: u32) -> Option<(&dyn Filesystem, &Swept)> {
        self.filesystem(volume).zip(self.swept.get(&volume))
    }

    /// The volumes that a command without a path looks at: the one asked for, else every main one that can be read.
    pub(super) fn main_volumes(&self, asked: Option<u32>) -> Result<Vec<u32>, Refused> {
        let argument = Argument { volume: self.asked(asked)?, target: Target::Path("/".to_string()) };
        let look = |_: u32, _: &Target| Ok::<_, std::convert::Infallible>(Presence::Here);
        match address::choose(&argument, &self.disk.candidates(), look) {
            Ok(Ok(one)) => Ok(vec![one]),
            Ok(Err(Refusal::Several { volumes, .. })) => Ok(volumes),
            Ok(Err(refusal)) => Err(self.refused(&refusal)),
        }
    }

    /// What is said and done when no volume, or nothing on it, is what was asked for.
    fn refused(&self, refusal: &Refusal) -> Refused {
        let is_missing = matches!(refusal, Refusal::NoSuchVolume { .. } | Refusal::Missing { .. });
        let status = match refusal {
            Refusal::NoneReadable(_) | Refusal::NotReadable { .. } => ExitStatus::Unusable,
            // It may have been there: that is a loss and no mistake of the user's.
            Refusal::Missing { incomplete: true, .. } => ExitStatus::Faults,
            _ if is_missing && !self.disk.complete => ExitStatus::Faults,
            Refusal::NoSuchVolume { .. } | Refusal::Several { .. } | Refusal::Missing { .. } => ExitStatus::Usage,
        };
        let mut message = refusal.to_string();
        if is_missing && !self.disk.complete {
            message.push_str(&format!("; {}, so it may be on a volume that isn't listed", self.why_incomplete()));
        }
        if matches!(refusal, Refusal::NoneReadable(_)) && self.disk.search.is_none() {
            message = format!("{SEARCH}; {message}");
        }
        Refused { message, status }
    }

    /// What an argument names. Volumes are swept as far as needed.
    ///
    /// # Errors
    /// [`Error::Usage`] if the argument is no path or address; as [`OpenedDisk::sweep`].
    pub(super) fn find(
        &mut self,
        text: &str,
        asked: Option<u32>,
        context: &mut Context<'_>,
    ) -> Result<Result<Named, Refused>> {
        let mut argument = Argument::parse(text)?;
        argument.volume = match self.asked(argument.volume.or(asked)) {
            Ok(volume) => volume,
            Err(refused) => return Ok(Err(refused)),
        };
        let candidates = self.disk.candidates();
        let chosen = address::choose(&argument, &candidates, |volume, target| {
            self.sweep(volume, context)?;
            let Some((_, swept)) = self.swept(volume) else { return Ok(Presence::Missing { incomplete: false }) };
            Ok::<_, Error>(match look_up(&swept.catalog, target) {
                Lookup::Found(..) | Lookup::Ambiguous(_) => Presence::Here,
                Lookup::Missing { incomplete } => Presence::Missing { incomplete },
            })
        })?;
        let volume = match chosen {
            Ok(volume) => volume,
            Err(refusal) => return Ok(Err(self.refused(&refusal))),
        };
        let Some((_, swept)) = self.swept(volume) else {
            return Err(Error::Usage(format!("volume {volume} can't be read")));
        };
        Ok(match look_up(&swept.catalog, &argument.target) {
            Lookup::Found(object, name) => {
                let name = name.or_else(|| swept.catalog.names_of(object).next());
                Ok(Named { volume, object, name: name.filter(|_| object != swept.catalog.root()) })
            }
            Lookup::Ambiguous(names) => Err(ambiguous(text, &swept.catalog, &names)),
            Lookup::Missing { incomplete } => {
                Err(self.refused(&Refusal::Missing { target: argument.target.to_string(), incomplete }))
            }
        })
    }

    /// The folders whose lists are not all there and in which something may have stood that was not found, by volume.
    ///
    /// # Errors
    /// [`Error::Usage`] if the argument is no path or address.
    pub(super) fn may_have_stood_in(
        &self,
        text: &str,
        asked: Option<u32>,
        refused: &Refused,
    ) -> Result<Vec<(u32, ObjectId)>> {
        let argument = Argument::parse(text)?;
        let (Target::Path(path), ExitStatus::Faults) = (&argument.target, refused.status) else {
            return Ok(Vec::new());
        };
        let number = argument.volume.or(asked);
        let swept = self.swept.iter().filter(|(volume, _)| number.is_none_or(|number| number == **volume));
        Ok(swept
            .filter_map(|(volume, swept)| Some((*volume, where_it_may_have_stood(&swept.catalog, path)?)))
            .collect())
    }

    /// Says what main volumes can't be read, and that the list of volumes may be incomplete.
    pub(super) fn say_what_is_left_out(&self, context: &mut Context<'_>) {
        for volume in self.disk.volumes.iter().filter(|one| one.role == Role::Main && one.filesystem().is_none()) {
            let what = volume.content.what();
            context.printer.note(&format!("volume {} is {what}; `handback layout` says what to do", volume.number));
        }
        self.say_if_incomplete(context);
    }

    /// Says that the list of volumes may be incomplete, if so.
    pub(super) fn say_if_incomplete(&self, context: &mut Context<'_>) {
        if !self.disk.complete {
            context.printer.note(&format!("the list of volumes may be incomplete: {}", self.why_incomplete()));
        }
    }

    /// Why the list of volumes may be incomplete, if it is.
    pub(super) fn why_incomplete(&self) -> &'static str {
        match &self.disk.search {
            None => "a part of the partition table was not read or is damaged",
            Some(search) if search.bytes_not_read > 0 => {
                "the image was searched, and volumes may begin in the parts of it that were not read"
            }
            Some(_) => "there is so much on this image that looks like a volume that not all of it was kept",
        }
    }

    /// Whether there is no main volume that can be read, and nobody has searched for one.
    pub(super) fn wants_search(&self) -> bool {
        self.disk.search.is_none()
            && !self.disk.volumes.iter().any(|one| one.role == Role::Main && one.filesystem().is_some())
    }

    /// Whether the image is still what it was when it was opened.
    ///
    /// # Errors
    /// [`Error::ImageChanged`] if not: nothing that was read may be called whole.
    pub(super) fn check_unchanged(&self) -> Result<()> {
        self.disk.source.image().check_unchanged()
    }
}

fn look_up(catalog: &Catalog, target: &Target) -> Lookup {
    match target {
        Target::Path(path) => catalog.find(path),
        Target::Address(address) => catalog.find_address(address),
    }
}

fn ambiguous(text: &str, catalog: &Catalog, names: &[NameId]) -> Refused {
    let forms: Vec<String> = names
        .iter()
        .filter_map(|name| {
            let address = catalog.address(catalog.named_object(*name))?;
            Some(format!("`{address}` ({})", escape::for_terminal_units(&catalog.name(*name).units())))
        })
        .collect();
    Refused {
        message: format!("`{text}` fits several names; write the one that is meant, or {}", forms.join(" or ")),
        status: ExitStatus::Usage,
    }
}

/// The zone in which times are shown.
pub(super) fn time_zone(args: &TimeArgs) -> TimeZone {
    args.time_zone.clone().unwrap_or_else(TimeZone::system)
}
