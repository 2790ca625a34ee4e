//! Owns what is plugged in: which mounted volumes are cards and which are drives, and why each was
//! taken for one. It looks; it writes nothing.

use crate::cli::args::meant::quoted;
use crate::cli::home::places::place_of;
use camino::{Utf8Path, Utf8PathBuf};
use std::io;
use unlade::disk::{CAMERA_FOLDERS, Disk, EntryKind, FolderFacts, MountedFolder};
use unlade::existing::search::any_offload;
use unlade::kit::Kit;

/// Folders of one volume that are looked into for offloads: this is no search, and must be quick.
const FOLDERS_MAX: usize = 500;

/// Why a volume is a card.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum CardSign {
    /// The kit has it, by this name.
    Kit(String),
    /// This folder, which only cameras make, is at its top.
    Camera(&'static str),
}

/// Why a volume is a drive. The first is the surest.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) enum DriveSign {
    /// The kit has it, by this name.
    Kit(String),
    /// Offloads are on it.
    Offloads,
    /// It can be written to, and no camera's folder is on it.
    Writable,
}

/// What a volume is.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(crate) enum Role {
    Card(CardSign),
    Drive(DriveSign),
}

/// A card or drive that is plugged in.
#[derive(Clone, Debug)]
pub(crate) struct Plugged {
    /// Where it is mounted; of a drive of the kit, its folder for copies.
    pub(crate) path: Utf8PathBuf,
    /// How it is given to a command, as a shell takes it.
    pub(crate) given: String,
    /// Its name in the kit, its label, or the folder's name.
    pub(crate) name: String,
    pub(crate) facts: FolderFacts,
    pub(crate) holds_offloads: bool,
    /// Its disk can be unplugged, where the system tells.
    pub(crate) is_removable: Option<bool>,
    pub(crate) role: Role,
}

/// What is known of a volume before it is judged.
#[derive(Clone, Default, Debug)]
struct Signs {
    /// The name of the card in the kit.
    card: Option<String>,
    /// The name of the drive in the kit.
    drive: Option<String>,
    /// The system, the person's home or another volume of their disk.
    is_computers_own: bool,
    holds_offloads: bool,
    camera_folder: Option<&'static str>,
    is_removable: Option<bool>,
    is_read_only: bool,
}

/// Judges what a volume is; `None` where it is neither. The kit's word counts before all else.
fn judge(signs: &Signs) -> Option<Role> {
    if let Some(card) = &signs.card {
        return Some(Role::Card(CardSign::Kit(card.clone())));
    }
    if let Some(drive) = &signs.drive {
        return Some(Role::Drive(DriveSign::Kit(drive.clone())));
    }
    if signs.is_computers_own {
        return None;
    }
    if signs.holds_offloads {
        return Some(Role::Drive(DriveSign::Offloads));
    }
    match signs.camera_folder {
        Some(_) if signs.is_removable == Some(false) => None,
        Some(folder) => Some(Role::Card(CardSign::Camera(folder))),
        None => (!signs.is_read_only).then_some(Role::Drive(DriveSign::Writable)),
    }
}

/// Returns the cards and drives that are plugged in, in the system's order; `None` where the system
/// is not asked.
///
/// # Errors
/// When the system does not say what is mounted.
pub(crate) fn plugged(kit: &Kit, disk: &dyn Disk) -> io::Result<Option<Vec<Plugged>>> {
    let Some(mounted) = disk.mounted()? else {
        return Ok(None);
    };
    let system = disk.facts(Utf8Path::new("/")).ok();
    let system = system.and_then(|facts| facts.own_disk);
    // What does not answer any more is not plugged in.
    let seen = mounted.into_iter();
    let seen = seen.filter_map(|at| Some((disk.facts(&at.path).ok()?, at)));
    let mut all: Vec<(FolderFacts, MountedFolder)> = Vec::new();
    for (facts, at) in seen {
        // A volume may be mounted in several places, and a part of it in others.
        match all
            .iter_mut()
            .find(|(other, _)| other.device == facts.device)
        {
            Some(other) if other.0.shows_folder && !facts.shows_folder => *other = (facts, at),
            Some(_) => {}
            None => all.push((facts, at)),
        }
    }
    let each = all.into_iter();
    Ok(Some(
        each.filter_map(|seen| look(seen, system.as_ref(), kit, disk))
            .collect(),
    ))
}

/// Looks at one volume.
fn look(
    (facts, at): (FolderFacts, MountedFolder),
    system: Option<&String>,
    kit: &Kit,
    disk: &dyn Disk,
) -> Option<Plugged> {
    let volume = facts.volume_id.as_deref();
    let ids = disk.device_info(&facts).card_ids(volume);
    let card = ids.iter().find_map(|id| kit.card_of(id));
    let drive = volume.and_then(|id| kit.drive_of(id));
    let drive = drive.and_then(|drive| Some((drive.name.clone(), place_of(drive, disk).ok()?)));
    let (drive, folder) = drive.unzip();
    let is_on_system = facts.own_disk.is_some() && facts.own_disk.as_ref() == system;
    let is_computers_own = facts.is_own_volume || is_on_system;
    let path = folder.unwrap_or(at.path);
    let is_asked = !is_computers_own || drive.is_some();
    let signs = Signs {
        card: card.map(|card| card.name.clone()),
        holds_offloads: is_asked && any_offload(disk, &path, FOLDERS_MAX).is_some(),
        camera_folder: camera_folder(&path, disk),
        is_removable: at.is_removable,
        is_read_only: facts.read_only,
        is_computers_own,
        drive,
    };
    let role = judge(&signs)?;
    let label = facts.label.clone().filter(|_| !facts.is_own_volume);
    let name = signs.card.clone().or(signs.drive.clone()).or(label);
    // A folder of that name would win over the kit.
    let is_free = |name: &&String| matches!(disk.look(Utf8Path::new(name)), Ok(None));
    let given = signs.drive.as_ref().filter(is_free);
    Some(Plugged {
        given: quoted(given.map_or(path.as_path(), |name| Utf8Path::new(name))),
        name: name.unwrap_or_else(|| path.file_name().unwrap_or(path.as_str()).to_owned()),
        path,
        facts,
        holds_offloads: signs.holds_offloads,
        is_removable: signs.is_removable,
        role,
    })
}

/// The first folder that only cameras make at the top of a volume.
fn camera_folder(top: &Utf8Path, disk: &dyn Disk) -> Option<&'static str> {
    let is_there = |name: &&&str| {
        let stat = disk.look(&top.join(name));
        matches!(stat, Ok(Some(stat)) if stat.kind == EntryKind::Folder)
    };
    CAMERA_FOLDERS.iter().find(is_there).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_camera_makes_a_card_unless_more_is_known() {
        let camera = Signs {
            camera_folder: Some("DCIM"),
            ..Signs::default()
        };
        let card = Some(Role::Card(CardSign::Camera("DCIM")));
        for is_removable in [None, Some(true)] {
            let signs = Signs {
                is_removable,
                is_read_only: true,
                ..camera.clone()
            };
            assert_eq!(judge(&signs), card, "its lock may be set");
        }
        let fixed = Signs {
            is_removable: Some(false),
            ..camera.clone()
        };
        assert_eq!(judge(&fixed), None);
        let offloads = Signs {
            holds_offloads: true,
            ..camera.clone()
        };
        assert_eq!(judge(&offloads), Some(Role::Drive(DriveSign::Offloads)));
        let own = Signs {
            is_computers_own: true,
            holds_offloads: true,
            ..camera
        };
        assert_eq!(judge(&own), None);
    }

    #[test]
    fn the_kit_has_the_first_word() {
        let all = Signs {
            card: Some("A1".to_owned()),
            drive: Some("Attic".to_owned()),
            is_computers_own: true,
            holds_offloads: true,
            camera_folder: Some("DCIM"),
            is_removable: Some(false),
            is_read_only: true,
        };
        let card = Role::Card(CardSign::Kit("A1".to_owned()));
        assert_eq!(judge(&all), Some(card));
        let drive = Role::Drive(DriveSign::Kit("Attic".to_owned()));
        assert_eq!(judge(&Signs { card: None, ..all }), Some(drive));
    }

    #[test]
    fn what_no_camera_wrote_to_is_a_drive_if_it_can_be_written_to() {
        let drive = Some(Role::Drive(DriveSign::Writable));
        assert_eq!(judge(&Signs::default()), drive);
        let locked = Signs {
            is_read_only: true,
            ..Signs::default()
        };
        assert_eq!(judge(&locked), None);
        assert!(DriveSign::Kit("Z".to_owned()) < DriveSign::Offloads);
        assert!(DriveSign::Offloads < DriveSign::Writable);
    }
}
