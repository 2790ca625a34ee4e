//! Owns which offloads can be used for an answer, and what one of them proves of a file.

use super::answer::{Holding, Lack, UnprovenReason};
use super::gap::{Gap, GapList};
use super::question::{FoundOffload, Question, SizeAndDate};
use crate::card::dates::{Shift, parse};
use crate::card::identity::has_identity;
use crate::card::listing::FileRow;
use crate::card::sample::{Alike, Ground, choose};
use crate::disk::ReadBackWay;
use crate::error::{ProblemKind, Unread};
use crate::name::shown;
use crate::record::doubt::Doubts;
use crate::record::manifest::{FilePart, Manifest};
use crate::units::{counted, len64, size};
use std::collections::HashMap;

/// An offload whose manifest is about this card.
pub(super) struct Usable<'a> {
    pub(super) found: &'a FoundOffload,
    pub(super) manifest: &'a Manifest,
    pub(super) files: HashMap<&'a str, &'a FilePart>,
    pub(super) doubts: Doubts<'a>,
    /// Shift of the card's dates since the manifest was written.
    pub(super) card_shift: Shift,
    /// Shift of the dates on the drive against those of the card then.
    pub(super) drive_shift: Shift,
    /// Files of the card, and of the drive, that have to be equal before any other is believed
    /// unread.
    pub(super) samples: [Vec<Alike<'a>>; 2],
}

pub(super) fn all_usable<'a>(
    question: &Question<'a>,
    offloads: &'a [FoundOffload],
    troubles: &mut Vec<UnprovenReason>,
    notes: &mut Vec<String>,
) -> Vec<Usable<'a>> {
    let mut others = Vec::new();
    let each = offloads.iter();
    let usable: Vec<_> = each
        .filter_map(|o| usable(question, o, troubles, notes, &mut others))
        .collect();
    // Whose own offload is found needs none of another card.
    if usable.is_empty() {
        notes.extend(others_note(&others));
    }
    usable
}

/// Says that offloads of other cards, `roots`, use the card's names: it may be the same pictures.
fn others_note(roots: &[String]) -> Option<String> {
    Some(match roots {
        [] => return None,
        [root] => format!(
            "The offload in `{root}` is of another card that uses the same names. To compare this \
            card with it, read it: --by-content."
        ),
        [root, others @ ..] => format!(
            "The offload in `{root}` and {} are of other cards that use the same names. To compare \
            this card with them, read it: --by-content.",
            counted(len64(others.len()), "other")
        ),
    })
}

pub(super) fn usable<'a>(
    question: &Question<'a>,
    found: &'a FoundOffload,
    troubles: &mut Vec<UnprovenReason>,
    notes: &mut Vec<String>,
    others: &mut Vec<String>,
) -> Option<Usable<'a>> {
    let root = shown(&found.root);
    let manifest = match &found.manifest {
        Ok(manifest) => manifest,
        Err(why) => {
            troubles.push(UnprovenReason::unusable("offload in", &found.root, why));
            return None;
        }
    };
    let files: HashMap<&str, &FilePart> = manifest.files.iter().map(|f| (&*f.path, f)).collect();
    let is_about_it = |f: FileRow<'_>| {
        let Some(part) = files.get(f.name.as_str()) else {
            return false;
        };
        // Two cameras use the same names; by content only an equal file makes the offload this
        // one's.
        !question.by_content || question.holds(f.name.as_str()) == Some(part.blake3)
    };
    if !question.listing.files().any(is_about_it) {
        return None;
    }
    if !question.by_content && !manifest.card.mark().is_of(question.card) {
        others.push(root);
        return None;
    }
    let pairs = question.listing.files().filter_map(|f| {
        let part = files.get(f.name.as_str())?;
        (part.bytes == f.bytes).then_some((parse(&part.modified)?, f.modified))
    });
    let card_shift = Shift::of(pairs);
    let pairs = manifest.files.iter().filter_map(|f| {
        let stands = found.standing.get(&*f.path)?;
        (stands.bytes == f.bytes).then_some((parse(&f.modified)?, stands.modified))
    });
    let drive_shift = Shift::of(pairs);
    let mut usable = Usable {
        found,
        manifest,
        files,
        doubts: Doubts::of(manifest, found.here),
        card_shift,
        drive_shift,
        samples: [Vec::new(), Vec::new()],
    };
    usable.samples = usable.choose_samples(question);
    if card_shift.seconds != 0 && usable.is_borne_out(question) {
        notes.push(format!(
            "All dates on the card differ from those in `{root}` by {} min, as after a change of \
             zone or to summer time; what was read from the card is equal.",
            card_shift.seconds / 60
        ));
    }
    Some(usable)
}

impl<'a> Usable<'a> {
    pub(super) fn choose_samples(&self, question: &Question<'a>) -> [Vec<Alike<'a>>; 2] {
        // Where all of the card is read there is nothing to be believed.
        let files = question.listing.files().filter(|_| !question.is_card_read);
        let alike = files.filter(|f| self.looks_alike(*f));
        let alike = alike.filter_map(|f| {
            let part = self.files.get(f.name.as_str())?;
            let then = parse(&part.modified)?;
            Some(Alike::of(f, part.blake3, then, self.card_shift))
        });
        let card = Ground {
            is_known: has_identity(question.card),
            shift: self.card_shift,
        };
        let is_shifted = self.drive_shift != Shift::default() && self.found.reread.is_none();
        let parts = self.manifest.files.iter().filter(|_| is_shifted);
        let copies = parts.filter_map(|part| {
            let stands = self.found.standing.get(&*part.path)?;
            let is_alike = !part.is_elsewhere() && self.has_its_date(part, *stands);
            is_alike.then_some(Alike {
                name: &part.path,
                bytes: part.bytes,
                modified: stands.modified,
                blake3: part.blake3,
                is_rounded: false,
            })
        });
        let drive = Ground {
            is_known: true,
            shift: self.drive_shift,
        };
        [choose(alike, card), choose(copies, drive)]
    }

    /// Whether what was read of the card is what the manifest has.
    pub(super) fn is_borne_out(&self, question: &Question<'_>) -> bool {
        let [card, _] = &self.samples;
        card.iter()
            .all(|f| question.holds(f.name) == Some(f.blake3))
    }

    /// Whether the dates on the drive are only shifted, by what was read of it.
    pub(super) fn is_only_shifted(&self) -> bool {
        let [_, drive] = &self.samples;
        drive.iter().all(|f| {
            let read = self.found.read.get(f.name);
            matches!(read, Some(Ok((hash, _))) if *hash == f.blake3)
        })
    }

    /// Whether a file of the card has the size and date on record.
    pub(super) fn looks_alike(&self, file: FileRow<'_>) -> bool {
        self.files.get(file.name.as_str()).is_some_and(|part| {
            part.bytes == file.bytes
                && parse(&part.modified)
                    .is_some_and(|then| self.card_shift.joins(then, file.modified))
        })
    }

    /// Whether a copy has the size and date on record.
    pub(super) fn has_its_date(&self, part: &FilePart, stands: SizeAndDate) -> bool {
        part.bytes == stands.bytes
            && parse(&part.modified)
                .is_some_and(|then| self.drive_shift.joins(then, stands.modified))
    }

    pub(super) fn is_unread(&self, path: &str) -> bool {
        self.found.reread.is_none() && !self.found.read.contains_key(path)
    }

    /// Whether a copy has to be read to know whether it is what was copied: it was read back here,
    /// has its size and another date, or the record doubts it.
    pub(super) fn has_to_be_read(&self, file: FileRow<'_>) -> bool {
        let Some(part) = self.files.get(file.name.as_str()) else {
            return false;
        };
        let stands = self.found.standing.get(&*part.path);
        stands.is_some_and(|stands| {
            part.bytes == file.bytes
                && stands.bytes == part.bytes
                && !part.is_elsewhere()
                && self.was_read_back(part)
                && !self.is_as_it_was(part, *stands)
                && self.is_unread(&part.path)
        })
    }

    /// Whether a copy that was not read again may be believed to be what was copied.
    pub(super) fn is_as_it_was(&self, part: &FilePart, stands: SizeAndDate) -> bool {
        self.has_its_date(part, stands)
            && self.is_only_shifted()
            && !self.doubts.is_of_drive(&part.path)
    }

    /// Whether the record says that a file was read back in this very place.
    pub(super) fn was_read_back(&self, part: &FilePart) -> bool {
        self.found.here.is_some_and(|here| {
            let destination = self.manifest.destinations.get(here);
            let way = destination.map_or(ReadBackWay::None, |d| d.readback);
            let mut copies = part.copies.iter();
            way.reaches_device() && copies.any(|c| c.destination == here && c.proof.is_read_back())
        })
    }
}

impl Usable<'_> {
    /// Returns why this offload does not prove a file, or `None` if it does.
    pub(super) fn gap(
        &self,
        question: &Question<'_>,
        file: FileRow<'_>,
        is_doubted: bool,
    ) -> Option<Gap> {
        let path = file.name.as_str();
        let Some(part) = self.files.get(path) else {
            return Some(Gap::New);
        };
        if part.bytes != file.bytes {
            return Some(Gap::Changed);
        }
        let is_alike = question.by_content || self.looks_alike(file);
        // Where the card was read its content decides, and a date says no more than that.
        match question.card_read.get(path) {
            Some(Ok((hash, _))) if *hash == part.blake3 => {}
            Some(Ok(_)) if is_alike => return Some(Gap::CardDiffers),
            _ if !is_alike => return Some(Gap::Changed),
            Some(Err(_)) => return Some(Gap::CardUnreadable),
            None if question.is_card_read => return Some(Gap::CardUnreadable),
            None if !self.is_borne_out(question) => return Some(Gap::Unlike),
            _ => {}
        }
        if is_doubted {
            return Some(Gap::Doubted);
        }
        self.drive_gap(part)
    }

    pub(super) fn drive_gap(&self, part: &FilePart) -> Option<Gap> {
        // Whatever stands here under its name, nothing was read back here.
        if part.is_elsewhere() {
            return Some(Gap::Elsewhere);
        }
        if self.unread_cause(&part.path).is_some() {
            return Some(Gap::Unread);
        }
        let Some(stands) = self.found.standing.get(&*part.path) else {
            return Some(Gap::Missing);
        };
        if let Some(reread) = &self.found.reread {
            if reread.stopped {
                return Some(Gap::NotReadBack);
            }
            return match (
                reread.equal.contains(&*part.path),
                reread.way.reaches_device(),
            ) {
                (true, true) => None,
                (true, false) => Some(Gap::NotReadBack),
                (false, _) => Some(self.gap_of_other(part)),
            };
        }
        match self.found.read.get(&*part.path) {
            Some(Ok((hash, way))) if *hash == part.blake3 => {
                return (!way.reaches_device()).then_some(Gap::NotReadBack);
            }
            Some(_) => return Some(self.gap_of_other(part)),
            None if stands.bytes != part.bytes => return Some(self.gap_of_other(part)),
            None if !self.was_read_back(part) => return Some(Gap::NotReadBack),
            None => {}
        }
        if let Some(found) = self.found.damage.of_file(&part.path) {
            return Some(Gap::Found(found.kind));
        }
        (!self.is_as_it_was(part, *stands)).then_some(Gap::Damaged)
    }

    /// What it means that something else stands here than the record says: where nothing was copied
    /// here, it was there before.
    pub(super) fn gap_of_other(&self, part: &FilePart) -> Gap {
        let here = self.found.here;
        let is_here = |here| part.copies.iter().any(|c| c.destination == here);
        if here.is_none_or(is_here) {
            Gap::Damaged
        } else {
            Gap::NotReadBack
        }
    }

    /// Why a file could not be read on the drive.
    pub(super) fn unread_cause(&self, path: &str) -> Option<String> {
        let found = self.found;
        let again = found.reread.as_ref().and_then(|r| r.unread.get(path));
        let read = || Some(found.read.get(path)?.as_ref().err()?.why.clone());
        let unseen = || {
            let above = path.match_indices('/').filter_map(|(at, _)| path.get(..at));
            let mut all = above.chain([path]);
            Some(all.find_map(|path| found.unseen.get(path))?.to_string())
        };
        again.cloned().or_else(read).or_else(unseen)
    }

    /// Returns what the system said where a file could not be read, on the drive or on the card.
    pub(super) fn cause(
        &self,
        question: &Question<'_>,
        gap: Gap,
        file: FileRow<'_>,
    ) -> Option<Unread> {
        match gap {
            Gap::Unread => Some(Unread {
                why: self.unread_cause(file.name.as_str())?,
                cause: None,
            }),
            Gap::Found(_) => Some(Unread {
                why: self.found.damage.of_file(file.name.as_str())?.words(),
                cause: None,
            }),
            Gap::CardUnreadable => {
                let read = question.card_read.get(file.name.as_str())?;
                read.as_ref().err().cloned()
            }
            _ => None,
        }
    }

    /// Counts files and bytes of the copy that were read because of their dates or a doubt, and are
    /// equal.
    pub(super) fn read_equal(&self) -> (u64, u64) {
        let parts = self.manifest.files.iter().filter(|part| {
            let read = self.found.read.get(&*part.path);
            matches!(read, Some(Ok((hash, _))) if *hash == part.blake3)
        });
        parts.fold((0, 0), |(n, bytes), part| (n + 1, bytes + part.bytes))
    }

    /// Tells what this offload holds: `held` files and bytes proven, of `files` on the card.
    pub(super) fn holding(&self, held: (u64, u64), told: GapList, files: u64) -> Holding {
        let day = self
            .manifest
            .offload
            .finished
            .get(..10)
            .unwrap_or("an unknown day");
        let mut lacks: Vec<Lack> = told.lacks();
        let unread = match (&self.found.reread, lacks.first()) {
            (None, Some(lack)) if lack.kind == ProblemKind::NotReadBack => lack.files,
            _ => 0,
        };
        let nobody = format!(
            "{} {} there, never checked in this place",
            counted(unread, "file"),
            if unread == 1 { "is" } else { "are" }
        );
        let mut basis = match &self.found.reread {
            Some(reread) if reread.stopped => "not all was checked".to_owned(),
            Some(reread) => format!("checked just now ({})", reread.way.id()),
            None if held.0 > 0 && self.found.at_place.is_some() => {
                self.found.at_place.clone().unwrap_or_default()
            }
            None if held.0 > 0 => match self.read_equal() {
                (0, _) => format!("checked on {day}, sizes and dates unchanged since"),
                (n, bytes) => format!(
                    "checked on {day}; {} ({}) checked again just now, the others have the size \
                     and date that they had then",
                    counted(n, "file"),
                    size(bytes)
                ),
            },
            None if unread > 0 => nobody.clone(),
            None => "nothing there can be counted on".to_owned(),
        };
        if unread > 0 && held.0 > 0 {
            basis = format!("{basis}; {nobody}");
        }
        // Where it is all of them, their names say nothing.
        if unread == files {
            lacks.clear();
        }
        Holding {
            far_end: None,
            root: self.found.root.clone(),
            files: held.0,
            bytes: held.1,
            basis,
            unread,
            lacks,
            is_compared: false,
            moved: Vec::new(),
        }
    }

    /// Returns why files that other copies hold are not held by this one as well, of `files` on the
    /// card.
    pub(super) fn reasons(&self, short: GapList, files: u64) -> Vec<UnprovenReason> {
        let reason = |lack: Lack| UnprovenReason {
            files: lack.files,
            is_of_drive: true,
            cause: lack.origin,
            like: Some(lack.verb),
            offload: Some(self.found.root.clone()),
            ..UnprovenReason::new(lack.kind, lack.sentence(files))
        };
        short.lacks().into_iter().map(reason).collect()
    }
}
