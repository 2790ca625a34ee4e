//! Owns what a copy leaves in the history of one drive, from the manifest alone: only files that
//! were read back there and are equal, each for the first time or once more.

use super::draft::{MhlDraft, MhlFile, MhlProcess};
use super::folders::folders_above;
use super::names::{can_hold, is_of_history};
use super::next::{NextGeneration, SaidBefore, next_generation};
use super::renamed::GoneFiles;
use super::standing::StandingHistory;
use crate::disk::{EntryKind, WalkEntry};
use crate::hash_algorithm::{Also, AlsoSet};
use crate::name::CardName;
use crate::record::layout::RECORDS;
use crate::record::manifest::{FilePart, Manifest};
use crate::record::others::mhl::{FailedBefore, MHL_FOLDER, MhlAction, is_ignored};
use crate::record::others::{Claims, WhyRefused};
use std::collections::{BTreeSet, HashSet};

/// One drive's copy.
#[derive(Clone, Debug)]
pub struct MhlCopy<'a> {
    /// Its number in the manifest.
    pub destination: usize,
    /// Folders of the card that it cannot hold.
    pub unheld: HashSet<&'a str>,
    /// All that stands in the offload there.
    pub found: &'a [WalkEntry],
}

/// Returns the next generation of the history that stands on a drive; `None` where there is
/// nothing to say that it does not say already.
///
/// # Errors
/// When the history contradicts itself.
pub fn next_of_copy(
    manifest: &Manifest,
    copy: &MhlCopy<'_>,
    standing: Option<&StandingHistory>,
) -> Result<Option<NextGeneration>, WhyRefused> {
    let (mut claims, mut failed) = (Claims::default(), FailedBefore::default());
    let mut last_folders = BTreeSet::new();
    if let Some(standing) = standing {
        last_folders = standing.history.claims(&mut claims)?.1;
        failed = standing.history.failed()?;
    }
    let (mut files, is_new) = files(manifest, copy, &claims, &failed);
    files.sort_unstable_by(|a, b| a.path.cmp(b.path));
    let folders = folders(manifest, copy, &files);
    let ignore = patterns(manifest);
    let unlisted = unlisted(copy.found, &ignore, &files, &folders);
    let whole = folders.iter().filter(|folder| !unlisted.contains(**folder));
    let mut is_same = true;
    whole.for_each(|folder| is_same &= last_folders.contains(*folder));
    if files.is_empty() || (!is_new && is_same) {
        return Ok(None);
    }
    let draft = MhlDraft {
        folder: &manifest.offload.name,
        started: &manifest.offload.started,
        created: &manifest.offload.finished,
        host: &manifest.offload.host,
        tool: (&manifest.tool.name, &manifest.tool.version),
        process: MhlProcess::Transfer,
        ignore,
        files,
        folders,
        unlisted,
        references: Vec::new(),
    };
    Ok(Some(next_generation(standing, &draft)))
}

/// Every file that was read back there and is equal, and whether the history lacks any of it.
fn files<'a>(
    manifest: &'a Manifest,
    copy: &MhlCopy<'_>,
    claims: &Claims,
    failed: &FailedBefore,
) -> (Vec<MhlFile<'a>>, bool) {
    let hashes: AlsoSet = manifest
        .mhl
        .iter()
        .flat_map(|m| m.hashes.iter().copied())
        .collect();
    let stands: HashSet<&str> = copy.found.iter().filter_map(|e| e.path.to_str()).collect();
    let mut absent = GoneFiles::of(claims, |path| stands.contains(path));
    let (mut files, mut is_new) = (Vec::new(), false);
    for part in manifest.files_on(copy.destination) {
        let is_equal = |part: &FilePart| {
            let mut copies = part.copies.iter();
            copies.any(|c| c.destination == copy.destination && c.proof.is_read_back())
        };
        let own: Vec<_> = hashes
            .iter()
            .filter_map(|kind| Some((kind, part.also.get(kind)?.to_owned())))
            .collect();
        let Ok(name) = CardName::parse(&part.path) else {
            continue;
        };
        let said = SaidBefore::of(&name, claims.get(&name), failed, part.bytes, &own);
        let Some(action) = said.action.filter(|_| !own.is_empty() && is_equal(part)) else {
            continue;
        };
        let is_known = claims.get(&name).is_some();
        let before = (!is_known).then(|| absent.take(claims, failed, part.bytes, &own));
        let (action, previous) = match before.flatten() {
            Some((action, from)) => (action, Some(from.as_str().to_owned())),
            None => (action, None),
        };
        is_new |= !said.is_all_said;
        files.push(MhlFile {
            previous,
            ..file(manifest, part, own, action)
        });
    }
    (files, is_new)
}

/// The folders in which something stands that is neither listed as good nor left out.
fn unlisted(
    found: &[WalkEntry],
    ignore: &[String],
    files: &[MhlFile<'_>],
    folders: &BTreeSet<&str>,
) -> BTreeSet<String> {
    let bad = files.iter().filter(|f| f.action == MhlAction::Failed);
    let bad = bad.flat_map(|f| folders_above(f.path));
    let mut unlisted: BTreeSet<String> = bad.map(str::to_owned).collect();
    let files: HashSet<&str> = files.iter().map(|file| file.path).collect();
    for entry in found {
        let path = entry.path.to_string_lossy();
        let is_folder = matches!(&entry.stat, Ok(stat) if stat.kind == EntryKind::Folder);
        let is_file = matches!(&entry.stat, Ok(stat) if stat.kind == EntryKind::File);
        let is_listed = entry.path.to_str().is_some_and(|path| {
            (is_folder && folders.contains(path)) || (is_file && files.contains(path))
        });
        if is_listed || is_of_history(&path) || is_ignored(ignore, &path, is_folder) {
            continue;
        }
        unlisted.extend(folders_above(&path).map(str::to_owned));
        // What could not be looked into may hold anything.
        unlisted.insert(path.into_owned());
    }
    unlisted
}

fn file<'a>(
    manifest: &Manifest,
    part: &'a FilePart,
    hashes: Vec<(Also, String)>,
    action: MhlAction,
) -> MhlFile<'a> {
    // Dates of a card that keeps no zone mean no moment; and there are four digits for a year.
    let is_moment = manifest.card.zone.is_none();
    let is_plain = |date: &&str| date.as_bytes().get(4) == Some(&b'-') && date.ends_with('Z');
    MhlFile {
        path: &part.path,
        bytes: part.bytes,
        modified: is_moment.then_some(&*part.modified).filter(is_plain),
        hashes,
        action,
        previous: None,
    }
}

fn folders<'a>(
    manifest: &'a Manifest,
    copy: &MhlCopy<'_>,
    files: &[MhlFile<'a>],
) -> BTreeSet<&'a str> {
    let own = manifest.folders.iter().map(String::as_str);
    let own = own.filter(|folder| !copy.unheld.contains(folder));
    let above = files.iter().flat_map(|f| {
        let path = f.path;
        path.match_indices('/')
            .filter_map(move |(at, _)| path.get(..at))
    });
    own.chain(above).collect()
}

/// What is left out, in the syntax of `.gitignore`: the patterns of the standard, our own records,
/// and what was skipped on the card. None of them fits what is listed.
fn patterns(manifest: &Manifest) -> Vec<String> {
    let mut patterns = vec![
        MHL_FOLDER.to_owned(),
        ".DS_Store".to_owned(),
        format!("/{RECORDS}"),
    ];
    let mut more = BTreeSet::new();
    for path in manifest.left_out.iter().map(|left| left.path.as_str()) {
        let name = path.rsplit('/').next().unwrap_or(path);
        let general = name.starts_with("._") && fits_none(manifest, "._*");
        if general {
            more.insert("._*".to_owned());
        } else if name != ".DS_Store" && can_hold(path) {
            more.insert(exact(path));
        }
    }
    patterns.extend(more);
    patterns
}

fn fits_none(manifest: &Manifest, pattern: &str) -> bool {
    let pattern = [pattern.to_owned()];
    let files = manifest.files.iter().map(|f| (&*f.path, false));
    let folders = manifest.folders.iter().map(|f| (f.as_str(), true));
    !files
        .chain(folders)
        .any(|(path, is_folder)| is_ignored(&pattern, path, is_folder))
}

/// A pattern for one path alone.
fn exact(path: &str) -> String {
    let mut pattern = String::from("/");
    for c in path.chars() {
        if matches!(c, '*' | '?' | '[' | ']' | '\\' | ' ') {
            pattern.push('\\');
        }
        pattern.push(c);
    }
    pattern
}
