//! Owns whether what was typed is at a place elsewhere: an address, or a place of the kit.

use crate::cli::args::Common;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use camino::Utf8PathBuf;
use unlade::kit::place::PlaceAddress;
use unlade::run::Tools;

/// Takes what is at places elsewhere apart from folders; what exists here is a folder.
pub(crate) fn apart(
    given: &[Utf8PathBuf],
    common: &Common,
    tools: &Tools,
) -> (Vec<String>, Vec<Utf8PathBuf>) {
    let (mut places, mut folders) = (Vec::new(), Vec::new());
    for path in given {
        let is_here = matches!(tools.disk.look(path), Ok(Some(_)));
        if !is_here && is_at_place(path.as_str(), common) {
            places.push(path.to_string());
        } else {
            folders.push(path.clone());
        }
    }
    (places, folders)
}

/// Returns whether a text is PLACE/NAME, or PLACE alone.
fn is_at_place(given: &str, common: &Common) -> bool {
    if PlaceAddress::is_meant(given) {
        return true;
    }
    let place = given.split('/').next().unwrap_or(given);
    // Trouble with the kit is told when it is read for all else.
    let kit = folder(common).and_then(|home| kit_file::read(&home).ok());
    kit.is_some_and(|kit| kit.place(place).is_ok())
}
