//! A hook request made of an order and what is known about its patient, for trying a service out.

use super::card::uuid_of;
use super::prefetch::KEYS;
use super::service::Service;
use crate::intake::json::{Document, Kind, Limits, Node};
use crate::intake::order::FhirVersion;
use serde_json::value::RawValue;
use serde_json::{Map, Value, json};
use std::collections::BTreeMap;

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
    let mut resources = Vec::new();
    let read = |name: &str, bytes: &[u8], into: &mut Vec<(String, Box<RawValue>, Option<String>)>| {
        let document = Document::read(bytes, &Limits::default()).map_err(|error| format!("{name}: {error}"))?;
        take(document.root(), into).map_err(|what| format!("{name}: {what}"))
    };
    read(order.0, order.1, &mut resources)?;
    let drafts: Vec<_> = resources.extract_if(.., |(kind, ..)| kind == "NutritionOrder").collect();
    if drafts.is_empty() {
        return Err(format!("{}: no NutritionOrder was found", order.0));
    }
    for (name, bytes) in context {
        read(name, bytes, &mut resources)?;
    }
    let patients: Vec<&String> = drafts.iter().filter_map(|(_, _, patient)| patient.as_ref()).collect();
    let patient = match patients.as_slice() {
        [] => {
            return Err(format!("{}: the order names no patient (expected a reference such as Patient/abc)", order.0));
        }
        [first, rest @ ..] if rest.iter().all(|other| other == first) => (*first).clone(),
        _ => return Err(format!("{}: the orders are for different patients; a hook is about one", order.0)),
    };
    let selections: Vec<Value> = drafts
        .iter()
        .filter_map(|(_, raw, _)| serde_json::from_str::<Value>(raw.get()).ok()?.get("id").cloned())
        .filter_map(|id| Some(json!(format!("NutritionOrder/{}", id.as_str()?))))
        .collect();
    let mut by_key: BTreeMap<&str, Vec<Box<RawValue>>> = BTreeMap::new();
    for (kind, raw, _) in resources {
        by_key.entry(key_of(&kind, &raw)).or_default().push(raw);
    }
    let bundle = |kind: &str, list: Vec<Box<RawValue>>| -> Result<Box<RawValue>, String> {
        let entries: Vec<String> = list.iter().map(|raw| format!("{{\"resource\":{}}}", raw.get())).collect();
        let text = format!("{{\"resourceType\":\"Bundle\",\"type\":\"{kind}\",\"entry\":[{}]}}", entries.join(","));
        RawValue::from_string(text).map_err(|error| error.to_string())
    };
    let drafts = bundle("collection", drafts.into_iter().map(|(_, raw, _)| raw).collect())?;
    let mut prefetch: BTreeMap<&str, Box<RawValue>> = BTreeMap::new();
    for (key, mut list) in by_key {
        let single = matches!(key, "patient" | "encounter") && list.len() == 1;
        let value = match list.pop() {
            Some(one) if single => one,
            Some(last) => {
                list.push(last);
                bundle("searchset", list)?
            }
            None => continue,
        };
        prefetch.insert(key, value);
    }
    let prefetch = serde_json::to_string(&prefetch).map_err(|error| error.to_string())?;
    let mut context = Map::new();
    context.insert("userId".to_owned(), json!("Practitioner/unknown"));
    context.insert("patientId".to_owned(), json!(patient));
    if service.selects {
        context.insert("selections".to_owned(), json!(selections));
    }
    let context = Value::Object(context).to_string();
    let context = context.strip_suffix('}').unwrap_or(&context);
    let instance = uuid_of([drafts.get(), prefetch.as_str(), service.id]);
    let version = version.map_or_else(String::new, |v| format!("\"fhirVersion\":\"{}\",", v.number()));
    Ok(format!(
        "{{\"hook\":\"{}\",\"hookInstance\":\"{instance}\",{version}\"context\":{context},\"draftOrders\":{}}},\"prefetch\":{prefetch}}}",
        service.hook,
        drafts.get()
    ))
}

/// Every resource: its type, its text, and the id of the patient it names.
fn take(node: Node<'_>, into: &mut Vec<(String, Box<RawValue>, Option<String>)>) -> Result<(), String> {
    let kind = node.resource_type().ok_or("expected a FHIR resource; there is no resourceType")?;
    if kind == "Bundle" {
        for entry in node.get("entry").into_iter().flat_map(Node::items) {
            if let Some(resource) = entry.get("resource").filter(|r| r.kind() == Kind::Object) {
                take(resource, into)?;
            }
        }
        return Ok(());
    }
    let raw = RawValue::from_string(node.raw().to_owned()).map_err(|error| error.to_string())?;
    let subject = node.get("subject").or_else(|| node.get("patient")).and_then(|s| s.get("reference"));
    let patient = subject.and_then(Node::as_str).and_then(|r| {
        let (rest, id) = r.rsplit_once('/')?;
        (rest == "Patient" || rest.ends_with("/Patient")).then(|| id.to_owned())
    });
    into.push((kind.into_owned(), raw, patient));
    Ok(())
}

/// The prefetch key a resource belongs under.
fn key_of(kind: &str, raw: &RawValue) -> &'static str {
    if kind != "Observation" {
        return KEYS.iter().find(|key| key.types.contains(&kind)).map_or("other", |key| key.name);
    }
    let value: Value = serde_json::from_str(raw.get()).unwrap_or_default();
    let has = |list: &Value, code: &str| list["coding"].as_array().is_some_and(|c| c.iter().any(|c| c["code"] == code));
    let laboratory = value["category"].as_array().is_some_and(|list| list.iter().any(|c| has(c, "laboratory")));
    let by_code = KEYS.iter().find(|key| {
        let (_, code) = key.template_code().unwrap_or_default();
        !code.is_empty() && has(&value["code"], code)
    });
    match by_code {
        _ if laboratory => "labs",
        Some(key) => key.name,
        None => "labs",
    }
}
