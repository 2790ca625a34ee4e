//! Owns the way in which records reach a destination: every file as a part, flushed, read back from
//! the device and compared, and only then named; the manifest last, and after it its signature.
//! Records of an earlier run are moved aside, never replaced.

use crate::digest::Digest;
use crate::disk::buffer::Pool;
use crate::disk::hash_file::hash_whole;
use crate::disk::{Disk, Sight, Stamp, write_problem};
use crate::error::{FailedStep, Problem, ProblemKind, Step};
use crate::name::{is_part_name, part_name};
use crate::record::checksums::List;
use crate::record::journal::JOURNAL;
use crate::record::layout::{BAGIT, Layout, RECORDS, TAG_FILES};
use crate::record::manifest::{MANIFEST, MANIFEST_SIGNATURE};
use crate::record::media_hash_list::{
    NextGeneration, StandingHistory, StrayKind, chain_parts, is_of_history,
};
use crate::record::others::mhl::{MHL_CHAIN, MHL_FOLDER};
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use std::borrow::Cow;
use std::collections::BTreeSet;
use std::io;
use std::time::Duration;

/// The page's file name inside the records folder.
pub const REPORT: &str = "report.html";
/// The file name of the page of pictures inside the records folder. It is no record: nothing
/// vouches for it, and no verdict rests on it.
pub const PICTURES: &str = "pictures.html";
/// Buffer for records, in bytes.
const CHUNK_BYTES: usize = 1 << 20;
/// Sets of earlier records that are kept before storing is refused.
pub const EARLIER_MAX: usize = 999;

/// One record: its path below the offload and its bytes, which the records of several destinations
/// may share.
pub type Record<'a> = (String, Cow<'a, [u8]>);

/// What is to be found under a record's name.
#[derive(Debug)]
pub struct Written {
    /// Its path below the offload.
    pub name: String,
    bytes: u64,
    digest: Digest,
}

impl Written {
    /// Describes a record that is written.
    pub fn of((name, bytes): &Record<'_>) -> Self {
        Self {
            name: name.clone(),
            bytes: len64(bytes.len()),
            digest: Digest::of(bytes),
        }
    }
}

/// Returns every place in which a record lies before it has its name: of a chain there are two.
fn parts_of(root: &Utf8Path, name: &str) -> Vec<Utf8PathBuf> {
    if is_chain(name) {
        let folder = root.join(MHL_FOLDER);
        return chain_parts().iter().map(|part| folder.join(part)).collect();
    }
    vec![part_of(root, name)]
}

fn is_chain(name: &str) -> bool {
    Utf8Path::new(name) == Utf8Path::new(MHL_FOLDER).join(MHL_CHAIN)
}

/// Removes what lay beside a chain until it had its name for good. What stays is removed by the
/// next run.
fn remove_second_chain(disk: &dyn Disk, root: &Utf8Path) {
    let [_, second] = chain_parts();
    drop(disk.remove_own(&root.join(MHL_FOLDER).join(second)));
}

/// Returns where a record lies before it has its name.
fn part_of(root: &Utf8Path, name: &str) -> Utf8PathBuf {
    match name.rsplit_once('/') {
        Some((folder, file)) => root.join(folder).join(part_name(file)),
        None => root.join(part_name(name)),
    }
}

/// Writes all records as parts, makes them durable and reads them back. Nothing has its name yet.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn stage(
    disk: &dyn Disk,
    root: &Utf8Path,
    records: &[Record<'_>],
    date: Stamp,
) -> Result<(), Problem> {
    for record in records {
        for part in parts_of(root, &record.0) {
            stage_one(disk, record, &part, date)?;
        }
    }
    Ok(())
}

fn stage_one(
    disk: &dyn Disk,
    (name, bytes): &Record<'_>,
    part: &Utf8Path,
    date: Stamp,
) -> Result<(), Problem> {
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(name.clone());
    if disk.look(part).map_err(problem(Step::Look))?.is_some() {
        disk.remove_own(part).map_err(problem(Step::Create))?;
    }
    write(disk, part, bytes, date).map_err(problem(Step::Write))?;
    let back = read_back(disk, part, len64(bytes.len())).map_err(problem(Step::ReadBack))?;
    if back != Some(Digest::of(bytes)) {
        return Err(differs(name));
    }
    Ok(())
}

/// Removes what a run that was cut short began of a list that there is none of now (what lies in
/// other offloads has none here), and of a page of pictures. Only for the run that holds the
/// offload.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn remove_stale_lists(
    disk: &dyn Disk,
    root: &Utf8Path,
    records: &[Record<'_>],
) -> Result<(), Problem> {
    for name in List::all().map(List::file_name).chain([PICTURES]) {
        let name = format!("{RECORDS}/{name}");
        if records.iter().any(|(written, _)| *written == name) {
            continue;
        }
        let part = part_of(root, &name);
        let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
        if disk.look(&part).map_err(problem(Step::Look))?.is_some() {
            disk.remove_own(&part).map_err(problem(Step::Create))?;
        }
    }
    Ok(())
}

/// Whether the drive, its cable or another program is at fault cannot be seen.
fn differs(record: &str) -> Problem {
    let detail = "what the drive gave back differs from what was written";
    Problem::new(ProblemKind::Mismatch, detail).at(record)
}

fn changed(record: &Written, why: &str) -> Problem {
    Problem::new(ProblemKind::Changed, why).at(record.name.clone())
}

fn write(disk: &dyn Disk, part: &Utf8Path, bytes: &[u8], date: Stamp) -> io::Result<()> {
    let file = disk.create_part(part, false)?;
    let mut pool = Pool::new(1, 0, CHUNK_BYTES);
    let mut offset = 0;
    for piece in bytes.chunks(CHUNK_BYTES) {
        let Some(mut buffer) = pool.take(Duration::from_secs(1)) else {
            return Err(io::Error::other("no buffer was given back"));
        };
        buffer.all_mut()[..piece.len()].copy_from_slice(piece);
        file.write_chunk(&pool.seal(buffer, piece.len()), offset)?;
        offset += len64(piece.len());
    }
    file.finish(offset, date)?;
    file.flush_all()
}

/// Reads all of a staged record; `None` when it is longer than what was written.
fn read_back(disk: &dyn Disk, part: &Utf8Path, bytes: u64) -> io::Result<Option<Digest>> {
    let mut source = disk.open_read_back(part)?;
    if source.stat()?.bytes > bytes {
        return Ok(None);
    }
    let read = hash_whole(source.as_mut(), bytes, &mut |_| true)?;
    Ok(read.map(|(digest, _)| digest))
}

/// Gives the staged records their names, in order, after moving those of an earlier run aside.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn publish(
    disk: &dyn Disk,
    root: &Utf8Path,
    records: &[Written],
    layout: Layout,
) -> Result<(), Problem> {
    let folder = root.join(RECORDS);
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
    let names: Vec<String> = records.iter().map(|r| r.name.clone()).collect();
    set_aside(disk, root, &names, layout).map_err(problem(Step::Record))?;
    let manifest = format!("{RECORDS}/{MANIFEST}");
    let signature = format!("{RECORDS}/{MANIFEST_SIGNATURE}");
    let mut folders = BTreeSet::from([folder.clone()]);
    if layout == Layout::Bag {
        folders.insert(root.to_path_buf());
    }
    if names.iter().any(|name| is_of_history(name)) {
        folders.extend([root.to_path_buf(), root.join(MHL_FOLDER)]);
        // The chain must be there as a part before its list has a name: by it that is known.
        let settled = disk.settle_in(&root.join(MHL_FOLDER), &[]);
        settled.map_err(problem(Step::FlushFolder))?;
    }
    let mut in_place: Vec<Utf8PathBuf> = Vec::new();
    for name in &names {
        // Nobody may take it for a bag before everything that a bag is checked by is there, nor
        // find a chain before the list that it names, nor a manifest before what it stands beside,
        // nor, after a power cut, a signature without
        // its manifest.
        let is_chain = is_chain(name);
        if name == BAGIT || *name == manifest || *name == signature || is_chain {
            let settled = disk.settle(&folders, &in_place);
            settled.map_err(problem(Step::FlushFolder))?;
            if in_place.contains(&root.join(MHL_FOLDER).join(MHL_CHAIN)) {
                remove_second_chain(disk, root);
            }
            in_place.clear();
        }
        let to = root.join(name);
        let part = part_of(root, name);
        let done = if is_chain {
            disk.replace_chain(&part, &to)
        } else {
            disk.rename_new(&part, &to)
        };
        done.map_err(problem(Step::Publish))?;
        in_place.push(to);
    }
    let settled = disk.settle(&folders, &in_place);
    settled.map_err(problem(Step::FlushFolder))
}

/// Returns what every record looks like, by the Linux name of the drive's file system.
///
/// # Errors
/// The problem of this destination, without its number: a record that is gone.
pub fn sights(
    disk: &dyn Disk,
    root: &Utf8Path,
    filesystem: &str,
    records: &[Written],
) -> Result<Vec<Sight>, Problem> {
    let sight = |record: &Written| {
        let problem = |e: io::Error| write_problem(Step::ReadBack, &e).at(record.name.clone());
        let stat = disk.look(&root.join(&record.name)).map_err(problem)?;
        let gone = || {
            changed(
                record,
                "another program has removed it since it was written",
            )
        };
        Ok(Sight::of(&stat.ok_or_else(gone)?, filesystem))
    };
    records.iter().map(sight).collect()
}

/// Reads published records back once more, under their names.
///
/// # Errors
/// The problem of this destination, without its number: a record that holds something else.
pub fn are_as_written(
    disk: &dyn Disk,
    root: &Utf8Path,
    records: &[Written],
) -> Result<(), Problem> {
    for record in records {
        let problem = |e: io::Error| write_problem(Step::ReadBack, &e).at(record.name.clone());
        let back = read_back(disk, &root.join(&record.name), record.bytes).map_err(problem)?;
        if back != Some(record.digest) {
            return Err(differs(&record.name));
        }
    }
    Ok(())
}

/// Looks whether the records are still what was read back.
///
/// # Errors
/// The problem of this destination, without its number: a record that is gone or was written to.
pub fn are_as_seen(
    disk: &dyn Disk,
    root: &Utf8Path,
    filesystem: &str,
    records: &[Written],
    seen: &[Sight],
) -> Result<(), Problem> {
    let now = sights(disk, root, filesystem, records)?;
    let mut all = records.iter().zip(now.iter().zip(seen));
    all.find(|(_, (now, seen))| now != seen)
        .map_or(Ok(()), |(record, _)| {
            let why = "another program has changed it since it was written";
            Err(changed(record, why))
        })
}

/// Removes the journal, which the published records replace.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn remove_journal(disk: &dyn Disk, root: &Utf8Path) -> Result<(), Problem> {
    let folder = root.join(RECORDS);
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
    let journal = folder.join(JOURNAL);
    if disk.look(&journal).map_err(problem(Step::Look))?.is_some() {
        disk.remove_own(&journal).map_err(problem(Step::Journal))?;
        let settled = disk.settle_in(&folder, &[]);
        settled.map_err(problem(Step::FlushFolder))?;
    }
    Ok(())
}

/// Stores one record that is not there, in the same way as all others; never replaces one.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn add_record(
    disk: &dyn Disk,
    root: &Utf8Path,
    record: Record<'_>,
    date: Stamp,
) -> Result<(), Problem> {
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
    let named = root.join(&record.0);
    let part = part_of(root, &record.0);
    let only = [Written::of(&record)];
    let done = stage(disk, root, &[record], date).and_then(|()| {
        disk.rename_new(&part, &named)
            .map_err(problem(Step::Publish))?;
        let settled = disk.settle_in(&root.join(RECORDS), std::slice::from_ref(&named));
        settled.map_err(problem(Step::FlushFolder))
    });
    if done.is_err() {
        unstage(disk, root, &only);
    }
    done
}

/// Writes one file that is not there, anywhere: as a part first, which is made durable and gets its
/// name without replacing anything. What fails leaves no part behind.
///
/// # Errors
/// The step that failed and why.
pub fn write_new(
    disk: &dyn Disk,
    to: &Utf8Path,
    bytes: &[u8],
    date: Stamp,
) -> Result<(), FailedStep> {
    let folder = match to.parent() {
        Some(folder) if folder != "" => folder,
        _ => Utf8Path::new("."),
    };
    let part = folder.join(part_name(to.file_name().unwrap_or_default()));
    if disk.look(&part).map_err(Step::Look.refused())?.is_some() {
        disk.remove_own(&part).map_err(Step::Create.refused())?;
    }
    let written = write(disk, &part, bytes, date)
        .map_err(Step::Write.refused())
        .and_then(|()| disk.rename_new(&part, to).map_err(Step::Publish.refused()));
    if written.is_err() {
        // It never carries the name.
        drop(disk.remove_own(&part));
    }
    written?;
    disk.settle_in(folder, &[to.to_path_buf()])
        .map_err(Step::FlushFolder.refused())
}

fn set_aside(disk: &dyn Disk, root: &Utf8Path, names: &[String], layout: Layout) -> io::Result<()> {
    let folder = root.join(RECORDS);
    let mut standing = Vec::new();
    // The signature goes first: what a crash leaves is a manifest without its signature, and not a
    // signature alone. The manifest goes next: a crash in between must not leave it without
    // its hash.
    let signature = format!("{RECORDS}/{MANIFEST_SIGNATURE}");
    // A history is never taken away: what was said stays said.
    let new = names.iter().rev();
    let new = new.filter(|name| **name != signature && !is_of_history(name));
    let new = std::iter::once(&signature).chain(new).cloned();
    // What this run does not write must not stay: it is of an earlier run.
    let lists = List::all().map(List::file_name).chain([PICTURES]);
    let lists = lists.map(|name| format!("{RECORDS}/{name}"));
    // In the plain layout a file of such a name is the card's own.
    let tags = TAG_FILES
        .into_iter()
        .filter(|_| layout == Layout::Bag)
        .map(str::to_owned);
    let is_new = |name: &String| names.contains(name);
    let stale = lists.chain(tags).filter(|name| !is_new(name));
    for name in new.chain(stale) {
        if disk.look(&root.join(&name))?.is_some() {
            standing.push(name);
        }
    }
    if standing.is_empty() {
        return Ok(());
    }
    let aside = new_folder(disk, &folder)?;
    let mut moved = Vec::new();
    for name in standing {
        let to = aside.join(name.rsplit('/').next().unwrap_or(&name));
        disk.rename_new(&root.join(&name), &to)?;
        moved.push(to);
    }
    let mut folders = BTreeSet::from([aside, folder]);
    if layout == Layout::Bag {
        folders.insert(root.to_path_buf());
    }
    disk.settle(&folders, &moved)
}

/// Ends what a run left of a history that was cut off after its list had its name: the chain that
/// names it gets its own. A list of which a pull has left nothing goes, and then each part of a
/// chain.
///
/// # Errors
/// The step that failed and why.
pub fn end_begun_history(
    disk: &dyn Disk,
    root: &Utf8Path,
    standing: &StandingHistory,
) -> Result<(), FailedStep> {
    if !standing.has_part {
        return Ok(());
    }
    let folder = root.join(MHL_FOLDER);
    if let Some(part) = &standing.begun {
        let chain = folder.join(MHL_CHAIN);
        disk.replace_chain(&folder.join(part), &chain)
            .map_err(Step::Publish.refused())?;
        let settled = disk.settle_in(&folder, &[chain]);
        settled.map_err(Step::FlushFolder.refused())?;
    }
    // An empty one is none of anybody's, as long as a part of its chain says whose it was; it goes
    // as the part that it was itself. A pull can leave that as well.
    for name in standing.of_kind(StrayKind::Empty) {
        let part = folder.join(part_name(name));
        remove_if_there(disk, &part)?;
        disk.rename_new(&folder.join(name), &part)
            .map_err(Step::Publish.refused())?;
        remove_if_there(disk, &part)?;
        let settled = disk.settle_in(&folder, &[]);
        settled.map_err(Step::FlushFolder.refused())?;
    }
    for part in chain_parts() {
        remove_if_there(disk, &folder.join(part))?;
    }
    Ok(())
}

fn remove_if_there(disk: &dyn Disk, part: &Utf8Path) -> Result<(), FailedStep> {
    match disk.remove_own(part) {
        Err(e) if e.kind() != io::ErrorKind::NotFound => Err(Step::Create.refused()(e)),
        _ => Ok(()),
    }
}

/// Takes away what runs that were cut off have left in the folder of a history, none of which any
/// chain names. Only for the run that holds it.
///
/// # Errors
/// The step that failed and why.
pub fn clear_history(
    disk: &dyn Disk,
    root: &Utf8Path,
    standing: &StandingHistory,
) -> Result<(), FailedStep> {
    let folder = root.join(MHL_FOLDER);
    if !standing.is_cut_short() {
        return Ok(());
    }
    for entry in disk.children(&folder).map_err(Step::List.refused())? {
        let name = entry.path.to_string_lossy();
        if is_part_name(&name) && *name != part_name("run") {
            let removed = disk.remove_own(&folder.join(&*name));
            removed.map_err(Step::Create.refused())?;
        }
    }
    let settled = disk.settle_in(&folder, &[]);
    settled.map_err(Step::FlushFolder.refused())
}

/// Adds a generation to the media hash list of a folder: the list first, then the chain that names
/// it, and reads both back under their names.
///
/// # Errors
/// The problem of this folder, without a number.
pub fn add_generation(
    disk: &dyn Disk,
    root: &Utf8Path,
    next: &NextGeneration,
    date: Stamp,
) -> Result<(), Problem> {
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(MHL_FOLDER);
    let records: [Record<'_>; 2] = [
        (next.path.clone(), (&next.list).into()),
        (next.chain_path.clone(), (&next.chain).into()),
    ];
    let written: Vec<Written> = records.iter().map(Written::of).collect();
    let settle = |files: &[Utf8PathBuf]| disk.settle_in(&root.join(MHL_FOLDER), files);
    let (list, list_part) = (root.join(&next.path), part_of(root, &next.path));
    let (chain, chain_part) = (root.join(&next.chain_path), part_of(root, &next.chain_path));
    let name = || {
        // By the chain that lies there as a part a list is known that has its name.
        settle(&[])?;
        disk.rename_new(&list_part, &list)?;
        settle(std::slice::from_ref(&list))?;
        disk.replace_chain(&chain_part, &chain)
    };
    let done = stage(disk, root, &records, date).and_then(|()| {
        name().map_err(|e| {
            // No chain names it: it gets the name back under which it is taken away.
            drop(disk.rename_new(&list, &list_part));
            problem(Step::Publish)(e)
        })
    });
    if done.is_err() && !matches!(disk.look(&list), Ok(Some(_))) {
        unstage(disk, root, &written);
    }
    done?;
    settle(std::slice::from_ref(&chain)).map_err(problem(Step::FlushFolder))?;
    remove_second_chain(disk, root);
    settle(&[]).map_err(problem(Step::FlushFolder))?;
    are_as_written(disk, root, &written)
}

/// Returns the name of the folder for the `n`-th set of earlier records.
pub fn earlier_name(n: usize) -> String {
    format!("earlier-{n}")
}

fn new_folder(disk: &dyn Disk, folder: &Utf8Path) -> io::Result<Utf8PathBuf> {
    for n in 1..=EARLIER_MAX {
        let aside = folder.join(earlier_name(n));
        match disk.create_folder(&aside) {
            Ok(()) => return Ok(aside),
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(e),
        }
    }
    Err(io::Error::other("999 earlier manifests are there already"))
}

/// Removes staged records after another destination failed; what cannot be removed stays a part.
pub fn unstage(disk: &dyn Disk, root: &Utf8Path, records: &[Written]) {
    for Written { name, .. } in records {
        // A part that stays behind never carries a record's name, and the next run clears it.
        for part in parts_of(root, name) {
            drop(disk.remove_own(&part));
        }
    }
}
