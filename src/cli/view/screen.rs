//! Owns what a running job shows: a few lines on a terminal, or one plain line every ten seconds. Every
//! line is made as text from a snapshot.

use crate::cli::system::awake::{Awake, NOT_HELD};
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use crate::cli::view::words;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use unlade::clock::Clock;
use unlade::event::{DestinationSnapshot, Event, Observer, Snapshot};
use unlade::name::shown;
use unlade::speed::chain::Origin;
use unlade::speed::forecast::{Remaining, words as forecast_words};
use unlade::units::{counted, len64, size, speed};

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
    /// What the source is, as the first word of its line.
    source: &'static str,
    card: String,
    destinations: Vec<String>,
    /// This card's place in the running picture.
    place: usize,
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
            source: "Card",
            card: String::new(),
            destinations,
            place: Out::place(),
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
        if self.names_card {
            self.say(&format!("{}: {line}", shown(&self.card)));
        } else {
            self.say(line);
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
            self.out.draw(self.place, lines);
        }
    }

    /// Takes the running picture away.
    pub(crate) fn clear(&mut self) {
        self.out.draw(self.place, &[]);
    }

    fn tick(&mut self, snapshot: &Snapshot) {
        // A job that is over at once has nothing to fear from sleep.
        if !snapshot.card_done {
            self.check_awake();
        }
        let now = self.clock.elapsed();
        if self.out.draws {
            if now.saturating_sub(self.start) >= QUIET_FIRST {
                let lines = lines(self.source, &self.card, &self.destinations, snapshot);
                self.draw(&lines);
            }
        } else if now >= self.next_plain {
            self.next_plain = now + PLAIN_EVERY;
            let card = self.names_card.then_some(self.card.as_str());
            self.out.block(&plain_lines(card, snapshot, self.out.width));
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
                    "Reading {} as a sample, to be sure that what is on record is what is here.",
                    size(*bytes)
                );
                for line in wrap(&text, self.out.width, "", "  ") {
                    self.say(&line);
                }
            }
            Event::Planned(plan) => {
                self.source = if plan.original().is_some() {
                    "From"
                } else {
                    "Card"
                };
                self.card.clone_from(&plan.card.label);
                for line in words::plan(plan, self.out.width) {
                    self.say(&line);
                }
            }
            Event::Tick(snapshot) => self.tick(snapshot),
            Event::Problem(problem) => {
                self.problems_told += 1;
                if self.problems_told == PROBLEMS_TOLD + 1 {
                    self.say("Further problems are counted here and told in the manifest.");
                }
                if self.problems_told > PROBLEMS_TOLD {
                    return;
                }
                for line in words::problem_lines(problem, &self.destinations, self.out.width) {
                    self.say(&line);
                }
            }
            Event::CardRead if !self.card_done_told => {
                self.card_done_told = true;
                self.say_of_card(
                    "All is read: the card may leave the reader. Do not format it yet.",
                );
            }
            Event::RateChange(change, remaining) => {
                for line in wrap(
                    &words::rate_change(change, *remaining),
                    self.out.width,
                    "",
                    "  ",
                ) {
                    self.say_of_card(&line);
                }
            }
            Event::ReadAgain(done, total, left) => {
                self.read_again(&again_line(*done, *total, *left));
            }
            Event::Ended => self.clear(),
            _ => {}
        }
    }
}

/// Returns the line of the second read.
fn again_line(done: u64, total: u64, left: Option<Remaining>) -> String {
    let left = left.map_or(String::new(), |left| {
        format!("   left {}", forecast_words(left))
    });
    format!(
        "Card   second read: {} of {}{left}",
        size(done),
        size(total)
    )
}

/// Returns the lines of the running picture.
fn lines(source: &str, card: &str, destinations: &[String], s: &Snapshot) -> Vec<String> {
    let rate = match s.live_rate {
        Some(rate) => format!("   reads {}{}", or_more(rate, s), of_ceiling(s)),
        None => String::new(),
    };
    let mut lines = vec![format!(
        "{source}   {}   {} of {}{rate}{}",
        shown(card),
        size(s.bytes_read),
        size(s.bytes_total),
        if s.card_done { ", all read" } else { "" }
    )];
    for (index, d) in s.destinations.iter().enumerate() {
        let path = destinations.get(index).map_or("", String::as_str);
        lines.push(destination_line(index, path, d));
    }
    let waits = held_back(s)
        .filter(|_| s.stalled_s < words::NO_DATA_S)
        .map_or(String::new(), |held| format!("   {held}"));
    let state = if s.stopping {
        "stopping; what is proven is kept".to_owned()
    } else {
        words::left(s)
    };
    let problems = match s.problems {
        0 => "no problems".to_owned(),
        n => counted(n, "problem"),
    };
    lines.push(format!("Left   {state}   {problems}{waits}"));
    if s.strip.len() > 2 {
        let most = s.strip.iter().copied().fold(0.0, f64::max);
        lines.push(format!(
            "Rate   {}  0 to {}, last {} s",
            strip(&s.strip),
            speed(most),
            len64(s.strip.len()) * s.strip_every_s
        ));
    }
    lines
}

/// Returns the card's rate, and that it may be faster where that is so.
fn or_more(rate: f64, s: &Snapshot) -> String {
    let more = if s.live_rate_at_least { " or more" } else { "" };
    format!("{}{more}", speed(rate))
}

/// Returns what the card's links allow, and the slowest of them: ` of 53.2 (USB 2.0)`. What is no limit stands
/// beside it only: ` (its label: 90)`.
fn of_ceiling(s: &Snapshot) -> String {
    let link = s.card_link.as_ref().filter(|_| !s.card_done);
    link.map_or(String::new(), |link| {
        let (rate, name) = (words::mbps(link.mbps), link.short());
        if link.is_limit() {
            format!(" of {rate} ({name})")
        } else {
            format!(" ({name}: {rate})")
        }
    })
}

/// Returns which drive or hash holds the others back, and how much a drive takes: `held back by drive 2, 41.0
/// MB/s`.
fn held_back(s: &Snapshot) -> Option<String> {
    if !s.limiting.is_beyond_card() {
        return None;
    }
    let measured = s.links.iter().rfind(|l| l.from == Origin::Measured);
    let rate = measured.map_or(String::new(), |l| {
        format!(", {}", speed(l.mbps.bytes_per_s()))
    });
    Some(format!("held back by {}{rate}", s.limiting.words()))
}

fn destination_line(index: usize, path: &str, d: &DestinationSnapshot) -> String {
    if d.failed {
        return format!("Copy {} {}   dropped", index + 1, shown(path));
    }
    let kept = if d.kept_total > 0 {
        format!(
            ", kept {} of {} read again",
            size(d.kept_read),
            size(d.kept_total)
        )
    } else {
        String::new()
    };
    format!(
        "Copy {} {}   written {}, read back {} of {}{kept}",
        index + 1,
        shown(path),
        size(d.bytes_written),
        size(d.bytes_read_back),
        size(d.bytes_total)
    )
}

/// Returns what a log gets every ten seconds, with the card's name where there are several.
fn plain_lines(card: Option<&str>, s: &Snapshot, width: usize) -> Vec<String> {
    let text = match card {
        Some(card) => format!("{}: {}", shown(card), plain(s)),
        None => plain(s),
    };
    wrap(&text, width, "", "  ")
}

/// Returns one plain line.
pub(crate) fn plain(s: &Snapshot) -> String {
    let back: Vec<String> = s
        .destinations
        .iter()
        .map(|d| {
            if d.failed {
                "dropped".to_owned()
            } else {
                size(d.bytes_read_back.saturating_add(d.kept_read))
            }
        })
        .collect();
    let rate = s.live_rate.map_or(String::new(), |r| {
        format!(" at {}{}", or_more(r, s), of_ceiling(s))
    });
    let held = held_back(s).map_or(String::new(), |held| format!("{held}; "));
    format!(
        "Read {} of {}{rate}; read back {}; {held}left {}; {}.",
        size(s.bytes_read),
        size(s.bytes_total),
        back.join(" and "),
        words::left(s),
        if s.problems == 0 {
            "no problems".to_owned()
        } else {
            counted(s.problems, "problem")
        }
    )
}

/// Draws rates as a row of ASCII heights, so that it reads the same in every font and log.
fn strip(rates: &[f64]) -> String {
    const LEVELS: [char; 6] = ['_', '.', '-', '=', '+', '#'];
    let most = rates.iter().copied().fold(0.0, f64::max);
    // Thirty places at most: neighbouring seconds share one.
    let per = rates.len().div_ceil(30);
    rates
        .chunks(per)
        .map(|chunk| {
            let mean = chunk.iter().sum::<f64>() / unlade::units::float(len64(chunk.len()));
            let share = if most > 0.0 { mean / most } else { 0.0 };
            let level = unlade::units::len_usize(unlade::units::whole(share * 5.0)).min(5);
            LEVELS.get(level).copied().unwrap_or('_')
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::speed::ceiling::Ceiling;
    use unlade::speed::chain::{Chain, ReaderSpeed};
    use unlade::speed::link::{Bottleneck, Link, Part};
    use unlade::speed::links::find;
    use unlade::units::MegabytesPerS;

    fn snapshot() -> Snapshot {
        Snapshot {
            files_total: 40,
            bytes_total: 96_000_000_000,
            files_read: 12,
            bytes_read: 31_200_000_000,
            live_rate: Some(94_100_000.0),
            delivered_rate: 94_000_000.0,
            limiting: Bottleneck::Card,
            destinations: vec![
                DestinationSnapshot {
                    bytes_total: 96_000_000_000,
                    bytes_written: 31_200_000_000,
                    bytes_read_back: 31_100_000_000,
                    ..Default::default()
                },
                DestinationSnapshot {
                    failed: true,
                    ..Default::default()
                },
            ],
            remaining: Some(Remaining {
                low_s: 600.0,
                likely_s: 690.0,
                high_s: 700.0,
            }),
            strip: vec![0.0, 50e6, 100e6],
            strip_every_s: 1,
            ..Default::default()
        }
    }

    #[test]
    fn the_picture_is_text_and_fits_eighty_columns() {
        let to = ["/media/SSD-A".to_owned(), "/media/SSD-B".to_owned()];
        let lines = lines("Card", "KITES", &to, &snapshot());
        assert_eq!(
            lines,
            [
                "Card   KITES   31.2 GB of 96.0 GB   reads 94.1 MB/s",
                "Copy 1 /media/SSD-A   written 31.2 GB, read back 31.1 GB of 96.0 GB",
                "Copy 2 /media/SSD-B   dropped",
                "Left   about 12 min   no problems",
                "Rate   _=#  0 to 100 MB/s, last 3 s",
            ]
        );
        assert!(lines.iter().all(|l| l.len() <= 80 && l.is_ascii()));
    }

    #[test]
    fn silence_is_told_and_what_is_waited_for() {
        let left = |stalled_s, waiting_for| {
            let mut s = snapshot();
            s.stalled_s = stalled_s;
            s.waiting_for = waiting_for;
            let lines = lines("Card", "KITES", &[], &s);
            assert!(lines[3].len() <= 80, "{lines:?}");
            lines[3].clone()
        };
        assert_eq!(left(2.9, None), "Left   about 12 min   no problems");
        assert_eq!(
            left(4.2, Some(Part::Card)),
            "Left   about 12 min, no data for 4 s   no problems"
        );
        assert_eq!(
            left(12.0, Some(Part::Card)),
            "Left   waiting for the card, no data for 12 s   no problems"
        );
        assert_eq!(
            left(12.0, Some(Part::Drive(1))),
            "Left   waiting for drive 2, no data for 12 s   no problems"
        );
    }

    #[test]
    fn the_first_seconds_say_what_the_number_rests_on() {
        use unlade::speed::forecast::{Basis, RatePrior};
        let left = |rate| {
            let mut s = snapshot();
            s.basis = Basis::Known(rate);
            lines("Card", "KITES", &[], &s)[3].clone()
        };
        let by_limit = left(RatePrior::from_ceiling(104.0));
        let by_history = left(RatePrior::from_history(94.0, 0.05));
        assert_eq!(
            by_limit,
            "Left   about 12 min (from the slowest link's limit, measuring ...)   no problems"
        );
        assert_eq!(
            by_history,
            "Left   about 12 min (this card and reader: 94.0 MB/s last time)   no problems"
        );
        assert!(by_limit.len() <= 80 && by_history.len() <= 80);
        for rate in [
            RatePrior::from_ceiling(104.0),
            RatePrior::from_history(94.0, 0.5),
        ] {
            for (low_s, likely_s, high_s) in [(131.0, 150.0, 189.0), (36_300.0, 38_000.0, 50_000.0)]
            {
                let mut s = snapshot();
                s.basis = Basis::Known(rate);
                s.remaining = Some(Remaining {
                    low_s,
                    likely_s,
                    high_s,
                });
                let line = lines("Card", "KITES", &[], &s)[3].clone();
                assert!(line.len() <= 80 && line.ends_with("no problems"), "{line}");
            }
        }
    }

    #[test]
    fn a_changed_rate_is_told_as_a_fact() {
        use unlade::speed::forecast::Change;
        let change = Change {
            from_bytes_per_s: 800e6,
            to_bytes_per_s: 300e6,
            at_s: 62.2,
        };
        let left = Remaining {
            low_s: 170.0,
            likely_s: 178.0,
            high_s: 190.0,
        };
        assert_eq!(
            words::rate_change(&change, Some(left)),
            "Rate fell from 800 to 300 MB/s at 01:02 and stayed there. New estimate: about 3 min."
        );
    }

    #[test]
    fn a_slow_destination_is_named_and_does_not_show_as_a_slow_card() {
        let mut s = snapshot();
        s.limiting = Bottleneck::Drive(1);
        s.problems = 1;
        let measured = lines("Card", "KITES", &[], &s);
        assert!(measured[0].ends_with("reads 94.1 MB/s"), "{measured:?}");
        s.live_rate_at_least = true;
        let lines = lines("Card", "KITES", &[], &s);
        assert!(lines[0].contains("94.1 MB/s or more"), "{lines:?}");
        assert!(
            plain(&s).contains(" at 94.1 MB/s or more; "),
            "{}",
            plain(&s)
        );
        assert!(
            lines[3].contains("1 problem   held back by drive 2"),
            "{lines:?}"
        );
    }

    #[test]
    fn rate_ceiling_and_what_holds_back_stand_on_the_screen() {
        let mut s = snapshot();
        let ceiling = Ceiling::of(&Chain {
            reader: ReaderSpeed {
                link: find("usb2"),
                ..ReaderSpeed::default()
            },
            ..Chain::default()
        });
        s.live_rate = Some(36_500_000.0);
        s.card_link = ceiling.on_cards_side().copied();
        s.limiting = Bottleneck::from(*ceiling.limiting().unwrap());
        let held = lines("Card", "KITES", &[], &s);
        assert_eq!(
            held[0],
            "Card   KITES   31.2 GB of 96.0 GB   reads 36.5 MB/s of 53.2 (USB 2.0)"
        );
        assert!(held[0].len() <= 80);
        assert!(
            !held[3].contains("held back"),
            "the card line says it: {held:?}"
        );
        s.limiting = Bottleneck::Drive(1);
        s.links = vec![Link::measured(1, MegabytesPerS(41.04))];
        let held = lines("Card", "KITES", &[], &s);
        assert!(
            held[3].ends_with("held back by drive 2, 41.0 MB/s"),
            "{held:?}"
        );
        assert!(
            plain(&s).contains("; held back by drive 2, 41.0 MB/s; left"),
            "{}",
            plain(&s)
        );
    }

    #[test]
    fn plain_lines_keep_to_the_width() {
        let mut s = snapshot();
        s.problems = 3;
        s.destinations = vec![s.destinations[0].clone(); 4];
        let lines = plain_lines(Some("KITES"), &s, 80);
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert!(lines.iter().all(|l| l.len() <= 80), "{lines:?}");
        assert_eq!(
            lines.join(" ").replace("   ", " "),
            format!("KITES: {}", plain(&s))
        );
    }

    #[test]
    fn the_second_read_tells_the_time_left() {
        let left = Remaining {
            low_s: 55.0,
            likely_s: 60.0,
            high_s: 66.0,
        };
        assert_eq!(
            again_line(4_000_000_000, 9_600_000_000, Some(left)),
            "Card   second read: 4.0 GB of 9.6 GB   left about 1 min"
        );
        assert!(again_line(0, 9_600_000_000, None).ends_with("of 9.6 GB"));
    }

    #[test]
    fn plain_lines_for_logs() {
        assert_eq!(
            plain(&snapshot()),
            "Read 31.2 GB of 96.0 GB at 94.1 MB/s; read back 31.1 GB and dropped; left about 12 min; no problems."
        );
    }
}
