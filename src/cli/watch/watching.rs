//! Owns the watch itself: it looks once a second, begins what the station says, and ends when it is
//! asked to.

use super::cards::{Orders, StationCard, look};
use super::copying::{Copied, Shared};
use super::hooks::{Hook, Hooks};
use super::log::WatchLog;
use super::room::FullCards;
use super::seen::SeenFiles;
use super::sending::{SendThread, ToPlaces};
use super::status::{CardStatus, Status, StatusFile, Underway};
use super::told::Told;
use super::waiting::{LookedCard, RunningCard, WaitingQueue};
use crate::cli::args::Common;
use crate::cli::args::watch::WatchArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::kit_file;
use crate::cli::system::signals::AtWork;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::all_of;
use camino::{Utf8Path, Utf8PathBuf};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender, bounded};
use serde_json::{Value, json};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::thread::Scope;
use std::time::Duration;
use unlade::clock::rfc3339;
use unlade::kit::Kit;
use unlade::name::shown;
use unlade::plan::first::Aim;
use unlade::run::Tools;
use unlade::station::{AT_ONCE_MAX, CopyEnd, PluggedCard, Station, StationNews};

/// How often it is looked what is plugged in: a card is begun within three seconds.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// How long the hooks of the last card are waited for.
const HOOKS_PATIENCE: Duration = Duration::from_secs(31);

/// A watch.
pub(super) struct Watching<'a> {
    once: bool,
    aim: Aim,
    home: Utf8PathBuf,
    status: StatusFile,
    common: &'a Common,
    out: Out,
    tools: &'a Tools,
    book: &'a Book,
    log: WatchLog,
    since: String,
}

/// What came of the work on a card.
enum Came {
    Copied(PluggedCard, Copied),
    Looked(PluggedCard, Option<Box<LookedCard>>),
    /// Whether there is room by now for one that had none.
    Again(PluggedCard, bool),
}

/// What a watch knows from one look to the next.
struct WatchState {
    station: Station,
    kit: Kit,
    /// Why the kit could not be read at the last look.
    kit_trouble: Option<Vec<String>>,
    cards: Vec<StationCard>,
    running: Vec<RunningCard>,
    waiting: WaitingQueue,
    full: FullCards,
    is_blind: bool,
    status_trouble: bool,
}

impl<'a> Watching<'a> {
    /// Takes the place of the one watch.
    ///
    /// # Errors
    /// The exit code, once it is told why there can be none.
    pub(super) fn begin(
        args: &WatchArgs,
        common: &'a Common,
        home: &Utf8Path,
        out: Out,
        tools: &'a Tools,
        book: &'a Book,
    ) -> Result<Self, Exit> {
        let refused = |why: String| refuse(&[why], Exit::Refused, "watch", out, tools);
        let taken = StatusFile::take(home);
        let unused = |e| {
            let why = format!("`{home}` can't be used: {e}. Give another folder with --home.");
            refused(why)
        };
        let taken = taken.map_err(unused)?;
        let Some(status) = taken else {
            return Err(refused(
                "a watch runs already. To see what it does: unlade watch --status".to_owned(),
            ));
        };
        Ok(Self {
            once: args.once,
            aim: args.first.map_or(Aim::OnlyCopy, Aim::from),
            home: home.to_owned(),
            status,
            common,
            out,
            tools,
            book,
            log: WatchLog::new(out, Arc::clone(&tools.clock)),
            since: rfc3339(tools.clock.now()),
        })
    }

    /// Watches until it is asked to stop, or the next card is done where it is for one alone.
    pub(super) fn run(mut self) -> Exit {
        // A look that takes its time is no reason to be ended by the first signal.
        let _at_work = AtWork::begin();
        let kit = match kit_file::read(&self.home) {
            Ok(kit) => kit,
            Err(e) => return refuse(&e.lines(), e.exit(), "kit", self.out, self.tools),
        };
        let mut state = WatchState {
            station: Station::default(),
            kit,
            kit_trouble: None,
            cards: Vec::new(),
            running: Vec::new(),
            waiting: WaitingQueue::new(self.aim),
            full: FullCards::default(),
            is_blind: false,
            status_trouble: false,
        };
        let (hooks, hooks_ended) = Hooks::new(&self.home, &self.log, self.tools);
        let told = Told::new(&self.home, Arc::clone(&self.tools.clock));
        let (log, progress) = (self.log.clone(), Underway::default());
        let seen = SeenFiles::default();
        let sending = match ToPlaces::read(&self.home, self.tools) {
            Ok(sending) => Arc::new(sending),
            Err(e) => {
                let why = format!(
                    "what is to be sent yet can't be read in `{}`: {e}.",
                    shown(self.home.as_str())
                );
                return refuse(&[why], Exit::Refused, "watch", self.out, self.tools);
            }
        };
        let shared = Shared {
            common: self.common,
            out: self.out,
            tools: self.tools,
            book: self.book,
            log: &log,
            hooks: &hooks,
            told: &told,
            progress: &progress,
            seen: &seen,
            sending: &sending,
        };
        log.tell(
            "began",
            None,
            "watching for cards; Ctrl-C ends it.",
            Value::Null,
        );
        if state.kit.cards.is_empty() && state.kit.rules.is_empty() {
            let text = "no card will be copied: the kit has neither a card nor a rule yet. See \
                unlade kit -h; what is added counts at once.";
            log.tell("began", None, text, Value::Null);
        }
        let exit = std::thread::scope(|scope| {
            let exit = self.turns(scope, &shared, &mut state);
            sending.end();
            exit
        });
        drop(hooks);
        // What still runs is ended with its time.
        if hooks_ended.recv_timeout(HOOKS_PATIENCE) == Err(RecvTimeoutError::Timeout) {
            tracing::debug!("a hook has not ended");
        }
        exit
    }

    fn turns<'s>(
        &mut self,
        scope: &'s Scope<'s, '_>,
        shared: &'s Shared<'_>,
        state: &mut WatchState,
    ) -> Exit {
        SendThread {
            sending: shared.sending,
            log: shared.log,
            out: shared.out,
            tools: shared.tools,
        }
        .begin(scope);
        let (ended, ends) = bounded::<Came>(2 * AT_ONCE_MAX);
        let is_stopped = || self.tools.cancel.load(Ordering::SeqCst);
        let mut last = None;
        loop {
            let is_over = is_stopped() || (self.once && last.is_some());
            let is_sent = is_stopped() || shared.sending.is_idle();
            if is_over && state.running.is_empty() && is_sent {
                let was_cut = last == Some(Exit::Interrupted);
                let ends = last.into_iter().chain(shared.sending.ends());
                return match last {
                    Some(_) if self.once => Exit::of_all(ends),
                    Some(exit) if was_cut => exit,
                    _ => Exit::Done,
                };
            }
            if !is_over {
                self.look(shared, state);
                self.look_for_room(scope, shared, state, &ended);
                self.begin_copies(scope, shared, state, &ended);
            }
            let is_queued = !is_over && state.station.queued().next().is_some();
            shared
                .sending
                .give_way(is_queued || !state.running.is_empty());
            self.note_status(shared, state);
            if let Some(exit) = self.wait(&ends, state, is_stopped) {
                last = Some(exit);
            }
        }
    }

    /// Waits for the next look, or for the end of a copy; returns how one ended.
    fn wait(
        &self,
        ends: &Receiver<Came>,
        state: &mut WatchState,
        is_stopped: impl Fn() -> bool,
    ) -> Option<Exit> {
        const SLICE: Duration = Duration::from_millis(50);
        let slices = LOOK_EVERY.as_millis() / SLICE.as_millis();
        for _ in 0..slices {
            match ends.recv_timeout(SLICE) {
                Ok(Came::Copied(card, copied)) => {
                    state.running.retain(|running| running.card != card);
                    state.station.end(&card, copied.end);
                    state.waiting.forget();
                    self.note_full(state, &card, copied.full);
                    return Some(copied.exit);
                }
                Ok(Came::Looked(card, looked)) => {
                    state.waiting.note(&card, looked);
                    return None;
                }
                Ok(Came::Again(card, has_room)) => {
                    state.full.looked(&card);
                    if has_room && state.station.has_room(&card) {
                        self.tell_room_again(state, &card);
                        return None;
                    }
                }
                Err(_) if is_stopped() && state.running.is_empty() => return None,
                Err(_) => {}
            }
        }
        None
    }

    // ---- looking ------------------------------------------------------------------------------

    fn look(&self, shared: &Shared<'_>, state: &mut WatchState) {
        self.read_kit(state);
        let disk = self.tools.disk.as_ref();
        let seen = match look(&state.kit, disk) {
            Ok(Some(seen)) => seen,
            other => {
                // What was seen last is still so, as far as anybody knows.
                if !std::mem::replace(&mut state.is_blind, true) {
                    let why = other.err().map_or_else(String::new, |e| format!(": {e}"));
                    let text = format!("the system doesn't say what is plugged in{why}.");
                    self.log.tell("blind", None, &text, Value::Null);
                }
                return;
            }
        };
        state.is_blind = false;
        state.cards = seen;
        state.waiting.keep(&state.cards, shared.seen);
        let seen: Vec<_> = state.cards.iter().map(StationCard::seen).collect();
        for news in state.station.look(&seen) {
            self.tell_news(shared, state, &news);
        }
    }

    /// Reads the kit again: it may have been edited. One that is faulty is told once, and the last
    /// good one counts.
    fn read_kit(&self, state: &mut WatchState) {
        match kit_file::read(&self.home) {
            Ok(kit) => {
                state.kit_trouble = None;
                state.kit = kit;
            }
            Err(e) => {
                let mut lines = e.lines();
                if state.kit_trouble.as_ref() != Some(&lines) {
                    state.kit_trouble = Some(lines.clone());
                    // There is no command to be run again.
                    let step = lines.pop_if(|line| line.starts_with("Correct "));
                    let step = step.map_or("", |_| "Correct it in a text editor. ");
                    let lines: Vec<&str> = lines.iter().map(|l| l.trim_end_matches('.')).collect();
                    let text = format!(
                        "{}. {step}The kit as it was counts until then.",
                        lines.join("; ")
                    );
                    self.log.tell("kit-faulty", None, &text, Value::Null);
                }
            }
        }
    }

    fn tell_news(&self, shared: &Shared<'_>, state: &WatchState, news: &StationNews) {
        let named = |card: &PluggedCard| {
            let found = state.cards.iter().find(|c| c.card == *card);
            let name = found.map_or_else(|| card.path.to_string(), |c| c.name.clone());
            (shown(&name), found.map(|c| &c.orders))
        };
        match news {
            StationNews::Unknown(card) => {
                let (name, orders) = named(card);
                let why = orders.and_then(|o| o.as_ref().err()).cloned();
                let text = format!(
                    "not touched. {} To see why: unlade watch --explain {}",
                    why.unwrap_or_default(),
                    crate::cli::args::meant::quoted(&card.path)
                );
                self.log
                    .tell("unknown", Some(&name), &text, json!({"path": card.path}));
            }
            StationNews::Waiting(card, drives) => {
                let (name, orders) = named(card);
                let orders = orders.and_then(|o| o.as_ref().ok());
                let why = orders.map(|o| o.why_missing.join(" ")).unwrap_or_default();
                let text = format!("waits for {}. {why}", all_of(drives));
                let text = text.trim_end();
                let about = json!({"path": card.path, "drives": drives});
                self.log.tell("waiting", Some(&name), text, about);
                let about = json!({"card": card.path, "label": name, "waits_for": drives});
                shared.hooks.begin(Hook::Waiting, Some(&name), about);
            }
            StationNews::Gone(card) => {
                let name = shown(card.path.file_name().unwrap_or(card.path.as_str()));
                let text = "gone before it was copied.";
                self.log
                    .tell("gone", Some(&name), text, json!({"path": card.path}));
            }
            StationNews::TooMany => {
                let text = "more cards are plugged in than can be watched; the others are not.";
                self.log.tell("too-many", None, text, Value::Null);
            }
        }
    }

    // ---- copying ------------------------------------------------------------------------------

    /// Begins what can be, the first in turn first.
    fn begin_copies<'s>(
        &self,
        scope: &'s Scope<'s, '_>,
        shared: &'s Shared<'_>,
        state: &mut WatchState,
        came: &Sender<Came>,
    ) {
        let queued: Vec<PluggedCard> = state.station.queued().cloned().collect();
        let is_alone = queued.len() < 2 && state.running.is_empty();
        let now = self.tools.clock.elapsed();
        let is_decided = state.waiting.is_decided(&queued, now);
        if queued.is_empty() || (self.once && !state.running.is_empty()) {
            return;
        }
        if !is_alone {
            Self::look_at_all(scope, shared, state, &queued, came);
            if state.running.is_empty() && !is_decided {
                return;
            }
        }
        let turns = state.waiting.order(&queued, shared.seen);
        let order: Vec<PluggedCard> = turns.iter().map(|(card, _)| card.clone()).collect();
        self.tell_room(state, &order);
        loop {
            let (waiting, running) = (&state.waiting, &state.running);
            let may_begin = |card: &PluggedCard| waiting.may_begin(card, running);
            let Some(card) = state.station.begin(&order, may_begin) else {
                return;
            };
            let found = state.cards.iter().find(|c| c.card == card).cloned();
            let orders = found.as_ref().and_then(|found| found.orders.clone().ok());
            let (Some(found), Some(orders)) = (found, orders) else {
                state.station.end(&card, CopyEnd::Open);
                continue;
            };
            let why = turns.iter().find(|(of, _)| *of == card).map(|(_, why)| why);
            if let Some(why) = why.filter(|why| order.len() > 1 && !why.is_empty()) {
                let text = format!("its turn comes before {}: {why}.", others(order.len() - 1));
                let about = json!({"path": card.path});
                self.log
                    .tell("turn", Some(&shown(&found.name)), &text, about);
            }
            let facts = self.tools.disk.facts(&card.path).ok();
            let running = state.waiting.begin(&card, facts, now);
            state.running.push(running);
            if let Err(e) = begin_copy(scope, shared, found, orders, came.clone()) {
                state.running.retain(|r| r.card != card);
                state.station.end(&card, CopyEnd::Open);
                let text = format!("no copy could be begun: {e}.");
                self.log.tell("broken", None, &text, Value::Null);
            }
            if self.once {
                return;
            }
        }
    }

    /// Looks at the cards that wait, each in a thread of its own: a reader that does not answer
    /// holds up no other card.
    fn look_at_all<'s>(
        scope: &'s Scope<'s, '_>,
        shared: &'s Shared<'_>,
        state: &mut WatchState,
        queued: &[PluggedCard],
        came: &Sender<Came>,
    ) {
        for card in state.waiting.next_looks(queued) {
            let found = state.cards.iter().find(|c| c.card == card).cloned();
            let came = came.clone();
            let of = card.clone();
            let look = move || {
                let looked = || {
                    let found = found?;
                    let orders = found.orders.clone().ok()?;
                    Some(Box::new(shared.look_at(&found, &orders)))
                };
                let looked = catch_unwind(AssertUnwindSafe(looked)).ok().flatten();
                // The loop has ended where nobody takes it.
                if came.send(Came::Looked(of, looked)).is_err() {}
            };
            let thread = std::thread::Builder::new().name("watch-look".into());
            if thread.spawn_scoped(scope, look).is_err() {
                state.waiting.note(&card, None);
            }
        }
    }

    /// Tells of cards that will not fit when their turn comes.
    fn tell_room(&self, state: &mut WatchState, order: &[PluggedCard]) {
        for (card, drive, why) in state.waiting.without_room(order, &state.running) {
            let name = name_of(state, &card);
            let text = format!("will not fit on {drive}: {why}. Make room there before its turn.");
            let about = json!({"path": card.path, "drives": [drive]});
            self.log.tell("no-room", Some(&name), &text, about);
        }
    }

    // ---- room that comes back -------------------------------------------------------------------

    /// Takes in for which drives of a card there was no room.
    fn note_full(&self, state: &mut WatchState, card: &PluggedCard, drives: Vec<String>) {
        if !state.station.full().any(|full| full == card) {
            return;
        }
        let text = format!(
            "it is copied once there is room on {}; nobody has to put it in again.",
            all_of(&drives)
        );
        let about = json!({"path": card.path, "drives": drives});
        self.log
            .tell("no-room", Some(&name_of(state, card)), &text, about);
        state.full.note(card, drives);
    }

    fn tell_room_again(&self, state: &WatchState, card: &PluggedCard) {
        let drives = state.full.drives(card);
        let text = format!("there is room on {} again.", all_of(&drives));
        let about = json!({"path": card.path, "drives": drives});
        self.log
            .tell("turn", Some(&name_of(state, card)), &text, about);
    }

    /// Looks once more at cards that there was no room for, where a drive has more by now.
    fn look_for_room<'s>(
        &self,
        scope: &'s Scope<'s, '_>,
        shared: &'s Shared<'_>,
        state: &mut WatchState,
        came: &Sender<Came>,
    ) {
        let station = &state.station;
        let is_full = |card: &PluggedCard| station.full().any(|full| full == card);
        state.full.keep(is_full);
        let (disk, now) = (self.tools.disk.as_ref(), self.tools.clock.elapsed());
        for found in state.full.next_looks(&state.cards, disk, now) {
            let (came, card) = (came.clone(), found.card.clone());
            let look = move || {
                let fits = || {
                    let orders = found.orders.clone().ok();
                    orders.is_some_and(|orders| shared.look_at(&found, &orders).fits())
                };
                let fits = catch_unwind(AssertUnwindSafe(fits)).unwrap_or(false);
                if came.send(Came::Again(found.card, fits)).is_err() {}
            };
            let thread = std::thread::Builder::new().name("watch-room".into());
            if thread.spawn_scoped(scope, look).is_err() {
                state.full.looked(&card);
            }
        }
    }

    // ---- saying what goes on ------------------------------------------------------------------

    fn note_status(&mut self, shared: &Shared<'_>, state: &mut WatchState) {
        let of = |card: &PluggedCard, what: &str, waits_for: &[String]| {
            let no_room = match what {
                "queued" => state.waiting.short_on(card),
                "waiting" => state.full.drives(card),
                _ => Vec::new(),
            };
            let found = state.cards.iter().find(|c| c.card == *card);
            let progress = shared.progress.of(card.path.as_str()).unwrap_or_default();
            CardStatus {
                card: card.path.to_string(),
                name: found.map_or_else(|| card.path.to_string(), |c| c.name.clone()),
                state: what.to_owned(),
                waits_for: waits_for.to_vec(),
                no_room,
                offload: progress.offload,
                bytes: (progress.bytes.1 > 0).then_some(progress.bytes),
            }
        };
        let station = &state.station;
        let copying = station.running().map(|card| of(card, "copying", &[]));
        let queued = station.queued().map(|card| of(card, "queued", &[]));
        let waiting = station
            .waiting()
            .map(|(card, drives)| of(card, "waiting", drives));
        let full = station.full().map(|card| of(card, "waiting", &[]));
        let status = Status {
            pid: std::process::id(),
            since: self.since.clone(),
            at: rfc3339(self.tools.clock.now()),
            cards: copying.chain(queued).chain(waiting).chain(full).collect(),
            to_send: shared.sending.all(),
        };
        let written = self.status.write(status);
        if let Err(e) = written
            && !std::mem::replace(&mut state.status_trouble, true)
        {
            let text = format!("what goes on can't be written down for --status: {e}.");
            self.log.tell("status-failed", None, &text, Value::Null);
        }
    }
}

/// Copies a card in a thread of its own.
fn begin_copy<'s>(
    scope: &'s Scope<'s, '_>,
    shared: &'s Shared<'_>,
    card: StationCard,
    orders: Orders,
    came: Sender<Came>,
) -> std::io::Result<()> {
    let copy = move || {
        let copied = catch_unwind(AssertUnwindSafe(|| shared.copy(&card, &orders)));
        let copied = copied.unwrap_or_else(|_| {
            let text = "the copy broke down. What was checked is kept.";
            let name = shown(&card.name);
            shared.log.tell("broken", Some(&name), text, Value::Null);
            Copied::of(CopyEnd::Open, Exit::NotProven)
        });
        // The loop waits for every copy.
        if came.send(Came::Copied(card.card, copied)).is_err() {}
    };
    let thread = std::thread::Builder::new().name("watch-copy".into());
    thread.spawn_scoped(scope, copy).map(drop)
}

/// What a card is called.
fn name_of(state: &WatchState, card: &PluggedCard) -> String {
    let found = state.cards.iter().find(|c| c.card == *card);
    shown(&found.map_or_else(|| card.path.to_string(), |c| c.name.clone()))
}

fn others(n: usize) -> String {
    match n {
        1 => "that of another card".to_owned(),
        n => format!("those of {n} other cards"),
    }
}
