//! Owns how a generation and a chain are written: the elements in the order of the schemas, the
//! hashes of a file by name, every path as it is.

use super::draft::{MhlDraft, MhlFile};
use super::folders::{AllSums, all_folder_sums};
use crate::hash_algorithm::c4_of_hex;
use crate::name::shown;
use crate::record::others::mhl::{ChainEntry, MHL_ENDING, MhlAction};
use std::fmt::Write as _;

/// Returns the name of a generation's file, `NNNN_FOLDER_YYYY-MM-DD_HHMMSSZ.mhl`.
pub(super) fn file_name(number: u64, draft: &MhlDraft<'_>) -> String {
    let (day, rest) = draft.started.split_once('T').unwrap_or((draft.started, ""));
    let time: String = rest.chars().filter(|c| *c != ':').take(6).collect();
    format!("{number:04}_{}_{day}_{time}Z{MHL_ENDING}", draft.folder)
}

/// Returns a generation.
pub(super) fn generation(draft: &MhlDraft<'_>) -> String {
    let mut out = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
        <hashlist version=\"2.0\" xmlns=\"urn:ASC:MHL:v2.0\">\n",
    );
    let host = if draft.host.is_empty() {
        "unknown".to_owned()
    } else {
        shown(draft.host)
    };
    let created = escaped(draft.created);
    let (tool, version) = draft.tool;
    push(
        &mut out,
        format_args!(
            "  <creatorinfo>\n    <creationdate>{created}</creationdate>\n    \
            <hostname>{}</hostname>\n    <tool version=\"{}\">{}</tool>\n  </creatorinfo>\n",
            escaped(&host),
            escaped(version),
            escaped(tool)
        ),
    );
    let sums = all_folder_sums(draft);
    process(draft, &sums, &mut out);
    out.push_str("  <hashes>\n");
    for file in &draft.files {
        hash(file, &mut out);
    }
    for folder in draft.folders.iter().filter(|f| is_hashed(&sums, f)) {
        let path = escaped(folder);
        push(
            &mut out,
            format_args!("    <directoryhash>\n      <path>{path}</path>\n"),
        );
        folder_hashes(&sums, folder, "      ", &mut out);
        out.push_str("    </directoryhash>\n");
    }
    out.push_str("  </hashes>\n");
    references(draft, &mut out);
    out.push_str("</hashlist>\n");
    out
}

/// Returns a chain.
pub(super) fn chain(entries: &[ChainEntry]) -> String {
    let mut out = String::from(
        "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n\
        <ascmhldirectory xmlns=\"urn:ASC:MHL:DIRECTORY:v2.0\">\n",
    );
    for entry in entries {
        let (number, path) = (entry.number, escaped(&entry.path));
        let c4 = c4(&entry.sha512);
        push(
            &mut out,
            format_args!(
                "  <hashlist sequencenr=\"{number}\">\n    <path>{path}</path>\n    \
                <c4>{c4}</c4>\n  </hashlist>\n"
            ),
        );
    }
    out.push_str("</ascmhldirectory>\n");
    out
}

fn c4(sha512: &str) -> String {
    c4_of_hex(sha512).unwrap_or_default()
}

fn is_hashed(sums: &AllSums<'_>, folder: &str) -> bool {
    sums.values().any(|folders| folders.contains_key(folder))
}

fn process(draft: &MhlDraft<'_>, sums: &AllSums<'_>, out: &mut String) {
    let process = draft.process.id();
    push(
        out,
        format_args!("  <processinfo>\n    <process>{process}</process>\n"),
    );
    if is_hashed(sums, "") {
        out.push_str("    <roothash>\n");
        folder_hashes(sums, "", "      ", out);
        out.push_str("    </roothash>\n");
    }
    out.push_str("    <ignore>\n");
    for pattern in &draft.ignore {
        let pattern = escaped(pattern);
        push(out, format_args!("      <pattern>{pattern}</pattern>\n"));
    }
    out.push_str("    </ignore>\n  </processinfo>\n");
}

fn hash(file: &MhlFile<'_>, out: &mut String) {
    let date = file.modified.map_or_else(String::new, |date| {
        format!(" lastmodificationdate=\"{}\"", escaped(date))
    });
    let (bytes, path) = (file.bytes, escaped(file.path));
    push(
        out,
        format_args!("    <hash>\n      <path size=\"{bytes}\"{date}>{path}</path>\n"),
    );
    let action = match file.action {
        MhlAction::Original => "original",
        MhlAction::Verified => "verified",
        MhlAction::Failed => "failed",
    };
    for (kind, sum) in &file.hashes {
        push(
            out,
            format_args!("      <{kind} action=\"{action}\">{sum}</{kind}>\n"),
        );
    }
    if let Some(previous) = &file.previous {
        let previous = escaped(previous);
        push(
            out,
            format_args!("      <previousPath>{previous}</previousPath>\n"),
        );
    }
    out.push_str("    </hash>\n");
}

fn folder_hashes(sums: &AllSums<'_>, folder: &str, indent: &str, out: &mut String) {
    for part in ["content", "structure"] {
        push(out, format_args!("{indent}<{part}>\n"));
        for (kind, folders) in sums {
            let Some(own) = folders.get(folder) else {
                continue;
            };
            let sum = if part == "content" {
                &own.content
            } else {
                &own.structure
            };
            push(out, format_args!("{indent}  <{kind}>{sum}</{kind}>\n"));
        }
        push(out, format_args!("{indent}</{part}>\n"));
    }
}

fn references(draft: &MhlDraft<'_>, out: &mut String) {
    if draft.references.is_empty() {
        return;
    }
    out.push_str("  <references>\n");
    for reference in &draft.references {
        let (path, c4) = (escaped(&reference.path), c4(&reference.sha512));
        push(
            out,
            format_args!(
                "    <hashlistreference>\n      <path>{path}</path>\n      <c4>{c4}</c4>\n    \
                </hashlistreference>\n"
            ),
        );
    }
    out.push_str("  </references>\n");
}

fn push(out: &mut String, text: std::fmt::Arguments<'_>) {
    // Writing to a text does not fail.
    if out.write_fmt(text).is_err() {}
}

/// Text of an element or an attribute. What a reader would make another character of is written by
/// its number (XML 1.0, 2.11 and 3.3.3).
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\t' | '\n' | '\r' => push(&mut out, format_args!("&#{};", u32::from(c))),
            c => out.push(c),
        }
    }
    out
}
