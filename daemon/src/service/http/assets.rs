//! The files of the page, inside the program.

use std::sync::LazyLock;

use axum::extract::Path;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};

use super::problem::Problem;
use leverarm_plot::{FONT_BOLD, FONT_LICENCE, FONT_REGULAR};

struct Asset {
    name: &'static str,
    media_type: &'static str,
    bytes: &'static [u8],
    tag: HeaderValue,
}

macro_rules! page_files {
    ($($name:literal: $media_type:literal,)+) => {
        [$(($name, $media_type, include_bytes!(concat!("../../../assets/page/", $name)).as_slice()),)+]
    };
}

const TEXT: &str = "text/plain; charset=utf-8";

static ASSETS: LazyLock<Vec<Asset>> = LazyLock::new(|| {
    let page = page_files! {
        "index.html": "text/html; charset=utf-8",
        "openapi.json": "application/json",
        "page.css": "text/css; charset=utf-8",
        "stand.css": "text/css; charset=utf-8",
        "answer.css": "text/css; charset=utf-8",
        "icon.svg": "image/svg+xml",
        "app.js": "text/javascript; charset=utf-8",
        "api.js": "text/javascript; charset=utf-8",
        "band.js": "text/javascript; charset=utf-8",
        "chart.js": "text/javascript; charset=utf-8",
        "commission.js": "text/javascript; charset=utf-8",
        "dom.js": "text/javascript; charset=utf-8",
        "faults.js": "text/javascript; charset=utf-8",
        "figures.js": "text/javascript; charset=utf-8",
        "forms.js": "text/javascript; charset=utf-8",
        "freshness.js": "text/javascript; charset=utf-8",
        "guards.js": "text/javascript; charset=utf-8",
        "journal.js": "text/javascript; charset=utf-8",
        "load.js": "text/javascript; charset=utf-8",
        "safety.js": "text/javascript; charset=utf-8",
        "link.js": "text/javascript; charset=utf-8",
        "plan.js": "text/javascript; charset=utf-8",
        "records.js": "text/javascript; charset=utf-8",
        "result.js": "text/javascript; charset=utf-8",
        "sound.js": "text/javascript; charset=utf-8",
        "stream.js": "text/javascript; charset=utf-8",
        "strip.js": "text/javascript; charset=utf-8",
        "units.js": "text/javascript; charset=utf-8",
        "worker.js": "text/javascript; charset=utf-8",
        "answer.js": "text/javascript; charset=utf-8",
        "download.js": "text/javascript; charset=utf-8",
        "pulls.js": "text/javascript; charset=utf-8",
        "shelf.js": "text/javascript; charset=utf-8",
        "speedplot.js": "text/javascript; charset=utf-8",
        "views.js": "text/javascript; charset=utf-8",
        "vendor/uplot/uPlot.iife.min.js": "text/javascript; charset=utf-8",
        "vendor/uplot/uPlot.min.css": "text/css; charset=utf-8",
        "vendor/uplot/LICENSE": "text/plain; charset=utf-8",
    };
    let fonts = [
        ("fonts/regular.otf", "font/otf", FONT_REGULAR),
        ("fonts/bold.otf", "font/otf", FONT_BOLD),
        ("fonts/LICENSE", TEXT, FONT_LICENCE.as_bytes()),
    ];
    let asset = |(name, media_type, bytes)| Asset {
        name,
        media_type,
        bytes,
        tag: tag(bytes),
    };
    page.into_iter().chain(fonts).map(asset).collect()
});

fn tag(bytes: &[u8]) -> HeaderValue {
    let digest = Sha256::digest(bytes);
    let hex: String = digest
        .iter()
        .take(12)
        .map(|byte| format!("{byte:02x}"))
        .collect();
    HeaderValue::from_str(&format!("\"{hex}\"")).unwrap_or(HeaderValue::from_static("\"\""))
}

fn answer(name: &str, headers: &HeaderMap) -> Result<Response, Problem> {
    let asset = ASSETS
        .iter()
        .find(|asset| asset.name == name)
        .ok_or_else(|| Problem::not_found("the page has no such file"))?;
    // A browser asks each time whether the file changed, so that a new version is seen at once.
    let cached = [
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
        (header::ETAG, asset.tag.clone()),
    ];
    if headers.get(header::IF_NONE_MATCH) == Some(&asset.tag) {
        return Ok((StatusCode::NOT_MODIFIED, cached).into_response());
    }
    let media_type = [(
        header::CONTENT_TYPE,
        HeaderValue::from_static(asset.media_type),
    )];
    Ok((cached, media_type, asset.bytes).into_response())
}

pub(super) async fn index(headers: HeaderMap) -> Result<Response, Problem> {
    answer("index.html", &headers)
}

pub(super) async fn openapi(headers: HeaderMap) -> Result<Response, Problem> {
    answer("openapi.json", &headers)
}

pub(super) async fn asset(
    Path(file): Path<String>,
    headers: HeaderMap,
) -> Result<Response, Problem> {
    answer(&file, &headers)
}
