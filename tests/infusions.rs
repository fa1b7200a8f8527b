//! What is given by vein beside the feed, from requests for products of the formulary whose form is infusion: read, reckoned
//! over the day of the feed, and judged with it. People, orders and products are invented.

use enteral_gate::answer::outcome_json;
use enteral_gate::appraise::{Institution, check_by};
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::file::{self, Source};
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::{ContextKind, Settings};
use serde_json::{Value, json};
use starter::{BOOK, FORMULARY};
use std::sync::LazyLock;

mod starter;

const FACTS: [(&str, &str); 5] =
    [("volume", "mL/d"), ("energy", "kcal/d"), ("protein", "g/d"), ("carbohydrate", "g/d"), ("fat", "g/d")];
const IDS: [&str; 5] = ["LOC-01", ENERGY, "LOC-03", "LOC-04", "LOC-05"];
const ENERGY: &str = "LOC-02";

/// A limit for each fact that says what it is.
static TELLS: LazyLock<Rulebook> = LazyLock::new(|| {
    let limits: String = FACTS
        .iter()
        .zip(IDS)
        .map(|((fact, unit), id)| {
            format!(
                "[[limit]]\nid = \"{id}\"\nname = \"{fact}\"\ntitle = \"Invented\"\ntier = \"LOW\"\nmode = \"card\"\naudience = [\"nurse\"]\nsource = \"common practice, no source\"\nevidence = \"common-practice\"\nowner = \"x\"\nnote = \"x\"\nchanges = [\"x\"]\noverride-reasons = [\"x\"]\n[[limit.check]]\nflag = \"infusion_{fact} >= q('0 {unit}')\"\ntext = \"{{infusion_{fact}; {unit}; 2}}\"\n"
            )
        })
        .collect();
    let concept = "[[concept]]\nkind = \"medicine\"\nkey = \"propofol\"\ntitle = \"propofol\"\ncodes = [\"http://www.whocc.no/atc|N01AX10\"]\n";
    let text = format!("rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\n{concept}{limits}");
    file::read(&[Source { name: "invented.toml", text: &text }]).unwrap_or_else(|all| panic!("{all:?}"))
});

const ADULT: &str = "age = \"58 a\"\nsex = \"male\"\nweight = \"80 kg\"\nproduct = \"HP12\"\nrate = \"65 mL/h\"\n";

/// The Bundle of an adult's order, with requests beside it.
fn beside(requests: &[Value]) -> String {
    let text = short_form::compose(&toml::from_str(ADULT).unwrap(), &BOOK).unwrap();
    let mut bundle: Value = serde_json::from_str(&text).unwrap();
    let patient = bundle["entry"]
        .as_array()
        .unwrap()
        .iter()
        .find(|e| e["resource"]["resourceType"] == "NutritionOrder")
        .map(|e| e["resource"]["patient"].clone())
        .unwrap();
    for request in requests {
        let mut request = request.clone();
        request["subject"] = patient.clone();
        let url = format!("urn:uuid:7f0c9d1e-00ff-4000-8000-{:012}", bundle["entry"].as_array().unwrap().len());
        bundle["entry"].as_array_mut().unwrap().push(json!({"fullUrl": url, "resource": request}));
    }
    bundle.to_string()
}

fn quantity(value: impl Into<Value>, code: &str) -> Value {
    json!({"value": value.into(), "unit": code, "system": "http://unitsofmeasure.org", "code": code})
}

/// A request for a product by the given dosage.
fn request(product: &str, dosage: Value) -> Value {
    json!({"resourceType": "MedicationRequest", "id": "r", "status": "active", "intent": "order",
        "medicationCodeableConcept": {"text": product}, "dosageInstruction": [dosage]})
}

fn at_rate(product: &str, rate: Value) -> Value {
    request(product, json!({"doseAndRate": [{"rateQuantity": rate}]}))
}

fn judged(document: &str, version: FhirVersion, book: &Rulebook, declared: &[ContextKind], rule: &str) -> Outcome {
    let settings = Settings { declared: declared.iter().copied().collect(), ..Settings::default() };
    let by = Institution { formulary: &FORMULARY, rulebook: book, settings: &settings };
    let a = check_by(document.as_bytes(), "", version, by);
    let judged = a.orders[0].judged.iter().find(|j| j.rule.id == rule);
    judged.unwrap_or_else(|| panic!("{rule} is not judged")).outcome.clone()
}

/// What the limits say of volume, energy, protein, carbohydrate and fat; or why they say nothing of the energy.
fn told(requests: &[Value]) -> Result<[String; 5], String> {
    told_with(requests, &[])
}

fn told_with(requests: &[Value], declared: &[ContextKind]) -> Result<[String; 5], String> {
    let document = beside(requests);
    let of = |id: &str| match judged(&document, FhirVersion::R4, &TELLS, declared, id) {
        Outcome::Flagged(found) => Ok(found[0].text.clone()),
        other => Err(format!("{other:?}")),
    };
    let [volume, energy, protein, carbohydrate, fat] = IDS.map(of);
    Ok([volume?, energy?, protein?, carbohydrate?, fat?])
}

fn known(requests: &[Value]) -> [String; 5] {
    told(requests).unwrap()
}

/// Propofol in a 10 % fat emulsion: 1.1 kcal and 0.1 g of fat per mL (Pharmacy 2021;9:121), 12 mL/h are 316.8 kcal and 28.8 g a day.
#[test]
fn a_rate_alone_runs_around_the_clock() {
    let run = known(&[at_rate("PROP1", quantity(12, "mL/h"))]);
    assert_eq!(run, ["288 mL/d", "316.8 kcal/d", "0 g/d", "0 g/d", "28.8 g/d"]);
    let ratio =
        json!({"doseAndRate": [{"rateRatio": {"numerator": quantity(288, "mL"), "denominator": quantity(24, "h")}}]});
    assert_eq!(known(&[request("PROP1", ratio)]), run);
    // 0.15 mL/kg/h at 80 kg.
    assert_eq!(known(&[at_rate("PROP1", quantity(0.15, "mL/kg/h"))]), run);
    // By the code of the Medication that it refers to.
    let mut referring = at_rate("x", quantity(12, "mL/h"));
    referring.as_object_mut().unwrap().remove("medicationCodeableConcept");
    referring["medicationReference"] = json!({"reference": "#m"});
    referring["contained"] = json!([{"resourceType": "Medication", "id": "m", "code": {"coding": [
        {"system": "https://enteral-gate.example/fhir/CodeSystem/invented-products", "code": "PROP1"}]}}]);
    assert_eq!(known(&[referring]), run);
}

/// 1 L of PN1 is 904 kcal, 45 g of protein, 110 g of carbohydrate, 35 g of fat, as its row says.
#[test]
fn a_volume_with_a_schedule_counts_as_often_as_it_is_given() {
    let daily = json!({"repeat": {"frequency": 1, "period": 1, "periodUnit": "d"}});
    let once = request("PN1", json!({"timing": daily, "doseAndRate": [{"doseQuantity": quantity(1000, "mL")}]}));
    assert_eq!(known(std::slice::from_ref(&once)), ["1000 mL/d", "904 kcal/d", "45 g/d", "110 g/d", "35 g/d"]);
    // 12 of 24 hours at 50 mL/h: 600 mL.
    let nightly = json!({"repeat": {"frequency": 1, "period": 1, "periodUnit": "d", "duration": 12, "durationUnit": "h", "timeOfDay": ["20:00:00"]}});
    let half = request("PN1", json!({"timing": nightly, "doseAndRate": [{"rateQuantity": quantity(50, "mL/h")}]}));
    assert_eq!(known(&[half])[..2], ["600 mL/d", "542.4 kcal/d"]);
    // Several add up: 904 + 340 kcal, 110 + 100 g.
    let glucose = request("GLU10", json!({"timing": daily, "doseAndRate": [{"doseQuantity": quantity(1, "L")}]}));
    assert_eq!(known(&[once, glucose]), ["2000 mL/d", "1244 kcal/d", "45 g/d", "210 g/d", "35 g/d"]);
}

#[test]
fn what_may_or_may_not_be_given_is_a_range() {
    let as_needed = json!({"asNeededBoolean": true, "doseAndRate": [{"rateQuantity": quantity(12, "mL/h")}]});
    assert_eq!(known(&[request("PROP1", as_needed)])[1], "0 to 316.8 kcal/d");
    let always = json!({"asNeededBoolean": false, "doseAndRate": [{"rateQuantity": quantity(12, "mL/h")}]});
    assert_eq!(known(&[request("PROP1", always)])[1], "316.8 kcal/d");
}

/// What ended before the day that is judged brings nothing on it, and that is known.
#[test]
fn an_infusion_counts_on_the_days_on_which_it_runs() {
    let until = |end: &str| {
        let timing = json!({"repeat": {"boundsPeriod": {"start": "2026-11-20T08:00:00Z", "end": end}}});
        known(&[request("PROP1", json!({"timing": timing, "doseAndRate": [{"rateQuantity": quantity(12, "mL/h")}]}))])
    };
    assert_eq!(until("2026-11-22T08:00:00Z")[1], "0 kcal/d");
    assert_eq!(until("2026-12-20T08:00:00Z")[1], "316.8 kcal/d");
}

/// An infusion that does not run on the first day as on the others counts as on the others where it only begins; where it ends, or
/// is given on days of the week, it is from the least to the most of a day. 1 L of PN1 is 904 kcal.
#[test]
fn an_infusion_counts_as_on_the_days_to_come() {
    let dosed = |timing: Value, dose: Value| {
        known(&[request("PN1", json!({"timing": {"repeat": timing}, "doseAndRate": [dose]}))])[1].clone()
    };
    let bag = |ml: i32| json!({"doseQuantity": quantity(ml, "mL")});
    let evening = json!({"boundsPeriod": {"start": "2026-11-25T20:00:00Z"}, "frequency": 1, "period": 1, "periodUnit": "d",
        "timeOfDay": ["20:00:00"], "duration": 24, "durationUnit": "h"});
    assert_eq!(dosed(evening, bag(1000)), "904 kcal/d");
    let nightly = json!({"boundsPeriod": {"start": "2026-11-25T20:00:00Z"}, "frequency": 1, "period": 1, "periodUnit": "d",
        "timeOfDay": ["20:00:00"], "duration": 12, "durationUnit": "h"});
    assert_eq!(dosed(nightly, bag(1200)), "1084.8 kcal/d");
    let rate = |ml: i32| json!({"rateQuantity": quantity(ml, "mL/h")});
    assert_eq!(dosed(json!({"boundsPeriod": {"start": "2026-11-27T00:00:00Z"}}), rate(40)), "0 to 867.84 kcal/d");
    let weekly = json!({"dayOfWeek": ["mon", "fri"], "timeOfDay": ["20:00:00"], "duration": 3, "durationUnit": "h"});
    assert_eq!(dosed(weekly, bag(1500)), "0 to 1356 kcal/d");
    let ends = json!({"boundsPeriod": {"start": "2026-11-20T08:00:00Z", "end": "2026-11-28T08:00:00Z"}});
    assert!(dosed(ends, rate(60)).starts_with("0 to 1301.76"));
}

/// Parenteral nutrition twice a week beside a feed that is enough by itself: on those days it is too much, and what is missing on
/// the others is not hidden.
#[test]
fn what_is_too_much_or_too_little_on_some_of_the_days_is_said() {
    let weekly = |ml: i32| {
        let timing = json!({"repeat": {"dayOfWeek": ["mon", "fri"], "timeOfDay": ["20:00:00"], "duration": 3, "durationUnit": "h"}});
        request("PN1", json!({"timing": timing, "doseAndRate": [{"doseQuantity": quantity(ml, "mL")}]}))
    };
    // 1,872 kcal by tube and 1,808 by vein at 80 kg: 46 kcal/kg.
    let Outcome::Flagged(found) = judged(&beside(&[weekly(2000)]), FhirVersion::R4, &BOOK, &[], "PNX-01") else {
        panic!("{:?}", judged(&beside(&[weekly(2000)]), FhirVersion::R4, &BOOK, &[], "PNX-01"))
    };
    assert_eq!(found[0].tier, Tier::High);
    assert!(found[0].text.contains("That is so on some of the days."), "{}", found[0].text);
    let little = beside(&[weekly(2000)]).replace("\"value\":65}", "\"value\":20}");
    assert_ne!(little, beside(&[weekly(2000)]));
    let outcome = judged(&little, FhirVersion::R4, &BOOK, &[], "NUT-01");
    assert!(!matches!(outcome, Outcome::Clear | Outcome::NotApplicable(_)), "{outcome:?}");
}

/// What is recorded as given and not requested is not taken for nothing, nor solutions for a vein whose codes tell no amounts.
#[test]
fn what_is_only_recorded_as_given_leaves_the_sum_unknown() {
    let declared = [ContextKind::OtherFluids, ContextKind::Medicines];
    let recorded = |kind: &str, status: &str| {
        json!({"resourceType": kind, "id": "r", "status": status, "medicationCodeableConcept": {"text": "PN1"},
            "effectiveDateTime": "2026-11-25T07:00:00Z", "dosage": {"rateQuantity": quantity(60, "mL/h")}})
    };
    let statement = |status: &str| {
        let mut out = recorded("MedicationStatement", status);
        out["dosage"] = json!([{"doseAndRate": [{"rateQuantity": quantity(60, "mL/h")}]}]);
        out
    };
    for one in [recorded("MedicationAdministration", "in-progress"), statement("active")] {
        let said = told_with(std::slice::from_ref(&one), &declared).unwrap_err();
        assert!(said.starts_with("NotEvaluated(") && said.contains("recorded as given, and no request"), "{said}");
        // The request for it is what is reckoned.
        assert_eq!(told_with(&[one, at_rate("PN1", quantity(60, "mL/h"))], &declared).unwrap()[0], "1440 mL/d");
    }
    assert_eq!(told_with(&[statement("stopped")], &declared).unwrap()[1], "0 kcal/d");
    // Amino acids, glucose with salts, and clevidipine in fat (ATC, from memory).
    for code in ["B05BA01", "B05BB02", "C08CA16"] {
        let mut coded = antibiotic();
        coded["medicationCodeableConcept"]["coding"][0]["code"] = json!(code);
        let said = told_with(&[coded], &declared).unwrap_err();
        assert!(said.contains("neither in the formulary nor coded"), "{code}: {said}");
    }
    // The intravenous route by its SNOMED CT code (from memory).
    let route = json!({"route": {"coding": [{"system": "http://snomed.info/sct", "code": "47625008"}]}});
    let said = told_with(&[request("A mixture of the pharmacy", route)], &declared).unwrap_err();
    assert!(said.contains("neither in the formulary nor coded"), "{said}");
}

/// Nothing of this passes for a known amount, and the reason names what is in the way.
#[test]
fn what_cannot_be_read_is_unknown_with_its_reason() {
    let mut twice = at_rate("PN1", quantity(40, "mL/h"));
    twice["dosageInstruction"][0]["doseAndRate"] =
        json!([{"rateQuantity": quantity(40, "mL/h")}, {"rateQuantity": quantity(60, "mL/h")}]);
    let mut most = at_rate("PN1", quantity(40, "mL/h"));
    most["dosageInstruction"][0]["maxDosePerPeriod"] =
        json!({"numerator": quantity(500, "mL"), "denominator": quantity(1, "d")});
    let mut silent = at_rate("PN1", quantity(40, "mL/h"));
    silent.as_object_mut().unwrap().remove("dosageInstruction");
    let mut unclear = at_rate("PN1", quantity(40, "mL/h"));
    unclear["status"] = json!("unknown");
    let mut both_rates = at_rate("PN1", quantity(40, "mL/h"));
    both_rates["dosageInstruction"][0]["doseAndRate"][0]["rateRatio"] =
        json!({"numerator": quantity(60, "mL"), "denominator": quantity(1, "h")});
    let mut in_turn = at_rate("PN1", quantity(40, "mL/h"));
    let second = in_turn["dosageInstruction"][0].clone();
    in_turn["dosageInstruction"] = json!([second.clone(), second]);
    in_turn["dosageInstruction"][0]["sequence"] = json!(1);
    in_turn["dosageInstruction"][1]["sequence"] = json!(2);
    let range = |name: &str, unit: &str| {
        let both = json!({"low": quantity(40, unit), "high": quantity(60, unit)});
        request("PN1", json!({"doseAndRate": [{name: both}]}))
    };
    for (request, why) in [
        (twice, "given more than once"),
        (most, "a maximum dose per period is not reckoned with"),
        (silent, ""),
        (both_rates, "the rate is given in two ways"),
        (in_turn, "doses that follow each other"),
        (request("PN1", json!({"text": "as discussed"})), ""),
        (request("PN1", json!("as discussed")), "expected an object"),
        (unclear, "does not tell whether it is given now"),
        (range("rateRange", "mL/h"), "the rate is a range"),
        (range("doseRange", "mL"), "the dose is a range"),
        (at_rate("PROP1", quantity(2, "mg/kg/h")), ""),
        (at_rate("PN1", json!({"value": 40, "unit": "drops"})), ""),
        (at_rate("PN1", quantity(-40, "mL/h")), ""),
    ] {
        let said = told(std::slice::from_ref(&request)).unwrap_err();
        assert!(said.starts_with("NotEvaluated(") && said.contains(why), "{request}: {said}");
        // One that is not known leaves the sum unknown, or open above.
        let both = told(&[request.clone(), at_rate("PROP1", quantity(12, "mL/h"))]);
        assert!(both.as_ref().map_or(true, |sum| sum[1] == "at least 316.8 kcal/d"), "{request}: {both:?}");
    }
}

/// Cefuroxime by its ATC code (J01DC02, from memory).
fn antibiotic() -> Value {
    let mut request = at_rate("x", quantity(40, "mL/h"));
    request["medicationCodeableConcept"] =
        json!({"coding": [{"system": "http://www.whocc.no/atc", "code": "J01DC02"}]});
    request
}

/// What runs into a vein and could be anything leaves the sum unknown, though the sender declares its infusions.
#[test]
fn what_may_be_anything_is_not_taken_for_nothing() {
    let declared = [ContextKind::OtherFluids];
    assert_eq!(told_with(&[antibiotic()], &declared).unwrap()[1], "0 kcal/d");
    let routed = |route: &str| {
        let system = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration";
        request("A mixture of the pharmacy", json!({"route": {"coding": [{"system": system, "code": route}]}}))
    };
    let mut modified = antibiotic();
    modified["modifierExtension"] = json!([{"url": "https://hospital.example/not-known", "valueBoolean": true}]);
    for (one, why) in [
        (at_rate("A mixture of the pharmacy", quantity(40, "mL/h")), "neither in the formulary nor coded"),
        (routed("IV"), "neither in the formulary nor coded"),
        (modified, "no infusions were sent"),
    ] {
        let said = told_with(std::slice::from_ref(&one), &declared).unwrap_err();
        assert!(said.starts_with("NotEvaluated(") && said.contains(why), "{one}: {said}");
        // Beside one that is counted it leaves the sum unknown all the same.
        let beside = told_with(&[one, at_rate("PROP1", quantity(12, "mL/h"))], &declared);
        assert!(beside.is_err(), "{beside:?}");
    }
    assert_eq!(told_with(&[routed("PO")], &declared).unwrap()[1], "0 kcal/d");
}

/// Whatever is no standing request for an infusion of the formulary brings nothing and says nothing.
#[test]
fn what_is_not_given_or_not_listed_is_left_out() {
    let run = at_rate("PROP1", quantity(12, "mL/h"));
    let with = |name: &str, value: &str| {
        let mut other = at_rate("PN1", quantity(40, "mL/h"));
        other[name] = json!(value);
        other
    };
    for other in [
        with("status", "stopped"),
        with("status", "completed"),
        with("status", "on-hold"),
        with("intent", "proposal"),
        with("intent", "plan"),
        with("intent", "option"),
        // Its code tells that it is none.
        antibiotic(),
        // A tube feed is none.
        at_rate("A10", quantity(40, "mL/h")),
    ] {
        assert_eq!(known(&[other.clone(), run.clone()])[1], "316.8 kcal/d", "{other}");
        assert!(told(&[other]).unwrap_err().starts_with("NotProvided("));
    }
}

/// No infusion is nothing only where the sender says that it sends them.
#[test]
fn none_is_nothing_only_where_they_are_declared() {
    let tablet = request("Some tablet", json!({"text": "one a day"}));
    assert!(told(std::slice::from_ref(&tablet)).unwrap_err().starts_with("NotProvided("));
    assert!(told(&[]).unwrap_err().starts_with("NotProvided("));
    let declared = [ContextKind::OtherFluids];
    assert_eq!(told_with(&[tablet], &declared).unwrap()[1], "0 kcal/d");
    assert!(told_with(&[], &declared).unwrap_err().starts_with("NotEvaluated("));
}

/// A formulary without infusions cannot tell that there are none.
#[test]
fn a_formulary_without_infusions_tells_nothing() {
    let rows: String = include_str!("../deploy/demo/formulary.csv")
        .lines()
        .filter(|line| !line.contains(",infusion,"))
        .map(|line| format!("{line}\n"))
        .collect();
    let formulary = Formulary::from_csv("without.csv", rows.as_bytes()).unwrap();
    let settings = Settings { declared: [ContextKind::OtherFluids].into(), ..Settings::default() };
    let by = Institution { formulary: &formulary, rulebook: &TELLS, settings: &settings };
    let document = beside(&[at_rate("PN1", quantity(40, "mL/h"))]);
    let a = check_by(document.as_bytes(), "", FhirVersion::R4, by);
    let energy = a.orders[0].judged.iter().find(|j| j.rule.id == ENERGY).unwrap();
    let said = format!("{:?}", energy.outcome);
    assert!(said.starts_with("NotEvaluated(") && said.contains("the formulary lists no infusions"), "{said}");
}

/// R5 names the medicine by a CodeableReference, and as-needed otherwise; R4B is as R4.
#[test]
fn the_versions_say_the_same() {
    let r4 = beside(&[at_rate("PROP1", quantity(12, "mL/h"))]);
    let text = |document: &str, version| match judged(document, version, &TELLS, &[], ENERGY) {
        Outcome::Flagged(found) => found[0].text.clone(),
        other => panic!("{other:?}"),
    };
    assert_eq!(text(&r4, FhirVersion::R4), "316.8 kcal/d");
    assert_eq!(text(&r4, FhirVersion::R4B), "316.8 kcal/d");
    let r5 = |as_needed: bool| {
        let mut bundle: Value = serde_json::from_str(&r4).unwrap();
        for entry in bundle["entry"].as_array_mut().unwrap() {
            let resource = &mut entry["resource"];
            if resource["resourceType"] == "NutritionOrder" {
                resource["subject"] = resource["patient"].take();
                let formula = &mut resource["enteralFormula"];
                if let Some(route) = formula.as_object_mut().unwrap().remove("routeofAdministration") {
                    formula["routeOfAdministration"] = route;
                }
                for given in formula["administration"].as_array_mut().unwrap() {
                    if given["schedule"].is_object() {
                        given["schedule"] = json!({"timing": [given["schedule"].take()]});
                    }
                }
                resource.as_object_mut().unwrap().remove("patient");
            }
            if resource["resourceType"] == "MedicationRequest" {
                resource["medication"] = json!({"concept": resource["medicationCodeableConcept"].take()});
                resource.as_object_mut().unwrap().remove("medicationCodeableConcept");
                resource["dosageInstruction"][0]["asNeeded"] = json!(as_needed);
            }
        }
        bundle.to_string()
    };
    assert_eq!(text(&r5(false), FhirVersion::R5), "316.8 kcal/d");
    assert_eq!(text(&r5(true), FhirVersion::R5), "0 to 316.8 kcal/d");
}

/// More infusions than anybody has are not reckoned one by one, and not left out.
#[test]
fn of_very_many_none_is_reckoned() {
    let many = |n: usize| told(&vec![at_rate("PROP1", quantity(1, "mL/h")); n]);
    // 50 × 24 mL × 1.1 kcal.
    assert!(many(50).unwrap()[1].starts_with("1320 kcal/d"));
    let said = many(51).unwrap_err();
    assert!(said.starts_with("NotEvaluated(") && said.contains("more than 50 infusions"), "{said}");
}

/// A feeding order that names what is made for a vein is stopped, whatever its route says.
#[test]
fn an_infusion_in_a_feeding_order_is_stopped() {
    for given in [
        "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nproduct = \"PN1\"\nrate = \"60 mL/h\"",
        "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\nadditives = [{ product = \"GLU10\", amount = \"50 mL\" }]",
    ] {
        let document = short_form::compose(&toml::from_str(given).unwrap(), &BOOK).unwrap();
        let Outcome::Flagged(found) = judged(&document, FhirVersion::R4, &BOOK, &[], "RTE-06") else {
            panic!("{given}: not stopped")
        };
        assert_eq!(found[0].tier, Tier::Stop);
        assert!(
            found[0].text.contains("is made to be given by vein; this order feeds it by tube"),
            "{}",
            found[0].text
        );
        assert!(!found[0].at.is_empty());
    }
}

fn case(given: &str, rule: &str) -> Outcome {
    let document = short_form::compose(&toml::from_str(given).unwrap(), &BOOK).unwrap();
    judged(&document, FhirVersion::R4, &BOOK, &[], rule)
}

/// A worked case of intensive care: 1,560 mL of a feed of 1.2 kcal/mL are 1,872 kcal, 12 mL/h of propofol 316.8 kcal with 28.8 g of
/// fat, together 2,188.8 kcal or 27.4 kcal/kg. Mifflin and St Jeor (1990) give 1,627.5 kcal for a man of 58 years, 80 kg and 178 cm:
/// the feed alone is 115 %, and NUT-02 looks at it from 25 kcal/kg on; both together are 134 %.
#[test]
fn the_sum_is_said_with_both_parts_and_what_to_take_off() {
    let icu = format!(
        "{ADULT}height = \"178 cm\"\nsetting = \"icu\"\nstay = \"5 d\"\ninfusions = [{{ product = \"PROP1\", medicine = \"propofol\", rate = \"12 mL/h\" }}]"
    );
    let Outcome::Flagged(found) = case(&icu, "PNX-01") else { panic!("{:?}", case(&icu, "PNX-01")) };
    assert_eq!(found[0].tier, Tier::High);
    assert_eq!(
        found[0].text,
        "Feed brings 1872 kcal/d and infusions 317 kcal/d, together 134 % of the estimated expenditure (1628 kcal/d), over 130 %."
    );
    // 2,188.8 − 1.1 × 1,627.5 = 398.55 kcal: rounded up; at 1.2 kcal/mL 332.1 mL. Propofol is given for sedation.
    assert_eq!(
        found[0].fix.as_deref(),
        Some(
            "A sedative in fat is not cut for its energy: less feed, 333 mL/d of it, down to 1790 kcal/d together, with 28.2 g/d of protein by a module, or another sedative (local policy)."
        )
    );
    assert_eq!(case(&icu, "NUT-02"), Outcome::Clear);
    // What is counted is not called uncounted.
    assert_eq!(case(&icu, "PNX-02"), Outcome::Clear);
}

/// A second request for the same medicine that no product of the formulary stands for is not covered by the first.
#[test]
fn one_of_two_alike_that_is_not_counted_is_said() {
    let coded = |text: &str| {
        let mut request = at_rate(text, quantity(12, "mL/h"));
        let atc = json!([{"system": "http://www.whocc.no/atc", "code": "N01AX10"}]);
        request["medicationCodeableConcept"] = json!({"text": text, "coding": atc});
        request
    };
    let said = |requests: &[Value]| judged(&beside(requests), FhirVersion::R4, &BOOK, &[], "PNX-02");
    assert_eq!(said(&[coded("PROP1")]), Outcome::Clear);
    assert!(matches!(said(&[coded("PROP1"), coded("Propofol of another ward")]), Outcome::Flagged(_)));
    assert!(matches!(said(&[coded("Propofol of another ward")]), Outcome::Flagged(_)));
}

/// Energy, protein and water that infusions bring are not missed by the limits against too little.
#[test]
fn what_comes_by_vein_is_not_missed() {
    let little = "age = \"70 a\"\nsex = \"male\"\nweight = \"70 kg\"\nheight = \"175 cm\"\nsetting = \"ward\"\nproduct = \"A10\"\nrate = \"30 mL/h\"\n";
    for rule in ["NUT-01", "NUT-05", "WAT-01"] {
        assert!(matches!(case(little, rule), Outcome::Flagged(_)), "{rule}");
    }
    let with = format!("{little}infusions = [{{ product = \"PN1\", volume = \"1500 mL\" }}]");
    // 720 + 1,356 kcal are 29.7 kcal/kg; 28.8 + 67.5 g of protein 1.4 g/kg.
    assert_eq!(case(&with, "NUT-01"), Outcome::Clear);
    assert_eq!(case(&with, "NUT-05"), Outcome::Clear);
    let Outcome::Flagged(found) = case(&with, "WAT-01") else { panic!("{:?}", case(&with, "WAT-01")) };
    assert_eq!(found[0].tier, Tier::Low);
    assert!(found[0].text.contains("infusions bring 1500 mL/d more"), "{}", found[0].text);
    // Too little with it is still too little: 720 + 163 kcal.
    let few = format!("{little}infusions = [{{ product = \"GLU10\", rate = \"20 mL/h\" }}]");
    let Outcome::Flagged(found) = case(&few, "NUT-01") else { panic!("{:?}", case(&few, "NUT-01")) };
    assert!(found[0].text.contains("under 20 kcal/kg/d; infusions bring 163 kcal/d more."), "{}", found[0].text);
    let Outcome::Flagged(found) = case(little, "NUT-01") else { panic!("{:?}", case(little, "NUT-01")) };
    assert!(!found[0].text.contains("infusions"), "{}", found[0].text);
}

/// An infusion of the formulary is known for what it is, though its codes are the institution's own: it leaves no doubt whether it
/// is one of the medicines that limits look for.
#[test]
fn an_infusion_of_the_formulary_is_no_unknown_medicine() {
    let local = |system: &str, code: &str| {
        let mut request = at_rate("x", quantity(10, "mL/h"));
        request["medicationCodeableConcept"] = json!({"coding": [{"system": system, "code": code}]});
        judged(&beside(&[request]), FhirVersion::R4, &BOOK, &[], "DRG-01")
    };
    assert_eq!(local("https://enteral-gate.example/fhir/CodeSystem/invented-products", "PN1"), Outcome::Clear);
    assert!(matches!(local("https://hospital.example/medicines", "4711"), Outcome::NotEvaluated(..)));
    // A product for the tube is no medicine that is known.
    let product = local("https://enteral-gate.example/fhir/CodeSystem/invented-products", "A10");
    assert!(matches!(product, Outcome::NotEvaluated(..)));
}

/// Places and arithmetic lead to the request.
#[test]
fn the_finding_points_to_the_infusion() {
    let document = beside(&[at_rate("PN1", quantity(80, "mL/h"))]);
    let settings = Settings::default();
    let by = Institution { formulary: &FORMULARY, rulebook: &BOOK, settings: &settings };
    let a = check_by(document.as_bytes(), "", FhirVersion::R4, by);
    let outcome: Value = serde_json::from_str(&outcome_json(&a)).unwrap();
    let issue = outcome["issue"]
        .as_array()
        .unwrap()
        .iter()
        .find(|i| i["details"]["coding"][0]["code"] == "PNX-01")
        .unwrap_or_else(|| panic!("{outcome}"));
    let expressions = issue["expression"].to_string();
    let requests = |e: &str| e.contains("entry[3]") || e.contains("entry[4]") || e.contains("MedicationRequest");
    assert!(requests(&expressions), "{issue}");
}
