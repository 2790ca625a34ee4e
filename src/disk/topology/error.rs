//! Owns why the table of mounts gives no answer.

use std::path::PathBuf;
use std::{fmt, io};

/// Why the volume behind a folder could not be looked up at all.
#[derive(Debug)]
pub enum TopologyError {
    /// The folder was not given as an absolute path.
    NotAbsolute {
        /// Path as given.
        path: PathBuf,
    },
    /// The mount table could not be read.
    Read {
        /// File that was to be read.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
    /// A line of the mount table is not in the form the kernel documents.
    MountTable {
        /// File that was read.
        path: PathBuf,
        /// Number of the line, from 1.
        line: usize,
    },
    /// No mount holds the folder.
    NoMount {
        /// Folder that was looked for.
        path: PathBuf,
    },
}

impl fmt::Display for TopologyError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotAbsolute { path } => {
                write!(
                    f,
                    "{}: not a full path, so its drive cannot be found",
                    path.display()
                )
            }
            Self::Read { path, source } => {
                write!(f, "{}: cannot be read: {source}", path.display())
            }
            Self::MountTable { path, line } => {
                write!(
                    f,
                    "{}: line {line} is not a mount table line",
                    path.display()
                )
            }
            Self::NoMount { path } => {
                write!(f, "{}: no mounted drive holds this folder", path.display())
            }
        }
    }
}

impl std::error::Error for TopologyError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Read { source, .. } => Some(source),
            _ => None,
        }
    }
}
