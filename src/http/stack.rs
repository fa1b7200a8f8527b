//! What every request passes, on one page: request id, panic barrier, headers, one log line, the entry of the audit trail.
//!
//! INVARIANT: a log line holds the method if it is a known one, the matched route, the status, the time, the request id, the
//! caller as configured and the disposition. Never the address as sent, a body, a header, or an id of a person or an order.

use super::App;
use super::gate::Caller;
use super::refusal::{Head, Refusal};
use super::spans::{Asked, Told, known};
use super::trail::{self, Call, Noted};
use axum::extract::{MatchedPath, Request, State};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use http::{HeaderName, HeaderValue, header};
use std::fmt::Write;
use std::future::poll_fn;
use std::hash::{BuildHasher, RandomState};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::pin;
use std::sync::Arc;
use std::sync::LazyLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::task::Poll;
use std::time::Instant;
use tokio::task::yield_now;
use tracing::Instrument as _;

/// The overall judgement, left by a handler for the log.
#[derive(Clone, Copy, Debug)]
pub struct Disposition(pub &'static str);

/// What every answer has, unless a handler set it.
static ALWAYS: [(HeaderName, HeaderValue); 6] = [
    (header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff")),
    (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
    (header::REFERRER_POLICY, HeaderValue::from_static("no-referrer")),
    (header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY")),
    (HeaderName::from_static("cross-origin-resource-policy"), HeaderValue::from_static("same-origin")),
    (header::CONTENT_SECURITY_POLICY, HeaderValue::from_static("default-src 'none'; frame-ancestors 'none'")),
];
const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// Whether requests are logged at all.
pub fn logs() -> bool {
    tracing::enabled!(tracing::Level::INFO)
}

/// Most bytes of a path with its query.
pub(super) const ADDRESS: usize = 16 << 10;
/// Most bytes of the names and values of header fields.
const FIELDS: usize = 32 << 10;

/// What of a request's head is too large.
fn head(request: &Request) -> Option<Refusal> {
    let address = request.uri().path_and_query().map_or(0, |address| address.as_str().len());
    if address > ADDRESS {
        return Some(Refusal::HeadTooLarge(Head::Address, ADDRESS));
    }
    let fields = request.headers().iter().map(|(name, value)| name.as_str().len() + value.len());
    (fields.sum::<usize>() > FIELDS).then_some(Refusal::HeadTooLarge(Head::Fields, FIELDS))
}

/// The middleware.
pub async fn stack(State(app): State<Arc<App>>, mut request: Request, next: Next) -> Response {
    let started = Instant::now();
    let id = request_id();
    let method = request.method().clone();
    let matched = request.extensions().get::<MatchedPath>().cloned();
    let route = matched.as_ref().map_or("(none)", MatchedPath::as_str);

    let noted = app.doors.trail.as_ref().map(|_| Noted::default());
    if let Some(noted) = &noted {
        request.extensions_mut().insert(noted.clone());
    }
    let asked = Asked::begin(&method, matched.as_ref().map(MatchedPath::as_str));
    if !asked.is_none() {
        match &app.doors.gate {
            // Only this machine calls.
            None => asked.let_pass(request.headers()),
            Some(_) => drop(request.extensions_mut().insert(asked.clone())),
        }
    }
    let serving = async {
        match head(&request) {
            None => next.run(request).await,
            Some(refusal) => refusal.into_response(),
        }
    }
    .instrument(asked.span());
    let mut serving = pin!(serving);
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
    headers.reserve(ALWAYS.len() + 4);
    for (name, value) in &ALWAYS {
        headers.entry(name).or_insert_with(|| value.clone());
    }
    if let Some(id) = &id {
        headers.insert(REQUEST_ID, id.clone());
    }
    if demo {
        headers.insert("x-demo", HeaderValue::from_static("invented data"));
    }
    if app.stopping.load(Ordering::Relaxed) {
        headers.insert(header::CONNECTION, HeaderValue::from_static("close"));
    }

    let status = response.status();
    app.answered.count(route, status.as_u16());
    let disposition = response.extensions().get::<Disposition>().map(|d| d.0);
    let caller = response.extensions().get::<Caller>().cloned();
    let micros = u64::try_from(started.elapsed().as_micros()).unwrap_or(u64::MAX);
    if let (Some(trail), Some(noted)) = (&app.doors.trail, &noted) {
        let action = trail::action(method.as_str(), route);
        let who = caller.as_ref().map(Caller::who);
        let call = Call { action, noted, who, request: id.as_ref(), micros };
        if let Some(event) = call.event(&response) {
            trail.record(event);
        }
    }
    let caller = caller.as_ref().map(|caller| &*caller.name);
    let (status_code, method) = (status.as_u16(), known(&method));
    let (mark, note) = app.mark();
    let shown = id.as_ref().and_then(|id| id.to_str().ok());
    asked.answered(&Told { status: status_code, request_id: shown, caller, disposition });
    if status.is_server_error() {
        let panics = app.panics();
        tracing::error!(
            method,
            route,
            status = status_code,
            micros,
            request_id = shown,
            caller,
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
            request_id = shown,
            caller,
            disposition,
            demo = mark,
            note,
            "answered"
        );
    }
    // Answers of requests that wait together are written together: judged one after the other, without the kernel in
    // between, they find the program's code in the processor's caches.
    yield_now().await;
    response
}

/// Unique in this process and unlikely elsewhere. Ids sent by callers are not taken over: they could hold anything.
fn request_id() -> Option<HeaderValue> {
    static START: LazyLock<String> =
        LazyLock::new(|| format!("{:016x}-", RandomState::new().hash_one(std::process::id())));
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let mut id = String::with_capacity(START.len() + 16);
    id.push_str(&START);
    let _ = write!(id, "{:x}", NEXT.fetch_add(1, Ordering::Relaxed));
    HeaderValue::try_from(id).ok()
}
