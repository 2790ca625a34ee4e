//! Owns what this computer remembers of sending an offload to a place, so that the same command
//! goes on: a file of lines in the person's own folder, each durable before the next thing is done.
//! It holds no secret. Of a card it says that a file was read back at the place, or was found
//! damaged there.

use super::object::{Grade, PlaceObject};
use crate::digest::Digest;
use crate::disk::home::{append_line, hold, make_folder, names_in, read_tail};
use crate::record::damage::CopyDamage;
use crate::record::manifest::Manifest;
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::hash::{BuildHasher as _, RandomState};
use std::io;

/// The folder of these files in the person's own.
const FOLDER: &str = "places";
/// Bytes of such a file that are read: a million lines of some 500.
const BYTES_MAX: u64 = 1 << 29;

/// One line.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(tag = "did", rename_all = "lowercase", deny_unknown_fields)]
pub enum SendLine {
    /// The file begins, or goes on.
    Begun {
        /// The place.
        place: String,
        /// The offload.
        offload: String,
        /// The hash of its manifest.
        manifest_b3: Digest,
        /// What part files there have in their names.
        mark: String,
    },
    /// A file is at the place.
    Sent {
        /// Its path below the offload.
        path: String,
        /// Its hash.
        blake3: Digest,
        /// How sure that is.
        grade: Grade,
        /// What the place says of it.
        object: PlaceObject,
        /// When it was read back, RFC 3339, if it was.
        #[serde(skip_serializing_if = "Option::is_none", default)]
        read: Option<String>,
    },
    /// A file was read back there and is not what was sent; the place may say nothing of that.
    Bad {
        /// Its path below the offload.
        path: String,
        /// What the place says of it.
        object: PlaceObject,
    },
    /// A file is there and could not be read.
    Unread {
        /// Its path below the offload.
        path: String,
        /// What the place says of it.
        object: PlaceObject,
    },
    /// A receipt was put there.
    Receipt {
        /// Its name.
        name: String,
        /// The least of the grades in it.
        grade: Grade,
    },
}

impl SendLine {
    /// The line of a file that is there.
    pub(super) fn of(path: &str, file: &SentFile) -> Self {
        Self::Sent {
            path: path.to_owned(),
            blake3: file.blake3,
            grade: file.grade,
            object: file.object.clone(),
            read: file.read.clone(),
        }
    }
}

/// Why a file at a place counts for nothing.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PlaceHarm {
    /// It was read back and is not what was sent.
    Damaged,
    /// It could not be read.
    Unread,
}

/// What is known of a file that was sent.
#[derive(Clone, PartialEq, Debug)]
pub struct SentFile {
    /// Its hash.
    pub blake3: Digest,
    /// How sure it is that the place has it.
    pub grade: Grade,
    /// What the place said of it.
    pub object: PlaceObject,
    /// When it was read back, RFC 3339, if it was.
    pub read: Option<String>,
}

/// The lines of one offload at one place.
#[derive(Debug)]
pub struct SendJournal {
    path: Utf8PathBuf,
    /// What part files at the place have in their names.
    pub mark: String,
    /// Files that were sent, by their path.
    pub known: BTreeMap<String, SentFile>,
    /// Files that were damaged there or could not be read, by their path.
    pub bad: BTreeMap<String, (PlaceObject, PlaceHarm)>,
    /// The least grade of the last receipt.
    pub receipt: Option<Grade>,
    is_new: bool,
}

/// What this computer began to send to a place.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct BegunOffload {
    /// Its name.
    pub offload: String,
    /// Files of it that were sent.
    pub files: u64,
    /// And their bytes.
    pub bytes: u64,
}

/// Returns what this computer began to send to the place of this address, whether it ended or not.
///
/// # Errors
/// What the system says.
pub fn begun_at(home: &Utf8Path, place: &str) -> io::Result<Vec<BegunOffload>> {
    let folder = home.join(FOLDER);
    let mut found = Vec::new();
    for name in names_in(&folder)? {
        let path = folder.join(name);
        if path.extension() != Some("jsonl") {
            continue;
        }
        let (text, _) = read_tail(&path, BYTES_MAX)?;
        let mut lines = text.split(|byte| *byte == b'\n');
        let first = lines
            .next()
            .and_then(|line| serde_json::from_slice(line).ok());
        let Some(SendLine::Begun {
            place: at, offload, ..
        }) = first
        else {
            continue;
        };
        if at != place {
            continue;
        }
        let mut files = BTreeMap::new();
        for line in lines {
            if let Ok(SendLine::Sent { path, object, .. }) = serde_json::from_slice(line) {
                files.insert(path, object.bytes);
            }
        }
        found.push(BegunOffload {
            offload,
            files: len64(files.len()),
            bytes: files.values().fold(0, |sum, n| sum.saturating_add(*n)),
        });
    }
    Ok(found)
}

impl SendJournal {
    /// Reads what is remembered. A line that a crash tore is no line.
    ///
    /// # Errors
    /// What the system says.
    pub fn open(
        home: &Utf8Path,
        place: &str,
        offload: &str,
        manifest_b3: Digest,
    ) -> io::Result<Self> {
        let about = format!("{place}\0{offload}\0{manifest_b3}");
        let about = Digest::of(about.as_bytes());
        let path = home.join(FOLDER).join(format!("{about}.jsonl"));
        // Another computer that sends the same has part files of its own.
        let ours = RandomState::new().hash_one(path.as_str());
        let mark: String = Digest::of(&ours.to_le_bytes()).to_string();
        let mark = mark.chars().take(8).collect();
        let (text, is_cut) = read_tail(&path, BYTES_MAX)?;
        let mut journal = Self {
            path,
            mark,
            known: BTreeMap::new(),
            bad: BTreeMap::new(),
            receipt: None,
            is_new: text.is_empty(),
        };
        if is_cut {
            return Err(io::Error::other(
                "what is remembered of this place is too long",
            ));
        }
        for line in text.split(|byte| *byte == b'\n') {
            if let Ok(line) = serde_json::from_slice(line) {
                journal.take(line);
            }
        }
        Ok(journal)
    }

    fn take(&mut self, line: SendLine) {
        match line {
            SendLine::Begun { mark, .. } => self.mark = mark,
            SendLine::Sent {
                path,
                blake3,
                grade,
                object,
                read,
            } => {
                let known = SentFile {
                    blake3,
                    grade,
                    object,
                    read,
                };
                self.bad.remove(&path);
                self.known.insert(path, known);
                // What it says of this file is older.
                self.receipt = None;
            }
            SendLine::Bad { path, object } => self.take_bad(path, (object, PlaceHarm::Damaged)),
            SendLine::Unread { path, object } => self.take_bad(path, (object, PlaceHarm::Unread)),
            SendLine::Receipt { grade, .. } => self.receipt = Some(grade),
        }
    }

    /// Takes what checks of the folder itself found damaged since it was read back, where a place
    /// is one.
    pub fn weigh(&mut self, manifest: &Manifest, damage: &CopyDamage) {
        for file in &manifest.files {
            let path = manifest.offload.layout.outside(&file.path);
            let found = damage.of_file(&file.path);
            // Both are times of this computer, RFC 3339 in UTC.
            let is_later = |known: &&SentFile| found.is_some_and(|f| Some(f.at) >= known.read);
            if let Some(known) = self.known.get(&path).filter(is_later) {
                let object = known.object.clone();
                self.take_bad(path, (object, PlaceHarm::Damaged));
            }
        }
    }

    fn take_bad(&mut self, path: String, found: (PlaceObject, PlaceHarm)) {
        self.known.remove(&path);
        self.bad.insert(path, found);
        self.receipt = None;
    }

    /// Keeps other commands of this computer from sending the same until it is dropped; `None`
    /// where one is at work.
    ///
    /// # Errors
    /// What the system says.
    pub fn hold(&self) -> io::Result<Option<impl Sized + use<>>> {
        if let Some(folder) = self.path.parent() {
            make_folder(folder)?;
        }
        hold(&self.path.with_extension("lock"), true)
    }

    /// Returns the first line.
    pub(super) fn beginning(&self, place: &str, (name, manifest): (&str, &Manifest)) -> SendLine {
        SendLine::Begun {
            place: place.to_owned(),
            offload: name.to_owned(),
            manifest_b3: manifest.own_b3.unwrap_or(Digest::of(b"")),
            mark: self.mark.clone(),
        }
    }

    /// Returns whether nothing was sent before.
    pub fn is_new(&self) -> bool {
        self.is_new
    }

    /// Adds a line and makes it durable.
    ///
    /// # Errors
    /// What the system says.
    pub fn add(&mut self, line: &SendLine, wait: impl FnMut()) -> io::Result<()> {
        let text = serde_json::to_string(line).map_err(io::Error::other)?;
        append_line(&self.path, &text, wait)?;
        self.is_new = false;
        self.take(line.clone());
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_sent_is_remembered_and_a_torn_line_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let home = Utf8PathBuf::from_path_buf(folder.path().to_path_buf()).unwrap();
        let manifest = Digest::of(b"kites");
        let open = || SendJournal::open(&home, "file:///srv", "20261125-KITES", manifest).unwrap();
        let mut journal = open();
        assert!(journal.is_new() && journal.known.is_empty());
        let sent = |path: &str, grade| SendLine::Sent {
            path: path.to_owned(),
            blake3: Digest::of(b"kite"),
            grade,
            object: PlaceObject {
                bytes: 4,
                modified: None,
                version: Some("1".to_owned()),
                etag: None,
            },
            read: None,
        };
        journal.add(&sent("A", Grade::Sent), || {}).unwrap();
        journal.add(&sent("A", Grade::Fetched), || {}).unwrap();
        let receipt = SendLine::Receipt {
            name: "r".to_owned(),
            grade: Grade::Fetched,
        };
        journal.add(&receipt, || {}).unwrap();
        let torn = "{\"did\":\"sent\",\"path\":\"B\"";
        append_line(&journal.path, torn, || {}).unwrap();
        let again = open();
        assert_eq!(again.known, journal.known);
        assert_eq!(again.known["A"].grade, Grade::Fetched);
        assert_eq!(again.receipt, Some(Grade::Fetched));
        assert!(!again.is_new());
        let bad = SendLine::Bad {
            path: "A".to_owned(),
            object: again.known["A"].object.clone(),
        };
        journal.add(&bad, || {}).unwrap();
        assert!(open().known.is_empty() && open().bad.contains_key("A"));
        journal.add(&sent("A", Grade::Fetched), || {}).unwrap();
        assert!(open().bad.is_empty() && open().known.contains_key("A"));
        let unread = SendLine::Unread {
            path: "A".to_owned(),
            object: journal.known["A"].object.clone(),
        };
        journal.add(&unread, || {}).unwrap();
        assert_eq!(open().bad["A"].1, PlaceHarm::Unread);
        assert!(open().known.is_empty());
        let other = SendJournal::open(&home, "file:///srv", "20261125-KITES", Digest::of(b"x"));
        assert!(other.unwrap().is_new(), "another manifest, another file");
    }
}
