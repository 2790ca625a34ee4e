//! Owns what every thread of an offload shares, and the looks at card and drives: whether each is
//! still the one that was planned with.

use super::limits::Limits;
use super::meter::Meter;
use crate::card::listing::Listing;
use crate::card::survey::{survey, survey_parts};
use crate::clock::Clock;
use crate::disk::guarded::Guarded;
use crate::disk::{Claim, Disk, Source};
use crate::error::{Problem, ProblemKind};
use crate::plan::{FileJob, Plan, PlannedDestination};
use std::io;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

/// What every thread of an offload shares.
#[derive(Debug)]
pub struct Context {
    /// The seam to all file systems.
    pub disk: Arc<dyn Disk>,
    /// The seam to time.
    pub clock: Arc<dyn Clock>,
    /// What is to be done.
    pub plan: Arc<Plan>,
    /// The bounds of memory, queues and retries.
    pub limits: Limits,
    /// Set from outside to stop.
    pub cancel: Arc<AtomicBool>,
    /// The counters that the stages add to.
    pub meter: Meter,
    /// The card's second listing, taken as soon as nothing more has to be read from it.
    pub closing: Mutex<Option<Result<Listing, Problem>>>,
    /// Kept by the threads where they were left behind.
    pub claims: Mutex<Vec<Claim>>,
}

/// Looks whether the drive of a destination is still the one that was planned with.
pub fn same_drive(disk: &dyn Disk, destination: &PlannedDestination) -> Result<(), Problem> {
    let then = &destination.facts;
    let gone = |why: String| Err(Problem::new(ProblemKind::Vanished, why));
    match disk.facts(&destination.given) {
        Err(e) => Err(crate::error::gone("drive", &e)),
        Ok(now)
            if (now.device, now.inode) != (then.device, then.inode)
                || now.volume_id != then.volume_id =>
        {
            gone("another drive is in its place".to_owned())
        }
        Ok(_) => Ok(()),
    }
}

impl Context {
    pub(super) fn must_stop(&self) -> bool {
        self.cancel.load(Ordering::Relaxed)
            || self.meter.card_gone.load(Ordering::Relaxed)
            || self
                .meter
                .destinations
                .iter()
                .all(|d| d.failed.load(Ordering::Relaxed))
    }

    /// Notes that the card is gone; whether that is new, and so is to be told.
    pub(super) fn note_card_gone(&self) -> bool {
        !self.meter.card_gone.swap(true, Ordering::SeqCst)
    }

    /// Looks whether the drive of a destination is still the one that was planned with.
    pub fn same_drive(&self, destination: &PlannedDestination) -> Result<(), Problem> {
        same_drive(self.disk.as_ref(), destination)
    }

    /// Looks whether the folder of the card is the one that was listed: cheap enough for every
    /// file, so that a card which is swapped in the middle stops the job there.
    pub(super) fn card_is_in_place(&self) -> Result<(), Problem> {
        let then = &self.plan.card.facts;
        let place = (then.device, then.inode);
        match self.disk.look(&self.plan.card.given) {
            Ok(Some(now)) if (now.device, now.inode) == place => Ok(()),
            // Only the full look tells what that means.
            _ => self.card_is_there(),
        }
    }

    /// Looks whether the card, or the offload in its place, is still the one that was listed.
    pub fn card_is_there(&self) -> Result<(), Problem> {
        let then = &self.plan.card.facts;
        let what = self.plan.source_word();
        let gone = |why: String| Err(Problem::new(ProblemKind::Vanished, why));
        match self.disk.facts(&self.plan.card.given) {
            Err(e) => Err(crate::error::gone(what, &e)),
            Ok(now)
                if (now.device, now.inode) != (then.device, then.inode)
                    || now.volume_id != then.volume_id =>
            {
                gone(format!(
                    "the {what} is no longer mounted there, or another one is"
                ))
            }
            Ok(_) => Ok(()),
        }
    }

    /// Opens a file of the plan where it is read: an original past the cache, since it is to count
    /// as a copy.
    pub(super) fn open(&self, job: &FileJob) -> io::Result<Box<dyn Source>> {
        let path = self.plan.path_of(job);
        match self.plan.original() {
            None => self.disk.open_card(&path),
            Some(_) => self.disk.open_read_back(&path),
        }
    }

    /// Lists the card again and keeps the result; from then on the card is not needed. Returns
    /// whether it holds what it held at the start.
    pub fn close_card(&self) -> bool {
        let listing = self.list_again(&self.to_look());
        let stood = self.plan.stood();
        let is_good = listing.as_ref().is_ok_and(|l| stood.is_unchanged(l));
        *self.closing.lock().unwrap_or_else(PoisonError::into_inner) = Some(listing);
        is_good
    }

    /// Returns the kept listing, if one was taken.
    pub fn closing_listing(&self) -> Option<Result<Listing, Problem>> {
        let mut kept = self.closing.lock().unwrap_or_else(PoisonError::into_inner);
        kept.take()
    }

    /// The disk for looks that end when the person wants to stop.
    pub fn to_look(&self) -> Guarded<Arc<dyn Disk>> {
        Guarded::until(Arc::clone(&self.disk), &self.cancel)
    }

    /// Lists the card again, on this disk or one of [`Self::to_look`].
    pub fn list_again(&self, disk: &dyn Disk) -> Result<Listing, Problem> {
        self.card_is_there()?;
        let facts = &self.plan.card.facts;
        let after = match self.plan.original() {
            None => survey(disk, &self.plan.card.given, facts),
            Some(o) => survey_parts(disk, &o.trees, &facts.filesystem, &|tree, path| {
                o.is_of(tree, path)
            }),
        };
        let what = self.plan.source_word();
        let after = after.map_err(|e| {
            let why = format!("the {what} could not be listed again at the end: {e}");
            Problem::new(ProblemKind::Vanished, why)
        })?;
        // A card that was pulled can look empty, so its device is looked for once more.
        self.card_is_there()?;
        Ok(after)
    }
}
