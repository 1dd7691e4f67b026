//! Documents, tables, slides, archives and databases.

mod access;
mod archives;
mod inflate;
mod ole;
mod pdf;
mod sqlite;
#[cfg(test)]
mod testing;
mod text;
mod zip;

use super::Format;

/// The formats of this folder. Kinds that an opening tells exactly stand before those that only a name's ending tells.
pub(super) const FORMATS: &[&[Format]] = &[
    zip::EXACT,
    zip::PLAIN,
    ole::FORMATS,
    zip::NAMED,
    pdf::FORMATS,
    sqlite::FORMATS,
    access::FORMATS,
    archives::FORMATS,
];

/// Why a file that does not open as its ending says may still be sound.
pub(super) fn may_be_sound(named: &Format, head: &[u8]) -> Option<&'static str> {
    let is_database = sqlite::FORMATS.iter().any(|format| format.name == named.name);
    if is_database && sqlite::may_be_encrypted(head) {
        Some("it looks like noise, as a database does that is encrypted")
    } else if archives::is_no_cabinet(named, head) {
        Some("it is another kind of archive under the same ending")
    } else if ole::FORMATS.iter().any(|format| format.name == named.name) && text::is_text(head) {
        // Web pages and lists, which the programs open nevertheless.
        Some("it is text under the ending of another kind")
    } else {
        None
    }
}
