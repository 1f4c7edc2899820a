//! Who does the work: this crate starts no threads, the caller may spread independent pieces over its own.

/// Maps a function over indices, results in order. A caller with a thread pool implements it in a few lines.
pub trait Workers: Sync {
    /// `f` of each of `0..n`, in order.
    fn map<T: Send>(&self, n: usize, f: impl Fn(usize) -> T + Sync + Send) -> Vec<T>;
}

/// One piece after the other, on the caller's thread.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InTurn;

impl Workers for InTurn {
    fn map<T: Send>(&self, n: usize, f: impl Fn(usize) -> T + Sync + Send) -> Vec<T> {
        (0..n).map(f).collect()
    }
}
