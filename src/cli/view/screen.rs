//! Owns what people are shown while a job runs, and when: a picture redrawn in place on a terminal,
//! else one plain line every ten seconds.

use crate::cli::system::awake::{Awake, NOT_HELD};
use crate::cli::view::out::Out;
use crate::cli::view::running::{again_line, lines, plain_lines, rate_change, salvaging_line};
use crate::cli::view::text::wrap;
use crate::cli::view::words::drives::drive_names;
use crate::cli::view::words::plan::plan_lines;
use crate::cli::view::words::problem::problem_lines;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use unlade::clock::Clock;
use unlade::event::{Event, Observer, Snapshot};
use unlade::name::shown;
use unlade::units::size;

/// A plain line is printed this often when there is no terminal.
const PLAIN_EVERY: Duration = Duration::from_secs(10);

/// The picture is drawn anew no sooner.
const PICTURE_EVERY: Duration = Duration::from_millis(120);

/// Nothing is drawn for jobs that are over sooner.
const QUIET_FIRST: Duration = Duration::from_millis(400);

/// Problems that are told one by one while the job runs.
const PROBLEMS_TOLD: u64 = 40;

/// A sample of so many bytes takes a moment, and is told before it is read.
const SAMPLE_TOLD: u64 = 50_000_000;

/// An observer for people.
pub(crate) struct Screen {
    out: Out,
    clock: Arc<dyn Clock>,
    start: Duration,
    next_plain: Duration,
    /// What is read, as the first word of its line.
    source: &'static str,
    card: String,
    destinations: Vec<String>,
    /// This card's block of the running picture.
    block: usize,
    next_picture: Duration,
    names_card: bool,
    card_done_told: bool,
    problems_told: u64,
    /// Asked when the copy begins, looked at once.
    awake: Option<Arc<Mutex<Awake>>>,
}

impl Screen {
    pub(crate) fn new(out: Out, clock: Arc<dyn Clock>, destinations: Vec<String>) -> Self {
        let start = clock.elapsed();
        Self {
            out,
            start,
            next_plain: start + PLAIN_EVERY,
            clock,
            source: "card",
            card: String::new(),
            destinations,
            block: Out::new_block(),
            next_picture: start,
            names_card: false,
            card_done_told: false,
            problems_told: 0,
            awake: None,
        }
    }

    /// Shares the request to stay awake with other cards.
    pub(crate) fn share(&mut self, awake: &Arc<Mutex<Awake>>) {
        self.awake = Some(Arc::clone(awake));
    }

    /// Puts the card's name before every line, for a picture that it shares with others.
    pub(crate) fn name_card(&mut self) {
        self.names_card = true;
    }

    /// Says once for all cards if the computer cannot be kept awake.
    fn check_awake(&mut self) {
        let Some(awake) = self.awake.take() else {
            return;
        };
        let fails = awake.lock().is_ok_and(|mut awake| awake.fails_first());
        if fails {
            for line in wrap(NOT_HELD, self.out.width, "", "  ") {
                self.say(&line);
            }
        }
    }

    fn say(&self, line: &str) {
        self.out.line(line);
    }

    /// Says something about this card alone.
    fn say_of_card(&self, line: &str) {
        let text = if self.names_card {
            format!("{}: {line}", shown(&self.card))
        } else {
            line.to_owned()
        };
        for line in wrap(&text, self.out.width, "", "  ") {
            self.say(&line);
        }
    }

    /// Takes the running picture away and says the last lines.
    pub(crate) fn finish(&mut self, lines: &[String]) {
        self.clear();
        for line in lines {
            self.say(line);
        }
    }

    fn draw(&mut self, lines: &[String]) {
        let now = self.clock.elapsed();
        if now >= self.next_picture {
            self.next_picture = now + PICTURE_EVERY;
            self.out.draw(self.block, lines);
        }
    }

    /// Takes the running picture away.
    pub(crate) fn clear(&mut self) {
        self.out.draw(self.block, &[]);
    }

    fn tick(&mut self, snapshot: &Snapshot) {
        // A job that is over at once has nothing to fear from sleep.
        if !snapshot.card_done {
            self.check_awake();
        }
        let now = self.clock.elapsed();
        if self.out.draws {
            if now.saturating_sub(self.start) >= QUIET_FIRST {
                let lines = lines(
                    self.source,
                    &self.card,
                    &self.destinations,
                    snapshot,
                    Out::canvas(),
                );
                self.draw(&lines);
            }
        } else if now >= self.next_plain {
            self.next_plain = now + PLAIN_EVERY;
            let card = self.names_card.then_some(self.card.as_str());
            let lines = plain_lines(card, &self.destinations, snapshot, self.out.width);
            self.out.block(&lines);
        }
    }
}

impl Screen {
    fn read_again(&mut self, line: &str) {
        let now = self.clock.elapsed();
        if self.out.draws {
            self.draw(&[line.to_owned()]);
        } else if now >= self.next_plain {
            self.next_plain = now + PLAIN_EVERY;
            self.say_of_card(line);
        }
    }
}

impl Observer for Screen {
    fn event(&mut self, event: &Event<'_>) {
        if self.out.quiet {
            return;
        }
        match event {
            Event::Sampling(bytes) if *bytes >= SAMPLE_TOLD => {
                let text = format!(
                    "Reading {} as a sample, to be sure that it is what the manifest says.",
                    size(*bytes)
                );
                for line in wrap(&text, self.out.width, "", "  ") {
                    self.say(&line);
                }
            }
            Event::Planned(plan) => {
                if plan.original().is_some() {
                    self.source = "from";
                }
                self.card.clone_from(&plan.card.label);
                self.destinations = drive_names(plan);
                for line in plan_lines(plan, self.out) {
                    self.say(&line);
                }
            }
            Event::Tick(snapshot) => self.tick(snapshot),
            Event::Problem(problem) => {
                self.problems_told += 1;
                if self.problems_told == PROBLEMS_TOLD + 1 {
                    let text = "Further problems are counted here and in the manifest.";
                    for line in wrap(text, self.out.width, "", "  ") {
                        self.say(&line);
                    }
                }
                if self.problems_told > PROBLEMS_TOLD {
                    return;
                }
                for line in problem_lines(problem, &self.destinations, self.out.width) {
                    self.say(&line);
                }
            }
            Event::CardRead if !self.card_done_told => {
                self.card_done_told = true;
                self.say_of_card("Card read. You can take it out. Don't format it yet.");
            }
            Event::RateChange(change, remaining) => {
                self.say_of_card(&rate_change(change, *remaining));
            }
            Event::ReadAgain(done, total, left) => {
                self.read_again(&again_line(*done, *total, *left));
            }
            Event::Salvaging(path, read, of) => {
                self.read_again(&salvaging_line(path, *read, *of));
            }
            Event::Salvaged(path, words) => {
                self.say_of_card(&format!("{}: {}.", shown(path), shown(words)));
            }
            Event::Ended => self.clear(),
            _ => {}
        }
    }
}
