//! Owns the order of the stages: survey, plan, offload, closing look, proof, records. Everything
//! below it is one stage; everything above it is words on a screen.

mod begin;
mod checks;
mod closing;
mod estimate;
mod gather;
pub mod inspect;
mod job;
mod naming;
pub mod pictures;
pub mod prove;
mod records;
mod several;

use crate::card::listing::Listing;
use crate::clock::rfc3339;
use crate::event::{Event, Observer, Silent};
use crate::existing::sample::Sampling;
use crate::name::shown;
use crate::offload::meter::Meter;
use crate::offload::{Context, left_behind, reread, salvage};
use crate::plan::first::Aim;
use crate::plan::{Plan, PlanOptions, Refusal, plan};
use crate::proof::problems::{card_problems, list_problems};
use crate::proof::{Kept, Proof};
pub use crate::record::checksums::CHECKSUMS;
use crate::record::earlier_run::RecordedVerdict;
use crate::record::layout::Level;
use crate::record::load::load;
pub use crate::record::store::REPORT;
use crate::units::len64;
use begin::{hold_all, seen_once, start, try_sizes};
pub use checks::checks_of_copy;
use closing::Looks;
use estimate::{Hardware, estimate};
use gather::{bear_out, former_note, look_around, look_at_source, name_and_spots};
pub use job::{Job, KnownBefore, Naming, Tools};
use pictures::with_pictures;
pub use several::Together;
use several::together;
use std::sync::atomic::Ordering;
use std::sync::{Arc, Mutex};
use tracing::{debug, debug_span};

/// Surveys the card, looks at the destinations and decides what to do. Writes nothing.
///
/// # Errors
/// Every reason why the job cannot be begun, all at once; or that the person wants to stop.
pub fn prepare(job: &Job, tools: &Tools, observer: &mut dyn Observer) -> Result<Plan, Refusal> {
    let planned = look_and_plan(job, tools, observer, Sampling::Read);
    if tools.cancel.load(Ordering::Relaxed) {
        // What was seen until then says nothing.
        return Err(Refusal::interrupted());
    }
    match &planned {
        Ok(plan) => {
            observer.event(&Event::Planned(plan));
            // Known before the first byte: nobody has to wait for the end to hear of them.
            let known = card_problems(&plan.listing).into_iter();
            for problem in known
                .chain(plan.unheld_problems())
                .chain(list_problems(plan))
            {
                observer.event(&Event::Problem(problem));
            }
        }
        Err(refusal) => observer.event(&Event::Refused(&refusal.reasons)),
    }
    planned
}

/// Plans a job without reading a byte of its card, to reckon with it before its turn comes: what
/// would be read as a sample is taken to be equal.
///
/// # Errors
/// As [`prepare`].
pub fn look_ahead(job: &Job, tools: &Tools) -> Result<Plan, Refusal> {
    look_and_plan(job, tools, &mut Silent, Sampling::TakenAsEqual)
}

/// Looks at several cards before the first is begun. Writes nothing; what stands in the way of one
/// card alone is told when its turn comes. Which is read first is by the aim.
pub fn look_together(jobs: &[Job], aim: Aim, tools: &Tools) -> Together {
    let mut planned: Vec<Option<Plan>> = Vec::new();
    for job in jobs {
        let mut job = job.clone();
        let plans = || planned.iter().flatten();
        job.taken.extend(plans().map(|plan| plan.name.clone()));
        let before = plans().map(Plan::card_identity);
        job.known.naming.before.extend(before);
        planned.push(look_ahead(&job, tools).ok());
    }
    together(jobs, planned, aim, tools)
}

fn look_and_plan(
    job: &Job,
    tools: &Tools,
    observer: &mut dyn Observer,
    sampling: Sampling,
) -> Result<Plan, Refusal> {
    let _span = debug_span!("plan", card = %shown(job.card.as_str())).entered();
    let tools = &tools.to_look();
    let disk = tools.disk.as_ref();
    let found = debug_span!("list").in_scope(|| look_at_source(job, tools));
    let (card, listing) = found.map_err(|problem| Refusal {
        reasons: vec![problem],
    })?;
    observer.event(&listed(job, &listing));
    let (name, mut spots, former) = name_and_spots(job, tools, &card, &listing);
    let former = former.map(|former| former_note(&former, &name));
    let around = look_around(job, disk, &name, &mut spots);
    let hardware = Hardware::look(job, &card, &spots, disk);
    hardware.note_spins(&mut spots);
    let found = spots.into_iter().zip(around).collect();
    let about = (&card, &listing, sampling);
    let candidates = bear_out(job, tools, found, &name, about, observer);
    let estimate = estimate(job, &card, &listing, &candidates, &hardware);
    let mut planned = plan(card, listing, &candidates, &options(job, name), estimate);
    match &mut planned {
        Ok(plan) => {
            plan.notes.extend(former);
            let (files, bytes) = plan.to_read();
            debug!(name = %shown(&plan.name), files, bytes, "planned");
        }
        Err(refusal) => debug!(reasons = refusal.reasons.len(), "refused"),
    }
    planned
}

fn listed<'a>(job: &'a Job, listing: &Listing) -> Event<'a> {
    let (files, bytes) = listing.totals();
    let troubles = len64(listing.rows().len())
        - files
        - len64(listing.folders().count())
        - len64(listing.left_out().count());
    debug!(files, bytes, troubles, "listed");
    Event::Listed {
        card: job.card.as_str(),
        files,
        bytes,
        folders: len64(listing.folders().count()),
        left_out: len64(listing.left_out().count()),
        troubles,
    }
}

fn options(job: &Job, name: String) -> PlanOptions {
    PlanOptions {
        name,
        terms: job.terms,
        only_new: job.only_new,
        form: job.form,
        signer: job.signer.clone(),
    }
}

/// Does what the plan says and proves it.
///
/// # Errors
/// When a destination cannot be begun on: then nothing is left behind on any of them.
pub fn offload(plan: Plan, tools: &Tools, observer: &mut dyn Observer) -> Result<Proof, Refusal> {
    let _span = debug_span!("offload", name = %shown(&plan.name)).entered();
    let started = tools.clock.now();
    let held = hold_all(&plan, tools);
    let _held = held.inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    try_sizes(&plan, tools)
        .and_then(|()| seen_once(&plan, tools))
        .inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    let recorded = plan.recorded().cloned();
    let nothing_new = plan.has_nothing_new();
    let is_begun = recorded.is_none() && !nothing_new;
    let context = Arc::new(Context {
        disk: Arc::clone(&tools.disk),
        clock: Arc::clone(&tools.clock),
        meter: Meter::new(plan.destinations.len(), plan.also),
        closing: Mutex::default(),
        claims: Mutex::default(),
        plan: Arc::new(plan),
        limits: tools.limits,
        cancel: Arc::clone(&tools.cancel),
    });
    let begun = start(&context, tools, &rfc3339(started), is_begun);
    let (threads, claims) = begun.inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    let mut offloaded = threads.run(observer);
    let _claims = if offloaded.left_behind {
        left_behind::keep(&context, claims);
        Vec::new()
    } else {
        claims
    };
    if context.plan.form.salvages && context.plan.original().is_none() && !offloaded.interrupted {
        salvage::salvage(&context, &mut offloaded, observer);
    }
    let reread_equal = context.plan.terms.level == Level::Reread
        && !offloaded.interrupted
        && reread::reread(&context, &mut offloaded, observer);
    if reread_equal && context.close_card() {
        observer.event(&Event::CardRead);
    }
    let mut looks = Looks::new(&context, started, reread_equal);
    let closing = looks.first(&mut offloaded);
    let interrupted = offloaded.interrupted;
    let plan = Arc::clone(&context.plan);
    let mut proof = Proof::judge(plan, offloaded, closing);
    let stands_already = recorded.is_some_and(|r| says_the_same(&r, &proof, tools));
    // Where all is in earlier offloads there is no new one to put a record into.
    let mut kept = Kept::Nothing;
    let is_all_there = proof.plan().is_signed() && proof.plan().has_every_mhl();
    if !interrupted && stands_already && is_all_there {
        kept = Kept::AsItStood;
    } else if !interrupted && !nothing_new {
        (proof, kept) = records::record(proof, &mut looks, tools, is_begun);
    }
    let proof = with_pictures(proof.with_signature(kept), kept != Kept::Nothing, tools);
    let proof = proof.with_card_now(looks.card_now());
    let verdict = proof.verdict();
    debug!(
        proven = verdict.is_proven(),
        copies = verdict.copies(),
        "judged"
    );
    for hint in &proof.recordings().hints {
        observer.event(&Event::Hint(hint));
    }
    observer.event(&Event::Ended);
    Ok(proof)
}

/// Whether an earlier run wrote this down already: the same verdict on the same files is not
/// written a second time, unless the card was read again since for the first time.
fn says_the_same(earlier: &RecordedVerdict, proof: &Proof, tools: &Tools) -> bool {
    let now = proof.verdict();
    (earlier.proven, earlier.copies, earlier.reasons.as_slice())
        == (now.is_proven(), len64(now.copies()), now.reasons())
        && (earlier.reread || !proof.reread_equal())
        && proof.spared().next().is_none()
        && still_recorded(proof, tools)
}

/// Whether the records of an earlier run, which say the same, are still there.
fn still_recorded(proof: &Proof, tools: &Tools) -> bool {
    let now = proof.verdict();
    proof.plan().destinations.iter().all(|d| {
        load(tools.disk.as_ref(), &d.root).is_ok_and(|(manifest, has_hash)| {
            has_hash
                && manifest.verdict.proven == now.is_proven()
                && manifest.verdict.reasons == now.reasons()
        })
    })
}
