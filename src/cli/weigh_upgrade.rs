//! Owns `weigh upgrade`: what a faster part would save, in words, with what was assumed.

use super::args::Common;
use super::home::{Book, folder};
use super::kit_file;
use super::weigh::{Answer, rounded};
use super::weigh_args::{Price, UpgradeArgs};
use serde_json::{Value, json};
use unlade::kit::{Drive, Kit};
use unlade::ledger::Ledger;
use unlade::name::shown;
use unlade::speed::ceiling::{Ceiling, Chain};
use unlade::speed::links::{LinkRow, find};
use unlade::speed::quantity::{Bare, rate};
use unlade::speed::upgrade::{Part, Saving, Setup, per_hour, promised_s};
use unlade::units::{counted, float, len64, size, speed};

/// Why there is no answer.
pub(crate) enum Refused {
    /// The command line does not make sense.
    Usage(String),
    /// The kit could not be used.
    Kit(kit_file::KitError),
}

impl From<String> for Refused {
    fn from(why: String) -> Self {
        Self::Usage(why)
    }
}

/// One part as the command line names it.
#[derive(Clone, Debug)]
enum Thing {
    /// A rate that it gives, bytes per second.
    Rate(f64),
    /// A card or reader of the kit, by its place there.
    Kit(usize),
    /// A row of the link table.
    Row(&'static LinkRow),
}

/// The parts on the way from the card to the computer, and the drives.
#[derive(Clone, Debug, Default)]
struct Parts {
    card: Option<Thing>,
    reader: Option<Thing>,
    port: Option<Thing>,
    drives: Vec<(f64, Option<f64>)>,
}

/// What is known of the parts beside the command line.
struct Known {
    kit: Kit,
    /// What was measured with them.
    ledger: Ledger,
}

impl Known {
    /// What was measured was measured with the port as it is, and says nothing of another one.
    fn of_port(self, is_the_same: bool) -> Self {
        if is_the_same {
            return self;
        }
        Self {
            ledger: Ledger::default(),
            ..self
        }
    }
}

/// Reckons the saving.
pub(crate) fn upgrade(args: &UpgradeArgs, common: &Common, book: &Book) -> Result<Answer, Refused> {
    let kit = kit(args, common)?;
    let now = Parts {
        card: thing(args.card.as_deref(), Slot::Card, &kit)?,
        reader: thing(args.reader.as_deref(), Slot::Reader, &kit)?,
        port: thing(args.port.as_deref(), Slot::Port, &kit)?,
        drives: drives(&args.drives, &kit)?,
    };
    let new = Parts {
        card: thing(args.new_card.as_deref(), Slot::Card, &kit)?,
        reader: thing(args.new_reader.as_deref(), Slot::Reader, &kit)?,
        port: thing(args.new_port.as_deref(), Slot::Port, &kit)?,
        drives: drives(&args.new_drives, &kit)?,
    };
    check(&now, &new)?;
    let then = Parts {
        card: new.card.clone().or_else(|| now.card.clone()),
        reader: new.reader.clone().or_else(|| now.reader.clone()),
        port: new.port.clone().or_else(|| now.port.clone()),
        drives: if new.drives.is_empty() {
            now.drives.clone()
        } else {
            new.drives.clone()
        },
    };
    let only_figures = Known {
        kit,
        ledger: Ledger::default(),
    };
    let promised = promised(&now, &new, &only_figures, args.offload);
    let known = Known {
        ledger: if now.is_pair_of_kit() || then.is_pair_of_kit() {
            book.read()
        } else {
            Ledger::default()
        },
        ..only_figures
    };
    let (now_setup, mut notes) = now.setup(&known);
    let (then_setup, more) = then.setup(&known.of_port(new.port.is_none()));
    notes.extend(
        more.into_iter()
            .filter(|n| !notes.contains(n))
            .collect::<Vec<_>>(),
    );
    let saving = Saving::of(&now_setup, &then_setup, args.offload)
        .ok_or_else(|| "nothing is known of what holds the copy back; give rates".to_owned())?;
    let case = Case {
        bytes: args.offload,
        per_year: args.per_year,
        price: args.price.clone(),
        promised,
        now: now_setup,
        then: then_setup,
        saving,
    };
    let mut lines = case.lines();
    lines.extend(notes.into_iter().map(|n| ("Note", n)));
    Ok(Answer {
        lines,
        assumed: case.assumed(),
        json: case.json(),
    })
}

/// The kit is read only if something is named that is no rate.
fn kit(args: &UpgradeArgs, common: &Common) -> Result<Kit, Refused> {
    let singles = [
        &args.card,
        &args.reader,
        &args.port,
        &args.new_card,
        &args.new_reader,
        &args.new_port,
    ];
    let drives = args.drives.iter().chain(&args.new_drives);
    let mut named = singles.into_iter().flatten().chain(drives);
    let is_rate = |text: &String| {
        let first = text.split('/').next().unwrap_or(text);
        rate(first, Bare::MegaBytes).is_ok()
    };
    if named.all(is_rate) {
        return Ok(Kit::default());
    }
    match folder(common) {
        Some(home) => kit_file::read(&home).map_err(Refused::Kit),
        None => Ok(Kit::default()),
    }
}

/// Which part a flag is about.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Slot {
    Card,
    Reader,
    Port,
}

fn thing(text: Option<&str>, slot: Slot, kit: &Kit) -> Result<Option<Thing>, String> {
    let Some(text) = text else { return Ok(None) };
    let begins_with_digit = text.starts_with(|c: char| c.is_ascii_digit());
    let as_rate = rate(text, Bare::MegaBytes);
    if let Ok(rate) = as_rate {
        return Ok(Some(Thing::Rate(rate)));
    }
    let named = match slot {
        Slot::Card => kit
            .card(text)
            .map(|c| kit.cards.iter().position(|k| k == c)),
        Slot::Reader => kit
            .reader(text)
            .map(|r| kit.readers.iter().position(|k| k == r)),
        Slot::Port => Ok(None),
    };
    if let Ok(Some(place)) = named {
        return Ok(Some(Thing::Kit(place)));
    }
    let fits = |row: &LinkRow| match slot {
        Slot::Card => row.family.is_card_bus(),
        Slot::Reader => true,
        Slot::Port => !row.family.is_card_bus(),
    };
    match (find(text).filter(|row| fits(row)), as_rate, named) {
        (Some(row), ..) => Ok(Some(Thing::Row(row))),
        // What begins with a digit was meant as a rate.
        (None, Err(why), _) if begins_with_digit => Err(why),
        (None, _, Err(unknown)) => Err(format!(
            "`{}` is neither a rate (90, 90MB/s) nor a name of the link table (uhs-ii, usb3-5g); and {unknown}",
            shown(text)
        )),
        (None, ..) => Err(format!(
            "`{}` is neither a rate (90, 90MB/s) nor a link that is known here (usb2, usb3-5g, usb3-10g, tb3)",
            shown(text)
        )),
    }
}

fn drives(texts: &[String], kit: &Kit) -> Result<Vec<(f64, Option<f64>)>, String> {
    texts.iter().map(|text| drive(text, kit)).collect()
}

fn drive(text: &str, kit: &Kit) -> Result<(f64, Option<f64>), String> {
    if let Ok(drive) = kit.drive(text) {
        let Drive { writes, reads, .. } = drive;
        let writes = writes.ok_or_else(|| {
            format!("the kit does not say what drive `{}` sustains when it is written; `unlade kit add drive {} --update --writes MBPS` tells it", shown(text), shown(text))
        })?;
        return Ok((writes * 1e6, reads.map(|r| r * 1e6)));
    }
    let (writes, reads) = match text.split_once('/') {
        // `110MB/s` holds a stroke of its own.
        Some((writes, reads)) if !reads.starts_with('s') => (writes, Some(reads)),
        _ => (text, None),
    };
    let read = |text: &str| {
        rate(text, Bare::MegaBytes).map_err(|why| {
            format!("{why}; a drive is given as WRITES/READS (110/115), or by its name in the kit")
        })
    };
    Ok((read(writes)?, reads.map(read).transpose()?))
}

/// Every part that is exchanged must be known as it is now.
fn check(now: &Parts, new: &Parts) -> Result<(), String> {
    let pairs = [
        ("card", now.card.is_some(), new.card.is_some()),
        ("reader", now.reader.is_some(), new.reader.is_some()),
        ("port", now.port.is_some(), new.port.is_some()),
    ];
    for (name, is_known, is_exchanged) in pairs {
        if is_exchanged && !is_known {
            return Err(format!(
                "--new-{name} needs --{name} beside it: what it takes the place of"
            ));
        }
    }
    if !new.drives.is_empty() && new.drives.len() != now.drives.len() {
        return Err(format!(
            "--new-drives lists {} and --drives {}; give every drive of both, also those that stay",
            new.drives.len(),
            now.drives.len()
        ));
    }
    Ok(())
}

impl Parts {
    /// Returns whether card and reader are both of the kit, so that the ledger may know the pair.
    fn is_pair_of_kit(&self) -> bool {
        matches!(
            (&self.card, &self.reader),
            (Some(Thing::Kit(_)), Some(Thing::Kit(_)))
        )
    }

    /// Returns the set-up, and what is worth saying about its links.
    fn setup(&self, known: &Known) -> (Setup, Vec<String>) {
        let kit = &known.kit;
        let mut chain = Chain::default();
        let mut plain = Vec::new();
        let mut say = |name: &str, bytes_per_s: f64| {
            plain.push(Part {
                name: name.to_owned(),
                bytes_per_s,
            });
        };
        let mut names = (None, None);
        match &self.card {
            Some(Thing::Rate(rate)) => say("card", *rate),
            Some(Thing::Row(row)) => chain.card.bus = Some(row),
            Some(Thing::Kit(place)) => names.0 = kit.cards.get(*place),
            None => {}
        }
        match &self.reader {
            Some(Thing::Rate(rate)) => say("reader", *rate),
            Some(Thing::Row(row)) if row.family.is_card_bus() => chain.reader.slot = Some(row),
            Some(Thing::Row(row)) => chain.reader.link = Some(row),
            Some(Thing::Kit(place)) => names.1 = kit.readers.get(*place),
            None => {}
        }
        match &self.port {
            Some(Thing::Rate(rate)) => say("port", *rate),
            Some(Thing::Row(row)) => say(
                &format!("port, {}", row.words),
                row.mbps().bytes_per_s() * row.usual.low.midpoint(row.usual.high),
            ),
            Some(Thing::Kit(_)) | None => {}
        }
        let pair = names.0.zip(names.1);
        let reached = pair.and_then(|(card, reader)| {
            let reached = known.ledger.reached(&card.name, &reader.name)?;
            Some((card, reader, reached))
        });
        let notes = if let Some((card, reader, reached)) = reached {
            // What they give together in truth stands for all that would be reckoned of them.
            let (card, reader) = (shown(&card.name), shown(&reader.name));
            say(
                &format!("card `{card}` in reader `{reader}`"),
                reached.bytes_per_s,
            );
            let times = counted(len64(reached.times), "time");
            vec![format!(
                "Card `{card}` in reader `{reader}` counts with the {} that it gave there, measured {times} (ledger), and not with their figures.",
                speed(reached.bytes_per_s)
            )]
        } else {
            unlade::kit::fill(&mut chain, names.0, names.1);
            Ceiling::of(&chain).notes().to_vec()
        };
        let mut setup = Setup {
            links: plain,
            ..Setup::default()
        };
        setup.add_chain(&chain);
        for (number, (writes, reads)) in (1..).zip(&self.drives) {
            setup.writes.push(Part {
                name: format!("drive {number}"),
                bytes_per_s: *writes,
            });
            setup.reads.push(*reads);
        }
        (setup, notes)
    }
}

/// What the figures of the exchanged parts alone would save, and from what to what.
fn promised(now: &Parts, new: &Parts, known: &Known, bytes: u64) -> Option<(f64, f64, f64)> {
    let only = |parts: &Parts| {
        let parts = Parts {
            card: new.card.as_ref().and(parts.card.clone()),
            reader: new.reader.as_ref().and(parts.reader.clone()),
            port: new.port.as_ref().and(parts.port.clone()),
            drives: if new.drives.is_empty() {
                Vec::new()
            } else {
                parts.drives.clone()
            },
        };
        parts.setup(known).0.limiting().map(|part| part.bytes_per_s)
    };
    let (old, new) = (only(now)?, only(new)?);
    Some((promised_s(bytes, old, new), old, new))
}

/// A question with everything that its answer needs.
struct Case {
    bytes: u64,
    per_year: Option<u32>,
    price: Option<Price>,
    promised: Option<(f64, f64, f64)>,
    now: Setup,
    then: Setup,
    saving: Saving,
}

/// A link as the subject of a sentence.
fn the(part: Option<&Part>) -> String {
    part.map_or(String::new(), |part| {
        if part.name.starts_with("drive ") {
            part.name.clone()
        } else {
            format!("the {}", part.name)
        }
    })
}

/// Minutes with one decimal, as people say them.
fn minutes(seconds: f64) -> String {
    format!("{:.1} min", clean(seconds / 60.0))
}

fn hours(seconds: f64) -> String {
    format!("{:.1} h", clean(seconds / 3_600.0))
}

/// Rounds halves up in spite of the last binary digit, and has no minus before a zero.
fn clean(value: f64) -> f64 {
    let tenths = (value * 10.0 + 1e-6).floor();
    let half = if value * 10.0 - tenths >= 0.5 - 1e-6 {
        1.0
    } else {
        0.0
    };
    (tenths + half) / 10.0 + 0.0
}

impl Case {
    fn lines(&self) -> Vec<(&'static str, String)> {
        let mut lines = vec![
            ("Now", self.side(&self.now)),
            ("Then", self.side(&self.then)),
        ];
        if !self.saving.helps(&self.now, self.bytes) {
            lines.push(("Verdict", self.no_help()));
        }
        lines.push(("Saves", self.saves()));
        if let Some(n) = self.per_year {
            let year = f64::from(n);
            let back = self.saving.read_back_s.map_or(String::new(), |s| {
                format!(
                    " ({} of copying, {} of read-back)",
                    hours(self.saving.copy_s * year),
                    hours(s * year)
                )
            });
            let total = hours(self.saving.in_turn_s() * year);
            lines.push(("A year", format!("{total} in {n} offloads{back}")));
        }
        lines.extend(self.price().map(|text| ("Price", text)));
        lines.extend(self.box_words().map(|text| ("Label", text)));
        lines.extend(self.rolled().map(|text| ("Rolled", text)));
        lines
    }

    fn no_help(&self) -> String {
        let (before, after) = (the(self.now.limiting()), the(self.then.limiting()));
        if self.saving.in_turn_s() < -0.5 {
            format!("It would not help: it would be slower; {after} would hold it back.")
        } else if before == after {
            format!("It would not help: {before} holds the copy back before and after.")
        } else {
            format!("It would not help: {after} would then hold the copy back as much.")
        }
    }

    fn side(&self, setup: &Setup) -> String {
        let copy = setup.copy_s(self.bytes).unwrap_or(0.0);
        let held = setup.limiting().map_or(String::new(), |part| {
            format!(
                ", held back by {} ({})",
                the(Some(part)),
                speed(part.bytes_per_s)
            )
        });
        let back = setup.read_back_s(self.bytes).map_or(String::new(), |s| {
            format!(
                "; {} to read back ({})",
                minutes(s),
                speed(float(self.bytes) / s)
            )
        });
        format!("{} to copy{held}{back}", minutes(copy))
    }

    fn saves(&self) -> String {
        let copy = minutes(self.saving.copy_s);
        let each = format!("for each {}", size(self.bytes));
        match self.saving.read_back_s {
            Some(back) => format!(
                "{copy} of copying and {} of read-back {each}",
                minutes(back)
            ),
            None => format!(
                "{copy} of copying {each}; read-back is not counted, since what the drives read is not known"
            ),
        }
    }

    fn price(&self) -> Option<String> {
        let price = self.price.as_ref()?;
        let saved = self.saving.in_turn_s() * f64::from(self.per_year?);
        Some(match per_hour(price.amount, saved) {
            Some(each) if self.saving.helps(&self.now, self.bytes) => format!(
                "{} for each hour saved in the first year",
                price.with(&format!("{:.1}", clean(each)))
            ),
            _ => format!("{} for nothing that is worth mentioning", price.given()),
        })
    }

    fn box_words(&self) -> Option<String> {
        let (promised, old, new) = self.promised?;
        let rates = format!("{} instead of {}", speed(new), speed(old));
        let next = the(self.then.limiting());
        if promised - self.saving.copy_s > 1.0 {
            return Some(format!(
                "by its own figures alone ({rates}) it would be {} of copying; but then {next} takes over",
                minutes(promised)
            ));
        }
        Some(format!(
            "its own figures ({rates}) are reached: nothing else takes over"
        ))
    }

    fn rolled(&self) -> Option<String> {
        let saved = self.saving.rolled_s?;
        let of = |setup: &Setup| minutes(setup.rolled_s(self.bytes).unwrap_or(0.0));
        let result = if saved < 0.5 && self.saving.helps(&self.now, self.bytes) {
            "nothing is saved, since the drives set the time".to_owned()
        } else {
            format!("{} saved", minutes(saved))
        };
        Some(format!(
            "unlade reads back while it still copies. With drives that write and read in turn (spinning disks), both together take {} now and {} then: {result}",
            of(&self.now),
            of(&self.then),
        ))
    }

    fn assumed(&self) -> Vec<&'static str> {
        let mut assumed = vec![
            "rates that you gave or that were measured are what is really reached, for as long as it takes; labels and links of the table count with the middle of what is usual for them.",
            "large files; many small ones take longer, whatever the parts are.",
        ];
        if self.saving.read_back_s.is_some() {
            assumed.push(
                "where copy and read-back are added up, the one follows the other, and all drives are read at the same time.",
            );
        }
        if self.price.is_some() {
            assumed.push("what it costs is spread over one year.");
        }
        assumed
    }

    fn json(&self) -> Value {
        let side = |setup: &Setup| {
            json!({
                "copy_s": setup.copy_s(self.bytes).map(rounded),
                "read_back_s": setup.read_back_s(self.bytes).map(rounded),
                "rolled_s": setup.rolled_s(self.bytes).map(rounded),
                "limiting_link": setup.limiting().map(|part| part.name.as_str()),
                "bytes_per_s": setup.limiting().map(|part| rounded(part.bytes_per_s)),
            })
        };
        let year = self.per_year.map(f64::from);
        let a_year = year.map(|n| self.saving.in_turn_s() * n);
        json!({
            "question": "upgrade", "offload_bytes": self.bytes, "per_year": self.per_year,
            "now": side(&self.now), "then": side(&self.then),
            "saved": {
                "copy_s": rounded(self.saving.copy_s),
                "read_back_s": self.saving.read_back_s.map(rounded),
                "rolled_s": self.saving.rolled_s.map(rounded),
                "a_year_h": a_year.map(|s| rounded(s / 3_600.0)),
            },
            "promised_s": self.promised.map(|p| rounded(p.0)),
            "helps": self.saving.helps(&self.now, self.bytes),
            "price": self.price.as_ref().map(Price::given),
            "price_per_saved_hour": self.price.as_ref().zip(a_year)
                .and_then(|(price, saved)| per_hour(price.amount, saved)).map(rounded),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn halves_are_rounded_up_and_zero_has_no_sign() {
        assert_eq!(format!("{:.1}", clean(12.15)), "12.2");
        assert_eq!(format!("{:.1}", clean(12.149_999_999)), "12.2");
        assert_eq!(format!("{:.1}", clean(12.14)), "12.1");
        assert_eq!(format!("{:.1}", clean(-1e-12)), "0.0");
        assert_eq!(format!("{:.1}", clean(7.4)), "7.4");
    }
}
