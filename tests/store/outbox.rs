//! The outbox: what other systems are to be told is kept with the change itself, given out in order, once at a time, and
//! not lost.

use crate::orders::{Folder, Place, accept, at, command, order, person, pharmacist, put};
use enteral_gate::queue::item::ItemId;
use enteral_gate::queue::task::TaskId;
use enteral_gate::queue::work::Action;
use enteral_gate::queue::{Lane, Role};
use enteral_gate::store::backup::{backup, restore};
use enteral_gate::store::outbox::{ByHand, Due, Listener, Sent, Which, by_hand, letters};
use enteral_gate::store::{SqlStore, Store, tables};
use enteral_gate::subscriptions::notification::Event;
use enteral_gate::subscriptions::{Criteria, PRIORITY, priority};
use jiff::{SignedDuration, Timestamp};
use std::collections::BTreeSet;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

const LEASE: Duration = Duration::from_secs(60);
const NOW: Duration = Duration::ZERO;

fn listener(id: &str, criteria: Criteria) -> Listener {
    Listener { id: id.to_owned(), endpoint: format!("https://{id}.example/in"), criteria }
}

fn all(id: &str) -> Listener {
    listener(id, Criteria::default())
}

/// Everything that can be taken now, by item (its place among these) and number.
async fn take(store: &SqlStore, subscriber: &str) -> Vec<Due> {
    take_at(store, &all(subscriber)).await
}

async fn take_at(store: &SqlStore, listener: &Listener) -> Vec<Due> {
    store.take_due(&listener.id, &listener.endpoint, 64, LEASE).await.unwrap()
}

fn item_of(event: &Event) -> Option<ItemId> {
    event.task.as_ref().map(|task| task.item.clone())
}

fn numbers(due: &[Due]) -> Vec<u64> {
    due.iter().map(|due| due.event.number).collect()
}

async fn greeted(store: &SqlStore, subscriber: &str) {
    greeted_at(store, &all(subscriber)).await;
}

async fn greeted_at(store: &SqlStore, listener: &Listener) {
    let due = take_at(store, listener).await;
    assert_eq!(numbers(&due), [0], "the handshake, and nothing else before it arrived");
    assert_eq!(due[0].event.task, None);
    store.settle(due[0].clone(), Sent::Delivered).await.unwrap();
}

fn failed(again: Option<Duration>) -> Sent {
    Sent::Failed { why: "status-503".to_owned(), again }
}

pub async fn changes_are_kept_for_whom_they_concern(place: Place) {
    let store = place.open().await;
    let before = put(&store, order(9, 1, 0)).await;
    let grade = store.get(before).await.unwrap().unwrap().summary.grade();
    let own = priority(grade);
    let other = PRIORITY.iter().map(|(code, _)| *code).find(|code| *code != own).unwrap();
    let with = |code| Criteria { priorities: BTreeSet::from([code]), ..Criteria::default() };
    let dietitians = Criteria { lanes: BTreeSet::from([Lane::Dietitian]), ..Criteria::default() };
    let listeners = vec![
        all("all"),
        listener("own", with(own)),
        listener("other", with(other)),
        listener("dietitians", dietitians),
    ];
    store.listen(listeners, at(0)).await.unwrap();
    let item = put(&store, order(1, 1, 1)).await;
    // The same again changes nothing that is told, and neither does a view.
    put(&store, order(1, 1, 2)).await;
    store.viewed(item.clone(), pharmacist("ann"), at(2)).await.unwrap();
    let ann = pharmacist("ann");
    store.act(item.clone(), command(&ann, 1, 3, Action::Take)).await.unwrap();
    let dora = person("dora", Role::Dietitian);
    store.act(item.clone(), command(&dora, 2, 4, Action::Take)).await.unwrap();
    store.act(item.clone(), command(&dora, 3, 5, Action::GiveBack)).await.unwrap();
    // Another content: the new item, and the old one that is replaced.
    let new = put(&store, order(1, 2, 6)).await;
    let versions = |told: Vec<Event>| {
        told.into_iter().map(|event| (event.number, event.task.unwrap(), event.at)).collect::<Vec<_>>()
    };
    let told = |id| {
        let store = &store;
        async move { versions(store.events(id, 0, u64::MAX).await.unwrap()) }
    };
    let task = |item: &ItemId, lane| TaskId { item: item.clone(), lane };
    let (p, d, new) = (task(&item, Lane::Pharmacist), task(&item, Lane::Dietitian), task(&new, Lane::Pharmacist));
    // A change in one lane is a new version of the other's task as well.
    let minutes = [(&p, 1), (&p, 3), (&p, 4), (&d, 4), (&p, 5), (&d, 5), (&new, 6), (&p, 6), (&d, 6)];
    let wanted: BTreeSet<_> = minutes.map(|(task, minute)| (task.clone(), at(minute))).into();
    let got = told("all").await;
    assert_eq!(got.iter().map(|(n, ..)| *n).collect::<BTreeSet<_>>(), BTreeSet::from_iter(1..=9));
    assert_eq!(got.iter().map(|(_, task, at)| (task.clone(), *at)).collect::<BTreeSet<_>>(), wanted);
    assert!(got.is_sorted_by_key(|(_, _, at)| *at));
    assert_eq!(told("own").await.len(), 9);
    assert_eq!(told("other").await, []);
    // From when a dietitian took it; what was theirs before a change is told as well.
    let theirs = told("dietitians").await;
    assert_eq!(theirs[0], (1, d.clone(), at(4)));
    assert!(theirs.iter().all(|(_, task, _)| *task == d), "the new one asks no dietitian");
    assert_eq!(theirs.len(), 3, "taken, given back, replaced: {theirs:?}");
    let known = store.outbox().await.unwrap();
    assert_eq!(known["all"].0.events, 9);
    assert!(known["all"].0.no_handshake);
}

pub async fn nothing_is_kept_where_nobody_listens(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    put(&store, order(1, 2, 1)).await;
    store.listen(vec![all("late")], at(5)).await.unwrap();
    let (letters, total) = letters(&place.text(), &Which::default(), 100).await.unwrap();
    assert_eq!((letters.len(), total), (1, 1), "the handshake alone: {letters:?}");
    assert_eq!(letters[0].event.as_ref().unwrap().task, None);
}

pub async fn messages_about_one_order_go_in_order(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    let ann = pharmacist("ann");
    let a = put(&store, order(1, 1, 0)).await;
    let b = put(&store, order(2, 1, 0)).await;
    for item in [&a, &b] {
        store.act(item.clone(), command(&ann, 1, 1, Action::Take)).await.unwrap();
        store.act(item.clone(), command(&ann, 2, 2, accept())).await.unwrap();
    }
    greeted(&store, "board").await;
    let first = take(&store, "board").await;
    assert_eq!(first.iter().map(|due| item_of(&due.event).unwrap()).collect::<Vec<_>>(), [a.clone(), b.clone()]);
    assert!(take(&store, "board").await.is_empty(), "what comes after waits for what is being sent");
    // One fails: what comes after it of the same order waits, the other goes on.
    store.settle(first[0].clone(), failed(Some(Duration::from_secs(3600)))).await.unwrap();
    store.settle(first[1].clone(), Sent::Delivered).await.unwrap();
    let second = take(&store, "board").await;
    assert_eq!((second.len(), item_of(&second[0].event)), (1, Some(b.clone())));
    store.settle(second[0].clone(), Sent::Delivered).await.unwrap();
    let third = take(&store, "board").await;
    assert_eq!(item_of(&third[0].event), Some(b));
    // Its turn again, and the rest one by one.
    place.tamper("UPDATE outbox SET due = 0 WHERE state = 'waiting'").await;
    let mut seen = Vec::new();
    loop {
        let due = take(&store, "board").await;
        let Some(one) = due.first() else { break };
        assert_eq!((due.len(), item_of(&one.event)), (1, Some(a.clone())));
        seen.push((one.event.number, one.tries));
        store.settle(one.clone(), Sent::Delivered).await.unwrap();
    }
    assert_eq!(seen.iter().map(|(_, tries)| *tries).collect::<Vec<_>>(), [2, 1, 1]);
    assert!(seen.is_sorted());
    let again = store.events("board", first[0].event.number, first[0].event.number).await.unwrap();
    assert_eq!(again, [first[0].event.clone()], "the same id at every try");
}

/// The Tasks of an order that two lanes were asked about are told of one by one as well.
pub async fn both_lanes_of_an_order_go_in_order(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    let item = put(&store, order(1, 1, 0)).await;
    let dora = person("dora", Role::Dietitian);
    store.act(item.clone(), command(&dora, 1, 1, Action::Take)).await.unwrap();
    store.act(item.clone(), command(&dora, 2, 2, Action::GiveBack)).await.unwrap();
    greeted(&store, "board").await;
    let mut told = Vec::new();
    loop {
        let due = take(&store, "board").await;
        let [one] = due.as_slice() else {
            assert!(due.is_empty(), "one at a time: {due:?}");
            break;
        };
        assert!(take(&store, "board").await.is_empty(), "the other lane's waits while it is being sent");
        if told.is_empty() {
            // It fails first: nothing of the order goes before it.
            store.settle(one.clone(), failed(Some(Duration::from_secs(3600)))).await.unwrap();
            assert!(take(&store, "board").await.is_empty());
            place.tamper("UPDATE outbox SET due = 0 WHERE state = 'waiting'").await;
            let again = take(&store, "board").await;
            assert_eq!(numbers(&again), [one.event.number]);
            store.settle(again[0].clone(), Sent::Delivered).await.unwrap();
        } else {
            store.settle(one.clone(), Sent::Delivered).await.unwrap();
        }
        told.push((one.event.number, one.event.task.as_ref().unwrap().lane));
    }
    assert_eq!(told.iter().map(|(number, _)| *number).collect::<Vec<_>>(), (1..=told.len() as u64).collect::<Vec<_>>());
    let lanes: BTreeSet<Lane> = told.iter().map(|(_, lane)| *lane).collect();
    assert_eq!(lanes.len(), 2, "{told:?}");
}

pub async fn a_row_is_taken_by_one_for_a_time(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    put(&store, order(1, 1, 0)).await;
    let lost = take(&store, "board").await;
    assert_eq!(numbers(&lost), [1]);
    assert!(take(&store, "board").await.is_empty());
    // Its time is over.
    place.tamper("UPDATE outbox SET lease_until = 1 WHERE lease_until IS NOT NULL").await;
    let found = take(&store, "board").await;
    assert_eq!((numbers(&found), found[0].tries), (vec![1], 2), "whoever had it is gone");
    // It comes back late: that it failed there says nothing now, that it arrived does.
    store.settle(lost[0].clone(), failed(None)).await.unwrap();
    assert_eq!(store.outbox().await.unwrap()["board"].0.waiting, 1);
    store.settle(lost[0].clone(), Sent::Delivered).await.unwrap();
    store.settle(found[0].clone(), failed(None)).await.unwrap();
    let known = store.outbox().await.unwrap()["board"].0.clone();
    assert_eq!((known.waiting, known.dead), (0, 0), "it arrived");
}

pub async fn dead_letters_are_listed_and_sent_again(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board"), all("other")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    greeted(&store, "other").await;
    let item = put(&store, order(1, 1, 7)).await;
    let due = take(&store, "board").await;
    store.settle(due[0].clone(), failed(Some(NOW))).await.unwrap();
    let known = store.outbox().await.unwrap()["board"].clone();
    assert_eq!((known.0.waiting, known.0.failing, known.0.dead, known.1), (1, 1, 0, Some(at(7))));
    let due = take(&store, "board").await;
    store.settle(due[0].clone(), failed(None)).await.unwrap();
    assert!(take(&store, "board").await.is_empty());
    let known = store.outbox().await.unwrap()["board"].0.clone();
    assert_eq!((known.waiting, known.dead), (0, 1));
    let dead = Which { state: Some("dead".to_owned()), ..Which::default() };
    let (found, total) = letters(&place.text(), &dead, 10).await.unwrap();
    assert_eq!(total, 1);
    assert_eq!((item_of(found[0].event.as_ref().unwrap()), found[0].tries), (Some(item.clone()), 2));
    assert_eq!(found[0].trouble.as_deref(), Some("status-503"));
    // A dead letter holds nothing back.
    let ann = pharmacist("ann");
    store.act(item.clone(), command(&ann, 1, 8, Action::Take)).await.unwrap();
    let next = take(&store, "board").await;
    assert_eq!(numbers(&next), [2]);
    store.settle(next[0].clone(), Sent::Delivered).await.unwrap();
    let other = Which { subscriber: Some("other".to_owned()), ..Which::default() };
    assert_eq!(by_hand(&place.text(), &other, ByHand::SendAgain).await.unwrap(), 0, "nothing of its is dead");
    let event = Which { event: Some(found[0].event.as_ref().unwrap().id.to_string()), ..Which::default() };
    assert_eq!(by_hand(&place.text(), &event, ByHand::SendAgain).await.unwrap(), 1);
    let again = take(&store, "board").await;
    assert_eq!((&again[0].event, again[0].tries), (&due[0].event, 1), "the same event, tried from the beginning");
    store.settle(again[0].clone(), failed(None)).await.unwrap();
    assert_eq!(by_hand(&place.text(), &Which::default(), ByHand::Discard).await.unwrap(), 1);
    assert_eq!(store.outbox().await.unwrap()["board"].0.dead, 0);
}

pub async fn a_handshake_comes_first_and_again_at_another_endpoint(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    put(&store, order(1, 1, 0)).await;
    let due = take(&store, "board").await;
    assert_eq!(numbers(&due), [0]);
    store.settle(due[0].clone(), failed(Some(Duration::from_secs(3600)))).await.unwrap();
    assert!(take(&store, "board").await.is_empty(), "nothing before the handshake arrived");
    place.tamper("UPDATE outbox SET due = 0").await;
    greeted(&store, "board").await;
    assert!(!store.outbox().await.unwrap()["board"].0.no_handshake);
    // The same again greets nobody.
    store.listen(vec![all("board")], at(1)).await.unwrap();
    let due = take(&store, "board").await;
    assert_eq!(numbers(&due), [1]);
    store.settle(due[0].clone(), Sent::Delivered).await.unwrap();
    let moved = Listener { endpoint: "https://elsewhere.example/in".to_owned(), ..all("board") };
    store.listen(vec![moved.clone()], at(2)).await.unwrap();
    greeted_at(&store, &moved).await;
    assert_eq!(store.outbox().await.unwrap()["board"].0.events, 1, "handshakes are no events");
}

/// A replica that still has the endpoint before, or a try that is still under way there, keeps nothing from the new one.
pub async fn nothing_counts_that_goes_to_the_endpoint_before(place: Place) {
    let store = place.open().await;
    let (before, now) =
        (all("board"), Listener { endpoint: "https://elsewhere.example/in".to_owned(), ..all("board") });
    store.listen(vec![before.clone()], at(0)).await.unwrap();
    greeted(&store, "board").await;
    for n in 1..4 {
        put(&store, order(n, 1, 0)).await;
    }
    let under_way = take_at(&store, &before).await;
    assert_eq!(numbers(&under_way), [1, 2, 3]);
    store.listen(vec![now.clone()], at(1)).await.unwrap();
    put(&store, order(4, 1, 1)).await;
    assert_eq!(take_at(&store, &before).await, [], "not the handshake either");
    greeted_at(&store, &now).await;
    assert_eq!(take_at(&store, &before).await, []);
    // What comes of them there, well or badly for good, is nothing to whoever is elsewhere now.
    store.settle(under_way[0].clone(), Sent::Delivered).await.unwrap();
    store.settle(under_way[1].clone(), failed(None)).await.unwrap();
    store.settle(under_way[2].clone(), failed(Some(NOW))).await.unwrap();
    let known = store.outbox().await.unwrap()["board"].0.clone();
    assert_eq!((known.waiting, known.dead), (4, 0));
    assert_eq!(numbers(&take_at(&store, &now).await), [4], "the others when the time for their tries is over");
    place.tamper("UPDATE outbox SET lease_until = 1 WHERE lease_until IS NOT NULL").await;
    let all = take_at(&store, &now).await;
    assert_eq!(numbers(&all), [1, 2, 3, 4]);
    for due in all {
        store.settle(due, Sent::Delivered).await.unwrap();
    }
    assert_eq!(store.outbox().await.unwrap()["board"].0.waiting, 0);
}

pub async fn who_is_declared_no_more_is_told_no_more(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board"), all("other")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    put(&store, order(1, 1, 0)).await;
    store.listen(vec![all("other"), all("new")], at(1)).await.unwrap();
    put(&store, order(2, 1, 1)).await;
    let events = |id| {
        let store = &store;
        async move { store.events(id, 0, u64::MAX).await.unwrap().len() }
    };
    assert_eq!((events("board").await, events("other").await, events("new").await), (1, 2, 1));
    let known = store.outbox().await.unwrap();
    assert_eq!((known["board"].0.waiting, known["board"].1), (1, Some(at(0))), "what it was to be told is kept");
    assert!(take(&store, "board").await.is_empty(), "whoever did not hear of that sends it nothing");
    // Again as before: a handshake says that something may be missing, and its numbers go on.
    store.listen(vec![all("board")], at(2)).await.unwrap();
    put(&store, order(3, 1, 2)).await;
    greeted(&store, "board").await;
    assert_eq!(numbers(&take(&store, "board").await), [1, 2]);
    assert_eq!(events("other").await, 2);
    store.listen(Vec::new(), at(3)).await.unwrap();
    put(&store, order(4, 1, 3)).await;
    assert_eq!(events("board").await, 2, "nobody is declared");
}

pub async fn what_was_delivered_is_removed_after_its_time(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    for n in 0..3 {
        put(&store, order(n, 1, 0)).await;
    }
    let due = take(&store, "board").await;
    store.settle(due[0].clone(), Sent::Delivered).await.unwrap();
    store.settle(due[1].clone(), failed(None)).await.unwrap();
    let later = jiff::Timestamp::now().checked_add(jiff::SignedDuration::from_hours(1)).unwrap();
    assert_eq!(store.clear_delivered(at(0)).await.unwrap(), 0);
    assert_eq!(store.clear_delivered(later).await.unwrap(), 2, "the handshake and one message");
    let known = store.outbox().await.unwrap()["board"].0.clone();
    assert_eq!((known.events, known.waiting, known.dead), (3, 1, 1), "what did not arrive stays");
    // With orders that are removed their dead letters go, and what waits does not.
    store.purge(later, pharmacist("ann"), later).await.unwrap();
    let known = store.outbox().await.unwrap()["board"].0.clone();
    assert_eq!((known.events, known.waiting, known.dead), (3, 1, 0));
    put(&store, order(9, 1, 0)).await;
    let last = store.events("board", 4, u64::MAX).await.unwrap();
    assert_eq!(last.len(), 1, "numbers go on");
}

/// A restart, a copy, and a copy put back keep what was not told yet; a copy of tables without an outbox can be made.
pub async fn the_outbox_is_there_after_a_restart_and_in_a_copy(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    for n in 0..40 {
        put(&store, order(n, 1, 0)).await;
    }
    let told = store.events("board", 0, u64::MAX).await.unwrap();
    assert_eq!(told.len(), 40);
    store.close().await.unwrap();
    let store = place.open().await;
    store.listen(vec![all("board")], at(1)).await.unwrap();
    assert_eq!(store.events("board", 0, u64::MAX).await.unwrap(), told);
    assert_eq!(take(&store, "board").await.len(), 40);
    store.verify().await.unwrap();
    store.close().await.unwrap();
    let folder = Folder::new();
    let copy = folder.join("copy.sqlite");
    backup(&place.text(), &copy).await.unwrap();
    let back = folder.join("back.sqlite");
    restore(&copy, back.to_str().unwrap()).await.unwrap();
    let store = Place::Sqlite(back.clone()).open().await;
    assert_eq!(store.events("board", 0, u64::MAX).await.unwrap(), told);
    assert_eq!(store.outbox().await.unwrap()["board"].0.events, 40);
    store.close().await.unwrap();
    // As the version before left it.
    assert_eq!(tables(&place.text(), Some(2)).await.unwrap(), 2);
    let error = letters(&place.text(), &Which::default(), 1).await.unwrap_err().to_string();
    assert!(error.contains("without an outbox"), "{error}");
    let old = folder.join("old.sqlite");
    assert_eq!(backup(&place.text(), &old).await.unwrap().items, 40);
    assert_eq!(tables(&place.text(), Some(3)).await.unwrap(), 3);
    let (_, total) = letters(&place.text(), &Which::default(), 1).await.unwrap();
    assert_eq!(total, 0);
}

/// A row that was changed past the program is named.
pub async fn a_row_that_cannot_be_is_named(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    put(&store, order(1, 1, 0)).await;
    store.verify().await.unwrap();
    for (spoil, mend, said) in [
        ("state = 'lost' WHERE number = 1", "state = 'waiting' WHERE number = 1", "message 1 to board is in no state"),
        ("number = 7 WHERE number = 1", "number = 1 WHERE number = 7", "message 7 to board was never counted"),
        ("item = '' WHERE number = 1", "item = '' WHERE number = 0", "is a handshake by its number or its item alone"),
    ] {
        place.tamper(&format!("UPDATE outbox SET {spoil}")).await;
        let error = store.verify().await.unwrap_err().to_string();
        assert!(error.contains(said), "{error}");
        place.tamper(&format!("UPDATE outbox SET {mend}")).await;
    }
}

pub async fn a_damaged_message_holds_up_no_other(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    for n in 1..4 {
        put(&store, order(n, 1, 0)).await;
    }
    place.tamper("UPDATE outbox SET event = 'none' WHERE number = 2").await;
    assert_eq!(numbers(&take(&store, "board").await), [1, 3]);
    let dead = Which { state: Some("dead".to_owned()), ..Which::default() };
    let (found, total) = letters(&place.text(), &dead, 10).await.unwrap();
    assert_eq!((total, found[0].number, &found[0].event, found[0].trouble.as_deref()), (1, 2, &None, Some("damaged")));
    // That somebody is not told any more stays in the trail.
    let line = || async { place.lines("SELECT line FROM trail ORDER BY seq DESC LIMIT 1").await.remove(0) };
    assert_eq!(by_hand(&place.text(), &Which::default(), ByHand::Discard).await.unwrap(), 1);
    let last = line().await;
    assert!(last.contains("messages-discarded") && last.contains("\"count\":1"), "{last}");
    assert_eq!(by_hand(&place.text(), &Which::default(), ByHand::Discard).await.unwrap(), 0);
    assert_eq!(line().await, last, "nothing is noted where nothing was done");
    store.verify().await.unwrap();
}

pub async fn one_message_is_worked_by_its_number(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board"), all("other")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    greeted(&store, "other").await;
    for n in 1..4 {
        put(&store, order(n, 1, 0)).await;
    }
    place.tamper("UPDATE outbox SET event = 'none' WHERE number = 2 AND subscriber = 'board'").await;
    for due in take(&store, "board").await {
        store.settle(due, failed(None)).await.unwrap();
    }
    let of = |number| Which { subscriber: Some("board".to_owned()), number, ..Which::default() };
    let which = Which { state: Some("dead".to_owned()), ..of(None) };
    let dead = async || store.letters(&which, 10).await.unwrap().0.iter().map(|one| one.number).collect::<Vec<_>>();
    let line = || async { place.lines("SELECT line FROM trail ORDER BY seq DESC LIMIT 1").await.remove(0) };
    assert_eq!(dead().await, [1, 2, 3]);
    let before = line().await;
    assert_eq!(by_hand(&place.text(), &of(Some(2)), ByHand::SendAgain).await.unwrap(), 0, "it can never be sent");
    assert_eq!(by_hand(&place.text(), &of(Some(7)), ByHand::Discard).await.unwrap(), 0);
    assert_eq!(line().await, before);
    assert_eq!(store.by_hand(of(Some(2)), ByHand::Discard, pharmacist("ann")).await.unwrap(), 1);
    let last = line().await;
    assert!(last.contains("messages-discarded") && last.contains("\"count\":1") && last.contains("ann"), "{last}");
    assert_eq!(dead().await, [1, 3], "the others are there");
    assert_eq!(by_hand(&place.text(), &of(Some(1)), ByHand::SendAgain).await.unwrap(), 1);
    assert!(line().await.contains("messages-sent-again"));
    assert_eq!(numbers(&take(&store, "board").await), [1]);
    assert_eq!(store.outbox().await.unwrap()["other"].0.waiting, 3, "the same numbers of another are left alone");
    store.verify().await.unwrap();
}

/// Nothing is sent to whom did not answer the handshake, also when that is tried no more; it is sent again where it is asked
/// for. Others are told meanwhile.
pub async fn a_dead_handshake_holds_everything_and_is_sent_again_where_it_is_asked_for(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board"), all("other"), all("third")], at(0)).await.unwrap();
    for n in 1..3 {
        put(&store, order(n, 1, 0)).await;
    }
    for subscriber in ["board", "other"] {
        let due = take(&store, subscriber).await;
        assert_eq!(numbers(&due), [0]);
        for due in due {
            store.settle(due, failed(None)).await.unwrap();
        }
    }
    for subscriber in ["board", "other"] {
        assert!(take(&store, subscriber).await.is_empty(), "{subscriber} never said that it is there");
    }
    let known = store.outbox().await.unwrap().remove("board").unwrap().0;
    assert_eq!((known.waiting, known.dead, known.no_handshake), (2, 1, true));
    greeted(&store, "third").await;
    assert_eq!(numbers(&take(&store, "third").await), [1, 2], "it holds up no other");
    let of = |dead: Vec<enteral_gate::store::outbox::Dead>| {
        dead.into_iter().map(|one| (one.subscriber, one.letters, one.handshake)).collect::<Vec<_>>()
    };
    let dead = of(store.dead_letters().await.unwrap());
    assert_eq!(dead, [("board".to_owned(), 1, true), ("other".to_owned(), 1, true)]);
    let board = |number| Which { subscriber: Some("board".to_owned()), number, ..Which::default() };
    assert_eq!(store.by_hand(board(None), ByHand::SendAgain, pharmacist("ann")).await.unwrap(), 0);
    assert_eq!(by_hand(&place.text(), &board(Some(0)), ByHand::SendAgain).await.unwrap(), 1);
    greeted(&store, "board").await;
    let due = take(&store, "board").await;
    assert_eq!(numbers(&due), [1, 2], "what waited is sent after it");
    for due in due {
        store.settle(due, failed(None)).await.unwrap();
    }
    assert_eq!(store.by_hand(board(None), ByHand::SendAgain, pharmacist("ann")).await.unwrap(), 2);
    // Greeted once, it need not be again.
    assert_eq!(store.clear_delivered(Timestamp::now() + SignedDuration::from_hours(1)).await.unwrap(), 2);
    assert_eq!(numbers(&take(&store, "board").await), [1, 2]);
    let (found, _) = store.letters(&Which { state: Some("dead".to_owned()), ..Which::default() }, 9).await.unwrap();
    let event = Some(found[0].event.as_ref().unwrap().id.to_string());
    let other = Which { event, ..Which::default() };
    assert_eq!(by_hand(&place.text(), &other, ByHand::SendAgain).await.unwrap(), 1, "by its event as well");
    assert_eq!(numbers(&take(&store, "other").await), [0]);
}

pub async fn what_is_being_sent_is_left_to_whoever_sends_it(place: Place) {
    let store = place.open().await;
    store.listen(vec![all("board")], at(0)).await.unwrap();
    greeted(&store, "board").await;
    for n in 1..4 {
        put(&store, order(n, 1, 0)).await;
    }
    let due = take(&store, "board").await;
    store.settle(due[0].clone(), failed(None)).await.unwrap();
    // What was given up later than somebody saw is not theirs to decide.
    let seen = store.dead_letters().await.unwrap();
    assert_eq!(
        (seen[0].subscriber.as_str(), seen[0].letters, seen[0].trouble.as_deref()),
        ("board", 1, Some("status-503"))
    );
    assert!(seen[0].since.is_some() && seen[0].since == seen[0].until);
    store.settle(due[1].clone(), failed(None)).await.unwrap();
    store.settle(due[2].clone(), Sent::Failed { why: "late".to_owned(), again: None }).await.unwrap();
    let now = store.dead_letters().await.unwrap();
    assert_eq!((now[0].letters, now[0].since, now[0].trouble.as_deref()), (3, seen[0].since, Some("late")));
    let saw = Which { until: seen[0].until, ..Which::default() };
    assert_eq!(store.by_hand(saw.clone(), ByHand::Discard, pharmacist("ann")).await.unwrap(), 1);
    assert_eq!(store.by_hand(saw, ByHand::Discard, pharmacist("ann")).await.unwrap(), 0);
    // Sent again by one, taken by another: nobody takes it away from there.
    assert_eq!(by_hand(&place.text(), &Which::default(), ByHand::SendAgain).await.unwrap(), 2);
    let due = take(&store, "board").await;
    assert_eq!(numbers(&due), [2, 3]);
    let waiting = Which { state: Some("waiting".to_owned()), subscriber: Some("board".to_owned()), ..Which::default() };
    for which in [Which::default(), waiting.clone()] {
        for what in [ByHand::SendAgain, ByHand::Discard] {
            assert_eq!(by_hand(&place.text(), &which, what).await.unwrap(), 0, "{which:?} {what:?}");
        }
    }
    store.settle(due[0].clone(), Sent::Delivered).await.unwrap();
    assert_eq!(store.outbox().await.unwrap()["board"].0.waiting, 1);
    // Its time is over.
    place.tamper("UPDATE outbox SET lease_until = 1 WHERE lease_until IS NOT NULL").await;
    assert_eq!(by_hand(&place.text(), &waiting, ByHand::Discard).await.unwrap(), 1);
    assert_eq!(store.dead_letters().await.unwrap(), []);
}

/// Several writers and several who send: numbers without a gap, each event given to one at a time, none forgotten.
async fn together(replicas: Vec<Arc<SqlStore>>) {
    for store in &replicas {
        store.listen(vec![all("board")], at(0)).await.unwrap();
    }
    greeted(&replicas[0], "board").await;
    let (mut tasks, mut writers) = (Vec::new(), Vec::new());
    let written = Arc::new(AtomicBool::new(false));
    for writer in 0..8 {
        let store = replicas[writer % replicas.len()].clone();
        writers.push(tokio::spawn(async move {
            for n in 0..25 {
                put(&*store, order(writer * 100 + n, 1, 0)).await;
            }
        }));
    }
    for sender in 0..6 {
        let (store, written) = (replicas[sender % replicas.len()].clone(), written.clone());
        tasks.push(tokio::spawn(async move {
            let mut sent = Vec::new();
            loop {
                let last = written.load(Ordering::SeqCst);
                let due = store.take_due("board", &all("board").endpoint, 3, LEASE).await.unwrap();
                if due.is_empty() && last {
                    return sent;
                }
                for one in due {
                    sent.push(one.event.number);
                    store.settle(one, Sent::Delivered).await.unwrap();
                }
                tokio::time::sleep(Duration::from_millis(5)).await;
            }
        }));
    }
    for writer in writers {
        writer.await.unwrap();
    }
    written.store(true, Ordering::SeqCst);
    let mut sent = Vec::new();
    for task in tasks {
        sent.extend(task.await.unwrap());
    }
    sent.sort_unstable();
    assert_eq!(sent, (1..=200).collect::<Vec<u64>>(), "each once: nobody let a row go");
    assert_eq!(replicas[0].outbox().await.unwrap()["board"].0.waiting, 0);
}

pub async fn rows_are_given_to_one_at_a_time(place: Place) {
    let replicas = if matches!(place, Place::Postgres(_)) { 3 } else { 1 };
    let mut stores = Vec::new();
    for _ in 0..replicas {
        stores.push(Arc::new(place.open().await));
    }
    together(stores).await;
}
