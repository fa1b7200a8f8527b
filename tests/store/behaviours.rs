//! What a store does, whichever it is.

use crate::orders::{
    GAPS, Place, accept, all, appraised, at, command, json, order, person, pharmacist, put, query, shown,
};
use enteral_gate::findings::{Disposition, Tier};
use enteral_gate::queue::item::{Received, Standing, Summary};
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::task::TaskIs;
use enteral_gate::queue::trail::Event;
use enteral_gate::queue::urgency::Times;
use enteral_gate::queue::work::{Action, LaneState, Refused};
use enteral_gate::queue::{Lane, Role};
use enteral_gate::store::views::{Came, Change as ViewChange, MOST as MOST_VIEWS, View};
use enteral_gate::store::{
    CardAnswer, Filter, Health, LaneIs, NotDone, Query, Recorded, Sort, SqlStore, Store, TaskOf, Unavailable,
};
use jiff::Timestamp;
use jiff::civil::date;
use std::collections::BTreeSet;
use std::sync::Arc;

pub async fn what_is_recorded_is_read_back(place: Place) {
    let store = place.open().await;
    let mut received = appraised(&json("n1", "p1", GAPS), 0);
    received.ward = Some("Ward A".to_owned());
    received.starts = Some(at(30));
    let id = put(&store, received.clone()).await;
    assert_eq!(id, received.id());
    let item = store.get(id.clone()).await.unwrap().unwrap();
    assert_eq!(item.resource, json("n1", "p1", GAPS), "the order as it was sent, to the byte");
    assert_eq!(item.report, *received.report);
    let s = &item.summary;
    assert_eq!((s.version, s.seen, s.received, s.starts), (1, 1, at(0), Some(at(30))));
    assert_eq!(s.ward.as_deref(), Some("Ward A"));
    assert_eq!(s.pharmacist.state, LaneState::Open);
    assert!(s.not_evaluated > 0 && s.findings > 0, "{s:?}");
    assert_eq!(all(&store).await, std::slice::from_ref(s));
    let trail = store.trail(id).await.unwrap();
    assert_eq!(trail.len(), 1);
    assert_eq!(trail[0].what, Event::Recorded { replaces: None });
    assert_eq!(store.get(order(9, 9, 0).id()).await.unwrap(), None);
}

pub async fn the_same_content_is_one_item(place: Place) {
    let store = place.open().await;
    let first = store.record(vec![order(1, 1, 0)]).await.unwrap();
    assert!(matches!(first[0], Recorded::New(_)));
    // Twice in one call, and again later.
    let again = store.record(vec![order(1, 1, 3), order(1, 1, 4)]).await.unwrap();
    assert!(again.iter().all(|r| matches!(r, Recorded::Again(_))), "{again:?}");
    let items = all(&store).await;
    assert_eq!(items.len(), 1);
    assert_eq!((items[0].seen, items[0].version, items[0].received, items[0].last_seen), (3, 1, at(0), at(4)));
}

pub async fn new_content_replaces_the_old_one(place: Place) {
    let store = place.open().await;
    let old = put(&store, order(1, 1, 0)).await;
    let ann = pharmacist("ann");
    store.act(old.clone(), command(&ann, 1, 1, Action::Take)).await.unwrap();
    let new = put(&store, order(1, 2, 5)).await;
    assert_ne!(old, new);
    let before = store.get(old.clone()).await.unwrap().unwrap().summary;
    let after = store.get(new.clone()).await.unwrap().unwrap().summary;
    assert_eq!((before.standing, before.replaced_by.as_ref()), (Standing::Replaced, Some(&new)));
    assert_eq!((after.standing, after.replaces.as_ref()), (Standing::Open, Some(&old)));
    let refused = store.act(old.clone(), command(&ann, 2, 6, accept())).await.unwrap_err();
    let NotDone::Refused(Refused::Conflict(conflict)) = refused else { panic!("{refused:?}") };
    assert_eq!((conflict.replaced_by, conflict.at), (Some(new.clone()), at(5)));
    // Back again.
    put(&store, order(1, 1, 8)).await;
    let items = all(&store).await;
    let open: Vec<_> = items.iter().filter(|s| s.is_open()).collect();
    assert_eq!(open.len(), 1, "one content of an order is its content");
    assert_eq!((&open[0].id, open[0].replaces.as_ref()), (&old, Some(&new)));
    let kinds: Vec<&str> = store.trail(old).await.unwrap().iter().map(|e| e.what.word()).collect();
    assert_eq!(kinds, ["recorded", "take", "replaced", "returned"]);
}

/// Nothing was found, and nothing was not evaluated.
fn looks_clear(order: &mut Received) {
    let report = Arc::make_mut(&mut order.report);
    report.findings.clear();
    report.not_evaluated.clear();
    report.disposition = Disposition::Clear;
}

pub async fn what_is_clear_is_no_item_and_replaces(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let mut clear = order(1, 2, 5);
    looks_clear(&mut clear);
    assert!(!clear.is_item());
    assert_eq!(store.record(vec![clear]).await.unwrap(), [Recorded::Nothing]);
    let items = all(&store).await;
    assert_eq!(items.len(), 1);
    assert_eq!((items[0].standing, items[0].replaced_by.as_ref()), (Standing::Replaced, None));
    let last = store.trail(id).await.unwrap().pop().unwrap();
    assert_eq!(last.what, Event::Replaced { by: None });
}

/// As many orders as there are, a clear one replaces what it replaces, whether that is known in memory or asked.
pub async fn what_is_clear_replaces_however_many_there_are(place: Place) {
    let store = place.open().await;
    for most in [1_000_000, 3, 0] {
        store.hold_at_most(most);
        for n in 0..5 {
            put(&store, order(n, 1 + most as usize, n as i64)).await;
        }
        let mut clear = order(2, 2 + most as usize, 60);
        looks_clear(&mut clear);
        assert!(!clear.is_item());
        assert_eq!(store.record(vec![clear]).await.unwrap(), [Recorded::Nothing]);
        let replaced = store.get(order(2, 1 + most as usize, 2).id()).await.unwrap().unwrap();
        assert_eq!(replaced.summary.standing, Standing::Replaced, "{most}");
    }
}

/// Waits until something is so of the store's health.
async fn until(what: &str, store: &dyn Store, holds: impl Fn(&Health) -> bool) {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(60);
    while !holds(&store.health()) {
        assert!(std::time::Instant::now() < end, "{what}: {:?}", store.health());
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
}

/// Nothing can be written as long as the trail has another name.
const TRAIL_GONE: &str = "ALTER TABLE trail RENAME TO trail_gone";
const TRAIL_BACK: &str = "ALTER TABLE trail_gone RENAME TO trail";

/// What a clear order could not replace at its time it replaces later.
pub async fn what_is_clear_replaces_when_the_trouble_is_over(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let mut clear = order(1, 2, 5);
    looks_clear(&mut clear);
    clear.late = Some(at(5));
    place.tamper(TRAIL_GONE).await;
    assert!(store.record(vec![clear]).await.is_err());
    let health = store.health();
    assert_eq!((health.clear_waiting, health.waiting), (1, 0), "{health:?}");
    place.tamper(TRAIL_BACK).await;
    until("it replaces", &store, |health| health.clear_waiting == 0).await;
    let kept = store.get(id).await.unwrap().unwrap().summary;
    assert_eq!((kept.standing, kept.replaced_by), (Standing::Replaced, None));
    assert_eq!((store.health().clear_lost, store.health().lost), (0, 0));
}

/// Both came while nothing could be written, the flagged content first: it is not what stays on the queue.
pub async fn what_is_clear_comes_after_what_waits_of_the_same_order(place: Place) {
    let store = place.open().await;
    place.tamper(TRAIL_GONE).await;
    let flagged = order(1, 1, 0);
    assert!(store.record(vec![flagged.clone()]).await.is_err());
    let mut clear = order(1, 2, 5);
    looks_clear(&mut clear);
    // Whether it is found out at once that nothing can be done, or not: it is not lost.
    let _ = store.record(vec![clear]).await;
    assert!(store.health().clear_waiting > 0);
    place.tamper(TRAIL_BACK).await;
    until("both are done", &store, |health| health.waiting + health.clear_waiting == 0).await;
    let kept = store.get(flagged.id()).await.unwrap().unwrap().summary;
    assert_eq!((kept.standing, kept.replaced_by), (Standing::Replaced, None));
    // One that is to wait anyway, because too many came at once.
    let id = put(&store, order(2, 1, 10)).await;
    let mut clear = order(2, 2, 15);
    looks_clear(&mut clear);
    store.replace_later(vec![clear]);
    until("it replaces", &store, |health| health.clear_waiting == 0).await;
    assert_eq!(store.get(id).await.unwrap().unwrap().summary.standing, Standing::Replaced);
}

/// What there is no room for is counted, and takes nothing of the room of flagged orders.
pub async fn clear_orders_wait_as_far_as_there_is_room(place: Place) {
    const MANY: u64 = 10_100;
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    place.tamper(TRAIL_GONE).await;
    let mut clear = order(1, 2, 5);
    looks_clear(&mut clear);
    store.replace_later(vec![clear; MANY as usize]);
    let health = store.health();
    assert_eq!((health.clear_waiting, health.clear_lost), (10_000, MANY - 10_000), "{health:?}");
    assert!(store.record(vec![order(2, 1, 6)]).await.is_err());
    assert_eq!((store.health().waiting, store.health().lost), (1, 0));
    place.tamper(TRAIL_BACK).await;
    until("the flagged order is recorded", &store, |health| health.waiting == 0).await;
}

/// Less was sent than before, so the same content looks clear: that the order was changed would not be true.
pub async fn the_same_content_that_looks_clear_stays(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let mut clear = order(1, 1, 5);
    looks_clear(&mut clear);
    assert_eq!(store.record(vec![clear]).await.unwrap(), [Recorded::Nothing]);
    let summary = store.get(id).await.unwrap().unwrap().summary;
    assert_eq!((summary.standing, summary.is_open()), (Standing::Open, true));
}

/// What was set aside and comes late says nothing over what was said of the same content since.
pub async fn what_comes_late_of_the_same_content_changes_no_report(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 10)).await;
    let before = store.get(id.clone()).await.unwrap().unwrap();
    let mut late = order(1, 1, 3);
    Arc::make_mut(&mut late.report).findings.clear();
    (late.late, late.cards) = (Some(at(12)), vec![shown("late-card", &[])]);
    assert!(late.is_item() && *late.report != before.report);
    assert!(matches!(store.record(vec![late]).await.unwrap()[..], [Recorded::Again(_)]));
    let after = store.get(id).await.unwrap().unwrap();
    assert_eq!((after.report, after.summary.judged_at), (before.report, before.summary.judged_at));
    assert_eq!(after.summary.seen, 2);
    // Its card went out all the same.
    let card = CardAnswer {
        card: "late-card".to_owned(),
        accepted: true,
        reason: None,
        offered: true,
        comment: None,
        at: at(13),
        said: at(13),
    };
    assert_eq!(store.feedback(vec![card]).await.unwrap(), 1);
}

/// Two programs whose clocks differ: what comes second is the order's content, whatever its time.
pub async fn clocks_that_differ_lose_nothing(place: Place) {
    let store = place.open().await;
    let first = put(&store, order(1, 1, 10)).await;
    let second = put(&store, order(1, 2, 3)).await;
    let first = store.get(first).await.unwrap().unwrap().summary;
    let second = store.get(second).await.unwrap().unwrap().summary;
    assert_eq!((first.standing, first.replaced_by), (Standing::Replaced, Some(second.id.clone())));
    assert!(second.is_open());
    assert_eq!(first.changed_at, at(10), "never told of as older than before");
    // And so is what looks clear.
    let mut clear = order(1, 3, 2);
    looks_clear(&mut clear);
    assert_eq!(store.record(vec![clear]).await.unwrap(), [Recorded::Nothing]);
    assert!(all(&store).await.iter().all(|s| s.standing == Standing::Replaced));
}

pub async fn what_comes_late_does_not_replace_what_is_newer(place: Place) {
    let store = place.open().await;
    let new = put(&store, order(1, 2, 10)).await;
    let mut late = order(1, 1, 3);
    late.late = Some(at(12));
    let old = put(&store, late).await;
    let new = store.get(new).await.unwrap().unwrap().summary;
    let old = store.get(old).await.unwrap().unwrap().summary;
    assert_eq!(new.standing, Standing::Open);
    assert_eq!((old.standing, old.replaced_by), (Standing::Replaced, Some(new.id)));
    assert_eq!((old.received, old.changed_at), (at(3), at(12)), "who asks what changed since then finds it");
}

/// An order that was recorded and comes once more all the same, as from a spool after a crash, changes nothing: neither
/// what was replaced since by a content that is clear, nor what a lane decided. What was asked for later does.
pub async fn what_comes_twice_stays_replaced_and_decided(place: Place) {
    let store = place.open().await;
    let late = |mut order: Received, minute| {
        order.late = Some(at(minute));
        order
    };
    let id = put(&store, order(1, 1, 0)).await;
    // Asked for at 5, and kept long after.
    let mut clear = order(1, 2, 5);
    looks_clear(&mut clear);
    store.record(vec![late(clear, 30)]).await.unwrap();
    for minute in [0, 4, 5] {
        let came = store.record(vec![late(order(1, 1, minute), 40)]).await.unwrap();
        assert_eq!(came, [Recorded::Again(id.clone())]);
        let kept = store.get(id.clone()).await.unwrap().unwrap().summary;
        assert_eq!((kept.standing, kept.replaced_by), (Standing::Replaced, None), "asked for at {minute}");
    }
    store.record(vec![late(order(1, 1, 6), 40)]).await.unwrap();
    assert!(store.get(id).await.unwrap().unwrap().summary.is_open(), "it was asked for after the clear one");
    let id = put(&store, order(2, 1, 0)).await;
    let seen = store.get(id.clone()).await.unwrap().unwrap().summary.version;
    let by = pharmacist("ann");
    store.act(id.clone(), command(&by, seen, 1, Action::CloseAsChanged { note: "invented".into() })).await.unwrap();
    let decided = store.get(id.clone()).await.unwrap().unwrap().summary;
    store.record(vec![late(order(2, 1, 0), 40)]).await.unwrap();
    let after = store.get(id).await.unwrap().unwrap().summary;
    assert_eq!((after.version, &after.pharmacist), (decided.version, &decided.pharmacist));
}

pub async fn orders_without_an_id_and_of_other_patients_are_apart(place: Place) {
    let store = place.open().await;
    let mut drafts = [order(1, 1, 0), order(1, 2, 1), order(1, 3, 2), order(1, 3, 3), order(1, 4, 4), order(1, 5, 5)];
    drafts[4].key.patient.clear();
    drafts[5].key.patient.clear();
    drafts[0].key.order.clear();
    drafts[1].key.order.clear();
    drafts[2].key.patient = "Patient/x".to_owned();
    drafts[3].key.client = "another".to_owned();
    store.record(drafts.to_vec()).await.unwrap();
    let items = all(&store).await;
    assert_eq!(items.len(), 6);
    assert!(items.iter().all(|s| s.is_open()));
}

pub async fn actions_are_kept_with_their_trail(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let (ann, bob, dan) = (pharmacist("ann"), pharmacist("bob"), person("dan", Role::Dietitian));
    let steps = [
        command(&ann, 1, 1, Action::Take),
        command(&ann, 2, 2, Action::GiveBack),
        command(&ann, 3, 3, Action::Take),
        command(&ann, 4, 4, Action::HandOver { to: bob.clone(), note: "lunch".into() }),
        command(&bob, 5, 5, Action::AskPrescriber { question: "rate?".into() }),
        command(&dan, 1, 6, Action::Comment { text: "seen\n'\"; DROP TABLE items; --".into() }),
        command(&bob, 6, 7, Action::Snooze { until: at(60), note: "waits".into() }),
        command(&dan, 1, 8, Action::Take),
        command(&dan, 9, 9, accept()),
        command(&bob, 8, 10, Action::CloseAsChanged { note: "rate lowered".into() }),
    ];
    let n = steps.len();
    for step in steps.clone() {
        let expected = store.act(id.clone(), step.clone()).await;
        assert!(expected.is_ok(), "{step:?}: {expected:?}");
    }
    let item = store.get(id.clone()).await.unwrap().unwrap().summary;
    assert_eq!((item.standing, item.version, item.comments), (Standing::Closed, n as u64 + 1, 1));
    let trail = store.trail(id.clone()).await.unwrap();
    let did: Vec<_> = trail.iter().skip(1).map(|e| (e.by.clone(), e.at, e.what.clone())).collect();
    let wanted: Vec<_> =
        steps.into_iter().map(|c| (c.by, c.at, Event::Did { lane: c.lane, action: c.action })).collect();
    assert_eq!(did, wanted);
    let versions: Vec<u64> = trail.iter().map(|e| e.version).collect();
    assert_eq!(versions, (1..=n as u64 + 1).collect::<Vec<_>>());
    let nothing = store.act(order(7, 7, 7).id(), command(&ann, 1, 1, Action::Take)).await;
    assert_eq!(nothing, Err(NotDone::NoSuchItem));
}

pub async fn a_command_sent_twice_is_done_once(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let mut take = command(&pharmacist("ann"), 1, 1, Action::Take);
    take.id = "6a3c".to_owned();
    let first = store.act(id.clone(), take.clone()).await.unwrap();
    let second = store.act(id.clone(), take.clone()).await.unwrap();
    assert_eq!(first, second);
    let both = tokio::join!(
        store.act(id.clone(), {
            let mut c = command(&pharmacist("ann"), 2, 2, Action::Comment { text: "x".into() });
            c.id = "c1".into();
            c
        }),
        store.act(id.clone(), {
            let mut c = command(&pharmacist("ann"), 2, 2, Action::Comment { text: "x".into() });
            c.id = "c1".into();
            c
        }),
    );
    assert!(both.0.is_ok() && both.1.is_ok());
    assert_eq!(store.trail(id.clone()).await.unwrap().len(), 3);
    assert_eq!(store.get(id).await.unwrap().unwrap().summary.comments, 1);
}

pub async fn conflicts_say_who_and_when(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let (ann, bob) = (pharmacist("ann"), pharmacist("bob"));
    store.act(id.clone(), command(&ann, 1, 1, accept())).await.unwrap();
    let refused = store.act(id.clone(), command(&bob, 1, 2, accept())).await.unwrap_err();
    let NotDone::Refused(Refused::Conflict(conflict)) = refused else { panic!("{refused:?}") };
    assert_eq!((conflict.by, conflict.at, conflict.version), (ann, at(1), 2));
    assert_eq!(store.trail(id).await.unwrap().len(), 2, "what is refused leaves no trail of a change");
}

pub async fn lists_filter_and_page_without_losing_any(place: Place) {
    let store = place.open().await;
    let mut orders = Vec::new();
    for n in 0..250 {
        let mut one = order(n, 1, (n as i64 * 7) % 100);
        one.ward = Some(format!("Ward {}", n % 3));
        one.starts = (n % 2 == 0).then(|| at(200 + n as i64));
        let tier = [Tier::Stop, Tier::High, Tier::Med, Tier::Low][n % 4];
        let report = Arc::make_mut(&mut one.report);
        report.findings.truncate(1);
        report.findings[0].tier = tier;
        report.findings[0].rule = format!("RULE-{}", n % 5);
        if n % 5 == 0 {
            report.not_evaluated.clear();
        }
        orders.push(one);
    }
    store.record(orders.clone()).await.unwrap();
    // Small pages give the same as one large one, in the order of urgency, also while items are added before.
    let mut seen = Vec::new();
    let mut q = query(7);
    loop {
        let page = store.list(q.clone()).await.unwrap();
        seen.extend(page.items.iter().map(|s| (s.sort_key(&Times::default()), s.id.clone())));
        match page.next {
            Some(next) => q.after = Some(next),
            None => break,
        }
    }
    let mut sorted = seen.clone();
    sorted.sort();
    assert_eq!(seen, sorted);
    assert_eq!(seen.len(), 250);
    let count = async |filter: Filter| store.list(Query { filter, ..query(1) }).await.unwrap().total;
    let by_hand = |holds: fn(usize) -> bool| (0..250).filter(|n| holds(*n)).count() as u64;
    assert_eq!(count(Filter { ward: Some("Ward 1".into()), ..Filter::default() }).await, by_hand(|n| n % 3 == 1));
    assert_eq!(count(Filter { tiers: vec![Tier::Stop], ..Filter::default() }).await, by_hand(|n| n % 4 == 0));
    assert_eq!(count(Filter { rule: Some("RULE-2".into()), ..Filter::default() }).await, by_hand(|n| n % 5 == 2));
    assert_eq!(count(Filter { rule: Some("RULE-".into()), ..Filter::default() }).await, 0, "no part of a rule's id");
    assert_eq!(count(Filter { not_fully_checked: Some(false), ..Filter::default() }).await, by_hand(|n| n % 5 == 0));
    assert_eq!(
        count(Filter { starts_before: Some(at(250)), ..Filter::default() }).await,
        by_hand(|n| n % 2 == 0 && 200 + n < 250)
    );
    assert_eq!(
        count(Filter { received_by: Some(at(50)), ..Filter::default() }).await,
        by_hand(|n| (n * 7) % 100 <= 50)
    );
    assert_eq!(
        count(Filter { ward: Some("Ward 0".into()), tiers: vec![Tier::Stop, Tier::Med], ..Filter::default() }).await,
        by_hand(|n| n % 3 == 0 && n % 2 == 0)
    );
    assert_eq!(count(Filter { patient: Some("Patient/p7".into()), ..Filter::default() }).await, 1);
    assert_eq!(count(Filter { patient: Some("p7".into()), ..Filter::default() }).await, 1);
    // An absolute reference finds what an order of that server names, and nobody with the same id elsewhere.
    let mut elsewhere = order(900, 1, 100);
    elsewhere.key.base = "https://other_ehr.example/fhir".to_owned();
    elsewhere.key.patient = "Patient/p7".to_owned();
    elsewhere.ward = Some("Elsewhere".to_owned());
    let there = put(&store, elsewhere).await;
    for (base, found) in [("https://other_ehr.example/fhir", 1), ("https://other-ehr.example/fhir", 0), ("x", 0)] {
        let filter = Filter { patient: Some(format!("{base}/Patient/p7")), ..Filter::default() };
        let page = store.list(Query { filter, ..query(10) }).await.unwrap();
        assert_eq!(page.total, found, "{base}");
        assert!(page.items.iter().all(|s| s.id == there), "{base}");
    }
    store.act(there, command(&pharmacist("bea"), 1, 100, accept())).await.unwrap();
    assert_eq!(count(Filter { search: "WARD p17 ".into(), ..Filter::default() }).await, 11, "p17 and p170 to p179");
    // Lanes, by the time now.
    let ann = pharmacist("ann");
    for one in orders.iter().take(10) {
        store.act(one.id(), command(&ann, 1, 101, Action::Take)).await.unwrap();
    }
    let lane = async |is, minute| {
        let filter = Filter { lane: Some((vec![Lane::Pharmacist], is)), ..Filter::default() };
        store.list(Query { filter, now: at(minute), ..query(1) }).await.unwrap().total
    };
    let any = async |is, minute| {
        let filter = Filter { lane: Some((Lane::ALL.to_vec(), is)), ..Filter::default() };
        store.list(Query { filter, now: at(minute), ..query(1) }).await.unwrap().total
    };
    assert_eq!((any(LaneIs::Taken, 110).await, any(LaneIs::Asked, 110).await), (10, 0));
    assert_eq!((any(LaneIs::Taken, 131).await, any(LaneIs::Waiting, 110).await), (0, 250));
    assert_eq!(lane(LaneIs::Taken, 110).await, 10);
    assert_eq!(lane(LaneIs::Free, 110).await, 240);
    assert_eq!(lane(LaneIs::Taken, 131).await, 0, "held for half an hour");
    assert_eq!(lane(LaneIs::Free, 131).await, 250);
    assert_eq!(lane(LaneIs::Waiting, 110).await, 250);
    assert_eq!(count(Filter { by: Some("ann".into()), ..Filter::default() }).await, 10);
    let newest = store.list(Query { sort: Sort::Changed, ..query(10) }).await.unwrap();
    assert!(newest.items.iter().all(|s| s.changed_at == at(101)));
    let rest = store.list(Query { sort: Sort::Changed, after: newest.next, ..query(200) }).await.unwrap();
    let ids: BTreeSet<_> = newest.items.iter().chain(&rest.items).map(|s| s.id.clone()).collect();
    assert_eq!(ids.len(), 210);
    for wrong in ["", "x", "1.2", "'.3b241101-e2bb-4255-8caf-4136c566a962"] {
        let page = store.list(Query { after: Some(wrong.to_owned()), ..query(1) }).await;
        assert_eq!(page, Err(Unavailable::NoSuchPage), "{wrong}");
    }
}

/// What the database finds is what one item after the other says of itself.
pub async fn tasks_are_found_as_the_items_say(place: Place) {
    let store = place.open().await;
    let people = [pharmacist("ann"), pharmacist("bea"), person("dora", Role::Dietitian)];
    let mut kept = Vec::new();
    for n in 0..40 {
        kept.push(put(&store, order(n, 1, 0)).await);
    }
    // A little of everything: held, put off, asked, decided by one or both, replaced.
    for (n, id) in kept.iter().enumerate() {
        let by = &people[n % 3];
        let action = match n % 8 {
            0 => continue,
            1 | 2 => Action::Take,
            3 => Action::Snooze { until: at(60), note: "later".into() },
            4 => Action::AskPrescriber { question: "Why?".into() },
            5 | 6 => accept(),
            _ => {
                store.record(vec![order(n, 2, 3)]).await.unwrap();
                continue;
            }
        };
        let _ = store.act(id.clone(), command(by, 1, 2, action)).await;
        if n % 16 == 5 {
            let other = if by.role == Role::Dietitian { &people[0] } else { &people[2] };
            let _ = store.act(id.clone(), command(other, 2, 2, accept())).await;
        }
    }
    let all = store.list(query(200)).await.unwrap().items;
    let (mut seen, mut found_any) = (BTreeSet::new(), 0);
    let lanes = [vec![Lane::Pharmacist], vec![Lane::Dietitian], Lane::ALL.to_vec(), vec![]];
    let states: Vec<Vec<TaskIs>> = (0..16)
        .map(|bits| {
            TaskIs::ALL.iter().enumerate().filter(|(nth, _)| bits & (1 << nth) != 0).map(|(_, (is, _))| *is).collect()
        })
        .collect();
    for (lanes, is) in lanes.iter().flat_map(|lanes| states.iter().map(move |is| (lanes, is))) {
        for (by, minute) in [(None, 10), (Some("ann"), 10), (Some("dora"), 31), (None, 70), (Some("nobody"), 10)] {
            let task = TaskOf { lanes: lanes.clone(), is: is.clone(), by: by.map(str::to_owned) };
            let filter = Filter { task: Some(task.clone()), ..Filter::default() };
            let page = store.list(Query { filter, now: at(minute), ..query(200) }).await.unwrap();
            let got: BTreeSet<_> = page.items.iter().map(|s| s.id.clone()).collect();
            let fits = |s: &&Summary| Lane::ALL.into_iter().any(|lane| task.has(s, lane, at(minute)));
            let wanted: BTreeSet<_> = all.iter().filter(fits).map(|s| s.id.clone()).collect();
            assert_eq!(got, wanted, "{task:?} at {minute}");
            assert_eq!(page.total, wanted.len() as u64);
            found_any += wanted.len();
            seen.extend(all.iter().flat_map(|s| Lane::ALL.map(|lane| s.task(lane, at(minute)))));
        }
    }
    assert!(seen.len() >= 4 && found_any > 500, "{seen:?} {found_any}");
}

pub async fn odd_texts_are_kept_and_found(place: Place) {
    let store = place.open().await;
    let odd = ["100%", "a_b", "back\\slash", "ÄÖÜ 漢字 🍼", "'; DROP TABLE items; --", "\"quoted\"", "tab\tand\nline"];
    for (n, text) in odd.iter().enumerate() {
        let mut one = order(n, 1, 0);
        one.ward = Some((*text).to_owned());
        one.resource = format!("{{\"text\":{}}}", serde_json::Value::from(*text));
        put(&store, one).await;
    }
    for (n, text) in odd.iter().enumerate() {
        let filter = Filter { ward: Some((*text).to_owned()), ..Filter::default() };
        let page = store.list(Query { filter, ..query(10) }).await.unwrap();
        assert_eq!(page.items.len(), 1, "{text}");
        assert_eq!(page.items[0].id, order(n, 1, 0).id());
        let word = text.split_whitespace().next().unwrap();
        let filter = Filter { search: word.to_owned(), ..Filter::default() };
        let found = store.list(Query { filter, ..query(10) }).await.unwrap();
        assert!(found.items.iter().any(|s| s.ward.as_deref() == Some(*text)), "{text}");
        if ["100%", "a_b", "back\\slash"].contains(text) {
            assert_eq!(found.total, 1, "{text}: signs of a pattern stand for themselves");
        }
    }
    let filter = Filter { search: "äöü".to_owned(), ..Filter::default() };
    assert_eq!(store.list(Query { filter, ..query(10) }).await.unwrap().total, 1, "case does not matter");
}

pub async fn counts_are_those_of_open_items(place: Place) {
    let store = place.open().await;
    for n in 0..5 {
        let mut one = order(n, 1, n as i64);
        if n == 0 {
            one.ward = Some("Ward A".to_owned());
        }
        put(&store, one).await;
    }
    let ann = pharmacist("ann");
    store.act(order(0, 1, 0).id(), command(&ann, 1, 6, accept())).await.unwrap();
    store.act(order(1, 1, 1).id(), command(&ann, 1, 6, Action::Take)).await.unwrap();
    let counts = store.counts(at(7)).await.unwrap();
    assert_eq!((counts.open, counts.not_fully_checked, counts.oldest), (4, 4, Some(at(1))));
    assert_eq!(counts.lanes[&Lane::Pharmacist]["taken"], 1);
    assert_eq!(counts.lanes[&Lane::Pharmacist]["open"], 3);
    assert_eq!(counts.tiers.values().sum::<u64>(), 4);
    assert_eq!(counts.wards.get(""), Some(&4));
    let later = store.counts(at(60)).await.unwrap();
    assert_eq!(later.lanes[&Lane::Pharmacist]["open"], 4);
}

pub async fn statistics_per_rule_hold_nothing_of_a_person(place: Place) {
    let store = place.open().await;
    let one = order(1, 1, 0);
    let rule = one.report.findings.iter().find(|f| f.audience.iter().any(|a| a == "pharmacist")).unwrap().rule.clone();
    let id = put(&store, one.clone()).await;
    put(&store, one.clone()).await;
    put(&store, order(2, 1, 0)).await;
    let (ann, bob) = (pharmacist("ann"), pharmacist("bob"));
    let judge = |useful| Action::Judge { rule: rule.clone(), useful };
    for (who, useful) in [(&ann, true), (&bob, true), (&ann, false)] {
        store.act(id.clone(), command(who, 1, 1, judge(useful))).await.unwrap();
    }
    store.act(id.clone(), command(&ann, 1, 2, accept())).await.unwrap();
    store.act(order(2, 1, 0).id(), command(&ann, 1, 2, Action::CloseAsChanged { note: "n".into() })).await.unwrap();
    let day = date(2026, 9, 21);
    let all = store.statistics(day, day).await.unwrap();
    let s = all.iter().find(|s| s.rule == rule).unwrap();
    assert_eq!((s.fired, s.changed, s.useful, s.not_useful), (2, 1, 1, 1), "{s:?}");
    assert_eq!(s.accepted.get("suits-this-patient"), Some(&1));
    assert!(all.iter().any(|s| s.not_evaluated == 2));
    let text = format!("{all:?}");
    for private in ["ann", "Patient", "p1", "n1"] {
        assert!(!text.split(|c: char| !c.is_alphanumeric()).any(|word| word == private), "{private}");
    }
    assert_eq!(store.statistics(date(2026, 9, 22), date(2027, 1, 1)).await.unwrap(), []);
    // A rule that found nothing for long is silent; one that never did, since counting began.
    let last = store.last_found().await.unwrap();
    assert_eq!((last.since, last.of.get(&rule)), (Some(day), Some(&day)));
    for name in [rule.as_str(), "XXX-99"] {
        assert_eq!(last.silent(name, date(2026, 12, 19)), None, "{name}");
        assert_eq!(last.silent(name, date(2026, 12, 20)), Some(90), "{name}");
    }
    assert!(!last.of.contains_key("XXX-99"));
}

pub async fn feedback_is_joined_to_its_item(place: Place) {
    let store = place.open().await;
    let mut one = order(1, 1, 0);
    let [rule, off_card] = &one.report.rules()[..2] else { panic!("{:?}", one.report.rules()) };
    let (rule, off_card) = (rule.clone(), off_card.clone());
    one.cards = vec![shown("c-1", std::slice::from_ref(&rule)), shown("nothing-shown", &[])];
    let id = put(&store, one).await;
    let answer = |card: &str, accepted| CardAnswer {
        card: card.to_owned(),
        accepted,
        reason: (!accepted).then(|| "will-adjust".to_owned()),
        offered: true,
        comment: None,
        at: at(3),
        said: at(3),
    };
    // A reason that no card offers is kept with the order; its words are not counted.
    let own = CardAnswer {
        reason: Some("as-ann-invented-said".to_owned()),
        offered: false,
        said: at(2),
        ..answer("c-1", false)
    };
    let taken = CardAnswer { said: at(1), ..answer("c-1", true) };
    let answers = vec![answer("c-1", false), answer("unknown", true), taken, own];
    assert_eq!(store.feedback(answers.clone()).await.unwrap(), 3);
    // Sent again, as when its answer was lost, it is kept and not counted again: by the same call or by others.
    let again = answers.into_iter().chain([answer("c-1", false)]).collect();
    assert_eq!(store.feedback(again).await.unwrap(), 4);
    let trail = store.trail(id.clone()).await.unwrap();
    let kinds: Vec<&str> = trail.iter().map(|e| e.what.word()).collect();
    assert_eq!(kinds, ["recorded", "card-answered", "card-answered", "card-answered"]);
    let words = trail[3].what.words(&|at| at.to_string());
    assert!(words.contains("as ann invented said"), "{words}");
    // What the client says of the time is kept beside it, and is no time of the trail or the counts.
    let long_ago = Timestamp::from_second(915_148_800).unwrap();
    let wrong = CardAnswer { at: at(4), said: long_ago, ..answer("c-1", true) };
    assert_eq!(store.feedback(vec![wrong]).await.unwrap(), 1);
    let last = store.trail(id.clone()).await.unwrap().pop().unwrap();
    assert!(last.at == at(4) && matches!(last.what, Event::CardAnswered { said: Some(said), .. } if said == long_ago));
    assert_eq!(store.get(id).await.unwrap().unwrap().summary.changed_at, at(4));
    let years = store.statistics(date(1998, 12, 1), date(1999, 12, 31)).await.unwrap();
    assert!(years.is_empty(), "{years:?}");
    let all = store.statistics(date(2026, 9, 1), date(2026, 9, 30)).await.unwrap();
    let s = all.iter().find(|s| s.rule == rule).unwrap();
    let overridden: Vec<_> = s.card_overridden.iter().map(|(reason, n)| (reason.as_str(), *n)).collect();
    assert_eq!((s.card_accepted, overridden), (2, vec![("not-offered", 1), ("will-adjust", 1)]));
    let s = all.iter().find(|s| s.rule == off_card).unwrap();
    assert_eq!((s.card_accepted, s.card_overridden.len()), (0, 0), "its finding was on no card");
    assert_eq!(store.feedback(vec![answer("nothing-shown", true)]).await.unwrap(), 1);
    let now = store.statistics(date(2026, 9, 1), date(2026, 9, 30)).await.unwrap();
    assert_eq!(now, all);
}

pub async fn an_item_that_is_damaged_holds_up_no_other(place: Place) {
    let store = place.open().await;
    let damaged = put(&store, order(1, 1, 0)).await;
    place.tamper(&format!("UPDATE items SET state = '{{' WHERE id = '{damaged}'")).await;
    // What comes of the same order cannot be joined to it, and waits.
    let came = store.record(vec![order(1, 2, 1)]).await;
    assert!(matches!(came, Err(Unavailable::DamagedItem(_))), "{came:?}");
    let health = store.health();
    assert_eq!((health.waiting, health.trouble, health.refused), (1, None, 0), "it is no trouble of the store");
    assert!(health.damaged == 1 && health.last_damaged.is_some_and(|named| named.contains(damaged.as_str())));
    // Whoever looks at it, or lists it, finds no other: it is one item.
    assert!(store.get(damaged.clone()).await.is_err());
    assert_eq!(store.list(query(10)).await.unwrap().damaged, vec![damaged.clone()]);
    let health = store.health();
    assert_eq!(health.damaged, 1, "{health:?}");
    assert!(health.last_damaged.is_some_and(|named| named.contains("column")), "what is wrong with it stays said");
    for n in 2..5 {
        put(&store, order(n, 1, 2)).await;
    }
    // Others that were set aside with it are recorded when it is tried again.
    let kept = store.get(order(4, 1, 2).id()).await.unwrap();
    assert!(kept.is_some());
    tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
    assert_eq!(store.health().waiting, 1, "it is tried again and not given up");
    // Whoever looks at it hears what is wrong, and lists show the others.
    assert!(matches!(store.get(damaged.clone()).await, Err(Unavailable::DamagedItem(_))));
    let page = store.list(query(10)).await.unwrap();
    assert_eq!((page.items.len(), page.damaged), (3, vec![damaged.clone()]));
    assert_eq!(store.health().trouble, None);
    // Removed by hand, the order is recorded.
    place.tamper(&format!("DELETE FROM items WHERE id = '{damaged}'")).await;
    let end = std::time::Instant::now() + std::time::Duration::from_secs(20);
    while store.health().waiting > 0 {
        assert!(std::time::Instant::now() < end);
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert!(store.get(order(1, 2, 1).id()).await.unwrap().is_some());
    // What is there no more is not damaged any more, whether somebody looks for it or not.
    while store.health().damaged > 0 {
        assert!(std::time::Instant::now() < end, "{:?}", store.health());
        tokio::time::sleep(std::time::Duration::from_millis(50)).await;
    }
    assert_eq!(store.health().last_damaged, None);
    // Neither is what was mended, as soon as it was read well.
    let (one, state) = (order(2, 1, 2).id(), "SELECT state FROM items WHERE id = ");
    let state = place.lines(&format!("{state}'{one}'")).await.remove(0);
    place.tamper(&format!("UPDATE items SET state = '{{' WHERE id = '{one}'")).await;
    assert!(store.get(one.clone()).await.is_err());
    assert_eq!(store.health().damaged, 1);
    place.tamper(&format!("UPDATE items SET state = '{}' WHERE id = '{one}'", state.replace('\'', "''"))).await;
    assert!(store.get(one.clone()).await.unwrap().is_some());
    assert_eq!(store.health().damaged, 0);
}

/// An order whose item cannot be read is tried for some time, and given up then: who looks hears which item it is.
pub async fn what_belongs_to_a_damaged_item_waits_and_is_named(place: Place) {
    let store = place.open().await;
    let damaged = put(&store, order(1, 1, 0)).await;
    place.tamper(&format!("UPDATE items SET state = '{{' WHERE id = '{damaged}'")).await;
    assert!(store.record(vec![order(1, 2, 1)]).await.is_err());
    // For longer than twenty tries of what the store could not take.
    tokio::time::sleep(std::time::Duration::from_secs(11)).await;
    let health = store.health();
    assert_eq!((health.waiting, health.refused, health.lost, &health.trouble), (1, 0, 0, &None), "{health:?}");
    let named = health.last_damaged.clone().unwrap_or_default();
    assert!(named.contains(damaged.as_str()), "{named}");
    let verified = store.verify().await.unwrap_err().to_string();
    assert!(verified.contains(damaged.as_str()), "{verified}");
    put(&store, order(2, 1, 2)).await;
    assert_eq!(store.health().lost, 0);
}

pub async fn views_are_of_one_person_and_bounded(place: Place) {
    let store = place.open().await;
    let view = |name: &str, query: &str| View { name: name.to_owned(), query: query.to_owned() };
    let keep =
        async |person: &str, kept: View| store.set_view(person.to_owned(), ViewChange::Keep(kept)).await.unwrap();
    assert_eq!(keep("ann", view("ICU", "ward=ICU")).await, Came::Done);
    assert_eq!(keep("ann", view("Ätherisch ü%", "q=%25")).await, Came::Done);
    assert_eq!(keep("bob", view("ICU", "ward=Other")).await, Came::Done);
    assert_eq!(keep("ann", view("ICU", "ward=ICU&tier=STOP")).await, Came::Done, "in place of the one before");
    let own = async |person: &str| store.views(person.to_owned()).await.unwrap();
    assert_eq!(own("ann").await, [view("ICU", "ward=ICU&tier=STOP"), view("Ätherisch ü%", "q=%25")]);
    assert_eq!(own("bob").await, [view("ICU", "ward=Other")]);
    for n in 2..MOST_VIEWS {
        assert_eq!(keep("ann", view(&format!("v{n}"), "")).await, Came::Done);
    }
    assert_eq!(keep("ann", view("one more", "")).await, Came::TooMany);
    assert_eq!(keep("ann", view("ICU", "q=x")).await, Came::Done, "no more than before");
    let gone = ViewChange::Remove("ICU".to_owned());
    assert_eq!(store.set_view("ann".to_owned(), gone.clone()).await.unwrap(), Came::Done);
    assert_eq!(store.set_view("ann".to_owned(), gone).await.unwrap(), Came::Done, "gone already");
    assert_eq!(keep("ann", view("one more", "")).await, Came::Done);
    assert_eq!((own("ann").await.len() as i64, own("bob").await.len()), (MOST_VIEWS, 1));
    store.close().await.unwrap();
    let again = place.open().await;
    assert_eq!(again.views("bob".to_owned()).await.unwrap(), [view("ICU", "ward=Other")]);
}

pub async fn a_view_is_in_the_trail_and_changes_nothing(place: Place) {
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    let before = store.get(id.clone()).await.unwrap();
    store.viewed(id.clone(), pharmacist("ann"), at(2)).await.unwrap();
    store.viewed(order(5, 5, 5).id(), pharmacist("ann"), at(2)).await.unwrap();
    assert_eq!(store.get(id.clone()).await.unwrap(), before);
    let last = store.trail(id).await.unwrap().pop().unwrap();
    assert_eq!((last.what, last.by.id.as_str(), last.at), (Event::Viewed, "ann", at(2)));
}

pub async fn changes_are_told(place: Place) {
    let store = place.open().await;
    let mut changes = store.changes();
    let id = put(&store, order(1, 1, 0)).await;
    let change = changes.recv().await.unwrap();
    assert_eq!((&change.item, change.version), (&id, 1));
    if let Place::Postgres(_) = place {
        // Another replica hears of it, and so does the first of what the other does.
        let other = place.open().await;
        let mut heard = other.changes();
        // Its listener may not be there yet: what is said until then is missed.
        let ann = pharmacist("ann");
        let mut minute = 1;
        let told = loop {
            store.act(id.clone(), command(&ann, 1, minute, Action::Comment { text: "x".into() })).await.unwrap();
            minute += 1;
            match tokio::time::timeout(std::time::Duration::from_millis(200), heard.recv()).await {
                Ok(change) => break change.unwrap(),
                Err(_) => assert!(minute < 100, "nothing was heard"),
            }
        };
        assert_eq!(told.item, id);
        other.close().await.unwrap();
    }
}

pub async fn a_purge_keeps_open_items_counts_and_the_chain(place: Place) {
    let store = place.open().await;
    let ann = pharmacist("ann");
    for n in 0..4 {
        put(&store, order(n, 1, 0)).await;
    }
    for (n, minute) in [(0, 10), (1, 500)] {
        store.act(order(n, 1, 0).id(), command(&ann, 1, minute, accept())).await.unwrap();
    }
    put(&store, order(2, 2, 20)).await;
    let day = date(2026, 9, 21);
    let counted = store.statistics(day, day).await.unwrap();
    let removed = store.purge(at(100), person("ops", Role::Coordinator), at(1000)).await.unwrap();
    assert_eq!(removed, 2, "one closed and one replaced before that time");
    let left: BTreeSet<_> = all(&store).await.into_iter().map(|s| s.id).collect();
    assert_eq!(left, [order(1, 1, 0).id(), order(2, 2, 0).id(), order(3, 1, 0).id()].into());
    assert_eq!(store.trail(order(0, 1, 0).id()).await.unwrap(), []);
    assert_eq!(store.statistics(day, day).await.unwrap(), counted);
    let verified = store.verify().await.unwrap();
    assert_eq!(verified.purged, 4, "entries without what was written");
    put(&store, order(9, 1, 1001)).await;
    store.verify().await.unwrap();
}

pub async fn the_trail_is_one_chain_and_a_changed_entry_is_named(place: Place) {
    let store = place.open().await;
    for n in 0..3 {
        put(&store, order(n, 1, n as i64)).await;
    }
    let ann = pharmacist("ann");
    store.act(order(0, 1, 0).id(), command(&ann, 1, 5, accept())).await.unwrap();
    let verified = store.verify().await.unwrap();
    assert_eq!((verified.items, verified.entries), (3, 4));
    for (change, why) in [
        ("UPDATE trail SET detail = replace(detail, 'Invented ann', 'Invented bob') WHERE seq = 4", "entry 4"),
        ("DELETE FROM trail WHERE seq = 2", "entry"),
    ] {
        place.tamper(change).await;
        let wrong = store.verify().await.unwrap_err().to_string();
        assert!(wrong.contains(why), "{wrong}");
    }
}

/// An order that was changed past the program is named: its state, its columns, the order as it was sent, what was said of it.
pub async fn an_order_that_was_changed_is_named(place: Place) {
    let store = place.open().await;
    for n in 0..2 {
        put(&store, Received { ward: Some("Ward A".to_owned()), ..order(n, 1, n as i64) }).await;
    }
    let ann = pharmacist("ann");
    store.act(order(0, 1, 0).id(), command(&ann, 1, 5, Action::Take)).await.unwrap();
    store.verify().await.unwrap();
    let (one, other) = (order(0, 1, 0).id(), order(1, 1, 1).id());
    let of_the_other = |column: &str| format!("{column} = (SELECT {column} FROM items WHERE id = '{other}')");
    let kept = ["patient", "ward", "tier", "pharmacist", "pharmacist_by", "rules", "state", "resource"];
    for (set, why) in [
        ("patient = 'Patient/p7'".to_owned(), "column patient"),
        ("ward = 'Ward B'".to_owned(), "column ward"),
        ("ward = NULL".to_owned(), "column ward"),
        ("tier = NULL".to_owned(), "column tier"),
        ("pharmacist = 'decided'".to_owned(), "column pharmacist"),
        ("pharmacist_by = 'bob'".to_owned(), "column pharmacist_by"),
        ("rules = '|INT-01|'".to_owned(), "column rules"),
        // Both at once, so that they agree: the id is of another patient.
        ("patient = 'Patient/p7', state = replace(state, 'Patient/p0', 'Patient/p7')".to_owned(), "order_key"),
        ("order_key = NULL, patient = '', state = replace(state, 'Patient/p0', '')".to_owned(), "its id was made of"),
        (of_the_other("resource"), "hash of its content"),
        ("resource = replace(resource, '50', '500')".to_owned(), "hash of its content"),
        ("resource = '{'".to_owned(), "hash of its content"),
        ("state = replace(state, '\"findings\":', '\"findings\":1')".to_owned(), "its report"),
    ] {
        let mut before = Vec::new();
        for column in ["order_key"].into_iter().chain(kept) {
            let value = place
                .lines(&format!("SELECT COALESCE({column}, '(none)') FROM items WHERE id = '{one}'"))
                .await
                .remove(0);
            before.push(if value == "(none)" {
                format!("{column} = NULL")
            } else {
                format!("{column} = '{}'", value.replace('\'', "''"))
            });
        }
        place.tamper(&format!("UPDATE items SET {set} WHERE id = '{one}'")).await;
        let wrong = store.verify().await.expect_err(&set).to_string();
        assert!(wrong.contains(why) && wrong.contains(&one.to_string()), "{set}: {wrong}");
        place.tamper(&format!("UPDATE items SET {} WHERE id = '{one}'", before.join(", "))).await;
        store.verify().await.unwrap();
    }
}

/// What was written is missing only where a purge removed the item as well.
pub async fn an_entry_that_was_emptied_is_named(place: Place) {
    let store = place.open().await;
    let ann = pharmacist("ann");
    for n in 0..3 {
        put(&store, order(n, 1, n as i64)).await;
    }
    store.act(order(0, 1, 0).id(), command(&ann, 1, 5, accept())).await.unwrap();
    store.viewed(order(2, 1, 2).id(), ann.clone(), at(6)).await.unwrap();
    // The first of several of an item, the last, one between others of a purge, and the only one.
    let emptied = async |seq: usize| {
        let text = place.lines(&format!("SELECT detail FROM trail WHERE seq = {seq}")).await.remove(0);
        place.tamper(&format!("UPDATE trail SET detail = NULL WHERE seq = {seq}")).await;
        let wrong = store.verify().await.expect_err("an entry is empty").to_string();
        place.tamper(&format!("UPDATE trail SET detail = '{}' WHERE seq = {seq}", text.replace('\'', "''"))).await;
        store.verify().await.unwrap();
        wrong
    };
    for seq in 1..=5 {
        let wrong = emptied(seq).await;
        assert!(wrong.contains("entry"), "{seq}: {wrong}");
    }
    // A purge of one item explains nothing of the others, before it or after it.
    assert_eq!(store.purge(at(100), person("ops", Role::Coordinator), at(1000)).await.unwrap(), 1);
    put(&store, order(3, 1, 1001)).await;
    assert_eq!(store.verify().await.unwrap().purged, 2);
    for seq in [2, 3, 5, 7] {
        let wrong = emptied(seq).await;
        assert!(wrong.contains("entry") || wrong.contains("it has no trail"), "{seq}: {wrong}");
    }
    // What was removed and comes again has a trail of its own, which is whole.
    put(&store, order(0, 1, 1002)).await;
    store.act(order(0, 1, 0).id(), command(&ann, 1, 1003, accept())).await.unwrap();
    assert_eq!(store.verify().await.unwrap().purged, 2);
    for seq in [8, 9] {
        assert!(emptied(seq).await.contains("entry"), "{seq}");
    }
}

/// Removing what is past its time, while somebody works on it and it comes again: all of it is told, and the trail is whole.
pub async fn a_purge_and_what_is_about_the_same_item_at_once_are_apart(place: Place) {
    let store = place.open().await;
    let ann = pharmacist("ann");
    let id = put(&store, order(0, 1, 0)).await;
    store.act(id.clone(), command(&ann, 1, 5, accept())).await.unwrap();
    let held = place.hold().await;
    let (first, purge) = (put(&store, order(1, 1, 6)), store.purge(at(100), ann.clone(), at(1000)));
    let (view, again) = (store.viewed(id.clone(), ann.clone(), at(1000)), put(&store, order(0, 1, 1000)));
    let (_, viewed, removed, again, ()) = tokio::join!(first, view, purge, again, async {
        tokio::time::sleep(std::time::Duration::from_millis(300)).await;
        drop(held);
    });
    viewed.unwrap();
    assert_eq!((removed.unwrap(), again), (1, id.clone()));
    let words: Vec<_> = store.trail(id).await.unwrap().iter().map(|entry| entry.what.word()).collect();
    assert_eq!(words, ["recorded"]);
    store.verify().await.unwrap();
}

pub async fn tables_go_forward_and_one_version_back(place: Place) {
    use enteral_gate::store::schema::VERSION;
    let store = place.open().await;
    let id = put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    let at = place.text();
    let before = enteral_gate::store::tables(&at, Some(VERSION - 1)).await.unwrap();
    assert_eq!(before, VERSION - 1);
    // The version before works on them, as this one does again after it has brought them forward.
    let store = place.open().await;
    assert!(store.get(id.clone()).await.unwrap().is_some());
    put(&store, order(1, 2, 1)).await;
    store.close().await.unwrap();
    assert_eq!(enteral_gate::store::tables(&at, None).await.unwrap(), VERSION);
    // Tables of a newer program: those that say that this one can work on them are used, others are not.
    let pretend = async |version, works_with| {
        place.tamper(&format!("UPDATE layout SET version = {version}, works_with = {works_with}")).await;
    };
    pretend(VERSION + 1, VERSION).await;
    let store = place.open().await;
    assert_eq!(all(&store).await.len(), 2);
    store.close().await.unwrap();
    pretend(VERSION + 2, VERSION + 1).await;
    let refused = enteral_gate::store::open(&at, Default::default()).await.err().unwrap().to_string();
    assert!(refused.contains("newer program"), "{refused}");
}

/// Other times of the institution put what is kept elsewhere, in lists and on their pages, however they are worked out.
pub async fn other_times_sort_what_is_kept_again(place: Place) {
    let store = place.open().await;
    // One that starts soon after it was received, and one that was received before.
    let starts = Received { starts: Some(at(25)), ..order(1, 1, 20) };
    let (starts, waits) = (put(&store, starts).await, put(&store, order(2, 1, 10)).await);
    let by_pages = async |store: &SqlStore| {
        let first = store.list(query(1)).await.unwrap();
        let rest = store.list(Query { after: first.next.clone(), ..query(1) }).await.unwrap();
        assert_eq!(rest.next, None);
        [&first, &rest].map(|page| page.items[0].id.clone())
    };
    assert_eq!(by_pages(&store).await, [starts.clone(), waits.clone()]);
    assert_eq!(store.sort_again(at(30)).await.unwrap(), 0, "by the same times nothing moves");
    let entries = store.verify().await.unwrap().entries;
    store.close().await.unwrap();
    let policy = Policy { times: Times::minutes([5; 5], 0), ..Policy::default() };
    let store = place.open_by(policy).await;
    assert_eq!(by_pages(&store).await, [starts.clone(), waits.clone()], "as it was sorted");
    assert_eq!(store.sort_again(at(31)).await.unwrap(), 1, "the start of the other comes first by either");
    assert_eq!(by_pages(&store).await, [waits.clone(), starts.clone()]);
    store.hold_at_most(0);
    assert_eq!(by_pages(&store).await, [waits.clone(), starts.clone()]);
    let line = place.lines("SELECT line FROM trail ORDER BY seq DESC LIMIT 1").await.remove(0);
    assert!(line.contains("sorted-again") && line.contains("\"count\":1"), "{line}");
    assert_eq!(store.sort_again(at(32)).await.unwrap(), 0);
    assert_eq!(store.verify().await.unwrap().entries, entries + 1);
    // What is written from then on stands by them too.
    store.act(waits.clone(), command(&pharmacist("ann"), 1, 33, Action::Take)).await.unwrap();
    let soon = put(&store, order(3, 1, 14)).await;
    assert_eq!(all(&store).await.iter().map(|s| s.id.clone()).collect::<Vec<_>>(), [waits, soon, starts]);
    assert_eq!(store.sort_again(at(34)).await.unwrap(), 0);
}

/// What is sorted again keeps nobody from writing: it is looked through without that, and written in parts, of which those
/// that were written stay when one fails.
pub async fn what_is_sorted_again_is_written_in_parts(place: Place) {
    let store = place.open().await;
    store.record((0..1100).map(|n| order(n, 1, 0)).collect()).await.unwrap();
    let keys = async |sql: &str| place.lines(&format!("SELECT DISTINCT sort_key FROM items {sql} ORDER BY 1")).await;
    let before = keys("").await;
    assert_eq!(before.len(), 1, "all are of the same grade and time");
    let held = place.hold().await;
    assert_eq!(store.sort_again(at(1)).await, Ok(0), "nothing is to be written, so nobody is waited for");
    drop(held);
    store.close().await.unwrap();
    let ids = place.lines("SELECT id FROM items ORDER BY id").await;
    let policy = Policy { times: Times::minutes([5; 5], 0), ..Policy::default() };
    let store = place.open_by(policy).await;
    // The two last cannot both stand elsewhere.
    let (a, b, old) = (&ids[1098], &ids[1099], &before[0]);
    let only =
        format!("CREATE UNIQUE INDEX one ON items (standing) WHERE id IN ('{a}', '{b}') AND sort_key <> '{old}'");
    place.tamper(&only).await;
    let lines = async || place.lines("SELECT line FROM trail WHERE item IS NULL ORDER BY seq").await;
    assert!(store.sort_again(at(2)).await.is_err());
    assert_eq!(keys(&format!("WHERE id <= '{}'", ids[999])).await.len(), 1);
    assert_eq!(keys(&format!("WHERE id > '{}'", ids[999])).await, before);
    let counts = |lines: Vec<String>| {
        let of = |line: &String| ["500", "100"].into_iter().find(|n| line.contains(&format!("\"count\":{n}"))).unwrap();
        assert!(lines.iter().all(|line| line.contains("sorted-again")), "{lines:?}");
        lines.iter().map(of).collect::<Vec<_>>()
    };
    assert_eq!(counts(lines().await), ["500", "500"], "each part with its line");
    place.tamper("DROP INDEX one").await;
    assert_eq!(store.sort_again(at(3)).await, Ok(100), "the rest");
    assert_eq!(counts(lines().await), ["500", "500", "100"]);
    let after = keys("").await;
    assert!(after.len() == 1 && after != before, "{after:?}");
    // What cannot be read holds up no other.
    place.tamper(&format!("UPDATE items SET grade = 999, sort_key = '{old}' WHERE id = '{}'", ids[5])).await;
    place.tamper(&format!("UPDATE items SET sort_key = '{old}' WHERE id = '{}'", ids[6])).await;
    assert_eq!(store.sort_again(at(4)).await, Ok(1));
    store.close().await.unwrap();
}

pub async fn everything_is_there_after_it_was_closed(place: Place) {
    let store = place.open().await;
    let ids: Vec<_> = (0..20).map(|n| order(n, 1, n as i64)).collect();
    store.record(ids.clone()).await.unwrap();
    store.act(ids[0].id(), command(&pharmacist("ann"), 1, 30, accept())).await.unwrap();
    let before = all(&store).await;
    store.close().await.unwrap();
    let closed = store.record(vec![order(1, 1, 1)]).await;
    assert!(matches!(&closed, Err(Unavailable::Database(why)) if why.contains("closed")), "{closed:?}");
    let again = place.open().await;
    assert_eq!(all(&again).await, before);
    assert_eq!(again.health().last_order, Some(at(19)));
}
