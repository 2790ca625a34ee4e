//! Owns `prove`: the question without a copy.

use crate::cli::args::prove::ProveArgs;
use crate::cli::args::{COPIES, Common};
#[cfg(not(feature = "offsite"))]
use crate::cli::command::shared::no_places as place_prove;
#[cfg(feature = "offsite")]
use crate::cli::command::shared::place_prove;
use crate::cli::exit::Exit;
use crate::cli::home::at_place::apart;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::home::shoot::{ShootNews, enter, enter_by_hand, shoot_part};
use crate::cli::system::notice;
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::observer::{ReadEnd, ReadViewer};
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::text::wrap;
use crate::cli::view::words::problem::{NOTHING_WRITTEN, refusal_lines};
use crate::cli::view::words::prove::{ProveAnswer, card_answer, refused};
use camino::Utf8PathBuf;
use serde_json::{Value, json};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use unlade::disk::progress::Progress;
use unlade::error::{Problem, ProblemKind};
use unlade::ledger::{Deed, LedgerEntry, ShootPart};
use unlade::run::Tools;
use unlade::run::prove::{Ask, ProveOutcome, prove_with as ask_drives};
use unlade::units::{len_usize, len64};

/// Puts the question and tells the answer.
pub(crate) fn prove(
    args: &ProveArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
) -> Exit {
    prove_shown(args, common, out, tools, book, None)
}

/// The same, shown to this one where there is one.
pub(crate) fn prove_shown(
    args: &ProveArgs,
    common: &Common,
    out: Out,
    tools: &Tools,
    book: &Book,
    viewer: Option<&dyn ReadViewer>,
) -> Exit {
    let part = match shoot_part(&args.set, book, out) {
        Ok(part) => part,
        Err(exit) => return exit,
    };
    let (places, on) = apart(&args.on, common, tools);
    let ask = Ask {
        has_places: !places.is_empty(),
        ledger: book.is_kept().then(|| book.read()),
        damage: book.damage(),
        card: args.card.clone(),
        on,
        copies_needed: len_usize(args.copies.unwrap_or(COPIES)),
        separate: args.separate,
        reread: args.reread,
        by_content: args.by_content,
    };
    let json = Json::new(out, Arc::clone(&tools.clock));
    match wait(&ask, (&places, common), out, tools, viewer) {
        Err(_) if tools.cancel.load(Ordering::SeqCst) => stopped(true, out, &tools.clock),
        Err(reasons) => tell_refusal(&ask, &reasons, out, (&json, viewer)),
        Ok(mut outcome) => {
            let unnoted = book.note(std::mem::take(&mut outcome.checks));
            let news = remember(&outcome, ask.copies_needed, book, tools, part.as_ref());
            let exit = exit(&outcome);
            if exit != Exit::Interrupted {
                notice::send(card_answer(&outcome, ask.by_content).notice());
            }
            if out.json && viewer.is_none() {
                tell_json(&ask, &outcome, news.as_ref(), exit, &json);
                return exit;
            }
            let roots = outcome.answer.holdings.iter();
            let roots: Vec<Utf8PathBuf> = roots.map(|h| h.root.as_str().into()).collect();
            let answer = ProveAnswer {
                names: DriveNames::of(common).offloads(&roots, tools),
                ask: &ask,
                outcome: &outcome,
            };
            let mut more = news.as_ref().map_or_else(Vec::new, |n| n.lines(out.width));
            more.extend(
                unnoted
                    .into_iter()
                    .flat_map(|why| wrap(why, out.width, "", "  ")),
            );
            if let Some(viewer) = viewer {
                viewer.end(ReadEnd {
                    verdict: verdict(&ask, &outcome, news.as_ref(), exit),
                    ..answer.parts(more)
                });
            } else {
                out.block(&answer.lines(&more, out));
            }
            exit
        }
    }
}

/// Why the ledger has less than the answer said.
const OF_THAT_MOMENT: &str =
    "too-few-copies: folders without a manifest were compared, and counted in that answer only";

/// Enters the answer in the ledger; a question that was stopped gave none.
fn remember(
    outcome: &ProveOutcome,
    copies_needed: usize,
    book: &Book,
    tools: &Tools,
    part: Option<&ShootPart>,
) -> Option<ShootNews> {
    if outcome.interrupted {
        return None;
    }
    let (verdict, recorded) = (&outcome.answer.verdict, outcome.answer.recorded);
    // A folder without a manifest cannot be asked again: it proves nothing of tomorrow.
    let rests_on_folder = verdict.is_proven() && recorded < verdict.copies();
    let entry = LedgerEntry {
        proven: verdict.is_proven() && recorded >= copies_needed && outcome.part.is_none(),
        copies: len64(recorded),
        ..LedgerEntry::new(Deed::Prove, tools.clock.now(), outcome.card.clone())
    };
    let reasons = if rests_on_folder {
        vec![OF_THAT_MOMENT.to_owned()]
    } else {
        verdict.reasons().to_vec()
    };
    let entry = entry.because(&reasons);
    if outcome.answer.is_by_hand && !entry.proven {
        return enter_by_hand(book, entry, part);
    }
    enter(book, entry, part)
}

/// Lets a thread do the reading and shows how far it is.
fn wait(
    ask: &Ask,
    (places, common): (&[String], &Common),
    out: Out,
    tools: &Tools,
    viewer: Option<&dyn ReadViewer>,
) -> Result<ProveOutcome, Vec<Problem>> {
    let progress = Progress {
        cancel: Arc::clone(&tools.cancel),
        ..Progress::default()
    };
    let work = || {
        let mut at_places = |card: &_| place_prove::look(places, ask, common, tools, card);
        let (disk, clock) = (tools.disk.as_ref(), tools.clock.as_ref());
        ask_drives(ask, disk, clock, &progress, &mut at_places)
    };
    let mut view = ReadProgress::new(out, tools);
    let outcome = watched(work, || match viewer {
        Some(viewer) => viewer.progress(&progress),
        None => view.show(&progress),
    });
    view.clear();
    outcome.unwrap_or_else(|| {
        let why = "the question broke down; this is a fault of unlade, please report it";
        Err(vec![Problem::new(ProblemKind::NotReadBack, why)])
    })
}

fn tell_refusal(
    ask: &Ask,
    reasons: &[Problem],
    out: Out,
    (json, viewer): (&Json, Option<&dyn ReadViewer>),
) -> Exit {
    // Nothing to look at was named, and none is remembered.
    let is_none = ask.on.is_empty() && !ask.has_places;
    let is_usage = is_none && reasons.iter().all(|r| r.kind == ProblemKind::Missing);
    let exit = if is_usage { Exit::Usage } else { Exit::Refused };
    if let Some(viewer) = viewer {
        let details: Vec<&str> = reasons.iter().map(|r| r.detail.as_str()).collect();
        viewer.end(ReadEnd {
            verdict: Json::unproven(&ask.card, &details, exit),
            ..refused(ask, reasons)
        });
    } else if out.json {
        json.send("refused", json!({"reasons": reasons}));
        let details: Vec<&str> = reasons.iter().map(|r| r.detail.as_str()).collect();
        json.send_unproven(&ask.card, &details, exit);
    } else {
        let names: Vec<String> = ask.on.iter().map(ToString::to_string).collect();
        for line in refusal_lines(NOTHING_WRITTEN, reasons, &names, out.width) {
            out.error(&line);
        }
    }
    exit
}

fn exit(outcome: &ProveOutcome) -> Exit {
    if outcome.interrupted {
        Exit::Interrupted
    } else if outcome.answer.verdict.is_proven() {
        Exit::Done
    } else {
        Exit::NotProven
    }
}

fn tell_json(ask: &Ask, outcome: &ProveOutcome, news: Option<&ShootNews>, exit: Exit, json: &Json) {
    let answer = &outcome.answer;
    for r in &answer.reasons {
        json.send(
            "problem",
            json!({
                "kind": r.kind, "path": r.path, "destination": null, "detail": r.plain(),
                "blocking": true,
            }),
        );
    }
    let seen = outcome.recordings.iter().flat_map(|seen| &seen.hints);
    for hint in seen.filter(|_| !outcome.interrupted) {
        let (kind, path, detail) = (hint.kind, &hint.path, hint.detail());
        json.send(
            "hint",
            json!({"kind": kind, "path": path, "detail": detail}),
        );
    }
    json.send("verdict", verdict(ask, outcome, news, exit));
}

/// Files under other names that programs are told.
const MOVED_TOLD: usize = 500;

fn verdict(ask: &Ask, outcome: &ProveOutcome, news: Option<&ShootNews>, exit: Exit) -> Value {
    let answer = &outcome.answer;
    let holdings: Vec<_> = answer
        .holdings
        .iter()
        .map(|h| {
            let lacks: Vec<_> = h
                .lacks
                .iter()
                .map(|l| json!({"kind": l.kind, "files": l.files, "paths": l.paths}))
                .collect();
            let moved = h.moved.iter().take(MOVED_TOLD);
            let moved: Vec<_> = moved
                .map(|(path, to)| json!({"path": path, "to": to}))
                .collect();
            json!({
                "offload": h.root, "files": h.files, "bytes": h.bytes, "basis": h.basis,
                "not_read_back": h.unread, "lacks": lacks,
                "compared": h.is_compared, "moved_files": h.moved.len(), "moved": moved,
            })
        })
        .collect();
    json!({
            "card": ask.card, "label": outcome.card.label, "volume_id": outcome.card.volume_id,
            "read_whole": outcome.part.is_none(),
            "proven": exit == Exit::Done, "copies": answer.verdict.copies(),
            "copies_needed": ask.copies_needed, "recorded_copies": answer.recorded,
            "files": outcome.listed.0, "bytes": outcome.listed.1,
            "sampled_files": answer.sampled.0, "holdings": holdings,
            "reasons": answer.verdict.reasons(), "notes": answer.notes,
            "elsewhere": outcome.elsewhere, "shoot": news.map(|n| &n.shoot),
            "exit_code": exit.code(),
    })
}
