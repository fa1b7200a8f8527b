//! The pages for people over HTTP: who sees what, what a form may do, conflicts, and texts of others on a page.
//!
//! What is held here is said by RFC 6265bis (cookies), Content Security Policy 3, the HTML standard (server-sent events) and
//! OWASP's cheat sheets on sessions and on cross-site request forgery; from memory. People, orders and texts are invented.

use enteral_gate::appraise::{Institution, appraise_by};
use enteral_gate::findings::Disposition;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::notices::{Notices, Times};
use enteral_gate::http::pages::people::{self, Job, People};
use enteral_gate::http::samples::{self, SAMPLES};
use enteral_gate::http::trail::{self, Bounds, Found, Trail};
use enteral_gate::http::{App, Doors, Limits, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::Lane;
use enteral_gate::queue::item::{ItemId, Received};
use enteral_gate::queue::policy::Policy;
use enteral_gate::rulebook::Rulebook;
use enteral_gate::settings::Settings;
use enteral_gate::store::{SqlStore, Store};
use enteral_gate::subscriptions::signature::Secret;
use enteral_gate::subscriptions::{Content, Criteria, Subscriber, Subscribers};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        let path = std::env::temp_dir().join(format!("enteral-gate-pages-{}", uuid::Uuid::new_v4()));
        std::fs::create_dir(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

struct Service {
    here: SocketAddr,
    token: String,
    store: Arc<SqlStore>,
    notices: Option<Arc<Notices>>,
    kept: Folder,
}

fn formulary() -> Formulary {
    let text = std::fs::read(concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv")).unwrap();
    Formulary::from_csv("formulary.csv", &text).unwrap()
}

fn received(text: &str, version: FhirVersion) -> Vec<Received> {
    let (formulary, rulebook, settings) = (formulary(), Rulebook::default(), Settings::default());
    let by = Institution { formulary: &formulary, rulebook: &rulebook, settings: &settings };
    let a = appraise_by(text.as_bytes(), "", version, by);
    let of = |order| {
        let mut received = Received::of(&a, order, &[]);
        received.at = Timestamp::now();
        received
    };
    a.orders.iter().map(of).collect()
}

fn sample(name: &str) -> &'static str {
    SAMPLES.iter().find(|s| s.name == name).unwrap().text
}

async fn service(orders: &[&str]) -> Service {
    service_with(orders, None).await
}

async fn service_with(orders: &[&str], trail: Option<Arc<Trail>>) -> Service {
    service_telling(orders, trail, Vec::new()).await
}

/// A system that is told of changes and is not there, so that each message is a dead letter after its only try.
fn away(id: &str) -> Subscriber {
    let closed = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    Subscriber {
        id: id.to_owned(),
        endpoint: format!("http://{closed}/in"),
        private_addresses: true,
        fhir: FhirVersion::R4,
        content: Content::IdOnly,
        criteria: Criteria::default(),
        reason: "invented".to_owned(),
        timeout: 10,
        tries: 1,
        secrets: vec![Secret::read("aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=").unwrap()],
        bearer: None,
    }
}

async fn service_telling(orders: &[&str], trail: Option<Arc<Trail>>, told: Vec<Subscriber>) -> Service {
    let kept = Folder::new();
    let store = Arc::new(SqlStore::sqlite(&kept.0.join("queue.sqlite"), Policy::default()).await.unwrap());
    let mut notices = None;
    if !told.is_empty() {
        let subscribers = Subscribers { base: "https://gate.example/fhir".to_owned(), list: told };
        let times = Times { look: Duration::from_millis(50), ..Times::default() };
        notices = Some(Notices::start(store.clone(), subscribers, times).await.unwrap());
    }
    for text in orders {
        store.record(received(text, FhirVersion::R4)).await.unwrap();
    }
    let (people, token) = People::with_token(people::invented(), false);
    let people = Some(Arc::new(people));
    let doors = Doors { people, store: Some(store.clone()), notices: notices.clone(), trail, ..Doors::default() };
    let app = App::behind(doors, Arc::new(Core::new(formulary())), Settings::default(), Limits::default());
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = listener.local_addr().unwrap();
    tokio::spawn(server::serve(listener, app, std::future::pending()));
    Service { here, token, store, notices, kept }
}

struct Said {
    status: u16,
    head: String,
    body: String,
}

impl Said {
    fn header(&self, name: &str) -> Option<&str> {
        let name = format!("{name}:");
        self.head.lines().find(|l| l.to_ascii_lowercase().starts_with(&name)).map(|l| l[name.len()..].trim())
    }
}

async fn ask(here: SocketAddr, method: &str, path: &str, cookie: &str, form: Option<&[(&str, &str)]>) -> Said {
    let body = form.map_or_else(String::new, |pairs| {
        let mut out = form_urlencoded::Serializer::new(String::new());
        out.extend_pairs(pairs);
        out.finish()
    });
    let cookie = if cookie.is_empty() { String::new() } else { format!("cookie: {cookie}\r\n") };
    let request = format!(
        "{method} {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\n{cookie}content-type: application/x-www-form-urlencoded\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    );
    let mut stream = TcpStream::connect(here).await.unwrap();
    stream.write_all(request.as_bytes()).await.unwrap();
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes).await.unwrap();
    let text = String::from_utf8(bytes).unwrap();
    let (head, body) = text.split_once("\r\n\r\n").unwrap();
    let body = if head.to_ascii_lowercase().contains("transfer-encoding: chunked") {
        unchunked(body)
    } else {
        body.to_owned()
    };
    Said { status: head[9..12].parse().unwrap(), head: head.to_owned(), body }
}

fn unchunked(body: &str) -> String {
    let mut out = Vec::new();
    let mut rest = body.as_bytes();
    while let Some(end) = rest.windows(2).position(|w| w == b"\r\n") {
        let size = usize::from_str_radix(std::str::from_utf8(&rest[..end]).unwrap().trim(), 16).unwrap_or(0);
        if size == 0 {
            break;
        }
        out.extend_from_slice(&rest[end + 2..end + 2 + size]);
        rest = &rest[end + 4 + size..];
    }
    String::from_utf8(out).unwrap()
}

impl Service {
    async fn get(&self, path: &str, cookie: &str) -> Said {
        ask(self.here, "GET", path, cookie, None).await
    }

    async fn sign_in(&self, person: &str) -> String {
        let said = ask(self.here, "POST", "/sign-in", "", Some(&[("token", &self.token), ("person", person)])).await;
        assert_eq!(said.status, 303, "{}", said.body);
        said.header("set-cookie").unwrap().split(';').next().unwrap().to_owned()
    }

    async fn item(&self) -> String {
        let query = enteral_gate::store::Query {
            filter: Default::default(),
            sort: Default::default(),
            after: None,
            limit: 50,
            now: Timestamp::now(),
        };
        self.store.list(query).await.unwrap().items[0].id.to_string()
    }

    /// Until a subscriber has so many dead letters, and nothing waits.
    async fn dead(&self, id: &str, wanted: u64) {
        self.dead_but(id, wanted, true).await;
    }

    async fn dead_but(&self, id: &str, wanted: u64, nothing_waits: bool) {
        for _ in 0..1200 {
            let known = self.store.outbox().await.unwrap();
            let waits = |waiting| nothing_waits && waiting > 0;
            if known.get(id).is_some_and(|(known, _)| known.dead == wanted && !waits(known.waiting)) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(50)).await;
        }
        panic!("{id} has not {wanted} dead letters: {:?}", self.store.outbox().await);
    }

    /// All messages to a subscriber that never answered are dead letters: the others too, which are only tried after the
    /// first one was answered.
    async fn all_dead(&self, id: &str) -> u64 {
        self.dead_but(id, 1, false).await;
        self.first_is(id, "delivered").await;
        let events = self.store.outbox().await.unwrap()[id].0.events;
        self.dead(id, events).await;
        self.first_is(id, "dead").await;
        events + 1
    }

    /// Puts the first message to a subscriber into a state.
    async fn first_is(&self, id: &str, state: &str) {
        self.sql(&format!("UPDATE outbox SET state = '{state}' WHERE subscriber = '{id}' AND number = 0")).await;
    }

    /// A statement past the program.
    async fn sql(&self, sql: &str) -> Vec<String> {
        use sqlx::Connection;
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(self.kept.0.join("queue.sqlite"));
        let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
        let found = sqlx::query_scalar(sqlx::AssertSqlSafe(sql.to_owned())).fetch_all(&mut conn).await.unwrap();
        conn.close().await.unwrap();
        found
    }

    async fn act(&self, item: &str, cookie: &str, fields: &[(&str, &str)]) -> Said {
        ask(self.here, "POST", &format!("/queue/{item}"), cookie, Some(fields)).await
    }
}

/// The value of a hidden field of a page.
fn hidden(page: &str, name: &str) -> String {
    let from = page.split(&format!("name=\"{name}\" value=\"")).nth(1).unwrap_or_else(|| panic!("no {name}"));
    from.split('"').next().unwrap().to_owned()
}

/// What a page and FHIR say of an order is the same, however its report is kept.
#[tokio::test(flavor = "multi_thread")]
async fn packed_reports_are_shown_as_plain_ones() {
    let s = service(&[]).await;
    let (formulary, rulebook, settings) = (formulary(), Rulebook::default(), Settings::default());
    let by = Institution { formulary: &formulary, rulebook: &rulebook, settings: &settings };
    assert!(s.store.pack_like(&samples::reports(by)));
    // How long it waits is said in whole hours by then.
    let at = Timestamp::now() - jiff::SignedDuration::from_mins(30 * 60 + 30);
    for name in ["demo-5-steps-over-cap", "demo-9-no-density"] {
        let mut orders = received(sample(name), FhirVersion::R4);
        orders.iter_mut().for_each(|order| order.at = at);
        s.store.record(orders).await.unwrap();
    }
    let cookie = s.sign_in("invented-1").await;
    let ids = s.sql("SELECT id FROM items ORDER BY id").await;
    assert_eq!(ids.len(), 2);
    let look = async || {
        let mut said = Vec::new();
        for path in ["/fhir/R4/Task", "/fhir/R5/Task", "/fhir/R4/DetectedIssue", "/fhir/R5/DetectedIssue"] {
            let all = reqwest::get(format!("http://{}{path}", s.here)).await.unwrap();
            said.push((all.status().as_u16(), all.text().await.unwrap()));
        }
        for id in &ids {
            let page = s.get(&format!("/queue/{id}"), &cookie).await;
            // The id of the next command is new each time, and each look is in the history.
            let body = page.body.replace(&hidden(&page.body, "command"), "");
            let lines: Vec<&str> = body.lines().filter(|line| !line.contains("looked at it")).collect();
            said.push((page.status, lines.join("\n")));
        }
        said
    };
    let packed = look().await;
    assert!(packed.iter().all(|(status, _)| *status == 200), "{packed:?}");
    assert!(packed.iter().any(|(_, body)| body.contains("DetectedIssue") && body.contains("\"detail\"")), "{packed:?}");
    let lengths = s.sql("SELECT CAST(LENGTH(report) AS TEXT) FROM items WHERE report_packed IS NOT NULL").await;
    assert_eq!(lengths, ["0", "0"]);
    use sqlx::Connection;
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(s.kept.0.join("queue.sqlite"));
    let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
    for id in &ids {
        let item = s.store.get(ItemId::read(id).unwrap()).await.unwrap().unwrap();
        let plain = "UPDATE items SET report = $1, report_packed = NULL, report_dictionary = NULL WHERE id = $2";
        let report = serde_json::to_string(&item.report).unwrap();
        sqlx::query(plain).bind(report).bind(id).execute(&mut conn).await.unwrap();
    }
    conn.close().await.unwrap();
    for (packed, plain) in packed.iter().zip(look().await) {
        assert_eq!(packed, &plain);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn without_a_session_there_is_no_order_to_see() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    for path in ["/queue", "/queue/events", &format!("/queue/{item}"), "/queue/nothing"] {
        let said = s.get(path, "").await;
        assert_eq!(said.status, 303, "{path}");
        let to = said.header("location").unwrap();
        assert!(to.starts_with("/sign-in?next="), "{to}");
        for cookie in ["gate-session=x", "gate-session=", "__Host-gate-session=x"] {
            assert_eq!(s.get(path, cookie).await.status, 303, "{path} {cookie}");
        }
    }
    let said = s.act(&item, "", &[("act", "take")]).await;
    assert_eq!(said.status, 403);
    // Pages that show nothing of a person are open where callers are not told apart.
    for path in ["/try", "/rules", "/rules/CON-03", "/state", "/keys", "/", "/sign-in"] {
        let said = s.get(path, "").await;
        assert_eq!(said.status, 200, "{path}");
        assert!(!said.body.contains(&item), "{path}");
        assert_eq!(said.header("cache-control"), Some("no-store"), "{path}");
        assert!(said.header("content-security-policy").unwrap().contains("default-src 'none'"), "{path}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn signing_in_goes_to_a_page_of_this_service_and_nowhere_else() {
    let s = service(&[]).await;
    for (next, goes) in [
        ("/queue?lane=all", "/queue?lane=all"),
        ("//evil.example", "/queue"),
        ("https://evil.example", "/queue"),
        ("/\\evil.example", "/queue"),
        ("/a\r\nset-cookie: x=1", "/queue"),
        ("/sign-out", "/queue"),
        ("", "/queue"),
    ] {
        let fields = [("token", s.token.as_str()), ("person", "invented-1"), ("next", next)];
        let said = ask(s.here, "POST", "/sign-in", "", Some(&fields)).await;
        assert_eq!((said.status, said.header("location")), (303, Some(goes)), "{next:?}");
        let cookie = said.header("set-cookie").unwrap();
        assert!(
            cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict") && cookie.contains("Path=/"),
            "{cookie}"
        );
    }
    let said = ask(s.here, "POST", "/sign-in", "", Some(&[("token", "wrong"), ("person", "invented-1")])).await;
    assert_eq!(said.status, 401);
    assert!(said.header("set-cookie").is_none() && !said.body.contains(&s.token));
}

/// What each role may see and do; the page of the documentation holds what came of it.
#[tokio::test(flavor = "multi_thread")]
async fn every_role_and_every_page() {
    let orders = [sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")];
    let s = service_telling(&orders, None, vec![away("board")]).await;
    s.all_dead("board").await;
    let item = s.item().await;
    let mut page = String::from(
        "| role | list and orders | rules, service | decide | hand over | comment | send messages again, remove them |\n|---|---|---|---|---|---|---|\n",
    );
    for person in people::invented() {
        if ["invented-2", "invented-4"].contains(&person.id.as_str()) {
            continue;
        }
        let cookie = s.sign_in(&person.id).await;
        let list = s.get("/queue?lane=all", &cookie).await;
        let sees = person.job != Job::RuleOwner;
        assert_eq!(list.status, if sees { 200 } else { 403 }, "{}", person.name);
        assert_eq!(list.body.contains("demo-"), sees);
        let word = |yes: bool| if yes { "yes" } else { "no" };
        assert_eq!(s.get("/rules", &cookie).await.status, 200);
        assert_eq!(s.get("/state", &cookie).await.status, 200);
        let one = s.get(&format!("/queue/{item}"), &cookie).await;
        let (mut decide, mut over, mut comment) = (false, false, false);
        if sees {
            let (csrf, seen) = if one.body.contains("name=\"seen\"") {
                (hidden(&one.body, "csrf"), hidden(&one.body, "seen"))
            } else {
                (hidden(&one.body, "csrf"), "1".to_owned())
            };
            let lane = person.job.lane().map_or("pharmacist", |l| l.word());
            let with = |act, more: (&'static str, &'static str)| {
                let (csrf, seen) = (csrf.clone(), seen.clone());
                let (s, item, cookie) = (&s, &item, &cookie);
                async move {
                    let fields = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", lane), ("act", act), more];
                    s.act(item, cookie, &fields).await.status
                }
            };
            let statuses = [
                with("comment", ("text", "seen")).await,
                with("hand-over", ("to", if lane == "dietitian" { "invented-4" } else { "invented-2" })).await,
                with("accept", ("reason", "agreed-with-prescriber")).await,
            ];
            comment = statuses[0] == 303;
            over = statuses[1] == 303;
            // Handed to another a moment ago, so a conflict for whoever may decide.
            decide = statuses[2] == 409;
            assert!(statuses.iter().all(|status| [303, 403, 409].contains(status)), "{} {statuses:?}", person.name);
            // Given back for the next.
            if over {
                let back = s.sign_in(if lane == "dietitian" { "invented-4" } else { "invented-2" }).await;
                let one = s.get(&format!("/queue/{item}"), &back).await;
                let (csrf, seen) = (hidden(&one.body, "csrf"), hidden(&one.body, "seen"));
                let fields = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", lane), ("act", "give-back")];
                assert_eq!(s.act(&item, &back, &fields).await.status, 303);
            }
        } else {
            assert_eq!(one.status, 403);
        }
        // Every route of messages that did not arrive.
        let csrf = hidden(&s.get("/state", &cookie).await.body, "csrf");
        assert_eq!(s.get("/state/letters/board", &cookie).await.status, 200);
        let (at, remove) = ("/state/letters/board", "/state/letters/board/discard");
        let form = [("csrf", csrf.as_str()), ("number", "4711"), ("until", "1")];
        let statuses = [
            s.get(remove, &cookie).await.status,
            ask(s.here, "POST", at, &cookie, Some(&form)).await.status,
            ask(s.here, "POST", remove, &cookie, Some(&form)).await.status,
        ];
        let messages = person.job == Job::Admin;
        // There is no message of that number.
        assert_eq!(statuses, if messages { [200, 409, 409] } else { [403, 403, 403] }, "{}", person.name);
        page.push_str(&format!(
            "| {} | {} | yes | {} | {} | {} | {} |\n",
            person.job.words(),
            word(sees),
            word(decide),
            word(over),
            word(comment),
            word(messages)
        ));
    }
    let file = concat!(env!("CARGO_MANIFEST_DIR"), "/docs/queue-pages.md");
    let text = std::fs::read_to_string(file).unwrap();
    let (before, rest) = text.split_once("<!-- roles -->\n").unwrap();
    let (_, after) = rest.split_once("<!-- end of roles -->").unwrap();
    let fresh = format!("{before}<!-- roles -->\n{page}<!-- end of roles -->{after}");
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(file, &fresh).unwrap();
    }
    assert_eq!(std::fs::read_to_string(file).unwrap(), fresh, "stale: UPDATE=1 cargo test --test pages");
}

/// Whoever runs the ward takes an order from one and gives it to another, in either lane.
#[tokio::test(flavor = "multi_thread")]
async fn a_coordinator_gives_back_and_hands_over_in_both_lanes() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let path = format!("/queue/{item}");
    let people = people::invented();
    let of = |job: Job| people.iter().find(|p| p.job == job).unwrap();
    let lead = s.sign_in(&of(Job::Admin).id).await;
    for job in [Job::Pharmacist, Job::Dietitian] {
        let (own, lane) = (s.sign_in(&of(job).id).await, job.lane().unwrap());
        let page = s.get(&path, &own).await.body;
        let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
        let form = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", lane.word()), ("act", "take")];
        assert_eq!(s.act(&item, &own, &form).await.status, 303);
    }
    for job in [Job::Dietitian, Job::Pharmacist] {
        let (who, lane) = (of(job), job.lane().unwrap());
        let page = s.get(&path, &lead).await.body;
        let button = format!("Give it back for {}", who.name);
        let form =
            page.split("<form").find(|form| form.contains(&button)).unwrap_or_else(|| panic!("{button}: {page}"));
        let act = format!("give-back.{}", lane.word());
        assert!(form.contains(&format!("name=\"act\" value=\"{act}\">{button}</button>")), "{page}");
        // To somebody of each lane, whoever holds it now.
        let over = page.split("<select").find(|list| list.contains("id=\"to\"")).unwrap();
        for other in people.iter().filter(|p| p.job.lane().is_some()) {
            assert!(over.contains(&format!("value=\"{}\"", other.id)), "{}", other.name);
        }
        let fields = [
            ("csrf", hidden(form, "csrf")),
            ("seen", hidden(form, "seen")),
            ("lane", hidden(form, "lane")),
            ("command", hidden(form, "command")),
            ("act", act),
        ];
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
        assert_eq!(s.act(&item, &lead, &fields).await.status, 303);
        let page = s.get(&format!("{path}?done=give-back"), &lead).await.body;
        assert!(!page.contains(&button) && page.contains("The order was given back."), "{page}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_state_is_asked_for_in_both_lanes_too() {
    let s = service(&[sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")]).await;
    let item = s.item().await;
    let own = s.sign_in("invented-1").await;
    let page = s.get(&format!("/queue/{item}"), &own).await.body;
    let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
    let form = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "pharmacist"), ("act", "take")];
    assert_eq!(s.act(&item, &own, &form).await.status, 303);
    for (lane, state, found) in [
        ("all", "taken", 1),
        ("pharmacist", "taken", 1),
        ("dietitian", "taken", 0),
        ("all", "asked", 0),
        ("all", "decided", 0),
        ("all", "waiting", 2),
        ("all", "all", 2),
    ] {
        let body = s.get(&format!("/queue?lane={lane}&state={state}"), &own).await.body;
        assert_eq!(body.matches("href=\"/queue/").count(), found, "{lane} {state}: {body}");
    }
}

/// Somebody on the telephone says a name and a record number: both find the order, and both stand on the list and on it.
#[tokio::test(flavor = "multi_thread")]
async fn a_patient_is_found_by_name_and_record_number() {
    let mut bundle: serde_json::Value = serde_json::from_str(sample("demo-8-hold-in-text")).unwrap();
    let entries = bundle["entry"].as_array_mut().unwrap();
    let of = |entries: &mut Vec<serde_json::Value>, kind: &str| {
        entries.iter().position(|entry| entry["resource"]["resourceType"] == kind).unwrap()
    };
    let order = of(entries, "NutritionOrder");
    entries[order]["resource"]["patient"]["identifier"] = serde_json::json!({"value": "MRN-4711"});
    let s = service(&[&bundle.to_string(), sample("demo-4-jejunal-bolus")]).await;
    let own = s.sign_in("invented-1").await;
    for (words, found) in [
        ("harald", 1),
        ("MRN-4711", 1),
        ("mrn-4711+HARALD", 1),
        ("1958-12-24", 1),
        ("24+dec+1958", 1),
        ("24.12.1958", 1),
        ("24/12/1958+harald", 1),
        ("12/24/1958", 1),
        ("24.12.1959", 0),
        ("12.24.1958", 0),
        ("Invented", 2),
        ("MRN-4712", 0),
        ("Patient/demo-8", 1),
    ] {
        let body = s.get(&format!("/queue?lane=all&q={words}"), &own).await.body;
        assert_eq!(body.matches("href=\"/queue/").count(), found, "{words}: {body}");
    }
    let list = s.get("/queue?lane=all&q=harald", &own).await.body;
    assert!(list.contains("Harald Invented, born 24 Dec 1958, MRN-4711</strong>"), "{list}");
    assert!(list.contains("Patient/demo-8"), "{list}");
    let path = format!("/queue/{}", list.split("href=\"/queue/").nth(1).unwrap().split('"').next().unwrap());
    let page = s.get(&path, &own).await.body;
    for (name, value) in [("Born", "24 Dec 1958"), ("Identifier", "MRN-4711"), ("Reference", "Patient/demo-8")] {
        assert!(page.contains(&format!("<dt>{name}</dt><dd>{value}</dd>")), "{name}: {page}");
    }
    // What was not sent is said.
    let list = s.get("/queue?lane=all&q=jejunal", &own).await.body;
    let path = format!("/queue/{}", list.split("href=\"/queue/").nth(1).unwrap().split('"').next().unwrap());
    assert!(s.get(&path, &own).await.body.contains("<dt>Identifier</dt><dd>not sent</dd>"));
    // Of what an earlier program kept the reference is known, and the page says nothing of the rest.
    s.sql("UPDATE items SET state = json_remove(state, '$.identity') RETURNING id").await;
    let list = s.get("/queue?lane=all", &own).await.body;
    assert!(list.contains("Patient/demo-8") && !list.contains("class=\"person\""), "{list}");
    let page = s.get(&path, &own).await.body;
    assert!(page.contains("<dt>Reference</dt>") && !page.contains("<dt>Born</dt>"), "{page}");
}

/// A value that is none of those that can be asked for is named; what is in effect stays to be seen.
#[tokio::test(flavor = "multi_thread")]
async fn filters_that_are_not_understood_are_named() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let own = s.sign_in("invented-1").await;
    for (name, value) in [
        ("tier", "stop"),
        ("state", "foo"),
        ("waits", "abc"),
        ("starts", "abc"),
        ("lane", "ward"),
        ("unchecked", "yes"),
        ("mine", "true"),
        ("tier", "<b>x</b>"),
    ] {
        let body = s.get(&format!("/queue?{name}={}", value.replace('<', "%3C").replace('>', "%3E")), &own).await.body;
        let shown = value.replace('<', "&#60;").replace('>', "&#62;");
        assert!(body.contains(&format!("Not understood, and not looked for: {name}={shown}.")), "{name}: {body}");
    }
    let both = s.get("/queue?tier=stop&state=foo&lane=all", &own).await.body;
    assert!(both.contains("not looked for: state=foo, tier=stop."), "{both}");
    for query in ["", "?tier=STOP&state=all&waits=15&starts=began&lane=all&unchecked=1&mine=1", "?tier=&waits="] {
        let body = s.get(&format!("/queue{query}"), &own).await.body;
        assert!(!body.contains("Not understood"), "{query}: {body}");
    }
}

/// What somebody may do is never guessed.
#[tokio::test(flavor = "multi_thread")]
async fn nobody_signs_in_without_a_job_that_there_is() {
    let kept = Folder::new();
    let store = Arc::new(SqlStore::sqlite(&kept.0.join("queue.sqlite"), Policy::default()).await.unwrap());
    let (people, token) = People::with_token(Vec::new(), false);
    let doors = Doors { people: Some(Arc::new(people)), store: Some(store.clone()), ..Doors::default() };
    let app = App::behind(doors, Arc::new(Core::new(formulary())), Settings::default(), Limits::default());
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = listener.local_addr().unwrap();
    tokio::spawn(server::serve(listener, app, std::future::pending()));
    let own = [("token", token.as_str()), ("name", "Invented Ann")];
    for job in [None, Some(""), Some("king"), Some("NURSE")] {
        let fields: Vec<(&str, &str)> = own.into_iter().chain(job.map(|job| ("job", job))).collect();
        let said = ask(here, "POST", "/sign-in", "", Some(&fields)).await;
        assert_eq!((said.status, said.header("set-cookie")), (400, None), "{job:?}");
        assert!(said.body.contains("(job)"), "{job:?}: {}", said.body);
    }
    for (job, ..) in Job::ALL {
        let word = Job::ALL.iter().find(|(own, ..)| *own == job).unwrap().1;
        let fields: Vec<(&str, &str)> = own.into_iter().chain([("job", word)]).collect();
        assert_eq!(ask(here, "POST", "/sign-in", "", Some(&fields)).await.status, 303, "{word}");
    }
    store.close().await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn filters_are_kept_under_a_name() {
    let s = service(&[sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")]).await;
    let (own, other) = (s.sign_in("invented-1").await, s.sign_in("invented-2").await);
    let plain = s.get("/queue", &own).await.body;
    assert!(!plain.contains("Keep these filters"), "nothing to keep without filters");
    let page = s.get("/queue?lane=all&tier=HIGH&q=a+%26+b&evil=1", &own).await.body;
    let (csrf, query) = (hidden(&page, "csrf"), hidden(&page, "query").replace("&amp;", "&").replace("&#38;", "&"));
    let post =
        async |cookie: &str, fields: &[(&str, &str)]| ask(s.here, "POST", "/queue/views", cookie, Some(fields)).await;
    let keep = [("csrf", csrf.as_str()), ("query", &query), ("name", " <b>Grave</b> & mine "), ("act", "keep")];
    for (spoiled, with, status) in [
        ("csrf", "of another", 403),
        ("name", "  ", 422),
        ("name", "a\nb", 422),
        ("name", &"n".repeat(41), 422),
        ("act", "drop", 400),
    ] {
        let fields = keep.map(|(name, value)| (name, if name == spoiled { with } else { value }));
        assert_eq!(post(&own, &fields).await.status, status, "{spoiled} {with:?}");
    }
    let done = post(&own, &keep).await;
    assert_eq!(done.status, 303);
    let to = done.header("location").unwrap().to_owned();
    assert_eq!(to, "/queue?lane=all&state=waiting&tier=HIGH&q=a+%26+b");
    let page = s.get(&to, &own).await.body;
    assert!(
        page.contains("aria-label=\"Your views\"") && page.contains("&#60;b&#62;Grave&#60;/b&#62; &#38; mine</a>"),
        "{page}"
    );
    assert!(page.contains("Remove the view"), "{page}");
    assert!(!s.get("/queue", &other).await.body.contains("Your views"), "views are of one person");
    let remove = keep.map(|(name, value)| (name, if name == "act" { "remove" } else { value }));
    assert_eq!(post(&own, &remove).await.status, 303);
    assert!(!s.get(&to, &own).await.body.contains("Your views"));
}

#[derive(Clone, Default)]
struct Lines(Arc<Mutex<Vec<u8>>>, Arc<AtomicBool>);

impl trail::Store for Lines {
    fn ready(&mut self) -> std::io::Result<()> {
        if self.1.load(Ordering::Relaxed) { Err(std::io::ErrorKind::StorageFull.into()) } else { Ok(()) }
    }

    fn append(&mut self, bytes: &[u8]) -> Result<(), (usize, std::io::Error)> {
        self.0.lock().unwrap().extend_from_slice(bytes);
        Ok(())
    }

    fn sync(&mut self) -> std::io::Result<()> {
        Ok(())
    }
}

/// Signing in and out, and reading the queue as another system does, are in the audit trail; what an order holds is not.
#[tokio::test(flavor = "multi_thread")]
async fn who_signed_in_and_what_was_read_is_in_the_audit_trail() {
    let lines = Lines::default();
    let kept = Trail::start(lines.clone(), Found::default(), Bounds::default(), Vec::new()).unwrap();
    let s = service_with(&[sample("demo-5-steps-over-cap")], Some(kept.clone())).await;
    let item = s.item().await;
    let wrong = [("token", "wrong"), ("person", "invented-1")];
    assert_eq!(ask(s.here, "POST", "/sign-in", "", Some(&wrong)).await.status, 401);
    let cookie = s.sign_in("invented-1").await;
    let host = s.here.to_string();
    let asked = s.store.get(ItemId::read(&item).unwrap()).await.unwrap().unwrap().summary;
    let lane = Lane::ALL.into_iter().find(|lane| asked.task(*lane, Timestamp::now()).is_some()).unwrap().word();
    for (path, status) in [
        ("/fhir/R4/Task".to_owned(), 200),
        (format!("/fhir/R5/Task/{item}-{lane}"), 200),
        ("/fhir/R4/Task/invented".to_owned(), 404),
        ("/fhir/R4/DetectedIssue".to_owned(), 200),
        (format!("/fhir/R4/DetectedIssue/{item}-1"), 200),
    ] {
        let said = reqwest::get(format!("http://{host}{path}")).await.unwrap();
        assert_eq!(said.status().as_u16(), status, "{path}");
    }
    let page = s.get("/queue", &cookie).await.body;
    let out = ask(s.here, "POST", "/sign-out", &cookie, Some(&[("csrf", &hidden(&page, "csrf"))])).await;
    assert_eq!(out.status, 303);
    kept.close();
    let text = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    let told: Vec<_> = text
        .lines()
        .map(|line| {
            let entry = &serde_json::from_str::<serde_json::Value>(line).unwrap()["entry"];
            let word = |value: &serde_json::Value| value.as_str().unwrap_or("-").to_owned();
            let (on, outcome) = (&entry["on"], &entry["outcome"]);
            let what = [&entry["action"], &on["route"], &outcome["result"], &outcome["reason"], &on["item"]];
            let who = [&entry["who"]["kind"], &entry["who"]["reference"]];
            what.into_iter().chain(who).map(word).collect::<Vec<_>>().join(" ")
        })
        .collect();
    assert_eq!(
        told,
        [
            "sign-in /sign-in refused wrong-token - anyone -".to_owned(),
            "sign-in /sign-in answered - - person invented-1".to_owned(),
            "search /fhir/{version}/Task answered - - anyone -".to_owned(),
            format!("read /fhir/{{version}}/Task/{{id}} answered - {item} anyone -"),
            "read /fhir/{version}/Task/{id} refused not-found - anyone -".to_owned(),
            "search /fhir/{version}/DetectedIssue answered - - anyone -".to_owned(),
            format!("read /fhir/{{version}}/DetectedIssue/{{id}} answered - {item} anyone -"),
            "orders-shown /queue answered - - person invented-1".to_owned(),
            "sign-out /sign-out answered - - person invented-1".to_owned(),
            "stopped - done - - program -".to_owned(),
        ]
    );
    assert!(!text.contains("demo-5") && !text.contains("Petra"), "{text}");
}

/// Who was shown which orders in a list is noted before it is shown, and what was searched for is not; without a note nothing is shown.
#[tokio::test(flavor = "multi_thread")]
async fn who_was_shown_which_list_is_in_the_audit_trail() {
    let lines = Lines::default();
    let bounds = Bounds { again: Duration::from_millis(5), ..Bounds::default() };
    let kept = Trail::start(lines.clone(), Found::default(), bounds, Vec::new()).unwrap();
    let orders = [sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus"), sample("demo-8-hold-in-text")];
    let s = service_with(&orders, Some(kept.clone())).await;
    let me = s.sign_in("invented-1").await;
    let entries = || -> Vec<serde_json::Value> {
        let text = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
        let all = text.lines().map(|line| serde_json::from_str::<serde_json::Value>(line).unwrap()["entry"].clone());
        all.filter(|entry| entry["action"] == "orders-shown").collect()
    };
    let ids = |page: &str| -> Vec<String> {
        let rows = page.split("class=\"open\" href=\"/queue/").skip(1);
        rows.map(|row| row.split('"').next().unwrap().to_owned()).collect()
    };
    let all = s.get("/queue?lane=all", &me).await.body;
    assert_eq!(ids(&all).len(), 3, "{all}");
    // The entry is there when the answer is.
    let told = entries();
    assert_eq!(told.len(), 1);
    assert_eq!(told[0]["on"]["items"], serde_json::json!(ids(&all)));
    assert_eq!(told[0]["who"], serde_json::json!({"kind": "person", "reference": "invented-1"}));
    assert_eq!((&told[0]["on"]["route"], &told[0]["outcome"]["count"]), (&"/queue".into(), &3.into()));
    // Of the filters the words of the program; of a text that there is one, and the hash of them all.
    let found = s.get("/queue?lane=all&tier=grave&q=Harald+1958-12-24&ward=Invented+ward&mine=1", &me).await.body;
    let last = entries().pop().unwrap();
    let asked = serde_json::json!({"lane": "all", "state": "waiting", "tier": "grave", "q": "given", "ward": "given", "mine": "yes"});
    assert_eq!(last["on"]["asked"], asked);
    assert_eq!(last["on"].get("items").is_none(), ids(&found).is_empty());
    use sha2::Digest;
    let filters = b"lane=all&state=waiting&tier=grave&ward=Invented+ward&q=Harald+1958-12-24&mine=1";
    let hash: String = sha2::Sha256::digest(filters).iter().map(|byte| format!("{byte:02x}")).collect();
    assert_eq!(last["on"]["content"], hash.as_str());
    // What is named above the list is shown as well: an order that left it.
    let before = s.get("/queue?lane=pharmacist", &me).await.body;
    let one = s.get("/queue?lane=all&q=harald", &me).await.body;
    let one = ids(&one).remove(0);
    let other = s.sign_in("invented-2").await;
    let page = s.get(&format!("/queue/{one}"), &other).await.body;
    let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
    let form = [
        ("csrf", csrf.as_str()),
        ("seen", &seen),
        ("lane", "pharmacist"),
        ("act", "accept"),
        ("reason", "suits-this-patient"),
    ];
    assert_eq!(s.act(&one, &other, &form).await.status, 303);
    let after = s.get(&again(&before), &me).await.body;
    assert!(!ids(&after).contains(&one) && after.contains(&format!("<li><a href=\"/queue/{one}\">")), "{after}");
    let last = entries().pop().unwrap();
    assert!(last["on"]["items"].as_array().unwrap().contains(&one.as_str().into()), "{last}");
    assert_eq!(last["on"]["asked"]["since"], "given");
    // A rule's page, with its latest orders; one that shows none has no entry, nor has a head alone.
    let noted = entries().len();
    let rule = s.get("/rules/CON-03", &me).await.body;
    assert!(rule.contains("Latest orders"), "{rule}");
    let last = entries().pop().unwrap();
    assert_eq!((&last["on"]["route"], &last["on"]["item"]), (&"/rules/{id}".into(), &"CON-03".into()));
    assert_eq!(last["on"]["items"].as_array().unwrap().len(), rule.matches("href=\"/queue/").count());
    assert!(!s.get("/rules/CON-03", "").await.body.contains("Latest orders"));
    assert_eq!(ask(s.here, "HEAD", "/queue?lane=all", &me, None).await.status, 200);
    assert_eq!(entries().len(), noted + 1);
    // It cannot be written: nothing of an order is shown in a list, and that is said.
    lines.1.store(true, Ordering::Relaxed);
    let not = s.get("/queue?lane=all", &me).await;
    assert_eq!(not.status, 503);
    assert!(not.body.contains("The list is not shown") && ids(&not.body).is_empty(), "{}", not.body);
    for text in ["Harald", "demo-5", "1958"] {
        assert!(!not.body.contains(text), "{text}: {}", not.body);
    }
    let rule = s.get("/rules/CON-03", &me).await;
    assert!(rule.status == 200 && !rule.body.contains("Latest orders"), "{}", rule.body);
    assert!(
        rule.body.contains("The latest orders are not shown now: the audit trail cannot be written."),
        "{}",
        rule.body
    );
    assert!(s.get("/state", &me).await.body.contains("NOT written since"));
    lines.1.store(false, Ordering::Relaxed);
    // What was not shown is not said to have been.
    let shown = async || {
        let page = s.get("/queue?lane=all", &me).await;
        (page.status == 200).then_some(page.body)
    };
    let mut page = shown().await;
    while page.is_none() {
        page = shown().await;
    }
    assert_eq!(entries().len(), noted + 2);
    assert!(s.get("/state", &me).await.body.contains("<td>kept</td>"));
    kept.close();
    let text = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    for word in ["Harald", "1958", "demo-", "Invented", "Petra"] {
        assert!(!text.contains(word), "{word}: {text}");
    }
    // Without an audit trail the pages say so.
    let s = service(&[]).await;
    let state = s.get("/state", "").await.body;
    assert!(state.contains("none (no --audit): who was shown lists of orders"), "{state}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_of_another_session_does_nothing() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let (me, other) = (s.sign_in("invented-1").await, s.sign_in("invented-2").await);
    let theirs = s.get(&format!("/queue/{item}"), &other).await;
    let (csrf, seen) = (hidden(&theirs.body, "csrf"), hidden(&theirs.body, "seen"));
    for csrf in [csrf.as_str(), "", "x"] {
        let said = s.act(&item, &me, &[("csrf", csrf), ("seen", &seen), ("lane", "pharmacist"), ("act", "take")]).await;
        assert_eq!(said.status, 403);
        let said = ask(s.here, "POST", "/sign-out", &me, Some(&[("csrf", csrf)])).await;
        assert_eq!(said.status, 403);
    }
    assert!(!s.get(&format!("/queue/{item}"), &me).await.body.contains("held by"));
    // A body that is no form is not read as one.
    let text = "POST /queue/x HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: text/plain\r\ncontent-length: 8\r\n\r\nact=take";
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream.write_all(text.replace("\r\n\r\n", &format!("\r\ncookie: {me}\r\n\r\n")).as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 415"), "{answer}");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_conflict_says_who_and_keeps_what_was_written() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let (first, second) = (s.sign_in("invented-1").await, s.sign_in("invented-2").await);
    let path = format!("/queue/{item}");
    let (a, b) = (s.get(&path, &first).await, s.get(&path, &second).await);
    let fields = |page: &Said| (hidden(&page.body, "csrf"), hidden(&page.body, "seen"));
    let (csrf, seen) = fields(&a);
    let taken =
        s.act(&item, &first, &[("csrf", &csrf), ("seen", &seen), ("lane", "pharmacist"), ("act", "take")]).await;
    assert_eq!(taken.header("location"), Some(format!("{path}?done=take").as_str()));
    let (csrf, seen) = fields(&b);
    let mine = "I called the ward <b>twice</b>";
    let form =
        [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "pharmacist"), ("act", "close-as-changed"), ("text", mine)];
    let said = s.act(&item, &second, &form).await;
    assert_eq!(said.status, 409);
    assert!(said.body.contains("Petra Probe") && said.body.contains("Nothing was done"), "{}", said.body);
    assert!(said.body.contains("I called the ward &#60;b&#62;twice"), "what was written is not lost");
    // The trail tells of the views and of what was done, in order.
    let trail = s.get(&path, &first).await.body;
    let (looked, took) = (trail.find("looked at").unwrap(), trail.find("taken (pharmacist)").unwrap());
    assert!(looked < took);
    // The same form sent twice is done once.
    let again = s.get(&path, &first).await;
    let (csrf, seen) = fields(&again);
    let command = hidden(&again.body, "command");
    let form = [
        ("csrf", csrf.as_str()),
        ("seen", &seen),
        ("lane", "pharmacist"),
        ("act", "comment"),
        ("text", "once"),
        ("command", &command),
    ];
    for _ in 0..2 {
        assert_eq!(s.act(&item, &first, &form).await.status, 303);
    }
    assert_eq!(s.get(&path, &first).await.body.matches("comment: once").count(), 1);
}

/// Whatever button is pressed, and whatever comes of it, what stands in the other boxes is not lost.
#[tokio::test(flavor = "multi_thread")]
async fn what_was_written_comes_back() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let path = format!("/queue/{item}");
    let (me, other) = (s.sign_in("invented-1").await, s.sign_in("invented-3").await);
    let first = s.get(&path, &me).await.body;
    assert_eq!(first.matches("<form").count(), 2, "one to sign out, one for the order: {first}");
    let of = |page: &str, act: &str, typed: &[(&str, &str)]| {
        let own =
            [("csrf", hidden(page, "csrf")), ("seen", hidden(page, "seen")), ("command", hidden(page, "command"))];
        let typed = typed.iter().map(|(name, value)| ((*name).to_owned(), (*value).to_owned()));
        let own = own.into_iter().map(|(name, value)| (name.to_owned(), value));
        let more = [("lane", "pharmacist"), ("act", act)].map(|(name, value)| (name.to_owned(), value.to_owned()));
        own.chain(more).chain(typed).collect::<Vec<_>>()
    };
    let post = async |cookie: &str, fields: Vec<(String, String)>| {
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (name.as_str(), value.as_str())).collect();
        s.act(&item, cookie, &fields).await
    };
    let box_of = |page: &str, name: &str| {
        let from = page.split(&format!("name=\"{name}-text\"")).nth(1).unwrap_or_else(|| panic!("no {name}: {page}"));
        let text = from.split('>').nth(1).unwrap();
        text.split('<').next().unwrap().to_owned()
    };
    let picked = |page: &str, what: &str| page.contains(&format!("<option value=\"{what}\" selected>"));
    let typed = [
        ("reason", "does-not-apply"),
        ("accept-text", "Seen at the bedside"),
        ("ask-prescriber-text", "Is 90 mL/h meant?\r\n<b>Really</b>"),
        ("minutes", "240"),
        ("snooze-text", "Result expected"),
        ("comment-text", "Ward knows"),
    ];
    // Taken: the boxes are as they were.
    let taken = post(&me, of(&first, "take", &typed)).await;
    assert_eq!(taken.status, 200);
    assert!(taken.body.contains("You hold this order now."), "{}", taken.body);
    assert_eq!(box_of(&taken.body, "ask-prescriber"), "Is 90 mL/h meant?\n&#60;b&#62;Really&#60;/b&#62;");
    assert_eq!(box_of(&taken.body, "accept"), "Seen at the bedside");
    assert!(picked(&taken.body, "does-not-apply") && picked(&taken.body, "240"), "{}", taken.body);
    // The same sent again, as a browser does that loads the page again, is done once.
    assert_eq!(post(&me, of(&first, "take", &typed)).await.status, 200);
    // A comment is added, and only its box is empty.
    let said = post(&me, of(&taken.body, "comment", &typed)).await;
    assert!(said.status == 200 && said.body.contains("The comment was added."), "{}", said.body);
    assert_eq!(box_of(&said.body, "comment"), "");
    assert_eq!(box_of(&said.body, "snooze"), "Result expected");
    // What the other lane does is not in the way.
    let theirs = s.get(&path, &other).await.body;
    let mut take = of(&theirs, "take", &[]);
    take.retain(|(name, _)| name != "lane");
    take.push(("lane".to_owned(), "dietitian".to_owned()));
    assert_eq!(post(&other, take).await.status, 303);
    // Words are missing: said above the order, with everything that was written.
    let missing = post(&me, of(&said.body, "accept", &[("reason", "other"), typed[2]])).await;
    assert_eq!(missing.status, 422);
    assert!(missing.body.contains("needs words") && picked(&missing.body, "other"), "{}", missing.body);
    assert!(box_of(&missing.body, "ask-prescriber").starts_with("Is 90"));
    assert_eq!(hidden(&missing.body, "seen"), hidden(&said.body, "seen"), "what else happened was not looked at");
    // Shown again as it is now, with what was written, and nothing is done.
    let looked = post(&me, of(&said.body, "look", &typed)).await;
    assert_eq!((looked.status, box_of(&looked.body, "comment").as_str()), (200, "Ward knows"));
    assert!(looked.body.contains("Dietitian:</strong> held by"), "{}", looked.body);
    // Decided: what belongs to boxes that are gone is shown beside.
    let done = post(&me, of(&looked.body, "accept", &typed)).await;
    assert!(done.status == 200 && done.body.contains("The decision was recorded: the order is left"), "{}", done.body);
    assert!(done.body.contains("What you wrote and was not sent:") && done.body.contains("Result expected"));
    assert_eq!(box_of(&done.body, "comment"), "Ward knows");
    // Nothing else was written: to the order's own address, as ever.
    assert_eq!(post(&me, of(&done.body, "comment", &[("comment-text", "once")])).await.status, 303);
    // The session is over, or it is another's: the text is shown, and nothing is done.
    let before = s.store.trail(ItemId::read(&item).unwrap()).await.unwrap().len();
    let over = post("", of(&done.body, "reopen", &[("reopen-text", "Wrong <i>order</i>"), typed[5]])).await;
    assert_eq!(over.status, 403);
    for text in ["Nothing was done", "Wrong &#60;i&#62;order", "Ward knows", &format!("next=%2Fqueue%2F{item}")] {
        assert!(over.body.contains(text), "{text}: {}", over.body);
    }
    let another = post(&other, of(&done.body, "reopen", &[("reopen-text", "Wrong order")])).await;
    assert!(another.status == 403 && another.body.contains("<p>Wrong order</p>"), "{}", another.body);
    assert_eq!(s.store.trail(ItemId::read(&item).unwrap()).await.unwrap().len(), before);
    // Elsewhere nothing that was sent is shown.
    let elsewhere = ask(s.here, "POST", "/state/letters/x", "", Some(&[("text", "Not to be shown")])).await;
    assert!(elsewhere.status == 403 && !elsewhere.body.contains("Not to be shown"));
}

/// Whoever reads from top to bottom, on a telephone, on paper or by ear, comes to the findings before deciding (WCAG 1.3.2).
#[tokio::test(flavor = "multi_thread")]
async fn the_findings_come_before_the_decision() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let me = s.sign_in("invented-1").await;
    let page = s.get(&format!("/queue/{}", s.item().await), &me).await.body;
    let at = |text: &str| page.find(text).unwrap_or_else(|| panic!("no {text}: {page}"));
    let places = ["<h3>The order in words</h3>", "<h3>Found</h3>", "<h3>Not checked</h3>", "<h3>Decide</h3>"].map(at);
    assert!(places.is_sorted(), "{places:?}");
}

/// What was asked and said stands where people decide, times are the institution's, and looking again fills no page.
#[tokio::test(flavor = "multi_thread")]
async fn what_was_asked_and_said_stands_by_the_decision() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let path = format!("/queue/{item}");
    let (me, other) = (s.sign_in("invented-1").await, s.sign_in("invented-2").await);
    let act = async |cookie: &str, act: &str, more: &[(&str, &str)]| {
        let page = s.get(&path, cookie).await.body;
        let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
        let own = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "pharmacist"), ("act", act)];
        let fields: Vec<(&str, &str)> = own.into_iter().chain(more.iter().copied()).collect();
        assert_eq!(s.act(&item, cookie, &fields).await.status, 303, "{act}");
        s.get(&path, cookie).await.body
    };
    let decide = |page: &str| page.split("<h3>Decide</h3>").nth(1).unwrap().split("<form").next().unwrap().to_owned();
    let page = act(&me, "ask-prescriber", &[("text", "Is the last step meant?")]).await;
    assert!(decide(&page).contains("Pharmacist:</strong> prescriber asked by Petra Probe"), "{page}");
    assert!(decide(&page).contains("<p>Is the last step meant?</p>"), "{page}");
    let page = act(&me, "snooze", &[("minutes", "60"), ("text", "Result expected")]).await;
    assert!(decide(&page).contains("<p>Result expected</p>") && !decide(&page).contains("last step"), "{page}");
    // The trail says until when as the rest of the page does, and not to the nanosecond.
    let summary = s.store.get(ItemId::read(&item).unwrap()).await.unwrap().unwrap().summary;
    let until = summary.pharmacist.state.until().unwrap();
    let until =
        enteral_gate::sheet::moment(&Settings::default().zone, enteral_gate::exact::Exact::int(until.as_second()));
    assert!(page.contains(&format!("put off until {until}: Result expected (pharmacist)")), "{until}: {page}");
    let page = act(&me, "hand-over", &[("to", "invented-2"), ("text", "Ward calls back at noon")]).await;
    assert!(decide(&page).contains("<p>Petra Probe, handing it over: Ward calls back at noon</p>"), "{page}");
    let page = act(&other, "comment", &[("text", "No call so far")]).await;
    let page = format!("{page}{}", act(&me, "comment", &[("text", "Called again")]).await);
    let last = decide(page.rsplit("<main").next().unwrap());
    let (again, first) = (last.find("<p>Called again</p>").unwrap(), last.find("<p>No call so far</p>").unwrap());
    assert!(again < first && last.contains("<footer>Paul Muster, "), "the last first: {last}");
    let page = act(&other, "close-as-changed", &[("text", "Last step left out")]).await;
    assert!(decide(&page).contains("<p>Last step left out</p>") && !decide(&page).contains("handing"), "{page}");
    // Everything that one person looked at in a row is one line; the record has each.
    let lines = |page: &str, name: &str| {
        let trail = page.split("<ol class=\"trail\">").nth(1).unwrap();
        let looks = |line: &&str| line.contains(&format!("<strong>{name}</strong>")) && line.contains("looked at it");
        trail.split("<li>").filter(looks).map(str::to_owned).collect::<Vec<_>>()
    };
    let before = lines(&page, "Paul Muster").len();
    for _ in 0..5 {
        s.get(&path, &other).await;
    }
    let page = s.get(&path, &other).await.body;
    let after = lines(&page, "Paul Muster");
    assert_eq!(after.len(), before, "{after:?}");
    assert!(after.last().unwrap().contains("looked at it, 8 times until "), "{after:?}");
    let page = s.get(&path, &me).await.body;
    assert_eq!(lines(&page, "Paul Muster"), after, "somebody else in between");
    let looks = s.store.trail(ItemId::read(&item).unwrap()).await.unwrap();
    assert!(looks.iter().filter(|entry| entry.what.word() == "viewed").count() >= 15);
}

/// An order that was not read is shown as it was sent, and nothing is said of what it gives.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_that_was_not_read_is_said_to_be_that() {
    let s = service(&[]).await;
    let body = include_str!("hooks/requests/draft-of-another-patient.json");
    let head = format!(
        "POST /cds-services/tube-feeding-order-sign HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {}\r\n\r\n",
        body.len()
    );
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream.write_all((head + body).as_bytes()).await.unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).await.unwrap();
    assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("enteral-gate-queue: recorded"), "{answer}");
    let me = s.sign_in("invented-1").await;
    let list = s.get("/queue?lane=all&state=waiting", &me).await;
    assert_eq!(list.status, 200);
    let page = s.get(&format!("/queue/{}", s.item().await), &me).await.body;
    for said in [
        "What it gives was not worked out: read the order itself.",
        "No rule is recorded as judged.",
        "It is for another patient than the one the request was about, Patient/invented-1.",
        "The whole order, for this reason:",
        "<h2>The order as it was sent</h2>",
        "&quot;reference&quot;: &quot;Patient/invented-2&quot;",
        // The way back leads to the list that was looked at.
        "<a id=\"back\" href=\"/queue?lane=all",
    ] {
        assert!(page.replace("&#34;", "&quot;").contains(said), "{said}: {page}");
    }
    for wrong in ["It names nothing that is given by tube", "No NutritionOrder was found", "0 of 0", "0 rules"] {
        assert!(!page.contains(wrong), "{wrong}");
    }
}

/// What rules found is told beside them, and which find nothing.
#[tokio::test(flavor = "multi_thread")]
async fn rules_are_listed_with_what_they_found() {
    let s = service(&[sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")]).await;
    let me = s.sign_in("invented-1").await;
    let page = s.get("/rules", &me).await.body;
    assert!(page.contains("orders on the queue of the last 28 days") && !page.contains("silent for"), "{page}");
    let row = |id: &str| {
        let from = page.find(&format!("/rules/{id}\"")).unwrap();
        page[from..].split("</tr>").next().unwrap().to_owned()
    };
    // Of a rule that one of the orders breaks, and of one that neither does.
    assert!(row("CON-03").contains("<td>1</td>"), "{}", row("CON-03"));
    assert!(row("RTE-06").contains("<td>0</td>"), "{}", row("RTE-06"));
    let one = s.get("/rules/CON-03", &me).await.body;
    let today = TimeZone::UTC.to_datetime(Timestamp::now()).date();
    assert!(one.contains(&format!("last found something</th><td>{today}</td>")), "{one}");
    // The latest orders in which it found something, for whoever may see orders: a link, the name, when it was received.
    let broken: Vec<ItemId> =
        s.sql("SELECT id FROM items ORDER BY id").await.iter().map(|id| ItemId::read(id).unwrap()).collect();
    let mut with = 0;
    let latest = one.split("<h3>Latest orders</h3>").nth(1).unwrap_or_else(|| panic!("{one}"));
    let latest = latest.split("</ul>").next().unwrap();
    for id in broken {
        let summary = s.store.get(id.clone()).await.unwrap().unwrap().summary;
        let found = summary.rules.iter().any(|rule| rule == "CON-03");
        let line = format!("<li><a href=\"/queue/{id}\">{}</a>, received ", summary.label);
        assert_eq!(latest.contains(&line), found, "{id}: {latest}");
        with += usize::from(found);
    }
    assert_eq!((with, latest.matches("<li>").count()), (1, 1), "{latest}");
    for cookie in ["", &s.sign_in("invented-7").await] {
        let page = s.get("/rules/CON-03", cookie).await.body;
        assert!(!page.contains("Latest orders") && !page.contains("href=\"/queue/"), "{page}");
    }
}

/// Above the list stands what could not be judged today, by the names of rules and with how many orders.
#[tokio::test(flavor = "multi_thread")]
async fn what_could_not_be_evaluated_today_is_named_above_the_list() {
    let told = async |orders: &[&str]| {
        let s = service(orders).await;
        let me = s.sign_in("invented-1").await;
        let list = s.get("/queue?lane=all", &me).await.body;
        let told = list.split("Not evaluated today (UTC)</span>").nth(1).expect("the banner tells it");
        told.split("</span>").next().unwrap().trim().to_owned()
    };
    assert_eq!(told(&[]).await, "nothing of what is on the queue");
    assert_eq!(told(&[sample("demo-9-no-density")]).await, "INT-06 of 1 order");
}

/// Whether a finding was worth its time is pressed on the order's page and counted on the rule's, once for each person.
#[tokio::test(flavor = "multi_thread")]
async fn what_people_think_of_a_finding_is_counted_at_its_rule() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let path = format!("/queue/{item}");
    let counted = async |cookie: &str| {
        let page = s.get("/rules/CON-03", cookie).await.body;
        let row =
            page.split("judged useful, not useful</th><td>").nth(1).unwrap_or_else(|| panic!("{page}")).to_owned();
        row.split('<').next().unwrap().to_owned()
    };
    let (first, second) = (s.sign_in("invented-1").await, s.sign_in("invented-3").await);
    assert_eq!(counted(&first).await, "0, 0");
    let press = async |cookie: &str, lane: &str, words: &str| {
        let page = s.get(&path, cookie).await.body;
        let button = format!(">CON-03 was {words}</button>");
        let before =
            page.split(&button).next().filter(|before| before.len() < page.len()).unwrap_or_else(|| panic!("{page}"));
        let act = before.rsplit("value=\"").next().unwrap().split('"').next().unwrap().to_owned();
        let (csrf, seen, command) = (hidden(&page, "csrf"), hidden(&page, "seen"), hidden(&page, "command"));
        let form = [("csrf", csrf.as_str()), ("seen", &seen), ("command", &command), ("lane", lane), ("act", &act)];
        let done = s.act(&item, cookie, &form).await;
        assert_eq!(done.status, 303, "{act}: {}", done.body);
        s.get(done.header("location").unwrap(), cookie).await.body
    };
    assert!(press(&first, "pharmacist", "useful").await.contains("Counted as useful."));
    assert_eq!(counted(&first).await, "1, 0");
    assert!(press(&second, "dietitian", "not useful").await.contains("Counted as not useful."));
    assert_eq!(counted(&first).await, "1, 1");
    // Somebody who thinks otherwise now is counted once.
    press(&first, "pharmacist", "not useful").await;
    assert_eq!(counted(&first).await, "0, 2");
    let list = s.get("/rules", &first).await.body;
    let row = list.split("/rules/CON-03\"").nth(1).unwrap().split("</tr>").next().unwrap();
    assert!(row.contains("useful 0, not useful 2"), "{row}");
}

/// A rule that found nothing for 90 days is said to be silent: that may be well, or it never sees its data.
#[tokio::test(flavor = "multi_thread")]
async fn a_rule_that_finds_nothing_for_long_is_said_to_be_silent() {
    let s = service(&[sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")]).await;
    let me = s.sign_in("invented-1").await;
    let today = Settings::default().zone.to_datetime(Timestamp::now()).date();
    let ago = |days: i64| today.checked_sub(jiff::Span::new().days(days)).unwrap();
    for (days, silent) in [(89, false), (90, true), (400, true)] {
        let day = ago(days);
        s.sql(&format!("UPDATE counts SET day = '{day}' WHERE rule = 'CON-03'")).await;
        let page = s.get("/rules", &me).await.body;
        let row =
            |id: &str| page.split(&format!("/rules/{id}\"")).nth(1).unwrap().split("</tr>").next().unwrap().to_owned();
        let words = format!("<small>silent for {days} days, since {day}</small>");
        assert_eq!(row("CON-03").contains(&words), silent, "{}", row("CON-03"));
        // Counting began then; another rule has found nothing in all that time, and one found something today.
        let never = format!("<small>silent in all the {days} days of counting</small>");
        assert_eq!(row("RTE-06").contains(&never), silent, "{}", row("RTE-06"));
        let fresh = s.sql(&format!("SELECT MIN(rule) FROM counts WHERE fate = 'fired' AND day > '{}'", ago(2))).await;
        assert!(!row(&fresh[0]).contains("silent"), "{}", row(&fresh[0]));
        let said = page.contains("silent: nothing found for 90 days or more");
        assert_eq!(said, silent, "{page}");
        if silent {
            let number = page.matches("<small>silent ").count();
            assert!(number > 1 && page.contains(&format!("{number} rules are silent")), "{number}: {page}");
        }
    }
}

/// A change that was put in and judged again stands by its finding, on the page of an order as it was recorded.
#[tokio::test(flavor = "multi_thread")]
async fn what_was_tried_stands_by_its_finding() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let me = s.sign_in("invented-1").await;
    let page = s.get(&format!("/queue/{}", s.item().await), &me).await.body;
    let finding = page.split("<div class=\"finding ").find(|one| one.contains("<strong>Tried:</strong>"));
    let finding = finding.unwrap_or_else(|| panic!("nothing was tried: {page}"));
    assert!(
        finding
            .contains("Judged again with nothing else changed: this finding is gone, and nothing as grave has come."),
        "{finding}"
    );
    assert!(finding.contains("<strong>Tried:</strong> Maximum volume 2160 mL."), "{finding}");
}

/// A rule is found however its id is typed, and what is in effect is shown as rulebooks write it.
#[tokio::test(flavor = "multi_thread")]
async fn a_rule_is_looked_for_in_large_and_small_letters_alike() {
    let s = service(&[sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")]).await;
    let me = s.sign_in("invented-1").await;
    let rule = s.store.get(ItemId::read(&s.item().await).unwrap()).await.unwrap().unwrap().summary.rules[0].clone();
    let found = async |typed: &str| {
        let body = s.get(&format!("/queue?lane=all&rule={typed}"), &me).await.body;
        (body.matches("href=\"/queue/").count(), body.contains(&format!("name=\"rule\" value=\"{rule}\"")))
    };
    let wanted = found(&rule).await;
    assert!(wanted.0 >= 1 && wanted.1, "{rule}");
    assert_eq!(found(&rule.to_lowercase()).await, wanted);
    let other = s.get("/queue?rule=gro-02B", &me).await.body;
    assert!(other.contains("name=\"rule\" value=\"GRO-02b\"") && other.contains("Nothing fits"), "{other}");
}

/// Whoever only reads is told so in plain English.
#[tokio::test(flavor = "multi_thread")]
async fn who_only_reads_is_told_so() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let path = format!("/queue/{}", s.item().await);
    for (person, words) in
        [("invented-8", "As an auditor you can read;"), ("invented-5", "As a prescriber you can read and comment;")]
    {
        let page = s.get(&path, &s.sign_in(person).await).await.body;
        assert!(page.contains(words), "{words}: {page}");
    }
}

/// What somebody put off stands behind what is free, says until when, and is not late; the other lane has it where it was.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_put_off_stands_behind_what_is_free() {
    let s = service(&[]).await;
    let ago = |minutes| Timestamp::now() - jiff::SignedDuration::from_mins(minutes);
    for (name, minutes) in [("demo-5-steps-over-cap", 600), ("demo-4-jejunal-bolus", 500)] {
        let mut orders = received(sample(name), FhirVersion::R4);
        orders.iter_mut().for_each(|order| order.at = ago(minutes));
        s.store.record(orders).await.unwrap();
    }
    let (me, other) = (s.sign_in("invented-1").await, s.sign_in("invented-3").await);
    let list = async |cookie: &str, query: &str| {
        let body = s.get(&format!("/queue?{query}"), cookie).await.body;
        let rows = body.split("<ol class=\"queue\">").nth(1).unwrap().split("</ol>").next().unwrap().to_owned();
        rows.split("<li>").skip(1).map(str::to_owned).collect::<Vec<_>>()
    };
    let id = |row: &String| row.split("href=\"/queue/").nth(1).unwrap().split('"').next().unwrap().to_owned();
    let before = list(&me, "lane=pharmacist").await;
    assert!(before.len() == 2 && before.iter().all(|row| row.contains("Late.")), "{before:?}");
    // Somebody of the other lane is at it as well.
    let page = s.get(&format!("/queue/{}", id(&before[0])), &other).await.body;
    let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
    let form = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "dietitian"), ("act", "take")];
    assert_eq!(s.act(&id(&before[0]), &other, &form).await.status, 303);
    let page = s.get(&format!("/queue/{}", id(&before[0])), &me).await.body;
    let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
    let form = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "pharmacist"), ("act", "snooze"), ("minutes", "60")];
    assert_eq!(s.act(&id(&before[0]), &me, &form).await.status, 303);
    let after = list(&me, "lane=pharmacist").await;
    assert_eq!(after.iter().map(id).collect::<Vec<_>>(), [id(&before[1]), id(&before[0])]);
    assert!(
        after[0].contains("Late.") && !after[1].contains("Late.") && after[1].contains("Put off until "),
        "{after:?}"
    );
    let page = s.get(&format!("/queue/{}", id(&before[0])), &me).await.body;
    let head = page.split("<article").next().unwrap();
    assert!(head.contains("Put off until ") && !head.contains("Late."), "{head}");
    // Nobody of the other lane put anything off, and on the list of both lanes it stands where it stood.
    for query in ["lane=dietitian", "lane=all"] {
        let theirs = list(&other, query).await;
        assert_eq!(id(&theirs[0]), id(&before[0]), "{query}");
        assert!(theirs.iter().all(|row| row.contains("Late.") && !row.contains("Put off until")), "{theirs:?}");
    }
}

/// A page has many forms; one of them sent first is not the other, and nothing is said to be done that was not.
#[tokio::test(flavor = "multi_thread")]
async fn another_form_of_the_same_page_is_another_command() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let me = s.sign_in("invented-1").await;
    let path = format!("/queue/{item}");
    const DECIDED: &str = "The decision was recorded: the order is left as it is.";
    assert!(!s.get(&format!("{path}?done=accept"), &me).await.body.contains(DECIDED));
    let page = s.get(&path, &me).await.body;
    let (csrf, seen, command) = (hidden(&page, "csrf"), hidden(&page, "seen"), hidden(&page, "command"));
    let form = |act: &'static str, more: (&'static str, &'static str)| {
        [("csrf", csrf.clone()), ("seen", seen.clone()), ("command", command.clone())]
            .into_iter()
            .chain([("lane", "pharmacist".to_owned()), ("act", act.to_owned()), (more.0, more.1.to_owned())])
            .collect::<Vec<_>>()
    };
    for fields in [form("comment", ("text", "first")), form("accept", ("reason", "suits-this-patient"))] {
        let fields: Vec<(&str, &str)> = fields.iter().map(|(name, value)| (*name, value.as_str())).collect();
        assert_eq!(s.act(&item, &me, &fields).await.status, 303);
    }
    let after = s.get(&format!("{path}?done=accept"), &me).await.body;
    assert!(after.contains(DECIDED) && after.contains("accepted as it is") && after.contains("comment: first"));
    assert!(!s.get(&format!("{path}?done=close-as-changed"), &me).await.body.contains("The decision was recorded"));
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_replaced_cannot_be_decided() {
    let text = sample("demo-5-steps-over-cap");
    let s = service(&[text]).await;
    let item = s.item().await;
    let me = s.sign_in("invented-1").await;
    let before = s.get(&format!("/queue/{item}"), &me).await;
    let (csrf, seen) = (hidden(&before.body, "csrf"), hidden(&before.body, "seen"));
    s.store.record(received(&text.replace("\"value\": 90", "\"value\": 95"), FhirVersion::R4)).await.unwrap();
    let form = [
        ("csrf", csrf.as_str()),
        ("seen", &seen),
        ("lane", "pharmacist"),
        ("act", "accept"),
        ("reason", "suits-this-patient"),
    ];
    let said = s.act(&item, &me, &form).await;
    assert_eq!(said.status, 409);
    assert!(said.body.contains("Go to what the order is now"));
    let old = s.get(&format!("/queue/{item}"), &me).await.body;
    assert!(old.contains("Not the order any more") && !old.contains("Accept with this reason"));
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_queue_says_since_when() {
    let s = service(&[]).await;
    let me = s.sign_in("invented-3").await;
    let page = s.get("/queue", &me).await.body;
    assert!(page.contains("No order has been received at all since"), "{page}");
    assert!(page.contains("none since") && page.contains("banner bad"));
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let me = s.sign_in("invented-1").await;
    let page = s.get("/queue?q=nothing-like-it", &me).await.body;
    assert!(page.contains("Nothing fits these filters"));
    assert!(page.contains("0 min ago") && !page.contains("orders may not be sent here"), "{page}");
}

/// How long ago the last order came is said, and marked when it is longer than the institution's time (a day).
#[tokio::test(flavor = "multi_thread")]
async fn a_queue_to_which_no_order_comes_any_more_is_marked() {
    for (minutes, ago, quiet) in
        [(23 * 60 + 30, "23 h 30 min ago", false), (24 * 60 + 30, "1 d ago", true), (76 * 60 + 30, "3 d 4 h ago", true)]
    {
        let s = service(&[]).await;
        let mut orders = received(sample("demo-5-steps-over-cap"), FhirVersion::R4);
        orders.iter_mut().for_each(|order| order.at = Timestamp::now() - jiff::SignedDuration::from_mins(minutes));
        s.store.record(orders).await.unwrap();
        let me = s.sign_in("invented-1").await;
        let of = |page: &str, what: &str| {
            let from = page.split(&format!("{what}</")).nth(1).unwrap_or_else(|| panic!("no {what}: {page}"));
            from.split("</").next().unwrap().to_owned()
        };
        let long = ": none for long, orders may not be sent here";
        let list = s.get("/queue?lane=all", &me).await.body;
        let banner = of(&list, "Last order received");
        assert!(banner.contains(ago) && banner.contains(long) == quiet, "{banner}");
        // On the page of the state its row is marked.
        let state = s.get("/state", &me).await.body;
        let row = state.split("<tr").find(|row| row.contains("Last order received")).unwrap();
        assert!(row.contains(ago) && row.contains(long) == quiet && row.contains("Look here") == quiet, "{row}");
        // Decided: nothing waits, and the empty list says it once more.
        let item = s.item().await;
        for (person, lane) in [("invented-1", "pharmacist"), ("invented-3", "dietitian")] {
            let who = s.sign_in(person).await;
            let page = s.get(&format!("/queue/{item}"), &who).await.body;
            let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
            let form = [
                ("csrf", csrf.as_str()),
                ("seen", &seen),
                ("lane", lane),
                ("act", "accept"),
                ("reason", "suits-this-patient"),
            ];
            s.act(&item, &who, &form).await;
        }
        let empty = s.get("/queue?lane=all", &me).await.body;
        let note = empty.split("No order waits for a decision here.").nth(1).unwrap_or_else(|| panic!("{empty}"));
        let note = note.split("</p>").next().unwrap();
        assert!(note.contains(ago) && note.contains("orders may not be sent here any more") == quiet, "{note}");
    }
}

/// Reads on until something was heard.
async fn listen(stream: &mut TcpStream, heard: &mut String, for_what: &str) {
    while !heard.contains(for_what) {
        let mut bytes = [0; 4096];
        let n = tokio::time::timeout(Duration::from_secs(20), stream.read(&mut bytes)).await.unwrap().unwrap();
        assert!(n > 0, "ended: {heard}");
        heard.push_str(std::str::from_utf8(&bytes[..n]).unwrap());
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn changes_arrive_while_looking() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let me = s.sign_in("invented-1").await;
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    stream
        .write_all(format!("GET /queue/events HTTP/1.1\r\nhost: x\r\ncookie: {me}\r\n\r\n").as_bytes())
        .await
        .unwrap();
    let mut heard = String::new();
    listen(&mut stream, &mut heard, "listening").await;
    assert!(heard.contains("text/event-stream") && heard.contains("no-store"), "{heard}");
    s.store.record(received(sample("demo-4-jejunal-bolus"), FhirVersion::R4)).await.unwrap();
    listen(&mut stream, &mut heard, "event: change").await;
    assert!(!heard.contains("demo-4"), "ids and versions, nothing of an order");
}

/// Whoever looks at one order hears of that one, and whether the change is one of their lane.
#[tokio::test(flavor = "multi_thread")]
async fn a_change_of_the_other_lane_is_told_apart() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let item = s.item().await;
    let (me, other) = (s.sign_in("invented-1").await, s.sign_in("invented-3").await);
    let mut stream = TcpStream::connect(s.here).await.unwrap();
    let ask = format!("GET /queue/events?item={item} HTTP/1.1\r\nhost: x\r\ncookie: {me}\r\n\r\n");
    stream.write_all(ask.as_bytes()).await.unwrap();
    let mut heard = String::new();
    listen(&mut stream, &mut heard, "listening").await;
    // Another order is no news here.
    s.store.record(received(sample("demo-4-jejunal-bolus"), FhirVersion::R4)).await.unwrap();
    let page = s.get(&format!("/queue/{item}"), &other).await.body;
    let (csrf, seen) = (hidden(&page, "csrf"), hidden(&page, "seen"));
    let form = [("csrf", csrf.as_str()), ("seen", &seen), ("lane", "dietitian"), ("act", "take")];
    assert_eq!(s.act(&item, &other, &form).await.status, 303);
    listen(&mut stream, &mut heard, "event: change").await;
    listen(&mut stream, &mut heard, "}").await;
    let data = heard.split("data: ").nth(1).unwrap().lines().next().unwrap();
    assert_eq!(data, format!("{{\"item\":\"{item}\",\"version\":2,\"judged\":1,\"pharmacist\":1,\"dietitian\":2}}"));
}

/// Strings that run, leave their cell or end a header where a page is careless; the browser's tests have the same.
fn hostile() -> Vec<String> {
    serde_json::from_str(include_str!("browser/hostile.json")).unwrap()
}

/// The page has exactly the tags that it has with harmless words in place of these.
fn tags(page: &str) -> Vec<String> {
    page.split('<').skip(1).map(|rest| rest.split([' ', '>', '\n']).next().unwrap().to_owned()).collect()
}

/// Every hostile string in every text of an order, in searches and in what people write: each page keeps its tags.
#[tokio::test(flavor = "multi_thread")]
async fn texts_of_others_stay_texts() {
    let all = hostile();
    assert!(all.len() >= 300, "{}", all.len());
    let s = service(&[]).await;
    let me = s.sign_in("invented-1").await;
    let page_of = |word: &str| {
        let quoted = |text: &str| serde_json::Value::from(text).to_string();
        let text = sample("demo-8-hold-in-text")
            .replace("\"Invented Standard 1.0 (A10)\"", &quoted(word))
            .replace("\"Invented\"", &quoted(word))
            .replace("\"Dr Invented\"", &quoted(word));
        let mut value: serde_json::Value = serde_json::from_str(&text).unwrap();
        for entry in value["entry"].as_array_mut().unwrap() {
            if entry["resource"]["resourceType"] == "NutritionOrder" {
                let order = &mut entry["resource"];
                order["patient"]["display"] = word.into();
                order["enteralFormula"]["administrationInstruction"] = word.into();
                order["enteralFormula"]["routeofAdministration"]["text"] = word.into();
                order["enteralFormula"]["baseFormulaProductName"] = word.into();
                order["encounter"] = serde_json::json!({"display": word});
            }
        }
        value.to_string()
    };
    let plain = ask(s.here, "POST", "/try", "", Some(&[("json", &page_of("harmless")), ("version", "R4")])).await;
    assert_eq!(plain.status, 200);
    let expected = tags(&plain.body);
    assert!(plain.body.matches("harmless").count() > 6, "the word stands in many places");
    let mut compared = 0;
    for (nth, word) in all.iter().enumerate() {
        let said = ask(s.here, "POST", "/try", "", Some(&[("json", &page_of(word)), ("version", "R4")])).await;
        assert_eq!(said.status, 200, "{word:?}");
        // Which findings there are may depend on the word (digits, times); none of it is a tag of its own.
        for tag in tags(&said.body) {
            assert!(
                expected.contains(&tag) || ["blockquote", "/blockquote", "strong", "/strong"].contains(&tag.as_str()),
                "{word:?} makes <{tag}"
            );
        }
        assert!(!said.body.contains("<script>") && !said.head.contains("ran=1") && said.header("x-ran").is_none());
        compared += 1;
        if nth % 4 != 0 {
            continue;
        }
        // In the queue: recorded, listed, searched for, opened, commented.
        let mut orders = received(&page_of(word), FhirVersion::R4);
        for order in &mut orders {
            order.key.order = format!("order-{nth}");
            order.label = word.clone();
            order.ward = Some(word.clone());
        }
        s.store.record(orders).await.unwrap();
        let query = form_urlencoded::Serializer::new(String::new())
            .append_pair("q", word)
            .append_pair("ward", word)
            .append_pair("rule", word)
            .append_pair("lane", word)
            .finish();
        let list = s.get(&format!("/queue?{query}"), &me).await;
        assert_eq!(list.status, 200, "{word:?}");
        assert!(
            !list.body.contains("<svg/") && !list.body.contains("<script>") && !list.body.contains("onerror=\""),
            "{word:?}"
        );
        let redirected =
            ask(s.here, "POST", "/sign-in", "", Some(&[("token", &s.token), ("person", "invented-1"), ("next", word)]))
                .await;
        assert!(
            redirected.header("location").is_some_and(|to| to.starts_with('/') && !to.starts_with("//")),
            "{word:?}"
        );
    }
    assert_eq!(compared, all.len());
    let list = s.get("/queue?lane=all&state=all", &me).await.body;
    let ids: Vec<&str> = list.split("href=\"/queue/").skip(1).map(|rest| rest.split('"').next().unwrap()).collect();
    assert!(ids.len() >= 50);
    let mut plain_tags = expected;
    plain_tags.extend(tags(&s.get(&format!("/queue/{}", ids[0]), &me).await.body));
    for (nth, id) in ids.iter().take(50).enumerate() {
        let one = s.get(&format!("/queue/{id}"), &me).await;
        let (csrf, seen) = (hidden(&one.body, "csrf"), hidden(&one.body, "seen"));
        let word = &all[nth * 6 % all.len()];
        let form = [
            ("csrf", csrf.as_str()),
            ("seen", &seen),
            ("lane", "pharmacist"),
            ("act", "comment"),
            ("text", word.as_str()),
        ];
        let said = s.act(id, &me, &form).await;
        assert!([303, 422].contains(&said.status), "{word:?} {}", said.status);
        let one = s.get(&format!("/queue/{id}"), &me).await;
        for tag in tags(&one.body) {
            assert!(
                plain_tags.contains(&tag) || ["blockquote", "/blockquote"].contains(&tag.as_str()),
                "{word:?} makes <{tag}"
            );
        }
    }
}

/// What is not seen (direction marks, zero width, control) is shown as U+FFFD or refused, outside of boxes too: in titles, wards,
/// names of people and of views, and where the page to try an order names a unit.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_not_seen_is_not_put_on_a_page() {
    let mark = "a\u{202E}b";
    let shown = "a\u{FFFD}b";
    let mut bundle: serde_json::Value = serde_json::from_str(sample("demo-5-steps-over-cap")).unwrap();
    for entry in bundle["entry"].as_array_mut().unwrap() {
        if entry["resource"]["resourceType"] == "NutritionOrder" {
            entry["resource"]["id"] = mark.into();
            entry["resource"]["encounter"] = serde_json::json!({"display": mark});
            entry["resource"]["enteralFormula"]["maxVolumeToDeliver"]["unit"] = mark.into();
        }
    }
    let s = service(&[&bundle.to_string()]).await;
    let me = s.sign_in("invented-1").await;
    let item = s.item().await;
    let title = |page: &str| page.split("<title>").nth(1).unwrap().split("</title>").next().unwrap().to_owned();
    let page = s.get(&format!("/queue/{item}"), &me).await.body;
    assert_eq!(title(&page), format!("Order {shown} · enteral-gate"));
    let list = s.get("/queue?lane=all&tier=a%E2%80%AEb", &me).await.body;
    assert!(list.contains(&format!(">{shown} (1)</option>")), "{list}");
    assert!(list.contains(&format!("not looked for: tier={shown}.")), "{list}");
    // As it is asked for it stays, or nothing would be found by it.
    assert!(list.contains(&format!("<option value=\"{mark}\">")), "{list}");
    let (csrf, query) = (hidden(&list, "csrf"), "lane=all&tier=HIGH");
    let keep = [("csrf", csrf.as_str()), ("query", query), ("name", mark), ("act", "keep")];
    assert_eq!(ask(s.here, "POST", "/queue/views", &me, Some(&keep)).await.status, 422);
    let tried = ask(s.here, "POST", "/try", "", Some(&[("json", &bundle.to_string()), ("version", "R4")])).await.body;
    assert!(tried.contains(&format!("aximum, {shown}</label>")), "{tried}");
    // Whoever says who they are.
    let (people, token) = People::with_token(Vec::new(), false);
    let now = Timestamp::now();
    assert!(people.sign_in(&token, Err((mark, Job::Nurse)), now).is_err());
    assert!(people.sign_in(&token, Err(("Invented Ann", Job::Nurse)), now).is_ok());
}

/// Dead letters on the page of the state of the service: everybody sees them, an administrator works them, without script.
#[tokio::test(flavor = "multi_thread")]
async fn messages_that_did_not_arrive_are_sent_again_or_removed_by_an_administrator() {
    let lines = Lines::default();
    let kept = Trail::start(lines.clone(), Found::default(), Bounds::default(), Vec::new()).unwrap();
    let orders = [sample("demo-5-steps-over-cap"), sample("demo-4-jejunal-bolus")];
    let s = service_telling(&orders, Some(kept.clone()), vec![away("board"), away("other")]).await;
    let notices = s.notices.clone().unwrap();
    let all = s.all_dead("board").await;
    assert!(all >= 3, "a handshake and two orders: {all}");
    assert_eq!(s.all_dead("other").await, all);
    let (reader, admin) = (s.sign_in("invented-8").await, s.sign_in("invented-9").await);
    let (list, remove) = ("/state/letters/board", "/state/letters/board/discard");
    // Who only looks: who, how many, since when and why, and nothing to press.
    let page = s.get("/state", &reader).await.body;
    let section = page.split("id=\"letters\"").nth(1).unwrap();
    assert!(section.contains("<a href=\"/state/letters/board\">board</a></th>"), "{section}");
    assert!(section.contains(&format!("<td>{all}</td>")) && section.contains("<td>no connection"), "{section}");
    assert!(!section.contains("<form") && !section.contains("/discard"), "{section}");
    for cookie in [reader.as_str(), ""] {
        let page = s.get(list, cookie).await.body;
        assert!(page.contains("<th scope=\"row\">1</th>") && page.contains("no connection"), "{page}");
        assert!(!page.contains("/discard") && !page.contains(&format!("action=\"{list}")), "{page}");
        assert_eq!(page.contains("href=\"/queue/"), !cookie.is_empty(), "an order is for whoever may see orders");
    }
    let to = s.get(remove, "").await;
    assert_eq!((to.status, to.header("location")), (303, Some("/sign-in?next=%2Fstate%2Fletters%2Fboard%2Fdiscard")));
    assert_eq!(ask(s.here, "POST", list, "", Some(&[])).await.status, 403);
    // Each button and link says to whom, or which.
    let page = s.get("/state", &admin).await.body;
    assert!(page.contains("<button class=\"quiet\" type=\"submit\">Send those to board again</button>"), "{page}");
    assert!(page.contains("<a href=\"/state/letters/board/discard\">Remove those to board …</a>"), "{page}");
    let page = s.get(list, &admin).await.body;
    assert!(page.contains("Send 1 again</button>") && page.contains("discard?number=1\">Remove 1 …</a>"), "{page}");
    let csrf = hidden(&page, "csrf");
    let post = async |path: &str, form: &[(&str, &str)]| ask(s.here, "POST", path, &admin, Some(form)).await;
    // Asked once more, and that removes nothing.
    let asked = s.get(&format!("{remove}?number=1"), &admin).await;
    assert!(asked.body.contains("<h1>Remove message 1 to board?</h1>"), "{}", asked.body);
    let until = hidden(&asked.body, "until");
    assert_eq!((hidden(&asked.body, "number").as_str(), hidden(&asked.body, "csrf")), ("1", csrf.clone()));
    for (form, status) in [
        (vec![("number", "1"), ("until", until.as_str())], 403),
        (vec![("csrf", "x"), ("number", "1"), ("until", &until)], 403),
        (vec![("csrf", &csrf), ("number", "1")], 400),
        (vec![("csrf", &csrf), ("number", "one"), ("until", &until)], 400),
        (vec![("csrf", &csrf), ("number", "1"), ("until", "1")], 409),
        (vec![("csrf", &csrf), ("number", "99"), ("until", &until)], 409),
    ] {
        assert_eq!(post(remove, &form).await.status, status, "{form:?}");
    }
    for path in
        [format!("{remove}?number=99"), format!("{remove}?number=x"), "/state/letters/nobody/discard".to_owned()]
    {
        assert_eq!(s.get(&path, &admin).await.status, 404, "{path}");
    }
    assert_eq!(s.get("/state/letters/nobody", &admin).await.status, 404);
    s.dead("board", all).await;
    // One by its number, and it is in the trail of the queue by whom.
    let said = post(remove, &[("csrf", &csrf), ("number", "1"), ("until", &until)]).await;
    assert_eq!(said.status, 200);
    assert!(said.body.contains("1 message will not be sent any more."), "{}", said.body);
    s.dead("board", all - 1).await;
    let last = s.sql("SELECT line FROM trail ORDER BY seq DESC LIMIT 1").await.remove(0);
    assert!(last.contains("messages-discarded") && last.contains("invented-9"), "{last}");
    // All again: they are tried, and do not arrive.
    let before = notices.store().dead_letters().await.unwrap();
    let said = post(list, &[("csrf", &csrf)]).await;
    let again = format!(
        "{} message{} will be sent again; number 0, the first message, only by itself.",
        all - 2,
        if all == 3 { "" } else { "s" }
    );
    assert!(said.status == 200 && said.body.contains(&again), "{}", said.body);
    let last = s.sql("SELECT line FROM trail ORDER BY seq DESC LIMIT 1").await.remove(0);
    assert!(last.contains("messages-sent-again") && last.contains("invented-9"), "{last}");
    s.first_is("board", "delivered").await;
    s.dead("board", all - 2).await;
    s.first_is("board", "dead").await;
    let after = notices.store().dead_letters().await.unwrap();
    assert_eq!(after[1], before[1], "those of the other were left alone");
    assert!(after[0].until > before[0].until, "given up again, later");
    assert_eq!(after[0].since, before[0].since, "the first message was not tried");
    // It is sent again by itself; where it is the only one, nothing else is offered.
    let page = s.get(list, &admin).await.body;
    assert!(page.contains("Number 0 is the first message") && page.contains("Send all again</button>"), "{page}");
    assert!(s.get("/state", &admin).await.body.contains("number 0, is sent again only by itself"));
    assert_eq!(post(list, &[("csrf", &csrf), ("number", "0")]).await.status, 200);
    s.dead("board", all - 1).await;
    s.sql("DELETE FROM outbox WHERE subscriber = 'other' AND number > 0").await;
    let page = s.get("/state/letters/other", &admin).await.body;
    assert!(page.contains("Send 0 again</button>") && !page.contains("Send all again"), "{page}");
    assert!(!s.get("/state", &admin).await.body.contains("Send those to other again"));
    let said = post("/state/letters/other", &[("csrf", &csrf)]).await;
    assert!(said.status == 409 && said.body.contains("only number 0 did not arrive"), "{}", said.body);
    // What was seen before is not what is there now.
    assert_eq!(post(remove, &[("csrf", &csrf), ("until", &until)]).await.status, 409);
    // One that is damaged can only be removed.
    s.sql("UPDATE outbox SET event = 'none', trouble = 'damaged' WHERE subscriber = 'board' AND number = 2").await;
    let page = s.get(list, &admin).await.body;
    assert!(
        !page.contains("Send 2 again") && page.contains("Remove 2 …") && page.contains("it can only be removed"),
        "{page}"
    );
    assert_eq!(post(list, &[("csrf", &csrf), ("number", "2")]).await.status, 409);
    // To whom nobody is declared nothing is sent; removed it can be.
    let other = notices.subscribers().list.iter().filter(|one| one.id == "other").cloned().collect();
    assert!(notices.take(Ok(Subscribers { base: "https://gate.example/fhir".to_owned(), list: other })).await);
    let page = s.get("/state", &admin).await.body;
    assert!(page.contains("Remove those to board …") && !page.contains("Send those to board again"), "{page}");
    assert_eq!(post(list, &[("csrf", &csrf)]).await.status, 409);
    let until = hidden(&s.get(remove, &admin).await.body, "until");
    let said = post(remove, &[("csrf", &csrf), ("until", &until)]).await;
    assert!(said.body.contains(&format!("{} messages will not be sent any more.", all - 1)), "{}", said.body);
    s.dead("board", 0).await;
    s.store.verify().await.unwrap();
    kept.close();
    let text = String::from_utf8(lines.0.lock().unwrap().clone()).unwrap();
    let told = |action: &str, result: &str| {
        let of = |line: &&str| {
            line.contains(&format!("\"action\":\"{action}\"")) && line.contains(&format!("\"result\":\"{result}\""))
        };
        text.lines().filter(of).filter(|line| line.contains("invented-9")).count()
    };
    assert_eq!((told("messages-discarded", "answered"), told("messages-sent-again", "answered")), (2, 2), "{text}");
    assert!(told("messages-discarded", "refused") >= 6, "{text}");
    notices.stop().await;
}

/// An invented order of its own, asked of one lane only.
fn of_one_lane(n: usize, lane: Lane, at: Timestamp) -> Received {
    let mut one = received(sample("demo-5-steps-over-cap"), FhirVersion::R4).remove(0);
    one.key.order = format!("invented-{n}");
    one.content = format!("{n:064x}");
    one.at = at;
    let report = Arc::make_mut(&mut one.report);
    report.disposition = Disposition::Flagged;
    report.not_evaluated.clear();
    report.findings.truncate(1);
    report.findings.iter_mut().for_each(|found| found.audience = vec![lane.word().to_owned()]);
    one
}

/// The link of a list to itself with what changed since.
fn again(page: &str) -> String {
    let before = page.split("Load it again").next().unwrap();
    let link = before.rsplit("href=\"").next().unwrap().split('"').next().unwrap();
    link.replace("&#38;", "&").replace("&amp;", "&")
}

/// An order is recorded after its request came, and a list may be made between the two: nothing falls between two lists.
#[tokio::test(flavor = "multi_thread")]
async fn what_is_committed_after_a_list_is_marked_on_the_next() {
    let s = service(&[]).await;
    let me = s.sign_in("invented-1").await;
    let ago = |seconds| Timestamp::now() - jiff::SignedDuration::from_secs(seconds);
    s.store.record(vec![of_one_lane(0, Lane::Pharmacist, ago(600))]).await.unwrap();
    let one = "1 order on this page is new or was changed by others since";
    let nothing = "Nothing on this page changed by others since";
    let first = s.get("/queue?lane=pharmacist", &me).await.body;
    // The requests came before that list, and waited to be recorded.
    for (n, seconds) in [(1, 30), (2, 3600)] {
        let mut late = of_one_lane(n, Lane::Pharmacist, ago(seconds));
        late.late = (seconds > 60).then(Timestamp::now);
        let before = s.get(&again(&first), &me).await.body;
        let id = late.id();
        s.store.record(vec![late]).await.unwrap();
        let after = s.get(&again(&before), &me).await.body;
        assert!(after.contains(one), "{n}: {after}");
        let marked = after.split("<li class=\"fresh\">").nth(1).unwrap().split("</li>").next().unwrap();
        assert!(marked.contains(id.as_str()) && marked.contains("New."), "{marked}");
        assert!(s.get(&again(&after), &me).await.body.contains(nothing), "{n}");
    }
    // The same order came again from another ward, which leaves no entry in its history.
    let before = s.get("/queue?lane=pharmacist", &me).await.body;
    assert!(s.get(&again(&before), &me).await.body.contains(nothing));
    s.sql(&format!(
        "UPDATE items SET ward = 'Invented' WHERE id = '{}'",
        of_one_lane(1, Lane::Pharmacist, ago(0)).id()
    ))
    .await;
    let after = s.get(&again(&before), &me).await.body;
    assert!(after.contains(one) && after.contains("The ward is another"), "{after}");
    assert!(s.get(&again(&after), &me).await.body.contains(nothing));
    // Of a list that this queue never gave it is not known what changed.
    let other = again(&after).rsplit_once('~').unwrap().0.to_owned() + "~999999.0";
    let page = s.get(&other, &me).await.body;
    assert!(page.contains("What changed since") && !page.contains(nothing), "{page}");
}

/// What others changed of the lane's own orders is named, and nothing else is: not what is asked of the other lane, not what
/// one did oneself, not what stands on the list further on.
#[tokio::test(flavor = "multi_thread")]
async fn what_changed_and_is_not_on_the_list_is_of_the_lane() {
    use enteral_gate::queue::work::{Action, Command, Reason};
    use enteral_gate::queue::{Person, Role};
    let s = service(&[]).await;
    let me = s.sign_in("invented-1").await;
    let now = Timestamp::now();
    let own: Vec<Received> = (0..15).map(|n| of_one_lane(n, Lane::Pharmacist, now)).collect();
    let ids: Vec<ItemId> = own.iter().map(Received::id).collect();
    s.store.record(own).await.unwrap();
    let page = s.get("/queue?lane=pharmacist", &me).await.body;
    let person = |id: &str| Person { id: id.into(), name: format!("Invented {id}"), role: Role::Pharmacist };
    for (n, id) in ids.iter().enumerate() {
        let reason = Reason { code: "suits-this-patient".into(), text: None };
        let action = Action::Accept { reason };
        let by = person(if n < 12 { "bob" } else { "invented-1" });
        let command = Command { id: String::new(), by, at: now, lane: Lane::Pharmacist, seen: 1, action };
        s.store.act(id.clone(), command).await.unwrap();
    }
    let theirs: Vec<Received> = (100..120).map(|n| of_one_lane(n, Lane::Dietitian, now)).collect();
    let not_ours: Vec<ItemId> = theirs.iter().map(Received::id).collect();
    s.store.record(theirs).await.unwrap();
    s.store.record((200..420).map(|n| of_one_lane(n, Lane::Pharmacist, now)).collect()).await.unwrap();
    let page = s.get(&again(&page), &me).await.body;
    assert!(page.contains("50 orders on this page are new"), "{page}");
    let since = page.split("id=\"since\"").nth(1).unwrap().split("</div>").next().unwrap();
    assert_eq!(since.matches("<li>").count(), 10, "{since}");
    assert_eq!(ids[..12].iter().filter(|id| since.contains(id.as_str())).count(), 10, "{since}");
    assert!(since.contains("<p>And 2 more.</p>"), "{since}");
    assert!(not_ours.iter().all(|id| !since.contains(id.as_str())), "{since}");
}

/// The page of an order that cannot be read says so; that is no fault of the program, and the list goes on without it.
#[tokio::test(flavor = "multi_thread")]
async fn an_order_that_is_damaged_has_a_page_that_says_so() {
    let s = service(&[sample("demo-5-steps-over-cap")]).await;
    let (id, me) = (s.item().await, s.sign_in("invented-1").await);
    s.sql(&format!("UPDATE items SET state = '{{' WHERE id = '{id}'")).await;
    let page = s.get(&format!("/queue/{id}"), &me).await;
    assert_eq!(page.status, 503, "{}", page.body);
    assert!(page.body.contains("This order cannot be read") && page.body.contains(&id), "{}", page.body);
    let list = s.get("/queue?lane=pharmacist", &me).await;
    assert!(list.status == 200 && list.body.contains("Cannot be read, not on this list"), "{}", list.body);
}
