//! Who may talk to the device's screens: its own pages and nobody else's.
//!
//! Any program or page on the device can reach a loopback port, and a page from elsewhere can make
//! the browser send requests to it. So: the name asked for must be ours (a foreign name that
//! resolves to loopback is refused), the asking page must be ours (`Origin`, `Sec-Fetch-Site`),
//! only JSON changes anything (a form on a foreign page can't send it), and the secret shown by the
//! program at its start must have been entered.

use axum::extract::{Query, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use ring::digest;

use super::Desk;
use super::answer::words_page;

/// What the screens of one run of the program are guarded with.
pub(super) struct Door {
    port: u16,
    token_hash: Vec<u8>,
    /// Derived from the token, so that an address bar's history holds no cookie.
    cookie: String,
}

/// A request that is turned away.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub(super) enum TurnedAway {
    /// Asked for under a name that isn't this device's.
    #[error("this program answers only under its own address on this device")]
    ForeignHost,
    /// Sent by a page that isn't ours.
    #[error("another page sent this: open the program's own page instead")]
    ForeignPage,
    /// A change that isn't JSON.
    #[error("changes are sent by this program's own pages, as JSON")]
    NotJson,
    /// The secret hasn't been entered.
    #[error(
        "this page belongs to the program that runs on this device: open the address that it shows when it starts"
    )]
    NoToken,
}

impl Door {
    pub(super) fn new(port: u16, token: &str) -> Self {
        Self {
            port,
            token_hash: hash("token", token).as_ref().to_vec(),
            cookie: hexadecimal(hash("cookie", token).as_ref()),
        }
    }

    /// Cookies aren't kept apart by port, so that the name must be.
    fn cookie_name(&self) -> String {
        format!("gravelbar_{}", self.port)
    }

    fn check(&self, method: &Method, path: &str, headers: &HeaderMap) -> Result<(), TurnedAway> {
        let text = |name: HeaderName| headers.get(name).map(|v| v.to_str().unwrap_or("?"));
        let host = text(header::HOST).ok_or(TurnedAway::ForeignHost)?;
        if !self.is_ours(host) {
            return Err(TurnedAway::ForeignHost);
        }
        let origin = text(header::ORIGIN);
        if origin.is_some_and(|o| o.strip_prefix("http://") != Some(host)) {
            return Err(TurnedAway::ForeignPage);
        }
        let entering = path == "/enter";
        let site = text(HeaderName::from_static("sec-fetch-site"));
        if !entering && site.is_some_and(|s| s != "same-origin" && s != "none") {
            return Err(TurnedAway::ForeignPage);
        }
        let reads = method == Method::GET || method == Method::HEAD;
        if !reads {
            let kind = text(header::CONTENT_TYPE).unwrap_or_default();
            let kind = kind.split(';').next().unwrap_or_default().trim();
            if !kind.eq_ignore_ascii_case("application/json") {
                return Err(TurnedAway::NotJson);
            }
        }
        if entering || self.has_entered(headers) {
            Ok(())
        } else {
            Err(TurnedAway::NoToken)
        }
    }

    fn is_ours(&self, host: &str) -> bool {
        host.rsplit_once(':').is_some_and(|(name, port)| {
            port.parse() == Ok(self.port)
                && ["127.0.0.1", "localhost", "[::1]"]
                    .iter()
                    .any(|ours| name.eq_ignore_ascii_case(ours))
        })
    }

    fn has_entered(&self, headers: &HeaderMap) -> bool {
        let name = self.cookie_name();
        headers
            .get_all(header::COOKIE)
            .iter()
            .filter_map(|value| value.to_str().ok())
            .flat_map(|value| value.split(';'))
            .filter_map(|pair| pair.trim().split_once('='))
            .any(|(n, value)| n == name && same("cookie", value, &self.cookie))
    }
}

/// Lets a request in or turns it away, and puts the same headers on every answer.
pub(super) async fn guard(State(desk): State<Desk>, request: Request, next: Next) -> Response {
    let checked = desk
        .door
        .check(request.method(), request.uri().path(), request.headers());
    let mut response = match checked {
        Ok(()) => next.run(request).await,
        Err(turned_away) => turned_away.into_response(),
    };
    for (name, value) in HEADERS {
        response.headers_mut().insert(
            HeaderName::from_static(name),
            HeaderValue::from_static(value),
        );
    }
    response
}

/// The secret on the `/enter` address.
#[derive(serde::Deserialize)]
pub(super) struct Entering {
    #[serde(default)]
    token: String,
}

/// Takes the secret once and remembers the browser by a cookie no script and no other page sees.
pub(super) async fn enter(State(desk): State<Desk>, Query(entering): Query<Entering>) -> Response {
    if hash("token", &entering.token).as_ref() != desk.door.token_hash {
        return TurnedAway::NoToken.into_response();
    }
    let cookie = format!(
        "{}={}; HttpOnly; SameSite=Strict; Path=/",
        desk.door.cookie_name(),
        desk.door.cookie
    );
    let mut response = Redirect::to("/").into_response();
    if let Ok(value) = HeaderValue::from_str(&cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

impl IntoResponse for TurnedAway {
    fn into_response(self) -> Response {
        let status = match self {
            Self::NotJson => StatusCode::UNSUPPORTED_MEDIA_TYPE,
            Self::ForeignHost => StatusCode::MISDIRECTED_REQUEST,
            Self::ForeignPage | Self::NoToken => StatusCode::FORBIDDEN,
        };
        (status, words_page("Not from here", &self.to_string())).into_response()
    }
}

/// On every answer: nothing from elsewhere is loaded, run, framed or kept.
const HEADERS: [(&str, &str); 8] = [
    (
        "content-security-policy",
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; \
         connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    ),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    (
        "permissions-policy",
        "camera=(), microphone=(), geolocation=(), payment=(), usb=()",
    ),
    ("cache-control", "no-store"),
    ("x-frame-options", "DENY"),
];

fn hash(what: &str, text: &str) -> digest::Digest {
    digest::digest(
        &digest::SHA256,
        format!("gravelbar screen {what}\n{text}").as_bytes(),
    )
}

/// Compares hashes, so that the time taken tells nothing about the secret.
fn same(what: &str, one: &str, other: &str) -> bool {
    hash(what, one).as_ref() == hash(what, other).as_ref()
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| {
                let value = HeaderValue::from_str(value).expect("a header value");
                (HeaderName::from_static(name), value)
            })
            .collect()
    }

    fn door() -> Door {
        Door::new(4711, "pebble")
    }

    fn cookie() -> String {
        let door = door();
        format!("other=1; {}={}", door.cookie_name(), door.cookie)
    }

    #[test]
    fn own_pages_are_let_in() {
        for host in ["127.0.0.1:4711", "localhost:4711", "[::1]:4711"] {
            let origin = format!("http://{host}");
            let headers = headers(&[
                ("host", host),
                ("origin", &origin),
                ("sec-fetch-site", "same-origin"),
                ("content-type", "application/json; charset=utf-8"),
                ("cookie", &cookie()),
            ]);
            assert_eq!(door().check(&Method::POST, "/v/x/act", &headers), Ok(()));
        }
    }

    #[test]
    fn foreign_names_pages_and_forms_are_turned_away() {
        let cookie = cookie();
        let cases: [(&[(&'static str, &str)], TurnedAway); 7] = [
            (&[("host", "evil.example:4711")], TurnedAway::ForeignHost),
            (&[("host", "127.0.0.1:4712")], TurnedAway::ForeignHost),
            (&[("host", "127.0.0.1")], TurnedAway::ForeignHost),
            (
                &[
                    ("host", "127.0.0.1:4711"),
                    ("origin", "http://evil.example"),
                ],
                TurnedAway::ForeignPage,
            ),
            (
                // Another program's page on the same device.
                &[
                    ("host", "127.0.0.1:4711"),
                    ("origin", "http://127.0.0.1:80"),
                ],
                TurnedAway::ForeignPage,
            ),
            (
                &[("host", "127.0.0.1:4711"), ("sec-fetch-site", "same-site")],
                TurnedAway::ForeignPage,
            ),
            (
                &[("host", "127.0.0.1:4711"), ("content-type", "text/plain")],
                TurnedAway::NotJson,
            ),
        ];
        for (pairs, expected) in cases {
            let mut all = pairs.to_vec();
            all.push(("cookie", &cookie));
            let checked = door().check(&Method::POST, "/v/x/act", &headers(&all));
            assert_eq!(checked, Err(expected), "{pairs:?}");
        }
    }

    #[test]
    fn without_the_secret_only_the_entrance_is_open() {
        let bare = headers(&[("host", "127.0.0.1:4711")]);
        let wrong = headers(&[("host", "127.0.0.1:4711"), ("cookie", "gravelbar_4711=0")]);
        for headers in [&bare, &wrong] {
            assert_eq!(
                door().check(&Method::GET, "/", headers),
                Err(TurnedAway::NoToken)
            );
        }
        assert_eq!(door().check(&Method::GET, "/enter", &bare), Ok(()));
    }
}
