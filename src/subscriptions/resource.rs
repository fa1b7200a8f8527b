//! What FHIR says of a subscriber. R5 has topic-based subscriptions; in R4 and R4B they are written as the implementation
//! guide "Subscriptions R5 Backport" 1.1.0 has it: the topic in `criteria`, filters and content in extensions.

use super::{Content, Criteria, PRIORITY, Subscriber};
use crate::intake::order::FhirVersion;
use crate::queue::Lane;
use serde_json::{Map, Value, json};

/// Canonical address of the topic.
pub const TOPIC: &str = "https://enteral-gate.example/fhir/SubscriptionTopic/task";
/// Its id.
pub const TOPIC_ID: &str = "task";
/// The parameter by which lanes are told apart: as in a search for Tasks.
pub const LANE: &str = "performer";

/// Where the guide's profiles and extensions are.
const GUIDE: &str = "http://hl7.org/fhir/uv/subscriptions-backport/StructureDefinition";
const CHANNEL: &str = "http://terminology.hl7.org/CodeSystem/subscription-channel-type";

/// How a subscription is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Status {
    /// Its endpoint has not answered yet.
    Requested,
    /// The last message arrived, and none is a dead letter.
    Active,
    /// The last try failed, or messages are dead letters.
    Error,
}

impl Status {
    /// FHIR's code.
    pub const fn code(self) -> &'static str {
        match self {
            Self::Requested => "requested",
            Self::Active => "active",
            Self::Error => "error",
        }
    }
}

/// What is known of a subscription beside what is declared.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Known {
    /// Events so far.
    pub events: u64,
    /// Messages that wait.
    pub waiting: u64,
    /// Of those, tried and not arrived.
    pub failing: u64,
    /// Dead letters.
    pub dead: u64,
    /// Whether the handshake still waits or never arrived.
    pub no_handshake: bool,
    /// Where it was declared last, by any replica; empty where it was taken out.
    pub endpoint: String,
}

impl Known {
    /// Its status.
    pub fn status(&self) -> Status {
        if self.dead > 0 || self.failing > 0 {
            Status::Error
        } else if self.no_handshake {
            Status::Requested
        } else {
            Status::Active
        }
    }

    /// What is wrong, in words.
    pub fn error(&self) -> Option<String> {
        (self.status() == Status::Error).then(|| {
            format!(
                "{} messages wait, of which {} were tried and did not arrive; {} are tried no more",
                self.waiting, self.failing, self.dead
            )
        })
    }
}

/// Reference of a subscription.
pub fn reference(base: &str, subscriber: &Subscriber) -> String {
    format!("{base}/{}/Subscription/{}", subscriber.fhir.name(), subscriber.id)
}

/// The guide's profile of something in a version, for `meta`; R5 needs none.
pub(super) fn profile(version: FhirVersion, name: &str) -> Option<Value> {
    let name = match version {
        FhirVersion::R4 => format!("{GUIDE}/{name}-r4"),
        FhirVersion::R4B => format!("{GUIDE}/{name}"),
        FhirVersion::R5 => return None,
    };
    Some(json!({ "profile": [name] }))
}

/// Adds a member.
pub(super) fn put(out: &mut Value, name: &str, value: impl Into<Value>) {
    if let Some(members) = out.as_object_mut() {
        members.insert(name.to_owned(), value.into());
    }
}

/// The `Subscription` of a subscriber, in its version. Nothing of a secret is in it.
pub fn subscription(subscriber: &Subscriber, known: &Known) -> Value {
    let mut out = json!({
        "resourceType": "Subscription",
        "id": subscriber.id,
        "status": known.status().code(),
        "reason": subscriber.reason,
    });
    if subscriber.fhir == FhirVersion::R5 {
        let filter = |(name, values): (&str, String)| json!({ "resourceType": "Task", "filterParameter": name, "value": values });
        let filters: Vec<Value> = subscriber.criteria.parameters().into_iter().map(filter).collect();
        put(&mut out, "topic", TOPIC);
        if !filters.is_empty() {
            put(&mut out, "filterBy", filters);
        }
        put(&mut out, "channelType", json!({ "system": CHANNEL, "code": "rest-hook" }));
        put(&mut out, "endpoint", subscriber.endpoint.as_str());
        put(&mut out, "timeout", subscriber.timeout);
        put(&mut out, "contentType", "application/fhir+json");
        put(&mut out, "content", subscriber.content.code());
        put(&mut out, "maxCount", 1);
        return out;
    }
    put(&mut out, "meta", json!({ "profile": [format!("{GUIDE}/backport-subscription")] }));
    put(&mut out, "criteria", TOPIC);
    if let Some(filter) = filter(&subscriber.criteria) {
        let extension = json!({ "url": format!("{GUIDE}/backport-filter-criteria"), "valueString": filter });
        put(&mut out, "_criteria", json!({ "extension": [extension] }));
    }
    if let Some(error) = known.error() {
        put(&mut out, "error", error);
    }
    let content = json!({ "url": format!("{GUIDE}/backport-payload-content"), "valueCode": subscriber.content.code() });
    put(
        &mut out,
        "channel",
        json!({
            "extension": [
                { "url": format!("{GUIDE}/backport-timeout"), "valueUnsignedInt": subscriber.timeout },
                { "url": format!("{GUIDE}/backport-max-count"), "valuePositiveInt": 1 },
            ],
            "type": "rest-hook",
            "endpoint": subscriber.endpoint,
            "payload": "application/fhir+json",
            "_payload": { "extension": [content] },
        }),
    );
    out
}

/// The criteria as a search.
fn filter(criteria: &Criteria) -> Option<String> {
    let parameters: Vec<String> =
        criteria.parameters().into_iter().map(|(name, values)| format!("{name}={values}")).collect();
    (!parameters.is_empty()).then(|| format!("Task?{}", parameters.join("&")))
}

/// The topic, in R4B or R5.
pub fn topic(program: &str, date: &str) -> Value {
    let codes: Vec<&str> = PRIORITY.iter().map(|(code, _)| *code).collect();
    let lanes = Lane::ALL.map(Lane::word);
    let content: Vec<&str> = Content::ALL.iter().map(|(_, code)| *code).collect();
    json!({
        "resourceType": "SubscriptionTopic",
        "id": TOPIC_ID,
        "url": TOPIC,
        "version": program,
        "title": "Changes of orders on the queue",
        "status": "active",
        "date": date,
        "description": format!(
            "A Task (what a lane has to do with an order that was flagged or not fully checked) was recorded, or a new version of its order came about: it was judged again, replaced, taken, decided, commented, in this lane or the other. Content: {}.",
            content.join(", ")
        ),
        "resourceTrigger": [{
            "description": "An order is put on the queue, or changes there.",
            "resource": "http://hl7.org/fhir/StructureDefinition/Task",
            "supportedInteraction": ["create", "update"],
        }],
        "canFilterBy": [
            {
                "description": format!("Task.priority before or after the change: {}; several separated by commas.", codes.join(", ")),
                "resource": "Task",
                "filterParameter": "priority",
            },
            {
                "description": format!("The lane of the Task: {}; several separated by commas.", lanes.join(", ")),
                "resource": "Task",
                "filterParameter": LANE,
            },
        ],
        "notificationShape": [{ "resource": "Task" }],
    })
}

/// Members of a status: what is said of a subscription, without an event.
pub(super) struct Said<'a> {
    pub(super) base: &'a str,
    pub(super) subscriber: &'a Subscriber,
    pub(super) status: Status,
    /// FHIR's code of what it is said for.
    pub(super) kind: &'a str,
    pub(super) events: u64,
    pub(super) error: Option<String>,
    /// Number, time and `Task`.
    pub(super) told: Vec<(u64, String, Option<String>)>,
}

/// `SubscriptionStatus`, or `Parameters` in R4.
pub(super) fn status(said: &Said<'_>) -> Value {
    let Said { base, subscriber, status, kind, events, error, told } = said;
    let subscription = reference(base, subscriber);
    // With empty content the guide advises against naming what it is about.
    let topic = subscriber.content != Content::Empty;
    if subscriber.fhir == FhirVersion::R4 {
        let mut parameters = vec![json!({ "name": "subscription", "valueReference": { "reference": subscription } })];
        if topic {
            parameters.push(json!({ "name": "topic", "valueCanonical": TOPIC }));
        }
        parameters.push(json!({ "name": "status", "valueCode": status.code() }));
        parameters.push(json!({ "name": "type", "valueCode": kind }));
        parameters.push(json!({ "name": "events-since-subscription-start", "valueString": events.to_string() }));
        for (number, at, focus) in told {
            let mut parts = vec![
                json!({ "name": "event-number", "valueString": number.to_string() }),
                json!({ "name": "timestamp", "valueInstant": at }),
            ];
            if let Some(focus) = focus {
                parts.push(json!({ "name": "focus", "valueReference": { "reference": focus } }));
            }
            parameters.push(json!({ "name": "notification-event", "part": parts }));
        }
        if let Some(error) = error {
            parameters.push(json!({ "name": "error", "valueCodeableConcept": { "text": error } }));
        }
        let mut out = json!({ "resourceType": "Parameters", "parameter": parameters });
        if let Some(meta) = profile(subscriber.fhir, "backport-subscription-status") {
            put(&mut out, "meta", meta);
        }
        return out;
    }
    let mut out = json!({
        "resourceType": "SubscriptionStatus",
        "status": status.code(),
        "type": kind,
        "eventsSinceSubscriptionStart": events.to_string(),
        "subscription": { "reference": subscription },
    });
    if topic {
        put(&mut out, "topic", TOPIC);
    }
    let event = |(number, at, focus): &(u64, String, Option<String>)| {
        let mut event = Map::new();
        event.insert("eventNumber".to_owned(), json!(number.to_string()));
        event.insert("timestamp".to_owned(), json!(at));
        if let Some(focus) = focus {
            event.insert("focus".to_owned(), json!({ "reference": focus }));
        }
        Value::Object(event)
    };
    if !told.is_empty() {
        put(&mut out, "notificationEvent", told.iter().map(event).collect::<Vec<_>>());
    }
    if let Some(error) = error {
        put(&mut out, "error", json!([{ "text": error }]));
    }
    out
}
