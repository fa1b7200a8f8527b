//! The call-back: what a hook request does not hold is fetched from a FHIR server, here `tests/fake/fhir_server.py` in a
//! process of its own, which answers well or badly as its address says.

use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::EXTENSION;
use enteral_gate::hooks::fetch::Why;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::{App, Limits, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::settings::{FhirServer, Hooks, Settings};
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
use serde_json::{Value, json};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::net::TcpListener;

const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const DATA: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/hooks/requests/sign-clear.json");

/// Machines that run tests are slow; whether the time is held is a test of its own.
const PATIENT: Duration = Duration::from_secs(20);

/// The fake server; it ends when its standard input does.
struct Fake {
    process: Child,
    base: String,
    elsewhere: String,
}

impl Fake {
    fn start() -> Self {
        Self::with(&[])
    }

    fn with(certificate_and_key: &[&Path]) -> Self {
        let mut process = Command::new("python3")
            .args([concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/fhir_server.py"), DATA])
            .args(certificate_and_key)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 runs the fake FHIR server");
        let mut first = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let (base, elsewhere) = first.trim().split_once(' ').expect("two addresses");
        Self { base: base.to_owned(), elsewhere: elsewhere.to_owned(), process }
    }

    fn at(&self, mode: &str) -> String {
        format!("{}/{mode}", self.base)
    }

    /// What it was asked since the last time: which of its two doors, target, Authorization.
    async fn seen(&self) -> Vec<(String, String, Option<String>)> {
        let text = reqwest::get(self.at("seen")).await.unwrap().text().await.unwrap();
        reqwest::get(self.at("forget")).await.unwrap();
        let list: Vec<Value> = serde_json::from_str(&text).unwrap();
        let one = |v: &Value| {
            let text = |v: &Value| v.as_str().map(str::to_owned);
            (text(&v["at"]).unwrap(), text(&v["target"]).unwrap(), text(&v["headers"]["authorization"]))
        };
        list.iter().map(one).collect()
    }
}

impl Drop for Fake {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

fn listed(base: &str) -> FhirServer {
    FhirServer {
        base: base.to_owned(),
        private_addresses: true,
        fhir: None,
        leave_out: BTreeSet::new(),
        templates: BTreeMap::new(),
    }
}

fn hooks(servers: Vec<FhirServer>) -> Hooks {
    Hooks { servers, ..Hooks::default() }
}

fn recorded(name: &str) -> Value {
    let path = format!("{}/tests/hooks/requests/{name}.json", env!("CARGO_MANIFEST_DIR"));
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

/// An order that is clear with all that the fake server has, sent with nothing.
fn request(server: &str) -> Value {
    let mut request = recorded("sign-clear");
    request.as_object_mut().unwrap().remove("prefetch");
    request["fhirServer"] = json!(server);
    request["fhirAuthorization"] = json!({
        "access_token": "invented-token", "token_type": "Bearer", "expires_in": 300,
        "scope": "patient/*.read", "subject": "enteral-gate"
    });
    request
}

struct Service {
    here: SocketAddr,
    client: reqwest::Client,
}

impl Service {
    async fn with(hooks: Hooks, time: Duration) -> Self {
        let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
        let settings = Settings { hooks, ..Settings::default() };
        let limits = Limits { hook_time: time, ..Limits::default() };
        let app = App::new(Arc::new(Core::new(formulary)), settings, limits);
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        tokio::spawn(server::serve(listener, app, std::future::pending()));
        Self { here, client: reqwest::Client::new() }
    }

    async fn calling(bases: &[&str]) -> Self {
        Self::with(hooks(bases.iter().map(|base| listed(base)).collect()), PATIENT).await
    }

    async fn post(&self, request: &Value) -> Answer {
        let sent = self.client.post(format!("http://{}{SIGN}", self.here)).header("content-type", "application/json");
        let began = Instant::now();
        let answer = sent.body(request.to_string()).send().await.unwrap();
        assert_eq!(answer.status(), 200);
        let body: Value = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
        Answer { body, took: began.elapsed() }
    }

    async fn metrics(&self) -> String {
        self.client.get(format!("http://{}/metrics", self.here)).send().await.unwrap().text().await.unwrap()
    }
}

#[derive(Debug)]
struct Answer {
    body: Value,
    took: Duration,
}

impl Answer {
    fn disposition(&self) -> &str {
        self.body["extension"][EXTENSION]["orders"][0]["disposition"].as_str().unwrap_or("")
    }

    fn state(&self, key: &str) -> &str {
        self.body["extension"][EXTENSION]["prefetch"][key].as_str().unwrap_or("")
    }

    fn outcome(&self, key: &str) -> &str {
        self.body["extension"][EXTENSION]["fetched"][key].as_str().unwrap_or("")
    }

    fn card(&self) -> String {
        let card = &self.body["cards"][0];
        format!("{}\n{}", card["summary"].as_str().unwrap_or(""), card["detail"].as_str().unwrap_or(""))
    }
}

#[tokio::test]
async fn what_was_not_sent_is_fetched_and_judged_like_what_is_sent() {
    let fake = Fake::start();
    let s = Service::calling(&[&fake.at("good")]).await;
    let answer = s.post(&request(&fake.at("good"))).await;
    assert_eq!(answer.disposition(), "clear", "{answer:#?}");
    assert_eq!(answer.body["cards"], json!([]));
    for (key, state) in [("patient", "present"), ("weights", "present"), ("encounter", "present"), ("labs", "empty")] {
        assert_eq!((answer.state(key), answer.outcome(key)), (state, "fetched"), "{key}");
    }
    let seen = fake.seen().await;
    assert_eq!(seen.len(), 15, "{seen:#?}");
    for (at, target, authorization) in &seen {
        assert_eq!((at.as_str(), authorization.as_deref()), ("here", Some("Bearer invented-token")));
        assert!(target.starts_with("/good/"), "{target}");
        assert!(target.contains("invented-1") || target == "/good/Encounter/stay-1", "{target}");
    }
    let targets: BTreeSet<&str> = seen.iter().map(|(_, target, _)| target.as_str()).collect();
    assert!(targets.contains("/good/Patient/invented-1"));
    assert!(
        targets.contains("/good/Observation?patient=invented-1&code=http://loinc.org%7C29463-7&_sort=-date&_count=20")
    );
    // The same order with what it is judged by sent along: the same, and nothing is fetched.
    let mut whole = recorded("sign-clear");
    whole["fhirServer"] = json!(fake.at("good"));
    let sent = s.post(&whole).await;
    assert_eq!((sent.disposition(), sent.body["extension"][EXTENSION].get("fetched")), ("clear", None));
    assert_eq!(fake.seen().await, []);
    // A finding is found with fetched data, its correction is tried with them, and the card says where they are from.
    let mut flagged = recorded("sign-maximum-below-schedule");
    let offered = s.post(&flagged).await.body["cards"][0]["suggestions"].clone();
    assert_eq!(offered.as_array().unwrap().len(), 1);
    flagged.as_object_mut().unwrap().remove("prefetch");
    flagged["fhirServer"] = json!(fake.at("good"));
    let answer = s.post(&flagged).await;
    assert_eq!((answer.disposition(), &answer.body["cards"][0]["suggestions"]), ("flagged", &offered));
    assert!(answer.card().contains("Fetched from the client's FHIR server: the patient; weights"), "{}", answer.card());
}

#[tokio::test]
async fn only_what_is_lacking_is_fetched() {
    let fake = Fake::start();
    let mut server = listed(&fake.at("good"));
    server.leave_out = BTreeSet::from(["devices".to_owned()]);
    server.templates = BTreeMap::from([(
        "medicines".to_owned(),
        "MedicationRequest?subject=Patient/{{context.patientId}}&_count=7".to_owned(),
    )]);
    let s = Service::with(hooks(vec![server]), PATIENT).await;
    let mut some = recorded("sign-clear");
    some["fhirServer"] = json!(fake.at("good"));
    for key in ["labs", "medicines", "devices", "encounter"] {
        some["prefetch"].as_object_mut().unwrap().remove(key);
    }
    // What the client tried to get and could not is tried here; what is another patient's is not put right.
    some["prefetch"]["weights"] = json!({"resourceType": "OperationOutcome", "issue": []});
    some["prefetch"]["heights"] = json!({"resourceType": "Patient", "id": "invented-1"});
    some["context"].as_object_mut().unwrap().remove("encounterId");
    let answer = s.post(&some).await;
    let mut targets: Vec<String> = fake.seen().await.into_iter().map(|(_, target, _)| target).collect();
    targets.sort();
    assert_eq!(targets.len(), 3, "{targets:?}");
    assert!(targets[0].starts_with("/good/MedicationRequest?subject=Patient/invented-1&_count=7"), "{targets:?}");
    assert!(targets[1].contains("laboratory") && targets[2].contains("29463-7"), "{targets:?}");
    assert_eq!((answer.state("weights"), answer.state("heights")), ("present", "unusable"));
    assert_eq!((answer.state("devices"), answer.state("encounter")), ("absent", "absent"));
    // Nothing to judge, nothing to fetch: food by mouth, no order, another patient's.
    for name in ["diet-by-mouth", "no-nutrition-order", "draft-of-another-patient", "no-draft"] {
        let mut other = recorded(name);
        other.as_object_mut().unwrap().remove("prefetch");
        other["fhirServer"] = json!(fake.at("good"));
        s.post(&other).await;
        assert_eq!(fake.seen().await, [], "{name}");
    }
}

/// Every way a server may answer badly: the key it was asked for is named with the reason, and is no silent pass.
#[tokio::test]
async fn what_could_not_be_fetched_is_not_checked() {
    let fake = Fake::start();
    let cases = [
        ("fails", "heights", "error", Why::Failed),
        ("denied", "heights", "error", Why::Denied),
        ("forbidden", "heights", "error", Why::Denied),
        ("teapot", "heights", "error", Why::Status),
        ("no-content", "heights", "error", Why::Status),
        ("patient-missing", "patient", "error", Why::NotFound),
        ("patient-gone", "patient", "error", Why::NotFound),
        ("html", "heights", "error", Why::ContentType),
        ("no-type", "heights", "error", Why::ContentType),
        ("html-as-json", "heights", "error", Why::NotJson),
        ("bad-json", "heights", "error", Why::NotJson),
        ("twice", "heights", "error", Why::NotJson),
        ("zipped", "heights", "error", Why::Encoded),
        ("truncated", "heights", "error", Why::Interrupted),
        ("closes", "heights", "error", Why::Interrupted),
        ("redirect", "heights", "error", Why::Redirect),
        ("redirect-elsewhere", "heights", "error", Why::Redirect),
        ("declares-much", "heights", "error", Why::TooLarge),
        ("sends-much", "heights", "error", Why::TooLarge),
    ];
    let bases: Vec<String> = cases.iter().map(|(mode, ..)| fake.at(mode)).collect();
    let s = Service::calling(&bases.iter().map(String::as_str).collect::<Vec<_>>()).await;
    for (mode, key, state, why) in cases {
        let answer = s.post(&request(&fake.at(mode))).await;
        assert_eq!((answer.state(key), answer.outcome(key)), (state, why.word()), "{mode}: {answer:#?}");
        assert_eq!(answer.disposition(), "not-fully-checked", "{mode}");
        assert!(answer.card().contains(&format!("({key}): {}", why.text())), "{mode}: {}", answer.card());
        // The others are not lost with it.
        assert_eq!((answer.state("weights"), answer.outcome("weights")), ("present", "fetched"), "{mode}");
        let line = format!("enteral_gate_hook_fetch_total{{key=\"{key}\",outcome=\"{}\"}}", why.word());
        assert!(s.metrics().await.contains(&line), "{mode}");
    }
    let seen = fake.seen().await;
    assert!(seen.iter().all(|(at, target, _)| at == "here" && !target.starts_with("/good/")), "nobody was followed");
}

#[tokio::test]
async fn an_answer_about_something_else_is_not_used() {
    let fake = Fake::start();
    let cases = [
        ("another", "heights", "unusable", "of another patient"),
        ("patient-another", "patient", "unusable", "of another patient"),
        ("wrong-type", "heights", "unusable", "of another type"),
        ("outcome", "heights", "error", "an OperationOutcome came instead"),
    ];
    let bases: Vec<String> = cases.iter().map(|(mode, ..)| fake.at(mode)).collect();
    let s = Service::calling(&bases.iter().map(String::as_str).collect::<Vec<_>>()).await;
    for (mode, key, state, words) in cases {
        let answer = s.post(&request(&fake.at(mode))).await;
        assert_eq!((answer.state(key), answer.disposition()), (state, "not-fully-checked"), "{mode}: {answer:#?}");
        assert!(answer.card().contains(words), "{mode}: {}", answer.card());
    }
}

#[tokio::test]
async fn pages_are_read_on_the_same_base_and_to_a_bound() {
    let fake = Fake::start();
    let cases = [
        ("pages", "present", "fetched", None, 3),
        ("endless", "present", "in-part", Some(Why::Pages), 10),
        ("circle", "present", "in-part", Some(Why::NextAgain), 2),
        ("next-elsewhere", "present", "in-part", Some(Why::NextElsewhere), 1),
        ("next-above", "present", "in-part", Some(Why::NextElsewhere), 1),
        ("second-fails", "present", "in-part", Some(Why::Failed), 2),
        // Nothing came, and more was announced: that is not that there is none.
        ("cut-empty", "unusable", "in-part", None, 2),
    ];
    let bases: Vec<String> = cases.iter().map(|(mode, ..)| fake.at(mode)).collect();
    let s = Service::calling(&bases.iter().map(String::as_str).collect::<Vec<_>>()).await;
    for (mode, state, outcome, why, asked) in cases {
        let answer = s.post(&request(&fake.at(mode))).await;
        let seen = fake.seen().await;
        assert_eq!((answer.state("conditions"), answer.outcome("conditions")), (state, outcome), "{mode}: {answer:#?}");
        let of_conditions = seen.iter().filter(|(_, target, _)| target.contains("/Condition")).count();
        assert_eq!(of_conditions, asked, "{mode}: {seen:#?}");
        assert!(seen.iter().all(|(at, target, _)| at == "here" && target.starts_with(&format!("/{mode}/"))), "{mode}");
        let clear = mode == "pages";
        assert_eq!(answer.disposition() == "clear", clear, "{mode}");
        if let Some(why) = why {
            let words = format!("(conditions): fetched only in part; {}", why.text());
            assert!(answer.card().contains(&words), "{mode}: {}", answer.card());
        }
    }
}

/// With the newest first, older pages than were asked for are not read, and not missed.
#[tokio::test]
async fn as_many_as_were_asked_for_are_enough() {
    let fake = Fake::start();
    let s = Service::calling(&[&fake.at("page-of-weights")]).await;
    let answer = s.post(&request(&fake.at("page-of-weights"))).await;
    let seen = fake.seen().await;
    // 15 on each page, 20 were asked for.
    assert_eq!(seen.iter().filter(|(_, target, _)| target.contains("29463-7")).count(), 2, "{seen:#?}");
    assert_eq!((answer.state("weights"), answer.outcome("weights")), ("present", "fetched"), "{answer:#?}");
    assert!(!answer.card().contains("in part"), "{}", answer.card());
}

#[tokio::test]
async fn answers_too_large_together_are_not_all_taken() {
    let fake = Fake::start();
    // Time enough on a busy machine: it is the size that counts here.
    let s = Service::with(hooks(vec![listed(&fake.at("all-large"))]), Duration::from_secs(20)).await;
    let answer = s.post(&request(&fake.at("all-large"))).await;
    let outcomes = answer.body["extension"][EXTENSION]["fetched"].as_object().unwrap();
    let of = |word: &str| outcomes.values().filter(|v| *v == word).count();
    assert!((1..=3).contains(&of("fetched")), "{outcomes:?}");
    assert_eq!(of("fetched") + of("too-much"), 15, "{outcomes:?}");
    assert_ne!(answer.disposition(), "clear");
    assert!(answer.card().contains(Why::TooMuch.text()), "{}", answer.card());
}

/// Generous: this machine may be busy with other things. What is shown is that nobody waits for a server that hangs for
/// half a minute.
#[tokio::test(flavor = "multi_thread")]
async fn the_time_is_held_whatever_the_server_does() {
    let fake = Fake::start();
    let modes = ["hang", "hang-in-body", "drip", "second-hangs", "all-hang"];
    let bases: Vec<String> = modes.iter().map(|mode| fake.at(mode)).collect();
    let servers = bases.iter().map(|base| listed(base)).collect();
    let time = Duration::from_millis(1500);
    let s = Service::with(hooks(servers), time).await;
    for mode in modes {
        let answer = s.post(&request(&fake.at(mode))).await;
        assert!(answer.took < time + Duration::from_millis(1500), "{mode}: {:?}", answer.took);
        // Without a weight, which is not known then, it is flagged as well.
        let disposition = if mode == "all-hang" { "flagged" } else { "not-fully-checked" };
        assert_eq!(answer.disposition(), disposition, "{mode}: {answer:#?}");
        let (key, outcome) = if mode == "second-hangs" { ("conditions", "in-part") } else { ("heights", "late") };
        assert_eq!(answer.outcome(key), outcome, "{mode}: {answer:#?}");
        assert!(answer.card().contains("not fetched in time"), "{mode}: {}", answer.card());
        // What is known by then is judged.
        let known = if mode == "all-hang" { ("error", "late") } else { ("present", "fetched") };
        assert_eq!((answer.state("patient"), answer.outcome("patient")), known, "{mode}");
        assert!(answer.body["extension"][EXTENSION]["orders"][0]["rules"].is_object(), "{mode}");
    }
    let text = s.metrics().await;
    assert!(text.contains("enteral_gate_hook_fetch_seconds_count 5\n"), "{text}");
    assert!(text.contains("enteral_gate_hook_fetch_seconds_bucket{le=\"0.7\"} 0\n"), "{text}");
    assert!(!text.contains("gave_up_total{"), "{text}");
    // While many wait for a server that hangs, others are answered at once.
    let waiting = request(&fake.at("all-hang"));
    let all = futures_of(20, || s.post(&waiting));
    let others = async {
        tokio::time::sleep(Duration::from_millis(200)).await;
        let answer = s.post(&recorded("sign-clear")).await;
        assert_eq!(answer.disposition(), "clear");
        assert!(answer.took < Duration::from_millis(1000), "{:?}", answer.took);
    };
    let (answers, ()) = tokio::join!(all, others);
    assert!(answers.iter().all(|a| a.outcome("weights") == "late"));
}

/// The same many times at once.
async fn futures_of<F: Future<Output = Answer>>(times: usize, of: impl Fn() -> F) -> Vec<Answer> {
    let mut running: Vec<_> = (0..times).map(|_| Box::pin(of())).collect();
    let mut done = Vec::new();
    std::future::poll_fn(|context| {
        running.retain_mut(|one| match one.as_mut().poll(context) {
            std::task::Poll::Ready(answer) => {
                done.push(answer);
                false
            }
            std::task::Poll::Pending => true,
        });
        if running.is_empty() { std::task::Poll::Ready(()) } else { std::task::Poll::Pending }
    })
    .await;
    done
}

/// A slow server is waited for, within the time.
#[tokio::test]
async fn a_slow_answer_in_time_is_used() {
    let fake = Fake::start();
    let s = Service::calling(&[&fake.at("slow")]).await;
    let answer = s.post(&request(&fake.at("slow"))).await;
    assert_eq!(answer.disposition(), "clear", "{answer:#?}");
    assert!(answer.took > Duration::from_millis(190));
}

#[tokio::test]
async fn a_server_that_is_not_listed_is_not_called() {
    let fake = Fake::start();
    let port = fake.base.rsplit(':').next().unwrap().to_owned();
    let good = fake.at("good");
    // As the default is: no server listed, nothing fetched, nothing said of it.
    let off = Service::with(Hooks::default(), PATIENT).await;
    let answer = off.post(&request(&good)).await;
    assert_eq!(answer.body["extension"][EXTENSION].get("fetched"), None);
    assert_eq!(answer.state("weights"), "absent");
    let s = Service::calling(&[&good, "https://fhir.invented.example/r4"]).await;
    for server in [
        fake.at("fails"),
        fake.at("Good"),
        fake.at("good/x"),
        fake.base.clone(),
        format!("{}/good", fake.elsewhere),
        good.replace("http://", "https://"),
        format!("http://localhost:{port}/good"),
        format!("http://127.0.0.1.:{port}/good"),
        format!("http://2130706433:{port}/good"),
        format!("http://0x7f000001:{port}/good"),
        format!("http://0177.0.0.1:{port}/good"),
        format!("http://127.1:{port}/good"),
        format!("http://[::ffff:127.0.0.1]:{port}/good"),
        format!("http://user@127.0.0.1:{port}/good"),
        format!("http://fhir.invented.example@127.0.0.1:{port}/good"),
        format!("http://127.0.0.1:{port}@{}/good", fake.elsewhere.trim_start_matches("http://")),
        format!("http://127.0.0.1:{port}/x/../good"),
        format!("{good}?x=1"),
        format!("{good}#x"),
        format!("{good}\n"),
        "http://169.254.169.254/latest/meta-data".to_owned(),
        "file:///etc/passwd".to_owned(),
    ] {
        let answer = s.post(&request(&server)).await;
        assert_eq!((answer.state("weights"), answer.outcome("weights")), ("absent", "not-listed"), "{server}");
        assert_eq!(answer.disposition(), "flagged", "{server}: no weight");
        let words = "Not fetched: this FHIR server is not listed. Not sent: patient, weights";
        assert!(answer.card().contains(words), "{server}: {}", answer.card());
        assert!(!answer.card().contains("127.0.0.1"), "{server}");
    }
    assert_eq!(fake.seen().await, []);
    // Other writings of the same address are the same server.
    for server in [format!("{good}/"), good.replace("http://", "HTTP://")] {
        assert_eq!(s.post(&request(&server)).await.outcome("weights"), "fetched", "{server}");
    }
}

#[tokio::test]
async fn addresses_are_refused_unless_they_are_listed() {
    let fake = Fake::start();
    let port = fake.base.rsplit(':').next().unwrap().to_owned();
    for (base, private_addresses, outcome) in [
        // Written addresses.
        (format!("https://127.0.0.1:{port}/good"), false, Why::Address),
        (format!("https://[::1]:{port}/good"), false, Why::Address),
        (format!("https://[::ffff:127.0.0.1]:{port}/good"), false, Why::Address),
        (format!("https://10.0.0.1:{port}/good"), false, Why::Address),
        (format!("https://192.168.1.1:{port}/good"), false, Why::Address),
        (format!("https://[fd00::1]:{port}/good"), false, Why::Address),
        ("https://169.254.169.254/good".to_owned(), true, Why::Address),
        ("https://[::ffff:169.254.169.254]/good".to_owned(), true, Why::Address),
        // A name that leads to this machine.
        (format!("https://localhost:{port}/good"), false, Why::Address),
        // Allowed, and there: the fake server speaks no TLS.
        (format!("https://localhost:{port}/good"), true, Why::Unreachable),
        // Without TLS nothing but this machine, and only where that is listed.
        (format!("http://10.0.0.1:{port}/good"), true, Why::Address),
        (format!("http://127.0.0.1:{port}/good"), false, Why::Fault),
        ("https://no-such-name.invalid/good".to_owned(), true, Why::Name),
        ("http://127.0.0.1:1/good".to_owned(), true, Why::Unreachable),
    ] {
        let s = Service::with(hooks(vec![FhirServer { private_addresses, ..listed(&base) }]), PATIENT).await;
        let answer = s.post(&request(&base)).await;
        assert_eq!(answer.outcome("weights"), outcome.word(), "{base} {private_addresses}: {answer:#?}");
        assert_eq!((answer.state("weights"), answer.disposition()), ("error", "flagged"), "{base}: no weight");
        assert!(answer.card().contains(outcome.text()), "{base}: {}", answer.card());
        // A handshake that failed is no request.
        assert_eq!(fake.seen().await, [], "{base}");
    }
}

#[tokio::test]
async fn a_token_that_cannot_be_used_is_not_sent() {
    let fake = Fake::start();
    let s = Service::calling(&[&fake.at("good")]).await;
    let with = |member: &str, value: Value| {
        let mut request = request(&fake.at("good"));
        if value.is_null() {
            request["fhirAuthorization"].as_object_mut().unwrap().remove(member);
        } else {
            request["fhirAuthorization"][member] = value;
        }
        request
    };
    for (member, value, why) in [
        ("token_type", json!("Basic"), Why::TokenType),
        ("token_type", json!(null), Why::TokenType),
        ("expires_in", json!(0), Why::TokenExpired),
        ("expires_in", json!(-5), Why::TokenExpired),
        ("expires_in", json!("soon"), Why::TokenExpired),
        ("access_token", json!(""), Why::TokenForm),
        ("access_token", json!(null), Why::TokenForm),
        ("access_token", json!(["x"]), Why::TokenForm),
        ("access_token", json!("x\r\nX-Evil: 1"), Why::TokenForm),
        ("access_token", json!("x y"), Why::TokenForm),
        ("patient", json!("invented-2"), Why::TokenPatient),
    ] {
        let answer = s.post(&with(member, value.clone())).await;
        assert_eq!(answer.outcome("weights"), why.word(), "{member} {value}: {answer:#?}");
        assert_eq!(answer.state("weights"), "error", "{member} {value}");
        assert!(answer.card().contains(why.text()), "{member} {value}");
        assert!(!answer.body.to_string().contains("invented-token"));
    }
    assert_eq!(fake.seen().await, []);
    assert_eq!(s.post(&with("patient", json!("invented-1"))).await.outcome("weights"), "fetched");
    fake.seen().await;
    // Without any, the server is asked without: that is for it to judge.
    let mut open = request(&fake.at("good"));
    open.as_object_mut().unwrap().remove("fhirAuthorization");
    assert_eq!(s.post(&open).await.outcome("weights"), "fetched");
    assert!(fake.seen().await.iter().all(|(.., authorization)| authorization.is_none()));
    // An id that would lead out of its place in the address.
    for id in ["..", "a/../../good", "a?x=1", "a b", "%2e%2e"] {
        let mut request = request(&fake.at("good"));
        request["context"]["patientId"] = json!(id);
        request["context"]["draftOrders"]["entry"][0]["resource"].as_object_mut().unwrap().remove("patient");
        let answer = s.post(&request).await;
        assert_eq!(answer.outcome("weights"), "no-id", "{id}: {answer:#?}");
    }
    let seen = fake.seen().await;
    assert!(seen.iter().all(|(_, target, _)| target == "/good/Encounter/stay-1"), "{seen:?}");
}

/// Each client may ask what it is to send along; one whose server is not listed is told so.
#[tokio::test]
async fn discovery_gives_the_templates_of_a_clients_server() {
    let own = "MedicationRequest?subject=Patient/{{context.patientId}}&status=active";
    let first = FhirServer {
        leave_out: BTreeSet::from(["encounter".to_owned()]),
        templates: BTreeMap::from([("medicines".to_owned(), own.to_owned())]),
        ..listed("https://one.example/r4")
    };
    let second = FhirServer { fhir: Some(FhirVersion::R5), ..listed("https://two.example/fhir") };
    let s = Service::with(hooks(vec![first, second]), PATIENT).await;
    let discovery = async |query: &str| {
        let answer = s.client.get(format!("http://{}/cds-services{query}", s.here)).send().await.unwrap();
        {
            let status = answer.status().as_u16();
            (status, serde_json::from_str::<Value>(&answer.text().await.unwrap()).unwrap())
        }
    };
    let prefetch = |answer: &Value| answer["services"][0]["prefetch"].clone();
    let (_, plain) = discovery("").await;
    let (_, one) = discovery("?fhirServer=https%3A%2F%2FONE.example%2Fr4%2F").await;
    let (_, two) = discovery("?fhirServer=https%3A%2F%2Ftwo.example%2Ffhir").await;
    let (plain, one, two) = (prefetch(&plain), prefetch(&one), prefetch(&two));
    assert!(plain["devices"].as_str().unwrap().starts_with("DeviceUseStatement?") && plain.get("encounter").is_some());
    assert_eq!(one["medicines"].as_str(), Some(own));
    assert_eq!(one["encounter"], plain["encounter"], "not fetched, and asked for all the same");
    assert_eq!(one["devices"], plain["devices"]);
    assert!(two["devices"].as_str().unwrap().starts_with("DeviceUsage?") && two.get("encounter").is_some());
    let (status, said) = discovery("?fhirServer=https%3A%2F%2Fthree.example%2Ffhir").await;
    assert_eq!((status, said["resourceType"].as_str()), (400, Some("OperationOutcome")), "{said}");
}

#[tokio::test]
async fn a_server_has_its_fhir_version() {
    let fake = Fake::start();
    let r5 = FhirServer { fhir: Some(FhirVersion::R5), ..listed(&fake.at("good")) };
    let s = Service::with(hooks(vec![r5]), PATIENT).await;
    s.post(&request(&fake.at("good"))).await;
    let seen = fake.seen().await;
    assert!(seen.iter().any(|(_, target, _)| target.starts_with("/good/DeviceUsage?")), "{seen:?}");
    let discovery = s.client.get(format!("http://{}/cds-services", s.here)).send().await.unwrap().text().await.unwrap();
    assert!(discovery.contains("What is not sent is fetched from the client's server where"), "{discovery}");
    assert!(discovery.contains("DeviceUsage?"), "of the only server that is listed: {discovery}");
    // What the request says counts before.
    let mut r4 = request(&fake.at("good"));
    r4["fhirVersion"] = json!("4.0.1");
    s.post(&r4).await;
    let seen = fake.seen().await;
    assert!(seen.iter().any(|(_, target, _)| target.starts_with("/good/DeviceUseStatement?")), "{seen:?}");
}

/// A member of the client's that is named like the one that holds what was fetched takes nothing away from it.
#[tokio::test]
async fn a_client_cannot_put_words_into_the_servers_mouth() {
    let fake = Fake::start();
    let s = Service::calling(&[&fake.at("fails")]).await;
    let mut request = request(&fake.at("fails"));
    request["fetched"] = json!({"heights": recorded("sign-clear")["prefetch"]["heights"]});
    request["fetched-"] = json!(1);
    let answer = s.post(&request).await;
    assert_eq!((answer.state("heights"), answer.state("weights")), ("error", "present"), "{answer:#?}");
}

/// The service as a process: neither the token nor an id nor anything that was fetched is in what it writes.
#[test]
fn nothing_of_it_is_logged_or_counted() {
    let fake = Fake::start();
    let folder = std::env::temp_dir().join(format!("enteral-gate-callback-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let settings = folder.join("settings.toml");
    let mut text = "[hooks]\ndeadline = 5000\n".to_owned();
    let modes = ["good", "another", "fails", "redirect-elsewhere", "next-elsewhere", "html", "closes", "hang"];
    for mode in modes {
        text.push_str(&format!("[[hooks.servers]]\nbase = \"{}\"\nprivate-addresses = true\n", fake.at(mode)));
    }
    std::fs::write(&settings, text).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .env_clear()
        .env("ENTERAL_GATE_LOG", "trace")
        // A proxy of the environment is not used: nothing would come back from this one.
        .envs([
            ("http_proxy", "http://127.0.0.1:1"),
            ("HTTPS_PROXY", "http://127.0.0.1:1"),
            ("ALL_PROXY", "http://127.0.0.1:1"),
        ])
        .args([
            "serve",
            "--store",
            "none",
            "--formulary",
            concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv"),
        ])
        .args(["--listen", "127.0.0.1:0", "--settings", settings.to_str().unwrap()])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut out = BufReader::new(child.stdout.take().unwrap());
    let mut first = String::new();
    out.read_line(&mut first).unwrap();
    let here = first.trim().rsplit("http://").next().unwrap().to_owned();
    // Read while it runs: at this level it may write more than a pipe holds.
    let mut errors = child.stderr.take().unwrap();
    let log = std::thread::spawn(move || {
        let mut log = String::new();
        errors.read_to_string(&mut log).unwrap();
        log
    });
    let ask = |method: &str, path: &str, body: &str| {
        let mut stream = std::net::TcpStream::connect(&here).unwrap();
        write!(stream, "{method} {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}", body.len()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    };
    let mut answers = String::new();
    for server in modes.iter().map(|mode| fake.at(mode)).chain(["https://canary.invented.example".to_owned()]) {
        let mut request = request(&server);
        request["fhirAuthorization"]["access_token"] = json!("CANARY-token");
        request["context"]["encounterId"] = json!("CANARY-stay");
        let answer = ask("POST", SIGN, &request.to_string());
        assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        answers.push_str(&answer);
    }
    let metrics = ask("GET", "/metrics", "");
    child.kill().unwrap();
    child.wait().unwrap();
    let log = log.join().unwrap();
    let mut rest = String::new();
    out.read_to_string(&mut rest).unwrap();
    std::fs::remove_dir_all(folder).unwrap();
    assert!(answers.contains("\"weights\":\"fetched\"") && answers.contains("\"heights\":\"late\""), "{answers}");
    assert!(metrics.contains("enteral_gate_hook_fetch_total{key=\"weights\",outcome=\"fetched\"}"), "{metrics}");
    assert!(log.contains("fetched=15 not_fetched=0 fetched_bytes="), "{log}");
    for (what, text) in [("log", &log), ("metrics", &metrics), ("answers", &answers), ("output", &rest)] {
        for word in ["CANARY", "canary", "Bearer"] {
            assert!(!text.contains(word), "{word} in {what}: {text}");
        }
    }
    for (what, text) in [("log", &log), ("metrics", &metrics)] {
        for word in ["invented-1", "stay-1", "29463-7", "Observation", "127.0.0.1:1/"] {
            assert!(!text.contains(word), "{word} in {what}: {text}");
        }
    }
    // The token went to the listed servers, and to none beside them.
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let seen = runtime.block_on(fake.seen());
    assert!(seen.len() > 50 && seen.iter().all(|(at, ..)| at == "here"), "{seen:#?}");
    assert!(seen.iter().all(|(.., token)| token.as_deref() == Some("Bearer CANARY-token")));
}

/// The service as a process with these environment variables and settings; answers one request.
fn asked_once(environment: &[(&str, &Path)], settings: &Path, request: &Value) -> Value {
    let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .env_clear()
        .envs(environment.iter().copied())
        .args([
            "serve",
            "--store",
            "none",
            "--formulary",
            concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv"),
        ])
        .args(["--listen", "127.0.0.1:0", "--rulebook", "none", "--settings", settings.to_str().unwrap()])
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut first = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
    let here = first.trim().rsplit("http://").next().unwrap().to_owned();
    let body = request.to_string();
    let mut stream = std::net::TcpStream::connect(&here).unwrap();
    write!(stream, "POST {SIGN} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}", body.len()).unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap()
}

#[test]
fn certificates_are_judged() {
    let folder = std::env::temp_dir().join(format!("enteral-gate-callback-tls-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let file = |name: &str, text: &str| {
        let path = folder.join(name);
        std::fs::write(&path, text).unwrap();
        path
    };
    let mut authority = CertificateParams::new(Vec::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    authority.distinguished_name.push(DnType::CommonName, "Invented authority");
    let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
    let trusted = file("authority.pem", &authority.pem());
    for (name, environment, word) in [
        ("localhost", vec![("SSL_CERT_FILE", trusted.as_path())], "fetched"),
        // Of an authority that nobody named, and for another name.
        ("localhost", vec![], "unreachable"),
        ("fhir.invented.example", vec![("SSL_CERT_FILE", trusted.as_path())], "unreachable"),
    ] {
        let key = KeyPair::generate().unwrap();
        let own = CertificateParams::new(vec![name.to_owned()]).unwrap().signed_by(&key, &authority).unwrap();
        let (own, key) = (file("own.pem", &own.pem()), file("key.pem", &key.serialize_pem()));
        let fake = Fake::with(&[&own, &key]);
        let base = format!("https://localhost:{}/good", fake.base.rsplit(':').next().unwrap());
        let settings =
            format!("[hooks]\ndeadline = 10000\n[[hooks.servers]]\nbase = \"{base}\"\nprivate-addresses = true\n");
        let answer = asked_once(&environment, &file("settings.toml", &settings), &request(&base));
        let extension = &answer["extension"][EXTENSION];
        assert_eq!(extension["fetched"]["weights"], word, "{name} {environment:?}: {answer:#}");
        assert_eq!(extension["orders"][0]["disposition"] == "clear", word == "fetched", "{name}");
    }
    std::fs::remove_dir_all(folder).unwrap();
}

/// The page names every outcome.
#[test]
fn every_outcome_is_described() {
    let page = include_str!("../docs/cds-hooks.md");
    for word in Why::ALL.iter().map(|(_, word, _)| *word).chain(["fetched", "in-part"]) {
        assert!(page.contains(&format!("`{word}`")), "{word}");
    }
    for number in ["1 MiB for an answer, 3 MiB", "10 pages and 500 entries"] {
        assert!(page.contains(number), "{number}");
    }
    use enteral_gate::hooks::fetch::{MOST_BYTES, MOST_BYTES_IN_ALL, MOST_ENTRIES, MOST_PAGES};
    assert_eq!((MOST_BYTES, MOST_BYTES_IN_ALL, MOST_PAGES, MOST_ENTRIES), (1 << 20, 3 << 20, 10, 500));
}
