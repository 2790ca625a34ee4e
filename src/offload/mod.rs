//! Owns the run of an offload: one reader, one thread per hash and some for each destination,
//! bounded queues between them, and the coordinator that collects what was proven. See
//! `docs/dev/engine.md`.

mod bottleneck;
mod card_rate;
mod context;
mod coordinator;
mod destination;
mod gate;
mod hashers;
pub mod in_flight;
pub mod left_behind;
pub mod limits;
mod look;
mod message;
pub mod meter;
mod outcome;
mod reader;
pub mod reread;
pub mod salvage;
mod watch;

pub use context::{Context, same_drive};
pub use outcome::{CopyState, DestinationOutcome, DriveFell, FileOutcome, Offloaded, Rates};

use crate::error::{Problem, ProblemKind};
use crate::event::Observer;
use crate::hash_algorithm::Also;
use coordinator::Coordinator;
use crossbeam_channel::{Receiver, bounded};
use gate::{Gate, GateKeeper};
use look::{LOOK_PATIENCE, Looking};
use message::{Report, Takers};
use reader::CardReader;
use std::io;
use std::sync::Arc;
use std::thread::{Builder, JoinHandle};
use std::time::Duration;
use watch::DeviceWatch;

/// The threads of an offload, all of them, before the first has done anything. Dropped, they end.
#[derive(Debug)]
pub struct Started {
    context: Arc<Context>,
    threads: Vec<JoinHandle<()>>,
    watch: DeviceWatch,
    reports: Receiver<Report>,
    gate: GateKeeper,
    looking: Looking,
}

/// Starts every thread of an offload. They wait, and nothing is read or written before
/// [`Started::run`].
///
/// # Errors
/// When the system refuses to start a thread.
pub fn start(context: &Arc<Context>) -> io::Result<Started> {
    let limits = &context.limits;
    let (report, reports) = bounded(1_024);
    let (gate, keeper) = Gate::new();
    let (mut hashers, mut destinations, mut threads) = (Vec::new(), Vec::new(), Vec::new());
    for index in 0..context.plan.destinations.len() {
        let (tx, rx) = bounded(limits.queue);
        destinations.push(tx);
        threads.extend(destination::start(index, context, &report, rx, &gate)?);
    }
    let named = |name: &str| Builder::new().name(name.into());
    // One thread for each hash: what is slow on one core does not add up.
    for also in std::iter::once(None).chain(context.plan.also.iter().map(Some)) {
        let (tx, rx) = bounded(limits.queue);
        hashers.push(tx);
        let (hashing, report) = (Arc::clone(context), report.clone());
        let hash = move || match also {
            None => hashers::hash_all(&hashing, &rx, &report),
            Some(also) => hashers::hash_also(&hashing, also, &rx),
        };
        threads.push(gate.spawn(named(also.map_or("hash", Also::id)), hash)?);
    }
    let (looking, looker) = look::start(context, &gate)?;
    let takers = Takers {
        hashers,
        destinations,
        looker,
    };
    let reading = Arc::clone(context);
    let read = move || CardReader::new(reading, takers, report).run();
    threads.push(gate.spawn(named("read"), read)?);
    Ok(Started {
        context: Arc::clone(context),
        threads,
        watch: DeviceWatch::start(context)?,
        reports,
        gate: keeper,
        looking,
    })
}

impl Started {
    /// Runs the offload to its end.
    pub fn run(self, observer: &mut dyn Observer) -> Offloaded {
        self.gate.open();
        let mut coordinator = Coordinator::new(&self.context, self.watch);
        let finished = coordinator.collect(&self.reports, observer);
        if finished {
            for thread in self.threads {
                let name = thread.thread().name().unwrap_or("a stage").to_owned();
                if thread.join().is_err() {
                    let detail = format!(
                        "the stage `{name}` broke down; this is a fault of unlade, please report it"
                    );
                    coordinator.problem(Problem::new(ProblemKind::NotReadBack, detail), observer);
                }
            }
        }
        let patience = if finished {
            LOOK_PATIENCE
        } else {
            Duration::ZERO
        };
        coordinator.into_outcome(self.looking.finish(patience), !finished)
    }
}
