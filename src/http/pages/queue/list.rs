//! The list: the orders of a page, and what is said above it.

use super::filters::{Asked, Choice, STARTS, STATES, TIERS, WAITS};
use super::since::{self, Changes, Since};
use super::views::{View, own_view, views};
use super::work::state_words;
use super::{count, entered, lane_name, not_noted};
use crate::findings::Tier;
use crate::http::App;
use crate::http::pages::form::Form;
use crate::http::pages::html::{Chrome, moment, page, sentence, tier_word};
use crate::http::pages::signed;
use crate::http::trail::Listing;
use crate::queue::Lane;
use crate::queue::item::{Standing, Summary};
use crate::queue::tally::RuleStatistics;
use crate::queue::urgency::{Times, length, urgency};
use crate::queue::work::LaneState;
use crate::sheet::{Identifier, Identity};
use crate::store::{Counts, Query, Sort, Store};
use askama::Template;
use axum::extract::{Request, State};
use axum::response::Response;
use http::{Method, StatusCode};
use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use std::sync::Arc;

/// Orders on one page of the list.
const A_PAGE: usize = 50;

struct Row {
    id: String,
    label: String,
    patient: String,
    who: String,
    ward: String,
    headline: String,
    tier: Option<Tier>,
    unchecked: usize,
    late: bool,
    put_off: Option<String>,
    reasons: String,
    states: Vec<String>,
    /// What others did since the list was looked at before; empty where nothing, or where that is not asked.
    changed: Vec<String>,
}

pub(in crate::http) struct Banner {
    pub(in crate::http) bad: bool,
    pub(in crate::http) rows: Vec<(&'static str, String)>,
}

#[derive(Template)]
#[template(path = "queue.html")]
struct List<'l> {
    chrome: Chrome,
    title: String,
    banner: Banner,
    /// The list as it will be, with what changed since now marked.
    again: String,
    /// When it was made.
    made: String,
    changes: Option<Changes>,
    views: Vec<View>,
    own: Vec<View>,
    own_trouble: Option<String>,
    /// The filters as they would be kept, and the name under which they are.
    query: String,
    kept_as: Option<String>,
    csrf: String,
    f: Asked,
    /// Values of the address that are none of those that can be asked for.
    not_understood: Option<String>,
    states: &'l [Choice],
    tiers: &'l [Choice],
    waits: &'l [Choice],
    starts: &'l [Choice],
    /// Each as it is asked for, as it is shown, and how many orders are there.
    wards: Vec<(String, String, u64)>,
    filtered: bool,
    trouble: Option<String>,
    total_words: String,
    empty: String,
    items: Vec<Row>,
    next: Option<String>,
}

/// `GET /queue`
pub async fn list(State(app): State<Arc<App>>, request: Request) -> Response {
    let (signed, store, people) = match entered(&app, signed(&app, &request)) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    // A head alone shows no order.
    let shows = request.method() == Method::GET;
    let now = Timestamp::now();
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let asked = Asked::read(&form, signed.person.job);
    let after = Some(form.get("after").to_owned()).filter(|a| !a.is_empty());
    people.looks_at(&signed, &asked.href(after.as_deref()));
    // Before anything of the list is read: what is committed meanwhile is marked on the next one at least.
    let mark = store.mark().await;
    let counts = store.counts(now).await;
    let filter = asked.filter(now, &signed.person);
    let lanes = filter.lanes().to_vec();
    let looked_for = filter.clone();
    let query = Query { filter, sort: Sort::Urgency, after: after.clone(), limit: A_PAGE, now };
    let found = store.list(query).await;
    let trouble = match (&found, &counts) {
        (Err(why), _) | (_, Err(why)) => {
            Some(format!("The queue cannot be read now: {why}. It is not empty because of that."))
        }
        _ => None,
    };
    let mut banner = banner(&app, &**store, counts.as_ref().ok(), now);
    // Counts are kept by days of UTC.
    let today = TimeZone::UTC.to_datetime(now).date();
    let open = store.statistics(today, today).await;
    banner.bad |= open.is_err();
    banner
        .rows
        .push(("Not evaluated today (UTC)", open.map_or_else(|_| "not known".to_owned(), |of| not_evaluated(&of))));
    let counts = counts.unwrap_or_default();
    let (items, next, total) = match found {
        Ok(page) => (page.items, page.next, page.total),
        Err(_) => (Vec::new(), None, 0),
    };
    let since = Since::read(form.get("since"));
    let changes = match (since, signed.person.on_queue()) {
        (Some(since), Some(me)) if trouble.is_none() => {
            Some(since::changes(&app, &**store, (&looked_for, &items), &me, (since, now)).await)
        }
        _ => None,
    };
    // Who was shown which orders is part of the audit trail, where one is kept; without its entry none is shown.
    if let Some(trail) = app.doors.trail.as_ref().filter(|_| shows && trouble.is_none()) {
        let elsewhere = changes.iter().flat_map(|changes| &changes.elsewhere).map(|(id, ..)| id);
        let shown = items.iter().map(|item| &item.id).chain(elsewhere).collect();
        let listing = Listing {
            who: Some(signed.person.id.as_str()).filter(|_| people.gives_ids()),
            route: "/queue",
            about: None,
            asked: asked.for_the_trail(&form),
            filters: &asked.query(after.as_deref()),
            items: shown,
        };
        if let Err(why) = trail.kept(listing.event()).await {
            return not_noted(&app, &signed, &why);
        }
    }
    let lane = Lane::of(&asked.lane);
    let title = lane.map_or("both lanes", |lane| match lane {
        Lane::Pharmacist => "pharmacists",
        Lane::Dietitian => "dietitians",
    });
    let plain = Asked { lane: asked.lane.clone(), state: "waiting".to_owned(), ..Asked::default() };
    let filtered = asked != plain;
    let empty = if filtered {
        "Nothing fits these filters. That says nothing of the other orders.".to_owned()
    } else {
        match last_order(&**store, Some(&counts)) {
            Some(at) => format!(
                "No order waits for a decision here. The last order of any kind was received {}, {} ago{}.",
                moment(&app, at),
                length(now.duration_since(at)),
                if is_quiet(&app, at, now) { ": orders may not be sent here any more" } else { "" }
            ),
            None => format!(
                "No order has been received at all since {}. An empty queue does not mean that all is well: orders may not be sent here.",
                moment(&app, app.started)
            ),
        }
    };
    let kept = store.views(signed.person.id.clone()).await;
    let own_trouble = kept.as_ref().err().map(|why| format!("The views that you keep cannot be read now: {why}."));
    let query = asked.query(None);
    let own: Vec<View> =
        kept.unwrap_or_default().into_iter().map(|view| own_view(&asked, view, signed.person.job)).collect();
    let kept_as = own.iter().find(|view| view.here).map(|view| view.name.clone());
    let total_words = if total == 1 { "1 order.".to_owned() } else { format!("{total} orders.") };
    let times = store.times();
    let list = List {
        chrome: Chrome::new(&app, format!("Queue, {title}"), "queue", Some(&signed)),
        title: title.to_owned(),
        banner,
        again: match mark {
            Ok(mark) => format!("{}&since={}", asked.href(None), Since { at: now, mark }),
            Err(_) => asked.href(None),
        },
        made: moment(&app, now),
        views: views(&asked, &counts, &signed.person),
        own,
        own_trouble,
        query,
        kept_as,
        csrf: signed.csrf.clone(),
        states: &STATES,
        tiers: &TIERS,
        waits: &WAITS,
        starts: &STARTS,
        wards: counts
            .wards
            .iter()
            .filter(|(ward, _)| !ward.is_empty())
            .map(|(w, n)| (w.clone(), crate::sheet::seen(w), *n))
            .collect(),
        filtered,
        trouble,
        total_words,
        empty,
        items: items
            .iter()
            .map(|item| Row {
                changed: changes.as_ref().and_then(|c| c.here.get(item.id.as_str()).cloned()).unwrap_or_default(),
                ..row(&app, item, &lanes, &times, now)
            })
            .collect(),
        changes,
        next: next.map(|after| match since {
            Some(since) => format!("{}&since={since}", asked.href(Some(&after))),
            None => asked.href(Some(&after)),
        }),
        not_understood: Asked::not_understood(&form),
        f: asked,
    };
    page(StatusCode::OK, &list)
}

/// When the last order of any kind was received here, or one that is on the queue by any replica.
fn last_order(store: &dyn Store, counts: Option<&Counts>) -> Option<Timestamp> {
    store.health().last_order.max(counts.and_then(|counts| counts.newest))
}

/// Whether no order came for so long that whoever looks is told.
fn is_quiet(app: &App, last: Timestamp, now: Timestamp) -> bool {
    now.duration_since(last) > SignedDuration::from_mins(app.settings.queue.quiet_after.into())
}

/// When the last order was received and how long ago that is, and whether that is to be marked.
pub(in crate::http) fn last_received(
    app: &App,
    store: &dyn Store,
    counts: Option<&Counts>,
    now: Timestamp,
) -> (String, bool) {
    let Some(at) = last_order(store, counts) else { return (format!("none since {}", moment(app, app.started)), true) };
    let quiet = is_quiet(app, at, now);
    let long = if quiet { ": none for long, orders may not be sent here" } else { "" };
    (format!("{}, {} ago{long}", moment(app, at), length(now.duration_since(at))), quiet)
}

pub(in crate::http) fn banner(app: &App, store: &dyn Store, counts: Option<&Counts>, now: Timestamp) -> Banner {
    let health = store.health();
    let mut rows = Vec::new();
    let mut bad =
        health.trouble.is_some() || health.lost > 0 || health.refused > 0 || health.waiting > 0 || counts.is_none();
    bad |= health.damaged > 0;
    let (last, quiet) = last_received(app, store, counts, now);
    bad |= quiet;
    rows.push(("Last order received", last));
    match app.appraiser.rules_told().and_then(|told| told.rehearsal) {
        Some(r) if r.failing.is_empty() => {
            rows.push(("Last self-check of the rules", format!("{}, as expected", moment(app, r.at))))
        }
        Some(r) => {
            bad = true;
            rows.push((
                "Last self-check of the rules",
                format!("{}, NOT as expected: {}", moment(app, r.at), r.failing.join(", ")),
            ));
        }
        None => {
            bad = true;
            rows.push(("Last self-check of the rules", "none since the start".to_owned()));
        }
    }
    let known = |of: fn(&Counts) -> u64| counts.map_or_else(|| "not known".to_owned(), |c| of(c).to_string());
    rows.push(("Open", known(|c| c.open)));
    rows.push(("Not fully checked", known(|c| c.not_fully_checked)));
    if let Some(oldest) = counts.and_then(|c| c.oldest) {
        rows.push(("Waits longest", length(now.duration_since(oldest))));
    }
    if let Some(trouble) = health.trouble {
        rows.push(("Store", trouble));
    }
    if health.waiting > 0 {
        rows.push(("Not recorded yet", health.waiting.to_string()));
    }
    if health.lost > 0 {
        rows.push(("Could not be recorded", health.lost.to_string()));
    }
    if health.refused > 0 {
        rows.push(("Refused by the store, not on this list", health.refused.to_string()));
    }
    if let Some(last) = health.last_damaged {
        rows.push(("Cannot be read, not on this list", format!("{}, one of them {last}", health.damaged)));
    }
    Banner { bad, rows }
}

/// Rules that are named among those that could not be evaluated.
const NAMED: usize = 3;

/// What could not be evaluated, of the orders that came on the queue: how many rules, and which for most orders.
fn not_evaluated(of: &[RuleStatistics]) -> String {
    let mut rules: Vec<(i64, &str)> =
        of.iter().filter(|rule| rule.not_evaluated > 0).map(|rule| (rule.not_evaluated, rule.rule.as_str())).collect();
    rules.sort_by(|a, b| b.0.cmp(&a.0).then(a.1.cmp(b.1)));
    let orders = |n: i64| count(n.unsigned_abs(), "order");
    let named: Vec<String> = rules.iter().take(NAMED).map(|(n, rule)| format!("{rule} of {}", orders(*n))).collect();
    match rules.len() {
        0 => "nothing of what is on the queue".to_owned(),
        n if n <= NAMED => named.join(", "),
        n => format!("{}: {}, …", count(n as u64, "rule"), named.join(", ")),
    }
}

/// Identifiers of a patient in one line of the list.
const IDENTIFIERS: usize = 2;

/// By what people tell a patient, in one line.
pub(super) fn who(identity: &Identity) -> String {
    let name = Some(identity.name.clone()).filter(|name| !name.is_empty());
    let born = identity.born_words().map(|born| format!("born {born}"));
    let identifiers = identity.identifiers.iter().take(IDENTIFIERS).map(Identifier::words);
    let parts: Vec<String> = name.into_iter().chain(born).chain(identifiers).collect();
    parts.join(", ")
}

fn row(app: &App, item: &Summary, lanes: &[Lane], times: &Times, now: Timestamp) -> Row {
    let urgency = urgency(item, lanes, times, now);
    let mut states: Vec<String> = Lane::ALL
        .into_iter()
        .filter(|lane| item.lane(*lane).state != LaneState::NotAsked)
        .map(|lane| format!("{}: {}", lane_name(lane), state_words(app, &item.lane(lane).state, now)))
        .collect();
    match item.standing {
        Standing::Open => {}
        Standing::Closed => states.push("Closed".to_owned()),
        Standing::Replaced => states.push("Replaced: the order was changed".to_owned()),
    }
    // The chips say the tier already.
    let mut reasons: Vec<String> = urgency.reasons.into_iter().filter(|r| !r.starts_with("finding of tier")).collect();
    let more = item.findings.saturating_sub(1) as u64;
    reasons.extend((more > 0).then(|| count(more, "more finding")));
    reasons.extend((item.comments > 0).then(|| count(item.comments, "comment")));
    Row {
        id: item.id.to_string(),
        label: crate::sheet::seen(&item.label),
        patient: crate::sheet::seen(&item.key.patient),
        who: item.identity.as_ref().map(who).unwrap_or_default(),
        ward: item.ward.as_deref().map(crate::sheet::seen).unwrap_or_default(),
        headline: crate::sheet::seen(&item.headline),
        tier: item.tier,
        unchecked: item.not_evaluated,
        late: urgency.overdue,
        put_off: urgency.put_off.map(|until| moment(app, until)),
        reasons: sentence(reasons.join("; ")),
        states,
        changed: Vec::new(),
    }
}
