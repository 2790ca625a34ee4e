//! Owns the flushes of files that are read back in stripes: what the verifier gets is durable.

use super::context::DestinationContext;
use super::message::Stripe;
use crate::error::Step;
use crossbeam_channel::{Receiver, Sender};
use std::sync::Arc;

/// The thread between writer and verifier.
pub(super) struct Committer {
    destination: Arc<DestinationContext>,
    to_verify: Sender<Stripe>,
}

impl Committer {
    pub(super) fn new(destination: &Arc<DestinationContext>, to_verify: Sender<Stripe>) -> Self {
        Self {
            destination: Arc::clone(destination),
            to_verify,
        }
    }

    /// Flushes what was written and hands it on, until the writer has ended.
    pub(super) fn run(self, written: &Receiver<Stripe>) {
        let destination = &self.destination;
        let flush_ns = &destination.meter().flush_ns;
        for stripe in written {
            let flushed = match &stripe {
                _ if destination.stops() => Ok(()),
                Stripe::Upto(..) if !destination.is_in_place() => Ok(()),
                Stripe::Upto(open, _) => destination.timed(flush_ns, || open.part.flush_data()),
                Stripe::Last(open) => destination.timed(flush_ns, || open.part.flush_all()),
                Stripe::GivenUp(..) => Ok(()),
            };
            if let Err(e) = flushed {
                let (Stripe::Upto(open, _) | Stripe::Last(open) | Stripe::GivenUp(open, _)) =
                    &stripe;
                destination.drop_out_on(Step::Flush, &open.file, &e);
            }
            drop(self.to_verify.send(stripe));
        }
    }
}
