//! Owns reading an offload back at its place, all of it or a random part, and comparing it with its
//! manifest. It writes nothing there.

use super::error::PlaceFault;
use super::journal::{SendJournal, SendLine, SentFile};
use super::object::{Grade, PlaceObject};
use super::outcome::{PlaceChecked, SendFault, SendProblem};
use super::pace::RateLimit;
use super::placed::PlacedOffload;
use super::reading::{hash_at, still, unread};
use super::sample::{SampleShare, random_part, seed};
use super::store::Store;
use super::tries::{persist, several};
use crate::clock::{Clock, rfc3339};
use crate::digest::Digest;
use crate::disk::progress::Progress;
use crate::record::checksums::List;
use crate::record::layout::{MANIFEST, MANIFEST_HASH, RECORDS};
use crate::record::manifest::MANIFEST_BYTES_MAX;
use crate::units::len64;
use std::io;
use std::sync::atomic::Ordering;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// What is checked.
#[derive(Debug)]
pub struct CheckJob<'a> {
    /// Time.
    pub clock: &'a dyn Clock,
    /// The place.
    pub store: &'a Store,
    /// The place's address.
    pub place: &'a str,
    /// The offload there.
    pub placed: &'a PlacedOffload,
    /// How much of it; all where that is not said.
    pub sample: Option<SampleShare>,
    /// How fast.
    pub pace: RateLimit,
    /// This computer's name.
    pub host: &'a str,
}

/// A file at the place, and what it must hold.
struct Expected {
    path: String,
    bytes: u64,
    blake3: Digest,
}

/// Checks it; what was read back and is equal is remembered.
///
/// # Errors
/// Where nothing can be remembered on this computer.
pub fn check(
    job: &CheckJob<'_>,
    journal: SendJournal,
    progress: &Progress,
) -> io::Result<PlaceChecked> {
    let mut files = expected(job.placed);
    let all = len64(files.len());
    if let Some(share) = job.sample {
        let seed = seed(job.clock.now(), job.host);
        let part = random_part(files.len(), share.of(all), seed.as_bytes());
        let mut at = 0;
        files.retain(|_| {
            at += 1;
            part.binary_search(&(at - 1)).is_ok()
        });
    }
    let bytes = files.iter().map(|file| file.bytes).sum();
    progress.bytes_total.store(bytes, Ordering::Relaxed);
    let mut journal = journal;
    if journal.is_new() {
        let pause = || job.clock.sleep(Duration::from_millis(100));
        journal.add(
            &journal.beginning(job.place, (&job.placed.name, &job.placed.manifest)),
            pause,
        )?;
    }
    let checking = Checking {
        job,
        progress,
        state: Mutex::new(CheckState {
            done: PlaceChecked::default(),
            is_over: false,
            journal,
            lost: None,
        }),
    };
    checking.lists();
    let (stops, one) = (|| checking.stops(), |file: &Expected| checking.one(file));
    several("check", &files, &stops, &one);
    let state = checking.state.into_inner();
    let mut state = state.unwrap_or_else(PoisonError::into_inner);
    if let Some(lost) = state.lost {
        return Err(lost);
    }
    let done = &mut state.done;
    (done.all, done.chosen) = (all, len64(files.len()));
    done.retries = job.store.retries();
    done.interrupted = job.store.is_cancelled();
    done.problems.sort_by(|a, b| a.path.cmp(&b.path));
    // A list is held to the manifest and to the receipt.
    done.problems.dedup_by(|a, b| a.path == b.path);
    Ok(state.done)
}

/// All that is known of the offload: the card's files by the manifest, the records by the receipt.
fn expected(placed: &PlacedOffload) -> Vec<Expected> {
    let layout = placed.manifest.offload.layout;
    let of_card = placed.manifest.files.iter();
    let of_card = of_card.filter(|file| !file.is_elsewhere());
    let mut files: Vec<Expected> = of_card
        .map(|file| Expected {
            path: layout.outside(&file.path),
            bytes: file.bytes,
            blake3: file.blake3,
        })
        .collect();
    let receipted = placed.receipted();
    let records = placed.records.iter();
    files.extend(records.filter_map(|path| {
        let file = receipted.get(path.as_str())?;
        Some(Expected {
            path: path.clone(),
            bytes: file.object.bytes,
            blake3: file.blake3,
        })
    }));
    files.extend(placed.manifest.own_b3.map(|blake3| Expected {
        path: format!("{RECORDS}/{MANIFEST}"),
        bytes: len64(placed.manifest_bytes.len()),
        blake3,
    }));
    files
}

/// What reading a file back gave.
enum ReadBack {
    Equal(SentFile),
    /// It is equal, and this computer may have answered from its memory.
    FromMemory,
    Damaged(PlaceObject),
}

struct CheckState {
    done: PlaceChecked,
    /// The place is away or lets nobody in: all else would fail as well.
    is_over: bool,
    journal: SendJournal,
    /// Nothing can be remembered any more.
    lost: Option<io::Error>,
}

struct Checking<'a> {
    job: &'a CheckJob<'a>,
    progress: &'a Progress,
    state: Mutex<CheckState>,
}

impl Checking<'_> {
    fn lock(&self) -> std::sync::MutexGuard<'_, CheckState> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn stops(&self) -> bool {
        if self.job.store.is_cancelled() {
            return true;
        }
        let state = self.lock();
        state.is_over || state.lost.is_some()
    }

    /// Holds the manifest's hash and the checksum lists to what the manifest gives: one that the
    /// place has lost, or that was edited there, is in no list of what there is.
    fn lists(&self) {
        let placed = self.job.placed;
        let lists = List::all().map(|list| (list.file_name(), Some(list)));
        for (name, list) in [(MANIFEST_HASH, None)].into_iter().chain(lists) {
            if self.stops() {
                return;
            }
            let path = format!("{RECORDS}/{name}");
            let read = self
                .job
                .store
                .read_small(&placed.at(&path), MANIFEST_BYTES_MAX);
            let why = match (read, list) {
                // The hash was held to the manifest when that was read.
                (Ok(Some(_)), None) => continue,
                // The manifest is more than a receipt, which is the place's own word.
                (Ok(Some(bytes)), Some(_)) => {
                    let said = placed.by_manifest(&path);
                    if said.contains(&Digest::of(&bytes)) {
                        continue;
                    }
                    SendFault::Damaged
                }
                (Ok(None), Some(list)) if !placed.manifest.always_has(list) => continue,
                (Ok(None), _) => SendFault::Gone,
                (Err(e), _) if e.kind == PlaceFault::Interrupted => return,
                (Err(e), _) => SendFault::Place(e),
            };
            self.lock().done.problems.push(SendProblem { path, why });
        }
    }

    fn one(&self, file: &Expected) {
        let stops = || self.stops();
        let read = || self.read(file);
        let done = persist(self.job.clock, &stops, &file.path, read);
        let unread = self.unread(&file.path, done.as_ref().err());
        let mut state = self.lock();
        match done {
            Ok(ReadBack::Equal(known)) => {
                state.done.equal += 1;
                state.done.equal_bytes += known.object.bytes;
                self.note(&mut state, &SendLine::of(&file.path, &known));
            }
            Ok(ReadBack::FromMemory) => state.done.from_memory += 1,
            Ok(ReadBack::Damaged(object)) => {
                let path = file.path.clone();
                let why = SendFault::Damaged;
                state.done.problems.push(SendProblem {
                    path: path.clone(),
                    why,
                });
                self.note(&mut state, &SendLine::Bad { path, object });
            }
            Err(SendFault::Place(e)) if e.kind == PlaceFault::Interrupted => {}
            Err(why) => {
                let is_over = matches!(&why, SendFault::Place(e) if e.kind.ends_all());
                if let Some(object) = unread {
                    let path = file.path.clone();
                    self.note(&mut state, &SendLine::Unread { path, object });
                }
                // One word on it is enough.
                if is_over && std::mem::replace(&mut state.is_over, true) {
                    return;
                }
                let path = file.path.clone();
                state.done.problems.push(SendProblem { path, why });
            }
        }
    }

    /// What the place says of a file that it did not give; none where the place itself is away.
    fn unread(&self, path: &str, why: Option<&SendFault>) -> Option<PlaceObject> {
        let store = self.job.store;
        unread(store, &self.job.placed.at(path), why?)
    }

    fn note(&self, state: &mut CheckState, line: &SendLine) {
        let pause = || self.job.clock.sleep(Duration::from_millis(100));
        let added = state.journal.add(line, pause);
        state.lost = added.err().or(state.lost.take());
    }

    /// Reads a file back.
    fn read(&self, file: &Expected) -> Result<ReadBack, SendFault> {
        let job = self.job;
        let path = job.placed.at(&file.path);
        let Some(object) = job.store.look(&path).map_err(SendFault::Place)? else {
            return Err(SendFault::Gone);
        };
        if file.bytes != object.bytes {
            return Ok(ReadBack::Damaged(object));
        }
        let mut came = 0;
        let mut go_on = |n| {
            job.pace.wait(n, job.clock, job.store.cancel());
            came += n;
            self.progress.bytes.fetch_add(n, Ordering::Relaxed);
        };
        let read = hash_at(job.store, &path, object.bytes, &mut go_on);
        let (digest, is_read) = read.inspect_err(|_| {
            self.progress.bytes.fetch_sub(came, Ordering::Relaxed);
        })?;
        if digest != file.blake3 {
            return Ok(ReadBack::Damaged(object));
        }
        still(job.store, &path, &object)?;
        if !is_read {
            return Ok(ReadBack::FromMemory);
        }
        Ok(ReadBack::Equal(SentFile {
            blake3: digest,
            grade: Grade::Fetched,
            object,
            read: Some(rfc3339(job.clock.now())),
        }))
    }
}
