//! Owns the command behind what was ticked: as if it had been typed, so that it means the same.

use super::state::{Asked, Desk, ReadAsked};
use crate::cli::args::meant::quoted;
use crate::cli::args::{Cli, Command, CopyArgs, fitting};
use crate::cli::exit::Exit;
use crate::cli::home::{on_card, usual};
use clap::FromArgMatches as _;
use unlade::run::Tools;

/// Cards and drives of one copy.
const PLACES_MAX: usize = 32;

/// Returns the command that is meant, with what is usual filled in.
///
/// # Errors
/// The exit code, once it is said why there is none.
pub(super) fn copy_args(desk: &Desk, asked: &Asked, tools: &Tools) -> Result<CopyArgs, Exit> {
    if let Some(why) = not_whole(asked) {
        desk.out.error(why);
        return Err(Exit::Usage);
    }
    let names = names(asked);
    let names = names.iter().map(|(flag, value)| format!("{flag}={value}"));
    let names: Vec<String> = names.collect();
    let mut words = vec!["unlade", "copy", "--yes"];
    words.extend(asked.cards.iter().map(|path| path.as_str()));
    words.extend(asked.to.iter().flat_map(|path| ["--to", path.as_str()]));
    words.extend(names.iter().map(String::as_str));
    if asked.separate {
        words.push("--separate");
    }
    match meant(desk, words, tools)? {
        Command::Copy(args) => Ok(args),
        _ => Err(Exit::Usage),
    }
}

/// Returns the check or the question that is meant.
///
/// # Errors
/// The exit code, once it is said why there is none.
pub(super) fn read_command(desk: &Desk, asked: &ReadAsked, tools: &Tools) -> Result<Command, Exit> {
    let shoot_flag;
    let mut words = vec!["unlade"];
    match asked {
        ReadAsked::Check(copies) => {
            words.push("verify");
            words.extend(copies.iter().map(|copy| copy.path.as_str()));
        }
        ReadAsked::Format {
            card,
            shoot,
            rereads,
            ..
        } => {
            words.extend(["prove", card.as_str()]);
            shoot_flag = shoot.as_ref().map(|name| format!("--shoot={name}"));
            words.extend(shoot_flag.as_deref());
            words.extend(rereads.then_some("--reread"));
        }
    }
    meant(desk, words, tools)
}

/// Reads a command as if it had been typed, and fills in what is usual.
fn meant(desk: &Desk, words: Vec<&str>, tools: &Tools) -> Result<Command, Exit> {
    let matches = fitting::command().try_get_matches_from(words);
    let parsed = matches.and_then(|matches| Cli::from_arg_matches(&matches));
    let mut command = match parsed.map(|cli| cli.command) {
        Ok(Some(command)) => command,
        Ok(None) => return Err(Exit::Usage),
        Err(wrong) => {
            desk.out.error(&wrong.to_string());
            return Err(Exit::Usage);
        }
    };
    usual::complete(&mut command, &desk.common, desk.out, tools)?;
    match on_card::refuse_on_card(&command, &desk.common, desk.out, tools) {
        Some(exit) => Err(exit),
        None => Ok(command),
    }
}

/// The flags that name something, where something was typed.
fn names(asked: &Asked) -> Vec<(&'static str, &str)> {
    let all = [
        ("--name", &asked.name),
        ("--shoot", &asked.shoot),
        ("--expect", &asked.expect),
    ];
    let given = all.into_iter().filter_map(|(flag, text)| {
        let text = text.as_deref()?.trim();
        (!text.is_empty()).then_some((flag, text))
    });
    given.collect()
}

/// Returns the command as a shell takes it.
pub(super) fn command(asked: &Asked) -> String {
    let mut words = vec!["unlade copy".to_owned()];
    words.extend(asked.cards.iter().map(|card| quoted(card)));
    words.extend(asked.to.iter().map(|to| format!("--to {}", quoted(to))));
    let names = names(asked).into_iter();
    words.extend(names.map(|(flag, text)| format!("{flag} {}", quoted(text.into()))));
    words.extend(asked.separate.then(|| "--separate".to_owned()));
    words.join(" ")
}

/// What has to be ticked still, or is not to be taken at all.
pub(super) fn not_whole(asked: &Asked) -> Option<&'static str> {
    let mut all = asked.cards.iter().chain(&asked.to);
    if asked.cards.is_empty() {
        Some("Tick a card, or add its folder.")
    } else if asked.to.is_empty() {
        Some("Tick the drives to copy to: two for PROVEN.")
    } else if asked.cards.len() + asked.to.len() > PLACES_MAX {
        Some("Tick fewer: these are too many for one copy.")
    } else if all.any(|path| !path.is_absolute()) {
        Some("Give each folder by its whole path.")
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    /// Paths and quotes as they are on Unix.
    #[cfg(unix)]
    #[test]
    fn the_command_is_the_one_that_is_meant() {
        use super::*;
        let asked = Asked {
            cards: vec!["/media/KITE DAY".into()],
            to: vec!["/media/a".into(), "/media/b".into()],
            separate: true,
            shoot: Some("kite festival".to_owned()),
            ..Asked::default()
        };
        let whole = "unlade copy '/media/KITE DAY' --to /media/a --to /media/b --shoot \
            'kite festival' --separate";
        assert_eq!(command(&asked), whole);
        assert_eq!(not_whole(&asked), None);
        let to = vec!["kites".into()];
        assert!(not_whole(&Asked { to, ..asked }).is_some());
    }
}
