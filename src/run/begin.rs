//! Owns the beginning of a copy: card and drives are held, what cannot be known is tried, and on
//! every destination the folders, the claim and the journal are made; all of it is undone when one
//! refuses.

use crate::disk::backing::Backing;
use crate::disk::{Anchor, Claim, Disk, Settling, explained, write_problem};
use crate::error::{Cause, Error, FailedStep, Problem, ProblemKind, Step, failed, gone};
use crate::existing::at_work::bytes_to_come;
use crate::name::{part_name, shown};
use crate::offload::{Context, Started, left_behind};
use crate::plan::check::check_room;
use crate::plan::{Plan, PlannedDestination, Refusal, Work};
use crate::record::journal::{JOURNAL, JOURNAL_FORMAT, JOURNAL_VERSION, JournalHead, JournalLine};
use crate::record::layout::{Layout, RECORDS};
use crate::record::media_hash_list::{HistoryError, is_of_history, load_history};
use crate::record::store;
use crate::units::size;
use camino::{Utf8Path, Utf8PathBuf};
use std::io;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use super::job::Tools;

/// So long what was stopped before is waited for, where it did not answer then.
const LEFT_BEHIND_PATIENCE: Duration = Duration::from_secs(30);

/// Holds the card and every destination until the job ends.
pub(super) fn hold_all(plan: &Plan, tools: &Tools) -> Result<Vec<Anchor>, Refusal> {
    let lost = |what: &str, e: io::Error| {
        let is_gone = matches!(
            e.kind(),
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
        );
        if is_gone {
            return gone(what, &e);
        }
        let why = format!("the {what} {}", failed(Step::Look, &e));
        Problem::new(ProblemKind::WriteFailed, why).because(Cause::of(&e))
    };
    let card = &plan.card;
    let held = tools.disk.anchor(&card.given, &card.facts);
    let mut all = vec![held.map_err(|e| lost(plan.source_word(), e))];
    for (root, facts) in plan.original().iter().flat_map(|o| &o.beside) {
        let held = tools.disk.anchor(root, facts);
        all.push(held.map_err(|e| lost("earlier offload beside it", e)));
    }
    for (index, d) in plan.destinations.iter().enumerate() {
        let held = tools.disk.anchor(&d.given, &d.facts);
        all.push(held.map_err(|e| lost("destination", e).on(index)));
    }
    let (held, lost): (Vec<_>, Vec<_>) = all.into_iter().partition(Result::is_ok);
    let reasons: Vec<_> = lost.into_iter().filter_map(Result::err).collect();
    if reasons.is_empty() {
        return Ok(held.into_iter().flatten().collect());
    }
    Err(Refusal { reasons })
}

/// Finds out before the first byte whether a drive of an unknown kind can hold the largest file.
/// Another refusal than that of the size is left to the copy itself.
pub(super) fn try_sizes(plan: &Plan, tools: &Tools) -> Result<(), Refusal> {
    let refused = |(index, d): (usize, &PlannedDestination)| {
        let bytes = d.size_to_try(index, &plan.jobs)?;
        let tried = tools.disk.try_size(&d.given, bytes);
        tried
            .is_err_and(|e| e.kind() == io::ErrorKind::FileTooLarge)
            .then(|| {
                let why = format!(
                    "`{}` cannot hold a file of {}; it took none when that was tried",
                    shown(d.given.as_str()),
                    size(bytes)
                );
                Problem::new(ProblemKind::TooLargeForFilesystem, why).on(index)
            })
    };
    let all = plan.destinations.iter().enumerate();
    let reasons: Vec<_> = all.filter_map(refused).collect();
    if reasons.is_empty() {
        return Ok(());
    }
    Err(Refusal { reasons })
}

/// Finds out whether two destinations that the system cannot tell apart are one folder: what is
/// made in one is then in the other. Nobody's word that they are separate makes two of it. What
/// cannot be tried fails in the copy itself.
pub(super) fn seen_once(plan: &Plan, tools: &Tools) -> Result<(), Refusal> {
    let disk = tools.disk.as_ref();
    let is_unknown = |d: &&PlannedDestination| matches!(d.facts.backing, Backing::Unknown { .. });
    let mark = part_name(&format!("seen-{}", tools.clock.now().as_nanosecond()));
    let all: Vec<_> = plan.destinations.iter().filter(is_unknown).collect();
    for (index, first) in all.iter().enumerate() {
        let here = first.given.join(&mark);
        let others = all.get(index + 1..).unwrap_or_default();
        if others.is_empty() || disk.create_part(&here, false).is_err() {
            continue;
        }
        let twice = others
            .iter()
            .find(|other| matches!(disk.look(&other.given.join(&mark)), Ok(Some(_))));
        let removed = disk.remove_own(&here);
        let mut reasons = Vec::new();
        if let Some(other) = twice {
            let why = format!(
                "`{}` and `{}` are one drive, seen in two places",
                shown(first.given.as_str()),
                shown(other.given.as_str())
            );
            reasons.push(Problem::new(ProblemKind::SameDevice, why));
        }
        if let Err(e) = removed {
            let here = shown(here.as_str());
            let why = format!("`{here}` was made and could not be removed again: {e}");
            reasons.push(Problem::new(ProblemKind::WriteFailed, why));
        }
        if !reasons.is_empty() {
            return Err(Refusal { reasons });
        }
    }
    Ok(())
}

/// Starts all threads, which wait, and then begins on every destination: a thread that cannot be
/// started must not leave folders behind.
pub(super) fn start(
    context: &Arc<Context>,
    tools: &Tools,
    started: &str,
    is_begun: bool,
) -> Result<(Started, Vec<Claim>), Refusal> {
    let threads = crate::offload::start(context).map_err(|e| Refusal {
        reasons: vec![
            Problem::new(
                ProblemKind::WriteFailed,
                format!("this computer lets no further thread be started: {e}"),
            )
            .because(Cause::NoThreads),
        ],
    })?;
    await_left_behind(&context.plan, tools);
    // Held until all is written down: another run would take this one's parts for left ones.
    let claims = if is_begun {
        begin(&context.plan, tools, started)?
    } else {
        claim_all(&context.plan, tools)?
    };
    Ok((threads, claims))
}

/// Waits for what was stopped here before and may still end.
fn await_left_behind(plan: &Plan, tools: &Tools) {
    let until = tools.clock.elapsed() + LEFT_BEHIND_PATIENCE;
    while left_behind::work_on(plan)
        && tools.clock.elapsed() < until
        && !tools.cancel.load(Ordering::Relaxed)
    {
        tools.clock.sleep(Duration::from_millis(50));
    }
}

/// Makes the offload's folder, the records folder and the journal on every destination; undoes all
/// of it when one refuses.
fn begin(plan: &Plan, tools: &Tools, started: &str) -> Result<Vec<Claim>, Refusal> {
    let mut made = Vec::new();
    let mut claims = Vec::new();
    let mut reasons = Vec::new();
    for (index, destination) in plan.destinations.iter().enumerate() {
        let begun = make_folders(tools.disk.as_ref(), destination, &mut made).and_then(|()| {
            let claim = tools.disk.claim(&destination.root.join(RECORDS));
            // Held also where what follows fails: what was made is taken away under it.
            claims.push(claim.map_err(Step::Look.refused())?);
            begin_one(plan, destination, tools, started, index, &mut made)
        });
        if let Err(failed) = begun {
            let problem = explained(tools.disk.as_ref(), &destination.given, not_begun(failed));
            reasons.push(problem.at(plan.name.clone()).on(index));
        }
    }
    if reasons.is_empty() {
        room_again(plan, tools, &mut reasons);
    }
    if reasons.is_empty() {
        return Ok(claims);
    }
    undo(made, claims, tools, &mut reasons);
    Err(Refusal { reasons })
}

/// Takes away what was made. The claims are held meanwhile: another run that got one would have its
/// journal removed.
fn undo(made: Vec<Made>, claims: Vec<Claim>, tools: &Tools, reasons: &mut Vec<Problem>) {
    let disk = tools.disk.as_ref();
    let mut left = |path: &Utf8Path, undone: io::Result<()>| {
        // What another run has put there since stays.
        if let Err(e) = undone
            && e.kind() != io::ErrorKind::DirectoryNotEmpty
        {
            let why = format!("`{path}` was made and could not be removed again: {e}");
            reasons.push(Problem::new(ProblemKind::WriteFailed, why));
        }
    };
    let mut folders = Vec::new();
    for made in made.into_iter().rev() {
        match made {
            Made::Journal(path) => left(&path, disk.remove_own(&path)),
            Made::Folder(path) => folders.push(path),
        }
    }
    // On Windows a claim is a file in the folder, and a folder with nothing else in it is anyone's.
    let claims = (!cfg!(windows)).then_some(claims);
    for path in folders {
        left(&path, disk.remove_empty_folder(&path));
    }
    drop(claims);
}

/// Looks once more what other runs have yet to write: one that was planned at the same time could
/// not be seen then. By now both have a journal, so that at least the later one sees the other.
fn room_again(plan: &Plan, tools: &Tools, reasons: &mut Vec<Problem>) {
    let disk = tools.disk.as_ref();
    let mut rooms = plan.rooms();
    let mut is_more = false;
    for (room, d) in rooms.iter_mut().zip(&plan.destinations) {
        let now = match disk.facts(&d.given) {
            Ok(now) => now,
            Err(e) => {
                reasons.push(gone("drive", &e).on(room.index));
                continue;
            }
        };
        let others = bytes_to_come(disk, &now, &plan.name);
        is_more |= others > room.others;
        (room.free, room.others) = (now.free_bytes, others);
    }
    if is_more {
        check_room(&rooms, reasons);
    }
}

/// Claims the records of an offload that stands already.
fn claim_all(plan: &Plan, tools: &Tools) -> Result<Vec<Claim>, Refusal> {
    let mut claims = Vec::new();
    for (index, destination) in plan.destinations.iter().enumerate() {
        match tools.disk.claim(&destination.root.join(RECORDS)) {
            Ok(claim) => claims.push(claim),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                let reason = not_begun(Step::Look.refused()(e))
                    .at(plan.name.clone())
                    .on(index);
                return Err(Refusal {
                    reasons: vec![reason],
                });
            }
            // What is wrong with it is told when it is used.
            Err(_) => {}
        }
    }
    Ok(claims)
}

/// Why an offload could not be begun on a destination.
fn not_begun(FailedStep { step, cause }: FailedStep) -> Problem {
    if cause.kind() == io::ErrorKind::WouldBlock {
        let why = "another copy into this offload is going on";
        return Problem::new(ProblemKind::NameClash, why).because(Cause::AtWork);
    }
    write_problem(step, &cause)
}

/// Ends a media hash list that a run before was about to go on with; what is the card's own of that
/// name is a file as any other.
fn end_begun_history(plan: &Plan, disk: &dyn Disk, root: &Utf8Path) -> Result<(), FailedStep> {
    if plan.layout != Layout::Plain || plan.listing.files().any(|f| is_of_history(f.name.as_str()))
    {
        return Ok(());
    }
    // What cannot be relied on is told when it is to be gone on with.
    match load_history(disk, root) {
        Ok(Some(standing)) => store::end_begun_history(disk, root, &standing),
        Err(HistoryError::Io(Error { step, cause, .. })) => Err(FailedStep { step, cause }),
        Ok(None) | Err(_) => Ok(()),
    }
}

pub(super) enum Made {
    Folder(Utf8PathBuf),
    Journal(Utf8PathBuf),
}

pub(super) fn begin_one(
    plan: &Plan,
    destination: &PlannedDestination,
    tools: &Tools,
    started: &str,
    index: usize,
    made: &mut Vec<Made>,
) -> Result<(), FailedStep> {
    let (disk, root) = (tools.disk.as_ref(), &destination.root);
    let records = root.join(RECORDS);
    let path = records.join(JOURNAL);
    let is_new = disk.look(&path).map_err(Step::Look.refused())?.is_none();
    end_begun_history(plan, disk, root)?;
    // Before anything new takes room. A FAT drive that was pulled may show as free what a part lies
    // in: its removal later would give away what the journal has got by then. One that stays is
    // removed, or told, by its drive.
    let has_habits = Settling::of(&destination.facts.filesystem) == Settling::Whole;
    for stale in destination.stale_parts.iter().filter(|_| has_habits) {
        drop(disk.remove_own(&stale.under(&destination.payload)));
    }
    let mut lines = Vec::new();
    let identity = plan.recorded_card();
    let head = JournalHead {
        layout: plan.layout,
        fills_to: Some(
            destination
                .stands_bytes
                .saturating_add(destination.needs_bytes),
        ),
        journal: JOURNAL_FORMAT.to_owned(),
        version: JOURNAL_VERSION,
        offload: plan.name.clone(),
        started: started.to_owned(),
        card_path: identity.path,
        card_volume_id: identity.volume_id,
        listing_b3: identity.listing_b3,
        destinations: plan
            .destinations
            .iter()
            .map(PlannedDestination::identity)
            .collect(),
    };
    head.write_to(&mut lines).map_err(Step::Journal.refused())?;
    if is_new {
        carry_over(plan, index, &mut lines).map_err(Step::Journal.refused())?;
    }
    let mut journal = disk.open_journal(&path).map_err(Step::Journal.refused())?;
    if is_new {
        made.push(Made::Journal(path));
    } else {
        // A torn last line of an earlier run must not run into this head.
        lines.insert(0, b'\n');
    }
    journal.append(&lines).map_err(Step::Journal.refused())?;
    disk.settle_in(&records, &[records.join(JOURNAL)])
        .map_err(Step::FlushFolder.refused())?;
    // Last: by then the journal tells what this folder is.
    if plan.layout == Layout::Bag {
        make_folder(disk, &destination.payload, root, made)?;
    }
    Ok(())
}

/// Beside a manifest there is no journal: what it vouches for is carried over, so that the journal
/// alone is enough if this run is cut short.
fn carry_over(plan: &Plan, index: usize, lines: &mut Vec<u8>) -> io::Result<()> {
    for job in &plan.jobs {
        if let Some(Work::Keep(entry)) = job.work.get(index) {
            let line = JournalLine {
                path: job.name.as_str().to_owned(),
                bytes: entry.bytes,
                modified: entry.modified.to_string(),
                blake3: entry.blake3,
                also: entry.also.clone(),
                way: entry.way,
                read_s: entry.read_s,
                readback_s: entry.readback_s,
                only_zeros: entry.only_zeros,
            };
            line.write_to(lines)?;
        }
    }
    Ok(())
}

/// Makes the folders of the offload and of its records.
pub(super) fn make_folders(
    disk: &dyn Disk,
    destination: &PlannedDestination,
    made: &mut Vec<Made>,
) -> Result<(), FailedStep> {
    let root = &destination.root;
    let records = root.join(RECORDS);
    for (folder, parent) in [(root, &destination.given), (&records, root)] {
        make_folder(disk, folder, parent, made)?;
    }
    Ok(())
}

pub(super) fn make_folder(
    disk: &dyn Disk,
    folder: &Utf8Path,
    parent: &Utf8Path,
    made: &mut Vec<Made>,
) -> Result<(), FailedStep> {
    if disk.look(folder).map_err(Step::Look.refused())?.is_none() {
        disk.create_folder(folder)
            .map_err(Step::CreateFolder.refused())?;
        made.push(Made::Folder(folder.to_path_buf()));
    }
    // Also where it stands: an earlier run may have ended before it flushed.
    disk.settle_in(parent, &[])
        .map_err(Step::FlushFolder.refused())
}
