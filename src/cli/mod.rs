//! Owns the command line, the terminal, Ctrl-C and the exit code. The only part of the project
//! that prints.

mod args;
mod awake;
mod build;
mod copy;
mod demo;
mod demo_card;
mod due;
mod exit;
mod home;
mod json;
mod kit;
mod kit_args;
mod kit_file;
mod known;
mod ledger;
mod meant;
mod next;
mod other_copies;
mod out;
mod picture;
mod power;
mod prove;
mod rate;
mod report;
mod schema;
mod screen;
mod sign;
mod signals;
mod speed;
mod verify;
mod weigh;
mod weigh_args;
mod weigh_saving;
mod weigh_upgrade;
mod words;

use args::{Cli, Command};
use clap::builder::Resettable;
use clap::error::ErrorKind;
use clap::{CommandFactory as _, FromArgMatches as _};
use exit::Exit;
use out::{Out, wrap};
use std::ffi::OsString;
use std::fs;
use std::io::{self, Write as _};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::clock::{Clock, SystemClock};
use unlade::disk::os::{OsDisk, host_name};
use unlade::offload::limits::Limits;
use unlade::run::Tools;

/// Runs the program.
pub(crate) fn main() -> Exit {
    let matches = Cli::command().try_get_matches();
    let parsed = matches.and_then(|matches| Ok((Cli::from_arg_matches(&matches)?, matches)));
    let (cli, matches) = match parsed {
        Ok(parsed) => parsed,
        Err(error) => return not_parsed(&error),
    };
    #[cfg(unix)]
    {
        unlade::sys::unix::survive_file_size_limit();
        raise_open_files();
    }
    let out = Out::new(&cli.common);
    if let Some(why) = meant::mixed(&matches) {
        for line in wrap(&why, out.width, "unlade: ", "  ") {
            out.error(&line);
        }
        return Exit::Usage;
    }
    let cancel = Arc::new(AtomicBool::new(false));
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::start());
    let has_verdict = matches!(
        &cli.command,
        Command::Copy(_) | Command::Prove(_) | Command::Verify(_)
    );
    signals::catch(&cancel, out, Arc::clone(&clock), has_verdict);
    let tools = Tools {
        disk: Arc::new(OsDisk::new()),
        clock,
        limits: Limits::STANDARD,
        cancel,
        host: host_name(),
    };
    if let Some(exit) = home::refuse_on_card(&cli, out, &tools) {
        out::flush(&tools.cancel);
        return exit;
    }
    let book = home::Book::new(&cli.common, out, Arc::clone(&tools.clock));
    let exit = match &cli.command {
        Command::Copy(args) if !args.dry_run => copy::copy(args, &cli.common, out, &tools, &book),
        Command::Copy(args) | Command::Plan(args) => {
            copy::plan(args, &cli.common, out, &tools, &book)
        }
        Command::Prove(args) => prove::prove(args, out, &tools, &book),
        Command::Ledger(args) => ledger::ledger(args, &book, out, &tools),
        Command::Verify(args) => verify::verify(args, out, &tools, &book),
        Command::Rate(args) => rate::rate(args, &cli.common, out, &tools, &book),
        Command::Kit { what } => kit::kit(what, &cli.common, out, &tools),
        Command::Weigh { question } => weigh::weigh(question, &cli.common, out, &tools),
        Command::Report(args) => report::report(args, &book, out, &tools),
        Command::Demo(args) => demo::demo(args, out, &tools),
        Command::Schema { of } => schema::schema(*of, out),
        Command::Completions { shell } => completions(*shell, out),
        Command::Man { dir } => man(dir, out),
    };
    let _at_work = signals::AtWork::begin();
    out::flush(&tools.cancel);
    exit
}

/// Says what is wrong with the command line, or gives the help that was asked for.
fn not_parsed(error: &clap::Error) -> Exit {
    // Help quotes nothing that was typed.
    let is_help = error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand;
    if error.use_stderr() && !is_help {
        Out::usage(&error.render().to_string());
    } else {
        // Nothing can be told if the terminal is gone.
        drop(error.print());
    }
    if error.use_stderr() {
        Exit::Usage
    } else {
        Exit::Done
    }
}

/// Allows as many open files as this session may have at most: several cards and drives at once need more than some
/// sessions begin with.
#[cfg(unix)]
fn raise_open_files() {
    use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
    let limit = getrlimit(Resource::Nofile);
    let raised = Rlimit {
        // More is never needed, and some systems take no more.
        current: limit
            .maximum
            .map_or(Some(FILES_OPEN), |most| Some(most.min(FILES_OPEN))),
        maximum: limit.maximum,
    };
    // What it has already may be enough; where it is not, that is told at the file.
    if limit.current < raised.current && setrlimit(Resource::Nofile, raised).is_err() {}
}

/// Files open at the same time: 16 drives with some 20 each, and as many to spare (macOS takes 10,240 at most).
#[cfg(unix)]
const FILES_OPEN: u64 = 4_096;

fn completions(shell: clap_complete::Shell, out: Out) -> Exit {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), "unlade", &mut script);
    out.own_text(String::from_utf8_lossy(&script).trim_end());
    Exit::Done
}

fn man(dir: &camino::Utf8Path, out: Out) -> Exit {
    if !dir.is_dir() {
        out.error(&format!("unlade: `{dir}` is not a folder."));
        return Exit::Refused;
    }
    // The pages are the same whoever builds the program, so they hold no facts of this build.
    let command = Cli::command()
        .disable_help_subcommand(true)
        .long_version(Resettable::Reset);
    match pages(command).and_then(|pages| man_into(dir, &pages)) {
        Ok(()) => {
            out.line(&format!("The manual pages are in {dir}"));
            Exit::Done
        }
        Err(e) => {
            out.error(&format!(
                "unlade: the manual pages could not be written to `{dir}`: {e}"
            ));
            Exit::Refused
        }
    }
}

/// Makes the manual pages, by name.
fn pages(command: clap::Command) -> io::Result<Vec<(OsString, Vec<u8>)>> {
    let made = tempfile::tempdir()?;
    clap_mangen::generate_to(command, made.path())?;
    let page = |entry: io::Result<fs::DirEntry>| {
        let entry = entry?;
        Ok((entry.file_name(), fs::read(entry.path())?))
    };
    fs::read_dir(made.path())?.map(page).collect()
}

/// Writes manual pages into a folder: all of them, or none where something else stands in the place of one.
fn man_into(dir: &camino::Utf8Path, pages: &[(OsString, Vec<u8>)]) -> io::Result<()> {
    let dir = dir.as_std_path();
    for (name, _) in pages {
        let path = dir.join(name);
        let refuse = |why| Err(io::Error::other(format!("`{}` {why}", name.display())));
        match fs::symlink_metadata(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(e),
            Ok(meta) if !meta.is_file() => return refuse("is a link or no plain file"),
            Ok(_) if !fs::read_to_string(&path)?.contains("\n.TH unlade") => {
                return refuse("stands there and is no manual page of unlade");
            }
            Ok(_) => {}
        }
    }
    for (name, page) in pages {
        let mut part = tempfile::NamedTempFile::new_in(dir)?;
        part.write_all(page)?;
        // Pages are for everybody; a temporary file is for nobody else.
        #[cfg(unix)]
        part.as_file()
            .set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644))?;
        part.persist(dir.join(name))?;
    }
    Ok(())
}
