//! The HTTP rim from outside, over loopback, with a stand-in for the core: every status, every hostile
//! transport. The behaviour asked for is that of HTTP (RFC 9110, RFC 9112) and of FHIR's "RESTful API" page.

use enteral_gate::hooks::Answered;
use enteral_gate::hooks::fetch::Fetched;
use enteral_gate::hooks::request::{self, Malformed};
use enteral_gate::hooks::service::Service as HookService;
use enteral_gate::http::appraiser::{Appraised, Appraiser, Hooked, Rendering};
use enteral_gate::http::{App, Limits, definitions, routes, samples, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::{DayKind, Settings};
use http::StatusCode;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::time::{sleep, timeout};

/// Stands in for the core: what it does is written in the input.
struct StandIn {
    ready: bool,
}

impl Appraiser for StandIn {
    fn appraise(
        &self,
        input: &[u8],
        version: FhirVersion,
        settings: &Settings,
        rendering: Rendering,
        _: bool,
    ) -> Appraised {
        let text = String::from_utf8_lossy(input);
        assert!(!text.contains("PANIC"), "SECRET-OF-{text}");
        if text.contains("SLOW") {
            std::thread::sleep(Duration::from_millis(700));
        }
        let unreadable = serde_json::from_str::<Value>(&text).is_err();
        let seen = format!(
            "{} {} {} {:?} {:?} {:?} {:?}",
            version.name(),
            settings.zone_name,
            settings.day_start,
            settings.asked.date.map(|d| d.to_string()),
            settings.asked.days,
            settings.asked.kind == DayKind::Civil,
            settings.asked.as_of.map(|t| t.rounded(0)),
        );
        let outcome = json!({"resourceType": "OperationOutcome", "issue": [{
            "severity": if unreadable { "fatal" } else { "information" }, "code": "informational", "diagnostics": seen}]});
        let body = match rendering {
            Rendering::Outcome => outcome,
            Rendering::Parameters if unreadable => outcome,
            Rendering::Parameters => {
                json!({"resourceType": "Parameters", "parameter": [{"name": "outcome", "resource": outcome}]})
            }
        };
        let status = if unreadable { StatusCode::BAD_REQUEST } else { StatusCode::OK };
        Appraised { body: body.to_string(), status, disposition: "clear", orders: Vec::new() }
    }

    fn hook(
        &self,
        input: &[u8],
        service: &HookService,
        _: &Settings,
        _: Fetched,
        _: bool,
    ) -> Result<Hooked, Malformed> {
        let text = String::from_utf8_lossy(input);
        assert!(!text.contains("PANIC"), "SECRET-OF-{text}");
        if text.contains("SLOW") {
            std::thread::sleep(Duration::from_millis(700));
        }
        request::read(request::document(input)?.root(), service, FhirVersion::R4)?;
        let body = json!({"cards": []}).to_string();
        let answered = Answered::plain(body, "clear");
        Ok(Hooked { answered, orders: Vec::new(), kept: Vec::new(), base: String::new() })
    }

    fn ready(&self) -> Result<String, String> {
        if self.ready { Ok("stand-in".to_owned()) } else { Err("no formulary".to_owned()) }
    }
}

struct Service {
    here: SocketAddr,
    app: Arc<App>,
    stop: Option<oneshot::Sender<()>>,
    running: tokio::task::JoinHandle<std::io::Result<()>>,
}

async fn service_with(limits: Limits, demo: bool, ready: bool) -> Service {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = listener.local_addr().unwrap();
    let settings = Settings { demo, ..Settings::default() };
    let app = App::new(Arc::new(StandIn { ready }), settings, limits);
    let (stop, stopped) = oneshot::channel::<()>();
    let running = tokio::spawn(server::serve(listener, app.clone(), async move {
        let _ = stopped.await;
    }));
    Service { here, app, stop: Some(stop), running }
}

async fn service() -> Service {
    service_with(Limits::default(), false, true).await
}

#[derive(Debug)]
struct Reply {
    status: u16,
    headers: Vec<(String, String)>,
    body: String,
}

impl Reply {
    fn header(&self, name: &str) -> Option<&str> {
        self.headers.iter().find(|(n, _)| n == name).map(|(_, v)| v.as_str())
    }

    fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|_| panic!("no JSON: {self:?}"))
    }

    /// Every refusal is an OperationOutcome with this issue code.
    fn refuses(&self, status: u16, code: &str) -> &Self {
        assert_eq!(self.status, status, "{self:?}");
        assert_eq!(self.header("content-type"), Some("application/fhir+json; charset=utf-8"), "{self:?}");
        let outcome = self.json();
        assert_eq!(outcome["resourceType"], "OperationOutcome");
        assert_eq!(outcome["issue"][0]["code"], code, "{self:?}");
        assert!(outcome["issue"][0]["details"]["text"].as_str().is_some_and(|t| t.ends_with('.')), "{self:?}");
        self
    }
}

/// Reads one answer to its end (the connection closes, or the declared length is there).
async fn reply(stream: &mut TcpStream) -> Option<Reply> {
    let mut bytes = Vec::new();
    let mut chunk = [0_u8; 8192];
    loop {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let mut lines = head.lines();
            let status = lines.next()?.split(' ').nth(1)?.parse().ok()?;
            let headers: Vec<(String, String)> =
                lines.filter_map(|l| l.split_once(':')).map(|(n, v)| (n.to_lowercase(), v.trim().to_owned())).collect();
            let length = headers
                .iter()
                .find(|(n, _)| n == "content-length")
                .and_then(|(_, v)| v.parse::<usize>().ok())
                .unwrap_or(0);
            if body.len() >= length {
                return Some(Reply { status, headers, body: body.to_owned() });
            }
        }
        match timeout(Duration::from_secs(5), stream.read(&mut chunk)).await.expect("no answer in time") {
            Ok(0) | Err(_) => return None,
            Ok(n) => bytes.extend_from_slice(&chunk[..n]),
        }
    }
}

async fn raw(here: SocketAddr, text: &[u8]) -> Option<Reply> {
    let mut stream = TcpStream::connect(here).await.unwrap();
    let _ = stream.write_all(text).await;
    reply(&mut stream).await
}

async fn ask(here: SocketAddr, method: &str, path: &str, headers: &str, body: &str) -> Reply {
    let length = if method == "POST" { format!("content-length: {}\r\n", body.len()) } else { String::new() };
    let text = format!("{method} {path} HTTP/1.1\r\nhost: localhost\r\n{headers}{length}\r\n{body}");
    raw(here, text.as_bytes()).await.expect("an answer")
}

const JSON: &str = "content-type: application/fhir+json\r\n";
const ORDER: &str = r#"{"resourceType":"NutritionOrder"}"#;
const VALIDATE: &str = "/fhir/R4/NutritionOrder/$validate";
const APPRAISE: &str = "/fhir/R4/NutritionOrder/$appraise";

async fn post(here: SocketAddr, path: &str, body: &str) -> Reply {
    ask(here, "POST", path, JSON, body).await
}

async fn get(here: SocketAddr, path: &str) -> Reply {
    ask(here, "GET", path, "", "").await
}

#[tokio::test]
async fn the_operations_answer_in_every_version() {
    let s = service().await;
    for version in ["R4", "R4B", "R5"] {
        for (path, kind, body) in [
            ("NutritionOrder/$validate", "OperationOutcome", ORDER),
            ("$validate", "OperationOutcome", ORDER),
            ("$validate", "OperationOutcome", r#"{"resourceType":"Bundle"}"#),
            ("Bundle/$validate", "OperationOutcome", r#"{"resourceType":"Bundle"}"#),
            ("NutritionOrder/$appraise", "Parameters", ORDER),
            ("NutritionOrder/$appraise", "Parameters", r#"{"resourceType":"Bundle"}"#),
        ] {
            let r = post(s.here, &format!("/fhir/{version}/{path}"), body).await;
            assert_eq!((r.status, r.json()["resourceType"].as_str()), (200, Some(kind)), "{version} {path} {r:?}");
            assert!(r.body.contains(version));
            assert_eq!(r.header("content-type"), Some("application/fhir+json; charset=utf-8"));
            assert!(r.header("x-request-id").is_some_and(|id| id.len() > 16));
            assert_eq!(r.header("cache-control"), Some("no-store"));
            assert_eq!(r.header("x-content-type-options"), Some("nosniff"));
            assert!(r.header("content-security-policy").is_some_and(|v| v.contains("default-src 'none'")));
            assert_eq!(r.header("x-demo"), None);
        }
    }
}

#[tokio::test]
async fn an_escaped_dollar_sign_is_one() {
    let s = service().await;
    assert_eq!(post(s.here, "/fhir/R4/NutritionOrder/%24validate?days=2", ORDER).await.status, 200);
    assert_eq!(post(s.here, "/fhir/R4/%24validate", ORDER).await.status, 200);
}

#[tokio::test]
async fn what_is_asked_reaches_the_core_from_query_and_parameters() {
    let s = service().await;
    let query = "?date=2026-11-25&days=3&day-start=06:00&zone=Europe/Vienna&day-kind=civil&as-of=2026-11-25T08:00:00%2B01:00&_summary=false&x-own=1";
    let expected = r#"R4 Europe/Vienna 21600 Some(\"2026-11-25\") Some(3) true Some(\"1795590000\")"#;
    let r = post(s.here, &format!("{APPRAISE}{query}"), ORDER).await;
    assert!(r.body.contains(expected), "{r:?}");
    let parameters = json!({"resourceType": "Parameters", "parameter": [
        {"name": "date", "valueDate": "2026-11-25"}, {"name": "days", "valueInteger": 3}, {"name": "day-start", "valueString": "06:00"},
        {"name": "zone", "valueString": "Europe/Vienna"}, {"name": "day-kind", "valueCode": "civil"},
        {"name": "as-of", "valueDateTime": "2026-11-25T08:00:00+01:00"}, {"name": "resource", "resource": {"resourceType": "NutritionOrder"}}]});
    let r = post(s.here, APPRAISE, &parameters.to_string()).await;
    assert!(r.body.contains(expected), "{r:?}");
    // The same in both places is a contradiction waiting to happen.
    post(s.here, &format!("{APPRAISE}?days=3"), &parameters.to_string()).await.refuses(400, "value");
}

#[tokio::test]
async fn bad_parameters_are_named() {
    let s = service().await;
    for (query, name) in [
        ("date=25.11.2026", "date"),
        ("days=0", "days"),
        ("day-start=25:00", "day-start"),
        ("zone=Europe/Nowhere", "zone"),
        ("day-kind=lunar", "day-kind"),
        ("as-of=now", "as-of"),
        ("dayz=1", "dayz"),
        ("days=1&days=2", "days"),
        ("_pretty=1", "_pretty"),
        ("mode=create", "mode"),
    ] {
        let r = post(s.here, &format!("{APPRAISE}?{query}"), ORDER).await;
        let text = r.refuses(400, "value").json()["issue"][0]["details"]["text"].as_str().unwrap().to_owned();
        assert!(text.starts_with(&format!("Parameter {name}: ")), "{text}");
    }
}

#[tokio::test]
async fn validate_modes_and_profiles() {
    let s = service().await;
    let base = "http://hl7.org/fhir/StructureDefinition/NutritionOrder";
    for (query, status) in [
        ("mode=create".to_owned(), 200),
        (format!("mode=profile&profile={base}"), 200),
        (format!("profile={base}%7C4.0.1"), 200),
        (format!("profile={base}%7C5.0.0"), 400),
        ("mode=profile".to_owned(), 400),
        ("mode=update".to_owned(), 400),
        ("mode=delete".to_owned(), 400),
        ("mode=destroy".to_owned(), 400),
        ("profile=http://example.org/profile".to_owned(), 400),
    ] {
        assert_eq!(post(s.here, &format!("{VALIDATE}?{query}"), ORDER).await.status, status, "{query}");
    }
    let with = |name: &str, value: &str| {
        json!({"resourceType": "Parameters", "parameter": [{"name": name, "valueCode": value}, {"name": "resource", "resource": {"resourceType": "NutritionOrder"}}]}).to_string()
    };
    assert_eq!(post(s.here, VALIDATE, &with("mode", "create")).await.status, 200);
    post(s.here, VALIDATE, &with("mode", "update")).await.refuses(400, "not-supported");
    post(s.here, VALIDATE, &with("modus", "create")).await.refuses(400, "value");
    post(s.here, VALIDATE, &with("profile", "http://example.org/profile")).await.refuses(400, "not-supported");
}

#[tokio::test]
async fn wrong_resources_are_refused_with_the_place() {
    let s = service().await;
    for (path, body, code, place) in [
        (VALIDATE, json!({"resourceType": "Patient"}), "invalid", Some("Patient")),
        (VALIDATE, json!({"resourceType": "Bundle"}), "invalid", Some("Bundle")),
        ("/fhir/R4/Bundle/$validate", json!({"resourceType": "NutritionOrder"}), "invalid", Some("NutritionOrder")),
        (VALIDATE, json!({"resourceType": "Parameters"}), "required", Some("Parameters")),
        (
            VALIDATE,
            json!({"resourceType": "Parameters", "parameter": [{"name": "resource"}]}),
            "required",
            Some("Parameters.parameter[0]"),
        ),
        (
            APPRAISE,
            json!({"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": {"resourceType": "Patient"}}]}),
            "invalid",
            Some("Parameters.parameter[0].resource"),
        ),
        (
            VALIDATE,
            json!({"resourceType": "Parameters", "parameter": [{"valueCode": "x"}]}),
            "required",
            Some("Parameters.parameter[0]"),
        ),
        (
            VALIDATE,
            json!({"resourceType": "Parameters", "parameter": [{"name": "resource", "resource": {"resourceType": "NutritionOrder"}}, {"name": "resource", "resource": {"resourceType": "NutritionOrder"}}]}),
            "structure",
            Some("Parameters.parameter[1]"),
        ),
    ] {
        let r = post(s.here, path, &body.to_string()).await;
        r.refuses(400, code);
        assert_eq!(r.json()["issue"][0]["expression"][0].as_str(), place, "{r:?}");
    }
}

#[tokio::test]
async fn a_body_that_cannot_be_parsed_is_400() {
    let s = service().await;
    for body in ["", "{", "[1,2", "<NutritionOrder/>", "{\"resourceType\":\"NutritionOrder\",}"] {
        let r = post(s.here, VALIDATE, body).await;
        assert_eq!((r.status, r.json()["resourceType"].as_str()), (400, Some("OperationOutcome")), "{body}");
        assert_eq!(post(s.here, APPRAISE, body).await.status, 400, "{body}");
    }
}

#[tokio::test]
async fn content_negotiation() {
    let s = service().await;
    for (headers, query, status, code) in [
        ("content-type: application/fhir+json; charset=utf-8; fhirVersion=4.0\r\naccept: */*\r\n", "", 200, ""),
        ("content-type: application/json\r\naccept: application/json\r\n", "", 200, ""),
        ("content-type: application/fhir+json\r\naccept: application/fhir+xml\r\n", "?_format=json", 200, ""),
        ("content-type: application/fhir+json\r\n", "?_format=application/fhir+json", 200, ""),
        ("content-type: application/fhir+xml\r\n", "", 415, "not-supported"),
        ("content-type: text/plain\r\n", "", 415, "not-supported"),
        ("", "", 415, "not-supported"),
        ("content-type: application/fhir+json; charset=utf-16\r\n", "", 415, "not-supported"),
        ("content-type: application/fhir+json; fhirVersion=5.0\r\n", "", 415, "not-supported"),
        ("content-type: application/fhir+json\r\ncontent-encoding: gzip\r\n", "", 415, "not-supported"),
        ("content-type: application/fhir+json\r\naccept: application/fhir+xml\r\n", "", 406, "not-supported"),
        ("content-type: application/fhir+json\r\naccept: text/html\r\n", "", 406, "not-supported"),
        (
            "content-type: application/fhir+json\r\naccept: application/fhir+json; fhirVersion=5.0\r\n",
            "",
            406,
            "not-supported",
        ),
        ("content-type: application/fhir+json\r\n", "?_format=xml", 406, "not-supported"),
    ] {
        let r = ask(s.here, "POST", &format!("{VALIDATE}{query}"), headers, ORDER).await;
        assert_eq!(r.status, status, "{headers} {query} {r:?}");
        if status != 200 {
            r.refuses(status, code);
        }
    }
    let pretty = post(s.here, &format!("{VALIDATE}?_pretty=true"), ORDER).await;
    assert!(pretty.body.starts_with("{\n  \""), "{pretty:?}");
    assert_eq!(pretty.json(), post(s.here, VALIDATE, ORDER).await.json());
}

#[tokio::test]
async fn unknown_addresses_and_methods() {
    let s = service().await;
    for path in [
        "/nothing",
        "/fhir/R6/metadata",
        "/fhir/r4/metadata",
        "/fhir/R4/Patient/1",
        "/fhir/R4/CodeSystem/none",
        "/fhir/R4/StructureDefinition/additive-per",
        "/fhir/R5/StructureDefinition/additive-dose",
        "/fhir/R4/../../etc/passwd",
        "/fhir/R4/CodeSystem/..%2f..%2fCargo.toml",
        "/demo/orders/demo-1-toddler",
        "//etc/passwd",
    ] {
        get(s.here, path).await.refuses(404, "not-found");
    }
    post(s.here, "/fhir/R6/NutritionOrder/$validate", ORDER).await.refuses(404, "not-found");
    let r = get(s.here, VALIDATE).await;
    r.refuses(405, "not-supported");
    assert_eq!(r.header("allow"), Some("POST"));
    assert_eq!(
        ask(s.here, "DELETE", "/fhir/R4/metadata", "", "").await.refuses(405, "not-supported").header("allow"),
        Some("GET,HEAD")
    );
}

#[tokio::test]
async fn bodies_over_the_limit_are_413() {
    let s = service_with(Limits { body: 10_000, ..Limits::default() }, false, true).await;
    let large = format!("{{\"resourceType\":\"NutritionOrder\",\"x\":\"{}\"}}", "x".repeat(20_000));
    post(s.here, VALIDATE, &large).await.refuses(413, "too-long");
    // The declared length is enough: not one byte of the body is waited for.
    let declared = format!(
        "POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: 5000000000\r\nexpect: 100-continue\r\n\r\n"
    );
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream.write_all(declared.as_bytes()).await.unwrap();
    reply(&mut stream).await.unwrap().refuses(413, "too-long");
    // Chunked, so that no length is declared, and without an end.
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    let head = format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}transfer-encoding: chunked\r\n\r\n");
    stream.write_all(head.as_bytes()).await.unwrap();
    for _ in 0..40 {
        let _ = stream.write_all(format!("400\r\n{}\r\n", "x".repeat(0x400)).as_bytes()).await;
    }
    reply(&mut stream).await.unwrap().refuses(413, "too-long");
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn slow_callers_are_cut_off_and_others_do_not_notice() {
    let limits =
        Limits { header_time: Duration::from_millis(400), body_time: Duration::from_millis(600), ..Limits::default() };
    let s = service_with(limits, false, true).await;
    // No byte at all; a header that never ends; a header of one byte at a time.
    let silent = TcpStream::connect(s.here).await.unwrap();
    let mut unfinished = TcpStream::connect(s.here).await.unwrap();
    unfinished.write_all(b"POST / HTTP/1.1\r\nhost: x\r\nx-a: ").await.unwrap();
    let mut dripping = TcpStream::connect(s.here).await.unwrap();
    let drip = tokio::spawn(async move {
        for byte in b"GET / HTTP/1.1\r\nhost: localhost.localdomain\r\nx: y\r\n" {
            if dripping.write_all(&[*byte]).await.is_err() {
                return dripping;
            }
            sleep(Duration::from_millis(50)).await;
        }
        dripping
    });
    // A body that stops, and one of one byte at a time.
    let mut stopped = TcpStream::connect(s.here).await.unwrap();
    let head = format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: 100\r\n\r\n{{");
    stopped.write_all(head.as_bytes()).await.unwrap();
    let mut slow = TcpStream::connect(s.here).await.unwrap();
    slow.write_all(head.as_bytes()).await.unwrap();
    let (mut read, mut write) = slow.into_split();
    tokio::spawn(async move {
        while write.write_all(b" ").await.is_ok() {
            sleep(Duration::from_millis(50)).await;
        }
    });

    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
    reply(&mut stopped).await.unwrap().refuses(408, "timeout");
    let mut answer = vec![0; 4096];
    let n = read.read(&mut answer).await.unwrap();
    assert!(String::from_utf8_lossy(&answer[..n]).starts_with("HTTP/1.1 408"));
    for mut stream in [silent, unfinished, drip.await.unwrap()] {
        let mut rest = Vec::new();
        let _ = timeout(Duration::from_secs(60), stream.read_to_end(&mut rest)).await.expect("still open");
        assert!(!String::from_utf8_lossy(&rest).starts_with("HTTP/1.1 200"));
    }
}

#[tokio::test]
async fn broken_transport_ends_the_connection_and_nothing_else() {
    let s = service().await;
    let many: String = (0..10_000).map(|n| format!("x-{n}: y\r\n")).collect();
    let long = format!("x-long: {}\r\n", "y".repeat(70_000));
    for (what, text) in [
        ("many headers", format!("GET /livez HTTP/1.1\r\nhost: x\r\n{many}\r\n")),
        ("long header", format!("GET /livez HTTP/1.1\r\nhost: x\r\n{long}\r\n")),
        (
            "two lengths",
            format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: 2\r\ncontent-length: 3\r\n\r\n{{}}"),
        ),
        (
            "length that is no number",
            format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: two\r\n\r\n{{}}"),
        ),
        (
            "bad chunk",
            format!(
                "POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}transfer-encoding: chunked\r\n\r\nzz\r\n{{}}\r\n0\r\n\r\n"
            ),
        ),
        ("no HTTP", "\u{16}\u{3}\u{1}hello\r\n\r\n".to_owned()),
    ] {
        let r = raw(s.here, text.as_bytes()).await;
        assert!(r.as_ref().is_none_or(|r| (400..=431).contains(&r.status)), "{what}: {r:?}");
        assert_eq!(get(s.here, "/livez").await.status, 200, "{what}");
    }
    // A body cut off in the middle.
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream
        .write_all(format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: 100\r\n\r\n{{").as_bytes())
        .await
        .unwrap();
    drop(stream);
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn a_long_head_is_refused_with_its_bound() {
    let s = service().await;
    let get = async |path: &str, field: usize| {
        let field = "y".repeat(field);
        let text = format!("GET {path} HTTP/1.1\r\nhost: x\r\nx-long: {field}\r\nconnection: close\r\n\r\n");
        raw(s.here, text.as_bytes()).await.unwrap()
    };
    let long = |bytes: usize| format!("/livez?{}", "x".repeat(bytes - 7));
    get(&long(16 * 1024 + 1), 1).await.refuses(414, "too-long");
    get("/fhir/R4/metadata", 33 * 1024).await.refuses(431, "too-long");
    assert_eq!(get(&long(16 * 1024), 12 * 1024).await.status, 200);
}

#[tokio::test]
async fn a_fault_stays_in_its_request() {
    let s = service().await;
    let r = post(s.here, VALIDATE, r#"{"resourceType":"NutritionOrder","id":"PANIC"}"#).await;
    r.refuses(500, "exception");
    assert!(!r.body.contains("SECRET") && !r.body.contains("PANIC"), "{r:?}");
    assert_eq!(s.app.panics(), 1);
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn too_much_at_once_is_turned_away() {
    let s = service_with(Limits { appraisals: 1, at_once: 0, ..Limits::default() }, false, true).await;
    let slow = r#"{"resourceType":"NutritionOrder","id":"SLOW"}"#;
    let here = s.here;
    let first = tokio::spawn(async move { post(here, VALIDATE, slow).await });
    sleep(Duration::from_millis(200)).await;
    let second = post(s.here, VALIDATE, ORDER).await;
    assert_eq!(second.refuses(503, "throttled").header("retry-after"), Some("1"));
    assert_eq!(get(s.here, "/livez").await.status, 200);
    assert_eq!(first.await.unwrap().status, 200);
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn bodies_together_have_a_bound() {
    let s = service_with(Limits { held: 100, ..Limits::default() }, false, true).await;
    post(s.here, VALIDATE, &format!("{{\"resourceType\":\"NutritionOrder\",\"x\":\"{}\"}}", "x".repeat(200)))
        .await
        .refuses(503, "throttled");
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn an_appraisal_that_takes_too_long_is_given_up() {
    let s = service_with(
        Limits { appraisal_time: Duration::from_millis(100), appraisals: 1, at_once: 0, ..Limits::default() },
        false,
        true,
    )
    .await;
    let slow = r#"{"resourceType":"NutritionOrder","id":"SLOW"}"#;
    post(s.here, VALIDATE, slow).await.refuses(503, "timeout");
    // It still runs, and still counts.
    post(s.here, VALIDATE, ORDER).await.refuses(503, "throttled");
    sleep(Duration::from_millis(800)).await;
    assert_eq!(post(s.here, VALIDATE, ORDER).await.status, 200);
}

#[tokio::test]
async fn connections_over_the_cap_get_a_short_answer() {
    let s = service_with(Limits { connections: 2, ..Limits::default() }, false, true).await;
    let held = [TcpStream::connect(s.here).await.unwrap(), TcpStream::connect(s.here).await.unwrap()];
    sleep(Duration::from_millis(100)).await;
    let mut third = TcpStream::connect(s.here).await.unwrap();
    reply(&mut third).await.unwrap().refuses(503, "throttled");
    drop(held);
    sleep(Duration::from_millis(100)).await;
    assert_eq!(get(s.here, "/livez").await.status, 200);
}

/// One address does not take every connection, and whoever watches the service sees that some were turned away.
#[tokio::test]
async fn connections_are_bounded_per_address_and_counted() {
    let s = service_with(Limits { connections_per_address: 2, ..Limits::default() }, false, true).await;
    let held = [TcpStream::connect(s.here).await.unwrap(), TcpStream::connect(s.here).await.unwrap()];
    sleep(Duration::from_millis(100)).await;
    for _ in 0..2 {
        let mut third = TcpStream::connect(s.here).await.unwrap();
        reply(&mut third).await.unwrap().refuses(503, "throttled");
    }
    // From another address there is room.
    let socket = tokio::net::TcpSocket::new_v4().unwrap();
    socket.bind("127.0.0.2:0".parse().unwrap()).unwrap();
    let mut other = socket.connect(s.here).await.unwrap();
    other.write_all(b"GET /metrics HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
    let metrics = reply(&mut other).await.unwrap();
    assert_eq!(metrics.status, 200);
    for line in ["enteral_gate_connections 3", "enteral_gate_connections_refused_total{reason=\"address\"} 2"] {
        assert!(metrics.body.lines().any(|own| own == line), "{line}: {}", metrics.body);
    }
    drop((held, other));
    sleep(Duration::from_millis(100)).await;
    let metrics = get(s.here, "/metrics").await;
    assert!(metrics.body.lines().any(|own| own == "enteral_gate_connections 1"), "{}", metrics.body);
    // 0 is no bound of its own.
    let s = service_with(Limits { connections_per_address: 0, ..Limits::default() }, false, true).await;
    let _held = [TcpStream::connect(s.here).await.unwrap(), TcpStream::connect(s.here).await.unwrap()];
    assert_eq!(get(s.here, "/livez").await.status, 200);
}

#[tokio::test]
async fn an_old_connection_is_closed() {
    let s = service_with(Limits { connection_age: Duration::from_millis(300), ..Limits::default() }, false, true).await;
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream.write_all(b"GET /livez HTTP/1.1\r\nhost: x\r\n\r\n").await.unwrap();
    assert_eq!(reply(&mut stream).await.unwrap().status, 200);
    let mut rest = Vec::new();
    let n = timeout(Duration::from_secs(2), stream.read_to_end(&mut rest)).await.expect("still open");
    assert_eq!(n.unwrap_or(0), 0);
}

#[tokio::test]
async fn stopping_lets_running_requests_end() {
    let mut s = service().await;
    let here = s.here;
    let running =
        tokio::spawn(async move { post(here, VALIDATE, r#"{"resourceType":"NutritionOrder","id":"SLOW"}"#).await });
    let idle = TcpStream::connect(here).await.unwrap();
    sleep(Duration::from_millis(200)).await;
    drop(s.stop.take());
    assert_eq!(running.await.unwrap().status, 200);
    timeout(Duration::from_secs(2), s.running).await.expect("still serving").unwrap().unwrap();
    assert!(TcpStream::connect(here).await.is_err());
    drop(idle);
}

#[tokio::test]
async fn a_batch_answers_each_entry_by_itself() {
    let s = service().await;
    let entry = |url: &str, resource: Value| json!({"request": {"method": "POST", "url": url}, "resource": resource});
    let order = json!({"resourceType": "NutritionOrder"});
    let bundle = json!({"resourceType": "Bundle", "type": "batch", "entry": [
        entry("NutritionOrder/$appraise?zone=Europe/Vienna", order.clone()),
        entry("NutritionOrder/$validate", json!({"resourceType": "NutritionOrder", "id": "PANIC"})),
        entry("NutritionOrder/$validate", json!({"resourceType": "Patient"})),
        entry("Patient", json!({"resourceType": "Patient"})),
        json!({"request": {"method": "GET", "url": "NutritionOrder/$validate"}}),
        entry("NutritionOrder/$appraise?days=99", order.clone()),
        json!({"resource": order.clone()}),
        json!({"request": {"method": "POST", "url": "$validate"}}),
        entry("/Bundle/$validate", json!({"resourceType": "Bundle", "type": "collection"})),
        entry("NutritionOrder/%24validate", order),
    ]});
    for path in ["/fhir/R4", "/fhir/R4/"] {
        let r = post(s.here, path, &bundle.to_string()).await;
        assert_eq!(r.status, 200, "{r:?}");
        let answer = r.json();
        assert_eq!(
            (answer["resourceType"].as_str(), answer["type"].as_str()),
            (Some("Bundle"), Some("batch-response"))
        );
        let statuses: Vec<_> = answer["entry"]
            .as_array()
            .unwrap()
            .iter()
            .map(|e| e["response"]["status"].as_str().unwrap()[..3].to_owned())
            .collect();
        assert_eq!(statuses, ["200", "500", "400", "404", "405", "400", "400", "400", "200", "200"]);
        // An entry has no header to look at.
        let method = answer["entry"][4]["response"]["outcome"]["issue"][0]["details"]["text"].as_str().unwrap();
        assert!(method.contains("request.method") && !method.contains("header"), "{method}");
        assert_eq!(answer["entry"][0]["resource"]["resourceType"], "Parameters");
        assert!(answer["entry"][0].to_string().contains("Europe/Vienna"));
        assert_eq!(answer["entry"][5]["response"]["outcome"]["issue"][0]["code"], "value");
        assert_eq!(answer["entry"][6]["response"]["outcome"]["issue"][0]["expression"][0], "Bundle.entry[6]");
    }
    for (kind, code) in [("transaction", "not-supported"), ("collection", "not-supported"), ("bogus", "value")] {
        post(s.here, "/fhir/R4", &json!({"resourceType": "Bundle", "type": kind}).to_string()).await.refuses(400, code);
    }
    post(s.here, "/fhir/R4", ORDER).await.refuses(400, "invalid");
    post(s.here, "/fhir/R4", "{").await.refuses(400, "structure");
    post(s.here, "/fhir/R4?days=2", &bundle.to_string()).await.refuses(400, "value");
    let many: Vec<_> = (0..51).map(|_| json!({})).collect();
    post(s.here, "/fhir/R4", &json!({"resourceType": "Bundle", "type": "batch", "entry": many}).to_string())
        .await
        .refuses(400, "too-costly");
    assert_eq!(post(s.here, "/fhir/R4", r#"{"resourceType":"Bundle","type":"batch"}"#).await.status, 200);
}

#[tokio::test]
async fn the_answer_to_a_batch_is_bounded() {
    let s = service_with(Limits { batch_answer: 10, ..Limits::default() }, false, true).await;
    let entry = json!({"request": {"method": "POST", "url": "NutritionOrder/$validate"}, "resource": {"resourceType": "NutritionOrder"}});
    let answer = post(
        s.here,
        "/fhir/R4",
        &json!({"resourceType": "Bundle", "type": "batch", "entry": [entry, entry]}).to_string(),
    )
    .await
    .json();
    assert_eq!(answer["entry"][0]["response"]["status"], "200 OK");
    assert_eq!(answer["entry"][1]["response"]["status"], "413 Payload Too Large");
    assert_eq!(answer["entry"][1]["response"]["outcome"]["issue"][0]["code"], "too-costly");
}

#[tokio::test]
async fn health() {
    let s = service().await;
    assert_eq!(get(s.here, "/livez").await.status, 200);
    assert_eq!(get(s.here, "/readyz").await.status, 200);
    let s = service_with(Limits::default(), false, false).await;
    assert_eq!(get(s.here, "/livez").await.status, 200);
    let r = get(s.here, "/readyz").await;
    assert_eq!(r.status, 503);
    assert!(r.body.contains("no formulary"));
}

#[tokio::test]
async fn the_capability_statement_says_what_is_there() {
    let s = service().await;
    for (version, number) in [("R4", "4.0.1"), ("R4B", "4.3.0"), ("R5", "5.0.0")] {
        let r = get(s.here, &format!("/fhir/{version}/metadata?_format=json&mode=full")).await;
        assert_eq!(r.status, 200, "{r:?}");
        let c = r.json();
        assert_eq!(c["fhirVersion"], number);
        // Every operation it names is there.
        for resource in c["rest"][0]["resource"].as_array().unwrap() {
            for operation in resource["operation"].as_array().into_iter().flatten() {
                let path = format!(
                    "/fhir/{version}/{}/${}",
                    resource["type"].as_str().unwrap(),
                    operation["name"].as_str().unwrap()
                );
                assert_ne!(post(s.here, &path, ORDER).await.status, 404, "{path}");
            }
        }
        for d in definitions::DEFINITIONS.iter().filter(|d| d.versions.iter().any(|v| v.name() == version)) {
            let r = get(s.here, &format!("/fhir/{version}/{}/{}", d.kind, d.id)).await;
            assert_eq!(r.status, 200);
            let definition = r.json();
            assert_eq!(definition["version"], env!("CARGO_PKG_VERSION"));
            assert_eq!(definition["url"], format!("{}/{}/{}", definitions::CANONICAL, d.kind, d.id));
            if d.kind == "StructureDefinition" {
                assert_eq!(definition["fhirVersion"], number);
            }
        }
    }
}

#[tokio::test]
async fn the_operation_definition_names_the_parameters_that_are_read() {
    let s = service().await;
    let d = get(s.here, "/fhir/R4/OperationDefinition/NutritionOrder-appraise").await.json();
    let named: BTreeSet<_> = d["parameter"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|p| p["use"] == "in")
        .map(|p| p["name"].as_str().unwrap().to_owned())
        .collect();
    let read: BTreeSet<_> =
        enteral_gate::http::asked::NAMES.iter().map(|n| (*n).to_owned()).chain(["resource".to_owned()]).collect();
    assert_eq!(named, read);
}

/// A search that is longer than an address may be is refused as that, by `GET` and as a form, and is described so.
#[tokio::test]
async fn a_search_that_is_too_long_is_described() {
    let s = service().await;
    let doc = get(s.here, "/openapi.json").await.json();
    let mut searches = 0;
    for (method, path, ..) in routes::table().into_iter().filter(|(_, path, ..)| path.ends_with("/_search")) {
        let (address, long) = (path.replace("{version}", "R4"), format!("_elements={}", "x".repeat(20_000)));
        let kind = "content-type: application/x-www-form-urlencoded\r\n";
        let form = ask(s.here, method, &address, kind, &long).await;
        let plain = path.trim_end_matches("/_search");
        let got = get(s.here, &format!("{}?{long}", address.trim_end_matches("/_search"))).await;
        assert_eq!((form.status, got.status), (414, 414), "{path}");
        for (path, method) in [(path, "post"), (plain, "get")] {
            assert!(doc["paths"][path][method]["responses"].get("414").is_some(), "{method} {path}");
        }
        searches += 1;
    }
    assert_eq!(searches, 6);
}

#[tokio::test]
async fn openapi_describes_every_route_and_no_other() {
    let s = service().await;
    let doc = get(s.here, "/openapi.json").await.json();
    assert_eq!(doc["openapi"], "3.1.0");
    assert_eq!(doc["info"]["version"], env!("CARGO_PKG_VERSION"));
    let described: BTreeSet<(String, String)> = doc["paths"]
        .as_object()
        .unwrap()
        .iter()
        .flat_map(|(path, methods)| methods.as_object().unwrap().keys().map(|m| (m.to_uppercase(), path.clone())))
        .collect();
    let routed: BTreeSet<(String, String)> =
        routes::table().into_iter().map(|(method, path, ..)| (method.to_owned(), path.to_owned())).collect();
    assert_eq!(described, routed);
    // Every reference in it leads somewhere.
    let text = doc.to_string();
    for target in text.split("\"$ref\":\"#").skip(1).map(|rest| rest.split('"').next().unwrap()) {
        assert!(doc.pointer(target).is_some(), "{target}");
    }
    // The query parameters of $appraise are those that are read.
    let named: BTreeSet<_> = doc["paths"]["/fhir/{version}/NutritionOrder/$appraise"]["post"]["parameters"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|p| p["$ref"].as_str()?.rsplit('/').next().map(str::to_owned))
        .filter(|n| !matches!(n.as_str(), "version" | "prefer") && !n.starts_with('_'))
        .collect();
    assert_eq!(named, enteral_gate::http::asked::NAMES.iter().map(|n| (*n).to_owned()).collect());
    for (method, path, ..) in routes::table() {
        let path = path.replace("{version}", "R4").replace("{id}", "finding").replace("{name}", "none");
        let r = ask(s.here, method, &path, JSON, "{}").await;
        assert_ne!(r.status, 405, "{method} {path}");
    }
}

#[tokio::test]
async fn the_page_is_static_and_strict() {
    let s = service().await;
    let r = get(s.here, "/").await;
    assert_eq!(r.header("content-type"), Some("text/html; charset=utf-8"));
    assert!(r.header("content-security-policy").is_some_and(|v| v.starts_with("default-src 'none'; style-src 'self'")));
    assert_eq!(r.body.matches("<script").count(), 1);
    assert!(r.body.contains("<script src=\"/assets/gate.js\" defer></script>"));
    assert!(!r.body.contains("{{") && !r.body.contains("style=") && !r.body.contains("<style"));
    assert!(!r.body.contains("invented"));
    for (file, kind) in [("gate.css", "text/css; charset=utf-8"), ("gate.js", "text/javascript; charset=utf-8")] {
        let r = get(s.here, &format!("/assets/{file}")).await;
        assert_eq!(r.header("content-type"), Some(kind));
        // Nothing is fetched from anywhere else.
        assert!(!r.body.contains("http:") && !r.body.contains("https:") && !r.body.contains("@import"), "{file}");
    }
}

#[tokio::test]
async fn the_demo_marks_everything() {
    let s = service_with(Limits::default(), true, true).await;
    for path in ["/", "/livez", "/fhir/R4/metadata", "/nothing", "/demo/orders/demo-1-toddler"] {
        assert_eq!(get(s.here, path).await.header("x-demo"), Some("invented data"), "{path}");
    }
    assert!(get(s.here, "/").await.body.contains("are invented. Never use it for a real person."));
    assert!(get(s.here, "/fhir/R4/metadata").await.body.contains("INVENTED"));
    for sample in &samples::SAMPLES {
        let r = get(s.here, &format!("/demo/orders/{}", sample.name)).await;
        assert_eq!(r.body, sample.text);
        let bundle = r.json();
        assert_eq!(bundle["meta"]["tag"][0]["code"], "HTEST");
        assert_eq!(bundle["entry"][0]["resource"]["name"][0]["family"], "Invented");
        assert_eq!(
            post(s.here, &format!("/fhir/{}/NutritionOrder/$appraise", sample.version.name()), sample.text)
                .await
                .status,
            200
        );
    }
}

#[tokio::test]
async fn several_requests_share_a_connection() {
    let s = service().await;
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    let mut ids = BTreeSet::new();
    for _ in 0..3 {
        let text =
            format!("POST {VALIDATE} HTTP/1.1\r\nhost: x\r\n{JSON}content-length: {}\r\n\r\n{ORDER}", ORDER.len());
        stream.write_all(text.as_bytes()).await.unwrap();
        let r = reply(&mut stream).await.unwrap();
        assert_eq!(r.status, 200);
        ids.insert(r.header("x-request-id").unwrap().to_owned());
    }
    assert_eq!(ids.len(), 3);
}

#[test]
fn only_loopback_addresses_are_bound() {
    for (address, ok) in [
        ("127.0.0.1:80", true),
        ("127.9.9.9:80", true),
        ("[::1]:80", true),
        ("[::ffff:127.0.0.1]:80", true),
        ("0.0.0.0:80", false),
        ("[::]:80", false),
        ("192.168.0.1:80", false),
        ("[::ffff:10.0.0.1]:80", false),
    ] {
        let result = server::only_loopback(address.parse().unwrap());
        assert_eq!(result.is_ok(), ok, "{address}");
        if let Err(exposed) = result {
            assert!(exposed.to_string().contains("loopback"), "{exposed}");
        }
    }
}
