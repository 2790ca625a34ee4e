//! Owns what the drives that are plugged in now are called: by the kit, else by their labels.

use crate::cli::args::Common;
use crate::cli::home::folder::folder;
use crate::cli::home::kit_file;
use crate::cli::view::words::drives::offload_names;
use camino::{Utf8Path, Utf8PathBuf};
use unlade::disk::Disk;
use unlade::kit::Kit;
use unlade::run::Tools;

/// The names of drives that are plugged in.
#[derive(Clone, Default, Debug)]
pub(crate) struct DriveNames {
    kit: Kit,
}

impl DriveNames {
    /// Reads the kit. One that can't be used is told where something is looked up in it.
    pub(crate) fn of(common: &Common) -> Self {
        let kit = folder(common).and_then(|home| kit_file::read(&home).ok());
        Self {
            kit: kit.unwrap_or_default(),
        }
    }

    /// Returns what the drive of a folder is called; `None` where it has no name of its own.
    fn at(&self, path: &Utf8Path, disk: &dyn Disk) -> Option<String> {
        let facts = disk.facts(path).ok()?;
        let named = self.kit.drive_at(&facts).map(|drive| drive.name.clone());
        named.or_else(|| facts.label.filter(|_| !facts.is_own_volume))
    }

    /// Returns what offloads are called, in their order.
    pub(crate) fn offloads(&self, paths: &[Utf8PathBuf], tools: &Tools) -> Vec<String> {
        let at = |path: &Utf8PathBuf| self.at(path, tools.disk.as_ref());
        offload_names(paths.iter().map(|path| (path.as_str(), at(path))))
    }
}
