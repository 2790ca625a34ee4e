//! Owns how a kit is shown, and what is said of its use.

use crate::cli::args::COPIES;
use crate::cli::exit::Exit;
use crate::cli::home::kit_file::{self, FILE, KitError};
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use camino::Utf8Path;
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::kit::place::KitPlace;
use unlade::kit::usual::{UsualDoubt, UsualSet};
use unlade::kit::{Kit, KitCard, KitDrive, KitEntryKind, KitReader, TOP};
use unlade::name::shown;
use unlade::run::Tools;
use unlade::units::{counted, len64};

/// Shows the kit.
pub(super) fn list(home: &Utf8Path, out: Out, tools: &Tools) -> Result<(), KitError> {
    let kit = kit_file::read(home)?;
    let file = home.join(FILE);
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        json.send("kit", for_programs(&kit, &file));
        return Ok(());
    }
    for line in for_people(&kit, &file, out.width) {
        out.line(&line);
    }
    Ok(())
}

/// Says what of the kit can't be used. That it reads at all is half of the answer.
pub(super) fn check(home: &Utf8Path, out: Out, tools: &Tools) -> Result<Exit, KitError> {
    let kit = kit_file::read(home)?;
    let file = home.join(FILE);
    let doubts = doubts(&kit);
    let exit = if doubts.is_empty() {
        Exit::Done
    } else {
        Exit::NotProven
    };
    if out.json {
        let body = json!({"file": file, "doubts": doubts, "exit_code": exit.code()});
        Json::new(out, Arc::clone(&tools.clock)).send("kit-checked", body);
        return Ok(exit);
    }
    let many = |n: usize, noun: &str| counted(len64(n), noun);
    let places = match kit.places.len() {
        0 => String::new(),
        n => format!(", {}", many(n, "place")),
    };
    let what = format!(
        "{} has no mistake: {}, {}, {}, {}{}.",
        shown(file.as_str()),
        many(kit.cards.len(), "card"),
        many(kit.readers.len(), "reader"),
        many(kit.drives.len(), "drive"),
        many(kit.usual.len(), "usual set"),
        places,
    );
    for text in std::iter::once(&what).chain(&doubts) {
        for line in wrap(text, out.width, "", "  ") {
            out.line(&line);
        }
    }
    Ok(exit)
}

/// Returns what of a kit reads well and would be of no use.
pub(crate) fn doubts(kit: &Kit) -> Vec<String> {
    let of_set = |set: &UsualSet| -> Vec<String> {
        let doubts = kit.doubts(set, COPIES).into_iter();
        doubts.map(|doubt| doubt_words(set, &doubt)).collect()
    };
    kit.usual.iter().flat_map(of_set).collect()
}

fn copies_words(copies: u64) -> String {
    match copies {
        1 => "1 copy".to_owned(),
        n => format!("{n} copies"),
    }
}

fn doubt_words(set: &UsualSet, doubt: &UsualDoubt) -> String {
    let header = set.header();
    match doubt {
        UsualDoubt::NoVolume(name) => format!(
            "{header}: drive `{0}` isn't found by its name, for the kit doesn't know its volume. \
             Say once where it is: unlade kit add drive {0} --update --at DIR",
            shown(name)
        ),
        UsualDoubt::FewDrives { copies, drives } => format!(
            "{header}: `to` has {}, and PROVEN needs {}.",
            counted(len64(*drives), "drive"),
            copies_words(*copies)
        ),
    }
}

fn for_programs(kit: &Kit, file: &Utf8Path) -> Value {
    let cards: Vec<Value> = kit
        .cards
        .iter()
        .map(|c| {
            json!({
                "name": c.name, "reads_mbps": c.reads, "bus": c.bus,
                "class": c.class.map(|c| c.to_string()), "readers": c.readers, "volumes": c.volumes,
                "note": c.note,
            })
        })
        .collect();
    let readers: Vec<Value> = kit
        .readers
        .iter()
        .map(|r| json!({"name": r.name, "bus": r.bus, "link": r.link, "note": r.note}))
        .collect();
    let drives: Vec<Value> = kit
        .drives
        .iter()
        .map(|d| {
            json!({
                "name": d.name, "writes_mbps": d.writes, "reads_mbps": d.reads, "spins": d.spins,
                "volumes": d.volumes, "folder": d.folder, "note": d.note,
            })
        })
        .collect();
    let places: Vec<Value> = kit
        .places
        .iter()
        .map(|p| {
            json!({
                "name": p.name, "url": p.url, "endpoint": p.endpoint, "region": p.region,
                "profile": p.profile, "has_secret_command": p.secret_command.is_some(),
                "note": p.note,
            })
        })
        .collect();
    let usual: Vec<Value> = kit
        .usual
        .iter()
        .map(|set| {
            let to: Vec<String> = set.to.iter().map(ToString::to_string).collect();
            let also: Vec<&str> = set.also.iter().map(|also| also.id()).collect();
            json!({
                "set": set.name, "to": to, "copies": set.copies, "also": also, "mhl": set.mhl,
                "shoot": set.shoot, "name": set.pattern.as_ref().map(ToString::to_string),
                "then": set.then,
            })
        })
        .collect();
    json!({
        "file": file, "cards": cards, "readers": readers, "drives": drives, "places": places,
        "usual": usual,
    })
}

fn for_people(kit: &Kit, file: &Utf8Path, width: usize) -> Vec<String> {
    let mut lines = Vec::new();
    let mut entry = |kind: KitEntryKind, name: &str, known: &str| {
        let text = format!("{}: {known}", shown(name));
        lines.extend(wrap(
            &text,
            width,
            &format!("{:<9}", title(kind)),
            "         ",
        ));
    };
    for c in &kit.cards {
        entry(KitEntryKind::Card, &c.name, &card_words(c));
    }
    for r in &kit.readers {
        entry(KitEntryKind::Reader, &r.name, &reader_words(r));
    }
    for d in &kit.drives {
        entry(KitEntryKind::Drive, &d.name, &drive_words(d));
    }
    for p in &kit.places {
        entry(KitEntryKind::Place, &p.name, &place_words(p));
    }
    for set in &kit.usual {
        lines.extend(wrap(&usual_words(set), width, "Usual    ", "         "));
    }
    if lines.is_empty() {
        let empty = "The kit is empty. `unlade kit add card NAME` adds a card.";
        lines.extend(wrap(empty, width, "", "  "));
    }
    lines.push(format!("File     {}", shown(file.as_str())));
    lines
}

fn known(parts: impl IntoIterator<Item = Option<String>>) -> String {
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    if parts.is_empty() {
        "nothing known but its name".to_owned()
    } else {
        parts.join(", ")
    }
}

fn rate(what: &str, rate: Option<f64>) -> Option<String> {
    rate.map(|rate| format!("{what} {rate} MB/s"))
}

fn note(note: Option<&String>) -> Option<String> {
    note.map(|note| format!("\"{}\"", shown(note)))
}

fn volumes(all: &[String]) -> Option<String> {
    (!all.is_empty()).then(|| format!("volume {}", shown(&all.join(" "))))
}

/// Returns what is known of a card, in one line.
pub(crate) fn card_words(c: &KitCard) -> String {
    known([
        rate("label", c.reads),
        c.bus.clone(),
        c.class.map(|c| format!("{c} (writing)")),
        (!c.readers.is_empty()).then(|| format!("matched reader {}", c.readers.join(", "))),
        volumes(&c.volumes),
        note(c.note.as_ref()),
    ])
}

/// Returns what is known of a reader, in one line.
pub(crate) fn reader_words(r: &KitReader) -> String {
    known([
        r.bus.as_ref().map(|b| format!("slot {b}")),
        r.link.as_ref().map(|l| format!("link {l}")),
        note(r.note.as_ref()),
    ])
}

/// Returns what is known of a drive, in one line.
pub(crate) fn drive_words(d: &KitDrive) -> String {
    let folder = d.folder.as_deref().filter(|folder| *folder != TOP);
    let spins = |spins| if spins { "spins" } else { "does not spin" }.to_owned();
    known([
        rate("writes", d.writes),
        rate("reads", d.reads),
        d.spins.map(spins),
        volumes(&d.volumes),
        folder.map(|folder| format!("in {}", shown(folder))),
        note(d.note.as_ref()),
    ])
}

/// Returns what is known of a place, in one line. A secret is not in a kit.
pub(crate) fn place_words(p: &KitPlace) -> String {
    known([
        Some(shown(&p.url)),
        p.endpoint.as_deref().map(shown),
        p.region.as_deref().map(shown),
        p.profile
            .as_deref()
            .map(|profile| format!("profile {}", shown(profile))),
        // It may hold more than it should.
        p.secret_command
            .as_ref()
            .map(|_| "secret from a command".to_owned()),
        note(p.note.as_ref()),
    ])
}

/// What a set says, in one line.
pub(crate) fn usual_words(set: &UsualSet) -> String {
    let join = |words: Vec<String>| (!words.is_empty()).then(|| words.join(", "));
    let to = join(set.to.iter().map(|to| shown(&to.to_string())).collect());
    let parts = [
        to.map(|to| format!("to {to}")),
        set.copies.map(copies_words),
        join(set.also.iter().map(ToString::to_string).collect()),
        (set.mhl == Some(true)).then(|| "a media hash list".to_owned()),
        set.shoot
            .as_ref()
            .map(|shoot| format!("shoot {}", shown(shoot))),
        set.pattern.as_ref().map(|pattern| format!("as {pattern}")),
        join(set.then.iter().map(|place| shown(place)).collect())
            .map(|places| format!("then to {places}")),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    let parts = match parts.as_slice() {
        [] => "says nothing".to_owned(),
        parts => parts.join("; "),
    };
    match &set.name {
        None => parts,
        Some(name) => format!("{}: {parts}", shown(name)),
    }
}

fn title(kind: KitEntryKind) -> &'static str {
    match kind {
        KitEntryKind::Card => "Card",
        KitEntryKind::Reader => "Reader",
        KitEntryKind::Drive => "Drive",
        KitEntryKind::Place => "Place",
    }
}
