//! Owns the look at what the files hold while their bytes go by: a thread of its own, which nothing
//! ever waits for in vain. Hints only; no verdict, no copy and no time of a copy rests on it.

use super::context::Context;
use super::gate::Gate;
use super::message::FromCard;
use crate::inspect::guarded::FileInspection;
use crate::inspect::look::CardLook;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::thread::Builder;
use std::time::Duration;

/// Messages that may wait. Each holds a buffer of the pool: as many as these are lost to the others
/// should the look ever stand still.
const QUEUE: usize = 4;
/// A look that takes nothing for so long is given up.
pub(super) const LOOK_PATIENCE: Duration = Duration::from_secs(2);

/// The thread that looks.
#[derive(Debug)]
pub(super) struct Looking {
    found: Arc<Mutex<CardLook>>,
    /// Ends with the thread.
    ended: Receiver<()>,
}

/// Starts the thread; returns it and what it is fed by.
///
/// # Errors
/// When the system refuses to start a thread.
pub(super) fn start(
    context: &Arc<Context>,
    gate: &Gate,
) -> io::Result<(Looking, Sender<FromCard>)> {
    let (feed, messages) = bounded(QUEUE);
    let (alive, ended) = bounded::<()>(0);
    let found = Arc::new(Mutex::default());
    let (context, into) = (Arc::clone(context), Arc::clone(&found));
    let look = move || {
        look_at_all(&context, &messages, &into);
        drop(alive);
    };
    gate.spawn(Builder::new().name("look".into()), look)?;
    Ok((Looking { found, ended }, feed))
}

impl Looking {
    /// Returns what was seen, once the thread has taken all that it was given, or does not answer
    /// for so long.
    pub(super) fn finish(self, patience: Duration) -> CardLook {
        if self.ended.recv_timeout(patience) == Err(RecvTimeoutError::Timeout) {
            tracing::debug!("the look at the files does not answer");
        }
        let mut found = self.found.lock().unwrap_or_else(PoisonError::into_inner);
        std::mem::take(&mut found)
    }
}

fn look_at_all(context: &Context, messages: &Receiver<FromCard>, found: &Mutex<CardLook>) {
    let begin = |job: usize| {
        let planned = context.plan.jobs.get(job)?;
        FileInspection::begin(planned.name.as_str(), planned.bytes)
    };
    let end = |job, inspection: Option<FileInspection>| {
        if let Some(seen) = inspection.and_then(FileInspection::end) {
            let mut found = found.lock().unwrap_or_else(PoisonError::into_inner);
            found.add(job, seen);
        }
    };
    let mut current = None;
    for message in messages {
        match message {
            FromCard::Begin(file) => current = begin(file.job),
            FromCard::Chunk(_, chunk, _) => {
                if let Some(inspection) = &mut current {
                    inspection.feed(chunk.bytes());
                }
            }
            FromCard::End(file) => end(file.job, current.take()),
            FromCard::Abort(_) => current = None,
            FromCard::Small(files) => {
                for (file, chunk) in files.iter() {
                    let mut inspection = begin(file.job);
                    if let Some(inspection) = &mut inspection {
                        inspection.feed(chunk.bytes());
                    }
                    end(file.job, inspection);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::{Clock as _, SystemClock};

    #[test]
    fn a_look_that_stands_still_for_good_is_not_waited_for() {
        let clock = SystemClock::start();
        let (alive, ended) = bounded::<()>(0);
        let mut seen = CardLook::default();
        seen.cameras.insert("Kite 7".to_owned());
        let found = Arc::new(Mutex::new(seen.clone()));
        let looking = Looking { found, ended };
        let start = clock.elapsed();
        assert_eq!(looking.finish(Duration::from_millis(100)), seen);
        let took = clock.elapsed().saturating_sub(start);
        assert!(took < Duration::from_secs(5), "{took:?}");
        drop(alive);
    }
}
