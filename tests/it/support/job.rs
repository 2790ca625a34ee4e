//! A job on simulated disks and what it is done with, as most tests want them; what differs is put
//! over it.

use super::sim::SimClock;
use std::sync::Arc;
use std::time::Duration;
use unlade::disk::Disk;
use unlade::offload::limits::Limits;
use unlade::plan::Form;
use unlade::plan::terms::Terms;
use unlade::record::layout::Level;
use unlade::run::{Job, KnownBefore, Tools};
use unlade::speed::chain::Chain;

/// Bounds so small that files of a few kB meet every one of them.
pub(crate) const SMALL: Limits = Limits {
    chunk_bytes: 4_096,
    chunks: 8,
    chunks_reserve: 8,
    mark_bytes: 8_192,
    stripe_bytes: 16_384,
    stripe_bytes_spinning: 16_384,
    small_bytes: 4_096,
    shared_bytes: 3_000,
    shared_files: 3,
    check_bytes: 4_096,
    workers: 2,
    queue: 8,
    queue_finish: 4,
    careful_bytes: 4_096,
    retries: 1,
    retries_total: 20,
    retry_pause: Duration::from_millis(250),
    failures_in_a_row: 4,
    problems_max: 100,
    stop_patience: Duration::from_secs(30),
};

/// Copies a card to these drives as `KITES`; all of them are to be read back.
pub(crate) fn job(card: &str, to: &[&str]) -> Job {
    Job {
        card: card.into(),
        to: to.iter().map(Into::into).collect(),
        name: Some("KITES".to_owned()),
        terms: Terms {
            level: Level::ReadBack,
            copies_needed: to.len(),
            separate: false,
        },
        taken: Vec::new(),
        only_new: false,
        form: Form::default(),
        signer: None,
        chain: Chain::default(),
        known: KnownBefore::default(),
        beside: unlade::plan::beside::Beside::default(),
    }
}

/// The real bounds, and 27 November 2026.
pub(crate) fn tools(disk: impl Disk + 'static) -> Tools {
    Tools {
        disk: Arc::new(disk),
        clock: Arc::new(SimClock::on_day(2)),
        limits: Limits::STANDARD,
        cancel: Arc::default(),
        host: "sim".to_owned(),
    }
}
