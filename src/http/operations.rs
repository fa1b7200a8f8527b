//! The operations: `$validate`, `$appraise`, and a batch of them.

use super::App;
use super::appraiser::{Appraised, Appraiser, Rendering};
use super::asked::{Query, Takes, shown};
use super::body::{self, Whole};
use super::gate::{Caller, scope_text};
use super::keeping::{self, Kept, Sender};
use super::negotiate::{self, Preferences};
use super::refusal::{Refusal, put_before};
use super::spans::{Stage, stage};
use super::stack::{Disposition, logs};
use super::trail::Noted;
use crate::access::scope::{self, Grants};
use crate::intake::json::{self, Document, Kind, Node};
use crate::intake::order::FhirVersion;
use crate::queue::item::Received;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use serde::Serialize;
use serde_json::value::RawValue;
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::runtime::Handle;
use tokio::task::{JoinError, JoinHandle, yield_now};
use tokio::time::{Instant, timeout};
use tracing::Instrument as _;

/// What is called.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operation {
    /// `$validate` on the system: an order or a Bundle.
    Validate,
    /// `Bundle/$validate`
    ValidateBundle,
    /// `NutritionOrder/$validate`
    ValidateOrder,
    /// `NutritionOrder/{id}/$validate`
    ValidateInstance,
    /// `NutritionOrder/$appraise`: an order, or a Bundle of an order and what is known about the person.
    Appraise,
}

impl Operation {
    /// What an address below the base calls, and the id in it.
    fn at(address: &str) -> Option<(Self, Option<&str>)> {
        if let Some((_, operation)) = Self::ALL.into_iter().find(|(known, _)| *known == address) {
            return Some((operation, None));
        }
        let id = address.strip_prefix("NutritionOrder/")?.strip_suffix("/$validate")?;
        Some((Self::ValidateInstance, Some(id)))
    }

    /// The address below the base, and what it calls; beside those on one order.
    const ALL: [(&'static str, Self); 4] = [
        ("$validate", Self::Validate),
        ("Bundle/$validate", Self::ValidateBundle),
        ("NutritionOrder/$validate", Self::ValidateOrder),
        ("NutritionOrder/$appraise", Self::Appraise),
    ];

    fn validates(self) -> bool {
        self != Self::Appraise
    }

    fn query(self) -> Takes {
        if self.validates() { Takes::Validation } else { Takes::Appraisal }
    }

    fn takes(self) -> &'static [&'static str] {
        match self {
            Self::Validate | Self::Appraise => &["NutritionOrder", "Bundle"],
            Self::ValidateBundle => &["Bundle"],
            Self::ValidateOrder | Self::ValidateInstance => &["NutritionOrder"],
        }
    }

    /// Its name, for the trail.
    fn name(self) -> &'static str {
        if self.validates() { "$validate" } else { "$appraise" }
    }

    fn rendering(self) -> Rendering {
        if self.validates() { Rendering::Outcome } else { Rendering::Parameters }
    }
}

/// `POST [base]/$validate`
pub async fn validate(state: State<Arc<App>>, version: Path<String>, request: Request) -> Result<Response, Refusal> {
    operate(state, version.0, None, request, Operation::Validate).await
}

/// `POST [base]/Bundle/$validate`
pub async fn validate_bundle(
    state: State<Arc<App>>,
    version: Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    operate(state, version.0, None, request, Operation::ValidateBundle).await
}

/// `POST [base]/NutritionOrder/$validate`
pub async fn validate_order(
    state: State<Arc<App>>,
    version: Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    operate(state, version.0, None, request, Operation::ValidateOrder).await
}

/// `POST [base]/NutritionOrder/{id}/$validate`
pub async fn validate_instance(
    state: State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    operate(state, version, Some(id), request, Operation::ValidateInstance).await
}

/// `POST [base]/NutritionOrder/$appraise`
pub async fn appraise_order(
    state: State<Arc<App>>,
    version: Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    operate(state, version.0, None, request, Operation::Appraise).await
}

/// The FHIR version of a base address.
///
/// # Errors
/// 404 for any other name.
pub fn base(version: &str) -> Result<FhirVersion, Refusal> {
    FhirVersion::ALL.into_iter().find(|v| v.name() == version).ok_or_else(|| {
        Refusal::NotFound("No such FHIR version here; the bases are /fhir/R4, /fhir/R4B and /fhir/R5.".to_owned())
    })
}

async fn operate(
    State(app): State<Arc<App>>,
    version: String,
    instance: Option<String>,
    request: Request,
    operation: Operation,
) -> Result<Response, Refusal> {
    let came = Timestamp::now();
    let version = base(&version)?;
    let (parts, incoming) = request.into_parts();
    let preferences = Preferences::read(&parts.headers);
    let checked = (|| {
        negotiate::unconditional(&parts.headers)?;
        let query = asked(instance, preferences)?.with(parts.uri.query(), operation.query())?;
        negotiate::acceptable(&parts.headers, query.format.as_deref(), version)?;
        negotiate::readable(&parts.headers, version)?;
        Ok(query)
    })();
    let query = match checked {
        Ok(query) => query,
        Err(refusal) => {
            body::discard(&parts.headers, incoming, app.limits.body).await;
            return Err(refusal);
        }
    };
    let pretty = query.pretty;
    let noted = parts.extensions.get::<Noted>().cloned();
    let whole = body::read(&app, &parts, incoming).await?;
    let client = parts.extensions.get::<Caller>().map_or_else(String::new, |caller| caller.name.to_string());
    // A check of an order takes tens of microseconds: less than a hand-over to another thread and back.
    let short = whole.bytes.len() <= app.limits.at_once && operation.validates();
    let sender = Sender { client, through: operation.name(), came: Some(came), ..Sender::default() };
    let own = app.clone();
    let (appraised, kept) = to_the_end(async move {
        let work = move |app: &App, input: &[u8]| {
            noting(app, noted.as_ref(), |by| run(app, by, input, version, operation, query))
        };
        let mut appraised = if short {
            // What waits on other connections is read first: checks one after the other find the program's code in the
            // processor's caches, which the kernel takes in between.
            yield_now().await;
            at_once(&own, &whole, work)??
        } else {
            calculate(&own, whole, own.limits.appraisal_time, work).await??
        };
        let orders = std::mem::take(&mut appraised.orders);
        let kept = keeping::keep(&own, orders, sender, Instant::now() + keeping::PATIENCE).await;
        Ok::<_, Refusal>((appraised, kept))
    })
    .await?;
    let body = if kept == Kept::NotRecorded { keeping::with_issue(appraised.body) } else { appraised.body };
    let mut response = negotiate::fhir(appraised.status, body, pretty);
    kept.mark(&mut response);
    if let Some(applied) = preferences.applied(operation.validates()) {
        response.headers_mut().insert("preference-applied", applied);
    }
    if logs() || app.doors.trail.is_some() {
        response.extensions_mut().insert(Disposition(appraised.disposition));
    }
    Ok(response)
}

/// What is known of a call before its parameters are read.
fn asked(instance: Option<String>, preferences: Preferences) -> Result<Query, Refusal> {
    // FHIR, "id": letters, digits, hyphens, dots.
    let is_id = |id: &String| {
        (1..=64).contains(&id.len()) && id.bytes().all(|b| b.is_ascii_alphanumeric() || b"-.".contains(&b))
    };
    if instance.as_ref().is_some_and(|id| !is_id(id)) {
        return Err(Refusal::NotFound(
            "The address names no order: an id has 1 to 64 letters, digits, hyphens and dots.".to_owned(),
        ));
    }
    Ok(Query { instance, lenient: preferences.lenient == Some(true), ..Query::default() })
}

/// Runs `work` with rules that stay the same, and notes for the audit trail which they are, where there is one.
pub(super) fn noting<T>(app: &App, noted: Option<&Noted>, work: impl FnOnce(&dyn Appraiser) -> T) -> T {
    let Some(noted) = noted else { return work(&*app.appraiser) };
    let held = app.appraiser.held_fast();
    let by = held.as_deref().unwrap_or(&*app.appraiser);
    noted.versions(by.versions());
    work(by)
}

/// Runs a short `work` where the connection is served.
pub(super) fn at_once<T>(app: &App, whole: &Whole, work: impl FnOnce(&App, &[u8]) -> T) -> Result<T, Refusal> {
    let _slot = app.slots.try_acquire().map_err(|_| Refusal::Overloaded)?;
    let _judging = stage(Stage::Judge).entered();
    catch_unwind(AssertUnwindSafe(|| work(app, &whole.bytes))).map_err(|_| {
        app.panics.fetch_add(1, Ordering::Relaxed);
        Refusal::Fault
    })
}

/// A calculation that runs beside the connections.
pub(super) type Running<T> = JoinHandle<std::thread::Result<T>>;

/// Begins `work` beside the connections, bounded in number. It keeps its slot until it really ends, so that slow ones
/// cannot pile up.
pub(super) fn begin<T: Send + 'static>(
    app: &Arc<App>,
    whole: Whole,
    work: impl FnOnce(&App, &[u8]) -> T + Send + 'static,
) -> Result<Running<T>, Refusal> {
    let slot = app.slots.clone().try_acquire_owned().map_err(|_| Refusal::Overloaded)?;
    let own = app.clone();
    Ok(tokio::task::spawn_blocking(move || {
        let done = catch_unwind(AssertUnwindSafe(|| work(&own, &whole.bytes)));
        drop(slot);
        done
    }))
}

/// What came of a calculation that has ended.
pub(super) fn ended<T>(app: &App, done: Result<std::thread::Result<T>, JoinError>) -> Result<T, Refusal> {
    match done {
        Ok(Ok(done)) => Ok(done),
        _ => {
            app.panics.fetch_add(1, Ordering::Relaxed);
            Err(Refusal::Fault)
        }
    }
}

/// Runs `work` beside the connections, bounded in number and time.
pub(super) async fn calculate<T: Send + 'static>(
    app: &Arc<App>,
    whole: Whole,
    time: Duration,
    work: impl FnOnce(&App, &[u8]) -> T + Send + 'static,
) -> Result<T, Refusal> {
    // As long as somebody waits for it, not as long as it runs.
    match timeout(time, begin(app, whole, work)?).instrument(stage(Stage::Judge)).await {
        Err(_) => Err(Refusal::AppraisalTimeout),
        Ok(done) => ended(app, done),
    }
}

/// Work that goes on where nobody waits for it any more, because the client hung up: what was found of an order is put on
/// the queue all the same.
struct ToTheEnd<F: Future<Output: Send> + Send + 'static>(Option<Pin<Box<F>>>);

fn to_the_end<F: Future<Output: Send> + Send + 'static>(work: F) -> ToTheEnd<F> {
    ToTheEnd(Some(Box::pin(work)))
}

impl<F: Future<Output: Send> + Send + 'static> Future for ToTheEnd<F> {
    type Output = F::Output;

    fn poll(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<F::Output> {
        // Where it panics, it is not there to go on.
        let Some(mut work) = self.0.take() else { return Poll::Pending };
        let polled = work.as_mut().poll(context);
        if polled.is_pending() {
            self.0 = Some(work);
        }
        polled
    }
}

impl<F: Future<Output: Send> + Send + 'static> Drop for ToTheEnd<F> {
    fn drop(&mut self) {
        // Without a runtime the service has ended.
        if let Some(work) = self.0.take()
            && let Ok(runtime) = Handle::try_current()
        {
            runtime.spawn(async move { drop(work.await) });
        }
    }
}

/// One input through the core.
fn run(
    app: &App,
    by: &dyn Appraiser,
    input: &[u8],
    version: FhirVersion,
    operation: Operation,
    mut query: Query,
) -> Result<Appraised, Refusal> {
    let limits = json::Limits { bytes: app.limits.body, ..json::Limits::default() };
    // An unreadable text goes on as it is: the core says where it broke, in the same words as on the
    // command line.
    // A resource type in its usual first place needs no second reading; a second one is refused by the core.
    let fits = leading_type(input).is_some_and(|kind| kind != "Parameters" && operation.takes().contains(&kind));
    let mut sent = None;
    if (!fits || query.instance.is_some())
        && let Ok(document) = Document::read(input, &limits)
    {
        let resource = admit(document.root(), operation, &mut query)?;
        sent = Some(resource)
            .map(|resource| (resource.path(), resource.get("id").map(|id| (id.path(), id.as_str().map(Into::into)))));
    }
    let settings = query.settings(&app.settings)?;
    mode_and_profile(&query, version)?;
    let mut appraised = by.appraise(input, version, &settings, operation.rendering(), keeping::keeps(app));
    if appraised.status.is_success() {
        if let (Some(instance), Some("update"), Some(sent)) = (&query.instance, query.mode.as_deref(), sent) {
            as_update(&mut appraised, instance, sent);
        }
        for name in query.passed_over.iter().rev() {
            let text = format!("Parameter {name}: is not known here and was passed over, as handling=lenient asks.");
            put_before(&mut appraised.body, "warning", "not-supported", text, None);
        }
    }
    app.appraised.count(appraised.disposition);
    Ok(appraised)
}

/// Path of the resource that was sent; path and value of its id, if it has one.
type Sent = (String, Option<(String, Option<String>)>);

/// What an update asks beside the content: the id in the order is that in the address (FHIR, "update").
fn as_update(appraised: &mut Appraised, instance: &str, (path, id): Sent) {
    let text = "Checked as an update: the content, and that its id is that of the address. Whether this order exists and what of it may be changed was not checked, because orders are not served from here.";
    put_before(&mut appraised.body, "information", "incomplete", text.to_owned(), None);
    let (code, text, at) = match id {
        Some((_, Some(id))) if id == instance => return,
        Some((at, _)) => ("value", "The id of the order is not that of the address: an update would be refused.", at),
        None => ("required", "The order has no id: an update needs the id of the address in the order as well.", path),
    };
    put_before(&mut appraised.body, "error", code, text.to_owned(), Some(at));
    appraised.disposition = "flagged";
}

/// The resource type, when it is the first member.
fn leading_type(input: &[u8]) -> Option<&str> {
    let after = |text: &'_ [u8], word: &[u8]| -> Option<usize> {
        let start = text.len() - text.trim_ascii_start().len();
        text.get(start..)?.starts_with(word).then_some(start + word.len())
    };
    let mut rest = input;
    for word in [&b"{"[..], b"\"resourceType\"", b":", b"\""] {
        rest = rest.get(after(rest, word)?..)?;
    }
    let end = rest.iter().position(|b| !b.is_ascii_alphanumeric())?;
    if rest.get(end) != Some(&b'"') {
        return None;
    }
    std::str::from_utf8(rest.get(..end)?).ok()
}

/// Whether the operation takes this resource; reads the parameters beside it.
fn admit<'d>(root: Node<'d>, operation: Operation, query: &mut Query) -> Result<Node<'d>, Refusal> {
    let expected = operation.takes().join(" or ");
    let refuse = |node: Node<'_>, found: &str| {
        let hint =
            if found == "Bundle" { "; a Bundle goes to Bundle/$validate or NutritionOrder/$appraise" } else { "" };
        let text = format!("Expected {expected}, or Parameters with it as the parameter \"resource\"{hint}.");
        Err(Refusal::Unreadable("invalid", text, Some(node.path()).filter(|path| !path.is_empty())))
    };
    // Without a resource type at all the core's own refusal is the better one.
    let Some(kind) = root.resource_type() else { return Ok(root) };
    if kind != "Parameters" {
        // What no appraisal takes, the core refuses in the words of the command line.
        if matches!(operation, Operation::Appraise) {
            return Ok(root);
        }
        return if operation.takes().contains(&&*kind) { Ok(root) } else { refuse(root, &kind) };
    }
    let mut resource = None;
    for parameter in root.get("parameter").into_iter().flat_map(Node::items) {
        let Some(name) = parameter.get("name").and_then(Node::as_str) else {
            let text = "Every parameter needs a name.".to_owned();
            return Err(Refusal::Unreadable("required", text, Some(parameter.path())));
        };
        if name == "resource" {
            if resource.replace(parameter).is_some() {
                let text = "The parameter \"resource\" is given more than once; send a batch, or a Bundle.".to_owned();
                return Err(Refusal::Unreadable("structure", text, Some(parameter.path())));
            }
            continue;
        }
        let value = parameter.members().find(|(key, _)| key.starts_with("value")).and_then(|(_, node)| {
            node.as_str().map(|text| text.into_owned()).or_else(|| node.literal().map(str::to_owned))
        });
        let Some(value) = value else {
            if name.starts_with("x-") || !query.knows(&name, operation.query()) && query.pass_over(&name) {
                continue;
            }
            let text = "This parameter needs a primitive value.".to_owned();
            return Err(Refusal::Unreadable("value", text, Some(parameter.path())));
        };
        if matches!(&*name, "_pretty" | "_format") {
            continue;
        }
        query.set(&name, value, operation.query())?;
    }
    let Some(parameter) = resource else {
        let text = format!("Parameters without the parameter \"resource\", which holds the {expected}.");
        return Err(Refusal::Unreadable("required", text, Some("Parameters".to_owned())));
    };
    let Some(inner) = parameter.get("resource") else {
        let text = "The parameter \"resource\" holds no resource.".to_owned();
        return Err(Refusal::Unreadable("required", text, Some(parameter.path())));
    };
    match inner.resource_type() {
        Some(kind) if operation.takes().contains(&&*kind) => Ok(inner),
        Some(kind) => refuse(inner, &kind),
        None => refuse(inner, ""),
    }
}

/// `mode` and `profile` of `$validate` (resource-validation-mode), as far as a service without stored resources can
/// honour them. FHIR has `update` and `delete` on one order only.
fn mode_and_profile(query: &Query, version: FhirVersion) -> Result<(), Refusal> {
    match query.mode.as_deref() {
        None | Some("create") => {}
        Some("profile") if query.profile.is_some() => {}
        Some("profile") => {
            return Err(Refusal::Parameter(
                "mode".to_owned(),
                "profile needs the parameter profile as well.".to_owned(),
            ));
        }
        Some("update") if query.instance.is_some() => {}
        Some("delete") if query.instance.is_some() => {
            return Err(Refusal::NotSupported(
                "Parameter mode: whether an order may be deleted cannot be told, because orders are not served from here. Nothing was checked.".to_owned(),
            ));
        }
        Some(mode @ ("update" | "delete")) => {
            return Err(Refusal::NotSupported(format!(
                "Parameter mode: {mode} is for one order, at NutritionOrder/ID/$validate. Nothing was checked.",
            )));
        }
        Some(mode) => {
            return Err(Refusal::Parameter(
                "mode".to_owned(),
                format!("\"{}\" is not known; expected create, update, delete or profile.", shown(mode)),
            ));
        }
    }
    let Some(profile) = &query.profile else { return Ok(()) };
    let (url, wanted) = profile.split_once('|').map_or((profile.as_str(), None), |(url, v)| (url, Some(v)));
    let known = ["NutritionOrder", "Bundle"]
        .iter()
        .any(|kind| url.strip_prefix("http://hl7.org/fhir/StructureDefinition/") == Some(kind));
    if known && wanted.is_none_or(|v| v == version.number() || v == version.mime()) {
        return Ok(());
    }
    Err(Refusal::NotSupported(format!(
        "Parameter profile: this profile is not known here, so nothing was checked against it; known is http://hl7.org/fhir/StructureDefinition/NutritionOrder in version {}.",
        version.number()
    )))
}

/// `POST [base]` with a Bundle of type batch.
pub async fn batch(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let came = Timestamp::now();
    let version = base(&version)?;
    let (parts, incoming) = request.into_parts();
    let preferences = Preferences::read(&parts.headers);
    let checked = (|| {
        negotiate::unconditional(&parts.headers)?;
        let query = Query::read(parts.uri.query(), Takes::Batch)?;
        negotiate::acceptable(&parts.headers, query.format.as_deref(), version)?;
        negotiate::readable(&parts.headers, version)?;
        Ok(query)
    })();
    let query = match checked {
        Ok(query) => query,
        Err(refusal) => {
            body::discard(&parts.headers, incoming, app.limits.body).await;
            return Err(refusal);
        }
    };
    let whole = body::read(&app, &parts, incoming).await?;
    let caller = parts.extensions.get::<Caller>();
    let (grants, client) = (caller.map(|c| c.grants), caller.map_or_else(String::new, |c| c.name.to_string()));
    let noted = parts.extensions.get::<Noted>().cloned();
    let own = app.clone();
    let (mut answer, entries, kept) = to_the_end(async move {
        let work = move |app: &App, input: &[u8]| {
            answer_batch(app, input, &Called { version, grants, preferences }, noted.as_ref())
        };
        let (answer, of_entries) = calculate(&own, whole, own.limits.appraisal_time, work).await??;
        let (entries, orders): (Vec<Vec<bool>>, Vec<Vec<Received>>) = of_entries
            .into_iter()
            .map(|orders| (orders.iter().map(Received::is_item).collect::<Vec<bool>>(), orders))
            .unzip();
        let sender = Sender { client, through: "batch", came: Some(came), ..Sender::default() };
        let orders = orders.into_iter().flatten().collect();
        let kept = keeping::keep(&own, orders, sender, Instant::now() + keeping::PATIENCE).await;
        Ok::<_, Refusal>((answer, entries, kept))
    })
    .await?;
    if kept == Kept::NotRecorded {
        for (entry, _) in answer.entry.iter_mut().zip(&entries).filter(|(_, items)| items.contains(&true)) {
            entry.response.outcome = RawValue::from_string(keeping::outcome()).ok();
        }
    }
    let answer = serde_json::to_string(&answer).map_err(|_| Refusal::Fault)?;
    let mut response = negotiate::fhir(StatusCode::OK, answer, query.pretty);
    kept.mark(&mut response);
    if let Some(applied) = preferences.applied(false) {
        response.headers_mut().insert("preference-applied", applied);
    }
    response.extensions_mut().insert(Disposition("batch"));
    Ok(response)
}

#[derive(Serialize)]
struct BatchResponse {
    #[serde(rename = "resourceType")]
    resource_type: &'static str,
    r#type: &'static str,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    entry: Vec<ResponseEntry>,
}

#[derive(Serialize)]
struct ResponseEntry {
    #[serde(skip_serializing_if = "Option::is_none")]
    resource: Option<Box<RawValue>>,
    response: EntryStatus,
}

#[derive(Serialize)]
struct EntryStatus {
    status: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    outcome: Option<Box<RawValue>>,
}

/// The answer, and the orders of each entry.
type Batch = (BatchResponse, Vec<Vec<Received>>);

/// What is the same for all entries of a batch.
struct Called {
    version: FhirVersion,
    grants: Option<Grants>,
    preferences: Preferences,
}

fn answer_batch(app: &App, input: &[u8], called: &Called, noted: Option<&Noted>) -> Result<Batch, Refusal> {
    let limits = json::Limits { bytes: app.limits.body, ..json::Limits::default() };
    let document = Document::read(input, &limits).map_err(|error| {
        Refusal::Unreadable(
            error.issue_code(),
            format!("The body could not be read: {error}."),
            error.place().path.clone(),
        )
    })?;
    let root = document.root();
    if root.resource_type().as_deref() != Some("Bundle") {
        let text = "Expected a Bundle of type batch; single orders go to NutritionOrder/$validate or NutritionOrder/$appraise.";
        return Err(Refusal::Unreadable("invalid", text.to_owned(), root.resource_type().map(Into::into)));
    }
    match root.get("type").and_then(Node::as_str).as_deref() {
        Some("batch") => {}
        Some("transaction") => {
            return Err(Refusal::NotSupported(
                "Transactions are not offered: orders are not served from here. Send the same entries as a Bundle of type batch.".to_owned(),
            ));
        }
        Some("collection" | "document" | "message" | "searchset") => {
            return Err(Refusal::NotSupported(
                "A Bundle of this type is not a request. Send it to NutritionOrder/$appraise or Bundle/$validate."
                    .to_owned(),
            ));
        }
        _ => {
            return Err(Refusal::Unreadable(
                "value",
                "Expected a Bundle of type batch.".to_owned(),
                Some("Bundle".to_owned()),
            ));
        }
    }
    let entries: Vec<_> = root.get("entry").into_iter().flat_map(Node::items).collect();
    if entries.len() > app.limits.entries {
        let text = format!("A batch may have at most {} entries; this one has {}.", app.limits.entries, entries.len());
        return Err(Refusal::Unreadable("too-costly", text, Some("Bundle".to_owned())));
    }
    // An order of a few lines has an answer of many: without a bound a small batch could fill the memory.
    let mut left = app.limits.batch_answer;
    // All entries by the same rules, also when a reload falls between two of them.
    let held = app.appraiser.held_fast();
    let by = held.as_deref().unwrap_or(&*app.appraiser);
    if let Some(noted) = noted {
        noted.versions(by.versions());
        noted.count(entries.len());
    }
    let (entry, orders) = entries
        .into_iter()
        .map(|entry| {
            let (answer, orders) = answer_entry(app, by, entry, called, left);
            left = left.saturating_sub(answer.resource.as_ref().map_or(0, |body| body.get().len()));
            (answer, orders)
        })
        .unzip();
    Ok((BatchResponse { resource_type: "Bundle", r#type: "batch-response", entry }, orders))
}

/// One entry; whatever goes wrong in it stays in it.
fn answer_entry(
    app: &App,
    by: &dyn Appraiser,
    entry: Node<'_>,
    called: &Called,
    left: usize,
) -> (ResponseEntry, Vec<Received>) {
    let answered = catch_unwind(AssertUnwindSafe(|| {
        if left == 0 { Err(Refusal::BatchFull) } else { run_entry(app, by, entry, called) }
    }))
    .unwrap_or_else(|_| {
        app.panics.fetch_add(1, Ordering::Relaxed);
        Err(Refusal::Fault)
    });
    let (status, body, orders) = match answered {
        Ok(appraised) => (appraised.status, appraised.body, appraised.orders),
        Err(refusal) => (refusal.status(), refusal.outcome(), Vec::new()),
    };
    let (status, body) = match RawValue::from_string(body) {
        Ok(body) => (status, Some(body)),
        // An entry without its answer must not look like one that was answered.
        Err(_) => (StatusCode::INTERNAL_SERVER_ERROR, RawValue::from_string(Refusal::Fault.outcome()).ok()),
    };
    let code = status
        .canonical_reason()
        .map_or_else(|| status.as_str().to_owned(), |reason| format!("{} {reason}", status.as_str()));
    let entry = if status.is_success() {
        ResponseEntry { resource: body, response: EntryStatus { status: code, outcome: None } }
    } else {
        ResponseEntry { resource: None, response: EntryStatus { status: code, outcome: body } }
    };
    (entry, orders)
}

fn run_entry(app: &App, by: &dyn Appraiser, entry: Node<'_>, called: &Called) -> Result<Appraised, Refusal> {
    let missing =
        |what: &str, at: Node<'_>| Refusal::Unreadable("required", format!("{what} is missing."), Some(at.path()));
    let request = entry.get("request").ok_or_else(|| missing("request", entry))?;
    let method = request.get("method").and_then(Node::as_str).ok_or_else(|| missing("request.method", request))?;
    let url = request.get("url").and_then(Node::as_str).ok_or_else(|| missing("request.url", request))?;
    let (path, query) = url.split_once('?').map_or((&*url, None), |(path, query)| (path, Some(query)));
    // As of a whole request: some clients escape the dollar sign.
    let path = path.replace("%24", "$");
    let Some((operation, instance)) = Operation::at(path.trim_start_matches('/')) else {
        return Err(Refusal::NotFound(
            "An entry of a batch may call NutritionOrder/$appraise, NutritionOrder/$validate, NutritionOrder/ID/$validate, Bundle/$validate or $validate.".to_owned(),
        ));
    };
    if method != "POST" {
        return Err(Refusal::EntryMethod);
    }
    let need = if operation.validates() { scope::Need::Validate } else { scope::Need::Appraise };
    if called.grants.is_some_and(|grants| !grants.allow(need)) {
        return Err(Refusal::Forbidden(scope_text()));
    }
    negotiate::unconditional_entry(|element| request.get(element).is_some())?;
    let query = asked(instance.map(str::to_owned), called.preferences)?.with(query, operation.query())?;
    let resource =
        entry.get("resource").filter(|node| node.kind() == Kind::Object).ok_or_else(|| missing("resource", entry))?;
    run(app, by, resource.raw().as_bytes(), called.version, operation, query)
}
