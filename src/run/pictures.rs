//! Owns the way to a page of pictures: which files are asked for their thumbnail, how it is read
//! from a copy, and how the page reaches a drive. It costs no verdict anything: what fails is told.

use super::job::Tools;
use super::records::drives_out;
use crate::card::media::Media;
use crate::disk::{Disk, EntryKind, Source, Stamp};
use crate::error::Problem;
use crate::inspect::guarded::FileInspection;
use crate::inspect::kind::FileKind;
use crate::inspect::media_facts::MediaFacts;
use crate::inspect::thumbnail::{THUMBNAIL_BYTES_MAX, checked};
use crate::name::shown;
use crate::plan::in_sentence;
use crate::proof::Proof;
use crate::record::layout::RECORDS;
use crate::record::load::load;
use crate::record::manifest::{FilePart, Manifest};
use crate::record::store::{PICTURES, add_record};
use crate::report::pictures::{PAGE_BYTES_MAX, PICTURES_MAX, Sheet, SheetPicture, left_out, page};
use crate::units::{count, counted, len_usize, len64};
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::HashMap;
use std::io;
use std::ops::ControlFlow;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tracing::debug_span;

/// Files that are asked, one after the other, until one of a part of the card has a thumbnail.
const TRIES: usize = 3;
/// No file is asked any more after this time.
const TIME_MAX: Duration = Duration::from_secs(10);
/// One read, in bytes. Most stills say all with the first.
const PIECE: usize = 64 * 1_024;
/// Reads of one file until its thumbnail is found.
const READS_MAX: usize = 80;

/// What a file has.
enum Thumb {
    Picture(SheetPicture),
    Nothing,
    Broken,
    TooLarge,
}

/// A page of pictures, or why there is none.
#[derive(Clone, PartialEq, Eq, Debug)]
pub enum PicturesPage {
    /// The page, and what it shows, as the rest of a sentence about it and more sentences.
    Made(String, String),
    /// There is nothing to show: why, in sentences.
    None(String),
}

/// Returns the page of an offload's pictures. `place` is where the copy of a file is that can be
/// read.
pub fn pictures(
    manifest: &Manifest,
    tools: &Tools,
    place: &dyn Fn(&FilePart) -> Option<Utf8PathBuf>,
) -> PicturesPage {
    let _span = debug_span!("pictures").entered();
    let mut sheet = sheet(manifest, tools, place);
    let none = |why: &str, more: &[String]| {
        let why = [&[format!("No page of pictures was made: {why}.")], more].concat();
        PicturesPage::None(why.join(" "))
    };
    if tools.cancel.load(Ordering::Relaxed) {
        return none("it was stopped", &[]);
    }
    let page = page(manifest, &mut sheet);
    let more = left_out(&sheet);
    match len64(sheet.pictures.len()) {
        0 if sheet.stills == 0 => none("there is no copy of a still to ask", &[]),
        0 => {
            let asked = counted(sheet.asked, "still");
            let why = format!("of {asked} that were asked none has a thumbnail to show");
            none(&why, &more)
        }
        n => {
            let stills = counted(sheet.stills, "still");
            let first = format!(
                "shows {} of {stills}; a thumbnail proves nothing.",
                count(n)
            );
            PicturesPage::Made(page, [&[first], more.as_slice()].concat().join(" "))
        }
    }
}

/// Asks files spread over the card for their thumbnails.
fn sheet(
    manifest: &Manifest,
    tools: &Tools,
    place: &dyn Fn(&FilePart) -> Option<Utf8PathBuf>,
) -> Sheet {
    let looking = tools.to_look();
    let stills = stills(manifest, place);
    let mut sheet = Sheet {
        stills: len64(stills.len()),
        ..Sheet::default()
    };
    let parts = stills.len().min(PICTURES_MAX);
    let begin = |part: usize| part * stills.len() / parts.max(1);
    // In an order whose first ones are spread over the card, should there be no time for all.
    let mut order: Vec<usize> = (0..parts).collect();
    order.sort_by_key(|part| part.reverse_bits());
    let until = tools.clock.elapsed().saturating_add(TIME_MAX);
    let mut found = Vec::new();
    let asked = order.into_iter().try_for_each(|part| {
        let of_part = stills.get(begin(part)..begin(part + 1)).unwrap_or_default();
        for (file, at) in of_part.iter().take(TRIES) {
            if tools.cancel.load(Ordering::Relaxed) || tools.clock.elapsed() > until {
                return ControlFlow::Break(());
            }
            sheet.asked += 1;
            match ask(looking.disk.as_ref(), file, at) {
                Ok(Thumb::Picture(picture)) => {
                    found.push((part, picture));
                    break;
                }
                Ok(Thumb::Nothing) => {}
                Ok(Thumb::Broken) => sheet.broken += 1,
                Ok(Thumb::TooLarge) => sheet.too_large += 1,
                Err(_) => sheet.unread += 1,
            }
        }
        ControlFlow::Continue(())
    });
    sheet.is_late = asked.is_break();
    found.sort_by_key(|(part, _)| *part);
    sheet.pictures = found.into_iter().map(|(_, picture)| picture).collect();
    sheet
}

/// The stills that have a copy which can be read. Of two files of one picture, a raw and what the
/// camera made of it, it is the latter.
fn stills<'a>(
    manifest: &'a Manifest,
    place: &dyn Fn(&FilePart) -> Option<Utf8PathBuf>,
) -> Vec<(&'a FilePart, Utf8PathBuf)> {
    let rank = |file: &FilePart| match FileKind::by_name(&file.path)? {
        FileKind::Jpeg | FileKind::Heif => Some(0),
        kind => (kind.media() == Media::Still).then_some(1),
    };
    let stem = |file: &'a FilePart| file.path.rsplit_once('.').map_or(&*file.path, |(s, _)| s);
    let mut best: HashMap<&str, u8> = HashMap::new();
    for file in &manifest.files {
        if let Some(rank) = rank(file) {
            let known = best.entry(stem(file)).or_insert(rank);
            *known = rank.min(*known);
        }
    }
    let mut of_files = manifest.files.iter();
    let mut stills = Vec::new();
    for file in &mut of_files {
        let is_best = rank(file).is_some_and(|rank| best.get(stem(file)) == Some(&rank));
        let at = place(file).filter(|_| is_best);
        if let Some(at) = at {
            best.remove(stem(file));
            stills.push((file, at));
        }
    }
    stills
}

/// Asks the copy of one file.
fn ask(disk: &dyn Disk, file: &FilePart, at: &Utf8Path) -> io::Result<Thumb> {
    let stat = disk.look(at)?;
    if stat.is_none_or(|stat| stat.kind != EntryKind::File || stat.bytes != file.bytes) {
        return Err(io::Error::other("it is not what the manifest says"));
    }
    let mut source = disk.open_card(at)?;
    let facts = facts(source.as_mut(), file)?;
    let Some(range) = facts.as_ref().and_then(|facts| facts.thumbnail.clone()) else {
        return Ok(Thumb::Nothing);
    };
    let bytes = range.end.saturating_sub(range.start);
    if bytes > THUMBNAIL_BYTES_MAX {
        return Ok(Thumb::TooLarge);
    }
    let mut held = vec![0; len_usize(bytes)];
    read_all(source.as_mut(), &mut held, range.start)?;
    Ok(checked(&held).map_or(Thumb::Broken, |jpeg| {
        Thumb::Picture(SheetPicture {
            path: file.path.to_string(),
            jpeg,
            orientation: facts.map_or(1, |facts| facts.orientation),
        })
    }))
}

/// Reads what the structure of a file needs and no more.
fn facts(source: &mut dyn Source, file: &FilePart) -> io::Result<Option<MediaFacts>> {
    let Some(mut look) = FileInspection::begin(&file.path, file.bytes) else {
        return Ok(None);
    };
    let mut piece = vec![0; PIECE.min(len_usize(file.bytes))];
    for _ in 0..READS_MAX {
        let Some(from) = look.seek() else {
            break;
        };
        let read = source.read_at(&mut piece, from)?;
        if read == 0 {
            break;
        }
        look.feed(piece.get(..read).unwrap_or_default());
    }
    Ok(look.end().map(|seen| seen.facts))
}

fn read_all(source: &mut dyn Source, into: &mut [u8], from: u64) -> io::Result<()> {
    let mut done = 0;
    while let Some(rest) = into.get_mut(done..).filter(|rest| !rest.is_empty()) {
        match source.read_at(rest, from.saturating_add(len64(done)))? {
            0 => return Err(io::ErrorKind::UnexpectedEof.into()),
            read => done = done.saturating_add(read),
        }
    }
    Ok(())
}

/// What became of a page on a drive.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PicturesState {
    /// It was made.
    New,
    /// The one that is there is the same.
    Same,
    /// Another one is there and was left alone.
    Differs,
}

/// Stores the page in an offload that has a manifest, unless one is there.
///
/// # Errors
/// The problem of this drive, without its number.
pub fn store_pictures(
    disk: &dyn Disk,
    root: &Utf8Path,
    page: &str,
    date: Stamp,
) -> Result<PicturesState, Problem> {
    let name = format!("{RECORDS}/{PICTURES}");
    let standing = disk.read_record(&root.join(&name), len64(PAGE_BYTES_MAX));
    match standing {
        Ok(standing) if standing == page.as_bytes() => Ok(PicturesState::Same),
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            let record = (name, page.as_bytes().into());
            add_record(disk, root, record, date).map(|()| PicturesState::New)
        }
        // Also one that is too large or no file.
        Ok(_) | Err(_) => Ok(PicturesState::Differs),
    }
}

/// Makes the page where it was asked for, on every drive that has the records, and says what became
/// of it.
pub(super) fn with_pictures(proof: Proof, is_recorded: bool, tools: &Tools) -> Proof {
    if !proof.plan().form.has_pictures || proof.offloaded().interrupted {
        return proof;
    }
    let notes = match is_recorded {
        true => on_drives(&proof, tools),
        false if proof.plan().has_nothing_new() => {
            vec!["No page of pictures was made: all is in earlier offloads.".to_owned()]
        }
        false => vec!["No page of pictures was made: no drive took the manifest.".to_owned()],
    };
    proof.with_notes(notes)
}

fn on_drives(proof: &Proof, tools: &Tools) -> Vec<String> {
    let disk = tools.disk.as_ref();
    let plan = proof.plan();
    let out = drives_out(proof);
    let names = in_sentence(plan.destinations.iter());
    let drives = plan.destinations.iter().zip(names).enumerate();
    let drives: Vec<_> = drives
        .filter(|(n, _)| out.get(*n) == Some(&false))
        .collect();
    let manifest = drives
        .iter()
        .find_map(|(_, (d, _))| load(disk, &d.root).ok());
    let Some((manifest, _)) = manifest else {
        return vec!["No page of pictures was made: no manifest could be read.".to_owned()];
    };
    let place = |file: &FilePart| {
        let is_here = |drive: usize| {
            let mut copies = file.copies.iter();
            copies.any(|c| c.destination == drive && c.proof.is_read_back() && c.within.is_none())
        };
        let (_, (drive, _)) = drives.iter().find(|(n, _)| is_here(*n))?;
        Some(plan.layout.payload(&drive.root).join(&*file.path))
    };
    let (page, words) = match pictures(&manifest, tools, &place) {
        PicturesPage::Made(page, words) => (page, words),
        PicturesPage::None(why) => return vec![why],
    };
    let (mut notes, mut is_there) = (Vec::new(), false);
    for (_, (drive, name)) in drives {
        let date = Stamp::of(tools.clock.now());
        match store_pictures(disk, &drive.root, &page, date) {
            Ok(PicturesState::New | PicturesState::Same) => is_there = true,
            Ok(PicturesState::Differs) => notes.push(format!(
                "{name} has another page of pictures already, which was not touched."
            )),
            Err(why) => notes.push(format!(
                "There is no page of pictures on {name}: {}.",
                shown(why.detail.trim_end_matches('.'))
            )),
        }
    }
    if is_there {
        notes.insert(0, format!("`{RECORDS}/{PICTURES}` {words}"));
    }
    notes
}
