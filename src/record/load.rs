//! Owns how a manifest is read from an offload and how far it is trusted: its hash beside it, its
//! signature, and what is missing or damaged.
use crate::digest::Digest;
use crate::disk::{Disk, EntryKind};
use crate::error::{Error, Step, failed};
use crate::record::layout::RECORDS;
use crate::record::manifest::{
    HASH_FILE_BYTES_MAX, MANIFEST, MANIFEST_BYTES_MAX, MANIFEST_HASH, MANIFEST_SIGNATURE, Manifest,
    ManifestError,
};
use crate::record::signature::{NoSignature, SIGNATURE_BYTES_MAX, SignedBy};
use camino::Utf8Path;

/// Returns the hash of the manifest in an offload, as the file beside it says.
pub fn hash_of_manifest(disk: &dyn Disk, root: &Utf8Path) -> Option<Digest> {
    let path = root.join(RECORDS).join(MANIFEST_HASH);
    let text = disk.read_record(&path, HASH_FILE_BYTES_MAX).ok()?;
    listed_hash(&text)
}

/// What a manifest's signature comes to; `None` where nobody signed it.
pub type Signed = Option<Result<SignedBy, NoSignature>>;

/// Reads the manifest of the offload at `root` and checks it against its own hash and its
/// signature. The second value tells whether there was a hash to check it against.
///
/// # Errors
/// When it cannot be read, does not fit its hash, or was signed and does not fit that.
pub fn load(disk: &dyn Disk, root: &Utf8Path) -> Result<(Manifest, bool), ManifestError> {
    load_from(disk, &root.join(RECORDS))
}

/// Reads the manifest in a folder of records, as [`load`] does.
///
/// # Errors
/// As [`load`].
pub fn load_from(disk: &dyn Disk, folder: &Utf8Path) -> Result<(Manifest, bool), ManifestError> {
    load_trusted(disk, folder).map(|(manifest, has_hash, _)| (manifest, has_hash))
}

/// Reads and checks a manifest like [`load`], and tells who signed it.
///
/// # Errors
/// As [`load`].
pub fn load_signed(
    disk: &dyn Disk,
    root: &Utf8Path,
) -> Result<(Manifest, Option<SignedBy>), ManifestError> {
    load_trusted(disk, &root.join(RECORDS)).map(|(manifest, _, by)| (manifest, by))
}

fn load_trusted(
    disk: &dyn Disk,
    folder: &Utf8Path,
) -> Result<(Manifest, bool, Option<SignedBy>), ManifestError> {
    let (manifest, has_hash, signed) = load_any(disk, folder)?;
    Ok((manifest, has_hash, trusted(signed)?))
}

/// Returns who signed a manifest.
///
/// # Errors
/// When it was signed and does not fit that, or that could not be read.
pub fn trusted(signed: Signed) -> Result<Option<SignedBy>, ManifestError> {
    match signed {
        Some(Err(NoSignature::Broken(why))) => Err(ManifestError::Signature(why)),
        Some(Err(NoSignature::Unread(e))) => Err(ManifestError::SignatureUnread(e)),
        // Nobody is asked to believe a signature that cannot be checked here.
        Some(Err(NoSignature::Unchecked(_))) | None => Ok(None),
        Some(Ok(by)) => Ok(Some(by)),
    }
}

/// Reads the manifest in a folder of records and checks it against its own hash; what its signature
/// comes to is the third value.
///
/// # Errors
/// When it cannot be read or does not fit its hash.
pub fn load_any(
    disk: &dyn Disk,
    folder: &Utf8Path,
) -> Result<(Manifest, bool, Signed), ManifestError> {
    let path = folder.join(MANIFEST);
    let io = |e| ManifestError::Io(Error::new(Step::Read, &path, e));
    // A link in the records' place would lead out of the offload.
    match disk.look(folder).map_err(io)? {
        Some(stat) if stat.kind == EntryKind::Folder => {}
        Some(_) => {
            let why = format!(
                "`{}` is not a folder",
                folder.file_name().unwrap_or(RECORDS)
            );
            return Err(io(std::io::Error::other(why)));
        }
        None => return Err(io(std::io::ErrorKind::NotFound.into())),
    }
    let bytes = disk.read_record(&path, MANIFEST_BYTES_MAX).map_err(io)?;
    checked(
        &bytes,
        disk.read_record(&folder.join(MANIFEST_HASH), HASH_FILE_BYTES_MAX),
        disk.read_record(&folder.join(MANIFEST_SIGNATURE), SIGNATURE_BYTES_MAX),
    )
}

/// Checks a manifest's bytes against what was read as its hash and its signature, and reads it.
///
/// # Errors
/// When it does not fit its hash or is not a manifest that is believed.
pub fn checked(
    bytes: &[u8],
    hash: std::io::Result<Vec<u8>>,
    signature: std::io::Result<Vec<u8>>,
) -> Result<(Manifest, bool, Signed), ManifestError> {
    let has_hash = match hash {
        Ok(text) => {
            check_hash(&text, bytes)?;
            true
        }
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => false,
        Err(e) => return Err(ManifestError::HashUnread(e)),
    };
    let signed = signed(signature, bytes);
    let mut manifest = Manifest::from_bytes(bytes)?;
    manifest.own_b3 = Some(Digest::of(bytes));
    Ok((manifest, has_hash, signed))
}

/// Checks a manifest's bytes against what was read as its signature.
pub fn signed(signature: std::io::Result<Vec<u8>>, manifest: &[u8]) -> Signed {
    match signature {
        Ok(signature) => Some(crate::record::signature::check(&signature, manifest)),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => None,
        // What the system could not read may be good.
        Err(e) if e.raw_os_error().is_some() => Some(Err(NoSignature::Unread(e))),
        Err(e) => Some(Err(NoSignature::Broken(failed(Step::Read, &e)))),
    }
}

/// Checks a manifest's bytes against the line that was stored beside it. The line must be exactly
/// the one that is written; its line feed may be missing, as after an editor.
///
/// # Errors
/// When the line is another one, or its hash is not that of these bytes.
pub fn check_hash(text: &[u8], manifest: &[u8]) -> Result<(), ManifestError> {
    match listed_hash(text) {
        Some(digest) if digest == Digest::of(manifest) => Ok(()),
        Some(_) => Err(ManifestError::Hash),
        None => Err(ManifestError::HashFile),
    }
}

fn listed_hash(text: &[u8]) -> Option<Digest> {
    let text = text.strip_suffix(b"\n").unwrap_or(text);
    let listed = crate::record::checksums::parse_line(std::str::from_utf8(text).ok()?);
    Some(listed.filter(|(_, name)| name == MANIFEST)?.0)
}
