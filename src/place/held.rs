//! Owns what an offload at a place is worth for the question whether a card may be formatted: a
//! file counts that was read back from there and equal, as long as the place says the same of it as
//! then.

use super::error::StoreError;
use super::journal::SendJournal;
use super::object::{Grade, PlaceObject};
use super::placed::PlacedOffload;
use super::receipt::ReceiptFile;
use super::store::Store;
use super::tries::several_at;
use crate::card::dates::parse;
use crate::disk::backing::Backing;
use crate::disk::{Disk, ReadBackWay, Sights};
use crate::kit::place::{KitPlace, PlaceAddress};
use crate::name::{shown, some_of};
use crate::proof::coverage::{FoundOffload, ReadFiles, SizeAndDate};
use crate::record::damage::CopyDamage;
use crate::record::manifest::FilePart;
use crate::units::len64;
use camino::Utf8Path;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::io;
use std::sync::{Mutex, PoisonError};

/// Objects that are looked at at the same time.
const LOOKS: usize = 8;
/// Names that are told for one reason.
const NAMES_TOLD: usize = 3;

/// Where a place is, as far as that tells it from drives and other places.
#[derive(Clone, Debug)]
pub struct PlaceGround {
    /// What holds it.
    pub backing: Backing,
    /// A number that no other file system has.
    pub device: u64,
}

impl PlaceGround {
    /// Looks where a place is. A folder is on some drive of this computer. A server or a service is
    /// one device whatever is behind it, by its host; one on this computer is not known to be
    /// another than any of its drives.
    ///
    /// # Errors
    /// What the system says of a folder.
    pub fn of(
        place: &KitPlace,
        address: &PlaceAddress,
        disk: &dyn Disk,
        own_host: &str,
    ) -> io::Result<Self> {
        let host = match address {
            PlaceAddress::Folder { folder } => {
                let facts = disk.facts(Utf8Path::new(folder))?;
                return Ok(Self {
                    backing: facts.backing,
                    device: facts.device,
                });
            }
            PlaceAddress::Server { host, .. } => host.clone(),
            PlaceAddress::Bucket { .. } => {
                let endpoint = place.endpoint.as_deref().unwrap_or("s3");
                let host = endpoint.rsplit("://").next().unwrap_or(endpoint);
                host.split(['/', ':']).next().unwrap_or(host).to_owned()
            }
        };
        let host = host.to_ascii_lowercase();
        let is_here = host == "localhost"
            || host.starts_with("127.")
            || host == own_host.to_ascii_lowercase();
        let number = crate::digest::Digest::of(format!("place {host}").as_bytes()).short();
        let name = format!("the place {host}");
        Ok(Self {
            backing: if is_here {
                Backing::unknown("it is a server of this computer, which may use any of its drives")
            } else {
                Backing::Disks(BTreeSet::from([name]))
            },
            // No system gives numbers like this.
            device: number | (1 << 63),
        })
    }
}

/// What the place has of one file.
enum HeldState {
    /// As it was when it was read back.
    Fetched(PlaceObject),
    /// It is there, and was not read back.
    There(PlaceObject),
    /// It was read back, and is not what it was then: what is another.
    Changed(PlaceObject, &'static str),
    Missing,
}

/// Looks at every file of an offload at a place. Returns it as prove weighs it, and what is to be
/// noted.
///
/// # Errors
/// What the place says.
pub fn held(
    store: &Store,
    placed: PlacedOffload,
    (journal, ground): (&SendJournal, &PlaceGround),
    place: &str,
) -> Result<(FoundOffload, Vec<String>), StoreError> {
    let looked = Mutex::new((Vec::new(), None));
    let here: Vec<&FilePart> = placed.manifest.files.iter().collect();
    let here: Vec<_> = here.into_iter().filter(|f| !f.is_elsewhere()).collect();
    let lock = || looked.lock().unwrap_or_else(PoisonError::into_inner);
    let stops = || store.is_cancelled() || lock().1.is_some();
    let receipted = placed.receipted();
    several_at(LOOKS, "look", &here, &stops, &|file| {
        let found = look(store, &placed, (&receipted, journal), file);
        let mut looked = lock();
        match found {
            Ok(found) => looked.0.push((file.path.to_string(), found)),
            Err(e) => looked.1 = looked.1.take().or(Some(e)),
        }
    });
    let (files, failed) = looked.into_inner().unwrap_or_else(PoisonError::into_inner);
    if let Some(failed) = failed {
        return Err(failed);
    }
    if store.is_cancelled() {
        return Err(StoreError::interrupted("look at it there"));
    }
    let root = format!("{place}/{}", placed.name);
    let notes = notes(&root, &files);
    Ok((found(placed, files, ground, root), notes))
}

fn look(
    store: &Store,
    placed: &PlacedOffload,
    (receipted, journal): (&BTreeMap<&str, &ReceiptFile>, &SendJournal),
    file: &FilePart,
) -> Result<HeldState, StoreError> {
    let path = placed.manifest.offload.layout.outside(&file.path);
    let Some(now) = store.look(&placed.at(&path))? else {
        return Ok(HeldState::Missing);
    };
    if journal.bad.get(&path) == Some(&now) {
        return Ok(HeldState::Changed(now, "a check found it damaged"));
    }
    let of_receipt = receipted.get(path.as_str());
    let of_receipt = of_receipt.map(|known| (known.blake3, known.grade, &known.object));
    let of_journal = journal.known.get(&path);
    let of_journal = of_journal.map(|known| (known.blake3, known.grade, &known.object));
    let fetched: Vec<&PlaceObject> = of_receipt
        .into_iter()
        .chain(of_journal)
        .filter(|(blake3, grade, _)| *blake3 == file.blake3 && *grade == Grade::Fetched)
        .map(|(_, _, object)| object)
        .collect();
    let Some(last) = fetched.last() else {
        return Ok(HeldState::There(now));
    };
    if !now.says_more_than_its_size() {
        return Ok(HeldState::Changed(
            now,
            "the place says nothing of it but its size",
        ));
    }
    if fetched.contains(&&now) {
        Ok(HeldState::Fetched(now))
    } else {
        let what = last.other_than(&now);
        Ok(HeldState::Changed(now, what))
    }
}

fn notes(root: &str, files: &[(String, HeldState)]) -> Vec<String> {
    let root = shown(root);
    let mut notes = Vec::new();
    let mut missing = Vec::new();
    let mut changed: HashMap<&str, Vec<&str>> = HashMap::new();
    for (path, held) in files {
        match held {
            HeldState::Missing => missing.push(path.as_str()),
            HeldState::Changed(_, what) => changed.entry(what).or_default().push(path),
            HeldState::Fetched(_) | HeldState::There(_) => {}
        }
    }
    let mut changed: Vec<_> = changed.into_iter().collect();
    changed.sort_unstable();
    for (what, mut paths) in changed {
        paths.sort_unstable();
        let all = len64(paths.len());
        let names = some_of(paths, NAMES_TOLD, all, "file");
        notes.push(format!(
            "In `{root}` {names}: {what}. `unlade verify {root}` reads it back."
        ));
    }
    if !missing.is_empty() {
        missing.sort_unstable();
        let all = len64(missing.len());
        let names = some_of(missing, NAMES_TOLD, all, "file");
        notes.push(format!(
            "In `{root}` {names}: not there any more. Send the offload again."
        ));
    }
    notes
}

/// Puts it as an offload that was found, whose files were read as far as they were fetched.
fn found(
    placed: PlacedOffload,
    files: Vec<(String, HeldState)>,
    ground: &PlaceGround,
    root: String,
) -> FoundOffload {
    let dates: HashMap<&str, &FilePart> = placed
        .manifest
        .files
        .iter()
        .map(|file| (&*file.path, file))
        .collect();
    let mut standing = HashMap::new();
    let mut read = ReadFiles::new();
    for (path, held) in files {
        let part = dates.get(path.as_str());
        let (object, is_fetched) = match held {
            HeldState::Fetched(object) => (object, true),
            HeldState::There(object) | HeldState::Changed(object, _) => (object, false),
            HeldState::Missing => continue,
        };
        // A place has dates of its own, which were compared.
        let Some((part, date)) = part.and_then(|part| Some((*part, parse(&part.modified)?))) else {
            continue;
        };
        if is_fetched {
            read.insert(path.clone(), Ok((part.blake3, ReadBackWay::Direct)));
        }
        let stands = SizeAndDate {
            bytes: object.bytes,
            modified: date,
            changed: date,
        };
        standing.insert(path, stands);
    }
    let basis = "read back from there, and the place says the same of each file as then";
    FoundOffload {
        root,
        here: None,
        backing: ground.backing.clone(),
        device: ground.device,
        volume_id: None,
        written: None,
        room: (0, 0),
        standing,
        unseen: HashMap::new(),
        sights: Sights::default(),
        reread: None,
        copy: None,
        damage: CopyDamage::default(),
        read,
        at_place: Some(basis.to_owned()),
        manifest: Ok(placed.manifest),
    }
}
