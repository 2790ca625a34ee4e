//! Owns what is said of a problem: while the job runs, and where a command is refused, with what to
//! do next.

use crate::cli::view::text::wrap;
use crate::cli::view::words::troubles::sentence;
use unlade::error::{Cause, DENIED_STEP, NO_FILES_STEP, Problem, ProblemKind};

/// Returns the lines of a problem while the job runs, with what to do next.
pub(crate) fn problem_lines(p: &Problem, destinations: &[String], width: usize) -> Vec<String> {
    let head = if p.blocking {
        format!("Problem ({}): ", p.kind)
    } else {
        format!("Note ({}): ", p.kind)
    };
    wrap(
        &format!("{head}{}.", p.words(destinations).trim_end_matches('.')),
        width,
        "",
        "  ",
    )
}

/// How a refusal begins.
pub(crate) const NOTHING_WRITTEN: &str = "Refused; nothing was written.";

/// Returns the lines of a refusal.
pub(crate) fn refusal_lines(
    head: &str,
    reasons: &[Problem],
    destinations: &[String],
    width: usize,
) -> Vec<String> {
    let mut lines = vec![format!(
        "{head} {}:",
        if reasons.len() == 1 {
            "The reason"
        } else {
            "The reasons"
        }
    )];
    for reason in reasons {
        lines.extend(wrap(
            &format!(
                "{} ({}).",
                reason.words(destinations).trim_end_matches('.'),
                reason.kind
            ),
            width,
            "  - ",
            "    ",
        ));
    }
    let mut steps: Vec<&str> = Vec::new();
    for step in reasons.iter().map(refusal_step) {
        if !steps.contains(&step) {
            steps.push(step);
        }
    }
    for step in steps {
        lines.extend(wrap(step, width, "Next: ", "      "));
    }
    lines
}

/// Returns the same in parts: what to do, each with the reasons for it.
pub(crate) fn refusal_steps(
    reasons: &[Problem],
    destinations: &[String],
) -> Vec<(Vec<String>, String)> {
    let mut steps: Vec<(Vec<String>, String)> = Vec::new();
    for reason in reasons {
        let words = sentence(&reason.words(destinations));
        let step = refusal_step(reason);
        match steps.iter_mut().find(|(_, known)| known == step) {
            Some((reasons, _)) => reasons.push(words),
            None => steps.push((vec![words], step.to_owned())),
        }
    }
    steps
}

/// Before a byte was written some troubles mean something simpler than later.
fn refusal_step(reason: &Problem) -> &'static str {
    let (on_card_entry, cause) = (reason.path.is_some(), reason.cause);
    match reason.kind {
        _ if cause == Some(Cause::NoFiles) => NO_FILES_STEP,
        _ if cause == Some(Cause::NoMediaHashList) => {
            "Leave out --mhl (or `mhl` in the kit); all else is as with it."
        }
        _ if cause == Some(Cause::NoFurtherList) => {
            "The offload has a media hash list, and each copy into it goes on with that. Copy \
            under another name, with --name."
        }
        _ if cause == Some(Cause::BrokenList) => {
            "Nothing was changed there. `unlade verify` on that folder says more. Put its `ascmhl` \
            back as it was, or copy under another name, with --name."
        }
        ProblemKind::WriteFailed if cause == Some(Cause::NoThreads) => {
            "End some other programs, or raise the limit on processes and threads (`ulimit -u`), \
            then run the same command again."
        }
        ProblemKind::Unreadable if cause == Some(Cause::Denied) => DENIED_STEP,
        ProblemKind::Unreadable => {
            "Check that the card is in the reader and mounted, and that the path is right."
        }
        ProblemKind::WriteFailed if matches!(cause, Some(Cause::NowReadOnly | Cause::Damaged)) => {
            "Have the drive's file system checked (NTFS: on Windows with chkdsk, and with nothing \
            else), then run the same command again."
        }
        ProblemKind::WriteFailed if cause == Some(Cause::ReadOnly) => {
            "A drive that was pulled, or has errors, is mounted so. Have its file system checked \
            (NTFS: on Windows with chkdsk, and with nothing else), or take its write protection \
            off; then run the same command again."
        }
        ProblemKind::WriteFailed => {
            "Check that the drive is mounted, that the folder exists and that you may write to it."
        }
        ProblemKind::Missing if reason.destination.is_none() => {
            "Name the drives that hold its offloads: `unlade prove CARD --on DRIVE`."
        }
        ProblemKind::Missing => "Check that the drive is mounted and that the path is right.",
        ProblemKind::Vanished => {
            "Mount the right card or drive at this path, then run the same command again. If \
            another drive is meant, choose another name with --name."
        }
        ProblemKind::ManifestDamaged if reason.destination.is_none() => {
            "Nothing was changed there. `unlade verify` on that folder says more; copy from \
            another copy of this offload if there is one."
        }
        ProblemKind::ManifestDamaged => {
            "Do not write to that offload. Check it against the copy on another drive, or choose \
            another name with --name."
        }
        ProblemKind::SameDevice => {
            "Give every copy a folder of its own, on a drive that is not the card."
        }
        ProblemKind::NameNotStorable if !on_card_entry => "Give a plain folder name with --name.",
        ProblemKind::NameClash => clash_step(reason),
        _ => reason.next_step(),
    }
}

/// What to do where two names meet, or a place is taken.
fn clash_step(reason: &Problem) -> &'static str {
    let on_card_entry = reason.path.is_some();
    match reason.cause {
        Some(Cause::IsOffload) => {
            "Give the card to be asked about. `unlade verify OFFLOAD` checks an offload, and \
            `unlade copy OFFLOAD --to DRIVE` makes a further copy of it."
        }
        Some(Cause::HoldsCard) => "Give a folder outside the card.",
        Some(Cause::AtWork) => {
            "Wait until that copy has ended, then run the same command again. Touch nothing that \
            is there."
        }
        Some(Cause::LeftEmpty) => {
            "Choose another name with --name; or, if these files are empty on the drive indeed \
            (they hold nothing then), delete them yourself and run the same command again."
        }
        Some(Cause::BesidePart) => {
            "Remove neither. Have the drive's file system checked first (Windows: Properties, \
            Tools, Check; macOS: Disk Utility, First Aid; Linux: fsck, with the drive unmounted); \
            then delete the part file (`.NAME.unlade-part`), if it is still there, and run the \
            same command again."
        }
        Some(Cause::EarlierCopy) => {
            "Copy this card under another --name, or with --only-new under another --name: so the \
            earlier copy and the new file are both kept."
        }
        Some(Cause::LiesInOffload) => "Give the folder that this offload is in, or another one.",
        Some(Cause::HoldsPart) => {
            "This card cannot be copied as it is. Copy it by other means, compare the copies with \
            the card, and keep the card."
        }
        Some(Cause::HoldsRecords) => {
            "Move nothing on the card. Copy its folders one by one instead."
        }
        _ if on_card_entry && reason.destination.is_some() => {
            "Choose another name with --name: then nothing that is there is touched."
        }
        _ if on_card_entry => "Copy the card's folders one by one, so that these two do not meet.",
        _ => reason.next_step(),
    }
}
