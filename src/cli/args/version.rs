//! Owns the facts of this build that `--version` tells.

use std::sync::LazyLock;
use unlade::disk::os::READ_BACK_WAYS;

/// Version, commit, target, compiler, the ways in which this build can read back, and what was left
/// out of it; from the second line on, a fact a line.
pub(crate) fn facts() -> &'static str {
    static FACTS: LazyLock<String> = LazyLock::new(make);
    &FACTS
}

/// The parts that a build may have or not.
const PARTS: [(&str, bool); 3] = [
    ("desk", cfg!(feature = "desk")),
    ("notices", cfg!(feature = "notices")),
    ("offsite", cfg!(feature = "offsite")),
];

/// Which of these parts this build has, and which it has not.
fn features(parts: &[(&str, bool)]) -> String {
    let named = |has: bool| -> Vec<&str> {
        let of = parts.iter().filter(|(_, own)| *own == has);
        of.map(|(name, _)| *name).collect()
    };
    let (has, not) = (named(true), named(false));
    let mut words = if has.is_empty() {
        "none".to_owned()
    } else {
        has.join(", ")
    };
    if !not.is_empty() {
        words.push_str("; not in this build: ");
        words.push_str(&not.join(", "));
    }
    words
}

fn make() -> String {
    let kind = if cfg!(debug_assertions) {
        "with checks for developers, slow"
    } else {
        "release"
    };
    let ways: Vec<&str> = READ_BACK_WAYS.iter().map(|way| way.id()).collect();
    [
        env!("CARGO_PKG_VERSION").to_owned(),
        format!("Commit     {}", env!("UNLADE_COMMIT")),
        format!("Target     {} ({kind})", env!("UNLADE_TARGET")),
        format!("Compiler   {}", env!("UNLADE_COMPILER")),
        format!("Read-back  {}", ways.join(", ")),
        format!("Features   {}", features(&PARTS)),
    ]
    .join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_build_has_and_what_not() {
        let all = |has: [bool; 2]| [("desk", has[0]), ("notices", has[1])];
        for (has, said) in [
            ([true, true], "desk, notices"),
            ([true, false], "desk; not in this build: notices"),
            ([false, false], "none; not in this build: desk, notices"),
        ] {
            assert_eq!(features(&all(has)), said);
        }
    }
}
