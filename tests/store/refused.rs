//! What the database does not take: texts that one of the two cannot keep, and orders that it refuses for what is in them.

use crate::orders::{Folder, GAPS, Place, appraised, at, command, json, order, pharmacist, put, query, shown};
use enteral_gate::queue::item::Received;
use enteral_gate::queue::work::Action;
use enteral_gate::store::views::{Change as ViewChange, View};
use enteral_gate::store::{CardAnswer, Filter, NotDone, Query, Store, Unavailable};
use std::time::{Duration, Instant};

async fn until(what: &str, store: &dyn Store, holds: impl Fn(&dyn Store) -> bool) {
    let end = Instant::now() + Duration::from_secs(30);
    while !holds(store) {
        assert!(Instant::now() < end, "{what}: {:?}", store.health());
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// U+0000 is a character of JSON, and none of PostgreSQL's texts: it is kept visibly, and the order as it was sent.
pub async fn a_text_with_u_0000_is_kept_and_found(place: Place) {
    let store = place.open().await;
    let text = json("n1\\u0000x", "p\\u0000q", GAPS);
    let mut one = appraised(&text, 0);
    assert_eq!((one.key.patient.as_str(), one.key.order.as_str()), ("Patient/p\0q", "n1\0x"), "it is read as it is");
    one.ward = Some("Ward\0A".to_owned());
    one.cards = vec![shown("card-1", &[])];
    let id = put(&store, one.clone()).await;
    put(&store, order(2, 1, 0)).await;
    for shown in ["SELECT patient FROM items", "SELECT ward FROM items", "SELECT search FROM items"] {
        let shown = place.lines(&format!("{shown} WHERE id = '{id}'")).await.remove(0);
        assert!(shown.contains('\u{FFFD}') && !shown.contains('\0'), "{shown:?}");
    }
    let kept = store.get(id.clone()).await.unwrap().unwrap();
    assert!(kept.resource.contains(r#""id":"n1\u0000x""#), "as it was sent: {}", kept.resource);
    assert_eq!(kept.summary.key, one.key);
    // Whoever looks for it finds it, whether lists are worked out in memory or by the database; and reading is no trouble.
    for held in [true, false] {
        if !held {
            store.hold_at_most(0);
        }
        for filter in [
            Filter { patient: Some("Patient/p\0q".to_owned()), ..Filter::default() },
            Filter { ward: Some("Ward\0A".to_owned()), ..Filter::default() },
            Filter { search: "p\0q ward\0a".to_owned(), ..Filter::default() },
        ] {
            let found = store.list(Query { filter: filter.clone(), ..query(10) }).await.unwrap();
            assert_eq!(found.items.iter().map(|item| &item.id).collect::<Vec<_>>(), [&id], "{held} {filter:?}");
        }
        let none = Filter { by: Some("x\0".to_owned()), rule: Some("y\0".to_owned()), ..Filter::default() };
        assert_eq!(store.list(Query { filter: none, ..query(10) }).await.unwrap().total, 0);
    }
    // What people and callers write: a command is done once, however often it comes.
    let ann = pharmacist("ann");
    let mut comment = command(&ann, 1, 1, Action::Comment { text: "one\0two".to_owned() });
    comment.id = "command\0".to_owned();
    store.act(id.clone(), comment.clone()).await.unwrap();
    store.act(id.clone(), comment).await.unwrap();
    let answer = |card: &str| CardAnswer {
        card: card.to_owned(),
        accepted: false,
        reason: Some("own\0reason".to_owned()),
        offered: true,
        comment: Some("a\0comment".to_owned()),
        at: at(2),
        said: at(2),
    };
    assert_eq!(store.feedback(vec![answer("card-1"), answer("no\0card")]).await.unwrap(), 1);
    let view = View { name: "own\0view".to_owned(), query: "q=\0".to_owned() };
    store.set_view("ann\0".to_owned(), ViewChange::Keep(view)).await.unwrap();
    assert_eq!(store.views("ann\0".to_owned()).await.unwrap().len(), 1);
    let trail = store.trail(id.clone()).await.unwrap();
    let words: Vec<&str> = trail.iter().map(|entry| entry.what.word()).collect();
    assert_eq!(words, ["recorded", "comment", "card-answered"]);
    // Once more, with another ward: the columns are written anew.
    put(&store, Received { ward: Some("Ward\0B".to_owned()), at: at(3), ..one }).await;
    assert_eq!(place.lines(&format!("SELECT ward FROM items WHERE id = '{id}'")).await, ["Ward\u{FFFD}B"]);
    let health = store.health();
    assert_eq!((health.trouble, health.waiting, health.lost, health.refused), (None, 0, 0, 0));
    store.verify().await.unwrap();
    store.close().await.unwrap();
    // A copy has the same, whichever database it is of.
    let folder = Folder::new();
    let copy = folder.join("copy.sqlite");
    assert_eq!(enteral_gate::store::backup::backup(&place.text(), &copy).await.unwrap().items, 2);
}

/// An order that the database refuses is tried some times by itself, holds up no other, and is given up and named.
pub async fn what_is_refused_again_and_again_is_given_up_and_named(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    // Nobody else may be patient 1.
    let only = "CREATE UNIQUE INDEX one ON items (patient) WHERE patient = 'Patient/p1'";
    place.tamper(only).await;
    let mut refused = order(2, 1, 1);
    refused.key.patient = "Patient/p1".to_owned();
    let id = refused.id();
    // With others at once: they are recorded, and only the one is not.
    let held = place.hold().await;
    let came = {
        let together = [refused.clone(), order(3, 1, 1), order(4, 1, 1)].map(|one| store.record(vec![one]));
        let together = futures_util::future::join_all(together);
        let (came, ()) = tokio::join!(together, async {
            tokio::time::sleep(Duration::from_millis(200)).await;
            drop(held);
        });
        came
    };
    assert!(matches!(came[0], Err(Unavailable::Refused(_))), "{came:?}");
    assert!(came[1].is_ok() && came[2].is_ok(), "{came:?}");
    // While it waits, nobody is turned away.
    assert_eq!(store.health().waiting, 1);
    for n in 5..8 {
        put(&store, order(n, 1, 2)).await;
    }
    until("it is given up", &store, |store| store.health().refused == 1).await;
    let health = store.health();
    assert_eq!((health.waiting, health.lost), (0, 0), "{health:?}");
    let named = health.last_refused.unwrap();
    assert!(named.contains(id.as_str()) && !named.contains("Patient/p1"), "{named}");
    assert!(store.get(id.clone()).await.unwrap().is_none());
    put(&store, order(8, 1, 3)).await;
    assert_eq!(store.health().trouble, None);
    // In an operation with others all are refused, and the others recorded when they are tried by themselves.
    let came = store.record(vec![order(9, 1, 4), Received { at: at(4), ..refused.clone() }, order(10, 1, 4)]).await;
    assert!(matches!(came, Err(Unavailable::Refused(_))), "{came:?}");
    until("the others are recorded", &store, |store| store.health().waiting <= 1).await;
    for n in [9, 10] {
        assert!(store.get(order(n, 1, 4).id()).await.unwrap().is_some(), "{n}");
    }
    // What closes the store tries each by itself as well.
    let came = store.record(vec![order(11, 1, 5), Received { at: at(5), ..refused }, order(12, 1, 5)]).await;
    assert!(came.is_err());
    store.close().await.unwrap();
    let again = place.open().await;
    for n in [11, 12] {
        assert!(again.get(order(n, 1, 5).id()).await.unwrap().is_some(), "{n}");
    }
    assert!(again.get(id).await.unwrap().is_none());
    again.verify().await.unwrap();
}

/// What a person does and the database refuses is said to them, and not to others at the same time.
pub async fn an_action_that_is_refused_fails_alone(place: Place) {
    let store = place.open().await;
    let ids = [put(&store, order(1, 1, 0)).await, put(&store, order(2, 1, 0)).await];
    place.tamper(&format!("CREATE UNIQUE INDEX one ON trail (item) WHERE item = '{}'", ids[0])).await;
    let ann = pharmacist("ann");
    let held = place.hold().await;
    let both = ids.clone().map(|id| store.act(id, command(&ann, 1, 1, Action::Take)));
    let (came, ()) = tokio::join!(futures_util::future::join_all(both), async {
        tokio::time::sleep(Duration::from_millis(200)).await;
        drop(held);
    });
    assert!(matches!(came[0], Err(NotDone::Unavailable(Unavailable::Refused(_)))), "{came:?}");
    assert!(came[1].is_ok(), "{came:?}");
}
