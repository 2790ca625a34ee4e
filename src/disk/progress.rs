//! Owns how far a long read is, for whoever looks on.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64};

/// How far a long read is; many threads may add to it.
#[derive(Debug, Default)]
pub struct Progress {
    /// Bytes read.
    pub bytes: AtomicU64,
    /// Bytes that will be read at most; 0 until that is known.
    pub bytes_total: AtomicU64,
    /// Set from outside to stop.
    pub cancel: Arc<AtomicBool>,
}
