//! Owns `unlade schema`: prints the JSON Schemas of what other programs read.

use crate::cli::args::schema::SchemaOf;
use crate::cli::exit::Exit;
use crate::cli::view::out::Out;

/// Prints a schema (JSON Schema, draft 2020-12), byte for byte as it lies in the source.
pub(crate) fn schema(of: SchemaOf, out: Out) -> Exit {
    let text = match of {
        SchemaOf::Manifest => include_str!("../../schema/manifest.schema.json"),
        SchemaOf::Salvaged => include_str!("../../schema/salvaged.schema.json"),
        SchemaOf::Hooks => include_str!("../../schema/hooks.schema.json"),
        SchemaOf::Events => include_str!("../../schema/events.schema.json"),
    };
    out.own_text(text.trim_end());
    Exit::Done
}
