//! How long the pages of the queue take with many orders on it, on SQLite and on PostgreSQL. It measures; it is no test.
//! `tests/load/pages` runs it.
//!
//! Orders are the varied ones of the benchmark, judged by the starter rulebook and recorded through the store; a part of
//! them is replaced, decided, held, put off or asked about. Then the service is started on the store, somebody signs in,
//! and pages are asked for over loopback. Everything is invented.

#[path = "../store/cluster.rs"]
#[allow(dead_code, reason = "only what is needed here of it")]
mod cluster;
#[path = "../store/orders.rs"]
#[allow(dead_code, reason = "only what is needed here of it")]
mod orders;
#[path = "../bench/varied.rs"]
#[allow(dead_code, reason = "only what is needed here of it")]
mod varied;

use enteral_gate::appraise::{Institution, appraise_by};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::{ItemId, Received};
use enteral_gate::queue::work::{Action, Command};
use enteral_gate::queue::{Lane, Role};
use enteral_gate::rulebook::file;
use enteral_gate::settings::Settings;
use enteral_gate::sheet::Identifier;
use enteral_gate::store::{SqlStore, Store};
use jiff::{SignedDuration, Timestamp};
use orders::{Folder, Place, accept, person, pharmacist};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::time::{Duration, Instant};

/// Contents that are judged; the orders take turns in having them.
const CONTENTS: usize = 4000;
const WARDS: [&str; 20] = [
    "Ward A1",
    "Ward A2",
    "Ward A3",
    "Ward B1",
    "Ward B2",
    "Ward B3",
    "Intensive care North",
    "Intensive care South",
    "Neonatology",
    "Paediatrics 1",
    "Paediatrics 2",
    "Oncology",
    "Stroke unit",
    "Neurology",
    "Surgery 1",
    "Surgery 2",
    "Geriatrics",
    "Burns",
    "Rehabilitation",
    "Home service",
];

const GIVEN: [&str; 8] = ["Anna", "Boris", "Clara", "Dario", "Edda", "Fritz", "Greta", "Hanno"];

fn number(name: &str, otherwise: usize) -> usize {
    std::env::var(name).ok().map_or(otherwise, |n| n.parse().unwrap_or_else(|_| panic!("{name} is a number")))
}

/// Judged orders that belong on the queue.
fn judged() -> Vec<Received> {
    let (formulary, settings) = (varied::formulary(), Settings::default());
    let rulebook = file::read(file::starter()).expect("the starter rulebook");
    let by = Institution { formulary: &formulary, rulebook: &rulebook, settings: &settings };
    let mut out = Vec::new();
    for order in varied::orders(CONTENTS) {
        let a = appraise_by(&order, "", FhirVersion::R4, by);
        out.extend(a.orders.iter().map(|order| Received::of(&a, order, &[])).filter(Received::is_item));
    }
    out
}

/// Order `n` of so many, received over the last thirty days.
fn order(judged: &[Received], n: usize, of: usize, content: usize, now: Timestamp) -> Received {
    let mut out = judged[(n * 7 + content) % judged.len()].clone();
    out.key.order = format!("nutrition-{n}");
    out.key.patient = format!("Patient/invented-{}", n * 31 % 40_000);
    out.label = format!("{} {n}", out.label);
    let patient = n * 31 % 40_000;
    out.identity.name = format!("{} Invented-{}", GIVEN[patient % GIVEN.len()], patient / GIVEN.len());
    out.identity.born = Some(format!("{}-{:02}-{:02}", 1930 + patient % 90, 1 + patient % 12, 1 + patient % 28));
    out.identity.identifiers =
        vec![Identifier { label: "Record number".to_owned(), value: format!("INV-{patient:06}") }];
    out.content = format!("{:064x}", n * 10 + content);
    out.ward = (!n.is_multiple_of(23)).then(|| WARDS[n * 13 % WARDS.len()].to_owned());
    let minutes = 30 * 24 * 60 * (of - n) / of;
    out.at = now - SignedDuration::from_mins(minutes as i64);
    out.starts = (!n.is_multiple_of(3)).then(|| out.at + SignedDuration::from_mins((n * 17 % 600) as i64));
    out.through = "tube-feeding-order-sign".to_owned();
    out
}

/// Fills a store; gives the ids of what is on it.
async fn fill(place: &Place, judged: &[Received], items: usize) -> Vec<ItemId> {
    let store = Arc::new(place.open().await);
    let now = Timestamp::now();
    let begun = Instant::now();
    let mut ids = Vec::with_capacity(items);
    for from in (0..items).step_by(2048) {
        let mut calls = Vec::new();
        for from in (from..items.min(from + 2048)).step_by(32) {
            let some: Vec<Received> = (from..items.min(from + 32)).map(|n| order(judged, n, items, 0, now)).collect();
            ids.extend(some.iter().map(Received::id));
            let store = store.clone();
            calls.push(tokio::spawn(async move { store.record(some).await.map(drop) }));
        }
        for call in calls {
            call.await.unwrap().unwrap();
        }
    }
    eprintln!("{items} orders recorded in {:.1?}", begun.elapsed());
    let begun = Instant::now();
    let mut calls = Vec::new();
    for (n, id) in ids.iter().enumerate() {
        if let Some(call) = work(&store, judged, n, items, id, now) {
            calls.push(call);
        }
        if calls.len() == 256 {
            for call in calls.drain(..) {
                call.await.unwrap();
            }
        }
    }
    for call in calls {
        call.await.unwrap();
    }
    eprintln!("a part of them worked on in {:.1?}", begun.elapsed());
    store.close().await.unwrap();
    ids
}

/// What is done with order `n`, where anything is.
fn work(
    store: &Arc<SqlStore>,
    judged: &[Received],
    n: usize,
    of: usize,
    id: &ItemId,
    now: Timestamp,
) -> Option<tokio::task::JoinHandle<()>> {
    let store = store.clone();
    let id = id.clone();
    let (ann, dan) = (pharmacist(&format!("ann-{}", n % 12)), person(&format!("dan-{}", n % 5), Role::Dietitian));
    let act = |by: enteral_gate::queue::Person, action| {
        let lane = by.role.lane().unwrap_or(Lane::Pharmacist);
        Command { id: String::new(), by, at: now, lane, seen: 1, action }
    };
    let until = now + SignedDuration::from_hours(3);
    let command = match n % 40 {
        0..=7 => act(ann, accept()),
        8 => act(ann, Action::Take),
        9 => act(dan, Action::Take),
        10 => act(ann, Action::AskPrescriber { question: "is the rate as meant?".to_owned() }),
        11 => act(dan, Action::Snooze { until, note: "waits for a weight".to_owned() }),
        12 => act(ann, Action::CloseAsChanged { note: "rate lowered by telephone".to_owned() }),
        13 => {
            let changed = order(judged, n, of, 1, now);
            return Some(tokio::spawn(async move { store.record(vec![changed]).await.map(drop).unwrap() }));
        }
        _ => return None,
    };
    // A lane that was not asked is no reason to stop.
    Some(tokio::spawn(async move { drop(store.act(id, command).await) }))
}

/// The service as a process of its own.
struct Service {
    child: Child,
    here: String,
    token: String,
}

impl Service {
    fn start(place: &Place) -> Self {
        let mut child = std::process::Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
            .args(["serve", "--listen", "127.0.0.1:0", "--rulebook", "starter", "--store", &place.text()])
            .args(["--formulary", concat!(env!("CARGO_MANIFEST_DIR"), "/deploy/demo/formulary.csv")])
            .env("ENTERAL_GATE_LOG", "off")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        let mut line = || lines.next().expect("it serves").unwrap();
        let here = line().rsplit("http://").next().unwrap().to_owned();
        let token = line().rsplit('#').next().unwrap().to_owned();
        Self { child, here, token }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// One connection, one request after the other.
struct Client {
    stream: BufReader<TcpStream>,
    cookie: String,
}

struct Said {
    status: u16,
    head: String,
    body: String,
}

impl Client {
    fn new(here: &str, cookie: &str) -> Self {
        let stream = TcpStream::connect(here).unwrap();
        stream.set_nodelay(true).unwrap();
        Self { stream: BufReader::new(stream), cookie: cookie.to_owned() }
    }

    fn ask(&mut self, method: &str, path: &str, body: &str) -> Said {
        let request = format!(
            "{method} {path} HTTP/1.1\r\nhost: 127.0.0.1\r\ncookie: {}\r\ncontent-type: application/x-www-form-urlencoded\r\ncontent-length: {}\r\n\r\n{body}",
            self.cookie,
            body.len()
        );
        self.stream.get_mut().write_all(request.as_bytes()).unwrap();
        let mut head = String::new();
        let mut length = None;
        loop {
            let mut line = String::new();
            assert!(self.stream.read_line(&mut line).unwrap() > 0, "the connection ended: {method} {path}");
            if line == "\r\n" {
                break;
            }
            let small = line.to_ascii_lowercase();
            length = small.strip_prefix("content-length:").and_then(|n| n.trim().parse().ok()).or(length);
            head.push_str(&line);
        }
        let mut bytes = vec![0; length.unwrap_or_else(|| panic!("no length: {head}"))];
        self.stream.read_exact(&mut bytes).unwrap();
        Said { status: head[9..12].parse().unwrap(), head, body: String::from_utf8(bytes).unwrap() }
    }

    fn get(&mut self, path: &str) -> String {
        let said = self.ask("GET", path, "");
        assert_eq!(said.status, 200, "{path}: {}", said.body);
        said.body
    }
}

/// The address of the page after this one.
fn next(page: &str) -> Option<String> {
    let before = page.split("after=").next()?;
    let from = before.rfind("href=\"")? + 6;
    let to = from + page[from..].find('"')?;
    page[from..to].contains("after=").then(|| page[from..to].replace("&amp;", "&").replace("&#38;", "&"))
}

/// Asks for these addresses in turn with so many clients; gives how long each answer took, sorted.
fn measure(here: &str, cookie: &str, paths: &[String], clients: usize, requests: usize) -> Vec<Duration> {
    let threads: Vec<_> = (0..clients)
        .map(|client| {
            let (here, cookie, paths) = (here.to_owned(), cookie.to_owned(), paths.to_vec());
            std::thread::spawn(move || {
                let mut one = Client::new(&here, &cookie);
                let mut times = Vec::with_capacity(requests);
                for n in 0..requests {
                    let from = Instant::now();
                    one.get(&paths[(n * clients + client) % paths.len()]);
                    times.push(from.elapsed());
                }
                times
            })
        })
        .collect();
    let mut times: Vec<Duration> = threads.into_iter().flat_map(|thread| thread.join().unwrap()).collect();
    times.sort();
    times
}

fn at(times: &[Duration], share: f64) -> f64 {
    times[((times.len() - 1) as f64 * share).ceil() as usize].as_secs_f64() * 1e3
}

fn pages(name: &str, place: &Place, ids: &[ItemId], requests: usize) {
    let begun = Instant::now();
    let service = Service::start(place);
    let mut first = Client::new(&service.here, "");
    let form = format!("token={}&name=Petra+Probe&job=pharmacist", service.token);
    let said = first.ask("POST", "/sign-in", &form);
    let cookie = said.head.lines().find_map(|line| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("set-cookie").then(|| value.split(';').next().unwrap_or("").trim().to_owned())
    });
    let cookie = cookie.expect("signed in");
    let mut one = Client::new(&service.here, &cookie);
    let page = one.get("/queue");
    println!("{name}: started and the first list shown in {:.1?}", begun.elapsed());
    let words = page.split("orders.").next().unwrap_or("").rsplit('>').next().unwrap_or("").trim().to_owned();
    println!("{name}: {words} orders wait for pharmacists");
    let mut deep = "/queue?lane=all&state=all".to_owned();
    for _ in 0..20 {
        deep = next(&one.get(&deep)).expect("a page after it");
    }
    let items: Vec<String> = (0..requests).map(|n| format!("/queue/{}", ids[n * 7919 % ids.len()])).collect();
    let kinds: Vec<(&str, Vec<String>)> = vec![
        ("list, own lane", vec!["/queue".to_owned()]),
        ("list, both lanes, any state", vec!["/queue?lane=all&state=all".to_owned()]),
        ("the 21st page of it", vec![deep]),
        ("ward", (0..8).map(|n| format!("/queue?lane=all&ward={}", WARDS[n].replace(' ', "+"))).collect()),
        ("gravest finding Stop or High", vec!["/queue?tier=grave".to_owned()]),
        ("rule", ["WAT-01", "CON-03", "VOL-01"].map(|rule| format!("/queue?lane=all&rule={rule}")).to_vec()),
        ("waits 1 h, starts within 4 h", vec!["/queue?waits=60&starts=4".to_owned()]),
        ("not fully checked only", vec!["/queue?lane=all&unchecked=1".to_owned()]),
        (
            "free, held, asked, put off",
            ["free", "taken", "asked", "snoozed"].map(|s| format!("/queue?state={s}")).to_vec(),
        ),
        ("decided", vec!["/queue?state=decided".to_owned()]),
        ("closed, replaced", ["closed", "replaced"].map(|s| format!("/queue?lane=all&state={s}")).to_vec()),
        ("mine", vec!["/queue?lane=all&mine=1".to_owned()]),
        ("search: a common word", vec!["/queue?lane=all&state=all&q=water".to_owned()]),
        (
            "search: a patient",
            (0..8).map(|n| format!("/queue?lane=all&state=all&q=invented-{}", 1000 + n * 371)).collect(),
        ),
        (
            "search: a name",
            (0..8).map(|n| format!("/queue?lane=all&state=all&q={}+Invented-{}", GIVEN[n], n * 401)).collect(),
        ),
        ("search: born", (0..8).map(|n| format!("/queue?lane=all&state=all&q={}-0{}", 1950 + n * 7, 1 + n)).collect()),
        ("search: an identifier", (0..8).map(|n| format!("/queue?lane=all&state=all&q=INV-{:06}", n * 4001)).collect()),
        ("search: two letters", ["an", "se", "15"].map(|q| format!("/queue?lane=all&state=all&q={q}")).to_vec()),
        ("search: three words", vec!["/queue?lane=all&state=all&q=neurology+water+invented-1".to_owned()]),
        ("search: nothing fits", vec!["/queue?lane=all&state=all&q=zzqqxx".to_owned()]),
        ("search in a ward", vec!["/queue?lane=all&ward=Neurology&q=rate".to_owned()]),
        ("one order", items),
        ("rules", vec!["/rules".to_owned()]),
        ("Task, what changed last first", vec!["/fhir/R4/Task?_count=50".to_owned()]),
        ("Task of a patient", (0..8).map(|n| format!("/fhir/R4/Task?patient=invented-{}", 1000 + n * 371)).collect()),
    ];
    println!("{:12} {:32} {:>9} {:>9} {:>9} {:>12}", "store", "page", "p50 ms", "p99 ms", "most ms", "4 at once p99");
    let mut slowest: f64 = 0.0;
    for (kind, paths) in &kinds {
        measure(&service.here, &cookie, paths, 1, 5);
        let alone = measure(&service.here, &cookie, paths, 1, requests);
        let beside = measure(&service.here, &cookie, paths, 4, requests / 4);
        slowest = slowest.max(at(&alone, 0.99));
        println!(
            "{name:12} {kind:32} {:>9.1} {:>9.1} {:>9.1} {:>12.1}",
            at(&alone, 0.5),
            at(&alone, 0.99),
            at(&alone, 1.0),
            at(&beside, 0.99)
        );
    }
    let memory = std::fs::read_to_string(format!("/proc/{}/status", service.child.id())).unwrap_or_default();
    let memory = memory.lines().find(|line| line.starts_with("VmRSS:")).unwrap_or_default();
    println!("{name}: the slowest p99 of one client is {slowest:.1} ms; {memory}");
}

fn main() {
    let (items, requests) = (number("EG_ITEMS", 100_000), number("EG_REQUESTS", 200));
    let load = || std::fs::read_to_string("/proc/loadavg").unwrap_or_default().trim().to_owned();
    let folder = Folder::new();
    let cluster = cluster::Cluster::start("pages");
    let judged = judged();
    println!("{items} orders, {} contents, {requests} requests of each kind; load average {}", judged.len(), load());
    let only = std::env::var("EG_ONLY").unwrap_or_default();
    for (name, place) in
        [("SQLite", Place::Sqlite(folder.join("queue.sqlite"))), ("PostgreSQL", Place::Postgres(cluster.database()))]
    {
        if !only.is_empty() && only != name {
            continue;
        }
        let ids = orders::runtime().block_on(fill(&place, &judged, items));
        pages(name, &place, &ids, requests);
        println!("load average {}", load());
    }
}
