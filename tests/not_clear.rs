//! What an order, its patient or its context says that is easily passed over: each change of a clear order, and what is then
//! said. Names and figures are invented.

use enteral_gate::answer::outcome_json;
use enteral_gate::appraise::{Appraisal, Disposition, Institution, check_by};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::Received;
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use serde_json::{Value, json};
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static STARTER: LazyLock<Rulebook> = LazyLock::new(|| file::read(file::starter()).unwrap());
static NO_BOOK: LazyLock<Rulebook> = LazyLock::new(Rulebook::default);

fn quantity(value: f64, unit: &str) -> Value {
    json!({"value": value, "unit": unit, "system": "http://unitsofmeasure.org", "code": unit})
}

fn observation(id: &str, loinc: &str, value: Value, when: &str) -> Value {
    json!({"resourceType": "Observation", "id": id, "status": "final",
        "code": {"coding": [{"system": "http://loinc.org", "code": loinc}]},
        "subject": {"reference": "Patient/p"}, "effectiveDateTime": when, "valueQuantity": value})
}

fn encounter(status: &str, class: &str) -> Value {
    json!({"resourceType": "Encounter", "id": "e", "status": status, "subject": {"reference": "Patient/p"},
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": class}})
}

/// The parts of the document: patient, weight, height, order, and more.
struct Parts {
    patient: Value,
    weight: Value,
    height: Value,
    order: Value,
    more: Vec<Value>,
}

/// An adult of 70 kg and 168 cm who gets 70 mL/h of a feed of 1 kcal/mL: nothing is said of it.
fn parts() -> Parts {
    Parts {
        patient: json!({"resourceType": "Patient", "id": "p", "gender": "female", "birthDate": "1961-04-02"}),
        weight: observation("w", "29463-7", quantity(70.0, "kg"), "2026-11-23T08:00:00Z"),
        height: observation("h", "8302-2", quantity(168.0, "cm"), "2026-11-23T08:00:00Z"),
        order: json!({
            "resourceType": "NutritionOrder", "id": "o", "status": "active", "intent": "order",
            "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25T06:00:00Z", "orderer": {"display": "Dr Invented"},
            "enteralFormula": {
                "extension": [{"url": "https://enteral-gate.example/fhir/StructureDefinition/water-flush", "extension": [
                    {"url": "volume", "valueQuantity": quantity(30.0, "mL")},
                    {"url": "schedule", "valueTiming": {"repeat": {"frequency": 1, "period": 4, "periodUnit": "h"}}}]}],
                "baseFormulaType": {"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/invented-products", "code": "A10"}]},
                "caloricDensity": quantity(1.0, "kcal/mL"),
                "routeofAdministration": {"coding": [{"system": "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration", "code": "NGT"}]},
                "administration": [{"schedule": {"repeat": {"boundsPeriod": {"start": "2026-11-25T08:00:00Z"}}},
                    "rateQuantity": quantity(70.0, "mL/h")}]
            }
        }),
        more: Vec::new(),
    }
}

struct Said {
    disposition: Disposition,
    /// Rule, tier or "open", text.
    all: Vec<(String, String, String)>,
    /// The answer.
    issues: Vec<Value>,
}

impl Said {
    fn has(&self, rule: &str, tier: &str, words: &str) -> bool {
        self.all.iter().any(|(r, t, text)| r == rule && t == tier && text.contains(words))
    }

    #[track_caller]
    fn must(&self, rule: &str, tier: &str, words: &str) {
        assert!(self.has(rule, tier, words), "{rule} {tier} {words:?} in {:#?}", self.all);
    }
}

fn of(a: &Appraisal<'_>) -> Said {
    let mut all = Vec::new();
    for order in &a.orders {
        for j in &order.judged {
            match &j.outcome {
                Outcome::Flagged(found) => {
                    all.extend(found.iter().map(|f| (j.rule.id.to_string(), f.tier.code().to_owned(), f.text.clone())))
                }
                Outcome::NotEvaluated(why, _) => all.push((j.rule.id.to_string(), "open".to_owned(), why.clone())),
                Outcome::Hidden(cause) => all.push((j.rule.id.to_string(), "hidden".to_owned(), cause.to_string())),
                _ => {}
            }
        }
    }
    let answer: Value = serde_json::from_str(&outcome_json(a)).unwrap();
    Said { disposition: a.disposition(), all, issues: answer["issue"].as_array().unwrap().clone() }
}

fn check(parts: &Parts, book: &Rulebook, settings: &Settings, version: FhirVersion) -> Said {
    let own = [&parts.patient, &parts.weight, &parts.height, &parts.order];
    let entries: Vec<Value> = own
        .into_iter()
        .chain(&parts.more)
        .filter(|r| r.is_object())
        .map(|r| json!({"fullUrl": format!("https://a.example/fhir/{}/{}", r["resourceType"].as_str().unwrap(), r["id"].as_str().unwrap_or("x")), "resource": r}))
        .collect();
    let bundle = json!({"resourceType": "Bundle", "type": "collection", "entry": entries});
    let bytes = serde_json::to_vec(&bundle).unwrap();
    let a = check_by(&bytes, "", version, Institution { formulary: &FORMULARY, rulebook: book, settings });
    of(&a)
}

fn said(change: impl FnOnce(&mut Parts)) -> Said {
    let mut parts = parts();
    change(&mut parts);
    check(&parts, &NO_BOOK, &Settings::default(), FhirVersion::R4)
}

fn said_by_starter(change: impl FnOnce(&mut Parts)) -> Said {
    let mut parts = parts();
    change(&mut parts);
    check(&parts, &STARTER, &Settings::default(), FhirVersion::R4)
}

fn formula(parts: &mut Parts) -> &mut Value {
    &mut parts.order["enteralFormula"]
}

#[test]
fn the_order_itself_is_clear() {
    assert_eq!(said(|_| {}).disposition, Disposition::Clear);
}

#[test]
fn free_text_keeps_an_order_from_being_clear_unless_it_is_harmless() {
    let text = |text: &str| said(|p| formula(p)["administrationInstruction"] = json!(text));
    for dose in [
        "Off from 20:00 to 06:00",
        "Run at 60/hr",
        "Switch to A15 after this bag",
        "Nothing by tube after midnight",
        "½ strength",
        "NPO after midnight",
        "Nachts pausieren",
        "Arrêter la nutrition pendant la nuit",
        "Suspender la alimentación de 20:00 a 06:00",
        "夜間は中止",
    ] {
        let said = text(dose);
        said.must("CMP-03", "MED", "may change the dose");
        assert_eq!(said.disposition, Disposition::Flagged, "{dose}");
    }
    for unknown in ["As in the other ward", "как обычно", "xxxx"] {
        let said = text(unknown);
        said.must("CMP-03", "open", unknown);
        assert_eq!(said.disposition, Disposition::NotFullyChecked, "{unknown}");
    }
    let harmless = text("Keep head of bed elevated at 30-45 degrees. Family informed.");
    harmless.must("CMP-03", "LOW", "was not counted");
    assert_eq!(harmless.disposition, Disposition::Clear);
    // Beside what changes the dose, what is not understood is told as well.
    let both = said(|p| {
        formula(p)["administrationInstruction"] = json!("Hold at noon");
        p.order["note"] = json!([{"text": "как обычно"}]);
    });
    both.must("CMP-03", "MED", "как обычно");
    // Phrases of the institution.
    let mut settings = Settings::default();
    settings.harmless_texts.insert("per enteral protocol EN-7".to_owned());
    let own = |text: &str| {
        let mut parts = parts();
        parts.order["note"] = json!([{"text": text}]);
        check(&parts, &NO_BOOK, &settings, FhirVersion::R4).disposition
    };
    assert_eq!(own("Per enteral protocol EN-7."), Disposition::Clear);
    assert_eq!(own("Per enteral protocol EN-7, off at noon."), Disposition::Flagged);
    assert_eq!(text("Per enteral protocol EN-7.").disposition, Disposition::Flagged);
}

#[test]
fn an_imprecise_age_takes_the_strictest_limit_for_the_age_of_a_weight() {
    let of = |birth: &str, weighed: &str| {
        said(|p| {
            p.patient["birthDate"] = json!(birth);
            p.weight["effectiveDateTime"] = json!(weighed);
            p.more.push(encounter("in-progress", "HH"));
        })
    };
    // 17 or 18 years: at home an adult's weight may be 90 days old, a child's 30.
    let year = of("2008", "2026-09-20T08:00:00Z");
    year.must("CMP-02", "open", "the full birth date");
    assert_eq!(of("2008-01-05", "2026-09-20T08:00:00Z").disposition, Disposition::Clear);
    of("2009-01-05", "2026-09-20T08:00:00Z").must("CMP-02", "HIGH", "66 days old");
    // A month is told as a range of days.
    let month = of("1961-04-02", "2026-11");
    assert!(!month.all.iter().any(|(_, _, text)| text.contains(" 0 days old")), "{:#?}", month.all);
    let old = of("1961-04-02", "2026-06");
    old.must("CMP-02", "HIGH", "147 to 177 days old");
}

#[test]
fn only_an_encounter_that_stands_tells_where_the_patient_is() {
    let of = |encounter: Value| {
        said(|p| {
            p.weight["effectiveDateTime"] = json!("2026-10-25T08:00:00Z");
            p.more.push(encounter);
        })
    };
    // 31 days: enough at home, too old in hospital.
    assert_eq!(of(encounter("in-progress", "HH")).disposition, Disposition::Clear);
    of(encounter("in-progress", "IMP")).must("CMP-02", "HIGH", "31 days old");
    for status in ["finished", "planned", "cancelled", "discharged"] {
        let said = of(encounter(status, "HH"));
        said.must("CMP-02", "open", "care setting");
        assert_eq!(said.disposition, Disposition::NotFullyChecked, "{status}");
    }
    let with = |period: Value| {
        let mut own = encounter("in-progress", "HH");
        own["period"] = period;
        of(own)
    };
    with(json!({"start": "2026-01-01", "end": "2026-10-01"})).must("CMP-02", "open", "care setting");
    with(json!({"start": "2026-12-01"})).must("CMP-02", "open", "care setting");
    assert_eq!(with(json!({"start": "2026-01-01"})).disposition, Disposition::Clear);
}

/// The queue names the ward where the patient is, not one that was left or is only planned.
#[test]
fn the_ward_on_the_queue_is_the_one_where_the_patient_is() {
    let of = |encounter: Value| {
        let mut own = parts();
        own.order["encounter"] = json!({"reference": "Encounter/e"});
        let entries: Vec<Value> =
            [&own.patient, &own.order, &encounter].into_iter().map(|r| json!({"resource": r})).collect();
        let bytes = json!({"resourceType": "Bundle", "type": "collection", "entry": entries}).to_string();
        let settings = Settings::default();
        let by = Institution { formulary: &FORMULARY, rulebook: &NO_BOOK, settings: &settings };
        let a = check_by(bytes.as_bytes(), "", FhirVersion::R4, by);
        Received::of(&a, &a.orders[0], &[]).ward
    };
    let with = |status: &str, locations: Value| {
        let mut own = encounter(status, "IMP");
        own["location"] = locations;
        of(own)
    };
    let at = |name: &str, status: &str| json!({"location": {"display": name}, "status": status});
    let both = json!([at("W1", "active"), at("W2", "planned"), at("W3", "completed")]);
    assert_eq!(with("in-progress", both.clone()).as_deref(), Some("W1"));
    assert_eq!(with("in-progress", json!([{"location": {"display": "W4"}}])).as_deref(), Some("W4"));
    assert_eq!(with("finished", both.clone()), None);
    assert_eq!(with("planned", both), None);
}

#[test]
fn a_weight_or_height_in_a_component_counts() {
    let panel = |loinc: &str, value: Value, when: &str| {
        json!({"resourceType": "Observation", "id": "panel", "status": "final",
            "code": {"coding": [{"system": "http://loinc.org", "code": "85353-1"}]},
            "subject": {"reference": "Patient/p"}, "effectiveDateTime": when,
            "component": [{"code": {"coding": [{"system": "http://loinc.org", "code": loinc}]}, "valueQuantity": value}]})
    };
    // Alone.
    let alone = said(|p| {
        p.weight = Value::Null;
        p.more.push(panel("29463-7", quantity(70.0, "kg"), "2026-11-24T08:00:00Z"));
    });
    assert_eq!(alone.disposition, Disposition::Clear, "{:#?}", alone.all);
    // The newer one counts: 5,000 kg.
    let newer = said(|p| p.more.push(panel("29463-7", quantity(5000.0, "kg"), "2026-11-24T08:00:00Z")));
    newer.must("WGT-05", "STOP", "5000");
    // One that cannot be read is not replaced by an older one in silence.
    let unreadable = said(|p| p.more.push(panel("29463-7", json!({"value": 50}), "2026-11-24T08:00:00Z")));
    unreadable.must("INT-01", "HIGH", "may be the latest");
    said(|p| p.more.push(panel("8302-2", quantity(69.0, "cm"), "2026-11-24T08:00:00Z"))).must("HGT-01", "HIGH", "69");
}

#[test]
fn a_record_that_does_not_fit_an_order_is_said() {
    let of = |key: &str, value: Value| said(|p| p.patient[key] = value.clone());
    for (key, value) in [
        ("deceasedBoolean", json!(true)),
        ("deceasedDateTime", json!("2026-11-20")),
        ("deceasedDateTime", json!("2026")),
    ] {
        of(key, value).must("LIF-03", "HIGH", "has died");
    }
    for (key, value) in
        [("deceasedBoolean", json!(false)), ("deceasedDateTime", json!("2026-12-20")), ("active", json!(true))]
    {
        assert_eq!(of(key, value.clone()).disposition, Disposition::Clear, "{key} {value}");
    }
    of("active", json!(false)).must("LIF-03", "MED", "not in use");
    // Withheld is neither.
    let withheld = json!({"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "masked"}]});
    for key in ["_deceasedBoolean", "_active"] {
        let said = of(key, withheld.clone());
        assert_ne!(said.disposition, Disposition::Clear, "{key}");
        assert!(said.all.iter().any(|own| format!("{own:?}").contains("withheld")), "{key}: {:#?}", said.all);
    }
    let link = |kind: &str| json!([{"other": {"reference": "Patient/zz"}, "type": kind}]);
    of("link", link("replaced-by")).must("LIF-03", "MED", "taken the place");
    assert_eq!(of("link", link("seealso")).disposition, Disposition::Clear);
}

/// Every age has its own bounds (common practice, no source): plausible, possible, and a step beyond each.
#[test]
fn each_age_has_its_heights() {
    let of = |birth: &str, cm: f64| {
        let said = said(|p| {
            p.patient["birthDate"] = json!(birth);
            p.height["valueQuantity"] = quantity(cm, "cm");
        });
        said.all.iter().find(|(rule, ..)| rule == "HGT-01").map(|(_, tier, _)| tier.clone())
    };
    for (birth, plausible, possible) in [
        ("2026-11-10", (22.0, 62.0), (20.0, 65.0)),
        ("2026-06-10", (28.0, 90.0), (25.0, 95.0)),
        ("2025-06-10", (50.0, 105.0), (45.0, 110.0)),
        ("2023-06-10", (62.0, 132.0), (55.0, 140.0)),
        ("2018-06-10", (75.0, 170.0), (65.0, 180.0)),
        ("2012-06-10", (90.0, 220.0), (75.0, 240.0)),
        ("1980-06-10", (120.0, 230.0), (90.0, 250.0)),
    ] {
        for (cm, tier) in [
            (plausible.0, None),
            (plausible.1, None),
            (plausible.0 - 0.1, Some("MED")),
            (plausible.1 + 0.1, Some("MED")),
            (possible.0, Some("MED")),
            (possible.1, Some("MED")),
            (possible.0 - 0.1, Some("HIGH")),
            (possible.1 + 0.1, Some("HIGH")),
        ] {
            let cm = (cm * 10.0_f64).round() / 10.0;
            assert_eq!(of(birth, cm).as_deref(), tier, "{birth}: {cm} cm");
        }
    }
}

/// Bounds: common practice, no source.
#[test]
fn impossible_heights_are_said_and_nothing_is_reckoned_from_them() {
    let of = |birth: &str, kg: f64, cm: f64| {
        said(|p| {
            p.patient["birthDate"] = json!(birth);
            p.weight["valueQuantity"] = quantity(kg, "kg");
            p.height["valueQuantity"] = quantity(cm, "cm");
        })
    };
    let adult = "1980-03-10";
    of(adult, 70.0, 69.0).must("HGT-01", "HIGH", "69 cm is implausible");
    of(adult, 70.0, 1.75).must("HGT-01", "HIGH", "1.75 cm");
    for cm in [119.9, 230.1] {
        of(adult, 70.0, cm).must("HGT-01", "MED", "unusual");
    }
    for cm in [120.0, 175.0, 230.0] {
        assert!(!of(adult, 70.0, cm).all.iter().any(|(rule, ..)| rule == "HGT-01"), "{cm}");
    }
    for (birth, kg, cm) in [("2024-05-25", 11.5, 8.8), ("2024-05-25", 11.5, 34.6), ("2016-05-25", 32.0, 54.0)] {
        of(birth, kg, cm).must("HGT-01", "HIGH", "implausible");
    }
    for (birth, kg, cm) in [("2024-05-25", 11.5, 88.0), ("2016-05-25", 32.0, 138.0), ("2026-11-10", 3.4, 50.0)] {
        assert!(!of(birth, kg, cm).all.iter().any(|(rule, ..)| rule == "HGT-01"), "{cm}");
    }
    // Inches and metres are named.
    for (cm, named) in [(69.0, "in inches, the height is 175.3 cm"), (1.75, "in metres, the height is 175 cm")] {
        let said = of(adult, 70.0, cm);
        assert!(said.issues.iter().any(|i| i["diagnostics"].as_str().unwrap_or("").contains(named)), "{named}");
    }
    // What rests on it is put off, and the weight is not blamed.
    let doubted = said_by_starter(|p| {
        p.weight["valueQuantity"] = quantity(45.0, "kg");
        p.height["valueQuantity"] = quantity(69.0, "cm");
    });
    assert!(doubted.all.iter().any(|(_, tier, cause)| tier == "hidden" && cause == "HGT-01"), "{:#?}", doubted.all);
    assert!(
        !doubted.all.iter().any(|(rule, tier, text)| {
            rule.starts_with("WGT") && tier != "hidden" || text.contains("Settle the weight")
        }),
        "{:#?}",
        doubted.all
    );
}

#[test]
fn a_route_into_a_vein_is_seen_however_it_is_spelt() {
    for text in [
        "IV",
        "iv",
        "i.v.",
        "I.V.",
        "i. v.",
        "i v",
        "per i.v.",
        "i.v. line",
        "CVC",
        "C.V.C.",
        "PICC",
        "P.I.C.C. line",
        "parenteral",
        "intravenous",
        "intravenös",
        "central venous line",
        "ZVK",
        "midline",
    ] {
        let said = said(|p| formula(p)["routeofAdministration"]["text"] = json!(text));
        said.must("RTE-06", "STOP", "not into the gut");
    }
    for text in ["nasogastric", "via i.g. tube", "into stomach", "PEG"] {
        let said = said(|p| formula(p)["routeofAdministration"]["text"] = json!(text));
        assert!(!said.all.iter().any(|(rule, ..)| rule == "RTE-06"), "{text}");
    }
}

#[test]
fn an_offset_that_is_withheld_is_not_zero() {
    let mut settings = Settings::default();
    settings.clock.insert("ACM".to_owned(), vec![7 * 3600]);
    let of = |repeat: Value| {
        let mut parts = parts();
        formula(&mut parts)["administration"] =
            json!([{"schedule": {"repeat": repeat}, "quantity": quantity(300.0, "mL")}]);
        check(&parts, &NO_BOOK, &settings, FhirVersion::R4)
    };
    let withheld = json!({"extension": [{"url": "http://hl7.org/fhir/StructureDefinition/data-absent-reason", "valueCode": "unknown"}]});
    let stated = of(json!({"when": ["ACM"], "offset": 30}));
    assert!(!stated.all.iter().any(|(rule, ..)| rule == "CON-11"), "{:#?}", stated.all);
    of(json!({"when": ["ACM"], "_offset": withheld})).must("CMP-01", "HIGH", "(offset) is not known");
}

#[test]
fn the_unit_of_an_additive_is_remarked_on() {
    let additive = |quantity: Value| {
        said(|p| {
            let mct = json!({"coding": [{"system": "https://enteral-gate.example/fhir/CodeSystem/invented-products", "code": "MCT"}]});
            formula(p)["extension"].as_array_mut().unwrap().push(json!({
                "url": "https://enteral-gate.example/fhir/StructureDefinition/additive-dose",
                "extension": [
                    {"url": "item", "valueCodeableConcept": mct},
                    {"url": "quantity", "valueQuantity": quantity},
                    {"url": "per", "valueCode": "day"}]
            }));
        })
    };
    additive(json!({"value": 20, "unit": "ml"})).must("INT-03", "LOW", "additive amount");
    let plain = additive(quantity(20.0, "mL"));
    assert!(!plain.all.iter().any(|(rule, ..)| rule == "INT-03"), "{:#?}", plain.all);
}

#[test]
fn a_unit_text_that_is_no_unit_is_told() {
    let of = |text: &str| {
        said(|p| {
            formula(p)["maxVolumeToDeliver"] =
                json!({"value": 1680, "unit": text, "system": "http://unitsofmeasure.org", "code": "mL"})
        })
    };
    for text in ["tbsp", "cups", "can", "bottle", "Flaschen", "mL20"] {
        of(text).must("UNT-09", "MED", "another measure");
    }
    for text in ["ml pro Stunde", "mL per hour", "ml/Tag"] {
        of(text).must("UNT-09", "HIGH", "cannot be used");
    }
    for text in ["milllitres", "ml per feed", "毫升"] {
        let said = of(text);
        said.must("UNT-09", "LOW", "not understood");
        assert_eq!(said.disposition, Disposition::Clear, "{text}: {:#?}", said.all);
    }
    for text in ["mL", "ml", "millilitres", "Mililitros", ""] {
        assert!(!of(text).all.iter().any(|(rule, tier, _)| rule == "UNT-09" && tier != "hidden"), "{text}");
    }
}

/// Names of the R6 ballot.
#[test]
fn an_order_of_the_r6_ballot_is_not_supported_in_the_answer_too() {
    for version in [FhirVersion::R4, FhirVersion::R5] {
        let mut parts = parts();
        let most = quantity(1680.0, "mL");
        formula(&mut parts)["maxVolumeToAdminister"] = most;
        let said = check(&parts, &NO_BOOK, &Settings::default(), version);
        let told = said
            .issues
            .iter()
            .find(|i| i["details"]["text"].as_str().unwrap().contains("ersion not supported"))
            .unwrap_or_else(|| panic!("{:#?}", said.all));
        assert!(told["details"]["text"].as_str().unwrap().contains("the R6 ballot"), "{told}");
        assert_eq!((&told["code"], &told["severity"]), (&json!("not-supported"), &json!("error")));
    }
}

#[test]
fn every_expression_selects_one_node() {
    let rates = said(|p| {
        formula(p)["administration"][0]["rateRatio"] =
            json!({"numerator": quantity(70.0, "mL"), "denominator": quantity(1.0, "h")});
        formula(p)["administration"][0]["schedule"]["repeat"]["boundsDuration"] = quantity(3.0, "d");
    });
    let all: Vec<&str> = rates
        .issues
        .iter()
        .flat_map(|i| i["expression"].as_array().into_iter().flatten())
        .map(|e| e.as_str().unwrap())
        .collect();
    let ends = |end: &str| all.iter().any(|e| e.ends_with(end));
    assert!(!ends(".rate") && !ends(".bounds"), "{all:?}");
    // What holds both is one node.
    assert!(ends("administration[0]") && ends("schedule.repeat"), "{all:?}");
}

#[test]
fn what_is_wrong_is_said_once_and_as_it_is() {
    let stranger = said(|p| formula(p)["zzz"] = json!(1));
    stranger.must("INT-01", "HIGH", "zzz");
    assert!(!stranger.all.iter().any(|(rule, ..)| rule == "INT-07"), "{:#?}", stranger.all);
    let bad = said(|p| {
        formula(p)["administration"][0]["rateQuantity"] = json!({"value": 200, "unit": 7, "system": "", "code": true})
    });
    assert!(!bad.all.iter().any(|(_, _, text)| text.contains("the value cannot be read")), "{:#?}", bad.all);
    bad.must("INT-02", "HIGH", "its value or its unit");
    let absent = "http://hl7.org/fhir/StructureDefinition/data-absent-reason";
    let of = |reason: &str| {
        said(|p| formula(p)["_baseFormulaProductName"] = json!({"extension": [{"url": absent, "valueCode": reason}]}))
    };
    of("nonsense").must("INT-01", "LOW", "data-absent-reason is \"nonsense\"");
    assert!(!of("unknown").all.iter().any(|(_, _, text)| text.contains("data-absent-reason is")));
}

#[test]
fn one_finding_tells_of_all_foreign_resources() {
    let said = said(|p| {
        p.order["contained"] = (0..300).map(|n| json!({"resourceType": "Device", "id": format!("d{n}"), "patient": {"reference": format!("Patient/other{n}")}})).collect();
    });
    let told: Vec<_> = said.all.iter().filter(|(rule, ..)| rule == "CMP-06").collect();
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(
        told[0].2.starts_with("300 resources belong to another patient")
            && told[0].2.contains("Device/d0")
            && told[0].2.contains("280 more"),
        "{told:?}"
    );
    assert!(!told[0].2.contains("Patient/"), "the other patients are not named: {told:?}");
    let issue = said.issues.iter().find(|i| i["details"]["coding"][0]["code"] == "CMP-06").unwrap();
    assert_eq!(issue["expression"].as_array().unwrap().len(), 20);
}
