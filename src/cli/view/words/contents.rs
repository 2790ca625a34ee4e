//! Owns how what was shot is said.

use crate::cli::view::out::Out;
use crate::cli::view::text::wrap;
use unlade::card::media::Media;
use unlade::disk::Stamp;
use unlade::inspect::contents::{Contents, TypeCount};
use unlade::inspect::deep::decoding::NotDecoded;
use unlade::name::shown;
use unlade::run::inspect::deep::DecodedCount;
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

/// Returns how many files were decoded, and for each reason how many were not.
pub(crate) fn decoded_lines(decoded: &DecodedCount, out: Out) -> Vec<String> {
    let not = decoded
        .not
        .values()
        .fold(0_u64, |sum, n| sum.saturating_add(*n));
    let all = counted(decoded.files.saturating_add(not), "file");
    let mut lines = line(
        "Decoded",
        &format!("{} of {all}", count(decoded.files)),
        out,
    );
    for (why, files) in &decoded.not {
        let text = format!("{}: {}.", counted(*files, "file"), not_decoded(*why));
        lines.extend(wrap(&text, out.width, "           ", "             "));
    }
    lines
}

fn not_decoded(why: NotDecoded) -> &'static str {
    match why {
        NotDecoded::Raw => {
            "raws are not decoded. The small picture in a raw is no proof of the raw; open some in \
             your own program"
        }
        NotDecoded::Form => "nothing here decodes this form of still",
        NotDecoded::TooLarge => "too large to be decoded here",
        NotDecoded::NoFfmpeg => {
            "clips and sound are decoded by ffmpeg, and none is found. Install it and run this \
             again"
        }
        NotDecoded::NoDecoder => "ffmpeg has no decoder for what is in it",
        NotDecoded::StoodStill => {
            "ffmpeg went no further for a minute and was ended. Play it yourself"
        }
        NotDecoded::BrokeDown => "the decoder broke down. Open it yourself",
    }
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
