//! Whatever a document of the greatest size holds, the answer stays short, and what is left out is said.

use enteral_gate::answer::{junit, junit_case, outcome_json, parameters_json, text};
use enteral_gate::appraise::{Appraisal, Disposition, Institution, appraise_by};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::Received;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use enteral_gate::sheet::sheets;
use serde_json::{Value, json};
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);
static STARTER: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap());

/// Largest body that is taken, bytes.
const BODY: usize = 1 << 20;
/// Longest answer, bytes.
const ANSWER: usize = 8 << 20;

fn quantity(value: f64, unit: &str) -> Value {
    json!({"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit})
}

fn order(id: &str) -> Value {
    json!({
        "resourceType": "NutritionOrder", "id": id, "status": "active", "intent": "order",
        "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25T06:00:00Z", "orderer": {"display": "Dr Invented"},
        "enteralFormula": {
            "baseFormulaType": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/invented-products", "code": "A10"}]},
            "caloricDensity": quantity(1.0, "kcal/mL"),
            "routeofAdministration": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration", "code": "NGT"}]},
            "administration": [{"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z"}}}, "rateQuantity": quantity(70.0, "mL/h")}]
        }
    })
}

fn bundle(resources: impl IntoIterator<Item = Value>) -> Vec<u8> {
    let patient = json!({"resourceType": "Patient", "id": "p", "gender": "female", "birthDate": "1961-04-02"});
    let entries: Vec<Value> =
        std::iter::once(patient).chain(resources).map(|resource| json!({"resource": resource})).collect();
    serde_json::to_vec(&json!({"resourceType": "Bundle", "type": "collection", "entry": entries})).unwrap()
}

fn asked(bytes: &[u8]) -> Appraisal<'_> {
    let by = Institution { formulary: &FORMULARY, rulebook: &STARTER, settings: &SETTINGS };
    appraise_by(bytes, "", FhirVersion::R4, by)
}

/// Every form of the answer, and what is kept of the orders.
#[track_caller]
fn stays_short(what: &str, bytes: &[u8]) -> Disposition {
    assert!(bytes.len() <= BODY, "{what} is {} bytes", bytes.len());
    let a = asked(bytes);
    let outcome = outcome_json(&a);
    let parameters = parameters_json(&a);
    for json in [&outcome, &parameters] {
        serde_json::from_str::<Value>(json).unwrap_or_else(|e| panic!("{what}: {e}"));
    }
    let kept: Vec<usize> = Received::all(&a, a.orders.iter().filter(|o| o.computed))
        .iter()
        .map(|r| serde_json::to_vec(&*r.report).unwrap().len())
        .collect();
    let shown = serde_json::to_vec(&sheets(&a, &[])).unwrap().len();
    let lengths = [
        outcome.len(),
        parameters.len(),
        text(&a, true).len(),
        junit(&[junit_case("x", &a)]).len(),
        shown,
        kept.iter().copied().max().unwrap_or(0),
    ];
    println!("{what}: {} bytes in, {lengths:?} out, all reports {}", bytes.len(), kept.iter().sum::<usize>());
    assert!(lengths.iter().all(|length| *length <= ANSWER), "{what}: {lengths:?}");
    a.disposition()
}

fn foreign(n: usize) -> Vec<Value> {
    (0..n).map(|n| json!({"resourceType": "Device", "patient": {"reference": format!("Patient/q{n}")}})).collect()
}

#[test]
fn resources_of_others_inside_resources() {
    let orders = (0..10).map(|n| order(&format!("o{n}")));
    let holders = (0..13).map(|n| json!({"resourceType": "Basic", "id": format!("b{n}"), "contained": foreign(900)}));
    let bytes = bundle(orders.chain(holders));
    assert_ne!(stays_short("contained devices", &bytes), Disposition::Clear);
    let a = asked(&bytes);
    assert!(
        a.problems.iter().any(|p| p.grave && p.text.contains("more than 1000 entries and contained resources")),
        "{:?}",
        a.problems
    );
    let foreign: Vec<Value> = foreign(900);
    assert_ne!(
        stays_short("devices", &bundle((0..10).map(|n| order(&format!("o{n}"))).chain(foreign))),
        Disposition::Clear
    );
}

#[test]
fn elements_that_are_not_known() {
    let mut one = order("o");
    for n in 0..12_000 {
        one[format!("x{n}")] = json!(1);
    }
    assert_ne!(stays_short("unknown elements", &bundle([one])), Disposition::Clear);
    let long = "y".repeat(9_000);
    let mut named = order("o");
    for n in 0..100 {
        named[format!("{long}{n}")] = json!({"a": 1});
    }
    assert_ne!(stays_short("long names", &bundle([named])), Disposition::Clear);
    let extensions: Vec<Value> =
        (0..900).map(|n| json!({"url": format!("https://a.example/{n}"), "valueString": "x"})).collect();
    let with = |n: usize| {
        let mut one = order(&format!("o{n}"));
        one["extension"] = json!(extensions[..200]);
        one
    };
    stays_short("unknown extensions", &bundle((0..20).map(with)));
}

#[test]
fn long_names_in_many_places() {
    let long = "n".repeat(9_000);
    let mut one = order("o");
    one["enteralFormula"]["baseFormulaProductName"] = json!(long);
    one["enteralFormula"]["administration"] = json!([{"schedule": {"repeat": {"frequency": 1, "period": 1, "periodUnit": "min"}}, "quantity": quantity(1.0, "mL")}]);
    stays_short("a long name of a product", &bundle([one]));
    stays_short("long ids", &bundle((0..12).map(|n| order(&format!("{}{n}", "i".repeat(9_000))))));
}

#[test]
fn many_days_of_many_orders() {
    let stepped = |n: usize| {
        let mut one = order(&format!("o{n}"));
        one["enteralFormula"]["administration"] = (0..10)
            .map(|step| {
                let (start, end) = (format!("2026-11-{:02}T08:00:00Z", 20 + step), format!("2026-11-{:02}T08:00:00Z", 21 + step));
                json!({"schedule": {"repeat": {"boundsPeriod": {"start": start, "end": end}, "frequency": 1, "period": 5, "periodUnit": "min"}}, "quantity": quantity(5.0, "mL")})
            })
            .collect();
        one
    };
    let bytes = bundle((0..10).map(stepped));
    assert_ne!(stays_short("days", &bytes), Disposition::Clear);
    let answer: Value = serde_json::from_str(&parameters_json(&asked(&bytes))).unwrap();
    let told = |order: &Value| {
        order["part"]
            .as_array()
            .unwrap()
            .iter()
            .any(|p| p["name"] == "days-left-out" || p["name"] == "steady-day-left-out")
    };
    let mut orders = answer["parameter"].as_array().unwrap().iter().filter(|p| p["name"] == "order");
    assert!(orders.any(told), "what is left out is said");
}

#[test]
fn what_is_left_out_is_counted_and_keeps_the_order_from_being_clear() {
    let mut one = order("o");
    one["note"] = (0..900).map(|n| json!({"text": format!("Hold at {n}")})).collect();
    let bytes = bundle([one]);
    let a = asked(&bytes);
    let order = &a.orders[0];
    let found: Vec<_> = order
        .judged
        .iter()
        .filter_map(|j| {
            if let enteral_gate::findings::Outcome::Flagged(f) = &j.outcome {
                Some((j.rule.id.to_string(), f))
            } else {
                None
            }
        })
        .flat_map(|(rule, list)| list.iter().map(move |f| (rule.clone(), f)))
        .collect();
    assert_eq!(found.len(), 201);
    let told = found.iter().find(|(_, f)| f.code == Some("too-costly")).expect("what is left out");
    assert_eq!((told.0.as_str(), told.1.tier.code()), ("INT-01", "HIGH"));
    assert!(told.1.text.contains("more findings than are told"), "{}", told.1.text);
    // The gravest stay.
    assert!(found.iter().any(|(rule, _)| rule == "CMP-02"), "the missing weight");
}
