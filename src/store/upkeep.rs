//! Looking after what is kept: opening it by its address, versions of its tables, and whether it is whole.

use super::sql::{self, Dialect, id_of, trouble};
use super::writer::{PURGED, SAID_AGAIN, said_again};
use super::{SqlStore, Unavailable, outbox, packing, postgres, schema, sqlite};
use crate::audit;
use crate::audit::chain::{Anchor, Chain, Hash};
use crate::queue::item::{ItemId, Summary, content_hash_of};
use crate::queue::policy::Policy;
use crate::queue::report::Report;
use crate::queue::trail::{Entry, Event};
use futures_util::TryStreamExt as _;
use sqlx::{AnyConnection, AnyPool, AssertSqlSafe, Connection as _, Row};
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// Whether an address is one of PostgreSQL; any other is a file of SQLite.
pub fn is_postgres(place: &str) -> bool {
    place.starts_with("postgres://") || place.starts_with("postgresql://")
}

/// Opens a store: `postgres://…`, or the path of a file.
///
/// # Errors
/// Where it cannot be used.
pub async fn open(place: &str, policy: Policy) -> Result<SqlStore, Unavailable> {
    if is_postgres(place) {
        SqlStore::postgres(place, policy).await
    } else {
        may_be_a_file(place)?;
        SqlStore::sqlite(Path::new(place), policy).await
    }
}

/// The same; but a database of PostgreSQL that is away is opened as soon as it is there. Until then nothing is recorded and
/// nothing can be looked at, as in any other time in which it is away.
///
/// # Errors
/// Where it cannot be used, or its address is none.
pub async fn open_or_later(place: &str, policy: Policy) -> Result<SqlStore, Unavailable> {
    if is_postgres(place) { SqlStore::postgres_or_later(place, policy).await } else { open(place, policy).await }
}

/// Says what is expected, where a place can be no file.
fn may_be_a_file(place: &str) -> Result<(), Unavailable> {
    let path = Path::new(place);
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    let wrong = if place.contains("://") {
        format!("{:?} begins no address known here", place.split_inclusive("://").next().unwrap_or_default())
    } else if path.is_dir() {
        format!("{place} is a folder")
    } else if let Some(folder) = folder.filter(|folder| !folder.is_dir()) {
        format!("there is no folder {}", folder.display())
    } else {
        return Ok(());
    };
    let text =
        format!("{wrong}; expected the path of a file in a folder that is there, or postgres://USER@HOST/DATABASE");
    Err(Unavailable::Database(text))
}

pub(super) fn existing(place: &str) -> Result<(AnyPool, Dialect), Unavailable> {
    if is_postgres(place) {
        return Ok((postgres::existing(place)?, Dialect::Postgres));
    }
    let path = Path::new(place);
    if place.contains("://") || path.is_dir() {
        may_be_a_file(place)?;
    }
    if !path.exists() {
        return Err(Unavailable::Database(format!("{place} is not there")));
    }
    Ok((sqlite::existing(path)?, Dialect::Sqlite))
}

/// The version of the tables of a store that nobody uses, after they were brought to `target` where one is given.
///
/// # Errors
/// Where it cannot be used, or there is no such version.
pub async fn tables(place: &str, target: Option<i64>) -> Result<i64, Unavailable> {
    let (pool, dialect) = existing(place)?;
    if let Some(target) = target {
        sql::migrate(&pool, dialect, target).await?;
    }
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let found = schema::found(&mut conn, dialect).await.map_err(|error| trouble(&error))?;
    drop(conn);
    pool.close().await;
    Ok(found.map_or(0, |(version, _)| version))
}

/// Brings the tables of a store to the version of this program, and says that only programs that can read packed reports
/// use them from now on. Programs of before do not start on them again.
///
/// # Errors
/// Where it cannot be used.
pub async fn pack_reports(place: &str) -> Result<(), Unavailable> {
    tables(place, Some(schema::VERSION)).await?;
    let (pool, dialect) = existing(place)?;
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let mut tx = sql::begin(&mut conn, dialect).await?;
    schema::allow_packed(&mut tx).await?;
    tx.commit().await.map_err(|error| trouble(&error))?;
    drop(conn);
    pool.close().await;
    Ok(())
}

/// Whether services that start on a store keep its reports packed: no program works on its tables that cannot read them.
///
/// # Errors
/// Where it cannot be used.
pub async fn packs_reports(place: &str) -> Result<bool, Unavailable> {
    let (pool, dialect) = existing(place)?;
    let found = packing::may_be(&pool, dialect).await;
    pool.close().await;
    found
}

/// What was found to be whole.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Verified {
    /// Items that can be read, with their reports.
    pub items: u64,
    /// Entries of the trail, one chain from the first to the last.
    pub entries: u64,
    /// Of those, without what was written, because it was removed after its time.
    pub purged: u64,
    /// The place of the last entry, to be kept elsewhere.
    pub last: Anchor,
}

/// Whether a store is whole: the file, every item, every entry and the chain over them, with `anchor` in it.
///
/// # Errors
/// The first thing that is not as it should be.
pub async fn verify(place: &str, anchor: Option<Anchor>) -> Result<Verified, Unavailable> {
    let (pool, dialect) = existing(place)?;
    let found = verify_pool(&pool, dialect, anchor).await;
    pool.close().await;
    found
}

impl SqlStore {
    /// Whether this store is whole, at one moment while it is used.
    ///
    /// # Errors
    /// The first thing that is not as it should be.
    pub async fn verify(&self) -> Result<Verified, Unavailable> {
        verify_pool(&self.readers, self.shared.dialect, None).await
    }
}

/// A transaction that reads everything as it is at one moment.
pub(super) async fn snapshot(
    conn: &mut AnyConnection,
    dialect: Dialect,
) -> Result<sqlx::Transaction<'_, sqlx::Any>, Unavailable> {
    let begun = match dialect {
        Dialect::Sqlite => conn.begin_with("BEGIN").await,
        Dialect::Postgres => conn.begin_with("BEGIN ISOLATION LEVEL REPEATABLE READ").await,
    };
    begun.map_err(|error| trouble(&error))
}

async fn verify_pool(pool: &AnyPool, dialect: Dialect, anchor: Option<Anchor>) -> Result<Verified, Unavailable> {
    if dialect == Dialect::Sqlite {
        sqlite::integrity(pool).await?;
    }
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let mut tx = snapshot(&mut conn, dialect).await?;
    let mut out = Verified::default();
    let mut last = trail(&mut tx, &mut out, anchor).await?;
    let found = schema::found(&mut tx, dialect).await.map_err(|error| trouble(&error))?;
    let (version, works_with) = found.unwrap_or_default();
    let packed = version >= packing::SINCE;
    let dictionaries = if packed { packing::verified(&mut tx).await? } else { HashMap::new() };
    let columns = if packed { packing::COLUMNS } else { "report" };
    let again = SAID_AGAIN.join(", ");
    let sql = format!("SELECT id, state, standing, order_key, {columns}, resource, {again} FROM items");
    let resource = 4 + columns.split(", ").count();
    let mut rows = sqlx::query(AssertSqlSafe(sql)).fetch(&mut *tx);
    let mut current: BTreeMap<String, ItemId> = BTreeMap::new();
    while let Some(row) = rows.try_next().await.map_err(|error| trouble(&error))? {
        let get = |at: usize| row.try_get::<String, _>(at).map_err(|error| trouble(&error));
        let id = id_of(&row, 0)?;
        let wrong = |what: &str| Unavailable::Damaged(format!("item {id}: {what}"));
        let summary: Summary = serde_json::from_str(&get(1)?).map_err(|_| wrong("its state cannot be read"))?;
        let report = if packed { packing::in_row(&row, 4, &id)? } else { packing::InRow::Plain(get(4)?) };
        if matches!(report, packing::InRow::Packed { .. }) && works_with < packing::SINCE {
            return Err(wrong(
                "its report is packed, and the tables say that programs may use them that cannot read it",
            ));
        }
        let report = packing::text_in(report, &id, &dictionaries)?;
        let report: Report = serde_json::from_str(&report).map_err(|_| wrong("its report cannot be read"))?;
        let standing = get(2)?;
        if summary.id != id || standing != summary.standing.word() {
            return Err(wrong("its columns and its state say different things"));
        }
        for (nth, (column, value)) in said_again(&summary)?.into_iter().enumerate() {
            if !value.held_in(&row, resource + 1 + nth)? {
                return Err(wrong(&format!("its column {column} and its state say different things")));
            }
        }
        if summary.key.item(&summary.content) != id {
            return Err(wrong("its order, patient or content is another than its id was made of"));
        }
        if content_hash_of(&get(resource)?).is_none_or(|hash| hash != summary.content) {
            return Err(wrong("the order as it was sent is not what the hash of its content is of"));
        }
        let said = (report.disposition, report.tier(), report.findings.len(), report.rules());
        if said != (summary.disposition, summary.tier, summary.findings, summary.rules.clone()) {
            return Err(wrong("its report is not the one that its state is of"));
        }
        match last.remove(&id) {
            Some(version) if version == summary.version => {}
            Some(version) => {
                let text = format!("it is of version {}, the last entry of its trail of {version}", summary.version);
                return Err(wrong(&text));
            }
            None => return Err(wrong("it has no trail")),
        }
        let key: Option<String> = row.try_get(3).map_err(|error| trouble(&error))?;
        if let Some(key) = key.filter(|_| standing != "replaced")
            && let Some(other) = current.insert(key, id.clone())
        {
            return Err(wrong(&format!("item {other} is of the same order, and neither replaces the other")));
        }
        out.items += 1;
    }
    drop(rows);
    if let Some((id, _)) = last.into_iter().next() {
        return Err(Unavailable::Damaged(format!("item {id}: it has a trail and is not there")));
    }
    outbox::verify(&mut tx, dialect).await?;
    tx.rollback().await.map_err(|error| trouble(&error))?;
    Ok(out)
}

/// The last version of every item by the trail. What was written is missing only of items that were removed since, by a
/// purge that is in the chain.
async fn trail(
    conn: &mut AnyConnection,
    out: &mut Verified,
    anchor: Option<Anchor>,
) -> Result<BTreeMap<ItemId, u64>, Unavailable> {
    let mut chain = Chain::default();
    let mut last: BTreeMap<ItemId, u64> = BTreeMap::new();
    // The first entry without what was written, of those after the last purge.
    let mut unwritten: Option<i64> = None;
    let mut rows = sqlx::query("SELECT seq, line, item, detail FROM trail ORDER BY seq").fetch(&mut *conn);
    while let Some(row) = rows.try_next().await.map_err(|error| trouble(&error))? {
        let seq: i64 = row.try_get(0).map_err(|error| trouble(&error))?;
        let wrong = |what: &str| Unavailable::Damaged(format!("entry {seq} of the trail {what}"));
        let line: String = row.try_get(1).map_err(|error| trouble(&error))?;
        let item: Option<String> = row.try_get(2).map_err(|error| trouble(&error))?;
        let detail: Option<String> = row.try_get(3).map_err(|error| trouble(&error))?;
        let entry = audit::line::read(line.as_bytes()).map_err(|why| wrong(&why.to_string()))?;
        chain.take(&entry).map_err(|why| wrong(&why.to_string()))?;
        if anchor.is_some_and(|anchor| anchor.sequence == entry.sequence && anchor.hash != entry.hash) {
            return Err(wrong("is another one than was noted"));
        }
        let on = &entry.event.on;
        if on.item.as_ref().map(audit::Reference::as_str) != item.as_deref() {
            return Err(wrong("is about another item than its row says"));
        }
        out.entries += 1;
        match detail {
            None => match item.as_deref().map(ItemId::read) {
                // About no item: what a purge removes was written before its own entry.
                None if entry.event.action.as_str() == PURGED => unwritten = None,
                None => {}
                Some(item) => {
                    if item.is_some_and(|item| last.contains_key(&item)) {
                        return Err(wrong(
                            "has lost what was written, and an entry before it of the same item has not",
                        ));
                    }
                    unwritten = unwritten.or(Some(seq));
                    out.purged += 1;
                }
            },
            Some(detail) => {
                if on.content != Some(Hash::of(detail.as_bytes())) {
                    return Err(wrong("was changed: what was written is not what its hash is of"));
                }
                let entry: Entry = serde_json::from_str(&detail).map_err(|_| wrong("cannot be read"))?;
                if !last.contains_key(&entry.item) && !matches!(entry.what, Event::Recorded { .. }) {
                    return Err(wrong("is the first of its item: what was written in entries before it is lost"));
                }
                last.insert(entry.item, entry.version);
            }
        }
    }
    if let Some(seq) = unwritten {
        let text = format!("entry {seq} of the trail has lost what was written, and no purge after it removed that");
        return Err(Unavailable::Damaged(text));
    }
    out.last = chain.last();
    if let Some(anchor) = anchor.filter(|anchor| anchor.sequence > out.last.sequence) {
        let text = format!("the trail ends at entry {}; entry {} was noted", out.last.sequence, anchor.sequence);
        return Err(Unavailable::Damaged(text));
    }
    Ok(last)
}
