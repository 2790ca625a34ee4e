//! Owns when which card is done: minutes per card and in total, held against the deadline.
//! The figures are the forecast that the copy itself begins with.

use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words::drives::drive_names;
use serde_json::{Value, json};
use std::time::Duration;
use unlade::name::shown;
use unlade::plan::Plan;
use unlade::plan::concurrent::{Order, done_after};
use unlade::speed::forecast::{RatePrior, RateSource, Remaining, at_most, at_most_s, words};
use unlade::units::{all_counted, size};

/// What one card will take.
pub(crate) struct CardTime {
    card: String,
    label: String,
    bytes: u64,
    takes: Option<Remaining>,
    held_by: Option<String>,
    rests_on: RestsOn,
}

/// What the figure of a card takes for granted.
#[derive(Default)]
struct RestsOn {
    /// The names of drives of unknown speed.
    unknown: Vec<String>,
    /// The name of the drive that is the slowest if it spins, and the seconds that this adds.
    spinning: Option<(String, f64)>,
}

impl RestsOn {
    fn of(plan: &Plan) -> Self {
        // What the same drives did before has all of it in it.
        let is_history = |rate: &RatePrior| rate.source == RateSource::History;
        if plan.estimate.prior.rate.as_ref().is_some_and(is_history) {
            return Self::default();
        }
        let names = drive_names(plan);
        let name = |d: &usize| names.get(*d).cloned().unwrap_or_default();
        let known = plan.estimate.ceiling.drives();
        let megabytes = unlade::units::float(plan.to_read().1) / 1e6;
        let slowest = known.may_spin.iter().min_by(|a, b| a.1.0.total_cmp(&b.1.0));
        let longer = slowest
            .zip(plan.estimate.prior.rate)
            .map(|((d, turns), rate)| {
                let seconds = megabytes / turns.0 - megabytes / rate.mbps;
                (name(d), seconds.max(0.0))
            });
        Self {
            unknown: known.unknown.iter().map(name).collect(),
            spinning: longer,
        }
    }
}

impl CardTime {
    pub(crate) fn of(plan: &Plan) -> Self {
        Self {
            card: plan.card.given.to_string(),
            label: shown(&plan.card.label),
            bytes: plan.to_read().1,
            takes: plan.expects(),
            held_by: (plan.estimate.ceiling.limiting()).map(|link| link.words(&drive_names(plan))),
            rests_on: RestsOn::of(plan),
        }
    }

    /// Seconds that it takes if a drive spins of which nobody tells that.
    fn likely_if_spinning(&self) -> Option<f64> {
        let longer = self
            .rests_on
            .spinning
            .as_ref()
            .map_or(0.0, |(_, seconds)| *seconds);
        self.takes.map(|t| t.likely_s + longer)
    }
}

/// All cards of one command.
pub(crate) struct Schedule {
    cards: Vec<CardTime>,
    /// When each is done, as far as that can be said.
    done: Vec<Option<Remaining>>,
    /// The destination, counted from 1, of which nobody tells whether it spins, and the seconds
    /// that all cards take if it does; `None` where that makes no difference.
    if_spinning: Option<(String, f64)>,
    is_parallel: bool,
    deadline: Option<Duration>,
}

/// Cards of which it is said when they are done; the total is that of all.
const CARDS_TOLD: usize = 6;

/// All cards together take longer than so many times what was expected: that is worth a word.
const LONGER: f64 = 1.05;

impl Schedule {
    /// `cards` are numbered as the cards of the order; `None` for a card that is refused.
    pub(crate) fn new(
        cards: Vec<Option<CardTime>>,
        order: &Order,
        deadline: Option<Duration>,
    ) -> Self {
        let done_by = |seconds: fn(&CardTime) -> Option<f64>| {
            // A card that is refused takes no time.
            let takes = cards
                .iter()
                .map(|card| card.as_ref().map_or(Some(0.0), seconds));
            done_after(order, &takes.collect::<Vec<_>>())
        };
        // What makes one card slower than expected, a link or a drive, does so to the others as
        // well: the ends of the ranges add up.
        let low = done_by(|card| card.takes.map(|t| t.low_s));
        let likely = done_by(|card| card.takes.map(|t| t.likely_s));
        let high = done_by(|card| card.takes.map(|t| t.high_s));
        let range = |((low, likely), high): ((Option<f64>, Option<f64>), Option<f64>)| {
            Some(Remaining {
                low_s: low?,
                likely_s: likely?,
                high_s: high?,
            })
        };
        let done = low.into_iter().zip(likely).zip(high).map(range);
        let spinning = last(&done_by(CardTime::likely_if_spinning));
        let (cards, done): (Vec<CardTime>, Vec<Option<Remaining>>) = cards
            .into_iter()
            .zip(done)
            .filter_map(|(card, done)| Some((card?, done)))
            .unzip();
        let mut schedule = Self {
            cards,
            done,
            if_spinning: None,
            is_parallel: order.is_parallel(),
            deadline,
        };
        let expected = schedule.total().map_or(0.0, |t| t.likely_s);
        let spins = |card: &CardTime| Some(card.rests_on.spinning.as_ref()?.0.clone());
        let drive = schedule.cards.iter().find_map(spins);
        schedule.if_spinning = drive
            .zip(spinning)
            .filter(|(_, seconds)| *seconds > LONGER * expected);
        schedule
    }

    /// Returns whether it says more than the plans do: several cards, or a deadline.
    pub(crate) fn is_asked_for(&self) -> bool {
        self.cards.len() > 1 || self.deadline.is_some()
    }

    /// When all are done.
    pub(crate) fn total(&self) -> Option<Remaining> {
        let end = |seconds: fn(&Remaining) -> f64| {
            let all: Vec<_> = self.done.iter().map(|d| d.as_ref().map(seconds)).collect();
            last(&all)
        };
        Some(Remaining {
            low_s: end(|d| d.low_s)?,
            likely_s: end(|d| d.likely_s)?,
            high_s: end(|d| d.high_s)?,
        })
    }

    /// Returns the lines for people.
    pub(crate) fn lines(&self, out: Out) -> Vec<String> {
        let mut lines = Vec::new();
        if self.cards.len() > 1
            && let Some(total) = self.total().filter(|t| t.likely_s > 0.0)
        {
            let how = if self.is_parallel {
                "read at the same time where their readers allow it"
            } else {
                "one after the other"
            };
            let all = all_counted(self.cards.len(), "card").to_lowercase();
            let text = format!("{all} {}, {how}", words(total));
            lines.extend(wrap(&text, out.width, "Total    ", "         "));
            // Each card's own figure counts from when its turn comes.
            if !self.is_parallel {
                let done = self.cards.iter().zip(&self.done);
                let done = done.filter_map(|(card, done)| Some((card, (*done)?)));
                let mut done: Vec<(&CardTime, Remaining)> = done.collect();
                done.sort_by(|(_, a), (_, b)| a.likely_s.total_cmp(&b.likely_s));
                let done = done
                    .iter()
                    .take(CARDS_TOLD)
                    .map(|(card, done)| format!("{} is done after {}", card.label, words(*done)));
                let done: Vec<String> = done.collect();
                let text = format!("{}.", done.join(", "));
                lines.extend(wrap(&text, out.width, "         ", "         "));
            }
            // The deadline says it in its own words where it matters for that.
            if let Some((drive, seconds)) = &self.if_spinning
                && self.late_if_spinning().is_none()
            {
                let text = format!(
                    "If {drive} is a hard disk, which the system does not say, it is {}.",
                    about(*seconds)
                );
                lines.extend(wrap(&text, out.width, "         ", "         "));
            }
        }
        let mut label = "Deadline ";
        for text in self.deadline_words() {
            lines.extend(wrap(&text, out.width, label, "         "));
            label = "         ";
        }
        lines
    }

    fn deadline_words(&self) -> Vec<String> {
        let Some(deadline) = self.deadline else {
            return Vec::new();
        };
        let limit = deadline.as_secs_f64();
        let named = exact(deadline);
        let Some(total) = self.total() else {
            return vec![format!(
                "{named}: nothing can be said before something is known of the rates. Say what you \
                know with --reads, --link and --writes, or measure the card with `unlade rate`."
            )];
        };
        if total.likely_s > limit {
            return self.late_words(&named, limit, total);
        }
        // Held against what is shown, so that the lines do not contradict each other.
        let is_certain = at_most_s(total.high_s) <= deadline.as_secs();
        let mut words = vec![if is_certain {
            format!("{named}: all of it is copied and checked by then.")
        } else {
            format!(
                "{named}: likely, not certain, that all of it is copied and checked by then; it \
                may take {}.",
                at_most(total.high_s)
            )
        }];
        words.extend(self.rests_on());
        words
    }

    fn late_words(&self, named: &str, limit: f64, total: Remaining) -> Vec<String> {
        let mut words = vec![if total.low_s > limit {
            format!("{named}: not all of it is done by then.")
        } else {
            format!("{named}: likely, not certain, that not all of it is done by then.")
        }];
        let done = self.cards.iter().zip(&self.done);
        let late = done.filter_map(|(card, done)| {
            let likely_s = (*done)?.likely_s;
            (likely_s > limit).then_some((card, likely_s))
        });
        for (card, done) in late {
            // Rounded up: what is late is not shown as being in time.
            let mut text = format!(
                "Card {} ({}) is done after about {}",
                card.label,
                size(card.bytes),
                at_most(done)
            );
            let takes = card.takes.map_or(0.0, |t| t.likely_s);
            if takes > limit && self.cards.len() > 1 {
                text.push_str(&format!("; this card takes about {} of it", at_most(takes)));
            }
            if let Some(link) = &card.held_by {
                text.push_str(&format!("; held back by {link}"));
            }
            text.push('.');
            words.push(text);
        }
        if self.cards.len() > 1 {
            let how = "To choose the order: give the card that matters most first, with --first \
                given.";
            words.push(how.to_owned());
        }
        words.push(
            "What is copied and not yet checked by then is not proven: keep the card.".to_owned(),
        );
        words
    }

    /// The drive that breaks a deadline that is met without it: if it spins, which nobody tells.
    fn late_if_spinning(&self) -> Option<(&str, f64)> {
        let limit = self.deadline?.as_secs_f64();
        let is_in_time = self.total().is_some_and(|t| t.likely_s <= limit);
        let (drive, seconds) = self.if_spinning.as_ref()?;
        (is_in_time && *seconds > limit).then_some((drive, *seconds))
    }

    /// Returns what it rests on that all is done by then, as far as nobody knows it.
    fn rests_on(&self) -> Vec<String> {
        let mut words = Vec::new();
        let cards = self.cards.iter();
        let unknown: std::collections::BTreeSet<&str> = cards
            .flat_map(|d| d.rests_on.unknown.iter().map(String::as_str))
            .collect();
        if !unknown.is_empty() {
            let named: Vec<&str> = unknown.into_iter().collect();
            words.push(format!(
                "That takes for granted that {} can be written and checked as fast as the \
                card is read; --writes says what it sustains.",
                named.join(" and ")
            ));
        }
        if let Some((drive, seconds)) = self.late_if_spinning() {
            words.push(format!(
                "That takes for granted that {drive} is no hard disk, which the \
                system does not say: one writes and reads back in turns, and then it is {}.",
                about(seconds)
            ));
        }
        words
    }

    /// Returns the same for programs.
    pub(crate) fn json(&self) -> Value {
        let limit = self.deadline.map(|d| d.as_secs_f64());
        let cards: Vec<Value> = self
            .cards
            .iter()
            .zip(&self.done)
            .map(|(card, done)| {
                let done = done.map(|d| d.likely_s);
                let by = limit.and_then(|limit| done.map(|done| done <= limit));
                json!({
                    "card": card.card, "label": card.label, "bytes": card.bytes,
                    "takes": card.takes,
                    "done_after_s": done, "done_by_deadline": by, "limiting_link": card.held_by,
                })
            })
            .collect();
        let total = self.total();
        json!({
            "cards": cards, "total_s": total.map(|t| t.likely_s), "total": total,
            "total_if_spinning_s": self.if_spinning.as_ref().map(|(_, seconds)| seconds),
            "deadline_s": limit,
        })
    }
}

/// Returns the latest of some times; `None` where one of them is not known.
fn last(done: &[Option<f64>]) -> Option<f64> {
    let all: Option<Vec<f64>> = done.iter().copied().collect();
    all.map(|done| done.into_iter().fold(0.0, f64::max))
}

/// Returns seconds in words.
fn about(seconds: f64) -> String {
    words(Remaining {
        low_s: seconds,
        likely_s: seconds,
        high_s: seconds,
    })
}

/// Returns a deadline as it was meant: `14 min`, `1 h 30 min`, `90 s`.
fn exact(time: Duration) -> String {
    let seconds = time.as_secs();
    match (seconds / 3_600, seconds % 3_600 / 60, seconds % 60) {
        (0, 0, s) => format!("{s} s"),
        (0, min, 0) => format!("{min} min"),
        (0, min, s) => format!("{min} min {s} s"),
        (h, 0, 0) => format!("{h} h"),
        (h, min, _) => format!("{h} h {min} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn card(label: &str, gb: u64, mbps: f64) -> CardTime {
        let seconds = unlade::units::float(gb) * 1e3 / mbps;
        CardTime {
            card: format!("/media/{label}"),
            label: label.to_owned(),
            bytes: gb * 1_000_000_000,
            takes: Some(Remaining {
                low_s: seconds * 0.9,
                likely_s: seconds,
                high_s: seconds * 1.1,
            }),
            held_by: Some("reader port, USB 2.0".to_owned()),
            rests_on: RestsOn::default(),
        }
    }

    fn one_by_one() -> Order {
        Order {
            chains: vec![vec![0, 1]],
            why: String::new(),
        }
    }

    /// Half-time: two cards of 38 and 41 GB, 14 minutes, a slow port (arithmetic of the case:
    /// 38 GB at 36 MB/s are 17.6 min, both 36.6 min).
    #[test]
    fn a_deadline_that_cannot_be_met_is_told() {
        let cards = vec![Some(card("ONE", 38, 36.0)), Some(card("TWO", 41, 36.0))];
        let schedule = Schedule::new(cards, &one_by_one(), Some(Duration::from_secs(840)));
        let words = schedule.deadline_words().join("\n");
        for text in [
            "14 min: not all of it",
            "Card ONE (38.0 GB) is done after about 18 min",
            "Card TWO (41.0 GB) is done after about 37 min",
            "held back by reader port, USB 2.0",
            "keep the card",
        ] {
            assert!(words.contains(text), "{text}: {words}");
        }
        assert_eq!(schedule.json()["cards"][0]["done_by_deadline"], false);
    }

    #[test]
    fn a_deadline_that_can_be_met_is_told_too() {
        let cards = || vec![Some(card("ONE", 38, 400.0)), Some(card("TWO", 41, 400.0))];
        let by = |s| {
            let schedule = Schedule::new(cards(), &one_by_one(), Some(Duration::from_secs(s)));
            schedule.deadline_words().join(" ")
        };
        assert_eq!(by(840), "14 min: all of it is copied and checked by then.");
        // 79 GB at 400 MB/s are 197.5 s, and 10 % more are 217.3 (arithmetic), shown as 220.
        assert_eq!(
            by(205),
            "3 min 25 s: likely, not certain, that all of it is copied and checked by then; it \
            may take 3 min 40 s."
        );
        assert!(by(218).contains("not certain"), "not what is shown");
        assert_eq!(
            by(220),
            "3 min 40 s: all of it is copied and checked by then."
        );
        assert!(by(190).starts_with("3 min 10 s: likely, not certain, that not all of it"));
        assert!(by(100).contains("Card TWO"), "{}", by(100));
    }

    /// 160 GB onto a drive of 110 and 115 MB/s of which nobody knows whether it spins: 24 minutes
    /// if it does not, 47.4 if it does (arithmetic: 160,000 / 110 + 160,000 / 115 seconds), told as
    /// 47.
    #[test]
    fn a_promise_says_what_it_takes_for_granted() {
        let card = || CardTime {
            rests_on: RestsOn {
                unknown: vec!["Attic".to_owned()],
                spinning: Some(("Travel".to_owned(), 160_000.0 / 115.0)),
            },
            ..card("ONE", 160, 110.0)
        };
        let one = || Order {
            chains: vec![vec![0]],
            why: String::new(),
        };
        let by = |minutes: u64| {
            let deadline = Some(Duration::from_secs(minutes * 60));
            let schedule = Schedule::new(vec![Some(card())], &one(), deadline);
            schedule.deadline_words().join(" ")
        };
        let words = by(30);
        for text in [
            "30 min: all of it is copied and checked by then.",
            "Attic can be written and checked as fast as the card is read",
            "Travel is no hard disk",
            "then it is about 47 min",
        ] {
            assert!(words.contains(text), "{text}: {words}");
        }
        assert!(!by(60).contains("spinning"), "it would be done anyway");
        assert!(by(20).contains("not all of it"));
    }

    /// Two cards of 400 GB onto drives of 105 MB/s: 2 h 7 min; if they spin, in turns at 52.5 MB/s,
    /// twice that (arithmetic).
    #[test]
    fn a_total_says_what_it_is_if_a_drive_spins() {
        let out = Out {
            is_terminal: false,
            draws: false,
            colour: false,
            json: false,
            quiet: false,
            verbose: false,
            width: 100,
        };
        let lines = |longer: f64, doubt: f64| {
            let card = |label: &str| {
                let card = card(label, 400, 105.0);
                let likely_s = 400_000.0 / 105.0;
                Some(CardTime {
                    takes: Some(Remaining {
                        low_s: likely_s * (1.0 - doubt),
                        likely_s,
                        high_s: likely_s * (1.0 + doubt),
                    }),
                    rests_on: RestsOn {
                        unknown: Vec::new(),
                        spinning: Some(("Attic".to_owned(), longer)),
                    },
                    ..card
                })
            };
            let lines =
                Schedule::new(vec![card("ONE"), card("TWO")], &one_by_one(), None).lines(out);
            let is_total = |line: &String| !line.contains("ONE is done after");
            lines.into_iter().filter(is_total).collect::<Vec<_>>()
        };
        assert_eq!(
            lines(400_000.0 / 105.0, 0.1),
            [
                "Total    both cards about 2 h 05 min, one after the other",
                "         If Attic is a hard disk, which the system does not say, it is about 4 h \
                15 min.",
            ]
        );
        assert_eq!(
            lines(0.0, 0.2),
            ["Total    both cards 1 h 40 min to 2 h 35 min, one after the other"]
        );
    }

    #[test]
    fn what_is_not_known_is_not_said() {
        let unknown = Some(CardTime {
            takes: None,
            ..card("TWO", 41, 1.0)
        });
        let cards = vec![Some(card("ONE", 38, 400.0)), unknown];
        let schedule = Schedule::new(cards, &one_by_one(), Some(Duration::from_secs(840)));
        assert!(schedule.deadline_words()[0].contains("nothing can be said"));
        assert!(schedule.total().is_none());
    }
}
