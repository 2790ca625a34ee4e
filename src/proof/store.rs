//! Owns the way in which records reach a destination: every file as a part, flushed, read back from
//! the device and compared, and only then named; the manifest last. Records of an earlier run are
//! moved aside, never replaced.

use super::checksums::List;
use crate::digest::Digest;
use crate::disk::buffer::{Aligned, Pool};
use crate::disk::{Disk, Stamp, write_problem};
use crate::error::{Problem, ProblemKind, Step};
use crate::name::part_name;
use crate::offload::journal::JOURNAL;
use crate::plan::RECORDS;
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use std::io;
use std::time::Duration;

/// The page's file name inside the records folder.
pub const REPORT: &str = "report.html";
/// Buffer for records, in bytes.
const CHUNK_BYTES: usize = 1 << 20;
/// Sets of earlier records that are kept before storing is refused.
pub const EARLIER_MAX: usize = 999;

/// One record: its file name inside the records folder and its bytes.
pub type Record = (&'static str, Vec<u8>);

/// Writes all records as parts, makes them durable and reads them back. Nothing has its name yet.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn stage(
    disk: &dyn Disk,
    root: &Utf8Path,
    records: &[Record],
    date: Stamp,
) -> Result<(), Problem> {
    let folder = root.join(RECORDS);
    for (name, bytes) in records {
        let part = folder.join(part_name(name));
        let problem = |step: Step| {
            let name = format!("{RECORDS}/{name}");
            move |e: io::Error| write_problem(step, &e).at(name.clone())
        };
        if disk.look(&part).map_err(problem(Step::Look))?.is_some() {
            disk.remove_own(&part).map_err(problem(Step::Create))?;
        }
        write(disk, &part, bytes, date).map_err(problem(Step::Write))?;
        let back = read_back(disk, &part, bytes.len()).map_err(problem(Step::ReadBack))?;
        if back != Digest::of(bytes) {
            let detail =
                "what was read back from the drive differs from the record that was written";
            return Err(Problem::new(ProblemKind::Mismatch, detail).at(format!("{RECORDS}/{name}")));
        }
    }
    Ok(())
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

fn read_back(disk: &dyn Disk, part: &Utf8Path, bytes: usize) -> io::Result<Digest> {
    let mut source = disk.open_read_back(part)?;
    let mut buffer = Aligned::new(CHUNK_BYTES);
    let mut hasher = blake3::Hasher::new();
    let mut at = 0;
    while at <= bytes {
        let n = source.read_at(buffer.all_mut(), len64(at))?;
        if n == 0 {
            break;
        }
        hasher.update(buffer.first(n));
        at += n;
        if n < buffer.capacity() {
            // The end; asking on from an unaligned place is not possible with direct reads.
            break;
        }
    }
    Ok(hasher.finalize().into())
}

/// Gives the staged records their names, in order, after moving those of an earlier run aside;
/// then removes the journal, which they replace.
///
/// # Errors
/// The problem of this destination, without its number.
pub fn publish(disk: &dyn Disk, root: &Utf8Path, records: &[Record]) -> Result<(), Problem> {
    let folder = root.join(RECORDS);
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
    set_aside(disk, &folder, records).map_err(problem(Step::Record))?;
    for (name, _) in records {
        disk.rename_new(&folder.join(part_name(name)), &folder.join(name))
            .map_err(problem(Step::Publish))?;
    }
    disk.flush(&folder).map_err(problem(Step::FlushFolder))?;
    let journal = folder.join(JOURNAL);
    if disk.look(&journal).map_err(problem(Step::Look))?.is_some() {
        disk.remove_own(&journal).map_err(problem(Step::Journal))?;
        disk.flush(&folder).map_err(problem(Step::FlushFolder))?;
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
    record: Record,
    date: Stamp,
) -> Result<(), Problem> {
    let (folder, name) = (root.join(RECORDS), record.0);
    let problem = |step: Step| move |e: io::Error| write_problem(step, &e).at(RECORDS);
    let records = [record];
    let done = stage(disk, root, &records, date).and_then(|()| {
        disk.rename_new(&folder.join(part_name(name)), &folder.join(name))
            .map_err(problem(Step::Publish))?;
        disk.flush(&folder).map_err(problem(Step::FlushFolder))
    });
    if done.is_err() {
        unstage(disk, root, &records);
    }
    done
}

fn set_aside(disk: &dyn Disk, folder: &Utf8Path, records: &[Record]) -> io::Result<()> {
    let mut standing = Vec::new();
    // The manifest goes first: a crash in between must not leave it without its hash.
    let names = records.iter().rev().map(|(name, _)| *name);
    // A list that this run does not write must not stay: it is one of an earlier run.
    let is_new = |name: &str| records.iter().any(|(n, _)| *n == name);
    let stale = List::all()
        .map(List::file_name)
        .filter(|name| !is_new(name));
    for name in names.chain(stale) {
        if disk.look(&folder.join(name))?.is_some() {
            standing.push(name);
        }
    }
    if standing.is_empty() {
        return Ok(());
    }
    let aside = new_folder(disk, folder)?;
    for name in standing {
        disk.rename_new(&folder.join(name), &aside.join(name))?;
    }
    disk.flush(&aside)?;
    disk.flush(folder)
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
    Err(io::Error::other(
        "999 earlier sets of records stand there already",
    ))
}

/// Removes staged records after another destination failed; what cannot be removed stays a part.
pub fn unstage(disk: &dyn Disk, root: &Utf8Path, records: &[Record]) {
    for (name, _) in records {
        // A part that stays behind never carries a record's name, and the next run clears it.
        drop(disk.remove_own(&root.join(RECORDS).join(part_name(name))));
    }
}
