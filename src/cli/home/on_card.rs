//! Owns that no folder which a command writes to for itself lies on a card.

use crate::cli::args::kit::{AddCommand, KitCommand};
use crate::cli::args::{Command, Common};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file::FILE;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use camino::{Utf8Path, Utf8PathBuf};
use std::sync::Arc;
use unlade::disk::FolderFacts;
use unlade::name::shown;
use unlade::run::Tools;

/// The cards that a command reads, or is told of.
fn cards(command: &Command) -> &[Utf8PathBuf] {
    match command {
        Command::Copy(args) | Command::Plan(args) => &args.cards,
        Command::Prove(args) => std::slice::from_ref(&args.card),
        Command::Rate(args) => std::slice::from_ref(&args.card),
        Command::Kit {
            what: KitCommand::Add {
                what: AddCommand::Card(args),
            },
        } => args.at.as_slice(),
        _ => &[],
    }
}

/// Where a command is told to put something of its own; not the ledger and the kit.
fn asked_for(command: &Command) -> Option<Utf8PathBuf> {
    match command {
        Command::Man { dir } => Some(dir.clone()),
        Command::Demo(args) => args.keep.clone(),
        Command::Fetch(args) => Some(args.to.clone()),
        Command::Report(args) if args.to.is_some() => args.to.clone(),
        Command::Report(args) if args.set.shoot.is_some() => Some(".".into()),
        _ => None,
    }
}

/// The folders that a command writes to for itself.
fn written(command: &Command, common: &Common) -> Vec<Utf8PathBuf> {
    if let Some(asked_for) = asked_for(command) {
        return vec![asked_for];
    }
    let Some(home) = folder(common) else {
        return Vec::new();
    };
    // A kit may be a link into another folder.
    let kit = home.join(FILE).canonicalize_utf8().ok();
    let kit = kit.and_then(|kit| Some(kit.parent()?.to_path_buf()));
    [home].into_iter().chain(kit).collect()
}

/// Refuses a home folder that lies on a card of the command, which is never written to.
pub(crate) fn refuse_on_card(
    command: &Command,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Option<Exit> {
    let why = on_card(command, common, tools)?;
    Some(refuse_command(command, &[why], "home", out, tools))
}

/// Refuses a command before its cards are looked at; one line for each thing.
pub(super) fn refuse_command(
    command: &Command,
    lines: &[String],
    what: &str,
    out: Out,
    tools: &Tools,
) -> Exit {
    let exit = refuse(lines, Exit::Refused, what, out, tools);
    if out.json && matches!(command, Command::Copy(_) | Command::Prove(_)) {
        let json = Json::new(out, Arc::clone(&tools.clock));
        let cards = cards(command);
        let reasons: Vec<&str> = lines.iter().map(String::as_str).collect();
        for card in cards {
            json.send_unproven(card, &reasons, exit);
        }
        if cards.len() > 1 {
            let ends: Vec<_> = cards.iter().map(|card| (card.as_str(), exit)).collect();
            json.send_for_all_cards(&ends);
        }
    }
    exit
}

/// Says how a folder that the command writes to lies on a card, if it does.
fn on_card(command: &Command, common: &Common, tools: &Tools) -> Option<String> {
    let facts = |path: &Utf8Path| tools.disk.facts(path).ok();
    let cards: Vec<FolderFacts> = cards(command).iter().filter_map(|c| facts(c)).collect();
    let is_asked_for = asked_for(command).is_some();
    // These name no card, and may be pointed at one all the same.
    let names_none = is_asked_for
        || matches!(
            command,
            Command::Kit { .. } | Command::Watch(_) | Command::Desk(_)
        );
    written(command, common).iter().find_map(|given| {
        // The folder need not be there yet.
        let given = std::path::absolute(given).ok()?;
        let there = given.ancestors().find(|folder| folder.is_dir())?;
        let there = Utf8Path::from_path(there)?;
        let facts = facts(there)?;
        let of_job = cards.iter().find_map(|card| facts.goes_with(card));
        let is_like_one = names_none && facts.is_camera_volume && !facts.is_system_volume;
        let of_kind = is_like_one.then_some("is on a volume with folders that only cameras make");
        let how = of_job.or(of_kind)?;
        let given = shown(&given.to_string_lossy());
        Some(if is_asked_for {
            format!("`{given}` {how}; nothing is written to a card: choose another folder")
        } else {
            format!(
                "the folder for ledger and kit, `{given}`, {how}; nothing is written to a \
                card: choose another with --home, or leave it out"
            )
        })
    })
}
