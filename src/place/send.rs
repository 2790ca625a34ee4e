//! Owns sending an offload: every file is hashed while it is sent and compared with the manifest
//! before it gets its name at the place, looked at there, and, where that is asked for, read back.
//! What was sent before is looked at and not sent again.

use super::error::{PlaceFault, StoreError};
use super::journal::{SendJournal, SendLine, SentFile};
use super::object::{Grade, PlaceObject};
use super::outcome::{SendFault, SendProblem, SendResult, is_mild};
use super::outgoing::{Cargo, Outgoing};
use super::pace::RateLimit;
use super::reading::{hash_at, still};
use super::receipt::{Receipt, ReceiptFile};
use super::store::Store;
use super::tries::{persist, several};
use super::upload::{FirstLook, Upload, part_path, put_small};
use crate::clock::{Clock, rfc3339};
use crate::digest::Digest;
use crate::disk::Disk;
use crate::disk::buffer::Aligned;
use crate::disk::progress::Progress;
use crate::record::manifest::{MANIFEST_BYTES_MAX, Manifest};
use crate::units::{len_usize, len64};
use camino::Utf8Path;
use std::sync::atomic::Ordering;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// One read from the drive, in bytes.
const READ_BYTES: usize = 1 << 20;
/// Receipts of one second, at most.
const RECEIPTS_A_SECOND: u32 = 10;

/// What is sent where.
#[derive(Debug)]
pub struct SendJob<'a> {
    /// The drive's side.
    pub disk: &'a dyn Disk,
    /// Time.
    pub clock: &'a dyn Clock,
    /// The offload on the drive.
    pub root: &'a Utf8Path,
    /// Its manifest, which is good.
    pub manifest: &'a Manifest,
    /// What its folder at the place is called.
    pub name: &'a str,
    /// All that is sent of it.
    pub cargo: &'a Cargo,
    /// The place.
    pub store: &'a Store,
    /// How sure it is to be.
    pub proof: Grade,
    /// How fast.
    pub pace: RateLimit,
    /// Until when there is time to read back; what is not read by then is `sent`.
    pub read_back_until: Option<Duration>,
    /// Its address.
    pub place: &'a str,
    /// This computer's name.
    pub host: &'a str,
}

/// Sends it.
///
/// # Errors
/// Where nothing can be remembered on this computer: then nothing more is sent.
pub fn send(
    job: &SendJob<'_>,
    journal: SendJournal,
    progress: &Progress,
) -> Result<SendResult, std::io::Error> {
    progress
        .bytes_total
        .store(job.cargo.bytes(), Ordering::Relaxed);
    let mut journal = journal;
    let begun = rfc3339(job.clock.now());
    if journal.is_new() {
        let pause = || job.clock.sleep(Duration::from_millis(100));
        journal.add(
            &journal.beginning(job.place, (job.name, job.manifest)),
            pause,
        )?;
    }
    let sending = Sending {
        job,
        progress,
        mark: journal.mark.clone(),
        state: Mutex::new(SendState {
            journal,
            sent: SendResult::default(),
            lost: None,
            is_away: false,
        }),
    };
    let is_other = sending.is_other();
    if let Some(why) = is_other.unwrap_or_else(|e| Some(SendFault::Place(e))) {
        sending.fail(&job.cargo.manifest.path, why);
        // What came beside it would be nobody's.
        return sending.end(&begun);
    }
    for folder in &job.cargo.folders {
        if sending.stops() {
            break;
        }
        let path = sending.at(folder);
        let made = match job.store.leads_away(&path) {
            Ok(true) => Err(SendFault::Link),
            Ok(false) => job.store.make_folder(&path).map_err(SendFault::Place),
            Err(e) => Err(SendFault::Place(e)),
        };
        if let Err(why) = made {
            sending.fail(folder, why);
        }
    }
    sending.all(&job.cargo.files);
    let is_good = !sending.stops() && sending.lock().sent.problems.iter().all(is_mild);
    if is_good {
        sending.one(&job.cargo.manifest);
        let is_there = sending.knows(&job.cargo.manifest.path).is_some();
        sending.lock().sent.is_whole = is_there;
        if is_there && !sending.stops() {
            sending.receipt();
        }
    }
    sending.end(&begun)
}

struct SendState {
    journal: SendJournal,
    sent: SendResult,
    /// Nothing can be remembered any more.
    lost: Option<std::io::Error>,
    /// The place is away or lets nobody in: all else would fail as well.
    is_away: bool,
}

struct Sending<'a> {
    job: &'a SendJob<'a>,
    progress: &'a Progress,
    mark: String,
    state: Mutex<SendState>,
}

impl Sending<'_> {
    fn lock(&self) -> std::sync::MutexGuard<'_, SendState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stops(&self) -> bool {
        if self.job.store.is_cancelled() {
            return true;
        }
        let state = self.lock();
        state.lost.is_some() || state.is_away
    }

    fn at(&self, path: &str) -> String {
        format!("{}/{path}", self.job.name)
    }

    /// Returns what came of it.
    fn end(self, begun: &str) -> Result<SendResult, std::io::Error> {
        let state = self.state.into_inner();
        let mut state = state.unwrap_or_else(PoisonError::into_inner);
        if let Some(lost) = state.lost {
            return Err(lost);
        }
        let since = state.sent.fetched_since.take();
        state.sent.fetched_since = since.filter(|since| since.as_str() < begun);
        state.sent.retries = self.job.store.retries();
        state.sent.interrupted = self.job.store.is_cancelled();
        state.sent.problems.sort_by(|a, b| a.path.cmp(&b.path));
        Ok(state.sent)
    }

    /// Looks whether the manifest of another offload, or of this one as it was once, has its place.
    fn is_other(&self) -> Result<Option<SendFault>, StoreError> {
        let own = &self.job.cargo.manifest.path;
        if self.knows(own).is_some() {
            return Ok(None);
        }
        let there = self
            .job
            .store
            .read_small(&self.at(own), MANIFEST_BYTES_MAX)?;
        let is_own = |bytes: &Vec<u8>| Some(Digest::of(bytes)) == self.job.manifest.own_b3;
        Ok(there
            .filter(|bytes| !is_own(bytes))
            .map(|_| SendFault::Earlier))
    }

    fn knows(&self, path: &str) -> Option<SentFile> {
        self.lock().journal.known.get(path).cloned()
    }

    fn fail(&self, path: &str, why: SendFault) {
        if let SendFault::Place(e) = &why
            && e.kind == PlaceFault::Interrupted
        {
            return;
        }
        if let SendFault::Place(e) = &why
            && e.kind.ends_all()
        {
            let mut state = self.lock();
            // One word on it is enough.
            if std::mem::replace(&mut state.is_away, true) {
                return;
            }
        }
        let path = path.to_owned();
        self.lock().sent.problems.push(SendProblem { path, why });
    }

    fn note(&self, line: &SendLine) {
        let mut state = self.lock();
        let pause = || self.job.clock.sleep(Duration::from_millis(100));
        if let Err(e) = state.journal.add(line, pause) {
            state.lost = Some(e);
        }
    }

    /// Sends files, several at the same time.
    fn all(&self, files: &[Outgoing]) {
        several("send", files, &|| self.stops(), &|file| self.one(file));
    }

    fn one(&self, file: &Outgoing) {
        match self.bring(file) {
            Ok(known) => {
                let mut state = self.lock();
                state.sent.there += 1;
                if known.grade == Grade::Fetched {
                    state.sent.fetched += 1;
                    let read = known.read.unwrap_or_default();
                    let since = state.sent.fetched_since.take();
                    state.sent.fetched_since = Some(since.map_or(read.clone(), |s| s.min(read)));
                }
            }
            Err(why) => self.fail(&file.path, why),
        }
    }

    /// Sees to it that a file is at the place, and as sure as it is to be.
    fn bring(&self, file: &Outgoing) -> Result<SentFile, SendFault> {
        let leads_away = self.job.store.leads_away(&self.at(&file.path));
        if leads_away.map_err(SendFault::Place)? {
            return Err(SendFault::Link);
        }
        let known = if let Some(known) = self.before(file)? {
            self.progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
            self.lock().sent.before += 1;
            known
        } else {
            let stops = || self.stops();
            persist(self.job.clock, &stops, &file.path, || self.try_once(file))?
        };
        if self.job.proof == Grade::Sent || known.grade == Grade::Fetched {
            return Ok(known);
        }
        match self.prove(file, &known) {
            Ok(known) => Ok(known),
            Err(why @ (SendFault::Memory | SendFault::NoTime)) => {
                self.fail(&file.path, why);
                Ok(known)
            }
            Err(why) => Err(why),
        }
    }

    /// What an earlier command sent, if the place says the same of it as then.
    fn before(&self, file: &Outgoing) -> Result<Option<SentFile>, SendFault> {
        let Some(known) = self.knows(&file.path) else {
            return Ok(None);
        };
        let is_same = file.blake3.is_none_or(|blake3| blake3 == known.blake3);
        if !is_same || known.object.bytes != file.bytes {
            return Ok(None);
        }
        let now = self
            .job
            .store
            .look(&self.at(&file.path))
            .map_err(SendFault::Place)?;
        match now {
            Some(now) if now == known.object => Ok(Some(known)),
            // It may be the same all the same: that is looked at as for a file that nobody knows.
            Some(_) => Ok(None),
            None => {
                self.lock().sent.gone += 1;
                Ok(None)
            }
        }
    }

    fn try_once(&self, file: &Outgoing) -> Result<SentFile, SendFault> {
        let path = self.at(&file.path);
        if let Some(object) = self.job.store.look(&path).map_err(SendFault::Place)? {
            return self.compare(file, &path, object);
        }
        let from = self.compared_part(file, &path)?;
        let known = match self.upload(file, &path, from) {
            // Somebody else was faster, or an answer got lost on its way here.
            Err(SendFault::Place(e)) if e.kind == PlaceFault::Taken => {
                let object = self.job.store.look(&path).map_err(SendFault::Place)?;
                let object = object.ok_or(SendFault::Place(e))?;
                return self.compare(file, &path, object);
            }
            other => other?,
        };
        self.note_known(file, &known);
        let mut state = self.lock();
        state.sent.sent += 1;
        state.sent.sent_bytes += file.bytes;
        Ok(known)
    }

    fn note_known(&self, file: &Outgoing, known: &SentFile) {
        self.note(&SendLine::of(&file.path, known));
    }

    /// Compares what is there under the file's name with the drive.
    fn compare(
        &self,
        file: &Outgoing,
        path: &str,
        object: PlaceObject,
    ) -> Result<SentFile, SendFault> {
        if object.bytes != file.bytes {
            return Err(SendFault::Other);
        }
        let ours = match file.blake3 {
            Some(blake3) => blake3,
            None => self.hash_here(file)?,
        };
        let (theirs, is_read) = self.fetch_hash(path, file.bytes, None)?;
        if theirs != ours {
            return Err(SendFault::Other);
        }
        still(self.job.store, path, &object)?;
        let grade = if is_read { Grade::Fetched } else { Grade::Sent };
        let known = SentFile {
            blake3: ours,
            grade,
            object,
            read: is_read.then(|| rfc3339(self.job.clock.now())),
        };
        self.note_known(file, &known);
        self.lock().sent.before += 1;
        self.progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
        Ok(known)
    }

    /// Reads a sent file back and compares it.
    fn prove(&self, file: &Outgoing, known: &SentFile) -> Result<SentFile, SendFault> {
        let until = self.job.read_back_until;
        if until.is_some_and(|until| self.job.clock.elapsed() >= until) {
            return Err(SendFault::NoTime);
        }
        let path = self.at(&file.path);
        self.progress
            .bytes_total
            .fetch_add(file.bytes, Ordering::Relaxed);
        let (theirs, is_read) = self.fetch_hash(&path, file.bytes, Some(self.progress))?;
        if theirs != known.blake3 {
            self.note(&SendLine::Bad {
                path: file.path.clone(),
                object: known.object.clone(),
            });
            return Err(SendFault::Damaged);
        }
        if !is_read {
            return Err(SendFault::Memory);
        }
        still(self.job.store, &path, &known.object)?;
        let known = SentFile {
            grade: Grade::Fetched,
            read: Some(rfc3339(self.job.clock.now())),
            ..known.clone()
        };
        self.note_known(file, &known);
        Ok(known)
    }

    /// Returns the hash of so many bytes at the place, and whether they came from there.
    fn fetch_hash(
        &self,
        path: &str,
        bytes: u64,
        progress: Option<&Progress>,
    ) -> Result<(Digest, bool), SendFault> {
        let mut go_on = |n| {
            let job = self.job;
            job.pace.wait(n, job.clock, job.store.cancel());
            if let Some(progress) = progress {
                progress.bytes.fetch_add(n, Ordering::Relaxed);
            }
        };
        hash_at(self.job.store, path, bytes, &mut go_on)
    }

    /// Reads the drive's file, in order, and shows it; fails where it is not as long as it should
    /// be.
    fn read_here(
        &self,
        file: &Outgoing,
        take: &mut dyn FnMut(&[u8]) -> Result<(), SendFault>,
    ) -> Result<(), SendFault> {
        let unread = |e: std::io::Error| SendFault::Unread(e.to_string());
        let path = self.job.root.join(&file.path);
        let mut source = self.job.disk.open_read_back(&path).map_err(unread)?;
        let mut buffer = Aligned::new(READ_BYTES);
        let mut done = 0;
        loop {
            if self.stops() {
                return Err(SendFault::Place(StoreError::interrupted("send it")));
            }
            let n = source.read_at(buffer.all_mut(), done).map_err(unread)?;
            if n == 0 {
                break;
            }
            done += len64(n);
            if done > file.bytes {
                return Err(SendFault::Rotten);
            }
            take(buffer.first(n))?;
        }
        if done == file.bytes {
            Ok(())
        } else {
            Err(SendFault::Rotten)
        }
    }

    fn hash_here(&self, file: &Outgoing) -> Result<Digest, SendFault> {
        let mut hasher = blake3::Hasher::new();
        self.read_here(file, &mut |piece| {
            hasher.update(piece);
            Ok(())
        })?;
        Ok(hasher.finalize().into())
    }

    /// Returns how much of a file is in a part file at the place, and equals the drive's.
    fn compared_part(&self, file: &Outgoing, path: &str) -> Result<u64, SendFault> {
        let store = self.job.store;
        let begun = Upload::begun(store, path, &self.mark).map_err(SendFault::Place)?;
        if begun == 0 || begun > file.bytes {
            return Ok(0);
        }
        let part = part_path(path, &self.mark);
        let (theirs, _) = self.fetch_hash(&part, begun, None)?;
        let mut hasher = blake3::Hasher::new();
        let mut rest = len_usize(begun);
        self.read_here(file, &mut |piece| {
            let n = piece.len().min(rest);
            hasher.update(piece.get(..n).unwrap_or(piece));
            rest -= n;
            Ok(())
        })?;
        let is_same = theirs == Digest::from(hasher.finalize());
        Ok(if is_same { begun } else { 0 })
    }

    /// Sends a file, from so many bytes on, and gives it its name if all of it is what the manifest
    /// says.
    fn upload(&self, file: &Outgoing, path: &str, from: u64) -> Result<SentFile, SendFault> {
        let sizes = (from, file.bytes);
        let upload = Upload::begin(self.job.store, path, &self.mark, sizes);
        let mut upload = upload.map_err(SendFault::Place)?;
        let mut hasher = blake3::Hasher::new();
        let (mut at, mut added) = (0_u64, from);
        let read = self.read_here(file, &mut |piece| {
            hasher.update(piece);
            let before = len_usize(from.saturating_sub(at)).min(piece.len());
            at += len64(piece.len());
            let rest = piece.get(before..).unwrap_or_default();
            if rest.is_empty() {
                return Ok(());
            }
            let n = len64(rest.len());
            self.job
                .pace
                .wait(n, self.job.clock, self.job.store.cancel());
            upload.write(rest).map_err(SendFault::Place)?;
            self.progress.bytes.fetch_add(n, Ordering::Relaxed);
            added += n;
            Ok(())
        });
        self.progress.bytes.fetch_add(from, Ordering::Relaxed);
        let blake3 = Digest::from(hasher.finalize());
        let is_right = file.blake3.is_none_or(|expected| expected == blake3);
        let read = read.and(if is_right {
            Ok(())
        } else {
            Err(SendFault::Rotten)
        });
        if let Err(why) = read {
            upload.abort();
            self.progress.bytes.fetch_sub(added, Ordering::Relaxed);
            return Err(why);
        }
        let object = upload.finish(FirstLook::Always).map_err(|e| {
            self.progress.bytes.fetch_sub(added, Ordering::Relaxed);
            SendFault::Place(e)
        })?;
        Ok(SentFile {
            blake3,
            grade: Grade::Sent,
            object,
            read: None,
        })
    }

    /// Puts a receipt there, where the last one does not say it already.
    fn receipt(&self) {
        let job = self.job;
        let all = job.cargo.files.iter().chain([&job.cargo.manifest]);
        let mut files: Vec<ReceiptFile> = all
            .filter_map(|file| {
                let known = self.knows(&file.path)?;
                Some(ReceiptFile {
                    path: file.path.clone(),
                    blake3: known.blake3,
                    grade: known.grade,
                    object: known.object,
                    read: known.read,
                })
            })
            .collect();
        files.sort_by(|a, b| a.path.cmp(&b.path));
        let Some(manifest_b3) = job.manifest.own_b3 else {
            return;
        };
        let made = rfc3339(job.clock.now());
        let about = (job.name, manifest_b3);
        let receipt = Receipt::new(about, (made, job.host), files);
        if self.lock().journal.receipt == Some(receipt.grade) {
            return;
        }
        match self.put_receipt(&receipt) {
            Ok(name) => {
                let grade = receipt.grade;
                self.note(&SendLine::Receipt {
                    name: name.clone(),
                    grade,
                });
                self.lock().sent.receipt = Some(name);
            }
            Err(e) => self.fail(&receipt.path(0), SendFault::Place(e)),
        }
    }

    /// Puts it under the first name of its second that is free, and returns that.
    fn put_receipt(&self, receipt: &Receipt) -> Result<String, StoreError> {
        const STEP: &str = "put the receipt there";
        let bytes = receipt.to_bytes();
        let bytes = bytes.map_err(|e| StoreError::new(STEP, PlaceFault::Other, &e.to_string()))?;
        for number in 0..RECEIPTS_A_SECOND {
            let name = receipt.path(number);
            let path = self.at(&name);
            if self.job.store.look(&path)?.is_some() {
                continue;
            }
            let what = (bytes.as_slice(), FirstLook::Always);
            match put_small(self.job.store, &path, &self.mark, what) {
                Ok(_) => return Ok(name),
                // Another computer sends the same.
                Err(e) if e.kind == PlaceFault::Taken => {}
                Err(e) => return Err(e),
            }
        }
        let why = "there are receipts of this second already";
        Err(StoreError::new(STEP, PlaceFault::Taken, why))
    }
}
