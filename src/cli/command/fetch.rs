//! Owns `fetch`: an offload, or files of it, back from a place.

use crate::cli::args::Common;
use crate::cli::args::send::FetchArgs;
use crate::cli::command::shared::place::{
    NoStore, home, meant, opened, place_and_name, placed, remembered,
};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::refuse::refuse;
use crate::cli::view::words::fetching::{fetched_answer, fetched_lines};
use serde_json::json;
use std::sync::Arc;
use unlade::disk::progress::Progress;
use unlade::name::shown;
use unlade::place::fetch::{FetchJob, fetch as fetch_all};
use unlade::place::incoming::{FetchPlan, NoFetch};
use unlade::place::outcome::FetchResult;
use unlade::place::pace::RateLimit;
use unlade::run::Tools;
use unlade::units::{counted, len64, size};

/// Brings it.
pub(crate) fn fetch(args: &FetchArgs, common: &Common, out: Out, tools: &Tools) -> Exit {
    match bring(args, common, out, tools) {
        Ok((plan, done)) => tell(&plan, &done, out, tools),
        Err(NoStore(lines, exit)) => refuse(&lines, exit, "fetch", out, tools),
    }
}

fn bring(
    args: &FetchArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Result<(FetchPlan, FetchResult), NoStore> {
    let (place, name) = place_and_name(&args.offload)?;
    let home = home(common)?;
    let place = meant(place, &home)?;
    let store = opened(&place, tools)?;
    let placed = placed(&place, name, &store)?;
    let disk = tools.disk.as_ref();
    let plan = FetchPlan::of(disk, &store, &placed, (&args.to, &args.only));
    let plan = plan.map_err(|why| {
        let exit = if store.is_cancelled() {
            Exit::Interrupted
        } else {
            Exit::Refused
        };
        let lines = match why {
            NoFetch::Reasons(reasons) => reasons.iter().map(|why| format!("{why}.")).collect(),
            other => vec![format!("{other}").trim_end_matches('.').to_owned() + "."],
        };
        NoStore(lines, exit)
    })?;
    // Until all is done: what is mounted over the folder meanwhile is not written to.
    let held = disk
        .facts(&args.to)
        .and_then(|facts| disk.anchor(&args.to, &facts));
    let _held = held.map_err(|e| {
        let to = shown(args.to.as_str());
        NoStore(vec![format!("`{to}` can't be used: {e}.")], Exit::Refused)
    })?;
    if !out.json && !out.quiet {
        let what = counted(len64(plan.files.len()), "file");
        let (name, to) = (shown(name), shown(args.to.as_str()));
        let bytes = size(plan.bytes());
        out.line(&format!("{}/{name} -> {to}: {what}, {bytes}", place.name));
    }
    let journal = remembered(&home, &place, &placed)?;
    let job = FetchJob {
        disk,
        clock: tools.clock.as_ref(),
        store: &store,
        placed: &placed,
        plan: &plan,
        pace: RateLimit::new(args.limit),
        place: &place.address,
    };
    let progress = Progress::default();
    let mut shown_progress = ReadProgress::new(out, tools).saying("Fetching");
    let work = || fetch_all(&job, journal, &progress);
    let done = watched(work, || shown_progress.show(&progress));
    shown_progress.clear();
    let done = done.ok_or_else(|| {
        let why = "fetching broke down; this is a fault of unlade, please report it";
        NoStore(vec![why.to_owned()], Exit::NotProven)
    })?;
    Ok((plan, done))
}

/// Returns the end that a result is.
fn end_of(done: &FetchResult) -> Exit {
    if done.interrupted {
        Exit::Interrupted
    } else if done.is_done && done.from_memory == 0 {
        Exit::Done
    } else {
        Exit::NotProven
    }
}

fn tell(plan: &FetchPlan, done: &FetchResult, out: Out, tools: &Tools) -> Exit {
    let exit = end_of(done);
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        for problem in &done.problems {
            json.send(
                "problem",
                json!({
                    "kind": "not-fetched", "path": problem.path, "destination": null,
                    "detail": problem.why.to_string(), "blocking": true,
                }),
            );
        }
        let body = json!({
            "root": plan.root, "whole": plan.is_whole, "done": done.is_done,
            "files": plan.files.len() + usize::from(plan.is_whole), "fetched": done.came,
            "fetched_bytes": done.came_bytes, "before": done.before,
            "from_memory": done.from_memory, "not_compared": done.not_compared,
            "made": done.made,
            "retries": done.retries,
            "problems": done.problems.len(), "exit_code": exit.code(),
        });
        json.send("fetched", body);
        return exit;
    }
    for line in fetched_lines(done, out) {
        out.line(&line);
    }
    for line in fetched_answer(plan, done, exit, out) {
        out.line(&line);
    }
    exit
}
