//! Files by their state on the drive and by whether they open: the two are not the same.
//!
//! What was read without a hole may have been broken before; what has a hole may still open. `whole` and `broken`
//! together ("read fine, does not open") is what nobody would find out without a look inside.

use std::collections::BTreeMap;

use serde::ser::{Serialize, SerializeSeq, Serializer};

use super::tally::Count;
use crate::catalog::State;
use crate::content::formats::Opens;

/// How many files there are of each state and result of a check.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct OpeningTable(pub BTreeMap<(State, Opens), Count>);

/// A cell of the table in documents.
#[derive(serde::Serialize)]
struct Cell {
    state: State,
    opens: Opens,
    #[serde(flatten)]
    files: Count,
}

impl Serialize for OpeningTable {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut list = serializer.serialize_seq(Some(self.0.len()))?;
        for ((state, opens), files) in &self.0 {
            list.serialize_element(&Cell { state: *state, opens: *opens, files: *files })?;
        }
        list.end()
    }
}

impl OpeningTable {
    /// Adds a file of `bytes` bytes.
    pub fn add(&mut self, state: State, opens: Opens, bytes: u64) {
        let count = self.0.entry((state, opens)).or_default();
        count.count += 1;
        count.bytes = count.bytes.saturating_add(bytes);
    }

    /// The files of a state and result.
    #[must_use]
    pub fn get(&self, state: State, opens: Opens) -> Count {
        self.0.get(&(state, opens)).copied().unwrap_or_default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn documents_have_a_cell_for_what_is_there() {
        let mut table = OpeningTable::default();
        table.add(State::Whole, Opens::Broken, 700);
        table.add(State::Whole, Opens::Broken, 30);
        assert_eq!(table.get(State::Whole, Opens::Sound), Count::default());
        let cells = serde_json::to_string(&table).unwrap();
        assert_eq!(cells, r#"[{"state":"whole","opens":"broken","count":2,"bytes":730}]"#);
    }
}
