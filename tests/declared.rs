//! A kind of context that the sender declares and does not send leaves the order not fully checked, by name; an
//! explicitly empty answer is data; what is not declared is told in one line and changes nothing.

use enteral_gate::answer::outcome_json;
use enteral_gate::appraise::{Disposition, appraise};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::{ContextKind, Settings};

const TODDLER: &str = include_str!("../deploy/demo/orders/demo-1-toddler.json");

fn answer(text: &str, declared: &[ContextKind]) -> (Disposition, String) {
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings { declared: declared.iter().copied().collect(), ..Settings::default() };
    let a = appraise(text.as_bytes(), "", FhirVersion::R4, &formulary, &settings);
    (a.disposition(), outcome_json(&a))
}

#[test]
fn nothing_declared_changes_nothing() {
    let (disposition, outcome) = answer(TODDLER, &[]);
    assert_eq!(disposition, Disposition::Clear);
    assert!(outcome.contains("this sender does not provide"));
}

#[test]
fn every_declared_kind_that_is_not_there_is_named() {
    for (kind, name) in ContextKind::ALL {
        let (disposition, outcome) = answer(TODDLER, &[kind]);
        assert_eq!(disposition, Disposition::NotFullyChecked, "{name}");
        assert!(outcome.contains(&format!("declares to send {name}")), "{name}");
        assert!(outcome.contains("INT-09"), "{name}");
    }
}

#[test]
fn an_empty_answer_is_data() {
    let mut bundle: serde_json::Value = serde_json::from_str(TODDLER).unwrap();
    bundle["entry"].as_array_mut().unwrap().push(serde_json::json!({
        "resource": {"resourceType": "Bundle", "type": "searchset", "total": 0,
            "link": [{"relation": "self", "url": "https://ehr.example/fhir/AllergyIntolerance?patient=Patient/demo-1"}]}
    }));
    let (disposition, outcome) = answer(&bundle.to_string(), &[ContextKind::Allergies]);
    assert_eq!(disposition, Disposition::Clear, "{outcome}");
}

/// The toddler's order with one more entry.
fn with(resource: serde_json::Value) -> String {
    let mut bundle: serde_json::Value = serde_json::from_str(TODDLER).unwrap();
    bundle["entry"].as_array_mut().unwrap().push(serde_json::json!({ "resource": resource }));
    bundle.to_string()
}

fn allergy(status: &str, code: &str) -> String {
    with(serde_json::json!({
        "resourceType": "AllergyIntolerance",
        "patient": {"reference": "Patient/demo-1"},
        "verificationStatus": {"coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/allergyintolerance-verification", "code": status}]},
        "code": {"coding": [{"system": "http://snomed.info/sct", "code": code}]},
    }))
}

#[test]
fn no_known_allergy_is_data_and_an_allergy_entered_in_error_is_not() {
    // 716186003: no known allergy; 3718001: allergy to cow's milk (SNOMED CT, from memory).
    for (status, code, data) in [
        ("confirmed", "716186003", true),
        ("confirmed", "3718001", true),
        ("entered-in-error", "3718001", false),
        ("entered-in-error", "716186003", false),
    ] {
        let (disposition, outcome) = answer(&allergy(status, code), &[ContextKind::Allergies]);
        let named = outcome.contains("declares to send allergies");
        assert_eq!(named, !data, "{status} {code}: {outcome}");
        assert_eq!(disposition == Disposition::NotFullyChecked, !data, "{status} {code}");
    }
}

#[test]
fn kinds_that_are_not_read_are_not_called_absent() {
    let (_, outcome) = answer(TODDLER, &[ContextKind::History, ContextKind::OtherFluids, ContextKind::Labs]);
    // Infusions are among the medicines, of which nothing was sent.
    assert!(outcome.contains("declares to send labs, other-fluids, and nothing usable of it is there"), "{outcome}");
    assert!(outcome.contains("declares to send history, which the program does not read, sent or not"), "{outcome}");
}
