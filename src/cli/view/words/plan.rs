//! Owns what is said of a plan: card, copies, links, time.

use crate::cli::view::out::Out;
use crate::cli::view::text::{pad, wrap};
use crate::cli::view::words::drives::drive_names;
use unicode_width::UnicodeWidthStr as _;
use unlade::disk::FolderFacts;
use unlade::disk::backing::Backing;
use unlade::name::{shown, word};
use unlade::plan::concurrent::is_little;
use unlade::plan::{Plan, PlannedDestination};
use unlade::record::layout::{Layout, Level};
use unlade::record::manifest::device_words;
use unlade::speed::ceiling::Ceiling;
use unlade::speed::forecast::{RateSource, words as forecast_words};
use unlade::speed::link::{Link, LinkKind};
use unlade::units::{MegabytesPerS, counted, size, speed};

/// Returns the lines of a plan: what is needed to know.
pub(crate) fn plan_lines(plan: &Plan, out: Out) -> Vec<String> {
    if out.verbose {
        return details(plan, out.width);
    }
    let width = out.width;
    let words = PlanWords::of(plan, out.verbose);
    let mut lines = wrap(&words.head, width, "", "  ");
    if plan.layout == Layout::Bag {
        let bag = "as a bag (BagIt 1.0, RFC 8493); the card's files are in `data`";
        lines.extend(wrap(bag, width, "  ", "  "));
    }
    let longest = words.drives.iter().map(|(name, _)| name.width()).max();
    for (name, work) in &words.drives {
        let first = format!("  {}  ", pad(name, longest.unwrap_or(0)));
        lines.extend(wrap(work, width, &first, "      "));
    }
    let rest = words.speed.iter().chain(&words.time).chain(&words.notes);
    lines.extend(rest.flat_map(|text| wrap(text, width, "  ", "  ")));
    lines
}

/// What is said of a plan, part by part.
pub(crate) struct PlanWords {
    /// The card, what it holds, and the offload's name.
    pub(crate) head: String,
    /// Each drive's name and what is done on it.
    pub(crate) drives: Vec<(String, String)>,
    /// What the parts allow, and the slowest of them; nothing where nothing is known.
    pub(crate) speed: Option<String>,
    /// How long it will take, by what is known beforehand.
    pub(crate) time: Option<String>,
    /// What should be told and does not stand in the way.
    pub(crate) notes: Vec<String>,
}

impl PlanWords {
    pub(crate) fn of(plan: &Plan, verbose: bool) -> Self {
        let names = drive_names(plan);
        let drives = names.iter().cloned().zip(&plan.destinations);
        let notes = plan.notes.iter().chain(plan.estimate.ceiling.notes());
        Self {
            head: head(plan),
            drives: drives
                .map(|(name, d)| (name, work(plan, d, verbose)))
                .collect(),
            speed: speed_words(&plan.estimate.ceiling, &names),
            time: plan_time(plan),
            notes: notes.cloned().collect(),
        }
    }
}

fn head(plan: &Plan) -> String {
    let (files, bytes) = plan.listing.totals();
    let mut head = match plan.original() {
        None => shown(&plan.card.label),
        Some(_) => format!("The offload {}", shown(plan.card.given.as_str())),
    };
    head.push_str(&format!(": {}, {}", counted(files, "file"), size(bytes)));
    if !plan.has_nothing_new() {
        head.push_str(&format!(", as {}", shown(&plan.name)));
    }
    if let Some(skipped) = skipped(plan) {
        head.push_str(&format!("; {skipped}"));
    }
    head
}

/// What computers left on the card.
fn skipped(plan: &Plan) -> Option<String> {
    let skipped = unlade::units::len64(plan.listing.left_out().count());
    let what = if plan.listing.media_left().is_empty() {
        "system file"
    } else {
        "file"
    };
    (skipped > 0).then(|| format!("{} skipped", counted(skipped, what)))
}

/// Returns all that is known of a plan.
fn details(plan: &Plan, width: usize) -> Vec<String> {
    let (files, bytes) = plan.listing.totals();
    let folders = plan.listing.folders().count();
    let mut lines = vec![
        source(plan, &shown(&plan.card.label)),
        format!(
            "Holds    {}, {}, in {}{}",
            counted(files, "file"),
            size(bytes),
            counted(unlade::units::len64(folders), "folder"),
            skipped(plan).map_or_else(String::new, |skipped| format!("; {skipped}"))
        ),
        if plan.has_nothing_new() {
            "Offload  none: everything on the card is in earlier offloads".to_owned()
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
    if plan.has_mhl() {
        lines.push("List     an ASC media hash list in `ascmhl`".to_owned());
    }
    for (index, d) in plan.destinations.iter().enumerate() {
        lines.push(format!(
            "Copy {}   {} ({})",
            index + 1,
            shown(copy_folder(plan, d).as_str()),
            device(&d.facts)
        ));
        lines.extend(wrap(&work(plan, d, true), width, "         ", "         "));
    }
    lines.extend(speed_lines(plan, width));
    if let Some(text) = plan_time(plan) {
        lines.extend(wrap(&text, width, "Time     ", "         "));
    }
    for note in plan.notes.iter().chain(plan.estimate.ceiling.notes()) {
        lines.extend(wrap(note, width, "Note     ", "         "));
    }
    lines
}

/// Returns what is copied: a card, or an offload of one.
pub(super) fn source(plan: &Plan, label: &str) -> String {
    let given = shown(plan.card.given.as_str());
    match plan.original() {
        None => format!("Card     {label} at {given}"),
        Some(_) => format!(
            "From     the offload at {given}, of card {}",
            shown(&plan.card.label)
        ),
    }
}

/// Returns the folder that a copy is in: the offload's, or the destination where no offload is
/// made.
pub(super) fn copy_folder<'a>(plan: &Plan, d: &'a PlannedDestination) -> &'a camino::Utf8Path {
    if plan.has_nothing_new() {
        &d.given
    } else {
        &d.root
    }
}

/// Returns what card, reader and drives allow, and the slowest of them; nothing where nothing is
/// known.
fn speed_lines(plan: &Plan, width: usize) -> Vec<String> {
    let (ceiling, names) = (&plan.estimate.ceiling, drive_names(plan));
    let Some(head) = speed_words(ceiling, &names) else {
        return Vec::new();
    };
    let each: Vec<String> = ceiling
        .links()
        .iter()
        .map(|link| format!("{} {}", link.words(&names), mbps(link.mbps)))
        .collect();
    let mut lines = wrap(&head, width, "Speed    ", "         ");
    if each.len() > 1 {
        let all = format!("{} (MB/s)", each.join("; "));
        lines.extend(wrap(&all, width, "Links    ", "         "));
    }
    lines
}

fn speed_words(ceiling: &Ceiling, names: &[String]) -> Option<String> {
    let (limiting, (low, high)) = (ceiling.limiting()?, ceiling.usual()?);
    let usual = if low.0 < high.0 {
        format!(", usually {:.0} to {:.0}", low.0, high.0)
    } else {
        String::new()
    };
    // What somebody said, or what was reached before, can be exceeded.
    Some(if limiting.is_limit() {
        format!(
            "{} MB/s at most{usual}; held back by {}",
            mbps(limiting.mbps),
            limiting.words(names)
        )
    } else {
        let by = match limiting.kind {
            LinkKind::Measured => "as card and reader gave before".to_owned(),
            LinkKind::Label => "by the card's label".to_owned(),
            _ => format!("as {} is said to take", limiting.words(names)),
        };
        format!("about {} MB/s{usual}, {by}", mbps(limiting.mbps))
    })
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
    let rate = plan.estimate.prior.rate?;
    let from = match rate.source {
        RateSource::Ceiling if plan.estimate.ceiling.limiting().is_some_and(Link::is_limit) => {
            "expected from the slowest link's limit".to_owned()
        }
        RateSource::Ceiling => "expected from that figure".to_owned(),
        RateSource::History => before(plan, rate.mbps),
    };
    let then = match &plan.estimate.prior.companion {
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

/// A card that was read faster than this over a whole offload's rate was held back by something
/// else.
const HELD_BACK: f64 = 1.25;

/// Says whose rate of earlier times it is.
fn before(plan: &Plan, mbps: f64) -> String {
    let of_card = plan
        .estimate
        .ceiling
        .links()
        .iter()
        .find(|l| l.kind == LinkKind::Measured);
    match of_card.filter(|l| l.mbps.0 > HELD_BACK * mbps) {
        Some(link) => format!(
            "as this card and reader gave onto these drives before (the card alone gives {}, so \
            the drives held it back)",
            speed(link.mbps.bytes_per_s())
        ),
        None => "as this card and reader gave onto these drives before".to_owned(),
    }
}

/// Returns where a destination lies: `sda, ext4`.
fn device(facts: &FolderFacts) -> String {
    match &facts.backing {
        Backing::Unknown { .. } => format!("drive not known, {}", word(&facts.filesystem)),
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
    if plan.terms.level == Level::Reread {
        "content to be read a second time at the end"
    } else if has_sample(plan, d) {
        "a sample of the content read"
    } else {
        "content not read"
    }
}

/// Whether files were read from the card before those of earlier runs were believed.
pub(super) fn has_sample(plan: &Plan, d: &PlannedDestination) -> bool {
    d.sampled_files > 0 || plan.only_new.as_ref().is_some_and(|o| o.sampled_files > 0)
}

/// What is done with files that an earlier run proved.
fn kept_words(plan: &Plan, d: &PlannedDestination) -> String {
    let looked = format!("size and date checked, {}", content_words(plan, d));
    let again = "checking again on this drive";
    let kept = if !plan.reads_kept() {
        looked
    } else if plan.original().is_some() {
        again.to_owned()
    } else {
        format!("{again}; on the card {looked}")
    };
    let files = counted(d.kept_files, "file");
    format!("{files} already copied (proven by an earlier copy), {kept}")
}

/// What is done on a drive; `verbose`: and on what it rests.
fn work(plan: &Plan, d: &PlannedDestination, verbose: bool) -> String {
    let mut parts = Vec::new();
    if d.kept_files > 0 {
        let again = if plan.reads_kept() {
            "; checking them again"
        } else {
            ""
        };
        parts.push(if verbose {
            kept_words(plan, d)
        } else {
            format!("{} already copied{again}", counted(d.kept_files, "file"))
        });
    }
    for left in &d.left_in {
        parts.push(format!(
            "{}, {} in the earlier offload `{}` (proven there; path, size and date are the same, \
            {})",
            counted(left.files, "file"),
            size(left.bytes),
            shown(&left.within),
            content_words(plan, d)
        ));
    }
    let unvouched = d.check_files.saturating_sub(d.hash_files);
    if unvouched > 0 {
        parts.push(format!(
            "{} there already, in no manifest that fits: checked and compared with the {}",
            counted(unvouched, "file"),
            plan.source_word()
        ));
    }
    if d.hash_files > 0 {
        parts.push(format!(
            "{} that an earlier copy proved without all of these hashes: read from card and \
            drive, not copied again",
            counted(d.hash_files, "file")
        ));
    }
    if !d.left_empty.is_empty() {
        parts.push(format!(
            "{} from when the drive was pulled, to be copied anew",
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
    if d.copy_files > 0 {
        parts.push(format!(
            "{} to copy, {}; needs {} of {} free{}",
            counted(d.copy_files, "file"),
            size(d.copy_bytes),
            size(d.needs_bytes),
            size(d.facts.free_bytes),
            little_left(plan, d)
        ));
    } else if verbose || parts.is_empty() {
        parts.push("nothing to copy".to_owned());
    }
    parts.join("; ")
}
