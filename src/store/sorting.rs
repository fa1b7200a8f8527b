//! Where items stand in the order of urgency, brought in line with other times of the institution. Everything is looked
//! through without keeping anybody from writing; what stands elsewhere is written some items at a time, each some in a
//! transaction of the one writer's, with its line in the trail.

use super::Unavailable;
use super::sql::{Value, statement, trouble};
use super::statements::numbers_values;
use super::writer::note;
use crate::queue::Person;
use crate::queue::urgency::{self, Times};
use jiff::Timestamp;
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AnyPool, Row};
use std::fmt::Write as _;

/// Items that are looked at, and at most moved, at a time.
pub(super) const AT_A_TIME: usize = 500;

/// An item that stands elsewhere by other times.
pub(super) struct Moved {
    id: String,
    /// Where it was seen to stand; who writes it meanwhile has put it right.
    from: String,
    to: String,
}

/// What a look found.
pub(super) struct Looked {
    pub(super) moved: Vec<Moved>,
    /// The last item looked at; nothing where there is none after it.
    pub(super) last: Option<String>,
}

/// Looks at the next items after one, by their ids.
pub(super) async fn look(pool: &AnyPool, times: &Times, after: &str) -> Result<Looked, Unavailable> {
    let sql =
        format!("SELECT id, sort_key, grade, received, starts FROM items WHERE id > $1 ORDER BY id LIMIT {AT_A_TIME}");
    let rows = statement(sql, [after.into()]).fetch_all(pool).await.map_err(|e| trouble(&e))?;
    let mut out = Looked { moved: Vec::new(), last: None };
    for row in &rows {
        let text = |at: usize| row.try_get::<String, _>(at).map_err(|e| trouble(&e));
        let (id, from) = (text(0)?, text(1)?);
        match key_of(row, times)? {
            Some(to) if to != from => out.moved.push(Moved { id, from, to }),
            Some(_) => {}
            // It holds up no other.
            None => tracing::error!(item = id, "its grade or a time of it is none; it is not sorted"),
        }
    }
    if rows.len() == AT_A_TIME {
        out.last = rows.last().map(|row| row.try_get(0)).transpose().map_err(|e| trouble(&e))?;
    }
    Ok(out)
}

/// Where an item stands by these times; nothing where what is kept of it cannot be.
fn key_of(row: &AnyRow, times: &Times) -> Result<Option<String>, Unavailable> {
    let (grade, received): (i64, i64) =
        (row.try_get(2).map_err(|e| trouble(&e))?, row.try_get(3).map_err(|e| trouble(&e))?);
    let starts: Option<i64> = row.try_get(4).map_err(|e| trouble(&e))?;
    let read = || {
        let starts = starts.map(Timestamp::from_microsecond).transpose().ok()?;
        let received = Timestamp::from_microsecond(received).ok()?;
        let grade = u8::try_from(grade).ok()?;
        Some(urgency::sort_key(grade, times.due(grade, received, starts)))
    };
    Ok(read())
}

/// Writes where items stand; gives how many, and the trail a line with that.
pub(super) async fn write(conn: &mut AnyConnection, moved: &[Moved], at: Timestamp) -> Result<u64, Unavailable> {
    if moved.is_empty() {
        return Ok(0);
    }
    let numbered = numbers_values(conn);
    let (mut rows, mut values) = (String::new(), Vec::with_capacity(moved.len() * 3));
    for Moved { id, from, to } in moved {
        rows.push_str(if rows.is_empty() { "(" } else { ", (" });
        for (nth, value) in [id, from, to].into_iter().enumerate() {
            values.push(Value::from(value.as_str()));
            rows.push_str(if nth == 0 { "" } else { ", " });
            if numbered {
                let _ = write!(rows, "${}", values.len());
            } else {
                rows.push('?');
            }
        }
        rows.push(')');
    }
    let sql = format!(
        "UPDATE items SET sort_key = m.column3 FROM (VALUES {rows}) AS m \
         WHERE items.id = m.column1 AND items.sort_key = m.column2"
    );
    let n = statement(sql, values).execute(&mut *conn).await.map_err(|e| trouble(&e))?.rows_affected();
    if n > 0 {
        note(conn, "sorted-again", &Person::program(), at, n).await?;
    }
    Ok(n)
}
