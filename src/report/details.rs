//! Owns what an engineer asks of the page: where and how it was read and checked, what was skipped,
//! the fingerprint, and the files with their hashes. Pure.

use super::frame::{fact, foreign, more, path, wide};
use super::words::{asked, moment, way};
use crate::hash_algorithm::Also;
use crate::record::manifest::{FilePart, Manifest};
use crate::units::{count, counted, len64, size};
use maud::{Markup, html};
use std::collections::BTreeSet;

/// Files, and entries skipped, that are listed one by one; more are in the manifest only.
const LISTED: usize = 2_000;
/// Files that are listed in the open; more are folded.
const FILES_OPEN: usize = 12;

/// Returns the section with all that is known of the copy. `names` are the drives' names.
pub(super) fn details(m: &Manifest, names: &[String]) -> Markup {
    let further: BTreeSet<&str> = m
        .files
        .iter()
        .flat_map(|f| f.also.kinds().iter().map(Also::id))
        .collect();
    let offset = m.offload.utc_offset;
    html! {
        h2 { "Details" }
        dl {
            (fact("Begun", &moment(&m.offload.started, offset)))
            (fact("Ended", &moment(&m.offload.finished, offset)))
            (fact("On computer", &foreign(&m.offload.host)))
            (fact("By", &html! { (foreign(&m.tool.name)) " " (foreign(&m.tool.version)) }))
            (fact("Card read at", &path(&m.card.path)))
            (fact("Card's file system", &html! {
                (foreign(&m.card.filesystem)) ", " (size(m.card.bytes_total))
            }))
            @if let Some(id) = &m.card.volume_id { (fact("Card's volume", &path(id))) }
            (fact("Bytes", &html! { (count(m.totals.bytes)) }))
            (fact("Folders", &html! { (count(m.totals.folders)) }))
            (fact("Asked for", &html! { (asked(m.proof.asked)) }))
            @for (d, name) in m.destinations.iter().zip(names) {
                (wide("Drive", &html! {
                    strong { (foreign(name)) } ": " (path(&d.device)) ", "
                    (foreign(&d.filesystem)) "; read " (way(d.readback, &d.filesystem)) " ("
                    code { (d.readback.id()) } ")"
                }))
            }
            @if let Some(source) = &m.source {
                (wide("Copied from", &html! {
                    "the offload " (foreign(&source.offload)) " in " (path(&source.path)) " ("
                    (path(&source.device)) ", " code { (source.readback.id()) } ")"
                }))
                (wide("BLAKE3 of its manifest", &path(&source.manifest_b3.to_string())))
            }
            (fact("Hashes", &html! {
                "BLAKE3" @for name in &further { ", " (foreign(name)) }
            }))
            (wide("Fingerprint of the card's list of files (BLAKE3)",
                &path(&m.card.listing_b3.to_string())))
        }
        p.soft {
            @match offset {
                Some(_) => "Times are those of the computer's clock, with UTC beside them.",
                None => "Times are in UTC.",
            }
        }
        @if !m.left_out.is_empty() { (skipped(m)) }
    }
}

fn skipped(m: &Manifest) -> Markup {
    let all = m.left_out.len();
    let rows = html! {
        table {
            caption { "What computers leave on cards, not copied" }
            thead { tr { th scope="col" { "Path" } th scope="col" { "Why" } } }
            tbody {
                @for l in m.left_out.iter().take(LISTED) {
                    tr { td { (path(&l.path)) } td { (foreign(&l.why)) } }
                }
            }
        }
        (more(all, LISTED, "path", "manifest"))
    };
    folded("Skipped", "system file", all, Some(HAS_ALL), &rows)
}

/// What has what is folded.
const HAS_ALL: &str = "The manifest has them all.";

/// A list: in the open where it is short, else a sentence and the list folded. On paper the
/// sentence has to do, which may say what else has them.
pub(super) fn folded(
    title: &str,
    what: &str,
    all: usize,
    holder: Option<&str>,
    rows: &Markup,
) -> Markup {
    html! {
        h3 { (title) }
        @if all <= FILES_OPEN {
            (rows)
        } @else {
            p { (counted(len64(all), what)) "." @if let Some(holder) = holder { " " (holder) } }
            details {
                summary {
                    "The list" @if all > LISTED { ", the first " (count(len64(LISTED))) }
                }
                (rows)
            }
        }
    }
}

/// Returns the section on the files that were read whole, with their hashes.
pub(super) fn files(m: &Manifest) -> Markup {
    let all = m.files.len();
    let rows = html! {
        table {
            caption { "With size, BLAKE3 hash, and on how many drives it was checked" }
            thead { tr { th scope="col" { "File" } th.n scope="col" { "Checked" } } }
            tbody { @for f in m.files.iter().take(LISTED) { (file(f)) } }
        }
        (more(all, LISTED, "file", "manifest"))
    };
    html! { @if all > 0 { (folded("Files and hashes", "file", all, Some(HAS_ALL), &rows)) } }
}

fn file(f: &FilePart) -> Markup {
    let checked = f.copies.iter().filter(|c| c.proof.is_read_back()).count();
    html! {
        tr {
            td {
                (path(&f.path))
                span.h { (count(f.bytes)) " bytes, " (f.blake3) }
            }
            td.n { (checked) }
        }
    }
}
