//! What names must be: unique in their folder, without characters that no driver writes, and with the right hash.

use std::collections::HashSet;

use super::upcase::UpCase;
use crate::catalog::{FindingKind, Findings};

/// Looks at the names of one folder after another.
#[derive(Debug, Default)]
pub(super) struct Names {
    table: Option<UpCase>,
    /// Names of the folder at hand, in capital letters.
    seen: HashSet<Vec<u16>>,
}

impl Names {
    /// With the volume's up-case table, if it can be used.
    pub(super) fn new(table: Option<UpCase>) -> Self {
        Self { table, seen: HashSet::new() }
    }

    /// Another folder begins.
    pub(super) fn begin(&mut self) {
        self.seen.clear();
    }

    /// Looks at a name. What is wrong with it is a finding: it makes no byte of the file another one.
    pub(super) fn check(&mut self, name: &[u16], hash: Option<u16>, number: u64, offset: u64, findings: &mut Findings) {
        let (offset, number) = (Some(offset), Some(number));
        if is_invalid(name) {
            findings.add(FindingKind::NameInvalid, offset, number, || String::from_utf16_lossy(name));
        }
        let Some(table) = &self.table else { return };
        if hash.is_some_and(|hash| hash != table.hash(name)) {
            findings.add(FindingKind::NameHashWrong, offset, number, || String::from_utf16_lossy(name));
        }
        if !self.seen.insert(table.name(name)) {
            findings.add(FindingKind::DuplicateName, offset, number, || String::from_utf16_lossy(name));
        }
    }
}

/// Characters that no name has (specification, 7.7.3), and the two names that stand for folders.
fn is_invalid(name: &[u16]) -> bool {
    const NEVER: &[u8] = b"\"*/:<>?\\|";
    let never = |unit: &u16| *unit < 0x20 || u8::try_from(*unit).is_ok_and(|unit| NEVER.contains(&unit));
    let dot = u16::from(b'.');
    name.is_empty() || name.iter().any(never) || name == [dot] || name == [dot, dot]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::filesystem::exfat::checksum::table_checksum;
    use crate::filesystem::exfat::structures::TableEntry;
    use crate::filesystem::exfat::units::Cluster;

    #[test]
    fn names_that_are_findings() {
        let stored: Vec<u8> = [0xffff, 0x61, 0x41, 0x42].into_iter().flat_map(u16::to_le_bytes).collect();
        let entry = TableEntry { flags: 0, checksum: table_checksum(&stored), first: Cluster(3), length: 8 };
        let mut names = Names::new(UpCase::from_stored(&entry, &stored));
        let mut findings = Findings::default();
        let mut check = |names: &mut Names, name: &str, hash: Option<u16>| {
            names.check(&name.encode_utf16().collect::<Vec<_>>(), hash, 64, 64, &mut findings);
        };
        check(&mut names, "a", Some(0x8020));
        check(&mut names, "A", None);
        names.begin();
        check(&mut names, "a", Some(0x8021));
        for invalid in ["..", "a/b", "\u{1}", ""] {
            check(&mut names, invalid, None);
        }
        let counts: Vec<_> = findings.kinds().map(|(kind, kept)| (kind, kept.count)).collect();
        assert_eq!(
            counts,
            [(FindingKind::DuplicateName, 1), (FindingKind::NameInvalid, 4), (FindingKind::NameHashWrong, 1)]
        );
    }
}
