//! `docs/cds-hooks-transcript.md` is what the service really says: every call in it is made here again.
//! `UPDATE=1 cargo test --test transcript` writes it.

use enteral_gate::access::Access;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::appraiser::Core;
use enteral_gate::http::gate::Gate;
use enteral_gate::http::key_sets::{KeySets, Pace};
use enteral_gate::http::{App, Doors, Limits, server};
use enteral_gate::settings::{Hooks, NothingChecked, Settings};
use serde_json::{Value, json};
use std::fmt::Write as _;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const SELECT: &str = "/cds-services/tube-feeding-order-select";
/// Headers of an answer that are shown, where it has them.
const SHOWN: [&str; 6] = ["content-type", "cache-control", "www-authenticate", "allow", "accept", "x-request-id"];

async fn service(nothing_checked: NothingChecked, gate: bool) -> SocketAddr {
    let access = Access { public_url: "https://gate.example".to_owned(), leeway: 30, issuers: Vec::new() };
    let sets = KeySets::new(&access, Vec::new(), Pace::default()).unwrap();
    let doors = Doors { gate: gate.then(|| Arc::new(Gate::new(access, sets))), ..Doors::default() };
    let settings = Settings { hooks: Hooks { nothing_checked, ..Hooks::default() }, ..Settings::default() };
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    let limits = Limits { hook_time: Duration::from_secs(20), ..Limits::default() };
    let app = App::behind(doors, Arc::new(Core::new(formulary)), settings, limits);
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let here = listener.local_addr().unwrap();
    tokio::spawn(server::serve(listener, app, std::future::pending()));
    here
}

fn recorded(name: &str) -> String {
    let path = format!("{}/tests/hooks/requests/{name}.json", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

fn indented(text: &str) -> String {
    serde_json::from_str::<Value>(text).map_or_else(|_| text.to_owned(), |v| serde_json::to_string_pretty(&v).unwrap())
}

struct Transcript {
    page: String,
}

impl Transcript {
    /// Makes one call, checks its status, writes both sides down; gives the body of the answer.
    async fn call(&mut self, here: SocketAddr, ask: (&str, &str, &str, &str), status: u16, about: &str) -> Value {
        let (method, path, headers, body) = ask;
        let mut stream = TcpStream::connect(here).await.unwrap();
        let length = if body.is_empty() { String::new() } else { format!("content-length: {}\r\n", body.len()) };
        let head =
            format!("{method} {path} HTTP/1.1\r\nhost: gate.example\r\nconnection: close\r\n{headers}{length}\r\n");
        stream.write_all(format!("{head}{body}").as_bytes()).await.unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).await.unwrap();
        let (head, answer) = answer.split_once("\r\n\r\n").unwrap();
        let mut lines = head.lines();
        let first = lines.next().unwrap();
        assert!(first.starts_with(&format!("HTTP/1.1 {status} ")), "{method} {path}: {first} {answer}");
        let headers = headers.replace("\r\n", "\n");
        write!(self.page, "{about}\n\n```http\n{method} {path} HTTP/1.1\n{headers}").unwrap();
        if !body.is_empty() {
            write!(self.page, "\n{}\n", indented(body)).unwrap();
        }
        write!(self.page, "```\n\n```http\n{}\n", first.trim_end()).unwrap();
        for line in lines {
            let (name, value) = line.split_once(": ").unwrap();
            if SHOWN.contains(&name) {
                // Another one for every answer.
                let value = if name == "x-request-id" { "…" } else { value };
                writeln!(self.page, "{name}: {value}").unwrap();
            }
        }
        write!(self.page, "\n{}\n```\n\n", indented(answer).replace(&versions().0, &versions().1)).unwrap();
        serde_json::from_str(answer).unwrap_or(Value::Null)
    }

    fn heading(&mut self, text: &str) {
        write!(self.page, "## {text}\n\n").unwrap();
    }
}

/// The hash of the invented formulary, and what stands for it.
fn versions() -> (String, String) {
    let formulary = Formulary::from_csv("formulary.csv", include_bytes!("../deploy/demo/formulary.csv")).unwrap();
    (formulary.hash().chars().take(12).collect(), "0123456789ab".to_owned())
}

#[tokio::test]
async fn the_transcript_is_fresh() {
    const JSON: &str = "content-type: application/json\r\n";
    let here = service(NothingChecked::Card, false).await;
    let mut t = Transcript {
        page: "# CDS Hooks: a transcript\n\n\
               What the service answers, call by call, as [CDS Hooks](https://cds-hooks.hl7.org/) 2.0 has them. Written by \
               `UPDATE=1 cargo test --test transcript` from calls that the test makes; members stand in alphabetical order, long \
               texts as they are. People, orders and products are invented. The service judges by the program's own rules here \
               (`--rulebook none`), with the demo's formulary; the beginning of the formulary's hash and `x-request-id` are \
               replaced. [cds-hooks.md](cds-hooks.md) explains what is seen.\n\n"
            .to_owned(),
    };
    t.heading("Discovery");
    let found = t.call(here, ("GET", "/cds-services", "", ""), 200, "No token is needed.").await;
    assert_eq!(found["services"].as_array().unwrap().len(), 2);

    t.heading("order-sign");
    let about = "A maximum per day that is below what the schedule gives. One card, with a correction that was tried.";
    let signed = t.call(here, ("POST", SIGN, JSON, &recorded("sign-maximum-below-schedule")), 200, about).await;
    let card = signed["cards"][0].clone();
    assert_eq!(card["indicator"], "critical");
    let about = "A diet by mouth, without `intent`, as in the examples that the definitions of both hooks publish: no tube feed, no card.";
    let diet = t.call(here, ("POST", SIGN, JSON, &recorded("diet-by-mouth")), 200, about).await;
    assert_eq!(diet["cards"], json!([]));

    t.heading("order-select");
    let about = "Two drafts, one of them selected: the other counts as an order beside it, and has no card of its own.";
    let selected = t.call(here, ("POST", SELECT, JSON, &recorded("select-one-of-two")), 200, about).await;
    assert!(selected["cards"].is_array());

    t.heading("Feedback");
    let feedback = json!({"feedback": [
        {"card": card["uuid"], "outcome": "accepted", "acceptedSuggestions": [{"id": card["suggestions"][0]["uuid"]}], "outcomeTimestamp": "2026-11-25T08:10:00Z"},
        {"card": card["uuid"], "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:11:00Z",
            "overrideReason": {"reason": {"system": card["overrideReasons"][0]["system"], "code": card["overrideReasons"][0]["code"]}, "userComment": "Agreed on the round"}}]});
    let about = "The correction was taken by one prescriber, and the card overridden by another.";
    let kept = t.call(here, ("POST", &format!("{SIGN}/feedback"), JSON, &feedback.to_string()), 200, about).await;
    assert_eq!((&kept["accepted"], &kept["overridden"]), (&json!(1), &json!(1)));

    t.heading("Refusals");
    for (ask, status, about) in [
        (("POST", SIGN, JSON, "{\"hook\":"), 400, "400: no JSON, with line and column."),
        (
            ("POST", SIGN, JSON, "{\"hook\":\"order-sign\"}"),
            400,
            "400: a member that the hook needs is missing; its JSON Pointer is in the text.",
        ),
        (
            (
                "POST",
                SIGN,
                JSON,
                "{\"hook\":\"order-select\",\"hookInstance\":\"4e0a3a1e-3283-4575-ab82-028d55fe2719\",\"context\":{}}",
            ),
            400,
            "400: another hook than the service's.",
        ),
        (("POST", "/cds-services/another", JSON, "{}"), 404, "404: no such service."),
        (("GET", SIGN, "", ""), 405, "405: another method."),
        (("POST", SIGN, "content-type: text/plain\r\n", "{}"), 415, "415: no JSON type."),
    ] {
        t.call(here, ask, status, about).await;
    }
    let guarded = service(NothingChecked::Card, true).await;
    let about = "401, where callers are configured: no token. A token that is not taken is answered in the same words.";
    t.call(guarded, ("POST", SIGN, JSON, "{}"), 401, about).await;
    let bad = format!("{JSON}authorization: Bearer aaaa.bbbb.cccc\r\n");
    t.call(guarded, ("POST", SIGN, &bad, "{}"), 401, "401: something that is no token.").await;
    let asks = service(NothingChecked::Status412, false).await;
    let about = "412, where the settings ask for it (`hooks.nothing-checked`): the draft is another patient's, so not one rule could be evaluated.";
    t.call(asks, ("POST", SIGN, JSON, &recorded("draft-of-another-patient")), 412, about).await;
    let about = "The same without that setting: a card says so.";
    let said = t.call(here, ("POST", SIGN, JSON, &recorded("draft-of-another-patient")), 200, about).await;
    assert_eq!(said["cards"].as_array().unwrap().len(), 1);

    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/cds-hooks-transcript.md");
    let page = t.page.trim_end().to_owned() + "\n";
    if std::env::var_os("UPDATE").is_some() {
        std::fs::write(&file, &page).unwrap();
    }
    let kept = std::fs::read_to_string(&file).unwrap_or_default();
    assert_eq!(kept, page, "docs/cds-hooks-transcript.md is stale: UPDATE=1 cargo test --test transcript");
}
