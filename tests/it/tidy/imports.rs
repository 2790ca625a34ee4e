//! Which file of `src` imports which: no circles, and the order within `cli`.

use super::{code, sources};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// The parts of `cli` from the bottom up; a file imports only from its own part and from those
/// before it.
const CLI: [&str; 10] = [
    "exit",
    "wrong_value",
    "args",
    "system",
    "view",
    "home",
    "command",
    "desk",
    "watch",
    "mod",
];

/// A module's path: `["cli", "view", "out"]`.
type Module = Vec<String>;

/// The files of `src` as modules, without those that hold tests only.
struct Tree {
    files: BTreeMap<Module, String>,
}

impl Tree {
    fn of_source() -> Self {
        let files = sources()
            .into_iter()
            .map(|(path, text)| (module(&path), without_comments(code(&text))));
        Self {
            files: files
                .filter(|(module, _)| !module.last().is_some_and(|m| m.ends_with("tests")))
                .collect(),
        }
    }

    /// The modules that a file imports from, itself and those left out that only declare their
    /// children.
    fn imports(&self, of: &Module) -> BTreeSet<Module> {
        let text = &self.files[of];
        let mut names: BTreeMap<String, Module> = children(text)
            .map(|child| {
                (
                    child.to_owned(),
                    [of.as_slice(), &[child.to_owned()]].concat(),
                )
            })
            .collect();
        let mut found = BTreeSet::new();
        let (trees, rest) = split(text);
        let mut paths = Vec::new();
        for tree in &trees {
            expand(&[], tree, &mut paths);
        }
        for (path, name) in paths {
            let Some(whole) = resolve(of, &names, &path) else {
                continue;
            };
            if self.files.contains_key(&whole) {
                names.insert(name, whole.clone());
            }
            found.extend(self.file_of(whole));
        }
        for path in inline(&rest) {
            found.extend(resolve(of, &names, &path).and_then(|whole| self.file_of(whole)));
        }
        found.retain(|module| module != of && !only_declares(&self.files[module]));
        found
    }

    /// The innermost file on a path.
    fn file_of(&self, mut path: Module) -> Option<Module> {
        while !self.files.contains_key(&path) {
            path.pop()?;
        }
        Some(path)
    }

    /// Groups of files of which each leads back to itself.
    fn circles(&self) -> Vec<BTreeSet<Module>> {
        let edges: BTreeMap<&Module, BTreeSet<Module>> =
            self.files.keys().map(|m| (m, self.imports(m))).collect();
        let reach = |from: &Module| {
            let mut seen = BTreeSet::new();
            let mut next: Vec<&Module> = edges[from].iter().collect();
            while let Some(module) = next.pop() {
                if seen.insert(module.clone()) {
                    next.extend(&edges[module]);
                }
            }
            seen
        };
        let reached: BTreeMap<&Module, BTreeSet<Module>> =
            self.files.keys().map(|m| (m, reach(m))).collect();
        let circle = |m: &Module| -> BTreeSet<Module> {
            let back = reached[m]
                .iter()
                .filter(|other| reached[*other].contains(m));
            back.cloned().collect()
        };
        let circles: BTreeSet<_> = self.files.keys().map(circle).collect();
        circles.into_iter().filter(|c| c.len() > 1).collect()
    }
}

/// The module that a file is: `cli/view/out.rs` is `cli::view::out`, `cli/view/mod.rs` is
/// `cli::view`.
fn module(path: &Path) -> Module {
    let path = path.with_extension("");
    let parts = path.iter().map(|part| part.to_str().unwrap().to_owned());
    let mut parts: Module = parts.collect();
    if matches!(parts.last().map(String::as_str), Some("mod" | "lib")) {
        parts.pop();
    }
    parts
}

fn without_comments(text: &str) -> String {
    let lines = text.lines().filter(|l| !l.trim_start().starts_with("//"));
    lines.flat_map(|line| [line, "\n"]).collect()
}

/// The modules that a file declares in files of their own.
fn children(text: &str) -> impl Iterator<Item = &str> {
    text.lines().filter_map(|line| {
        let (visibility, rest) = line.split_once("mod ")?;
        let is_one = visibility.is_empty() || visibility.starts_with("pub");
        rest.strip_suffix(';').filter(|_| is_one)
    })
}

fn only_declares(text: &str) -> bool {
    text.lines()
        .all(|line| line.is_empty() || line.starts_with('#') || children(line).count() == 1)
}

/// The `use` declarations of a file, and all else.
fn split(text: &str) -> (Vec<String>, String) {
    let (mut trees, mut rest) = (Vec::new(), String::new());
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        let tree = line.split_once("use ").filter(|(before, _)| {
            let before = before.trim();
            before.is_empty() || (before.starts_with("pub") && !before.contains(' '))
        });
        let Some((_, tree)) = tree else {
            rest.extend([line, "\n"]);
            continue;
        };
        let mut tree = tree.to_owned();
        while !tree.ends_with(';') {
            tree.push_str(lines.next().unwrap());
        }
        trees.push(tree.trim_end_matches(';').to_owned());
    }
    (trees, rest)
}

/// The paths of a `use` declaration, each with the name that it has from then on.
fn expand(prefix: &[String], tree: &str, found: &mut Vec<(Vec<String>, String)>) {
    let tree = tree.trim();
    if let Some((head, inner)) = tree.split_once('{') {
        let head = head.split("::").map(str::trim).filter(|s| !s.is_empty());
        let prefix = [prefix, &head.map(str::to_owned).collect::<Vec<_>>()].concat();
        let inner = inner.strip_suffix('}').unwrap();
        let (mut depth, mut from) = (0, 0);
        for (at, c) in inner.char_indices() {
            match c {
                '{' => depth += 1,
                '}' => depth -= 1,
                ',' if depth == 0 => {
                    expand(&prefix, &inner[from..at], found);
                    from = at + 1;
                }
                _ => {}
            }
        }
        expand(&prefix, &inner[from..], found);
    } else if !tree.is_empty() {
        let (path, name) = tree.split_once(" as ").unwrap_or((tree, ""));
        let parts = path.split("::").map(str::to_owned);
        let path: Vec<String> = prefix
            .iter()
            .cloned()
            .chain(parts)
            .filter(|p| p != "self" || prefix.is_empty())
            .collect();
        let name = if name.is_empty() {
            path.last().unwrap()
        } else {
            name
        };
        found.push((path.clone(), name.to_owned()));
    }
}

/// Paths in the code itself: `super::out::clear`, `signals::AtWork`.
fn inline(text: &str) -> Vec<Vec<String>> {
    let is_part = |c: char| c.is_ascii_alphanumeric() || c == '_' || c == ':';
    let words = text
        .split(|c| !is_part(c))
        .filter(|word| word.contains("::"));
    words
        .map(|word| word.split("::").map(str::to_owned).collect())
        .collect()
}

/// The path from the top that a path in a file means; `None` if it leads out of this tree.
fn resolve(of: &Module, names: &BTreeMap<String, Module>, path: &[String]) -> Option<Module> {
    let (first, mut rest) = path.split_first()?;
    let mut base = match first.as_str() {
        "crate" => Module::new(),
        "self" => of.clone(),
        "super" => of[..of.len().checked_sub(1)?].to_vec(),
        name => names.get(name)?.clone(),
    };
    while rest.first().is_some_and(|part| part == "super") {
        base.pop()?;
        rest = &rest[1..];
    }
    Some([base.as_slice(), rest].concat())
}

#[test]
fn files_do_not_import_each_other_in_circles() {
    let tree = Tree::of_source();
    let imports: usize = tree.files.keys().map(|m| tree.imports(m).len()).sum();
    assert!(imports > 500, "the check saw {imports} imports only");
    assert_eq!(tree.circles(), [], "files import each other");
}

#[test]
fn the_program_is_built_from_the_bottom_up() {
    let tree = Tree::of_source();
    let part = |module: &Module| {
        let name = module.get(1).map_or("mod", String::as_str);
        let place = CLI.iter().position(|part| *part == name);
        place.unwrap_or_else(|| panic!("`{name}` has no place in `cli`"))
    };
    let of_cli = |module: &&Module| module.first().is_some_and(|top| top == "cli");
    let mut checked = 0;
    for mine in tree.files.keys().filter(of_cli) {
        for theirs in tree.imports(mine).iter().filter(of_cli) {
            let told = format!("`{}` imports `{}`", mine.join("::"), theirs.join("::"));
            assert!(part(theirs) <= part(mine), "{told}");
            if let ("command", [_, _, own, ..], [_, _, other, ..]) =
                (CLI[part(theirs)], mine.as_slice(), theirs.as_slice())
                && CLI[part(mine)] == "command"
            {
                assert!(
                    other == own || other == "shared",
                    "{told}: a command of another"
                );
            }
            checked += 1;
        }
    }
    assert!(checked > 100, "the check saw {checked} imports only");
}

#[test]
fn imports_are_found_however_they_are_written() {
    let text = "mod child;\nuse super::a::{self, B, c::{D, E as F}};\npub(crate) use \
        crate::x::Y;\nfn f() { a::g(); crate::z::h(); child::i(); super::super::w::V }\n";
    let files = [
        (vec!["m", "n"], text),
        (vec!["m", "n", "child"], "fn i() {}"),
        (vec!["m", "a"], "fn g() {}"),
        (vec!["m", "a", "c"], "fn d() {}"),
        (vec!["m"], "mod n;\nmod a;\n"),
        (vec!["x"], "fn y() {}"),
        (vec!["z"], "use crate::m::n::f;"),
        (vec!["w"], "fn v() {}"),
        (vec![], "mod m;"),
    ];
    let own = |path: &[&str]| path.iter().map(|p| (*p).to_owned()).collect::<Module>();
    let files = files
        .map(|(path, text)| (own(&path), text.to_owned()))
        .into();
    let tree = Tree { files };
    let told: Vec<String> = tree
        .imports(&own(&["m", "n"]))
        .iter()
        .map(|m| m.join("::"))
        .collect();
    assert_eq!(told, ["m::a", "m::a::c", "m::n::child", "w", "x", "z"]);
    let circle: BTreeSet<Module> = [own(&["m", "n"]), own(&["z"])].into();
    assert_eq!(tree.circles(), [circle]);
}
