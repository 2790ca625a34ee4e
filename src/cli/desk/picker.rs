//! Owns the choice of a folder: names of folders and nothing else, mounted volumes first.

use super::reply::done_or;
use super::state::{Desk, Place, Places};
use crate::cli::args::pasted;
use axum::Json;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{IntoResponse as _, Response};
use axum::routing::post;
use camino::{Utf8Path, Utf8PathBuf};
use serde::Deserialize;
use serde_json::{Value, json};
use std::sync::Arc;
use unlade::disk::Disk;
use unlade::name::shown;
use unlade::units::size;

/// Folders that are listed; who has more types some letters.
const LISTED_MAX: usize = 200;
/// Entries of one folder that are looked at.
const LOOKED_MAX: usize = 20_000;
/// Longest path that is taken, in bytes (`PATH_MAX` of Linux).
const PATH_MAX: usize = 4_096;
/// Folders that may be added.
const ADDED_MAX: usize = 32;

pub(super) fn routes() -> Router<Arc<Desk>> {
    Router::new()
        .route("/folders", post(folders))
        .route("/add", post(add))
}

#[derive(Deserialize)]
struct TypedPath {
    path: String,
}

/// Lists the folders that a path may be meant to go on to.
async fn folders(State(desk): State<Arc<Desk>>, Json(asked): Json<TypedPath>) -> Response {
    if asked.path.len() > PATH_MAX {
        return StatusCode::PAYLOAD_TOO_LARGE.into_response();
    }
    let Ok(pick) = Arc::clone(&desk.picks).try_acquire_owned() else {
        return no_answer();
    };
    let listing = tokio::task::spawn_blocking(move || {
        let found = list(&desk, &asked.path);
        // Held as long as it hangs, whoever has gone away meanwhile.
        drop(pick);
        found
    });
    match listing.await {
        Ok(found) => Json(found).into_response(),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

/// What is said while earlier looks are not done.
fn no_answer() -> Response {
    let why = "A folder doesn't answer yet: wait a moment and type on. If it stays so, unplug the \
               drive that you typed the path of, or start unlade desk again.";
    (StatusCode::SERVICE_UNAVAILABLE, Json(json!({"why": why}))).into_response()
}

fn list(desk: &Desk, typed: &str) -> Value {
    if typed.is_empty() {
        let folders: Vec<Value> = starts(desk).iter().map(|path| folder(path, path)).collect();
        return json!({"folders": folders, "is_folder": false, "more": false});
    }
    let at = typed.rfind(std::path::is_separator).map_or(0, |at| at + 1);
    let (parent, begun) = typed.split_at(at);
    let parent = Utf8Path::new(parent);
    let mut names = children(parent, begun);
    let more = names.len() > LISTED_MAX;
    names.truncate(LISTED_MAX);
    let folders = names.iter();
    let folders = folders.map(|name| folder(&parent.join(name), Utf8Path::new(name)));
    let is_folder = is_folder(desk.disk(), Utf8Path::new(typed));
    json!({"folders": folders.collect::<Vec<_>>(), "is_folder": is_folder, "more": more})
}

fn folder(path: &Utf8Path, name: &Utf8Path) -> Value {
    json!({"path": path, "name": shown(name.as_str())})
}

/// Where to begin: what is plugged in, what else is mounted, the person's own folder, and the top.
fn starts(desk: &Desk) -> Vec<Utf8PathBuf> {
    let plugged = desk.lock().plugged.clone();
    let plugged = plugged.cards.into_iter().chain(plugged.drives);
    let mounted = desk.disk().mounted().ok().flatten().unwrap_or_default();
    let home = dirs::home_dir().and_then(|home| Utf8PathBuf::from_path_buf(home).ok());
    let all = plugged.map(|place| place.path);
    let top = Utf8PathBuf::from("/");
    let mounted = mounted.into_iter().map(|at| at.path);
    let all = all.chain(mounted.filter(|path| *path != top)).chain(home);
    let mut starts: Vec<Utf8PathBuf> = Vec::new();
    for path in all.chain([top.clone()]) {
        if !starts.contains(&path) && starts.len() < LISTED_MAX {
            starts.push(path);
        }
    }
    starts.retain(|path| is_folder(desk.disk(), path));
    starts
}

/// The folders of a folder whose names begin like this; hidden ones for whoever types the dot.
fn children(parent: &Utf8Path, begun: &str) -> Vec<String> {
    if !parent.is_absolute() {
        return Vec::new();
    }
    let Ok(entries) = std::fs::read_dir(parent) else {
        return Vec::new();
    };
    let begun = begun.to_lowercase();
    let is_meant = |name: &String| {
        let is_hidden = name.starts_with('.') && !begun.starts_with('.');
        !is_hidden && name.to_lowercase().starts_with(&begun)
    };
    let entries = entries.take(LOOKED_MAX).filter_map(Result::ok);
    let folders = entries.filter(|entry| entry.file_type().is_ok_and(|kind| kind.is_dir()));
    let names = folders.filter_map(|entry| entry.file_name().into_string().ok());
    let mut names: Vec<String> = names.filter(is_meant).collect();
    names.sort_by_key(|name| name.to_lowercase());
    names
}

/// Whether this is a folder, a link to one too.
fn is_folder(disk: &dyn Disk, path: &Utf8Path) -> bool {
    path.is_absolute() && disk.facts(path).is_ok() && path.is_dir()
}

#[derive(Deserialize)]
#[serde(rename_all = "lowercase")]
enum AddedAs {
    Card,
    Drive,
}

#[derive(Deserialize)]
struct ToAdd {
    #[serde(rename = "as")]
    added_as: AddedAs,
    path: String,
}

/// Adds a folder to what can be ticked.
async fn add(State(desk): State<Arc<Desk>>, Json(wanted): Json<ToAdd>) -> Response {
    let Ok(pick) = Arc::clone(&desk.picks).try_acquire_owned() else {
        return no_answer();
    };
    let adding = tokio::task::spawn_blocking(move || {
        let done = added(&desk, &wanted);
        drop(pick);
        done
    });
    match adding.await {
        Ok(added) => done_or(added),
        Err(_) => StatusCode::INTERNAL_SERVER_ERROR.into_response(),
    }
}

fn added(desk: &Desk, to_add: &ToAdd) -> Result<(), String> {
    let path = to_add.path.trim();
    let meant = pasted::meant(Utf8Path::new(path), &|path: &Utf8Path| {
        is_folder(desk.disk(), path)
    });
    if path.len() > PATH_MAX || !meant.is_absolute() {
        return Err("Give the folder by its whole path.".to_owned());
    }
    if !is_folder(desk.disk(), &meant) {
        return Err(format!("There is no folder {}.", shown(meant.as_str())));
    }
    // One way to write a path: it is found again by it.
    let meant: Utf8PathBuf = meant.components().collect();
    let facts = desk
        .disk()
        .facts(&meant)
        .map_err(|cause| format!("{cause}."))?;
    let (free, total) = (size(facts.free_bytes), size(facts.total_bytes));
    let (words, is_card) = match to_add.added_as {
        AddedAs::Card => ("a folder that you added".to_owned(), true),
        AddedAs::Drive => (
            format!("{free} free of {total}: a folder that you added"),
            false,
        ),
    };
    // Only a whole volume goes by its label.
    let is_volume = facts.is_mount_root && !facts.is_own_volume;
    let label = facts.label.as_deref().filter(|_| is_volume);
    let place = Place {
        name: shown(label.unwrap_or(meant.as_str())),
        path: meant,
        words,
        is_ticked: true,
        past: None,
        volume: None,
    };
    let mut state = desk.lock();
    let Places { cards, drives, .. } = &mut state.added;
    let list = if is_card { cards } else { drives };
    list.retain(|known| known.path != place.path);
    if list.len() >= ADDED_MAX {
        return Err("No more folders can be added here.".to_owned());
    }
    list.push(place);
    drop(state);
    desk.poke();
    Ok(())
}
