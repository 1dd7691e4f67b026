//! One picture of a sheet: what it shows and says.

use maud::{Markup, html};

use super::gate::Gate;
use super::page::{link, name, picture};
use super::preview;
use super::thumbnail::{self, Shown};
use crate::bytes::{at_most, to_u64};
use crate::catalog::Timestamp;
use crate::content;
use crate::error::{Error, Result};
use crate::handover::account::Fate;
use crate::handover::meaning::extension;
use crate::handover::results::Row;
use crate::hidden::visible;

/// Files of more bytes are not decoded. Larger than what cameras make; each worker holds one.
pub(super) const MOST_READ: u64 = 96 << 20;

/// A picture on a sheet.
pub(super) struct Tile {
    shown: Option<Shown>,
    /// Shown from the preview that the camera put into the file.
    is_preview: bool,
    fate: Fate,
    name: String,
    date: String,
    /// The copy, from the sheet's folder.
    link: Option<String>,
}

impl Tile {
    /// A picture without its small form: nothing of it was copied, or there is no time.
    pub(super) fn plain(row: &Row<'_>, zone: &jiff::tz::TimeZone) -> Self {
        // A hostile name may hold a `/`.
        let name = row.entry.name.map(|name| row.volume.catalog.name(name).text()).unwrap_or_default();
        Self {
            shown: None,
            is_preview: false,
            fate: Fate::of(row),
            name: visible(&name).into_owned(),
            date: row.object.modified().and_then(|time| Timestamp::display(time, zone)).unwrap_or_default(),
            link: row.path().map(|path| link("../", &path)),
        }
    }

    /// With its small form, read from the image. At `gate` it waits until it may use the memory that it takes.
    ///
    /// # Errors
    /// [`Error::ImageIo`] when the image file can't be read.
    pub(super) fn of(row: &Row<'_>, zone: &jiff::tz::TimeZone, gate: &Gate) -> Result<Self> {
        let mut tile = Self::plain(row, zone);
        if row.tree.is_none() {
            return Ok(tile);
        }
        let source = row.volume.filesystem.source();
        let extents = match row.volume.filesystem.extents(row.volume.catalog, row.entry.object) {
            Ok(extents) => extents,
            Err(error @ (Error::ImageIo { .. } | Error::ImageChanged { .. } | Error::Io { .. })) => return Err(error),
            Err(_) => return Ok(tile),
        };
        // The bytes up to the first hole: what the drive gave, and nothing that was made up.
        let end = row.gaps().first().map_or(row.size(), |gap| gap.range.start).min(row.size());
        let is_cut = end < row.size();
        let mut failed = None;
        let mut read = |offset: u64, length: usize| {
            if offset.checked_add(to_u64(length)).is_none_or(|last| last > end) {
                return None;
            }
            let mut bytes = vec![0; length];
            match content::read_at(source, &extents, offset, &mut bytes) {
                Ok(outcome) => outcome.gaps.is_empty().then_some(bytes),
                Err(error) => {
                    failed = Some(error);
                    None
                }
            }
        };
        let is_decoded = extension(&row.source_path()).as_deref().and_then(thumbnail::form).is_some();
        tile.shown = Some(if is_decoded && end > MOST_READ {
            Shown::Silent("too large to be shown small")
        } else if is_decoded {
            let room = gate.enter(2 * end);
            match read(0, at_most(end, usize::MAX)) {
                Some(bytes) => {
                    drop(room);
                    let cost = thumbnail::cost(&bytes).unwrap_or(0).min(thumbnail::MOST_DECODED);
                    let _room = gate.enter(2 * end + 2 * cost);
                    thumbnail::of(&bytes, is_cut)
                }
                None => Shown::Unopened,
            }
        } else {
            tile.is_preview = true;
            match preview::find(&mut read) {
                Some(jpeg) => {
                    let cost = thumbnail::cost(&jpeg).unwrap_or(0).min(thumbnail::MOST_DECODED);
                    let _room = gate.enter(2 * jpeg.len() as u64 + 2 * cost);
                    match thumbnail::of(&jpeg, false) {
                        Shown::Picture(picture) => Shown::Picture(picture),
                        _ => Shown::Silent("no small picture in it"),
                    }
                }
                None => Shown::Silent("can't be shown small"),
            }
        });
        match failed {
            Some(error) => Err(error),
            None => Ok(tile),
        }
    }

    /// The decoder failed in a way that it never should.
    pub(super) fn give_up(&mut self) {
        self.shown = Some(Shown::Unopened);
    }

    /// Whether it opens nowhere although no hole is known.
    pub(super) fn is_unopened(&self) -> bool {
        self.shown == Some(Shown::Unopened) && matches!(self.fate, Fate::Whole | Fate::Unproven)
    }

    /// Whether there is no decoder for it.
    pub(super) fn is_silent(&self) -> bool {
        matches!(self.shown, Some(Shown::Silent(_)))
    }

    /// What is wrong with it.
    fn mark(&self) -> Option<&'static str> {
        let is_shown = matches!(self.shown, Some(Shown::Picture(_)));
        match self.fate {
            Fate::Left => Some("not brought back"),
            Fate::Damaged if is_shown && self.is_preview => {
                Some("parts missing; this is the camera's own small picture")
            }
            Fate::Damaged => Some("parts missing"),
            Fate::Doubtful => Some("in doubt: is it this picture?"),
            Fate::Whole | Fate::Unproven if self.is_unopened() => Some("does not open"),
            Fate::Whole | Fate::Unproven => None,
        }
    }

    pub(super) fn markup(&self) -> Markup {
        let mark = self.mark();
        let said = match &self.shown {
            Some(Shown::Picture(_)) => "",
            Some(Shown::Silent(why)) => why,
            Some(Shown::Unopened) if self.fate == Fate::Damaged => "nothing of it can be shown",
            Some(Shown::Unopened) => "does not open",
            None => "not here",
        };
        let class = if mark.is_some() { "hurt" } else { "well" };
        let small = html! {
            @match &self.shown {
                Some(Shown::Picture(jpeg)) => (picture(jpeg, "small picture of")),
                _ => span class="none" { (said) },
            }
        };
        html! {
            figure class=(class) {
                // One link for both: twice the same would be twice the way for whoever goes by keys.
                @match &self.link {
                    Some(link) => a href=(link) { (small) " " (name(&self.name)) },
                    None => { (small) " " (name(&self.name)) },
                }
                figcaption {
                    @if !self.date.is_empty() { time { (self.date) } }
                    @if let Some(mark) = mark { span class="mark" { (mark) } }
                }
            }
        }
    }
}
