//! Owns the files that are flushed and read back in one go: copies of one stripe at most, and what
//! was there already. Several finishers share the work of a destination.

use super::context::DestinationContext;
use super::message::{OpenPart, Publishable, ToFinish};
use super::read_back::{ReadingBack, as_written};
use crate::disk::buffer::Aligned;
use crate::error::Step;
use crate::offload::in_flight::InFlight;
use crate::record::layout::Level;
use crate::units::len_usize;
use camino::{Utf8Path, Utf8PathBuf};
use crossbeam_channel::{Receiver, Sender};
use std::io;
use std::sync::Arc;

/// One of the workers.
pub(super) struct Finisher {
    destination: Arc<DestinationContext>,
    to_publish: Sender<Publishable>,
    buffer: Aligned,
}

impl Finisher {
    pub(super) fn new(
        destination: &Arc<DestinationContext>,
        to_publish: Sender<Publishable>,
    ) -> Self {
        Self {
            destination: Arc::clone(destination),
            to_publish,
            buffer: Aligned::new(0),
        }
    }

    /// Finishes files until the writer has ended.
    pub(super) fn run(mut self, files: &Receiver<ToFinish>) {
        for file in files {
            let (publishable, part) = match file {
                ToFinish::Copy(open) => (self.copy(&open), Some(open.path)),
                ToFinish::Check(file) => (self.check(&file), None),
            };
            match (publishable, part) {
                (Some(publishable), _) => drop(self.to_publish.send(publishable)),
                (None, Some(path)) => self.destination.remove_part(&path),
                (None, None) => {}
            }
        }
    }

    fn copy(&mut self, open: &OpenPart) -> Option<Publishable> {
        let destination = &self.destination;
        if destination.stops() {
            return None;
        }
        let flush_ns = &destination.meter().flush_ns;
        if let Err(e) = destination.timed(flush_ns, || open.part.flush_all()) {
            destination.drop_out_on(Step::Flush, &open.file, &e);
            return None;
        }
        if destination.context.plan.terms.level == Level::Written {
            return as_written(destination, open);
        }
        self.read_back(&open.file, &open.path, Some(open.path.clone()))
    }

    fn check(&mut self, file: &Arc<InFlight>) -> Option<Publishable> {
        let destination = &self.destination;
        if destination.stops() {
            return None;
        }
        let path = destination.job(file).name.under(destination.tree());
        if let Err(e) = destination.context.disk.flush(&path) {
            destination.drop_out_on(Step::Flush, file, &e);
            return None;
        }
        self.read_back(file, &path, None)
    }

    fn read_back(
        &mut self,
        file: &Arc<InFlight>,
        path: &Utf8Path,
        part: Option<Utf8PathBuf>,
    ) -> Option<Publishable> {
        let destination = &self.destination;
        let mut reading = ReadingBack::open(destination, file, path)?;
        let bytes = destination.job(file).bytes;
        let most = destination.context.limits.check_bytes;
        self.buffer
            .fit(most.min(len_usize(bytes.saturating_add(1))));
        match reading.read_to(bytes, &mut self.buffer) {
            Ok(()) => reading.compare(part),
            Err(e) if e.kind() == io::ErrorKind::Interrupted => None,
            Err(e) => {
                destination.drop_out_on(Step::ReadBack, file, &e);
                None
            }
        }
    }
}
