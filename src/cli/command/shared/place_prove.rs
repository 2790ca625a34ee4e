//! Owns what `prove` sees at places elsewhere: the offloads of a card there, and what of them
//! counts.

use crate::cli::args::Common;
use crate::cli::command::shared::place::{MeantPlace, NoStore, home, meant, opened, remembered};
use camino::Utf8Path;
use unlade::disk::FolderFacts;
use unlade::disk::progress::Progress;
use unlade::error::{Problem, ProblemKind};
use unlade::kit::place::PlaceAddress;
use unlade::name::{CardName, shown};
use unlade::place::check::{CheckJob, check};
use unlade::place::held::held;
use unlade::place::pace::RateLimit;
use unlade::place::placed::{NoPlacedOffload, PlacedOffload};
use unlade::place::store::Store;
use unlade::proof::coverage::FoundOffload;
use unlade::run::Tools;
use unlade::run::prove::Ask;

type Found = (Vec<FoundOffload>, Vec<String>);
/// An offload there, and what is to be noted of it.
type HeldOffload = (FoundOffload, Vec<String>);

/// Looks at places for offloads of a card.
pub(crate) fn look(
    places: &[String],
    ask: &Ask,
    common: &Common,
    tools: &Tools,
    card: &FolderFacts,
) -> Result<Found, Vec<Problem>> {
    let (mut offloads, mut notes) = (Vec::new(), Vec::new());
    for given in places {
        let search = PlaceSearch { ask, tools, card };
        let found = search.one(given, common);
        let (found, more) = found.map_err(|NoStore(lines, _)| {
            let problem = |line: &String| {
                Problem::new(ProblemKind::Missing, line.trim_end_matches('.').to_owned())
            };
            lines.iter().map(problem).collect::<Vec<_>>()
        })?;
        offloads.extend(found);
        notes.extend(more);
    }
    Ok((offloads, notes))
}

struct PlaceSearch<'a> {
    ask: &'a Ask,
    tools: &'a Tools,
    card: &'a FolderFacts,
}

impl PlaceSearch<'_> {
    fn one(&self, given: &str, common: &Common) -> Result<Found, NoStore> {
        let home = home(common)?;
        let (place, name) = if PlaceAddress::is_meant(given) {
            (given, None)
        } else {
            let (place, name) = given.split_once('/').unwrap_or((given, ""));
            (
                place,
                Some(name.trim_end_matches('/')).filter(|name| !name.is_empty()),
            )
        };
        let place = meant(place, &home)?;
        let store = opened(&place, self.tools)?;
        let names = match name {
            Some(name) => vec![name.to_owned()],
            None => store
                .list("")
                .map_err(|e| NoStore::of(&place, &e, &store))?,
        };
        let (mut offloads, mut notes) = (Vec::new(), Vec::new());
        for folder in &names {
            let folder = folder.trim_end_matches('/');
            let is_asked = name.is_some();
            match self.offload(folder, (&home, &place, &store), is_asked)? {
                Ok(Some((found, more))) => {
                    offloads.push(found);
                    notes.extend(more);
                }
                Ok(None) => {}
                Err(note) => notes.push(note),
            }
        }
        if offloads.is_empty() {
            notes.push(format!(
                "At `{}` is no offload of this card that counts.",
                place.name
            ));
        }
        Ok((offloads, notes))
    }

    /// Looks at one offload there; a note where it is damaged.
    fn offload(
        &self,
        folder: &str,
        (home, place, store): (&Utf8Path, &MeantPlace, &Store),
        is_asked: bool,
    ) -> Result<Result<Option<HeldOffload>, String>, NoStore> {
        if CardName::parse(folder).is_err() || folder.contains('/') {
            return Ok(Ok(None));
        }
        let (by_content, card) = (self.ask.by_content, self.card);
        let is_of_it = |manifest: &unlade::record::manifest::Manifest| {
            by_content || manifest.card.mark().is_of(card)
        };
        let placed = match PlacedOffload::look_if(store, folder, &is_of_it) {
            Ok(Some(placed)) => placed,
            Err(NoPlacedOffload::Missing(_)) if !is_asked => return Ok(Ok(None)),
            Err(NoPlacedOffload::Place(e)) => return Err(NoStore::of(place, &e, store)),
            Err(why) => {
                let note = format!("`{}/{}`: {why}.", place.name, shown(folder));
                return Ok(Err(note));
            }
            Ok(None) => return Ok(Ok(None)),
        };
        let mut journal = remembered(home, place, &placed)?;
        let ground = place.ground(folder, self.tools).map_err(|e| {
            let why = format!("place `{}` can't be looked at: {e}.", place.name);
            NoStore(vec![why], crate::cli::exit::Exit::Refused)
        })?;
        // What is remembered is about the folder that the offload was sent to. A copy of that one
        // beside it was read by nobody.
        let mut is_remembered = !journal.is_new();
        if self.ask.reread {
            is_remembered = self.read_back(&placed, place, store, journal);
            journal = remembered(home, place, &placed)?;
        }
        journal.weigh(
            &placed.manifest,
            &ground.damage(&self.ask.damage, &placed.manifest),
        );
        let about = (is_remembered.then_some(&journal), &ground);
        let found = held(
            store,
            placed,
            about,
            (&place.name, self.tools.disk.as_ref()),
        );
        let (found, mut notes) = found.map_err(|e| NoStore::of(place, &e, store))?;
        if !is_remembered {
            let at = format!("{}/{}", place.name, shown(folder));
            notes.push(format!(
                "`{at}` was not read back whole and equal, so nothing of it counts: `unlade verify \
                 {at}` says why."
            ));
        }
        Ok(Ok(Some((found, notes))))
    }

    /// Reads all of it back. Returns whether all of it is equal.
    fn read_back(
        &self,
        placed: &PlacedOffload,
        place: &MeantPlace,
        store: &Store,
        journal: unlade::place::journal::SendJournal,
    ) -> bool {
        let job = CheckJob {
            clock: self.tools.clock.as_ref(),
            store,
            place: &place.address,
            placed,
            sample: None,
            pace: RateLimit::new(None),
            host: &self.tools.host,
        };
        let done = check(&job, journal, &Progress::default());
        done.is_ok_and(|done| done.problems.is_empty() && done.equal == done.all)
    }
}
