//! What writes ends by a fault; and invented orders for other tests.

use super::*;
use crate::findings::Disposition;
use crate::queue::Role;
use crate::queue::item::{OrderKey, Received};
use crate::queue::policy::Policy;
use crate::queue::report::{Report, Versions};
use crate::store::{Filter, Query, Sort, SqlStore, Store};
use sqlx::Connection as _;
use std::path::PathBuf;
use std::time::Duration;

pub(crate) struct Folder(PathBuf);

impl Folder {
    pub(crate) fn new() -> Self {
        let path = std::env::temp_dir().join(format!("eg-writer-{}", uuid::Uuid::new_v4()));
        std::fs::create_dir(&path).unwrap();
        Self(path)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

impl Folder {
    pub(crate) fn place(&self) -> PathBuf {
        self.0.join("queue.sqlite")
    }
}

/// An invented order that is flagged.
pub(crate) fn order(n: usize) -> Received {
    let word = String::new;
    let by = Versions {
        program: word(),
        rulebook: word(),
        rulebook_hash: word(),
        formulary: word(),
        formulary_hash: word(),
        settings_hash: word(),
        fhir_version: word(),
        time_zone: word(),
        demo: true,
    };
    let report = Report {
        disposition: Disposition::Flagged,
        findings: Vec::new(),
        not_evaluated: Vec::new(),
        not_provided: Vec::new(),
        switched_off: Vec::new(),
        notes: Vec::new(),
        delivered: Vec::new(),
        day: None,
        data: Vec::new(),
        assumptions: Vec::new(),
        by,
        sheet: None,
    };
    let key = OrderKey { client: word(), base: word(), patient: format!("Patient/p{n}"), order: format!("n{n}") };
    Received {
        key,
        content: format!("{n:064x}"),
        label: format!("n{n}"),
        through: "$validate".to_owned(),
        resource: "{}".to_owned(),
        identity: Default::default(),
        ward: None,
        starts: None,
        at: Timestamp::from_second(1_790_000_000).unwrap(),
        late: None,
        report: Arc::new(report),
        cards: Vec::new(),
    }
}

async fn fault(store: &SqlStore) -> Result<(), Unavailable> {
    store.written(|done| Op::Fault { done }).await
}

/// A store with one order, of which what writes has ended.
pub(crate) async fn ended() -> (Folder, SqlStore) {
    let folder = Folder::new();
    let store = SqlStore::sqlite(&folder.0.join("queue.sqlite"), Policy::default()).await.unwrap();
    store.record(vec![order(1)]).await.unwrap();
    assert_eq!(fault(&store).await, Err(Unavailable::Ended));
    (folder, store)
}

/// What writes ends in the middle of a batch: whoever waits is told, nobody is told that anything was kept, and every
/// order that is not is counted.
#[tokio::test(flavor = "multi_thread")]
async fn what_ends_while_others_wait_is_said_to_each_and_for_good() {
    const OTHERS: usize = MOST_OF_A_BATCH + 100;
    let folder = Folder::new();
    let path = folder.0.join("queue.sqlite");
    let store = Arc::new(SqlStore::sqlite(&path, Policy::default()).await.unwrap());
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(&path);
    let mut holds = sqlx::SqliteConnection::connect_with(&options).await.unwrap();
    sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut holds).await.unwrap();
    let first = tokio::spawn({
        let store = store.clone();
        async move { store.record(vec![order(0)]).await }
    });
    tokio::time::sleep(Duration::from_millis(200)).await;
    // The next batch has the fault in it; the rest waits for one after that.
    let one = order(1);
    let mut waits = Vec::new();
    for n in 0..OTHERS {
        let (store, mut one) = (store.clone(), one.clone());
        one.key.order = format!("other-{n}");
        waits.push(tokio::spawn(async move {
            if n == 300 { fault(&store).await } else { store.record(vec![one]).await.map(drop) }
        }));
    }
    tokio::time::sleep(Duration::from_millis(300)).await;
    holds.close().await.unwrap();
    assert!(first.await.unwrap().is_ok());
    for wait in waits {
        assert_eq!(wait.await.unwrap(), Err(Unavailable::Ended));
    }
    let health = store.health();
    assert!(health.ended && !health.looking && health.since.is_some(), "{health:?}");
    assert_eq!((health.lost, health.waiting), (OTHERS as u64 - 1, 0));
    // It stays so, and everything can be looked at.
    let at = Timestamp::from_second(1_790_000_000).unwrap();
    let query = Query { filter: Filter::default(), sort: Sort::Urgency, after: None, limit: 10, now: at };
    let page = store.list(query).await.unwrap();
    assert_eq!(page.total, 1, "nothing of a batch that was not written");
    let by = Person { id: "ann".to_owned(), name: "Invented ann".to_owned(), role: Role::Pharmacist };
    assert_eq!(store.viewed(page.items[0].id.clone(), by, at).await, Err(Unavailable::Ended));
    assert_eq!(store.record(vec![order(2)]).await, Err(Unavailable::Ended));
    let health = store.health();
    assert_eq!((health.lost, health.waiting), (OTHERS as u64, 0));
    assert!(health.trouble.unwrap().contains("restart the service"));
    tokio::time::timeout(Duration::from_secs(10), store.close()).await.expect("it can be closed").unwrap();
}
