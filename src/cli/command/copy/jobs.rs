//! Owns the way from a command line to jobs, and in which order they are done.

use crate::cli::args::meant::not_as_meant;
use crate::cli::args::{COPIES, Common, CopyArgs, ProofArg};
use crate::cli::command::shared::one_card::tell_refusal;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::keys;
use crate::cli::home::recognised;
use crate::cli::home::shoot::shoot_part;
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::observer::JobObserver;
use crate::cli::view::order::order_json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::usage;
use crate::cli::view::text::wrap;
use crate::cli::view::words::problem::NOTHING_WRITTEN;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::error::Problem;
use unlade::event::{Event, Observer as _};
use unlade::existing::as_card::is_offload;
use unlade::hash_algorithm::Also;
use unlade::ledger::ShootPart;
use unlade::name::shown;
use unlade::plan::beside::Beside;
use unlade::plan::concurrent::Order;
use unlade::plan::terms::Terms;
use unlade::plan::{Form, Refusal};
use unlade::run::{Job, KnownBefore, Naming, Together, Tools, look_together};

fn terms(args: &CopyArgs) -> Terms {
    Terms {
        level: args.proof.into(),
        copies_needed: unlade::units::len_usize(args.copies.unwrap_or(COPIES)),
        separate: args.separate,
    }
}

/// In which form the offloads are to be left.
fn form(args: &CopyArgs, out: Out) -> Result<Form, Exit> {
    if args.pictures && args.proof == ProofArg::Written {
        let why = "--pictures takes them from copies that were checked; leave out --proof written.";
        return Err(usage(&[why.to_owned()], out));
    }
    let mut form = Form {
        layout: args.layout.map(Into::into),
        names_cameras: args.camera_names,
        salvages: args.salvage,
        has_pictures: args.pictures,
        has_mhl: args.mhl,
        ..Form::default()
    };
    for also in &args.also {
        if !form.also.insert(*also) {
            let names = Also::names();
            let why = format!("--also names {also} twice; there are {names}.");
            return Err(usage(&[why], out));
        }
    }
    Ok(form)
}

/// How the offloads are called that nobody gave a name.
fn naming(args: &CopyArgs) -> Naming {
    Naming {
        pattern: args.unsaid.pattern.clone().unwrap_or_default(),
        shoot: args.unsaid.shoot.clone(),
        before: Vec::new(),
    }
}

fn jobs(args: &CopyArgs, out: Out) -> Result<Vec<Job>, Exit> {
    if args.cards.len() > 1 && args.name.is_some() {
        let why = "--name names one offload; give one card with it, or leave it out.";
        return Err(usage(&[why.to_owned()], out));
    }
    for (index, card) in args.cards.iter().enumerate() {
        if args.cards.iter().take(index).any(|c| c == card) {
            return Err(usage(&[format!("card `{card}` is given twice.")], out));
        }
    }
    let chain = args.speed.chain(args.to.len());
    let chain = chain.map_err(|wrong| usage(&[wrong.to_string()], out))?;
    let form = form(args, out)?;
    Ok(args
        .cards
        .iter()
        .map(|card| Job {
            card: card.clone(),
            to: args.to.clone(),
            name: args.name.clone(),
            terms: terms(args),
            taken: Vec::new(),
            only_new: args.only_new,
            chain: chain.clone(),
            known: KnownBefore {
                volumes: args.unsaid.volumes.clone(),
                naming: naming(args),
                ..KnownBefore::default()
            },
            form,
            signer: None,
            beside: Beside::default(),
        })
        .collect())
}

/// Returns the jobs of a command line, with what the kit, the ledger and the key of `--sign` add.
pub(super) fn begin(
    args: &CopyArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Result<(Vec<Job>, Option<ShootPart>), Exit> {
    let kit = recognised::kit(&args.names, common, out, tools)?;
    if let Some(why) = not_as_meant(&args.cards, &args.to, &kit, tools.disk.as_ref()) {
        return Err(usage(&[why], out));
    }
    let mut jobs = jobs(args, out)?;
    refuse_flags_of_cards(args, &jobs, out, tools)?;
    keys::apply(args.sign.as_ref(), &mut jobs, out, tools)?;
    recognised::apply(&args.names, &kit, &mut jobs, out, tools)?;
    let ledger = Arc::new(book.read());
    let damage = Arc::new(book.damage());
    for job in &mut jobs {
        job.known.ledger = Arc::clone(&ledger);
        job.known.damage = Arc::clone(&damage);
    }
    Ok((jobs, shoot_part(&args.set, book, out)?))
}

/// Refuses flags that only a card can have, where an offload is to be copied.
fn refuse_flags_of_cards(
    args: &CopyArgs,
    jobs: &[Job],
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    let is_offload = |job: &&Job| is_offload(tools.disk.as_ref(), &job.card);
    let Some(job) = jobs.iter().find(is_offload) else {
        return Ok(());
    };
    let given = [
        ("--usual", args.usual.is_some()),
        ("--only-new", args.only_new),
        ("--proof reread", args.proof == ProofArg::Reread),
        ("--as", args.names.as_card.is_some()),
        ("--in", args.names.in_reader.is_some()),
        ("--bus", args.speed.bus.is_some()),
        ("--reads", args.speed.reads.is_some()),
        ("--link", args.speed.link.is_some()),
        ("--shoot", args.set.shoot.is_some()),
    ];
    let flags: Vec<&str> = given.iter().filter(|f| f.1).map(|f| f.0).collect();
    if flags.is_empty() {
        return Ok(());
    }
    let why = format!(
        "`{}` is an offload, not a card: {} cannot be used for a further copy of it.",
        shown(job.card.as_str()),
        flags.join(" and ")
    );
    Err(usage(&[why], out))
}

/// The cards of a command, and in which order they are read.
pub(super) struct JobsInOrder {
    pub(super) jobs: Vec<Job>,
    pub(super) order: Order,
    /// What several mean for each other.
    pub(super) found: Option<Together>,
}

/// Looks at all cards before the first is begun, and says in which order they are read.
pub(super) fn together(
    mut jobs: Vec<Job>,
    args: &CopyArgs,
    out: Out,
    tools: &Tools,
) -> Result<JobsInOrder, Exit> {
    if jobs.len() < 2 {
        let order = Order {
            chains: vec![vec![0]],
            why: String::new(),
        };
        return Ok(JobsInOrder {
            jobs,
            order,
            found: None,
        });
    }
    let mut found = look_together(&jobs, args.order.aim(), tools);
    if tools.cancel.load(Ordering::SeqCst) {
        return Err(stopped(true, out, &tools.clock));
    }
    if !found.reasons.is_empty() {
        let reasons = std::mem::take(&mut found.reasons);
        return Err(refuse_all(&jobs, reasons, out, tools));
    }
    if out.json {
        let order = order_json(&found, &jobs);
        Json::new(out, Arc::clone(&tools.clock)).send("order", order);
    } else if !out.quiet {
        for text in std::iter::once(&found.order.why).chain(&found.notes) {
            for line in wrap(text, out.width, "", "  ") {
                out.line(&line);
            }
        }
    }
    let others = found
        .at_once
        .iter()
        .cloned()
        .zip(found.beside.iter().cloned());
    let others = others.zip(&found.in_reader);
    let names = found.names.iter().cloned();
    for ((job, name), ((links, beside), sharing)) in jobs.iter_mut().zip(names).zip(others) {
        job.name = name;
        job.chain.reader.cards_at_once = *sharing;
        job.chain.other_cards = links;
        job.beside = beside;
    }
    Ok(JobsInOrder {
        jobs,
        order: found.order.clone(),
        found: Some(found),
    })
}

/// Tells why none of several cards can be begun.
fn refuse_all(jobs: &[Job], reasons: Vec<Problem>, out: Out, tools: &Tools) -> Exit {
    let refusal = Refusal { reasons };
    for job in jobs {
        let mut observer = JobObserver::new(out, tools, &job.to);
        if let JobObserver::Json(json) = &mut observer {
            json.event(&Event::Refused(&refusal.reasons));
            tell_refusal(job, &refusal, NOTHING_WRITTEN, out, &mut observer);
        }
    }
    let ends: Vec<(&str, Exit)> = jobs
        .iter()
        .map(|job| (job.card.as_str(), Exit::Refused))
        .collect();
    if out.json {
        Json::new(out, Arc::clone(&tools.clock)).send_for_all_cards(&ends);
    } else if let Some(job) = jobs.first() {
        let mut observer = JobObserver::new(out, tools, &job.to);
        tell_refusal(job, &refusal, NOTHING_WRITTEN, out, &mut observer);
    }
    Exit::Refused
}
