//! Owns the writing of part files: what the reader delivers goes to the drive in its order, and on
//! to whoever makes it durable.

use super::context::DestinationContext;
use super::folders::{SAME_NAME, prepare};
use super::message::{OpenPart, Stripe, ToFinish};
use crate::disk::buffer::Chunk;
use crate::disk::{is_name_refused, write_problem};
use crate::error::{Cause, Problem, ProblemKind, Step, failed};
use crate::offload::in_flight::InFlight;
use crate::offload::message::{FromCard, Report};
use crate::plan::Work;
use crate::units::len64;
use crossbeam_channel::{Receiver, Sender, bounded};
use std::io;
use std::sync::Arc;

/// The thread behind the reader.
pub(super) struct PartWriter {
    destination: Arc<DestinationContext>,
    to_commit: Sender<Stripe>,
    to_finish: Sender<ToFinish>,
    /// The file that is being written.
    open: Option<OpenPart>,
    /// Bytes of it that were delivered.
    upto: u64,
}

impl PartWriter {
    pub(super) fn new(
        destination: &Arc<DestinationContext>,
        to_commit: Sender<Stripe>,
        to_finish: Sender<ToFinish>,
    ) -> Self {
        Self {
            destination: Arc::clone(destination),
            to_commit,
            to_finish,
            open: None,
            upto: 0,
        }
    }

    /// Makes the folders and writes what comes from the card, until the reader has ended.
    pub(super) fn run(mut self, from_card: &Receiver<FromCard>) {
        prepare(&self.destination);
        for message in from_card {
            if self.destination.stops() {
                self.give_up_open();
                continue;
            }
            match message {
                FromCard::Begin(file) => (self.open, self.upto) = (self.begin(&file), 0),
                FromCard::Chunk(file, chunk, offset) => {
                    self.upto = offset + len64(chunk.bytes().len());
                    let open = self.open.as_ref();
                    let wanted = open.filter(|o| Arc::ptr_eq(&o.file, &file));
                    if wanted.is_some_and(|o| !self.write(o, &chunk, offset)) {
                        self.give_up_open();
                    }
                }
                FromCard::End(file) => {
                    let open = self.open.take();
                    self.end(open, &file);
                }
                FromCard::Small(files) => {
                    for (file, chunk) in files.iter() {
                        self.write_small(file, chunk);
                    }
                }
                FromCard::Abort(_) => {
                    if self.open.is_some() {
                        let written = &self.destination.meter().written;
                        written.given_up.add(self.upto);
                    }
                    self.give_up_open();
                }
            }
        }
        self.give_up_open();
    }

    fn write_small(&self, file: &Arc<InFlight>, chunk: &Chunk) {
        if self.destination.stops() {
            return;
        }
        let open = self.begin(file);
        let write = |o: &OpenPart| chunk.bytes().is_empty() || self.write(o, chunk, 0);
        match open {
            Some(open) if !write(&open) => self.give_up(open),
            open => self.end(open, file),
        }
    }

    fn begin(&self, file: &Arc<InFlight>) -> Option<OpenPart> {
        let destination = &self.destination;
        let job = destination.job(file);
        if job.work.get(destination.index) != Some(&Work::Copy) {
            return None;
        }
        let path = job.name.part_under(destination.tree());
        let large = job.bytes > destination.context.limits.small_bytes;
        match destination.context.disk.create_part(&path, large) {
            Ok(part) => Some(OpenPart {
                file: Arc::clone(file),
                part: Arc::from(part),
                path,
            }),
            // Stale parts were cleared, so this is a name that the drive takes for another's.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                let problem = Problem::new(ProblemKind::NameClash, SAME_NAME);
                destination.report_problem(file, problem.because(Cause::SameName));
                None
            }
            Err(e) if is_name_refused(&e) => {
                let detail = failed(Step::Create, &e);
                destination.file_problem(file, ProblemKind::NameNotStorable, detail);
                None
            }
            Err(e) => {
                destination.drop_out_on(Step::Create, file, &e);
                None
            }
        }
    }

    /// Writes one chunk. `false`: the file cannot go on; told already.
    fn write(&self, open: &OpenPart, chunk: &Chunk, offset: u64) -> bool {
        let destination = &self.destination;
        let result = destination.timed(&destination.meter().write_ns, || {
            open.part.write_chunk(chunk, offset)
        });
        if let Err(e) = result {
            if e.kind() == io::ErrorKind::FileTooLarge {
                // A limit of the file system, not a fault of the drive: it costs this file only.
                let problem = write_problem(Step::Write, &e);
                destination.file_problem(&open.file, problem.kind, problem.detail);
            } else {
                destination.drop_out_on(Step::Write, &open.file, &e);
            }
            return false;
        }
        let bytes = len64(chunk.bytes().len());
        destination.meter().written.add(bytes);
        let end = offset + bytes;
        let total = destination.job(&open.file).bytes;
        if self.has_stripes(total)
            && end < total
            && end.is_multiple_of(self.stripe(open.file.job, total, end))
        {
            drop(self.to_commit.send(Stripe::Upto(open.clone(), end)));
        }
        true
    }

    /// Whether a file is read back behind the writer instead of when it is complete.
    fn has_stripes(&self, bytes: u64) -> bool {
        bytes > self.destination.context.limits.stripe_bytes
    }

    /// Returns the stripe that ends are counted in. The end of the job's last file goes in small
    /// stripes, so that little is left to read back when the card is done.
    fn stripe(&self, job: usize, total: u64, end: u64) -> u64 {
        let context = &self.destination.context;
        let limits = &context.limits;
        let is_last = job + 1 == context.plan.jobs.len();
        if is_last && total - end < limits.stripe_bytes {
            limits.mark_bytes
        } else if self.destination.is_spinning() {
            limits.stripe_bytes_spinning
        } else {
            limits.stripe_bytes
        }
    }

    fn end(&self, open: Option<OpenPart>, file: &Arc<InFlight>) {
        let destination = &self.destination;
        let job = destination.job(file);
        match (open, job.work.get(destination.index)) {
            (Some(open), _) => {
                match open.part.finish(job.bytes, job.modified) {
                    Ok(true) => {}
                    Ok(false) => destination.send(Report::DateRefused(destination.index)),
                    Err(e) => {
                        destination.drop_out_on(Step::SetDate, file, &e);
                        return self.give_up(open);
                    }
                }
                if self.has_stripes(job.bytes) {
                    drop(self.to_commit.send(Stripe::Last(open)));
                } else {
                    drop(self.to_finish.send(ToFinish::Copy(open)));
                }
            }
            (None, Some(Work::Check)) => {
                drop(self.to_finish.send(ToFinish::Check(Arc::clone(file))));
            }
            (None, _) => {}
        }
    }

    fn give_up_open(&mut self) {
        if let Some(open) = self.open.take() {
            self.give_up(open);
        }
    }

    fn give_up(&self, open: OpenPart) {
        if self.has_stripes(self.destination.job(&open.file).bytes) {
            let (gone, is_gone) = bounded(1);
            if self.to_commit.send(Stripe::GivenUp(open, gone)).is_ok() {
                // Ends at the latest when the verifier does, which then drops its end.
                if is_gone.recv().is_err() {}
            }
        } else {
            self.destination.remove_part(&open.path);
        }
    }
}
