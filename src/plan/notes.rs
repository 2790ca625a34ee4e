//! Owns what a plan tells beside its numbers: notes on devices, samples, names, and what was left
//! out. Pure.
use crate::card::listing::Listing;
use crate::disk::FolderFacts;
use crate::disk::backing::{Backing, IndependenceReason, independent};
use crate::existing::mounted::is_where_drives_are_mounted;
use crate::existing::source::CardFacts;
use crate::name::{CardName, shown, some_of};
use crate::plan::candidate::{Candidate, PlanOptions, Spot};
use crate::plan::name_list::NAMES_TOLD;
use crate::plan::rules::{FAT32_FILE_BYTES_MAX, rules_of};
use crate::plan::terms::Terms;
use crate::plan::work::{PlannedDestination, in_sentence};
use crate::record::signature::Signer;
use crate::units::{counted, len64, size};

pub(super) fn notes(
    card: &CardFacts,
    listing: &Listing,
    destinations: &[(usize, PlannedDestination)],
    options: &PlanOptions,
) -> Vec<String> {
    let mut notes = left_out_notes(listing);
    notes.extend(gone_note(destinations.iter().map(|(_, d)| d)));
    let damaged = destinations.iter().filter_map(|(_, d)| damaged_note(d));
    notes.extend(damaged);
    notes.extend(sample_note(destinations.iter().map(|(_, d)| d)));
    notes.extend(destinations.iter().filter_map(|(_, d)| unmounted_note(d)));
    notes.extend(device_name_notes(listing, destinations));
    let names = in_sentence(destinations.iter().map(|(_, d)| d));
    let others = destinations.iter().zip(&names);
    notes.extend(others.filter(|((_, d), _)| d.others_bytes > 0).map(
        |((_, d), name)| {
            format!(
                "Another copy to {name} is going on and still needs {}; that room stays free for \
                 it.",
                size(d.others_bytes)
            )
        },
    ));
    let largest = listing.files().map(|f| f.bytes).max().unwrap_or(0);
    notes.extend(
        destinations
            .iter()
            .filter_map(|(_, d)| size_note(d, largest)),
    );
    let destinations: Vec<&PlannedDestination> = destinations.iter().map(|(_, d)| d).collect();
    notes.extend(idle_separate_note(card, &destinations, &options.terms));
    notes.extend(doubts(card, &destinations, &options.terms));
    notes
}

/// Says so where it makes no difference that the person states that drives are separate.
fn idle_separate_note(
    card: &CardFacts,
    destinations: &[&PlannedDestination],
    terms: &Terms,
) -> Option<String> {
    let own = card.original.as_ref().map(|_| &card.facts);
    let all = destinations.iter().map(|d| &d.facts).chain(own);
    let devices: Vec<_> = all.map(|f| (&f.backing, f.device)).collect();
    let [with, without] = [true, false].map(|separate| count_independent(&devices, separate));
    (terms.separate && with == without).then(|| {
        let drives = counted(len64(with), "separate drive");
        format!("--separate changes nothing here: it is {drives} with it and without.")
    })
}

/// Tells what will keep the copies from being PROVEN, as far as it is known before the first byte.
pub(super) fn doubts(
    card: &CardFacts,
    destinations: &[&PlannedDestination],
    terms: &Terms,
) -> Vec<String> {
    let names = in_sentence(destinations.iter().copied());
    let mut doubts: Vec<String> = destinations.iter().filter_map(|d| memory_note(d)).collect();
    let mut devices: Vec<(&Backing, u64)> = destinations
        .iter()
        .map(|d| (&d.facts.backing, d.facts.device))
        .collect();
    let &Terms {
        separate,
        copies_needed: needed,
        ..
    } = terms;
    let mut why = why_fewer(&devices, &names, separate);
    if card.original.is_some() {
        let own = (&card.facts.backing, card.facts.device);
        why.extend(shares_device(own, &devices, &names, separate));
        devices.push(own);
    }
    let copies = count_independent(&devices, separate);
    if copies < needed {
        doubts.push(format!(
            "This will not be PROVEN: the copies would be on {}, and {} {} needed.",
            counted(len64(copies), "separate drive"),
            needed,
            if needed == 1 { "is" } else { "are" }
        ));
        doubts.extend(why);
    }
    doubts
}

pub(super) fn signer_note(signer: &Signer) -> String {
    let by = signer.fingerprint();
    format!("The manifest is to be signed by the key {by}")
}

/// Tells which destinations are on the device of the original: there the two are one copy.
pub fn shares_device(
    own: (&Backing, u64),
    devices: &[(&Backing, u64)],
    names: &[String],
    separate: bool,
) -> Option<String> {
    let with = |device: &(&Backing, u64)| count_independent(&[own, *device], separate) < 2;
    let shared = devices.iter().zip(names).filter(|(device, _)| with(device));
    let names: Vec<&str> = shared.map(|(_, name)| name.as_str()).collect();
    (!names.is_empty()).then(|| {
        format!(
            "{} cannot be told apart from the drive of the offload that is copied: together they \
             count as one.",
            names.join(" and ")
        )
    })
}

/// A check found files damaged: they are not believed.
fn damaged_note(d: &PlannedDestination) -> Option<String> {
    let all = d.found_damaged.keys();
    let mut names: Vec<&str> = all.map(String::as_str).collect();
    names.sort_unstable();
    let files = some_of(
        names.iter().copied(),
        NAMES_TOLD,
        len64(names.len()),
        "file",
    );
    let (were, they) = if names.len() == 1 {
        ("was", "it is")
    } else {
        ("were", "they are")
    };
    (!names.is_empty()).then(|| {
        format!(
            "{files} on {} {were} found damaged by a check: {they} compared with what the card \
            gives.",
            in_sentence(std::iter::once(d)).concat()
        )
    })
}

/// A copy that memory answers for proves nothing; better to know before it is made.
pub(super) fn memory_note(d: &PlannedDestination) -> Option<String> {
    let why = d.facts.only_from_memory.as_ref()?;
    Some(format!(
        "The copy on `{}` will not count: it can be checked only against this computer's memory, \
         not on the drive ({}).",
        shown(d.given.as_str()),
        shown(why)
    ))
}

/// What lies behind a server or a program may be FAT32.
pub(super) fn size_note(d: &PlannedDestination, largest: u64) -> Option<String> {
    let is_open = largest > FAT32_FILE_BYTES_MAX && !rules_of(&d.facts.filesystem).is_max_known;
    is_open.then(|| {
        format!(
            "The system does not say whether `{}` can hold files of 4 GiB and more. A copy tries \
             that before it begins.",
            shown(d.given.as_str())
        )
    })
}

/// A volume's identity that two drives have is a doubt: a clone, or one drive seen twice. Unless
/// the drives themselves say that they are two, it is not known what stands behind the later one.
pub fn doubt_twins(spots: &mut [Spot]) {
    for index in 1..spots.len() {
        let (before, rest) = spots.split_at_mut(index);
        let Some(Ok(facts)) = rest.first_mut().map(|s| s.facts.as_mut()) else {
            continue;
        };
        let twin = before.iter().find(|b| {
            b.facts
                .as_ref()
                .is_ok_and(|b| facts.is_twin_of(b) && !facts.is_other_hardware(b))
        });
        if let Some(twin) = twin {
            let why = format!(
                "its volume has the same identity as `{}`: a clone of that drive, or the same \
                 drive seen twice",
                shown(twin.given.as_str())
            );
            let known = facts.backing.names().cloned().unwrap_or_default();
            facts.backing = Backing::Unknown { why, known };
        }
    }
}

/// A folder where drives are usually mounted, on the system's own volume: the drive that was meant
/// is perhaps not mounted.
pub(crate) fn unmounted_note(d: &PlannedDestination) -> Option<String> {
    let looks_mounted = is_where_drives_are_mounted(&d.facts.canonical);
    (looks_mounted && d.facts.is_system_volume).then(|| {
        format!(
            "`{}` is on the system's own disk. Is the drive mounted that you mean?",
            shown(d.given.as_str())
        )
    })
}

/// Names that a drive stores and Windows does not open are copied, and told.
pub(super) fn device_name_notes(
    listing: &Listing,
    destinations: &[(usize, PlannedDestination)],
) -> Option<String> {
    let on_windows_drive = |name: &CardName| {
        let refused = |d: &PlannedDestination| {
            let rules = rules_of(&d.facts.filesystem);
            name.parts().any(|part| rules.is_device_name(part))
        };
        destinations.iter().any(|(_, d)| refused(d))
    };
    let names: Vec<String> = listing
        .files()
        .map(|f| f.name)
        .filter(|name| on_windows_drive(name))
        .map(|name| format!("`{name}`"))
        .take(NAMES_TOLD)
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "Windows will not open {}: Windows has that name for itself. It is copied all the \
             same.",
            names.join(", ")
        )
    })
}

/// Returns a note on files that an earlier run has and that are no longer on the card.
pub fn gone_note<'a>(destinations: impl Iterator<Item = &'a PlannedDestination>) -> Option<String> {
    let gone = destinations.map(|d| d.gone_files).max().unwrap_or(0);
    (gone > 0).then(|| {
        format!(
            "{} of an earlier copy {} no longer on the card; {} on the drives as before.",
            counted(gone, "file"),
            if gone == 1 { "is" } else { "are" },
            if gone == 1 { "it stays" } else { "they stay" }
        )
    })
}

/// Returns what was read of the card before files of an earlier run were kept.
pub fn sample_note<'a>(
    destinations: impl Iterator<Item = &'a PlannedDestination>,
) -> Option<String> {
    let sampled = destinations.map(|d| d.sampled_files).max().unwrap_or(0);
    (sampled > 0).then(|| {
        format!(
            "As a sample, {} {} read from the card and {} the earlier copy.",
            counted(sampled, "file"),
            if sampled == 1 { "was" } else { "were" },
            if sampled == 1 { "matches" } else { "match" }
        )
    })
}

/// Says so when nothing of an earlier run is kept because a sample of the card bears it out no
/// longer.
pub(super) fn unlike_notes(
    candidates: &[Candidate],
    card: &FolderFacts,
) -> impl Iterator<Item = String> {
    let is_of_card = |c: &Candidate| {
        let records = c.standing.records.as_ref();
        records.is_some_and(|r| r.card_mark().is_of(card))
    };
    let unlike = candidates
        .iter()
        .filter(move |c| c.sampled.is_none() && is_of_card(c));
    unlike.map(|c| {
        format!(
            "What an earlier copy proved on `{}` is not relied upon: files of the card that look \
             the same hold other bytes than it read, or could not be read. All that is there \
             is compared with the card.",
            shown(c.given.as_str())
        )
    })
}

/// Left out files that a note names; the others are counted.
pub(super) const LEFT_NAMED: usize = 4;

/// Returns a note for every Trash folder on the card that holds files, and for files that are left
/// out and look like pictures.
pub fn left_out_notes(listing: &Listing) -> Vec<String> {
    let trash = listing
        .left_out()
        .filter(|(_, why)| why.is_full_trash())
        .map(|(path, why)| format!("`{}` on the card is a {why}.", shown(&path)));
    let media = listing.media_left();
    let paths = media.iter().map(String::as_str);
    let named = some_of(paths, LEFT_NAMED, len64(media.len()), "file");
    let media = match media.len() {
        0 => None,
        1 => Some(format!(
            "{named} looks like a picture, clip or sound, and was skipped: its name or folder is \
             one that computers use for files of their own. Look at it on the card, and copy it \
             by hand if you need it."
        )),
        _ => Some(format!(
            "{named} look like pictures, clips or sound, and were skipped: their names or \
             folders are those that computers use for files of their own. Look at them on the \
             card, and copy by hand what you need."
        )),
    };
    trash.chain(media).collect()
}

/// Counts the independent devices among destinations. One whose device is unknown never lowers the
/// count that the known ones reach without it.
pub fn count_independent(devices: &[(&Backing, u64)], separate: bool) -> usize {
    let known: Vec<_> = devices
        .iter()
        .filter(|(backing, _)| !matches!(backing, Backing::Unknown { .. }))
        .copied()
        .collect();
    let all = independent(devices, separate).count;
    all.max(independent(&known, separate).count)
}

/// Tells in words why there are fewer independent devices than destinations, which have these
/// names.
pub(crate) fn why_fewer(
    devices: &[(&Backing, u64)],
    names: &[String],
    separate: bool,
) -> Vec<String> {
    if count_independent(devices, separate) == devices.len() {
        return Vec::new();
    }
    device_reasons(&independent(devices, separate).reasons, names)
}

/// Says each reason once: those that share a drive are named together.
pub(super) fn device_reasons(reasons: &[IndependenceReason], names: &[String]) -> Vec<String> {
    let name = |at: &usize| names.get(*at).map_or("a drive", String::as_str);
    let mut shared: Vec<(Option<&str>, Vec<&usize>)> = Vec::new();
    let mut alone = Vec::new();
    for reason in reasons {
        match reason {
            IndependenceReason::SameFileSystem { a, b } => share(&mut shared, None, [a, b]),
            IndependenceReason::SameDisk { a, b, disk } => share(&mut shared, Some(disk), [a, b]),
            IndependenceReason::Unknown { index, why } => alone.push(format!(
                "The system does not say which drive {} is on ({why}). If you know that it is a \
                 drive of its own, say so with --separate.",
                name(index)
            )),
            IndependenceReason::Memory { index } => alone.push(format!(
                "{} is in memory, not on a drive: it proves nothing.",
                name(index)
            )),
            IndependenceReason::Stated { .. } => {}
        }
    }
    let shared = shared.into_iter().map(|(disk, on)| {
        let on: Vec<&str> = on.into_iter().map(name).collect();
        let (last, first) = on.split_last().unwrap_or((&"", &[]));
        let what = disk.map_or("file system".to_owned(), |d| format!("physical disk ({d})"));
        format!(
            "{} and {last} are on one {what}: they count as one.",
            first.join(", ")
        )
    });
    shared.chain(alone).collect()
}

/// Adds two that share a drive to those that share it with one of them.
fn share<'a>(
    shared: &mut Vec<(Option<&'a str>, Vec<&'a usize>)>,
    disk: Option<&'a str>,
    pair: [&'a usize; 2],
) {
    let is_it = |(on, of): &&mut (Option<&str>, Vec<&usize>)| {
        *on == disk && pair.iter().any(|at| of.contains(at))
    };
    match shared.iter_mut().find(is_it) {
        Some((_, of)) => of.extend(
            pair.into_iter()
                .filter(|at| !of.contains(at))
                .collect::<Vec<_>>(),
        ),
        None => shared.push((disk, pair.to_vec())),
    }
}
