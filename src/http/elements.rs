//! `_elements` of a search: which elements of a resource are told (FHIR R4 and R5, search, `_elements`).

use super::refusal::Refusal;
use crate::intake::order::FhirVersion;
use serde_json::{Value, json};

/// Every resource has these.
const BASE: [&str; 8] =
    ["id", "meta", "implicitRules", "language", "text", "contained", "extension", "modifierExtension"];

/// The elements of each type, in R4, R4B or R5; those that begin several names (`occurred[x]`) without their type.
const KNOWN: [(&str, &[&str]); 4] = [
    (
        "Task",
        &[
            "identifier",
            "instantiatesCanonical",
            "instantiatesUri",
            "basedOn",
            "groupIdentifier",
            "partOf",
            "status",
            "statusReason",
            "businessStatus",
            "intent",
            "priority",
            "doNotPerform",
            "code",
            "description",
            "focus",
            "for",
            "encounter",
            "requestedPeriod",
            "executionPeriod",
            "authoredOn",
            "lastModified",
            "requester",
            "requestedPerformer",
            "performerType",
            "owner",
            "performer",
            "location",
            "reason",
            "reasonCode",
            "reasonReference",
            "insurance",
            "note",
            "relevantHistory",
            "restriction",
            "input",
            "output",
        ],
    ),
    (
        "DetectedIssue",
        &[
            "identifier",
            "status",
            "category",
            "code",
            "severity",
            "patient",
            "subject",
            "encounter",
            "identified",
            "author",
            "implicated",
            "evidence",
            "detail",
            "reference",
            "mitigation",
        ],
    ),
    (
        "Provenance",
        &[
            "target",
            "occurred",
            "recorded",
            "policy",
            "location",
            "reason",
            "authorization",
            "activity",
            "basedOn",
            "patient",
            "encounter",
            "agent",
            "entity",
            "signature",
        ],
    ),
    (
        "AuditEvent",
        &[
            "type",
            "subtype",
            "category",
            "code",
            "action",
            "severity",
            "period",
            "occurred",
            "recorded",
            "outcome",
            "outcomeDesc",
            "purposeOfEvent",
            "authorization",
            "basedOn",
            "patient",
            "encounter",
            "agent",
            "source",
            "entity",
        ],
    ),
];

/// The elements without which a resource of that type is none.
fn mandatory(kind: &str, version: FhirVersion) -> &'static [&'static str] {
    match (kind, version) {
        ("Task", _) => &["status", "intent"],
        ("DetectedIssue", _) => &["status"],
        ("Provenance", _) => &["target", "recorded", "agent"],
        (_, FhirVersion::R5) => &["code", "recorded", "agent", "source"],
        _ => &["type", "recorded", "agent", "source"],
    }
}

/// Which elements are told; all where it was not asked.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Elements(Option<Vec<String>>);

impl Elements {
    /// Reads the names for a type.
    ///
    /// # Errors
    /// A name that is no element of it in any version.
    pub(super) fn read(kind: &str, value: &str) -> Result<Self, Refusal> {
        let known = KNOWN.iter().find(|(own, _)| *own == kind).map_or(&[][..], |(_, names)| names);
        let mut names = Vec::new();
        for name in value.split(',') {
            if !BASE.contains(&name) && !known.contains(&name) {
                let what = format!("expected names of elements of {kind}, separated by commas.");
                return Err(Refusal::Parameter("_elements".to_owned(), what));
            }
            names.push(name.to_owned());
        }
        Ok(Self(Some(names)))
    }

    /// The resource with these elements and those that have to be there, marked as a part of itself.
    pub(super) fn of(&self, kind: &str, version: FhirVersion, mut resource: Value) -> Value {
        let (Some(names), Some(members)) = (&self.0, resource.as_object_mut()) else { return resource };
        let kept = |name: &str| {
            let asked = names.iter().any(|own| {
                // One of several types: `occurredDateTime` is `occurred`.
                let rest = name.strip_prefix(own.as_str());
                rest.is_some_and(|rest| {
                    rest.is_empty() || matches!(own.as_str(), "occurred" | "identified") && rest == "DateTime"
                })
            });
            asked || matches!(name, "resourceType" | "id" | "meta") || mandatory(kind, version).contains(&name)
        };
        members.retain(|name, _| kept(name));
        resource["meta"]["tag"] = json!([{
            "system": "http://terminology.hl7.org/CodeSystem/v3-ObservationValue",
            "code": "SUBSETTED",
            "display": "Resource encoded in summary mode",
        }]);
        resource
    }
}
