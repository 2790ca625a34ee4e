//! Owns `send --list`: what is at a place, and how sure that is.

use crate::cli::args::Common;
use crate::cli::command::shared::place::{NoStore, home, meant, opened};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::words::sending::list_lines;
use serde_json::json;
use std::sync::Arc;
use unlade::name::shown;
use unlade::place::journal::begun_at;
use unlade::place::listing::{ListedState, PlaceList, list_place};
use unlade::run::Tools;

/// Says what is at a place.
pub(super) fn list(place: &str, common: &Common, out: Out, tools: &Tools) -> Exit {
    match found(place, common, tools) {
        Ok((place, list)) => tell(&place, &list, out, tools),
        Err(NoStore(lines, exit)) => refuse(&lines, exit, "send", out, tools),
    }
}

fn found(place: &str, common: &Common, tools: &Tools) -> Result<(String, PlaceList), NoStore> {
    let home = home(common)?;
    let place = meant(place, &home)?;
    let store = opened(&place, tools)?;
    let begun = begun_at(&home, &place.address).map_err(|e| {
        let home = shown(home.as_str());
        let why = format!("what was sent before can't be read in `{home}`: {e}.");
        NoStore(vec![why], Exit::Refused)
    })?;
    let list = list_place(&store, &begun).map_err(|e| NoStore::of(&place, &e, &store))?;
    Ok((place.name, list))
}

fn tell(place: &str, list: &PlaceList, out: Out, tools: &Tools) -> Exit {
    if !out.json {
        for line in list_lines(place, list, out) {
            out.line(&line);
        }
        return Exit::Done;
    }
    let json = Json::new(out, Arc::clone(&tools.clock));
    let offloads = list.offloads.iter().map(|offload| {
        let (state, made, grade, sizes) = match &offload.state {
            ListedState::Whole {
                made,
                grade,
                files,
                bytes,
            } => ("whole", Some(made), Some(grade.id()), Some((files, bytes))),
            ListedState::NoReceipt => ("no-receipt", None, None, None),
            ListedState::Unfinished(files, bytes) => {
                ("unfinished", None, None, Some((files, bytes)))
            }
        };
        json!({
            "name": offload.name, "state": state, "sent": made, "grade": grade,
            "parts": offload.parts.iter().map(|(path, bytes)| json!({"path": path, "bytes": bytes}))
                .collect::<Vec<_>>(),
            "files": sizes.map(|(files, _)| files), "bytes": sizes.map(|(_, bytes)| bytes),
        })
    });
    let body = json!({
        "place": place, "offloads": offloads.collect::<Vec<_>>(), "others": list.others,
        "exit_code": Exit::Done.code(),
    });
    json.send("place-listed", body);
    Exit::Done
}
