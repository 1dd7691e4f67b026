//! How long work tells how far it is. The library has no terminal: a caller that shows something implements
//! [`Progress`].

/// What a number of steps counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Bytes.
    Bytes,
    /// File records.
    Records,
    /// Files.
    Files,
}

/// Hears how far a piece of work is. Called from several threads.
pub trait Progress: Sync {
    /// A stage begins. `total` is 0 if nobody knows.
    fn begin(&self, stage: &'static str, total: u64, unit: Unit);
    /// So many more steps are done.
    fn advance(&self, steps: u64);
    /// The stage is over.
    fn end(&self);
}

/// Hears and says nothing.
#[derive(Debug, Clone, Copy)]
pub struct Silent;

impl Progress for Silent {
    fn begin(&self, _: &'static str, _: u64, _: Unit) {}
    fn advance(&self, _: u64) {}
    fn end(&self) {}
}
