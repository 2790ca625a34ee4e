//! Owns the question "may this card be formatted?" when nothing is copied: the card's listing
//! against the manifests of offloads on drives. Pure: it weighs what others looked up. With
//! [`super::Proof::judge`] it is the only place that makes PROVEN.

use super::manifest::{FilePart, Manifest};
use super::{Content, Verdict, sameness_notes};
use crate::card::dates::{Shift, parse};
use crate::card::listing::{FileRow, Listing};
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::{ReadBackWay, Stamp};
use crate::error::{Problem, ProblemKind};
use crate::name::some_of;
use crate::plan::{count_independent, trash_notes};
use crate::units::{counted, len64};
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
    /// Its manifest, or why that cannot be trusted.
    pub manifest: Result<Manifest, String>,
    /// Which destination of the manifest this folder is, where that can be told.
    pub here: Option<usize>,
    /// The device that holds it.
    pub backing: Backing,
    /// Number of its file system.
    pub device: u64,
    /// Every file that stands below it.
    pub standing: HashMap<String, Stands>,
    /// Files that were read again just now and are equal to the manifest; `None` when nothing was
    /// read.
    pub reread: Option<Reread>,
}

/// What a fresh read of an offload found.
#[derive(Clone, Debug)]
pub struct Reread {
    /// Paths that are equal to the manifest.
    pub equal: HashSet<String>,
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
    /// Identity of the volume that holds the card, where the system tells it.
    pub volume_id: Option<&'a str>,
    /// The card is the whole volume, not a folder on one.
    pub is_whole_volume: bool,
    /// Where it is mounted, links resolved.
    pub path: &'a str,
    /// Hashes of the card's files, when it was read again; by path. One that could not be read is
    /// not among them.
    pub card_hashes: Option<&'a HashMap<String, Digest>>,
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
    /// In plain words.
    pub detail: String,
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
}

impl Lack {
    /// Returns "missing: `X`, `Y` and 3 more files".
    pub fn told(&self) -> String {
        let paths = self.paths.iter().map(String::as_str);
        let names = some_of(paths, self.paths.len(), self.files, "file");
        format!("{}: {names}", self.words)
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
    /// Some of the card's files hold nothing but zeros.
    pub has_zeros: bool,
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
    /// What stands there is not what the manifest says.
    Damaged,
    /// The card's bytes are not those of the manifest.
    CardDiffers,
    /// The card was to be read again, and this file could not be.
    CardUnreadable,
}

impl Gap {
    /// Whether it is about what stands on the drive, and could be put right there.
    fn is_of_drive(self) -> bool {
        matches!(self, Self::NotReadBack | Self::Missing | Self::Damaged)
    }
}

/// Weighs the question.
pub fn answer(question: &Question<'_>, offloads: &[FoundOffload]) -> Answer {
    let mut notes = Vec::new();
    let mut troubles = trouble_reasons(question.listing);
    troubles.extend(question.away.iter().map(|detail| Reason {
        kind: ProblemKind::Missing,
        path: None,
        detail: detail.clone(),
    }));
    troubles.extend(question.changed.iter().map(|p| Reason {
        kind: p.kind,
        path: p.path.clone(),
        detail: p.detail.clone(),
    }));
    notes.extend(trash_notes(question.listing));
    let usable: Vec<Usable<'_>> = offloads
        .iter()
        .filter_map(|o| usable(question, o, &mut troubles, &mut notes))
        .collect();
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
    // What is wrong with an entry of the card always counts; what is wrong with one offload is a
    // reason only if the others are not enough.
    let (mut reasons, of_offloads): (Vec<Reason>, Vec<Reason>) =
        troubles.into_iter().partition(|t| t.path.is_some());
    reasons.extend(reasons_of_files(question, &usable, told, short));
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
    if reasons.is_empty() {
        notes.extend(of_offloads.into_iter().map(|r| format!("{}.", r.detail)));
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
        reasons,
        notes,
        is_stated: question.separate && told_apart(&usable) < copies,
        has_zeros: contents.iter().any(|c| c.only_zeros),
    }
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
) -> Vec<Reason> {
    if usable.is_empty() {
        return vec![Reason {
            kind: ProblemKind::Missing,
            path: None,
            detail: "no offload of this card was found under the given folders".to_owned(),
        }];
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

fn count<'a>(question: &Question<'a>, usable: &[Usable<'_>]) -> Counted<'a> {
    let mut devices = Devices {
        usable,
        separate: question.separate,
        known: HashMap::new(),
    };
    let all = devices.count((0..usable.len()).collect());
    let mut counted = Counted {
        held: vec![(0, 0); usable.len()],
        lacks: usable.iter().map(|_| Told::of(NAMES_OF_COPY)).collect(),
        copies: usize::MAX,
        told: Told::of(NAMES_TOLD),
        short: usable.iter().map(|_| Told::of(NAMES_OF_COPY)).collect(),
        is_explained: true,
        contents: Vec::new(),
    };
    for file in question.listing.files() {
        let (mut holders, mut could_hold, mut gaps) = (Vec::new(), Vec::new(), Vec::new());
        for (index, offload) in usable.iter().enumerate() {
            let gap = offload.gap(question, file);
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
        for (index, gap) in gaps.iter().filter(|(_, gap)| gap.is_of_drive()) {
            counted.lacks[*index].tell(*gap, file);
        }
        let holder = holders.first().and_then(|&i| usable.get(i));
        if let Some(part) = holder.and_then(|u| u.files.get(file.name.as_str())) {
            counted.contents.push(Content {
                path: file.name.as_str(),
                bytes: part.bytes,
                blake3: part.blake3,
                only_zeros: part.only_zeros,
            });
        }
        let is_held = !holders.is_empty();
        let copies = devices.count(holders);
        counted.copies = counted.copies.min(copies);
        if copies >= question.copies_needed {
            continue;
        }
        if is_held {
            for (index, gap) in gaps.iter().filter(|(_, gap)| gap.is_of_drive()) {
                counted.short[*index].tell(*gap, file);
            }
            counted.is_explained &= devices.count(could_hold) >= question.copies_needed;
        } else {
            let gap = gaps.iter().map(|(_, gap)| *gap).max().unwrap_or(Gap::New);
            counted.told.tell(gap, file);
            counted.is_explained &= all >= question.copies_needed;
        }
    }
    if counted.copies == usize::MAX {
        counted.copies = 0;
    }
    counted
}

fn words(reason: &Reason) -> String {
    match &reason.path {
        Some(path) => format!(
            "{}: `{}`: {}",
            reason.kind,
            crate::name::shown(path),
            reason.detail
        ),
        None => format!("{}: {}", reason.kind, reason.detail),
    }
}

fn trouble_reasons(listing: &Listing) -> Vec<Reason> {
    super::card_problems(listing)
        .into_iter()
        .map(|p| Reason {
            kind: p.kind,
            path: p.path,
            detail: p.detail,
        })
        .collect()
}

/// An offload whose manifest is about this card.
struct Usable<'a> {
    found: &'a FoundOffload,
    manifest: &'a Manifest,
    files: HashMap<&'a str, &'a FilePart>,
    /// Shift of the card's dates since the manifest was written.
    card_shift: Shift,
    /// Shift of the dates on the drive against those of the card then.
    drive_shift: Shift,
}

fn usable<'a>(
    question: &Question<'_>,
    found: &'a FoundOffload,
    troubles: &mut Vec<Reason>,
    notes: &mut Vec<String>,
) -> Option<Usable<'a>> {
    let root = crate::name::shown(&found.root);
    let manifest = match &found.manifest {
        Ok(manifest) => manifest,
        Err(why) => {
            let detail = format!("the offload in `{root}` cannot be used: {why}");
            troubles.push(Reason {
                kind: ProblemKind::ManifestDamaged,
                path: None,
                detail,
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
        let hash = question
            .card_hashes
            .and_then(|hashes| hashes.get(f.name.as_str()));
        !question.by_content || hash == Some(&part.blake3)
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
    if card_shift.seconds != 0 {
        notes.push(format!(
            "All dates on the card differ from those in `{root}` by {} min: another zone or summer time.",
            card_shift.seconds / 60
        ));
    }
    Some(Usable {
        found,
        manifest,
        files,
        card_shift,
        drive_shift,
    })
}

/// The same volume, or at least the same place where a volume's identity is not enough to tell.
fn is_this_card(question: &Question<'_>, manifest: &Manifest) -> bool {
    match (question.volume_id, manifest.card.volume_id.as_deref()) {
        (Some(now), Some(then)) if question.is_whole_volume => now == then,
        (now, then) => now == then && question.path == manifest.card.path,
    }
}

impl Usable<'_> {
    /// Returns why this offload does not prove a file, or `None` if it does.
    fn gap(&self, question: &Question<'_>, file: FileRow<'_>) -> Option<Gap> {
        let Some(part) = self.files.get(file.name.as_str()) else {
            return Some(Gap::New);
        };
        // Where the card was read again its content decides, and a date says no more than that.
        let now = question
            .card_hashes
            .and_then(|hashes| hashes.get(file.name.as_str()));
        let same_date = question.by_content
            || now == Some(&part.blake3)
            || parse(&part.modified).is_some_and(|then| self.card_shift.joins(then, file.modified));
        if part.bytes != file.bytes || !same_date {
            return Some(Gap::Changed);
        }
        match question
            .card_hashes
            .map(|hashes| hashes.get(file.name.as_str()))
        {
            Some(None) => return Some(Gap::CardUnreadable),
            Some(Some(hash)) if *hash != part.blake3 => return Some(Gap::CardDiffers),
            _ => {}
        }
        self.drive_gap(part)
    }

    fn drive_gap(&self, part: &FilePart) -> Option<Gap> {
        // Whatever stands here under its name, nothing was read back here.
        if part.is_elsewhere() {
            return Some(Gap::Elsewhere);
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
                (false, _) => Some(Gap::Damaged),
            };
        }
        let same_date =
            parse(&part.modified).is_some_and(|then| self.drive_shift.joins(then, stands.modified));
        if stands.bytes != part.bytes || !same_date {
            return Some(Gap::Damaged);
        }
        let read_back = self.found.here.is_some_and(|here| {
            let way = self
                .manifest
                .destinations
                .get(here)
                .map_or(ReadBackWay::None, |d| d.readback);
            way.reaches_device()
                && part
                    .copies
                    .iter()
                    .any(|c| c.destination == here && c.proof.is_read_back())
        });
        (!read_back).then_some(Gap::NotReadBack)
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
            None if held.0 > 0 => {
                format!("read back on {day}, sizes and dates unchanged since")
            }
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
        let root = crate::name::shown(&self.found.root);
        let reason = |lack: Lack| {
            let detail = if lack.files == files {
                format!("{}: all {}", lack.words, counted(files, "file"))
            } else {
                lack.told()
            };
            Reason {
                kind: lack.kind,
                path: None,
                detail: format!("copy `{root}`, {detail}"),
            }
        };
        short.lacks().into_iter().map(reason).collect()
    }
}

/// Tells the first names of each gap and counts the rest.
struct Told {
    names_max: usize,
    gaps: BTreeMap<Gap, Vec<String>>,
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
        let lack = |(gap, paths): (Gap, Vec<String>)| Lack {
            kind: gap_words(gap).0,
            words: match gap {
                Gap::Missing => "missing",
                Gap::Damaged => "changed since it was copied",
                _ => "stands there, and no record says that it was read back there",
            },
            files: counts.get(&gap).copied().unwrap_or(0),
            paths,
        };
        self.gaps.into_iter().map(lack).collect()
    }

    fn tell(&mut self, gap: Gap, file: FileRow<'_>) {
        *self.counts.entry(gap).or_insert(0) += 1;
        let names = self.gaps.entry(gap).or_default();
        if names.len() < self.names_max {
            names.push(file.name.as_str().to_owned());
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
            reasons.extend(names.into_iter().map(|path| Reason {
                kind,
                path: Some(path),
                detail: detail.to_owned(),
            }));
            if more > 0 {
                let detail = format!("and {more} more: {detail}");
                reasons.push(Reason {
                    kind,
                    path: None,
                    detail,
                });
            }
        }
        reasons
    }
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
        Gap::Damaged => (
            ProblemKind::Changed,
            "its copy is no longer what was copied",
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
    let (_, why) = count_independent(&devices, question.separate);
    let why = if why.is_empty() {
        String::new()
    } else {
        format!(" ({})", why.join(" ").trim_end_matches('.'))
    };
    Reason {
        kind: ProblemKind::TooFewCopies,
        path: None,
        detail: format!(
            "{}, {} needed on separate devices{why}",
            super::counted_copies(copies),
            question.copies_needed
        ),
    }
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
    let detail = "is in the offload and not on this card";
    let mut reasons: Vec<Reason> = gone
        .iter()
        .take(NAMES_TOLD)
        .map(|path| Reason {
            kind: ProblemKind::Missing,
            path: Some((*path).to_owned()),
            detail: detail.to_owned(),
        })
        .collect();
    if gone.len() > NAMES_TOLD {
        let detail = format!("and {} more: {detail}", gone.len() - NAMES_TOLD);
        reasons.push(Reason {
            kind: ProblemKind::Missing,
            path: None,
            detail,
        });
    }
    reasons
}
