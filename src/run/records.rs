//! Owns the way in which a verdict is written down: the records are staged on every drive, then
//! everything that they speak of is looked at once more, and only then do they get their names. A
//! journal is the last that goes.

use super::begin::{begin_one, make_folder, make_folders};
use super::closing::Looks;
use super::job::Tools;
use crate::clock::rfc3339;
use crate::digest::Digest;
use crate::disk::{Stamp, TreeKind, write_problem};
use crate::error::{FailedStep, Problem, ProblemKind, Step, failed};
use crate::name::{CardName, shown};
use crate::offload::same_drive;
use crate::proof::to_manifest::manifest_bytes;
use crate::proof::{Closing, Kept, Proof};
use crate::record::checksums::List;
use crate::record::layout::{Layout, RECORDS};
use crate::record::manifest::{MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE, Manifest};
use crate::record::media_hash_list::{
    HistoryError, MhlCopy, is_of_history, load_history, next_of_copy,
};
use crate::record::others::mhl::{MHL_CHAIN, MHL_FOLDER};
use crate::record::store::{REPORT, Record, Written};
use crate::record::{bag, checksums, store};
use crate::report::page;
use crate::units::len64;
use std::borrow::Cow;
use std::collections::HashSet;
use std::io;
use tracing::{debug, debug_span};

/// So often the records are made again because something else was found at a last look. Whoever
/// changes things more often than that is at work there.
const CHANGES_MAX: usize = 3;

/// Why records have to be made again.
enum Setback {
    /// A drive could not take them.
    Drive(usize, Problem),
    /// A last look found something else than the look that they speak of.
    Changed(Box<Closing>),
}

/// Stores the records on every destination that is still there. One that cannot take them loses its
/// place in the proof, and the others get records that say so; as they do when anything has changed
/// meanwhile.
pub(super) fn record(
    mut proof: Proof,
    looks: &mut Looks<'_>,
    tools: &Tools,
    is_begun: bool,
) -> (Proof, Kept) {
    let _span = debug_span!("records").entered();
    let mut out = drives_out(&proof);
    if !is_begun {
        proof = begin_all(proof, tools, &mut out);
    }
    let mut changes = 0;
    while out.contains(&false) {
        let looks = (changes < CHANGES_MAX).then_some(&mut *looks);
        let mut named = Vec::new();
        match record_once(&proof, looks, tools, &out, &mut named) {
            Ok(()) => return (proof, Kept::New),
            Err(Setback::Drive(index, problem)) => {
                let detail = shown(&problem.detail);
                debug!(drive = index + 1, %detail, "made again without it");
                out[index] = true;
                let problem = with_old_record(problem, index, &named).on(index);
                proof = proof.without_records_on(index, problem);
            }
            Err(Setback::Changed(mut closing)) => {
                changes += 1;
                debug!(changes, "made again: something has changed meanwhile");
                for (index, looked) in closing.destinations.iter_mut().enumerate() {
                    if let Err(problem) = looked {
                        *problem = with_old_record(problem.clone(), index, &named);
                    }
                }
                proof = proof.judged_again(*closing);
                if changes == CHANGES_MAX {
                    proof = proof.without_rest();
                }
                let gone = drives_out(&proof);
                out.iter_mut()
                    .zip(gone)
                    .for_each(|(out, gone)| *out |= gone);
            }
        }
    }
    (proof, Kept::Nothing)
}

/// Records that got their names on a drive which takes no others cannot be put right.
fn with_old_record(mut problem: Problem, index: usize, named: &[usize]) -> Problem {
    let old = "; the manifest on it was written before that: do not rely on it";
    if named.contains(&index) && problem.kind != ProblemKind::Changed {
        problem.detail.push_str(old);
    }
    problem
}

/// Of every destination whether it is written to no more: it failed, is gone or was swapped.
pub(super) fn drives_out(proof: &Proof) -> Vec<bool> {
    let is_out = |d: usize| {
        let outcome = proof.offloaded().destinations.get(d);
        let is_gone = |p: &Problem| p.destination == Some(d) && p.kind == ProblemKind::Vanished;
        outcome.is_none_or(|o| o.failed) || proof.problems().iter().any(is_gone)
    };
    (0..proof.plan().destinations.len()).map(is_out).collect()
}

/// While the records of an earlier run are moved aside only a journal vouches for the files, and a
/// run that had nothing to copy has made none yet.
fn begin_all(mut proof: Proof, tools: &Tools, out: &mut [bool]) -> Proof {
    let started = rfc3339(proof.times().0);
    for (index, out) in out.iter_mut().enumerate().filter(|(_, out)| !**out) {
        let plan = proof.plan();
        let begun = plan.destinations.get(index).map_or(Ok(()), |destination| {
            let mut made = Vec::new();
            make_folders(tools.disk.as_ref(), destination, &mut made)?;
            begin_one(plan, destination, tools, &started, index, &mut made)
        });
        if let Err(FailedStep { step, cause }) = begun {
            let problem = write_problem(step, &cause).at(RECORDS);
            *out = true;
            proof = proof.without_records_on(index, problem.on(index));
        }
    }
    proof
}

/// The records that are staged, by destination.
type Staged = Vec<(usize, Vec<Written>)>;

/// Notes the drives on which records have got their names.
fn record_once(
    proof: &Proof,
    mut looks: Option<&mut Looks<'_>>,
    tools: &Tools,
    out: &[bool],
    named: &mut Vec<usize>,
) -> Result<(), Setback> {
    let disk = tools.disk.as_ref();
    let staged = stage_all(proof, tools, out)?;
    let mut look = || match looks.as_mut().and_then(|l| l.again(proof.offloaded())) {
        None => Ok(()),
        Some(closing) => Err(Setback::Changed(Box::new(closing))),
    };
    // Making them takes a while; giving them their names does not.
    look().inspect_err(|_| unstage_all(proof, tools, &staged))?;
    let all = || {
        let here = |index: usize| proof.plan().destinations.get(index);
        let all = staged.iter();
        all.filter_map(move |(index, records)| Some((*index, here(*index)?, records)))
    };
    for (index, destination, records) in all() {
        let layout = proof.plan().layout;
        let done = store::publish(disk, &destination.root, records, layout);
        let manifest = destination.root.join(RECORDS).join(MANIFEST);
        if done.is_ok() || matches!(disk.look(&manifest), Ok(Some(_))) {
            named.push(index);
        }
        done.and_then(|()| same_drive(disk, destination))
            .map_err(|p| Setback::Drive(index, p))?;
    }
    // They are part of what is proven: whoever asks later goes by them. Reading them takes a while,
    // so the look at all else comes after it, and after that only dates and sizes are asked.
    let mut seen = Vec::new();
    for (index, destination, records) in all() {
        let (root, filesystem) = (&destination.root, &destination.facts.filesystem);
        let sights = store::sights(disk, root, filesystem, records);
        let sights = sights.and_then(|sights| {
            store::are_as_written(disk, root, records)?;
            Ok(sights)
        });
        seen.push(sights.map_err(|p| Setback::Drive(index, p))?);
    }
    look()?;
    for ((index, destination, records), seen) in all().zip(&seen) {
        let (root, filesystem) = (&destination.root, &destination.facts.filesystem);
        store::are_as_seen(disk, root, filesystem, records, seen)
            .map_err(|p| Setback::Drive(index, p))?;
    }
    for (index, destination, _) in all() {
        store::remove_journal(disk, &destination.root).map_err(|p| Setback::Drive(index, p))?;
    }
    Ok(())
}

fn unstage_all(proof: &Proof, tools: &Tools, staged: &Staged) {
    for (index, names) in staged {
        if let Some(d) = proof.plan().destinations.get(*index) {
            store::unstage(tools.disk.as_ref(), &d.root, names);
            // Only where nothing is in it yet.
            if names.iter().any(|record| is_of_history(&record.name)) {
                drop(tools.disk.remove_empty_folder(&d.root.join(MHL_FOLDER)));
            }
        }
    }
}

/// Stages the records on all destinations, or on none.
fn stage_all(proof: &Proof, tools: &Tools, out: &[bool]) -> Result<Staged, Setback> {
    let disk = tools.disk.as_ref();
    let bytes = manifest_bytes(proof, &tools.host, &tools.clock.zone());
    // From here on only what the bytes say is used: it is what others will read, and of a card of
    // 100,000 files the manifest need not be in memory twice.
    let read = bytes.and_then(|bytes| Ok((checked(proof, &bytes)?, bytes)));
    let (manifest, bytes) = read.map_err(|e| {
        let problem = Problem::new(ProblemKind::ManifestDamaged, failed(Step::Record, &e));
        Setback::Drive(first_in(out), problem)
    })?;
    let page = page::page(&manifest).into_bytes();
    let signature = match &proof.plan().signer {
        None => None,
        // The key was tried before the first byte.
        Some(signer) => Some(signer.sign(&bytes).ok_or_else(|| {
            let detail =
                "the manifest could not be signed: the signature that was made does not hold";
            let problem = Problem::new(ProblemKind::ManifestDamaged, detail);
            Setback::Drive(first_in(out), problem)
        })?),
    };
    let mut staged = Staged::new();
    for (index, destination) in proof.plan().destinations.iter().enumerate() {
        if out.get(index) != Some(&false) {
            continue;
        }
        let records = records_for(
            index,
            proof,
            &manifest,
            [&bytes, &page],
            signature.as_deref(),
        );
        let records = mhl_records(index, proof, &manifest, tools).map(|mut history| {
            history.extend(records);
            history
        });
        let records = records.map_err(|problem| {
            unstage_all(proof, tools, &staged);
            Setback::Drive(index, problem)
        })?;
        let written = records.iter().map(Written::of).collect();
        // Each drive's records have a moment of their own, by which one drive is known that is seen
        // twice.
        let now = Stamp::of(tools.clock.now());
        let result = store::remove_stale_lists(disk, &destination.root, &records)
            .and_then(|()| store::stage(disk, &destination.root, &records, now));
        staged.push((index, written));
        if let Err(problem) = result {
            unstage_all(proof, tools, &staged);
            return Err(Setback::Drive(index, problem));
        }
    }
    Ok(staged)
}

fn first_in(out: &[bool]) -> usize {
    out.iter().position(|gone| !gone).unwrap_or(0)
}

/// The last count: what the written bytes say must be what was tallied. Returns what they say.
fn checked(proof: &Proof, bytes: &[u8]) -> io::Result<Manifest> {
    let read = Manifest::from_bytes(bytes).map_err(|e| io::Error::other(e.to_string()))?;
    for (index, tally) in proof.tallies().iter().enumerate() {
        if read.count_on(index) != (tally.read_back, tally.read_back_bytes) {
            return Err(io::Error::other(
                "the manifest's counts are not those of the copy",
            ));
        }
    }
    if proof.verdict().is_proven() && (len64(read.files.len()), read.totals.bytes) != proof.listed()
    {
        return Err(io::Error::other(
            "the manifest does not hold every file that was listed",
        ));
    }
    Ok(read)
}

/// The next generation of a drive's media hash list and its chain, with the folder that they go
/// into; nothing where none is made, or where the history says all of it already.
fn mhl_records(
    index: usize,
    proof: &Proof,
    manifest: &Manifest,
    tools: &Tools,
) -> Result<Vec<Record<'static>>, Problem> {
    let (disk, plan) = (tools.disk.as_ref(), proof.plan());
    let Some(here) = plan.destinations.get(index).filter(|_| plan.has_mhl()) else {
        return Ok(Vec::new());
    };
    let damaged = |why: HistoryError| {
        let problem = Problem::new(ProblemKind::ManifestDamaged, why.to_string());
        problem.at(MHL_FOLDER)
    };
    let standing = load_history(disk, &here.root).map_err(damaged)?;
    if let Some(standing) = &standing {
        standing.check_strays().map_err(damaged)?;
    }
    let walked = disk.walk(&here.root, TreeKind::Drive);
    let found = walked.map_err(|e| write_problem(Step::List, &e).at(MHL_FOLDER))?;
    let copy = MhlCopy {
        destination: index,
        unheld: here.unheld.keys().map(CardName::as_str).collect(),
        found: &found,
    };
    let next = next_of_copy(manifest, &copy, standing.as_ref());
    let next = next.map_err(|why| damaged(HistoryError::of(MHL_CHAIN, why)))?;
    let Some(next) = next else {
        return Ok(Vec::new());
    };
    let folder = here.root.join(MHL_FOLDER);
    make_folder(disk, &folder, &here.root, &mut Vec::new())
        .map_err(|FailedStep { step, cause }| write_problem(step, &cause).at(MHL_FOLDER))?;
    Ok(vec![
        (next.path, next.list.into()),
        (next.chain_path, next.chain.into()),
    ])
}

fn records_for<'a>(
    index: usize,
    proof: &Proof,
    manifest: &Manifest,
    [bytes, page]: [&'a [u8]; 2],
    signature: Option<&'a [u8]>,
) -> Vec<Record<'a>> {
    let record = |name: &str, bytes: Cow<'a, [u8]>| (format!("{RECORDS}/{name}"), bytes);
    let mut records: Vec<Record<'a>> = Vec::new();
    for list in List::all() {
        let text = manifest.list_of(list, index);
        // An empty list would be "checked" with success by some programs.
        if !text.is_empty() {
            records.push(record(list.file_name(), text.into_bytes().into()));
        }
    }
    let hash = checksums::line(Digest::of(bytes), MANIFEST).unwrap_or_default();
    records.push(record(REPORT, page.into()));
    records.push(record(MANIFEST_HASH, hash.into_bytes().into()));
    let last = record(MANIFEST, bytes.into());
    let signed = signature.map(|s| record(MANIFEST_SIGNATURE, s.into()));
    if proof.plan().layout == Layout::Bag {
        let gone: HashSet<&str> = proof
            .problems()
            .iter()
            .filter(|p| p.destination == Some(index) && p.kind == ProblemKind::Missing)
            .filter_map(|p| p.path.as_deref())
            .collect();
        let here = proof.plan().destinations.get(index);
        let stood = here.map_or(&[][..], |d| &d.in_bag).iter();
        let stands = stood.filter(|file| !gone.contains(file.path.as_str()));
        let payload = bag::with_earlier(bag::payload(manifest, index), stands);
        let tags = bag::tag_files(manifest, &payload, records.iter().chain([&last]));
        records.extend(tags);
    }
    // The manifest gets its name when all else has, and its signature, which no list holds, after
    // it.
    records.push(last);
    records.extend(signed);
    records
}
