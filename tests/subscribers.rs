//! The subscribers file: read, refused with its places, in step with its page; and the program as it is started with one:
//! what it cannot use, what it says of messages, and what it never says.

use enteral_gate::cli::subscribers_file::{KEYS, load};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::Lane;
use enteral_gate::subscriptions::Content;
use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
use serde_json::json;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::PathBuf;
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

const PROGRAM: &str = env!("CARGO_BIN_EXE_enteral-gate");
const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
const PAGE: &str = include_str!("../docs/subscriptions.md");
const SECRET: &str = "aW52ZW50ZWQtc2VjcmV0LW9mLTMyLWJ5dGVzLS0tLTE=";
const TOKEN: &str = "invented.bearer-token";

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let n = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("eg-subscribers-{}-{n}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn write(&self, name: &str, text: &str) -> String {
        let path = self.0.join(name);
        std::fs::write(&path, text).unwrap();
        path.to_str().unwrap().to_owned()
    }

    fn path(&self, name: &str) -> String {
        self.0.join(name).to_str().unwrap().to_owned()
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn run(arguments: &[&str]) -> Output {
    Command::new(PROGRAM).env_clear().args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

/// The page's example is read as the page says.
#[test]
fn the_example_of_the_page_is_read() {
    let folder = Folder::new();
    folder.write("ward-board.secret", SECRET);
    let example = PAGE.split("```toml\n").nth(1).unwrap().split("```").next().unwrap();
    let read = load(folder.write("subscribers.toml", example).as_ref()).unwrap();
    assert_eq!((read.base.as_str(), read.list.len()), ("https://gate.example/fhir", 1));
    let one = &read.list[0];
    assert_eq!((one.id.as_str(), one.endpoint.as_str()), ("ward-board", "https://board.example/notifications"));
    assert_eq!((one.fhir, one.content, one.private_addresses), (FhirVersion::R4, Content::IdOnly, false));
    assert_eq!(one.criteria.lanes, BTreeSet::from([Lane::Dietitian]));
    assert_eq!(one.criteria.priorities, BTreeSet::from(["stat", "asap"]));
    assert_eq!((one.timeout, one.tries, one.secrets.len()), (10, 40, 1));
    assert_eq!(one.bearer, None);
    let shown = format!("{read:?}");
    assert!(!shown.contains("aW52") && !shown.contains("105, 110, 118"), "{shown}");
}

/// Every key is in the table of the page, and no other.
#[test]
fn keys_of_reader_and_page_are_the_same() {
    let table = PAGE.split("| key | default |").nth(1).unwrap().split("\n\n").next().unwrap();
    let cells = table.lines().skip(2).map(|line| line.split('|').nth(1).unwrap());
    let named: BTreeSet<&str> = cells.flat_map(|cell| cell.split('`').skip(1).step_by(2)).collect();
    let known = KEYS.iter().flat_map(|keys| keys.iter().map(|key| key.0)).filter(|key| *key != "subscriber").collect();
    assert_eq!(named, known);
}

const GOOD: &str = "base = \"https://gate.example/fhir\"\n[[subscriber]]\nid = \"board\"\nendpoint = \"https://board.example/in\"\nsecret-file = \"secret\"\nfhir = \"R4\"\n";

#[test]
fn what_is_wrong_is_named_with_its_line_and_nothing_of_a_secret() {
    let folder = Folder::new();
    folder.write("secret", SECRET);
    folder.write("two", &format!("{SECRET}\nwhsec_{SECRET}\n"));
    folder.write("three", &format!("{SECRET} {SECRET} {SECRET}"));
    folder.write("short", "c2hvcnQtc2VjcmV0");
    folder.write("none", " \n");
    folder.write("bad-token", "a b\u{7}c");
    assert!(load(folder.write("good.toml", GOOD).as_ref()).is_ok());
    // Nobody, where that is written.
    let nobody = load(folder.write("nobody.toml", "base = \"https://gate.example/fhir\"\nsubscriber = []\n").as_ref());
    assert_eq!(nobody.map(|read| read.list.len()), Ok(0));
    let with = |key: &str, line: &str| {
        let old = GOOD.lines().find(|own| own.starts_with(key)).unwrap();
        GOOD.replacen(old, line, 1)
    };
    let and = |line: &str| format!("{GOOD}{line}\n");
    assert_eq!(
        load(folder.write("two.toml", &with("secret-file", "secret-file = \"two\"")).as_ref()).unwrap().list[0]
            .secrets
            .len(),
        2
    );
    for (file, line, said) in [
        ("base = 1".to_owned(), 1, "invalid type"),
        ("base = \"https://gate.example/fhir\"\n".to_owned(), 1, "nobody is told"),
        ("base = \"https://gate.example/fhir\"\n[subscriber]\n".to_owned(), 2, "invalid type"),
        ("x = [".to_owned(), 1, ""),
        (and("extra = 1"), 7, "unknown field `extra`"),
        (with("base", "base = \"gate.example\""), 1, "base: expected an address"),
        (with("base", "base = \"http://gate.example/fhir\""), 1, "base: expected https"),
        (with("id", "id = \"Board\""), 3, "id: expected small letters"),
        (with("id", &format!("id = \"{}\"", "b".repeat(65))), 3, "id: expected small letters"),
        (format!("{GOOD}{}", GOOD.split_once('\n').unwrap().1), 8, "id: stands twice"),
        (with("endpoint", "endpoint = \"http://board.example/in\""), 4, "endpoint: expected https"),
        (with("endpoint", "endpoint = \"http://127.0.0.1:9/in\""), 4, "endpoint: expected https"),
        (with("endpoint", "endpoint = \"https://10.0.0.1/in\""), 4, "only with private-addresses"),
        (with("endpoint", "endpoint = \"https://169.254.169.254/in\""), 4, "nothing that may be called"),
        (with("endpoint", "endpoint = \"https://u:p@board.example/in\""), 4, "without a user"),
        (with("endpoint", "endpoint = \"https://board.example/in?token=x\""), 4, "a query"),
        (with("secret-file", ""), 2, "no secret"),
        (with("secret-file", "secret-file = \"nowhere\""), 5, "secret-file: the file named here: No such file"),
        // The secret where its name belongs.
        (with("secret-file", &format!("secret-file = \"{SECRET}\"")), 5, "the file named here"),
        (with("secret-file", &format!("secret-variable = \"{SECRET}\"")), 5, "the variable named here"),
        (with("secret-file", "secret-file = \"three\""), 5, "one secret, or two"),
        (with("secret-file", "secret-file = \"none\""), 5, "one secret, or two"),
        (with("secret-file", "secret-file = \"short\""), 5, "24 to 64 random bytes"),
        (
            with("secret-file", "secret-variable = \"EG_NO_SUCH_VARIABLE\""),
            5,
            "secret-variable: the variable named here is not set",
        ),
        (and("secret-variable = \"HOME\""), 5, "expected secret-file or secret-variable, found both"),
        (and("bearer-file = \"bad-token\""), 7, "bearer: expected a token"),
        (with("fhir", "fhir = \"R6\""), 6, "fhir: expected one of R4, R4B, R5"),
        (and("content = \"full\""), 7, "content: expected one of empty, id-only, full-resource"),
        (and("lanes = [\"dietician\"]"), 7, "did you mean “dietitian”"),
        (and("priorities = [\"high\"]"), 7, "priorities: expected one of stat"),
        (and("reason = \" \""), 7, "reason: is empty"),
        (and("timeout = 0"), 7, "timeout: expected 1 to 60"),
        (and("timeout = 61"), 7, "timeout: expected 1 to 60"),
        (and("timeout = 300"), 7, "timeout: invalid type"),
        (and("timeout = -1"), 7, "timeout: invalid type"),
        (and("tries = 0"), 7, "tries: expected 1 to 200"),
    ] {
        let path = folder.write("wrong.toml", &file);
        let problems = load(path.as_ref()).expect_err(&file).join("\n");
        assert!(problems.starts_with(&format!("{path}:{line}: ")) && problems.contains(said), "{file}\n{problems}");
        assert!(!problems.contains("c2hvcnQ") && !problems.contains(SECRET), "{problems}");
    }
    // What the file may not have, lacks, or has of another kind is told beside what is wrong with the rest.
    let many = format!(
        "base = \"gate.example\"\ncolour = 1\n{}timeout = \"long\"\nextra = 1\n[[subscriber]]\nid = \"ward\"\n",
        with("fhir", "fhir = \"R6\"").split_once('\n').unwrap().1
    );
    let path = folder.write("many.toml", &many);
    let problems = load(path.as_ref()).unwrap_err();
    for (line, said) in [
        (1, "base: expected an address"),
        (2, "unknown field `colour`"),
        (7, "fhir: expected one of"),
        (8, "timeout: invalid type: found a text, expected a whole number"),
        (9, "unknown field `extra`"),
        (10, "missing field `endpoint`"),
        (10, "missing field `fhir`"),
    ] {
        let whole = problems.iter().any(|one| one.starts_with(&format!("{path}:{line}: ")) && one.contains(said));
        assert!(whole, "{line} {said}: {problems:#?}");
    }
    let path = folder.write("no-toml.toml", "base = \nid = \n");
    assert_eq!(load(path.as_ref()).unwrap_err().len(), 2, "every place that is not TOML");
    // All at once, and by the command.
    let both = with("fhir", "fhir = \"R6\"") + "tries = 0\n";
    let out = run(&["subscribers", "check", &folder.write("wrong.toml", &both)]);
    assert_eq!(out.status.code(), Some(64));
    let said = text(&out.stdout);
    assert!(said.contains(":6: fhir") && said.contains(":7: tries") && said.contains("cannot be used"), "{said}");
    let good = and("private-addresses = true\ncontent = \"empty\"\nlanes = [\"pharmacist\"]");
    let out = run(&["subscribers", "check", &folder.write("good.toml", &good)]);
    let said = text(&out.stdout);
    assert!(out.status.success(), "{said}");
    assert!(
        said.contains("board: R4 empty to https://board.example/in, private addresses allowed, performer pharmacist; a secret; 10 s a try, 40 tries"),
        "{said}"
    );
    assert!(!said.contains(SECRET));
}

#[test]
fn a_service_is_not_started_with_what_cannot_be_used() {
    let folder = Folder::new();
    folder.write("secret", SECRET);
    let good = folder.write("good.toml", GOOD);
    let wrong = folder.write("wrong.toml", "base = 1");
    let serve = |store: &str, file: &str| {
        run(&["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--store", store, "--subscribers", file])
    };
    let out = serve(&folder.path("queue.sqlite"), &wrong);
    assert_eq!(out.status.code(), Some(64));
    assert!(text(&out.stderr).contains("wrong.toml:1: "));
    let out = serve("none", &good);
    assert_eq!(out.status.code(), Some(64));
    assert!(text(&out.stderr).contains("--subscribers: nobody can be told of a queue that is not kept"));
}

/// A program that says its address in its first line.
struct Running {
    child: Child,
    at: String,
}

impl Running {
    fn of(command: &mut Command) -> Self {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap();
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
        let at = first.split("http://").nth(1).unwrap_or_default().split_whitespace().next().unwrap_or_default();
        assert!(at.contains(':'), "it does not serve: {first}");
        Self { at: at.to_owned(), child }
    }

    fn ask(&self, method: &str, path: &str, body: &str) -> String {
        let mut stream = TcpStream::connect(&self.at).unwrap();
        let kind = "application/fhir+json";
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\ncontent-type: {kind}\r\ncontent-length: {}\r\n\r\n{body}",
            body.len()
        )
        .unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        answer
    }

    /// Asks it to stop, and gives what it logged.
    fn stop(mut self) -> String {
        let pid = self.child.id().to_string();
        assert!(Command::new("kill").args(["-TERM", &pid]).status().unwrap().success());
        let mut said = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut said).unwrap();
        assert!(self.child.wait().unwrap().success());
        said
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn listed(store: &str, state: &str) -> Vec<String> {
    let out = run(&["store", "outbox", "list", "--store", store, "--state", state]);
    assert!(out.status.success(), "{}", text(&out.stderr));
    text(&out.stdout).lines().map(str::to_owned).collect()
}

fn until(what: &str, mut there: impl FnMut() -> bool) {
    for _ in 0..2400 {
        if there() {
            return;
        }
        std::thread::sleep(Duration::from_millis(50));
    }
    panic!("{what} never came");
}

/// Marks in everything of an order that names somebody, and secrets: none of it is in what is sent with ids only, in the
/// log, in metrics, in lists.
#[test]
fn nothing_of_a_patient_and_no_secret_is_told_beside_the_task() {
    let folder = Folder::new();
    let fake =
        Running::of(Command::new("python3").arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py")));
    folder.write("secret", SECRET);
    let file = folder.write(
        "subscribers.toml",
        &format!(
            "base = \"https://gate.example/fhir\"\n[[subscriber]]\nid = \"board\"\nendpoint = \"http://{}/now\"\n\
             private-addresses = true\nsecret-file = \"secret\"\nbearer-variable = \"EG_TOKEN\"\nfhir = \"R4\"\ntries = 2\n",
            fake.at
        ),
    );
    let store = folder.path("queue.sqlite");
    let service = Running::of(
        Command::new(PROGRAM)
            .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--store", &store])
            .args(["--subscribers", &file])
            .env("EG_TOKEN", TOKEN)
            .env("ENTERAL_GATE_LOG", "debug"),
    );
    until("the handshake", || listed(&store, "delivered").len() == 2);
    fake.ask("GET", "/set?mode=503", "");
    let order = json!({"resourceType": "NutritionOrder", "id": "marked-order", "status": "draft", "intent": "order",
        "patient": {"reference": "Patient/marked-patient", "display": "Marked Name"}, "dateTime": "2026-11-25",
        "encounter": {"display": "Marked Ward"},
        "enteralFormula": {"administration": [{"rateQuantity": {"value": 50, "unit": "mL/h"}}]}});
    let answer = service.ask("POST", "/fhir/R4/NutritionOrder/$validate", &order.to_string());
    assert!(answer.contains("enteral-gate-queue: recorded"), "{answer}");
    until("the dead letter", || listed(&store, "dead").len() == 2);
    let dead = listed(&store, "dead");
    assert_eq!(dead[1], "1 of 1 messages");
    let cells: Vec<&str> = dead[0].split('\t').collect();
    assert_eq!(cells.len(), 8, "{dead:?}");
    assert_eq!((cells[0], cells[1], cells[3], cells[4], cells[5]), ("board", "1", "dead", "2", "status-503"));
    let metrics = service.ask("GET", "/metrics", "");
    until("the count", || {
        service.ask("GET", "/metrics", "").contains("enteral_gate_outbox_dead{subscriber=\"board\"} 1")
    });
    fake.ask("GET", "/set?mode=good", "");
    for (arguments, said) in [
        (vec!["retry", "--event", "00000000-0000-0000-0000-000000000000"], "0 dead letters are sent again"),
        (vec!["retry", "--subscriber", "nobody"], "0 dead letters are sent again"),
        (vec!["discard", "--subscriber", "board", "--number", "2"], "0 dead letters were removed"),
        (vec!["retry", "--subscriber", "board", "--number", "1", "--event", cells[2]], "1 dead letters are sent again"),
        (vec!["discard"], "0 dead letters were removed"),
    ] {
        let out = run(&[vec!["store", "outbox"], arguments, vec!["--store", &store]].concat());
        assert!(out.status.success() && text(&out.stdout).trim() == said, "{out:?}");
    }
    until("the message", || listed(&store, "delivered").len() == 3);
    assert_eq!(listed(&store, "all").last().unwrap(), "2 of 2 messages");
    let others = [
        service.ask("GET", "/fhir/R4/Subscription", ""),
        service.ask("GET", "/fhir/R4/Subscription/board/$events", ""),
        service.ask("GET", "/state", ""),
        service.ask("GET", "/readyz", ""),
        listed(&store, "all").join("\n"),
        metrics,
    ];
    let seen = fake.ask("GET", "/seen", "");
    assert!(seen.contains(cells[2]) && seen.contains(cells[7]), "it came: {seen}");
    let said = service.stop();
    assert!(said.contains("a message did not arrive and is tried no more"), "{said}");
    for (what, text) in others.iter().map(|text| ("an answer", text)).chain([("the log", &said), ("a message", &seen)])
    {
        let lower = text.to_lowercase();
        assert!(!lower.contains("marked"), "{what}: {text}");
        assert!(!text.contains(SECRET), "{what}: {text}");
        assert!(what == "a message" || !text.contains(TOKEN), "{what}: {text}");
    }
    let out = run(&["store", "outbox", "discard", "--store", &store, "--number", "1"]);
    assert!(
        !out.status.success() && text(&out.stderr).contains("--subscriber"),
        "numbers are of one subscriber: {out:?}"
    );
    let out = run(&["store", "outbox", "list", "--store", &folder.path("nowhere.sqlite")]);
    assert_eq!(out.status.code(), Some(64));
}

/// The file and those with secrets are read again, by their content and at SIGHUP.
#[test]
fn the_file_and_its_secrets_are_read_again_while_the_service_runs() {
    let folder = Folder::new();
    let fake =
        Running::of(Command::new("python3").arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py")));
    folder.write("secret", SECRET);
    let entry = |id: &str| {
        format!(
            "[[subscriber]]\nid = \"{id}\"\nendpoint = \"http://{}/good/{id}\"\nprivate-addresses = true\n\
             secret-file = \"secret\"\nfhir = \"R4\"\n",
            fake.at
        )
    };
    let base = "base = \"https://gate.example/fhir\"\n";
    let file = folder.write("subscribers.toml", &format!("{base}{}", entry("one")));
    let (store, trail) = (folder.path("queue.sqlite"), folder.path("trail.jsonl"));
    let service = Running::of(
        Command::new(PROGRAM)
            .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
            .args(["--store", &store, "--subscribers", &file, "--audit", &trail]),
    );
    let metric = |line: &str| service.ask("GET", "/metrics", "").lines().any(|own| own == line);
    let ready = |text: &str| service.ask("GET", "/readyz", "").contains(text);
    let send = |n: u32| {
        let order = json!({"resourceType": "NutritionOrder", "id": format!("n{n}"), "status": "draft", "intent": "order",
            "patient": {"reference": format!("Patient/p{n}")}, "dateTime": "2026-11-25",
            "enteralFormula": {"administration": [{"rateQuantity": {"value": 50, "unit": "mL/h"}}]}});
        let answer = service.ask("POST", "/fhir/R4/NutritionOrder/$validate", &order.to_string());
        assert!(answer.contains("enteral-gate-queue: recorded"), "{answer}");
    };
    let told = || listed(&store, "waiting").len() == 1;
    until("the handshake", told);
    // By what is in the file.
    folder.write("subscribers.toml", &format!("{base}{}{}", entry("one"), entry("two")));
    until("the second subscriber", || ready("subscribers: 2 declared"));
    // What cannot be used, at the signal.
    let pid = service.child.id().to_string();
    let hang_up = || assert!(Command::new("kill").args(["-HUP", &pid]).status().unwrap().success());
    folder.write("subscribers.toml", &format!("{base}{}fhir = 1\n", entry("one")));
    hang_up();
    until("the problem", || {
        ready("subscribers file on disk: NOT in use since ") && metric("enteral_gate_subscribers_stale 1")
    });
    assert!(ready("subscribers: 2 declared"));
    send(1);
    until("both are told", told);
    // One is taken out, and the other has a second secret in the same file as before.
    folder.write("subscribers.toml", &format!("{base}{}", entry("two")));
    folder.write("secret", &format!("{SECRET}\nc2Vjb25kLWludmVudGVkLXNlY3JldC1vZi0zMi1ieXQ=\n"));
    until("one subscriber", || ready("subscribers: 1 declared") && metric("enteral_gate_subscribers_stale 0"));
    fake.ask("GET", "/forget", "");
    send(2);
    until("it is told", told);
    let seen = fake.ask("GET", "/seen", "");
    let seen: serde_json::Value = serde_json::from_str(seen.split("\r\n\r\n").nth(1).unwrap()).unwrap();
    assert_eq!(seen.as_array().map(Vec::len), Some(1), "{seen}");
    assert_eq!(seen[0]["path"], "/good/two");
    assert_eq!(seen[0]["headers"]["webhook-signature"].as_str().unwrap().split(' ').count(), 2, "{seen}");
    // Only the secret changes.
    let taken = || {
        let metrics = service.ask("GET", "/metrics", "");
        let line = "enteral_gate_subscribers_reloads_total{result=\"taken\"} ";
        metrics.lines().find_map(|own| own.strip_prefix(line)).map(str::to_owned)
    };
    let before = taken();
    folder.write("secret", SECRET);
    until("another reading", || taken() != before);
    send(3);
    until("it is told", told);
    let seen = fake.ask("GET", "/seen", "");
    let seen: serde_json::Value = serde_json::from_str(seen.split("\r\n\r\n").nth(1).unwrap()).unwrap();
    assert_eq!(seen[1]["headers"]["webhook-signature"].as_str().unwrap().split(' ').count(), 1, "{seen}");
    let said = service.stop();
    assert!(said.contains("the subscribers file on disk cannot be used; the subscribers in use stay"), "{said}");
    assert!(!said.contains(SECRET));
    let entries = std::fs::read_to_string(trail).unwrap();
    for result in ["taken", "refused"] {
        let of = |line: &&str| line.contains("subscribers-reload") && line.contains(result);
        assert!(entries.lines().any(|line| of(&line)), "{result}: {entries}");
    }
}

/// Over TLS a message goes to whom an authority of the machine vouches for, by the name that was declared, and to nobody else.
#[test]
fn certificates_are_judged() {
    let folder = Folder::new();
    folder.write("secret", SECRET);
    let mut authority = CertificateParams::new(Vec::new()).unwrap();
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    authority.distinguished_name.push(DnType::CommonName, "Invented authority");
    let authority = CertifiedIssuer::self_signed(authority, KeyPair::generate().unwrap()).unwrap();
    let trusted = folder.write("authority.pem", &authority.pem());
    for (nth, (name, roots, state)) in [
        ("localhost", Some(&trusted), "delivered"),
        ("localhost", None, "dead"),
        ("board.invented.example", Some(&trusted), "dead"),
    ]
    .into_iter()
    .enumerate()
    {
        let key = KeyPair::generate().unwrap();
        let own = CertificateParams::new(vec![name.to_owned()]).unwrap().signed_by(&key, &authority).unwrap();
        let (own, key) = (folder.write("own.pem", &own.pem()), folder.write("key.pem", &key.serialize_pem()));
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py");
        let fake = Running::of(Command::new("python3").args([script, "0", &own, &key]));
        let port = fake.at.rsplit(':').next().unwrap();
        let file = folder.write(
            "subscribers.toml",
            &format!(
                "base = \"https://gate.example/fhir\"\n[[subscriber]]\nid = \"board\"\nendpoint = \"https://localhost:{port}/good\"\n\
                 private-addresses = true\nsecret-file = \"secret\"\nfhir = \"R4\"\ntries = 1\n"
            ),
        );
        let store = folder.path(&format!("queue-{nth}.sqlite"));
        let service = Running::of(
            Command::new(PROGRAM)
                .env_clear()
                .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--store", &store])
                .args(["--subscribers", &file])
                .envs(roots.map(|roots| ("SSL_CERT_FILE", roots)))
                .env("ENTERAL_GATE_LOG", "off"),
        );
        until("an end", || listed(&store, "waiting").len() == 1);
        let found = listed(&store, state);
        assert_eq!(found.len(), 2, "{name} {roots:?}: {:?}", listed(&store, "all"));
        assert!(state == "delivered" || found[0].contains("\tunreachable\t"), "{found:?}");
        drop(service);
        if state == "dead" {
            // The first message holds everything up while it is tried: it is sent again only where that is said.
            let first = ["--subscriber", "board", "--number", "0"];
            let left = "0 dead letters are sent again; first messages (number 0) are left";
            for (of, said) in [(&first[..2], left), (&[], left), (&first, "1 dead letters are sent again\n")] {
                let out = run(&[&["store", "outbox", "retry", "--store", &store], of].concat());
                assert!(text(&out.stdout).starts_with(said), "{out:?}");
            }
        }
    }
}

/// The whole program is struck down while it tells, and tells the rest when it is started again (SQLite).
#[test]
fn a_service_that_is_killed_tells_the_rest_after_its_next_start() {
    let folder = Folder::new();
    let fake =
        Running::of(Command::new("python3").arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fake/subscriber.py")));
    folder.write("secret", SECRET);
    let file = folder.write(
        "subscribers.toml",
        &format!(
            "base = \"https://gate.example/fhir\"\n[[subscriber]]\nid = \"board\"\nendpoint = \"http://{}/slow\"\n\
             private-addresses = true\nsecret-file = \"secret\"\nfhir = \"R5\"\ntimeout = 1\n",
            fake.at
        ),
    );
    let store = folder.path("queue.sqlite");
    let start = || {
        Running::of(
            Command::new(PROGRAM)
                .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
                .args(["--store", &store, "--subscribers", &file])
                .env("ENTERAL_GATE_LOG", "off"),
        )
    };
    let service = start();
    for n in 0..40 {
        let order = json!({"resourceType": "NutritionOrder", "id": format!("n{n}"), "status": "draft", "intent": "order",
            "patient": {"reference": format!("Patient/p{n}")}, "dateTime": "2026-11-25",
            "enteralFormula": {"administration": [{"rateQuantity": {"value": 50, "unit": "mL/h"}}]}});
        let answer = service.ask("POST", "/fhir/R4/NutritionOrder/$validate", &order.to_string());
        assert!(answer.contains("enteral-gate-queue: recorded"), "{answer}");
    }
    until("a message under way", || {
        // The list ends with a line that counts.
        let waiting = listed(&store, "waiting").len() - 1;
        waiting > 0 && waiting < 40
    });
    let pid = service.child.id().to_string();
    assert!(Command::new("kill").args(["-KILL", &pid]).status().unwrap().success());
    drop(service);
    assert!(listed(&store, "waiting").len() > 1, "something was not told");
    let service = start();
    until("the rest", || listed(&store, "waiting").len() == 1);
    let seen = fake.ask("GET", "/seen", "");
    let seen: serde_json::Value = serde_json::from_str(seen.split_once("\r\n\r\n").unwrap().1).unwrap();
    let ids: BTreeSet<&str> =
        seen.as_array().unwrap().iter().map(|one| one["headers"]["webhook-id"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), 41, "the handshake and every event");
    service.stop();
    // Of a subscriber that is not declared any more: it is said, and can be removed.
    fake.ask("GET", "/set?mode=503", "");
    let now = std::fs::read_to_string(&file).unwrap().replace("/slow", "/now");
    folder.write("subscribers.toml", &now);
    let service = start();
    until("a handshake again", || listed(&store, "waiting").len() == 2);
    service.stop();
    folder.write("subscribers.toml", &now.replace("\"board\"", "\"other\""));
    let service = Running::of(
        Command::new(PROGRAM)
            .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--store", &store])
            .args(["--subscribers", &file]),
    );
    let said = service.stop();
    assert!(said.contains("messages wait for a subscriber that is not declared"), "{said}");
    let out = run(&["store", "outbox", "discard", "--store", &store, "--subscriber", "board", "--waiting"]);
    assert_eq!(text(&out.stdout).trim(), "1 messages that waited were removed", "{out:?}");
    let out = run(&["store", "outbox", "discard", "--store", &store, "--waiting"]);
    assert_eq!(out.status.code(), Some(64), "whose has to be said");
}
