//! Reading: lists, counts, an item, its trail. Each answer is of one moment where it is one statement.

use super::packing::{self, Dictionaries};
use super::sql::{Value, damaged, statement, trouble};
use super::words::words;
use super::writer::of_item;
use super::{
    Committed, Counts, Filter, Key, LaneIs, MOST_COMMITTED, MOST_OF_A_PAGE, Mark, Page, Query, TaskOf, Unavailable,
};
use crate::queue::item::{Item, ItemId, Summary};
use crate::queue::tally::{Fate, LastFound, RuleStatistics};
use crate::queue::task::TaskIs;
use crate::queue::trail::Entry;
use crate::queue::urgency;
use crate::queue::{Lane, Person};
use jiff::Timestamp;
use jiff::civil::Date;
use serde::de::DeserializeOwned;
use sqlx::any::AnyRow;
use sqlx::{AnyPool, Row};
use std::collections::{BTreeMap, HashMap, HashSet};
use std::fmt::Write as _;

fn text(row: &AnyRow, at: usize) -> Result<String, Unavailable> {
    row.try_get(at).map_err(|error| trouble(&error))
}

fn whole(row: &AnyRow, at: usize) -> Result<u64, Unavailable> {
    let n: i64 = row.try_get(at).map_err(|error| trouble(&error))?;
    Ok(u64::try_from(n).unwrap_or_default())
}

fn read<T: DeserializeOwned>(what: &str, text: &str) -> Result<T, Unavailable> {
    serde_json::from_str(text).map_err(|error| damaged(what, &error))
}

async fn rows(pool: &AnyPool, sql: String, values: Vec<Value>) -> Result<Vec<AnyRow>, Unavailable> {
    statement(sql, values).fetch_all(pool).await.map_err(|error| trouble(&error))
}

/// When an order was received last, as far as that is kept.
pub(super) async fn last_received(pool: &AnyPool) -> Result<Option<i64>, Unavailable> {
    let row = statement("SELECT MAX(received) FROM items".to_owned(), []).fetch_one(pool).await;
    row.and_then(|row| row.try_get(0)).map_err(|error| trouble(&error))
}

/// Orders that have an item which is their content now, so many at most.
pub(super) async fn current_orders(pool: &AnyPool, most: usize) -> Result<HashSet<String>, Unavailable> {
    let sql =
        format!("SELECT order_key FROM items WHERE order_key IS NOT NULL AND standing <> 'replaced' LIMIT {most}");
    rows(pool, sql, Vec::new()).await?.iter().map(|row| text(row, 0)).collect()
}

/// Whether any of these orders has an item which is its content now.
pub(super) async fn any_current(pool: &AnyPool, keys: Vec<String>) -> Result<bool, Unavailable> {
    let (marks, values) = super::statements::list(keys);
    let sql = format!("SELECT id FROM items WHERE order_key IN ({marks}) AND standing <> 'replaced' LIMIT 1");
    Ok(!rows(pool, sql, values).await?.is_empty())
}

/// Whether there is an item that a purge would remove.
pub(super) async fn any_past(pool: &AnyPool, before: Timestamp) -> Result<bool, Unavailable> {
    let sql = "SELECT id FROM items WHERE standing <> 'open' AND changed < $1 LIMIT 1".to_owned();
    Ok(!rows(pool, sql, vec![before.into()]).await?.is_empty())
}

pub(super) async fn get(
    pool: &AnyPool,
    dictionaries: &Dictionaries,
    item: &ItemId,
) -> Result<Option<Item>, Unavailable> {
    let sql = format!("SELECT state, resource, {} FROM items WHERE id = $1", packing::COLUMNS);
    let row = statement(sql, [item.as_str().into()]).fetch_optional(pool).await.map_err(|error| trouble(&error))?;
    let Some(row) = row else { return Ok(None) };
    let whole = async {
        let kept = dictionaries.kept(pool, packing::in_row(&row, 2, item)?, item).await?;
        Ok(Item {
            summary: read("an item", &text(&row, 0)?)?,
            report: read(&super::writer::of_report(item), &kept.text(item)?)?,
            resource: text(&row, 1)?,
        })
    };
    whole.await.map(Some).map_err(of_item(item))
}

pub(super) async fn trail(pool: &AnyPool, item: &ItemId) -> Result<Vec<Entry>, Unavailable> {
    let sql = "SELECT detail FROM trail WHERE item = $1 AND detail IS NOT NULL ORDER BY seq".to_owned();
    let rows = rows(pool, sql, vec![item.as_str().into()]).await?;
    rows.iter().map(|row| read("an entry of the trail", &text(row, 0)?).map_err(of_item(item))).collect()
}

/// How many of the newest entries of the trail are looked at for people, and how many of people are read at most.
const NEWEST: usize = 20_000;
const OF_PEOPLE: usize = 2_000;

/// Who of the lanes did or looked at something since a time, each with when last.
pub(super) async fn seen_lately(pool: &AnyPool, since: Timestamp) -> Result<Vec<(Person, Timestamp)>, Unavailable> {
    // A text that somebody wrote has its quotation marks escaped.
    let sql = format!(
        "SELECT item, detail FROM trail WHERE seq > (SELECT COALESCE(MAX(seq), 0) FROM trail) - {NEWEST} \
         AND item IS NOT NULL AND detail IS NOT NULL \
         AND (detail LIKE '%\"role\":\"pharmacist\"%' OR detail LIKE '%\"role\":\"dietitian\"%') \
         ORDER BY seq DESC LIMIT {OF_PEOPLE}"
    );
    let mut out: BTreeMap<String, (Person, Timestamp)> = BTreeMap::new();
    for row in rows(pool, sql, Vec::new()).await? {
        // An entry that cannot be read is told of where its order is shown.
        let Ok(entry) = read::<Entry>("an entry of the trail", &text(&row, 1)?) else { continue };
        if entry.at >= since && entry.by.role.lane().is_some() {
            out.entry(entry.by.id.clone()).or_insert((entry.by, entry.at));
        }
    }
    Ok(out.into_values().collect())
}

/// Where what was committed ends: the last entry, and changes without one that are noted after it.
pub(super) async fn mark(pool: &AnyPool) -> Result<Mark, Unavailable> {
    let sql = "SELECT last.seq, (SELECT COUNT(*) FROM moves WHERE at_seq = last.seq) \
               FROM (SELECT COALESCE(MAX(seq), 0) AS seq FROM trail) AS last";
    let row = statement(sql.to_owned(), []).fetch_one(pool).await.map_err(|error| trouble(&error))?;
    let number = |at: usize| row.try_get::<i64, _>(at).map_err(|error| trouble(&error));
    Ok(Mark { entry: number(0)?, moves: number(1)? })
}

/// What was committed after a place.
pub(super) async fn committed(pool: &AnyPool, after: Mark) -> Result<Committed, Unavailable> {
    let now = mark(pool).await?;
    if now.entry < after.entry {
        return Err(Unavailable::NoSuchPage);
    }
    let mut out = Committed::default();
    // A text that somebody wrote has its quotation marks escaped.
    let sql = format!(
        "SELECT item, detail FROM trail WHERE seq > $1 AND item IS NOT NULL AND detail IS NOT NULL \
         AND detail NOT LIKE '%\"what\":\"viewed\"%' ORDER BY seq LIMIT {}",
        MOST_COMMITTED + 1
    );
    let found = rows(pool, sql, vec![after.entry.into()]).await?;
    out.all = found.len() <= MOST_COMMITTED;
    for row in found.iter().take(MOST_COMMITTED) {
        match serde_json::from_str(&text(row, 1)?) {
            Ok(entry) => out.entries.push(entry),
            Err(_) => out.unread.push(super::sql::id_of(row, 0)?),
        }
    }
    let sql = "SELECT at_seq, item FROM moves WHERE at_seq >= $1".to_owned();
    let found = rows(pool, sql, vec![after.entry.into()]).await?;
    let at = |row: &AnyRow| row.try_get::<i64, _>(0).map_err(|error| trouble(&error));
    let mut same = Vec::new();
    for row in &found {
        let item = super::sql::id_of(row, 1)?;
        if at(row)? > after.entry { out.moved.push(item) } else { same.push(item) }
    }
    // Of those that are noted after the same entry it is not known which came later.
    if i64::try_from(same.len()).unwrap_or(i64::MAX) > after.moves {
        out.moved.extend(same);
    }
    Ok(out)
}

/// Conditions with their values.
#[derive(Clone, Default)]
struct Where {
    sql: String,
    values: Vec<Value>,
}

impl Where {
    /// Adds a condition; every `?` of it is one of the values.
    fn and(&mut self, condition: &str, values: impl IntoIterator<Item = Value>) {
        self.sql.push_str(if self.sql.is_empty() { " WHERE (" } else { " AND (" });
        let mut values = values.into_iter();
        for part in condition.split_inclusive('?') {
            match part.strip_suffix('?') {
                Some(before) => {
                    self.values.extend(values.next());
                    let _ = write!(self.sql, "{before}${}", self.values.len());
                }
                None => self.sql.push_str(part),
            }
        }
        self.sql.push(')');
    }

    fn any_of(&mut self, column: &str, values: Vec<Value>) {
        if !values.is_empty() {
            let marks = vec!["?"; values.len()].join(", ");
            self.and(&format!("{column} IN ({marks})"), values);
        }
    }

    fn of_task(&mut self, task: &TaskOf, now: Timestamp) {
        let (mut any, mut values) = (Vec::new(), Vec::<Value>::new());
        for lane in &task.lanes {
            let lane = lane.word();
            let mut is = Vec::new();
            for one in &task.is {
                is.push(match one {
                    TaskIs::Requested => {
                        values.push(now.into());
                        format!("standing = 'open' AND ({lane} = 'open' OR {lane}_until <= ?)")
                    }
                    TaskIs::InProgress => {
                        values.push(now.into());
                        format!("standing = 'open' AND ({lane} = 'asked' OR {lane}_until > ?)")
                    }
                    TaskIs::Completed => format!("standing <> 'replaced' AND {lane} = 'decided'"),
                    TaskIs::Cancelled => {
                        format!("standing = 'replaced' OR (standing = 'closed' AND {lane} <> 'decided')")
                    }
                });
            }
            let mut all = vec![format!("{lane} <> 'not-asked'")];
            if !is.is_empty() {
                all.push(format!("(({}))", is.join(") OR (")));
            }
            if let Some(by) = &task.by {
                values.extend([by.as_str().into(), now.into()]);
                all.push(format!("{lane}_by = ? AND ({lane}_until IS NULL OR {lane}_until > ?)"));
            }
            any.push(format!("({})", all.join(" AND ")));
        }
        let any = any.join(" OR ");
        self.and(if any.is_empty() { "1 = 0" } else { &any }, values);
    }

    fn of(filter: &Filter, now: Timestamp) -> Self {
        let mut out = Self::default();
        out.any_of("standing", filter.standing.iter().map(|standing| standing.word().into()).collect());
        out.any_of("tier", filter.tiers.iter().map(|tier| tier.code().into()).collect());
        out.any_of("grade", filter.grades.iter().map(|grade| i64::from(*grade).into()).collect());
        match filter.ids.as_deref() {
            None => {}
            Some([]) => out.and("1 = 0", []),
            Some(ids) => out.any_of("id", ids.iter().map(|id| id.as_str().into()).collect()),
        }
        if let Some(task) = &filter.task {
            out.of_task(task, now);
        }
        if let Some((lanes, is)) = &filter.lane {
            let one = |lane: &Lane| {
                let lane = lane.word();
                match is {
                    LaneIs::Waiting => format!("{lane} NOT IN ('not-asked', 'decided')"),
                    LaneIs::Free => {
                        format!("{lane} = 'open' OR ({lane} IN ('taken', 'snoozed') AND {lane}_until <= ?)")
                    }
                    LaneIs::Taken => format!("{lane} = 'taken' AND {lane}_until > ?"),
                    LaneIs::Snoozed => format!("{lane} = 'snoozed' AND {lane}_until > ?"),
                    LaneIs::Asked => format!("{lane} = 'asked'"),
                    LaneIs::Decided => format!("{lane} = 'decided'"),
                }
            };
            let any: Vec<String> = lanes.iter().map(|lane| format!("({})", one(lane))).collect();
            let any = any.join(" OR ");
            let times = vec![Value::from(now); any.matches('?').count()];
            out.and(if any.is_empty() { "1 = 0" } else { &any }, times);
        }
        if let Some(ward) = &filter.ward {
            if ward.is_empty() {
                out.and("ward IS NULL", []);
            } else {
                out.and("ward = ?", [ward.as_str().into()]);
            }
        }
        // Without LIKE, which takes large and small letters for the same in one of the databases.
        if let Some(rule) = &filter.rule {
            out.and("replace(rules, ?, '') <> rules", [format!("|{rule}|").into()]);
        }
        if let Some(patient) = &filter.patient {
            let end = format!("/{patient}");
            let mut any = "patient = ? OR substr(patient, length(patient) - length(?) + 1) = ?".to_owned();
            let mut values: Vec<Value> = vec![patient.as_str().into(), end.as_str().into(), end.into()];
            // An order names its patient relative to the server it is from, which its state tells.
            if let Some((base, own)) = split_absolute(patient) {
                any.push_str(" OR (patient = ? AND replace(state, ?, '') <> state)");
                values.extend([own.into(), format!("\"base\":{}", serde_json::Value::from(base)).into()]);
            }
            out.and(&any, values);
        }
        if let Some(by) = &filter.by {
            out.and("pharmacist_by = ? OR dietitian_by = ?", [by.as_str().into(), by.as_str().into()]);
        }
        let times = [
            ("received <= ?", filter.received_by),
            ("received >= ?", filter.received_from),
            ("starts < ?", filter.starts_before),
            ("starts >= ?", filter.starts_from),
            ("changed >= ?", filter.changed_from),
            ("changed < ?", filter.changed_before),
        ];
        for (condition, time) in times {
            if let Some(time) = time {
                out.and(condition, [time.into()]);
            }
        }
        for (column, outside) in [("received", &filter.received_outside), ("changed", &filter.changed_outside)] {
            for (from, before) in outside {
                out.and(&format!("{column} < ? OR {column} >= ?"), [(*from).into(), (*before).into()]);
            }
        }
        if let Some(missing) = filter.not_fully_checked {
            out.and("not_checked = ?", [i64::from(missing).into()]);
        }
        for readings in words(&filter.search) {
            let any = vec!["search LIKE ? ESCAPE '\\'"; readings.len()].join(" OR ");
            out.and(&any, readings.iter().map(|word| format!("%{}%", escaped(word)).into()).collect::<Vec<_>>());
        }
        out
    }
}

/// Whether a reference to a patient is absolute.
pub(super) fn is_absolute(reference: &str) -> bool {
    split_absolute(reference).is_some()
}

/// An absolute reference in its base and what is relative to that.
fn split_absolute(reference: &str) -> Option<(&str, &str)> {
    let (front, _) = reference.rsplit_once('/')?;
    let (base, _) = front.rsplit_once('/')?;
    let own = reference.get(base.len() + 1..)?;
    base.contains("://").then_some((base, own))
}

/// A text as it stands, between the signs of `LIKE`.
fn escaped(text: &str) -> String {
    text.replace('\\', "\\\\").replace('%', "\\%").replace('_', "\\_")
}

/// Where a page ended: what it was sorted by, and the id.
pub(super) fn read_cursor(cursor: &str) -> Result<(&str, ItemId), Unavailable> {
    cursor
        .split_once('.')
        .and_then(|(key, id)| Some((key, ItemId::read(id)?)))
        .filter(|(key, _)| key.bytes().all(|b| b.is_ascii_digit() || b == b'-'))
        .ok_or(Unavailable::NoSuchPage)
}

/// What says that an item is put off for these lanes, as [`Summary::put_off`], and how often it asks for the time.
fn put_off(lanes: &[Lane]) -> String {
    let snoozed = |lane: &Lane| format!("({0} = 'snoozed' AND COALESCE({0}_until, 0) > ?)", lane.word());
    let any: Vec<String> = lanes.iter().map(snoozed).collect();
    let no_other = |lane: &Lane| format!("({} IN ('not-asked', 'decided') OR {})", lane.word(), snoozed(lane));
    let all: Vec<String> = lanes.iter().map(no_other).collect();
    if lanes.is_empty() {
        return "1 = 0".to_owned();
    }
    format!("standing = 'open' AND ({}) AND {}", any.join(" OR "), all.join(" AND "))
}

/// Before the digits of a cursor's sort key, where the item is put off.
const PUT_OFF: char = '1';

/// An item of a list, or the id of one that cannot be read, and its place.
struct Listed {
    item: Result<Summary, ItemId>,
    place: String,
}

/// By urgency, in two parts: what is put off after everything else. So each part is read in the order of an index. Items
/// with the place of each, one more than the page has where there is another.
async fn by_urgency(pool: &AnyPool, found: &Where, query: &Query, most: usize) -> Result<Vec<Listed>, Unavailable> {
    let behind = put_off(query.filter.lanes());
    let cursor = query.after.as_deref().map(read_cursor).transpose()?;
    // A sort key has one length; one more digit stands for what is put off.
    let usual = urgency::sort_key(0, query.now).len();
    let cursor = cursor.map(|(key, id)| match key.strip_prefix(PUT_OFF).filter(|own| own.len() == usual) {
        Some(key) => (true, key, id),
        None => (false, key, id),
    });
    let mut out = Vec::new();
    for last in [false, true] {
        let left = most.saturating_sub(out.len());
        if left == 0 || cursor.as_ref().is_some_and(|(of_last, ..)| *of_last && !last) {
            continue;
        }
        let mut part = found.clone();
        let times = vec![Value::from(query.now); behind.matches('?').count()];
        part.and(&if last { behind.clone() } else { format!("NOT ({behind})") }, times);
        if let Some((_, key, id)) = cursor.as_ref().filter(|(of_last, ..)| *of_last == last) {
            let values: [Value; 3] = [(*key).into(), (*key).into(), id.as_str().into()];
            part.and("sort_key > ? OR (sort_key = ? AND id > ?)", values);
        }
        let sql = format!("SELECT id, state, sort_key FROM items{} ORDER BY sort_key, id LIMIT {left}", part.sql);
        for row in rows(pool, sql, part.values).await? {
            let id = super::sql::id_of(&row, 0)?;
            // As it is kept: what it was sorted by.
            let key = text(&row, 2)?;
            let place = if last { format!("{PUT_OFF}{key}.{id}") } else { format!("{key}.{id}") };
            out.push(Listed { item: serde_json::from_str(&text(&row, 1)?).map_err(|_| id), place });
        }
    }
    Ok(out)
}

async fn by_key(
    pool: &AnyPool,
    mut found: Where,
    query: &Query,
    (key, down): (Key, bool),
    most: usize,
) -> Result<Vec<Listed>, Unavailable> {
    let column = match key {
        Key::Received => "received",
        Key::Changed => "changed",
        Key::Grade => "grade",
    };
    if let Some(cursor) = &query.after {
        let (at, id) = read_cursor(cursor)?;
        let at: i64 = at.parse().map_err(|_| Unavailable::NoSuchPage)?;
        let beyond = if down { "<" } else { ">" };
        let condition = format!("{column} {beyond} ? OR ({column} = ? AND id > ?)");
        found.and(&condition, [at.into(), at.into(), id.as_str().into()]);
    }
    let way = if down { " DESC" } else { "" };
    let sql = format!("SELECT id, state, {column} FROM items{} ORDER BY {column}{way}, id LIMIT {most}", found.sql);
    let mut out = Vec::new();
    for row in rows(pool, sql, found.values).await? {
        let id = super::sql::id_of(&row, 0)?;
        let at: i64 = row.try_get(2).map_err(|error| trouble(&error))?;
        let place = format!("{at}.{id}");
        out.push(Listed { item: serde_json::from_str(&text(&row, 1)?).map_err(|_| id), place });
    }
    Ok(out)
}

pub(super) async fn list(pool: &AnyPool, query: &Query) -> Result<Page, Unavailable> {
    let found = Where::of(&query.filter, query.now);
    let sql = format!("SELECT COUNT(*) FROM items{}", found.sql);
    let all = rows(pool, sql, found.values.clone()).await?;
    let total = all.first().map(|row| whole(row, 0)).transpose()?.unwrap_or_default();
    let limit = query.limit.clamp(1, MOST_OF_A_PAGE);
    let mut listed = match query.sort.key() {
        None => by_urgency(pool, &found, query, limit + 1).await?,
        Some(key) => by_key(pool, found, query, key, limit + 1).await?,
    };
    let more = listed.len() > limit;
    listed.truncate(limit);
    let next = listed.last().filter(|_| more).map(|listed| listed.place.clone());
    let (mut items, mut damaged) = (Vec::with_capacity(listed.len()), Vec::new());
    for one in listed {
        match one.item {
            Ok(item) => items.push(item),
            Err(id) => damaged.push(id),
        }
    }
    Ok(Page { items, damaged, next, total })
}

/// What is shown of items that were found, in that order; those that are gone meanwhile are left out.
pub(super) async fn summaries(pool: &AnyPool, ids: Vec<ItemId>) -> Result<(Vec<Summary>, Vec<ItemId>), Unavailable> {
    let (mut out, mut damaged) = (Vec::with_capacity(ids.len()), Vec::new());
    if ids.is_empty() {
        return Ok((out, damaged));
    }
    let (marks, values) = super::statements::list(ids.iter().map(ToString::to_string).collect());
    let sql = format!("SELECT id, state FROM items WHERE id IN ({marks})");
    let mut states: HashMap<ItemId, String> = HashMap::with_capacity(ids.len());
    for row in rows(pool, sql, values).await? {
        states.insert(super::sql::id_of(&row, 0)?, text(&row, 1)?);
    }
    for id in ids {
        match states.get(&id).map(|state| serde_json::from_str(state)) {
            Some(Ok(summary)) => out.push(summary),
            Some(Err(_)) => damaged.push(id),
            None => {}
        }
    }
    Ok((out, damaged))
}

pub(super) async fn counts(pool: &AnyPool, now: Timestamp) -> Result<Counts, Unavailable> {
    let mut out = Counts::default();
    let sql = "SELECT COUNT(*), COALESCE(CAST(SUM(not_checked) AS BIGINT), 0), MIN(received), (SELECT MAX(received) FROM items) FROM items WHERE standing = 'open'";
    if let Some(row) = rows(pool, sql.to_owned(), Vec::new()).await?.first() {
        out.open = whole(row, 0)?;
        out.not_fully_checked = whole(row, 1)?;
        let oldest: Option<i64> = row.try_get(2).map_err(|error| trouble(&error))?;
        out.oldest = oldest.and_then(|at| Timestamp::from_microsecond(at).ok());
        let newest: Option<i64> = row.try_get(3).map_err(|error| trouble(&error))?;
        out.newest = newest.and_then(|at| Timestamp::from_microsecond(at).ok());
    }
    let by = async |what: &str, values: Vec<Value>| -> Result<BTreeMap<String, u64>, Unavailable> {
        let sql = format!("SELECT {what}, COUNT(*) FROM items WHERE standing = 'open' GROUP BY 1");
        rows(pool, sql, values).await?.iter().map(|row| Ok((text(row, 0)?, whole(row, 1)?))).collect()
    };
    out.tiers = by("COALESCE(tier, 'none')", Vec::new()).await?;
    out.wards = by("COALESCE(ward, '')", Vec::new()).await?;
    for lane in Lane::ALL {
        let name = lane.word();
        let state = format!("CASE WHEN {name}_until <= $1 THEN 'open' ELSE {name} END");
        out.lanes.insert(lane, by(&state, vec![now.into()]).await?);
    }
    Ok(out)
}

/// When each rule last found something.
pub(super) async fn last_found(pool: &AnyPool) -> Result<LastFound, Unavailable> {
    let date =
        |text: String| text.parse::<Date>().map_err(|_| Unavailable::Damaged(format!("the day {text} of a count")));
    let mut out = LastFound::default();
    for row in rows(pool, "SELECT MIN(day) FROM counts".to_owned(), Vec::new()).await? {
        let day: Option<String> = row.try_get(0).map_err(|error| trouble(&error))?;
        out.since = day.map(date).transpose()?;
    }
    let sql = format!("SELECT rule, MAX(day) FROM counts WHERE fate = '{}' GROUP BY rule", Fate::Fired.word());
    for row in rows(pool, sql, Vec::new()).await? {
        out.of.insert(text(&row, 0)?, date(text(&row, 1)?)?);
    }
    Ok(out)
}

pub(super) async fn statistics(pool: &AnyPool, from: Date, to: Date) -> Result<Vec<RuleStatistics>, Unavailable> {
    let sql = "SELECT rule, fate, reason, CAST(SUM(n) AS BIGINT) FROM counts WHERE day >= $1 AND day <= $2 \
               GROUP BY rule, fate, reason ORDER BY rule";
    let values = vec![from.to_string().into(), to.to_string().into()];
    let mut out: Vec<RuleStatistics> = Vec::new();
    for row in rows(pool, sql.to_owned(), values).await? {
        let rule = text(&row, 0)?;
        let Some(fate) = Fate::of(&text(&row, 1)?) else { continue };
        let n: i64 = row.try_get(3).map_err(|error| trouble(&error))?;
        if out.last().is_none_or(|last| last.rule != rule) {
            out.push(RuleStatistics { rule, ..RuleStatistics::default() });
        }
        if let Some(last) = out.last_mut() {
            last.add(fate, &text(&row, 2)?, n);
        }
    }
    Ok(out)
}
