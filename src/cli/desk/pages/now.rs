//! Owns the view *Now*: what is plugged in, what is to be copied where, and the plan beside it.

use super::frame::{View, foreign, list, sentence as quoting};
use crate::cli::command::copy::look;
use crate::cli::desk::reply::{done_by, done_or, refused};
use crate::cli::desk::state::{Asked, CardPast, Desk, DeskState, Place};
use crate::cli::desk::{jobs, typed};
use crate::cli::view::out::heard;
use crate::cli::view::words::drives::drive_names;
use crate::cli::view::words::plan::PlanWords;
use crate::cli::view::words::problem::refusal_steps;
use crate::cli::view::words::troubles::sentence;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse as _, Response};
use axum::routing::post;
use axum::{Json, Router};
use maud::{Markup, html};
use std::sync::Arc;
use std::sync::atomic::AtomicBool;
use unlade::disk::FolderFacts;
use unlade::disk::backing::Backing;
use unlade::name::shown;
use unlade::plan::notes::count_independent;
use unlade::plan::{Plan, Refusal};
use unlade::proof::problems::{card_problems, list_problems};
use unlade::run::{Job, Tools};

/// Troubles before the first byte that are told.
const TROUBLES_MAX: usize = 12;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/plan", post(plan))
        .route("/copy", post(copy))
        .route("/go-on/{of}", post(go_on))
        .route("/forget/{of}", post(forget))
}

pub(super) fn view(state: &DeskState) -> View {
    let (plugged, added) = (&state.plugged, &state.added);
    let cards: Vec<&Place> = all(&plugged.cards, &added.cards);
    let drives: Vec<&Place> = all(&plugged.drives, &added.drives);
    let html = html! {
        h1 { "Now" }
        @for asked in state.unfinished.iter().rev() { (unfinished(asked)) }
        div.columns {
            div {
                @if let Some(why) = &plugged.why { p.notice { (shown(why)) } }
                (group("Cards", "card", "No card is plugged in.", &cards, plugged.is_known))
                (group("Drives", "drive", "No drive is plugged in.", &drives, plugged.is_known))
                (names(&state.shoot))
            }
            section.plan aria-label="Plan" {
                // Above the plan, so that it stays where it is while that changes.
                div.head { h2 { "Plan" } button.main.large type="button" #copy { "Copy" } }
                p.bad #copy-why role="alert" data-own {}
                div #plan data-own {
                    p { "Tick a card and the drives to copy it to." }
                }
            }
        }
    };
    View {
        name: "now",
        html,
        say: String::new(),
    }
}

/// What is plugged in, and what was added and is something else.
fn all<'a>(plugged: &'a [Place], added: &'a [Place]) -> Vec<&'a Place> {
    let is_other = |place: &&Place| plugged.iter().all(|known| known.path != place.path);
    plugged
        .iter()
        .chain(added.iter().filter(is_other))
        .collect()
}

fn unfinished(asked: &Asked) -> Markup {
    let names = |paths: &[camino::Utf8PathBuf]| {
        let names = paths.iter().map(|path| shown(path.as_str()));
        names.collect::<Vec<_>>().join(", ")
    };
    let of = asked.mark();
    html! {
        section.notice id={ "open-" (of) } aria-labelledby={ "open-" (of) "-is" } {
            p id={ "open-" (of) "-is" } {
                "A copy was cut short: " bdi { (names(&asked.cards)) } " to "
                bdi { (names(&asked.to)) }
                @if let Some(name) = &asked.name { ", as " bdi { (shown(name)) } }
                ". What was checked is kept; it can go on."
            }
            p.buttons {
                button.main type="button" data-post={ "/go-on/" (of) }
                    aria-describedby={ "open-" (of) "-is" } { "Go on" }
                button type="button" data-post={ "/forget/" (of) }
                    aria-describedby={ "open-" (of) "-is" } { "Leave it" }
            }
        }
    }
}

fn group(title: &str, kind: &str, none: &str, places: &[&Place], is_known: bool) -> Markup {
    let is_shared = |place: &Place| places.iter().filter(|p| p.name == place.name).count() > 1;
    html! {
        fieldset {
            legend { (title) }
            @if places.is_empty() {
                p.soft id={ (kind) "-none" } { @if is_known { (none) } @else { "Looking ..." } }
            }
            ul.places id={ (kind) "-list" } {
                @for place in places {
                    @let id = id(kind, place);
                    @let path = shown(place.path.as_str());
                    li id={ (id) "-row" } {
                        input type="checkbox" id=(id) name=(kind) value=(place.path)
                            checked[place.is_ticked] aria-describedby={ (id) "-is" };
                        div {
                            label for=(id) {
                                bdi { (place.name) }
                                // Two of one name are told apart.
                                @if is_shared(place) { " " bdi { "(" (path) ")" } }
                            }
                            p.soft id={ (id) "-is" } {
                                (place.words)
                                @match &place.past {
                                    Some(CardPast::Known(is_proven, words)) => {
                                        br; span class=(if *is_proven { "good" } else { "bad" }) {
                                            bdi { (words) }
                                        }
                                    }
                                    Some(CardPast::Looking) => {
                                        br; "Looking whether it is proven already ..."
                                    }
                                    None => {}
                                }
                                @if path != place.name { br; bdi { (path) } }
                            }
                        }
                    }
                }
            }
            p.buttons id={ (kind) "-add" } {
                button type="button" data-pick=(kind) { "Add a folder" }
            }
        }
    }
}

/// What the copy and its shoot are called; all of it may be left empty.
fn names((shoot, expect): &(Option<String>, Option<String>)) -> Markup {
    let field = |id: &str, label: &str, help: &str, value: &Option<String>| {
        html! {
            div.field {
                label for=(id) { (label) }
                input id=(id) type="text" value=[value.as_deref()] autocomplete="off"
                    aria-describedby={ (id) "-is" };
                p.soft id={ (id) "-is" } { (help) }
            }
        }
    };
    html! {
        details #names {
            summary { "Names" }
            (field("shoot", "Shoot", "The cards that belong together. Empty: as usual.", shoot))
            (field("expect", "Cards of the shoot", "How many there are, so that one that is \
                missing is named.", expect))
            (field("name", "Name of the offload", "Of one card. Empty: the date and the card.",
                &None))
        }
    }
}

/// A name for the document that is the same as long as the place is.
fn id(kind: &str, place: &Place) -> String {
    let hash = blake3::hash(place.path.as_str().as_bytes()).to_hex();
    format!("{kind}-{}", hash.get(..16).unwrap_or(&hash))
}

/// Shows what a copy of this would do.
async fn plan(State(desk): State<Arc<Desk>>, Json(asked): Json<Asked>) -> Response {
    if desk.lock().is_busy() {
        return StatusCode::CONFLICT.into_response();
    }
    let planned = tokio::task::spawn_blocking(move || planned(&desk, &asked).into_string());
    match planned.await {
        Ok(html) => Html(html).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn planned(desk: &Desk, asked: &Asked) -> Markup {
    if let Some(why) = typed::not_whole(asked) {
        return html! { p { (why) } };
    }
    let tools = Tools {
        cancel: Arc::new(AtomicBool::new(false)),
        ..desk.tools.clone()
    };
    let (found, said) = heard(|| {
        let args = typed::copy_args(desk, asked, &tools)?;
        look(&args, &desk.common, desk.out, &tools, &desk.book())
    });
    html! {
        @match &found {
            Ok(plans) => {
                @for (job, plan) in plans {
                    @match plan {
                        Ok(plan) => (plan_words(plan)),
                        Err(refusal) => (refusal_words(job, refusal)),
                    }
                }
                (list("soft", &said))
            }
            Err(_) => {
                p.bad { "This can't be copied as it is." }
                (list("", &said))
            }
        }
        @if can_be_separate(desk, asked) { (separate(asked)) }
    }
}

fn plan_words(plan: &Plan) -> Markup {
    let words = PlanWords::of(plan, false);
    let names = drive_names(plan);
    let known = card_problems(&plan.listing).into_iter();
    let known = known
        .chain(plan.unheld_problems())
        .chain(list_problems(plan));
    let troubles: Vec<String> = known
        .take(TROUBLES_MAX)
        .map(|p| format!("{} {}", sentence(&p.words(&names)), p.next_step()))
        .collect();
    html! {
        @if let Some(time) = &words.time { p.lead { (time) } }
        p { (foreign(&words.head)) }
        dl {
            @for (name, work) in &words.drives {
                div { dt { (foreign(name)) } dd { (quoting(work)) } }
            }
        }
        @if let Some(speed) = &words.speed { p { (quoting(speed)) } }
        @if words.time.is_none() { p.soft { "How long it takes shows once it runs." } }
        @if !troubles.is_empty() {
            h3.bad { "Before you begin" }
            (list("", &troubles))
        }
        (list("soft", &words.notes))
    }
}

fn refusal_words(job: &Job, refusal: &Refusal) -> Markup {
    let drives: Vec<String> = job.to.iter().map(ToString::to_string).collect();
    html! {
        p.bad { (foreign(job.card.as_str())) " can't be copied as it is:" }
        @for (reasons, step) in refusal_steps(&refusal.reasons, &drives) {
            (list("", &reasons))
            p { (step) }
        }
    }
}

fn separate(asked: &Asked) -> Markup {
    html! {
        div.choice {
            input type="checkbox" #separate checked[asked.separate]
                aria-describedby="separate-is";
            div {
                label for="separate" { "Two folders are on separate drives" }
                p.soft #separate-is {
                    "The system doesn't say. Tick it only if you know it; the manifest says that \
                     you said so."
                }
            }
        }
    }
}

/// Whether the system can't tell that drives are separate, and the person's word would count.
fn can_be_separate(desk: &Desk, asked: &Asked) -> bool {
    let facts = asked
        .to
        .iter()
        .filter_map(|to| desk.tools.disk.facts(to).ok());
    let facts: Vec<FolderFacts> = facts.collect();
    let devices: Vec<(&Backing, u64)> = facts.iter().map(|f| (&f.backing, f.device)).collect();
    count_independent(&devices, true) > count_independent(&devices, false)
}

async fn copy(State(desk): State<Arc<Desk>>, Json(asked): Json<Asked>) -> Response {
    done_or(jobs::start(&desk, asked))
}

/// Goes on with what was cut short.
async fn go_on(State(desk): State<Arc<Desk>>, Path(of): Path<String>) -> Response {
    let open = desk.lock().unfinished.clone();
    match open.into_iter().find(|open| open.mark() == of) {
        Some(asked) => done_by(move || jobs::start_again(&desk, asked)).await,
        None => refused("There is nothing to go on with."),
    }
}

async fn forget(State(desk): State<Arc<Desk>>, Path(of): Path<String>) -> StatusCode {
    jobs::forget(&desk, &of);
    StatusCode::NO_CONTENT
}
