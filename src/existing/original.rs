//! Owns an offload that takes the card's place when a further copy of it is made: where its files
//! lie, what its manifest says they hold, and which other copies that manifest names. Pure:
//! `as_card` looks it up.

use crate::card::listing::{FileRow, Listing};
use crate::digest::Digest;
use crate::disk::{FolderFacts, Stamp};
use crate::error::{Problem, ProblemKind};
use crate::hash_algorithm::{AlsoHashes, AlsoSet};
use crate::name::{fold, shown, some_of};
use crate::record::earlier_run::Records;
use crate::record::layout::{Layout, RECORDS};
use crate::record::manifest::CardPart;
use crate::record::media_hash_list::is_of_history;
use crate::units::{counted, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{HashMap, HashSet};

/// Names that one sentence tells; more are counted.
const NAMES_TOLD: usize = 3;
/// Other copies that are named; more are of no use in one sentence.
const OTHERS_TOLD: usize = 3;

/// One file of the original.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct OriginalFile {
    /// What its manifest says it holds.
    pub blake3: Digest,
    /// The further hashes that its manifest has of it.
    pub also: AlsoHashes,
    /// The date that it had when the job began; `None`: it was not there.
    pub modified: Option<Stamp>,
}

/// An offload that a further copy is made of.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Original {
    /// Its name, as its manifest has it.
    pub name: String,
    /// Its folder, links resolved.
    pub root: Utf8PathBuf,
    /// The BLAKE3 of its manifest.
    pub manifest_b3: Digest,
    /// The card that it was made of, as its manifest has it.
    pub card: CardPart,
    /// Where the card's tree lies in it.
    pub layout: Layout,
    /// Further hashes that its manifest has of some file or other.
    pub also: AlsoSet,
    /// Its own tree, and behind it those of the earlier offloads in which its manifest says that
    /// files lie.
    pub trees: Vec<Utf8PathBuf>,
    /// The folders of those earlier offloads, to be held while their files are read.
    pub beside: Vec<(Utf8PathBuf, FolderFacts)>,
    /// What has the name of a media hash list's folder is the card's own, and no record.
    pub is_mhl_of_card: bool,
    /// Files that lie in one of the further trees, and in which.
    pub elsewhere: HashMap<String, usize>,
    /// One for each file of the listing, in its order.
    pub files: Vec<OriginalFile>,
    /// What stood there when the job began.
    pub stood: Listing,
    /// What its manifest itself says against it, and what else is to be told of it.
    pub problems: Vec<Problem>,
    /// Other copies that its manifest names, as folders.
    pub others: Vec<String>,
}

impl Original {
    /// Returns in which of the trees a file lies.
    pub fn tree_of(&self, path: &str) -> usize {
        self.elsewhere.get(path).copied().unwrap_or(0)
    }

    /// Returns whether what a walk of one tree meets belongs to this offload: all of its own tree
    /// but the records, and of another offload's only what its manifest says lies there.
    pub fn is_of(&self, tree: usize, path: &str) -> bool {
        if tree > 0 {
            return self.elsewhere.get(path) == Some(&tree);
        }
        if is_of_history(path) && !self.is_mhl_of_card {
            return false;
        }
        let below = path.strip_prefix(RECORDS);
        !below.is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
    }

    /// Takes note of what stands in the trees: the dates, and what the manifest does not name.
    pub fn note_standing(&mut self, listing: &Listing, stood: Listing) {
        let dates: HashMap<&str, Stamp> = stood
            .files()
            .map(|f| (f.name.as_str(), f.modified))
            .collect();
        for (file, row) in self.files.iter_mut().zip(listing.files()) {
            file.modified = dates.get(row.name.as_str()).copied();
        }
        let known: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
        let is_extra = |f: &FileRow<'_>| !known.contains(f.name.as_str());
        let extra: Vec<String> = stood
            .files()
            .filter(is_extra)
            .map(|f| f.name.as_str().to_owned())
            .collect();
        if !extra.is_empty() {
            let all = len64(extra.len());
            let names = some_of(extra.iter().map(String::as_str), NAMES_TOLD, all, "file");
            let why = format!(
                "{} there that its manifest does not name, and {} not copied: {names}",
                counted(all, "file") + if all == 1 { " is" } else { " are" },
                if all == 1 { "is" } else { "are" }
            );
            self.problems
                .push(Problem::new(ProblemKind::Extra, why).harmless());
        }
        self.stood = stood;
    }

    /// Returns whether records on a drive are of the very card and listing that this offload is of.
    pub fn is_recorded_by(&self, records: &Records) -> bool {
        let card = &self.card;
        // Its manifest does not say whether the card was a whole volume.
        let is_same_card = records.card_mark().is_same_card(card.mark(), false);
        records.listing_b3 == Some(card.listing_b3) && is_same_card
    }

    /// Returns where a good copy of a damaged file may be, as the end of a sentence.
    pub fn elsewhere_words(&self) -> String {
        let all = len64(self.others.len());
        if all == 0 {
            return "its manifest names no other copy".to_owned();
        }
        let names = self.others.iter().map(String::as_str);
        format!(
            "a good one may be in {}",
            some_of(names, OTHERS_TOLD, all, "folder")
        )
    }

    /// Returns why no copy of it can be made in this folder, if so.
    pub fn refuses(&self, own: &FolderFacts, folder: &FolderFacts, name: &str) -> Option<String> {
        let place = (folder.device, folder.inode);
        if folder.ancestors.contains(&(own.device, own.inode)) {
            return Some("is inside the offload that is to be copied".to_owned());
        }
        let is_its_volume = self.card.volume_id == folder.volume_id;
        let is_in_its_place = Utf8Path::new(&folder.canonical).starts_with(&self.card.path);
        // Mounted elsewhere, whatever the camera calls its folders. Of volumes without an identity
        // only the place is known.
        let is_card = folder.volume_id.is_some() && !folder.is_own_volume;
        if is_its_volume && (is_in_its_place || is_card) {
            return Some(
                "is on the card that this offload was made of; a card is only ever read".to_owned(),
            );
        }
        let is_above = own.ancestors.get(1) == Some(&place);
        let own_name = self.root.file_name().unwrap_or_default();
        (is_above && fold(own_name) == fold(name))
            .then(|| format!("holds this very offload as `{}` already", shown(own_name)))
    }
}
