//! What the service says about itself: the CapabilityStatement, and the definitions under `schemas/fhir`.
//!
//! The files use only elements that R4, R4B and R5 share, so another version is served with its own
//! `fhirVersion` and nothing else changed. Products are not in R4, so their definitions are not either.

use super::App;
use super::asked::{Query, Takes};
use super::negotiate;
use super::operations::base;
use super::refusal::Refusal;
use super::{history, tasks};
use crate::intake::order::FhirVersion::{self, R4, R4B, R5};
use crate::subscriptions::resource::TOPIC;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::StatusCode;
use serde_json::{Value, json};
use std::sync::Arc;

/// Canonical base of everything defined here. The domain `.example` is reserved (RFC 2606).
pub const CANONICAL: &str = "https://enteral-gate.example/fhir";

/// One definition.
#[derive(Clone, Copy, Debug)]
pub struct Definition {
    /// Resource type.
    pub kind: &'static str,
    /// `id`
    pub id: &'static str,
    /// The versions under which it has a meaning.
    pub versions: &'static [FhirVersion],
    /// The resource.
    pub text: &'static str,
}

macro_rules! definition {
    ($kind:literal, $id:literal, $versions:expr) => {
        Definition {
            kind: $kind,
            id: $id,
            versions: $versions,
            text: include_str!(concat!("../../schemas/fhir/", $kind, "-", $id, ".json")),
        }
    };
}

/// All definitions.
pub const DEFINITIONS: [Definition; 23] = [
    definition!("OperationDefinition", "NutritionOrder-appraise", &[R4, R4B, R5]),
    definition!("StructureDefinition", "water-flush", &[R4, R4B, R5]),
    definition!("StructureDefinition", "administration-product", &[R4, R4B, R5]),
    definition!("StructureDefinition", "additive-dose", &[R4, R4B]),
    definition!("StructureDefinition", "additive-per", &[R5]),
    definition!("StructureDefinition", "product-age-class", &[R4B, R5]),
    definition!("StructureDefinition", "product-container", &[R4B, R5]),
    definition!("StructureDefinition", "product-displacement", &[R4B, R5]),
    definition!("StructureDefinition", "product-form", &[R4B, R5]),
    definition!("StructureDefinition", "product-free-from", &[R4B, R5]),
    definition!("StructureDefinition", "product-osmolality", &[R4B, R5]),
    definition!("StructureDefinition", "product-source", &[R4B, R5]),
    definition!("StructureDefinition", "product-viscosity", &[R4B, R5]),
    definition!("CodeSystem", "finding", &[R4, R4B, R5]),
    definition!("CodeSystem", "limit", &[R4, R4B, R5]),
    definition!("CodeSystem", "measure", &[R4, R4B, R5]),
    definition!("CodeSystem", "tier", &[R4, R4B, R5]),
    definition!("CodeSystem", "assumption", &[R4, R4B, R5]),
    definition!("CodeSystem", "override-reason", &[R4, R4B, R5]),
    definition!("CodeSystem", "nutrient", &[R4B, R5]),
    definition!("CodeSystem", "product-characteristic", &[R4B, R5]),
    definition!("CodeSystem", "product-flag", &[R4B, R5]),
    definition!("CodeSystem", "product-form", &[R4B, R5]),
];

/// `GET [base]/OperationDefinition/{id}`
pub async fn operation(path: Path<(String, String)>, request: Request) -> Result<Response, Refusal> {
    serve("OperationDefinition", path, &request)
}

/// `GET [base]/StructureDefinition/{id}`
pub async fn structure(path: Path<(String, String)>, request: Request) -> Result<Response, Refusal> {
    serve("StructureDefinition", path, &request)
}

/// `GET [base]/CodeSystem/{id}`
pub async fn code_system(path: Path<(String, String)>, request: Request) -> Result<Response, Refusal> {
    serve("CodeSystem", path, &request)
}

fn serve(kind: &str, Path((version, id)): Path<(String, String)>, request: &Request) -> Result<Response, Refusal> {
    let version = base(&version)?;
    let query = Query::read(request.uri().query(), Takes::Only(&[]))?;
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    let found = DEFINITIONS.iter().find(|d| d.kind == kind && d.id == id && d.versions.contains(&version));
    let found = found.ok_or_else(|| {
        let ids: Vec<_> =
            DEFINITIONS.iter().filter(|d| d.kind == kind && d.versions.contains(&version)).map(|d| d.id).collect();
        Refusal::NotFound(format!("No such {kind} here; there are: {}.", ids.join(", ")))
    })?;
    Ok(negotiate::fhir(StatusCode::OK, in_version(found.text, version), query.pretty))
}

/// The definition as of `version`: the only thing that differs is the version it names.
fn in_version(text: &str, version: FhirVersion) -> String {
    FhirVersion::ALL.into_iter().fold(text.to_owned(), |text, written| {
        let named = |v: FhirVersion| format!(r#""fhirVersion": "{}""#, v.number());
        text.replace(&named(written), &named(version))
    })
}

/// `GET [base]/metadata`
pub async fn metadata(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    // `mode` is the one parameter of this interaction; there is one statement, whatever is asked.
    let query = Query::read(request.uri().query(), Takes::Only(&["mode"]))?;
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    Ok(negotiate::fhir(StatusCode::OK, capabilities(&app, version).to_string(), query.pretty))
}

/// The CapabilityStatement: what is offered, and nothing that is not.
pub fn capabilities(app: &App, version: FhirVersion) -> Value {
    let description = if app.settings.demo {
        "DEMONSTRATION WITH INVENTED DATA. Appraises tube-feeding orders."
    } else {
        "Appraises tube-feeding orders: what they deliver over a day, and what in them does not add up."
    };
    let security = if app.doors.gate.is_some() {
        json!({
            "service": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/restful-security-service", "code": "SMART-on-FHIR"}]}],
            "description": "SMART Backend Services: operations need an access token of a configured authorization server with system/NutritionOrder.read (or .r); $validate is answered for .write (or .c or .u) too. This service gives out no tokens.",
        })
    } else {
        json!({"description": "No authentication is configured; the service binds loopback addresses only, behind whatever the institution puts in front."})
    };
    let validate = |note: &str| json!({"name": "validate", "definition": "http://hl7.org/fhir/OperationDefinition/Resource-validate", "documentation": note});
    let read = |kind: &str| {
        let ids: Vec<_> =
            DEFINITIONS.iter().filter(|d| d.kind == kind && d.versions.contains(&version)).map(|d| d.id).collect();
        json!({"type": kind, "interaction": [{"code": "read"}], "documentation": format!("Fixed definitions of this service: {}.", ids.join(", "))})
    };
    let queue = |kind: &str, note: &str, parameters: &[(&str, &str, &str)]| {
        // What only says how the answer is given is no search parameter.
        let of_the_answer = |name: &str| matches!(name, "_count" | "_summary" | "_sort" | "_total" | "_elements");
        let (answer, parameters): (Vec<_>, Vec<_>) = parameters.iter().partition(|(name, ..)| of_the_answer(name));
        let parameters: Vec<Value> = parameters
            .iter()
            .map(|(name, of, what)| json!({"name": name, "type": of, "documentation": what}))
            .collect();
        let answer: Vec<String> = answer.iter().map(|(name, _, what)| format!("{name}: {what}")).collect();
        json!({"type": kind, "documentation": format!("{note} Of the answer to a search: {}", answer.join(" ")), "interaction": [{"code": "read"}, {"code": "search-type"}], "searchParam": parameters})
    };
    let mut out = json!({
        "resourceType": "CapabilityStatement",
        "url": format!("{CANONICAL}/CapabilityStatement/{}", version.name()),
        "version": env!("CARGO_PKG_VERSION"),
        "name": "EnteralGate",
        "title": "enteral-gate",
        "status": "active",
        "experimental": app.settings.demo,
        "date": "2026-11-25",
        "kind": "instance",
        "software": {"name": "enteral-gate", "version": env!("CARGO_PKG_VERSION")},
        "implementation": {"description": description},
        "fhirVersion": version.number(),
        "format": ["application/fhir+json", "json"],
        "rest": [{
            "mode": "server",
            "documentation": "JSON only. What can be read or searched is listed. Findings are judged from what one request holds; references are resolved only within it.",
            "security": security,
            "resource": [
                {
                    "type": "NutritionOrder",
                    "documentation": "Judged as sent.",
                    "operation": [
                        {"name": "appraise", "definition": format!("{CANONICAL}/OperationDefinition/NutritionOrder-appraise")},
                        validate("Reads the tube-feeding part strictly and judges it. Modes: create, update (on NutritionOrder/ID: the content and its id), profile (the base profile only); delete is refused, because orders are not served from here."),
                    ],
                },
                {"type": "Bundle", "operation": [validate("A Bundle of one or more orders and what is known about the person.")]},
                read("OperationDefinition"),
                read("StructureDefinition"),
                read("CodeSystem"),
            ],
            "interaction": [{"code": "batch", "documentation": "Entries may call the operations listed; transactions are refused."}],
            "operation": [validate("On the base address: a NutritionOrder or a Bundle.")],
        }],
    });
    if app.doors.store.is_some()
        && let Some(resources) = out.pointer_mut("/rest/0/resource").and_then(Value::as_array_mut)
    {
        resources.push(queue("Task", "Orders on the queue: flagged, or not fully checked.", &tasks::TASK_PARAMETERS));
        resources.push(queue("DetectedIssue", "Findings of orders on the queue.", &tasks::ISSUE_PARAMETERS));
        let done = "What was done with orders on the queue.";
        resources.push(queue("Provenance", done, &history::PROVENANCE_PARAMETERS));
        let done = "What was done with orders on the queue, and who looked at them.";
        resources.push(queue("AuditEvent", done, &history::AUDIT_PARAMETERS));
    }
    if app.doors.notices.is_some()
        && let Some(resources) = out.pointer_mut("/rest/0/resource").and_then(Value::as_array_mut)
    {
        let operation = |name: &str| {
            let definition = format!(
                "http://hl7.org/fhir/uv/subscriptions-backport/OperationDefinition/backport-subscription-{name}"
            );
            let definition = if version == R5 {
                format!("http://hl7.org/fhir/OperationDefinition/Subscription-{name}")
            } else {
                definition
            };
            json!({"name": name, "definition": definition})
        };
        resources.push(json!({
            "type": "Subscription",
            "documentation": format!("Declared by the institution in a file; read only. Topic: {TOPIC}. Channel: rest-hook. Content: empty, id-only, full-resource."),
            "interaction": [{"code": "read"}, {"code": "search-type"}],
            "operation": [operation("status"), operation("events")],
        }));
        if version != R4 {
            resources.push(json!({
                "type": "SubscriptionTopic",
                "documentation": "What can be subscribed to.",
                "interaction": [{"code": "read"}, {"code": "search-type"}],
            }));
        }
    }
    out
}
