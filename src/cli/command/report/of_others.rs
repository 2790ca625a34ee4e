//! Owns the page of a folder that was checked against the lists of others: it is checked as
//! `verify` does, and the page is made where the person says.

use super::place::{NoPage, elsewhere, is_taken};
use crate::cli::args::report::ReportArgs;
use crate::cli::command::shared::check_offloads::{exit_of, tell_checked};
use crate::cli::command::shared::check_targets::{base_of, of_list, targets};
use crate::cli::command::shared::checked::{CheckTarget, Checked, others_verdict, problems_json};
use crate::cli::command::shared::checking::{CheckError, check_all};
use crate::cli::exit::Exit;
use crate::cli::home::book::Book;
use crate::cli::home::drive_names::DriveNames;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::explain;
use crate::cli::view::words::findings::FINDINGS_SHOWN;
use crate::cli::view::words::others::{lists_words, others_words};
use camino::Utf8Path;
use jiff::Timestamp;
use serde_json::json;
use std::sync::Arc;
use unlade::name::{shown, some_of};
use unlade::report::check::{CheckPage, page};
use unlade::run::Tools;
use unlade::units::{counted, len64};
use unlade::verify::others::{OthersFindings, has_list};

/// Lists that are named on a page.
const LISTS_ON_PAGE: usize = 100;
/// Offloads that are named.
const OFFLOADS_NAMED: usize = 3;

/// Returns what is to be checked, where what was given is no offload of ours.
///
/// # Errors
/// What to type instead.
pub(super) fn of_others(
    args: &ReportArgs,
    tools: &Tools,
    book: &Book,
) -> Result<Option<CheckTarget>, String> {
    let given = args.offload.as_slice();
    if let Some(list) = &args.list {
        let base = base_of(list, given, args.base.as_deref(), ("report", " --to PAGE"))?;
        return Ok(Some(of_list(list, base)));
    }
    let found = given.first().map(|given| targets(given, tools, book));
    let first = found.and_then(|found| found.into_iter().next());
    Ok(first.filter(|first| first.is_of_others))
}

/// Checks the folder, makes the page, and tells what was found as `verify` does.
pub(super) fn report_of_others(
    target: &CheckTarget,
    args: &ReportArgs,
    drives: &DriveNames,
    out: Out,
    tools: &Tools,
) -> Exit {
    let json = Json::new(out, Arc::clone(&tools.clock));
    let given = args.list.as_ref().unwrap_or(&target.path);
    let unmade = |why: &NoPage| format!("no report page for `{}`: {why}.", shown(given.as_str()));
    if let Err(why) = may_begin(target, args, tools) {
        let exit = Exit::Refused;
        told(None, &unmade(&why), exit, &json, out);
        return exit;
    }
    let begun = tools.clock.now();
    let (results, bytes_read) = check_all(std::slice::from_ref(target), out, tools, None);
    let result = results.into_iter().next();
    let result = result.unwrap_or(Err(CheckError::BrokenDown));
    let names = drives.offloads(std::slice::from_ref(&target.path), tools);
    let name = names.first().map_or(target.path.as_str(), String::as_str);
    let mut exit = exit_of(&result);
    let mut further = not_checked(target);
    let found = match &result {
        Ok(Checked::Others(found)) if !found.interrupted => Some(found),
        _ => None,
    };
    let made = found.map(|found| {
        let to = args.to.as_deref().ok_or(NoPage::NoPlace)?;
        let of_folder = (target.path.as_str(), name);
        let bytes = made_page(
            found,
            of_folder,
            (begun, bytes_read),
            &further,
            args,
            out,
            tools,
        );
        elsewhere(to, bytes.as_bytes(), tools)
    });
    let words = match &made {
        Some(Ok(path)) => format!("The page of this check is {path}"),
        Some(Err(why)) => unmade(why),
        None => result.as_ref().err().map_or_else(
            || "the check was stopped, so there is no page of it".to_owned(),
            ToString::to_string,
        ),
    };
    let path = made.as_ref().and_then(|made| made.as_ref().ok());
    if out.json {
        if let Ok(checked) = &result {
            problems_json(&json, checked.findings());
        }
    } else {
        further.extend(path.map(|_| words.clone()));
        tell_checked((&target.path, name), &result, &further, out, tools);
    }
    if matches!(made, Some(Err(_))) {
        exit = exit.max(Exit::Refused);
        told(None, &words, exit, &json, out);
    } else if out.json {
        told(path.map(String::as_str), &words, exit, &json, out);
    }
    if let Some(found) = found.filter(|_| out.json) {
        json.send("verdict", others_verdict(&target.path, found, exit));
    }
    exit
}

/// Tells what became of the page: to programs, and where there is none to people.
fn told(path: Option<&str>, words: &str, exit: Exit, json: &Json, out: Out) {
    if out.json {
        let body =
            json!({"what": "folder", "path": path, "detail": words, "exit_code": exit.code()});
        json.send("report", body);
    } else {
        explain(&[words.to_owned()], out);
    }
}

/// Says what is in the way of a page, before anything is read for it.
fn may_begin(target: &CheckTarget, args: &ReportArgs, tools: &Tools) -> Result<(), NoPage> {
    let disk = tools.disk.as_ref();
    if target.list.is_none() && !has_list(disk, &target.path) {
        // There is nothing to check, and that is said.
        return Ok(());
    }
    if args.pictures {
        return Err(NoPage::PicturesOfOthers);
    }
    let to = args.to.as_deref().ok_or(NoPage::NoPlace)?;
    if is_taken(disk, to) {
        return Err(NoPage::Exists(shown(to.as_str())));
    }
    let folder = match to.parent() {
        Some(folder) if folder != "" => folder,
        _ => Utf8Path::new("."),
    };
    let there = disk.facts(folder);
    let there = there.map_err(|why| NoPage::NoFolder(shown(to.as_str()), why))?;
    let checked = disk.facts(&target.path).ok();
    let is_inside = checked.is_some_and(|checked| {
        let folder = (checked.device, checked.inode);
        there.ancestors.contains(&folder) || (there.device, there.inode) == folder
    });
    if is_inside {
        return Err(NoPage::Inside(shown(to.as_str())));
    }
    Ok(())
}

/// Says which offloads below the folder are none of this page's business.
fn not_checked(target: &CheckTarget) -> Vec<String> {
    let all = len64(target.apart.len());
    let named = target.apart.iter().map(|offload| offload.as_str());
    let named = some_of(named, OFFLOADS_NAMED, all, "");
    let words = format!(
        "{} below it {} not checked here, {named}: each has a page of its own.",
        counted(all, "offload"),
        if all == 1 { "was" } else { "were" }
    );
    (all > 0).then_some(words).into_iter().collect()
}

fn made_page(
    found: &OthersFindings,
    named: (&str, &str),
    (begun, bytes_read): (Timestamp, u64),
    further: &[String],
    args: &ReportArgs,
    out: Out,
    tools: &Tools,
) -> String {
    let words = others_words(named, found, FINDINGS_SHOWN, out);
    let (word, is_good, sentence) = &words.answer;
    let notes: Vec<String> = words.notes.iter().chain(further).cloned().collect();
    page(&CheckPage {
        found,
        answer: (*word, *is_good),
        sentence,
        notes: &notes,
        steps: &words.steps,
        lists: &lists_words(found, LISTS_ON_PAGE),
        list: args.list.as_deref().map(Utf8Path::as_str),
        bytes_read,
        begun,
        ended: tools.clock.now(),
        zone: &tools.clock.zone(),
        host: &tools.host,
    })
}
