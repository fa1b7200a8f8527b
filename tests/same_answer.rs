//! One input, one answer: from the command line and over HTTP, from the quick check and the full appraisal, a
//! second time, and in another order.

use enteral_gate::answer::{outcome_json, parameters_json};
use enteral_gate::appraise::{OrderReport, appraise, check};
use enteral_gate::findings::Outcome;
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::settings::Settings;
use serde_json::Value;
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;
use std::time::Duration;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap());
static SETTINGS: LazyLock<Settings> = LazyLock::new(Settings::default);

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

/// Every order of the project, and the external corpus where one is given, each with its version.
fn corpus() -> Vec<(PathBuf, FhirVersion)> {
    let mut folders = vec![
        root().join("deploy/demo/orders"),
        root().join("tests/cases"),
        root().join("tests/cases/published"),
        root().join("tests/orders/valid/R4"),
        root().join("tests/orders/valid/R5"),
    ];
    match std::env::var_os("EG_EXTERNAL_CORPUS") {
        Some(folder) => folders.extend(["r4", "r5", "context-r4"].map(|f| PathBuf::from(&folder).join(f))),
        None => println!("skipped: no external corpus was given (EG_EXTERNAL_CORPUS)"),
    }
    let mut out = Vec::new();
    for folder in folders {
        let Ok(entries) = std::fs::read_dir(&folder) else { continue };
        let mut files: Vec<_> =
            entries.map(|e| e.unwrap().path()).filter(|p| p.extension().is_some_and(|e| e == "json")).collect();
        files.sort();
        for file in files {
            let text = std::fs::read_to_string(&file).unwrap();
            let r5 = file.to_string_lossy().contains("r5")
                || file.to_string_lossy().contains("R5")
                || text.contains("\"subject\": {\"reference\": \"Patient")
                || text.contains("routeOfAdministration");
            out.push((file, if r5 { FhirVersion::R5 } else { FhirVersion::R4 }));
        }
    }
    assert!(out.len() > 50, "{}", out.len());
    out
}

/// Small inputs that cannot be appraised, or only in part.
const HOSTILE: &[&[u8]] = &[
    b"",
    b" ",
    b"{",
    b"null",
    b"[]",
    b"{}",
    b"\xff\xfe",
    b"\xef\xbb\xbf{\"resourceType\":\"NutritionOrder\"}",
    br#"{"resourceType":"Patient"}"#,
    br#"{"resourceType":"NutritionOrder"}"#,
    br#"{"resourceType":"NutritionOrder","resourceType":"NutritionOrder"}"#,
    br#"{"resourceType":"NutritionOrder","enteralFormula":[]}"#,
    br#"{"resourceType":"NutritionOrder","enteralFormula":null}"#,
    br#"{"resourceType":"NutritionOrder","enteralFormula":{"administration":[null,{"rateQuantity":{"value":1e400}}]}}"#,
    br#"{"resourceType":"NutritionOrder","enteralFormula":{"administration":[{"rateQuantity":{"value":-1,"code":"mL/h"}}]}}"#,
    br#"{"resourceType":"NutritionOrder","id":"\u0000\ud800"}"#,
    br#"{"resourceType":"Bundle","type":"collection"}"#,
    br#"{"resourceType":"Bundle","type":"collection","entry":[{}]}"#,
    br#"{"resourceType":"Parameters","parameter":[{"name":"resource"}]}"#,
];

struct Service(Child, u16);

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn serve() -> Service {
    let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .args(["serve", "--store", "none", "--listen", "127.0.0.1:0", "--formulary"])
        .arg(root().join("deploy/demo/formulary.csv"))
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut line = String::new();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let port = loop {
        line.clear();
        assert!(out.read_line(&mut line).unwrap() > 0, "the service says where it listens");
        if let Some(port) = line.trim().rsplit(':').next().and_then(|p| p.trim_end_matches('/').parse::<u16>().ok()) {
            break port;
        }
    };
    // Keep the pipe from filling up.
    std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
    Service(child, port)
}

fn post(port: u16, path: &str, body: &[u8]) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
    write!(
        stream,
        "POST {path} HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/fhir+json\r\nContent-Length: {}\r\nConnection: close\r\n\r\n",
        body.len()
    )
    .unwrap();
    stream.write_all(body).unwrap();
    let mut answer = Vec::new();
    stream.read_to_end(&mut answer).unwrap();
    let text = String::from_utf8(answer).unwrap();
    text.split_once("\r\n\r\n").map(|(_, body)| body.to_owned()).unwrap_or_default()
}

#[test]
fn command_line_and_http_give_the_same_bytes() {
    let service = serve();
    let mut compared = 0;
    let folder = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join(format!("hostile-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let mut inputs = corpus();
    for (i, bytes) in HOSTILE.iter().enumerate() {
        let file = folder.join(format!("{i}.json"));
        std::fs::write(&file, bytes).unwrap();
        inputs.push((file, if i % 2 == 0 { FhirVersion::R4 } else { FhirVersion::R5 }));
    }
    for (file, version) in inputs {
        let output = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
            .args(["check", "--format", "json", "--fhir", version.name(), "--formulary"])
            .arg(root().join("deploy/demo/formulary.csv"))
            .arg(&file)
            .stdin(Stdio::null())
            .output()
            .unwrap();
        let line = String::from_utf8(output.stdout).unwrap();
        let body = std::fs::read(&file).unwrap();
        let http = post(service.1, &format!("/fhir/{}/NutritionOrder/$appraise", version.name()), &body);
        let line = line.trim_end_matches('\n');
        // What cannot be appraised is an OperationOutcome over HTTP: the same as the one inside the line.
        if http.starts_with("{\"resourceType\":\"OperationOutcome\"") {
            // The operation says itself what it is called with: over HTTP in its own words. No one passes it.
            let called_with = http.contains("holds no resource");
            let not_passed =
                line.contains("\"valueCode\":\"refused\"") || line.contains("\"valueCode\":\"not-fully-checked\"");
            assert!(line.contains(&http) || called_with && not_passed, "{}", file.display());
        } else {
            assert_eq!(line, http, "{}", file.display());
        }
        compared += 1;
    }
    std::fs::remove_dir_all(&folder).unwrap();
    println!("compared: {compared} answers from the command line and over HTTP");
}

#[test]
fn the_quick_check_and_a_second_time_give_the_same_outcome() {
    for (file, version) in corpus() {
        let body = std::fs::read(&file).unwrap();
        let quick = outcome_json(&check(&body, "", version, &FORMULARY, &SETTINGS));
        let full = appraise(&body, "", version, &FORMULARY, &SETTINGS);
        assert_eq!(quick, outcome_json(&full), "{}", file.display());
        let first = parameters_json(&full);
        assert_eq!(first, parameters_json(&appraise(&body, "", version, &FORMULARY, &SETTINGS)), "{}", file.display());
        assert!(first.contains(&quick), "the outcome inside the Parameters is the same: {}", file.display());
    }
    for bytes in HOSTILE {
        for version in [FhirVersion::R4, FhirVersion::R4B, FhirVersion::R5] {
            let quick = outcome_json(&check(bytes, "", version, &FORMULARY, &SETTINGS));
            let full = parameters_json(&appraise(bytes, "", version, &FORMULARY, &SETTINGS));
            assert!(full.contains(&quick), "{}", String::from_utf8_lossy(bytes));
        }
    }
}

/// Members in another order: the same figures and the same findings.
#[test]
fn the_order_of_members_says_nothing() {
    fn write_turned(v: &Value, out: &mut String) {
        match v {
            Value::Object(members) => {
                out.push('{');
                for (i, (k, v)) in members.iter().rev().enumerate() {
                    if i > 0 {
                        out.push(',');
                    }
                    out.push_str(&serde_json::to_string(k).unwrap());
                    out.push(':');
                    write_turned(v, out);
                }
                out.push('}');
            }
            Value::Array(items) => {
                out.push('[');
                for (i, v) in items.iter().enumerate() {
                    if i > 0 {
                        out.push(',');
                    }
                    write_turned(v, out);
                }
                out.push(']');
            }
            other => out.push_str(&other.to_string()),
        }
    }
    for (file, version) in corpus() {
        let body = std::fs::read(&file).unwrap();
        let Ok(value) = serde_json::from_slice::<Value>(&body) else { continue };
        let mut text = String::new();
        write_turned(&value, &mut text);
        let a = appraise(&body, "", version, &FORMULARY, &SETTINGS);
        let b = appraise(text.as_bytes(), "", version, &FORMULARY, &SETTINGS);
        assert_eq!(a.disposition(), b.disposition(), "{}", file.display());
        assert_eq!(a.orders.len(), b.orders.len());
        for (x, y) in a.orders.iter().zip(&b.orders) {
            same_figures(x, y, &file);
            assert_eq!(texts(x), texts(y), "{}", file.display());
        }
    }
}

/// Every measure of the typical day has the same ends.
fn same_figures(x: &OrderReport, y: &OrderReport, file: &Path) {
    for m in Measure::ALL {
        let ends = |o: &OrderReport| o.typical().map(|(_, t)| (t.get(*m).low(), t.get(*m).high()));
        assert_eq!(ends(x), ends(y), "{} {}", file.display(), m.code());
    }
}

/// Texts of findings per rule.
fn texts<'a>(o: &'a OrderReport<'_>) -> BTreeMap<&'a str, Vec<String>> {
    o.judged
        .iter()
        .map(|j| {
            let mut list = match &j.outcome {
                Outcome::Flagged(f) => f.iter().map(|f| f.text.clone()).collect(),
                Outcome::NotEvaluated(why, _) => vec![why.clone()],
                _ => Vec::new(),
            };
            list.sort();
            (&*j.rule.id, list)
        })
        .collect()
}

/// Entries of a Bundle in another order: the same figures and findings for each order.
#[test]
fn the_order_of_entries_says_nothing() {
    for (file, version) in corpus() {
        let body = std::fs::read(&file).unwrap();
        let Ok(mut value) = serde_json::from_slice::<Value>(&body) else { continue };
        let Some(entries) = value.get_mut("entry").and_then(Value::as_array_mut) else { continue };
        entries.reverse();
        let text = serde_json::to_vec(&value).unwrap();
        let a = appraise(&body, "", version, &FORMULARY, &SETTINGS);
        let b = appraise(&text, "", version, &FORMULARY, &SETTINGS);
        assert_eq!(a.disposition(), b.disposition(), "{}", file.display());
        for x in &a.orders {
            let y = b.orders.iter().find(|o| o.id == x.id).unwrap();
            same_figures(x, y, &file);
            assert_eq!(texts(x), texts(y), "{}", file.display());
        }
    }
}
