//! Owns what every thread of an offload waits at until the offload is begun, so that one that
//! cannot be started costs nothing.

use crossbeam_channel::{Receiver, Sender, bounded};
use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{Builder, JoinHandle};

/// What a thread waits at. It ends without doing anything where the gate is never opened.
#[derive(Clone, Debug)]
pub(super) struct Gate {
    is_open: Arc<AtomicBool>,
    /// Ends when the other end is dropped, whether the gate was opened or not.
    closed: Receiver<()>,
}

impl Gate {
    /// Makes a closed gate.
    pub(super) fn new() -> (Self, GateKeeper) {
        let (shut, closed) = bounded(0);
        let is_open = Arc::new(AtomicBool::new(false));
        let keeper = GateKeeper {
            is_open: Arc::clone(&is_open),
            _shut: shut,
        };
        (Self { is_open, closed }, keeper)
    }

    /// Waits; whether there is anything to do.
    fn pass(&self) -> bool {
        // Nothing is ever sent: this ends when the other end is dropped.
        let _closed = self.closed.recv();
        self.is_open.load(Ordering::SeqCst)
    }

    /// Starts a thread that does its work once the gate is opened.
    ///
    /// # Errors
    /// When the system refuses to start a thread.
    pub(super) fn spawn(
        &self,
        thread: Builder,
        work: impl FnOnce() + Send + 'static,
    ) -> io::Result<JoinHandle<()>> {
        let gate = self.clone();
        thread.spawn(move || {
            if gate.pass() {
                work();
            }
        })
    }
}

/// Who opens the gate. Dropped, it lets the threads end.
#[derive(Debug)]
pub(super) struct GateKeeper {
    is_open: Arc<AtomicBool>,
    _shut: Sender<()>,
}

impl GateKeeper {
    /// Lets every thread begin.
    pub(super) fn open(self) {
        self.is_open.store(true, Ordering::SeqCst);
    }
}
