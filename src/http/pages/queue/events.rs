//! What changes while somebody looks.

use super::entered;
use crate::http::App;
use crate::http::pages::form::Form;
use crate::http::pages::signed;
use crate::http::refusal::Refusal;
use crate::queue::item::ItemId;
use crate::store::{Change, Store};
use axum::body::Body;
use axum::extract::{Request, State};
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, header};
use http_body_util::StreamBody;
use hyper::body::{Bytes, Frame};
use jiff::Timestamp;
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tokio::sync::broadcast;

/// Pages that may wait for changes at the same time.
const MOST_LISTENERS: usize = 200;

/// A sign of life on the line to a page that waits for changes.
const BEAT: Duration = Duration::from_secs(15);

static LISTENERS: AtomicUsize = AtomicUsize::new(0);

/// One place among those that may wait for changes.
struct Listener;

impl Listener {
    pub(super) fn new() -> Option<Self> {
        let taken =
            LISTENERS.fetch_update(Ordering::AcqRel, Ordering::Acquire, |n| (n < MOST_LISTENERS).then_some(n + 1));
        taken.ok().map(|_| Self)
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        LISTENERS.fetch_sub(1, Ordering::AcqRel);
    }
}

/// The versions at which an item was judged and its lanes changed last, so that whoever looks at it is told what it was.
async fn versions(store: &dyn Store, item: &ItemId) -> Option<String> {
    let s = store.get(item.clone()).await.ok()??.summary;
    let (judged, pharmacist, dietitian) = (s.judged, s.pharmacist.version, s.dietitian.version);
    let version = s.version;
    Some(format!(
        "{{\"item\":\"{item}\",\"version\":{version},\"judged\":{judged},\"pharmacist\":{pharmacist},\"dietitian\":{dietitian}}}"
    ))
}

/// `GET /queue/events`: what changes, as server-sent events: ids of items and versions, nothing of an order. With `item`
/// only what changes of that one, and what it was.
pub async fn events(State(app): State<Arc<App>>, request: Request) -> Response {
    let asked = request.uri().query().unwrap_or("").as_bytes().to_vec();
    let found = signed(&app, &request);
    let (signed, store, _) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let Some(listener) = Listener::new() else { return Refusal::Overloaded.into_response() };
    let one = ItemId::read(Form::parse(&asked).get("item"));
    let changes = store.changes();
    let begun = (app.clone(), signed, changes, (listener, one), true);
    let stream = futures_util::stream::unfold(begun, |(app, signed, mut changes, listener, first)| async move {
        if first {
            let hello = Bytes::from_static(b"retry: 3000\n: listening\n\n");
            return Some((Ok::<_, Infallible>(Frame::data(hello)), (app, signed, changes, listener, false)));
        }
        let next = tokio::time::timeout(BEAT, changes.recv()).await;
        let people = app.doors.people.as_ref()?;
        if app.stopping.load(Ordering::Relaxed) || !people.still(&signed, Timestamp::now()) {
            return None;
        }
        let one = &listener.1;
        let text = match next {
            Err(_) => ": still here\n\n".to_owned(),
            Ok(Ok(change)) if one.as_ref().is_some_and(|one| *one != change.item) => ": another\n\n".to_owned(),
            Ok(Ok(_) | Err(broadcast::error::RecvError::Lagged(_))) if let Some(one) = one => {
                match versions(&**app.doors.store.as_ref()?, one).await {
                    Some(data) => format!("event: change\ndata: {data}\n\n"),
                    None => ": not known\n\n".to_owned(),
                }
            }
            Ok(Ok(Change { item, version })) => {
                format!("event: change\ndata: {{\"item\":\"{item}\",\"version\":{version}}}\n\n")
            }
            // Too much at once to tell each: the page asks again.
            Ok(Err(broadcast::error::RecvError::Lagged(n))) => {
                format!("event: change\ndata: {{\"item\":\"{n} more\",\"version\":0}}\n\n")
            }
            Ok(Err(broadcast::error::RecvError::Closed)) => return None,
        };
        Some((Ok(Frame::data(Bytes::from(text))), (app, signed, changes, listener, false)))
    });
    let kind = HeaderValue::from_static("text/event-stream");
    ([(header::CONTENT_TYPE, kind)], Body::new(StreamBody::new(stream))).into_response()
}
