//! Owns the picture of a running job that an observer is shown: counters and estimates at one
//! moment. The record comes from none of it.

use super::intervals::Intervals;
use super::limiting::Limiting;
use super::progress::JobProgress;
use super::results::Results;
use crate::event::{DestinationSnapshot, Snapshot};
use crate::offload::context::Context;
use crate::speed::forecast::Change;
use crate::units::{float, rate};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// From this time without progress on it is said what is waited for.
const STALL_TOLD: Duration = Duration::from_secs(3);

/// Takes the picture `elapsed` after the start, and lets the forecast see how far the job is.
/// Returns with it a change of the rate that is certain since.
pub(super) fn snapshot(
    context: &Context,
    elapsed: Duration,
    results: &Results,
    intervals: &Intervals,
    limiting: &Limiting,
    progress: &mut JobProgress,
) -> (Snapshot, Option<Change>) {
    let (meter, plan) = (&context.meter, &context.plan);
    let busy = |ns: u64| share_of(ns, elapsed);
    let destinations = destinations(context, elapsed, results);
    let (files_total, bytes_total) = progress.to_read();
    let bytes_read = meter.read.get();
    let change = progress.observe(elapsed, &destinations);
    let stalled = progress.forecast.stalled();
    let held = limiting.held(elapsed, intervals.rates(), false);
    let live = limiting.card_rate();
    let snapshot = Snapshot {
        files_total,
        bytes_total,
        files_read: meter.files.get(),
        bytes_read,
        card_done: meter.card_done.load(Ordering::Relaxed) && plan.read_again().is_none(),
        live_rate: live.map(|l| l.bytes_per_s),
        live_rate_at_least: live.is_some_and(|l| l.is_least),
        delivered_rate: rate(bytes_read, elapsed),
        busy_read: busy(meter.read_ns.get()),
        busy_hash: busy(meter.hash_ns.get()),
        limiting: held.limiting,
        links: held.links,
        again_total: plan.read_again().map_or(0, |again| again.bytes),
        again_read: 0,
        ceiling_mbps: plan.estimate.ceiling.mbps(),
        card_link: plan.estimate.ceiling.on_cards_side().copied(),
        destinations,
        remaining: progress.forecast.remaining(),
        basis: progress.forecast.basis(),
        stalled_s: stalled.as_secs_f64(),
        waiting_for: (stalled >= STALL_TOLD).then(|| limiting.waiting_for()),
        problems: results.problems_count(),
        strip: intervals.strip(),
        strip_every_s: intervals.rates().every_s,
        stopping: context.cancel.load(Ordering::Relaxed),
    };
    (snapshot, change)
}

fn destinations(
    context: &Context,
    elapsed: Duration,
    results: &Results,
) -> Vec<DestinationSnapshot> {
    let busy = |ns: u64| share_of(ns, elapsed);
    let reads_kept = context.plan.reads_kept();
    let all = context.meter.destinations.iter();
    let all = all
        .zip(&context.plan.destinations)
        .zip(&results.destinations);
    all.map(|((meter, planned), outcome)| DestinationSnapshot {
        bytes_total: planned.copy_bytes,
        bytes_written: meter.written.get(),
        bytes_read_back: meter.read_back.get(),
        kept_total: if reads_kept { planned.kept_bytes } else { 0 },
        kept_read: meter.kept_read.get(),
        files: meter.files.get(),
        failed: outcome.failed,
        busy_write: busy(meter.write_ns.get()),
        busy_flush: busy(meter.flush_ns.get()),
        busy_read_back: busy(meter.read_back_ns.get()),
    })
    .collect()
}

/// The share that so many nanoseconds are of a time, 1 at most.
fn share_of(ns: u64, time: Duration) -> f64 {
    let all = time.as_secs_f64() * 1e9;
    if all > 0.0 {
        (float(ns) / all).min(1.0)
    } else {
        0.0
    }
}
