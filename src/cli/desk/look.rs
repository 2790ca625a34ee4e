//! Owns the look at what is plugged in: as cards and drives come and go, while nothing is copied.

use super::state::{CardPast, Desk, DeskError, Place, Places};
use super::volume::VolumeState;
use crate::cli::command::plugged::{card_words, drive_words};
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::home::plugged::{DriveSign, Plugged, Role, plugged};
use crate::cli::view::text::all_of;
use std::sync::Arc;
use std::time::Duration;
use unlade::card::identity::CardIdentity;
use unlade::card::survey::survey;
use unlade::disk::MountedFolder;
use unlade::kit::Kit;
use unlade::kit::usual::UsualDrive;
use unlade::ledger::Ledger;
use unlade::name::shown;
use unlade::units::size;

/// How often it is asked what is mounted; that touches no drive.
const EVERY: Duration = Duration::from_secs(1);
/// How often it is asked whether they are the same volumes; macOS begins a program for each.
const SAME_EVERY: Duration = Duration::from_secs(if cfg!(target_os = "macos") { 10 } else { 1 });
/// How often the volumes themselves are looked at while somebody has a page open.
const AGAIN_AFTER: Duration = Duration::from_secs(60);

/// Starts the thread that looks.
///
/// # Errors
/// The system gives no thread.
pub(super) fn start(desk: &Arc<Desk>) -> Result<(), DeskError> {
    let desk = Arc::clone(desk);
    let thread = std::thread::Builder::new().name("desk-look".into());
    let thread = thread.spawn(move || run(&desk));
    thread.map(drop).map_err(DeskError::Server)
}

fn run(desk: &Desk) {
    let mut mounted: Option<Vec<MountedFolder>> = None;
    let mut looked = desk.tools.clock.elapsed();
    let mut compared = looked;
    let mut is_asked = true;
    while !desk.is_ending() {
        if !desk.lock().is_busy() {
            let now = desk.tools.disk.mounted().ok().flatten();
            let age = desk.tools.clock.elapsed().saturating_sub(looked);
            let is_old = age >= AGAIN_AFTER && desk.frames.receiver_count() > 0;
            let mut is_other = is_asked || now != mounted;
            let time = desk.tools.clock.elapsed();
            if !is_other && time.saturating_sub(compared) >= SAME_EVERY {
                is_other = is_another(desk);
                compared = time;
            }
            if is_other || is_old {
                look(desk);
                looked = desk.tools.clock.elapsed();
                mounted = now;
            }
        }
        is_asked = desk.wait_to_look(EVERY);
    }
}

/// Whether another volume is where one was, or a card was changed.
fn is_another(desk: &Desk) -> bool {
    let Places { cards, drives, .. } = desk.lock().plugged.clone();
    cards.iter().chain(&drives).any(|place| {
        let volume = place.volume.as_ref();
        volume.and_then(|volume| volume.is_other_at(&place.path, desk.disk())) == Some(true)
    })
}

/// Looks once; what takes longer, the cards' past, is told when it is known. Until then only that
/// stands which was told of the same volume with the same room.
fn look(desk: &Desk) {
    let kit = folder(&desk.common).and_then(|home| kit_file::read(&home).ok());
    let kit = kit.unwrap_or_default();
    let found = plugged(&kit, desk.tools.disk.as_ref());
    let (found, why) = match found {
        Ok(Some(found)) => (found, None),
        Ok(None) => (
            Vec::new(),
            Some("This system doesn't say what is plugged in.".to_owned()),
        ),
        Err(cause) => {
            let why = format!("The system doesn't say what is plugged in: {cause}.");
            (Vec::new(), Some(why))
        }
    };
    let mut places = Places {
        why,
        is_known: true,
        ..places(&found, &kit, desk)
    };
    let before = desk.lock().plugged.clone();
    for card in &mut places.cards {
        let mut cards = before.cards.iter();
        let known = cards.find(|c| c.path == card.path && c.volume == card.volume);
        card.past = known.map_or(Some(CardPast::Looking), |known| known.past.clone());
        card.is_ticked = !is_proven(card);
    }
    show(desk, &places);
    let ledger = desk.book().read();
    let cards = found.iter().filter(|one| matches!(one.role, Role::Card(_)));
    for (card, one) in places.cards.iter_mut().zip(cards) {
        card.past = past(one, &ledger, desk);
        card.is_ticked = !is_proven(card);
    }
    show(desk, &places);
}

fn is_proven(card: &Place) -> bool {
    matches!(card.past, Some(CardPast::Known(true, _)))
}

fn show(desk: &Desk, places: &Places) {
    let mut state = desk.lock();
    if state.plugged != *places {
        state.plugged.clone_from(places);
        drop(state);
        desk.poke();
    }
}

fn places(found: &[Plugged], kit: &Kit, desk: &Desk) -> Places {
    let usual = kit.usual(None).map_or(&[][..], |set| &set.to);
    let mut places = Places::default();
    let mut drives: Vec<(&DriveSign, Place)> = Vec::new();
    for one in found {
        let room = (one.facts.free_bytes, one.facts.total_bytes);
        let (words, is_card) = match &one.role {
            Role::Card(sign) => (format!("{}: {}", size(room.1), card_words(sign)), true),
            Role::Drive(sign) => {
                let (free, total) = (size(room.0), size(room.1));
                (
                    format!("{free} free of {total}: {}", drive_words(sign)),
                    false,
                )
            }
        };
        let mut place = Place {
            name: shown(&one.name),
            path: one.path.clone(),
            words,
            is_ticked: is_card,
            past: None,
            volume: Some(if is_card {
                VolumeState::of_card(&one.facts)
            } else {
                VolumeState::of_drive(&one.facts)
            }),
        };
        match &one.role {
            Role::Card(_) => places.cards.push(place),
            Role::Drive(sign) => {
                place.is_ticked = usual.iter().any(|drive| match (drive, sign) {
                    (UsualDrive::Kit(name), DriveSign::Kit(own)) => name == own,
                    (UsualDrive::Folder(path), _) => *path == one.path,
                    (UsualDrive::Kit(_), _) => false,
                });
                drives.push((sign, place));
            }
        }
    }
    drives.sort_by_key(|drive| drive.0);
    places.drives = drives.into_iter().map(|(_, place)| place).collect();
    let folders = usual.iter().filter_map(|drive| match drive {
        UsualDrive::Folder(path) => Some(path),
        UsualDrive::Kit(_) => None,
    });
    for path in folders {
        let is_there = matches!(desk.tools.disk.look(path), Ok(Some(_)));
        if is_there && places.drives.iter().all(|place| place.path != *path) {
            places.drives.push(Place {
                name: shown(path.as_str()),
                path: path.clone(),
                words: "usual in your kit".to_owned(),
                is_ticked: true,
                past: None,
                volume: None,
            });
        }
    }
    places
}

/// What the ledger says of a card as it is now.
fn past(one: &Plugged, ledger: &Ledger, desk: &Desk) -> Option<CardPast> {
    let listing = survey(desk.disk(), &one.path, &one.facts).ok()?;
    // The card that was listed is the one that was looked at.
    let seen = VolumeState::of_card(&one.facts);
    if seen.is_other_at(&one.path, desk.disk()) != Some(false) {
        return Some(CardPast::Looking);
    }
    let now = CardIdentity::of(&one.facts, &one.name, &listing);
    let last = ledger.last_verdict_on(&now)?;
    let day = last.at.get(..10).unwrap_or(&last.at);
    if !last.proven {
        let words = format!("NOT PROVEN on {day}, as the ledger has it");
        return Some(CardPast::Known(false, words));
    }
    let drives = last.places.iter().filter(|place| place.complete);
    let drives = drives.map(|place| shown(place.drive.as_deref().unwrap_or(&place.path)));
    let drives: Vec<String> = drives.collect();
    let on = if drives.is_empty() {
        String::new()
    } else {
        format!(" on {}", all_of(&drives))
    };
    Some(CardPast::Known(
        true,
        format!("proven already{on}, {day}, as the ledger has it"),
    ))
}
