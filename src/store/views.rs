//! Views that people keep: the filters of a list under a name of their own.

use super::sql::{SqlStore, Value, statement, trouble};
use super::writer::Op;
use super::{Answer, Unavailable};
use sqlx::{AnyConnection, AnyPool, Row};

/// The step of the tables that brought these.
pub(super) const SINCE: i64 = 5;
/// Most views that one person keeps.
pub const MOST: i64 = 20;

/// A view under its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct View {
    /// Its name, one of its person.
    pub name: String,
    /// The filters, as the query of an address has them.
    pub query: String,
}

/// What a person does with a view.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Change {
    /// Keeps it, in place of one of the same name.
    Keep(View),
    /// Removes the one of a name.
    Remove(String),
}

/// What came of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Came {
    /// It was done.
    Done,
    /// The person keeps [`MOST`] already.
    TooMany,
}

pub(super) async fn all(pool: &AnyPool, person: &str) -> Result<Vec<View>, Unavailable> {
    let sql = "SELECT name, query FROM views WHERE person = $1 ORDER BY name".to_owned();
    let rows = statement(sql, [person.into()]).fetch_all(pool).await.map_err(|e| trouble(&e))?;
    let text = |row: &sqlx::any::AnyRow, at: usize| row.try_get(at).map_err(|e| trouble(&e));
    rows.iter().map(|row| Ok(View { name: text(row, 0)?, query: text(row, 1)? })).collect()
}

pub(super) async fn apply(conn: &mut AnyConnection, person: &str, change: &Change) -> Result<Came, Unavailable> {
    let (sql, values) = match change {
        Change::Remove(name) => {
            ("DELETE FROM views WHERE person = $1 AND name = $2", vec![Value::from(person), name.as_str().into()])
        }
        Change::Keep(View { name, query }) => {
            let sql = "SELECT COUNT(*) FROM views WHERE person = $1 AND name <> $2".to_owned();
            let others = statement(sql, [person.into(), name.as_str().into()]).fetch_one(&mut *conn).await;
            let others: i64 = others.and_then(|row| row.try_get(0)).map_err(|e| trouble(&e))?;
            if others >= MOST {
                return Ok(Came::TooMany);
            }
            (
                "INSERT INTO views (person, name, query) VALUES ($1, $2, $3) \
                 ON CONFLICT (person, name) DO UPDATE SET query = excluded.query",
                vec![Value::from(person), name.as_str().into(), query.as_str().into()],
            )
        }
    };
    statement(sql.to_owned(), values).execute(conn).await.map_err(|e| trouble(&e))?;
    Ok(Came::Done)
}

impl SqlStore {
    pub(super) fn views_of(&self, person: String) -> Answer<'_, Vec<View>> {
        Box::pin(async move { all(&self.readers, &person).await })
    }

    pub(super) fn change_view(&self, person: String, change: Change) -> Answer<'_, Came> {
        Box::pin(async move { self.written(|done| Op::OwnView { person, change, done }).await })
    }
}
