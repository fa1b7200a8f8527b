//! Reads everything that the operations of a transaction may touch.

use super::Op;
use super::work::{Work, of_item, state_of};
use crate::queue::item::ItemId;
use crate::store::packing::{Dictionaries, Kept};
use crate::store::sql::{id_of, statement, trouble};
use crate::store::statements::{list, list_after, numbers_values};
use crate::store::{Unavailable, packing};
use sqlx::{AnyConnection, Row};
use std::collections::BTreeSet;

/// Most values of a list in a statement that has two; SQLite takes 32,766 values.
const MOST_LISTED: usize = 4096;

impl Work {
    /// Reads everything that the operations may touch.
    pub(super) async fn read(
        &mut self,
        conn: &mut AnyConnection,
        ops: &[Op],
        dictionaries: &Dictionaries,
    ) -> Result<(), Unavailable> {
        let (mut ids, mut cards, mut commands) = (BTreeSet::new(), BTreeSet::new(), BTreeSet::new());
        let (mut again, mut keys) = (Vec::with_capacity(ops.len()), Vec::with_capacity(ops.len()));
        for op in ops {
            match op {
                Op::Record { orders, .. } => {
                    again.extend(orders.iter().filter(|o| o.received.is_item()).map(|o| o.id.to_string()));
                    keys.extend(orders.iter().filter_map(|o| o.key.clone()));
                }
                Op::Act { item, command, .. } => {
                    ids.insert(item.to_string());
                    if !command.id.is_empty() {
                        commands.insert(command.id.clone());
                    }
                }
                Op::View { item, .. } => drop(ids.insert(item.to_string())),
                Op::Feedback { answers, .. } => cards.extend(answers.iter().map(|a| a.card.clone())),
                Op::Purge { .. } | Op::OwnView { .. } | Op::SortAgain { .. } | Op::Outbox(_) | Op::Open { .. } => {}
                #[cfg(test)]
                Op::Fault { .. } => {}
            }
        }
        let (cards, commands): (Vec<_>, Vec<_>) = (cards.into_iter().collect(), commands.into_iter().collect());
        for some in cards.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT card, said FROM answers WHERE card IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let answer = (row.try_get(0).map_err(|e| trouble(&e))?, row.try_get(1).map_err(|e| trouble(&e))?);
                self.answered_before.insert(answer);
            }
            let (marks, values) = list(some.to_vec());
            let sql = format!(
                "SELECT c.card, c.item, c.rules FROM cards c JOIN items i ON i.id = c.item WHERE c.card IN ({marks}) ORDER BY i.changed"
            );
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let item = id_of(&row, 1)?;
                ids.insert(item.to_string());
                let rules = row.try_get(2).map_err(|e| trouble(&e))?;
                self.cards.insert(row.try_get(0).map_err(|e| trouble(&e))?, (item, rules));
            }
        }
        for some in commands.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT command, item FROM trail WHERE command IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                self.done_before.insert(row.try_get(0).map_err(|e| trouble(&e))?, id_of(&row, 1)?);
            }
        }
        for found in [&mut again, &mut keys] {
            found.sort_unstable();
            found.dedup();
        }
        while !again.is_empty() || !keys.is_empty() {
            let some = |of: &mut Vec<String>| of.split_off(of.len().saturating_sub(MOST_LISTED));
            self.recorded_before(conn, some(&mut again), some(&mut keys), dictionaries).await?;
        }
        ids.retain(|id| ItemId::read(id).is_some_and(|id| !self.items.contains_key(&id)));
        let ids: Vec<_> = ids.into_iter().collect();
        for some in ids.chunks(MOST_LISTED) {
            let (marks, values) = list(some.to_vec());
            let sql = format!("SELECT id, state FROM items WHERE id IN ({marks})");
            for row in statement(sql, values).fetch_all(&mut *conn).await.map_err(|e| trouble(&e))? {
                let text: String = row.try_get(1).map_err(|e| trouble(&e))?;
                let id = id_of(&row, 0)?;
                let summary = state_of(&text).map_err(of_item(&id))?;
                self.put(id, summary, Kept::default());
            }
        }
        Ok(())
    }

    /// Reads the items of contents that came before, with their reports, and the current items of orders; by one statement,
    /// as each waits for the database.
    async fn recorded_before(
        &mut self,
        conn: &mut AnyConnection,
        contents: Vec<String>,
        orders: Vec<String>,
        dictionaries: &Dictionaries,
    ) -> Result<(), Unavailable> {
        let mut parts = Vec::new();
        let mut values = Vec::new();
        let numbered = numbers_values(conn);
        if !contents.is_empty() {
            let (marks, more) = list_after(numbered.then_some(0), contents);
            values.extend(more);
            let columns = packing::COLUMNS;
            parts.push(format!("SELECT id, state, NULL AS order_key, {columns} FROM items WHERE id IN ({marks})"));
        }
        if !orders.is_empty() {
            let (marks, more) = list_after(numbered.then_some(values.len()), orders);
            values.extend(more);
            parts.push(if numbered {
                // PostgreSQL takes a key that it has no statistics on yet for one of 200 different ones, and reads the whole table
                // for a list of them: one look into the index for each, which `OFFSET 0` keeps apart.
                let rows = marks.replace(", ", "), (");
                format!(
                    "SELECT i.id, i.state, i.order_key, '', NULL, NULL \
                     FROM (SELECT DISTINCT k FROM (VALUES ({rows})) v (k)) keys \
                     CROSS JOIN LATERAL (SELECT id, state, order_key FROM items \
                     WHERE order_key = k AND standing <> 'replaced' OFFSET 0) i"
                )
            } else {
                format!(
                    "SELECT id, state, order_key, '', NULL, NULL FROM items \
                     WHERE order_key IN ({marks}) AND standing <> 'replaced'"
                )
            });
        }
        if parts.is_empty() {
            return Ok(());
        }
        let rows = statement(parts.join(" UNION ALL "), values).fetch_all(&mut *conn).await;
        let mut current = Vec::new();
        for row in rows.map_err(|e| trouble(&e))? {
            let id = id_of(&row, 0)?;
            let text: String = row.try_get(1).map_err(|e| trouble(&e))?;
            let order: Option<String> = row.try_get(2).map_err(|e| trouble(&e))?;
            match order {
                None => {
                    let report = packing::in_row(&row, 3, &id).map_err(of_item(&id))?;
                    let report = dictionaries.kept(&mut *conn, report, &id).await.map_err(of_item(&id))?;
                    let summary = state_of(&text).map_err(of_item(&id))?;
                    self.put(id, summary, report);
                }
                Some(order) => current.push((order, id, text)),
            }
        }
        for (order, id, text) in current {
            if !self.items.contains_key(&id) {
                let summary = state_of(&text).map_err(of_item(&id))?;
                self.put(id.clone(), summary, Kept::default());
            }
            self.current.insert(order, id);
        }
        Ok(())
    }
}
