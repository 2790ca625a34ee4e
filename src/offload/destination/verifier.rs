//! Owns the reading back of files of more than one stripe, behind the writer: each stripe is
//! compared as soon as it is durable, so that little is left when the card is done.

use super::context::DestinationContext;
use super::message::{OpenPart, Publishable, Stripe};
use super::read_back::{ReadingBack, as_written};
use crate::disk::buffer::Aligned;
use crate::error::{Cause, Problem, ProblemKind, Step};
use crate::record::layout::Level;
use crossbeam_channel::{Receiver, Sender};
use std::sync::Arc;

/// What is told of a file that somebody else wrote to.
const WRITTEN_BY_OTHERS: &str =
    "another program has written into it while it was copied; the copy was removed";

/// The thread behind the committer.
pub(super) struct Verifier {
    destination: Arc<DestinationContext>,
    to_publish: Sender<Publishable>,
    /// The file that is being read back.
    reading: Option<ReadingBack>,
    buffer: Aligned,
}

impl Verifier {
    pub(super) fn new(
        destination: &Arc<DestinationContext>,
        to_publish: Sender<Publishable>,
    ) -> Self {
        Self {
            destination: Arc::clone(destination),
            to_publish,
            reading: None,
            buffer: Aligned::new(0),
        }
    }

    /// Compares what is durable with what the card delivered, until the committer has ended.
    pub(super) fn run(mut self, durable: &Receiver<Stripe>) {
        for stripe in durable {
            match stripe {
                Stripe::GivenUp(open, gone) => {
                    let in_vain = self.reading.take().map_or(0, |r| r.at());
                    self.destination.meter().read_back.given_up.add(in_vain);
                    self.destination.remove_part(&open.path);
                    // The writer may have stopped waiting only by having ended.
                    if gone.send(()).is_err() {}
                }
                Stripe::Upto(..) | Stripe::Last(_) if self.destination.stops() => {
                    self.reading = None;
                }
                Stripe::Upto(open, end) => {
                    if self.destination.context.plan.terms.level != Level::Written {
                        self.read_on(&open, end);
                    }
                }
                Stripe::Last(open) => match self.last(&open) {
                    Some(publishable) => drop(self.to_publish.send(publishable)),
                    None => self.destination.remove_part(&open.path),
                },
            }
        }
    }

    fn last(&mut self, open: &OpenPart) -> Option<Publishable> {
        if self.destination.context.plan.terms.level == Level::Written {
            return as_written(&self.destination, open);
        }
        self.read_on(open, self.destination.job(&open.file).bytes);
        let reading = self.reading.take()?;
        if reading.is_bad || self.destination.stops() {
            return None;
        }
        // What it wrote into a stripe that was read back by then was not seen.
        if open.part.had_other_writer() {
            let problem = Problem::new(ProblemKind::Changed, WRITTEN_BY_OTHERS);
            let problem = problem.because(Cause::OtherWriter);
            self.destination.report_problem(&open.file, problem);
            return None;
        }
        reading.compare(Some(open.path.clone()))
    }

    /// Reads a file back up to `end` and compares the hash so far with the source's.
    fn read_on(&mut self, open: &OpenPart, end: u64) {
        let destination = &self.destination;
        self.buffer.fit(destination.context.limits.chunk_bytes);
        let is_same = |r: &ReadingBack| Arc::ptr_eq(&r.file, &open.file);
        if !self.reading.as_ref().is_some_and(is_same) {
            self.reading = ReadingBack::open(destination, &open.file, &open.path);
        }
        let Some(reading) = &mut self.reading else {
            return;
        };
        if reading.is_bad {
            return;
        }
        if let Err(e) = reading.read_to(end, &mut self.buffer) {
            reading.is_bad = true;
            if !destination.stops() {
                destination.drop_out_on(Step::ReadBack, &open.file, &e);
            }
            return;
        }
        if end < destination.job(&open.file).bytes {
            reading.compare_mark(end);
        }
    }
}
