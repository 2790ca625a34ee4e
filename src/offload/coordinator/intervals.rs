//! Owns the bytes of each interval, for the record and for the picture of the last minute.

use crate::offload::meter::Meter;
use crate::offload::outcome::Rates;
use crate::units::{float, len_usize};
use std::time::Duration;

/// Seconds that the picture of the last rates shows.
const STRIP_S: u64 = 60;
/// Intervals kept for the record before two are merged into one.
const INTERVALS_MAX: usize = 4_096;

/// The intervals that are over.
pub(super) struct Intervals {
    rates: Rates,
    seen: CountersBefore,
    /// When the present one ends.
    end: Duration,
}

/// The counters at the end of the last interval.
struct CountersBefore {
    read: u64,
    write: Vec<u64>,
    readback: Vec<u64>,
}

impl Intervals {
    /// Begins at a time.
    pub(super) fn new(destinations: usize, start: Duration) -> Self {
        Self {
            rates: Rates {
                every_s: 1,
                read: Vec::new(),
                write: vec![Vec::new(); destinations],
                readback: vec![Vec::new(); destinations],
            },
            seen: CountersBefore {
                read: 0,
                write: vec![0; destinations],
                readback: vec![0; destinations],
            },
            end: start + Duration::from_secs(1),
        }
    }

    /// Returns when the present interval ends.
    pub(super) fn end(&self) -> Duration {
        self.end
    }

    /// Returns those that are over.
    pub(super) fn rates(&self) -> &Rates {
        &self.rates
    }

    /// Gives those that are over away.
    pub(super) fn into_rates(self) -> Rates {
        self.rates
    }

    /// Notes the intervals that are over. Each is as long as the record says: where this thread was
    /// held up, what was done meanwhile is spread evenly over those that passed.
    pub(super) fn note(&mut self, meter: &Meter, now: Duration) {
        let every = Duration::from_secs(self.rates.every_s);
        let late = now.checked_sub(self.end);
        let Some(passed) = late.map(|late| late.as_secs() / self.rates.every_s + 1) else {
            return;
        };
        for left in (1..=passed).rev() {
            self.note_share(meter, left);
        }
        self.end += every * u32::try_from(passed).unwrap_or(u32::MAX);
        let has_pairs =
            |values: &[u64]| values.len() >= INTERVALS_MAX && values.len().is_multiple_of(2);
        while has_pairs(&self.rates.read) {
            self.rates.every_s *= 2;
            merge_pairs(&mut self.rates.read);
            self.rates.write.iter_mut().for_each(merge_pairs);
            self.rates.readback.iter_mut().for_each(merge_pairs);
        }
    }

    /// Notes the rest of the last interval, so that the intervals add up to the whole.
    pub(super) fn note_rest(&mut self, meter: &Meter) {
        self.note_share(meter, 1);
    }

    /// Notes one interval: an equal share of what was done since the last one, where `left` of them
    /// are to be noted.
    fn note_share(&mut self, meter: &Meter, left: u64) {
        let share = |now: u64, seen: &mut u64| {
            let bytes = (now - *seen) / left;
            *seen += bytes;
            bytes
        };
        let bytes = share(meter.read.all.get(), &mut self.seen.read);
        self.rates.read.push(bytes);
        for (i, d) in meter.destinations.iter().enumerate() {
            let back = d.read_back.all.get() + d.kept_read.get();
            self.rates.write[i].push(share(d.written.all.get(), &mut self.seen.write[i]));
            self.rates.readback[i].push(share(back, &mut self.seen.readback[i]));
        }
    }

    /// Bytes per second of the last minute, one value for each interval.
    pub(super) fn strip(&self) -> Vec<f64> {
        let every = self.rates.every_s;
        let last = len_usize(STRIP_S / every).max(1);
        let from = self.rates.read.len().saturating_sub(last);
        let rates = self.rates.read.iter().skip(from);
        rates.map(|bytes| float(*bytes) / float(every)).collect()
    }
}

fn merge_pairs(values: &mut Vec<u64>) {
    *values = values.chunks(2).map(|pair| pair.iter().sum()).collect();
}
