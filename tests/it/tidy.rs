//! Rules of the house that a compiler does not check: layers, who may print, who may open files,
//! how long a function, a file or a line may be, and that a type's name stands for one thing.

mod imports;
mod rules;
pub(crate) mod words;

use rules::{File, code, files_in};
use std::path::Path;

/// Modules of the library from the bottom up. A module imports only from its own layer's folder and
/// from layers below.
const LAYERS: [(&str, u32); 27] = [
    ("units", 0),
    ("sys", 0),
    ("name", 1),
    ("digest", 0),
    ("hash_algorithm", 2),
    ("clock", 0),
    ("error", 2),
    ("record", 6),
    ("disk", 3),
    ("card", 4),
    ("inspect", 5),
    ("speed", 4),
    ("kit", 7),
    ("measure", 5),
    ("plan", 8),
    ("place", 12),
    ("event", 9),
    ("offload", 10),
    ("proof", 11),
    ("report", 13),
    ("ledger", 12),
    ("existing", 7),
    ("run", 14),
    ("verify", 9),
    ("queue", 15),
    ("station", 0),
    ("lib", 16),
];

fn sources() -> Vec<File> {
    files_in("src", &["rs"])
}

/// Everything of the project that is read by people, but for what is made by programs.
fn texts() -> Vec<File> {
    let folders = ["src", "tests", "benches", "fuzz", "docs", ".ci"];
    let kinds = ["rs", "md", "mjs", "py", "toml", ""];
    let below = folders.iter().flat_map(|folder| {
        let files = files_in(folder, &kinds).into_iter();
        files.map(move |(path, text)| (Path::new(folder).join(path), text))
    });
    let alone = ["README.md", "DEVELOPERS.md", "CHANGELOG.md", "build.rs"];
    let alone = alone.iter().map(|name| {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(name);
        (name.into(), std::fs::read_to_string(path).unwrap())
    });
    below.chain(alone).collect()
}

#[test]
fn imports_never_run_upward() {
    let (faults, checked) = rules::climbing(&sources());
    assert_eq!(faults, [""; 0]);
    assert!(checked > 50, "the check saw {checked} imports only");
}

#[test]
fn only_the_program_knows_the_terminal() {
    assert_eq!(rules::speaking(&sources()), [""; 0]);
}

#[test]
fn only_the_disk_seam_opens_files() {
    assert_eq!(rules::opening(&sources()), [""; 0]);
}

#[test]
fn threads_talk_over_one_kind_of_channel() {
    assert_eq!(rules::channels(&sources()), [""; 0]);
}

#[test]
fn unsafe_code_is_in_one_small_place_and_each_block_says_why() {
    let (faults, blocks) = rules::unsafe_code(&sources());
    assert_eq!(faults, [""; 0]);
    assert!(blocks >= 10, "the check saw {blocks} blocks only");
}

#[test]
fn functions_stay_short() {
    assert_eq!(rules::long_functions(&sources()), [""; 0]);
}

#[test]
fn files_stay_short() {
    let long = rules::long_files(&sources());
    assert_eq!(long, [""; 0], "more than {} lines", rules::FILE_LINES_MAX);
}

#[test]
fn lines_stay_narrow() {
    let texts = texts();
    assert!(
        texts.len() > 100,
        "the check saw {} files only",
        texts.len()
    );
    let wide = rules::wide_lines(&texts);
    assert_eq!(wide, [""; 0], "more than {} characters", rules::WIDTH_MAX);
}

/// What is read first is read whole only if it is short.
#[test]
fn documents_that_are_read_first_stay_short() {
    let first = ["README.md", "DEVELOPERS.md"].map(|name| Path::new(name).to_path_buf());
    let texts = texts().into_iter().filter(|(path, _)| first.contains(path));
    let texts: Vec<File> = texts.collect();
    assert_eq!(texts.len(), first.len());
    assert_eq!(
        rules::long_documents(&texts),
        [""; 0],
        "more than {} lines of {} characters",
        rules::DOCUMENT_LINES_MAX,
        rules::WIDTH_MAX
    );
}

/// The glossary itself names the old words.
#[test]
fn documents_for_people_have_one_word_for_one_thing() {
    let pages = files_in("docs", &["md"]).into_iter();
    let pages = pages.filter(|(path, _)| !path.starts_with("dev") && path != "glossary.md");
    let readme = texts().into_iter();
    let readme = readme.filter(|(path, _)| path == "README.md");
    let documents: Vec<File> = pages.chain(readme).collect();
    assert!(documents.len() > 9, "{}", documents.len());
    assert_eq!(words::old_words(&documents), [""; 0]);
}

/// What the program can ever say, also where no test makes it say so.
#[test]
fn texts_of_the_program_have_one_word_for_one_thing() {
    let sources = sources().into_iter();
    let sources = sources.filter(|(path, _)| !path.to_string_lossy().contains("tests"));
    let said: Vec<File> = sources.flat_map(|file| words::said_in(&file)).collect();
    assert!(
        said.len() > 1_000,
        "the check saw {} texts only",
        said.len()
    );
    let faults: Vec<String> = said
        .chunks(1)
        .flat_map(|one| {
            let faults = words::old_words(one).into_iter();
            faults.map(|fault| format!("{fault}: {}", one[0].1))
        })
        .collect();
    assert_eq!(faults, [""; 0]);
    let kinds = [
        ("f(\"on each destination\")", 1),
        (
            "// \"on each destination\"\nf(\"destination\", 'a', \"a b\")",
            0,
        ),
        ("f('\"', \"on each \\\n    destination of {name}\")", 1),
        ("r#\"a destination\"#", 1),
        ("\"{} left\", \"{} of it left\"", 1),
    ];
    for (source, expected) in kinds {
        let said = words::said_in(&("a.rs".into(), source.to_owned()));
        let faults = said.chunks(1).flat_map(words::old_words).count();
        assert_eq!(faults, expected, "{source}: {said:?}");
    }
}

#[test]
fn pages_for_people_have_one_word_for_one_thing() {
    let pages = crate::page::samples().into_iter().enumerate();
    let pages: Vec<File> = pages
        .map(|(at, page)| (format!("page {at}").into(), words::text_of_page(&page)))
        .collect();
    assert!(pages.iter().all(|(_, text)| text.contains("What was shot")));
    assert_eq!(words::old_words(&pages), [""; 0]);
    let broken = "<body><p>On each <b>destination</b>, <code>dropped</code></p>";
    let broken = [("page".into(), words::text_of_page(broken))];
    assert_eq!(words::old_words(&broken).len(), 1);
}

#[test]
fn a_name_of_a_type_stands_for_one_thing() {
    let shared = rules::shared_names(&sources());
    assert_eq!(shared, [""; 0], "types of one name in several files");
}

#[test]
fn every_module_says_what_it_owns() {
    assert_eq!(rules::without_comment(&sources()), [""; 0]);
}

/// Each rule finds what breaks it, and nothing in what keeps it.
#[test]
fn each_rule_can_be_broken() {
    type Rule = fn(&[File]) -> Vec<String>;
    let wide = format!("// {}", "kite ".repeat(20));
    let long_function = format!("fn f() {{\n{}}}\n", "    g();\n".repeat(70));
    let long_file = "use a;\n".repeat(601);
    let tested = format!("#[cfg(test)]\nmod tests {{\n{long_file}}}\n");
    let long_document = "A kite.\n".repeat(151);
    let wide_table = format!("| {}|\n", "kite ".repeat(20));
    let rules: [(Rule, &str, &str, &str); 15] = [
        (
            |f| rules::climbing(f).0,
            "disk/mod.rs",
            "use crate::plan::Plan;",
            "use crate::units::Size;",
        ),
        (
            rules::speaking,
            "plan/mod.rs",
            "println!(\"kite\");",
            "format!(\"kite\");",
        ),
        (
            rules::opening,
            "plan/mod.rs",
            "std::fs::read(path)",
            "disk.read(path)",
        ),
        (
            rules::channels,
            "cli/view/out.rs",
            "let (tell, told) = mpsc::channel();",
            "let (tell, told) = bounded(1);",
        ),
        (
            |f| rules::unsafe_code(f).0,
            "sys/unix.rs",
            "unsafe { f() }",
            "// SAFETY: it is.\nunsafe { f() }",
        ),
        (
            rules::long_functions,
            "plan/mod.rs",
            &long_function,
            "fn f() {\n    g();\n}\n",
        ),
        (rules::long_files, "plan/mod.rs", &long_file, &tested),
        (rules::wide_lines, "plan/mod.rs", &wide, "// kite"),
        (
            rules::shared_names,
            "plan/mod.rs",
            "pub(crate) struct Other<T> {",
            "struct Own {",
        ),
        (
            rules::without_comment,
            "plan/mod.rs",
            "use a;",
            "//! Owns the plan.",
        ),
        (
            rules::long_documents,
            "README.md",
            &long_document,
            "A kite.\n",
        ),
        (rules::long_documents, "README.md", &wide_table, "| kite |"),
        (
            words::old_words,
            "README.md",
            "It is on each\ndestination, all of it.",
            "In [`destination`](destination.md)\n\n    destination\n\nThe **time left**.",
        ),
        (
            words::old_words,
            "README.md",
            "Two were [left](a.md).",
            "A socket, pipe or device.",
        ),
        (words::old_words, "README.md", "UNCHANGED", "unchanged"),
    ];
    for (n, (rule, path, broken, kept)) in rules.into_iter().enumerate() {
        let beside = (
            "disk/os.rs".into(),
            "//! Owns it.\nenum Other {\n".to_owned(),
        );
        let found = |text: &str| rule(&[(path.into(), text.to_owned()), beside.clone()]).len();
        assert_eq!((found(broken), found(kept)), (1, 0), "rule {n}: {path}");
    }
    // Tables and links are as wide as they have to be, and what has no blank can't be broken.
    for text in ["| kite ", "[kite](docs) ", "https://kites.example "] {
        let text = text.repeat(30);
        assert_eq!(rules::wide_lines(&[("README.md".into(), text)]), [""; 0]);
    }
    let forms = ["disk/os/unix.rs", "disk/os/windows/mod.rs"];
    let forms = forms.map(|path| (path.into(), "pub struct Drive;".to_owned()));
    assert_eq!(
        rules::shared_names(&forms),
        [""; 0],
        "one thing in two forms"
    );
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
        // In prose `docs/...` and `src/...` are paths from the root; in a link from the document
        // itself.
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
