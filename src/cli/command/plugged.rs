//! Owns the program without a command: what is plugged in, and the command to type.

use crate::cli::args::{Common, fitting};
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::home::plugged::{CardSign, DriveSign, Plugged, Role, plugged};
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::explain;
use crate::cli::view::text::{all_of, pad, wrap};
use serde_json::json;
use std::sync::Arc;
use unicode_width::UnicodeWidthStr as _;
use unlade::kit::Kit;
use unlade::kit::usual::UsualDrive;
use unlade::name::shown;
use unlade::run::Tools;
use unlade::units::size;

/// Shows what is plugged in. Where the system does not say it, the help is shown.
pub(crate) fn show(common: &Common, out: Out, tools: &Tools) -> Exit {
    let kit = kit(common, out);
    let found = plugged(&kit, tools.disk.as_ref());
    let why = match found {
        Ok(Some(found)) => {
            let all = All::of(found, &kit);
            if out.json {
                Json::new(out, Arc::clone(&tools.clock)).send("plugged", all.for_programs());
            } else {
                out.block(&all.for_people(out.width));
            }
            return Exit::Done;
        }
        Ok(None) => "this system doesn't say what is plugged in.".to_owned(),
        Err(cause) => format!("the system doesn't say what is plugged in: {cause}."),
    };
    if out.json {
        let body = json!({"cards": null, "drives": null, "command": null, "reasons": [why]});
        Json::new(out, Arc::clone(&tools.clock)).send("plugged", body);
    } else {
        explain(&[why], out);
        out.own_text(&fitting::command().render_help().to_string());
    }
    Exit::Done
}

/// Reads the kit; trouble is told, and then nothing is known by it.
fn kit(common: &Common, out: Out) -> Kit {
    let Some(home) = folder(common) else {
        return Kit::default();
    };
    kit_file::read(&home).unwrap_or_else(|error| {
        explain(&error.lines(), out);
        Kit::default()
    })
}

/// All that is plugged in.
struct All {
    cards: Vec<(CardSign, Plugged)>,
    /// The surest first.
    drives: Vec<(DriveSign, Plugged)>,
    /// The names of the usual drives, if all that are drives of the kit are plugged in.
    usual: Vec<String>,
}

impl All {
    fn of(found: Vec<Plugged>, kit: &Kit) -> Self {
        let (mut cards, mut drives) = (Vec::new(), Vec::new());
        for one in found {
            match one.role.clone() {
                Role::Card(sign) => cards.push((sign, one)),
                Role::Drive(sign) => drives.push((sign, one)),
            }
        }
        drives.sort_by(|(a, _), (b, _)| a.cmp(b));
        let is_here = |to: &UsualDrive| match to {
            UsualDrive::Kit(name) => drives
                .iter()
                .any(|(sign, _)| *sign == DriveSign::Kit(name.clone())),
            UsualDrive::Folder(_) => true,
        };
        let usual = kit.usual(None).map_or(&[][..], |set| &set.to);
        let usual = usual.iter().filter(|_| usual.iter().all(is_here));
        Self {
            usual: usual.map(ToString::to_string).collect(),
            cards,
            drives,
        }
    }

    /// The drives that are copied to: those of the kit if there are two, else the two surest.
    fn drives_to_use(&self) -> Vec<&Plugged> {
        let of_kit = |sign: &DriveSign| matches!(sign, DriveSign::Kit(_));
        let in_kit = self.drives.iter().filter(|(sign, _)| of_kit(sign)).count();
        let drives = self.drives.iter().map(|(_, drive)| drive);
        drives.take(in_kit.max(2)).collect()
    }

    /// What to do, in words, and the command for it.
    fn next(&self) -> (String, String) {
        let drives = self.drives_to_use();
        if self.cards.is_empty() {
            let full = self.drives.iter().map(|(_, drive)| drive);
            let full = full.filter(|drive| drive.holds_offloads).take(1).last();
            return match full {
                Some(drive) => (
                    format!("To check the copies on {}:", shown(&drive.name)),
                    format!("unlade verify {}", drive.given),
                ),
                None => ("To see how it works:".to_owned(), "unlade demo".to_owned()),
            };
        }
        if !self.usual.is_empty() {
            let lead = format!("To copy to {}, as usual:", shown(&all_of(&self.usual)));
            return (lead, "unlade copy".to_owned());
        }
        let lead = match drives.len() {
            0 => "Plug in two drives, then:",
            1 => "PROVEN needs copies on two drives. Plug in another one, or begin with:",
            _ => "To copy:",
        };
        let mut words: Vec<&str> = vec!["unlade copy"];
        words.extend(self.cards.iter().map(|(_, card)| card.given.as_str()));
        let to: Vec<String> = drives
            .iter()
            .map(|drive| format!("--to {}", drive.given))
            .collect();
        words.extend(to.iter().map(String::as_str));
        if to.is_empty() {
            words.push("--to DRIVE --to DRIVE");
        }
        (lead.to_owned(), words.join(" "))
    }

    fn for_programs(&self) -> serde_json::Value {
        let one = |one: &Plugged, why: String| {
            json!({
                "path": one.path, "name": one.name, "why": why,
                "total_bytes": one.facts.total_bytes, "free_bytes": one.facts.free_bytes,
            })
        };
        let cards = self
            .cards
            .iter()
            .map(|(sign, card)| one(card, card_words(sign)));
        let drives = self.drives.iter();
        let drives = drives.map(|(sign, drive)| one(drive, drive_words(sign).to_owned()));
        json!({
            "cards": cards.collect::<Vec<_>>(), "drives": drives.collect::<Vec<_>>(),
            "command": self.next().1,
        })
    }

    fn for_people(&self, width: usize) -> Vec<String> {
        let cards = self.cards.iter().map(|(sign, card)| {
            let size = size(card.facts.total_bytes);
            (card, format!("{size}: {}", card_words(sign)))
        });
        let drives = self.drives.iter().map(|(sign, drive)| {
            let (free, total) = (drive.facts.free_bytes, drive.facts.total_bytes);
            let room = format!("{} free of {}", size(free), size(total));
            (drive, format!("{room}: {}", drive_words(sign)))
        });
        let (lead, command) = self.next();
        let mut lines = section("Cards", "No card is plugged in.", cards, width);
        lines.extend(section("Drives", "No drive is plugged in.", drives, width));
        lines.push(String::new());
        lines.extend(wrap(&lead, width, "", ""));
        lines.extend(to_type(&command, width));
        lines.push("All commands: unlade help".to_owned());
        lines
    }
}

pub(crate) fn card_words(sign: &CardSign) -> String {
    match sign {
        CardSign::Kit(_) => "a card of your kit".to_owned(),
        CardSign::Camera(folder) => format!("a camera's folder is on it ({folder})"),
    }
}

pub(crate) fn drive_words(sign: &DriveSign) -> &'static str {
    match sign {
        DriveSign::Kit(_) => "a drive of your kit",
        DriveSign::Offloads => "offloads are on it",
        DriveSign::Writable => "no camera's folder is on it",
    }
}

/// One line for each, below a heading; a sentence where there is none.
fn section<'a>(
    title: &str,
    none: &str,
    entries: impl Iterator<Item = (&'a Plugged, String)>,
    width: usize,
) -> Vec<String> {
    let entries: Vec<_> = entries.collect();
    if entries.is_empty() {
        return vec![none.to_owned()];
    }
    let name = |one: &Plugged| shown(&one.name);
    let longest = entries.iter().map(|(one, _)| name(one).width()).max();
    let mut lines = vec![title.to_owned()];
    for (one, words) in &entries {
        let first = format!("  {}  ", pad(&name(one), longest.unwrap_or(0)));
        let text = format!("{}, {words}", shown(one.path.as_str()));
        lines.extend(wrap(&text, width, &first, "      "));
    }
    lines
}

/// A command as it is typed; where it is too long for one line, a shell goes on with the next.
fn to_type(command: &str, width: usize) -> Vec<String> {
    let mut lines = wrap(command, width.saturating_sub(2), "  ", "      ");
    let last = lines.len() - 1;
    for line in lines.iter_mut().take(last) {
        line.push_str(" \\");
    }
    lines
}
