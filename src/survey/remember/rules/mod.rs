//! The rules, by topic. The names of folders and files are facts of the programs that make them: common practice, seen on
//! installations, no single source.

mod browsers;
mod business;
mod collections;
mod keys;
mod mail;
mod notes;
mod phones;
mod places;
mod programs;

use super::rule::Rule;

/// All rules, in the order of the list. Of two that one thing fits, the first counts.
pub(super) fn all() -> impl Iterator<Item = &'static Rule> {
    [
        mail::RULES,
        browsers::RULES,
        phones::RULES,
        business::RULES,
        collections::RULES,
        notes::RULES,
        keys::RULES,
        programs::RULES,
        places::RULES,
    ]
    .into_iter()
    .flatten()
}
