//! Owns what of an offload is sent, in which order: its files, its records, and the manifest last,
//! so that whoever finds a manifest at a place finds all that it lists.

use crate::digest::Digest;
use crate::disk::{Disk, EntryKind};
use crate::error::{Error, Step};
use crate::record::journal::JOURNAL;
use crate::record::layout::{Layout, MANIFEST, RECORDS, TAG_FILES, is_receipt};
use crate::record::manifest::Manifest;
use crate::record::others::mhl::MHL_FOLDER;
use camino::Utf8Path;

/// A file to send.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Outgoing {
    /// Its path below the offload.
    pub path: String,
    /// Its size.
    pub bytes: u64,
    /// What it must hold: of a file of the card what the manifest says. Of a record nothing says
    /// it but the record itself.
    pub blake3: Option<Digest>,
}

/// All that is sent of an offload.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Cargo {
    /// The files of the card and the records, but for the manifest.
    pub files: Vec<Outgoing>,
    /// How many of them are of the card.
    pub of_card: usize,
    /// The manifest.
    pub manifest: Outgoing,
    /// Folders that hold nothing, by their path below the offload.
    pub folders: Vec<String>,
    /// Files of the card that are in earlier offloads and not in this one.
    pub elsewhere: u64,
}

impl Cargo {
    /// Looks what is sent of the offload at `root`.
    ///
    /// # Errors
    /// What the system says of its records.
    pub fn of(disk: &dyn Disk, root: &Utf8Path, manifest: &Manifest) -> Result<Self, Error> {
        let layout = manifest.offload.layout;
        let (here, elsewhere): (Vec<_>, Vec<_>) =
            manifest.files.iter().partition(|file| !file.is_elsewhere());
        let mut files: Vec<Outgoing> = here
            .into_iter()
            .map(|file| Outgoing {
                path: layout.outside(&file.path),
                bytes: file.bytes,
                blake3: Some(file.blake3),
            })
            .collect();
        files.sort_by(|a, b| a.path.cmp(&b.path));
        let of_card = files.len();
        files.extend(records(disk, root, (layout, manifest.mhl.is_some()))?);
        let own = format!("{RECORDS}/{MANIFEST}");
        let at = files.iter().position(|file| file.path == own);
        let own = at.map(|at| files.remove(at)).ok_or_else(|| {
            let none = std::io::Error::from(std::io::ErrorKind::NotFound);
            Error::new(Step::Read, &root.join(&own), none)
        })?;
        Ok(Self {
            files,
            of_card,
            manifest: Outgoing {
                blake3: manifest.own_b3,
                ..own
            },
            folders: manifest.folders.iter().map(|f| layout.outside(f)).collect(),
            elsewhere: crate::units::len64(elsewhere.len()),
        })
    }

    /// Returns the bytes of all files.
    pub fn bytes(&self) -> u64 {
        let files = self.files.iter().chain([&self.manifest]);
        files.fold(0, |sum, file| sum.saturating_add(file.bytes))
    }
}

/// The records of an offload: all files in their folder but what is at work or of another place,
/// its media hash list, and the tag files of a bag.
fn records(
    disk: &dyn Disk,
    root: &Utf8Path,
    (layout, has_mhl): (Layout, bool),
) -> Result<Vec<Outgoing>, Error> {
    let folder = root.join(RECORDS);
    let failed = |path: &Utf8Path, e| Error::new(Step::Read, path, e);
    let mut found = Vec::new();
    for entry in disk.children(&folder).map_err(|e| failed(&folder, e))? {
        let Some(name) = entry.path.to_str() else {
            continue;
        };
        let is_own = name != JOURNAL && !is_receipt(name) && !crate::name::is_part_name(name);
        if let Ok(stat) = &entry.stat
            && stat.kind == EntryKind::File
            && is_own
        {
            found.push((format!("{RECORDS}/{name}"), stat.bytes));
        }
    }
    if has_mhl && layout == Layout::Plain {
        let folder = root.join(MHL_FOLDER);
        for entry in disk.children(&folder).map_err(|e| failed(&folder, e))? {
            if let (Some(name), Ok(stat)) = (entry.path.to_str(), &entry.stat)
                && stat.kind == EntryKind::File
                && !crate::name::is_part_name(name)
            {
                found.push((format!("{MHL_FOLDER}/{name}"), stat.bytes));
            }
        }
    }
    if layout == Layout::Bag {
        for name in TAG_FILES {
            let path = root.join(name);
            if let Some(stat) = disk.look(&path).map_err(|e| failed(&path, e))? {
                found.push((name.to_owned(), stat.bytes));
            }
        }
    }
    found.sort();
    let record = |(path, bytes)| Outgoing {
        path,
        bytes,
        blake3: None,
    };
    Ok(found.into_iter().map(record).collect())
}
