//! Owns the manual pages, which are made of the command line itself.

use crate::cli::args::fitting;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;
use clap::builder::Resettable;
use std::ffi::OsString;
use std::fs;
use std::io::{self, Write as _};

/// Writes the manual pages into a folder.
pub(crate) fn man(dir: &camino::Utf8Path, out: Out) -> Exit {
    if !dir.is_dir() {
        out.error(&format!("unlade: `{dir}` is not a folder."));
        return Exit::Refused;
    }
    // The pages are the same whoever builds the program, so they hold no facts of this build.
    let command = in_full(fitting::command())
        .disable_help_subcommand(true)
        .long_version(Resettable::Reset);
    match pages(command).and_then(|pages| man_into(dir, &pages)) {
        Ok(()) => {
            out.line(&format!("The manual pages are in {dir}"));
            Exit::Done
        }
        Err(e) => {
            out.error(&format!(
                "unlade: the manual pages could not be written to `{dir}`: {e}"
            ));
            Exit::Refused
        }
    }
}

/// What the short help leaves out is in the pages.
fn in_full(command: clap::Command) -> clap::Command {
    let command = command.mut_args(|argument| argument.hide_short_help(false));
    command.mut_subcommands(in_full)
}

/// Makes the manual pages, by name.
fn pages(command: clap::Command) -> io::Result<Vec<(OsString, Vec<u8>)>> {
    let made = tempfile::tempdir()?;
    clap_mangen::generate_to(command, made.path())?;
    let page = |entry: io::Result<fs::DirEntry>| {
        let entry = entry?;
        Ok((entry.file_name(), fs::read(entry.path())?))
    };
    fs::read_dir(made.path())?.map(page).collect()
}

/// Writes manual pages into a folder: all of them, or none where something else stands in the place
/// of one.
fn man_into(dir: &camino::Utf8Path, pages: &[(OsString, Vec<u8>)]) -> io::Result<()> {
    let dir = dir.as_std_path();
    for (name, _) in pages {
        let path = dir.join(name);
        let refuse = |why| Err(io::Error::other(format!("`{}` {why}", name.display())));
        match fs::symlink_metadata(&path) {
            Err(e) if e.kind() == io::ErrorKind::NotFound => {}
            Err(e) => return Err(e),
            Ok(meta) if !meta.is_file() => return refuse("is a link or no plain file"),
            Ok(_) if !fs::read_to_string(&path)?.contains("\n.TH unlade") => {
                return refuse("is there and is no manual page of unlade");
            }
            Ok(_) => {}
        }
    }
    for (name, page) in pages {
        let mut part = tempfile::NamedTempFile::new_in(dir)?;
        part.write_all(page)?;
        // Pages are for everybody; a temporary file is for nobody else.
        #[cfg(unix)]
        part.as_file()
            .set_permissions(std::os::unix::fs::PermissionsExt::from_mode(0o644))?;
        part.persist(dir.join(name))?;
    }
    Ok(())
}
