//! Owns `kit check NAME`: a place is tried, and it is said what it can be relied on for.

use crate::cli::command::shared::place::{NoStore, meant, opened};
use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::wrap;
use camino::Utf8Path;
use serde_json::json;
use std::sync::Arc;
use unlade::name::shown;
use unlade::place::object::Grade;
use unlade::place::probe::{Probed, probe};
use unlade::run::Tools;
use unlade::units::speed;

/// Tries a place of the kit.
pub(crate) fn check(home: &Utf8Path, name: &str, out: Out, tools: &Tools) -> Exit {
    match tried(home, name, tools) {
        Ok((name, probed)) => tell(&name, &probed, out, tools),
        Err(NoStore(lines, exit)) => refuse(&lines, exit, "kit", out, tools),
    }
}

fn tried(home: &Utf8Path, name: &str, tools: &Tools) -> Result<(String, Probed), NoStore> {
    let place = meant(name, home)?;
    let store = opened(&place, tools)?;
    let probed = probe(&store, tools.clock.as_ref(), &tools.host)
        .map_err(|why| NoStore::of(&place, &why, &store))?;
    Ok((place.name, probed))
}

fn best(probed: &Probed) -> Grade {
    if probed.is_read {
        Grade::Fetched
    } else {
        Grade::Sent
    }
}

fn tell(name: &str, probed: &Probed, out: Out, tools: &Tools) -> Exit {
    let exit = if probed.stays.is_none() {
        Exit::Done
    } else {
        Exit::NotProven
    };
    if out.json {
        let body = json!({
            "place": name, "send_bytes_per_s": probed.send_rate.round(),
            "read_bytes_per_s": probed.read_rate.round(), "best_grade": best(probed).id(),
            "keeps_first": probed.keeps_first, "folds_case": probed.folds,
            "has_time": probed.has_time, "has_versions": probed.has_versions,
            "stays": probed.stays, "exit_code": exit.code(),
        });
        Json::new(out, Arc::clone(&tools.clock)).send("place-checked", body);
        return exit;
    }
    for text in lines(name, probed) {
        for line in wrap(&text, out.width, "", "  ") {
            out.line(&line);
        }
    }
    exit
}

fn lines(name: &str, probed: &Probed) -> Vec<String> {
    let (send, read) = (speed(probed.send_rate), speed(probed.read_rate));
    let mut lines = vec![
        format!("{name} works: 2 MB were written, read back, compared, listed and removed."),
        format!("It takes {send} and gives {read}, of one small file."),
    ];
    lines.push(if probed.is_read {
        "What it has can be read back and compared (--proof fetched).".to_owned()
    } else {
        "What it has is answered from this computer's memory, so that --proof fetched can't be \
         reached there."
            .to_owned()
    });
    if !probed.keeps_first {
        let text = "It lets a second file take the place of a first one: only unlade's look \
            before it protects what is there.";
        lines.push(text.to_owned());
    }
    if probed.folds {
        let text = "It takes capitals and small letters for one: of two files that differ in \
            nothing else it has one.";
        lines.push(text.to_owned());
    }
    if !probed.has_time && !probed.has_versions {
        let text = "It says neither when a file was changed nor its version: a file that is \
            replaced by one of the same size is seen only when it is read back.";
        lines.push(text.to_owned());
    } else if probed.has_versions {
        lines.push("It keeps versions.".to_owned());
    }
    if let Some(stays) = &probed.stays {
        lines.push(format!(
            "`{}` could not be removed; remove it by hand.",
            shown(stays)
        ));
    }
    lines
}
