//! Owns the manifest: the JSON form of a proof, versions 1 and 2, written once and read strictly. A
//! reader refuses what it does not fully understand, paths that lead out of the offload, and
//! anything larger than its bounds.

mod bounds;
mod device;
mod error;
mod parts;
mod write;

pub use crate::record::layout::{MANIFEST, MANIFEST_HASH, MANIFEST_SIGNATURE};
pub use bounds::{HASH_FILE_BYTES_MAX, INTEGER_MAX, MANIFEST_BYTES_MAX, SECONDS_MAX};
pub(crate) use device::device_field;
pub use device::device_words;
pub use error::{ContentFault, ManifestError, PathFault};
pub(crate) use parts::last_folder;
pub use parts::{
    CardPart, ContentsPart, CopyLevel, CopyPart, DestinationPart, FilePart, ForecastPart, HintPart,
    LeftOutPart, LinkPart, MatchedBy, MhlPart, OffloadPart, OnlyNewPart, ProofPart, RatesPart,
    SourcePart, Tool, Totals, TypePart, VerdictPart,
};

use crate::digest::Digest;
use crate::error::Problem;
use crate::hash_algorithm::{Also, AlsoSet};
use crate::name::CardName;
use crate::record::checksums::List;
use crate::record::layout::{DESTINATIONS_MAX, ENTRIES_MAX, Level, RECORDS};
use crate::units::{len_usize, len64};
use bounds::{VERSION_MAX, at_most};
use parts::{check_elsewhere, hints, present};
use serde::{Deserialize, Serialize};
use std::collections::HashSet;
use write::{field, key, list};

/// What a proof shows and what not.
pub const SHOWS: &str = "Equal hashes show that each copy equals what the card reader delivered. \
    They do not show that the camera recorded it well, that the reader delivered what is on the \
    card, or that a drive will still work tomorrow.";

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
    /// Version 2: an ASC media hash list is beside the records of every drive.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub mhl: Option<MhlPart>,
    /// Version 2: what was shot.
    #[serde(
        skip_serializing_if = "Option::is_none",
        default,
        deserialize_with = "present"
    )]
    pub contents: Option<ContentsPart>,
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
    /// BLAKE3 of the bytes that it was read from a drive as; it is no part of them.
    #[serde(skip)]
    pub own_b3: Option<Digest>,
}

impl Manifest {
    /// The lowest version that has all keys of this manifest: version 1 stays what it was, since
    /// those who know only that refuse all other keys.
    pub(crate) fn version_needed(&self) -> u64 {
        let has_new = self.card.read_whole.is_some()
            || self.source.is_some()
            || self.contents.is_some()
            || self.hints.is_some()
            || self.mhl.is_some()
            || self.has_c4()
            || self.offload.utc_offset.is_some()
            || self.destinations.iter().any(|d| d.name.is_some());
        if has_new { 2 } else { 1 }
    }

    /// Version 1 knows no C4.
    fn has_c4(&self) -> bool {
        let mut files = self.files.iter();
        files.any(|f| f.also.kinds().contains(Also::C4))
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
        if let Some(mhl) = &self.mhl {
            field(&mut out, "mhl", mhl)?;
        }
        if let Some(contents) = &self.contents {
            field(&mut out, "contents", contents)?;
        }
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
                "the manifest would be larger than the 536.9 MB that can be read",
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
                .map_err(|e| ManifestError::Path(path.to_owned(), e.into()))?;
            if name.parts().next() == Some(RECORDS) {
                return Err(ManifestError::Path(path.to_owned(), PathFault::InRecords));
            }
            if !seen.insert(path) {
                return Err(ManifestError::Path(path.to_owned(), PathFault::Twice));
            }
        }
        for file in &self.files {
            if file.bytes > INTEGER_MAX {
                return Err(ManifestError::Path(file.path.to_string(), PathFault::Size));
            }
            if file
                .copies
                .iter()
                .any(|c| c.destination >= self.destinations.len())
            {
                return Err(ManifestError::Path(
                    file.path.to_string(),
                    PathFault::Destination,
                ));
            }
            check_elsewhere(file).map_err(|why| ManifestError::Path(file.path.to_string(), why))?;
        }
        self.check_numbers().map_err(ManifestError::Content)?;
        if self.version < self.version_needed() {
            return Err(ManifestError::Content(ContentFault::Key(self.version)));
        }
        let is_mhl = |part: &MhlPart| {
            let hashes = part.hashes.iter().copied();
            !part.hashes.is_empty() && AlsoSet::of_media_hash_lists().covers(hashes.collect())
        };
        if self.proof.hash != "blake3" || !self.mhl.as_ref().is_none_or(is_mhl) {
            return Err(ManifestError::Content(ContentFault::Hash));
        }
        Ok(())
    }

    /// Whoever adds these numbers up or turns them into times must not come to grief.
    fn check_numbers(&self) -> Result<(), ContentFault> {
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
        let types = self.contents.iter().flat_map(|c| c.types.iter());
        let counts = types.flat_map(|of| [of.files, of.bytes]);
        let looked_at = self.contents.iter().map(|c| c.looked_at);
        let mut all = single.into_iter().chain(counts).chain(looked_at);
        if !fits || all.any(|n| n > INTEGER_MAX) {
            return Err(ContentFault::Number);
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
        let types = self.contents.iter().flat_map(|c| c.types.iter());
        let lengths = types.filter_map(|of| of.seconds);
        let all = times.chain(forecast).chain(speeds).chain(lengths);
        if !all.into_iter().all(|n| (0.0..=SECONDS_MAX).contains(&n)) {
            return Err(ContentFault::Measure);
        }
        let known = |p: &Problem| p.destination.is_none_or(|d| d < self.destinations.len());
        if !self.problems.iter().all(known) {
            return Err(ContentFault::Destination);
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

    /// Returns whether this list is on every destination. One without copies has none, and the one
    /// at hand may be that.
    pub fn always_has(&self, list: List) -> bool {
        (0..self.destinations.len()).all(|d| !self.list_of(list, d).is_empty())
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
