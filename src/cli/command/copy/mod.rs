//! Owns `copy` and `plan`.

mod ask;
mod batch;
mod jobs;

use crate::cli::args::{Common, CopyArgs};
use crate::cli::command::copy::ask::{confirm, introduce};
use crate::cli::command::copy::batch::Batch;
use crate::cli::command::copy::jobs::{JobsInOrder, begin, together};
use crate::cli::command::shared::after::{AfterCopy, PlannedCopies};
use crate::cli::command::shared::one_card::{refused, tell_refusal};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::shoot::ShootNews;
use crate::cli::system::awake::Awake;
use crate::cli::system::power::{ON_BATTERY, on_battery};
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::observer::{JobObserver, Viewer};
use crate::cli::view::order::{order_of_copy, order_of_plan};
use crate::cli::view::out::Out;
use crate::cli::view::schedule::{CardTime, Schedule};
use std::path::Path;
use std::sync::{Arc, Mutex};
use unlade::clock::rfc3339;
use unlade::ledger::shoot::Shoot;
use unlade::ledger::{Deed, LedgerEntry, ShootPart};
use unlade::plan::{Plan, Refusal};
use unlade::run::{Job, Tools, look_ahead, prepare};

/// Copies every card; the exit code is that of the card that went worst, and that of a refusal only
/// where all were refused. What is done with the copies afterwards is kept in `after`.
pub(crate) fn copy(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    after: &AfterCopy,
) -> Exit {
    copy_for(args, common, out, tools, book, (None, after))
}

/// The same, shown to this one.
pub(crate) fn copy_shown(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    viewer: &dyn Viewer,
) -> Exit {
    let after = AfterCopy::default();
    copy_for(args, common, out, tools, book, (Some(viewer), &after))
}

fn copy_for(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    (viewer, after): (Option<&dyn Viewer>, &AfterCopy),
) -> Exit {
    let (jobs, shoot) = match begin(args, common, out, tools, book) {
        Ok(begun) => begun,
        Err(exit) => return exit,
    };
    let JobsInOrder { jobs, order, found } = match together(jobs, args, out, tools) {
        Ok(found) => found,
        Err(exit) => return exit,
    };
    if !out.json && !out.quiet {
        let lines = found.map(|found| order_of_copy(&found, out));
        for line in lines.iter().flatten() {
            out.line(line);
        }
    }
    if let Err(exit) = confirm(args, &jobs, out, tools) {
        return exit;
    }
    let on_battery = on_battery(Path::new("/"));
    if on_battery && !out.json && !out.quiet {
        out.line(ON_BATTERY);
    }
    if args.order.deadline.is_some() {
        let times = jobs.iter().map(|job| {
            let plan = look_ahead(job, tools).ok()?;
            Some(CardTime::of(&plan))
        });
        tell_schedule(
            &Schedule::new(times.collect(), &order, args.order.deadline),
            out,
            tools,
        );
    }
    let (now, id) = (rfc3339(tools.clock.now()), std::process::id());
    let batch = Batch {
        command: (jobs.len() > 1).then(|| format!("{now} {id}")),
        jobs,
        order,
        on_battery,
        out,
        tools,
        book,
        shoot,
        awake: Arc::new(Mutex::new(Awake::ask())),
        printing: Mutex::new(()),
        viewer,
        after,
    };
    batch.run()
}

/// A card of a command and what would be done with it, or every reason not to.
pub(crate) type LookedAhead = (Job, Result<Plan, Refusal>);

/// Plans every card of a command, and writes nothing; the lines are what there is to say of it.
///
/// # Errors
/// The exit code, once it is told why none can be copied.
pub(crate) fn look(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Result<Vec<LookedAhead>, Exit> {
    let (jobs, _) = begin(args, common, out, tools, book)?;
    let JobsInOrder { jobs, .. } = together(jobs, args, out, tools)?;
    introduce(&args.unsaid, &jobs, out);
    let look = |job: Job| {
        let plan = look_ahead(&job, tools);
        (job, plan)
    };
    Ok(jobs.into_iter().map(look).collect())
}

/// Says when which card is done.
fn tell_schedule(schedule: &Schedule, out: Out, tools: &Tools) {
    if out.json && schedule.is_asked_for() {
        Json::new(out, Arc::clone(&tools.clock)).send("schedule", schedule.json());
    } else if !out.json && !out.quiet {
        for line in schedule.lines(out) {
            out.line(&line);
        }
    }
}

/// Shows what would be done; `then` shows what would be done with the copies.
pub(crate) fn plan(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    then: impl FnOnce(PlannedCopies),
) -> Exit {
    // The plan is the result here, so it is shown in spite of --quiet.
    let out = Out {
        quiet: false,
        ..out
    };
    let begun = begin(args, common, out, tools, book)
        .and_then(|(jobs, shoot)| Ok((together(jobs, args, out, tools)?, shoot)));
    let (JobsInOrder { jobs, order, found }, shoot) = match begun {
        Ok(begun) => begun,
        Err(exit) => return exit,
    };
    introduce(&args.unsaid, &jobs, out);
    let mut worst = Exit::Done;
    let is_one = jobs.len() == 1;
    let mut times = Vec::new();
    let mut cards = Vec::new();
    let mut bytes = 0_u64;
    for job in jobs {
        let mut observer = JobObserver::new(out, tools, &job.to);
        if let (JobObserver::Json(json), false) = (&mut observer, is_one) {
            json.about(&job.card);
        }
        times.push(match prepare(&job, tools, &mut observer) {
            Ok(plan) => {
                let now = tools.clock.now();
                bytes = bytes.saturating_add(plan.own_bytes());
                cards.push(LedgerEntry {
                    command: (!is_one).then(String::new),
                    ..LedgerEntry::new(Deed::Copy, now, plan.card_identity())
                });
                Some(CardTime::of(&plan))
            }
            Err(refusal) if refusal.is_interruption() => {
                return stopped(false, out, &tools.clock);
            }
            Err(refusal) => {
                let head = refused(&job, !is_one);
                worst = worst.max(tell_refusal(&job, &refusal, &head, out, &mut observer));
                None
            }
        });
    }
    let is_any_planned = times.iter().any(Option::is_some);
    if is_any_planned {
        let schedule = Schedule::new(times, &order, args.order.deadline);
        tell_schedule(&schedule, out, tools);
        let takes = schedule.total();
        then(PlannedCopies { bytes, takes });
    }
    if let (Some(found), true, false) = (found, is_any_planned, out.json) {
        for line in order_of_plan(&found, out) {
            out.line(&line);
        }
    }
    if is_any_planned && !out.json {
        out.line("Nothing was written.");
    }
    if let (Some(part), false) = (shoot, out.json) {
        tell_shoot(&part, &cards, book, out);
    }
    worst
}

/// Says how far the shoot would be with these cards.
fn tell_shoot(part: &ShootPart, cards: &[LedgerEntry], book: &Book, out: Out) {
    let shoot = Shoot::of(&book.read(), &part.name, part.expected.as_ref());
    let words = shoot.words_of_plan(cards);
    for line in (ShootNews { shoot, words }).lines(out.width) {
        out.line(&line);
    }
}
