//! Owns the choice of the folder for kit and ledger. It makes no folder; whoever writes does.

use super::args::Common;
use camino::Utf8PathBuf;

/// Returns the folder for kit and ledger: `--home`, `UNLADE_HOME`, or the platform's data folder.
///
/// # Errors
/// Words for a person when the system names no such folder.
pub(crate) fn home(common: &Common) -> Result<Utf8PathBuf, String> {
    if let Some(home) = &common.home {
        return Ok(home.clone());
    }
    let asked = |name: &str| std::env::var(name).ok().filter(|v| !v.is_empty());
    choose(
        asked("XDG_DATA_HOME"),
        asked("HOME"),
        cfg!(target_os = "macos"),
    )
    .ok_or_else(|| {
        "the system names no home folder; say with --home DIR where kit and ledger are".to_owned()
    })
}

/// XDG Base Directory Specification 0.8: a relative `XDG_DATA_HOME` is to be ignored, and the default
/// is `$HOME/.local/share`.
fn choose(data: Option<String>, home: Option<String>, is_mac: bool) -> Option<Utf8PathBuf> {
    let data = data.map(Utf8PathBuf::from).filter(|d| d.is_absolute());
    let home = home.map(Utf8PathBuf::from).filter(|h| h.is_absolute());
    let default = home.map(|home| {
        home.join(if is_mac {
            "Library/Application Support"
        } else {
            ".local/share"
        })
    });
    data.or(default).map(|folder| folder.join("unlade"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_is_the_platforms() {
        let choose = |data: Option<&str>, home: Option<&str>, is_mac| {
            choose(data.map(str::to_owned), home.map(str::to_owned), is_mac)
                .map(Utf8PathBuf::into_string)
        };
        assert_eq!(
            choose(Some("/data"), Some("/home/k"), false).as_deref(),
            Some("/data/unlade")
        );
        assert_eq!(
            choose(Some("data"), Some("/home/k"), false).as_deref(),
            Some("/home/k/.local/share/unlade"),
            "XDG Base Directory Specification: relative paths are ignored"
        );
        assert_eq!(
            choose(None, Some("/Users/k"), true).as_deref(),
            Some("/Users/k/Library/Application Support/unlade")
        );
        assert_eq!(choose(None, None, false), None);
        assert_eq!(choose(None, Some("k"), false), None);
    }
}
