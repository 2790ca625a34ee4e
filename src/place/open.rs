//! Owns how the way to a place is opened: which service, with whose key, over which transport.

use super::dav::client::Dav;
use super::error::{PlaceFault, StoreError};
use super::limits::{CALL_TIME, CONNECT_TIME, PART_TIME, TRIES, TRY_AFTER};
use super::secret::PlaceSecret;
use crate::kit::place::{KitPlace, PlaceAddress};
use camino::Utf8PathBuf;
use opendal::layers::{RetryEvent, RetryLayer, TimeoutLayer};
use opendal::services::{Fs, S3};
use opendal::{HttpTransporter, OperationContext, Operator};
use opendal_http_transport_reqwest::ReqwestTransport;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// The ways to one place.
#[derive(Debug)]
pub(super) struct Ways {
    pub(super) calls: PlaceCalls,
    /// What every key begins with; empty, or with a slash at its end.
    pub(super) base: String,
    pub(super) is_bucket: bool,
    /// The folder, where the place is one of this computer.
    pub(super) folder: Option<Utf8PathBuf>,
}

/// Who makes the calls.
#[derive(Debug)]
pub(super) enum PlaceCalls {
    /// The crate for most places.
    Crate {
        /// What fails for a moment is tried again.
        again: Operator,
        /// Each call is made once: what writes in order must not be repeated by somebody who does
        /// not know how far it got.
        once: Operator,
    },
    /// This tool itself.
    Dav(Dav),
}

/// What is in the environment by the conventions of S3.
const ENVIRONMENT: [&str; 3] = [
    "AWS_ACCESS_KEY_ID",
    "AWS_SECRET_ACCESS_KEY",
    "AWS_SESSION_TOKEN",
];

/// Returns what must never be shown, should a service quote it.
pub(super) fn to_hide(secret: Option<&PlaceSecret>) -> Vec<String> {
    let environment = ENVIRONMENT.iter().filter_map(|key| std::env::var(key).ok());
    environment
        .chain(secret.map(PlaceSecret::texts).unwrap_or_default())
        .collect()
}

/// Opens the way to a place. Nothing is asked of it yet.
pub(super) fn ways(
    place: &KitPlace,
    address: &PlaceAddress,
    secret: Option<&PlaceSecret>,
    retries: &Arc<AtomicU64>,
) -> Result<Ways, StoreError> {
    let failed = |e: &opendal::Error| StoreError::of("open the place", e, &to_hide(secret));
    let (operator, base, is_bucket) = match address {
        PlaceAddress::WebDav { folder, .. } => {
            return Ok(Ways {
                calls: PlaceCalls::Dav(dav(address, secret, retries)?),
                base: format!("{}/", folder.trim_start_matches('/')),
                is_bucket: false,
                folder: None,
            });
        }
        PlaceAddress::Folder { folder } => {
            let fs = Operator::new(Fs::default().root("/")).map_err(|e| failed(&e))?;
            (fs, folder.trim_start_matches('/').to_owned(), false)
        }
        PlaceAddress::Server { .. } => (server(address)?, folder_of(address), false),
        PlaceAddress::Bucket { bucket, prefix } => {
            let bucket = bucket_of(place, bucket, secret)?;
            let operator = Operator::new(bucket).map_err(|e| failed(&e))?;
            let transport = HttpTransporter::new(ReqwestTransport::new(client()?));
            let context = OperationContext::new().with_http_transport(transport);
            (operator.with_context(context), prefix.clone(), true)
        }
    };
    let folder = match address {
        PlaceAddress::Folder { folder } => Some(Utf8PathBuf::from(folder)),
        _ => None,
    };
    let times = TimeoutLayer::new()
        .with_timeout(CALL_TIME)
        .with_io_timeout(PART_TIME);
    let again = operator.clone().layer(times.clone());
    // What goes on with a file of a server its crate can do, and doesn't say so.
    let once = if matches!(address, PlaceAddress::Server { .. }) {
        let (context, service) = (operator.base_context(), operator.base_service());
        Operator::from_parts(context.clone(), service.clone()).layer(times)
    } else {
        again.clone()
    };
    let counted = Arc::clone(retries);
    let count = move |_: RetryEvent<'_>| {
        counted.fetch_add(1, Ordering::Relaxed);
    };
    let tries = RetryLayer::new()
        .with_jitter()
        .with_max_times(TRIES)
        .with_min_delay(TRY_AFTER.0)
        .with_max_delay(TRY_AFTER.1)
        .with_notify(count);
    let base = if base.is_empty() {
        base
    } else {
        format!("{base}/")
    };
    Ok(Ways {
        calls: PlaceCalls::Crate {
            again: again.layer(tries),
            once,
        },
        base,
        is_bucket,
        folder,
    })
}

fn folder_of(address: &PlaceAddress) -> String {
    match address {
        PlaceAddress::Server { folder, .. } => folder.trim_start_matches('/').to_owned(),
        _ => String::new(),
    }
}

#[cfg(unix)]
fn server(address: &PlaceAddress) -> Result<Operator, StoreError> {
    let PlaceAddress::Server {
        user, host, port, ..
    } = address
    else {
        return Err(StoreError::new(
            "open the place",
            PlaceFault::Setup,
            "it is no server",
        ));
    };
    let port = port.map_or_else(String::new, |port| format!(":{port}"));
    let user = user
        .as_ref()
        .map_or_else(String::new, |user| format!("{user}@"));
    // Its crate would make the folder where that is not there; from the top nothing is made.
    let sftp = opendal::services::Sftp::default()
        .endpoint(&format!("ssh://{user}{host}{port}"))
        .root("/")
        .known_hosts_strategy("strict");
    Operator::new(sftp).map_err(|e| StoreError::of("open the place", &e, &[]))
}

#[cfg(not(unix))]
fn server(_: &PlaceAddress) -> Result<Operator, StoreError> {
    let why = "SFTP is not known on this system";
    Err(StoreError::new("open the place", PlaceFault::Setup, why))
}

fn bucket_of(
    place: &KitPlace,
    bucket: &str,
    secret: Option<&PlaceSecret>,
) -> Result<S3, StoreError> {
    let said = ["AWS_REGION", "AWS_DEFAULT_REGION"];
    let said = said.iter().find_map(|key| std::env::var(key).ok());
    let Some(region) = place.region.clone().or(said) else {
        let why = "nobody says the bucket's region: --region of the place, or AWS_REGION (many \
            services take `us-east-1` or `auto`)";
        return Err(StoreError::new("open the place", PlaceFault::Setup, why));
    };
    // Whoever is no machine at Amazon would wait for its answer.
    let mut s3 = S3::default()
        .bucket(bucket)
        .region(&region)
        .disable_ec2_metadata();
    if let Some(endpoint) = &place.endpoint {
        s3 = s3.endpoint(endpoint);
    }
    if let Some(profile) = &place.profile {
        s3 = s3.profile(profile);
    }
    if let Some(secret) = secret {
        s3 = s3.access_key_id(&secret.id).secret_access_key(&secret.key);
        if let Some(token) = &secret.token {
            s3 = s3.session_token(token);
        }
    }
    Ok(s3)
}

fn dav(
    address: &PlaceAddress,
    secret: Option<&PlaceSecret>,
    retries: &Arc<AtomicU64>,
) -> Result<Dav, StoreError> {
    let setup = |why| StoreError::new("open the place", PlaceFault::Setup, why);
    let PlaceAddress::WebDav {
        is_encrypted,
        host,
        port,
        ..
    } = address
    else {
        return Err(setup("it is no WebDAV"));
    };
    if secret.is_some_and(|secret| secret.token.is_some()) {
        return Err(setup(
            "its --secret-command prints more than user and password, a line each",
        ));
    }
    // RFC 7617, 2: what follows would be of the password.
    if secret.is_some_and(|secret| secret.id.contains(':')) {
        return Err(setup(
            "its user has a colon, which no user of WebDAV can have",
        ));
    }
    let scheme = if *is_encrypted { "https" } else { "http" };
    let port = port.map_or_else(String::new, |port| format!(":{port}"));
    let root = format!("{scheme}://{host}{port}");
    Ok(Dav::new(client()?, root, secret, retries))
}

/// The way to services over HTTP. It goes where it was sent and nowhere else: an answer that sends
/// it on is an error that says so.
fn client() -> Result<reqwest::Client, StoreError> {
    // Whoever was first has installed one.
    drop(rustls::crypto::ring::default_provider().install_default());
    let client = reqwest::Client::builder()
        .user_agent(concat!("unlade/", env!("CARGO_PKG_VERSION")))
        .connect_timeout(CONNECT_TIME)
        .redirect(reqwest::redirect::Policy::none())
        .build();
    client.map_err(|e| StoreError::new("open the place", PlaceFault::Other, &e.to_string()))
}
