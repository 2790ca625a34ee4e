//! Owns what a job is: one card and where it is to go, what is known from before, and what it is
//! done with. Data only.

use crate::card::identity::CardIdentity;
use crate::clock::Clock;
use crate::disk::Disk;
use crate::disk::guarded::Guarded;
use crate::kit::pattern::NamePattern;
use crate::ledger::Ledger;
use crate::offload::limits::Limits;
use crate::plan::Form;
use crate::plan::beside::Beside;
use crate::plan::terms::Terms;
use crate::record::damage::KnownDamage;
use crate::record::signature::Signer;
use crate::speed::chain::Chain;
use camino::Utf8PathBuf;

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

/// One card and where it is to go.
#[derive(Clone, Debug)]
pub struct Job {
    /// The mounted card.
    pub card: Utf8PathBuf,
    /// The destinations, in order.
    pub to: Vec<Utf8PathBuf>,
    /// The offload's name; `None` for what [`KnownBefore::naming`] comes to.
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
    /// What is known of card, reader and drives before anything was looked at: from the command
    /// line or the kit.
    pub chain: Chain,
    /// What is known from before.
    pub known: KnownBefore,
    /// What the card that is read at the same time still has to read.
    pub beside: Beside,
}

/// What is known of a job's gear from before: names of the kit and earlier jobs. No verdict rests
/// on it, but what was found damaged is read again.
#[derive(Clone, Debug, Default)]
pub struct KnownBefore {
    /// The card's name in the kit.
    pub card: Option<String>,
    /// The reader's name in the kit.
    pub reader: Option<String>,
    /// The drives' names in the kit, in the order of the destinations.
    pub drives: Vec<Option<String>>,
    /// For each destination the volumes of the drive that is meant, where one is: another one
    /// there, or the bare folder that a pulled drive leaves, is none. Missing or empty: no drive is
    /// meant.
    pub volumes: Vec<Vec<String>>,
    /// Earlier jobs.
    pub ledger: Arc<Ledger>,
    /// What checks found damaged on copies: it is not taken for proven.
    pub damage: Arc<KnownDamage>,
    /// How the offload is called where nobody gave it a name.
    pub naming: Naming,
}

/// How the offload of a card is called.
#[derive(Clone, Debug, Default)]
pub struct Naming {
    /// What its name is made of.
    pub pattern: NamePattern,
    /// The shoot that the card belongs to.
    pub shoot: Option<String>,
    /// The cards of the same command that come before it.
    pub before: Vec<CardIdentity>,
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

impl Tools {
    /// The same with a disk on which nothing more is looked at once the person wants to stop.
    pub(super) fn to_look(&self) -> Self {
        let disk = Guarded::until(Arc::clone(&self.disk), &self.cancel);
        Self {
            disk: Arc::new(disk),
            ..self.clone()
        }
    }
}
