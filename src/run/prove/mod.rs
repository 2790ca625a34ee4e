//! Owns the order of `prove`: survey the card, find the offloads under the given folders, look at
//! what stands (or read it all again), and put the question. It writes nothing.

mod card_seen;
mod folders;
mod matching;
mod offloads;
mod passed;
mod reading;

use crate::card::identity::{CardIdentity, label_of};
use crate::card::listing::{FileRow, Listing};
use crate::card::part::part_of;
use crate::card::survey::{look_at_left, survey};
use crate::clock::Clock;
use crate::disk::guarded::Guarded;
use crate::disk::progress::Progress;
use crate::disk::{Anchor, Disk, FolderFacts, ReadBackWay, Stamp};
use crate::error::{Cause, Problem, ProblemKind, gone, unusable};
use crate::existing::as_card::is_offload;
use crate::existing::search::find_offloads;
use crate::inspect::recordings::Recordings;
use crate::ledger::Ledger;
use crate::name::shown;
use crate::plan::check::without_files;
use crate::proof::coverage::{Answer, ComparedFolder, FoundOffload, Question, ReadFiles, answer};
use crate::proof::problems::listing_problems;
use crate::record::damage::{CheckNote, DamageKind, KnownDamage};
use crate::record::load::load;
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{HashMap, HashSet};
use std::sync::atomic::Ordering;

use card_seen::CardSeen;
use folders::PlainFolders;
use offloads::{Search, look_again, look_at_offloads};
use reading::read_what_is_asked;

/// Places of the ledger that are looked at.
const PLACES_MAX: usize = 64;

/// What to look at.
#[derive(Clone, Debug)]
#[expect(clippy::struct_excessive_bools, reason = "each is asked for by itself")]
pub struct Ask {
    /// The mounted card.
    pub card: Utf8PathBuf,
    /// Folders on drives: offloads, folders that hold some, or folders that were filled by hand.
    /// None: the places that the ledger knows.
    pub on: Vec<Utf8PathBuf>,
    /// Places elsewhere are named as well: what the ledger knows is not asked for then.
    pub has_places: bool,
    /// What is remembered of earlier copies; `None` where it is not to be asked. It only tells
    /// where to look.
    pub ledger: Option<Ledger>,
    /// What earlier checks found damaged: such a copy of a file counts only when it is read now.
    pub damage: KnownDamage,
    /// Copies on independent devices that are needed.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
    /// Read the card and every copy again.
    pub reread: bool,
    /// Read the card and compare its content with the manifests, whoever's card it is.
    pub by_content: bool,
}

/// The answer and what it is about.
#[derive(Clone, Debug)]
pub struct ProveOutcome {
    /// The card; with its content's fingerprint when it was read.
    pub card: CardIdentity,
    /// Why it is a folder of a card and not the card, in words that go on after a colon.
    pub part: Option<String>,
    /// Files and bytes on the card.
    pub listed: (u64, u64),
    /// Complete copies that the ledger knows of and that lie under none of the given folders.
    pub elsewhere: Vec<String>,
    /// The answer.
    pub answer: Answer,
    /// What was read of the copies, to be remembered.
    pub checks: Vec<CheckNote>,
    /// How what was read of the card was read.
    pub card_way: Option<ReadBackWay>,
    /// All of the card was to be read.
    pub is_card_read: bool,
    /// What was seen of the card's recordings, where it was compared with folders that no copy
    /// filled: nobody looked at them before.
    pub recordings: Option<Recordings>,
    /// Stopped by the person.
    pub interrupted: bool,
}

/// Puts the question.
///
/// # Errors
/// Every reason why it cannot be put: no card, an empty card, a folder that is not there.
pub fn prove(
    ask: &Ask,
    disk: &dyn Disk,
    clock: &dyn Clock,
    progress: &Progress,
) -> Result<ProveOutcome, Vec<Problem>> {
    prove_with(ask, disk, clock, progress, &mut |_| Ok(<_>::default()))
}

/// Looks at places elsewhere for offloads of a card: what was found, and what is to be noted.
pub type AtPlaces<'a> =
    &'a mut dyn FnMut(&FolderFacts) -> Result<(Vec<FoundOffload>, Vec<String>), Vec<Problem>>;

/// The same with offloads at places elsewhere.
///
/// # Errors
/// As [`prove`], and what a place says.
pub fn prove_with(
    ask: &Ask,
    disk: &dyn Disk,
    clock: &dyn Clock,
    progress: &Progress,
    at_places: AtPlaces<'_>,
) -> Result<ProveOutcome, Vec<Problem>> {
    let disk = &Guarded::until(disk, &progress.cancel);
    let (facts, _held) = hold_card(ask, disk).map_err(|p| vec![p])?;
    let listing = look_at_card(ask, disk, &facts, progress).map_err(|p| vec![p])?;
    let card = identity(ask, disk, &facts, &listing);
    let (mut roots, away, known) = remembered(ask, disk, &card)?;
    let given = given(ask, disk)?;
    roots.extend(given.iter().flatten().cloned());
    let search = search(ask, disk, clock, (progress, &facts));
    let mut plain = PlainFolders::look(&search, without_offload(ask, &given), &listing);
    let found = look_at_offloads(&search, roots, &plain.facts());
    let (mut offloads, mut doubts) = (found.offloads, found.doubts);
    let (there, of_places) = at_places(&facts)?;
    offloads.extend(there);
    doubts.extend(of_places);
    doubts.extend(plain.doubt_twins(&found.places));
    let mut question = Question {
        listing: &listing,
        card: &facts,
        card_read: &ReadFiles::new(),
        card_zeros: &HashSet::new(),
        part: part_of(&facts, &listing),
        is_card_read: ask.reread || ask.by_content || plain.are_worth_reading(),
        by_content: ask.by_content,
        away: &away,
        changed: Vec::new(),
        copies_needed: ask.copies_needed,
        separate: ask.separate,
    };
    let read = |seen: Option<&mut CardSeen>| {
        let found = (&mut question, &mut *offloads);
        read_what_is_asked(&ask.card, disk, found, seen, progress)
    };
    let (card_read, of_card) = plain.read_beside(read);
    let compared = plain.compare(&of_card, &card_read);
    card_is_same(disk, ask, &facts).map_err(|p| vec![p])?;
    if !progress.cancel.load(Ordering::Relaxed) {
        question.changed = changed_since(disk, ask, &facts, &listing);
        look_again(disk, &mut offloads);
    }
    let compared = plain.looked_at_again(compared);
    question.card_read = &card_read;
    question.card_zeros = &of_card.zeros;
    let mut answer = answer(&question, &offloads, &compared);
    doubts.extend(plain.notes());
    doubts.extend(useless(ask, &given, &offloads, &compared, &answer));
    answer.notes.append(&mut doubts);
    Ok(ProveOutcome {
        card: with_content(card, &listing, &card_read),
        part: question.part,
        is_card_read: question.is_card_read,
        elsewhere: elsewhere(disk, &known, &found.seen, &listing),
        listed: listing.totals(),
        checks: offloads.iter().filter_map(|o| checked(o, clock)).collect(),
        answer,
        card_way: card_read.values().flatten().map(|(_, way)| *way).min(),
        recordings: of_card.recordings(&listing, Stamp::of(clock.now())),
        interrupted: progress.cancel.load(Ordering::Relaxed),
    })
}

/// What the offloads are looked at with.
fn search<'a>(
    ask: &'a Ask,
    disk: &'a dyn Disk,
    clock: &'a dyn Clock,
    (progress, card): (&'a Progress, &'a FolderFacts),
) -> Search<'a> {
    Search {
        disk,
        clock,
        progress,
        card,
        reread: ask.reread,
        damage: &ask.damage,
    }
}

fn identity(ask: &Ask, disk: &dyn Disk, facts: &FolderFacts, listing: &Listing) -> CardIdentity {
    CardIdentity {
        made_as: disk.device_info(facts).made_as(),
        ..CardIdentity::of(facts, &label_of(&ask.card, facts), listing)
    }
}

/// Names the copies that are known of, were not looked at, and are of what the card holds now.
fn elsewhere(
    disk: &dyn Disk,
    known: &[((u64, u64), Utf8PathBuf)],
    seen: &HashMap<(u64, u64), String>,
    listing: &Listing,
) -> Vec<String> {
    let others = known.iter().filter(|(inode, _)| !seen.contains_key(inode));
    let others = others.filter(|(_, path)| holds_listing(disk, path, listing));
    others.map(|(_, path)| shown(path.as_str())).collect()
}

/// The folders that were named in which no offload was found.
fn without_offload<'a>(
    ask: &'a Ask,
    given: &[Vec<Utf8PathBuf>],
) -> impl Iterator<Item = &'a Utf8PathBuf> {
    let folders = ask.on.iter().zip(given);
    folders.filter_map(|(folder, roots)| roots.is_empty().then_some(folder))
}

/// What was read of a copy: all of it, or single files.
fn checked(found: &FoundOffload, clock: &dyn Clock) -> Option<CheckNote> {
    if let Some(reread) = &found.reread {
        return reread.note.clone();
    }
    let manifest = found.manifest.as_ref().ok()?;
    let mut note = CheckNote::new(clock.now(), &manifest.offload.name, found.copy.clone()?);
    for part in &manifest.files {
        // One that could not be read may be on a drive that is gone.
        let Some(Ok((hash, way))) = found.read.get(&*part.path) else {
            continue;
        };
        if *hash != part.blake3 {
            note.add(&part.path, DamageKind::Changed, "its content differs");
        } else if way.reaches_device() {
            note.equal.push(part.path.to_string());
        }
    }
    Some(note)
}

/// What is not the same on the card any more: looking takes its time, and somebody may have written
/// to it.
fn changed_since(
    disk: &dyn Disk,
    ask: &Ask,
    facts: &FolderFacts,
    listing: &Listing,
) -> Vec<Problem> {
    let again = survey(disk, &ask.card, facts);
    let again = again.map_err(|e| e.unreadable());
    listing_problems(listing, again)
}

/// Whether the offload at a place is of just what the card holds now.
fn holds_listing(disk: &dyn Disk, root: &Utf8Path, listing: &Listing) -> bool {
    load(disk, root).is_ok_and(|(manifest, is_checked)| {
        is_checked && manifest.card.listing_b3 == listing.fingerprint()
    })
}

/// What is to be known of files beside offloads.
const BESIDE: &str = "Files beside offloads are not compared: name their own folder with --on.";

/// Names the folders given with `--on` that hold no offload, or none of this card: the wrong drive
/// may be mounted there. What is wrong with an offload that was found is told elsewhere.
fn useless(
    ask: &Ask,
    given: &[Vec<Utf8PathBuf>],
    offloads: &[FoundOffload],
    compared: &[ComparedFolder],
    answer: &Answer,
) -> Vec<String> {
    let is_told = |folder: &&Utf8PathBuf| compared.iter().any(|c| c.root == folder.as_str());
    let of_use = |root: &Utf8PathBuf| {
        let is_damaged = |o: &&FoundOffload| o.root == root.as_str() && o.manifest.is_err();
        // Not among the offloads: found through another folder already.
        let is_known = offloads.iter().any(|o| o.root == root.as_str());
        !is_known
            || offloads.iter().find(is_damaged).is_some()
            || answer.holdings.iter().any(|h| h.root == root.as_str())
    };
    let folders = ask.on.iter().zip(given);
    folders
        .filter(|(folder, roots)| !roots.iter().any(of_use) && !is_told(folder))
        .map(|(folder, roots)| {
            let is_itself = roots.first().is_some_and(|root| root == folder);
            let folder = shown(folder.as_str());
            let words = match roots.len() {
                0 => return format!("In `{folder}` is no offload, and no file of this card."),
                1 => format!("The offload in `{folder}` is not of this card."),
                n => format!("None of the {n} offloads in `{folder}` is of this card."),
            };
            if is_itself {
                words
            } else {
                format!("{words} {BESIDE}")
            }
        })
        .collect()
}

/// Returns, for every folder that was named, the offloads at or below it.
fn given(ask: &Ask, disk: &dyn Disk) -> Result<Vec<Vec<Utf8PathBuf>>, Vec<Problem>> {
    let (mut roots, mut reasons) = (Vec::new(), Vec::new());
    for (index, folder) in ask.on.iter().enumerate() {
        match find_offloads(disk, folder) {
            Ok(found) => roots.push(found),
            Err(e) => {
                let why = format!("`{}` could not be looked into: {e}", shown(folder.as_str()));
                reasons.push(Problem::new(ProblemKind::Missing, why).on(index));
            }
        }
    }
    if reasons.is_empty() {
        Ok(roots)
    } else {
        Err(reasons)
    }
}

/// Adds the fingerprint of what the card's files hold, if all of them were read.
fn with_content(card: CardIdentity, listing: &Listing, read: &ReadFiles) -> CardIdentity {
    let hash = |f: &FileRow<'_>| Some(read.get(f.name.as_str())?.as_ref().ok()?.0);
    if !listing.files().all(|f| hash(&f).is_some()) {
        return card;
    }
    let files = listing.files();
    card.holding(files.filter_map(|f| Some((f.name.as_str(), f.bytes, hash(&f)?))))
}

/// Offloads to look at, drives that are away in words, and copies known of with device and inode.
type Remembered = (
    Vec<Utf8PathBuf>,
    Vec<String>,
    Vec<((u64, u64), Utf8PathBuf)>,
);

/// Looks up in the ledger where complete copies of this card are. Folders that the person names are
/// all that counts; without any, these are looked at.
fn remembered(ask: &Ask, disk: &dyn Disk, card: &CardIdentity) -> Result<Remembered, Vec<Problem>> {
    let places = ask.ledger.as_ref().map(|ledger| ledger.places_of(card));
    let is_asked = places.is_some();
    let places = places.unwrap_or_default();
    let names_none = ask.on.is_empty() && !ask.has_places;
    if names_none && places.is_empty() && !ask.by_content {
        let why = if is_asked {
            "no folder is given with --on, and the ledger knows no copy of this card"
        } else {
            "no folder is given with --on, and there is no ledger to be asked"
        };
        return Err(vec![Problem::new(ProblemKind::Missing, why)]);
    }
    if names_none && ask.by_content {
        let why = "--by-content looks at the folders that are given with --on; give one";
        return Err(vec![Problem::new(ProblemKind::Missing, why)]);
    }
    let (mut roots, mut away, mut known) = (Vec::new(), Vec::new(), Vec::new());
    for place in places.into_iter().take(PLACES_MAX) {
        let path = Utf8PathBuf::from(&place.path);
        let told = shown(&place.path);
        match disk.facts(&path) {
            Ok(facts) if place.may_be_on(&facts) => {
                known.push(((facts.device, facts.inode), path.clone()));
                roots.push(path);
            }
            Ok(_) => away.push(format!(
                "another drive is where the ledger knows the copy `{told}`"
            )),
            Err(e) => away.push(format!(
                "the ledger knows a copy at `{told}`, which cannot be looked at now ({e}); is the \
                 drive mounted?"
            )),
        }
    }
    if names_none {
        Ok((roots, away, Vec::new()))
    } else {
        Ok((Vec::new(), Vec::new(), known))
    }
}

/// Holds the card until all is looked at.
fn hold_card(ask: &Ask, disk: &dyn Disk) -> Result<(FolderFacts, Anchor), Problem> {
    if is_offload(disk, &ask.card) {
        let why = format!("`{}` is an offload and no card", shown(ask.card.as_str()));
        return Err(Problem::new(ProblemKind::NameClash, why).because(Cause::IsOffload));
    }
    let facts = disk.facts(&ask.card);
    let held = facts.and_then(|facts| {
        let held = disk.anchor(&ask.card, &facts)?;
        Ok((facts, held))
    });
    held.map_err(|e| {
        let why = unusable(&format!("the card `{}`", shown(ask.card.as_str())), &e);
        Problem::new(ProblemKind::Unreadable, why).because(Cause::of(&e))
    })
}

/// Lists the card, which has to hold some file.
fn look_at_card(
    ask: &Ask,
    disk: &dyn Disk,
    facts: &FolderFacts,
    progress: &Progress,
) -> Result<Listing, Problem> {
    let listing = survey(disk, &ask.card, facts).map_err(|e| e.unreadable())?;
    card_is_same(disk, ask, facts)?;
    let listing = look_at_left(disk, &ask.card, listing, &progress.cancel);
    if listing.totals().0 == 0 {
        let why = without_files(&ask.card, &listing);
        return Err(Problem::new(ProblemKind::Unreadable, why));
    }
    Ok(listing)
}

fn card_is_same(disk: &dyn Disk, ask: &Ask, then: &FolderFacts) -> Result<(), Problem> {
    match disk.facts(&ask.card) {
        Ok(now)
            if (now.device, now.inode) == (then.device, then.inode)
                && now.volume_id == then.volume_id =>
        {
            Ok(())
        }
        Ok(_) => Err(Problem::new(
            ProblemKind::Vanished,
            "another card is in the card's place",
        )),
        Err(e) => Err(gone("card", &e)),
    }
}
