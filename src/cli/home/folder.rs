//! Owns where the person's own folder is, with kit and ledger in it.

use crate::cli::args::Common;
use camino::Utf8PathBuf;

/// Returns the folder for kit and ledger: `--home` or `UNLADE_HOME`, else `unlade` in the system's
/// folder for the data of programs. `None` where the system names none.
pub(crate) fn folder(common: &Common) -> Option<Utf8PathBuf> {
    if let Some(home) = common.home.clone().filter(|h| !h.as_str().is_empty()) {
        return Some(home);
    }
    let data = Utf8PathBuf::from_path_buf(dirs::data_local_dir()?).ok()?;
    Some(data.join("unlade"))
}
