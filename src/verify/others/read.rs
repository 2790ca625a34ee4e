//! Owns which records of others stand in a folder, and the reading of them into what they say of
//! its files.

use super::answer::{OthersError, RecordKind, RecordRead};
use super::lines::{LinesStopped, TakeLine, each_line};
use super::standing::Scope;
use crate::card::left_out::came_later;
use crate::disk::progress::Progress;
use crate::disk::{Disk, EntryKind, FolderFacts, WalkEntry};
use crate::error::{Error, Step};
use crate::hash_algorithm::checksum::Checksum;
use crate::record::layout::{BAGIT, DATA};
use crate::record::media_hash_list::{UnlikeFolder, is_list_name};
use crate::record::others::bag::{
    BagPart, Declaration, Encoding, decoded, listed, payload_oxum, to_fetch,
};
use crate::record::others::list::{ListHint, ListLine, hint, line};
use crate::record::others::mhl::MHL_CHAIN;
use crate::record::others::{Claims, RefusedRecord, Sum, WhyRefused, inside};
use crate::units::len64;
use crate::verify::finding::Finding;
use camino::Utf8Path;
use std::borrow::Cow;
use std::collections::{BTreeSet, HashSet};
use std::io;
use std::sync::atomic::Ordering;

/// The largest `bagit.txt` and `bag-info.txt` that are read.
const TAG_BYTES_MAX: u64 = 16 << 20;
/// Why a list that was given is not read.
const LIST_LINK: &str = "it is a symbolic link, which is not followed; give the file itself";
/// Lines of one list that are named when they are none.
const BAD_LINES_SHOWN: u64 = 20;

/// What the records of a folder say.
#[derive(Debug, Default)]
pub(super) struct RecordsSaid {
    pub(super) claims: Claims,
    pub(super) records: Vec<RecordRead>,
    /// Records of which the hash is not known here.
    pub(super) unused: Vec<String>,
    /// What is wrong with the records themselves.
    pub(super) findings: Vec<Finding>,
    /// Files that are to be fetched from elsewhere.
    pub(super) to_fetch: HashSet<String>,
    /// Bytes and files of a bag's payload, where it counts them.
    pub(super) oxum: Option<(u64, u64)>,
    /// The version, where it is a bag.
    pub(super) bag: Option<(u32, u32)>,
    pub(super) scope: Scope,
    /// Folders that a history has.
    pub(super) folders: BTreeSet<String>,
    /// Folders whose hash is not that of the files that a history lists.
    pub(super) unlike: Vec<UnlikeFolder>,
    /// A run was cut off while it went on with a history.
    pub(super) cut_short: bool,
}

/// Reads one list for a folder, from wherever it lies.
pub(super) fn read_list(
    disk: &dyn Disk,
    list: &Utf8Path,
    root: &FolderFacts,
    progress: &Progress,
) -> Result<RecordsSaid, OthersError> {
    // A link may lead anywhere, and another program may turn it.
    if matches!(disk.look(list), Ok(Some(stat)) if stat.kind == EntryKind::Link) {
        let why = io::Error::other(LIST_LINK);
        return Err(OthersError::List(Error::new(Step::Read, list, why)));
    }
    let mut reading = Reading::new(disk, progress);
    let name = list.file_name().unwrap_or(list.as_str());
    let read = if is_list_name(name) {
        reading.generation(list, name).map(|()| true)
    } else {
        reading.list(list, name, hint(name).unwrap_or(ListHint::None))
    };
    let is_list = read.map_err(|error| match error {
        OthersError::Io(error) => OthersError::List(error),
        other => other,
    })?;
    if !is_list {
        let is_chain = name == MHL_CHAIN;
        let at = RecordLine {
            record: name,
            line: 0,
        };
        return Err(if is_chain {
            at.refused(WhyRefused::IsChain)
        } else {
            no_line(name)
        });
    }
    // Where it is itself in the folder it is no file of it.
    let folder = match list.parent() {
        Some(folder) if folder != "" => folder,
        _ => Utf8Path::new("."),
    };
    let beside = disk.facts(folder).map(|facts| facts.canonical);
    let own = beside.ok().and_then(|beside| {
        let below = Utf8Path::new(&beside).strip_prefix(&root.canonical).ok()?;
        Some(below.join(name).into_string())
    });
    reading.said.scope.own = own.into_iter().collect();
    Ok(reading.said)
}

fn no_line(record: &str) -> OthersError {
    RecordLine { record, line: 0 }.refused(WhyRefused::NoLine)
}

/// Reads every record that stands in a folder itself; `None` where there is none.
pub(super) fn read_records(
    disk: &dyn Disk,
    root: &Utf8Path,
    found: &[WalkEntry],
    progress: &Progress,
) -> Result<Option<RecordsSaid>, OthersError> {
    let is_file = |c: &&WalkEntry| matches!(&c.stat, Ok(s) if s.kind == EntryKind::File);
    let is_litter = |path: &&str| came_later(path, false);
    let files = found.iter().filter(is_file);
    let mut files: Vec<&str> = files.filter_map(|c| c.path.to_str()).collect();
    files.sort_unstable();
    files.retain(|path| !is_litter(path));
    let names = files.iter().copied().filter(|path| !path.contains('/'));
    let names: Vec<&str> = names.collect();
    let mut reading = Reading::new(disk, progress);
    if names.contains(&BAGIT) {
        reading.bag(root, &names)?;
    }
    // In a bag the lists of the payload are the bag's.
    let is_of_bag = |name: &str| reading.said.bag.is_some() && BagPart::of(name).is_some();
    let lists: Vec<&str> = names.into_iter().filter(|name| !is_of_bag(name)).collect();
    let mut no_list = None;
    for name in lists {
        if let Some(hint) = hint(name)
            && !reading.list(&root.join(name), name, hint)?
        {
            // It only has the name of one, and is a file as any other.
            no_list = no_list.or(Some(name));
        }
    }
    reading.histories(root, &files)?;
    let said = reading.said;
    match (said.records.is_empty(), no_list) {
        (false, _) => Ok(Some(said)),
        (true, Some(name)) => Err(no_line(name)),
        (true, None) => Ok(None),
    }
}

/// Where a hash was read.
#[derive(Clone, Copy)]
struct RecordLine<'a> {
    record: &'a str,
    line: u64,
}

impl RecordLine<'_> {
    fn refused(self, why: WhyRefused) -> OthersError {
        let line = (self.line > 0).then_some(self.line);
        let record = self.record.to_owned();
        OthersError::Refused(RefusedRecord { record, line, why })
    }
}

/// The reading of all records of one folder.
pub(super) struct Reading<'a> {
    pub(super) disk: &'a dyn Disk,
    progress: &'a Progress,
    pub(super) said: RecordsSaid,
}

impl<'a> Reading<'a> {
    fn new(disk: &'a dyn Disk, progress: &'a Progress) -> Self {
        let said = RecordsSaid::default();
        Self {
            disk,
            progress,
            said,
        }
    }

    fn lines(&self, path: &Utf8Path, record: &str, each: TakeLine<'_>) -> Result<(), OthersError> {
        let io = |e| OthersError::Io(Error::new(Step::Read, path, e));
        let mut source = self.disk.open_read_back(path).map_err(io)?;
        let go_on = || !self.progress.cancel.load(Ordering::Relaxed);
        each_line(source.as_mut(), &go_on, each).map_err(|stopped| match stopped {
            LinesStopped::Io(error) => io(error),
            LinesStopped::Refused(line, why) => RecordLine { record, line }.refused(why),
            LinesStopped::Interrupted => OthersError::Interrupted,
        })
    }

    /// One checksum list; `false` when nothing in it is a line of one. A line that is none is told
    /// and does not cost the others.
    fn list(&mut self, path: &Utf8Path, name: &str, hint: ListHint) -> Result<bool, OthersError> {
        let mut claims = std::mem::take(&mut self.said.claims);
        let (mut files, mut unknown, mut bad) = (0, 0, Vec::new());
        let mut kinds = BTreeSet::new();
        let mut each = |bytes: &[u8], number: u64| {
            let bytes = match bytes.strip_prefix(b"\xef\xbb\xbf") {
                Some(rest) if number == 1 => rest,
                _ => bytes,
            };
            if number == 1 && matches!(bytes, [0xff, 0xfe, ..] | [0xfe, 0xff, ..]) {
                return Err(WhyRefused::Utf16);
            }
            let Ok(text) = std::str::from_utf8(bytes) else {
                bad.push((number, "names a file that is not text in UTF-8"));
                return Ok(());
            };
            match line(text, hint) {
                ListLine::Nothing => {}
                ListLine::None => bad.push((number, "is no line of a checksum list")),
                ListLine::Sums(path, sums) => {
                    files += 1;
                    for sum in sums {
                        kinds.extend(sum.kinds.iter().copied());
                        claim(&mut claims, &path, None, sum)?;
                    }
                }
                ListLine::Unknown(path, function) => {
                    unknown += 1;
                    let path = placed(&path)?;
                    claims.of(path).set_unknown(function);
                }
            }
            Ok(())
        };
        let read = self.lines(path, name, &mut each);
        self.said.claims = claims;
        read?;
        if files + unknown == 0 {
            return Ok(false);
        }
        self.bad_lines(name, &bad);
        self.said.scope.own.insert(name.to_owned());
        self.said.records.push(RecordRead {
            kind: RecordKind::List,
            name: name.to_owned(),
            files,
            unknown,
            hashes: kinds.into_iter().collect(),
        });
        Ok(true)
    }

    fn bad_lines(&mut self, record: &str, bad: &[(u64, &str)]) {
        let shown = usize::try_from(BAD_LINES_SHOWN).unwrap_or(usize::MAX);
        let mut tell = |why: String| {
            let finding = Finding::Unchecked(record.to_owned(), why);
            self.said.findings.push(finding);
        };
        for (line, why) in bad.iter().take(shown) {
            tell(format!("line {line} {why}"));
        }
        let more = bad.len().saturating_sub(shown);
        if more > 0 {
            tell(format!(
                "{more} more lines that are none of a checksum list"
            ));
        }
    }

    fn bag(&mut self, root: &Utf8Path, names: &[&str]) -> Result<(), OthersError> {
        let declared = self.tag_file(root, BAGIT)?;
        let declared = Declaration::parse(&declared);
        let declared = declared.map_err(|why| {
            RecordLine {
                record: BAGIT,
                line: 0,
            }
            .refused(why)
        })?;
        self.said.bag = Some(declared.version);
        self.said.scope.is_bag = true;
        let mut payload = Vec::new();
        let mut is_known = false;
        for name in names {
            match BagPart::of(name) {
                None => {}
                Some(BagPart::Fetch) => self.fetch(root, name, declared.encoding)?,
                Some(BagPart::Info) => self.info(root, name, declared.encoding)?,
                Some(BagPart::Tags(hash)) => match Checksum::named(hash) {
                    None => self.said.unused.push((*name).to_owned()),
                    Some(kind) => drop(self.listed(root, name, Some(kind), declared, false)?),
                },
                // Which files it names counts also where its hashes can't be checked.
                Some(BagPart::Payload(hash)) => {
                    let kind = Checksum::named(hash);
                    is_known |= kind.is_some();
                    payload.push(self.listed(root, name, kind, declared, true)?);
                }
            }
        }
        if !is_known {
            let at = RecordLine {
                record: BAGIT,
                line: 0,
            };
            return Err(at.refused(WhyRefused::NoPayloadList));
        }
        self.fetched_are_payload(&payload);
        self.same_payload(declared.version, &payload);
        Ok(())
    }

    /// RFC 8493 (2.2.3): every file to fetch is one of the payload's lists.
    fn fetched_are_payload(&mut self, lists: &[(String, HashSet<String>)]) {
        let is_listed = |path: &&String| !lists.iter().any(|(_, paths)| paths.contains(*path));
        let mut strange: Vec<&String> = self.said.to_fetch.iter().filter(is_listed).collect();
        strange.sort_unstable();
        if let Some(first) = strange.first() {
            let why = format!("names `{first}`, which no list of the payload names");
            let finding = Finding::Changed("fetch.txt".to_owned(), why);
            self.said.findings.push(finding);
        }
    }

    /// RFC 8493 (2.1.3) asks that every list of the payload names all of it.
    fn same_payload(&mut self, version: (u32, u32), lists: &[(String, HashSet<String>)]) {
        if version < (1, 0) {
            return;
        }
        let all: HashSet<&String> = lists.iter().flat_map(|(_, paths)| paths).collect();
        for (name, paths) in lists {
            let missing = all.iter().filter(|path| !paths.contains(**path)).count();
            if missing > 0 {
                let why = format!("does not name {missing} of the files that another list names");
                let finding = Finding::Changed(name.clone(), why);
                self.said.findings.push(finding);
            }
        }
    }

    fn tag_file(&self, root: &Utf8Path, name: &str) -> Result<Vec<u8>, OthersError> {
        let path = root.join(name);
        let read = self.disk.read_record(&path, TAG_BYTES_MAX);
        read.map_err(|e| OthersError::Io(Error::new(Step::Read, &path, e)))
    }

    /// Calls `each` with every line of a tag file, as text.
    fn tag_lines(
        &self,
        root: &Utf8Path,
        name: &str,
        encoding: Encoding,
        each: &mut dyn FnMut(&str) -> Result<(), WhyRefused>,
    ) -> Result<(), OthersError> {
        if encoding == Encoding::Utf16 {
            // Its lines don't end with one byte.
            let bytes = self.tag_file(root, name)?;
            let text = encoding.text(&bytes);
            let at = |line| RecordLine { record: name, line };
            let text = text.ok_or_else(|| at(0).refused(WhyRefused::NotInEncoding))?;
            for (line, number) in text.lines().zip(1..) {
                each(line).map_err(|why| at(number).refused(why))?;
            }
            return Ok(());
        }
        let mut each = |bytes: &[u8], _| {
            let text: Cow<'_, str> = encoding.text(bytes).ok_or(WhyRefused::NotInEncoding)?;
            each(&text)
        };
        self.lines(&root.join(name), name, &mut each)
    }

    /// A list of the payload or of tag files. Returns its name and which files it names.
    fn listed(
        &mut self,
        root: &Utf8Path,
        name: &str,
        kind: Option<Checksum>,
        declared: Declaration,
        of_payload: bool,
    ) -> Result<(String, HashSet<String>), OthersError> {
        let mut claims = std::mem::take(&mut self.said.claims);
        let mut paths = HashSet::new();
        let mut each = |text: &str| {
            let Some((written, sum)) = listed(text, kind)? else {
                return Ok(());
            };
            let path = decoded(written, declared.version);
            let below = path.strip_prefix("./").unwrap_or(&path);
            let is_payload = below.strip_prefix(DATA).is_some_and(|p| p.starts_with('/'));
            if of_payload && !is_payload {
                placed(&path)?;
                return Err(WhyRefused::NotPayload(path));
            }
            let path = if let Some(sum) = sum {
                claim(&mut claims, &path, Some(written), sum)?
            } else {
                let place = placed(&path)?;
                claims.of(place.clone()).set_unknown(hash_of(name));
                place.as_str().to_owned()
            };
            if of_payload {
                paths.insert(path);
            }
            Ok(())
        };
        let read = self.tag_lines(root, name, declared.encoding, &mut each);
        self.said.claims = claims;
        read?;
        self.said.scope.own.insert(name.to_owned());
        if of_payload {
            let all = len64(paths.len());
            let (files, unknown) = if kind.is_some() { (all, 0) } else { (0, all) };
            self.said.records.push(RecordRead {
                kind: RecordKind::Bag(declared.version),
                name: name.to_owned(),
                files,
                unknown,
                hashes: kind.into_iter().collect(),
            });
        }
        Ok((name.to_owned(), paths))
    }

    fn fetch(
        &mut self,
        root: &Utf8Path,
        name: &str,
        encoding: Encoding,
    ) -> Result<(), OthersError> {
        let version = self.said.bag.unwrap_or((1, 0));
        let mut paths = HashSet::new();
        let mut each = |text: &str| {
            if let Some(path) = to_fetch(text)? {
                let path = placed(&decoded(path, version))?;
                paths.insert(path.as_str().to_owned());
            }
            Ok(())
        };
        self.tag_lines(root, name, encoding, &mut each)?;
        self.said.to_fetch = paths;
        Ok(())
    }

    fn info(&mut self, root: &Utf8Path, name: &str, encoding: Encoding) -> Result<(), OthersError> {
        let bytes = self.tag_file(root, name)?;
        let at = RecordLine {
            record: name,
            line: 0,
        };
        let text = encoding.text(&bytes);
        let text = text.ok_or_else(|| at.refused(WhyRefused::NotInEncoding))?;
        match payload_oxum(&text) {
            None => {}
            Some(Ok(oxum)) => self.said.oxum = Some(oxum),
            Some(Err(value)) => {
                let why = format!("its Payload-Oxum `{value}` is not two numbers");
                let finding = Finding::Changed(name.to_owned(), why);
                self.said.findings.push(finding);
            }
        }
        Ok(())
    }
}

/// The hash that the name of a bag's list says.
fn hash_of(name: &str) -> &str {
    match BagPart::of(name) {
        Some(BagPart::Payload(hash) | BagPart::Tags(hash)) => hash,
        _ => "",
    }
}

fn placed(path: &str) -> Result<crate::name::CardName, WhyRefused> {
    inside(path).map_err(|why| WhyRefused::Place(path.to_owned(), why))
}

/// Adds what a line says; returns the path that it means.
fn claim(
    claims: &mut Claims,
    path: &str,
    written: Option<&str>,
    sum: Sum,
) -> Result<String, WhyRefused> {
    let place = placed(path)?;
    let written = written.filter(|written| *written != path).map(placed);
    let written = written.transpose()?.filter(|written| *written != place);
    let name = place.as_str().to_owned();
    let claim = claims.of(place);
    if let Some(written) = &written {
        claim.set_written(written.as_str());
    }
    if claim.add(sum) {
        Ok(name)
    } else {
        Err(WhyRefused::TwoSums(name))
    }
}
