//! Owns who a card, reader or drive is in the kit: named on the command line, or recognised by its
//! volume. A kit that cannot be used stops nothing, unless a name was to be looked up in it.

use crate::cli::args::{Common, KitNames};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::{refuse, usage};
use crate::cli::view::text::wrap;
use unlade::disk::{Disk, FolderFacts};
use unlade::kit::{Kit, KitCard, KitReader, UnknownName, fill, fill_drive};
use unlade::name::shown;
use unlade::run::{Job, Tools};
use unlade::speed::chain::{Chain, DriveSpeed};

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
        return Err(refuse(&lines, error.exit(), "kit", out, tools));
    }
    lines.push("Nothing of the kit is used now.".to_owned());
    for line in lines {
        for part in wrap(&line, out.width, "", "  ") {
            out.error(&part);
        }
    }
    Ok(Kit::default())
}

/// Who a card and its reader are.
#[derive(Clone, Default, Debug)]
pub(crate) struct Recognised {
    /// The card as the kit has it.
    pub(crate) card: Option<KitCard>,
    /// The reader as the kit has it.
    pub(crate) reader: Option<KitReader>,
    /// How that is known, in sentences.
    pub(crate) said: Vec<String>,
}

/// What is not as the command line says, as a sentence.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NotRecognised {
    /// The kit has no card of this name.
    #[error("--as: {0}.")]
    Card(#[source] UnknownName),
    /// The kit has no reader of this name.
    #[error("--in: {0}.")]
    Reader(#[source] UnknownName),
}

impl Recognised {
    /// Looks up the names, and the volume of the card where it is known.
    ///
    /// # Errors
    /// When a name is not in the kit.
    pub(crate) fn of(
        names: &KitNames,
        facts: Option<&FolderFacts>,
        kit: &Kit,
        disk: &dyn Disk,
    ) -> Result<Self, NotRecognised> {
        let ids = facts.map_or_else(Vec::new, |f| {
            disk.device_info(f).card_ids(f.volume_id.as_deref())
        });
        let recognised = ids.iter().find_map(|id| kit.card_of(id));
        let mut found = Self::default();
        match (&names.as_card, recognised) {
            (Some(name), other) => {
                let card = kit.card(name).map_err(NotRecognised::Card)?;
                if let Some(other) = other.filter(|o| o.name != card.name) {
                    found.said.push(format!(
                        "Taken as card `{}`, as you say; by its identity it would be `{}` in the \
                        kit.",
                        shown(&card.name),
                        shown(&other.name)
                    ));
                }
                found.card = Some(card.clone());
            }
            (None, Some(card)) => {
                let name = shown(&card.name);
                let is_own = ids.first().is_some_and(|id| kit.is_made_as(id, card));
                let by = if is_own {
                    "the number that its maker gave it"
                } else {
                    "its volume"
                };
                found
                    .said
                    .push(format!("Card `{name}` of the kit, recognised by {by}."));
                found.card = Some(card.clone());
            }
            (None, None) => {}
        }
        if let Some(name) = &names.in_reader {
            let reader = kit.reader(name).map_err(NotRecognised::Reader)?;
            found.reader = Some(reader.clone());
        }
        Ok(found)
    }

    /// Fills in what the kit says; what the command line said stays.
    pub(crate) fn fill(&self, chain: &mut Chain) {
        fill(chain, self.card.as_ref(), self.reader.as_ref());
        chain.said.extend(self.said.iter().cloned());
    }
}

/// Fills in what the kit says of the cards and drives of some jobs.
///
/// # Errors
/// The exit code, once it is told why: a name that is not in the kit, or one name for several
/// cards.
pub(crate) fn apply(
    names: &KitNames,
    kit: &Kit,
    jobs: &mut [Job],
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    if names.as_card.is_some() && jobs.len() > 1 {
        let why = "--as names one card; give one card with it, or leave it out.";
        return Err(usage(&[why.to_owned()], out));
    }
    for job in jobs {
        // What can't be looked at is told when its turn comes.
        let facts = tools.disk.facts(&job.card).ok();
        let found = Recognised::of(names, facts.as_ref(), kit, tools.disk.as_ref());
        let found = found.map_err(|why| usage(&[why.to_string()], out))?;
        found.fill(&mut job.chain);
        job.known.card = found.card.as_ref().map(|c| c.name.clone());
        job.known.reader = found.reader.as_ref().map(|r| r.name.clone());
        job.chain.drives.resize(job.to.len(), DriveSpeed::default());
        job.known.drives.resize(job.to.len(), None);
        job.known.volumes.resize(job.to.len(), Vec::new());
        let known = job.chain.drives.iter_mut().zip(&mut job.known.drives);
        for (((speed, name), meant), to) in known.zip(&mut job.known.volumes).zip(&job.to) {
            let facts = tools.disk.facts(to).ok();
            let id = facts.as_ref().and_then(|f| f.volume_id.as_deref());
            // Until its card's turn comes a drive may be pulled, and leave a bare folder.
            if meant.is_empty() {
                meant.extend(id.map(str::to_owned));
            }
            let Some(drive) = id.and_then(|id| kit.drive_of(id)) else {
                continue;
            };
            fill_drive(speed, drive);
            let at = facts.as_ref().and_then(|f| kit.drive_at(f));
            *name = at.map(|drive| drive.name.clone());
            // Its name is on the screen; how it is known is no news.
            if name.is_none() || out.verbose || out.json {
                job.chain.said.push(format!(
                    "`{}` is on drive `{}` of the kit, recognised by its volume.",
                    shown(to.as_str()),
                    shown(&drive.name)
                ));
            }
        }
    }
    Ok(())
}
