//! Owns the form of a manifest's bytes: one line for each entry of a list.

use serde::Serialize;

/// One key a line, and one file a line: short enough for 500,000 files, and still to be read and
/// compared by people.
pub(super) fn field(out: &mut Vec<u8>, name: &str, value: &impl Serialize) -> std::io::Result<()> {
    key(out, name);
    serde_json::to_writer(&mut *out, value)?;
    out.extend_from_slice(b",\n");
    Ok(())
}

pub(super) fn list(
    out: &mut Vec<u8>,
    name: &str,
    values: impl IntoIterator<Item = impl Serialize>,
) -> std::io::Result<()> {
    key(out, name);
    out.push(b'[');
    let mut is_empty = true;
    for value in values {
        out.extend_from_slice(if is_empty { b"\n    " } else { b",\n    " });
        is_empty = false;
        serde_json::to_writer(&mut *out, &value)?;
    }
    out.extend_from_slice(if is_empty { b"],\n" } else { b"\n  ],\n" });
    Ok(())
}

pub(super) fn key(out: &mut Vec<u8>, name: &str) {
    out.extend_from_slice(b"  \"");
    out.extend_from_slice(name.as_bytes());
    out.extend_from_slice(b"\": ");
}
