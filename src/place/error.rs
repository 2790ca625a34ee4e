//! Owns what can go wrong with a place, in words that hold no secret.

use opendal::ErrorKind;
use std::error::Error as _;
use std::fmt;
use std::io;

/// Longest cause that is told, in characters: some services answer with a page.
const CAUSE_MAX: usize = 300;

/// What a place did not do.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct StoreError {
    /// What was tried: `look at`, `read`.
    pub step: &'static str,
    /// Of which sort it is.
    pub kind: PlaceFault,
    /// The cause, in the words of the service or the system.
    pub cause: String,
}

/// The sorts of trouble with a place that somebody does something else about.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum PlaceFault {
    /// Nothing is there.
    NotFound,
    /// Something is there already.
    Taken,
    /// The service knows the key, or the lack of one, and says no.
    Denied,
    /// The service can't be reached or is busy; it was tried again, in vain.
    Away,
    /// There is no more room.
    Full,
    /// It can't be written to.
    ReadOnly,
    /// What the kit says can't be right.
    Setup,
    /// The person wants to stop.
    Interrupted,
    /// Anything else.
    Other,
}

impl PlaceFault {
    /// Whether all else would fail as well.
    pub(super) fn ends_all(self) -> bool {
        matches!(
            self,
            Self::Away | Self::Denied | Self::Full | Self::ReadOnly
        )
    }

    /// Returns what to do about it.
    pub fn advice(self) -> &'static str {
        match self {
            Self::NotFound => "Look at the address in `unlade kit list`.",
            Self::Taken => "Nothing there was changed; look at what it is.",
            Self::Denied => {
                "Look at the key (environment, profile, --secret-command, ssh) and at what it \
                 may do there; then run the same command."
            }
            Self::Away => "Look at the network, and run the same command later: it goes on.",
            Self::Full => {
                "Make room there, or have the limit there raised; then run the same command: it \
                 goes on."
            }
            Self::ReadOnly => {
                "Have it mounted so that it can be written to; then run the same command: it goes \
                 on."
            }
            Self::Setup => "Correct it with `unlade kit add place NAME --update`.",
            Self::Interrupted => "Run the same command to go on.",
            Self::Other => {
                "Run the same command to go on; `unlade kit check NAME` tries the place."
            }
        }
    }
}

impl StoreError {
    /// An error of a service.
    pub(super) fn of(step: &'static str, error: &opendal::Error, secrets: &[String]) -> Self {
        let kind = match error.kind() {
            ErrorKind::NotFound | ErrorKind::NotADirectory => PlaceFault::NotFound,
            ErrorKind::ConditionNotMatch | ErrorKind::AlreadyExists => PlaceFault::Taken,
            ErrorKind::PermissionDenied => PlaceFault::Denied,
            ErrorKind::ConfigInvalid => PlaceFault::Setup,
            ErrorKind::RateLimited => PlaceFault::Away,
            _ if error.is_temporary() || error.is_persistent() => PlaceFault::Away,
            _ => PlaceFault::Other,
        };
        let kind = full_or_read_only(error).unwrap_or(kind);
        let cause = cause(error);
        let is_open = matches!(kind, PlaceFault::Other | PlaceFault::Away);
        let kind = if is_open && is_login(&cause) {
            PlaceFault::Denied
        } else {
            kind
        };
        Self::new(step, kind, &scrubbed(&cause, secrets))
    }

    pub(super) fn new(step: &'static str, kind: PlaceFault, cause: &str) -> Self {
        let cause: String = cause.split_whitespace().collect::<Vec<_>>().join(" ");
        let cause = cause.trim_end_matches('.');
        let mut short: String = cause.chars().take(CAUSE_MAX).collect();
        if short.len() < cause.len() {
            short.push('…');
        }
        Self {
            step,
            kind,
            cause: crate::name::shown(&short),
        }
    }

    /// The same without what must not be shown.
    pub(super) fn without(self, secrets: &[String]) -> Self {
        Self {
            cause: scrubbed(&self.cause, secrets),
            ..self
        }
    }

    /// The error of a list without an end.
    pub(super) fn too_many(step: &'static str) -> Self {
        Self::new(step, PlaceFault::Other, "it has more than a million names")
    }

    pub(super) fn interrupted(step: &'static str) -> Self {
        Self::new(step, PlaceFault::Interrupted, "interrupted")
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "could not {}: {}", self.step, self.cause)
    }
}

impl std::error::Error for StoreError {}

/// Whether it is about room or a mount: by the system's own error, or by the words of a service,
/// which has no kind for either (the codes are those that S3's kin answer with; from memory).
fn full_or_read_only(error: &opendal::Error) -> Option<PlaceFault> {
    let mut source = error.source();
    while let Some(cause) = source {
        match cause.downcast_ref::<io::Error>().map(io::Error::kind) {
            Some(io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded) => {
                return Some(PlaceFault::Full);
            }
            Some(io::ErrorKind::ReadOnlyFilesystem) => return Some(PlaceFault::ReadOnly),
            _ => source = cause.source(),
        }
    }
    let text = error.to_string();
    let says = |words: &[&str]| words.iter().any(|words| text.contains(words));
    if says(&[
        "No space",
        "Disk quota exceeded",
        "QuotaExceeded",
        "StorageFull",
        "InsufficientStorage",
    ]) {
        return Some(PlaceFault::Full);
    }
    says(&["Read-only file system"]).then_some(PlaceFault::ReadOnly)
}

/// Whether a cause is about who logs in, which the crates for SSH have no kind for.
fn is_login(cause: &str) -> bool {
    [
        "Permission denied",
        "Host key verification",
        "REMOTE HOST",
        // Nobody gave a key.
        "failed to load signing credential",
    ]
    .iter()
    .any(|words| cause.contains(words))
}

/// The innermost words of an error: those of the service or the system.
fn cause(error: &opendal::Error) -> String {
    if let Some(words) = said_by_bucket(error.message()) {
        return words;
    }
    let mut words = vec![error.message().to_owned()];
    let mut source = error.source();
    while let Some(cause) = source {
        let text = cause.to_string();
        // Some print their own cause too.
        if !words.iter().any(|before| before.contains(&text)) {
            words.push(text);
        }
        source = cause.source();
    }
    let words = words.join(": ");
    if words.trim().is_empty() {
        // What is only looked at has an answer without words.
        return format!("it answers `{}` and no more", error.kind());
    }
    words
}

/// The code and message of an answer of S3, which its crate hands on as one text for developers.
fn said_by_bucket(message: &str) -> Option<String> {
    let fields = message.strip_prefix("S3Error { ")?;
    let field = |key: &str| {
        let rest = fields.split_once(&format!("{key}: \""))?.1;
        Some(rest.split_once('"')?.0.to_owned())
    };
    Some(format!("{}: {}", field("code")?, field("message")?))
}

/// Takes out what must not be shown, should a service quote it.
fn scrubbed(text: &str, secrets: &[String]) -> String {
    let secrets = secrets.iter().filter(|secret| secret.len() >= 4);
    secrets.fold(text.to_owned(), |text, secret| text.replace(secret, "***"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cause_is_short_harmless_and_without_the_secret() {
        let message = "S3Error { code: \"InvalidAccessKeyId\", message: \"no kite-secret\u{7}\", \
            resource: \"/kites\", request_id: \"1\" }";
        let error = opendal::Error::new(ErrorKind::PermissionDenied, message);
        let told = StoreError::of("look at it", &error, &["kite-secret".to_owned()]);
        assert_eq!(told.kind, PlaceFault::Denied);
        let said = told.to_string();
        assert!(
            said.starts_with("could not look at it: InvalidAccessKeyId: no ***"),
            "{said}"
        );
        assert!(!said.contains('\u{7}'), "{said}");
        let long = opendal::Error::new(ErrorKind::Unexpected, "kite ".repeat(200));
        let told = StoreError::of("read", &long, &[]);
        assert!(told.cause.chars().count() <= CAUSE_MAX + 1);
        let none = opendal::Error::new(
            ErrorKind::Unexpected,
            "signing http request: failed to load signing credential",
        );
        let told = StoreError::of("look at it", &none.set_temporary(), &[]);
        assert_eq!(told.kind, PlaceFault::Denied, "{told}");
        let inner = io::Error::other("Host key verification failed.");
        let login = opendal::Error::new(ErrorKind::Unexpected, "ssh error").set_source(inner);
        let told = StoreError::of("look at it", &login, &[]);
        assert_eq!(told.kind, PlaceFault::Denied, "{told}");
        assert!(
            told.cause.ends_with("Host key verification failed"),
            "{told}"
        );
    }
}
