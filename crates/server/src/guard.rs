//! What every request must show before anything looks at it, and what every answer carries.
//!
//! A page from elsewhere that a browser of the shop happens to show must neither read the workbench nor act through it:
//! it may know our address, and even point a name of its own at it. So the `Host` must be an address of this machine,
//! never a name that somebody else controls; whatever changes something, and every stream, must come from our own page
//! (`Origin`); and answers may not be framed, sniffed or read by other pages.

use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use axum::body::{Body, HttpBody};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, Uri, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http_body_util::BodyExt;

use crate::Peer;
use crate::app::App;
use crate::failure::Failure;

/// Nothing from elsewhere, nothing inline: a text from a car that slipped into the page could still not run.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; \
                      font-src 'self'; media-src 'self' blob:; connect-src 'self'; manifest-src 'self'; \
                      worker-src 'self'; frame-src 'self'; frame-ancestors 'self'; base-uri 'none'; form-action 'none'";

const HEADERS: [(HeaderName, &str); 6] = [
    (header::CONTENT_SECURITY_POLICY, POLICY),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "no-referrer"),
    (header::X_FRAME_OPTIONS, "SAMEORIGIN"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
];

/// Lets a request through or answers why not; puts the headers on every answer.
pub(crate) async fn watch(
    State(app): State<App>,
    ConnectInfo(peer): ConnectInfo<Peer>,
    request: Request,
    next: Next,
) -> Response {
    let is_stream = request.headers().contains_key(header::UPGRADE);
    let wish = match request.method() {
        &Method::GET | &Method::HEAD if is_stream => Wish::Change,
        &Method::GET | &Method::HEAD if request.uri().path().starts_with("/api") => Wish::Data,
        &Method::GET | &Method::HEAD => Wish::Page,
        _ => Wish::Change,
    };
    let checked = is_welcome(&app, peer).and_then(|()| check(peer, request.uri(), request.headers(), wish));
    let mut response = match checked {
        Ok(()) => next.run(request.map(|body| in_time(body, app.options().patience))).await,
        Err(failure) => failure.into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// A connection from the shop's network ends with that, but not at the same moment.
fn is_welcome(app: &App, peer: Peer) -> Result<(), Failure> {
    if app.listens_at(peer.local) {
        return Ok(());
    }
    Err(Failure::forbidden("the shop's network was closed at the bench")
        .hint("open it there, under Settings, and join anew"))
}

/// What a request is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Wish {
    /// The page itself, or a file of it: holds nothing of the shop.
    Page,
    /// To read.
    Data,
    /// To change something, or to open a stream.
    Change,
}

/// A body whose pieces come within `patience` of each other, or that breaks off.
fn in_time(body: Body, patience: Duration) -> Body {
    if body.is_end_stream() {
        return body;
    }
    let late = || axum::Error::new(std::io::Error::from(std::io::ErrorKind::TimedOut));
    let pieces = futures_util::stream::unfold(body, move |mut body| async move {
        let frame = match tokio::time::timeout(patience, body.frame()).await {
            Ok(frame) => frame?,
            Err(_) => Err(late()),
        };
        // Trailers mean nothing here.
        Some((frame.map(|frame| frame.into_data().unwrap_or_default()), body))
    });
    Body::from_stream(pieces)
}

/// What a request says of itself; nothing if it does not, and a failure where it does so in two ways or not in text.
fn said(headers: &HeaderMap, name: HeaderName) -> Result<Option<&str>, Failure> {
    let mut values = headers.get_all(&name).iter();
    let first = values.next().map(|value| value.to_str()).transpose();
    match (first, values.next()) {
        (Ok(said), None) => Ok(said),
        _ => Err(Failure::new(
            StatusCode::BAD_REQUEST,
            format!("the request has more than one `{name}`, or none that is text"),
        )),
    }
}

fn check(peer: Peer, uri: &Uri, headers: &HeaderMap, wish: Wish) -> Result<(), Failure> {
    let text = |name: HeaderName| said(headers, name);
    let host = text(header::HOST)?.unwrap_or("");
    // What a whole address says counts as well (RFC 9112, 3.2.2).
    let is_same = uri.authority().is_none_or(|authority| authority.as_str() == host);
    if !is_same || !is_own_host(host, peer.local) {
        return Err(Failure::forbidden("the workbench answers only to the address of its own machine")
            .hint("open it by the address that `witness serve` printed"));
    }
    let own = format!("http://{host}");
    let foreign = || Failure::forbidden("the request came from another page");
    match text(header::ORIGIN)? {
        Some(origin) if origin == own => {}
        None if wish != Wish::Change => {}
        _ => return Err(foreign()),
    }
    match text(HeaderName::from_static("sec-fetch-site"))? {
        None | Some("same-origin" | "none") => Ok(()),
        // A link in a note or a mail may open the page, and nothing else.
        Some(_) if wish == Wish::Page && text(HeaderName::from_static("sec-fetch-mode"))? == Some("navigate") => Ok(()),
        Some(_) => Err(foreign()),
    }
}

/// Whether `host` (with or without a port) is the machine's own address, the one that the connection came in at.
fn is_own_host(host: &str, local: SocketAddr) -> bool {
    let name = match host.rsplit_once(':') {
        Some((name, port)) if port.bytes().all(|digit| digit.is_ascii_digit()) && !name.ends_with(':') => name,
        _ => host,
    };
    if name.eq_ignore_ascii_case("localhost") {
        return local.ip().to_canonical().is_loopback();
    }
    let bare = name.strip_prefix('[').and_then(|rest| rest.strip_suffix(']')).unwrap_or(name);
    bare.parse::<IpAddr>().is_ok_and(|ip| {
        let (ip, local) = (ip.to_canonical(), local.ip().to_canonical());
        ip == local || (ip.is_loopback() && local.is_loopback())
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peer(local: &str) -> Peer {
        Peer { remote: "127.0.0.1:50000".parse().unwrap(), local: local.parse().unwrap() }
    }

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(name, value)| (HeaderName::from_static(name), HeaderValue::from_str(value).unwrap()))
            .collect()
    }

    #[test]
    fn only_addresses_of_this_machine_are_hosts() {
        for (host, local, expected) in [
            ("127.0.0.1:4715", "127.0.0.1:4715", true),
            ("localhost:4715", "127.0.0.1:4715", true),
            ("LOCALHOST", "127.0.0.1:80", true),
            ("[::1]:4715", "[::1]:4715", true),
            ("192.168.1.20:4715", "192.168.1.20:4715", true),
            ("192.168.1.20:4715", "[::ffff:192.168.1.20]:4715", true),
            ("localhost:4715", "192.168.1.20:4715", false),
            ("192.168.1.21:4715", "192.168.1.20:4715", false),
            ("evil.example:4715", "127.0.0.1:4715", false),
            ("127.0.0.1.evil.example:4715", "127.0.0.1:4715", false),
            ("", "127.0.0.1:4715", false),
            ("[::1", "[::1]:4715", false),
        ] {
            assert_eq!(is_own_host(host, local.parse().unwrap()), expected, "{host} at {local}");
        }
    }

    #[test]
    fn what_changes_something_comes_from_our_own_page() {
        let here = peer("127.0.0.1:4715");
        let own = ("host", "127.0.0.1:4715");
        for (pairs, wish, expected) in [
            (vec![own], Wish::Data, true),
            (vec![own], Wish::Change, false),
            (vec![own, ("origin", "http://127.0.0.1:4715")], Wish::Change, true),
            (vec![own, ("origin", "http://127.0.0.1:9999")], Wish::Change, false),
            (vec![own, ("origin", "http://127.0.0.1:9999")], Wish::Data, false),
            (vec![own, ("origin", "null")], Wish::Change, false),
            (vec![own, ("sec-fetch-site", "same-origin")], Wish::Data, true),
            (vec![own, ("sec-fetch-site", "cross-site")], Wish::Data, false),
            (vec![own, ("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")], Wish::Page, true),
            (vec![own, ("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "navigate")], Wish::Data, false),
            (vec![own, ("sec-fetch-site", "cross-site"), ("sec-fetch-mode", "no-cors")], Wish::Page, false),
            (vec![own, ("origin", "http://127.0.0.1:4715"), ("sec-fetch-site", "same-site")], Wish::Change, false),
        ] {
            let path = Uri::from_static("/");
            assert_eq!(check(here, &path, &headers(&pairs), wish).is_ok(), expected, "{pairs:?} {wish:?}");
        }
    }

    #[test]
    fn the_policy_allows_no_inline_script() {
        assert!(!POLICY.contains("unsafe"));
        assert!(POLICY.contains("default-src 'none'") && POLICY.contains("script-src 'self';"));
    }
}
