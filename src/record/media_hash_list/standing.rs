//! Owns how the history that stands in a folder is read from its drive: the chain first, then each
//! generation, held against the hash that the chain has of it.

use crate::disk::{Disk, EntryKind, WalkEntry};
use crate::error::{Error, Step};
use crate::hash_algorithm::{Also, Hasher};
use crate::name::{is_part_name, part_name, shown};
use crate::record::others::mhl::{
    ChainEntry, Generation, History, MHL_CHAIN, MHL_ENDING, MHL_FOLDER, chain,
};
use crate::record::others::{BrokenChain, ChainFault, RefusedRecord, WhyRefused};
use crate::units::len64;
use camino::Utf8Path;
use std::fmt;
use std::io;

/// The most bytes of all generations of a history that are read.
const GENERATIONS_BYTES_MAX: u64 = 512 << 20;
const CHAIN_BYTES_MAX: u64 = 16 << 20;

/// Returns the names under which a chain lies beside the one that it is to replace: the part that
/// gets its name, and a second one of the same that stays until that name is durable. A pull of a
/// FAT drive in between can take the first one and leave the chain empty.
pub fn chain_parts() -> [String; 2] {
    [MHL_CHAIN, "ascmhl_chain-2.xml"].map(part_name)
}

/// A history as it stands.
#[derive(Clone, Debug, Default)]
pub struct StandingHistory {
    /// Its chain.
    pub entries: Vec<ChainEntry>,
    /// Why there is none.
    pub fault: Option<ChainFault>,
    /// What the generations say.
    pub history: History,
    /// Lists beside them that the chain does not name.
    pub strays: Vec<StrayList>,
    /// Other files in its folder, but for part files.
    pub others: Vec<String>,
    /// A part file is there: something was cut short.
    pub has_part: bool,
    /// The part that is the chain with a list that is [`StrayKind::Begun`].
    pub begun: Option<String>,
}

/// A list that no chain names.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StrayList {
    /// Its file name.
    pub name: String,
    /// What is known of it.
    pub kind: StrayKind,
}

/// What is known of a list that no chain names. Who made it says nothing: where an old chain was
/// put back it is a good list that somebody took out of the history.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum StrayKind {
    /// Nothing: nobody vouches for it.
    Foreign,
    /// A run was cut off before its chain had its name: that chain lies there as a part, and names
    /// this list with its hash after all that the chain names which is there.
    Begun,
    /// Such a run was cut off by a pull of the drive, which left nothing of the list.
    Empty,
}

/// Why a history is not gone on with.
#[derive(Debug)]
pub enum HistoryError {
    /// It could not be looked at or read.
    Io(Error),
    /// It cannot be relied on.
    Refused(RefusedRecord),
    /// Something else has the name of its folder.
    NoFolder,
    /// A list lies there that no chain names.
    Stray(String),
}

impl fmt::Display for HistoryError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(error) => error.fmt(f),
            Self::Refused(refused) => refused.fmt(f),
            Self::NoFolder => write!(f, "`{MHL_FOLDER}` is not a folder"),
            Self::Stray(name) => write!(
                f,
                "the chain does not name `{MHL_FOLDER}/{}`, so nobody vouches for it",
                shown(name)
            ),
        }
    }
}

impl std::error::Error for HistoryError {}

impl HistoryError {
    /// Says what is wrong with a file of a history.
    pub fn of(name: &str, why: WhyRefused) -> Self {
        Self::Refused(RefusedRecord {
            record: format!("{MHL_FOLDER}/{name}"),
            line: None,
            why,
        })
    }
}

impl StandingHistory {
    /// Returns whether a next generation may follow.
    ///
    /// # Errors
    /// When a list lies there that no run of this program left when it was cut off.
    pub fn check_strays(&self) -> Result<(), HistoryError> {
        let foreign = self.of_kind(StrayKind::Foreign).next();
        foreign.map_or(Ok(()), |name| Err(HistoryError::Stray(name.to_owned())))
    }

    /// Returns the lists of one kind that no chain names.
    pub fn of_kind(&self, kind: StrayKind) -> impl Iterator<Item = &str> {
        let all = self.strays.iter().filter(move |stray| stray.kind == kind);
        all.map(|stray| stray.name.as_str())
    }

    /// Returns whether a run was cut off while it wrote here.
    pub fn is_cut_short(&self) -> bool {
        self.has_part || self.strays.iter().any(|s| s.kind != StrayKind::Foreign)
    }

    /// Whether there is more without a chain than a first list that a run was cut off at. Of any
    /// other it is not known what was said before: whoever begins anew forgets what has failed.
    fn is_more_than_begun(&self) -> bool {
        match &self.fault {
            None => false,
            Some(ChainFault::Missing | ChainFault::Empty) => {
                self.strays.len() > 1 || self.of_kind(StrayKind::Foreign).next().is_some()
            }
            Some(ChainFault::Mhl(_) | ChainFault::NotUtf8) => true,
        }
    }

    /// Says what is wrong where there is no chain.
    pub fn broken(self) -> HistoryError {
        let names_all = self.strays.iter().all(|s| s.kind == StrayKind::Begun);
        let broken = BrokenChain {
            fault: self.fault.unwrap_or(ChainFault::Missing),
            part: self.begun.filter(|_| names_all),
            lists: self.strays.into_iter().map(|stray| stray.name).collect(),
        };
        HistoryError::of(MHL_CHAIN, WhyRefused::Chain(Box::new(broken)))
    }
}

/// Reads the history of the folder `root`; `None` where there is none.
///
/// # Errors
/// When it cannot be read or relied on.
pub fn load_history(
    disk: &dyn Disk,
    root: &Utf8Path,
) -> Result<Option<StandingHistory>, HistoryError> {
    let folder = root.join(MHL_FOLDER);
    let io = |step| {
        let folder = folder.clone();
        move |e: io::Error| HistoryError::Io(Error::new(step, &folder, e))
    };
    match disk.look(&folder).map_err(io(Step::Look))? {
        None => return Ok(None),
        Some(stat) if stat.kind != EntryKind::Folder => return Err(HistoryError::NoFolder),
        Some(_) => {}
    }
    let found = disk.children(&folder).map_err(io(Step::List))?;
    let name = |e: &WalkEntry| e.path.to_string_lossy().into_owned();
    let mut names: Vec<String> = found.iter().map(name).collect();
    names.sort_unstable();
    let (entries, fault) = match standing_chain(disk, &folder, &names)? {
        Ok(entries) => (entries, None),
        Err(fault) => (Vec::new(), Some(fault)),
    };
    let mut standing = StandingHistory {
        history: generations(disk, &folder, &names, &entries)?,
        entries,
        fault,
        ..StandingHistory::default()
    };
    beside(&names, &mut standing);
    strays(disk, &folder, &names, &mut standing);
    if standing.is_more_than_begun() {
        return Err(standing.broken());
    }
    Ok(Some(standing))
}

/// The chain, or what is wrong with it.
fn standing_chain(
    disk: &dyn Disk,
    folder: &Utf8Path,
    names: &[String],
) -> Result<Result<Vec<ChainEntry>, ChainFault>, HistoryError> {
    if !names.iter().any(|name| name == MHL_CHAIN) {
        return Ok(Err(ChainFault::Missing));
    }
    Ok(match text(disk, folder, MHL_CHAIN, CHAIN_BYTES_MAX) {
        Ok((text, _)) if text.is_empty() => Err(ChainFault::Empty),
        Ok((text, _)) => chain(&text).map_err(ChainFault::Mhl),
        Err(HistoryError::Refused(_)) => Err(ChainFault::NotUtf8),
        Err(other) => return Err(other),
    })
}

/// What the generations of a chain say.
fn generations(
    disk: &dyn Disk,
    folder: &Utf8Path,
    names: &[String],
    entries: &[ChainEntry],
) -> Result<History, HistoryError> {
    let (mut history, mut bytes) = (History::default(), 0);
    for entry in entries {
        let refused = |why| HistoryError::of(&entry.path, why);
        if !names.contains(&entry.path) {
            return Err(refused(WhyRefused::ChainGap));
        }
        let (text, sha512) = text(disk, folder, &entry.path, GENERATIONS_BYTES_MAX)?;
        bytes += len64(text.len());
        if bytes > GENERATIONS_BYTES_MAX {
            return Err(refused(WhyRefused::TooLarge));
        }
        if sha512 != entry.sha512 {
            return Err(refused(WhyRefused::NotInChain));
        }
        let generation = Generation::parse(&text);
        let generation = generation.map_err(|why| refused(WhyRefused::Mhl(why)))?;
        history.generations.push(generation);
    }
    Ok(history)
}

/// Sorts what lies beside the generations and is no list.
fn beside(names: &[String], standing: &mut StandingHistory) {
    for name in names {
        if is_part_name(name) {
            // On Windows that one says that a run is at work.
            standing.has_part |= *name != part_name("run");
        } else if !is_named(&standing.entries, name)
            && !is_list(name)
            && name != MHL_CHAIN
            && name != "README.txt"
        {
            standing.others.push(name.clone());
        }
    }
}

/// Finds the lists that no chain names, and what is known of each.
fn strays(disk: &dyn Disk, folder: &Utf8Path, names: &[String], standing: &mut StandingHistory) {
    let (known, has_no_chain) = (&standing.entries, standing.fault.is_some());
    let is_stray = |name: &&String| is_list(name) && !is_named(known, name);
    let lists = names.iter().filter(is_stray).map(|name| {
        let read = text(disk, folder, name, GENERATIONS_BYTES_MAX).ok();
        let is_empty = read.as_ref().is_some_and(|(text, _)| text.is_empty());
        (name, is_empty, read.map(|(_, sha512)| sha512))
    });
    let lists: Vec<_> = lists.collect();
    let is_there = |entry: &ChainEntry| {
        let mut lists = lists.iter();
        lists.any(|(name, _, sum)| **name == entry.path && sum.as_ref() == Some(&entry.sha512))
    };
    let parts = chain_parts()
        .into_iter()
        .filter(|part| names.contains(part));
    let parts: Vec<String> = parts.collect();
    // The chain that a run was about to give its name when it was cut off goes on with the one that
    // is there, by one generation.
    let goes_on = |part: &String| {
        let text = text(disk, folder, part, CHAIN_BYTES_MAX).ok()?.0;
        let more = chain(&text).ok()?.strip_prefix(known.as_slice())?.to_vec();
        let is_next = more.len() == 1 || has_no_chain;
        (is_next && more.iter().all(is_there)).then(|| (part.clone(), more))
    };
    let begun = parts.iter().find_map(goes_on);
    let next = format!("{:04}_", known.len() + 1);
    let kind = |name: &str, is_empty: bool| match &begun {
        Some((_, more)) if is_named(more, name) => StrayKind::Begun,
        _ if is_empty && !parts.is_empty() && name.starts_with(&next) => StrayKind::Empty,
        _ => StrayKind::Foreign,
    };
    let strays = lists.iter().map(|(name, is_empty, _)| StrayList {
        name: (*name).clone(),
        kind: kind(name, *is_empty),
    });
    (standing.strays, standing.begun) = (strays.collect(), begun.map(|(part, _)| part));
}

fn is_named(entries: &[ChainEntry], name: &str) -> bool {
    entries.iter().any(|entry| entry.path == *name)
}

/// Whether it is a list's, and not that of what a Mac puts beside each file (`._NAME`).
fn is_list(name: &str) -> bool {
    is_list_name(name) && !name.starts_with("._")
}

/// Returns whether a file name is that of a list, whatever its capitals: not every drive tells them
/// apart.
pub fn is_list_name(name: &str) -> bool {
    let ending = name.len().checked_sub(MHL_ENDING.len());
    ending
        .and_then(|at| name.get(at..))
        .is_some_and(|ending| ending.eq_ignore_ascii_case(MHL_ENDING))
}

/// A file of a history as text, and its SHA-512.
fn text(
    disk: &dyn Disk,
    folder: &Utf8Path,
    name: &str,
    limit: u64,
) -> Result<(String, String), HistoryError> {
    let path = folder.join(name);
    let io = |e: io::Error| HistoryError::Io(Error::new(Step::Read, &path, e));
    let bytes = disk.read_record(&path, limit).map_err(io)?;
    let mut hasher = Hasher::new(Also::Sha512);
    hasher.update(&bytes);
    let text = String::from_utf8(bytes);
    let text = text.map_err(|_not_text| HistoryError::of(name, WhyRefused::NotUtf8))?;
    Ok((text, hasher.finish()))
}
