//! Owns `verify PLACE/NAME`: an offload read back at a place, all of it or a random part.

use crate::cli::args::Common;
use crate::cli::command::shared::place::{
    MeantPlace, NoStore, home, meant, opened, place_and_name, placed, remembered,
};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::refuse::refuse;
use crate::cli::view::words::at_place::{place_answer, place_lines};
use serde_json::json;
use std::sync::Arc;
use unlade::disk::progress::Progress;
use unlade::name::shown;
use unlade::place::check::{CheckJob, check};
use unlade::place::outcome::PlaceChecked;
use unlade::place::pace::RateLimit;
use unlade::place::placed::PlacedOffload;
use unlade::place::sample::{SampleShare, chance_unseen};
use unlade::run::Tools;

/// Checks an offload at a place.
pub(crate) fn verify(
    given: &str,
    sample: Option<&str>,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Exit {
    let share = match sample
        .map(|text| SampleShare::parse(text).ok_or(text))
        .transpose()
    {
        Ok(share) => share,
        Err(text) => {
            let why = format!("--sample `{}` is no share such as 5%.", shown(text));
            return refuse(&[why], Exit::Usage, "verify", out, tools);
        }
    };
    match checked(given, share, common, (out, tools)) {
        Ok((place, placed, done)) => tell((&place, &placed), share, &done, out, tools),
        Err(NoStore(lines, exit)) => refuse(&lines, exit, "verify", out, tools),
    }
}

fn checked(
    given: &str,
    sample: Option<SampleShare>,
    common: &Common,
    (out, tools): (Out, &Tools),
) -> Result<(MeantPlace, PlacedOffload, PlaceChecked), NoStore> {
    let (place, name) = place_and_name(given)?;
    let home = home(common)?;
    let place = meant(place, &home)?;
    let store = opened(&place, tools)?;
    let placed = placed(&place, name, &store)?;
    let lost = |e: std::io::Error| {
        let home = shown(home.as_str());
        let why = format!("what is at the place can't be remembered in `{home}`: {e}.");
        NoStore(vec![why], Exit::Refused)
    };
    let journal = remembered(&home, &place, &placed)?;
    let job = CheckJob {
        clock: tools.clock.as_ref(),
        store: &store,
        place: &place.address,
        placed: &placed,
        sample,
        pace: RateLimit::new(None),
        host: &tools.host,
    };
    let progress = Progress::default();
    let mut shown_progress = ReadProgress::new(out, tools);
    let work = || check(&job, journal, &progress);
    let done = watched(work, || shown_progress.show(&progress));
    shown_progress.clear();
    let broke = || std::io::Error::other("the check broke down; please report it");
    let done = done.ok_or_else(|| lost(broke()))?.map_err(lost)?;
    Ok((place, placed, done))
}

/// Returns the end that a result is.
fn end_of(done: &PlaceChecked) -> Exit {
    if done.interrupted {
        Exit::Interrupted
    } else if done.equal == done.chosen && done.problems.is_empty() {
        Exit::Done
    } else {
        Exit::NotProven
    }
}

fn tell(
    (place, placed): (&MeantPlace, &PlacedOffload),
    sample: Option<SampleShare>,
    done: &PlaceChecked,
    out: Out,
    tools: &Tools,
) -> Exit {
    let exit = end_of(done);
    let about = format!("{}/{}", place.name, shown(&placed.name));
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        for problem in &done.problems {
            json.send(
                "problem",
                json!({
                    "kind": problem.why.kind(), "path": problem.path, "destination": null,
                    "detail": problem.why.to_string(), "blocking": true,
                }),
            );
        }
        let complete = done.equal == done.all;
        let unseen = sample.map(|_| chance_unseen(done.all, done.equal, 1));
        let body = json!({
            "place": place.name, "offload": placed.name, "files": done.all,
            "chosen": done.chosen, "equal": done.equal, "equal_bytes": done.equal_bytes,
            "from_memory": done.from_memory, "complete": complete,
            "one_damaged_unseen": unseen, "retries": done.retries,
            "problems": done.problems.len(), "exit_code": exit.code(),
        });
        json.send("place-verified", body);
        return exit;
    }
    for line in place_lines(done, out) {
        out.line(&line);
    }
    for line in place_answer(&about, done, exit, out) {
        out.line(&line);
    }
    exit
}
