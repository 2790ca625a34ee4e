//! How good the forecast of the time left is, beside what others do, on simulated jobs; and the
//! replay of a recorded one.
//!
//! Run by hand: `cargo bench --bench forecast`. `-- --tuning` uses the seeds that the constants
//! were set on; `-- --jobs N` runs another number of jobs of each scenario than 2000, which take
//! some minutes. `-- --trace FILE` replays a recorded job instead, see `trace.rs`.
#![expect(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a measurement prints its tables"
)]

mod rivals;
mod scenarios;
mod score;
mod simulator;
mod tables;
mod trace;

use std::process::ExitCode;

/// Jobs of each scenario.
const JOBS: u64 = 2000;
const JOBS_MAX: u64 = 10_000;
/// Seeds for setting constants, and others for the figures.
const SEEDS_TUNING: u64 = 1;
const SEEDS_FIGURES: u64 = 4_000_001;
/// A trace may be so large.
const TRACE_BYTES_MAX: u64 = 256 << 20;

fn main() -> ExitCode {
    match Wish::parse(std::env::args().skip(1)).and_then(|wish| wish.run()) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("forecast: {why}");
            ExitCode::from(2)
        }
    }
}

/// What is asked for.
struct Wish {
    jobs: u64,
    tuning: bool,
    trace: Option<String>,
    replay: trace::Replay,
    /// Options that mean nothing without a trace.
    for_trace: Option<String>,
}

impl Wish {
    fn parse(args: impl Iterator<Item = String>) -> Result<Self, String> {
        let mut wish = Self {
            jobs: JOBS,
            tuning: false,
            trace: None,
            replay: trace::Replay::default(),
            for_trace: None,
        };
        // `cargo bench` adds its own flag.
        let mut args = args.filter(|a| a != "--bench");
        while let Some(arg) = args.next() {
            if arg == "--tuning" {
                wish.tuning = true;
                continue;
            }
            let (name, joined) = match arg.split_once('=') {
                Some((name, value)) => (name.to_owned(), Some(value.to_owned())),
                None => (arg, None),
            };
            let mut value = || {
                joined
                    .clone()
                    .or_else(|| args.next())
                    .ok_or_else(|| format!("{name} needs a value"))
            };
            match name.as_str() {
                "--trace" => wish.trace = Some(value()?),
                "--jobs" => {
                    let text = value()?;
                    let jobs = text.parse().ok().filter(|n| (1..=JOBS_MAX).contains(n));
                    wish.jobs =
                        jobs.ok_or(format!("--jobs: `{text}` is not from 1 to {JOBS_MAX}"))?;
                }
                "--ceiling" | "--history" | "--total" => {
                    wish.replay.take(&name, &value()?)?;
                    wish.for_trace = Some(name);
                }
                _ => return Err(format!("`{name}` is not known")),
            }
        }
        match (&wish.trace, &wish.for_trace) {
            (None, Some(name)) => Err(format!("{name} needs --trace FILE")),
            _ => Ok(wish),
        }
    }

    fn run(&self) -> Result<(), String> {
        let Some(path) = &self.trace else {
            let seeds = if self.tuning {
                SEEDS_TUNING
            } else {
                SEEDS_FIGURES
            };
            tables::print(self.jobs, seeds);
            return Ok(());
        };
        let size = std::fs::metadata(path)
            .map_err(|e| format!("`{path}`: {e}"))?
            .len();
        if size > TRACE_BYTES_MAX {
            return Err(format!("`{path}` is larger than {TRACE_BYTES_MAX} bytes"));
        }
        let text = std::fs::read_to_string(path).map_err(|e| format!("`{path}`: {e}"))?;
        let out = self
            .replay
            .run(&text)
            .map_err(|e| format!("`{path}`: {e}"))?;
        print!("{out}");
        Ok(())
    }
}
