//! Owns what every answer is made of, whichever command gives it, and the one answer for several
//! cards.

use crate::cli::exit::Exit;
use crate::cli::system::notice::Notice;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::notice::of_answer;
use unlade::existing::source::CardNow;
use unlade::name::{shown, some_of};
use unlade::proof::tally::counted_copies;
use unlade::units::all_counted;

#[expect(clippy::struct_excessive_bools, reason = "each is a fact of its own")]
/// What an answer is about, and what is to be done about it before a card is formatted.
pub(crate) struct CardAnswer<'a> {
    pub(crate) proven: bool,
    /// The card's label.
    pub(crate) card: &'a str,
    /// The copies were checked earlier, and are not known to have been read since.
    pub(crate) is_later: bool,
    /// The card is one more copy of what another one held.
    pub(crate) is_a_copy: bool,
    /// Only a folder of a card was asked about.
    pub(crate) is_part: bool,
    /// Complete copies on devices of their own.
    pub(crate) copies: usize,
    /// Drives that one copy is in parts on; one where a drive has all of it.
    pub(crate) spread: usize,
    /// On how many of the drives that were given, and what is to be said of the others; `None`
    /// where it is on all.
    pub(crate) short: Option<String>,
    /// Where the card is now, as far as that is known.
    pub(crate) now: CardNow,
    /// Some files hold nothing but zeros.
    pub(crate) has_zeros: bool,
    /// Some of what was skipped looks like pictures.
    pub(crate) has_media_left: bool,
}

impl CardAnswer<'_> {
    /// Returns the last lines: the answer in one sentence, and below it what comes before it.
    pub(crate) fn lines(&self, out: Out) -> Vec<String> {
        let mut lines = vec![String::new()];
        let words = self.words();
        let heading = out.heading(words.word, self.proven);
        // The colour has no width.
        let width = out.width + heading.len() - words.word.len();
        let text = format!("{heading}{}. {}", words.of, words.rest);
        lines.extend(wrap(&text, width, "", ""));
        let caution = self.caution().into_iter();
        lines.extend(caution.flat_map(|caution| wrap(caution, out.width, "", "")));
        lines
    }

    /// Returns what comes before the answer, and what no tool can know.
    pub(crate) fn caution(&self) -> Option<&'static str> {
        let caution = if self.is_later {
            CAUTION_LATER
        } else {
            CAUTION
        };
        (self.proven && !self.is_part).then_some(caution)
    }

    /// Returns the answer as a notice.
    pub(crate) fn notice(&self) -> Notice {
        let words = self.words();
        of_answer(self.card, words.word, self.proven, &words.sentence())
    }

    /// Returns the answer in its parts.
    pub(crate) fn words(&self) -> AnswerWords {
        let card = shown(self.card);
        if !self.proven {
            return AnswerWords {
                word: "NOT PROVEN",
                of: String::new(),
                rest: format!("Keep {card} as it is: don't format it, don't shoot on it."),
            };
        }
        let short = self.short.as_deref().unwrap_or_default();
        if self.is_part {
            return AnswerWords {
                word: "PROVEN",
                of: format!("{short} for this folder, not the card"),
                rest: "Don't format the card: copy all of it first.".to_owned(),
            };
        }
        let looks = [
            (self.has_zeros, "at the files of nothing but zeros"),
            (
                self.has_media_left,
                "at what was skipped and looks like pictures",
            ),
        ];
        let looks: Vec<&str> = looks.iter().filter(|l| l.0).map(|l| l.1).collect();
        let may = if !looks.is_empty() {
            format!("Look {} before you format {card}.", looks.join(" and "))
        } else if self.copies == 1 {
            format!("You may format {card}, in the camera, but that leaves one copy only.")
        } else {
            format!(
                "You may format {card}: in the camera, after a look at some files on each drive."
            )
        };
        AnswerWords {
            word: "PROVEN",
            of: match self.now {
                CardNow::Other | CardNow::Changed => {
                    format!("{short} for the card {card} that was read, and no other")
                }
                CardNow::Unchanged | CardNow::Gone => short.to_owned(),
            },
            rest: may,
        }
    }

    /// Returns what is to be known before the answer is followed.
    pub(crate) fn warnings(&self) -> Vec<String> {
        if !self.proven || self.is_part {
            return Vec::new();
        }
        let card = shown(self.card);
        let now = match self.now {
            CardNow::Unchanged => None,
            CardNow::Gone => Some(format!(
                "{card} is no longer in the reader: if it was used since, keep it."
            )),
            CardNow::Other | CardNow::Changed => {
                Some("Something else is in the reader now; this is not about that.".to_owned())
            }
        };
        let one = if self.is_a_copy {
            ONE_BESIDE_CARD
        } else {
            ONE_COPY
        };
        let one = match self.spread {
            0 | 1 => one.to_owned(),
            n => format!(
                "It is one copy only, in parts on {n} drives: if one of them is lost or fails, \
                 pictures are gone."
            ),
        };
        let one = (self.copies == 1).then_some(one);
        now.into_iter().chain(one).collect()
    }
}

/// An answer in its parts.
pub(crate) struct AnswerWords {
    /// PROVEN or NOT PROVEN.
    pub(crate) word: &'static str,
    /// What it is about, where that is not simply the card.
    pub(crate) of: String,
    /// What to do, one or two sentences.
    pub(crate) rest: String,
}

impl AnswerWords {
    /// Returns it in one.
    pub(crate) fn sentence(&self) -> String {
        format!("{}{}. {}", self.word, self.of, self.rest)
    }
}

/// What comes before every answer, and what no tool can know.
const CAUTION: &str =
    "Your contract or insurer comes first. Copies equal what the reader delivered.";

/// The same of copies that were checked earlier.
const CAUTION_LATER: &str =
    "Your contract or insurer comes first. Copies equalled what the reader gave.";

/// Returns a card's name in a sentence: its label, and its volume where the system tells it.
pub(crate) fn card_name(label: &str, volume_id: Option<&str>) -> String {
    let volume = volume_id.map_or_else(String::new, |id| format!(" (volume {})", shown(id)));
    format!("{}{volume}", shown(label))
}

/// Returns the line that counts complete copies. `stated`: that they are separate is the person's
/// word, and when it was given.
pub(crate) fn copies_line(copies: usize, needed: usize, stated: Option<&str>) -> String {
    let separate = match (copies > 1, stated) {
        (true, Some(said)) => format!(" on separate drives ({said})"),
        (true, None) => " on separate drives".to_owned(),
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
pub(crate) const SAID_THEN: &str = "by their manifest you said --separate when they were made";

/// What one copy means.
const ONE_COPY: &str =
    "It is one copy only: if this drive is lost or fails, the pictures are gone.";

/// The same of the other slot's card, which is a copy itself until it is formatted.
const ONE_BESIDE_CARD: &str = "Beside this card there is one copy only: once it is formatted, the \
    pictures are gone if that drive is lost or fails.";

/// What is said of several cards at the end: what was shot on one, or happened to its copies, after
/// its own answer is not known.
const SINCE: &str = "as its own answer says, and if nothing was done to it or its copies since.";

/// Returns the one answer for several cards, the last thing printed: the last verdict alone would
/// be taken for that of all. `are_cards`: no offload is among them.
pub(crate) fn answer_for_all(ends: &[(&str, Exit)], are_cards: bool, out: Out) -> Vec<String> {
    let mut lines = vec![String::new(), format!("{}:", all_of(ends, are_cards))];
    for (card, exit) in ends {
        let end = match exit {
            Exit::Done => "proven",
            Exit::Short => "proven, but not on every drive",
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
    lines.extend(wrap(
        &sentence_for_all(ends, are_cards),
        out.width,
        "",
        "  ",
    ));
    lines
}

/// Returns the same as a notice.
pub(crate) fn notice_for_all(ends: &[(&str, Exit)], are_cards: bool) -> Notice {
    let is_good = ends.iter().all(|(_, exit)| exit.is_good());
    let word = if is_good { "PROVEN" } else { "NOT PROVEN" };
    of_answer(
        &all_of(ends, are_cards),
        word,
        is_good,
        &sentence_for_all(ends, are_cards),
    )
}

/// `Both cards`, `All 3 cards`; where offloads are among them, `All 3`.
fn all_of(ends: &[(&str, Exit)], are_cards: bool) -> String {
    if are_cards {
        all_counted(ends.len(), "card")
    } else {
        format!("All {}", ends.len())
    }
}

/// Returns its sentence.
pub(crate) fn sentence_for_all(ends: &[(&str, Exit)], are_cards: bool) -> String {
    let (good, bad): (Vec<_>, Vec<_>) = ends.iter().partition(|(_, exit)| exit.is_good());
    let names = |cards: &[&(&str, Exit)]| {
        let all = unlade::units::len64(cards.len());
        some_of(
            cards.iter().map(|(card, _)| *card),
            cards.len(),
            all,
            "card",
        )
    };
    match (good.as_slice(), bad.as_slice()) {
        (good, _) if !are_cards => format!(
            "{} of {} proven. Offloads are among them, and so this says nothing about formatting a \
            card.",
            good.len(),
            ends.len()
        ),
        // Each was looked at when it was done, the first perhaps hours ago.
        (good, []) => format!(
            "{} are proven. Format each only {SINCE}",
            all_counted(good.len(), "card")
        ),
        ([], bad) => format!(
            "No card is proven. Keep {}: don't format, don't shoot.",
            names(bad)
        ),
        (good, bad) => format!(
            "{} of {} cards {} proven. Keep {}: don't format, don't shoot. Format {} only {SINCE}",
            good.len(),
            ends.len(),
            if good.len() == 1 { "is" } else { "are" },
            names(bad),
            names(good)
        ),
    }
}
