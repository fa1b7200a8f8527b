//! What people read: every text of every finding over the samples and over damaged samples is a sentence of the
//! trade, says nothing of FHIR paths or of the program's insides, names its place, is short, and shows nobody's name.

use enteral_gate::answer::{outcome_json, parameters_json, text};
use enteral_gate::appraise::appraise;
use enteral_gate::findings::{Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::Settings;
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

/// Put wherever a person or a number of a person may stand; must not come out anywhere.
const CANARY: &str = "Quetzalcoatl";

fn find(folder: &Path, out: &mut Vec<Value>) {
    let mut paths: Vec<_> = std::fs::read_dir(folder).unwrap().map(|f| f.unwrap().path()).collect();
    paths.sort();
    for path in paths {
        if path.is_dir() {
            find(&path, out);
        } else if path.extension().is_some_and(|e| e == "json")
            && let Ok(value) = serde_json::from_slice(&std::fs::read(&path).unwrap())
        {
            out.push(value);
        }
    }
}

fn samples() -> Vec<Value> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut out = Vec::new();
    for folder in ["deploy/demo/orders", "tests/cases", "tests/orders"] {
        find(&root.join(folder), &mut out);
    }
    assert!(out.len() > 40, "{}", out.len());
    out
}

/// Names, numbers and addresses of people become the canary.
fn marked(value: &mut Value, key: &str, inside: &str) {
    match value {
        Value::Object(members) => {
            let person = members.get("resourceType").and_then(Value::as_str) == Some("Patient");
            for (k, v) in members.iter_mut() {
                let inside =
                    if matches!(k.as_str(), "name" | "telecom" | "address" | "contact" | "identifier") && person {
                        "person"
                    } else if matches!(k.as_str(), "patient" | "subject" | "orderer" | "performer") {
                        "reference"
                    } else {
                        inside
                    };
                marked(v, k, inside);
            }
        }
        Value::Array(items) => items.iter_mut().for_each(|v| marked(v, key, inside)),
        Value::String(s) => {
            let reference = inside == "reference" && matches!(key, "display" | "value");
            if inside == "person" && !matches!(key, "system" | "use") || reference {
                *s = CANARY.to_owned();
            }
        }
        _ => {}
    }
}

fn leaves(value: &Value, at: String, out: &mut Vec<String>) {
    match value {
        Value::Object(m) => {
            m.iter().for_each(|(k, v)| leaves(v, format!("{at}/{}", k.replace('~', "~0").replace('/', "~1")), out))
        }
        Value::Array(a) => a.iter().enumerate().for_each(|(i, v)| leaves(v, format!("{at}/{i}"), out)),
        _ => {}
    }
    out.push(at);
}

/// Every sentence is judged once.
#[derive(Default)]
struct Seen {
    findings: BTreeMap<(Tier, String), String>,
    /// Reasons, fixes and arithmetic.
    others: BTreeSet<(String, String)>,
    documents: usize,
}

impl Seen {
    fn take(&mut self, document: &Value, version: FhirVersion) {
        self.documents += 1;
        let bytes = serde_json::to_vec(document).unwrap();
        let a = appraise(&bytes, "a.json", version, &FORMULARY, &SETTINGS);
        for j in a.orders.iter().flat_map(|o| &o.judged) {
            match &j.outcome {
                Outcome::Flagged(list) => {
                    for f in list {
                        assert!(!f.at.is_empty(), "{}: without a place: {}", j.rule.id, f.text);
                        self.findings.insert((f.tier, f.text.clone()), j.rule.id.to_string());
                        self.others.extend(f.fix.iter().map(|x| (j.rule.id.to_string(), x.clone())));
                    }
                }
                Outcome::NotEvaluated(why, _) => {
                    self.others.insert((j.rule.id.to_string(), format!("{why}.")));
                }
                _ => {}
            }
        }
        for p in &a.problems {
            self.others.insert(("problem".to_owned(), format!("{}.", p.text)));
        }
        let outcome: Value = serde_json::from_str(&outcome_json(&a)).unwrap();
        for issue in outcome["issue"].as_array().unwrap() {
            let words = issue["details"]["text"].as_str().unwrap();
            let placed = issue["expression"].as_array().is_some_and(|e| !e.is_empty());
            // What concerns the input as a whole: no rulebook, the standing text, nothing found.
            let whole = issue["details"]["coding"].as_array().is_none_or(Vec::is_empty);
            assert!(placed || whole, "no place: {issue}");
            assert!(words.ends_with(['.', '?']), "{words}");
        }
        for answer in [outcome.to_string(), parameters_json(&a), text(&a, false)] {
            assert!(!answer.contains(CANARY), "a person is shown in {answer}");
        }
    }
}

/// What is quoted from the input, which may hold any word.
fn without_quotes(text: &str) -> String {
    let mut out = String::new();
    let mut depth = 0;
    let mut straight = false;
    for c in text.chars() {
        match c {
            '“' => depth += 1,
            '”' => depth -= 1,
            '"' | '`' => straight = !straight,
            c if depth == 0 && !straight => out.push(c),
            _ => {}
        }
    }
    out
}

fn judge(rule: &str, text: &str) -> Vec<String> {
    let mut wrong = Vec::new();
    // A code of FHIR's that has such a word in it.
    let own = without_quotes(text).replace("entered-in-error", "");
    let mut bad = |what: &str| wrong.push(format!("{rule}: {what}: {text}"));
    if !text.ends_with(['.', '?']) || text.ends_with("..") {
        bad("no full stop");
    }
    if text.contains("  ") {
        bad("two spaces");
    }
    if text.trim() != text || text.is_empty() {
        bad("spaces around it, or nothing");
    }
    for path in ["NutritionOrder.", "enteralFormula.", "Bundle.entry", "administration[", "]."] {
        if own.contains(path) {
            bad("a path");
        }
    }
    for word in own.split(|c: char| !c.is_alphanumeric() && c != '_') {
        if matches!(
            word,
            "None"
                | "Some"
                | "struct"
                | "enum"
                | "unwrap"
                | "Err"
                | "Ok"
                | "usize"
                | "i64"
                | "i128"
                | "undefined"
                | "NaN"
                | "Exact"
                | "Known"
                | "Unknown"
                | "Why"
                | "At"
                | "error"
                | "failed"
                | "exception"
                | "panic"
        ) {
            bad(&format!("a word of the program, {word}"));
        }
    }
    if own.contains('{') || own.contains("()") || own.contains("::") || own.contains('\n') {
        bad("a sign of the program");
    }
    wrong
}

#[test]
fn texts_are_sentences_of_the_trade() {
    let mut seen = Seen::default();
    for mut sample in samples() {
        marked(&mut sample, "", "");
        for version in [FhirVersion::R4, FhirVersion::R5] {
            seen.take(&sample, version);
        }
        let r5 = sample.to_string().contains("routeOfAdministration");
        let version = if r5 { FhirVersion::R5 } else { FhirVersion::R4 };
        let mut all = Vec::new();
        leaves(&sample, String::new(), &mut all);
        for (n, at) in all.iter().filter(|p| !p.is_empty()).enumerate().step_by(3) {
            let old = sample.pointer(at).unwrap();
            let new = match (old, n % 4) {
                (_, 0) => Value::Null,
                (Value::Number(x), 1) => serde_json::from_str(&format!("{x}e3")).unwrap_or(Value::Null),
                (Value::Number(x), 2) => {
                    serde_json::from_str(&format!("-{}", x.to_string().trim_start_matches('-'))).unwrap()
                }
                (Value::Number(_), _) => json!(0),
                (Value::String(s), 1) if s.len() >= 10 && s.as_bytes()[4] == b'-' => json!("2016-11-25"),
                (Value::String(s), 2) if s == "mL" => json!("L"),
                (Value::String(s), 2) if s == "mL/h" => json!("mL/d"),
                (Value::String(_), 3) => json!(7),
                (Value::String(_), _) => json!("zzz"),
                (Value::Bool(b), _) => json!(!b),
                (Value::Object(_), _) => json!({}),
                (_, _) => json!([]),
            };
            let mut damaged = sample.clone();
            *damaged.pointer_mut(at).unwrap() = new;
            seen.take(&damaged, version);
        }
    }
    let mut wrong = Vec::new();
    let mut lengths: BTreeMap<Tier, Vec<usize>> = BTreeMap::new();
    for ((tier, text), rule) in &seen.findings {
        wrong.extend(judge(rule, text));
        let length = text.chars().count();
        lengths.entry(*tier).or_default().push(length);
        if length > 400 {
            wrong.push(format!("{rule}: {length} characters: {text}"));
        }
        // The first sentence is what a list shows; what it quotes from the order is as long as that is.
        let own = without_quotes(text);
        let first = own.split_inclusive(['.', '?', ':']).scan(String::new(), |acc, part| {
            acc.push_str(part);
            Some(acc.clone())
        });
        let first = first.into_iter().find(|s| s.len() > 20).unwrap_or(own.clone());
        if *tier > Tier::Low && *rule != "INT-01" && first.chars().count() > 140 {
            wrong.push(format!("{rule}: the first sentence has {} characters: {text}", first.chars().count()));
        }
    }
    for (rule, text) in &seen.others {
        wrong.extend(judge(rule, text));
    }
    println!(
        "counts: {} documents, {} different findings, {} reasons and ways out",
        seen.documents,
        seen.findings.len(),
        seen.others.len()
    );
    for (tier, mut all) in lengths {
        all.sort_unstable();
        let at = |share: usize| all[(all.len() - 1) * share / 100];
        println!(
            "lengths {}: {} texts, median {}, 95 % {}, longest {}",
            tier.code(),
            all.len(),
            at(50),
            at(95),
            at(100)
        );
    }
    assert!(seen.findings.len() > 200);
    assert!(wrong.is_empty(), "{} texts:\n{}", wrong.len(), wrong.join("\n"));
}
