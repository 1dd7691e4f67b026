//! A bound on the memory that decoders use at a time.

use std::sync::{Condvar, Mutex, PoisonError};

/// Bytes in use at a time, by all workers. The largest picture that is decoded takes about as much alone.
const MOST: u64 = 1 << 30;

/// Lets workers through as long as there is memory.
pub(super) struct Gate {
    used: Mutex<u64>,
    freed: Condvar,
}

impl Gate {
    pub(super) fn new() -> Self {
        Self { used: Mutex::new(0), freed: Condvar::new() }
    }

    /// Waits until so many bytes may be used. One that wants more than there is gets all of it.
    pub(super) fn enter(&self, bytes: u64) -> Room<'_> {
        let bytes = bytes.min(MOST);
        let used = self.used.lock().unwrap_or_else(PoisonError::into_inner);
        let full = |used: &mut u64| used.saturating_add(bytes) > MOST;
        let mut used = self.freed.wait_while(used, full).unwrap_or_else(PoisonError::into_inner);
        *used += bytes;
        Room { gate: self, bytes }
    }
}

/// Memory that a worker may use, given back when this is dropped.
pub(super) struct Room<'g> {
    gate: &'g Gate,
    bytes: u64,
}

impl Drop for Room<'_> {
    fn drop(&mut self) {
        *self.gate.used.lock().unwrap_or_else(PoisonError::into_inner) -= self.bytes;
        self.gate.freed.notify_all();
    }
}

#[cfg(test)]
mod tests {
    use std::sync::atomic::{AtomicU64, Ordering};

    use super::*;

    #[test]
    fn no_more_than_there_is_is_used_at_a_time() {
        let gate = Gate::new();
        let (now, most) = (AtomicU64::new(0), AtomicU64::new(0));
        std::thread::scope(|scope| {
            for _ in 0..8 {
                scope.spawn(|| {
                    for share in [MOST / 2, MOST / 4, MOST * 3, 0] {
                        let _room = gate.enter(share);
                        let used = now.fetch_add(share.min(MOST), Ordering::SeqCst) + share.min(MOST);
                        most.fetch_max(used, Ordering::SeqCst);
                        now.fetch_sub(share.min(MOST), Ordering::SeqCst);
                    }
                });
            }
        });
        assert_eq!(most.into_inner(), MOST);
        assert_eq!(*gate.used.lock().unwrap(), 0);
    }
}
