//! CDS Hooks over HTTP, and `hook send`: statuses, bodies, counters, logs. What is on cards is in `tests/hooks.rs`.

use enteral_gate::findings::Disposition;
use enteral_gate::formulary::Formulary;
use enteral_gate::hooks::EXTENSION;
use enteral_gate::hooks::fetch::Fetched;
use enteral_gate::hooks::request::Malformed;
use enteral_gate::hooks::service::{SERVICES, Service as HookService};
use enteral_gate::http::appraiser::{Appraised, Appraiser, Core, Hooked, Rendering};
use enteral_gate::http::pages::people::People;
use enteral_gate::http::{App, Doors, Limits, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::{Received, Summary};
use enteral_gate::queue::policy::Policy;
use enteral_gate::settings::{Hooks, NothingChecked, Settings};
use enteral_gate::store::{Filter, Query, Sort, SqlStore, Store as _};
use jiff::Timestamp;
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;

const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const SELECT: &str = "/cds-services/tube-feeding-order-select";

fn recorded(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(format!("tests/hooks/requests/{name}.json"))
}

fn request(name: &str) -> String {
    std::fs::read_to_string(recorded(name)).unwrap_or_else(|e| panic!("{name}: {e}"))
}

fn core() -> Core {
    Core::new(Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap())
}

/// Machines that run tests are slow; what is answered late is a test of its own.
fn patient() -> Limits {
    Limits { hook_time: Duration::from_secs(20), ..Limits::default() }
}

struct Service {
    here: SocketAddr,
    client: reqwest::Client,
}

impl Service {
    async fn over(appraiser: impl Appraiser, settings: Settings, limits: Limits) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        let app = App::new(Arc::new(appraiser), settings, limits);
        tokio::spawn(server::serve(listener, app, std::future::pending()));
        Self { here, client: reqwest::Client::new() }
    }

    async fn new() -> Self {
        Self::over(core(), Settings::default(), patient()).await
    }

    /// One that keeps a queue.
    async fn keeping(appraiser: impl Appraiser, limits: Limits, store: Arc<SqlStore>) -> Self {
        Self::behind(appraiser, limits, Doors { store: Some(store), ..Doors::default() }).await
    }

    async fn behind(appraiser: impl Appraiser, limits: Limits, doors: Doors) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        let app = App::behind(doors, Arc::new(appraiser), Settings::default(), limits);
        tokio::spawn(server::serve(listener, app, std::future::pending()));
        Self { here, client: reqwest::Client::new() }
    }

    /// The word of the header that says what is on the queue, the first card's details, and its id.
    async fn queued(&self, body: String) -> (Option<String>, String, String) {
        let sent = self.client.post(format!("http://{}{SIGN}", self.here)).header("content-type", "application/json");
        let answer = sent.body(body).send().await.unwrap();
        assert_eq!(answer.status(), 200);
        let word = answer.headers().get("enteral-gate-queue").map(|word| word.to_str().unwrap().to_owned());
        let answer: Value = serde_json::from_str(&answer.text().await.unwrap()).unwrap();
        let text = |name: &str| answer["cards"][0][name].as_str().unwrap_or_default().to_owned();
        (word, text("detail"), text("uuid"))
    }

    async fn get(&self, path: &str) -> (u16, String) {
        let answer = self.client.get(format!("http://{}{path}", self.here)).send().await.unwrap();
        (answer.status().as_u16(), answer.text().await.unwrap())
    }

    async fn post_as(&self, kind: &str, path: &str, body: String) -> (u16, Value) {
        let sent = self.client.post(format!("http://{}{path}", self.here)).header("content-type", kind).body(body);
        let answer = sent.send().await.unwrap();
        let status = answer.status().as_u16();
        let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
        let wanted =
            if status == 200 { "application/json; charset=utf-8" } else { "application/fhir+json; charset=utf-8" };
        assert_eq!(kind, wanted);
        assert_eq!(answer.headers()["cache-control"], "no-store");
        let text = answer.text().await.unwrap();
        (status, serde_json::from_str(&text).unwrap_or_else(|_| panic!("no JSON: {text}")))
    }

    async fn post(&self, path: &str, body: String) -> (u16, Value) {
        self.post_as("application/json", path, body).await
    }

    async fn counter(&self, line: &str) -> Option<u64> {
        let (_, text) = self.get("/metrics").await;
        text.lines().find_map(|l| l.strip_prefix(line)?.trim().parse().ok())
    }
}

fn said(answer: &Value) -> &str {
    assert_eq!(answer["resourceType"], "OperationOutcome", "{answer}");
    answer["issue"][0]["details"]["text"].as_str().unwrap()
}

#[tokio::test]
async fn discovery_needs_no_parameters() {
    let s = Service::new().await;
    let (status, body) = s.get("/cds-services").await;
    assert_eq!(status, 200);
    let answer: Value = serde_json::from_str(&body).unwrap();
    assert_eq!(answer["services"].as_array().unwrap().len(), 2);
    for service in answer["services"].as_array().unwrap() {
        let path = format!("/cds-services/{}", service["id"].as_str().unwrap());
        let (status, _) = s.post(&path, "{}".to_owned()).await;
        assert_eq!(status, 400, "{path} is there and asks for a hook");
    }
    let r5 = Settings { hooks: Hooks { fhir: FhirVersion::R5, ..Hooks::default() }, ..Settings::default() };
    let s = Service::over(core(), r5, patient()).await;
    assert!(s.get("/cds-services").await.1.contains("DeviceUsage?"));
}

/// The description of the interface holds the schema of the four documents, word for word.
#[tokio::test]
async fn the_interface_is_described_by_the_schema() {
    let s = Service::new().await;
    let described: Value = serde_json::from_str(&s.get("/openapi.json").await.1).unwrap();
    let schema: Value = serde_json::from_str(include_str!("../schemas/cds-hooks.schema.json")).unwrap();
    let named = |name: &str| format!("CdsHooks{}{}", name[..1].to_uppercase(), &name[1..]);
    let mut text = schema["$defs"].to_string();
    let names: Vec<&String> = schema["$defs"].as_object().unwrap().keys().collect();
    for name in &names {
        text = text.replace(&format!("\"#/$defs/{name}\""), &format!("\"#/components/schemas/{}\"", named(name)));
    }
    let wanted: Value = serde_json::from_str(&text).unwrap();
    for name in names {
        assert_eq!(described["components"]["schemas"][named(name)], wanted[name.as_str()], "{name}");
    }
    let ids: Vec<Value> = SERVICES.iter().map(|service| json!(service.id)).collect();
    for path in ["/cds-services/{id}", "/cds-services/{id}/feedback"] {
        assert_eq!(described["paths"][path]["post"]["parameters"][0]["schema"]["enum"], json!(ids), "{path}");
    }
}

#[tokio::test]
async fn a_hook_is_answered_with_cards() {
    let s = Service::new().await;
    let (status, answer) = s.post(SIGN, request("sign-maximum-below-schedule")).await;
    assert_eq!(status, 200);
    assert_eq!(answer["cards"][0]["indicator"], "critical");
    assert_eq!(answer["cards"][0]["suggestions"].as_array().unwrap().len(), 1);
    let (status, again) = s.post(SIGN, request("sign-maximum-below-schedule")).await;
    assert_eq!((status, &again), (200, &answer));
    let (_, selected) = s.post(SELECT, request("select-maximum-below-schedule")).await;
    assert_eq!(selected["cards"], answer["cards"]);
    let (_, clear) = s.post(SIGN, request("sign-clear")).await;
    assert_eq!(clear["cards"], json!([]));
    // Other media types of JSON are read too; anything else is not.
    assert_eq!(s.post_as("application/fhir+json", SIGN, request("sign-clear")).await.0, 200);
    let (status, refused) = s.post_as("text/plain", SIGN, request("sign-clear")).await;
    let text = refused["issue"][0]["details"]["text"].as_str().unwrap();
    assert!(status == 415 && text.contains("application/json") && !text.contains("fhir+json"), "{status} {text}");
    let xml = s.client.post(format!("http://{}{SIGN}", s.here)).header("content-type", "application/json");
    let answer = xml.header("accept", "application/xml").body(request("sign-clear")).send().await.unwrap();
    let (status, text) = (answer.status().as_u16(), answer.text().await.unwrap());
    assert!(status == 406 && text.contains("Only application/json can be sent"), "{status} {text}");
}

#[tokio::test]
async fn what_cannot_be_read_is_refused_by_its_place() {
    let s = Service::new().await;
    for (path, body, status, words) in [
        (SIGN, "{}".to_owned(), 400, "/hook: missing"),
        (SIGN, request("select-clear"), 400, "/hook: found another hook"),
        (SIGN, "{\"hook\":".to_owned(), 400, "line 1, column 9"),
        (
            SIGN,
            request("sign-clear").replace("\"patientId\":\"invented-1\"", "\"patientId\":1"),
            400,
            "/context/patientId: found a number",
        ),
        (SIGN, request("sign-clear").replace("\"draftOrders\"", "\"draft\""), 400, "/context/draftOrders: missing"),
        ("/cds-services/something-else", request("sign-clear"), 404, "tube-feeding-order-sign"),
        ("/cds-services/something-else/feedback", "{}".to_owned(), 404, "tube-feeding-order-sign"),
    ] {
        let (got, answer) = s.post(path, body).await;
        assert_eq!(got, status, "{answer}");
        assert!(said(&answer).contains(words), "{answer}");
        assert!(answer["issue"][0].get("expression").is_none(), "a hook request has no FHIRPath");
    }
    assert_eq!(s.get(SIGN).await.0, 405);
    let huge = format!("{{\"hook\":\"{}\"}}", "x".repeat(2 << 20));
    assert_eq!(s.post(SIGN, huge).await.0, 413);
    // Each is counted by its status and the route's template: what was sent as an address is in no metric.
    assert_eq!(s.get("/nowhere/CANARY").await.0, 404);
    for (route, status, n) in [
        ("/cds-services/{id}", 400, 5),
        ("/cds-services/{id}", 404, 1),
        ("/cds-services/{id}", 405, 1),
        ("/cds-services/{id}", 413, 1),
        ("/cds-services/{id}/feedback", 404, 1),
        ("(none)", 404, 1),
    ] {
        let line = format!("enteral_gate_requests_total{{route=\"{route}\",status=\"{status}\"}}");
        assert_eq!(s.counter(&line).await, Some(n), "{line}");
    }
    let (_, all) = s.get("/metrics").await;
    assert!(!all.contains("something-else") && !all.contains("CANARY"), "{all}");
}

#[tokio::test]
async fn status_412_where_the_client_asks_for_it() {
    let asks = Hooks { nothing_checked: NothingChecked::Status412, ..Hooks::default() };
    let s = Service::over(core(), Settings { hooks: asks, ..Settings::default() }, patient()).await;
    let (status, answer) = s.post(SIGN, request("draft-of-another-patient")).await;
    assert_eq!(status, 412);
    assert!(said(&answer).contains("another patient"), "{answer}");
    assert_eq!(s.post(SIGN, request("prefetch-absent")).await.0, 200);
    let s = Service::new().await;
    assert_eq!(s.post(SIGN, request("draft-of-another-patient")).await.0, 200);
}

/// A core that fails.
struct Failing;

impl Appraiser for Failing {
    fn appraise(&self, _: &[u8], _: FhirVersion, _: &Settings, _: Rendering, _: bool) -> Appraised {
        panic!("not asked here")
    }

    fn hook(&self, input: &[u8], _: &HookService, _: &Settings, _: Fetched, _: bool) -> Result<Hooked, Malformed> {
        if input.starts_with(b"SLOW") {
            std::thread::sleep(Duration::from_millis(1_500));
        }
        panic!("SECRET")
    }

    fn ready(&self) -> Result<String, String> {
        Ok(String::new())
    }
}

#[tokio::test]
async fn a_late_answer_and_a_fault_show_that_nothing_was_checked() {
    for (body, millis, words, counter) in [
        ("SLOW", 300, "it took too long", "enteral_gate_hook_gave_up_total{reason=\"timeout\"}"),
        ("FAULT", 60_000, "a fault in the program", "enteral_gate_hook_gave_up_total{reason=\"fault\"}"),
    ] {
        // Beside the connection, as everything that may take long.
        let limits = Limits { hook_time: Duration::from_millis(millis), at_once: 0, ..Limits::default() };
        let s = Service::over(Failing, Settings::default(), limits).await;
        let (status, answer) = s.post(SIGN, body.to_owned()).await;
        assert_eq!(status, 200);
        let card = &answer["cards"][0];
        assert_eq!(card["indicator"], "warning");
        assert!(card["summary"].as_str().unwrap().contains(words), "{answer}");
        assert!(!answer.to_string().contains("SECRET"));
        assert_eq!(s.counter(counter).await, Some(1));
    }
    // A fault where the connection is served shows itself in the same way, and the connection lives on.
    let s = Service::over(Failing, Settings::default(), Limits::default()).await;
    for times in 1..3 {
        let (status, answer) = s.post(SIGN, "FAULT".to_owned()).await;
        assert_eq!(status, 200);
        assert!(answer["cards"][0]["summary"].as_str().unwrap().contains("a fault in the program"), "{answer}");
        assert_eq!(s.counter("enteral_gate_hook_gave_up_total{reason=\"fault\"}").await, Some(times));
    }
}

/// A core that takes its time, or fails, when it judges hooks.
struct Hampered {
    core: Core,
    pause: Option<Duration>,
}

impl Appraiser for Hampered {
    fn appraise(&self, input: &[u8], v: FhirVersion, s: &Settings, r: Rendering, keep: bool) -> Appraised {
        std::thread::sleep(self.pause.unwrap_or_default());
        self.core.appraise(input, v, s, r, keep)
    }

    fn hook(&self, i: &[u8], h: &HookService, s: &Settings, f: Fetched, keep: bool) -> Result<Hooked, Malformed> {
        std::thread::sleep(self.pause.expect("a fault that a test asked for"));
        self.core.hook(i, h, s, f, keep)
    }

    fn unjudged(&self, i: &[u8], h: &HookService, s: &Settings, why: &str) -> (Vec<Received>, String) {
        self.core.unjudged(i, h, s, why)
    }

    fn ready(&self) -> Result<String, String> {
        self.core.ready()
    }
}

/// A folder of one test, removed at its end.
struct Folder(PathBuf);

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A store in a folder of its own.
async fn store() -> (Folder, Arc<SqlStore>) {
    let folder = Folder(std::env::temp_dir().join(format!("eg-hooks-{}", uuid::Uuid::new_v4())));
    std::fs::create_dir(&folder.0).unwrap();
    let store = SqlStore::sqlite(&folder.0.join("queue.sqlite"), Policy::default()).await.unwrap();
    (folder, Arc::new(store))
}

async fn on_the_queue(store: &SqlStore) -> Vec<Summary> {
    let query = Query { filter: Filter::default(), sort: Sort::Urgency, after: None, limit: 10, now: Timestamp::now() };
    store.list(query).await.unwrap().items
}

/// What a check finds that took too long for the answer is on the queue when it has ended.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_that_was_judged_too_late_for_its_answer_comes_on_the_queue() {
    let (_folder, kept) = store().await;
    let core = Hampered { core: core(), pause: Some(Duration::from_millis(1_500)) };
    let limits = Limits { hook_time: Duration::from_millis(200), at_once: 0, ..Limits::default() };
    let s = Service::keeping(core, limits, kept.clone()).await;
    let sent = Timestamp::now();
    let (word, detail, card) = s.queued(request("sign-maximum-below-schedule")).await;
    assert_eq!(word.as_deref(), Some("not-recorded"));
    assert!(detail.contains("Not recorded yet: the check goes on"), "{detail}");
    assert!(on_the_queue(&kept).await.is_empty());
    let (_, ready) = s.get("/readyz").await;
    assert!(ready.contains("last order received") && !ready.contains("no order was ever received"), "{ready}");
    let mut found = Vec::new();
    for _ in 0..200 {
        found = on_the_queue(&kept).await;
        if !found.is_empty() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let [item] = found.as_slice() else { panic!("{found:?}") };
    assert_eq!(item.disposition, Disposition::Flagged);
    assert!(item.received >= sent && item.received < item.changed_at, "received when it came, kept when it was judged");
    // The card that was shown is of every order that took too long; its feedback is about none.
    let feedback =
        json!({"feedback": [{"card": card, "outcome": "accepted", "outcomeTimestamp": "2026-11-25T08:10:00Z"}]});
    assert_eq!(s.post(&format!("{SIGN}/feedback"), feedback.to_string()).await.1["kept"], json!(false));
    assert_eq!(s.counter("enteral_gate_queue_orders_total{result=\"new\"}").await, Some(1));
}

/// A card leads to its order on the queue, and is the same card however the request is laid out.
#[tokio::test(flavor = "multi_thread")]
async fn a_card_leads_to_its_order_on_the_queue() {
    let (_folder, kept) = store().await;
    let limits = Limits { hook_time: Duration::from_secs(20), ..Limits::default() };
    // Where nobody can sign in, no link leads to a page that nobody can open.
    let s = Service::keeping(core(), limits.clone(), kept.clone()).await;
    let (_, nobody) = s.post(SIGN, request("sign-maximum-below-schedule")).await;
    assert_eq!(nobody["cards"][0]["links"].as_array().map_or(0, Vec::len), 0, "{nobody}");
    let (_other, kept) = store().await;
    let (people, _) = People::with_token(Vec::new(), false);
    let doors = Doors { store: Some(kept.clone()), people: Some(Arc::new(people)), ..Doors::default() };
    let s = Service::behind(core(), limits, doors).await;
    let sent = request("sign-maximum-below-schedule");
    let (status, first) = s.post(SIGN, sent.clone()).await;
    assert_eq!(status, 200);
    let [item] = &*on_the_queue(&kept).await else { panic!("one order is on the queue") };
    let links = &first["cards"][0]["links"];
    let url = links[0]["url"].as_str().unwrap();
    assert!(url.starts_with("http://") && url.ends_with(&format!("/queue/{}", item.id)), "{links}");
    assert_eq!((links.as_array().map(Vec::len), links[0]["type"].as_str()), (Some(1), Some("absolute")));
    assert!(links[0]["label"].as_str().unwrap().contains("on the queue"), "{links}");
    let of = |answer: &Value| answer["extension"]["example.enteral-gate"]["orders"][0]["receivedBefore"].clone();
    let not_new = "Not new: this order was received before with the same content.";
    assert_eq!(of(&first), json!(false), "{first}");
    assert!(!first["cards"][0]["detail"].as_str().unwrap().contains(not_new));
    // Laid out in other ways: spaces, and members in the order of their names.
    let value: Value = serde_json::from_str(&sent).unwrap();
    for other in [value.to_string(), serde_json::to_string_pretty(&value).unwrap()] {
        assert_ne!(other, sent);
        let (_, again) = s.post(SIGN, other).await;
        assert_eq!(again["cards"][0]["uuid"], first["cards"][0]["uuid"]);
        assert_eq!(of(&again), json!(true));
        assert!(again["cards"][0]["detail"].as_str().unwrap().ends_with(not_new));
        let ids = |answer: &Value| -> Vec<Value> {
            let list = answer["cards"][0]["suggestions"].as_array().into_iter().flatten();
            list.map(|suggestion| suggestion["uuid"].clone()).collect()
        };
        assert_eq!(ids(&again), ids(&first));
        assert!(!ids(&first).is_empty());
    }
    assert_eq!(on_the_queue(&kept).await.len(), 1);
}

/// A client that hangs up before its answer: what was found is on the queue all the same, and its cards were shown to
/// nobody.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_whose_client_hangs_up_comes_on_the_queue() {
    use tokio::io::AsyncWriteExt as _;
    let (_folder, kept) = store().await;
    let core = Hampered { core: core(), pause: Some(Duration::from_millis(1_000)) };
    let s = Service::keeping(core, Limits { at_once: 0, ..patient() }, kept.clone()).await;
    let order: Value = serde_json::from_str(&request("sign-maximum-below-schedule")).unwrap();
    let draft = order["context"]["draftOrders"]["entry"][0]["resource"].clone();
    assert_eq!(draft["resourceType"], "NutritionOrder");
    let (mut of_validate, mut of_batch) = (draft.clone(), draft);
    (of_validate["id"], of_batch["id"]) = (json!("of-validate"), json!("of-batch"));
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [{"resource": of_batch,
        "request": {"method": "POST", "url": "NutritionOrder/$validate"}}]});
    for (nth, (path, kind, body)) in [
        (SIGN, "application/json", request("sign-maximum-below-schedule")),
        ("/fhir/R4/NutritionOrder/$validate", "application/fhir+json", of_validate.to_string()),
        ("/fhir/R4", "application/fhir+json", batch.to_string()),
    ]
    .into_iter()
    .enumerate()
    {
        let mut stream = tokio::net::TcpStream::connect(s.here).await.unwrap();
        let head = format!(
            "POST {path} HTTP/1.1\r\nhost: x\r\ncontent-type: {kind}\r\ncontent-length: {}\r\n\r\n",
            body.len()
        );
        stream.write_all((head + &body).as_bytes()).await.unwrap();
        // Until it is being judged: by then the whole body was read.
        tokio::time::sleep(Duration::from_millis(300)).await;
        drop(stream);
        let mut found = Vec::new();
        for _ in 0..400 {
            found = on_the_queue(&kept).await;
            if found.len() > nth {
                break;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        assert_eq!(found.len(), nth + 1, "{path}: {found:?}");
    }
}

/// Feedback that cannot be kept is no success: whoever sent it sends it again, and it is counted once.
#[tokio::test(flavor = "multi_thread")]
async fn feedback_that_cannot_be_kept_is_asked_for_again() {
    use sqlx::Connection as _;
    let (folder, kept) = store().await;
    let s = Service::keeping(core(), patient(), kept.clone()).await;
    let (word, _, card) = s.queued(request("sign-maximum-below-schedule")).await;
    assert_eq!(word.as_deref(), Some("recorded"));
    let feedback =
        json!({"feedback": [{"card": card, "outcome": "accepted", "outcomeTimestamp": "1999-01-01T00:00:00Z"}]});
    let send = async || {
        let sent =
            s.client.post(format!("http://{}{SIGN}/feedback", s.here)).header("content-type", "application/json");
        let answer = sent.body(feedback.to_string()).send().await.unwrap();
        let again = answer.headers().get("retry-after").is_some();
        let (status, text) = (answer.status().as_u16(), answer.text().await.unwrap());
        (status, again, serde_json::from_str::<Value>(&text).unwrap())
    };
    let counted =
        async |outcome: &str| s.counter(&format!("enteral_gate_hook_feedback_total{{outcome=\"{outcome}\"}}")).await;
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(folder.0.join("queue.sqlite"));
    let mut holds = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holds).await.unwrap();
    let (status, again, answer) = send().await;
    assert_eq!((status, again), (503, true), "{answer}");
    assert!(said(&answer).contains("send the same again"), "{answer}");
    assert_eq!((counted("accepted").await, counted("not-kept").await), (None, Some(1)));
    holds.close().await.unwrap();
    let (status, _, answer) = send().await;
    assert_eq!((status, &answer["kept"]), (200, &json!(true)), "{answer}");
    assert_eq!((counted("accepted").await, counted("not-kept").await), (Some(1), Some(1)));
    let item = on_the_queue(&kept).await.remove(0).id;
    let trail = kept.trail(item).await.unwrap();
    let answers: Vec<_> = trail.iter().filter(|entry| entry.what.word() == "card-answered").collect();
    assert_eq!(answers.len(), 1, "once, although the first may have been written after its answer");
    assert!(Timestamp::now().duration_since(answers[0].at).as_secs() < 600, "the time is the service's own");
}

/// An order that a fault kept from being judged is on the queue as not fully checked.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_that_a_fault_kept_from_being_judged_is_on_the_queue_as_not_checked() {
    for at_once in [0, 1 << 20] {
        let (_folder, kept) = store().await;
        let limits = Limits { at_once, ..patient() };
        let s = Service::keeping(Hampered { core: core(), pause: None }, limits, kept.clone()).await;
        let (word, detail, _) = s.queued(request("sign-clear")).await;
        assert_eq!(word.as_deref(), Some("recorded"));
        assert!(detail.contains("on the queue as not fully checked"), "{detail}");
        let found = on_the_queue(&kept).await;
        let [item] = found.as_slice() else { panic!("{found:?}") };
        assert_eq!(item.disposition, Disposition::NotFullyChecked);
        assert!(item.headline.contains("a fault in the program"), "{}", item.headline);
        assert_eq!(item.key.patient, "Patient/invented-1");
        assert_eq!(s.counter("enteral_gate_panics_total").await, Some(1));
        // What cannot be told apart is on no queue, and that is said.
        let (word, detail, _) = s.queued("{}".to_owned()).await;
        assert_eq!(word.as_deref(), Some("not-recorded"));
        assert!(detail.contains("could not be put on the queue"), "{detail}");
    }
}

#[tokio::test]
async fn everything_is_counted() {
    let s = Service::new().await;
    for (path, name) in [
        (SIGN, "sign-maximum-below-schedule"),
        (SIGN, "sign-clear"),
        (SELECT, "select-one-of-two"),
        (SIGN, "weights-html"),
        (SIGN, "draft-of-another-patient"),
    ] {
        assert_eq!(s.post(path, request(name)).await.0, 200, "{name}");
    }
    for (line, n) in [
        ("enteral_gate_hook_orders_total{disposition=\"flagged\"}", 3),
        ("enteral_gate_hook_orders_total{disposition=\"clear\"}", 1),
        ("enteral_gate_hook_orders_total{disposition=\"not-selected\"}", 1),
        ("enteral_gate_hook_orders_total{disposition=\"another-patient\"}", 1),
        ("enteral_gate_hook_suggestions_total{result=\"offered\"}", 1),
        ("enteral_gate_hook_prefetch_total{key=\"weights\",state=\"error\"}", 1),
        ("enteral_gate_hook_prefetch_total{key=\"weights\",state=\"present\"}", 4),
        ("enteral_gate_hook_cards_total{indicator=\"warning\"}", 2),
    ] {
        assert_eq!(s.counter(line).await, Some(n), "{line}\n{}", s.get("/metrics").await.1);
    }
}

#[tokio::test]
async fn feedback_is_counted_and_not_kept() {
    let s = Service::new().await;
    let (_, answer) = s.post(SIGN, request("sign-maximum-below-schedule")).await;
    let card = &answer["cards"][0];
    let body = json!({"feedback": [
        {"card": card["uuid"], "outcome": "accepted", "acceptedSuggestions": [{"id": card["suggestions"][0]["uuid"]}], "outcomeTimestamp": "2026-11-25T08:10:00Z"},
        {"card": card["uuid"], "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:11:00Z",
            "overrideReason": {"reason": {"code": card["overrideReasons"][0]["code"], "system": card["overrideReasons"][0]["system"]}, "userComment": "CANARY"}},
        {"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:12:00Z"}]});
    let path = format!("{SIGN}/feedback");
    let (status, answer) = s.post(&path, body.to_string()).await;
    assert_eq!(status, 200);
    assert_eq!(
        (&answer["received"], &answer["accepted"], &answer["overridden"], &answer["unknownCards"], &answer["kept"]),
        (&json!(3), &json!(1), &json!(2), &json!(1), &json!(false))
    );
    assert!(answer["text"].as_str().unwrap().contains("not given out by this service"));
    assert!(!answer.to_string().contains("CANARY"));
    // One entry that cannot be read: nothing of it counts.
    let broken = json!({"feedback": [body["feedback"][0], {"card": "x"}]});
    let (status, answer) = s.post(&path, broken.to_string()).await;
    assert_eq!(status, 400);
    assert!(said(&answer).contains("/feedback/1/outcomeTimestamp: missing"), "{answer}");
    for (line, n) in [("accepted", 1), ("overridden", 2), ("unknown-card", 1)] {
        assert_eq!(s.counter(&format!("enteral_gate_hook_feedback_total{{outcome=\"{line}\"}}")).await, Some(n));
    }
}

fn gate(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    command.env_clear().args(arguments).stdin(Stdio::null()).output().unwrap()
}

/// Runs the program beside the service of this test.
async fn send(s: &Service, arguments: &[&str]) -> (i32, String, String) {
    let base = format!("http://{}", s.here);
    let mut all = vec!["hook".to_owned(), "send".to_owned(), "--to".to_owned(), base];
    all.extend(arguments.iter().map(|a| (*a).to_owned()));
    let out =
        tokio::task::spawn_blocking(move || gate(&all.iter().map(String::as_str).collect::<Vec<_>>())).await.unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    (out.status.code().unwrap(), text(out.stdout), text(out.stderr))
}

fn path(name: &str) -> String {
    recorded(name).display().to_string()
}

#[tokio::test(flavor = "multi_thread")]
async fn recorded_requests_are_sent_and_their_cards_shown() {
    let s = Service::new().await;
    for (name, code, words) in [
        ("sign-clear", 0, "no card"),
        ("select-clear", 0, "NutritionOrder/feed-1: clear"),
        // Nothing was there to check: as for `check`, that is not clear.
        ("diet-by-mouth", 2, "not-a-tube-feed"),
        ("select-nothing", 2, "not-selected"),
        ("no-nutrition-order", 2, "no card"),
        ("draft-in-small-letters", 2, "/context/draftOrders/entry/1"),
        ("labs-outcome", 2, "WARNING"),
        ("draft-of-another-patient", 2, "another-patient"),
        ("draft-inside-a-bundle", 2, "WARNING"),
        ("no-draft", 2, "no card"),
        ("sign-maximum-below-schedule", 1, "Suggestion: Maximum volume 1680 mL"),
    ] {
        let (got, out, err) = send(&s, &[&path(name)]).await;
        assert_eq!(got, code, "{name}: {out}{err}");
        assert!(out.contains(words), "{name}: {out}");
    }
    // Of several the gravest counts; one that cannot be read does not end the others.
    let (code, out, err) =
        send(&s, &[&path("sign-clear"), "no-such-file.json", &path("sign-maximum-below-schedule")]).await;
    assert_eq!(code, 3, "{err}");
    assert!(err.contains("no-such-file.json") && out.contains("CRITICAL"));
    let (code, out, _) = send(&s, &["--format", "json", &path("sign-maximum-below-schedule")]).await;
    let answer: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((code, &answer["extension"][EXTENSION]["orders"][0]["disposition"]), (1, &json!("flagged")));
    // What a text of the request holds cannot drive the terminal.
    let (_, out, _) = send(&s, &[&path("hostile-texts")]).await;
    assert!(out.chars().all(|c| c == '\n' || !c.is_control()) && !out.contains('\u{202E}'), "{out:?}");
    let (code, _, err) = send(&s, &["--service", "something-else", &path("sign-clear")]).await;
    assert!(code == 3 && err.contains("404") && err.contains("GET /cds-services"), "{err}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_request_is_composed_of_an_order_and_context() {
    let s = Service::new().await;
    let folder = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("deploy/demo/orders");
    for (name, code) in [("demo-1-toddler", 0), ("demo-5-steps-over-cap", 1), ("demo-7-pounds", 1)] {
        let file = folder.join(format!("{name}.json")).display().to_string();
        for service in ["tube-feeding-order-sign", "tube-feeding-order-select"] {
            let (got, out, err) = send(&s, &["--order", &file, "--service", service]).await;
            assert_eq!(got, code, "{name}: {out}{err}");
        }
        // The order alone, and what is known in files of its own.
        let bundle: Value = serde_json::from_str(&std::fs::read_to_string(&file).unwrap()).unwrap();
        let dir = std::env::temp_dir().join(format!("enteral-gate-hooks-{}-{name}", std::process::id()));
        std::fs::create_dir_all(&dir).unwrap();
        let (mut order, mut context) = (String::new(), Vec::new());
        for (n, entry) in bundle["entry"].as_array().unwrap().iter().enumerate() {
            let own = dir.join(format!("{n}.json"));
            std::fs::write(&own, entry["resource"].to_string()).unwrap();
            let own = own.display().to_string();
            if entry["resource"]["resourceType"] == "NutritionOrder" { order = own } else { context.push(own) }
        }
        let mut arguments = vec!["--order", order.as_str(), "--context"];
        arguments.extend(context.iter().map(String::as_str));
        assert_eq!(send(&s, &arguments).await.0, code, "{name}");
        // Without context it is not clear.
        assert_ne!(send(&s, &["--order", &order]).await.0, 0, "{name}");
        std::fs::remove_dir_all(dir).unwrap();
    }
    let r5 = folder.join("demo-10-toddler.json").display().to_string();
    assert_eq!(send(&s, &["--order", &r5, "--fhir", "R5"]).await.0, 0);
    let diet = path("diet-by-mouth");
    let (code, _, err) = send(&s, &["--order", &diet]).await;
    assert!(code == 3 && err.contains("resourceType"), "a recorded request is no order: {err}");
}

/// No card from a service that says nothing else is no proof that anything was looked at.
#[test]
fn another_services_silence_is_not_clear() {
    use std::io::{Read, Write};
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let to = format!("http://{}", listener.local_addr().unwrap());
    let other = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        let _ = stream.read(&mut [0; 4096]);
        let body = "{\"cards\":[]}";
        write!(
            stream,
            "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\nconnection: close\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        )
        .unwrap();
        // What is still coming is read, so that the answer is not lost with the connection.
        let _ = stream.shutdown(std::net::Shutdown::Write);
        let _ = stream.read_to_end(&mut Vec::new());
    });
    let out = gate(&["hook", "send", &path("sign-clear"), "--to", &to]);
    other.join().unwrap();
    assert_eq!(out.status.code(), Some(2), "{out:?}");
}

#[test]
fn what_cannot_be_sent_is_said() {
    let clear = path("sign-clear");
    for (arguments, code, words) in [
        (vec!["hook", "send"], 64, "<file>"),
        (vec!["hook", "send", &clear, "--to", "localhost:1"], 64, "in full"),
        (vec!["hook", "send", &clear, "--to", "ftp://gate.example"], 64, "--to: expected an address in full"),
        (vec!["hook", "send", &clear, "--to", "http://user@127.0.0.1:1"], 64, "in full"),
        (vec!["hook", "send", &clear, "--to", "http://127.0.0.1:1"], 3, "could not be reached"),
        (vec!["hook", "send", "--order", &clear, "--service", "x"], 64, "tube-feeding-order-sign"),
        (vec!["hook", "send", "--context", &clear], 64, "--order"),
        (vec!["hook", "send", env!("CARGO_MANIFEST_DIR"), "--to", "http://127.0.0.1:1"], 3, "directory"),
    ] {
        let out = gate(&arguments);
        let err = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(code), "{arguments:?}: {err}");
        assert!(err.to_lowercase().contains(words), "{arguments:?}: {err}");
    }
}

/// The service as a process: its log holds numbers, and nothing of the person, the order, the client's token or a
/// comment.
#[test]
fn logs_hold_nothing_of_the_request() {
    use std::io::{BufRead, BufReader, Read, Write};
    let formulary = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
    let folder = std::env::temp_dir().join(format!("eg-hooks-log-{}", std::process::id()));
    std::fs::create_dir_all(&folder).unwrap();
    let queue = folder.join("queue.sqlite");
    let mut child = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .env_clear()
        .env("ENTERAL_GATE_LOG", "trace")
        .args(["serve", "--formulary", formulary, "--listen", "127.0.0.1:0", "--store"])
        .arg(&queue)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut first = String::new();
    BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
    let here = first.trim().rsplit("http://").next().unwrap().to_owned();
    let ask = |path: &str, body: &str| {
        let mut stream = std::net::TcpStream::connect(&here).unwrap();
        write!(stream, "POST {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n{body}", body.len()).unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    };
    let marked = |name: &str| {
        request(name)
            .replace("invented-1", "CANARY-person")
            .replace("feed-1", "CANARY-order")
            .replace("Invented", "CANARY")
    };
    for name in ["unknown-members", "sign-maximum-below-schedule", "hostile-texts", "weights-another"] {
        let answer = ask(SIGN, &marked(name));
        assert!(answer.starts_with("HTTP/1.1 200"), "{name}");
        assert!(answer.contains("enteral-gate-queue: recorded") && answer.contains("\"recorded\":true"), "{answer}");
    }
    assert!(ask(SIGN, &marked("sign-clear").replace("\"draftOrders\"", "\"CANARY\"")).starts_with("HTTP/1.1 400"));
    let feedback = json!({"feedback": [{"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "overridden",
        "outcomeTimestamp": "2026-11-25T08:12:00Z", "overrideReason": {"reason": {"code": "CANARY", "system": "x"}, "userComment": "CANARY"}}]});
    assert!(ask(&format!("{SIGN}/feedback"), &feedback.to_string()).starts_with("HTTP/1.1 200"));
    child.kill().unwrap();
    let mut log = String::new();
    child.stderr.take().unwrap().read_to_string(&mut log).unwrap();
    child.wait().unwrap();
    assert!(log.contains("hook service=\"tube-feeding-order-sign\" orders=1"), "{log}");
    assert!(log.contains("feedback service=\"tube-feeding-order-sign\" accepted=0"), "{log}");
    assert!(!log.contains("CANARY") && !log.contains("evil"), "{log}");
    // Where it belongs it is.
    let kept: Vec<u8> = ["queue.sqlite", "queue.sqlite-wal"]
        .iter()
        .flat_map(|name| std::fs::read(folder.join(name)).unwrap_or_default())
        .collect();
    assert!(kept.windows(12).any(|bytes| bytes == b"CANARY-order"));
    std::fs::remove_dir_all(&folder).unwrap();
}
