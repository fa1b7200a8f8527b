//! CDS Hooks over HTTP: discovery, the call of a service, feedback. What is said on cards is worked out in
//! [`crate::hooks`].
//!
//! A request that could be read gets 200, whatever could not be checked: many clients show nothing at all on an error,
//! which would look like an order without findings.

use super::App;
use super::appraiser::Hooked;
use super::body;
use super::callback::{self, Brought};
use super::gate::Caller;
use super::keeping::{self, Kept, Sender};
use super::negotiate;
use super::operations::{Running, at_once, begin, ended, noting};
use super::refusal::Refusal;
use super::spans::{Stage, stage};
use super::stack::Disposition;
use super::tasks::address;
use super::trail::Noted;
use crate::hooks::card::OnQueue;
use crate::hooks::feedback::{Entry, Feedback};
use crate::hooks::request::Malformed;
use crate::hooks::service::{NotListed, SERVICES, Service, by_id, discovery_of};
use crate::hooks::{self, Answered, Queued, Tally};
use crate::queue::item::Received;
use crate::store::{CardAnswer, Recorded};
use axum::extract::{Path, Request, State};
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, StatusCode, header};
use jiff::Timestamp;
use serde_json::json;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::time::{Instant, timeout, timeout_at};
use tracing::Instrument as _;

/// Most of the time for an answer that is kept for judging, when something is fetched before.
const LONGEST_JUDGING: Duration = Duration::from_millis(100);

fn answer(status: StatusCode, body: String) -> Response {
    let kind = HeaderValue::from_static("application/json; charset=utf-8");
    (status, [(header::CONTENT_TYPE, kind)], body).into_response()
}

/// `GET /cds-services`
///
/// # Errors
/// A FHIR server that is not listed.
pub async fn discovery(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let query = request.uri().query().unwrap_or_default();
    let named = form_urlencoded::parse(query.as_bytes()).find(|(name, _)| name == "fhirServer");
    let hooks = &app.settings.hooks;
    let server = discovery_of(hooks, named.as_ref().map(|(_, base)| &**base)).map_err(|NotListed| {
        Refusal::Parameter("fhirServer".to_owned(), "no FHIR server of this address is listed here.".to_owned())
    })?;
    Ok(answer(StatusCode::OK, hooks::service::discovery(hooks, server).to_string()))
}

fn service(id: &str) -> Result<&'static Service, Refusal> {
    by_id(id).ok_or_else(|| {
        let ids: Vec<_> = SERVICES.iter().map(|service| service.id).collect();
        Refusal::NotFound(format!("No such service here; GET /cds-services lists them: {}.", ids.join(", ")))
    })
}

impl From<Malformed> for Refusal {
    fn from(malformed: Malformed) -> Self {
        // The pointer stands in the text: `expression` is for FHIRPath, and a hook request is no resource.
        Self::Unreadable(malformed.code, malformed.text, None)
    }
}

/// The service and the whole body, or why not.
async fn received(
    app: &App,
    id: &str,
    request: Request,
) -> Result<(&'static Service, body::Whole, Option<Noted>), Refusal> {
    let (parts, incoming) = request.into_parts();
    let checked = service(id).and_then(|service| {
        negotiate::acceptable(&parts.headers, None, app.settings.hooks.fhir)?;
        negotiate::readable(&parts.headers, app.settings.hooks.fhir)?;
        Ok(service)
    });
    match checked {
        Ok(service) => {
            let noted = parts.extensions.get::<Noted>().cloned();
            if let Some(noted) = &noted {
                noted.item(service.id);
            }
            Ok((service, body::read(app, &parts, incoming).await?, noted))
        }
        Err(refusal) => {
            body::discard(&parts.headers, incoming, app.limits.body).await;
            Err(refusal.of_a_hook())
        }
    }
}

/// `POST /cds-services/{id}`
pub async fn call(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Result<Response, Refusal> {
    let client = request.extensions().get::<Caller>().map_or_else(String::new, |caller| caller.name.to_string());
    let came = Timestamp::now();
    // Where nobody can sign in, nobody could follow a link.
    let at = if app.doors.people.is_some() { address(&request, &app) } else { String::new() };
    let (service, whole, noted) = received(&app, &id, request).await?;
    // One time for the whole answer; what was not fetched by then is not waited for, so that there is time to judge.
    let time = app.limits.hook_time;
    let deadline = Instant::now() + time;
    let judging = (time / 8).min(LONGEST_JUDGING);
    let (whole, brought) = match callback::fetch(&app, whole, service, deadline - judging).await {
        Ok(done) => done,
        Err(Refusal::Fault) => {
            return Ok(gave_up(&app, noted.as_ref(), FAULT, keeping::keeps(&app).then_some(OnQueue::NotRecorded)));
        }
        Err(refusal) => return Err(refusal),
    };
    let Brought { fetched, bytes, time: fetching, share } = brought;
    let left = deadline.saturating_duration_since(Instant::now()).max(judging);
    let noting_into = noted.clone();
    let judge = move |app: &App, input: &[u8]| {
        let _share = share;
        let keep = keeping::keeps(app);
        let judged = catch_unwind(AssertUnwindSafe(|| {
            noting(app, noting_into.as_ref(), |by| by.hook(input, service, &app.settings, fetched, keep))
        }));
        judged.map_err(|_| {
            app.panics.fetch_add(1, Ordering::Relaxed);
            let drafts =
                || app.appraiser.unjudged(input, service, &app.settings, "It was not checked: a fault in the program.");
            let drafts = keep.then(|| catch_unwind(AssertUnwindSafe(drafts)).unwrap_or_default());
            Unjudged(drafts.unwrap_or_default())
        })
    };
    // A short request takes less time than any deadline leaves, and less than a hand-over to another thread and back.
    let done = if whole.bytes.len() + bytes <= app.limits.at_once {
        at_once(&app, &whole, judge)
    } else {
        let sender = Sender { client: client.clone(), through: service.id, since: Some(came), ..Sender::default() };
        let mut beside = Beside { running: Some(begin(&app, whole, judge)?), app: app.clone(), sender };
        match timeout(left, beside.ends()).instrument(stage(Stage::Judge)).await {
            Ok(done) => done,
            Err(_) => {
                drop(beside);
                let queue = keeping::keeps(&app).then_some(OnQueue::WhenItEnds);
                return Ok(gave_up(&app, noted.as_ref(), TIMEOUT, queue));
            }
        }
    };
    let Hooked { answered, orders, kept, base } = match done {
        Ok(Ok(answered)) => answered?,
        Ok(Err(Unjudged((orders, base)))) => {
            let sender = Sender { client, base, through: service.id, came: Some(came), since: None };
            let until = deadline.max(Instant::now() + LONGEST_JUDGING);
            let queue = match keeping::keep(&app, orders, sender, until).await {
                Kept::Recorded => Some(OnQueue::Recorded),
                _ => keeping::keeps(&app).then_some(OnQueue::NotRecorded),
            };
            return Ok(gave_up(&app, noted.as_ref(), FAULT, queue));
        }
        Err(Refusal::Fault) => {
            return Ok(gave_up(&app, noted.as_ref(), FAULT, keeping::keeps(&app).then_some(OnQueue::NotRecorded)));
        }
        Err(refusal) => return Err(refusal),
    };
    count(&app, &answered.tally);
    if let Some(noted) = &noted {
        noted.count(answered.tally.orders.values().sum());
    }
    log(&app, service, &answered, (bytes, fetching));
    let sender = Sender { client, base, through: service.id, came: Some(came), since: None };
    let (recorded, items) = keeping::keep_each(&app, orders, sender, deadline).await;
    let body = match recorded {
        Kept::Nothing => answered.body,
        // An OperationOutcome has no card to say it on.
        Kept::NotRecorded if answered.nothing_checked => keeping::with_issue(answered.body),
        Kept::Recorded | Kept::NotRecorded => answered.body_when(&kept, recorded == Kept::Recorded, queued(&at, items)),
    };
    let mut response = if answered.nothing_checked {
        negotiate::fhir(StatusCode::PRECONDITION_FAILED, body, false)
    } else {
        answer(StatusCode::OK, body)
    };
    recorded.mark(&mut response);
    response.extensions_mut().insert(Disposition(answered.disposition));
    Ok(response)
}

/// Drafts that were not judged because of a fault, and the base of their server.
struct Unjudged((Vec<Received>, String));

/// The items that came of a request; `at` is the address of this service, where it is known.
fn queued(at: &str, items: Vec<Recorded>) -> Vec<Queued> {
    let one = |recorded: Recorded| {
        let before = matches!(recorded, Recorded::Again(_));
        let item = recorded.item()?;
        Some(Queued { page: (!at.is_empty()).then(|| format!("{at}/queue/{item}")), before })
    };
    items.into_iter().filter_map(one).collect()
}

/// What came of judging a request.
type Judged = Result<Result<Hooked, Malformed>, Unjudged>;

/// A check that runs beside the connection. Where nobody waits for it any more, because the answer went out without it or
/// the client hung up, what it finds is put on the queue all the same.
struct Beside {
    running: Option<Running<Judged>>,
    app: Arc<App>,
    sender: Sender,
}

impl Beside {
    async fn ends(&mut self) -> Result<Judged, Refusal> {
        let Some(running) = &mut self.running else { return Err(Refusal::Fault) };
        let done = running.await;
        self.running = None;
        ended(&self.app, done)
    }
}

impl Drop for Beside {
    fn drop(&mut self) {
        let (Some(running), Some(store)) = (self.running.take(), &self.app.doors.store) else { return };
        self.sender.since.into_iter().for_each(|since| store.received(since));
        // Without a runtime the service has ended, and with it the check.
        if let Ok(runtime) = Handle::try_current() {
            runtime.spawn(keep_late(self.app.clone(), running, std::mem::take(&mut self.sender)));
        }
    }
}

/// Puts on the queue what was found after the answer had gone out, or for nobody. Its cards were shown to nobody.
async fn keep_late(app: Arc<App>, running: Running<Judged>, sender: Sender) {
    let (mut orders, base) = match ended(&app, running.await) {
        Ok(Ok(Ok(hooked))) => (hooked.orders, hooked.base),
        Ok(Err(Unjudged(drafts))) => drafts,
        // What cannot be read has no orders.
        Ok(Ok(Err(_))) => return,
        Err(_) => {
            tracing::error!(
                "the orders of a hook that was answered before it was checked are NOT on the queue: a fault"
            );
            return;
        }
    };
    orders.iter_mut().for_each(|order| order.cards.clear());
    keeping::keep(&app, orders, Sender { base, ..sender }, Instant::now() + keeping::PATIENCE).await;
}

/// Why nothing was checked: for counters, and for people.
type GaveUp = (&'static str, &'static str);
const TIMEOUT: GaveUp = ("timeout", "it took too long");
const FAULT: GaveUp = ("fault", "a fault in the program");

/// An answer that shows that nothing was checked, and whether the orders are on the queue, where one is kept.
fn gave_up(app: &App, noted: Option<&Noted>, (reason, why): GaveUp, queue: Option<OnQueue>) -> Response {
    if let Some(noted) = noted {
        noted.reason(reason);
    }
    app.hooks.add("enteral_gate_hook_gave_up_total", format!("reason=\"{reason}\""), 1);
    let (demo, note) = app.mark();
    tracing::error!(reason, demo, note, "a hook was answered with a card that nothing was checked");
    let mut response = answer(StatusCode::OK, hooks::not_checked(why, queue));
    match queue {
        None => {}
        Some(OnQueue::Recorded) => Kept::Recorded.mark(&mut response),
        Some(OnQueue::WhenItEnds | OnQueue::NotRecorded) => Kept::NotRecorded.mark(&mut response),
    }
    response.extensions_mut().insert(Disposition("not-fully-checked"));
    response
}

fn count(app: &App, tally: &Tally) {
    let add = |name, labels: String, n| app.hooks.add(name, labels, n);
    for (word, n) in &tally.orders {
        add("enteral_gate_hook_orders_total", format!("disposition=\"{word}\""), *n);
    }
    for (indicator, n) in &tally.cards {
        add("enteral_gate_hook_cards_total", format!("indicator=\"{indicator}\""), *n);
    }
    const FINDINGS: &str = "enteral_gate_hook_findings_total";
    add(FINDINGS, "to=\"card\"".to_owned(), tally.shown);
    add(FINDINGS, "to=\"reminder\"".to_owned(), tally.reminders);
    for (who, n) in &tally.not_on_card {
        add(FINDINGS, format!("to=\"{who}-queue\""), *n);
    }
    const SUGGESTIONS: &str = "enteral_gate_hook_suggestions_total";
    add(SUGGESTIONS, "result=\"offered\"".to_owned(), tally.offered);
    add(SUGGESTIONS, "result=\"withheld\"".to_owned(), tally.withheld);
    for (key, state) in &tally.prefetch {
        add("enteral_gate_hook_prefetch_total", format!("key=\"{key}\",state=\"{state}\""), 1);
    }
    for (key, outcome) in &tally.fetched {
        add("enteral_gate_hook_fetch_total", format!("key=\"{key}\",outcome=\"{outcome}\""), 1);
    }
}

/// One line of numbers; what is not for the prescriber is on no card and must not vanish.
fn log(app: &App, service: &Service, answered: &Answered, (fetched_bytes, time): (usize, Option<Duration>)) {
    let tally = &answered.tally;
    let (demo, note) = app.mark();
    let not_on_card: usize = tally.not_on_card.values().sum();
    let failed = tally.prefetch.iter().filter(|(_, state)| matches!(*state, "error" | "unusable")).count();
    let fetched = tally.fetched.values().filter(|word| matches!(**word, "fetched" | "in-part")).count();
    tracing::info!(
        service = service.id,
        orders = tally.orders.values().sum::<usize>(),
        cards = tally.cards.values().sum::<usize>(),
        findings = tally.shown,
        reminders = tally.reminders,
        not_on_card,
        suggestions = tally.offered,
        suggestions_withheld = tally.withheld,
        prefetch_failed = failed,
        fetched,
        not_fetched = tally.fetched.len() - fetched,
        fetched_bytes,
        fetching_micros = time.map(|t| u64::try_from(t.as_micros()).unwrap_or(u64::MAX)),
        disposition = answered.disposition,
        demo,
        note,
        "hook"
    );
}

const NOT_KEPT: &str = "Counted and not kept: no queue is kept here, so nothing tells which order a card was about.";

/// Joins feedback to the items of its cards: how many are known, or that it cannot be written; nothing without a store.
async fn join(app: &App, entries: Vec<Entry>) -> Option<Result<usize, ()>> {
    let store = app.doors.store.as_ref()?;
    let offered = hooks::card::reasons_offered(&app.appraiser.rulebook());
    let now = Timestamp::now();
    let answers = entries.into_iter().map(|entry| {
        let Entry { card, at, accepted, reason, comment } = entry;
        let offered = reason.as_ref().is_some_and(|reason| offered.contains(reason));
        // The client's clock, and what else a client writes there, is no time of the trail.
        CardAnswer { card, accepted, reason, offered, comment, at: now, said: at }
    });
    let until = Instant::now() + keeping::PATIENCE;
    match timeout_at(until, store.feedback(answers.collect())).await {
        Ok(Ok(known)) => Some(Ok(known)),
        Ok(Err(error)) => {
            tracing::error!(problem = %error, "feedback was not kept; its sender is asked to send it again");
            Some(Err(()))
        }
        Err(_) => {
            tracing::error!("feedback was not kept in time; its sender is asked to send it again");
            Some(Err(()))
        }
    }
}

/// `POST /cds-services/{id}/feedback`
pub async fn feedback(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let (service, whole, noted) = received(&app, &id, request).await?;
    let (feedback, entries) = hooks::feedback::read_entries(&whole.bytes)?;
    if let Some(noted) = &noted {
        noted.count(feedback.received());
    }
    let joined = join(&app, entries).await;
    let count = |outcome: &str, n| {
        app.hooks.add("enteral_gate_hook_feedback_total", format!("outcome=\"{outcome}\""), n);
    };
    if joined == Some(Err(())) {
        // An answer of 200 would be the end of it: hardly any client reads what is in it.
        count("not-kept", feedback.received());
        return Err(Refusal::NotKept);
    }
    count("accepted", feedback.accepted);
    count("overridden", feedback.overridden);
    count("unknown-card", feedback.unknown);
    let Feedback { accepted, with_suggestion, overridden, with_reason, with_comment, unknown } = feedback;
    let (demo, note) = app.mark();
    tracing::info!(
        service = service.id,
        accepted,
        with_suggestion,
        overridden,
        with_reason,
        with_comment,
        unknown,
        demo,
        note,
        "feedback"
    );
    let text = match joined {
        None | Some(Err(())) => NOT_KEPT.to_owned(),
        Some(Ok(n)) if n == feedback.received() => "Kept with the orders that the cards were about.".to_owned(),
        Some(Ok(n)) => format!(
            "Kept for {n} of {} cards; the others are about no order on the queue and were counted.",
            feedback.received()
        ),
    };
    let said = json!({
        "received": feedback.received(),
        "accepted": accepted,
        "overridden": overridden,
        "unknownCards": unknown,
        "kept": matches!(joined, Some(Ok(n)) if n > 0),
        "text": if unknown == 0 { text } else { format!("{text} {unknown} of the cards were not given out by this service.") },
    });
    Ok(answer(StatusCode::OK, said.to_string()))
}
