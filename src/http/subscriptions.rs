//! `Subscription` and `SubscriptionTopic` for reading. Who is told of what is declared by the institution in a file, so
//! that nobody can have orders of patients sent elsewhere over this interface.

use super::App;
use super::asked::{Takes, pairs};
use super::negotiate;
use super::notices::Notices;
use super::operations::base;
use super::refusal::Refusal;
use super::tasks::{address, from_here};
use crate::intake::order::FhirVersion;
use crate::subscriptions::notification::{events_again, status_now};
use crate::subscriptions::resource::{TOPIC_ID, subscription, topic};
use crate::subscriptions::{Subscriber, Subscribers};
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use jiff::Timestamp;
use serde_json::{Value, json};
use std::sync::Arc;
use uuid::Uuid;

/// When the topic was last changed.
const TOPIC_DATE: &str = "2026-11-26";

/// Parameters of `$events`.
pub const EVENTS_PARAMETERS: [(&str, &str); 2] = [
    ("eventsSinceNumber", "The first event, by its number; 1 where it is not given."),
    ("eventsUntilNumber", "The last event; at most 200 are given."),
];

const EVENTS_NAMES: [&str; 2] = [EVENTS_PARAMETERS[0].0, EVENTS_PARAMETERS[1].0];

struct Asked {
    version: FhirVersion,
    pretty: bool,
    since: u64,
    until: u64,
}

/// What is asked; of `$events` which numbers.
fn asked(request: &Request, version: &str, events: bool) -> Result<Asked, Refusal> {
    let version = base(version)?;
    let takes = Takes::Only(if events { &EVENTS_NAMES } else { &[] });
    let mut query = super::asked::Query::default();
    let (mut since, mut until) = (None, None);
    for pair in pairs(request.uri().query()) {
        let (name, value) = pair?;
        let slot = match name.as_str() {
            own if events && own == EVENTS_NAMES[0] => &mut since,
            own if events && own == EVENTS_NAMES[1] => &mut until,
            _ => {
                query.set(&name, value, takes)?;
                continue;
            }
        };
        let number = value.parse::<u64>();
        let wrong = |what: &str| Refusal::Parameter(name.clone(), what.to_owned());
        let number = number.map_err(|_| wrong("expected a whole number, the number of an event."))?;
        if slot.replace(number).is_some() {
            return Err(wrong("is given more than once."));
        }
    }
    let (since, until) = (since.unwrap_or(1), until.unwrap_or(u64::MAX));
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    Ok(Asked { version, pretty: query.pretty, since, until })
}

/// What is told of is as it is now.
async fn counted(app: &App) -> Result<(), Refusal> {
    if let Some(notices) = &app.doors.notices {
        notices.count().await?;
    }
    Ok(())
}

/// The subscribers of a version, with what tells them.
fn of_version(app: &App, version: FhirVersion) -> Option<(&Notices, Subscribers)> {
    let notices = app.doors.notices.as_deref()?;
    let declared = notices.subscribers();
    let list = declared.list.iter().filter(|subscriber| subscriber.fhir == version).cloned().collect();
    Some((notices, Subscribers { base: declared.base.clone(), list }))
}

/// One of them, and the base of what it is told.
fn find<'a>(app: &'a App, version: FhirVersion, id: &str) -> Result<(&'a Notices, String, Subscriber), Refusal> {
    let found = of_version(app, version).and_then(|(notices, Subscribers { base, list })| {
        let one = list.into_iter().find(|subscriber| subscriber.id == id)?;
        Some((notices, base, one))
    });
    found.ok_or_else(|| {
        Refusal::NotFound(format!(
            "No subscription of this id is declared here for {}; the institution declares them in a file.",
            version.name()
        ))
    })
}

fn searchset(at: &str, version: FhirVersion, kind: &str, resources: Vec<Value>) -> Value {
    let own = format!("{at}/fhir/{}/{kind}", version.name());
    let entry = |resource: Value| {
        let id = resource.get("id").and_then(Value::as_str).unwrap_or_default();
        json!({ "fullUrl": format!("{own}/{id}"), "resource": resource, "search": { "mode": "match" } })
    };
    let mut out = json!({
        "resourceType": "Bundle",
        "type": "searchset",
        "total": resources.len(),
        "link": [{ "relation": "self", "url": own }],
    });
    // FHIR knows no empty arrays.
    if !resources.is_empty() {
        out["entry"] = resources.into_iter().map(entry).collect();
    }
    out
}

/// `GET [base]/Subscription`
pub async fn search(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, false)?;
    from_here(&request, &app)?;
    counted(&app).await?;
    let resources = of_version(&app, asked.version).map_or_else(Vec::new, |(notices, own)| {
        own.list.iter().map(|one| subscription(one, &notices.known(&one.id))).collect()
    });
    let bundle = searchset(&address(&request, &app), asked.version, "Subscription", resources);
    Ok(negotiate::fhir(StatusCode::OK, bundle.to_string(), asked.pretty))
}

/// `GET [base]/Subscription/{id}`
pub async fn read(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, false)?;
    from_here(&request, &app)?;
    counted(&app).await?;
    let (notices, _, one) = find(&app, asked.version, &id)?;
    let resource = subscription(&one, &notices.known(&one.id));
    Ok(negotiate::fhir(StatusCode::OK, resource.to_string(), asked.pretty))
}

/// `GET [base]/Subscription/{id}/$status`
pub async fn status(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, false)?;
    from_here(&request, &app)?;
    counted(&app).await?;
    let (notices, base, one) = find(&app, asked.version, &id)?;
    let bundle = status_now(&base, &one, &notices.known(&one.id));
    Ok(negotiate::fhir(StatusCode::OK, bundle.to_string(), asked.pretty))
}

/// `GET [base]/Subscription/{id}/$events`
pub async fn events(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, true)?;
    from_here(&request, &app)?;
    let (notices, base, one) = find(&app, asked.version, &id)?;
    let events = notices.store().events(&one.id, asked.since, asked.until).await?;
    notices.count().await?;
    let known = notices.known(&one.id);
    let bundle = events_again(&base, &one, &known, &events, Uuid::new_v4(), Timestamp::now());
    Ok(negotiate::fhir(StatusCode::OK, bundle.to_string(), asked.pretty))
}

const DECLARED: &str = "Subscriptions are declared by the institution in a file (docs/subscriptions.md) and cannot be created, changed or removed over this interface. Nothing was changed.";

/// `POST [base]/Subscription`, `PUT` and `DELETE [base]/Subscription/{id}`
pub async fn declared_only() -> Refusal {
    Refusal::Rule(DECLARED)
}

fn topics(version: FhirVersion) -> Result<Value, Refusal> {
    if version == FhirVersion::R4 {
        return Err(Refusal::NotFound(
            "R4 has no SubscriptionTopic; this one can be read under R4B and R5.".to_owned(),
        ));
    }
    Ok(topic(env!("CARGO_PKG_VERSION"), TOPIC_DATE))
}

/// `GET [base]/SubscriptionTopic`
pub async fn search_topics(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, false)?;
    let resources = vec![topics(asked.version)?];
    let bundle = searchset(&address(&request, &app), asked.version, "SubscriptionTopic", resources);
    Ok(negotiate::fhir(StatusCode::OK, bundle.to_string(), asked.pretty))
}

/// `GET [base]/SubscriptionTopic/{id}`
pub async fn read_topic(Path((version, id)): Path<(String, String)>, request: Request) -> Result<Response, Refusal> {
    let asked = asked(&request, &version, false)?;
    let found = topics(asked.version)?;
    if id != TOPIC_ID {
        return Err(Refusal::NotFound(format!("No such SubscriptionTopic here; there is: {TOPIC_ID}.")));
    }
    Ok(negotiate::fhir(StatusCode::OK, found.to_string(), asked.pretty))
}
