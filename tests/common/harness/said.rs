//! What is said of an image beside the states.

use std::collections::BTreeMap;

use handback::catalog::Findings;
use handback::filesystem::Swept;

use super::sound::Key;

/// What was said of a whole image beside the states: findings by kind, bytes in use that nothing explains, why each
/// object is not sound, and what the listing shows of it.
#[derive(Debug, Default, PartialEq, Eq)]
pub(crate) struct Said {
    pub(crate) findings: BTreeMap<(u64, &'static str), u64>,
    pub(crate) unexplained: Vec<String>,
    /// The reasons beside the word: a file that is `unlocated` anyhow may have lost its record, too.
    pub(crate) reasons: BTreeMap<Key, Vec<&'static str>>,
    pub(crate) listing: BTreeMap<Key, String>,
}

impl Said {
    pub(crate) fn add(&mut self, volume: u64, findings: &Findings) {
        for (kind, _) in findings.kinds() {
            *self.findings.entry((volume, kind.word())).or_default() += findings.count(kind);
        }
    }

    /// Whether all but the listing is the same.
    pub(crate) fn is_same_beside_the_listing(&self, other: &Self) -> bool {
        self.findings == other.findings && self.unexplained == other.unexplained && self.reasons == other.reasons
    }

    pub(crate) fn swept(&mut self, volume: u64, swept: &Swept) {
        self.add(volume, &swept.catalog.findings);
        self.unexplained.push(format!("{:?}", swept.facts.unexplained_bytes));
        for (id, object) in swept.catalog.objects() {
            let Some(address) = swept.catalog.address(id) else { continue };
            let names: Vec<_> = swept.catalog.names_of(id).map(|name| swept.catalog.path(name)).collect();
            let shown = format!("{names:?} {} {:?} {:?}", object.size, object.created(), object.modified());
            let mut reasons = object.facts.reasons();
            reasons.extend(object.incomplete.iter().map(|reason| reason.word()));
            if !reasons.is_empty() {
                self.reasons.insert((volume, address.clone()), reasons);
            }
            self.listing.insert((volume, address), shown);
        }
    }
}
