//! Paths: from a name to the root, and from text to an object.

use super::{AddressKind, Catalog, Distrust, Name, NameId, ObjectId, ObjectKind};

/// Deepest folder that keeps its place; what stands deeper is taken out to `/(no folder)`, so that paths stay short
/// enough to be written down for every file. Programs of our time make paths of 260, seldom of 1,000 units.
pub const MAX_DEPTH: usize = 1024;

/// The answer to "what stands at this path?".
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Lookup {
    /// This object. The name by which it was reached is `None` for the root and for addresses.
    Found(ObjectId, Option<NameId>),
    /// Several names differ only in case, and none is written as asked.
    Ambiguous(Vec<NameId>),
    /// Nothing. `incomplete` says whether a folder on the way may have lost names.
    Missing {
        /// Whether it may have stood in a folder whose list is not all there.
        incomplete: bool,
    },
}

/// The form in which names are compared where case does not count: each character's simple upper case.
pub(super) fn fold(name: Name<'_>) -> String {
    let mut folded = String::new();
    fold_onto(&mut folded, name);
    folded
}

/// Adds a name in the form in which names are compared.
pub(super) fn fold_onto(folded: &mut String, name: Name<'_>) {
    fold_text_onto(folded, &name.text());
}

fn fold_text(text: &str) -> String {
    let mut folded = String::new();
    fold_text_onto(&mut folded, text);
    folded
}

fn fold_text_onto(folded: &mut String, text: &str) {
    if text.is_ascii() {
        let start = folded.len();
        folded.push_str(text);
        folded.get_mut(start..).unwrap_or_default().make_ascii_uppercase();
        return;
    }
    folded.extend(text.chars().map(|character| {
        if character.is_ascii() {
            return character.to_ascii_uppercase();
        }
        // A character that becomes several (ß, ﬁ) stays itself, as in the filesystems' own tables.
        let mut upper = character.to_uppercase();
        match (upper.next(), upper.next()) {
            // Nor does a letter with a mark become one without (ı, ſ).
            (Some(single), None) if !single.is_ascii() => single,
            _ => character,
        }
    }));
}

impl Catalog {
    /// The names from the root to `name`, `name` last.
    #[must_use]
    pub fn line(&self, name: NameId) -> Vec<NameId> {
        let mut line = vec![name];
        let mut folder = self.parent(name);
        // The tree has no loops and a bounded depth; the bound is one against mistakes.
        while folder != self.root() && line.len() <= MAX_DEPTH {
            let Some(above) = self.names_of(folder).next() else { break };
            line.push(above);
            folder = self.parent(above);
        }
        line.reverse();
        line
    }

    /// The path of a name, from the volume's root, with `/`; a stream follows its owner after `:`.
    #[must_use]
    pub fn path(&self, name: NameId) -> String {
        let mut path = String::new();
        // A stream of the root follows the root's own `/`.
        if self.object(self.named_object(name)).owner == Some(self.root()) {
            path.push('/');
        }
        for part in self.line(name) {
            let stream = self.object(self.named_object(part)).kind == ObjectKind::Stream;
            path.push(if stream { ':' } else { '/' });
            path.push_str(&self.name(part).text());
        }
        path
    }

    /// The path of an object's first name; `/` for the root.
    #[must_use]
    pub fn first_path(&self, object: ObjectId) -> String {
        match self.names_of(object).next() {
            Some(name) if object != self.root() => self.path(name),
            _ => "/".to_string(),
        }
    }

    /// Finds what stands at `path`, which begins with `/`. Case does not count unless it must.
    #[must_use]
    pub fn find(&self, path: &str) -> Lookup {
        let mut at = Lookup::Found(self.root(), None);
        let mut incomplete = false;
        for part in path.split('/').filter(|part| !part.is_empty()) {
            let Lookup::Found(folder, _) = at else { break };
            incomplete |= !self.object(folder).incomplete.is_empty();
            at = self.find_in(folder, part);
        }
        match at {
            Lookup::Missing { .. } => Lookup::Missing { incomplete },
            other => other,
        }
    }

    /// Finds a name in a folder.
    #[must_use]
    pub fn find_in(&self, folder: ObjectId, part: &str) -> Lookup {
        let folded = fold_text(part);
        let names = self.by_parent.of(folder);
        let first = names.partition_point(|name| fold(self.name(*name)) < folded);
        let same: Vec<NameId> = names
            .get(first..)
            .unwrap_or_default()
            .iter()
            .copied()
            .take_while(|name| fold(self.name(*name)) == folded)
            .filter(|name| {
                let object = self.named_object(*name);
                object != self.root() && self.object(object).kind != ObjectKind::Stream
            })
            .collect();
        let exact = |name: &NameId| self.name(*name).as_bytes() == part.as_bytes();
        // Beside a file that is there, one that was deleted or is only a name is not what is meant.
        let present = |name: &NameId| {
            let facts = &self.object(self.named_object(*name)).facts;
            facts.unlocated.is_none() && !facts.distrust.contains(Distrust::Deleted)
        };
        let ranks: [&dyn Fn(&NameId) -> bool; 4] =
            [&|name| exact(name) && present(name), &|name| exact(name), &|name| present(name), &|_| true];
        for rank in ranks {
            let meant: Vec<NameId> = same.iter().copied().filter(|name| rank(name)).collect();
            match meant[..] {
                [] => {}
                [name] => return Lookup::Found(self.named_object(name), Some(name)),
                _ => return Lookup::Ambiguous(meant),
            }
        }
        Lookup::Missing { incomplete: false }
    }

    /// Finds an object by its address, `record:N` or `record:N:STREAM`.
    #[must_use]
    pub fn find_address(&self, address: &str) -> Lookup {
        let missing = Lookup::Missing { incomplete: self.lost_records > 0 };
        let mut parts = address.splitn(3, ':');
        let kind = parts.next().and_then(|word| AddressKind::ALL.into_iter().find(|kind| kind.word() == word));
        let number = parts.next().and_then(|number| number.parse::<u64>().ok());
        let (Some(kind), Some(number)) = (kind, number) else { return missing };
        let stream = parts.next();
        if kind != self.address_kind() {
            return missing;
        }
        let first = self.by_locator.partition_point(|id| self.object(*id).locator < number);
        let owner = self.by_locator.get(first).copied().filter(|id| self.object(*id).locator == number);
        let Some(owner) = owner else { return missing };
        match stream {
            None => Lookup::Found(owner, None),
            Some(stream) => self
                .streams(owner)
                .find(|name| fold(self.name(*name)) == fold_text(stream))
                .map_or(missing, |name| Lookup::Found(self.named_object(name), Some(name))),
        }
    }

    /// Whether `text` has the form of an address.
    #[must_use]
    pub fn is_address(text: &str) -> bool {
        text.split_once(':').is_some_and(|(word, _)| AddressKind::ALL.iter().any(|kind| kind.word() == word))
    }
}
