//! Owns who a card, reader or drive is in the kit: named on the command line, or recognised by its
//! volume. A kit that cannot be used stops nothing, unless a name was to be looked up in it.

use super::args::{Common, KitNames};
use super::exit::Exit;
use super::home::folder;
use super::kit::{exit_of, refuse};
use super::kit_file;
use super::out::{Out, wrap};
use unlade::disk::FolderFacts;
use unlade::kit::{Card, Kit, Reader, fill};
use unlade::name::shown;
use unlade::run::Tools;
use unlade::speed::ceiling::Chain;

/// Reads the kit; trouble is told, and then there is none.
pub(crate) fn kit(names: &KitNames, common: &Common, out: Out, tools: &Tools) -> Result<Kit, Exit> {
    let Some(home) = folder(common) else {
        return Ok(Kit::default());
    };
    let error = match kit_file::read(&home) {
        Ok(kit) => return Ok(kit),
        Err(error) => error,
    };
    let mut lines = error.lines();
    if names.is_given() {
        return Err(refuse(&lines, exit_of(&error), "kit", out, tools));
    }
    lines.push("Nothing of the kit is used in this run.".to_owned());
    for line in lines {
        for part in wrap(&line, out.width, "", "  ") {
            out.error(&part);
        }
    }
    Ok(Kit::default())
}

/// Who a card and its reader are.
#[derive(Clone, Default, Debug)]
pub(crate) struct Known {
    /// The card.
    pub(crate) card: Option<Card>,
    /// The reader.
    pub(crate) reader: Option<Reader>,
    /// How that is known, in sentences.
    pub(crate) said: Vec<String>,
}

impl Known {
    /// Looks up the names, and the volume of the card where it is known.
    ///
    /// # Errors
    /// Words for a person when a name is not in the kit.
    pub(crate) fn of(
        names: &KitNames,
        facts: Option<&FolderFacts>,
        kit: &Kit,
    ) -> Result<Self, String> {
        let volume = facts.and_then(|f| f.volume_id.as_deref());
        let recognised = volume.and_then(|id| kit.card_of(id));
        let mut known = Self::default();
        match (&names.as_card, recognised) {
            (Some(name), other) => {
                let card = kit
                    .card(name)
                    .map_err(|unknown| format!("--as: {unknown}."))?;
                if let Some(other) = other.filter(|o| o.name != card.name) {
                    known.said.push(format!(
                        "Taken as card `{}`, as you say; by its volume it would be `{}` in the kit.",
                        shown(&card.name),
                        shown(&other.name)
                    ));
                }
                known.card = Some(card.clone());
            }
            (None, Some(card)) => {
                let name = shown(&card.name);
                known.said.push(format!(
                    "Card `{name}` of the kit, recognised by its volume."
                ));
                known.card = Some(card.clone());
            }
            (None, None) => {}
        }
        if let Some(name) = &names.in_reader {
            let reader = kit
                .reader(name)
                .map_err(|unknown| format!("--in: {unknown}."))?;
            known.reader = Some(reader.clone());
        }
        Ok(known)
    }

    /// Fills in what the kit says; what the command line said stays.
    pub(crate) fn fill(&self, chain: &mut Chain) {
        fill(chain, self.card.as_ref(), self.reader.as_ref());
    }
}
