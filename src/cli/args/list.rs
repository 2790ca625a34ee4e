//! Owns the word `list` in the place of an id: `--bus list` and `--link list` ask for all ids, in
//! every command that takes these flags, and need nothing else.

use crate::cli::args::Common;
use crate::cli::args::partial::PartialLine;
use std::ffi::OsString;

/// The word that asks for all of them.
pub(crate) const LIST: &str = "list";

/// The flags that take an id: the argument, the flag, and whether it is a card's bus.
const FLAGS: [(&str, &str, bool); 2] = [("bus", "--bus", true), ("link", "--link", false)];

/// Whose ids are asked for.
#[derive(Clone, Debug)]
pub(crate) struct ListWanted {
    /// The flag.
    pub(crate) flag: &'static str,
    /// Whether it takes a card's bus, else a reader's link.
    pub(crate) is_card_bus: bool,
    /// What every command takes.
    pub(crate) common: Common,
}

/// Says whose ids a command line asks for, if it does. The rest of it need not be there.
pub(crate) fn wanted(words: &[OsString]) -> Option<ListWanted> {
    let is_list = |word: &OsString| word.as_encoded_bytes().ends_with(LIST.as_bytes());
    if !words.iter().any(is_list) {
        return None;
    }
    let line = PartialLine::read(words)?;
    let is_asked = |(id, ..): &&(&str, &str, bool)| line.has(id, LIST);
    let (_, flag, is_card_bus) = *FLAGS.iter().find(is_asked)?;
    Some(ListWanted {
        flag,
        is_card_bus,
        common: line.common,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn asks(line: &str) -> Option<&'static str> {
        let words: Vec<OsString> = line.split(' ').map(OsString::from).collect();
        wanted(&words).map(|wanted| wanted.flag)
    }

    #[test]
    fn the_ids_are_asked_for_wherever_one_is_taken() {
        for command in ["copy", "plan", "rate", "kit add card", "kit add reader"] {
            assert_eq!(asks(&format!("unlade {command} --bus list")), Some("--bus"));
            let with_more = format!("unlade {command} X --bus=list --json");
            assert_eq!(asks(&with_more), Some("--bus"));
        }
        for command in ["copy X --to A", "plan", "rate X", "kit add reader blue"] {
            let line = format!("unlade {command} --link list");
            assert_eq!(asks(&line), Some("--link"));
        }
        for line in [
            "unlade kit list",
            "unlade verify --bus list",
            "unlade kit add card A1 --link list",
            "unlade copy list --to list --name list",
            "unlade copy X --bus uhs-i",
            "unlade verify -- --bus list",
            "unlade list",
        ] {
            assert_eq!(asks(line), None, "{line}");
        }
    }
}
