//! Owns the question "may this card be formatted?" when nothing is copied: the card's listing
//! against the manifests of offloads on drives. Pure: it weighs what others looked up, and tells them
//! what has to be read for it ([`to_read`]): a sample of what only looks the same, whatever carries
//! another date, what a manifest doubts, and what two of them say differently. With
//! [`crate::proof::Proof::judge`] it is the only place that makes PROVEN.

use crate::card::dates::{Shift, parse};
use crate::card::identity::{has_identity, is_known_card};
use crate::card::listing::{FileRow, Listing};
use crate::card::part::part_note;
use crate::card::sample::{Alike, Ground, choose};
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::{FolderFacts, ReadBackWay, Sights, Stamp};
use crate::error::{Cause, Problem, ProblemKind, Unread};
use crate::hash_algorithm::agree;
use crate::name::{shown, some_of};
use crate::plan::notes::{count_independent, left_out_notes};
use crate::proof::Verdict;
use crate::proof::notes::{Content, sameness_notes};
use crate::record::doubt::Doubts;
use crate::record::manifest::{FilePart, Manifest};
use crate::units::{count as number, counted, len64, size};
use std::collections::{BTreeMap, HashMap, HashSet};

/// Names that are told for one reason; the rest are counted.
const NAMES_TOLD: usize = 20;
/// The same where nothing but a read is missing.
const UNREAD_TOLD: usize = 3;
/// Names that are told of one copy for one kind of lack.
const NAMES_OF_COPY: usize = 5;

/// What stands on a drive where a manifest says a file should be.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Stands {
    /// Size in bytes.
    pub bytes: u64,
    /// Date.
    pub modified: Stamp,
}

/// One offload that was found on a drive.
#[derive(Clone, Debug)]
pub struct FoundOffload {
    /// Its folder.
    pub root: String,
    /// Its manifest, or why the offload cannot be used.
    pub manifest: Result<Manifest, Unusable>,
    /// Which destination of the manifest this folder is, where that can be told.
    pub here: Option<usize>,
    /// The device that holds it.
    pub backing: Backing,
    /// Number of its file system.
    pub device: u64,
    /// Identity of its volume: another drive may get the same number of a file system.
    pub volume_id: Option<String>,
    /// Date of its manifest on the drive.
    pub written: Option<Stamp>,
    /// Size and room of its volume in bytes.
    pub room: (u64, u64),
    /// Every file that stands below it.
    pub standing: HashMap<String, Stands>,
    /// What could not be looked at below it, and why: nothing is known of that, nor of what lies in it.
    pub unseen: HashMap<String, String>,
    /// What its files looked like, to be held against a look at the end.
    pub sights: Sights,
    /// Files that were read again just now and are equal to the manifest; `None` when nothing was
    /// read.
    pub reread: Option<Reread>,
    /// Single files that were read because of [`to_read`].
    pub read: ReadFiles,
}

impl FoundOffload {
    /// Whether the records of two places were written at one moment, which a run does on no two drives: one drive that is
    /// seen twice, or a copy made by hand. Of dates in whole seconds that alone is no sign.
    fn may_be(&self, other: &Self) -> bool {
        let is_fine = self.written.is_some_and(|date| date.nanos != 0);
        let is_one = self.written.is_some() && self.written == other.written;
        is_one && (is_fine || self.room == other.room)
    }
}

/// Files that were read: by path, what each holds and how it was read, or why it could not be.
pub type ReadFiles = HashMap<String, Result<(Digest, ReadBackWay), Unread>>;

/// Why an offload cannot be used.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Unusable {
    /// What kind of trouble: one that could not be read may well be good.
    pub kind: ProblemKind,
    /// Why, in words that go on after a colon.
    pub why: String,
}

impl Unusable {
    /// Says why.
    pub fn new(kind: ProblemKind, why: impl Into<String>) -> Self {
        let why = why.into();
        Self { kind, why }
    }
}

/// What a fresh read of an offload found.
#[derive(Clone, Debug)]
pub struct Reread {
    /// Paths that are equal to the manifest.
    pub equal: HashSet<String>,
    /// Paths that could not be read, and why.
    pub unread: HashMap<String, String>,
    /// How they were read.
    pub way: ReadBackWay,
    /// The person stopped it: nothing can be said of any file then.
    pub stopped: bool,
}

/// What is asked.
#[derive(Clone, Debug)]
pub struct Question<'a> {
    /// The card's listing now.
    pub listing: &'a Listing,
    /// What the system says of the card.
    pub card: &'a FolderFacts,
    /// Files of the card that were read.
    pub card_read: &'a ReadFiles,
    /// All of the card was to be read: what is not among them is not known.
    pub is_card_read: bool,
    /// Why it is a folder of a card and not the card, in words that go on after a colon.
    pub part: Option<String>,
    /// Compare by content, whoever's card it is: dates and identity do not matter then.
    pub by_content: bool,
    /// Copies that are known of and could not be looked at, in words.
    pub away: &'a [String],
    /// What was not the same on the card when it was listed again after it was read.
    pub changed: Vec<Problem>,
    /// Copies on independent devices that are needed.
    pub copies_needed: usize,
    /// The person states that devices which the system cannot tell apart are separate.
    pub separate: bool,
}

/// Why it is not proven.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Reason {
    /// What kind of trouble; the kinds of the manifest.
    pub kind: ProblemKind,
    /// The entry of the card, where there is one.
    pub path: Option<String>,
    /// How many files it is about: 1 where it names one, 0 where it is about no file.
    pub files: u64,
    /// In plain words.
    pub detail: String,
    /// It is a drive, and not the card, that has this trouble; told apart where a kind may be either's.
    pub is_of_drive: bool,
    /// What it comes from, where that matters.
    pub cause: Option<Cause>,
}

/// What one offload holds of the card.
#[derive(Clone, Debug)]
pub struct Holding {
    /// Its folder.
    pub root: String,
    /// Files of the card that stand there proven.
    pub files: u64,
    /// Their bytes.
    pub bytes: u64,
    /// On what that rests, in words.
    pub basis: String,
    /// Files of the card that stand there and that nobody read back in that place.
    pub unread: u64,
    /// What else is the matter with files that this copy should hold, one line for each kind.
    pub lacks: Vec<Lack>,
}

/// Files that one copy should hold and does not hold proven.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Lack {
    /// What kind of trouble; the kinds of the manifest.
    pub kind: ProblemKind,
    /// What is the matter, to be followed by the names.
    pub words: &'static str,
    /// The first of them.
    pub paths: Vec<String>,
    /// How many there are.
    pub files: u64,
    /// What the system said of the first of them, where it said something.
    pub cause: Option<String>,
}

impl Lack {
    /// Returns "missing: `X`, `Y` and 3 more files".
    pub fn told(&self) -> String {
        let paths = self.paths.iter().map(String::as_str);
        let names = some_of(paths, self.paths.len(), self.files, "file");
        self.with_cause(&names)
    }

    /// Returns what is the matter with `files`.
    fn with_cause(&self, files: &str) -> String {
        let words = self.words;
        match &self.cause {
            Some(cause) if self.files > 1 => format!("{words}: {files} (the first: {cause})"),
            Some(cause) => format!("{words}: {files} ({cause})"),
            None => format!("{words}: {files}"),
        }
    }
}

/// The answer.
#[derive(Clone, Debug)]
pub struct Answer {
    /// PROVEN or not.
    pub verdict: Verdict,
    /// Why not.
    pub reasons: Vec<Reason>,
    /// What each offload holds.
    pub holdings: Vec<Holding>,
    /// What should be pointed out.
    pub notes: Vec<String>,
    /// Files of the card, and their bytes, that were read and hold what is on record.
    pub sampled: (u64, u64),
    /// Some of the card's files hold nothing but zeros.
    pub has_zeros: bool,
    /// Some of what is left out looks like pictures.
    pub has_media_left: bool,
    /// It is the person's word that so many devices are separate; the system does not tell.
    pub is_stated: bool,
}

/// Why a file of the card is not proven by one offload.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Gap {
    /// No manifest lists it.
    New,
    /// It was left in an earlier offload, and that one was not found.
    Elsewhere,
    /// A manifest lists it with another size or date.
    Changed,
    /// It is listed, but was not read back on this drive.
    NotReadBack,
    /// It is not there any more.
    Missing,
    /// It could not be looked at or read: it may be good.
    Unread,
    /// What stands there is not what the manifest says.
    Damaged,
    /// The manifest doubts it, or another one says something else, and reading did not settle it.
    Doubted,
    /// It only looks like the file that was copied: others that do hold other bytes on this card.
    Unlike,
    /// The card's bytes are not those of the manifest.
    CardDiffers,
    /// The card was to be read again, and this file could not be.
    CardUnreadable,
}

impl Gap {
    /// Whether it is about what stands on the drive, and could be put right there.
    fn is_of_drive(self) -> bool {
        matches!(
            self,
            Self::NotReadBack | Self::Missing | Self::Unread | Self::Damaged
        )
    }
}

/// Weighs the question.
pub fn answer(question: &Question<'_>, offloads: &[FoundOffload]) -> Answer {
    let mut notes: Vec<String> = question.part.iter().map(|why| part_note(why)).collect();
    let mut of_card = trouble_reasons(question.listing);
    of_card.extend(question.changed.iter().map(of_problem));
    let mut troubles = Vec::new();
    notes.extend(left_out_notes(question.listing));
    let usable = all_usable(question, offloads, &mut troubles, &mut notes);
    let Counted {
        held,
        lacks,
        copies,
        told,
        short,
        is_explained,
        contents,
    } = count(question, &usable);
    notes.extend(sameness_notes(contents.iter().copied()));
    // What is wrong with the card always counts; what is wrong with one offload is a reason only if the
    // others are not enough.
    let (mut reasons, of_offloads) = (of_card, troubles);
    reasons.extend(reasons_of_files(
        question,
        &usable,
        told,
        short,
        of_offloads.is_empty(),
    ));
    let gone = gone(question.listing, &usable);
    if question.by_content {
        // The other slot's card is compared both ways.
        reasons.extend(absent(&gone));
    } else if !gone.is_empty() {
        let n = counted(len64(gone.len()), "file");
        notes.push(format!("{n} of the manifests no longer on the card."));
    }
    // What was told of single files is not told a second time as too few copies.
    if copies < question.copies_needed && (reasons.is_empty() || !is_explained) {
        reasons.push(few(question, &usable, copies));
    }
    let of_offloads = of_offloads.into_iter().chain(away(question.away));
    if reasons.is_empty() {
        notes.extend(of_offloads.map(|r| format!("{}.", r.detail)));
    } else {
        reasons.extend(of_offloads);
    }
    let enough = copies >= question.copies_needed;
    let proven = enough && reasons.is_empty() && question.listing.totals().0 > 0;
    Answer {
        verdict: Verdict {
            proven,
            copies,
            reasons: reasons.iter().map(words).collect(),
        },
        holdings: usable
            .iter()
            .zip(held)
            .zip(lacks)
            .map(|((u, held), lacks)| u.holding(held, lacks, question.listing.totals().0))
            .collect(),
        sampled: sampled(question, &usable),
        reasons,
        notes,
        is_stated: told_apart(&usable) < copies,
        has_zeros: contents.iter().any(|c| c.only_zeros),
        has_media_left: !question.listing.media_left().is_empty(),
    }
}

/// Copies that could not be looked at are one reason, however many there are.
fn away(away: &[String]) -> Option<Reason> {
    let first = away.first()?;
    let others = match away.len() - 1 {
        0 => String::new(),
        1 => "; the same goes for one more copy that it knows".to_owned(),
        n => format!("; the same goes for {n} more copies that it knows"),
    };
    let detail = format!("{first}{others}");
    Some(Reason::new(ProblemKind::Missing, detail))
}

/// Whether devices that the system cannot tell apart count as separate: the person says so now, or said so
/// when these very copies were made together.
fn is_separate(question: &Question<'_>, usable: &[Usable<'_>]) -> bool {
    let unknown: Vec<&Usable<'_>> = usable
        .iter()
        .filter(|u| matches!(u.found.backing, Backing::Unknown { .. }))
        .collect();
    let place = |u: &Usable<'_>| {
        let at = u.manifest.destinations.get(u.found.here?)?;
        Some((at.path.clone(), at.device.clone()))
    };
    let were_stated = |a: &Usable<'_>, b: &Usable<'_>| {
        let is_twice = a.found.may_be(b.found);
        let (Some(a), Some(b)) = (place(a), place(b)) else {
            return false;
        };
        let holds = |u: &Usable<'_>, place: &(String, String)| {
            let mut all = u.manifest.destinations.iter();
            all.any(|d| (&d.path, &d.device) == (&place.0, &place.1))
        };
        let mut stated = usable.iter().filter(|u| u.manifest.proof.separate);
        a == b || (stated.any(|u| holds(u, &a) && holds(u, &b)) && !is_twice)
    };
    let all = unknown.iter().enumerate();
    let mut pairs = all.flat_map(|(n, a)| unknown.iter().skip(n).map(move |b| (a, b)));
    if question.separate {
        return seen_twice(usable).is_none();
    }
    pairs.all(|(a, b)| were_stated(a, b)) && !unknown.is_empty()
}

/// Two places that the system cannot tell apart, with records of one moment: nobody's word makes two of one drive. Of dates
/// in whole seconds the person knows better.
fn seen_twice<'a>(usable: &'a [Usable<'a>]) -> Option<(&'a str, &'a str)> {
    let unknown = |u: &&Usable<'_>| matches!(u.found.backing, Backing::Unknown { .. });
    let all = usable.iter().filter(unknown).enumerate();
    all.flat_map(|(n, a)| {
        usable
            .iter()
            .filter(unknown)
            .skip(n + 1)
            .map(move |b| (a.found, b.found))
    })
    .find(|(a, b)| a.may_be(b) && a.written.is_some_and(|date| date.nanos != 0))
    .map(|(a, b)| (a.root.as_str(), b.root.as_str()))
}

/// Counts the devices that the system itself tells apart.
fn told_apart(usable: &[Usable<'_>]) -> usize {
    let devices = usable.iter().map(|u| (&u.found.backing, u.found.device));
    count_independent(&devices.collect::<Vec<_>>(), false).0
}

/// Tells which files no offload proves, and which ones not enough of them do.
fn reasons_of_files(
    question: &Question<'_>,
    usable: &[Usable<'_>],
    told: Told,
    short: Vec<Told>,
    is_none_found: bool,
) -> Vec<Reason> {
    if usable.is_empty() {
        let why = "no offload of this card was found under the given folders".to_owned();
        // Why one that was found cannot be used is told beside it.
        let reason = is_none_found.then(|| Reason::new(ProblemKind::Missing, why));
        return reason.into_iter().collect();
    }
    let mut reasons = told.reasons(question.by_content);
    let files = question.listing.totals().0;
    let of_copies = usable.iter().zip(short);
    reasons.extend(of_copies.flat_map(|(u, short)| u.reasons(short, files)));
    reasons
}

/// What counting every file of the card gave.
struct Counted<'a> {
    /// Files and bytes per offload.
    held: Vec<(u64, u64)>,
    /// What each offload should hold and does not hold proven.
    lacks: Vec<Told>,
    /// Independent devices that hold every file.
    copies: usize,
    /// Files that no offload proves.
    told: Told,
    /// Per offload, the files that others prove, but not enough of them.
    short: Vec<Told>,
    /// Nothing but what `told` and `short` tell is in the way: with that put right, there would be
    /// copies enough.
    is_explained: bool,
    /// What the manifests say of the content of files that stand somewhere.
    contents: Vec<Content<'a>>,
}

/// Counts the independent devices of sets of offloads, each set once.
struct Devices<'a> {
    usable: &'a [Usable<'a>],
    separate: bool,
    known: HashMap<Vec<usize>, usize>,
}

impl Devices<'_> {
    fn count(&mut self, offloads: Vec<usize>) -> usize {
        let (usable, separate) = (self.usable, self.separate);
        *self.known.entry(offloads).or_insert_with_key(|offloads| {
            let devices: Vec<_> = offloads
                .iter()
                .filter_map(|&i| usable.get(i))
                .map(|u| (&u.found.backing, u.found.device))
                .collect();
            count_independent(&devices, separate).0
        })
    }
}

impl Counted<'_> {
    /// Before any file was looked at, of so many offloads.
    fn of(usable: usize) -> Self {
        let told = || (0..usable).map(|_| Told::of(NAMES_OF_COPY)).collect();
        Self {
            held: vec![(0, 0); usable],
            lacks: told(),
            copies: usize::MAX,
            told: Told::of(NAMES_TOLD),
            short: told(),
            is_explained: true,
            contents: Vec::new(),
        }
    }
}

fn count<'a>(question: &Question<'a>, usable: &[Usable<'_>]) -> Counted<'a> {
    let mut devices = Devices {
        usable,
        separate: is_separate(question, usable),
        known: HashMap::new(),
    };
    let all = devices.count((0..usable.len()).collect());
    let mut counted = Counted::of(usable.len());
    let doubted = doubted(question, usable);
    for file in question.listing.files() {
        let is_doubted = doubted.contains(file.name.as_str());
        let (mut holders, mut could_hold, mut gaps) = (Vec::new(), Vec::new(), Vec::new());
        for (index, offload) in usable.iter().enumerate() {
            let gap = offload.gap(question, file, is_doubted);
            if gap.is_none_or(Gap::is_of_drive) {
                could_hold.push(index);
            }
            match gap {
                None => {
                    holders.push(index);
                    counted.held[index].0 += 1;
                    counted.held[index].1 += file.bytes;
                }
                Some(gap) => gaps.push((index, gap)),
            }
        }
        let of_drives: Vec<_> = gaps.iter().filter(|(_, gap)| gap.is_of_drive()).collect();
        for (index, gap) in &of_drives {
            let cause = usable[*index].cause(question, *gap, file);
            counted.lacks[*index].tell(*gap, file, cause);
        }
        let holder = holders.first().and_then(|&i| usable.get(i));
        let part = holder.and_then(|u| u.files.get(file.name.as_str()));
        counted.contents.extend(part.map(|part| Content {
            path: file.name.as_str(),
            bytes: part.bytes,
            blake3: part.blake3,
            only_zeros: part.only_zeros,
        }));
        let is_held = !holders.is_empty();
        let copies = devices.count(holders);
        counted.copies = counted.copies.min(copies);
        if copies >= question.copies_needed {
            continue;
        }
        if is_held {
            for (index, gap) in of_drives {
                let cause = usable[*index].cause(question, *gap, file);
                counted.short[*index].tell(*gap, file, cause);
            }
            counted.is_explained &= devices.count(could_hold) >= question.copies_needed;
        } else {
            let worst = gaps.iter().max_by_key(|(_, gap)| *gap);
            let gap = worst.map_or(Gap::New, |(_, gap)| *gap);
            let of = worst.and_then(|(index, _)| usable.get(*index));
            let cause = of.and_then(|u| u.cause(question, gap, file));
            counted.told.tell(gap, file, cause);
            counted.is_explained &= all >= question.copies_needed;
        }
    }
    counted.copies = Some(counted.copies)
        .filter(|n| *n < usize::MAX)
        .unwrap_or(0);
    counted
}

fn words(reason: &Reason) -> String {
    match &reason.path {
        Some(path) => format!("{}: `{}`: {}", reason.kind, shown(path), reason.detail),
        None => format!("{}: {}", reason.kind, reason.detail),
    }
}

fn trouble_reasons(listing: &Listing) -> Vec<Reason> {
    let problems = crate::proof::problems::card_problems(listing);
    problems.iter().map(of_problem).collect()
}

fn of_problem(p: &Problem) -> Reason {
    Reason {
        kind: p.kind,
        path: p.path.clone(),
        files: u64::from(p.path.is_some()),
        detail: p.detail.clone(),
        is_of_drive: false,
        cause: p.cause,
    }
}

/// An offload whose manifest is about this card.
struct Usable<'a> {
    found: &'a FoundOffload,
    manifest: &'a Manifest,
    files: HashMap<&'a str, &'a FilePart>,
    doubts: Doubts<'a>,
    /// Shift of the card's dates since the manifest was written.
    card_shift: Shift,
    /// Shift of the dates on the drive against those of the card then.
    drive_shift: Shift,
    /// Files of the card, and of the drive, that have to be equal before any other is believed unread.
    samples: [Vec<Alike<'a>>; 2],
}

fn all_usable<'a>(
    question: &Question<'a>,
    offloads: &'a [FoundOffload],
    troubles: &mut Vec<Reason>,
    notes: &mut Vec<String>,
) -> Vec<Usable<'a>> {
    let each = offloads.iter();
    each.filter_map(|o| usable(question, o, troubles, notes))
        .collect()
}

fn usable<'a>(
    question: &Question<'a>,
    found: &'a FoundOffload,
    troubles: &mut Vec<Reason>,
    notes: &mut Vec<String>,
) -> Option<Usable<'a>> {
    let root = shown(&found.root);
    let manifest = match &found.manifest {
        Ok(manifest) => manifest,
        Err(Unusable { kind, why }) => {
            let detail = format!("the offload in `{root}` cannot be used: {why}");
            troubles.push(Reason {
                is_of_drive: true,
                ..Reason::new(*kind, detail)
            });
            return None;
        }
    };
    let files: HashMap<&str, &FilePart> = manifest.files.iter().map(|f| (&*f.path, f)).collect();
    let is_about_it = |f: FileRow<'_>| {
        let Some(part) = files.get(f.name.as_str()) else {
            return false;
        };
        // Two cameras use the same names; by content only an equal file makes the offload this one's.
        !question.by_content || question.holds(f.name.as_str()) == Some(part.blake3)
    };
    if !question.listing.files().any(is_about_it) {
        return None;
    }
    if !question.by_content && !is_this_card(question, manifest) {
        notes.push(format!(
            "The offload in `{root}` is of another card that uses the same names. To compare this card with it, read it: --by-content."
        ));
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
            "All dates on the card differ from those in `{root}` by {} min, as after a change of zone or to summer time; what was read from the card is equal.",
            card_shift.seconds / 60
        ));
    }
    Some(usable)
}

/// The same volume, or at least the same place where a volume's identity is not enough to tell.
fn is_this_card(question: &Question<'_>, manifest: &Manifest) -> bool {
    let card = &manifest.card;
    is_known_card(card.volume_id.as_deref(), Some(&card.path), question.card)
}

impl Reason {
    fn new(kind: ProblemKind, detail: String) -> Self {
        Self {
            kind,
            path: None,
            files: 0,
            detail,
            is_of_drive: false,
            cause: None,
        }
    }
}

impl Question<'_> {
    /// Returns what a file of the card holds, where it was read.
    fn holds(&self, path: &str) -> Option<Digest> {
        let read = self.card_read.get(path)?.as_ref().ok()?;
        Some(read.0)
    }
}

// ---- what has to be read ------------------------------------------------------------------------

/// Files that have to be read before the question can be answered.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ToRead {
    /// Of the card.
    pub card: Vec<String>,
    /// Of offloads: place among those that were found, and path by the card.
    pub drives: Vec<(usize, String)>,
}

/// Returns what has to be read next; nothing when the question can be answered. What was read before may
/// ask for more.
pub fn to_read(question: &Question<'_>, offloads: &[FoundOffload]) -> ToRead {
    let mut usable = Vec::new();
    for (index, found) in offloads.iter().enumerate() {
        let of_one = self::usable(question, found, &mut Vec::new(), &mut Vec::new());
        usable.extend(of_one.map(|u| (index, u)));
    }
    let mut wanted = ToRead::default();
    let is_unread = |path: &str| !question.is_card_read && !question.card_read.contains_key(path);
    for (index, offload) in &usable {
        let [card, drive] = &offload.samples;
        let card = card.iter().map(|f| f.name).filter(|path| is_unread(path));
        wanted.card.extend(card.map(str::to_owned));
        let drive = drive.iter().map(|f| f.name);
        let drive = drive.filter(|path| offload.is_unread(path));
        wanted
            .drives
            .extend(drive.map(|path| (*index, path.to_owned())));
    }
    if wanted.is_empty() {
        let (places, usable): (Vec<usize>, Vec<Usable<'_>>) = usable.into_iter().unzip();
        let doubted = doubted(question, &usable);
        for file in question.listing.files() {
            let path = file.name.as_str();
            let is_doubted = doubted.contains(path);
            if is_unread(path) && (is_doubted || has_other_date_only(question, &usable, file)) {
                wanted.card.push(path.to_owned());
            }
            for (offload, index) in usable.iter().zip(&places) {
                if offload.has_to_be_read(file) {
                    wanted.drives.push((*index, path.to_owned()));
                }
            }
        }
    }
    wanted.card.sort_unstable();
    wanted.card.dedup();
    wanted
}

impl ToRead {
    /// Returns whether it is nothing.
    pub fn is_empty(&self) -> bool {
        self.card.is_empty() && self.drives.is_empty()
    }
}

/// Whether offloads list this file with its size and under other dates alone: its content has to tell
/// whether it is the one.
fn has_other_date_only(question: &Question<'_>, usable: &[Usable<'_>], file: FileRow<'_>) -> bool {
    let lists = |u: &Usable<'_>| {
        let part = u.files.get(file.name.as_str());
        part.is_some_and(|part| part.bytes == file.bytes)
    };
    let borne_out = || usable.iter().filter(|u| u.is_borne_out(question));
    borne_out().any(lists) && !borne_out().any(|u| u.looks_alike(file))
}

/// Files of the card that a manifest doubts, or of which manifests say different things, and that were not
/// read past memory since. A doubt of one is a doubt of all.
fn doubted<'a>(question: &Question<'a>, usable: &[Usable<'_>]) -> HashSet<&'a str> {
    let is_doubted = |file: &FileRow<'_>| {
        let path = file.name.as_str();
        if let Some(Ok((_, way))) = question.card_read.get(path) {
            let reaches = way.reaches_device();
            return !reaches && usable.iter().any(|u| u.doubts.is_of_card(path));
        }
        let alike = || {
            let alike = usable.iter().filter(|u| u.looks_alike(*file));
            alike.filter(|u| u.is_borne_out(question))
        };
        let parts = alike().filter_map(|u| u.files.get(path));
        alike().any(|u| u.doubts.is_of_card(path)) || !agree(&parts.map(|p| (p.blake3, &p.also)))
    };
    let files = question.listing.files().filter(is_doubted);
    files.map(|f| f.name.as_str()).collect()
}

/// Counts files and bytes of the card that were read and are what some manifest says.
fn sampled(question: &Question<'_>, usable: &[Usable<'_>]) -> (u64, u64) {
    let is_equal = |f: &FileRow<'_>| {
        let holds = question.holds(f.name.as_str());
        let mut parts = usable.iter().filter_map(|u| u.files.get(f.name.as_str()));
        holds.is_some() && parts.any(|part| Some(part.blake3) == holds)
    };
    let equal = question.listing.files().filter(is_equal);
    equal.fold((0, 0), |(n, bytes), f| (n + 1, bytes + f.bytes))
}

impl<'a> Usable<'a> {
    fn choose_samples(&self, question: &Question<'a>) -> [Vec<Alike<'a>>; 2] {
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
    fn is_borne_out(&self, question: &Question<'_>) -> bool {
        let [card, _] = &self.samples;
        card.iter()
            .all(|f| question.holds(f.name) == Some(f.blake3))
    }

    /// Whether the dates on the drive are only shifted, by what was read of it.
    fn is_only_shifted(&self) -> bool {
        let [_, drive] = &self.samples;
        drive.iter().all(|f| {
            let read = self.found.read.get(f.name);
            matches!(read, Some(Ok((hash, _))) if *hash == f.blake3)
        })
    }

    /// Whether a file of the card has the size and date on record.
    fn looks_alike(&self, file: FileRow<'_>) -> bool {
        self.files.get(file.name.as_str()).is_some_and(|part| {
            part.bytes == file.bytes
                && parse(&part.modified)
                    .is_some_and(|then| self.card_shift.joins(then, file.modified))
        })
    }

    /// Whether a copy has the size and date on record.
    fn has_its_date(&self, part: &FilePart, stands: Stands) -> bool {
        part.bytes == stands.bytes
            && parse(&part.modified)
                .is_some_and(|then| self.drive_shift.joins(then, stands.modified))
    }

    fn is_unread(&self, path: &str) -> bool {
        self.found.reread.is_none() && !self.found.read.contains_key(path)
    }

    /// Whether a copy has to be read to know whether it is what was copied: it was read back here, has its
    /// size and another date, or the record doubts it.
    fn has_to_be_read(&self, file: FileRow<'_>) -> bool {
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
    fn is_as_it_was(&self, part: &FilePart, stands: Stands) -> bool {
        self.has_its_date(part, stands)
            && self.is_only_shifted()
            && !self.doubts.is_of_drive(&part.path)
    }

    /// Whether the record says that a file was read back in this very place.
    fn was_read_back(&self, part: &FilePart) -> bool {
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
    fn gap(&self, question: &Question<'_>, file: FileRow<'_>, is_doubted: bool) -> Option<Gap> {
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

    fn drive_gap(&self, part: &FilePart) -> Option<Gap> {
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
        (!self.is_as_it_was(part, *stands)).then_some(Gap::Damaged)
    }

    /// What it means that something else stands here than the record says: where nothing was copied here, it was there
    /// before.
    fn gap_of_other(&self, part: &FilePart) -> Gap {
        let here = self.found.here;
        let is_here = |here| part.copies.iter().any(|c| c.destination == here);
        if here.is_none_or(is_here) {
            Gap::Damaged
        } else {
            Gap::NotReadBack
        }
    }

    /// Why a file could not be read on the drive.
    fn unread_cause(&self, path: &str) -> Option<&str> {
        let found = self.found;
        let again = found.reread.as_ref().and_then(|r| r.unread.get(path));
        let read = || Some(&found.read.get(path)?.as_ref().err()?.why);
        let unseen = || {
            let above = path.match_indices('/').filter_map(|(at, _)| path.get(..at));
            let mut all = above.chain([path]);
            all.find_map(|path| found.unseen.get(path))
        };
        again.or_else(read).or_else(unseen).map(String::as_str)
    }

    /// Returns what the system said where a file could not be read, on the drive or on the card.
    fn cause(&self, question: &Question<'_>, gap: Gap, file: FileRow<'_>) -> Option<Unread> {
        match gap {
            Gap::Unread => self.unread_cause(file.name.as_str()).map(Unread::from),
            Gap::CardUnreadable => {
                let read = question.card_read.get(file.name.as_str())?;
                read.as_ref().err().cloned()
            }
            _ => None,
        }
    }

    /// Counts files and bytes of the copy that were read because of their dates or a doubt, and are equal.
    fn read_equal(&self) -> (u64, u64) {
        let parts = self.manifest.files.iter().filter(|part| {
            let read = self.found.read.get(&*part.path);
            matches!(read, Some(Ok((hash, _))) if *hash == part.blake3)
        });
        parts.fold((0, 0), |(n, bytes), part| (n + 1, bytes + part.bytes))
    }

    /// Tells what this offload holds: `held` files and bytes proven, of `files` on the card.
    fn holding(&self, held: (u64, u64), told: Told, files: u64) -> Holding {
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
            "{} {} there; nobody read {} back in this place",
            counted(unread, "file"),
            if unread == 1 { "stands" } else { "stand" },
            if unread == 1 { "it" } else { "them" }
        );
        let mut basis = match &self.found.reread {
            Some(reread) if reread.stopped => "not all was read again".to_owned(),
            Some(reread) => format!("read again just now ({})", reread.way.id()),
            None if held.0 > 0 => match self.read_equal() {
                (0, _) => format!("read back on {day}, sizes and dates unchanged since"),
                (n, bytes) => format!(
                    "read back on {day}; {} ({}) read again just now and equal, the others with their sizes and dates of then",
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
            root: self.found.root.clone(),
            files: held.0,
            bytes: held.1,
            basis,
            unread,
            lacks,
        }
    }

    /// Returns why files that other copies hold are not held by this one as well, of `files` on the card.
    fn reasons(&self, short: Told, files: u64) -> Vec<Reason> {
        let root = shown(&self.found.root);
        let reason = |lack: Lack| {
            let detail = if lack.files == files {
                lack.with_cause(&format!("all {}", counted(files, "file")))
            } else {
                lack.told()
            };
            Reason {
                files: lack.files,
                is_of_drive: true,
                ..Reason::new(lack.kind, format!("copy `{root}`, {detail}"))
            }
        };
        short.lacks().into_iter().map(reason).collect()
    }
}

/// A file, and what the system said of it where it said something.
type Named = (String, Option<Unread>);

/// Tells the first names of each gap and counts the rest.
struct Told {
    names_max: usize,
    gaps: BTreeMap<Gap, Vec<Named>>,
    counts: BTreeMap<Gap, u64>,
}

impl Told {
    fn of(names_max: usize) -> Self {
        Self {
            names_max,
            gaps: BTreeMap::new(),
            counts: BTreeMap::new(),
        }
    }

    /// Returns what one copy lacks, not read back first.
    fn lacks(self) -> Vec<Lack> {
        let counts = self.counts;
        let lack = |(gap, names): (Gap, Vec<Named>)| Lack {
            cause: names
                .first()
                .and_then(|(_, cause)| Some(cause.as_ref()?.why.clone())),
            kind: gap_words(gap).0,
            words: match gap {
                Gap::Missing => "missing",
                Gap::Unread => "not known to be good",
                Gap::Damaged => "changed since it was copied",
                _ => "stands there, and no record says that it was read back there",
            },
            files: counts.get(&gap).copied().unwrap_or(0),
            paths: names.into_iter().map(|(path, _)| path).collect(),
        };
        self.gaps.into_iter().map(lack).collect()
    }

    fn tell(&mut self, gap: Gap, file: FileRow<'_>, cause: Option<Unread>) {
        *self.counts.entry(gap).or_insert(0) += 1;
        let names = self.gaps.entry(gap).or_default();
        if names.len() < self.names_max {
            names.push((file.name.as_str().to_owned(), cause));
        }
    }

    fn reasons(self, by_content: bool) -> Vec<Reason> {
        let mut reasons = Vec::new();
        for (gap, mut names) in self.gaps {
            let (mut kind, detail) = gap_words(gap);
            if by_content && gap == Gap::CardDiffers {
                // Another card: nothing changed on it.
                kind = ProblemKind::Mismatch;
            }
            if gap == Gap::NotReadBack {
                // Mostly these are all files of an offload that was moved.
                names.truncate(UNREAD_TOLD);
            }
            let more = self.counts.get(&gap).copied().unwrap_or(0) - len64(names.len());
            let of_gap = named(names, more, kind, detail);
            reasons.extend(of_gap.map(|reason| {
                Reason {
                    is_of_drive: gap.is_of_drive(),
                    cause: reason
                        .cause
                        .or((gap == Gap::Elsewhere).then_some(Cause::LeftElsewhere)),
                    ..reason
                }
            }));
        }
        reasons
    }
}

/// Names files that share a reason, and counts those that are not named.
fn named(
    names: Vec<Named>,
    more: u64,
    kind: ProblemKind,
    detail: &str,
) -> impl Iterator<Item = Reason> {
    let each = names.into_iter().map(move |(path, unread)| Reason {
        path: Some(path),
        files: 1,
        cause: unread.as_ref().and_then(|unread| unread.cause),
        ..Reason::new(
            kind,
            unread.map_or_else(|| detail.to_owned(), |u| format!("{detail} ({})", u.why)),
        )
    });
    let rest = (more > 0).then(|| Reason {
        files: more,
        ..Reason::new(kind, format!("and {} more: {detail}", number(more)))
    });
    each.chain(rest)
}

fn gap_words(gap: Gap) -> (ProblemKind, &'static str) {
    match gap {
        Gap::New => (
            ProblemKind::Missing,
            "is on the card and in no offload that was found",
        ),
        Gap::Elsewhere => (
            ProblemKind::Missing,
            "was left in an earlier offload, which was not found here",
        ),
        Gap::Changed => (
            ProblemKind::ChangedOnCard,
            "is not the file that was copied: another size or date",
        ),
        Gap::NotReadBack => (
            ProblemKind::NotReadBack,
            "stands on a drive, but no record says that it was read back there",
        ),
        Gap::Missing => (
            ProblemKind::Missing,
            "was copied and is no longer on the drive",
        ),
        Gap::Unread => (
            ProblemKind::Unreadable,
            "was copied, and its copy could not be read just now, so that it is not known to be good",
        ),
        Gap::Damaged => (
            ProblemKind::Changed,
            "its copy is no longer what was copied",
        ),
        Gap::Doubted => (
            ProblemKind::NotReadBack,
            "is doubted by a manifest, or two manifests say different things of it, and reading it did not settle that",
        ),
        Gap::Unlike => (
            ProblemKind::NotReadBack,
            "only looks like the file that was copied: others on this card that do are not equal, so all of it has to be read",
        ),
        Gap::CardUnreadable => (
            ProblemKind::Unreadable,
            "could not be read from the card again",
        ),
        Gap::CardDiffers => (
            ProblemKind::ChangedOnCard,
            "is on the card with other content than was copied: the card's content is not that of the copy",
        ),
    }
}

fn few(question: &Question<'_>, usable: &[Usable<'_>], copies: usize) -> Reason {
    let devices: Vec<_> = usable
        .iter()
        .map(|u| (&u.found.backing, u.found.device))
        .collect();
    let (_, why) = count_independent(&devices, is_separate(question, usable));
    let twice = seen_twice(usable).filter(|_| question.separate);
    let why = match twice {
        Some((a, b)) => format!(
            " (the records in `{}` and `{}` were written at one moment: one drive that is seen twice, or a copy by hand, so that --separate is not believed)",
            shown(a),
            shown(b)
        ),
        None if why.is_empty() => String::new(),
        None => format!(" ({})", why.join(" ").trim_end_matches('.')),
    };
    let detail = format!(
        "{}, {} needed on separate devices{why}",
        crate::proof::tally::counted_copies(copies),
        question.copies_needed
    );
    Reason::new(ProblemKind::TooFewCopies, detail)
}

/// Files that a manifest lists and the card does not hold.
fn gone<'a>(listing: &Listing, usable: &[Usable<'a>]) -> Vec<&'a str> {
    let now: HashSet<&str> = listing.files().map(|f| f.name.as_str()).collect();
    let mut gone: Vec<&str> = usable
        .iter()
        .flat_map(|u| &u.manifest.files)
        .map(|f| &*f.path)
        .filter(|path| !now.contains(path))
        .collect();
    gone.sort_unstable();
    gone.dedup();
    gone
}

fn absent(gone: &[&str]) -> Vec<Reason> {
    let names = gone.iter().take(NAMES_TOLD);
    let names = names.map(|path| ((*path).to_owned(), None));
    let more = gone.len().saturating_sub(NAMES_TOLD);
    let detail = "is in the offload and not on this card";
    named(names.collect(), len64(more), ProblemKind::Missing, detail).collect()
}
