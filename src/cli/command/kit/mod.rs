//! Owns `kit`: showing and editing what the person has told of.

pub(crate) mod show;

use crate::cli::args::Common;
use crate::cli::args::kit::{AddCommand, KitCommand, PlaceArgs};
use crate::cli::args::speed::{FlagError, RateArg};
#[cfg(not(feature = "offsite"))]
use crate::cli::command::shared::no_places as place_check;
#[cfg(feature = "offsite")]
use crate::cli::command::shared::place_check;
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file::{self, FILE, KitError};
use crate::cli::home::places::{NoDrive, place_of};
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::wrap;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::json;
use std::io;
use std::sync::Arc;
use std::time::Duration;
use unlade::kit::edit::{self, KitEntry};
use unlade::kit::place::KitPlace;
use unlade::kit::{KitCard, KitDrive, KitEntryKind, KitReader, TOP};
use unlade::name::{shown, word};
use unlade::run::Tools;
use unlade::speed::links::{Family, LinkRow};

/// Does what is asked with the kit.
pub(crate) fn kit(command: &KitCommand, common: &Common, out: Out, tools: &Tools) -> Exit {
    let Some(home) = folder(common) else {
        let why = "the system names no folder for the data of programs; say with --home DIR where \
            the kit is.";
        return refuse(&[why.to_owned()], Exit::Refused, "kit", out, tools);
    };
    let told = match command {
        KitCommand::List => show::list(&home, out, tools).map_err(Trouble::Kit),
        KitCommand::Check { place: Some(place) } => {
            return place_check::check(&home, place, out, tools);
        }
        KitCommand::Check { place: None } => match show::check(&home, out, tools) {
            Ok(exit) => return exit,
            Err(error) => Err(Trouble::Kit(error)),
        },
        KitCommand::Add { what } => add(&home, what, out, tools),
        KitCommand::Remove { kind, name } => {
            let kind = KitEntryKind::from(*kind);
            kit_file::edit(&home, pause(tools), |text| edit::remove(text, kind, name))
                .map(|()| {
                    let what = format!("{kind} `{}` removed", shown(name));
                    done(&what, &[], &home, out, tools);
                })
                .map_err(Trouble::Kit)
        }
    };
    match told {
        Ok(()) => Exit::Done,
        Err(trouble) => {
            let (lines, exit) = trouble.tell();
            refuse(&lines, exit, "kit", out, tools)
        }
    }
}

/// Waits a moment for another program that holds the kit.
pub(crate) fn pause(tools: &Tools) -> impl FnMut() {
    || tools.clock.sleep(Duration::from_millis(100))
}

/// Why nothing was done.
pub(crate) enum Trouble {
    Kit(KitError),
    NoVolume(NoVolume),
    Flag(FlagError),
    /// A new place without an address.
    NoUrl,
}

/// Why no volume is entered for a card or a drive.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoVolume {
    #[error("`{}` could not be looked at: {cause}; nothing was changed.", shown(at.as_str()))]
    Unseen {
        at: Utf8PathBuf,
        #[source]
        cause: io::Error,
    },
    #[error(
        "the system gives no identity for the volume at `{}` ({}), so it can't be recognised by \
         it; nothing was changed. {}",
        shown(at.as_str()),
        word(filesystem),
        without_identity(*kind)
    )]
    NoIdentity {
        at: Utf8PathBuf,
        filesystem: String,
        kind: KitEntryKind,
    },
    #[error(
        "`{}` is the top of this computer's own disk, where no copies go by a drive's name: give a \
        folder on it with --at; nothing was changed.",
        shown(at.as_str())
    )]
    OwnTop { at: Utf8PathBuf },
    #[error(
        "`{}` is a folder on a drive, and no card: by its identity all of that drive would be \
         taken for a card; nothing was changed. Give the top of the card with --at.",
        shown(at.as_str())
    )]
    NoCard { at: Utf8PathBuf },
}

impl Trouble {
    pub(crate) fn tell(self) -> (Vec<String>, Exit) {
        match self {
            Self::Kit(error) => (error.lines(), error.exit()),
            Self::NoVolume(why) => (vec![why.to_string()], Exit::Refused),
            Self::Flag(error) => (vec![error.to_string()], Exit::Usage),
            Self::NoUrl => {
                let why = "a new place needs its address: --url s3://BUCKET/PREFIX, \
                    sftp://USER@HOST/FOLDER, webdavs://HOST/FOLDER or file:///FOLDER";
                (vec![why.to_owned()], Exit::Usage)
            }
        }
    }
}

/// Says what was done, and `notes` on how it was understood.
fn done(what: &str, notes: &[String], home: &Utf8Path, out: Out, tools: &Tools) {
    let file = home.join(FILE);
    if out.json {
        let json = Json::new(out, Arc::clone(&tools.clock));
        let told = json!({"what": what, "file": file, "notes": notes});
        json.send("kit-changed", told);
    } else if !out.quiet {
        let what = format!("{what} in {}", shown(file.as_str()));
        for text in std::iter::once(&what).chain(notes) {
            for line in wrap(text, out.width, "", "  ") {
                out.line(&line);
            }
        }
    }
}

// ---- adding -----------------------------------------------------------------------------------

/// Returns the identity of the volume that is plugged in at a folder, for a card or a drive.
pub(crate) fn volume_at(
    at: Option<&Utf8PathBuf>,
    kind: KitEntryKind,
    tools: &Tools,
) -> Result<Vec<String>, Trouble> {
    let Some(at) = at else {
        return Ok(Vec::new());
    };
    let facts = tools.disk.facts(at);
    let unseen = |cause| NoVolume::Unseen {
        at: at.clone(),
        cause,
    };
    let facts = facts.map_err(|cause| Trouble::NoVolume(unseen(cause)))?;
    let volume = facts.volume_id.as_deref();
    let ids = match kind {
        KitEntryKind::Card => tools.disk.device_info(&facts).card_ids(volume),
        KitEntryKind::Reader | KitEntryKind::Drive | KitEntryKind::Place => {
            volume.into_iter().map(str::to_owned).collect()
        }
    };
    if ids.is_empty() {
        return Err(Trouble::NoVolume(NoVolume::NoIdentity {
            at: at.clone(),
            filesystem: facts.filesystem,
            kind,
        }));
    }
    Ok(ids)
}

/// Returns the way from the top of its volume to the folder at which a drive is plugged in; the top
/// itself is told where it may take the place of another folder.
pub(crate) fn folder_at(at: Option<&Utf8Path>, is_update: bool, tools: &Tools) -> Option<String> {
    let within = tools.disk.facts(at?).ok()?.within?;
    match within.as_str() {
        "" => is_update.then(|| TOP.to_owned()),
        folder => Some(folder.to_owned()),
    }
}

/// Refuses a folder on a drive for a card, and returns what is to be said of one on the computer's
/// own disk: a watch takes no card there, so that one is good for a try.
fn card_itself(at: &Utf8Path, tools: &Tools) -> Result<Option<String>, Trouble> {
    let Ok(facts) = tools.disk.facts(at) else {
        return Ok(None);
    };
    if facts.is_own_volume {
        let at = shown(at.as_str());
        return Ok(Some(format!(
            "`{at}` is on this computer's own disk, and every folder there is recognised as this \
             card now. Give the card itself with --at once it is plugged in."
        )));
    }
    if facts.is_mount_root && !facts.shows_folder {
        return Ok(None);
    }
    let at = at.to_owned();
    Err(Trouble::NoVolume(NoVolume::NoCard { at }))
}

/// Looks whether `copy` would find a drive by its name, as it is entered. Returns what is to be
/// said where it would not now, and may later.
pub(crate) fn by_its_name(
    drive: &KitDrive,
    at: &Utf8Path,
    tools: &Tools,
) -> Result<Option<String>, Trouble> {
    match place_of(drive, tools.disk.as_ref()) {
        Ok(_) => Ok(None),
        Err(NoDrive::NoFolder(_)) => Err(Trouble::NoVolume(NoVolume::OwnTop { at: at.to_owned() })),
        Err(why) => Ok(Some(format!("By its name it is not found now: {why}"))),
    }
}

/// Returns what to do about a card or drive whose volume has no identity. Nothing but its volume
/// tells a drive, so that an entry for it would never be used by `copy`.
fn without_identity(kind: KitEntryKind) -> &'static str {
    match kind {
        KitEntryKind::Drive => {
            "A drive is recognised by nothing else: give what it sustains with --writes when you \
            plan or copy."
        }
        KitEntryKind::Card | KitEntryKind::Reader | KitEntryKind::Place => {
            "Leave out --at and name it with --as when you copy."
        }
    }
}

fn mb(rate: Option<&RateArg>) -> Option<f64> {
    rate.map(|r| r.mbps)
}

/// Returns what is to be said of the rates that were given.
fn notes(what: &AddCommand, bus: Option<&LinkRow>) -> Vec<String> {
    let rates = match what {
        AddCommand::Card(args) => [("--reads", &args.reads), ("", &None)],
        AddCommand::Reader(_) | AddCommand::Place(_) => [("", &None), ("", &None)],
        AddCommand::Drive(args) => [("--writes", &args.writes), ("--reads", &args.reads)],
    };
    let note = |(flag, rate): (&str, &Option<RateArg>)| {
        let note = rate.as_ref()?.note.as_ref()?;
        Some(format!("{flag}: {note}"))
    };
    rates
        .into_iter()
        .filter_map(note)
        .chain(note_of_class(what, bus))
        .chain(note_of_line(what))
        .collect()
}

/// Says so when whoever is on the line can read everything.
fn note_of_line(what: &AddCommand) -> Option<String> {
    let AddCommand::Place(args) = what else {
        return None;
    };
    let is_open = args.url.as_deref()?.starts_with("webdav://");
    is_open.then(|| {
        "--url: webdav:// goes without encryption: whoever is on the line can read the password \
         and the pictures. webdavs:// goes with it, where the server knows that."
            .to_owned()
    })
}

/// Says so when a class and a bus do not go together. A drawer has odd cards in it, so it is no
/// mistake.
fn note_of_class(what: &AddCommand, bus: Option<&LinkRow>) -> Option<String> {
    let AddCommand::Card(args) = what else {
        return None;
    };
    let class = args.class?;
    let needs = class.needs_bus()?;
    let bus = bus?;
    (bus.family < needs.family && bus.family <= Family::UhsIVendor).then(|| {
        format!(
            "--class: {class} is a class of cards that run as {} at least, and the bus given is \
            {}; look at the card again.",
            // The slowest of its modes has a name that nobody knows.
            if needs.family == Family::UhsII {
                "UHS-II"
            } else {
                needs.words
            },
            bus.words
        )
    })
}

fn place(args: &PlaceArgs) -> Result<KitPlace, Trouble> {
    if args.url.is_none() && !args.update {
        return Err(Trouble::NoUrl);
    }
    Ok(KitPlace {
        name: args.name.clone(),
        url: args.url.clone().unwrap_or_default(),
        endpoint: args.endpoint.clone(),
        region: args.region.clone(),
        profile: args.profile.clone(),
        secret_command: args.secret_command.clone(),
        note: args.note.clone(),
    })
}

fn add(home: &Utf8Path, command: &AddCommand, out: Out, tools: &Tools) -> Result<(), Trouble> {
    let bus = command.bus().map_err(Trouble::Flag)?;
    let mut found = None;
    let (entry, update, at) = match command {
        AddCommand::Card(args) => {
            let card = KitCard {
                name: args.name.clone(),
                reads: mb(args.reads.as_ref()),
                bus: args.bus.clone(),
                class: args.class,
                readers: args.reader.clone(),
                volumes: volume_at(args.at.as_ref(), KitEntryKind::Card, tools)?,
                note: args.note.clone(),
            };
            if let Some(at) = &args.at {
                found = card_itself(at, tools)?;
            }
            (KitEntry::Card(card), args.update, args.at.is_some())
        }
        AddCommand::Reader(args) => {
            let reader = KitReader {
                name: args.name.clone(),
                bus: args.bus.clone(),
                link: args.link.clone(),
                note: args.note.clone(),
            };
            (KitEntry::Reader(reader), args.update, false)
        }
        AddCommand::Drive(args) => {
            let drive = KitDrive {
                name: args.name.clone(),
                writes: mb(args.writes.as_ref()),
                reads: mb(args.reads.as_ref()),
                spins: args.spins,
                volumes: volume_at(args.at.as_ref(), KitEntryKind::Drive, tools)?,
                folder: folder_at(args.at.as_deref(), args.update, tools),
                note: args.note.clone(),
            };
            if let Some(at) = &args.at {
                found = by_its_name(&drive, at, tools)?;
            }
            (KitEntry::Drive(drive), args.update, args.at.is_some())
        }
        AddCommand::Place(args) => (KitEntry::Place(place(args)?), args.update, false),
    };
    kit_file::edit(home, pause(tools), |text| {
        if update {
            edit::update(text, &entry)
        } else {
            edit::add(text, &entry)
        }
    })
    .map_err(Trouble::Kit)?;
    let mut notes = notes(command, bus);
    notes.extend(found);
    let verb = if update { "changed" } else { "added" };
    let what = format!("{} `{}` {verb}", entry.kind(), shown(entry.name()));
    done(&what, &notes, home, out, tools);
    if at && entry.kind() == KitEntryKind::Card && !out.json && !out.quiet {
        let text = "It is recognised by its volume until the camera formats it; then run `unlade \
            kit add card NAME --update --at CARD`, or say --as NAME.";
        for line in wrap(text, out.width, "", "") {
            out.line(&line);
        }
    }
    Ok(())
}
