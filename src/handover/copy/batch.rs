//! Files on their way from written to done.

use std::collections::VecDeque;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use crate::handover::place::Reading;

/// A batch is flushed when one of these is reached: what is lost by a kill, and has to be done again, is never much more.
/// Few files in tests, so that they see many batches.
const MOST_FILES: usize = if cfg!(test) { 4 } else { 20_000 };
const MOST_BYTES: u64 = 512 << 20;
const MOST_TIME: Duration = Duration::from_secs(20);

/// Files that are written and not yet flushed.
pub(super) struct Batch {
    pub(super) done: Vec<(usize, Reading)>,
    bytes: u64,
    since: Instant,
}

impl Batch {
    pub(super) fn new() -> Self {
        Self { done: Vec::new(), bytes: 0, since: Instant::now() }
    }

    pub(super) fn add(&mut self, index: usize, reading: Reading) {
        self.bytes = self.bytes.saturating_add(reading.size);
        self.done.push((index, reading));
    }

    pub(super) fn is_empty(&self) -> bool {
        self.done.is_empty()
    }

    pub(super) fn is_due(&self) -> bool {
        self.done.len() >= MOST_FILES
            || self.bytes >= MOST_BYTES
            || (!self.done.is_empty() && self.since.elapsed() >= MOST_TIME)
    }
}

/// Files that were flushed together and are read back one by one.
pub(super) struct Unread {
    pub(super) files: Vec<(usize, Reading)>,
    /// Whether they are safe on the disk.
    pub(super) safe: bool,
    /// How many are not read back yet.
    left: AtomicUsize,
}

/// One of them.
pub(super) struct Task {
    pub(super) batch: Arc<Unread>,
    at: usize,
}

impl Task {
    pub(super) fn file(&self) -> Option<&(usize, Reading)> {
        self.batch.files.get(self.at)
    }

    /// Notes that it was read back, and says whether it was the last of its batch.
    pub(super) fn is_last(&self) -> bool {
        self.batch.left.fetch_sub(1, Ordering::AcqRel) == 1
    }
}

/// Batches that wait to be read back.
#[derive(Default)]
pub(super) struct Flushed {
    batches: VecDeque<Arc<Unread>>,
    /// How many of the first one were taken.
    taken: usize,
    /// How many files are being read.
    reading: usize,
}

impl Flushed {
    pub(super) fn add(&mut self, batch: Batch, safe: bool) {
        let left = AtomicUsize::new(batch.done.len());
        self.batches.push_back(Arc::new(Unread { files: batch.done, safe, left }));
    }

    /// A file to read back, unless `most` are being read already. Where a second batch waits nothing holds this up: what
    /// waits would have to be copied again after a kill.
    pub(super) fn next(&mut self, most: usize) -> Option<Task> {
        if self.reading >= most && self.batches.len() < 2 {
            return None;
        }
        let task = Task { batch: Arc::clone(self.batches.front()?), at: self.taken };
        self.taken += 1;
        self.reading += 1;
        if self.taken >= task.batch.files.len() {
            self.batches.pop_front();
            self.taken = 0;
        }
        Some(task)
    }

    /// One that was taken is read.
    pub(super) fn was_read(&mut self) {
        self.reading = self.reading.saturating_sub(1);
    }

    pub(super) fn is_empty(&self) -> bool {
        self.batches.is_empty()
    }

    /// The bytes of all that waits.
    pub(super) fn bytes(&self) -> u64 {
        let files = self.batches.iter().flat_map(|batch| &batch.files).skip(self.taken);
        files.map(|(_, reading)| reading.size).fold(0, u64::saturating_add)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn batch(files: usize) -> Batch {
        let mut batch = Batch::new();
        let reading =
            Reading { sha256: [0; 32], also: Vec::new(), size: 0, gaps: Vec::new(), unknown: false, blank: false };
        (0..files).for_each(|index| batch.add(index, reading.clone()));
        batch
    }

    #[test]
    fn some_threads_go_on_copying_unless_too_much_waits() {
        let mut flushed = Flushed::default();
        flushed.add(batch(3), true);
        assert!(flushed.next(1).is_some());
        assert!(flushed.next(1).is_none(), "one is being read");
        flushed.add(batch(2), true);
        assert!(flushed.next(1).is_some(), "a second batch waits");
        assert!(flushed.next(1).is_some());
        assert!(flushed.next(1).is_none(), "the first batch is taken");
        (0..3).for_each(|_| flushed.was_read());
        assert!(flushed.next(1).is_some());
        assert!(flushed.next(usize::MAX).is_some());
        assert!(flushed.is_empty());
    }
}
