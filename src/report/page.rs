//! Owns the report page: verdict first, then card, copies, exceptions and files. One file, no
//! script, nothing from the network; every name is escaped and shown harmlessly. Pure: the same
//! manifest gives the same bytes.

use crate::name::shown;
use crate::proof::manifest::{CopyLevel, Manifest, MatchedBy};
use crate::units::{count, counted, size};
use maud::{DOCTYPE, Markup, PreEscaped, html};
use std::collections::BTreeSet;

/// Files listed one by one; more are in the manifest only.
const FILES_LISTED: usize = 5_000;

const STYLE: &str = "
:root{color-scheme:light dark;--ink:#1b1f24;--paper:#fff;--soft:#5a626c;--line:#d5d9de;--good:#0b5d2a;--bad:#9a1b12}
@media(prefers-color-scheme:dark){:root{--ink:#e6e8ea;--paper:#15181b;--soft:#a3abb4;--line:#3a4046;--good:#7fd6a0;--bad:#ff9d92}}
body{margin:0 auto;max-width:52rem;padding:1.5rem;font:1rem/1.5 system-ui,sans-serif;color:var(--ink);background:var(--paper)}
h1{font-size:1.6rem;margin:0 0 .2rem}h2{font-size:1.1rem;margin:1.8rem 0 .4rem}
.good{color:var(--good)}.bad{color:var(--bad)}.soft{color:var(--soft)}
table{border-collapse:collapse;width:100%}th,td{text-align:left;padding:.3rem .6rem .3rem 0;border-bottom:1px solid var(--line);vertical-align:top}
td.n{text-align:right;white-space:nowrap}code,td.p{font-family:ui-monospace,monospace;font-size:.85rem;overflow-wrap:anywhere}
@media print{body{padding:0}details:not([open]){display:none}}
";

/// Returns the whole page.
pub fn page(manifest: &Manifest) -> String {
    let proven = manifest.verdict.proven;
    let title = format!(
        "{}: {}",
        shown(&manifest.offload.name),
        if proven { "PROVEN" } else { "NOT PROVEN" }
    );
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content="default-src 'none'; style-src 'unsafe-inline'";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    (head(manifest))
                    (copies(manifest))
                    (exceptions(manifest))
                    (cautions())
                    (files(manifest))
                }
            }
        }
    }
    .into_string()
}

fn head(m: &Manifest) -> Markup {
    let proven = m.verdict.proven;
    html! {
        h1 class=(if proven { "good" } else { "bad" }) { (if proven { "PROVEN" } else { "NOT PROVEN" }) }
        p {
            (counted(m.totals.files, "file")) ", " (size(m.totals.bytes)) ", from card "
            strong { bdi { (shown(m.card.label.as_deref().unwrap_or("without a label"))) } }
            ", offload " strong { bdi { (shown(&m.offload.name)) } } "."
        }
        @if !m.verdict.reasons.is_empty() {
            ul { @for reason in &m.verdict.reasons { li { bdi { (shown(reason)) } } } }
        }
        p.soft {
            "From " (moment(&m.offload.started)) " to " (moment(&m.offload.finished)) ", on " bdi { (shown(&m.offload.host)) }
            ", by " (shown(&m.tool.name)) " " (shown(&m.tool.version)) ". Copies on independent devices: "
            (m.verdict.copies) " of " (m.proof.copies_needed) " asked for."
        }
    }
}

/// Returns a moment for people: `2026-11-25 09:53:18 UTC`.
fn moment(rfc3339: &str) -> String {
    let text = rfc3339.get(..19).unwrap_or(rfc3339).replacen('T', " ", 1);
    format!("{} UTC", shown(&text))
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
            p {
                strong { (count(left.left_files)) " of " (counted(m.totals.files, "file")) }
                ", " (size(left.left_bytes)) ", were left from earlier offloads on the same destinations: "
                @match left.matched_by {
                    MatchedBy::PathSizeDate => "matched by path, size and date only, not read again.",
                    MatchedBy::Content => "matched by path, size and date, then read from the card again and equal to the hashes recorded there; the copies were not read again.",
                }
                " They lie in:"
            }
            ul { @for name in &within { li.p { bdi { (shown(name)) } } } }
        }
    }
}

fn copies(m: &Manifest) -> Markup {
    html! {
        h2 { "Copies" }
        table {
            thead { tr { th scope="col" { "Destination" } th scope="col" { "Device" } th scope="col" { "Files" } th scope="col" { "Read back" } } }
            tbody {
                @for (index, d) in m.destinations.iter().enumerate() {
                    @let on_it = m.files.iter().filter(|f| f.copies.iter().any(|c| c.destination == index)).count();
                    @let left = m.files.iter().filter(|f| f.copies.iter().any(|c| c.destination == index && c.within.is_some())).count();
                    @let back = m.count_on(index).0;
                    tr {
                        td.p { bdi { (shown(&d.path)) } }
                        td { (shown(&d.device)) " (" (shown(&d.filesystem)) ")" }
                        td.n {
                            (count(crate::units::len64(on_it)))
                            @if left > 0 { br; span.soft { (count(crate::units::len64(left))) " in earlier offloads" } }
                        }
                        td { (count(back)) " (" (d.readback.id()) ")" }
                    }
                }
            }
        }
        (left(m))
        p.soft { "Hash: BLAKE3. \"direct\" and \"dropped\" mean read from the device, past the computer's memory; \"cached\" does not count as proof." }
    }
}

fn exceptions(m: &Manifest) -> Markup {
    html! {
        @if !m.problems.is_empty() {
            h2 { "Exceptions" }
            table {
                thead { tr { th scope="col" { "Kind" } th scope="col" { "Where" } th scope="col" { "What" } } }
                tbody {
                    @for p in m.problems.iter().take(FILES_LISTED) {
                        tr {
                            td { (p.kind.id()) @if !p.blocking { " (note)" } }
                            td.p {
                                @if let Some(path) = &p.path { bdi { (shown(path)) } " " }
                                @if let Some(d) = p.destination { "destination " (d + 1) }
                            }
                            td { bdi { (shown(&p.detail)) } }
                        }
                    }
                }
            }
        }
        @if !m.left_out.is_empty() {
            h2 { "Left out" }
            p.soft { "What computers left on the card. It was not copied." }
            table {
                thead { tr { th scope="col" { "Path" } th scope="col" { "Why" } } }
                tbody { @for l in m.left_out.iter().take(FILES_LISTED) { tr { td.p { bdi { (shown(&l.path)) } } td { (shown(&l.why)) } } } }
            }
        }
    }
}

fn cautions() -> Markup {
    html! {
        h2 { "What this shows" }
        p {
            "Equal checksums show that each copy equals what the card reader delivered. They do not show that the camera recorded it well, that the reader delivered what is on the card, or that a drive will still work tomorrow. Open some files from each drive before a card is formatted, and format it in the camera. What a contract, an insurer or local rules ask for comes first."
        }
        p.soft { "File names and dates on this page may be private. To check the copy without unlade: " code { "b3sum --check _unlade/checksums.b3" } " in the offload's folder." }
    }
}

fn files(m: &Manifest) -> Markup {
    html! {
        h2 { "Files" }
        details {
            summary { (counted(crate::units::len64(m.files.len()), "file")) " read whole" }
            table {
                thead { tr { th scope="col" { "Path" } th scope="col" { "Bytes" } th scope="col" { "BLAKE3" } th scope="col" { "Copies" } } }
                tbody {
                    @for f in m.files.iter().take(FILES_LISTED) {
                        @let proven = f.copies.iter().filter(|c| c.proof != CopyLevel::Written).count();
                        tr {
                            td.p { bdi { (shown(&f.path)) } }
                            td.n { (count(f.bytes)) }
                            td.p { (f.blake3) }
                            td.n { (proven) }
                        }
                    }
                }
            }
            @if m.files.len() > FILES_LISTED { p.soft { "The rest is in the manifest." } }
        }
    }
}
