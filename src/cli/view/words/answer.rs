//! Owns what every answer is made of, whichever command gives it, and the one answer for several
//! cards.

use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use unlade::name::{shown, some_of};
use unlade::proof::tally::counted_copies;

/// Returns the first line of a verdict.
pub(crate) fn heading(proven: bool, is_part: bool, out: Out) -> String {
    match (proven, is_part) {
        (true, false) => out.heading("PROVEN", true),
        (true, true) => format!(
            "{} - this folder, not the card.",
            out.heading("PROVEN", true)
        ),
        (false, _) => format!("{} - keep this card.", out.heading("NOT PROVEN", false)),
    }
}

/// Returns a card's name in a sentence: its label, and its volume where the system tells it.
pub(crate) fn card_name(label: &str, volume_id: Option<&str>) -> String {
    let volume = volume_id.map_or_else(String::new, |id| format!(" (volume {})", shown(id)));
    format!("{}{volume}", shown(label))
}

/// Returns the line that counts complete copies. `stated`: that they are separate is the person's
/// word, and when it was given.
pub(crate) fn copies_line(copies: usize, needed: usize, stated: Option<&str>) -> String {
    let separate = match (copies > 1, stated) {
        (true, Some(said)) => format!(" on separate devices ({said})"),
        (true, None) => " on separate devices".to_owned(),
        (false, _) => String::new(),
    };
    format!(
        "Copies   {}{separate}; {needed} needed",
        counted_copies(copies)
    )
}

/// The person said so in this command.
pub(crate) const SAID_NOW: &str = "you said --separate";

/// The person said so when the copies were made.
pub(crate) const SAID_THEN: &str = "by their record you said --separate when they were made";

/// What one copy means.
pub(crate) const ONE_COPY: &str =
    "It is one copy only: if this drive is lost or fails, the pictures are gone. ";

/// Returns what is to be looked at before a proven card is formatted.
pub(crate) fn look_first(has_zeros: bool, has_media_left: bool) -> Option<&'static str> {
    Some(match (has_zeros, has_media_left) {
        (true, false) => "Look at the files of nothing but zeros before you format this card.",
        (false, true) => {
            "Look at the files that were left out (see above) before you format this card."
        }
        (true, true) => {
            "Look at the files of nothing but zeros, and at those that were left out (see above), \
            before you format this card."
        }
        (false, false) => return None,
    })
}

/// The two lines of caution after a verdict.
const CAUTIONS: [&str; 2] = [
    "First open some files from each drive; format in the camera, not the computer.",
    "Your contract or insurer comes first. Copies equal what the reader delivered.",
];

/// Returns the lines of caution: what to think of before a card is formatted, or that it is not to
/// be.
pub(crate) fn cautions(proven: bool, is_part: bool) -> Vec<String> {
    if proven && is_part {
        vec!["Do not format the card for this: copy the whole card first.".to_owned()]
    } else if proven {
        CAUTIONS.map(str::to_owned).to_vec()
    } else {
        vec!["Do not format this card, and do not shoot on it.".to_owned()]
    }
}

/// What is said of several cards at the end: what was shot on one, or happened to its copies, after
/// its own answer is not known.
const SINCE: &str = "as its own answer says, and if nothing was done to it or its copies since.";

/// Returns the one answer for several cards, the last thing printed: the last verdict alone would
/// be taken for that of all. `are_cards`: no offload is among them.
pub(crate) fn answer_for_all(ends: &[(&str, Exit)], are_cards: bool, out: Out) -> Vec<String> {
    let cards = if are_cards { " cards" } else { "" };
    let mut lines = vec![String::new(), format!("All {}{cards}:", ends.len())];
    for (card, exit) in ends {
        let end = match exit {
            Exit::Done => "proven",
            Exit::Folder => "proven as a folder, not the card",
            Exit::Refused | Exit::Usage => "NOT PROVEN, refused",
            Exit::Interrupted => "NOT PROVEN, interrupted",
            Exit::NotProven => "NOT PROVEN",
        };
        lines.extend(wrap(
            &format!("{}: {end}", shown(card)),
            out.width,
            "  ",
            "    ",
        ));
    }
    let (good, bad): (Vec<_>, Vec<_>) = ends.iter().partition(|(_, exit)| *exit == Exit::Done);
    let names = |cards: &[&(&str, Exit)]| {
        let all = unlade::units::len64(cards.len());
        some_of(
            cards.iter().map(|(card, _)| *card),
            cards.len(),
            all,
            "card",
        )
    };
    let answer = match (good.as_slice(), bad.as_slice()) {
        (good, _) if !are_cards => format!(
            "{} of {} proven. Offloads are among them, and so this says nothing about formatting a \
            card.",
            good.len(),
            ends.len()
        ),
        // Each was looked at when it was done, the first perhaps hours ago.
        (good, []) => format!(
            "All {} cards are proven. Format each only {SINCE}",
            good.len()
        ),
        ([], bad) => format!("No card is proven. Do not format {}.", names(bad)),
        (good, bad) => format!(
            "{} of {} cards {} proven. Do not format {}. Format {} only {SINCE}",
            good.len(),
            ends.len(),
            if good.len() == 1 { "is" } else { "are" },
            names(bad),
            names(good)
        ),
    };
    lines.extend(wrap(&answer, out.width, "", "  "));
    lines
}
