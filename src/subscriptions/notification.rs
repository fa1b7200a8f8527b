//! One message: a Bundle whose first entry says which subscription, which event, and which `Task`. In R4 and R4B it is the
//! Bundle of type `history` of the guide "Subscriptions R5 Backport" 1.1.0, in R5 one of type `subscription-notification`.
//!
//! INVARIANT: with the content `empty` or `id-only` nothing of a patient is in it, and it is the same to the byte at every
//! try.

use super::resource::{Known, Said, Status, profile, put, reference, status};
use super::{Content, Subscriber};
use crate::intake::order::FhirVersion;
use crate::queue::task::TaskId;
use jiff::Timestamp;
use serde_json::{Value, json};
use uuid::Uuid;

/// What happened.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Event {
    /// Its id, the same at every try.
    pub id: Uuid,
    /// Its number among all of its subscriber; 0 of a handshake.
    pub number: u64,
    /// When.
    pub at: Timestamp,
    /// The task that changed; none of a handshake.
    pub task: Option<TaskId>,
}

fn entry_of(said: &Said<'_>, id: Uuid) -> Value {
    let version = said.subscriber.fhir;
    let mut resource = status(said);
    put(&mut resource, "id", id.to_string());
    let mut entry = json!({ "fullUrl": format!("urn:uuid:{id}"), "resource": resource });
    if version != FhirVersion::R5 {
        // What a Bundle of this type needs; as the guide has it.
        let url = format!("{}/$status", reference(said.base, said.subscriber));
        put(&mut entry, "request", json!({ "method": "GET", "url": url }));
        put(&mut entry, "response", json!({ "status": "200" }));
    }
    entry
}

fn bundle(subscriber: &Subscriber, id: Uuid, at: Timestamp, entries: Vec<Value>) -> Value {
    let kind = if subscriber.fhir == FhirVersion::R5 { "subscription-notification" } else { "history" };
    let mut out = json!({
        "resourceType": "Bundle",
        "id": id.to_string(),
        "type": kind,
        "timestamp": at.to_string(),
        "entry": entries,
    });
    if let Some(meta) = profile(subscriber.fhir, "backport-subscription-notification") {
        put(&mut out, "meta", meta);
    }
    out
}

/// An id that follows from another.
fn second(id: Uuid) -> Uuid {
    Uuid::new_v5(&id, b"status")
}

fn focus(base: &str, subscriber: &Subscriber, event: &Event) -> Option<String> {
    let task = event.task.as_ref().filter(|_| subscriber.content != Content::Empty)?;
    Some(format!("{base}/{}/Task/{task}", subscriber.fhir.name()))
}

/// The message about an event. `task` is the resource, for the content `full-resource`; without it only its id is told.
pub fn notification(base: &str, subscriber: &Subscriber, event: &Event, task: Option<Value>) -> Value {
    let handshake = event.task.is_none();
    let at = event.at.to_string();
    let task_at = focus(base, subscriber, event);
    let said = Said {
        base,
        subscriber,
        status: if handshake { Status::Requested } else { Status::Active },
        kind: if handshake { "handshake" } else { "event-notification" },
        events: event.number,
        error: None,
        told: if handshake { Vec::new() } else { vec![(event.number, at, task_at.clone())] },
    };
    let mut entries = vec![entry_of(&said, second(event.id))];
    if let (Some(task), Some(url), Some(id)) = (task, task_at, &event.task) {
        let mut entry = json!({ "fullUrl": url, "resource": task });
        if subscriber.fhir != FhirVersion::R5 {
            put(&mut entry, "request", json!({ "method": "PUT", "url": format!("Task/{id}") }));
            put(&mut entry, "response", json!({ "status": "200" }));
        }
        entries.push(entry);
    }
    bundle(subscriber, event.id, event.at, entries)
}

/// The answer to `$status`: a searchset with the status.
pub fn status_now(base: &str, subscriber: &Subscriber, known: &Known) -> Value {
    let said = Said {
        base,
        subscriber,
        status: known.status(),
        kind: "query-status",
        events: known.events,
        error: known.error(),
        told: Vec::new(),
    };
    let own = reference(base, subscriber);
    let id = Uuid::new_v5(&Uuid::NAMESPACE_URL, own.as_bytes());
    let mut resource = status(&said);
    put(&mut resource, "id", id.to_string());
    json!({
        "resourceType": "Bundle",
        "type": "searchset",
        "total": 1,
        "link": [{ "relation": "self", "url": format!("{own}/$status") }],
        "entry": [{ "fullUrl": format!("urn:uuid:{id}"), "resource": resource, "search": { "mode": "match" } }],
    })
}

/// The answer to `$events`: what was told, or is to be told, as one message. `id` is of the answer.
pub fn events_again(
    base: &str,
    subscriber: &Subscriber,
    known: &Known,
    events: &[Event],
    id: Uuid,
    at: Timestamp,
) -> Value {
    let told = |event: &Event| (event.number, event.at.to_string(), focus(base, subscriber, event));
    let said = Said {
        base,
        subscriber,
        status: known.status(),
        // A status with this type names an event; without one it is only a status.
        kind: if events.is_empty() { "query-status" } else { "query-event" },
        events: known.events,
        error: known.error(),
        told: events.iter().map(told).collect(),
    };
    bundle(subscriber, id, at, vec![entry_of(&said, second(id))])
}

#[cfg(test)]
mod tests {
    use super::super::Criteria;
    use super::super::signature::Secret;
    use super::*;

    fn subscriber(fhir: FhirVersion, content: Content) -> Subscriber {
        Subscriber {
            id: "board".to_owned(),
            endpoint: "https://board.example/in".to_owned(),
            private_addresses: false,
            fhir,
            content,
            criteria: Criteria::default(),
            reason: "invented".to_owned(),
            timeout: 10,
            tries: 3,
            secrets: vec![Secret::read(&"A".repeat(40)).unwrap()],
            bearer: None,
        }
    }

    fn event() -> Event {
        Event {
            id: Uuid::parse_str("0d5cb5d5-7a1e-4a5e-9a69-5d9f3c2f6b11").unwrap(),
            number: 7,
            at: "2026-11-25T10:00:00Z".parse().unwrap(),
            task: TaskId::read("3b241101-e2bb-4255-8caf-4136c566a962-pharmacist"),
        }
    }

    #[test]
    fn an_empty_message_names_no_order() {
        for version in FhirVersion::ALL {
            let text = notification("https://g.example/fhir", &subscriber(version, Content::Empty), &event(), None);
            let text = text.to_string();
            assert!(!text.contains("3b241101") && !text.contains("SubscriptionTopic"), "{text}");
            let text = notification("https://g.example/fhir", &subscriber(version, Content::IdOnly), &event(), None);
            let url = format!(
                "https://g.example/fhir/{}/Task/3b241101-e2bb-4255-8caf-4136c566a962-pharmacist",
                version.name()
            );
            assert!(text.to_string().contains(&url), "{text}");
        }
    }
}
