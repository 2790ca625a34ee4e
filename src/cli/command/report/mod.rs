//! Owns `report`: the page of an offload made again from its manifest, that of its pictures, that
//! of a shoot made from the ledger, and that of a folder of others. Nothing that stands is
//! replaced.

mod of_others;
mod place;

use crate::cli::args::Common;
use crate::cli::args::report::ReportArgs;
use crate::cli::args::shoot::ShootName;
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::home::shoot::expected;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::refuse;
use crate::cli::view::text::wrap;
use camino::{Utf8Path, Utf8PathBuf};
use of_others::{of_others, report_of_others};
use place::{NoPage, elsewhere, is_taken};
use serde_json::json;
use std::io;
use std::sync::Arc;
use unlade::disk::{Disk, Stamp};
use unlade::ledger::ExpectedCards;
use unlade::ledger::shoot::Shoot;
use unlade::name::shown;
use unlade::record::bag::{read_manifest, sha256};
use unlade::record::layout::{Layout, RECORDS, TAG_MANIFEST};
use unlade::record::load::load;
use unlade::record::manifest::{FilePart, MANIFEST_BYTES_MAX, Manifest};
use unlade::record::store::{PICTURES, REPORT, add_record};
use unlade::report::page::page;
use unlade::report::shoot::{LedgerSource, page as shoot_page};
use unlade::run::Tools;
use unlade::run::pictures::{PicturesPage, PicturesState, pictures, store_pictures};

/// What became of a page.
enum PageState {
    /// It was made, here.
    New(String),
    /// The one that stands there is the same.
    Same(String),
    /// Another one stands there and was left alone.
    Differs(String),
    /// The page of pictures was made here; what it shows.
    Pictures(String, String),
    /// There is nothing to show on one: why.
    NoPictures(String),
    /// Another page of pictures stands there and was left alone.
    OtherPictures(String),
}

/// Makes the page of an offload again, that of a shoot, or that of a folder of others.
pub(crate) fn report(
    args: &ReportArgs,
    common: &Common,
    book: &Book,
    out: Out,
    tools: &Tools,
) -> Exit {
    match of_others(args, tools, book) {
        Ok(None) => {}
        Ok(Some(target)) => {
            return report_of_others(&target, args, &DriveNames::of(common), out, tools);
        }
        Err(why) => return refuse(&[why], Exit::Usage, "report", out, tools),
    }
    let (what, of, made) = match (&args.offload, &args.set.shoot) {
        (Some(offload), _) => ("offload", offload.as_str(), make(offload, args, tools)),
        (None, name) => {
            let expected = match expected(&args.set, out) {
                Ok(expected) => expected,
                Err(exit) => return exit,
            };
            let name = name.as_ref().map_or("", ShootName::as_str);
            let made = make_shoot(name, expected.as_ref(), args, book, tools);
            ("shoot", name, vec![made])
        }
    };
    let json = Json::new(out, Arc::clone(&tools.clock));
    let mut worst = Exit::Done;
    for made in made {
        let (exit, text, path) = told(made, of);
        worst = worst.max(exit);
        if out.json {
            json.send(
                "report",
                json!({what: of, "path": path, "detail": text, "exit_code": worst.code()}),
            );
            continue;
        }
        for line in wrap(&text, out.width, "", "  ") {
            if exit == Exit::Done {
                out.line(&line);
            } else {
                out.error(&line);
            }
        }
    }
    worst
}

/// Returns what is said of a page, and where it is.
fn told(made: Result<PageState, NoPage>, of: &str) -> (Exit, String, Option<String>) {
    match made {
        Ok(PageState::New(path)) => (Exit::Done, format!("The report page is {path}"), Some(path)),
        Ok(PageState::Same(path)) => (
            Exit::Done,
            format!("{path} is already what the manifest says; nothing was written."),
            Some(path),
        ),
        Ok(PageState::Differs(path)) => (
            Exit::NotProven,
            format!(
                "{path} is not the page that this version makes of the manifest: it was changed, \
                or another version made it. It was not touched; --to FILE makes the page \
                elsewhere."
            ),
            Some(path),
        ),
        Ok(PageState::Pictures(path, shows)) => (Exit::Done, format!("{path} {shows}"), Some(path)),
        Ok(PageState::NoPictures(why)) => (Exit::Done, why, None),
        Ok(PageState::OtherPictures(path)) => (
            Exit::NotProven,
            format!(
                "{path} is another page of pictures than this version makes of what is here. It \
                 was not touched; --to FILE makes the page elsewhere."
            ),
            Some(path),
        ),
        Err(why) => (
            Exit::Refused,
            format!("unlade: no report page for `{}`: {why}.", shown(of)),
            None,
        ),
    }
}

/// Makes the page of a shoot from the ledger; where nobody says where, in the current folder.
fn make_shoot(
    name: &str,
    expected: Option<&ExpectedCards>,
    args: &ReportArgs,
    book: &Book,
    tools: &Tools,
) -> Result<PageState, NoPage> {
    if !book.is_kept() {
        return Err(NoPage::NoLedger);
    }
    let ledger = book.read();
    let shoot = Shoot::of(&ledger, name, expected);
    if shoot.cards.is_empty() {
        return Err(NoPage::NoCard(book.path_words()));
    }
    let zone = tools.clock.zone();
    let source = LedgerSource {
        zone: &zone,
        host: &tools.host,
        damaged: ledger.damaged,
    };
    let bytes = shoot_page(&shoot, source).into_bytes();
    match &args.to {
        Some(to) => elsewhere(to, &bytes, tools),
        None => {
            elsewhere(&file_name(name), &bytes, tools).map_err(|why| NoPage::Here(Box::new(why)))
        }
    }
    .map(PageState::New)
}

/// Returns a name for a shoot's page that every file system takes.
fn file_name(shoot: &str) -> Utf8PathBuf {
    let tame = |c: char| {
        if c.is_alphanumeric() || matches!(c, '-' | '_') {
            c
        } else {
            '-'
        }
    };
    let name: String = shoot.chars().take(50).map(tame).collect();
    format!("shoot-{name}.html").into()
}

/// Makes the page of an offload, and that of its pictures where it is asked for.
fn make(offload: &Utf8Path, args: &ReportArgs, tools: &Tools) -> Vec<Result<PageState, NoPage>> {
    let disk = tools.disk.as_ref();
    let held = disk
        .facts(offload)
        .and_then(|facts| disk.anchor(offload, &facts));
    let manifest = match load(disk, offload) {
        Ok((manifest, _)) => manifest,
        Err(why) => return vec![Err(why.into())],
    };
    let _held = match held {
        Ok(held) => held,
        Err(why) => return vec![Err(NoPage::Gone(why))],
    };
    let beside = args.to.as_deref().filter(|_| args.pictures).map(beside);
    if let Some(taken) = beside.as_deref().filter(|to| is_taken(disk, to)) {
        return vec![Err(NoPage::Exists(shown(taken.as_str())))];
    }
    let first = make_page(offload, &manifest, args, tools);
    if !args.pictures || first.is_err() {
        return vec![first];
    }
    let second = make_pictures(offload, &manifest, beside.as_deref(), tools);
    vec![first, second]
}

/// Returns where the page of pictures is beside a page of that name: `kites-pictures.html`.
fn beside(page: &Utf8Path) -> Utf8PathBuf {
    let (stem, ending) = (page.file_stem(), page.extension());
    let stem = stem.unwrap_or_default();
    page.with_file_name(format!("{stem}-pictures.{}", ending.unwrap_or("html")))
}

fn make_pictures(
    offload: &Utf8Path,
    manifest: &Manifest,
    to: Option<&Utf8Path>,
    tools: &Tools,
) -> Result<PageState, NoPage> {
    let tree = manifest.offload.layout.payload(offload);
    let place = |file: &FilePart| {
        let mut copies = file.copies.iter();
        let is_here = copies.any(|copy| copy.proof.is_read_back() && copy.within.is_none());
        is_here.then(|| tree.join(&*file.path))
    };
    let (page, shows) = match pictures(manifest, tools, &place) {
        PicturesPage::Made(page, shows) => (page, shows),
        PicturesPage::None(why) => return Ok(PageState::NoPictures(why)),
    };
    if let Some(to) = to {
        let path = elsewhere(to, page.as_bytes(), tools)?;
        return Ok(PageState::Pictures(path, shows));
    }
    let path = shown(offload.join(RECORDS).join(PICTURES).as_str());
    let date = Stamp::of(tools.clock.now());
    match store_pictures(tools.disk.as_ref(), offload, &page, date) {
        Ok(PicturesState::New) => Ok(PageState::Pictures(path, shows)),
        Ok(PicturesState::Same) => Ok(PageState::Same(path)),
        Ok(PicturesState::Differs) => Ok(PageState::OtherPictures(path)),
        Err(problem) => Err(NoPage::NotAdded(problem)),
    }
}

fn make_page(
    offload: &Utf8Path,
    manifest: &Manifest,
    args: &ReportArgs,
    tools: &Tools,
) -> Result<PageState, NoPage> {
    let disk = tools.disk.as_ref();
    let bytes = page(manifest).into_bytes();
    if let Some(to) = &args.to {
        return elsewhere(to, &bytes, tools).map(PageState::New);
    }
    let path = offload.join(RECORDS).join(REPORT);
    let told = shown(path.as_str());
    match disk.read_record(&path, MANIFEST_BYTES_MAX) {
        Ok(standing) if standing == bytes => Ok(PageState::Same(told)),
        Ok(_) => Ok(PageState::Differs(told)),
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            let date = Stamp::of(tools.clock.now());
            if breaks_bag(disk, offload, manifest, &bytes) {
                return Err(NoPage::Bag);
            }
            let record = (format!("{RECORDS}/{REPORT}"), bytes.into());
            match add_record(disk, offload, record, date) {
                Ok(()) => Ok(PageState::New(told)),
                Err(problem) => Err(NoPage::NotAdded(problem)),
            }
        }
        Err(e) => Err(NoPage::Unread(told, e)),
    }
}

/// Whether this page may not be stored in a bag: its tag manifest names another one, as after a
/// change of version, and other programs would then reject the bag.
fn breaks_bag(disk: &dyn Disk, offload: &Utf8Path, manifest: &Manifest, page: &[u8]) -> bool {
    if manifest.offload.layout != Layout::Bag {
        return false;
    }
    let tags = disk.read_record(&offload.join(TAG_MANIFEST), MANIFEST_BYTES_MAX);
    let sums = tags.ok().and_then(|bytes| read_manifest(&bytes).ok());
    let listed = sums.and_then(|mut sums| sums.remove(&format!("{RECORDS}/{REPORT}")));
    listed.is_some_and(|listed| listed != sha256(page))
}
