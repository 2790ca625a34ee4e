//! Replays a recorded job: what the forecast would have shown at each row.
//!
//! `--trace FILE [--ceiling MBPS] [--history MBPS:LOGSD] [--total BYTES:FILES]`. The file is CSV
//! with the header `t_s,phase,files,bytes`; files and bytes are cumulative, and may go on or begin
//! anew with the next phase. The first phase is the copy, all after it together are the read-back.
//! Without `--total` the totals are those of the last row of each phase. With it they are those of
//! the whole job, or of each phase where every phase goes over the same files. Output is CSV, one
//! row for each: `t_s,low_s,likely_s,high_s`, where `likely_s` is the number that is shown. For the
//! first two seconds of a job of which nothing is known the program shows nothing; here those rows
//! hold its guess.

use std::fmt::Write as _;
use std::time::Duration;
use unlade::speed::forecast::{Amount, Forecast, Prior, RatePrior, Stage};
use unlade::units::whole;

/// A trace may have so many rows.
const ROWS_MAX: usize = 1_000_000;
/// A clock that starts above this shows the time of day, not of the job.
const EPOCH_S: f64 = 1e6;
const HEADER: &str = "t_s,phase,files,bytes";

/// What is asked for.
#[derive(Clone, Debug, Default)]
pub(crate) struct Replay {
    pub(crate) ceiling: Option<f64>,
    pub(crate) history: Option<(f64, f64)>,
    pub(crate) total: Option<Amount>,
}

impl Replay {
    /// Takes an option and its value.
    pub(crate) fn take(&mut self, name: &str, value: &str) -> Result<(), String> {
        match name {
            "--ceiling" => self.ceiling = Some(positive(name, value)?),
            "--history" => {
                let (rate, sd) = pair(name, value, "MBPS:LOGSD")?;
                self.history = Some((positive(name, rate)?, not_negative(name, sd)?));
            }
            _ => {
                let (bytes, files) = pair(name, value, "BYTES:FILES")?;
                self.total = Some(Amount {
                    files: whole(not_negative(name, files)?),
                    bytes: whole(not_negative(name, bytes)?),
                });
            }
        }
        Ok(())
    }

    fn prior(&self) -> Prior {
        let by_history = self
            .history
            .map(|(rate, sd)| RatePrior::from_history(rate, sd));
        Prior {
            rate: by_history.or(self.ceiling.map(RatePrior::from_ceiling)),
            ..Prior::default()
        }
    }

    /// Returns the forecast at every row of a trace, as CSV.
    pub(crate) fn run(&self, text: &str) -> Result<String, String> {
        let rows = parse(text)?;
        let totals = self.totals(&rows);
        let has_second = rows.iter().any(|r| r.stage == Stage::ReadBack);
        let mut forecast = Forecast::new(&self.prior(), totals[0]);
        if has_second {
            forecast = forecast.then_read_back(totals[1]);
        }
        let start = start(&rows);
        let mut out = "t_s,low_s,likely_s,high_s\n".to_owned();
        for row in &rows {
            let at = Duration::try_from_secs_f64(row.t_s - start)
                .map_err(|e| format!("time {}: {e}", row.t_s))?;
            forecast.observe(at, row.stage, row.done);
            let r = forecast.guess();
            let (low, likely, high) = (r.low_s, r.likely_s, r.high_s);
            writeln!(out, "{},{low:.3},{likely:.3},{high:.3}", row.t).map_err(|e| e.to_string())?;
        }
        Ok(out)
    }

    /// Totals of the copy and of the read-back.
    fn totals(&self, rows: &[Row]) -> [Amount; 2] {
        let last = |stage| {
            let row = rows.iter().rev().find(|r| r.stage == stage);
            row.map_or(Amount::default(), |r| r.done)
        };
        let seen = [last(Stage::Copy), last(Stage::ReadBack)];
        let Some(total) = self.total else { return seen };
        if seen[1] == Amount::default() {
            return [total, total];
        }
        // The total of the whole job, unless the two phases together are more than that: then
        // every phase goes over the same files.
        if seen[0].bytes.saturating_add(seen[1].bytes) <= total.bytes {
            let rest = Amount {
                files: total.files.saturating_sub(seen[0].files),
                bytes: total.bytes - seen[0].bytes,
            };
            [seen[0], rest]
        } else {
            [total, total]
        }
    }
}

/// One row; counts begin at 0 with each stage.
#[derive(Clone, Debug, PartialEq)]
struct Row {
    /// As it was written.
    t: String,
    t_s: f64,
    stage: Stage,
    done: Amount,
}

fn positive(name: &str, text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && value > 0.0 => Ok(value),
        _ => Err(format!("{name}: `{text}` is not a number above 0")),
    }
}

fn not_negative(name: &str, text: &str) -> Result<f64, String> {
    match text.trim().parse::<f64>() {
        Ok(value) if value.is_finite() && value >= 0.0 => Ok(value),
        _ => Err(format!("{name}: `{text}` is not a number from 0 on")),
    }
}

fn pair<'a>(name: &str, text: &'a str, form: &str) -> Result<(&'a str, &'a str), String> {
    text.split_once(':')
        .ok_or_else(|| format!("{name}: `{text}` is not {form}"))
}

/// When the work began: where a first row without any work stands, or at 0.
fn start(rows: &[Row]) -> f64 {
    let Some(first) = rows.first() else {
        return 0.0;
    };
    if first.done == Amount::default() || first.t_s > EPOCH_S {
        first.t_s
    } else {
        0.0
    }
}

fn parse(text: &str) -> Result<Vec<Row>, String> {
    let mut lines = text
        .trim_start_matches('\u{feff}')
        .lines()
        .zip(1..)
        .filter(|(line, _)| !line.trim().is_empty());
    let head = lines.next().map_or("", |(line, _)| line.trim());
    if head.replace(' ', "") != HEADER {
        return Err(format!("the first line is `{head}`, not `{HEADER}`"));
    }
    let mut rows: Vec<Row> = Vec::new();
    let mut phases: Vec<&str> = Vec::new();
    let (mut done, mut last) = (Amount::default(), Amount::default());
    for (line, number) in lines {
        let fail = |why: String| format!("line {number}: {why}");
        let fields: Vec<&str> = line.split(',').map(str::trim).collect();
        let [t, phase, files, bytes] = fields[..] else {
            return Err(fail(format!("{} fields, not 4", fields.len())));
        };
        let t_s = not_negative("t_s", t).map_err(fail)?;
        let count = |name, text| not_negative(name, text).map(whole).map_err(fail);
        let counted = Amount {
            files: count("files", files)?,
            bytes: count("bytes", bytes)?,
        };
        if rows.last().is_some_and(|r| t_s < r.t_s) {
            return Err(fail(format!("the time goes back to {t}")));
        }
        let is_less = counted.files < last.files || counted.bytes < last.bytes;
        if phases.last() != Some(&phase) {
            if phases.contains(&phase) {
                return Err(fail(format!("phase `{phase}` comes a second time")));
            }
            phases.push(phase);
            if is_less {
                last = Amount::default();
            }
            if phases.len() <= 2 {
                done = Amount::default();
            }
        } else if is_less {
            return Err(fail("files or bytes become less".to_owned()));
        }
        done.files = done.files.saturating_add(counted.files - last.files);
        done.bytes = done.bytes.saturating_add(counted.bytes - last.bytes);
        last = counted;
        if rows.len() == ROWS_MAX {
            return Err(fail(format!("more than {ROWS_MAX} rows")));
        }
        rows.push(Row {
            t: t.to_owned(),
            t_s,
            stage: if phases.len() == 1 {
                Stage::Copy
            } else {
                Stage::ReadBack
            },
            done,
        });
    }
    if rows.is_empty() {
        return Err("no rows after the header".to_owned());
    }
    Ok(rows)
}
