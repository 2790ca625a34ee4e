//! Owns the secret of a place while a program runs. It is never shown, and stored nowhere.

use base64ct::{Base64, Encoding as _};
use std::fmt;

/// A key of S3, or user and password of `WebDAV`; never shown.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct PlaceSecret {
    /// Its id, or the user.
    pub id: String,
    /// The key, or the password.
    pub key: String,
    /// The token of a session.
    pub token: Option<String>,
}

impl PlaceSecret {
    /// Reads what a command printed: the id, the key and perhaps a token, a line each.
    pub fn parse(text: &str) -> Option<Self> {
        let mut lines = text.lines().map(str::trim).filter(|line| !line.is_empty());
        let (id, key) = (lines.next()?.to_owned(), lines.next()?.to_owned());
        let token = lines.next().map(str::to_owned);
        lines.next().is_none().then_some(Self { id, key, token })
    }

    /// Returns all that must not be shown, and what is sent in its place.
    pub(super) fn texts(&self) -> Vec<String> {
        let token = self.token.iter().cloned();
        let basic = Base64::encode_string(format!("{}:{}", self.id, self.key).as_bytes());
        [self.id.clone(), self.key.clone(), basic]
            .into_iter()
            .chain(token)
            .collect()
    }
}

impl fmt::Debug for PlaceSecret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("PlaceSecret")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_read_from_lines_and_never_shown() {
        let secret = PlaceSecret::parse("KITE\n  shhh \n\n").unwrap();
        assert_eq!((secret.id.as_str(), secret.key.as_str()), ("KITE", "shhh"));
        assert!(!format!("{secret:?}").contains("shhh"));
        assert!(secret.texts().contains(&"shhh".to_owned()));
        let token = PlaceSecret::parse("KITE\nshhh\nlong").unwrap().token;
        assert_eq!(token.as_deref(), Some("long"));
        for wrong in ["", "KITE", "a\nb\nc\nd"] {
            assert_eq!(PlaceSecret::parse(wrong), None, "{wrong:?}");
        }
    }
}
