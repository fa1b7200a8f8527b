//! The queue in FHIR's terms: what a lane has to do with an item is a Task, each finding of the item a DetectedIssue. Read only; people work at the
//! pages. What is told is told by version: R4 and R5 differ in a few names.

use super::App;
use super::asked::{Search, Takes};
use super::elements::Elements;
use super::negotiate;
use super::operations::base;
use super::refusal::Refusal;
use super::trail::Noted;
use crate::answer::{FINDING_SYSTEM, LIMIT_SYSTEM, PROGRAM};
use crate::findings::Tier;
use crate::intake::order::FhirVersion;
use crate::queue::item::{Item, ItemId, Standing, Summary};
use crate::queue::report::Found;
use crate::queue::task::{TaskId, TaskIs};
use crate::queue::urgency::Times;
use crate::queue::work::{ACCEPT_REASONS, Decision, LaneState};
use crate::queue::{Lane, Person};
use crate::store::{Filter, Key, Query, Sort, Store, TaskOf, Unavailable};
use crate::subscriptions::{self, PRIORITY};
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::{StatusCode, header};
use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use serde_json::{Value, json};
use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

/// System of the ids of items.
pub const ITEMS: &str = "https://enteral-gate.example/fhir/queue-item";

/// Entries of a page where the client does not say.
const PAGE: usize = 50;

/// Who performs a task: the lane and its concept in SNOMED CT (from memory, to be confirmed).
const PERFORMER: [(Lane, &str, &str); 2] =
    [(Lane::Pharmacist, "46255001", "Pharmacist"), (Lane::Dietitian, "159033005", "Dietitian")];
const SNOMED: &str = "http://snomed.info/sct";

/// Parameters of a search for Tasks.
pub const TASK_PARAMETERS: [(&str, &str, &str); 14] = [
    ("_id", "token", "Ids, separated by commas; beside it only what sorts, counts, pages and tells parts."),
    ("status", "token", "requested, in-progress, completed, cancelled; several separated by commas."),
    ("priority", "token", "stat, asap, urgent, routine; several separated by commas."),
    ("owner", "reference", "Id of who holds it, asked the prescriber, put it off or decided."),
    ("performer", "token", "pharmacist, dietitian, or their codes in SNOMED CT; several separated by commas."),
    ("patient", "reference", "The patient as the order names them, or their id; patient:Patient with their id."),
    (
        "authored-on",
        "date",
        "When the order was received first; with the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap (a tenth of the time from then to now on either side).",
    ),
    ("modified", "date", "When anything changed last; as authored-on."),
    ("_lastUpdated", "date", "The same."),
    (
        "_sort",
        "special",
        "authored-on, modified, _lastUpdated or priority (routine first); with - before it the other way round. Otherwise what changed last comes first.",
    ),
    ("_count", "number", "Most entries of a page, 200 at the most; 0: only how many there are."),
    ("_total", "token", "none: not how many there are; accurate or estimate: exactly how many, as without it."),
    ("_summary", "token", "count: only how many there are; false: whole."),
    ("_elements", "special", "Names of elements, separated by commas: only these, and those that have to be there."),
];

/// Parameters of a search for DetectedIssues: those of the Tasks that they are findings of.
pub const ISSUE_PARAMETERS: [(&str, &str, &str); 8] = [
    ("patient", "reference", "The patient as the order names them, or their id; patient:Patient with their id."),
    (
        "identified",
        "date",
        "When the order was received first; with the prefixes eq, ne, gt, lt, ge, le, sa, eb, ap (a tenth of the time from then to now on either side).",
    ),
    ("_lastUpdated", "date", "When anything changed last; as identified."),
    (
        "_sort",
        "special",
        "identified or _lastUpdated; with - before it the other way round. Otherwise what changed last comes first.",
    ),
    ("_count", "number", "Most entries of a page, 200 at the most; 0: only how many there are."),
    (
        "_total",
        "token",
        "none: not how many there are, as without it; accurate or estimate: exactly how many; of more than 10,000 orders it is not said.",
    ),
    ("_summary", "token", "count: only how many there are; false: whole."),
    ("_elements", "special", "Names of elements, separated by commas: only these, and those that have to be there."),
];

/// What is asked of a search.
struct Asked {
    query: Query,
    /// The tasks; of a search for findings none.
    task: TaskOf,
    ids: Option<Vec<(ItemId, Lane)>>,
    /// The second task of the item after which the page begins comes first.
    half: bool,
    /// Findings of the item after which the page begins that were on pages before; 0: all.
    from: usize,
    /// Only how many there are.
    count: bool,
    /// Whether it is to be said how many there are, where that was asked.
    total: Option<bool>,
    /// Which elements are told.
    elements: Elements,
    /// What every search takes.
    search: Search,
    /// The parameters as sent, for the links of a page.
    own: Vec<(String, String)>,
    /// Address of the service as the client wrote it.
    at: String,
}

impl Asked {
    /// Whether it is said how many there are; otherwise as `usual`.
    fn counts(&self, usual: bool) -> bool {
        self.count || self.total.unwrap_or(usual)
    }

    /// Where an item stands among what is sorted so.
    fn place(&self, item: &Summary) -> Option<String> {
        self.query.sort.place(item)
    }
}

/// The address of the service: the configured one, otherwise as the client wrote it; nothing where it wrote none that is one.
pub(super) fn address(request: &Request, app: &App) -> String {
    if let Some(gate) = &app.doors.gate {
        return gate.public_url();
    }
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | ':' | '[' | ']');
    let scheme = if app.doors.certificates.is_some() { "https" } else { "http" };
    if host.is_empty() || !host.chars().all(plain) { String::new() } else { format!("{scheme}://{host}") }
}

fn wrong(name: &str, what: impl Into<String>) -> Refusal {
    Refusal::Parameter(name.to_owned(), what.into())
}

/// The span of a FHIR date or time as it is written: a year, a month, a day, a minute, a second, or a second's part of as many
/// digits, nine at the most.
fn span(text: &str, zone: &TimeZone) -> Option<(Timestamp, Timestamp)> {
    let of_days = |first: Date, next: Date| {
        let begin = |day: Date| zone.to_timestamp(day.at(0, 0, 0, 0)).ok();
        Some((begin(first)?, begin(next)?))
    };
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let number = |text: &str| digits(text).then(|| text.parse::<i16>().ok()).flatten();
    if text.len() == 4 {
        let year = number(text)?;
        return of_days(Date::new(year, 1, 1).ok()?, Date::new(year.checked_add(1)?, 1, 1).ok()?);
    }
    if text.len() == 7 {
        let first: Date = format!("{text}-01").parse().ok()?;
        return of_days(first, first.last_of_month().tomorrow().ok()?);
    }
    if text.len() == 10 {
        let day: Date = text.parse().ok()?;
        return of_days(day, day.tomorrow().ok()?);
    }
    // A `+` in a query arrives as a space.
    let text = text.replace(' ', "+");
    let (day, time) = text.split_once('T')?;
    let (time, offset) = time.split_at(time.find(['Z', '+', '-']).unwrap_or(time.len()));
    let whole = time.split_once('.').map_or(time, |(whole, _)| whole);
    let length = match (whole.split(':').map(str::len).collect::<Vec<_>>().as_slice(), time.split_once('.')) {
        ([2, 2], None) => 60_000_000_000,
        ([2, 2, 2], None) => 1_000_000_000,
        ([2, 2, 2], Some((_, part))) if digits(part) => {
            10_i64.checked_pow(9_u32.checked_sub(part.len().try_into().ok()?)?)?
        }
        _ => return None,
    };
    // The library reads no minute with a zone.
    let seconds = if length == 60_000_000_000 { ":00" } else { "" };
    let at = format!("{day}T{time}{seconds}");
    let first = match offset {
        "" => zone.to_timestamp(at.parse::<DateTime>().ok()?).ok()?,
        offset => format!("{at}{offset}").parse::<Timestamp>().ok()?,
    };
    Some((first, first.checked_add(jiff::SignedDuration::from_nanos(length)).ok()?))
}

/// A time of an item as it is told: to the microsecond, as lists are kept, so that what is told is found by it.
pub(super) fn told_at(at: Timestamp) -> String {
    format!("{at:.6}")
}

/// The first microsecond that is not before a time. What is kept is compared by whole ones.
fn microsecond_from(at: Timestamp) -> Timestamp {
    let rounded = jiff::TimestampRound::new().smallest(jiff::Unit::Microsecond).mode(jiff::RoundMode::Ceil);
    at.round(rounded).unwrap_or(at)
}

/// Times that are looked for.
#[derive(Default)]
pub(super) struct Bounds {
    from: Option<Timestamp>,
    before: Option<Timestamp>,
    /// None of these: from, and before.
    outside: Vec<(Timestamp, Timestamp)>,
}

impl Bounds {
    /// The same for what is kept to the microsecond.
    fn to_microseconds(&self) -> Self {
        let of = |at: &Timestamp| microsecond_from(*at);
        let outside = self.outside.iter().map(|(from, before)| (of(from), of(before))).collect();
        Self { from: self.from.as_ref().map(of), before: self.before.as_ref().map(of), outside }
    }

    pub(super) fn has(&self, at: Timestamp) -> bool {
        self.from.is_none_or(|from| at >= from)
            && self.before.is_none_or(|before| at < before)
            && self.outside.iter().all(|(from, before)| at < *from || at >= *before)
    }
}

/// Narrows bounds by a date with its prefix. Gives what says the same in a link: what is about a date is asked for by its
/// bounds, so that the next page is of the same search, however late.
pub(super) fn bounds(
    name: &str,
    value: &str,
    (zone, now): (&TimeZone, Timestamp),
    bounds: &mut Bounds,
) -> Result<Vec<String>, Refusal> {
    let (prefix, date) = match value.get(..2) {
        Some(prefix) if prefix.bytes().all(|b| b.is_ascii_alphabetic()) => (prefix, value.get(2..).unwrap_or("")),
        _ => ("eq", value),
    };
    let (first, next) = span(date, zone).ok_or_else(|| {
        wrong(name, format!("expected a date such as 2026-11-25, or a time with its zone, after {PREFIXES}."))
    })?;
    let mut said = vec![value.to_owned()];
    // What is looked for has one moment each, so that it starts and ends there.
    let (a, b) = match prefix {
        "eq" => (Some(first), Some(next)),
        "ge" => (Some(first), None),
        "gt" | "sa" => (Some(next), None),
        "lt" | "eb" => (None, Some(first)),
        "le" => (None, Some(next)),
        "ne" => {
            bounds.outside.push((first, next));
            (None, None)
        }
        "ap" => {
            // FHIR (R4, search, prefixes): a tenth of the gap between now and the date.
            let gap = if now < first { first.duration_since(now) } else { now.duration_since(next.min(now)) } / 10;
            let (from, before) = (first.checked_sub(gap).unwrap_or(first), next.checked_add(gap).unwrap_or(next));
            said = vec![format!("ge{from:.9}"), format!("lt{before:.9}")];
            (Some(from), Some(before))
        }
        _ => return Err(wrong(name, format!("expected one of the prefixes {PREFIXES}."))),
    };
    bounds.from = bounds.from.max(a);
    bounds.before = match (bounds.before, b) {
        (Some(x), Some(y)) => Some(x.min(y)),
        (x, y) => x.or(y),
    };
    Ok(said)
}

/// The prefixes of dates.
const PREFIXES: &str = "eq, ne, gt, lt, ge, le, sa, eb or ap";

/// `_total`: whether it is said how many there are. What is said is exact, so it will do as an estimate.
pub(super) fn total(value: &str) -> Result<bool, Refusal> {
    match value {
        "none" => Ok(false),
        "accurate" | "estimate" => Ok(true),
        _ => Err(wrong("_total", "expected none, accurate or estimate.")),
    }
}

/// What `_sort` names, and whether downwards.
pub(super) fn sorted<T: Copy>(value: &str, by: &[(&str, T)]) -> Result<(T, bool), Refusal> {
    let (name, down) = value.strip_prefix('-').map_or((value, false), |name| (name, true));
    let names: Vec<&str> = by.iter().map(|(name, _)| *name).collect();
    let expected = || wrong("_sort", format!("expected one of {}, or - before it.", names.join(", ")));
    Ok((by.iter().find(|(own, _)| *own == name).ok_or_else(expected)?.1, down))
}

/// A reference that can only be asked for alone. One of several would be one that nobody has.
fn one_of(name: &str, value: &str) -> Result<(), Refusal> {
    if value.contains(',') { Err(wrong(name, "only one can be asked for at a time.")) } else { Ok(()) }
}

/// `patient:Patient`: the reference that an id of a Patient is.
fn typed(id: &str) -> Result<String, Refusal> {
    let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '-' | '.');
    if (1..=64).contains(&id.len()) && id.chars().all(plain) {
        Ok(format!("Patient/{id}"))
    } else {
        Err(wrong("patient:Patient", "expected the id of a Patient, without Patient/ before it."))
    }
}

/// By what Tasks are sorted.
const TASKS_BY: [(&str, Key); 4] = [
    ("authored-on", Key::Received),
    ("modified", Key::Changed),
    ("_lastUpdated", Key::Changed),
    ("priority", Key::Grade),
];
/// By what DetectedIssues are.
const ISSUES_BY: [(&str, Key); 2] = [("identified", Key::Received), ("_lastUpdated", Key::Changed)];

/// The code of a token, with its system or without.
fn code_of<'t>(token: &'t str, system: &str) -> &'t str {
    token.strip_prefix(system).and_then(|rest| rest.strip_prefix('|')).unwrap_or(token)
}

fn asked(request: &Request, version: FhirVersion, app: &App, issues: bool) -> Result<Asked, Refusal> {
    let mut out = Asked {
        query: Query {
            filter: Filter::default(),
            sort: Sort::Changed,
            after: None,
            limit: PAGE,
            now: Timestamp::now(),
        },
        task: TaskOf { lanes: Lane::ALL.to_vec(), is: Vec::new(), by: None },
        ids: None,
        half: false,
        from: 0,
        count: false,
        total: None,
        elements: Elements::default(),
        search: Search::default(),
        own: Vec::new(),
        at: address(request, app),
    };
    let (mut received, mut changed): (Bounds, Bounds) = Default::default();
    let times = (&app.settings.zone, out.query.now);
    let kind = if issues { "DetectedIssue" } else { "Task" };
    let names: Vec<&str> = match issues {
        true => ISSUE_PARAMETERS.iter().map(|(name, ..)| *name).collect(),
        false => TASK_PARAMETERS.iter().map(|(name, ..)| *name).collect(),
    };
    let spans = ["authored-on", "identified", "modified", "_lastUpdated"];
    out.search = Search::read(request, &names, &spans, |name, value| {
        let filter = &mut out.query.filter;
        match name.as_str() {
            "page" => {
                let within = value.split_once(HALF);
                let from = within.map(|(_, from)| from.parse::<usize>().ok().filter(|n| issues && *n > 0));
                let (half, from) = match from {
                    Some(None) if !issues && value.ends_with(HALF) => (true, 0),
                    Some(None) => return Err(wrong("page", "this page was not given out here.")),
                    Some(Some(from)) => (false, from),
                    None => (false, 0),
                };
                (out.half, out.from) = (half, from);
                out.query.after = Some(within.map(|(after, _)| after.to_owned()).unwrap_or(value));
            }
            "_count" => {
                let digits = !value.is_empty() && value.bytes().all(|b| b.is_ascii_digit());
                let n = value.parse().unwrap_or(crate::store::MOST_OF_A_PAGE).min(crate::store::MOST_OF_A_PAGE);
                match n {
                    _ if !digits => return Err(wrong("_count", "expected a whole number.")),
                    0 => out.count = true,
                    n => out.query.limit = n,
                }
                // The link says what was done.
                out.own.push((name, n.to_string()));
            }
            "_summary" if matches!(value.as_str(), "count" | "false") => {
                out.count |= value == "count";
                out.own.push((name, value));
            }
            "_summary" => return Err(wrong("_summary", "expected count or false.")),
            "_total" => {
                out.total = Some(total(&value)?);
                out.own.push((name, value));
            }
            "_sort" => {
                let by: &[(&str, Key)] = if issues { &ISSUES_BY } else { &TASKS_BY };
                let (key, down) = sorted(&value, by)?;
                out.query.sort = Sort::By(key, down);
                out.own.push((name, value));
            }
            "_elements" => {
                out.elements = Elements::read(kind, &value)?;
                out.own.push((name, value));
            }
            "_lastUpdated" => {
                let said = bounds(&name, &value, times, &mut changed)?;
                out.own.extend(said.into_iter().map(|value| (name.clone(), value)));
            }
            "modified" if !issues => {
                let said = bounds(&name, &value, times, &mut changed)?;
                out.own.extend(said.into_iter().map(|value| (name.clone(), value)));
            }
            "authored-on" | "identified" if (name == "identified") == issues => {
                let said = bounds(&name, &value, times, &mut received)?;
                out.own.extend(said.into_iter().map(|value| (name.clone(), value)));
            }
            "patient" | "patient:Patient" => {
                one_of(&name, &value)?;
                if filter.patient.is_some() {
                    return Err(wrong("patient", "stands twice; only one can be asked for at a time."));
                }
                filter.patient = Some(if name == "patient" { value.clone() } else { typed(&value)? });
                out.own.push((name, value));
            }
            "owner" if !issues => {
                one_of(&name, &value)?;
                out.task.by = Some(value.clone());
                out.own.push((name, value));
            }
            "performer" if !issues => {
                out.task.lanes.clear();
                for token in value.split(',') {
                    let known = PERFORMER.iter().find(|(lane, code, _)| {
                        token == lane.word()
                            || token == *code
                            || token.strip_prefix(SNOMED) == Some(&format!("|{code}"))
                    });
                    let expected =
                        || wrong("performer", "expected pharmacist or dietitian, or their codes in SNOMED CT.");
                    let lane = known.ok_or_else(expected)?.0;
                    if !out.task.lanes.contains(&lane) {
                        out.task.lanes.push(lane);
                    }
                }
                out.own.push((name, value));
            }
            "_id" if !issues => {
                // What is no id of an item is the id of none.
                if value.split(',').count() > PAGE {
                    return Err(wrong("_id", format!("expected at most {PAGE} ids.")));
                }
                let mut ids: Vec<_> = value.split(',').filter_map(read_id).collect();
                let mut known = HashSet::new();
                ids.retain(|id| known.insert(id.clone()));
                out.ids = Some(ids);
                out.own.push((name, value));
            }
            "status" if !issues => {
                for token in value.split(',') {
                    let code = code_of(token, "http://hl7.org/fhir/task-status");
                    let known = TaskIs::ALL.iter().find(|(_, own)| *own == code);
                    let (is, _) = known.ok_or_else(|| {
                        wrong("status", format!("expected {}.", TaskIs::ALL.map(|(_, own)| own).join(", ")))
                    })?;
                    out.task.is.push(*is);
                }
                out.own.push((name, value));
            }
            "priority" if !issues => {
                for token in value.split(',') {
                    let code = code_of(token, "http://hl7.org/fhir/request-priority");
                    let known = PRIORITY.iter().find(|(own, _)| *own == code);
                    let (_, grades) = known.ok_or_else(|| {
                        wrong("priority", format!("expected {}.", PRIORITY.map(|(own, _)| own).join(", ")))
                    })?;
                    filter.grades.extend(grades.iter());
                }
                out.own.push((name, value));
            }
            _ => return Ok(false),
        }
        Ok(true)
    })?;
    if out.ids.is_some()
        && out
            .own
            .iter()
            .any(|(name, _)| !matches!(name.as_str(), "_id" | "_sort" | "_count" | "_summary" | "_total" | "_elements"))
    {
        return Err(wrong("_id", "cannot be asked together with other conditions here."));
    }
    let filter = &mut out.query.filter;
    // Times are kept to the microsecond.
    let until = |at: Timestamp| at.checked_sub(jiff::SignedDuration::from_micros(1)).unwrap_or(at);
    let (received, changed) = (received.to_microseconds(), changed.to_microseconds());
    (filter.received_from, filter.received_by) = (received.from, received.before.map(until));
    (filter.changed_from, filter.changed_before) = (changed.from, changed.before);
    (filter.received_outside, filter.changed_outside) = (received.outside, changed.outside);
    if !issues {
        filter.task = Some(out.task.clone());
    }
    negotiate::acceptable(request.headers(), out.search.format.as_deref(), version)?;
    Ok(out)
}

/// An item, or the id of one that cannot be read, which keeps nobody from the others.
fn or_unread(found: Result<Option<Item>, Unavailable>, unread: &mut BTreeSet<ItemId>) -> Result<Option<Item>, Refusal> {
    match found {
        Err(Unavailable::DamagedItem(damage)) => {
            unread.insert(damage.item);
            Ok(None)
        }
        other => Ok(other?),
    }
}

/// The entry that names what belongs on a page and cannot be read: it is never left out in silence.
fn unread_entry(unread: &BTreeSet<ItemId>) -> Option<Value> {
    let issue = |item: &ItemId| {
        let text = format!(
            "Item {item} is on the queue, and what is kept of it cannot be read: what belongs here of it is missing. Look at the order where it was prescribed."
        );
        json!({ "severity": "error", "code": "exception", "details": { "text": text } })
    };
    let issues: Vec<Value> = unread.iter().map(issue).collect();
    let outcome = json!({ "resourceType": "OperationOutcome", "issue": issues });
    (!issues.is_empty()).then(|| json!({ "resource": outcome, "search": { "mode": "outcome" } }))
}

pub(super) fn store(app: &App) -> Result<&dyn Store, Refusal> {
    let none = || Refusal::NotFound("No queue is kept here, so there are no Tasks and DetectedIssues.".to_owned());
    app.doors.store.as_deref().ok_or_else(none)
}

impl From<Unavailable> for Refusal {
    fn from(error: Unavailable) -> Self {
        match error {
            Unavailable::NoSuchPage => wrong("page", "this page was not given out here."),
            Unavailable::Busy
            | Unavailable::Database(_)
            | Unavailable::Ended
            | Unavailable::Refused(_)
            | Unavailable::Damaged(_) => Self::QueueAway,
            Unavailable::DamagedItem(damage) => Self::ItemUnread(damage.what),
        }
    }
}

fn quoted(text: &str) -> String {
    let mut out = String::new();
    for byte in text.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'_' | b'.' | b'/' | b',' | b':') {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

fn bundle(
    kind: &str,
    version: FhirVersion,
    asked: &Asked,
    next: Option<&String>,
    (entries, unread): (Vec<(String, Value)>, &BTreeSet<ItemId>),
    total: Option<u64>,
) -> Value {
    let link = |relation: &str, after: Option<&String>| {
        let own = asked.own.iter().map(|(name, value)| format!("{name}={}", quoted(value)));
        let all: Vec<String> = own.chain(after.map(|after| format!("page={}", quoted(after)))).collect();
        json!({ "relation": relation, "url": format!("{}/fhir/{}/{kind}?{}", asked.at, version.name(), all.join("&")) })
    };
    let within = match asked.from {
        0 if asked.half => HALF.to_string(),
        0 => String::new(),
        from => format!("{HALF}{from}"),
    };
    let own = asked.query.after.as_ref().map(|after| format!("{after}{within}"));
    let mut links = vec![link("self", own.as_ref())];
    links.extend(next.map(|next| link("next", Some(next))));
    let mut entry: Vec<Value> = entries
        .into_iter()
        .map(|(id, resource)| {
            json!({ "fullUrl": format!("{}/fhir/{}/{kind}/{id}", asked.at, version.name()), "resource": resource, "search": { "mode": "match" } })
        })
        .collect();
    entry.extend(unread_entry(unread));
    entry.extend(asked.search.entry());
    let mut out = json!({ "resourceType": "Bundle", "type": "searchset", "link": links });
    if let Some(total) = total {
        out["total"] = json!(total);
    }
    // FHIR knows no empty arrays.
    if !entry.is_empty() {
        out["entry"] = json!(entry);
    }
    out
}

/// At the end of a place: after the item's first task, before its second; with a number, after as many of its findings.
const HALF: char = '~';
/// Orders that are looked through to say how many findings there are; of more it is not said.
const MOST_COUNTED: u64 = 10_000;

pub(super) fn task_id(item: &ItemId, lane: Lane) -> String {
    TaskId { item: item.clone(), lane }.to_string()
}

pub(super) fn read_id(id: &str) -> Option<(ItemId, Lane)> {
    TaskId::read(id).map(|TaskId { item, lane }| (item, lane))
}

/// A page of tasks.
#[derive(Default)]
struct Tasks {
    tasks: Vec<(Summary, Lane)>,
    /// Items that belong here and cannot be read.
    unread: BTreeSet<ItemId>,
    next: Option<String>,
    total: Option<u64>,
}

/// A page of the tasks of these ids: as asked for, or sorted. Their place is named by the task before it.
async fn page_of_ids(store: &dyn Store, asked: &Asked, ids: &[(ItemId, Lane)]) -> Result<Tasks, Refusal> {
    let now = asked.query.now;
    let mut tasks: Vec<(Summary, Lane)> = Vec::new();
    let mut unread = BTreeSet::new();
    for (id, lane) in ids {
        let item =
            or_unread(store.get(id.clone()).await, &mut unread)?.filter(|item| item.summary.task(*lane, now).is_some());
        tasks.extend(item.map(|item| (item.summary, *lane)));
    }
    let total = asked.counts(true).then_some(tasks.len() as u64);
    if asked.count {
        return Ok(Tasks { total, unread, ..Tasks::default() });
    }
    let is_sorted = asked.own.iter().any(|(name, _)| name == "_sort");
    let down = matches!(asked.query.sort, Sort::By(_, true));
    // As lists are sorted: what is alike stands by its id, and the lanes of one item as ever.
    let value_of = |task: &(Summary, Lane)| -> Option<i64> { asked.place(&task.0)?.split_once('.')?.0.parse().ok() };
    let upwards = |value: Option<i64>| value.map(|value| if down { -i128::from(value) } else { i128::from(value) });
    let rank = |value: Option<i64>, id: &ItemId, lane: Lane| (upwards(value), id.clone(), lane);
    if is_sorted {
        tasks.sort_by_cached_key(|task| rank(value_of(task), &task.0.id, task.1));
    }
    if let Some(after) = &asked.query.after {
        let given = || wrong("page", "this page was not given out here.");
        let (value, id) = after.split_once('.').map_or((None, after.as_str()), |(value, id)| (Some(value), id));
        let (item, lane) = read_id(id).ok_or_else(given)?;
        if is_sorted {
            let value: i64 = value.and_then(|value| value.parse().ok()).ok_or_else(given)?;
            let last = rank(Some(value), &item, lane);
            tasks.retain(|task| rank(value_of(task), &task.0.id, task.1) > last);
        } else {
            let nth = |id: &ItemId, lane: Lane| ids.iter().position(|(own, of)| own == id && *of == lane);
            let last = nth(&item, lane).ok_or_else(given)?;
            tasks.retain(|(item, lane)| nth(&item.id, *lane).is_some_and(|nth| nth > last));
        }
    }
    let more = tasks.len() > asked.query.limit;
    tasks.truncate(asked.query.limit);
    let next = tasks.last().filter(|_| more).map(|task| match value_of(task).filter(|_| is_sorted) {
        Some(value) => format!("{value}.{}", task_id(&task.0.id, task.1)),
        None => task_id(&task.0.id, task.1),
    });
    Ok(Tasks { total, tasks, unread, next })
}

async fn page(store: &dyn Store, asked: &Asked) -> Result<Tasks, Refusal> {
    let now = asked.query.now;
    let (mut tasks, mut unread) = (Vec::new(), BTreeSet::new());
    if let Some(ids) = &asked.ids {
        return page_of_ids(store, asked, ids).await;
    }
    // Every item has at most one task of a lane.
    let mut total = asked.counts(true).then_some(0);
    for lane in &asked.task.lanes {
        let Some(total) = &mut total else { break };
        let mut one = asked.query.clone();
        (one.after, one.limit) = (None, 1);
        one.filter.task = Some(TaskOf { lanes: vec![*lane], ..asked.task.clone() });
        *total += store.list(one).await?.total;
    }
    if asked.count {
        return Ok(Tasks { total, ..Tasks::default() });
    }
    let second = Lane::ALL[1];
    if asked.half
        && let Some((_, id)) = asked.query.after.as_deref().and_then(|after| after.split_once('.'))
        && let Some(id) = ItemId::read(id)
        && let Some(item) = or_unread(store.get(id).await, &mut unread)?
        && asked.task.has(&item.summary, second, now)
    {
        tasks.push((item.summary, second));
    }
    let page = store.list(asked.query.clone()).await?;
    unread.extend(page.damaged);
    for item in page.items {
        let own = Lane::ALL.into_iter().filter(|lane| asked.task.has(&item, *lane, now));
        tasks.extend(own.map(|lane| (item.clone(), lane)).collect::<Vec<_>>());
    }
    // A page holds no more than was asked for; an item has up to two tasks.
    let more = tasks.get(asked.query.limit).map(|(item, _)| item.id.clone());
    tasks.truncate(asked.query.limit);
    let next = match (more, tasks.last()) {
        (Some(more), Some((last, _))) => {
            let half = if more == last.id { HALF.to_string() } else { String::new() };
            asked.place(last).map(|place| format!("{place}{half}"))
        }
        _ => page.next,
    };
    Ok(Tasks { tasks, unread, next, total })
}

/// `GET [base]/Task`
pub async fn tasks(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let asked = asked(&request, version, &app, false)?;
    let store = store(&app)?;
    let (page, times) = (page(store, &asked).await?, store.times());
    noted(&request, |noted| noted.count(page.tasks.len()));
    let entries = page.tasks.iter();
    let told = |resource| asked.elements.of("Task", version, resource);
    let entries =
        entries.map(|(item, lane)| (task_id(&item.id, *lane), told(task(item, *lane, version, &times)))).collect();
    let bundle = bundle("Task", version, &asked, page.next.as_ref(), (entries, &page.unread), page.total);
    Ok(asked.search.answered(&bundle))
}

/// `GET [base]/Task/{id}`
pub async fn one_task(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let query = super::asked::Query::read(request.uri().query(), Takes::Only(&[]))?;
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    let none = || Refusal::NotFound("There is no such task on the queue.".to_owned());
    let (id, lane) = read_id(&id).ok_or_else(none)?;
    let store = store(&app)?;
    let item = store.get(id).await?.ok_or_else(none)?;
    noted(&request, |noted| noted.item_read(&item.summary.id));
    item.summary.task(lane, Timestamp::now()).ok_or_else(none)?;
    let task = task(&item.summary, lane, version, &store.times());
    Ok(negotiate::fhir(StatusCode::OK, task.to_string(), query.pretty))
}

/// Where callers are not told apart the service is for this machine: a page of another site that has its name lead here
/// is not it.
pub(super) fn from_here(request: &Request, app: &App) -> Result<(), Refusal> {
    let host = request.headers().get(header::HOST).and_then(|host| host.to_str().ok()).unwrap_or_default();
    let name = host
        .rsplit_once(':')
        .filter(|(_, port)| port.bytes().all(|b| b.is_ascii_digit()))
        .map_or(host, |(name, _)| name);
    let here = name == "localhost"
        || name.trim_matches(['[', ']']).parse::<std::net::IpAddr>().is_ok_and(|address| address.is_loopback());
    if app.doors.gate.is_some() || here {
        return Ok(());
    }
    Err(Refusal::Forbidden(
        "No callers are configured, so the queue is told of to this machine only, by its own name.".to_owned(),
    ))
}

/// Leaves something for the entry of the call in the audit trail.
pub(super) fn noted(request: &Request, note: impl FnOnce(&Noted)) {
    if let Some(noted) = request.extensions().get::<Noted>() {
        note(noted);
    }
}

async fn item(app: &App, id: &str) -> Result<Item, Refusal> {
    let none = || Refusal::NotFound("There is no such order on the queue.".to_owned());
    let id = ItemId::read(id).ok_or_else(none)?;
    store(app)?.get(id).await?.ok_or_else(none)
}

/// `GET [base]/DetectedIssue`
pub async fn issues(
    State(app): State<Arc<App>>,
    Path(version): Path<String>,
    request: Request,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let asked = asked(&request, version, &app, true)?;
    let store = store(&app)?;
    let mut found = if asked.count { counted(store, &asked).await? } else { findings(store, &asked, version).await? };
    if !asked.count && asked.counts(false) {
        let counted = counted(store, &asked).await?;
        found.total = counted.total;
        found.unread.extend(counted.unread);
    }
    for (_, issue) in &mut found.issues {
        *issue = asked.elements.of("DetectedIssue", version, issue.take());
    }
    noted(&request, |noted| noted.count(found.issues.len()));
    let bundle =
        bundle("DetectedIssue", version, &asked, found.next.as_ref(), (found.issues, &found.unread), found.total);
    Ok(asked.search.answered(&bundle))
}

/// A page of findings.
#[derive(Default)]
struct Findings {
    issues: Vec<(String, Value)>,
    /// Items that belong here and cannot be read.
    unread: BTreeSet<ItemId>,
    next: Option<String>,
    /// How many there are on all pages, where that was asked and is known.
    total: Option<u64>,
}

/// How many findings there are; of very many orders, and where one cannot be read, that is not known.
async fn counted(store: &dyn Store, asked: &Asked) -> Result<Findings, Refusal> {
    let mut query = asked.query.clone();
    (query.after, query.limit) = (None, crate::store::MOST_OF_A_PAGE);
    let (mut total, mut out) = (0, Findings::default());
    loop {
        let page = store.list(query.clone()).await?;
        if page.total > MOST_COUNTED {
            return Ok(Findings::default());
        }
        total += page.items.iter().map(|item| item.findings as u64).sum::<u64>();
        out.unread.extend(page.damaged);
        match page.next {
            Some(next) => query.after = Some(next),
            None => {
                out.total = out.unread.is_empty().then_some(total);
                return Ok(out);
            }
        }
    }
}

/// A page of findings: as many as asked for, though that may end it among those of one order.
async fn findings(store: &dyn Store, asked: &Asked, version: FhirVersion) -> Result<Findings, Refusal> {
    let (mut out, mut query) = (Findings::default(), asked.query.clone());
    if asked.from > 0
        && let Some((_, id)) = query.after.as_deref().and_then(|after| after.split_once('.'))
        && let Some(id) = ItemId::read(id)
        && let Some(item) = or_unread(store.get(id).await, &mut out.unread)?
    {
        out.add(&item, asked.from, query.limit, version);
        if let Some(rest) = out.next.take() {
            // What is left is named by the place that the page began with: the item may have changed since.
            let place = query.after.unwrap_or_default();
            out.next = Some(format!("{place}{HALF}{rest}"));
            return Ok(out);
        }
    }
    loop {
        let page = store.list(query.clone()).await?;
        out.unread.extend(page.damaged);
        let mut last: Option<&Summary> = None;
        for summary in page.items.iter().filter(|summary| summary.findings > 0) {
            if out.issues.len() >= query.limit {
                out.next = last.and_then(|last| asked.place(last)).or(query.after);
                return Ok(out);
            }
            // One that was removed meanwhile has no findings any more.
            if let Some(item) = or_unread(store.get(summary.id.clone()).await, &mut out.unread)? {
                out.add(&item, 0, query.limit, version);
                if let Some(rest) = out.next.take() {
                    out.next = asked.place(summary).map(|place| format!("{place}{HALF}{rest}"));
                    return Ok(out);
                }
            }
            last = Some(summary);
        }
        match page.next {
            // A page without a finding is none.
            Some(next) if out.issues.is_empty() => query.after = Some(next),
            next => {
                out.next = next;
                return Ok(out);
            }
        }
    }
}

impl Findings {
    /// Adds the findings of an order from one on, as many as there is room for; which is next, where there is not.
    fn add(&mut self, item: &Item, from: usize, most: usize, version: FhirVersion) {
        for (nth, found) in item.report.findings.iter().enumerate().skip(from) {
            if self.issues.len() >= most {
                self.next = Some(nth.to_string());
                return;
            }
            self.issues.push((issue_id(&item.summary.id, nth), issue(item, nth, found, version)));
        }
    }
}

/// `GET [base]/DetectedIssue/{id}`
pub async fn one_issue(
    State(app): State<Arc<App>>,
    Path((version, id)): Path<(String, String)>,
    request: Request,
) -> Result<Response, Refusal> {
    let version = base(&version)?;
    from_here(&request, &app)?;
    let query = super::asked::Query::read(request.uri().query(), Takes::Only(&[]))?;
    negotiate::acceptable(request.headers(), query.format.as_deref(), version)?;
    let none = || Refusal::NotFound("There is no such finding on the queue.".to_owned());
    let (of, number) = id.rsplit_once('-').ok_or_else(none)?;
    let nth = number.parse::<usize>().ok().and_then(|n| n.checked_sub(1)).ok_or_else(none)?;
    let item = item(&app, of).await?;
    noted(&request, |noted| noted.item_read(&item.summary.id));
    let found = item.report.findings.get(nth).filter(|_| issue_id(&item.summary.id, nth) == id).ok_or_else(none)?;
    Ok(negotiate::fhir(StatusCode::OK, issue(&item, nth, found, version).to_string(), query.pretty))
}

fn issue_id(item: &ItemId, nth: usize) -> String {
    format!("{item}-{}", nth + 1)
}

/// What names the patient: a reference where the order has one, otherwise an identifier.
pub(super) fn patient(summary: &Summary) -> Option<Value> {
    let named = summary.key.patient.as_str();
    if named.is_empty() {
        return None;
    }
    Some(match named.split_once('|') {
        Some((system, value)) => json!({ "identifier": { "system": system, "value": value } }),
        None if named.starts_with('#') => json!({ "display": "the patient inside the order" }),
        None if named.contains('/') || named.starts_with("urn:") => {
            json!({ "reference": absolute(summary, named) })
        }
        None => json!({ "identifier": { "value": named } }),
    })
}

/// A relative reference with the client's server in front, where that is known.
fn absolute(summary: &Summary, reference: &str) -> String {
    let relative = !reference.contains(':');
    if summary.key.base.is_empty() || !relative {
        reference.to_owned()
    } else {
        format!("{}/{reference}", summary.key.base)
    }
}

pub(super) fn order(summary: &Summary) -> Value {
    if summary.key.order.is_empty() {
        return json!({ "type": "NutritionOrder", "display": summary.label });
    }
    let reference = absolute(summary, &format!("NutritionOrder/{}", summary.key.order));
    json!({ "reference": reference, "type": "NutritionOrder" })
}

pub(super) fn who(person: &Person) -> Value {
    json!({ "identifier": { "value": person.id }, "display": person.name })
}

/// The decision of a lane, as a note.
fn decision(summary: &Summary, lane: Lane) -> Option<Value> {
    match &summary.lane(lane).state {
        LaneState::Decided { by, at, decision } => {
            let text = match decision {
                Decision::Accepted { reason } => {
                    let known = ACCEPT_REASONS.iter().find(|(code, _)| *code == reason.code);
                    let words = known.map_or(reason.code.as_str(), |(_, words)| words);
                    let own = reason.text.as_deref().map_or_else(String::new, |text| format!(": {text}"));
                    format!("{} accepted: {words}{own}", lane.word())
                }
                Decision::Changed { note } => format!("{} closed, the order was changed: {note}", lane.word()),
            };
            Some(json!({ "authorString": by.name, "time": at.to_string(), "text": text }))
        }
        _ => None,
    }
}

/// A lane's part in an item as a Task.
pub fn task(summary: &Summary, lane: Lane, version: FhirVersion, times: &Times) -> Value {
    let now = Timestamp::now();
    let status = summary.task(lane, now).unwrap_or(TaskIs::Cancelled);
    let grade = summary.grade();
    let r5 = version == FhirVersion::R5;
    let mut out = json!({
        "resourceType": "Task",
        "id": task_id(&summary.id, lane),
        "meta": { "versionId": summary.version.to_string(), "lastUpdated": told_at(summary.changed_at) },
        // The tasks of one item belong together.
        "groupIdentifier": { "system": ITEMS, "value": summary.id },
        "status": status.code(),
        "businessStatus": { "text": summary.lane(lane).state.word_at(now) },
        "intent": "order",
        "priority": subscriptions::priority(grade),
        "code": { "text": "Review of a tube-feeding order" },
        "description": summary.headline,
        "focus": order(summary),
        "authoredOn": told_at(summary.received),
        "lastModified": told_at(summary.changed_at),
        "requester": { "display": PROGRAM },
    });
    let by_when = json!({ "end": times.due(grade, summary.received, summary.starts).to_string() });
    if r5 {
        out["requestedPeriod"] = by_when;
    } else {
        out["restriction"] = json!({ "period": by_when });
    }
    if let Some(patient) = patient(summary) {
        out["for"] = patient;
    }
    if let Some(owner) = summary.task_owner(lane, now) {
        out["owner"] = who(owner);
    }
    if let Some((_, code, display)) = PERFORMER.iter().find(|(own, ..)| *own == lane) {
        let role = json!({ "coding": [{ "system": SNOMED, "code": code, "display": display }], "text": lane.word() });
        if r5 {
            out["requestedPerformer"] = json!([{ "concept": role }]);
        } else {
            out["performerType"] = json!([role]);
        }
    }
    if status == TaskIs::Cancelled {
        let text = if summary.standing == Standing::Replaced {
            "The order was changed; this is not its content any more."
        } else {
            "The decision of the other lane closed the order, as the institution's policy has it."
        };
        out["statusReason"] = if r5 { json!({ "concept": { "text": text } }) } else { json!({ "text": text }) };
    }
    if let Some(ward) = &summary.ward {
        out["location"] = json!({ "display": ward });
    }
    let found: Vec<Value> = (0..summary.findings)
        .map(|nth| {
            let reference = format!("DetectedIssue/{}", issue_id(&summary.id, nth));
            json!({ "type": { "text": "finding" }, "valueReference": { "reference": reference } })
        })
        .collect();
    if !found.is_empty() {
        out["input"] = json!(found);
    }
    let mut notes: Vec<Value> = decision(summary, lane).into_iter().collect();
    if summary.not_evaluated > 0 {
        let (rules, them) = match summary.not_evaluated {
            1 => ("1 rule".to_owned(), "it"),
            n => (format!("{n} rules"), "them"),
        };
        let text = format!("Not fully checked: {rules} could not be evaluated; the order's page names {them}.");
        notes.push(json!({ "text": text }));
    }
    if !notes.is_empty() {
        out["note"] = json!(notes);
    }
    out
}

/// A finding as a DetectedIssue.
pub fn issue(item: &Item, nth: usize, found: &Found, version: FhirVersion) -> Value {
    let summary = &item.summary;
    let severity = match found.tier {
        Tier::Stop | Tier::High => "high",
        Tier::Med => "moderate",
        Tier::Low => "low",
    };
    let parts = [Some(&found.text), found.arithmetic.as_ref(), found.fix.as_ref(), Some(&found.source)];
    let detail: Vec<&str> = parts.into_iter().flatten().map(String::as_str).collect();
    let system = if found.limit { LIMIT_SYSTEM } else { FINDING_SYSTEM };
    let mut out = json!({
        "resourceType": "DetectedIssue",
        "id": issue_id(&summary.id, nth),
        "meta": { "lastUpdated": told_at(summary.changed_at) },
        "status": match (summary.standing, version) {
            (Standing::Replaced, FhirVersion::R5) => "mitigated",
            (Standing::Replaced, _) => "cancelled",
            (Standing::Open | Standing::Closed, _) => "final",
        },
        "code": { "coding": [{ "system": system, "code": found.rule, "display": found.title }], "text": found.title },
        "severity": severity,
        "identifiedDateTime": told_at(summary.received),
        "author": { "display": item.report.by.program },
        "implicated": [order(summary)],
        "detail": detail.join("\n"),
    });
    if summary.standing == Standing::Replaced {
        out["mitigation"] =
            json!([{ "action": { "text": "The order was changed; this is not its content any more." } }]);
    }
    if let Some(patient) = patient(summary) {
        out[if version == FhirVersion::R5 { "subject" } else { "patient" }] = patient;
    }
    out
}
