//! Owns the folders of a command line as they are meant: a path as people paste it, or a drive by
//! its name in the kit.

use crate::cli::args::kit::{AddCommand, KitCommand};
use crate::cli::args::{Command, Common, pasted};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::home::on_card::refuse_command;
use crate::cli::view::out::Out;
use camino::{Utf8Path, Utf8PathBuf};
use std::io;
use unlade::disk::{Disk, FolderFacts};
use unlade::kit::{Kit, KitDrive, TOP};
use unlade::name::shown;
use unlade::run::Tools;

/// Puts the paths that are meant in the place of those that were typed. A path that exists always
/// wins over a name of the kit.
///
/// # Errors
/// The exit code, once it is told why a drive of the kit can't be used.
pub(crate) fn find(
    command: &mut Command,
    common: &Common,
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    let disk = tools.disk.as_ref();
    let exists = |path: &Utf8Path| matches!(disk.look(path), Ok(Some(_)));
    for path in paths(command) {
        *path = pasted::meant(path, &exists);
    }
    if drives(command).all(|path| exists(path)) {
        return Ok(());
    }
    // Trouble with the kit is told when it is read for all else.
    let kit = folder(common).and_then(|home| kit_file::read(&home).ok());
    let kit = kit.unwrap_or_default();
    if let Command::Copy(args) | Command::Plan(args) = command {
        let named = |to: &Utf8PathBuf| kit.drive(to.as_str()).ok().filter(|_| !exists(to));
        let volumes = args
            .to
            .iter()
            .map(|to| named(to).map(|d| d.volumes.clone()));
        args.unsaid.volumes = volumes.map(Option::unwrap_or_default).collect();
    }
    let missing = drives(command).filter(|path| !exists(path));
    let found = put_in_place(missing, &kit, disk).and_then(|()| match command {
        // The rest of it is checked all the same.
        Command::Verify(_) => Ok(()),
        _ => no_slip(drives(command).filter(|path| !exists(path)), &kit),
    });
    found.map_err(|why| refuse_command(command, &[why.to_string()], "drive", out, tools))
}

fn put_in_place<'a>(
    paths: impl Iterator<Item = &'a mut Utf8PathBuf>,
    kit: &Kit,
    disk: &dyn Disk,
) -> Result<(), NoDrive> {
    for path in paths {
        if let Ok(drive) = kit.drive(path.as_str()) {
            *path = place_of(drive, disk)?;
        }
    }
    Ok(())
}

/// Refuses what is not there and is a slip away from the name of a drive.
fn no_slip<'a>(paths: impl Iterator<Item = &'a mut Utf8PathBuf>, kit: &Kit) -> Result<(), NoDrive> {
    for path in paths {
        if let Some(drive) = kit.drive_like(path.as_str()) {
            return Err(NoDrive::Slip(shown(path.as_str()), shown(&drive.name)));
        }
    }
    Ok(())
}

/// Why a drive of the kit can't be used by its name.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NoDrive {
    #[error("`{0}` is not there, and the kit has no drive of that name. Did you mean `{1}`?")]
    Slip(String, String),
    #[error("drive `{0}` of the kit is not plugged in. Plug it in and run the same command again.")]
    Away(String),
    #[error(
        "the kit doesn't know drive `{0}` by its volume. Say once where it is: unlade kit add \
         drive {0} --update --at DIR"
    )]
    NoVolume(String),
    #[error(
        "drive `{0}` of the kit is this computer's own disk. Say once which folder: unlade kit \
         add drive {0} --update --at DIR"
    )]
    NoFolder(String),
    #[error("`{1}` and `{2}` both say that they are drive `{0}` of the kit. Give the folder.")]
    Twins(String, String, String),
    #[error("this system doesn't say where drive `{0}` of the kit is. Give the folder.")]
    NotAsked(String),
    #[error("drive `{0}` of the kit can't be looked for ({1}). Give the folder.")]
    Unseen(String, #[source] io::Error),
}

/// Returns the folder for copies on a drive, wherever it is mounted now.
pub(crate) fn place_of(drive: &KitDrive, disk: &dyn Disk) -> Result<Utf8PathBuf, NoDrive> {
    let name = shown(&drive.name);
    if drive.volumes.is_empty() {
        return Err(NoDrive::NoVolume(name));
    }
    let mounted = match disk.mounted() {
        Ok(mounted) => mounted.ok_or_else(|| NoDrive::NotAsked(name.clone()))?,
        Err(cause) => return Err(NoDrive::Unseen(name, cause)),
    };
    let its = |path: &Utf8Path| disk.facts(path).ok().filter(|facts| is_of(facts, drive));
    let all = mounted.into_iter().map(|mounted| mounted.path);
    let all = all.filter_map(|path| Some((its(&path)?, path)));
    let all: Vec<(FolderFacts, Utf8PathBuf)> = all.collect();
    let Some((first, at)) = all.first() else {
        return Err(NoDrive::Away(name));
    };
    if let Some((_, other)) = all.iter().find(|(facts, _)| facts.is_twin_of(first)) {
        let [one, two] = [at, other].map(|path| shown(path.as_str()));
        return Err(NoDrive::Twins(name, one, two));
    }
    let wanted = drive.folder.as_deref().filter(|folder| *folder != TOP);
    if wanted.is_none() && first.is_own_volume {
        return Err(NoDrive::NoFolder(name));
    }
    let wanted = Utf8Path::new(wanted.unwrap_or_default());
    // A mount may show a folder of the volume, and something else may be mounted in it.
    let place = all.iter().find_map(|(facts, at)| {
        let rest = wanted.strip_prefix(facts.within.as_deref()?).ok()?;
        let place: Utf8PathBuf = at.join(rest).components().collect();
        let is_hidden = disk.facts(&place).is_ok_and(|facts| !is_of(&facts, drive));
        (!is_hidden).then_some(place)
    });
    place.ok_or(NoDrive::Away(name))
}

fn is_of(facts: &FolderFacts, drive: &KitDrive) -> bool {
    let id = facts.volume_id.as_deref();
    id.is_some_and(|id| drive.volumes.iter().any(|v| v.eq_ignore_ascii_case(id)))
}

/// What may be a drive by its name.
fn drives(command: &mut Command) -> impl Iterator<Item = &mut Utf8PathBuf> {
    match command {
        Command::Copy(args) | Command::Plan(args) => args.to.iter_mut(),
        Command::Prove(args) => args.on.iter_mut(),
        Command::Verify(args) => args.offloads.iter_mut(),
        Command::Fetch(args) => std::slice::from_mut(&mut args.to).iter_mut(),
        _ => [].iter_mut(),
    }
}

/// The cards, drives and offloads of a command.
fn paths(command: &mut Command) -> Vec<&mut Utf8PathBuf> {
    match command {
        Command::Copy(args) | Command::Plan(args) => {
            args.cards.iter_mut().chain(&mut args.to).collect()
        }
        Command::Prove(args) => std::iter::once(&mut args.card)
            .chain(&mut args.on)
            .collect(),
        Command::Verify(args) => args.offloads.iter_mut().collect(),
        Command::Inspect(args) => args.what.iter_mut().collect(),
        Command::Rate(args) => vec![&mut args.card],
        Command::Report(args) => args.offload.iter_mut().collect(),
        Command::Send(args) => args.offloads.iter_mut().collect(),
        Command::Fetch(args) => vec![&mut args.to],
        Command::Kit {
            what: KitCommand::Add { what },
        } => match what {
            AddCommand::Card(args) => args.at.iter_mut().collect(),
            AddCommand::Drive(args) => args.at.iter_mut().collect(),
            AddCommand::Reader(_) | AddCommand::Place(_) => Vec::new(),
        },
        _ => Vec::new(),
    }
}
