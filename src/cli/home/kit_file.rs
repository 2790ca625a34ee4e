//! Owns `kit.toml` as a file: read with a limit, replaced in one step or not at all, never when
//! somebody else changed it meanwhile.

use crate::cli::exit::Exit;
use camino::{Utf8Path, Utf8PathBuf};
use std::fs::{self, File, TryLockError};
use std::io::{self, Read as _, Write as _};
use unlade::disk::home::{make_folder, open_plain};
use unlade::kit::Kit;
use unlade::kit::edit::EditError;
use unlade::kit::mistake::{Fault, Mistake};
use unlade::kit::{TEXT_BYTES_MAX, text};
use unlade::name::shown;

/// The file's name in the folder for kit and ledger.
pub(crate) const FILE: &str = "kit.toml";

/// Why a kit could not be read or changed.
#[derive(Debug)]
pub(crate) enum KitError {
    /// The system said no.
    System(Utf8PathBuf, &'static str, io::Error),
    /// The text is faulty.
    Faulty(Utf8PathBuf, Vec<Fault>),
    /// The edit makes no sense.
    Edit(EditError),
    /// Somebody changed it between reading and replacing.
    Changed(Utf8PathBuf),
    /// Somebody made it read-only.
    ReadOnly(Utf8PathBuf),
}

impl KitError {
    /// Returns the end that this is: what the command line names is its own fault, all else a
    /// refusal.
    pub(crate) fn exit(&self) -> Exit {
        match self {
            Self::Edit(EditError::Exists(..) | EditError::Unknown(_)) => Exit::Usage,
            _ => Exit::Refused,
        }
    }

    /// Returns what went wrong, one line for each thing.
    pub(crate) fn lines(&self) -> Vec<String> {
        match self {
            Self::System(path, step, cause) => {
                vec![format!(
                    "`{}` could not {step}: {cause}",
                    shown(path.as_str())
                )]
            }
            Self::Faulty(path, faults) => {
                let mut lines = vec![format!(
                    "`{}` cannot be used as it is; nothing was changed.",
                    shown(path.as_str())
                )];
                lines.extend(faults.iter().map(ToString::to_string));
                lines.push(
                    "Correct these lines in a text editor, then run the same command again."
                        .to_owned(),
                );
                lines
            }
            Self::Edit(EditError::Exists(kind, name)) => vec![format!(
                "there is a {kind} `{}` already; --update changes it, another name adds one.",
                shown(name)
            )],
            Self::Edit(EditError::Unknown(unknown)) => vec![format!("{unknown}.")],
            Self::Edit(EditError::Refused(faults) | EditError::Faulty(faults)) => {
                let mut lines =
                    vec!["this would not be a sound kit; nothing was changed.".to_owned()];
                // The line numbers are those of a text that was never written.
                lines.extend(faults.iter().map(|f| {
                    if f.field.is_empty() {
                        f.why.to_string()
                    } else {
                        format!("{}: {}", f.field, f.why)
                    }
                }));
                lines
            }
            Self::ReadOnly(path) => {
                let path = shown(path.as_str());
                let how = if cfg!(windows) {
                    "attrib -r"
                } else {
                    "chmod u+w"
                };
                vec![format!(
                    "`{path}` is read-only for you; nothing was changed. To have it changed, make \
                    it writable first ({how}), then run the same command again."
                )]
            }
            Self::Changed(path) => vec![format!(
                "`{}` was changed by somebody else at this moment; nothing was changed. Run the \
                same command again.",
                shown(path.as_str())
            )],
        }
    }
}

/// Reads the kit in the folder; without a file it is empty.
pub(crate) fn read(home: &Utf8Path) -> Result<Kit, KitError> {
    let path = home.join(FILE);
    let Some(text) = text_of(&path)? else {
        return Ok(Kit::default());
    };
    text::read(&text).map_err(|faults| KitError::Faulty(path, faults))
}

/// Returns the text of the kit in the folder, as an edit of it begins with.
#[cfg_attr(not(feature = "desk"), expect(dead_code, reason = "the page has it"))]
pub(crate) fn text_to_edit(home: &Utf8Path) -> Result<String, KitError> {
    let text = text_of(&home.join(FILE))?;
    Ok(text.unwrap_or_else(|| text::NEW.to_owned()))
}

/// How often a kit that another program holds is tried, with a wait between two tries.
const LOCK_TRIES: u32 = 30;

/// Edits the kit in the folder, which is made if it is missing. `wait` is called between two tries
/// to get at a kit that another program holds.
pub(crate) fn edit(
    home: &Utf8Path,
    wait: impl FnMut(),
    change: impl FnOnce(&str) -> Result<String, EditError>,
) -> Result<(), KitError> {
    let failed = |path: &Utf8Path, step| {
        let path = path.to_owned();
        move |cause| KitError::System(path, step, cause)
    };
    make_folder(home).map_err(failed(home, "be created as a folder"))?;
    let folder = open_to_lock(home).map_err(failed(home, "be opened"))?;
    lock(&folder, wait).map_err(failed(home, "be locked"))?;
    let link = home.join(FILE);
    let before = text_of(&link)?;
    let old = before.as_deref().unwrap_or(text::NEW);
    let new = change(old).map_err(|error| match error {
        EditError::Faulty(faults) => KitError::Faulty(link.clone(), faults),
        other => KitError::Edit(other),
    })?;
    if before.as_deref() == Some(new.as_str()) {
        return Ok(());
    }
    // A kit may be a link into a folder that the person keeps under version control.
    let path = match before {
        Some(_) => link
            .canonicalize_utf8()
            .map_err(failed(&link, "be found"))?,
        None => link,
    };
    // Another file in its place would be writable: who made this one read-only meant it.
    if before.is_some() && is_read_only(&path) {
        return Err(KitError::ReadOnly(path));
    }
    replace(&path, before.as_deref(), &new)
}

/// Whether a file is read-only by its mode or attribute, whoever asks, or for this user.
fn is_read_only(path: &Utf8Path) -> bool {
    let by_mode = fs::metadata(path).is_ok_and(|meta| meta.permissions().readonly());
    #[cfg(unix)]
    {
        use rustix::fs::{Access, access};
        by_mode || access(path.as_std_path(), Access::WRITE_OK).is_err()
    }
    #[cfg(not(unix))]
    by_mode
}

/// Lets one editing program at a time through; a person's editor is caught by comparing the text.
/// Where the file system has no locks, that comparison is all there is.
fn lock(folder: &File, mut wait: impl FnMut()) -> io::Result<()> {
    for attempt in 1..=LOCK_TRIES {
        match folder.try_lock() {
            Err(TryLockError::WouldBlock) if attempt < LOCK_TRIES => wait(),
            Err(TryLockError::WouldBlock) => {
                return Err(io::Error::other("another program holds it"));
            }
            _ => break,
        }
    }
    Ok(())
}

/// Writes beside the file, makes it durable and gives it the file's name, unless the file is no
/// longer what it was.
fn replace(path: &Utf8Path, before: Option<&str>, new: &str) -> Result<(), KitError> {
    let failed = |step| move |cause| KitError::System(path.to_owned(), step, cause);
    let folder = path.parent().unwrap_or(Utf8Path::new("."));
    let mut part = tempfile::Builder::new()
        .prefix(".kit-")
        .suffix(".tmp")
        .tempfile_in(folder)
        .map_err(failed("be written"))?;
    part.write_all(new.as_bytes())
        .map_err(failed("be written"))?;
    if before.is_some() {
        let mode = fs::metadata(path)
            .map_err(failed("be looked at"))?
            .permissions();
        part.as_file()
            .set_permissions(mode)
            .map_err(failed("be given its permissions"))?;
    }
    part.as_file()
        .sync_all()
        .map_err(failed("be flushed to the drive"))?;
    if text_of(path)?.as_deref() != before {
        return Err(KitError::Changed(path.to_owned()));
    }
    let named = if before.is_some() {
        part.persist(path)
    } else {
        part.persist_noclobber(path)
    };
    match named {
        Ok(_) => {}
        Err(e) if e.error.kind() == io::ErrorKind::AlreadyExists => {
            return Err(KitError::Changed(path.to_owned()));
        }
        Err(e) => return Err(failed("be replaced")(e.error)),
    }
    flush(folder).map_err(failed("have its folder flushed to the drive"))
}

/// Opens what is locked while the kit is edited: its folder.
#[cfg(unix)]
fn open_to_lock(home: &Utf8Path) -> io::Result<File> {
    File::open(home)
}

/// Windows locks no folders: an empty file in it stands for it.
#[cfg(not(unix))]
fn open_to_lock(home: &Utf8Path) -> io::Result<File> {
    fs::OpenOptions::new()
        .write(true)
        .create(true)
        .truncate(false)
        .open(home.join("kit.lock"))
}

#[cfg(unix)]
fn flush(folder: &Utf8Path) -> io::Result<()> {
    File::open(folder)?.sync_all()
}

/// Windows has no such call for every folder; the file itself is flushed.
#[cfg(not(unix))]
#[expect(
    clippy::unnecessary_wraps,
    reason = "the same question has another answer elsewhere"
)]
fn flush(_folder: &Utf8Path) -> io::Result<()> {
    Ok(())
}

/// Returns the text of a file; `None` when there is no file.
fn text_of(path: &Utf8Path) -> Result<Option<String>, KitError> {
    let failed = |step| move |cause| KitError::System(path.to_owned(), step, cause);
    match fs::metadata(path) {
        // A link that leads nowhere is not an absent kit.
        Err(e) if e.kind() == io::ErrorKind::NotFound && fs::symlink_metadata(path).is_err() => {
            return Ok(None);
        }
        Err(e) => return Err(failed("be looked at")(e)),
        Ok(_) => {}
    }
    let limit = unlade::units::len64(TEXT_BYTES_MAX) + 1;
    let mut bytes = Vec::new();
    open_plain(path, fs::OpenOptions::new().read(true))
        .and_then(|file| file.take(limit).read_to_end(&mut bytes))
        .map_err(failed("be read"))?;
    match String::from_utf8(bytes) {
        Ok(text) => Ok(Some(text)),
        Err(error) => {
            let valid = error.utf8_error().valid_up_to();
            let before = error.as_bytes().get(..valid).unwrap_or_default();
            let line = before.split(|&b| b == b'\n').count();
            let fault = Fault {
                line,
                field: String::new(),
                why: Mistake::NotUtf8,
            };
            Err(KitError::Faulty(path.to_owned(), vec![fault]))
        }
    }
}

#[cfg(test)]
#[expect(
    clippy::disallowed_methods,
    reason = "the tests play a person with an editor"
)]
mod tests {
    use super::*;
    use std::cell::RefCell;
    use unlade::kit::KitCard;
    use unlade::kit::edit::{KitEntry, add};

    fn folder() -> (tempfile::TempDir, Utf8PathBuf) {
        let dir = tempfile::tempdir().unwrap();
        let path = Utf8PathBuf::from_path_buf(dir.path().to_path_buf()).unwrap();
        (dir, path)
    }

    fn card(name: &str) -> KitEntry {
        KitEntry::Card(KitCard {
            name: name.into(),
            ..KitCard::default()
        })
    }

    #[test]
    fn a_kit_that_changed_meanwhile_is_not_replaced() {
        let (_dir, home) = folder();
        let file = home.join(FILE);
        let theirs = "[[card]]\nname = \"theirs\"\n";
        for first in [None, Some("# mine\n")] {
            if let Some(text) = first {
                fs::write(&file, text).unwrap();
            }
            let result = edit(
                &home,
                || {},
                |text| {
                    fs::write(&file, theirs).unwrap();
                    add(text, &card("A1"))
                },
            );
            assert!(matches!(result, Err(KitError::Changed(_))), "{result:?}");
            assert_eq!(fs::read_to_string(&file).unwrap(), theirs);
            fs::remove_file(&file).unwrap();
        }
        let stays = fs::read_dir(&home)
            .unwrap()
            .filter(|entry| entry.as_ref().unwrap().file_name() != "kit.lock");
        assert_eq!(stays.count(), 0, "no part file stays");
    }

    #[test]
    fn programs_that_add_at_once_all_get_their_entry() {
        let (_dir, home) = folder();
        std::thread::scope(|scope| {
            for n in 0..8 {
                let home = &home;
                scope.spawn(move || {
                    for m in 0..5 {
                        let entry = card(&format!("A{n}{m}"));
                        // Held for too long is told; who is told so tries again.
                        while let Err(e) =
                            edit(home, std::thread::yield_now, |text| add(text, &entry))
                        {
                            assert!(e.lines()[0].contains("another program"), "{e:?}");
                        }
                    }
                });
            }
        });
        assert_eq!(read(&home).unwrap().cards.len(), 40);
    }

    #[test]
    fn a_kit_that_is_held_is_waited_for_and_then_given_up() {
        let (_dir, home) = folder();
        let holder = RefCell::new(Some(open_to_lock(&home).unwrap()));
        holder.borrow().as_ref().unwrap().lock().unwrap();
        let mut waits = 0;
        let held = edit(&home, || waits += 1, |text| add(text, &card("A1")));
        assert!(held.unwrap_err().lines()[0].contains("another program"));
        assert_eq!(waits, LOCK_TRIES - 1);
        let release = || drop(holder.take());
        edit(&home, release, |text| add(text, &card("A1"))).unwrap();
        assert_eq!(read(&home).unwrap().cards.len(), 1);
    }

    #[cfg(unix)]
    #[test]
    fn a_kit_that_is_read_only_is_not_replaced() {
        use std::os::unix::fs::PermissionsExt as _;
        let (_dir, home) = folder();
        let file = home.join(FILE);
        fs::write(&file, "# ours\n").unwrap();
        let mode = |mode| fs::set_permissions(&file, fs::Permissions::from_mode(mode)).unwrap();
        mode(0o444);
        let refused = edit(&home, || {}, |text| add(text, &card("A1"))).unwrap_err();
        assert!(refused.lines()[0].contains("is read-only for you; nothing was changed"));
        assert_eq!(refused.exit(), Exit::Refused);
        assert_eq!(fs::read_to_string(&file).unwrap(), "# ours\n");
        // What changes nothing is no change.
        edit(&home, || {}, |text| Ok(text.to_owned())).unwrap();
        mode(0o644);
        edit(&home, || {}, |text| add(text, &card("A1"))).unwrap();
    }

    #[cfg(unix)]
    #[test]
    fn a_link_stays_a_link_and_modes_stay() {
        use std::os::unix::fs::PermissionsExt as _;
        let (_dir, home) = folder();
        let real = home.join("elsewhere.toml");
        fs::write(&real, "# kept\n").unwrap();
        fs::set_permissions(&real, fs::Permissions::from_mode(0o640)).unwrap();
        let folder = home.join("h");
        fs::create_dir(&folder).unwrap();
        std::os::unix::fs::symlink("../elsewhere.toml", folder.join(FILE)).unwrap();
        edit(&folder, || {}, |text| add(text, &card("A1"))).unwrap();
        assert!(
            fs::symlink_metadata(folder.join(FILE))
                .unwrap()
                .is_symlink()
        );
        assert!(fs::read_to_string(&real).unwrap().starts_with("# kept\n"));
        assert_eq!(
            fs::metadata(&real).unwrap().permissions().mode() & 0o777,
            0o640
        );
        fs::remove_file(&real).unwrap();
        let gone = edit(&folder, || {}, |text| add(text, &card("A2")));
        assert!(matches!(gone, Err(KitError::System(..))), "{gone:?}");
    }

    #[test]
    fn what_is_no_text_is_told_with_its_line() {
        let (_dir, home) = folder();
        let bytes = b"# one\n# two\n\xff\n";
        fs::write(home.join(FILE), bytes).unwrap();
        let error = read(&home).unwrap_err();
        assert!(error.lines()[1].starts_with("line 3:"), "{error:?}");
        let kept = edit(&home, || {}, |text| add(text, &card("A1")));
        assert!(kept.is_err());
        assert_eq!(fs::read(home.join(FILE)).unwrap(), bytes);
    }
}
