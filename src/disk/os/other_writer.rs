//! Owns the watch for another program that writes into a part while it is written: what was read
//! back of a long part by then is not what it holds, and the date that the part gets at its end
//! would hide it.

use rayon::{ThreadPool, ThreadPoolBuilder};
use rustix::fd::{AsFd as _, AsRawFd as _, OwnedFd};
use rustix::fs::inotify;
use std::fs::File;
use std::sync::LazyLock;

/// Close watches, one after the other.
static CLOSERS: LazyLock<Option<ThreadPool>> = LazyLock::new(|| {
    let pool = ThreadPoolBuilder::new().num_threads(1);
    pool.thread_name(|_| "close".to_owned()).build().ok()
});

/// A watch on a part from its creation on.
#[derive(Debug)]
pub(super) struct OtherWriter(Option<OwnedFd>);

impl OtherWriter {
    /// Begins; `None` where the system has no room for one more watch, or none for this file.
    pub(super) fn watch(part: &File) -> Option<Self> {
        let flags = inotify::CreateFlags::CLOEXEC | inotify::CreateFlags::NONBLOCK;
        let watch = inotify::init(flags).ok()?;
        let path = format!("/proc/self/fd/{}", part.as_fd().as_raw_fd());
        inotify::add_watch(&watch, path, inotify::WatchFlags::CLOSE_WRITE).ok()?;
        Some(Self(Some(watch)))
    }

    /// Returns whether somebody closed the part who had it open for writing. One who has it open
    /// still is not seen.
    pub(super) fn has_been(&self) -> bool {
        let mut room = [std::mem::MaybeUninit::uninit(); 512];
        self.0
            .as_ref()
            .is_some_and(|watch| inotify::Reader::new(watch, &mut room).next().is_ok())
    }
}

impl Drop for OtherWriter {
    /// Closing a watch waits for the kernel, 4 to 20 ms each; no drive is to wait with it.
    fn drop(&mut self) {
        let Some(watch) = self.0.take() else { return };
        match &*CLOSERS {
            Some(pool) => pool.spawn(move || drop(watch)),
            // A computer that lets no thread be started.
            None => drop(watch),
        }
    }
}
