//! The fence for outside readers: crates that read the same structures, and may panic, loop or give up on damage.
//!
//! Such a reader runs on a thread of its own with unwinding kept, sees the source through an adapter that refuses
//! writes and answers unread bytes with an error, and has a budget of reads and time after which every read fails. When
//! the image *file* fails under it, that is no answer of the reader: the caller gets the error itself.

use std::fmt;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::time::{Duration, Instant};

use super::Source;
use crate::bytes::{at_most, to_u64};
use crate::error::{Error, Result};

/// The name of the threads behind the fence; a program's panic hook may keep quiet about them.
pub const THREAD_NAME: &str = "handback-fence";

/// How long past its time budget an outside reader that has stopped reading is waited for.
const GRACE: Duration = Duration::from_secs(1);

const IMAGE_FAILED: &str = "the image file could not be read";

/// What an outside reader may use.
#[derive(Debug, Clone, Copy)]
pub struct Budget {
    /// Reads, however small.
    pub reads: u64,
    /// Wall-clock time.
    pub time: Duration,
}

/// Why an outside reader gave no answer.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Failure {
    /// It panicked, with this message.
    Panicked(String),
    /// It used up its time.
    TimedOut,
    /// No thread could be started for it.
    NoThread,
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Panicked(message) => write!(f, "it panicked ({message})"),
            Self::TimedOut => f.write_str("it did not end in its time"),
            Self::NoThread => f.write_str("no thread could be started"),
        }
    }
}

/// Runs an outside reader behind the fence.
///
/// A reader that loops without reading can't be ended: it is left to itself after its time, on its own thread.
///
/// # Errors
/// [`Error::ImageIo`] when the image file could not be read under it, whatever it made of that. Within, the
/// [`Failure`] if it gave no answer. What it says itself is `T`.
pub fn run<T: Send + 'static>(
    source: &Source,
    budget: Budget,
    reader: impl FnOnce(FencedReader) -> T + Send + 'static,
) -> Result<Result<T, Failure>> {
    let image_failure = Arc::new(Mutex::new(None));
    let fenced = FencedReader {
        source: source.clone(),
        position: 0,
        reads_left: budget.reads,
        deadline: Instant::now().checked_add(budget.time),
        image_failure: Arc::clone(&image_failure),
    };
    let (sender, receiver) = mpsc::sync_channel(1);
    let thread = std::thread::Builder::new().name(THREAD_NAME.to_string()).spawn(move || {
        let caught = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| reader(fenced)));
        // Nobody waits any more if the time was up.
        let _ = sender.send(caught);
    });
    if thread.is_err() {
        return Ok(Err(Failure::NoThread));
    }
    let answer = receiver.recv_timeout(budget.time.saturating_add(GRACE));
    if let Some(error) = image_failure.lock().unwrap_or_else(PoisonError::into_inner).take() {
        return Err(error);
    }
    Ok(match answer {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(panic)) => {
            let message = panic
                .downcast_ref::<String>()
                .map(String::as_str)
                .or_else(|| panic.downcast_ref::<&str>().copied())
                .unwrap_or("no message");
            Err(Failure::Panicked(message.to_string()))
        }
        Err(_) => Err(Failure::TimedOut),
    })
}

/// The source as an outside reader sees it: a stream that can't be written.
#[derive(Debug)]
pub struct FencedReader {
    source: Source,
    position: u64,
    reads_left: u64,
    deadline: Option<Instant>,
    /// The first failure of the image file; nothing is read after it.
    image_failure: Arc<Mutex<Option<Error>>>,
}

impl Read for FencedReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.reads_left == 0 || self.deadline.is_some_and(|deadline| Instant::now() > deadline) {
            return Err(io::Error::other("the budget is used up"));
        }
        self.reads_left = self.reads_left.saturating_sub(1);
        let mut image_failure = self.image_failure.lock().unwrap_or_else(PoisonError::into_inner);
        if image_failure.is_some() {
            return Err(io::Error::other(IMAGE_FAILED));
        }
        let left = self.source.length_in_image().saturating_sub(self.position);
        let count = at_most(left, buffer.len());
        let Some(buffer) = buffer.get_mut(..count).filter(|buffer| !buffer.is_empty()) else { return Ok(0) };
        let reality = match self.source.read_at(self.position, buffer) {
            Ok(reality) => reality,
            Err(error) => {
                *image_failure = Some(error);
                return Err(io::Error::other(IMAGE_FAILED));
            }
        };
        // What stands before a hole is given; only a read that starts in the hole fails.
        let count = match reality.holes.first() {
            Some(hole) if hole.range.start <= self.position => {
                return Err(io::Error::other("the drive gave nothing here"));
            }
            Some(hole) => at_most(hole.range.start.saturating_sub(self.position), count),
            None => count,
        };
        self.position = self.position.saturating_add(to_u64(count));
        Ok(count)
    }
}

impl Seek for FencedReader {
    fn seek(&mut self, target: SeekFrom) -> io::Result<u64> {
        let position = match target {
            SeekFrom::Start(offset) => Some(offset),
            SeekFrom::Current(step) => self.position.checked_add_signed(step),
            SeekFrom::End(step) => self.source.length_in_image().checked_add_signed(step),
        };
        self.position = position.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        Ok(self.position)
    }
}

/// Some crates ask for a writer to read. Every write is refused.
impl Write for FencedReader {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::PermissionDenied.into())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
