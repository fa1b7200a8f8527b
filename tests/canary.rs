//! Nothing of a request is where it does not belong: marked texts, identifiers and numbers are put into every leaf of the
//! corpus and sent through a service that logs everything, whole, damaged, with wrong tokens and into faults. None of the
//! marks may be in a log line, a metric, an exported span, an audit entry, on the listener for the inside, in the answer to
//! another request, or on standard output or error.

#[path = "fake/collector.rs"]
mod collector;

use collector::{Collector, Mode, attributes};
use enteral_gate::cli::log::{self, LogFormat};
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::fetch::Fetched;
use enteral_gate::hooks::request::Malformed;
use enteral_gate::hooks::service::Service as HookService;
use enteral_gate::http::appraiser::{Appraised, Appraiser, Core, Hooked, Rendering};
use enteral_gate::http::traces::{Collector as To, Traces};
use enteral_gate::http::trail::{Bounds, Trail, file};
use enteral_gate::http::{App, Doors, Limits, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::Settings;
use opentelemetry_proto::tonic::trace::v1::span::SpanKind;
use serde_json::{Value, json};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

/// What every mark begins with; an unlikely text that may stand in an id, a code, a header and a token.
const MARK: &str = "Qz9Canary";
/// What every marked number ends with.
const DIGITS: &str = "91827364";
/// What every marked date is.
const DATE: &str = "1931-07-29";
const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
const SIGN: &str = "/cds-services/tube-feeding-order-sign";

/// Lines of `text` in which a mark is, in any case, also when it was escaped, reversed into base64 or split by a `\u`.
fn leaks(text: &str) -> Vec<String> {
    let needles = [MARK.to_lowercase(), DIGITS.to_owned(), DATE.to_owned()];
    let found = |line: &str| {
        let line = line.to_lowercase();
        // `Qz9Canary` in base64 at each of the three places where it may begin in a group.
        let coded = ["UXo5Q2FuYXJ5", "F6OUNhbmFye", "RejlDYW5hcn"].map(str::to_lowercase);
        needles.iter().chain(&coded).any(|needle| line.contains(needle.as_str()))
    };
    text.lines().filter(|line| found(line)).map(|line| line.chars().take(300).collect()).collect()
}

fn clean(what: &str, text: &str) {
    let leaks = leaks(text);
    assert!(leaks.is_empty(), "{what}: {} lines with a mark, the first:\n{}", leaks.len(), leaks[0]);
}

/// What was exported, byte for byte, and no other spans than of so many requests and their stages. Whatever is in one is in
/// plain text there, except for numbers: of those there is the status alone.
fn clean_spans(collector: &Collector, at_least: usize) {
    for body in collector.bodies() {
        clean("exported spans", &String::from_utf8_lossy(&body));
    }
    let spans = collector.spans();
    let (requests, stages): (Vec<_>, Vec<_>) = spans.iter().partition(|span| span.kind == SpanKind::Server as i32);
    assert!(requests.len() >= at_least, "{} spans of {at_least} requests", requests.len());
    for span in &spans {
        for (name, value) in attributes(&span.attributes) {
            let status = name == "http.response.status_code";
            assert!(!status || value.parse::<u16>().is_ok_and(|code| (200..600).contains(&code)), "{name} {value}");
            assert!(status || !value.starts_with("Some("), "{name} {value} is no text");
        }
    }
    println!("counts: {} spans of requests, {} of stages", requests.len(), stages.len());
}

// The marks.

fn mark() -> String {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    format!("{MARK}{}", NEXT.fetch_add(1, Ordering::Relaxed))
}

/// How many leaves were marked.
static MARKED: AtomicU64 = AtomicU64::new(0);

/// Every leaf of a document: its member's name and what it is.
fn leaves<'v>(value: &'v mut Value, name: &str, out: &mut Vec<(String, &'v mut Value)>) {
    match value {
        Value::Object(members) => members.iter_mut().for_each(|(name, inner)| leaves(inner, name, out)),
        Value::Array(items) => items.iter_mut().for_each(|inner| leaves(inner, name, out)),
        leaf => out.push((name.to_owned(), leaf)),
    }
}

/// Ids and what refers to them, marked alike, so that everything still hangs together; names, texts and dates of birth;
/// what a document is judged by stays.
fn fitting(document: &Value) -> Value {
    let mut out = document.clone();
    let mut all = Vec::new();
    leaves(&mut out, "", &mut all);
    let is_id = |name: &str| matches!(name, "id" | "patientId" | "encounterId" | "hookInstance");
    let ids: BTreeMap<String, String> = all
        .iter()
        .filter(|(name, _)| is_id(name))
        .filter_map(|(_, leaf)| Some((leaf.as_str()?.to_owned(), mark())))
        .collect();
    for (name, leaf) in all {
        let Some(text) = leaf.as_str() else { continue };
        let by_id = text.rsplit_once('/').map_or(("", text), |(before, id)| (before, id));
        let new = match (ids.get(by_id.1), name.as_str()) {
            (Some(id), _) if by_id.0.is_empty() => id.clone(),
            (Some(id), _) => format!("{}/{id}", by_id.0),
            (None, "birthDate") => DATE.to_owned(),
            (None, "hook" | "resourceType" | "status" | "intent" | "code" | "system" | "unit" | "type") => continue,
            (
                None,
                "family" | "given" | "text" | "display" | "div" | "value" | "comment" | "description" | "userId",
            ) => {
                format!("{} {text}", mark())
            }
            (
                None,
                "oralDiet" | "instruction" | "administrationInstruction" | "patientInstruction" | "title" | "label",
            ) => mark(),
            _ => continue,
        };
        *leaf = json!(new);
        MARKED.fetch_add(1, Ordering::Relaxed);
    }
    out
}

/// Every n-th leaf marked, whatever it is; without `resourceType` and `hook`, where nothing would be read at all.
fn forced(document: &Value, nth: usize, of: usize) -> Value {
    let mut out = document.clone();
    let mut all = Vec::new();
    leaves(&mut out, "", &mut all);
    for (n, (name, leaf)) in all.into_iter().enumerate() {
        if n % of != nth || matches!(name.as_str(), "resourceType" | "hook") && of == 1 {
            continue;
        }
        *leaf = match leaf {
            Value::Number(n) => {
                serde_json::from_str(&format!("{}.{DIGITS}", n.as_f64().unwrap_or(1.0) as i64)).unwrap()
            }
            _ => json!(mark()),
        };
        MARKED.fetch_add(1, Ordering::Relaxed);
    }
    out
}

fn documents(folder: &str) -> Vec<Value> {
    let mut out = Vec::new();
    let mut folders = vec![Path::new(env!("CARGO_MANIFEST_DIR")).join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "json") {
                out.push(serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap());
            }
        }
    }
    out
}

// The services.

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let name = format!("enteral-gate-canary-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    }

    fn path(&self, name: &str) -> String {
        self.0.join(name).display().to_string()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn drained(mut from: impl Read + Send + 'static) -> JoinHandle<String> {
    std::thread::spawn(move || {
        let mut bytes = Vec::new();
        let _ = from.read_to_end(&mut bytes);
        String::from_utf8_lossy(&bytes).into_owned()
    })
}

/// A child process with everything that it says.
struct Running {
    child: Child,
    here: String,
    inside: String,
    said: Vec<JoinHandle<String>>,
}

impl Running {
    fn of(mut command: Command, addresses: usize) -> Self {
        for (name, _) in std::env::vars().filter(|(n, _)| n.starts_with("ENTERAL_GATE_")) {
            command.env_remove(name);
        }
        command.env("ENTERAL_GATE_LOG", "trace").stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut out = BufReader::new(child.stdout.take().unwrap());
        let mut found = Vec::new();
        while found.len() < addresses {
            let mut line = String::new();
            assert!(out.read_line(&mut line).unwrap() > 0, "it does not serve");
            let said = line.trim();
            let address = said.strip_prefix("listening on http://").or(said.strip_prefix("metrics on http://"));
            found.extend(address.map(str::to_owned));
        }
        let inside = found.pop().unwrap();
        let here = found.pop().unwrap_or_else(|| inside.clone());
        let said = vec![drained(out), drained(child.stderr.take().unwrap())];
        Self { child, here, inside, said }
    }

    fn serve(folder: &Folder, arguments: &[&str]) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
        command.args(["serve", "--listen", "127.0.0.1:0", "--admin-listen", "127.0.0.1:0", "--formulary", FORMULARY]);
        command.args(["--audit", &folder.path("trail.jsonl"), "--store", &folder.path("queue.sqlite")]).args(arguments);
        Self::of(command, 2)
    }

    fn raw(here: &str, request: &[u8]) -> (u16, String) {
        let mut stream = TcpStream::connect(here).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(60))).unwrap();
        let _ = stream.write_all(request);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        let answer = String::from_utf8_lossy(&answer).into_owned();
        (answer.split(' ').nth(1).and_then(|s| s.parse().ok()).unwrap_or(0), answer)
    }

    fn send(&self, path: &str, headers: &str, body: &[u8]) -> (u16, String) {
        let kind =
            if headers.to_lowercase().contains("content-type") { "" } else { "content-type: application/json\r\n" };
        let head = format!(
            "POST {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n{kind}{headers}content-length: {}\r\n\r\n",
            body.len()
        );
        Self::raw(&self.here, &[head.as_bytes(), body].concat())
    }

    fn get(here: &str, path: &str) -> String {
        Self::raw(here, format!("GET {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").as_bytes()).1
    }

    /// Everything that can be read beside the answers: metrics, details, what is open to all.
    fn looked_at(&self) -> String {
        let inside = ["/metrics", "/readyz"].map(|path| Self::get(&self.inside, path));
        let open =
            ["/", "/readyz", "/livez", "/cds-services", "/fhir/R4/metadata"].map(|path| Self::get(&self.here, path));
        inside.concat() + &open.concat()
    }

    /// Asks it to stop; gives what it said on standard output and error.
    fn stop(mut self) -> String {
        assert!(Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap().success());
        let said = self.said.drain(..).map(|said| said.join().unwrap()).collect();
        self.child.wait().unwrap();
        said
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A client's FHIR server whose every answer is marked.
fn marked_server() -> String {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let here = listener.local_addr().unwrap();
    std::thread::spawn(move || {
        for (n, stream) in listener.incoming().enumerate() {
            let Ok(mut stream) = stream else { continue };
            let mut request = Vec::new();
            let mut part = [0; 4096];
            while !request.windows(4).any(|w| w == b"\r\n\r\n") {
                match stream.read(&mut part) {
                    Ok(0) | Err(_) => break,
                    Ok(read) => request.extend_from_slice(&part[..read]),
                }
            }
            let resource = json!({"resourceType": "Observation", "id": mark(), "status": "final", "code": {"text": mark()},
                "subject": {"reference": format!("Patient/{}", mark())}, "valueString": mark()});
            let bundle = json!({"resourceType": "Bundle", "type": "searchset", "entry": [{"resource": resource, "search": {"mode": "match"}}]});
            let body = match n % 4 {
                0 => format!("<html>{}</html>", mark()),
                1 => bundle.to_string().replace("\"status\"", "\"status\":\"x\",\"status\""),
                _ => bundle.to_string(),
            };
            let status = if n % 5 == 4 { "403 Forbidden" } else { "200 OK" };
            let _ = write!(
                stream,
                "HTTP/1.1 {status}\r\ncontent-type: application/fhir+json\r\ncontent-length: {}\r\nx-note: {}\r\nconnection: close\r\n\r\n{body}",
                body.len(),
                mark()
            );
        }
    });
    format!("http://{here}/fhir")
}

/// Statuses seen, and answers in which the marks of their own request stood: proof that they went all the way.
#[derive(Default)]
struct Seen {
    statuses: BTreeMap<u16, usize>,
    echoed: usize,
}

impl Seen {
    fn take(&mut self, (status, answer): (u16, String)) {
        *self.statuses.entry(status).or_default() += 1;
        self.echoed += usize::from(!leaks(&answer).is_empty());
    }
}

fn everything(running: &Running, server: &str) -> Seen {
    let mut seen = Seen::default();
    let versions = [("R4", "fhirVersion=4.0"), ("R5", "fhirVersion=5.0")];
    let forms = |document: &Value| {
        let mut all = vec![fitting(document), forced(document, 0, 1)];
        all.extend((0..5).map(|nth| forced(document, nth, 5)));
        all
    };
    for document in documents("tests/orders") {
        let (version, _) = versions[usize::from(document.to_string().contains("routeOfAdministration"))];
        for (n, form) in forms(&document).into_iter().enumerate() {
            let body = form.to_string();
            for path in [
                format!("/fhir/{version}/$validate"),
                format!("/fhir/{version}/NutritionOrder/$appraise"),
                format!("/fhir/{version}/NutritionOrder/{}/$validate?mode=update", mark()),
            ] {
                seen.take(running.send(&path, "", body.as_bytes()));
            }
            let entry = json!({"fullUrl": mark(), "request": {"method": "POST", "url": "NutritionOrder/$appraise"}, "resource": form});
            let broken = json!({"request": {"method": mark(), "url": mark()}, "resource": mark()});
            let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [entry, broken]});
            if n < 2 {
                seen.take(running.send(&format!("/fhir/{version}"), "", batch.to_string().as_bytes()));
            }
        }
    }
    for document in documents("tests/hooks/requests") {
        let service =
            if document["hook"] == "order-select" { "tube-feeding-order-select" } else { "tube-feeding-order-sign" };
        for mut form in forms(&document) {
            seen.take(running.send(&format!("/cds-services/{service}"), "", form.to_string().as_bytes()));
            // With everything but the draft to be fetched.
            if form["hook"] == document["hook"] && form["context"].is_object() {
                form["fhirServer"] = json!(server);
                form["fhirAuthorization"] = json!({"access_token": mark(), "token_type": "Bearer", "expires_in": 300, "scope": mark(), "subject": mark()});
                form.as_object_mut().unwrap().remove("prefetch");
                seen.take(running.send(&format!("/cds-services/{service}"), "", form.to_string().as_bytes()));
            }
        }
    }
    let feedback = json!({"feedback": [{"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "overridden",
        "outcomeTimestamp": "2026-11-25T08:12:00Z", "overrideReason": {"reason": {"code": mark(), "display": mark()}, "userComment": mark()}}]});
    for body in [feedback.to_string(), feedback.to_string().replace("overridden", &mark())] {
        seen.take(running.send(&format!("{SIGN}/feedback"), "", body.as_bytes()));
    }
    seen
}

/// Bodies that break off, double names, no UTF-8, too much; marks in addresses, parameters and headers.
fn malformed(running: &Running) -> Seen {
    let mut seen = Seen::default();
    let order = fitting(&documents("tests/orders/clear")[0]).to_string();
    let hook = fitting(&documents("tests/hooks/requests")[0]).to_string();
    for (path, body) in [("/fhir/R4/$validate", &order), (SIGN, &hook), ("/fhir/R4", &order)] {
        for cut in (1..body.len()).step_by(body.len() / 12) {
            seen.take(running.send(path, "", &body.as_bytes()[..cut]));
        }
        let m = mark();
        let bad = [
            format!("{{\"{m}\":1,\"{m}\":2}}").into_bytes(),
            [b"{\"", m.as_bytes(), b"\xff\":1}"].concat(),
            format!("\u{feff}{{\"a\":\"{m}\"}}").into_bytes(),
            format!("{{\"resourceType\":\"{m}\"}}").into_bytes(),
            format!("{}{m}", "[".repeat(500)).into_bytes(),
            format!("{{\"a\":{m}}}").into_bytes(),
            m.repeat((1 << 20) / m.len() + 1).into_bytes(),
        ];
        for body in bad {
            seen.take(running.send(path, "", &body));
        }
        for header in [
            format!("content-type: text/{m}\r\n"),
            format!("accept: {m}/{m}\r\n"),
            format!(
                "authorization: Bearer {m}\r\ncookie: a={m}\r\nuser-agent: {m}\r\nreferer: http://{m}/\r\nx-request-id: {m}\r\n"
            ),
            format!("if-match: {m}\r\n"),
            format!("prefer: {m}={m}, handling=lenient\r\ntraceparent: {m}\r\nx-forwarded-for: {m}\r\n"),
            format!(
                "traceparent: 00-0af7651916cd43dd8448eb211c80319c-b7ad6b7169203331-01\r\ntracestate: {m}={m}\r\nbaggage: {m}={m}\r\n"
            ),
            format!("content-encoding: {m}\r\n"),
            format!("{m}: {m}\r\n"),
        ] {
            seen.take(running.send(path, &header, body.as_bytes()));
        }
    }
    let m = mark();
    for path in [
        format!("/{m}"),
        format!("/fhir/{m}/$validate"),
        format!("/fhir/R4/Patient/{m}"),
        format!("/fhir/R4/CodeSystem/{m}"),
        format!("/cds-services/{m}"),
        format!("/fhir/R4/$validate?{m}={m}"),
        format!("/fhir/R4/$validate?zone={m}&mode={m}&profile={m}"),
        format!("/fhir/R4/$validate?date={m}"),
        format!("/demo/orders/{m}"),
    ] {
        seen.take(running.send(&path, "", order.as_bytes()));
        seen.take((200, Running::get(&running.here, &path)));
    }
    // A method of their own.
    seen.take(Running::raw(
        &running.here,
        format!("{m} /livez HTTP/1.1\r\nhost: x\r\nconnection: close\r\n\r\n").as_bytes(),
    ));
    // Not HTTP at all.
    for junk in [
        format!("{m} {m}\r\n\r\n"),
        format!("POST / HTTP/1.1\r\nhost: x\r\ncontent-length: {m}\r\n\r\n"),
        format!("{m}\0\r\n"),
    ] {
        seen.take(Running::raw(&running.here, junk.as_bytes()));
    }
    seen
}

/// A request without marks, answered in the middle of the others.
fn unmarked(running: &Running) -> String {
    let order = std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/cases/c1.r4.json")).unwrap();
    ["/fhir/R4/$validate", "/fhir/R4/$validate?date=x", "/nothing"]
        .map(|path| running.send(path, "", &order).1)
        .concat()
}

fn nothing_of_a_request(format: &str) {
    let folder = Folder::new();
    let server = marked_server();
    let settings = folder.write(
        "settings.toml",
        &format!("[hooks]\ndeadline = 10000\n[[hooks.servers]]\nbase = \"{server}\"\nprivate-addresses = true\n"),
    );
    let collector = Collector::new(Mode::Good);
    let traces = folder.write("traces.toml", &collector.file());
    let running = Running::serve(&folder, &["--settings", &settings, "--log", format, "--traces", &traces]);
    let mut others = unmarked(&running);
    let seen = everything(&running, &server);
    others += &unmarked(&running);
    let bad = malformed(&running);
    others += &unmarked(&running);
    let looked_at = running.looked_at();
    let said = running.stop();
    let trail = std::fs::read_to_string(folder.path("trail.jsonl")).unwrap();
    // That it was not for want of requests, entries or lines.
    let sent: usize = seen.statuses.values().chain(bad.statuses.values()).sum();
    let marked = MARKED.load(Ordering::Relaxed);
    assert!(sent > 1_000 && marked > 15_000, "{sent} requests, {marked} leaves");
    assert!(seen.statuses[&200] > 600 && seen.echoed > 300, "{:?}, {} echoed", seen.statuses, seen.echoed);
    assert!(bad.statuses.keys().filter(|status| (400..500).contains(*status)).count() >= 6, "{:?}", bad.statuses);
    assert_eq!(seen.statuses.keys().chain(bad.statuses.keys()).find(|status| **status == 500), None);
    assert!(said.lines().count() > sent && trail.lines().count() > 800, "{} lines", said.lines().count());
    assert!(looked_at.contains("enteral_gate_hook_fetch_total{key=\"weights\""), "{looked_at}");
    for (what, text) in
        [("the log", &said), ("metrics and details", &looked_at), ("the trail", &trail), ("other answers", &others)]
    {
        clean(what, text);
    }
    clean_spans(&collector, seen.statuses.values().sum());
    println!(
        "counts: {sent} requests, {marked} leaves marked, {} lines of log, {} entries",
        said.lines().count(),
        trail.lines().count()
    );
}

#[test]
fn nothing_of_a_request_is_in_a_log_as_text() {
    nothing_of_a_request("text");
}

#[test]
fn nothing_of_a_request_is_in_a_log_as_json() {
    nothing_of_a_request("json");
}

/// Callers who are turned away: their tokens, and what they sent.
#[test]
fn nothing_of_a_caller_who_is_turned_away() {
    use base64::Engine;
    use base64::engine::general_purpose::URL_SAFE_NO_PAD;
    let folder = Folder::new();
    let jwks = json!({"keys": [public_key()]}).to_string();
    folder.write("keys.json", &jwks);
    let access = folder.write(
        "access.toml",
        "public-url = \"https://gate.example\"\n[[client]]\nname = \"order-entry\"\niss = \"https://ehr.example\"\njwks = \"keys.json\"\n",
    );
    let collector = Collector::new(Mode::Good);
    let traces = folder.write("traces.toml", &collector.file());
    let running = Running::serve(&folder, &["--access", &access, "--traces", &traces]);
    let part = |value: Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let order = fitting(&documents("tests/orders/clear")[0]).to_string();
    let mut turned_away = 0_u64;
    for (header, claims) in [
        (json!({"alg": "none", "typ": "JWT", "kid": mark()}), json!({"iss": mark()})),
        (json!({"alg": "ES384", "typ": "JWT", "kid": mark()}), json!({"iss": "https://ehr.example", "jti": mark()})),
        (
            json!({"alg": "ES384", "typ": "JWT", "kid": "k"}),
            json!({"iss": "https://ehr.example", "sub": mark(), "aud": mark()}),
        ),
        (
            json!({"alg": "ES384", "typ": mark(), "kid": "k", "jku": format!("https://{}/", mark())}),
            json!({"iss": mark()}),
        ),
    ] {
        let token = format!("{}.{}.{}", part(header), part(claims), URL_SAFE_NO_PAD.encode(mark()));
        for token in [token, mark(), format!("{}.{}.{}", mark(), mark(), mark())] {
            for path in [SIGN, "/fhir/R4/$validate", &format!("{SIGN}/feedback"), "/fhir/R4"] {
                let (status, answer) =
                    running.send(path, &format!("authorization: Bearer {token}\r\n"), order.as_bytes());
                assert_eq!(status, 401);
                clean("the refusal", &answer);
                turned_away += 1;
            }
        }
    }
    let looked_at = running.looked_at();
    let said = running.stop();
    let trail = std::fs::read_to_string(folder.path("trail.jsonl")).unwrap();
    // An entry each, but for those of a minute that are summed up by the name they say they have.
    let entries = trail.lines().filter_map(|line| serde_json::from_str::<Value>(line).ok());
    let turned: Vec<Value> = entries.filter(|e| e.to_string().contains("\"turned-away\"")).collect();
    let count = |e: &Value| match e["entry"]["action"].as_str() {
        Some("calls-summed") => e["entry"]["outcome"]["count"].as_u64().unwrap(),
        _ => 1,
    };
    assert_eq!(turned.iter().map(count).sum::<u64>(), turned_away);
    assert_eq!(said.matches("a call was turned away").count() as u64, turned_away);
    for (what, text) in [("the log", &said), ("metrics and details", &looked_at), ("the trail", &trail)] {
        clean(what, text);
    }
    clean_spans(&collector, turned_away as usize);
}

fn public_key() -> Value {
    use jsonwebtoken::{Algorithm, EncodingKey, jwk::Jwk};
    let pair = rcgen::KeyPair::generate_for(&rcgen::PKCS_ECDSA_P384_SHA384).unwrap();
    let key = EncodingKey::from_ec_der(&pair.serialize_der());
    let mut jwk = serde_json::to_value(Jwk::from_encoding_key(&key, Algorithm::ES384).unwrap()).unwrap();
    jwk["kid"] = json!("k");
    jwk
}

// Faults: this test starts itself as the child, with a core that breaks, and with one that tells.

/// A core that breaks on what holds `BREAK`, quoting it, and logs everything if it is to leak.
struct Faulty {
    core: Core,
    leaks: bool,
}

impl Faulty {
    fn look(&self, input: &[u8]) {
        let text = String::from_utf8_lossy(input);
        if self.leaks {
            tracing::debug!(%text, "judging");
        }
        assert!(!text.contains("BREAK"), "it broke on {text}");
    }
}

impl Appraiser for Faulty {
    fn appraise(
        &self,
        input: &[u8],
        version: FhirVersion,
        settings: &Settings,
        rendering: Rendering,
        keep: bool,
    ) -> Appraised {
        self.look(input);
        self.core.appraise(input, version, settings, rendering, keep)
    }

    fn hook(
        &self,
        input: &[u8],
        service: &HookService,
        settings: &Settings,
        fetched: Fetched,
        keep: bool,
    ) -> Result<Hooked, Malformed> {
        self.look(input);
        self.core.hook(input, service, settings, fetched, keep)
    }

    fn ready(&self) -> Result<String, String> {
        self.core.ready()
    }
}

const CHILD: &str = "CANARY_CHILD";

/// Serves when it is started as a child; as a test it does nothing.
#[test]
fn child() {
    let Ok(how) = std::env::var(CHILD) else { return };
    let [leaks, trail, collector] = how.split('|').collect::<Vec<_>>().try_into().unwrap();
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let endpoint = format!("http://{collector}/v1/traces");
    let to = To { endpoint, private_addresses: true, headers: http::HeaderMap::new(), one_in: 1 };
    let traces = Arc::new(Traces::start(&to, runtime.handle().clone()));
    log::start_with(LogFormat::Json, "trace", false, Some(&traces));
    let (store, found) = file::open(Path::new(trail)).unwrap();
    let trail = Trail::start(store, found, Bounds::default(), Vec::new()).unwrap();
    let doors = Doors { trail: Some(trail.clone()), traces: Some(traces.clone()), ..Doors::default() };
    let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let core = Faulty { core: Core::new(formulary), leaks: leaks == "leaks" };
    let limits = Limits { hook_time: Duration::from_secs(20), ..Limits::default() };
    runtime.block_on(async {
        let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
        println!("\nlistening on http://{}", listener.local_addr().unwrap());
        let app = App::behind(doors, Arc::new(core), Settings::default(), limits);
        server::serve(listener, app, server::asked_to_stop()).await.unwrap();
        traces.stop().await;
    });
    trail.close();
}

fn faulty(leaks: &str) -> (String, String, String) {
    let folder = Folder::new();
    let mut command = Command::new(std::env::current_exe().unwrap());
    command.args(["--exact", "child", "--nocapture", "--test-threads=1"]);
    let collector = Collector::new(Mode::Good);
    command.env(CHILD, [leaks, &folder.path("trail.jsonl"), &collector.at].join("|")).env("RUST_BACKTRACE", "1");
    let running = Running::of(command, 1);
    let mut others = String::new();
    let order = fitting(&documents("tests/orders/clear")[0]).to_string();
    let hook = fitting(&documents("tests/hooks/requests")[0]).to_string();
    let broken = |text: &str| text.replacen(MARK, &format!("BREAK{MARK}"), 1);
    let entry = json!({"request": {"method": "POST", "url": "$validate"}, "resource": serde_json::from_str::<Value>(&broken(&order)).unwrap()});
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [entry]}).to_string();
    for (path, body, status) in [
        ("/fhir/R4/$validate", broken(&order), 500),
        ("/fhir/R4/NutritionOrder/$appraise", broken(&order), 500),
        ("/fhir/R4/$validate", format!("{}{}", broken(&order), " ".repeat(20 << 10)), 500),
        ("/fhir/R4", batch, 200),
        (SIGN, broken(&hook), 200),
        ("/fhir/R4/$validate", order, 200),
    ] {
        let (got, answer) = running.send(path, "", body.as_bytes());
        assert_eq!(got, status, "{path}: {answer}");
        if body.contains("BREAK") {
            clean("the answer to a fault", &answer);
        }
        others += &unmarked(&running);
    }
    let metrics = Running::get(&running.here, "/metrics");
    assert!(metrics.contains("enteral_gate_panics_total 5"), "{metrics}");
    others += &metrics;
    let said = running.stop();
    let trail = std::fs::read_to_string(folder.path("trail.jsonl")).unwrap();
    assert!(said.matches("\"panic\"").count() >= 5, "{said}");
    // Not even where the log is told everything.
    clean_spans(&collector, 20);
    (said, trail, others)
}

#[test]
fn nothing_of_a_request_is_told_by_a_fault() {
    let (said, trail, others) = faulty("keeps");
    assert_eq!(trail.matches("\"status\":500").count(), 3, "{trail}");
    for (what, text) in [("the log", &said), ("the trail", &trail), ("other answers", &others)] {
        clean(what, text);
    }
}

/// The check can fail: a core that logs what it judges is found out, and so is every form of a mark.
#[test]
fn a_leak_is_found() {
    let (said, trail, _) = faulty("leaks");
    assert!(leaks(&said).len() >= 6, "{said}");
    assert!(leaks(&trail).is_empty());
    for line in [
        "x QZ9CANARY12 y".to_owned(),
        format!("{{\"weight\":73.{DIGITS}}}"),
        format!("born {DATE}"),
        base64::Engine::encode(&base64::engine::general_purpose::STANDARD, MARK),
        base64::Engine::encode(&base64::engine::general_purpose::STANDARD, format!("x{MARK}")),
        base64::Engine::encode(&base64::engine::general_purpose::STANDARD, format!("xy{MARK}z")),
    ] {
        assert_eq!(leaks(&format!("nothing\n{line}\nnothing")).len(), 1, "{line}");
    }
    assert!(leaks("a line of the log with a canary and 91827 and 1931").is_empty());
}
