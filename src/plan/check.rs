//! Owns every reason not to begin: the name, the card, each destination's place, file system, room
//! and what stands there. Pure.
use crate::card::dates::{Shift, parse};
use crate::card::identity::has_identity;
use crate::card::listing::{FileRow, Listing, RowKind};
use crate::disk::{EntryKind, FolderFacts, Stat};
use crate::error::{Cause, Problem, ProblemKind};
use crate::existing::source::CardFacts;
use crate::existing::standing::Standing;
use crate::name::{CardName, differ_in_form_only, fold, is_part_name, shown, word};
use crate::plan::candidate::{Candidate, PlanOptions};
use crate::plan::mhl::check_history;
use crate::plan::name_list::NameList;
use crate::plan::notes::left_out_notes;
use crate::plan::rules::rules_of;
use crate::plan::shape::{DestinationDraft, Shape};
use crate::plan::work::PlannedDestination;
use crate::record::earlier_run::Records;
use crate::record::layout::{DESTINATIONS_MAX, ENTRIES_MAX, Layout, RECORDS, identity};
use crate::units::{counted, len64, size};
use camino::Utf8Path;
use std::collections::{BTreeMap, HashMap, HashSet};
use std::sync::Arc;

/// Why nothing is copied to what looks like another card.
const ON_A_CARD: &str = "it is on a volume with folders in its root that only cameras make: \
    nothing is written to a card; on a drive, move them into a folder of their own";

/// Tells everything about a destination that stands in the way, but for its room.
pub(super) fn check_destination(
    draft: &DestinationDraft<'_>,
    card: &CardFacts,
    listing: &Listing,
    candidates: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let (index, candidate, facts) = (draft.index, draft.candidate, draft.facts);
    if let Some(why) = &candidate.unmounted {
        return reasons.push(Problem::new(ProblemKind::Vanished, why.clone()).on(index));
    }
    if let Some(offload) = &candidate.within_offload {
        // It would be no file of that offload's card.
        let why = format!("it is in the offload `{}`", shown(offload));
        let problem = Problem::new(ProblemKind::NameClash, why);
        return reasons.push(problem.because(Cause::LiesInOffload).on(index));
    }
    check_place(index, facts, card, draft.shape.name, reasons);
    check_twice(index, draft.shape.name, facts, candidates, reasons);
    check_rules(index, facts, listing, draft.shape, reasons);
    check_layout(index, candidate, draft.shape.layout, reasons);
    check_history(draft, reasons);
    check_standing(index, candidate, facts, card, listing, candidates, reasons);
}

pub(super) fn check_options(
    options: &PlanOptions,
    destinations: usize,
    reasons: &mut Vec<Problem>,
) {
    check_name(&options.name, reasons);
    if destinations > DESTINATIONS_MAX {
        let why = "more than 64 drives, which one manifest cannot hold";
        reasons.push(Problem::new(ProblemKind::WriteFailed, why));
    }
}

pub(super) fn check_name(name: &str, reasons: &mut Vec<Problem>) {
    let why = match CardName::parse(name) {
        Err(_) if name.is_empty() => Some("the offload's name is empty".to_owned()),
        Err(why) => Some(format!("the offload's name holds {why}")),
        Ok(_) if name.contains('/') || name.contains('\\') => {
            Some("the offload's name must be one folder name, without a separator".to_owned())
        }
        Ok(_) if fold(name) == fold(RECORDS) || is_part_name(name) => {
            Some("the offload's name is one that unlade uses itself".to_owned())
        }
        Ok(_) if name.trim() != name => {
            Some("the offload's name begins or ends with a blank".to_owned())
        }
        Ok(_) if name.len() > 200 => Some("the offload's name is longer than 200 bytes".to_owned()),
        Ok(_) if name.chars().any(char::is_control) => {
            Some("the offload's name holds a control character".to_owned())
        }
        Ok(_) => None,
    };
    if let Some(why) = why {
        reasons.push(Problem::new(ProblemKind::NameNotStorable, why));
    }
}

/// Says that a card holds nothing to be copied, and what may lie in its Trash.
pub fn without_files(card: &Utf8Path, listing: &Listing) -> String {
    let card = shown(card.as_str());
    match left_out_notes(listing).first() {
        None => format!(
            "`{card}` holds no files; a card that was pulled or is not mounted looks like this too"
        ),
        Some(note) => format!(
            "`{card}` holds no files but those that are skipped: {}",
            note.trim_end_matches('.')
        ),
    }
}

pub(super) fn check_card(card: &CardFacts, listing: &Listing, reasons: &mut Vec<Problem>) {
    if listing.rows().len() > ENTRIES_MAX {
        let why = format!(
            "`{}` holds more than the 1,000,000 entries that one manifest can hold; offload its \
             folders one by one",
            shown(card.given.as_str())
        );
        reasons.push(Problem::new(ProblemKind::Unreadable, why));
    }
    if listing.totals().0 == 0 {
        let broken = listing
            .rows()
            .iter()
            .any(|r| matches!(r.kind, RowKind::Trouble { .. } | RowKind::NotText));
        let why = if !listing.mounts().is_empty() {
            format!(
                "`{}` holds no files of its own; other volumes are mounted in it: give these as \
                 cards",
                shown(card.given.as_str())
            )
        } else if broken {
            format!("no file on `{}` can be read", shown(card.given.as_str()))
        } else {
            without_files(&card.given, listing)
        };
        reasons.push(Problem::new(ProblemKind::Unreadable, why));
    }
    for row in listing.rows() {
        let path = row.path();
        let top = path.split('/').next().unwrap_or(&path);
        if fold(top) == fold(RECORDS) && top.len() == path.len() {
            let why = "the card itself holds `_unlade` in its root, where the manifest goes";
            let problem = Problem::new(ProblemKind::NameClash, why);
            reasons.push(problem.because(Cause::HoldsRecords).at(path));
        }
    }
    let parts: HashSet<&str> = listing
        .files()
        .filter(|f| is_part_name(f.name.file_name()))
        .map(|f| f.name.as_str())
        .collect();
    if parts.is_empty() {
        return;
    }
    for file in listing.files() {
        if parts.contains(file.name.part().as_str()) {
            let why = "the card holds a file that is named like this one's part file";
            let problem = Problem::new(ProblemKind::NameClash, why).because(Cause::HoldsPart);
            reasons.push(problem.at(file.name.as_str()));
        }
    }
}

pub(super) fn check_place(
    index: usize,
    facts: &FolderFacts,
    card: &CardFacts,
    name: &str,
    reasons: &mut Vec<Problem>,
) {
    let mut refuse = |kind, why: &str, cause: Option<Cause>| {
        reasons.push(Problem::new(kind, why).because(cause).on(index));
    };
    if let Some(original) = &card.original {
        if let Some(why) = original.refuses(&card.facts, facts, name) {
            refuse(ProblemKind::SameDevice, &format!("it {why}"), None);
        }
    } else if let Some(why) = facts.goes_with(&card.facts) {
        refuse(ProblemKind::SameDevice, &format!("it {why}"), None);
    } else if card.facts.ancestors.contains(&(facts.device, facts.inode)) {
        refuse(
            ProblemKind::NameClash,
            "the card is inside this folder; give one outside the card",
            Some(Cause::HoldsCard),
        );
    } else if facts.is_camera_volume {
        refuse(ProblemKind::SameDevice, ON_A_CARD, None);
    }
    if facts.read_only {
        refuse(
            ProblemKind::WriteFailed,
            "the drive is mounted read-only",
            Some(Cause::ReadOnly),
        );
    }
}

pub(super) fn check_twice(
    index: usize,
    name: &str,
    facts: &FolderFacts,
    candidates: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let earlier = candidates.iter().take(index).find(|other| {
        other
            .facts
            .as_ref()
            .is_ok_and(|o| (o.device, o.inode) == (facts.device, facts.inode))
    });
    let mut refuse = |why: String| {
        reasons.push(Problem::new(ProblemKind::SameDevice, why).on(index));
    };
    if let Some(other) = earlier {
        refuse(format!(
            "this is the same folder as `{}`",
            shown(other.given.as_str())
        ));
    }
    // It would be no file of that offload's card.
    let here = Utf8Path::new(&facts.canonical);
    let inside = candidates.iter().find(|other| {
        let other = other.facts.as_ref();
        other.is_ok_and(|o| here.starts_with(Utf8Path::new(&o.canonical).join(name)))
    });
    if let Some(other) = inside.filter(|_| !name.is_empty()) {
        refuse(format!(
            "this folder is inside the offload `{}` that is to be made in `{}`",
            shown(name),
            shown(other.given.as_str())
        ));
    }
}

pub(super) fn check_rules(
    index: usize,
    facts: &FolderFacts,
    listing: &Listing,
    shape: &Shape<'_>,
    reasons: &mut Vec<Problem>,
) {
    let rules = rules_of(&facts.filesystem);
    let mut told = NameList::new(index);
    let large = |f: &FileRow<'_>| f.bytes > rules.file_bytes_max;
    for file in listing.files().filter(large) {
        let why = format!(
            "{} is more than the largest file that {} can hold (4 GiB - 1)",
            size(file.bytes),
            word(&facts.filesystem)
        );
        told.tell(
            Problem::new(ProblemKind::TooLargeForFilesystem, why),
            file.name,
            reasons,
        );
    }
    told.rest(reasons);
    let is_device = rules.is_device_name(shape.name);
    let is_device = is_device.then_some("it is one that Windows has for its own devices");
    if let Some(why) = rules.refuses(shape.name).or(is_device) {
        reasons.push(
            Problem::new(
                ProblemKind::NameNotStorable,
                format!("the offload's name: {why}"),
            )
            .on(index),
        );
    }
}

/// Bytes of the path of the card's tree on a destination, the separator after it included.
pub(super) fn root_bytes(candidate: &Candidate, facts: &FolderFacts, shape: &Shape<'_>) -> usize {
    candidate.given.as_str().len().max(facts.canonical.len())
        + shape.name.len()
        + shape.layout.outside("").len()
        + 2
}

/// Files and folders that a destination cannot hold as they are, and why: by their names, or
/// because another one has that name there. One of them does not keep the rest from being copied;
/// it keeps the verdict from being PROVEN.
pub(super) fn unheld(
    candidate: &Candidate,
    facts: &FolderFacts,
    listing: &Listing,
    shape: &Shape<'_>,
) -> HashMap<CardName, String> {
    let rules = rules_of(&facts.filesystem);
    let root_bytes = root_bytes(candidate, facts, shape);
    let files = listing.files().map(|f| f.name);
    let mut names: Vec<&CardName> = listing.folders().chain(files).collect();
    // Of two that are one name there, the one that stands has it; else the first.
    let stands = |name: &CardName| candidate.standing.entries.contains_key(name.as_str());
    names.sort_by_key(|name| !stands(name));
    let mut first: HashMap<String, &CardName> = HashMap::new();
    let mut folders_out: HashSet<&str> = HashSet::new();
    let mut found = HashMap::new();
    for name in names {
        let why = if let Some(why) = rules.refuses_path(name, root_bytes) {
            why.to_owned()
        } else if name.parent().is_some_and(|p| folders_out.contains(p)) {
            "the folder that it is in has the name of another one there".to_owned()
        } else if rules.folds == Some(true)
            && let Some(other) = first.insert(name.folded(), name)
        {
            first.insert(name.folded(), other);
            let form = if differ_in_form_only(name.as_str(), other.as_str()) {
                ", which is written with other Unicode characters"
            } else {
                ""
            };
            format!("the name is the same as that of `{other}` there{form}")
        } else {
            continue;
        };
        folders_out.insert(name.as_str());
        found.insert(name.clone(), why);
    }
    found
}

pub(super) fn check_standing(
    index: usize,
    candidate: &Candidate,
    facts: &FolderFacts,
    card: &CardFacts,
    listing: &Listing,
    all: &[Candidate],
    reasons: &mut Vec<Problem>,
) {
    let standing = &candidate.standing;
    if let Some(why) = &standing.damaged {
        reasons.push(Problem::new(ProblemKind::ManifestDamaged, why.to_string()).on(index));
        return;
    }
    // A drive that was swapped under the same path: the journal of any destination knows the
    // others.
    let here = identity(facts);
    let swapped = all
        .iter()
        .filter_map(|c| c.standing.records.as_ref())
        .flat_map(|r| &r.destinations)
        .any(|d| d.path == here.path && d.differs(&here));
    if swapped {
        reasons.push(swapped_drive(index));
    }
    let Some(records) = &standing.records else {
        let foreign = standing
            .entries
            .values()
            .any(|s| s.kind != EntryKind::Folder);
        if foreign {
            let why = "a folder of this name already holds files that no manifest of an offload \
                names";
            reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
        }
        return;
    };
    // A run that ended before its first file has claimed nothing yet: folders and parts are
    // nobody's.
    let is_file = |(path, stat): (&String, &Stat)| {
        stat.kind != EntryKind::Folder && !is_part_name(path.rsplit('/').next().unwrap_or(path))
    };
    let claims = !records.card_files.is_empty() || standing.entries.iter().any(is_file);
    if may_go_on(records, card, listing) && holds_nothing_of(records, card, listing) {
        let why = format!(
            "the offload of this name holds what was on the card before: none of its {} is on it \
             now. The card was formatted since, or it is another one. Give another \
             --name, or none",
            counted(len64(records.card_files.len()), "file")
        );
        reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
    } else if claims && !may_go_on(records, card, listing) {
        let first = first_conflict(records, listing).map_or(String::new(), |path| {
            format!(
                "; or files on this card have changed since, `{}` first",
                shown(path)
            )
        });
        let why = format!("an offload of another card already has this name{first}");
        reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
    }
}

/// Returns the first file of the card that is not what the records say.
pub(super) fn first_conflict<'a>(records: &Records, listing: &'a Listing) -> Option<&'a str> {
    let differs = |f: &FileRow<'_>| {
        let then = records.card_files.get(f.name.as_str());
        then.is_some_and(|(bytes, date)| *bytes != f.bytes || **date != *f.modified.rfc3339())
    };
    listing.files().find(differs).map(|f| f.name.as_str())
}

pub(super) fn swapped_drive(index: usize) -> Problem {
    let why =
        "this is not the drive that this offload was begun on; the right one may not be mounted";
    Problem::new(ProblemKind::Vanished, why).on(index)
}

/// Decides whether the offload that these records are of may be gone on with for this card: by the
/// same-card rule ([`CardMark::is_same_card`](crate::card::identity::CardMark::is_same_card)) where
/// both sides know a volume, else by the listing, else by what both listings hold: something in
/// common and nothing in conflict. All dates may have moved together: whatever is not just as it
/// was is compared with the card anyway.
pub fn may_go_on(records: &Records, card: &CardFacts, listing: &Listing) -> bool {
    if let Some(original) = &card.original {
        return original.is_recorded_by(records);
    }
    if records.card_volume_id.is_some() && has_identity(&card.facts) {
        return records.card_mark().is_of(&card.facts);
    }
    if records.listing_b3 == Some(listing.fingerprint()) || records.card_files.is_empty() {
        return records
            .listing_b3
            .is_none_or(|b3| b3 == listing.fingerprint());
    }
    let known = known_of(records, listing, 1);
    !known.is_empty() && known.iter().all(|is_as_it_was| *is_as_it_was)
}

/// Of every file of the card that the records know by its name: whether it has the size and the
/// date that it had then. All dates may have moved together; each is heard so many times for that.
fn known_of(records: &Records, listing: &Listing, times: usize) -> Vec<bool> {
    let both = || {
        listing.files().filter_map(|file| {
            let (bytes, modified) = records.card_files.get(file.name.as_str())?;
            Some((file, *bytes, modified))
        })
    };
    let dates = both().filter_map(|(file, _, then)| Some((parse(then)?, file.modified)));
    let shift = Shift::of(dates.flat_map(|dates| std::iter::repeat_n(dates, times)));
    let is_as_it_was = |(file, bytes, then): (FileRow<'_>, u64, &Arc<str>)| {
        let is_near = || parse(then).is_some_and(|then| shift.is_near(then, file.modified));
        bytes == file.bytes && (**then == *file.modified.rfc3339() || is_near())
    };
    both().map(is_as_it_was).collect()
}

/// Returns whether not one file of the records is on the card as it was then, though they know
/// some: the card was formatted since and shot on again, or it is another one. Some cameras give
/// all of their cards one identity, and count from one again after a format. Each filling gets a
/// folder of its own. Where only some of the pictures were deleted it is the same filling. In doubt
/// it is another one: a folder more harms nothing.
pub fn is_another_filling(records: &Records, card: &CardFacts, listing: &Listing) -> bool {
    let is_known = card.original.is_none() && !records.card_files.is_empty();
    is_known
        // One file alone says nothing of a shift of dates, and may well be the one that was copied.
        && !known_of(records, listing, 2)
            .iter()
            .any(|is_as_it_was| *is_as_it_was)
}

/// The same where no doubt is left: not one name and size is on the card. Under a name that the
/// person gave, all else is compared.
fn holds_nothing_of(records: &Records, card: &CardFacts, listing: &Listing) -> bool {
    let is_here = |file: FileRow<'_>| {
        let then = records.card_files.get(file.name.as_str());
        then.is_some_and(|(bytes, _)| *bytes == file.bytes)
    };
    let is_known = card.original.is_none() && !records.card_files.is_empty();
    is_known && !listing.files().any(is_here)
}

/// Returns whether an earlier run proved other files under names that the card has now.
pub fn holds_other_files(records: &Records, listing: &Listing) -> bool {
    listing.files().any(|file| records.proved_another(file))
}

/// A folder of the card whose place is taken by something else would lead the copy astray.
pub(super) fn check_folders(
    listing: &Listing,
    standing: &Standing,
    told: &mut NameList,
    reasons: &mut Vec<Problem>,
) {
    for folder in listing.folders() {
        let stands = standing.entries.get(folder.as_str());
        if stands.is_some_and(|s| s.kind != EntryKind::Folder) {
            let why = "something that is no folder already has this name".to_owned();
            told.tell(Problem::new(ProblemKind::NameClash, why), folder, reasons);
        }
    }
}

/// The room of a destination, all in bytes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DestinationRoom {
    /// Its place on the command line, counted from 0.
    pub index: usize,
    /// Number of its file system.
    pub device: u64,
    /// What the job needs there.
    pub needs: u64,
    /// What is free there.
    pub free: u64,
    /// What other runs at work on the volume have yet to write.
    pub others: u64,
}

impl DestinationRoom {
    pub(super) fn of(index: usize, d: &PlannedDestination) -> Self {
        Self {
            index,
            device: d.facts.device,
            needs: d.needs_bytes,
            free: d.facts.free_bytes,
            others: d.others_bytes,
        }
    }
}

/// Tells where the room is not enough; destinations on one volume share it.
pub fn check_room(rooms: &[DestinationRoom], reasons: &mut Vec<Problem>) {
    let mut by_volume: BTreeMap<u64, (u64, u64, Vec<usize>)> = BTreeMap::new();
    for room in rooms {
        let (needs, others, who) = by_volume.entry(room.device).or_default();
        *needs = needs.saturating_add(room.needs);
        *others = room.others.max(*others);
        who.push(room.index);
    }
    for room in rooms {
        let Some((needs, others, who)) = by_volume.get(&room.device) else {
            continue;
        };
        let index = &room.index;
        let free = room.free.saturating_sub(*others);
        if *needs > free && who.first() == Some(index) {
            let shared = if who.len() > 1 {
                format!(" for {} copies on this one volume", who.len())
            } else {
                String::new()
            };
            let others = match *others {
                0 => String::new(),
                others => format!(
                    " and another copy on it still needs {} of them",
                    size(others)
                ),
            };
            let why = format!(
                "needs {}{shared}, has {} free{others}: {} short",
                size(*needs),
                size(room.free),
                size(needs - free)
            );
            reasons.push(Problem::new(ProblemKind::NoRoom, why).on(*index));
        }
    }
}

pub(super) fn check_layout(
    index: usize,
    candidate: &Candidate,
    layout: Layout,
    reasons: &mut Vec<Problem>,
) {
    if let Some(records) = &candidate.standing.records
        && records.layout != layout
    {
        let why = format!(
            "this offload was begun in the layout `{}` and cannot go on as `{}`; leave --layout \
             out to go on as it is",
            records.layout.id(),
            layout.id()
        );
        reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
    }
}
