//! Owns what reading the card tells of the card's own rate. While the reader waits for a slow drive
//! the system reads ahead and the card fills its own memory, so the first bytes after a wait come
//! faster than the card reads: they count for a lower bound only. The reader asks here when it had
//! better wait until a long row of reads is possible (a probe). Pure; whoever asks brings the time.

use super::meter::{Meter, TimedBytes};
use crate::units::float;
use std::collections::VecDeque;
use std::time::Duration;

/// A wait shorter than this is the normal hand-over between threads.
pub(super) const WAIT_NOTICED: Duration = Duration::from_millis(1);
/// Hand-overs count as reading time. When they make up more than this share of it, they were waits.
const HAND_OVER_SHARE: f64 = 0.02;
/// A card or its reader can have prepared so much of its own rate during a wait, beyond what the
/// system asked it for (common practice, no source: their memory is small; this is on the safe
/// side).
const PREPARED: Duration = Duration::from_millis(60);
/// A probe is due after so long without a read that counts, if at least this share of it was
/// waiting. Then the card has time to spare, and a probe costs nothing.
const PROBE_AFTER: Duration = Duration::from_secs(1);
const PROBE_WAITS: f64 = 0.2;
/// A measured rate is the present one for so long.
const FRESH: Duration = Duration::from_secs(10);
/// A row of reads that says less than the best one is left out for so long.
const BEST_FOR: Duration = Duration::from_secs(5);
/// A row of reads is judged when it ends or when its last part is so long. What a card can have
/// prepared is then a small share of it.
const JUDGED: Duration = Duration::from_millis(150);
/// What was measured before is forgotten with these time constants, by the time of the reads that
/// count, and by the clock between them.
const FORGETS_READS_S: f64 = 0.7;
const FORGETS_S: f64 = 6.0;
/// Less than this is not put on record as the card's rate: rates waver by about 15 % from one
/// second to the next (common practice, no source), so a shorter look is no better than that, and a
/// card is told to be slower than its past when it falls by 30 %. The bytes are those that a job
/// must have to count.
const RECORD_TIME: Duration = Duration::from_secs(1);
const RECORD_BYTES: u64 = 100_000_000;

/// What a look at the reads found: bytes and the time that they say something about.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub(super) struct ReadSample {
    /// Bytes that were read.
    pub(super) bytes: u64,
    /// In which the card could have delivered them.
    pub(super) time: Duration,
}

impl ReadSample {
    fn rate(self) -> f64 {
        float(self.bytes) / self.time.as_secs_f64().max(1e-9)
    }
}

/// The reader's side: sorts its reads.
#[derive(Debug)]
pub(super) struct Pace {
    /// Bytes that the system may read ahead.
    read_ahead: u64,
    /// How long the reader waited before the present row of reads.
    wait: Duration,
    /// The present row, and the end of its last read.
    row: ReadSample,
    at: Duration,
    /// Its last part, of which it is not yet known whether it counts.
    open: VecDeque<ReadSample>,
    unjudged: Duration,
    /// Its reads count from here on: nothing prepared is left. With the hand-overs since.
    counts: Option<(Duration, Duration)>,
    /// The last read that counted, or the last probe, and the waits since.
    counted_at: Duration,
    waits: Duration,
    /// The lower bound that said most of late, in bytes per second, and when.
    best: (f64, Duration),
}

impl Pace {
    /// Begins at a time; what was prepared before is not known.
    pub(super) fn new(read_ahead: u64, now: Duration) -> Self {
        Self {
            read_ahead,
            wait: PREPARED,
            row: ReadSample::default(),
            at: now,
            open: VecDeque::new(),
            unjudged: Duration::ZERO,
            counts: None,
            counted_at: now,
            waits: Duration::ZERO,
            best: (0.0, now),
        }
    }

    /// Takes note that the reader waited for `time` until `now`. Returns what counts, and a lower
    /// bound of the card's rate, if a row of reads has ended with that.
    pub(super) fn waited(
        &mut self,
        now: Duration,
        time: Duration,
    ) -> (Option<ReadSample>, Option<ReadSample>) {
        self.waits += time;
        if time < WAIT_NOTICED {
            self.hand_over(now, time);
            return (None, None);
        }
        let clean = self.judge();
        if clean.is_some() {
            self.counted_at = now;
            self.waits = Duration::ZERO;
        }
        let least = (self.row.bytes > 0).then(|| self.least());
        if least.is_some() {
            self.wait = Duration::ZERO;
        }
        self.wait += time;
        self.begin(now);
        let says_enough = |least: &ReadSample| {
            let is_old = now.saturating_sub(self.best.1) >= BEST_FOR;
            let says_more = is_old || least.rate() >= self.best.0;
            if says_more {
                self.best = (least.rate(), now);
            }
            says_more || least.rate() >= 0.9 * self.best.0
        };
        (clean, least.filter(says_enough))
    }

    /// A new row begins.
    fn begin(&mut self, now: Duration) {
        self.row = ReadSample::default();
        self.open.clear();
        self.unjudged = Duration::ZERO;
        self.counts = None;
        self.at = now;
    }

    fn hand_over(&mut self, now: Duration, time: Duration) {
        let Some((since, hand_overs)) = self.counts.as_mut() else {
            return;
        };
        *hand_overs += time;
        let share = hand_overs.as_secs_f64();
        let all = now.saturating_sub(*since).max(PREPARED).as_secs_f64();
        if share > HAND_OVER_SHARE * all {
            self.wait = PREPARED;
            let at = self.at;
            self.begin(at);
        }
    }

    /// Returns as much of the last part as can't have been prepared: the faster it is, the more
    /// bytes must have come before it. A part of few bytes says too little.
    fn judge(&mut self) -> Option<ReadSample> {
        let wait = self.wait.min(PREPARED).as_secs_f64();
        let mut part = self.opened();
        while part.bytes >= self.read_ahead
            && let Some(first) = self.open.pop_front()
        {
            let before = self.row.bytes.saturating_sub(part.bytes);
            if float(before) >= float(self.read_ahead) + part.rate() * wait {
                self.open.clear();
                return Some(part);
            }
            part.bytes = part.bytes.saturating_sub(first.bytes);
            part.time = part.time.saturating_sub(first.time);
        }
        None
    }

    fn opened(&self) -> ReadSample {
        self.open
            .iter()
            .fold(ReadSample::default(), |sum, s| ReadSample {
                bytes: sum.bytes + s.bytes,
                time: sum.time + s.time,
            })
    }

    /// The row itself with the wait before it, or without what can have been prepared in that wait,
    /// whichever says more.
    fn least(&self) -> ReadSample {
        let ReadSample { bytes, time } = self.row;
        let whole = ReadSample {
            bytes,
            time: time + self.wait,
        };
        let rest = ReadSample {
            bytes: bytes.saturating_sub(self.read_ahead),
            time: time + self.wait.min(PREPARED),
        };
        if rest.rate() > whole.rate() {
            rest
        } else {
            whole
        }
    }

    /// Takes note of a read that ended at `now`. Returns what counts as the card's own rate.
    pub(super) fn read(&mut self, now: Duration, bytes: u64) -> Option<ReadSample> {
        let read = ReadSample {
            bytes,
            time: now.saturating_sub(self.at),
        };
        let may_count = self.row.bytes >= self.read_ahead;
        self.row.bytes += read.bytes;
        self.row.time += read.time;
        self.at = now;
        let clean = if self.counts.is_some() {
            Some(read)
        } else if may_count {
            self.open.push_back(read);
            self.judge_early(now, read.time)
        } else {
            None
        }?;
        self.counted_at = now;
        self.waits = Duration::ZERO;
        Some(clean)
    }

    /// Judges a row that goes on.
    fn judge_early(&mut self, now: Duration, read: Duration) -> Option<ReadSample> {
        // Not every read: small files make many.
        self.unjudged += read;
        if self.unjudged < JUDGED {
            return None;
        }
        self.unjudged = Duration::ZERO;
        let clean = self.judge()?;
        self.counts = Some((now, Duration::ZERO));
        Some(clean)
    }

    /// Returns whether the reader, who has to wait, should wait for a longer row of reads.
    pub(super) fn wants_probe(&self, now: Duration) -> bool {
        let since = now.saturating_sub(self.counted_at);
        since >= PROBE_AFTER && self.waits.as_secs_f64() >= PROBE_WAITS * since.as_secs_f64()
    }

    /// Takes note that a probe begins.
    pub(super) fn probes(&mut self, now: Duration) {
        self.counted_at = now;
        self.waits = Duration::ZERO;
    }
}

/// A rate of the card, in bytes per second.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct CardRate {
    /// Measured, or what it is at least.
    pub(super) bytes_per_s: f64,
    /// The card reads at this rate or faster; how much faster could not be measured.
    pub(super) is_least: bool,
}

/// Bytes and time of late: what was noted before counts for less with time.
#[derive(Clone, Copy, Default, Debug)]
struct Recent {
    seen: (u64, u64),
    bytes: f64,
    ns: f64,
    at: Option<Duration>,
}

impl Recent {
    fn note(&mut self, sums: &TimedBytes, now: Duration) {
        let (bytes, ns) = (sums.bytes.get(), sums.ns.get());
        let (more, time) = (
            bytes.saturating_sub(self.seen.0),
            ns.saturating_sub(self.seen.1),
        );
        if more > 0 && time > 1_000_000 {
            let read_s = float(time) / 1e9;
            let since = now.saturating_sub(self.at.unwrap_or(now)).as_secs_f64();
            let between_s = (since - read_s).max(0.0);
            let keeps = (-read_s / FORGETS_READS_S - between_s / FORGETS_S).exp();
            self.bytes = self.bytes * keeps + float(more);
            self.ns = self.ns * keeps + float(time);
            self.seen = (bytes, ns);
            self.at = Some(now);
        }
    }

    fn rate(&self) -> Option<f64> {
        (self.ns > 0.0).then(|| self.bytes / (self.ns / 1e9))
    }
}

/// The coordinator's side: the rate as it is told.
#[derive(Default, Debug)]
pub(super) struct Live {
    measured: Recent,
    least: Recent,
}

impl Live {
    /// Looks at the counters.
    pub(super) fn note(&mut self, meter: &Meter, now: Duration) {
        self.measured.note(&meter.clean, now);
        self.least.note(&meter.least, now);
    }

    /// Returns the card's rate as of late; `None` where nothing was read.
    pub(super) fn rate(&self, meter: &Meter, now: Duration) -> Option<CardRate> {
        let done = meter.card_done.load(std::sync::atomic::Ordering::Relaxed);
        let is_fresh = |at: Duration| done || now.saturating_sub(at) < FRESH;
        let measured = self.measured.rate();
        let tell = |bytes_per_s, is_least| CardRate {
            bytes_per_s,
            is_least,
        };
        match (measured, self.measured.at.filter(|at| is_fresh(*at))) {
            (Some(rate), Some(_)) => Some(tell(rate, false)),
            _ => self.least.rate().map(|rate| tell(rate, true)),
        }
    }
}

/// Returns a lower bound of the card's rate over a job that took `took`, in bytes per second.
pub(super) fn at_least(meter: &Meter, took: Duration) -> Option<f64> {
    let rows = ReadSample {
        bytes: meter.least.bytes.get(),
        time: Duration::from_nanos(meter.least.ns.get()),
    };
    let all = ReadSample {
        bytes: meter.read.get(),
        time: took,
    };
    let rate = |s: &ReadSample| (s.bytes > 0 && s.time > Duration::ZERO).then(|| s.rate());
    [rows, all].iter().filter_map(rate).reduce(f64::max)
}

/// Returns the card's rate over a whole job, in bytes per second; `None` where too little was
/// measured.
pub(super) fn of_job(meter: &Meter) -> Option<f64> {
    let all = ReadSample {
        bytes: meter.clean.bytes.get(),
        time: Duration::from_nanos(meter.clean.ns.get()),
    };
    (all.bytes >= RECORD_BYTES && all.time >= RECORD_TIME).then(|| all.rate())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::AlsoSet;
    use std::sync::atomic::Ordering;

    const CHUNK: u64 = 2 << 20;
    const AHEAD: u64 = 2 * CHUNK;

    /// A card with a memory: what it prepared while nobody read is delivered at once.
    struct SteadyCard {
        mbps: f64,
        /// Seconds of its rate that it can prepare.
        holds_s: f64,
        /// Bytes that the system reads ahead.
        ahead: f64,
        now: f64,
        prepared: f64,
        read_ahead: f64,
    }

    impl SteadyCard {
        fn new(mbps: f64, holds_s: f64, ahead: u64) -> Self {
            Self {
                mbps,
                holds_s,
                ahead: float(ahead),
                now: 0.0,
                prepared: mbps * 1e6 * holds_s,
                read_ahead: 0.0,
            }
        }

        fn now(&self) -> Duration {
            Duration::from_secs_f64(self.now)
        }

        /// Time goes by and nobody reads.
        fn idle(&mut self, seconds: f64) {
            self.now += seconds;
            let rate = self.mbps * 1e6;
            self.prepared = (self.prepared + seconds * rate).min(rate * self.holds_s);
            self.read_ahead = (self.read_ahead + seconds * rate).min(self.ahead);
        }

        fn read(&mut self) {
            let mut left = float(CHUNK);
            for store in [&mut self.read_ahead, &mut self.prepared] {
                let used = store.min(left);
                *store -= used;
                left -= used;
            }
            self.now += left / (self.mbps * 1e6) + 20e-6;
        }
    }

    /// A job of `seconds` with a drive that takes `drive` MB/s, through the reader's rules. Returns
    /// the rates that were told, one for each tick after the first two seconds.
    fn job(card: &mut SteadyCard, drive: f64, seconds: f64) -> (Meter, Vec<CardRate>) {
        let (ordinary, reserve) = (8.0 * float(CHUNK), 8.0 * float(CHUNK));
        let meter = Meter::new(1, AlsoSet::default());
        let mut live = Live::default();
        let mut pace = Pace::new(AHEAD, card.now());
        let (mut queued, mut probing, mut told, mut tick) = (0.0_f64, false, Vec::new(), 0.25);
        let chunk = float(CHUNK);
        while card.now < seconds {
            let room = if probing {
                ordinary + reserve
            } else {
                ordinary
            };
            if queued + chunk > room {
                let start = card.now();
                probing = !probing && pace.wants_probe(start);
                let until = if probing { 2.0 } else { 7.0 } * chunk;
                let wait = (queued - until).max(0.0) / (drive * 1e6);
                card.idle(wait);
                queued -= wait * drive * 1e6;
                if probing {
                    pace.probes(card.now());
                }
                let (clean, least) = pace.waited(card.now(), Duration::from_secs_f64(wait));
                for (sums, span) in [(&meter.clean, clean), (&meter.least, least)] {
                    if let Some(s) = span {
                        sums.add(s.bytes, s.time);
                    }
                }
            }
            let before = card.now;
            card.read();
            queued = (queued - (card.now - before) * drive * 1e6).max(0.0) + chunk;
            if let Some(clean) = pace.read(card.now(), CHUNK) {
                meter.clean.add(clean.bytes, clean.time);
            }
            if card.now >= tick {
                tick += 0.25;
                live.note(&meter, card.now());
                if card.now > 2.0 {
                    told.extend(live.rate(&meter, card.now()));
                }
            }
        }
        (meter, told)
    }

    #[test]
    fn a_slow_drive_does_not_change_the_cards_rate() {
        for mbps in [90.0, 160.0, 260.0] {
            for (holds_s, ahead) in [(0.0, 0), (0.0, AHEAD), (0.05, 0), (0.05, AHEAD)] {
                for drive in [12.0, 40.0, 70.0] {
                    let mut card = SteadyCard::new(mbps, holds_s, ahead);
                    let (meter, told) = job(&mut card, drive, 60.0);
                    let what = format!("{mbps} MB/s, holds {holds_s} s and {ahead}, drive {drive}");
                    assert!(told.len() > 200, "{what}: {}", told.len());
                    for rate in &told {
                        let off = rate.bytes_per_s / (mbps * 1e6) - 1.0;
                        let is_right = off.abs() < 0.05 || (rate.is_least && off < 0.05);
                        assert!(is_right, "{what}: {rate:?}");
                    }
                    let measured = told.iter().filter(|r| !r.is_least).count();
                    assert!(measured * 10 > told.len() * 9, "{what}: {measured}");
                    if drive > 30.0 {
                        let of_job = of_job(&meter).unwrap_or_else(|| panic!("{what}: {meter:?}"));
                        assert!(
                            (of_job / (mbps * 1e6) - 1.0).abs() < 0.05,
                            "{what}: {of_job}"
                        );
                    }
                }
            }
        }
    }

    #[test]
    fn a_card_too_fast_to_be_measured_behind_a_slow_drive_is_not_told_too_fast() {
        for mbps in [800.0, 3_000.0] {
            let (meter, told) = job(&mut SteadyCard::new(mbps, 0.05, AHEAD), 40.0, 30.0);
            assert!(!told.is_empty());
            for rate in told {
                assert!(
                    rate.is_least && rate.bytes_per_s < mbps * 1.05e6,
                    "{rate:?}"
                );
                assert!(
                    rate.bytes_per_s > 100e6,
                    "more than the drive shows: {rate:?}"
                );
            }
            assert_eq!(of_job(&meter), None);
        }
    }

    #[test]
    fn a_card_that_nobody_waits_for_is_measured_at_once() {
        let (meter, told) = job(&mut SteadyCard::new(160.0, 0.05, AHEAD), 400.0, 10.0);
        for rate in told {
            let off = rate.bytes_per_s / 160e6 - 1.0;
            assert!(!rate.is_least && off.abs() < 0.02, "{rate:?}");
        }
        assert!(of_job(&meter).is_some());
    }

    #[test]
    fn hand_overs_that_add_up_are_waits() {
        // A drive a little slower than the card: 13.1 ms for each chunk, 0.9 ms of waiting.
        let mut pace = Pace::new(AHEAD, Duration::ZERO);
        let mut now = Duration::ZERO;
        let mut counted = ReadSample::default();
        for _ in 0..500 {
            now += Duration::from_micros(12_200);
            if let Some(span) = pace.read(now, CHUNK) {
                counted.bytes += span.bytes;
                counted.time += span.time;
            }
            now += Duration::from_micros(900);
            let told = pace.waited(now, Duration::from_micros(900));
            assert_eq!(told, (None, None));
        }
        assert!(
            counted.bytes == 0 || counted.rate() < 162e6,
            "{} of 160 MB/s",
            counted.rate()
        );
    }

    #[test]
    fn an_old_reading_is_not_the_present_rate() {
        let meter = Meter::new(1, AlsoSet::default());
        let mut live = Live::default();
        let at = Duration::from_secs;
        assert_eq!(live.rate(&meter, at(0)), None);
        meter.clean.add(160_000_000, at(1));
        meter.least.add(40_000_000, at(1));
        live.note(&meter, at(1));
        let told = |live: &Live, s| {
            live.rate(&meter, at(s))
                .map(|r| (r.bytes_per_s, r.is_least))
        };
        assert_eq!(told(&live, 5), Some((160e6, false)));
        assert_eq!(told(&live, 12), Some((40e6, true)));
        // When all is read the last reading stands.
        meter.card_done.store(true, Ordering::Relaxed);
        assert_eq!(told(&live, 12), Some((160e6, false)));
    }

    #[test]
    fn little_is_not_put_on_record() {
        let meter = Meter::new(1, AlsoSet::default());
        meter.clean.add(99_000_000, Duration::from_secs(2));
        assert_eq!(of_job(&meter), None);
        meter.clean.add(1_000_000_000, Duration::ZERO);
        assert!(of_job(&meter).is_some());
        let short = Meter::new(1, AlsoSet::default());
        short.clean.add(900_000_000, Duration::from_millis(900));
        assert_eq!(of_job(&short), None);
        // What was read in all is a lower bound, and so is the best of the rows.
        assert_eq!(at_least(&short, Duration::from_secs(9)), None);
        short.read.add(900_000_000);
        let least = |s| at_least(&short, Duration::from_secs(s));
        assert_eq!(least(9), Some(100e6));
        short.least.add(300_000_000, Duration::from_secs(1));
        assert_eq!((least(9), least(1)), (Some(300e6), Some(900e6)));
    }
}
