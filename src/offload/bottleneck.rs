//! Owns the answer to "what holds the others back": the stage that the reader of the card waits
//! for, or the card, and behind it the link of the chain that explains it. Eyes and record only; no
//! decision rests on it.

use super::meter::Meter;
use super::outcome::Rates;
use crate::hash_algorithm::Also;
use crate::speed::ceiling::Ceiling;
use crate::speed::link::{Bottleneck, Link};
use crate::units::{MegabytesPerS, float, len64, rate};
use std::collections::{BTreeMap, VecDeque};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Seconds of writing that a drive's live rate is taken over.
const LIVE_S: u64 = 10;
/// A card that reads at less than this share of what is usual for its links is slow by itself.
const FAR_BELOW: f64 = 0.5;

/// What holds the others back.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct HoldUp {
    /// The stage that does.
    pub(super) by: PipelineStage,
    /// What explains it.
    pub(super) limiting: Bottleneck,
    /// The chain's links, and the measured one where a drive holds back.
    pub(super) links: Vec<Link>,
}

/// A stage that can hold the others back.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(super) enum PipelineStage {
    /// The card and its way in.
    Card,
    /// One further hash.
    Hash(Also),
    /// A destination, counted from 0.
    Destination(usize),
}

/// A reader that waits for less than this share of the time is held back by the card: drives hold
/// it up for a moment now and then however fast they are.
const WAITS: f64 = 0.05;
/// Intervals of which it is told what holds back at the moment.
const LATELY: usize = 10;
/// A read that takes so long is a card that stalls, whatever held back before.
const STALLS: Duration = Duration::from_secs(1);

/// How long the reader waited for each stage, and how far it was.
#[derive(Clone, Default, Debug)]
struct Waits {
    at: Duration,
    read: u64,
    stages: Vec<(PipelineStage, u64)>,
}

impl Waits {
    fn of(meter: &Meter, at: Duration) -> Self {
        let also = meter.also_waited_ns.iter();
        let also = also.map(|(also, sum)| (PipelineStage::Hash(*also), sum.get()));
        let destinations = meter.destinations.iter().enumerate();
        let destinations =
            destinations.map(|(i, d)| (PipelineStage::Destination(i), d.waited_ns.get()));
        Self {
            at,
            read: meter.read.all.get(),
            stages: also.chain(destinations).collect(),
        }
    }

    /// Returns what held back since `then`; `behind` is the drive that has most left to do, if any
    /// has.
    fn since(&self, then: &Self, meter: &Meter, behind: Option<usize>) -> PipelineStage {
        if meter.card_done.load(Ordering::Relaxed) && self.read == then.read {
            return behind.map_or(PipelineStage::Card, PipelineStage::Destination);
        }
        let before = then
            .stages
            .iter()
            .map(|(_, ns)| *ns)
            .chain(std::iter::repeat(0));
        let waited = self.stages.iter().zip(before);
        let waited = waited.map(|((stage, now), before)| (now.saturating_sub(before), *stage));
        let most = waited.filter(|(_, stage)| !is_out(meter, *stage)).max();
        let all = float(crate::units::nanos(self.at.saturating_sub(then.at)));
        match most {
            Some((ns, stage)) if ns > 0 && float(ns) >= WAITS * all => stage,
            _ => PipelineStage::Card,
        }
    }
}

/// A drive that was dropped holds nobody back.
fn is_out(meter: &Meter, stage: PipelineStage) -> bool {
    let PipelineStage::Destination(index) = stage else {
        return false;
    };
    let destination = meter.destinations.get(index);
    destination.is_none_or(|d| d.failed.load(Ordering::Relaxed))
}

/// What held back in each interval so far.
#[derive(Debug)]
pub(super) struct HoldUpHistory {
    seen: Waits,
    lately: VecDeque<PipelineStage>,
    all: BTreeMap<PipelineStage, u64>,
    /// Since when nothing was read from the card.
    still_since: Duration,
}

impl HoldUpHistory {
    /// Begins at a time.
    pub(super) fn new(start: Duration) -> Self {
        let seen = Waits {
            at: start,
            ..Waits::default()
        };
        Self {
            seen,
            lately: VecDeque::new(),
            all: BTreeMap::new(),
            still_since: start,
        }
    }

    /// Notes an interval that ends now.
    pub(super) fn note(&mut self, meter: &Meter, now: Duration, behind: Option<usize>) {
        let waits = Waits::of(meter, now);
        let stage = waits.since(&self.seen, meter, behind);
        if waits.read > self.seen.read {
            self.still_since = now;
        }
        self.seen = waits;
        *self.all.entry(stage).or_default() += 1;
        self.lately.push_back(stage);
        if self.lately.len() > LATELY {
            self.lately.pop_front();
        }
    }

    /// Returns what holds back at the moment.
    pub(super) fn now(&self, meter: &Meter, now: Duration, behind: Option<usize>) -> PipelineStage {
        let is_reading = !meter.card_done.load(Ordering::Relaxed)
            && !meter.waiting.load(Ordering::Relaxed)
            && meter.read.all.get() == self.seen.read;
        if is_reading && now.saturating_sub(self.still_since) >= STALLS && !self.lately.is_empty() {
            return PipelineStage::Card;
        }
        let mut lately: BTreeMap<PipelineStage, u64> = BTreeMap::new();
        for stage in self.lately.iter().filter(|stage| !is_out(meter, **stage)) {
            *lately.entry(*stage).or_default() += 1;
        }
        most(&lately).unwrap_or_else(|| Waits::of(meter, now).since(&self.seen, meter, behind))
    }

    /// Returns what held back for most of the time.
    pub(super) fn most(
        &self,
        meter: &Meter,
        now: Duration,
        behind: Option<usize>,
    ) -> PipelineStage {
        most(&self.all).unwrap_or_else(|| Waits::of(meter, now).since(&self.seen, meter, behind))
    }
}

/// Of stages that are level the first one, so that the card is named rather than a drive.
fn most(counts: &BTreeMap<PipelineStage, u64>) -> Option<PipelineStage> {
    let most = counts.values().max()?;
    let mut level = counts.iter().filter(|(_, n)| *n == most);
    level.next().map(|(stage, _)| *stage)
}

/// Returns the words for what holds the others back. `live` is the card's rate in bytes per second
/// of reading; `is_over` takes a drive's rate over the whole job instead of its last seconds.
pub(super) fn held(
    by: PipelineStage,
    meter: &Meter,
    ceiling: &Ceiling,
    live: Option<f64>,
    rates: &Rates,
    elapsed: Duration,
    is_over: bool,
) -> HoldUp {
    let mut links = ceiling.links().to_vec();
    let limiting = match by {
        PipelineStage::Destination(index) => {
            let seconds = if is_over { u64::MAX } else { LIVE_S };
            let measured = write_rate(meter, rates, index, seconds, elapsed)
                .map(|bytes| Link::measured(index, MegabytesPerS(bytes / 1e6)));
            links.extend(measured);
            Bottleneck::Drive(index)
        }
        PipelineStage::Hash(also) => Bottleneck::Hash(also),
        PipelineStage::Card => side_of_card(ceiling, live),
    };
    HoldUp {
        by,
        limiting,
        links,
    }
}

/// The slowest link between card and computer, unless the card is so much slower that no link
/// explains it.
fn side_of_card(ceiling: &Ceiling, live: Option<f64>) -> Bottleneck {
    let explains = |link: &&Link| {
        let usual = link.mbps.bytes_per_s() * link.usual().low;
        live.is_none_or(|live| live >= FAR_BELOW * usual)
    };
    ceiling
        .on_cards_side()
        .filter(explains)
        .map_or(Bottleneck::Card, |link| Bottleneck::from(*link))
}

/// Bytes per second that a drive took, over the last seconds in which it was written; the intervals
/// before its first and after its last byte do not count.
fn write_rate(
    meter: &Meter,
    rates: &Rates,
    index: usize,
    seconds: u64,
    elapsed: Duration,
) -> Option<f64> {
    let none = Vec::new();
    let all = rates.write.get(index).unwrap_or(&none);
    let first = all.iter().position(|b| *b > 0);
    let last = all.iter().rposition(|b| *b > 0);
    if let (Some(first), Some(last)) = (first, last)
        && last > first
    {
        let span = crate::units::len_usize(seconds.div_ceil(rates.every_s.max(1)));
        // The last interval may have been cut short.
        let from = first.max(last.saturating_sub(span));
        let used = all.get(from..last)?;
        let bytes: u64 = used.iter().sum();
        return Some(float(bytes) / float(len64(used.len()) * rates.every_s.max(1)));
    }
    let written = meter.destinations.get(index)?.written.get();
    (written > 0 && elapsed > Duration::ZERO).then(|| rate(written, elapsed))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::hash_algorithm::AlsoSet;
    use crate::speed::chain::{CardSpeed, Chain, DriveSpeed, Figure, Origin, ReaderSpeed};
    use crate::speed::link::ChainPart;
    use crate::speed::links::find;

    fn chain() -> Ceiling {
        Ceiling::of(&Chain {
            card: CardSpeed {
                reads: Some(MegabytesPerS(300.0)),
                bus: find("uhs-ii"),
            },
            reader: ReaderSpeed {
                link: find("usb2"),
                ..ReaderSpeed::default()
            },
            drives: vec![DriveSpeed {
                writes: Some(Figure::label(MegabytesPerS(40.0))),
                ..DriveSpeed::default()
            }],
            ..Chain::default()
        })
    }

    const SECOND: Duration = Duration::from_secs(1);

    fn told(by: PipelineStage, live: Option<f64>, rates: &Rates) -> HoldUp {
        let meter = Meter::new(2, AlsoSet::default());
        meter.destinations[1].written.add(80_000_000);
        held(by, &meter, &chain(), live, rates, 4 * SECOND, false)
    }

    #[test]
    fn a_busy_card_is_held_by_its_own_links() {
        let name = |live| {
            let held = told(PipelineStage::Card, live, &Rates::default());
            held.limiting.to_string()
        };
        // The drive's stated 40 MB/s would be the slowest link, but it is the card that is busy.
        assert_eq!(name(Some(36e6)), "reader link usb2-bulk");
        assert_eq!(name(None), "reader link usb2-bulk");
        assert_eq!(name(Some(9e6)), "card");
        let meter = Meter::new(2, AlsoSet::default());
        let nothing = Ceiling::default();
        let rates = Rates::default();
        let unknown = held(
            PipelineStage::Card,
            &meter,
            &nothing,
            None,
            &rates,
            SECOND,
            false,
        );
        assert_eq!(
            (unknown.limiting, unknown.links.len()),
            (Bottleneck::Card, 0)
        );
        let hash = told(PipelineStage::Hash(Also::Md5), None, &Rates::default());
        assert_eq!(hash.limiting.to_string(), "hash md5");
    }

    #[test]
    fn a_drive_is_named_with_its_measured_rate() {
        let mut rates = Rates {
            every_s: 1,
            write: vec![Vec::new(), vec![0, 41_000_000, 41_000_000, 3_000_000, 0]],
            ..Rates::default()
        };
        let held = told(PipelineStage::Destination(1), Some(300e6), &rates);
        assert_eq!(held.limiting, Bottleneck::Drive(1));
        let last = held.links.last().unwrap();
        assert_eq!(
            (last.part, last.from),
            (ChainPart::Drive(1), Origin::Measured)
        );
        assert_eq!(
            last.mbps,
            MegabytesPerS(41.0),
            "neither its first nor its last second"
        );
        // Before two intervals are over the counters must do.
        rates.write[1].clear();
        let held = told(PipelineStage::Destination(1), None, &rates);
        assert_eq!(held.links.last().unwrap().mbps, MegabytesPerS(20.0));
    }

    /// Lets `seconds` go by, in each of which the reader reads and waits for destination 2 for
    /// `waits`.
    fn pass(
        holding: &mut HoldUpHistory,
        meter: &Meter,
        at: &mut Duration,
        seconds: u32,
        read: u64,
        waits: Duration,
    ) {
        for _ in 0..seconds {
            meter.read.add(read);
            meter.destinations[1].waited_ns.add_time(waits);
            *at += SECOND;
            holding.note(meter, *at, None);
        }
    }

    #[test]
    fn whom_the_reader_waits_for_holds_back_however_busy_others_are() {
        let meter = Meter::new(2, AlsoSet::default());
        let (mut holding, mut at) = (HoldUpHistory::new(SECOND), SECOND);
        // Eight workers of the other drive wait for one flush, each for most of the time.
        meter.destinations[0].flush_ns.add_time(60 * SECOND);
        pass(&mut holding, &meter, &mut at, 9, 1, SECOND / 5);
        assert_eq!(holding.now(&meter, at, None), PipelineStage::Destination(1));
        assert_eq!(
            holding.most(&meter, at, None),
            PipelineStage::Destination(1)
        );
        meter.destinations[1].failed.store(true, Ordering::Relaxed);
        assert_eq!(
            holding.now(&meter, at, None),
            PipelineStage::Card,
            "it was dropped"
        );
    }

    #[test]
    fn a_moment_now_and_then_is_no_wait() {
        let meter = Meter::new(2, AlsoSet::default());
        let (mut holding, mut at) = (HoldUpHistory::new(SECOND), SECOND);
        pass(&mut holding, &meter, &mut at, 5, 1, SECOND / 30);
        assert_eq!(holding.now(&meter, at, None), PipelineStage::Card);
    }

    #[test]
    fn a_card_that_stalls_is_named_and_not_the_drive_of_before() {
        let meter = Meter::new(2, AlsoSet::default());
        let (mut holding, mut at) = (HoldUpHistory::new(SECOND), SECOND);
        pass(&mut holding, &meter, &mut at, 20, 1, SECOND / 2);
        pass(&mut holding, &meter, &mut at, 2, 0, Duration::ZERO);
        assert_eq!(holding.now(&meter, at, None), PipelineStage::Card);
        assert_eq!(
            holding.most(&meter, at, None),
            PipelineStage::Destination(1)
        );
        // In the record it is the card when that cost most of the time.
        pass(&mut holding, &meter, &mut at, 40, 0, Duration::ZERO);
        assert_eq!(holding.most(&meter, at, None), PipelineStage::Card);
        // When all is read, the drive that is not done holds back.
        meter.card_done.store(true, Ordering::Relaxed);
        for _ in 0..60 {
            at += SECOND;
            holding.note(&meter, at, Some(0));
        }
        assert_eq!(
            holding.now(&meter, at, Some(0)),
            PipelineStage::Destination(0)
        );
        assert_eq!(
            holding.most(&meter, at, None),
            PipelineStage::Destination(0)
        );
    }

    #[test]
    fn a_hash_that_is_waited_for_is_named() {
        let meter = Meter::new(1, [Also::Md5, Also::Xxh3].into_iter().collect());
        let holding = HoldUpHistory::new(Duration::ZERO);
        meter.read.add(1);
        assert_eq!(holding.now(&meter, SECOND, None), PipelineStage::Card);
        meter.also_waited_ns[0].1.add_time(SECOND / 2);
        assert_eq!(
            holding.now(&meter, SECOND, None),
            PipelineStage::Hash(Also::Md5)
        );
    }

    #[test]
    fn the_last_seconds_count_while_it_runs_and_all_of_them_at_the_end() {
        let write = [[90_000_000; 20], [30_000_000; 20]].concat();
        let rates = Rates {
            every_s: 1,
            write: vec![write],
            ..Rates::default()
        };
        let meter = Meter::new(1, AlsoSet::default());
        let rate = |is_over| {
            let by = PipelineStage::Destination(0);
            let held = held(by, &meter, &chain(), None, &rates, 40 * SECOND, is_over);
            held.links.last().unwrap().mbps.0
        };
        assert!((rate(false) - 30.0).abs() < 0.01, "{}", rate(false));
        assert!((rate(true) - 60.8).abs() < 0.1, "{}", rate(true));
    }
}
