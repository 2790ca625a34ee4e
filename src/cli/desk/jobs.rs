//! Owns the copy of the desk: begun, watched, stopped and ended. It is the copy of the terminal in
//! a thread of its own, and goes on whoever looks at it.

use super::state::{Asked, CardEnd, CardWork, Desk, DeskWork};
use super::{held, typed, unfinished};
use crate::cli::command::copy::copy_shown;
use crate::cli::exit::Exit;
use crate::cli::system::awake::{Awake, NOT_HELD};
use crate::cli::view::observer::{JobEnd, JobPage, Viewer};
use crate::cli::view::out::{heard, heard_so_far};
use crate::cli::view::running::{again_line, rate_change};
use crate::cli::view::text::all_of;
use crate::cli::view::words::drives::drive_names;
use crate::cli::view::words::problem::{problem_lines, refusal_steps};
use crate::cli::view::words::summary::{out_of_the_ordinary, outcome};
use crate::cli::view::words::verdict::answer_words;
use serde_json::Value;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use unlade::event::{Event, Observer};
use unlade::name::shown;
use unlade::proof::Proof;
use unlade::record::layout::RECORDS;
use unlade::run::{Job, REPORT, Tools};
use unlade::units::size;

/// Troubles that are told one by one while the copy runs, and other lines.
const LINES_MAX: usize = 40;
/// Hints that are on the page; the record has all.
const HINTS_MAX: usize = 20;
/// A sample of so many bytes takes a moment, and is told before it is read.
const SAMPLE_TOLD: u64 = 50_000_000;
/// How often it is looked, at the end, whether the copy has stopped.
const TICK: Duration = Duration::from_millis(50);

/// Why nothing else is begun.
pub(super) const BUSY: &str = "Something is running already; `Now` shows it.";

/// Begins a copy.
///
/// # Errors
/// Why there is none, in a sentence.
pub(super) fn start(desk: &Arc<Desk>, mut asked: Asked) -> Result<(), String> {
    if let Some(why) = typed::not_whole(&asked) {
        return Err(why.to_owned());
    }
    let held = std::mem::take(&mut asked.held);
    let cancel = Arc::new(AtomicBool::new(false));
    {
        let mut state = desk.lock();
        if state.is_busy() || desk.is_ending() {
            return Err(BUSY.to_owned());
        }
        state.reading = None;
        state.works += 1;
        state.shoot = (asked.shoot.clone(), asked.expect.clone());
        // What is gone on with is no more to be offered; another copy is.
        let gone_on = Asked {
            held,
            ..asked.clone()
        };
        state.unfinished.retain(|open| *open != gone_on);
        state.work = Some(DeskWork {
            id: state.works,
            asked: asked.clone(),
            cancel: Arc::clone(&cancel),
            cards: asked.cards.iter().map(|_| CardWork::default()).collect(),
            all: None,
            heard: Vec::new(),
            exit: None,
        });
    }
    unfinished::note(desk);
    desk.poke();
    let copying = Arc::clone(desk);
    let thread = std::thread::Builder::new().name("desk-copy".into());
    let started = thread.spawn(move || run(&copying, asked, cancel));
    started.map(drop).map_err(|cause| {
        desk.lock().work = None;
        unfinished::note(desk);
        format!("No copy could be begun: {cause}.")
    })
}

/// Begins a copy once more, or goes on with it, if the same cards are there. Looks at them, and may
/// take a while.
///
/// # Errors
/// Why there is none, in a sentence.
pub(super) fn start_again(desk: &Arc<Desk>, asked: Asked) -> Result<(), String> {
    let is_busy = desk.lock().is_busy();
    if is_busy {
        return Err(BUSY.to_owned());
    }
    held::same_cards(desk, &asked)?;
    start(desk, asked)
}

/// Keeps which cards these are, for who presses a button later.
fn hold(desk: &Desk, asked: &mut Asked) {
    let cards = asked.cards.iter();
    asked.held = cards.map(|card| held::card_at(desk.disk(), card)).collect();
    let mut state = desk.lock();
    state.unfinished.retain(|open| !asked.covers(open));
    if let Some(work) = &mut state.work {
        work.asked.held.clone_from(&asked.held);
    }
    drop(state);
    unfinished::note(desk);
}

fn run(desk: &Arc<Desk>, mut asked: Asked, cancel: Arc<AtomicBool>) {
    let tools = Tools {
        cancel,
        ..desk.tools.clone()
    };
    let copy = || {
        hold(desk, &mut asked);
        let args = match typed::copy_args(desk, &asked, &tools) {
            Ok(args) => args,
            Err(exit) => return exit,
        };
        let viewer = ShownWork(desk);
        let (common, book) = (&desk.common, desk.book());
        let exit = copy_shown(&args, common, desk.out, &tools, &book, &viewer);
        if exit.is_good() && !args.unsaid.then.is_empty() {
            let places = all_of(&args.unsaid.then);
            desk.out.line(&format!(
                "This page sends nothing to {places}. To send it: unlade send OFFLOAD --to PLACE"
            ));
        }
        exit
    };
    let (done, mut lines) = heard(|| catch_unwind(AssertUnwindSafe(copy)));
    let exit = done.unwrap_or_else(|_| {
        lines.push("The copy broke down. What was checked is kept: copy again.".to_owned());
        Exit::NotProven
    });
    let mut state = desk.lock();
    // What was only cut short can go on.
    if exit == Exit::Interrupted {
        unfinished::add(&mut state.unfinished, asked);
    }
    if let Some(work) = &mut state.work {
        work.heard.append(&mut lines);
        work.exit = Some(exit);
    }
    drop(state);
    unfinished::note(desk);
    desk.look_again();
    desk.poke();
}

/// Asks what runs to stop.
pub(super) fn stop(desk: &Desk) {
    let state = desk.lock();
    let copy = state.work.as_ref().map(|work| &work.cancel);
    let reading = state.reading.as_ref().map(|reading| &reading.cancel);
    for cancel in copy.into_iter().chain(reading) {
        cancel.store(true, Ordering::SeqCst);
    }
}

/// Puts the answer away, so that what is plugged in is shown again.
pub(super) fn put_away(desk: &Desk) {
    let mut state = desk.lock();
    if !state.is_busy() {
        state.reading = None;
        state.work = None;
        // What was copied is on its drives; the next card is another folder.
        state.added.cards.clear();
    }
    drop(state);
    desk.look_again();
    desk.poke();
}

/// Forgets a copy that was cut short.
pub(super) fn forget(desk: &Desk, of: &str) {
    desk.lock().unfinished.retain(|open| open.mark() != of);
    unfinished::note(desk);
    desk.poke();
}

/// Stops what runs at the end of the desk, waits for it, and returns how a copy ended; `None` where
/// none was running.
pub(super) fn end(desk: &Desk) -> Option<Exit> {
    stop(desk);
    let was_copying = desk.lock().is_copying();
    while !was_copying && desk.lock().is_busy() {
        desk.tools.clock.sleep(TICK);
    }
    if !was_copying {
        return None;
    }
    loop {
        let exit = desk.lock().work.as_ref().and_then(|work| work.exit);
        if exit.is_some() {
            return exit;
        }
        desk.tools.clock.sleep(TICK);
    }
}

/// Puts a copy on the page.
struct ShownWork<'a>(&'a Arc<Desk>);

impl Viewer for ShownWork<'_> {
    fn page(&self, index: usize, job: &Job) -> Box<dyn JobPage> {
        let name = job.known.card.as_deref().or(job.card.file_name());
        let name = name.unwrap_or(job.card.as_str()).to_owned();
        let drives = job.to.iter().map(ToString::to_string).collect();
        // What was said of all of them before the first was begun.
        let mut said = heard_so_far();
        if let Some(work) = &mut self.0.lock().work {
            work.heard.append(&mut said);
        }
        let page = CardPage {
            desk: Arc::clone(self.0),
            index,
            awake: None,
        };
        page.change(|card| (card.name, card.drives) = (name, drives));
        Box::new(page)
    }

    fn all(&self, sentence: String, verdict: Value) {
        if let Some(work) = &mut self.0.lock().work {
            work.all = Some((sentence, verdict));
        }
    }
}

/// One card's part of the page.
struct CardPage {
    desk: Arc<Desk>,
    index: usize,
    /// Asked when the copy begins, looked at once.
    awake: Option<Arc<Mutex<Awake>>>,
}

impl CardPage {
    fn change(&self, change: impl FnOnce(&mut CardWork)) {
        let mut state = self.desk.lock();
        let cards = state.work.as_mut().map(|work| &mut work.cards);
        if let Some(card) = cards.and_then(|cards| cards.get_mut(self.index)) {
            change(card);
        }
        drop(state);
        self.desk.poke();
    }

    fn tell(&self, line: String) {
        self.change(|card| {
            if card.told.len() < LINES_MAX {
                card.told.push(line);
            }
        });
    }
}

impl Observer for CardPage {
    fn event(&mut self, event: &Event<'_>) {
        match event {
            Event::Sampling(bytes) if *bytes >= SAMPLE_TOLD => self.tell(format!(
                "Reading {} as a sample, to be sure that it is what the manifest says.",
                size(*bytes)
            )),
            Event::Planned(plan) => {
                let (name, drives) = (plan.card.label.clone(), drive_names(plan));
                self.change(|card| (card.name, card.drives) = (name, drives));
            }
            Event::Tick(snapshot) => {
                let awake = self.awake.take_if(|_| !snapshot.card_done);
                let awake = awake.as_ref().and_then(|awake| awake.lock().ok());
                if awake.is_some_and(|mut awake| awake.fails_first()) {
                    self.tell(NOT_HELD.to_owned());
                }
                self.change(|card| card.now = Some(snapshot.clone()));
            }
            Event::Problem(problem) => self.change(|card| {
                if card.troubles.len() < LINES_MAX {
                    let lines = problem_lines(problem, &card.drives, usize::MAX);
                    card.troubles.push(lines.join(" "));
                } else {
                    card.more_troubles += 1;
                }
            }),
            Event::RateChange(change, left) => self.tell(rate_change(change, *left)),
            Event::CardRead => self.change(|card| card.is_read = true),
            Event::ReadAgain(done, total, left) => {
                let line = again_line(*done, *total, *left);
                self.change(|card| card.again = Some(line));
            }
            _ => {}
        }
    }
}

impl JobPage for CardPage {
    fn share(&mut self, awake: &Arc<Mutex<Awake>>) {
        self.awake = Some(Arc::clone(awake));
    }

    fn end(&mut self, end: &JobEnd<'_>, verdict: Value) {
        self.change(|card| {
            let mut ended = match end {
                JobEnd::Proof(proof, news) => of_proof(proof, news),
                JobEnd::Refused(head, reasons) => CardEnd {
                    head: (*head).to_owned(),
                    troubles: refusal_steps(reasons, &card.drives)
                        .into_iter()
                        .map(|(reasons, step)| (reasons, by_button(&step)))
                        .collect(),
                    ..unproven(&card.name)
                },
                JobEnd::NotBegun(why) => CardEnd {
                    head: why.clone(),
                    ..unproven(&card.name)
                },
            };
            ended.verdict = verdict;
            card.end = Some(ended);
        });
    }

    fn said(&mut self, lines: Vec<String>) {
        self.change(|card| {
            if let Some(end) = &mut card.end {
                end.notes.extend(lines);
            }
        });
    }
}

/// A card that nothing was copied of.
fn unproven(card: &str) -> CardEnd {
    let card = shown(card);
    CardEnd {
        heading: "NOT PROVEN".to_owned(),
        sentence: format!("Keep {card} as it is: don't format it, don't shoot on it."),
        ..CardEnd::default()
    }
}

/// What the terminal says to type again is a button here.
fn by_button(step: &str) -> String {
    step.replace("Run the same command again", "Press `Copy again`")
        .replace("run the same command again", "press `Copy again`")
}

fn of_proof(proof: &Proof, news: &[String]) -> CardEnd {
    let (answer, before) = answer_words(proof);
    let (head, drives) = outcome(proof);
    let (notes, troubles) = out_of_the_ordinary(proof);
    let hints = proof.recordings().hints.iter().take(HINTS_MAX);
    let hint = |hint: &unlade::inspect::observation::Observation| {
        let seen = format!("{} {}.", shown(&hint.path), shown(&hint.seen));
        format!("{seen} {} {}", hint.meaning, hint.next_step)
    };
    let is_recorded = !proof.plan().has_nothing_new() && !proof.offloaded().interrupted;
    let records = proof.plan().destinations.iter().filter(|_| is_recorded);
    CardEnd {
        heading: format!("{}{}", answer.word, answer.of),
        sentence: answer.rest,
        before,
        head,
        drives,
        troubles: troubles
            .into_iter()
            .map(|trouble| (trouble.reasons, by_button(&trouble.step)))
            .collect(),
        notes: notes.into_iter().chain(news.iter().cloned()).collect(),
        hints: hints.map(hint).collect(),
        records: records.map(|d| d.root.join(RECORDS).join(REPORT)).collect(),
        verdict: Value::Null,
    }
}
