//! Owns the page of a shoot: how many of its cards are proven, which are not and which nobody has
//! seen, and where the copies of each are. Made of what the ledger says and nothing else, and it
//! says so: the manifests on the drives are the proof. Pure: the same ledger gives the same bytes.

use super::frame::{document, fact, foreign, more, path, sign, wide};
use super::words::moment;
use crate::clock::UtcOffset;
use crate::ledger::shoot::{Shoot, ShootCard};
use crate::ledger::shot::ShotSum;
use crate::ledger::{CopyLocation, Deed};
use crate::name::shown;
use crate::units::{count, counted, len64, size, time as time_words};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};
use std::time::Duration;

/// Cards that are in the open one by one; more are folded.
const CARDS_OPEN: usize = 6;
/// Rows of the table in the open: as many as fit on the first two pages of paper.
const ROWS_OPEN: usize = 40;
/// Cards on the page; more are in the ledger only.
const CARDS_LISTED: usize = 2_000;
/// Places of one card that are named.
const PLACES_NAMED: usize = 20;

/// What the page says of the ledger that it is made of.
#[derive(Clone, Copy, Debug)]
pub struct LedgerSource<'a> {
    /// Name of the computer whose ledger it is.
    pub host: &'a str,
    /// Lines of the ledger that could not be understood.
    pub damaged: u64,
    /// The time zone of that computer.
    pub zone: &'a TimeZone,
}

impl LedgerSource<'_> {
    /// A moment as it was where the ledger is, with UTC beside it.
    fn moment(self, rfc3339: &str) -> Markup {
        let at = rfc3339.parse::<Timestamp>().ok();
        moment(rfc3339, at.and_then(|at| UtcOffset::of(self.zone, at)))
    }
}

/// Returns the whole page.
pub fn page(shoot: &Shoot, source: LedgerSource<'_>) -> String {
    let title = format!("{}: {}", shown(&shoot.name), verdict(shoot));
    let body = html! {
        (head(shoot, source))
        (numbers(shoot))
        (shot(shoot))
        h2 { "Cards" }
        (table(shoot))
        (one_by_one(shoot, source))
        (cautions(source))
        (sign())
    };
    document(&title, &body)
}

/// The cards that there are, as far as anybody knows: those seen and those announced beside them.
fn all(shoot: &Shoot) -> u64 {
    shoot.seen.saturating_add(shoot.not_seen)
}

fn verdict(shoot: &Shoot) -> String {
    let of = counted(all(shoot), "card");
    if shoot.is_complete() && shoot.announced().is_some() {
        return if all(shoot) == 1 {
            "The one card is proven".to_owned()
        } else {
            format!("All {of} proven")
        };
    }
    match shoot.announced() {
        None if shoot.is_complete() => format!("{of} seen, all proven"),
        _ => format!("{} of {of} proven", count(shoot.proven)),
    }
}

fn head(shoot: &Shoot, source: LedgerSource<'_>) -> Markup {
    let class = match (shoot.is_complete(), shoot.announced()) {
        (false, _) => "verdict bad",
        (true, Some(_)) => "verdict good",
        // Nobody can tell whether a card is missing.
        (true, None) => "verdict",
    };
    let last = shoot.cards.iter().map(|c| c.at.as_str()).max();
    html! {
        p.over { "The camera cards of a shoot \u{b7} " (foreign(&shoot.name)) }
        div class=(class) {
            h1 { (verdict(shoot)) }
            // The first sentence counts once more, which the heading has done.
            @for words in shoot.words().iter().skip(1) { p.lead { (foreign(words)) } }
            @if !shoot.is_complete() {
                p.lead { "Keep every card that is not proven, or was not seen, as it is: don't \
                    format it, don't shoot on it." }
            } @else if shoot.announced().is_some() {
                p.lead { "Every card that was announced was seen, and everything on it is on the \
                    drives, as far as the last answer on it says." }
            } @else {
                p.lead { "How many cards there are was never announced, so a card that was \
                    forgotten would be missing here without a word." }
            }
            p.soft {
                "Made from the ledger of the computer " (foreign(source.host))
                @if let Some(last) = last {
                    ", whose last answer in this shoot is of " (source.moment(last))
                }
                ". The manifests on the drives are the proof; this page only counts."
            }
        }
    }
}

fn numbers(shoot: &Shoot) -> Markup {
    let sum = |of: fn(&ShootCard) -> u64| shoot.cards.iter().map(of).fold(0, u64::saturating_add);
    let (files, bytes) = (sum(|c| c.files), sum(|c| c.bytes));
    html! {
        h2 { "Count" }
        dl {
            @if let Some(n) = shoot.announced() { (fact("Announced", &html! { (count(n)) })) }
            (fact("Seen", &html! { (count(shoot.seen)) }))
            (fact("Proven", &html! { (count(shoot.proven)) }))
            @let open = shoot.seen - shoot.proven;
            @if open > 0 { (fact("Not proven", &html! { (count(open)) })) }
            @if shoot.not_seen > 0 { (fact("Not seen", &html! { (count(shoot.not_seen)) })) }
            (fact("On the cards seen", &html! {
                (counted(files, "file")) ", " span.s { (size(bytes)) }
            }))
        }
    }
}

/// What was shot, as far as the ledger has it; a card that is a copy of another one counts once.
fn shot(shoot: &Shoot) -> Markup {
    let is_copy = |at: usize, card: &ShootCard| {
        let mut before = shoot.cards.iter().take(at);
        before.any(|other| Some(&other.label) == card.same_content_as.as_ref())
    };
    let cards = shoot.cards.iter().enumerate();
    let own = cards
        .filter(|(at, card)| !is_copy(*at, card))
        .map(|(_, card)| card);
    let own: Vec<&ShootCard> = own.collect();
    let known: Vec<&ShotSum> = own.iter().filter_map(|card| card.shot.as_ref()).collect();
    let sum = known
        .iter()
        .fold(ShotSum::default(), |sum, card| sum.and(card));
    let time = |time: &String| shown(&time.get(..16).unwrap_or(time).replacen('T', " ", 1));
    html! {
        @if !known.is_empty() {
            h2 { "What was shot" }
            dl {
                @if sum.stills > 0 { (fact("Stills", &html! { (count(sum.stills)) })) }
                @if sum.clips > 0 {
                    (fact("Clips", &html! {
                        (count(sum.clips))
                        @if sum.clips_s > 0 {
                            ", " span.s { (time_words(Duration::from_secs(sum.clips_s))) }
                        }
                    }))
                }
                @if sum.sound > 0 { (fact("Sound", &html! { (count(sum.sound)) })) }
                @if let Some(first) = &sum.first { (fact("First", &foreign(&time(first)))) }
                @if let Some(last) = &sum.last { (fact("Last", &foreign(&time(last)))) }
            }
            p.soft {
                @if known.len() < own.len() {
                    "Of " (count(len64(known.len()))) " of " (counted(len64(own.len()), "card"))
                    ": the ledger has no more. "
                }
                "Files as their last copy saw them, by type"
                @if sum.first.is_some() { "; times by the cameras' clocks, without a zone" }
                "."
            }
        }
    }
}

fn verdict_of(card: &ShootCard) -> Markup {
    html! {
        @if card.proven { span.good { "proven" } } @else { strong.bad { "NOT PROVEN" } }
    }
}

/// Returns the table of the cards: what needs doing first, then what is done.
pub fn table(shoot: &Shoot) -> Markup {
    let nameless = shoot
        .not_seen
        .saturating_sub(len64(shoot.missing_labels.len()));
    let mut rows: Vec<Markup> = Vec::new();
    let open = shoot.cards.iter().filter(|c| !c.proven);
    rows.extend(open.map(row));
    rows.extend(shoot.missing_labels.iter().map(|l| unseen(&foreign(l))));
    if nameless > 0 {
        let words = html! { (counted(nameless, "card")) " without a name" };
        rows.push(unseen(&words));
    }
    rows.extend(shoot.cards.iter().filter(|c| c.proven).map(row));
    let part = |from: usize, to: usize| {
        html! {
            table {
                caption { "The last answer on each card; copies are complete, on separate drives" }
                thead {
                    tr {
                        th scope="col" { "Card" } th scope="col" { "Answer" }
                        th.n scope="col" { "Files" } th.n scope="col" { "Size" }
                        th.n scope="col" { "Copies" }
                    }
                }
                tbody { @for row in rows.iter().take(to).skip(from) { (row) } }
            }
        }
    };
    html! {
        (part(0, ROWS_OPEN))
        (more(rows.len(), ROWS_OPEN, "card", "ledger"))
        @if rows.len() > ROWS_OPEN {
            details {
                summary { "The next " (count(len64(rows.len().min(CARDS_LISTED) - ROWS_OPEN))) }
                (part(ROWS_OPEN, CARDS_LISTED))
            }
        }
    }
}

fn row(card: &ShootCard) -> Markup {
    html! {
        tr {
            td { (foreign(&card.label)) }
            td { (verdict_of(card)) }
            td.n { (count(card.files)) }
            td.n { (size(card.bytes)) }
            td.n { (count(card.copies)) }
        }
    }
}

fn unseen(name: &Markup) -> Markup {
    html! {
        tr { td { (name) } td { strong.bad { "NOT SEEN" } } td.n { "-" } td.n { "-" } td.n { "-" } }
    }
}

fn one_by_one(shoot: &Shoot, source: LedgerSource<'_>) -> Markup {
    let open = shoot.cards.iter().filter(|c| !c.proven);
    let cards: Vec<&ShootCard> = open
        .chain(shoot.cards.iter().filter(|c| c.proven))
        .collect();
    let part = html! {
        div.cards { @for card in cards.iter().take(CARDS_LISTED) { (section(card, source)) } }
    };
    html! {
        h2 { "Where the copies are" }
        @if cards.len() <= CARDS_OPEN {
            (part)
        } @else {
            p { (counted(len64(cards.len()), "card")) ". The ledger has the drives of each." }
            details { summary { "One by one" } (part) }
        }
    }
}

fn section(card: &ShootCard, source: LedgerSource<'_>) -> Markup {
    let how = match card.did {
        Deed::Prove => "when it was asked about",
        _ => "after a copy",
    };
    html! {
        section {
            h3 { (foreign(&card.label)) ": " (verdict_of(card)) }
            @if !card.proven && !card.reasons.is_empty() {
                ul { @for reason in &card.reasons { li { (foreign(reason)) } } }
            }
            dl {
                (wide("Last answer", &html! { (source.moment(&card.at)) ", " (how) }))
                (fact("Copies", &html! {
                    (count(card.copies)) " complete"
                    @if card.copies > 1 { ", on separate drives" }
                }))
                @if card.times_seen > 1 {
                    (fact("In a reader", &html! {
                        (count(card.times_seen)) " times; it counts as one"
                    }))
                }
                @if let Some(twin) = &card.same_content_as {
                    (fact("Same content as", &html! { "card " (foreign(twin)) ", another card" }))
                }
                (wide("Folders of the last copy", &places(card)))
            }
        }
    }
}

fn places(card: &ShootCard) -> Markup {
    html! {
        @if card.places.is_empty() { "none in the ledger" }
        @for place in card.places.iter().take(PLACES_NAMED) { (one_place(place)) }
        (more(card.places.len(), PLACES_NAMED, "folder", "ledger"))
    }
}

fn one_place(place: &CopyLocation) -> Markup {
    html! {
        span.place {
            @if let Some(drive) = &place.drive { strong { (foreign(drive)) } ": " }
            (path(&place.path))
            br;
            span.soft {
                @if place.complete {
                    "complete when it was made"
                } @else {
                    strong { "not complete" }
                }
                @if let Some(id) = &place.volume_id { ", volume " (foreign(id)) }
            }
        }
    }
}

fn cautions(source: LedgerSource<'_>) -> Markup {
    html! {
        h2 { "What this shows, and what it can't" }
        p {
            "A ledger remembers; it proves nothing. The proof of each card is the manifest in the \
             folder " code { "_unlade" }
            " of its offload, on every drive, and " code { "unlade verify" } " checks a copy \
                against it. An answer is as old as its date: what happened to card or drive \
                afterwards is not known here, and neither are cards that were offloaded with \
                another computer."
        }
        p {
            "A copy equals what the card gave. A file of nothing but zeros, a sign of a failing \
             card, or of one that is smaller than its label, is copied as it is, and proven as any \
             other: look at some files on each drive before you format a card."
        }
        @if source.damaged > 0 {
            p {
                strong {
                    (counted(source.damaged, "line")) " of the ledger could not be understood"
                }
                ", so an answer may be missing here."
            }
        }
        p.soft { "Names and dates on this page may be private." }
    }
}
