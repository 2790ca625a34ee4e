//! Owns the answer to "what holds the others back": the busiest stage as measured, and behind it the link
//! of the chain that explains it. Eyes and record only; no decision rests on it.

use super::Rates;
use super::meter::Meter;
use crate::also::Also;
use crate::speed::ceiling::{Ceiling, Link};
use crate::units::{MegabytesPerS, float, len64, rate};
use std::sync::atomic::Ordering;
use std::time::Duration;

/// Seconds of writing that a drive's live rate is taken over.
const LIVE_S: u64 = 10;
/// A card that reads at less than this share of what is usual for its links is slow by itself.
const FAR_BELOW: f64 = 0.5;

/// What holds the others back.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Held {
    /// The stage that does.
    pub(super) by: Stage,
    /// Its name in events and records.
    pub(super) name: String,
    /// The chain's links, and the measured one where a drive holds back.
    pub(super) links: Vec<Link>,
}

/// A stage that can hold the others back.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Stage {
    /// The card and its way in.
    Card,
    /// One further hash.
    Hash(Also),
    /// A destination, counted from 0.
    Destination(usize),
}

/// Returns the stage that was busy longest.
pub(super) fn busiest(meter: &Meter) -> Stage {
    let mut best = (meter.read_ns.get(), Stage::Card);
    for (also, sum) in &meter.also_ns {
        if sum.get() > best.0 && meter.wait_ns.get() > 0 {
            best = (sum.get(), Stage::Hash(*also));
        }
    }
    for (i, d) in meter.destinations.iter().enumerate() {
        if d.failed.load(Ordering::Relaxed) {
            continue;
        }
        for ns in [d.write_ns.get(), d.flush_ns.get(), d.read_back_ns.get()] {
            // Workers overlap, so only a writer that is busy for longer than the card limits it.
            if ns > best.0 && meter.wait_ns.get() > 0 {
                best = (ns, Stage::Destination(i));
            }
        }
    }
    best.1
}

/// Returns what holds the others back. `live` is the card's rate in bytes per second of reading;
/// `is_over` takes a drive's rate over the whole job instead of its last seconds.
pub(super) fn held(
    meter: &Meter,
    ceiling: &Ceiling,
    live: Option<f64>,
    rates: &Rates,
    elapsed: Duration,
    is_over: bool,
) -> Held {
    let mut links = ceiling.links().to_vec();
    let by = busiest(meter);
    let name = match by {
        Stage::Destination(index) => {
            let seconds = if is_over { u64::MAX } else { LIVE_S };
            let measured = write_rate(meter, rates, index, seconds, elapsed)
                .map(|bytes| Link::measured(index, MegabytesPerS(bytes / 1e6)));
            links.extend(measured);
            format!("destination {}", index + 1)
        }
        Stage::Hash(also) => format!("hash {also}"),
        Stage::Card => side_of_card(ceiling, live),
    };
    Held { by, name, links }
}

/// The slowest link between card and computer, unless the card is so much slower that no link explains
/// it.
fn side_of_card(ceiling: &Ceiling, live: Option<f64>) -> String {
    let explains = |link: &&Link| {
        let usual = link.mbps.bytes_per_s() * link.usual().low;
        live.is_none_or(|live| live >= FAR_BELOW * usual)
    };
    ceiling
        .on_cards_side()
        .filter(explains)
        .map_or_else(|| "card".to_owned(), Link::name)
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
    use crate::also::AlsoSet;
    use crate::speed::ceiling::{CardSpeed, Chain, DriveSpeed, Figure, Origin, ReaderSpeed};
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

    fn told(meter: &Meter, live: Option<f64>, rates: &Rates) -> Held {
        held(meter, &chain(), live, rates, Duration::from_secs(4), false)
    }

    #[test]
    fn a_busy_card_is_held_by_its_own_links() {
        let meter = Meter::new(2, AlsoSet::default());
        meter.read_ns.add(1_000);
        meter.destinations[1].write_ns.add(900);
        let held = told(&meter, Some(36e6), &Rates::default());
        // The drive's stated 40 MB/s would be the slowest link, but it is the card that is busy.
        assert_eq!(
            (held.by, held.name.as_str()),
            (Stage::Card, "reader link usb2-bulk")
        );
        assert_eq!(held.links, chain().links());
        assert_eq!(
            told(&meter, None, &Rates::default()).name,
            "reader link usb2-bulk"
        );
        assert_eq!(told(&meter, Some(9e6), &Rates::default()).name, "card");
        let unknown = super::held(
            &meter,
            &Ceiling::default(),
            None,
            &Rates::default(),
            Duration::ZERO,
            false,
        );
        assert_eq!((unknown.name.as_str(), unknown.links.len()), ("card", 0));
    }

    #[test]
    fn a_busier_drive_is_named_with_its_measured_rate() {
        let meter = Meter::new(2, AlsoSet::default());
        meter.read_ns.add(1_000);
        meter.wait_ns.add(1);
        meter.destinations[1].flush_ns.add(5_000);
        meter.destinations[1].written.add(80_000_000);
        let mut rates = Rates {
            every_s: 1,
            write: vec![Vec::new(), vec![0, 41_000_000, 41_000_000, 3_000_000, 0]],
            ..Rates::default()
        };
        let held = told(&meter, Some(300e6), &rates);
        assert_eq!(
            (held.by, held.name.as_str()),
            (Stage::Destination(1), "destination 2")
        );
        let last = held.links.last().unwrap();
        assert_eq!(
            (last.part.as_str(), last.from),
            ("destination 2", Origin::Measured)
        );
        assert_eq!(
            last.mbps,
            MegabytesPerS(41.0),
            "neither its first nor its last second"
        );
        // Before two intervals are over the counters must do.
        rates.write[1].clear();
        assert_eq!(
            told(&meter, None, &rates).links.last().unwrap().mbps,
            MegabytesPerS(20.0)
        );
        // A drive that was dropped holds nobody back.
        meter.destinations[1].failed.store(true, Ordering::Relaxed);
        assert_eq!(told(&meter, None, &rates).by, Stage::Card);
    }

    #[test]
    fn a_busier_hash_is_named() {
        let meter = Meter::new(1, [Also::Md5, Also::Xxh3].into_iter().collect());
        meter.read_ns.add(1_000);
        meter.also_ns[0].1.add(2_000);
        // Nobody waited for it.
        assert_eq!(busiest(&meter), Stage::Card);
        meter.wait_ns.add(1);
        let held = told(&meter, None, &Rates::default());
        assert_eq!(
            (held.by, held.name.as_str()),
            (Stage::Hash(Also::Md5), "hash md5")
        );
    }

    #[test]
    fn the_last_seconds_count_while_it_runs_and_all_of_them_at_the_end() {
        let meter = Meter::new(1, AlsoSet::default());
        meter.wait_ns.add(1);
        meter.destinations[0].write_ns.add(5_000);
        let write = [[90_000_000; 20], [30_000_000; 20]].concat();
        let rates = Rates {
            every_s: 1,
            write: vec![write],
            ..Rates::default()
        };
        let rate = |is_over| {
            let elapsed = Duration::from_secs(40);
            let held = held(&meter, &chain(), None, &rates, elapsed, is_over);
            held.links.last().unwrap().mbps.0
        };
        assert!((rate(false) - 30.0).abs() < 0.01, "{}", rate(false));
        assert!((rate(true) - 60.8).abs() < 0.1, "{}", rate(true));
    }
}
