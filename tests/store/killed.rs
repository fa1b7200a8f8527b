//! A process that writes, and the program itself while it serves, are killed (SIGKILL) at random moments. What was
//! acknowledged is there afterwards, once and whole, and soon. `EG_KILLS=N` sets how often each store is struck, and the
//! program a tenth as often.

use crate::cluster;
use crate::orders::{
    Folder, GAPS, Place, accept, all, at, command, json, order, pharmacist, query, runtime, said, samples,
};
use crate::trouble::{Service, verified};
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::trail::Event;
use enteral_gate::queue::work::Action;
use enteral_gate::store::outbox::{Listener, Which, letters};
use enteral_gate::store::{SqlStore, Store, open};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Read as _, Write};
use std::net::TcpStream;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

/// Strikes where nothing else is said.
const KILLS: usize = 12;
/// Strikes at the program where nothing else is said.
const KILLS_OF_THE_PROGRAM: usize = 3;
/// Strikes at one database: everything in it is looked through after each.
const STRIKES_AT_ONE: usize = 24;
const WRITERS: usize = 8;
/// Callers of the program.
const CALLERS: usize = 6;
/// The queue is to be there again after a crash within this time.
const RESTART: Duration = Duration::from_secs(2);

fn set() -> Option<usize> {
    std::env::var("EG_KILLS").ok().map(|n| n.parse().expect("EG_KILLS is a number"))
}

/// Numbers that a seed tells (xorshift, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn new() -> (Self, u32) {
        let seed = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().subsec_nanos();
        (Self(u64::from(seed) | 1), seed)
    }

    /// A time below this one.
    fn below(&mut self, most: Duration) -> Duration {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        Duration::from_micros(self.0 % most.as_micros() as u64)
    }

    /// When a round is struck: mostly soon, in a third of the rounds up to a second and a half later.
    fn moment(&mut self, round: usize) -> Duration {
        self.below(Duration::from_millis(if round % 3 == 1 { 1500 } else { 120 }))
    }
}

/// Writes until it is killed, and says what was acknowledged, line by line. Started by the tests below.
#[test]
fn child() {
    let Ok(place) = std::env::var("EG_STORE_OF_CHILD") else { return };
    let round: usize = std::env::var("EG_ROUND").unwrap().parse().unwrap();
    runtime().block_on(async {
        let store = Arc::new(open(&place, Default::default()).await.unwrap());
        assert!(store.pack_like(samples()));
        let everything = Listener {
            id: "board".to_owned(),
            endpoint: "https://board.example/in".to_owned(),
            criteria: Default::default(),
        };
        store.listen(vec![everything], at(0)).await.unwrap();
        let mut writers = Vec::new();
        for writer in 0..WRITERS {
            writers.push(tokio::spawn(write(store.clone(), round, writer)));
        }
        for writer in writers {
            writer.await.unwrap();
        }
    });
}

async fn write(store: Arc<SqlStore>, round: usize, writer: usize) {
    let me = pharmacist(&format!("w{writer}"));
    for n in 0.. {
        let number = (round * WRITERS + writer) * 100_000 + n;
        let item = store.record(vec![order(number, 1, 0)]).await.unwrap()[0].item().unwrap().clone();
        say(&format!("recorded {item}"));
        store.act(item.clone(), command(&me, 1, 1, Action::Take)).await.unwrap();
        say(&format!("take {item}"));
        store.act(item.clone(), command(&me, 2, 2, accept())).await.unwrap();
        say(&format!("accept {item}"));
        // The same order changed: the one replaces the other.
        if n % 4 == 0 {
            let new = store.record(vec![order(number, 2, 3)]).await.unwrap()[0].item().unwrap().clone();
            say(&format!("recorded {new}"));
            say(&format!("replaced {item}"));
        }
    }
}

fn say(line: &str) {
    let mut out = std::io::stderr().lock();
    writeln!(out, "ack {line}").unwrap();
}

/// What was acknowledged of an item.
type Acknowledged = BTreeMap<ItemId, Vec<String>>;

fn strike(place: &Place, round: usize, after: Duration, acknowledged: &mut Acknowledged) -> usize {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "killed::child", "--nocapture"])
        .env("EG_STORE_OF_CHILD", place.text())
        .env("EG_ROUND", round.to_string())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let lines = BufReader::new(child.stderr.take().unwrap());
    let id = child.id().to_string();
    let kill = || {
        let id = id.clone();
        std::thread::spawn(move || {
            std::thread::sleep(after);
            assert!(Command::new("kill").args(["-KILL", &id]).status().unwrap().success());
        })
    };
    // Every tenth is struck while it opens the store, the others while they write.
    let mut killer = (round % 10 == 9).then(kill);
    let mut n = 0;
    for line in lines.lines() {
        // The last line may be cut off; what was not said whole was not acknowledged.
        let Ok(line) = line else { break };
        let mut words = line.split(' ');
        if words.next() != Some("ack") {
            continue;
        }
        if let (Some(what), Some(item)) = (words.next(), words.next().and_then(ItemId::read)) {
            acknowledged.entry(item).or_default().push(what.to_owned());
            n += 1;
            killer = killer.or_else(|| Some(kill()));
        }
    }
    killer.expect("something was acknowledged").join().unwrap();
    let status = child.wait().unwrap();
    assert!(!status.success(), "it was to be killed, and ended by itself");
    n
}

/// How long a thread waited for a processor that others had: a busy machine says nothing of the program.
fn kept_waiting(thread: &str) -> Duration {
    let text = std::fs::read_to_string(format!("/proc/{thread}/schedstat")).unwrap_or_default();
    text.split(' ').nth(1).and_then(|n| n.parse().ok()).map_or(Duration::ZERO, Duration::from_nanos)
}

/// How long something took, and for how much of that the machine was busy.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Took {
    time: Duration,
    of_it_waited: Duration,
}

impl Took {
    const NONE: Self = Self { time: Duration::ZERO, of_it_waited: Duration::ZERO };

    fn words(self) -> String {
        let Self { time, of_it_waited } = self;
        format!("{} ms ({} ms of it the machine was busy)", time.as_millis(), of_it_waited.as_millis())
    }
}

/// Gives how long it took until the queue was there again: opened, and a list given.
async fn check(place: &Place, acknowledged: &Acknowledged) -> Took {
    samples();
    let (begun, waited) = (Instant::now(), kept_waiting("thread-self"));
    let store = place.open().await;
    let list = store.list(query(50)).await.unwrap();
    let took = begun.elapsed();
    let waited = kept_waiting("thread-self").saturating_sub(waited);
    assert!(took < RESTART + waited, "{took:?} until the first list, of which the machine was busy for {waited:?}");
    assert!(list.items.len() == 50 || list.items.len() as u64 == list.total);
    let took = Took { time: took, of_it_waited: waited };
    store.verify().await.unwrap();
    let there: BTreeMap<ItemId, _> = all(&store).await.into_iter().map(|s| (s.id.clone(), s)).collect();
    // Every change has its message and every message its change, struck down or not.
    let mut told: BTreeMap<ItemId, usize> = BTreeMap::new();
    for letter in letters(&place.text(), &Which::default(), 10_000_000).await.unwrap().0 {
        if let Some(task) = letter.event.unwrap().task {
            *told.entry(task.item).or_default() += 1;
        }
    }
    let changes: BTreeMap<ItemId, usize> = there.iter().map(|(id, s)| (id.clone(), s.version as usize)).collect();
    assert_eq!(told, changes, "what is to be told is kept with the change");
    for (id, what) in acknowledged {
        assert!(there.contains_key(id), "{id} was acknowledged ({what:?}) and is lost");
        let trail = store.trail(id.clone()).await.unwrap();
        for word in what {
            let times = trail.iter().filter(|entry| entry.what.word() == word).count();
            assert_eq!(times, 1, "{id}: {word} was acknowledged, and is there {times} times");
        }
    }
    // Nothing is there twice either that was not acknowledged any more.
    for id in there.keys().filter(|id| !acknowledged.contains_key(id)) {
        let trail = store.trail(id.clone()).await.unwrap();
        assert_eq!(trail.iter().filter(|e| matches!(e.what, Event::Recorded { .. })).count(), 1);
    }
    store.close().await.unwrap();
    took
}

fn many(fresh: &dyn Fn() -> Place, name: &str) {
    let (mut numbers, seed) = Numbers::new();
    let (mut total, mut empty, mut longest) = (0, 0, Took::NONE);
    let kills = set().unwrap_or(KILLS);
    let rounds: Vec<usize> = (0..kills).collect();
    for rounds in rounds.chunks(STRIKES_AT_ONE) {
        let place = fresh();
        let mut all_acknowledged = Acknowledged::new();
        for &round in rounds {
            let mut acknowledged = Acknowledged::new();
            let n = strike(&place, round, numbers.moment(round), &mut acknowledged);
            total += n;
            empty += usize::from(n == 0);
            longest = longest.max(runtime().block_on(check(&place, &acknowledged)));
            all_acknowledged.extend(acknowledged);
        }
        // And all of it at the end, after everything that came later.
        runtime().block_on(check(&place, &all_acknowledged));
    }
    assert!(total > 0, "nothing was ever acknowledged: the strikes came too early");
    said(&format!(
        "counts: {kills} strikes on {name} (seed {seed}), {empty} before the first acknowledgement; {total} acknowledged, none lost, doubled or damaged; the first list after {} at the latest",
        longest.words()
    ));
}

#[test]
fn sqlite_loses_nothing() {
    let folders = Mutex::new(Vec::new());
    let fresh = || {
        let folder = Folder::new();
        let place = Place::Sqlite(folder.join("queue.sqlite"));
        folders.lock().unwrap().push(folder);
        place
    };
    many(&fresh, "SQLite");
}

#[test]
fn postgres_loses_nothing() {
    many(&|| Place::Postgres(cluster::shared().database()), "PostgreSQL");
}

/// The names of orders that the program said it recorded.
type Names = Mutex<Vec<String>>;

/// Sends an order; whether the answer says that it was recorded, as far as it came.
fn send(here: &str, name: &str, content: usize) -> bool {
    let order = json(name, name, &format!(r#","note":[{{"text":"invented {content}"}}]{GAPS}"#));
    let Ok(mut stream) = TcpStream::connect(here) else { return false };
    let head = "POST /fhir/R4/NutritionOrder/$validate HTTP/1.1\r\nhost: localhost\r\nconnection: close";
    let kind = "content-type: application/fhir+json";
    let _ = write!(stream, "{head}\r\n{kind}\r\ncontent-length: {}\r\n\r\n{order}", order.len());
    let (mut answer, mut some) = (Vec::new(), [0; 4096]);
    while let Ok(n @ 1..) = stream.read(&mut some) {
        answer.extend_from_slice(&some[..n]);
    }
    let answer = String::from_utf8_lossy(&answer);
    let head = answer.split_once("\r\n\r\n").map_or("", |(head, _)| head);
    head.lines().any(|line| line == "enteral-gate-queue: recorded")
}

/// Waits until the program says that it is ready.
fn ready(here: &str) {
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_secs(60) {
        let Ok(mut stream) = TcpStream::connect(here) else { continue };
        let _ = write!(stream, "GET /readyz HTTP/1.1\r\nhost: localhost\r\nconnection: close\r\n\r\n");
        let mut answer = String::new();
        let _ = stream.read_to_string(&mut answer);
        if answer.starts_with("HTTP/1.1 200") {
            return;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("it is never ready");
}

/// Many callers send orders to a service until it is struck down; gives the orders that it said it recorded.
fn load_and_strike(mut service: Service, round: usize, after: Duration) -> Vec<String> {
    let (recorded, over): (Names, _) = (Mutex::default(), AtomicBool::new(false));
    std::thread::scope(|scope| {
        for caller in 0..CALLERS {
            let (here, recorded, over) = (service.here.clone(), &recorded, &over);
            scope.spawn(move || {
                for n in 0.. {
                    let name = format!("r{round}-{caller}-{n}");
                    // Some are sent twice, as clients do that do not know whether it arrived.
                    for _ in 0..=usize::from(n % 4 == 0) {
                        if over.load(Ordering::Relaxed) {
                            return;
                        }
                        if send(&here, &name, n) {
                            recorded.lock().unwrap().push(name.clone());
                        }
                    }
                }
            });
        }
        let begun = Instant::now();
        while recorded.lock().unwrap().is_empty() {
            assert!(begun.elapsed() < Duration::from_secs(60), "nothing is ever recorded");
            std::thread::sleep(Duration::from_millis(1));
        }
        std::thread::sleep(after);
        service.child.kill().unwrap();
        service.child.wait().unwrap();
        over.store(true, Ordering::Relaxed);
    });
    let mut recorded = recorded.into_inner().unwrap();
    recorded.sort_unstable();
    recorded.dedup();
    recorded
}

/// Strikes the program down while it serves, and again while it starts; then it is ready soon, and has everything that it
/// said it recorded, once.
fn program(place: &Place, name: &str) {
    let folder = Folder::new();
    let spool = folder.join("spool");
    let (mut numbers, seed) = Numbers::new();
    let kills = set().map_or(KILLS_OF_THE_PROGRAM, |n| n.div_ceil(10));
    let (mut recorded, mut longest, mut strikes) = (Vec::new(), Took::NONE, 0);
    for round in 0..kills {
        let spooled = ["--spool", spool.to_str().unwrap()];
        let more: &[&str] = if round % 2 == 1 { &spooled } else { &[] };
        let service = Service::begin(&place.text(), None, more);
        recorded.extend(load_and_strike(service, round, numbers.moment(round)));
        strikes += 1;
        if round % 2 == 0 {
            let mut starting = Service::command(&[], &place.text(), None, more).spawn().unwrap();
            std::thread::sleep(numbers.below(Duration::from_millis(120)));
            starting.kill().unwrap();
            starting.wait().unwrap();
            strikes += 1;
        }
        let begun = Instant::now();
        let service = Service::begin(&place.text(), None, more);
        ready(&service.here);
        let (took, waited) = (begun.elapsed(), kept_waiting(&service.child.id().to_string()));
        assert!(took < RESTART + waited, "{took:?} until it was ready, of which the machine was busy for {waited:?}");
        longest = longest.max(Took { time: took, of_it_waited: waited });
        let after = format!("r{round}-after");
        assert!(send(&service.here, &after, 0), "it records again");
        recorded.push(after);
        service.until_it_records();
        drop(service);
        verified(&place.text());
        let mut there: BTreeMap<String, usize> = BTreeMap::new();
        runtime().block_on(async {
            let store = place.open().await;
            for item in all(&store).await {
                *there.entry(item.key.order).or_default() += 1;
            }
            store.close().await.unwrap();
        });
        for order in &recorded {
            assert!(there.contains_key(order), "{order} was acknowledged and is lost");
        }
        let twice: Vec<_> = there.iter().filter(|(_, n)| **n != 1).collect();
        assert!(twice.is_empty(), "each is there once: {twice:?}");
    }
    said(&format!(
        "counts: {strikes} strikes at the program on {name} (seed {seed}); {} orders said to be recorded, all there once; ready after {} at the latest",
        recorded.len(),
        longest.words()
    ));
}

#[test]
fn the_program_loses_nothing_on_sqlite() {
    let folder = Folder::new();
    program(&Place::Sqlite(folder.join("queue.sqlite")), "SQLite");
}

#[test]
fn the_program_loses_nothing_on_postgres() {
    program(&Place::Postgres(cluster::shared().database()), "PostgreSQL");
}
