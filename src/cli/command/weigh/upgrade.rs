//! Owns what `weigh upgrade` is asked: which parts there are now and would be then, from the
//! command line, the kit and the ledger. The answer in words is [`super::saving`].

use crate::cli::args::Common;
use crate::cli::args::weigh::{DriveArg, PartArg, UpgradeArgs};
use crate::cli::command::weigh::result::WeighResult;
use crate::cli::command::weigh::saving::{Case, Promise};
use crate::cli::home::book::Book;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::wrong_value::WrongValue;
use unlade::kit::{Kit, UnknownName};
use unlade::ledger::Ledger;
use unlade::name::shown;
use unlade::speed::ceiling::Ceiling;
use unlade::speed::chain::{Chain, DriveSpeed};
use unlade::speed::links::{LinkRow, find};
use unlade::speed::upgrade::{RatedStage, Setup, SpinAssumption, middle_of, promised_s};
use unlade::units::{counted, len64, speed};

/// Why there is no answer.
pub(crate) enum Refused {
    /// The command line does not make sense.
    Usage(NoSense),
    /// The kit could not be used.
    Kit(kit_file::KitError),
}

impl From<NoSense> for Refused {
    fn from(why: NoSense) -> Self {
        Self::Usage(why)
    }
}

/// Why a command line does not make sense, as a sentence without its end.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoSense {
    /// A value that is none.
    #[error(transparent)]
    Value(#[from] WrongValue),
    /// Neither a rate nor a name of the link table nor one of the kit.
    #[error(
        "`{}` is neither a rate (90, 90MB/s) nor a name of the link table (uhs-ii, usb3-5g); and \
         {unknown}",
        shown(.text)
    )]
    NoPart {
        /// As it was written.
        text: String,
        /// What the kit has instead.
        #[source]
        unknown: UnknownName,
    },
    /// Neither a rate nor a link; the kit has no ports.
    #[error(
        "`{}` is neither a rate (90, 90MB/s) nor a link that is known here (usb2, usb3-5g, \
         usb3-10g, tb3)",
        shown(.0)
    )]
    NoPort(String),
    /// A drive of which the kit does not say the rate that is needed, by its name as it is shown.
    #[error(
        "the kit does not say what drive `{0}` sustains when it is written. Say it once: unlade \
         kit add drive {0} --update --writes MBPS"
    )]
    NoWrites(String),
    /// A part that is to take the place of nothing.
    #[error("--new-{0} needs --{0} beside it: what it takes the place of")]
    InPlaceOfNothing(&'static str),
    /// Lists of drives that do not go together: how many new ones, and how many as they are.
    #[error(
        "--new-drives lists {0} and --drives {1}; give every drive of both, also those that stay"
    )]
    Drives(usize, usize),
    /// No rate of anything.
    #[error("nothing is known of what holds the copy back; give rates")]
    NothingKnown,
}

/// One part, looked up.
#[derive(Clone, Debug)]
enum Component {
    /// A rate that it gives, bytes per second.
    Rate(f64),
    /// A card or reader of the kit, by its index there.
    Kit(usize),
    /// A row of the link table.
    Row(&'static LinkRow),
}

/// The parts on the way from the card to the computer, and the drives.
#[derive(Clone, Debug, Default)]
struct Parts {
    card: Option<Component>,
    reader: Option<Component>,
    port: Option<Component>,
    drives: Vec<DriveSpeed>,
}

/// What is known of the parts beside the command line.
struct KitAndLedger {
    kit: Kit,
    /// What was measured with them.
    ledger: Ledger,
}

impl KitAndLedger {
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

/// Returns what the new parts would save.
///
/// # Errors
/// A part that is not known, one that is exchanged for nothing, or a kit that cannot be used.
pub(crate) fn upgrade(
    args: &UpgradeArgs,
    common: &Common,
    book: &Book,
) -> Result<WeighResult, Refused> {
    let kit = kit(args, common)?;
    let now = Parts::of([&args.card, &args.reader, &args.port], &args.drives, &kit)?;
    let new = [&args.new_card, &args.new_reader, &args.new_port];
    let new = Parts::of(new, &args.new_drives, &kit)?;
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
    let only_figures = KitAndLedger {
        kit,
        ledger: Ledger::default(),
    };
    let figures = figures_of(&new, &only_figures);
    let known = KitAndLedger {
        ledger: if now.is_pair_of_kit() || then.is_pair_of_kit() {
            book.read()
        } else {
            Ledger::default()
        },
        ..only_figures
    };
    let promised =
        figures.and_then(|new_rate| promised(&now, &new, new_rate, &known, args.offload));
    let now = now.reckon(&known);
    let then = then.reckon(&known.of_port(new.port.is_none()));
    let mut notes = now.notes;
    notes.extend(
        then.notes
            .into_iter()
            .filter(|n| !notes.contains(n))
            .collect::<Vec<_>>(),
    );
    let case = Case {
        bytes: args.offload,
        per_year: args.per_year,
        price: args.price.clone(),
        promised,
        now: now.setup,
        then: then.setup,
    };
    let Some(mut lines) = case.lines() else {
        return Err(NoSense::NothingKnown.into());
    };
    lines.extend(notes.into_iter().map(|n| ("Note", n)));
    Ok(WeighResult {
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
    let is_rate = |part: &PartArg| matches!(part, PartArg::Rate(_));
    let mut drives = args.drives.iter().chain(&args.new_drives);
    if singles.into_iter().flatten().all(is_rate) && drives.all(|drive| drive.speed.is_ok()) {
        return Ok(Kit::default());
    }
    match folder(common) {
        Some(home) => kit_file::read(&home).map_err(Refused::Kit),
        None => Ok(Kit::default()),
    }
}

/// Which part a flag is about.
#[derive(Clone, Copy, PartialEq, Eq)]
enum ComponentKind {
    Card,
    Reader,
    Port,
}

fn component(
    part: Option<&PartArg>,
    kind: ComponentKind,
    kit: &Kit,
) -> Result<Option<Component>, NoSense> {
    let (text, why) = match part {
        None => return Ok(None),
        Some(PartArg::Rate(rate)) => return Ok(Some(Component::Rate(*rate))),
        Some(PartArg::Name { text, why }) => (text, why),
    };
    let named = match kind {
        ComponentKind::Card => kit
            .card(text)
            .map(|c| kit.cards.iter().position(|k| k == c)),
        ComponentKind::Reader => kit
            .reader(text)
            .map(|r| kit.readers.iter().position(|k| k == r)),
        ComponentKind::Port => Ok(None),
    };
    if let Ok(Some(index)) = named {
        return Ok(Some(Component::Kit(index)));
    }
    let fits = |row: &LinkRow| match kind {
        ComponentKind::Card => row.family.is_card_bus(),
        ComponentKind::Reader => true,
        ComponentKind::Port => !row.family.is_card_bus(),
    };
    match (find(text).filter(|row| fits(row)), named) {
        (Some(row), _) => Ok(Some(Component::Row(row))),
        // What begins with a digit was meant as a rate.
        (None, _) if text.starts_with(|c: char| c.is_ascii_digit()) => {
            Err(WrongValue::from(why.clone()).into())
        }
        (None, Err(unknown)) => Err(NoSense::NoPart {
            text: text.clone(),
            unknown,
        }),
        (None, Ok(_)) => Err(NoSense::NoPort(text.clone())),
    }
}

fn drive_of(given: &DriveArg, kit: &Kit) -> Result<DriveSpeed, NoSense> {
    let Ok(drive) = kit.drive(&given.text) else {
        return Ok(given.speed.clone()?);
    };
    let mut speed = DriveSpeed::default();
    unlade::kit::fill_drive(&mut speed, drive);
    if speed.writes.is_some() {
        return Ok(speed);
    }
    Err(NoSense::NoWrites(shown(&given.text)))
}

/// Every part that is exchanged must be known as it is now.
fn check(now: &Parts, new: &Parts) -> Result<(), NoSense> {
    let pairs = [
        ("card", now.card.is_some(), new.card.is_some()),
        ("reader", now.reader.is_some(), new.reader.is_some()),
        ("port", now.port.is_some(), new.port.is_some()),
    ];
    for (name, is_known, is_exchanged) in pairs {
        if is_exchanged && !is_known {
            return Err(NoSense::InPlaceOfNothing(name));
        }
    }
    if !new.drives.is_empty() && new.drives.len() != now.drives.len() {
        return Err(NoSense::Drives(new.drives.len(), now.drives.len()));
    }
    Ok(())
}

impl Parts {
    /// Looks up a card, a reader and a port, and the drives.
    fn of(parts: [&Option<PartArg>; 3], drives: &[DriveArg], kit: &Kit) -> Result<Self, NoSense> {
        let [card, reader, port] = parts.map(Option::as_ref);
        Ok(Self {
            card: component(card, ComponentKind::Card, kit)?,
            reader: component(reader, ComponentKind::Reader, kit)?,
            port: component(port, ComponentKind::Port, kit)?,
            drives: drives
                .iter()
                .map(|drive| drive_of(drive, kit))
                .collect::<Result<_, _>>()?,
        })
    }

    /// Returns whether card and reader are both of the kit, so that the ledger may know the pair.
    fn is_pair_of_kit(&self) -> bool {
        matches!(
            (&self.card, &self.reader),
            (Some(Component::Kit(_)), Some(Component::Kit(_)))
        )
    }

    /// Returns what the parts give together, as far as kit and ledger know them.
    fn reckon(&self, known: &KitAndLedger) -> Reckoned {
        let kit = &known.kit;
        let mut chain = Chain::default();
        let mut plain = Vec::new();
        let mut say = |name: &str, bytes_per_s: f64| {
            plain.push(RatedStage::new(name, bytes_per_s));
        };
        let mut names = (None, None);
        match &self.card {
            Some(Component::Rate(rate)) => say("card", *rate),
            Some(Component::Row(row)) => chain.card.bus = Some(row),
            Some(Component::Kit(index)) => names.0 = kit.cards.get(*index),
            None => {}
        }
        match &self.reader {
            Some(Component::Rate(rate)) => say("reader", *rate),
            Some(Component::Row(row)) if row.family.is_card_bus() => chain.reader.slot = Some(row),
            Some(Component::Row(row)) => chain.reader.link = Some(row),
            Some(Component::Kit(index)) => names.1 = kit.readers.get(*index),
            None => {}
        }
        match &self.port {
            Some(Component::Rate(rate)) => say("port", *rate),
            Some(Component::Row(row)) => say(&format!("port, {}", row.words), middle_of(row)),
            Some(Component::Kit(_)) | None => {}
        }
        let pair = names.0.zip(names.1);
        let reached = pair.and_then(|(card, reader)| {
            let reached = known.ledger.reached(&card.name, &reader.name)?;
            Some((card, reader, reached))
        });
        let measured = reached.as_ref().map(|(.., reached)| reached.bytes_per_s);
        let mut notes = if let Some((card, reader, reached)) = reached {
            // What they give together in truth stands for all that would be reckoned of them.
            let (card, reader) = (shown(&card.name), shown(&reader.name));
            say(
                &format!("card `{card}` in reader `{reader}`"),
                reached.bytes_per_s,
            );
            let times = counted(len64(reached.times), "time");
            vec![format!(
                "Card `{card}` in reader `{reader}` counts with the {} that it gave there, \
                measured {times} (ledger), and not with their figures.",
                speed(reached.bytes_per_s)
            )]
        } else {
            unlade::kit::fill(&mut chain, names.0, names.1);
            Ceiling::of(&chain).notes().to_vec()
        };
        let mut setup = Setup {
            links: plain,
            drives: self.drives.clone(),
        };
        setup.add_chain(&chain);
        notes.extend(self.notes_of_drives());
        Reckoned {
            setup,
            notes,
            measured,
        }
    }

    /// A drive that is said to spin and is too fast for it counts as a plan counts it.
    fn notes_of_drives(&self) -> Vec<String> {
        let told = |drive: &&DriveSpeed| drive.spins == Some(true) && !drive.is_spinning();
        let rates = self.drives.iter().filter(told).filter_map(|d| d.writes);
        rates
            .map(|writes| {
                format!(
                    "A drive that takes {} counts as one that does not spin, although the kit says \
                    that it does: no single disk is as fast.",
                    speed(writes.mbps.bytes_per_s())
                )
            })
            .collect()
    }

    /// Returns those parts that are exchanged.
    fn exchanged(&self, new: &Self) -> Self {
        Self {
            card: new.card.as_ref().and(self.card.clone()),
            reader: new.reader.as_ref().and(self.reader.clone()),
            port: new.port.as_ref().and(self.port.clone()),
            drives: if new.drives.is_empty() {
                Vec::new()
            } else {
                self.drives.clone()
            },
        }
    }
}

/// A set-up as it is reckoned.
struct Reckoned {
    setup: Setup,
    /// What is worth saying about its links.
    notes: Vec<String>,
    /// What card and reader gave together, bytes per second, where that counts instead of their
    /// figures.
    measured: Option<f64>,
}

/// What the figures of the new parts alone give, bytes per second.
fn figures_of(new: &Parts, only_figures: &KitAndLedger) -> Option<f64> {
    let reckoned = new.reckon(only_figures);
    let least = reckoned.setup.limiting(SpinAssumption::NotSpinning)?;
    Some(least.bytes_per_s)
}

/// What the figures of the new parts alone would save. Where card and reader were measured
/// together, that is what the new figures are held against, as it is what the set-up counts with
/// now.
fn promised(
    now: &Parts,
    new: &Parts,
    new_rate: f64,
    known: &KitAndLedger,
    bytes: u64,
) -> Option<Promise> {
    let mut old = now.exchanged(new);
    if old.card.is_some() || old.reader.is_some() {
        let pair = Parts {
            card: now.card.clone(),
            reader: now.reader.clone(),
            ..old.clone()
        };
        if pair.reckon(known).measured.is_some() {
            old = pair;
        }
    }
    let reckoned = old.reckon(known);
    let least = reckoned
        .setup
        .limiting(SpinAssumption::NotSpinning)?
        .bytes_per_s;
    Some(Promise {
        saved_s: promised_s(bytes, least, new_rate),
        old: least,
        new: new_rate,
        is_measured: reckoned.measured.is_some_and(|measured| measured <= least),
    })
}
