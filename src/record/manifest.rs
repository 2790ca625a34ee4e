//! Owns the manifest: the JSON form of a proof, versions 1 and 2, written once and read strictly. A reader
//! refuses what it does not fully understand, paths that lead out of the offload, and anything
//! larger than its bounds.

use crate::digest::Digest;
use crate::disk::backing::Backing;
use crate::disk::{FolderFacts, ReadBackWay};
use crate::error::{Error, Problem, ProblemKind, Step, failed};
use crate::hash_algorithm::AlsoHashes;
use crate::name::{CardName, excerpt};
use crate::record::checksums::List;
use crate::record::layout::{
    DESTINATIONS_MAX, DestinationIdentity, ENTRIES_MAX, Layout, Level, PerDestination, RECORDS,
};
use crate::units::{len_usize, len64};
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

impl Manifest {
    /// The lowest version that has all keys of this manifest: version 1 stays what it was, since those
    /// who know only that refuse all other keys.
    pub(crate) fn version_needed(&self) -> u64 {
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
    pub(crate) fn written(
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
        let head: Head = serde_json::from_slice(bytes).map_err(ManifestError::Json)?;
        if head.format.as_deref() != Some("unlade-manifest") {
            return Err(ManifestError::Format);
        }
        if !head.version.is_some_and(|v| (1..=VERSION_MAX).contains(&v)) {
            return Err(ManifestError::Version(head.version));
        }
        let manifest: Self = serde_json::from_slice(bytes).map_err(ManifestError::Json)?;
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
            .map_err(|why| ManifestError::Content(why.to_owned()))?;
        if self.version < self.version_needed() {
            let why = format!("a key that version {} does not have", self.version);
            return Err(ManifestError::Content(why));
        }
        if self.proof.hash != "blake3" {
            return Err(ManifestError::Content("the hash is not blake3".to_owned()));
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

fn is_absent(e: &Error) -> bool {
    e.cause.kind() == std::io::ErrorKind::NotFound
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
    /// It is no JSON, or not of the form that the format has.
    Json(serde_json::Error),
    /// It says what the format does not allow.
    Content(String),
    /// One of its paths is not allowed.
    Path(String, String),
    /// Its own hash does not fit.
    Hash,
    /// The file with its own hash is damaged.
    HashFile,
    /// The file with its own hash could not be read.
    HashUnread(std::io::Error),
    /// It was signed, and its signature does not fit.
    Signature(String),
    /// It was signed, and its signature could not be read.
    SignatureUnread(std::io::Error),
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
            Self::Json(e) => damaged(f, &e.to_string()),
            Self::Content(why) => damaged(f, why),
            Self::Path(path, why) => {
                write!(f, "the manifest is damaged: {why} (`{}`)", excerpt(path))
            }
            Self::Hash => {
                write!(
                    f,
                    "the manifest is damaged: its hash is not the one in {MANIFEST_HASH}"
                )
            }
            Self::HashFile => write!(
                f,
                "the manifest's own hash cannot be checked: {MANIFEST_HASH} is damaged"
            ),
            Self::HashUnread(e) => write!(
                f,
                "the manifest's own hash cannot be checked: {MANIFEST_HASH} {}",
                failed(Step::Read, e)
            ),
            Self::SignatureUnread(e) => write!(
                f,
                "the manifest's signature cannot be checked: {MANIFEST_SIGNATURE} {}",
                failed(Step::Read, e)
            ),
            Self::Signature(why) => write!(
                f,
                "the manifest's signature, {MANIFEST_SIGNATURE}, is not good: {why}"
            ),
        }
    }
}

fn damaged(f: &mut fmt::Formatter<'_>, why: &str) -> fmt::Result {
    write!(f, "the manifest is damaged or cut short: {}", excerpt(why))
}

impl std::error::Error for ManifestError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Io(e) => Some(&e.cause),
            Self::Json(e) => Some(e),
            Self::HashUnread(e) | Self::SignatureUnread(e) => Some(e),
            _ => None,
        }
    }
}

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
