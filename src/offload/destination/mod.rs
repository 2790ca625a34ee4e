//! Owns one destination's part of an offload: writing, making durable, reading back from the device
//! behind the writer, and publishing. A destination that fails is dropped once, with its reason,
//! and takes nobody with it.
//!
//! Order for every file: part file, write, durable, read back equal, where names are not kept by
//! themselves a journal line of what gets one, rename without replacing, name durable in the way of
//! the file system, journal line. Nothing carries a final name earlier.

mod committer;
mod context;
mod finisher;
mod folders;
mod message;
mod publisher;
mod read_back;
mod recheck;
mod verifier;
mod writer;

use super::context::Context;
use super::gate::Gate;
use super::message::{FromCard, Report};
use committer::Committer;
use context::DestinationContext;
use crossbeam_channel::{Receiver, Sender, bounded};
use finisher::Finisher;
use publisher::Publisher;
use recheck::Recheck;
use std::io;
use std::sync::Arc;
use std::thread::{Builder, JoinHandle};
use tracing::debug_span;
use verifier::Verifier;
use writer::PartWriter;

/// Stripes that may wait for the committer, and as many for the verifier.
const STRIPES_WAITING: usize = 4;
/// Bytes of stack for each thread.
const STACK: usize = 512 << 10;

/// Starts every thread of a destination, which is counted from 0; they wait at the gate.
///
/// # Errors
/// When the system refuses to start a thread.
pub(super) fn start(
    index: usize,
    context: &Arc<Context>,
    report: &Sender<Report>,
    from_card: Receiver<FromCard>,
    gate: &Gate,
) -> io::Result<Vec<JoinHandle<()>>> {
    let shared = Arc::new(DestinationContext {
        index,
        context: Arc::clone(context),
        report: report.clone(),
    });
    let limits = &context.limits;
    let (to_commit, written) = bounded(STRIPES_WAITING);
    let (to_verify, durable) = bounded(STRIPES_WAITING);
    let (to_finish, whole) = bounded(limits.queue_finish);
    let (to_publish, publishable) = bounded(publisher::BATCH_MAX);
    let mut threads = Vec::new();
    let mut spawn = |role: &str, run: Box<dyn FnOnce() + Send>| {
        let name = format!("{role} {}", index + 1);
        let thread = Builder::new().name(name).stack_size(STACK);
        let span = debug_span!("drive", number = index + 1, role);
        gate.spawn(thread, move || span.in_scope(run))
            .map(|thread| threads.push(thread))
    };
    // On a spinning disk as well: flushes that wait together become one commit of its journal.
    for _ in 0..limits.workers {
        let finisher = Finisher::new(&shared, to_publish.clone());
        let whole = whole.clone();
        spawn("finish", Box::new(move || finisher.run(&whole)))?;
    }
    let verifier = Verifier::new(&shared, to_publish);
    spawn("verify", Box::new(move || verifier.run(&durable)))?;
    let committer = Committer::new(&shared, to_verify);
    spawn("commit", Box::new(move || committer.run(&written)))?;
    // Beside a card that is read for others, where nothing is written here; else afterwards.
    let recheck = Recheck::new(&shared);
    let (beside, after) = if shared.has_work() {
        (None, recheck)
    } else {
        (recheck, None)
    };
    if let Some(recheck) = beside {
        spawn("kept", Box::new(move || recheck.run()))?;
    }
    let publisher = Publisher::new(&shared);
    let publish = move || {
        publisher.run(&publishable);
        if let Some(recheck) = after {
            recheck.run();
        }
    };
    spawn("publish", Box::new(publish))?;
    let writer = PartWriter::new(&shared, to_commit, to_finish);
    spawn("write", Box::new(move || writer.run(&from_card)))?;
    Ok(threads)
}
