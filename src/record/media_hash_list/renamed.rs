//! Owns which file of a history one is that has no name in it: by what it holds, where the other is
//! no longer there. Pure.

use super::next::{SaidBefore, comparable, failed_as};
use crate::hash_algorithm::Also;
use crate::hash_algorithm::checksum::Checksum;
use crate::name::CardName;
use crate::record::others::Claims;
use crate::record::others::mhl::{FailedBefore, MhlAction};
use std::collections::{HashMap, HashSet};

/// Digits of a hash below which two files may have the same one by accident.
const DIGITS_MIN: usize = 16;

/// Files of a history that are not there, by their hashes.
#[derive(Debug)]
pub struct GoneFiles {
    by_sum: HashMap<(Checksum, Box<str>), Vec<CardName>>,
    gone: HashSet<CardName>,
    taken: HashSet<CardName>,
}

impl GoneFiles {
    /// Finds what is not there.
    pub fn of(claims: &Claims, stands: impl Fn(&str) -> bool) -> Self {
        let mut absent = Self {
            by_sum: HashMap::new(),
            gone: HashSet::new(),
            taken: HashSet::new(),
        };
        for (path, claim) in claims.iter().filter(|(path, _)| !stands(path.as_str())) {
            absent.gone.insert(path.clone());
            for sum in claim.sums.iter().filter(|s| s.hex.len() >= DIGITS_MIN) {
                for kind in &sum.kinds {
                    let all = absent.by_sum.entry((*kind, sum.hex.clone())).or_default();
                    all.push(path.clone());
                }
            }
        }
        absent
    }

    /// Notes that a file is known to be elsewhere.
    pub fn note(&mut self, from: CardName) {
        self.taken.insert(from);
    }

    /// Returns where a file was before that is in no generation, and what it is: what it holds is
    /// what one that is gone should hold, or what that one failed with. Nothing is not recognised
    /// by what it holds.
    pub fn take(
        &mut self,
        claims: &Claims,
        failed: &FailedBefore,
        bytes: u64,
        hashes: &[(Also, String)],
    ) -> Option<(MhlAction, CardName)> {
        if bytes == 0 {
            return None;
        }
        let none = FailedBefore::default();
        let is_free = |from: &&CardName| {
            let claim = claims.get(from);
            let said = SaidBefore::of(from, claim, &none, bytes, hashes);
            let is_size = claim.is_some_and(|c| c.bytes.is_none_or(|said| said == bytes));
            is_size && said.action == Some(MhlAction::Verified) && !self.taken.contains(*from)
        };
        let own = hashes.iter().map(|(kind, sum)| comparable(*kind, sum));
        let mut found = own.filter_map(|(kind, hex)| self.by_sum.get(&(kind, hex.into())));
        let good = found.find_map(|all| all.iter().find(is_free));
        let bad = failed_as(failed, bytes, hashes)
            .find(|from| self.gone.contains(*from) && !self.taken.contains(*from));
        let good = good.map(|from| (MhlAction::Verified, from.clone()));
        let found = good.or_else(|| Some((MhlAction::Failed, bad?.clone())))?;
        self.taken.insert(found.1.clone());
        Some(found)
    }
}
