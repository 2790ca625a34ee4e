//! Owns the final names of a destination: files that were proven get them in batches, which share a
//! flush of folders and journal.

use super::context::DestinationContext;
use super::message::Publishable;
use crate::disk::{Journal, Settling, Sight, write_problem};
use crate::error::{Problem, ProblemKind, Step};
use crate::offload::message::{Proven, Report};
use crate::record::journal::{JOURNAL, JournalLine, JournalNaming};
use crate::record::layout::RECORDS;
use crate::units::float;
use camino::Utf8Path;
use crossbeam_channel::Receiver;
use std::collections::BTreeSet;
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Files in one batch at most; as many may wait.
pub(super) const BATCH_MAX: usize = 512;
/// So long the publisher waits for more files, so that they share a flush of folder and journal.
const GATHERS: Duration = Duration::from_millis(50);

/// The last thread of a destination.
pub(super) struct Publisher {
    destination: Arc<DestinationContext>,
    /// Opened with the first line.
    journal: Option<Box<dyn Journal>>,
}

/// Why a file did not get its name.
enum NotNamed {
    /// Another file has it.
    Taken,
    /// The drive failed at a step, and is dropped.
    Failed(Step, io::Error),
}

impl Publisher {
    pub(super) fn new(destination: &Arc<DestinationContext>) -> Self {
        Self {
            destination: Arc::clone(destination),
            journal: None,
        }
    }

    /// Publishes files until finishers and verifier have ended.
    pub(super) fn run(mut self, publishable: &Receiver<Publishable>) {
        while let Ok(first) = publishable.recv() {
            let batch = self.gather(first, publishable);
            if self.destination.is_out() || !self.destination.is_in_place() {
                batch
                    .into_iter()
                    .filter_map(|file| file.part)
                    .for_each(|part| self.destination.remove_part(&part));
                continue;
            }
            self.publish(batch);
        }
    }

    /// Collects what is ready within a moment; at the end of the job, when nothing more can come,
    /// at once.
    fn gather(&self, first: Publishable, more: &Receiver<Publishable>) -> Vec<Publishable> {
        let clock = &self.destination.context.clock;
        let mut batch = vec![first];
        let start = clock.elapsed();
        while batch.len() < BATCH_MAX && !self.destination.stops() {
            let gone = clock.elapsed().saturating_sub(start);
            match more.recv_timeout(GATHERS.saturating_sub(gone)) {
                Ok(file) => batch.push(file),
                Err(_) => break,
            }
        }
        batch
    }

    fn publish(&mut self, batch: Vec<Publishable>) {
        let destination = Arc::clone(&self.destination);
        if let Err(e) = self.journal_names(&batch) {
            return destination.drop_out(write_problem(Step::Journal, &e));
        }
        let (mut named, mut sights) = (Vec::new(), Vec::new());
        let (mut folders, mut paths) = (BTreeSet::new(), Vec::new());
        let tree = destination.tree();
        for file in batch {
            let name = &destination.job(&file.file).name;
            let path = name.under(tree);
            match self.name(&file, &path) {
                Ok(sight) => sights.push(sight),
                Err(NotNamed::Taken) => continue,
                Err(NotNamed::Failed(step, e)) => {
                    return destination.drop_out_on(step, &file.file, &e);
                }
            }
            let parent = name.parent();
            folders.insert(parent.map_or_else(|| tree.to_path_buf(), |p| tree.join(p)));
            paths.push(path);
            named.push(file);
        }
        let settled = destination.timed(&destination.meter().flush_ns, || {
            destination.context.disk.settle(&folders, &paths)
        });
        if let Err(e) = settled {
            let first = named.first();
            let first = first.map(|f| destination.job(&f.file).name.as_str());
            let problem = write_problem(Step::FlushFolder, &e);
            return destination.drop_out(first.into_iter().fold(problem, Problem::at));
        }
        if let Err(e) = self.journal_files(&named) {
            return destination.drop_out(write_problem(Step::Journal, &e));
        }
        for (file, sight) in named.into_iter().zip(sights) {
            self.report(file, sight);
        }
    }

    /// Gives a file its final name, and returns what it looks like under it. `None`: it is no
    /// longer what it was when it was read back; then the last walk has to read it again.
    fn name(&self, file: &Publishable, path: &Utf8Path) -> Result<Option<Sight>, NotNamed> {
        let destination = &self.destination;
        let failed = |step| move |e| NotNamed::Failed(step, e);
        let Some(part) = &file.part else {
            return self.sight_at(path, file, false).map_err(failed(Step::Look));
        };
        let before = self.sight_at(part, file, false);
        let before = before.map_err(failed(Step::Look))?;
        match destination.context.disk.rename_new(part, path) {
            Ok(()) => {}
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {
                let detail =
                    "its place was taken by another file meanwhile; that file was not touched";
                destination.file_problem(&file.file, ProblemKind::NameClash, detail.to_owned());
                destination.remove_part(part);
                return Err(NotNamed::Taken);
            }
            Err(e) => return Err(NotNamed::Failed(Step::Publish, e)),
        }
        // At once: what is written to it from here on shows later.
        let after = self.sight_at(path, file, true);
        let after = after.map_err(failed(Step::Look))?;
        Ok(before.and(after))
    }

    /// Looks at a file that was read back. `None`: it is no longer what it was then.
    fn sight_at(
        &self,
        path: &Utf8Path,
        file: &Publishable,
        was_renamed: bool,
    ) -> io::Result<Option<Sight>> {
        let filesystem = &self.destination.planned().facts.filesystem;
        let stands = self.destination.context.disk.look(path)?;
        let (Some(stands), Some(mut seen)) = (stands, file.seen) else {
            return Ok(None);
        };
        if was_renamed {
            // That has changed the entry, so the date of it can't be compared.
            seen.changed = stands.changed;
        }
        let sight = Sight::of(&stands, filesystem);
        Ok((Sight::of(&seen, filesystem) == sight).then_some(sight))
    }

    fn report(&self, file: Publishable, sight: Option<Sight>) {
        self.destination.meter().files.add(1);
        self.destination.send(Report::Proven(Proven {
            destination: self.destination.index,
            job: file.file.job,
            digest: file.digest,
            also: file.also,
            level: file.level,
            way: file.way,
            sight,
            readback_s: file.time.as_secs_f64(),
            read_s: float(file.file.read_ns.load(Ordering::Relaxed)) / 1e9,
            only_zeros: file.file.only_zeros.load(Ordering::Relaxed),
        }));
    }

    fn journal_files(&mut self, files: &[Publishable]) -> io::Result<()> {
        let mut lines = Vec::new();
        for file in files.iter().filter(|f| f.way.reaches_device()) {
            let job = self.destination.job(&file.file);
            JournalLine {
                path: job.name.as_str().to_owned(),
                bytes: job.bytes,
                modified: job.modified.rfc3339(),
                blake3: file.digest,
                also: file.also.clone(),
                way: file.way,
                read_s: float(file.file.read_ns.load(Ordering::Relaxed)) / 1e9,
                readback_s: file.time.as_secs_f64(),
                only_zeros: file.file.only_zeros.load(Ordering::Relaxed) && job.bytes > 0,
            }
            .write_to(&mut lines)?;
        }
        self.append(&lines)
    }

    /// Says which files are about to get their names, where a pull before they are durable can
    /// leave them empty.
    fn journal_names(&mut self, batch: &[Publishable]) -> io::Result<()> {
        let destination = &self.destination;
        let new = batch.iter().filter(|f| f.part.is_some());
        let jobs = new.map(|f| destination.job(&f.file));
        let jobs = jobs.filter(|job| job.bytes > 0);
        let naming: Vec<String> = jobs.map(|job| job.name.as_str().to_owned()).collect();
        let disk = &destination.context.disk;
        if naming.is_empty() || disk.settling(destination.tree())? == Settling::Folders {
            return Ok(());
        }
        let mut line = Vec::new();
        JournalNaming { naming }.write_to(&mut line)?;
        self.append(&line)
    }

    fn append(&mut self, lines: &[u8]) -> io::Result<()> {
        if lines.is_empty() {
            return Ok(());
        }
        let journal = match &mut self.journal {
            Some(journal) => journal,
            none => {
                let path = self.destination.planned().root.join(RECORDS).join(JOURNAL);
                none.insert(self.destination.context.disk.open_journal(&path)?)
            }
        };
        journal.append(lines)
    }
}
