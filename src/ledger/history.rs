//! Owns what earlier jobs say of the next one: the rate that this card reached in this reader onto
//! these drives, what a file costs, where a drive slows down; and whether a card reads slower than
//! it used to. Pure.

use super::{Ledger, LedgerEntry, ReadStats};
use crate::card::identity::CardIdentity;
use crate::speed::forecast::{CacheStep, FilePrior, RatePrior};
use crate::units::{float, len64, speed};
use std::collections::BTreeSet;

/// The newest jobs of a pair that are looked at: gear ages, and a job of last year says little.
const JOBS_MAX: usize = 8;
/// Spread of the logarithm of a rate that was reached once: the middle of 0.04 to 0.08 that
/// repeated runs of one chain show, and some more for being one (common practice, no source).
const ONCE_LOG_SD: f64 = 0.08;
/// Below this, equal rates are chance.
const LOG_SD_MIN: f64 = 0.05;
/// Spread of the logarithm of a learned cost per file.
const FILE_LOG_SD: f64 = 0.3;
/// The same where it was learned with other drives.
const FILE_ELSEWHERE_LOG_SD: f64 = 0.5;
/// Jobs of fewer bytes say nothing of a rate.
const BYTES_MIN: u64 = 100_000_000;
/// And a card that was read for fewer seconds may have been helped by its own memory.
const SECONDS_MIN: f64 = 1.0;
/// And jobs of fewer nothing of what a file costs.
const FILES_BYTES_MIN: u64 = 1_000_000;
/// A card that reads below this share of its own middle is told to be slower than its past.
pub const SLOWER: f64 = 0.7;
/// Rates that a past needs.
const PAST_MIN: usize = 2;

/// The card, reader and drives of a job.
#[derive(Clone, Debug)]
pub struct Gear<'a> {
    /// The card.
    pub card: &'a CardIdentity,
    /// The reader, as far as it is known.
    pub reader: Option<&'a str>,
    /// Volume identities of the destinations.
    pub drives: BTreeSet<&'a str>,
}

impl Gear<'_> {
    /// Cards get a new identity with every format, so the name decides where both have one. Labels
    /// are asked only where neither has: cameras write one label on all of their cards.
    fn is_same_pair(&self, entry: &LedgerEntry) -> bool {
        let same_card = match (&entry.card.name, &self.card.name) {
            (Some(then), Some(now)) => then == now,
            (None, None) if self.reader.is_some() && entry.card.label == self.card.label => true,
            _ => entry.card.is_same_card(self.card),
        };
        same_card && entry.reader.as_deref() == self.reader
    }

    fn has_same_drives(&self, entry: &LedgerEntry) -> bool {
        let then: BTreeSet<&str> = entry
            .places
            .iter()
            .filter_map(|p| p.volume_id.as_deref())
            .collect();
        !then.is_empty() && then == self.drives
    }
}

/// Rates and costs that earlier jobs let expect; `None` where too few are known.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct HistoryPrior {
    /// The rate of the whole chain.
    pub rate: Option<RatePrior>,
    /// The rate of the card in this reader, whatever it was copied to.
    pub card: Option<RatePrior>,
    /// The cost of a file.
    pub per_file: Option<FilePrior>,
    /// Where a destination slows down.
    pub cache_step: Option<CacheStep>,
}

/// A rate that was reached.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Reached {
    /// The middle one of all of them, or between the two in the middle, in bytes per second.
    pub bytes_per_s: f64,
    /// How many there are.
    pub times: usize,
}

impl Reached {
    fn of(rates: impl Iterator<Item = f64>) -> Option<Self> {
        let mut rates: Vec<f64> = rates
            .filter(|r| r.is_finite() && *r > 0.0)
            .take(JOBS_MAX)
            .collect();
        rates.sort_unstable_by(f64::total_cmp);
        let upper = *rates.get(rates.len() / 2)?;
        let lower = *rates.get((rates.len() - 1) / 2)?;
        Some(Self {
            bytes_per_s: lower.midpoint(upper),
            times: rates.len(),
        })
    }
}

impl Ledger {
    /// Returns what a card of the kit gave in a reader of the kit, by their names there.
    pub fn reached(&self, card: &str, reader: &str) -> Option<Reached> {
        let is_pair = |e: &&LedgerEntry| {
            e.card.name.as_deref() == Some(card) && e.reader.as_deref() == Some(reader)
        };
        let newest = self.entries.iter().rev().filter(is_pair);
        Reached::of(newest.filter_map(card_rate))
    }

    /// Returns what earlier jobs with this gear let expect.
    pub fn expect(&self, gear: &Gear<'_>) -> HistoryPrior {
        let jobs: Vec<&LedgerEntry> = self
            .entries
            .iter()
            .rev()
            .filter(|e| gear.is_same_pair(e) && gear.has_same_drives(e))
            .take(JOBS_MAX)
            .collect();
        let readings = || jobs.iter().filter_map(|e| e.reading);
        let rate = prior_of(
            readings()
                .filter(|r| r.bytes >= BYTES_MIN)
                .filter_map(|r| r.learned_mbps),
        );
        // What a file costs is mostly a matter of card and reader, so another drive says something
        // too.
        let cost = |r: Option<ReadStats>| {
            let reading = r.filter(|r| r.bytes >= FILES_BYTES_MIN)?;
            reading.learned_file_s.filter(|s| s.is_finite() && *s > 0.0)
        };
        let with = |log_sd| move |seconds| FilePrior { seconds, log_sd };
        let same_pair = || self.entries.iter().rev().filter(|e| gear.is_same_pair(e));
        let of_card = same_pair().filter_map(|e| Some(card_rate(e)? / 1e6));
        let card = prior_of(of_card.take(JOBS_MAX));
        let files = jobs.iter().find_map(|e| cost(e.reading));
        let elsewhere = || same_pair().take(JOBS_MAX).find_map(|e| cost(e.reading));
        let per_file = files
            .map(with(FILE_LOG_SD))
            .or_else(|| elsewhere().map(with(FILE_ELSEWHERE_LOG_SD)));
        HistoryPrior {
            rate,
            card,
            per_file,
            cache_step: self.step_of(&gear.drives),
        }
    }

    /// The last step of any of these drives, whatever card was copied to it.
    fn step_of(&self, drives: &BTreeSet<&str>) -> Option<CacheStep> {
        let steps = self.entries.iter().rev().flat_map(|e| &e.steps);
        steps
            .filter(|s| drives.contains(s.volume_id.as_str()))
            .find(|s| s.mbps_after.is_finite() && s.mbps_after > 0.0 && s.bytes > 0)
            .map(|s| CacheStep {
                bytes: s.bytes,
                mbps_after: s.mbps_after,
            })
    }

    /// Says so when a rate of this card in this reader is far below what it was.
    pub fn slower_than_its_past(&self, gear: &Gear<'_>, bytes_per_s: f64) -> Option<String> {
        let newest = self.entries.iter().rev().filter(|e| gear.is_same_pair(e));
        let past = Reached::of(newest.filter_map(card_rate))?;
        let here = match gear.reader {
            Some(_) => " in this reader",
            // Nobody tells which one it was in, then and now.
            None => "",
        };
        (past.times >= PAST_MIN && bytes_per_s < past.bytes_per_s * SLOWER).then(|| {
            format!(
                "This card reads slower than it used to{here}: {} now, usually {} ({} times). Try \
                another port, cable or reader to see whether it is the card.",
                speed(bytes_per_s),
                speed(past.bytes_per_s),
                past.times
            )
        })
    }
}

/// Returns the rate that the card itself was read at, in bytes per second, if enough was read for
/// it to say something.
pub fn card_rate(entry: &LedgerEntry) -> Option<f64> {
    let is_enough = |r: &ReadStats| r.bytes >= BYTES_MIN && r.took_s >= SECONDS_MIN;
    entry.reading.filter(is_enough)?.read_bytes_per_s
}

/// What rates in MB/s that were reached before let expect.
fn prior_of(rates: impl Iterator<Item = f64>) -> Option<RatePrior> {
    let rates: Vec<f64> = rates
        .filter(|r| r.is_finite() && *r > 0.0)
        .map(f64::ln)
        .collect();
    (!rates.is_empty()).then(|| {
        let (mean, sd) = mean_and_sd(&rates);
        let sd = if rates.len() < 2 { ONCE_LOG_SD } else { sd };
        RatePrior::from_history(mean.exp(), sd.max(LOG_SD_MIN))
    })
}

fn mean_and_sd(values: &[f64]) -> (f64, f64) {
    let n = float(len64(values.len())).max(1.0);
    let mean = values.iter().sum::<f64>() / n;
    let squares: f64 = values.iter().map(|v| (v - mean).powi(2)).sum();
    (mean, (squares / (n - 1.0).max(1.0)).sqrt())
}

#[cfg(test)]
mod tests {
    use super::super::tests::{card, copy};
    use super::super::{CopyLocation, DriveStep};
    use super::*;

    fn job(label: &str, reader: Option<&str>, mbps: f64) -> LedgerEntry {
        let place = |id: &str| CopyLocation {
            drive: None,
            path: format!("/media/{id}/K"),
            filesystem: "ext4".to_owned(),
            volume_id: Some(id.to_owned()),
            complete: true,
        };
        LedgerEntry {
            reader: reader.map(str::to_owned),
            places: vec![place("A"), place("B")],
            reading: Some(ReadStats {
                bytes: 10_000_000_000,
                files: 100,
                took_s: 100.0,
                read_bytes_per_s: Some(mbps * 1e6),
                learned_mbps: Some(mbps),
                learned_file_s: Some(0.004),
            }),
            ..copy(label, true)
        }
    }

    fn ledger(entries: Vec<LedgerEntry>) -> Ledger {
        Ledger {
            entries,
            damaged: 0,
        }
    }

    fn gear<'a>(card: &'a CardIdentity, drives: [&'a str; 2]) -> Gear<'a> {
        Gear {
            card,
            reader: Some("reader, 5 Gb/s"),
            drives: drives.into(),
        }
    }

    #[test]
    fn what_a_pair_reached_is_the_middle_of_its_own_rates() {
        let named = |name: &str, reader, mbps| {
            let mut entry = job("CARD", reader, mbps);
            entry.card.name = Some(name.to_owned());
            entry
        };
        let blue = Some("blue");
        let ledger = ledger(vec![
            named("A1", blue, 94.0),
            named("A1", blue, 60.0),
            named("A1", blue, 95.0),
            named("A1", Some("old"), 36.0),
            named("A2", blue, 250.0),
        ]);
        let reached = ledger.reached("A1", "blue").unwrap();
        assert_eq!((reached.bytes_per_s, reached.times), (94e6, 3));
        assert_eq!(ledger.reached("A2", "old"), None);
    }

    #[test]
    fn the_same_chain_is_expected_to_do_the_same() {
        let reader = Some("reader, 5 Gb/s");
        let known = ledger(vec![
            job("KITES", reader, 90.0),
            job("KITES", reader, 98.0),
            job("KITES", Some("reader, 480 Mb/s"), 35.0),
            job("OTHER", reader, 260.0),
        ]);
        let kites = card("KITES");
        let found = known.expect(&gear(&kites, ["A", "B"]));
        let rate = found.rate.unwrap();
        assert!((rate.mbps - 93.9).abs() < 0.1, "{rate:?}");
        assert!((0.05..0.07).contains(&rate.log_sd), "{rate:?}");
        assert!((found.per_file.unwrap().seconds - 0.004).abs() < 1e-9);
        // Another drive is another chain, but the same card; and an unknown card has no past.
        let elsewhere = known.expect(&gear(&kites, ["A", "C"]));
        assert_eq!(elsewhere.rate, None);
        let file = elsewhere.per_file.unwrap();
        assert!(file.log_sd > found.per_file.unwrap().log_sd, "{file:?}");
        let alone = elsewhere.card.unwrap();
        assert!((alone.mbps - 93.9).abs() < 0.1, "{alone:?}");
        let fresh = CardIdentity {
            path: "/media/elsewhere".to_owned(),
            ..card("NEW")
        };
        assert_eq!(
            known.expect(&gear(&fresh, ["A", "B"])),
            HistoryPrior::default()
        );
    }

    #[test]
    fn cards_of_one_label_are_told_apart_by_their_names() {
        let named = |name: Option<&str>, mbps| {
            let mut entry = job("KITES", Some("reader, 5 Gb/s"), mbps);
            entry.card.name = name.map(str::to_owned);
            entry
        };
        let other = |name: Option<&str>| CardIdentity {
            name: name.map(str::to_owned),
            path: "/media/elsewhere".to_owned(),
            ..card("KITES")
        };
        let known = ledger(vec![named(Some("FAST"), 260.0), named(Some("FAST"), 258.0)]);
        let slow = other(Some("SLOW"));
        assert_eq!(
            known.expect(&gear(&slow, ["A", "B"])),
            HistoryPrior::default(),
            "another card of the kit"
        );
        assert_eq!(
            known.slower_than_its_past(&gear(&slow, ["A", "B"]), 9e7),
            None
        );
        let unnamed = other(None);
        assert_eq!(known.expect(&gear(&unnamed, ["A", "B"])).rate, None);
        let fast = other(Some("FAST"));
        assert!(known.expect(&gear(&fast, ["A", "B"])).rate.is_some());
        let unnamed_then = ledger(vec![named(None, 90.0)]);
        assert!(
            unnamed_then
                .expect(&gear(&unnamed, ["A", "B"]))
                .rate
                .is_some()
        );
    }

    #[test]
    fn a_reader_that_nobody_knows_is_not_spoken_of() {
        let kites = card("KITES");
        let known = ledger(vec![job("KITES", None, 92.0), job("KITES", None, 95.0)]);
        let nowhere = Gear {
            reader: None,
            ..gear(&kites, ["A", "B"])
        };
        let told = known.slower_than_its_past(&nowhere, 30e6).unwrap();
        assert!(told.contains("used to: 30.0 MB/s now"), "{told}");
        assert!(told.contains("usually 93.5 MB/s (2 times)"), "{told}");
    }

    #[test]
    fn little_jobs_and_odd_figures_teach_nothing() {
        let mut small = job("KITES", Some("reader, 5 Gb/s"), 9_000.0);
        small.reading.as_mut().unwrap().bytes = 1_000;
        let mut odd = job("KITES", Some("reader, 5 Gb/s"), f64::NAN);
        odd.reading.as_mut().unwrap().learned_file_s = Some(-1.0);
        let kites = card("KITES");
        let found = ledger(vec![small.clone(), odd.clone()]).expect(&gear(&kites, ["A", "B"]));
        assert_eq!(found.rate, None);
        assert_eq!(found.per_file, None);
        let short = |entry: &LedgerEntry| {
            let mut entry = entry.clone();
            let reading = entry.reading.as_mut().unwrap();
            (reading.bytes, reading.took_s) = (200_000_000, 0.3);
            entry
        };
        // Nor of the card, nor in what `weigh` counts with, nor beside its past.
        small.card.name = Some("A1".to_owned());
        small.reader = Some("blue".to_owned());
        let little = ledger(vec![small.clone(), small.clone(), short(&small)]);
        assert_eq!(little.reached("A1", "blue"), None);
        let a1 = small.card.clone();
        let blue = Gear {
            reader: Some("blue"),
            ..gear(&a1, ["A", "B"])
        };
        assert_eq!(little.expect(&blue).card, None);
        assert_eq!(little.slower_than_its_past(&blue, 1.0), None);
    }

    #[test]
    fn a_drive_is_known_by_its_step() {
        let mut stepped = job("OTHER", None, 100.0);
        stepped.steps.push(DriveStep {
            volume_id: "B".to_owned(),
            bytes: 12_000_000_000,
            mbps_after: 80.0,
        });
        let kites = card("KITES");
        let step = |drives| {
            ledger(vec![stepped.clone()])
                .expect(&gear(&kites, drives))
                .cache_step
        };
        assert_eq!(step(["A", "B"]).unwrap().bytes, 12_000_000_000);
        assert_eq!(step(["A", "C"]), None);
    }

    #[test]
    fn slower_than_its_own_past() {
        let reader = Some("reader, 5 Gb/s");
        let kites = card("KITES");
        let known = ledger(vec![
            job("KITES", reader, 92.0),
            job("KITES", reader, 95.0),
            job("KITES", reader, 94.0),
        ]);
        let told = known.slower_than_its_past(&gear(&kites, ["A", "B"]), 56e6);
        assert!(told.unwrap().contains("usually 94.0 MB/s (3 times)"));
        assert_eq!(
            known.slower_than_its_past(&gear(&kites, ["A", "B"]), 80e6),
            None
        );
        let once = ledger(vec![job("KITES", reader, 92.0)]);
        assert_eq!(
            once.slower_than_its_past(&gear(&kites, ["A", "B"]), 10e6),
            None
        );
    }
}
