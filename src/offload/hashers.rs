//! Owns the hashing of what the reader delivers: BLAKE3, which every destination waits for, and the
//! further hashes, each on a thread of its own.

use super::context::Context;
use super::in_flight::{GivenUp, InFlight};
use super::message::{FromCard, Report};
use crate::digest::Digest;
use crate::disk::buffer::Chunk;
use crate::hash_algorithm::{Also, Hasher};
use crate::units::len64;
use crossbeam_channel::{Receiver, Sender};
use std::sync::atomic::Ordering;

/// Every destination waits for the hasher; if it breaks down, the job has to stop instead of
/// waiting on.
struct StopOnPanic<'a>(&'a Context);

impl Drop for StopOnPanic<'_> {
    fn drop(&mut self) {
        if std::thread::panicking() {
            self.0.cancel.store(true, Ordering::SeqCst);
        }
    }
}

/// Hashes what the reader delivers and notes the hash at every mark.
pub(super) fn hash_all(context: &Context, messages: &Receiver<FromCard>, report: &Sender<Report>) {
    let _guard = StopOnPanic(context);
    let mut hasher = blake3::Hasher::new();
    for message in messages {
        match message {
            FromCard::Begin(_) => hasher = blake3::Hasher::new(),
            FromCard::Small(files) => {
                let start = context.clock.elapsed();
                for (file, chunk) in files.iter() {
                    note_content(file, chunk);
                    settle(context, file, Digest::of(chunk.bytes()), report);
                }
                let took = context.clock.elapsed().saturating_sub(start);
                context.meter.hash_ns.add_time(took);
            }
            FromCard::Chunk(file, chunk, offset) => {
                let start = context.clock.elapsed();
                hasher.update(chunk.bytes());
                note_content(&file, &chunk);
                let end = offset + len64(chunk.bytes().len());
                if end.is_multiple_of(context.limits.mark_bytes) {
                    file.mark(end, hasher.finalize().into());
                }
                context
                    .meter
                    .hash_ns
                    .add_time(context.clock.elapsed().saturating_sub(start));
            }
            FromCard::End(file) => settle(context, &file, hasher.finalize().into(), report),
            FromCard::Abort(file) => file.settle(Err(GivenUp)),
        }
    }
}

/// Settles a file that was read whole. What an original's manifest does not vouch for is given up,
/// so that no drive gives it its final name.
fn settle(context: &Context, file: &InFlight, digest: Digest, report: &Sender<Report>) {
    let Some(expected) = context.plan.expected(file.job) else {
        return file.settle(Ok(digest));
    };
    let (is_equal, way) = (expected == digest, file.way());
    file.settle(if is_equal { Ok(digest) } else { Err(GivenUp) });
    // The coordinator is gone only when it has given this thread up.
    drop(report.send(Report::Original(file.job, is_equal, way)));
}

/// Notes whether anything but zeros was met.
fn note_content(file: &InFlight, chunk: &Chunk) {
    // One non-zero byte near the start ends this search; only a file of zeros pays.
    if file.only_zeros.load(Ordering::Relaxed) && chunk.bytes().iter().any(|&b| b != 0) {
        file.only_zeros.store(false, Ordering::Relaxed);
    }
}

/// Makes one further hash of what the reader delivers.
pub(super) fn hash_also(context: &Context, also: Also, messages: &Receiver<FromCard>) {
    let _guard = StopOnPanic(context);
    let mut hasher = Hasher::new(also);
    for message in messages {
        match message {
            FromCard::Begin(_) => hasher = Hasher::new(also),
            FromCard::Chunk(_, chunk, _) => hasher.update(chunk.bytes()),
            FromCard::Small(files) => {
                for (file, chunk) in files.iter() {
                    let mut hasher = Hasher::new(also);
                    hasher.update(chunk.bytes());
                    file.settle_also(also, &hasher.finish());
                }
            }
            FromCard::End(file) => {
                let whole = std::mem::replace(&mut hasher, Hasher::new(also));
                file.settle_also(also, &whole.finish());
            }
            // The reader has given the file up already.
            FromCard::Abort(_) => {}
        }
    }
}
