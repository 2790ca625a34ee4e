//! Owns the way from the reader to the hashers and the drives: the buffers, the queues, and what
//! the reader's waits for either say of the stages and of the card's own rate.

use crate::clock::Clock;
use crate::disk::buffer::{Aligned, Chunk, Pool};
use crate::offload::card_rate::{Pace, WAIT_NOTICED};
use crate::offload::context::Context;
use crate::offload::look::LOOK_PATIENCE;
use crate::offload::message::{FromCard, Takers};
use crate::units::len64;
use crossbeam_channel::{SendTimeoutError, Sender, TrySendError};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tracing::debug;

/// How often a waiting reader looks whether it should stop.
const PATIENCE: Duration = Duration::from_millis(50);
/// Buffers that are left with the others when a probe begins, so that no drive runs dry.
const LEFT_TO_OTHERS: usize = 2;
/// A probe that can't begin after so long is not made.
const PROBE_PATIENCE: Duration = Duration::from_secs(10);

/// The job stops, or no destination is left.
pub(super) struct Stopped;

/// The reader's ends of the queues, and its buffers.
pub(super) struct Feed {
    context: Arc<Context>,
    hashers: Vec<Sender<FromCard>>,
    destinations: Vec<Sender<FromCard>>,
    /// The look at what the files hold; `None` once it was given up.
    looker: Option<Sender<FromCard>>,
    pool: Pool,
    /// What the reads say of the card's own rate.
    pace: Pace,
    /// Buffers are taken without a pause until none is left, so that the card's own rate shows.
    probing: bool,
}

impl Feed {
    pub(super) fn new(context: &Arc<Context>, takers: Takers) -> Self {
        let limits = &context.limits;
        Self {
            context: Arc::clone(context),
            hashers: takers.hashers,
            destinations: takers.destinations,
            looker: Some(takers.looker),
            pool: Pool::new(limits.chunks, limits.chunks_reserve, limits.chunk_bytes),
            // The system reads ahead while the reader waits: about the two chunks asked for.
            pace: Pace::new(2 * len64(limits.chunk_bytes), context.clock.elapsed()),
            probing: false,
        }
    }

    /// How many hashes are made beside BLAKE3.
    pub(super) fn further_hashes(&self) -> usize {
        self.hashers.len().saturating_sub(1)
    }

    /// Takes a free buffer, waiting for a slow destination if need be.
    pub(super) fn take(&mut self, is_whole: bool) -> Result<Aligned, Stopped> {
        let free = if self.probing {
            self.pool.take_gathered()
        } else {
            self.pool.try_take()
        };
        if let Some(buffer) = free {
            return Ok(buffer);
        }
        self.probing = false;
        let slowest = self.slowest();
        let start = self.context.clock.elapsed();
        self.context.meter.waiting.store(true, Ordering::Relaxed);
        // A row of small files says nothing of the rate.
        if is_whole && self.pace.wants_probe(start) {
            self.probing = self.gather(start)?;
        }
        let mut noted = start;
        loop {
            if self.context.must_stop() {
                return Err(Stopped);
            }
            let free = if self.probing {
                self.pool.take_gathered()
            } else {
                self.pool.take(PATIENCE)
            };
            // Bit by bit: a wait can be long, and somebody looks on.
            noted = self.blame(slowest, noted);
            if let Some(buffer) = free {
                self.context.meter.waiting.store(false, Ordering::Relaxed);
                self.waited(start);
                return Ok(buffer);
            }
        }
    }

    /// Takes a buffer back that was not handed over.
    pub(super) fn give_back(&self, buffer: Aligned) {
        self.pool.give_back(buffer);
    }

    /// Makes the first `bytes` of a buffer one that can be shared; it is free again when all are
    /// done.
    pub(super) fn seal(&self, buffer: Aligned, bytes: usize) -> Chunk {
        self.pool.seal(buffer, bytes)
    }

    /// Takes note of a read of the card that ended at `now`.
    pub(super) fn note_read(&mut self, now: Duration, bytes: u64) {
        if let Some(clean) = self.pace.read(now, bytes) {
            self.context.meter.clean.add(clean.bytes, clean.time);
        }
    }

    /// Returns the stage that has most before it, which is the one that keeps the buffers: hashers
    /// first, then destinations. How busy a stage is would not tell: many workers that wait for one
    /// flush look busier than one drive that takes its time over each file.
    fn slowest(&self) -> Option<usize> {
        let queues = self.hashers.iter().chain(&self.destinations);
        let most = queues.map(Sender::len).enumerate();
        let most = most.max_by_key(|(_, waiting)| *waiting);
        most.filter(|(_, waiting)| *waiting > 0).map(|(at, _)| at)
    }

    /// Adds the time since `since` to what was waited for a stage, and returns the time.
    fn blame(&self, stage: Option<usize>, since: Duration) -> Duration {
        let now = self.context.clock.elapsed();
        let meter = &self.context.meter;
        let Some(stage) = stage else { return now };
        // The first hasher is that of BLAKE3, which nobody can leave out.
        let also = meter.also_waited_ns.iter().map(|(_, sum)| Some(sum));
        let destinations = meter.destinations.iter().map(|d| Some(&d.waited_ns));
        let sum = std::iter::once(None)
            .chain(also)
            .chain(destinations)
            .nth(stage);
        if let Some(sum) = sum.flatten() {
            sum.add_time(now.saturating_sub(since));
        }
        now
    }

    /// Waits for the buffers of a probe; whether it can begin.
    fn gather(&mut self, start: Duration) -> Result<bool, Stopped> {
        loop {
            let is_enough = self.pool.gather(PATIENCE, LEFT_TO_OTHERS);
            let now = self.context.clock.elapsed();
            if self.context.must_stop() {
                return Err(Stopped);
            }
            if is_enough || now.saturating_sub(start) >= PROBE_PATIENCE {
                self.pace.probes(now);
                return Ok(is_enough);
            }
        }
    }

    /// Takes note of a wait that began at `start` and is over.
    fn waited(&mut self, start: Duration) {
        let now = self.context.clock.elapsed();
        let meter = &self.context.meter;
        let (clean, least) = self.pace.waited(now, now.saturating_sub(start));
        for (sums, sample) in [(&meter.clean, clean), (&meter.least, least)] {
            if let Some(s) = sample {
                sums.add(s.bytes, s.time);
            }
        }
    }

    /// Hands a message to the hashers first, so that no verifier ever waits for what is behind it,
    /// then to every destination.
    pub(super) fn send(&mut self, message: &FromCard) -> Result<(), Stopped> {
        let start = self.context.clock.elapsed();
        let queues = self.hashers.iter().chain(&self.destinations);
        for (stage, to) in queues.enumerate() {
            self.send_to(stage, to, message.clone())?;
        }
        self.show(message)?;
        if self.context.clock.elapsed().saturating_sub(start) >= WAIT_NOTICED {
            self.waited(start);
        }
        Ok(())
    }

    /// Shows a message to the look, and gives that up where it takes nothing any more.
    fn show(&mut self, message: &FromCard) -> Result<(), Stopped> {
        let Some(looker) = &self.looker else {
            return Ok(());
        };
        let context = &self.context;
        let stops = || context.must_stop();
        if !offer(looker, message.clone(), context.clock.as_ref(), stops)? {
            debug!("the look at the files was given up");
            self.looker = None;
        }
        Ok(())
    }

    fn send_to(
        &self,
        stage: usize,
        to: &Sender<FromCard>,
        message: FromCard,
    ) -> Result<(), Stopped> {
        let mut message = match to.try_send(message) {
            Err(TrySendError::Full(back)) => back,
            // A stage that ended early has told why, or its panic is told at the end.
            Ok(()) | Err(TrySendError::Disconnected(_)) => return Ok(()),
        };
        let waiting = &self.context.meter.waiting;
        let mut noted = self.context.clock.elapsed();
        waiting.store(true, Ordering::Relaxed);
        loop {
            let sent = to.send_timeout(message, PATIENCE);
            noted = self.blame(Some(stage), noted);
            match sent {
                Ok(()) | Err(SendTimeoutError::Disconnected(_)) => {
                    waiting.store(false, Ordering::Relaxed);
                    return Ok(());
                }
                Err(SendTimeoutError::Timeout(back)) => {
                    if self.context.must_stop() {
                        return Err(Stopped);
                    }
                    message = back;
                }
            }
        }
    }
}

/// Offers a message to somebody who need not take it; whether more should be offered.
fn offer<T>(
    to: &Sender<T>,
    message: T,
    clock: &dyn Clock,
    stops: impl Fn() -> bool,
) -> Result<bool, Stopped> {
    let Err(TrySendError::Full(mut message)) = to.try_send(message) else {
        return Ok(true);
    };
    let start = clock.elapsed();
    loop {
        match to.send_timeout(message, PATIENCE) {
            Ok(()) => return Ok(true),
            Err(_) if stops() => return Err(Stopped),
            Err(SendTimeoutError::Timeout(back))
                if clock.elapsed().saturating_sub(start) < LOOK_PATIENCE =>
            {
                message = back;
            }
            Err(_) => return Ok(false),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::SystemClock;
    use crossbeam_channel::bounded;

    #[test]
    fn who_takes_nothing_is_waited_for_once_and_not_long() {
        let clock = SystemClock::start();
        let (to, standing_still) = bounded(1);
        assert!(matches!(offer(&to, 1, &clock, || false), Ok(true)));
        let start = clock.elapsed();
        assert!(matches!(offer(&to, 2, &clock, || false), Ok(false)));
        let took = clock.elapsed().saturating_sub(start);
        assert!(
            took >= LOOK_PATIENCE && took < 3 * LOOK_PATIENCE,
            "{took:?}"
        );
        assert!(offer(&to, 3, &clock, || true).is_err(), "a stop goes first");
        drop(standing_still);
        assert!(matches!(offer(&to, 4, &clock, || false), Ok(true)));
    }
}
