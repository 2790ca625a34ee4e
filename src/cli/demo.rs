//! Owns `demo`: the whole job on a made-up card, with the lines that explain it.

use super::args::DemoArgs;
use super::copy::{Eyes, one};
use super::demo_card;
use super::exit::Exit;
use super::out::{Out, wrap};
use super::verify::verify;
use camino::{Utf8Path, Utf8PathBuf};
use std::fs::OpenOptions;
use std::io;
use std::os::unix::fs::FileExt as _;
use unlade::disk::topology::Backing;
use unlade::plan::Level;
use unlade::proof::Terms;
use unlade::run::{Job, Tools};

/// The offload's name in the demo.
const NAME: &str = "kite-festival-card-1";
/// The file whose bit is flipped.
const VICTIM: &str = "PRIVATE/CLIPS/C0002.MP4";

/// Runs the demo.
pub(crate) fn demo(args: &DemoArgs, out: Out, tools: &Tools) -> Exit {
    let (folder, keeper) = match workplace(args, tools) {
        Ok(found) => found,
        Err(why) => {
            out.error(&format!("unlade: the demo has no place to work: {why}"));
            return Exit::Refused;
        }
    };
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
    match keeper {
        None => say(out, &format!("Everything is kept in {folder}")),
        Some(keeper) => {
            if let Err(e) = keeper.close() {
                out.error(&format!(
                    "unlade: the demo's folder `{folder}` could not be removed: {e}"
                ));
            }
        }
    }
    exit
}

/// Returns a folder to work in, on a drive rather than in memory where there is one.
fn workplace(
    args: &DemoArgs,
    tools: &Tools,
) -> Result<(Utf8PathBuf, Option<tempfile::TempDir>), String> {
    if let Some(keep) = &args.keep {
        std::fs::create_dir_all(keep).map_err(|e| format!("`{keep}` could not be made: {e}"))?;
        let mut entries =
            std::fs::read_dir(keep).map_err(|e| format!("`{keep}` could not be listed: {e}"))?;
        if entries.next().is_some() {
            return Err(format!("`{keep}` is not empty; nothing in it was touched"));
        }
        return Ok((keep.clone(), None));
    }
    let mut places = vec![std::env::temp_dir(), "/var/tmp".into()];
    places.extend(std::env::current_dir());
    let mut last = "no temporary folder".to_owned();
    for in_memory_too in [false, true] {
        for place in &places {
            let Some(path) = Utf8Path::from_path(place) else {
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
                .tempdir_in(place)
            {
                Ok(dir) => match Utf8PathBuf::from_path_buf(dir.path().to_path_buf()) {
                    Ok(path) => return Ok((path, Some(dir))),
                    Err(odd) => last = format!("`{}` is not UTF-8", odd.display()),
                },
                Err(e) => last = format!("`{}`: {e}", place.display()),
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

fn step(out: Out, number: u32, text: &str) {
    say(out, "");
    say(out, &format!("-- {number}. {text}"));
}

fn play(folder: &Utf8Path, out: Out, tools: &Tools) -> io::Result<Exit> {
    let (card, a, b) = (
        folder.join("card"),
        folder.join("drive-a"),
        folder.join("drive-b"),
    );
    for new in [&card, &a, &b] {
        std::fs::create_dir(new)?;
    }
    step(
        out,
        1,
        "A card. Two people filmed a kite festival; this is what one camera holds.",
    );
    demo_card::make(&card)?;
    say(out, &format!("The made-up card is {card}"));

    step(
        out,
        2,
        "The offload: one read of the card, two copies, both read back.",
    );
    let mut job = Job {
        card,
        to: vec![a.clone(), b.clone()],
        name: Some(NAME.to_owned()),
        terms: Terms {
            level: Level::ReadBack,
            copies_needed: 2,
            separate: false,
        },
    };
    say(
        out,
        &format!("$ unlade copy {} --to {a} --to {b} --name {NAME}", job.card),
    );
    let first = one(&job, out, tools, &mut Eyes::new(out, tools, &job.to));
    if first == Exit::Interrupted || first == Exit::Refused {
        return Ok(first);
    }

    step(
        out,
        3,
        "Both folders are on one disk, so that was one copy, and the answer was no.",
    );
    say(
        out,
        "With two real drives it would have been PROVEN. Here we ask for one copy. The same command again goes on from what is proven: nothing is read or copied twice.",
    );
    say(
        out,
        &format!(
            "$ unlade copy {} --to {a} --to {b} --name {NAME} --copies 1",
            job.card
        ),
    );
    job.terms.copies_needed = 1;
    let second = one(&job, out, tools, &mut Eyes::new(out, tools, &job.to));
    if second == Exit::Interrupted {
        return Ok(second);
    }

    step(
        out,
        4,
        "Months later one bit of one clip on drive-b has turned over.",
    );
    let victim = b.join(NAME).join(VICTIM);
    flip_bit(&victim)?;
    say(
        out,
        &format!("(One bit of {VICTIM} was just flipped; size and date are as before.)"),
    );
    let offloads = [a.join(NAME), b.join(NAME)];
    say(
        out,
        &format!("$ unlade verify {} {}", offloads[0], offloads[1]),
    );
    let third = verify(&offloads, out, tools);

    let as_it_should = (first, second, third) == (Exit::NotProven, Exit::Done, Exit::NotProven);
    step(out, 5, "That is all: copy, prove, check again later.");
    if as_it_should {
        say(
            out,
            "With your own card:  unlade copy CARD --to DRIVE-A --to DRIVE-B",
        );
        Ok(Exit::Done)
    } else {
        say(
            out,
            "Something here did not go as it should; the lines above say what. In memory, or where the system's cache cannot be passed, nothing can be proven.",
        );
        Ok(Exit::NotProven)
    }
}

/// Flips one bit in the middle and keeps the date, as a failing drive would.
fn flip_bit(path: &Utf8Path) -> io::Result<()> {
    let file = OpenOptions::new().read(true).write(true).open(path)?;
    let meta = file.metadata()?;
    let at = meta.len() / 2;
    let mut byte = [0];
    file.read_exact_at(&mut byte, at)?;
    byte[0] ^= 0b0001_0000;
    file.write_all_at(&byte, at)?;
    file.set_modified(meta.modified()?)?;
    file.sync_all()
}
