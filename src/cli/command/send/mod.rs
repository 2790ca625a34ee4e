//! Owns `send`: offloads to a place, one after the other, each with an answer of its own; `list`
//! says what is at one.

pub(crate) mod by_watch;
mod list;
pub(crate) mod then;

use crate::cli::args::Common;
use crate::cli::args::send::{SendArgs, SendProof};
use crate::cli::command::shared::place::{MeantPlace, NoStore, home, is_name, meant, opened};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::refuse::refuse;
use crate::cli::view::words::sending::{answer, sent_lines};
use camino::Utf8Path;
use serde_json::json;
use std::sync::Arc;
use std::time::Duration;
use unlade::digest::Digest;
use unlade::disk::home::read_tail;
use unlade::disk::progress::Progress;
use unlade::name::shown;
use unlade::place::journal::SendJournal;
use unlade::place::object::Grade;
use unlade::place::outcome::SendResult;
use unlade::place::outgoing::Cargo;
use unlade::place::pace::RateLimit;
use unlade::place::rates;
use unlade::place::send::{SendJob, send as send_all};
use unlade::place::store::Store;
use unlade::record::damage::{DAMAGE, DAMAGE_BYTES_MAX, KnownDamage};
use unlade::record::load::load_signed;
use unlade::record::manifest::Manifest;
use unlade::run::Tools;
use unlade::units::{counted, size};

/// Sends every offload.
pub(crate) fn send(args: &SendArgs, common: &Common, out: Out, tools: &Tools) -> Exit {
    if let Some(place) = &args.list {
        return list::list(place, common, out, tools);
    }
    let begun = home(common).and_then(|home| {
        let place = meant(args.to.as_deref().unwrap_or_default(), &home)?;
        if let Some(name) = &args.name {
            is_name(name)?;
            if args.offloads.len() > 1 {
                let why = "--as is for one offload; give one, or leave --as out.";
                return Err(NoStore(vec![why.to_owned()], Exit::Usage));
            }
        }
        let store = opened(&place, tools)?;
        Ok((home, place, store))
    });
    let (home, place, store) = match begun {
        Ok(begun) => begun,
        Err(NoStore(lines, exit)) => return refuse(&lines, exit, "send", out, tools),
    };
    let ends = args.offloads.iter().map(|root| {
        if store.is_cancelled() {
            return Exit::Interrupted;
        }
        match send_one(root, args, (&home, &place, &store), out, tools) {
            Ok(exit) => exit,
            Err(line) => refuse(&[line], Exit::Refused, "send", out, tools),
        }
    });
    Exit::of_all(ends.collect::<Vec<_>>().into_iter())
}

/// How an offload is sent.
struct SendWay {
    /// What its folder at the place is called, where that is not its own name.
    name: Option<String>,
    proof: Grade,
    pace: RateLimit,
    read_back_for: Option<Duration>,
}

/// Why sending an offload did not begin, or was lost.
enum Unsent {
    /// This copy of it can't be sent.
    Copy(String),
    /// Nothing could be sent now.
    Now(String),
}

/// What came of sending an offload.
struct SentOffload {
    name: String,
    cargo: Cargo,
    proof: Grade,
    result: SendResult,
}

fn send_one(
    root: &Utf8Path,
    args: &SendArgs,
    (home, place, store): (&Utf8Path, &MeantPlace, &Store),
    out: Out,
    tools: &Tools,
) -> Result<Exit, String> {
    let way = SendWay {
        name: args.name.clone(),
        proof: match args.proof {
            SendProof::Sent => Grade::Sent,
            SendProof::Fetched => Grade::Fetched,
        },
        pace: RateLimit::new(args.limit),
        read_back_for: args.read_back_for,
    };
    let mut shown_progress = ReadProgress::new(out, tools).saying("Sending");
    let sent = attempt(
        root,
        way,
        (home, place, store),
        |name, cargo| begin((name, &place.name), cargo, out),
        |progress| shown_progress.show(progress),
        tools,
    );
    shown_progress.clear();
    match sent {
        Ok(sent) => Ok(tell(&sent, &place.name, out, tools)),
        Err(Unsent::Copy(line) | Unsent::Now(line)) => Err(line),
    }
}

/// Sends an offload. It says when it begins and how far it is, and tells nothing by itself.
fn attempt(
    root: &Utf8Path,
    way: SendWay,
    (home, place, store): (&Utf8Path, &MeantPlace, &Store),
    begin: impl FnOnce(&str, &Cargo),
    mut show: impl FnMut(&Progress),
    tools: &Tools,
) -> Result<SentOffload, Unsent> {
    let at = shown(root.as_str());
    let disk = tools.disk.as_ref();
    let (manifest, _) = load_signed(disk, root).map_err(|e| {
        Unsent::Copy(format!(
            "`{at}` is not sent: its manifest can't be relied on ({e}). `unlade verify` says more."
        ))
    })?;
    let cargo = Cargo::of(disk, root, &manifest)
        .map_err(|e| Unsent::Copy(format!("`{at}` is not sent: {e}.")))?;
    let own_b3 = manifest
        .own_b3
        .ok_or_else(|| Unsent::Copy(format!("`{at}` has no manifest.")))?;
    let name = way.name.unwrap_or_else(|| manifest.offload.name.clone());
    let about = (name.as_str(), &manifest, own_b3);
    let journal = journal_of(about, (home, place, store), tools).map_err(Unsent::Now)?;
    begin(&name, &cargo);
    let now = tools.clock.elapsed();
    let is_measured = way.pace.is_free() && way.proof == Grade::Sent;
    let job = SendJob {
        disk,
        clock: tools.clock.as_ref(),
        root,
        manifest: &manifest,
        name: &name,
        cargo: &cargo,
        store,
        proof: way.proof,
        pace: way.pace,
        read_back_until: way.read_back_for.map(|time| now + time),
        place: &place.address,
        host: &tools.host,
    };
    let progress = Progress::default();
    let _held = alone(&journal, home).map_err(Unsent::Now)?;
    let work = || send_all(&job, journal, &progress);
    let sent = watched(work, || show(&progress));
    let broken = "sending broke down; this is a fault of unlade, please report it";
    let result = sent.ok_or_else(|| Unsent::Now(broken.to_owned()))?;
    let result = result.map_err(|e| {
        Unsent::Now(format!(
            "what was sent can't be remembered in `{}` ({e}); make room there, then run the same \
             command to go on.",
            shown(home.as_str())
        ))
    })?;
    if is_measured && result.is_whole {
        let took = tools.clock.elapsed().saturating_sub(now);
        let about = (place.address.as_str(), result.sent_bytes, took);
        let wait = || tools.clock.sleep(Duration::from_millis(100));
        if let Err(e) = rates::note(home, about, tools.clock.now(), wait) {
            tracing::debug!("the rate of a place can't be remembered: {e}");
        }
    }
    Ok(SentOffload {
        name,
        proof: way.proof,
        cargo,
        result,
    })
}

/// Opens what is remembered of sending it there.
fn journal_of(
    (name, manifest, own_b3): (&str, &Manifest, Digest),
    (home, place, store): (&Utf8Path, &MeantPlace, &Store),
    tools: &Tools,
) -> Result<SendJournal, String> {
    let journal = SendJournal::open(home, &place.address, name, own_b3);
    let mut journal = journal.map_err(|e| {
        let home = shown(home.as_str());
        format!("what was sent before can't be read in `{home}`: {e}.")
    })?;
    // A folder may be checked as a drive is; one that is not there yet has nothing against it.
    if store.is_folder()
        && let Ok(ground) = place.ground(name, tools)
    {
        let known = read_tail(&home.join(DAMAGE), DAMAGE_BYTES_MAX);
        let (text, _) = known.map_err(|e| {
            let home = shown(home.as_str());
            format!("what checks found damaged can't be read in `{home}`: {e}.")
        })?;
        let known = KnownDamage::from_text(&text);
        journal.weigh(manifest, &ground.damage(&known, manifest));
    }
    Ok(journal)
}

/// Keeps other commands from sending the same meanwhile: two would write one part file.
fn alone(journal: &SendJournal, home: &Utf8Path) -> Result<impl Sized + use<>, String> {
    let held = journal.hold();
    let held = held.map_err(|e| format!("`{}` can't be held: {e}.", shown(home.as_str())))?;
    held.ok_or_else(|| {
        "another command is sending this offload to this place. Let it end, then run this one \
         again."
            .to_owned()
    })
}

/// Says what is sent where.
fn begin((name, place): (&str, &str), cargo: &Cargo, out: Out) {
    if !out.json && !out.quiet {
        let what = counted(unlade::units::len64(cargo.of_card), "file");
        let bytes = size(cargo.bytes());
        out.line(&format!("{} -> {place}: {what}, {bytes}", shown(name)));
    }
}

/// Returns the end that a result is.
fn end_of(sent: &SendResult) -> Exit {
    if sent.interrupted {
        Exit::Interrupted
    } else if sent.problems.is_empty() && sent.is_whole {
        Exit::Done
    } else {
        Exit::NotProven
    }
}

fn tell(of: &SentOffload, place: &str, out: Out, tools: &Tools) -> Exit {
    let (name, sent, cargo) = (&of.name, &of.result, &of.cargo);
    let exit = end_of(sent);
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        for problem in &sent.problems {
            json.send(
                "problem",
                json!({
                    "kind": "not-sent", "path": problem.path, "destination": null,
                    "detail": problem.why.to_string(), "blocking": true,
                }),
            );
        }
        let body = json!({
            "offload": name, "place": place, "asked": of.proof.id(), "whole": sent.is_whole,
            "files": cargo.files.len() + 1, "there": sent.there, "sent": sent.sent,
            "sent_bytes": sent.sent_bytes, "before": sent.before, "fetched": sent.fetched,
            "fetched_since": sent.fetched_since, "gone": sent.gone,
            "elsewhere": cargo.elsewhere, "retries": sent.retries,
            "receipt": sent.receipt, "problems": sent.problems.len(), "exit_code": exit.code(),
        });
        json.send("sent", body);
        return exit;
    }
    for line in sent_lines(sent, cargo.elsewhere, out) {
        out.line(&line);
    }
    for line in answer((name, place), (sent, of.proof, cargo), exit, out) {
        out.line(&line);
    }
    exit
}
