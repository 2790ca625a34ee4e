//! The words of the documents: one word for one thing, as `docs/glossary.md` has them.

use super::rules::File;

/// What is no longer said, and what is said for it. In capitals: only so.
const OLD: [(&str, &str); 32] = [
    ("destination", "drive"),
    ("destinations", "drive"),
    ("device", "drive"),
    ("devices", "drive"),
    ("stands", "is"),
    ("stood", "was"),
    ("lies", "is"),
    ("lie", "are"),
    ("job", "offload or shoot"),
    ("jobs", "offloads or shoots"),
    ("a run", "a copy"),
    ("one run", "one command"),
    ("the run", "the copy"),
    ("earlier run", "earlier command"),
    ("read back again", "checked"),
    ("read again", "checked"),
    ("once more", "again"),
    ("kept", "already copied"),
    ("left out", "skipped"),
    ("left", "skipped; time only"),
    ("dropped", "failed, missing"),
    ("record", "manifest"),
    ("records", "manifest"),
    ("told", "named, said"),
    ("tell", "say"),
    ("tells", "says"),
    ("gone by", "relied on"),
    ("of which", "a sentence of its own"),
    ("spinning disk", "hard disk"),
    ("empties", "copies"),
    ("UNCHANGED", "INTACT"),
    ("DIFFERS", "NOT INTACT"),
];

/// Where one of them is the right word: time, what Unix and Windows call their own, and a camera.
const ALLOWED: [&str; 11] = [
    "is kept",
    "are both kept",
    "told apart",
    "time left",
    "min left",
    "s left",
    "socket pipe or device",
    "windows has for its own devices",
    "a card can record",
    "record the same",
    "a card records",
];

/// The old words in documents, each with what is said now. What is code, or leads to a place, has
/// names of its own.
pub(crate) fn old_words(files: &[File]) -> Vec<String> {
    let mut faults = Vec::new();
    for (path, text) in files {
        let said = prose(text);
        let lower = ALLOWED.iter().fold(said.to_lowercase(), |said, allowed| {
            said.replace(&format!(" {allowed} "), " ")
        });
        for (old, now) in OLD {
            let is_loud = old.chars().all(char::is_uppercase);
            let said = if is_loud { &said } else { &lower };
            if said.contains(&format!(" {old} ")) {
                faults.push(format!("{}: `{old}`, say `{now}`", path.display()));
            }
        }
    }
    faults
}

/// What a page says, as a document: code in marks, and neither tags nor style.
pub(super) fn text_of_page(html: &str) -> String {
    let (_, body) = html.split_once("<body>").unwrap_or_default();
    let body = body.replace("<code>", " `<code>").replace("</code>", "` ");
    let parts = body
        .split('<')
        .map(|part| part.split_once('>').map_or(part, |(_, text)| text));
    parts.flat_map(|part| [part, " "]).collect()
}

/// The words of a document with one blank between them, without marks, code and the targets of
/// links.
fn prose(text: &str) -> String {
    let text: String = text
        .lines()
        .filter(|line| !line.starts_with("    "))
        .flat_map(|line| [line, "\n"])
        .collect();
    let open: String = text
        .split('`')
        .step_by(2)
        .flat_map(|part| [part, " . "])
        .collect();
    let mut parts = open.split("](");
    let mut said = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        said.push(' ');
        said.push_str(part.split_once(')').map_or(part, |(_, after)| after));
    }
    let is_word = |c: char| c.is_alphanumeric() || c == '\'' || c == '-';
    let words = said.split(|c| !is_word(c)).filter(|word| !word.is_empty());
    format!(" {} ", words.collect::<Vec<_>>().join(" "))
}
