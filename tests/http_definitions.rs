//! The code systems under `schemas/fhir` list what the program knows, no more and no less. With `UPDATE=1`
//! in the environment the files are written anew.

use enteral_gate::answer::parameters_json;
use enteral_gate::appraise::appraise;
use enteral_gate::assumptions::Assumption;
use enteral_gate::findings::Tier;
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::card::{OVERRIDE_REASONS, OVERRIDE_SYSTEM};
use enteral_gate::http::definitions::{CANONICAL, DEFINITIONS};
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::integrity::RULES;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::settings::Settings;
use serde_json::{Value, json};
use std::fs;

/// A CodeSystem file with exactly these concepts: (code, display, definition).
fn lists(id: &str, concepts: &[(String, String, Option<String>)]) {
    let path = format!("{}/schemas/fhir/CodeSystem-{id}.json", env!("CARGO_MANIFEST_DIR"));
    let mut system: Value = serde_json::from_str(&fs::read_to_string(&path).unwrap()).unwrap();
    let wanted: Vec<Value> = concepts
        .iter()
        .map(|(code, display, definition)| {
            let mut concept = json!({"code": code, "display": display});
            if let Some(definition) = definition {
                concept["definition"] = json!(definition);
            }
            concept
        })
        .collect();
    if std::env::var_os("UPDATE").is_some() {
        system["content"] = json!("complete");
        system["count"] = json!(wanted.len());
        system["concept"] = json!(wanted);
        fs::write(&path, written(&system)).unwrap();
    }
    assert_eq!(system["content"], "complete");
    assert_eq!(system["count"], wanted.len());
    assert_eq!(system["concept"], json!(wanted), "{path} is stale; run the tests with UPDATE=1");
    let mut codes: Vec<_> = concepts.iter().map(|(code, ..)| code).collect();
    codes.sort();
    codes.dedup();
    assert_eq!(codes.len(), concepts.len(), "a code stands twice");
}

/// With the elements in FHIR's order, and a concept a line.
fn written(system: &Value) -> String {
    let order =
        "resourceType id url version name title status experimental date description caseSensitive content count";
    let mut out = String::from("{\n");
    for name in order.split(' ') {
        out += &format!("  \"{name}\": {},\n", system[name]);
    }
    let concepts = system["concept"].as_array().unwrap().iter().map(|concept| {
        let parts: Vec<_> = ["code", "display", "definition"]
            .iter()
            .filter_map(|n| concept.get(n).map(|v| format!("\"{n}\": {v}")))
            .collect();
        format!("    {{{}}}", parts.join(", "))
    });
    out + "  \"concept\": [\n" + &concepts.collect::<Vec<_>>().join(",\n") + "\n  ]\n}\n"
}

#[test]
fn measures() {
    let concepts: Vec<_> = Measure::ALL
        .iter()
        .map(|m| (m.code().to_owned(), m.label().to_owned(), Some(format!("{}, in {}", m.label(), m.unit()))))
        .collect();
    lists("measure", &concepts);
}

#[test]
fn findings() {
    let concepts: Vec<_> = RULES
        .iter()
        .map(|(r, _)| (r.id.to_string(), r.name.to_string(), Some(format!("{}. Source: {}.", r.title, r.source))))
        .collect();
    lists("finding", &concepts);
}

#[test]
fn assumptions() {
    let concepts: Vec<_> = Assumption::ALL.iter().map(|a| (a.id().to_owned(), a.text().to_owned(), None)).collect();
    lists("assumption", &concepts);
}

#[test]
fn tiers_and_systems() {
    let text = DEFINITIONS.iter().find(|d| d.id == "tier").unwrap().text;
    let system: Value = serde_json::from_str(text).unwrap();
    let codes: Vec<_> = system["concept"].as_array().unwrap().iter().map(|c| c["code"].as_str().unwrap()).collect();
    assert_eq!(codes, [Tier::Stop, Tier::High, Tier::Med, Tier::Low].map(Tier::code));
    for (id, used) in [
        ("finding", enteral_gate::answer::FINDING_SYSTEM),
        ("assumption", enteral_gate::answer::ASSUMPTION_SYSTEM),
        ("measure", enteral_gate::answer::MEASURE_SYSTEM),
        ("override-reason", OVERRIDE_SYSTEM),
    ] {
        assert_eq!(used, format!("{CANONICAL}/CodeSystem/{id}"));
    }
    let text = DEFINITIONS.iter().find(|d| d.id == "override-reason").unwrap().text;
    let system: Value = serde_json::from_str(text).unwrap();
    let concepts = OVERRIDE_REASONS.map(|(code, words)| json!({"code": code, "display": words}));
    assert_eq!(system["concept"], json!(concepts));
}

#[test]
fn every_file_is_served() {
    let mut files: Vec<_> = fs::read_dir(format!("{}/schemas/fhir", env!("CARGO_MANIFEST_DIR")))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    let mut served: Vec<_> = DEFINITIONS.iter().map(|d| format!("{}-{}.json", d.kind, d.id)).collect();
    files.sort();
    served.sort();
    assert_eq!(files, served);
}

/// Every part of an answer is declared, with its type and how often it may come.
fn declared(parts: &[Value], declarations: &[Value], place: &str) {
    for part in parts {
        let name = part["name"].as_str().unwrap();
        if place.ends_with(".total") && Measure::ALL.iter().any(|m| m.code() == name) {
            continue;
        }
        let declaration =
            declarations.iter().find(|d| d["name"] == name).unwrap_or_else(|| panic!("{place}.{name} is not declared"));
        match declaration["type"].as_str() {
            None => declared(
                part["part"].as_array().unwrap(),
                declaration["part"].as_array().unwrap(),
                &format!("{place}.{name}"),
            ),
            Some("OperationOutcome") => assert!(part["resource"].is_object(), "{place}.{name}"),
            // Quantity, Range or parts.
            Some("Element") => {}
            Some(kind) => {
                let key = format!("value{}{}", kind[..1].to_uppercase(), &kind[1..]);
                assert!(part.get(&key).is_some(), "{place}.{name} is no {kind}");
            }
        }
    }
    for declaration in declarations {
        let times = parts.iter().filter(|p| p["name"] == declaration["name"]).count();
        // A steady day that there is not holds the reason only.
        let least = usize::try_from(declaration["min"].as_u64().unwrap()).unwrap();
        assert!(times >= least, "{place}.{} comes {times} times", declaration["name"]);
        assert!(declaration["max"] == "*" || times <= 1, "{place}.{} comes {times} times", declaration["name"]);
    }
}

#[test]
fn the_operation_declares_what_it_answers() {
    let definition: Value = serde_json::from_str(DEFINITIONS[0].text).unwrap();
    let out: Vec<Value> =
        definition["parameter"].as_array().unwrap().iter().filter(|p| p["use"] == "out").cloned().collect();
    let formulary = Formulary::from_csv("demo", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let settings = Settings { demo: true, ..Settings::default() };
    for sample in &SAMPLES {
        let answer = parameters_json(&appraise(sample.text.as_bytes(), "", sample.version, &formulary, &settings));
        let answer: Value = serde_json::from_str(&answer).unwrap();
        declared(answer["parameter"].as_array().unwrap(), &out, sample.name);
    }
}
