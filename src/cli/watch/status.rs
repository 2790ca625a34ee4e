//! Owns the file that says what a watch is doing, for whoever asks from another terminal, and that
//! only one watch runs for one folder.

use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::{all_of, wrap};
use camino::{Utf8Path, Utf8PathBuf};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Write as _};
use std::sync::{Arc, Mutex, PoisonError};
use unlade::disk::home::{hold, make_folder, read_tail};
use unlade::name::shown;
use unlade::run::Tools;
use unlade::units::{float, size};

/// The file, in the person's own folder.
const STATUS: &str = "watch.json";
/// Locked for as long as a watch runs.
const LOCK: &str = "watch.lock";
/// The event of the answer.
const EVENT: &str = "watch-status";
/// Longest file in bytes.
const BYTES_MAX: u64 = 1 << 20;

/// What a watch is doing.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct Status {
    /// Its process.
    pub(super) pid: u32,
    /// Since when, RFC 3339.
    pub(super) since: String,
    /// When this was written, RFC 3339.
    pub(super) at: String,
    /// The cards that are plugged in.
    pub(super) cards: Vec<CardStatus>,
    /// What is to be sent to places yet.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) to_send: Vec<ToSend>,
}

/// How far an offload is that is to be sent.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct ToSend {
    pub(super) card: String,
    pub(super) offload: String,
    pub(super) place: String,
    /// Bytes that are sent, and of how many, while it is being sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) bytes: Option<(u64, u64)>,
    /// Why it was not, when it was tried last.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) why: Option<String>,
}

/// How far one card is.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize)]
pub(super) struct CardStatus {
    pub(super) card: String,
    pub(super) name: String,
    /// `copying`, `queued` or `waiting`.
    pub(super) state: String,
    /// The drives that it waits for.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) waits_for: Vec<String>,
    /// The drives on which it will not fit, or does not.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) no_room: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) offload: Option<String>,
    /// Bytes that are read, and of how many.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) bytes: Option<(u64, u64)>,
}

/// How far the copies are that run, by the card's path.
#[derive(Clone, Debug, Default)]
pub(super) struct Underway(Arc<Mutex<BTreeMap<String, CopyProgress>>>);

/// How far one copy is.
#[derive(Clone, Debug, Default)]
pub(super) struct CopyProgress {
    pub(super) offload: Option<String>,
    pub(super) bytes: (u64, u64),
}

impl Underway {
    pub(super) fn note(&self, card: &str, offload: Option<&str>, bytes: (u64, u64)) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let now = CopyProgress {
            offload: offload.map(str::to_owned),
            bytes,
        };
        all.insert(card.to_owned(), now);
    }

    pub(super) fn end(&self, card: &str) {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.remove(card);
    }

    pub(super) fn of(&self, card: &str) -> Option<CopyProgress> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        all.get(card).cloned()
    }
}

/// The one watch of a folder, until it is dropped.
#[derive(Debug)]
pub(super) struct StatusFile {
    path: Utf8PathBuf,
    /// The system gives it back however this process ends.
    _lock: File,
    last: Option<Status>,
}

impl StatusFile {
    /// Takes the place of the one watch; `None` where another has it.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn take(home: &Utf8Path) -> io::Result<Option<Self>> {
        make_folder(home)?;
        let Some(lock) = hold(&home.join(LOCK), true)? else {
            return Ok(None);
        };
        Ok(Some(Self {
            path: home.join(STATUS),
            _lock: lock,
            last: None,
        }))
    }

    /// Writes what is so now, where that is not what was written last.
    ///
    /// # Errors
    /// What the system says.
    pub(super) fn write(&mut self, status: Status) -> io::Result<()> {
        let is_same = |last: &Status| {
            let what = |of: &Status| (of.cards.clone(), of.to_send.clone(), of.since.clone());
            what(last) == what(&status)
        };
        if self.last.as_ref().is_some_and(is_same) {
            return Ok(());
        }
        let folder = self.path.parent().unwrap_or(Utf8Path::new("."));
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        file.write_all(&serde_json::to_vec(&status)?)?;
        // Whole or not at all; nothing rests on it after a power cut.
        file.persist(&self.path)?;
        self.last = Some(status);
        Ok(())
    }
}

/// Says what the watch that runs is doing. The exit code is 1 where none runs.
pub(super) fn tell(home: &Utf8Path, out: Out, tools: &Tools) -> Exit {
    let json = Json::new(out, Arc::clone(&tools.clock));
    let is_running = matches!(hold(&home.join(LOCK), false), Ok(None));
    let read = || -> io::Result<Status> {
        let (text, is_cut) = read_tail(&home.join(STATUS), BYTES_MAX)?;
        if is_cut {
            return Err(io::Error::other("it is larger than any such file"));
        }
        // It has only just begun.
        if text.is_empty() {
            return Ok(Status::default());
        }
        Ok(serde_json::from_slice(&text)?)
    };
    if !is_running {
        if out.json {
            json.send(EVENT, serde_json::json!({"running": false}));
        } else {
            out.line("No watch runs. To begin one: unlade watch");
        }
        return Exit::NotProven;
    }
    let status = match read() {
        Ok(status) => status,
        Err(e) => {
            let why = format!(
                "a watch runs, but `{}` can't be read: {e}.",
                home.join(STATUS)
            );
            return refuse(&[why], Exit::Refused, "status", out, tools);
        }
    };
    if out.json {
        let mut body = serde_json::json!({"running": true});
        let fields = serde_json::to_value(&status).unwrap_or_default();
        if let (Some(body), serde_json::Value::Object(fields)) = (body.as_object_mut(), fields) {
            body.extend(fields);
        }
        json.send(EVENT, body);
        return Exit::Done;
    }
    if status.cards.is_empty() {
        out.line("A watch runs, and waits for a card.");
    }
    let sends = status.to_send.iter().map(sending_words);
    for text in status.cards.iter().map(words).chain(sends) {
        for line in wrap(&text, out.width, "", "  ") {
            out.line(&line);
        }
    }
    Exit::Done
}

/// Says how far something is, in words that follow others.
fn so_far(bytes: Option<(u64, u64)>, done_how: &str) -> Option<String> {
    bytes.filter(|(_, all)| *all > 0).map(|(done, all)| {
        let percent = (float(done) / float(all) * 100.0).floor();
        format!(
            ", {} of {} {done_how} ({percent:.0} %)",
            size(done),
            size(all)
        )
    })
}

fn sending_words(of: &ToSend) -> String {
    let (card, offload, place) = (shown(&of.card), shown(&of.offload), shown(&of.place));
    match (&of.why, of.bytes) {
        (_, Some(_)) => {
            let so_far = so_far(of.bytes, "sent").unwrap_or_default();
            format!("{card}: sending {offload} to {place}{so_far}")
        }
        (Some(why), None) => {
            format!(
                "{card}: {offload} is to be sent to {place} yet: {}",
                shown(why)
            )
        }
        (None, None) => format!("{card}: {offload} is to be sent to {place} yet"),
    }
}

fn words(card: &CardStatus) -> String {
    let name = shown(&card.name);
    match card.state.as_str() {
        "copying" => {
            let so_far = so_far(card.bytes, "read");
            let named = card.offload.as_ref();
            let named = named.map_or_else(String::new, |n| format!(" as {}", shown(n)));
            format!("{name}: copying{named}{}", so_far.unwrap_or_default())
        }
        "waiting" if card.waits_for.is_empty() => {
            format!("{name}: waits for room on {}", all_of(&card.no_room))
        }
        "waiting" => {
            let drives: Vec<String> = card.waits_for.iter().map(|d| shown(d)).collect();
            format!("{name}: waits for {}", all_of(&drives))
        }
        _ if card.no_room.is_empty() => format!("{name}: waits for its turn"),
        _ => format!(
            "{name}: waits for its turn, and will not fit on {}",
            all_of(&card.no_room)
        ),
    }
}
