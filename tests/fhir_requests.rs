//! What FHIR clients may ask beside the order itself: modes of `$validate`, conditions, preferences; and that every answer
//! says by what it was judged. `docs/fhir.md` describes it; the words are of FHIR R4 and R5 ("Resource-validate",
//! "RESTful API"), RFC 9110 (conditions) and RFC 7240 (preferences).

use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::{App, Limits, server};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::rulebook::Rulebook;
use enteral_gate::settings::Settings;
use serde_json::{Value, json};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;

const VALIDATE: &str = "/fhir/R4/NutritionOrder/$validate";
const INSTANCE: &str = "/fhir/R4/NutritionOrder/feed-1/$validate";
const APPRAISE: &str = "/fhir/R4/NutritionOrder/$appraise";

struct Service {
    here: SocketAddr,
    client: reqwest::Client,
    formulary: String,
    rulebook: String,
}

struct Answer {
    status: u16,
    applied: Option<String>,
    body: Value,
}

impl Answer {
    fn issues(&self) -> &Vec<Value> {
        assert_eq!(self.body["resourceType"], "OperationOutcome", "{}", self.body);
        self.body["issue"].as_array().unwrap()
    }

    /// Severity, code, FHIRPath of the issues whose text holds `words`.
    fn issue(&self, words: &str) -> Vec<(String, String, Option<String>)> {
        let text = |value: &Value| value.as_str().unwrap_or_default().to_owned();
        let with = self.issues().iter().filter(|i| text(&i["details"]["text"]).contains(words));
        with.map(|i| (text(&i["severity"]), text(&i["code"]), i["expression"][0].as_str().map(str::to_owned))).collect()
    }

    fn refused(&self, status: u16, code: &str, words: &str) {
        assert_eq!((self.status, self.issues().len()), (status, 1), "{}", self.body);
        let issue = &self.issues()[0];
        assert_eq!(issue["code"], code, "{issue}");
        let text = issue["details"]["text"].as_str().unwrap();
        assert!(text.contains(words), "{text}");
        assert!(matches!(issue["severity"].as_str(), Some("error" | "fatal")));
    }
}

fn starter() -> Rulebook {
    enteral_gate::cli::rulebook::named(std::path::Path::new("starter")).unwrap()
}

impl Service {
    async fn new() -> Self {
        let formulary = Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
        let (hash, book) = (formulary.hash().to_owned(), starter());
        let rulebook = book.hash.clone();
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let here = listener.local_addr().unwrap();
        let limits = Limits { hook_time: Duration::from_secs(20), ..Limits::default() };
        let app = App::new(Arc::new(Core::with(formulary, book)), Settings::default(), limits);
        tokio::spawn(server::serve(listener, app, std::future::pending()));
        Self { here, client: reqwest::Client::new(), formulary: hash, rulebook }
    }

    async fn post_with(&self, path: &str, headers: &[(&str, &str)], body: &Value) -> Answer {
        let mut request = self.client.post(format!("http://{}{path}", self.here));
        request = request.header("content-type", "application/fhir+json").body(body.to_string());
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        let answer = request.send().await.unwrap();
        let status = answer.status().as_u16();
        let applied = answer.headers().get("preference-applied").map(|v| v.to_str().unwrap().to_owned());
        let text = answer.text().await.unwrap();
        Answer { status, applied, body: serde_json::from_str(&text).unwrap_or_else(|_| panic!("no JSON: {text}")) }
    }

    async fn post(&self, path: &str, body: &Value) -> Answer {
        self.post_with(path, &[], body).await
    }
}

/// An order alone, with this id.
fn order(id: Option<&str>) -> Value {
    let bundle: Value = serde_json::from_str(include_str!("cases/c1.r4.json")).unwrap();
    let entries = bundle["entry"].as_array().unwrap().iter();
    let mut order =
        entries.map(|e| e["resource"].clone()).find(|r| r["resourceType"] == "NutritionOrder").expect("an order");
    order.as_object_mut().unwrap().remove("id");
    if let Some(id) = id {
        order["id"] = json!(id);
    }
    order
}

fn parameters(mode: &str, order: &Value) -> Value {
    json!({"resourceType": "Parameters", "parameter": [{"name": "mode", "valueCode": mode}, {"name": "resource", "resource": order}]})
}

/// An address whose escapes are no text is refused like everything else, wherever it stands.
#[tokio::test]
async fn an_address_that_is_no_text_is_refused_in_fhirs_form() {
    let s = Service::new().await;
    for (method, path) in [
        ("GET", "/fhir/R4/Task/%ff"),
        ("GET", "/fhir/%ff/Task"),
        ("GET", "/fhir/%ff/metadata"),
        ("GET", "/demo/orders/%ff"),
        ("POST", "/fhir/%ff/NutritionOrder/$validate"),
        ("POST", "/fhir/R4/NutritionOrder/%ff/$validate"),
        ("POST", "/cds-services/%ff"),
        ("POST", "/cds-services/%ff/feedback"),
    ] {
        let request = s.client.request(method.parse().unwrap(), format!("http://{}{path}", s.here));
        let answer = request.header("content-type", "application/fhir+json").body("{}").send().await.unwrap();
        let status = answer.status().as_u16();
        let kind = answer.headers()["content-type"].to_str().unwrap().to_owned();
        let text = answer.text().await.unwrap();
        assert!(kind.starts_with("application/fhir+json"), "{method} {path}: {status} {kind} {text}");
        let answer = Answer { status, applied: None, body: serde_json::from_str(&text).unwrap() };
        answer.refused(400, "value", "The address is not valid percent-encoded UTF-8.");
    }
}

#[tokio::test]
async fn create_checks_the_content() {
    let s = Service::new().await;
    let plain = s.post(VALIDATE, &order(None)).await;
    assert_eq!(plain.status, 200);
    for (path, body) in [
        (format!("{VALIDATE}?mode=create"), order(None)),
        (INSTANCE.to_owned(), order(None)),
        (format!("{INSTANCE}?mode=create"), order(None)),
    ] {
        let answer = s.post(&path, &body).await;
        assert_eq!((answer.status, &answer.body), (200, &plain.body), "{path}");
    }
    let within = s.post(VALIDATE, &parameters("create", &order(None))).await;
    assert_eq!((within.status, within.issues().len()), (200, plain.issues().len()));
}

#[tokio::test]
async fn update_needs_the_id_of_the_address() {
    let s = Service::new().await;
    let plain = s.post(INSTANCE, &order(Some("feed-1"))).await;
    let at = format!("{INSTANCE}?mode=update");
    let good = s.post(&at, &order(Some("feed-1"))).await;
    assert_eq!(good.status, 200);
    // The same issues, and one that says what was not checked.
    assert_eq!(&good.issues()[1..], &plain.issues()[..]);
    let note = ("information".to_owned(), "incomplete".to_owned(), None);
    assert_eq!(good.issue("Whether this order exists"), std::slice::from_ref(&note));
    for (path, body, code, place) in [
        (at.as_str(), order(None), "required", "NutritionOrder"),
        (&at, order(Some("feed-2")), "value", "NutritionOrder.id"),
        (&at, order(Some("Feed-1")), "value", "NutritionOrder.id"),
        (INSTANCE, parameters("update", &order(None)), "required", "Parameters.parameter[1].resource"),
        (INSTANCE, parameters("update", &order(Some("x"))), "value", "Parameters.parameter[1].resource.id"),
    ] {
        let answer = s.post(path, &body).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        let first = &answer.issues()[0];
        assert_eq!((&first["severity"], &first["code"]), (&json!("error"), &json!(code)));
        assert_eq!(first["expression"], json!([place]));
        assert_eq!(answer.issue("Whether this order exists"), std::slice::from_ref(&note));
        assert_eq!(answer.issues().len(), plain.issues().len() + 2);
    }
    let good = s.post(INSTANCE, &parameters("update", &order(Some("feed-1")))).await;
    assert!(good.issue("id").iter().all(|(severity, ..)| severity != "error"), "{}", good.body);
    for path in [format!("{VALIDATE}?mode=update"), "/fhir/R4/$validate?mode=update".to_owned()] {
        s.post(&path, &order(Some("feed-1"))).await.refused(400, "not-supported", "NutritionOrder/ID/$validate");
    }
    s.post(VALIDATE, &parameters("update", &order(None))).await.refused(
        400,
        "not-supported",
        "update is for one order",
    );
    for bad in ["a%20b", &"x".repeat(65), "%C3%A4"] {
        let path = format!("/fhir/R4/NutritionOrder/{bad}/$validate");
        s.post(&path, &order(None)).await.refused(404, "not-found", "1 to 64 letters");
    }
    s.post(INSTANCE, &json!({"resourceType": "Bundle"})).await.refused(400, "invalid", "Expected NutritionOrder");
}

#[tokio::test]
async fn other_modes_are_refused_by_name() {
    let s = Service::new().await;
    for (path, body) in [
        (format!("{INSTANCE}?mode=delete"), order(Some("feed-1"))),
        (INSTANCE.to_owned(), parameters("delete", &order(Some("feed-1")))),
        // The content is of no account.
        (format!("{INSTANCE}?mode=delete"), json!({})),
    ] {
        s.post(&path, &body).await.refused(400, "not-supported", "whether an order may be deleted cannot be told");
    }
    s.post(&format!("{VALIDATE}?mode=delete"), &order(None)).await.refused(400, "not-supported", "delete is for one");
    for path in [VALIDATE, INSTANCE] {
        s.post(&format!("{path}?mode=destroy"), &order(None)).await.refused(400, "value", "\"destroy\" is not known");
        let body = parameters("up<b>", &order(None));
        s.post(path, &body).await.refused(400, "value", "\"up?b?\" is not known; expected create, update");
        let twice = parameters("create", &order(None));
        s.post(&format!("{path}?mode=create"), &twice).await.refused(400, "value", "more than once");
    }
}

#[tokio::test]
async fn conditions_are_refused() {
    let s = Service::new().await;
    let batch = |with: Value| {
        let mut request = json!({"method": "POST", "url": "NutritionOrder/$validate"});
        request.as_object_mut().unwrap().extend(with.as_object().unwrap().clone());
        json!({"resourceType": "Bundle", "type": "batch", "entry": [
            {"request": request, "resource": order(None)},
            {"request": {"method": "POST", "url": "NutritionOrder/feed-1/$validate?mode=update"}, "resource": order(Some("feed-1"))}]})
    };
    for (name, value, element) in [
        ("If-None-Exist", "identifier=x", "ifNoneExist"),
        ("If-Match", "W/\"3\"", "ifMatch"),
        ("If-None-Match", "*", "ifNoneMatch"),
        ("If-Modified-Since", "Thu, 26 Nov 2026 06:00:00 GMT", "ifModifiedSince"),
        ("If-Unmodified-Since", "Thu, 26 Nov 2026 06:00:00 GMT", ""),
    ] {
        for path in [VALIDATE, INSTANCE, APPRAISE, "/fhir/R4/$validate", "/fhir/R4/Bundle/$validate", "/fhir/R4"] {
            let answer = s.post_with(path, &[(name, value)], &order(None)).await;
            answer.refused(412, "not-supported", &format!("{name}: orders are not served from here"));
        }
        if element.is_empty() {
            continue;
        }
        let answer = s.post("/fhir/R4", &batch(json!({element: value}))).await;
        assert_eq!(answer.status, 200);
        let entries = answer.body["entry"].as_array().unwrap();
        assert_eq!(entries[0]["response"]["status"], "412 Precondition Failed");
        let text = entries[0]["response"]["outcome"]["issue"][0]["details"]["text"].as_str().unwrap();
        assert!(text.starts_with(&format!("{element}: orders are not served from here")), "{text}");
        assert_eq!(entries[1]["response"]["status"], "200 OK", "the others are answered");
    }
    // What is read has no version: the whole is answered.
    for path in ["/fhir/R4/metadata", "/fhir/R4/CodeSystem/finding"] {
        let get = s.client.get(format!("http://{}{path}", s.here)).header("if-none-match", "*");
        assert_eq!(get.send().await.unwrap().status(), 200);
    }
}

#[tokio::test]
async fn preferences_are_honoured_or_passed_over() {
    let s = Service::new().await;
    let plain = s.post(VALIDATE, &order(None)).await;
    for (prefer, applied) in [
        ("return=minimal", None),
        ("return=representation", None),
        ("return=OperationOutcome", Some("return=OperationOutcome")),
        ("respond-async", None),
        ("respond-async, wait=10", None),
        ("handling=strict", Some("handling=strict")),
        ("handling=lenient", Some("handling=lenient")),
        ("handling=lenient, return=OperationOutcome", Some("handling=lenient, return=OperationOutcome")),
        ("something=else", None),
    ] {
        let answer = s.post_with(VALIDATE, &[("Prefer", prefer)], &order(None)).await;
        assert_eq!((answer.status, answer.applied.as_deref(), &answer.body), (200, applied, &plain.body), "{prefer}");
    }
    // An appraisal is Parameters, whatever is preferred.
    let answer = s.post_with(APPRAISE, &[("Prefer", "return=OperationOutcome")], &order(None)).await;
    assert_eq!((answer.applied.as_deref(), &answer.body["resourceType"]), (None, &json!("Parameters")));
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [
        {"request": {"method": "POST", "url": "NutritionOrder/$validate?dayz=1"}, "resource": order(None)}]});
    for (prefer, status) in [("handling=strict", "400 Bad Request"), ("handling=lenient", "200 OK")] {
        let answer = s.post_with("/fhir/R4", &[("Prefer", prefer)], &batch).await;
        assert_eq!((answer.status, answer.applied.as_deref()), (200, Some(prefer)));
        assert_eq!(answer.body["entry"][0]["response"]["status"], status);
    }
    let answer = s.post_with("/fhir/R4?dayz=1", &[("Prefer", "handling=lenient")], &batch).await;
    answer.refused(400, "value", "dayz");
}

#[tokio::test]
async fn what_is_passed_over_is_named() {
    let s = Service::new().await;
    let lenient: &[(&str, &str)] = &[("Prefer", "handling=lenient")];
    let plain = s.post(VALIDATE, &order(None)).await;
    let warning = |name: &str| format!("Parameter {name}: is not known here and was passed over");
    for (path, body, names) in [
        (format!("{VALIDATE}?dayz=1&zones=x"), order(None), vec!["dayz", "zones"]),
        (
            VALIDATE.to_owned(),
            json!({"resourceType": "Parameters", "parameter": [
                {"name": "modus", "valueCode": "create"}, {"name": "part", "part": []}, {"name": "resource", "resource": order(None)}]}),
            vec!["modus", "part"],
        ),
    ] {
        s.post(&path, &body).await.refused(400, "value", "Parameter");
        let answer = s.post_with(&path, lenient, &body).await;
        assert_eq!(answer.status, 200, "{}", answer.body);
        for (name, issue) in names.iter().zip(answer.issues()) {
            assert_eq!((&issue["severity"], &issue["code"]), (&json!("warning"), &json!("not-supported")));
            assert!(issue["details"]["text"].as_str().unwrap().starts_with(&warning(name)), "{issue}");
        }
        assert_eq!(answer.issues().len(), plain.issues().len() + names.len());
    }
    let answer = s.post_with(&format!("{APPRAISE}?dayz=1"), lenient, &order(None)).await;
    assert_eq!(answer.status, 200);
    let parts = answer.body["parameter"].as_array().unwrap();
    let outcome = parts.iter().find(|p| p["name"] == "outcome").unwrap();
    assert!(outcome["resource"]["issue"][0]["details"]["text"].as_str().unwrap().starts_with(&warning("dayz")));
    // A value that cannot be used is not passed over, nor a parameter given twice, nor any number of them.
    for query in ["date=tomorrow", "days=2&days=3", "mode=destroy"] {
        let answer = s.post_with(&format!("{VALIDATE}?{query}"), lenient, &order(None)).await;
        answer.refused(400, "value", "Parameter");
    }
    let many: String = (0..21).map(|n| format!("&n{n}=1")).collect();
    s.post_with(&format!("{VALIDATE}?x=1{many}"), lenient, &order(None)).await.refused(400, "value", "n19");
}

/// Formulary and rulebook, by hash, in every answer to an order.
#[tokio::test]
async fn every_answer_says_by_what_it_was_judged() {
    let s = Service::new().await;
    assert!(s.formulary.len() >= 16 && s.rulebook.len() == 16);
    let names = |text: &str, what: &str| {
        for version in [env!("CARGO_PKG_VERSION"), &s.formulary, &s.rulebook] {
            assert!(text.contains(version), "{what} does not name {version}: {text}");
        }
    };
    let mut orders = 0;
    for version in FhirVersion::ALL {
        let folder = format!("{}/tests/orders/valid/{}", env!("CARGO_MANIFEST_DIR"), &version.name()[..2]);
        for file in std::fs::read_dir(folder).unwrap() {
            let body: Value = serde_json::from_str(&std::fs::read_to_string(file.unwrap().path()).unwrap()).unwrap();
            let base = format!("/fhir/{}", version.name());
            let outcome = s.post(&format!("{base}/$validate"), &body).await;
            assert_eq!(outcome.status, 200);
            names(outcome.issues().last().unwrap()["diagnostics"].as_str().unwrap(), "$validate");
            let appraisal = s.post(&format!("{base}/NutritionOrder/$appraise"), &body).await;
            let part = |of: &Value, name: &str| {
                let parts = of.as_array().unwrap();
                parts.iter().find(|p| p["name"] == name).unwrap_or_else(|| panic!("no {name}")).clone()
            };
            names(&part(&appraisal.body["parameter"], "version").to_string(), "$appraise");
            let entry = |url: &str| json!({"request": {"method": "POST", "url": url}, "resource": body});
            let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [entry("$validate"), entry("NutritionOrder/$appraise")]});
            let batch = s.post(&base, &batch).await;
            for entry in batch.body["entry"].as_array().unwrap() {
                names(&entry["resource"].to_string(), "an entry of a batch");
            }
            orders += 1;
        }
    }
    assert!(orders > 10, "{orders}");
    for name in ["sign-maximum-below-schedule", "sign-clear", "no-draft", "prefetch-absent"] {
        let file = format!("{}/tests/hooks/requests/{name}.json", env!("CARGO_MANIFEST_DIR"));
        let body: Value = serde_json::from_str(&std::fs::read_to_string(file).unwrap()).unwrap();
        let answer = s.post("/cds-services/tube-feeding-order-sign", &body).await;
        assert_eq!(answer.status, 200);
        names(&answer.body["extension"].to_string(), name);
    }
}
