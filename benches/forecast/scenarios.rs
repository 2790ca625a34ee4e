//! The jobs that forecasts are measured on: what kind of card, reader and drive, and what is known
//! of them beforehand.

use super::simulator::{Chance, JITTER, Jitter, Looks, Pace, Part, Pauses};
use unlade::speed::forecast::{CacheStep, Companion, FilePrior, Growth, Prior, RatePrior};

/// Which table a scenario counts in.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Group {
    /// Something that could be foreseen; the goals hold for these.
    Foreseeable,
    /// A step that nobody could know of.
    Step,
    /// What real traces are full of; looked at to find faults, not to set constants.
    Odd,
}

/// A job to be run.
#[derive(Clone, Debug)]
pub(crate) struct Job {
    pub(crate) parts: Vec<Part>,
    pub(crate) prior: Prior,
    pub(crate) looks: Looks,
    /// Half of the bytes are seen only when a lump of so many MB is whole; 0 for none.
    pub(crate) lump_mb: f64,
}

pub(crate) struct Scenario {
    pub(crate) name: &'static str,
    pub(crate) group: Group,
    pub(crate) make: fn(&mut Chance) -> Job,
}

const fn scenario(name: &'static str, group: Group, make: fn(&mut Chance) -> Job) -> Scenario {
    Scenario { name, group, make }
}

use Group::{Foreseeable, Odd, Step};

pub(crate) const SCENARIOS: [Scenario; 32] = [
    scenario("steady", Foreseeable, steady),
    scenario("reader_limit", Foreseeable, reader_limit),
    scenario("reader_limit_unknown", Foreseeable, reader_limit_unknown),
    scenario("reader_limit_hist", Foreseeable, reader_limit_hist),
    scenario("history_wrong", Foreseeable, history_wrong),
    scenario("uhs2", Foreseeable, uhs2),
    scenario("photos", Foreseeable, photos),
    scenario("small_then_large", Foreseeable, small_then_large),
    scenario("large_then_small", Foreseeable, large_then_small),
    scenario("large_then_small_hist", Foreseeable, large_then_small_hist),
    scenario("stalls", Foreseeable, stalls),
    scenario("drift", Foreseeable, drift),
    scenario("hdd_zone", Foreseeable, hdd_zone),
    scenario("hdd_zone_known", Foreseeable, hdd_zone_known),
    scenario("shared_bus", Foreseeable, shared_bus),
    scenario("verify", Foreseeable, verify),
    scenario("verify_hist", Foreseeable, verify_hist),
    scenario("verify_slow", Foreseeable, verify_slow),
    scenario("dest_cache_learned", Foreseeable, dest_cache_learned),
    scenario("thermal", Step, thermal),
    scenario("dest_cache", Step, dest_cache),
    scenario("no_prior", Odd, no_prior),
    scenario("no_prior_mixed", Odd, no_prior_mixed),
    scenario("verify_unknown", Odd, verify_unknown),
    scenario("one_long_stall", Odd, one_long_stall),
    scenario("rough", Odd, rough),
    scenario("slow_memory", Odd, slow_memory),
    scenario("rising", Odd, rising),
    scenario("rare_looks", Odd, rare_looks),
    scenario("two_steps", Odd, two_steps),
    scenario("lumps", Odd, lumps),
    scenario("lumps_step", Odd, lumps_step),
];

/// The watcher looks twice a second.
const LOOKS: Looks = Looks(0.45, 0.55);

/// Clips of 1 to 8 GB that add up to about `gb`.
fn clips(chance: &mut Chance, gb: f64) -> Vec<f64> {
    let mut files = Vec::new();
    let mut left = gb * 1e3;
    while left > 0.0 {
        let size = chance.between(1e3, 8e3).min(left);
        files.push(size);
        left -= size;
    }
    files
}

fn small(chance: &mut Chance, count: u64, from: f64, to: f64) -> Vec<f64> {
    (0..count).map(|_| chance.between(from, to)).collect()
}

fn count(chance: &mut Chance, from: f64, to: f64) -> u64 {
    unlade::units::whole(chance.between(from, to))
}

fn file_cost(chance: &mut Chance) -> f64 {
    (0.010_f64.ln() + 0.6 * chance.normal()).exp()
}

fn part(chance: &mut Chance, files: Vec<f64>, pace: Pace) -> Part {
    Part {
        files,
        per_file_s: file_cost(chance),
        pace,
        pauses: None,
        jitter: JITTER,
    }
}

fn job(parts: Vec<Part>, prior: Prior) -> Job {
    Job {
        parts,
        prior,
        looks: LOOKS,
        lump_mb: 0.0,
    }
}

fn by_ceiling(mbps: f64) -> Prior {
    Prior {
        rate: Some(RatePrior::from_ceiling(mbps)),
        ..Prior::default()
    }
}

fn by_history(mbps: f64) -> Prior {
    Prior {
        rate: Some(RatePrior::from_history(mbps, 0.05)),
        ..Prior::default()
    }
}

fn near(chance: &mut Chance, value: f64, log_sd: f64) -> f64 {
    value * (log_sd * chance.normal()).exp()
}

fn steady(c: &mut Chance) -> Job {
    let ceiling = c.between(80.0, 600.0);
    let rate = ceiling * c.between(0.75, 0.98);
    let gb = rate * c.between(150.0, 600.0) / 1e3;
    let files = clips(c, gb);
    job(
        vec![part(c, files, Pace::Steady(rate))],
        by_ceiling(ceiling),
    )
}

/// A card with a fast label in a reader that gives about 95 MB/s.
fn behind_reader(c: &mut Chance) -> Part {
    let rate = c.between(88.0, 99.0);
    let gb = c.between(16.0, 80.0);
    let files = clips(c, gb);
    part(c, files, Pace::Steady(rate))
}

fn reader_limit(c: &mut Chance) -> Job {
    job(vec![behind_reader(c)], by_ceiling(104.0))
}

fn reader_limit_unknown(c: &mut Chance) -> Job {
    let label = c.between(160.0, 300.0);
    job(vec![behind_reader(c)], by_ceiling(label))
}

fn steady_rate(part: &Part) -> f64 {
    match part.pace {
        Pace::Steady(rate) => rate,
        _ => 100.0,
    }
}

fn reader_limit_hist(c: &mut Chance) -> Job {
    let part = behind_reader(c);
    let known = near(c, steady_rate(&part), 0.05);
    job(vec![part], by_history(known))
}

fn history_wrong(c: &mut Chance) -> Job {
    let part = behind_reader(c);
    let factor = c.between(1.4, 2.8);
    let known = steady_rate(&part)
        * if c.normal() > 0.0 {
            factor
        } else {
            1.0 / factor
        };
    job(vec![part], by_history(known))
}

fn uhs2(c: &mut Chance) -> Job {
    let rate = c.between(240.0, 280.0);
    let gb = c.between(40.0, 160.0);
    let files = clips(c, gb);
    job(vec![part(c, files, Pace::Steady(rate))], by_ceiling(312.0))
}

fn photos(c: &mut Chance) -> Job {
    let n = count(c, 800.0, 3_000.0);
    let files = small(c, n, 10.0, 50.0);
    let rate = c.between(85.0, 250.0);
    let ceiling = rate / c.between(0.78, 0.96);
    job(
        vec![part(c, files, Pace::Steady(rate))],
        by_ceiling(ceiling),
    )
}

fn many_small(c: &mut Chance) -> Vec<f64> {
    let n = count(c, 3_000.0, 12_000.0);
    small(c, n, 0.05, 0.6)
}

fn small_then_large(c: &mut Chance) -> Job {
    let mut files = many_small(c);
    files.push(c.between(8e3, 30e3));
    let rate = c.between(80.0, 260.0);
    let mut part = part(c, files, Pace::Steady(rate));
    part.per_file_s = c.between(0.008, 0.030);
    job(vec![part], by_ceiling(rate / 0.9))
}

fn large_first(c: &mut Chance) -> Part {
    let mut files = vec![c.between(8e3, 30e3)];
    files.extend(many_small(c));
    let rate = c.between(80.0, 260.0);
    part(c, files, Pace::Steady(rate))
}

fn large_then_small(c: &mut Chance) -> Job {
    let part = large_first(c);
    let ceiling = steady_rate(&part) / 0.9;
    job(vec![part], by_ceiling(ceiling))
}

fn large_then_small_hist(c: &mut Chance) -> Job {
    let part = large_first(c);
    let mut prior = by_history(near(c, steady_rate(&part), 0.05));
    prior.per_file = Some(FilePrior {
        seconds: near(c, part.per_file_s, 0.1),
        log_sd: 0.15,
    });
    job(vec![part], prior)
}

fn stalls(c: &mut Chance) -> Job {
    let mut part = behind_reader(c);
    let every = c.between(20.0, 60.0);
    let length = c.between(2.0, 6.0);
    part.pauses = Some(Pauses {
        every_s: (every * 0.7, every * 1.3),
        length_s: (length * 0.7, length * 1.3),
        count: u32::MAX,
    });
    job(vec![part], by_ceiling(104.0))
}

fn drift(c: &mut Chance) -> Job {
    let middle = c.between(85.0, 260.0);
    let gb = middle * c.between(200.0, 600.0) / 1e3;
    let files = clips(c, gb);
    let every_s = c.between(30.0, 90.0);
    let points = (0..64).map(|_| c.between(-0.25, 0.25)).collect();
    let pace = Pace::Wandering {
        middle,
        every_s,
        points,
    };
    job(vec![part(c, files, pace)], by_ceiling(middle / 0.88))
}

/// A job that fills a hard disk from `from` to `to`; its inner edge is half as fast.
fn filling(c: &mut Chance) -> (Part, f64, f64) {
    let edge = c.between(160.0, 240.0);
    let (from, to) = (c.between(0.0, 0.2), c.between(0.8, 1.0));
    let rate = |at: f64| edge * (1.0 - 0.5 * at);
    let gb = edge * c.between(400.0, 900.0) / 1e3;
    let files = clips(c, gb);
    let pace = Pace::Falling {
        first: rate(from),
        last: rate(to),
    };
    (part(c, files, pace), from, to)
}

fn hdd_zone(c: &mut Chance) -> Job {
    let (part, _, _) = filling(c);
    let ceiling = part.pace_at_start() / 0.9;
    job(vec![part], by_ceiling(ceiling))
}

fn hdd_zone_known(c: &mut Chance) -> Job {
    let (part, from, to) = filling(c);
    let mut prior = by_ceiling(part.pace_at_start() / 0.9);
    prior.growth = Some(Growth::of_spinning(from, to));
    job(vec![part], prior)
}

fn shared_bus(c: &mut Chance) -> Job {
    let bus = c.between(150.0, 400.0);
    let alone = bus * c.between(0.55, 1.1);
    let total = bus / 2.0 * c.between(150.0, 500.0);
    let other_mb = total * c.between(0.2, 0.9);
    let files = clips(c, total / 1e3);
    let pace = Pace::Shared {
        bus,
        alone,
        other_mb,
    };
    let mut prior = by_ceiling(bus / 2.0 / 0.88);
    prior.companion = Some(Companion {
        bytes_left: unlade::units::whole(other_mb * 1e6),
        alone_mbps: alone,
    });
    job(vec![part(c, files, pace)], prior)
}

/// A copy at about 95 MB/s, then a read-back of the same files at another rate.
fn two_stages(c: &mut Chance, back: f64) -> Vec<Part> {
    let copy = behind_reader(c);
    let mut second = copy.clone();
    second.pace = Pace::Steady(back);
    second.per_file_s = file_cost(c);
    vec![copy, second]
}

fn verify(c: &mut Chance) -> Job {
    let back = c.between(180.0, 500.0);
    let mut prior = by_ceiling(104.0);
    prior.read_back = Some(RatePrior::from_ceiling(back / c.between(0.78, 0.96)));
    job(two_stages(c, back), prior)
}

fn verify_hist(c: &mut Chance) -> Job {
    let back = c.between(180.0, 500.0);
    let parts = two_stages(c, back);
    let mut prior = by_history(near(c, steady_rate(&parts[0]), 0.05));
    prior.read_back = Some(RatePrior::from_history(near(c, back, 0.05), 0.05));
    job(parts, prior)
}

fn verify_slow(c: &mut Chance) -> Job {
    let back = c.between(30.0, 60.0);
    let mut prior = by_ceiling(104.0);
    prior.read_back = Some(RatePrior::from_history(near(c, back, 0.05), 0.05));
    job(two_stages(c, back), prior)
}

/// A drive whose cache takes about 12 GB at 500 MB/s, then 80.
fn cached_drive(c: &mut Chance) -> (Part, f64, f64) {
    let before = c.between(420.0, 580.0);
    let after = c.between(65.0, 100.0);
    let at_mb = c.between(10e3, 14e3);
    let gb = at_mb / 1e3 + after * c.between(250.0, 450.0) / 1e3;
    let files = clips(c, gb);
    let pace = Pace::StepAtMb {
        before,
        after,
        at_mb,
    };
    (part(c, files, pace), at_mb, after)
}

fn dest_cache_learned(c: &mut Chance) -> Job {
    let (part, at_mb, after) = cached_drive(c);
    let mut prior = by_ceiling(part.pace_at_start() / 0.88);
    prior.cache_step = Some(CacheStep {
        bytes: unlade::units::whole(near(c, at_mb, 0.08) * 1e6),
        mbps_after: near(c, after, 0.06),
    });
    job(vec![part], prior)
}

fn thermal(c: &mut Chance) -> Job {
    let (before, after) = (c.between(740.0, 860.0), c.between(270.0, 330.0));
    let gb = (before * 60.0 + after * c.between(150.0, 400.0)) / 1e3;
    let files = clips(c, gb);
    let pace = Pace::StepAtTime {
        before,
        after,
        at_s: c.between(50.0, 70.0),
    };
    job(vec![part(c, files, pace)], by_ceiling(before / 0.88))
}

fn dest_cache(c: &mut Chance) -> Job {
    let (part, _, _) = cached_drive(c);
    let ceiling = part.pace_at_start() / 0.88;
    job(vec![part], by_ceiling(ceiling))
}

impl Part {
    fn pace_at_start(&self) -> f64 {
        match self.pace {
            Pace::Steady(rate) => rate,
            Pace::StepAtTime { before, .. } | Pace::StepAtMb { before, .. } => before,
            Pace::Falling { first, .. } => first,
            Pace::Wandering { middle, .. } => middle,
            Pace::Shared { bus, .. } => bus / 2.0,
        }
    }
}

// ---- odd ones ----------------------------------------------------------------------------------

fn no_prior(c: &mut Chance) -> Job {
    let mut job = steady(c);
    job.prior = Prior::default();
    job
}

/// Clips and stills by turns, nothing known.
fn no_prior_mixed(c: &mut Chance) -> Job {
    let mut files = Vec::new();
    for _ in 0..6 {
        let n = count(c, 50.0, 1_500.0);
        files.extend(small(c, n, 0.1, 12.0));
        let gb = c.between(1.0, 6.0);
        files.extend(clips(c, gb));
    }
    let rate = c.between(85.0, 260.0);
    job(vec![part(c, files, Pace::Steady(rate))], Prior::default())
}

fn verify_unknown(c: &mut Chance) -> Job {
    let back = c.between(60.0, 400.0);
    job(two_stages(c, back), by_ceiling(104.0))
}

fn one_long_stall(c: &mut Chance) -> Job {
    let mut job = reader_limit(c);
    job.parts[0].pauses = Some(Pauses {
        every_s: (30.0, 120.0),
        length_s: (20.0, 60.0),
        count: 1,
    });
    job
}

fn rough(c: &mut Chance) -> Job {
    let mut job = steady(c);
    job.parts[0].jitter = Jitter {
        log_sd: 0.5,
        memory_s: 1.0,
    };
    job
}

fn slow_memory(c: &mut Chance) -> Job {
    let mut job = steady(c);
    job.parts[0].jitter = Jitter {
        log_sd: 0.2,
        memory_s: 8.0,
    };
    job
}

fn rising(c: &mut Chance) -> Job {
    let first = c.between(80.0, 160.0);
    let last = first * c.between(1.3, 1.8);
    let gb = first * c.between(200.0, 600.0) / 1e3;
    let files = clips(c, gb);
    let pace = Pace::Falling { first, last };
    job(vec![part(c, files, pace)], by_ceiling(first / 0.88))
}

fn rare_looks(c: &mut Chance) -> Job {
    let mut job = thermal(c);
    job.looks = Looks(2.0, 7.0);
    job.prior = Prior::default();
    job
}

/// Fast, slow and fast again.
fn two_steps(c: &mut Chance) -> Job {
    let fast = c.between(150.0, 260.0);
    let every_s = c.between(60.0, 120.0);
    let low = c.between(-0.7, -0.5);
    // Points so near to each other that the way between them is short.
    let mut points = Vec::new();
    for level in [0.0, low, 0.0] {
        points.extend(std::iter::repeat_n(level, 24));
    }
    points.extend(std::iter::repeat_n(0.0, 1_000));
    let gb = fast * every_s * 3.0 / 1e3;
    let files = clips(c, gb);
    let pace = Pace::Wandering {
        middle: fast,
        every_s: every_s / 24.0,
        points,
    };
    job(vec![part(c, files, pace)], by_ceiling(fast / 0.88))
}

fn lumps(c: &mut Chance) -> Job {
    let mut job = reader_limit(c);
    job.lump_mb = c.between(100.0, 500.0);
    job
}

fn lumps_step(c: &mut Chance) -> Job {
    let before = c.between(100.0, 200.0);
    let after = before * c.between(0.3, 0.5);
    let gb = (before * 60.0 + after * c.between(100.0, 300.0)) / 1e3;
    let files = clips(c, gb);
    let pace = Pace::StepAtTime {
        before,
        after,
        at_s: c.between(50.0, 70.0),
    };
    let mut job = job(vec![part(c, files, pace)], by_ceiling(before / 0.88));
    job.lump_mb = c.between(100.0, 300.0);
    job
}
