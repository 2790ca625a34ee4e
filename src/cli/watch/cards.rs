//! Owns what one look of a watch sees: which plugged-in volumes are cards, whose word it is that
//! they are copied, and where to. It looks; it writes nothing.

use crate::cli::home::plugged::{CardSign, DriveSign, Plugged, Role, plugged};
use crate::cli::home::usual::{usual_place, usual_volumes};
use camino::Utf8PathBuf;
use std::io;
use unlade::disk::Disk;
use unlade::kit::Kit;
use unlade::kit::rule::{RULE, RuledVolume, Ruling, ruling};
use unlade::kit::usual::{USUAL, UsualSet};
use unlade::record::layout::Level;
use unlade::station::{PluggedCard, SeenCard};

/// A card that is plugged in.
#[derive(Clone, Debug)]
pub(super) struct StationCard {
    pub(super) card: PluggedCard,
    /// Its name in the kit, its label, or its folder's name.
    pub(super) name: String,
    /// How it is to be copied, or why it is not touched, in a sentence.
    pub(super) orders: Result<Orders, String>,
}

/// How a card is to be copied.
#[derive(Clone, Debug)]
pub(super) struct Orders {
    /// The rule's number in the kit; none where it is copied as usual.
    pub(super) rule: Option<usize>,
    pub(super) set: UsualSet,
    pub(super) proof: Option<Level>,
    pub(super) only_new: bool,
    pub(super) reader: Option<String>,
    /// The folders of the drives that are there.
    pub(super) to: Vec<Utf8PathBuf>,
    /// The volumes of the drive at each; none of a folder.
    pub(super) volumes: Vec<Vec<String>>,
    /// The drives that are not, by name.
    pub(super) missing: Vec<String>,
    /// What else keeps one of them from being found, in sentences.
    pub(super) why_missing: Vec<String>,
}

impl Orders {
    /// Says whose word it is: `rule 2`, `[usual]`.
    pub(super) fn by(&self) -> String {
        self.rule
            .map_or_else(|| format!("[{USUAL}]"), |number| format!("{RULE} {number}"))
    }
}

impl StationCard {
    /// Returns it as the station takes it in.
    pub(super) fn seen(&self) -> SeenCard {
        SeenCard {
            card: self.card.clone(),
            missing: self.orders.as_ref().ok().map(|o| o.missing.clone()),
        }
    }
}

/// Returns the cards that are plugged in; `None` where the system does not say what is.
///
/// # Errors
/// When the system can't be asked.
pub(super) fn look(kit: &Kit, disk: &dyn Disk) -> io::Result<Option<Vec<StationCard>>> {
    let found = plugged(kit, disk)?;
    let cards = |all: Vec<Plugged>| all.iter().filter_map(|one| of(one, kit, disk)).collect();
    Ok(found.map(cards))
}

/// Returns a volume as a card; `None` of one that is none.
fn of(one: &Plugged, kit: &Kit, disk: &dyn Disk) -> Option<StationCard> {
    let (kit_card, is_card) = match &one.role {
        Role::Card(CardSign::Kit(name)) => (Some(name.as_str()), true),
        Role::Card(CardSign::Camera(_)) => (None, true),
        // A recorder's card has no folder that tells it; its label may be in a rule.
        Role::Drive(DriveSign::Writable) => (None, false),
        Role::Drive(DriveSign::Kit(_) | DriveSign::Offloads) => return None,
    };
    let volume = RuledVolume {
        kit_card,
        // Where the system tells no label: desktops mount a volume in a folder of that name.
        label: one.facts.label.as_deref().or(one.path.file_name()),
        is_of_camera: is_card,
    };
    let ruling = ruling(&kit.rules, volume);
    if ruling.is_none() && !is_card {
        return None;
    }
    Some(StationCard {
        card: PluggedCard {
            path: one.path.clone(),
            device: one.facts.device,
            volume_id: one.facts.volume_id.clone(),
        },
        name: one.name.clone(),
        orders: match ruling {
            Some(ruling) => orders(ruling, kit, disk),
            None => Err("It is no card of the kit, and no rule takes it.".to_owned()),
        },
    })
}

fn orders(ruling: Ruling<'_>, kit: &Kit, disk: &dyn Disk) -> Result<Orders, String> {
    let usual = kit.usual(None).ok();
    let (rule, set) = match ruling {
        Ruling::Rule(number, rule) => (Some((number, rule)), rule.over(usual)),
        Ruling::Usual => (None, usual.cloned().unwrap_or_default()),
    };
    let mut orders = Orders {
        rule: rule.map(|(number, _)| number),
        proof: rule.and_then(|(_, rule)| rule.proof),
        only_new: rule.is_some_and(|(_, rule)| rule.only_new),
        reader: rule.and_then(|(_, rule)| rule.reader.clone()),
        to: Vec::new(),
        volumes: Vec::new(),
        missing: Vec::new(),
        why_missing: Vec::new(),
        set,
    };
    if orders.set.to.is_empty() {
        return Err(
            "The kit does not say where to copy it: neither its rule nor [usual] has `to`."
                .to_owned(),
        );
    }
    for drive in &orders.set.to {
        match usual_place(drive, kit, disk) {
            Ok(place) => {
                orders.to.push(place);
                orders.volumes.push(usual_volumes(drive, kit));
            }
            Err(why) => {
                let name = drive.to_string();
                if !orders.missing.contains(&name) {
                    orders.missing.push(name);
                }
                if !why.is_away() {
                    orders.why_missing.push(why.to_string());
                }
            }
        }
    }
    Ok(orders)
}
