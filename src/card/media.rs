//! Owns which file names are those of stills, clips and sound. Pure.

/// What a camera or recorder makes.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[expect(missing_docs, reason = "the names say it")]
pub enum Media {
    Still,
    Clip,
    Sound,
}

impl Media {
    /// Returns the name used in manifests.
    pub fn id(self) -> &'static str {
        match self {
            Self::Still => "still",
            Self::Clip => "clip",
            Self::Sound => "sound",
        }
    }
}

/// Endings of stills. Common practice, no source; so are the two below.
const STILLS: [&str; 38] = [
    "3fr", "ari", "arw", "avif", "cr2", "cr3", "crw", "dcr", "dng", "erf", "fff", "gif", "gpr",
    "heic", "heif", "hif", "iiq", "j2k", "jp2", "jpe", "jpeg", "jpg", "k25", "kdc", "mef", "mos",
    "mrw", "nef", "nrw", "orf", "pef", "png", "raf", "rw2", "sr2", "srw", "tif", "tiff",
];
const CLIPS: [&str; 18] = [
    "3g2", "3gp", "avi", "braw", "crm", "dv", "insv", "m2t", "m2ts", "m4v", "mkv", "mov", "mp4",
    "mpeg", "mpg", "mts", "mxf", "r3d",
];
const SOUND: [&str; 10] = [
    "aac", "aif", "aifc", "aiff", "bwf", "flac", "m4a", "mp3", "ogg", "wav",
];

/// Returns the ending of a path's last name, without its dot; `None` where it has none.
pub fn ending(path: &[u8]) -> Option<&[u8]> {
    let name = path.rsplit(|&b| b == b'/').next().unwrap_or(path);
    let ending = name.rsplit(|&b| b == b'.').next().unwrap_or_default();
    (ending.len() < name.len()).then_some(ending)
}

/// Returns what a file is by the ending of its name; `None` of everything else.
pub fn media_of(path: &[u8]) -> Option<Media> {
    let ending = ending(path)?;
    let has = |all: &[&str]| {
        all.iter()
            .any(|e| ending.eq_ignore_ascii_case(e.as_bytes()))
    };
    if has(&STILLS) {
        Some(Media::Still)
    } else if has(&CLIPS) {
        Some(Media::Clip)
    } else {
        has(&SOUND).then_some(Media::Sound)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn endings_count_in_any_case_and_only_behind_a_dot() {
        for (path, is) in [
            ("DCIM/100KITES/KITE0001.JPG", Some(Media::Still)),
            ("a.dng", Some(Media::Still)),
            ("PRIVATE/C0001.Mp4", Some(Media::Clip)),
            ("SOUND/KITE.WAV", Some(Media::Sound)),
            ("KITES.JPG/INDEX", None),
            ("jpg", None),
            ("KITE.XML", None),
            ("", None),
        ] {
            assert_eq!(media_of(path.as_bytes()), is, "{path}");
        }
    }
}
