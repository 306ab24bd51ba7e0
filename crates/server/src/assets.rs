//! The pages inside the program.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderValue, StatusCode, Uri, header};
use axum::response::Response;

/// One file of the built pages.
struct Asset {
    path: &'static str,
    /// Whether `bytes` is compressed; every browser takes that.
    is_gzip: bool,
    bytes: &'static [u8],
}

static ASSETS: &[Asset] = include!(concat!(env!("OUT_DIR"), "/assets.rs"));

/// Files whose name changes with their content may be kept for good.
const HASHED: &str = "/assets/";

/// Serves a page or a file of it; places of the page have addresses of their own and all get the page.
pub(crate) async fn serve(uri: Uri, headers: HeaderMap) -> Response {
    let path = if uri.path() == "/" { "/index.html" } else { uri.path() };
    let named = ASSETS.iter().find(|asset| asset.path == path);
    let is_file = is_file(path);
    let page = || ASSETS.iter().find(|asset| asset.path == "/index.html").filter(|_| !is_file);
    let Some(asset) = named.or_else(page) else {
        return plain(StatusCode::NOT_FOUND, "there is no such file in the workbench");
    };
    if asset.is_gzip && !takes_gzip(&headers) {
        return plain(StatusCode::NOT_ACCEPTABLE, "the pages are sent compressed (gzip)");
    }
    let mut response = Response::new(Body::from(asset.bytes));
    let answer = response.headers_mut();
    answer.insert(header::CONTENT_TYPE, HeaderValue::from_static(content_type(asset.path)));
    let keep = if asset.path.starts_with(HASHED) { "public, max-age=31536000, immutable" } else { "no-cache" };
    answer.insert(header::CACHE_CONTROL, HeaderValue::from_static(keep));
    if asset.is_gzip {
        answer.insert(header::CONTENT_ENCODING, HeaderValue::from_static("gzip"));
    }
    response
}

/// Whether a path can only mean a file. What a place is about, such as an output or a drive, may have a dot in its name.
fn is_file(path: &str) -> bool {
    let climbs = path.split('/').any(|step| step == "..");
    climbs || path.starts_with(HASHED) || path.trim_start_matches('/').split_once('/').is_none() && path.contains('.')
}

fn takes_gzip(headers: &HeaderMap) -> bool {
    let accepted = headers.get(header::ACCEPT_ENCODING).and_then(|value| value.to_str().ok()).unwrap_or("");
    accepted.split(',').any(|one| matches!(one.split(';').next().map(str::trim), Some("gzip" | "*")))
}

fn plain(status: StatusCode, text: &'static str) -> Response {
    let mut response = Response::new(Body::from(text));
    *response.status_mut() = status;
    response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static("text/plain; charset=utf-8"));
    response
}

fn content_type(path: &str) -> &'static str {
    match path.rsplit('.').next() {
        Some("html") => "text/html; charset=utf-8",
        Some("js") => "text/javascript; charset=utf-8",
        Some("css") => "text/css; charset=utf-8",
        Some("svg") => "image/svg+xml",
        Some("png") => "image/png",
        Some("woff2") => "font/woff2",
        Some("webmanifest") => "application/manifest+json",
        Some("json") => "application/json",
        Some("txt") => "text/plain; charset=utf-8",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::is_file;

    #[test]
    fn an_output_with_a_dot_in_its_name_is_no_file() {
        for page in ["/", "/command", "/command/ac.clutch", "/review/2026-01-02.a"] {
            assert!(!is_file(page), "{page}");
        }
        for file in ["/sw.js", "/manifest.webmanifest", "/assets/index-1.css", "/assets/none"] {
            assert!(is_file(file), "{file}");
        }
    }
}
