//! Owns the editing of a list of the kit, element by element: the order, the spelling, the layout
//! and the comments of what stays are those of the hand that wrote it. Pure.

use super::{LIST_MAX, same_name};
use std::ops::Range;
use toml_edit::{Document, Value};

/// What makes a field of a list, so that it can be read by itself.
const KEY: &str = "a = ";

/// Whether two elements mean the same. Capitals don't count in names; they do in folders, and in
/// what cards are matched by, where they tell a word from a label.
fn means(key: &str, a: &str, b: &str) -> bool {
    let is_exact = key == "match" || a.contains(['/', '\\']);
    a == b || (!is_exact && same_name(a, b))
}

/// What is wanted and not there yet; each element stands for one.
fn further(key: &str, there: &[String], wanted: &[String]) -> Vec<String> {
    let mut rest = wanted.to_vec();
    for own in there {
        if let Some(at) = rest.iter().position(|text| means(key, own, text)) {
            rest.remove(at);
        }
    }
    rest
}

/// Whether two lists mean the same: no field of a kit has a meaning in the order of its list.
pub(super) fn is_same(key: &str, one: &[String], other: &[String]) -> bool {
    one.len() == other.len() && further(key, one, other).is_empty()
}

/// Returns a list, as it is written from `[` to `]`, with the elements that are wanted.
pub(super) fn changed(key: &str, list: &str, wanted: &[String]) -> String {
    if wanted.len() > LIST_MAX {
        // It is refused when it is read.
        let all: Value = wanted.iter().map(String::as_str).collect();
        return all.to_string().trim().to_owned();
    }
    let now: Vec<String> = elements(list).into_iter().map(|(text, _)| text).collect();
    let mut come = further(key, &now, wanted);
    let mut gone = further(key, wanted, &now);
    let mut new = list.to_owned();
    gone.retain(|old| {
        let spelled = come.iter().position(|text| same_name(text, old));
        let Some(at) = spelled else { return true };
        new = respelled(&new, old, &come.remove(at));
        false
    });
    for text in &come {
        new = with(&new, text);
    }
    for text in &gone {
        new = without(&new, text);
    }
    new
}

/// The elements of a list and where they stand.
fn elements(list: &str) -> Vec<(String, Range<usize>)> {
    let text = format!("{KEY}{list}");
    let Ok(document) = Document::parse(text.as_str()) else {
        return Vec::new();
    };
    let array = document.as_table().iter().next();
    let array = array.and_then(|(_, item)| item.as_array());
    let own = |value: &Value| {
        let Range { start, end } = value.span()?;
        let span = start.checked_sub(KEY.len())?..end.checked_sub(KEY.len())?;
        Some((value.as_str()?.to_owned(), span))
    };
    array.into_iter().flatten().filter_map(own).collect()
}

fn quoted(text: &str) -> String {
    Value::from(text).to_string().trim().to_owned()
}

fn part(text: &str, range: Range<usize>) -> &str {
    text.get(range).unwrap_or_default()
}

/// Where the comma behind an element is, if it has one.
fn comma(list: &str, end: usize) -> Option<usize> {
    let mut is_comment = false;
    for (at, c) in part(list, end..list.len()).char_indices() {
        match c {
            '\n' => is_comment = false,
            '#' => is_comment = true,
            ',' if !is_comment => return Some(end + at),
            _ if is_comment || c.is_whitespace() => {}
            _ => return None,
        }
    }
    None
}

/// Where the line ends in which a place of a list is, before its line break; `None` for the last.
fn line_end(list: &str, at: usize) -> Option<usize> {
    part(list, at..list.len()).find('\n').map(|n| at + n)
}

/// Where the line begins in which a place of a list is; of the first the bracket is no part.
fn line_start(list: &str, at: usize) -> usize {
    part(list, 0..at).rfind('\n').map_or(1, |n| n + 1)
}

fn respelled(list: &str, old: &str, new: &str) -> String {
    let mut text = list.to_owned();
    if let Some((_, span)) = elements(list).into_iter().find(|(own, _)| own == old) {
        text.replace_range(span, &quoted(new));
    }
    text
}

/// Adds an element behind the last: on a line of its own where the list ends on one.
fn with(list: &str, element: &str) -> String {
    let mut text = list.to_owned();
    let new = quoted(element);
    let Some((_, place)) = elements(list).pop() else {
        text.insert_str(1.min(text.len()), &new);
        return text;
    };
    let comma = comma(list, place.end);
    let end = comma.map_or(place.end, |at| at + 1);
    let (before, behind) = if comma.is_some() {
        (" ", ",")
    } else {
        (", ", "")
    };
    let Some(at) = line_end(list, end) else {
        text.insert_str(end, &format!("{before}{new}{behind}"));
        return text;
    };
    let line = line_start(list, place.start);
    let lead = part(list, line..place.start);
    let lead = match line {
        1 => "  ",
        _ => part(lead, 0..lead.len() - lead.trim_start().len()),
    };
    let line_break = if part(list, 0..at).ends_with('\r') {
        "\r\n"
    } else {
        "\n"
    };
    text.insert_str(at + 1, &format!("{lead}{new}{behind}{line_break}"));
    if comma.is_none() {
        text.insert(place.end, ',');
    }
    text
}

/// Takes an element out, with its line and the comment there where nothing else is on it.
fn without(list: &str, element: &str) -> String {
    let all = elements(list);
    let Some(index) = all.iter().position(|(own, _)| own == element) else {
        return list.to_owned();
    };
    let Some((_, Range { start, end })) = all.get(index).cloned() else {
        return list.to_owned();
    };
    let mut text = list.to_owned();
    let comma = comma(list, end);
    let behind = comma.map_or(end, |at| at + 1);
    let line = line_start(list, start);
    let is_first_of_line = part(list, line..start).trim().is_empty();
    if let Some(line_end) = line_end(list, behind) {
        let rest = part(list, behind..line_end).trim();
        let is_last_of_line = rest.is_empty() || rest.starts_with('#');
        if is_first_of_line && is_last_of_line && !part(list, end..behind).contains('\n') {
            let to = if line == 1 { line_end } else { line_end + 1 };
            let is_windows = line == 1 && part(list, 0..to).ends_with('\r');
            text.replace_range(line..to - usize::from(is_windows), "");
            return text;
        }
    }
    let is_blank = |c: char| c == ' ' || c == '\t';
    let before = index.checked_sub(1).and_then(|index| all.get(index));
    match (comma, before) {
        (Some(at), _) if part(list, end..at).trim_matches(is_blank).is_empty() => {
            let rest = part(list, behind..list.len());
            let next = rest.trim_start_matches(is_blank);
            let is_end = next.starts_with(['\r', '\n', ']']) && !is_first_of_line;
            let from = part(list, 0..start).trim_end_matches(is_blank).len();
            let from = if is_end { from } else { start };
            text.replace_range(from..list.len() - next.len(), "");
        }
        // What stands between an element and its comma stays.
        (Some(at), _) => {
            text.replace_range(at..=at, "");
            text.replace_range(start..end, "");
        }
        (None, Some((_, before))) if !part(list, before.end..start).contains(['\n', '#']) => {
            text.replace_range(before.end..end, "");
        }
        (None, _) => text.replace_range(start..end, ""),
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    const HAND: &str = "[\"Beta\", # fast one\n  \"/srv/kites\",\n  \"attic\", # slow one\n]";

    fn of(key: &str, list: &str, wanted: &[&str]) -> String {
        let wanted: Vec<String> = wanted.iter().map(|text| (*text).to_owned()).collect();
        let new = changed(key, list, &wanted);
        let own: Vec<String> = elements(&new).into_iter().map(|(text, _)| text).collect();
        assert!(is_same(key, &own, &wanted), "{list}: {new}: {own:?}");
        new
    }

    #[test]
    fn one_element_comes_or_goes_and_the_rest_is_as_a_hand_wrote_it() {
        let to = |wanted: &[&str]| of("to", HAND, wanted);
        assert_eq!(to(&["Attic", "Beta", "/srv/kites"]), HAND);
        assert_eq!(
            to(&["Attic", "Beta", "/srv/kites", "/mnt/a"]),
            HAND.replace("slow one\n", "slow one\n  \"/mnt/a\",\n")
        );
        assert_eq!(
            to(&["attic", "beta"]),
            "[\"Beta\", # fast one\n  \"attic\", # slow one\n]"
        );
        assert_eq!(
            to(&["attic", "/srv/kites"]),
            "[\n  \"/srv/kites\",\n  \"attic\", # slow one\n]"
        );
        assert_eq!(
            to(&["Beta", "/srv/kites"]),
            "[\"Beta\", # fast one\n  \"/srv/kites\",\n]"
        );
        // Capitals count in a folder, which keeps its place.
        assert_eq!(
            to(&["Beta", "/srv/Kites", "attic"]),
            HAND.replace("kites", "Kites")
        );
        let windows = HAND.replace('\n', "\r\n");
        let new = of("to", &windows, &["/srv/kites", "attic", "/mnt/a"]);
        assert!(new.starts_with("[\r\n  \"/srv/kites\",\r\n"), "{new:?}");
        assert!(!new.replace("\r\n", "").contains(['\r', '\n']), "{new:?}");
    }

    #[test]
    fn every_layout_keeps_its_own() {
        for (list, wanted, expected) in [
            ("[]", vec!["A"], "[\"A\"]"),
            ("[\"A\"]", vec!["A", "B"], "[\"A\", \"B\"]"),
            ("['A',]", vec!["A", "B"], "['A', \"B\",]"),
            ("[\"A\", \"B\"]", vec!["A"], "[\"A\"]"),
            ("[\"A\", \"B\",]", vec!["A"], "[\"A\",]"),
            ("[\"A\", \"B\", \"C\"]", vec!["C"], "[\"C\"]"),
            ("[\"A\", \"B\", \"C\"]", vec!["A"], "[\"A\"]"),
            ("[\"A\"]", vec!["B"], "[\"B\"]"),
            (
                "[\n\t\"A\" # a, b\n]",
                vec!["A", "B"],
                "[\n\t\"A\", # a, b\n\t\"B\"\n]",
            ),
            (
                "[\n  \"A\", \"B\", # both\n]",
                vec!["A"],
                "[\n  \"A\", # both\n]",
            ),
            ("[\n  \"A\", \"B\",\n]", vec!["A"], "[\n  \"A\",\n]"),
            (
                "[\n  # old: \"X\",\n  \"A\",\n  \"B\"\n]",
                vec!["B"],
                "[\n  # old: \"X\",\n  \"B\"\n]",
            ),
            ("[ \"A\"\n, \"B\" # b\n]", vec!["B"], "[ \n \"B\" # b\n]"),
            ("[ \"A\" # a\n, \"B\"]", vec!["A"], "[ \"A\" # a\n, ]"),
        ] {
            assert_eq!(of("volumes", list, &wanted), expected, "{list}");
        }
    }

    /// `any-camera-card` is a word only as it stands here; in capitals it is a label.
    #[test]
    fn capitals_count_in_what_cards_are_matched_by() {
        let list = "[\"Any-Camera-Card\", # oops\n]";
        let new = of("match", list, &["any-camera-card"]);
        assert_eq!(new, "[\"any-camera-card\", # oops\n]");
    }
}
