//! Removes what is past its time.

use super::chain::note;
use super::work::Work;
use crate::queue::Person;
use crate::store::sql::{run, statement, trouble};
use crate::store::{Unavailable, outbox};
use jiff::Timestamp;
use sqlx::AnyConnection;

/// The word of a purge in the trail.
pub(in crate::store) const PURGED: &str = "purged";

impl Work {
    pub(super) async fn purge(
        &mut self,
        conn: &mut AnyConnection,
        before: Timestamp,
        by: &Person,
        at: Timestamp,
    ) -> Result<u64, Unavailable> {
        let time = before.as_microsecond();
        let old = format!("(SELECT id FROM items WHERE standing <> 'open' AND changed < {time})");
        for table in ["cards", "votes", "moves"] {
            run(conn, format!("DELETE FROM {table} WHERE item IN {old}")).await?;
        }
        run(conn, format!("UPDATE trail SET detail = NULL WHERE item IN {old}")).await?;
        outbox::purge(conn, before).await?;
        let sql = format!("DELETE FROM items WHERE standing <> 'open' AND changed < {time}");
        let removed = statement(sql, []).execute(&mut *conn).await.map_err(|e| trouble(&e))?.rows_affected();
        // Those of items that are gone: a program that does not know answers may have removed some.
        run(conn, "DELETE FROM answers WHERE item NOT IN (SELECT id FROM items)".to_owned()).await?;
        note(conn, PURGED, by, at, removed).await?;
        Ok(removed)
    }
}
