//! Owns the command line, the terminal, Ctrl-C and the exit code. The only part of the project
//! that prints.

mod args;
mod command;
#[cfg(feature = "desk")]
mod desk;
mod exit;
mod home;
mod system;
mod view;
mod watch;
mod wrong_value;

use args::{Cli, Command, Common, CopyArgs, fitting, list, meant};
use clap::FromArgMatches as _;
use clap::error::ErrorKind;
#[cfg(not(feature = "desk"))]
use command::no_desk as desk;
use command::shared::after::AfterCopy;
use command::{
    complete, copy, demo, ids, inspect, kit, ledger, man, plugged, prove, rate, report, schema,
    verify, weigh,
};
#[cfg(feature = "offsite")]
use command::{fetch, send};
#[cfg(not(feature = "offsite"))]
use command::{no_send as fetch, no_send as send};
use exit::Exit;
use home::book::Book;
use home::{on_card, places, usual};
use std::ffi::OsString;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use system::{notice, signals};
use unlade::clock::{Clock, SystemClock};
use unlade::disk::guarded::{Calls, Guarded};
use unlade::disk::os::{OsDisk, host_name};
use unlade::offload::limits::Limits;
use unlade::run::Tools;
use view::interrupt;
use view::log;
use view::out::{self, Out};
use view::refuse::{explain, refused_usage, usage};
use view::words::notice::of_refusal;

/// Runs the program.
pub(crate) fn main() -> Exit {
    let words: Vec<OsString> = std::env::args_os().collect();
    if let Some(wanted) = list::wanted(&words) {
        return ended(ids::ids(&wanted, Out::new(&wanted.common)));
    }
    let matches = fitting::command().try_get_matches_from(words);
    let parsed = matches.and_then(|matches| Ok((Cli::from_arg_matches(&matches)?, matches)));
    let (cli, matches) = match parsed {
        Ok(parsed) => parsed,
        Err(error) => return not_parsed(&error),
    };
    if let Some(Command::Completions { shell, words }) = &cli.command
        && !words.is_empty()
    {
        return ended(complete::answer(*shell, words, &cli.common));
    }
    #[cfg(unix)]
    {
        unlade::sys::unix::survive_file_size_limit();
        raise_open_files();
    }
    let common = cli.common;
    let mut command = cli.command.unwrap_or(Command::Plugged);
    let out = Out::new(&common);
    let started = log::start(common.verbose, out);
    let wrong = started.map_err(|e| format!("{}: {e}", log::UNLADE_LOG));
    if let Some(why) = wrong.err().or_else(|| meant::mixed(&matches)) {
        let exit = usage(&[why], out);
        out::flush(&AtomicBool::new(false));
        return exit;
    }
    let cancel = Arc::new(AtomicBool::new(false));
    let clock: Arc<dyn Clock> = Arc::new(SystemClock::start());
    let has_verdict = matches!(
        &command,
        Command::Copy(_) | Command::Prove(_) | Command::Verify(_)
    );
    let to_tell = Arc::clone(&clock);
    let tell = move |what| interrupt::tell(what, has_verdict, out, &to_tell);
    let calls = Arc::new(Calls::default());
    if let Err(e) = signals::catch(&cancel, Arc::clone(&calls), tell) {
        out.error(&format!(
            "unlade: Ctrl-C cannot be caught here ({e}); it will end the program at once."
        ));
    }
    let disk = Box::new(OsDisk::new());
    let tools = Tools {
        disk: Arc::new(Guarded::watched(disk, calls)),
        clock,
        limits: Limits::STANDARD,
        cancel,
        host: host_name(),
    };
    signals::beside_the_main_thread(|| {
        if wants_notices(&command) {
            notice::begin(move |why| explain(&[why.to_string()], out));
        }
        let found = places::find(&mut command, &common, out, &tools)
            .and_then(|()| usual::complete(&mut command, &common, out, &tools));
        let refuse = || on_card::refuse_on_card(&command, &common, out, &tools);
        let exit = found.err().or_else(refuse);
        let exit = exit.unwrap_or_else(|| run(&command, &common, out, &tools));
        let _at_work = signals::AtWork::begin();
        let is_refused = matches!(exit, Exit::Refused | Exit::Usage);
        notice::end(is_refused.then(of_refusal), &tools.cancel);
        out::flush(&tools.cancel);
        let is_copy = matches!(&command, Command::Copy(args) if !args.dry_run);
        out::told_whole(exit, is_copy)
    })
}

fn wants_notices(command: &Command) -> bool {
    match command {
        Command::Copy(args) => args.notices.notify && !args.dry_run,
        Command::Prove(args) => args.notices.notify,
        Command::Verify(args) => args.notices.notify,
        // Nobody asked for them: where there are none, nothing is said of that.
        Command::Watch(args) => cfg!(feature = "notices") && args.is_watching() && !args.no_notify,
        _ => false,
    }
}

fn run(command: &Command, common: &Common, out: Out, tools: &Tools) -> Exit {
    let book = Book::new(common, out, Arc::clone(&tools.clock));
    match command {
        Command::Plugged => plugged::show(common, out, tools),
        Command::Desk(args) => desk::desk(args, common, out, tools),
        Command::Watch(args) => watch::watch(args, common, out, tools, &book),
        Command::Copy(args) if !args.dry_run => copy_and_send(args, common, out, tools, &book),
        Command::Copy(args) | Command::Plan(args) => plan(args, common, out, tools, &book),
        Command::Prove(args) => prove::prove(args, common, out, tools, &book),
        Command::Ledger(args) => ledger::ledger(args, &book, out, tools),
        Command::Verify(args) => verify::verify(args, common, out, tools, &book),
        Command::Inspect(args) => inspect::inspect(args, out, tools),
        Command::Rate(args) => rate::rate(args, common, out, tools, &book),
        Command::Kit { what } => kit::kit(what, common, out, tools),
        Command::Weigh { question } => weigh::weigh(question, common, out, tools),
        Command::Send(args) => send::send(args, common, out, tools),
        Command::Fetch(args) => fetch::fetch(args, common, out, tools),
        Command::Report(args) => report::report(args, common, &book, out, tools),
        Command::Demo(args) => demo::demo(args, out, tools),
        Command::Schema { of } => schema::schema(*of, out),
        Command::Completions { shell, .. } => complete::script(*shell, out),
        Command::Man { dir } => man::man(dir, out),
    }
}

/// Says what is wrong with the command line, or gives the help that was asked for.
fn not_parsed(error: &clap::Error) -> Exit {
    // Help quotes nothing that was typed.
    let is_help = error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand;
    let text = error.render().to_string();
    if error.use_stderr() && !is_help {
        Out::usage(&text);
    } else if let Err(cause) = error.print() {
        out::note_lost(cause);
    }
    let exit = if error.use_stderr() {
        // Where the line could not be read, this one word of it can be.
        let asks_for_json = std::env::args_os().skip(1).any(|word| word == "--json");
        let why = text.trim_start_matches("error: ").split("\n\n").next();
        let words: Vec<&str> = why.unwrap_or_default().split_whitespace().collect();
        let out = Out {
            json: asks_for_json,
            ..Out::for_programs()
        };
        refused_usage(&[words.join(" ")], out)
    } else {
        Exit::Done
    };
    ended(exit)
}

/// Writes all that was said, where nothing else was done.
fn ended(exit: Exit) -> Exit {
    out::flush(&AtomicBool::new(false));
    out::told_whole(exit, false)
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

/// Shows what would be copied, and how long sending it takes.
fn plan(args: &CopyArgs, common: &Common, out: Out, tools: &Tools, book: &Book) -> Exit {
    let places = places_of(args);
    let then = match send::then::Then::of(&places, common, out, tools) {
        Ok(then) => then,
        Err(exit) => return exit,
    };
    copy::plan(args, common, out, tools, book, |planned| {
        if let Some(then) = &then {
            then.tell_times(planned, out, tools);
        }
    })
}

/// The places that are to have what is PROVEN. What is usual stops no copy in a build that can't
/// send.
fn places_of(args: &CopyArgs) -> Vec<String> {
    let usual = args.unsaid.then.iter();
    let usual = usual.filter(|_| cfg!(feature = "offsite"));
    args.then.iter().chain(usual).cloned().collect()
}

/// Copies, and sends what is proven to the places that are to have it.
fn copy_and_send(args: &CopyArgs, common: &Common, out: Out, tools: &Tools, book: &Book) -> Exit {
    let usual = &args.unsaid.then;
    if !usual.is_empty() {
        send::then::tell_usual(usual, out, tools);
    }
    let then = match send::then::Then::of(&places_of(args), common, out, tools) {
        Ok(then) => then,
        Err(exit) => return exit,
    };
    let after = AfterCopy::default();
    let exit = copy::copy(args, common, out, tools, book, &after);
    let ends = then.map_or_else(Vec::new, |then| then.send(&after.cards(), out, tools));
    Exit::of_all(std::iter::once(exit).chain(ends))
}
