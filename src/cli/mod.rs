//! Owns the command line, the terminal, Ctrl-C and the exit code. The only part of the project
//! that prints.

mod args;
mod command;
mod exit;
mod home;
mod system;
mod view;

use args::{Cli, Command, meant};
use clap::error::ErrorKind;
use clap::{CommandFactory as _, FromArgMatches as _};
use command::{copy, demo, kit, ledger, man, prove, rate, report, schema, verify, weigh};
use exit::Exit;
use home::book::Book;
use home::on_card;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use system::signals;
use unlade::clock::{Clock, SystemClock};
use unlade::disk::os::{OsDisk, host_name};
use unlade::offload::limits::Limits;
use unlade::run::Tools;
use view::interrupt;
use view::log;
use view::out::{self, Out};
use view::refuse::explain;

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
    if let Err(e) = log::start(cli.common.verbose, out) {
        explain(&[format!("{}: {e}", log::UNLADE_LOG)], out);
        return Exit::Usage;
    }
    if let Some(why) = meant::mixed(&matches) {
        explain(&[why], out);
        return Exit::Usage;
    }
    let cancel = Arc::new(AtomicBool::new(false));
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::start());
    let has_verdict = matches!(
        &cli.command,
        Command::Copy(_) | Command::Prove(_) | Command::Verify(_)
    );
    let to_tell = Arc::clone(&clock);
    let tell = move |what| interrupt::tell(what, has_verdict, out, &to_tell);
    if let Err(e) = signals::catch(&cancel, tell) {
        out.error(&format!(
            "unlade: Ctrl-C cannot be caught here ({e}); it will end the program at once."
        ));
    }
    let tools = Tools {
        disk: Arc::new(OsDisk::new()),
        clock,
        limits: Limits::STANDARD,
        cancel,
        host: host_name(),
    };
    if let Some(exit) = on_card::refuse_on_card(&cli, out, &tools) {
        out::flush(&tools.cancel);
        return exit;
    }
    let book = Book::new(&cli.common, out, Arc::clone(&tools.clock));
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
        Command::Completions { shell } => man::completions(*shell, out),
        Command::Man { dir } => man::man(dir, out),
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

/// Allows as many open files as this session may have at most: several cards and drives at once
/// need more than some sessions begin with.
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

/// Files open at the same time: 16 drives with some 20 each, and as many to spare (macOS takes
/// 10,240 at most).
#[cfg(unix)]
const FILES_OPEN: u64 = 4_096;
