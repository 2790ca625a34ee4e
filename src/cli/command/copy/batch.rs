//! Owns the cards of one command: one after the other or several at the same time, each in its
//! turn.

use crate::cli::command::shared::after::AfterCopy;
use crate::cli::command::shared::one_card::{CommandContext, copy_one, not_begun};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::system::awake::Awake;
use crate::cli::system::notice;
use crate::cli::system::power::ON_BATTERY;
use crate::cli::view::json::Json;
use crate::cli::view::observer::{JobObserver, Viewer};
use crate::cli::view::out::{Out, heard};
use crate::cli::view::words::answer::{answer_for_all, notice_for_all, sentence_for_all};
use std::sync::{Arc, Mutex};
use unlade::existing::as_card::is_offload;
use unlade::ledger::ShootPart;
use unlade::name::shown;
use unlade::plan::concurrent::Order;
use unlade::queue::JobQueue;
use unlade::run::{Job, Tools};

/// What every card of one command shares.
pub(super) struct Batch<'a> {
    pub(super) jobs: Vec<Job>,
    pub(super) order: Order,
    pub(super) out: Out,
    pub(super) tools: &'a Tools,
    pub(super) book: &'a Book,
    pub(super) shoot: Option<ShootPart>,
    /// What tells this command from others in the ledger, where it has several cards.
    pub(super) command: Option<String>,
    pub(super) on_battery: bool,
    pub(super) awake: Arc<Mutex<Awake>>,
    /// Held while a card's lines are printed.
    pub(super) printing: Mutex<()>,
    /// What is done with the copies afterwards.
    pub(super) after: &'a AfterCopy,
    /// Who is shown it, where that is neither the screen nor a program.
    pub(super) viewer: Option<&'a dyn Viewer>,
}

impl Batch<'_> {
    fn json(&self) -> Json {
        Json::new(self.out, Arc::clone(&self.tools.clock))
    }

    /// Copies every card and tells the results.
    pub(super) fn run(&self) -> Exit {
        // Ctrl-C is for all of them.
        let stop = |_: &Job| Arc::clone(&self.tools.cancel);
        let queue = JobQueue::new(&self.order, self.jobs.iter().map(stop).collect());
        let done = queue.run(|index| self.card(index));
        let mut ends = Vec::new();
        for (index, (job, done)) in self.jobs.iter().zip(done).enumerate() {
            let not_begun = || not_begun(job, self.out, &mut self.observer(index, job));
            let exit = done.unwrap_or_else(not_begun);
            ends.push((job.card.as_str(), exit));
        }
        let exit = Exit::of_all(ends.iter().map(|(_, exit)| *exit));
        if ends.len() < 2 {
            return exit;
        }
        let is_card = |job: &Job| !is_offload(self.tools.disk.as_ref(), &job.card);
        let are_cards = self.jobs.iter().all(is_card);
        if exit != Exit::Interrupted {
            notice::send(notice_for_all(&ends, are_cards));
        }
        if let Some(viewer) = self.viewer {
            let sentence = sentence_for_all(&ends, are_cards);
            viewer.all(sentence, Json::for_all_cards(&ends));
        } else if self.out.json {
            self.json().send_for_all_cards(&ends);
        } else {
            for line in answer_for_all(&ends, are_cards, self.out) {
                self.out.line(&line);
            }
        }
        exit
    }

    fn observer(&self, index: usize, job: &Job) -> JobObserver {
        match self.viewer {
            Some(viewer) => JobObserver::Page(viewer.page(index, job)),
            None => JobObserver::new(self.out, self.tools, &job.to),
        }
    }

    fn card(&self, index: usize) -> Exit {
        let Some(job) = self.jobs.get(index) else {
            return Exit::Refused;
        };
        let cards = self.jobs.len();
        let mut observer = self.observer(index, job);
        match &mut observer {
            JobObserver::Screen(screen) => {
                if cards > 1 && !self.order.is_parallel() && !self.out.quiet {
                    let card = shown(job.card.as_str());
                    let before = self.order.chains.iter().flatten();
                    let before = before.take_while(|other| **other != index).count();
                    let head = format!("Card {} of {cards}: {card}", before + 1);
                    screen.finish(&[String::new(), head]);
                }
                screen.share(&self.awake);
                if self.order.is_parallel() {
                    screen.name_card();
                }
            }
            JobObserver::Json(json) => {
                if self.jobs.len() > 1 {
                    json.about(&job.card);
                }
                if self.on_battery {
                    json.note(ON_BATTERY);
                }
            }
            JobObserver::Page(page) => page.share(&self.awake),
        }
        let context = CommandContext {
            book: self.book,
            shoot: self.shoot.as_ref(),
            command: self.command.as_deref(),
            printing: &self.printing,
            after: self.after,
        };
        let mut copy = || copy_one(job, self.out, self.tools, &mut observer, &context);
        let (exit, lines) = match self.viewer {
            Some(_) => heard(copy),
            None => (copy(), Vec::new()),
        };
        if let JobObserver::Page(page) = &mut observer {
            page.said(lines);
        }
        job.beside.end();
        exit
    }
}
