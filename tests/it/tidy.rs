//! Rules of the house that a compiler does not check: layers, who may print, who may open files,
//! how long a function may be.

mod files;
mod imports;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

/// Modules of the library from the bottom up. A module imports only from its own layer's folder and
/// from layers below.
const LAYERS: [(&str, u32); 23] = [
    ("units", 0),
    ("sys", 0),
    ("name", 1),
    ("digest", 0),
    ("hash_algorithm", 2),
    ("clock", 0),
    ("error", 2),
    ("record", 5),
    ("disk", 3),
    ("card", 4),
    ("speed", 4),
    ("kit", 5),
    ("measure", 5),
    ("plan", 7),
    ("event", 8),
    ("offload", 9),
    ("proof", 10),
    ("report", 12),
    ("ledger", 11),
    ("existing", 6),
    ("run", 13),
    ("verify", 8),
    ("lib", 14),
];

/// Lines that a function may have.
const FUNCTION_LINES_MAX: usize = 70;

fn sources() -> Vec<(PathBuf, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    walkdir::WalkDir::new(&root)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| e.path().extension().is_some_and(|x| x == "rs"))
        .map(|e| {
            let text = std::fs::read_to_string(e.path()).unwrap();
            (e.path().strip_prefix(&root).unwrap().to_path_buf(), text)
        })
        .collect()
}

/// The part of a file before its unit tests.
fn code(text: &str) -> &str {
    text.split("#[cfg(test)]\nmod tests").next().unwrap()
}

fn top(path: &Path) -> String {
    let first = path.components().next().unwrap().as_os_str();
    Path::new(first)
        .file_stem()
        .unwrap()
        .to_str()
        .unwrap()
        .to_owned()
}

#[test]
fn imports_never_run_upward() {
    let layers: BTreeMap<&str, u32> = LAYERS.into();
    let mut checked = 0;
    for (path, text) in sources() {
        let module = top(&path);
        if matches!(module.as_str(), "cli" | "main" | "lib" | "build") {
            continue;
        }
        let mine = layers
            .get(module.as_str())
            .unwrap_or_else(|| panic!("{module} has no layer"));
        for (at, _) in code(&text).match_indices("crate::") {
            let rest = &text[at + "crate::".len()..];
            let other: String = rest
                .chars()
                .take_while(|c| c.is_ascii_alphanumeric() || *c == '_')
                .collect();
            if other == module {
                continue;
            }
            let theirs = layers
                .get(other.as_str())
                .unwrap_or_else(|| panic!("{}: unknown module {other}", path.display()));
            assert!(
                theirs < mine,
                "{}: `{module}` imports `{other}`",
                path.display()
            );
            checked += 1;
        }
    }
    assert!(checked > 50, "the check saw {checked} imports only");
}

#[test]
fn only_the_program_knows_the_terminal() {
    for (path, text) in sources() {
        // The build script speaks to Cargo.
        if matches!(top(&path).as_str(), "cli" | "main" | "build") {
            continue;
        }
        for word in ["clap", "println!", "eprintln!", "stdout()", "stderr()"] {
            assert!(!code(&text).contains(word), "{}: {word}", path.display());
        }
    }
}

#[test]
fn only_the_disk_seam_opens_files() {
    for (path, text) in sources() {
        // The demo makes its card and turns its bit with its own hands, outside any offload.
        // `sys` asks about files that `disk` opened.
        if ["disk", "cli", "sys"].iter().any(|m| path.starts_with(m)) {
            continue;
        }
        for word in [
            "std::fs",
            "File::",
            "OpenOptions",
            "walkdir::",
            "tempfile::",
            "rustix::",
        ] {
            assert!(!code(&text).contains(word), "{}: {word}", path.display());
        }
    }
}

#[test]
fn unsafe_code_is_in_one_small_place_and_each_block_says_why() {
    let mut blocks = 0;
    for (path, text) in sources() {
        if !path.starts_with("sys") {
            assert!(
                !text.contains("unsafe_code") && !text.contains("unsafe {"),
                "{}: unsafe code outside `sys`",
                path.display()
            );
            continue;
        }
        assert!(
            text.lines().count() <= 300,
            "{}: no longer small",
            path.display()
        );
        for (at, _) in text.match_indices("unsafe {") {
            let before: Vec<&str> = text[..at].lines().rev().take(8).collect();
            assert!(
                before.iter().any(|line| line.contains("// SAFETY: ")),
                "{}: an unsafe block without its reason after `{}`",
                path.display(),
                before.first().unwrap_or(&"")
            );
            blocks += 1;
        }
    }
    assert!(blocks >= 10, "the check saw {blocks} blocks only");
}

#[test]
fn functions_stay_short() {
    for (path, text) in sources() {
        let mut start = None;
        for (number, line) in code(&text).lines().enumerate() {
            let body = line.trim_start();
            let indent = line.len() - body.len();
            let is_fn = [
                "fn ",
                "pub fn ",
                "pub(crate) fn ",
                "pub(super) fn ",
                "const fn ",
            ]
            .iter()
            .any(|p| body.starts_with(p));
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
                assert!(
                    lines <= FUNCTION_LINES_MAX,
                    "{}:{}: a function of {lines} lines",
                    path.display(),
                    from + 1
                );
                start = None;
            }
        }
    }
}

#[test]
fn every_test_file_is_listed() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    for list in ["main.rs", "linux/mod.rs"] {
        let list = folder.join(list);
        let text = std::fs::read_to_string(&list).unwrap();
        for entry in std::fs::read_dir(list.parent().unwrap()).unwrap() {
            let path = entry.unwrap().path();
            let stem = path.file_stem().unwrap().to_str().unwrap();
            let listed = path == list || path.extension().is_some_and(|x| x != "rs");
            let listed = listed || text.contains(&format!("mod {stem};"));
            assert!(listed, "{stem} is not in {}", list.display());
        }
    }
}

#[test]
fn every_module_says_what_it_owns() {
    for (path, text) in sources() {
        assert!(
            text.starts_with("//! "),
            "{} begins without a module comment",
            path.display()
        );
    }
}

/// Every offload of a test is looked at by `truth`.
#[test]
fn no_test_goes_past_the_look_after_a_run() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let call = ["run", "::offload("].concat();
    for entry in walkdir::WalkDir::new(&root) {
        let path = entry.unwrap().into_path();
        if path.extension().is_some_and(|x| x == "rs") && !path.ends_with("truth.rs") {
            let text = std::fs::read_to_string(&path).unwrap();
            assert!(!text.contains(&call), "{}", path.display());
        }
    }
}

/// A link in a document leads to a file that is there.
#[test]
fn links_in_documents_lead_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut links = 0;
    let documents = ["README.md", "DEVELOPERS.md", "CHANGELOG.md"].map(|name| root.join(name));
    let book = walkdir::WalkDir::new(root.join("docs"));
    let book = book.into_iter().map(|e| e.unwrap().into_path());
    let book = book.filter(|path| path.extension().is_some_and(|x| x == "md"));
    for document in documents.into_iter().chain(book) {
        let text = std::fs::read_to_string(&document).unwrap();
        // In prose `docs/...` and `src/...` are paths from the root; in a link from the document itself.
        let linked = text.split("](").skip(1).map(|rest| {
            let target = rest.split([')', '#']).next().unwrap();
            (document.parent().unwrap().join(target), target)
        });
        let quoted = text.split('`').skip(1).step_by(2);
        let quoted =
            quoted.filter(|q| ["docs/", "src/", "tests/"].iter().any(|m| q.starts_with(m)));
        let quoted = quoted.filter(|q| !q.contains([' ', '*', '{', '<', '(']));
        let quoted = quoted.map(|q| (root.join(q), q));
        for (path, target) in linked.chain(quoted) {
            if target.is_empty() || target.contains("://") || target.starts_with("mailto:") {
                continue;
            }
            assert!(path.exists(), "{}: {target}", document.display());
            links += 1;
        }
    }
    assert!(links > 10, "the check saw {links} links only");
}
