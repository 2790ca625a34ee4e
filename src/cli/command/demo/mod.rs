//! Owns `demo`: the whole job on a made-up card, with the lines that explain it.

mod card;

use crate::cli::args::DemoArgs;
use crate::cli::command::shared::check_offloads::check_offloads;
use crate::cli::command::shared::one_card::{CommandContext, copy_one};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::system::signals::{AtWork, remove_at_the_end, remove_folder};
use crate::cli::view::observer::JobObserver;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use camino::{Utf8Path, Utf8PathBuf};
use std::fs::OpenOptions;
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::PathBuf;
use std::sync::{Arc, Mutex};
use unlade::disk::backing::Backing;
use unlade::plan::Form;
use unlade::plan::beside::Beside;
use unlade::plan::terms::Terms;
use unlade::record::layout::Level;
use unlade::run::{Job, KnownBefore, Tools};
use unlade::speed::chain::Chain;

/// The offload's name in the demo.
const NAME: &str = "kite-festival-card-1";
/// The file whose bit is flipped.
const VICTIM: &str = "PRIVATE/CLIPS/C0002.MP4";

/// Does the whole job on a made-up card.
pub(crate) fn demo(args: &DemoArgs, out: Out, tools: &Tools) -> Exit {
    // It stops between two steps, and takes its folder along.
    let _at_work = AtWork::begin();
    let (folder, temporary) = match workplace(args, tools) {
        Ok(found) => found,
        Err(why) => {
            out.error(&format!("unlade: the demo has no place to work: {why}"));
            return Exit::Refused;
        }
    };
    let is_kept = temporary.is_none();
    if let Some(folder) = temporary {
        remove_at_the_end(folder);
    }
    let result = play(&folder, out, tools);
    let exit = match result {
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
    } else if let Err(e) = remove_folder() {
        out.error(&format!(
            "unlade: the demo's folder `{folder}` could not be removed: {e}"
        ));
    }
    exit
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
    let mut folders = vec![std::env::temp_dir(), "/var/tmp".into()];
    folders.extend(std::env::current_dir());
    let mut last = NoPlace::NoFolder;
    for in_memory_too in [false, true] {
        for folder in &folders {
            let Some(path) = Utf8Path::from_path(folder) else {
                continue;
            };
            let in_memory = tools
                .disk
                .facts(path)
                .is_ok_and(|f| f.backing == Backing::Memory);
            if in_memory && !in_memory_too {
                continue;
            }
            match tempfile::Builder::new()
                .prefix("unlade-demo-")
                .tempdir_in(folder)
            {
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

/// Shows a command unbroken, so that it can be copied.
fn show(out: Out, command: &str) {
    if !out.json && !out.quiet {
        out.line(command);
    }
}

fn step(out: Out, number: u32, text: &str) {
    say(out, "");
    say(out, &format!("-- {number}. {text}"));
}

fn job_in(folder: &Utf8Path) -> Job {
    Job {
        signer: None,
        card: folder.join("card"),
        to: vec![folder.join("drive-a"), folder.join("drive-b")],
        name: Some(NAME.to_owned()),
        terms: Terms {
            level: Level::ReadBack,
            copies_needed: 2,
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

fn play(folder: &Utf8Path, out: Out, tools: &Tools) -> io::Result<Exit> {
    let mut job = job_in(folder);
    for new in job.to.iter().chain([&job.card]) {
        std::fs::create_dir(new)?;
    }
    let text = "A card. Two people filmed a kite festival; this is what one camera holds.";
    step(out, 1, text);
    card::make(&job.card)?;
    say(out, &format!("The made-up card is {}", job.card));

    let text = "The offload: one read of the card, two copies, both read back.";
    step(out, 2, text);
    let first = offload(&job, "", out, tools);
    if first == Exit::Interrupted || first == Exit::Refused {
        return Ok(first);
    }

    let can_prove = reaches_device(&job, tools);
    let (title, text) = if can_prove {
        (
            "Both folders are on one disk, so that was one copy, and the answer was no.",
            "With two real drives it would have been PROVEN. Here we ask for one copy. The same \
            command again goes on from what is proven: nothing is copied twice; a sample is read \
            from the card, and the copies are read back once more.",
        )
    } else {
        (
            "The answer was no: what is read back here may come from memory.",
            "Both folders are on one disk as well, which would be one copy. Here we ask for one \
            copy; as long as memory may answer, not even one is proven.",
        )
    };
    step(out, 3, title);
    say(out, text);
    job.terms.copies_needed = 1;
    let second = offload(&job, " --copies 1", out, tools);
    if second == Exit::Interrupted {
        return Ok(second);
    }

    let text = "Months later one bit of one clip on drive-b has turned over.";
    step(out, 4, text);
    let third = check_again(&job, out, tools)?;
    if third == Exit::Interrupted {
        return Ok(third);
    }

    step(out, 5, "That is all: copy, prove, check again later.");
    let as_it_should = (first, second, third) == (Exit::NotProven, Exit::Done, Exit::NotProven);
    let (text, exit) = if as_it_should {
        (
            "With your own card:  unlade copy CARD --to DRIVE-A --to DRIVE-B",
            Exit::Done,
        )
    } else {
        (
            "Something here did not go as it should; the lines above say what. In memory, or where \
            the system's cache cannot be passed (under Wine, for one), nothing can be proven.",
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
fn offload(job: &Job, flags: &str, out: Out, tools: &Tools) -> Exit {
    let to: Vec<String> = job.to.iter().map(|d| format!("--to {d}")).collect();
    let command = format!(
        "$ unlade copy {} {} --name {NAME}{flags}",
        job.card,
        to.join(" ")
    );
    show(out, &command);
    // What is made up is not remembered.
    let book = Book::none(out, Arc::clone(&tools.clock));
    let context = CommandContext {
        book: &book,
        shoot: None,
        command: None,
        printing: &Mutex::new(()),
    };
    copy_one(
        job,
        out,
        tools,
        &mut JobObserver::new(out, tools, &job.to),
        &context,
    )
}

/// Flips a bit on the last destination and checks all of them.
fn check_again(job: &Job, out: Out, tools: &Tools) -> io::Result<Exit> {
    let offloads: Vec<Utf8PathBuf> = job.to.iter().map(|d| d.join(NAME)).collect();
    if let Some(last) = offloads.last() {
        flip_bit(&last.join(VICTIM))?;
    }
    let text = format!("(One bit of {VICTIM} was just flipped; size and date are as before.)");
    say(out, &text);
    let paths: Vec<&str> = offloads.iter().map(|o| o.as_str()).collect();
    show(out, &format!("$ unlade verify {}", paths.join(" ")));
    let book = Book::none(out, Arc::clone(&tools.clock));
    Ok(check_offloads(&offloads, None, out, tools, &book))
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
