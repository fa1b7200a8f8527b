//! Copies of a store while it is used. A copy is a file of SQLite with the same tables, whichever database it is of, so
//! that it can be verified, opened, and restored into either.

use super::sql::{Dialect, Value, begin, migrate, trouble};
use super::statements::insert;
use super::upkeep::{Verified, existing, snapshot, verify};
use super::writer::ANSWERS_SINCE;
use super::{Unavailable, is_postgres, outbox, packing, schema, sqlite, views};
use futures_util::TryStreamExt as _;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::path::{Path, PathBuf};

/// Rows that are copied at a time.
const AT_A_TIME: usize = 32;

/// What a column holds.
#[derive(Clone, Copy)]
enum Holds {
    Text,
    Number,
    Bytes,
}
use Holds::{Bytes, Number, Text};

/// Names of columns, and what they hold.
type Columns = &'static [(&'static str, Holds)];

/// Every table with its columns, and the version of the tables that brought it.
const TABLES: [(&str, Columns, i64); 10] = [
    (
        "items",
        &[
            ("id", Text),
            ("order_key", Text),
            ("standing", Text),
            ("sort_key", Text),
            ("grade", Number),
            ("tier", Text),
            ("not_checked", Number),
            ("ward", Text),
            ("patient", Text),
            ("starts", Number),
            ("received", Number),
            ("changed", Number),
            ("pharmacist", Text),
            ("pharmacist_by", Text),
            ("pharmacist_until", Number),
            ("dietitian", Text),
            ("dietitian_by", Text),
            ("dietitian_until", Number),
            ("rules", Text),
            ("search", Text),
            ("state", Text),
            ("report", Text),
            ("resource", Text),
        ],
        1,
    ),
    ("trail", &[("seq", Number), ("line", Text), ("item", Text), ("detail", Text), ("command", Text)], 1),
    ("cards", &[("card", Text), ("item", Text)], 1),
    ("counts", &[("day", Text), ("rule", Text), ("fate", Text), ("reason", Text), ("n", Number)], 1),
    ("votes", &[("item", Text), ("rule", Text), ("person", Text), ("useful", Number)], 1),
    ("subscribers", &[("id", Text), ("since", Number), ("endpoint", Text), ("events", Number)], outbox::SINCE),
    (
        "outbox",
        &[
            ("subscriber", Text),
            ("number", Number),
            ("event", Text),
            ("item", Text),
            ("version", Number),
            ("happened", Number),
            ("state", Text),
            ("tries", Number),
            ("due", Number),
            ("lease", Text),
            ("lease_until", Number),
            ("trouble", Text),
            ("done", Number),
        ],
        outbox::SINCE,
    ),
    ("dictionaries", &[("id", Text), ("bytes", Bytes)], packing::SINCE),
    ("answers", &[("card", Text), ("said", Number), ("item", Text)], ANSWERS_SINCE),
    ("views", &[("person", Text), ("name", Text), ("query", Text)], views::SINCE),
];

/// Columns of a table that were added to it, and the version that brought them.
const ADDED: [(&str, Columns, i64); 2] = [
    ("items", &[("report_packed", Bytes), ("report_dictionary", Text)], packing::SINCE),
    ("cards", &[("rules", Text)], ANSWERS_SINCE),
];

fn value(row: &AnyRow, at: usize, holds: Holds) -> Result<Value, Unavailable> {
    let value = match holds {
        Number => row.try_get::<Option<i64>, _>(at).map(Value::from),
        Text => row.try_get::<Option<String>, _>(at).map(Value::from),
        Bytes => row.try_get::<Option<Vec<u8>>, _>(at).map(Value::from),
    };
    value.map_err(|error| trouble(&error))
}

/// Copies every table that the source has; one made by the version before has fewer.
async fn copy(from: &mut AnyConnection, dialect: Dialect, to: &mut AnyConnection) -> Result<(), Unavailable> {
    let (version, works_with) =
        schema::found(from, dialect).await.map_err(|error| trouble(&error))?.unwrap_or_default();
    if works_with > schema::VERSION {
        return Err(schema::too_new(version));
    }
    for (table, columns, _) in TABLES.into_iter().filter(|(.., since)| *since <= version) {
        let added = ADDED.into_iter().filter(|(of, _, since)| *of == table && *since <= version);
        let columns: Vec<_> = columns.iter().chain(added.flat_map(|(_, columns, _)| columns)).collect();
        let names: Vec<&str> = columns.iter().map(|(name, _)| *name).collect();
        let sql = format!("SELECT {} FROM {table}", names.join(", "));
        let mut rows = sqlx::query(AssertSqlSafe(sql)).fetch(&mut *from);
        let mut some = Vec::with_capacity(AT_A_TIME);
        while let Some(row) = rows.try_next().await.map_err(|error| trouble(&error))? {
            let values: Result<Vec<Value>, _> =
                columns.iter().enumerate().map(|(at, (_, holds))| value(&row, at, *holds)).collect();
            some.push(values?);
            if some.len() == AT_A_TIME {
                insert(to, table, &names, "", std::mem::take(&mut some)).await?;
            }
        }
        insert(to, table, &names, "", some).await?;
    }
    // What may use the source may use the copy.
    schema::as_before(to, works_with).await
}

fn file_trouble(path: &Path, error: &std::io::Error) -> Unavailable {
    Unavailable::Database(format!("{}: {error}", path.display()))
}

fn remove_with_logs(path: &Path) {
    for end in ["", "-wal", "-shm"] {
        // What is not there need not be removed.
        let _ = std::fs::remove_file(sqlite::beside(path, end));
    }
}

/// Copies what is kept at `place`, as it is at one moment, into a new file, and verifies the copy.
///
/// # Errors
/// Where it cannot be read or written, the file is there already, or the copy is not whole. No half copy stays.
pub async fn backup(place: &str, to: &Path) -> Result<Verified, Unavailable> {
    if to.exists() {
        return Err(Unavailable::Database(format!("{} is there already", to.display())));
    }
    // Under another name until it is whole.
    let part = sqlite::beside(to, ".part");
    remove_with_logs(&part);
    let done = fill(place, &part).await;
    if done.is_err() {
        remove_with_logs(&part);
    }
    let verified = done?;
    std::fs::rename(&part, to).map_err(|error| file_trouble(to, &error))?;
    sync_folder_of(to)?;
    Ok(verified)
}

async fn fill(place: &str, part: &Path) -> Result<Verified, Unavailable> {
    let (source, dialect) = existing(place)?;
    let mut conn = source.acquire().await.map_err(|error| trouble(&error))?;
    let mut from = snapshot(&mut conn, dialect).await?;
    let copied = into_new(&mut from, dialect, part).await;
    drop(from);
    drop(conn);
    source.close().await;
    copied?;
    let text = part.to_str().ok_or_else(|| Unavailable::Database("the path is no text".to_owned()))?;
    let verified = verify(text, None).await?;
    std::fs::File::open(part).and_then(|file| file.sync_all()).map_err(|error| file_trouble(part, &error))?;
    Ok(verified)
}

/// Copies everything into a file that is made, with nothing beside it at the end.
async fn into_new(from: &mut AnyConnection, dialect: Dialect, file: &Path) -> Result<(), Unavailable> {
    let pool = sqlite::new(file)?;
    migrate(&pool, Dialect::Sqlite, schema::VERSION).await?;
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let mut to = begin(&mut conn, Dialect::Sqlite).await?;
    copy(from, dialect, &mut to).await?;
    to.commit().await.map_err(|error| trouble(&error))?;
    drop(conn);
    pool.close().await;
    Ok(())
}

/// Puts a copy in the place of a store that nobody uses. A file that is there is kept beside it under the name that is
/// given back; a database must be empty.
///
/// # Errors
/// When the copy is not whole, the place cannot be written or is not empty, or somebody uses the file. Nothing has changed
/// then.
pub async fn restore(from: &Path, place: &str) -> Result<(Verified, Option<PathBuf>), Unavailable> {
    let text = from.to_str().ok_or_else(|| Unavailable::Database("the path is no text".to_owned()))?;
    if !from.exists() {
        return Err(Unavailable::Database(format!("{} is not there", from.display())));
    }
    let verified = verify(text, None).await?;
    let (source, dialect) = existing(text)?;
    let mut conn = source.acquire().await.map_err(|error| trouble(&error))?;
    let mut from = snapshot(&mut conn, dialect).await?;
    if is_postgres(place) {
        let (target, into) = existing(place)?;
        migrate(&target, into, schema::VERSION).await?;
        let mut conn = target.acquire().await.map_err(|error| trouble(&error))?;
        let mut to = begin(&mut conn, into).await?;
        let row = sqlx::query("SELECT COUNT(*) FROM trail").fetch_one(&mut *to).await;
        let there: i64 = row.and_then(|row| row.try_get(0)).map_err(|error| trouble(&error))?;
        if there > 0 {
            return Err(Unavailable::Database("the database is not empty; restore into a new one".to_owned()));
        }
        copy(&mut from, dialect, &mut to).await?;
        to.commit().await.map_err(|error| trouble(&error))?;
        drop(conn);
        target.close().await;
        return Ok((verified, None));
    }
    let path = Path::new(place);
    // Whoever has it open would go on writing into the file that is set aside.
    let alone = if path.exists() { sqlite::Alone::with(path).await? } else { None };
    let part = sqlite::beside(path, ".part");
    remove_with_logs(&part);
    let put = async {
        into_new(&mut from, dialect, &part).await?;
        std::fs::File::open(&part).and_then(|file| file.sync_all()).map_err(|error| file_trouble(&part, &error))?;
        let before = set_aside(path)?;
        std::fs::rename(&part, path).map_err(|error| file_trouble(path, &error))?;
        sync_folder_of(path)?;
        Ok(before)
    };
    let put: Result<_, Unavailable> = put.await;
    if let Some(alone) = alone {
        alone.end().await;
    }
    if put.is_err() {
        remove_with_logs(&part);
    }
    Ok((verified, put?))
}

/// Brings what a folder says of a file in it to the disk.
fn sync_folder_of(file: &Path) -> Result<(), Unavailable> {
    let folder = file.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    std::fs::File::open(folder).and_then(|folder| folder.sync_all()).map_err(|error| file_trouble(folder, &error))
}

/// Moves a store's files to another name; its log belongs to it.
fn set_aside(path: &Path) -> Result<Option<PathBuf>, Unavailable> {
    if !path.exists() {
        return Ok(None);
    }
    let free = (1..1000).map(|n| sqlite::beside(path, &format!(".before-{n}"))).find(|free| !free.exists());
    let Some(free) = free else {
        return Err(Unavailable::Database(format!("{}: too many earlier files beside it", path.display())));
    };
    for end in ["-wal", "-shm", ""] {
        let own = sqlite::beside(path, end);
        if own.exists() {
            std::fs::rename(&own, sqlite::beside(&free, end)).map_err(|error| file_trouble(&own, &error))?;
        }
    }
    Ok(Some(free))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::listing;
    use crate::store::writer::ITEM_COLUMNS;
    use std::collections::{BTreeMap, BTreeSet};

    /// What is not in copies: which version the tables have, and what lists in memory are brought up to date by.
    const NOT_COPIED: [&str; 2] = ["layout", "moves"];

    /// A column that the tables have and a copy, what is written, or what is listed does not would be lost without a word.
    #[tokio::test]
    async fn columns_are_those_of_the_tables_wherever_they_are_listed() {
        let file = std::env::temp_dir().join(format!("eg-columns-{}.sqlite", uuid::Uuid::new_v4()));
        let pool = sqlite::new(&file).unwrap();
        migrate(&pool, Dialect::Sqlite, schema::VERSION).await.unwrap();
        let mut made: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        let tables = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'";
        for row in sqlx::query(tables).fetch_all(&pool).await.unwrap() {
            let table: String = row.get(0);
            let columns = format!("SELECT name, type FROM pragma_table_info('{table}')");
            let columns = sqlx::query(AssertSqlSafe(columns)).fetch_all(&pool).await.unwrap();
            let columns = columns.iter().map(|row| (row.get(0), row.get(1))).collect();
            if !NOT_COPIED.contains(&&*table) {
                made.insert(table, columns);
            }
        }
        pool.close().await;
        remove_with_logs(&file);
        let mut copied: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        let listed =
            TABLES.into_iter().chain(ADDED).flat_map(|(table, columns, _)| columns.iter().map(move |c| (table, c)));
        for (table, (column, holds)) in listed {
            let kind = match holds {
                Text => "TEXT",
                Number => "BIGINT",
                Bytes => "BLOB",
            };
            let twice = copied.entry(table.to_owned()).or_default().insert((*column).to_owned(), kind.to_owned());
            assert_eq!(twice, None, "{table}.{column} is copied twice");
        }
        assert_eq!(copied, made, "what a copy has, and what the tables have");
        let items: BTreeSet<&str> = made["items"].keys().map(String::as_str).collect();
        let written: BTreeSet<&str> = ITEM_COLUMNS.into();
        assert_eq!(written, items, "what is written of an item");
        // The order of values: what a report is kept in, then the order as sent.
        let report: Vec<&str> = packing::COLUMNS.split(", ").collect();
        assert_eq!(ITEM_COLUMNS[ITEM_COLUMNS.len() - report.len() - 1..][..report.len()], report[..]);
        assert_eq!(ITEM_COLUMNS.last(), Some(&"resource"));
        // Everything but what is only shown is looked for.
        let shown = ["order_key", "state", "resource"];
        let looked: BTreeSet<&str> = listing::COLUMNS.split(", ").collect();
        let rest: BTreeSet<&str> =
            items.iter().copied().filter(|c| !shown.contains(c) && !report.contains(c)).collect();
        assert_eq!(looked, rest, "what lists are worked out from");
    }
}
