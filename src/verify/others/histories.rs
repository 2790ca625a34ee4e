//! Owns the reading of ASC MHL histories from a folder: the chain first, then every generation of
//! it, then what each says of the lists below.

use super::answer::{OthersError, RecordKind, RecordRead};
use super::read::Reading;
use crate::card::left_out::came_later;
use crate::error::{Error, Step};
use crate::hash_algorithm::{Also, Hasher};
use crate::record::others::mhl::{
    ChainEntry, Generation, History, MHL_CHAIN, MHL_ENDING, MHL_FOLDER, MhlError, chain,
};
use crate::record::others::{RefusedRecord, WhyRefused};
use crate::units::len64;
use crate::verify::finding::Finding;
use camino::Utf8Path;
use std::collections::{BTreeMap, HashSet};
use std::io;

/// The most bytes of all generations of a history that are read.
const GENERATION_BYTES_MAX: u64 = 512 << 20;
const CHAIN_BYTES_MAX: u64 = 16 << 20;
/// Histories of one folder that are read.
const HISTORIES_MAX: usize = 1_000;

fn refused(record: String, why: WhyRefused) -> OthersError {
    OthersError::Refused(RefusedRecord {
        record,
        line: None,
        why,
    })
}

fn wrong(record: &str) -> impl FnOnce(MhlError) -> OthersError {
    |why| refused(record.to_owned(), WhyRefused::Mhl(why))
}

impl Reading<'_> {
    /// The history of the folder itself, and those below it. Where the folder has none, those below
    /// it are others' business.
    pub(super) fn histories(&mut self, root: &Utf8Path, files: &[&str]) -> Result<(), OthersError> {
        let ending = format!("{MHL_FOLDER}/{MHL_CHAIN}");
        if !files.contains(&ending.as_str()) {
            return Ok(());
        }
        let is_at = |path: &&&str| match path.strip_suffix(&ending) {
            Some(before) => before.is_empty() || before.ends_with('/'),
            None => false,
        };
        let chains: Vec<&&str> = files.iter().filter(is_at).collect();
        if chains.len() > HISTORIES_MAX {
            return Err(refused(ending, WhyRefused::TooLarge));
        }
        let mut sums = BTreeMap::new();
        let mut all = Vec::new();
        for path in chains {
            let folder = path.strip_suffix(&ending).unwrap_or_default();
            all.push(self.history(root, folder.trim_end_matches('/'), files, &mut sums)?);
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

    fn history(
        &mut self,
        root: &Utf8Path,
        folder: &str,
        files: &[&str],
        sums: &mut BTreeMap<String, String>,
    ) -> Result<History, OthersError> {
        let at = in_folder(folder, MHL_FOLDER);
        let chain_path = format!("{at}/{MHL_CHAIN}");
        let text = self.text(root, &chain_path, CHAIN_BYTES_MAX)?.0;
        let entries = chain(&text).map_err(wrong(&chain_path))?;
        self.strangers(&at, &entries, files);
        let mut generations = Vec::new();
        let mut bytes = 0;
        for entry in &entries {
            let path = format!("{at}/{}", entry.path);
            if !files.contains(&path.as_str()) {
                return Err(refused(path, WhyRefused::ChainGap));
            }
            let (text, sha512) = self.text(root, &path, GENERATION_BYTES_MAX)?;
            bytes += len64(text.len());
            if bytes > GENERATION_BYTES_MAX {
                return Err(refused(path, WhyRefused::TooLarge));
            }
            if sha512 != entry.sha512 {
                return Err(refused(path, WhyRefused::NotInChain));
            }
            generations.push(Generation::parse(&text).map_err(wrong(&path))?);
            sums.insert(path, sha512);
        }
        Ok(History {
            folder: folder.to_owned(),
            generations,
        })
    }

    /// What lies in the history's folder and is no part of it.
    fn strangers(&mut self, at: &str, entries: &[ChainEntry], files: &[&str]) {
        let named: HashSet<&str> = entries.iter().map(|e| e.path.as_str()).collect();
        let below = files.iter().filter_map(|path| {
            let name = path.strip_prefix(at)?.strip_prefix('/')?;
            Some((*path, name))
        });
        for (path, name) in below {
            let is_own = name == MHL_CHAIN || name == "README.txt" || named.contains(name);
            if came_later(path, false) {
                continue;
            }
            if !is_own && name.ends_with(MHL_ENDING) {
                let why = "the chain does not name it, so nobody vouches for it".to_owned();
                let finding = Finding::Untrusted(path.to_owned(), why);
                self.said.findings.push(finding);
            } else if !is_own {
                let finding = Finding::Extra(path.to_owned());
                self.said.findings.push(finding);
            }
            self.said.scope.own.insert(path.to_owned());
        }
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

    /// A file of a history as text, and its SHA-512.
    fn text(
        &self,
        root: &Utf8Path,
        path: &str,
        limit: u64,
    ) -> Result<(String, String), OthersError> {
        let full = root.join(path);
        let io = |e: io::Error| OthersError::Io(Error::new(Step::Read, &full, e));
        let bytes = self.disk.read_record(&full, limit).map_err(io)?;
        let mut hasher = Hasher::new(Also::Sha512);
        hasher.update(&bytes);
        let text = String::from_utf8(bytes);
        let text = text.map_err(|_not_text| refused(path.to_owned(), WhyRefused::NotUtf8))?;
        Ok((text, hasher.finish()))
    }
}

fn in_folder(folder: &str, path: &str) -> String {
    if folder.is_empty() {
        path.to_owned()
    } else {
        format!("{folder}/{path}")
    }
}
