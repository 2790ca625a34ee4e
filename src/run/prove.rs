//! Owns the order of `prove`: survey the card, find the offloads under the given folders, look at
//! what stands (or read it all again), and put the question. It writes nothing.

use crate::card::identity::{CardIdentity, label_of};
use crate::card::listing::{FileRow, Listing};
use crate::card::part::part_of;
use crate::card::survey::{look_at_left, survey};
use crate::clock::Clock;
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::hash_file::hash_whole;
use crate::disk::{
    Anchor, Disk, EntryKind, FolderFacts, Found, ReadBackWay, Settling, Sights, Tree,
};
use crate::error::{Cause, Problem, ProblemKind, Step, Unread, failed};
use crate::existing::original::is_offload;
use crate::existing::search::{destination_of, find_offloads};
use crate::ledger::Ledger;
use crate::name::{CardName, shown};
use crate::plan::check::without_files;
use crate::proof::coverage::{
    Answer, FoundOffload, Question, ReadFiles, Reread, Stands, Unusable, answer, to_read,
};
use crate::proof::problems::listing_problems;
use crate::record::layout::{Layout, RECORDS};
use crate::record::load::load;
use crate::record::manifest::{MANIFEST, MANIFEST_HASH, Manifest};
use crate::verify::{Finding, Progress, path_of, verify};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::io;
use std::sync::atomic::Ordering;

/// Places of the ledger that are looked at.
const PLACES_MAX: usize = 64;

/// What to look at.
#[derive(Clone, Debug)]
pub struct Ask {
    /// The mounted card.
    pub card: Utf8PathBuf,
    /// Folders on drives: offloads, or folders that hold some. None: the places that the ledger
    /// knows.
    pub on: Vec<Utf8PathBuf>,
    /// What is remembered of earlier copies; `None` where it is not to be asked. It only tells where to look.
    pub ledger: Option<Ledger>,
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
pub struct Told {
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
    /// How what was read of the card was read.
    pub card_way: Option<ReadBackWay>,
    /// All of the card was to be read.
    pub is_card_read: bool,
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
) -> Result<Told, Vec<Problem>> {
    if is_offload(disk, &ask.card) {
        let why = format!("`{}` is an offload and no card", shown(ask.card.as_str()));
        let problem = Problem::new(ProblemKind::NameClash, why);
        return Err(vec![problem.because(Cause::IsOffload)]);
    }
    let (facts, _held) = hold_card(ask, disk).map_err(|p| vec![p])?;
    let listing = look_at_card(ask, disk, &facts).map_err(|p| vec![p])?;
    let listing = look_at_left(disk, &ask.card, listing, &progress.cancel);
    if listing.totals().0 == 0 {
        let why = without_files(&ask.card, &listing);
        return Err(vec![Problem::new(ProblemKind::Unreadable, why)]);
    }
    let label = label_of(&ask.card, &facts);
    let mut card = CardIdentity::of(&facts, &label, &listing);
    card.made_as = disk.gear(&facts).made_as();
    let (mut roots, away, known) = remembered(ask, disk, &card)?;
    let given = given(ask, disk)?;
    roots.extend(given.iter().flatten().cloned());
    let (seen, mut offloads, doubts) = look_at_offloads(ask, disk, clock, &facts, roots, progress);
    let mut question = Question {
        listing: &listing,
        card: &facts,
        card_read: &ReadFiles::new(),
        part: part_of(&facts, &listing),
        is_card_read: ask.reread || ask.by_content,
        by_content: ask.by_content,
        away: &away,
        changed: Vec::new(),
        copies_needed: ask.copies_needed,
        separate: ask.separate,
    };
    let card_read = read_what_is_asked(ask, disk, &mut question, &mut offloads, progress);
    card_is_same(disk, ask, &facts).map_err(|p| vec![p])?;
    if !progress.cancel.load(Ordering::Relaxed) {
        question.changed = changed_since(disk, ask, &facts, &listing);
        for found in &mut offloads {
            look_again(disk, found);
        }
    }
    card = with_content(card, &listing, &card_read);
    let elsewhere = known
        .into_iter()
        .filter(|(inode, _)| !seen.contains_key(inode))
        .map(|(_, path)| path)
        .filter(|path| holds_listing(disk, path, &listing))
        .map(|path| shown(path.as_str()))
        .collect();
    question.card_read = &card_read;
    let mut answer = answer(&question, &offloads);
    answer.notes.extend(doubts);
    let useless = useless(ask, &given, &offloads, &answer);
    answer.notes.extend(useless);
    Ok(Told {
        card,
        part: question.part,
        elsewhere,
        listed: listing.totals(),
        answer,
        card_way: card_read.values().flatten().map(|(_, way)| *way).min(),
        is_card_read: question.is_card_read,
        interrupted: progress.cancel.load(Ordering::Relaxed),
    })
}

/// Offloads that were looked at: device and inode of each, what was found, and what is to be noted.
type LookedAt = (HashMap<(u64, u64), String>, Vec<FoundOffload>, Vec<String>);

/// Looks at every offload; the same one through two of the given folders is one. With device and inode of each.
fn look_at_offloads(
    ask: &Ask,
    disk: &dyn Disk,
    clock: &dyn Clock,
    card: &FolderFacts,
    roots: Vec<Utf8PathBuf>,
    progress: &Progress,
) -> LookedAt {
    let mut seen = HashMap::new();
    let (mut offloads, mut places) = (Vec::new(), Vec::new());
    for root in roots {
        let (found, there) = look_at_offload(ask, disk, clock, card, &root, progress);
        let place = (found.device, there.as_ref().map_or(0, |f| f.inode));
        if there.is_none() || !seen.contains_key(&place) {
            seen.insert(place, found.root.clone());
            offloads.push(found);
            places.push(there);
        }
    }
    let doubts = doubt_twins(disk, ask.reread, &places, &mut offloads);
    (seen, offloads, doubts)
}

/// What is not the same on the card any more: looking takes its time, and somebody may have written to it.
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

/// Names the folders given with `--on` that hold no offload, or none of this card: the wrong drive
/// may be mounted there. What is wrong with an offload that was found is told elsewhere.
fn useless(
    ask: &Ask,
    given: &[Vec<Utf8PathBuf>],
    offloads: &[FoundOffload],
    answer: &Answer,
) -> Vec<String> {
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
        .filter(|(_, roots)| !roots.iter().any(of_use))
        .map(|(folder, roots)| {
            let folder = shown(folder.as_str());
            match roots.len() {
                0 => format!("In `{folder}` no offload was found."),
                1 => format!("The offload in `{folder}` is not of this card."),
                n => format!("None of the {n} offloads in `{folder}` is of this card."),
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
    if ask.on.is_empty() && places.is_empty() && !ask.by_content {
        let why = if is_asked {
            "no folder is given with --on, and the ledger knows no copy of this card"
        } else {
            "no folder is given with --on, and there is no ledger to be asked"
        };
        return Err(vec![Problem::new(ProblemKind::Missing, why)]);
    }
    if ask.on.is_empty() && ask.by_content {
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
            Ok(_) => away.push(format!("another drive is where the ledger knows the copy `{told}`")),
            Err(e) => away.push(format!(
                "the ledger knows a copy at `{told}`, which cannot be looked at now ({e}); is the drive mounted?"
            )),
        }
    }
    if ask.on.is_empty() {
        Ok((roots, away, Vec::new()))
    } else {
        Ok((Vec::new(), Vec::new(), known))
    }
}

/// Holds the card until all is looked at.
fn hold_card(ask: &Ask, disk: &dyn Disk) -> Result<(FolderFacts, Anchor), Problem> {
    let facts = disk.facts(&ask.card);
    let held = facts.and_then(|facts| {
        let held = disk.anchor(&ask.card, &facts)?;
        Ok((facts, held))
    });
    held.map_err(|e| {
        let why = format!(
            "the card `{}` cannot be used: {e}",
            shown(ask.card.as_str())
        );
        Problem::new(ProblemKind::Unreadable, why).because(Cause::of(&e))
    })
}

fn look_at_card(ask: &Ask, disk: &dyn Disk, facts: &FolderFacts) -> Result<Listing, Problem> {
    let listing = survey(disk, &ask.card, facts).map_err(|e| e.unreadable())?;
    card_is_same(disk, ask, facts)?;
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
        Err(e) => Err(Problem::new(
            ProblemKind::Vanished,
            format!("the card is gone: {e}"),
        )),
    }
}

/// Names and sizes are answered from memory, and what an earlier version left there is not yet on a FAT or NTFS drive.
fn settled(disk: &dyn Disk, root: &Utf8Path, facts: &FolderFacts) -> io::Result<()> {
    match disk.settling(root)? {
        Settling::Whole if !facts.read_only => disk.settle_in(root, &[]),
        _ => Ok(()),
    }
}

/// Two volumes with one identity are a drive and its clone, or one drive seen twice: of neither is it known
/// that it is the one that was read back. Looks at the other offloads, and at what is mounted where a copy
/// was made; returns what to tell.
fn doubt_twins(
    disk: &dyn Disk,
    is_read: bool,
    places: &[Option<FolderFacts>],
    offloads: &mut [FoundOffload],
) -> Vec<String> {
    let mut doubts = Vec::new();
    for (index, found) in offloads.iter_mut().enumerate() {
        let (Some(here), Ok(manifest), Some(Some(facts))) =
            (found.here, &found.manifest, places.get(index))
        else {
            continue;
        };
        let made_in = manifest.destinations.get(here);
        let made_in = made_in.and_then(|d| disk.facts(Utf8Path::new(&d.path)).ok());
        let others = places.iter().flatten().chain(&made_in);
        let Some(twin) = others.into_iter().find(|other| facts.is_twin_of(other)) else {
            continue;
        };
        let what_next = if is_read {
            "what is said of them is what was read now"
        } else {
            "read them again with --reread"
        };
        doubts.push(format!(
            "The drives of `{}` and `{}` have one identity: a drive and its clone, or one drive seen twice. Which of them was read back is not known; {what_next}.",
            shown(&found.root),
            shown(&twin.canonical)
        ));
        found.here = None;
        let why = "another drive has the same identity";
        if !facts.is_other_hardware(twin) {
            let known = found.backing.names().cloned().unwrap_or_default();
            found.backing = Backing::Unknown {
                why: why.to_owned(),
                known,
            };
        }
    }
    doubts
}

/// Looks at one offload; without facts when its folder went away meanwhile.
fn look_at_offload(
    ask: &Ask,
    disk: &dyn Disk,
    clock: &dyn Clock,
    card: &FolderFacts,
    root: &Utf8Path,
    progress: &Progress,
) -> (FoundOffload, Option<FolderFacts>) {
    let facts = disk.facts(root);
    let mut found = FoundOffload {
        root: root.to_string(),
        manifest: Err(Unusable::new(ProblemKind::Missing, String::new())),
        here: None,
        backing: Backing::unknown("its folder is gone"),
        device: 0,
        volume_id: None,
        written: None,
        room: (0, 0),
        standing: HashMap::new(),
        unseen: HashMap::new(),
        sights: Sights::default(),
        reread: None,
        read: ReadFiles::new(),
    };
    let facts = match facts {
        Ok(facts) => facts,
        Err(e) => {
            found.manifest = Err(not_seen("its folder", Step::Look, &e));
            return (found, None);
        }
    };
    found.backing = facts.backing.clone();
    found.device = facts.device;
    found.volume_id.clone_from(&facts.volume_id);
    found.room = (facts.total_bytes, facts.free_bytes);
    let manifest = disk.look(&root.join(RECORDS).join(MANIFEST));
    found.written = manifest.ok().flatten().map(|stat| stat.modified);
    let held = disk.anchor(root, &facts);
    let settled = settled(disk, root, &facts);
    found.manifest = match held.as_ref().and(settled.as_ref()) {
        Ok(()) => manifest_of(disk, root, card, &facts),
        Err(e) => Err(not_seen("its folder", Step::Look, e)),
    };
    if let Ok(manifest) = &found.manifest {
        found.here = destination_of(disk, manifest, root);
        let layout = manifest.offload.layout;
        match walk_own(disk, root) {
            Ok(entries) => {
                found.sights = Sights::of(&entries, &facts.filesystem);
                note_standing(&mut found, layout, entries);
            }
            Err(why) => found.manifest = Err(why),
        }
    }
    if ask.reread && found.manifest.is_ok() {
        read_again(disk, clock, root, progress, &mut found);
    }
    (found, Some(facts))
}

/// Notes what stands in an offload.
fn note_standing(found: &mut FoundOffload, layout: Layout, entries: Vec<Found>) {
    for entry in entries {
        let Some(path) = entry.path.to_str().and_then(|p| layout.inside(p)) else {
            continue;
        };
        match entry.stat {
            Ok(s) if s.kind == EntryKind::File => {
                let stands = Stands {
                    bytes: s.bytes,
                    modified: s.modified,
                };
                found.standing.insert(path.to_owned(), stands);
            }
            Ok(_) => {}
            Err(e) => {
                let why = failed(Step::Look, &e);
                found.unseen.insert(path.to_owned(), why);
            }
        }
    }
}

/// Looks at an offload once more when all was read: that takes its time, and meanwhile its drive may have been taken away, or
/// somebody may have written to it.
fn look_again(disk: &dyn Disk, found: &mut FoundOffload) {
    if found.manifest.is_err() {
        return;
    }
    let root = Utf8Path::new(&found.root);
    let now = match disk.facts(root) {
        Ok(facts) if is_its_drive(found, &facts) => {
            walk_own(disk, root).map(|entries| Sights::of(&entries, &facts.filesystem))
        }
        Ok(_) => Err(Unusable::new(
            ProblemKind::Vanished,
            "another drive is in its place by now",
        )),
        Err(e) => Err(not_seen("its folder", Step::Look, &e)),
    };
    let changed = now.map(|now| found.sights.not_in(&now).pop_first());
    match changed {
        Ok(None) => {}
        Ok(Some(path)) => {
            let why = format!(
                "`{}` in it was changed or removed while it was looked at; ask again when nobody is at work there",
                shown(&path)
            );
            found.manifest = Err(Unusable::new(ProblemKind::Changed, why));
        }
        Err(why) => found.manifest = Err(why),
    }
}

fn is_its_drive(found: &FoundOffload, now: &FolderFacts) -> bool {
    (found.device, &found.volume_id) == (now.device, &now.volume_id)
}

/// What could not be looked at or read is not known to be bad.
fn not_seen(what: &str, step: Step, cause: &io::Error) -> Unusable {
    Unusable::new(
        ProblemKind::Unreadable,
        format!("{what} {}", failed(step, cause)),
    )
}

/// Walks an offload; one that something is mounted in is none that counts.
fn walk_own(disk: &dyn Disk, root: &Utf8Path) -> Result<Vec<Found>, Unusable> {
    let walked = disk.walk(root, Tree::Card);
    let found = walked.map_err(|e| not_seen("its folder", Step::List, &e))?;
    let mounted = found.iter().find_map(|entry| match &entry.stat {
        Err(e) if e.kind() == io::ErrorKind::CrossesDevices => Some((&entry.path, e)),
        _ => None,
    });
    match mounted {
        Some((path, e)) => {
            let why = format!("`{}` in it: {e}", shown(&path.to_string_lossy()));
            Err(Unusable::new(ProblemKind::Changed, why))
        }
        None => Ok(found),
    }
}

/// Returns the manifest of an offload, or why the offload cannot be used.
fn manifest_of(
    disk: &dyn Disk,
    root: &Utf8Path,
    card: &FolderFacts,
    facts: &FolderFacts,
) -> Result<Manifest, Unusable> {
    // What is formatted with the card is no copy of it.
    if let Some(why) = facts.goes_with(card) {
        return Err(Unusable::new(ProblemKind::SameDevice, format!("it {why}")));
    }
    let records = root.join(RECORDS);
    let unfinished = "it is not finished; run the same copy again";
    let look = |path: &Utf8Path, what: &str| match disk.look(path) {
        Ok(found) => {
            found.ok_or_else(|| Unusable::new(ProblemKind::Missing, unfinished.to_owned()))
        }
        Err(e) => Err(not_seen(what, Step::Look, &e)),
    };
    let what = match look(&records, "its records")?.kind {
        EntryKind::Folder => None,
        EntryKind::Link => Some("a symbolic link, which is not followed"),
        _ => Some("not a folder"),
    };
    if let Some(what) = what {
        let why = format!(
            "`{RECORDS}` in it is {what}; move that out of there, and put the folder of its records in its place"
        );
        return Err(Unusable::new(ProblemKind::ManifestDamaged, why));
    }
    look(&records.join(MANIFEST), "its manifest")?;
    match load(disk, root) {
        Ok((manifest, true)) => Ok(manifest),
        Ok((_, false)) => Err(Unusable::new(
            ProblemKind::ManifestDamaged,
            format!("the manifest cannot be checked: its hash, `{MANIFEST_HASH}`, is missing"),
        )),
        Err(e) => Err(Unusable::new(e.kind(), e.to_string())),
    }
}

fn read_again(
    disk: &dyn Disk,
    clock: &dyn Clock,
    root: &Utf8Path,
    progress: &Progress,
    found: &mut FoundOffload,
) {
    match verify(disk, clock, root, progress, crate::report::page::page) {
        Ok(findings) => {
            let bad: HashSet<&str> = findings
                .findings
                .iter()
                .filter(|f| !matches!(f, Finding::Extra(_)))
                .filter_map(|f| findings.manifest.offload.layout.inside(path_of(f)))
                .collect();
            let unread = findings.findings.iter().filter_map(|f| match f {
                Finding::Unreadable(path, why) => {
                    let path = findings.manifest.offload.layout.inside(path)?;
                    Some((path.to_owned(), why.clone()))
                }
                _ => None,
            });
            let unread = unread.collect();
            let equal = findings
                .manifest
                .files
                .iter()
                .filter(|f| !f.is_elsewhere())
                .map(|f| &f.path)
                .filter(|p| !bad.contains(&***p));
            let equal: HashSet<String> = if findings.interrupted {
                HashSet::new()
            } else {
                equal.map(ToString::to_string).collect()
            };
            found.reread = Some(Reread {
                equal,
                unread,
                way: findings.way,
                stopped: findings.interrupted,
            });
        }
        Err(e) => found.manifest = Err(Unusable::new(e.kind(), e.to_string())),
    }
}

/// Reads what the question needs: the whole card where that was asked for, or else what [`to_read`] names,
/// which can be more once the first of it was read. Returns what the card's files hold.
fn read_what_is_asked(
    ask: &Ask,
    disk: &dyn Disk,
    question: &mut Question<'_>,
    offloads: &mut [FoundOffload],
    progress: &Progress,
) -> ReadFiles {
    let mut read = ReadFiles::new();
    let sizes: HashMap<&str, u64> = question
        .listing
        .files()
        .map(|f| (f.name.as_str(), f.bytes))
        .collect();
    if question.is_card_read {
        let all = question.listing.files().map(|f| f.name.as_str().to_owned());
        let bytes = |path: &str| sizes.get(path).copied();
        read_files(disk, &ask.card, all.collect(), bytes, progress, &mut read);
    }
    // Each round reads something that was not read before, or is the last one.
    loop {
        let wanted = to_read(
            &Question {
                card_read: &read,
                ..question.clone()
            },
            offloads,
        );
        if wanted.is_empty() || progress.cancel.load(Ordering::Relaxed) {
            return read;
        }
        let bytes = |path: &str| sizes.get(path).copied();
        read_files(disk, &ask.card, wanted.card, bytes, progress, &mut read);
        let mut by_offload: BTreeMap<usize, Vec<String>> = BTreeMap::new();
        for (index, path) in wanted.drives {
            by_offload.entry(index).or_default().push(path);
        }
        for (index, paths) in by_offload {
            let Some(found) = offloads.get_mut(index) else {
                continue;
            };
            let root = Utf8Path::new(&found.root);
            let Ok(manifest) = &found.manifest else {
                continue;
            };
            let tree = manifest.offload.layout.payload(root);
            // Another drive in its place has nothing that counts: then none of it could be read.
            let facts = disk.facts(root).ok().filter(|f| is_its_drive(found, f));
            let held = facts.and_then(|facts| disk.anchor(root, &facts).ok());
            if held.is_none() {
                let why = || Err("the drive is gone, or another one is in its place".into());
                found
                    .read
                    .extend(paths.into_iter().map(|path| (path, why())));
                continue;
            }
            let standing = &found.standing;
            let bytes = |path: &str| standing.get(path).map(|s| s.bytes);
            read_files(disk, &tree, paths, bytes, progress, &mut found.read);
        }
    }
}

/// Reads files past the cache where that is possible.
fn read_files(
    disk: &dyn Disk,
    root: &Utf8Path,
    paths: Vec<String>,
    bytes: impl Fn(&str) -> Option<u64>,
    progress: &Progress,
    read: &mut ReadFiles,
) {
    let all = paths.iter().filter_map(|path| bytes(path));
    progress.bytes_total.fetch_add(all.sum(), Ordering::Relaxed);
    for path in paths {
        if progress.cancel.load(Ordering::Relaxed) {
            return;
        }
        let name = CardName::parse(&path).ok();
        let found = match name.zip(bytes(&path)) {
            Some((name, bytes)) => hash_file(disk, &name.under(root), bytes, progress)
                .map_err(|e| Unread::of(Step::Read, &e)),
            None => Err("it is not there any more".into()),
        };
        read.insert(path, found);
    }
}

fn hash_file(
    disk: &dyn Disk,
    path: &Utf8Path,
    bytes: u64,
    progress: &Progress,
) -> io::Result<(Digest, ReadBackWay)> {
    let mut source = disk.open_read_back(path)?;
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    match hash_whole(source.as_mut(), bytes, &mut go_on)? {
        Some((digest, _)) => Ok((digest, source.way())),
        None => Err(io::ErrorKind::Interrupted.into()),
    }
}
