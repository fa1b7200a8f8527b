//! Items as rows.

use super::work::Held;
use crate::queue::Lane;
use crate::queue::item::{ItemId, Summary};
use crate::queue::urgency::Times;
use crate::queue::work::{Decision, LaneState};
use crate::store::Unavailable;
use crate::store::sql::{Value, damaged, statement, trouble};
use sqlx::AnyConnection;
use std::fmt::Write as _;

pub(in crate::store) const ITEM_COLUMNS: [&str; 25] = [
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
];

fn lane_columns(summary: &Summary, lane: Lane) -> [Value; 3] {
    let state = &summary.lane(lane).state;
    [state.word().into(), state.by().map(|by| by.id.clone()).into(), state.until().into()]
}

/// What is searched for words.
fn search_text(summary: &Summary) -> String {
    let mut out = String::new();
    let lanes = [&summary.pharmacist.state, &summary.dietitian.state];
    let people = lanes.iter().filter_map(|state| state.by()).map(|by| by.name.as_str());
    let decided = lanes.iter().filter_map(|state| match state {
        LaneState::Decided { decision: Decision::Changed { note }, .. } => Some(note.as_str()),
        _ => None,
    });
    let own = [
        summary.label.as_str(),
        &summary.key.patient,
        &summary.key.order,
        summary.ward.as_deref().unwrap_or_default(),
        &summary.headline,
    ];
    let named = summary.patient_texts();
    let named = named.iter().map(String::as_str);
    let rules = summary.rules.iter().map(String::as_str);
    for part in own.into_iter().chain(named).chain(rules).chain(people).chain(decided) {
        let _ = writeln!(out, "{}", part.to_lowercase());
    }
    out
}

/// All columns but the report's and the last.
pub(super) fn row_of(s: &Summary, times: &Times) -> Result<Vec<Value>, Unavailable> {
    let state = serde_json::to_string(s).map_err(|error| damaged("an item", &error))?;
    let rules = format!("|{}|", s.rules.join("|"));
    let [pharmacist, pharmacist_by, pharmacist_until] = lane_columns(s, Lane::Pharmacist);
    let [dietitian, dietitian_by, dietitian_until] = lane_columns(s, Lane::Dietitian);
    let mut row = Vec::with_capacity(ITEM_COLUMNS.len());
    row.extend([
        s.id.as_str().into(),
        s.key.text().into(),
        s.standing.word().into(),
        s.sort_key(times).into(),
        i64::from(s.grade()).into(),
        s.tier.map(|tier| tier.code().to_owned()).into(),
        i64::from(s.not_evaluated > 0).into(),
        s.ward.clone().into(),
        s.key.patient.as_str().into(),
        s.starts.into(),
        s.received.into(),
        s.changed_at.into(),
        pharmacist,
        pharmacist_by,
        pharmacist_until,
        dietitian,
        dietitian_by,
        dietitian_until,
        rules.into(),
        search_text(s).into(),
        state.into(),
    ]);
    Ok(row)
}

/// Columns that say again what the summary of an item says. Those by which items are sorted and found follow from
/// settings and programs that change, and are not among them.
pub(in crate::store) const SAID_AGAIN: [&str; 16] = [
    "order_key",
    "standing",
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
];

/// What those columns of an item must hold.
pub(in crate::store) fn said_again(summary: &Summary) -> Result<Vec<(&'static str, Value)>, Unavailable> {
    let row = ITEM_COLUMNS.into_iter().zip(row_of(summary, &Times::default())?);
    Ok(row.filter(|(column, _)| SAID_AGAIN.contains(column)).collect())
}

/// Columns that change after an item was made; of the report only when it was judged again.
pub(super) async fn update(
    conn: &mut AnyConnection,
    id: &ItemId,
    held: Held,
    times: &Times,
) -> Result<(), Unavailable> {
    let judged = held.judged;
    let mut row = row_of(&held.summary, times)?;
    if judged {
        row.extend(held.report.values());
    }
    let mut set = String::new();
    let mut values = Vec::new();
    for (column, value) in ITEM_COLUMNS.iter().zip(row) {
        let fixed = matches!(*column, "id" | "order_key" | "resource" | "patient" | "received" | "starts");
        if fixed {
            continue;
        }
        values.push(value);
        let comma = if set.is_empty() { "" } else { ", " };
        let _ = write!(set, "{comma}{column} = ${}", values.len());
    }
    values.push(id.as_str().into());
    let sql = format!("UPDATE items SET {set} WHERE id = ${}", values.len());
    let changed = statement(sql, values).execute(conn).await.map_err(|e| trouble(&e))?.rows_affected();
    if changed != 1 {
        return Err(Unavailable::Database("an item vanished while it was changed".to_owned()));
    }
    Ok(())
}
