//! Owns the reading of ASC MHL histories from a folder: the chain first, then every generation of
//! it, then what each says of the lists below.

use super::answer::{OthersError, RecordKind, RecordRead};
use super::lines::RECORD_BYTES_MAX;
use super::read::Reading;
use crate::card::left_out::came_later;
use crate::error::{Error, Step};
use crate::record::media_hash_list::{
    HistoryError, StandingHistory, StrayKind, UnlikeFolder, is_list_name, load_history,
    unlike_folders,
};
use crate::record::others::mhl::{Generation, History, MHL_CHAIN, MHL_FOLDER, MhlError};
use crate::record::others::{RefusedRecord, WhyRefused};
use crate::units::len64;
use crate::verify::finding::Finding;
use camino::Utf8Path;
use std::collections::{BTreeMap, BTreeSet, HashSet};
use std::io;

/// Histories of one folder that are read.
const HISTORIES_MAX: usize = 1_000;

fn refused(record: String, why: WhyRefused) -> OthersError {
    OthersError::Refused(RefusedRecord {
        record,
        line: None,
        why,
    })
}

impl Reading<'_> {
    /// The history of the folder itself, and those below it. Where the folder has none, those below
    /// it are others' business.
    pub(super) fn histories(&mut self, root: &Utf8Path, files: &[&str]) -> Result<(), OthersError> {
        let folders: BTreeSet<&str> = files.iter().filter_map(|p| history_of(p)).collect();
        if !folders.contains("") {
            return Ok(());
        }
        if folders.len() > HISTORIES_MAX {
            return Err(refused(MHL_FOLDER.to_owned(), WhyRefused::TooLarge));
        }
        let mut sums = BTreeMap::new();
        let mut all = Vec::new();
        for folder in folders {
            all.push(self.history(root, folder, files, &mut sums)?);
        }
        for history in &all {
            self.references(history, files, &sums);
            let mut claims = std::mem::take(&mut self.said.claims);
            let said = history.claims(&mut claims);
            self.said.claims = claims;
            let name = in_folder(&history.folder, MHL_FOLDER);
            let (named, folders) = said.map_err(|why| refused(name.clone(), why))?;
            self.said.folders.extend(folders);
            let last = history.generations.last();
            let unlike = last.map(unlike_folders).unwrap_or_default().into_iter();
            self.said.unlike.extend(unlike.map(|folder| UnlikeFolder {
                path: in_folder(&history.folder, &folder.path),
                ..folder
            }));
            let patterns = last.map(|g| g.ignore.clone()).unwrap_or_default();
            let left_out = &mut self.said.scope.left_out;
            left_out.push((history.folder.clone(), patterns));
            self.said.records.push(RecordRead {
                kind: RecordKind::Mhl(len64(history.generations.len())),
                name,
                files: named,
                unknown: 0,
                hashes: Vec::new(),
            });
        }
        Ok(())
    }

    /// One generation that was given, without its chain and the others.
    pub(super) fn generation(&mut self, list: &Utf8Path, name: &str) -> Result<(), OthersError> {
        let io = |e: io::Error| OthersError::Io(Error::new(Step::Read, list, e));
        let bytes = self.disk.read_record(list, RECORD_BYTES_MAX).map_err(io)?;
        let wrong = |why| refused(name.to_owned(), why);
        let text = String::from_utf8(bytes).map_err(|_not_text| wrong(WhyRefused::NotUtf8))?;
        let generation = Generation::parse(&text).map_err(|why| wrong(WhyRefused::Mhl(why)))?;
        let patterns = generation.ignore.clone();
        self.said.unlike = unlike_folders(&generation);
        let history = History {
            folder: String::new(),
            generations: vec![generation],
        };
        let (named, folders) = history.claims(&mut self.said.claims).map_err(wrong)?;
        self.said.folders = folders;
        self.said.scope.left_out = vec![(String::new(), patterns)];
        self.said.records.push(RecordRead {
            kind: RecordKind::Mhl(1),
            name: name.to_owned(),
            files: named,
            unknown: 0,
            hashes: Vec::new(),
        });
        Ok(())
    }

    fn history(
        &mut self,
        root: &Utf8Path,
        folder: &str,
        files: &[&str],
        sums: &mut BTreeMap<String, String>,
    ) -> Result<History, OthersError> {
        let at = in_folder(folder, MHL_FOLDER);
        let standing = load_history(self.disk, &root.join(folder));
        let standing = standing.and_then(|standing| {
            let standing = standing.unwrap_or_default();
            let has_chain = !standing.entries.is_empty();
            if has_chain {
                Ok(standing)
            } else {
                Err(standing.broken())
            }
        });
        let standing = standing.map_err(|why| of_history(folder, why))?;
        self.beside(&at, &standing);
        let below = format!("{at}/");
        let own = files.iter().filter(|path| path.starts_with(&below));
        let own = own.map(|path| (*path).to_owned());
        self.said.scope.own.extend(own);
        for entry in standing.entries {
            sums.insert(format!("{at}/{}", entry.path), entry.sha512);
        }
        Ok(History {
            folder: folder.to_owned(),
            ..standing.history
        })
    }

    /// What lies in the history's folder and is no part of it.
    fn beside(&mut self, at: &str, standing: &StandingHistory) {
        self.said.cut_short |= standing.is_cut_short();
        for name in standing.of_kind(StrayKind::Foreign) {
            let why = "the chain does not name it, so nobody vouches for it".to_owned();
            let finding = Finding::Changed(format!("{at}/{name}"), why);
            self.said.findings.push(finding);
        }
        let others = standing.others.iter().map(|name| format!("{at}/{name}"));
        let extra = others.filter(|path| !came_later(path, false));
        self.said.findings.extend(extra.map(Finding::Extra));
    }

    /// Holds lists of histories below against what is said of them.
    fn references(&mut self, history: &History, files: &[&str], sums: &BTreeMap<String, String>) {
        let all = history.generations.iter().flat_map(|g| &g.references);
        let mut seen = HashSet::new();
        for reference in all.filter(|r| seen.insert((&r.path, &r.sha512))) {
            let path = in_folder(&history.folder, &reference.path);
            let finding = match sums.get(&path) {
                Some(sha512) if *sha512 == reference.sha512 => continue,
                Some(_) => {
                    let why = "is not what the history above says of it".to_owned();
                    Finding::Changed(path, why)
                }
                None if files.contains(&path.as_str()) => {
                    let why = "the history above names it, its own chain does not".to_owned();
                    Finding::Untrusted(path, why)
                }
                None => Finding::Missing(path),
            };
            self.said.findings.push(finding);
        }
    }
}

/// Says it of a history in a folder below.
fn of_history(folder: &str, why: HistoryError) -> OthersError {
    match why {
        HistoryError::Io(error) => OthersError::Io(error),
        HistoryError::Refused(mut record) => {
            record.record = in_folder(folder, &record.record);
            OthersError::Refused(record)
        }
        // There is a chain in it; a list beside it is told.
        HistoryError::NoFolder | HistoryError::Stray(_) => {
            let chain = format!("{MHL_FOLDER}/{MHL_CHAIN}");
            refused(in_folder(folder, &chain), WhyRefused::Mhl(MhlError::Root))
        }
    }
}

/// The folder that a file is a part of the history of. Where the chain is gone the lists are there.
fn history_of(path: &str) -> Option<&str> {
    let (folder, name) = path.rsplit_once('/')?;
    let above = folder.strip_suffix(MHL_FOLDER)?;
    let is_whole = above.is_empty() || above.ends_with('/');
    let is_part = name == MHL_CHAIN || is_list_name(name);
    (is_whole && is_part).then(|| above.trim_end_matches('/'))
}

fn in_folder(folder: &str, path: &str) -> String {
    match (folder, path) {
        ("", path) => path.to_owned(),
        (folder, "") => folder.to_owned(),
        (folder, path) => format!("{folder}/{path}"),
    }
}
