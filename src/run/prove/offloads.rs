//! Owns the look at the offloads that a question goes by: what stands in each, whether its manifest
//! can be trusted, and whether two of them are one drive.

use crate::clock::Clock;
use crate::disk::backing::Backing;
use crate::disk::progress::Progress;
use crate::disk::{Disk, EntryKind, FolderFacts, Settling, Sights, TreeKind, WalkEntry};
use crate::error::{ProblemKind, Step, failed};
use crate::existing::search::destination_of;
use crate::name::shown;
use crate::proof::coverage::{FoundOffload, ReadFiles, Reread, SizeAndDate, Unusable};
use crate::record::damage::{CheckedCopy, CopyDamage, KnownDamage};
use crate::record::layout::{Layout, RECORDS};
use crate::record::load::load;
use crate::record::manifest::{MANIFEST, MANIFEST_HASH, Manifest};
use crate::verify::{Finding, path_of, verify};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{HashMap, HashSet};
use std::io;

/// What the offloads of one card are looked at with.
pub(super) struct Search<'a> {
    pub(super) disk: &'a dyn Disk,
    pub(super) clock: &'a dyn Clock,
    pub(super) progress: &'a Progress,
    pub(super) card: &'a FolderFacts,
    /// Every copy is read again.
    pub(super) reread: bool,
    /// What earlier checks found damaged.
    pub(super) damage: &'a KnownDamage,
}

/// Offloads that were looked at.
pub(super) struct LookedAt {
    /// By device and inode of each.
    pub(super) seen: HashMap<(u64, u64), String>,
    pub(super) offloads: Vec<FoundOffload>,
    /// What is to be noted.
    pub(super) doubts: Vec<String>,
    /// What the system says of their folders.
    pub(super) places: Vec<FolderFacts>,
}

/// Looks at every offload; the same one through two of the given folders is one. `beside` are other
/// folders that are looked at.
pub(super) fn look_at_offloads(
    search: &Search<'_>,
    roots: Vec<Utf8PathBuf>,
    beside: &[FolderFacts],
) -> LookedAt {
    let mut seen = HashMap::new();
    let (mut offloads, mut places) = (Vec::new(), Vec::new());
    for root in roots {
        let (found, there) = look_at_offload(search, &root);
        let place = (found.device, there.as_ref().map_or(0, |f| f.inode));
        if there.is_none() || !seen.contains_key(&place) {
            seen.insert(place, found.root.clone());
            offloads.push(found);
            places.push(there);
        }
    }
    let doubts = doubt_twins(search, &places, beside, &mut offloads);
    LookedAt {
        seen,
        offloads,
        doubts,
        places: places.into_iter().flatten().collect(),
    }
}

/// Names and sizes are answered from memory, and what an earlier version left there is not yet on a
/// FAT or NTFS drive.
fn settled(disk: &dyn Disk, root: &Utf8Path, facts: &FolderFacts) -> io::Result<()> {
    match disk.settling(root)? {
        Settling::Whole if !facts.read_only => disk.settle_in(root, &[]),
        _ => Ok(()),
    }
}

/// Two volumes with one identity are a drive and its clone, or one drive seen twice: of neither is
/// it known that it is the one that was read back. Looks at the other offloads, and at what is
/// mounted where a copy was made; returns what to tell.
fn doubt_twins(
    search: &Search<'_>,
    places: &[Option<FolderFacts>],
    beside: &[FolderFacts],
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
        let made_in = made_in.and_then(|d| search.disk.facts(Utf8Path::new(&d.path)).ok());
        let others = places.iter().flatten().chain(beside).chain(&made_in);
        let Some(twin) = others.into_iter().find(|other| facts.is_twin_of(other)) else {
            continue;
        };
        let what_next = if search.reread {
            "what is said of them is what was read now"
        } else {
            "read them again with --reread"
        };
        doubts.push(format!(
            "The drives of `{}` and `{}` have one identity: a drive and its clone, or one drive \
             seen twice. Which of them was read back is not known; {what_next}.",
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
fn look_at_offload(search: &Search<'_>, root: &Utf8Path) -> (FoundOffload, Option<FolderFacts>) {
    let disk = search.disk;
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
        copy: None,
        damage: CopyDamage::default(),
        read: ReadFiles::new(),
        at_place: None,
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
        Ok(()) => manifest_of(search, root, &facts),
        Err(e) => Err(not_seen("its folder", Step::Look, e)),
    };
    if let Ok(manifest) = &found.manifest {
        found.here = destination_of(disk, manifest, root);
        found.copy = manifest.own_b3.map(|b3| CheckedCopy::of(b3, &facts));
        let damage = found.copy.as_ref().map(|copy| search.damage.of(copy));
        found.damage = damage.unwrap_or_default();
        let layout = manifest.offload.layout;
        match walk_own(disk, root) {
            Ok(entries) => {
                found.sights = Sights::of(&entries, &facts.filesystem);
                note_standing(&mut found, layout, entries);
            }
            Err(why) => found.manifest = Err(why),
        }
    }
    if search.reread && found.manifest.is_ok() {
        read_again(search, root, &mut found);
    }
    (found, Some(facts))
}

/// Notes what stands in an offload.
fn note_standing(found: &mut FoundOffload, layout: Layout, entries: Vec<WalkEntry>) {
    for entry in entries {
        let Some(path) = entry.path.to_str().and_then(|p| layout.inside(p)) else {
            continue;
        };
        match entry.stat {
            Ok(s) if s.kind == EntryKind::File => {
                let stands = SizeAndDate {
                    bytes: s.bytes,
                    modified: s.modified,
                    changed: s.changed,
                };
                found.standing.insert(path.to_owned(), stands);
            }
            Ok(_) => {}
            Err(e) => {
                let why = Step::Look.refused()(e);
                found.unseen.insert(path.to_owned(), why.into());
            }
        }
    }
}

/// Looks at the offloads once more when all was read: that takes its time, and meanwhile a drive
/// may have been taken away, or somebody may have written to it.
pub(super) fn look_again(disk: &dyn Disk, offloads: &mut [FoundOffload]) {
    for found in offloads {
        look_at_one_again(disk, found);
    }
}

fn look_at_one_again(disk: &dyn Disk, found: &mut FoundOffload) {
    if found.manifest.is_err() || found.at_place.is_some() {
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
                "`{}` in it was changed or removed while it was looked at; ask again when nobody \
                 is at work there",
                shown(&path)
            );
            found.manifest = Err(Unusable::new(ProblemKind::Changed, why));
        }
        Err(why) => found.manifest = Err(why),
    }
}

pub(super) fn is_its_drive(found: &FoundOffload, now: &FolderFacts) -> bool {
    (found.device, &found.volume_id) == (now.device, &now.volume_id)
}

/// What could not be looked at or read is not known to be bad.
pub(super) fn not_seen(what: &str, step: Step, cause: &io::Error) -> Unusable {
    Unusable::new(
        ProblemKind::Unreadable,
        format!("{what} {}", failed(step, cause)),
    )
}

/// Walks an offload; one that something is mounted in is none that counts.
fn walk_own(disk: &dyn Disk, root: &Utf8Path) -> Result<Vec<WalkEntry>, Unusable> {
    let walked = disk.walk(root, TreeKind::Card);
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
    search: &Search<'_>,
    root: &Utf8Path,
    facts: &FolderFacts,
) -> Result<Manifest, Unusable> {
    let disk = search.disk;
    // What is formatted with the card is no copy of it.
    if let Some(why) = facts.goes_with(search.card) {
        return Err(Unusable::new(ProblemKind::SameDevice, format!("it {why}")));
    }
    let records = root.join(RECORDS);
    let unfinished = "it is not finished; run the same copy again";
    let standing = |path: &Utf8Path, what: &str| match disk.look(path) {
        Ok(found) => {
            found.ok_or_else(|| Unusable::new(ProblemKind::Missing, unfinished.to_owned()))
        }
        Err(e) => Err(not_seen(what, Step::Look, &e)),
    };
    let what = match standing(&records, "its folder `_unlade`")?.kind {
        EntryKind::Folder => None,
        EntryKind::Link => Some("a symbolic link, which is not followed"),
        _ => Some("not a folder"),
    };
    if let Some(what) = what {
        let why = format!(
            "`{RECORDS}` in it is {what}; move that out of there, and put its own folder \
             in its place"
        );
        return Err(Unusable::new(ProblemKind::ManifestDamaged, why));
    }
    standing(&records.join(MANIFEST), "its manifest")?;
    match load(disk, root) {
        Ok((manifest, true)) => Ok(manifest),
        Ok((_, false)) => Err(Unusable::new(
            ProblemKind::ManifestDamaged,
            format!("the manifest cannot be checked: its hash, `{MANIFEST_HASH}`, is missing"),
        )),
        Err(e) => Err(Unusable::new(e.kind(), e.to_string())),
    }
}

fn read_again(search: &Search<'_>, root: &Utf8Path, found: &mut FoundOffload) {
    match verify(
        search.disk,
        search.clock,
        root,
        search.progress,
        crate::report::page::page,
    ) {
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
                note: findings.note(search.clock.now()),
                stopped: findings.interrupted,
            });
        }
        Err(e) => found.manifest = Err(Unusable::new(e.kind(), e.to_string())),
    }
}
