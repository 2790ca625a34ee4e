//! Owns the page of a folder that was checked against the lists of others: the answer, what was
//! checked against which list, what does not fit, and what such a list can't say. Made of what the
//! check found, in the sentences of the screen. Pure.

use super::details::folded;
use super::frame::{document, fact, foreign, more, path, sign, wide};
use super::words::{moment, way};
use crate::clock::{UtcOffset, rfc3339};
use crate::name::shown;
use crate::units::{count, counted, len_usize, len64, rate, size, speed, time};
use crate::verify::others::{EQUAL_NAMED, LIST_WORTH, OthersFindings};
use crate::verify::{Finding, FindingCounts};
use camino::Utf8Path;
use jiff::Timestamp;
use jiff::tz::TimeZone;
use maud::{Markup, html};

/// Rows of each kind that are in the open.
const ROWS_OPEN: usize = 40;
/// Rows of each kind that are on the page.
const ROWS_LISTED: usize = 2_000;
/// What has those that are not on the page.
const HOLDER: &str = "output of unlade verify --json";

/// A check that ran to its end, and what is said of it on the screen.
#[derive(Clone, Debug)]
pub struct CheckPage<'a> {
    /// What it found.
    pub found: &'a OthersFindings,
    /// The answer's word, and whether that is good.
    pub answer: (&'a str, bool),
    /// The answer's sentence.
    pub sentence: &'a str,
    /// What is good to know.
    pub notes: &'a [String],
    /// What to do.
    pub steps: &'a [&'a str],
    /// Each list in words.
    pub lists: &'a [String],
    /// The list that was given, where it need not be in the folder.
    pub list: Option<&'a str>,
    /// Bytes of files that were read.
    pub bytes_read: u64,
    /// When it began.
    pub begun: Timestamp,
    /// When it ended.
    pub ended: Timestamp,
    /// The time zone of the computer.
    pub zone: &'a TimeZone,
    /// The computer's name.
    pub host: &'a str,
}

impl CheckPage<'_> {
    fn moment(&self, at: Timestamp) -> Markup {
        moment(&rfc3339(at), UtcOffset::of(self.zone, at))
    }

    fn folder(&self) -> &str {
        let whole = &*self.found.facts.canonical;
        Utf8Path::new(whole).file_name().unwrap_or(whole)
    }
}

/// Returns the whole page.
pub fn page(check: &CheckPage<'_>) -> String {
    let title = format!("{}: {}", shown(check.folder()), check.answer.0);
    let body = html! {
        (head(check))
        (checked(check))
        (wrong(check.found))
        (good_to_know(check))
        (matching(check.found))
        (cautions())
        (details(check))
        (sign())
    };
    document(&title, &body)
}

fn head(check: &CheckPage<'_>) -> Markup {
    let (word, is_good) = check.answer;
    html! {
        p.over { "A folder, checked against the lists in it \u{b7} " (foreign(check.folder())) }
        div class=(if is_good { "verdict good" } else { "verdict bad" }) {
            h1 { (word) }
            p.lead { (foreign(check.sentence)) }
            @if is_good {
                p.lead { (LIST_WORTH) }
            } @else {
                @for step in check.steps { p.lead { (foreign(step)) } }
            }
            p.soft {
                "As of " (check.moment(check.ended)) ", read by the computer "
                (foreign(check.host)) "."
            }
        }
    }
}

fn checked(check: &CheckPage<'_>) -> Markup {
    let f = check.found;
    let counts = FindingCounts::of(&f.findings);
    let always = [
        ("In the lists", f.named),
        ("Match", f.equal),
        ("Missing", counts.missing),
        ("Changed", counts.changed),
        ("Extra", counts.extra),
    ];
    let perhaps = [
        ("Moved", counts.moved),
        ("Not read", counts.unread),
        ("Not checked", counts.unchecked),
        ("Not good", counts.untrusted),
        ("Skipped by patterns", f.left_out),
        ("Made by a computer", len64(f.litter.len())),
    ];
    let perhaps = perhaps.into_iter().filter(|(_, n)| *n > 0);
    html! {
        h2 { "What was checked" }
        dl { @for (name, n) in always.into_iter().chain(perhaps) {
            (fact(name, &html! { (count(n)) }))
        } }
        dl {
            (wide("Folder", &path(&f.facts.canonical)))
            @if let Some(list) = check.list { (wide("List", &path(list))) }
            (wide("Checked against", &html! {
                @for list in check.lists { span.place { (foreign(list)) } }
            }))
            (wide("Match", &html! { (counted(f.equal, "file")) ", " (size(f.equal_bytes)) }))
            (wide("Read", &html! {
                (size(check.bytes_read)) " in " (time(f.took)) ", "
                (speed(rate(check.bytes_read, f.took)))
            }))
            (wide("How it was read", &html! { (how(f)) }))
        }
    }
}

fn how(f: &OthersFindings) -> String {
    if f.in_memory {
        "from memory: the folder is in memory, not on a drive".to_owned()
    } else if f.equal == 0 {
        "no file matched, so there is nothing to say of it".to_owned()
    } else {
        format!(
            "{} ({})",
            way(f.way, &f.facts.filesystem),
            f.way.words(&f.facts.filesystem)
        )
    }
}

/// A heading, what is said below it, and which findings are listed there.
type KindOfFinding = (&'static str, &'static str, fn(&Finding) -> bool);

const KINDS: [KindOfFinding; 7] = [
    ("Missing", "In a list, and not here.", |f| {
        matches!(f, Finding::Missing(_))
    }),
    ("Changed", "Here, and not what a list says.", |f| {
        matches!(f, Finding::Changed(..))
    }),
    ("Not good", "Nobody vouches for it.", |f| {
        matches!(f, Finding::Untrusted(..))
    }),
    (
        "Could not be read",
        "Neither good nor changed: nothing is known of it.",
        |f| matches!(f, Finding::Unreadable(..)),
    ),
    ("Could not be checked", "Neither good nor changed.", |f| {
        matches!(f, Finding::Unchecked(..))
    }),
    (
        "Moved",
        "Whole, in another place or under another name: known by what it holds.",
        |f| matches!(f, Finding::Moved(..)),
    ),
    (
        "Extra",
        "Here, and in no list: nothing is known of it.",
        |f| matches!(f, Finding::Extra(_)),
    ),
];

/// What does not fit, by kind; no empty section.
fn wrong(f: &OthersFindings) -> Markup {
    html! {
        @if !f.findings.is_empty() { h2 { "What does not fit" } }
        @for (kind, words, is_one) in KINDS {
            @let all: Vec<&Finding> = f.findings.iter().filter(|f| is_one(f)).collect();
            @if !all.is_empty() {
                h3 { (kind) ": " (count(len64(all.len()))) }
                p.soft { (words) }
                (rows(&all))
            }
        }
    }
}

fn rows(all: &[&Finding]) -> Markup {
    let part = |from: usize, to: usize| {
        html! {
            ul.list { @for f in all.iter().take(to).skip(from) { li { (row(f)) } } }
        }
    };
    html! {
        (part(0, ROWS_OPEN))
        (more(all.len(), ROWS_OPEN, "path", HOLDER))
        @if all.len() > ROWS_OPEN {
            details {
                summary { "The next " (count(len64(all.len().min(ROWS_LISTED) - ROWS_OPEN))) }
                (part(ROWS_OPEN, ROWS_LISTED))
            }
        }
    }
}

fn row(finding: &Finding) -> Markup {
    let with = |at: &str, why: &str| html! { (path(at)) br; span.soft { (foreign(why)) } };
    match finding {
        Finding::Missing(at) | Finding::Extra(at) => path(at),
        Finding::Changed(at, why)
        | Finding::Unreadable(at, why)
        | Finding::Untrusted(at, why)
        | Finding::Unchecked(at, why) => with(at, why),
        Finding::Moved(at, to) if finding.is_in_trash() => html! {
            (path(at)) br; span.soft { "is in a Trash, at " (path(to)) ": not safe there" }
        },
        Finding::Moved(at, to) => html! {
            (path(at)) br; span.soft { "is whole at " (path(to)) }
        },
    }
}

fn good_to_know(check: &CheckPage<'_>) -> Markup {
    let litter = &check.found.litter;
    let rows = html! {
        ul.list { @for at in litter.iter().take(ROWS_LISTED) { li { (path(at)) } } }
        (more(litter.len(), ROWS_LISTED, "path", HOLDER))
    };
    html! {
        @if !check.notes.is_empty() {
            h2 { "Good to know" }
            ul.list { @for note in check.notes { li { (foreign(note)) } } }
        }
        @if !litter.is_empty() {
            (folded("Made by a computer since", "path", litter.len(), None, &rows))
        }
    }
}

fn matching(f: &OthersFindings) -> Markup {
    let all = len_usize(f.equal);
    let rows = html! {
        table {
            caption { "As every list says that names them" }
            thead { tr { th scope="col" { "File" } th.n scope="col" { "Bytes" } } }
            tbody {
                @for (at, bytes) in &f.equal_files {
                    tr { td { (path(at)) } td.n { (count(*bytes)) } }
                }
            }
        }
        (more(all, EQUAL_NAMED, "file", "list"))
    };
    let holder = Some("The lists name them all.");
    html! { @if all > 0 { (folded("Files that match", "file", all, holder, &rows)) } }
}

fn cautions() -> Markup {
    html! {
        h2 { "What this shows, and what it can't" }
        p {
            (LIST_WORTH) " So it is never PROVEN, and no ground for formatting a card: "
            code { "unlade prove" } " compares a card with its copies."
        }
        p {
            "It is an answer of its date: what happened to the drive afterwards is not known here. \
             Whoever can change a file can change a list beside it. MD5, SHA-1, xxHash and above \
             all CRC-32 show accidents, and not what somebody changed on purpose."
        }
        p.soft { "Names and dates on this page may be private." }
    }
}

fn details(check: &CheckPage<'_>) -> Markup {
    let facts = &check.found.facts;
    html! {
        h2 { "Details" }
        dl {
            (fact("Begun", &check.moment(check.begun)))
            (fact("Ended", &check.moment(check.ended)))
            (fact("On computer", &foreign(check.host)))
            (fact("By", &html! { "unlade " (env!("CARGO_PKG_VERSION")) }))
            (fact("File system", &html! {
                (foreign(&facts.filesystem)) ", " (size(facts.total_bytes))
            }))
            @if let Some(label) = &facts.label { (fact("Volume's label", &foreign(label))) }
            @if let Some(id) = &facts.volume_id { (fact("Volume", &path(id))) }
        }
    }
}
