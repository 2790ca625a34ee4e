//! Owns `copy` and `plan`: from the command line to jobs, one card after the other.

use super::args::{CopyArgs, ProofArg};
use super::awake::Awake;
use super::exit::Exit;
use super::json::Json;
use super::out::Out;
use super::screen::Screen;
use super::words;
use camino::Utf8PathBuf;
use serde_json::json;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::event::{Event, Observer};
use unlade::plan::Level;
use unlade::plan::Refusal;
use unlade::proof::{Proof, Terms};
use unlade::run::{Job, Tools, offload, prepare};

/// Whoever looks on: a screen, a program, or nobody.
pub(crate) enum Eyes {
    Screen(Box<Screen>),
    Json(Json),
}

impl Eyes {
    pub(crate) fn new(out: Out, tools: &Tools, destinations: &[Utf8PathBuf]) -> Self {
        if out.json {
            Self::Json(Json::new(out, Arc::clone(&tools.clock)))
        } else {
            let names = destinations.iter().map(ToString::to_string).collect();
            Self::Screen(Box::new(Screen::new(out, Arc::clone(&tools.clock), names)))
        }
    }
}

impl Observer for Eyes {
    fn event(&mut self, event: &Event<'_>) {
        match self {
            Self::Screen(screen) => screen.event(event),
            Self::Json(json) => json.event(event),
        }
    }
}

fn terms(args: &CopyArgs) -> Terms {
    Terms {
        level: match args.proof {
            ProofArg::Written => Level::Written,
            ProofArg::Readback => Level::ReadBack,
            ProofArg::Reread => Level::Reread,
        },
        copies_needed: unlade::units::len_usize(args.copies),
        separate: args.separate,
    }
}

fn jobs(args: &CopyArgs, out: Out) -> Result<Vec<Job>, Exit> {
    if args.cards.len() > 1 && args.name.is_some() {
        out.error("unlade: --name names one offload; give one card with it, or leave it out.");
        return Err(Exit::Usage);
    }
    Ok(args
        .cards
        .iter()
        .map(|card| Job {
            card: card.clone(),
            to: args.to.clone(),
            name: args.name.clone(),
            terms: terms(args),
        })
        .collect())
}

/// Copies every card; the exit code is that of the card that went worst.
pub(crate) fn copy(args: &CopyArgs, out: Out, tools: &Tools) -> Exit {
    let jobs = match jobs(args, out) {
        Ok(jobs) => jobs,
        Err(exit) => return exit,
    };
    let mut worst = Exit::Done;
    let mut begun = 0;
    // For programs there is no line to say it on; the request is made all the same.
    let _awake = out.json.then(Awake::ask);
    for job in jobs {
        let mut eyes = Eyes::new(out, tools, &job.to);
        if let Eyes::Screen(screen) = &mut eyes {
            screen.keep_awake();
        }
        let exit = one(&job, out, tools, &mut eyes);
        worst = worst.max(exit);
        begun += 1;
        if tools.cancel.load(Ordering::SeqCst) {
            break;
        }
    }
    for card in args.cards.iter().skip(begun) {
        // Stopped between two cards: whatever became of the first, these were not looked at.
        worst = Exit::Interrupted;
        out.error(&format!(
            "unlade: card `{card}` was not begun; run the same command again."
        ));
    }
    worst
}

/// Copies one card and tells the result.
pub(crate) fn one(job: &Job, out: Out, tools: &Tools, eyes: &mut Eyes) -> Exit {
    let result = prepare(job, tools, eyes).and_then(|plan| offload(plan, job.terms, tools, eyes));
    match result {
        Ok(proof) => tell_proof(&proof, out, eyes),
        Err(refusal) => tell_refusal(job, &refusal, out, eyes),
    }
}

fn tell_proof(proof: &Proof, out: Out, eyes: &mut Eyes) -> Exit {
    let exit = if proof.verdict().is_proven() {
        Exit::Done
    } else if proof.offloaded().interrupted {
        Exit::Interrupted
    } else {
        Exit::NotProven
    };
    match eyes {
        Eyes::Json(json) => {
            let (files, bytes) = proof.listed();
            json.send(
                "verdict",
                json!({
                    "card": proof.plan().card.given, "offload": proof.plan().name,
                    "proven": proof.verdict().is_proven(), "copies": proof.verdict().copies(),
                    "copies_needed": proof.terms().copies_needed,
                    "reasons": proof.verdict().reasons(), "notes": proof.notes(),
                    "files": files, "bytes": bytes, "exit_code": exit.code(),
                }),
            );
        }
        Eyes::Screen(screen) => {
            screen.clear();
            for line in words::verdict(proof, out) {
                out.line(&line);
            }
        }
    }
    exit
}

fn tell_refusal(job: &Job, refusal: &Refusal, out: Out, eyes: &mut Eyes) -> Exit {
    match eyes {
        Eyes::Json(json) => {
            let reasons: Vec<&str> = refusal.reasons.iter().map(|r| r.detail.as_str()).collect();
            json.send(
                "verdict",
                json!({"card": job.card, "proven": false, "copies": 0, "reasons": reasons, "exit_code": Exit::Refused.code()}),
            );
        }
        Eyes::Screen(screen) => {
            screen.clear();
            let names: Vec<String> = job.to.iter().map(ToString::to_string).collect();
            for line in words::refusal(&refusal.reasons, &names, out.width) {
                out.error(&line);
            }
        }
    }
    Exit::Refused
}

/// Shows what would be done.
pub(crate) fn plan(args: &CopyArgs, out: Out, tools: &Tools) -> Exit {
    let jobs = match jobs(args, out) {
        Ok(jobs) => jobs,
        Err(exit) => return exit,
    };
    let mut worst = Exit::Done;
    for job in jobs {
        // The plan is the result here, so it is shown in spite of --quiet.
        let mut eyes = Eyes::new(
            Out {
                quiet: false,
                ..out
            },
            tools,
            &job.to,
        );
        match prepare(&job, tools, &mut eyes) {
            Ok(_) if !out.json => out.line("Nothing was written."),
            Ok(_) => {}
            Err(refusal) => worst = worst.max(tell_refusal(&job, &refusal, out, &mut eyes)),
        }
    }
    worst
}
