//! What every request passes, on one page: request id, panic barrier, headers, one log line.
//!
//! INVARIANT: a log line holds the method, the matched route, the status, the time, the request id and the
//! disposition. Never the address as sent, a body, a header, or an id of a person or an order.

use super::App;
use super::refusal::Refusal;
use axum::extract::{MatchedPath, Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::{HeaderName, HeaderValue, header};
use std::future::poll_fn;
use std::hash::{BuildHasher, RandomState};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::Poll;
use std::time::Instant;

/// The overall judgement, left by a handler for the log.
#[derive(Clone, Copy, Debug)]
pub struct Disposition(pub &'static str);

/// The middleware.
pub async fn stack(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let started = Instant::now();
    let id = request_id();
    let method = request.method().clone();
    let route = request.extensions().get::<MatchedPath>().map_or("(none)".to_owned(), |m| m.as_str().to_owned());

    let mut serving = Box::pin(next.run(request));
    let served = poll_fn(|context| match catch_unwind(AssertUnwindSafe(|| serving.as_mut().poll(context))) {
        Ok(Poll::Ready(response)) => Poll::Ready(Some(response)),
        Ok(Poll::Pending) => Poll::Pending,
        Err(_) => Poll::Ready(None),
    })
    .await;
    let mut response = served.unwrap_or_else(|| {
        app.panics.fetch_add(1, Ordering::Relaxed);
        Refusal::Fault.into_response()
    });

    let demo = app.settings.demo;
    let headers = response.headers_mut();
    for (name, value) in [
        ("x-content-type-options", "nosniff"),
        ("cache-control", "no-store"),
        ("referrer-policy", "no-referrer"),
        ("x-frame-options", "DENY"),
        ("cross-origin-resource-policy", "same-origin"),
        ("content-security-policy", "default-src 'none'; frame-ancestors 'none'"),
    ] {
        headers.entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    }
    if let Ok(value) = HeaderValue::from_str(&id) {
        headers.insert("x-request-id", value);
    }
    if demo {
        headers.insert("x-demo", HeaderValue::from_static("invented data"));
    }
    if app.stopping.load(Ordering::Relaxed) {
        headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
    }

    let status = response.status();
    let disposition = response.extensions().get::<Disposition>().map(|d| d.0);
    let micros = u64::try_from(started.elapsed().as_micros()).unwrap_or(u64::MAX);
    let (status_code, method) = (status.as_u16(), method.as_str());
    let (mark, note) = app.mark();
    if status.is_server_error() {
        let panics = app.panics();
        tracing::error!(
            method,
            route,
            status = status_code,
            micros,
            request_id = id,
            disposition,
            panics,
            demo = mark,
            note,
            "answered"
        );
    } else {
        tracing::info!(
            method,
            route,
            status = status_code,
            micros,
            request_id = id,
            disposition,
            demo = mark,
            note,
            "answered"
        );
    }
    response
}

/// Unique in this process and unlikely elsewhere. Ids sent by callers are not taken over: they could hold anything.
fn request_id() -> String {
    static START: LazyLock<u64> = LazyLock::new(|| RandomState::new().hash_one(std::process::id()));
    static NEXT: AtomicU64 = AtomicU64::new(0);
    format!("{:016x}-{:x}", *START, NEXT.fetch_add(1, Ordering::Relaxed))
}
