//! An upgrade that is taken back: the program of the version before works on tables that were taken back, and on those of
//! this program, which it may find in a rollout; and this program finds all of that.
//!
//! The statements are those of the program that knew version 8 of the tables, as its source had them. What it would have
//! written is what this program writes into a twin, by the columns that were known then.

use crate::orders::{Folder, Place, accept, all, at, command, order, person, pharmacist, put, query, shown};
use enteral_gate::queue::Role;
use enteral_gate::queue::work::{Action, Command};
use enteral_gate::store::backup::backup;
use enteral_gate::store::schema::VERSION;
use enteral_gate::store::{CardAnswer, Store, tables};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Connection as _, Row as _};
use std::collections::{BTreeMap, BTreeSet};

/// The version that the program below knew.
const BEFORE: i64 = 8;

#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
enum Value {
    Text(Option<String>),
    Number(Option<i64>),
    Bytes(Option<Vec<u8>>),
}

use Value::{Number, Text};

fn text(text: &str) -> Value {
    Text(Some(text.to_owned()))
}

type Line = Vec<Value>;

/// A table, its columns and what they hold: text, numbers or bytes.
struct Table {
    name: &'static str,
    columns: &'static [&'static str],
    hold: &'static str,
}

const ITEMS: Table = Table {
    name: "items",
    columns: &[
        "id",
        "order_key",
        "standing",
        "sort_key",
        "grade",
        "tier",
        "not_checked",
        "ward",
        "patient",
        "starts",
        "received",
        "changed",
        "pharmacist",
        "pharmacist_by",
        "pharmacist_until",
        "dietitian",
        "dietitian_by",
        "dietitian_until",
        "rules",
        "search",
        "state",
        "report",
        "report_packed",
        "report_dictionary",
        "resource",
    ],
    hold: "ttttntnttnnnttnttnttttbtt",
};
const TRAIL: Table = Table { name: "trail", columns: &["seq", "line", "item", "detail", "command"], hold: "ntttt" };
const CARDS: Table = Table { name: "cards", columns: &["card", "item"], hold: "tt" };
const COUNTS: Table = Table { name: "counts", columns: &["day", "rule", "fate", "reason", "n"], hold: "ttttn" };
const VOTES: Table = Table { name: "votes", columns: &["item", "rule", "person", "useful"], hold: "tttn" };
const MOVES: Table = Table { name: "moves", columns: &["at_seq", "item"], hold: "nt" };
const ALL: [&Table; 6] = [&ITEMS, &TRAIL, &CARDS, &COUNTS, &VOTES, &MOVES];

/// A connection past the program.
struct Past {
    conn: AnyConnection,
    numbered: bool,
}

impl Past {
    async fn of(place: &Place) -> Self {
        sqlx::any::install_default_drivers();
        let (url, numbered) = match place {
            Place::Sqlite(path) => {
                let name = path.to_str().unwrap().replace('%', "%25").replace(' ', "%20").replace('ü', "%C3%BC");
                (format!("sqlite://{name}"), false)
            }
            Place::Postgres(url) => (url.clone(), true),
        };
        Self { conn: AnyConnection::connect(&url).await.unwrap(), numbered }
    }

    /// `?, ?` or `$1, $2`, from a place on.
    fn marks(&self, after: usize, n: usize) -> String {
        let mark = |nth: usize| if self.numbered { format!("${}", after + nth) } else { "?".to_owned() };
        (1..=n).map(mark).collect::<Vec<_>>().join(", ")
    }

    fn bound(sql: &str, values: Line) -> sqlx::query::Query<'static, sqlx::Any, sqlx::any::AnyArguments> {
        values.into_iter().fold(sqlx::query(AssertSqlSafe(sql.to_owned())), |query, value| match value {
            Value::Text(text) => query.bind(text),
            Value::Number(n) => query.bind(n),
            Value::Bytes(bytes) => query.bind(bytes),
        })
    }

    async fn run(&mut self, sql: &str, values: Line) -> u64 {
        let done = Self::bound(sql, values).execute(&mut self.conn).await;
        done.unwrap_or_else(|error| panic!("{sql}: {error}")).rows_affected()
    }

    async fn rows(&mut self, sql: &str, values: Line, hold: &str) -> Vec<Line> {
        let rows = Self::bound(sql, values).fetch_all(&mut self.conn).await;
        let rows = rows.unwrap_or_else(|error| panic!("{sql}: {error}"));
        let value = |row: &AnyRow, nth: usize, hold: char| match hold {
            't' => Text(row.try_get(nth).unwrap()),
            'n' => Number(row.try_get(nth).unwrap()),
            _ => Value::Bytes(row.try_get(nth).unwrap()),
        };
        rows.iter().map(|row| hold.chars().enumerate().map(|(nth, hold)| value(row, nth, hold)).collect()).collect()
    }

    async fn table(&mut self, of: &Table) -> BTreeSet<Line> {
        let sql = format!("SELECT {} FROM {}", of.columns.join(", "), of.name);
        self.rows(&sql, Vec::new(), of.hold).await.into_iter().collect()
    }

    async fn everything(&mut self) -> Vec<BTreeSet<Line>> {
        let mut out = Vec::new();
        for table in ALL {
            out.push(self.table(table).await);
        }
        out
    }

    /// As that program began to write: alone.
    async fn begin(&mut self) {
        if self.numbered {
            self.run("BEGIN", Vec::new()).await;
            sqlx::raw_sql("SELECT pg_advisory_xact_lock(7310945218734)").execute(&mut self.conn).await.unwrap();
        } else {
            self.run("BEGIN IMMEDIATE", Vec::new()).await;
        }
    }

    async fn insert(&mut self, table: &Table, conflict: &str, rows: Vec<Line>) {
        let insert = if self.numbered || !conflict.is_empty() { "INSERT" } else { "INSERT OR ROLLBACK" };
        for row in rows {
            let (columns, marks) = (table.columns.join(", "), self.marks(0, row.len()));
            let sql = format!("{insert} INTO {} ({columns}) VALUES ({marks}) {conflict}", table.name);
            assert_eq!(self.run(sql.trim_end(), row).await, 1, "{sql}");
        }
    }

    /// What the program of before read before it wrote about an item, an order, a card and a command.
    async fn read_before_it_writes(&mut self, item: &Value, order: &Value) {
        let (first, second) = (self.marks(0, 1), self.marks(1, 1));
        let sql = format!(
            "SELECT id, state, NULL AS order_key, report, report_packed, report_dictionary FROM items WHERE id IN ({first}) \
             UNION ALL SELECT id, state, order_key, '', NULL, NULL FROM items \
             WHERE order_key IN ({second}) AND standing <> 'replaced'"
        );
        self.rows(&sql, vec![item.clone(), order.clone()], "ttttbt").await;
        let sql =
            "SELECT c.card, c.item FROM cards c JOIN items i ON i.id = c.item WHERE c.card IN ($1) ORDER BY i.changed";
        self.rows(sql, vec![text("card")], "tt").await;
        self.rows("SELECT command, item FROM trail WHERE command IN ($1)", vec![text("none")], "tt").await;
        let sql = "SELECT useful FROM votes WHERE item = $1 AND rule = $2 AND person = $3";
        self.rows(sql, vec![item.clone(), text("r"), text("p")], "n").await;
        self.rows("SELECT line FROM trail ORDER BY seq DESC LIMIT 1", Vec::new(), "t").await;
    }

    /// Writes what that program would have written, in one transaction, by its statements; `was` and `is` are all tables
    /// before and after.
    async fn write_as_before(&mut self, was: &[BTreeSet<Line>], is: &[BTreeSet<Line>]) {
        let new = |nth: usize| is[nth].difference(&was[nth]).cloned().collect::<Vec<Line>>();
        let by = |rows: &BTreeSet<Line>, key: usize| -> BTreeMap<Line, Line> {
            rows.iter().map(|row| (row[..key].to_vec(), row.clone())).collect()
        };
        self.begin().await;
        let before = by(&was[0], 1);
        let (changed, made): (Vec<_>, Vec<_>) = new(0).into_iter().partition(|row| before.contains_key(&row[..1]));
        for row in changed.iter().chain(&made) {
            self.read_before_it_writes(&row[0], &row[1]).await;
        }
        self.insert(&ITEMS, "", made).await;
        for row in changed {
            let old = &before[&row[..1]];
            let (mut set, mut values) = (Vec::new(), Vec::new());
            for (nth, (column, value)) in ITEMS.columns.iter().zip(&row).enumerate() {
                let fixed = ["id", "order_key", "resource", "patient", "received", "starts"].contains(column);
                // Reports only of what was judged again.
                let same = column.starts_with("report") && old[21..24] == row[21..24];
                assert!(!fixed || old[nth] == *value, "{column}");
                if !fixed && !same {
                    values.push(value.clone());
                    set.push(format!("{column} = ${}", values.len()));
                }
            }
            values.push(row[0].clone());
            let sql = format!("UPDATE items SET {} WHERE id = ${}", set.join(", "), values.len());
            assert_eq!(self.run(&sql, values).await, 1, "{sql}");
        }
        self.insert(&CARDS, "ON CONFLICT (card, item) DO NOTHING", new(2)).await;
        self.insert(&VOTES, "ON CONFLICT (item, rule, person) DO UPDATE SET useful = excluded.useful", new(4)).await;
        let before = by(&was[3], 4);
        let mut counts = new(3);
        for row in &mut counts {
            if let (Some(Number(Some(old))), Number(Some(n))) =
                (before.get(&row[..4]).map(|old| old[4].clone()), &mut row[4])
            {
                *n -= old;
            }
        }
        let more = "ON CONFLICT (day, rule, fate, reason) DO UPDATE SET n = counts.n + excluded.n";
        self.insert(&COUNTS, more, counts).await;
        self.insert(&TRAIL, "", new(1)).await;
        self.run("COMMIT", Vec::new()).await;
    }

    /// Removes what was changed last before a time, as that program did; `line` is the line that says so.
    async fn purge_as_before(&mut self, before: i64, line: Line) {
        self.begin().await;
        let old = format!("(SELECT id FROM items WHERE standing <> 'open' AND changed < {before})");
        for table in ["cards", "votes", "moves"] {
            self.run(&format!("DELETE FROM {table} WHERE item IN {old}"), Vec::new()).await;
        }
        self.run(&format!("UPDATE trail SET detail = NULL WHERE item IN {old}"), Vec::new()).await;
        self.run("DELETE FROM outbox WHERE state <> 'waiting' AND done < $1", vec![Number(Some(before))]).await;
        let sql = format!("DELETE FROM items WHERE standing <> 'open' AND changed < {before}");
        assert!(self.run(&sql, Vec::new()).await > 0);
        self.run("INSERT INTO trail (seq, line) VALUES ($1, $2)", line[..2].to_vec()).await;
        self.run("COMMIT", Vec::new()).await;
    }

    /// What that program gave of everything that is there, by its statements for pages, lists and counts.
    async fn looks(&mut self) -> Vec<Vec<Line>> {
        let mut out = Vec::new();
        let mut look = async |sql: &str, values: Line, hold: &str| out.push(self.rows(sql, values, hold).await);
        let now = vec![Number(Some(at(10_000).as_microsecond()))];
        look("SELECT MAX(received) FROM items", vec![], "n").await;
        look("SELECT order_key FROM items WHERE order_key IS NOT NULL AND standing <> 'replaced' LIMIT 9", vec![], "t")
            .await;
        // Whichever of them it is.
        let past = "SELECT CAST(1 AS BIGINT) FROM (SELECT id FROM items WHERE standing <> 'open' AND changed < $1 LIMIT 1) AS one";
        look(past, now.clone(), "n").await;
        let id = order(1, 1, 0).id();
        let get = "SELECT state, resource, report, report_packed, report_dictionary FROM items WHERE id = $1";
        look(get, vec![text(id.as_str())], "tttbt").await;
        let trail = "SELECT detail FROM trail WHERE item = $1 AND detail IS NOT NULL ORDER BY seq";
        look(trail, vec![text(id.as_str())], "t").await;
        look("SELECT COUNT(*) FROM items WHERE (standing IN ($1, $2))", vec![text("open"), text("closed")], "n").await;
        for order in ["sort_key, id", "changed DESC, id"] {
            let page = format!("SELECT state, sort_key FROM items WHERE (standing IN ($1)) ORDER BY {order} LIMIT 51");
            look(&page, vec![text("open")], "tt").await;
        }
        let line = "SELECT id, standing, sort_key, grade, tier, not_checked, ward, patient, starts, received, changed, \
                    pharmacist, pharmacist_by, pharmacist_until, dietitian, dietitian_by, dietitian_until, rules, search FROM items \
                    ORDER BY id";
        look(line, vec![], "tttntnttnnnttnttntt").await;
        let counts = "SELECT COUNT(*), COALESCE(CAST(SUM(not_checked) AS BIGINT), 0), MIN(received) FROM items WHERE standing = 'open'";
        look(counts, vec![], "nnn").await;
        for (what, values) in [
            ("COALESCE(tier, 'none')", vec![]),
            ("COALESCE(ward, '')", vec![]),
            ("CASE WHEN pharmacist_until <= $1 THEN 'open' ELSE pharmacist END", now.clone()),
        ] {
            let by = format!("SELECT {what}, COUNT(*) FROM items WHERE standing = 'open' GROUP BY 1");
            look(&by, values, "tn").await;
        }
        let statistics = "SELECT rule, fate, reason, CAST(SUM(n) AS BIGINT) FROM counts WHERE day >= $1 AND day <= $2 \
                          GROUP BY rule, fate, reason ORDER BY rule";
        look(statistics, vec![text("2020-01-01"), text("2030-01-01")], "tttn").await;
        look("SELECT seq, item FROM trail WHERE seq > $1", vec![Number(Some(2))], "nt").await;
        look("SELECT item FROM moves WHERE at_seq >= $1", vec![Number(Some(0))], "t").await;
        let ends = "SELECT (SELECT MAX(seq) FROM trail), (SELECT COUNT(*) FROM moves WHERE at_seq >= $1)";
        look(ends, vec![Number(Some(0))], "nn").await;
        for some in &mut out {
            some.sort_unstable();
        }
        out
    }
}

async fn the_program_before_works_on(place: Place, version: i64) {
    assert_eq!(VERSION - 1, BEFORE, "take the statements of the program of the version before from its source");
    let folder = Folder::new();
    let twin = Place::Sqlite(folder.join("twin.sqlite"));
    let (ann, rule) = (pharmacist("ann"), order(1, 1, 0).report.findings[0].rule.clone());
    let answer = |card: &str, minute| CardAnswer {
        card: card.to_owned(),
        accepted: true,
        reason: None,
        offered: false,
        comment: None,
        at: at(minute),
        said: at(minute),
    };
    let mut carded = order(2, 1, 0);
    carded.cards = vec![shown("card", std::slice::from_ref(&rule))];
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    put(&store, carded.clone()).await;
    let mut answered = order(4, 1, 0);
    answered.cards = vec![shown("answered", std::slice::from_ref(&rule))];
    put(&store, answered).await;
    store.act(order(4, 1, 0).id(), command(&ann, 1, 1, accept())).await.unwrap();
    assert_eq!(store.feedback(vec![answer("card", 20)]).await.unwrap(), 1);
    assert_eq!(store.feedback(vec![answer("answered", 2)]).await.unwrap(), 1);
    store.close().await.unwrap();
    backup(&place.text(), &folder.join("twin.sqlite")).await.unwrap();
    assert_eq!(tables(&place.text(), Some(version)).await.unwrap(), version);
    // That program starts on tables of a newer one that say that it can.
    let starts = place.lines("SELECT CAST(works_with AS TEXT) FROM layout").await;
    assert!(starts[0].parse::<i64>().unwrap() <= BEFORE, "{starts:?}");

    let store = twin.open().await;
    let (mut before, mut past) = (Past::of(&twin).await, Past::of(&place).await);
    let mut was = before.everything().await;
    assert_eq!(past.everything().await, was);
    let act = async |item: &enteral_gate::queue::item::ItemId, seen, minute, action| {
        let own = Command { id: format!("command-{minute}"), ..command(&ann, seen, minute, action) };
        store.act(item.clone(), own).await.unwrap();
    };
    let one = order(2, 1, 0).id();
    for step in 0..8 {
        match step {
            // Recorded anew, with a card; then the same order changed, so that one replaces the other.
            0 => drop(
                store
                    .record(vec![{
                        let mut new = order(3, 1, 10);
                        new.cards = vec![shown("new-card", std::slice::from_ref(&rule))];
                        new
                    }])
                    .await
                    .unwrap(),
            ),
            1 => drop(put(&store, order(1, 2, 11)).await),
            // The same content from another ward leaves no entry but its own.
            2 => {
                let mut moved = order(2, 1, 12);
                moved.ward = Some("Invented B".to_owned());
                put(&store, moved).await;
            }
            3 => act(&one, store.get(one.clone()).await.unwrap().unwrap().summary.version, 13, Action::Take).await,
            4 => act(&one, store.get(one.clone()).await.unwrap().unwrap().summary.version, 14, accept()).await,
            5 => act(&one, 1, 15, Action::Judge { rule: rule.clone(), useful: true }).await,
            6 => act(&one, 1, 16, Action::Comment { text: "invented".to_owned() }).await,
            _ => store.viewed(one.clone(), person("nora", Role::Reader), at(17)).await.unwrap(),
        }
        let is = before.everything().await;
        assert_ne!(is, was, "step {step} changes something");
        past.write_as_before(&was, &is).await;
        assert_eq!(past.everything().await, is, "step {step}");
        was = is;
    }
    assert!(was[5].iter().any(|row| row[1] == text(one.as_str())), "the ward's change was noted: {:?}", was[5]);
    for (nth, (past, twin)) in past.looks().await.into_iter().zip(before.looks().await).enumerate() {
        assert_eq!(past, twin, "look {nth}");
    }
    // One closed order is past its time.
    let time = at(5);
    assert_eq!(store.purge(time, ann.clone(), at(18)).await.unwrap(), 1);
    let is = before.everything().await;
    let line = is[1].difference(&was[1]).find(|row| row[2] == Text(None)).unwrap().clone();
    past.purge_as_before(time.as_microsecond(), line).await;
    assert_eq!(past.everything().await, is);
    past.conn.close().await.unwrap();
    before.conn.close().await.unwrap();

    // Forward again: everything is there, and goes on.
    let again = place.open().await;
    assert_eq!(tables(&place.text(), None).await.unwrap(), VERSION);
    again.verify().await.unwrap();
    let items = all(&again).await;
    assert_eq!(items, all(&store).await);
    assert_eq!(items.len(), 4);
    for item in &items {
        assert_eq!(again.get(item.id.clone()).await.unwrap(), store.get(item.id.clone()).await.unwrap());
        assert_eq!(again.trail(item.id.clone()).await.unwrap(), store.trail(item.id.clone()).await.unwrap());
    }
    let (from, until) = ("2020-01-01".parse().unwrap(), "2030-01-01".parse().unwrap());
    let counted = again.statistics(from, until).await.unwrap();
    assert_eq!(counted, store.statistics(from, until).await.unwrap());
    assert_eq!(again.list(query(50)).await.unwrap(), store.list(query(50)).await.unwrap());
    // What was on a card that the other program wrote is not known: its answer is joined, and counted for no rule.
    assert_eq!(again.feedback(vec![answer("new-card", 20)]).await.unwrap(), 1);
    assert_eq!(again.statistics(from, until).await.unwrap(), counted);
    // What the other left of the order that it removed is gone with the next that is removed.
    assert!(again.purge(at(13), ann.clone(), at(30)).await.unwrap() > 0);
    for table in ["cards", "answers", "votes", "moves"] {
        let left = format!("SELECT item FROM {table} WHERE item NOT IN (SELECT id FROM items)");
        assert_eq!(place.lines(&left).await, [""; 0], "{table}");
    }
    again.verify().await.unwrap();
    store.close().await.unwrap();
    again.close().await.unwrap();
}

pub async fn the_program_before_works_on_tables_that_were_taken_back(place: Place) {
    the_program_before_works_on(place, BEFORE).await;
}

pub async fn the_program_before_works_on_tables_of_this_one(place: Place) {
    the_program_before_works_on(place, VERSION).await;
}

/// Tables, columns, indexes and whatever else a database has of its own.
async fn shape(place: &Place) -> Vec<String> {
    let mut out = Vec::new();
    let looks: &[&str] = match place {
        Place::Sqlite(_) => &[
            "SELECT type || ' ' || name || ' ' || COALESCE(sql, '') FROM sqlite_master WHERE sql NOT LIKE 'CREATE TABLE%'",
            "SELECT m.name || '.' || c.name || ' ' || c.type || ' ' || c.\"notnull\" || ' ' || c.pk || ' ' || COALESCE(c.dflt_value, '') \
             FROM sqlite_master m JOIN pragma_table_info(m.name) c WHERE m.type = 'table'",
            "SELECT m.name || ' ' || i.\"unique\" || i.origin || i.partial || ' ' || c.seqno || ' ' || COALESCE(c.name, '') \
             FROM sqlite_master m JOIN pragma_index_list(m.name) i JOIN pragma_index_info(i.name) c WHERE m.type = 'table'",
        ],
        Place::Postgres(_) => &[
            "SELECT concat_ws(' ', table_name, column_name, data_type, is_nullable, collation_name, column_default) \
             FROM information_schema.columns WHERE table_schema = current_schema()",
            "SELECT indexdef FROM pg_indexes WHERE schemaname = current_schema()",
            "SELECT conrelid::regclass || ' ' || conname || ' ' || pg_get_constraintdef(oid) FROM pg_constraint \
             WHERE connamespace = current_schema()::regnamespace",
            "SELECT tgrelid::regclass || ' ' || pg_get_triggerdef(oid) FROM pg_trigger WHERE NOT tgisinternal",
            "SELECT pg_get_functiondef(oid) FROM pg_proc WHERE pronamespace = current_schema()::regnamespace",
            "SELECT concat_ws(' ', c.relname, c.reloptions::text, a.attname, a.attstorage::text, a.attcompression::text) \
             FROM pg_class c JOIN pg_attribute a ON a.attrelid = c.oid \
             WHERE c.relnamespace = current_schema()::regnamespace AND c.relkind = 'r' AND a.attnum > 0 AND NOT a.attisdropped",
        ],
    };
    for look in looks {
        let mut lines = place.lines(look).await;
        lines.sort_unstable();
        out.extend(lines);
    }
    out
}

/// Tables that were taken back to a version are in nothing other than those that were only ever brought to it.
pub async fn tables_taken_back_are_those_of_that_version(place: Place) {
    let store = place.open().await;
    put(&store, order(1, 1, 0)).await;
    store.close().await.unwrap();
    let at = place.text();
    let mut back = Vec::new();
    for version in (0..=VERSION).rev() {
        assert_eq!(tables(&at, Some(version)).await.unwrap(), version);
        back.push(shape(&place).await);
    }
    assert!(back[0].len() > back[VERSION as usize].len() + 30, "there is something to compare: {back:?}");
    for version in 0..=VERSION {
        assert_eq!(tables(&at, Some(version)).await.unwrap(), version);
        let made = shape(&place).await;
        assert_eq!(back.pop().unwrap(), made, "version {version}");
    }
}
