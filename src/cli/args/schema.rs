//! Owns what the command line says of `schema`.

use clap::ValueEnum;

/// What has a schema.
#[derive(Clone, Copy, PartialEq, Eq, Debug, ValueEnum)]
pub(crate) enum SchemaOf {
    /// The manifest, versions 1 and 2.
    Manifest,
    /// A line of --json.
    Events,
    /// The list beside a salvaged file.
    Salvaged,
    /// What a hook of watch gets.
    Hooks,
}
