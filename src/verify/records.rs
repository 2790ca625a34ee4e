//! Owns the check of what lies in an offload's records folder beside the manifest: the manifest's
//! hash and signature, the checksum lists and the page of this run and of earlier ones. Each must
//! be what its manifest gives, byte for byte; what nobody stored there is told.

use super::finding::{Finding, path_of, unfinished_or};
use super::stored::{names, tag_sums};
use crate::card::left_out::came_later;
use crate::disk::{Disk, EntryKind, JOURNAL};
use crate::error::{Step, failed};
use crate::name::part_name;
use crate::record::bag::sha256;
use crate::record::checksums::List;
use crate::record::layout::{Layout, RECORDS, TAG_FILES, TAG_MANIFEST, is_receipt};
use crate::record::load::{Signed, check_hash, signed};
use crate::record::manifest::{
    HASH_FILE_BYTES_MAX, MANIFEST, MANIFEST_BYTES_MAX, MANIFEST_HASH, MANIFEST_SIGNATURE, Manifest,
};
use crate::record::others::mhl::MHL_ENDING;
use crate::record::signature::{NoSignature, SIGNATURE_BYTES_MAX, SignedBy, TrustedKeys};
use crate::record::store::{EARLIER_MAX, REPORT, earlier_name};
use camino::Utf8Path;
use std::collections::{BTreeSet, HashMap, HashSet};
use std::io;

/// Makes the page of a manifest; it lives a layer above.
pub type Page = fn(&Manifest) -> String;

/// What should be told of the records and is no fault.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Remark {
    /// A later run of this offload has begun and not ended: its journal or its unfinished records
    /// stand there. The manifest is that of the last run that did end.
    CutShort,
    /// Records of an earlier run are not all there, as after a power cut while they were moved.
    Incomplete,
    /// The report page is gone.
    NoPage,
    /// A page was made by another version of the program and could not be compared.
    ForeignPage,
    /// What computers left lies in a bag's payload: programs that check bags reject it.
    LitterInBag,
}

/// Whether the manifest was signed, and by whom.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum Signature {
    /// Nobody signed it.
    #[default]
    None,
    /// It is what was signed, by this key.
    Intact(SignedBy),
    /// It may be what was signed; why that cannot be checked here.
    Unchecked(String),
    /// It is not what was signed, or the signature is not what was made.
    Broken,
}

impl Signature {
    /// Returns why it is none by these keys; `None` of one that is, and of one that was found
    /// broken, which is told already.
    pub(super) fn unlike(&self, expected: &TrustedKeys) -> Option<String> {
        Some(match self {
            Self::Intact(by) if expected.has(by) => return None,
            Self::Broken => return None,
            Self::Intact(by) => format!(
                "it is intact, and by another key than the one you expect: {}",
                by.fingerprint()
            ),
            Self::None => "there is none, so nobody vouches for this manifest".to_owned(),
            Self::Unchecked(why) => why.clone(),
        })
    }
}

/// What was found in the records folder.
#[derive(Debug, Default)]
pub(super) struct CheckedRecords {
    /// The manifests of earlier runs, oldest first.
    pub(super) earlier: Vec<Manifest>,
    pub(super) findings: Vec<Finding>,
    /// What computers left there.
    pub(super) litter: Vec<String>,
    pub(super) signature: Signature,
    pub(super) remarks: BTreeSet<Remark>,
}

struct Check<'a> {
    disk: &'a dyn Disk,
    root: &'a Utf8Path,
    page: Page,
    /// Everything that stands in the records folder, relative to it.
    standing: HashSet<&'a str>,
    checked: CheckedRecords,
}

/// Checks the records at `root`. `standing` is everything in the records folder, relative to it.
pub(super) fn check(
    disk: &dyn Disk,
    root: &Utf8Path,
    manifest: &Manifest,
    (has_hash, signed): (bool, Signed),
    standing: &[String],
    page: Page,
) -> CheckedRecords {
    let mut check = Check {
        disk,
        root,
        page,
        standing: standing.iter().map(String::as_str).collect(),
        checked: CheckedRecords::default(),
    };
    check.strangers(standing, manifest.offload.layout);
    if !has_hash {
        check.missing(MANIFEST_HASH);
    }
    check.checked.signature = check.signature(MANIFEST_SIGNATURE, signed);
    for list in List::all() {
        check.list(manifest, list, list.file_name());
    }
    check.page(manifest, REPORT);
    for n in 1..=EARLIER_MAX {
        check.earlier(n);
    }
    check.checked
}

fn in_records(name: &str) -> String {
    format!("{RECORDS}/{name}")
}

impl Check<'_> {
    fn remark(&mut self, remark: Remark) {
        self.checked.remarks.insert(remark);
    }

    fn missing(&mut self, name: &str) {
        let finding = Finding::Missing(in_records(name));
        self.checked.findings.push(finding);
    }

    fn changed(&mut self, name: &str, why: String) {
        let finding = Finding::Changed(in_records(name), why);
        self.checked.findings.push(finding);
    }

    /// Tells a record that could not be read: another kind of thing in its place is a change.
    fn not_read(&mut self, name: &str, cause: &io::Error) {
        let at = self.root.join(RECORDS).join(name);
        let is_other = matches!(self.disk.look(&at), Ok(Some(s)) if s.kind != EntryKind::File);
        if is_other {
            return self.changed(name, "is no longer a file".to_owned());
        }
        let finding = Finding::of_failure(in_records(name), Step::Read, cause);
        self.checked.findings.push(finding);
    }

    /// Tells a signature that does not fit.
    fn signature(&mut self, name: &str, signed: Signed) -> Signature {
        match signed {
            None => Signature::None,
            Some(Ok(by)) => Signature::Intact(by),
            Some(Err(NoSignature::Unchecked(why))) => Signature::Unchecked(why),
            Some(Err(NoSignature::Unread(e))) => Signature::Unchecked(failed(Step::Read, &e)),
            Some(Err(NoSignature::Broken(why))) => {
                let finding = Finding::Untrusted(in_records(name), why);
                self.checked.findings.push(finding);
                Signature::Broken
            }
        }
    }

    /// Tells what no run stores there.
    fn strangers(&mut self, standing: &[String], layout: Layout) {
        let names = names();
        let sets: HashSet<String> = (1..=EARLIER_MAX).map(earlier_name).collect();
        for path in standing {
            let (set, name) = path.split_once('/').unwrap_or(("", path));
            let is_part = |name: &str| names.iter().any(|ours| part_name(ours) == name);
            if set.is_empty() && (name == JOURNAL || is_part(name)) {
                self.checked.remarks.insert(Remark::CutShort);
                continue;
            }
            let ours = match set {
                "" => names.contains(name) || sets.contains(name),
                set => {
                    let is_tag = layout == Layout::Bag && TAG_FILES.contains(&name);
                    // A list that was moved aside before any chain named it.
                    let is_list = name.ends_with(MHL_ENDING);
                    sets.contains(set) && (is_tag || is_list || names.contains(name))
                }
            };
            if ours || (set.is_empty() && is_receipt(name)) {
                continue;
            }
            let full = in_records(path);
            if came_later(&full, false) || came_later(&full, true) {
                self.checked.litter.push(full);
            } else {
                self.checked
                    .findings
                    .push(Finding::Extra(unfinished_or(full)));
            }
        }
    }

    fn read(&self, name: &str, limit: u64) -> io::Result<Vec<u8>> {
        let path = self.root.join(RECORDS).join(name);
        self.disk.read_record(&path, limit)
    }

    /// The records of one earlier run. A run that was cut off while it moved them leaves them in
    /// more than one set: the manifest in the first, the rest in the next one without a manifest.
    fn earlier(&mut self, n: usize) {
        let of_set = |n: usize, name: &str| format!("{}/{name}", earlier_name(n));
        let path = of_set(n, MANIFEST);
        if !self.standing.contains(path.as_str()) {
            return;
        }
        let bytes = match self.read(&path, MANIFEST_BYTES_MAX) {
            Ok(bytes) => bytes,
            Err(e) => return self.not_read(&path, &e),
        };
        // No record is empty. FAT leaves it so when the drive is pulled while it gets its name or
        // is moved.
        if bytes.is_empty() {
            return self.remark(Remark::Incomplete);
        }
        let is_kept = |at: &str| {
            let stat = self.disk.look(&self.root.join(RECORDS).join(at));
            !matches!(stat, Ok(Some(stat)) if stat.bytes == 0)
        };
        let find = |name: &str| {
            let has = |n: usize, name| {
                let at = of_set(n, name);
                self.standing.contains(at.as_str()) && is_kept(&at)
            };
            (n..=EARLIER_MAX)
                .take_while(|&m| m == n || !has(m, MANIFEST))
                .find(|&m| has(m, name))
                .map(|m| of_set(m, name))
        };
        let signature = of_set(n, MANIFEST_SIGNATURE);
        let has_signature = is_kept(&signature);
        let (hash, page) = (find(MANIFEST_HASH), find(REPORT));
        let all = names().into_iter().chain(TAG_FILES);
        let places: HashMap<&str, String> = all.filter_map(|n| Some((n, find(n)?))).collect();
        let lists: Vec<_> = List::all()
            .map(|list| (list, find(list.file_name())))
            .collect();
        match hash.as_ref().map(|at| self.read(at, HASH_FILE_BYTES_MAX)) {
            // A power cut can swallow what was being moved; nothing can be held against it then.
            None => self.remark(Remark::Incomplete),
            Some(Err(e)) => {
                let at = hash.as_deref().unwrap_or(&path);
                return self.not_read(at, &e);
            }
            Some(Ok(text)) => {
                if let Err(e) = check_hash(&text, &bytes) {
                    return self.changed(&path, e.to_string());
                }
            }
        }
        // Signatures are moved before their manifests, so that one in a later set is of another.
        let read = if has_signature {
            self.read(&signature, SIGNATURE_BYTES_MAX)
        } else {
            Err(io::ErrorKind::NotFound.into())
        };
        self.signature(&signature, signed(read, &bytes));
        match Manifest::from_bytes(&bytes) {
            Err(e) => self.changed(&path, e.to_string()),
            Ok(manifest) => {
                self.earlier_lists(&manifest, &lists, page.as_deref());
                if manifest.offload.layout == Layout::Bag {
                    self.earlier_tags(&places);
                }
                self.checked.earlier.push(manifest);
            }
        }
    }

    /// The lists and the page of an earlier run, where they were found.
    fn earlier_lists(
        &mut self,
        manifest: &Manifest,
        lists: &[(List, Option<String>)],
        page: Option<&str>,
    ) {
        for (list, at) in lists {
            match at {
                Some(at) => self.list(manifest, *list, at),
                None if manifest.always_has(*list) => self.remark(Remark::Incomplete),
                None => {}
            }
        }
        match page {
            Some(page) => self.page(manifest, page),
            None => self.remark(Remark::Incomplete),
        }
    }

    /// The tag files of a bag's earlier run, by their own tag manifest.
    fn earlier_tags(&mut self, places: &HashMap<&str, String>) {
        let Some(at) = places.get(TAG_MANIFEST) else {
            return self.remark(Remark::Incomplete);
        };
        let bytes = match self.read(at, MANIFEST_BYTES_MAX) {
            Ok(bytes) => bytes,
            Err(e) => return self.not_read(at, &e),
        };
        let sums = match tag_sums(&bytes) {
            Ok(sums) => sums,
            Err(why) => return self.changed(at, why.to_string()),
        };
        for (path, hex) in sums {
            let name = path.rsplit('/').next().unwrap_or(&path);
            let Some(at) = places.get(name) else {
                self.remark(Remark::Incomplete);
                continue;
            };
            let told = in_records(at);
            if self.checked.findings.iter().any(|f| path_of(f) == told) {
                continue;
            }
            match self.read(at, MANIFEST_BYTES_MAX) {
                Ok(bytes) if sha256(&bytes) == hex => {}
                Ok(_) => self.changed(at, format!("is not what its {TAG_MANIFEST} says")),
                Err(e) => self.not_read(at, &e),
            }
        }
    }

    /// A list must be that of one destination of the manifest: which one this is cannot be told
    /// when the offload was moved.
    fn list(&mut self, manifest: &Manifest, list: List, path: &str) {
        match self.read(path, MANIFEST_BYTES_MAX) {
            Ok(bytes) => {
                let all = 0..manifest.destinations.len();
                let mut texts = all.map(|d| manifest.list_of(list, d));
                // An empty list is never stored.
                if bytes.is_empty() || !texts.any(|text| text.as_bytes() == bytes) {
                    self.changed(path, "does not say what the manifest says".to_owned());
                }
            }
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                if manifest.always_has(list) {
                    self.missing(path);
                }
            }
            Err(e) => self.not_read(path, &e),
        }
    }

    fn page(&mut self, manifest: &Manifest, path: &str) {
        match self.read(path, MANIFEST_BYTES_MAX) {
            Ok(bytes) if bytes == (self.page)(manifest).as_bytes() => {}
            // Another version may word it otherwise. The page vouches for nothing.
            Ok(_) if manifest.tool.version != env!("CARGO_PKG_VERSION") => {
                self.remark(Remark::ForeignPage);
            }
            Ok(_) => self.changed(path, "does not say what the manifest says".to_owned()),
            // It vouches for nothing and can be made again from the manifest.
            Err(e) if e.kind() == io::ErrorKind::NotFound => self.remark(Remark::NoPage),
            Err(e) => self.not_read(path, &e),
        }
    }
}
