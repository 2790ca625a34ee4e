//! Owns what an offload at a place is worth for the question whether a card may be formatted: a
//! file counts that was read back from there and equal, as long as the place says the same of it as
//! then.

use super::error::StoreError;
use super::identity::SshMeant;
use super::journal::{PlaceHarm, SendJournal};
use super::object::{Grade, PlaceObject};
use super::placed::PlacedOffload;
use super::store::Store;
use super::tries::several_at;
use crate::card::dates::parse;
use crate::disk::backing::Backing;
use crate::disk::{Disk, EntryKind, FolderFacts, ReadBackWay, Sights, Stat};
use crate::kit::place::{KitPlace, PlaceAddress};
use crate::name::{shown, some_of};
use crate::proof::coverage::{FoundOffload, ReadFiles, SizeAndDate};
use crate::record::damage::{CheckedCopy, CopyDamage, KnownDamage};
use crate::record::manifest::{FilePart, Manifest};
use crate::units::len64;
use camino::{Utf8Path, Utf8PathBuf};
use std::collections::{BTreeSet, HashMap};
use std::io;
use std::net::{IpAddr, ToSocketAddrs as _, UdpSocket};
use std::sync::{Mutex, PoisonError};

/// Objects that are looked at at the same time.
const LOOKS: usize = 8;
/// Names that are told for one reason.
const NAMES_TOLD: usize = 3;

/// Where an offload at a place is, as far as that tells it from drives and other places.
#[derive(Clone, Debug)]
pub struct PlaceGround {
    /// What holds it.
    pub backing: Backing,
    /// A number that no other file system has.
    pub device: u64,
    /// Of a folder of this computer the offload's own, and what the system says of it.
    folder: Option<(Utf8PathBuf, FolderFacts)>,
}

impl PlaceGround {
    /// Looks where an offload is. A folder is on some drive of this computer. All servers and
    /// services are one device: one may have several names, and two may be one behind them. One on
    /// this computer is not known to be another than any of its drives.
    ///
    /// # Errors
    /// What the system says of a folder.
    pub fn of(
        place: &KitPlace,
        address: &PlaceAddress,
        (disk, offload): (&dyn Disk, &str),
        own_host: &str,
    ) -> io::Result<Self> {
        let host = match address {
            PlaceAddress::Folder { folder } => {
                let folder = Utf8Path::new(folder).join(offload);
                let facts = disk.facts(&folder)?;
                return Ok(Self {
                    backing: facts.backing.clone(),
                    device: facts.device,
                    folder: Some((folder, facts)),
                });
            }
            PlaceAddress::Server { host, .. } => SshMeant::of(None, host, None).host,
            PlaceAddress::WebDav { host, .. } => host.clone(),
            PlaceAddress::Bucket { .. } => match place.endpoint.as_deref() {
                None => "s3.amazonaws.com".to_owned(),
                Some(endpoint) => {
                    let host = endpoint.rsplit("://").next().unwrap_or(endpoint);
                    host.split('/').next().unwrap_or(host).to_owned()
                }
            },
        };
        let backing = if is_here(&host, own_host) {
            Backing::unknown(
                "it is a server of this computer, or nobody knows where, and may use any drive",
            )
        } else {
            Backing::Disks(BTreeSet::from(["places elsewhere".to_owned()]))
        };
        Ok(Self {
            backing,
            // No system gives a number like this.
            device: u64::MAX,
            folder: None,
        })
    }

    /// What checks of the folder found damaged: it may be looked at as a drive is.
    pub fn damage(&self, known: &KnownDamage, manifest: &Manifest) -> CopyDamage {
        let copy = self.folder.as_ref().zip(manifest.own_b3);
        let copy = copy.map(|((_, facts), b3)| CheckedCopy::of(b3, facts));
        copy.map(|copy| known.of(&copy)).unwrap_or_default()
    }

    /// Whether a file is one of this very place: in a folder, no link that leads to another drive.
    fn has(&self, disk: &dyn Disk, path: &str) -> bool {
        let Some((folder, facts)) = &self.folder else {
            return true;
        };
        let stat = disk.look(&folder.join(path));
        let is_own =
            |stat: &Stat| stat.kind == EntryKind::File && stat.device == facts.entry_device;
        stat.is_ok_and(|stat| stat.as_ref().is_some_and(is_own))
    }
}

/// Whether a server is this computer, or can't be told from it: any of its addresses is one of this
/// computer's own, which alone can be bound to, or it has none.
fn is_here(host: &str, own_host: &str) -> bool {
    let name = host.trim_end_matches('.');
    if name.eq_ignore_ascii_case(own_host) || name.eq_ignore_ascii_case("localhost") {
        return true;
    }
    let addresses = (host, 0)
        .to_socket_addrs()
        .or_else(|_| host.to_socket_addrs());
    let Ok(addresses) = addresses else {
        return true;
    };
    let mut addresses = addresses.map(|at| at.ip()).peekable();
    let is_own =
        |ip: IpAddr| ip.is_unspecified() || ip.is_loopback() || UdpSocket::bind((ip, 0)).is_ok();
    addresses.peek().is_none() || addresses.any(is_own)
}

/// What the place has of one file.
enum HeldState {
    /// As it was when it was read back.
    Fetched(PlaceObject, Option<String>),
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
    (journal, ground): (Option<&SendJournal>, &PlaceGround),
    (place, disk): (&str, &dyn Disk),
) -> Result<(FoundOffload, Vec<String>), StoreError> {
    let looked = Mutex::new((Vec::new(), None));
    let here: Vec<&FilePart> = placed.manifest.files.iter().collect();
    let here: Vec<_> = here.into_iter().filter(|f| !f.is_elsewhere()).collect();
    let lock = || looked.lock().unwrap_or_else(PoisonError::into_inner);
    let stops = || store.is_cancelled() || lock().1.is_some();
    several_at(LOOKS, "look", &here, &stops, &|file| {
        let found = look(store, &placed, journal, file);
        let found = found.and_then(|found| {
            let path = placed.manifest.offload.layout.outside(&file.path);
            Ok(match found {
                HeldState::Fetched(object, _)
                    if !ground.has(disk, &path) || store.leads_away(&placed.at(&path))? =>
                {
                    HeldState::Changed(object, "it is a link, or on another drive than its folder")
                }
                found => found,
            })
        });
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
    journal: Option<&SendJournal>,
    file: &FilePart,
) -> Result<HeldState, StoreError> {
    let path = placed.manifest.offload.layout.outside(&file.path);
    let Some(now) = store.look(&placed.at(&path))? else {
        return Ok(HeldState::Missing);
    };
    let bad = journal.and_then(|journal| journal.bad.get(&path));
    if let Some((_, why)) = bad.filter(|(object, _)| *object == now) {
        let why = match why {
            PlaceHarm::Damaged => "a check found it damaged",
            PlaceHarm::Unread => "a check could not read it",
        };
        return Ok(HeldState::Changed(now, why));
    }
    // What this computer has read. A receipt at the place would be the place's own word.
    let known = journal.and_then(|journal| journal.known.get(&path));
    let known = known.filter(|known| known.blake3 == file.blake3);
    let Some(known) = known.filter(|known| known.grade == Grade::Fetched) else {
        return Ok(HeldState::There(now));
    };
    if !now.says_more_than_its_size() {
        return Ok(HeldState::Changed(
            now,
            "the place says nothing of it but its size",
        ));
    }
    if known.object == now && now.bytes == file.bytes {
        Ok(HeldState::Fetched(now, known.read.clone()))
    } else {
        let what = known.object.other_than(&now);
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
            HeldState::Fetched(..) | HeldState::There(_) => {}
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
    let mut since: Option<String> = None;
    let mut read = ReadFiles::new();
    for (path, held) in files {
        let part = dates.get(path.as_str());
        let (object, is_fetched) = match held {
            HeldState::Fetched(object, read) => {
                let read = read.unwrap_or_default();
                since = Some(since.map_or(read.clone(), |since| since.min(read)));
                (object, true)
            }
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
    // To the minute, in UTC, as RFC 3339 has it first.
    let since: Option<String> = since.map(|since| since.chars().take(16).collect());
    let basis = match since.filter(|since| !since.is_empty()) {
        Some(since) => format!("{basis} (the first on {} UTC)", since.replace('T', " ")),
        None => basis.to_owned(),
    };
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
        at_place: Some(basis),
        manifest: Ok(placed.manifest),
    }
}
