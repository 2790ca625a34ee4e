//! Owns the report page: verdict first, then card, copies, exceptions, speed and files. One file,
//! no script, nothing from the network; every name is escaped and shown harmlessly. Pure: the same
//! manifest gives the same bytes.

use super::plot::speed_section;
use super::words::{asked, kind, moment, way};
use crate::error::Problem;
use crate::hash_algorithm::Also;
use crate::name::shown;
use crate::record::layout::Layout;
use crate::record::manifest::{
    CopyLevel, DestinationPart, FilePart, Manifest, MatchedBy, SHOWS, SourcePart,
};
use crate::units::{count, counted, len64, size};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::collections::BTreeSet;

/// Files listed one by one; more are in the manifest only.
const FILES_LISTED: usize = 2_000;
/// Files that are listed in the open; more are folded.
const FILES_OPEN: usize = 12;
/// Exceptions, and entries left out, that are listed in the open.
const ROWS_OPEN: usize = 40;
/// Earlier offloads that are named.
const OFFLOADS_NAMED: usize = 100;

const STYLE: &str = include_str!("page.css");

/// Returns the whole page.
pub fn page(manifest: &Manifest) -> String {
    let title = format!(
        "{}: {}",
        shown(&manifest.offload.name),
        verdict_words(manifest)
    );
    let body = html! {
        (head(manifest))
        (card(manifest))
        (copies(manifest))
        (exceptions(manifest))
        (notes(manifest))
        (left_out(manifest))
        (speed_section(manifest))
        (cautions(manifest))
        (sign())
        (files(manifest))
    };
    document(&title, &body)
}

/// Returns a document around what it says: no script, nothing from the network.
pub(super) fn document(title: &str, body: &Markup) -> String {
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src \
                    'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body { main { (body) } }
        }
    }
    .into_string()
}

fn verdict_words(m: &Manifest) -> &'static str {
    if m.verdict.proven && is_part(m) {
        "PROVEN, a folder and not the card"
    } else if m.verdict.proven {
        "PROVEN"
    } else {
        "NOT PROVEN"
    }
}

fn label(m: &Manifest) -> String {
    shown(m.card.label.as_deref().unwrap_or("without a label"))
}

/// Foreign text: harmless, and its writing direction kept to itself.
pub(super) fn foreign(text: &str) -> Markup {
    html! { bdi { (shown(text)) } }
}

/// Only a folder of a card was read.
fn is_part(m: &Manifest) -> bool {
    m.card.read_whole == Some(false)
}

fn head(m: &Manifest) -> Markup {
    let proven = m.verdict.proven;
    let all = format!(
        "{}, {}",
        counted(m.totals.files, "file"),
        size(m.totals.bytes)
    );
    html! {
        p.over { "Record of a camera card's offload \u{b7} " (foreign(&m.offload.name)) }
        div class=(if proven { "verdict good" } else { "verdict bad" }) {
            h1 { (verdict_words(m)) }
            @if proven {
                p.lead {
                  @if m.source.is_some() {
                    "Everything that was offloaded of card " strong { (foreign(&label(m))) } " ("
                    (all) ") stands on "
                    (counted(m.verdict.copies, "independent device")) ". "
                    "Each copy was read from its device and is equal to the manifest of the \
                     offload that was copied. The card was not read: this says nothing about \
                     formatting it."
                  } @else {
                    @if is_part(m) { "Everything in folder " } @else { "Everything on card " }
                    strong { (foreign(&label(m))) } " (" (all) ") stands on "
                    (counted(m.verdict.copies, "independent device")) ". "
                    @match by_date(m) {
                        0 => "Each copy was read back and is equal to what was read from the card.",
                        n => {
                            (counted(n, "file")) " of it " (if n == 1 { "was" } else { "were" })
                            " matched with earlier offloads by path, size and date only; the \
                             copies of all others were read back and are equal to what was read \
                             from the card."
                        }
                    }
                  }
                }
            } @else {
                p.lead {
                  @if let Some(source) = &m.source {
                    "Keep the offload in " span.p { (foreign(&source.path)) } " (" (all)
                    ") as it is, and every other copy of it."
                  } @else {
                    "Keep card " strong { (foreign(&label(m))) } " (" (all) ") as it is: do not \
                        format it, and do not shoot on it."
                  }
                }
            }
            @if !m.verdict.reasons.is_empty() {
                ul {
                    @for reason in m.verdict.reasons.iter().take(ROWS_OPEN) {
                        li { (foreign(reason)) }
                    }
                }
                (more(m.verdict.reasons.len(), ROWS_OPEN, "reason"))
            }
            p.soft {
                "As it stood on " (moment(&m.offload.finished)) ". Independent devices with a \
                    proven copy: "
                (count(m.verdict.copies)) " (asked for: " (count(m.proof.copies_needed)) ")."
            }
        }
    }
}

/// Returns how many files were taken for those of earlier offloads without being read.
fn by_date(m: &Manifest) -> u64 {
    let only_new = m.proof.only_new.as_ref();
    only_new
        .filter(|o| o.matched_by == MatchedBy::PathSizeDate)
        .map_or(0, |o| o.left_files)
}

/// Says how many are not on the page.
fn more(all: usize, listed: usize, what: &str) -> Markup {
    html! {
        @if all > listed {
            p.soft {
                "And " (count(len64(all - listed))) " more " (what) @if all - listed > 1 { "s" }
                "; the manifest has all of them."
            }
        }
    }
}

pub(super) fn fact(name: &str, value: &Markup) -> Markup {
    html! { div { dt { (name) } dd { (value) } } }
}

fn card(m: &Manifest) -> Markup {
    let further: BTreeSet<&str> = m
        .files
        .iter()
        .flat_map(|f| f.also.kinds().iter().map(Also::id))
        .collect();
    let hashes = html! { "BLAKE3" @for name in &further { ", " (foreign(name)) } };
    html! {
        h2 { "Card and job" }
        dl {
            (fact("Card", &html! { (foreign(&label(m))) }))
            (fact("Read at", &html! { span.p { (foreign(&m.card.path)) } }))
            (fact("File system", &html! {
                (foreign(&m.card.filesystem)) ", " (size(m.card.bytes_total))
            }))
            (fact("Volume", &html! {
                @match &m.card.volume_id {
                    Some(id) => span.p { (foreign(id)) }, None => "not told by the system"
                }
            }))
            (fact("Files", &html! {
                (count(m.totals.files)) ", " (size(m.totals.bytes)) " (" (count(m.totals.bytes))
                " bytes)"
            }))
            (fact("Folders", &html! { (count(m.totals.folders)) }))
            (fact("Left out", &html! { (count(m.totals.left_out)) }))
            (fact("Hashes of every file", &hashes))
            @if let Some(source) = &m.source { (copied_from(source)) }
            (fact("Begun", &html! { (moment(&m.offload.started)) }))
            (fact("Ended", &html! { (moment(&m.offload.finished)) }))
            (fact("On computer", &html! { (foreign(&m.offload.host)) }))
            (fact("By", &html! { (foreign(&m.tool.name)) " " (foreign(&m.tool.version)) }))
        }
        p.soft {
            "Fingerprint of the card's listing (BLAKE3): " span.p { (m.card.listing_b3) }
            @if m.card.zone.is_some() { ". The card keeps times without a zone." }
        }
    }
}

/// The offload that was copied; it is a copy itself where it counts.
fn copied_from(source: &SourcePart) -> Markup {
    html! {
        (fact("Copied from", &html! {
            "the offload " (foreign(&source.offload)) " in " span.p { (foreign(&source.path)) } " ("
            (foreign(&source.device)) ")"
            @if source.counted {
                ", which was read whole (" (source.readback.id())
                ") and counts as one of the copies"
            }
        }))
        (fact("Its manifest (BLAKE3)", &html! { span.p { (source.manifest_b3) } }))
    }
}

/// What of the card lies in earlier offloads, and on what that rests.
fn left(m: &Manifest) -> Markup {
    let left = m.proof.only_new.as_ref().filter(|o| o.left_files > 0);
    let within: BTreeSet<&str> = m
        .files
        .iter()
        .flat_map(|f| &f.copies)
        .filter_map(|c| c.within.as_deref())
        .collect();
    html! {
        @if let Some(left) = left {
            h2 { "In earlier offloads" }
            p {
                strong { (count(left.left_files)) " of " (counted(m.totals.files, "file")) }
                ", " (size(left.left_bytes)) ", were left from earlier offloads on the same \
                    destinations: "
                @match left.matched_by {
                    MatchedBy::PathSizeDate => {
                        "matched by path, size and date only, not read again"
                        @if left.sampled_files > 0 {
                            ", but for " (counted(left.sampled_files, "file")) " read as a sample"
                        }
                        "."
                    }
                    MatchedBy::Content => "matched by path, size and date, then read from the \
                        card again and equal to the hashes recorded there; the copies were not \
                        read again.",
                }
                " They lie in:"
            }
            ul { @for name in within.iter().take(OFFLOADS_NAMED) { li.p { (foreign(name)) } } }
            (more(within.len(), OFFLOADS_NAMED, "offload"))
        }
    }
}

fn copies(m: &Manifest) -> Markup {
    html! {
        h2 { "Copies" }
        p { "Asked for: " (asked(m.proof.asked)) "." }
        div.cards { @for (index, d) in m.destinations.iter().enumerate() { (copy(m, index, d)) } }
        @if m.proof.separate {
            p { "The person who ran the job stated that destinations which the system could not \
                tell apart are separate devices." }
        }
        (left(m))
    }
}

/// How the files of one destination are proven.
#[derive(Default)]
struct Counts {
    files: u64,
    bytes: u64,
    back: u64,
    earlier_run: u64,
    again: u64,
    left: u64,
}

fn counts(files: &[FilePart], destination: usize) -> Counts {
    let mut counts = Counts::default();
    for file in files {
        let Some(copy) = file.copies.iter().find(|c| c.destination == destination) else {
            continue;
        };
        counts.files += 1;
        counts.bytes = counts.bytes.saturating_add(file.bytes);
        counts.back += u64::from(copy.proof.is_read_back());
        counts.left += u64::from(copy.within.is_some());
        let is_earlier = copy.proof == CopyLevel::Earlier && copy.within.is_none();
        counts.earlier_run += u64::from(is_earlier);
        counts.again += u64::from(is_earlier && copy.again);
    }
    counts
}

fn copy(m: &Manifest, index: usize, d: &DestinationPart) -> Markup {
    let c = counts(&m.files, index);
    html! {
        section {
            h3 { "Destination " (index + 1) }
            dl {
                (fact("Folder", &html! { span.p { (foreign(&d.path)) } }))
                (fact("Device", &html! { (foreign(&d.device)) ", " (foreign(&d.filesystem)) }))
                (fact("Files there", &html! {
                    (count(c.files)) " of " (count(m.totals.files)) ", " (size(c.bytes))
                }))
                (fact("Read back equal", &html! { (count(c.back)) " of " (count(m.totals.files)) }))
                (fact("How", &html! {
                    (way(d.readback, &d.filesystem)) " (" (d.readback.id()) ")"
                }))
                @if c.earlier_run > 0 {
                    (fact("Of these, in an earlier run", &html! {
                        (count(c.earlier_run)) @if c.again > 0 {
                            "; " (count(c.again)) " read back again in this one"
                        }
                    }))
                }
                @if c.left > 0 {
                    (fact("Of these, in earlier offloads", &html! { (count(c.left)) }))
                }
            }
        }
    }
}

fn exceptions(m: &Manifest) -> Markup {
    let rows = |from: usize, to: usize| {
        html! { ul.list { @for p in m.problems.iter().take(to).skip(from) { (exception(p)) } } }
    };
    let all = m.problems.len();
    html! {
        h2 { "Exceptions" }
        @if m.problems.is_empty() {
            p { "None." }
        } @else {
            (rows(0, ROWS_OPEN))
            @if all > ROWS_OPEN {
                details {
                    summary {
                        (counted(len64(all.min(FILES_LISTED) - ROWS_OPEN), "more exception"))
                    }
                    (rows(ROWS_OPEN, FILES_LISTED))
                }
                (more(all, FILES_LISTED, "exception"))
            }
        }
    }
}

fn exception(p: &Problem) -> Markup {
    html! {
        li {
            strong { (kind(p.kind)) }
            @if !p.blocking { " (does not bear on the verdict)" }
            @if let Some(d) = p.destination { ", destination " (d + 1) }
            @if let Some(path) = &p.path { ": " span.p { (foreign(path)) } }
            br;
            (foreign(&p.detail))
            br;
            span.soft { "What to do: " (p.next_step()) }
        }
    }
}

/// What should be looked at, though it does not stand in the way.
fn notes(m: &Manifest) -> Markup {
    html! {
        @if !m.verdict.notes.is_empty() {
            h2 { "Notes" }
            ul.list {
                @for note in m.verdict.notes.iter().take(ROWS_OPEN) { li { (foreign(note)) } }
            }
            (more(m.verdict.notes.len(), ROWS_OPEN, "note"))
        }
    }
}

fn left_out(m: &Manifest) -> Markup {
    let rows = html! {
        table {
            caption { "Left on the card by computers; not copied." }
            thead { tr { th scope="col" { "Path" } th scope="col" { "Why" } } }
            tbody {
                @for l in m.left_out.iter().take(FILES_LISTED) {
                    tr { td.p { (foreign(&l.path)) } td { (foreign(&l.why)) } }
                }
            }
        }
    };
    html! {
        h2 { "Left out" }
        @if m.left_out.is_empty() {
            p { "Nothing." }
        } @else if m.left_out.len() > ROWS_OPEN {
            p { (counted(len64(m.left_out.len()), "path")) " that computers left on the card, not \
                copied." }
            details {
                summary { "The paths" } (rows) (more(m.left_out.len(), FILES_LISTED, "path"))
            }
        } @else {
            (rows)
        }
    }
}

fn cautions(m: &Manifest) -> Markup {
    html! {
        h2 { "What this shows, and what it does not" }
        p { (SHOWS) }
        @if is_part(m) {
            p { "Only a folder was copied. Do not format the card for it: copy the whole card \
                first." }
        } @else if m.verdict.proven && m.source.is_none() {
            p {
                "Before the card is formatted: open some files from each drive, look at the card \
                 once more, and format it in the camera. Drives that travel in one bag can be \
                 lost together. What a contract, an insurer or local rules ask for comes first; \
                 this page knows nothing of it."
            }
        }
        p.soft { "File names and dates on this page may be private. To check a copy without \
            unlade: " code { "b3sum --check _unlade/checksums.b3" } " in the offload's folder." }
        @if m.offload.layout == Layout::Bag {
            p.soft { "The offload is a bag (BagIt 1.0, RFC 8493): the card's files lie in its \
                folder " code { "data" } ", and programs that check bags can check it." }
        }
    }
}

/// Room for a pen; nobody's name is on the page unless it is written there.
pub(super) fn sign() -> Markup {
    html! { div.sign { div { "Name" } div { "Date" } } }
}

fn files(m: &Manifest) -> Markup {
    let n = m.files.len();
    let rows = html! {
        table {
            caption { "Read whole; with the BLAKE3 hash, and on how many destinations it was read \
                back equal" }
            thead {
                tr {
                    th scope="col" { "File" } th.n scope="col" { "Bytes" }
                    th.n scope="col" { "Read back" }
                }
            }
            tbody { @for f in m.files.iter().take(FILES_LISTED) { (file(f)) } }
        }
        (more(n, FILES_LISTED, "file"))
    };
    html! {
        h2 { "Files" }
        @if n == 0 {
            p { "None was read whole." }
        } @else if n <= FILES_OPEN {
            (rows)
        } @else {
            p.soft {
                (counted(len64(n), "file")) " read whole; each with its hash in the manifest."
            }
            details {
                summary {
                    "The list" @if n > FILES_LISTED { ", the first " (count(len64(FILES_LISTED))) }
                }
                (rows)
            }
        }
    }
}

fn file(f: &FilePart) -> Markup {
    let back = f.copies.iter().filter(|c| c.proof.is_read_back()).count();
    html! {
        tr {
            td.p { (foreign(&f.path)) span.h { (f.blake3) } }
            td.n { (count(f.bytes)) }
            td.n { (back) }
        }
    }
}
