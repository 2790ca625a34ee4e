//! Owns the look at recordings without a copy: a card, an offload, or one file, each read once.
//! Writes nothing, and decides nothing.

pub mod deep;
mod ffmpeg;
mod file;

use crate::card::listing::Listing;
use crate::card::survey::survey;
use crate::disk::hash_file::hash_whole_shown;
use crate::disk::progress::Progress;
use crate::disk::{Disk, EntryKind, Stamp};
use crate::error::{Problem, ProblemKind};
use crate::existing::as_card;
use crate::inspect::contents::Shot;
use crate::inspect::guarded::FileInspection;
use crate::inspect::look::CardLook;
use crate::inspect::recordings::Recordings;
use crate::name::shown;
use crate::run::Tools;
use camino::{Utf8Path, Utf8PathBuf};
use deep::{DecodedCount, Decoder};
use file::InspectedFile;
use std::io;
use std::sync::atomic::Ordering;

/// What was seen of a card, an offload or a file.
#[derive(Clone, Debug, Default)]
pub struct Inspection {
    /// Hints, and what was shot.
    pub recordings: Recordings,
    /// Files that could not be read.
    pub unread: Vec<Problem>,
    /// How many files there are.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// How many were decoded, where that was asked for.
    pub decoded: Option<DecodedCount>,
}

/// Looks at what is there, and decodes it where the look is to be `deep`. `progress` is told of
/// every byte, and may stop it: then there is nothing to say.
///
/// # Errors
/// Why it cannot be looked at at all.
pub fn inspect(
    given: &Utf8Path,
    deep: bool,
    tools: &Tools,
    progress: &Progress,
) -> Result<Option<Inspection>, Problem> {
    let tools = tools.to_look();
    let disk = tools.disk.as_ref();
    let files = files(given, disk)?;
    let bytes = files
        .iter()
        .fold(0_u64, |sum, f| sum.saturating_add(f.bytes));
    progress.bytes_total.fetch_add(bytes, Ordering::Relaxed);
    let mut decoder = deep.then(|| Decoder::new(&files, tools.clock.as_ref(), progress));
    let (mut look, mut unread) = (CardLook::default(), Vec::new());
    for (place, file) in files.iter().enumerate() {
        let mut inspection = FileInspection::begin(&file.path, file.bytes);
        let mut held = decoder.as_ref().and_then(|_| Decoder::room(file));
        match read(file, disk, inspection.as_mut(), held.as_mut(), progress) {
            Ok(true) => {
                let mut seen = inspection.and_then(FileInspection::end_by_name);
                if let Some(decoder) = &mut decoder
                    && !decoder.decode(file, held.as_deref(), seen.as_mut())
                {
                    return Ok(None);
                }
                if let Some(seen) = seen {
                    look.add(place, seen);
                }
            }
            Ok(false) => return Ok(None),
            Err(e) => {
                let why = format!("could not be read: {e}");
                unread.push(Problem::new(ProblemKind::Unreadable, why).at(file.path.as_str()));
            }
        }
    }
    let shots = files.iter().enumerate().map(|(place, file)| Shot {
        path: &file.path,
        bytes: file.bytes,
        modified: file.modified,
        look: look.files.get(&place),
    });
    let shots: Vec<Shot<'_>> = shots.collect();
    let now = Stamp::of(tools.clock.now());
    Ok(Some(Inspection {
        recordings: Recordings::of(&shots, &look, now),
        unread,
        files: crate::units::len64(files.len()),
        bytes,
        decoded: decoder.map(|decoder| decoder.count),
    }))
}

/// Reads a file to its end, into `held` where that is wanted; `false` where the person stopped it.
fn read(
    file: &InspectedFile,
    disk: &dyn Disk,
    inspection: Option<&mut FileInspection>,
    mut held: Option<&mut Vec<u8>>,
    progress: &Progress,
) -> io::Result<bool> {
    let Some(inspection) = inspection else {
        // Nothing is known of such files, so nothing is read.
        progress.bytes.fetch_add(file.bytes, Ordering::Relaxed);
        return Ok(!progress.cancel.load(Ordering::Relaxed));
    };
    let mut source = disk.open_card(&file.at)?;
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    let mut show = |bytes: &[u8]| {
        inspection.feed(bytes);
        if let Some(held) = &mut held {
            held.extend_from_slice(bytes);
        }
    };
    let read = hash_whole_shown(source.as_mut(), file.bytes, Some(&mut show), &mut go_on)?;
    match read {
        None => Ok(false),
        Some((_, bytes)) if bytes == file.bytes => Ok(true),
        Some((_, bytes)) => Err(io::Error::other(format!(
            "it ended after {bytes} of {} bytes",
            file.bytes
        ))),
    }
}

/// Returns the files that are meant: of a card without what computers leave, of an offload those
/// that its manifest lists, or the one that was given.
fn files(given: &Utf8Path, disk: &dyn Disk) -> Result<Vec<InspectedFile>, Problem> {
    let name = shown(given.as_str());
    let failed = |e: io::Error| {
        let why = format!("`{name}` cannot be looked at: {e}");
        Problem::new(ProblemKind::Unreadable, why)
    };
    let looked = disk.look(given).map_err(failed)?;
    if let Some(stat) = looked.filter(|stat| stat.kind == EntryKind::File) {
        let own = given.file_name().unwrap_or(given.as_str());
        return Ok(vec![InspectedFile {
            path: own.to_owned(),
            at: given.to_owned(),
            bytes: stat.bytes,
            modified: stat.modified,
        }]);
    }
    let facts = disk.facts(given).map_err(failed)?;
    let _held = disk.anchor(given, &facts).map_err(failed)?;
    let root = Utf8Path::new(&facts.canonical);
    if let Some((card, listing)) = as_card::look(disk, root, &facts)? {
        let original = card.original.as_deref();
        let tree = |path: &str| original.and_then(|o| o.trees.get(o.tree_of(path)));
        return Ok(of_listing(&listing, &|path| {
            tree(path).map_or(root, Utf8PathBuf::as_path)
        }));
    }
    let listing = survey(disk, root, &facts).map_err(|e| e.unreadable())?;
    Ok(of_listing(&listing, &|_| root))
}

fn of_listing<'a>(listing: &Listing, tree: &dyn Fn(&str) -> &'a Utf8Path) -> Vec<InspectedFile> {
    let files = listing.files().map(|row| InspectedFile {
        path: row.name.as_str().to_owned(),
        at: row.name.under(tree(row.name.as_str())),
        bytes: row.bytes,
        modified: row.modified,
    });
    files.collect()
}
