//! Owns the view *Kit*: cards, readers, drives, what is usual and rules, as the file has them, and
//! the changes of them. The file is edited as `unlade kit` does it, and never where it is another
//! by now than the one that was shown.

mod fields;
mod form;
mod subject;

use super::frame::{foreign, list, page, sentence};
use crate::cli::command::kit::show::{
    card_words, doubts, drive_words, place_words, reader_words, usual_words,
};
use crate::cli::command::kit::{by_its_name, folder_at, pause, volume_at};
use crate::cli::desk::state::Desk;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file::{self, FILE, KitError};
use axum::Router;
use axum::extract::{Form, Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Redirect, Response};
use axum::routing::get;
use camino::{Utf8Path, Utf8PathBuf};
use form::{FormContent, removal};
use maud::{Markup, html};
use std::collections::BTreeMap;
use std::sync::Arc;
use subject::{Pairs, Subject, escaped, sent};
use unlade::kit::edit::EditError;
use unlade::kit::mistake::Fault;
use unlade::kit::rule::KitRule;
use unlade::kit::section::{self, FieldValue, Section};
use unlade::kit::{Kit, KitDrive, KitEntryKind, text};
use unlade::name::shown;

const NO_HOME: &str = "The system names no folder for the kit; start the desk with --home DIR.";
const MEANWHILE: &str = "The kit was changed by somebody else meanwhile, and nothing was changed \
    here. This is how it is now.";

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/kit", get(kit))
        .route("/kit/edit", get(edit))
        .route("/kit/save", axum::routing::post(save))
        .route("/kit/move", axum::routing::post(move_rule))
        .route("/kit/remove", get(ask_removal).post(remove))
}

/// Marks a text, to see whether it is another by now.
fn mark(text: &str) -> String {
    blake3::hash(text.as_bytes()).to_hex().to_string()
}

/// The file as it is now.
struct KitText {
    home: Utf8PathBuf,
    text: String,
    kit: Kit,
}

impl KitText {
    fn read(desk: &Desk) -> Result<Self, Vec<String>> {
        let home = folder(&desk.common).ok_or_else(|| vec![NO_HOME.to_owned()])?;
        let text = kit_file::text_to_edit(&home).map_err(|error| error.lines())?;
        let kit = text::read(&text);
        let kit = kit.map_err(|faults| {
            let lines = KitError::Faulty(home.join(FILE), faults)
                .lines()
                .into_iter();
            let again = ("run the same command again", "load this page again");
            lines
                .map(|line| line.replace(again.0, again.1))
                .collect::<Vec<_>>()
        })?;
        Ok(Self { home, text, kit })
    }
}

/// Does something that reads or writes the file, away from what serves the pages.
async fn away(work: impl FnOnce() -> Response + Send + 'static) -> Response {
    let done = tokio::task::spawn_blocking(work).await;
    done.unwrap_or_else(|_| StatusCode::INTERNAL_SERVER_ERROR.into_response())
}

fn shown_page(status: StatusCode, body: &Markup) -> Response {
    (status, Html(page("/kit", body).into_string())).into_response()
}

async fn kit(State(desk): State<Arc<Desk>>) -> Response {
    away(move || listed(&desk, StatusCode::OK, None)).await
}

/// Shows all of the kit, with what is to be said first.
fn listed(desk: &Desk, status: StatusCode, why: Option<&str>) -> Response {
    let read = KitText::read(desk);
    let body = html! {
        h1 { "Kit" }
        @if let Some(why) = why { p.notice role="alert" { (sentence(why)) } }
        @match &read {
            Err(lines) => {
                section.notice aria-label="Mistakes" {
                    @for line in lines { p { (sentence(line)) } }
                }
            }
            Ok(read) => {
                p.soft { (foreign(read.home.join(FILE).as_str())) }
                (list("notice", &doubts(&read.kit)))
                (groups(&read.kit, &mark(&read.text)))
            }
        }
    };
    shown_page(status, &body)
}

fn groups(kit: &Kit, was: &str) -> Markup {
    let entry = |kind| move |name: &str| Section::Entry(kind, name.to_owned());
    let (card, reader) = (entry(KitEntryKind::Card), entry(KitEntryKind::Reader));
    let (drive, place) = (entry(KitEntryKind::Drive), entry(KitEntryKind::Place));
    let cards = kit
        .cards
        .iter()
        .map(|c| (card(&c.name), c.name.clone(), card_words(c)));
    let readers = kit
        .readers
        .iter()
        .map(|r| (reader(&r.name), r.name.clone(), reader_words(r)));
    let drives = kit
        .drives
        .iter()
        .map(|d| (drive(&d.name), d.name.clone(), drive_words(d)));
    let places = kit
        .places
        .iter()
        .map(|p| (place(&p.name), p.name.clone(), place_words(p)));
    let usual = kit.usual.iter().map(|set| {
        let name = set
            .name
            .clone()
            .unwrap_or_else(|| "What is usual".to_owned());
        (Section::Usual(set.name.clone()), name, usual_words(set))
    });
    let rules = (1..).zip(&kit.rules).map(|(number, rule): (usize, _)| {
        let name = format!("Rule {number}");
        (Section::Rule(number), name, rule_words(rule))
    });
    let next = Section::Rule(kit.rules.len() + 1);
    html! {
        (group("Cards", "Add a card", card(""), cards.collect(), was))
        (group("Readers", "Add a reader", reader(""), readers.collect(), was))
        (group("Drives", "Add a drive", drive(""), drives.collect(), was))
        (group("Places elsewhere", "Add a place elsewhere", place(""), places.collect(), was))
        (group("Usual places", "Add usual places", Section::Usual(None), usual.collect(), was))
        (group("Rules of the watch", "Add a rule", next, rules.collect(), was))
    }
}

/// A section, its name and what it says.
type KitRow = (Section, String, String);

fn group(title: &str, add: &str, new: Section, all: Vec<KitRow>, was: &str) -> Markup {
    let last = all.len();
    let new = Subject {
        section: new,
        is_new: true,
    };
    html! {
        section.card {
            h2 { (title) }
            @if all.is_empty() { p.soft { "None." } }
            @if last > 1 && matches!(new.section, Section::Rule(_)) {
                p.soft { "The first rule that fits a card counts." }
            }
            ul.rows {
                @for (section, name, words) in all {
                    @let subject = Subject { section, is_new: false };
                    li id=[row_id(&subject)] {
                        div {
                            a href={ "/kit/edit?" (escaped(&subject)) } { (foreign(&name)) }
                            p.soft { (foreign(&words)) }
                        }
                        @if let Section::Rule(number) = subject.section {
                            (moves(number, last, was))
                        }
                    }
                }
            }
            p { a.button href={ "/kit/edit?" (escaped(&new)) } { (add) } }
        }
    }
}

/// Where the page shows a rule.
fn row_id(subject: &Subject) -> Option<String> {
    match subject.section {
        Section::Rule(number) => Some(format!("rule-{number}")),
        Section::Entry(..) | Section::Usual(_) => None,
    }
}

/// The buttons that put a rule before or behind its neighbour.
fn moves(number: usize, last: usize, was: &str) -> Markup {
    let buttons = [("up", "Up", number > 1), ("down", "Down", number < last)];
    html! {
        form method="post" action="/kit/move" {
            input type="hidden" name="of" value=(number);
            input type="hidden" name="was" value=(was);
            @for (way, word, _) in buttons.iter().filter(|(_, _, is_there)| *is_there) {
                button type="submit" name="way" value=(way)
                    aria-label={ (word) ": rule " (number) } { (word) }
                " "
            }
        }
    }
}

/// Puts a rule in its neighbour's place.
async fn move_rule(State(desk): State<Arc<Desk>>, Form(pairs): Form<Pairs>) -> Response {
    away(move || moved(&desk, &pairs)).await
}

fn moved(desk: &Desk, pairs: &Pairs) -> Response {
    let of = sent(pairs, "of").and_then(|of| of.parse::<usize>().ok());
    let first = match (of, sent(pairs, "way")) {
        (Some(of), Some("up")) => of.checked_sub(1),
        (of, Some("down")) => of,
        _ => None,
    };
    let (Some(of), Some(first), Ok(read)) = (of, first, KitText::read(desk)) else {
        return listed(desk, StatusCode::UNPROCESSABLE_ENTITY, None);
    };
    let was = sent(pairs, "was").unwrap_or_default();
    let done = written(desk, &read.home, was, |text| {
        section::swap_rules(text, first).map_err(Unwritten::Edit)
    });
    match done {
        Ok(()) => {
            let now = if first < of { first } else { first + 1 };
            Redirect::to(&format!("/kit#rule-{now}")).into_response()
        }
        Err(Unwritten::Meanwhile) => listed(desk, StatusCode::CONFLICT, Some(MEANWHILE)),
        Err(why) => {
            let why = why.lines().join(" ");
            listed(desk, StatusCode::UNPROCESSABLE_ENTITY, Some(&why))
        }
    }
}

fn rule_words(rule: &KitRule) -> String {
    let matches: Vec<String> = rule.matches.iter().map(ToString::to_string).collect();
    let set = usual_words(&rule.set);
    let parts = [
        Some(matches.join(", ")),
        (set != "says nothing").then_some(set),
        rule.proof.map(|level| format!("proof {}", level.id())),
        rule.only_new.then(|| "only what is new".to_owned()),
        rule.reader
            .as_ref()
            .map(|reader| format!("in {}", shown(reader))),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
}

async fn edit(State(desk): State<Arc<Desk>>, Query(pairs): Query<Pairs>) -> Response {
    away(move || match Subject::of_pairs(&pairs) {
        Some(subject) => shown_form(&desk, subject),
        None => listed(
            &desk,
            StatusCode::NOT_FOUND,
            Some("There is no such part of the kit."),
        ),
    })
    .await
}

/// Shows a section as the file has it.
fn shown_form(desk: &Desk, subject: Subject) -> Response {
    let Ok(read) = KitText::read(desk) else {
        return listed(desk, StatusCode::UNPROCESSABLE_ENTITY, None);
    };
    let is_there = section::fields(&read.text, &subject.section).is_some();
    if !subject.is_new && !is_there {
        let gone = "The kit has this no more.";
        return listed(desk, StatusCode::NOT_FOUND, Some(gone));
    }
    let form = FormContent::of(subject, &read.text, mark(&read.text));
    shown_page(StatusCode::OK, &form.html(&read.kit, desk))
}

async fn save(State(desk): State<Arc<Desk>>, Form(pairs): Form<Pairs>) -> Response {
    away(move || saved(&desk, &pairs)).await
}

fn saved(desk: &Desk, pairs: &Pairs) -> Response {
    let Some(subject) = Subject::of_pairs(pairs) else {
        return StatusCode::UNPROCESSABLE_ENTITY.into_response();
    };
    let mut form = FormContent::sent(subject, pairs);
    let read = match KitText::read(desk) {
        Ok(read) => read,
        Err(lines) => return kept_beside_mistakes(desk, form, lines),
    };
    if mark(&read.text) != form.was {
        return kept(desk, form, &read);
    }
    let mut changes = form.changes(&read.kit);
    let at = sent(pairs, "at").filter(|at| !at.is_empty());
    let added = at.map_or(Ok(()), |at| {
        add_volume(&mut changes, &form.subject, at, desk)
    });
    if let Err(lines) = added {
        form.wrong.insert("at".to_owned(), lines);
        return shown_page(
            StatusCode::UNPROCESSABLE_ENTITY,
            &form.html(&read.kit, desk),
        );
    }
    let Subject { section, is_new } = form.subject.clone();
    let done = written(desk, &read.home, &form.was, |text| {
        if is_new && section::fields(text, &section).is_some() {
            return Err(Unwritten::Taken);
        }
        section::set(text, &section, &changes).map_err(Unwritten::Edit)
    });
    match done {
        Ok(()) => Redirect::to("/kit").into_response(),
        Err(Unwritten::Meanwhile) => match KitText::read(desk) {
            Ok(read) => kept(desk, form, &read),
            Err(lines) => kept_beside_mistakes(desk, form, lines),
        },
        Err(why) => {
            form.wrong = why.by_field(&section);
            shown_page(
                StatusCode::UNPROCESSABLE_ENTITY,
                &form.html(&read.kit, desk),
            )
        }
    }
}

/// Shows what was typed where the file is another by now.
fn kept(desk: &Desk, mut form: FormContent, read: &KitText) -> Response {
    form.keep(&read.text, mark(&read.text), &read.kit);
    shown_page(StatusCode::CONFLICT, &form.html(&read.kit, desk))
}

/// The same where the file is no sound kit any more.
fn kept_beside_mistakes(desk: &Desk, mut form: FormContent, lines: Vec<String>) -> Response {
    form.wrong.insert(String::new(), lines);
    shown_page(StatusCode::CONFLICT, &form.html(&Kit::default(), desk))
}

/// Adds what a card or drive that is plugged in is recognised by.
fn add_volume(
    changes: &mut [section::FieldChange],
    subject: &Subject,
    at: &str,
    desk: &Desk,
) -> Result<(), Vec<String>> {
    let Section::Entry(kind, name) = &subject.section else {
        return Ok(());
    };
    let at = Utf8PathBuf::from(at);
    if *kind == KitEntryKind::Card {
        refuse_no_card(&at, desk)?;
    }
    let found = volume_at(Some(&at), *kind, &desk.tools).map_err(|why| why.tell().0)?;
    let folder = folder_at(Some(&at), !subject.is_new, &desk.tools);
    let folder = folder.filter(|_| *kind == KitEntryKind::Drive);
    if *kind == KitEntryKind::Drive {
        let drive = KitDrive {
            name: name.clone(),
            volumes: found.clone(),
            folder: folder.clone(),
            ..KitDrive::default()
        };
        by_its_name(&drive, &at, &desk.tools).map_err(|why| why.tell().0)?;
    }
    for (key, value) in changes {
        match (*key, &mut *value) {
            ("volumes", Some(FieldValue::List(volumes))) => {
                let new = found.iter().filter(|id| {
                    // Systems print identities in either case.
                    !volumes.iter().any(|own| own.eq_ignore_ascii_case(id))
                });
                let new: Vec<String> = new.cloned().collect();
                volumes.extend(new);
            }
            ("volumes", value) => *value = Some(FieldValue::List(found.clone())),
            ("folder", value) => {
                if let Some(folder) = &folder {
                    *value = Some(FieldValue::Text(folder.clone()));
                }
            }
            _ => {}
        }
    }
    Ok(())
}

/// Refuses what is no card: its identity would make a card of the disk that it is on.
fn refuse_no_card(at: &Utf8Path, desk: &Desk) -> Result<(), Vec<String>> {
    let said = |why: &str| {
        let path = shown(at.as_str());
        let next = "Choose the card itself, or leave its volumes as they are.";
        vec![format!("`{path}` {why}, and nothing was changed. {next}")]
    };
    let facts = desk.tools.disk.facts(at);
    let facts = facts.map_err(|cause| said(&format!("could not be looked at ({cause})")))?;
    if facts.is_own_volume {
        return Err(said("is on this computer's own disk or in its memory"));
    }
    if !facts.is_mount_root || facts.shows_folder {
        return Err(said("is a folder and not the top of a card"));
    }
    Ok(())
}

/// Why the file was not written.
enum Unwritten {
    /// It is another by now.
    Meanwhile,
    /// The name is taken.
    Taken,
    Edit(EditError),
    Kit(KitError),
}

impl Unwritten {
    fn lines(self) -> Vec<String> {
        match self {
            Self::Meanwhile => vec![MEANWHILE.to_owned()],
            Self::Taken => vec!["There is one of this name already.".to_owned()],
            Self::Edit(error) => KitError::Edit(error).lines(),
            Self::Kit(error) => {
                let lines = error.lines().into_iter();
                let again = ("then run the same command again", "then do this again");
                lines.map(|line| line.replace(again.0, again.1)).collect()
            }
        }
    }

    /// What is wrong, each at its field, in the words of `unlade kit check`.
    fn by_field(self, section: &Section) -> BTreeMap<String, Vec<String>> {
        let mut wrong: BTreeMap<String, Vec<String>> = BTreeMap::new();
        match self {
            Self::Taken => {
                wrong.insert("of".to_owned(), self.lines());
            }
            Self::Edit(EditError::Refused(faults)) => {
                for fault in faults {
                    let (key, words) = place_of(&fault, section);
                    wrong.entry(key).or_default().push(words);
                }
            }
            other => {
                wrong.insert(String::new(), other.lines());
            }
        }
        wrong
    }
}

/// The field that a fault is at, and its words; none where it is about something else.
fn place_of(fault: &Fault, section: &Section) -> (String, String) {
    let kind = match section {
        Section::Entry(kind, _) => kind.word(),
        Section::Usual(_) | Section::Rule(_) => "",
    };
    let why = fault.why.to_string();
    let own = [section.label(), kind.to_owned()];
    match fault.field.rsplit_once(", ") {
        Some((label, key)) if own.iter().any(|own| own == label) => {
            let key = key.trim_matches('`');
            let is_entry = !kind.is_empty() && key == "name";
            (if is_entry { "of" } else { key }.to_owned(), why)
        }
        None if own.contains(&fault.field) => ("of".to_owned(), why),
        _ if fault.field.is_empty() => (String::new(), why),
        _ => (String::new(), format!("{}: {why}", fault.field)),
    }
}

/// Edits the file, unless it is another by now than the one that was shown.
fn written(
    desk: &Desk,
    home: &Utf8Path,
    was: &str,
    change: impl FnOnce(&str) -> Result<String, Unwritten>,
) -> Result<(), Unwritten> {
    let mut unwritten = None;
    let done = kit_file::edit(home, pause(&desk.tools), |text| {
        let new = if mark(text) == was {
            change(text)
        } else {
            Err(Unwritten::Meanwhile)
        };
        new.map_err(|why| {
            unwritten = Some(why);
            // It is told by what was kept.
            EditError::Refused(Vec::new())
        })
    });
    match (done, unwritten) {
        (Ok(()), _) => {
            desk.look_again();
            Ok(())
        }
        (Err(_), Some(why)) => Err(why),
        (Err(KitError::Changed(_)), None) => Err(Unwritten::Meanwhile),
        (Err(error), None) => Err(Unwritten::Kit(error)),
    }
}

async fn ask_removal(State(desk): State<Arc<Desk>>, Query(pairs): Query<Pairs>) -> Response {
    away(move || {
        let subject = Subject::of_pairs(&pairs);
        let read = KitText::read(&desk).ok();
        match subject.zip(read) {
            Some((subject, read)) => {
                let body = removal(&subject, &mark(&read.text), &[]);
                shown_page(StatusCode::OK, &body)
            }
            None => listed(&desk, StatusCode::NOT_FOUND, None),
        }
    })
    .await
}

async fn remove(State(desk): State<Arc<Desk>>, Form(pairs): Form<Pairs>) -> Response {
    away(move || removed(&desk, &pairs)).await
}

fn removed(desk: &Desk, pairs: &Pairs) -> Response {
    let read = KitText::read(desk).ok();
    let Some((subject, read)) = Subject::of_pairs(pairs).zip(read) else {
        return listed(desk, StatusCode::UNPROCESSABLE_ENTITY, Some(MEANWHILE));
    };
    let was = sent(pairs, "was").unwrap_or_default();
    let done = written(desk, &read.home, was, |text| {
        section::remove(text, &subject.section).map_err(Unwritten::Edit)
    });
    match done {
        Ok(()) => Redirect::to("/kit").into_response(),
        Err(Unwritten::Meanwhile) => listed(desk, StatusCode::CONFLICT, Some(MEANWHILE)),
        Err(why) => {
            let body = removal(&subject, was, &why.lines());
            shown_page(StatusCode::UNPROCESSABLE_ENTITY, &body)
        }
    }
}
