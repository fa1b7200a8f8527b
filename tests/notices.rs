//! Telling other systems: a service with its queue, and `tests/fake/subscriber.py` in a process of its own, which answers
//! well or badly as its address says. That messages are valid FHIR and rightly signed is held by
//! `tests/outside/subscriptions.py`.

use axum::body::Body;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::notices::{Notices, Times};
use enteral_gate::http::{App, Doors, Limits, routes};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::task::TaskId;
use enteral_gate::queue::work::{Action, Command};
use enteral_gate::queue::{Lane, Person, Role};
use enteral_gate::settings::Settings;
use enteral_gate::store::outbox::{ByHand, Letter, Which, by_hand, letters};
use enteral_gate::store::{SqlStore, Store};
use enteral_gate::subscriptions::pace::Pace;
use enteral_gate::subscriptions::signature::Secret;
use enteral_gate::subscriptions::{Content, Criteria, Hidden, Subscriber, Subscribers};
use http::{Request, StatusCode};
use http_body_util::BodyExt;
use jiff::Timestamp;
use serde_json::{Value, json};
use sqlx::Connection as _;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

const BASE: &str = "https://gate.example/fhir";

/// The fake subscriber; it ends when its standard input does.
struct Fake {
    process: Child,
    at: String,
}

impl Fake {
    fn start(port: &str) -> Self {
        let mut process = std::process::Command::new("python3")
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py"))
            .args((!port.is_empty()).then_some(port))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3 runs the fake subscriber");
        let mut first = String::new();
        BufReader::new(process.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let (at, _) = first.trim().split_once(' ').expect("two addresses");
        Self { at: at.to_owned(), process }
    }

    fn port(&self) -> &str {
        self.at.rsplit(':').next().unwrap()
    }

    async fn ask(&self, path: &str) -> String {
        reqwest::get(format!("{}/{path}", self.at)).await.unwrap().text().await.unwrap()
    }

    /// What both of its doors were sent.
    async fn seen(&self) -> Vec<Seen> {
        let list: Vec<Value> = serde_json::from_str(&self.ask("seen").await).unwrap();
        list.iter().map(Seen::of).collect()
    }
}

impl Drop for Fake {
    fn drop(&mut self) {
        let _ = self.process.kill();
        let _ = self.process.wait();
    }
}

/// One message as the subscriber got it (R4, content by ids).
#[derive(Clone, Debug)]
struct Seen {
    door: String,
    path: String,
    headers: BTreeMap<String, String>,
    body: String,
    status: Option<u64>,
    left: bool,
    kind: String,
    number: u64,
    focus: String,
}

impl Seen {
    fn of(entry: &Value) -> Self {
        let body = entry["body"].as_str().unwrap_or_default().to_owned();
        let bundle: Value = serde_json::from_str(&body).unwrap_or_default();
        let parameters = bundle.pointer("/entry/0/resource/parameter").cloned().unwrap_or_default();
        let find = |list: &Value, name: &str| {
            list.as_array().into_iter().flatten().find(|p| p["name"] == name).cloned().unwrap_or_default()
        };
        let event = find(&parameters, "notification-event")["part"].clone();
        Self {
            door: entry["door"].as_str().unwrap().to_owned(),
            path: entry["path"].as_str().unwrap().to_owned(),
            headers: serde_json::from_value(entry["headers"].clone()).unwrap(),
            status: entry["status"].as_u64(),
            left: entry["left"] == true,
            kind: find(&parameters, "type")["valueCode"].as_str().unwrap_or_default().to_owned(),
            number: find(&event, "event-number")["valueString"].as_str().map_or(0, |n| n.parse().unwrap()),
            focus: find(&event, "focus")["valueReference"]["reference"].as_str().unwrap_or_default().to_owned(),
            body,
        }
    }

    fn id(&self) -> &str {
        &self.headers["webhook-id"]
    }
}

fn subscriber(id: &str, endpoint: String) -> Subscriber {
    Subscriber {
        id: id.to_owned(),
        endpoint,
        private_addresses: true,
        fhir: FhirVersion::R4,
        content: Content::IdOnly,
        criteria: Criteria::default(),
        reason: "invented".to_owned(),
        timeout: 20,
        tries: 40,
        secrets: vec![Secret::read("aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=").unwrap()],
        bearer: None,
    }
}

fn times() -> Times {
    let pace = Pace { first: Duration::from_millis(20), most: Duration::from_millis(200) };
    Times {
        pace,
        look: Duration::from_millis(50),
        lease: Duration::from_secs(1),
        clear_again: Duration::from_millis(50),
    }
}

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let n = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("eg-notices-{}-{n}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn place(&self) -> PathBuf {
        self.0.join("queue.sqlite")
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

struct Service {
    router: axum::Router,
    store: Arc<SqlStore>,
    notices: Arc<Notices>,
    place: String,
}

impl Service {
    async fn at(folder: &Folder, list: Vec<Subscriber>) -> Self {
        let store = Arc::new(SqlStore::sqlite(&folder.place(), Policy::default()).await.unwrap());
        let subscribers = Subscribers { base: BASE.to_owned(), list };
        let notices = Notices::start(store.clone(), subscribers, times()).await.unwrap();
        let csv = include_bytes!("../deploy/demo/formulary.csv");
        let core = Core::new(Formulary::from_csv("formulary.csv", csv).unwrap());
        let doors = Doors { store: Some(store.clone()), notices: Some(notices.clone()), ..Doors::default() };
        let app = App::behind(doors, Arc::new(core), Settings::default(), Limits::default());
        let place = folder.place().to_str().unwrap().to_owned();
        Self { router: routes::router(app), store, notices, place }
    }

    async fn stop(self) {
        self.notices.stop().await;
        self.store.close().await.unwrap();
    }

    async fn ask(&self, method: &str, path: &str, body: &str) -> (StatusCode, String) {
        use tower::ServiceExt;
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header("host", "localhost:8731")
            .header("content-type", "application/fhir+json");
        let response = self.router.clone().oneshot(request.body(Body::from(body.to_owned())).unwrap()).await.unwrap();
        let status = response.status();
        let bytes = response.into_body().collect().await.unwrap().to_bytes();
        (status, String::from_utf8(bytes.to_vec()).unwrap())
    }

    async fn get(&self, path: &str) -> Value {
        let (status, body) = self.ask("GET", path, "").await;
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
        serde_json::from_str(&body).unwrap()
    }

    /// Sends an order with a gap; gives its Task.
    async fn order(&self, n: usize, rate: u32) -> String {
        let order = json!({"resourceType": "NutritionOrder", "id": format!("n{n}"), "status": "draft", "intent": "order",
            "patient": {"reference": format!("Patient/secret-{n}")}, "dateTime": "2026-11-25",
            "enteralFormula": {"administration": [{"rateQuantity": {"value": rate, "unit": "mL/h"}}]}});
        let (status, body) = self.ask("POST", "/fhir/R4/NutritionOrder/$validate", &order.to_string()).await;
        assert_eq!(status, StatusCode::OK, "{body}");
        let found = self.get(&format!("/fhir/R4/Task?patient=secret-{n}&status=requested")).await;
        found["entry"][0]["resource"]["id"].as_str().unwrap().to_owned()
    }

    async fn act(&self, task: &str, seen: u64, action: Action) {
        let by = Person { id: "ann".to_owned(), name: "Invented Ann".to_owned(), role: Role::Pharmacist };
        let command = Command { id: String::new(), by, at: Timestamp::now(), lane: Lane::Pharmacist, seen, action };
        self.store.act(TaskId::read(task).unwrap().item, command).await.unwrap();
    }

    /// Other subscribers are read while it runs; gives whether that is settled.
    async fn declare(&self, list: Vec<Subscriber>) -> bool {
        self.notices.take(Ok(Subscribers { base: BASE.to_owned(), list })).await
    }

    /// What waits for a subscriber, without its handshake.
    async fn waiting(&self, subscriber: &str) -> usize {
        let of = |letter: &&Letter| letter.subscriber == subscriber && letter.number > 0;
        self.letters("waiting").await.iter().filter(of).count()
    }

    async fn letters(&self, state: &str) -> Vec<Letter> {
        let which = Which { state: Some(state.to_owned()), ..Which::default() };
        letters(&self.place, &which, 10_000).await.unwrap().0
    }

    /// Until nothing waits any more.
    async fn quiet(&self) {
        self.quiet_but(0).await;
    }

    /// Until no more wait than what is held back from so many who never answered the handshake, one message each.
    async fn quiet_but(&self, held: usize) {
        for _ in 0..1200 {
            let waiting = self.letters("waiting").await;
            if waiting.len() == held && waiting.iter().all(|letter| letter.number > 0 && letter.tries == 0) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("messages still wait: {:?}", self.letters("waiting").await);
    }
}

/// The first message is made with the base in use, however early it is made, and with another one after it was changed.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_first_message_names_the_base() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let one = |n: usize| subscriber(&format!("s{n}"), format!("{}/good/s{n}", fake.at));
    let many = |from: usize| (from..from + 30).map(one);
    let s = Service::at(&folder, many(0).collect()).await;
    s.quiet().await;
    let other = "https://other.example/fhir-queue";
    let list = many(0).chain(many(30)).collect();
    assert!(s.notices.take(Ok(Subscribers { base: other.to_owned(), list })).await);
    s.quiet().await;
    let seen = fake.seen().await;
    let of = |n: usize| seen.iter().filter(move |one| one.kind == "handshake" && one.path.ends_with(&format!("/s{n}")));
    for n in 0..60 {
        let base = if n < 30 { BASE } else { other };
        assert_eq!(of(n).count(), 1, "s{n}");
        for one in of(n) {
            let text = one.body.clone();
            assert!(text.contains(&format!("{base}/")), "s{n}: {text}");
        }
    }
    s.stop().await;
}

/// Every event came, the first time in order for its order, and again only the same.
fn whole(seen: &[Seen], events: u64) {
    let arrived: Vec<&Seen> = seen.iter().filter(|s| s.kind == "event-notification").collect();
    let well: BTreeSet<u64> = arrived.iter().filter(|s| s.status == Some(200)).map(|s| s.number).collect();
    assert_eq!(well, (1..=events).collect(), "every event arrived");
    let mut first: BTreeMap<u64, &Seen> = BTreeMap::new();
    let mut last: BTreeMap<&str, u64> = BTreeMap::new();
    for one in arrived {
        let again = first.entry(one.number).or_insert(one);
        assert_eq!((again.id(), &again.body), (one.id(), &one.body), "the same at every try");
        let before = last.entry(&one.focus).or_default();
        assert!(*before <= one.number, "{} came after {before}: {}", one.number, one.focus);
        *before = one.number;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn changes_arrive_in_order_whatever_fails() {
    for mode in ["good", "slow", "second"] {
        let fake = Fake::start("");
        let folder = Folder::new();
        let one = Subscriber {
            bearer: Some(Hidden::new("invented-token".to_owned())),
            ..subscriber("board", format!("{}/{mode}", fake.at))
        };
        let s = Service::at(&folder, vec![one]).await;
        for n in 0..6 {
            let item = s.order(n, 50).await;
            s.act(&item, 1, Action::Take).await;
            s.act(&item, 2, Action::GiveBack).await;
            // Another content, and the earlier one again.
            s.order(n, 60).await;
            s.order(n, 50).await;
        }
        s.quiet().await;
        let seen = fake.seen().await;
        assert_eq!(seen[0].kind, "handshake", "{mode}");
        let first_event = seen.iter().position(|s| s.kind == "event-notification").unwrap();
        assert_eq!(seen[first_event - 1].status, Some(200), "{mode}: nothing before the handshake arrived");
        let events = s.get("/fhir/R4/Subscription/board/$events").await;
        let parameters = events.pointer("/entry/0/resource/parameter").unwrap().as_array().unwrap();
        let told = parameters.iter().filter(|p| p["name"] == "notification-event").count();
        assert_eq!(told, 6 * 7, "recorded, taken, given back, the other, replaced; and back again twice");
        whole(&seen, told as u64);
        assert!(seen.iter().all(|one| one.door == "here" && one.path == format!("/{mode}")));
        for one in &seen {
            assert_eq!(one.headers["authorization"], "Bearer invented-token");
            assert_eq!(one.headers["content-type"], "application/fhir+json; fhirVersion=4.0");
            assert!(one.headers["webhook-signature"].starts_with("v1,"));
            assert!(one.focus.is_empty() || one.focus.starts_with(&format!("{BASE}/R4/Task/")), "{}", one.focus);
            assert!(!one.body.contains("secret-") && !one.body.contains("Patient"), "{}", one.body);
        }
        if mode == "second" {
            assert!(seen.len() > 80, "each was tried twice: {}", seen.len());
        }
        s.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_goes_wrong_is_named_and_becomes_a_dead_letter() {
    let fake = Fake::start("");
    let closed = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let here = |mode: &str| format!("{}/{mode}", fake.at);
    let list = [
        ("failing", here("503"), "status-503"),
        ("refusing", here("403"), "status-403"),
        ("gone", here("410"), "status-410"),
        ("redirecting", here("redirect"), "redirect"),
        ("hanging", here("hang"), "late"),
        ("dying", here("dies"), "interrupted"),
        ("away", format!("http://{closed}/"), "unreachable"),
        ("forbidden", "https://127.0.0.1:1/in".to_owned(), "address"),
        ("metadata", "https://169.254.169.254/in".to_owned(), "address"),
        ("plain", "http://192.0.2.1/in".to_owned(), "address"),
        ("nameless", "https://no-such-name.invalid/in".to_owned(), "name"),
        ("no-tls", fake.at.replace("http:", "https:"), "unreachable"),
    ];
    let mut subscribers: Vec<Subscriber> = list
        .iter()
        .map(|(id, endpoint, _)| Subscriber {
            timeout: if *id == "hanging" { 1 } else { 60 },
            tries: 2,
            ..subscriber(id, endpoint.clone())
        })
        .collect();
    subscribers[7].private_addresses = false;
    // One that hears everything beside them, and one whose answer has no end.
    subscribers.push(subscriber("well", here("good")));
    subscribers.push(subscriber("no-content", here("empty")));
    subscribers.push(subscriber("endless", here("endless")));
    let folder = Folder::new();
    let s = Service::at(&folder, subscribers).await;
    let item = s.order(1, 50).await;
    s.quiet_but(list.len()).await;
    let dead = s.letters("dead").await;
    for (id, _, why) in &list {
        let own: Vec<&Letter> = dead.iter().filter(|letter| letter.subscriber == *id).collect();
        assert_eq!(own.iter().map(|letter| letter.number).collect::<Vec<_>>(), [0], "{id}: the handshake alone");
        for letter in own {
            assert_eq!((letter.trouble.as_deref(), letter.tries), (Some(*why), 2), "{id}");
        }
        let resource = s.get(&format!("/fhir/R4/Subscription/{id}")).await;
        assert_eq!(resource["status"], "error", "{id}");
    }
    assert_eq!(dead.len(), list.len(), "the others arrived");
    let seen = fake.seen().await;
    assert!(seen.iter().all(|one| one.door == "here"), "no redirect is followed");
    s.notices.count().await.unwrap();
    let (_, metrics) = s.ask("GET", "/metrics", "").await;
    for line in [
        "enteral_gate_notifications_total{subscriber=\"failing\",result=\"failed\"} 1",
        "enteral_gate_notifications_total{subscriber=\"failing\",result=\"dead\"} 1",
        "enteral_gate_notifications_total{subscriber=\"well\",result=\"delivered\"} 2",
        "enteral_gate_outbox_dead{subscriber=\"failing\"} 1",
        "enteral_gate_outbox_dead{subscriber=\"well\"} 0",
        "enteral_gate_outbox_waiting{subscriber=\"failing\"} 1",
        "enteral_gate_outbox_failing{subscriber=\"failing\"} 0",
    ] {
        assert!(metrics.lines().any(|own| own == line), "{line} in {metrics}");
    }
    assert!(!metrics.contains(&item) && !metrics.contains("secret-"), "nothing of an order");
    let (_, page) = s.ask("GET", "/state", "").await;
    assert!(page.contains("Who is told of changes") && page.contains("1 are tried no more"), "{page}");
    let ready = s.notices.ready();
    for (id, ..) in &list {
        assert!(ready.contains(&format!("\nsubscribers: {id} was not told of 1 changes: dead letters")), "{ready}");
    }
    assert!(!ready.contains("well was not told"), "{ready}");
    assert!(ready.contains("failing has not answered the handshake; 1 messages wait for that"), "{ready}");
    assert!(!ready.contains("well has not"), "{ready}");
    s.stop().await;
}

/// What was delivered long ago is removed soon after it could not be.
#[tokio::test(flavor = "multi_thread")]
async fn what_could_not_be_removed_is_removed_soon() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let list = vec![subscriber("well", format!("{}/good", fake.at))];
    let s = Service::at(&folder, list.clone()).await;
    s.quiet().await;
    let place = s.place.clone();
    s.stop().await;
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&place);
    let mut past = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
    // It was delivered long ago, and cannot be removed.
    let old = "UPDATE outbox SET happened = 0, done = 0; \
               CREATE TRIGGER stays BEFORE DELETE ON outbox BEGIN SELECT RAISE(ABORT, 'it stays'); END";
    sqlx::raw_sql(old).execute(&mut past).await.unwrap();
    let s = Service::at(&folder, list).await;
    tokio::time::sleep(Duration::from_millis(300)).await;
    assert_eq!(s.letters("delivered").await.len(), 1, "it could not be removed");
    sqlx::raw_sql("DROP TRIGGER stays").execute(&mut past).await.unwrap();
    let gone = || async { s.letters("delivered").await.is_empty() };
    until("it is removed", gone).await;
    past.close().await.unwrap();
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn one_order_that_fails_holds_back_no_other() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let s = Service::at(&folder, vec![subscriber("board", format!("{}/now", fake.at))]).await;
    let stuck = s.order(0, 50).await;
    s.quiet().await;
    fake.ask(&format!("set?mode=one&item={stuck}")).await;
    s.act(&stuck, 1, Action::Take).await;
    s.act(&stuck, 2, Action::GiveBack).await;
    for n in 1..6 {
        let item = s.order(n, 50).await;
        s.act(&item, 1, Action::Take).await;
    }
    for _ in 0..600 {
        let waiting = s.letters("waiting").await;
        if waiting.iter().all(|letter| {
            letter.event.as_ref().and_then(|event| event.task.as_ref()).is_some_and(|task| task.to_string() == stuck)
        }) && waiting[0].tries > 2
        {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let waiting = s.letters("waiting").await;
    assert_eq!(waiting.len(), 2, "both about the one, nothing else: {waiting:?}");
    assert_eq!(waiting[1].tries, 0, "the second waits for the first");
    assert_eq!(s.get("/fhir/R4/Subscription/board").await["status"], "error");
    fake.ask("set?mode=good").await;
    s.quiet().await;
    whole(&fake.seen().await, 3 + 5 * 2);
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_subscriber_that_ends_and_comes_back_is_told_everything() {
    let fake = Fake::start("");
    let port = fake.port().to_owned();
    let folder = Folder::new();
    let s = Service::at(&folder, vec![subscriber("board", format!("{}/now", fake.at))]).await;
    for n in 0..10 {
        s.order(n, 50).await;
    }
    s.quiet().await;
    // It takes messages and answers none, and then it is gone.
    fake.ask("set?mode=dies").await;
    for n in 10..15 {
        s.order(n, 50).await;
    }
    while !fake.seen().await.iter().any(|one| one.status.is_none()) {
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    let mut seen = fake.seen().await;
    drop(fake);
    for n in 15..20 {
        s.order(n, 50).await;
    }
    assert_eq!(s.letters("waiting").await.len(), 10);
    let fake = Fake::start(&port);
    s.quiet().await;
    seen.extend(fake.seen().await);
    whole(&seen, 20);
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_not_told_before_a_restart_is_told_after_it() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let board = || subscriber("board", format!("{}/now", fake.at));
    let s = Service::at(&folder, vec![board()]).await;
    s.order(0, 50).await;
    s.quiet().await;
    fake.ask("set?mode=503").await;
    for n in 1..8 {
        s.order(n, 50).await;
    }
    let waiting = s.letters("waiting").await.len();
    assert_eq!(waiting, 7);
    s.stop().await;
    fake.ask("set?mode=good").await;
    let s = Service::at(&folder, vec![board()]).await;
    s.quiet().await;
    let seen = fake.seen().await;
    whole(&seen, 8);
    assert_eq!(seen.iter().filter(|one| one.kind == "handshake").count(), 1, "it is known already");
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn dead_letters_are_sent_again_by_hand() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let board = Subscriber { tries: 2, ..subscriber("board", format!("{}/now", fake.at)) };
    let s = Service::at(&folder, vec![board]).await;
    s.quiet().await;
    fake.ask("set?mode=500").await;
    let item = s.order(0, 50).await;
    s.act(&item, 1, Action::Take).await;
    s.quiet().await;
    let dead = s.letters("dead").await;
    assert_eq!(dead.len(), 2);
    fake.ask("set?mode=good").await;
    fake.ask("forget").await;
    assert_eq!(by_hand(&s.place, &Which::default(), ByHand::SendAgain).await.unwrap(), 2);
    s.quiet().await;
    whole(&fake.seen().await, 2);
    let ids: BTreeSet<String> = dead.iter().map(|letter| letter.event.as_ref().unwrap().id.to_string()).collect();
    let seen: BTreeSet<String> =
        fake.seen().await.iter().filter(|one| one.number > 0).map(|one| one.id().to_owned()).collect();
    assert_eq!(seen, ids, "under the same ids");
    assert_eq!(s.letters("dead").await, []);
    s.notices.count().await.unwrap();
    assert_eq!(s.get("/fhir/R4/Subscription/board").await["status"], "active");
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn one_that_hangs_keeps_no_other_waiting() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let at = |mode: &str| format!("{}/{mode}", fake.at);
    let hanging = Subscriber { timeout: 60, ..subscriber("hanging", at("hang")) };
    let s = Service::at(&folder, vec![hanging, subscriber("board", at("good"))]).await;
    for n in 0..10 {
        s.order(n, 50).await;
    }
    for _ in 0..600 {
        if s.letters("waiting").await.iter().all(|letter| letter.subscriber == "hanging") {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let waiting = s.letters("waiting").await;
    assert_eq!(waiting.len(), 11, "the handshake and ten events of the one, none of the other");
    let seen: Vec<Seen> = fake.seen().await;
    assert_eq!(seen.iter().filter(|one| one.path == "/hang").count(), 1, "only the handshake is tried");
    whole(&seen.into_iter().filter(|one| one.path == "/good").collect::<Vec<_>>(), 10);
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn subscriptions_can_be_read_and_not_written() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let lanes = BTreeSet::from([Lane::Dietitian]);
    let priorities = BTreeSet::from(["stat", "asap"]);
    let criteria = Criteria { lanes, priorities };
    let mut list = Vec::new();
    for version in FhirVersion::ALL {
        let id = format!("board-{}", version.name().to_lowercase());
        let bearer = Some(Hidden::new("invented-token".to_owned()));
        let one = subscriber(&id, format!("{}/good", fake.at));
        list.push(Subscriber { fhir: version, criteria: criteria.clone(), bearer, ..one });
    }
    list.push(subscriber("hanging", format!("{}/hang", fake.at)));
    let s = Service::at(&folder, list).await;
    for _ in 0..600 {
        if s.letters("waiting").await.len() == 1 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    s.notices.count().await.unwrap();
    let all = s.get("/fhir/R4/Subscription").await;
    assert_eq!(all["total"], 2);
    assert_eq!(s.get("/fhir/R4/Subscription/hanging").await["status"], "requested");
    for version in FhirVersion::ALL {
        let at = format!("/fhir/{}/Subscription/board-{}", version.name(), version.name().to_lowercase());
        let one = s.get(&at).await;
        assert_eq!(one["status"], "active", "{one:#}");
        let topic = "https://enteral-gate.example/fhir/SubscriptionTopic/task";
        if version == FhirVersion::R5 {
            assert_eq!((&one["topic"], &one["content"]), (&json!(topic), &json!("id-only")));
            assert_eq!(
                one["filterBy"][0],
                json!({"resourceType": "Task", "filterParameter": "priority", "value": "stat,asap"})
            );
            assert_eq!(one["channelType"]["code"], "rest-hook");
        } else {
            assert_eq!((&one["criteria"], &one["channel"]["type"]), (&json!(topic), &json!("rest-hook")));
            assert_eq!(one["_criteria"]["extension"][0]["valueString"], "Task?priority=stat,asap&performer=dietitian");
            assert_eq!(one["channel"]["_payload"]["extension"][0]["valueCode"], "id-only");
        }
        assert!(!one.to_string().contains("invented-token") && !one.to_string().contains("aW52"), "{one}");
        let status = s.get(&format!("{at}/$status")).await;
        assert_eq!(status["type"], "searchset");
        let events = s.get(&format!("{at}/$events?eventsSinceNumber=1&eventsUntilNumber=5")).await;
        assert!(["history", "subscription-notification"].contains(&events["type"].as_str().unwrap()));
        for (method, path) in
            [("POST", format!("/fhir/{}/Subscription", version.name())), ("PUT", at.clone()), ("DELETE", at)]
        {
            let (status, body) = s.ask(method, &path, &one.to_string()).await;
            assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{method} {path}: {body}");
            assert!(body.contains("business-rule") && body.contains("declared by the institution"), "{body}");
        }
        let topics = s.ask("GET", &format!("/fhir/{}/SubscriptionTopic/task", version.name()), "").await;
        if version == FhirVersion::R4 {
            assert_eq!(topics.0, StatusCode::NOT_FOUND);
        } else {
            assert!(topics.1.contains(topic), "{}", topics.1);
        }
    }
    for (path, status) in [
        ("/fhir/R5/Subscription/board-r4", StatusCode::NOT_FOUND),
        ("/fhir/R4/Subscription/board-r4/$events?eventsSinceNumber=x", StatusCode::BAD_REQUEST),
        ("/fhir/R4/Subscription/board-r4/$events?eventsSinceNumber=1&eventsSinceNumber=2", StatusCode::BAD_REQUEST),
        ("/fhir/R4/Subscription?status=active", StatusCode::BAD_REQUEST),
        ("/fhir/R4/Subscription?zone=UTC", StatusCode::BAD_REQUEST),
        ("/fhir/R5/SubscriptionTopic/other", StatusCode::NOT_FOUND),
    ] {
        let (got, body) = s.ask("GET", path, "").await;
        assert_eq!(got, status, "{path}: {body}");
    }
    // The order asks no dietitian, so nobody of these is told; the one without conditions is.
    s.order(1, 50).await;
    let waiting: Vec<String> = s.letters("waiting").await.into_iter().map(|letter| letter.subscriber).collect();
    assert_eq!(waiting, ["hanging", "hanging"]);
    s.stop().await;
}

/// The whole Task goes out only where that was asked for.
#[tokio::test(flavor = "multi_thread")]
async fn each_content_is_what_was_asked_for() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let list = Content::ALL
        .map(|(content, code)| Subscriber { content, ..subscriber(code, format!("{}/good/{code}", fake.at)) });
    let s = Service::at(&folder, list.to_vec()).await;
    let item = s.order(1, 50).await;
    s.quiet().await;
    let seen = fake.seen().await;
    let of = |code: &str| seen.iter().find(|one| one.path.ends_with(code) && one.kind != "handshake").unwrap();
    assert!(of("empty").focus.is_empty() && !of("empty").body.contains(&item));
    assert!(of("id-only").focus.ends_with(&item) && !of("id-only").body.contains("secret-1"));
    let full: Value = serde_json::from_str(&of("full-resource").body).unwrap();
    let task = &full["entry"][1]["resource"];
    assert_eq!(*task, s.get(&format!("/fhir/R4/Task/{item}")).await);
    assert_eq!(task["for"]["reference"], "Patient/secret-1");
    s.stop().await;
}

/// Until something is so.
async fn until<F: Future<Output = bool>>(what: &str, so: impl Fn() -> F) {
    for _ in 0..1200 {
        if so().await {
            return;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{what} never came");
}

#[tokio::test(flavor = "multi_thread")]
async fn who_is_told_changes_while_the_service_runs() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let at = |path: &str| format!("{}/{path}", fake.at);
    let out = || Subscriber { timeout: 3, ..subscriber("out", at("now/out")) };
    let stays = || subscriber("stays", at("good/stays"));
    let s = Service::at(&folder, vec![out(), stays()]).await;
    s.order(0, 50).await;
    s.quiet().await;
    // One that takes a message and does not answer it is taken out in the middle of that.
    fake.ask("set?mode=hang").await;
    s.order(1, 50).await;
    let hanging = async || fake.seen().await.iter().any(|one| one.path == "/now/out" && one.status.is_none());
    until("the message", hanging).await;
    until("the other's", async || s.waiting("stays").await == 0).await;
    let before = fake.seen().await.len();
    assert!(s.declare(vec![stays(), subscriber("new", at("good/new"))]).await);
    fake.ask("set?mode=good").await;
    for n in 2..5 {
        s.order(n, 50).await;
    }
    let arrived = async || s.letters("waiting").await.iter().all(|letter| letter.subscriber == "out");
    until("everything for the others", arrived).await;
    let seen = fake.seen().await[before..].to_vec();
    let to = |path: &str| seen.iter().filter(|one| one.path == path).cloned().collect::<Vec<_>>();
    assert_eq!(to("/now/out").len(), 0, "told nothing any more");
    assert_eq!(to("/good/new").first().map(|one| one.kind.as_str()), Some("handshake"));
    whole(&to("/good/new"), 3);
    assert_eq!(to("/good/stays").iter().map(|one| one.number).collect::<BTreeSet<_>>(), BTreeSet::from([3, 4, 5]));
    // What was for it is kept, and said wherever it is looked.
    assert_eq!(s.waiting("out").await, 1, "from before; nothing was added");
    s.notices.count().await.unwrap();
    assert_eq!(
        s.notices.left().iter().map(|(id, known)| (id.as_str(), known.waiting)).collect::<Vec<_>>(),
        [("out", 1)]
    );
    let (_, metrics) = s.ask("GET", "/metrics", "").await;
    for line in [
        "enteral_gate_outbox_waiting{subscriber=\"out\"} 1",
        "enteral_gate_outbox_waiting{subscriber=\"new\"} 0",
        "enteral_gate_subscribers_reloads_total{result=\"taken\"} 1",
        "enteral_gate_subscribers_stale 0",
    ] {
        assert!(metrics.lines().any(|own| own == line), "{line} in {metrics}");
    }
    let (_, ready) = s.ask("GET", "/readyz", "").await;
    assert!(ready.contains("subscribers: out is not declared; 1 messages wait and 0 are dead letters"), "{ready}");
    let (_, page) = s.ask("GET", "/state", "").await;
    assert!(page.contains("not declared, so it is told nothing; 1 messages wait for it"), "{page}");
    assert_eq!(s.ask("GET", "/fhir/R4/Subscription/out", "").await.0, StatusCode::NOT_FOUND);
    assert_eq!(s.get("/fhir/R4/Subscription").await["total"], 2);
    // Declared again, it is greeted, because of what it was not told, and gets what waited, when the time of the try that was
    // broken off is over, and what comes from then on.
    assert!(s.declare(vec![out(), stays()]).await);
    s.order(5, 50).await;
    s.quiet().await;
    let seen = fake.seen().await[before..].to_vec();
    let seen: Vec<&Seen> = seen.iter().filter(|one| one.path == "/now/out").collect();
    assert_eq!(seen[0].kind, "handshake");
    assert_eq!(seen.iter().map(|one| one.number).collect::<BTreeSet<_>>(), BTreeSet::from([0, 2, 3]));
    s.stop().await;
}

/// What is under way where a subscriber is no more, or by a way that is not allowed any more, is broken off, also when it is
/// under way since another change before.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_still_under_way_from_an_earlier_change_is_broken_off() {
    let fake = Fake::start("");
    let at = |path: &str| format!("{}/{path}", fake.at);
    let one = || Subscriber { timeout: 60, ..subscriber("board", at("now/first")) };
    let content = || Subscriber { content: Content::Empty, ..one() };
    let cases: [(&str, Vec<Vec<Subscriber>>); 4] = [
        ("moved", vec![vec![content()], vec![Subscriber { endpoint: at("good/second"), ..content() }]]),
        ("taken out", vec![vec![content()], Vec::new()]),
        ("twice", vec![vec![content()], vec![one()], vec![content()], Vec::new()]),
        ("private", vec![vec![Subscriber { private_addresses: false, ..one() }]]),
    ];
    for (case, changes) in cases {
        fake.ask("set?mode=good").await;
        let folder = Folder::new();
        let s = Service::at(&folder, vec![one()]).await;
        s.quiet().await;
        fake.ask("set?mode=hang").await;
        fake.ask("forget").await;
        s.order(0, 50).await;
        let under_way = async || fake.seen().await.len() == 1;
        until("the message", under_way).await;
        for list in changes {
            assert!(s.declare(list).await, "{case}");
        }
        // Far sooner than its own time is over.
        let mut left = false;
        for _ in 0..200 {
            left = fake.seen().await[0].left;
            if left {
                break;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        assert!(left, "{case}: it is still under way");
        assert_eq!(s.waiting("board").await, 1, "{case}: it did not arrive");
        s.stop().await;
    }
}

/// Two replicas, of which one still has the file before: the other's endpoint gets everything, and first of all a handshake.
#[tokio::test(flavor = "multi_thread")]
async fn a_replica_with_the_file_before_keeps_nothing_from_the_new_endpoint() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let at = |path: &str| format!("{}/{path}", fake.at);
    let behind = Service::at(&folder, vec![subscriber("board", at("good/before"))]).await;
    behind.quiet().await;
    fake.ask("forget").await;
    let now = Subscribers { base: BASE.to_owned(), list: vec![subscriber("board", at("good/now"))] };
    let ahead = Notices::start(behind.store.clone(), now, times()).await.unwrap();
    for n in 0..12 {
        behind.order(n, 50).await;
    }
    behind.quiet().await;
    let seen = fake.seen().await;
    assert!(seen.iter().all(|one| one.path == "/good/now"), "{seen:?}");
    assert_eq!(seen[0].kind, "handshake");
    whole(&seen, 12);
    behind.notices.count().await.unwrap();
    let (_, ready) = behind.ask("GET", "/readyz", "").await;
    let said = "subscribers: board was declared at another endpoint, or taken out, by another replica; this one sends it nothing";
    assert!(ready.contains(said), "{ready}");
    // It is up to date at last.
    assert!(behind.declare(ahead.subscribers().list.clone()).await);
    let (_, ready) = behind.ask("GET", "/readyz", "").await;
    assert!(!ready.contains(said), "{ready}");
    ahead.stop().await;
    behind.order(20, 50).await;
    behind.quiet().await;
    whole(&fake.seen().await, 13);
    behind.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn another_secret_content_or_endpoint_is_used_from_then_on() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let at = |path: &str| format!("{}/{path}", fake.at);
    let one = subscriber("board", at("good/first"));
    let s = Service::at(&folder, vec![one.clone()]).await;
    s.order(0, 50).await;
    s.quiet().await;
    let signatures = |one: &Seen| one.headers["webhook-signature"].split(' ').count();
    assert!(fake.seen().await.iter().all(|one| signatures(one) == 1));
    fake.ask("forget").await;
    let secret = Secret::read("c2Vjb25kLWludmVudGVkLXNlY3JldC1vZi0zMi1ieXQ=").unwrap();
    let two = Subscriber { secrets: vec![one.secrets[0].clone(), secret], content: Content::Empty, ..one.clone() };
    assert!(s.declare(vec![two.clone()]).await);
    s.order(1, 50).await;
    s.quiet().await;
    let seen = fake.seen().await;
    assert_eq!(seen.len(), 1, "no handshake: it is where it was: {seen:?}");
    assert_eq!((signatures(&seen[0]), seen[0].focus.as_str()), (2, ""));
    fake.ask("forget").await;
    assert!(s.declare(vec![Subscriber { endpoint: at("good/second"), ..two.clone() }]).await);
    s.order(2, 50).await;
    s.quiet().await;
    let seen = fake.seen().await;
    assert!(seen.iter().all(|one| one.path == "/good/second"), "{seen:?}");
    assert_eq!(seen.iter().map(|one| one.kind.as_str()).collect::<Vec<_>>(), ["handshake", "event-notification"]);
    // The same again changes nothing.
    fake.ask("forget").await;
    assert!(s.declare(vec![Subscriber { endpoint: at("good/second"), ..two }]).await);
    s.order(3, 50).await;
    s.quiet().await;
    assert_eq!(fake.seen().await.len(), 1);
    s.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_cannot_be_used_leaves_the_subscribers_as_they_were() {
    let fake = Fake::start("");
    let folder = Folder::new();
    let board = || subscriber("board", format!("{}/good", fake.at));
    let s = Service::at(&folder, vec![board()]).await;
    let line = async |line: &str| s.ask("GET", "/metrics", "").await.1.lines().any(|own| own == line);
    assert!(s.notices.take(Err(vec!["file:3: id: stands twice".to_owned(), "file:4: more".to_owned()])).await);
    s.order(0, 50).await;
    s.quiet().await;
    whole(&fake.seen().await, 1);
    let (_, ready) = s.ask("GET", "/readyz", "").await;
    assert!(ready.contains("subscribers: 1 declared, loaded 20"), "{ready}");
    assert!(ready.contains("subscribers file on disk: NOT in use since 20"), "{ready}");
    assert!(ready.contains(", 2 problems, the first: file:3: id: stands twice\n"), "{ready}");
    assert!(line("enteral_gate_subscribers_stale 1").await);
    assert!(line("enteral_gate_subscribers_reloads_total{result=\"refused\"} 1").await);
    let (_, page) = s.ask("GET", "/state", "").await;
    assert!(page.contains("The file on disk is not in use") && page.contains("id: stands twice"), "{page}");
    assert!(s.declare(vec![board()]).await);
    assert!(line("enteral_gate_subscribers_stale 0").await);
    assert!(!s.ask("GET", "/readyz", "").await.1.contains("NOT in use"));
    // Where the store cannot be written nothing is settled, and it is said once.
    s.store.close().await.unwrap();
    for _ in 0..3 {
        assert!(!s.declare(vec![subscriber("other", format!("{}/good", fake.at))]).await);
    }
    assert_eq!(s.notices.subscribers().list, [board()]);
    let (_, problems) = s.notices.not_taken().unwrap();
    assert!(problems[0].starts_with("the store cannot be written now"), "{problems:?}");
    assert!(line("enteral_gate_subscribers_reloads_total{result=\"refused\"} 2").await);
    s.notices.stop().await;
}
