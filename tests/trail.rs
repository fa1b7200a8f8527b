//! The audit trail of a running service: one entry for each call, whatever happens to the file.

use enteral_gate::audit::chain::{Anchor, Entry};
use enteral_gate::audit::line::read;
use enteral_gate::audit::verify::{Verified, Verifier};
use enteral_gate::audit::{Event, Kind, On, Outcome, Versions, Who, Word};
use enteral_gate::http::trail::{Bounds, Found, Store, Trail};
use jiff::Timestamp;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use std::fmt::Write as _;
use std::io::{self, BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

const FORMULARY: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv");
const ORDER: &str = include_str!("cases/c1.r4.json");
const HOOK: &str = include_str!("hooks/requests/sign-maximum-below-schedule.json");
const SIGN: &str = "/cds-services/tube-feeding-order-sign";
const VALIDATE: &str = "/fhir/R4/$validate";
/// Longer than any machine needs.
const DEADLINE: Duration = Duration::from_secs(60);

// A store in memory that fails as it is told.

#[derive(Default)]
struct Disk {
    bytes: Vec<u8>,
    /// How many bytes still fit; None: all.
    room: Option<usize>,
    synced: usize,
    unsyncable: bool,
}

#[derive(Clone, Default)]
struct Memory(Arc<Mutex<Disk>>);

impl Memory {
    fn set(&self, change: impl FnOnce(&mut Disk)) {
        change(&mut self.0.lock().unwrap());
    }

    fn lines(&self) -> Vec<Vec<u8>> {
        let bytes = self.0.lock().unwrap().bytes.clone();
        let mut lines: Vec<_> = bytes.split(|b| *b == b'\n').map(<[u8]>::to_vec).collect();
        if lines.last().is_some_and(Vec::is_empty) {
            lines.pop();
        }
        lines
    }
}

impl Store for Memory {
    fn ready(&mut self) -> io::Result<()> {
        Ok(())
    }

    fn append(&mut self, bytes: &[u8]) -> Result<(), (usize, io::Error)> {
        let mut disk = self.0.lock().unwrap();
        let fits = disk.room.unwrap_or(usize::MAX).min(bytes.len());
        disk.bytes.extend_from_slice(&bytes[..fits]);
        if let Some(room) = &mut disk.room {
            *room -= fits;
        }
        if fits == bytes.len() { Ok(()) } else { Err((fits, io::ErrorKind::StorageFull.into())) }
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut disk = self.0.lock().unwrap();
        if disk.unsyncable {
            return Err(io::Error::other("not synced"));
        }
        disk.synced = disk.bytes.len();
        Ok(())
    }
}

fn verified(lines: &[Vec<u8>]) -> Verified {
    let mut verifier = Verifier::new(Anchor::default(), None);
    lines.iter().for_each(|line| drop(verifier.line(line)));
    verifier.end().unwrap_or_else(|broken| panic!("{broken}"))
}

fn trail(store: &Memory, bounds: Bounds) -> Arc<Trail> {
    Trail::start(store.clone(), Found::default(), bounds, vec![("program", "1".to_owned())]).unwrap()
}

fn metric(trail: &Trail, name: &str) -> u64 {
    let mut text = String::new();
    trail.metrics(&mut text);
    let line = text.lines().find_map(|l| l.strip_prefix(&format!("enteral_gate_audit_{name} ")).map(str::to_owned));
    line.unwrap_or_else(|| panic!("no {name} in {text}")).parse().unwrap()
}

fn until(what: &str, holds: impl Fn() -> bool) {
    let started = Instant::now();
    while !holds() {
        assert!(started.elapsed() < DEADLINE, "{what}");
        std::thread::sleep(Duration::from_millis(2));
    }
}

const QUICK: Bounds = Bounds {
    waiting: 64,
    group: 16,
    again: Duration::from_millis(5),
    stop: Duration::from_secs(20),
    strangers: (60, Duration::from_secs(60)),
    strangers_together: 1000,
};

/// What must not be done without its entry is told when that is on the disk, and not written later where it could not be.
#[tokio::test]
async fn an_entry_that_is_waited_for_is_synced_or_not_there() {
    let store = Memory::default();
    let trail = trail(&store, Bounds { again: Duration::from_millis(5), ..QUICK });
    let event = |result| Event {
        time: Timestamp::now(),
        who: Who::nameless(Kind::Person),
        action: Word::of("orders-shown"),
        on: On::default(),
        outcome: Outcome::of(result),
        versions: Versions::new(),
    };
    trail.kept(event("first")).await.unwrap();
    assert_eq!(store.lines().len(), 1);
    store.set(|disk| assert_eq!(disk.synced, disk.bytes.len()));
    store.set(|disk| disk.room = Some(0));
    assert!(trail.kept(event("full")).await.unwrap_err().contains("cannot be written"));
    trail.record(event("waits"));
    store.set(|disk| disk.room = None);
    until("what waits is written", || store.lines().len() == 2);
    store.set(|disk| disk.unsyncable = true);
    assert!(trail.kept(event("unsynced")).await.is_err());
    store.set(|disk| disk.unsyncable = false);
    trail.kept(event("last")).await.unwrap();
    assert_eq!(metric(&trail, "lost_total"), 0);
    trail.close();
    assert!(trail.kept(event("closed")).await.is_err());
    let results: Vec<String> =
        store.lines().iter().map(|line| read(line).unwrap().event.outcome.result.to_string()).collect();
    assert!(!results.contains(&"full".to_owned()) && results.contains(&"waits".to_owned()), "{results:?}");
    verified(&store.lines());
}

#[test]
fn everything_is_written_in_order_and_synced() {
    let store = Memory::default();
    let trail = trail(&store, Bounds { waiting: 4096, ..QUICK });
    for _ in 0..500 {
        trail.own("tried", "done", &[("rulebook", "00ff")]);
    }
    trail.close();
    let lines = store.lines();
    let got = verified(&lines);
    assert_eq!((got.entries, got.torn), (501, 0));
    let last = read(&lines[500]).unwrap();
    assert_eq!(last.event.action.as_str(), "stopped");
    assert_eq!(serde_json::to_value(&last.event.versions).unwrap(), json!({"program": "1"}));
    store.set(|disk| assert_eq!(disk.synced, disk.bytes.len()));
    assert_eq!((metric(&trail, "entries_total"), metric(&trail, "lost_total")), (501, 0));
    assert_eq!(trail.ready(), format!("audit trail: last entry {}", got.last));
}

/// The disk is full after any number of bytes: part of a line may be there, or a line without its end.
#[test]
fn a_full_disk_is_told_of_and_mended() {
    let store = Memory::default();
    trail(&store, QUICK).close();
    let length = store.0.lock().unwrap().bytes.len();
    let mut torn = 0;
    for room in (0..2 * length + 2).step_by(7).chain(length - 2..length + 2) {
        let store = Memory::default();
        store.set(|disk| disk.room = Some(room));
        let trail = trail(&store, QUICK);
        trail.own("first", "done", &[]);
        trail.own("second", "done", &[]);
        trail.own("third", "done", &[]);
        until("it fails", || metric(&trail, "failing") == 1);
        assert!(trail.ready().contains("\naudit trail: NOT written since"), "{}", trail.ready());
        assert!(metric(&trail, "failures_total") > 0);
        store.set(|disk| disk.room = None);
        until("it is written again", || metric(&trail, "failing") == 0);
        assert!(!trail.ready().contains("NOT"), "{}", trail.ready());
        trail.close();
        let lines = store.lines();
        let got = verified(&lines);
        torn += got.torn;
        let actions: Vec<_> = lines.iter().filter_map(|l| Some(read(l).ok()?.event.action.to_string())).collect();
        let own: Vec<_> = actions.iter().filter(|a| *a != "torn-line").collect();
        assert_eq!(own, ["first", "second", "third", "stopped"], "room for {room}");
        assert_eq!(metric(&trail, "lost_total"), 0);
    }
    assert!(torn > 20, "{torn} lines were cut off");
}

#[test]
fn what_cannot_even_wait_is_counted_and_the_trail_says_so() {
    let store = Memory::default();
    store.set(|disk| disk.room = Some(0));
    let trail = trail(&store, QUICK);
    let sent = 400;
    for _ in 0..sent {
        trail.own("tried", "done", &[]);
    }
    until("it fails", || metric(&trail, "failing") == 1);
    let lost = metric(&trail, "lost_total");
    assert!((sent - 2 * 64 - 16..=sent - 64).contains(&lost), "{lost}");
    assert!(trail.ready().contains(&format!("audit trail: {lost} entries LOST since the start")));
    store.set(|disk| disk.room = None);
    until("it is written again", || metric(&trail, "failing") == 0);
    trail.close();
    let entries: Vec<Entry> = store.lines().iter().map(|line| read(line).unwrap()).collect();
    verified(&store.lines());
    let told: u64 = entries
        .iter()
        .filter(|e| e.event.action.as_str() == "entries-lost")
        .map(|e| u64::from(e.event.outcome.count.unwrap()))
        .sum();
    let lost = metric(&trail, "lost_total");
    assert_eq!(told, lost);
    let kept = entries.iter().filter(|e| e.event.action.as_str() == "tried").count() as u64;
    assert_eq!(kept + lost, sent);
}

/// Whoever may not call cannot fill the disk: of what is turned away beyond so many in a time the number is told, at the end
/// of that time and at the end of the service, and nothing of others is summed up.
#[test]
fn calls_of_strangers_are_summed_up() {
    let store = Memory::default();
    let trail = trail(&store, Bounds { waiting: 4096, strangers: (3, Duration::from_millis(1_500)), ..QUICK });
    let turned_away = |kind: Kind| Event {
        time: Timestamp::now(),
        who: Who::nameless(kind),
        action: Word::of("validate"),
        on: On::default(),
        outcome: Outcome::of("turned-away"),
        versions: Versions::new(),
    };
    let summed = || -> Vec<u32> {
        let entries: Vec<Entry> = store.lines().iter().map(|line| read(line).unwrap()).collect();
        let all = entries.iter().filter(|e| e.event.action.as_str() == "calls-summed");
        all.map(|e| e.event.outcome.count.unwrap()).collect()
    };
    for _ in 0..10 {
        trail.record(turned_away(Kind::Unknown));
        trail.record(turned_away(Kind::Client));
    }
    until("the number is told without another call", || summed() == [7]);
    for _ in 0..5 {
        trail.record(turned_away(Kind::Unknown));
    }
    trail.close();
    assert_eq!(summed(), [7, 2]);
    assert_eq!(metric(&trail, "lost_total"), 0);
    let lines = store.lines();
    let of = |kind: Kind| lines.iter().filter(|line| read(line).unwrap().event.who.kind == kind).count();
    // Six with an entry of their own and two that sum up; every one of a known client.
    assert_eq!((of(Kind::Unknown), of(Kind::Client)), (3 + 1 + 3 + 1, 10));
    verified(&lines);
}

/// However many names they say they have, all together have 60 entries in a minute, and no name has all of them.
#[test]
fn callers_that_cannot_be_told_have_one_bound_together() {
    let store = Memory::default();
    let trail = trail(&store, Bounds { waiting: 1 << 16, ..Bounds::default() });
    let turned_away = |name: String| Event {
        time: Timestamp::now(),
        who: Who::named(Kind::Unknown, &name),
        action: Word::of("validate"),
        on: On::default(),
        outcome: Outcome::of("turned-away"),
        versions: Versions::new(),
    };
    for _ in 0..100 {
        trail.record(turned_away("name-0".to_owned()));
    }
    for _ in 0..40 {
        (1..30).for_each(|n| trail.record(turned_away(format!("name-{n}"))));
    }
    trail.close();
    let entries: Vec<Entry> = store.lines().iter().map(|line| read(line).unwrap()).collect();
    let of = |name: &str, action: &str| {
        let own = entries.iter().filter(|e| e.event.action.as_str() == action);
        let own = own.filter(|e| e.event.who.name.as_ref().is_some_and(|own| own.as_str() == name));
        own.map(|e| e.event.outcome.count.unwrap_or(1)).collect::<Vec<_>>()
    };
    let own = |name: &str| of(name, "validate").len();
    assert_eq!((0..30).map(|n| own(&format!("name-{n}"))).sum::<usize>(), 60, "all together");
    assert!(own("name-0") <= 30 && own("name-1") > 0, "{} {}", own("name-0"), own("name-1"));
    // Every other is counted under its name.
    for n in 0..30 {
        let name = format!("name-{n}");
        let all = u32::try_from(own(&name)).unwrap() + of(&name, "calls-summed").iter().sum::<u32>();
        assert_eq!(all, if n == 0 { 100 } else { 40 }, "{name}");
    }
    verified(&store.lines());
}

/// Whoever says that it is one client, and is not, does not hide who says that it is another; and names are bounded.
#[test]
fn calls_under_one_name_hide_none_under_another() {
    let store = Memory::default();
    let trail = trail(&store, Bounds { waiting: 4096, strangers: (2, Duration::from_secs(60)), ..QUICK });
    let turned_away = |name: Option<&str>| Event {
        time: Timestamp::now(),
        who: name.map_or(Who::nameless(Kind::Unknown), |name| Who::named(Kind::Unknown, name)),
        action: Word::of("validate"),
        on: On::default(),
        outcome: Outcome::of("turned-away"),
        versions: Versions::new(),
    };
    for _ in 0..20 {
        trail.record(turned_away(Some("ward-system")));
    }
    for _ in 0..5 {
        trail.record(turned_away(Some("pharmacy")));
        trail.record(turned_away(None));
    }
    for n in 0..100 {
        trail.record(turned_away(Some(&format!("other-{n}"))));
    }
    trail.close();
    let entries: Vec<Entry> = store.lines().iter().map(|line| read(line).unwrap()).collect();
    let of = |name: Option<&str>, action: &str| -> Vec<Option<u32>> {
        let own = entries.iter().filter(|e| e.event.who.kind == Kind::Unknown && e.event.action.as_str() == action);
        let own = own.filter(|e| e.event.who.name.as_ref().map(|name| name.as_str()) == name);
        own.map(|e| e.event.outcome.count).collect()
    };
    assert_eq!(
        (of(Some("ward-system"), "validate").len(), of(Some("ward-system"), "calls-summed")),
        (2, vec![Some(18)])
    );
    assert_eq!((of(Some("pharmacy"), "validate").len(), of(Some("pharmacy"), "calls-summed")), (2, vec![Some(3)]));
    // 64 are told apart, one of them nobody; the rest counts with those without a name.
    assert_eq!(of(Some("other-60"), "validate").len(), 1);
    assert_eq!((of(None, "validate").len(), of(None, "calls-summed")), (2, vec![Some(3 + 100 - 61)]));
    verified(&store.lines());
}

#[test]
fn what_is_not_synced_is_a_failure_too() {
    let store = Memory::default();
    store.set(|disk| disk.unsyncable = true);
    let trail = trail(&store, QUICK);
    trail.own("tried", "done", &[]);
    until("it fails", || metric(&trail, "failing") == 1);
    assert!(trail.ready().contains("not synced"));
    store.set(|disk| disk.unsyncable = false);
    until("it is synced", || metric(&trail, "failing") == 0);
    trail.close();
    assert_eq!(verified(&store.lines()).entries, 2);
}

#[test]
fn a_disk_that_stays_full_keeps_no_one_from_stopping() {
    let store = Memory::default();
    store.set(|disk| disk.room = Some(0));
    let trail = trail(&store, QUICK);
    trail.own("tried", "done", &[]);
    trail.close();
    assert_eq!(metric(&trail, "lost_total"), 2);
    assert!(store.lines().is_empty());
}

// The real program.

struct Folder(PathBuf);

impl Folder {
    fn new() -> Self {
        static NEXT: AtomicU64 = AtomicU64::new(0);
        let name = format!("enteral-gate-trail-{}-{}", std::process::id(), NEXT.fetch_add(1, Ordering::Relaxed));
        let path = std::env::temp_dir().join(name);
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    fn path(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn clean(mut command: Command) -> Command {
    for (name, _) in std::env::vars().filter(|(n, _)| n.starts_with("ENTERAL_GATE_")) {
        command.env_remove(name);
    }
    command
}

fn arguments(trail: &Path) -> Vec<String> {
    let fixed = ["serve", "--store", "none", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--audit"];
    fixed.iter().map(|a| (*a).to_owned()).chain([trail.display().to_string()]).collect()
}

fn audit(arguments: &[&str]) -> Output {
    let mut command = clean(Command::new(env!("CARGO_BIN_EXE_enteral-gate")));
    command.arg("audit").args(arguments).stdin(Stdio::null()).output().unwrap()
}

fn verify(file: &Path) -> (i32, String) {
    let out = audit(&["verify", &file.display().to_string()]);
    let text = [out.stdout, out.stderr].concat();
    (out.status.code().unwrap(), String::from_utf8(text).unwrap())
}

struct Serving {
    child: Child,
    here: String,
}

impl Serving {
    fn of(mut command: Command) -> Self {
        command.stdin(Stdio::null()).stdout(Stdio::piped()).stderr(Stdio::piped());
        let mut child = command.spawn().unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let here = line.trim().rsplit('/').next().unwrap().to_owned();
        if !here.contains(':') {
            let mut why = String::new();
            let _ = child.stderr.as_mut().unwrap().read_to_string(&mut why);
            panic!("it does not serve: {why}");
        }
        Self { child, here }
    }

    fn start(trail: &Path, more: &[&str]) -> Self {
        let mut command = clean(Command::new(env!("CARGO_BIN_EXE_enteral-gate")));
        command.args(arguments(trail)).args(more);
        Self::of(command)
    }

    fn ask(&self, method: &str, path: &str, body: &str) -> (u16, String, String) {
        let mut stream = TcpStream::connect(&self.here).unwrap();
        stream.set_read_timeout(Some(DEADLINE)).unwrap();
        let length = body.len();
        write!(
            stream,
            "{method} {path} HTTP/1.1\r\nhost: x\r\nconnection: close\r\ncontent-type: application/json\r\ncontent-length: {length}\r\n\r\n{body}"
        )
        .unwrap();
        let mut answer = String::new();
        stream.read_to_string(&mut answer).unwrap();
        let (head, body) = answer.split_once("\r\n\r\n").unwrap();
        let id = head.lines().find_map(|l| l.strip_prefix("x-request-id: ")).unwrap_or_default().to_owned();
        (head.split(' ').nth(1).unwrap().parse().unwrap(), id, body.to_owned())
    }

    fn post(&self, path: &str, body: &str) -> (u16, String) {
        let (status, id, _) = self.ask("POST", path, body);
        (status, id)
    }

    fn metric(&self, name: &str) -> u64 {
        let (_, _, text) = self.ask("GET", "/metrics", "");
        let line = text.lines().find_map(|l| l.strip_prefix(&format!("enteral_gate_audit_{name} ")).map(str::to_owned));
        line.unwrap_or_else(|| panic!("no {name} in {text}")).parse().unwrap()
    }

    fn signal(&self, signal: &str) {
        assert!(Command::new("kill").args([signal, &self.child.id().to_string()]).status().unwrap().success());
    }

    /// Asks it to stop, and gives its log.
    fn stop(mut self) -> String {
        self.signal("-TERM");
        let mut log = String::new();
        self.child.stderr.take().unwrap().read_to_string(&mut log).unwrap();
        self.child.wait().unwrap();
        log
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn entries(file: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(file).unwrap();
    text.lines().map(|line| serde_json::from_str::<Value>(line).unwrap()["entry"].clone()).collect()
}

fn sha256(text: &str) -> String {
    Sha256::digest(text.as_bytes()).iter().fold(String::new(), |mut out, byte| {
        write!(out, "{byte:02x}").unwrap();
        out
    })
}

#[test]
fn each_call_has_one_entry() {
    let folder = Folder::new();
    let file = folder.path("trail.jsonl");
    let s = Serving::start(&file, &["--rulebook", "starter"]);
    let batch = json!({"resourceType": "Bundle", "type": "batch", "entry": [
        {"request": {"method": "POST", "url": "$validate"}, "resource": serde_json::from_str::<Value>(ORDER).unwrap()},
        {"request": {"method": "POST", "url": "NutritionOrder/$nothing"}}]})
    .to_string();
    let feedback = json!({"feedback": [{"card": "4e0a3a1e-3283-4575-ab82-028d55fe2719", "outcome": "overridden", "outcomeTimestamp": "2026-11-25T08:12:00Z"}]}).to_string();
    let long = " ".repeat((1 << 20) + 1);
    let mut wanted = vec![json!(["started", null, null, "done", null, null, null])];
    for (path, route, body, action, status, result, reason, item, count, read) in [
        (
            VALIDATE,
            "/fhir/{version}/$validate",
            ORDER,
            "validate",
            200,
            "flagged",
            Value::Null,
            Value::Null,
            Value::Null,
            true,
        ),
        (
            "/fhir/R4/$validate",
            "/fhir/{version}/$validate",
            "{",
            "validate",
            400,
            "refused",
            Value::Null,
            Value::Null,
            Value::Null,
            true,
        ),
        (
            "/fhir/R4/NutritionOrder/$appraise",
            "/fhir/{version}/NutritionOrder/$appraise",
            ORDER,
            "appraise",
            200,
            "flagged",
            Value::Null,
            Value::Null,
            Value::Null,
            true,
        ),
        (
            "/fhir/R4/NutritionOrder/$appraise?zone=Nowhere",
            "/fhir/{version}/NutritionOrder/$appraise",
            ORDER,
            "appraise",
            400,
            "refused",
            json!("value"),
            Value::Null,
            Value::Null,
            true,
        ),
        (
            "/fhir/R7/NutritionOrder/$appraise",
            "/fhir/{version}/NutritionOrder/$appraise",
            ORDER,
            "appraise",
            404,
            "refused",
            json!("not-found"),
            Value::Null,
            Value::Null,
            false,
        ),
        ("/fhir/R4/", "/fhir/{version}/", &batch, "batch", 200, "batch", Value::Null, Value::Null, json!(2), true),
        (
            SIGN,
            "/cds-services/{id}",
            HOOK,
            "hook",
            200,
            "flagged",
            Value::Null,
            json!("tube-feeding-order-sign"),
            json!(1),
            true,
        ),
        (
            SIGN,
            "/cds-services/{id}",
            "{}",
            "hook",
            400,
            "refused",
            json!("required"),
            json!("tube-feeding-order-sign"),
            Value::Null,
            true,
        ),
        (
            &format!("{SIGN}/feedback"),
            "/cds-services/{id}/feedback",
            &feedback,
            "feedback",
            200,
            "answered",
            Value::Null,
            json!("tube-feeding-order-sign"),
            json!(1),
            true,
        ),
        (
            VALIDATE,
            "/fhir/{version}/$validate",
            &long,
            "validate",
            413,
            "refused",
            json!("too-long"),
            Value::Null,
            Value::Null,
            false,
        ),
    ] {
        let (got, id) = s.post(path, body);
        assert_eq!(got, status, "{path}");
        assert!(!id.is_empty());
        let content = if read { json!(sha256(body)) } else { Value::Null };
        wanted.push(json!([action, route, item, result, reason, content, [status, id, count]]));
    }
    // What is no call of an operation has none.
    for path in ["/", "/readyz", "/metrics", "/cds-services", "/fhir/R4/metadata", "/nothing"] {
        s.ask("GET", path, "");
    }
    s.ask("GET", VALIDATE, "");
    wanted.push(json!(["stopped", null, null, "done", null, null, null]));
    // An answer does not wait for its entry.
    until("all entries are written", || s.metric("entries_total") >= 11);
    // The place of the last one is told an instant after it was counted.
    let ready = || s.ask("GET", "/readyz", "").2;
    until("the last entry is told", || ready().contains("\naudit trail: last entry 11:"));
    let ready = ready();
    let anchor = ready.lines().find_map(|l| l.strip_prefix("audit trail: last entry ")).unwrap().to_owned();
    assert_eq!((s.metric("entries_total"), s.metric("lost_total"), s.metric("failing")), (11, 0, 0));
    s.stop();
    let entries = entries(&file);
    let got: Vec<Value> = entries
        .iter()
        .map(|e| {
            let (on, outcome) = (&e["on"], &e["outcome"]);
            let call = match outcome["status"].as_u64() {
                None => Value::Null,
                Some(status) => json!([status, outcome["request"], outcome["count"]]),
            };
            json!([e["action"], on["route"], on["item"], outcome["result"], outcome["reason"], on["content"], call])
        })
        .collect();
    for (got, wanted) in got.iter().zip(&wanted) {
        assert_eq!(got, wanted);
    }
    assert_eq!(got.len(), wanted.len());
    for entry in &entries {
        let program = matches!(entry["action"].as_str().unwrap(), "started" | "stopped");
        assert_eq!(entry["who"], json!({"kind": if program { "program" } else { "anyone" }}));
        assert_eq!(entry["versions"]["program"], env!("CARGO_PKG_VERSION"));
        assert!(entry["versions"]["settings"].as_str().unwrap().len() >= 16);
    }
    let judged = &entries[1]["versions"];
    assert_eq!(judged["rulebook"], entries[0]["versions"]["rulebook"]);
    assert!(judged["rulebook"].as_str().unwrap().len() == 16 && judged["formulary"].is_string());
    assert_eq!(verify(&file), (0, format!("unbroken: 12 entries, last {}\n", last(&file))));
    let out = audit(&["verify", "--anchor", &anchor, &file.display().to_string()]);
    assert_eq!(out.status.code(), Some(0));
    // Nothing of the orders is in it.
    let text = std::fs::read_to_string(&file).unwrap();
    for word in ["invented-1", "feed-1", "Nowhere", "Patient", "mL", "4e0a3a1e"] {
        assert!(!text.contains(word), "{word}");
    }
}

fn last(file: &Path) -> String {
    let text = std::fs::read_to_string(file).unwrap();
    let line: Value = serde_json::from_str(text.lines().last().unwrap()).unwrap();
    format!("{}:{}", line["entry"]["sequence"], line["hash"].as_str().unwrap())
}

#[test]
fn a_restart_goes_on_and_marks_what_was_cut_off() {
    let folder = Folder::new();
    let file = folder.path("trail.jsonl");
    let s = Serving::start(&file, &[]);
    assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    until("it is written", || entries(&file).len() == 2);
    drop(s);
    let whole = std::fs::read(&file).unwrap();
    assert_eq!(verify(&file).0, 0);
    // Cut within the last line; exactly before its end; and as a whole.
    let body = whole.len() - 1;
    let second = whole[..body].iter().rposition(|b| *b == b'\n').unwrap() + 1;
    for (cut, torn, entries_before) in
        [(second + 20, true, 1), (body - 1, true, 1), (body, false, 2), (second, false, 1)]
    {
        std::fs::write(&file, &whole[..cut]).unwrap();
        let (code, said) = verify(&file);
        assert_eq!(code, i32::from(torn), "{said}");
        assert_eq!(said.contains("line 2: the last line is cut off"), torn, "{said}");
        let s = Serving::start(&file, &[]);
        until("it is written", || s.metric("last_sequence") >= entries_before + 1 + u64::from(torn));
        let (_, _, ready) = s.ask("GET", "/readyz", "");
        assert_eq!(ready.contains("1 lines that were cut off are marked"), torn, "{ready}");
        let log = s.stop();
        assert_eq!(log.contains("ends with a line that is cut off"), torn, "{log}");
        let (code, said) = verify(&file);
        assert_eq!(code, 0, "{said}");
        assert_eq!(said.contains("1 lines that were cut off are marked"), torn, "{said}");
        let text = std::fs::read_to_string(&file).unwrap();
        assert_eq!(text.contains("\"action\":\"torn-line\""), torn);
    }
}

#[test]
fn a_broken_trail_is_not_added_to() {
    let folder = Folder::new();
    let file = folder.path("trail.jsonl");
    let s = Serving::start(&file, &[]);
    for _ in 0..3 {
        assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    }
    s.stop();
    let whole = std::fs::read_to_string(&file).unwrap();
    let lines: Vec<&str> = whole.lines().collect();
    assert_eq!(lines.len(), 5);
    let refused = |words: &str| {
        let before = std::fs::read(&file).unwrap();
        let out = clean(Command::new(env!("CARGO_BIN_EXE_enteral-gate"))).args(arguments(&file)).output().unwrap();
        let said = String::from_utf8(out.stderr).unwrap();
        assert_eq!(out.status.code(), Some(64), "{said}");
        assert!(said.contains("enteral-gate: --audit") && said.contains(words), "{said}");
        assert_eq!(std::fs::read(&file).unwrap(), before);
        let (code, said) = verify(&file);
        assert_eq!(code, 1, "{said}");
        assert!(said.contains(words), "{said}");
    };
    std::fs::write(&file, whole.replacen("\"status\":200", "\"status\":204", 1)).unwrap();
    refused("line 2, entry 2: was changed: its hash is not that of its content");
    std::fs::write(&file, [lines[0], lines[2], lines[3]].join("\n")).unwrap();
    refused("line 2, entry 3: follows a gap: entry 2 is not there");
    std::fs::write(&file, [lines[0], lines[2], lines[1], lines[3]].join("\n")).unwrap();
    refused("line 2, entry 3: is out of order: entry 2 belongs here and comes later");
    std::fs::write(&file, ["garbage", lines[0]].join("\n")).unwrap();
    refused("line 1: is no entry");
    // The end is missing: only who knows the last entry can tell.
    let anchor = format!("5:{}", serde_json::from_str::<Value>(lines[4]).unwrap()["hash"].as_str().unwrap());
    std::fs::write(&file, lines[..3].join("\n") + "\n").unwrap();
    assert_eq!(verify(&file).0, 0);
    let out = audit(&["verify", "--anchor", &anchor, &file.display().to_string()]);
    assert_eq!(out.status.code(), Some(1));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(said.contains("the trail ends with entry 3, and was anchored at entry 5: its end is missing"), "{said}");
    // Neither a folder nor a file that is not there is verified, and neither is another's trail opened.
    assert_eq!(verify(&folder.path("nothing")).0, 3);
    let out = clean(Command::new(env!("CARGO_BIN_EXE_enteral-gate"))).args(arguments(&folder.0)).output().unwrap();
    assert_eq!(out.status.code(), Some(64));
    let s = Serving::start(&file, &[]);
    let out = clean(Command::new(env!("CARGO_BIN_EXE_enteral-gate"))).args(arguments(&file)).output().unwrap();
    assert!(String::from_utf8(out.stderr).unwrap().contains("is in use by another process"));
    drop(s);
}

/// The operating system lets the file grow to 8 KiB and no further, then further: calls are answered all the while.
#[cfg(target_os = "linux")]
#[test]
fn a_file_that_cannot_grow_keeps_no_call_from_its_answer() {
    let folder = Folder::new();
    let file = folder.path("trail.jsonl");
    let mut command = clean(Command::new("bash"));
    let script = "trap '' XFSZ; ulimit -S -f 8; exec \"$@\"";
    command.args(["-c", script, "bash", env!("CARGO_BIN_EXE_enteral-gate")]).args(arguments(&file));
    let s = Serving::of(command);
    let calls = 40;
    for _ in 0..calls {
        assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    }
    until("it fails", || s.metric("failing") == 1);
    let (status, _, ready) = s.ask("GET", "/readyz", "");
    assert_eq!(status, 200);
    assert!(ready.contains("\naudit trail: NOT written since"), "{ready}");
    assert_eq!(std::fs::metadata(&file).unwrap().len(), 8 << 10);
    let free = Command::new("prlimit").args(["--pid", &s.child.id().to_string(), "--fsize=unlimited:"]).status();
    if !free.is_ok_and(|done| done.success()) {
        println!("skipped: there is no prlimit to let the file grow again");
        return;
    }
    until("it is written again", || s.metric("failing") == 0);
    assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    let log = s.stop();
    assert!(log.contains("the audit trail cannot be written; calls are answered all the same"), "{log}");
    assert!(log.contains("the audit trail is written again"), "{log}");
    let (code, said) = verify(&file);
    assert_eq!(code, 0, "{said}");
    let text = std::fs::read_to_string(&file).unwrap();
    let kept = text.lines().filter_map(|line| read(line.as_bytes()).ok());
    assert_eq!(kept.filter(|entry| entry.event.action.as_str() == "validate").count(), calls + 1);
}

#[cfg(unix)]
#[test]
fn a_trail_that_is_moved_away_goes_on_in_a_new_file() {
    let folder = Folder::new();
    let (file, old) = (folder.path("trail.jsonl"), folder.path("trail.1.jsonl"));
    let s = Serving::start(&file, &[]);
    assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    until("it is written", || s.metric("last_sequence") == 2);
    std::fs::rename(&file, &old).unwrap();
    assert_eq!(s.post(VALIDATE, ORDER).0, 200);
    until("it is written", || s.metric("last_sequence") == 3);
    s.stop();
    // And after a restart, which sees only the new file.
    Serving::start(&file, &[]).stop();
    let (file, old) = (file.display().to_string(), old.display().to_string());
    let code = |arguments: &[&str]| audit(&[&["verify"], arguments].concat()).status.code().unwrap();
    assert_eq!((code(&[&old]), code(&[&old, &file]), code(&[&file]), code(&[&file, &old])), (0, 0, 1, 1));
    let before = last(Path::new(&old));
    assert_eq!(code(&["--after", &before, &file]), 0);
    assert!(std::os::unix::fs::MetadataExt::mode(&std::fs::metadata(&file).unwrap()) & 0o077 == 0);
}

#[cfg(unix)]
#[test]
fn reloads_are_kept() {
    let folder = Folder::new();
    let (file, book) = (folder.path("trail.jsonl"), folder.path("book.toml"));
    let text = "rulebook = 1\nlabel = \"Invented\"\nedition = \"1\"\nextends = \"starter\"\n";
    std::fs::write(&book, text).unwrap();
    let s = Serving::start(&file, &["--rulebook", &book.display().to_string()]);
    let kept = |n: usize| until("a reload is kept", || entries(&file).len() == n);
    kept(1);
    std::fs::write(&book, text.replace("\"1\"", "\"2\"")).unwrap();
    s.signal("-HUP");
    kept(2);
    std::fs::write(&book, "rulebook = ").unwrap();
    s.signal("-HUP");
    kept(3);
    s.stop();
    let got = entries(&file);
    let versions = |n: usize, what: &str| got[n]["versions"][what].clone();
    for (n, result) in [(1, "taken"), (2, "refused")] {
        assert_eq!((&got[n]["action"], &got[n]["outcome"]["result"]), (&json!("rules-reload"), &json!(result)));
        assert_eq!(got[n]["who"], json!({"kind": "program"}));
    }
    assert_eq!(versions(1, "before"), versions(0, "rulebook"));
    assert_ne!(versions(1, "rulebook"), versions(0, "rulebook"));
    assert_eq!(versions(2, "rulebook"), versions(1, "rulebook"));
}
