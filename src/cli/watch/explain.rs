//! Owns what is said of one card: which rule takes it and what would be done. Writes nothing.

use super::cards::{StationCard, look};
use super::copying::copy_args;
use crate::cli::args::Common;
use crate::cli::args::meant::quoted;
use crate::cli::exit::Exit;
use crate::cli::home::kit_file;
use crate::cli::home::plugged::{DriveSign, Role, plugged};
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::{all_of, wrap};
use camino::Utf8Path;
use serde_json::json;
use std::sync::Arc;
use unlade::disk::Disk;
use unlade::kit::Kit;
use unlade::name::shown;
use unlade::run::Tools;

/// Says what a watch would do with this card; the exit code is 1 where it would not touch it.
pub(super) fn explain(
    card: &Utf8Path,
    home: &Utf8Path,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Exit {
    let refused = |why: String| refuse(&[why], Exit::Refused, "watch", out, tools);
    let kit = match kit_file::read(home) {
        Ok(kit) => kit,
        Err(e) => return refuse(&e.lines(), e.exit(), "kit", out, tools),
    };
    let disk = tools.disk.as_ref();
    let facts = match disk.facts(card) {
        Ok(facts) => facts,
        Err(e) => {
            return refused(format!(
                "`{}` can't be looked at: {e}.",
                shown(card.as_str())
            ));
        }
    };
    let seen = match look(&kit, disk) {
        Ok(Some(seen)) => seen,
        Ok(None) => return refused("this system doesn't say what is plugged in.".to_owned()),
        Err(e) => return refused(format!("the system doesn't say what is plugged in: {e}.")),
    };
    let found = seen.into_iter().find(|one| one.card.device == facts.device);
    let (name, lines, by, is_taken) = match &found {
        None => {
            let why = why_no_card(facts.device, &kit, disk);
            let text = format!("A watch takes it for no card: {why}");
            (shown(card.as_str()), vec![text], None, false)
        }
        Some(one) => match &one.orders {
            Err(why) => {
                let text = format!("A watch does not touch it. {why}");
                (shown(&one.name), vec![text], None, false)
            }
            Ok(orders) => {
                let lines = of_taken(one, common);
                (shown(&one.name), lines, Some(orders.by()), true)
            }
        },
    };
    if out.json {
        let body = json!({
            "card": card, "name": name, "by": by,
            "is_copied": is_taken, "lines": lines,
        });
        Json::new(out, Arc::clone(&tools.clock)).send("watch-explained", body);
    } else {
        out.line(&format!("{name}:"));
        for line in lines
            .iter()
            .flat_map(|text| wrap(text, out.width, "  ", "  "))
        {
            out.line(&line);
        }
    }
    if is_taken {
        Exit::Done
    } else {
        Exit::NotProven
    }
}

/// Why the volume of this device is no card, in words that go on after a colon.
fn why_no_card(device: u64, kit: &Kit, disk: &dyn Disk) -> String {
    let all = plugged(kit, disk).ok().flatten().unwrap_or_default();
    let found = all.iter().find(|one| one.facts.device == device);
    match found.map(|one| &one.role) {
        Some(Role::Drive(DriveSign::Kit(name))) => {
            format!("it is the drive {} of the kit.", shown(name))
        }
        Some(Role::Drive(DriveSign::Offloads)) => "it holds offloads.".to_owned(),
        Some(Role::Drive(DriveSign::Writable)) => {
            "it is no card of the kit, no camera's folder is \
            at its top, and no rule names its label."
                .to_owned()
        }
        Some(Role::Card(_)) | None => {
            "no card or drive is mounted there; it belongs to this computer.".to_owned()
        }
    }
}

/// What is said of a card that is copied.
fn of_taken(one: &StationCard, common: &Common) -> Vec<String> {
    let Ok(orders) = &one.orders else {
        return Vec::new();
    };
    let names: Vec<String> = orders
        .set
        .to
        .iter()
        .map(|d| shown(&d.to_string()))
        .collect();
    let mut lines = vec![format!("{} takes it: to {}.", orders.by(), all_of(&names))];
    if !orders.missing.is_empty() {
        lines.push(format!("It would wait for {}.", all_of(&orders.missing)));
        lines.extend(orders.why_missing.iter().cloned());
    }
    let set = &orders.set;
    lines.extend(
        set.shoot
            .as_ref()
            .map(|shoot| format!("Shoot {}.", shown(shoot))),
    );
    lines.extend(set.copies.map(|n| format!("Copies needed: {n}.")));
    let hashes: Vec<&str> = set.also.iter().map(|also| also.id()).collect();
    lines.extend((!hashes.is_empty()).then(|| format!("Hashes besides: {}.", all_of(&hashes))));
    let mhl = set.mhl == Some(true);
    lines.extend(mhl.then(|| "With a media hash list.".to_owned()));
    lines.extend(orders.only_new.then(|| "Only what is new.".to_owned()));
    let places: Vec<String> = set.then.iter().map(|place| shown(place)).collect();
    let is_sent = !places.is_empty();
    lines.extend(is_sent.then(|| format!("Then sent to {}, once it is PROVEN.", all_of(&places))));
    match copy_args(one, orders, common) {
        Err(why) => lines.push(format!("It would be refused: {why}")),
        Ok(_) if orders.missing.is_empty() => {
            let to = orders.to.iter().map(|to| format!("--to {}", quoted(to)));
            let to: Vec<String> = to.collect();
            lines.push(format!(
                "To see all of it: unlade plan {} {}",
                quoted(&one.card.path),
                to.join(" ")
            ));
        }
        Ok(_) => {}
    }
    lines
}
