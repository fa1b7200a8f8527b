//! The code systems under `schemas/fhir` list what the program knows, no more and no less. With `UPDATE=1`
//! in the environment the files are written anew.

use enteral_gate::http::definitions::DEFINITIONS;
use enteral_gate::nutrition::measure::Measure;
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
    let order = "resourceType id url version name title status experimental date description caseSensitive content count";
    let mut out = String::from("{\n");
    for name in order.split(' ') {
        out += &format!("  \"{name}\": {},\n", system[name]);
    }
    let concepts = system["concept"].as_array().unwrap().iter().map(|concept| {
        let parts: Vec<_> =
            ["code", "display", "definition"].iter().filter_map(|n| concept.get(n).map(|v| format!("\"{n}\": {v}"))).collect();
        format!("    {{{}}}", parts.join(", "))
    });
    out + "  \"concept\": [\n" + &concepts.collect::<Vec<_>>().join(",\n") + "\n  ]\n}\n"
}

#[test]
fn measures() {
    let concepts: Vec<_> = Measure::ALL.iter().map(|m| (m.code().to_owned(), m.label().to_owned(), Some(format!("{}, in {}", m.label(), m.unit())))).collect();
    lists("measure", &concepts);
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
