//! What the tests of all these formats need: samples, verdicts, and every way to break a few bytes.

use std::path::Path;

use crate::content::formats::{Opens, Verdict, examine};

/// A file of `test-images/content/samples`.
pub(super) fn sample(name: &str) -> Vec<u8> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("test-images/content/samples");
    std::fs::read(folder.join(name)).expect("the sample is there")
}

pub(super) fn verdict(name: &str, bytes: &[u8]) -> Verdict {
    examine(name, &bytes.to_vec(), &()).expect("nothing fails in memory")
}

/// The result and the reason.
pub(super) fn opens(name: &str, bytes: &[u8]) -> (Opens, String) {
    let verdict = verdict(name, bytes);
    (verdict.opens, verdict.why)
}

/// Checks that a file is broken, for a reason that has these words in it.
pub(super) fn assert_broken(name: &str, bytes: &[u8], words: &str) {
    let verdict = verdict(name, bytes);
    assert!(verdict.opens == Opens::Broken && verdict.why.contains(words), "{words}: {verdict:?}");
}

/// Cuts a file at every `step`th byte, and changes every `step`th byte in three ways: nothing panics and nothing takes
/// long. How many cuts and how many changes were not noticed.
pub(super) fn broken_everywhere(name: &str, bytes: &[u8], step: usize) -> (usize, usize) {
    let is_noticed = |bytes: &[u8]| !matches!(verdict(name, bytes).opens, Opens::Sound);
    let cuts = (1..bytes.len()).step_by(step).filter(|length| !is_noticed(&bytes[..*length])).count();
    let mut changed = bytes.to_vec();
    let mut missed = 0;
    for at in (0..bytes.len()).step_by(step) {
        for change in [0x01, 0x80, 0xFF] {
            changed[at] = bytes[at] ^ change;
            missed += usize::from(!is_noticed(&changed));
        }
        changed[at] = bytes[at];
    }
    (cuts, missed)
}
