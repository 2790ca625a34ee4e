//! The rules themselves. Each takes files and returns what breaks it, so that a test can break it.

use super::LAYERS;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// Lines that a function may have.
const FUNCTION_LINES_MAX: usize = 70;
/// Lines that a file of `src` may have without its tests.
pub(super) const FILE_LINES_MAX: usize = 600;
/// Lines that a document may have that is read first.
pub(super) const DOCUMENT_LINES_MAX: usize = 150;
/// Characters that a line may have.
pub(super) const WIDTH_MAX: usize = 100;

/// A file with its path below the folder that was asked for, and its text.
pub(super) type File = (PathBuf, String);

/// The files below a folder of the project that a rule is about.
pub(super) fn files_in(folder: &str, extensions: &[&str]) -> Vec<File> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join(folder);
    walkdir::WalkDir::new(&root)
        .into_iter()
        .filter_entry(|e| e.file_name() != "node_modules")
        .map(Result::unwrap)
        .filter(|e| {
            let extension = e.path().extension().unwrap_or_default();
            e.file_type().is_file() && extensions.iter().any(|x| extension == *x)
        })
        .map(|e| {
            let text = std::fs::read_to_string(e.path()).unwrap();
            (e.path().strip_prefix(&root).unwrap().to_path_buf(), text)
        })
        .collect()
}

/// The part of a file before its unit tests.
pub(super) fn code(text: &str) -> &str {
    text.split("#[cfg(test)]\nmod tests").next().unwrap()
}

fn is_tests(path: &Path) -> bool {
    let stem = path.file_stem().unwrap().to_str().unwrap();
    stem.ends_with("tests")
}

fn top(path: &Path) -> &str {
    let first = Path::new(path.components().next().unwrap().as_os_str());
    first.file_stem().unwrap().to_str().unwrap()
}

/// Imports that climb, and how many were looked at.
pub(super) fn climbing(files: &[File]) -> (Vec<String>, usize) {
    let layers: BTreeMap<&str, u32> = LAYERS.into();
    let layer = |module: &str| layers.get(module).copied();
    let (mut faults, mut checked) = (Vec::new(), 0);
    for (path, text) in files {
        let module = top(path);
        if matches!(module, "cli" | "main" | "lib") {
            continue;
        }
        for rest in code(text).split("crate::").skip(1) {
            let is_part = |c: char| c.is_ascii_alphanumeric() || c == '_';
            let other = rest.split(|c| !is_part(c)).next().unwrap();
            checked += 1;
            if other != module && (layer(other).is_none() || layer(other) >= layer(module)) {
                faults.push(format!("{}: `{module}` imports `{other}`", path.display()));
            }
        }
    }
    (faults, checked)
}

fn words(files: &[File], exempt: &[&str], words: &[&str]) -> Vec<String> {
    let files = files
        .iter()
        .filter(|(path, _)| !exempt.contains(&top(path)));
    let found = files.flat_map(|(path, text)| {
        let found = words.iter().filter(|word| code(text).contains(**word));
        found.map(|word| format!("{}: {word}", path.display()))
    });
    found.collect()
}

/// Where the library knows the terminal.
pub(super) fn speaking(files: &[File]) -> Vec<String> {
    let terminal = ["clap", "println!", "eprintln!", "stdout()", "stderr()"];
    words(files, &["cli", "main"], &terminal)
}

/// Where files are opened outside the disk seam. The demo makes its card and turns its bit with its
/// own hands, outside any offload; `sys` asks about files that `disk` opened.
pub(super) fn opening(files: &[File]) -> Vec<String> {
    let opening = [
        "std::fs",
        "File::",
        "OpenOptions",
        "walkdir::",
        "tempfile::",
        "rustix::",
    ];
    words(files, &["disk", "cli", "sys"], &opening)
}

/// Channels of another kind than the one that is used, and such without a bound. What a body of
/// HTTP is made of has to be waited for without a thread.
pub(super) fn channels(files: &[File]) -> Vec<String> {
    let is_body = |path: &Path| path == Path::new("place/dav/put.rs");
    let mut found = words(files, &[], &["unbounded"]);
    let others: Vec<File> = files.iter().filter(|(p, _)| !is_body(p)).cloned().collect();
    found.extend(words(&others, &[], &["mpsc"]));
    found
}

/// Unsafe code outside its small place or without a reason, and how many blocks were looked at.
pub(super) fn unsafe_code(files: &[File]) -> (Vec<String>, usize) {
    let (mut faults, mut blocks) = (Vec::new(), 0);
    for (path, text) in files {
        let at = path.display();
        if !path.starts_with("sys") {
            if text.contains("unsafe_code") || text.contains("unsafe {") {
                faults.push(format!("{at}: unsafe code outside `sys`"));
            }
            continue;
        }
        if text.lines().count() > 300 {
            faults.push(format!("{at}: no longer small"));
        }
        for (place, _) in text.match_indices("unsafe {") {
            let mut before = text[..place].lines().rev().take(8);
            if !before.any(|line| line.contains("// SAFETY: ")) {
                let line = text[..place].lines().count();
                faults.push(format!("{at}:{line}: an unsafe block without its reason"));
            }
            blocks += 1;
        }
    }
    (faults, blocks)
}

/// Functions that are too long.
pub(super) fn long_functions(files: &[File]) -> Vec<String> {
    let starts = [
        "fn ",
        "pub fn ",
        "pub(crate) fn ",
        "pub(super) fn ",
        "const fn ",
    ];
    let mut faults = Vec::new();
    for (path, text) in files {
        let mut start = None;
        for (number, line) in code(text).lines().enumerate() {
            let body = line.trim_start();
            let indent = line.len() - body.len();
            let is_fn = starts.iter().any(|start| body.starts_with(start));
            if is_fn && body.ends_with([';', '}']) {
                continue;
            }
            if is_fn {
                start = Some((number, indent));
            } else if let Some((from, at)) = start
                && body == "}"
                && indent == at
            {
                let lines = number - from + 1;
                if lines > FUNCTION_LINES_MAX {
                    let at = path.display();
                    faults.push(format!("{at}:{}: a function of {lines} lines", from + 1));
                }
                start = None;
            }
        }
    }
    faults
}

/// Files of `src` that are too long without their tests.
pub(super) fn long_files(files: &[File]) -> Vec<String> {
    let files = files.iter().filter(|(path, _)| !is_tests(path));
    let long = files.filter(|(_, text)| code(text).lines().count() > FILE_LINES_MAX);
    long.map(|(path, _)| path.display().to_string()).collect()
}

/// Lines that are too wide, but for tables and links of Markdown and for what can't be broken.
pub(super) fn wide_lines(files: &[File]) -> Vec<String> {
    let mut faults = Vec::new();
    for (path, text) in files {
        let is_markdown = path.extension().is_some_and(|x| x == "md");
        for (number, line) in text.lines().enumerate() {
            let is_table = line.trim_start_matches(['/', '!', ' ']).starts_with('|');
            let is_link = line.contains("://") || (is_markdown && line.contains("]("));
            let is_one_word = line.trim_start_matches(['/', '!', '#', ' ']).contains(' ');
            if line.chars().count() > WIDTH_MAX && !is_table && !is_link && is_one_word {
                faults.push(format!("{}:{}", path.display(), number + 1));
            }
        }
    }
    faults
}

/// Short documents that are too long or too wide. Here tables and links count as well.
pub(super) fn long_documents(files: &[File]) -> Vec<String> {
    let mut faults = Vec::new();
    for (path, text) in files {
        let lines = text.lines().count();
        if lines > DOCUMENT_LINES_MAX {
            faults.push(format!("{}: {lines} lines", path.display()));
        }
        let wide = text.lines().enumerate();
        let wide = wide.filter(|(_, line)| line.chars().count() > WIDTH_MAX);
        faults.extend(wide.map(|(n, _)| format!("{}:{}", path.display(), n + 1)));
    }
    faults
}

/// Names of types that stand for several things. What each system has in a form of its own is one.
pub(super) fn shared_names(files: &[File]) -> Vec<String> {
    let systems = ["unix", "linux", "macos", "windows"];
    let mut places: BTreeMap<&str, BTreeSet<PathBuf>> = BTreeMap::new();
    for (path, text) in files.iter().filter(|(path, _)| !is_tests(path)) {
        // The file of a system, or any in its folder, stands for the folder around that.
        let is_form = |at: &&Path| systems.iter().any(|s| at.file_stem().unwrap() == *s);
        let form = path.ancestors().filter(|at| at.file_stem().is_some());
        let place = match form.filter(is_form).last() {
            Some(form) => form.parent().unwrap(),
            None => path,
        };
        for line in code(text).lines() {
            let mut words = line.split_whitespace().filter(|w| !w.starts_with("pub"));
            let defines = ["struct", "enum", "trait", "type"];
            if words.next().is_some_and(|word| defines.contains(&word))
                && let Some(name) = words.next()
                && line.starts_with(|c: char| c.is_ascii_alphabetic())
            {
                let name = name.split(|c: char| !c.is_ascii_alphanumeric());
                let place = place.to_path_buf();
                places
                    .entry(name.into_iter().next().unwrap())
                    .or_default()
                    .insert(place);
            }
        }
    }
    places.retain(|_, places| places.len() > 1);
    places.into_keys().map(str::to_owned).collect()
}

/// Modules without a comment that says what they own.
pub(super) fn without_comment(files: &[File]) -> Vec<String> {
    let bare = files.iter().filter(|(_, text)| !text.starts_with("//! "));
    bare.map(|(path, _)| path.display().to_string()).collect()
}
