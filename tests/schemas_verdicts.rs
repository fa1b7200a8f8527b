//! Prints this program's verdict on many orders, for `tests/outside/agreement.py`.
//!
//! `EG_VERDICTS_IN` names a file of lines `{"id": …, "version": "R4", "text": "<the order's JSON>"}`;
//! `EG_VERDICTS_OUT` receives one line each: `{"id": …, "valid": …, "problems": [{"path", "code", "text"}]}`.
//! Without them the valid orders of `tests/orders/valid` are judged, so the road is never untested.

use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::intake::shape;
use serde_json::{Value, json};
use std::fmt::Write as _;

fn verdict(text: &str, version: FhirVersion) -> Value {
    let problems: Vec<Value> = match Document::read(text.as_bytes(), &Limits::default()) {
        Err(error) => vec![json!({"path": null, "code": error.issue_code(), "text": error.to_string()})],
        Ok(document) => shape::check(document.root(), version)
            .into_iter()
            .map(|p| json!({"path": document.node(p.at).path(), "code": p.code, "text": p.text}))
            .collect(),
    };
    json!({"valid": problems.is_empty(), "problems": problems})
}

#[test]
fn verdicts() {
    let Ok(source) = std::env::var("EG_VERDICTS_IN") else {
        let text = include_str!("orders/valid/R4/bolus.json");
        assert_eq!(verdict(text, FhirVersion::R4)["valid"], true);
        assert_eq!(verdict(text, FhirVersion::R5)["valid"], false);
        assert_eq!(verdict("{", FhirVersion::R5)["valid"], false);
        return;
    };
    let target = std::env::var("EG_VERDICTS_OUT").expect("EG_VERDICTS_OUT beside EG_VERDICTS_IN");
    let mut out = String::new();
    for line in std::fs::read_to_string(source).unwrap().lines() {
        let asked: Value = serde_json::from_str(line).unwrap();
        let version = FhirVersion::ALL.into_iter().find(|v| asked["version"] == v.name()).unwrap();
        let mut answer = verdict(asked["text"].as_str().unwrap(), version);
        answer["id"] = asked["id"].clone();
        writeln!(out, "{answer}").unwrap();
    }
    std::fs::write(target, out).unwrap();
}
