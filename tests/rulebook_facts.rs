//! The facts offered to limits: the published list, and each fact known, missing or too old from small FHIR
//! documents. Everything here is invented.

use enteral_gate::amount::Amount;
use enteral_gate::appraise::appraise;
use enteral_gate::exact::Exact;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::bundle::gather;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::wire::read_order;
use enteral_gate::patient::{context, laboratory};
use enteral_gate::rulebook::case::{CaseFacts, Materials};
use enteral_gate::rulebook::expression::Expression;
use enteral_gate::rulebook::facts::{FACTS, find, rests_on_weight};
use enteral_gate::rulebook::value::{Facts, Keys, Missing, Need, Truth, Type, Value};
use enteral_gate::rulebook::{Concept, ConceptKind, Rulebook, Staleness};
use enteral_gate::settings::{ContextKind, Settings};
use enteral_gate::units::Unit;
use serde_json::{Value as Json, json};
use std::fmt::Write;
use std::path::PathBuf;

const SNOMED: &str = "http://snomed.info/sct";
const ICD: &str = "http://hl7.org/fhir/sid/icd-10";

#[allow(clippy::field_reassign_with_default, reason = "a book has parts of its own")]
fn book() -> Rulebook {
    let concept = |kind, key: &str, codes: &[(&str, &str)]| Concept {
        places: Vec::new(),
        kind,
        key: key.to_owned(),
        title: key.to_owned(),
        codes: codes.iter().map(|(s, c)| ((*s).to_owned(), (*c).to_owned())).collect(),
    };
    let mut book = Rulebook::default();
    book.concepts = vec![
        concept(ConceptKind::Condition, "chronic-kidney-disease", &[(SNOMED, "709044004"), (ICD, "N18")]),
        concept(ConceptKind::Condition, "heart-failure", &[(SNOMED, "84114007")]),
        concept(ConceptKind::Allergy, "cow-milk-protein", &[(SNOMED, "782555009")]),
        concept(ConceptKind::Medicine, "potassium-raising", &[("http://www.whocc.no/atc", "C03D")]),
        concept(ConceptKind::Setting, "icu", &[("https://a.example/units", "ICU")]),
    ];
    book.staleness = vec![Staleness {
        fact: "serum_potassium".to_owned(),
        seconds: Exact::int(3 * 86_400),
        written: String::new(),
        place: String::new(),
    }];
    book
}

fn holds(_: &Expression, _: &dyn Facts) -> Truth {
    Truth::True
}

/// The value of a fact in a Bundle, with the places of what is missing as paths.
fn value(bundle: &Json, name: &str) -> Value {
    value_with(bundle, name, &book())
}

fn value_with(bundle: &Json, name: &str, book: &Rulebook) -> Value {
    asked(bundle, name, book).0
}

/// The value of a fact, and where it stands: the id of each resource, and the name of the element.
fn asked(bundle: &Json, name: &str, book: &Rulebook) -> (Value, Vec<(String, String)>) {
    let text = bundle.to_string();
    let bytes = std::fs::read(PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(FORMULARY)).unwrap();
    let formulary = Formulary::from_csv("formulary.csv", &bytes).unwrap();
    let settings = Settings::default();
    let done = appraise(text.as_bytes(), "", FhirVersion::R4, &formulary, &settings);
    let report = done.orders.first().unwrap_or_else(|| panic!("{text}"));
    let document = Document::read(text.as_bytes(), &Limits::default()).unwrap();
    let gathered = gather(&document);
    let (order, _) = read_order(gathered.orders[0], FhirVersion::R4, &gathered);
    let (context, _) = context(&gathered, &order, &settings);
    let facts = CaseFacts::new(Materials {
        order: &order,
        plan: &report.plan,
        days: &report.days,
        further: &[],
        steady: report.steady.as_ref().ok(),
        together: [&[], &[]],
        context: &context,
        gathered: &gathered,
        formulary: &formulary,
        sent: &done.sent,
        settings: &settings,
        book,
        tests: &laboratory::TESTS,
        holds: &holds,
    });
    let ix = find(name).unwrap_or_else(|| panic!("{name} is no fact"));
    let value = facts.value(ix);
    assert_eq!(value, facts.value(ix), "{name}: asked twice");
    let places = facts.places(ix).into_iter().map(|at| {
        let node = document.node(at);
        let _ = node.path();
        let mut resource = node;
        while resource.get("resourceType").is_none() {
            resource = resource.parent().unwrap_or_else(|| panic!("{name}: {} lies in no resource", node.path()));
        }
        let id = resource.get("id").and_then(|id| id.as_str().map(|id| id.to_string())).unwrap_or_default();
        (id, node.key().map(|key| key.to_string()).unwrap_or_default())
    });
    let places = places.collect();
    (value, places)
}

const FORMULARY: &str = "deploy/demo/formulary.csv";

/// A quantity in a unit.
fn shown(bundle: &Json, name: &str, unit: &str) -> String {
    let factor = if unit == "a" { Exact::int(31_557_600) } else { Unit::parse(unit).unwrap().factor };
    match value(bundle, name) {
        Value::Quantity(Amount::Known(x)) => x.div(factor).unwrap().short(2),
        Value::Quantity(Amount::Range(span)) => format!(
            "{} to {}",
            span.low.div(factor).unwrap().short(2),
            span.high.map_or_else(|| "more".to_owned(), |h| h.div(factor).unwrap().short(2))
        ),
        other => panic!("{name}: {other:?}"),
    }
}

fn word(bundle: &Json, name: &str) -> String {
    match value(bundle, name) {
        Value::Word(word) => word,
        other => panic!("{name}: {other:?}"),
    }
}

fn keys(bundle: &Json, name: &str) -> Keys {
    match value(bundle, name) {
        Value::Keys(keys) => keys,
        other => panic!("{name}: {other:?}"),
    }
}

fn missing(bundle: &Json, name: &str) -> Vec<Missing> {
    match value(bundle, name) {
        Value::Missing(missing) => missing,
        other => panic!("{name}: {other:?}"),
    }
}

fn why(bundle: &Json, name: &str) -> String {
    missing(bundle, name).iter().map(|m| m.why.to_string()).collect::<Vec<_>>().join("; ")
}

fn patient(born: &str) -> Json {
    json!({"resourceType": "Patient", "id": "p", "birthDate": born, "gender": "female"})
}

fn quantity(value: f64, unit: &str) -> Json {
    json!({"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit})
}

fn observation(id: &str, code: &str, when: &str, value: f64, unit: &str) -> Json {
    json!({"resourceType": "Observation", "id": id, "status": "final", "subject": {"reference": "Patient/p"},
        "category": [{"coding": [{"code": "laboratory"}]}],
        "code": {"coding": [{"system": "http://loinc.org", "code": code}]},
        "effectiveDateTime": when, "valueQuantity": quantity(value, unit)})
}

fn order() -> Json {
    json!({"resourceType": "NutritionOrder", "id": "o", "status": "active", "intent": "order",
    "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25T08:00:00Z",
    "enteralFormula": {
        "baseFormulaProductName": "A10",
        "routeofAdministration": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration", "code": "NGT"}]},
        "caloricDensity": quantity(1.0, "kcal/mL"),
        "administration": [{"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z"}}}, "rateQuantity": quantity(60.0, "mL/h")}]
    }})
}

fn stepped() -> Json {
    let mut order = order();
    let step = |start: &str, rate: f64| json!({"schedule": {"repeat": {"boundsPeriod": {"start": start}}}, "rateQuantity": quantity(rate, "mL/h")});
    order["enteralFormula"]["administration"] = json!([
        step("2026-11-25T08:00:00Z", 20.0),
        step("2026-11-25T16:00:00Z", 40.0),
        step("2026-11-25T20:00:00Z", 70.0)
    ]);
    order
}

fn bundle(resources: &[Json]) -> Json {
    let entries: Vec<Json> = resources.iter().map(|r| json!({"resource": r})).collect();
    json!({"resourceType": "Bundle", "type": "collection", "entry": entries})
}

fn of(more: &[Json]) -> Json {
    let mut all = vec![order(), patient("1956-11-25"), observation("w", "29463-7", "2026-11-24T08:00:00Z", 70.0, "kg")];
    all.extend_from_slice(more);
    bundle(&all)
}

#[test]
fn person() {
    let b = of(&[
        observation("h", "8302-2", "2026-11-24T08:00:00Z", 160.0, "cm"),
        observation("w0", "29463-7", "2026-11-14T08:00:00Z", 72.0, "kg"),
    ]);
    assert_eq!(shown(&b, "age", "a"), "70");
    assert_eq!(shown(&b, "corrected_age", "a"), "70");
    assert_eq!(word(&b, "sex"), "female");
    assert_eq!(shown(&b, "weight", "kg"), "70");
    assert_eq!(shown(&b, "weight_age", "d"), "1");
    assert_eq!(shown(&b, "last_weight", "kg"), "72");
    assert_eq!(shown(&b, "last_weight_age", "d"), "10");
    assert_eq!(shown(&b, "height", "cm"), "160");
    assert_eq!(shown(&b, "bmi", "kg/m2"), "27.34");
    // Mifflin: 10 × 70 + 6.25 × 160 − 5 × 70 − 161.
    assert_eq!(shown(&b, "resting_energy", "kcal/d").split('.').next(), Some("1189"));
    assert!(why(&b, "weight_z").contains("5 years"), "{}", why(&b, "weight_z"));
    let nobody = bundle(&[order(), json!({"resourceType": "Patient", "id": "p"})]);
    assert_eq!(why(&nobody, "age"), "no birth date was sent");
    assert_eq!(why(&nobody, "sex"), "no gender was sent");
    assert_eq!(why(&nobody, "weight"), "no weight was sent");
    assert_eq!(missing(&nobody, "energy_per_kg")[0].fact, find("weight").unwrap());
    assert_eq!(why(&nobody, "last_weight"), "no weight was sent");
    let by_fact: Vec<_> = missing(&nobody, "resting_energy").iter().map(|m| FACTS[m.fact].name).collect();
    assert_eq!(by_fact, ["age"]);
    assert_eq!(why(&of(&[]), "bmi"), "no height was sent");
}

#[test]
fn a_birthday_is_a_whole_year() {
    for (born, years) in [("2008-11-25", "18"), ("2025-11-25", "1")] {
        let b = bundle(&[order(), patient(born)]);
        assert_eq!(shown(&b, "age", "a"), years);
    }
    let b = bundle(&[order(), patient("2008-11-26")]);
    assert_eq!(shown(&b, "age", "d"), "6544.06");
    assert_eq!(shown(&bundle(&[order(), patient("2026-11-13")]), "age", "d"), "12");
}

#[test]
fn an_infant_of_unknown_gestation_has_a_range_of_corrected_age() {
    let b = bundle(&[order(), patient("2026-08-01")]);
    assert_eq!(shown(&b, "corrected_age", "d"), "-24 to 116");
    // 116 days after a birth at 20 to 45 weeks.
    assert_eq!(shown(&b, "postmenstrual_age", "d"), "256 to 431");
    assert_eq!(why(&b, "gestation"), "no gestational age at birth was sent");
    let known =
        bundle(&[order(), patient("2026-08-01"), observation("g", "11884-4", "2026-08-01T08:00:00Z", 29.0, "wk")]);
    assert_eq!(shown(&known, "corrected_age", "d"), "39");
    assert_eq!(shown(&known, "gestation", "wk"), "29");
    assert_eq!(shown(&known, "postmenstrual_age", "d"), "319");
}

#[test]
fn the_order_and_its_days() {
    let b = of(&[]);
    assert_eq!(word(&b, "route"), "gastric");
    assert_eq!(word(&b, "method"), "continuous");
    assert_eq!(shown(&b, "volume", "mL/d"), "1440");
    assert_eq!(shown(&b, "energy_per_kg", "kcal/kg/d"), "20.57");
    assert_eq!(shown(&b, "highest_rate", "mL/h"), "60");
    assert_eq!(shown(&b, "first_rate", "mL/h"), "60");
    assert_eq!(shown(&b, "energy_stated", "kcal/mL"), "1");
    assert_eq!(shown(&b, "steps", "1"), "1");
    assert_eq!(shown(&b, "largest_step", "mL/h"), "0");
    assert_eq!(shown(&b, "single_flush", "mL"), "0");
    assert_eq!(value(&b, "has_flush"), Value::Truth(Truth::False));
    assert_eq!(value(&b, "at_goal_at_once"), Value::Truth(Truth::True));
    assert_eq!(why(&b, "cap"), "no maximum volume is stated");
    assert_eq!(why(&b, "fluid_limit"), "no fluid limit was sent with the order");
    assert_eq!(why(&b, "shortest_step_time"), "the rate does not rise in steps");
    assert_eq!(why(&b, "starts_as_new"), "no other orders were sent, nor an answer that there are none");
    let s = bundle(&[stepped(), patient("1956-11-25")]);
    assert_eq!(shown(&s, "steps", "1"), "3");
    assert_eq!(shown(&s, "first_rate", "mL/h"), "20");
    assert_eq!(shown(&s, "largest_step", "mL/h"), "30");
    assert_eq!(shown(&s, "shortest_step_time", "h"), "4");
    assert_eq!(shown(&s, "time_to_goal", "h"), "12");
    assert_eq!(shown(&s, "first_day_volume", "mL/d"), "1160");
    assert_eq!(shown(&s, "volume", "mL/d"), "1680");
    assert_eq!(value(&s, "at_goal_at_once"), Value::Truth(Truth::False));
    let mut no_route = order();
    no_route["enteralFormula"].as_object_mut().unwrap().remove("routeofAdministration");
    assert_eq!(why(&bundle(&[no_route]), "route"), "no route is stated");
}

#[test]
fn a_fluid_limit_without_an_amount_is_not_taken_for_none() {
    let limit = |amounts: &[Option<Json>]| {
        let nutrient: Vec<Json> = amounts
            .iter()
            .map(|amount| {
                let mut one = json!({"modifier": {"coding": [{"system": SNOMED, "code": "33463005"}]}});
                if let Some(amount) = amount {
                    one["amount"] = amount.clone();
                }
                one
            })
            .collect();
        let mut o = order();
        o["oralDiet"] = json!({"nutrient": nutrient});
        bundle(&[o, patient("1956-11-25")])
    };
    let known = quantity(1500.0, "mL");
    assert_eq!(shown(&limit(&[Some(known.clone()), Some(quantity(1200.0, "mL"))]), "fluid_limit", "mL/d"), "1200");
    for b in [limit(&[None]), limit(&[Some(known.clone()), None]), limit(&[None, Some(known)])] {
        let missing = missing(&b, "fluid_limit");
        assert_eq!(missing[0].why.to_string(), "a fluid limit is ordered without an amount");
        assert_eq!(missing[0].at.len(), 1, "with its place");
    }
}

#[test]
fn the_product_of_the_formulary() {
    let b = of(&[]);
    assert_eq!(word(&b, "product_age_class"), "adult");
    assert_eq!(word(&b, "product_form"), "ready-to-hang");
    assert_eq!(word(&b, "product_viscosity"), "thin");
    assert_eq!(shown(&b, "container", "mL"), "1000");
    assert_eq!(shown(&b, "density", "kcal/mL"), "1");
    assert_eq!(shown(&b, "osmolality", "mosm/kg"), "300");
    assert_eq!(shown(&b, "protein_energy_share", "%"), "16");
    let contains = keys(&b, "product_contains");
    assert!(contains.present.contains(&"cow-milk-protein".to_owned()) && !contains.complete);
    assert!(contains.absent.contains(&"lactose".to_owned()));
    let free = keys(&b, "product_free_from");
    assert!(free.present.contains(&"gluten".to_owned()) && free.absent.contains(&"cow-milk-protein".to_owned()));
    let mut o = order();
    o["enteralFormula"]["baseFormulaProductName"] = json!("nothing of the kind");
    let unknown = bundle(&[o]);
    assert_eq!(why(&unknown, "product_form"), "nothing of the kind is not in the formulary");
    assert_eq!(why(&unknown, "product_contains"), "no product of the order is in the formulary");
}

#[test]
fn a_fluid_limit_is_a_nutrient_of_the_order() {
    for unit in ["mL/d", "mL"] {
        let mut o = order();
        o["oralDiet"] = json!({"nutrient": [{"modifier": {"coding": [{"system": SNOMED, "code": "33463005"}]}, "amount": quantity(1500.0, unit)}]});
        assert_eq!(shown(&bundle(&[o]), "fluid_limit", "mL/d"), "1500");
    }
}

#[test]
fn laboratory_values_do_not_depend_on_their_unit() {
    let fresh = "2026-11-25T06:00:00Z";
    // Molar masses: K 39.098, P 30.974, glucose 180.156, urea nitrogen 28.014, urea 60.056.
    for (fact, unit, pairs) in [
        (
            "serum_potassium",
            "mmol/L",
            vec![("2823-3", 5.0, "mmol/L"), ("2823-3", 5.0, "meq/L"), ("2823-3", 19.549, "mg/dL")],
        ),
        (
            "serum_magnesium",
            "mmol/L",
            vec![("2601-3", 1.0, "mmol/L"), ("19123-9", 2.0, "meq/L"), ("19123-9", 2.4305, "mg/dL")],
        ),
        ("serum_phosphate", "mmol/L", vec![("14879-1", 1.0, "mmol/L"), ("2777-1", 3.0974, "mg/dL")]),
        ("glucose", "mmol/L", vec![("15074-8", 10.0, "mmol/L"), ("2345-7", 180.156, "mg/dL")]),
        ("urea", "mmol/L", vec![("22664-7", 10.0, "mmol/L"), ("3094-0", 28.014, "mg/dL"), ("3091-6", 60.056, "mg/dL")]),
        ("creatinine", "umol/L", vec![("14682-9", 100.0, "umol/L"), ("2160-0", 1.1312, "mg/dL")]),
        ("triglycerides", "mmol/L", vec![("14927-8", 2.0, "mmol/L"), ("2571-8", 177.0864, "mg/dL")]),
        ("egfr", "mL/min", vec![("62238-1", 25.0, "mL/min/{1.73_m2}"), ("33914-3", 25.0, "mL/min")]),
        ("lactate", "mmol/L", vec![("2524-7", 2.0, "mmol/L")]),
        ("serum_sodium", "mmol/L", vec![("2951-2", 140.0, "mmol/L"), ("2951-2", 140.0, "meq/L")]),
    ] {
        let all: Vec<String> = pairs
            .iter()
            .map(|(code, x, given)| shown(&of(&[observation("l", code, fresh, *x, given)]), fact, unit))
            .collect();
        assert!(all.windows(2).all(|w| w[0] == w[1]), "{fact}: {all:?}");
        assert_eq!(all[0], Exact::whole(pairs[0].1 as i128).unwrap().short(2), "{fact}");
    }
}

#[test]
fn laboratory_values_that_are_not_there_say_why() {
    assert_eq!(why(&of(&[]), "serum_potassium"), "no potassium was sent");
    let old = of(&[observation("l", "2823-3", "2026-11-16T08:00:00Z", 5.0, "mmol/L")]);
    assert_eq!(why(&old, "serum_potassium"), "9 days old; usable for 3 days");
    assert_eq!(missing(&old, "serum_potassium")[0].at.len(), 1);
    // Under two days in hours.
    let mut day = book();
    day.staleness = vec![Staleness {
        fact: "serum_potassium".to_owned(),
        seconds: Exact::int(86_400),
        written: String::new(),
        place: String::new(),
    }];
    for (when, words) in [
        ("2026-11-24T02:00:00Z", "30 hours old; usable for 24 hours"),
        ("2026-11-23T09:00:00Z", "47 hours old; usable for 24 hours"),
        ("2026-11-23T08:00:00Z", "2 days old; usable for 24 hours"),
    ] {
        let old = of(&[observation("l", "2823-3", when, 5.0, "mmol/L")]);
        match value_with(&old, "serum_potassium", &day) {
            Value::Missing(all) => assert_eq!(all[0].why.to_string(), words),
            other => panic!("{when}: {other:?}"),
        }
    }
    let edge = of(&[observation("l", "2823-3", "2026-11-22T08:00:00Z", 5.0, "mmol/L")]);
    assert_eq!(shown(&edge, "serum_potassium", "mmol/L"), "5");
    let two = of(&[
        observation("l", "2823-3", "2026-11-25T06:00:00Z", 5.0, "mmol/L"),
        observation("m", "2823-3", "2026-11-25T06:00:00Z", 4.0, "mmol/L"),
    ]);
    assert!(why(&two, "serum_potassium").starts_with("two values"));
    let mut draft = observation("l", "2823-3", "2026-11-25T06:00:00Z", 5.0, "mmol/L");
    draft["status"] = json!("preliminary");
    assert!(why(&of(&[draft]), "serum_potassium").contains("preliminary"));
    let unit = observation("l", "2823-3", "2026-11-25T06:00:00Z", 5.0, "kg");
    assert!(why(&of(std::slice::from_ref(&unit)), "serum_potassium").contains("cannot be used"));
    let hidden = of(&[observation("m", "2823-3", "2026-11-25T05:00:00Z", 4.0, "mmol/L"), unit]);
    assert!(why(&hidden, "serum_potassium").contains("may be the latest"));
    // Yesterday's value says nothing of this morning's.
    let yesterday = observation("m", "2823-3", "2026-11-24T06:00:00Z", 4.2, "mmol/L");
    let mut newer = observation("l", "2823-3", "2026-11-25T06:00:00Z", 6.6, "mmol/L");
    newer["status"] = json!("preliminary");
    let mut undated = observation("l", "2823-3", "2026-11-25T06:00:00Z", 6.6, "mmol/L");
    undated.as_object_mut().unwrap().remove("effectiveDateTime");
    let mut no_system = observation("l", "2823-3", "2026-11-25T06:00:00Z", 6.6, "mmol/L");
    no_system["code"]["coding"][0].as_object_mut().unwrap().remove("system");
    for (hides, said) in [(&newer, "preliminary"), (&undated, "does not say when"), (&no_system, "not marked as LOINC")]
    {
        let b = of(&[yesterday.clone(), hides.clone()]);
        let why = why(&b, "serum_potassium");
        assert!(why.contains("6.6 mmol/L") && why.contains(said) && why.contains("may be the latest"), "{why}");
        assert_eq!(missing(&b, "serum_potassium")[0].at.len(), 1);
    }
    newer["status"] = json!("entered-in-error");
    assert_eq!(shown(&of(&[yesterday, newer]), "serum_potassium", "mmol/L"), "4.2");
    let fell = of(&[
        observation("l", "2823-3", "2026-11-25T06:00:00Z", 3.0, "mmol/L"),
        observation("m", "2823-3", "2026-11-24T06:00:00Z", 4.0, "mmol/L"),
    ]);
    assert_eq!(shown(&fell, "earlier_serum_potassium", "mmol/L"), "4");
    assert_eq!(shown(&fell, "serum_potassium", "mmol/L"), "3");
}

fn condition(codings: Json, status: &str) -> Json {
    json!({"resourceType": "Condition", "subject": {"reference": "Patient/p"}, "code": {"coding": codings},
        "clinicalStatus": {"coding": [{"code": status}]}})
}

#[test]
fn conditions_are_keys_of_the_rulebook() {
    assert_eq!(why(&of(&[]), "conditions"), "no conditions were sent");
    let kidney = condition(json!([{"system": ICD, "code": "N18.4"}]), "active");
    let found = keys(&of(std::slice::from_ref(&kidney)), "conditions");
    assert_eq!((found.present, found.complete), (vec!["chronic-kidney-disease".to_owned()], true));
    let other = condition(json!([{"system": SNOMED, "code": "1"}]), "active");
    assert_eq!(keys(&of(&[other]), "conditions"), Keys { complete: true, ..Keys::default() });
    let past = condition(json!([{"system": ICD, "code": "N18"}]), "resolved");
    assert_eq!(keys(&of(&[past]), "conditions"), Keys { complete: true, ..Keys::default() });
    for unusable in [json!([{"system": "https://a.example/own", "code": "x"}]), json!([])] {
        let found = keys(&of(&[condition(unusable, "active"), kidney.clone()]), "conditions");
        assert_eq!((found.present.len(), found.complete), (1, false));
    }
}

/// What the order says that is not to be given is among the allergies, by its code; of others nothing is known where none were
/// sent, and a food in words may be any.
#[test]
fn excluded_foods_count_like_allergies() {
    let excluding = |foods: Json, more: &[Json]| {
        let mut order = order();
        order["excludeFoodModifier"] = foods;
        let mut all = vec![order, patient("1956-11-25")];
        all.extend_from_slice(more);
        bundle(&all)
    };
    let food = |code: &str| json!({"coding": [{"system": SNOMED, "code": code}], "text": "No cow's milk protein"});
    let milk = || vec!["cow-milk-protein".to_owned()];
    let alone = asked(&excluding(json!([food("782555009")]), &[]), "allergies", &book());
    assert_eq!(alone.0, Value::Keys(Keys { present: milk(), complete: false, ..Keys::default() }));
    assert_eq!(alone.1, [("o".to_owned(), String::new())]);
    let fish = json!({"resourceType": "AllergyIntolerance", "id": "a", "patient": {"reference": "Patient/p"},
        "code": {"coding": [{"system": SNOMED, "code": "417532002"}]}});
    let beside = keys(&excluding(json!([food(" 782555009 ")]), std::slice::from_ref(&fish)), "allergies");
    assert_eq!(beside, Keys { present: milk(), complete: true, ..Keys::default() });
    let in_words = keys(&excluding(json!([{"text": "No milk"}]), std::slice::from_ref(&fish)), "allergies");
    assert_eq!(in_words, Keys { complete: false, ..Keys::default() });
    // A preference is no prohibition.
    let mut order = order();
    order["foodPreferenceModifier"] = json!([food("782555009")]);
    assert_eq!(why(&bundle(&[order, patient("1956-11-25")]), "allergies"), "no allergies were sent");
}

#[test]
fn allergies_and_medicines() {
    let allergy = |code: &str| {
        json!({"resourceType": "AllergyIntolerance", "patient": {"reference": "Patient/p"},
            "code": {"coding": [{"system": SNOMED, "code": code}]}})
    };
    assert_eq!(why(&of(&[]), "allergies"), "no allergies were sent");
    assert_eq!(keys(&of(&[allergy("782555009")]), "allergies").present, ["cow-milk-protein"]);
    assert_eq!(keys(&of(&[allergy("716186003")]), "allergies"), Keys { complete: true, ..Keys::default() });
    let mut refuted = allergy("782555009");
    refuted["verificationStatus"] = json!({"coding": [{"code": "refuted"}]});
    assert_eq!(why(&of(&[refuted]), "allergies"), "no allergies were sent");
    let medicine = |status: &str, code: &str| {
        json!({"resourceType": "MedicationRequest", "status": status, "intent": "order", "subject": {"reference": "Patient/p"},
            "medicationCodeableConcept": {"coding": [{"system": "http://www.whocc.no/atc", "code": code}]}})
    };
    assert_eq!(why(&of(&[]), "medicines"), "no medicines were sent");
    assert_eq!(keys(&of(&[medicine("active", "C03DA01")]), "medicines").present, ["potassium-raising"]);
    assert_eq!(keys(&of(&[medicine("stopped", "C03DA01")]), "medicines"), Keys { complete: true, ..Keys::default() });
    assert!(!keys(&of(&[medicine("unknown", "C03DA01")]), "medicines").complete);
    // What is being ordered counts; what is not known to be over may be current.
    assert_eq!(keys(&of(&[medicine("draft", "C03DA01")]), "medicines").present, ["potassium-raising"]);
    for over in ["completed", "ended", "stopped", "on-hold"] {
        let found = keys(&of(&[medicine(over, "C03DA01")]), "medicines");
        assert_eq!(found, Keys { complete: true, ..Keys::default() }, "{over}");
    }
    for unclear in ["", "Active", "a-later-status", "preparation"] {
        let found = keys(&of(&[medicine(unclear, "C03DA01")]), "medicines");
        assert_eq!((found.present.len(), found.complete), (0, false), "{unclear}");
    }
    let mut taken = medicine("draft", "C03DA01");
    taken["resourceType"] = json!("MedicationStatement");
    assert!(!keys(&of(&[taken]), "medicines").complete, "a draft of a record says nothing of now");
    let text = json!({"resourceType": "MedicationRequest", "status": "active", "subject": {"reference": "Patient/p"},
        "medicationCodeableConcept": {"text": "something"}});
    assert!(!keys(&of(&[text]), "medicines").complete);
}

#[test]
fn an_empty_answer_is_data() {
    let searched = |kind: &str| {
        json!({"resourceType": "Bundle", "type": "searchset", "total": 0,
            "link": [{"relation": "self", "url": format!("https://a.example/fhir/{kind}?patient=p")}]})
    };
    for (kind, fact) in
        [("Condition", "conditions"), ("AllergyIntolerance", "allergies"), ("MedicationRequest", "medicines")]
    {
        let found = keys(&of(&[searched(kind)]), fact);
        assert_eq!(found, Keys { complete: true, ..Keys::default() }, "{kind}");
    }
    assert_eq!(value(&of(&[searched("NutritionOrder")]), "starts_as_new"), Value::Truth(Truth::True));
    let devices = why(&of(&[searched("Device")]), "tube_size");
    assert_eq!(devices, "the sender looked for devices and there are none");
}

#[test]
fn place_of_care_tube_and_other_orders() {
    assert_eq!(why(&of(&[]), "setting"), "no encounter was sent");
    let encounter = json!({"resourceType": "Encounter", "status": "in-progress", "subject": {"reference": "Patient/p"},
        "class": {"code": "IMP"}, "serviceType": {"coding": [{"system": "https://a.example/units", "code": "ICU"}]},
        "location": [{"location": {"display": "W3"}}], "period": {"start": "2026-11-20T08:00:00Z"}});
    let b = of(&[encounter]);
    assert_eq!((word(&b, "setting"), word(&b, "ward")), ("icu".to_owned(), "W3".to_owned()));
    assert_eq!(shown(&b, "stay", "d"), "5");
    // Wards that the patient has left, or is to come to, are not the ward.
    let moved = json!({"resourceType": "Encounter", "status": "in-progress", "subject": {"reference": "Patient/p"}, "class": {"code": "IMP"},
        "location": [
            {"location": {"display": "W1"}, "status": "completed"},
            {"location": {"display": "W2"}, "period": {"start": "2026-11-20", "end": "2026-11-21"}},
            {"location": {"display": "W4"}, "status": "planned"},
            {"location": {"display": "W3"}, "status": "active", "period": {"start": "2026-11-21"}}]});
    assert_eq!(word(&of(&[moved]), "ward"), "W3");
    let bare = json!({"resourceType": "Encounter", "status": "in-progress", "subject": {"reference": "Patient/p"}, "class": {"code": "IMP"}});
    assert!(why(&of(&[bare]), "setting").contains("tells no place of care"));
    let tube = json!({"resourceType": "Device", "status": "active", "patient": {"reference": "Patient/p"},
        "property": [{"type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "tube-size"}]},
            "valueQuantity": [quantity(8.0, "[Ch]")]}]});
    assert_eq!(shown(&of(&[tube]), "tube_size", "[Ch]"), "8");
    assert_eq!(why(&of(&[]), "tube_size"), "no device was sent");
    let mut other = order();
    other["id"] = json!("o2");
    other["status"] = json!("completed");
    let both = of(&[other]);
    assert_eq!(value(&both, "starts_as_new"), Value::Truth(Truth::False));
    assert_eq!(shown(&both, "other_orders", "1"), "0");
    assert_eq!(why(&of(&[]), "pump_rate_step"), "the rulebook has no pump for this order");
}

#[test]
fn every_fact_has_a_value_of_its_type_or_says_what_is_missing() {
    let documents = [of(&[]), bundle(&[order()]), bundle(&[stepped(), patient("2026-10-01")])];
    for document in documents {
        for (ix, fact) in FACTS.iter().enumerate() {
            match (value(&document, fact.name), fact.kind) {
                (Value::Missing(missing), _) => {
                    assert!(!missing.is_empty(), "{}", fact.name);
                    for m in missing {
                        assert!(!m.why.is_empty() && m.fact < FACTS.len(), "{ix} {}: {m:?}", fact.name);
                    }
                }
                (Value::Quantity(_), Type::Quantity(_))
                | (Value::Truth(_), Type::Truth)
                | (Value::Keys(_), Type::Keys) => {}
                (Value::Word(w), Type::Word(list)) => assert!(list.is_empty() || list.contains(&w.as_str())),
                (other, kind) => panic!("{}: {other:?} for {kind:?}", fact.name),
            }
        }
    }
}

fn need(need: Need) -> &'static str {
    match need {
        Need::Core => "order",
        Need::Context(kind) => ContextKind::ALL.iter().find(|(k, _)| *k == kind).map_or("", |(_, name)| name),
    }
}

fn kind(kind: Type) -> (&'static str, Vec<&'static str>) {
    match kind {
        Type::Truth => ("truth", Vec::new()),
        Type::Quantity(_) => ("quantity", Vec::new()),
        Type::Word(words) => ("word", words.to_vec()),
        Type::Keys => ("keys", Vec::new()),
    }
}

fn same_or_write(name: &str, now: &str) {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(name);
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&path, now).unwrap();
    }
    let there = std::fs::read_to_string(&path).unwrap_or_default();
    assert_eq!(there, now, "{name} is stale: UPDATE=1 cargo test --test rulebook_facts");
}

#[test]
fn the_published_lists_are_those_of_the_program() {
    let mut facts = serde_json::Map::new();
    let mut table = String::from(
        "# Facts\n\nWhat a limit of the rulebook can ask for. Written by `UPDATE=1 cargo test --test rulebook_facts`.\n\n\
         Quantities are exact; a range keeps its reasons. \"Comes with\" says which input a fact needs: the order itself \
         (weight, age, formula, route and schedule included), or a kind of context. What is missing says why: not sent, \
         sent and not usable, or too old. A plain search answer that is empty is data.\n\n\
         | fact | type | unit | comes with | what it is |\n|---|---|---|---|---|\n",
    );
    for fact in FACTS {
        let (kind, words) = kind(fact.kind);
        let mut entry = json!({"title": fact.title, "x-type": kind, "x-comes-with": need(fact.need)});
        match kind {
            "truth" => entry["type"] = json!("boolean"),
            "keys" => {
                entry["type"] = json!("array");
                entry["items"] = json!({"type": "string"});
            }
            _ => entry["type"] = json!("string"),
        }
        if !words.is_empty() {
            entry["enum"] = json!(words);
        }
        if kind == "quantity" {
            entry["x-unit"] = json!(if fact.unit.is_empty() { "1" } else { fact.unit });
        }
        facts.insert(fact.name.to_owned(), entry);
        let shown = if words.is_empty() { kind.to_owned() } else { format!("word: {}", words.join(", ")) };
        writeln!(table, "| `{}` | {shown} | {} | {} | {} |", fact.name, fact.unit, need(fact.need), fact.title)
            .unwrap();
    }
    let schema = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": "https://enteral-gate.example/schemas/facts.schema.json",
        "title": "Facts offered to limits",
        "description": "Values of facts as written in tests: a quantity is a number with a UCUM unit.",
        "type": "object",
        "properties": facts,
        "additionalProperties": false,
    });
    same_or_write("schemas/facts.schema.json", &format!("{}\n", serde_json::to_string_pretty(&schema).unwrap()));
    same_or_write("docs/facts.md", &table);
}

/// Whoever reads a finding is led to what it rests on.
#[test]
fn every_fact_leads_to_the_resource_it_was_read_from() {
    let mut order = order();
    order["enteralFormula"]["maxVolumeToDeliver"] = quantity(1_500.0, "mL/d");
    order["encounter"] = json!({"reference": "Encounter/e"});
    let before = "2026-11-24T08:00:00Z";
    let mut all = vec![
        order,
        patient("1956-11-25"),
        observation("w", "29463-7", before, 70.0, "kg"),
        observation("w0", "29463-7", "2026-11-14T08:00:00Z", 72.0, "kg"),
        observation("h", "8302-2", before, 160.0, "cm"),
        observation("g", "11884-4", before, 40.0, "wk"),
        observation("b", "8339-4", before, 3.5, "kg"),
        json!({"resourceType": "Encounter", "id": "e", "status": "in-progress", "subject": {"reference": "Patient/p"},
            "class": {"code": "IMP"}, "serviceType": {"coding": [{"system": "https://a.example/units", "code": "ICU"}]},
            "location": [{"location": {"display": "W3"}}], "period": {"start": "2026-11-20T08:00:00Z"}}),
        json!({"resourceType": "AllergyIntolerance", "id": "allergy", "patient": {"reference": "Patient/p"},
            "code": {"coding": [{"system": SNOMED, "code": "782555009"}]}}),
        json!({"resourceType": "MedicationRequest", "id": "medicine", "status": "active", "intent": "order",
            "subject": {"reference": "Patient/p"},
            "medicationCodeableConcept": {"coding": [{"system": "http://www.whocc.no/atc", "code": "C03DA01"}]}}),
        json!({"resourceType": "Condition", "id": "condition", "subject": {"reference": "Patient/p"},
            "clinicalStatus": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": "active"}]},
            "code": {"coding": [{"system": SNOMED, "code": "84114007"}]}}),
        json!({"resourceType": "Device", "id": "tube", "status": "active", "patient": {"reference": "Patient/p"},
            "property": [{"type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "tube-size"}]},
                "valueQuantity": [quantity(8.0, "[Ch]")]}]}),
    ];
    // LOINC codes of `tests/laboratory` in the program; the value does not matter here.
    let labs = [
        ("serum_potassium", "2823-3", 4.0, "mmol/L"),
        ("serum_sodium", "2951-2", 140.0, "mmol/L"),
        ("serum_phosphate", "14879-1", 1.0, "mmol/L"),
        ("serum_magnesium", "2601-3", 0.8, "mmol/L"),
        ("glucose", "15074-8", 5.0, "mmol/L"),
        ("urea", "22664-7", 5.0, "mmol/L"),
        ("creatinine", "14682-9", 80.0, "umol/L"),
        ("egfr", "62238-1", 90.0, "mL/min/{1.73_m2}"),
        ("triglycerides", "14927-8", 1.5, "mmol/L"),
        ("lactate", "2524-7", 1.0, "mmol/L"),
    ];
    all.extend(labs.iter().map(|(name, code, value, unit)| observation(name, code, before, *value, unit)));
    let bundle = bundle(&all);
    let ids = |name: &str| asked(&bundle, name, &book()).1.into_iter().map(|(id, _)| id).collect::<Vec<_>>();
    for (fact, resources) in [
        ("age", &["p"][..]),
        ("corrected_age", &["p"]),
        ("sex", &["p"]),
        ("weight", &["w"]),
        ("weight_age", &["w"]),
        ("last_weight", &["w0"]),
        ("last_weight_age", &["w0"]),
        ("height", &["h"]),
        ("bmi", &["w", "h"]),
        ("gestation", &["g"]),
        ("birth_weight", &["b"]),
        ("holliday_segar", &["w"]),
        ("resting_energy", &["w"]),
        ("ideal_weight", &["w"]),
        ("adjusted_weight", &["w"]),
        ("setting", &["e"]),
        ("ward", &["e"]),
        ("stay", &["e"]),
        ("allergies", &["allergy"]),
        ("conditions", &["condition"]),
        ("medicines", &["medicine"]),
        ("tube_size", &["tube"]),
        ("route", &["o"]),
        ("energy_stated", &["o"]),
        ("cap", &["o"]),
        ("method", &["o"]),
        ("steps", &["o"]),
        ("energy", &["o"]),
        ("density", &["o"]),
        ("earlier_serum_potassium", &["serum_potassium"]),
        ("earlier_serum_phosphate", &["serum_phosphate"]),
        ("earlier_serum_magnesium", &["serum_magnesium"]),
        // The pump is not part of an order.
        ("pump_rate_step", &[]),
        ("pump_volume_step", &[]),
        ("fluid_limit", &[]),
    ] {
        assert_eq!(ids(fact), resources, "{fact}");
    }
    for (name, ..) in labs {
        assert_eq!(ids(name), [name]);
    }
    let element = |name: &str| asked(&bundle, name, &book()).1.remove(0).1;
    for (fact, key) in [
        ("age", "birthDate"),
        ("sex", "gender"),
        ("route", "routeofAdministration"),
        ("energy_stated", "caloricDensity"),
        ("cap", "maxVolumeToDeliver"),
        ("method", "enteralFormula"),
        ("energy", "enteralFormula"),
    ] {
        assert_eq!(element(fact), key, "{fact}");
    }
}

/// Medicines count by their status (FHIR value sets); one that was given counts for so long as it was given lately.
#[test]
fn a_medicine_counts_while_it_is_current() {
    let coded = json!({"coding": [{"system": "http://www.whocc.no/atc", "code": "C03DA01"}]});
    let request = |status: &str| {
        json!({"resourceType": "MedicationRequest", "id": "m", "status": status, "intent": "order",
            "subject": {"reference": "Patient/p"}, "medicationCodeableConcept": coded})
    };
    let statement = |status: &str| {
        json!({"resourceType": "MedicationStatement", "id": "m", "status": status, "subject": {"reference": "Patient/p"},
            "medicationCodeableConcept": coded})
    };
    let given = |status: &str, when: Option<&str>| {
        let mut m = json!({"resourceType": "MedicationAdministration", "id": "m", "status": status,
            "subject": {"reference": "Patient/p"}, "medicationCodeableConcept": coded});
        if let Some(when) = when {
            m["effectiveDateTime"] = json!(when);
        }
        m
    };
    let present = |m: Json| {
        let keys = keys(&of(&[m]), "medicines");
        (keys.present.len(), keys.complete)
    };
    for current in [request("active"), statement("active"), statement("intended"), given("in-progress", None)] {
        assert_eq!(present(current.clone()), (1, true), "{current}");
    }
    for past in [request("completed"), statement("completed"), given("stopped", None)] {
        assert_eq!(present(past.clone()), (0, true), "{past}");
    }
    // The order is of 2026-11-25, 08:00.
    assert_eq!(present(given("completed", Some("2026-11-25T06:00:00Z"))), (1, true));
    assert_eq!(present(given("completed", Some("2026-11-24T08:00:00Z"))), (1, true));
    assert_eq!(present(given("completed", Some("2026-10-24T08:00:00Z"))), (0, true));
    // Neither yes nor no.
    for unclear in [request("unknown"), given("completed", None), given("unknown", Some("2026-11-25T06:00:00Z"))] {
        assert_eq!(present(unclear.clone()), (0, false), "{unclear}");
    }
    // A medicine named by reference is read from its resource; one that is not there may be any.
    let mut named = request("active");
    named.as_object_mut().unwrap().remove("medicationCodeableConcept");
    named["medicationReference"] = json!({"reference": "Medication/x"});
    assert_eq!(present(named.clone()), (0, false));
    let medication = json!({"resourceType": "Medication", "id": "x", "code": coded});
    let keys = keys(&of(&[named, medication]), "medicines");
    assert_eq!((keys.present, keys.complete), (vec!["potassium-raising".to_owned()], true));
}

#[test]
fn a_condition_counts_until_it_is_over() {
    let condition = |status: &str| {
        json!({"resourceType": "Condition", "id": "c", "subject": {"reference": "Patient/p"},
            "clinicalStatus": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/condition-clinical", "code": status}]},
            "code": {"coding": [{"system": ICD, "code": "N18.4"}]}})
    };
    for current in ["active", "recurrence", "relapse"] {
        assert_eq!(keys(&of(&[condition(current)]), "conditions").present, ["chronic-kidney-disease"], "{current}");
    }
    for past in ["inactive", "resolved", "remission"] {
        assert!(keys(&of(&[condition(past)]), "conditions").present.is_empty(), "{past}");
    }
    // ICD-10 is read by what a code begins with, SNOMED CT by the whole code.
    let coded = |system: &str, code: &str| {
        let mut c = condition("active");
        c["code"] = json!({"coding": [{"system": system, "code": code}]});
        keys(&of(&[c]), "conditions").present.len()
    };
    assert_eq!((coded(ICD, "N18"), coded(ICD, "N1"), coded(ICD, "N19"), coded(ICD, "")), (1, 0, 0, 0));
    assert_eq!(
        (coded(SNOMED, "84114007"), coded(SNOMED, "841140071"), coded("http://other.example", "84114007")),
        (1, 0, 0)
    );
}

#[test]
fn tubes_in_use_and_standing_orders_count() {
    let tube = |status: &str| {
        json!({"resourceType": "Device", "id": "t", "status": status, "patient": {"reference": "Patient/p"},
            "property": [
                {"type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "length"}]},
                    "valueQuantity": [quantity(1_200.0, "mm")]},
                {"type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "wall"}]},
                    "valueQuantity": [quantity(0.5, "mm")]},
                {"type": {"coding": [{"system": "http://other.example", "code": "tube-size"}]},
                    "valueQuantity": [quantity(5.0, "[Ch]")]},
                {"type": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/device-property", "code": "tube-size"}]},
                    "valueQuantity": [quantity(8.0, "[Ch]")]}]})
    };
    assert_eq!(shown(&of(&[tube("active")]), "tube_size", "[Ch]"), "8");
    // The device and its use by the patient are one tube.
    let mut used = tube("active");
    used["id"] = json!("t1");
    let usage = json!({"resourceType": "DeviceUseStatement", "id": "u", "status": "active", "subject": {"reference": "Patient/p"},
        "device": {"reference": "Device/t1"}});
    let (size, places) = asked(&of(&[used, usage]), "tube_size", &book());
    assert_eq!((size, places.len()), (value(&of(&[tube("active")]), "tube_size"), 1));
    assert!(!missing(&of(&[tube("inactive")]), "tube_size").is_empty());
    let other = |status: &str| {
        let mut other = order();
        other["id"] = json!("o2");
        other["status"] = json!(status);
        of(&[other])
    };
    for (status, standing, new) in [
        ("active", "1", Truth::False),
        ("on-hold", "1", Truth::False),
        ("unknown", "1", Truth::False),
        ("completed", "0", Truth::False),
        ("revoked", "0", Truth::False),
        ("draft", "0", Truth::True),
    ] {
        assert_eq!(shown(&other(status), "other_orders", "1"), standing, "{status}");
        assert_eq!(value(&other(status), "starts_as_new"), Value::Truth(new), "{status}");
    }
}

/// A fluid restriction (SNOMED CT 33463005) in the same order, with or without "per day".
#[test]
fn a_fluid_limit_is_one_of_a_day() {
    let limited = |modifier: &str, unit: &str| {
        let mut order = order();
        order["oralDiet"] = json!({"nutrient": [{
            "modifier": {"coding": [{"system": SNOMED, "code": modifier}]}, "amount": quantity(1_500.0, unit)}]});
        bundle(&[order, patient("1956-11-25")])
    };
    assert_eq!(shown(&limited("33463005", "mL"), "fluid_limit", "mL/d"), "1500");
    assert_eq!(shown(&limited("33463005", "mL/d"), "fluid_limit", "mL/d"), "1500");
    assert!(!missing(&limited("226355009", "mL"), "fluid_limit").is_empty());
}

fn searched(kind: &str, category: &str) -> Json {
    json!({"resourceType": "Bundle", "type": "searchset", "total": 0,
        "link": [{"relation": "self", "url": format!("https://a.example/fhir/{kind}?patient=p{category}")}]})
}

/// Laboratory values are found by their codes; an empty search among the laboratory's says that there are no others.
#[test]
fn one_test_was_sent_and_another_was_not() {
    let potassium = observation("l", "2823-3", "2026-11-25T06:00:00Z", 5.0, "mmol/L");
    let one = of(std::slice::from_ref(&potassium));
    assert_eq!(shown(&one, "serum_potassium", "mmol/L"), "5");
    assert_eq!(why(&one, "serum_phosphate"), "no phosphate was sent");
    // Filed elsewhere, beside a search that found nothing.
    let mut filed = potassium.clone();
    filed["category"] = json!([{"coding": [{"code": "exam"}]}]);
    let search = searched("Observation", "&category=laboratory");
    let beside = bundle(&[order(), patient("1956-11-25"), filed, search.clone()]);
    assert_eq!(shown(&beside, "serum_potassium", "mmol/L"), "5");
    assert_eq!(why(&beside, "serum_phosphate"), "the sender looked for laboratory values and there are none");
    let none = bundle(&[order(), patient("1956-11-25"), search]);
    assert_eq!(why(&none, "serum_potassium"), "the sender looked for laboratory values and there are none");
    // What is wrong with an older one does not matter to the latest.
    let mut older = observation("m", "2823-3", "2026-11-24T06:00:00Z", 4.0, "mmol/L");
    older["valueQuantity"]["value"] = json!("four");
    assert_eq!(shown(&of(&[potassium, older]), "serum_potassium", "mmol/L"), "5");
}

/// The value before is one that is surely before, not the same once more.
#[test]
fn what_may_be_from_the_same_moment_is_not_the_one_before() {
    let potassium = |id: &str, when: &str, value: f64| observation(id, "2823-3", when, value, "mmol/L");
    for when in ["2026-11-24T06:00:00Z", "2026-11-24"] {
        let twice = [potassium("l", "2026-11-24T06:00:00Z", 4.0), potassium("m", when, 4.0)];
        assert_eq!(why(&of(&twice), "earlier_serum_potassium"), "no earlier potassium was sent", "{when}");
        let [a, b] = twice;
        let three = of(&[a, b, potassium("n", "2026-11-23", 3.0)]);
        assert_eq!(shown(&three, "earlier_serum_potassium", "mmol/L"), "3", "{when}");
    }
}

#[test]
fn what_was_looked_for_and_what_cannot_be_read_is_said() {
    let none = "the sender looked for an encounter and there is none";
    for fact in ["setting", "ward"] {
        assert_eq!(why(&of(&[searched("Encounter", "")]), fact), none);
        assert_eq!(why(&of(&[]), fact), "no encounter was sent");
    }
    let born = |date: &str| bundle(&[order(), patient(date)]);
    assert_eq!(why(&born("1956-13-45"), "age"), "the birth date cannot be read");
    let places = asked(&born("1956-13-45"), "age", &book()).1;
    assert_eq!(places, [("p".to_owned(), "birthDate".to_owned())]);
    assert_eq!(missing(&born("1956-13-45"), "age")[0].at.len(), 1);
}

/// Feeds beside each other have no first rate; without a schedule there is none either.
#[test]
fn the_first_rate_is_that_of_one_feed() {
    let rate = |entries: Json| {
        let mut order = order();
        order["enteralFormula"]["administration"] = entries;
        why(&bundle(&[order, patient("1956-11-25")]), "first_rate")
    };
    let entry = json!({"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z"}}}, "rateQuantity": quantity(60.0, "mL/h")});
    assert_eq!(rate(json!([entry, entry])), "several feeds stand beside each other");
    assert_eq!(rate(json!([])), "the order states no schedule of the feed");
    assert_eq!(shown(&of(&[]), "first_rate", "mL/h"), "60");
    let mut bare = order();
    bare["enteralFormula"]["administration"] = json!([]);
    let bare = bundle(&[bare, patient("1956-11-25")]);
    for fact in ["method", "steps", "at_goal_at_once"] {
        assert_eq!(why(&bare, fact), "the order states no schedule of the feed", "{fact}");
    }
}

fn flushed(parts: &Json) -> Json {
    let mut order = order();
    order["enteralFormula"]["extension"] = json!([
        {"url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush", "extension": parts}]);
    bundle(&[order, patient("1956-11-25")])
}

/// The longest time from flush to flush, over midnight too.
#[test]
fn the_time_between_flushes_is_the_longest() {
    let at = |times: Json| {
        flushed(&json!([{"url": "volume", "valueQuantity": quantity(30.0, "mL")},
            {"url": "schedule", "valueTiming": {"repeat": {"timeOfDay": times}}}]))
    };
    for (times, hours) in [
        (json!(["08:00:00", "09:00:00", "23:00:00"]), "14"),
        (json!(["06:00:00", "12:00:00", "20:00:00"]), "10"),
        (json!(["06:00:00", "18:00:00"]), "12"),
        (json!(["02:00:00", "21:00:00"]), "19"),
    ] {
        assert_eq!(shown(&at(times.clone()), "flush_interval", "h"), hours, "{times}");
    }
    // A flush is one, also where what is given cannot be worked out.
    for parts in [
        json!([{"url": "volume", "valueQuantity": quantity(30.0, "mL")}, {"url": "schedule", "valueTiming": {"repeat": {"frequency": 6, "period": 1, "periodUnit": "d"}}}]),
        json!([{"url": "volume", "valueQuantity": quantity(30.0, "mL")}]),
        json!([]),
    ] {
        assert_eq!(value(&flushed(&parts), "has_flush"), Value::Truth(Truth::True), "{parts}");
    }
    assert_eq!(value(&of(&[]), "has_flush"), Value::Truth(Truth::False));
    let mut water = order();
    water["enteralFormula"]["baseFormulaProductName"] = json!("WATER");
    water["enteralFormula"].as_object_mut().unwrap().remove("caloricDensity");
    assert_eq!(value(&bundle(&[water, patient("1956-11-25")]), "has_flush"), Value::Truth(Truth::True));
}

/// An additive that is not in the formulary may be a fortifier.
#[test]
fn an_unknown_additive_may_be_a_fortifier() {
    let mut with = order();
    assert_eq!(value(&bundle(&[with.clone(), patient("1956-11-25")]), "fortified"), Value::Truth(Truth::False));
    with["enteralFormula"]["additiveProductName"] = json!("Invented powder");
    assert_eq!(
        why(&bundle(&[with, patient("1956-11-25")]), "fortified"),
        "an additive is not in the formulary or states no form"
    );
}

/// Allergies to what a reaction names, and to what the order names without its resource.
#[test]
fn allergies_are_read_from_reactions_and_from_the_order() {
    let reaction = json!({"resourceType": "AllergyIntolerance", "id": "a", "patient": {"reference": "Patient/p"},
        "reaction": [{"substance": {"coding": [{"system": SNOMED, "code": "782555009"}]}}]});
    let found = keys(&of(std::slice::from_ref(&reaction)), "allergies");
    assert_eq!((found.present, found.complete), (vec!["cow-milk-protein".to_owned()], true));
    let kidney = condition(json!([{"system": ICD, "code": "N18.4"}]), "active");
    let named = |of: Option<Json>| {
        let mut order = order();
        order["allergyIntolerance"] = json!([{"reference": "AllergyIntolerance/elsewhere"}]);
        let mut all = vec![order, patient("1956-11-25"), kidney.clone()];
        all.extend(of);
        bundle(&all)
    };
    // The order names one that was not sent: it may be any, and only among allergies.
    let (value, places) = asked(&named(None), "allergies", &book());
    assert_eq!(value, Value::Keys(Keys { complete: false, ..Keys::default() }));
    assert_eq!(places.iter().map(|(id, _)| id.as_str()).collect::<Vec<_>>(), ["o"]);
    let (value, places) = asked(&named(Some(reaction)), "allergies", &book());
    let both = Keys { present: vec!["cow-milk-protein".to_owned()], complete: false, ..Keys::default() };
    assert_eq!((value, places.len()), (Value::Keys(both), 2));
    let (value, places) = asked(&named(None), "conditions", &book());
    let one = Keys { present: vec!["chronic-kidney-disease".to_owned()], complete: true, ..Keys::default() };
    assert_eq!((value, places.len()), (Value::Keys(one), 1));
    // An allergy that says something that is not understood may be any, and is no condition.
    let mut modified = allergy_of("782555009");
    modified["modifierExtension"] = json!([{"url": "https://other.example/not", "valueBoolean": true}]);
    let (value, places) = asked(&of(&[modified.clone(), kidney.clone()]), "allergies", &book());
    assert_eq!(value, Value::Keys(Keys { complete: false, ..Keys::default() }));
    assert_eq!(places.iter().map(|(id, _)| id.as_str()).collect::<Vec<_>>(), ["a"]);
    let known = keys(&of(&[modified, kidney]), "conditions");
    assert_eq!((known.present.len(), known.complete), (1, true));
    // Without any, an allergy that was sent is all there is, and its place the only one.
    let (_, places) = asked(&of(&[allergy_of("782555009")]), "allergies", &book());
    assert_eq!(places.iter().map(|(id, _)| id.as_str()).collect::<Vec<_>>(), ["a"]);
}

fn allergy_of(code: &str) -> Json {
    json!({"resourceType": "AllergyIntolerance", "id": "a", "patient": {"reference": "Patient/p"},
        "code": {"coding": [{"system": SNOMED, "code": code}]}})
}

/// A code of two signs is read whole: too much would lie below it.
#[test]
fn a_short_code_has_nothing_below_it() {
    const ATC: &str = "http://www.whocc.no/atc";
    let mut short = book();
    short.concepts = vec![Concept {
        places: Vec::new(),
        kind: ConceptKind::Medicine,
        key: "invented".to_owned(),
        title: "invented".to_owned(),
        codes: vec![(ATC.to_owned(), "C0".to_owned()), (ATC.to_owned(), "B05".to_owned())],
    }];
    let present = |code: &str| {
        let medicine = json!({"resourceType": "MedicationRequest", "status": "active", "intent": "order", "subject": {"reference": "Patient/p"},
            "medicationCodeableConcept": {"coding": [{"system": ATC, "code": code}]}});
        match value_with(&of(&[medicine]), "medicines", &short) {
            Value::Keys(keys) => !keys.present.is_empty(),
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(["C0", "C03DA01", "B05", "B05X", "B0"].map(present), [true, false, true, true, false]);
}

/// Other orders of the patient are where they stand.
#[test]
fn other_orders_are_led_to() {
    let mut other = order();
    other["id"] = json!("o2");
    for fact in ["other_orders", "starts_as_new"] {
        let (_, places) = asked(&of(std::slice::from_ref(&other)), fact, &book());
        assert_eq!(places.iter().map(|(id, _)| id.as_str()).collect::<Vec<_>>(), ["o2"], "{fact}");
    }
}

/// Steps are the same whether an entry ends because the next begins, or because its end is stated there or within an
/// hour of it. The rates and times are those of the steps without ends: 20, 40 and 70 mL/h, rises of 20 and 30.
#[test]
fn steps_with_a_stated_end_are_steps() {
    let step = |start: &str, end: Option<&str>, rate: f64| {
        let mut period = json!({"start": format!("2026-11-25T{start}:00Z")});
        if let Some(end) = end {
            period["end"] = json!(format!("2026-11-25T{end}:00Z"));
        }
        json!({"schedule": {"repeat": {"boundsPeriod": period}}, "rateQuantity": quantity(rate, "mL/h")})
    };
    let of = |first: Option<&str>, second: Option<&str>| {
        let mut order = order();
        let last = step("20:00", None, 70.0);
        order["enteralFormula"]["administration"] =
            json!([step("08:00", first, 20.0), last, step("16:00", second, 40.0)]);
        let b = bundle(&[order, patient("1956-11-25")]);
        (shown(&b, "steps", "1"), value(&b, "at_goal_at_once"), b)
    };
    let no = Value::Truth(Truth::False);
    for (first, second) in
        [(None, None), (Some("16:00"), None), (Some("16:00"), Some("20:00")), (Some("15:00"), Some("21:00"))]
    {
        let (steps, at_goal, b) = of(first, second);
        assert_eq!((steps.as_str(), at_goal), ("3", no.clone()), "{first:?} {second:?}");
        assert_eq!(shown(&b, "first_rate", "mL/h"), "20");
        assert_eq!(shown(&b, "largest_step", "mL/h"), "30");
        assert_eq!(shown(&b, "shortest_step_time", "h"), "4");
        assert_eq!(shown(&b, "time_to_goal", "h"), "12");
    }
    // More than an hour apart they are two feeds.
    assert_eq!(of(Some("14:59"), Some("21:01")).0, "1");
}

/// Only steps up count as steps of a rise; a setting that no limit can ask for is said.
#[test]
fn falls_are_no_rises() {
    let step = |start: &str, rate: f64| json!({"schedule": {"repeat": {"boundsPeriod": {"start": start}}}, "rateQuantity": quantity(rate, "mL/h")});
    let mut order = order();
    order["enteralFormula"]["administration"] = json!([
        step("2026-11-25T08:00:00Z", 20.0),
        step("2026-11-25T16:00:00Z", 40.0),
        step("2026-11-25T20:00:00Z", 30.0),
    ]);
    let b = bundle(&[order.clone(), patient("1956-11-25")]);
    assert_eq!(
        (shown(&b, "largest_step", "mL/h"), shown(&b, "shortest_step_time", "h")),
        ("20".to_owned(), "8".to_owned())
    );
    // What is at its goal at once does not rise; it may stay, or fall.
    let goal = |rates: [f64; 2]| {
        let mut order = order.clone();
        order["enteralFormula"]["administration"] =
            json!([step("2026-11-25T08:00:00Z", rates[0]), step("2026-11-25T16:00:00Z", rates[1])]);
        value(&bundle(&[order, patient("1956-11-25")]), "at_goal_at_once")
    };
    let [yes, no] = [Value::Truth(Truth::True), Value::Truth(Truth::False)];
    assert_eq!([goal([60.0, 60.0]), goal([60.0, 40.0]), goal([60.0, 61.0])], [yes.clone(), yes, no]);
    let mut burns = book();
    burns.concepts = vec![Concept {
        places: Vec::new(),
        kind: ConceptKind::Setting,
        key: "burns".to_owned(),
        title: "burns".to_owned(),
        codes: vec![("https://a.example/units".to_owned(), "B".to_owned())],
    }];
    let encounter = json!({"resourceType": "Encounter", "status": "in-progress", "subject": {"reference": "Patient/p"},
        "class": {"code": "IMP"}, "serviceType": {"coding": [{"system": "https://a.example/units", "code": "B"}]}});
    match value_with(&of(&[encounter]), "setting", &burns) {
        Value::Missing(all) => {
            assert!(all[0].why.to_string().ends_with("burns is not one of the words of this fact"), "{all:?}");
        }
        other => panic!("{other:?}"),
    }
}

/// What is added counts among the products of the order: for what they contain, and whether one is a fortifier.
#[test]
fn additives_are_products_of_the_order() {
    let with = |product: &str, amount: Json| {
        let mut order = order();
        order["enteralFormula"]["extension"] = json!([
            {"url": "https://enteral-gate.example/fhir/StructureDefinition/additive-dose", "extension": [
                {"url": "item", "valueCodeableConcept": {"text": product}},
                {"url": "quantity", "valueQuantity": amount},
                {"url": "per", "valueCode": "day"}]}]);
        bundle(&[order, patient("1956-11-25")])
    };
    let own = ["cow-milk-protein", "long-chain-fat", "glucose-polymer"];
    let oil = with("MCT", quantity(15.0, "mL"));
    assert_eq!(keys(&oil, "product_contains").present, [own.as_slice(), &["medium-chain-fat"]].concat());
    assert_eq!(value(&oil, "fortified"), Value::Truth(Truth::False));
    let water = with("WATER", quantity(50.0, "mL"));
    assert_eq!(keys(&water, "product_contains").present, own);
    let fortifier = with("HMF", quantity(2.0, "{dose}"));
    assert_eq!(value(&fortifier, "fortified"), Value::Truth(Truth::True));
}

/// Where a schedule leaves open how long it is to the next flush, so does the fact; weekdays are counted.
#[test]
fn the_time_between_flushes_is_a_range_or_unknown_where_it_is_open() {
    let by = |repeat: Json| {
        flushed(&json!([{"url": "volume", "valueQuantity": quantity(30.0, "mL")},
            {"url": "schedule", "valueTiming": {"repeat": repeat}}]))
    };
    let hours = |repeat: Json| match value(&by(repeat), "flush_interval") {
        Value::Quantity(amount) => {
            let hours = |x: Option<Exact>| x.and_then(|x| x.div(Exact::int(3600))).map(|x| x.short(1));
            (hours(amount.low()), hours(amount.high()))
        }
        other => panic!("{other:?}"),
    };
    let some = |a: &str, b: &str| (Some(a.to_owned()), Some(b.to_owned()));
    assert_eq!(hours(json!({"frequency": 1, "period": 4, "periodMax": 6, "periodUnit": "h"})), some("4", "6"));
    assert_eq!(hours(json!({"dayOfWeek": ["mon"], "timeOfDay": ["08:00:00", "20:00:00"]})), some("156", "156"));
    assert_eq!(hours(json!({"dayOfWeek": ["mon", "thu"], "timeOfDay": ["08:00:00"]})), some("96", "96"));
}

fn given(administrations: Json) -> Json {
    let mut order = order();
    order["enteralFormula"]["administration"] = administrations;
    bundle(&[order, patient("1956-11-25")])
}

/// An end is also a start with a length, or a length alone.
#[test]
fn a_length_says_how_long_an_order_lasts() {
    let lasting = |bounds: Json| {
        let mut repeat = json!({"frequency": 4, "period": 1, "periodUnit": "d"});
        repeat.as_object_mut().unwrap().extend(bounds.as_object().unwrap().clone());
        given(json!([{"schedule": {"repeat": repeat}, "quantity": quantity(250.0, "mL")}]))
    };
    let days = |n: f64| json!({"value": n, "unit": "d", "system": "http://unitsofmeasure.org", "code": "d"});
    assert_eq!(shown(&lasting(json!({"boundsDuration": days(400.0)})), "lasts", "d"), "400");
    let Value::Quantity(range) =
        value(&lasting(json!({"boundsRange": {"low": days(30.0), "high": days(60.0)}})), "lasts")
    else {
        panic!("no amount")
    };
    let of = |x: Option<Exact>| x.and_then(|x| x.div(Exact::int(86_400)));
    assert_eq!((of(range.low()), of(range.high())), (Some(Exact::int(30)), Some(Exact::int(60))));
    assert_eq!(why(&lasting(json!({})), "lasts"), "the order states no end");
}

/// Single feeds of two kinds are single feeds, two that run on run on; one of each is mixed. Where how long a feed takes
/// decides it, a range of that is not one method.
#[test]
fn methods_of_several_feeds_are_told_apart() {
    let single = |time: &str, minutes: u32| json!({"schedule": {"repeat": {"timeOfDay": [time], "duration": minutes, "durationUnit": "min"}}, "quantity": quantity(250.0, "mL")});
    let night = json!({"schedule": {"repeat": {"timeOfDay": ["21:00:00"], "duration": 8, "durationUnit": "h"}}, "rateQuantity": quantity(60.0, "mL/h")});
    let around = json!({"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z", "end": "2026-12-25T08:00:00Z"}}}, "rateQuantity": quantity(20.0, "mL/h")});
    let word = |text: &str| Value::Word(text.to_owned());
    for (of, method) in [
        (json!([single("08:00:00", 10), single("12:00:00", 60)]), "intermittent"),
        (json!([night, around]), "continuous"),
        (json!([night, single("12:00:00", 10)]), "mixed"),
        (json!([single("08:00:00", 10)]), "bolus"),
    ] {
        assert_eq!(value(&given(of.clone()), "method"), word(method), "{of}");
    }
    let open = json!({"schedule": {"repeat": {"timeOfDay": ["08:00:00"], "duration": 10, "durationMax": 40, "durationUnit": "min"}}, "rateQuantity": quantity(200.0, "mL/h")});
    assert_eq!(why(&given(json!([open])), "method"), "how long a feed takes is a range, and so is how it is given");
}

/// One feed a day: the next is due a day later. What runs on has no feeds.
#[test]
fn one_feed_a_day_is_a_day_from_the_next() {
    let once = json!({"schedule": {"repeat": {"timeOfDay": ["08:00:00"]}}, "quantity": quantity(250.0, "mL")});
    assert_eq!(shown(&given(json!([once])), "feed_interval", "h"), "24");
    let on = json!({"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z"}}}, "rateQuantity": quantity(60.0, "mL/h")});
    assert!(matches!(value(&given(json!([on])), "feed_interval"), Value::Missing(_)));
}

/// A rate and single feeds are compared by what they give in a day: 100 mL/h for a day, then 6 × 50 mL.
#[test]
fn a_rate_and_single_feeds_are_compared_by_the_day() {
    let step = |start: &str, more: Json, amount: (&str, Json)| {
        let mut repeat = json!({"boundsPeriod": {"start": start}});
        repeat.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        json!({"schedule": {"repeat": repeat}, amount.0: amount.1})
    };
    let hourly = |hours: f64| json!({"frequency": 1, "period": hours, "periodUnit": "h"});
    let feeds = |start: &str, ml: f64| step(start, hourly(4.0), ("quantity", quantity(ml, "mL")));
    let goal = |first: Json, second: Json| value(&given(json!([first, second])), "at_goal_at_once");
    let [early, late] = ["2026-11-25T08:00:00Z", "2026-11-26T08:00:00Z"];
    assert_eq!(goal(feeds(early, 100.0), feeds(late, 150.0)), Value::Truth(Truth::False));
    assert_eq!(goal(feeds(early, 150.0), feeds(late, 100.0)), Value::Truth(Truth::True));
}

/// By the WHO's table a girl of 2.5 kg is at −1.73 on the day of birth, −1.62 the day after and −1.73 on the fourth: what
/// lies between counts where the day is not known. Figures of the table from its file, not worked out here.
#[test]
fn a_reference_that_falls_and_rises_is_looked_at_day_by_day() {
    use enteral_gate::needs::Sex;
    use enteral_gate::needs::growth::weight_for_age;
    let (kg, gestation) = (Exact::decimal(25, 1), observation("g", "18185-9", "2026-11-25T06:00:00Z", 40.0, "wk"));
    let weight = observation("w", "29463-7", "2026-11-25T06:00:00Z", 2.5, "kg");
    let of = |born: &str| match value(&bundle(&[order(), patient(born), weight.clone(), gestation.clone()]), "weight_z")
    {
        Value::Quantity(amount) => (amount.low(), amount.high()),
        other => panic!("{other:?}"),
    };
    let z = |day: u32| weight_for_age(Sex::Female, day, kg).map(|score| score.z);
    // Born in November: 0 to 24 days old on the 25th.
    assert_eq!(of("2026-11"), ((0..=24).filter_map(z).min(), (0..=24).filter_map(z).max()));
    assert!((0..=24).filter_map(z).max() > z(0).max(z(24)), "the highest lies between");
    assert_eq!(of("2026-11-25"), (z(0), z(0)));
}

/// What is mixed into the feed and what is given apart are told apart, and the energy of the latter is counted.
#[test]
fn additives_are_mixed_in_or_given_apart() {
    let with = |doses: &[(&str, Json, &str)]| {
        let mut order = order();
        let doses: Vec<Json> = doses
            .iter()
            .map(|(product, amount, per)| {
                json!({"url": "https://enteral-gate.example/fhir/StructureDefinition/additive-dose", "extension": [
                    {"url": "item", "valueCodeableConcept": {"text": product}},
                    {"url": "quantity", "valueQuantity": amount},
                    {"url": "per", "valueCode": per}]})
            })
            .collect();
        order["enteralFormula"]["extension"] = json!(doses);
        bundle(&[order, patient("1956-11-25")])
    };
    let none = of(&[]);
    assert_eq!(shown(&none, "additives_mixed_in", "1"), "0");
    assert_eq!(shown(&none, "additive_energy", "kcal/d"), "0");
    // 60 mL × 7.7 kcal + 4 × 25 kcal = 562 kcal, all of it apart.
    let apart = with(&[("MCT", quantity(60.0, "mL"), "day"), ("PROT", quantity(4.0, "{dose}"), "day")]);
    assert_eq!(shown(&apart, "additives_mixed_in", "1"), "0");
    assert_eq!(shown(&apart, "additive_energy", "kcal/d"), "562");
    let both = with(&[("MCT", quantity(60.0, "mL"), "day"), ("PROT", quantity(1.0, "/(100.mL)"), "volume")]);
    assert_eq!(shown(&both, "additives_mixed_in", "1"), "1");
    assert_eq!(shown(&both, "additive_energy", "kcal/d"), "462");
    // One that cannot be counted is mixed in where it is ordered per volume, apart where by the day, else either.
    let open =
        |amount: Json, per: &str| with(&[("Invented powder", amount, per), ("MCT", quantity(60.0, "mL"), "day")]);
    let stated = open(quantity(1.0, "g"), "volume");
    assert_eq!(shown(&stated, "additives_mixed_in", "1"), "1");
    assert_eq!(shown(&stated, "additive_energy", "kcal/d"), "462 to more");
    let mut bare = open(quantity(2.0, "g/(100.mL)"), "day");
    let powder = "/entry/0/resource/enteralFormula/extension/0/extension";
    bare.pointer_mut(powder).unwrap().as_array_mut().unwrap().pop();
    assert_eq!(shown(&bare, "additives_mixed_in", "1"), "1");
    assert_eq!(shown(&open(quantity(1.0, "g"), "day"), "additives_mixed_in", "1"), "0");
    bare.pointer_mut(powder).unwrap().as_array_mut().unwrap().pop();
    assert_eq!(shown(&bare, "additives_mixed_in", "1"), "0 to 1");
}

/// What is known with a weight and not without one rests on it, and nothing else does.
#[test]
fn what_rests_on_the_weight_is_missing_without_it() {
    let height = observation("h", "8302-2", "2026-11-24T08:00:00Z", 90.0, "cm");
    let child = |weight: &[Json]| bundle(&[&[order(), patient("2024-05-25"), height.clone()], weight].concat());
    let weighed = child(&[observation("w", "29463-7", "2026-11-24T08:00:00Z", 13.0, "kg")]);
    let not = child(&[]);
    let adult = |more: &[Json]| {
        bundle(
            &[&[order(), patient("1956-11-25"), observation("h", "8302-2", "2026-11-24T08:00:00Z", 160.0, "cm")], more]
                .concat(),
        )
    };
    let heavy = adult(&[observation("w", "29463-7", "2026-11-24T08:00:00Z", 90.0, "kg")]);
    let is_missing = |value: &Value| matches!(value, Value::Missing(_));
    let mut resting = 0;
    for (ix, fact) in FACTS.iter().enumerate() {
        let lost = |with: &Json, without: &Json| {
            !is_missing(&value(with, fact.name)) && is_missing(&value(without, fact.name))
        };
        if lost(&weighed, &not) || lost(&heavy, &adult(&[])) {
            // How old the weight is does not rest on how much it is.
            assert_eq!(rests_on_weight(ix), fact.name != "weight_age", "{}", fact.name);
            resting += 1;
        } else if !is_missing(&value(&weighed, fact.name)) {
            assert!(!rests_on_weight(ix), "{}", fact.name);
        }
    }
    assert!(resting > 20, "{resting}");
}

#[test]
fn the_lowest_rate_is_that_of_the_feeds_of_any_day() {
    let administration = |all: Json| {
        let mut order = order();
        order["enteralFormula"]["administration"] = all;
        bundle(&[order, patient("1956-11-25")])
    };
    let run = |times: Json, rate: f64| json!({"schedule": {"repeat": {"timeOfDay": times, "duration": 12, "durationUnit": "h"}}, "rateQuantity": quantity(rate, "mL/h")});
    let both = administration(json!([run(json!(["08:00:00"]), 15.0), run(json!(["20:00:00"]), 35.0)]));
    assert_eq!(shown(&both, "lowest_rate", "mL/h"), "15");
    assert_eq!(shown(&both, "highest_rate", "mL/h"), "35");
    // Of any day, the first of its steps too.
    let steps = bundle(&[stepped(), patient("1956-11-25")]);
    assert_eq!(shown(&steps, "lowest_rate", "mL/h"), shown(&steps, "first_rate", "mL/h"));
    assert_ne!(shown(&steps, "lowest_rate", "mL/h"), "70");
    // 300 mL in half an hour.
    let feeds = |more: Json| {
        let mut repeat = json!({"frequency": 4, "period": 1, "periodUnit": "d"});
        repeat.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        administration(json!([{"schedule": {"repeat": repeat}, "quantity": quantity(300.0, "mL")}]))
    };
    assert_eq!(shown(&feeds(json!({"duration": 30, "durationUnit": "min"})), "lowest_rate", "mL/h"), "600");
    assert_eq!(why(&feeds(json!({})), "lowest_rate"), "how long a feed takes is not stated");
}

/// Diets and supplements by mouth, beside the feed in one order or in another. SNOMED CT codes of FHIR's own examples (low-sodium diet)
/// and of the starter rulebook (nil by mouth, from memory).
#[test]
fn eating_is_told_by_diets_and_supplements_of_orders_that_stand() {
    let mut book = book();
    book.concepts.push(Concept {
        places: Vec::new(),
        kind: ConceptKind::Hold,
        key: "nil-by-mouth".to_owned(),
        title: "nil by mouth".to_owned(),
        codes: vec![(SNOMED.to_owned(), "182923009".to_owned())],
    });
    let diet = |code: &str| json!({"type": [{"coding": [{"system": SNOMED, "code": code}]}]});
    let fluid = json!({"nutrient": [{"modifier": {"coding": [{"system": SNOMED, "code": "33463005"}]}}]});
    let salt = json!({"nutrient": [{"modifier": {"coding": [{"system": SNOMED, "code": "39972003"}]}}]});
    let other = |status: Option<&str>, element: &str, part: &Json| {
        let mut other = json!({"resourceType": "NutritionOrder", "id": "o2", "intent": "order",
            "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25T08:00:00Z"});
        other["status"] = status.map_or(Json::Null, Json::from);
        if status.is_none() {
            other.as_object_mut().unwrap().remove("status");
        }
        other[element] = part.clone();
        other
    };
    let eats = |bundle: &Json| asked(bundle, "eats", &book);
    let (yes, no) = (Value::Truth(Truth::True), Value::Truth(Truth::False));
    let supplement = json!([{"type": {"text": "Sip feed"}}]);
    for (part, status, expected) in [
        (("oralDiet", &diet("386619000")), "active", &yes),
        (("oralDiet", &json!({"type": [{"text": "As the patient likes"}]})), "active", &yes),
        (("oralDiet", &json!({"instruction": "As the patient likes"})), "active", &yes),
        (("oralDiet", &salt), "active", &yes),
        (("oralDiet", &diet("182923009")), "active", &no),
        (("oralDiet", &fluid), "active", &no),
        (("oralDiet", &diet("386619000")), "on-hold", &no),
        (("oralDiet", &diet("386619000")), "draft", &no),
        (("supplement", &supplement), "active", &yes),
        (("supplement", &supplement), "revoked", &no),
    ] {
        let (value, places) = eats(&of(&[other(Some(status), part.0, part.1)]));
        assert_eq!(&value, expected, "{part:?} {status}");
        let places: Vec<&str> = places.iter().map(|(id, _)| id.as_str()).collect();
        assert_eq!(places, if *expected == yes { vec!["o2"] } else { vec![] }, "{part:?} {status}");
    }
    // Whether it stands is not told: neither yes nor no.
    for status in [None, Some("unknown")] {
        let said = why_of(&eats(&of(&[other(status, "oralDiet", &diet("386619000"))])).0);
        assert_eq!(said, "an order of a diet or a supplement does not tell whether it stands", "{status:?}");
    }
    // The order itself, where no other order was sent; a draft beside a draft.
    let own = |status: &str, element: &str, part: &Json, beside: &[Json]| {
        let mut order = order();
        order["status"] = json!(status);
        order[element] = part.clone();
        let all: Vec<Json> =
            std::iter::once(order).chain([patient("1956-11-25")]).chain(beside.iter().cloned()).collect();
        eats(&bundle(&all)).0
    };
    assert_eq!(own("active", "supplement", &supplement, &[]), yes);
    assert_eq!(own("active", "oralDiet", &diet("386619000"), &[]), yes);
    let none_sent = "no other orders were sent, nor an answer that there are none";
    assert_eq!(why_of(&own("active", "oralDiet", &fluid, &[])), none_sent);
    assert_eq!(why_of(&own("active", "oralDiet", &diet("182923009"), &[])), none_sent);
    assert_eq!(own("draft", "oralDiet", &fluid, &[other(Some("draft"), "supplement", &supplement)]), yes);
    assert_eq!(why_of(&eats(&of(&[])).0), none_sent);
    assert_eq!(eats(&of(&[searched("NutritionOrder", "")])).0, no);
}

/// Why a fact is missing.
fn why_of(value: &Value) -> String {
    match value {
        Value::Missing(all) => all.iter().map(|m| m.why.to_string()).collect::<Vec<_>>().join("; "),
        other => panic!("{other:?} is not missing"),
    }
}

/// Tubes through the nose, by their devices and the order's route. Codes: SNOMED CT from memory, as in the starter rulebook.
#[test]
fn a_nasal_tube_is_told_by_its_device_or_the_route_and_dated_by_its_use() {
    let mut book = book();
    for (key, code) in [("nasal-tube", "17102003"), ("stoma-tube", "126064005"), ("feeding-tube", "25062003")] {
        book.concepts.push(Concept {
            places: Vec::new(),
            kind: ConceptKind::Device,
            key: key.to_owned(),
            title: key.to_owned(),
            codes: vec![(SNOMED.to_owned(), code.to_owned())],
        });
    }
    let device = |id: &str, code: Option<&str>| {
        let mut device =
            json!({"resourceType": "Device", "id": id, "status": "active", "patient": {"reference": "Patient/p"}});
        if let Some(code) = code {
            device["type"] = json!({"coding": [{"system": SNOMED, "code": code}]});
        }
        device
    };
    let used = |id: &str, of: &str, timing: (&str, Json)| {
        json!({"resourceType": "DeviceUseStatement", "id": id, "status": "active", "subject": {"reference": "Patient/p"},
            "device": {"reference": format!("Device/{of}")}, timing.0: timing.1})
    };
    let since = |id: &str, of: &str, start: &str| used(id, of, ("timingPeriod", json!({"start": start})));
    let routed = |code: &str, more: &[Json]| {
        let mut order = order();
        order["enteralFormula"]["routeofAdministration"] = json!({"coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration", "code": code}]});
        let all: Vec<Json> = [order, patient("1956-11-25")].into_iter().chain(more.iter().cloned()).collect();
        bundle(&all)
    };
    let is = |bundle: &Json| asked(bundle, "nasal_tube", &book).0;
    let days = |bundle: &Json| match asked(bundle, "nasal_tube_age", &book).0 {
        Value::Quantity(Amount::Known(x)) => x.div(Exact::int(86_400)).unwrap().short(2),
        other => why_of(&other),
    };
    let (yes, no) = (Value::Truth(Truth::True), Value::Truth(Truth::False));
    let nasal = device("n", Some("17102003"));
    let weeks = since("u", "n", "2026-10-14T08:00:00Z");
    // The order is of 2026-11-25, 08:00; the route's code tells of the stomach only, of the nose, or of a stoma.
    for route in ["IGASTINSTIL", "NGT"] {
        let all = routed(route, &[nasal.clone(), weeks.clone()]);
        assert_eq!((is(&all), days(&all).as_str()), (yes.clone(), "42"), "{route}");
        assert_eq!(asked(&all, "nasal_tube_age", &book).1[0].0, "n");
    }
    let stoma = routed("GT", &[nasal.clone(), weeks.clone()]);
    assert_eq!((is(&stoma), days(&stoma).as_str()), (no.clone(), "the feed does not go through the nose"));
    // A tube whose way is not told is nasal where the route is.
    let untold = [device("t", Some("25062003")), since("u", "t", "2026-10-14T08:00:00Z")];
    let told_by_route = routed("NGT", &untold);
    assert_eq!((is(&told_by_route), days(&told_by_route).as_str()), (yes.clone(), "42"));
    let why = "a tube or device in use does not tell whether it goes through the nose";
    let not_told = routed("IGASTINSTIL", &untold);
    assert_eq!((why_of(&is(&not_told)), days(&not_told)), (why.to_owned(), why.to_owned()));
    assert_eq!(why_of(&is(&routed("IGASTINSTIL", &[device("x", None)]))), why);
    assert_eq!(is(&routed("IGASTINSTIL", &[device("s", Some("126064005"))])), no);
    // A device that is something else is no tube.
    let pump = [device("p1", Some("463729000"))];
    assert_eq!(why_of(&is(&routed("IGASTINSTIL", &pump))), "no device sent is a feeding tube");
    assert_eq!(days(&routed("NGT", &pump)), "no device sent is a feeding tube");
    // A device that says nothing may be anything; one that was not sent is as if nothing was.
    assert_eq!(
        days(&routed("NGT", &[device("x", None), since("u", "x", "2026-10-14")])),
        "a device in use does not tell whether it is the tube"
    );
    let alone = [since("u", "elsewhere", "2026-10-14")];
    assert_eq!(days(&routed("NGT", &alone)), "the device in use was not sent");
    assert_eq!(asked(&routed("NGT", &alone), "nasal_tube_age", &book).1[0].0, "o");
    assert_eq!(why_of(&is(&routed("IGASTINSTIL", &alone))), "no device sent is a feeding tube");
    // Nothing sent, nothing there, no date.
    assert_eq!(days(&routed("NGT", &[])), "no device was sent");
    assert_eq!(days(&routed("NGT", &[searched("Device", "")])), "the sender looked for devices and there are none");
    let no_date = "the device does not tell since when the tube is in place";
    assert_eq!(days(&routed("NGT", std::slice::from_ref(&nasal))), no_date);
    let seen = used("u", "n", ("timingDateTime", json!("2026-10-14")));
    assert_eq!(days(&routed("NGT", &[nasal.clone(), seen])), no_date);
    let timing =
        used("u", "n", ("timingTiming", json!({"repeat": {"boundsPeriod": {"start": "2026-11-18T08:00:00Z"}}})));
    assert_eq!(days(&routed("NGT", &[nasal.clone(), timing])), "7");
    // Of several the last one placed; what has ended or is over does not count.
    let later = [device("n2", Some("17102003")), since("u2", "n2", "2026-11-15T08:00:00Z")];
    let both = [nasal.clone(), weeks.clone(), later[0].clone(), later[1].clone()];
    assert_eq!(days(&routed("NGT", &both)), "10");
    let ended =
        used("u2", "n2", ("timingPeriod", json!({"start": "2026-11-15T08:00:00Z", "end": "2026-11-20T08:00:00Z"})));
    assert_eq!(days(&routed("NGT", &[nasal.clone(), weeks.clone(), later[0].clone(), ended])), "42");
    let mut stopped = later[1].clone();
    stopped["status"] = json!("completed");
    assert_eq!(days(&routed("NGT", &[nasal, weeks, later[0].clone(), stopped])), "42");
    let again = since("u2", "n", "2026-11-20T08:00:00Z");
    let mut first = since("u", "n", "2026-10-14T08:00:00Z");
    first["timingPeriod"]["end"] = json!("2026-11-19T08:00:00Z");
    assert_eq!(days(&routed("NGT", &[device("n", Some("17102003")), first, again])), "5");
    // The use alone, with the device's kind in words of R5 (`device.concept`).
    let own = json!({"resourceType": "DeviceUsage", "id": "u", "status": "active", "patient": {"reference": "Patient/p"},
        "device": {"concept": {"coding": [{"system": SNOMED, "code": "17102003"}]}},
        "timingPeriod": {"start": "2026-11-18T08:00:00Z"}});
    assert_eq!(
        (is(&routed("IGASTINSTIL", std::slice::from_ref(&own))), days(&routed("NGT", &[own])).as_str()),
        (yes, "7")
    );
}

/// What goes through the tube, by the routes of doses and the dose forms of Medications. Dose forms: EDQM codes, ATC codes, from memory.
#[test]
fn medicines_through_the_tube_are_told_by_their_route_and_form() {
    const EDQM: &str = "http://standardterms.edqm.eu";
    let mut book = book();
    for (kind, key, system, code) in [
        (ConceptKind::DoseForm, "modified-release", EDQM, "10226000"),
        (ConceptKind::DoseForm, "plain", EDQM, "10219000"),
        (ConceptKind::Medicine, "hazardous", "http://www.whocc.no/atc", "L01"),
    ] {
        let codes = vec![(system.to_owned(), code.to_owned())];
        book.concepts.push(Concept { places: Vec::new(), kind, key: key.to_owned(), title: key.to_owned(), codes });
    }
    let route = |code: &str| {
        json!([{"route": {"coding": [
            {"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration", "code": code}]}}])
    };
    let medicine = |atc: &str, form: Option<&str>, routed: Option<Json>| {
        let mut medication = json!({"resourceType": "Medication", "id": "d",
            "code": {"coding": [{"system": "http://www.whocc.no/atc", "code": atc}]}});
        if let Some(form) = form {
            medication["form"] = json!({"coding": [{"system": EDQM, "code": form}]});
        }
        let mut m = json!({"resourceType": "MedicationRequest", "id": "m", "status": "active", "intent": "order",
            "subject": {"reference": "Patient/p"}, "contained": [medication], "medicationReference": {"reference": "#d"}});
        if let Some(routed) = routed {
            m["dosageInstruction"] = routed;
        }
        m
    };
    let get = |m: &[Json], fact: &str| asked(&of(m), fact, &book);
    let forms = |m: Json| match get(&[m], "tube_forms").0 {
        Value::Keys(keys) => format!("{:?} {}", keys.present, keys.complete),
        other => why_of(&other),
    };
    let (slow, plain) = (Some("10226000"), Some("10219000"));
    for tube in ["NGT", "GT", "JJTINSTL", "EFT", "ENTINSTL", "GJT"] {
        assert_eq!(forms(medicine("B01AA03", slow, Some(route(tube)))), "[\"modified-release\"] true", "{tube}");
    }
    for other in ["PO", "IV", "SQ"] {
        assert_eq!(forms(medicine("B01AA03", slow, Some(route(other)))), "[] true", "{other}");
        assert_eq!(forms(medicine("B01AA03", None, Some(route(other)))), "[] true", "{other}");
    }
    assert_eq!(forms(medicine("B01AA03", plain, Some(route("NGT")))), "[\"plain\"] true");
    assert_eq!(forms(medicine("B01AA03", plain, None)), "[] true");
    // A form that no concept stands for may be any.
    let unknown = "a medicine that goes through the tube has a dose form that the rulebook does not know";
    assert_eq!(forms(medicine("B01AA03", Some("10219500"), Some(route("NGT")))), unknown);
    let no_form = "a medicine that goes through the tube, or may, does not tell its dose form";
    assert_eq!(forms(medicine("B01AA03", None, Some(route("NGT")))), no_form);
    let no_route = "a medicine that must not be crushed does not tell whether it goes through the tube";
    assert_eq!(forms(medicine("B01AA03", slow, None)), no_route);
    let not_understood = json!([{"route": {"text": "as before"}}]);
    assert_eq!(forms(medicine("B01AA03", slow, Some(not_understood))), no_route);
    assert_eq!(forms(medicine("B01AA03", None, None)), no_form);
    // By mouth and by tube: one of its doses goes through the tube.
    let mut both = route("PO");
    both.as_array_mut().unwrap().extend(route("NGT").as_array().unwrap().clone());
    assert_eq!(forms(medicine("B01AA03", slow, Some(both))), "[\"modified-release\"] true");
    // One that is not understood does not hide the other, and may itself go through the tube.
    let mut mixed = json!([{"route": {"text": "as before"}}]);
    mixed.as_array_mut().unwrap().extend(route("NGT").as_array().unwrap().clone());
    assert_eq!(forms(medicine("B01AA03", slow, Some(mixed))), "[\"modified-release\"] true");
    let mut half_told = route("PO");
    half_told.as_array_mut().unwrap().push(json!({"text": "and one at night"}));
    assert_eq!(forms(medicine("B01AA03", slow, Some(half_told))), no_route);
    let mut stopped = medicine("B01AA03", slow, Some(route("NGT")));
    stopped["status"] = json!("stopped");
    assert_eq!(forms(stopped), "[] true");
    let mut unclear = medicine("B01AA03", slow, Some(route("NGT")));
    unclear["status"] = json!("unknown");
    assert_eq!(forms(unclear), "a medicine for the tube does not tell whether it is given now");
    // R5: `medication.reference`, `doseForm`.
    let mut later = medicine("B01AA03", None, Some(route("NGT")));
    later.as_object_mut().unwrap().remove("medicationReference");
    later["medication"] = json!({"reference": {"reference": "#d"}});
    later["contained"][0]["doseForm"] = json!({"coding": [{"system": EDQM, "code": "10226000"}]});
    assert_eq!(forms(later), "[\"modified-release\"] true");
    // What is found is led to; what is not told beside it leaves the rest open.
    let (value, places) = get(
        &[medicine("B01AA03", slow, Some(route("NGT"))), {
            let mut other = medicine("B01AA03", None, Some(route("NGT")));
            other["id"] = json!("m2");
            other
        }],
        "tube_forms",
    );
    let Value::Keys(keys) = value else { panic!("{value:?}") };
    assert_eq!((keys.present, keys.complete, places[0].0.as_str()), (vec!["modified-release".to_owned()], false, "m"));
    // The medicine itself.
    let hazardous = |m: Json| match get(&[m], "tube_medicines").0 {
        Value::Keys(keys) => keys.present.join(", "),
        other => why_of(&other),
    };
    assert_eq!(hazardous(medicine("L01BA01", None, Some(route("NGT")))), "hazardous");
    assert_eq!(hazardous(medicine("L01BA01", None, Some(route("PO")))), "");
    assert_eq!(hazardous(medicine("B01AA03", None, Some(route("NGT")))), "");
    assert_eq!(hazardous(medicine("L01BA01", None, None)), no_route);
    assert_eq!(why_of(&get(&[], "tube_forms").0), "no medicines were sent");
    assert_eq!(
        get(&[searched("MedicationRequest", "")], "tube_forms").0,
        Value::Keys(Keys { complete: true, ..Keys::default() })
    );
}

/// A gastrostomy among the procedures, and the time from it to the feed. Code: SNOMED CT from memory, as in the starter rulebook.
#[test]
fn a_new_gastrostomy_is_told_by_a_procedure_and_its_time() {
    let mut book = book();
    book.concepts.push(Concept {
        places: Vec::new(),
        kind: ConceptKind::Procedure,
        key: "gastrostomy".to_owned(),
        title: "gastrostomy".to_owned(),
        codes: vec![(SNOMED.to_owned(), "54956002".to_owned())],
    });
    let procedure = |id: &str, code: Option<&str>, status: Option<&str>, when: Option<(&str, Json)>| {
        let mut p = json!({"resourceType": "Procedure", "id": id, "subject": {"reference": "Patient/p"}});
        if let Some(code) = code {
            p["code"] = json!({"coding": [{"system": SNOMED, "code": code}]});
        }
        if let Some(status) = status {
            p["status"] = json!(status);
        }
        if let Some((name, value)) = when {
            p[name] = value;
        }
        p
    };
    let done =
        |name: &'static str, value: Json| procedure("g", Some("54956002"), Some("completed"), Some((name, value)));
    let at = |when: &str| done("performedDateTime", json!(when));
    let get = |all: &[Json], fact: &str| asked(&of(all), fact, &book);
    let is = |all: &[Json]| match get(all, "new_gastrostomy").0 {
        Value::Truth(truth) => format!("{truth:?}"),
        other => why_of(&other),
    };
    let hours = |p: Json| match get(&[p], "feed_after_gastrostomy").0 {
        Value::Quantity(amount) => {
            let hours =
                |x: Option<Exact>| x.and_then(|x| x.div(Exact::int(3_600))).map(|x| x.short(2)).unwrap_or_default();
            if amount.known().is_some() {
                hours(amount.low())
            } else {
                format!("{} to {}", hours(amount.low()), hours(amount.high()))
            }
        }
        other => why_of(&other),
    };
    // The feed starts on 2026-11-25 at 08:00.
    for (p, expected) in [
        (at("2026-11-25T05:30:00Z"), "2.5"),
        (at("2026-11-25"), "0 to 8"),
        (at("2026-11-24"), "8 to 32"),
        (at("2026-11-25T09:00:00Z"), "0"),
        (done("performedPeriod", json!({"start": "2026-11-25T04:00:00Z", "end": "2026-11-25T05:00:00Z"})), "3"),
        (done("performedPeriod", json!({"start": "2026-11-25T04:00:00Z"})), "4"),
        (done("occurrenceDateTime", json!("2026-11-25T06:00:00Z")), "2"),
        (done("occurrencePeriod", json!({"end": "2026-11-25T07:00:00Z"})), "1"),
    ] {
        assert_eq!((is(std::slice::from_ref(&p)), hours(p.clone())), ("True".to_owned(), expected.to_owned()), "{p}");
    }
    assert_eq!(get(&[at("2026-11-25T05:30:00Z")], "feed_after_gastrostomy").1[0].0, "g");
    // The latest counts; what is long ago, was not done or is something else does not.
    let mut earlier = at("2026-11-23T08:00:00Z");
    earlier["id"] = json!("g0");
    assert_eq!(get(&[earlier, at("2026-11-25T07:00:00Z")], "feed_after_gastrostomy").1[0].0, "g");
    assert_eq!(is(&[at("2026-11-18T08:00:00Z")]), "True");
    assert_eq!(is(&[at("2026-11-18T07:00:00Z")]), "False");
    for status in ["preparation", "not-done", "stopped", "on-hold"] {
        let p =
            procedure("g", Some("54956002"), Some(status), Some(("performedDateTime", json!("2026-11-25T06:00:00Z"))));
        let said = is(&[p]);
        // What was not done at all is set aside before, as if it had not been sent.
        assert!(said == "False" || status == "not-done" && said == "no procedures were sent", "{status}: {said}");
    }
    assert_eq!(
        is(&[procedure("a", Some("80146002"), Some("completed"), Some(("performedDateTime", json!("2026-11-25"))))]),
        "False"
    );
    assert_eq!(is(&[procedure("a", None, Some("completed"), None)]), "False");
    assert_eq!(is(&[searched("Procedure", "")]), "False");
    // Neither yes nor no.
    assert_eq!(is(&[]), "no procedures were sent");
    assert_eq!(
        is(&[procedure("g", Some("54956002"), Some("completed"), None)]),
        "a gastrostomy does not tell when it was done"
    );
    for status in [None, Some("unknown")] {
        let p = procedure("g", Some("54956002"), status, Some(("performedDateTime", json!("2026-11-25T06:00:00Z"))));
        assert_eq!(is(&[p]), "a gastrostomy does not tell whether it was done", "{status:?}");
    }
    let uncoded = |when: &str| procedure("x", None, Some("completed"), Some(("performedDateTime", json!(when))));
    assert_eq!(is(&[uncoded("2026-11-25T06:00:00Z")]), "a procedure has no code in which gastrostomies are named");
    // A time in words is one that is not read, and may be today.
    let in_words = procedure("x", None, Some("completed"), Some(("performedString", json!("this morning"))));
    assert_eq!(is(&[in_words]), "a procedure has no code in which gastrostomies are named");
    assert_eq!(is(&[uncoded("2026-11-01")]), "False");
    assert_eq!(hours(uncoded("2026-11-01")), "no gastrostomy was made lately");
}

/// How the patient eats, by what the order prefers and excludes. Codes: HL7's code system of diets, and SNOMED CT from memory.
#[test]
fn what_is_refused_is_told_by_preferences_and_exclusions() {
    const DIET: &str = "http://terminology.hl7.org/CodeSystem/diet";
    let mut book = book();
    for (key, codes) in [
        ("no-pork", vec![(DIET, "halal"), (DIET, "vegan"), (SNOMED, "226934003")]),
        ("no-animal-food", vec![(DIET, "vegan")]),
    ] {
        let codes = codes.iter().map(|(s, c)| ((*s).to_owned(), (*c).to_owned())).collect();
        let (kind, title) = (ConceptKind::Diet, key.to_owned());
        book.concepts.push(Concept { places: Vec::new(), kind, key: key.to_owned(), title, codes });
    }
    let coded = |system: &str, code: &str| json!({"coding": [{"system": system, "code": code}]});
    let get = |preferred: &[Json], excluded: &[Json]| {
        let mut order = order();
        for (name, list) in [("foodPreferenceModifier", preferred), ("excludeFoodModifier", excluded)] {
            if !list.is_empty() {
                order[name] = json!(list);
            }
        }
        let (value, places) = asked(&bundle(&[order, patient("1956-11-25")]), "refused", &book);
        let Value::Keys(keys) = value else { panic!("{value:?}") };
        (keys.present.join(" "), keys.complete, places.len())
    };
    let said = |keys: &str, complete: bool, places: usize| (keys.to_owned(), complete, places);
    assert_eq!(get(&[], &[]), said("", true, 0));
    assert_eq!(get(&[coded(DIET, " halal ")], &[]), said("no-pork", true, 1));
    assert_eq!(get(&[coded(DIET, "vegan")], &[coded(SNOMED, "226934003")]), said("no-pork no-animal-food", true, 2));
    // What no concept stands for may be looked for in the formula and is not.
    assert_eq!(get(&[coded(DIET, "dairy-free")], &[]), said("", false, 1));
    // In words, or of another system: it may be any.
    assert_eq!(get(&[json!({"text": "Vegetarian"})], &[]), said("", false, 1));
    assert_eq!(get(&[], &[coded("http://other.example", "halal")]), said("", false, 1));
    // What counts like an allergy is looked for as one.
    assert_eq!(get(&[], &[coded(SNOMED, "782555009")]), said("", true, 0));
}
