//! The words of the documents: one word for one thing, as `docs/glossary.md` has them.

use super::rules::File;

/// What is no longer said, and what is said for it. In capitals: only so.
const OLD: [(&str, &str); 36] = [
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
    ("another run", "another copy"),
    ("this run", "this copy"),
    ("later run", "later copy"),
    ("last run", "last copy"),
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
const ALLOWED: [&str; 12] = [
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
    "{} left",
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

/// What the manifest and `--json` call a part of the chain; people never see it so.
const FOR_PROGRAMS: [&str; 3] = [
    "destination {}",
    "destination {} port",
    "destination {} hub",
];

/// What a source file says to people: each of its texts that has more than one word, as a document
/// of its own. In the place of what is filled in is `{}`.
pub(super) fn said_in((path, source): &File) -> Vec<File> {
    let mut said = Vec::new();
    let mut rest = source
        .rsplit_once("#[cfg(test)]")
        .map_or(&**source, |(code, _)| code);
    while let Some(at) = rest.find(['"', '/', '\'']) {
        let (before, found) = rest.split_at(at);
        let is_raw = before.ends_with('r') || before.ends_with("r#");
        let length = match found.as_bytes() {
            [b'/', b'/', ..] => found.find('\n').unwrap_or(found.len()),
            [b'"', ..] => {
                let length = text_length(found, is_raw);
                let text = filled(&found[1..length - 1]);
                if text.trim().contains(' ')
                    && !text.contains("::<")
                    && !FOR_PROGRAMS.contains(&&*text)
                {
                    said.push((path.clone(), text));
                }
                length
            }
            // A letter in quotes; a lifetime has none behind it.
            [b'\'', b'\\', ..] => 2 + found[2..].find('\'').map_or(0, |end| end + 1),
            [b'\'', ..] => {
                let after = found.chars().nth(1).map_or(0, char::len_utf8);
                let is_letter = found[1 + after..].starts_with('\'');
                if is_letter { 2 + after } else { 1 }
            }
            _ => 1,
        };
        rest = &found[length..];
    }
    said
}

/// Bytes of a text in quotes, its quotes included.
fn text_length(text: &str, is_raw: bool) -> usize {
    let mut is_escaped = false;
    for (at, c) in text.char_indices().skip(1) {
        match c {
            _ if is_escaped => is_escaped = false,
            '\\' if !is_raw => is_escaped = true,
            '"' => return at + 1,
            _ => {}
        }
    }
    text.len()
}

/// A text as it is printed, but for what is filled in.
fn filled(text: &str) -> String {
    let mut lines = text.split("\\\n").map(str::trim_start);
    let first = text.split("\\\n").next().unwrap_or_default().to_owned();
    lines.next();
    let joined = lines.fold(first, |said, line| said + line);
    let mut parts = joined.split('{');
    let mut said = parts.next().unwrap_or_default().to_owned();
    for part in parts {
        said.push_str("{}");
        said.push_str(part.split_once('}').map_or(part, |(_, after)| after));
    }
    said
}

/// What a page says, as a document: code in marks, and neither tags nor style.
pub(crate) fn text_of_page(html: &str) -> String {
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
    let is_word = |c: char| c.is_alphanumeric() || matches!(c, '\'' | '-' | '{' | '}');
    let words = said.split(|c| !is_word(c)).filter(|word| !word.is_empty());
    format!(" {} ", words.collect::<Vec<_>>().join(" "))
}
