//! Owns the listing of a card: every entry as one sorted row, those that cannot be read included.
//! Data only; the survey fills it.

use crate::card::hidden::LeftFile;
use crate::card::left_out::SkipReason;
use crate::digest::Digest;
use crate::disk::{Sight, Stamp};
use crate::error::{Cause, LINK, MOUNTED, SPECIAL, UNRECORDABLE};
use crate::name::{CardName, NameError, hex};
use std::collections::BTreeMap;
use std::sync::Arc;

/// What one row of a listing is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum RowKind {
    /// A file to be copied.
    File {
        /// Its path.
        name: CardName,
        /// Size in bytes.
        bytes: u64,
        /// Date of the last change, as the file system gave it.
        modified: Stamp,
        /// What shows that it was written to or replaced since, also with size and date put back.
        sight: Sight,
    },
    /// A folder to be made.
    Folder {
        /// Its path.
        name: CardName,
    },
    /// Something a computer left behind.
    LeftOut {
        /// Why.
        why: SkipReason,
    },
    /// An entry that cannot be copied as it is: unreadable, a link, a socket, a path too long.
    Trouble {
        /// Why.
        why: EntryTrouble,
    },
    /// A name that is not UTF-8, which no manifest can hold exactly.
    NotText,
}

/// Why an entry cannot be copied as it is.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
pub enum EntryTrouble {
    /// It is a symbolic link.
    #[error("{LINK}")]
    Link,
    /// It is a socket, pipe or device.
    #[error("{SPECIAL}")]
    Special,
    /// Another volume is mounted there.
    #[error("{MOUNTED}")]
    Mounted,
    /// No record can hold its path.
    #[error("{UNRECORDABLE}: {0}")]
    Unrecordable(NameError),
    /// It, or what is in it, could not be listed: what the system said, and what that comes from.
    #[error("could not be listed: {0}")]
    Unlisted(String, Option<Cause>),
}

impl EntryTrouble {
    /// Returns what it comes from.
    pub fn cause(&self) -> Option<Cause> {
        match self {
            Self::Unlisted(_, cause) => *cause,
            _ => Some(Cause::Odd),
        }
    }
}

/// One entry of a card.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Row {
    /// The path as raw bytes with `/` between parts.
    pub raw: Arc<[u8]>,
    /// What it is.
    pub kind: RowKind,
}

impl Row {
    /// A row of this path; where its kind holds a name, which is the path, the two share it.
    pub fn new(raw: Vec<u8>, kind: RowKind) -> Self {
        let raw = match &kind {
            RowKind::File { name, .. } | RowKind::Folder { name } => name.shared_bytes(),
            _ => raw.into(),
        };
        Self { raw, kind }
    }

    /// Returns the path as text: as it is, or its bytes in hex when it is not UTF-8.
    pub fn path(&self) -> String {
        std::str::from_utf8(&self.raw)
            .map_or_else(|_not_text| format!("hex:{}", hex(&self.raw)), str::to_owned)
    }
}

/// A file of the listing, borrowed.
#[derive(Clone, Copy, Debug)]
pub struct FileRow<'a> {
    /// Its path.
    pub name: &'a CardName,
    /// Size in bytes.
    pub bytes: u64,
    /// Date of the last change.
    pub modified: Stamp,
    /// What shows that it was written to or replaced since.
    pub sight: Sight,
}

/// Everything a card holds, sorted by raw path.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Listing {
    rows: Vec<Row>,
    unexplained: Option<String>,
    mounts: Vec<String>,
    left_files: Vec<LeftFile>,
    media_left: Vec<String>,
}

/// How two listings of one card differ.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum Difference {
    /// A row of the first listing is gone.
    Vanished(String),
    /// A row is another file, size or date now.
    Changed(String),
    /// A row is new.
    New(String),
    /// A folder could not be listed the second time, so nothing is known of what is in it.
    Unlisted(String, EntryTrouble),
}

impl Listing {
    /// Sorts rows into a listing.
    pub fn new(mut rows: Vec<Row>) -> Self {
        rows.sort_by(|a, b| a.raw.cmp(&b.raw));
        Self {
            rows,
            ..Self::default()
        }
    }

    /// Adds the files that are left out, each alone, also those in folders that are.
    #[must_use]
    pub fn with_left_files(self, left_files: Vec<LeftFile>) -> Self {
        Self { left_files, ..self }
    }

    /// Returns the files that are left out and are worth a look.
    pub fn left_files(&self) -> &[LeftFile] {
        &self.left_files
    }

    /// Adds the paths of those that look like pictures, clips or sound.
    #[must_use]
    pub fn with_media_left(self, media_left: Vec<String>) -> Self {
        Self { media_left, ..self }
    }

    /// Returns what is left out and looks like pictures, clips or sound; none where nobody looked.
    pub fn media_left(&self) -> &[String] {
        &self.media_left
    }

    /// Adds what the volume has in use and nothing explains, in words, and the folders at which
    /// other volumes are mounted.
    #[must_use]
    pub fn with_account(self, unexplained: Option<String>, mounts: Vec<String>) -> Self {
        Self {
            unexplained,
            mounts,
            ..self
        }
    }

    /// Returns what the volume has in use and no entry explains, in words.
    pub fn unexplained(&self) -> Option<&str> {
        self.unexplained.as_deref()
    }

    /// Returns the first folders at which other volumes are mounted.
    pub fn mounts(&self) -> &[String] {
        &self.mounts
    }

    /// Returns whether an entry could not be listed.
    pub fn has_unlisted(&self) -> bool {
        let is_it = |row: &Row| {
            matches!(
                &row.kind,
                RowKind::Trouble {
                    why: EntryTrouble::Unlisted(..)
                }
            )
        };
        self.rows.iter().any(is_it)
    }

    /// Returns every row.
    pub fn rows(&self) -> &[Row] {
        &self.rows
    }

    /// Returns the files to be copied, in order.
    pub fn files(&self) -> impl Iterator<Item = FileRow<'_>> {
        self.rows.iter().filter_map(|row| match &row.kind {
            RowKind::File {
                name,
                bytes,
                modified,
                sight,
            } => Some(FileRow {
                name,
                bytes: *bytes,
                modified: *modified,
                sight: *sight,
            }),
            _ => None,
        })
    }

    /// Returns the folders to be made, parents before children.
    pub fn folders(&self) -> impl Iterator<Item = &CardName> {
        self.rows.iter().filter_map(|row| match &row.kind {
            RowKind::Folder { name } => Some(name),
            _ => None,
        })
    }

    /// Returns what computers left behind, with the reason.
    pub fn left_out(&self) -> impl Iterator<Item = (String, &SkipReason)> {
        self.rows.iter().filter_map(|row| match &row.kind {
            RowKind::LeftOut { why } => Some((row.path(), why)),
            _ => None,
        })
    }

    /// Returns the number of files and their bytes.
    pub fn totals(&self) -> (u64, u64) {
        self.files()
            .fold((0, 0), |(n, bytes), f| (n + 1, bytes + f.bytes))
    }

    /// Returns the BLAKE3 fingerprint of every row that is not left out: path, kind, size, date.
    /// Two listings with one fingerprint are the same; what computers keep changing does not count.
    pub fn fingerprint(&self) -> Digest {
        let mut hasher = blake3::Hasher::new();
        for row in &self.rows {
            let (tag, bytes, modified) = match &row.kind {
                RowKind::File {
                    bytes, modified, ..
                } => (b'f', *bytes, *modified),
                RowKind::Folder { .. } => (
                    b'd',
                    0,
                    Stamp {
                        seconds: 0,
                        nanos: 0,
                    },
                ),
                RowKind::Trouble { .. } => (
                    b't',
                    0,
                    Stamp {
                        seconds: 0,
                        nanos: 0,
                    },
                ),
                RowKind::NotText => (
                    b'n',
                    0,
                    Stamp {
                        seconds: 0,
                        nanos: 0,
                    },
                ),
                RowKind::LeftOut { .. } => continue,
            };
            hasher.update(&[tag]);
            hasher.update(&crate::units::len64(row.raw.len()).to_le_bytes());
            hasher.update(&row.raw);
            hasher.update(&bytes.to_le_bytes());
            hasher.update(&modified.seconds.to_le_bytes());
            hasher.update(&modified.nanos.to_le_bytes());
        }
        hasher.finalize().into()
    }

    /// Returns whether a later listing of the same run says the same, and that no file was touched
    /// in between.
    pub fn is_unchanged(&self, later: &Self) -> bool {
        (later.unexplained.is_none() || self.unexplained.is_some())
            && self.mounts == later.mounts
            && self.differences(later, 1).is_empty()
    }

    /// Returns the files that a later listing of the same run has in the same size and date and
    /// that were touched all the same: as they were, and as they look now.
    pub fn touched<'a>(&'a self, later: &'a Self) -> Vec<(FileRow<'a>, Sight)> {
        let mut after = later.files().peekable();
        let touched = self.files().filter_map(|before| {
            while after
                .next_if(|a| a.name.as_str() < before.name.as_str())
                .is_some()
            {}
            let same = (before.name, before.bytes, before.modified);
            let after = after.next_if(|a| (a.name, a.bytes, a.modified) == same)?;
            (after.sight != before.sight).then_some((before, after.sight))
        });
        touched.collect()
    }

    /// Takes these files for untouched, after each was read again and found equal.
    pub fn forgive(&mut self, files: &BTreeMap<CardName, Sight>) {
        for row in &mut self.rows {
            if let RowKind::File { name, sight, .. } = &mut row.kind
                && let Some(was) = files.get(name)
            {
                *sight = *was;
            }
        }
    }

    /// Returns how `later` differs from this listing, rows that are left out aside; at most `limit`
    /// differences.
    pub fn differences(&self, later: &Self, limit: usize) -> Vec<Difference> {
        let counts = |row: &&Row| !matches!(row.kind, RowKind::LeftOut { .. });
        let mut before = self.rows.iter().filter(counts).peekable();
        let mut after = later.rows.iter().filter(counts).peekable();
        let mut out = Vec::new();
        let mut unlisted: Option<&[u8]> = None;
        let is_below = |raw: &[u8], folder: &[u8]| {
            raw.strip_prefix(folder)
                .is_some_and(|rest| rest.first() == Some(&b'/'))
        };
        while out.len() < limit {
            match (before.peek(), after.peek()) {
                (None, None) => break,
                (Some(b), Some(a)) if b.raw == a.raw => {
                    match &a.kind {
                        kind if same(&b.kind, kind) => {}
                        RowKind::Trouble {
                            why: why @ EntryTrouble::Unlisted(..),
                        } => {
                            unlisted = Some(&a.raw);
                            out.push(Difference::Unlisted(b.path(), why.clone()));
                        }
                        _ => out.push(Difference::Changed(b.path())),
                    }
                    before.next();
                    after.next();
                }
                (Some(b), Some(a)) if a.raw < b.raw => {
                    out.push(Difference::New(a.path()));
                    after.next();
                }
                (Some(b), _) => {
                    if !unlisted.is_some_and(|folder| is_below(&b.raw, folder)) {
                        out.push(Difference::Vanished(b.path()));
                    }
                    before.next();
                }
                (None, Some(a)) => {
                    out.push(Difference::New(a.path()));
                    after.next();
                }
            }
        }
        out
    }
}

/// Trouble is the same trouble even if the system words it differently the second time.
fn same(a: &RowKind, b: &RowKind) -> bool {
    match (a, b) {
        (RowKind::Trouble { .. }, RowKind::Trouble { .. }) => true,
        _ => a == b,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(path: &str, bytes: u64, seconds: i64) -> Row {
        Row {
            raw: path.as_bytes().into(),
            kind: RowKind::File {
                name: CardName::parse(path).unwrap(),
                bytes,
                modified: Stamp { seconds, nanos: 0 },
                sight: Sight::default(),
            },
        }
    }

    fn litter(path: &str) -> Row {
        Row {
            raw: path.as_bytes().into(),
            kind: RowKind::LeftOut {
                why: SkipReason::Recorded("x".into()),
            },
        }
    }

    #[test]
    fn fingerprint_sees_path_size_and_date_but_no_litter() {
        let one = Listing::new(vec![file("b", 2, 5), file("a", 1, 5)]);
        let same = Listing::new(vec![file("a", 1, 5), litter("._a"), file("b", 2, 5)]);
        assert_eq!(one.fingerprint(), same.fingerprint());
        assert!(one.differences(&same, 10).is_empty());
        for other in [
            vec![file("a", 1, 5)],
            vec![file("a", 1, 5), file("b", 3, 5)],
            vec![file("a", 1, 5), file("b", 2, 6)],
            vec![file("a", 1, 5), file("c", 2, 5)],
        ] {
            let other = Listing::new(other);
            assert_ne!(one.fingerprint(), other.fingerprint());
            assert!(!one.differences(&other, 10).is_empty());
        }
    }

    #[test]
    fn differences_are_named() {
        let before = Listing::new(vec![file("a", 1, 1), file("b", 1, 1), file("d", 1, 1)]);
        let after = Listing::new(vec![file("a", 1, 1), file("b", 2, 1), file("c", 1, 1)]);
        assert_eq!(
            before.differences(&after, 10),
            [
                Difference::Changed("b".into()),
                Difference::New("c".into()),
                Difference::Vanished("d".into())
            ]
        );
        assert_eq!(before.differences(&after, 1).len(), 1, "bounded");
    }

    /// Nobody has seen that anything in it is gone.
    #[test]
    fn of_a_folder_that_cannot_be_listed_again_nothing_more_is_said() {
        let folder = |name: &str| {
            let name = CardName::parse(name).unwrap();
            Row::new(name.as_str().into(), RowKind::Folder { name })
        };
        let why = EntryTrouble::Unlisted("Too many open files".into(), Some(Cause::NoFiles));
        let trouble = Row::new(b"DCIM".to_vec(), RowKind::Trouble { why: why.clone() });
        let all = || vec![folder("DCIM"), file("DCIM-2", 1, 1), file("DCIM/b", 1, 1)];
        let before = Listing::new(all());
        let after = Listing::new(vec![trouble.clone(), file("DCIM-2", 1, 1)]);
        let unlisted = Difference::Unlisted("DCIM".into(), why);
        assert_eq!(
            before.differences(&after, 10),
            std::slice::from_ref(&unlisted)
        );
        assert!(!before.is_unchanged(&after));
        let after = Listing::new(vec![trouble]);
        let gone = Difference::Vanished("DCIM-2".into());
        assert_eq!(before.differences(&after, 10), [unlisted, gone]);
    }
}
