//! Owns the last word on every PROVEN in every test: an independent look, with plain reads and no
//! code of the crate's own, at what would be left if the power went now. Copies in memory are
//! looked at after a power cut of a fork of their world, those behind a faulty mount in its backing
//! folder, with what it would lose. The support layer calls it after every run.

use crate::support::sim::{Crash, Image, Sim};
use std::collections::BTreeMap;
use unlade::event::Observer;
use unlade::plan::{Plan, Refusal};
use unlade::proof::Proof;
use unlade::record::layout::RECORDS;
use unlade::run::{self, Tools};

/// [`run::offload`] on simulated disks, and the look after it.
pub(crate) fn offload(
    sim: &Sim,
    plan: Plan,
    tools: &Tools,
    observer: &mut dyn Observer,
) -> Result<Proof, Refusal> {
    let card = plan.card.given.clone();
    let drives: Vec<_> = plan.destinations.iter().map(|d| d.given.clone()).collect();
    // The verdict is on the card that was listed, whatever is in its place by then.
    let before = sim.fork();
    let proof = run::offload(plan, tools, observer)?;
    if proof.verdict().is_proven() {
        let drives = drives.iter().map(|drive| drive.as_str());
        after(
            sim,
            (&before, card.as_str()),
            drives,
            proof.verdict().copies(),
        );
    }
    Ok(proof)
}

/// [`run::offload`] of a job that must be refused, on whatever disks: then there is nothing to look
/// at.
#[cfg(target_os = "linux")]
pub(crate) fn refused(plan: Plan, tools: &Tools) -> Refusal {
    run::offload(plan, tools, &mut unlade::event::Silent).expect_err("a refusal")
}

/// Fails unless so many drives hold everything that was on the card before, or that it delivered in
/// its place, once the power was cut. What no run can see on a drive is known to the world
/// ([`Sim::is_unseen`], [`Sim::meddled_unseen`]). Drives that answer from memory on purpose are the
/// business of their tests.
fn after<'a>(
    sim: &Sim,
    (before, card): (&Sim, &str),
    drives: impl Iterator<Item = &'a str>,
    copies: usize,
) {
    if sim.lies() {
        return;
    }
    let left = sim.fork();
    left.crash(Crash::Strict);
    let mut listed = before.files(card, Image::Visible);
    let mut folders = before.folders(card, Image::Visible);
    let device = before.device_of(card);
    // An offload that is copied further counts itself.
    let mut whole = usize::from(folders.contains(RECORDS));
    listed.retain(|path, _| !path.starts_with(RECORDS));
    folders.retain(|path| !path.starts_with(RECORDS));
    let mut missing = BTreeMap::new();
    for drive in drives {
        let (files, stand) = (
            left.files(drive, Image::Visible),
            left.folders(drive, Image::Visible),
        );
        let is_at = |path: &str, below: &str| {
            path.strip_suffix(below)
                .is_some_and(|above| above.ends_with('/'))
        };
        let mut lost: Vec<&String> = Vec::new();
        for (path, bytes) in &listed {
            let delivered = sim.ever_delivered(device, &format!("{card}/{path}"));
            let no_run_sees = |at: &str, held: &[u8]| {
                let at = format!("{drive}/{at}");
                sim.is_unseen(&at, held) || (sim.was_meddled_with(&at) && sim.meddled_unseen())
            };
            let holds = |(at, held): (&String, &Vec<u8>)| {
                let same = held == bytes || delivered.contains(held);
                is_at(at, path) && (same || no_run_sees(at, held))
            };
            // What was deleted after the last look can't be found.
            let is_taken = |at: &str| {
                let meddled = sim.meddled().filter(|_| sim.meddled_unseen());
                meddled.is_some_and(|m| m.by.on == at && is_at(&m.path, path))
            };
            if !files.iter().any(holds) && !is_taken(drive) {
                lost.push(path);
            }
        }
        lost.extend(
            folders
                .iter()
                .filter(|f| !stand.iter().any(|at| is_at(at, f))),
        );
        if lost.is_empty() {
            whole += 1;
        } else {
            missing.insert(drive.to_owned(), format!("{lost:?}"));
        }
    }
    assert!(
        whole >= copies,
        "a false PROVEN: {whole} of {copies} copies outlive a power cut: {missing:#?}"
    );
}

#[cfg(target_os = "linux")]
pub(crate) use program::{after_run, rewritten_unseen};

#[cfg(target_os = "linux")]
mod program {
    use crate::support::mount;
    use rustix::fs::{Dir, Mode, OFlags};
    use std::ffi::OsStr;
    use std::fs::File;
    use std::io::Read as _;
    use std::os::unix::ffi::OsStrExt as _;
    use std::os::unix::fs::OpenOptionsExt as _;
    use std::path::{Path, PathBuf};
    use std::process::Command;
    use std::sync::Mutex;
    use walkdir::WalkDir;

    /// Files of cards that were rewritten under their old size and date, and what they held before.
    static REWRITTEN: Mutex<Vec<(PathBuf, Vec<u8>)>> = Mutex::new(Vec::new());
    /// What a run says of files that it went by names, sizes and dates for.
    const NOT_READ: &str = "a sample of the content read";

    /// Notes that a file of a card holds other bytes now under its old size and date. Where a run
    /// says itself that it did not read that again, a copy of what it held before will do.
    pub(crate) fn rewritten_unseen(path: &Path, before: Vec<u8>) {
        let mut all = REWRITTEN.lock().unwrap();
        all.push((path.to_path_buf(), before));
    }

    /// Flags that stand alone; what follows any other is its value.
    const ALONE: [&str; 14] = [
        "--json",
        "--quiet",
        "-q",
        "--separate",
        "--no-ledger",
        "--only-new",
        "--reread",
        "--by-content",
        "--verbose",
        "-v",
        "--notify",
        "--yes",
        "--camera-names",
        "--pictures",
    ];
    /// What computers leave on cards, as the contract lists it.
    const LITTER: [&str; 8] = [
        ".Trashes",
        ".Spotlight-V100",
        ".fseventsd",
        ".TemporaryItems",
        ".DocumentRevisions-V100",
        "System Volume Information",
        "$RECYCLE.BIN",
        ".DS_Store",
    ];

    /// What was asked of `copy` or `prove`.
    #[derive(Debug, Default)]
    struct Asked {
        cards: Vec<PathBuf>,
        drives: Vec<PathBuf>,
        copies: usize,
        /// Names and places may be others.
        by_content: bool,
    }

    /// Reads a command line; nothing where it proves nothing.
    fn asked(command: &Command) -> Option<Asked> {
        let here = command.get_current_dir()?;
        let mut words = command.get_args().map(OsStr::to_string_lossy);
        let verb = words.next()?;
        if !["copy", "prove"].contains(&&*verb) {
            return None;
        }
        let mut asked = Asked {
            copies: 2,
            ..Asked::default()
        };
        while let Some(word) = words.next() {
            let (flag, value) = match word.split_once('=') {
                Some((flag, value)) if flag.starts_with('-') => (flag.to_owned(), value.to_owned()),
                _ if !word.starts_with('-') => {
                    asked.cards.push(here.join(&*word));
                    continue;
                }
                _ if word == "--dry-run" || word == "--help" => return None,
                _ if ALONE.contains(&&*word) => {
                    asked.by_content |= word == "--by-content";
                    continue;
                }
                _ => (word.into_owned(), words.next()?.into_owned()),
            };
            match &*flag {
                // A place elsewhere, as the tests of those call it, is in this folder.
                "--on" if value == "nas" && !here.join("nas").exists() => {
                    asked.drives.push(here.join("place"));
                }
                "--to" | "--on" => asked.drives.push(here.join(value)),
                "--copies" => asked.copies = value.parse().ok()?,
                _ => {}
            }
        }
        // Without a read, `prove` says that it went by names, sizes and dates; other drives come
        // from the ledger.
        let is_read =
            verb == "copy" || asked.by_content || command.get_args().any(|a| a == "--reread");
        Some(asked).filter(|asked| is_read && !asked.drives.is_empty())
    }

    /// Fails if the program said PROVEN and what it was asked for is not there.
    pub(crate) fn after_run(command: &Command, code: Option<i32>, said: &str) {
        let is_ours = command.get_program() == env!("CARGO_BIN_EXE_unlade");
        let Some(asked) = asked(command).filter(|_| is_ours && code == Some(0)) else {
            return;
        };
        for card in &asked.cards {
            let lies = mount::lies_told(card);
            let mut card = mount::backing_of(card);
            // An offload that is copied further counts itself.
            let mut whole = usize::from(card.join("_unlade").is_dir());
            if whole > 0 && card.join("bagit.txt").is_file() {
                card.push("data");
            }
            let listed = entries(&card);
            let mut earlier = REWRITTEN.lock().unwrap().clone();
            earlier.retain(|(path, _)| said.contains(NOT_READ) && path.starts_with(&card));
            let mut told = Vec::new();
            for drive in &asked.drives {
                let lost = lost((&card, &listed), &earlier, drive, asked.by_content);
                // A bit that a reader flipped once can't be seen without reading the card twice.
                if lost.len() <= lies {
                    whole += 1;
                } else {
                    told.push(format!("{}: {lost:#?}", drive.display()));
                }
            }
            assert!(
                whole >= asked.copies,
                "a false PROVEN: {whole} of {} copies of {} hold: {told:#?} {command:?}",
                asked.copies,
                card.display(),
            );
        }
    }

    /// Every file and folder below a card's root, as relative paths, without litter and our
    /// records. Leaves no trace of itself.
    fn entries(root: &Path) -> Vec<(PathBuf, bool)> {
        let is_litter =
            |name: &str| LITTER.contains(&name) || name.starts_with("._") || name == "_unlade";
        let (mut found, mut ahead) = (Vec::new(), vec![PathBuf::new()]);
        while let Some(folder) = ahead.pop() {
            let flags = OFlags::DIRECTORY | OFlags::NOATIME | OFlags::CLOEXEC;
            let open = rustix::fs::open(root.join(&folder), flags, Mode::empty());
            let Ok(listed) = open.and_then(Dir::new) else {
                continue;
            };
            for entry in listed.flatten() {
                let name = entry.file_name().to_string_lossy();
                if matches!(&*name, "." | "..") || is_litter(&name) {
                    continue;
                }
                let path = folder.join(OsStr::from_bytes(entry.file_name().to_bytes()));
                let kind = root.join(&path).symlink_metadata();
                let is_folder = kind.is_ok_and(|meta| meta.is_dir());
                if is_folder {
                    ahead.push(path.clone());
                }
                found.push((path, is_folder));
            }
        }
        found
    }

    /// What of a card is not on a drive, or would not be after a power cut.
    fn lost(
        (card, listed): (&Path, &[(PathBuf, bool)]),
        earlier: &[(PathBuf, Vec<u8>)],
        drive: &Path,
        by_content: bool,
    ) -> Vec<String> {
        let backing = mount::backing_of(drive);
        let stand: Vec<PathBuf> = WalkDir::new(&backing)
            .follow_root_links(true)
            .into_iter()
            .filter_map(Result::ok)
            .map(walkdir::DirEntry::into_path)
            .collect();
        let mut lost = Vec::new();
        for (path, is_folder) in listed {
            let source = card.join(path);
            let before = earlier.iter().find(|(path, _)| *path == source);
            let holds = |at: &Path| {
                let held = |before: &Vec<u8>| std::fs::read(at).is_ok_and(|now| now == *before);
                is_same(&source, at) || before.is_some_and(|(_, before)| held(before))
            };
            let is_it = |at: &&PathBuf| match is_folder {
                true => at.ends_with(path) && at.is_dir(),
                false => (by_content || at.ends_with(path)) && holds(at),
            };
            let would_lose = |at: &PathBuf| {
                let inside = at.strip_prefix(&backing).map(|below| drive.join(below));
                inside.ok().and_then(|at| mount::would_lose(&at))
            };
            if by_content && *is_folder {
                continue;
            }
            let mut found = stand.iter().filter(is_it).peekable();
            if found.peek().is_none() {
                lost.push(format!("{} is not there", path.display()));
            } else if found.all(|at| would_lose(at).is_some()) {
                lost.push(format!("{} would be lost in a power cut", path.display()));
            }
        }
        lost
    }

    fn is_same(one: &Path, other: &Path) -> bool {
        let open = |path: &Path| {
            let meta = path
                .symlink_metadata()
                .ok()
                .filter(std::fs::Metadata::is_file)?;
            let mut quietly = File::options();
            quietly.read(true).custom_flags(libc::O_NOATIME);
            let open = quietly.open(path).or_else(|_| File::open(path));
            Some((open.ok()?, meta.len()))
        };
        let (Some((mut a, a_bytes)), Some((mut b, b_bytes))) = (open(one), open(other)) else {
            return false;
        };
        let (mut left, mut here, mut there) = (a_bytes, vec![0; 1 << 16], vec![0; 1 << 16]);
        while a_bytes == b_bytes && left > 0 {
            let n = usize::try_from(left).unwrap_or(usize::MAX).min(here.len());
            if a.read_exact(&mut here[..n]).is_err()
                || b.read_exact(&mut there[..n]).is_err()
                || here[..n] != there[..n]
            {
                return false;
            }
            left -= u64::try_from(n).unwrap_or(left);
        }
        a_bytes == b_bytes
    }
}
