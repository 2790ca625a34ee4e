//! Owns what a forecast may know before the first byte. Data only; whoever has a ceiling, a ledger
//! or a drive's facts fills it in.

/// Where a rate that is known beforehand comes from.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum RateSource {
    /// The lowest ceiling of the links between card and drive.
    Ceiling,
    /// What this card, reader and drive reached before.
    History,
}

/// A rate that is expected.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RatePrior {
    /// Megabytes (10^6 bytes) per second that are expected; above 0.
    pub mbps: f64,
    /// Standard deviation of its natural logarithm: 0.05 is about 5 %.
    pub log_sd: f64,
    /// The same when things are as they usually are; at most `log_sd` counts.
    pub usual_log_sd: f64,
    /// Where it comes from.
    pub source: RateSource,
}

/// What links deliver of their ceiling as a rule (common practice, no source: cards deliver about
/// 80 to 97 % of what their bus allows).
const SHARE_OF_CEILING: f64 = 0.88;
/// How far that goes astray when nobody has measured this card in this reader.
const CEILING_LOG_SD: f64 = 0.35;

/// And when the ceiling is the one that holds (common practice, no source: what is spread evenly
/// from 80 to 97 % has 0.056; a little more is taken).
const USUAL_LOG_SD: f64 = 0.07;
/// And when a link is left out of it because nobody knows how fast it is (common practice, no
/// source: a drive that is slower than the card is no exception).
const PART_LOG_SD: f64 = 0.2;
/// From the first to the last decile of what is normally distributed, in standard deviations.
pub(super) const DECILES: f64 = 2.563;

impl RatePrior {
    /// Returns what a ceiling of `mbps` megabytes per second lets expect.
    pub fn from_ceiling(mbps: f64) -> Self {
        Self {
            mbps: mbps * SHARE_OF_CEILING,
            log_sd: CEILING_LOG_SD,
            usual_log_sd: USUAL_LOG_SD,
            source: RateSource::Ceiling,
        }
    }

    /// Returns what the usual band of the slowest link lets expect, in megabytes per second: its
    /// middle as a ratio.
    pub fn from_usual(low: f64, high: f64) -> Self {
        Self {
            mbps: (low * high).sqrt(),
            log_sd: CEILING_LOG_SD,
            usual_log_sd: ((high / low).ln() / DECILES).max(USUAL_LOG_SD),
            source: RateSource::Ceiling,
        }
    }

    /// Returns the same for a chain of which some link is not known: it may be the slowest.
    #[must_use]
    pub fn of_a_part(self) -> Self {
        Self {
            usual_log_sd: self.usual_log_sd.max(PART_LOG_SD),
            ..self
        }
    }

    /// Returns what earlier jobs of the same chain let expect: their rate and the spread of its
    /// logarithm, which is taken as 0.03 at least.
    pub fn from_history(mbps: f64, log_sd: f64) -> Self {
        Self {
            mbps,
            log_sd: log_sd.max(0.03),
            usual_log_sd: USUAL_LOG_SD,
            source: RateSource::History,
        }
    }

    /// Returns whether it can be used at all.
    pub fn is_sane(&self) -> bool {
        self.mbps > 0.0
            && self.mbps.is_finite()
            && self.log_sd >= 0.0
            && self.log_sd.is_finite()
            && self.usual_log_sd >= 0.0
    }
}

/// What every file costs beyond its bytes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct FilePrior {
    /// Seconds per file; above 0.
    pub seconds: f64,
    /// Standard deviation of its natural logarithm.
    pub log_sd: f64,
}

impl Default for FilePrior {
    /// Eight milliseconds, give or take a factor of two (common practice, no source: about ten; the
    /// simulated jobs of `benches/forecast`, whose files cost about ten, come out best at a little
    /// less).
    fn default() -> Self {
        Self {
            seconds: 0.008,
            log_sd: 0.8,
        }
    }
}

/// A drive whose fast cache is known to be full after so many bytes.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct CacheStep {
    /// Bytes of this job that are written before the drive slows down.
    pub bytes: u64,
    /// Megabytes per second from then on; above 0.
    pub mbps_after: f64,
}

/// How much the seconds per megabyte grow from the first byte of the job to its last.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Growth {
    /// Natural logarithm of (cost at the end / cost at the start); 0 for a rate that stays.
    pub log: f64,
    /// Standard deviation of that.
    pub log_sd: f64,
}

impl Default for Growth {
    /// None is expected.
    fn default() -> Self {
        Self {
            log: 0.0,
            log_sd: 0.0,
        }
    }
}

impl Growth {
    /// Returns what a job lets expect that fills a spinning disk from `from` to `to` (shares of the
    /// disk, 0 to 1) and is held back by that disk. The inner tracks are about half as fast as the
    /// outer ones (common practice, no source; it follows from their length at constant speed and
    /// density).
    pub fn of_spinning(from: f64, to: f64) -> Self {
        let rate = |at: f64| 1.0 - 0.5 * at.clamp(0.0, 1.0);
        Self {
            log: (rate(from) / rate(to)).ln(),
            log_sd: 0.10,
        }
    }
}

/// Another card that is copied at the same time over the same link or to the same drive: both get
/// equal shares until one is done.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Companion {
    /// Its bytes that are still to be read.
    pub bytes_left: u64,
    /// Megabytes per second that this card reaches alone.
    pub alone_mbps: f64,
}

/// All that a forecast may know before the first byte. The default knows nothing, and then nothing
/// is said for the first two seconds.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Prior {
    /// The rate of the slowest link or stage.
    pub rate: Option<RatePrior>,
    /// The cost of a file.
    pub per_file: Option<FilePrior>,
    /// The rate of a read-back that only begins when everything is copied. Not for a read-back that
    /// runs behind the writer: that is part of `rate`.
    pub read_back: Option<RatePrior>,
    /// The rate of the card alone, without the drives, for a second read of it.
    pub card: Option<RatePrior>,
    /// When a destination is known to slow down.
    pub cache_step: Option<CacheStep>,
    /// How the cost grows over the job.
    pub growth: Option<Growth>,
    /// Another card that takes a part of this one's rate.
    pub companion: Option<Companion>,
}

impl Prior {
    /// Adds what the same gear reached before, which says more than any ceiling. It is taken to
    /// be what the card reaches alone: beside another card it counts when that one is done, and a
    /// card that gives less than its share by itself gets no faster then.
    #[must_use]
    pub fn with_history(self, before: Option<RatePrior>) -> Self {
        let Some(before) = before else { return self };
        let shared = self.rate.map_or(f64::INFINITY, |rate| rate.mbps);
        match self.companion.filter(|_| before.mbps > shared) {
            Some(companion) => Self {
                companion: Some(Companion {
                    alone_mbps: before.mbps,
                    ..companion
                }),
                ..self
            },
            None => Self {
                rate: Some(before),
                companion: None,
                ..self
            },
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside_another() -> Prior {
        Prior {
            rate: Some(RatePrior::from_usual(100.0, 100.0)),
            companion: Some(Companion {
                bytes_left: 1,
                alone_mbps: 200.0,
            }),
            ..Prior::default()
        }
    }

    #[test]
    fn what_a_card_gave_alone_counts_when_the_other_one_is_done() {
        let shared = beside_another().rate;
        let prior = beside_another().with_history(Some(RatePrior::from_history(160.0, 0.05)));
        assert_eq!(prior.rate, shared);
        let alone = prior.companion.map(|c| c.alone_mbps);
        assert_eq!(alone, Some(160.0));
    }

    #[test]
    fn a_card_below_its_share_gets_no_faster() {
        let before = RatePrior::from_history(60.0, 0.05);
        let prior = beside_another().with_history(Some(before));
        assert_eq!((prior.rate, prior.companion), (Some(before), None));
        assert_eq!(prior.with_history(None).rate, Some(before));
    }
}
