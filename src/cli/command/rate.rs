//! Owns `rate`: measuring how fast a card reads in this reader, and telling it against what its
//! links allow.

use crate::cli::args::Common;
use crate::cli::args::rate::RateArgs;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::recognised::{self, Recognised};
use crate::cli::home::shoot::slower;
use crate::cli::view::interrupt::stopped;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::read_progress::{ReadProgress, watched};
use crate::cli::view::refuse::{refuse, usage};
use crate::cli::view::text::wrap;
use serde_json::{Value, json};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use unlade::card::identity::{CardIdentity, label_of};
use unlade::card::survey::survey;
use unlade::disk::FolderFacts;
use unlade::disk::progress::Progress;
use unlade::error::unusable;
use unlade::ledger::{Deed, LedgerEntry, ReadStats};
use unlade::measure::{Bounds, Doubt, MeasureError, Measured, measure};
use unlade::name::shown;
use unlade::run::Tools;
use unlade::speed::ceiling::Ceiling;
use unlade::speed::chain::Chain;
use unlade::speed::detected;
use unlade::speed::link::Link;
use unlade::units::{counted, float, len64, size, speed, time};

/// Figures on the line of rates over time.
const STRIP: usize = 30;

/// Above this share of a link's figure the figure is wrong, not the measurement.
const EXCEEDED: f64 = 1.1;

/// Measures a card and tells it.
pub(crate) fn rate(args: &RateArgs, common: &Common, out: Out, tools: &Tools, book: &Book) -> Exit {
    let kit = match recognised::kit(&args.names, common, out, tools) {
        Ok(kit) => kit,
        Err(exit) => return exit,
    };
    let card = shown(args.card.as_str());
    let facts = match tools.disk.facts(&args.card) {
        Ok(facts) => facts,
        Err(cause) => {
            let why = format!("{}.", unusable(&format!("the card `{card}`"), &cause));
            return refuse(&[why], Exit::Refused, "rate", out, tools);
        }
    };
    let recognised = match Recognised::of(&args.names, Some(&facts), &kit, tools.disk.as_ref()) {
        Ok(recognised) => recognised,
        Err(why) => return refuse(&[why.to_string()], Exit::Usage, "rate", out, tools),
    };
    let ceiling = match args.speed().chain(0) {
        Ok(chain) => ceiling(chain, &recognised, &facts, tools),
        Err(wrong) => return usage(&[wrong.to_string()], out),
    };
    let json = Json::new(out, Arc::clone(&tools.clock));
    match wait(args, &facts, out, tools) {
        Ok(measured) => {
            let slower = remember(args, &facts, &recognised, &measured, tools, book);
            let comparison = RateComparison {
                slower,
                args,
                recognised,
                ceiling,
                measured,
                is_part: !facts.is_mount_root,
            };
            comparison.tell(out, &json)
        }
        Err(_) if tools.cancel.load(Ordering::SeqCst) => stopped(false, out, &tools.clock),
        Err(why) => {
            let why = format!("the card `{card}` cannot be measured: {why}");
            refuse(&[why], Exit::Refused, "rate", out, tools)
        }
    }
}

/// Enters a figure that can be trusted in the ledger, and returns what is to be said if it is far
/// below earlier ones.
fn remember(
    args: &RateArgs,
    facts: &FolderFacts,
    recognised: &Recognised,
    measured: &Measured,
    tools: &Tools,
    book: &Book,
) -> Option<String> {
    // A figure that is only rough because it is a small one is kept, and counts for nothing later.
    let is_rough = |d: Doubt| matches!(d, Doubt::Troubles | Doubt::Interrupted);
    let doubts = measured.doubts();
    if measured.bytes == 0 || doubts.iter().any(|d| d.is_fatal() || is_rough(*d)) {
        return None;
    }
    let listing = survey(tools.disk.as_ref(), &args.card, facts).ok()?;
    let mut card = CardIdentity::of(facts, &label_of(&args.card, facts), &listing);
    card.name = recognised.card.as_ref().map(|c| c.name.clone());
    let reader = recognised.reader.as_ref().map(|r| r.name.clone());
    let entry = LedgerEntry {
        reader: reader.or_else(|| tools.disk.device_info(facts).reader()),
        reading: Some(ReadStats {
            bytes: measured.bytes,
            files: measured.files,
            took_s: measured.took_s,
            read_bytes_per_s: Some(measured.median()),
            learned_mbps: None,
            learned_file_s: None,
        }),
        ..LedgerEntry::new(Deed::Rate, tools.clock.now(), card)
    };
    let slower = slower(book, &entry);
    book.enter(&entry);
    slower
}

/// Returns what everything between the card and this computer allows.
fn ceiling(
    mut chain: Chain,
    recognised: &Recognised,
    facts: &FolderFacts,
    tools: &Tools,
) -> Ceiling {
    recognised.fill(&mut chain);
    let info = tools.disk.device_info(facts);
    detected::card(&mut chain, &info);
    let mut ceiling = Ceiling::of(&chain);
    detected::card_notes(&mut ceiling, &info);
    ceiling
}

/// Why nothing was measured.
#[derive(Debug, thiserror::Error)]
enum NotMeasured {
    #[error("the card is gone: {0}")]
    Gone(#[source] io::Error),
    #[error(transparent)]
    Failed(#[from] MeasureError),
    #[error("the measurement broke down; this is a fault of unlade, please report it")]
    Broken,
}

/// Lets a thread do the reading and shows how far it is.
fn wait(
    args: &RateArgs,
    facts: &FolderFacts,
    out: Out,
    tools: &Tools,
) -> Result<Measured, NotMeasured> {
    let progress = Progress {
        cancel: Arc::clone(&tools.cancel),
        ..Progress::default()
    };
    let bounds = Bounds {
        time: Duration::from_secs(args.seconds),
        bytes: args.bytes,
    };
    let (disk, clock) = (tools.disk.as_ref(), tools.clock.as_ref());
    let held = disk.anchor(&args.card, facts);
    let _held = held.map_err(NotMeasured::Gone)?;
    let work = || measure(&args.card, facts, bounds, disk, clock, &progress);
    let mut view = ReadProgress::new(out, tools);
    let measured = watched(work, || view.show(&progress));
    view.clear();
    Ok(measured.ok_or(NotMeasured::Broken)??)
}

/// A measurement with what it is held against.
struct RateComparison<'a> {
    args: &'a RateArgs,
    recognised: Recognised,
    ceiling: Ceiling,
    measured: Measured,
    /// It read faster at earlier times.
    slower: Option<String>,
    /// The folder is not a volume of its own.
    is_part: bool,
}

impl RateComparison<'_> {
    fn tell(&self, out: Out, json: &Json) -> Exit {
        let exit = if self.measured.interrupted {
            Exit::Interrupted
        } else {
            Exit::Done
        };
        if out.json {
            let mut body = self.for_programs();
            if let Value::Object(fields) = &mut body {
                fields.insert("exit_code".to_owned(), exit.code().into());
            }
            json.send("rate", body);
            return exit;
        }
        for (label, text) in self.lines() {
            for line in wrap(&text, out.width, &format!("{label:<9}"), "         ") {
                out.line(&line);
            }
        }
        exit
    }

    fn lines(&self) -> Vec<(&'static str, String)> {
        let m = &self.measured;
        let mut lines = vec![
            ("Card", self.card()),
            (
                "Read",
                format!(
                    "{} of {} in {} ({}), {}",
                    size(m.bytes),
                    counted(m.files, "file"),
                    time(unlade::units::seconds(m.took_s)),
                    m.way.id(),
                    if m.is_whole() {
                        "all that the card holds"
                    } else {
                        "spread over the card"
                    }
                ),
            ),
        ];
        if m.bytes > 0 {
            lines.push(("Rate", self.rate()));
            lines.extend(strip(m).map(|text| ("", text)));
            lines.extend(self.links());
            lines.push(("Takes", self.takes()));
        }
        lines.extend(self.slower.iter().map(|note| ("Note", note.clone())));
        lines.extend(
            self.ceiling
                .notes()
                .iter()
                .map(|note| ("Note", note.clone())),
        );
        if self.is_part {
            let text = "This folder is a part of a larger volume; what is said of a full card is \
                said of all of it.";
            lines.push(("Note", text.to_owned()));
        }
        let doubts = m.doubts();
        if doubts.iter().any(|d| d.is_fatal()) {
            lines.push(("Doubt", "This figure says nothing of the card.".to_owned()));
        }
        lines.extend(doubts.iter().map(|d| ("Doubt", d.words().to_owned())));
        lines.extend(m.troubles.iter().map(|t| ("Trouble", t.clone())));
        lines
    }

    fn card(&self) -> String {
        let m = &self.measured;
        let name = self
            .recognised
            .card
            .as_ref()
            .map_or(String::new(), |c| format!("{} at ", shown(&c.name)));
        format!(
            "{name}{}: {}, {} of {} ({})",
            shown(self.args.card.as_str()),
            counted(m.used_files, "file"),
            size(m.used_bytes),
            size(m.capacity_bytes),
            shown(&m.filesystem)
        )
    }

    fn rate(&self) -> String {
        let m = &self.measured;
        let worst = m.worst().map_or(String::new(), |(at, rate)| {
            format!(
                "; the middle second {}, the slowest {} (second {})",
                speed(m.median()),
                speed(rate),
                at + 1
            )
        });
        format!("{}{worst}", speed(m.mean()))
    }

    /// The share of a link that was reached.
    fn share(&self, link: &Link) -> f64 {
        self.measured.mean() / link.mbps.bytes_per_s()
    }

    fn links(&self) -> Vec<(&'static str, String)> {
        let Some(limiting) = self.ceiling.limiting() else {
            let text = "nothing is known of card and reader that it could be held against; --as \
                and --in name them from the kit";
            return vec![("Links", text.to_owned())];
        };
        let mut lines = Vec::new();
        let mut label = "Links";
        for link in self.ceiling.links() {
            // What was exceeded limits nothing.
            let is_it = link == limiting && self.share(link) <= EXCEEDED;
            let limits = if is_it { " - limits" } else { "" };
            let text = format!(
                "{:.0} % of {}, {}{limits}",
                self.share(link) * 100.0,
                speed(link.mbps.bytes_per_s()),
                link.words(&[])
            );
            lines.push((label, text));
            label = "";
        }
        lines.extend(self.verdict().map(|text| ("", text)));
        lines
    }

    /// What the rate says against the slowest link.
    fn verdict(&self) -> Option<String> {
        let limiting = self.ceiling.limiting()?;
        let (low, high) = self.ceiling.usual()?;
        let mean = self.measured.mean() / 1e6;
        let range = format!("{:.0} to {:.0} MB/s are usual", low.0, high.0);
        Some(if mean > limiting.mbps.0 * EXCEEDED {
            format!(
                "more than {} allows: what is said of card or reader is wrong, the reader was made \
                for this card, or memory has helped",
                limiting.words(&[])
            )
        } else if mean < low.0 * 0.9 {
            format!("{range} here: something else slows it down, or a link that is not known")
        } else {
            format!("{range} here")
        })
    }

    fn takes(&self) -> String {
        let m = &self.measured;
        let for_bytes = |bytes: u64| {
            let seconds = m.seconds_for(bytes).unwrap_or(0.0);
            time(unlade::units::seconds(seconds))
        };
        format!(
            "{} to read the {} on it; {} for a full card of {}",
            for_bytes(m.used_bytes),
            size(m.used_bytes),
            for_bytes(m.capacity_bytes),
            size(m.capacity_bytes)
        )
    }

    fn for_programs(&self) -> Value {
        let m = &self.measured;
        let round = |value: f64| (value * 1e3).round() / 1e3;
        let links: Vec<Value> = self
            .ceiling
            .links()
            .iter()
            .map(|link| {
                json!({
                    "part": link.part, "id": link.kind, "mbps": link.mbps.0, "from": link.from,
                    "share": round(self.share(link)),
                })
            })
            .collect();
        let doubts = m.doubts();
        json!({
            "card": self.args.card, "kit_card": self.recognised.card.as_ref().map(|c| &c.name),
            "kit_reader": self.recognised.reader.as_ref().map(|r| &r.name),
            "measured": m, "mean_bytes_per_s": round(m.mean()),
            "median_bytes_per_s": round(m.median()),
            "worst_second": m.worst().map(|(at, rate)| json!({"second": at, "bytes_per_s": rate})),
            "used_s": m.seconds_for(m.used_bytes).map(round),
            "full_s": m.seconds_for(m.capacity_bytes).map(round),
            "links": links, "limiting_link": self.ceiling.limiting().map(Link::name),
            "usual_mbps": self.ceiling.usual().map(|(low, high)| [low.0, high.0]),
            "notes": self.ceiling.notes(),
            "trusted": doubts.is_empty(),
            "doubts": doubts.iter().map(|d| d.id()).collect::<Vec<_>>(),
        })
    }
}

/// The rate over time as plain figures, as many seconds together as it takes to fit.
fn strip(m: &Measured) -> Option<String> {
    let seconds = unlade::units::len_usize(unlade::units::whole(m.took_s.floor()));
    let strip = m.every_second.get(..seconds.min(m.every_second.len()))?;
    if strip.len() < 2 {
        return None;
    }
    let step = strip.len().div_ceil(STRIP);
    let figures: Vec<String> = strip
        .chunks(step)
        .map(|chunk| {
            let mean = float(chunk.iter().sum::<u64>()) / float(len64(chunk.len()));
            format!("{:.0}", mean / 1e6)
        })
        .collect();
    let each = if step == 1 {
        "each second".to_owned()
    } else {
        format!("each {step} s")
    };
    Some(format!("{each}, MB/s: {}", figures.join(" ")))
}
