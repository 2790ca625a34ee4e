//! Owns what a command line leaves unsaid: the plugged-in cards, the usual drives of the kit, and
//! the rest of `[usual]`. What is typed wins. It looks; it writes nothing.

use crate::cli::args::meant::{has_cameras_folder, not_as_meant, quoted};
use crate::cli::args::shoot::ShootName;
use crate::cli::args::{COPIES, Command, Common, CopyArgs, LayoutArg, ProofArg};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::home::on_card::refuse_command;
use crate::cli::home::places::{NoDrive, place_of};
use crate::cli::home::plugged::{CardSign, Plugged, Role, plugged};
use crate::cli::view::out::Out;
use crate::cli::view::refuse::{refuse, usage};
use crate::cli::view::text::all_of;
use camino::{Utf8Path, Utf8PathBuf};
use unlade::disk::{Disk, FolderFacts};
use unlade::existing::as_card::is_offload;
use unlade::kit::pattern::NamePattern;
use unlade::kit::usual::{UsualDrive, UsualSet};
use unlade::kit::{Kit, UnknownName};
use unlade::name::shown;
use unlade::run::Tools;

/// Drives of the kit that are named in a command to type.
const DRIVES_TOLD: usize = 4;

/// Puts what is plugged in and usual in the place of what was not typed.
///
/// # Errors
/// The exit code, once it is told what is missing and what to type.
pub(crate) fn complete(
    command: &mut Command,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    if let Command::Prove(args) = command {
        // A person whose rule is three copies is not told PROVEN with two.
        let kit = folder(common).and_then(|home| kit_file::read(&home).ok());
        let set = kit.as_ref().and_then(|kit| kit.usual(None).ok());
        args.copies = args.copies.or_else(|| set.and_then(|set| set.copies));
        return Ok(());
    }
    let is_copy = matches!(command, Command::Copy(args) if !args.dry_run);
    let (Command::Copy(args) | Command::Plan(args)) = command else {
        return Ok(());
    };
    let disk = tools.disk.as_ref();
    let is_whole = !args.cards.is_empty() && !args.to.is_empty();
    if args.cards.iter().any(|card| is_offload(disk, card)) {
        // What is usual is so of cards.
        return Ok(());
    }
    let kit = match folder(common).map(|home| kit_file::read(&home)) {
        None => Kit::default(),
        Some(Ok(kit)) => kit,
        // It is told when the kit is read for all else.
        Some(Err(_)) if is_whole && args.usual.is_none() => return Ok(()),
        Some(Err(error)) => return Err(refuse(&error.lines(), error.exit(), "kit", out, tools)),
    };
    let set = match kit.usual(args.usual.as_deref()) {
        Ok(set) => Some(set),
        Err(why) if args.usual.is_some() => return Err(usage(&[format!("{why}.")], out)),
        Err(_) => None,
    };
    let found = fill(args, set, &kit, disk);
    if let Err(wrong) = found {
        return Err(match wrong {
            Wrong::Line(lines) => usage(&lines, out),
            Wrong::Missing(lines) => refuse_command(command, &lines, "drive", out, tools),
        });
    }
    if args.to.is_empty() {
        // How it has to be written is said with the card.
        return Ok(());
    }
    if let Some(set) = set {
        apply(args, set, common).map_err(|why| usage(&[why.to_string()], out))?;
    }
    args.unsaid.is_to_be_asked = is_copy && !is_whole && !args.yes;
    if args.unsaid.is_to_be_asked && !(out.is_terminal && !out.json && stdin_is_terminal()) {
        let why = "nobody can be asked here. Add --yes to the same command, or say all of it:";
        let lines = [why.to_owned(), whole_command(args, &typed())];
        return Err(usage(&lines, out));
    }
    Ok(())
}

fn stdin_is_terminal() -> bool {
    std::io::IsTerminal::is_terminal(&std::io::stdin())
}

/// Why a command is not completed.
enum Wrong {
    /// It has to be written otherwise; one line for each thing.
    Line(Vec<String>),
    /// Something is not plugged in; one line for each thing.
    Missing(Vec<String>),
}

/// Why what is usual can't be used as it is.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Unusual {
    #[error("{0}.")]
    NotInKit(#[source] UnknownName),
    #[error(transparent)]
    NoPlace(#[from] NoDrive),
    #[error("`{0}`, which is usual, is not there. Is the drive plugged in?")]
    NoFolder(String),
    #[error("this system doesn't say what is plugged in. {GIVE}")]
    NotAsked,
    #[error("the system doesn't say what is plugged in: {0}. {GIVE}")]
    Unseen(#[source] std::io::Error),
    #[error(
        "no card is plugged in: no card of your kit, and no volume with a camera's folder and \
         without offloads. {GIVE}"
    )]
    NoCard,
    #[error(
        "{0} calls offloads {1}, and there is no shoot. Say --shoot NAME, or --name for this one"
    )]
    NoShoot(String, NamePattern),
    #[error(
        "{0} calls offloads {1}, and cards are numbered in the ledger: leave out --no-ledger, or \
         say --name"
    )]
    NoLedger(String, NamePattern),
}

const GIVE: &str = "Give the card: unlade copy CARD";

/// Fills in cards and drives.
fn fill(
    args: &mut CopyArgs,
    set: Option<&UsualSet>,
    kit: &Kit,
    disk: &dyn Disk,
) -> Result<(), Wrong> {
    let usual = set.filter(|set| !set.to.is_empty());
    if args.to.is_empty() && usual.is_none() {
        // Of a card that was typed the command is told with it.
        return if args.cards.is_empty() {
            Err(Wrong::Line(without_usual(set, kit, disk)))
        } else {
            Ok(())
        };
    }
    if args.to.is_empty() {
        let is_doubtful = |card: &Utf8PathBuf| has_cameras_folder(card, disk) == Some(false);
        let is_drive = args.cards.iter().skip(1).any(is_doubtful);
        if let Some(why) = not_as_meant(&args.cards, &[], kit, disk).filter(|_| is_drive) {
            return Err(Wrong::Line(vec![why]));
        }
    }
    let (mut missing, mut to) = (Vec::new(), args.to.clone());
    let mut volumes = args.unsaid.volumes.clone();
    for drive in usual
        .iter()
        .filter(|_| args.to.is_empty())
        .flat_map(|set| &set.to)
    {
        match usual_place(drive, kit, disk) {
            Ok(place) => {
                to.push(place);
                volumes.push(usual_volumes(drive, kit));
            }
            Err(why) => missing.push(why.to_string()),
        }
    }
    if args.cards.is_empty() {
        let found =
            plugged_cards(&to, kit, disk).map_err(|why| Wrong::Missing(vec![why.to_string()]))?;
        args.unsaid.cards = found;
        let cards = args.unsaid.cards.iter();
        args.cards = cards.map(|(path, _)| path.clone()).collect();
    }
    if missing.is_empty() {
        args.to = to;
        args.unsaid.volumes = volumes;
        return Ok(());
    }
    if !to.is_empty() {
        args.to = to;
        missing.push("To copy to the others only:".to_owned());
        missing.push(whole_command(args, &typed()));
    }
    Err(Wrong::Missing(missing))
}

impl Unusual {
    /// Returns whether the drive is simply not plugged in.
    pub(crate) fn is_away(&self) -> bool {
        matches!(self, Self::NoPlace(NoDrive::Away(_)) | Self::NoFolder(_))
    }
}

/// Where a usual drive is now.
pub(crate) fn usual_place(
    drive: &UsualDrive,
    kit: &Kit,
    disk: &dyn Disk,
) -> Result<Utf8PathBuf, Unusual> {
    match drive {
        UsualDrive::Kit(name) => {
            let drive = kit.drive(name).map_err(Unusual::NotInKit)?;
            Ok(place_of(drive, disk)?)
        }
        UsualDrive::Folder(path) => match disk.look(path) {
            Ok(Some(_)) => Ok(path.clone()),
            _ => Err(Unusual::NoFolder(shown(path.as_str()))),
        },
    }
}

/// The volumes by which a usual drive is known again; none of a folder.
pub(crate) fn usual_volumes(drive: &UsualDrive, kit: &Kit) -> Vec<String> {
    match drive {
        UsualDrive::Kit(name) => kit
            .drive(name)
            .map_or_else(|_| Vec::new(), |d| d.volumes.clone()),
        UsualDrive::Folder(_) => Vec::new(),
    }
}

/// The cards that are plugged in, each with why it was taken for one. What is copied to is none.
fn plugged_cards(
    to: &[Utf8PathBuf],
    kit: &Kit,
    disk: &dyn Disk,
) -> Result<Vec<(Utf8PathBuf, String)>, Unusual> {
    let found = plugged(kit, disk).map_err(Unusual::Unseen)?;
    let found = found.ok_or(Unusual::NotAsked)?;
    let drives: Vec<FolderFacts> = to.iter().filter_map(|to| disk.facts(to).ok()).collect();
    let is_drive = |one: &Plugged| drives.iter().any(|to| to.device == one.facts.device);
    let cards = found.into_iter().filter(|one| !is_drive(one));
    let cards: Vec<_> = cards
        .filter_map(|one| match &one.role {
            Role::Card(sign) => Some((one.path.clone(), card_words(sign, one.is_removable))),
            Role::Drive(_) => None,
        })
        .collect();
    if cards.is_empty() {
        return Err(Unusual::NoCard);
    }
    Ok(cards)
}

/// Why a volume was taken for a card.
fn card_words(sign: &CardSign, is_removable: Option<bool>) -> String {
    match sign {
        CardSign::Kit(_) => "a card of your kit".to_owned(),
        CardSign::Camera(folder) => {
            let can_be = match is_removable {
                Some(true) => ", removable",
                // The system does not say.
                Some(false) | None => "",
            };
            format!("has {folder}, no offload on it{can_be}")
        }
    }
}

/// What to say where nothing is usual: the command, and what to write into the kit.
fn without_usual(set: Option<&UsualSet>, kit: &Kit, disk: &dyn Disk) -> Vec<String> {
    let why = match (set, kit.usual(None)) {
        (Some(set), _) => format!("{} of the kit names no drives with `to`", set.header()),
        (None, Err(why)) => why.to_string(),
        (None, Ok(_)) => "nothing is usual".to_owned(),
    };
    let joined = |words: Vec<String>, between: &str, otherwise: &str| match words.as_slice() {
        [] => otherwise.to_owned(),
        words => words.join(between),
    };
    let cards = plugged_cards(&[], kit, disk).unwrap_or_default();
    let cards = cards.iter().map(|(path, _)| quoted(path)).collect();
    let cards = joined(cards, " ", "CARD");
    let drives = || {
        let names = kit.drives.iter().map(|drive| drive.name.as_str());
        names.take(DRIVES_TOLD)
    };
    let to = drives().map(|name| format!("--to {}", quoted(name.into())));
    let to = joined(to.collect(), " ", "--to DRIVE --to DRIVE");
    let list = drives().map(|name| format!("{name:?}"));
    let list = joined(
        list.collect(),
        ", ",
        "\"/media/DRIVE-A\", \"/media/DRIVE-B\"",
    );
    vec![
        format!("{why}, so it isn't clear where to copy to. Say it:"),
        format!("unlade copy {cards} {to}"),
        format!(
            "Or say once in {}, below a line [usual], what is usual:",
            kit_file::FILE
        ),
        format!("to = [{list}]"),
    ]
}

/// Fills in the rest of a set.
pub(crate) fn apply(args: &mut CopyArgs, set: &UsualSet, common: &Common) -> Result<(), Unusual> {
    let unsaid = &mut args.unsaid;
    unsaid.shoot = args.set.shoot.as_ref().map(|s| s.as_str().to_owned());
    if let Some(shoot) = set.shoot.as_ref().filter(|_| args.set.shoot.is_none()) {
        unsaid.shoot = Some(shoot.clone());
        unsaid.said.push(format!("shoot {}", shown(shoot)));
        // What is typed wins: without a ledger no cards are counted.
        args.set.shoot = (!common.no_ledger).then(|| ShootName::from(shoot.as_str()));
    }
    if args.then.is_empty() {
        unsaid.then.clone_from(&set.then);
    }
    if args.copies.is_none() {
        args.copies = set.copies;
        let unlike = set.copies.filter(|copies| *copies != COPIES);
        unsaid
            .said
            .extend(unlike.map(|n| format!("copies needed: {n}")));
    }
    if args.also.is_empty() && !set.also.is_empty() {
        args.also.clone_from(&set.also);
        let names: Vec<&str> = set.also.iter().map(|also| also.id()).collect();
        unsaid.said.push(format!("{} too", all_of(&names)));
    }
    if set.mhl == Some(true) && !args.mhl {
        // What is typed wins.
        let why_not = if args.layout == Some(LayoutArg::Bag) {
            Some("of a bag")
        } else {
            (args.proof == ProofArg::Written).then_some("with --proof written")
        };
        args.mhl = why_not.is_none();
        unsaid.said.push(match why_not {
            None => "a media hash list".to_owned(),
            Some(why) => format!("no media hash list: none is made {why}"),
        });
    }
    let Some(pattern) = set.pattern.as_ref().filter(|_| args.name.is_none()) else {
        return Ok(());
    };
    let header = set.header();
    if pattern.needs_shoot() && unsaid.shoot.is_none() {
        return Err(Unusual::NoShoot(header, pattern.clone()));
    }
    if pattern.is_counted() && common.no_ledger {
        return Err(Unusual::NoLedger(header, pattern.clone()));
    }
    unsaid.pattern = Some(pattern.clone());
    Ok(())
}

/// The words that were typed after the program's name.
fn typed() -> Vec<String> {
    let words = std::env::args_os().skip(1);
    words
        .map(|word| word.to_string_lossy().into_owned())
        .collect()
}

/// The command as it would be typed in full: what was typed, the cards behind its verb, where none
/// was typed, and the drives at the end.
fn whole_command(args: &CopyArgs, typed: &[String]) -> String {
    let mut words: Vec<String> = typed
        .iter()
        .map(|word| quoted(Utf8Path::new(word)))
        .collect();
    let is_typed = |path: &Utf8PathBuf| typed.iter().any(|word| word == path.as_str());
    let cards = args.unsaid.cards.iter().map(|(path, _)| quoted(path));
    let verb = words
        .iter()
        .position(|word| word == "copy" || word == "plan");
    let behind = verb.map_or(words.len(), |verb| verb + 1);
    words.splice(behind..behind, cards);
    let has_to = typed
        .iter()
        .any(|word| word == "--to" || word.starts_with("-t"));
    let to = args.to.iter().filter(|to| !has_to && !is_typed(to));
    words.extend(to.map(|to| format!("--to {}", quoted(to))));
    format!("unlade {}", words.join(" "))
}
