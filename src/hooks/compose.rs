//! A hook request made of an order and what is known about its patient, for trying a service out.

use super::card::uuid_of;
use super::prefetch::KEYS;
use super::service::Service;
use crate::intake::json::{Document, Kind, Limits, Node};
use crate::intake::order::FhirVersion;
use crate::intake::resource_types::is_known;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

/// A resource that was read.
struct Read {
    is_order: bool,
    id: Option<String>,
    /// Id of the patient it names.
    patient: Option<String>,
    /// The prefetch key it belongs under.
    key: &'static str,
    text: String,
}

/// Composes a request. `order` is a NutritionOrder, or a Bundle of orders and context; each of `context` a resource
/// or a Bundle. Names beside the texts are for messages. Without a version the client's configured one counts.
///
/// # Errors
/// What of which text cannot be used.
pub fn compose(
    service: &Service,
    version: Option<FhirVersion>,
    order: (&str, &[u8]),
    context: &[(String, Vec<u8>)],
) -> Result<String, String> {
    let read = |name: &str, bytes: &[u8], into: &mut Vec<Read>| {
        let document = Document::read(bytes, &Limits::default()).map_err(|error| format!("{name}: {error}"))?;
        take(document.root(), into).map_err(|what| format!("{name}: {what}"))
    };
    let mut resources = Vec::new();
    read(order.0, order.1, &mut resources)?;
    let (drafts, mut rest): (Vec<Read>, Vec<Read>) = resources.into_iter().partition(|r| r.is_order);
    if drafts.is_empty() {
        return Err(format!("{}: no NutritionOrder was found", order.0));
    }
    for (name, bytes) in context {
        read(name, bytes, &mut rest)?;
    }
    let mut patients = drafts.iter().filter_map(|d| d.patient.as_deref());
    let Some(patient) = patients.next() else {
        return Err(format!("{}: the order names no patient (expected a reference such as Patient/abc)", order.0));
    };
    if patients.any(|other| other != patient) {
        return Err(format!("{}: the orders are for different patients; a hook is about one", order.0));
    }
    let mut by_key: BTreeMap<&str, Vec<&str>> = BTreeMap::new();
    for resource in &rest {
        by_key.entry(resource.key).or_default().push(&resource.text);
    }
    let prefetch: Vec<String> = by_key
        .iter()
        .map(|(key, list)| match list.as_slice() {
            [one] if matches!(*key, "patient" | "encounter") => format!("\"{key}\":{one}"),
            many => format!("\"{key}\":{}", bundle("searchset", many)),
        })
        .collect();
    let prefetch = format!("{{{}}}", prefetch.join(","));
    let orders: Vec<&str> = drafts.iter().map(|d| d.text.as_str()).collect();
    let orders = bundle("collection", &orders);
    let mut context = Map::new();
    context.insert("userId".to_owned(), json!("Practitioner/unknown"));
    context.insert("patientId".to_owned(), json!(patient));
    if service.selects {
        let chosen: Vec<Value> =
            drafts.iter().filter_map(|d| Some(json!(format!("NutritionOrder/{}", d.id.as_ref()?)))).collect();
        context.insert("selections".to_owned(), json!(chosen));
    }
    let context = Value::Object(context).to_string();
    let context = context.strip_suffix('}').unwrap_or(&context);
    let instance = uuid_of([orders.as_str(), &prefetch, service.id]);
    let version = version.map_or_else(String::new, |v| format!("\"fhirVersion\":\"{}\",", v.number()));
    Ok(format!(
        "{{\"hook\":\"{}\",\"hookInstance\":\"{instance}\",{version}\"context\":{context},\"draftOrders\":{orders}}},\"prefetch\":{prefetch}}}",
        service.hook
    ))
}

fn bundle(kind: &str, resources: &[&str]) -> String {
    let entries: Vec<String> = resources.iter().map(|text| format!("{{\"resource\":{text}}}")).collect();
    format!("{{\"resourceType\":\"Bundle\",\"type\":\"{kind}\",\"entry\":[{}]}}", entries.join(","))
}

/// Every resource of a text.
fn take(node: Node<'_>, into: &mut Vec<Read>) -> Result<(), String> {
    let kind = node.resource_type().ok_or("expected a FHIR resource; there is no resourceType")?;
    if kind == "Bundle" {
        for entry in node.get("entry").into_iter().flat_map(Node::items) {
            match entry.get("resource").filter(|r| r.kind() == Kind::Object) {
                Some(resource) => take(resource, into)?,
                None => return Err(format!("the entry at {} holds no resource", entry.pointer())),
            }
        }
        return Ok(());
    }
    if !is_known(&kind) {
        return Err(format!("FHIR has no resource type {kind}"));
    }
    let subject = node.get("subject").or_else(|| node.get("patient")).and_then(|s| s.get("reference"));
    let patient = subject.and_then(Node::as_str).and_then(|r| {
        let (rest, id) = r.rsplit_once('/')?;
        (rest == "Patient" || rest.ends_with("/Patient")).then(|| id.to_owned())
    });
    into.push(Read {
        is_order: kind == "NutritionOrder",
        id: node.get("id").and_then(Node::as_str).map(|id| id.into_owned()),
        patient,
        key: key_of(&kind, node),
        text: node.raw().to_owned(),
    });
    Ok(())
}

/// The prefetch key a resource belongs under.
fn key_of(kind: &str, node: Node<'_>) -> &'static str {
    if kind != "Observation" {
        return KEYS.iter().find(|key| key.types.contains(&kind)).map_or("other", |key| key.name);
    }
    let has = |concept: Node<'_>, code: &str| {
        let mut codings = concept.get("coding").into_iter().flat_map(Node::items);
        codings.any(|coding| coding.get("code").is_some_and(|own| own.is_str(code)))
    };
    let laboratory = node.get("category").into_iter().flat_map(Node::items).any(|c| has(c, "laboratory"));
    let by_code = KEYS.iter().find(|key| {
        let code = key.asked_code();
        code.is_some_and(|code| node.get("code").is_some_and(|own| has(own, code)))
    });
    by_code.filter(|_| !laboratory).map_or("labs", |key| key.name)
}
