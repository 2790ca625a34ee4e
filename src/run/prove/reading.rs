//! Owns the reading that a question needs: of the card, and of files on the drives that nothing
//! else bears out.

use super::card_seen::{CardSeen, FileSeen};
use super::offloads::is_its_drive;
use crate::digest::Digest;
use crate::disk::hash_file::{Onlooker, hash_whole_shown};
use crate::disk::progress::Progress;
use crate::disk::{Disk, ReadBackWay};
use crate::error::{Step, Unread};
use crate::name::CardName;
use crate::proof::coverage::{FoundOffload, Question, ReadFiles, to_read};
use camino::Utf8Path;
use std::collections::{BTreeMap, HashMap};
use std::io;
use std::sync::atomic::Ordering;

/// Reads what the question needs: the whole card where that was asked for, or else what [`to_read`]
/// names, which can be more once the first of it was read. Returns what the card's files hold;
/// `seen` gets what is to be seen of them meanwhile, where all is read.
pub(super) fn read_what_is_asked(
    card: &Utf8Path,
    disk: &dyn Disk,
    (question, offloads): (&mut Question<'_>, &mut [FoundOffload]),
    seen: Option<&mut CardSeen>,
    progress: &Progress,
) -> ReadFiles {
    let mut read = ReadFiles::new();
    let sizes: HashMap<&str, u64> = question
        .listing
        .files()
        .map(|f| (f.name.as_str(), f.bytes))
        .collect();
    if question.is_card_read {
        let all = question.listing.files().map(|f| f.name.as_str().to_owned());
        let bytes = |path: &str| sizes.get(path).copied();
        let all = all.collect();
        read_files(disk, card, all, bytes, seen, progress, &mut read);
    }
    // Each round reads something that was not read before, or is the last one.
    loop {
        let wanted = to_read(
            &Question {
                card_read: &read,
                ..question.clone()
            },
            offloads,
        );
        if wanted.is_empty() || progress.cancel.load(Ordering::Relaxed) {
            return read;
        }
        let bytes = |path: &str| sizes.get(path).copied();
        read_files(disk, card, wanted.card, bytes, None, progress, &mut read);
        let mut by_offload: BTreeMap<usize, Vec<String>> = BTreeMap::new();
        for (index, path) in wanted.drives {
            by_offload.entry(index).or_default().push(path);
        }
        for (index, paths) in by_offload {
            let Some(found) = offloads.get_mut(index) else {
                continue;
            };
            let root = Utf8Path::new(&found.root);
            let Ok(manifest) = &found.manifest else {
                continue;
            };
            let tree = manifest.offload.layout.payload(root);
            // Another drive in its place has nothing that counts: then none of it could be read.
            let facts = disk.facts(root).ok().filter(|f| is_its_drive(found, f));
            let held = facts.and_then(|facts| disk.anchor(root, &facts).ok());
            if held.is_none() {
                let why = || Err("the drive is gone, or another one is in its place".into());
                found
                    .read
                    .extend(paths.into_iter().map(|path| (path, why())));
                continue;
            }
            let standing = &found.standing;
            let bytes = |path: &str| standing.get(path).map(|s| s.bytes);
            read_files(disk, &tree, paths, bytes, None, progress, &mut found.read);
        }
    }
}

/// Reads files past the cache where that is possible.
fn read_files(
    disk: &dyn Disk,
    root: &Utf8Path,
    paths: Vec<String>,
    bytes: impl Fn(&str) -> Option<u64>,
    mut seen: Option<&mut CardSeen>,
    progress: &Progress,
    read: &mut ReadFiles,
) {
    let all = paths.iter().filter_map(|path| bytes(path));
    progress.bytes_total.fetch_add(all.sum(), Ordering::Relaxed);
    for path in paths {
        if progress.cancel.load(Ordering::Relaxed) {
            return;
        }
        let name = CardName::parse(&path).ok();
        let found = match name.zip(bytes(&path)) {
            Some((name, bytes)) => {
                let mut look = seen.as_ref().map(|_| FileSeen::begin(&path, bytes));
                let mut feed = look.as_mut().map(|look| |bytes: &[u8]| look.feed(bytes));
                let feed: Option<Onlooker<'_>> = match &mut feed {
                    Some(feed) => Some(feed),
                    None => None,
                };
                let read = hash_file(disk, &name.under(root), bytes, feed, progress);
                if let (Ok(_), Some(seen), Some(look)) = (&read, &mut seen, look) {
                    seen.keep(look);
                }
                read.map_err(|e| Unread::of(Step::Read, &e))
            }
            None => Err("it is not there any more".into()),
        };
        read.insert(path, found);
    }
}

fn hash_file(
    disk: &dyn Disk,
    path: &Utf8Path,
    bytes: u64,
    onlooker: Option<Onlooker<'_>>,
    progress: &Progress,
) -> io::Result<(Digest, ReadBackWay)> {
    let mut source = disk.open_read_back(path)?;
    let mut go_on = |n| {
        progress.bytes.fetch_add(n, Ordering::Relaxed);
        !progress.cancel.load(Ordering::Relaxed)
    };
    match hash_whole_shown(source.as_mut(), bytes, onlooker, &mut go_on)? {
        Some((digest, _)) => Ok((digest, source.way())),
        None => Err(io::ErrorKind::Interrupted.into()),
    }
}
