//! Owns which file of a folder is which of the card's, by what they hold: one that has the card's
//! own path first, then those that were moved or renamed. Each file of the folder stands for one of
//! the card at most, and is read once at most. Does no I/O of its own.

use crate::card::left_out::why_left_out;
use crate::card::listing::Listing;
use crate::digest::Digest;
use crate::disk::{EntryKind, FolderFacts, ReadBackWay, Sight, Stamp, WalkEntry};
use crate::error::{Step, failed};
use crate::name::{composed, is_part_name, shown};
use crate::proof::coverage::InFolder;
use crate::run::prove::passed::{CardEntries, is_passed_over};
use crate::units::count;
use std::cmp::Reverse;
use std::collections::{HashMap, HashSet, VecDeque};
use std::io;

/// Bytes of a file's beginning that show that most others are not it.
pub(super) const BEGINNING_BYTES: usize = 64 << 10;
/// Of so many files that are alike the best one is looked for.
const ALIKE_MAX: usize = 100;

/// What was made of a file of the folder.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) enum ReadState {
    Unread,
    /// It holds this, read so.
    Holds(Digest, ReadBackWay),
    /// It begins otherwise than every file of the card that it could be.
    Unlike,
    /// It could not be read: why.
    Failed(String),
}

/// A file of the folder.
#[derive(Debug)]
pub(super) struct FolderFile {
    pub(super) path: String,
    pub(super) bytes: u64,
    changed: Stamp,
    state: ReadState,
    /// The place of the card's file that it stands for.
    used: Option<usize>,
}

/// A file of the card, and what it holds as far as it could be read: all of it, and its beginning.
#[derive(Clone, Copy, Debug)]
pub(super) struct CardContent<'a> {
    pub(super) path: &'a str,
    pub(super) bytes: u64,
    pub(super) holds: Option<(Digest, Digest)>,
}

/// Files that could be one another, before any is read: of one size, and where they are empty of
/// one name, since nothing is not known by what it holds.
type SizeAndName = (u64, String);

/// What a file holds, and where that is nothing what it is called.
type HeldContent = (Digest, String);

/// Reads a file of the folder; with beginnings, only one that begins like one of them.
pub(super) type ReadFile<'a> = &'a mut dyn FnMut(&FolderFile, &HashSet<Digest>) -> ReadState;

/// What a folder holds.
#[derive(Debug, Default)]
pub(super) struct FolderFiles {
    pub(super) files: Vec<FolderFile>,
    by_path: HashMap<String, usize>,
    by_name: HashMap<SizeAndName, Vec<usize>>,
    alike: HashMap<SizeAndName, VecDeque<usize>>,
    by_content: HashMap<HeldContent, Vec<usize>>,
    /// The place of the first of the card's files that one with this content stands for.
    stand_for: HashMap<HeldContent, usize>,
    /// What is no file, by its path: what it is.
    others: HashMap<String, &'static str>,
    /// What could not be looked at, by its path, and why.
    pub(super) unseen: HashMap<String, String>,
    /// Folders of the folder at which other volumes are mounted.
    pub(super) mounted: Vec<String>,
    /// Files whose names are not text.
    pub(super) not_text: u64,
    /// The card's own files, seen a second time.
    pub(super) of_card: Vec<String>,
    /// What could be a file of the card and lies in a Trash.
    pub(super) in_trash: Vec<String>,
}

fn name_of(path: &str) -> String {
    composed(path.rsplit('/').next().unwrap_or(path))
}

fn alike(path: &str, bytes: u64) -> SizeAndName {
    let name = if bytes == 0 {
        name_of(path)
    } else {
        String::new()
    };
    (bytes, name)
}

fn content(path: &str, bytes: u64, digest: Digest) -> HeldContent {
    let (_, name) = alike(path, bytes);
    (digest, name)
}

/// Whether a file lies in a Trash, or where a system keeps what is its own.
fn is_in_trash(path: &str) -> bool {
    let above = path.rsplit('/').skip(1);
    above.into_iter().any(is_passed_over)
}

/// Whether a file is a part of a copy that is not finished, or what computers leave.
fn is_passed(path: &str) -> bool {
    let name = path.rsplit('/').next().unwrap_or(path);
    is_part_name(name) || why_left_out(path.as_bytes(), false).is_some()
}

/// How many parts two paths have in common at their ends.
fn common_end(a: &str, b: &str) -> usize {
    let pairs = a.rsplit('/').zip(b.rsplit('/'));
    pairs.take_while(|(a, b)| a == b).count()
}

impl FolderFiles {
    /// Takes what was met in a folder. The card itself, where it is in there or seen once more, is
    /// none of it. Of one file with two names there is one.
    pub(super) fn of(
        found: Vec<WalkEntry>,
        folder: &FolderFacts,
        (card, seen): (&FolderFacts, &CardEntries),
        listing: &Listing,
    ) -> Self {
        let own: HashSet<Sight> = if folder.entry_device == card.entry_device
            && Sight::is_of_one_file(&folder.filesystem)
        {
            listing.files().map(|file| file.sight).collect()
        } else {
            HashSet::new()
        };
        let is_card = |e: &WalkEntry| {
            let stat = e.stat.as_ref().ok();
            let is_it = |s: &crate::disk::Stat| {
                s.kind == EntryKind::Folder
                    && (s.device, s.inode) == (card.entry_device, card.inode)
            };
            stat.is_some_and(is_it)
        };
        let cards: Vec<_> = found
            .iter()
            .filter(|e| is_card(e))
            .map(|e| e.path.clone())
            .collect();
        let is_within = |path: &std::ffi::OsStr| {
            let path = std::path::Path::new(path);
            cards.iter().any(|card| path.starts_with(card))
        };
        let mut files = Self::default();
        let paths: HashSet<&str> = listing.files().map(|file| file.name.as_str()).collect();
        let known: HashSet<SizeAndName> = listing
            .files()
            .map(|file| alike(file.name.as_str(), file.bytes))
            .collect();
        let has_its_path = |e: &WalkEntry| e.path.to_str().is_some_and(|path| paths.contains(path));
        let (named, others): (Vec<_>, Vec<_>) = found.into_iter().partition(has_its_path);
        let is_numbered = Sight::is_of_one_file(&folder.filesystem);
        let mut met = HashSet::new();
        let all = named.into_iter().map(|e| (true, e));
        let all = all.chain(others.into_iter().map(|e| (false, e)));
        for (is_named, entry) in all.filter(|(_, e)| !is_within(&e.path)) {
            let path = entry.path.to_string_lossy();
            if let Ok(stat) = &entry.stat
                && stat.kind == EntryKind::File
            {
                let sight = Sight::of(stat, &folder.filesystem);
                if own.contains(&sight) {
                    continue;
                }
                if seen.are(stat) {
                    files.of_card.push(path.into_owned());
                    continue;
                }
                if !is_named && is_in_trash(&path) {
                    if known.contains(&alike(&path, stat.bytes)) {
                        files.in_trash.push(path.into_owned());
                    }
                    continue;
                }
                if is_numbered && !met.insert(sight) {
                    continue;
                }
            }
            files.add(entry);
        }
        files
    }

    fn add(&mut self, entry: WalkEntry) {
        let Some(path) = entry.path.to_str().map(str::to_owned) else {
            self.not_text += 1;
            return;
        };
        match entry.stat {
            Ok(_) if is_passed(&path) => {}
            Ok(stat) if stat.kind == EntryKind::File => {
                let (at, name) = (self.files.len(), name_of(&path));
                self.by_path.insert(path.clone(), at);
                self.by_name.entry((stat.bytes, name)).or_default().push(at);
                self.alike
                    .entry(alike(&path, stat.bytes))
                    .or_default()
                    .push_back(at);
                self.files.push(FolderFile {
                    path,
                    bytes: stat.bytes,
                    changed: stat.changed,
                    state: ReadState::Unread,
                    used: None,
                });
            }
            Ok(stat) => {
                let what = match stat.kind {
                    EntryKind::Link => "is a symbolic link there, which is not followed",
                    EntryKind::Folder => "is a folder there",
                    _ => "is no file there",
                };
                self.others.insert(path, what);
            }
            Err(e) if e.kind() == io::ErrorKind::CrossesDevices => self.mounted.push(path),
            Err(e) => {
                self.unseen.insert(path, failed(Step::Look, &e));
            }
        }
    }

    /// Whether some file could be one of the card's.
    pub(super) fn could_be(&self, listing: &Listing) -> bool {
        let mut files = listing.files();
        files.any(|file| {
            self.alike
                .contains_key(&alike(file.name.as_str(), file.bytes))
        })
    }

    /// Returns what is most likely one of the card's files, before any is read: what has its path
    /// and size, else its name and size.
    pub(super) fn likely(&self, listing: &Listing) -> Vec<usize> {
        let mut chosen: HashSet<usize> = HashSet::new();
        let mut in_order = Vec::new();
        for file in listing.files() {
            let path = file.name.as_str();
            let own = self.by_path.get(path).copied();
            let own = own.filter(|at| self.files.get(*at).is_some_and(|f| f.bytes == file.bytes));
            let named = || {
                let all = self.by_name.get(&(file.bytes, name_of(path)))?;
                let free = all.iter().take(ALIKE_MAX).filter(|at| !chosen.contains(at));
                let best = free.max_by_key(|at| {
                    let there = self.files.get(**at);
                    there.map_or(0, |there| common_end(&there.path, path))
                });
                best.copied()
            };
            if let Some(at) = own.or_else(named)
                && chosen.insert(at)
            {
                in_order.push(at);
            }
        }
        in_order
    }

    /// Notes what was read of a file.
    pub(super) fn note(&mut self, at: usize, state: ReadState) {
        if let Some(file) = self.files.get_mut(at) {
            if let ReadState::Holds(digest, _) = &state {
                let content = content(&file.path, file.bytes, *digest);
                self.by_content.entry(content).or_default().push(at);
            }
            file.state = state;
        }
    }

    /// Finds for every file of the card the one that holds the same, and reads for it what was not
    /// read yet and could be it, until `read` says no more.
    pub(super) fn find(&mut self, card: &[CardContent<'_>], read: ReadFile<'_>) {
        for (place, file) in card.iter().enumerate() {
            let at = self.by_path.get(file.path).copied();
            if let Some(at) = at.filter(|_| file.holds.is_some()) {
                if self.is_unread(at, file.bytes) {
                    self.read(at, &HashSet::new(), read);
                }
                let is_it = |there: &FolderFile| match there.state {
                    ReadState::Holds(digest, _) => Some(digest) == file.holds.map(|h| h.0),
                    _ => false,
                };
                if self.files.get(at).is_some_and(is_it) {
                    self.take(at, place);
                }
            }
        }
        let taken: HashSet<usize> = self.files.iter().filter_map(|f| f.used).collect();
        let open = card.iter().enumerate();
        let open = open.filter(|(place, _)| !taken.contains(place));
        let open: Vec<(usize, &CardContent<'_>)> = open.collect();
        let mut beginnings: HashMap<u64, HashSet<Digest>> = HashMap::new();
        for (_, file) in &open {
            let of_size = beginnings.entry(file.bytes).or_default();
            of_size.extend(file.holds.map(|(_, beginning)| beginning));
        }
        for (place, file) in open {
            let Some((digest, _)) = file.holds else {
                continue;
            };
            let Some(wanted) = beginnings.get(&file.bytes) else {
                continue;
            };
            loop {
                if let Some(at) = self.free(&content(file.path, file.bytes, digest), file.path) {
                    self.take(at, place);
                    break;
                }
                let Some(at) = self.next_unread(file.path, file.bytes) else {
                    break;
                };
                if !self.read(at, wanted, read) {
                    return;
                }
            }
        }
    }

    fn is_unread(&self, at: usize, bytes: u64) -> bool {
        let file = self.files.get(at);
        file.is_some_and(|f| f.bytes == bytes && f.state == ReadState::Unread)
    }

    /// Whether it was read; not where the reading was stopped.
    fn read(&mut self, at: usize, wanted: &HashSet<Digest>, read: ReadFile<'_>) -> bool {
        let state = self.files.get(at).map(|file| read(file, wanted));
        let state = state.unwrap_or(ReadState::Unread);
        let is_read = state != ReadState::Unread;
        self.note(at, state);
        is_read
    }

    fn take(&mut self, at: usize, place: usize) {
        if let Some(file) = self.files.get_mut(at) {
            file.used = Some(place);
            if let ReadState::Holds(digest, _) = file.state {
                let content = content(&file.path, file.bytes, digest);
                self.stand_for.entry(content).or_insert(place);
            }
        }
    }

    /// A file that holds this and stands for none, best one whose path ends alike.
    fn free(&mut self, content: &HeldContent, path: &str) -> Option<usize> {
        let files = &self.files;
        let is_free = |at: &usize| files.get(*at).is_some_and(|f| f.used.is_none());
        let all = self.by_content.get_mut(content)?;
        // What was taken goes for good.
        while all.last().is_some_and(|at| !is_free(at)) {
            all.pop();
        }
        let some = all.iter().rev().take(ALIKE_MAX).copied().filter(is_free);
        // Of some in folders that are called alike the uppermost.
        some.max_by_key(|at| {
            let there = files.get(*at);
            there.map(|f| (common_end(&f.path, path), Reverse(f.path.len())))
        })
    }

    /// The next file that was not read and could be this one.
    fn next_unread(&mut self, path: &str, bytes: u64) -> Option<usize> {
        let named = self.by_name.get(&(bytes, name_of(path)));
        let mut named = named.into_iter().flatten().take(ALIKE_MAX).copied();
        if let Some(at) = named.find(|at| self.is_unread(*at, bytes)) {
            return Some(at);
        }
        loop {
            let at = self.alike.get_mut(&alike(path, bytes))?.pop_front()?;
            if self.is_unread(at, bytes) {
                return Some(at);
            }
        }
    }

    /// Returns what the folder has of every file of the card that could be read.
    pub(super) fn found(&self, card: &[CardContent<'_>]) -> HashMap<String, InFolder> {
        let mut at_place: HashMap<usize, &FolderFile> = HashMap::new();
        for file in &self.files {
            at_place.extend(file.used.map(|place| (place, file)));
        }
        let mut bases: HashMap<&str, u64> = HashMap::new();
        for (place, file) in &at_place {
            let path = card.get(*place).map_or("", |c| c.path);
            if let Some(base) = file.path.strip_suffix(path) {
                *bases.entry(base).or_insert(0) += 1;
            }
        }
        let base = bases.iter().max_by_key(|(base, n)| (**n, **base));
        let base = base.map_or("", |(base, _)| *base);
        let base = if base.ends_with('/') { base } else { "" };
        let (mut found, failed) = (HashMap::new(), self.failed());
        let known = card.iter().enumerate();
        for (place, file) in known.filter(|(_, file)| file.holds.is_some()) {
            let there = match at_place.get(&place) {
                Some(there) => there.equal(),
                None => self.instead(
                    file,
                    &[file.path.to_owned(), format!("{base}{}", file.path)],
                ),
            };
            let unread = || failed.get(&alike(file.path, file.bytes)).cloned();
            let there = there.or_else(|| unread().map(InFolder::Unread));
            let there = there.or_else(|| self.shared(file, card));
            found.extend(there.map(|there| (file.path.to_owned(), there)));
        }
        found
    }

    /// What is in the place of a file of which none that holds the same was found: at these paths.
    fn instead(&self, file: &CardContent<'_>, paths: &[String]) -> Option<InFolder> {
        for path in paths {
            if let Some(other) = self.by_path.get(path).and_then(|at| self.files.get(*at)) {
                return Some(match &other.state {
                    ReadState::Failed(why) => InFolder::Unread(why.clone()),
                    _ if other.bytes == file.bytes => {
                        InFolder::Other("its content differs".to_owned())
                    }
                    _ => InFolder::Other(format!(
                        "is {} bytes there and {} on the card",
                        count(other.bytes),
                        count(file.bytes)
                    )),
                });
            }
            if let Some(what) = self.others.get(path) {
                return Some(InFolder::Other((*what).to_owned()));
            }
            let above = path.match_indices('/').filter_map(|(at, _)| path.get(..at));
            let mut unseen = above.chain([path.as_str()]);
            if let Some(why) = unseen.find_map(|path| self.unseen.get(path)) {
                return Some(InFolder::Unread(why.clone()));
            }
        }
        None
    }

    /// Files that could not be read, one of each kind that could be one another.
    fn failed(&self) -> HashMap<SizeAndName, String> {
        let failed = self
            .files
            .iter()
            .rev()
            .filter_map(|file| match &file.state {
                ReadState::Failed(why) => {
                    let words = format!("`{}` may be it, and {why}", shown(&file.path));
                    Some((alike(&file.path, file.bytes), words))
                }
                _ => None,
            });
        failed.collect()
    }

    /// Which file of the card the one stands for that holds the same.
    fn shared(&self, file: &CardContent<'_>, card: &[CardContent<'_>]) -> Option<InFolder> {
        let (digest, _) = file.holds?;
        let content = content(file.path, file.bytes, digest);
        let place = self.stand_for.get(&content)?;
        Some(InFolder::Shared(card.get(*place)?.path.to_owned()))
    }
}

impl FolderFile {
    fn equal(&self) -> Option<InFolder> {
        match self.state {
            ReadState::Holds(_, way) => Some(InFolder::Equal {
                at: self.path.clone(),
                way,
                changed: self.changed,
            }),
            _ => None,
        }
    }
}
