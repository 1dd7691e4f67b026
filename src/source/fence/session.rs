//! An outside reader that answers many questions one after the other, each under a budget of its own: opening a volume
//! again for every file would cost more than the files.

use std::io::{self, Read, Seek, SeekFrom, Write};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::mpsc::{self, RecvTimeoutError, SyncSender};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::{Budget, Failure, FencedReader, GRACE, NothingHere, THREAD_NAME, message_of};
use crate::bytes::{round_down, to_u64, to_usize};
use crate::error::{Error, Result};
use crate::source::Source;

/// How often the caller looks whether the reader is stuck, and tells how far it is.
const TICK: Duration = Duration::from_millis(200);

/// Answers that may wait to be heard; a reader that is faster waits.
const WAITING: usize = 64;

/// Outside readers read a structure field by field. A request smaller than this many bytes is answered from blocks of
/// this size, [`BLOCKS`] of which are kept; that is all the memory a session has beside its reader's own.
const BLOCK: usize = 4096;

/// A record, the table that places it, a folder and its chain may be in use at a time.
const BLOCKS: usize = 16;

/// What the caller hears.
#[derive(Debug)]
pub enum Heard<A> {
    /// The answer to a question.
    Answer(usize, A),
    /// The reader got on by so many steps.
    Advanced(u64),
}

/// How a session ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Ended {
    /// The reader says it is done.
    Done,
    /// It gave no answer to this question (`None`: before or between questions) and is lost.
    Lost(Option<usize>, Failure),
}

/// Runs an outside reader behind the fence. It answers at its [`Desk`]; `hear` is called with each answer on the
/// caller's own thread.
///
/// A reader that is stuck past its budget is left to itself, as in [`super::run`].
///
/// # Errors
/// [`Error::ImageIo`] when the image file failed under the reader: whatever it said then is no answer.
pub fn run<A: Send + 'static>(
    source: &Source,
    budget: Budget,
    reader: impl FnOnce(&Desk<A>) + Send + 'static,
    hear: &mut dyn FnMut(Heard<A>),
) -> Result<Ended> {
    let (sender, receiver) = mpsc::sync_channel(WAITING);
    let shared = Arc::new(Shared::new(budget));
    let desk = Desk { source: source.clone(), sender, shared: Arc::clone(&shared) };
    let started = std::thread::Builder::new().name(THREAD_NAME.to_string()).spawn(move || {
        let caught = catch_unwind(AssertUnwindSafe(|| reader(&desk)));
        // Nobody waits any more if it was given up.
        let _ = desk.sender.send(Message::Over(caught.map_err(|panic| message_of(panic.as_ref()))));
    });
    if started.is_err() {
        return Ok(Ended::Lost(None, Failure::NoThread));
    }
    // Whichever way this ends, a reader that is still at work finds no more bytes.
    let _given_up = GiveUp(&shared);
    loop {
        let message = receiver.recv_timeout(TICK);
        if let Some(error) = lock(&shared.image_error).take() {
            return Err(error);
        }
        match shared.advanced.swap(0, Ordering::Relaxed) {
            0 => {}
            steps => hear(Heard::Advanced(steps)),
        }
        match message {
            Ok(Message::Answer(question, answer)) => hear(Heard::Answer(question, answer)),
            Ok(Message::Over(Ok(()))) => return Ok(Ended::Done),
            Ok(Message::Over(Err(message))) => {
                return Ok(Ended::Lost(lock(&shared.now).question, Failure::Panicked(message)));
            }
            Err(RecvTimeoutError::Disconnected) => {
                return Ok(Ended::Lost(lock(&shared.now).question, Failure::TimedOut));
            }
            Err(RecvTimeoutError::Timeout) => {
                let now = lock(&shared.now);
                let late = now.deadline.and_then(|deadline| deadline.checked_add(GRACE));
                if late.is_some_and(|late| Instant::now() > late) {
                    return Ok(Ended::Lost(now.question, Failure::TimedOut));
                }
            }
        }
    }
}

enum Message<A> {
    Answer(usize, A),
    Over(Result<(), String>),
}

/// What is being asked, and what it may cost.
struct Now {
    question: Option<usize>,
    budget: Budget,
    deadline: Option<Instant>,
}

impl Now {
    fn new(question: Option<usize>, budget: Budget) -> Self {
        Self { question, budget, deadline: Instant::now().checked_add(budget.time) }
    }
}

struct Shared {
    now: Mutex<Now>,
    /// Changes with every question.
    turn: AtomicU64,
    advanced: AtomicU64,
    met_hole: AtomicBool,
    over_budget: AtomicBool,
    given_up: AtomicBool,
    image_error: Arc<Mutex<Option<Error>>>,
}

impl Shared {
    fn new(budget: Budget) -> Self {
        Self {
            now: Mutex::new(Now::new(None, budget)),
            turn: AtomicU64::new(0),
            advanced: AtomicU64::new(0),
            met_hole: AtomicBool::new(false),
            over_budget: AtomicBool::new(false),
            given_up: AtomicBool::new(false),
            image_error: Arc::default(),
        }
    }
}

/// Locks, also after a panic of the outside reader: what is inside is whole after every single step.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

struct GiveUp<'s>(&'s Shared);

impl Drop for GiveUp<'_> {
    fn drop(&mut self) {
        self.0.given_up.store(true, Ordering::Relaxed);
    }
}

/// Where an outside reader is asked and answers.
pub struct Desk<A> {
    source: Source,
    sender: SyncSender<Message<A>>,
    shared: Arc<Shared>,
}

impl<A> Desk<A> {
    /// The volume as the outside reader sees it.
    #[must_use]
    pub fn reader(&self) -> SessionReader {
        let (reads_left, deadline) = {
            let now = lock(&self.shared.now);
            (now.budget.reads, now.deadline)
        };
        let whole = Budget { reads: u64::MAX, time: Duration::MAX };
        SessionReader {
            inner: FencedReader::new(&self.source, whole, Arc::clone(&self.shared.image_error)),
            shared: Arc::clone(&self.shared),
            position: 0,
            length: self.source.length_in_image(),
            turn: 0,
            reads_left,
            deadline,
            blocks: Vec::new(),
            next_block: 0,
        }
    }

    /// A question begins, or with `None` work between questions: from here on its own budget counts.
    pub fn begin(&self, question: Option<usize>, budget: Budget) {
        *lock(&self.shared.now) = Now::new(question, budget);
        self.shared.met_hole.store(false, Ordering::Relaxed);
        self.shared.over_budget.store(false, Ordering::Relaxed);
        self.shared.turn.fetch_add(1, Ordering::Relaxed);
    }

    /// Answers a question.
    pub fn answer(&self, question: usize, answer: A) {
        // Nobody waits any more if the reader was given up.
        let _ = self.sender.send(Message::Answer(question, answer));
    }

    /// Tells that the work got on by so many steps.
    pub fn advance(&self, steps: u64) {
        self.shared.advanced.fetch_add(steps, Ordering::Relaxed);
    }

    /// Calls the outside reader; a panic becomes its message, and the session goes on.
    ///
    /// # Errors
    /// The message of the panic.
    pub fn guarded<T>(&self, work: impl FnOnce() -> T) -> Result<T, String> {
        catch_unwind(AssertUnwindSafe(work)).map_err(|panic| message_of(panic.as_ref()))
    }

    /// Whether a read of this question began where the drive gave nothing.
    #[must_use]
    pub fn met_hole(&self) -> bool {
        self.shared.met_hole.load(Ordering::Relaxed)
    }

    /// Whether this question's budget is used up.
    #[must_use]
    pub fn is_over_budget(&self) -> bool {
        self.shared.over_budget.load(Ordering::Relaxed)
    }

    /// Whether nobody waits for answers any more.
    #[must_use]
    pub fn is_given_up(&self) -> bool {
        self.shared.given_up.load(Ordering::Relaxed)
    }
}

fn is_hole(error: &io::Error) -> bool {
    error.get_ref().is_some_and(|inner| inner.is::<NothingHere>())
}

struct Block {
    start: u64,
    bytes: Vec<u8>,
}

/// The volume as a stream that can't be written; small reads are answered from blocks that are kept.
pub struct SessionReader {
    inner: FencedReader,
    shared: Arc<Shared>,
    position: u64,
    length: u64,
    turn: u64,
    reads_left: u64,
    deadline: Option<Instant>,
    blocks: Vec<Block>,
    next_block: usize,
}

impl SessionReader {
    /// Counts a request, whoever answers it: a reader that loops over what is kept must end, too.
    fn count(&mut self) -> io::Result<()> {
        let turn = self.shared.turn.load(Ordering::Relaxed);
        if turn != self.turn {
            let now = lock(&self.shared.now);
            (self.turn, self.reads_left, self.deadline) = (turn, now.budget.reads, now.deadline);
        }
        if self.shared.given_up.load(Ordering::Relaxed) {
            return Err(io::Error::other("nobody waits for an answer any more"));
        }
        if self.reads_left == 0 || self.deadline.is_some_and(|deadline| Instant::now() > deadline) {
            self.shared.over_budget.store(true, Ordering::Relaxed);
            return Err(io::Error::other("the budget is used up"));
        }
        self.reads_left = self.reads_left.saturating_sub(1);
        Ok(())
    }

    fn read_inner(&mut self, offset: u64, buffer: &mut [u8]) -> io::Result<usize> {
        self.inner.seek(SeekFrom::Start(offset))?;
        self.inner.read(buffer)
    }

    /// Notes that a read met a hole: the outside reader may wrap or drop the error.
    fn note(&self, error: &io::Error) {
        if is_hole(error) {
            self.shared.met_hole.store(true, Ordering::Relaxed);
        }
    }

    /// The kept block that begins at `start`; read, as far as it is there, if it isn't kept yet.
    fn block(&mut self, start: u64) -> io::Result<&[u8]> {
        let kept = self.blocks.iter().position(|block| block.start == start);
        let index = match kept {
            Some(index) => index,
            None => {
                let bytes = self.read_block(start)?;
                let block = Block { start, bytes };
                let index = self.next_block;
                match self.blocks.get_mut(index) {
                    Some(slot) => *slot = block,
                    None => self.blocks.push(block),
                }
                self.next_block = index.saturating_add(1).checked_rem(BLOCKS).unwrap_or(0);
                index
            }
        };
        Ok(self.blocks.get(index).map(|block| block.bytes.as_slice()).unwrap_or_default())
    }

    fn read_block(&mut self, start: u64) -> io::Result<Vec<u8>> {
        let mut bytes = vec![0; BLOCK];
        let mut filled = 0_usize;
        while let Some(room) = bytes.get_mut(filled..).filter(|room| !room.is_empty()) {
            match self.read_inner(start.saturating_add(to_u64(filled)), room) {
                Ok(0) => break,
                Ok(count) => filled = filled.saturating_add(count),
                // A hole further on is met when somebody asks for it.
                Err(error) if is_hole(&error) => break,
                Err(error) => return Err(error),
            }
        }
        bytes.truncate(filled);
        Ok(bytes)
    }

    fn read_kept(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let start = round_down(self.position, to_u64(BLOCK));
        let inside = to_usize(self.position.saturating_sub(start)).unwrap_or(BLOCK);
        let bytes = self.block(start)?.get(inside..).unwrap_or_default();
        if bytes.is_empty() {
            return self.read_inner(self.position, buffer);
        }
        let count = bytes.len().min(buffer.len());
        for (to, from) in buffer.iter_mut().zip(bytes) {
            *to = *from;
        }
        Ok(count)
    }
}

impl Read for SessionReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        self.count()?;
        if buffer.is_empty() {
            return Ok(0);
        }
        let read = match buffer.len() < BLOCK {
            true => self.read_kept(buffer),
            false => self.read_inner(self.position, buffer),
        };
        let count = read.inspect_err(|error| self.note(error))?;
        self.position = self.position.saturating_add(to_u64(count));
        Ok(count)
    }
}

impl Seek for SessionReader {
    fn seek(&mut self, target: SeekFrom) -> io::Result<u64> {
        let position = match target {
            SeekFrom::Start(offset) => Some(offset),
            SeekFrom::Current(step) => self.position.checked_add_signed(step),
            SeekFrom::End(step) => self.length.checked_add_signed(step),
        };
        self.position = position.ok_or_else(|| io::Error::from(io::ErrorKind::InvalidInput))?;
        Ok(self.position)
    }
}

/// Some crates ask for a writer to read. Every write is refused.
impl Write for SessionReader {
    fn write(&mut self, _: &[u8]) -> io::Result<usize> {
        Err(io::ErrorKind::PermissionDenied.into())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

#[cfg(test)]
mod tests;
