//! Owns who gets in: a key in the first address, the cookie that it is exchanged for, and which
//! requests are refused before anything looks at them.

use axum::extract::Request;
use axum::http::header::{COOKIE, HOST, ORIGIN};
use axum::http::{HeaderMap, HeaderName, Method};
use unlade::name::hex;

/// 128 bits: nobody guesses it in the time that a page is open.
const KEY_BYTES: usize = 16;

const FETCH_SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

/// The secrets of one run. They are in no page and no log.
pub(super) struct Session {
    port: u16,
    key: String,
    /// Another secret than the key, which may stand in a history.
    cookie: String,
}

impl Session {
    /// Draws the secrets.
    ///
    /// # Errors
    /// The system has no random bytes.
    pub(super) fn new(port: u16) -> Result<Self, getrandom::Error> {
        Ok(Self {
            port,
            key: secret()?,
            cookie: secret()?,
        })
    }

    /// Returns the address that lets a browser in.
    pub(super) fn first_address(&self) -> String {
        format!("{}/?key={}", self.origin(), self.key)
    }

    fn host(&self) -> String {
        format!("127.0.0.1:{}", self.port)
    }

    fn origin(&self) -> String {
        format!("http://{}", self.host())
    }

    /// Two pages of one computer have cookies of their own.
    fn cookie_name(&self) -> String {
        format!("unlade-{}", self.port)
    }

    /// Returns the cookie that a key is exchanged for.
    pub(super) fn set_cookie(&self) -> String {
        format!(
            "{}={}; HttpOnly; SameSite=Strict; Path=/",
            self.cookie_name(),
            self.cookie
        )
    }

    fn has_cookie(&self, headers: &HeaderMap) -> bool {
        let all = headers.get_all(COOKIE).iter();
        let all = all.filter_map(|value| value.to_str().ok());
        let mut pairs = all.flat_map(|value| value.split(';')).map(str::trim);
        let name = self.cookie_name();
        pairs.any(|pair| {
            let value = pair.strip_prefix(&name).and_then(|v| v.strip_prefix('='));
            value.is_some_and(|value| is_same(value, &self.cookie))
        })
    }

    /// Returns why a request is refused, if it is.
    pub(super) fn refusal(&self, request: &Request) -> Option<&'static str> {
        let headers = request.headers();
        let only = |name: &HeaderName| {
            let mut all = headers.get_all(name).iter();
            let first = all.next().and_then(|value| value.to_str().ok());
            first.filter(|_| all.next().is_none())
        };
        let authority = request.uri().authority().map(ToString::to_string);
        let host = self.host();
        // A name that leads here for a moment (rebinding) is not ours.
        if only(&HOST) != Some(&host) || authority.is_some_and(|named| named != host) {
            return Some("another host was named");
        }
        if request.method() == Method::POST && only(&ORIGIN) != Some(&self.origin()) {
            return Some("the change did not come from this page");
        }
        if let Some(given) = key(request) {
            return (!is_same(given, &self.key)).then_some("the key is wrong");
        }
        let site = only(&FETCH_SITE);
        if headers.contains_key(FETCH_SITE) && !matches!(site, Some("same-origin" | "none")) {
            return Some("another page asked");
        }
        (!self.has_cookie(headers)).then_some("there was no key")
    }
}

fn secret() -> Result<String, getrandom::Error> {
    let mut bytes = [0_u8; KEY_BYTES];
    getrandom::fill(&mut bytes)?;
    Ok(hex(&bytes))
}

/// Compares in a time that tells nothing.
fn is_same(given: &str, secret: &str) -> bool {
    blake3::hash(given.as_bytes()) == blake3::hash(secret.as_bytes())
}

/// Returns the key of a first address.
pub(super) fn key(request: &Request) -> Option<&str> {
    let query = request
        .uri()
        .query()
        .filter(|_| request.uri().path() == "/")?;
    query.split('&').find_map(|pair| pair.strip_prefix("key="))
}

#[cfg(test)]
mod tests {
    use super::*;
    use axum::body::Body;

    fn asked(method: &str, target: &str, headers: &[(&str, &str)]) -> Request {
        let mut request = axum::http::Request::builder().method(method).uri(target);
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        request.body(Body::empty()).unwrap()
    }

    #[test]
    fn nobody_else_gets_in() {
        let session = Session::new(4_321).unwrap();
        let host = ("host", "127.0.0.1:4321");
        let cookie = session.set_cookie();
        let cookie = ("cookie", cookie.split(';').next().unwrap());
        let origin = ("origin", "http://127.0.0.1:4321");
        let refused = |method, target, headers: &[_]| {
            session.refusal(&asked(method, target, headers)).is_some()
        };
        let first = format!("/?key={}", session.key);
        assert!(!refused("GET", &first, &[host]));
        assert!(!refused("GET", "/", &[host, cookie]));
        assert!(!refused("POST", "/copy", &[host, cookie, origin]));
        let wrong = format!("/?key={}", session.cookie);
        for (method, target, headers) in [
            ("GET", "/", &[host][..]),
            ("GET", "/", &[cookie]),
            ("GET", &first, &[("host", "localhost:4321")]),
            ("GET", &first, &[("host", "kites.example:4321")]),
            ("GET", "http://kites.example/", &[host, cookie]),
            ("GET", "/", &[host, host, cookie]),
            ("GET", &wrong, &[host, cookie]),
            ("GET", "/?key=", &[host, cookie]),
            ("GET", "/", &[host, ("cookie", "unlade-4321=")]),
            ("GET", "/", &[host, cookie, ("sec-fetch-site", "same-site")]),
            ("POST", "/copy", &[host, cookie]),
            ("POST", "/copy", &[host, cookie, ("origin", "null")]),
            (
                "POST",
                "/copy",
                &[host, cookie, ("origin", "http://127.0.0.1:1")],
            ),
            ("POST", "/copy", &[host, cookie, origin, origin]),
            ("POST", &first, &[host]),
        ] {
            assert!(
                refused(method, target, headers),
                "{method} {target} {headers:?}"
            );
        }
    }

    #[test]
    fn a_key_has_128_bits_and_is_never_the_same() {
        let keys = [0, 1].map(|_| Session::new(1).unwrap());
        assert_eq!(keys[0].key.len(), 32);
        assert_ne!(keys[0].key, keys[1].key);
        assert_ne!(keys[0].key, keys[0].cookie);
    }
}
