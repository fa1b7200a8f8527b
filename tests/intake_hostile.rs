//! Whatever well-formed JSON comes, reading gives an answer: no panic, every place named is a place, a
//! damaged part never turns into a known amount.

use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::{FhirVersion, Field, Rate};
use enteral_gate::intake::wire::{diagnose_version, read_order};
use enteral_gate::patient::{context, identity_key};
use enteral_gate::settings::Settings;
use proptest::prelude::*;
use serde_json::{Value, json};

/// An invented Bundle that uses every element that is read.
fn full() -> Value {
    json!({"resourceType": "Bundle", "type": "collection", "entry": [
        {"fullUrl": "https://a.example/fhir/NutritionOrder/o", "resource": {
            "resourceType": "NutritionOrder", "id": "o", "status": "active", "intent": "order",
            "contained": [{"resourceType": "NutritionProduct", "id": "n"}],
            "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25T08:00:00Z",
            "note": [{"text": "a note"}],
            "enteralFormula": {
                "extension": [{"url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush",
                    "extension": [{"url": "volume", "valueQuantity": {"value": 30, "code": "mL"}},
                                  {"url": "with-each-feed", "valueCode": "after"}]}],
                "baseFormulaType": {"coding": [{"system": "urn:oid:1", "code": "x"}]},
                "baseFormulaProductName": "Invented",
                "caloricDensity": {"value": 1.5, "code": "kcal/mL"},
                "administration": [
                    {"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25"}, "frequency": 6, "period": 1,
                        "periodUnit": "d", "timeOfDay": ["08:00:00"], "dayOfWeek": ["mon"]}},
                     "quantity": {"value": 240, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}},
                    {"rateRatio": {"numerator": {"value": 200, "code": "mL"}, "denominator": {"value": 4, "code": "h"}}}],
                "maxVolumeToDeliver": {"value": 1440, "code": "mL/d"}}}},
        {"fullUrl": "https://a.example/fhir/Patient/p", "resource":
            {"resourceType": "Patient", "id": "p", "birthDate": "1980", "gender": "female",
             "identifier": [{"system": "urn:oid:2", "value": "7"}]}},
        {"fullUrl": "urn:uuid:1", "resource": {"resourceType": "Observation", "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "29463-7"}]}, "subject": {"reference": "Patient/p"},
            "effectiveDateTime": "2026-11-24", "valueQuantity": {"value": 70, "code": "kg"}}},
        {"resource": {"resourceType": "Bundle", "type": "searchset", "total": 0,
            "link": [{"relation": "self", "url": "https://a.example/fhir/Condition?patient=p"}]}}
    ]})
}

/// Pointers of every value inside.
fn pointers(value: &Value, at: String, out: &mut Vec<String>) {
    match value {
        Value::Object(map) => map.iter().for_each(|(k, v)| pointers(v, format!("{at}/{k}"), out)),
        Value::Array(list) => list.iter().enumerate().for_each(|(n, v)| pointers(v, format!("{at}/{n}"), out)),
        _ => {}
    }
    out.push(at);
}

fn junk() -> impl Strategy<Value = Value> {
    prop_oneof![
        Just(Value::Null),
        Just(json!(true)),
        Just(json!("")),
        Just(json!("0")),
        Just(json!("Patient/p")),
        Just(json!("#")),
        Just(json!("2026-13-45T99:99:99+99:99")),
        Just(json!(-1)),
        Just(json!([])),
        Just(json!({})),
        Just(json!([[{}]])),
        Just(json!({"resourceType": "Bundle", "entry": [{"resource": {}}]})),
        Just(
            json!({"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]})
        ),
        Just(json!({"modifierExtension": [{"url": "x"}]})),
        "\\PC{0,12}".prop_map(Value::String),
    ]
}

fn read_all(text: &str) {
    let Ok(document) = Document::read(text.as_bytes(), &Limits::default()) else { return };
    let gathered = gather(&document);
    for version in FhirVersion::ALL {
        for node in &gathered.orders {
            let _ = diagnose_version(*node);
            let (order, problems) = read_order(*node, version, &gathered);
            let _ = identity_key(&gathered, &order);
            let (found, more) = context(&gathered, &order, &Settings::default());
            let _ = (found.age_days(), found.corrected_age(), found.postmenstrual_days());
            for problem in problems.iter().chain(&more).chain(&gathered.problems) {
                let node = document.node(problem.at);
                assert_eq!(node.at(), problem.at);
                assert!(!problem.text.is_empty() && !problem.text.contains('\n'), "{:?}", problem.text);
                let _ = node.path();
            }
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn a_damaged_document_is_still_answered(damage in prop::collection::vec((any::<prop::sample::Index>(), junk()), 1..4)) {
        let mut value = full();
        for (at, junk) in damage {
            let mut all = Vec::new();
            pointers(&value, String::new(), &mut all);
            if let Some(hit) = value.pointer_mut(at.get(&all).as_str()) {
                *hit = junk;
            }
        }
        read_all(&value.to_string());
    }

    /// Damage inside an administration: whatever is still read as present is what was written.
    #[test]
    fn a_damaged_administration_never_gains_a_value(at in any::<prop::sample::Index>(), junk in junk()) {
        let mut value = full();
        let entry = "/entry/0/resource/enteralFormula/administration/0/quantity";
        let mut all = Vec::new();
        pointers(value.pointer(entry).unwrap(), String::new(), &mut all);
        *value.pointer_mut(&format!("{entry}{}", at.get(&all))).unwrap() = junk;
        let text = value.to_string();
        let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
        let gathered = gather(&document);
        let (order, _) = read_order(gathered.orders[0], FhirVersion::R4, &gathered);
        let formula = order.formula.as_ref().unwrap();
        prop_assert_eq!(formula.administrations.len(), 2);
        if let Field::Present(quantity) = &formula.administrations[0].quantity
            && let Some(number) = quantity.value.value.value()
        {
            prop_assert!(["240", "-1"].contains(&number.to_string().as_str()));
        }
        prop_assert!(matches!(formula.administrations[1].rate.value(), Some(Rate::Ratio(_))), "the other entry is untouched");
    }
}

#[test]
fn every_single_removal_is_answered() {
    let mut all = Vec::new();
    pointers(&full(), String::new(), &mut all);
    for pointer in all {
        let mut value = full();
        let Some((holder, last)) = pointer.rsplit_once('/') else { continue };
        match value.pointer_mut(holder) {
            Some(Value::Object(map)) => {
                map.remove(last);
            }
            Some(Value::Array(list)) => {
                list.remove(last.parse().unwrap());
            }
            _ => continue,
        }
        read_all(&value.to_string());
    }
}

#[test]
fn depth_at_the_limit_is_read_and_one_beyond_is_refused() {
    let limits = Limits::default();
    // The order and its formula, and two levels for every extension.
    let nested = |innermost: &str| {
        let mut inner = innermost.to_owned();
        for _ in 0..(limits.depth - 2) / 2 {
            inner = format!(r#"{{"extension":[{inner}]}}"#);
        }
        format!(r#"{{"resourceType":"NutritionOrder","enteralFormula":{inner}}}"#)
    };
    let at_the_limit = nested("{}");
    assert!(Document::read(at_the_limit.as_bytes(), &limits).is_ok());
    read_all(&at_the_limit);
    let beyond = nested(r#"{"a":{}}"#);
    let refused = Document::read(beyond.as_bytes(), &limits).expect_err("one level more");
    assert!(refused.to_string().contains("64"), "{refused}");
}
