//! Owns what a running job shows, as text made from a snapshot: the lines of the picture, and the
//! plain line of a log.

use crate::cli::view::picture::Canvas;
use crate::cli::view::text::{fit, pad, wrap};
use crate::cli::view::words::plan::mbps;
use unicode_width::UnicodeWidthStr as _;
use unlade::event::{DestinationSnapshot, Snapshot};
use unlade::name::shown;
use unlade::speed::chain::Origin;
use unlade::speed::forecast::{Basis, Change, RateSource, Remaining, words as forecast_words};
use unlade::speed::link::{Bottleneck, ChainPart};
use unlade::units::{counted, len64, size, speed};

/// A bar is no longer than this, and is left out where there is room for less than the other.
const BAR_MOST: usize = 28;
const BAR_LEAST: usize = 8;
/// Where there are fewer columns than this, bytes and rate give way to the bar.
const NARROW: usize = 60;
/// Names of drives get no more columns.
const NAME_MOST: usize = 16;

/// Returns the lines of the running picture: one headline with the time left, a bar for the card
/// and for each drive, and the rate of late. `source` is what is read: `card`, or `from` for an
/// offload.
pub(super) fn lines(
    source: &str,
    card: &str,
    drives: &[String],
    s: &Snapshot,
    canvas: Canvas,
) -> Vec<String> {
    let names: Vec<String> = drives.iter().map(|name| shown(name)).collect();
    let to = format!("{} -> {}", shown(card), names.join(", "));
    let mut lines = headline(&to, &state(drives, s), canvas.columns);
    let longest = names.iter().map(|name| name.width()).max().unwrap_or(0);
    let name_width = longest.clamp(4, NAME_MOST);
    let row = |name: &str, share: f64, detail: &str| {
        let name = pad(&fit(name, name_width), name_width);
        // What is said beside a bar comes before its length.
        let room = canvas
            .columns
            .saturating_sub(name_width + 12 + detail.width());
        let bar = match room.min(BAR_MOST) {
            short if short < BAR_LEAST => String::new(),
            columns => format!("{} ", bar(share, columns, canvas.has_blocks)),
        };
        let percent = unlade::units::whole((share * 100.0).floor());
        format!("{name} {bar}{percent:>3} %  {detail}")
            .trim_end()
            .to_owned()
    };
    let rate = live_rate(s).map_or(String::new(), |rate| format!("   {rate}"));
    let read = if canvas.columns < NARROW {
        "read".to_owned()
    } else {
        format!("{} of {}{rate}", size(s.bytes_read), size(s.bytes_total))
    };
    lines.push(row(source, share(s.bytes_read, s.bytes_total), &read));
    for (index, d) in s.destinations.iter().enumerate() {
        let name = names.get(index).map_or("", String::as_str);
        if d.failed {
            lines.push(format!(
                "{} failed",
                pad(&fit(name, name_width), name_width)
            ));
            continue;
        }
        let slowest = s.limiting == Bottleneck::Drive(index);
        let detail = match measured(s).filter(|_| slowest) {
            Some(rate) => format!("checked   slowest part: this drive, {rate}"),
            None if slowest => "checked   slowest part: this drive".to_owned(),
            None => "checked".to_owned(),
        };
        lines.push(row(name, checked_share(d), &detail));
    }
    if s.strip.len() > 2 {
        lines.push(rate_line(s, name_width, canvas));
    }
    lines
}

/// Returns the card's rate now, and what its links allow.
pub(crate) fn live_rate(s: &Snapshot) -> Option<String> {
    let rate = s.live_rate?;
    Some(format!("{}{}", or_more(rate, s), of_ceiling(s)))
}

/// One line where there is room, else two.
fn headline(to: &str, state: &str, columns: usize) -> Vec<String> {
    let room = columns.saturating_sub(state.width() + 3);
    if to.width() > room {
        return vec![
            fit(to, columns),
            format!("  {}", fit(state, columns.saturating_sub(2))),
        ];
    }
    vec![format!(
        "{}{state}",
        pad(to, columns.saturating_sub(state.width() + 1))
    )]
}

/// Returns the share of a drive's files that is checked.
pub(crate) fn checked_share(d: &DestinationSnapshot) -> f64 {
    let done = d.bytes_read_back.saturating_add(d.kept_read);
    share(done, d.bytes_total.saturating_add(d.kept_total))
}

/// Returns a share of 0 to 1; of nothing all is done.
pub(crate) fn share(done: u64, all: u64) -> f64 {
    if all == 0 {
        return 1.0;
    }
    (unlade::units::float(done) / unlade::units::float(all)).min(1.0)
}

fn bar(share: f64, columns: usize, has_blocks: bool) -> String {
    let (full, empty) = if has_blocks {
        ("█", "░")
    } else {
        ("#", ".")
    };
    let filled = unlade::units::len_usize(unlade::units::whole(
        (share * unlade::units::float(len64(columns))).floor(),
    ));
    let filled = filled.min(columns);
    format!("{}{}", full.repeat(filled), empty.repeat(columns - filled))
}

fn rate_line(s: &Snapshot, name_width: usize, canvas: Canvas) -> String {
    let most = s.strip.iter().copied().fold(0.0, f64::max);
    let least = s.strip.iter().copied().fold(most, f64::min);
    let seconds = len64(s.strip.len()) * s.strip_every_s;
    let least = if least == 0.0 {
        "0".to_owned()
    } else {
        speed(least)
    };
    let least = least.trim_end_matches(" MB/s");
    let text = format!("last {seconds} s, {least} to {}", speed(most));
    let name = pad("rate", name_width);
    let strip = strip(&s.strip, canvas.has_blocks);
    if name_width + 3 + strip.width() + text.width() >= canvas.columns {
        return format!("{name} {text}");
    }
    format!("{name} {strip}  {text}")
}

/// What is going on, and how long it will.
pub(crate) fn state(drives: &[String], s: &Snapshot) -> String {
    let state = if s.stopping {
        "stopping; what is checked is kept".to_owned()
    } else {
        left(drives, s)
    };
    match s.problems {
        0 => state,
        n => format!("{}, {state}", counted(n, "problem")),
    }
}

/// What a drive that holds the others back was measured to take.
fn measured(s: &Snapshot) -> Option<String> {
    let link = s.links.iter().rfind(|l| l.from == Origin::Measured)?;
    Some(speed(link.mbps.bytes_per_s()))
}

/// Returns the line of the second read.
pub(crate) fn again_line(done: u64, total: u64, left: Option<Remaining>) -> String {
    let left = left.map_or(String::new(), |left| {
        format!("   {} left", forecast_words(left))
    });
    format!(
        "card read a second time: {} of {}{left}",
        size(done),
        size(total)
    )
}

/// Returns what is shown while the readable part of a file is salvaged.
pub(super) fn salvaging_line(path: &str, read: u64, of: u64) -> String {
    let name = path.rsplit('/').next().unwrap_or(path);
    format!("salvaging {}: {} of {}", shown(name), size(read), size(of))
}

/// Returns what a log gets every ten seconds, with the card's name where there are several.
pub(super) fn plain_lines(
    card: Option<&str>,
    drives: &[String],
    s: &Snapshot,
    width: usize,
) -> Vec<String> {
    let text = match card {
        Some(card) => format!("{}: {}", shown(card), plain(drives, s)),
        None => plain(drives, s),
    };
    wrap(&text, width, "", "  ")
}

/// Returns one plain line.
fn plain(drives: &[String], s: &Snapshot) -> String {
    let back: Vec<String> = s
        .destinations
        .iter()
        .map(|d| {
            if d.failed {
                "failed".to_owned()
            } else {
                size(d.bytes_read_back.saturating_add(d.kept_read))
            }
        })
        .collect();
    let rate = s.live_rate.map_or(String::new(), |r| {
        format!(" at {}{}", or_more(r, s), of_ceiling(s))
    });
    let held = held_back(drives, s).map_or(String::new(), |held| format!("{held}; "));
    format!(
        "Read {} of {}{rate}; checked {}; {held}{}; {}.",
        size(s.bytes_read),
        size(s.bytes_total),
        back.join(" and "),
        left(drives, s),
        if s.problems == 0 {
            "no problems".to_owned()
        } else {
            counted(s.problems, "problem")
        }
    )
}

/// Returns the time left in words, or what is waited for.
fn left(drives: &[String], s: &Snapshot) -> String {
    let Some(remaining) = s.remaining else {
        return "measuring ...".to_owned();
    };
    if remaining.likely_s <= 0.0 && remaining.high_s <= 0.0 {
        return "finishing".to_owned();
    }
    let time = format!("{} left", forecast_words(remaining));
    if s.stalled_s >= NO_DATA_S {
        let silence = format!("no data for {:.0} s", s.stalled_s);
        return match &s.waiting_for {
            Some(who) if s.stalled_s >= WAITING_S => {
                let who = match who {
                    ChainPart::Card => "the card".to_owned(),
                    other => other.words(drives),
                };
                format!("waiting for {who}, {silence}")
            }
            _ => format!("{time}, {silence}"),
        };
    }
    match s.basis {
        Basis::Known(rate) if rate.source == RateSource::Ceiling => {
            format!("{time} by the slowest link, measuring ...")
        }
        Basis::Known(rate) => format!("{time} at {} as last time", speed(rate.mbps * 1e6)),
        Basis::Nothing | Basis::Measured => time,
    }
}

/// Nothing has moved for so many seconds: that is said beside the time left.
const NO_DATA_S: f64 = 3.0;

/// And from here on it is said instead of it.
const WAITING_S: f64 = 10.0;

/// Returns the line on a rate that has changed for good. It states the fact; the cause is not
/// known.
pub(crate) fn rate_change(change: &Change, remaining: Option<Remaining>) -> String {
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
/// drive Attic, 41.0 MB/s`.
pub(crate) fn held_back(drives: &[String], s: &Snapshot) -> Option<String> {
    if !s.limiting.is_beyond_card() {
        return None;
    }
    let rate = measured(s).map_or(String::new(), |rate| format!(", {rate}"));
    Some(format!("held back by {}{rate}", s.limiting.words(drives)))
}

/// Draws rates as a row of heights.
fn strip(rates: &[f64], has_blocks: bool) -> String {
    const ASCII: [char; 8] = ['_', '_', '.', '-', '=', '+', '*', '#'];
    const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let levels = if has_blocks { BLOCKS } else { ASCII };
    let most = rates.iter().copied().fold(0.0, f64::max);
    // Thirty places at most: neighbouring seconds share one.
    let per = rates.len().div_ceil(30);
    rates
        .chunks(per)
        .map(|chunk| {
            let mean = chunk.iter().sum::<f64>() / unlade::units::float(len64(chunk.len()));
            let share = if most > 0.0 { mean / most } else { 0.0 };
            let level = unlade::units::len_usize(unlade::units::whole(share * 7.0)).min(7);
            levels.get(level).copied().unwrap_or('_')
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use unlade::speed::ceiling::Ceiling;
    use unlade::speed::chain::{Chain, ReaderSpeed};
    use unlade::speed::link::{Bottleneck, ChainPart, Link};
    use unlade::speed::links::find;
    use unlade::units::MegabytesPerS;

    const WIDE: Canvas = Canvas {
        columns: 80,
        has_blocks: false,
    };

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

    fn drives() -> [String; 2] {
        ["Attic".to_owned(), "Travel".to_owned()]
    }

    fn drawn(s: &Snapshot, canvas: Canvas) -> Vec<String> {
        let lines = lines("card", "KITES", &drives(), s, canvas);
        let fits = |line: &String| line.width() < canvas.columns;
        assert!(lines.iter().all(fits), "{lines:#?}");
        lines
    }

    #[test]
    fn the_picture_fits_eighty_columns_and_forty() {
        assert_eq!(
            drawn(&snapshot(), WIDE),
            [
                "KITES -> Attic, Travel                                        about 12 min left",
                "card   #########...................  32 %  31.2 GB of 96.0 GB   94.1 MB/s",
                "Attic  #########...................  32 %  checked",
                "Travel failed",
                "rate   _=#  last 3 s, 0 to 100 MB/s",
            ]
        );
        let narrow = Canvas {
            columns: 40,
            has_blocks: true,
        };
        assert_eq!(
            drawn(&snapshot(), narrow),
            [
                "KITES -> Attic, Travel",
                "  about 12 min left",
                "card   █████░░░░░░░░░░░░░  32 %  read",
                "Attic  ████░░░░░░░░░░░  32 %  checked",
                "Travel failed",
                "rate   ▁▅█  last 3 s, 0 to 100 MB/s",
            ]
        );
    }

    #[test]
    fn a_bar_is_full_when_all_is_done_and_not_before() {
        let mut s = snapshot();
        s.bytes_read = s.bytes_total - 1;
        assert!(drawn(&s, WIDE)[1].contains(" 99 %"));
        s.bytes_read = s.bytes_total;
        let line = &drawn(&s, WIDE)[1];
        assert!(line.contains("100 %") && !line.contains("#."), "{line}");
        // Nothing is to be copied, and what is there already is checked again.
        s.destinations[0].bytes_total = 0;
        s.destinations[0].bytes_read_back = 0;
        (s.destinations[0].kept_total, s.destinations[0].kept_read) = (200, 50);
        assert!(drawn(&s, WIDE)[2].contains(" 25 %"));
    }

    #[test]
    fn silence_is_told_and_what_is_waited_for() {
        let state = |stalled_s, waiting_for| {
            let mut s = snapshot();
            s.stalled_s = stalled_s;
            s.waiting_for = waiting_for;
            let line = drawn(&s, WIDE)[0].clone();
            line.trim_start_matches("KITES -> Attic, Travel")
                .trim_start()
                .to_owned()
        };
        assert_eq!(state(2.9, None), "about 12 min left");
        assert_eq!(
            state(4.2, Some(ChainPart::Card)),
            "about 12 min left, no data for 4 s"
        );
        let waiting = state(12.0, Some(ChainPart::Card));
        assert_eq!(waiting, "waiting for the card, no data for 12 s");
        let waiting = state(12.0, Some(ChainPart::Drive(1)));
        assert_eq!(waiting, "waiting for drive Travel, no data for 12 s");
    }

    #[test]
    fn the_first_seconds_say_what_the_number_rests_on() {
        use unlade::speed::forecast::{Basis, RatePrior};
        let first = |rate, remaining| {
            let mut s = snapshot();
            s.basis = Basis::Known(rate);
            s.remaining = remaining;
            drawn(&s, WIDE)[0].clone()
        };
        let remaining = snapshot().remaining;
        let by_limit = first(RatePrior::from_ceiling(104.0), remaining);
        assert!(by_limit.ends_with(" about 12 min left by the slowest link, measuring ..."));
        let by_history = first(RatePrior::from_history(94.0, 0.05), remaining);
        assert!(by_history.ends_with(" about 12 min left at 94.0 MB/s as last time"));
        let long = Some(Remaining {
            low_s: 36_300.0,
            likely_s: 38_000.0,
            high_s: 50_000.0,
        });
        first(RatePrior::from_ceiling(104.0), long);
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
    fn a_slow_drive_is_named_and_does_not_show_as_a_slow_card() {
        let mut s = snapshot();
        s.destinations[1] = s.destinations[0].clone();
        s.limiting = Bottleneck::Drive(1);
        s.problems = 1;
        let lines = drawn(&s, WIDE);
        assert!(
            lines[0].ends_with("1 problem, about 12 min left"),
            "{lines:#?}"
        );
        assert!(lines[2].ends_with("checked"), "{lines:#?}");
        assert!(
            lines[3].ends_with("checked   slowest part: this drive"),
            "{lines:#?}"
        );
        s.links = vec![Link::measured(1, MegabytesPerS(41.04))];
        let lines = drawn(&s, WIDE);
        assert!(
            lines[3].ends_with("slowest part: this drive, 41.0 MB/s"),
            "{lines:#?}"
        );
        assert!(
            plain(&[], &s).contains("; held back by drive 2, 41.0 MB/s; about"),
            "{}",
            plain(&[], &s)
        );
        s.live_rate_at_least = true;
        assert!(drawn(&s, WIDE)[1].contains("94.1 MB/s or more"));
        assert!(
            plain(&[], &s).contains(" at 94.1 MB/s or more; "),
            "{}",
            plain(&[], &s)
        );
    }

    #[test]
    fn the_cards_ceiling_is_beside_its_rate() {
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
        let lines = drawn(&s, WIDE);
        assert!(
            lines[1].ends_with("36.5 MB/s of 53.2 (USB 2.0)"),
            "{lines:#?}"
        );
        assert!(
            lines.iter().all(|line| !line.contains("slowest part")),
            "{lines:#?}"
        );
    }

    #[test]
    fn plain_lines_keep_to_the_width() {
        let mut s = snapshot();
        s.problems = 3;
        s.destinations = vec![s.destinations[0].clone(); 4];
        let lines = plain_lines(Some("KITES"), &[], &s, 80);
        assert_eq!(lines.len(), 2, "{lines:?}");
        assert!(lines.iter().all(|l| l.len() <= 80), "{lines:?}");
        assert_eq!(
            lines.join(" ").replace("   ", " "),
            format!("KITES: {}", plain(&[], &s))
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
            "card read a second time: 4.0 GB of 9.6 GB   about 1 min left"
        );
        assert!(again_line(0, 9_600_000_000, None).ends_with("of 9.6 GB"));
    }

    #[test]
    fn plain_lines_for_logs() {
        assert_eq!(
            plain(&[], &snapshot()),
            "Read 31.2 GB of 96.0 GB at 94.1 MB/s; checked 31.1 GB and failed; about 12 min left; \
            no problems."
        );
    }
}
