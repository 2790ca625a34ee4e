//! Owns the comparison of a card with folders that have no manifest, which somebody filled by
//! hand: both are read, the folder from its drive. It writes nothing, and what it finds is for one
//! answer.

use super::card_seen::CardSeen;
use super::matching::{BEGINNING_BYTES, CardContent, FolderFile, FolderFiles, ReadState};
use super::offloads::{Search, not_seen};
use super::passed::{CardEntries, is_passed_over};
use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::buffer::Aligned;
use crate::disk::hash_file::hash_whole;
use crate::disk::progress::Progress;
use crate::disk::{Anchor, Disk, FolderFacts, Sights, Source, TreeKind, settle_all};
use crate::error::{ProblemKind, Step, failed};
use crate::name::{shown, some_of};
use crate::proof::coverage::{ComparedFolder, InFolder, ReadFiles, Unusable};
use crate::record::manifest::device_words;
use crate::units::{counted, len_usize, len64};
use camino::{Utf8Path, Utf8PathBuf};
use rayon::prelude::*;
use std::collections::{BTreeMap, HashSet};
use std::io;
use std::sync::atomic::Ordering;

/// Entries that a note names.
const NAMED: usize = 3;

/// Why nothing counts on what looks like another card.
const LIKE_A_CARD: &str = "it is on a volume with folders in its root that only cameras make: that \
    looks like another card, which is formatted one day. On a drive, move these into a folder of \
    their own, name that with --on, and ask again";
/// Why what shows the card is none.
const IS_THE_CARD: &str = "its files are the card's own, seen a second time: they have their \
    sizes, their dates and the moments of their last change";

/// A folder without a manifest.
pub(super) struct PlainFolder {
    pub(super) given: Utf8PathBuf,
    pub(super) facts: FolderFacts,
    held: Option<Anchor>,
    sights: Sights,
    files: FolderFiles,
    pub(super) unusable: Option<Unusable>,
}

impl PlainFolder {
    /// Looks at every name in a folder, and holds it until all is read.
    pub(super) fn look(search: &Search<'_>, given: &Utf8Path, listing: &Listing) -> Self {
        let mut folder = Self {
            given: given.to_path_buf(),
            facts: search.card.clone(),
            held: None,
            sights: Sights::default(),
            files: FolderFiles::default(),
            unusable: None,
        };
        folder.unusable = folder.list(search, listing).err();
        folder
    }

    fn list(&mut self, search: &Search<'_>, listing: &Listing) -> Result<(), Unusable> {
        let (disk, given) = (search.disk, self.given.clone());
        let unseen = |step: Step| move |e: io::Error| not_seen("it", step, &e);
        self.facts = disk.facts(&given).map_err(unseen(Step::Look))?;
        let facts = &self.facts;
        if let Some(why) = facts.goes_with(search.card) {
            let why = format!("it {why}");
            return Err(Unusable::new(ProblemKind::SameDevice, why));
        }
        if Utf8Path::new(&facts.canonical)
            .components()
            .any(|part| is_passed_over(part.as_str()))
        {
            return Err(Unusable::new(
                ProblemKind::Missing,
                "it is in a Trash folder, or where a system keeps what is its own",
            ));
        }
        if facts.is_camera_volume {
            return Err(Unusable::new(ProblemKind::SameDevice, LIKE_A_CARD));
        }
        let held = disk.anchor(&given, facts).map_err(unseen(Step::Look))?;
        let found = disk.walk(&given, TreeKind::Card);
        let found = found.map_err(unseen(Step::List))?;
        // Somebody may have put the files there just now.
        let canonical = Utf8Path::new(&facts.canonical);
        settle_all(disk, canonical, facts).map_err(unseen(Step::Flush))?;
        self.sights = Sights::of(&found, &facts.filesystem);
        let seen = CardEntries::seen_from(facts, search.card, disk);
        let seen = seen.map_err(|e| not_seen("the card", Step::List, &e))?;
        self.files = FolderFiles::of(found, facts, (search.card, &seen), listing);
        self.held = Some(held);
        if !self.files.of_card.is_empty() && !self.files.could_be(listing) {
            return Err(Unusable::new(ProblemKind::SameDevice, IS_THE_CARD));
        }
        Ok(())
    }

    /// Whether it can be read, and some file in it could be one of the card's.
    pub(super) fn is_worth_reading(&self, listing: &Listing) -> bool {
        self.unusable.is_none() && self.files.could_be(listing)
    }

    /// Reads what is most likely one of the card's files.
    fn read_likely(&mut self, disk: &dyn Disk, listing: &Listing, progress: &Progress) {
        let likely = self.files.likely(listing);
        let files = likely.iter().filter_map(|at| self.files.files.get(*at));
        let bytes = files.map(|file| file.bytes).sum();
        progress.bytes_total.fetch_add(bytes, Ordering::Relaxed);
        let reading = FolderReading {
            disk,
            root: &self.given,
            progress,
        };
        let files = &self.files.files;
        let read = |at: &usize| {
            let file = files.get(*at);
            let state = file.map(|file| reading.read(file, &HashSet::new()));
            (*at, state.unwrap_or(ReadState::Unread))
        };
        let threads = crate::verify::threads_for(&self.facts);
        let states: Vec<(usize, ReadState)> =
            match rayon::ThreadPoolBuilder::new().num_threads(threads).build() {
                // One after the other per thread keeps a drive's reads near each other.
                Ok(pool) => pool.install(|| likely.par_iter().with_max_len(1).map(read).collect()),
                Err(_) => likely.iter().map(read).collect(),
            };
        for (at, state) in states {
            self.files.note(at, state);
        }
    }

    /// Compares it with what the card gave, and reads for that what could be what is missing.
    pub(super) fn compare(
        &mut self,
        disk: &dyn Disk,
        card: &[CardContent<'_>],
        progress: &Progress,
    ) -> ComparedFolder {
        let reading = FolderReading {
            disk,
            root: &self.given,
            progress,
        };
        let mut read = |file: &FolderFile, wanted: &HashSet<Digest>| {
            progress
                .bytes_total
                .fetch_add(file.bytes, Ordering::Relaxed);
            reading.read(file, wanted)
        };
        if self.unusable.is_none() {
            self.files.find(card, &mut read);
        }
        ComparedFolder {
            root: self.given.to_string(),
            backing: self.facts.backing.clone(),
            device: self.facts.device,
            filesystem: self.facts.filesystem.clone(),
            room: (self.facts.total_bytes, self.facts.free_bytes),
            files: self.files.found(card),
            unusable: self.unusable.clone(),
            stopped: progress.cancel.load(Ordering::Relaxed),
        }
    }

    /// Looks at it once more when all was read: meanwhile its drive may have been taken away, or
    /// somebody may have written to it. Of what was touched nothing is said.
    pub(super) fn look_again(&self, disk: &dyn Disk, compared: &mut ComparedFolder) {
        if compared.unusable.is_some() {
            return;
        }
        let place = |f: &FolderFacts| (f.device, f.inode, f.volume_id.clone());
        let found = match disk.facts(&self.given) {
            Ok(facts) if place(&facts) == place(&self.facts) => {
                let found = disk.walk(&self.given, TreeKind::Card);
                found.map_err(|e| not_seen("it", Step::List, &e))
            }
            Ok(_) => Err(Unusable::new(
                ProblemKind::Vanished,
                "another drive is in its place by now",
            )),
            Err(e) => Err(not_seen("it", Step::Look, &e)),
        };
        match found {
            Ok(found) => {
                let now = Sights::of(&found, &self.facts.filesystem);
                let touched = self.sights.not_in(&now);
                for there in compared.files.values_mut() {
                    if matches!(there, InFolder::Equal { at, .. } if touched.contains(at)) {
                        *there = InFolder::Meanwhile;
                    }
                }
                // What one file stood for goes with it.
                let is_gone =
                    |path: &String| matches!(compared.files.get(path), Some(InFolder::Meanwhile));
                let shared = compared.files.iter();
                let shared = shared.filter(
                    |(_, there)| matches!(there, InFolder::Shared(other) if is_gone(other)),
                );
                let shared: Vec<String> = shared.map(|(path, _)| path.clone()).collect();
                let meanwhile = shared.into_iter().map(|path| (path, InFolder::Meanwhile));
                compared.files.extend(meanwhile);
            }
            Err(why) => compared.unusable = Some(why),
        }
    }

    /// Returns what of it was not compared.
    pub(super) fn notes(&self) -> Vec<String> {
        let folder = shown(self.given.as_str());
        let files = &self.files;
        let mut notes = Vec::new();
        let mut note = |paths: Vec<&String>, what_kind: &str, what: &str| {
            let mut paths: Vec<&str> = paths.into_iter().map(String::as_str).collect();
            paths.sort_unstable();
            if !paths.is_empty() {
                let names = some_of(paths.iter().copied(), NAMED, len64(paths.len()), what_kind);
                notes.push(format!("In `{folder}` {names} {what}."));
            }
        };
        note(
            files.unseen.keys().collect(),
            "folder",
            "could not be looked at",
        );
        note(
            files.mounted.iter().collect(),
            "folder",
            "was not looked into: another volume is mounted there",
        );
        if self.unusable.is_none() {
            note(
                files.of_card.iter().collect(),
                "file",
                "is the card's own, seen a second time: not counted",
            );
        }
        note(
            files.in_trash.iter().collect(),
            "file",
            "is in a Trash, or where a system keeps what is its own: not counted",
        );
        if files.not_text > 0 {
            let n = counted(files.not_text, "entry");
            notes.push(format!(
                "In `{folder}` {n} has a name that is not text: not compared."
            ));
        }
        notes
    }
}

/// The folders without a manifest that were given.
pub(super) struct PlainFolders<'a> {
    search: &'a Search<'a>,
    listing: &'a Listing,
    folders: Vec<PlainFolder>,
}

impl<'a> PlainFolders<'a> {
    /// Looks at them; one that was given twice is one.
    pub(super) fn look<'b>(
        search: &'a Search<'a>,
        given: impl Iterator<Item = &'b Utf8PathBuf>,
        listing: &'a Listing,
    ) -> Self {
        let mut folders: Vec<PlainFolder> = Vec::new();
        for given in given {
            let folder = PlainFolder::look(search, given, listing);
            let place = |f: &PlainFolder| (f.facts.device, f.facts.inode);
            if !folders.iter().any(|other| place(other) == place(&folder)) {
                folders.push(folder);
            }
        }
        Self {
            search,
            listing,
            folders,
        }
    }

    /// Returns what the system says of them.
    pub(super) fn facts(&self) -> Vec<FolderFacts> {
        self.folders.iter().map(|f| f.facts.clone()).collect()
    }

    /// Whether some file could be one of the card's.
    pub(super) fn are_worth_reading(&self) -> bool {
        let mut folders = self.folders.iter();
        folders.any(|f| f.is_worth_reading(self.listing))
    }

    /// Two volumes with one identity are a drive and its clone, or one drive seen twice: unless the
    /// drives themselves say that they are two they count as one. Returns what to tell.
    pub(super) fn doubt_twins(&mut self, offloads: &[FolderFacts]) -> Vec<String> {
        let mut doubts = Vec::new();
        let all: Vec<FolderFacts> = self.facts().into_iter().chain(offloads.to_vec()).collect();
        for folder in &mut self.folders {
            let is_doubt = |other: &&FolderFacts| {
                folder.facts.is_twin_of(other) && !folder.facts.is_other_hardware(other)
            };
            let Some(twin) = all.iter().find(is_doubt) else {
                continue;
            };
            doubts.push(format!(
                "The drives of `{}` and `{}` have one identity: a drive and its clone, or one \
                 drive seen twice. They count as one.",
                shown(folder.given.as_str()),
                shown(&twin.canonical)
            ));
            let known = folder.facts.backing.names().cloned().unwrap_or_default();
            folder.facts.backing = Backing::Unknown {
                why: "another drive has the same identity".to_owned(),
                known,
            };
        }
        doubts
    }

    /// Reads in every folder what is most likely one of the card's files, those on different drives
    /// at the same time, while `read_card` reads the card. What is not read here is read later.
    pub(super) fn read_beside(
        &mut self,
        read_card: impl FnOnce(Option<&mut CardSeen>) -> ReadFiles,
    ) -> (ReadFiles, CardSeen) {
        let is_worth = self.are_worth_reading();
        let Search { disk, progress, .. } = *self.search;
        let listing = self.listing;
        let mut by_drive: BTreeMap<String, Vec<&mut PlainFolder>> = BTreeMap::new();
        for folder in &mut self.folders {
            let drive = match &folder.facts.backing {
                Backing::Unknown { .. } => format!("dev {}", folder.facts.device),
                known => device_words(known),
            };
            by_drive.entry(drive).or_default().push(folder);
        }
        let mut seen = CardSeen::default();
        let read = std::thread::scope(|scope| {
            for folders in by_drive.into_values().filter(|_| is_worth) {
                let read = move || {
                    for folder in folders {
                        folder.read_likely(disk, listing, progress);
                    }
                };
                let further = std::thread::Builder::new().name("folder".into());
                if further.spawn_scoped(scope, read).is_err() {}
            }
            read_card(is_worth.then_some(&mut seen))
        });
        (read, seen)
    }

    /// Compares them with what the card gave; those that hold nothing of it are none.
    pub(super) fn compare(
        &mut self,
        seen: &CardSeen,
        read: &ReadFiles,
    ) -> Vec<Option<ComparedFolder>> {
        let Search { disk, progress, .. } = *self.search;
        let listing = self.listing;
        let card = seen.contents(listing, read);
        let compare = |folder: &mut PlainFolder| {
            let is_any = folder.unusable.is_some() || folder.is_worth_reading(listing);
            is_any.then(|| folder.compare(disk, &card, progress))
        };
        self.folders.iter_mut().map(compare).collect()
    }

    /// Looks at them once more when all was read, unless that was stopped.
    pub(super) fn looked_at_again(
        &self,
        compared: Vec<Option<ComparedFolder>>,
    ) -> Vec<ComparedFolder> {
        let Search { disk, progress, .. } = *self.search;
        let each = self.folders.iter().zip(compared);
        let each = each.filter_map(|(folder, compared)| Some((folder, compared?)));
        let again = each.map(|(folder, mut compared)| {
            if !progress.cancel.load(Ordering::Relaxed) {
                folder.look_again(disk, &mut compared);
            }
            compared
        });
        again.collect()
    }

    /// Returns what of them was not compared.
    pub(super) fn notes(&self) -> Vec<String> {
        self.folders.iter().flat_map(PlainFolder::notes).collect()
    }
}

/// The reading of single files of a folder.
struct FolderReading<'a> {
    disk: &'a dyn Disk,
    root: &'a Utf8Path,
    progress: &'a Progress,
}

impl FolderReading<'_> {
    /// Reads a file; where it has to begin like one of `wanted`, no further if it doesn't.
    fn read(&self, file: &FolderFile, wanted: &HashSet<Digest>) -> ReadState {
        if self.progress.cancel.load(Ordering::Relaxed) {
            return ReadState::Unread;
        }
        match self.hash(file, wanted) {
            Ok(state) => state,
            Err(_) if self.progress.cancel.load(Ordering::Relaxed) => ReadState::Unread,
            Err(e) => ReadState::Failed(failed(Step::Read, &e)),
        }
    }

    fn hash(&self, file: &FolderFile, wanted: &HashSet<Digest>) -> io::Result<ReadState> {
        let mut source = self.disk.open_read_back(&self.root.join(&file.path))?;
        let changed = || io::Error::other("it is written to at the same time");
        if source.stat()?.bytes != file.bytes {
            return Err(changed());
        }
        let is_long = file.bytes > len64(BEGINNING_BYTES);
        if is_long && !wanted.is_empty() && !wanted.contains(&beginning(source.as_mut())?) {
            self.progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
            return Ok(ReadState::Unlike);
        }
        let mut go_on = |n| {
            self.progress.bytes.fetch_add(n, Ordering::Relaxed);
            !self.progress.cancel.load(Ordering::Relaxed)
        };
        match hash_whole(source.as_mut(), file.bytes, &mut go_on)? {
            Some((digest, n)) if n == file.bytes => Ok(ReadState::Holds(digest, source.way())),
            Some(_) => Err(changed()),
            None => Ok(ReadState::Unread),
        }
    }
}

/// Returns the hash of a file's beginning.
fn beginning(source: &mut dyn Source) -> io::Result<Digest> {
    let mut buffer = Aligned::new(BEGINNING_BYTES);
    let mut hasher = blake3::Hasher::new();
    let mut at = 0;
    while at < len64(BEGINNING_BYTES) {
        let n = source.read_at(buffer.all_mut(), at)?;
        if n == 0 {
            break;
        }
        let wanted = BEGINNING_BYTES.saturating_sub(len_usize(at));
        hasher.update(buffer.first(n.min(wanted)));
        at += len64(n);
    }
    Ok(hasher.finalize().into())
}
