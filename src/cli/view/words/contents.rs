//! Owns how what was shot is said.

use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use unlade::card::media::Media;
use unlade::disk::Stamp;
use unlade::inspect::contents::{Contents, TypeCount};
use unlade::name::shown;
use unlade::units::{count, counted, size, time};

/// Endings that are named of each kind.
const ENDINGS_NAMED: usize = 4;

/// Returns a line for stills, clips, sound and others, and one for the times.
pub(crate) fn contents_lines(contents: &Contents, out: Out) -> Vec<String> {
    let kinds = [
        ("Stills", Some(Media::Still)),
        ("Clips", Some(Media::Clip)),
        ("Sound", Some(Media::Sound)),
        ("Other", None),
    ];
    let mut lines = Vec::new();
    for (name, media) in kinds {
        let of = contents.types.iter().filter(|of| of.media == media);
        let of: Vec<&TypeCount> = of.collect();
        if !of.is_empty() {
            lines.extend(line(name, &kind(&of), out));
        }
    }
    if let Some((first, last)) = contents.span {
        let text = match (minute(first), minute(last)) {
            (first, last) if first == last => first,
            (first, last) => format!("{first} to {last}"),
        };
        lines.extend(line(
            "Times",
            &format!("{text}, by the camera's clock"),
            out,
        ));
    }
    if !contents.cameras.is_empty() {
        let names: Vec<String> = contents.cameras.iter().map(|name| shown(name)).collect();
        lines.extend(line("Cameras", &names.join(", "), out));
    }
    lines
}

fn line(name: &str, text: &str, out: Out) -> Vec<String> {
    wrap(text, out.width, &format!("  {name:<7}  "), "           ")
}

/// `1,180 files, 60 GB: 590 CR3, 590 JPG`.
fn kind(of: &[&TypeCount]) -> String {
    let files = of.iter().map(|of| of.files).sum();
    let bytes = of
        .iter()
        .fold(0_u64, |sum, of| sum.saturating_add(of.bytes));
    let mut text = format!("{}, {}", counted(files, "file"), size(bytes));
    let long = of.iter().map(|of| of.duration);
    let long = long.fold(
        std::time::Duration::ZERO,
        std::time::Duration::saturating_add,
    );
    if !long.is_zero() {
        text.push_str(&format!(", {}", time(long)));
    }
    let named = of.iter().filter(|of| !of.ending.is_empty());
    let named = named.take(ENDINGS_NAMED);
    let named: Vec<String> = named
        .map(|of| format!("{} {}", count(of.files), shown(&of.ending)))
        .collect();
    if !named.is_empty() {
        text.push_str(&format!(": {}", named.join(", ")));
    }
    text
}

/// `2026-11-25 18:30`.
fn minute(time: Stamp) -> String {
    time.rfc3339()
        .chars()
        .take(16)
        .collect::<String>()
        .replacen('T', " ", 1)
}
