//! Owns the manifest: the JSON form of a proof, versions 1 and 2, written once and read strictly. A reader
//! refuses what it does not fully understand, paths that lead out of the offload, and anything
//! larger than its bounds.

use super::Proof;
use super::checksums::{self, List};
use crate::also::AlsoHashes;
use crate::clock::rfc3339;
use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::{Disk, EntryKind, FolderFacts, ReadBackWay};
use crate::error::{Error, Problem, ProblemKind, Step, failed};
use crate::name::{CardName, excerpt};
use crate::offload::CopyState;
use crate::plan::{
    DESTINATIONS_MAX, DestinationIdentity, ENTRIES_MAX, Layout, Level, PerDestination, RECORDS,
    Work,
};
use crate::signature::{self, NoSignature, SIGNATURE_BYTES_MAX, SignedBy};
use crate::speed::ceiling::Link;
use crate::units::{float, len_usize, len64};
use camino::Utf8Path;
use serde::de::{Deserializer, Error as _, SeqAccess, Visitor};
use serde::{Deserialize, Serialize};
use std::collections::HashSet;
use std::fmt;
use std::marker::PhantomData;
use std::sync::Arc;

/// The manifest's file name inside the records folder.
pub const MANIFEST: &str = "manifest.json";
/// The file that holds the manifest's own hash.
pub const MANIFEST_HASH: &str = "manifest.json.b3";
/// The file that holds a signature of the manifest, where somebody signed it: the name that `ssh-keygen -Y
/// sign` gives it.
pub const MANIFEST_SIGNATURE: &str = "manifest.json.sig";
/// What a proof shows and what not.
pub const SHOWS: &str = "Equal hashes show that each copy equals what the card reader delivered. They do not show that the camera recorded it well, that the reader delivered what is on the card, or that a drive will still work tomorrow.";
/// The newest version of the format that is read.
const VERSION_MAX: u64 = 2;
/// The largest manifest that is read, in bytes: room for about a million files.
pub const MANIFEST_BYTES_MAX: u64 = 512 * 1_024 * 1_024;
/// The largest file with a manifest's hash that is read, in bytes.
pub const HASH_FILE_BYTES_MAX: u64 = 4_096;
/// Points of one rate series; the engine keeps far fewer, by doubling the interval.
const SAMPLES_MAX: usize = 100_000;
/// The longest time that a manifest may tell, in seconds: some 30 years.
const SECONDS_MAX: f64 = 1e9;
/// The largest integer that every JSON reader keeps exactly (RFC 8259, section 6): 2^53 - 1.
pub const INTEGER_MAX: u64 = (1 << 53) - 1;

/// The whole manifest. Field order is the order in the file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct Manifest {
    pub format: String,
    pub version: u64,
    pub tool: Tool,
    pub offload: OffloadPart,
    pub card: CardPart,
    /// Version 2: of a further copy, the offload that it was made from.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub source: Option<SourcePart>,
    pub proof: ProofPart,
    #[serde(deserialize_with = "at_most::<_, _, DESTINATIONS_MAX>")]
    pub destinations: Vec<DestinationPart>,
    pub totals: Totals,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub files: Vec<FilePart>,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub folders: Vec<String>,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub left_out: Vec<LeftOutPart>,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub problems: Vec<Problem>,
    /// Version 2: what somebody should look at, where it was looked for.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "hints"
    )]
    pub hints: Option<Vec<HintPart>>,
    pub rates: RatesPart,
    #[serde(deserialize_with = "at_most::<_, _, DESTINATIONS_MAX>")]
    pub links: Vec<LinkPart>,
    pub limiting_link: String,
    pub forecast: ForecastPart,
    pub verdict: VerdictPart,
}

/// Name and version of the program that wrote it.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct Tool {
    pub name: String,
    pub version: String,
}

/// The job.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct OffloadPart {
    pub name: String,
    pub started: String,
    pub finished: String,
    pub host: String,
    /// Where the card's tree lies inside the offload; unsaid when plain.
    #[serde(skip_serializing_if = "Layout::is_plain", default)]
    pub layout: Layout,
}

/// The card.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct CardPart {
    pub path: String,
    pub label: Option<String>,
    pub filesystem: String,
    pub volume_id: Option<String>,
    pub bytes_total: u64,
    pub listing_b3: Digest,
    /// `unknown` where the file system keeps local times without a zone.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub zone: Option<String>,
    /// Version 2: false where a folder of a card was copied and not the card.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub read_whole: Option<bool>,
}

/// Something on the card that somebody should look at.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct HintPart {
    pub kind: String,
    pub path: Option<String>,
    pub detail: String,
}

/// An offload that a further copy was made of.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct SourcePart {
    pub offload: String,
    pub path: String,
    pub device: String,
    /// The BLAKE3 of its manifest.
    pub manifest_b3: Digest,
    pub readback: ReadBackWay,
    /// It was read whole from its device and is equal, so that it is one of the copies of the verdict.
    pub counted: bool,
}

/// What was asked to be proven.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct ProofPart {
    pub asked: Level,
    pub copies_needed: u64,
    pub hash: String,
    /// The person stated that devices which the system could not tell apart are separate.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub separate: bool,
    /// What equal hashes show and what not, in words.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub shows: Option<String>,
    /// Only what was new was copied.
    #[serde(skip_serializing_if = "Option::is_none", default)]
    pub only_new: Option<OnlyNewPart>,
}

/// Files that were not copied again because earlier offloads hold them.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct OnlyNewPart {
    pub left_files: u64,
    pub left_bytes: u64,
    pub matched_by: MatchedBy,
    pub sampled_files: u64,
}

/// How files of the card were found to be those of an earlier offload.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MatchedBy {
    /// By path, size and date only.
    PathSizeDate,
    /// The card was read again as well, and is equal.
    Content,
}

/// A destination.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct DestinationPart {
    pub path: String,
    pub device: String,
    pub filesystem: String,
    pub readback: ReadBackWay,
}

/// Counts.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct Totals {
    pub files: u64,
    pub bytes: u64,
    pub folders: u64,
    pub left_out: u64,
}

/// How far one copy was proven.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CopyLevel {
    /// Flushed only.
    Written,
    /// Read back equal.
    Readback,
    /// Read back equal, and the card read a second time.
    Reread,
    /// Read back equal by an earlier run.
    Earlier,
}

impl CopyLevel {
    /// Returns whether it says that the copy was read back from its device.
    pub fn is_read_back(self) -> bool {
        self != Self::Written
    }
}

/// One copy of a file.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct CopyPart {
    pub destination: usize,
    pub proof: CopyLevel,
    pub readback_s: Option<f64>,
    /// Proven by an earlier run, and read back again in this one.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub again: bool,
    /// The earlier offload that holds it, relative to the destination; none: this one.
    #[serde(rename = "in", skip_serializing_if = "Option::is_none", default)]
    pub within: Option<Box<str>>,
}

/// A file that was read whole.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct FilePart {
    pub path: Arc<str>,
    pub bytes: u64,
    pub modified: Arc<str>,
    pub blake3: Digest,
    #[serde(default)]
    pub also: AlsoHashes,
    /// It holds nothing but zeros.
    #[serde(skip_serializing_if = "std::ops::Not::not", default)]
    pub only_zeros: bool,
    pub read_s: f64,
    #[serde(deserialize_with = "copies")]
    pub copies: PerDestination<CopyPart>,
}

impl FilePart {
    /// Returns whether the file lies in earlier offloads and not in this one.
    pub fn is_elsewhere(&self) -> bool {
        self.copies.iter().any(|c| c.within.is_some())
    }

    /// Returns the hash that a list holds of it.
    pub fn hex(&self, list: List) -> Option<String> {
        match list {
            List::Blake3 => Some(self.blake3.to_string()),
            List::Also(also) => self.also.get(also).map(str::to_owned),
        }
    }
}

/// Something a computer left behind.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct LeftOutPart {
    pub path: String,
    pub why: String,
}

/// Bytes per interval.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct RatesPart {
    pub every_s: u64,
    #[serde(deserialize_with = "at_most::<_, _, SAMPLES_MAX>")]
    pub read: Vec<u64>,
    #[serde(deserialize_with = "series")]
    pub write: Vec<Vec<u64>>,
    #[serde(deserialize_with = "series")]
    pub readback: Vec<Vec<u64>>,
}

/// A link of the chain from card to drive.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct LinkPart {
    pub part: String,
    pub id: String,
    pub mbps: f64,
    pub from: String,
}

/// Forecast beside what it took.
#[derive(Clone, Copy, PartialEq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct ForecastPart {
    pub at_start_s: Option<f64>,
    pub actual_s: f64,
}

/// The verdict as it stood when the manifest was written.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[expect(
    missing_docs,
    reason = "the fields are described in the man page of the format"
)]
pub struct VerdictPart {
    pub proven: bool,
    pub copies: u64,
    #[serde(deserialize_with = "at_most::<_, _, ENTRIES_MAX>")]
    pub reasons: Vec<String>,
    /// What should be looked at and does not stand in the way.
    #[serde(
        skip_serializing_if = "Vec::is_empty",
        default,
        deserialize_with = "at_most::<_, _, ENTRIES_MAX>"
    )]
    pub notes: Vec<String>,
}

fn link_parts(links: &[Link]) -> Vec<LinkPart> {
    links
        .iter()
        .map(|link| LinkPart {
            part: link.part.clone(),
            id: link.id.clone(),
            mbps: link.mbps.0,
            from: link.from.id().to_owned(),
        })
        .collect()
}

/// Reads a key that may be absent but not null: whether it is there decides the version.
fn present<'de, D: Deserializer<'de>, T: Deserialize<'de>>(d: D) -> Result<Option<T>, D::Error> {
    T::deserialize(d).map(Some)
}

fn hints<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Vec<HintPart>>, D::Error> {
    at_most::<_, _, ENTRIES_MAX>(d).map(Some)
}

/// Reads a list of at most `MAX` entries, so that a few bytes each cannot become gigabytes.
fn at_most<'de, D, T, const MAX: usize>(deserializer: D) -> Result<Vec<T>, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    struct List<T, const MAX: usize>(PhantomData<T>);
    impl<'de, T: Deserialize<'de>, const MAX: usize> Visitor<'de> for List<T, MAX> {
        type Value = Vec<T>;

        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            write!(f, "a list of at most {MAX} entries")
        }

        fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<Vec<T>, A::Error> {
            let mut out = Vec::new();
            while let Some(value) = seq.next_element()? {
                if out.len() == MAX {
                    return Err(A::Error::custom(format!(
                        "a list of more than {MAX} entries"
                    )));
                }
                out.push(value);
            }
            Ok(out)
        }
    }
    deserializer.deserialize_seq(List::<T, MAX>(PhantomData))
}

fn copies<'de, D: Deserializer<'de>>(d: D) -> Result<PerDestination<CopyPart>, D::Error> {
    let all = at_most::<_, _, DESTINATIONS_MAX>(d)?;
    Ok(all.into_iter().collect())
}

fn series<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<Vec<u64>>, D::Error> {
    #[derive(Deserialize)]
    struct One(#[serde(deserialize_with = "at_most::<_, _, SAMPLES_MAX>")] Vec<u64>);
    let all = at_most::<_, One, DESTINATIONS_MAX>(deserializer)?;
    Ok(all.into_iter().map(|one| one.0).collect())
}

/// Rounds seconds to microseconds, so that the file stays short.
fn seconds(s: f64) -> f64 {
    float(crate::units::whole(s * 1e6)) / 1e6
}

impl Manifest {
    /// Puts a proof into the manifest's form.
    pub fn of(proof: &Proof, host: &str) -> Self {
        Self {
            files: file_parts(proof).collect(),
            ..Self::without_files(proof, host)
        }
    }

    /// Returns the bytes of a proof's manifest. Of a card of 100,000 files only the bytes stand in memory.
    ///
    /// # Errors
    /// As [`Self::to_bytes`]; what is wrong with the number of a file shows when the bytes are read.
    pub fn bytes_of(proof: &Proof, host: &str) -> std::io::Result<Vec<u8>> {
        Self::without_files(proof, host).written(file_parts(proof), proof.listed().0)
    }

    fn without_files(proof: &Proof, host: &str) -> Self {
        let plan = proof.plan();
        let offloaded = proof.offloaded();
        let (started, finished) = proof.times();
        let (files, bytes) = proof.listed();
        let left_out: Vec<LeftOutPart> = plan
            .listing
            .left_out()
            .map(|(path, why)| LeftOutPart {
                path,
                why: why.to_owned(),
            })
            .collect();
        let mut manifest = Self {
            format: "unlade-manifest".to_owned(),
            version: 1,
            tool: Tool {
                name: "unlade".to_owned(),
                version: env!("CARGO_PKG_VERSION").to_owned(),
            },
            offload: OffloadPart {
                name: plan.name.clone(),
                started: rfc3339(started),
                finished: rfc3339(finished),
                host: host.to_owned(),
                layout: plan.layout,
            },
            card: card_part(proof),
            source: source_part(proof),
            proof: ProofPart {
                asked: proof.terms().level,
                copies_needed: len64(proof.terms().copies_needed),
                hash: "blake3".to_owned(),
                separate: proof.terms().separate,
                shows: Some(SHOWS.to_owned()),
                only_new: only_new_part(proof),
            },
            destinations: destination_parts(proof),
            totals: Totals {
                files,
                bytes,
                folders: len64(plan.listing.folders().count()),
                left_out: len64(left_out.len()),
            },
            files: Vec::new(),
            folders: plan
                .listing
                .folders()
                .map(|f| f.as_str().to_owned())
                .collect(),
            left_out,
            problems: proof.problems().to_vec(),
            hints: None,
            rates: rates_part(proof),
            links: link_parts(&offloaded.links),
            limiting_link: offloaded.limiting.clone(),
            forecast: ForecastPart {
                at_start_s: offloaded.forecast_s.map(seconds),
                actual_s: seconds((offloaded.took + offloaded.read_again).as_secs_f64()),
            },
            verdict: VerdictPart {
                proven: proof.verdict().is_proven(),
                copies: len64(proof.verdict().copies()),
                reasons: proof.verdict().reasons().to_vec(),
                notes: proof.notes().to_vec(),
            },
        };
        manifest.version = manifest.version_needed();
        manifest
    }

    /// The lowest version that has all keys of this manifest: version 1 stays what it was, since those
    /// who know only that refuse all other keys.
    fn version_needed(&self) -> u64 {
        let has_new =
            self.card.read_whole.is_some() || self.source.is_some() || self.hints.is_some();
        if has_new { 2 } else { 1 }
    }

    /// Returns the file's bytes.
    ///
    /// # Errors
    /// When an integer is too large to be kept exactly by every reader.
    pub fn to_bytes(&self) -> std::io::Result<Vec<u8>> {
        self.written(self.files.iter(), len64(self.files.len()))
    }

    /// The bytes with about `count` files in place of its own.
    fn written(
        &self,
        files: impl Iterator<Item = impl Serialize>,
        count: u64,
    ) -> std::io::Result<Vec<u8>> {
        self.check_numbers().map_err(std::io::Error::other)?;
        let each = 256 + 72 * self.destinations.len();
        let mut out = Vec::with_capacity(4_096 + len_usize(count).saturating_mul(each));
        out.extend_from_slice(b"{\n");
        field(&mut out, "format", &self.format)?;
        field(&mut out, "version", &self.version)?;
        field(&mut out, "tool", &self.tool)?;
        field(&mut out, "offload", &self.offload)?;
        field(&mut out, "card", &self.card)?;
        if let Some(source) = &self.source {
            field(&mut out, "source", source)?;
        }
        field(&mut out, "proof", &self.proof)?;
        list(&mut out, "destinations", &self.destinations)?;
        field(&mut out, "totals", &self.totals)?;
        list(&mut out, "files", files)?;
        list(&mut out, "folders", &self.folders)?;
        list(&mut out, "left_out", &self.left_out)?;
        list(&mut out, "problems", &self.problems)?;
        if let Some(hints) = &self.hints {
            list(&mut out, "hints", hints)?;
        }
        field(&mut out, "rates", &self.rates)?;
        list(&mut out, "links", &self.links)?;
        field(&mut out, "limiting_link", &self.limiting_link)?;
        field(&mut out, "forecast", &self.forecast)?;
        key(&mut out, "verdict");
        serde_json::to_writer(&mut out, &self.verdict)?;
        out.extend_from_slice(b"\n}\n");
        if len64(out.len()) > MANIFEST_BYTES_MAX {
            return Err(std::io::Error::other(
                "the manifest would be larger than the 536.9 MB that are read again",
            ));
        }
        Ok(out)
    }

    /// Reads and checks a manifest.
    pub fn from_bytes(bytes: &[u8]) -> Result<Self, ManifestError> {
        // The version comes first, so that a newer manifest is named as such and not as garbage.
        #[derive(Deserialize)]
        struct Head {
            format: Option<String>,
            version: Option<u64>,
        }
        let head: Head =
            serde_json::from_slice(bytes).map_err(|e| ManifestError::Json(e.to_string()))?;
        if head.format.as_deref() != Some("unlade-manifest") {
            return Err(ManifestError::Format);
        }
        if !head.version.is_some_and(|v| (1..=VERSION_MAX).contains(&v)) {
            return Err(ManifestError::Version(head.version));
        }
        let manifest: Self =
            serde_json::from_slice(bytes).map_err(|e| ManifestError::Json(e.to_string()))?;
        manifest.check()?;
        Ok(manifest)
    }

    fn check(&self) -> Result<(), ManifestError> {
        let mut seen: HashSet<&str> = HashSet::new();
        let files = self.files.iter().map(|f| &*f.path);
        for path in files.chain(self.folders.iter().map(String::as_str)) {
            let name = CardName::parse(path)
                .map_err(|e| ManifestError::Path(path.to_owned(), e.to_string()))?;
            if name.parts().next() == Some(RECORDS) {
                return Err(ManifestError::Path(
                    path.to_owned(),
                    "a path inside the records".to_owned(),
                ));
            }
            if !seen.insert(path) {
                return Err(ManifestError::Path(
                    path.to_owned(),
                    "the same path twice".to_owned(),
                ));
            }
        }
        for file in &self.files {
            if file.bytes > INTEGER_MAX {
                return Err(ManifestError::Path(
                    file.path.to_string(),
                    "a size above 2^53 - 1".to_owned(),
                ));
            }
            if file
                .copies
                .iter()
                .any(|c| c.destination >= self.destinations.len())
            {
                return Err(ManifestError::Path(
                    file.path.to_string(),
                    "an unknown destination".to_owned(),
                ));
            }
            check_elsewhere(file).map_err(|why| ManifestError::Path(file.path.to_string(), why))?;
        }
        self.check_numbers()
            .map_err(|why| ManifestError::Json(why.to_owned()))?;
        if self.version < self.version_needed() {
            let why = format!("a key that version {} does not have", self.version);
            return Err(ManifestError::Json(why));
        }
        if self.proof.hash != "blake3" {
            return Err(ManifestError::Json("the hash is not blake3".to_owned()));
        }
        Ok(())
    }

    /// Whoever adds these numbers up or turns them into times must not come to grief.
    fn check_numbers(&self) -> Result<(), &'static str> {
        let total = |mut numbers: Box<dyn Iterator<Item = u64> + '_>| {
            numbers
                .try_fold(0_u64, u64::checked_add)
                .is_some_and(|sum| sum <= INTEGER_MAX)
        };
        let rates = &self.rates;
        let fits = total(Box::new(self.files.iter().map(|f| f.bytes)))
            && [&rates.read]
                .into_iter()
                .chain(&rates.write)
                .chain(&rates.readback)
                .all(|samples| total(Box::new(samples.iter().copied())));
        let t = &self.totals;
        let single = [
            t.files,
            t.bytes,
            t.folders,
            t.left_out,
            self.card.bytes_total,
            rates.every_s,
            self.proof.copies_needed,
            self.verdict.copies,
        ];
        if !fits || single.iter().any(|n| *n > INTEGER_MAX) {
            return Err("a number or a sum is above 2^53 - 1");
        }
        let times = self.files.iter().flat_map(|f| {
            let back = f.copies.iter().filter_map(|c| c.readback_s);
            back.chain([f.read_s])
        });
        let forecast = [
            self.forecast.at_start_s.unwrap_or(0.0),
            self.forecast.actual_s,
        ];
        let speeds = self.links.iter().map(|l| l.mbps);
        let all = times.chain(forecast).chain(speeds);
        if !all.into_iter().all(|n| (0.0..=SECONDS_MAX).contains(&n)) {
            return Err("a time or a speed is below 0 or beyond all measure");
        }
        let known = |p: &Problem| p.destination.is_none_or(|d| d < self.destinations.len());
        if !self.problems.iter().all(known) {
            return Err("a problem is about an unknown destination");
        }
        Ok(())
    }

    /// Returns the files that lie in this offload's own tree on one destination.
    pub fn files_on(&self, destination: usize) -> impl Iterator<Item = &FilePart> {
        let is_on = move |f: &FilePart| f.copies.iter().any(|c| c.destination == destination);
        self.files
            .iter()
            .filter(move |f| !f.is_elsewhere() && is_on(f))
    }

    /// Returns a checksum list of one destination: of the files that lie in this offload's own
    /// tree there and have this hash, with paths relative to the offload's folder. Empty where
    /// there are none.
    pub fn list_of(&self, list: List, destination: usize) -> String {
        let here = self
            .files_on(destination)
            .filter_map(|f| Some((self.offload.layout.outside(&f.path), f.hex(list)?)));
        list.text(here)
    }

    /// Returns whether the card was read a second time for every copy that lies in this offload.
    pub fn is_reread(&self) -> bool {
        let mut own = self.files.iter().flat_map(|f| &f.copies);
        let is_reread = |c: &CopyPart| c.within.is_some() || c.proof == CopyLevel::Reread;
        self.proof.asked == Level::Reread && own.all(is_reread)
    }

    /// Returns files and bytes that the manifest says are read back on a destination.
    pub fn count_on(&self, destination: usize) -> (u64, u64) {
        self.files
            .iter()
            .filter(|f| {
                f.copies
                    .iter()
                    .any(|c| c.destination == destination && c.proof.is_read_back())
            })
            .fold((0, 0), |(n, bytes), f| (n + 1, bytes + f.bytes))
    }
}

/// A file lies here or elsewhere, never both; and elsewhere is a folder of the destination.
fn check_elsewhere(file: &FilePart) -> Result<(), String> {
    let elsewhere = file.copies.iter().filter_map(|c| c.within.as_ref());
    for within in elsewhere.clone() {
        let name = CardName::parse(within).map_err(|e| e.to_string())?;
        if name.parts().any(|part| part == RECORDS) {
            return Err("an earlier offload inside the records".to_owned());
        }
    }
    let count = elsewhere.count();
    let is_odd = |c: &CopyPart| c.within.is_some() && c.proof != CopyLevel::Earlier;
    if (count > 0 && count < file.copies.len()) || file.copies.iter().any(is_odd) {
        return Err("said to lie here and in an earlier offload".to_owned());
    }
    Ok(())
}

/// One key a line, and one file a line: short enough for 500,000 files, and still to be read and
/// compared by people.
fn field(out: &mut Vec<u8>, name: &str, value: &impl Serialize) -> std::io::Result<()> {
    key(out, name);
    serde_json::to_writer(&mut *out, value)?;
    out.extend_from_slice(b",\n");
    Ok(())
}

fn list(
    out: &mut Vec<u8>,
    name: &str,
    values: impl IntoIterator<Item = impl Serialize>,
) -> std::io::Result<()> {
    key(out, name);
    out.push(b'[');
    let mut is_empty = true;
    for value in values {
        out.extend_from_slice(if is_empty { b"\n    " } else { b",\n    " });
        is_empty = false;
        serde_json::to_writer(&mut *out, &value)?;
    }
    out.extend_from_slice(if is_empty { b"],\n" } else { b"\n  ],\n" });
    Ok(())
}

fn key(out: &mut Vec<u8>, name: &str) {
    out.extend_from_slice(b"  \"");
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\": ");
}

fn card_part(proof: &Proof) -> CardPart {
    let card = proof.plan().recorded_card();
    CardPart {
        path: card.path,
        label: card.label,
        filesystem: card.filesystem,
        volume_id: card.volume_id,
        bytes_total: card.bytes_total,
        listing_b3: card.listing_b3,
        zone: card.zone,
        read_whole: card.read_whole.or(proof.part().map(|_| false)),
    }
}

fn source_part(proof: &Proof) -> Option<SourcePart> {
    let original = proof.plan().original()?;
    Some(SourcePart {
        offload: original.name.clone(),
        path: original.root.to_string(),
        device: device_field(&proof.plan().card.facts),
        manifest_b3: original.manifest_b3,
        readback: proof.offloaded().original_way.unwrap_or(ReadBackWay::None),
        counted: proof.original_counts(),
    })
}

fn only_new_part(proof: &Proof) -> Option<OnlyNewPart> {
    let only_new = proof.plan().only_new.as_ref()?;
    Some(OnlyNewPart {
        left_files: only_new.left_files,
        left_bytes: only_new.left_bytes,
        sampled_files: only_new.sampled_files,
        matched_by: if proof.reread_equal() {
            MatchedBy::Content
        } else {
            MatchedBy::PathSizeDate
        },
    })
}

fn rates_part(proof: &Proof) -> RatesPart {
    let rates = &proof.offloaded().rates;
    RatesPart {
        every_s: rates.every_s,
        read: rates.read.clone(),
        write: rates.write.clone(),
        readback: rates.readback.clone(),
    }
}

fn destination_parts(proof: &Proof) -> Vec<DestinationPart> {
    proof
        .plan()
        .destinations
        .iter()
        .zip(&proof.offloaded().destinations)
        .map(|(d, outcome)| DestinationPart {
            path: d.facts.canonical.clone(),
            device: device_field(&d.facts),
            filesystem: d.facts.filesystem.clone(),
            readback: outcome.way.unwrap_or(ReadBackWay::None),
        })
        .collect()
}

/// Between the disks and the volume's identity in the `device` field.
const VOLUME_MARK: &str = " volume ";
/// Before the drive's own mark in it.
const DRIVE_MARK: &str = " drive ";
/// Before the mark of the destination's place in the volume.
const PLACE_MARK: &str = " place ";

/// Returns the disks and, where the system tells them, the drive's mark, the mark of the folder's place in the
/// volume and the volume's identity: `sdb volume 6234-ABCD`, `sdb drive 0123456789abcdef place
/// fedcba9876543210 volume 6234-ABCD`. The kernel names its disks anew at every plug; the volume is
/// what stays, and what a clone of it has as well.
pub(crate) fn device_field(facts: &FolderFacts) -> String {
    let mut disks = device_words(&facts.backing);
    let marks = [
        (DRIVE_MARK, facts.drive_mark()),
        (PLACE_MARK, facts.place_mark()),
    ];
    for (what, mark) in marks {
        disks.extend(mark.map(|mark| format!("{what}{mark}")));
    }
    match &facts.volume_id {
        Some(id) => format!("{disks}{VOLUME_MARK}{id}"),
        None => disks,
    }
}

impl DestinationPart {
    /// Returns it as a journal has it.
    pub fn identity(&self) -> DestinationIdentity {
        DestinationIdentity {
            path: self.path.clone(),
            filesystem: self.filesystem.clone(),
            volume_id: self.volume_id().map(str::to_owned),
            total_bytes: 0,
            place: self.place_mark().map(str::to_owned),
        }
    }

    /// Returns the identity of the volume, where it was known.
    pub fn volume_id(&self) -> Option<&str> {
        self.device.split_once(VOLUME_MARK).map(|(_, id)| id)
    }

    /// Returns whether the volume was certainly on another drive then: this is a clone of it.
    pub fn is_other_drive(&self, facts: &FolderFacts) -> bool {
        self.mark(DRIVE_MARK)
            .is_some_and(|then| facts.drive_mark().is_some_and(|now| now != then))
    }

    /// Returns the mark of the place in the volume, where it was known.
    pub fn place_mark(&self) -> Option<&str> {
        self.mark(PLACE_MARK)
    }

    fn mark(&self, what: &str) -> Option<&str> {
        let before = self.device.split(VOLUME_MARK).next()?;
        before.split_once(what)?.1.split(' ').next()
    }
}

/// Returns the disks behind a destination in words.
pub fn device_words(backing: &Backing) -> String {
    match backing {
        Backing::Disks(disks) => disks.iter().cloned().collect::<Vec<_>>().join("+"),
        Backing::Memory => "memory".to_owned(),
        Backing::Unknown { .. } => "unknown".to_owned(),
    }
}

fn file_parts(proof: &Proof) -> impl Iterator<Item = FilePart> {
    let reread = proof.terms().level == Level::Reread && proof.reread_equal();
    let level = if reread {
        CopyLevel::Reread
    } else {
        CopyLevel::Readback
    };
    proof
        .plan()
        .jobs
        .iter()
        .zip(&proof.offloaded().files)
        .filter_map(move |(job, file)| {
            let copies = file
                .copies
                .iter()
                .enumerate()
                .filter_map(move |(destination, state)| {
                    let again = matches!(state, CopyState::Again(_));
                    let (proof, readback_s) = match state {
                        CopyState::None => return None,
                        CopyState::Written => (CopyLevel::Written, None),
                        CopyState::ReadBack(s) => (level, Some(seconds(*s))),
                        // Read back in this run, and the card as well.
                        CopyState::Again(s) if reread => (level, Some(seconds(*s))),
                        CopyState::Earlier(s) | CopyState::Again(s) => {
                            (CopyLevel::Earlier, Some(seconds(*s)))
                        }
                    };
                    let within = match job.work.get(destination) {
                        Some(Work::Left(left)) => Some(left.within.as_str().into()),
                        _ => None,
                    };
                    Some(CopyPart {
                        destination,
                        proof,
                        readback_s,
                        again,
                        within,
                    })
                });
            Some(FilePart {
                path: job.name.as_str().into(),
                bytes: job.bytes,
                modified: job.modified.rfc3339().into(),
                blake3: file.blake3?,
                also: file.also.clone(),
                only_zeros: file.only_zeros,
                read_s: seconds(file.read_s),
                copies: copies.collect(),
            })
        })
}

/// Why a manifest cannot be trusted.
#[derive(Debug)]
pub enum ManifestError {
    /// It could not be read at all.
    Io(Error),
    /// It is not a manifest of this tool.
    Format,
    /// It is of a version that this program does not know.
    Version(Option<u64>),
    /// It is not what the format allows.
    Json(String),
    /// One of its paths is not allowed.
    Path(String, String),
    /// Its own hash does not fit.
    Hash,
    /// The file with its own hash cannot be read.
    HashFile(String),
    /// The file with its own hash could not be read.
    HashUnread(String),
    /// It was signed, and its signature does not fit.
    Signature(String),
    /// It was signed, and its signature could not be read.
    SignatureUnread(String),
}

impl fmt::Display for ManifestError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(e) if is_absent(e) => {
                write!(
                    f,
                    "it holds no `{RECORDS}/{MANIFEST}`, so it is no finished offload"
                )
            }
            Self::Io(e) => e.fmt(f),
            Self::Format => f.write_str("the manifest is not one of unlade's"),
            Self::Version(Some(v)) => {
                write!(
                    f,
                    "the manifest is of version {v}, which this unlade does not know; use a newer one"
                )
            }
            Self::Version(None) => f.write_str("the manifest tells no version"),
            Self::Json(why) => write!(f, "the manifest is damaged or cut short: {}", excerpt(why)),
            Self::Path(path, why) => {
                write!(f, "the manifest is damaged: {why} (`{}`)", excerpt(path))
            }
            Self::Hash => {
                write!(
                    f,
                    "the manifest is damaged: its hash is not the one in {MANIFEST_HASH}"
                )
            }
            Self::HashFile(why) | Self::HashUnread(why) => write!(
                f,
                "the manifest's own hash cannot be checked: {MANIFEST_HASH} {why}"
            ),
            Self::SignatureUnread(why) => write!(
                f,
                "the manifest's signature cannot be checked: {MANIFEST_SIGNATURE} {why}"
            ),
            Self::Signature(why) => write!(
                f,
                "the manifest's signature, {MANIFEST_SIGNATURE}, is not good: {why}"
            ),
        }
    }
}

impl std::error::Error for ManifestError {}

impl ManifestError {
    /// Returns whether there is no manifest at all.
    pub fn is_absent(&self) -> bool {
        matches!(self, Self::Io(e) if is_absent(e))
    }

    /// Returns what kind of trouble it is: one that could not be read may well be good.
    pub fn kind(&self) -> ProblemKind {
        match self {
            Self::Io(e) if e.cause.raw_os_error().is_some() && !is_absent(e) => {
                ProblemKind::Unreadable
            }
            Self::HashUnread(_) | Self::SignatureUnread(_) => ProblemKind::Unreadable,
            _ => ProblemKind::ManifestDamaged,
        }
    }
}

fn is_absent(e: &Error) -> bool {
    e.cause.kind() == std::io::ErrorKind::NotFound
}

/// What a manifest's signature comes to; `None` where nobody signed it.
pub type Signed = Option<Result<SignedBy, NoSignature>>;

/// Reads the manifest of the offload at `root` and checks it against its own hash and its signature.
/// The second value tells whether there was a hash to check it against.
///
/// # Errors
/// When it cannot be read, does not fit its hash, or was signed and does not fit that.
pub fn load(disk: &dyn Disk, root: &Utf8Path) -> Result<(Manifest, bool), ManifestError> {
    load_from(disk, &root.join(RECORDS))
}

/// Reads the manifest in a folder of records, as [`load`] does.
///
/// # Errors
/// As [`load`].
pub fn load_from(disk: &dyn Disk, folder: &Utf8Path) -> Result<(Manifest, bool), ManifestError> {
    load_trusted(disk, folder).map(|(manifest, has_hash, _)| (manifest, has_hash))
}

/// Reads and checks a manifest like [`load`], and tells who signed it.
///
/// # Errors
/// As [`load`].
pub fn load_signed(
    disk: &dyn Disk,
    root: &Utf8Path,
) -> Result<(Manifest, Option<SignedBy>), ManifestError> {
    load_trusted(disk, &root.join(RECORDS)).map(|(manifest, _, by)| (manifest, by))
}

fn load_trusted(
    disk: &dyn Disk,
    folder: &Utf8Path,
) -> Result<(Manifest, bool, Option<SignedBy>), ManifestError> {
    let (manifest, has_hash, signed) = load_any(disk, folder)?;
    match signed {
        Some(Err(NoSignature::Broken(why))) => Err(ManifestError::Signature(why)),
        Some(Err(NoSignature::Unread(why))) => Err(ManifestError::SignatureUnread(why)),
        // Nobody is asked to believe a signature that cannot be checked here.
        Some(Err(NoSignature::Unchecked(_))) | None => Ok((manifest, has_hash, None)),
        Some(Ok(by)) => Ok((manifest, has_hash, Some(by))),
    }
}

/// Reads the manifest in a folder of records and checks it against its own hash; what its signature comes
/// to is the third value.
///
/// # Errors
/// When it cannot be read or does not fit its hash.
pub(super) fn load_any(
    disk: &dyn Disk,
    folder: &Utf8Path,
) -> Result<(Manifest, bool, Signed), ManifestError> {
    let path = folder.join(MANIFEST);
    let io = |e| ManifestError::Io(Error::new(Step::Read, &path, e));
    // A link in the records' place would lead out of the offload.
    match disk.look(folder).map_err(io)? {
        Some(stat) if stat.kind == EntryKind::Folder => {}
        Some(_) => {
            let why = format!(
                "`{}` is not a folder",
                folder.file_name().unwrap_or(RECORDS)
            );
            return Err(io(std::io::Error::other(why)));
        }
        None => return Err(io(std::io::ErrorKind::NotFound.into())),
    }
    let bytes = disk.read_record(&path, MANIFEST_BYTES_MAX).map_err(io)?;
    let hash_path = folder.join(MANIFEST_HASH);
    let has_hash = match disk.read_record(&hash_path, HASH_FILE_BYTES_MAX) {
        Ok(text) => {
            check_hash(&text, &bytes)?;
            true
        }
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => false,
        Err(e) => return Err(ManifestError::HashUnread(failed(Step::Read, &e))),
    };
    let signed = signed(
        disk.read_record(&folder.join(MANIFEST_SIGNATURE), SIGNATURE_BYTES_MAX),
        &bytes,
    );
    Ok((Manifest::from_bytes(&bytes)?, has_hash, signed))
}

/// Checks a manifest's bytes against what was read as its signature.
pub(super) fn signed(signature: std::io::Result<Vec<u8>>, manifest: &[u8]) -> Signed {
    match signature {
        Ok(signature) => Some(signature::check(&signature, manifest)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
        // What the system could not read may be good.
        Err(e) if e.raw_os_error().is_some() => {
            Some(Err(NoSignature::Unread(failed(Step::Read, &e))))
        }
        Err(e) => Some(Err(NoSignature::Broken(failed(Step::Read, &e)))),
    }
}

/// Checks a manifest's bytes against the line that was stored beside it. The line must be exactly
/// the one that is written; its line feed may be missing, as after an editor.
///
/// # Errors
/// When the line is another one, or its hash is not that of these bytes.
pub fn check_hash(text: &[u8], manifest: &[u8]) -> Result<(), ManifestError> {
    let text = text.strip_suffix(b"\n").unwrap_or(text);
    let listed = std::str::from_utf8(text)
        .ok()
        .and_then(checksums::parse_line)
        .filter(|(_, name)| name == MANIFEST);
    match listed {
        Some((digest, _)) if digest == Digest::of(manifest) => Ok(()),
        Some(_) => Err(ManifestError::Hash),
        None => Err(ManifestError::HashFile("is damaged".to_owned())),
    }
}
