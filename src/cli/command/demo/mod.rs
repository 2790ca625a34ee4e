//! Owns `demo`: a made-up card that is copied and proven, and the two refusals that matter most,
//! with the lines that explain them.

mod card;

use crate::cli::args::DemoArgs;
use crate::cli::command::shared::after::AfterCopy;
use crate::cli::command::shared::check_offloads::check_offloads;
use crate::cli::command::shared::checked::CheckTarget;
use crate::cli::command::shared::one_card::{CommandContext, copy_one};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::system::signals::{AtWork, remove_at_the_end, remove_folders};
use crate::cli::view::observer::JobObserver;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use camino::{Utf8Path, Utf8PathBuf};
use std::fs::OpenOptions;
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex};
use unlade::disk::FolderFacts;
use unlade::disk::backing::Backing;
use unlade::plan::Form;
use unlade::plan::beside::Beside;
use unlade::plan::notes::count_independent;
use unlade::plan::terms::Terms;
use unlade::record::layout::Level;
use unlade::run::{Job, KnownBefore, Tools};
use unlade::speed::chain::Chain;

/// The offload's name in the demo.
const NAME: &str = "kite-festival-card-1";
/// The folder that is the card.
const CARD: &str = "KITES";
/// Bytes that a disk must have free for the second copy, several times what it takes.
const ROOM: u64 = 400_000_000;
/// How the names of its folders begin.
const PREFIX: &str = "unlade-demo-";
/// The file whose bit is flipped.
const VICTIM: &str = "PRIVATE/CLIPS/C0002.MP4";

/// Copies a made-up card, and shows what is refused.
pub(crate) fn demo(args: &DemoArgs, out: Out, tools: &Tools) -> Exit {
    // It stops between two steps, and takes its folders along.
    let _at_work = AtWork::begin();
    let (folder, temporary) = match workplace(args, tools) {
        Ok(found) => found,
        Err(why) => {
            out.error(&format!("unlade: the demo has no place to work: {why}"));
            return Exit::Refused;
        }
    };
    let is_kept = temporary.is_none();
    let mut second = None;
    if let Some(first) = temporary {
        // Before anything else is looked at: a second signal ends it at once.
        remove_at_the_end(first);
        second = further_disk(&folder, tools).map(|(further, path)| {
            remove_at_the_end(further);
            path
        });
    }
    let exit = match play_in(&folder, second, out, tools) {
        Ok(exit) => exit,
        Err(e) => {
            out.error(&format!(
                "unlade: the demo could not go on in `{folder}`: {e}"
            ));
            Exit::NotProven
        }
    };
    if is_kept {
        say(out, &format!("Everything is kept in {folder}"));
    } else if let Err(e) = remove_folders() {
        out.error(&format!(
            "unlade: the demo's folder `{folder}` could not be removed: {e}"
        ));
    }
    exit
}

/// Plays in the folder, so that its commands are short, and goes back.
fn play_in(
    folder: &Utf8Path,
    second: Option<Utf8PathBuf>,
    out: Out,
    tools: &Tools,
) -> io::Result<Exit> {
    let before = std::env::current_dir();
    std::env::set_current_dir(folder)?;
    say(
        out,
        "A kite festival was filmed with two cameras. This is the card of one.",
    );
    show(out, out, &format!("cd {folder}"));
    let exit = play(second, out, tools);
    if let Ok(before) = before {
        std::env::set_current_dir(before)?;
    }
    exit
}

/// Returns a folder on another disk than `first`, among the places for what is temporary, with its
/// path; `None` where the system shows none.
fn further_disk(first: &Utf8Path, tools: &Tools) -> Option<(tempfile::TempDir, Utf8PathBuf)> {
    let facts = |path: &Path| tools.disk.facts(Utf8Path::from_path(path)?).ok();
    let first = facts(first.as_std_path())?;
    let places = temporary_places();
    let is_further = |place: &PathBuf| {
        facts(place).is_some_and(|other| {
            let both = [&first, &other].map(|facts| (&facts.backing, facts.device));
            let has_room = other.backing != Backing::Memory && other.free_bytes > ROOM;
            has_room && count_independent(&both, false) == 2
        })
    };
    let place = places.into_iter().find(is_further)?;
    let folder = tempfile::Builder::new()
        .prefix(PREFIX)
        .tempdir_in(place)
        .ok()?;
    let path = Utf8PathBuf::from_path_buf(folder.path().join("drive-2")).ok()?;
    Some((folder, path))
}

/// Where folders for a while may be made.
fn temporary_places() -> Vec<PathBuf> {
    let mut places = vec![std::env::temp_dir(), "/var/tmp".into()];
    places.extend(std::env::home_dir());
    places
}

/// Why there is no folder to work in.
#[derive(Debug, thiserror::Error)]
enum NoPlace {
    #[error("`{0}` could not be made: {1}")]
    NotMade(Utf8PathBuf, #[source] io::Error),
    #[error("`{0}` could not be listed: {1}")]
    Unlisted(Utf8PathBuf, #[source] io::Error),
    #[error("`{0}` is not empty; nothing in it was touched")]
    NotEmpty(Utf8PathBuf),
    #[error("no temporary folder")]
    NoFolder,
    #[error("`{}` is not UTF-8", .0.display())]
    NotText(PathBuf),
    #[error("`{}`: {cause}", folder.display())]
    Refused {
        folder: PathBuf,
        #[source]
        cause: io::Error,
    },
}

/// Returns a folder to work in, on a drive rather than in memory where there is one.
fn workplace(
    args: &DemoArgs,
    tools: &Tools,
) -> Result<(Utf8PathBuf, Option<tempfile::TempDir>), NoPlace> {
    if let Some(keep) = &args.keep {
        std::fs::create_dir_all(keep).map_err(|e| NoPlace::NotMade(keep.clone(), e))?;
        let mut entries =
            std::fs::read_dir(keep).map_err(|e| NoPlace::Unlisted(keep.clone(), e))?;
        if entries.next().is_some() {
            return Err(NoPlace::NotEmpty(keep.clone()));
        }
        return Ok((keep.clone(), None));
    }
    let mut folders = temporary_places();
    folders.extend(std::env::current_dir());
    let mut last = NoPlace::NoFolder;
    // On the computer's own disk a folder may stand for a card: elsewhere the disk might be one.
    // Nothing is written to what may be a camera's.
    let wanted: [fn(&FolderFacts) -> bool; 3] = [
        |f| f.is_own_volume && f.backing != Backing::Memory,
        |f| !f.is_camera_volume && f.backing != Backing::Memory,
        |f| !f.is_camera_volume,
    ];
    for is_wanted in wanted {
        for folder in &folders {
            let Some(path) = Utf8Path::from_path(folder) else {
                continue;
            };
            if !tools.disk.facts(path).is_ok_and(|f| is_wanted(&f)) {
                continue;
            }
            match tempfile::Builder::new().prefix(PREFIX).tempdir_in(folder) {
                Ok(dir) => match Utf8PathBuf::from_path_buf(dir.path().to_path_buf()) {
                    Ok(path) => return Ok((path, Some(dir))),
                    Err(odd) => last = NoPlace::NotText(odd),
                },
                Err(cause) => {
                    let folder = folder.clone();
                    last = NoPlace::Refused { folder, cause };
                }
            }
        }
    }
    Err(last)
}

fn say(out: Out, text: &str) {
    if out.json || out.quiet {
        return;
    }
    for line in wrap(text, out.width, "", "") {
        out.line(&line);
    }
}

/// Shows a command unbroken, so that it can be copied. `as_run` is what it prints.
fn show(out: Out, as_run: Out, command: &str) {
    if !out.json && !out.quiet {
        let quiet = if as_run.quiet { " -q" } else { "" };
        out.line(&format!("$ {command}{quiet}"));
    }
}

/// Only the end of a command is printed: what is refused should be short.
fn brief(out: Out) -> Out {
    Out { quiet: true, ..out }
}

fn step(out: Out, number: u32, text: &str) {
    say(out, "");
    say(out, &format!("-- {number}. {text}"));
}

fn copy_to(to: &[Utf8PathBuf], copies_needed: usize) -> Job {
    Job {
        signer: None,
        card: CARD.into(),
        to: to.to_vec(),
        name: Some(NAME.to_owned()),
        terms: Terms {
            level: Level::ReadBack,
            copies_needed,
            separate: false,
        },
        taken: Vec::new(),
        only_new: false,
        form: Form::default(),
        chain: Chain::default(),
        known: KnownBefore::default(),
        beside: Beside::default(),
    }
}

fn play(second: Option<Utf8PathBuf>, out: Out, tools: &Tools) -> io::Result<Exit> {
    let [card, a, b] = [CARD, "drive-a", "drive-b"].map(Utf8PathBuf::from);
    for new in [&card, &a, &b].into_iter().chain(&second) {
        std::fs::create_dir(new)?;
    }
    card::make(&card)?;

    step(
        out,
        1,
        "The card is read once. Each copy is read back from its drive.",
    );
    let on_disks: Vec<Utf8PathBuf> = [a.clone()].into_iter().chain(second).collect();
    let job = copy_to(&on_disks, on_disks.len());
    let first = offload(&job, out, out, tools);
    if first == Exit::Interrupted || first == Exit::Refused {
        return Ok(first);
    }
    if !reaches_device(&job, tools) {
        say(
            out,
            "What is read back here may come from memory, and that is no proof.",
        );
    } else if on_disks.len() == 1 {
        say(
            out,
            "For two copies a second disk is missing here, so one was asked for.",
        );
    }

    step(
        out,
        2,
        "Two folders on one disk are one copy: the answer is no.",
    );
    let second = offload(&copy_to(&[a, b.clone()], 2), out, brief(out), tools);
    if second == Exit::Interrupted {
        return Ok(second);
    }

    step(
        out,
        3,
        "Months later: one bit of a clip on drive-b has turned over.",
    );
    let third = check_again(&b.join(NAME), out, tools)?;
    if third == Exit::Interrupted {
        return Ok(third);
    }

    say(out, "");
    let as_it_should = (first, second, third) == (Exit::Done, Exit::NotProven, Exit::NotProven);
    let (text, exit) = if as_it_should {
        (
            "That is all. With your own card:  unlade copy CARD --to DRIVE-A --to DRIVE-B",
            Exit::Done,
        )
    } else {
        (
            "That is all, but something did not go as it should; the lines above say what. In \
            memory, or where the system's cache can't be passed (under Wine, for one), nothing is \
            proven.",
            Exit::NotProven,
        )
    };
    say(out, text);
    Ok(exit)
}

/// Whether what is read back there comes from the device.
fn reaches_device(job: &Job, tools: &Tools) -> bool {
    let copies = job.to.iter().map(|d| d.join(NAME).join(VICTIM));
    copies.into_iter().all(|copy| {
        let source = tools.disk.open_read_back(&copy);
        source.is_ok_and(|s| s.way().reaches_device())
    })
}

/// Shows the command and does what it would do.
fn offload(job: &Job, out: Out, as_run: Out, tools: &Tools) -> Exit {
    let to: Vec<String> = job.to.iter().map(|d| format!("--to {d}")).collect();
    let copies = match job.terms.copies_needed {
        1 => " --copies 1",
        _ => "",
    };
    let command = format!(
        "unlade copy {} {} --name {NAME}{copies}",
        job.card,
        to.join(" ")
    );
    show(out, as_run, &command);
    let out = as_run;
    // What is made up is not remembered.
    let book = Book::none(out, Arc::clone(&tools.clock));
    let context = CommandContext {
        book: &book,
        shoot: None,
        command: None,
        printing: &Mutex::new(()),
        after: &AfterCopy::default(),
    };
    copy_one(
        job,
        out,
        tools,
        &mut JobObserver::new(out, tools, &job.to),
        &context,
    )
}

/// Flips a bit of an offload and checks it.
fn check_again(offload: &Utf8Path, out: Out, tools: &Tools) -> io::Result<Exit> {
    flip_bit(&offload.join(VICTIM))?;
    show(out, brief(out), &format!("unlade verify {offload}"));
    let out = brief(out);
    let book = Book::none(out, Arc::clone(&tools.clock));
    Ok(check_offloads(
        &[CheckTarget::offload(offload.to_owned())],
        None,
        out,
        tools,
        (&book, &DriveNames::default()),
        None,
    ))
}

/// Flips one bit in the middle and keeps the date, as a failing drive would.
fn flip_bit(path: &Utf8Path) -> io::Result<()> {
    let mut file = OpenOptions::new().read(true).write(true).open(path)?;
    let meta = file.metadata()?;
    let at = meta.len() / 2;
    let mut byte = [0];
    file.seek(SeekFrom::Start(at))?;
    file.read_exact(&mut byte)?;
    byte[0] ^= 0b0001_0000;
    file.seek(SeekFrom::Start(at))?;
    file.write_all(&byte)?;
    file.set_modified(meta.modified()?)?;
    file.sync_all()
}
