//! Owns how long a plan is expected to take: its amounts joined with what is known beforehand.
//! Pure.

use super::{Plan, PlannedDestination};
use crate::disk::backing::Backing;
use crate::plan::work::in_sentence;
use crate::record::layout::Level;
use crate::speed::chain::Spin;
use crate::speed::forecast::{Amount, Forecast, Growth, Prior, RatePrior, RateSource, Remaining};
use crate::units::{float, len64};

impl Plan {
    /// Returns whether each drive spins, by the judgement that the ceiling rests on, and what it is
    /// called within a sentence.
    pub fn spins(&self) -> Vec<(Spin, String)> {
        let told = |(index, d): (usize, &PlannedDestination)| match d.facts.backing {
            Backing::Memory => Spin::No,
            _ => self
                .estimate
                .ceiling
                .spins()
                .get(index)
                .copied()
                .unwrap_or(Spin::Unknown),
        };
        let names = in_sentence(self.destinations.iter());
        let spins = self.destinations.iter().enumerate().map(told);
        spins.zip(names).collect()
    }

    /// Returns the forecast of the copy as it stands before the first byte. `plan` shows it and
    /// `copy` goes on with it, so the two can't differ.
    pub fn forecast(&self) -> Forecast {
        let (files, bytes) = self.to_read();
        let forecast = Forecast::new(&self.prior(), Amount { files, bytes });
        let forecast = match self.kept_after() {
            Some(kept) => forecast.then_read_back(kept),
            None => forecast,
        };
        match self.read_again() {
            Some(again) => forecast.then_read_again(again),
            None => forecast,
        }
    }

    /// Returns that forecast as it is told beforehand: where nothing but the ceiling is known, its
    /// low end does not break the ceiling that stands beside it.
    pub fn expects(&self) -> Option<Remaining> {
        let told = self.forecast().remaining()?;
        let by_ceiling = self
            .estimate
            .prior
            .rate
            .filter(|r| r.source == RateSource::Ceiling);
        let ceiling = by_ceiling
            .and(self.estimate.ceiling.mbps())
            .filter(|c| c.0 > 0.0);
        // Beside another card the rate is higher once that is done.
        let (Some(ceiling), None) = (ceiling, self.estimate.prior.companion) else {
            return Some(told);
        };
        let least_s = float(self.to_read().1) / ceiling.bytes_per_s();
        Some(Remaining {
            low_s: told.low_s.max(least_s.min(told.likely_s)),
            ..told
        })
    }

    /// Returns what is read from the card a second time when all else is done: everything, also
    /// what an earlier run copied. `None` unless that is asked for.
    pub fn read_again(&self) -> Option<Amount> {
        (self.terms.level == Level::Reread).then(|| Amount {
            files: len64(self.jobs.len()),
            bytes: self.jobs.iter().map(|j| j.bytes).sum(),
        })
    }

    /// Returns the forecast of that second read alone, for the time when it is going on; `measured`
    /// is the rate of the first read in MB/s.
    pub fn forecast_of_read_again(&self, measured: Option<f64>) -> Forecast {
        let known = measured.map(|mbps| RatePrior::from_history(mbps, 0.0));
        let prior = Prior {
            rate: known
                .or(self.estimate.prior.card)
                .or(self.estimate.prior.rate),
            per_file: self.estimate.prior.per_file,
            ..Prior::default()
        };
        Forecast::new(&prior, self.read_again().unwrap_or_default())
    }

    /// Returns whether kept files are read back from their drives again.
    pub fn reads_kept(&self) -> bool {
        self.terms.level != Level::Written
    }

    /// Returns what the slowest destination has to read back again of kept files when everything is
    /// copied: where nothing is written that goes on beside the copy, at its rate. `None`: no
    /// destination keeps any file.
    pub fn kept_after(&self) -> Option<Amount> {
        let (files, bytes) = self.to_read();
        let keeping = self.destinations.iter();
        keeping
            .filter(|d| self.reads_kept() && d.kept_files > 0)
            .map(|d| match (d.copy_files, d.check_files) {
                (0, 0) => Amount {
                    files: d.kept_files.saturating_sub(files),
                    bytes: d.kept_bytes.saturating_sub(bytes),
                },
                _ => Amount {
                    files: d.kept_files,
                    bytes: d.kept_bytes,
                },
            })
            .max_by_key(|amount| amount.bytes)
    }

    /// Returns what ceiling and ledger let expect, and how the slowest drive, where it spins, slows
    /// down on the way.
    pub fn prior(&self) -> Prior {
        Prior {
            growth: self.growth(),
            ..self.estimate.prior
        }
    }

    fn growth(&self) -> Option<Growth> {
        let d = self.destinations.get(self.estimate.slows?)?;
        let (total, free) = (d.facts.total_bytes, d.facts.free_bytes);
        let used = total.saturating_sub(free);
        let share = |bytes: u64| float(bytes) / float(total);
        let after = used.saturating_add(d.copy_bytes);
        (total > 0).then(|| Growth::of_spinning(share(used), share(after)))
    }
}
