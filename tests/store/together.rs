//! Many people at the same items at the same time: what each was told fits one order of events in which every action
//! was seen whole, at a moment between its beginning and its end (linearizability; Herlihy and Wing 1990).
//!
//! A lane is checked as a register with a version. Every answer names exactly one version: a success the one that it led to,
//! no two the same; a look and a conflict the one that was there; and what is not possible is not possible of the version
//! that was seen, as any other is a conflict. That puts the calls into one order, in which each answer has to fit the state
//! of its version; and each call has to have a moment between its beginning and its end, none before that of a call which
//! stands before it.

use crate::cluster;
use crate::orders::{Folder, Place, accept, at, command, order, pharmacist, put, runtime, said};
use enteral_gate::queue::Person;
use enteral_gate::queue::item::{ItemId, Summary};
use enteral_gate::queue::work::{Action, LaneState, Refused};
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
    Look,
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
    /// This version was there, and its state.
    Saw(u64, State),
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
        (_, Did::Look) => None,
        (State::Decided, Did::Reopen) => Some(State::Open),
        (State::Decided, _) | (_, Did::Reopen) => None,
        (State::Held(by), _) if by != who => None,
        (State::Held(_), Did::GiveBack) => Some(State::Open),
        (State::Open, Did::GiveBack) => None,
        (_, Did::Take) => Some(State::Held(who)),
        (_, Did::Decide) => Some(State::Decided),
    }
}

/// How many calls came to what.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
struct Counts {
    done: usize,
    refused: usize,
    looks: usize,
}

impl Call {
    /// The version that the answer is about.
    fn version(&self) -> u64 {
        match self.came {
            Came::Done(version) | Came::Saw(version, _) | Came::Conflict(version, _) => version,
            Came::NotPossible => self.seen,
        }
    }
}

/// Checks one item's history.
fn check(item: &ItemId, calls: &[Call]) -> Counts {
    // What led to a version comes before what found it, which changes nothing and has no order among itself but that of time.
    let mut calls: Vec<&Call> = calls.iter().collect();
    calls.sort_by_key(|c| (c.version(), !matches!(c.came, Came::Done(_)), c.from));
    let (mut version, mut state, mut last) = (1, State::Open, "program".to_owned());
    let mut counts = Counts::default();
    // The earliest moment that the last call can have been carried out at.
    let mut moment = 0;
    for c in calls {
        moment = moment.max(c.from);
        assert!(moment <= c.to, "{item}: {c:?} was over before what it follows began");
        if matches!(c.came, Came::Done(_)) {
            counts.done += 1;
            assert_eq!(c.version(), version + 1, "{item}: versions follow each other: {c:?}");
            assert_eq!(c.seen, version, "{item}: an action was done on a version that was not seen: {c:?}");
            let to = next(state, c.who, c.did);
            state = to.unwrap_or_else(|| panic!("{item}: {c:?} was done in {state:?}"));
            (version, last) = (version + 1, format!("p{}", c.who));
            continue;
        }
        assert_eq!(c.version(), version, "{item}: there was no such version: {c:?}");
        let fits = match &c.came {
            Came::Saw(_, saw) => {
                counts.looks += 1;
                c.did == Did::Look && *saw == state
            }
            Came::Conflict(_, by) => {
                counts.refused += 1;
                let held = matches!(state, State::Held(holder) if holder != c.who);
                *by == last && (c.seen < version || held)
            }
            Came::NotPossible => {
                counts.refused += 1;
                let others = matches!(state, State::Held(holder) if holder != c.who);
                c.did != Did::Look && !others && next(state, c.who, c.did).is_none()
            }
            Came::Done(_) => false,
        };
        assert!(fits, "{item}: {c:?} does not fit {state:?} of version {version}");
    }
    counts
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

/// The state of the lane that everybody here is of.
fn state(item: &Summary) -> State {
    match &item.pharmacist.state {
        LaneState::Open => State::Open,
        LaneState::Taken { by, .. } => State::Held(by.id.trim_start_matches('p').parse().unwrap()),
        LaneState::Decided { .. } => State::Decided,
        other => panic!("nobody did that: {other:?}"),
    }
}

async fn work(store: &SqlStore, ids: &[ItemId], who: usize, clock: &AtomicU64) -> Vec<(usize, Call)> {
    let me: Person = pharmacist(&format!("p{who}"));
    let mut numbers = Numbers(0x9E37_79B9_7F4A_7C15 ^ (who as u64 + 1));
    let mut calls = Vec::with_capacity(2 * OPERATIONS);
    for _ in 0..OPERATIONS {
        let nth = numbers.next(ids.len());
        let did = [Did::Take, Did::Take, Did::Decide, Did::GiveBack, Did::Reopen][numbers.next(5)];
        // Mostly what is there now, sometimes what was there before.
        let from = clock.fetch_add(1, Ordering::SeqCst);
        let there = store.get(ids[nth].clone()).await.unwrap().unwrap().summary;
        let to = clock.fetch_add(1, Ordering::SeqCst);
        let now = there.version;
        calls.push((nth, Call { who, did: Did::Look, seen: 0, from, to, came: Came::Saw(now, state(&there)) }));
        let seen = if numbers.next(10) == 0 { now.saturating_sub(1).max(1) } else { now };
        let action = match did {
            Did::Look => unreachable!("it was done"),
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
    let (mut done, mut refused, mut looks) = (0, 0, 0);
    for (nth, calls) in &histories {
        let counts = check(&ids[*nth], calls);
        let item = replicas[0].get(ids[*nth].clone()).await.unwrap().unwrap().summary;
        assert_eq!(item.version, counts.done as u64 + 1, "what was done is there, and nothing else");
        done += counts.done;
        refused += counts.refused;
        looks += counts.looks;
    }
    assert_eq!((done + refused, looks), (PEOPLE * OPERATIONS, PEOPLE * OPERATIONS));
    assert!(done > 500 && refused > 500, "{done} done, {refused} refused: people were in each other's way");
    let verified = replicas[0].verify().await.unwrap();
    assert_eq!(verified.entries, (ITEMS + done) as u64);
    said(&format!(
        "counts: {PEOPLE} people, {} operations: {done} done, {refused} refused, and {looks} looks, all linearizable",
        PEOPLE * OPERATIONS
    ));
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
    let wrong: [(&str, Vec<Call>); 9] = [
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
        (
            "the second version was seen before the first",
            vec![
                call(1, Did::Take, 1, 0, 10, Came::Done(2)),
                call(2, Did::Take, 1, 1, 3, Came::Conflict(2, "p1".into())),
                call(3, Did::GiveBack, 1, 5, 6, Came::NotPossible),
            ],
        ),
        (
            "a look at what was over",
            vec![call(1, Did::Take, 1, 1, 2, Came::Done(2)), call(2, Did::Look, 0, 3, 4, Came::Saw(1, State::Open))],
        ),
        (
            "a look back",
            vec![
                call(1, Did::Take, 1, 1, 9, Came::Done(2)),
                call(2, Did::Look, 0, 2, 3, Came::Saw(2, State::Held(1))),
                call(3, Did::Look, 0, 4, 5, Came::Saw(1, State::Open)),
            ],
        ),
        (
            "a version with the state of another",
            vec![call(1, Did::Take, 1, 1, 2, Came::Done(2)), call(2, Did::Look, 0, 3, 4, Came::Saw(2, State::Open))],
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
        // While it was taken, one saw it before and the other after.
        call(3, Did::Look, 0, 0, 3, Came::Saw(1, State::Open)),
        call(4, Did::Look, 0, 2, 3, Came::Saw(2, State::Held(1))),
        call(3, Did::Look, 0, 7, 8, Came::Saw(3, State::Decided)),
    ];
    assert_eq!(check(&id, &right), Counts { done: 2, refused: 2, looks: 3 });
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
