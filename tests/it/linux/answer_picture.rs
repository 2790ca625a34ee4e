//! The picture of the answer in the README: what the program prints at the end of two copies, in
//! its own words and colours. The drives are simulated, and so is the card that can't be read; what
//! is said of simulated drives alone is cut.

use crate::support::mount::{Fault, Kind, Mount, Options, skip};
use crate::support::program::{Card, Work, finish, put};
use std::path::Path;

const EIO: i32 = 5;
/// What is said of a drive that a program shows.
const OF_SIMULATED: &str = " (direct, to the program that shows it at best)";
const PICTURE: &str = "docs/answer.svg";
const STYLE: &str = "rect{fill:#fdfcf9;stroke:#d8d2c4}text{font:14px ui-monospace,\
    'Liberation Mono',monospace;fill:#1d1c1a;white-space:pre}.good{fill:#14532d;font-weight:700}\
    .bad{fill:#8f1d14;font-weight:700}@media(prefers-color-scheme:dark){rect{fill:#171614;\
    stroke:#403c35}text{fill:#ece8e0}.good{fill:#8fd3a4}.bad{fill:#ffa598}}";
const GOOD: &str = "\u{1b}[1;32m";
const BAD: &str = "\u{1b}[1;31m";
const END: &str = "\u{1b}[0m";

/// A line of a screen as one of a picture, with its colours.
fn drawn(line: &str) -> String {
    let safe = line.replace('&', "&amp;").replace('<', "&lt;");
    safe.replace(GOOD, "<tspan class=\"good\">")
        .replace(BAD, "<tspan class=\"bad\">")
        .replace(END, "</tspan>")
}

/// A screen as a picture. It has the words, so that they can be read out and compared.
fn picture(screen: &str) -> String {
    let lines: Vec<&str> = screen.trim().lines().collect();
    let height = 20 * lines.len() + 30;
    let mut svg = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 720 {height}\" role=\"img\">\n\
        <title>What unlade prints at the end of two copies: PROVEN, and NOT PROVEN</title>\n\
        <desc>Printed by the program itself, with simulated drives.</desc>\n\
        <style>{STYLE}</style>\n<rect x=\"1\" y=\"1\" width=\"718\" height=\"{}\" rx=\"6\"/>\n",
        height - 2
    );
    for (at, line) in lines
        .iter()
        .enumerate()
        .filter(|(_, line)| !line.is_empty())
    {
        let y = 20 * at + 30;
        svg.push_str(&format!(
            "<text x=\"18\" y=\"{y}\">{}</text>\n",
            drawn(line)
        ));
    }
    svg.push_str("</svg>\n");
    svg
}

/// The picture without the times, which no two runs share.
fn timeless(svg: &str) -> String {
    let cut = |line: &str| match (line.find(" in "), line.find(" s (")) {
        (Some(from), Some(_)) => line[..from].to_owned(),
        _ => line.to_owned(),
    };
    svg.lines().map(|line| cut(line) + "\n").collect()
}

/// What is printed at the end of a copy of this card.
fn said(work: &Work, card: &str, code: i32) -> String {
    let arguments = format!("copy {card} --to Attic --to Travel --name {card} --separate -q");
    let mut command = work.command();
    command
        .args(arguments.split(' '))
        .args(["--color", "always"]);
    let ran = finish(&mut command);
    ran.exits(code);
    ran.out.replace(OF_SIMULATED, "")
}

#[test]
fn the_picture_in_the_readme_is_what_the_program_prints() {
    if skip() {
        return;
    }
    let work = Work::new("answer-picture");
    let mounted = |name: &str, faults: Vec<Fault>| {
        let back = work.folder(&format!("back-{name}"));
        let options = Options {
            faults,
            ..Options::default()
        };
        (
            Mount::new(&back, &work.folder(name), options).unwrap(),
            back,
        )
    };
    let lost = "DCIM/101KITES/KITE0412.DNG";
    let error = Fault::new(Kind::ReadError {
        off: 0,
        len: 10,
        errno: EIO,
    });
    let (_attic, _travel) = (mounted("Attic", vec![]), mounted("Travel", vec![]));
    let (_bad, behind) = mounted("WINDS", vec![error.path(lost)]);
    for root in [work.path("KITES"), behind] {
        let mut card = Card::new(&root).file(lost, 700_000, 412);
        for n in 400..412 {
            card = card.file(format!("DCIM/101KITES/KITE0{n}.JPG"), 400_000, n);
        }
        card.file("PRIVATE/CLIPS/C0001.MP4", 9_000_000, 1);
    }
    let screen = said(&work, "KITES", 0) + &said(&work, "WINDS", 1);
    assert!(screen.contains("You may format KITES") && screen.contains("Keep WINDS"));
    let now = picture(&screen);
    assert!(now.contains("class=\"good\"") && !now.contains('\u{1b}'));
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(PICTURE);
    let stored = std::fs::read_to_string(path).unwrap_or_default();
    if timeless(&now) != timeless(&stored) {
        let new = Path::new(env!("CARGO_TARGET_TMPDIR")).join("answer.svg");
        put(&new, now.as_bytes());
        panic!(
            "{PICTURE} is not what is printed now; what is: {}",
            new.display()
        );
    }
}
