//! Owns the look at card and drives on a timer: while everything waits, nobody else would notice
//! that one of them was unmounted or taken away, also while the computer slept.

use super::context::Context;
use super::message::Report;
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Between two looks. A loss is told after two in a row, which is within 5 s; a wait like this does
/// not go on while the computer sleeps, so the first look comes soon after it wakes.
const LOOK: Duration = Duration::from_millis(1_500);

/// A thread that looks; it ends when this is dropped. One that hangs in a look at a dead device
/// holds up nobody.
#[derive(Debug)]
pub(super) struct DeviceWatch {
    found: Receiver<Report>,
    _goes_on: Sender<()>,
}

impl DeviceWatch {
    /// Starts to look.
    ///
    /// # Errors
    /// When the system refuses to start a thread.
    pub(super) fn start(context: &Arc<Context>) -> io::Result<Self> {
        // Everything that can be lost fits.
        let (tell, found) = bounded(context.plan.destinations.len() + 1);
        let (goes_on, end) = bounded::<()>(0);
        let context = Arc::downgrade(context);
        std::thread::Builder::new()
            .name("watch".into())
            .spawn(move || {
                let mut missed = MissedLooks::default();
                while end.recv_timeout(LOOK) == Err(RecvTimeoutError::Timeout) {
                    // The job that it is about may be over.
                    let Some(context) = context.upgrade() else {
                        return;
                    };
                    missed.look(&context, &tell);
                }
            })?;
        Ok(Self {
            found,
            _goes_on: goes_on,
        })
    }

    /// Returns what was lost since the last call, one by one.
    pub(super) fn lost(&self) -> Option<Report> {
        self.found.try_recv().ok()
    }
}

/// What the last look missed: one look may meet a moment in which the system renews its names of
/// devices.
#[derive(Default)]
struct MissedLooks {
    card: bool,
    destinations: BTreeSet<usize>,
}

impl MissedLooks {
    fn look(&mut self, context: &Context, tell: &Sender<Report>) {
        // There is room for all that can be lost.
        let tell = |lost: Report| drop(tell.try_send(lost));
        if !context.meter.card_done.load(Ordering::Relaxed) {
            match context.card_is_there() {
                Err(problem) if self.card && context.note_card_gone() => {
                    tell(Report::Problem(problem));
                }
                looked => self.card = looked.is_err(),
            }
        }
        let meters = context.meter.destinations.iter();
        for (index, (destination, meter)) in
            context.plan.destinations.iter().zip(meters).enumerate()
        {
            if meter.failed.load(Ordering::Relaxed) {
                continue;
            }
            match context.same_drive(destination) {
                Ok(()) => drop(self.destinations.remove(&index)),
                Err(_) if self.destinations.insert(index) => {}
                Err(problem) => {
                    if !meter.failed.swap(true, Ordering::SeqCst) {
                        tell(Report::DestinationFailed(index, problem.on(index)));
                    }
                }
            }
        }
    }
}
