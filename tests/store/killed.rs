//! A process that writes is killed (SIGKILL) at random moments. What it had acknowledged is there afterwards, once and
//! whole. `EG_KILLS=N` sets how often each store is struck.

use crate::cluster;
use crate::orders::{Folder, Place, accept, all, at, command, order, pharmacist, runtime, samples};
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::trail::Event;
use enteral_gate::queue::work::Action;
use enteral_gate::store::outbox::{Listener, Which, letters};
use enteral_gate::store::{SqlStore, Store, open};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Strikes where nothing else is said.
const KILLS: usize = 12;
const WRITERS: usize = 8;

fn kills() -> usize {
    std::env::var("EG_KILLS").ok().map_or(KILLS, |n| n.parse().expect("EG_KILLS is a number"))
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

async fn check(place: &Place, acknowledged: &Acknowledged) {
    let store = place.open().await;
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
}

fn many(place: &Place, name: &str) {
    let seed = SystemTime::now().duration_since(UNIX_EPOCH).unwrap().subsec_nanos();
    let mut number = u64::from(seed) | 1;
    let (mut total, mut empty) = (0, 0);
    let kills = kills();
    let mut all_acknowledged = Acknowledged::new();
    for round in 0..kills {
        number ^= number << 13;
        number ^= number >> 7;
        number ^= number << 17;
        let after = Duration::from_micros(number % 120_000);
        let mut acknowledged = Acknowledged::new();
        let n = strike(place, round, after, &mut acknowledged);
        total += n;
        empty += usize::from(n == 0);
        runtime().block_on(check(place, &acknowledged));
        all_acknowledged.extend(acknowledged);
    }
    // And all of it at the end, after everything that came later.
    runtime().block_on(check(place, &all_acknowledged));
    assert!(total > 0, "nothing was ever acknowledged: the strikes came too early");
    println!(
        "counts: {kills} strikes on {name} (seed {seed}), {empty} before the first acknowledgement; {total} acknowledged, none lost, doubled or damaged"
    );
}

#[test]
fn sqlite_loses_nothing() {
    let folder = Folder::new();
    many(&Place::Sqlite(folder.join("queue.sqlite")), "SQLite");
}

#[test]
fn postgres_loses_nothing() {
    many(&Place::Postgres(cluster::shared().database()), "PostgreSQL");
}
