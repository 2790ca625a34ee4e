//! Owns the folders of a command line as they are meant: a path as people paste it.

use crate::cli::args::kit::{AddCommand, KitCommand};
use crate::cli::args::{Command, pasted};
use camino::{Utf8Path, Utf8PathBuf};
use unlade::run::Tools;

/// Puts the paths that are meant in the place of those that were typed.
pub(crate) fn find(command: &mut Command, tools: &Tools) {
    let exists = |path: &Utf8Path| matches!(tools.disk.look(path), Ok(Some(_)));
    for path in paths(command) {
        *path = pasted::meant(path, &exists);
    }
}

/// The cards, drives and offloads of a command.
fn paths(command: &mut Command) -> Vec<&mut Utf8PathBuf> {
    match command {
        Command::Copy(args) | Command::Plan(args) => {
            args.cards.iter_mut().chain(&mut args.to).collect()
        }
        Command::Prove(args) => std::iter::once(&mut args.card)
            .chain(&mut args.on)
            .collect(),
        Command::Verify(args) => args.offloads.iter_mut().collect(),
        Command::Rate(args) => vec![&mut args.card],
        Command::Report(args) => args.offload.iter_mut().collect(),
        Command::Kit {
            what: KitCommand::Add { what },
        } => match what {
            AddCommand::Card(args) => args.at.iter_mut().collect(),
            AddCommand::Drive(args) => args.at.iter_mut().collect(),
            AddCommand::Reader(_) => Vec::new(),
        },
        _ => Vec::new(),
    }
}
