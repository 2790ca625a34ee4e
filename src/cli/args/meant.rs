//! Owns whether the folders of a command line are meant as they stand there: a drive that is taken
//! for a card would be copied and called PROVEN, and a card that is taken for a drive would be
//! written to. In doubt nothing is begun, and the command is printed as it has to be written.

use camino::{Utf8Path, Utf8PathBuf};
use clap::ArgMatches;
use unlade::disk::{Disk, EntryKind, WalkEntry};
use unlade::existing::search::any_offload;
use unlade::kit::Kit;
use unlade::name::shown;

/// Folders that cameras make on their cards (common practice, no source: what makers' manuals
/// show).
const CAMERA_FOLDERS: [&str; 12] = [
    "DCIM", "MISC", "PRIVATE", "AVCHD", "AVF_INFO", "CONTENTS", "CLIP", "CLIPS", "XDROOT", "BPAV",
    "MP_ROOT", "VIDEO",
];

/// Folders that are looked into for offloads, at most.
const FOLDERS_MAX: usize = 2_000;

/// Says how to write a command with several cards of which some stand after `--to`: `--to` takes
/// one folder, so nobody can tell whether another one there is a further drive or a further card.
pub(crate) fn mixed(matches: &ArgMatches) -> Option<String> {
    let (command, args) = matches.subcommand()?;
    if !matches!(command, "copy" | "plan") {
        return None;
    }
    let cards: Vec<&Utf8PathBuf> = args.get_many("cards")?.collect();
    let to: Vec<&Utf8PathBuf> = args.get_many("to")?.collect();
    let first_to = args.indices_of("to")?.min()?;
    let before = args
        .indices_of("cards")?
        .filter(|at| *at < first_to)
        .count();
    if cards.len() < 2 || before == cards.len() {
        return None;
    }
    let (front, behind) = cards.split_at(before);
    // One at least has to be a card.
    let (doubtful, sure) = match front {
        [] => behind.split_at(behind.len() - 1),
        front => (behind, front),
    };
    let write = |cards: &[&Utf8PathBuf], drives: &[&Utf8PathBuf]| {
        let cards = cards.iter().map(|card| quoted(card));
        let drives = drives.iter().map(|drive| format!("--to {}", quoted(drive)));
        let words: Vec<String> = cards.chain(drives).collect();
        format!("unlade {command} {}", words.join(" "))
    };
    let names: Vec<String> = doubtful
        .iter()
        .map(|d| format!("`{}`", shown(d.as_str())))
        .collect();
    let (is, drive, card) = match names.len() {
        1 => ("stands", "it is a further drive", "it is a card"),
        _ => ("stand", "they are further drives", "they are cards"),
    };
    Some(format!(
        "{} {is} after --to, which takes one folder. If {drive}: {}. If {card}: {}.",
        names.join(" and "),
        write(sure, &[to.as_slice(), doubtful].concat()),
        write(&[doubtful, sure].concat(), &to),
    ))
}

/// A path as a shell takes it.
pub(crate) fn quoted(path: &Utf8Path) -> String {
    let is_plain = |c: char| c.is_alphanumeric() || "/._-+:,@%".contains(c);
    let text = shown(path.as_str());
    if text.chars().all(is_plain) {
        text
    } else {
        format!("'{}'", text.replace('\'', r"'\''"))
    }
}

/// Why what is given as a card is a drive.
pub(crate) struct NoCard {
    why: String,
    holds_offloads: bool,
}

/// Says why what is given as a card is a drive: no camera's folders are on it, and the kit knows it
/// as a drive or it holds offloads. An offload itself is none, nor is a card of the kit.
pub(crate) fn drive_as_card(card: &Utf8Path, kit: &Kit, disk: &dyn Disk) -> Option<NoCard> {
    // What can't be looked at is told when its turn comes.
    let facts = disk.facts(card).ok()?;
    if has_cameras_folder(card, disk)? {
        return None;
    }
    let volume = facts.volume_id.as_deref();
    let ids = disk.device_info(&facts).card_ids(volume);
    if ids.iter().any(|id| kit.card_of(id).is_some()) {
        return None;
    }
    let drive = volume.and_then(|id| kit.drive_of(id));
    let inside = any_offload(disk, card, FOLDERS_MAX);
    let why = match (drive, &inside) {
        (_, Some(offload)) if offload == card => return None,
        (Some(drive), _) => format!("it is on drive `{}` of the kit", shown(&drive.name)),
        (None, Some(offload)) => {
            let name = offload.strip_prefix(card).unwrap_or(offload);
            format!("it holds offloads (`{}`)", shown(name.as_str()))
        }
        (None, None) => return None,
    };
    Some(NoCard {
        why,
        holds_offloads: inside.is_some(),
    })
}

/// Whether a folder of a camera is in this one; `None` where it can't be listed.
pub(crate) fn has_cameras_folder(card: &Utf8Path, disk: &dyn Disk) -> Option<bool> {
    let is_cameras = |name: &str| CAMERA_FOLDERS.iter().any(|f| f.eq_ignore_ascii_case(name));
    let is_one = |child: &WalkEntry| {
        let is_folder = matches!(&child.stat, Ok(stat) if stat.kind == EntryKind::Folder);
        is_folder && child.path.to_str().is_some_and(is_cameras)
    };
    Some(disk.children(card).ok()?.iter().any(is_one))
}

/// Says how a command has to be written of which a "card" is a drive, or that says of no drive
/// where to copy to.
pub(crate) fn not_as_meant(
    cards: &[Utf8PathBuf],
    to: &[Utf8PathBuf],
    kit: &Kit,
    disk: &dyn Disk,
) -> Option<String> {
    let is_drive = |card: &Utf8Path| drive_as_card(card, kit, disk);
    let judged = cards.iter().map(|card| (card.as_path(), is_drive(card)));
    let (drives, left): (Vec<_>, Vec<_>) = judged.partition(|(_, no_card)| no_card.is_some());
    let said = match drives.first() {
        Some((drive, Some(no_card))) => format!(
            "`{}` is no card: no camera's folder is on it, and {}. To copy to it:",
            shown(drive.as_str()),
            no_card.why
        ),
        _ if to.is_empty() => "--to says which drives to copy to, and there is none:".to_owned(),
        _ => return None,
    };
    let is_any_named = !to.is_empty() || !drives.is_empty();
    // Where none is, the first is a card in any case, and a further one without a camera's folder
    // is a drive.
    let is_meant = |(at, (card, _)): &(usize, (&Utf8Path, _))| {
        !is_any_named && *at > 0 && has_cameras_folder(card, disk) == Some(false)
    };
    let (meant, left): (Vec<_>, Vec<_>) = left.into_iter().enumerate().partition(is_meant);
    let cards = left.iter().map(|(_, (card, _))| quoted(card));
    let meant = meant.iter().map(|(_, (drive, _))| *drive);
    let to = to.iter().map(Utf8PathBuf::as_path);
    let to = to
        .chain(drives.iter().map(|(drive, _)| *drive))
        .chain(meant);
    let or = |words: Vec<String>, instead: &str| match words.as_slice() {
        [] => instead.to_owned(),
        words => words.join(" "),
    };
    let cards = or(cards.collect(), "CARD");
    let to = to.map(|drive| format!("--to {}", quoted(drive))).collect();
    let to = or(to, "--to DRIVE --to DRIVE");
    let mut said = format!("{said} unlade copy {cards} {to}");
    let is_full = drives
        .iter()
        .any(|(_, why)| why.as_ref().is_some_and(|w| w.holds_offloads));
    if is_full {
        said.push_str(". To make a further copy of an offload, give its own folder.");
    }
    Some(said)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory as _;

    fn asked(line: &str) -> Option<String> {
        let command = crate::cli::args::Cli::command();
        mixed(&command.try_get_matches_from(line.split(' ')).unwrap())
    }

    #[test]
    fn a_second_folder_after_to_is_not_guessed() {
        let why = asked("unlade copy CARD --to A B").unwrap();
        assert_eq!(
            why,
            "`B` stands after --to, which takes one folder. If it is a further drive: unlade copy \
            CARD --to A --to B. If it is a card: unlade copy B CARD --to A."
        );
        let why = asked("unlade copy --to A B CARD").unwrap();
        assert!(
            why.contains("drive: unlade copy CARD --to A --to B. If"),
            "{why}"
        );
        let why = asked("unlade plan C1 C2 --to A B D --to E").unwrap();
        assert!(why.starts_with("`B` and `D` stand after"), "{why}");
        assert!(
            why.contains("unlade plan C1 C2 --to A --to E --to B --to D."),
            "{why}"
        );
    }

    #[test]
    fn what_is_clear_is_left_alone() {
        for line in [
            "unlade copy CARD --to A",
            "unlade copy --to A CARD",
            "unlade copy C1 C2 --to A --to B",
            "unlade ledger",
        ] {
            assert_eq!(asked(line), None, "{line}");
        }
        assert_eq!(
            quoted(Utf8Path::new("/media/KITE DAY")),
            "'/media/KITE DAY'"
        );
    }
}
