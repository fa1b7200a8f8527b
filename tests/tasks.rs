//! The queue over FHIR: what was recorded through the operations and a hook is found as Task and DetectedIssue.

use axum::body::Body;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::samples::SAMPLES;
use enteral_gate::http::{App, Doors, Limits, routes};
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::work::{Action, Command, Reason};
use enteral_gate::queue::{Lane, Person, Role};
use enteral_gate::rulebook::{Rulebook, file};
use enteral_gate::settings::Settings;
use enteral_gate::store::{SqlStore, Store};
use http::{Request, StatusCode};
use http_body_util::BodyExt;
use jiff::Timestamp;
use serde_json::{Value, json};
use std::path::PathBuf;
use std::sync::Arc;

struct Service {
    router: axum::Router,
    store: Arc<SqlStore>,
    folder: PathBuf,
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.folder);
    }
}

impl Service {
    async fn new(name: &str) -> Self {
        Self::with(name, Rulebook::default()).await
    }

    async fn with(name: &str, rulebook: Rulebook) -> Self {
        let folder = std::env::temp_dir().join(format!("eg-tasks-{name}-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let store = Arc::new(SqlStore::sqlite(&folder.join("queue.sqlite"), Policy::default()).await.unwrap());
        let csv = include_bytes!("../deploy/demo/formulary.csv");
        let core = Core::with(Formulary::from_csv("formulary.csv", csv).unwrap(), rulebook);
        let doors = Doors { store: Some(store.clone()), ..Doors::default() };
        // Machines that run tests are slow; what is answered late is a test of its own.
        let limits = Limits { hook_time: std::time::Duration::from_secs(20), ..Limits::default() };
        let app = App::behind(doors, Arc::new(core), Settings::default(), limits);
        Self { router: routes::router(app), store, folder }
    }

    async fn ask(&self, method: &str, path: &str, body: &str) -> (StatusCode, Option<String>, Value) {
        use tower::ServiceExt;
        let kind = if path.starts_with("/cds") { "application/json" } else { "application/fhir+json" };
        let request =
            Request::builder().method(method).uri(path).header("host", "localhost:8731").header("content-type", kind);
        let response = self.router.clone().oneshot(request.body(Body::from(body.to_owned())).unwrap()).await.unwrap();
        let header = response.headers().get("enteral-gate-queue").map(|v| v.to_str().unwrap().to_owned());
        let status = response.status();
        let bytes = response.into_body().collect().await.unwrap().to_bytes();
        (status, header, serde_json::from_slice(&bytes).unwrap_or(Value::Null))
    }

    async fn get(&self, path: &str) -> Value {
        let (status, _, body) = self.ask("GET", path, "").await;
        assert_eq!(status, StatusCode::OK, "{path}: {body}");
        body
    }

    /// Sends an order with a gap.
    async fn order(&self, n: usize, rate: u32) -> Option<String> {
        let order = json!({"resourceType": "NutritionOrder", "id": format!("n{n}"), "status": "draft", "intent": "order",
            "patient": {"reference": format!("Patient/p{n}")}, "dateTime": "2026-11-25",
            "enteralFormula": {"administration": [{"rateQuantity": {"value": rate, "unit": "mL/h"}}]}});
        let (status, header, body) = self.ask("POST", "/fhir/R4/NutritionOrder/$validate", &order.to_string()).await;
        assert_eq!(status, StatusCode::OK, "{body}");
        header
    }
}

/// The item of a task.
fn item_of(task: &Value) -> ItemId {
    ItemId::read(task["groupIdentifier"]["value"].as_str().unwrap()).unwrap()
}

fn resources(bundle: &Value) -> Vec<Value> {
    bundle["entry"].as_array().into_iter().flatten().map(|e| e["resource"].clone()).collect()
}

#[tokio::test]
async fn orders_are_recorded_and_found_as_tasks() {
    let s = Service::new("found").await;
    for n in 0..5 {
        assert_eq!(s.order(n, 50).await.as_deref(), Some("recorded"));
    }
    // The same once more is the same; another rate takes its place.
    assert_eq!(s.order(0, 50).await.as_deref(), Some("recorded"));
    assert_eq!(s.order(1, 60).await.as_deref(), Some("recorded"));
    for version in ["R4", "R4B", "R5"] {
        let all = s.get(&format!("/fhir/{version}/Task")).await;
        assert_eq!((all["type"].as_str(), all["total"].as_u64()), (Some("searchset"), Some(6)), "{all:#}");
        let open = s.get(&format!("/fhir/{version}/Task?status=requested,in-progress")).await;
        assert_eq!(open["total"], 5);
        let replaced = s.get(&format!("/fhir/{version}/Task?status=cancelled")).await;
        assert_eq!(replaced["total"], 1);
        let task = &resources(&replaced)[0];
        assert_eq!(
            (task["focus"]["reference"].as_str(), task["for"]["reference"].as_str()),
            (Some("NutritionOrder/n1"), Some("Patient/p1"))
        );
        let reason = if version == "R5" { &task["statusReason"]["concept"] } else { &task["statusReason"] };
        assert!(reason["text"].as_str().unwrap().contains("changed"));
        // What a Task refers to is there.
        let findings = task["input"].as_array().unwrap();
        assert!(!findings.is_empty());
        for input in findings {
            let reference = input["valueReference"]["reference"].as_str().unwrap();
            let issue = s.get(&format!("/fhir/{version}/{reference}")).await;
            assert_eq!(issue["resourceType"], "DetectedIssue");
            assert_eq!(reference, format!("DetectedIssue/{}", issue["id"].as_str().unwrap()));
            let who = if version == "R5" { "subject" } else { "patient" };
            assert_eq!(issue[who]["reference"], "Patient/p1");
            assert!(["high", "moderate", "low"].contains(&issue["severity"].as_str().unwrap()));
            assert!(!issue["detail"].as_str().unwrap().is_empty());
        }
        let id = task["id"].as_str().unwrap();
        assert_eq!(s.get(&format!("/fhir/{version}/Task/{id}")).await, *task);
        assert_eq!(s.get(&format!("/fhir/{version}/Task?_id={id},nonsense")).await["total"], 1);
    }
}

/// FHIR (R4 and R5, RESTful API, search): servers take the parameters of a search as a form as well.
#[tokio::test]
async fn a_search_comes_as_a_form_too() {
    use tower::ServiceExt;
    let s = Service::new("form").await;
    for n in 0..4 {
        s.order(n, 50).await;
    }
    let post = async |path: &str, kind: Option<&str>, body: &str| -> (StatusCode, Value) {
        let request = Request::builder().method("POST").uri(path).header("host", "localhost:8731");
        let request = kind.into_iter().fold(request, |request, kind| request.header("content-type", kind));
        let response = s.router.clone().oneshot(request.body(Body::from(body.to_owned())).unwrap()).await.unwrap();
        let status = response.status();
        let bytes = response.into_body().collect().await.unwrap().to_bytes();
        (status, serde_json::from_slice(&bytes).unwrap_or(Value::Null))
    };
    let form = Some("application/x-www-form-urlencoded; charset=UTF-8");
    let all = resources(&s.get("/fhir/R4/Task").await);
    let target = format!("target=Task%2F{}", all[0]["id"].as_str().unwrap());
    let entity = target.replace("target", "entity");
    for (kind, query) in [
        ("Task", "patient=Patient%2Fp2&status=requested"),
        ("Task", "authored-on=ge2020-01-01T00%3A00%3A00%2B02%3A00&_count=2"),
        ("DetectedIssue", "patient=Patient%2Fp3"),
        ("Provenance", &*target),
        ("AuditEvent", &*entity),
    ] {
        let wanted = s.get(&format!("/fhir/R4/{kind}?{query}")).await;
        let (status, found) = post(&format!("/fhir/R4/{kind}/_search"), form, query).await;
        assert_eq!((status, &found), (StatusCode::OK, &wanted), "{kind} {query}");
        // Without a form everything is in the address; with both, both count.
        let (status, found) = post(&format!("/fhir/R4/{kind}/_search?{query}"), None, "").await;
        assert_eq!((status, &found), (StatusCode::OK, &wanted), "{kind} {query}");
    }
    let (_, found) = post("/fhir/R4/Task/_search?status=requested", form, "patient=Patient/p1").await;
    assert_eq!(found["total"], 1);
    let (_, all) = post("/fhir/R4/Task/_search", form, "").await;
    assert_eq!(all["total"], 4);
    // What cannot be read is no search for everything.
    for (path, kind, body, expected) in [
        ("/fhir/R4/Task/_search", Some("application/json"), "{}", StatusCode::UNSUPPORTED_MEDIA_TYPE),
        ("/fhir/R4/Task/_search", None, "patient=Patient/p1", StatusCode::UNSUPPORTED_MEDIA_TYPE),
        ("/fhir/R4/Task/_search", form, "colour=red", StatusCode::BAD_REQUEST),
        ("/fhir/R4/Task/_search?status=requested", form, "status=completed", StatusCode::BAD_REQUEST),
        ("/fhir/R4/Task/_search", form, &format!("patient={}", "x".repeat(70_000)), StatusCode::URI_TOO_LONG),
        ("/fhir/R4/Patient/_search", form, "", StatusCode::NOT_FOUND),
    ] {
        let (status, body) = post(path, kind, body).await;
        assert_eq!((status, body["resourceType"].as_str()), (expected, Some("OperationOutcome")), "{path}");
    }
    // It is refused as the same search by GET is, in the same words.
    let long = format!("patient={}", "x".repeat(20_000));
    for query in
        [long.as_str(), "patient=%ZZ", "patient=%FF", "%=1", "_count=x", "status=nonsense", "patient=%C3%A4%20b"]
    {
        let (wanted, _, said) = s.ask("GET", &format!("/fhir/R4/Task?{query}"), "").await;
        let (status, found) = post("/fhir/R4/Task/_search", form, query).await;
        let words = |body: &Value| body["issue"][0]["details"]["text"].clone();
        assert_eq!((status, words(&found)), (wanted, words(&said)), "{query:.40}");
    }
    let packed = Request::builder().method("POST").uri("/fhir/R4/Task/_search").header("host", "localhost:8731");
    let packed = packed.header("content-type", "application/x-www-form-urlencoded").header("content-encoding", "gzip");
    let packed = s.router.clone().oneshot(packed.body(Body::from("status=requested")).unwrap()).await.unwrap();
    assert_eq!(packed.status(), StatusCode::UNSUPPORTED_MEDIA_TYPE);
    assert_eq!(s.ask("GET", "/fhir/R4/Task/_search", "").await.0, StatusCode::METHOD_NOT_ALLOWED);
}

/// Tokens come with their system or without; what cannot be asked for together is refused and finds no empty list.
#[tokio::test]
async fn tokens_have_systems_and_references_stand_alone() {
    let s = Service::new("tokens").await;
    for n in 0..3 {
        s.order(n, 50).await;
    }
    let total = async |query: &str| s.get(&format!("/fhir/R4/Task?{query}")).await["total"].clone();
    assert_eq!(total("status=http://hl7.org/fhir/task-status|requested,in-progress").await, 3);
    let priorities =
        "http://hl7.org/fhir/request-priority|stat,asap,urgent,http://hl7.org/fhir/request-priority|routine";
    assert_eq!(total(&format!("priority={priorities}")).await, 3);
    for query in ["patient=Patient/p1,Patient/p2", "owner=ann,bob", "status=http://hl7.org/fhir/other|requested"] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/Task?{query}"), "").await;
        assert_eq!(
            (status, body["resourceType"].as_str()),
            (StatusCode::BAD_REQUEST, Some("OperationOutcome")),
            "{query}"
        );
    }
}

#[tokio::test]
async fn searches_narrow_and_pages_lose_nothing() {
    let s = Service::new("pages").await;
    for n in 0..23 {
        s.order(n, 50).await;
    }
    let first = resources(&s.get("/fhir/R4/Task?patient=Patient/p7").await);
    assert_eq!(first.len(), 1);
    let item = item_of(&first[0]);
    let ann = Person { id: "ann".into(), name: "Invented Ann".into(), role: Role::Pharmacist };
    let command = |seen, action| Command {
        id: String::new(),
        by: ann.clone(),
        at: Timestamp::now(),
        lane: Lane::Pharmacist,
        seen,
        action,
    };
    s.store.act(item.clone(), command(1, Action::Take)).await.unwrap();
    let held = s.get("/fhir/R4/Task?owner=ann").await;
    assert_eq!(held["total"], 1);
    let task = &resources(&held)[0];
    assert_eq!(
        (task["status"].as_str(), task["owner"]["display"].as_str()),
        (Some("in-progress"), Some("Invented Ann"))
    );
    assert_eq!(task["meta"]["versionId"], "2");
    let reason = Reason { code: "other".into(), text: Some("seen at the bedside".into()) };
    s.store.act(item, command(2, Action::Accept { reason })).await.unwrap();
    let done = s.get("/fhir/R4/Task?status=completed").await;
    assert!(resources(&done)[0]["note"][0]["text"].as_str().unwrap().ends_with("seen at the bedside"));
    assert_eq!(s.get("/fhir/R4/Task?status=requested").await["total"], 22);
    // Pages by their own links.
    let mut ids = std::collections::BTreeSet::new();
    let mut at = "/fhir/R4/Task?_count=5&status=requested".to_owned();
    let mut pages = 0;
    loop {
        let page = s.get(&at).await;
        pages += 1;
        assert_eq!(page["total"], 22);
        ids.extend(resources(&page).iter().map(|t| t["id"].as_str().unwrap().to_owned()));
        for entry in page["entry"].as_array().unwrap() {
            assert!(entry["fullUrl"].as_str().unwrap().starts_with("http://localhost:8731/fhir/R4/Task/"));
        }
        let next = page["link"].as_array().unwrap().iter().find(|l| l["relation"] == "next").cloned();
        match next {
            Some(next) => at = next["url"].as_str().unwrap().strip_prefix("http://localhost:8731").unwrap().to_owned(),
            None => break,
        }
    }
    assert_eq!((ids.len(), pages), (22, 5));
    // Dates with their prefixes, to the day and to the second.
    let now = Timestamp::now();
    let day = jiff::tz::TimeZone::UTC.to_datetime(now).date();
    let total = async |query: String| s.get(&format!("/fhir/R4/Task?{query}")).await["total"].as_u64().unwrap();
    assert_eq!(total(format!("authored-on=lt{}", day.yesterday().unwrap())).await, 0);
    assert_eq!(total(format!("authored-on=ge{}", day.yesterday().unwrap())).await, 23);
    assert_eq!(total(format!("authored-on=gt{}", day.tomorrow().unwrap())).await, 0);
    assert_eq!(
        total(format!("_lastUpdated=ge{}&_lastUpdated=le{}", day.yesterday().unwrap(), day.tomorrow().unwrap())).await,
        23
    );
    assert_eq!(
        total(format!("authored-on={}", day.year())).await + total(format!("authored-on=lt{}", day.year())).await,
        23
    );
    let later = now.checked_add(jiff::SignedDuration::from_secs(60)).unwrap();
    assert_eq!(total(format!("modified=gt{later:.0}")).await, 0);
    assert_eq!(total("priority=stat,asap,urgent,routine".to_owned()).await, 23);
    assert_eq!(total("patient=p7".to_owned()).await, 1);
    let issues = s.get("/fhir/R4/DetectedIssue?patient=Patient/p3&_count=1").await;
    assert!(!resources(&issues).is_empty());
    assert!(resources(&issues).iter().all(|i| i["patient"]["reference"] == "Patient/p3"));
}

/// FHIR (R4, search): the prefixes of dates, `_sort`, `_total`, `_elements` and a type at a reference.
#[tokio::test]
async fn searches_sort_count_and_tell_parts() {
    let s = Service::with("sorted", file::read(file::starter()).unwrap()).await;
    for sample in &SAMPLES {
        let (status, _, body) = s.ask("POST", &format!("/fhir/{}/$validate", sample.version.name()), sample.text).await;
        assert_eq!(status, StatusCode::OK, "{body}");
    }
    let every = async |path: &str| {
        let (mut at, mut all) = (path.to_owned(), Vec::new());
        loop {
            let page = s.get(&at).await;
            all.extend(resources(&page));
            let next = page["link"].as_array().unwrap().iter().find(|l| l["relation"] == "next");
            let Some(next) = next else { return all };
            at = next["url"].as_str().unwrap().strip_prefix("http://localhost:8731").unwrap().to_owned();
        }
    };
    let text = |r: &Value, at: &str| r.pointer(at).and_then(Value::as_str).unwrap_or_default().to_owned();
    let ids = |all: &[Value]| all.iter().map(|r| text(r, "/id")).collect::<std::collections::BTreeSet<_>>();
    let grade = |r: &Value| ["routine", "urgent", "asap", "stat"].iter().position(|p| r["priority"] == **p).unwrap();
    let tasks = every("/fhir/R4/Task").await;
    assert!(tasks.len() > 6 && tasks.iter().map(grade).max() > tasks.iter().map(grade).min(), "{}", tasks.len());
    // Some item is changed after all others: the orders by receipt and by change are not the same.
    let item = item_of(tasks.last().unwrap());
    let by = Person { id: "ann".into(), name: "Invented Ann".into(), role: Role::Pharmacist };
    let action = Action::Comment { text: "invented".into() };
    let command = Command { id: String::new(), by, at: Timestamp::now(), lane: Lane::Pharmacist, seen: 1, action };
    s.store.act(item, command).await.unwrap();
    for (kind, by, at) in [
        ("Task", "authored-on", "/authoredOn"),
        ("Task", "modified", "/lastModified"),
        ("Task", "_lastUpdated", "/meta/lastUpdated"),
        ("DetectedIssue", "identified", "/identifiedDateTime"),
        ("DetectedIssue", "_lastUpdated", "/meta/lastUpdated"),
    ] {
        let whole = ids(&every(&format!("/fhir/R4/{kind}")).await);
        for (limit, down) in [(1, false), (2, true), (3, false), (200, true)] {
            let sort = if down { "-" } else { "" };
            let found = every(&format!("/fhir/R4/{kind}?_sort={sort}{by}&_count={limit}")).await;
            assert_eq!((found.len(), ids(&found)), (whole.len(), whole.clone()), "{kind} {sort}{by} {limit}");
            let times: Vec<Timestamp> = found.iter().map(|r| text(r, at).parse().unwrap()).collect();
            assert!(
                times.windows(2).all(|w| if down { w[0] >= w[1] } else { w[0] <= w[1] }),
                "{kind} {sort}{by} {times:?}"
            );
            assert!(times.first() != times.last());
        }
    }
    for (sort, limit) in [("priority", 1), ("-priority", 2), ("priority", 50)] {
        let found = every(&format!("/fhir/R4/Task?_sort={sort}&_count={limit}")).await;
        let grades: Vec<usize> = found.iter().map(grade).collect();
        assert!(
            grades.windows(2).all(|w| if sort.starts_with('-') { w[0] >= w[1] } else { w[0] <= w[1] }),
            "{grades:?}"
        );
        assert_eq!((found.len(), ids(&found)), (tasks.len(), ids(&tasks)));
    }
    // Prefixes, by one order's own moment: it is that moment, to the second, and of all others it is not.
    let one = text(&tasks[2], "/authoredOn").parse::<Timestamp>().unwrap();
    let second = Timestamp::from_second(one.as_second()).unwrap();
    let n = async |query: String| s.get(&format!("/fhir/R4/Task?{query}")).await["total"].as_u64().unwrap();
    let all = tasks.len() as u64;
    let [eq, ne, sa, eb, gt, lt] = ["eq", "ne", "sa", "eb", "gt", "lt"].map(|p| n(format!("authored-on={p}{second}")));
    let (eq, ne, sa, eb) = (eq.await, ne.await, sa.await, eb.await);
    assert!(eq > 0 && eq + ne == all, "{eq} {ne} {all}");
    assert_eq!((sa, eb, sa + eb + eq), (gt.await, lt.await, all));
    let day = jiff::tz::TimeZone::UTC.to_datetime(one).date();
    assert_eq!(n(format!("modified=ne{day}")).await, 0);
    assert_eq!(n(format!("_lastUpdated=ne{}", day.yesterday().unwrap())).await, all);
    assert_eq!(n(format!("authored-on=ne{}", day.year())).await, 0);
    assert_eq!(n(format!("authored-on=ap{day}")).await, all);
    // A tenth of 100 days before and after is about them; of 10 days it is not.
    let days = |n: i64| day.checked_sub(jiff::Span::new().days(n)).unwrap();
    assert_eq!(n(format!("authored-on=ap{}", days(100))).await, 0);
    let about = s.get(&format!("/fhir/R4/Task?authored-on=ap{}&_count=1", day.tomorrow().unwrap())).await;
    let link = text(&about, "/link/0/url");
    assert!(link.contains("authored-on=ge") && link.contains("authored-on=lt") && !link.contains("=ap"), "{link}");
    // How many there are.
    for (query, there) in [("Task?_total=none", false), ("Task?_total=accurate", true), ("Task?_total=estimate", true)]
    {
        assert_eq!(s.get(&format!("/fhir/R4/{query}")).await["total"].as_u64(), there.then_some(all), "{query}");
    }
    let issues = every("/fhir/R4/DetectedIssue").await.len() as u64;
    for (query, there) in [("", false), ("&_total=none", false), ("&_total=accurate", true), ("&_total=estimate", true)]
    {
        let page = s.get(&format!("/fhir/R4/DetectedIssue?_count=1{query}")).await;
        assert_eq!((page["total"].as_u64(), resources(&page).len()), (there.then_some(issues), 1), "{query}");
    }
    // Parts: what was asked for, what has to be there, and that it is a part.
    let subsetted = "http://terminology.hl7.org/CodeSystem/v3-ObservationValue";
    let task = format!("Task/{}", text(&tasks[0], "/id"));
    for (query, version, members) in [
        ("Task?_elements=priority,for", "R4", "for id intent meta priority resourceType status"),
        ("Task?_elements=id", "R5", "id intent meta resourceType status"),
        (
            "DetectedIssue?_elements=identified,severity",
            "R4",
            "id identifiedDateTime meta resourceType severity status",
        ),
        (
            &format!("Provenance?target={task}&_elements=activity"),
            "R4",
            "activity agent id meta recorded resourceType target",
        ),
        (
            &format!("AuditEvent?entity={task}&_elements=action"),
            "R4",
            "action agent id meta recorded resourceType source type",
        ),
        (
            &format!("AuditEvent?entity={task}&_elements=action"),
            "R5",
            "action agent code id meta recorded resourceType source",
        ),
    ] {
        let found = resources(&s.get(&format!("/fhir/{version}/{query}")).await);
        assert!(!found.is_empty(), "{query}");
        for one in found {
            let mut names: Vec<&str> = one.as_object().unwrap().keys().map(String::as_str).collect();
            names.sort_unstable();
            assert_eq!(names.join(" "), members, "{query}");
            assert_eq!(
                (&one["meta"]["tag"][0]["system"], &one["meta"]["tag"][0]["code"]),
                (&json!(subsetted), &json!("SUBSETTED"))
            );
        }
    }
    assert!(resources(&s.get("/fhir/R4/Task").await).iter().all(|t| t["meta"].get("tag").is_none()));
    // A type at a reference.
    let patient = text(&tasks[0], "/for/reference");
    let id = patient.rsplit('/').next().unwrap();
    for kind in ["Task", "DetectedIssue"] {
        let typed = ids(&every(&format!("/fhir/R4/{kind}?patient:Patient={id}")).await);
        assert_eq!(typed, ids(&every(&format!("/fhir/R4/{kind}?patient={patient}")).await), "{kind}");
        assert!(!typed.is_empty(), "{kind}");
    }
    // What happened, backwards and within a time.
    for (kind, by, time) in [("Provenance", "target", "recorded"), ("AuditEvent", "entity", "date")] {
        let at = format!("/fhir/R4/{kind}?{by}={task}");
        let told = async |query: &str| s.get(&format!("{at}{query}")).await;
        let forth = resources(&told("").await);
        let mut back = resources(&told(&format!("&_sort=-{time}")).await);
        back.reverse();
        assert_eq!(forth, back, "{kind}");
        assert_eq!(forth, resources(&told(&format!("&_sort={time}&{time}=ge{day}&{time}=ne{}", days(1))).await));
        assert_eq!(told(&format!("&{time}=ne{day}")).await["total"], 0);
        assert_eq!(told("&_total=none").await.get("total"), None);
        assert_eq!(
            text(&told(&format!("&{time}=ne{}", days(1))).await, "/link/0/url").matches(&format!("{time}=ne")).count(),
            1
        );
    }
    // What can be asked for is told.
    for version in ["R4", "R4B", "R5"] {
        let told = s.get(&format!("/fhir/{version}/metadata")).await;
        for kind in ["Task", "DetectedIssue", "Provenance", "AuditEvent"] {
            let all = told["rest"][0]["resource"].as_array().unwrap();
            let own = all.iter().find(|r| r["type"] == kind).unwrap();
            let names: Vec<String> = own["searchParam"].as_array().unwrap().iter().map(|p| text(p, "/name")).collect();
            let documented = text(own, "/documentation");
            for name in ["_sort", "_total", "_elements"] {
                assert!(documented.contains(&format!("{name}: ")) && !names.iter().any(|n| n == name), "{kind} {own}");
            }
            let dated = own["searchParam"].to_string();
            assert!(dated.contains("eq, ne, gt, lt, ge, le, sa, eb, ap"), "{kind} {dated}");
        }
    }
    // What there is not is refused by its name.
    for (query, name) in [
        ("Task?_sort=status", "_sort"),
        ("Task?_sort=-priority,authored-on", "_sort"),
        ("Task?_sort=--priority", "_sort"),
        ("DetectedIssue?_sort=authored-on", "_sort"),
        ("Task?_total=exact", "_total"),
        ("Task?_elements=colour", "_elements"),
        ("Task?_elements=", "_elements"),
        ("DetectedIssue?_elements=intent", "_elements"),
        ("Task?authored-on=xx2026", "authored-on"),
        ("Task?authored-on=ap", "authored-on"),
        ("Task?patient:Patient=Patient/p", "patient:Patient"),
        ("Task?patient:Group=p", "patient:Group"),
        ("Task?patient:Patient=p&patient=p", "patient"),
        ("DetectedIssue?identified:missing=true", "identified:missing"),
    ] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/{query}"), "").await;
        let said = body["issue"][0]["details"]["text"].as_str().unwrap_or_default();
        assert!(status == StatusCode::BAD_REQUEST && said.contains(name), "{query}: {status} {body}");
    }
}

/// An order that both lanes are asked about is two tasks, each with its own state and owner.
#[tokio::test]
async fn each_lane_has_its_own_task() {
    let s = Service::with("lanes", file::read(file::starter()).unwrap()).await;
    for sample in &SAMPLES {
        let (status, _, body) = s.ask("POST", &format!("/fhir/{}/$validate", sample.version.name()), sample.text).await;
        assert_eq!(status, StatusCode::OK, "{body}");
    }
    let all = s.get("/fhir/R4/Task").await;
    let tasks = resources(&all);
    let mut lanes: std::collections::BTreeMap<String, Vec<String>> = Default::default();
    for task in &tasks {
        let (item, id) = (item_of(task).to_string(), task["id"].as_str().unwrap());
        let lane = id.strip_prefix(&format!("{item}-")).unwrap();
        assert_eq!(task["performerType"][0]["text"], lane);
        lanes.entry(item).or_default().push(lane.to_owned());
    }
    let both = lanes.iter().find(|(_, lanes)| lanes.len() == 2).unwrap_or_else(|| panic!("{all:#}")).0.clone();
    assert_eq!((all["total"].as_u64(), tasks.len()), (Some(tasks.len() as u64), lanes.values().map(Vec::len).sum()));
    // The standard's codes: SNOMED CT's pharmacist and dietitian.
    let count = async |query: &str| {
        let page = s.get(&format!("/fhir/R5/Task?{query}")).await;
        assert_eq!(page["total"].as_u64(), Some(resources(&page).len() as u64), "{query}");
        resources(&page)
    };
    for (lane, code) in [("pharmacist", "46255001"), ("dietitian", "159033005")] {
        let own = count(&format!("performer={lane}")).await;
        assert!(own.iter().any(|t| t["id"] == json!(format!("{both}-{lane}"))));
        assert_eq!(own, count(&format!("performer=http://snomed.info/sct%7C{code}")).await);
        assert!(own.iter().all(|t| t["requestedPerformer"][0]["concept"]["coding"][0]["code"] == code));
    }
    let item = ItemId::read(&both).unwrap();
    let person = |id: &str, role| Person { id: id.into(), name: format!("Invented {id}"), role };
    let act = async |by: &Person, seen, action| {
        let lane = by.role.lane().unwrap();
        let command = Command { id: String::new(), by: by.clone(), at: Timestamp::now(), lane, seen, action };
        s.store.act(item.clone(), command).await.unwrap()
    };
    let (ann, dora) = (person("ann", Role::Pharmacist), person("dora", Role::Dietitian));
    act(&ann, 1, Action::Take).await;
    act(&dora, 1, Action::AskPrescriber { question: "Invented question".into() }).await;
    let now = async |lane: &str| s.get(&format!("/fhir/R4/Task/{both}-{lane}")).await;
    let told = |task: &Value| {
        let text = |at: &str| task.pointer(at).and_then(Value::as_str).unwrap_or("-").to_owned();
        [text("/status"), text("/businessStatus/text"), text("/owner/identifier/value")]
    };
    assert_eq!(told(&now("pharmacist").await), ["in-progress", "taken", "ann"]);
    assert_eq!(told(&now("dietitian").await), ["in-progress", "asked", "dora"]);
    let reason = Reason { code: "other".into(), text: Some("seen at the bedside".into()) };
    act(&ann, 3, Action::Accept { reason }).await;
    let (a, b) = (now("pharmacist").await, now("dietitian").await);
    assert_eq!(
        (told(&a), told(&b)),
        (["completed", "decided", "ann"].map(String::from), ["in-progress", "asked", "dora"].map(String::from))
    );
    assert!(
        a["note"][0]["text"].as_str().unwrap().ends_with("seen at the bedside")
            && b.get("note").is_none_or(|n| !n.to_string().contains("bedside"))
    );
    let ids = |tasks: Vec<Value>| tasks.iter().map(|t| t["id"].as_str().unwrap().to_owned()).collect::<Vec<_>>();
    assert_eq!(ids(count("status=completed").await), [format!("{both}-pharmacist")]);
    assert_eq!(ids(count("owner=dora").await), [format!("{both}-dietitian")]);
    assert_eq!(ids(count("owner=dora&performer=pharmacist").await), [] as [String; 0]);
    // One at a time: no page holds more than was asked for, none is missing and none comes twice.
    for limit in 1..4 {
        let (mut at, mut seen) = (format!("/fhir/R4/Task?_count={limit}"), Vec::new());
        loop {
            let page = s.get(&at).await;
            assert!(resources(&page).len() <= limit);
            assert_eq!(page["total"], all["total"]);
            seen.extend(ids(resources(&page)));
            let next = page["link"].as_array().unwrap().iter().find(|l| l["relation"] == "next");
            let Some(next) = next else { break };
            at = next["url"].as_str().unwrap().strip_prefix("http://localhost:8731").unwrap().to_owned();
        }
        seen.sort();
        let mut wanted = ids(resources(&s.get("/fhir/R4/Task").await));
        wanted.sort();
        assert_eq!(seen, wanted, "{limit}");
    }
}

/// What was done is Provenance, and that it was done or looked at an AuditEvent; what people wrote is in neither.
#[tokio::test]
async fn what_happened_is_told_without_what_was_written() {
    let s = Service::with("history", file::read(file::starter()).unwrap()).await;
    for sample in &SAMPLES {
        s.ask("POST", &format!("/fhir/{}/$validate", sample.version.name()), sample.text).await;
    }
    let tasks = resources(&s.get("/fhir/R4/Task?_count=200").await);
    let of = |task: &Value| task["groupIdentifier"]["value"].clone();
    let twice = |task: &&Value| tasks.iter().filter(|other| of(other) == of(task)).count() == 2;
    let item = item_of(tasks.iter().find(twice).unwrap());
    let ann = Person { id: "ann".into(), name: "Invented Ann".into(), role: Role::Pharmacist };
    s.store.viewed(item.clone(), ann.clone(), Timestamp::now()).await.unwrap();
    let reason = Reason { code: "other".into(), text: Some("WRITTEN".into()) };
    for (seen, action) in
        [(1, Action::Take), (2, Action::Comment { text: "WRITTEN".into() }), (3, Action::Accept { reason })]
    {
        let command =
            Command { id: String::new(), by: ann.clone(), at: Timestamp::now(), lane: Lane::Pharmacist, seen, action };
        s.store.act(item.clone(), command).await.unwrap();
    }
    for version in ["R4", "R4B", "R5"] {
        let told = async |kind: &str, parameter: &str, lane: &str| {
            let bundle = s.get(&format!("/fhir/{version}/{kind}?{parameter}=Task/{item}-{lane}")).await;
            assert!(!bundle.to_string().contains("WRITTEN"), "{bundle}");
            assert_eq!(bundle["total"].as_u64(), Some(resources(&bundle).len() as u64));
            for entry in bundle["entry"].as_array().into_iter().flatten() {
                let at = entry["fullUrl"].as_str().unwrap().strip_prefix("http://localhost:8731").unwrap();
                assert_eq!(s.get(at).await, entry["resource"]);
            }
            resources(&bundle)
        };
        let words = |found: &[Value], at: &str| -> Vec<String> {
            found.iter().map(|r| r.pointer(at).and_then(Value::as_str).unwrap_or("-").to_owned()).collect()
        };
        let done = told("Provenance", "target", "pharmacist").await;
        assert_eq!(words(&done, "/activity/text"), ["recorded", "take", "comment", "accept"]);
        assert_eq!(words(&done, "/activity/coding/0/code"), ["CREATE", "UPDATE", "UPDATE", "UPDATE"]);
        assert_eq!(words(&done, "/agent/0/who/identifier/value"), ["-", "ann", "ann", "ann"]);
        let why = if version == "R5" { "/authorization/0/concept/text" } else { "/reason/0/text" };
        assert_eq!(words(&done, why), ["-", "-", "-", "other"]);
        assert_eq!(done[0]["target"].as_array().unwrap().len(), 2);
        // By what it was judged: the hashes that the answer gives too.
        let by = |r: &Value| -> Vec<(String, String)> {
            let word = |e: &Value, at: &str| e.pointer(at).and_then(Value::as_str).unwrap_or("-").to_owned();
            let all = r["entity"].as_array().unwrap().iter().skip(1);
            all.map(|e| (word(e, "/what/display"), word(e, "/what/identifier/value"))).collect()
        };
        let by_what = by(&done[0]);
        let starts: Vec<&str> = by_what.iter().map(|(words, _)| words.split(':').next().unwrap()).collect();
        assert_eq!(starts, ["Program", "Rulebook", "Formulary"]);
        assert_eq!(by_what[1].1, file::read(file::starter()).unwrap().hash);
        assert!(by_what[1].0.contains("Starter rulebook"), "{by_what:?}");
        assert!(done[1..].iter().all(|r| by(r).is_empty()), "{done:?}");
        assert_eq!(done[1]["target"], json!([{"reference": format!("Task/{item}-pharmacist")}]));
        // Nothing of one lane in the history of the other.
        assert_eq!(words(&told("Provenance", "target", "dietitian").await, "/activity/text"), ["recorded"]);
        let events = told("AuditEvent", "entity", "pharmacist").await;
        let word = if version == "R5" { "/code/coding/0/code" } else { "/subtype/0/code" };
        assert_eq!(words(&events, word), ["recorded", "viewed", "take", "comment", "accept"]);
        assert_eq!(words(&events, "/action"), ["C", "R", "U", "U", "U"]);
        assert_eq!(words(&told("AuditEvent", "entity", "dietitian").await, word), ["recorded", "viewed"]);
    }
    for (path, status) in [
        ("Provenance".to_owned(), 400),
        ("AuditEvent?target=Task/x".to_owned(), 400),
        ("Provenance?target=Task/x".to_owned(), 200),
        (format!("Provenance/{item}-2"), 404),
        (format!("AuditEvent/{item}-2"), 200),
        (format!("AuditEvent/{item}-0"), 404),
        (format!("AuditEvent/{item}-99"), 404),
        (format!("AuditEvent/{item}-02"), 404),
    ] {
        assert_eq!(s.ask("GET", &format!("/fhir/R4/{path}"), "").await.0.as_u16(), status, "{path}");
    }
}

/// FHIR, "Paging" and `_count`: a server may give fewer than asked for, never more; 0 is `_summary=count`.
#[tokio::test]
async fn a_page_holds_no_more_than_was_asked_for() {
    let s = Service::with("count", file::read(file::starter()).unwrap()).await;
    for n in 0..9 {
        s.order(n, 50).await;
    }
    for kind in ["Task", "DetectedIssue"] {
        let all = resources(&s.get(&format!("/fhir/R4/{kind}?_count=200")).await);
        let ids = |list: &[Value]| list.iter().map(|r| r["id"].as_str().unwrap().to_owned()).collect::<Vec<_>>();
        assert!(all.len() > if kind == "Task" { 8 } else { 9 }, "{kind}: {}", all.len());
        for count in [1, 2, 3, 5, all.len()] {
            let (mut at, mut seen, mut pages) = (format!("/fhir/R4/{kind}?_count={count}"), Vec::new(), 0);
            loop {
                let page = s.get(&at).await;
                let own = resources(&page);
                assert!((1..=count).contains(&own.len()), "{at}: {}", own.len());
                seen.extend(ids(&own));
                pages += 1;
                let mut links = page["link"].as_array().unwrap().iter();
                // The link to the page itself leads there again.
                let itself = links.next().unwrap()["url"].as_str().unwrap().split_once("/fhir").unwrap().1.to_owned();
                assert_eq!(resources(&s.get(&format!("/fhir{itself}")).await), own, "{itself}");
                let Some(next) = links.find(|link| link["relation"] == "next") else { break };
                at = format!("/fhir{}", next["url"].as_str().unwrap().split_once("/fhir").unwrap().1);
            }
            assert_eq!(seen, ids(&all), "{kind} by {count}");
            assert_eq!(pages, all.len().div_ceil(count), "{kind} by {count}");
        }
        for query in ["_count=0", "_summary=count"] {
            let page = s.get(&format!("/fhir/R4/{kind}?{query}")).await;
            assert_eq!((page["total"].as_u64(), page.get("entry")), (Some(all.len() as u64), None), "{page}");
            assert_eq!(page["link"].as_array().unwrap().len(), 1, "{page}");
        }
        let most = s.get(&format!("/fhir/R4/{kind}?_count=99999999999999999999")).await;
        assert_eq!(resources(&most).len(), all.len());
        assert!(most["link"][0]["url"].as_str().unwrap().ends_with("?_count=200"), "{most}");
    }
    let task = s.get("/fhir/R4/Task").await["entry"][0]["resource"]["id"].as_str().unwrap().to_owned();
    let one = s.get(&format!("/fhir/R4/Task?_id={task}&_summary=count")).await;
    assert_eq!((one["total"].as_u64(), one.get("entry")), (Some(1), None));
}

/// FHIR, "Handling errors" of searches: with `handling=lenient` what is not known is passed over and named.
#[tokio::test]
async fn what_is_not_known_is_passed_over_where_that_is_asked() {
    use tower::ServiceExt;
    let s = Service::new("lenient").await;
    s.order(1, 50).await;
    let task = s.get("/fhir/R4/Task").await["entry"][0]["resource"]["id"].as_str().unwrap().to_owned();
    for (kind, asked) in [
        ("Task", "patient=p1".to_owned()),
        ("DetectedIssue", "patient=p1".to_owned()),
        ("Provenance", format!("target=Task/{task}")),
        ("AuditEvent", format!("entity=Task/{task}")),
    ] {
        let request = Request::builder()
            .uri(format!("/fhir/R4/{kind}?colour=blue&{asked}"))
            .header("host", "localhost:8731")
            .header("prefer", "handling=lenient");
        let response = s.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(response.headers()["preference-applied"], "handling=lenient");
        let bytes = response.into_body().collect().await.unwrap().to_bytes();
        let page: Value = serde_json::from_slice(&bytes).unwrap();
        let modes: Vec<&str> =
            page["entry"].as_array().unwrap().iter().map(|e| e["search"]["mode"].as_str().unwrap()).collect();
        let (last, matches) = modes.split_last().unwrap();
        assert!(*last == "outcome" && !matches.is_empty() && matches.iter().all(|m| *m == "match"), "{modes:?}");
        let issue = &page["entry"].as_array().unwrap().last().unwrap()["resource"]["issue"][0];
        assert!(issue["severity"] == "warning" && issue["details"]["text"].as_str().unwrap().contains("colour"));
        assert!(!page["link"][0]["url"].as_str().unwrap().contains("colour"), "{page}");
        // A value that cannot be used is refused all the same.
        let request = Request::builder()
            .uri(format!("/fhir/R4/{kind}?{asked}&_pretty=many"))
            .header("host", "localhost:8731")
            .header("prefer", "handling=lenient");
        let response = s.router.clone().oneshot(request.body(Body::empty()).unwrap()).await.unwrap();
        assert_eq!(response.status(), StatusCode::BAD_REQUEST);
    }
}

/// What is no parameter of a place is named with those that are, and none is passed over.
#[tokio::test]
async fn refusals_name_what_is_known_in_that_place() {
    let s = Service::new("known").await;
    s.order(1, 50).await;
    let task = s.get("/fhir/R4/Task").await["entry"][0]["resource"]["id"].as_str().unwrap().to_owned();
    let validate = "zone, day-start, day-kind, date, days, as-of, mode, profile, _format, _pretty; in Parameters resource as well.";
    for (method, path, known) in [
        ("GET", format!("Task/{task}?foo=1"), "_format, _pretty."),
        ("GET", "metadata?foo=1".to_owned(), "mode, _format, _pretty."),
        ("GET", "Subscription?foo=1".to_owned(), "_format, _pretty."),
        ("GET", "OperationDefinition/NutritionOrder-appraise?foo=1".to_owned(), "_format, _pretty."),
        ("POST", "?foo=1".to_owned(), "_format, _pretty."),
        ("POST", "NutritionOrder/$validate?foo=1".to_owned(), validate),
    ] {
        let address = format!("/fhir/R4/{path}").replace("/?", "?");
        let (status, _, body) = s.ask(method, &address, "{}").await;
        let text = body["issue"][0]["details"]["text"].as_str().unwrap().to_owned();
        assert_eq!(status, StatusCode::BAD_REQUEST, "{address}: {body}");
        assert_eq!(text, format!("Parameter foo: is not known here; known are {known}"), "{address}");
    }
    for path in [format!("Task/{task}?zone=Europe/Vienna"), "metadata?days=3".to_owned()] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/{path}"), "").await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}: {body}");
    }
    s.get("/fhir/R4/metadata?mode=terminology").await;
}

#[tokio::test]
async fn what_is_not_understood_is_refused_by_its_name() {
    let s = Service::new("refused").await;
    for (query, said) in [
        ("status=open", "status"),
        ("priority=now", "priority"),
        ("_count=-1", "_count"),
        ("_count=", "_count"),
        ("_count=many", "_count"),
        ("_summary=text", "_summary"),
        ("performer=nurse", "performer"),
        ("performer=http://snomed.info/sct|1", "performer"),
        ("authored-on=yesterday", "authored-on"),
        ("authored-on=xx2026", "authored-on"),
        ("modified=2026-13-01", "modified"),
        ("page=nonsense", "page"),
        ("page=nonsense~1", "page"),
        ("subject=x", "subject"),
        ("patient:identifier=x", "patient:identifier"),
        ("status=requested&status=completed", "status"),
        ("_count=1&_count=2", "_count"),
        ("patient=a&patient=b", "patient"),
    ] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/Task?{query}"), "").await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{query}");
        assert!(
            body["issue"][0]["details"]["text"].as_str().unwrap().starts_with(&format!("Parameter {said}: ")),
            "{body}"
        );
    }
    for twice in [
        "Provenance?target=Task/x&target=Task/y",
        "AuditEvent?entity=Task/x&_format=json&_format=json",
        "Task?_pretty=true&_pretty=true",
    ] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/{twice}"), "").await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{body}");
        assert!(body["issue"][0]["details"]["text"].as_str().unwrap().contains("stands twice"), "{body}");
    }
    // Both ends of a span of time; a lane that is named twice is one.
    s.order(1, 50).await;
    let all = s.get("/fhir/R4/Task?modified=ge2000&modified=lt2199&performer=pharmacist,46255001").await;
    assert_eq!((all["total"].as_u64(), resources(&all).len()), (Some(1), 1), "{all}");
    for path in [
        "Task/x",
        "Task/3b241101-e2bb-4255-8caf-4136c566a962-pharmacist",
        "Task/3b241101-e2bb-4255-8caf-4136c566a962-nurse",
        "Task/3b241101-e2bb-4255-8caf-4136c566a962",
        "DetectedIssue/x-1",
        "DetectedIssue/3b241101-e2bb-4255-8caf-4136c566a962-1",
    ] {
        let (status, _, body) = s.ask("GET", &format!("/fhir/R4/{path}"), "").await;
        assert_eq!((status, body["issue"][0]["code"].as_str()), (StatusCode::NOT_FOUND, Some("not-found")), "{path}");
    }
}

#[tokio::test]
async fn a_hook_is_recorded_with_its_card_and_feedback_finds_it() {
    let s = Service::new("hook").await;
    let request = std::fs::read_to_string("tests/hooks/requests/sign-maximum-below-schedule.json").unwrap();
    let (status, header, body) = s.ask("POST", "/cds-services/tube-feeding-order-sign", &request).await;
    assert_eq!((status, header.as_deref()), (StatusCode::OK, Some("recorded")), "{body}");
    let order = &body["extension"]["example.enteral-gate"]["orders"][0];
    assert_eq!(order["recorded"], true, "{order}");
    let card = body["cards"][0]["uuid"].as_str().unwrap();
    let feedback = json!({"feedback": [{"card": card, "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:12:00Z",
        "overrideReason": {"reason": {"code": "will-adjust", "system": "x"}, "userComment": "at once"}}]});
    let (_, _, said) = s.ask("POST", "/cds-services/tube-feeding-order-sign/feedback", &feedback.to_string()).await;
    assert_eq!((said["kept"].as_bool(), said["received"].as_u64()), (Some(true), Some(1)), "{said}");
    let tasks = s.get("/fhir/R4/Task").await;
    assert_eq!(tasks["total"], 1);
    let id = item_of(&resources(&tasks)[0]);
    let words: Vec<String> =
        s.store.trail(id.clone()).await.unwrap().iter().map(|e| e.what.words(&|at| at.to_string())).collect();
    assert_eq!(words, ["recorded", "went on in spite of the card: Will adjust the order: at once"]);
    // What was offered on the card, and how it was judged again, is with the order as well.
    let sheet = s.store.get(id.clone()).await.unwrap().unwrap().report.sheet.unwrap();
    let held = sheet.found.iter().flat_map(|f| &f.offers).filter(|offer| offer.held.is_ok());
    let labels: std::collections::BTreeSet<&str> = held.map(|offer| offer.label.as_str()).collect();
    let suggested = body["cards"][0]["suggestions"].as_array().unwrap().iter();
    let suggested: std::collections::BTreeSet<&str> = suggested.map(|s| s["label"].as_str().unwrap()).collect();
    assert!(!suggested.is_empty() && suggested.is_subset(&labels), "{suggested:?} {labels:?}");
    // A client whose clock is ahead; a lane that was not asked has no history.
    let ahead = feedback.to_string().replace("2026-11-25T", "2199-11-25T");
    s.ask("POST", "/cds-services/tube-feeding-order-sign/feedback", &ahead).await;
    let item = s.store.get(id.clone()).await.unwrap().unwrap().summary;
    assert_eq!(item.version, 3);
    assert!(item.changed_at <= Timestamp::now());
    for (lane, entries) in [("pharmacist", 3), ("dietitian", 0)] {
        let history = s.get(&format!("/fhir/R4/Provenance?target=Task/{id}-{lane}")).await;
        // FHIR: a reference may be an id alone, or the whole address.
        for named in [format!("{id}-{lane}"), format!("http://localhost:8731/fhir/R4/Task/{id}-{lane}")] {
            let same = s.get(&format!("/fhir/R4/Provenance?target={named}")).await;
            assert_eq!((&same["total"], &same["entry"]), (&history["total"], &history["entry"]), "{named}");
        }
        assert_eq!(history["total"], entries, "{lane}");
    }
    // RFC 9562: the letters of a UUID are read without regard to case.
    let capitals = feedback.to_string().replace(card, &card.to_uppercase());
    let (_, _, said) = s.ask("POST", "/cds-services/tube-feeding-order-sign/feedback", &capitals).await;
    assert_eq!((said["kept"].as_bool(), said["unknownCards"].as_u64()), (Some(true), Some(0)), "{said}");
    // A card that is not of here is counted and not kept.
    let other = feedback.to_string().replace(card, "4e0a3a1e-3283-4575-ab82-028d55fe2719");
    let (_, _, said) = s.ask("POST", "/cds-services/tube-feeding-order-sign/feedback", &other).await;
    assert_eq!(said["kept"], false, "{said}");
}

/// Drafts that name nobody are for whom the hook is about: the same draft for two patients is two orders.
#[tokio::test]
async fn a_draft_that_names_nobody_is_of_the_hooks_patient() {
    let s = Service::new("nobody").await;
    let text = std::fs::read_to_string("tests/hooks/requests/sign-maximum-below-schedule.json").unwrap();
    for patient in ["invented-a", "invented-b"] {
        let mut request: Value = serde_json::from_str(&text).unwrap();
        request["context"]["patientId"] = json!(patient);
        request.as_object_mut().unwrap().remove("prefetch");
        for entry in request["context"]["draftOrders"]["entry"].as_array_mut().unwrap() {
            entry["resource"].as_object_mut().unwrap().remove("patient");
        }
        let (status, _, body) = s.ask("POST", "/cds-services/tube-feeding-order-sign", &request.to_string()).await;
        assert_eq!(status, StatusCode::OK, "{body}");
    }
    for patient in ["invented-a", "invented-b"] {
        let own = s.get(&format!("/fhir/R4/Task?patient={patient}&performer=pharmacist")).await;
        assert_eq!(own["total"], 1, "{own}");
    }
}

/// Each entry of a batch; an order that is clear, and one that could not be read, leave nothing behind.
#[tokio::test]
async fn a_batch_is_recorded_whole() {
    let s = Service::new("batch").await;
    let order = |n: usize| {
        json!({"resourceType": "NutritionOrder", "id": format!("b{n}"), "status": "draft", "intent": "order",
        "patient": {"reference": "Patient/p"}, "dateTime": "2026-11-25",
        "enteralFormula": {"administration": [{"rateQuantity": {"value": 50, "unit": "mL/h"}}]}})
    };
    let entry = |resource: Value| json!({"request": {"method": "POST", "url": "NutritionOrder/$validate"}, "resource": resource});
    let batch = json!({"resourceType": "Bundle", "type": "batch",
        "entry": [entry(order(1)), entry(order(2)), entry(json!({"resourceType": "Patient"})), entry(order(2))]});
    let (status, header, body) = s.ask("POST", "/fhir/R4", &batch.to_string()).await;
    assert_eq!((status, header.as_deref()), (StatusCode::OK, Some("recorded")), "{body}");
    assert_eq!(s.get("/fhir/R4/Task").await["total"], 2);
    let clear = std::fs::read_to_string("tests/hooks/requests/sign-clear.json").unwrap();
    let (status, header, body) = s.ask("POST", "/cds-services/tube-feeding-order-sign", &clear).await;
    assert_eq!((status, header), (StatusCode::OK, None), "{body}");
    assert_eq!(s.get("/fhir/R4/Task").await["total"], 2);
}

/// When nothing can be recorded any more, every way says so and nothing of the findings is missing.
#[tokio::test]
async fn not_recorded_is_said_in_every_answer() {
    let s = Service::new("away").await;
    s.store.close().await.unwrap();
    let order = json!({"resourceType": "NutritionOrder", "id": "n", "status": "draft", "intent": "order",
        "enteralFormula": {"administration": [{"rateQuantity": {"value": 50, "unit": "mL/h"}}]}})
    .to_string();
    let quiet = Service::new("none").await;
    for (operation, at) in [("$validate", "/issue"), ("$appraise", "/parameter/1/resource/issue")] {
        let path = format!("/fhir/R4/NutritionOrder/{operation}");
        let (status, header, body) = s.ask("POST", &path, &order).await;
        assert_eq!((status, header.as_deref()), (StatusCode::OK, Some("not-recorded")));
        let (_, _, whole) = quiet.ask("POST", &path, &order).await;
        let issues = body.pointer(at).and_then(Value::as_array).unwrap();
        let others = whole.pointer(at).and_then(Value::as_array).unwrap();
        assert_eq!(&issues[..issues.len() - 1], &others[..], "the same findings and one issue more");
        assert!(issues.last().unwrap()["details"]["text"].as_str().unwrap().starts_with("Not recorded"));
    }
    let request = std::fs::read_to_string("tests/hooks/requests/sign-maximum-below-schedule.json").unwrap();
    let (_, header, body) = s.ask("POST", "/cds-services/tube-feeding-order-sign", &request).await;
    let (_, _, whole) = quiet.ask("POST", "/cds-services/tube-feeding-order-sign", &request).await;
    assert_eq!(header.as_deref(), Some("not-recorded"));
    assert_eq!(body["extension"]["example.enteral-gate"]["orders"][0]["recorded"], false);
    let detail = body["cards"][0]["detail"].as_str().unwrap();
    assert!(detail.starts_with(whole["cards"][0]["detail"].as_str().unwrap()) && detail.contains("Not recorded"));
    assert_eq!(body["cards"][0]["uuid"], whole["cards"][0]["uuid"], "feedback is on the same card");
    let (status, _, said) = s.ask("GET", "/fhir/R4/Task", "").await;
    assert_eq!((status, said["issue"][0]["code"].as_str()), (StatusCode::SERVICE_UNAVAILABLE, Some("transient")));
}

/// Where no callers are configured the service is for this machine: a name of another site that leads here is not it.
#[tokio::test]
async fn a_name_of_another_site_reads_nothing() {
    use tower::ServiceExt;
    let service = Service::new("rebound").await;
    service.order(1, 50).await;
    let status = async |host: &str, path: &str| {
        let request = Request::builder().uri(path).header("host", host).body(Body::empty()).unwrap();
        service.router.clone().oneshot(request).await.unwrap().status()
    };
    for path in ["/fhir/R4/Task", "/fhir/R5/DetectedIssue"] {
        for host in ["localhost", "localhost:8731", "127.0.0.1:8731", "[::1]:8731", "127.0.0.9"] {
            assert_eq!(status(host, path).await, StatusCode::OK, "{host}");
        }
        for host in [
            "rebound.example",
            "rebound.example:8731",
            "localhost.rebound.example",
            "192.0.2.1",
            "127.0.0.1.example",
            "",
        ] {
            assert_eq!(status(host, path).await, StatusCode::FORBIDDEN, "{host}");
        }
    }
}

/// FHIR (R4 and R5, search, "date"): what is written stands for its whole span, a minute, a second, or a second's part of as
/// many digits. What the service says of a time is found by it, and nothing between it and the next is passed over.
#[tokio::test]
async fn a_time_stands_for_the_span_that_it_is_written_to() {
    let s = Service::new("spans").await;
    s.order(1, 50).await;
    let all = resources(&s.get("/fhir/R4/Task").await);
    assert_eq!(all.len(), 1, "{all:?}");
    let task = format!("Task/{}", all[0]["id"].as_str().unwrap());
    for (search, parameter, at, own) in [
        ("Task?", "authored-on", "/authoredOn", 6),
        ("Task?", "modified", "/lastModified", 6),
        ("Task?", "_lastUpdated", "/meta/lastUpdated", 6),
        ("DetectedIssue?_total=accurate&", "identified", "/identifiedDateTime", 6),
        ("DetectedIssue?_total=accurate&", "_lastUpdated", "/meta/lastUpdated", 6),
        (&format!("Provenance?target={task}&"), "recorded", "/recorded", 9),
        (&format!("AuditEvent?entity={task}&"), "date", "/recorded", 9),
    ] {
        let whole = s.get(&format!("/fhir/R4/{search}")).await;
        let total = whole["total"].as_u64().unwrap();
        assert!(total > 0, "{search}");
        let said = resources(&whole)[0].pointer(at).unwrap().as_str().unwrap().to_owned();
        let (front, digits) = said.strip_suffix('Z').unwrap().split_once('.').unwrap();
        assert_eq!(digits.len(), own, "as precise as it is kept: {said}");
        let (front, digits) = (front.to_owned(), digits.to_owned());
        let n = async |prefix: &str, time: &str| {
            s.get(&format!("/fhir/R4/{search}{parameter}={prefix}{time}")).await["total"].as_u64().unwrap()
        };
        let mut within = vec![format!("{}Z", &front[..16]), format!("{}%2B00:00", &front[..16]), format!("{front}Z")];
        within.extend((1..=own).map(|n| format!("{front}.{}Z", &digits[..n])));
        within.push(format!("{front}.{digits:0<9}Z"));
        for time in &within {
            for (prefix, found) in
                [("", total), ("eq", total), ("ge", total), ("le", total), ("gt", 0), ("sa", 0), ("lt", 0), ("ne", 0)]
            {
                assert_eq!(n(prefix, time).await, found, "{search}{parameter}={prefix}{time}, {said}");
            }
        }
        let at: Timestamp = said.parse().unwrap();
        for (before, step) in [(1_i64, 1), (1, 1_000), (1, 1_000_000), (-1, 1), (-1, 1_000), (-1, 1_000_000)] {
            let other = at.checked_sub(jiff::SignedDuration::from_nanos(before * step)).unwrap();
            let (gt, lt) = if before > 0 { (total, 0) } else { (0, total) };
            assert_eq!(
                (n("gt", &format!("{other:.9}")).await, n("lt", &format!("{other:.9}")).await),
                (gt, lt),
                "{other}"
            );
        }
        let minute = |n: i64| {
            let other = at.checked_add(jiff::SignedDuration::from_mins(n)).unwrap().to_string();
            format!("{}Z", &other[..16])
        };
        assert_eq!((n("gt", &minute(-1)).await, n("", &minute(-1)).await), (total, 0));
        assert_eq!((n("lt", &minute(1)).await, n("", &minute(1)).await), (total, 0));
    }
    for wrong in
        ["2026-11-27T10Z", "2026-11-27T1040Z", "2026-11-27T10:40:00,5Z", "2026-11-27T10:40:00.Z", "2026-11-27T"]
    {
        let (status, ..) = s.ask("GET", &format!("/fhir/R4/Task?modified={wrong}"), "").await;
        assert_eq!(status, StatusCode::BAD_REQUEST, "{wrong}");
    }
}

/// FHIR, "Searching by id": each resource stands in the answer once, and what a page does not hold is on the next.
#[tokio::test]
async fn what_is_asked_for_by_id_comes_once_and_by_pages() {
    let s = Service::with("ids", file::read(file::starter()).unwrap()).await;
    for n in 0..4 {
        s.order(n, 50).await;
    }
    let id_of = |r: &Value| r["id"].as_str().unwrap().to_owned();
    let all: Vec<String> = resources(&s.get("/fhir/R4/Task?_sort=modified").await).iter().map(id_of).collect();
    assert!(all.len() > 3);
    let one = s.get(&format!("/fhir/R4/Task?_id={0},{0},nonsense,{0}", all[0])).await;
    assert_eq!((one["total"].as_u64(), resources(&one).len()), (Some(1), 1), "{one:#}");
    let backwards: Vec<String> = all.iter().rev().cloned().collect();
    let asked = [all[2].clone(), all[0].clone(), all[2].clone(), all[1].clone()];
    for (ids, sort, expected) in [
        (&asked[..], "", vec![&all[2], &all[0], &all[1]]),
        (&backwards, "&_sort=modified", all.iter().collect()),
        (&all, "&_sort=-modified", backwards.iter().collect()),
    ] {
        // What is alike stands by its id, upwards either way; two tasks of one item are alike.
        let expected: Vec<String> = expected.into_iter().cloned().collect();
        for count in [1, 2, 50] {
            let mut at = format!("/fhir/R4/Task?_id={}{sort}&_count={count}", ids.join(","));
            let mut seen = Vec::new();
            loop {
                let page = s.get(&at).await;
                assert_eq!(page["total"].as_u64(), Some(expected.len() as u64), "{page:#}");
                let own = resources(&page);
                assert!((1..=count).contains(&own.len()), "{at}: {page:#}");
                seen.extend(own.iter().map(id_of));
                let mut links = page["link"].as_array().unwrap().iter();
                let itself = links.next().unwrap()["url"].as_str().unwrap().split_once("/fhir").unwrap().1.to_owned();
                assert_eq!(resources(&s.get(&format!("/fhir{itself}")).await), own, "{itself}");
                let Some(next) = links.find(|link| link["relation"] == "next") else { break };
                at = format!("/fhir{}", next["url"].as_str().unwrap().split_once("/fhir").unwrap().1);
            }
            if sort == "&_sort=-modified" {
                let items = |ids: &[String]| ids.iter().map(|id| id[..36].to_owned()).collect::<Vec<_>>();
                assert_eq!(items(&seen), items(&expected), "{sort} by {count}");
                let (mut seen, mut expected) = (seen.clone(), expected.clone());
                seen.sort();
                expected.sort();
                assert_eq!(seen, expected, "{sort} by {count}");
            } else {
                assert_eq!(seen, expected, "{sort} by {count}");
            }
        }
    }
    let (status, ..) = s.ask("GET", &format!("/fhir/R4/Task?_id={}&page=nonsense", all[0]), "").await;
    assert_eq!(status, StatusCode::BAD_REQUEST);
}

/// One item that is damaged keeps nobody from the others, and is never left out in silence.
#[tokio::test]
async fn an_item_that_cannot_be_read_is_named_beside_the_others() {
    use sqlx::Connection;
    for (name, column, held) in [("state", "state", true), ("state-asked", "state", false), ("report", "report", true)]
    {
        let s = Service::with(&format!("damaged-{name}"), file::read(file::starter()).unwrap()).await;
        for n in 0..5 {
            s.order(n, 50).await;
        }
        if !held {
            // Lists come from the database.
            s.store.hold_at_most(0);
        }
        let tasks = resources(&s.get("/fhir/R4/Task?_count=200").await);
        let issues = resources(&s.get("/fhir/R4/DetectedIssue?_count=200").await);
        let damaged = item_of(&tasks[tasks.len() / 2]);
        let task = tasks.iter().find(|task| item_of(task) == damaged).unwrap()["id"].as_str().unwrap();
        let options = sqlx::sqlite::SqliteConnectOptions::new().filename(s.folder.join("queue.sqlite"));
        let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
        let sql = format!("UPDATE items SET {column} = '{{' WHERE id = '{damaged}'");
        sqlx::raw_sql(sqlx::AssertSqlSafe(sql)).execute(&mut conn).await.unwrap();
        conn.close().await.unwrap();
        let of_it = |r: &&Value| r["id"].as_str().unwrap().starts_with(damaged.as_str());
        let named = |entry: &Value| {
            assert_eq!(entry["resource"]["resourceType"], "OperationOutcome", "{entry:#}");
            let issues = entry["resource"]["issue"].as_array().unwrap();
            for issue in issues {
                assert_eq!((&issue["severity"], &issue["code"]), (&json!("error"), &json!("exception")), "{issue:#}");
            }
            issues.iter().any(|issue| issue["details"]["text"].as_str().unwrap().contains(damaged.as_str()))
        };
        for (kind, all) in [("Task", &tasks), ("DetectedIssue", &issues)] {
            // A task is told from the summary alone.
            let whole = kind == "Task" && column == "report";
            let others: Vec<&str> =
                all.iter().filter(|r| whole || !of_it(r)).map(|r| r["id"].as_str().unwrap()).collect();
            for (sort, count) in [("", 1), ("", 2), ("", 200), ("&_sort=_lastUpdated", 1)] {
                let (mut at, mut seen, mut is_named, mut pages) =
                    (format!("/fhir/R4/{kind}?_count={count}{sort}"), Vec::new(), false, 0);
                loop {
                    let page = s.get(&at).await;
                    let entries = page["entry"].as_array().cloned().unwrap_or_default();
                    let (matches, outcomes): (Vec<_>, Vec<_>) =
                        entries.into_iter().partition(|entry| entry["search"]["mode"] == "match");
                    assert!(matches.len() <= count, "{at}: {page:#}");
                    is_named |= outcomes.iter().any(named);
                    seen.extend(matches.iter().map(|e| e["resource"]["id"].as_str().unwrap().to_owned()));
                    pages += 1;
                    assert!(pages < 200, "{at}");
                    let mut links = page["link"].as_array().unwrap().iter();
                    let Some(next) = links.find(|link| link["relation"] == "next") else { break };
                    at = format!("/fhir{}", next["url"].as_str().unwrap().split_once("/fhir").unwrap().1);
                }
                assert_eq!(is_named, !whole, "{kind} {column}");
                if sort.is_empty() {
                    assert_eq!(seen, others, "{kind} {column} by {count}");
                } else {
                    assert_eq!(seen.len(), others.len(), "{kind} {column} {sort}");
                }
            }
        }
        // How many findings there are is not known then, and that is said.
        let counted = s.get("/fhir/R4/DetectedIssue?_summary=count").await;
        if column == "state" {
            assert!(counted.get("total").is_none() && named(&counted["entry"][0]), "{counted:#}");
        }
        let asked = s.get(&format!("/fhir/R4/Task?_id={task}")).await;
        let found = asked["entry"].as_array().unwrap();
        assert!(found.len() == 1 && named(&found[0]), "{asked:#}");
        for path in
            [format!("Task/{task}"), format!("DetectedIssue/{damaged}-1"), format!("Provenance?target=Task/{task}")]
        {
            let (status, _, body) = s.ask("GET", &format!("/fhir/R4/{path}"), "").await;
            assert_eq!(status, StatusCode::SERVICE_UNAVAILABLE, "{path}: {body}");
            assert_eq!(body["issue"][0]["code"], "exception", "{body}");
            assert!(body["issue"][0]["details"]["text"].as_str().unwrap().contains(damaged.as_str()), "{body}");
        }
    }
}
