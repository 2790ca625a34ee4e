//! Owns the order of the stages: survey, plan, offload, closing look, proof, records. Everything
//! below it is one stage; everything above it is words on a screen.

mod looks;
pub mod prove;
mod records;

use crate::card::identity::{CardIdentity, fit_for_name, label_of};
use crate::card::listing::Listing;
use crate::card::part::part_note;
use crate::card::survey::{look_at_left, survey};
use crate::clock::{Clock, rfc3339};
use crate::disk::backing::Backing;
use crate::disk::{Anchor, Claim, Disk, EntryKind, Settling, explained, write_problem};
use crate::error::{Problem, ProblemKind, Step, failed};
use crate::event::{Event, Observer, Silent};
use crate::existing;
use crate::existing::at_work::bytes_to_come;
use crate::existing::earlier::{Known, look as look_for_earlier};
use crate::existing::mounted::unmounted;
use crate::existing::original;
use crate::existing::sample::{Sampled, Sampling};
use crate::existing::source::CardFacts;
use crate::existing::standing::Standing;
use crate::ledger::{Deed, Ledger, history};
use crate::name::{CardName, fold, part_name, shown};
use crate::offload::limits::Limits;
use crate::offload::meter::Meter;
use crate::offload::{Context, Started, reread};
use crate::plan::beside::Beside;
use crate::plan::check::{check_room, holds_nothing_of, holds_other_files, same_card};
use crate::plan::concurrent::{AT_ONCE_MAX, Order, joint_little, joint_room, order};
use crate::plan::notes::doubt_twins;
use crate::plan::terms::Terms;
use crate::plan::{
    Candidate, Form, Plan, PlannedDestination, Refusal, Wish, Work, layout_of, plan,
};
use crate::proof::problems::{card_problems, list_problems};
use crate::proof::{Kept, Proof};
pub use crate::record::checksums::CHECKSUMS;
use crate::record::earlier_run::Records;
use crate::record::journal::{JOURNAL, JOURNAL_FORMAT, JOURNAL_VERSION, JournalHead, JournalLine};
use crate::record::layout::{Layout, Level, RECORDS};
use crate::record::load::load;
use crate::record::signature::Signer;
pub use crate::record::store::REPORT;
use crate::speed::ceiling::Ceiling;
use crate::speed::chain::{Chain, DriveSpeed, Hop};
use crate::speed::detected;
use crate::speed::forecast::{Companion, Growth, RatePrior};
use crate::speed::link::Bottleneck;
use crate::units::{MegabytesPerS, float, len64, size};
use camino::{Utf8Path, Utf8PathBuf};
use looks::Looks;
use std::collections::HashSet;
use std::io;
use std::sync::atomic::AtomicBool;
use std::sync::{Arc, Mutex};

/// One card and where it is to go.
#[derive(Clone, Debug)]
pub struct Job {
    /// The mounted card.
    pub card: Utf8PathBuf,
    /// The destinations, in order.
    pub to: Vec<Utf8PathBuf>,
    /// The offload's name; `None` for today's date and the card's label.
    pub name: Option<String>,
    /// What is to be proven.
    pub terms: Terms,
    /// Names that other cards of the same command will use.
    pub taken: Vec<String>,
    /// Leave the files that earlier offloads on every destination prove already.
    pub only_new: bool,
    /// In which form the offload is left.
    pub form: Form,
    /// Who is to sign the manifest.
    pub signer: Option<Arc<Signer>>,
    /// What is known of card, reader and drives before anything was looked at: from the command line
    /// or the kit.
    pub chain: Chain,
    /// What is known from before.
    pub known: KnownBefore,
    /// What the card that is read at the same time still has to read.
    pub beside: Beside,
}

/// What is known of a job's gear from before: names of the kit and earlier jobs. No verdict rests on
/// it.
#[derive(Clone, Debug, Default)]
pub struct KnownBefore {
    /// The card's name in the kit.
    pub card: Option<String>,
    /// The reader's name in the kit.
    pub reader: Option<String>,
    /// Earlier jobs.
    pub ledger: Arc<Ledger>,
}

/// What a job is done with.
#[derive(Clone, Debug)]
pub struct Tools {
    /// The seam to all file systems.
    pub disk: Arc<dyn Disk>,
    /// The seam to time.
    pub clock: Arc<dyn Clock>,
    /// The bounds.
    pub limits: Limits,
    /// Set from outside to stop.
    pub cancel: Arc<AtomicBool>,
    /// This computer's name, for the record.
    pub host: String,
}

/// Surveys the card, looks at the destinations and decides what to do. Writes nothing.
///
/// # Errors
/// Every reason why the job cannot be begun, all at once.
pub fn prepare(job: &Job, tools: &Tools, observer: &mut dyn Observer) -> Result<Plan, Refusal> {
    let planned = look_and_plan(job, tools, observer, Sampling::Read);
    match &planned {
        Ok(plan) => {
            observer.event(&Event::Planned(plan));
            // Known before the first byte: nobody has to wait for the end to hear of them.
            let known = card_problems(&plan.listing).into_iter();
            for problem in known
                .chain(plan.unheld_problems())
                .chain(list_problems(plan))
            {
                observer.event(&Event::Problem(problem));
            }
        }
        Err(refusal) => observer.event(&Event::Refused(&refusal.reasons)),
    }
    planned
}

/// Plans a job without reading a byte of its card, to reckon with it before its turn comes: what would be read as a sample
/// is taken to be equal.
///
/// # Errors
/// As [`prepare`].
pub fn look_ahead(job: &Job, tools: &Tools) -> Result<Plan, Refusal> {
    look_and_plan(job, tools, &mut Silent, Sampling::TakenAsEqual)
}

fn look_and_plan(
    job: &Job,
    tools: &Tools,
    observer: &mut dyn Observer,
    sampling: Sampling,
) -> Result<Plan, Refusal> {
    let disk = tools.disk.as_ref();
    let found = look_at_source(job, tools);
    let (card, listing) = found.map_err(|problem| Refusal {
        reasons: vec![problem],
    })?;
    observer.event(&listed(job, &listing));
    let (name, mut candidates) = name_and_candidates(job, tools, &card, &listing);
    for candidate in &mut candidates {
        if let Ok(facts) = &candidate.facts {
            let _held = disk.anchor(&candidate.given, facts);
            let last = job.known.ledger.last_in(&facts.canonical);
            let other = last.filter(|place| !place.may_be_on(facts));
            let other = other.map(|place| place.volume_id.as_deref());
            candidate.others_bytes = bytes_to_come(disk, facts, &name);
            candidate.unmounted = unmounted(disk, &candidate.given, facts, other);
            candidate.within_offload = original::around(disk, facts).map(Utf8PathBuf::into_string);
        }
    }
    doubt_twins(&mut candidates);
    let about = (&card, &listing, sampling);
    bear_out(job, tools, &mut candidates, &name, about, observer);
    let planned = plan(card, listing, &candidates, &wish(job, name));
    planned.map(|mut plan| {
        let part = plan.part();
        plan.notes.extend(part.as_deref().map(part_note));
        with_ceiling(job, plan, disk)
    })
}

/// Lists the card, or the offload that is in its place.
fn look_at_source(job: &Job, tools: &Tools) -> Result<(CardFacts, Listing), Problem> {
    let disk = tools.disk.as_ref();
    let name = shown(job.card.as_str());
    let unusable = |e: io::Error| {
        let why = format!("the card `{name}` cannot be used: {e}");
        Problem::new(ProblemKind::Unreadable, why)
    };
    let gone = |e: io::Error| {
        let why = format!("the card `{name}` is gone: {e}");
        Problem::new(ProblemKind::Vanished, why)
    };
    let facts = disk.facts(&job.card).map_err(unusable)?;
    let _held = disk.anchor(&job.card, &facts).map_err(gone)?;
    // A link to the card is followed once, here; below it nothing is followed.
    let looked = disk.look(&job.card).map_err(unusable)?;
    let given = if looked.is_some_and(|stat| stat.kind == EntryKind::Link) {
        Utf8PathBuf::from(facts.canonical.clone())
    } else {
        job.card.clone()
    };
    let (card, listing) = if let Some(found) = original::look(disk, &given, &facts)? {
        check_original(job)?;
        found
    } else {
        let listing = survey(disk, &given, &facts)
            .map_err(|e| Problem::new(ProblemKind::Unreadable, e.to_string()))?;
        let listing = look_at_left(disk, &given, listing, &tools.cancel);
        let card = CardFacts {
            label: label_of(&job.card, &facts),
            given,
            facts,
            original: None,
        };
        (card, listing)
    };
    // A card that was pulled can still be listed from memory, or look empty.
    let after = disk.facts(&job.card).map_err(gone)?;
    if (after.device, after.inode) != (card.facts.device, card.facts.inode) {
        let why = "the card was changed while it was being listed";
        return Err(Problem::new(ProblemKind::Vanished, why));
    }
    Ok((card, listing))
}

/// What can only be asked of a card is not asked of an offload.
fn check_original(job: &Job) -> Result<(), Problem> {
    let why = if job.only_new {
        "--only-new is for cards; a further copy of an offload is always a whole one"
    } else if job.terms.level == Level::Reread {
        "--proof reread reads a card a second time; the files of an offload are compared with its manifest at the first read"
    } else {
        return Ok(());
    };
    Err(Problem::new(ProblemKind::NameClash, why))
}

fn listed<'a>(job: &'a Job, listing: &Listing) -> Event<'a> {
    let (files, bytes) = listing.totals();
    let troubles = len64(listing.rows().len())
        - files
        - len64(listing.folders().count())
        - len64(listing.left_out().count());
    Event::Listed {
        card: job.card.as_str(),
        files,
        bytes,
        folders: len64(listing.folders().count()),
        left_out: len64(listing.left_out().count()),
        troubles,
    }
}

fn wish(job: &Job, name: String) -> Wish {
    Wish {
        name,
        copies_needed: job.terms.copies_needed,
        separate: job.terms.separate,
        only_new: job.only_new,
        form: job.form,
    }
}

/// Reads of the card what has to be read before anything of earlier runs is believed, and looks for its
/// other offloads on every destination where only what is new is to be copied.
fn bear_out(
    job: &Job,
    tools: &Tools,
    candidates: &mut [Candidate],
    name: &str,
    (card, listing, sampling): (&CardFacts, &Listing, Sampling),
    observer: &mut dyn Observer,
) {
    let disk = tools.disk.as_ref();
    // What of the card is read for a sample is read below the folder that was listed.
    let _card = disk.anchor(&card.given, &card.facts);
    let mut tell = |bytes| observer.event(&Event::Sampling(bytes));
    let mut read = Sampled::new(disk, &card.given, &tools.cancel, sampling, &mut tell);
    for candidate in candidates.iter_mut() {
        let sample = candidate.samples(listing, &card.facts);
        let sampled = read.are_equal(&sample).then_some(len64(sample.len()));
        candidate.sampled = sampled;
    }
    if !job.only_new {
        return;
    }
    let mut known = Known::new(card, listing, &tools.cancel, read);
    for candidate in candidates {
        if let Ok(facts) = &candidate.facts {
            let _held = disk.anchor(&candidate.given, facts);
            let (earlier, notes) =
                look_for_earlier(disk, &candidate.given, facts, name, &mut known);
            candidate.earlier = earlier;
            candidate.earlier_notes = notes;
        }
    }
}

/// Reckons the ceiling from what was known before and from what the system says of the gear.
fn with_ceiling(job: &Job, mut plan: Plan, disk: &dyn Disk) -> Plan {
    let gear = disk.gear(&plan.card.facts);
    let mut chain = job.chain.clone();
    chain.reads_back = job.terms.level != Level::Written;
    chain.separate = job.terms.separate;
    detected::card(&mut chain, &gear);
    if job.beside.other_left() == Some(0) {
        chain.other_cards.clear();
        chain.reader.cards_at_once = 1;
    }
    chain
        .drives
        .resize(plan.destinations.len(), DriveSpeed::default());
    let gears: Vec<_> = plan
        .destinations
        .iter()
        .map(|d| disk.gear(&d.facts))
        .collect();
    let drives = chain.drives.iter_mut().zip(&mut plan.destinations);
    for ((drive, d), gear) in drives.zip(&gears) {
        detected::drive(drive, gear);
        drive.spins = drive.spins.or(d.facts.rotational);
        // How it is written and read depends on that as well.
        d.facts.rotational = drive.spins;
        if let Backing::Disks(disks) = &d.facts.backing {
            drive.disks.clone_from(disks);
        }
    }
    plan.card_name.clone_from(&job.known.card);
    plan.card_made_as = gear.made_as();
    plan.reader = job.known.reader.clone().or_else(|| gear.reader());
    let expected = expected(&plan, &job.known.ledger);
    let mut ceiling = Ceiling::of(&chain);
    // Beside another card a link's share says nothing of what the card reached alone.
    if let Some(card) = expected.card.filter(|_| chain.is_alone()) {
        ceiling.note_measured(MegabytesPerS(card.mbps));
    }
    detected::card_notes(&mut ceiling, &gear);
    for (index, gear) in gears.iter().enumerate() {
        detected::notes(&mut ceiling, &format!("Drive {}", index + 1), gear);
    }
    let usual = ceiling.usual().filter(|(low, _)| low.0 > 0.0);
    plan.level = job.terms.level;
    let is_part = !ceiling.drives().unknown.is_empty();
    plan.prior.rate = usual
        .map(|(low, high)| RatePrior::from_usual(low.0, high.0))
        .map(|rate| if is_part { rate.of_a_part() } else { rate });
    let of_card = ceiling.usual_of_card().filter(|(low, _)| low.0 > 0.0);
    plan.prior.card = of_card.map(|(low, high)| RatePrior::from_usual(low.0, high.0));
    plan.ceiling = ceiling;
    plan.prior.companion = companion(job, &plan, &chain);
    plan.beside = job.beside.clone();
    plan.prior.growth = growth(&plan, &chain);
    plan.signer.clone_from(&job.signer);
    if let Some(signer) = &plan.signer {
        let by = signer.fingerprint();
        plan.notes
            .push(format!("The manifest is to be signed by the key {by}"));
    }
    with_history(plan, expected, chain.is_alone())
}

/// Another card takes a part of this one's rate until it is done.
fn companion(job: &Job, plan: &Plan, chain: &Chain) -> Option<Companion> {
    let bytes_left = job.beside.other_left().filter(|left| *left > 0)?;
    let mut alone = chain.clone();
    alone.other_cards.clear();
    alone.reader.cards_at_once = 1;
    let (low, high) = Ceiling::of(&alone).usual()?;
    let alone_mbps = RatePrior::from_usual(low.0, high.0).mbps;
    let is_held_back = alone_mbps > plan.prior.rate?.mbps;
    is_held_back.then_some(Companion {
        bytes_left,
        alone_mbps,
    })
}

/// A spinning disk that holds the others back gets slower as it fills.
fn growth(plan: &Plan, chain: &Chain) -> Option<Growth> {
    let Bottleneck::Drive(index) = Bottleneck::from(*plan.ceiling.limiting()?) else {
        return None;
    };
    let destination = plan.destinations.get(index)?;
    chain.drives.get(index).filter(|d| d.is_spinning())?;
    let facts = &destination.facts;
    let used = facts.total_bytes.saturating_sub(facts.free_bytes);
    let share = |bytes: u64| float(bytes) / float(facts.total_bytes);
    let after = used.saturating_add(destination.copy_bytes);
    (facts.total_bytes > 0).then(|| Growth::of_spinning(share(used), share(after)))
}

/// Returns what earlier jobs with this card, reader and drives let expect.
fn expected(plan: &Plan, ledger: &Ledger) -> history::Expected {
    if plan.original().is_some() {
        return history::Expected::default();
    }
    ledger.expect(&history::Gear {
        card: &plan.card_identity(),
        reader: plan.reader.as_deref(),
        drives: plan
            .destinations
            .iter()
            .filter_map(|d| d.facts.volume_id.as_deref())
            .collect(),
    })
}

/// What this card reached before in this reader onto these drives says more than any ceiling, unless the
/// links that the reader hangs on now do not allow it.
fn with_history(mut plan: Plan, expected: history::Expected, is_alone: bool) -> Plan {
    let can_be = |rate: &RatePrior| !is_alone || plan.ceiling.way_allows(MegabytesPerS(rate.mbps));
    plan.prior.note_history(expected.rate.filter(can_be));
    plan.prior.card = expected.card.or(plan.prior.card);
    plan.prior.per_file = expected.per_file.or(plan.prior.per_file);
    plan.prior.cache_step = expected.cache_step.or(plan.prior.cache_step);
    plan
}

/// Names beyond the first that are tried for cards with one label on one day.
const NAMES_MAX: usize = 99;
/// Names of earlier runs that are looked up.
const EARLIER_NAMES_MAX: usize = 4;

/// Returns the offload's name and what stands under it. Without a given name it is the day and the card's
/// name in the kit, or else its label; where that is another card's already, `-2` and so on: two bodies of
/// one make have cards of one label. What was begun today under another of these names goes on there.
fn name_and_candidates(
    job: &Job,
    tools: &Tools,
    card: &CardFacts,
    listing: &Listing,
) -> (String, Vec<Candidate>) {
    let original = card.original.as_deref();
    let as_original = original.map(|o| o.layout);
    let look = |name: &str| -> Vec<Candidate> {
        let look = |layout| -> Vec<Candidate> {
            let one = |to: &Utf8PathBuf| candidate(tools.disk.as_ref(), to, name, layout);
            job.to.iter().map(one).collect()
        };
        let first = layout_of(job.form.layout, &[], as_original);
        let found = look(first);
        // What stands on one destination tells how the others are to be looked at.
        match layout_of(job.form.layout, &found, as_original) {
            layout if layout == first => found,
            layout => look(layout),
        }
    };
    if let Some(name) = job.name.as_ref().or(original.map(|o| &o.name)) {
        return (name.clone(), look(name));
    }
    let is_free = |name: &str, candidates: &[Candidate]| {
        let is_taken = job.taken.iter().any(|t| fold(t) == fold(name));
        !is_taken && goes_here(candidates, card, listing, job.only_new)
    };
    let mut found = None;
    for base in names(job, &tools.clock.today(), card, listing) {
        let numbered = (2..=NAMES_MAX).map(|n| format!("{base}-{n}"));
        let free = std::iter::once(base.clone())
            .chain(numbered)
            .map(|name| (look(&name), name))
            .find(|(candidates, name)| is_free(name, candidates));
        let Some((candidates, name)) = free else {
            continue;
        };
        let is_begun = candidates.iter().any(|c| c.standing.records.is_some());
        if is_begun || found.is_none() {
            found = Some((name, candidates));
        }
        if is_begun {
            break;
        }
    }
    found.unwrap_or_else(|| {
        // The refusal then tells what stands there.
        let name = format!("{}-{}", tools.clock.today(), card.label);
        let candidates = look(&name);
        (name, candidates)
    })
}

/// The names that an offload of this card may have today, the first for a new one: that of the kit, that of the
/// label, and what the ledger says of an earlier run, in which the card may have had another name.
fn names(job: &Job, today: &str, card: &CardFacts, listing: &Listing) -> Vec<String> {
    let of_kit = job.known.card.as_deref().map(fit_for_name);
    let labels = of_kit.iter().chain([&card.label]);
    let mut names: Vec<String> = labels.map(|label| format!("{today}-{label}")).collect();
    let identity = CardIdentity::of(&card.facts, &card.label, listing);
    let entries = job.known.ledger.entries.iter().rev();
    let earlier = entries
        .filter(|e| e.did == Deed::Copy && e.card.is_same_card(&identity))
        .filter_map(|e| e.offload.clone())
        .filter(|name| {
            name.starts_with(today) && CardName::parse(name).is_ok_and(|n| n.parent().is_none())
        });
    names.extend(earlier.take(EARLIER_NAMES_MAX));
    let mut seen = HashSet::new();
    names.retain(|name| seen.insert(fold(name)));
    names
}

/// Whether an offload of a name that nobody gave is this card's, or can be begun. Records that cannot be
/// read may be this card's: they are told, and nothing is copied a second time beside them unasked.
fn goes_here(
    candidates: &[Candidate],
    card: &CardFacts,
    listing: &Listing,
    only_new: bool,
) -> bool {
    let stands = || candidates.iter().map(|c| &c.standing);
    let is_of_card = |records: &Records| {
        same_card(records, card, listing)
            && !holds_nothing_of(records, listing)
            // A camera's own database is another one after every shot. What is new then goes into an
            // offload of its own, and the earlier one is kept.
            && !(only_new && holds_other_files(records, listing))
    };
    let mut records = stands().filter_map(|s| s.records.as_ref());
    if !records.all(is_of_card) {
        return false;
    }
    if stands().any(|s| s.damaged.is_some()) {
        return true;
    }
    stands().all(|s| s.records.is_some() || s.entries.is_empty())
}

fn candidate(disk: &dyn Disk, given: &Utf8Path, name: &str, layout: Layout) -> Candidate {
    let facts = disk.facts(given).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => format!(
            "`{}` is not there; is the drive mounted? (Make the folder first if it is a new one.)",
            shown(given.as_str())
        ),
        _ => format!("`{}` cannot be used: {e}", shown(given.as_str())),
    });
    let is_plain = CardName::parse(name).is_ok_and(|n| n.parent().is_none());
    // Something else may be mounted where the offload would lie, and it may be the card itself: room and
    // device of `given` say nothing of it.
    let standing = match &facts {
        Ok(facts) if is_plain => disk
            .anchor(given, facts)
            .map_err(|e| format!("`{}` cannot be used: {e}", shown(given.as_str())))
            .and_then(|_held| existing::look(disk, given, facts, name, layout)),
        _ => Ok(Standing::default()),
    };
    match standing {
        Ok(standing) => Candidate {
            given: given.to_path_buf(),
            facts,
            standing,
            unmounted: None,
            within_offload: None,
            sampled: None,
            earlier: Vec::new(),
            earlier_notes: Vec::new(),
            others_bytes: 0,
        },
        Err(why) => Candidate {
            given: given.to_path_buf(),
            facts: facts.and(Err(why)),
            standing: Standing::default(),
            unmounted: None,
            within_offload: None,
            sampled: None,
            earlier: Vec::new(),
            earlier_notes: Vec::new(),
            others_bytes: 0,
        },
    }
}

/// What several cards of one command mean for each other.
#[derive(Clone, Debug)]
pub struct Together {
    /// The name of every card's offload; `None` for a card that will be refused.
    pub names: Vec<Option<String>>,
    /// In which order they are read.
    pub order: Order,
    /// For every card, how many are read in its reader at the same time, itself included.
    pub in_reader: Vec<u32>,
    /// For every card, the links that those hang on that are read at the same time.
    pub at_once: Vec<Vec<Vec<Hop>>>,
    /// For every card, what those that are read at the same time have to read.
    pub beside: Vec<Beside>,
    /// Why none of them can be begun.
    pub reasons: Vec<Problem>,
    /// What should be told of all of them together, in whole sentences.
    pub notes: Vec<String>,
}

/// Looks at several cards before the first is begun. Writes nothing; what stands in the way of one
/// card alone is told when its turn comes.
pub fn look_together(jobs: &[Job], tools: &Tools) -> Together {
    let disk = tools.disk.as_ref();
    let mut reasons = Vec::new();
    let mut names: Vec<Option<String>> = Vec::new();
    let mut plans: Vec<(usize, Plan)> = Vec::new();
    for (index, job) in jobs.iter().enumerate() {
        let mut job = job.clone();
        job.taken.extend(names.iter().flatten().cloned());
        let planned = look_ahead(&job, tools).ok();
        names.push(planned.as_ref().map(|p| p.name.clone()));
        plans.extend(planned.map(|p| (index, p)));
    }
    let place = |path: &Utf8Path| disk.facts(path).ok();
    let cards: Vec<_> = jobs.iter().map(|j| (&j.card, place(&j.card))).collect();
    let to: Vec<_> = jobs.first().map_or(&[][..], |j| &j.to).to_vec();
    for (index, given) in to.iter().enumerate() {
        let above = place(given).map_or_else(Vec::new, |f| f.ancestors);
        for (card, facts) in &cards {
            if facts
                .as_ref()
                .is_some_and(|f| above.contains(&(f.device, f.inode)))
            {
                let why = format!("it lies on the card `{}`", shown(card.as_str()));
                reasons.push(Problem::new(ProblemKind::NameClash, why).on(index));
            }
        }
    }
    let on_cards: Vec<_> = plans.iter().map(|(i, p)| (*i, &p.card.facts)).collect();
    let drives = plans.first().map_or_else(Vec::new, |(_, p)| p.spins());
    let mut order = order(&on_cards, &drives);
    // Those that will be refused are told at the end of the first chain.
    let refused = (0..jobs.len()).filter(|i| names.get(*i).is_some_and(Option::is_none));
    match order.chains.first_mut() {
        Some(chain) => chain.extend(refused),
        None => order.chains.push(refused.collect()),
    }
    let mut bytes = vec![0; jobs.len()];
    for (index, plan) in &plans {
        if let Some(bytes) = bytes.get_mut(*index) {
            *bytes = plan.to_read().1;
        }
    }
    let plans: Vec<Plan> = plans.into_iter().map(|(_, p)| p).collect();
    reasons.extend(joint_room(&plans));
    let paths: Vec<Vec<Hop>> = cards
        .iter()
        .map(|(_, facts)| facts.as_ref().map(|f| detected::path(&disk.gear(f))))
        .map(Option::unwrap_or_default)
        .collect();
    let others: Vec<Vec<usize>> = (0..jobs.len()).map(|i| at_once(&order, i)).collect();
    let path = |card: &usize| paths.get(*card).cloned();
    Together {
        names,
        in_reader: (0..)
            .zip(&others)
            .map(|(i, others)| in_reader(jobs, &paths, i, others))
            .collect(),
        at_once: others
            .iter()
            .map(|others| others.iter().filter_map(path).collect())
            .collect(),
        beside: Beside::of(&order.chains, &bytes),
        order,
        reasons,
        notes: joint_little(&plans),
    }
}

/// The cards that are read while card `index` is: one of each other chain.
fn at_once(order: &Order, index: usize) -> Vec<usize> {
    order
        .chains
        .iter()
        .filter(|chain| !chain.contains(&index))
        .filter_map(|chain| chain.first().copied())
        .take(AT_ONCE_MAX - 1)
        .collect()
}

/// Counts the cards that share a reader's link with card `index`: what the person says of the reader is said
/// of one, unless the system shows that the cards hang on different ones.
fn in_reader(jobs: &[Job], paths: &[Vec<Hop>], index: usize, others: &[usize]) -> u32 {
    let own_key = |i: usize| Some(&paths.get(i)?.first()?.key);
    let shares = |other: usize| {
        let (Some(a), Some(b)) = (jobs.get(index), jobs.get(other)) else {
            return false;
        };
        let is_one = a.known.reader == b.known.reader && a.chain.reader.link.is_some();
        let is_apart = own_key(index)
            .zip(own_key(other))
            .is_some_and(|(a, b)| a != b);
        is_one && a.chain.reader.link == b.chain.reader.link && !is_apart
    };
    let sharing = others.iter().filter(|other| shares(**other)).count();
    1 + u32::try_from(sharing).unwrap_or(0)
}

/// Does what the plan says and proves it.
///
/// # Errors
/// When a destination cannot be begun on: then nothing is left behind on any of them.
pub fn offload(
    plan: Plan,
    terms: Terms,
    tools: &Tools,
    observer: &mut dyn Observer,
) -> Result<Proof, Refusal> {
    let started = tools.clock.now();
    let held = hold_all(&plan, tools);
    let _held = held.inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    try_sizes(&plan, tools)
        .and_then(|()| seen_once(&plan, tools))
        .inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    let recorded = plan.recorded().cloned();
    let nothing_new = plan.has_nothing_new();
    let is_begun = recorded.is_none() && !nothing_new;
    let context = Arc::new(Context {
        disk: Arc::clone(&tools.disk),
        clock: Arc::clone(&tools.clock),
        meter: Meter::new(plan.destinations.len(), plan.also),
        closing: Mutex::default(),
        plan: Arc::new(plan),
        level: terms.level,
        limits: tools.limits,
        cancel: Arc::clone(&tools.cancel),
    });
    let begun = start(&context, tools, &rfc3339(started), is_begun);
    let (threads, _claims) = begun.inspect_err(|r| observer.event(&Event::Refused(&r.reasons)))?;
    let mut offloaded = threads.run(observer);
    let reread_equal = terms.level == Level::Reread
        && !offloaded.interrupted
        && reread::reread(&context, &mut offloaded, observer);
    if reread_equal && context.close_card() {
        observer.event(&Event::CardRead);
    }
    let mut looks = Looks::new(&context, started, reread_equal);
    let closing = looks.first(&mut offloaded);
    let interrupted = offloaded.interrupted;
    let plan = Arc::clone(&context.plan);
    let mut proof = Proof::judge(plan, offloaded, terms, closing);
    // The same verdict on the same files is not written down a second time, unless the card was read
    // again since for the first time.
    let stands_already = recorded.is_some_and(|r| {
        let now = proof.verdict();
        (r.proven, r.copies, r.reasons.as_slice())
            == (now.is_proven(), len64(now.copies()), now.reasons())
            && (r.reread || !proof.reread_equal())
            && proof.spared().next().is_none()
            && still_recorded(&proof, tools)
    });
    // Where all lies in earlier offloads there is no new one to put a record into.
    let mut kept = Kept::Nothing;
    if !interrupted && stands_already && proof.plan().is_signed() {
        kept = Kept::AsItStood;
    } else if !interrupted && !nothing_new {
        (proof, kept) = records::record(proof, &mut looks, tools, is_begun);
    }
    let proof = proof.with_signature(kept).with_card_now(looks.card_now());
    observer.event(&Event::Ended);
    Ok(proof)
}

/// Whether the records of an earlier run, which say the same, are still there.
fn still_recorded(proof: &Proof, tools: &Tools) -> bool {
    let now = proof.verdict();
    proof.plan().destinations.iter().all(|d| {
        load(tools.disk.as_ref(), &d.root).is_ok_and(|(manifest, has_hash)| {
            has_hash
                && manifest.verdict.proven == now.is_proven()
                && manifest.verdict.reasons == now.reasons()
        })
    })
}

// ---- before -----------------------------------------------------------------------------------

/// Starts all threads, which wait, and then begins on every destination: a thread that cannot be started must not
/// leave folders behind.
fn start(
    context: &Arc<Context>,
    tools: &Tools,
    started: &str,
    is_begun: bool,
) -> Result<(Started, Vec<Claim>), Refusal> {
    let threads = crate::offload::start(context).map_err(|e| Refusal {
        reasons: vec![Problem::new(
            ProblemKind::WriteFailed,
            format!("{NO_THREADS}: {e}"),
        )],
    })?;
    // Held until all is written down: another run would take this one's parts for left ones.
    let claims = if is_begun {
        begin(&context.plan, tools, started)?
    } else {
        claim_all(&context.plan, tools)?
    };
    Ok((threads, claims))
}

/// Finds out before the first byte whether a drive of an unknown kind can hold the largest file. Another
/// refusal than that of the size is left to the copy itself.
fn try_sizes(plan: &Plan, tools: &Tools) -> Result<(), Refusal> {
    let refused = |(index, d): (usize, &PlannedDestination)| {
        let bytes = d.size_to_try(index, &plan.jobs)?;
        let tried = tools.disk.try_size(&d.given, bytes);
        tried
            .is_err_and(|e| e.kind() == io::ErrorKind::FileTooLarge)
            .then(|| {
                let why = format!(
                    "`{}` cannot hold a file of {}; it took none when that was tried",
                    shown(d.given.as_str()),
                    size(bytes)
                );
                Problem::new(ProblemKind::TooLargeForFilesystem, why).on(index)
            })
    };
    let all = plan.destinations.iter().enumerate();
    let reasons: Vec<_> = all.filter_map(refused).collect();
    if reasons.is_empty() {
        return Ok(());
    }
    Err(Refusal { reasons })
}

/// Finds out whether two destinations that the system cannot tell apart are one folder: what is made in one is then in the
/// other. Nobody's word that they are separate makes two of it. What cannot be tried fails in the copy itself.
fn seen_once(plan: &Plan, tools: &Tools) -> Result<(), Refusal> {
    let disk = tools.disk.as_ref();
    let is_unknown = |d: &&PlannedDestination| matches!(d.facts.backing, Backing::Unknown { .. });
    let mark = part_name(&format!("seen-{}", tools.clock.now().as_nanosecond()));
    let all: Vec<_> = plan.destinations.iter().filter(is_unknown).collect();
    for (index, first) in all.iter().enumerate() {
        let here = first.given.join(&mark);
        let others = all.get(index + 1..).unwrap_or_default();
        if others.is_empty() || disk.create_part(&here, false).is_err() {
            continue;
        }
        let twice = others
            .iter()
            .find(|other| matches!(disk.look(&other.given.join(&mark)), Ok(Some(_))));
        let removed = disk.remove_own(&here);
        let mut reasons = Vec::new();
        if let Some(other) = twice {
            let why = format!(
                "`{}` and `{}` are one drive, seen in two places",
                shown(first.given.as_str()),
                shown(other.given.as_str())
            );
            reasons.push(Problem::new(ProblemKind::SameDevice, why));
        }
        if let Err(e) = removed {
            let here = shown(here.as_str());
            let why = format!("`{here}` was made and could not be removed again: {e}");
            reasons.push(Problem::new(ProblemKind::WriteFailed, why));
        }
        if !reasons.is_empty() {
            return Err(Refusal { reasons });
        }
    }
    Ok(())
}

/// Makes the offload's folder, the records folder and the journal on every destination; undoes all
/// of it when one refuses.
fn begin(plan: &Plan, tools: &Tools, started: &str) -> Result<Vec<Claim>, Refusal> {
    let mut made = Vec::new();
    let mut claims = Vec::new();
    let mut reasons = Vec::new();
    for (index, destination) in plan.destinations.iter().enumerate() {
        match begin_claimed(plan, destination, tools, started, index, &mut made) {
            Ok(claim) => claims.push(claim),
            Err(failed) => {
                let problem = explained(tools.disk.as_ref(), &destination.given, not_begun(failed));
                reasons.push(problem.at(plan.name.clone()).on(index));
            }
        }
    }
    if reasons.is_empty() {
        room_again(plan, tools, &mut reasons);
    }
    if reasons.is_empty() {
        return Ok(claims);
    }
    // On Windows a claim is a file in the folder.
    drop(claims);
    for made in made.into_iter().rev() {
        let (path, undone) = match made {
            Made::Folder(path) => {
                let undone = tools.disk.remove_empty_folder(&path);
                (path, undone)
            }
            Made::Journal(path) => {
                let undone = tools.disk.remove_own(&path);
                (path, undone)
            }
        };
        // What another run has put there since stays.
        if let Err(e) = undone
            && e.kind() != io::ErrorKind::DirectoryNotEmpty
        {
            let why = format!("`{path}` was made and could not be removed again: {e}");
            reasons.push(Problem::new(ProblemKind::WriteFailed, why));
        }
    }
    Err(Refusal { reasons })
}

/// Looks once more what other runs have yet to write: one that was planned at the same time could not be seen then. By now
/// both have a journal, so that at least the later one sees the other.
fn room_again(plan: &Plan, tools: &Tools, reasons: &mut Vec<Problem>) {
    let disk = tools.disk.as_ref();
    let mut rooms = plan.rooms();
    let mut is_more = false;
    for (room, d) in rooms.iter_mut().zip(&plan.destinations) {
        let now = match disk.facts(&d.given) {
            Ok(now) => now,
            Err(e) => {
                let why = format!("the drive is gone: {e}");
                reasons.push(Problem::new(ProblemKind::Vanished, why).on(room.index));
                continue;
            }
        };
        let others = bytes_to_come(disk, &now, &plan.name);
        is_more |= others > room.others;
        (room.free, room.others) = (now.free_bytes, others);
    }
    if is_more {
        check_room(&rooms, reasons);
    }
}

/// Holds the card and every destination until the job ends.
fn hold_all(plan: &Plan, tools: &Tools) -> Result<Vec<Anchor>, Refusal> {
    let gone = |what: &str, e: io::Error| {
        let is_gone = matches!(
            e.kind(),
            io::ErrorKind::NotFound | io::ErrorKind::NotADirectory
        );
        if is_gone {
            return Problem::new(ProblemKind::Vanished, format!("the {what} is gone: {e}"));
        }
        let why = format!("the {what} {}", failed(Step::Look, &e));
        Problem::new(ProblemKind::WriteFailed, why)
    };
    let card = &plan.card;
    let held = tools.disk.anchor(&card.given, &card.facts);
    let mut all = vec![held.map_err(|e| gone(plan.source_word(), e))];
    for (root, facts) in plan.original().iter().flat_map(|o| &o.beside) {
        let held = tools.disk.anchor(root, facts);
        all.push(held.map_err(|e| gone("earlier offload beside it", e)));
    }
    for (index, d) in plan.destinations.iter().enumerate() {
        let held = tools.disk.anchor(&d.given, &d.facts);
        all.push(held.map_err(|e| gone("destination", e).on(index)));
    }
    let (held, lost): (Vec<_>, Vec<_>) = all.into_iter().partition(Result::is_ok);
    let reasons: Vec<_> = lost.into_iter().filter_map(Result::err).collect();
    if reasons.is_empty() {
        return Ok(held.into_iter().flatten().collect());
    }
    Err(Refusal { reasons })
}

/// Claims the records of an offload that stands already.
fn claim_all(plan: &Plan, tools: &Tools) -> Result<Vec<Claim>, Refusal> {
    let mut claims = Vec::new();
    for (index, destination) in plan.destinations.iter().enumerate() {
        match tools.disk.claim(&destination.root.join(RECORDS)) {
            Ok(claim) => claims.push(claim),
            Err(e) if e.kind() == io::ErrorKind::WouldBlock => {
                let reason = not_begun((Step::Look, e)).at(plan.name.clone()).on(index);
                return Err(Refusal {
                    reasons: vec![reason],
                });
            }
            // What is wrong with it is told when it is used.
            Err(_) => {}
        }
    }
    Ok(claims)
}

/// Why a second run on an offload is refused.
pub const AT_WORK: &str = "another run of unlade is at work on this offload";

/// Why a run is refused on a computer that has no thread left for it.
pub const NO_THREADS: &str = "this computer lets no further thread be started";

/// Why an offload could not be begun on a destination.
fn not_begun((step, cause): (Step, io::Error)) -> Problem {
    if cause.kind() == io::ErrorKind::WouldBlock {
        return Problem::new(ProblemKind::NameClash, AT_WORK);
    }
    write_problem(step, &cause)
}

enum Made {
    Folder(Utf8PathBuf),
    Journal(Utf8PathBuf),
}

/// Makes the folders, claims the records and begins the journal in them.
fn begin_claimed(
    plan: &Plan,
    destination: &PlannedDestination,
    tools: &Tools,
    started: &str,
    index: usize,
    made: &mut Vec<Made>,
) -> Result<Claim, (Step, io::Error)> {
    let disk = tools.disk.as_ref();
    make_folders(disk, destination, made)?;
    let claim = disk
        .claim(&destination.root.join(RECORDS))
        .map_err(|e| (Step::Look, e))?;
    begin_one(plan, destination, tools, started, index, made)?;
    Ok(claim)
}

fn begin_one(
    plan: &Plan,
    destination: &PlannedDestination,
    tools: &Tools,
    started: &str,
    index: usize,
    made: &mut Vec<Made>,
) -> Result<(), (Step, io::Error)> {
    let (disk, root) = (tools.disk.as_ref(), &destination.root);
    let records = root.join(RECORDS);
    let path = records.join(JOURNAL);
    let is_new = disk.look(&path).map_err(|e| (Step::Look, e))?.is_none();
    // Before anything new takes room. A FAT drive that was pulled may show as free what a part lies in: its removal later
    // would give away what the journal has got by then. One that stays is removed, or told, by its drive.
    let has_habits = Settling::of(&destination.facts.filesystem) == Settling::Whole;
    for stale in destination.stale_parts.iter().filter(|_| has_habits) {
        drop(disk.remove_own(&stale.under(&destination.payload)));
    }
    let mut lines = Vec::new();
    let identity = plan.recorded_card();
    let head = JournalHead {
        layout: plan.layout,
        fills_to: Some(
            destination
                .stands_bytes
                .saturating_add(destination.needs_bytes),
        ),
        journal: JOURNAL_FORMAT.to_owned(),
        version: JOURNAL_VERSION,
        offload: plan.name.clone(),
        started: started.to_owned(),
        card_path: identity.path,
        card_volume_id: identity.volume_id,
        listing_b3: identity.listing_b3,
        destinations: plan
            .destinations
            .iter()
            .map(PlannedDestination::identity)
            .collect(),
    };
    head.write_to(&mut lines).map_err(|e| (Step::Journal, e))?;
    if is_new {
        carry_over(plan, index, &mut lines).map_err(|e| (Step::Journal, e))?;
    }
    let mut journal = disk.open_journal(&path).map_err(|e| (Step::Journal, e))?;
    if is_new {
        made.push(Made::Journal(path));
    } else {
        // A torn last line of an earlier run must not run into this head.
        lines.insert(0, b'\n');
    }
    journal.append(&lines).map_err(|e| (Step::Journal, e))?;
    disk.settle_in(&records, &[records.join(JOURNAL)])
        .map_err(|e| (Step::FlushFolder, e))?;
    // Last: by then the journal tells what this folder is.
    if plan.layout == Layout::Bag {
        make_folder(disk, &destination.payload, root, made)?;
    }
    Ok(())
}

/// Beside a manifest there is no journal: what it vouches for is carried over, so that the journal alone is enough if this
/// run is cut short.
fn carry_over(plan: &Plan, index: usize, lines: &mut Vec<u8>) -> io::Result<()> {
    for job in &plan.jobs {
        if let Some(Work::Keep(entry)) = job.work.get(index) {
            let line = JournalLine {
                path: job.name.as_str().to_owned(),
                bytes: entry.bytes,
                modified: entry.modified.to_string(),
                blake3: entry.blake3,
                also: entry.also.clone(),
                way: entry.way,
                read_s: entry.read_s,
                readback_s: entry.readback_s,
                only_zeros: entry.only_zeros,
            };
            line.write_to(lines)?;
        }
    }
    Ok(())
}

/// Makes the folders of the offload and of its records.
fn make_folders(
    disk: &dyn Disk,
    destination: &PlannedDestination,
    made: &mut Vec<Made>,
) -> Result<(), (Step, io::Error)> {
    let root = &destination.root;
    let records = root.join(RECORDS);
    for (folder, parent) in [(root, &destination.given), (&records, root)] {
        make_folder(disk, folder, parent, made)?;
    }
    Ok(())
}

fn make_folder(
    disk: &dyn Disk,
    folder: &Utf8Path,
    parent: &Utf8Path,
    made: &mut Vec<Made>,
) -> Result<(), (Step, io::Error)> {
    if disk.look(folder).map_err(|e| (Step::Look, e))?.is_none() {
        disk.create_folder(folder)
            .map_err(|e| (Step::CreateFolder, e))?;
        made.push(Made::Folder(folder.to_path_buf()));
    }
    // Also where it stands: an earlier run may have ended before it flushed.
    disk.settle_in(parent, &[])
        .map_err(|e| (Step::FlushFolder, e))
}
