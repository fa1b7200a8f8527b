//! An entry as a FHIR AuditEvent, R4 (R4B is the same) or R5.
//!
//! Every part of the entry is in it, so that the chain can be checked again from the resources; `id` is the hash.

use super::chain::{Entry, Time};
use super::{Kind, Outcome, Who};
use serde_json::{Value, json};
use uuid::Uuid;

/// Where the words for actions are from.
pub const ACTIONS: &str = "https://enteral-gate.example/fhir/CodeSystem/audit-action";

const DICOM: &str = "http://dicom.nema.org/resources/ontology/DCM";
const EVENTS: &str = "http://terminology.hl7.org/CodeSystem/audit-event-type";
const OUTCOMES: &str = "http://terminology.hl7.org/CodeSystem/audit-event-outcome";
const SOURCES: &str = "http://terminology.hl7.org/CodeSystem/security-source-type";
const ENTITIES: &str = "http://terminology.hl7.org/CodeSystem/audit-entity-type";
const ROLES: &str = "http://terminology.hl7.org/CodeSystem/object-role";

/// The entry as a resource.
pub fn audit_event(entry: &Entry, r5: bool) -> Value {
    let event = &entry.event;
    let action = json!({"system": ACTIONS, "code": event.action.as_str()});
    let category = category(entry);
    let (code, display) = code(&event.outcome);
    let said = match &event.outcome.reason {
        None => event.outcome.result.to_string(),
        Some(reason) => format!("{}: {reason}", event.outcome.result),
    };
    let source = json!({"system": SOURCES, "code": "4", "display": "Application Server"});
    let mut out = json!({
        "resourceType": "AuditEvent",
        "id": entry.hash.to_string(),
        "action": if matches!(event.action.as_str(), "read" | "orders-shown") { "R" } else { "E" },
        "recorded": Time(event.time),
        "agent": [{"role": [{"text": event.who.kind.word()}], "who": agent(&event.who), "requestor": true}],
        "source": {
            "observer": {"display": "enteral-gate"},
            "type": [if r5 { json!({"coding": [source]}) } else { source }],
        },
        "entity": entities(entry, r5),
    });
    let members = if r5 {
        json!({
            "category": [{"coding": [category]}],
            "code": {"coding": [action]},
            "outcome": {"code": {"system": OUTCOMES, "code": code, "display": display}, "detail": [{"text": said}]},
        })
    } else {
        json!({"type": category, "subtype": [action], "outcome": code, "outcomeDesc": said})
    };
    if let (Value::Object(out), Value::Object(members)) = (&mut out, members) {
        out.extend(members);
    }
    out
}

/// The same as an entry of a Bundle.
pub fn bundle_entry(entry: &Entry, r5: bool) -> Value {
    let id = Uuid::new_v5(&Uuid::NAMESPACE_OID, entry.hash.bytes());
    json!({"fullUrl": format!("urn:uuid:{id}"), "resource": audit_event(entry, r5)})
}

/// What kind of event, by the codes of the standard.
fn category(entry: &Entry) -> Value {
    let outcome = entry.event.outcome.result.as_str();
    let signs = matches!(entry.event.action.as_str(), "sign-in" | "sign-out");
    if outcome == "turned-away" || signs {
        json!({"system": DICOM, "code": "110114", "display": "User Authentication"})
    } else if entry.event.who.kind == Kind::Program {
        json!({"system": DICOM, "code": "110100", "display": "Application Activity"})
    } else {
        json!({"system": EVENTS, "code": "rest", "display": "Restful Operation"})
    }
}

/// Whether it was done. A finding is no failure; a call that was not served is.
fn code(outcome: &Outcome) -> (&'static str, &'static str) {
    let undone = matches!(outcome.result.as_str(), "refused" | "turned-away" | "failed" | "not-written");
    match outcome.status {
        Some(500..) => ("8", "Serious failure"),
        Some(400..) => ("4", "Minor failure"),
        _ if undone || outcome.reason.is_some() => ("4", "Minor failure"),
        _ => ("0", "Success"),
    }
}

fn agent(who: &Who) -> Value {
    let display = match (&who.name, who.kind) {
        (Some(name), Kind::Unknown) => format!("said to be {name}"),
        (Some(name), _) => name.to_string(),
        (None, Kind::Program) => "enteral-gate".to_owned(),
        (None, kind) => kind.word().to_owned(),
    };
    match &who.reference {
        None => json!({"display": display}),
        Some(reference) => json!({"identifier": {"value": reference}, "display": display}),
    }
}

fn entities(entry: &Entry, r5: bool) -> Value {
    let event = &entry.event;
    let mut details = Vec::new();
    let mut detail = |name: &str, value: Option<String>| {
        if let Some(value) = value {
            let kind = if r5 { json!({"text": name}) } else { json!(name) };
            details.push(json!({"type": kind, "valueString": value}));
        }
    };
    let text = |text: &dyn ToString| Some(text.to_string());
    detail("sequence", text(&entry.sequence));
    detail("previous", text(&entry.previous));
    detail("hash", text(&entry.hash));
    detail("content-sha256", event.on.content.as_ref().and_then(|hash| text(hash)));
    detail("route", event.on.route.as_ref().and_then(|route| text(route)));
    detail("request", event.outcome.request.as_ref().and_then(|request| text(request)));
    detail("result", text(&event.outcome.result));
    detail("reason", event.outcome.reason.as_ref().and_then(|reason| text(reason)));
    detail("status", event.outcome.status.as_ref().and_then(|status| text(status)));
    detail("count", event.outcome.count.as_ref().and_then(|count| text(count)));
    detail("micros", event.outcome.micros.as_ref().and_then(|micros| text(micros)));
    for (filter, word) in &event.on.asked {
        detail(&format!("asked-{filter}"), text(word));
    }
    for (what, version) in &event.versions {
        detail(&format!("version-{what}"), text(version));
    }
    let mut entities = vec![json!({"detail": details})];
    for item in event.on.item.iter().chain(&event.on.items) {
        entities.push(json!({"what": {"identifier": {"value": item}}}));
    }
    if let Some(subject) = &event.on.subject {
        let role = json!({"system": ROLES, "code": "1", "display": "Patient"});
        let mut entity = json!({"what": {"identifier": {"value": subject}}});
        if let Value::Object(entity) = &mut entity {
            let role = if r5 { json!({"coding": [role]}) } else { role };
            entity.insert("role".to_owned(), role);
            if !r5 {
                let person = json!({"system": ENTITIES, "code": "1", "display": "Person"});
                entity.insert("type".to_owned(), person);
            }
        }
        entities.push(entity);
    }
    Value::Array(entities)
}
