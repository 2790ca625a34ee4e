//! Owns which place is meant, and how it is opened.

use crate::cli::args::Common;
use crate::cli::command::shared::secret::secret_of;
use crate::cli::exit::Exit;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use camino::{Utf8Path, Utf8PathBuf};
use std::sync::Arc;
use unlade::kit::place::{KitPlace, PlaceAddress};
use unlade::name::{CardName, shown};
use unlade::place::error::StoreError;
use unlade::place::held::PlaceGround;
use unlade::place::identity::identity;
use unlade::place::journal::SendJournal;
use unlade::place::placed::PlacedOffload;
use unlade::place::store::Store;
use unlade::run::Tools;

/// Why a place is not used; lines for people, and the end that this is.
pub(crate) struct NoStore(pub(crate) Vec<String>, pub(crate) Exit);

impl NoStore {
    /// What a place did not do while it was used.
    pub(crate) fn of(place: &MeantPlace, why: &StoreError, store: &Store) -> Self {
        let line = format!("place `{}` {why}. {}", place.name, why.kind.advice());
        let exit = if store.is_cancelled() {
            Exit::Interrupted
        } else {
            Exit::NotProven
        };
        Self(vec![line], exit)
    }
}

/// A place that is meant.
pub(crate) struct MeantPlace {
    /// What it is called: its name in the kit, or its address.
    pub(crate) name: String,
    /// What it is remembered by, however its address was written.
    pub(crate) address: String,
    place: KitPlace,
}

impl MeantPlace {
    /// Returns where an offload of it is, as far as that tells it from drives.
    pub(crate) fn ground(&self, offload: &str, tools: &Tools) -> std::io::Result<PlaceGround> {
        let address = self
            .place
            .address()
            .map_err(|(field, why)| std::io::Error::other(format!("its {field} {why}")))?;
        PlaceGround::of(
            &self.place,
            &address,
            (tools.disk.as_ref(), offload),
            &tools.host,
        )
    }
}

/// Returns the folder for kit and what is remembered.
pub(crate) fn home(common: &Common) -> Result<Utf8PathBuf, NoStore> {
    folder(common).ok_or_else(|| {
        let why = "the system names no folder for the data of programs; say with --home DIR where \
            the kit is.";
        NoStore(vec![why.to_owned()], Exit::Refused)
    })
}

/// Finds a place of the kit by its name, or takes an address as it is.
pub(crate) fn meant(given: &str, home: &Utf8Path) -> Result<MeantPlace, NoStore> {
    let place = if PlaceAddress::is_meant(given) {
        KitPlace {
            name: given.to_owned(),
            url: given.to_owned(),
            ..KitPlace::default()
        }
    } else {
        let kit = kit_file::read(home).map_err(|e| NoStore(e.lines(), e.exit()))?;
        let found = kit.place(given).cloned();
        found.map_err(|why| NoStore(vec![format!("{why}.")], Exit::Usage))?
    };
    let address = place.address().map_err(|(field, why)| {
        let name = shown(&place.name);
        NoStore(
            vec![format!("place `{name}`: its {field} {why}.")],
            Exit::Usage,
        )
    })?;
    Ok(MeantPlace {
        name: shown(&place.name),
        address: identity(&place, &address),
        place,
    })
}

/// Takes PLACE/NAME apart.
pub(crate) fn place_and_name(given: &str) -> Result<(&str, &str), NoStore> {
    let parts = given.trim_end_matches('/').rsplit_once('/');
    let parts = parts.filter(|(place, name)| !place.ends_with('/') && !name.is_empty());
    parts.filter(|(place, _)| !place.is_empty()).ok_or_else(|| {
        let given = shown(given);
        let why = format!(
            "`{given}` is not PLACE/NAME: a place of the kit, or its address, and the name of an \
             offload there. `unlade send --list PLACE` says the names."
        );
        NoStore(vec![why], Exit::Usage)
    })
}

/// Checks that a folder at a place can be called so.
///
/// # Errors
/// That it can't.
pub(crate) fn is_name(name: &str) -> Result<(), NoStore> {
    let one = CardName::parse(name).ok().filter(|_| !name.contains('/'));
    one.map(drop).ok_or_else(|| {
        let why = format!("`{}` is no name of an offload.", shown(name));
        NoStore(vec![why], Exit::Usage)
    })
}

/// Looks at an offload of a place.
pub(crate) fn placed(
    place: &MeantPlace,
    name: &str,
    store: &Store,
) -> Result<PlacedOffload, NoStore> {
    is_name(name)?;
    PlacedOffload::look(store, name).map_err(|why| {
        let exit = if store.is_cancelled() {
            Exit::Interrupted
        } else {
            Exit::Refused
        };
        let line = format!("{}/{}: {why}", place.name, shown(name));
        NoStore(vec![format!("{}.", line.trim_end_matches('.'))], exit)
    })
}

/// Opens what is remembered of an offload at a place, of the folder there that it is in.
pub(crate) fn remembered(
    home: &Utf8Path,
    place: &MeantPlace,
    placed: &PlacedOffload,
) -> Result<SendJournal, NoStore> {
    let own_b3 = placed.manifest.own_b3;
    let journal = own_b3
        .ok_or_else(|| std::io::Error::other("it has no manifest"))
        .and_then(|b3| SendJournal::open(home, &place.address, &placed.name, b3));
    journal.map_err(|e| {
        let home = shown(home.as_str());
        let why = format!("what was sent before can't be read in `{home}`: {e}.");
        NoStore(vec![why], Exit::Refused)
    })
}

/// Opens the way to a place.
pub(crate) fn opened(meant: &MeantPlace, tools: &Tools) -> Result<Store, NoStore> {
    let secret = meant
        .place
        .secret_command
        .as_deref()
        .map(|command| secret_of(command, tools));
    let secret = secret.transpose().map_err(|why| {
        let line = format!("the secret of place `{}`: {why}.", meant.name);
        NoStore(vec![line], refused_or_stopped(tools))
    })?;
    let disk = Arc::clone(&tools.disk);
    let store = Store::open(
        &meant.place,
        secret.as_ref(),
        disk,
        Arc::clone(&tools.cancel),
    );
    store.map_err(|why| {
        let line = format!("place `{}` {why}. {}", meant.name, why.kind.advice());
        NoStore(vec![line], refused_or_stopped(tools))
    })
}

fn refused_or_stopped(tools: &Tools) -> Exit {
    if tools.cancel.load(std::sync::atomic::Ordering::Relaxed) {
        Exit::Interrupted
    } else {
        Exit::Refused
    }
}
