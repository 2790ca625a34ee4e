//! Owns what a running job shows, as text made from a snapshot: the lines of the picture, and the
//! plain line of a log.

use crate::cli::view::text::wrap;
use crate::cli::view::words::plan::mbps;
use unlade::event::{DestinationSnapshot, Snapshot};
use unlade::name::shown;
use unlade::speed::chain::Origin;
use unlade::speed::forecast::{Basis, Change, Remaining, Source, words as forecast_words};
use unlade::speed::link::Part;
use unlade::units::{counted, len64, size, speed};

/// Returns the lines of the running picture.
pub(super) fn lines(
    source: &str,
    card: &str,
    destinations: &[String],
    s: &Snapshot,
) -> Vec<String> {
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
        .filter(|_| s.stalled_s < NO_DATA_S)
        .map_or(String::new(), |held| format!("   {held}"));
    let state = if s.stopping {
        "stopping; what is proven is kept".to_owned()
    } else {
        left(s)
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

/// Returns the line of the second read.
pub(super) fn again_line(done: u64, total: u64, left: Option<Remaining>) -> String {
    let left = left.map_or(String::new(), |left| {
        format!("   left {}", forecast_words(left))
    });
    format!(
        "Card   second read: {} of {}{left}",
        size(done),
        size(total)
    )
}

/// Returns what a log gets every ten seconds, with the card's name where there are several.
pub(super) fn plain_lines(card: Option<&str>, s: &Snapshot, width: usize) -> Vec<String> {
    let text = match card {
        Some(card) => format!("{}: {}", shown(card), plain(s)),
        None => plain(s),
    };
    wrap(&text, width, "", "  ")
}

/// Returns one plain line.
fn plain(s: &Snapshot) -> String {
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
        left(s),
        if s.problems == 0 {
            "no problems".to_owned()
        } else {
            counted(s.problems, "problem")
        }
    )
}

/// Returns the time left in words, or what is waited for.
fn left(s: &Snapshot) -> String {
    let Some(remaining) = s.remaining else {
        return "measuring ...".to_owned();
    };
    if remaining.likely_s <= 0.0 && remaining.high_s <= 0.0 {
        return "finishing".to_owned();
    }
    let time = forecast_words(remaining);
    if s.stalled_s >= NO_DATA_S {
        let silence = format!("no data for {:.0} s", s.stalled_s);
        return match &s.waiting_for {
            Some(who) if s.stalled_s >= WAITING_S => {
                let who = match who {
                    Part::Card => "the card".to_owned(),
                    other => other.words(),
                };
                format!("waiting for {who}, {silence}")
            }
            _ => format!("{time}, {silence}"),
        };
    }
    // Beside a long range the shorter words: the number of problems has to stay in sight.
    let is_long = time.len() > LONG_TIME;
    match s.basis {
        Basis::Known(rate) if rate.source == Source::Ceiling => {
            if is_long {
                format!("{time} (by the slowest link, measuring)")
            } else {
                format!("{time} (from the slowest link's limit, measuring ...)")
            }
        }
        Basis::Known(rate) => {
            let before = speed(rate.mbps * 1e6);
            if is_long {
                format!("{time} ({before} last time)")
            } else {
                format!("{time} (this card and reader: {before} last time)")
            }
        }
        Basis::Nothing | Basis::Measured => time,
    }
}

/// A time in more bytes than this takes too much of a line of eighty.
const LONG_TIME: usize = 12;

/// Nothing has moved for so many seconds: that is said beside the time left.
const NO_DATA_S: f64 = 3.0;

/// And from here on it is said instead of it.
const WAITING_S: f64 = 10.0;

/// Returns the line on a rate that has changed for good. It states the fact; the cause is not
/// known.
pub(super) fn rate_change(change: &Change, remaining: Option<Remaining>) -> String {
    let (from, to) = (change.from_bytes_per_s, change.to_bytes_per_s);
    let verb = if to < from { "fell" } else { "rose" };
    let before = speed(from);
    let before = before.trim_end_matches(" MB/s");
    let s = unlade::units::whole(change.at_s);
    let at = if s < 3_600 {
        format!("{:02}:{:02}", s / 60, s % 60)
    } else {
        format!("{}:{:02}:{:02}", s / 3_600, s % 3_600 / 60, s % 60)
    };
    let mut line = format!(
        "Rate {verb} from {before} to {} at {at} and stayed there.",
        speed(to)
    );
    if let Some(remaining) = remaining.filter(|r| r.likely_s > 0.0) {
        line.push_str(&format!(" New estimate: {}.", forecast_words(remaining)));
    }
    line
}

/// Returns the card's rate, and that it may be faster where that is so.
fn or_more(rate: f64, s: &Snapshot) -> String {
    let more = if s.live_rate_at_least { " or more" } else { "" };
    format!("{}{more}", speed(rate))
}

/// Returns what the card's links allow, and the slowest of them: ` of 53.2 (USB 2.0)`. What is no
/// limit stands beside it only: ` (its label: 90)`.
fn of_ceiling(s: &Snapshot) -> String {
    let link = s.card_link.as_ref().filter(|_| !s.card_done);
    link.map_or(String::new(), |link| {
        let (rate, name) = (mbps(link.mbps), link.short());
        if link.is_limit() {
            format!(" of {rate} ({name})")
        } else {
            format!(" ({name}: {rate})")
        }
    })
}

/// Returns which drive or hash holds the others back, and how much a drive takes: `held back by
/// drive 2, 41.0 MB/s`.
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
            rate_change(&change, Some(left)),
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
            "Read 31.2 GB of 96.0 GB at 94.1 MB/s; read back 31.1 GB and dropped; left about 12 \
            min; no problems."
        );
    }
}
