//! Owns whether the same card and the same drives are still there as were meant: a path says
//! nothing of that, as the next card is mounted where the last one was.

use super::state::{Asked, Desk, ReadAsked};
use camino::Utf8Path;
use unlade::card::identity::{CardIdentity, label_of};
use unlade::card::survey::survey;
use unlade::disk::Disk;
use unlade::ledger::CopyLocation;
use unlade::name::shown;

/// The card that is at a path now, as far as it can be listed.
pub(super) fn card_at(disk: &dyn Disk, path: &Utf8Path) -> Option<CardIdentity> {
    let facts = disk.facts(path).ok()?;
    let listing = survey(disk, path, &facts).ok()?;
    Some(CardIdentity::of(&facts, &label_of(path, &facts), &listing))
}

/// Returns whether this card is at a path, perhaps with more on it.
pub(super) fn is_card_at(disk: &dyn Disk, path: &Utf8Path, card: &CardIdentity) -> bool {
    let Ok(facts) = disk.facts(path) else {
        return false;
    };
    // Another volume need not be listed.
    if matches!((&card.volume_id, &facts.volume_id), (Some(then), Some(now)) if then != now) {
        return false;
    }
    card_at(disk, path).is_some_and(|now| card.is_same_card(&now))
}

/// Refuses to copy again or to go on where another card is by now.
///
/// # Errors
/// Which card is to be put back, in sentences.
pub(super) fn same_cards(desk: &Desk, asked: &Asked) -> Result<(), String> {
    for (path, held) in asked.cards.iter().zip(&asked.held) {
        if let Some(card) = held
            && !is_card_at(desk.disk(), path, card)
        {
            return Err(format!(
                "{} Nothing was copied: put that card back and press this again, or tick under \
                 `Cards` what is plugged in now.",
                another_card(path, card)
            ));
        }
    }
    Ok(())
}

fn another_card(path: &Utf8Path, card: &CardIdentity) -> String {
    let (path, name) = (shown(path.as_str()), shown(card.known_as()));
    format!("Another card is at {path} now, or none: it is not {name} that this was asked of.")
}

/// Refuses to read again where another card or another drive is by now, and leaves out what is
/// meant twice. Returns what is to be said of that.
///
/// # Errors
/// What is to be plugged in, in sentences.
pub(super) fn same(desk: &Desk, asked: &mut ReadAsked) -> Result<Vec<String>, String> {
    match asked {
        ReadAsked::Check(copies) => same_drives(desk.disk(), copies),
        ReadAsked::Format { card, held, .. } => {
            if is_card_at(desk.disk(), card, held) {
                return Ok(Vec::new());
            }
            Err(format!(
                "{} Nothing was asked: put that card back and press this again. To ask of another \
                 card press `May I format?` at it under `Shoots`.",
                another_card(card, held)
            ))
        }
    }
}

fn same_drives(disk: &dyn Disk, copies: &mut Vec<CopyLocation>) -> Result<Vec<String>, String> {
    let mut seen: Vec<((u64, u64), String)> = Vec::new();
    let mut said = Vec::new();
    let mut kept = Vec::new();
    for copy in std::mem::take(copies) {
        let path = shown(&copy.path);
        // What is not there at all the check itself tells.
        if let Ok(facts) = disk.facts(Utf8Path::new(&copy.path)) {
            if !copy.may_be_on(&facts) {
                let drive = copy
                    .drive
                    .as_deref()
                    .map_or_else(|| "the drive that the copy was made on".to_owned(), shown);
                return Err(format!(
                    "Another drive is at {path} now. Nothing was read: unplug it, plug in {drive} \
                     and press `Check again`."
                ));
            }
            let folder = (facts.device, facts.inode);
            if let Some((_, first)) = seen.iter().find(|(known, _)| *known == folder) {
                said.push(format!(
                    "{path} and {first} are one folder: it is one copy, and was read once."
                ));
                continue;
            }
            seen.push((folder, path));
        }
        kept.push(copy);
    }
    *copies = kept;
    Ok(said)
}
