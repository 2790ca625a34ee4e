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
const FEATURES: &str = match (cfg!(feature = "desk"), cfg!(feature = "notices")) {
    (true, true) => "desk, notices",
    (true, false) => "desk; not in this build: notices",
    (false, true) => "notices; not in this build: desk",
    (false, false) => "none; not in this build: desk, notices",
};

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
        format!("Features   {FEATURES}"),
    ]
    .join("\n")
}
