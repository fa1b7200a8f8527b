//! Many operations in one transaction: each is told what came of it, all is written or nothing, and SQLite's log does not
//! grow without end while something is always being written.

use crate::orders::{Folder, Place, accept, at, command, holds, order, pharmacist, put, query, runtime, shown};
use enteral_gate::queue::item::Standing;
use enteral_gate::store::{CardAnswer, Recorded, Store, Unavailable};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// More than one transaction takes, at once: new orders, the same again, new contents of the same order, and decisions.
pub async fn many_at_once_are_each_told_what_came_of_them(place: Place) {
    let store = Arc::new(place.open().await);
    let before = put(&*store, order(5000, 1, 0)).await;
    let held = place.hold().await;
    let record = |n: usize, content: usize| {
        let store = store.clone();
        tokio::spawn(async move { (n, content, store.record(vec![order(n, content, 0)]).await.unwrap()) })
    };
    // 400 orders; of every fourth the same content twice, of every fifth another content.
    let mut waits = Vec::new();
    for n in 0..400 {
        waits.push(record(n, 1));
        if n % 4 == 0 {
            waits.push(record(n, 1));
        }
        if n % 5 == 0 {
            waits.push(record(n, 2));
        }
    }
    let (deciding, id) = (store.clone(), before.clone());
    let decided = tokio::spawn(async move { deciding.act(id, command(&pharmacist("ann"), 1, 5, accept())).await });
    // The tasks get to where they wait.
    tokio::time::sleep(Duration::from_millis(300)).await;
    drop(held);
    let mut told: BTreeMap<(usize, usize), Vec<Recorded>> = BTreeMap::new();
    for wait in waits {
        let (n, content, mut recorded) = wait.await.unwrap();
        assert_eq!(recorded.len(), 1);
        told.entry((n, content)).or_default().push(recorded.pop().unwrap());
    }
    decided.await.unwrap().unwrap();
    assert_eq!(told.len(), 400 + 80);
    for ((n, content), came) in &told {
        let id = order(*n, *content, 0).id();
        assert!(came.iter().all(|one| one.item() == Some(&id)), "{n} {content}: {came:?}");
        let new = came.iter().filter(|one| matches!(one, Recorded::New(_))).count();
        assert_eq!((new, came.len()), (1, 1 + usize::from(content == &1 && n % 4 == 0)), "{n} {content}: {came:?}");
        let kept = store.get(id).await.unwrap().unwrap().summary;
        assert_eq!(kept.seen, came.len() as u64, "{n} {content}");
    }
    // Of two contents of one order one is current, whichever came last.
    for n in (0..400).step_by(5) {
        let mut standing = Vec::new();
        for content in [1, 2] {
            standing.push(store.get(order(n, content, 0).id()).await.unwrap().unwrap().summary.standing);
        }
        standing.sort();
        assert_eq!(standing, [Standing::Open, Standing::Replaced], "{n}");
    }
    let verified = store.verify().await.unwrap();
    // One entry for each new content, one for each that was replaced, one decision, and those of what came again.
    assert_eq!(verified.items, 481);
    assert!(verified.entries > 481 + 80, "{}", verified.entries);
    store.close().await.unwrap();
}

/// One of three orders cannot be written: nothing is, and all three are when it can be.
pub async fn what_cannot_be_written_whole_is_not_written_at_all(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    place.tamper("CREATE UNIQUE INDEX one_of_each_patient ON items (patient)").await;
    let mut other = order(3, 1, 0);
    other.key.patient = order(2, 1, 0).key.patient;
    let orders = vec![order(2, 1, 0), other, order(4, 1, 0)];
    let ids: BTreeSet<String> = orders.iter().map(|one| one.id().to_string()).collect();
    let came = store.record(orders).await;
    assert!(matches!(came, Err(Unavailable::Refused(_))), "{came:?}");
    assert_eq!(place.lines("SELECT id FROM items").await, [order(1, 1, 0).id().to_string()]);
    assert_eq!(place.lines("SELECT item FROM trail").await.len(), 1);
    assert_eq!(store.health().waiting, 3);
    place.tamper("DROP INDEX one_of_each_patient").await;
    let end = Instant::now() + Duration::from_secs(20);
    while store.health().waiting > 0 {
        assert!(Instant::now() < end, "{:?}", store.health());
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    let mut there: BTreeSet<String> = place.lines("SELECT id FROM items").await.into_iter().collect();
    assert!(there.remove(order(1, 1, 0).id().as_str()));
    assert_eq!(there, ids);
    let verified = store.verify().await.unwrap();
    assert_eq!((verified.items, verified.entries), (4, 4));
}

/// Operations that bring many orders each, more than a statement of any of the two databases takes values for.
pub async fn many_orders_at_once_are_all_recorded(place: Place) {
    const OPERATIONS: usize = 340;
    const EACH: usize = 50;
    let store = Arc::new(place.open().await);
    // Made before, and not while nobody can write: nobody waits for that longer than some seconds.
    let some: Vec<Vec<_>> =
        (0..OPERATIONS).map(|nth| (0..EACH).map(|n| order(nth * EACH + n, 1, 0)).collect()).collect();
    let many = (0..9000).map(|n| order(1_000_000 + n, 1, 0)).collect();
    let held = place.hold().await;
    let record = |orders| {
        let store = store.clone();
        tokio::spawn(async move { store.record(orders).await.unwrap() })
    };
    let waits: Vec<_> = some.into_iter().map(record).collect();
    let one_call = record(many);
    tokio::time::sleep(Duration::from_millis(300)).await;
    drop(held);
    let mut new = 0;
    for wait in waits.into_iter().chain([one_call]) {
        let recorded = wait.await.unwrap();
        assert!(recorded.iter().all(|one| matches!(one, Recorded::New(_))));
        new += recorded.len();
    }
    assert_eq!(new, OPERATIONS * EACH + 9000);
    assert_eq!(store.counts(order(1, 1, 0).at).await.unwrap().open, new as u64);
    store.close().await.unwrap();
}

/// Feedback on more cards at once than a statement of SQLite takes values for: a list is filled up to a power of two.
pub async fn many_cards_at_once_are_all_joined(place: Place) {
    const CARDS: usize = 16_500;
    let store = place.open().await;
    let card = |n: usize| format!("card-{n}");
    let mut one = order(1, 1, 0);
    one.cards = (0..CARDS).map(|n| shown(&card(n), &[])).collect();
    let mut other = order(2, 1, 0);
    other.cards = vec![shown("of-the-other", &[])];
    let (one, other) = (put(&store, one).await, put(&store, other).await);
    let answer = |card: String| CardAnswer {
        card,
        accepted: true,
        reason: None,
        offered: true,
        comment: None,
        at: at(1),
        said: at(1),
    };
    let cards = (0..CARDS + 500).map(card).chain(["of-the-other".to_owned()]);
    assert_eq!(store.feedback(cards.map(answer).collect()).await, Ok(CARDS + 1));
    for (id, answered) in [(one, CARDS), (other, 1)] {
        let trail = store.trail(id).await.unwrap();
        assert_eq!(trail.iter().filter(|entry| entry.what.word() == "card-answered").count(), answered);
    }
    store.close().await.unwrap();
}

/// Something is always being written, and always being read: the log begins again at its start all the same.
#[test]
fn the_log_begins_again_while_something_is_always_written() {
    const LONG: usize = 256 << 10;
    const ROUND: u64 = 20 * LONG as u64;
    let folder = Folder::new();
    let path = folder.join("queue.sqlite");
    let log = folder.join("queue.sqlite-wal");
    runtime().block_on(async {
        let store = Arc::new(Place::Sqlite(path).open().await);
        let stop = Arc::new(AtomicBool::new(false));
        let always: Vec<_> = (0..4)
            .map(|who| {
                let (store, stop) = (store.clone(), stop.clone());
                tokio::spawn(async move {
                    let mut n = 1_000_000 * (1 + who);
                    while !stop.load(Ordering::Relaxed) {
                        n += 1;
                        if who < 2 {
                            put(&*store, order(n, 1, 0)).await;
                        } else {
                            assert!(
                                store.get(order(0, 1, 0).id()).await.unwrap().is_none_or(|one| one.summary.seen == 1)
                            );
                            store.list(query(20)).await.unwrap();
                        }
                    }
                    n - 1_000_000 * (1 + who)
                })
            })
            .collect();
        // Until 100 MB did not make the file of the log any longer; there may be checkpoints that readers are in the way of.
        let (mut rounds, mut grew, mut length) = (0, 0, 0);
        while (rounds - grew) * ROUND < 100 << 20 {
            assert!(rounds * ROUND < 1 << 30, "after {rounds} rounds the log has {length} bytes");
            let long = (0..20).map(|nth| {
                let mut one = order(rounds as usize * 20 + nth, 1, 0);
                // A text of JSON may have 10,240 bytes.
                let some = format!("\"{}\"", "x".repeat(8 << 10));
                holds(&mut one, format!("{{\"text\":[{}]}}", vec![some; LONG / (8 << 10)].join(",")));
                one
            });
            store.record(long.collect()).await.unwrap();
            tokio::time::sleep(Duration::from_millis(80)).await;
            rounds += 1;
            let now = std::fs::metadata(&log).unwrap().len();
            if now != length {
                (grew, length) = (rounds, now);
            }
        }
        stop.store(true, Ordering::Relaxed);
        let mut did = Vec::new();
        for one in always {
            did.push(one.await.unwrap());
        }
        assert!(did.iter().all(|n| *n > 10), "{did:?}");
        let verified = store.verify().await.unwrap();
        assert_eq!(verified.items, rounds * 20 + (did[0] + did[1]) as u64);
        store.close().await.unwrap();
    });
}
