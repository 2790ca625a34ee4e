//! Owns the files with keys: the private key of `--sign` and the public keys of `--signed-by`, read
//! whole and bounded, before anything else is done.

use crate::cli::exit::Exit;
use crate::cli::view::json::Json;
use crate::cli::view::out::Out;
use crate::cli::view::refuse::explain;
use camino::{Utf8Path, Utf8PathBuf};
use serde_json::json;
use std::fs::{Metadata, OpenOptions};
use std::io::{self, Read as _};
use std::sync::Arc;
use unlade::disk::home::open_plain;
use unlade::error::{Problem, ProblemKind};
use unlade::event::{Event, Observer as _};
use unlade::name::shown;
use unlade::record::signature::{KEY_BYTES_MAX, NoKey, NoKeys, Signer, TrustedKeys};
use unlade::run::{Job, Tools};
use unlade::units::{len_usize, size};
use zeroize::Zeroizing;

/// Gives every job the key of `--sign`.
///
/// # Errors
/// The exit code, once it is told why the key cannot be used. No card and no drive was touched.
pub(crate) fn apply(
    key: Option<&Utf8PathBuf>,
    jobs: &mut [Job],
    out: Out,
    tools: &Tools,
) -> Result<(), Exit> {
    let Some(path) = key else {
        return Ok(());
    };
    match signer(path, jobs, tools) {
        Ok(signer) => {
            let signer = Arc::new(signer);
            for job in jobs {
                job.signer = Some(Arc::clone(&signer));
            }
            Ok(())
        }
        Err(why) => {
            let why = format!("--sign: `{}` cannot be used: {why}.", shown(path.as_str()));
            tell(&why, jobs, out, tools);
            Err(Exit::Refused)
        }
    }
}

fn tell(why: &str, jobs: &[Job], out: Out, tools: &Tools) {
    if !out.json {
        explain(&[why.to_owned()], out);
        out.error("Nothing was written, and nothing was read from the card.");
        return;
    }
    let reasons = [Problem::new(ProblemKind::Unreadable, why)];
    for job in jobs {
        let mut json = Json::new(out, Arc::clone(&tools.clock));
        json.event(&Event::Refused(&reasons));
        json.send_refused(&job.card, &reasons);
    }
    if jobs.len() > 1 {
        let ends: Vec<_> = jobs
            .iter()
            .map(|job| (job.card.as_str(), Exit::Refused))
            .collect();
        Json::new(out, Arc::clone(&tools.clock)).send_for_all_cards(&ends);
    }
}

/// Why a file with keys cannot be used, in words that go on after a colon.
#[derive(Debug, thiserror::Error)]
enum NoKeyFile {
    #[error("{}", cause(.0))]
    Unread(#[from] io::Error),
    #[error("it is on the card; a key has no place there")]
    OnCard,
    #[error(
        "it is a public key, which signs nothing; give the private one, whose name has no `.pub` \
         at its end"
    )]
    Public,
    #[error("it is {}, too large for a key ({} at most)", size(*.0), size(KEY_BYTES_MAX))]
    TooLarge(u64),
    #[error("it grew while it was read")]
    Grew,
    #[cfg(unix)]
    #[error(
        "others than you may read or change it, and so may sign in your name; take that from them \
         with `chmod 600` (where the drive keeps no permissions, keep it in your own folder)"
    )]
    ForOthers,
    #[error(transparent)]
    NoKey(#[from] NoKey),
    #[error(transparent)]
    NoKeys(#[from] NoKeys),
}

fn signer(path: &Utf8Path, jobs: &[Job], tools: &Tools) -> Result<Signer, NoKeyFile> {
    let real = path.canonicalize_utf8()?;
    let folder = real.parent().unwrap_or(&real);
    if let Ok(here) = tools.disk.facts(folder) {
        let cards = jobs
            .iter()
            .filter_map(|job| tools.disk.facts(&job.card).ok());
        if cards
            .into_iter()
            .any(|card| here.goes_with(&card).is_some())
        {
            return Err(NoKeyFile::OnCard);
        }
    }
    let content = read(&real, |_| Ok(()));
    if content.is_ok_and(|bytes| TrustedKeys::from_bytes(&bytes).is_ok()) {
        return Err(NoKeyFile::Public);
    }
    let bytes = read(&real, check_private)?;
    Ok(Signer::from_bytes(&bytes)?)
}

/// Reads the public keys of `--signed-by`.
///
/// # Errors
/// The exit code, once it is told why they cannot be used.
pub(crate) fn expected(
    path: &Utf8Path,
    offloads: &[Utf8PathBuf],
    out: Out,
    tools: &Tools,
) -> Result<TrustedKeys, Exit> {
    let keys = read(path, |_| Ok(())).and_then(|bytes| Ok(TrustedKeys::from_bytes(&bytes)?));
    keys.map_err(|why| {
        let why = format!(
            "--signed-by: `{}` cannot be used: {why}.",
            shown(path.as_str())
        );
        if out.json {
            let json = Json::new(out, Arc::clone(&tools.clock));
            let reason = Problem::new(ProblemKind::Unreadable, why.as_str());
            for offload in offloads {
                json.send("refused", json!({"offload": offload, "reasons": [&reason]}));
                let verdict = json!({
                    "offload": offload, "proven": false, "reasons": [&why],
                    "exit_code": Exit::Refused.code(),
                });
                json.send("verdict", verdict);
            }
            if offloads.len() > 1 {
                let ends = offloads.iter().map(|o| (o.as_str(), false, Exit::Refused));
                json.send_for_all("offloads", &ends.collect::<Vec<_>>(), Exit::Refused);
            }
        } else {
            explain(&[why], out);
        }
        Exit::Refused
    })
}

fn cause(e: &io::Error) -> String {
    match e.kind() {
        io::ErrorKind::NotFound => "there is no such file".to_owned(),
        _ => e.to_string(),
    }
}

/// Reads a whole file with keys; its bytes are wiped from memory when they are dropped.
fn read(
    path: &Utf8Path,
    check: fn(&Metadata) -> Result<(), NoKeyFile>,
) -> Result<Zeroizing<Vec<u8>>, NoKeyFile> {
    let is_fit = |meta: Metadata| {
        if meta.len() > KEY_BYTES_MAX {
            return Err(NoKeyFile::TooLarge(meta.len()));
        }
        check(&meta)
    };
    let file = open_plain(path, OpenOptions::new().read(true))?;
    is_fit(file.metadata()?)?;
    // Room for all of it at once: a vector that grows leaves copies of a key behind.
    let mut bytes = Zeroizing::new(Vec::with_capacity(len_usize(KEY_BYTES_MAX) + 1));
    file.take(KEY_BYTES_MAX + 1).read_to_end(&mut bytes)?;
    if bytes.len() > len_usize(KEY_BYTES_MAX) {
        return Err(NoKeyFile::Grew);
    }
    Ok(bytes)
}

/// Refuses a private key that others may read or change, as OpenSSH does (`sshkey_perm_ok`).
#[cfg(unix)]
fn check_private(meta: &Metadata) -> Result<(), NoKeyFile> {
    use std::os::unix::fs::PermissionsExt as _;
    let for_others = meta.permissions().mode() & 0o077;
    if for_others == 0 {
        return Ok(());
    }
    Err(NoKeyFile::ForOthers)
}

/// What others may do with a file is not looked at here; the folder of a person is closed to them.
#[cfg(not(unix))]
#[expect(clippy::unnecessary_wraps, reason = "it is one of two forms")]
fn check_private(_: &Metadata) -> Result<(), NoKeyFile> {
    Ok(())
}
