//! Owns how the history that stands in a folder is read from its drive: the chain first, then each
//! generation, held against the hash that the chain has of it.

use crate::disk::{Disk, EntryKind, WalkEntry};
use crate::error::{Error, Step};
use crate::hash_algorithm::{Also, Hasher};
use crate::name::{is_part_name, part_name, shown};
use crate::record::others::mhl::{
    ChainEntry, Generation, History, MHL_CHAIN, MHL_ENDING, MHL_FOLDER, chain,
};
use crate::record::others::{RefusedRecord, WhyRefused};
use crate::units::len64;
use camino::Utf8Path;
use std::fmt;
use std::io;

/// The most bytes of all generations of a history that are read.
const GENERATIONS_BYTES_MAX: u64 = 512 << 20;
const CHAIN_BYTES_MAX: u64 = 16 << 20;

/// A history as it stands.
#[derive(Clone, Debug, Default)]
pub struct StandingHistory {
    /// Its chain.
    pub entries: Vec<ChainEntry>,
    /// What the generations say.
    pub history: History,
    /// Lists beside them that the chain does not name.
    pub strays: Vec<StrayList>,
    /// Other files in its folder, but for part files.
    pub others: Vec<String>,
    /// A part file is there: something was cut short.
    pub has_part: bool,
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
    /// It is ours, and a pull of the drive has left nothing of the chain.
    Orphan,
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
    let (mut standing, mut is_torn) = (StandingHistory::default(), false);
    if names.iter().any(|name| name == MHL_CHAIN) {
        let text = text(disk, &folder, MHL_CHAIN, CHAIN_BYTES_MAX)?.0;
        let wrong = |why| HistoryError::of(MHL_CHAIN, WhyRefused::Mhl(why));
        // A FAT drive that was pulled leaves an empty one. Then nobody vouches for any list.
        is_torn = text.is_empty();
        if !is_torn {
            standing.entries = chain(&text).map_err(wrong)?;
        }
    }
    let mut bytes = 0;
    for entry in &standing.entries {
        let refused = |why| HistoryError::of(&entry.path, why);
        if !names.contains(&entry.path) {
            return Err(refused(WhyRefused::ChainGap));
        }
        let (text, sha512) = text(disk, &folder, &entry.path, GENERATIONS_BYTES_MAX)?;
        bytes += len64(text.len());
        if bytes > GENERATIONS_BYTES_MAX {
            return Err(refused(WhyRefused::TooLarge));
        }
        if sha512 != entry.sha512 {
            return Err(refused(WhyRefused::NotInChain));
        }
        let generation = Generation::parse(&text);
        let generation = generation.map_err(|why| refused(WhyRefused::Mhl(why)))?;
        standing.history.generations.push(generation);
    }
    beside(disk, &folder, &names, is_torn, &mut standing);
    Ok(Some(standing))
}

/// The chain that a run was about to give its name when it was cut off, where it goes on with the
/// one that is there by one generation.
fn begun_chain(disk: &dyn Disk, folder: &Utf8Path, known: &[ChainEntry]) -> Option<ChainEntry> {
    let text = text(disk, folder, &part_name(MHL_CHAIN), CHAIN_BYTES_MAX).ok()?;
    let mut begun = chain(&text.0).ok()?;
    let last = begun.pop()?;
    (begun == known).then_some(last)
}

/// Sorts what lies beside the generations.
fn beside(
    disk: &dyn Disk,
    folder: &Utf8Path,
    names: &[String],
    is_torn: bool,
    standing: &mut StandingHistory,
) {
    let entries = &standing.entries;
    let has_chain_part = names.contains(&part_name(MHL_CHAIN));
    let begun = begun_chain(disk, folder, entries).filter(|_| has_chain_part);
    let next = format!("{:04}_", entries.len() + 1);
    let kind = |name: &str| {
        let Ok((text, sha512)) = text(disk, folder, name, GENERATIONS_BYTES_MAX) else {
            return StrayKind::Foreign;
        };
        let is_begun = |entry: &ChainEntry| entry.path == *name && entry.sha512 == sha512;
        let is_own = || Generation::parse(&text).is_ok_and(|g| g.tool.starts_with("unlade "));
        let is_pulled = is_torn || (has_chain_part && name.starts_with(&next));
        match text.is_empty() {
            _ if begun.as_ref().is_some_and(is_begun) => StrayKind::Begun,
            true if is_pulled => StrayKind::Empty,
            false if is_torn && is_own() => StrayKind::Orphan,
            _ => StrayKind::Foreign,
        }
    };
    let (mut strays, mut others, mut has_part) = (Vec::new(), Vec::new(), false);
    for name in names.iter().filter(|name| !is_named(entries, name)) {
        if is_part_name(name) {
            // On Windows that one says that a run is at work.
            has_part |= *name != part_name("run");
        } else if is_list_name(name) {
            let (name, kind) = (name.clone(), kind(name));
            strays.push(StrayList { name, kind });
        } else if name != MHL_CHAIN && name != "README.txt" {
            others.push(name.clone());
        }
    }
    (standing.strays, standing.others, standing.has_part) = (strays, others, has_part);
}

fn is_named(entries: &[ChainEntry], name: &str) -> bool {
    entries.iter().any(|entry| entry.path == *name)
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
