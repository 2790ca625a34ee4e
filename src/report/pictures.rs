//! Owns the page of pictures: the thumbnails that cameras put into their files, with the names of
//! the files. One file, no script, nothing from the network. It proves nothing, and says so. Pure.

use super::frame::{document_of_pictures, foreign, path};
use crate::inspect::thumbnail::THUMBNAIL_BYTES_MAX;
use crate::name::shown;
use crate::record::manifest::Manifest;
use crate::units::{count, counted, len64, size};
use base64ct::{Base64, Encoding as _};
use maud::{Markup, html};

/// Pictures of one page.
pub const PICTURES_MAX: usize = 60;
/// The most bytes of the whole page.
pub const PAGE_BYTES_MAX: usize = 3_000_000;
const STYLE: &str = include_str!("pictures.css");

/// A file's picture.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SheetPicture {
    /// The file, below the card's root.
    pub path: String,
    /// A whole JPEG ([`crate::inspect::thumbnail::checked`]).
    pub jpeg: Vec<u8>,
    /// How it is to be turned, as EXIF says it: 1 to 8.
    pub orientation: u8,
}

/// What is known of a card's thumbnails.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Sheet {
    /// The pictures to show, in the order of the card's files.
    pub pictures: Vec<SheetPicture>,
    /// Stills of the card, of which two files of one picture are one.
    pub stills: u64,
    /// Of these, how many were asked for a thumbnail.
    pub asked: u64,
    /// Thumbnails that are no whole JPEG.
    pub broken: u64,
    /// Thumbnails that are too large, alone or for the page.
    pub too_large: u64,
    /// Files that could not be read, or are not what the manifest says.
    pub unread: u64,
    /// There was no time to ask all.
    pub is_late: bool,
}

/// Returns the whole page, never more than [`PAGE_BYTES_MAX`]: where it would be more, the largest
/// pictures are left out.
pub fn page(manifest: &Manifest, sheet: &mut Sheet) -> String {
    loop {
        let made = document(manifest, sheet);
        let mut over = made.len().saturating_sub(PAGE_BYTES_MAX);
        if over == 0 {
            return made;
        }
        while over > 0 && !sheet.pictures.is_empty() {
            let sizes = sheet.pictures.iter().map(|picture| picture.jpeg.len());
            let largest = sizes.enumerate().max_by_key(|&(_, bytes)| bytes);
            let gone = sheet.pictures.remove(largest.map_or(0, |(at, _)| at));
            over = over.saturating_sub(Base64::encoded_len(&gone.jpeg));
            sheet.too_large = sheet.too_large.saturating_add(1);
        }
        if sheet.pictures.is_empty() {
            return document(manifest, sheet);
        }
    }
}

fn document(m: &Manifest, sheet: &Sheet) -> String {
    let name = shown(&m.offload.name);
    let shown_of = len64(sheet.pictures.len());
    let heading = counted(shown_of, "picture");
    let body = html! {
        p.over { "Offload " (foreign(&m.offload.name)) }
        h1 { (heading) }
        p.lead {
            "A thumbnail proves nothing: the file around it may be damaged, and a file without one \
             may be whole."
        }
        p {
            @if shown_of < sheet.stills {
                (count(shown_of)) " of " (counted(sheet.stills, "still"))
                ", spread over the card. "
            }
            "Each is the small picture that the camera itself put into the file, as it is in one \
             of the copies."
        }
        @let out = left_out(sheet);
        @if !out.is_empty() {
            p.soft { @for words in out { (words) " " } }
        }
        div.sheet { @for picture in &sheet.pictures { (figure(picture)) } }
        p.soft { "Names and pictures on this page may be private." }
    };
    document_of_pictures(&format!("{name}: {heading}"), STYLE, &body)
}

/// Why some pictures are not there, in sentences.
pub fn left_out(sheet: &Sheet) -> Vec<String> {
    let are = |n: u64, one: &str, many: &str| {
        let words = if n == 1 { one } else { many };
        format!("{} {words}", counted(n, "thumbnail"))
    };
    let mut words = Vec::new();
    if sheet.broken > 0 {
        let no = are(sheet.broken, "is no whole JPEG", "are no whole JPEGs");
        words.push(format!("{no} and not here."));
    }
    if sheet.too_large > 0 {
        let most = size(THUMBNAIL_BYTES_MAX);
        let too = are(sheet.too_large, "is too large", "are too large");
        words.push(format!(
            "{too} (more than {most}, or more than the page has room for) and not here."
        ));
    }
    if sheet.unread > 0 {
        let files = counted(sheet.unread, "file");
        words.push(format!("{files} could not be read for it."));
    }
    if sheet.is_late {
        let asked = count(sheet.asked);
        words.push(format!(
            "The drive was slow: only {asked} of the files that were chosen were looked at."
        ));
    }
    words
}

fn figure(picture: &SheetPicture) -> Markup {
    let data = Base64::encode_string(&picture.jpeg);
    let turn = format!("t{}", picture.orientation);
    html! {
        figure {
            img class=[(picture.orientation > 1).then_some(turn)] loading="lazy" width="160"
                height="160" alt={ "Thumbnail of " (shown(&picture.path)) }
                src={ "data:image/jpeg;base64," (data) };
            figcaption { (path(&picture.path)) }
        }
    }
}
