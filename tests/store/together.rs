//! Many people at the same items at the same time: what each was told fits one order of events in which every action
//! was seen whole, at a moment between its beginning and its end (linearizability; Herlihy and Wing 1990).
//!
//! A lane is checked as a register with a version. What succeeded gives the order: each success names the version that
//! it led to, no two the same. Then every answer has to fit the state at some moment between its call and its return.

use crate::cluster;
use crate::orders::{Folder, Place, accept, at, command, order, pharmacist, put, runtime};
use enteral_gate::queue::Person;
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::work::{Action, Refused};
use enteral_gate::store::{NotDone, SqlStore, Store};
use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

const PEOPLE: usize = 20;
const OPERATIONS: usize = 1000;
const ITEMS: usize = 12;

/// What somebody asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Did {
    Take,
    GiveBack,
    Decide,
    Reopen,
}

/// A call with its answer; times are ticks of one counter that all share.
#[derive(Clone, Debug)]
struct Call {
    who: usize,
    did: Did,
    seen: u64,
    from: u64,
    to: u64,
    came: Came,
}

#[derive(Clone, Debug, PartialEq, Eq)]
enum Came {
    /// It led to this version.
    Done(u64),
    /// Somebody did something since; the version then, and who.
    Conflict(u64, String),
    /// The lane's state does not allow it.
    NotPossible,
}

/// State of a lane: who holds it, or that it is decided.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum State {
    Open,
    Held(usize),
    Decided,
}

/// What the state becomes, or nothing where it stays.
fn next(state: State, who: usize, did: Did) -> Option<State> {
    match (state, did) {
        (State::Decided, Did::Reopen) => Some(State::Open),
        (State::Decided, _) | (_, Did::Reopen) => None,
        (State::Held(by), _) if by != who => None,
        (State::Held(_), Did::GiveBack) => Some(State::Open),
        (State::Open, Did::GiveBack) => None,
        (_, Did::Take) => Some(State::Held(who)),
        (_, Did::Decide) => Some(State::Decided),
    }
}

/// Checks one item's history; gives how many calls were done and refused.
fn check(item: &ItemId, calls: &[Call]) -> (usize, usize) {
    let mut done: Vec<&Call> = calls.iter().filter(|c| matches!(c.came, Came::Done(_))).collect();
    let version = |c: &Call| if let Came::Done(v) = c.came { v } else { 0 };
    done.sort_by_key(|c| version(c));
    // The state after each version, with the earliest and the latest moment at which it can have begun.
    let mut states: Vec<(u64, State, u64, u64)> = vec![(1, State::Open, 0, 0)];
    for (nth, c) in done.iter().enumerate() {
        let (before, state, begun, _) = states[nth];
        assert_eq!(version(c), before + 1, "{item}: versions follow each other: {c:?}");
        assert_eq!(c.seen, before, "{item}: an action was done on a version that was not seen: {c:?}");
        let to = next(state, c.who, c.did);
        let to = to.unwrap_or_else(|| panic!("{item}: {c:?} was done in {state:?}"));
        // It cannot have taken effect before the one before it did.
        let from = c.from.max(begun);
        assert!(from <= c.to, "{item}: {c:?} took effect before the one it follows could have");
        states.push((version(c), to, from, c.to));
    }
    // Each state ends at the latest when the next was acknowledged.
    let mut refused = 0;
    for c in calls.iter().filter(|c| !matches!(c.came, Came::Done(_))) {
        refused += 1;
        let fits = states.iter().enumerate().any(|(nth, (version, state, from, _))| {
            let until = states.get(nth + 1).map_or(u64::MAX, |(_, _, _, latest)| *latest);
            // This state was there at some moment of the call.
            if *from > c.to || until < c.from {
                return false;
            }
            match &c.came {
                Came::Conflict(now, by) => {
                    let last = if nth == 0 { "program".to_owned() } else { format!("p{}", done[nth - 1].who) };
                    let held = matches!(state, State::Held(holder) if *holder != c.who);
                    now == version && *by == last && (c.seen < *version || held)
                }
                Came::NotPossible => c.seen == *version && next(*state, c.who, c.did).is_none(),
                Came::Done(_) => false,
            }
        });
        assert!(fits, "{item}: {c:?} fits no moment of its call");
    }
    (done.len(), refused)
}

/// A generator of numbers that is the same everywhere (xorshift, Marsaglia 2003).
struct Numbers(u64);

impl Numbers {
    fn next(&mut self, below: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 % below as u64) as usize
    }
}

async fn work(store: &SqlStore, ids: &[ItemId], who: usize, clock: &AtomicU64) -> Vec<(usize, Call)> {
    let me: Person = pharmacist(&format!("p{who}"));
    let mut numbers = Numbers(0x9E37_79B9_7F4A_7C15 ^ (who as u64 + 1));
    let mut calls = Vec::with_capacity(OPERATIONS);
    for _ in 0..OPERATIONS {
        let nth = numbers.next(ids.len());
        let did = [Did::Take, Did::Take, Did::Decide, Did::GiveBack, Did::Reopen][numbers.next(5)];
        // Mostly what is there now, sometimes what was there before.
        let now = store.get(ids[nth].clone()).await.unwrap().unwrap().summary.version;
        let seen = if numbers.next(10) == 0 { now.saturating_sub(1).max(1) } else { now };
        let action = match did {
            Did::Take => Action::Take,
            Did::GiveBack => Action::GiveBack,
            Did::Decide => accept(),
            Did::Reopen => Action::Reopen { note: "again".into() },
        };
        let from = clock.fetch_add(1, Ordering::SeqCst);
        let came = store.act(ids[nth].clone(), command(&me, seen, 1, action)).await;
        let to = clock.fetch_add(1, Ordering::SeqCst);
        let came = match came {
            Ok(item) => Came::Done(item.version),
            Err(NotDone::Refused(Refused::Conflict(c))) => Came::Conflict(c.version, c.by.id),
            Err(NotDone::Refused(Refused::NotPossible(_))) => Came::NotPossible,
            Err(other) => panic!("{other:?}"),
        };
        calls.push((nth, Call { who, did, seen, from, to, came }));
    }
    calls
}

/// Twenty people, spread over these replicas.
async fn all_together(replicas: Vec<SqlStore>) {
    let replicas: Vec<Arc<SqlStore>> = replicas.into_iter().map(Arc::new).collect();
    let mut ids = Vec::new();
    for n in 0..ITEMS {
        ids.push(put(&*replicas[0], order(n, 1, 0)).await);
    }
    let clock = Arc::new(AtomicU64::new(1));
    let people: Vec<_> = (0..PEOPLE)
        .map(|who| {
            let (store, ids, clock) = (replicas[who % replicas.len()].clone(), ids.clone(), clock.clone());
            tokio::spawn(async move { work(&store, &ids, who, &clock).await })
        })
        .collect();
    let mut histories: BTreeMap<usize, Vec<Call>> = BTreeMap::new();
    for person in people {
        for (nth, call) in person.await.unwrap() {
            histories.entry(nth).or_default().push(call);
        }
    }
    let (mut done, mut refused) = (0, 0);
    for (nth, calls) in &histories {
        let (d, r) = check(&ids[*nth], calls);
        let item = replicas[0].get(ids[*nth].clone()).await.unwrap().unwrap().summary;
        assert_eq!(item.version, d as u64 + 1, "what was done is there, and nothing else");
        done += d;
        refused += r;
    }
    assert_eq!(done + refused, PEOPLE * OPERATIONS);
    assert!(done > 500 && refused > 500, "{done} done, {refused} refused: people were in each other's way");
    let verified = replicas[0].verify().await.unwrap();
    assert_eq!(verified.entries, (ITEMS + done) as u64);
    println!(
        "counts: {PEOPLE} people, {} operations: {done} done, {refused} refused, all linearizable",
        PEOPLE * OPERATIONS
    );
}

#[test]
fn twenty_people_on_sqlite() {
    let folder = Folder::new();
    let place = Place::Sqlite(folder.join("queue.sqlite"));
    runtime().block_on(async { all_together(vec![place.open().await]).await });
}

#[test]
fn twenty_people_on_three_replicas_of_postgres() {
    let place = Place::Postgres(cluster::shared().database());
    runtime().block_on(async {
        all_together(vec![place.open().await, place.open().await, place.open().await]).await;
    });
}

/// The checker finds histories that no order explains.
#[test]
fn the_checker_finds_what_is_wrong() {
    let id = order(1, 1, 0).id();
    let call = |who, did, seen, from, to, came| Call { who, did, seen, from, to, came };
    let wrong: [(&str, Vec<Call>); 5] = [
        ("two took it", vec![call(1, Did::Take, 1, 1, 4, Came::Done(2)), call(2, Did::Take, 1, 2, 5, Came::Done(2))]),
        (
            "taken although held",
            vec![call(1, Did::Take, 1, 1, 2, Came::Done(2)), call(2, Did::Take, 2, 3, 4, Came::Done(3))],
        ),
        (
            "a lost decision",
            vec![call(1, Did::Decide, 1, 1, 2, Came::Done(2)), call(1, Did::Take, 2, 3, 4, Came::Done(3))],
        ),
        (
            "an effect before its cause",
            vec![call(1, Did::Take, 1, 5, 6, Came::Done(2)), call(1, Did::Decide, 2, 1, 2, Came::Done(3))],
        ),
        ("a conflict that was none", vec![call(2, Did::Take, 1, 1, 2, Came::Conflict(2, "p1".into()))]),
    ];
    for (what, calls) in wrong {
        let id = id.clone();
        let found = std::panic::catch_unwind(move || check(&id, &calls));
        assert!(found.is_err(), "{what}");
    }
    let right = [
        call(1, Did::Take, 1, 1, 4, Came::Done(2)),
        call(2, Did::Take, 1, 2, 5, Came::Conflict(2, "p1".into())),
        call(1, Did::Decide, 2, 6, 7, Came::Done(3)),
        call(1, Did::Take, 3, 8, 9, Came::NotPossible),
    ];
    assert_eq!(check(&id, &right), (2, 2));
}

/// A burst of the same order from many callers is one item, and of two contents one is the order's content.
#[test]
fn the_same_order_from_many_callers_is_one_item() {
    let folder = Folder::new();
    for place in [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())] {
        runtime().block_on(async {
            let stores = if let Place::Postgres(_) = place {
                vec![Arc::new(place.open().await), Arc::new(place.open().await)]
            } else {
                vec![Arc::new(place.open().await)]
            };
            let calls: Vec<_> = (0..200)
                .map(|n| {
                    let store = stores[n % stores.len()].clone();
                    tokio::spawn(async move { store.record(vec![order(1, n % 2, 5)]).await.unwrap() })
                })
                .collect();
            for call in calls {
                call.await.unwrap();
            }
            let items = crate::orders::all(&*stores[0]).await;
            assert_eq!(items.len(), 2);
            assert_eq!(items.iter().filter(|s| s.is_open()).count(), 1);
            assert_eq!(items.iter().map(|s| s.seen).sum::<u64>(), 200);
            stores[0].verify().await.unwrap();
            assert_eq!(at(5), items[0].received);
        });
    }
}
