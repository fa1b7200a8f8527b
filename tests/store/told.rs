//! Two replicas of the service tell a subscriber, each a process of its own, over one PostgreSQL; one of them is killed
//! (SIGKILL) while it tells. What was recorded is told, in order, and nothing but what was under way twice.

use crate::cluster;
use crate::orders::{Folder, GAPS, json};
use enteral_gate::store::outbox::{Which, letters};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufRead, BufReader, Read, Write};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

pub const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
/// Messages that one replica sends at the same time.
const AT_ONCE: usize = 8;

pub fn http(at: &str, method: &str, path: &str, body: &str) -> String {
    asked(at, (method, path), "application/fhir+json", "", body)
}

/// One request of a connection of its own; `cookie` may be empty.
pub fn asked(at: &str, (method, path): (&str, &str), kind: &str, cookie: &str, body: &str) -> String {
    let cookie = if cookie.is_empty() { String::new() } else { format!("cookie: {cookie}\r\n") };
    let mut stream = std::net::TcpStream::connect(at).unwrap();
    write!(
        stream,
        "{method} {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n{cookie}content-type: {kind}\r\ncontent-length: {}\r\n\r\n{body}",
        body.len()
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// A program that says its address in its first line.
pub struct Running {
    child: Child,
    pub at: String,
}

impl Running {
    pub fn of(mut command: Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::null()).spawn().unwrap();
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let at = first.split("http://").nth(1).unwrap_or_default().split_whitespace().next().unwrap_or_default();
        assert!(at.contains(':'), "it does not serve: {first}");
        Self { at: at.to_owned(), child }
    }

    fn replica(store: &str, subscribers: &str) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
        command
            .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
            .args(["--store", store, "--subscribers", subscribers])
            .env("ENTERAL_GATE_LOG", "off");
        Self::of(command)
    }

    fn order(&self, n: usize, content: usize) {
        let order = json(&format!("n{n}"), &format!("p{n}"), &format!(r#","note":[{{"text":"{content}"}}]{GAPS}"#));
        let answer = http(&self.at, "POST", "/fhir/R4/NutritionOrder/$validate", &order);
        assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("enteral-gate-queue: recorded"), "{answer}");
    }

    fn kill(mut self) {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-KILL", &pid]).status().unwrap().success());
        self.child.wait().unwrap();
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn seen(fake: &Running) -> Vec<Value> {
    let answer = http(&fake.at, "GET", "/seen", "");
    serde_json::from_str(answer.split_once("\r\n\r\n").unwrap().1).unwrap()
}

fn waiting(store: &str) -> u64 {
    let which = Which { state: Some("waiting".to_owned()), ..Which::default() };
    let runtime = crate::orders::runtime();
    runtime.block_on(letters(store, &which, 1)).unwrap().1
}

#[test]
fn a_replica_that_is_killed_leaves_what_it_was_telling_to_the_other() {
    let store = cluster::shared().database();
    let folder = Folder::new();
    let mut fake = Command::new("python3");
    fake.arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py"));
    let fake = Running::of(fake);
    std::fs::write(folder.join("secret"), "aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=\n").unwrap();
    let file = folder.join("subscribers.toml");
    let text = format!(
        "base = \"https://gate.example/fhir\"\n\n[[subscriber]]\nid = \"board\"\nendpoint = \"http://{}/slow\"\n\
         private-addresses = true\nsecret-file = \"secret\"\nfhir = \"R5\"\ntimeout = 5\n",
        fake.at
    );
    std::fs::write(&file, text).unwrap();
    let file = file.to_str().unwrap();
    let mut replicas = vec![Running::replica(&store, file), Running::replica(&store, file)];
    let strikes = 3;
    let mut orders = 0;
    for strike in 0..strikes {
        let before = seen(&fake).len();
        for n in 0..20 {
            // An order, another content of it, and the first again.
            for (nth, content) in [1, 2, 1].into_iter().enumerate() {
                replicas[(n + nth) % 2].order(orders + n, content);
            }
        }
        orders += 20;
        // While it tells: some of these arrived, and many did not.
        while seen(&fake).len() < before + 10 {
            std::thread::sleep(Duration::from_millis(20));
        }
        assert!(waiting(&store) > 0, "strike {strike}: it is under way");
        replicas.remove(strike % 2).kill();
        replicas.push(Running::replica(&store, file));
    }
    for _ in 0..1200 {
        if waiting(&store) == 0 {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    assert_eq!(waiting(&store), 0, "everything is told in the end");
    // Recorded; replaced, and the other recorded; returned, and the other replaced.
    let events = orders as u64 * 5;
    let (mut times, mut last, mut ids) = (BTreeMap::new(), BTreeMap::new(), BTreeMap::new());
    for one in seen(&fake) {
        let bundle: Value = serde_json::from_str(one["body"].as_str().unwrap()).unwrap();
        let status = &bundle["entry"][0]["resource"];
        if status["type"] != "event-notification" {
            continue;
        }
        let event = &status["notificationEvent"][0];
        let number: u64 = event["eventNumber"].as_str().unwrap().parse().unwrap();
        let focus = event["focus"]["reference"].as_str().unwrap().to_owned();
        *times.entry(number).or_insert(0_usize) += 1;
        let id = one["headers"]["webhook-id"].as_str().unwrap().to_owned();
        assert_eq!(ids.entry(number).or_insert_with(|| id.clone()), &id, "the same id whoever tells it");
        let before = last.entry(focus.clone()).or_insert(0);
        assert!(*before <= number, "{focus}: {number} came after {before}");
        *before = number;
    }
    assert_eq!(times.keys().copied().collect::<BTreeSet<u64>>(), (1..=events).collect(), "nothing is lost");
    let twice = times.values().filter(|n| **n > 1).count();
    assert!(twice <= strikes * AT_ONCE, "{twice} came twice: more than was under way when a replica was killed");
    println!("counts: {events} events told by two replicas over {strikes} kills, none lost, {twice} twice");
}
