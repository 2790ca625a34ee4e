//! Owns where another copy of what is missing or changed in an offload is to be found: by its
//! manifest, by the ledger, and by what is plugged in now. Nothing is read but records and names,
//! so `verify` comes first.

use camino::{Utf8Path, Utf8PathBuf};
use serde_json::{Value, json};
use std::collections::{BTreeMap, HashMap};
use unlade::disk::{Disk, EntryKind};
use unlade::ledger::{Deed, Ledger};
use unlade::name::shown;
use unlade::record::load::load;
use unlade::record::manifest::{FilePart, Manifest};
use unlade::units::{counted, len64};
use unlade::verify::{Finding, Findings};

/// Copies that are looked at and told.
const COPIES_MAX: usize = 8;

/// Another copy of the offload, there or not.
pub(crate) struct OtherCopy {
    path: String,
    /// The identity of its volume, where it is known.
    volume: Option<String>,
    seen: CopyPresence,
    of: u64,
}

/// What is at the place of a copy now.
enum CopyPresence {
    /// So many of the files, by record and size.
    Has(u64),
    /// A folder without a record that can be used, and why.
    NoRecord(String),
    /// Nothing, though its volume is plugged in.
    FolderGone,
    /// The volume is another one or none.
    Away,
}

impl OtherCopy {
    /// Returns what is to be said of it.
    pub(crate) fn words(&self) -> String {
        let path = shown(&self.path);
        let volume = self.volume.as_ref();
        let volume = volume.map_or(String::new(), |id| format!(" (volume {})", shown(id)));
        match &self.seen {
            CopyPresence::Has(has) if *has == self.of => format!(
                "`{path}` has {}, by its manifest and in size. Check it with `unlade verify` \
                before you take a file from there.",
                match self.of {
                    1 => "this file".to_owned(),
                    n => format!("all {}", counted(n, "file")),
                }
            ),
            CopyPresence::Has(0) => format!("`{path}` has none of this."),
            CopyPresence::Has(has) => format!(
                "`{path}` has {has} of the {}, by its manifest and in size.",
                counted(self.of, "file")
            ),
            CopyPresence::NoRecord(why) => {
                format!("`{path}` is there, but its manifest can't be used: {why}.")
            }
            CopyPresence::FolderGone => format!(
                "A copy was made in `{path}`{volume}. It is not there now, though the drive is \
                plugged in."
            ),
            CopyPresence::Away => {
                format!("A copy was made in `{path}`{volume}. That drive is not plugged in now.")
            }
        }
    }

    /// Returns the same for programs.
    pub(crate) fn json(&self) -> Value {
        let files = match self.seen {
            CopyPresence::Has(files) => Some(files),
            CopyPresence::NoRecord(_) | CopyPresence::FolderGone | CopyPresence::Away => None,
        };
        json!({"path": self.path, "volume_id": self.volume, "files": files})
    }
}

/// Returns the other copies of an offload in which something is missing or changed.
pub(crate) fn other_copies(
    offload: &Utf8Path,
    findings: &Findings,
    ledger: &Ledger,
    disk: &dyn Disk,
) -> Vec<OtherCopy> {
    let manifest = &findings.manifest;
    let wanted: Vec<&FilePart> = wanted(findings);
    if wanted.is_empty() {
        return Vec::new();
    }
    let mut places: BTreeMap<Utf8PathBuf, Option<String>> = BTreeMap::new();
    for d in &manifest.destinations {
        let path = Utf8Path::new(&d.path).join(&manifest.offload.name);
        places.insert(path, d.volume_id().map(str::to_owned));
    }
    let is_it = |e: &&unlade::ledger::LedgerEntry| {
        e.did == Deed::Copy && e.offload.as_ref() == Some(&manifest.offload.name)
    };
    for place in ledger
        .entries
        .iter()
        .rev()
        .filter(is_it)
        .flat_map(|e| &e.places)
    {
        let volume = place.volume_id.clone();
        places
            .entry(Utf8PathBuf::from(&place.path))
            .or_insert(volume);
    }
    let own = |path: &Utf8Path| disk.facts(path).ok().map(|f| (f.device, f.inode));
    let here = own(offload);
    let others = places
        .into_iter()
        .filter(|(path, _)| own(path).is_none_or(|it| Some(it) != here));
    others
        .take(COPIES_MAX)
        .map(|(path, volume)| OtherCopy {
            seen: seen(disk, &path, volume.as_deref(), &wanted),
            path: path.into_string(),
            volume,
            of: len64(wanted.len()),
        })
        .collect()
}

fn seen(
    disk: &dyn Disk,
    path: &Utf8Path,
    volume: Option<&str>,
    wanted: &[&FilePart],
) -> CopyPresence {
    let why = match load(disk, path) {
        Ok((other, _)) => return CopyPresence::Has(has(disk, path, &other, wanted)),
        Err(why) => why,
    };
    // Where the folder, or the one above it, should be: what is there is on some volume.
    let found = path
        .ancestors()
        .find_map(|at| Some((at, disk.facts(at).ok()?)));
    match found {
        Some((_, facts)) if volume.is_none() || facts.volume_id.as_deref() != volume => {
            CopyPresence::Away
        }
        Some((at, _)) if at == path => CopyPresence::NoRecord(why.to_string()),
        Some(_) => CopyPresence::FolderGone,
        None => CopyPresence::Away,
    }
}

/// The files of the manifest that are missing or changed, or could not be read.
fn wanted(findings: &Findings) -> Vec<&FilePart> {
    let manifest = &findings.manifest;
    let by_path: HashMap<&str, &FilePart> = manifest.files.iter().map(|f| (&*f.path, f)).collect();
    let lost = findings
        .findings
        .iter()
        .filter_map(|finding| match finding {
            Finding::Missing(path) | Finding::Changed(path, _) | Finding::Unreadable(path, _) => {
                manifest.offload.layout.inside(path)
            }
            // What was moved is not to be fetched from elsewhere.
            Finding::Extra(_)
            | Finding::Untrusted(..)
            | Finding::Moved(..)
            | Finding::Unchecked(..) => None,
        });
    lost.filter_map(|path| by_path.get(path).copied()).collect()
}

fn has(disk: &dyn Disk, root: &Utf8Path, other: &Manifest, wanted: &[&FilePart]) -> u64 {
    let known: HashMap<&str, &FilePart> = other.files.iter().map(|f| (&*f.path, f)).collect();
    let payload = other.offload.layout.payload(root);
    let is_there = |file: &&&FilePart| {
        let same = known
            .get(&*file.path)
            .is_some_and(|f| f.blake3 == file.blake3);
        let stat = disk.look(&payload.join(&*file.path)).ok().flatten();
        same && stat.is_some_and(|s| s.kind == EntryKind::File && s.bytes == file.bytes)
    };
    len64(wanted.iter().filter(is_there).count())
}
