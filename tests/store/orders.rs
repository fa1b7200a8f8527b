//! Invented orders, and stores to put them in.

use crate::cluster;
use enteral_gate::appraise::Institution;
use enteral_gate::formulary::Formulary;
use enteral_gate::http::samples;
use enteral_gate::intake::json::{Document, Limits};
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::queue::item::{CardShown, ItemId, Received, content_hash};
use enteral_gate::queue::policy::Policy;
use enteral_gate::queue::work::{Action, Command, Reason};
use enteral_gate::queue::{Lane, Person, Role};
use enteral_gate::rulebook::Rulebook;
use enteral_gate::settings::Settings;
use enteral_gate::store::{Query, SqlStore, Store};
use jiff::Timestamp;
use std::future::Future;
use std::path::PathBuf;
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};

/// Where a store is.
#[derive(Clone)]
pub enum Place {
    Sqlite(PathBuf),
    Postgres(String),
}

impl Place {
    pub async fn open(&self) -> SqlStore {
        self.open_by(Policy::default()).await
    }

    pub async fn open_by(&self, policy: Policy) -> SqlStore {
        let store = self.open_plain(policy).await;
        store.pack_like(samples());
        store
    }

    /// Opens it without anything that reports could be packed like.
    pub async fn open_plain(&self, policy: Policy) -> SqlStore {
        match self {
            Self::Sqlite(path) => SqlStore::sqlite(path, policy).await.unwrap(),
            Self::Postgres(url) => SqlStore::postgres(url, policy).await.unwrap(),
        }
    }

    /// Changes it past the program.
    pub async fn tamper(&self, sql: &str) {
        use sqlx::{AssertSqlSafe, Connection};
        let sql = AssertSqlSafe(sql.to_owned());
        match self {
            Self::Sqlite(path) => {
                let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
                let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
                sqlx::raw_sql(sql).execute(&mut conn).await.unwrap();
                conn.close().await.unwrap();
            }
            Self::Postgres(url) => {
                let mut conn = sqlx::postgres::PgConnection::connect(url).await.unwrap();
                sqlx::raw_sql(sql).execute(&mut conn).await.unwrap();
                conn.close().await.unwrap();
            }
        }
    }

    /// Keeps everybody from writing, past the program, until what it gives is dropped.
    pub async fn hold(&self) -> Holding {
        use sqlx::Connection;
        match self {
            Self::Sqlite(path) => {
                let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
                let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
                sqlx::raw_sql("BEGIN IMMEDIATE").execute(&mut conn).await.unwrap();
                Holding::Sqlite(conn)
            }
            Self::Postgres(url) => {
                let mut conn = sqlx::postgres::PgConnection::connect(url).await.unwrap();
                // The lock of `begin` in `store/sql.rs`.
                sqlx::raw_sql("SELECT pg_advisory_lock(7310945218734)").execute(&mut conn).await.unwrap();
                Holding::Postgres(conn)
            }
        }
    }

    /// The texts of a column, past the program.
    pub async fn lines(&self, sql: &str) -> Vec<String> {
        use sqlx::{AssertSqlSafe, Connection};
        let sql = AssertSqlSafe(sql.to_owned());
        match self {
            Self::Sqlite(path) => {
                let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
                let mut conn = sqlx::sqlite::SqliteConnection::connect_with(&options).await.unwrap();
                sqlx::query_scalar(sql).fetch_all(&mut conn).await.unwrap()
            }
            Self::Postgres(url) => {
                let mut conn = sqlx::postgres::PgConnection::connect(url).await.unwrap();
                sqlx::query_scalar(sql).fetch_all(&mut conn).await.unwrap()
            }
        }
    }

    /// As `--store` takes it.
    pub fn text(&self) -> String {
        match self {
            Self::Sqlite(path) => path.display().to_string(),
            Self::Postgres(url) => url.clone(),
        }
    }
}

/// A connection that holds something.
#[expect(dead_code, reason = "held, and not used")]
pub enum Holding {
    Sqlite(sqlx::sqlite::SqliteConnection),
    Postgres(sqlx::postgres::PgConnection),
}

/// Says something that is to be seen of a test that passes as well.
pub fn said(text: &str) {
    use std::io::Write;
    // Not by `println!`, which is kept back; and on a line of its own.
    let _ = writeln!(std::io::stdout().lock(), "\n{text}");
}

/// A folder that is removed at the end.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new() -> Self {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let n = NUMBER.fetch_add(1, Ordering::Relaxed);
        let path = std::env::temp_dir().join(format!("eg-store-{}-{n}", std::process::id()));
        std::fs::create_dir_all(&path).unwrap();
        Self(path)
    }

    pub fn join(&self, name: &str) -> PathBuf {
        self.0.join(name)
    }
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

pub fn runtime() -> tokio::runtime::Runtime {
    tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap()
}

pub fn on_sqlite<F: Future<Output = ()>>(behaviour: fn(Place) -> F) {
    let folder = Folder::new();
    runtime().block_on(behaviour(Place::Sqlite(folder.join("queue ü%.sqlite"))));
}

pub fn on_postgres<F: Future<Output = ()>>(behaviour: fn(Place) -> F) {
    runtime().block_on(behaviour(Place::Postgres(cluster::shared().database())));
}

/// A minute of the invented day.
pub fn at(minute: i64) -> Timestamp {
    Timestamp::from_second(1_790_000_000 + minute * 60).unwrap()
}

pub fn person(id: &str, role: Role) -> Person {
    Person { id: id.to_owned(), name: format!("Invented {id}"), role }
}

pub fn pharmacist(id: &str) -> Person {
    person(id, Role::Pharmacist)
}

/// An order: its id, its patient, and what is in it.
pub fn json(id: &str, patient: &str, rest: &str) -> String {
    format!(
        r#"{{"resourceType":"NutritionOrder","id":"{id}","status":"draft","intent":"order","patient":{{"reference":"Patient/{patient}"}},"dateTime":"2026-11-25"{rest}}}"#
    )
}

/// An order with something missing and something wrong in it.
pub const GAPS: &str = r#","enteralFormula":{"administration":[{"rateQuantity":{"value":50,"unit":"mL/h"}}]}"#;

/// A card that showed these rules.
pub fn shown(id: &str, rules: &[String]) -> CardShown {
    CardShown { id: id.to_owned(), rules: rules.to_vec() }
}

fn formulary() -> &'static Formulary {
    static FORMULARY: OnceLock<Formulary> = OnceLock::new();
    FORMULARY.get_or_init(|| {
        let csv = include_bytes!("../../deploy/demo/formulary.csv");
        Formulary::from_csv("formulary.csv", csv).unwrap()
    })
}

/// What the institution that judges these orders says of invented ones.
pub fn samples() -> &'static [String] {
    static SAMPLES: OnceLock<Vec<String>> = OnceLock::new();
    SAMPLES.get_or_init(|| {
        let (rulebook, settings) = (Rulebook::default(), Settings::default());
        samples::reports(Institution { formulary: formulary(), rulebook: &rulebook, settings: &settings })
    })
}

pub fn appraised(order: &str, minute: i64) -> Received {
    let settings = Settings::default();
    let appraisal = enteral_gate::appraise::check(order.as_bytes(), "", FhirVersion::R4, formulary(), &settings);
    let one = &appraisal.orders[0];
    let mut out = Received::of(&appraisal, one, &[]);
    out.at = at(minute);
    out.through = "$validate".to_owned();
    out
}

/// Puts another order as it was sent in the place of what was.
pub fn holds(order: &mut Received, resource: String) {
    let document = Document::read(resource.as_bytes(), &Limits::default()).unwrap();
    order.content = content_hash(document.root());
    order.resource = resource;
}

/// Order `n` of patient `n`, its content told apart by `content`.
pub fn order(n: usize, content: usize, minute: i64) -> Received {
    static ONE: OnceLock<Received> = OnceLock::new();
    let mut out = ONE.get_or_init(|| appraised(&json("n", "p", GAPS), 0)).clone();
    holds(&mut out, json(&format!("n{n}"), &format!("p{n}"), &format!(r#","note":[{{"text":"{content}"}}]{GAPS}"#)));
    out.key.order = format!("n{n}");
    out.key.patient = format!("Patient/p{n}");
    out.label = format!("n{n}");
    out.at = at(minute);
    out
}

pub fn accept() -> Action {
    Action::Accept { reason: Reason { code: "suits-this-patient".to_owned(), text: None } }
}

pub fn command(by: &Person, seen: u64, minute: i64, action: Action) -> Command {
    let lane = by.role.lane().unwrap_or(Lane::Pharmacist);
    Command { id: String::new(), by: by.clone(), at: at(minute), lane, seen, action }
}

pub fn query(limit: usize) -> Query {
    Query { filter: Default::default(), sort: Default::default(), after: None, limit, now: at(10_000) }
}

/// Every item that there is, page by page.
pub async fn all(store: &dyn Store) -> Vec<enteral_gate::queue::item::Summary> {
    let mut out = Vec::new();
    let mut query = query(200);
    loop {
        let page = store.list(query.clone()).await.unwrap();
        out.extend(page.items);
        match page.next {
            Some(next) => query.after = Some(next),
            None => return out,
        }
    }
}

/// Records one order.
pub async fn put(store: &dyn Store, order: Received) -> ItemId {
    let recorded = store.record(vec![order]).await.unwrap();
    recorded[0].item().unwrap().clone()
}
