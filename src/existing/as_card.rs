//! Owns the look at a folder that is given as a card and is an offload: a further copy of it is
//! made from what its manifest says. It reads; it changes nothing.

use crate::card::dates::parse;
use crate::card::left_out::SkipReason;
use crate::card::listing::{Listing, Row, RowKind};
use crate::card::survey::survey_parts;
use crate::digest::Digest;
use crate::disk::{Disk, FolderFacts, Sight};
use crate::error::{Problem, ProblemKind};
use crate::existing::original::{Original, OriginalFile};
use crate::existing::search::destination_of;
use crate::existing::source::CardFacts;
use crate::name::{CardName, NameError, shown};
use crate::record::checksums::parse_line;
use crate::record::journal::JOURNAL;
use crate::record::layout::RECORDS;
use crate::record::load::load;
use crate::record::manifest::{
    FilePart, HASH_FILE_BYTES_MAX, MANIFEST, MANIFEST_HASH, Manifest, ManifestError,
};
use crate::record::media_hash_list::is_of_history;
use crate::units::{counted, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::HashMap;
use std::io;
use std::sync::Arc;

/// What a carried-over problem begins with.
const SAYS: &str = "the manifest of the offload that was copied says: ";

/// Returns whether a folder is an offload, finished or not.
pub fn is_offload(disk: &dyn Disk, folder: &Utf8Path) -> bool {
    let stands = |name| matches!(disk.look(&folder.join(RECORDS).join(name)), Ok(Some(_)));
    stands(MANIFEST) || stands(JOURNAL)
}

/// Looks at a folder that is given as a card: `None` where it is no offload.
///
/// # Errors
/// Why no further copy can be made of it: an offload that is not finished or is damaged, or a part
/// of one.
pub fn look(
    disk: &dyn Disk,
    given: &Utf8Path,
    facts: &FolderFacts,
) -> Result<Option<(CardFacts, Listing)>, Problem> {
    if !is_offload(disk, given) {
        // A card that does not answer is told when it is listed.
        return match around(disk, facts).ok().flatten() {
            Some(offload) => Err(refused(given)(NoOriginal::Part(offload))),
            None => Ok(None),
        };
    }
    let (manifest, manifest_b3) = manifest(disk, given).map_err(refused(given))?;
    let listing = listing(&manifest).map_err(refused(given))?;
    let original = original(disk, given, facts, &manifest, manifest_b3);
    let mut original = original.map_err(refused(given))?;
    original.files = files(&manifest, &listing);
    let held = original
        .beside
        .iter()
        .map(|(root, facts)| disk.anchor(root, facts));
    let held: io::Result<Vec<_>> = held.collect();
    let _held = held.map_err(NoOriginal::Gone).map_err(refused(given))?;
    let stood = survey_parts(disk, &original.trees, &facts.filesystem, &|tree, path| {
        original.is_of(tree, path)
    });
    let stood = stood.map_err(|e| e.unreadable())?;
    original.note_standing(&listing, stood);
    let label = manifest.card.label.clone();
    let card = CardFacts {
        given: given.to_path_buf(),
        facts: facts.clone(),
        label: label.unwrap_or_else(|| manifest.offload.name.clone()),
        original: Some(Arc::new(original)),
    };
    Ok(Some((card, listing)))
}

/// Why no further copy can be made of a folder.
#[derive(Debug, thiserror::Error)]
enum NoOriginal {
    #[error("it is a part of the offload `{}`; give that folder as a whole", shown(.0.as_str()))]
    Part(Utf8PathBuf),
    #[error("it is not finished; run the copy again that began it")]
    Unfinished,
    #[error(transparent)]
    Manifest(#[from] ManifestError),
    #[error("its manifest cannot be checked: its hash, `{MANIFEST_HASH}`, is missing")]
    NoHash,
    #[error("`{MANIFEST_HASH}` could not be read: {0}")]
    HashUnread(#[source] io::Error),
    #[error("`{MANIFEST_HASH}` is damaged")]
    HashDamaged,
    #[error("its manifest is damaged: {why} (`{}`)", shown(path))]
    Path {
        path: String,
        #[source]
        why: NameError,
    },
    #[error("its manifest is damaged: `{}` has no date", shown(.0))]
    NoDate(Arc<str>),
    #[error(
        "it needs {} of the earlier offload `{}`, which has to be beside it, and {why}",
        counted(*files, "file"),
        shown(within)
    )]
    NotBeside {
        within: String,
        files: u64,
        #[source]
        why: NotBeside,
    },
    #[error("an offload beside it is gone: {0}")]
    Gone(#[source] io::Error),
}

/// Why an earlier offload that holds a part of the files cannot be read.
#[derive(Debug, thiserror::Error)]
enum NotBeside {
    #[error("there is nothing beside it")]
    Nothing,
    #[error("cannot be used: {0}")]
    Unseen(#[from] io::Error),
    #[error("is on another volume")]
    OtherVolume,
    #[error("cannot be used: {0}")]
    Manifest(#[from] ManifestError),
}

fn refused(given: &Utf8Path) -> impl Fn(NoOriginal) -> Problem {
    move |why| {
        let folder = shown(given.as_str());
        let why = format!("no further copy can be made of `{folder}`: {why}");
        Problem::new(ProblemKind::ManifestDamaged, why)
    }
}

/// Returns the offload that a folder lies in, or is, on its own volume.
///
/// # Errors
/// What the system says where it cannot be seen whether a folder is one.
pub fn around(disk: &dyn Disk, facts: &FolderFacts) -> io::Result<Option<Utf8PathBuf>> {
    let on_volume = facts.ancestors.iter().map(|(device, _)| *device);
    let above = Utf8Path::new(&facts.canonical).ancestors().zip(on_volume);
    for (folder, _) in above.take_while(|(_, device)| *device == facts.device) {
        for record in [MANIFEST, JOURNAL] {
            if disk.look(&folder.join(RECORDS).join(record))?.is_some() {
                return Ok(Some(folder.to_path_buf()));
            }
        }
    }
    Ok(None)
}

/// Reads the manifest and its own hash.
fn manifest(disk: &dyn Disk, root: &Utf8Path) -> Result<(Manifest, Digest), NoOriginal> {
    let records = root.join(RECORDS);
    if matches!(disk.look(&records.join(MANIFEST)), Ok(None)) {
        return Err(NoOriginal::Unfinished);
    }
    let (manifest, has_hash) = load(disk, root)?;
    if !has_hash {
        return Err(NoOriginal::NoHash);
    }
    let line = disk.read_record(&records.join(MANIFEST_HASH), HASH_FILE_BYTES_MAX);
    let line = line.map_err(NoOriginal::HashUnread)?;
    let line = String::from_utf8_lossy(&line);
    let hash = parse_line(line.trim_end_matches('\n')).map(|(digest, _)| digest);
    Ok((manifest, hash.ok_or(NoOriginal::HashDamaged)?))
}

/// The card's listing as the manifest has it.
fn listing(manifest: &Manifest) -> Result<Listing, NoOriginal> {
    let name = |path: &str| {
        CardName::parse(path).map_err(|why| NoOriginal::Path {
            path: path.to_owned(),
            why,
        })
    };
    let mut rows = Vec::with_capacity(manifest.files.len() + manifest.folders.len());
    for file in &manifest.files {
        let modified = parse(&file.modified);
        let kind = RowKind::File {
            name: name(&file.path)?,
            bytes: file.bytes,
            modified: modified.ok_or_else(|| NoOriginal::NoDate(Arc::clone(&file.path)))?,
            sight: Sight::default(),
        };
        rows.push(Row::new(file.path.as_bytes().to_vec(), kind));
    }
    for folder in &manifest.folders {
        let kind = RowKind::Folder {
            name: name(folder)?,
        };
        rows.push(Row::new(folder.as_bytes().to_vec(), kind));
    }
    for left_out in &manifest.left_out {
        let kind = RowKind::LeftOut {
            why: SkipReason::Recorded(left_out.why.clone()),
        };
        rows.push(Row::new(left_out.path.as_bytes().to_vec(), kind));
    }
    Ok(Listing::new(rows))
}

/// What the manifest says of every file, in the order of the listing; nothing is known yet of what
/// stands.
fn files(manifest: &Manifest, listing: &Listing) -> Vec<OriginalFile> {
    let hashes: HashMap<&str, &FilePart> = manifest.files.iter().map(|f| (&*f.path, f)).collect();
    listing
        .files()
        .filter_map(|f| hashes.get(f.name.as_str()))
        .map(|file| OriginalFile {
            blake3: file.blake3,
            also: file.also.clone(),
            modified: None,
        })
        .collect()
}

fn original(
    disk: &dyn Disk,
    root: &Utf8Path,
    facts: &FolderFacts,
    manifest: &Manifest,
    manifest_b3: Digest,
) -> Result<Original, NoOriginal> {
    let here = destination_of(disk, manifest, root);
    let layout = manifest.offload.layout;
    let canonical = Utf8Path::new(&facts.canonical);
    let (mut trees, mut elsewhere) = (vec![layout.payload(root)], HashMap::new());
    let mut known: HashMap<&str, usize> = HashMap::new();
    let mut beside = Vec::new();
    for file in &manifest.files {
        let Some(within) = within(file, here) else {
            continue;
        };
        let tree = if let Some(tree) = known.get(within) {
            *tree
        } else {
            let found = tree_of(disk, canonical, facts, within);
            let (tree, held) = found.map_err(|why| {
                let all = manifest.files.iter();
                let files = all.filter(|f| self::within(f, here) == Some(within));
                NoOriginal::NotBeside {
                    files: len64(files.count()),
                    within: within.to_owned(),
                    why,
                }
            })?;
            trees.push(tree);
            beside.push(held);
            known.insert(within, trees.len() - 1);
            trees.len() - 1
        };
        elsewhere.insert(file.path.to_string(), tree);
    }
    let card = &manifest.card;
    Ok(Original {
        name: manifest.offload.name.clone(),
        root: canonical.to_path_buf(),
        manifest_b3,
        card: card.clone(),
        layout,
        also: manifest
            .files
            .iter()
            .fold(crate::hash_algorithm::AlsoSet::default(), |all, f| {
                all.with(f.also.kinds())
            }),
        trees,
        is_mhl_of_card: manifest.files.iter().any(|f| is_of_history(&f.path)),
        beside,
        elsewhere,
        files: Vec::new(),
        stood: Listing::default(),
        problems: carried(manifest),
        others: others(disk, manifest, here),
    })
}

/// The earlier offload that a file was left in, if it was.
fn within(file: &FilePart, here: Option<usize>) -> Option<&str> {
    let mut copies = file.copies.iter();
    let own = copies.find(|c| Some(c.destination) == here);
    own.or_else(|| file.copies.first())?.within.as_deref()
}

/// The tree of the earlier offload beside this one, and its folder.
fn tree_of(
    disk: &dyn Disk,
    canonical: &Utf8Path,
    facts: &FolderFacts,
    within: &str,
) -> Result<(Utf8PathBuf, (Utf8PathBuf, FolderFacts)), NotBeside> {
    let above = canonical.parent().ok_or(NotBeside::Nothing)?;
    let root = above.join(within);
    let there = disk.facts(&root)?;
    if there.device != facts.device {
        return Err(NotBeside::OtherVolume);
    }
    let (manifest, _) = load(disk, &root)?;
    Ok((manifest.offload.layout.payload(&root), (root, there)))
}

/// What the manifest says against itself: the card was not read whole, or not well. What it lacked
/// in copies and read-backs is made good now.
fn carried(manifest: &Manifest) -> Vec<Problem> {
    let is_of_copies = |p: &Problem| match p.kind {
        ProblemKind::TooFewCopies | ProblemKind::SameDevice => true,
        ProblemKind::NotReadBack => p.path.is_none(),
        _ => false,
    };
    let of_card = |p: &&Problem| p.blocking && p.destination.is_none() && !is_of_copies(p);
    let carry = |p: &Problem| {
        let detail = p.detail.strip_prefix(SAYS).unwrap_or(&p.detail);
        Problem {
            detail: format!("{SAYS}{detail}"),
            ..p.clone()
        }
    };
    manifest
        .problems
        .iter()
        .filter(of_card)
        .map(carry)
        .collect()
}

/// The folders of the other copies that the manifest names, those that can be used now first.
fn others(disk: &dyn Disk, manifest: &Manifest, here: Option<usize>) -> Vec<String> {
    let copies = manifest.destinations.iter().enumerate();
    let others = copies.filter(|(index, _)| Some(*index) != here);
    let source = manifest.source.iter().map(|source| source.path.clone());
    let mut all: Vec<String> = others
        .map(|(_, d)| {
            Utf8Path::new(&d.path)
                .join(&manifest.offload.name)
                .into_string()
        })
        .chain(source)
        .collect();
    all.sort_by_key(|path| !is_offload(disk, Utf8Path::new(path)));
    all
}
