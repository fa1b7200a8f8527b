//! CDS Hooks, from the bytes of a request to the bytes of an answer. The requests are written here, with invented
//! people and products, and stand as files in `tests/hooks/requests` for the command line and for outside checks
//! (`UPDATE=1 cargo test --test hooks` writes them). Form: `schemas/cds-hooks.schema.json`, written from the field
//! tables of the published specification (HL7 CDS Hooks 2.0).

use enteral_gate::answer::counts as counts_of;
use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::card::{OVERRIDE_REASONS, OVERRIDE_SYSTEM};
use enteral_gate::hooks::compose::compose;
use enteral_gate::hooks::evaluate::Fate;
use enteral_gate::hooks::fetch::Fetched;
use enteral_gate::hooks::prefetch::KEYS;
use enteral_gate::hooks::request::Malformed;
use enteral_gate::hooks::service::{SERVICES, Service, by_hook, discovery};
use enteral_gate::hooks::{Answered, EXTENSION, Seen, answer, answer_seen, feedback};
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::{ContextKind, FhirServer, Hooks, NothingChecked, Settings};
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::sync::LazyLock;

static STARTER: LazyLock<Rulebook> =
    LazyLock::new(|| file::read(file::starter()).unwrap_or_else(|all| panic!("{all:?}")));
static NO_BOOK: LazyLock<Rulebook> = LazyLock::new(Rulebook::default);
static PRODUCTS: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SCHEMA: LazyLock<Value> = LazyLock::new(|| {
    serde_json::from_str(include_str!("../schemas/cds-hooks.schema.json")).expect("the schema is JSON")
});

/// A validator for one of the four documents.
fn schema(of: &str) -> jsonschema::Validator {
    let mut schema = SCHEMA.clone();
    schema["$ref"] = json!(format!("#/$defs/{of}"));
    jsonschema::draft202012::options().build(&schema).unwrap()
}

fn valid(of: &str, document: &Value) {
    let problems: Vec<String> =
        schema(of).iter_errors(document).map(|e| format!("{}: {e}", e.instance_path())).collect();
    assert!(problems.is_empty(), "{of}: {}\n{document:#}", problems.join("\n"));
    // JSON of CDS Hooks holds no null and nothing empty, except the list of cards itself.
    fn look(value: &Value, path: &str) {
        match value {
            Value::Null => panic!("{path} is null"),
            Value::String(text) => assert!(!text.is_empty(), "{path} is empty"),
            Value::Array(list) => {
                assert!(!list.is_empty() || path == "/cards", "{path} is empty");
                list.iter().enumerate().for_each(|(n, v)| look(v, &format!("{path}/{n}")));
            }
            Value::Object(map) => {
                assert!(!map.is_empty(), "{path} is empty");
                map.iter().for_each(|(k, v)| look(v, &format!("{path}/{k}")));
            }
            _ => {}
        }
    }
    if of == "response" || of == "services" {
        look(document, "");
    }
}

fn quantity(value: f64, unit: &str) -> Value {
    json!({"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit})
}

/// An invented continuous feed that nothing is said about: 70 mL/h of a feed of 1 kcal/mL, for 70 kg.
fn order() -> Value {
    json!({
        "resourceType": "NutritionOrder", "id": "feed-1", "status": "draft", "intent": "order",
        "patient": {"reference": "Patient/invented-1"}, "dateTime": "2026-11-25T07:00:00+01:00",
        "orderer": {"display": "Dr Invented"},
        "enteralFormula": {
            "extension": [{"url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush", "extension": [
                {"url": "volume", "valueQuantity": quantity(30.0, "mL")},
                {"url": "schedule", "valueTiming": {"repeat": {"frequency": 1, "period": 4, "periodUnit": "h"}}}]}],
            "baseFormulaType": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/invented-products",
                "code": "A10", "display": "Invented Standard 1.0 (A10)"}]},
            "caloricDensity": quantity(1.0, "kcal/mL"),
            "routeofAdministration": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration",
                "code": "NGT", "display": "Instillation, nasogastric tube"}]},
            "administration": [{"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00+01:00"}}},
                "rateQuantity": quantity(70.0, "mL/h")}]
        }
    })
}

fn observation(id: &str, loinc: &str, name: &str, value: Value, patient: &str) -> Value {
    json!({
        "resourceType": "Observation", "id": id, "status": "final",
        "category": [{"coding": [{"system": "http://terminology.hl7.org/CodeSystem/observation-category", "code": "vital-signs"}]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": loinc, "display": name}]},
        "subject": {"reference": patient}, "effectiveDateTime": "2026-11-23T08:00:00+01:00", "valueQuantity": value
    })
}

fn weight(kg: f64, patient: &str) -> Value {
    observation("weight-1", "29463-7", "Body weight", quantity(kg, "kg"), patient)
}

fn found(resources: &[Value]) -> Value {
    let entries: Vec<Value> = resources.iter().map(|r| json!({"resource": r, "search": {"mode": "match"}})).collect();
    if entries.is_empty() {
        json!({"resourceType": "Bundle", "type": "searchset", "total": 0})
    } else {
        json!({"resourceType": "Bundle", "type": "searchset", "total": entries.len(), "entry": entries})
    }
}

fn drafts(resources: &[Value]) -> Value {
    let entries: Vec<Value> = resources.iter().map(|r| json!({"resource": r})).collect();
    json!({"resourceType": "Bundle", "type": "collection", "entry": entries})
}

const OURS: &str = "Patient/invented-1";

/// A request with everything that is asked for.
fn request(hook: &str, orders: &[Value]) -> Value {
    let mut out = json!({
        "hook": hook, "hookInstance": "0d9b5d0e-6f6a-4c69-9e39-5d8d2d3a1c11",
        "context": {"userId": "Practitioner/invented", "patientId": "invented-1", "encounterId": "stay-1", "draftOrders": drafts(orders)},
        "prefetch": {
            "patient": {"resourceType": "Patient", "id": "invented-1", "gender": "female", "birthDate": "1961-04-02",
                "name": [{"family": "Invented"}]},
            "weights": found(&[weight(70.0, OURS)]), "measured-weights": null,
            "heights": found(&[observation("height-1", "8302-2", "Body height", quantity(168.0, "cm"), OURS)]),
            "lengths": null, "birth-weight": null, "gestation": null, "labs": null, "allergies": null,
            "conditions": null, "medicines": null, "orders": null, "devices": null, "procedures": null,
            "encounter": {"resourceType": "Encounter", "id": "stay-1", "status": "in-progress",
                "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "IMP"},
                "subject": {"reference": OURS}}
        }
    });
    if hook == "order-select" {
        let chosen: Vec<Value> = orders
            .iter()
            .map(|o| json!(format!("{}/{}", o["resourceType"].as_str().unwrap(), o["id"].as_str().unwrap())))
            .collect();
        out["context"]["selections"] = json!(chosen);
    }
    out
}

fn sign(change: impl FnOnce(&mut Value)) -> Value {
    let mut out = request("order-sign", &[order()]);
    change(&mut out);
    out
}

fn sign_order(change: impl FnOnce(&mut Value)) -> Value {
    let mut own = order();
    change(&mut own);
    request("order-sign", &[own])
}

fn without(value: &mut Value, key: &str) {
    value.as_object_mut().unwrap().remove(key).unwrap();
}

fn capped(order: &mut Value, ml: f64) {
    order["enteralFormula"]["maxVolumeToDeliver"] = quantity(ml, "mL");
}

fn outcome() -> Value {
    json!({"resourceType": "OperationOutcome", "issue": [{"severity": "error", "code": "timeout"}]})
}

fn medicine() -> Value {
    json!({"resourceType": "MedicationRequest", "id": "medicine-1", "status": "draft", "intent": "order",
        "medicationCodeableConcept": {"text": "An invented medicine"}, "subject": {"reference": OURS}})
}

/// What is expected of an answer: disposition of each draft, indicator of each card, and words of the first card
/// (`summary` or `detail`).
type Case = (&'static str, Value, &'static [&'static str], &'static [&'static str], &'static str);

const CLEAR: &[&str] = &["clear"];
const FLAGGED: &[&str] = &["flagged"];
const OPEN: &[&str] = &["not-fully-checked"];
const NONE: &[&str] = &[];
const WARNING: &[&str] = &["warning"];
const CRITICAL: &[&str] = &["critical"];

/// Requests of both hooks, of every state of prefetch, and of what may stand among drafts.
fn cases() -> Vec<Case> {
    let second = |change: fn(&mut Value)| {
        let mut other = order();
        other["id"] = json!("feed-2");
        change(&mut other);
        other
    };
    let prefetch = |key: &str, value: Value| sign(|r| r["prefetch"][key] = value);
    let night = |o: &mut Value| {
        o["enteralFormula"]["administration"][0] = json!({
            "schedule": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": ["20:00:00"], "duration": 10, "durationUnit": "h"}},
            "rateQuantity": quantity(70.0, "mL/h")});
    };
    vec![
        ("sign-clear", sign(|_| {}), CLEAR, NONE, ""),
        ("select-clear", request("order-select", &[order()]), CLEAR, NONE, ""),
        // The maximum below the schedule; the correction raises it.
        ("sign-maximum-below-schedule", sign_order(|o| capped(o, 1500.0)), FLAGGED, CRITICAL, "1680 mL"),
        (
            "select-maximum-below-schedule",
            {
                let mut own = order();
                capped(&mut own, 1500.0);
                request("order-select", &[own])
            },
            FLAGGED,
            CRITICAL,
            "1680 mL",
        ),
        ("sign-maximum-of-another-order", sign_order(|o| capped(o, 3000.0)), FLAGGED, WARNING, "from another order"),
        (
            "sign-density-per-ounce",
            sign_order(|o| o["enteralFormula"]["caloricDensity"]["value"] = json!(30)),
            FLAGGED,
            CRITICAL,
            "kcal per fluid ounce",
        ),
        (
            "sign-density-in-small-calories",
            sign_order(|o| {
                o["enteralFormula"]["caloricDensity"] = quantity(1.0, "cal/mL");
            }),
            FLAGGED,
            WARNING,
            "small calories",
        ),
        (
            "sign-day-volume-as-rate",
            sign_order(|o| o["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(1680)),
            FLAGGED,
            CRITICAL,
            "the day's volume",
        ),
        (
            "sign-rate-against-volume",
            sign_order(|o| {
                night(o);
                o["enteralFormula"]["administration"][0]["quantity"] = quantity(1000.0, "mL");
            }),
            FLAGGED,
            CRITICAL,
            "300 mL apart",
        ),
        (
            "sign-volume-in-ounces",
            sign_order(|o| {
                o["enteralFormula"]["administration"] = json!([{"schedule": {"repeat": {"frequency": 1, "period": 4, "periodUnit": "h"}},
                "quantity": quantity(8.0, "mL")}]);
            }),
            FLAGGED,
            CRITICAL,
            "fluid ounces",
        ),
        (
            "sign-bolus-into-jejunum",
            sign_order(|o| {
                o["enteralFormula"]["routeofAdministration"]["coding"][0]["code"] = json!("JJTINSTL");
                o["enteralFormula"]["administration"] = json!([{"schedule": {"repeat": {"frequency": 1, "period": 4, "periodUnit": "h"}},
                "quantity": quantity(250.0, "mL")}]);
            }),
            FLAGGED,
            CRITICAL,
            "beyond the stomach",
        ),
        ("sign-no-flush", sign_order(|o| without(&mut o["enteralFormula"], "extension")), FLAGGED, WARNING, "flush"),
        // Prefetch.
        ("prefetch-absent", sign(|r| without(r, "prefetch")), FLAGGED, CRITICAL, "birth date"),
        ("patient-absent", sign(|r| without(&mut r["prefetch"], "patient")), OPEN, WARNING, "birth date and sex"),
        ("patient-null", prefetch("patient", Value::Null), OPEN, WARNING, "birth date and sex"),
        ("patient-outcome", prefetch("patient", outcome()), OPEN, WARNING, "an OperationOutcome came instead"),
        (
            "patient-html",
            prefetch("patient", json!("<html><body>502 Bad Gateway</body></html>")),
            OPEN,
            WARNING,
            "a text came instead",
        ),
        (
            "patient-another",
            prefetch("patient", json!({"resourceType": "Patient", "id": "invented-2", "birthDate": "1999-01-01"})),
            OPEN,
            WARNING,
            "a Patient of another patient",
        ),
        (
            "patient-wrong-type",
            prefetch("patient", json!({"resourceType": "Practitioner", "id": "invented-1"})),
            OPEN,
            WARNING,
            "another type, expected Patient",
        ),
        (
            "patient-array",
            prefetch("patient", json!([{"resourceType": "Patient", "id": "invented-1"}])),
            OPEN,
            WARNING,
            "found an array",
        ),
        ("weights-absent", sign(|r| without(&mut r["prefetch"], "weights")), FLAGGED, CRITICAL, "no dosing weight"),
        ("weights-null", prefetch("weights", Value::Null), FLAGGED, CRITICAL, "no dosing weight"),
        ("weights-none-found", prefetch("weights", found(&[])), FLAGGED, CRITICAL, "no dosing weight"),
        ("weights-outcome", prefetch("weights", outcome()), FLAGGED, CRITICAL, "an OperationOutcome came instead"),
        (
            "weights-html",
            prefetch("weights", json!("<!doctype html><title>Login</title>")),
            FLAGGED,
            CRITICAL,
            "a text came instead",
        ),
        (
            "weights-another",
            prefetch("weights", found(&[weight(70.0, OURS), weight(12.0, "Patient/invented-2")])),
            FLAGGED,
            CRITICAL,
            "an Observation of another patient",
        ),
        ("weights-number", prefetch("weights", json!(70)), FLAGGED, CRITICAL, "found a number"),
        (
            "weights-without-type",
            prefetch("weights", json!({"value": 70})),
            FLAGGED,
            CRITICAL,
            "without a resourceType",
        ),
        (
            "weights-count-without-entries",
            prefetch("weights", json!({"resourceType": "Bundle", "type": "searchset", "total": 3})),
            FLAGGED,
            CRITICAL,
            "holds nothing",
        ),
        ("weights-alone", prefetch("weights", weight(70.0, OURS)), CLEAR, NONE, ""),
        ("weights-implausible", prefetch("weights", found(&[weight(7.0, OURS)])), FLAGGED, CRITICAL, ""),
        ("labs-absent", sign(|r| without(&mut r["prefetch"], "labs")), CLEAR, NONE, ""),
        ("labs-outcome", prefetch("labs", outcome()), OPEN, WARNING, "laboratory results (labs)"),
        (
            "labs-failed-search",
            prefetch(
                "labs",
                json!({"resourceType": "Bundle", "type": "searchset", "entry": [
            {"resource": outcome(), "search": {"mode": "outcome"}}]}),
            ),
            OPEN,
            WARNING,
            "ended in an OperationOutcome",
        ),
        (
            "allergies-wrong-type",
            prefetch(
                "allergies",
                found(&[json!({"resourceType": "Condition", "id": "c", "subject": {"reference": OURS}})]),
            ),
            OPEN,
            WARNING,
            "expected a Bundle of AllergyIntolerance",
        ),
        (
            "conditions-more-pages",
            prefetch("conditions", {
                let mut page = found(&[
                    json!({"resourceType": "Condition", "id": "c", "subject": {"reference": OURS}, "code": {"text": "invented"}}),
                ]);
                page["link"] = json!([{"relation": "next", "url": "https://server.example/fhir?page=2"}]);
                page
            }),
            OPEN,
            WARNING,
            "only the first page",
        ),
        ("heights-outcome", prefetch("heights", outcome()), OPEN, WARNING, "heights (heights)"),
        // Drafts.
        (
            "draft-of-another-patient",
            sign_order(|o| o["patient"]["reference"] = json!("Patient/invented-2")),
            &["another-patient"],
            WARNING,
            "another patient",
        ),
        (
            "two-drafts",
            request(
                "order-sign",
                &[
                    {
                        let mut own = order();
                        night(&mut own);
                        own
                    },
                    second(|o| {
                        o["enteralFormula"]["administration"][0] = json!({
                "schedule": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": ["09:00:00"], "duration": 8, "durationUnit": "h"}},
                "rateQuantity": quantity(60.0, "mL/h")});
                        capped(o, 300.0);
                    }),
                ],
            ),
            &["clear", "flagged"],
            CRITICAL,
            "NutritionOrder/feed-2",
        ),
        (
            "two-drafts-that-overlap",
            request(
                "order-sign",
                &[
                    order(),
                    second(|o| {
                        o["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(40);
                    }),
                ],
            ),
            &["flagged", "flagged"],
            &["critical", "critical"],
            "runs at the same times",
        ),
        (
            "one-draft-of-another-patient",
            request("order-sign", &[order(), second(|o| o["patient"]["reference"] = json!("Patient/invented-2"))]),
            &["clear", "another-patient"],
            WARNING,
            "NutritionOrder/feed-2",
        ),
        ("no-nutrition-order", request("order-sign", &[medicine()]), NONE, NONE, ""),
        (
            "no-draft",
            sign(|r| r["context"]["draftOrders"] = json!({"resourceType": "Bundle", "type": "collection"})),
            NONE,
            NONE,
            "",
        ),
        ("medicine-beside", request("order-sign", &[order(), medicine()]), CLEAR, NONE, ""),
        (
            "medicine-without-list",
            {
                let mut r = request("order-sign", &[order(), medicine()]);
                without(&mut r["prefetch"], "medicines");
                r
            },
            CLEAR,
            NONE,
            "",
        ),
        // As the published examples of both hooks: a pureed diet, without intent.
        (
            "diet-by-mouth",
            sign_order(|o| {
                without(o, "enteralFormula");
                without(o, "intent");
                o["oralDiet"] = json!({"type": [{"text": "Pureed diet"}]});
            }),
            &["not-a-tube-feed"],
            NONE,
            "",
        ),
        ("nothing-ordered", sign_order(|o| without(o, "enteralFormula")), FLAGGED, CRITICAL, "tube feed"),
        ("draft-without-intent", sign_order(|o| without(o, "intent")), CLEAR, NONE, ""),
        ("draft-completed", sign_order(|o| o["status"] = json!("completed")), OPEN, WARNING, "the order is completed"),
        (
            "draft-without-id",
            sign_order(|o| {
                without(o, "id");
                capped(o, 1500.0);
            }),
            FLAGGED,
            CRITICAL,
            "without an id",
        ),
        (
            "same-draft-twice",
            request(
                "order-sign",
                &[
                    {
                        let mut o = order();
                        without(&mut o, "id");
                        capped(&mut o, 1500.0);
                        o
                    },
                    {
                        let mut o = order();
                        without(&mut o, "id");
                        capped(&mut o, 1500.0);
                        o
                    },
                ],
            ),
            &["flagged", "flagged"],
            &["critical", "critical"],
            "",
        ),
        // Orders beside it.
        (
            "active-order-that-overlaps",
            prefetch(
                "orders",
                found(&[second(|o| {
                    o["status"] = json!("active");
                    o["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(40);
                })]),
            ),
            FLAGGED,
            CRITICAL,
            "runs at the same times",
        ),
        (
            "earlier-version-of-the-draft",
            prefetch(
                "orders",
                found(&[{
                    let mut earlier = order();
                    earlier["status"] = json!("active");
                    earlier["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(60);
                    earlier
                }]),
            ),
            CLEAR,
            NONE,
            "",
        ),
        // Selections.
        (
            "select-one-of-two",
            {
                let mut r = request("order-select", &[order(), second(|o| capped(o, 1500.0))]);
                r["context"]["selections"] = json!(["NutritionOrder/feed-1"]);
                r
            },
            &["flagged", "not-selected"],
            WARNING,
            "may be a duplicate",
        ),
        (
            "select-something-else",
            {
                let mut r = request("order-select", &[order(), medicine()]);
                r["context"]["selections"] = json!(["MedicationRequest/medicine-1"]);
                r
            },
            &["not-selected"],
            NONE,
            "",
        ),
        (
            "select-nothing",
            {
                let mut r = request("order-select", &[order()]);
                r["context"]["selections"] = json!([]);
                r
            },
            &["not-selected"],
            NONE,
            "",
        ),
        (
            "select-lost",
            {
                let mut r = request("order-select", &[order()]);
                r["context"]["selections"] = json!(["NutritionOrder/feed-1", "NutritionOrder/feed-9"]);
                r
            },
            CLEAR,
            WARNING,
            "/context/selections/1",
        ),
        (
            "select-by-version",
            {
                let mut r = request("order-select", &[order()]);
                r["context"]["selections"] = json!(["https://server.example/fhir/NutritionOrder/feed-1/_history/3"]);
                r
            },
            CLEAR,
            NONE,
            "",
        ),
        (
            "select-by-full-url",
            {
                let mut r = request("order-select", &[order(), medicine()]);
                let url = "urn:uuid:0d9b5d0e-6f6a-4c69-9e39-5d8d2d3a1c99";
                r["context"]["draftOrders"]["entry"][0]["fullUrl"] = json!(url);
                r["context"]["draftOrders"]["entry"][1]["fullUrl"] = json!(format!("{url}x"));
                r["context"]["selections"] = json!([url, format!("{url}x")]);
                r
            },
            CLEAR,
            NONE,
            "",
        ),
        (
            "select-lost-urn",
            {
                let mut r = request("order-select", &[order()]);
                r["context"]["selections"] = json!(["urn:uuid:0d9b5d0e-6f6a-4c69-9e39-5d8d2d3a1c99"]);
                r
            },
            &["not-selected"],
            WARNING,
            "/context/selections/0",
        ),
        (
            "draft-inside-a-bundle",
            request("order-sign", &[drafts(&[order()])]),
            NONE,
            WARNING,
            "/context/draftOrders/entry/0/resource",
        ),
        (
            "draft-inside-another-resource",
            request(
                "order-sign",
                &[
                    order(),
                    json!({"resourceType": "RequestGroup", "id": "group-1",
            "status": "draft", "intent": "order", "subject": {"reference": OURS}, "contained": [order()]}),
                ],
            ),
            CLEAR,
            WARNING,
            "/context/draftOrders/entry/1/resource",
        ),
        (
            "draft-in-small-letters",
            {
                let mut own = order();
                own["resourceType"] = json!("nutritionorder");
                request("order-sign", &[order(), own])
            },
            CLEAR,
            WARNING,
            "/context/draftOrders/entry/1",
        ),
        // Servers and references.
        (
            "absolute-references",
            {
                let mut r =
                    sign_order(|o| o["patient"]["reference"] = json!("https://server.example/fhir/Patient/invented-1"));
                r["fhirServer"] = json!("https://server.example/fhir/");
                r["prefetch"]["weights"] = found(&[weight(70.0, "https://server.example/fhir/Patient/invented-1")]);
                r
            },
            CLEAR,
            NONE,
            "",
        ),
        (
            "another-server",
            {
                let mut r = sign(|_| {});
                r["fhirServer"] = json!("https://server.example/fhir");
                r["prefetch"]["weights"] = found(&[weight(70.0, "https://other.example/fhir/Patient/invented-1")]);
                r
            },
            FLAGGED,
            CRITICAL,
            "an Observation of another patient",
        ),
        (
            "unknown-members",
            sign(|r| {
                r["fhirServer"] = json!("https://server.example/fhir");
                r["fhirAuthorization"] = json!({"access_token": "CANARY-TOKEN", "token_type": "Bearer", "expires_in": 300, "scope": "user/*.read", "subject": "client"});
                r["extension"] = json!({"example.client": {"x": 1}});
                r["context"]["somethingNew"] = json!({"a": [1]});
                r["prefetch"]["somethingElse"] = json!(17);
            }),
            CLEAR,
            NONE,
            "",
        ),
        (
            "r5-order",
            {
                let mut own = order();
                let patient = own["patient"].clone();
                without(&mut own, "patient");
                own["subject"] = patient;
                let formula = own["enteralFormula"].as_object_mut().unwrap();
                let route = formula.remove("routeofAdministration").unwrap();
                formula.insert("routeOfAdministration".to_owned(), route);
                let kind = formula.remove("baseFormulaType").unwrap();
                formula.insert("baseFormulaType".to_owned(), json!({"concept": kind}));
                let given = &mut formula["administration"][0];
                let schedule = given["schedule"].clone();
                given["schedule"] = json!({"timing": [schedule]});
                capped(&mut own, 1500.0);
                own["enteralFormula"]["maxVolumeToDeliver"] = quantity(1500.0, "mL");
                let mut r = request("order-sign", &[own]);
                r["fhirVersion"] = json!("5.0.0");
                r["prefetch"]["encounter"] = Value::Null;
                r
            },
            FLAGGED,
            CRITICAL,
            "1680 mL",
        ),
        // What a request may try to put on a card.
        (
            "hostile-texts",
            {
                let mut r = sign_order(|o| {
                    o["id"] = json!("feed-1");
                    without(&mut o["enteralFormula"], "baseFormulaType");
                    o["enteralFormula"]["baseFormulaProductName"] = json!(
                        "<script>alert(1)</script> [press](https://evil.example.org) ![x](http://evil.example.org/x.png) www.evil.example.org\n# Heading\n- item `code` | cell <b>bold</b> &lt; bare evil.example.com/x a@evil.example.org \u{202E}txt"
                    );
                    o["enteralFormula"]["administrationInstruction"] = json!(
                        "Hold at 60 mL <img src=x onerror=alert(1)> javascript:alert(1) https://evil.example.org/?a=1 **bold** ~~x~~"
                    );
                });
                r["prefetch"]["weights"]["entry"][0]["resource"]["code"]["text"] =
                    json!("[weight](https://evil.example.org) <i>x</i>");
                r
            },
            FLAGGED,
            WARNING,
            "evil",
        ),
    ]
}

fn run_by(request: &Value, book: &Rulebook, settings: &Settings) -> Result<Answered, Malformed> {
    let service = request["hook"].as_str().and_then(by_hook).expect("a hook that is answered");
    let by = Institution { formulary: &PRODUCTS, rulebook: book, settings };
    answer(request.to_string().as_bytes(), service, by)
}

fn run(request: &Value) -> (Value, Answered) {
    let answered = run_by(request, &NO_BOOK, &Settings::default()).unwrap_or_else(|e| panic!("{e}\n{request:#}"));
    (serde_json::from_str(&answered.body).unwrap(), answered)
}

fn words(answer: &Value, of: &str, key: &str) -> Vec<String> {
    let list = if of == "cards" { &answer["cards"] } else { &answer["extension"][EXTENSION]["orders"] };
    list.as_array().into_iter().flatten().map(|x| x[key].as_str().unwrap_or("").to_owned()).collect()
}

#[test]
fn every_request_is_answered_as_expected_and_in_form() {
    let all = cases();
    assert!(all.len() >= 30);
    let mut states = BTreeSet::new();
    for (name, request, dispositions, indicators, said) in &all {
        // Selections are references by type and id; clients send others too.
        if !["select-by-version", "select-by-full-url", "select-lost-urn"].contains(name) {
            valid("request", request);
        }
        let (answer, answered) = run(request);
        valid("response", &answer);
        assert_eq!(words(&answer, "orders", "disposition"), *dispositions, "{name}: {answer:#}");
        assert_eq!(words(&answer, "cards", "indicator"), *indicators, "{name}: {answer:#}");
        let first = &answer["cards"][0];
        let text = format!("{}\n{}", first["summary"].as_str().unwrap_or(""), first["detail"].as_str().unwrap_or(""));
        assert!(text.contains(said), "{name}: {said:?} is not on the card\n{text}");
        states.extend(answered.tally.prefetch.iter().map(|(_, state)| *state));
        assert!(!answered.nothing_checked);
        // A card id is version 5, and its own.
        let ids = words(&answer, "cards", "uuid");
        assert_eq!(ids.iter().collect::<BTreeSet<_>>().len(), ids.len(), "{name}");
        assert!(ids.iter().all(|id| id.as_bytes()[14] == b'5'), "{name}: {ids:?}");
        for card in answer["cards"].as_array().unwrap() {
            let summary = card["summary"].as_str().unwrap();
            assert!(summary.chars().count() < 140, "{name}: {summary}");
            assert!(!summary.contains(['<', '>', '\n']), "{name}: {summary}");
            let reasons = card["overrideReasons"].as_array().map_or(0, Vec::len);
            assert!(reasons <= 6, "{name}");
        }
        assert!(!answered.body.contains("CANARY"), "{name}");
    }
    assert_eq!(states.into_iter().collect::<Vec<_>>(), ["absent", "empty", "error", "present", "unusable"]);
}

/// What is wrong with the Bundle of drafts itself is told as `$validate` tells it: whatever draft it may hide is not passed over.
#[test]
fn what_hides_a_draft_in_its_bundle_is_told() {
    let hidden = || {
        let mut hidden = order();
        hidden["id"] = json!("hidden");
        hidden
    };
    let basic = || json!({"resourceType": "Basic", "id": "b"});
    type Change<'c> = &'c dyn Fn(&mut Value);
    let changes: [(&str, Change<'_>, &str); 9] = [
        ("Entry", &|b| b["Entry"] = json!([{"resource": hidden()}]), "a Bundle has no element \"Entry\""),
        (
            "Resource",
            &|b| b["entry"].as_array_mut().unwrap().push(json!({"resource": basic(), "Resource": hidden()})),
            "an entry has no element \"Resource\"",
        ),
        (
            "next",
            &|b| b["link"] = json!([{"relation": "next", "url": "https://ehr.example/drafts?page=2"}]),
            "further pages that were not sent",
        ),
        ("total", &|b| b["total"] = json!(5), "total says the number 5, more than the 1 that were sent"),
        (
            "outcome",
            &|b| b["entry"].as_array_mut().unwrap().push(json!({"resource": outcome()})),
            "an OperationOutcome says that something could not be had",
        ),
        (
            "response",
            &|b| {
                b["entry"].as_array_mut().unwrap().push(json!({"response": {"status": "404"}, "resource": basic()}));
            },
            "what this entry was to bring could not be had",
        ),
        (
            "modifierExtension of the Bundle",
            &|b| b["modifierExtension"] = json!([{"url": "https://x.example", "valueBoolean": true}]),
            "a Bundle has no element \"modifierExtension\"",
        ),
        (
            "modifierExtension of an entry",
            &|b| b["entry"][0]["modifierExtension"] = json!([{"url": "https://x.example", "valueBoolean": true}]),
            "modifierExtension of an entry may change what the rest means",
        ),
        (
            "implicitRules",
            &|b| b["implicitRules"] = json!("https://x.example"),
            "implicitRules of a Bundle may change what the rest means",
        ),
    ];
    let told = |request: &Value, name: &str, said: &str| {
        let (answer, answered) = run(request);
        valid("response", &answer);
        assert_eq!(answered.disposition, "not-fully-checked", "{name}: {answer:#}");
        let detail = answer["cards"][0]["detail"].as_str().unwrap_or_default().to_lowercase();
        assert!(detail.contains(&said.to_lowercase()), "{name}: {said:?} is not on the card\n{detail}");
    };
    for (name, change, said) in changes {
        told(&sign(|r| change(&mut r["context"]["draftOrders"])), name, said);
        // The only draft may be the hidden one.
        if name == "Entry" {
            let mut request = sign(|r| change(&mut r["context"]["draftOrders"]));
            without(&mut request["context"]["draftOrders"], "entry");
            told(&request, name, said);
        }
    }
    let other = json!({"resourceType": "NutritionOrder", "id": "other", "status": "active", "intent": "order",
        "patient": {"reference": OURS}, "dateTime": "2026-11-25", "oralDiet": {"type": [{"text": "invented"}]}});
    let others = sign(|r| {
        r["prefetch"]["orders"] = found(std::slice::from_ref(&other));
        r["prefetch"]["orders"]["Entry"] = json!([{"resource": other}]);
    });
    told(&others, "Entry of other orders", "a Bundle has no element \"Entry\"");
    // What is in form says nothing.
    let (_, answered) = run(&sign(|r| {
        let bundle = &mut r["context"]["draftOrders"];
        bundle["total"] = json!(1);
        bundle["link"] = json!([{"relation": "self", "url": "https://ehr.example/drafts"}]);
        bundle["entry"][0]["response"] = json!({"status": "200"});
    }));
    assert_eq!(answered.disposition, "clear");
}

/// Another order of 60 mL/h from the morning of the draft on.
fn another() -> Value {
    let mut out = order();
    out["id"] = json!("other");
    out["status"] = json!("active");
    out["enteralFormula"]["administration"][0]["rateQuantity"] = quantity(60.0, "mL/h");
    out
}

/// Another feeding order that names nobody is taken as this patient's, as other data is; one whose patient cannot be told from
/// what it names leaves the overlap not evaluated, by name.
#[test]
fn another_order_of_nobody_is_not_left_out_of_the_overlap() {
    const OVERLAP: &str = "runs at the same times; together on the steady day: 3120 mL of feed";
    const OPEN: &str = "whether another feeding order is for this patient cannot be told from the patient it names";
    let contained = json!([{"resourceType": "Patient", "id": "x"}]);
    for (patient, disposition, said) in [
        (Some(json!({"reference": OURS})), "flagged", OVERLAP),
        (None, "flagged", OVERLAP),
        (Some(json!({"display": "Invented"})), "flagged", OVERLAP),
        (Some(json!({"identifier": {"system": "urn:x", "value": "1"}})), "not-fully-checked", OPEN),
        (Some(json!({"reference": "urn:uuid:11111111-1111-4111-8111-111111111111"})), "not-fully-checked", OPEN),
        (Some(json!({"reference": "#x"})), "not-fully-checked", OPEN),
    ] {
        let mut other = another();
        if let Some(patient) = &patient {
            other["patient"] = patient.clone();
            if patient["reference"] == "#x" {
                other["contained"] = contained.clone();
            }
        } else {
            without(&mut other, "patient");
        }
        let of_orders = sign(|r| r["prefetch"]["orders"] = found(std::slice::from_ref(&other)));
        let mut draft = request("order-select", &[order(), other]);
        draft["context"]["selections"] = json!(["NutritionOrder/feed-1"]);
        for request in [of_orders, draft] {
            let (answer, answered) = run(&request);
            assert_eq!(answered.disposition, disposition, "{patient:?}: {answer:#}");
            let card = format!("{} {}", answer["cards"][0]["summary"], answer["cards"][0]["detail"]);
            assert!(card.contains(said), "{patient:?}: {said:?} is not on the card\n{card}");
        }
    }
}

/// What another feeding order gives that does not say it, is not known: no overlap is no finding of it.
#[test]
fn another_order_that_does_not_say_what_it_gives_is_no_order_that_gives_nothing() {
    for left in [
        json!({"baseFormulaProductName": "A10"}),
        json!({"baseFormulaProductName": "A10", "administrationInstruction": "Continuous 60 mL/h by pump"}),
        {
            let mut formula = another()["enteralFormula"].clone();
            without(&mut formula, "administration");
            formula
        },
    ] {
        let mut other = another();
        other["enteralFormula"] = left;
        let (answer, answered) = run(&sign(|r| r["prefetch"]["orders"] = found(std::slice::from_ref(&other))));
        assert_eq!(answered.disposition, "not-fully-checked", "{answer:#}");
        let summary = answer["cards"][0]["summary"].as_str().unwrap();
        assert!(
            summary.contains("another active feeding order of this patient does not state what it gives"),
            "{summary}"
        );
    }
}

/// A formula that is misspelt beside food by mouth may be a tube feed: it is said, and not taken for food alone.
#[test]
fn a_misspelt_formula_beside_food_is_not_passed_over() {
    for name in ["EnteralFormula", "enteralformula", "enteral_formula", "enteralFormulae", "entralFormula"] {
        let mut misspelt = order();
        misspelt["oralDiet"] = json!({"type": [{"text": "invented"}]});
        misspelt[name] = misspelt["enteralFormula"].clone();
        without(&mut misspelt, "enteralFormula");
        let (answer, answered) = run(&request("order-sign", &[misspelt]));
        assert_ne!(words(&answer, "orders", "disposition"), ["not-a-tube-feed"], "{name}: {answer:#}");
        assert!(["flagged", "not-fully-checked"].contains(&answered.disposition), "{name}: {answer:#}");
        let detail = answer["cards"][0]["detail"].as_str().unwrap_or_default();
        assert!(detail.contains(&name.replace('_', "\\_")) || detail.contains(name), "{name}: {detail}");
    }
}

/// A server that gives fewer than it says there are, and names no further page.
#[test]
fn a_search_with_a_higher_total_was_not_sent_whole() {
    let condition =
        json!({"resourceType": "Condition", "id": "c", "subject": {"reference": OURS}, "code": {"text": "invented"}});
    for (total, disposition) in [(1, "clear"), (2, "not-fully-checked")] {
        let (_, answered) = run(&sign(|r| {
            r["prefetch"]["conditions"] = found(std::slice::from_ref(&condition));
            r["prefetch"]["conditions"]["total"] = json!(total);
        }));
        assert_eq!(answered.disposition, disposition, "{total}");
    }
}

/// What the institution's template asks for, not the service's own, tells what a first page and an empty answer mean.
#[test]
fn the_templates_in_use_tell_what_a_first_page_means() {
    let settings = |key: &str, template: &str| {
        let mut settings = Settings::default();
        settings.hooks.servers.push(FhirServer {
            base: "https://server.example/fhir".to_owned(),
            private_addresses: false,
            fhir: None,
            leave_out: BTreeSet::new(),
            templates: [(key.to_owned(), template.to_owned())].into(),
        });
        settings
    };
    let of = |request: &Value, settings: &Settings| run_by(request, &NO_BOOK, settings).unwrap().disposition;
    let page = sign(|r| {
        r["prefetch"]["weights"]["link"] = json!([{"relation": "next", "url": "https://server.example/fhir?page=2"}])
    });
    let sorted = settings("weights", "Observation?patient={{context.patientId}}&code=29463-7&_sort=-date&_count=5");
    let unsorted = settings("weights", "Observation?patient={{context.patientId}}&code=29463-7&_count=5");
    assert_eq!(of(&page, &Settings::default()), "clear");
    assert_eq!(of(&page, &sorted), "clear");
    assert_eq!(of(&page, &unsorted), "not-fully-checked");
    let elsewhere = sign(|r| {
        r["prefetch"]["weights"] = page["prefetch"]["weights"].clone();
        r["fhirServer"] = json!("https://server.example/fhir");
    });
    assert_eq!(of(&elsewhere, &unsorted), "not-fully-checked");
    // Nothing of a part is not nothing.
    let none = sign(|r| r["prefetch"]["conditions"] = found(&[]));
    let whole =
        settings("conditions", "Condition?patient={{context.patientId}}&clinical-status=active,recurrence,relapse");
    let narrowed = settings("conditions", "Condition?patient={{context.patientId}}&category=encounter-diagnosis");
    assert_eq!(of(&none, &Settings::default()), "clear");
    assert_eq!(of(&none, &whole), "clear");
    assert_eq!(of(&none, &narrowed), "not-fully-checked");
}

#[test]
fn the_requests_stand_as_files() {
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/hooks/requests");
    let mut names = BTreeSet::new();
    for (name, request, ..) in cases() {
        let path = folder.join(format!("{name}.json"));
        let text = format!("{request}\n");
        if std::env::var_os("UPDATE").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let written = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(written == text, "{name}.json is stale: UPDATE=1 cargo test --test hooks");
        assert!(names.insert(format!("{name}.json")), "{name} twice");
    }
    for entry in std::fs::read_dir(folder).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        assert!(names.contains(&name), "{name} is no request of the list");
    }
}

/// The example requests of the order-sign and order-select definitions (HL7, CDS Hooks; CC0). They order a pureed
/// diet, without `intent`: the service answers, and has nothing to say.
#[test]
fn the_published_examples_are_answered() {
    let Some(folder) = std::env::var_os("EG_EXTERNAL_CORPUS").map(PathBuf::from) else {
        println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS), so the published examples were not read");
        return;
    };
    for hook in ["order-sign", "order-select"] {
        let path = folder.join("cds-hooks").join(format!("{hook}-spec-r4.json"));
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let request: Value = serde_json::from_str(&text).unwrap();
        valid("request", &request);
        let (answer, _) = run(&request);
        valid("response", &answer);
        assert_eq!(answer["cards"], json!([]), "{hook}");
        assert_eq!(words(&answer, "orders", "disposition"), ["not-a-tube-feed"], "{hook}");
    }
    println!("compared: 2 published hook requests");
}

#[test]
fn discovery_names_both_hooks_and_asks_only_in_the_restricted_grammar() {
    for version in FhirVersion::ALL {
        let answer = discovery(&Hooks { fhir: version, ..Hooks::default() }, None);
        valid("services", &answer);
        let hooks: Vec<&str> =
            answer["services"].as_array().unwrap().iter().map(|s| s["hook"].as_str().unwrap()).collect();
        assert_eq!(hooks, ["order-sign", "order-select"]);
        for service in answer["services"].as_array().unwrap() {
            let prefetch = service["prefetch"].as_object().unwrap();
            assert_eq!(prefetch.len(), KEYS.len());
            for (key, template) in prefetch {
                let template = template.as_str().unwrap();
                // Tokens: first-level primitives of the context (CDS Hooks 2.0, "Prefetch tokens").
                let tokens: Vec<&str> =
                    template.split("{{").skip(1).map(|rest| rest.split("}}").next().unwrap()).collect();
                assert!(tokens.iter().all(|t| ["context.patientId", "context.encounterId"].contains(t)), "{key}");
                assert_eq!(tokens.len(), 1, "{key}");
                // "Prefetch query restrictions": a read, or a type-level search by patient, token equality, _count, _sort.
                match template.split_once('?') {
                    None => assert!(template.ends_with("Id}}") && template.matches('/').count() == 1, "{key}"),
                    Some((kind, query)) => {
                        assert!(kind.bytes().all(|b| b.is_ascii_alphabetic()), "{key}");
                        for pair in query.split('&') {
                            let (name, value) = pair.split_once('=').unwrap();
                            assert!(
                                ["patient", "code", "category", "status", "_sort", "_count"].contains(&name),
                                "{key}: {name}"
                            );
                            assert!(!value.contains(','), "{key}: {value}");
                        }
                    }
                }
            }
        }
        let usage = answer["services"][0]["prefetch"]["devices"].as_str().unwrap();
        assert_eq!(usage.starts_with("DeviceUsage?"), version == FhirVersion::R5);
    }
}

#[test]
fn malformed_requests_are_refused_by_pointer() {
    let change = |pointer: &str, value: Value| {
        let mut r = request("order-select", &[order()]);
        let (holder, name) = pointer.rsplit_once('/').unwrap();
        let holder = r.pointer_mut(holder).unwrap();
        match name.parse::<usize>() {
            Ok(n) if holder.is_array() => holder[n] = value,
            _ => holder[name] = value,
        }
        r
    };
    let remove = |pointer: &str| {
        let mut r = request("order-select", &[order()]);
        let (holder, name) = pointer.rsplit_once('/').unwrap();
        without(r.pointer_mut(holder).unwrap(), name);
        r
    };
    let service = by_hook("order-select").unwrap();
    let mut all: Vec<(Value, String, &str)> = Vec::new();
    for (pointer, expected) in [
        ("/hook", "the hook's name"),
        ("/hookInstance", "a UUID"),
        ("/context", "an object"),
        ("/context/userId", "a reference"),
        ("/context/patientId", "the patient's id"),
        ("/context/draftOrders", "a Bundle"),
        ("/context/selections", "an array"),
        ("/context/draftOrders/resourceType", "\"Bundle\""),
        ("/context/draftOrders/entry/0/resource", "a resource"),
        ("/context/draftOrders/entry/0/resource/resourceType", "type"),
    ] {
        all.push((remove(pointer), pointer.to_owned(), expected));
        all.push((change(pointer, json!(7)), pointer.to_owned(), expected));
        all.push((change(pointer, json!(null)), pointer.to_owned(), expected));
        if !pointer.ends_with("Orders")
            && pointer != "/context"
            && !pointer.ends_with("resource")
            && !pointer.ends_with("selections")
        {
            all.push((change(pointer, json!(" ")), pointer.to_owned(), expected));
        }
    }
    for (pointer, value, expected) in [
        ("/hook", json!("order-sign"), "\"order-select\""),
        ("/context/encounterId", json!(12), "the encounter's id"),
        ("/context/draftOrders/resourceType", json!("List"), "\"Bundle\""),
        ("/context/draftOrders/entry", json!({}), "an array"),
        ("/context/draftOrders/entry/0", json!("x"), "an entry"),
        ("/context/selections/0", json!({"reference": "NutritionOrder/feed-1"}), "a reference"),
        ("/context/selections/0", json!(""), "a reference"),
        ("/prefetch", json!([]), "an object"),
        ("/prefetch", json!("x"), "an object"),
        ("/fhirServer", json!(1), "a FHIR server"),
        ("/fhirVersion", json!("3.0.2"), "4.0.1"),
        ("/fhirVersion", json!(4), "4.0.1"),
    ] {
        all.push((change(pointer, value), pointer.to_owned(), expected));
    }
    let settings = Settings::default();
    let by = Institution { formulary: &PRODUCTS, rulebook: &NO_BOOK, settings: &settings };
    for (request, pointer, expected) in &all {
        let refused = answer(request.to_string().as_bytes(), service, by).expect_err(&format!("{pointer}: {request}"));
        assert_eq!(refused.pointer.as_ref(), Some(pointer), "{refused}");
        assert!(refused.text.contains(pointer.as_str()) && refused.text.contains(expected), "{refused}");
    }
    assert!(all.len() > 40);
    for (text, said) in [
        (&b""[..], "empty"),
        (b"{", "line 1"),
        (b"{\"hook\":\"order-select\",\"hook\":\"order-sign\"}", "given twice"),
        (b"[1]", "found an array"),
        (b"\xff", "UTF-8"),
        (b"{\"hook\":order-sign}", "line 1, column 9"),
    ] {
        let refused = answer(text, service, by).unwrap_err();
        assert!(refused.text.contains(said), "{refused}");
    }
}

#[test]
fn nothing_in_a_request_makes_it_panic() {
    let base = request("order-select", &[order()]).to_string();
    let settings = Settings::default();
    let by = Institution { formulary: &PRODUCTS, rulebook: &STARTER, settings: &settings };
    let service = by_hook("order-select").unwrap();
    // Every place of the request replaced by every kind of value.
    fn pointers(value: &Value, path: String, out: &mut Vec<String>) {
        match value {
            Value::Object(map) => map.iter().for_each(|(k, v)| pointers(v, format!("{path}/{k}"), out)),
            Value::Array(list) => list.iter().enumerate().for_each(|(n, v)| pointers(v, format!("{path}/{n}"), out)),
            _ => {}
        }
        out.push(path);
    }
    let whole: Value = serde_json::from_str(&base).unwrap();
    let mut places = Vec::new();
    pointers(&whole, String::new(), &mut places);
    let mut answers = 0;
    for place in places.iter().filter(|p| !p.is_empty()) {
        for value in
            [json!(null), json!(0), json!("x"), json!([]), json!({}), json!([null]), json!({"resourceType": "Bundle"})]
        {
            let mut damaged = whole.clone();
            *damaged.pointer_mut(place).unwrap() = value;
            if let Ok(answered) = answer(damaged.to_string().as_bytes(), service, by) {
                valid_quickly(&answered.body);
                answers += 1;
            }
        }
    }
    assert!(answers > 500, "{answers}");
    // Cut off anywhere.
    for end in (0..base.len()).step_by(97) {
        assert!(answer(&base.as_bytes()[..end], service, by).is_err());
    }
}

fn valid_quickly(body: &str) {
    let answer: Value = serde_json::from_str(body).unwrap();
    for card in answer["cards"].as_array().unwrap() {
        assert!(card["summary"].as_str().is_some_and(|s| !s.is_empty() && s.chars().count() < 140), "{card}");
        assert!(card["uuid"].is_string() && card["detail"].is_string());
    }
}

/// Taking anything out of a request that is clear never leaves less said: the answer stays clear only where what was
/// taken out is no data for a rule that counts.
#[test]
fn taking_data_away_is_never_silent() {
    let clear = sign(|_| {});
    assert_eq!(words(&run(&clear).0, "orders", "disposition"), ["clear"]);
    for key in ["patient", "weights"] {
        for value in [None, Some(json!(null)), Some(outcome()), Some(json!("<html>")), Some(json!(3))] {
            let mut r = clear.clone();
            match value {
                None => without(&mut r["prefetch"], key),
                Some(value) => r["prefetch"][key] = value,
            }
            let (answer, _) = run(&r);
            assert_ne!(words(&answer, "orders", "disposition"), ["clear"], "{key}");
            assert!(!answer["cards"].as_array().unwrap().is_empty(), "{key}");
        }
    }
    // Whatever a client tried to send and could not, or sent of somebody else, is said.
    for key in &KEYS {
        let mut theirs = json!({"resourceType": key.types[0], "id": "somebody-else", "subject": {"reference": "Patient/somebody-else"}});
        if matches!(key.types[0], "AllergyIntolerance" | "NutritionOrder") {
            theirs["patient"] = theirs["subject"].take();
            without(&mut theirs, "subject");
        }
        for value in [outcome(), json!("<html>"), json!(false), json!({}), theirs.clone(), found(&[theirs.clone()])] {
            let mut r = clear.clone();
            r["prefetch"][key.name] = value.clone();
            let (answer, _) = run(&r);
            assert_ne!(words(&answer, "orders", "disposition"), ["clear"], "{}: {value}", key.name);
            let detail = answer["cards"][0]["detail"].as_str().unwrap_or_default();
            assert!(detail.contains(&format!("({})", key.name)), "{}: {value}: {detail}", key.name);
        }
    }
    // A kind of data that the client says it sends: absent is not clear; empty is data.
    let declared = Settings { declared: [ContextKind::Allergies].into(), ..Settings::default() };
    let absent = sign(|r| without(&mut r["prefetch"], "allergies"));
    for (request, settings, disposition) in [
        (&clear, &declared, "clear"),
        (&absent, &declared, "not-fully-checked"),
        (&absent, &Settings::default(), "clear"),
    ] {
        let answer: Value = serde_json::from_str(&run_by(request, &NO_BOOK, settings).unwrap().body).unwrap();
        assert_eq!(words(&answer, "orders", "disposition"), [disposition]);
        assert_eq!(answer["cards"].as_array().unwrap().is_empty(), disposition == "clear");
    }
    // What the client tried to send and could not is missing, not a kind of data that it never sends.
    let failed: Value =
        serde_json::from_str(&run_by(&named("labs-outcome"), &STARTER, &Settings::default()).unwrap().body).unwrap();
    let absent: Value =
        serde_json::from_str(&run_by(&named("labs-absent"), &STARTER, &Settings::default()).unwrap().body).unwrap();
    let of = |answer: &Value| answer["extension"][EXTENSION]["orders"][0].clone();
    assert!(of(&absent)["notProvided"].to_string().contains("laboratory results"));
    assert!(!of(&failed)["notProvided"].to_string().contains("laboratory results"));
    assert!(of(&failed)["rules"]["notEvaluated"].as_u64() > of(&absent)["rules"]["notEvaluated"].as_u64());
    // A draft medicine alone does not say which medicines there are.
    let book = &STARTER;
    for (list, provided) in [(Some(json!(null)), true), (None, false)] {
        let mut r = request("order-sign", &[order(), medicine()]);
        match list {
            Some(value) => r["prefetch"]["medicines"] = value,
            None => without(&mut r["prefetch"], "medicines"),
        }
        let answer: Value = serde_json::from_str(&run_by(&r, book, &Settings::default()).unwrap().body).unwrap();
        let missing = answer["extension"][EXTENSION]["orders"][0]["notProvided"].to_string();
        assert_eq!(!missing.contains("\"medicines\""), provided, "{missing}");
    }
}

/// A medicine that is ordered with the feed counts like one that is on the list.
#[test]
fn a_draft_medicine_counts_where_the_list_was_looked_for() {
    let night = |o: &mut Value| {
        o["enteralFormula"]["administration"][0] = json!({
            "schedule": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "timeOfDay": ["20:00:00"], "duration": 10, "durationUnit": "h"}},
            "rateQuantity": quantity(70.0, "mL/h")});
    };
    let insulin = |status: &str| {
        let mut out = medicine();
        out["status"] = json!(status);
        // ATC A10AE04: insulin glargine.
        out["medicationCodeableConcept"] =
            json!({"coding": [{"system": "http://www.whocc.no/atc", "code": "A10AE04"}]});
        out
    };
    let outcome = |beside: &[Value]| {
        let mut own = order();
        night(&mut own);
        let mut orders = vec![own];
        orders.extend(beside.iter().cloned());
        let request = request("order-sign", &orders).to_string();
        let settings = Settings::default();
        let by = Institution { formulary: &PRODUCTS, rulebook: &STARTER, settings: &settings };
        let mut of_rule = None;
        let mut see = |seen: Seen<'_, '_>| {
            if let Fate::Judged(report) = &seen.fate {
                let judged = report.judged.iter().find(|j| j.rule.id == "MET-02").expect("MET-02 is judged");
                of_rule = Some(judged.outcome.word());
            }
        };
        let service = by_hook("order-sign").unwrap();
        answer_seen(request.as_bytes(), service, by, Fetched::default(), Some(&mut see)).unwrap();
        of_rule.unwrap()
    };
    assert_eq!(outcome(&[]), "clear");
    for counts in ["draft", "active"] {
        assert_eq!(outcome(&[insulin(counts)]), "flagged", "{counts}");
    }
    assert_eq!(outcome(&[insulin("stopped")]), "clear");
    assert_eq!(outcome(&[insulin("a-later-status")]), "not-evaluated");
}

fn named(name: &str) -> Value {
    cases().into_iter().find(|(n, ..)| *n == name).unwrap().1
}

#[test]
fn corrections_are_drafts_with_one_change_that_were_judged_again() {
    for (name, pointer, value, gone) in [
        ("sign-maximum-below-schedule", "/enteralFormula/maxVolumeToDeliver/value", json!(1680), "CON-03"),
        ("sign-maximum-of-another-order", "/enteralFormula/maxVolumeToDeliver/value", json!(1680), "CON-03"),
        ("sign-density-in-small-calories", "/enteralFormula/caloricDensity/code", json!("kcal/mL"), "UNT-03"),
        ("sign-density-per-ounce", "/enteralFormula/caloricDensity/code", json!("kcal/[foz_us]"), "UNT-02"),
        ("sign-day-volume-as-rate", "/enteralFormula/administration/0/rateQuantity/value", json!(70), "UNT-04"),
        ("sign-rate-against-volume", "/enteralFormula/administration/0/rateQuantity/value", json!(100), "CON-01"),
        ("sign-volume-in-ounces", "/enteralFormula/administration/0/quantity/value", json!(237), "UNT-06"),
        ("r5-order", "/enteralFormula/maxVolumeToDeliver/value", json!(1680), "CON-03"),
    ] {
        let request = named(name);
        let draft = request["context"]["draftOrders"]["entry"][0]["resource"].clone();
        let (answer, _) = run(&request);
        let card = &answer["cards"][0];
        assert_eq!(card["selectionBehavior"], "at-most-one", "{name}: {answer:#}");
        let suggestion = &card["suggestions"][0];
        let action = &suggestion["actions"][0];
        assert_eq!(action["type"], "update");
        let corrected = &action["resource"];
        assert_eq!(corrected["id"], draft["id"]);
        assert_eq!(corrected.pointer(pointer), Some(&value), "{name}");
        // Nothing else differs, apart from the unit of that quantity.
        let (quantity, _) = pointer.rsplit_once('/').unwrap();
        let mut same = corrected.clone();
        *same.pointer_mut(quantity).unwrap() = draft.pointer(quantity).unwrap().clone();
        assert_eq!(same, draft, "{name}");
        // Sent again, it no longer has the finding.
        let mut again = request.clone();
        again["context"]["draftOrders"]["entry"][0]["resource"] = corrected.clone();
        let (after, _) = run(&again);
        let text = after["cards"].to_string();
        assert!(!text.contains(&format!("({gone})")), "{name}: {text}");
        assert!(card["detail"].as_str().unwrap().contains(&format!("({gone})")), "{name}");
    }
}

#[test]
fn a_correction_that_does_not_hold_is_withheld() {
    // 200 mL/h is 4800 mL a day for 70 kg: raising the maximum to that would be beyond the institution's limit.
    let request = sign_order(|o| {
        o["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(200);
        capped(o, 1500.0);
    });
    let alone = run_by(&request, &NO_BOOK, &Settings::default()).unwrap();
    assert_eq!((alone.tally.offered, alone.tally.withheld), (1, 0), "{}", alone.body);
    let judged = run_by(&request, &STARTER, &Settings::default()).unwrap();
    assert_eq!((judged.tally.offered, judged.tally.withheld), (0, 1), "{}", judged.body);
    assert!(!judged.body.contains("\"suggestions\":"));
    // 1690 mL a day are 70.4 mL/h, which the pump of the starter rulebook cannot be set to; 1680 mL are 70.
    for (ml, offered) in [(1690, 0), (1680, 1)] {
        let request = sign(|r| {
            let order = &mut r["context"]["draftOrders"]["entry"][0]["resource"];
            order["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(ml);
            without(&mut r["prefetch"], "encounter");
        });
        let judged = run_by(&request, &STARTER, &Settings::default()).unwrap();
        assert!(judged.body.contains("it may be the day's volume"), "{}", judged.body);
        assert_eq!(judged.tally.offered, offered, "{ml}: {}", judged.body);
    }
    // Without an id of the draft there is nothing to update.
    assert!(run(&named("draft-without-id")).0["cards"][0].get("suggestions").is_none());
    // The narrative tells of the order before; it goes.
    let with_text = sign_order(|o| {
        capped(o, 1500.0);
        o["text"] =
            json!({"status": "generated", "div": "<div xmlns=\"http://www.w3.org/1999/xhtml\">at most 1500 mL</div>"});
    });
    let (answer, _) = run(&with_text);
    let corrected = &answer["cards"][0]["suggestions"][0]["actions"][0]["resource"];
    assert!(corrected["enteralFormula"].is_object() && corrected.get("text").is_none());
}

/// A limit's own way out, on the card and ready to be taken. 145 mL/h are 3480 mL a day, for 70 kg 49.7 mL/kg.
#[test]
fn a_limit_offers_the_amount_that_it_does_not_flag() {
    let request = sign_order(|o| o["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(145));
    let answered = run_by(&request, &STARTER, &Settings::default()).unwrap();
    let answer: Value = serde_json::from_str(&answered.body).unwrap();
    valid("response", &answer);
    let card = &answer["cards"][0];
    let detail = card["detail"].as_str().unwrap();
    assert!(detail.contains("**MED** The feed comes to 3480 mL/d, over 3000 mL/d. (VOL-04)"), "{detail}");
    // Only the limit's own figure is named, not those whose names begin alike.
    let compared = "adult day caution, with adult day caution = 3000 mL/d, formula volume = 3480 mL/d";
    assert!(detail.contains(compared), "{detail}");
    assert!(detail.contains("A way out: Give at most 3000 mL/d or a denser feed."), "{detail}");
    // The graver finding's way out comes first: 35 kcal/kg × 70 kg = 2450 kcal, over 24 h 102.1 mL/h.
    let labels: Vec<&str> =
        card["suggestions"].as_array().unwrap().iter().filter_map(|s| s["label"].as_str()).collect();
    assert_eq!(labels, ["Rate 102 mL/h", "Rate 125 mL/h"]);
    let suggestion = &card["suggestions"][1];
    let corrected = &suggestion["actions"][0]["resource"];
    let mut expected = request["context"]["draftOrders"]["entry"][0]["resource"].clone();
    expected["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(125);
    assert_eq!(corrected, &expected, "3000 mL over 24 h, and nothing else");
}

/// Many drafts that could all be corrected: some are, all are answered for.
#[test]
fn suggestions_are_bounded_over_a_request() {
    let many: Vec<Value> = (0..40)
        .map(|n| {
            let mut own = order();
            own["id"] = json!(format!("feed-{n}"));
            own["enteralFormula"]["administration"][0]["rateQuantity"]["value"] = json!(1 + n);
            capped(&mut own, 20.0);
            own
        })
        .collect();
    let (answer, answered) = run(&request("order-sign", &many));
    valid("response", &answer);
    assert_eq!(answer["cards"].as_array().unwrap().len(), 40);
    assert!(answered.tally.offered <= 1, "{:?}", answered.tally);
    assert!(answered.tally.withheld >= 39, "{:?}", answered.tally);
    // More drafts than are read are named.
    let mut more = many;
    more.extend((40..60).map(|n| {
        let mut own = order();
        own["id"] = json!(format!("feed-{n}"));
        own
    }));
    let (answer, answered) = run(&request("order-sign", &more));
    assert_eq!(answered.tally.orders["not-read"], 10, "{:?}", answered.tally);
    assert!(
        answer["cards"][0]["detail"].as_str().unwrap().contains("NutritionOrder/feed-59"),
        "{}",
        answer["cards"][0]
    );
}

/// Whether or not the drafts are kept for the queue, whose corrections are tried as well: the prescriber is told the same,
/// also where not everything can be tried.
#[test]
fn what_is_kept_for_others_changes_no_card() {
    for drafts in [1, 5, 12, 25] {
        let many: Vec<Value> = (0..drafts)
            .map(|n| {
                let mut own = order();
                own["id"] = json!(format!("feed-{n}"));
                // A draft without an id can be corrected for the queue, and on no card.
                if n < drafts / 2 {
                    without(&mut own, "id");
                }
                capped(&mut own, 1500.0);
                own
            })
            .collect();
        let request = request("order-sign", &many).to_string();
        let service = by_hook("order-sign").unwrap();
        let settings = Settings::default();
        let by = Institution { formulary: &PRODUCTS, rulebook: &NO_BOOK, settings: &settings };
        let alone = answer(request.as_bytes(), service, by).unwrap();
        let (mut seen, mut tried) = (0, 0);
        let mut see = |draft: Seen<'_, '_>| {
            seen += 1;
            tried += draft.offers.len();
        };
        let kept = answer_seen(request.as_bytes(), service, by, Fetched::default(), Some(&mut see)).unwrap();
        assert_eq!(kept.body, alone.body, "{drafts}");
        assert_eq!((kept.tally.offered, kept.tally.withheld), (alone.tally.offered, alone.tally.withheld), "{drafts}");
        assert_eq!(seen, drafts);
        // Each correction is told of once: tried, or that it was not.
        assert!(tried >= drafts, "{tried} of {drafts}");
    }
}

/// Whoever keeps a draft is told which rules its card shows: what a prescriber answers is about these.
#[test]
fn the_rules_on_a_card_are_told_apart_from_those_that_it_notes_and_those_of_others() {
    let settings = Settings::default();
    let by = Institution { formulary: &PRODUCTS, rulebook: &STARTER, settings: &settings };
    let request = named("sign-bolus-into-jejunum").to_string();
    let (mut shown, mut found) = (Vec::new(), Vec::new());
    let mut see = |draft: Seen<'_, '_>| {
        shown.extend_from_slice(draft.shown);
        if let Fate::Judged(report) = &draft.fate {
            let flagged = report.judged.iter().filter(|j| j.outcome.word() == "flagged");
            found.extend(flagged.map(|j| j.rule.id.to_string()));
        }
    };
    let service = by_hook("order-sign").unwrap();
    let answered = answer_seen(request.as_bytes(), service, by, Fetched::default(), Some(&mut see)).unwrap();
    let answer: Value = serde_json::from_str(&answered.body).unwrap();
    let detail = answer["cards"][0]["detail"].as_str().unwrap();
    let (findings, noted) = detail.split_once("**Also noted**").expect("a reminder is noted");
    let noted = noted.split("**").next().unwrap();
    assert!(!shown.is_empty() && shown.len() < found.len(), "{shown:?} of {found:?}");
    for rule in &found {
        let on_card = shown.contains(rule);
        assert_eq!(
            findings.contains(&format!("({})", rule.replace('-', "\\-"))) || findings.contains(&format!("({rule})")),
            on_card,
            "{rule}: {findings}"
        );
        assert!(!on_card || !noted.contains(rule.as_str()), "{rule}: {noted}");
    }
}

#[test]
fn decimals_of_a_corrected_draft_keep_their_digits() {
    let text = named("sign-maximum-below-schedule").to_string().replace("\"value\":1.0}", "\"value\":1.000}");
    assert!(text.contains("1.000"));
    let settings = Settings::default();
    let by = Institution { formulary: &PRODUCTS, rulebook: &NO_BOOK, settings: &settings };
    let answered = answer(text.as_bytes(), by_hook("order-sign").unwrap(), by).unwrap();
    assert!(answered.body.contains("\"value\":1.000}"), "{}", answered.body);
}

#[test]
fn the_same_content_has_the_same_ids() {
    let ids = |r: &Value| {
        let (answer, _) = run(r);
        let cards = words(&answer, "cards", "uuid");
        let offered: Vec<String> = answer["cards"]
            .as_array()
            .unwrap()
            .iter()
            .flat_map(|c| c["suggestions"].as_array().into_iter().flatten())
            .map(|s| s["uuid"].as_str().unwrap().to_owned())
            .collect();
        (cards, offered)
    };
    let base = named("sign-maximum-below-schedule");
    let first = ids(&base);
    assert_eq!((first.0.len(), first.1.len()), (1, 1));
    assert_eq!(ids(&base), first);
    let mut other_call = base.clone();
    other_call["hookInstance"] = json!("11111111-1111-4111-8111-111111111111");
    other_call["context"]["userId"] = json!("Practitioner/somebody-else");
    assert_eq!(ids(&other_call), first, "the call itself is no content");
    // At the other hook the order is the same order.
    assert_eq!(ids(&named("select-maximum-below-schedule")), first);
    for (what, change) in [
        ("the order", sign_order(|o| capped(o, 1400.0))),
        (
            "the order's id",
            sign_order(|o| {
                capped(o, 1500.0);
                o["id"] = json!("feed-3");
            }),
        ),
    ] {
        assert_ne!(ids(&change), first, "{what}");
    }
    let twice = ids(&named("same-draft-twice"));
    assert_ne!(twice.0[0], twice.0[1]);
    assert_eq!(ids(&named("same-draft-twice")), twice);
    // Byte for byte, whatever else runs.
    assert_eq!(run(&base).1.body, run(&base).1.body);
}

#[test]
fn texts_of_a_request_stay_texts() {
    let (answer, _) = run(&named("hostile-texts"));
    let card = &answer["cards"][0];
    let detail = card["detail"].as_str().unwrap();
    assert!(detail.contains("evil"), "the text is on the card: {detail}");
    // Escapes taken out with what they escape: what is left is what counts as Markdown.
    let mut lower = String::new();
    let mut chars = detail.chars();
    while let Some(c) = chars.next() {
        if c == '\\' {
            assert!(chars.next().is_some_and(|next| next.is_ascii_punctuation()));
        } else {
            lower.extend(c.to_lowercase());
        }
    }
    for construct in [
        "<script", "<img", "<b>", "<i>", "](", "![", "](http", "http://", "https://", " www.", "\n# ", "\u{202E}",
        "**bold**", "~~x~~", "`code`",
    ] {
        assert!(!lower.contains(construct), "{construct} in {detail}");
    }
    // A quoted text never begins a line of its own.
    assert!(detail.lines().all(|l| !l.starts_with("- item") && !l.starts_with("# ")), "{detail}");
    let everything = answer["cards"].to_string();
    assert!(!everything.contains("<script"), "{everything}");
}

/// Findings of limits go where the limit says; what is not for the prescriber is counted and on no card.
#[test]
fn what_is_for_others_is_counted_and_not_shown() {
    let demo: Value = serde_json::from_str(include_str!("../deploy/demo/orders/demo-2-intensive-care.json")).unwrap();
    let all: Vec<Value> = demo["entry"].as_array().unwrap().iter().map(|e| e["resource"].clone()).collect();
    let of = |kind: &str| all.iter().filter(|r| r["resourceType"] == kind).cloned().collect::<Vec<_>>();
    let id = of("Patient")[0]["id"].clone();
    let request = json!({
        "hook": "order-sign", "hookInstance": "0d9b5d0e-6f6a-4c69-9e39-5d8d2d3a1c11",
        "context": {"userId": "Practitioner/invented", "patientId": id, "draftOrders": drafts(&of("NutritionOrder"))},
        "prefetch": {"patient": of("Patient")[0], "weights": found(&of("Observation"))}
    });
    let answered = run_by(&request, &STARTER, &Settings::default()).unwrap();
    let answer: Value = serde_json::from_str(&answered.body).unwrap();
    valid("response", &answer);
    assert_eq!(answer["cards"], json!([]));
    let order = &answer["extension"][EXTENSION]["orders"][0];
    assert_eq!(order["disposition"], "flagged");
    assert!(order["notOnCard"]["dietitian"].as_u64().unwrap() >= 1, "{order}");
    assert_eq!(answered.tally.not_on_card["dietitian"], order["notOnCard"]["dietitian"].as_u64().unwrap() as usize);
    assert_eq!(answered.disposition, "flagged");
}

/// Mode, audience and tier of a limit decide where a finding goes and how loud it is. Limits are invented.
#[test]
fn a_limit_says_who_is_told_and_how_loud() {
    let limit = |mode: &str, audience: &str, tier: &str| {
        let text = format!(
            "rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\n[[limit]]\nid = \"VOL-90\"\nname = \"invented\"\ntitle = \"Invented\"\ntier = \"{tier}\"\nmode = \"{mode}\"\naudience = [{audience}]\nsource = \"common practice, no source\"\nevidence = \"common-practice\"\nowner = \"x\"\nnote = \"x\"\nchanges = [\"x\"]\noverride-reasons = [\"An invented reason\"]\n[[limit.check]]\nflag = \"weight > q('1 kg')\"\ntext = \"Invented finding.\"\n"
        );
        file::read(&[file::Source { name: "invented.toml", text: &text }])
    };
    // Beside something that could not be checked, a reminder is no mere information.
    let low = limit("card", "\"prescriber\"", "LOW").unwrap();
    let open = run_by(&named("labs-outcome"), &low, &Settings::default()).unwrap();
    let open: Value = serde_json::from_str(&open.body).unwrap();
    assert_eq!(words(&open, "cards", "indicator"), ["warning"]);
    assert_eq!(words(&open, "cards", "summary"), ["Invented finding. (not fully checked)"]);
    // Reminders of the program's own rules are counted, and stand on a card that is shown anyway.
    assert_eq!(run(&named("sign-clear")).1.tally.reminders, 1);
    assert_eq!(run(&named("draft-without-intent")).1.tally.reminders, 2);
    let (shown, _) = run(&named("sign-no-flush"));
    assert!(
        shown["cards"][0]["detail"].as_str().unwrap().contains("**Also noted**\n\n- Not part of this order"),
        "{shown:#}"
    );
    for (mode, audience, tier, indicators, elsewhere) in [
        ("card", "\"prescriber\", \"nurse\"", "HIGH", &["critical"][..], 0),
        ("card", "\"prescriber\"", "MED", &["warning"], 0),
        ("card", "\"prescriber\"", "LOW", &["info"], 0),
        ("card", "\"nurse\", \"pharmacist\"", "HIGH", &[], 2),
        // What could do serious harm is seen before the order is signed.
        ("queue", "\"prescriber\"", "HIGH", &["critical"], 0),
        ("queue", "\"dietitian\"", "HIGH", &[], 1),
        ("queue", "\"prescriber\"", "MED", &[], 1),
        ("shadow", "\"prescriber\"", "HIGH", &[], 0),
        ("off", "\"prescriber\"", "HIGH", &[], 0),
    ] {
        let book = limit(mode, audience, tier).unwrap_or_else(|all| panic!("{all:?}"));
        let answered = run_by(&sign(|_| {}), &book, &Settings::default()).unwrap();
        let answer: Value = serde_json::from_str(&answered.body).unwrap();
        valid("response", &answer);
        assert_eq!(words(&answer, "cards", "indicator"), indicators, "{mode} {audience} {tier}: {answer:#}");
        assert_eq!(answered.tally.not_on_card.values().sum::<usize>(), elsewhere, "{mode} {audience}");
        if !indicators.is_empty() {
            assert_eq!(answer["cards"][0]["summary"], "Invented finding.");
            assert_eq!(answer["cards"][0]["overrideReasons"][0]["code"], "an-invented-reason");
        }
    }
}

#[test]
fn what_is_switched_off_is_named_on_the_card() {
    let off = "rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\n[[off]]\nrule = \"TUB-01\"\nby = \"A. Invented\"\nwhy = \"flushes are charted apart\"\nuntil = 2099-12-31\n";
    let book = file::read(&[file::Source { name: "invented.toml", text: off }]).unwrap_or_else(|all| panic!("{all:?}"));
    let answered = run_by(&named("sign-maximum-below-schedule"), &book, &Settings::default()).unwrap();
    let answer: Value = serde_json::from_str(&answered.body).unwrap();
    let detail = answer["cards"][0]["detail"].as_str().unwrap();
    assert!(
        detail.contains("Switched off (TUB-01): by A. Invented, until 2099-12-31: flushes are charted apart."),
        "{detail}"
    );
    assert_eq!(answer["extension"][EXTENSION]["orders"][0]["rules"]["off"], 1, "{answer:#}");
}

#[test]
fn a_card_names_its_arithmetic_sources_data_and_reasons() {
    let (answer, _) = run(&named("sign-maximum-below-schedule"));
    let card = &answer["cards"][0];
    let detail = card["detail"].as_str().unwrap();
    for part in [
        "**HIGH**",
        "(CON-03)",
        "- Arithmetic: schedule",
        "- A way out: Raise the maximum to 1680 mL",
        "- Source: ",
        "Body weight 70.0 kg of 2026-11-23T08:00:00+01:00 (2 days before the order)",
        "Assumed: A-",
        "a licensed clinician decides",
        "No rulebook of the institution is loaded",
    ] {
        let short = part.replace("70.0", "70");
        assert!(detail.contains(part) || detail.contains(&short), "{part} is not in\n{detail}");
    }
    assert!(card["source"]["label"].as_str().unwrap().contains("integrity rules only"));
    let codes: Vec<&str> =
        card["overrideReasons"].as_array().unwrap().iter().map(|r| r["code"].as_str().unwrap()).collect();
    assert_eq!(codes, OVERRIDE_REASONS.map(|(code, _)| code));
    assert!(card["overrideReasons"].as_array().unwrap().iter().all(|r| r["system"] == OVERRIDE_SYSTEM));
    assert!(card.get("links").is_none());
    let demo = Settings { demo: true, ..Settings::default() };
    let marked: Value =
        serde_json::from_str(&run_by(&named("sign-maximum-below-schedule"), &NO_BOOK, &demo).unwrap().body).unwrap();
    valid("response", &marked);
    assert!(marked["cards"][0]["source"]["label"].as_str().unwrap().contains("invented data"));
    assert_eq!(marked["extension"][EXTENSION]["demo"], true);
    // A limit's own reasons, with codes from their words.
    let judged = run_by(&sign(|r| r["prefetch"]["allergies"] = found(&[json!({
        "resourceType": "AllergyIntolerance", "id": "a", "patient": {"reference": OURS},
        "clinicalStatus": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-clinical", "code": "active"}]},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": "782555009"}]}})])), &STARTER, &Settings::default()).unwrap();
    let answer: Value = serde_json::from_str(&judged.body).unwrap();
    valid("response", &answer);
    let own: Vec<&str> =
        answer["cards"][0]["overrideReasons"].as_array().unwrap().iter().map(|r| r["code"].as_str().unwrap()).collect();
    assert!(own.contains(&"specialist-plan-documented"), "{answer:#}");
    assert!(answer["cards"][0]["source"]["label"].as_str().unwrap().starts_with("Starter rulebook"));
}

#[test]
fn status_412_only_where_asked_for_and_nothing_was_evaluated() {
    let asks = Settings {
        hooks: Hooks { nothing_checked: NothingChecked::Status412, ..Default::default() },
        ..Settings::default()
    };
    for (name, refused) in [
        ("draft-of-another-patient", true),
        ("draft-completed", true),
        ("one-draft-of-another-patient", false),
        ("prefetch-absent", false),
        ("no-nutrition-order", false),
        ("diet-by-mouth", false),
        ("select-nothing", false),
    ] {
        let answered = run_by(&named(name), &NO_BOOK, &asks).unwrap();
        assert_eq!(answered.nothing_checked, refused, "{name}");
        let answer: Value = serde_json::from_str(&answered.body).unwrap();
        if refused {
            assert_eq!(answer["resourceType"], "OperationOutcome");
            assert!(!run_by(&named(name), &NO_BOOK, &Settings::default()).unwrap().nothing_checked);
        }
    }
}

#[test]
fn the_version_is_the_clients_unless_the_request_says() {
    let r5 = named("r5-order");
    let mut unsaid = r5.clone();
    without(&mut unsaid, "fhirVersion");
    let configured = Settings { hooks: Hooks { fhir: FhirVersion::R5, ..Default::default() }, ..Settings::default() };
    let cards = |r: &Value, s: &Settings| {
        let answer: Value = serde_json::from_str(&run_by(r, &NO_BOOK, s).unwrap().body).unwrap();
        words(&answer, "cards", "summary")
    };
    let said = cards(&r5, &Settings::default());
    assert_eq!(cards(&unsaid, &configured), said);
    assert_ne!(cards(&unsaid, &Settings::default()), said, "read as R4 it is another order");
    for name in ["R4", "4.0.1", "4.0"] {
        let mut r = named("sign-clear");
        r["fhirVersion"] = json!(name);
        assert_eq!(cards(&r, &configured), Vec::<String>::new());
    }
}

/// Both published shapes: CDS Hooks 2.0, and the override reason as in the drafts before it (as clients sent it:
/// cds-hooks/sandbox pull requests 135 and 139).
#[test]
fn feedback_is_read_in_both_shapes() {
    const OURS: &str = "3d54d2f7-f35e-5956-bed7-fc262606ec8a";
    let at = "2026-11-25T08:10:00Z";
    let accepted =
        json!({"card": OURS, "outcome": "accepted", "acceptedSuggestions": [{"id": OURS}], "outcomeTimestamp": at});
    let plain = json!({"card": OURS, "outcome": "overridden", "outcomeTimestamp": at});
    let reasoned = json!({"card": OURS, "outcome": "overridden", "outcomeTimestamp": at,
        "overrideReason": {"reason": {"code": "will-adjust", "system": OVERRIDE_SYSTEM}, "userComment": "CANARY"}});
    let older = json!({"card": OURS, "outcome": "overridden", "outcomeTimestamp": "2020-05-13T20:10:12.147Z",
        "overrideReason": {"code": "will-adjust", "system": OVERRIDE_SYSTEM}});
    let foreign =
        json!({"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "accepted", "outcomeTimestamp": at});
    for (body, counts) in [
        (json!({"feedback": [accepted]}), (1, 1, 0, 0, 0, 0)),
        (json!({"feedback": [plain]}), (0, 0, 1, 0, 0, 0)),
        (json!({"feedback": [reasoned]}), (0, 0, 1, 1, 1, 0)),
        (json!({"feedback": [older]}), (0, 0, 1, 1, 0, 0)),
        (older.clone(), (0, 0, 1, 1, 0, 0)),
        (json!({"feedback": [foreign]}), (1, 0, 0, 0, 0, 1)),
        (json!({"feedback": [accepted, plain, reasoned, older, foreign]}), (2, 1, 3, 2, 1, 1)),
    ] {
        if body != older && !body.to_string().contains("\"overrideReason\":{\"code\"") {
            valid("feedback", &body);
        }
        let f = feedback::read(body.to_string().as_bytes()).unwrap_or_else(|e| panic!("{e}: {body}"));
        let got = (f.accepted, f.with_suggestion, f.overridden, f.with_reason, f.with_comment, f.unknown);
        assert_eq!(got, counts, "{body}");
        assert!(!format!("{f:?}").contains("CANARY"));
    }
    let entry = |change: fn(&mut Value)| {
        let mut e = json!({"card": OURS, "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:10:00Z"});
        change(&mut e);
        json!({"feedback": [e]})
    };
    for (body, pointer) in [
        (json!({}), "/feedback"),
        (json!({"feedback": {}}), "/feedback"),
        (json!({"feedback": []}), "/feedback"),
        (json!({"feedback": [1]}), "/feedback/0"),
        (json!([]), ""),
        (entry(|e| without(e, "card")), "/feedback/0/card"),
        (entry(|e| e["card"] = json!(7)), "/feedback/0/card"),
        (entry(|e| without(e, "outcome")), "/feedback/0/outcome"),
        (entry(|e| e["outcome"] = json!("ignored")), "/feedback/0/outcome"),
        (entry(|e| without(e, "outcomeTimestamp")), "/feedback/0/outcomeTimestamp"),
        (entry(|e| e["outcomeTimestamp"] = json!("yesterday")), "/feedback/0/outcomeTimestamp"),
        (entry(|e| e["overrideReason"] = json!("no")), "/feedback/0/overrideReason"),
        (entry(|e| e["overrideReason"] = json!({"reason": {"system": "x"}})), "/feedback/0/overrideReason/reason/code"),
        (entry(|e| e["overrideReason"] = json!({"userComment": 1})), "/feedback/0/overrideReason/userComment"),
        (
            entry(|e| {
                e["outcome"] = json!("accepted");
                e["acceptedSuggestions"] = json!(["x"]);
            }),
            "/feedback/0/acceptedSuggestions/0",
        ),
    ] {
        let refused = feedback::read(body.to_string().as_bytes()).expect_err(&body.to_string());
        assert_eq!(refused.pointer.as_deref(), Some(pointer), "{refused}");
    }
}

/// The demo's orders, asked at a hook, come to what `$validate` says of them.
#[test]
fn a_hook_comes_to_the_same_as_every_other_answer() {
    for sample in SAMPLES {
        let context = Vec::new();
        for service in &SERVICES {
            let text = compose(service, Some(sample.version), (sample.name, sample.text.as_bytes()), &context).unwrap();
            valid("request", &serde_json::from_str(&text).unwrap());
            for book in [&*NO_BOOK, &*STARTER] {
                let settings = Settings::default();
                let by = Institution { formulary: &PRODUCTS, rulebook: book, settings: &settings };
                let hook = answer(text.as_bytes(), service, by).unwrap();
                let other = check_by(sample.text.as_bytes(), "", sample.version, by);
                assert_eq!(hook.disposition, other.disposition().code(), "{}", sample.name);
                let said: Value = serde_json::from_str(&hook.body).unwrap();
                let counts = &said["extension"][EXTENSION]["orders"][0]["rules"];
                assert_eq!(*counts, serde_json::to_value(counts_of(&other.orders[0])).unwrap(), "{}", sample.name);
            }
        }
    }
}

#[test]
fn services_have_ids_of_their_own() {
    let ids: BTreeSet<&str> = SERVICES.iter().map(|s: &Service| s.id).collect();
    assert_eq!(ids.len(), SERVICES.len());
    // The schema can say no: a summary of 140 characters, a response without cards, a suggestion without behaviour.
    let (answer, _) = run(&named("sign-maximum-below-schedule"));
    for change in [
        |a: &mut Value| a["cards"][0]["summary"] = json!("x".repeat(140)),
        |a: &mut Value| without(a, "cards"),
        |a: &mut Value| without(&mut a["cards"][0], "selectionBehavior"),
        |a: &mut Value| a["cards"][0]["indicator"] = json!("hard-stop"),
        |a: &mut Value| without(&mut a["cards"][0]["suggestions"][0]["actions"][0], "description"),
    ] {
        let mut broken = answer.clone();
        change(&mut broken);
        assert!(!schema("response").is_valid(&broken));
    }
}
