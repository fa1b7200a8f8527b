//! What an order gives, told from all that it names: the product that most is given of, additives without an amount, products sent
//! with other figures. People and orders are invented.

use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::short_form;
use enteral_gate::settings::Settings;
use serde_json::{Value, json};
use starter::{BOOK, FORMULARY};

mod starter;

/// The Bundle of an order in short form, with its formula changed.
fn bundle(given: &str, change: impl FnOnce(&mut Value)) -> Value {
    let text = short_form::compose(&toml::from_str(given).unwrap(), &BOOK).unwrap();
    let mut bundle: Value = serde_json::from_str(&text).unwrap();
    let entries = bundle["entry"].as_array_mut().unwrap();
    let order = entries.iter_mut().find(|e| e["resource"]["resourceType"] == "NutritionOrder").unwrap();
    change(&mut order["resource"]["enteralFormula"]);
    bundle
}

fn judged(bundle: &Value, version: FhirVersion, rule: &str) -> Outcome {
    let settings = Settings::default();
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let document = bundle.to_string();
    let a = check_by(document.as_bytes(), "", version, by);
    a.orders[0].judged.iter().find(|j| j.rule.id == rule).unwrap_or_else(|| panic!("{rule}")).outcome.clone()
}

const INFANT: &str = "age = \"3 mo\"\nsex = \"female\"\nweight = \"6 kg\"\ngestation = \"40 wk\"\nproduct = \"INF\"\nvolume = \"130 mL\"\nevery = \"4 h\"\n";
const ADULT: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nproduct = \"A10\"\nrate = \"70 mL/h\"\n";

/// R4 has no amount for an additive: what it is is known all the same.
#[test]
fn an_additive_without_an_amount_is_what_it_is() {
    let with = |given: &str, product: &str| bundle(given, |formula| formula["additiveType"] = json!({"text": product}));
    assert!(matches!(judged(&with(INFANT, "THICK"), FhirVersion::R4, "TUB-06"), Outcome::Flagged(_)));
    assert!(matches!(judged(&with(ADULT, "DYE"), FhirVersion::R4, "TUB-10"), Outcome::Flagged(_)));
    // It is known to be neither.
    let packet = with(ADULT, "PROT");
    assert_eq!(judged(&packet, FhirVersion::R4, "TUB-10"), Outcome::Clear);
    let other = judged(&with(ADULT, "drops of the ward"), FhirVersion::R4, "TUB-10");
    assert!(matches!(other, Outcome::NotEvaluated(..)), "{other:?}");
}

/// One feed of a formula and six of cow's milk: the milk counts.
#[test]
fn the_product_that_most_is_given_of_counts() {
    let feeds = |of_milk: i32| {
        bundle(INFANT, |formula| {
            let one = |product: &str, times: i32, hour: i32| {
                json!({"extension": [{"url": "https://enteral-gate.example/fhir/StructureDefinition/administration-product",
                        "valueCodeableConcept": {"text": product}}],
                    "schedule": {"repeat": {"frequency": times, "period": 1, "periodUnit": "d",
                        "boundsPeriod": {"start": format!("2026-11-25T{hour:02}:00:00Z")}}},
                    "quantity": {"value": 100, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}})
            };
            formula["administration"] = json!([one("INF", 7 - of_milk, 8), one("COWM", of_milk, 9)]);
        })
    };
    for (of_milk, found) in [(6, true), (1, false)] {
        let outcome = judged(&feeds(of_milk), FhirVersion::R4, "AGE-06");
        assert_eq!(matches!(outcome, Outcome::Flagged(_)), found, "{of_milk}: {outcome:?}");
    }
}

/// A product that is sent under a key of the formulary with other figures: the formulary's count, and the difference is told.
#[test]
fn figures_of_a_sent_product_that_differ_are_told() {
    let amount = |value: f64, unit: &str| {
        json!([{"numerator": {"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit},
            "denominator": {"value": 100, "unit": "mL", "system": "http://unitsofmeasure.org", "code": "mL"}}])
    };
    let of = |code: &str| json!({"concept": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/nutrient", "code": code}]}});
    let sent = |kcal: f64| {
        let mut bundle = bundle(ADULT, |formula| {
            formula.as_object_mut().unwrap().remove("baseFormulaProductName");
            formula["baseFormulaType"] = json!({"reference": {"reference": "NutritionProduct/sent"}});
            let route = formula.as_object_mut().unwrap().remove("routeofAdministration").unwrap();
            formula["routeOfAdministration"] = route;
            let schedule = formula["administration"][0]["schedule"].clone();
            formula["administration"][0]["schedule"] = json!({"timing": [schedule]});
        });
        for entry in bundle["entry"].as_array_mut().unwrap() {
            if let Some(patient) = entry["resource"].as_object_mut().and_then(|order| order.remove("patient")) {
                entry["resource"]["subject"] = patient;
            }
        }
        let product = json!({"resourceType": "NutritionProduct", "id": "sent", "status": "active",
            "code": {"text": "A10"}, "nutrient": [{"item": of("energy"), "amount": amount(kcal, "kcal")}]});
        let url = "https://enteral-gate.example/fhir/NutritionProduct/sent";
        bundle["entry"].as_array_mut().unwrap().push(json!({"fullUrl": url, "resource": product}));
        judged(&bundle, FhirVersion::R5, "INT-04")
    };
    assert_eq!(sent(100.0), Outcome::Clear);
    let Outcome::Flagged(found) = sent(150.0) else { panic!("{:?}", sent(150.0)) };
    assert_eq!(found[0].tier, Tier::Med);
    assert!(found[0].text.contains("energy 1 kcal/mL in the formulary, 1.5 kcal/mL as sent"), "{}", found[0].text);
}

/// Whether a patient has been in hospital for over a week does not matter to an energy that is enough anyway.
#[test]
fn what_is_within_its_bound_is_so_whatever_its_condition() {
    let of = |rate: &str| {
        let given =
            ADULT.replace("70 mL/h", rate) + "height = \"170 cm\"\nsetting = \"ward\"\ndeclares = [\"history\"]\n";
        let document = short_form::compose(&toml::from_str(&given).unwrap(), &BOOK).unwrap();
        let settings =
            Settings { declared: [enteral_gate::settings::ContextKind::History].into(), ..Settings::default() };
        let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
        let a = check_by(document.as_bytes(), "", FhirVersion::R4, by);
        a.orders[0].judged.iter().find(|j| j.rule.id == "NUT-01").unwrap().outcome.clone()
    };
    assert_eq!(of("70 mL/h"), Outcome::Clear);
    // 13.7 kcal/kg: MED at least, and whether it is HIGH is not known.
    let Outcome::Flagged(found) = of("40 mL/h") else { panic!("{:?}", of("40 mL/h")) };
    assert!(found[0].text.contains("Whether it is HIGH could not be judged"), "{}", found[0].text);
}
