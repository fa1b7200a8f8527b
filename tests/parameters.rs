//! The figures of an answer as people and programs read them: valid units, sensible digits, and a derivation
//! that ends in the value it explains.

use enteral_gate::answer::parameters_json;
use enteral_gate::appraise::appraise;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::Settings;
use enteral_gate::units::Unit;
use serde_json::Value;
use std::path::Path;

/// Answers to the demonstration's orders and the worked cases.
fn answers() -> Vec<(String, Value)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings::default();
    let mut out = Vec::new();
    for folder in ["deploy/demo/orders", "tests/cases"] {
        for entry in std::fs::read_dir(root.join(folder)).unwrap() {
            let path = entry.unwrap().path();
            if path.extension().is_none_or(|e| e != "json") {
                continue;
            }
            let text = std::fs::read(&path).unwrap();
            let r5 = path.to_string_lossy().contains(".r5.");
            let version = if r5 { FhirVersion::R5 } else { FhirVersion::R4 };
            let json = parameters_json(&appraise(&text, "", version, &formulary, &settings));
            out.push((path.display().to_string(), serde_json::from_str(&json).unwrap()));
        }
    }
    assert!(out.len() > 30, "{}", out.len());
    out
}

fn walk<'v>(value: &'v Value, see: &mut dyn FnMut(&'v Value)) {
    see(value);
    match value {
        Value::Array(items) => items.iter().for_each(|v| walk(v, see)),
        Value::Object(members) => members.values().for_each(|v| walk(v, see)),
        _ => {}
    }
}

#[test]
fn every_unit_is_ucum_and_every_number_is_short() {
    let mut seen = std::collections::BTreeSet::new();
    for (name, answer) in answers() {
        walk(&answer, &mut |v| {
            if v.get("system").and_then(Value::as_str) != Some("http://unitsofmeasure.org") {
                return;
            }
            let code = v["code"].as_str().unwrap();
            seen.insert(code.to_owned());
            // Temperatures and standard deviations are answered, never read.
            if !code.contains("Cel") && code != "{SD}" {
                assert!(Unit::parse(code).is_ok(), "{name}: {code}");
            }
            let unit = v["unit"].as_str().unwrap();
            assert!(!unit.contains(['(', '{', '[']), "{name}: {unit} is for programs, not for people");
            let number = v["value"].to_string();
            let digits = number.trim_start_matches(['-', '0', '.']).len();
            let decimals = number.split_once('.').map_or(0, |(_, d)| d.len());
            assert!(decimals <= 3 || digits <= 4, "{name}: {number} {code}");
        });
    }
    assert!(seen.len() > 20, "{seen:?}");
}

#[test]
fn a_derivation_ends_in_its_value() {
    let mut compared = 0;
    for (name, answer) in answers() {
        walk(&answer, &mut |v| {
            if v.get("name").and_then(Value::as_str) != Some("total") {
                return;
            }
            let parts = v["part"].as_array().unwrap();
            for pair in parts.chunks(2) {
                let [value, derivation] = pair else { panic!("{name}: a figure without a derivation") };
                assert_eq!(derivation["name"], "derivation", "{name}");
                let of = |n: &str| derivation["part"].as_array().unwrap().iter().find(|p| p["name"] == n).unwrap();
                assert_eq!(of("measure")["valueCode"], value["name"], "{name}");
                let text = of("arithmetic")["valueString"].as_str().unwrap();
                let (arithmetic, end) = text.rsplit_once(" = ").unwrap();
                assert!(!arithmetic.contains("not known × not known"), "{name}: {text}");
                if let Some(q) = value.get("valueQuantity") {
                    let shown: f64 = end.split(' ').next().unwrap().parse().unwrap();
                    let exact = q["value"].as_f64().unwrap();
                    assert!((shown - exact).abs() < 0.000_6, "{name}: {} {text}", q["value"]);
                    assert!(end.contains(q["unit"].as_str().unwrap()), "{name}: {text}");
                    compared += 1;
                }
            }
        });
    }
    assert!(compared > 1000, "{compared}");
}

/// The demonstration's adult on continuous feeding, figures by hand: 65 mL/h for 24 h of a feed with 1.2 kcal,
/// 0.125 g carbohydrate and 0.81 mL water per mL in 1,000 mL containers, 80 kg; 30 mL six times and 15 mL
/// eight times of water.
#[test]
fn arithmetic_is_what_a_dietitian_would_write() {
    let (_, answer) = answers().into_iter().find(|(n, _)| n.contains("demo-2")).unwrap();
    let text = answer.to_string();
    for line in [
        "65 mL/h × 24 h + 30 mL × 6 flushes + 15 mL × 8 flushes = 1860 mL/d",
        "1560 mL × 1.2 kcal/mL = 1872 kcal/d",
        "1872 kcal/d ÷ 80 kg = 23.4 kcal/kg/d",
        "(1560 mL × 1.2 kcal/mL) ÷ 1560 mL/d = 1.2 kcal/mL",
        "0.125 g/mL × 65 mL/h × 1000 ÷ 80 kg ÷ 60 min, the highest of any feed = 1.693 mg/kg/min",
        "volume of one flush of water",
        "free water of Invented High Protein 1.2 (HP12)",
        "largest container of Invented High Protein 1.2 (HP12)",
        "132.6 g/d ÷ 1872 kcal/d × 100 = 7.083 g/100 kcal",
    ] {
        assert!(text.contains(line), "{line}");
    }
}
