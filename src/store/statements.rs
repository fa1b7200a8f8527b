//! Statements with many values: lists of them, and many rows at once.

use super::Unavailable;
use super::sql::{Value, statement, trouble};
use futures_util::future::join;
use sqlx::AnyConnection;
use std::fmt::Write as _;

/// Most values of one statement. Fewer statements are fewer ways to the database and back; but the next is put together
/// while it works on the one before.
const MOST_VALUES: usize = 3_200;

/// `$1, $2, …` for a list that is made as long as the next power of two, so that there are few different statements.
pub(super) fn list(values: Vec<String>) -> (String, Vec<Value>) {
    list_after(Some(0), values)
}

/// The same after so many other values; `?, ?, …` where values are not numbered.
pub(super) fn list_after(others: Option<usize>, values: Vec<String>) -> (String, Vec<Value>) {
    let n = values.len().next_power_of_two();
    let last = values.last().cloned().unwrap_or_default();
    let mut marks = String::with_capacity(6 * n);
    for i in 1..=n {
        marks.push_str(if i == 1 { "" } else { ", " });
        match others {
            None => marks.push('?'),
            // Into memory: cannot fail.
            Some(others) => drop(write!(marks, "${}", others + i)),
        }
    }
    let missing = n - values.len();
    let values = values.into_iter().chain(std::iter::repeat_n(last, missing)).map(Value::from).collect();
    (marks, values)
}

/// Whether many values are told by their number: SQLite looks each up in a list of all of them.
pub(super) fn numbers_values(conn: &AnyConnection) -> bool {
    conn.backend_name() != "SQLite"
}

/// Many rows by few statements: as many as the largest power of two that is left and has at most [`MOST_VALUES`].
pub(super) async fn insert(
    conn: &mut AnyConnection,
    table: &str,
    columns: &[&str],
    conflict: &str,
    rows: Vec<Vec<Value>>,
) -> Result<(), Unavailable> {
    let mut rows = rows.into_iter();
    let numbered = numbers_values(conn);
    // Where one row cannot be written, no transaction goes on: SQLite need not note how each page was before the statement.
    let insert = if numbered || !conflict.is_empty() { "INSERT" } else { "INSERT OR ROLLBACK" };
    let mut next = || {
        if rows.len() == 0 {
            return None;
        }
        let n = 1usize << rows.len().min(MOST_VALUES / columns.len()).ilog2();
        let mut sql = format!("{insert} INTO {table} ({}) VALUES ", columns.join(", "));
        let mut values = Vec::with_capacity(n * columns.len());
        for row in rows.by_ref().take(n) {
            sql.push_str(if values.is_empty() { "(" } else { ", (" });
            for (nth, value) in row.into_iter().enumerate() {
                values.push(value);
                sql.push_str(if nth == 0 { "" } else { ", " });
                if numbered {
                    let _ = write!(sql, "${}", values.len());
                } else {
                    sql.push('?');
                }
            }
            sql.push(')');
        }
        if !conflict.is_empty() {
            sql.push(' ');
            sql.push_str(conflict);
        }
        Some(statement(sql, values))
    };
    let mut now = next();
    while let Some(statement) = now {
        // The next one is put together while the database works on this one.
        let (done, after) = join(statement.execute(&mut *conn), async { next() }).await;
        done.map_err(|e| trouble(&e))?;
        now = after;
    }
    Ok(())
}
