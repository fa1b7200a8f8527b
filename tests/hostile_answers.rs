//! Hostile and broken input, put one value at a time into an order that is clear: it never stays clear unless the
//! value is harmless, and every form of the answer stays well-formed whatever texts the input holds. By kind of
//! input: tests/hostile.rs; at the doors: tests/cli.rs and tests/http.rs.

use enteral_gate::answer::{junit, junit_case, outcome_json, parameters_json, text};
use enteral_gate::appraise::{Disposition, appraise, check};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::json::{Document, JsonError, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::Settings;
use proptest::prelude::*;
use serde_json::Value;
use std::fmt::Write;
use std::sync::LazyLock;
use std::time::{Duration, Instant};

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

/// Texts that must not reach a reader as they are.
fn unseen(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}')
        || c.is_control()
}

/// XML in its barest form: tags nest, nothing stands raw that must be escaped.
fn assert_xml(xml: &str) {
    let mut open: Vec<&str> = Vec::new();
    let mut rest = xml.strip_prefix("<?xml version=\"1.0\" encoding=\"UTF-8\"?>").expect("a declaration");
    while let Some(at) = rest.find(['<', '&']) {
        assert!(!rest[..at].contains('>'), "a raw > in {}", &rest[..at]);
        if rest[at..].starts_with('&') {
            let end = rest[at..].find(';').expect("an entity ends");
            assert!(
                ["&amp;", "&lt;", "&gt;", "&quot;", "&#10;"].contains(&&rest[at..=at + end]),
                "{}",
                &rest[at..=at + end]
            );
            rest = &rest[at + end + 1..];
            continue;
        }
        let end = rest.find('>').expect("a tag ends");
        let tag = &rest[at + 1..end];
        assert_eq!(tag.matches('"').count() % 2, 0, "{tag}");
        if let Some(name) = tag.strip_prefix('/') {
            assert_eq!(open.pop(), Some(name));
        } else if !tag.ends_with('/') {
            open.push(tag.split(' ').next().unwrap());
        }
        rest = &rest[end + 1..];
    }
    assert!(open.is_empty(), "{open:?}");
    assert!(!xml.chars().any(|c| c != '\n' && unseen(c)), "a character that is not seen");
}

struct Answer {
    disposition: Disposition,
    /// Ids of rules that found something above a reminder, or could not be evaluated.
    rules: Vec<String>,
    outcome: Value,
    text: String,
    junit: String,
}

impl Answer {
    fn issues(&self) -> impl Iterator<Item = (&str, &str, &str)> {
        self.outcome["issue"].as_array().unwrap().iter().map(|i| {
            (i["severity"].as_str().unwrap(), i["code"].as_str().unwrap(), i["details"]["text"].as_str().unwrap())
        })
    }
}

/// Appraises in every way and renders in every form; every answer must be well-formed.
fn ask(bytes: &[u8], version: FhirVersion) -> Answer {
    let begun = Instant::now();
    let a = appraise(bytes, "a.json", version, &FORMULARY, &SETTINGS);
    let outcome = outcome_json(&a);
    assert_eq!(outcome, outcome_json(&check(bytes, "a.json", version, &FORMULARY, &SETTINGS)));
    let parameters = parameters_json(&a);
    let open = Limits { bytes: usize::MAX, depth: 64, string: usize::MAX, array: usize::MAX };
    for json in [&outcome, &parameters] {
        // Names are unique, strings are strict; a figure may have more places than are read in an order.
        match Document::read(json.as_bytes(), &open) {
            Ok(_) | Err(JsonError::Number { .. }) => {}
            Err(why) => panic!("an answer is strict JSON: {why}"),
        }
        serde_json::from_str::<Value>(json).expect("an answer is strict JSON");
    }
    let outcome: Value = serde_json::from_str(&outcome).unwrap();
    assert_eq!(outcome["resourceType"], "OperationOutcome");
    assert!(!outcome["issue"].as_array().unwrap().is_empty());
    let plain = text(&a, false);
    assert!(!plain.chars().any(|c| c != '\n' && unseen(c)), "a character that is not seen in\n{plain:?}");
    let junit = junit(&[junit_case("a.json", &a)]);
    assert_xml(&junit);
    let mut rules = Vec::new();
    for j in a.orders.iter().flat_map(|o| &o.judged) {
        let told = match &j.outcome {
            Outcome::Flagged(f) => f.iter().any(|f| f.tier > enteral_gate::findings::Tier::Low),
            Outcome::NotEvaluated(..) => true,
            _ => false,
        };
        if told {
            rules.push(j.rule.id.to_string());
        }
    }
    // Coarse: work is bounded. An unoptimised build on a busy machine is slow.
    assert!(
        begun.elapsed() < Duration::from_secs(10),
        "took {:?}: {}",
        begun.elapsed(),
        String::from_utf8_lossy(&bytes[..bytes.len().min(1500)])
    );
    Answer { disposition: a.disposition(), rules, outcome, text: plain, junit }
}

/// An adult around the clock by pump; every slot `«name:literal»` is filled with its literal or with a given one.
const TEMPLATE: &str = r#"{"resourceType":"Bundle","type":"collection","entry":[
{"fullUrl":"https://a.example/fhir/Patient/p","resource":{"resourceType":"Patient","id":"p","gender":"female","birthDate":«birth:"1966-02-14"»}},
{"fullUrl":"https://a.example/fhir/Observation/w","resource":{"resourceType":"Observation","id":"w","status":"final",
 "code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":«subject:"Patient/p"»},
 "effectiveDateTime":«weighed:"2026-11-25T05:30:00Z"»,
 "valueQuantity":{"value":«kg:68.5»,"unit":"kg","system":"http://unitsofmeasure.org","code":«kg-code:"kg"»}}}«more:»,
{"fullUrl":"https://a.example/fhir/NutritionOrder/o","resource":{"resourceType":"NutritionOrder","id":«id:"o"»,"status":"active","intent":"order",
 "patient":{"reference":"Patient/p"},"dateTime":«ordered:"2026-11-25T06:30:00Z"»,"orderer":{"display":«orderer:"Dr Invented"»}«note:»,
 "enteralFormula":{"extension":[«flushes:{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush","extension":[
   {"url":"volume","valueQuantity":{"value":«flush:30»,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}},
   {"url":"schedule","valueTiming":{"repeat":{"frequency":6,"period":1,"periodUnit":"d"}}}]}»],
  "baseFormulaType":{"coding":[{"system":"https://enteral-gate.example/fhir/CodeSystem/invented-products","code":«product:"A12"»«display:»}]}«name:»,
  "caloricDensity":{"value":«density:1.2»,"unit":«density-unit:"kcal/mL"»,"system":"http://unitsofmeasure.org","code":«density-code:"kcal/mL"»},
  "routeofAdministration":{"coding":[{"system":"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration","code":"NGT"}]},
  "administration":«administration:[{"schedule":{"repeat":«repeat:{"boundsPeriod":{"start":"2026-11-25T07:00:00Z"}}»},
   "rateQuantity":{"value":«rate:62»,"unit":«unit:"mL/h"»,"system":«system:"http://unitsofmeasure.org"»,"code":«code:"mL/h"»}«quantity:»}]»}}}]}"#;

fn with(given: &[(&str, &str)]) -> String {
    fn fill(text: &str, given: &[(&str, &str)], used: &mut Vec<String>) -> String {
        let mut out = String::new();
        let mut rest = text;
        while let Some(at) = rest.find('«') {
            out.push_str(&rest[..at]);
            let inner = &rest[at + '«'.len_utf8()..];
            let mut depth = 1;
            let end = inner
                .char_indices()
                .find(|(_, c)| {
                    depth += i32::from(*c == '«') - i32::from(*c == '»');
                    depth == 0
                })
                .unwrap()
                .0;
            let (name, literal) = inner[..end].split_once(':').unwrap();
            match given.iter().find(|g| g.0 == name) {
                Some((_, value)) => {
                    used.push(name.to_owned());
                    out.push_str(value);
                }
                None => out.push_str(&fill(literal, given, used)),
            }
            rest = &inner[end + '»'.len_utf8()..];
        }
        out.push_str(rest);
        out
    }
    let mut used = Vec::new();
    let out = fill(TEMPLATE, given, &mut used);
    for (name, _) in given {
        assert!(used.iter().any(|u| u == name), "no slot {name}");
    }
    out
}

fn r4(given: &[(&str, &str)]) -> Answer {
    ask(with(given).as_bytes(), FhirVersion::R4)
}

/// Not clear, and one of the rules (if any are named) says so.
fn not_clear(given: &[(&str, &str)], rules: &[&str]) {
    let a = r4(given);
    assert!(
        matches!(a.disposition, Disposition::Flagged | Disposition::NotFullyChecked),
        "{given:?} is {:?}",
        a.disposition
    );
    assert!(
        rules.is_empty() || rules.iter().any(|r| a.rules.iter().any(|x| x == r)),
        "{given:?}: {:?}, not {rules:?}",
        a.rules
    );
}

/// Refused as a whole, with the issue type and a place.
fn refused(bytes: &[u8], code: &str) -> Answer {
    let a = ask(bytes, FhirVersion::R4);
    assert_eq!(a.disposition, Disposition::Refused, "{}", String::from_utf8_lossy(&bytes[..bytes.len().min(300)]));
    let issues: Vec<_> = a.issues().collect();
    assert_eq!((issues.len(), issues[0].0, issues[0].1), (1, "fatal", code), "{}", a.outcome);
    a
}

#[test]
fn the_template_is_clear() {
    let a = r4(&[]);
    assert_eq!(a.disposition, Disposition::Clear, "{}", a.text);
}

#[test]
fn names_given_twice() {
    for (slot, twice) in
        [("rate", r#"62,"value":620"#), ("kg", r#"68.5,"value":6.85"#), ("product", r#""A12","c\u006fde":"A15""#)]
    {
        let a = refused(with(&[(slot, twice)]).as_bytes(), "structure");
        let issue = &a.outcome["issue"][0];
        assert!(issue["diagnostics"].as_str().unwrap().contains("line"), "{issue}");
        assert!(issue["expression"][0].as_str().unwrap().starts_with("Bundle.entry["), "{issue}");
    }
}

#[test]
fn nested_too_deep() {
    for depth in [65usize, 128, 200, 100_000] {
        let bytes = format!("{}{}", "[".repeat(depth), "]".repeat(depth));
        assert_eq!(ask(bytes.as_bytes(), FhirVersion::R4).disposition, Disposition::Refused);
        let objects =
            format!("{{\"resourceType\":\"NutritionOrder\",\"x\":{}1{}}}", "{\"a\":".repeat(depth), "}".repeat(depth));
        refused(objects.as_bytes(), "too-costly");
    }
    // Extensions inside extensions up to the limit are read, not understood, and harm nobody.
    let mut extension = r#"{"url":"https://a.example/x","valueString":"y"}"#.to_owned();
    for _ in 0..20 {
        extension = format!(r#"{{"url":"https://a.example/x","extension":[{extension}]}}"#);
    }
    r4(&[("note", &format!(r#","extension":[{extension}]"#))]);
}

#[test]
fn numbers() {
    for literal in [
        "1e400",
        "1e-400",
        "1e2147483648",
        &"9".repeat(1000),
        &format!("0.{}1", "0".repeat(999)),
        "NaN",
        "Infinity",
        "-Infinity",
        "060",
        "+1",
        ".5",
        "5.",
        "0x3E",
        "6_2",
        "1e",
        "1234567890123456789",
        "62e10",
    ] {
        for slot in ["rate", "kg", "density"] {
            let a = ask(with(&[(slot, literal)]).as_bytes(), FhirVersion::R4);
            assert_eq!(a.disposition, Disposition::Refused, "{slot} {literal:.20}");
        }
    }
    for literal in ["\"62\"", "\"\"", "null", "true", "[62]", "{\"value\":62}", "1E5", "-62", "0", "-0", "0.0", "0e5"] {
        for slot in ["rate", "kg", "density", "flush"] {
            not_clear(&[(slot, literal)], &[]);
        }
    }
    for literal in ["62.0", "62.000000", "6.2e1", "620e-1", "6.2E+1"] {
        assert_eq!(r4(&[("rate", literal)]).disposition, Disposition::Clear, "{literal}");
    }
}

#[test]
fn timings_that_cannot_be() {
    let start = r#""boundsPeriod":{"start":"2026-11-25T07:00:00Z"}"#;
    let dose = r#","quantity":{"value":200,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}"#;
    for repeat in [
        r#""frequency":6,"period":0,"periodUnit":"d""#,
        r#""frequency":6,"period":-1,"periodUnit":"d""#,
        r#""frequency":0,"period":1,"periodUnit":"d""#,
        r#""frequency":-6,"period":1,"periodUnit":"d""#,
        r#""frequency":1000000,"period":1,"periodUnit":"d""#,
        r#""frequency":1000000,"period":1,"periodUnit":"s""#,
        r#""frequency":1000000000,"period":0.000000001,"periodUnit":"s""#,
        r#""frequency":1.5,"period":1,"periodUnit":"d""#,
        r#""frequency":6,"period":1"#,
        r#""frequency":6,"periodUnit":"d""#,
        r#""frequency":6,"frequencyMax":3,"period":1,"periodUnit":"d""#,
        r#""frequency":6,"period":1,"periodUnit":"mo""#,
        r#""frequency":6,"period":1,"periodUnit":"a""#,
        r#""duration":0,"durationUnit":"h","frequency":6,"period":1,"periodUnit":"d""#,
        r#""duration":-1,"durationUnit":"h","frequency":6,"period":1,"periodUnit":"d""#,
        r#""duration":25,"durationUnit":"h","frequency":6,"period":1,"periodUnit":"d""#,
        r#""duration":9e9,"durationUnit":"wk","frequency":8,"period":1,"periodUnit":"d""#,
        r#""duration":949258548e8,"durationUnit":"min","frequency":8,"period":1,"periodUnit":"d""#,
        r#""duration":999999999,"durationUnit":"d","timeOfDay":["08:00:00"]"#,
        r#""duration":20000,"durationUnit":"d","dayOfWeek":["mon"],"timeOfDay":["08:00:00"]"#,
        r#""duration":1,"frequency":6,"period":1,"periodUnit":"d""#,
        r#""count":0,"frequency":6,"period":1,"periodUnit":"d""#,
        r#""count":-3,"frequency":6,"period":1,"periodUnit":"d""#,
        r#""when":["ACM"],"timeOfDay":["08:00:00"]"#,
        r#""timeOfDay":["24:00:00"]"#,
        r#""timeOfDay":["08:00"]"#,
        r#""timeOfDay":["25:61:00"]"#,
        r#""dayOfWeek":["someday"],"timeOfDay":["08:00:00"]"#,
        r#""frequency":6,"period":1,"periodUnit":"fortnight""#,
    ] {
        let slot = format!("{{{start},{repeat}}}");
        not_clear(&[("repeat", &slot), ("quantity", dose)], &[]);
    }
    for period in [
        r#""start":"2026-11-26T07:00:00Z","end":"2026-11-25T07:00:00Z""#,
        r#""start":"0001-01-01T00:00:00Z""#,
        r#""start":"9999-12-31T23:59:59Z""#,
        r#""start":"0000-01-01""#,
        r#""start":"10000-01-01""#,
        r#""start":"-2026-01-01""#,
        r#""start":"2026-02-30T07:00:00Z""#,
        r#""start":"2026-11-25T07:00:00""#,
        r#""start":"2026-11-25T07:00:00+26:00""#,
        r#""start":"2026-11-25T24:00:00Z""#,
        r#""start":"yesterday""#,
        r#""start":"2026-11-25T07:00:00Z","end":"9999-12-31T23:59:60.99Z""#,
        r#""end":"0001-01-01""#,
    ] {
        not_clear(&[("repeat", &format!("{{\"boundsPeriod\":{{{period}}}}}"))], &[]);
    }
    for (slot, moment) in [
        ("ordered", "\"0001-01-01\""),
        ("ordered", "\"9999-12-31T23:59:59Z\""),
        ("ordered", "\"2026\""),
        ("ordered", "\"26-11-2026\""),
        ("weighed", "\"0001-01-01\""),
        ("weighed", "\"9999-12-31\""),
        ("weighed", "\"2026-11-26T05:30:00Z\""),
        ("weighed", "\"2026\""),
        ("birth", "\"9999-12-31\""),
        ("birth", "\"0001-01-01\""),
        ("birth", "\"2026-11-26\""),
    ] {
        not_clear(&[(slot, moment)], &[]);
    }
    // An end may lie as far away as there are dates.
    assert_eq!(
        r4(&[("repeat", r#"{"boundsPeriod":{"start":"2026-11-25T07:00:00Z","end":"9999-12-30T00:00:00Z"}}"#)])
            .disposition,
        Disposition::Clear
    );
}

#[test]
fn units() {
    // (unit, code, system)
    const UCUM: &str = "\"http://unitsofmeasure.org\"";
    for (unit, code, system) in [
        ("mL/h", "zz", UCUM),
        ("L/hr", "mL/h", UCUM),
        ("mL/min", "mL/h", UCUM),
        ("ML/h", "ML/h", UCUM),
        ("mL/h", "ML/h", UCUM),
        ("mL", "mL", UCUM),
        ("kcal/h", "kcal/h", UCUM),
        ("mL/h", "mL/h", "\"http://snomed.info/sct\""),
        ("mL/h", "mL/h", "\"urn:oid:1.2.3\""),
        ("\u{b5}L/h", "\u{b5}L/h", UCUM),
        ("\u{3bc}L/h", "\u{3bc}L/h", UCUM),
        ("uL/h", "uL/h", UCUM),
        ("mL/h", "m\u{200b}L/h", UCUM),
        ("mL/h", "mL\u{2044}h", UCUM),
        ("mL/h", "mL/hourly", UCUM),
        ("gtt/min", "[drp]/min", UCUM),
        ("mL/mo", "mL/mo", UCUM),
        ("%", "%", UCUM),
        ("mL/h", "", UCUM),
        ("mL/h", " ", UCUM),
        ("mL/h", "10*9/h", UCUM),
        ("mL/h", "mL99999999999999999999/h", UCUM),
    ] {
        let (unit, code) = (format!("\"{unit}\""), format!("\"{code}\""));
        not_clear(&[("unit", &unit), ("code", &code), ("system", system)], &[]);
    }
    for (unit, code) in
        [("mL/h", "ml/h"), ("mL/h", "mL/h"), ("ml/hr", "mL/h"), ("mL/h", "mL{feed}/h"), ("mL/h", "mL/hour")]
    {
        let (unit, code) = (format!("\"{unit}\""), format!("\"{code}\""));
        assert_eq!(r4(&[("unit", &unit), ("code", &code)]).disposition, Disposition::Clear, "{unit} {code}");
    }
    not_clear(&[("density-unit", "\"cal/mL\""), ("density-code", "\"cal/mL\"")], &["UNT-03"]);
    not_clear(&[("density", "24")], &["UNT-02"]);
    // 4 kcal/mL: a number that is usual in kcal per fluid ounce says nothing when it stands in kJ.
    let in_joules = [("density", "16.736"), ("density-unit", "\"kJ/mL\""), ("density-code", "\"kJ/mL\"")];
    not_clear(&in_joules, &["UNT-01"]);
    // Ounces as millilitres, however the millilitre is spelled.
    for (unit, code) in [("mL", r#","code":"mL""#), ("ml", r#","code":"ml""#), ("cm3", r#","code":"cm3""#), ("ml", "")]
    {
        let feed = format!(
            r#"[{{"schedule":{{"repeat":{{"frequency":6,"period":1,"periodUnit":"d"}}}},"quantity":{{"value":8,"unit":"{unit}","system":"http://unitsofmeasure.org"{code}}}}}]"#
        );
        not_clear(&[("administration", &feed)], &["UNT-06"]);
    }
    for code in ["g", "[lb_av]", "mg", "t", "cm", "kg/m2"] {
        not_clear(&[("kg-code", &format!("\"{code}\""))], &[]);
    }
}

#[test]
fn encodings() {
    let text = with(&[]);
    let mut bytes = b"\xEF\xBB\xBF".to_vec();
    bytes.extend_from_slice(text.as_bytes());
    assert!(refused(&bytes, "structure").issues().any(|i| i.2.contains("byte order mark")));
    let utf16: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
    refused(&utf16, "structure");
    for bad in [&b"\xC0\xAF"[..], b"\xED\xA0\x80", b"\xFF", b"\xE2\x28\xA1", b"\xF4\x90\x80\x80", b"\xC3"] {
        let mut bytes = text.clone().into_bytes();
        let at = text.find("Dr Invented").unwrap();
        bytes.splice(at..at, bad.iter().copied());
        refused(&bytes, "structure");
    }
    for half in ["\\ud800", "\\udc00", "\\ud800x", "\\udc00\\ud800"] {
        refused(with(&[("orderer", &format!("\"{half}\""))]).as_bytes(), "structure");
    }
    refused(with(&[("orderer", "\"a\nb\"")]).as_bytes(), "structure");
    refused(with(&[("orderer", "\"a\0b\"")]).as_bytes(), "structure");
    for cut in [0, 1, 10, 500, text.len() - 1] {
        refused(&text.as_bytes()[..cut], "structure");
    }
    refused(format!("{text}{text}").as_bytes(), "structure");
    refused(b"<html><body>502 Bad Gateway</body></html>", "structure");
    refused(b"PK\x03\x04", "structure");
}

#[test]
fn names_that_look_like_another() {
    let plain = "Invented Standard 1.2 (A12)";
    assert_eq!(r4(&[("name", &format!(",\"baseFormulaProductName\":\"{plain}\""))]).disposition, Disposition::Clear);
    for name in [
        "Invented Standard 1.2 (\u{410}12)", // Cyrillic A
        "Invented Standard 1.2\u{200b} (A12)",
        "\u{202e}Invented Standard 1.2 (A12)",
        "Invented Standard 1.2 (A12)\u{feff}",
        "Invented Energy 1.5 (A15)",
        "Invented Standard 1.2 (A1\u{662})",
        "Invented Standard 1.2 (\u{ff21}12)",
    ] {
        not_clear(&[("name", &format!(",\"baseFormulaProductName\":\"{name}\""))], &["INT-04"]);
        // Alone, without a code.
        let alone = with(&[("name", &format!(",\"baseFormulaProductName\":\"{name}\""))])
            .replace(r#""code":"A12""#, r#""display":"x""#);
        assert_ne!(ask(alone.as_bytes(), FhirVersion::R4).disposition, Disposition::Clear, "{name}");
    }
    for code in ["A12 ", "a12", "A12\u{200b}", "\u{410}12", "A1 2", "A15"] {
        not_clear(&[("product", &format!("\"{code}\""))], &[]);
    }
}

#[test]
fn texts_stay_texts() {
    const TEXTS: &[&str] = &[
        "<script>alert(1)</script>",
        "<img src=x onerror=alert(1)>",
        "]]><!DOCTYPE a [<!ENTITY b SYSTEM \"file:///etc/passwd\">]>&b;",
        "[click](javascript:alert(1)) ![x](http://a.example/x.png) | a | b |",
        "line one\nCLEAR\nline three",
        "tab\there \r carriage \u{1b}[2J\u{1b}[32mCLEAR\u{1b}[0m bell \u{7}",
        "\u{202e}drawkcab\u{202c} zero\u{200b}width \u{2066}isolated\u{2069} \u{feff}",
        "quotes \" ' ` and \\ back",
        "\u{0}null\u{1f}unit\u{7f}\u{85}\u{9b}31m",
        "\u{fffe}\u{ffff}\u{10ffff}",
        "=cmd|' /C calc'!A0",
        "${jndi:ldap://a.example/x} {{7*7}} %s%n",
        "'; DROP TABLE orders; --",
    ];
    for evil in TEXTS {
        let json = serde_json::to_string(evil).unwrap();
        for given in [
            ("id", json.clone()),
            ("orderer", json.clone()),
            ("display", format!(",\"display\":{json}")),
            ("name", format!(",\"baseFormulaProductName\":{json}")),
            ("note", format!(",\"note\":[{{\"text\":{json}}}]")),
            ("note", format!(",\"identifier\":[{{\"value\":{json}}}]")),
            ("note", format!(",\"text\":{{\"status\":\"generated\",\"div\":{json}}}")),
            ("note", format!(",{json}:1")),
            ("note", format!(",\"extension\":[{{\"url\":{json},\"valueString\":{json}}}]")),
            ("product", json.clone()),
            ("unit", json.clone()),
            ("code", json.clone()),
            ("density-code", json.clone()),
            ("system", json.clone()),
            ("subject", json.clone()),
            ("ordered", json.clone()),
            ("weighed", json.clone()),
            ("birth", json.clone()),
            ("rate", json.clone()),
            ("repeat", json.clone()),
            ("administration", json.clone()),
            (
                "repeat",
                format!(
                    "{{\"when\":[{json}],\"timeOfDay\":[{json}],\"dayOfWeek\":[{json}],\"periodUnit\":{json},\"period\":1}}"
                ),
            ),
            ("more", format!(",{{\"resource\":{{\"resourceType\":{json}}}}}")),
            ("more", format!(",{{\"fullUrl\":{json},\"resource\":{{\"resourceType\":\"Basic\",\"id\":{json}}}}}")),
        ] {
            let a = r4(&[(given.0, &given.1)]);
            assert!(!a.junit.contains("<script") && !a.junit.contains("<img") && !a.junit.contains("<!"));
            // A text cannot pass for a line of the answer.
            assert!(!a.text.lines().any(|l| l.trim() == "CLEAR"), "{}", a.text);
            if given.0 == "note" && given.1.contains("\"div\"") {
                assert!(!a.outcome.to_string().contains("alert(1)"), "a narrative was shown: {}", a.outcome);
            }
        }
        // The name of the input as well.
        let bytes = with(&[]);
        let a = appraise(bytes.as_bytes(), evil, FhirVersion::R4, &FORMULARY, &SETTINGS);
        assert_xml(&junit(&[junit_case(evil, &a)]));
        assert!(!text(&a, false).chars().any(|c| c != '\n' && unseen(c)));
        assert!(!text(&a, false).lines().any(|l| l.trim() == "CLEAR"));
    }
}

#[test]
fn sizes() {
    let limit = Limits::default();
    let mut padded = with(&[]);
    padded.push_str(&" ".repeat(limit.bytes - padded.len()));
    assert_eq!(ask(padded.as_bytes(), FhirVersion::R4).disposition, Disposition::Clear);
    padded.push(' ');
    refused(padded.as_bytes(), "too-long");

    // A text of the order up to its limit.
    let note = |n: usize| with(&[("note", &format!(",\"note\":[{{\"text\":\"{}\"}}]", "x".repeat(n)))]);
    // It is read, and not understood.
    assert_eq!(ask(note(limit.string).as_bytes(), FhirVersion::R4).disposition, Disposition::NotFullyChecked);
    refused(note(limit.string + 1).as_bytes(), "too-long");

    // Many entries that hold nothing of use.
    let others = |n: usize| {
        (0..n).fold(String::new(), |mut s, i| {
        let _ = write!(s, r#",{{"fullUrl":"https://a.example/fhir/Basic/b{i}","resource":{{"resourceType":"Basic","id":"b{i}"}}}}"#);
        s
    })
    };
    assert_eq!(r4(&[("more", &others(200))]).disposition, Disposition::Clear);
    assert_eq!(r4(&[("more", &others(997))]).disposition, Disposition::Clear);
    refused(with(&[("more", &others(1_000))]).as_bytes(), "too-long");

    // Many orders.
    let one: Value = serde_json::from_str(&with(&[])).unwrap();
    let orders = |n: usize| {
        let mut all = one.clone();
        let entries = all["entry"].as_array_mut().unwrap();
        let order = entries.pop().unwrap();
        for i in 0..n {
            let mut next = order.clone();
            next["fullUrl"] = format!("https://a.example/fhir/NutritionOrder/o{i}").into();
            next["resource"]["id"] = format!("o{i}").into();
            entries.push(next);
        }
        serde_json::to_vec(&all).unwrap()
    };
    let begun = Instant::now();
    let fifty = orders(50);
    let a = appraise(&fifty, "", FhirVersion::R4, &FORMULARY, &SETTINGS);
    assert_eq!(a.orders.len(), 50);
    assert_eq!(a.disposition(), Disposition::Flagged, "fifty orders beside each other");
    let more = orders(60);
    let a = appraise(&more, "", FhirVersion::R4, &FORMULARY, &SETTINGS);
    assert_eq!(a.orders.len(), 50);
    assert!(a.problems.iter().any(|p| p.grave && p.text.contains("50 orders")), "{:?}", a.problems);
    assert!(begun.elapsed() < Duration::from_secs(20), "{:?}", begun.elapsed());

    // Many entries, times, events and codings inside one order.
    let many = |n: usize, item: &str| vec![item; n].join(",");
    let entry = r#"{"schedule":{"repeat":{"frequency":8,"period":1,"periodUnit":"d"}},"quantity":{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}"#;
    not_clear(&[("administration", &format!("[{}]", many(100, entry)))], &[]);
    for n in [101, 1_000] {
        let a = r4(&[("administration", &format!("[{}]", many(n, entry)))]);
        assert!(a.rules.iter().any(|r| r == "CON-11"), "{}", a.text);
        assert_eq!(a.disposition, Disposition::Flagged);
    }
    let flush = r#"{"url":"https://enteral-gate.example/fhir/StructureDefinition/water-flush","extension":[{"url":"volume","valueQuantity":{"value":30,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}},{"url":"with-each-feed","valueCode":"after"}]}"#;
    for n in [101, 990] {
        let a = r4(&[("flushes", &many(n, flush))]);
        assert!(a.issues().any(|i| i.1 == "too-costly"), "{}", a.text);
    }
    // The answer grows with the order, not out of hand: at most a few hundred times.
    let bytes = with(&[("administration", &format!("[{}]", many(100, entry)))]);
    let a = appraise(bytes.as_bytes(), "", FhirVersion::R4, &FORMULARY, &SETTINGS);
    let (size, answer) = (bytes.len(), parameters_json(&a).len());
    println!("100 administrations: {size} bytes, answered in {answer} bytes");
    assert!(answer < 400 * size);
    refused(with(&[("administration", &format!("[{}]", many(1_001, entry)))]).as_bytes(), "too-long");
    let times: Vec<String> = (0..1_000).map(|i| format!("\"{:02}:{:02}:00\"", i / 60, i % 60)).collect();
    not_clear(
        &[
            ("repeat", &format!("{{\"timeOfDay\":[{}]}}", times.join(","))),
            ("quantity", r#","quantity":{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}"#),
        ],
        &[],
    );
    let events = many(1_000, "\"2026-11-25T08:00:00Z\"");
    not_clear(
        &[(
            "administration",
            &format!(
                r#"[{{"schedule":{{"event":[{events}]}},"quantity":{{"value":100,"unit":"mL","system":"http://unitsofmeasure.org","code":"mL"}}}}]"#
            ),
        )],
        &[],
    );
    let codings = many(999, r#"{"system":"urn:x","code":"y"}"#);
    r4(&[("display", &format!("}},{codings},{{\"system\":\"urn:x\""))]);
    let extensions = many(1_000, r#"{"url":"https://a.example/x","valueString":"y"}"#);
    r4(&[("note", &format!(",\"extension\":[{extensions}]"))]);
}

/// What a hook may send as context: nothing, `null`, an error, a page, another patient, another type.
#[test]
fn context_that_is_none() {
    let other = |resource: &str| format!(",{{\"resource\":{resource}}}");
    for junk in [
        "null",
        "\"<html>login</html>\"",
        "[]",
        "{}",
        "7",
        r#"{"resourceType":null}"#,
        r#"{"resourceType":7}"#,
        r#"{"resourceType":"Patient"}"#,
        r#"{"resourceType":"Patient","id":"p","birthDate":"2020-01-01","gender":"male"}"#,
        r#"{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"Patient/other"},"effectiveDateTime":"2026-11-25T05:45:00Z","valueQuantity":{"value":6,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}"#,
        r#"{"resourceType":"Observation","status":"final","code":{"coding":[{"system":"http://loinc.org","code":"29463-7"}]},"subject":{"reference":"Patient/p"},"effectiveDateTime":"2026-11-25T05:30:00Z","valueQuantity":{"value":6,"unit":"kg","system":"http://unitsofmeasure.org","code":"kg"}}"#,
        r#"{"resourceType":"NutritionOrder"}"#,
        r#"{"resourceType":"NutritionOrder","status":"active","intent":"order","patient":{"reference":"Patient/p"},"dateTime":"2026-11-25"}"#,
    ] {
        not_clear(&[("more", &other(junk))], &[]);
    }
    // Said openly, and no harm: a failed search and a resource of no use.
    for harmless in [
        r#"{"resourceType":"OperationOutcome","issue":[{"severity":"error","code":"timeout"}]}"#,
        r#"{"resourceType":"Basic"}"#,
    ] {
        r4(&[("more", &other(harmless))]);
    }
    for root in [
        r#"{"resourceType":"Parameters"}"#,
        r#"{"resourceType":"Parameters","parameter":[{"name":"order","resource":null}]}"#,
        r#"{"resourceType":"Bundle"}"#,
        r#"{"resourceType":"Bundle","entry":[]}"#,
        r#"{"resourceType":"Bundle","entry":[{}]}"#,
        r#"{"resourceType":"Bundle","entry":{"resource":{}}}"#,
        r#"{"resourceType":"NutritionOrder"}"#,
    ] {
        let a = ask(root.as_bytes(), FhirVersion::R4);
        assert!(matches!(a.disposition, Disposition::Flagged | Disposition::NotFullyChecked), "{root}");
    }
    for root in
        ["{}", "[]", "null", "7", "\"x\"", r#"{"resourceType":"Patient"}"#, r#"{"resourceType":["NutritionOrder"]}"#]
    {
        assert_eq!(ask(root.as_bytes(), FhirVersion::R4).disposition, Disposition::Refused, "{root}");
    }
}

#[test]
fn weights() {
    for kg in ["68500", "0.0685", "685", "6.85", "301", "0.5", "-68.5", "1e9"] {
        not_clear(&[("kg", kg)], &[]);
    }
    // An infant of 5.3 kg whose weight is in grams, pounds or moved by a digit.
    for kg in ["5300", "11.7", "53", "0.53"] {
        not_clear(&[("birth", "\"2026-08-20\""), ("kg", kg)], &[]);
    }
}

static SAMPLES: LazyLock<Vec<String>> = LazyLock::new(|| {
    let mut out = vec![with(&[])];
    let root = env!("CARGO_MANIFEST_DIR");
    for folder in ["deploy/demo/orders", "tests/orders/clear", "tests/cases"] {
        let mut paths: Vec<_> = std::fs::read_dir(format!("{root}/{folder}"))
            .unwrap()
            .map(|f| f.unwrap().path())
            .filter(|p| p.extension().is_some_and(|e| e == "json"))
            .collect();
        paths.sort();
        for path in paths {
            let value: Value = serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap();
            out.push(serde_json::to_string(&value).unwrap());
        }
    }
    assert!(out.len() > 20);
    out
});

/// What is put in somewhere.
fn splinter() -> impl Strategy<Value = String> {
    prop_oneof![
        // Numbers that stand at edges.
        prop::sample::select(vec![
            "0",
            "-1",
            "1e9",
            "1e-9",
            "999999999",
            "0.000000001",
            "24",
            "1000000",
            "1e400",
            "-0",
            "1.5",
            "123456789012345678",
        ])
        .prop_map(str::to_owned),
        any::<i64>().prop_map(|n| n.to_string()),
        (any::<i32>(), -9i32..9).prop_map(|(m, e)| format!("{m}e{e}")),
        // Dates.
        (0u32..10_000, 0u32..14, 0u32..33).prop_map(|(y, m, d)| format!("\"{y:04}-{m:02}-{d:02}\"")),
        (0u32..10_000, 1u32..13, 1u32..29, 0u32..26, -15i32..15).prop_map(|(y, m, d, h, z)| {
            format!("\"{y:04}-{m:02}-{d:02}T{h:02}:00:00{}{:02}:00\"", if z < 0 { '-' } else { '+' }, z.abs())
        }),
        (0u32..26, 0u32..62).prop_map(|(h, m)| format!("\"{h:02}:{m:02}:00\"")),
        // Units and codes.
        prop::sample::select(vec![
            "mL",
            "ml",
            "ML",
            "L",
            "[foz_us]",
            "mL/h",
            "mL/d",
            "mL/kg/h",
            "kcal/mL",
            "cal/mL",
            "kcal/[foz_us]",
            "g",
            "kg",
            "[lb_av]",
            "mmol",
            "%",
            "{packet}",
            "s",
            "min",
            "h",
            "d",
            "wk",
            "mo",
            "a",
            "GT",
            "JJTINSTL",
            "IV",
            "A15",
            "WATER",
            "HMF",
            "QID",
            "BID",
            "ACM",
            "before",
            "day",
            "feed",
            "volume",
            "29463-7",
            "8302-2",
            "entered-in-error",
            "R4",
        ])
        .prop_map(|s| format!("\"{s}\"")),
        // Structure.
        prop::sample::select(vec![
            "{}",
            "[]",
            "null",
            "true",
            "\"\"",
            "{\"a\":1}",
            "[[]]",
            "\"\\u202e\\u0000<&>\\n\"",
            "{",
            "}",
            "[",
            "]",
            ",",
            ":",
            "\"",
            "\\",
            "\u{feff}",
        ])
        .prop_map(str::to_owned),
    ]
}

#[derive(Clone, Debug)]
enum Damage {
    /// A scalar or a whole value of the text replaced.
    Value(prop::sample::Index, String),
    /// Bytes put in anywhere.
    Insert(prop::sample::Index, String),
    Flip(prop::sample::Index, u8),
    Cut(prop::sample::Index),
    /// A slice written twice.
    Double(prop::sample::Index, usize),
    /// A slice taken out.
    Remove(prop::sample::Index, usize),
}

fn damage() -> impl Strategy<Value = Damage> {
    prop_oneof![
        6 => (any::<prop::sample::Index>(), splinter()).prop_map(|(i, s)| Damage::Value(i, s)),
        1 => (any::<prop::sample::Index>(), splinter()).prop_map(|(i, s)| Damage::Insert(i, s)),
        1 => (any::<prop::sample::Index>(), any::<u8>()).prop_map(|(i, b)| Damage::Flip(i, b)),
        1 => any::<prop::sample::Index>().prop_map(Damage::Cut),
        1 => (any::<prop::sample::Index>(), 1usize..200).prop_map(|(i, n)| Damage::Double(i, n)),
        1 => (any::<prop::sample::Index>(), 1usize..200).prop_map(|(i, n)| Damage::Remove(i, n)),
    ]
}

/// Where values that are no containers stand in a compact text: after a colon, up to its comma or bracket.
fn values(text: &[u8]) -> Vec<(usize, usize)> {
    let mut out = Vec::new();
    let (mut i, mut quoted) = (0, false);
    while i < text.len() {
        match text[i] {
            b'\\' if quoted => i += 1,
            b'"' => quoted = !quoted,
            b':' if !quoted && text.get(i + 1).is_some_and(|c| !matches!(c, b'{' | b'[')) => {
                let (mut j, mut inside) = (i + 1, false);
                while j < text.len() && (inside || !matches!(text[j], b',' | b'}' | b']')) {
                    match text[j] {
                        b'\\' if inside => j += 1,
                        b'"' => inside = !inside,
                        _ => {}
                    }
                    j += 1;
                }
                out.push((i + 1, j.min(text.len())));
            }
            _ => {}
        }
        i += 1;
    }
    out
}

fn apply(text: &mut Vec<u8>, damage: &Damage) {
    if text.is_empty() {
        return;
    }
    match damage {
        Damage::Value(i, s) => {
            let all = values(text);
            if !all.is_empty() {
                let (from, to) = all[i.index(all.len())];
                text.splice(from..to, s.bytes());
            }
        }
        Damage::Insert(i, s) => {
            let at = i.index(text.len());
            text.splice(at..at, s.bytes());
        }
        Damage::Flip(i, b) => {
            let at = i.index(text.len());
            text[at] ^= b;
        }
        Damage::Cut(i) => text.truncate(i.index(text.len())),
        Damage::Double(i, n) => {
            let at = i.index(text.len());
            let slice = text[at..(at + n).min(text.len())].to_vec();
            text.splice(at..at, slice);
        }
        Damage::Remove(i, n) => {
            let at = i.index(text.len());
            text.drain(at..(at + n).min(text.len()));
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn damaged_samples_are_answered(
        which in any::<prop::sample::Index>(),
        damages in prop::collection::vec(damage(), 1..5),
        version in prop::sample::select(FhirVersion::ALL.to_vec()),
    ) {
        let mut bytes = SAMPLES[which.index(SAMPLES.len())].clone().into_bytes();
        for d in &damages {
            apply(&mut bytes, d);
        }
        ask(&bytes, version);
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn random_bytes_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        prop_assert_eq!(ask(&bytes, FhirVersion::R5).disposition, Disposition::Refused);
    }
}
