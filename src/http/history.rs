//! What happened to orders on the queue, in FHIR's terms: what was done as Provenance, and that it was done or looked at as
//! AuditEvent. Both are read from the trail of an item, one resource for each entry. What people wrote is in neither.

use super::App;
use super::asked::{Search, Takes};
use super::elements::Elements;
use super::negotiate;
use super::operations::base;
use super::refusal::Refusal;
use super::tasks::{
    Bounds, ITEMS, address, bounds, from_here, noted, patient, read_id, sorted, store, task_id, total, who,
};
use crate::answer::PROGRAM;
use crate::intake::order::FhirVersion;
use crate::queue::item::{Item, ItemId};
use crate::queue::trail::{Entry, Event};
use crate::queue::work::Action;
use crate::queue::{Lane, Role};
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use serde_json::{Value, json};
use std::sync::Arc;

/// Parameters of a search for Provenance.
pub const PROVENANCE_PARAMETERS: [(&str, &str, &str); 5] = [
    ("target", "reference", "The Task whose history is wanted: Task/ID. Needed."),
    ("recorded", "date", "When it was done; with the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap."),
    ("_sort", "special", "recorded, which is the order without it, or -recorded."),
    ("_total", "token", "none: not how many there are; accurate or estimate: exactly how many, as without it."),
    ("_elements", "special", "Names of elements, separated by commas: only these, and those that have to be there."),
];
/// Parameters of a search for AuditEvents.
pub const AUDIT_PARAMETERS: [(&str, &str, &str); 5] = [
    ("entity", "reference", "The Task whose history is wanted: Task/ID. Needed."),
    ("date", "date", "When it happened; with the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap."),
    ("_sort", "special", "date, which is the order without it, or -date."),
    ("_total", "token", "none: not how many there are; accurate or estimate: exactly how many, as without it."),
    ("_elements", "special", "Names of elements, separated by commas: only these, and those that have to be there."),
];

const OPERATIONS: &str = "http://terminology.hl7.org/CodeSystem/v3-DataOperation";
const PARTICIPANTS: &str = "http://terminology.hl7.org/CodeSystem/provenance-participant-type";
const EVENTS: &str = "http://terminology.hl7.org/CodeSystem/audit-event-type";
const OUTCOMES: &str = "http://terminology.hl7.org/CodeSystem/audit-event-outcome";

/// Which of the two.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Provenance,
    AuditEvent,
}

impl Kind {
    const fn name(self) -> &'static str {
        match self {
            Self::Provenance => "Provenance",
            Self::AuditEvent => "AuditEvent",
        }
    }

    const fn parameter(self) -> &'static str {
        match self {
            Self::Provenance => "target",
            Self::AuditEvent => "entity",
        }
    }

    /// The parameter for its time.
    const fn time(self) -> &'static str {
        match self {
            Self::Provenance => "recorded",
            Self::AuditEvent => "date",
        }
    }

    /// Whether an entry is one. A look changes nothing, so it is no provenance.
    fn has(self, entry: &Entry) -> bool {
        self == Self::AuditEvent || entry.what != Event::Viewed
    }
}

/// `GET [base]/Provenance`
pub async fn provenances(state: State<Arc<App>>, version: Path<String>, request: Request) -> Result<Response, Refusal> {
    search(state, version, request, Kind::Provenance).await
}

/// `GET [base]/AuditEvent`
pub async fn audit_events(
    state: State<Arc<App>>,
    version: Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    search(state, version, request, Kind::AuditEvent).await
}

/// `GET [base]/Provenance/{id}`
pub async fn one_provenance(
    state: State<Arc<App>>,
    path: Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    read(state, path, request, Kind::Provenance).await
}

/// `GET [base]/AuditEvent/{id}`
pub async fn one_audit_event(
    state: State<Arc<App>>,
    path: Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    read(state, path, request, Kind::AuditEvent).await
}

async fn search(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
    kind: Kind,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let mut wanted = None;
    let (mut times, mut down, mut counts, mut elements) = (Bounds::default(), false, true, Elements::default());
    let mut own: Vec<(String, String)> = Vec::new();
    let now = Timestamp::now();
    let names = [kind.parameter(), kind.time(), "_sort", "_total", "_elements"];
    let search = Search::read(&request, &names, &[kind.time()], |name, value| {
        let mut said = vec![value.clone()];
        match name.as_str() {
            own if own == kind.parameter() => wanted = Some(value),
            own if own == kind.time() => said = bounds(own, &value, (&app.settings.zone, now), &mut times)?,
            "_sort" => down = sorted(&value, &[(kind.time(), ())])?.1,
            "_total" => counts = total(&value)?,
            "_elements" => elements = Elements::read(kind.name(), &value)?,
            _ => return Ok(false),
        }
        own.extend(said.into_iter().map(|value| (name.clone(), value)));
        Ok(true)
    })?;
    negotiate::acceptable(request.headers(), search.format.as_deref(), version)?;
    let reference = wanted.ok_or_else(|| {
        Refusal::Parameter(kind.parameter().to_owned(), "is needed: Task/ID, whose history is wanted.".to_owned())
    })?;
    let store = store(&app)?;
    let at = address(&request, &app);
    // FHIR: the address of the resource, its type and id, or its id alone.
    let here = format!("{at}/fhir/{}/", version.name());
    let named = reference.strip_prefix(&here).unwrap_or(&reference);
    let task = read_id(named.strip_prefix("Task/").unwrap_or(named));
    let item = match &task {
        Some((id, _)) => store.get(id.clone()).await?,
        None => None,
    };
    // A lane that was not asked has no task, and so no history.
    let has_task = |item: &Item, lane: Lane| item.summary.task(lane, Timestamp::now()).is_some();
    let item = item.filter(|item| task.as_ref().is_some_and(|(_, lane)| has_task(item, *lane)));
    let mut entries = Vec::new();
    if let (Some(item), Some((id, lane))) = (&item, &task) {
        noted(&request, |noted| noted.item_read(id));
        let trail = store.trail(id.clone()).await?;
        let judged = judged_last(&trail);
        for (nth, entry) in trail.iter().enumerate() {
            if kind.has(entry) && of_lane(entry, *lane) && times.has(entry.at) {
                let resource = resource(kind, item, (nth, judged == Some(nth)), entry, version);
                let resource = elements.of(kind.name(), version, resource);
                let url = format!("{at}/fhir/{}/{}/{}", version.name(), kind.name(), entry_id(id, nth));
                entries.push(json!({ "fullUrl": url, "resource": resource, "search": { "mode": "match" } }));
            }
        }
    }
    if down {
        entries.reverse();
    }
    noted(&request, |noted| noted.count(entries.len()));
    let own: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(own).finish();
    let link = format!("{at}/fhir/{}/{}?{own}", version.name(), kind.name());
    let mut out = json!({
        "resourceType": "Bundle", "type": "searchset",
        "link": [{ "relation": "self", "url": link }],
    });
    if counts {
        out["total"] = json!(entries.len());
    }
    entries.extend(search.entry());
    // FHIR knows no empty arrays.
    if !entries.is_empty() {
        out["entry"] = json!(entries);
    }
    Ok(search.answered(&out))
}

async fn read(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
    kind: Kind,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let query = super::asked::Query::read(request.uri().query(), Takes::Only(&[]))?;
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    let none = || Refusal::NotFound("Nothing of that id happened on the queue.".to_owned());
    let (item, number) = id.rsplit_once('-').ok_or_else(none)?;
    let nth = number.parse::<usize>().ok().and_then(|n| n.checked_sub(1)).ok_or_else(none)?;
    let item = ItemId::read(item).filter(|item| entry_id(item, nth) == id).ok_or_else(none)?;
    let store = store(&app)?;
    let (found, trail) = (store.get(item.clone()).await?.ok_or_else(none)?, store.trail(item.clone()).await?);
    noted(&request, |noted| noted.item_read(&item));
    let entry = trail.get(nth).filter(|entry| kind.has(entry)).ok_or_else(none)?;
    let resource = resource(kind, &found, (nth, judged_last(&trail) == Some(nth)), entry, version);
    Ok(negotiate::fhir(StatusCode::OK, resource.to_string(), query.pretty))
}

fn entry_id(item: &ItemId, nth: usize) -> String {
    format!("{item}-{}", nth + 1)
}

/// Whether it is part of the history of a lane's task: what was done in the other lane is not.
fn of_lane(entry: &Entry, lane: Lane) -> bool {
    !matches!(&entry.what, Event::Did { lane: own, .. } if *own != lane)
}

/// The Tasks that it was about.
fn tasks_of(item: &Item, entry: &Entry) -> Vec<Value> {
    let asked = |lane: &Lane| item.summary.task(*lane, entry.at).is_some();
    let all: Vec<Lane> = Lane::ALL.into_iter().filter(|lane| asked(lane) && of_lane(entry, *lane)).collect();
    let reference = |lane: Lane| json!({ "reference": format!("Task/{}", task_id(&item.summary.id, lane)) });
    all.into_iter().map(reference).collect()
}

/// The item, where no lane was asked about it.
fn group(item: &Item) -> Value {
    json!({ "identifier": { "system": ITEMS, "value": item.summary.id }, "type": "Task" })
}

/// The entry of a trail with which the report that is kept came.
fn judged_last(trail: &[Entry]) -> Option<usize> {
    trail.iter().rposition(|entry| matches!(entry.what, Event::Recorded { .. } | Event::JudgedAgain { .. }))
}

fn resource(kind: Kind, item: &Item, (nth, judged): (usize, bool), entry: &Entry, version: FhirVersion) -> Value {
    match kind {
        Kind::Provenance => provenance(item, (nth, judged), entry, version),
        Kind::AuditEvent => audit_event(item, nth, entry, version),
    }
}

/// Created, changed or read, by the codes of the standards: v3-DataOperation, and AuditEvent.action.
const fn operation(what: &Event) -> (&'static str, &'static str, &'static str) {
    match what {
        Event::Recorded { .. } => ("CREATE", "create", "C"),
        Event::Viewed => ("READ", "read", "R"),
        _ => ("UPDATE", "revise", "U"),
    }
}

fn agent(entry: &Entry) -> Value {
    if entry.by.role == Role::Program { json!({ "display": PROGRAM }) } else { who(&entry.by) }
}

/// The code of a reason that is one of a list; never what somebody wrote.
fn reason(what: &Event) -> Option<&str> {
    match what {
        Event::Did { action: Action::Accept { reason }, .. } => Some(&reason.code),
        _ => None,
    }
}

/// By what an order was judged: rulebook, formulary and settings with their hashes, and the program with its version.
fn judged_by(item: &Item) -> Vec<Value> {
    let by = &item.report.by;
    let of = |what: &str, words: &str, hash: &str| {
        let mut out = json!({ "role": "source", "what": { "display": format!("{what}: {words}") } });
        if !hash.is_empty() {
            out["what"]["identifier"] = json!({ "type": { "text": "hash" }, "value": hash });
        }
        out
    };
    let mut out = vec![of("Program", &by.program, ""), of("Rulebook", &by.rulebook, &by.rulebook_hash)];
    out.push(of("Formulary", &by.formulary, &by.formulary_hash));
    if !by.settings_hash.is_empty() {
        out.push(of("Settings", "the institution's", &by.settings_hash));
    }
    out
}

/// An entry as Provenance; `judged`: with it came the report that is kept.
fn provenance(item: &Item, (nth, judged): (usize, bool), entry: &Entry, version: FhirVersion) -> Value {
    let r5 = version == FhirVersion::R5;
    let (code, display, _) = operation(&entry.what);
    let program = entry.by.role == Role::Program;
    let part = if program { ("assembler", "Assembler") } else { ("author", "Author") };
    let mut targets = tasks_of(item, entry);
    if targets.is_empty() {
        targets.push(group(item));
    }
    let mut sources = vec![json!({ "role": "source", "what": super::tasks::order(&item.summary) })];
    if judged {
        sources.extend(judged_by(item));
    }
    let mut out = json!({
        "resourceType": "Provenance",
        "id": entry_id(&item.summary.id, nth),
        "target": targets,
        "occurredDateTime": format!("{:.9}", entry.at),
        "recorded": format!("{:.9}", entry.at),
        "activity": {
            "coding": [{ "system": OPERATIONS, "code": code, "display": display }],
            "text": entry.what.word(),
        },
        "agent": [{
            "type": { "coding": [{ "system": PARTICIPANTS, "code": part.0, "display": part.1 }] },
            "who": agent(entry),
        }],
        "entity": sources,
    });
    if let Some(reason) = reason(&entry.what) {
        let reason = json!({ "text": reason });
        if r5 {
            out["authorization"] = json!([{ "concept": reason }]);
        } else {
            out["reason"] = json!([reason]);
        }
    }
    out
}

/// An entry as AuditEvent.
fn audit_event(item: &Item, nth: usize, entry: &Entry, version: FhirVersion) -> Value {
    let r5 = version == FhirVersion::R5;
    let (_, _, action) = operation(&entry.what);
    let rest = json!({ "system": EVENTS, "code": "rest", "display": "Restful Operation" });
    let word = json!({ "system": crate::audit::fhir::ACTIONS, "code": entry.what.word() });
    let mut entities: Vec<Value> = tasks_of(item, entry).into_iter().map(|task| json!({ "what": task })).collect();
    if entities.is_empty() {
        entities.push(json!({ "what": group(item) }));
    }
    let source = json!({ "observer": { "display": PROGRAM } });
    let by = json!([{ "role": [{ "text": entry.by.role.word() }], "who": agent(entry), "requestor": true }]);
    let mut out = json!({
        "resourceType": "AuditEvent",
        "id": entry_id(&item.summary.id, nth),
        "action": action,
        "recorded": format!("{:.9}", entry.at),
        "agent": by,
        "source": source,
    });
    let subject = patient(&item.summary);
    if r5 {
        out["category"] = json!([{ "coding": [rest] }]);
        out["code"] = json!({ "coding": [word] });
        out["outcome"] = json!({ "code": { "system": OUTCOMES, "code": "0", "display": "Success" } });
        if let Some(subject) = subject {
            out["patient"] = subject;
        }
    } else {
        out["type"] = rest;
        out["subtype"] = json!([word]);
        out["outcome"] = json!("0");
        if let Some(subject) = subject {
            entities.push(json!({ "what": subject }));
        }
    }
    out["entity"] = json!(entities);
    out
}
