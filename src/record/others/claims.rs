//! Owns what one or several records of a folder say of its files, by path. Records that contradict
//! each other, or themselves, are refused.

use crate::hash_algorithm::checksum::Checksum;
use crate::name::CardName;
use smallvec::SmallVec;
use std::collections::HashMap;
use std::collections::hash_map::Entry;

/// A hash of a file by a record.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sum {
    /// What it can be: a record that names no kind leaves several with so many digits.
    pub kinds: SmallVec<[Checksum; 2]>,
    /// Lower-case hex.
    pub hex: Box<str>,
}

/// What records say of one file.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FileClaim {
    /// Every hash of it.
    pub sums: SmallVec<[Sum; 1]>,
    /// Its size in bytes, where a record has it.
    pub bytes: Option<u64>,
    /// What few have: a list may have ten million lines.
    pub words: Option<Box<ClaimWords>>,
}

/// What records say of few files.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ClaimWords {
    /// The name of a hash that cannot be computed here.
    pub unknown: Option<Box<str>>,
    /// The path as the record has it, where that could be another name than was read from it.
    pub written: Option<Box<str>>,
}

/// What the records of one folder say.
#[derive(Debug, Default)]
pub struct Claims(HashMap<CardName, FileClaim>);

impl Claims {
    /// Returns how many files are named.
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Returns whether none is.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Returns what is said of a file.
    pub fn get(&self, path: &CardName) -> Option<&FileClaim> {
        self.0.get(path)
    }

    /// Returns all of it, in no order.
    pub fn iter(&self) -> impl Iterator<Item = (&CardName, &FileClaim)> {
        self.0.iter()
    }

    /// Returns all of it, sorted by path.
    pub fn into_sorted(self) -> Vec<(CardName, FileClaim)> {
        let mut all: Vec<_> = self.0.into_iter().collect();
        all.sort_unstable_by(|(a, _), (b, _)| a.cmp(b));
        all
    }

    /// Keeps what is said of some paths for others, all at once: two may change places.
    ///
    /// # Errors
    /// A path that is given to another file while there is one of its name.
    pub fn rename(&mut self, pairs: Vec<(CardName, CardName)>) -> Result<(), CardName> {
        let taken = pairs
            .into_iter()
            .map(|(from, to)| (to, self.0.remove(&from)));
        let taken: Vec<_> = taken.collect();
        for (to, claim) in taken {
            let Some(claim) = claim else { continue };
            match self.0.entry(to) {
                Entry::Occupied(taken) => return Err(taken.key().clone()),
                Entry::Vacant(entry) => drop(entry.insert(claim)),
            }
        }
        Ok(())
    }

    /// Returns the claim about a file, made now where there was none.
    pub fn of(&mut self, path: CardName) -> &mut FileClaim {
        match self.0.entry(path) {
            Entry::Occupied(entry) => entry.into_mut(),
            Entry::Vacant(entry) => entry.insert(FileClaim::default()),
        }
    }
}

impl FileClaim {
    /// Returns the name of a hash that cannot be computed here.
    pub fn unknown(&self) -> Option<&str> {
        self.words.as_ref()?.unknown.as_deref()
    }

    /// Returns the path as the record has it, where that could be another name.
    pub fn written(&self) -> Option<&str> {
        self.words.as_ref()?.written.as_deref()
    }

    /// Keeps the name of a hash that cannot be computed here.
    pub fn set_unknown(&mut self, name: &str) {
        self.words.get_or_insert_default().unknown = Some(name.into());
    }

    /// Keeps the path as the first record has it.
    pub fn set_written(&mut self, path: &str) {
        let words = self.words.get_or_insert_default();
        words.written.get_or_insert_with(|| path.into());
    }
    /// Adds a hash; `false` when another one of its kind is there already.
    pub fn add(&mut self, sum: Sum) -> bool {
        let mut same = self.sums.iter().filter(|has| has.kinds == sum.kinds);
        match same.next() {
            Some(has) if has.hex == sum.hex => true,
            // Where the kind is not said each may be another one.
            Some(_) if sum.kinds.len() == 1 => false,
            _ => {
                self.sums.push(sum);
                true
            }
        }
    }
}
