//! Owns which names a media hash list can hold, and which are its own.

use crate::name::fold;
use crate::record::others::inside;
use crate::record::others::mhl::MHL_FOLDER;

/// Returns whether a list can hold a path: every character is one of XML 1.0 (production 2), and
/// whoever reads it takes it for what it is.
pub fn can_hold(path: &str) -> bool {
    let is_char = |c: char| match c {
        '\t' | '\n' | '\r' => true,
        '\u{fffe}' | '\u{ffff}' => false,
        c => c >= ' ',
    };
    path.chars().all(is_char) && inside(path).is_ok_and(|name| name.as_str() == path)
}

/// Returns whether a path is a history's folder or lies in one, whatever its capitals: some drives
/// don't tell them apart.
pub fn is_in_history(path: &str) -> bool {
    path.split('/').any(|part| fold(part) == fold(MHL_FOLDER))
}

/// Returns whether a path is the folder of the history of an offload, or in it.
pub fn is_of_history(path: &str) -> bool {
    path.split('/').next() == Some(MHL_FOLDER)
}
