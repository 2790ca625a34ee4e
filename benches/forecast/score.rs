//! Measures estimators on simulated jobs: how far off, how calm, how honest about it.

use super::rivals::{Average, Estimator, Ewma, Indicatif, Window};
use super::scenarios::{Job, Scenario};
use super::simulator::{Chance, Pace, Seen, Story, run};
use std::time::Duration;
use unlade::speed::forecast::{Amount, Forecast, Remaining, Stage};
use unlade::units::{float, len64, whole};

/// Points of the true time at which the error is looked at, in per cent.
pub(crate) const POINTS: [u8; 7] = [1, 5, 10, 25, 50, 75, 90];
/// Whoever is measured, in the order of the tables; the last is ours.
pub(crate) const NAMES: [&str; 5] = [
    "plain average",
    "window 5 s",
    "EWMA 15 s",
    "indicatif 0.18",
    "unlade",
];
/// The place of ours.
pub(crate) const OURS: usize = 4;
/// The true time counts as met when the estimate is off by no more.
const MET: f64 = 0.10;
/// After a step an estimate has recovered when it is off by less for three seconds.
const RECOVERED: f64 = 0.15;
const RECOVERED_FOR_S: f64 = 3.0;

/// One estimator on one job.
#[derive(Clone, Debug, Default)]
pub(crate) struct Marks {
    /// Relative error at each of [`POINTS`].
    pub(crate) errors: Vec<f64>,
    /// Share of the instants from 2 to 98 % of the time that were off by 10 % at most.
    pub(crate) met: f64,
    /// Sum of the upward moves over the job's length.
    pub(crate) jump: f64,
    /// Share of those instants in which the truth was in the range, and its mean half-width.
    pub(crate) covered: f64,
    pub(crate) width: f64,
    /// Seconds from the step until the estimate was right again; the rest of the job if never.
    pub(crate) recovery: Option<f64>,
    /// Lasting changes that were told.
    pub(crate) changes: u32,
}

/// Runs one job of a scenario and marks every estimator.
pub(crate) fn mark(scenario: &Scenario, seed: u64) -> Vec<Marks> {
    let mut chance = Chance::new(seed);
    let job = (scenario.make)(&mut chance);
    let mut story = run(&job.parts, job.looks, &mut chance);
    if job.lump_mb > 0.0 {
        for seen in &mut story.seen {
            seen.bytes = lumpy(seen.bytes, whole(job.lump_mb * 1e6));
        }
    }
    let step = step_time(&job, &story);
    let mut marks: Vec<Marks> = rivals()
        .into_iter()
        .map(|rival| mark_one(&story, &watch_rival(rival, &job, &story), step))
        .collect();
    let (ours, changes) = watch_ours(&job, &story);
    marks.push(Marks {
        changes,
        ..mark_one(&story, &ours, step)
    });
    marks
}

/// Half of the bytes as they are, the other half in whole lumps.
fn lumpy(bytes: u64, lump: u64) -> u64 {
    u64::midpoint(bytes, bytes / lump * lump)
}

fn rivals() -> Vec<Box<dyn Estimator>> {
    vec![
        Box::new(Average),
        Box::new(Window::new(5.0)),
        Box::new(Ewma::new(15.0)),
        Box::<Indicatif>::default(),
    ]
}

fn step_time(job: &Job, story: &Story) -> Option<f64> {
    match job.parts.first()?.pace {
        Pace::StepAtTime { at_s, .. } => Some(at_s),
        Pace::StepAtMb { at_mb, .. } => story
            .seen
            .iter()
            .find(|s| float(s.bytes) >= at_mb * 1e6)
            .map(|s| s.t),
        _ => None,
    }
}

/// What an estimator said at every look.
type Said = Vec<Option<Remaining>>;

fn watch_rival(mut rival: Box<dyn Estimator>, job: &Job, story: &Story) -> Said {
    let sizes: Vec<f64> = job.parts.iter().map(|p| p.mb() * 1e6).collect();
    let total: f64 = sizes.iter().sum();
    story
        .seen
        .iter()
        .map(|s| {
            let earlier: f64 = sizes[..s.stage].iter().sum();
            let done = earlier + float(s.bytes);
            let left = rival.estimate(s.t, done, (total - done).max(0.0))?;
            Some(Remaining {
                low_s: left,
                likely_s: left,
                high_s: left,
            })
        })
        .collect()
}

/// Returns a forecast as the program makes it for such a job.
pub(crate) fn forecast(job: &Job) -> Forecast {
    let amount = |i: usize| {
        let part = job.parts.get(i)?;
        Some(Amount {
            files: len64(part.files.len()),
            bytes: whole(part.mb() * 1e6),
        })
    };
    let forecast = Forecast::new(&job.prior, amount(0).unwrap_or_default());
    match amount(1) {
        Some(back) => forecast.then_read_back(back),
        None => forecast,
    }
}

/// Lets a forecast see one look.
pub(crate) fn show(forecast: &mut Forecast, seen: &Seen) -> bool {
    let stage = if seen.stage == 0 {
        Stage::Copy
    } else {
        Stage::ReadBack
    };
    let done = Amount {
        files: seen.files,
        bytes: seen.bytes,
    };
    let change = forecast.observe(Duration::from_secs_f64(seen.t), stage, done);
    forecast.observe_companion(seen.companion_left);
    change.is_some()
}

fn watch_ours(job: &Job, story: &Story) -> (Said, u32) {
    let mut forecast = forecast(job);
    let mut changes = 0;
    let said = story
        .seen
        .iter()
        .map(|seen| {
            changes += u32::from(show(&mut forecast, seen));
            forecast.remaining()
        })
        .collect();
    (said, changes)
}

fn mark_one(story: &Story, said: &Said, step: Option<f64>) -> Marks {
    let end = story.took_s;
    // An estimator that says nothing is as far off as one that says zero.
    let error = |i: usize| {
        let left = (end - story.seen[i].t).max(1e-9);
        said[i].map_or(1.0, |r| (r.likely_s - left).abs() / left)
    };
    let all: Vec<usize> = (0..said.len()).collect();
    let errors = POINTS
        .iter()
        .map(|p| {
            let at = end * f64::from(*p) / 100.0;
            let i = all
                .iter()
                .find(|i| story.seen[**i].t >= at)
                .or(all.last())
                .copied()
                .unwrap_or(0);
            error(i)
        })
        .collect();
    let inner: Vec<usize> = all
        .iter()
        .copied()
        .filter(|i| (0.02..=0.98).contains(&(story.seen[*i].t / end)))
        .collect();
    let share = |of: &dyn Fn(usize) -> bool| {
        let hits = inner.iter().filter(|i| of(**i)).count();
        float(len64(hits)) / float(len64(inner.len()).max(1))
    };
    let covers = |i: usize| {
        let left = end - story.seen[i].t;
        said[i].is_some_and(|r| (r.low_s..=r.high_s).contains(&left))
    };
    let widths: Vec<f64> = inner
        .iter()
        .filter_map(|i| said[*i])
        .filter(|r| r.likely_s > 0.0)
        .map(|r| (r.high_s - r.low_s) / 2.0 / r.likely_s)
        .collect();
    let jumps: f64 = said
        .windows(2)
        .map(|pair| match (pair[0], pair[1]) {
            (Some(a), Some(b)) => (b.likely_s - a.likely_s).max(0.0),
            _ => 0.0,
        })
        .sum();
    Marks {
        errors,
        met: share(&|i| error(i) <= MET),
        jump: jumps / end,
        covered: share(&covers),
        width: mean(&widths),
        recovery: step.map(|at| recovery(story, &error, at)),
        changes: 0,
    }
}

fn recovery(story: &Story, error: &dyn Fn(usize) -> f64, step: f64) -> f64 {
    let mut since = None;
    for (i, seen) in story.seen.iter().enumerate() {
        if seen.t < step {
            continue;
        }
        if error(i) < RECOVERED {
            let began = *since.get_or_insert(seen.t);
            if seen.t - began >= RECOVERED_FOR_S {
                return began - step;
            }
        } else {
            since = None;
        }
    }
    story.took_s - step
}

/// Returns the mean; 0 of nothing.
pub(crate) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / float(len64(values.len()).max(1))
}

/// Returns the value below which the given share lies; 0 of nothing.
pub(crate) fn quantile(values: &[f64], share: f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = len64(sorted.len()).saturating_sub(1);
    let at = unlade::units::len_usize(whole(float(last) * share));
    sorted.get(at).copied().unwrap_or(0.0)
}

/// Many jobs of one estimator taken together; errors, shares and widths in per cent.
#[derive(Clone, Debug)]
pub(crate) struct Summary {
    /// Median error at each of [`POINTS`].
    pub(crate) errors: Vec<f64>,
    pub p90_at_10: f64,
    pub(crate) met: f64,
    pub(crate) jump: f64,
    pub(crate) covered: f64,
    pub(crate) width: f64,
    /// Median and 90th percentile, in seconds.
    pub(crate) recovery: Option<(f64, f64)>,
    pub(crate) changes: f64,
}

/// Returns what many marks amount to.
pub(crate) fn summary(marks: &[&Marks]) -> Summary {
    let column = |of: &dyn Fn(&Marks) -> f64| -> Vec<f64> { marks.iter().map(|m| of(m)).collect() };
    let at = |i: usize| column(&|m| m.errors[i]);
    let recoveries: Vec<f64> = marks.iter().filter_map(|m| m.recovery).collect();
    Summary {
        errors: (0..POINTS.len())
            .map(|i| 100.0 * quantile(&at(i), 0.5))
            .collect(),
        p90_at_10: 100.0 * quantile(&at(2), 0.9),
        met: 100.0 * mean(&column(&|m| m.met)),
        jump: mean(&column(&|m| m.jump)),
        covered: 100.0 * mean(&column(&|m| m.covered)),
        width: 100.0 * mean(&column(&|m| m.width)),
        recovery: (!recoveries.is_empty())
            .then(|| (quantile(&recoveries, 0.5), quantile(&recoveries, 0.9))),
        changes: mean(&column(&|m| f64::from(m.changes))),
    }
}
