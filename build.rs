//! Owns the facts of a build that `unlade --version` tells. Nothing here can fail a build: what
//! cannot be found out is told as not known.

use std::path::Path;
use std::process::Command;

/// What the facts depend on. Not the repository's own files: a commit that changes none of these is
/// built from the same source as the one before it.
const SOURCE: [&str; 4] = ["src", "build.rs", "Cargo.toml", "Cargo.lock"];

fn main() {
    for path in SOURCE {
        println!("cargo::rerun-if-changed={path}");
    }
    let compiler = std::env::var("RUSTC").ok();
    let compiler = compiler.and_then(|rustc| said_by(&rustc, &["--version"]));
    for (name, fact) in [
        ("UNLADE_COMMIT", commit()),
        ("UNLADE_TARGET", std::env::var("TARGET").ok()),
        ("UNLADE_COMPILER", compiler),
    ] {
        let fact = fact.unwrap_or_else(|| "not known".to_owned());
        println!("cargo::rustc-env={name}={fact}");
    }
}

/// The commit that the source was built from. In a source that was unpacked inside of another
/// repository git would answer for that one.
fn commit() -> Option<String> {
    if !Path::new(".git").exists() {
        return None;
    }
    let commit = said_by("git", &["rev-parse", "--short=12", "HEAD"])?;
    let status = ["status", "--porcelain", "--"].iter().chain(&SOURCE);
    let changes = said_by("git", &status.copied().collect::<Vec<_>>())?;
    let since = if changes.is_empty() {
        ""
    } else {
        ", changed since"
    };
    Some(format!("{commit}{since}"))
}

fn said_by(program: &str, arguments: &[&str]) -> Option<String> {
    let output = Command::new(program).args(arguments).output().ok()?;
    let said = String::from_utf8(output.stdout).ok()?;
    output.status.success().then(|| said.trim().to_owned())
}
