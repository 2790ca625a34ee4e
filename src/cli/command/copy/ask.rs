//! Owns the one question before a copy of which cards or drives were not typed: what it will do, in
//! six lines when all is well, and whether it shall.

use crate::cli::args::CopyArgs;
use crate::cli::args::unsaid::Unsaid;
use crate::cli::command::shared::one_card::{refused, tell_refusal};
use crate::cli::exit::Exit;
use crate::cli::view::interrupt::stopped;
use crate::cli::view::observer::JobObserver;
use crate::cli::view::out::{Consent, Out};
use crate::cli::view::text::{all_of, fit, wrap};
use crate::cli::view::words::drives::drive_names;
use std::collections::HashSet;
use unlade::name::shown;
use unlade::plan::{Plan, Refusal};
use unlade::run::{Job, Tools, look_ahead};
use unlade::speed::forecast::words as forecast_words;
use unlade::units::{counted, size};

/// Lines before the question.
const LINES_MAX: usize = 6;

/// Says what is done where not all of it was typed, and asks whether it shall be.
///
/// # Errors
/// The exit code, once it is told why nothing is done.
pub(super) fn confirm(args: &CopyArgs, jobs: &[Job], out: Out, tools: &Tools) -> Result<(), Exit> {
    let unsaid = &args.unsaid;
    if !unsaid.is_to_be_asked {
        introduce(unsaid, jobs, out);
        return Ok(());
    }
    let plans: Vec<_> = jobs
        .iter()
        .map(|job| (job, look_ahead(job, tools)))
        .collect();
    if tools.cancel.load(std::sync::atomic::Ordering::SeqCst) {
        return Err(stopped(true, out, &tools.clock));
    }
    if let Some(exit) = all_refused(&plans, out, tools) {
        return Err(exit);
    }
    let doubts = doubts(&plans, out.width);
    for line in lines(&plans, unsaid, out.width).iter().chain(&doubts) {
        out.line(line);
    }
    match out.ask(&question(&plans), &tools.cancel) {
        Consent::Yes => Ok(()),
        Consent::No => {
            out.line("Nothing was copied. To choose: unlade copy CARD --to DRIVE --to DRIVE");
            Err(Exit::Refused)
        }
    }
}

/// Says what was put in the place of what was not typed, where nobody is asked.
pub(super) fn introduce(unsaid: &Unsaid, jobs: &[Job], out: Out) {
    if out.json || out.quiet {
        return;
    }
    let why = |(path, why): &(camino::Utf8PathBuf, String)| {
        let job = jobs.iter().find(|job| job.card == *path);
        let name = job.and_then(|job| job.known.card.as_deref());
        let name = name.or_else(|| path.file_name()).unwrap_or(path.as_str());
        format!("{}: {why}", shown(name))
    };
    let said = unsaid.cards.iter().map(why).chain(as_usual(unsaid));
    for line in said.flat_map(|text| wrap(&text, out.width, "", "  ")) {
        out.line(&line);
    }
}

/// What the set says that is not as without it.
fn as_usual(unsaid: &Unsaid) -> Option<String> {
    (!unsaid.said.is_empty()).then(|| format!("As usual: {}", unsaid.said.join(", ")))
}

type Planned<'a> = (&'a Job, Result<Plan, Refusal>);

/// Tells the refusals where no card can be copied.
fn all_refused(plans: &[Planned<'_>], out: Out, tools: &Tools) -> Option<Exit> {
    let refusals = plans
        .iter()
        .map(|(job, plan)| Some((*job, plan.as_ref().err()?)));
    let refusals: Option<Vec<_>> = refusals.collect();
    for (job, refusal) in refusals? {
        let mut observer = JobObserver::new(out, tools, &job.to);
        let head = refused(job, plans.len() > 1);
        tell_refusal(job, refusal, &head, out, &mut observer);
    }
    Some(Exit::Refused)
}

/// What will keep the copies from being PROVEN: whoever says yes has to know it.
fn doubts(plans: &[Planned<'_>], width: usize) -> Vec<String> {
    let plans = plans.iter().filter_map(|(_, plan)| plan.as_ref().ok());
    let mut doubts: Vec<String> = plans.flat_map(Plan::doubts).collect();
    let mut told = HashSet::new();
    doubts.retain(|doubt| told.insert(doubt.clone()));
    let lines = doubts.iter().flat_map(|text| wrap(text, width, "  ", "  "));
    lines.collect()
}

/// What will be done.
fn lines(plans: &[Planned<'_>], unsaid: &Unsaid, width: usize) -> Vec<String> {
    let why = |job: &Job| {
        let found = unsaid.cards.iter().find(|(path, _)| *path == job.card);
        found.map_or_else(String::new, |(_, why)| format!(" ({why})"))
    };
    let card = |(job, plan): &Planned<'_>| match plan {
        Ok(plan) => {
            let (files, bytes) = plan.listing.totals();
            let (files, bytes) = (counted(files, "file"), size(bytes));
            let name = shown(&plan.name);
            let time = plan.expects().filter(|r| r.likely_s > 0.0);
            let time = time.map_or_else(String::new, |r| format!(", {}", forecast_words(r)));
            format!(
                "{}: {files}, {bytes}, as {name}{}{time}",
                card_name(plan),
                why(job)
            )
        }
        Err(refusal) => {
            let why = refusal.reasons.first().map(|reason| shown(&reason.detail));
            let card = shown(job.card.as_str());
            format!("{card} can't be copied: {}", why.unwrap_or_default())
        }
    };
    let cards: Vec<String> = plans.iter().map(card).collect();
    let mut rest: Vec<String> = plans
        .iter()
        .find_map(|(_, plan)| plan.as_ref().ok())
        .map_or_else(Vec::new, |plan| {
            let names = drive_names(plan).into_iter().zip(&plan.destinations);
            let drives =
                names.map(|(name, d)| format!("{name} ({} free)", size(d.facts.free_bytes)));
            vec![format!("to {}", all_of(&drives.collect::<Vec<_>>()))]
        });
    rest.extend(as_usual(unsaid));
    let wrapped = |texts: &[String]| -> Vec<String> {
        let lines = texts
            .iter()
            .flat_map(|text| wrap(text, width, "  ", "    "));
        lines.collect()
    };
    let mut lines = [wrapped(&cards), wrapped(&rest)].concat();
    if lines.len() <= LINES_MAX {
        return lines;
    }
    // One line for each; the ordinary screens say all of it when a card's turn comes.
    let short = |texts: &[String]| -> Vec<String> {
        let lines = texts
            .iter()
            .map(|text| format!("  {}", fit(text, width - 2)));
        lines.collect()
    };
    let room = LINES_MAX - rest.len();
    lines = short(&cards);
    if lines.len() > room {
        let more = lines.len() - (room - 1);
        lines.truncate(room - 1);
        lines.push(format!("  and {more} more cards"));
    }
    lines.extend(short(&rest));
    lines
}

fn card_name(plan: &Plan) -> String {
    let name = plan.estimate.card_name.as_ref();
    shown(name.unwrap_or(&plan.card.label))
}

/// Names told in the question; more are counted.
const NAMES_TOLD: usize = 3;

fn question(plans: &[Planned<'_>]) -> String {
    let plans: Vec<&Plan> = plans
        .iter()
        .filter_map(|(_, plan)| plan.as_ref().ok())
        .collect();
    let names = |names: Vec<String>, noun: &str| match names.len() {
        n if n > NAMES_TOLD => format!("{n} {noun}"),
        _ => all_of(&names),
    };
    let cards = names(plans.iter().map(|plan| card_name(plan)).collect(), "cards");
    let drives = plans
        .first()
        .map(|plan| drive_names(plan))
        .unwrap_or_default();
    format!("Copy {cards} to {}? [Y/n] ", names(drives, "drives"))
}
