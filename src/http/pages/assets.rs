//! Style and script, files of the program itself.

use crate::http::refusal::Refusal;
use axum::extract::Path;
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, header};

const FILES: [(&str, &str, &str); 3] = [
    ("gate.css", "text/css; charset=utf-8", include_str!("assets/gate.css")),
    ("gate.js", "text/javascript; charset=utf-8", include_str!("assets/gate.js")),
    ("mark.svg", "image/svg+xml", include_str!("assets/mark.svg")),
];

/// `GET /assets/{name}`
///
/// # Errors
/// 404 for any other name.
pub async fn asset(Path(name): Path<String>) -> Result<Response, Refusal> {
    let found = FILES.iter().find(|(own, ..)| *own == name);
    let (_, kind, text) = found.ok_or_else(|| Refusal::NotFound("There is no such file.".to_owned()))?;
    let headers = [
        (header::CONTENT_TYPE, HeaderValue::from_static(kind)),
        // Nothing of a person is in them, and a new program may have others.
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
    ];
    Ok((headers, *text).into_response())
}
