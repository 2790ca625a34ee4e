//! Owns the report page: for a client first, the answer, what was shot and where the copies are;
//! what is out of the ordinary, if anything is; then what an engineer asks. One file, no script,
//! nothing from the network; every name is escaped and shown harmlessly. Pure: the same manifest
//! gives the same bytes.

use super::details::{details, files};
use super::frame::{document, foreign, more, path, sign, wide};
use super::plot::speed_section;
use super::shot::shot;
use super::words::{drive_names, folder, is_part, label, moment};
use crate::error::Problem;
use crate::name::shown;
use crate::record::layout::Layout;
use crate::record::manifest::{CopyLevel, FilePart, Manifest, MatchedBy, SHOWS};
use crate::units::{count, counted, len64, size};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// Exceptions that are on the page.
const EXCEPTIONS_LISTED: usize = 2_000;
/// Exceptions that are in the open.
const ROWS_OPEN: usize = 40;
/// Hints that are on the page.
const HINTS_LISTED: usize = 200;
/// Earlier offloads that are named.
const OFFLOADS_NAMED: usize = 100;

/// Returns the whole page.
pub fn page(manifest: &Manifest) -> String {
    let title = format!("{}: {}", shown(&manifest.offload.name), answer(manifest));
    let names = drive_names(manifest);
    let body = html! {
        (head(manifest))
        (shot(manifest))
        (copies(manifest, &names))
        (exceptions(manifest, &names))
        (hints(manifest))
        (cautions(manifest))
        (speed_section(manifest, &names))
        (details(manifest, &names))
        (files(manifest))
        (sign())
    };
    document(&title, &body)
}

/// The answer in some words.
fn answer(m: &Manifest) -> String {
    if !m.verdict.proven {
        return "NOT PROVEN".to_owned();
    }
    let what = if is_part(m) {
        "This folder is safe"
    } else {
        "Safe"
    };
    if m.verdict.copies == 1 {
        return format!("{what} on one drive only");
    }
    format!("{what} on {}", counted(m.verdict.copies, "drive"))
}

fn head(m: &Manifest) -> Markup {
    let proven = m.verdict.proven;
    html! {
        p.over {
            @if m.source.is_some() { "A further copy of a camera card" } @else { "A camera card" }
            " \u{b7} offload " (foreign(&m.offload.name))
        }
        div class=(if proven { "verdict good" } else { "verdict bad" }) {
            h1 { (answer(m)) }
            p.lead { @if proven { (why_safe(m)) } @else { (keep(m)) } }
            @if proven && m.verdict.copies == 1 {
                p.lead { "It is one copy only: if this drive is lost or fails, the pictures are \
                    gone." }
            }
            p.soft {
                @match m.verdict.copies {
                    1 => "1 proven copy",
                    n => { (count(n)) " proven copies on separate drives" }
                }
                "; " (count(m.proof.copies_needed)) " needed. As of "
                (moment(&m.offload.finished, m.offload.utc_offset)) "."
            }
            @if m.proof.separate {
                p.soft { "The system could not say whether the drives are separate: whoever made \
                    the copy said that they are." }
            }
        }
    }
}

fn keep(m: &Manifest) -> Markup {
    html! {
        @if let Some(source) = &m.source {
            "Keep the offload in " (path(&source.path)) " as it is, and every other copy of it."
        } @else {
            "Keep " strong { (foreign(label(m))) }
            " as it is: don't format it, don't shoot on it."
        }
    }
}

fn why_safe(m: &Manifest) -> Markup {
    let all = format!(
        "{}, {}",
        counted(m.totals.files, "file"),
        size(m.totals.bytes)
    );
    html! {
        strong { "PROVEN" }
        @if is_part(m) { " for this folder, not the card" }
        @if m.source.is_some() { ". Everything that was offloaded of card " }
        @else if is_part(m) { ". Everything in folder " }
        @else { ". Everything on card " }
        strong { (foreign(label(m))) } " (" (all) ") is on " (counted(m.verdict.copies, "drive"))
        ". "
        @match by_date(m) {
            _ if m.source.is_some() => {
                "Each copy was read back from its drive and matches the manifest of the offload \
                 that was copied. The card was not read: this says nothing about formatting it."
            }
            0 => "Each copy was read back from its drive and equals what the card gave.",
            n => {
                (counted(n, "file")) " of it " (if n == 1 { "was" } else { "were" })
                " matched with earlier offloads by path, size and date only; the copies of all \
                 others were read back from their drives and equal what the card gave."
            }
        }
        @if is_part(m) { " Don't format the card: copy all of it first." }
    }
}

/// Returns how many files were taken for those of earlier offloads without being read.
fn by_date(m: &Manifest) -> u64 {
    let only_new = m.proof.only_new.as_ref();
    only_new
        .filter(|o| o.matched_by == MatchedBy::PathSizeDate)
        .map_or(0, |o| o.left_files)
}

/// What somebody should look at; no empty section.
fn hints(m: &Manifest) -> Markup {
    let all = m.hints.as_deref().unwrap_or_default();
    html! {
        @if !all.is_empty() {
            h2 { "Hints on what was recorded" }
            p { "These change nothing about the answer above. A file without a hint may still be \
                damaged." }
            ul {
                @for hint in all.iter().take(HINTS_LISTED) {
                    li {
                        @if let Some(at) = &hint.path { (path(at)) " " }
                        (foreign(&hint.detail))
                    }
                }
            }
            (more(all.len(), HINTS_LISTED, "hint", "manifest"))
        }
    }
}

fn copies(m: &Manifest, names: &[String]) -> Markup {
    html! {
        h2 { "Where the copies are" }
        @if let Some(source) = m.source.as_ref().filter(|source| source.counted) {
            p { "Copied from " (path(&source.path)) ", which was read whole and is one of the \
                copies." }
        }
        div.cards {
            @for (index, (d, name)) in m.destinations.iter().zip(names).enumerate() {
                section {
                    h3 { (foreign(name)) }
                    dl {
                        (wide("Folder", &path(&folder(&d.path, m))))
                        (wide("Files", &html! { (state(m, &Counts::of(&m.files, index))) }))
                    }
                }
            }
        }
        (in_earlier(m))
    }
}

/// How the files of one drive are proven.
#[derive(Default)]
struct Counts {
    files: u64,
    bytes: u64,
    checked: u64,
    already: u64,
    again: u64,
    in_earlier: u64,
}

impl Counts {
    fn of(files: &[FilePart], drive: usize) -> Self {
        let mut counts = Self::default();
        for file in files {
            let Some(copy) = file.copies.iter().find(|c| c.destination == drive) else {
                continue;
            };
            counts.files += 1;
            counts.bytes = counts.bytes.saturating_add(file.bytes);
            counts.checked += u64::from(copy.proof.is_read_back());
            counts.in_earlier += u64::from(copy.within.is_some());
            let is_already = copy.proof == CopyLevel::Earlier && copy.within.is_none();
            counts.already += u64::from(is_already);
            counts.again += u64::from(is_already && copy.again);
        }
        counts
    }
}

fn state(m: &Manifest, c: &Counts) -> String {
    let all = m.totals.files;
    let mut text = match c.checked {
        n if n == all => format!("{} checked", counted(all, "file")),
        n => format!("{} of {} checked", count(n), counted(all, "file")),
    };
    text.push_str(&format!(", {}", size(c.bytes)));
    if c.files > c.checked {
        text.push_str(&format!(
            "; {} copied, not checked",
            count(c.files - c.checked)
        ));
    }
    if c.already > 0 {
        let again = match c.again {
            0 => String::new(),
            n if n == c.already => ", checked again".to_owned(),
            n => format!(", {} of them checked again", count(n)),
        };
        text.push_str(&format!("; {} already copied{again}", count(c.already)));
    }
    if c.in_earlier > 0 {
        text.push_str(&format!("; {} in earlier offloads", count(c.in_earlier)));
    }
    text
}

/// What of the card is in earlier offloads, and on what that rests.
fn in_earlier(m: &Manifest) -> Markup {
    let earlier = m.proof.only_new.as_ref().filter(|o| o.left_files > 0);
    let within: BTreeSet<&str> = m
        .files
        .iter()
        .flat_map(|f| &f.copies)
        .filter_map(|c| c.within.as_deref())
        .collect();
    html! {
        @if let Some(earlier) = earlier {
            h3 { "In earlier offloads" }
            p {
                strong { (count(earlier.left_files)) " of " (counted(m.totals.files, "file")) }
                ", " (size(earlier.left_bytes)) ", are in earlier offloads on the same drives: "
                @match earlier.matched_by {
                    MatchedBy::PathSizeDate => {
                        "matched by path, size and date only, not read"
                        @if earlier.sampled_files > 0 {
                            ", but for " (counted(earlier.sampled_files, "file"))
                            " read as a sample"
                        }
                        "."
                    }
                    MatchedBy::Content => "matched by path, size and date, then read from the \
                        card and equal to the hashes in their manifests; the copies were not read.",
                }
                " The offloads:"
            }
            ul { @for name in within.iter().take(OFFLOADS_NAMED) { li { (path(name)) } } }
            (more(within.len(), OFFLOADS_NAMED, "offload", "manifest"))
        }
    }
}

/// One thing out of the ordinary, in the terminal's words, and what to do about it.
struct Exception<'a> {
    text: String,
    step: Option<&'a str>,
}

/// Returns what stands in the way of the answer, and what does not.
fn exceptions(m: &Manifest, names: &[String]) -> Markup {
    let of = |p: &Problem| Exception {
        text: sentence(&p.words(names)),
        step: Some(p.next_step()),
    };
    let plain = |text: &String| Exception {
        text: sentence(&shown(text)),
        step: None,
    };
    let (blocking, harmless): (Vec<&Problem>, Vec<&Problem>) =
        m.problems.iter().partition(|p| p.blocking);
    // A reason that begins with a problem's kind is that problem.
    let is_own = |reason: &&String| {
        let kind = reason.split(':').next();
        !blocking.iter().any(|p| Some(p.kind.id()) == kind)
    };
    let reasons = m.verdict.reasons.iter().filter(is_own).map(plain);
    let reasons: Vec<_> = reasons.chain(blocking.iter().map(|p| of(p))).collect();
    let notes = m.verdict.notes.iter().map(plain);
    let notes: Vec<_> = notes.chain(harmless.iter().map(|p| of(p))).collect();
    html! {
        @if !reasons.is_empty() { h2 { "Why it is not proven" } (list(&reasons)) }
        @if !notes.is_empty() { h2 { "Good to know" } (list(&notes)) }
    }
}

fn sentence(text: &str) -> String {
    format!("{}.", text.trim_end_matches('.'))
}

fn list(all: &[Exception<'_>]) -> Markup {
    // What is alike has one step, below the last.
    let is_last = |at: usize| all.get(at + 1).is_none_or(|next| next.step != all[at].step);
    let rows = |from: usize, to: usize| {
        html! {
            ul.list {
                @for (at, e) in all.iter().enumerate().take(to).skip(from) {
                    li {
                        (foreign(&e.text))
                        @if let Some(step) = e.step.filter(|_| at + 1 == to || is_last(at)) {
                            br; span.soft { (step) }
                        }
                    }
                }
            }
        }
    };
    html! {
        (rows(0, ROWS_OPEN))
        (more(all.len(), ROWS_OPEN, "exception", "manifest"))
        @if all.len() > ROWS_OPEN {
            details {
                summary {
                    "The next " (count(len64(all.len().min(EXCEPTIONS_LISTED) - ROWS_OPEN)))
                }
                (rows(ROWS_OPEN, EXCEPTIONS_LISTED))
            }
        }
    }
}

fn cautions(m: &Manifest) -> Markup {
    html! {
        h2 { "What this shows, and what it can't" }
        p { (SHOWS) }
        @if m.verdict.proven && m.source.is_none() && !is_part(m) {
            p {
                "Before the card is formatted: open some files from each drive, look at the card \
                 again, and format it in the camera. Your contract, your insurer and local rules \
                 come first; this page knows nothing of them. Drives in one bag go missing \
                 together."
            }
        }
        @if m.offload.layout == Layout::Bag {
            p { "The offload is a bag (BagIt 1.0, RFC 8493): the card's files are in its folder "
                code { "data" } ", and programs that check bags can check it." }
        }
        p.soft { "To check a copy without unlade: " code { "b3sum --check _unlade/checksums.b3" }
            " in the offload's folder. Names and dates on this page may be private." }
    }
}
