//! The sheets: all pictures of the handover, small, in pages. They are decoded from the image and not from the copies.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

use maud::{Markup, html};

use super::SHEETS;
use super::gate::Gate;
use super::page::{document, link, name, path};
use super::pictures::grey;
use super::tile::Tile;
use crate::amount::grouped;
use crate::catalog::ObjectKind;
use crate::error::{Error, Result};
use crate::handover::account::{Account, Named};
use crate::handover::bag::Tags;
use crate::handover::meaning::Kind;
use crate::handover::results::Results;
use crate::hidden::visible;
use crate::progress::{Progress, Unit};
use crate::source::fence::THREAD_NAME;

/// Pictures on a page: some screens, a few sheets of paper, half a megabyte.
const TILES: usize = 120;

/// Pictures on all sheets at the most: below 500 MB. The rest are counted.
const MOST_PICTURES: usize = 100_000;

/// Tiles that are made at a time: so many that workers seldom wait for the last one.
const BATCH: usize = 4 * TILES;

/// More threads than this only make a drive seek.
const MOST_WORKERS: usize = 8;

/// What was written.
#[derive(Debug, Default)]
pub(super) struct Written {
    /// How many pages.
    pub(super) pages: usize,
    /// Each folder with pictures, as it may be shown, and the numbers of the pages that it is on.
    pub(super) folders: Vec<(String, Vec<usize>)>,
    /// Pictures on them.
    pub(super) pictures: u64,
    /// Those of them for which there is no decoder.
    pub(super) silent: u64,
    /// Those of them that don't open although no hole is known.
    pub(super) unopened: Named,
    /// Pictures that are on no page.
    pub(super) more: u64,
}

impl Written {
    /// Notes a picture that is on page `number`.
    fn enter(&mut self, results: &Results<'_>, index: usize, tile: &Tile, number: usize) {
        let folder = folder_of(results, index);
        match self.folders.last_mut().filter(|(last, _)| *last == folder) {
            Some((_, pages)) if pages.last() == Some(&number) => {}
            Some((_, pages)) => pages.push(number),
            None => self.folders.push((folder, vec![number])),
        }
        if tile.is_unopened() {
            self.unopened.add(&results.row(index), Some(number));
        }
    }
}

/// The name of a page, from 1.
pub(super) fn page_name(number: usize) -> String {
    format!("page {number:03}.html")
}

/// Whether a name is one that a page may have.
pub(crate) fn is_sheet(name: &str) -> bool {
    let digits = name.strip_prefix("page ").and_then(|rest| rest.strip_suffix(".html"));
    digits.is_some_and(|digits| digits.len() >= 3 && digits.bytes().all(|digit| digit.is_ascii_digit()))
}

/// The pictures, by folder and then by date: entries of the plan.
fn pictures(results: &Results<'_>) -> Vec<usize> {
    let mut pictures: Vec<(usize, String, i64, usize)> = Vec::new();
    for index in 0..results.plan.entries.len() {
        let row = results.row(index);
        if row.entry.kind != ObjectKind::File || Kind::of(&row.source_path()) != Kind::Picture {
            continue;
        }
        let folder = row.entry.path.rsplit_once('/').map_or("", |(folder, _)| folder).to_string();
        pictures.push((row.entry.volume, folder, row.object.modified().map_or(i64::MAX, |time| time.ticks), index));
    }
    pictures.sort_unstable();
    pictures.into_iter().map(|(.., index)| index).collect()
}

/// Writes all pages.
pub(super) fn write(
    results: &Results<'_>,
    account: &Account,
    tags: &mut Tags<'_, '_>,
    progress: &dyn Progress,
) -> Result<Written> {
    let mut pictures = pictures(results);
    let mut written = Written { more: pictures.len().saturating_sub(MOST_PICTURES) as u64, ..Written::default() };
    pictures.truncate(MOST_PICTURES);
    written.pictures = pictures.len() as u64;
    if pictures.is_empty() {
        return Ok(written);
    }
    let folder = tags.session.path(SHEETS);
    let made = tags.session.output.create_folder(&folder);
    made.map_err(|source| Error::Io { action: "make the folder", path: folder, source })?;
    let count = pictures.len().div_ceil(TILES);
    progress.begin("making contact sheets", pictures.len() as u64, Unit::Files);
    let mut outcome = Ok(());
    for batch in pictures.chunks(BATCH) {
        let tiles = match tiles(results, batch, progress) {
            Ok(tiles) => tiles,
            Err(error) => {
                outcome = Err(error);
                break;
            }
        };
        for (indices, tiles) in batch.chunks(TILES).zip(tiles.chunks(TILES)) {
            written.silent += tiles.iter().filter(|tile| tile.is_silent()).count() as u64;
            let number = written.pages + 1;
            for (index, tile) in indices.iter().zip(tiles) {
                written.enter(results, *index, tile, number);
            }
            let text = page(results, account, indices, tiles, number, count);
            outcome = tags.write(&format!("{SHEETS}/{}", page_name(number)), |out| out.write_all(text.as_bytes()));
            written.pages = number;
        }
        if outcome.is_err() {
            break;
        }
    }
    progress.end();
    outcome.map(|()| written)
}

/// The folder of a picture, as it may be shown.
fn folder_of(results: &Results<'_>, index: usize) -> String {
    visible(results.plan.entries[index].path.rsplit_once('/').map_or("", |(folder, _)| folder)).into_owned()
}

/// Makes the tiles of some pictures, on several threads. A decoder that panics costs its picture.
fn tiles(results: &Results<'_>, indices: &[usize], progress: &dyn Progress) -> Result<Vec<Tile>> {
    let zone = &results.job.time_zone;
    let gate = Gate::new();
    let (next, stop) = (AtomicUsize::new(0), AtomicBool::new(false));
    let made: Mutex<Vec<Option<Tile>>> = Mutex::new(indices.iter().map(|_| None).collect());
    let error = Mutex::new(None);
    let work = || {
        while !stop.load(Ordering::Relaxed) {
            let at = next.fetch_add(1, Ordering::Relaxed);
            let Some(&index) = indices.get(at) else { return };
            let row = results.row(index);
            let tile = match catch_unwind(AssertUnwindSafe(|| Tile::of(&row, zone, &gate))) {
                Ok(Ok(tile)) => tile,
                Ok(Err(failure)) => {
                    stop.store(true, Ordering::Relaxed);
                    *error.lock().unwrap_or_else(PoisonError::into_inner) = Some(failure);
                    return;
                }
                Err(_) => {
                    let mut tile = Tile::plain(&row, zone);
                    tile.give_up();
                    tile
                }
            };
            made.lock().unwrap_or_else(PoisonError::into_inner)[at] = Some(tile);
            progress.advance(1);
        }
    };
    let workers = std::thread::available_parallelism().map_or(1, usize::from).min(MOST_WORKERS).min(indices.len());
    std::thread::scope(|scope| {
        let start = |_: usize| {
            // Its name keeps a panic of a decoder, which is dealt with, off the screen.
            std::thread::Builder::new().name(THREAD_NAME.to_string()).spawn_scoped(scope, work).is_ok()
        };
        if (0..workers).map(start).filter(|started| *started).count() == 0 {
            work();
        }
    });
    if let Some(error) = error.into_inner().unwrap_or_else(PoisonError::into_inner) {
        return Err(error);
    }
    let made = made.into_inner().unwrap_or_else(PoisonError::into_inner);
    let tile = |(tile, index): (Option<Tile>, &usize)| tile.unwrap_or_else(|| Tile::plain(&results.row(*index), zone));
    Ok(made.into_iter().zip(indices).map(tile).collect())
}

fn page(
    results: &Results<'_>,
    account: &Account,
    indices: &[usize],
    tiles: &[Tile],
    number: usize,
    count: usize,
) -> String {
    let title = format!("Pictures, page {} of {}", grouped(number as u64), grouped(count as u64));
    let mut sections: Vec<(String, Vec<Markup>)> = Vec::new();
    for (index, tile) in indices.iter().zip(tiles) {
        let folder = folder_of(results, *index);
        match sections.last_mut().filter(|(last, _)| *last == folder) {
            Some((_, tiles)) => tiles.push(tile.markup()),
            None => sections.push((folder, vec![tile.markup()])),
        }
    }
    let body = html! {
        header {
            h1 { (title) }
            p class="sub" {
                "As they could be read from the drive's image " (name(&visible(&results.job.image_name))) "; handed over on "
                (account.day) ". A click on a picture or its name opens the copy."
            }
            p class="sub" { (grey(account)) }
            (way(number, count))
        }
        main class="sheets" {
            @for (folder, tiles) in &sections {
                section {
                    h2 { @if folder.is_empty() { "In no folder" } @else { (path(folder)) } }
                    div class="sheet" { @for tile in tiles { (tile) } }
                }
            }
        }
        footer { (way(number, count)) }
    };
    document(&title, &body)
}

/// To the pages beside this one.
fn way(number: usize, count: usize) -> Markup {
    html! {
        nav {
            a href="../report.html" { "Report" }
            @if number > 1 { " · " a href=(link("", &page_name(number - 1))) { "page before" } }
            @if number < count { " · " a href=(link("", &page_name(number + 1))) { "next page" } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_own_pages_are_taken_for_pages() {
        assert!(is_sheet(&page_name(1)) && is_sheet(&page_name(12_345)));
        for other in ["page 1.html", "page .html", "page 001.htm", "Page 001.html", "page 00a.html", "notes.txt"] {
            assert!(!is_sheet(other), "{other}");
        }
    }
}
