//! The trail: entries sealed one after the other.

use super::ready::{Entered, detail_of};
use crate::audit;
use crate::audit::chain::{Anchor, Chain};
use crate::audit::{Kind, On, Outcome, Reference, Who, Word};
use crate::queue::trail::Entry;
use crate::queue::{Person, Role};
use crate::store::Unavailable;
use crate::store::sql::{Value, number, statement, trouble};
use jiff::Timestamp;
use sqlx::{AnyConnection, Row};

fn who(person: &Person) -> Who {
    let kind = if person.role == Role::Program { Kind::Program } else { Kind::Person };
    Who { reference: Reference::new(&person.id), ..Who::nameless(kind) }
}

/// The place of the last entry of the trail.
pub(in crate::store) async fn last_of_the_chain(conn: &mut AnyConnection) -> Result<Anchor, Unavailable> {
    let sql = "SELECT line FROM trail ORDER BY seq DESC LIMIT 1".to_owned();
    let row = statement(sql, []).fetch_optional(conn).await.map_err(|e| trouble(&e))?;
    let Some(row) = row else { return Ok(Anchor::default()) };
    let line: String = row.try_get(0).map_err(|e| trouble(&e))?;
    let entry = audit::line::read(line.as_bytes()).map_err(|why| Unavailable::Damaged(format!("the trail {why}")))?;
    Ok(Anchor { sequence: entry.sequence, hash: entry.hash })
}

/// Writes a line into the trail that is about no item: what was done, and with how many.
pub(in crate::store) async fn note(
    conn: &mut AnyConnection,
    action: &'static str,
    by: &Person,
    at: Timestamp,
    count: u64,
) -> Result<(), Unavailable> {
    let outcome = Outcome { count: Some(u32::try_from(count).unwrap_or(u32::MAX)), ..Outcome::of("done") };
    let (who, on, versions) = (who(by), On::default(), audit::Versions::new());
    let event = audit::Event { time: at, who, action: Word::of(action), on, outcome, versions };
    let mut chain = Chain::after(last_of_the_chain(conn).await?);
    let (entry, line) = audit::line::seal(&chain, event);
    chain.advance(&entry);
    let line = text_of(line);
    let sql = "INSERT INTO trail (seq, line) VALUES ($1, $2)".to_owned();
    let values = [Value::Int(number(entry.sequence)), Value::Text(line)];
    statement(sql, values).execute(conn).await.map(drop).map_err(|e| trouble(&e))
}

/// A line of the trail, which is JSON.
fn text_of(line: Vec<u8>) -> String {
    String::from_utf8(line).unwrap_or_else(|error| String::from_utf8_lossy(error.as_bytes()).into_owned())
}

/// Entries in their places after another, as rows; and the entries.
pub(super) fn seal(after: Anchor, entries: Vec<Entered>) -> Result<(Vec<Vec<Value>>, Vec<Entry>), Unavailable> {
    let mut chain = Chain::after(after);
    let mut rows = Vec::with_capacity(entries.len());
    let mut spent = Vec::with_capacity(entries.len());
    for Entered { entry, command, detail } in entries {
        let (detail, content) = match detail {
            Some(known) => known,
            None => detail_of(&entry)?,
        };
        let event = audit::Event {
            time: entry.at,
            who: who(&entry.by),
            action: Word::of(entry.what.word()),
            on: On { content: Some(content), item: Reference::new(entry.item.as_str()), ..On::default() },
            outcome: Outcome::of("done"),
            versions: audit::Versions::new(),
        };
        let (sealed, line) = audit::line::seal(&chain, event);
        chain.advance(&sealed);
        let line = text_of(line);
        rows.push(vec![
            number(sealed.sequence).into(),
            line.into(),
            entry.item.as_str().into(),
            detail.into(),
            command.into(),
        ]);
        spent.push(entry);
    }
    Ok((rows, spent))
}
