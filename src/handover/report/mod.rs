//! The page for the customer, `report.html`, and the sheets of small pictures beside it.
//!
//! Every page stands alone: no script, no font, picture or style from elsewhere, and a policy in its head that forbids
//! them (W3C, "Content Security Policy Level 3", 3.3: the `meta` element). Names of the image are escaped by construction
//! (`maud`), what is hidden in them is shown by its number, and each is set apart from the direction of writing around it
//! (HTML standard, 4.5.23, the `bdi` element). The pages are well-formed as XML, too, so that any parser can check them.

mod base64;
mod customer;
mod gate;
mod jpeg;
mod page;
mod pictures;
mod pixels;
mod preview;
mod sheets;
mod strip;
mod thumbnail;
mod tile;

use super::account::{Account, Beside};
use super::bag::Tags;
use super::results::Results;
use crate::error::Result;
use crate::progress::Progress;

pub(crate) use sheets::is_sheet;

/// The page's name in the bag.
pub(crate) const REPORT: &str = "report.html";

/// The folder of the sheets.
pub(crate) const SHEETS: &str = "contact sheets";

/// Writes the sheets and the page, and tells what there is now to look at.
pub(crate) fn write(
    results: &Results<'_>,
    account: &Account,
    tags: &mut Tags<'_, '_>,
    progress: &dyn Progress,
) -> Result<Beside> {
    let sheets = match results.job.options.sheets {
        true => sheets::write(results, account, tags, progress)?,
        false => sheets::Written::default(),
    };
    let strip = strip::svg(results)?;
    // All was read from the image, once more.
    results.job.image.check_unchanged()?;
    let text = customer::page(results, account, &sheets, strip.as_deref());
    tags.write(REPORT, |out| out.write_all(text.as_bytes()))?;
    Ok(Beside { page: true, sheets: sheets.pages as u64, unopened: sheets.unopened })
}
