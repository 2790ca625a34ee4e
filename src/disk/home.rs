//! Owns the person's own folder, where kit and ledger are: a bounded look at a file, and appending
//! a line that two programs at once and a crash cannot spoil. It knows nothing of cards and drives.

use camino::Utf8Path;
use std::fs::{DirBuilder, File, OpenOptions, TryLockError};
use std::io::{self, Read as _, Seek as _, SeekFrom, Write as _};

/// How often a file that another program holds is tried, a tenth of a second apart.
const LOCK_TRIES: u32 = 30;

/// Opens a file that a person named, or has: a pipe or device in its place is refused at once,
/// where an ordinary open would wait for somebody at its other end.
///
/// # Errors
/// What the system says, or that it is no plain file.
pub fn open_plain(path: &Utf8Path, options: &mut OpenOptions) -> io::Result<File> {
    open_checked(path, options, true)
}

/// Opens a file of the folder's own, through no link: it might lead onto a card.
fn open_own(path: &Utf8Path, options: &mut OpenOptions) -> io::Result<File> {
    open_checked(path, options, false)
}

fn open_checked(path: &Utf8Path, options: &mut OpenOptions, follows: bool) -> io::Result<File> {
    let is_plain = |meta: std::fs::Metadata| {
        let what = if meta.is_symlink() {
            "it is a link, which is not followed"
        } else {
            "it is not a plain file"
        };
        let refused = || io::Error::other(what);
        meta.is_file().then_some(()).ok_or_else(refused)
    };
    let meta = if follows {
        std::fs::metadata(path)
    } else {
        std::fs::symlink_metadata(path)
    };
    // A device may do something when it is opened. What is to be made need not be there yet;
    // anything else the open says.
    if let Ok(meta) = meta {
        is_plain(meta)?;
    }
    // What took its place since is not waited for or followed either.
    #[cfg(unix)]
    {
        let mut flags = rustix::fs::OFlags::NONBLOCK;
        flags.set(rustix::fs::OFlags::NOFOLLOW, !follows);
        let flags = i32::try_from(flags.bits()).unwrap_or(0);
        std::os::unix::fs::OpenOptionsExt::custom_flags(options, flags);
    }
    let file = options.open(path)?;
    is_plain(file.metadata()?)?;
    Ok(file)
}

/// Returns the end of a file, at most `limit` bytes of it, beginning with a whole line; nothing
/// when there is no such file. The second value says whether something was left out.
///
/// # Errors
/// What the system says.
pub fn read_tail(path: &Utf8Path, limit: u64) -> io::Result<(Vec<u8>, bool)> {
    let mut file = match open_own(path, OpenOptions::new().read(true)) {
        Ok(file) => file,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok((Vec::new(), false)),
        Err(e) => return Err(e),
    };
    let skipped = file.metadata()?.len().saturating_sub(limit);
    let mut text = Vec::new();
    read_unlocked(&mut file, skipped, limit, &mut text)?;
    if skipped > 0 {
        let first = text.iter().position(|b| *b == b'\n').map_or(0, |at| at + 1);
        text.drain(..first);
    }
    Ok((text, skipped > 0))
}

/// Reads at most `limit` bytes from `start` on. On Windows the lock of a program that is just
/// appending keeps readers out too; it is waited for as long as that takes, a moment each time.
fn read_unlocked(file: &mut File, start: u64, limit: u64, into: &mut Vec<u8>) -> io::Result<()> {
    const LOCK_VIOLATION: i32 = 33;
    let mut tries = 0;
    loop {
        into.clear();
        file.seek(SeekFrom::Start(start))?;
        match file.take(limit).read_to_end(into) {
            Err(e) if cfg!(windows) && e.raw_os_error() == Some(LOCK_VIOLATION) => {
                tries += 1;
                if tries > LOCK_TRIES {
                    return Err(e);
                }
                pause();
            }
            other => return other.map(drop),
        }
    }
}

#[expect(
    clippy::disallowed_methods,
    reason = "a tenth of a second for another program, which no clock of a test needs to see"
)]
fn pause() {
    std::thread::sleep(std::time::Duration::from_millis(100));
}

/// Appends one whole line and makes it durable; the folder is made if it is not there. A torn last
/// line of a run that crashed is closed first, so that it spoils no other.
///
/// # Errors
/// What the system says, or that another program holds the file.
pub fn append_line(path: &Utf8Path, line: &str, mut wait: impl FnMut()) -> io::Result<()> {
    if let Some(folder) = path.parent() {
        make_folder(folder)?;
    }
    let mut options = OpenOptions::new();
    options.read(true).append(true).create(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = open_own(path, &mut options)?;
    let mut tries = 0;
    while let Err(e) = file.try_lock() {
        tries += 1;
        match e {
            TryLockError::WouldBlock if tries < LOCK_TRIES => wait(),
            TryLockError::WouldBlock => {
                return Err(io::Error::other("another program holds it"));
            }
            // Without locks the one write below is still whole on every local file system.
            TryLockError::Error(_) => break,
        }
    }
    let length = file.seek(SeekFrom::End(0))?;
    let mut bytes = Vec::with_capacity(line.len() + 2);
    if length > 0 {
        let mut last = [0_u8; 1];
        file.seek(SeekFrom::Start(length - 1))?;
        file.read_exact(&mut last)?;
        if last != [b'\n'] {
            bytes.push(b'\n');
        }
    }
    bytes.extend_from_slice(line.as_bytes());
    if !line.ends_with('\n') {
        bytes.push(b'\n');
    }
    file.write_all(&bytes)?;
    file.sync_data()
}

/// Returns the names in a folder, sorted; none when there is no such folder.
///
/// # Errors
/// What the system says.
pub fn names_in(folder: &Utf8Path) -> io::Result<Vec<String>> {
    let entries = match folder.read_dir_utf8() {
        Ok(entries) => entries,
        Err(e) if e.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(e) => return Err(e),
    };
    let names = entries.map(|entry| Ok(entry?.file_name().to_owned()));
    let mut names = names.collect::<io::Result<Vec<_>>>()?;
    names.sort();
    Ok(names)
}

/// Opens a file of the folder's own, made if `makes`, and locks it until it is dropped, however the
/// process ends; `None` where another program has locked it.
///
/// # Errors
/// What the system says.
pub fn hold(path: &Utf8Path, makes: bool) -> io::Result<Option<File>> {
    let mut options = OpenOptions::new();
    options.read(true).write(true).create(makes).truncate(false);
    let file = open_own(path, &mut options)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(file)),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(e)) => Err(e),
    }
}

/// Makes the folder for this person alone, if it is not there.
///
/// # Errors
/// What the system says.
pub fn make_folder(folder: &Utf8Path) -> io::Result<()> {
    if folder.as_str().is_empty() || folder.is_dir() {
        return Ok(());
    }
    let mut builder = DirBuilder::new();
    builder.recursive(true);
    // Names of jobs and dates of pictures are nobody else's business.
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(folder)
}

#[cfg(test)]
mod tests {
    use super::*;
    use camino::Utf8PathBuf;

    fn folder() -> (tempfile::TempDir, Utf8PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = Utf8PathBuf::from_path_buf(folder.path().to_path_buf()).unwrap();
        (folder, path)
    }

    #[test]
    fn one_holds_a_file_until_it_is_done_and_no_link_is_followed() {
        let (_folder, home) = folder();
        let path = home.join("held");
        assert!(hold(&path, false).is_err(), "there is none yet");
        let first = hold(&path, true).unwrap();
        assert!(first.is_some() && hold(&path, false).unwrap().is_none());
        drop(first);
        assert!(hold(&path, false).unwrap().is_some());
        #[cfg(unix)]
        {
            std::os::unix::fs::symlink(home.join("elsewhere"), home.join("link")).unwrap();
            assert!(hold(&home.join("link"), true).is_err());
            assert!(!home.join("elsewhere").exists());
        }
    }

    #[test]
    fn lines_are_appended_and_a_torn_one_is_closed() {
        let (_keep, home) = folder();
        let path = home.join("new/deep/ledger.jsonl");
        assert_eq!(read_tail(&path, 100).unwrap(), (Vec::new(), false));
        append_line(&path, "one\n", || {}).unwrap();
        let mut file = OpenOptions::new().append(true).open(&path).unwrap();
        file.write_all(b"torn").unwrap();
        append_line(&path, "two", || {}).unwrap();
        let (text, cut) = read_tail(&path, 100).unwrap();
        assert_eq!(text, b"one\ntorn\ntwo\n");
        assert!(!cut);
        assert_eq!(read_tail(&path, 7).unwrap(), (b"two\n".to_vec(), true));
    }

    #[test]
    fn a_file_that_is_held_is_waited_for_and_then_given_up() {
        let (_keep, home) = folder();
        let path = home.join("ledger.jsonl");
        append_line(&path, "one", || {}).unwrap();
        let mut holder = Some(File::open(&path).unwrap());
        holder.as_ref().unwrap().lock().unwrap();
        let mut waits = 0;
        let held = append_line(&path, "two", || waits += 1);
        assert!(held.unwrap_err().to_string().contains("another program"));
        assert_eq!(waits, LOCK_TRIES - 1);
        let mut waits = 0;
        append_line(&path, "three", || {
            waits += 1;
            // Closing gives the lock back as well.
            drop(holder.take());
        })
        .unwrap();
        assert_eq!(waits, 1);
        assert_eq!(read_tail(&path, 100).unwrap().0, b"one\nthree\n");
    }

    #[test]
    fn two_writers_lose_no_line() {
        let (_keep, home) = folder();
        let path = home.join("ledger.jsonl");
        let path = &path;
        std::thread::scope(|scope| {
            for writer in 0..4 {
                scope.spawn(move || {
                    for n in 0..50 {
                        let line = format!("{writer} {n} {}", "x".repeat(300));
                        while append_line(path, &line, std::thread::yield_now).is_err() {}
                    }
                });
            }
        });
        let (text, _) = read_tail(path, 1 << 20).unwrap();
        let text = String::from_utf8(text).unwrap();
        assert_eq!(text.lines().count(), 200);
        assert!(text.lines().all(|l| l.ends_with(&"x".repeat(300))));
    }
}
