//! Prints what was measured.

use rayon::prelude::*;

use super::scenarios::{Group, SCENARIOS};
use super::score::{Marks, NAMES, OURS, POINTS, Summary, mark, summary};

/// A scenario and its jobs; of each job the marks of every estimator.
struct Measured {
    name: &'static str,
    group: Group,
    jobs: Vec<Vec<Marks>>,
}

impl Measured {
    fn of(&self, who: usize) -> Vec<&Marks> {
        self.jobs.iter().filter_map(|m| m.get(who)).collect()
    }
}

/// Runs so many jobs of each scenario with seeds from `seeds` on, and prints the tables.
pub(crate) fn print(jobs: u64, seeds: u64) {
    let all: Vec<Measured> = SCENARIOS
        .iter()
        .zip(0_u64..)
        .map(|(s, i)| Measured {
            name: s.name,
            group: s.group,
            jobs: (0..jobs)
                .into_par_iter()
                .map(|n| mark(s, seeds + 10_000 * i + n))
                .collect(),
        })
        .collect();
    println!("{jobs} jobs of each scenario, seeds from {seeds} on; errors and shares in per cent");
    for (group, title) in [
        (Group::Foreseeable, "what can be foreseen"),
        (Group::Step, "steps that nobody could know of"),
        (Group::Odd, "odd ones, on which no constant was set"),
    ] {
        let own: Vec<&Measured> = all.iter().filter(|m| m.group == group).collect();
        if !own.is_empty() {
            by_estimator(&own, title);
        }
    }
    by_scenario(&all);
}

fn by_estimator(measured: &[&Measured], title: &str) {
    let points = POINTS.map(|p| format!("{p} %")).join(" | ");
    println!("\n### {title}: median error of the time left\n");
    println!(
        "| estimator | {points} | p90 at 10 % | within 10 % | jump | covered | half-width | \
        recovery: median, p90 |"
    );
    println!(
        "|---|{}---|---|---|---|---|---|",
        "---|".repeat(POINTS.len())
    );
    for (who, name) in NAMES.iter().enumerate() {
        let marks: Vec<&Marks> = measured.iter().flat_map(|m| m.of(who)).collect();
        println!("| {name} | {} |", row(&summary(&marks), who == OURS));
    }
}

fn row(s: &Summary, has_range: bool) -> String {
    let mut cells: Vec<String> = s.errors.iter().map(|e| format!("{e:.1}")).collect();
    cells.push(format!("{:.1}", s.p90_at_10));
    cells.push(format!("{:.1}", s.met));
    cells.push(format!("{:.2}", s.jump));
    if has_range {
        cells.push(format!("{:.0}", s.covered));
        cells.push(format!("{:.0}", s.width));
    } else {
        cells.extend(["-".to_owned(), "-".to_owned()]);
    }
    cells.push(match s.recovery {
        Some((median, p90)) => format!("{median:.0} s, {p90:.0} s"),
        None => "-".to_owned(),
    });
    cells.join(" | ")
}

fn by_scenario(all: &[Measured]) {
    println!("\n### by scenario: median error at 10 % / within 10 % / jump\n");
    println!(
        "| scenario | {} | covered | half-width | changes told | behind the best of the others by \
        more than 2 points |",
        NAMES.join(" | ")
    );
    println!("|---|{}---|---|---|---|", "---|".repeat(NAMES.len()));
    for measured in all {
        let sums: Vec<Summary> = (0..NAMES.len()).map(|k| summary(&measured.of(k))).collect();
        let cells: Vec<String> = sums
            .iter()
            .map(|s| format!("{:.1} / {:.0} / {:.2}", s.errors[2], s.met, s.jump))
            .collect();
        let ours = &sums[OURS];
        println!(
            "| {} | {} | {:.0} | {:.0} | {:.1} | {} |",
            measured.name,
            cells.join(" | "),
            ours.covered,
            ours.width,
            ours.changes,
            behind(&sums)
        );
    }
}

/// Where another does better by more than two points, and by how much.
fn behind(sums: &[Summary]) -> String {
    let ours = &sums[OURS];
    let others = sums.iter().zip(0..).filter(|(_, k)| *k != OURS);
    let (mut met, mut error) = (0.0_f64, f64::INFINITY);
    for (s, _) in others {
        met = met.max(s.met);
        error = error.min(s.errors[2]);
    }
    let mut words = Vec::new();
    if met - ours.met > 2.0 {
        words.push(format!("within 10 %: {:.1}", met - ours.met));
    }
    if ours.errors[2] - error > 2.0 {
        words.push(format!("error: {:.1}", ours.errors[2] - error));
    }
    words.join(", ")
}
