//! Owns the checks of the plan: facts in, decisions or reasons out.

use super::*;
use crate::card::dates::Shift;
use crate::card::listing::{Row, RowKind};
use crate::disk::FolderFacts;
use crate::disk::backing::{Backing, IndependenceReason};
use crate::disk::{ReadBackWay, Sight, Stamp, Stat};
use crate::existing::standing::{HistoryThere, RecordsError, Standing};
use crate::hash_algorithm::Also;
use crate::plan::check::{may_go_on, unheld};
use crate::plan::notes::{device_reasons, doubt_twins};
use crate::record::damage::CopyDamage;
use crate::record::earlier_run::ProvenEntry;
use crate::record::earlier_run::Records;
use crate::record::layout::{Level, identity};
use std::collections::BTreeSet;

pub(super) fn facts(device: u64, filesystem: &str, free_bytes: u64) -> FolderFacts {
    FolderFacts {
        canonical: format!("/media/{device}"),
        device,
        entry_device: device,
        inode: 2,
        ancestors: vec![(device, 2), (100, 2)],
        is_mount_root: true,
        filesystem: filesystem.into(),
        volume_id: Some(format!("volume-{device}")),
        label: None,
        total_bytes: 1 << 40,
        free_bytes,
        cluster_bytes: 4_096,
        read_only: false,
        backing: Backing::Disks(BTreeSet::from([format!("sd{device}")])),
        rotational: Some(false),
        shows_folder: false,
        within: None,
        is_camera_volume: false,
        is_system_volume: false,
        own_disk: None,
        is_own_volume: false,
        hardware: None,
        only_from_memory: None,
        images: Vec::new(),
    }
}

fn card() -> CardFacts {
    CardFacts {
        given: "/media/KITES".into(),
        facts: facts(9, "exfat", 0),
        label: "KITES".into(),
        original: None,
    }
}

fn listing(files: &[(&str, u64)]) -> Listing {
    let rows = files.iter().map(|(path, bytes)| Row {
        raw: path.as_bytes().into(),
        kind: RowKind::File {
            name: CardName::parse(path).unwrap(),
            bytes: *bytes,
            modified: Stamp {
                seconds: 1_700_000_000,
                nanos: 0,
            },
            sight: Sight::default(),
        },
    });
    Listing::new(rows.collect())
}

fn spot(facts: FolderFacts) -> Spot {
    Spot {
        given: Utf8PathBuf::from(facts.canonical.clone()),
        facts: Ok(facts),
        standing: Standing::default(),
    }
}

fn to(facts: FolderFacts) -> Candidate {
    candidate(spot(facts))
}

fn candidate(spot: Spot) -> Candidate {
    Candidate {
        given: spot.given,
        facts: spot.facts,
        standing: spot.standing,
        unmounted: None,
        within_offload: None,
        sampled: Some(0),
        earlier: Vec::new(),
        earlier_notes: Vec::new(),
        others_bytes: 0,
        kit_name: None,
    }
}

/// A card with one file of so many bytes, onto one destination.
pub(super) fn planned(bytes: u64, at: FolderFacts) -> Plan {
    plan(card(), listing(&[("A.MP4", bytes)]), &[to(at)], &options()).unwrap()
}

fn options() -> PlanOptions {
    PlanOptions {
        form: Form::default(),
        name: "20261125-KITES".into(),
        terms: Terms {
            level: Level::ReadBack,
            copies_needed: 2,
            separate: false,
        },
        only_new: false,
        signer: None,
    }
}

/// A plan of which nothing is known beforehand.
fn plan(
    card: CardFacts,
    listing: Listing,
    candidates: &[Candidate],
    options: &PlanOptions,
) -> Result<Plan, Refusal> {
    super::plan(card, listing, candidates, options, Estimate::default())
}

fn kinds(result: Result<Plan, Refusal>) -> Vec<(ProblemKind, Option<usize>)> {
    match result {
        Ok(_) => Vec::new(),
        Err(refusal) => refusal
            .reasons
            .iter()
            .map(|r| (r.kind, r.destination))
            .collect(),
    }
}

#[test]
fn a_plain_job_is_planned() {
    let files = listing(&[("DCIM/A.JPG", 5_000), ("DCIM/B.JPG", 0)]);
    let plan = plan(
        card(),
        files,
        &[
            to(facts(1, "ext4", 1 << 30)),
            to(facts(2, "exfat", 1 << 30)),
        ],
        &options(),
    )
    .unwrap();
    assert_eq!(plan.to_read(), (2, 5_000));
    assert_eq!(plan.destinations[0].copy_bytes, 5_000);
    assert!(
        plan.destinations[0].needs_bytes >= 8_192,
        "clusters are rounded up"
    );
    assert_eq!(plan.destinations[1].root, "/media/2/20261125-KITES");
    assert!(plan.notes.is_empty(), "{:?}", plan.notes);
}

#[test]
fn room_is_summed_per_volume_and_every_reason_is_told_at_once() {
    let files = || listing(&[("A.MP4", 60_000_000_000)]);
    let free = 100_000_000_000;
    assert!(
        kinds(plan(
            card(),
            files(),
            &[to(facts(1, "ext4", free))],
            &options()
        ))
        .is_empty()
    );
    let mut other = facts(1, "ext4", free);
    other.inode = 77;
    other.canonical = "/media/1/other".into();
    let two = [to(facts(1, "ext4", free)), to(other)];
    assert_eq!(
        kinds(plan(card(), files(), &two, &options())),
        [(ProblemKind::NoRoom, Some(0))]
    );
    // A card of 96 GB does not go onto a drive with 95 GB free.
    let full = listing(&[("A.MP4", 96_000_000_000)]);
    let mut locked = facts(2, "vfat", 1 << 40);
    locked.read_only = true;
    let many = [to(facts(1, "ext4", 95_000_000_000)), to(locked)];
    let told = kinds(plan(card(), full, &many, &options()));
    assert!(told.contains(&(ProblemKind::NoRoom, Some(0))), "{told:?}");
    assert!(
        told.contains(&(ProblemKind::WriteFailed, Some(1))),
        "{told:?}"
    );
}

#[test]
fn cluster_rounding_counts() {
    // 1,000 files of 1 byte on 128 KiB clusters take 131 MB, not 1 kB.
    let names: Vec<String> = (0..1_000).map(|i| format!("DCIM/T{i:04}.JPG")).collect();
    let files: Vec<(&str, u64)> = names.iter().map(|n| (n.as_str(), 1)).collect();
    let mut tight = facts(1, "exfat", 100_000_000);
    tight.cluster_bytes = 131_072;
    assert_eq!(
        kinds(plan(card(), listing(&files), &[to(tight)], &options())),
        [(ProblemKind::NoRoom, Some(0))]
    );
}

#[test]
fn names_are_checked_against_each_file_system() {
    let files = || {
        listing(&[
            ("a.JPG", 1),
            ("A.jpg", 1),
            ("caf\u{e9}.JPG", 1),
            ("cafe\u{301}.JPG", 1),
            ("b:c.JPG", 1),
        ])
    };
    assert!(
        kinds(plan(
            card(),
            files(),
            &[to(facts(1, "ext4", 1 << 30))],
            &options()
        ))
        .is_empty()
    );
    // Two names that look alike are told apart in words; two that do not look alike need none.
    let held = plan(
        card(),
        files(),
        &[to(facts(1, "exfat", 1 << 30))],
        &options(),
    )
    .unwrap();
    let told = held.unheld_problems();
    let alike: Vec<_> = told
        .iter()
        .map(|p| {
            (
                p.kind,
                p.detail.contains("written with other Unicode characters"),
            )
        })
        .collect();
    let name = ProblemKind::NameNotStorable;
    assert_eq!(
        alike,
        [(name, false), (name, false), (name, true)],
        "{told:?}"
    );
    assert_eq!(held.destinations[0].copy_files, 2);
    // FAT32 holds 2^32 - 1 bytes and not one more.
    let fat = |bytes| {
        let files = listing(&[("C0001.MP4", bytes), ("C0002.MP4", 7)]);
        kinds(plan(
            card(),
            files,
            &[to(facts(1, "vfat", 1 << 40))],
            &options(),
        ))
    };
    assert_eq!(fat(4_294_967_295), []);
    assert_eq!(
        fat(4_294_967_296),
        [(ProblemKind::TooLargeForFilesystem, Some(0))]
    );
}

/// Of two names that are one on a drive, the one that stands there stays.
#[test]
fn a_name_that_stands_is_not_taken_by_one_that_came_later() {
    let files = listing(&[("A.JPG", 1), ("a.jpg", 1)]);
    let mut there = to(facts(1, "exfat", 1 << 30));
    let of = |name: &str| {
        let mut one = there.clone();
        one.standing.records = Some(Records::default());
        let stat = Stat {
            kind: EntryKind::File,
            bytes: 1,
            modified: Stamp {
                seconds: 0,
                nanos: 0,
            },
            device: 1,
            inode: 1,
            changed: Stamp {
                seconds: 0,
                nanos: 0,
            },
        };
        one.standing.entries.insert(name.to_owned(), stat);
        unheld(
            &one,
            one.facts.as_ref().unwrap(),
            &files,
            &Shape {
                name: "K",
                also: AlsoSet::default(),
                layout: Layout::Plain,
                has_mhl: false,
                goes_on_with_mhl: false,
            },
        )
    };
    for (stands, out) in [("A.JPG", "a.jpg"), ("a.jpg", "A.JPG")] {
        let found = of(stands);
        let names: Vec<_> = found.keys().map(CardName::as_str).collect();
        assert_eq!(names, [out]);
    }
    there.standing = Standing::default();
}

#[test]
fn a_name_that_a_drive_cannot_store_is_left_out_there_and_told() {
    let files = listing(&[("DCIM/b:c.JPG", 7), ("DCIM/d.JPG", 5)]);
    let both = [
        to(facts(1, "exfat", 1 << 30)),
        to(facts(2, "ext4", 1 << 30)),
    ];
    let plan = plan(card(), files, &both, &options()).unwrap();
    let problems = plan.unheld_problems();
    let told: Vec<_> = problems
        .iter()
        .map(|p| (p.kind, p.path.as_deref(), p.destination))
        .collect();
    assert_eq!(
        told,
        [(ProblemKind::NameNotStorable, Some("DCIM/b:c.JPG"), Some(0))]
    );
    assert!(problems.iter().all(|p| p.blocking));
    let work: Vec<_> = plan
        .destinations
        .iter()
        .map(|d| (d.copy_files, d.copy_bytes))
        .collect();
    assert_eq!(work, [(1, 5), (2, 12)]);
}

#[test]
fn a_folder_of_a_volume_is_no_card_and_one_on_the_computers_disk_may_be_called_so() {
    let mut folder = facts(1, "exfat", 1 << 30);
    assert!(!folder.is_part_of_volume(), "the root of a mount");
    folder.shows_folder = true;
    assert!(
        folder.is_part_of_volume(),
        "a folder that is mounted elsewhere"
    );
    folder.shows_folder = false;
    folder.is_mount_root = false;
    folder.canonical = "/media/u/KITES/DCIM/100KITES".to_owned();
    folder.ancestors = vec![(1, 9), (1, 8), (1, 2), (0, 1)];
    assert!(folder.is_part_of_volume());
    assert_eq!(folder.volume_root(), "/media/u/KITES");
    // What goes with the card when that is formatted, and what is a part of it, is one notion.
    folder.inode = 9;
    let mut other = folder.clone();
    (other.inode, other.ancestors) = (10, vec![(1, 10), (1, 2), (0, 1)]);
    for filesystem in ["exfat", "ext4", "ntfs", "apfs"] {
        folder.filesystem = filesystem.to_owned();
        for place in ["/media/u/KITES/DCIM", "/mnt/kites/cards/KITES"] {
            folder.canonical = place.to_owned();
            for is_own in [false, true] {
                folder.is_own_volume = is_own;
                assert_eq!(folder.is_part_of_volume(), !is_own, "{place}");
                assert_eq!(other.goes_with(&folder).is_some(), !is_own, "{place}");
            }
        }
    }
}

#[test]
fn places_are_checked() {
    let files = || listing(&[("A.JPG", 1)]);
    let mut inside = facts(9, "exfat", 1 << 30);
    inside.inode = 50;
    assert_eq!(
        kinds(plan(card(), files(), &[to(inside)], &options())),
        [(ProblemKind::SameDevice, Some(0))]
    );
    let mut above = facts(1, "ext4", 1 << 30);
    above.inode = 2;
    let mut held = card();
    held.facts.ancestors = vec![(9, 2), (1, 2)];
    assert_eq!(
        kinds(plan(held, files(), &[to(above)], &options())),
        [(ProblemKind::NameClash, Some(0))]
    );
    // Only a folder of a card was given, and the destination is another folder of that card.
    let mut part = card();
    part.facts.is_mount_root = false;
    part.facts.inode = 60;
    let mut beside = facts(9, "exfat", 1 << 30);
    beside.inode = 61;
    let refused = [(ProblemKind::SameDevice, Some(0))];
    let told = plan(part.clone(), files(), &[to(beside.clone())], &options());
    assert_eq!(kinds(told), refused);
    // On the computer's own volume a folder may stand for a card, but for one whose volume is a
    // camera's.
    part.facts.is_own_volume = true;
    let told = plan(part.clone(), files(), &[to(beside.clone())], &options());
    assert!(told.is_ok(), "{told:?}");
    part.facts.is_camera_volume = true;
    let told = plan(part, files(), &[to(beside)], &options());
    assert_eq!(kinds(told), refused);
    let twice = [to(facts(1, "ext4", 1 << 30)), to(facts(1, "ext4", 1 << 30))];
    assert_eq!(
        kinds(plan(card(), files(), &twice, &options())),
        [(ProblemKind::SameDevice, Some(1))]
    );
    assert_eq!(
        kinds(plan(
            card(),
            listing(&[]),
            &[to(facts(1, "ext4", 1 << 30))],
            &options()
        ))[0]
            .0,
        ProblemKind::Unreadable
    );
    let own = listing(&[("_unlade", 1)]);
    assert_eq!(
        kinds(plan(
            card(),
            own,
            &[to(facts(1, "ext4", 1 << 30))],
            &options()
        )),
        [(ProblemKind::NameClash, None)]
    );
}

fn standing_with(records: Records, entries: &[(&str, u64)]) -> Standing {
    let stat = |bytes| Stat {
        kind: EntryKind::File,
        bytes,
        modified: Stamp {
            seconds: 1_700_000_000,
            nanos: 0,
        },
        device: 1,
        inode: 5,
        changed: DATE,
    };
    Standing {
        history: HistoryThere::None,
        bag_sums: HashMap::new(),
        checked: None,
        damage: CopyDamage::default(),
        entries: entries
            .iter()
            .map(|(p, b)| ((*p).to_owned(), stat(*b)))
            .collect(),
        exists: true,
        records: Some(records),
        damaged: None,
    }
}

fn proven(bytes: u64) -> ProvenEntry {
    ProvenEntry {
        also: AlsoHashes::default(),
        bytes,
        modified: Stamp {
            seconds: 1_700_000_000,
            nanos: 0,
        }
        .rfc3339()
        .into(),
        blake3: Digest::of(b"x"),
        way: ReadBackWay::Direct,
        read_s: 0.0,
        readback_s: 0.0,
        only_zeros: false,
    }
}

fn records(files: &[(&str, u64)]) -> Records {
    let date = Stamp {
        seconds: 1_700_000_000,
        nanos: 0,
    };
    let date: Arc<str> = date.rfc3339().into();
    Records {
        card_volume_id: Some("volume-9".into()),
        card_files: files
            .iter()
            .map(|(p, b)| ((*p).into(), (*b, Arc::clone(&date))))
            .collect(),
        proven: files
            .iter()
            .map(|(p, b)| ((*p).into(), Arc::new(proven(*b))))
            .collect(),
        ..Records::default()
    }
}

#[test]
fn only_what_was_read_back_is_kept() {
    let files = listing(&[("A.JPG", 10), ("B.JPG", 20), ("C.JPG", 30), ("D.JPG", 40)]);
    let mut earlier = records(&[("A.JPG", 10), ("B.JPG", 20), ("D.JPG", 40)]);
    Arc::get_mut(earlier.proven.get_mut("D.JPG").unwrap())
        .unwrap()
        .way = ReadBackWay::Cached;
    // B is journalled and gone; C stands there without a record; D was read from memory only.
    let mut candidate = to(facts(1, "ext4", 1 << 30));
    candidate.standing = standing_with(earlier, &[("A.JPG", 10), ("C.JPG", 30), ("D.JPG", 40)]);
    let plan = plan(card(), files, &[candidate], &options()).unwrap();
    let work: Vec<&Work> = plan.jobs.iter().map(|j| &j.work[0]).collect();
    assert!(matches!(work[0], Work::Keep(_)));
    assert_eq!(work[1..], [&Work::Copy, &Work::Check, &Work::Check]);
    let d = &plan.destinations[0];
    assert_eq!((d.kept_files, d.copy_files, d.check_files), (1, 1, 2));
}

#[test]
fn runs_that_kept_different_bytes_vouch_for_nothing() {
    let files = listing(&[("A.JPG", 10)]);
    let mut candidates = [to(facts(1, "ext4", 1 << 30)), to(facts(2, "ext4", 1 << 30))];
    for c in &mut candidates {
        c.standing = standing_with(records(&[("A.JPG", 10)]), &[("A.JPG", 10)]);
    }
    let r = candidates[1].standing.records.as_mut().unwrap();
    Arc::get_mut(r.proven.get_mut("A.JPG").unwrap())
        .unwrap()
        .blake3 = Digest::of(b"y");
    let plan = plan(card(), files, &candidates, &options()).unwrap();
    assert_eq!(plan.jobs[0].work[..], [Work::Check, Work::Check]);
    assert_eq!(
        (
            plan.destinations[0].kept_files,
            plan.destinations[0].check_files
        ),
        (0, 1)
    );
}

#[test]
fn another_card_or_a_foreign_folder_under_the_name_is_refused() {
    let files = || listing(&[("A.JPG", 10)]);
    let mut other = records(&[("A.JPG", 10)]);
    other.card_volume_id = Some("volume-of-another".into());
    let mut candidate = to(facts(1, "ext4", 1 << 30));
    candidate.standing = standing_with(other, &[("A.JPG", 10)]);
    assert_eq!(
        kinds(plan(card(), files(), &[candidate.clone()], &options())),
        [(ProblemKind::NameClash, Some(0))]
    );
    candidate.standing.records = None;
    assert_eq!(
        kinds(plan(card(), files(), &[candidate.clone()], &options())),
        [(ProblemKind::NameClash, Some(0))]
    );
    candidate.standing.damaged = Some(RecordsError::NoFolder(".unlade").into());
    let told = kinds(plan(card(), files(), &[candidate], &options()));
    assert!(
        told.contains(&(ProblemKind::ManifestDamaged, Some(0))),
        "{told:?}"
    );
}

#[test]
fn a_card_without_identity_is_known_by_what_it_holds() {
    let mut nameless = card();
    nameless.facts.volume_id = None;
    let now = listing(&[("A.JPG", 10), ("B.JPG", 20)]);
    let mut then = records(&[("A.JPG", 10)]);
    assert!(may_go_on(&then, &nameless, &now), "more shots since");
    then.card_files.insert("B.JPG".into(), (21, "".into()));
    assert!(!may_go_on(&then, &nameless, &now), "a conflict");
    assert!(
        !may_go_on(&records(&[("Z.JPG", 1)]), &nameless, &now),
        "nothing in common"
    );
}

#[test]
fn a_swapped_drive_is_refused_on_resume() {
    let mut then = records(&[("A.JPG", 10)]);
    let mut other = identity(&facts(2, "ext4", 0));
    other.volume_id = Some("the right drive".into());
    then.destinations = vec![identity(&facts(1, "ext4", 0)), other];
    let mut a = to(facts(1, "ext4", 1 << 30));
    a.standing = standing_with(then, &[("A.JPG", 10)]);
    let told = kinds(plan(
        card(),
        listing(&[("A.JPG", 10)]),
        &[a, to(facts(2, "ext4", 1 << 30))],
        &options(),
    ));
    // Both destinations have records to go by only on the first; the second is told.
    assert!(told.contains(&(ProblemKind::Vanished, Some(1))), "{told:?}");
}

#[test]
fn device_names_are_copied_and_told() {
    let files = || listing(&[("MISC/NUL.TXT", 1), ("MISC/CONTENTS.TXT", 1)]);
    let drives = |fs| [to(facts(1, fs, 1 << 30)), to(facts(2, "ext4", 1 << 30))];
    let told = plan(card(), files(), &drives("exfat"), &options()).unwrap();
    assert!(told.notes[0].contains("`MISC/NUL.TXT`"), "{:?}", told.notes);
    assert!(!told.notes[0].contains("CONTENTS"));
    assert!(
        plan(card(), files(), &drives("ext4"), &options())
            .unwrap()
            .notes
            .is_empty()
    );
}

#[test]
fn one_disk_is_told_before_the_copy() {
    let mut second = facts(2, "ext4", 1 << 30);
    second.backing = Backing::Disks(BTreeSet::from(["sd1".to_owned()]));
    let plan = plan(
        card(),
        listing(&[("A.JPG", 1)]),
        &[to(facts(1, "ext4", 1 << 30)), to(second)],
        &options(),
    )
    .unwrap();
    assert!(
        plan.notes[0].contains("will not be PROVEN"),
        "{:?}",
        plan.notes
    );
    assert!(
        plan.notes[1].contains("one physical disk"),
        "{:?}",
        plan.notes
    );
}

// ---- only what is new -------------------------------------------------------------------------

const DATE: Stamp = Stamp {
    seconds: 1_700_000_000,
    nanos: 0,
};

fn further(n: u8) -> AlsoHashes {
    let mut also = AlsoHashes::default();
    assert!(also.insert(Also::Xxh64, &format!("{n:016x}")));
    also
}

/// An earlier offload of the card that holds `A.JPG` proven, on the drive with this number.
fn earlier_on(device: u64) -> EarlierOffload {
    let file = crate::existing::earlier::EarlierFile {
        bytes: 10,
        modified: DATE,
        blake3: Digest::of(b"x"),
        also: further(1),
        only_zeros: false,
        read_s: 0.0,
        read_back: Some((ReadBackWay::Direct, 0.0)),
        is_here: true,
        is_doubted: false,
    };
    let stands = Stat {
        kind: EntryKind::File,
        bytes: 10,
        modified: DATE,
        device,
        inode: 5,
        changed: DATE,
    };
    EarlierOffload {
        within: "KITES".into(),
        root: format!("/media/{device}/KITES").into(),
        tree: format!("/media/{device}/KITES").into(),
        finished: "2026-11-25T09:00:00Z".into(),
        card_volume_id: Some("volume-9".into()),
        card_path: "/media/elsewhere".into(),
        files: HashMap::from([("A.JPG".into(), file)]),
        entries: HashMap::from([("A.JPG".into(), stands)]),
        confirmed: Some(Shift::default()),
        drive_confirmed: None,
        sampled: BTreeSet::new(),
    }
}

/// The work for `A.JPG` when only what is new is copied to two drives, each with such an offload,
/// after a change to the one on the second.
fn left_after(change: impl FnOnce(&mut EarlierOffload)) -> Vec<Work> {
    let mut candidates = [to(facts(1, "ext4", 1 << 30)), to(facts(2, "ext4", 1 << 30))];
    candidates[0].earlier = vec![earlier_on(1)];
    let mut second = earlier_on(2);
    change(&mut second);
    candidates[1].earlier = vec![second];
    let options = PlanOptions {
        only_new: true,
        ..options()
    };
    let plan = plan(card(), listing(&[("A.JPG", 10)]), &candidates, &options).unwrap();
    let left = u64::from(plan.jobs[0].is_left());
    assert_eq!(plan.only_new.as_ref().map(|o| o.left_files), Some(left));
    assert_eq!(plan.to_read().0, 1 - left);
    plan.jobs[0].work.to_vec()
}

type Change<'a> = Box<dyn FnOnce(&mut EarlierOffload) + 'a>;

#[test]
fn a_file_is_left_only_if_every_drive_vouches_for_it() {
    let file = |o: &mut EarlierOffload, change: fn(&mut crate::existing::earlier::EarlierFile)| {
        change(o.files.get_mut("A.JPG").unwrap());
    };
    let stat = |o: &mut EarlierOffload, change: fn(&mut Stat)| {
        change(o.entries.get_mut("A.JPG").unwrap());
    };
    let left = left_after(|_| {});
    assert!(left.iter().all(|w| matches!(w, Work::Left(_))), "{left:?}");
    let changes: Vec<(&str, Change<'_>)> = vec![
        (
            "another card",
            Box::new(|o| o.card_volume_id = Some("volume-8".into())),
        ),
        (
            "a card without identity then",
            Box::new(|o| o.card_volume_id = None),
        ),
        (
            "not borne out by the card",
            Box::new(|o| o.confirmed = None),
        ),
        (
            "borne out with other dates",
            Box::new(|o| o.confirmed = Some(Shift { seconds: 3_600 })),
        ),
        (
            "another hash",
            Box::new(|o| file(o, |f| f.blake3 = Digest::of(b"y"))),
        ),
        ("other also", Box::new(|o| file(o, |f| f.also = further(2)))),
        ("doubted", Box::new(|o| file(o, |f| f.is_doubted = true))),
        (
            "lies elsewhere",
            Box::new(|o| file(o, |f| f.is_here = false)),
        ),
        (
            "not read back",
            Box::new(|o| file(o, |f| f.read_back = None)),
        ),
        (
            "read back from memory",
            Box::new(|o| file(o, |f| f.read_back = Some((ReadBackWay::Cached, 0.0)))),
        ),
        ("another size then", Box::new(|o| file(o, |f| f.bytes = 11))),
        (
            "another date then",
            Box::new(|o| file(o, |f| f.modified.seconds += 60)),
        ),
        ("not listed", Box::new(|o| o.files.clear())),
        ("gone", Box::new(|o| o.entries.clear())),
        (
            "a folder now",
            Box::new(|o| stat(o, |s| s.kind = EntryKind::Folder)),
        ),
        ("another size now", Box::new(|o| stat(o, |s| s.bytes = 11))),
        (
            "another date now",
            Box::new(|o| stat(o, |s| s.modified.seconds += 60)),
        ),
        (
            "on a drive mounted inside",
            Box::new(|o| stat(o, |s| s.device = 7)),
        ),
    ];
    for (name, change) in changes {
        assert_eq!(left_after(change), [Work::Copy, Work::Copy], "{name}");
    }
}

#[test]
fn what_stands_in_the_new_offload_is_not_left() {
    let mut candidates = [to(facts(1, "ext4", 1 << 30)), to(facts(2, "ext4", 1 << 30))];
    candidates[0].earlier = vec![earlier_on(1)];
    candidates[1].earlier = vec![earlier_on(2)];
    candidates[0].standing = standing_with(records(&[("A.JPG", 10)]), &[("A.JPG", 10)]);
    let options = PlanOptions {
        only_new: true,
        ..options()
    };
    let plan = plan(card(), listing(&[("A.JPG", 10)]), &candidates, &options).unwrap();
    assert!(matches!(plan.jobs[0].work[0], Work::Keep(_)));
    assert_eq!(plan.jobs[0].work[1], Work::Copy);
}

#[test]
fn left_files_need_no_room() {
    let tight = || facts(1, "ext4", 400_000);
    let mut big = earlier_on(1);
    big.files.get_mut("A.JPG").unwrap().bytes = 5_000_000;
    big.entries.get_mut("A.JPG").unwrap().bytes = 5_000_000;
    let files = || listing(&[("A.JPG", 5_000_000), ("B.JPG", 9_000)]);
    let mut candidate = to(tight());
    candidate.earlier = vec![big];
    let only_new = PlanOptions {
        only_new: true,
        ..options()
    };
    let got = plan(card(), files(), std::slice::from_ref(&candidate), &only_new).unwrap();
    let d = &got.destinations[0];
    assert_eq!(
        (d.left_files, d.left_bytes, d.copy_files),
        (1, 5_000_000, 1)
    );
    assert_eq!(
        kinds(plan(card(), files(), &[candidate], &options())),
        [(ProblemKind::NoRoom, Some(0))]
    );
}

/// A camera formats the whole device. An image file on a disk is not the disk, and of a folder that
/// merely stands for a card nothing else is formatted.
#[test]
fn another_partition_of_the_cards_own_device_is_refused() {
    let refused = |card: &CardFacts, to_disks: &[&str]| {
        let names = to_disks.iter().map(|&n| n.to_owned()).collect();
        let destination = FolderFacts {
            backing: Backing::Disks(names),
            ..facts(7, "ext4", 1 << 40)
        };
        destination.goes_with(&card.facts)
    };
    let mut reader = card();
    reader.facts.backing = Backing::Disks(BTreeSet::from(["sdk".to_owned()]));
    reader.facts.own_disk = Some("sdk".to_owned());
    assert!(refused(&reader, &["sdk"]).is_some());
    assert!(refused(&reader, &["sdk", "sdl"]).is_some(), "half of it");
    assert_eq!(refused(&reader, &["sdl"]), None);
    let mut image = reader.clone();
    image.facts.own_disk = None;
    assert_eq!(refused(&image, &["sdk"]), None);
    let mut folder = reader.clone();
    folder.facts.is_mount_root = false;
    assert!(refused(&folder, &["sdk"]).is_some(), "a part of a card");
    folder.facts.is_own_volume = true;
    assert_eq!(refused(&folder, &["sdk"]), None);
    folder.facts.is_camera_volume = true;
    assert!(refused(&folder, &["sdk"]).is_some());

    let mut on_card = to(facts(7, "ext4", 1 << 40));
    let there = on_card.facts.as_mut().unwrap();
    there.backing = reader.facts.backing.clone();
    let fine = to(facts(8, "ext4", 1 << 40));
    let files = listing(&[("A.JPG", 5)]);
    let told = kinds(plan(reader, files, &[fine, on_card], &options()));
    assert_eq!(told, [(ProblemKind::SameDevice, Some(1))]);
}

/// Factory images and clones give drives one identity; what the drives say of themselves can tell
/// them apart.
#[test]
fn one_identity_on_two_devices_is_a_doubt() {
    let on = |device: u64, hardware: Option<&str>| {
        let mut there = facts(device, "exfat", 1 << 40);
        there.volume_id = Some("5C1E-90AB".to_owned());
        there.hardware = hardware.map(str::to_owned);
        spot(there)
    };
    let copies = |second: Spot, separate: bool| {
        let mut all = [on(1, Some("usb 1d6b:0104 KITE-1")), second];
        doubt_twins(&mut all);
        let all = all.map(candidate);
        let options = PlanOptions {
            terms: Terms {
                separate,
                ..options().terms
            },
            ..options()
        };
        let files = listing(&[("A.JPG", 5)]);
        let plan = plan(card(), files, &all, &options).unwrap();
        plan.notes.join(" ")
    };
    let told = copies(on(2, None), false);
    assert!(told.contains("1 separate drive"), "{told}");
    assert!(told.contains("same identity as"), "{told}");
    assert!(!copies(on(2, None), true).contains("independent"));
    let other = on(2, Some("usb 1d6b:0104 KITE-2"));
    assert_eq!(copies(other, false), "");
}

/// Said before the first byte, for each drive that it is so of.
#[test]
fn a_drive_that_only_memory_answers_for_is_told_in_the_plan() {
    let mut first = to(facts(1, "fuseblk", 1 << 40));
    first.facts.as_mut().unwrap().only_from_memory = Some("not allowed".to_owned());
    let second = to(facts(2, "ext4", 1 << 40));
    let files = listing(&[("A.JPG", 5)]);
    let plan = plan(card(), files, &[first, second], &options()).unwrap();
    let notes = plan.notes.join(" ");
    assert_eq!(notes.matches("will not count").count(), 1, "{notes}");
    assert!(notes.contains("not allowed"), "{notes}");
}

#[test]
fn whether_an_unknown_kind_holds_large_files_is_to_be_tried() {
    let large = || listing(&[("A.MOV", 1 << 32), ("B.MOV", 5)]);
    let told = |filesystem: &str, files: Listing| {
        let plan = plan(
            card(),
            files,
            &[to(facts(1, filesystem, 1 << 40))],
            &options(),
        )
        .unwrap();
        let says = plan.notes.join(" ").contains("4 GiB and more");
        let size = plan.destinations[0].size_to_try(0, &plan.jobs);
        assert_eq!(says, size.is_some(), "{filesystem}");
        size
    };
    assert_eq!(told("fuse.some", large()), Some(1 << 32));
    assert_eq!(told("cifs", large()), Some(1 << 32));
    assert_eq!(told("ext4", large()), None);
    assert_eq!(told("fuse.some", listing(&[("B.MOV", 5)])), None);
}

#[test]
fn drives_that_count_as_one_are_named_together() {
    let on_disk = |a, b| IndependenceReason::SameDisk {
        a,
        b,
        disk: "sdb".to_owned(),
    };
    let of_one = |a, b| IndependenceReason::SameFileSystem { a, b };
    let reasons = [of_one(0, 1), of_one(0, 3), of_one(1, 3), on_disk(2, 4)];
    let names = ["A", "B", "C", "D", "E"].map(str::to_owned);
    assert_eq!(
        device_reasons(&reasons, &names),
        [
            "A, B and D are on one file system: they count as one.",
            "C and E are on one physical disk (sdb): they count as one.",
        ]
    );
}
