//! Owns the way of a proof into its manifest. It decides nothing.
use crate::card::media::Media;
use crate::clock::{UtcOffset, rfc3339};
use crate::disk::ReadBackWay;
use crate::error::Problem;
use crate::hash_algorithm::Also;
use crate::inspect::contents::Contents;
use crate::inspect::observation::Observation;
use crate::inspect::recordings::Recordings;
use crate::offload::CopyState;
use crate::plan::{PlannedDestination, Work};
use crate::proof::Proof;
use crate::record::layout::Level;
use crate::record::manifest::{
    CardPart, ContentsPart, CopyLevel, CopyPart, DestinationPart, FilePart, ForecastPart, HintPart,
    LeftOutPart, LinkPart, Manifest, MatchedBy, MhlPart, OffloadPart, OnlyNewPart, ProofPart,
    RatesPart, SECONDS_MAX, SHOWS, SourcePart, Tool, Totals, TypePart, VerdictPart, device_field,
    last_folder,
};
use crate::speed::link::Link;
use crate::units::{float, len64};
use jiff::tz::TimeZone;

/// Puts a proof into the manifest's form, of a computer whose clock shows UTC.
pub fn manifest_of(proof: &Proof, host: &str) -> Manifest {
    Manifest {
        files: file_parts(proof).collect(),
        ..without_files(proof, host, &TimeZone::UTC)
    }
}

/// Returns the bytes of a proof's manifest. Of a card of 100,000 files only the bytes stand in
/// memory.
///
/// # Errors
/// As [`Manifest::to_bytes`]; what is wrong with the number of a file shows when the bytes are
/// read.
pub fn manifest_bytes(proof: &Proof, host: &str, zone: &TimeZone) -> std::io::Result<Vec<u8>> {
    without_files(proof, host, zone).written(file_parts(proof), proof.listed().0)
}

/// A manifest keeps words alone.
fn as_recorded(problem: &Problem) -> Problem {
    problem.clone().because(None)
}

fn without_files(proof: &Proof, host: &str, zone: &TimeZone) -> Manifest {
    let plan = proof.plan();
    let offloaded = proof.offloaded();
    let (files, bytes) = proof.listed();
    let left_out: Vec<LeftOutPart> = plan
        .listing
        .left_out()
        .map(|(path, why)| LeftOutPart {
            path,
            why: why.to_string(),
        })
        .collect();
    let card = card_part(proof);
    let (contents, hints) = recording_parts(proof, &card).unzip();
    let mut manifest = Manifest {
        format: "unlade-manifest".to_owned(),
        version: 1,
        tool: Tool {
            name: "unlade".to_owned(),
            version: env!("CARGO_PKG_VERSION").to_owned(),
        },
        offload: offload_part(proof, host, zone),
        card,
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
        problems: proof.problems().iter().map(as_recorded).collect(),
        mhl: mhl_part(proof),
        contents,
        hints,
        rates: rates_part(proof),
        links: link_parts(&offloaded.links),
        limiting_link: offloaded.limiting.to_string(),
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
        own_b3: None,
    };
    manifest.version = manifest.version_needed().max(version_of_files(proof));
    manifest
}

/// What files need, which are not in it yet.
fn version_of_files(proof: &Proof) -> u64 {
    let has_c4 = proof.plan().also.contains(Also::C4);
    if has_c4 { 2 } else { 1 }
}

fn mhl_part(proof: &Proof) -> Option<MhlPart> {
    let hashes = proof.plan().mhl_hashes()?.iter().collect();
    Some(MhlPart { hashes })
}

fn offload_part(proof: &Proof, host: &str, zone: &TimeZone) -> OffloadPart {
    let (started, finished) = proof.times();
    OffloadPart {
        name: proof.plan().name.clone(),
        started: rfc3339(started),
        finished: rfc3339(finished),
        host: host.to_owned(),
        layout: proof.plan().layout,
        utc_offset: UtcOffset::of(zone, finished),
    }
}

/// Returns what was shot and the hints, where recordings of a known kind were looked at or there is
/// something to say: those who know only version 1 refuse these keys.
fn recording_parts(proof: &Proof, card: &CardPart) -> Option<(ContentsPart, Vec<HintPart>)> {
    let Recordings { hints, contents } = proof.recordings();
    if contents.looked_at == 0 && hints.is_empty() {
        return None;
    }
    let contents = contents_part(contents);
    let contents = ContentsPart {
        // Where files say nothing themselves, the times are the card's dates.
        zone: contents.zone.or_else(|| card.zone.clone()),
        ..contents
    };
    Some((contents, hints.iter().map(hint_part).collect()))
}

fn hint_part(hint: &Observation) -> HintPart {
    HintPart {
        kind: hint.kind.id().to_owned(),
        path: Some(hint.path.clone()),
        detail: hint.detail(),
    }
}

/// Puts what was shot into the manifest's form.
pub fn contents_part(contents: &Contents) -> ContentsPart {
    let types = contents.types.iter().map(|of| TypePart {
        ending: of.ending.clone(),
        kind: of.media.map_or("other", Media::id).to_owned(),
        files: of.files,
        bytes: of.bytes,
        // What files say of themselves may be anything.
        seconds: (!of.duration.is_zero())
            .then(|| seconds(of.duration.as_secs_f64()).min(SECONDS_MAX)),
    });
    ContentsPart {
        types: types.collect(),
        first: contents.span.map(|(first, _)| first.rfc3339()),
        last: contents.span.map(|(_, last)| last.rfc3339()),
        zone: contents.has_own_times.then(|| "unknown".to_owned()),
        looked_at: contents.looked_at,
        cameras: contents.cameras.iter().cloned().collect(),
    }
}

fn link_parts(links: &[Link]) -> Vec<LinkPart> {
    links
        .iter()
        .map(|link| LinkPart {
            part: link.part.to_string(),
            id: link.kind.id().to_owned(),
            mbps: link.mbps.0,
            from: link.from.id().to_owned(),
        })
        .collect()
}

/// Rounds seconds to microseconds, so that the file stays short.
fn seconds(s: f64) -> f64 {
    float(crate::units::whole(s * 1e6)) / 1e6
}

fn card_part(proof: &Proof) -> CardPart {
    let card = proof.plan().recorded_card();
    CardPart {
        read_whole: card.read_whole.or(proof.part().map(|_| false)),
        ..card
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
            name: name_part(d),
            device: device_field(&d.facts),
            filesystem: d.facts.filesystem.clone(),
            readback: outcome.way.unwrap_or(ReadBackWay::None),
        })
        .collect()
}

/// What a drive is called, where its path does not say so already: only what says more makes the
/// manifest one of version 2.
fn name_part(d: &PlannedDestination) -> Option<String> {
    let is_said = |name: &&str| last_folder(&d.facts.canonical) == Some(*name);
    d.own_name()
        .filter(|name| !is_said(name))
        .map(str::to_owned)
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
