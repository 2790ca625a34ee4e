//! Owns what is looked up before a job is planned: what the card holds, what stands on every
//! destination, and what a sample of the card bears out. Writes nothing.

use crate::card::identity::label_of;
use crate::card::listing::Listing;
use crate::card::survey::{look_at_left, survey};
use crate::disk::{Disk, EntryKind, FolderFacts};
use crate::error::{Cause, Problem, ProblemKind, unusable};
use crate::event::{Event, Observer};
use crate::existing;
use crate::existing::as_card;
use crate::existing::at_work::bytes_to_come;
use crate::existing::earlier::{Known, look as look_for_earlier};
use crate::existing::mounted::unmounted;
use crate::existing::sample::{Sampled, Sampling};
use crate::existing::source::CardFacts;
use crate::existing::standing::Standing;
use crate::name::{CardName, fold, shown};
use crate::plan::check::{holds_other_files, is_another_filling, may_go_on};
use crate::plan::notes::doubt_twins;
use crate::plan::{Candidate, Spot, layout_of};
use crate::record::earlier_run::Records;
use crate::record::layout::{Layout, Level};
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};

use std::cell::RefCell;
use std::io;

use super::job::{Job, Tools};
use super::naming::OffloadNames;

/// Lists the card, or the offload that is in its place.
pub(super) fn look_at_source(job: &Job, tools: &Tools) -> Result<(CardFacts, Listing), Problem> {
    let disk = tools.disk.as_ref();
    let name = shown(job.card.as_str());
    let unusable = |e: io::Error| {
        let why = unusable(&format!("the card `{name}`"), &e);
        Problem::new(ProblemKind::Unreadable, why).because(Cause::of(&e))
    };
    let gone = |e: io::Error| crate::error::gone(&format!("card `{name}`"), &e);
    let facts = disk.facts(&job.card).map_err(unusable)?;
    let _held = disk.anchor(&job.card, &facts).map_err(gone)?;
    // A link to the card is followed once, here; below it nothing is followed.
    let looked = disk.look(&job.card).map_err(unusable)?;
    let given = if looked.is_some_and(|stat| stat.kind == EntryKind::Link) {
        Utf8PathBuf::from(facts.canonical.clone())
    } else {
        job.card.clone()
    };
    let (card, listing) = if let Some(found) = as_card::look(disk, &given, &facts)? {
        check_original(job)?;
        found
    } else {
        let listing = survey(disk, &given, &facts).map_err(|e| e.unreadable())?;
        let listing = look_at_left(disk, &given, listing, &tools.cancel);
        let card = CardFacts {
            label: label_of(&job.card, &facts),
            given,
            facts,
            original: None,
        };
        (card, listing)
    };
    // A card that was pulled can still be listed from memory, or look empty.
    let after = disk.facts(&job.card).map_err(gone)?;
    let mark = |f: &FolderFacts| (f.device, f.inode, f.volume_id.clone());
    if mark(&after) != mark(&card.facts) {
        let why = "the card was changed while it was being listed";
        return Err(Problem::new(ProblemKind::Vanished, why));
    }
    Ok((card, listing))
}

/// What can only be asked of a card is not asked of an offload.
fn check_original(job: &Job) -> Result<(), Problem> {
    let why = if job.only_new {
        "--only-new is for cards; a further copy of an offload is always a whole one"
    } else if job.terms.level == Level::Reread {
        "--proof reread reads a card a second time; the files of an offload are compared with its \
         manifest at the first read"
    } else {
        return Ok(());
    };
    Err(Problem::new(ProblemKind::NameClash, why))
}

/// Returns the offload's name and what stands under it. Without a given name it is what the pattern
/// comes to; where that is another card's already, `-2` and so on: two bodies of one make have
/// cards of one label, and a card may be formatted and shot again on one day. What was begun today
/// under another of these names goes on there. The last value says whether an offload was passed
/// over that is of the card, as it was before.
pub(super) fn name_and_spots(
    job: &Job,
    tools: &Tools,
    card: &CardFacts,
    listing: &Listing,
) -> (String, Vec<Spot>, Option<String>) {
    let original = card.original.as_deref();
    let as_original = original.map(|o| o.layout);
    let look = |name: &str| -> Vec<Spot> {
        let look = |layout| -> Vec<Spot> {
            let one = |to: &Utf8PathBuf| spot(job, tools.disk.as_ref(), to, (name, layout));
            job.to.iter().map(one).collect()
        };
        let first = layout_of(job.form.layout, std::iter::empty(), as_original);
        let found = look(first);
        // What stands on one destination tells how the others are to be looked at.
        let standing = found.iter().map(|s| &s.standing);
        match layout_of(job.form.layout, standing, as_original) {
            layout if layout == first => found,
            layout => look(layout),
        }
    };
    if let Some(name) = job.name.as_ref().or(original.map(|o| &o.name)) {
        return (name.clone(), look(name), None);
    }
    let former = RefCell::new(None);
    let is_former = |spots: &[Spot]| {
        let mut all = spots.iter().filter_map(|s| s.standing.records.as_ref());
        all.any(|r| may_go_on(r, card, listing) && is_another_filling(r, card, listing))
    };
    let is_free = |name: &str, spots: &[Spot]| {
        if is_former(spots) {
            former.borrow_mut().get_or_insert_with(|| name.to_owned());
        }
        let is_taken = job.taken.iter().any(|t| fold(t) == fold(name));
        !is_taken && goes_here(spots, card, listing, job.only_new)
    };
    let names = OffloadNames::of(job, tools, card, listing);
    let (name, spots) = names.choose(look, is_free).unwrap_or_else(|| {
        // The refusal then tells what stands there.
        let name = names.last_resort();
        let spots = look(&name);
        (name, spots)
    });
    let is_begun = spots.iter().any(|s| s.standing.records.is_some());
    let former = former.into_inner().filter(|_| !is_begun);
    (name, spots, former)
}

/// Says why a copy goes into another folder than that of earlier today.
pub(super) fn former_note(former: &str, name: &str) -> String {
    format!(
        "`{}` holds what was on this card before. Nothing of that is on it now, as after a format \
         in the camera: this copy goes into `{}`.",
        shown(former),
        shown(name)
    )
}

/// Whether an offload of a name that nobody gave is this card's, or can be begun. Records that
/// cannot be read may be this card's: they are told, and nothing is copied a second time beside
/// them unasked.
fn goes_here(spots: &[Spot], card: &CardFacts, listing: &Listing, only_new: bool) -> bool {
    let stands = || spots.iter().map(|s| &s.standing);
    let is_of_card = |records: &Records| {
        may_go_on(records, card, listing)
            && !is_another_filling(records, card, listing)
            // A camera's own database is another one after every shot. What is new then goes into
            // an offload of its own, and the earlier one is kept.
            && !(only_new && holds_other_files(records, listing))
    };
    let mut records = stands().filter_map(|s| s.records.as_ref());
    if !records.all(is_of_card) {
        return false;
    }
    if stands().any(|s| s.damaged.is_some()) {
        return true;
    }
    stands().all(|s| s.records.is_some() || s.entries.is_empty())
}

fn is_no_folder(cause: &io::Error) -> bool {
    matches!(
        cause.kind(),
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
    )
}

fn not_usable(given: &Utf8Path, cause: &io::Error) -> Problem {
    let why = format!("`{}` cannot be used: {cause}", shown(given.as_str()));
    Problem::new(ProblemKind::WriteFailed, why)
}

fn spot(job: &Job, disk: &dyn Disk, given: &Utf8Path, (name, layout): (&str, Layout)) -> Spot {
    let unusable = |why: String| Problem::new(ProblemKind::WriteFailed, why);
    let facts = disk.facts(given).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => unusable(format!(
            "`{0}` is not there. Is the drive plugged in? To make a new folder: mkdir {0}",
            shown(given.as_str())
        )),
        _ => not_usable(given, &e),
    });
    let is_plain = CardName::parse(name).is_ok_and(|n| n.parent().is_none());
    // Something else may be mounted where the offload would lie, and it may be the card itself:
    // room and device of `given` say nothing of it.
    let standing = match &facts {
        Ok(facts) if is_plain => disk
            .anchor(given, facts)
            .map_err(|e| not_usable(given, &e))
            .and_then(|_held| {
                let mut found = existing::look(disk, given, facts, name, layout);
                if let Ok(standing) = &mut found {
                    match disk.facts(&given.join(name)) {
                        Ok(root) => standing.note_damage(&root, &job.known.damage),
                        // No offload of this name yet; what else has it is refused as a clash.
                        Err(e) if is_no_folder(&e) => {}
                        Err(e) => return Err(not_usable(given, &e)),
                    }
                }
                found.map_err(|e| {
                    // A volume that was pulled is mounted so, and says all sorts of things (ntfs3:
                    // EACCES to root, seen).
                    let read_only = facts.read_only.then_some(Cause::ReadOnly);
                    let cause = e.is_damage().then_some(Cause::Damaged);
                    unusable(e.to_string()).because(cause.or(read_only))
                })
            }),
        _ => Ok(Standing::default()),
    };
    let (facts, standing) = match standing {
        Ok(standing) => (facts, standing),
        Err(why) => (facts.and(Err(why)), Standing::default()),
    };
    Spot {
        given: given.to_path_buf(),
        facts,
        standing,
    }
}

/// What else is known of a destination, whatever the offload is called.
#[derive(Default)]
pub(super) struct Around {
    unmounted: Option<String>,
    within_offload: Option<String>,
    others_bytes: u64,
}

/// Looks what else is known of every destination: whether its drive is the one that is meant, other
/// runs on it, and whether two are one.
pub(super) fn look_around(
    job: &Job,
    disk: &dyn Disk,
    name: &str,
    spots: &mut [Spot],
) -> Vec<Around> {
    let look = |(index, spot): (usize, &mut Spot)| {
        let Ok(facts) = &spot.facts else {
            return Around::default();
        };
        let _held = disk.anchor(&spot.given, facts);
        let last = job.known.ledger.last_in(&facts.canonical);
        let other = last.filter(|place| !place.may_be_on(facts));
        let other = other.map(|place| place.volume_id.as_deref());
        let others_bytes = bytes_to_come(disk, facts, name);
        let meant = job.known.volumes.get(index);
        let is_another = meant.is_some_and(|meant| !is_one_of(facts, meant));
        let gone = || "the drive that is meant is not plugged in there any more".to_owned();
        let unmounted = is_another
            .then(gone)
            .or_else(|| unmounted(disk, &spot.given, facts, other));
        let offload = as_card::around(disk, facts).unwrap_or_else(|e| {
            spot.facts = Err(not_usable(&spot.given, &e));
            None
        });
        Around {
            unmounted,
            within_offload: offload.map(Utf8PathBuf::into_string),
            others_bytes,
        }
    };
    let around = spots.iter_mut().enumerate().map(look).collect();
    doubt_twins(spots);
    around
}

/// Whether a place is on one of these volumes; without any it may be anywhere.
fn is_one_of(facts: &FolderFacts, meant: &[String]) -> bool {
    let id = facts.volume_id.as_deref();
    let is_it = |id: &str| meant.iter().any(|volume| volume.eq_ignore_ascii_case(id));
    meant.is_empty() || id.is_some_and(is_it)
}

/// Reads of the card what has to be read before anything of earlier runs is believed, and looks for
/// its other offloads on every destination where only what is new is to be copied.
pub(super) fn bear_out(
    job: &Job,
    tools: &Tools,
    found: Vec<(Spot, Around)>,
    name: &str,
    (card, listing, sampling): (&CardFacts, &Listing, Sampling),
    observer: &mut dyn Observer,
) -> Vec<Candidate> {
    let disk = tools.disk.as_ref();
    // What of the card is read for a sample is read below the folder that was listed.
    let _card = disk.anchor(&card.given, &card.facts);
    let mut tell = |bytes| observer.event(&Event::Sampling(bytes));
    let mut read = Sampled::new(disk, &card.given, &tools.cancel, sampling, &mut tell);
    let mut sampled = Vec::new();
    for (spot, _) in &found {
        let sample = spot.samples(listing, &card.facts);
        sampled.push(read.are_equal(&sample).then_some(len64(sample.len())));
    }
    let mut known = Known::new(card, listing, &job.known.damage, &tools.cancel, read);
    let mut earlier_on = |spot: &Spot| match &spot.facts {
        Ok(facts) if job.only_new => {
            let _held = disk.anchor(&spot.given, facts);
            look_for_earlier(disk, &spot.given, facts, name, &mut known)
        }
        _ => Default::default(),
    };
    let all = found.into_iter().zip(sampled);
    let kit_name = |index: usize| job.known.drives.get(index).cloned().flatten();
    all.enumerate()
        .map(|(index, ((spot, around), sampled))| {
            let (earlier, earlier_notes) = earlier_on(&spot);
            Candidate {
                given: spot.given,
                facts: spot.facts,
                standing: spot.standing,
                unmounted: around.unmounted,
                within_offload: around.within_offload,
                others_bytes: around.others_bytes,
                sampled,
                earlier,
                earlier_notes,
                kit_name: kit_name(index),
            }
        })
        .collect()
}
