//! Owns where a file lies on a card and what its name says: the folder, its number, the number of
//! the file.

use super::clue::CardFile;
use crate::card::media::{Media, media_of};

/// A file, taken apart.
#[derive(Clone, Copy, Debug)]
pub(super) struct CardPlace<'a> {
    pub(super) file: &'a CardFile<'a>,
    /// The folder, without a slash at its end; empty for the root.
    pub(super) folder: &'a str,
    /// The name without its ending.
    pub(super) stem: &'a str,
    /// The ending without its dot; empty where there is none.
    pub(super) ending: &'a str,
    pub(super) media: Option<Media>,
}

impl<'a> CardPlace<'a> {
    pub(super) fn of(file: &'a CardFile<'a>) -> Self {
        let (folder, name) = file.path.rsplit_once('/').unwrap_or(("", file.path));
        let (stem, ending) = name.rsplit_once('.').unwrap_or((name, ""));
        Self {
            file,
            folder,
            stem,
            ending,
            media: media_of(file.path.as_bytes()),
        }
    }

    /// Returns prefix and number of a name that ends in four or five digits, as cameras number what
    /// they make: `KITE0412`, `C0001`, `00000`.
    pub(super) fn numbered(&self) -> Option<(&'a str, &'a str)> {
        let digits = self.stem.bytes().rev().take_while(u8::is_ascii_digit);
        let digits = digits.count();
        let at = self.stem.len().checked_sub(digits)?;
        let is_series = matches!(digits, 4 | 5) && at <= 4;
        let is_name = |b: u8| b.is_ascii_alphanumeric() || b == b'_';
        (is_series && self.stem.bytes().all(is_name)).then(|| self.stem.split_at(at))
    }

    /// Returns the number of a file that is named by DCF: four characters and a number from 0001 to
    /// 9999 (JEITA CP-3461; CIPA DC-009, from memory for its clauses).
    pub(super) fn dcf_number(&self) -> Option<(&'a str, u32)> {
        let (prefix, digits) = self.stem.split_at_checked(4)?;
        let is_name = |b: u8| b.is_ascii_alphanumeric() || b == b'_';
        let is_number = digits.len() == 4 && digits.bytes().all(|b| b.is_ascii_digit());
        let number: u32 = digits.parse().ok()?;
        (is_number && number > 0 && prefix.bytes().all(is_name)).then_some((prefix, number))
    }
}

/// Returns number and rest of the name of a DCF folder: `DCIM/100KITES` (JEITA CP-3461: 100 to 999
/// and five characters).
pub(super) fn dcf_folder(folder: &str) -> Option<(u32, &str)> {
    let name = folder.strip_prefix("DCIM/").or_else(|| {
        // A volume without a difference between upper and lower case.
        let (root, name) = folder.split_once('/')?;
        root.eq_ignore_ascii_case("DCIM").then_some(name)
    })?;
    let (digits, rest) = name.split_at_checked(3)?;
    let is_name = |b: u8| b.is_ascii_alphanumeric() || b == b'_';
    let number: u32 = digits.parse().ok().filter(|n| (100..=999).contains(n))?;
    (rest.len() == 5 && rest.bytes().all(is_name)).then_some((number, rest))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::disk::Stamp;

    fn file(path: &str) -> CardFile<'_> {
        CardFile {
            path,
            bytes: 1,
            recorded: Stamp {
                seconds: 0,
                nanos: 0,
            },
        }
    }

    // JEITA CP-3461 (DCF): names of folders and files.
    #[test]
    fn names_of_dcf_are_known_and_others_are_not() {
        for (folder, is) in [
            ("DCIM/100KITES", Some((100, "KITES"))),
            ("dcim/999_MSDC", Some((999, "_MSDC"))),
            ("DCIM/099KITES", None),
            ("DCIM/100KITE", None),
            ("DCIM/100KITES/SUB", None),
            ("DCIM/+10KITES", None),
            ("MISC/100KITES", None),
            ("DCIM", None),
        ] {
            assert_eq!(dcf_folder(folder), is, "{folder}");
        }
        for (path, is) in [
            ("DCIM/100KITES/KITE0412.JPG", Some(("KITE", 412))),
            ("DCIM/100KITES/_MG_9999.CR2", Some(("_MG_", 9_999))),
            ("DCIM/100KITES/KITE0000.JPG", None),
            ("DCIM/100KITES/KITES0412.JPG", None),
            ("DCIM/100KITES/KITE+412.JPG", None),
            ("DCIM/100KITES/KÏT0412.JPG", None),
            ("0412", None),
        ] {
            assert_eq!(CardPlace::of(&file(path)).dcf_number(), is, "{path}");
        }
    }

    #[test]
    fn numbers_of_clips_have_four_or_five_digits() {
        for (path, is) in [
            ("PRIVATE/M4ROOT/CLIP/C0001.MP4", Some(("C", "0001"))),
            ("PRIVATE/AVCHD/BDMV/STREAM/00000.MTS", Some(("", "00000"))),
            ("CLIP/20261125.MP4", None),
            ("CLIP/KITES-0001.MP4", None),
            ("CLIP/C001.MP4", None),
        ] {
            assert_eq!(CardPlace::of(&file(path)).numbered(), is, "{path}");
        }
    }
}
