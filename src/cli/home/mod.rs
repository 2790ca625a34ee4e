//! Owns where the person's own folder is, with kit and ledger in it, and the reading and writing of
//! the ledger. Nothing that fails here costs a copy: it is told once, and the job goes on.

pub(crate) mod keys;
pub(crate) mod kit_file;
pub(crate) mod known;

use crate::cli::args::kit::{AddCommand, KitCommand};
use crate::cli::args::{Cli, Command, Common, ShootArgs};
use crate::cli::command::copy::send_for_all;
use crate::cli::command::kit::refuse;
use crate::cli::exit::Exit;
use crate::cli::home::kit_file::FILE;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::json;
use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;
use unlade::clock::Clock;
use unlade::disk::FolderFacts;
use unlade::disk::home::{append_line, read_tail};
use unlade::ledger::history::{Gear, card_rate};
use unlade::ledger::shoot::{CARDS_MAX, Shoot, parse_labels};
use unlade::ledger::{Entry, Expected, LEDGER, Ledger, READ_MAX, ShootPart};
use unlade::name::shown;
use unlade::run::Tools;

/// Between two tries to get at a ledger that another program holds.
const WAIT: Duration = Duration::from_millis(100);

/// Returns the folder for kit and ledger: `--home` or `UNLADE_HOME`, else `unlade` in the system's
/// folder for the data of programs. `None` where the system names none.
pub(crate) fn folder(common: &Common) -> Option<Utf8PathBuf> {
    if let Some(home) = common.home.clone().filter(|h| !h.as_str().is_empty()) {
        return Some(home);
    }
    let data = Utf8PathBuf::from_path_buf(dirs::data_local_dir()?).ok()?;
    Some(data.join("unlade"))
}

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
        Command::Report(args) if args.to.is_some() => args.to.clone(),
        Command::Report(args) if args.offload.is_none() => Some(".".into()),
        _ => None,
    }
}

/// The folders that a command writes to for itself.
fn written(cli: &Cli) -> Vec<Utf8PathBuf> {
    if let Some(asked_for) = asked_for(&cli.command) {
        return vec![asked_for];
    }
    let Some(home) = folder(&cli.common) else {
        return Vec::new();
    };
    // A kit may be a link into another folder.
    let kit = home.join(FILE).canonicalize_utf8().ok();
    let kit = kit.and_then(|kit| Some(kit.parent()?.to_path_buf()));
    [home].into_iter().chain(kit).collect()
}

/// Refuses a home folder that lies on a card of the command, which is never written to.
pub(crate) fn refuse_on_card(cli: &Cli, out: Out, tools: &Tools) -> Option<Exit> {
    let why = on_card(cli, tools)?;
    let exit = refuse(
        std::slice::from_ref(&why),
        Exit::Refused,
        "home",
        out,
        tools,
    );
    if out.json && matches!(cli.command, Command::Copy(_) | Command::Prove(_)) {
        let json = Json::new(out, Arc::clone(&tools.clock));
        let cards = cards(&cli.command);
        for card in cards {
            let verdict = json!({"card": card, "proven": false, "copies": 0, "reasons": [&why], "exit_code": exit.code()});
            json.send("verdict", verdict);
        }
        if cards.len() > 1 {
            let ends: Vec<_> = cards.iter().map(|card| (card.as_str(), exit)).collect();
            send_for_all(&ends, out, tools);
        }
    }
    Some(exit)
}

/// Says how a folder that the command writes to lies on a card, if it does.
fn on_card(cli: &Cli, tools: &Tools) -> Option<String> {
    let facts = |path: &Utf8Path| tools.disk.facts(path).ok();
    let cards: Vec<FolderFacts> = cards(&cli.command)
        .iter()
        .filter_map(|c| facts(c))
        .collect();
    let is_asked_for = asked_for(&cli.command).is_some();
    // These name no card, and may be pointed at one all the same.
    let names_none = is_asked_for || matches!(cli.command, Command::Kit { .. });
    written(cli).iter().find_map(|given| {
        // The folder need not be there yet.
        let given = std::path::absolute(given).ok()?;
        let there = given.ancestors().find(|folder| folder.is_dir())?;
        let there = Utf8Path::from_path(there)?;
        let facts = facts(there)?;
        let of_job = cards.iter().find_map(|card| facts.goes_with(card));
        let is_like_one = names_none && facts.is_camera_volume && !facts.is_system_volume;
        let of_kind = is_like_one.then_some("lies on a volume with folders that only cameras make");
        let how = of_job.or(of_kind)?;
        let given = shown(&given.to_string_lossy());
        Some(if is_asked_for {
            format!("`{given}` {how}; nothing is written to a card: choose another folder")
        } else {
            format!("the folder for ledger and kit, `{given}`, {how}; nothing is written to a card: choose another with --home, or leave it out")
        })
    })
}

/// The ledger as one command uses it.
#[derive(Clone, Debug)]
pub(crate) struct Book {
    path: Option<Utf8PathBuf>,
    clock: Arc<dyn Clock>,
    out: Out,
}

impl Book {
    pub(crate) fn new(common: &Common, out: Out, clock: Arc<dyn Clock>) -> Self {
        let path = if common.no_ledger {
            None
        } else {
            folder(common).map(|home| home.join(LEDGER))
        };
        Self { path, clock, out }
    }

    /// A ledger that remembers nothing.
    pub(crate) fn none(out: Out, clock: Arc<dyn Clock>) -> Self {
        Self {
            path: None,
            clock,
            out,
        }
    }

    /// Returns whether anything is remembered.
    pub(crate) fn is_kept(&self) -> bool {
        self.path.is_some()
    }

    /// Returns where the ledger is.
    pub(crate) fn place(&self) -> String {
        self.path
            .as_ref()
            .map_or_else(|| "nowhere".to_owned(), ToString::to_string)
    }

    /// Reads what is remembered; trouble is told, and then nothing is.
    pub(crate) fn read(&self) -> Ledger {
        let Some(path) = &self.path else {
            return Ledger::default();
        };
        match read_tail(path, READ_MAX) {
            Ok((text, _)) => Ledger::from_text(&text),
            Err(e) => {
                self.tell(&format!("The ledger `{path}` could not be read: {e}."));
                Ledger::default()
            }
        }
    }

    /// Enters one line; trouble is told, and no verdict changes by it.
    pub(crate) fn enter(&self, entry: &Entry) {
        let Some(path) = &self.path else { return };
        let wait = || self.clock.sleep(WAIT);
        let done = entry
            .line()
            .ok_or_else(|| std::io::Error::other("the entry is too long"))
            .and_then(|line| append_line(path, &line, wait));
        if let Err(e) = done {
            self.tell(&format!(
                "Nothing could be entered in the ledger `{path}`: {e}. The verdict holds all the same."
            ));
        }
    }

    fn tell(&self, text: &str) {
        for line in wrap(text, self.out.width, "", "  ") {
            self.out.error(&line);
        }
    }
}

/// Reads what was said of the job that a card belongs to.
pub(crate) fn shoot_part(
    args: &ShootArgs,
    book: &Book,
    out: Out,
) -> Result<Option<ShootPart>, Exit> {
    let Some(name) = &args.shoot else {
        return Ok(None);
    };
    let name = name.trim();
    if name.is_empty() || name.len() > 200 || name.chars().any(char::is_control) {
        out.error("unlade: --shoot takes a name of 1 to 200 bytes without control characters.");
        return Err(Exit::Usage);
    }
    if !book.is_kept() {
        out.error(
            "unlade: --shoot counts cards in the ledger, and there is none; leave out --no-ledger or give a folder with --home.",
        );
        return Err(Exit::Usage);
    }
    Ok(Some(ShootPart {
        name: name.to_owned(),
        expected: expected(args, out)?,
    }))
}

/// Reads what was announced.
pub(crate) fn expected(args: &ShootArgs, out: Out) -> Result<Option<Expected>, Exit> {
    match (&args.expect, &args.expect_labels) {
        (Some(n), _) if *n > CARDS_MAX => {
            out.error(&format!("unlade: --expect takes 1 to {CARDS_MAX} cards."));
            Err(Exit::Usage)
        }
        (Some(n), _) => Ok(Some(Expected::Count(*n))),
        (None, Some(labels)) => parse_labels(labels).map(Some).map_err(|why| {
            out.error(&format!("unlade: --expect-labels: {why}."));
            Exit::Usage
        }),
        (None, None) => Ok(None),
    }
}

/// Enters a verdict and returns what is to be said of the job that the card belongs to.
pub(crate) fn enter(book: &Book, mut entry: Entry, part: Option<&ShootPart>) -> Option<ShootNews> {
    entry.shoot = part.cloned();
    book.enter(&entry);
    let part = part?;
    let mut ledger = book.read();
    // What could not be entered is known all the same.
    if !ledger.entries.iter().rev().take(64).any(|e| *e == entry) {
        ledger.entries.push(entry.clone());
    }
    let shoot = Shoot::of(&ledger, &part.name, part.expected.as_ref());
    let mut words = shoot.words();
    words.extend(shoot.words_on(&entry.card));
    Some(ShootNews { shoot, words })
}

/// Returns what is to be said if this card read slower than it used to; asked before the entry is
/// made.
pub(crate) fn slower(book: &Book, entry: &Entry) -> Option<String> {
    let rate = card_rate(entry)?;
    let gear = Gear {
        card: &entry.card,
        reader: entry.reader.as_deref(),
        drives: BTreeSet::new(),
    };
    book.read().slower_than_its_past(&gear, rate)
}

/// The state of a job after a verdict.
pub(crate) struct ShootNews {
    /// The job.
    pub(crate) shoot: Shoot,
    /// In sentences.
    pub(crate) words: Vec<String>,
}

impl ShootNews {
    /// Returns the lines that stand in a verdict block.
    pub(crate) fn lines(&self, width: usize) -> Vec<String> {
        let mut lines = Vec::new();
        for (index, words) in self.words.iter().enumerate() {
            let first = if index == 0 { "Shoot    " } else { "         " };
            lines.extend(wrap(words, width, first, "         "));
        }
        lines
    }
}
