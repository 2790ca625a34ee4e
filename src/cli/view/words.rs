//! Owns the sentences that people read: plan, problems, verdict, cautions. Text from data only.

use crate::cli::exit::Exit;
use crate::cli::view::next_steps;
use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use std::time::Duration;
use unlade::disk::backing::Backing;
use unlade::disk::{FolderFacts, ReadBackWay};
use unlade::error::{DAMAGED, DENIED_STEP, NOW_READ_ONLY, Problem, ProblemKind, is_denied};
use unlade::event::Snapshot;
use unlade::existing::source::CardNow;
use unlade::name::{shown, some_of, word};
use unlade::offload::CopyState;
use unlade::plan::check::{HOLDS_RECORDS, READ_ONLY};
use unlade::plan::concurrent::is_little;
use unlade::plan::destination::{BESIDE_PART, EARLIER_COPY, LEFT_EMPTY};
use unlade::plan::notes::count_independent;
use unlade::plan::{Plan, PlannedDestination, Work};
use unlade::proof::Proof;
use unlade::proof::tally::{Tally, counted_copies};
use unlade::record::layout::{Layout, Level};
use unlade::record::manifest::device_words;
use unlade::record::signature::Expected;
use unlade::run::prove::IS_OFFLOAD;
use unlade::run::{AT_WORK, NO_THREADS};
use unlade::speed::ceiling::Ceiling;
use unlade::speed::forecast::{Basis, Change, Remaining, Source, words as forecast_words};
use unlade::speed::link::{Link, LinkKind, Part};
use unlade::units::{MegabytesPerS, count, counted, size, speed, time};
use unlade::verify::{Finding, Findings, Remark, Signature};

/// What to do about a read that may have come from memory.
#[cfg(not(windows))]
const CACHED_NOTE: &str = "what was read may have come from the computer's memory, not from the drive. Unplug the drive, plug it in again, and run this as root, or with the drive mounted by the system's own driver for it.";
#[cfg(windows)]
const CACHED_NOTE: &str = "what was read may have come from the computer's memory, not from the drive. Unplug the drive, plug it in again, and run this in Windows itself (not in Wine), on a folder that Windows does not keep compressed.";

/// The two lines of caution after a verdict.
pub(crate) const CAUTIONS: [&str; 2] = [
    "First open some files from each drive; format in the camera, not the computer.",
    "Your contract or insurer comes first. Copies equal what the reader delivered.",
];

/// Returns the lines of caution: what to think of before a card is formatted, or that it is not to
/// be.
pub(crate) fn cautions(proven: bool, is_part: bool) -> Vec<String> {
    if proven && is_part {
        vec!["Do not format the card for this: copy the whole card first.".to_owned()]
    } else if proven {
        CAUTIONS.map(str::to_owned).to_vec()
    } else {
        vec!["Do not format this card, and do not shoot on it.".to_owned()]
    }
}

/// Findings that are printed one by one.
const FINDINGS_SHOWN: usize = 40;
/// Problems that are listed again under a verdict.
const REASONS_SHOWN: usize = 12;

/// Returns a problem as one sentence: which file, which destination, what happened.
pub(crate) fn problem(problem: &Problem, destinations: &[String]) -> String {
    let mut text = String::new();
    if let Some(path) = &problem.path {
        text.push_str(&format!("`{}`", shown(path)));
    }
    if let Some(d) = problem.destination {
        let at = destinations.get(d).map_or_else(
            || format!("drive {}", d + 1),
            |p| format!("{} ({})", d + 1, shown(p)),
        );
        text.push_str(&if text.is_empty() {
            format!("Drive {at}:")
        } else {
            format!(" on drive {at}")
        });
    }
    if problem.path.is_some() && problem.destination.is_some() {
        text.push(':');
    }
    if !text.is_empty() {
        text.push(' ');
    }
    text.push_str(&shown(&problem.detail));
    text
}

/// Returns the lines of a problem while the job runs, with what to do next.
pub(crate) fn problem_lines(p: &Problem, destinations: &[String], width: usize) -> Vec<String> {
    let head = if p.blocking {
        format!("Problem ({}): ", p.kind)
    } else {
        format!("Note ({}): ", p.kind)
    };
    wrap(
        &format!("{head}{}.", problem(p, destinations).trim_end_matches('.')),
        width,
        "",
        "  ",
    )
}

/// How a refusal begins.
pub(crate) const NOTHING_WRITTEN: &str = "Refused; nothing was written.";

/// Returns the lines of a refusal.
pub(crate) fn refusal(
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
                problem(reason, destinations).trim_end_matches('.'),
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

/// Before a byte was written some troubles mean something simpler than later.
fn refusal_step(reason: &Problem) -> &'static str {
    let on_card_entry = reason.path.is_some();
    match reason.kind {
        ProblemKind::WriteFailed if reason.detail.starts_with(NO_THREADS) => {
            "End some other programs, or raise the limit on processes and threads (`ulimit -u`), then run the same command again."
        }
        ProblemKind::Unreadable if is_denied(&reason.detail) => DENIED_STEP,
        ProblemKind::Unreadable => {
            "Check that the card is in the reader and mounted, and that the path is right."
        }
        ProblemKind::WriteFailed
            if [NOW_READ_ONLY, DAMAGED]
                .iter()
                .any(|why| reason.detail.contains(why)) =>
        {
            "Have the drive's file system checked (NTFS: on Windows with chkdsk, and with nothing else), then run the same command again."
        }
        ProblemKind::WriteFailed if reason.detail == READ_ONLY => {
            "A drive that was pulled, or has errors, is mounted so. Have its file system checked (NTFS: on Windows with chkdsk, and with nothing else), or take its write protection off; then run the same command again."
        }
        ProblemKind::WriteFailed => {
            "Check that the drive is mounted, that the folder exists and that you may write to it."
        }
        ProblemKind::Missing if reason.destination.is_none() => {
            "Name the drives that hold its offloads: `unlade prove CARD --on DRIVE`."
        }
        ProblemKind::Missing => "Check that the drive is mounted and that the path is right.",
        ProblemKind::Vanished => {
            "Mount the right card or drive at this path, then run the same command again. If another drive is meant, choose another name with --name."
        }
        ProblemKind::ManifestDamaged if reason.destination.is_none() => {
            "Nothing was changed there. `unlade verify` on that folder says more; copy from another copy of this offload if there is one."
        }
        ProblemKind::ManifestDamaged => {
            "Do not write to that offload. Check it against the copy on another drive, or choose another name with --name."
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
    match reason.detail.as_str() {
        detail if detail.contains(IS_OFFLOAD) => {
            "Give the card to be asked about. `unlade verify OFFLOAD` checks an offload, and `unlade copy OFFLOAD --to DRIVE` makes a further copy of it."
        }
        detail if detail.contains("same name as") => {
            "Use a drive whose file system keeps capitals and accents apart, such as ext4."
        }
        detail if detail.starts_with("the card lies") => "Give a destination outside the card.",
        AT_WORK => {
            "Wait until that run has ended, then run the same command again; leave alone what stands there."
        }
        LEFT_EMPTY => {
            "Choose another name with --name; or, if these files are empty on the drive indeed (they hold nothing then), delete them yourself and run the same command again."
        }
        BESIDE_PART => {
            "Remove neither. Have the drive's file system checked first (Windows: Properties, Tools, Check; macOS: Disk Utility, First Aid; Linux: fsck, with the drive unmounted); then delete the part file (`.NAME.unlade-part`), if it is still there, and run the same command again."
        }
        EARLIER_COPY => {
            "Copy this card under another --name, or with --only-new under another --name: so the earlier copy and the new file are both kept."
        }
        HOLDS_RECORDS => "Move nothing on the card. Copy its folders one by one instead.",
        _ if on_card_entry && reason.destination.is_some() => {
            "Choose another name with --name: then nothing that stands there is touched."
        }
        _ if on_card_entry => "Copy the card's folders one by one, so that these two do not meet.",
        _ => reason.next_step(),
    }
}

/// Returns the lines of a plan.
pub(crate) fn plan(plan: &Plan, width: usize) -> Vec<String> {
    let (files, bytes) = plan.listing.totals();
    let folders = plan.listing.folders().count();
    let left_out = plan.listing.left_out().count();
    let mut lines = vec![
        source(plan, &shown(&plan.card.label)),
        format!(
            "Holds    {}, {}, in {}{}",
            counted(files, "file"),
            size(bytes),
            counted(unlade::units::len64(folders), "folder"),
            if left_out > 0 {
                format!(
                    "; {left_out} left out ({})",
                    if plan.listing.media_left().is_empty() {
                        "made by a computer"
                    } else {
                        "see the note"
                    }
                )
            } else {
                String::new()
            }
        ),
        if plan.has_nothing_new() {
            "Offload  none: everything on the card lies in earlier offloads".to_owned()
        } else {
            format!("Offload  {}", shown(&plan.name))
        },
    ];
    if plan.layout == Layout::Bag {
        lines.push("Layout   a bag (BagIt 1.0, RFC 8493); the card's tree is in `data`".to_owned());
    }
    if !plan.also.is_empty() {
        lines.push(format!("Hashes   BLAKE3, and {}", plan.also));
    }
    for (index, d) in plan.destinations.iter().enumerate() {
        lines.push(format!(
            "Copy {}   {} ({})",
            index + 1,
            shown(place(plan, d).as_str()),
            device(&d.facts)
        ));
        lines.extend(wrap(&work(plan, d), width, "         ", "         "));
    }
    lines.extend(speed_lines(&plan.ceiling, width));
    if let Some(text) = plan_time(plan) {
        lines.extend(wrap(&text, width, "Time     ", "         "));
    }
    for note in plan.notes.iter().chain(plan.ceiling.notes()) {
        lines.extend(wrap(note, width, "Note     ", "         "));
    }
    lines
}

/// Returns what is copied: a card, or an offload of one.
fn source(plan: &Plan, label: &str) -> String {
    let given = shown(plan.card.given.as_str());
    match plan.original() {
        None => format!("Card     {label} at {given}"),
        Some(_) => format!(
            "From     the offload at {given}, of card {}",
            shown(&plan.card.label)
        ),
    }
}

/// Returns the folder that a copy is in: the offload's, or the destination where no offload is made.
fn place<'a>(plan: &Plan, d: &'a PlannedDestination) -> &'a camino::Utf8Path {
    if plan.has_nothing_new() {
        &d.given
    } else {
        &d.root
    }
}

/// Returns what card, reader and drives allow, and the slowest of them; nothing where nothing is known.
fn speed_lines(ceiling: &Ceiling, width: usize) -> Vec<String> {
    let (Some(limiting), Some((low, high))) = (ceiling.limiting(), ceiling.usual()) else {
        return Vec::new();
    };
    let usual = if low.0 < high.0 {
        format!(", usually {:.0} to {:.0}", low.0, high.0)
    } else {
        String::new()
    };
    let each: Vec<String> = ceiling
        .links()
        .iter()
        .map(|link| format!("{} {}", link.words(), mbps(link.mbps)))
        .collect();
    // What somebody said, or what was reached before, can be exceeded.
    let head = if limiting.is_limit() {
        format!(
            "{} MB/s at most{usual}; held back by {}",
            mbps(limiting.mbps),
            limiting.words()
        )
    } else {
        let by = match limiting.kind {
            LinkKind::Measured => "as card and reader gave before".to_owned(),
            LinkKind::Label => "by the card's label".to_owned(),
            _ => format!("as {} is said to take", limiting.words()),
        };
        format!("about {} MB/s{usual}, {by}", mbps(limiting.mbps))
    };
    let mut lines = wrap(&head, width, "Speed    ", "         ");
    if each.len() > 1 {
        let all = format!("{} (MB/s)", each.join("; "));
        lines.extend(wrap(&all, width, "Links    ", "         "));
    }
    lines
}

/// Returns a rate in MB/s without the unit: `53.2`, `312`.
pub(crate) fn mbps(rate: MegabytesPerS) -> String {
    let words = speed(rate.bytes_per_s());
    words
        .trim_end_matches(" MB/s")
        .trim_end_matches(".0")
        .to_owned()
}

/// Returns how long the copy will take by what is known beforehand, if anything is.
fn plan_time(plan: &Plan) -> Option<String> {
    let remaining = plan.expects().filter(|r| r.likely_s > 0.0)?;
    let rate = plan.prior.rate?;
    let from = match rate.source {
        Source::Ceiling if plan.ceiling.limiting().is_some_and(Link::is_limit) => {
            "expected from the slowest link's limit".to_owned()
        }
        Source::Ceiling => "expected from that figure".to_owned(),
        Source::History => before(plan, rate.mbps),
    };
    let then = match &plan.prior.companion {
        Some(companion) => format!(
            "; {} when the other card is done",
            speed(companion.alone_mbps * 1e6)
        ),
        None => "; the estimate assumes that the rate stays as it is".to_owned(),
    };
    Some(format!(
        "{}, at {}, {from}{then}",
        forecast_words(remaining),
        speed(rate.mbps * 1e6)
    ))
}

/// A card that was read faster than this over a whole offload's rate was held back by something else.
const HELD_BACK: f64 = 1.25;

/// Says whose rate of earlier times it is.
fn before(plan: &Plan, mbps: f64) -> String {
    let of_card = plan
        .ceiling
        .links()
        .iter()
        .find(|l| l.kind == LinkKind::Measured);
    match of_card.filter(|l| l.mbps.0 > HELD_BACK * mbps) {
        Some(link) => format!(
            "as this card and reader gave onto these drives before (the card alone gives {}, so the drives held it back)",
            speed(link.mbps.bytes_per_s())
        ),
        None => "as this card and reader gave onto these drives before".to_owned(),
    }
}

/// Returns where a destination lies: `sda, ext4`.
fn device(facts: &FolderFacts) -> String {
    match &facts.backing {
        Backing::Unknown { .. } => format!("device not known, {}", word(&facts.filesystem)),
        backing => format!("{}, {}", device_words(backing), word(&facts.filesystem)),
    }
}

/// Says how much is left on a destination's volume where that is little.
fn little_left(plan: &Plan, d: &PlannedDestination) -> String {
    let on_volume = plan.destinations.iter();
    let on_volume = on_volume.filter(|other| other.facts.device == d.facts.device);
    let needs = on_volume.fold(0_u64, |sum, other| sum.saturating_add(other.needs_bytes));
    let free = d.facts.free_bytes.saturating_sub(d.others_bytes);
    let left = free.saturating_sub(needs);
    if is_little(left, d.facts.total_bytes) {
        format!(", leaves {}", size(left))
    } else {
        String::new()
    }
}

/// What of the card's files that are not copied is read from the card all the same.
fn content_words(plan: &Plan, d: &PlannedDestination) -> &'static str {
    if plan.level == Level::Reread {
        "content to be read again at the end"
    } else if has_sample(plan, d) {
        "content of a sample read again"
    } else {
        "content not read again"
    }
}

/// Whether files were read from the card before those of earlier runs were believed.
fn has_sample(plan: &Plan, d: &PlannedDestination) -> bool {
    d.sampled_files > 0 || plan.only_new.as_ref().is_some_and(|o| o.sampled_files > 0)
}

/// What is done with files that an earlier run proved.
fn kept_words(plan: &Plan, d: &PlannedDestination) -> String {
    let looked = format!("size and date checked, {}", content_words(plan, d));
    let again = "to be read back again from this drive, not copied";
    let kept = if !plan.reads_kept() {
        looked
    } else if plan.original().is_some() {
        again.to_owned()
    } else {
        format!("{again}; on the card {looked}")
    };
    let files = counted(d.kept_files, "file");
    format!("{files} kept (proven by an earlier run), {kept}")
}

fn work(plan: &Plan, d: &PlannedDestination) -> String {
    let mut parts = Vec::new();
    if d.kept_files > 0 {
        parts.push(kept_words(plan, d));
    }
    for left in &d.left_in {
        parts.push(format!(
            "{}, {} left in `{}` (proven there; path, size and date are the same, {})",
            counted(left.files, "file"),
            size(left.bytes),
            shown(&left.within),
            content_words(plan, d)
        ));
    }
    let unvouched = d.check_files.saturating_sub(d.hash_files);
    if unvouched > 0 {
        parts.push(format!(
            "{} {} there already without a record that fits: read back and compared with the {}",
            counted(unvouched, "file"),
            if unvouched == 1 { "stands" } else { "stand" },
            plan.source_word()
        ));
    }
    if d.hash_files > 0 {
        parts.push(format!(
            "{} that an earlier run proved without all of these hashes: read from the card and the drive again, not copied again",
            counted(d.hash_files, "file")
        ));
    }
    if !d.left_empty.is_empty() {
        parts.push(format!(
            "{} that the drive was left with when it was pulled, to be copied anew",
            counted(unlade::units::len64(d.left_empty.len()), "empty file")
        ));
    }
    if !d.stale_parts.is_empty() {
        parts.push(format!(
            "{} to be removed and copied anew",
            counted(
                unlade::units::len64(d.stale_parts.len()),
                "unfinished part file"
            )
        ));
    }
    parts.push(if d.copy_files == 0 {
        "nothing to copy".to_owned()
    } else {
        format!(
            "{} to copy, {}; needs {} of {} free{}",
            counted(d.copy_files, "file"),
            size(d.copy_bytes),
            size(d.needs_bytes),
            size(d.facts.free_bytes),
            little_left(plan, d)
        )
    });
    parts.join("; ")
}

/// Returns the time left in words, or what is waited for.
pub(crate) fn left(s: &Snapshot) -> String {
    let Some(remaining) = s.remaining else {
        return "measuring ...".to_owned();
    };
    if remaining.likely_s <= 0.0 && remaining.high_s <= 0.0 {
        return "finishing".to_owned();
    }
    let time = forecast_words(remaining);
    if s.stalled_s >= NO_DATA_S {
        let silence = format!("no data for {:.0} s", s.stalled_s);
        return match &s.waiting_for {
            Some(who) if s.stalled_s >= WAITING_S => {
                let who = match who {
                    Part::Card => "the card".to_owned(),
                    other => other.words(),
                };
                format!("waiting for {who}, {silence}")
            }
            _ => format!("{time}, {silence}"),
        };
    }
    // Beside a long range the shorter words: the number of problems has to stay in sight.
    let is_long = time.len() > LONG_TIME;
    match s.basis {
        Basis::Known(rate) if rate.source == Source::Ceiling => {
            if is_long {
                format!("{time} (by the slowest link, measuring)")
            } else {
                format!("{time} (from the slowest link's limit, measuring ...)")
            }
        }
        Basis::Known(rate) => {
            let before = speed(rate.mbps * 1e6);
            if is_long {
                format!("{time} ({before} last time)")
            } else {
                format!("{time} (this card and reader: {before} last time)")
            }
        }
        Basis::Nothing | Basis::Measured => time,
    }
}

/// A time in more bytes than this takes too much of a line of eighty.
const LONG_TIME: usize = 12;

/// Nothing has moved for so many seconds: that is said beside the time left.
pub(crate) const NO_DATA_S: f64 = 3.0;
/// And from here on it is said instead of it.
const WAITING_S: f64 = 10.0;

/// Returns the line on a rate that has changed for good. It states the fact; the cause is not known.
pub(crate) fn rate_change(change: &Change, remaining: Option<Remaining>) -> String {
    let (from, to) = (change.from_bytes_per_s, change.to_bytes_per_s);
    let verb = if to < from { "fell" } else { "rose" };
    let before = speed(from);
    let before = before.trim_end_matches(" MB/s");
    let s = unlade::units::whole(change.at_s);
    let at = if s < 3_600 {
        format!("{:02}:{:02}", s / 60, s % 60)
    } else {
        format!("{}:{:02}:{:02}", s / 3_600, s % 3_600 / 60, s % 60)
    };
    let mut line = format!(
        "Rate {verb} from {before} to {} at {at} and stayed there.",
        speed(to)
    );
    if let Some(remaining) = remaining.filter(|r| r.likely_s > 0.0) {
        line.push_str(&format!(" New estimate: {}.", forecast_words(remaining)));
    }
    line
}

/// Returns the verdict block, cautions included; it is the last thing printed. `shoot` are the lines
/// on the job that the card belongs to.
pub(crate) fn verdict(proof: &Proof, shoot: &[String], out: Out) -> Vec<String> {
    let proven = proof.verdict().is_proven();
    let mut lines = vec![String::new()];
    lines.push(match proof.plan().original() {
        Some(_) if !proven => format!(
            "{} - keep {} as it is.",
            out.heading("NOT PROVEN", false),
            shown(proof.plan().card.given.as_str())
        ),
        _ => heading(proven, proof.part().is_some(), out),
    });
    lines.extend(counts_in_and_out(proof, out.width));
    lines.push(copies_line(
        proof.verdict().copies(),
        proof.terms().copies_needed,
        is_stated(proof).then_some(SAID_NOW),
    ));
    if let Some(by) = proof.signed_by() {
        lines.push(format!("Signed   by the key {by}"));
    }
    lines.extend(wrap(
        &time_words(proof),
        out.width,
        "Time     ",
        "         ",
    ));
    if proof.terms().level == Level::Reread && proof.reread_equal() {
        lines.push("Reread   The card was read again and is equal.".to_owned());
    }
    let given = given(proof);
    for p in proof.problems().iter().filter(|p| !p.blocking) {
        lines.extend(wrap(
            &format!("{}.", problem(p, &given).trim_end_matches('.')),
            out.width,
            "Note     ",
            "         ",
        ));
    }
    for note in proof.notes() {
        lines.extend(wrap(note, out.width, "Note     ", "         "));
    }
    lines.extend(reasons(proof, out));
    lines.extend(shoot.iter().cloned());
    let mut steps = Vec::new();
    if proven {
        steps.push(next_when_proven(proof));
    }
    if !proven || proof.spared().next().is_some() {
        steps.extend(next_steps::steps(proof));
    }
    for step in steps {
        lines.extend(wrap(&step, out.width, "Next     ", "         "));
    }
    lines.extend(match proof.plan().original() {
        None => cautions(proven, proof.part().is_some()),
        Some(_) => further_cautions(proof, out.width),
    });
    lines
}

/// What is said of several cards at the end: what was shot on one, or happened to its copies, after its own answer is
/// not known.
const SINCE: &str = "as its own answer says, and if nothing was done to it or its copies since.";

/// Returns the one answer for several cards, the last thing printed: the last verdict alone would be taken for
/// that of all.
/// `are_cards`: no offload is among them.
pub(crate) fn answer_for_all(ends: &[(&str, Exit)], are_cards: bool, out: Out) -> Vec<String> {
    let cards = if are_cards { " cards" } else { "" };
    let mut lines = vec![String::new(), format!("All {}{cards}:", ends.len())];
    for (card, exit) in ends {
        let end = match exit {
            Exit::Done => "proven",
            Exit::Folder => "proven as a folder, not the card",
            Exit::Refused | Exit::Usage => "NOT PROVEN, refused",
            Exit::Interrupted => "NOT PROVEN, interrupted",
            Exit::NotProven => "NOT PROVEN",
        };
        lines.extend(wrap(
            &format!("{}: {end}", shown(card)),
            out.width,
            "  ",
            "    ",
        ));
    }
    let (good, bad): (Vec<_>, Vec<_>) = ends.iter().partition(|(_, exit)| *exit == Exit::Done);
    let names = |cards: &[&(&str, Exit)]| {
        let all = unlade::units::len64(cards.len());
        some_of(
            cards.iter().map(|(card, _)| *card),
            cards.len(),
            all,
            "card",
        )
    };
    let answer = match (good.as_slice(), bad.as_slice()) {
        (good, _) if !are_cards => format!(
            "{} of {} proven. Offloads are among them, and so this says nothing about formatting a card.",
            good.len(),
            ends.len()
        ),
        // Each was looked at when it was done, the first perhaps hours ago.
        (good, []) => format!(
            "All {} cards are proven. Format each only {SINCE}",
            good.len()
        ),
        ([], bad) => format!("No card is proven. Do not format {}.", names(bad)),
        (good, bad) => format!(
            "{} of {} cards {} proven. Do not format {}. Format {} only {SINCE}",
            good.len(),
            ends.len(),
            if good.len() == 1 { "is" } else { "are" },
            names(bad),
            names(good)
        ),
    };
    lines.extend(wrap(&answer, out.width, "", "  "));
    lines
}

/// Returns the first line of a verdict.
pub(crate) fn heading(proven: bool, is_part: bool, out: Out) -> String {
    match (proven, is_part) {
        (true, false) => out.heading("PROVEN", true),
        (true, true) => format!(
            "{} - this folder, not the card.",
            out.heading("PROVEN", true)
        ),
        (false, _) => format!("{} - keep this card.", out.heading("NOT PROVEN", false)),
    }
}

/// Returns a card's name in a sentence: its label, and its volume where the system tells it.
pub(crate) fn card_name(label: &str, volume_id: Option<&str>) -> String {
    let volume = volume_id.map_or_else(String::new, |id| format!(" (volume {})", shown(id)));
    format!("{}{volume}", shown(label))
}

/// What is to be thought of before an old copy of an offload is given up, or a card is formatted on the ground of
/// a new one.
fn further_cautions(proof: &Proof, width: usize) -> Vec<String> {
    let text = if proof.verdict().is_proven() {
        "The card was not read, so this says nothing about formatting it: ask with `unlade prove CARD`."
    } else {
        "Do not remove or change any copy of this offload."
    };
    wrap(text, width, "", "")
}

/// What the card holds, and what every copy of it does.
fn counts_in_and_out(proof: &Proof, width: usize) -> Vec<String> {
    let plan = proof.plan();
    let (files, bytes) = proof.listed();
    let label = card_name(&plan.card.label, plan.card.volume_id());
    let mut lines = wrap(
        &format!(
            "{}: {}, {} listed{}",
            source(plan, &label),
            counted(files, "file"),
            size(bytes),
            original_words(proof)
        ),
        width.max(WHOLE_PATHS),
        "",
        "         ",
    );
    for (index, (d, tally)) in plan.destinations.iter().zip(proof.tallies()).enumerate() {
        let place = place(plan, d);
        lines.push(format!("Copy {}   {}", index + 1, shown(place.as_str())));
        let words = copy_words(proof, index, tally);
        lines.extend(wrap(&words, width, "         ", "         "));
    }
    lines
}

/// A line with paths in it is not broken before this width.
const WHOLE_PATHS: usize = 200;

/// How much of an offload that was copied is what its manifest says.
fn original_words(proof: &Proof) -> String {
    let equal = proof.offloaded().original_equal;
    let way = proof.offloaded().original_way.map_or("none", |w| w.id());
    match proof.plan().original() {
        None => String::new(),
        Some(_) => format!("; {} read and equal to its manifest ({way})", count(equal)),
    }
}

/// What one copy means.
pub(crate) const ONE_COPY: &str =
    "It is one copy only: if this drive is lost or fails, the pictures are gone. ";

/// The answer on a further copy: it is about the copies and never about the card.
fn further_copies(proof: &Proof) -> String {
    let copies = proof.verdict().copies();
    let now = match copies {
        1 => "1 proven copy".to_owned(),
        n => format!("{n} proven copies"),
    };
    let apart = match (copies, proof.devices().len()) {
        (n, all) if n < all => " (what is on one device counts once)",
        (1, _) => "",
        _ => ", each on a device of its own",
    };
    let given = shown(proof.plan().card.given.as_str());
    let own = if proof.original_counts() {
        "is counted, since it was read whole from its device just now and is equal to its manifest"
    } else {
        "is not counted"
    };
    let name = shown(&proof.plan().name);
    format!("{now} of {name} now{apart}. {given} {own}.")
}

/// Returns what is to be looked at before a proven card is formatted.
pub(crate) fn look_first(has_zeros: bool, has_media_left: bool) -> Option<&'static str> {
    Some(match (has_zeros, has_media_left) {
        (true, false) => "Look at the files of nothing but zeros before you format this card.",
        (false, true) => {
            "Look at the files that were left out (see above) before you format this card."
        }
        (true, true) => {
            "Look at the files of nothing but zeros, and at those that were left out (see above), before you format this card."
        }
        (false, false) => return None,
    })
}

fn next_when_proven(proof: &Proof) -> String {
    if proof.plan().original().is_some() {
        return further_copies(proof);
    }
    let drives = match proof.verdict().copies() {
        1 => "1 device only".to_owned(),
        n => format!("{n} separate devices"),
    };
    let read_now = proof.offloaded().bytes_read > 0;
    let earlier = proof.tallies().iter().any(|t| t.earlier > 0);
    let again = proof.tallies().iter().all(|t| t.again == t.earlier);
    let (how, when) = match (read_now, earlier) {
        (true, true) if again => (
            "read back",
            " and matches what was read from the card, now or in an earlier run",
        ),
        (false, _) if again && proof.reread_equal() => (
            "read back again",
            " and matches what the card holds, which was read again as well",
        ),
        (false, _) if again => (
            "read back again",
            if dates_moved(proof) {
                " and matches what an earlier run read from the card; on the card sizes are as they were then, and all dates have moved alike"
            } else {
                " and matches what an earlier run read from the card; on the card sizes and dates are as they were then"
            },
        ),
        (true, false) => ("read back", " and matches"),
        (true, true) => ("read back", ", now or in an earlier run, and matched"),
        (false, _) => (
            "read back",
            if dates_moved(proof) {
                " in an earlier run and matched; sizes are as they were then, and all dates have moved alike"
            } else {
                " in an earlier run and matched; sizes and dates are as they were then"
            },
        ),
    };
    let one = if proof.verdict().copies() == 1 {
        ONE_COPY
    } else {
        ""
    };
    let zeros = proof.offloaded().files.iter().any(|f| f.only_zeros);
    let card = &proof.plan().card;
    if proof.part().is_some() {
        return format!("Every file in this folder was {how} from {drives}{when}. {one}");
    }
    let now = match proof.card_now() {
        CardNow::Unchanged => "It is in the reader, unchanged. ",
        CardNow::Gone => "It has left the reader: if it was used since, keep it. ",
        CardNow::Other | CardNow::Changed => {
            "Something else is in the reader now; this is not about that. "
        }
    };
    let look = look_first(zeros, !proof.plan().listing.media_left().is_empty());
    let may = look.unwrap_or(match proof.card_now() {
        CardNow::Unchanged | CardNow::Gone => "You may format this card.",
        _ => "You may format the card named here.",
    });
    let name = card_name(&card.label, card.volume_id());
    let but = if proof.plan().listing.media_left().is_empty() {
        ""
    } else {
        " but those left out"
    };
    format!("Every file on card {name}{but} was {how} from {drives}{when}. {now}{one}{may}")
}

/// Whether files count as those of an earlier run although the card's dates are others: a clock or a zone was
/// set since.
fn dates_moved(proof: &Proof) -> bool {
    proof.plan().jobs.iter().any(|job| {
        let mut earlier = job.work.iter().filter_map(Work::earlier);
        earlier.any(|entry| *entry.modified != *job.modified.rfc3339())
    })
}

/// How many of the kept files were read back again: the others rest on the earlier run.
fn again_words(tally: &Tally) -> String {
    match tally.again {
        0 => String::new(),
        n if n == tally.earlier => " and again now".to_owned(),
        n => format!(" and {} again now", count(n)),
    }
}

/// Files that stood on a destination already and were found equal to the card's: nobody copied them
/// now.
fn compared(proof: &Proof, index: usize) -> u64 {
    let jobs = proof.plan().jobs.iter().zip(&proof.offloaded().files);
    let equal = jobs.filter(|(job, file)| {
        let state = file.copies.get(index).copied().unwrap_or(CopyState::None);
        job.work.get(index) == Some(&Work::Check) && state != CopyState::None
    });
    unlade::units::len64(equal.count())
}

/// How a destination was read back, and what that is worth there.
fn way_words(proof: &Proof, index: usize, way: Option<ReadBackWay>) -> String {
    let destination = proof.plan().destinations.get(index);
    let filesystem = destination.map_or("", |d| &*d.facts.filesystem);
    way.unwrap_or(ReadBackWay::None).words(filesystem)
}

fn copy_words(proof: &Proof, index: usize, tally: &Tally) -> String {
    let Some(outcome) = proof.offloaded().destinations.get(index) else {
        return String::new();
    };
    let way = way_words(proof, index, outcome.way);
    let files = counted(tally.copied, "file");
    let bytes = size(tally.copied_bytes);
    let (compared, source) = (compared(proof, index), proof.plan().source_word());
    let mut words = if tally.copied == 0 {
        "no files".to_owned()
    } else if tally.earlier == tally.copied {
        let again = again_words(tally);
        format!("{files}, {bytes}, all read back in an earlier run{again} ({way})")
    } else if tally.left > 0 {
        let (here, left) = (tally.copied - tally.left, count(tally.left));
        let here_how = if compared > 0 {
            "copied or compared"
        } else {
            "copied"
        };
        let back = (tally.read_back - tally.left).min(here);
        let back = if back == here {
            format!("all read back ({way})")
        } else {
            format!("{} read back ({way})", count(back))
        };
        format!(
            "{files}, {bytes}: {} {here_how} here, {back}; {left} left in earlier offloads, read back there then",
            count(here)
        )
    } else {
        let back = match tally.read_back {
            0 => "none read back".to_owned(),
            n if n == tally.copied => format!("all read back ({way})"),
            n => format!("{} read back ({way})", count(n)),
        };
        let earlier = if tally.earlier > 0 {
            let again = again_words(tally);
            format!(
                ", {} of them in an earlier run{again}",
                count(tally.earlier)
            )
        } else {
            String::new()
        };
        match tally.copied.saturating_sub(compared + tally.earlier) {
            _ if compared == 0 => format!("{files}, {bytes} copied, {back}{earlier}"),
            0 if tally.earlier == 0 => {
                format!(
                    "{files}, {bytes} stood there already, {back} and compared with the {source}"
                )
            }
            new => format!(
                "{files}, {bytes}: {} copied, {} stood there already and compared with the {source}; {back}{earlier}",
                count(new),
                count(compared)
            ),
        }
    };
    if outcome.failed {
        words.push_str("; dropped, incomplete");
    } else if tally.is_complete && !proof.plan().has_nothing_new() {
        words.push_str(", all in the manifest");
    }
    words
}

fn time_words(proof: &Proof) -> String {
    let o = proof.offloaded();
    let source = proof.plan().source_word();
    let mut words = time(o.took);
    if o.bytes_read >= 1_000_000 {
        // The printed figures divide: this is the whole job's rate, not the card's.
        let overall = unlade::units::rate(o.bytes_read, o.took);
        words.push_str(&format!(
            ", {} read from the {source}: {} overall",
            size(o.bytes_read),
            speed(overall)
        ));
    } else if o.bytes_read > 0 {
        words.push_str(&format!(", {} read from the {source}", size(o.bytes_read)));
    } else if o.read_again > Duration::ZERO {
        // The time of the copy is none then: all that took time was the reading.
        words = format!(
            "{} to read the card and compare it, nothing had to be copied",
            time(o.read_again)
        );
    } else {
        let plan = proof.plan();
        words.push_str(if plan.destinations.iter().any(|d| has_sample(plan, d)) {
            ", nothing had to be copied from the card, of which a sample was read"
        } else {
            ", nothing had to be read from the card"
        });
    }
    if o.read_again > Duration::ZERO && o.bytes_read > 0 {
        words.push_str(&format!("; second read of the card {}", time(o.read_again)));
    }
    if let Some(forecast) = o.forecast_s {
        words.push_str(&format!(
            "; first forecast {}",
            time(unlade::units::seconds(forecast))
        ));
    }
    words
}

/// Whether it is the person's word, and not what the system tells, that so many copies are on separate
/// devices.
fn is_stated(proof: &Proof) -> bool {
    count_independent(&proof.devices(), false).0 < proof.verdict().copies()
}

/// The person said so in this command.
pub(crate) const SAID_NOW: &str = "you said --separate";
/// The person said so when the copies were made.
pub(crate) const SAID_THEN: &str = "by their record you said --separate when they were made";

/// Returns the line that counts complete copies. `stated`: that they are separate is the person's word, and when it
/// was given.
pub(crate) fn copies_line(copies: usize, needed: usize, stated: Option<&str>) -> String {
    let separate = match (copies > 1, stated) {
        (true, Some(said)) => format!(" on separate devices ({said})"),
        (true, None) => " on separate devices".to_owned(),
        (false, _) => String::new(),
    };
    format!(
        "Copies   {}{separate}; {needed} needed",
        counted_copies(copies)
    )
}

/// Returns the destinations as they were given.
fn given(proof: &Proof) -> Vec<String> {
    let destinations = proof.plan().destinations.iter();
    destinations.map(|d| d.given.to_string()).collect()
}

/// Returns why it is not proven: the first troubles in full, the rest counted.
fn reasons(proof: &Proof, out: Out) -> Vec<String> {
    if proof.verdict().is_proven() {
        return Vec::new();
    }
    let given = given(proof);
    let mut texts = Vec::new();
    if proof.offloaded().interrupted {
        texts.push("the job was interrupted".to_owned());
    }
    let mut blocking: Vec<&Problem> = proof.problems().iter().filter(|p| p.blocking).collect();
    blocking.sort_by_key(|p| (p.kind == ProblemKind::TooFewCopies, p.kind));
    texts.extend(blocking.iter().map(|p| {
        let text = problem(p, &given);
        format!("{} ({})", text.trim_end_matches('.'), p.kind)
    }));
    if texts.is_empty() {
        texts.extend(proof.verdict().reasons().iter().map(|r| shown(r)));
    }
    let mut lines = Vec::new();
    for text in texts.iter().take(REASONS_SHOWN) {
        let text = format!("{}.", text.trim_end_matches('.'));
        lines.extend(wrap(&text, out.width, "Reason   ", "         "));
    }
    if texts.len() > REASONS_SHOWN {
        let more = texts.len() - REASONS_SHOWN;
        lines.push(format!("         and {more} more; all are in the manifest"));
    }
    lines
}

/// Returns the lines for one checked offload.
pub(crate) fn findings(
    path: &str,
    f: &Findings,
    expected: Option<&Expected>,
    out: Out,
) -> Vec<String> {
    let mut lines = vec![String::new()];
    lines.push(if f.interrupted {
        format!("{} {}", out.heading("STOPPED", false), shown(path))
    } else if f.is_clean() {
        format!("{} {}", out.heading("UNCHANGED", true), shown(path))
    } else if f.unread() == unlade::units::len64(f.findings.len()) {
        format!("{} {}", out.heading("NOT CHECKED", false), shown(path))
    } else {
        format!("{} {}", out.heading("DIFFERS", false), shown(path))
    });
    lines.push(format!(
        "Read     {} of {} equal to the manifest, {}, in {} ({})",
        count(f.equal),
        counted(
            unlade::units::len64(f.manifest.files.len()) + f.earlier - elsewhere(f),
            "file"
        ),
        size(f.equal_bytes),
        time(f.took),
        f.way.words(&f.filesystem)
    ));
    lines.extend(signed(f, expected, out));
    if !f.findings.is_empty() {
        lines.push(format!("Found    {}", found(f)));
    }
    for finding in f.findings.iter().take(FINDINGS_SHOWN) {
        let text = match finding {
            Finding::Missing(p) => format!("missing  `{}`", shown(p)),
            Finding::Changed(p, why) => format!("changed  `{}`: {}", shown(p), shown(why)),
            Finding::Extra(p) => format!("extra    `{}`", shown(p)),
            Finding::Unreadable(p, why) => format!("unread   `{}`: {}", shown(p), shown(why)),
            Finding::Untrusted(p, why) => format!("not good `{}`: {}", shown(p), shown(why)),
        };
        lines.extend(wrap(&text, out.width, "  ", "           "));
    }
    if f.findings.len() > FINDINGS_SHOWN {
        lines.push(format!("  and {} more", f.findings.len() - FINDINGS_SHOWN));
    }
    lines.extend(finding_notes(f, out));
    for step in next_after(f) {
        lines.extend(wrap(step, out.width, "Next     ", "         "));
    }
    lines
}

/// What to do about what could not be read on a drive.
pub(crate) const UNREAD_STEP: &str = "What could not be read is neither good nor changed. Check the drive, its cable and its port, and who may read the files, then run the same command again.";

/// How many of each kind of finding there are.
pub(crate) fn found(f: &Findings) -> String {
    let (missing, changed, extra) = f.counts();
    let is_untrusted = |finding: &&Finding| matches!(finding, Finding::Untrusted(..));
    let untrusted = match f.findings.iter().filter(is_untrusted).count() {
        0 => String::new(),
        1 => ", 1 signature not good".to_owned(),
        n => format!(", {n} signatures not good"),
    };
    let unread = match f.unread() {
        0 => String::new(),
        n => format!(", {n} could not be read"),
    };
    format!("{missing} missing, {changed} changed, {extra} extra{unread}{untrusted}")
}

/// Who signed, and what that is worth. What is not good is among the findings.
fn signed(f: &Findings, expected: Option<&Expected>, out: Out) -> Vec<String> {
    let text = match (&f.signature, expected) {
        (Signature::None | Signature::Broken, _) => return Vec::new(),
        (_, Some(expected)) if !f.is_signed_by(expected) => return Vec::new(),
        (Signature::Intact(by), Some(_)) => {
            format!("intact, by a key that you expect: {}", by.fingerprint())
        }
        (Signature::Intact(by), None) => format!(
            "intact, by the key {}. That says that whoever holds this key signed this manifest, not who that is; --signed-by FILE holds it against a key that you know.",
            by.fingerprint()
        ),
        (Signature::Unchecked(why), _) => format!("perhaps; {why}."),
    };
    wrap(&text, out.width, "Signed   ", "         ")
}

fn next_after(f: &Findings) -> Vec<&'static str> {
    let unread = (f.unread() > 0 && !f.interrupted).then_some(UNREAD_STEP);
    let is_all = f.unread() == unlade::units::len64(f.findings.len());
    let others = (unread.is_none() || !is_all).then(|| next_after_others(f));
    others.into_iter().chain(unread).collect()
}

fn next_after_others(f: &Findings) -> &'static str {
    let (missing, changed, extra) = f.counts();
    if f.interrupted {
        "Run the same command again; a check begins anew."
    } else if f.is_untrusted() {
        "Do not rely on this manifest as it is. Compare it with the one on another drive, which is the same on every drive, or ask whoever signed it."
    } else if !f.findings.is_empty() && f.only_records() {
        match f.manifest.offload.layout {
            Layout::Plain => {
                "The files are as they were copied; what differs is in the records, `_unlade`. Those of another copy of this offload say what belongs there."
            }
            Layout::Bag => {
                "The files are as they were copied; what differs is in the records, `_unlade` and the bag's tag files. Those of another copy of this offload say what belongs there."
            }
        }
    } else if missing + changed > 0 {
        ProblemKind::Changed.next_step()
    } else if extra > 0 {
        ProblemKind::Extra.next_step()
    } else if matches!(f.signature, Signature::Unchecked(_)) {
        "The files were checked, the signature was not; see above."
    } else if !f.reached_device() {
        "Nothing can be said about the drive yet; see the note."
    } else if elsewhere(f) > 0 {
        "These files are as they were copied. Verify the offloads named above as well: only all together hold the card."
    } else if !f.manifest.verdict.proven {
        "These files are as they were copied, but the last run of this offload was NOT PROVEN: keep the card."
    } else {
        "Nothing to do. Check again before you rely on this copy alone."
    }
}

/// Files of the manifest that lie in other offloads.
fn elsewhere(f: &Findings) -> u64 {
    f.elsewhere.values().sum()
}

fn finding_notes(f: &Findings, out: Out) -> Vec<String> {
    let mut lines = Vec::new();
    for (offload, files) in &f.elsewhere {
        let text = format!(
            "{} {} in the earlier offload `{}`, not here; verify that as well.",
            counted(*files, "file"),
            if *files == 1 { "lies" } else { "lie" },
            shown(offload)
        );
        lines.extend(wrap(&text, out.width, "Note     ", "         "));
    }
    if !f.litter.is_empty() {
        lines.push(format!(
            "Litter   {} left by a computer since; no fault",
            counted_entries(f.litter.len())
        ));
    }
    if f.earlier > 0 {
        lines.push(format!(
            "Note     {} only in the manifest of an earlier run, and checked with it",
            counted(f.earlier, "file")
        ));
    }
    for remark in &f.remarks {
        let note = match remark {
            Remark::CutShort => {
                "a later run of this offload was cut short; the same copy again finishes it."
            }
            Remark::Incomplete => {
                "the records of an earlier run are not all there, as after a power cut; the latest ones are."
            }
            Remark::NoPage => {
                "the report page is gone; the manifest, which it was made from, is there."
            }
            Remark::ForeignPage => {
                "a report page was made by another version of unlade and was not compared; the manifest was."
            }
            Remark::LitterInBag => {
                "what computers left lies in the bag's `data`; programs that check bags will reject it until that is removed."
            }
        };
        lines.extend(wrap(note, out.width, "Note     ", "         "));
    }
    if f.in_memory {
        lines.push("Note     this offload lies in memory, not on a drive.".to_owned());
    } else if !f.reached_device() {
        lines.extend(wrap(CACHED_NOTE, out.width, "Note     ", "         "));
    }
    if !f.manifest.verdict.proven {
        lines.extend(wrap(
            "the manifest itself says NOT PROVEN; its reasons stand in `_unlade/report.html`.",
            out.width,
            "Note     ",
            "         ",
        ));
    }
    lines
}

fn counted_entries(n: usize) -> String {
    if n == 1 {
        "1 entry".to_owned()
    } else {
        format!("{} entries", count(unlade::units::len64(n)))
    }
}
