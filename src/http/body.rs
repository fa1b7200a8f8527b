//! The request body: bounded in size, in time and in what all requests hold together.

use super::App;
use super::refusal::Refusal;
use super::spans::{Stage, stage};
use super::trail::Noted;
use crate::audit::chain::Hash;
use axum::body::Body;
use http::request::Parts;
use http::{HeaderMap, header};
use http_body_util::BodyExt;
use tokio::sync::OwnedSemaphorePermit;
use tokio::time::{Instant, timeout, timeout_at};
use tracing::Instrument as _;

/// A complete body, and its share of the memory that all bodies together may hold.
pub struct Whole {
    /// The bytes.
    pub bytes: Vec<u8>,
    _share: Option<OwnedSemaphorePermit>,
}

impl Whole {
    /// Bytes that are held already, in another form.
    pub fn of(bytes: Vec<u8>) -> Self {
        Self { bytes, _share: None }
    }
}

/// Reads the whole body, and notes its hash where there is an audit trail. A declared length over the limit is refused
/// before a byte is read.
pub async fn read(app: &App, parts: &Parts, body: Body) -> Result<Whole, Refusal> {
    let whole = bounded(app, &parts.headers, body).instrument(stage(Stage::Read)).await?;
    if let Some(noted) = parts.extensions.get::<Noted>() {
        noted.content(Hash::of(&whole.bytes));
    }
    Ok(whole)
}

/// The same without its hash: what somebody looks for is short, and could be told from it.
pub async fn bounded(app: &App, headers: &HeaderMap, mut body: Body) -> Result<Whole, Refusal> {
    let limits = &app.limits;
    let deadline = Instant::now() + limits.body_time;
    let declared =
        headers.get(header::CONTENT_LENGTH).and_then(|v| v.to_str().ok()).and_then(|v| v.parse::<u64>().ok());
    if declared.is_some_and(|n| n > limits.body as u64) {
        discard(headers, body, limits.body).await;
        return Err(Refusal::TooLarge(limits.body));
    }
    let mut bytes = Vec::new();
    let mut share: Option<OwnedSemaphorePermit> = None;
    loop {
        let frame = match timeout_at(deadline, body.frame()).await {
            Err(_) => return Err(Refusal::BodyTimeout),
            Ok(None) => return Ok(Whole { bytes, _share: share }),
            Ok(Some(Err(_))) => return Err(Refusal::Incomplete),
            Ok(Some(Ok(frame))) => frame,
        };
        let Ok(data) = frame.into_data() else { continue };
        if bytes.len() + data.len() > limits.body {
            drop(bytes);
            discard(headers, body, limits.body).await;
            return Err(Refusal::TooLarge(limits.body));
        }
        if !data.is_empty() {
            let more = u32::try_from(data.len()).map_err(|_| Refusal::TooLarge(limits.body))?;
            let permit = app.held.clone().try_acquire_many_owned(more).map_err(|_| Refusal::Overloaded)?;
            match &mut share {
                Some(held) => held.merge(permit),
                None => share = Some(permit),
            }
            bytes.extend_from_slice(&data);
        }
    }
}

/// Reads on for a moment without keeping anything: a caller that is still writing when the connection
/// closes would see a reset instead of the answer. Bounded in bytes and time.
pub async fn discard(headers: &HeaderMap, mut body: Body, limit: usize) {
    // Such a caller waits for a word before it writes, and gets the answer instead.
    if headers.contains_key(header::EXPECT) {
        return;
    }
    let quietly = async {
        let mut left = limit.saturating_mul(4);
        while let Some(Ok(frame)) = body.frame().await {
            let Some(rest) = left.checked_sub(frame.data_ref().map_or(1, |d| d.len().max(1))) else { break };
            left = rest;
        }
    };
    let _ = timeout(std::time::Duration::from_millis(500), quietly).await;
}
