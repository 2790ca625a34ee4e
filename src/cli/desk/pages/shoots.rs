//! Owns the view *Shoots*: what the ledger remembers of each shoot's cards, their copies, and which
//! copies nobody has read for long. It decides nothing: what is asked here the commands answer.

use super::frame::{foreign, list, page};
use crate::cli::command::ledger::minute;
use crate::cli::desk::held::is_card_at;
use crate::cli::desk::readings;
use crate::cli::desk::state::{Desk, ReadAsked};
use crate::cli::view::out::heard;
use axum::Router;
use axum::extract::{Form, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use axum::routing::{get, post};
use camino::{Utf8Path, Utf8PathBuf};
use jiff::{SignedDuration, Timestamp};
use maud::{Markup, html};
use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;
use unlade::card::identity::CardIdentity;
use unlade::ledger::shoot::{Shoot, ShootCard, Sightings};
use unlade::ledger::{CopyLocation, Deed, Ledger};
use unlade::name::shown;
use unlade::proof::tally::counted_copies;
use unlade::record::damage::{KnownDamage, PathAndVolume};
use unlade::report::shoot::table;
use unlade::units::{counted, len64, size};

/// Shoots on the page, the latest first; `unlade ledger` has all.
const SHOOTS_MAX: usize = 30;
/// Cards of one shoot that are on the page one by one.
const CARDS_MAX: usize = 200;
/// Copies that are checked by one press.
const COPIES_MAX: usize = 64;
/// Reasons of one card that are told.
const REASONS_MAX: usize = 3;
/// Drives that are told to be due.
const DUE_MAX: usize = 40;
/// A copy that was not read whole for so long is due for a check (common practice, no source: an
/// archive checks at fixed intervals, and a drive in a drawer tells of nothing).
const DUE_AFTER_DAYS: i64 = 180;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/shoots", get(shoots))
        .route("/check", post(check))
        .route("/format", post(format))
}

/// What is remembered.
struct ShootMemory {
    ledger: Ledger,
    damage: KnownDamage,
    /// What is to be said of it.
    said: Vec<String>,
}

impl ShootMemory {
    fn of(desk: &Desk) -> Self {
        let book = desk.book();
        let (read, said) = heard(|| (book.read(), book.damage()));
        let (ledger, damage) = read;
        let none = "There is no ledger, so nothing is remembered.";
        let none = (!book.is_kept()).then(|| none.to_owned());
        Self {
            ledger,
            damage,
            said: said.into_iter().chain(none).collect(),
        }
    }

    /// Every shoot that is on the page, the latest first, and last the cards of none.
    fn shoots(&self) -> Vec<Shoot> {
        let names = Shoot::names(&self.ledger).into_iter().take(SHOOTS_MAX);
        let seen = Sightings::of(&self.ledger);
        let shoots = names.map(|name| seen.of_job(name, None));
        let rest = seen.of_no_job();
        let rest = (!rest.cards.is_empty()).then_some(rest);
        shoots.chain(rest).collect()
    }

    /// What is known of the copies, gone through once for the whole page.
    fn copies(&self) -> KnownCopies<'_> {
        let mut latest = BTreeMap::new();
        let copies = self.ledger.entries.iter().filter(|e| e.did.makes_copies());
        for entry in copies {
            for place in entry.places.iter().filter(|place| place.complete) {
                latest.insert(place.path.as_str(), (place, entry.at.as_str()));
            }
        }
        let mut found = HashMap::new();
        for (note, stands) in self.damage.standing() {
            let files = counted(len64(stands.files().count()), "file");
            let more = if stands.has_more() { " and more" } else { "" };
            let at = minute(&note.at);
            let words = format!("{files}{more} found damaged on {at}: check it again");
            let of = (note.copy.path.as_str(), note.copy.volume_id.as_deref());
            found.entry(of).or_insert(words);
        }
        KnownCopies {
            latest,
            whole: self.damage.last_whole(),
            found,
        }
    }
}

/// What is known of the copies.
struct KnownCopies<'a> {
    /// Every complete copy, by its folder, and when it was last made or gone on with.
    latest: BTreeMap<&'a str, (&'a CopyLocation, &'a str)>,
    /// When a check last read all of a copy, RFC 3339.
    whole: HashMap<PathAndVolume<'a>, &'a str>,
    /// What a check found of a copy that stands against it still.
    found: HashMap<PathAndVolume<'a>, String>,
}

fn copy_key(place: &CopyLocation) -> PathAndVolume<'_> {
    (&place.path, place.volume_id.as_deref())
}

impl<'a> KnownCopies<'a> {
    /// The latest copy in a folder, and when it was made.
    fn made(&self, place: &CopyLocation) -> Option<&(&'a CopyLocation, &'a str)> {
        self.latest.get(place.path.as_str())
    }

    /// When all of a copy was last read from its drive, RFC 3339: when it was made, or by a check.
    fn last_read(&self, place: &CopyLocation, made: &'a str) -> &'a str {
        let checked = self.whole.get(&copy_key(place));
        checked.map_or(made, |checked| (*checked).max(made))
    }
}

async fn shoots(State(desk): State<Arc<Desk>>) -> Response {
    shown_shoots(desk, None).await
}

/// The page, with what is to be said first where something was not done.
async fn shown_shoots(desk: Arc<Desk>, why: Option<String>) -> Response {
    let status = match &why {
        Some(_) => StatusCode::UNPROCESSABLE_ENTITY,
        None => StatusCode::OK,
    };
    let made = tokio::task::spawn_blocking(move || view(&desk, why.as_deref()));
    match made.await {
        Ok(html) => (status, Html(html)).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn view(desk: &Desk, why: Option<&str>) -> String {
    let known = ShootMemory::of(desk);
    let now = desk.tools.clock.now();
    let (shoots, copies) = (known.shoots(), known.copies());
    let more = Shoot::names(&known.ledger).len().saturating_sub(SHOOTS_MAX);
    let body = html! {
        h1 { "Shoots" }
        @if let Some(why) = why { p.notice role="alert" { (super::frame::sentence(why)) } }
        (list("soft", &known.said))
        @if shoots.is_empty() {
            p { "Nothing was copied yet, as far as the ledger here knows." }
        } @else {
            (due(&copies, now))
        }
        @for (index, shoot) in shoots.iter().enumerate() {
            (one_shoot(shoot, index == 0, &copies))
        }
        @if more > 0 {
            p.soft {
                "And " (counted(len64(more), "earlier shoot")) ": "
                code { "unlade ledger --shoot NAME" } " shows each."
            }
        }
    };
    page("/shoots", &body).into_string()
}

/// A copy that is due, its drive as people call it, and when it was last read whole.
struct DueCopy<'a> {
    drive: String,
    path: &'a str,
    volume: Option<&'a str>,
    read: &'a str,
}

/// The copies that nobody has read for long, each once, by the last that is known of its place.
fn due_copies<'a>(known: &KnownCopies<'a>, now: Timestamp) -> Vec<DueCopy<'a>> {
    let since = now - SignedDuration::from_hours(24 * DUE_AFTER_DAYS);
    let copies = known.latest.iter();
    let copies = copies.map(|(path, (place, made))| DueCopy {
        drive: drive_name(place),
        path,
        volume: place.volume_id.as_deref(),
        read: known.last_read(place, made),
    });
    let is_due = |copy: &DueCopy<'_>| {
        let read = copy.read.parse::<Timestamp>();
        read.is_ok_and(|read| read < since)
    };
    copies.filter(is_due).collect()
}

/// The drive of a copy: its own name, or the folder above the offload.
fn drive_name(place: &CopyLocation) -> String {
    let above = Utf8Path::new(&place.path).parent();
    let above = above.map_or(place.path.as_str(), Utf8Path::as_str);
    shown(place.drive.as_deref().unwrap_or(above))
}

fn due(known: &KnownCopies<'_>, now: Timestamp) -> Markup {
    let mut drives: BTreeMap<String, Vec<DueCopy<'_>>> = BTreeMap::new();
    for copy in due_copies(known, now) {
        drives.entry(copy.drive.clone()).or_default().push(copy);
    }
    // The longest unread first.
    let mut drives: Vec<_> = drives.into_iter().collect();
    drives.sort_by_key(|(_, copies)| copies.iter().map(|copy| copy.read).min());
    let days = DUE_AFTER_DAYS;
    html! {
        section.card aria-labelledby="due" {
            h2 #due { "Drives due for a check" }
            @if drives.is_empty() {
                p { "None: every copy was read whole within " (days) " days." }
            } @else {
                p.soft { "On these are copies that were not read whole for " (days) " days." }
                ul.rows {
                    @for (number, (drive, copies)) in drives.iter().take(DUE_MAX).enumerate() {
                        @let id = format!("due-{number}");
                        li {
                            p id=(id) {
                                strong { bdi { (drive) } } ": "
                                (counted_copies(copies.len()))
                                ", last read " (oldest(copies)) "."
                            }
                            (check_form(copies.iter().map(|copy| (copy.path, copy.volume)), &id))
                        }
                    }
                }
                @if drives.len() > DUE_MAX {
                    p.soft { "And " (drives.len() - DUE_MAX) " more drives." }
                }
            }
        }
    }
}

fn oldest(copies: &[DueCopy<'_>]) -> String {
    let oldest = copies.iter().map(|copy| copy.read).min();
    oldest.map_or_else(String::new, minute)
}

/// The button that checks copies: their paths, each with the volume that it is on.
fn check_form<'a>(copies: impl Iterator<Item = (&'a str, Option<&'a str>)>, about: &str) -> Markup {
    html! {
        form method="post" action="/check" {
            @for (path, volume) in copies.take(COPIES_MAX) {
                input type="hidden" name="path" value=(path);
                @if let Some(volume) = volume {
                    input type="hidden" name="volume" value=(volume);
                }
            }
            button type="submit" aria-describedby=(about) { "Check again" }
        }
    }
}

fn one_shoot(shoot: &Shoot, is_first: bool, known: &KnownCopies<'_>) -> Markup {
    let of_none = shoot.name.is_empty();
    let open = shoot.cards.iter().filter(|card| !card.proven);
    let proven = shoot.cards.iter().filter(|card| card.proven);
    let cards: Vec<&ShootCard> = open.chain(proven).collect();
    // What is said of a shoot quotes its name first, which stands above already.
    let words = shoot.words();
    let own = format!("`{}`: ", shown(&shoot.name));
    let words: Vec<String> = words
        .iter()
        .map(|text| text.strip_prefix(&own).unwrap_or(text).to_owned())
        .map(|text| text.replace(" Announce how many there are with --expect.", ""))
        .collect();
    html! {
        details.shoot open[is_first] {
            summary {
                h2 { @if of_none { "Without a shoot" } @else { (foreign(&shoot.name)) } }
                span.soft { (heading_words(shoot)) }
            }
            @if !of_none { @for text in &words { p { (super::frame::sentence(text)) } } }
            (table(shoot))
            @for card in cards.iter().take(CARDS_MAX) { (one_card(card, shoot, known)) }
            @if cards.len() > CARDS_MAX {
                p.soft { "And " (cards.len() - CARDS_MAX) " more; the ledger has them." }
            }
        }
    }
}

/// What is said of a shoot in its line: what needs doing first.
fn heading_words(shoot: &Shoot) -> Markup {
    let open = shoot.seen.saturating_sub(shoot.proven);
    html! {
        (counted(shoot.seen, "card")) " seen, " (shoot.proven) " proven"
        @if open > 0 { ", " strong.bad { (open) " NOT PROVEN" } }
        @if shoot.not_seen > 0 { ", " strong.bad { (shoot.not_seen) " NOT SEEN" } }
    }
}

fn one_card(card: &ShootCard, shoot: &Shoot, known: &KnownCopies<'_>) -> Markup {
    let mark = mark(card.identity(), &shoot.name);
    let id = format!("card-{mark}");
    let how = match card.did {
        Deed::Prove => "when it was asked about",
        _ => "after a copy",
    };
    let complete: Vec<&CopyLocation> = card.places.iter().filter(|p| p.complete).collect();
    html! {
        section.entry aria-labelledby=(id) {
            h3 id=(id) {
                (foreign(&card.label)) ": "
                @if card.proven { span.good { "proven" } } @else { span.bad { "NOT PROVEN" } }
            }
            p.soft {
                (counted(card.files, "file")) ", " (size(card.bytes)) "; last answer "
                (minute(&card.at)) ", " (how)
            }
            @if !card.proven {
                ul { @for why in card.reasons.iter().take(REASONS_MAX) { li { (foreign(why)) } } }
            }
            @if card.places.is_empty() {
                p.soft { "The ledger knows no copy of it." }
            } @else {
                dl {
                    @for place in &card.places {
                        div {
                            dt { (foreign(place.drive.as_deref().unwrap_or(&place.path))) }
                            dd {
                                @if place.drive.is_some() { (foreign(&place.path)) br; }
                                @if let Some(found) = known.found.get(&copy_key(place)) {
                                    strong.bad { (found) } br;
                                }
                                @if !place.complete { strong { "not complete" } }
                                @else if let Some((_, made)) = known.made(place) {
                                    "last read whole " (minute(known.last_read(place, made)))
                                }
                            }
                        }
                    }
                }
            }
            div.buttons {
                @if !complete.is_empty() {
                    @let copies = complete.iter();
                    @let copies = copies.map(|p| (p.path.as_str(), p.volume_id.as_deref()));
                    (check_form(copies, &id))
                }
                form method="post" action="/format" {
                    input type="hidden" name="card" value=(mark);
                    button type="submit" aria-describedby=(id) { "May I format?" }
                }
            }
        }
    }
}

/// A name for a card of a shoot in the document that is the same as long as the ledger is.
fn mark(card: &CardIdentity, shoot: &str) -> String {
    let volume = card.volume_id.as_deref().unwrap_or_default();
    let listing = card.listing_b3.to_string();
    let parts = [shoot, &card.label, &card.path, volume, &listing];
    let hash = blake3::hash(parts.join("\0").as_bytes()).to_hex();
    hash.get(..24).unwrap_or(&hash).to_owned()
}

/// The fields of a form as a browser sends them.
type Sent = Form<Vec<(String, String)>>;

fn field<'a>(sent: &'a [(String, String)], name: &str) -> Option<&'a str> {
    let found = sent.iter().find(|(key, _)| key == name);
    found.map(|(_, value)| value.as_str())
}

/// Checks copies that the ledger knows of.
async fn check(State(desk): State<Arc<Desk>>, Form(sent): Sent) -> Response {
    let asking = Arc::clone(&desk);
    let begun = tokio::task::spawn_blocking(move || begin_check(&asking, &sent));
    begun_or_why(desk, begun.await).await
}

/// Goes where it is shown, or says why not.
async fn begun_or_why(
    desk: Arc<Desk>,
    begun: Result<Result<(), String>, tokio::task::JoinError>,
) -> Response {
    match begun {
        Ok(Ok(())) => Redirect::to("/").into_response(),
        Ok(Err(why)) => shown_shoots(desk, Some(why)).await,
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn begin_check(desk: &Arc<Desk>, sent: &[(String, String)]) -> Result<(), String> {
    let known = ShootMemory::of(desk);
    let places = known.ledger.entries.iter().flat_map(|entry| &entry.places);
    let places: Vec<&CopyLocation> = places.collect();
    let asked = sent
        .iter()
        .enumerate()
        .filter(|(_, (key, _))| key == "path");
    let mut copies: Vec<CopyLocation> = Vec::new();
    for (at, (_, path)) in asked.take(COPIES_MAX) {
        // The volume stands behind its path; several drives may have been there in turn.
        let volume = sent.get(at + 1).filter(|(key, _)| key == "volume");
        let is_meant = |place: &&&CopyLocation| {
            let volume = volume.map(|(_, volume)| volume.as_str());
            place.path == *path && (volume.is_none() || place.volume_id.as_deref() == volume)
        };
        let Some(place) = places.iter().rev().find(is_meant) else {
            return Err(format!("The ledger knows no copy at {}.", shown(path)));
        };
        copies.push((*place).clone());
    }
    let Some(first) = copies.first() else {
        return Err("There is no copy to check.".to_owned());
    };
    let name = match copies.len() {
        1 => first.path.clone(),
        n => {
            let name_of = |copy: &CopyLocation| {
                let name = Utf8Path::new(&copy.path).file_name();
                name.unwrap_or(&copy.path).to_owned()
            };
            let own = name_of(first);
            let is_one = copies.iter().all(|copy| name_of(copy) == own);
            if is_one { own } else { format!("{n} copies") }
        }
    };
    readings::start(desk, ReadAsked::Check(copies), name)
}

/// Asks whether a card of a shoot may be formatted, where it is plugged in.
async fn format(State(desk): State<Arc<Desk>>, Form(sent): Sent) -> Response {
    let asking = Arc::clone(&desk);
    let begun = tokio::task::spawn_blocking(move || begin_format(&asking, &sent));
    begun_or_why(desk, begun.await).await
}

fn begin_format(desk: &Arc<Desk>, sent: &[(String, String)]) -> Result<(), String> {
    let wanted = field(sent, "card").unwrap_or_default();
    let shoots = ShootMemory::of(desk).shoots();
    let cards = shoots.iter().flat_map(|shoot| {
        let cards = shoot.cards.iter();
        cards.map(|card| (card.identity(), shoot.name.as_str()))
    });
    let mut cards = cards.filter(|(card, shoot)| mark(card, shoot) == wanted);
    let Some((card, shoot)) = cards.next() else {
        return Err("The ledger knows no such card; load this page again.".to_owned());
    };
    let name = shown(card.known_as());
    let Some(at) = where_it_is(desk, card) else {
        return Err(format!(
            "{name} is not plugged in, or is no longer what it was. Put it in a reader and press \
             `May I format?` again. Until then keep it as it is: don't format it, don't shoot on \
             it."
        ));
    };
    let asked = ReadAsked::Format {
        card: at,
        held: Box::new(card.clone()),
        shoot: (!shoot.is_empty()).then(|| shoot.to_owned()),
        rereads: false,
    };
    readings::start(desk, asked, name)
}

/// Looks for a card among what is plugged in, what was added, and where it was.
fn where_it_is(desk: &Desk, card: &CardIdentity) -> Option<Utf8PathBuf> {
    let state = desk.lock();
    let places = state.plugged.cards.iter().chain(&state.added.cards);
    let mut paths: Vec<Utf8PathBuf> = places.map(|place| place.path.clone()).collect();
    drop(state);
    paths.push(card.path.clone().into());
    let mut paths = paths.into_iter().filter(|path| path.is_absolute());
    paths.find(|path| is_card_at(desk.disk(), path, card))
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::digest::Digest;
    use unlade::ledger::LedgerEntry;
    use unlade::record::damage::{CheckNote, CheckedCopy};

    fn copied(days: i64, path: &str) -> LedgerEntry {
        let card = CardIdentity {
            label: "KITES".to_owned(),
            name: None,
            path: "/media/KITES".to_owned(),
            volume_id: None,
            made_as: None,
            listing_b3: Digest::of(b"kites"),
            content_b3: None,
            files: 1,
            bytes: 10,
            sample: ["0a".to_owned()].into(),
        };
        let place = CopyLocation {
            path: path.to_owned(),
            drive: None,
            filesystem: "ext4".to_owned(),
            volume_id: Some("A".to_owned()),
            complete: true,
        };
        LedgerEntry {
            places: vec![place],
            ..LedgerEntry::new(Deed::Copy, at(days), card)
        }
    }

    fn at(days: i64) -> Timestamp {
        Timestamp::UNIX_EPOCH + SignedDuration::from_hours(24 * days)
    }

    #[test]
    fn a_copy_is_due_when_it_was_not_read_whole_for_long() {
        let (old, new) = ("/media/attic/OLD", "/media/attic/NEW");
        let mut known = ShootMemory {
            ledger: Ledger {
                entries: vec![copied(1, old), copied(150, new)],
                damaged: 0,
            },
            damage: KnownDamage::default(),
            said: Vec::new(),
        };
        let due = |known: &ShootMemory, day| -> Vec<String> {
            let copies = known.copies();
            let copies = due_copies(&copies, at(day));
            copies.iter().map(|copy| copy.path.to_owned()).collect()
        };
        assert_eq!(due(&known, 181), [""; 0]);
        assert_eq!(due(&known, 182), [old]);
        assert_eq!(due(&known, 400), [new, old]);
        let copy = CheckedCopy {
            manifest_b3: Digest::of(b"manifest"),
            volume_id: Some("A".to_owned()),
            place: None,
            path: old.to_owned(),
        };
        let mut note = CheckNote::new(at(300), "OLD", copy);
        known.damage.push(note.clone());
        assert_eq!(due(&known, 400), [new, old], "single files say nothing");
        note.whole = true;
        known.damage.push(note);
        assert_eq!(due(&known, 400), [new]);
    }
}
