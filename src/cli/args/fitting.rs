//! Owns which flags a command offers: those that change something there. The others are taken all
//! the same, so that one line of flags does for several commands.

use crate::cli::args::Cli;
use clap::CommandFactory as _;

/// Flags that change nothing in a command and in those below it.
const IDLE: [(&str, &[&str]); 13] = [
    // The plan is its result.
    ("plan", &["dry_run", "notify", "quiet"]),
    ("ledger", &["color", "no_ledger", "quiet"]),
    ("rate", &["color"]),
    ("inspect", &["color", "no_ledger", "home"]),
    ("send", &["no_ledger"]),
    ("fetch", &["no_ledger"]),
    ("kit", &["color", "no_ledger"]),
    ("weigh", &["color", "no_ledger", "quiet"]),
    ("report", &["color", "no_ledger", "quiet"]),
    ("demo", &["no_ledger", "home"]),
    ("schema", &COMMON),
    ("completions", &COMMON),
    ("man", &COMMON),
];

/// What every command takes, but for help.
const COMMON: [&str; 6] = ["json", "quiet", "verbose", "color", "no_ledger", "home"];

/// Returns the command line as it is offered.
pub(crate) fn command() -> clap::Command {
    let all = Cli::command();
    let common: Vec<clap::Arg> = all.get_arguments().cloned().collect();
    IDLE.into_iter().fold(all, |all, (name, idle)| {
        let is_idle = |argument: &clap::Arg| idle.contains(&argument.get_id().as_str());
        let common = common.iter().filter(|argument| is_idle(argument)).cloned();
        all.mut_subcommand(name, |command| {
            let command = command.mut_args(|own| if is_idle(&own) { own.hide(true) } else { own });
            command.args(common.map(|argument| argument.hide(true)))
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_changes_nothing_is_taken_and_not_offered() {
        let mut all = command();
        all.build();
        for (name, idle) in IDLE {
            let of = all.find_subcommand_mut(name).unwrap();
            let help = of.render_long_help().to_string();
            for id in idle {
                let argument = of.get_arguments().find(|a| a.get_id() == id).unwrap();
                let flag = format!("--{}", argument.get_long().unwrap());
                let is_offered = help
                    .lines()
                    .any(|line| line.trim_start().starts_with(&flag));
                assert!(!is_offered, "{name}: {flag}");
            }
        }
        let json = ["unlade", "schema", "events", "--json", "--quiet"];
        assert!(
            command().try_get_matches_from(json).is_err(),
            "two that exclude each other"
        );
        let line = ["unlade", "kit", "list", "--no-ledger", "--color", "never"];
        let matches = command().try_get_matches_from(line).unwrap();
        assert!(matches.get_flag("no_ledger"));
        let line = [
            "unlade",
            "plan",
            "card",
            "--to",
            "a",
            "--dry-run",
            "--notify",
        ];
        command().try_get_matches_from(line).unwrap();
    }
}
