//! The queue as people work it: a list, an order, what they do, and what changes while they look.

use super::form::{self, Form};
use super::html::{Chrome, message, moment, page, see_other, sentence, tier_word};
use super::people::{Job, People, Person, Signed};
use super::signed;
use crate::findings::{Disposition, Tier};
use crate::http::App;
use crate::http::refusal::Refusal;
use crate::queue::item::{Item, ItemId, Standing, Summary};
use crate::queue::report::Report;
use crate::queue::trail::{Entry, Event};
use crate::queue::urgency::{Times, length, urgency};
use crate::queue::work::{ACCEPT_REASONS, Action, Command, Conflict, LaneState, Reason, Refused, may};
use crate::queue::{self, Lane, Role};
use crate::sheet::{Found, Identifier, Identity, Offer, Open, Place, Sheet};
use crate::store::views;
use crate::store::{Change, Filter, LaneIs, NotDone, Query, Sort, Store};
use askama::Template;
use axum::body::Body;
use axum::extract::{Path, Request, State};
use axum::response::{IntoResponse, Response};
use http::{HeaderValue, Method, StatusCode, header};
use http_body_util::StreamBody;
use hyper::body::{Bytes, Frame};
use jiff::{SignedDuration, Timestamp};
use std::convert::Infallible;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;
use tokio::sync::broadcast;
use uuid::Uuid;

/// Orders on one page of the list.
const A_PAGE: usize = 50;
/// Pages that may wait for changes at the same time.
const MOST_LISTENERS: usize = 200;
/// A sign of life on the line to a page that waits for changes.
const BEAT: Duration = Duration::from_secs(15);

/// What can be done with an item by whoever looks at it.
pub struct Work {
    /// The item.
    pub id: String,
    /// The version that whoever decides has seen.
    pub seen: u64,
    /// The lane that they work in.
    pub lane: &'static str,
    /// Each lane, its state, and what was written when it came to that.
    pub states: Vec<(String, String, Option<String>)>,
    /// What people said, the last first: when, who, what.
    pub said: Vec<(String, String, String)>,
    /// How many comments cannot be shown.
    pub unread: Option<String>,
    /// Why something cannot be done.
    pub note: Option<String>,
    /// They may take it.
    pub take: bool,
    /// What they may give back: the lane, and the words on the button.
    pub back: Vec<(&'static str, String)>,
    /// They may decide.
    pub decide: bool,
    /// They may take a decision back.
    pub reopen: bool,
    /// They may comment.
    pub comment: bool,
    /// They may judge findings.
    pub judge: bool,
    /// To whom it can be handed over.
    pub to: Vec<Person>,
    /// Rules with a finding.
    pub rules: Vec<String>,
    /// Reasons for leaving an order as it is.
    pub reasons: &'static [(&'static str, &'static str)],
    /// For how long it can be put off: minutes and words.
    pub lengths: &'static [Choice],
    /// An id, so that a form that is sent twice is done once.
    pub command: String,
    /// What was written and not sent, or not taken: it stands in its box again.
    pub typed: Typed,
    /// The same of boxes that are not there any more: what it was for, and the text.
    pub left: Vec<(&'static str, String)>,
}

/// Boxes of the form: the action that each is for, and what is written there.
const BOXES: [(&str, &str); 7] = [
    ("accept", "Why the order is left as it is"),
    ("close-as-changed", "How the order was changed"),
    ("ask-prescriber", "What the prescriber was asked"),
    ("snooze", "Why it is put off"),
    ("reopen", "Why the decision is taken back"),
    ("hand-over", "What a colleague should know"),
    ("comment", "Comment"),
];

/// What stands in the boxes of the form.
#[derive(Clone, Debug, Default)]
pub struct Typed {
    texts: Vec<(&'static str, String)>,
    /// The reason for leaving an order as it is.
    pub reason: String,
    /// To whom it is handed over.
    pub to: String,
    /// For how long it is put off.
    pub minutes: String,
}

impl Typed {
    pub(in crate::http) fn read(form: &Form) -> Self {
        let texts = BOXES.iter().map(|(act, _)| (*act, form.text(&format!("{act}-text")))).collect();
        let text = |name: &str| form.get(name).to_owned();
        let mut out = Self { texts, reason: text("reason"), to: text("to"), minutes: text("minutes") };
        // A form that has one box only.
        let (act, _) = asked_for(form);
        let alone = form.text("text");
        if let Some((_, own)) = out.texts.iter_mut().find(|(own, _)| *own == act)
            && own.is_empty()
        {
            *own = alone;
        }
        out
    }

    /// What stands in the box of an action.
    pub fn text(&self, act: &str) -> &str {
        self.texts.iter().find(|(own, _)| *own == act).map_or("", |(_, text)| text)
    }

    /// What is taken is not written again.
    fn taken(mut self, act: &str) -> Self {
        self.texts.iter_mut().filter(|(own, _)| *own == act).for_each(|(_, text)| text.clear());
        match act {
            "accept" => self.reason.clear(),
            "hand-over" => self.to.clear(),
            "snooze" => self.minutes.clear(),
            _ => {}
        }
        self
    }

    /// Whether something would be lost; who it is handed over to and for how long it is put off is chosen at once again.
    fn is_empty(&self) -> bool {
        self.reason.is_empty() && self.texts.iter().all(|(_, text)| text.trim().is_empty())
    }

    /// Every text with what it was for.
    pub(in crate::http) fn all(&self) -> Vec<(&'static str, String)> {
        let with = |(act, words): &(&str, &'static str)| (*words, self.text(act).to_owned());
        BOXES.iter().map(with).filter(|(_, text)| !text.trim().is_empty()).collect()
    }
}

/// The action that a button asks for, and the lane or the rule that it is for, where the button says so.
fn asked_for(form: &Form) -> (&str, &str) {
    let act = form.get("act");
    act.split_once('.').unwrap_or((act, ""))
}

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
}

struct View {
    name: String,
    href: String,
    here: bool,
    count: Option<u64>,
}

/// Filters as the address has them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
struct Asked {
    lane: String,
    state: String,
    tier: String,
    ward: String,
    rule: String,
    waits: String,
    starts: String,
    unchecked: bool,
    mine: bool,
    q: String,
}

pub(in crate::http) struct Banner {
    pub(in crate::http) bad: bool,
    pub(in crate::http) rows: Vec<(&'static str, String)>,
}

type Choice = (&'static str, &'static str);

/// For how long an order can be put off on its page.
const LENGTHS: [Choice; 5] = [("30", "30 min"), ("60", "1 h"), ("120", "2 h"), ("240", "4 h"), ("720", "12 h")];

const STATES: [Choice; 9] = [
    ("waiting", "waits for a decision"),
    ("free", "free to take"),
    ("taken", "held by somebody"),
    ("asked", "prescriber asked"),
    ("snoozed", "put off"),
    ("decided", "decided"),
    ("closed", "closed"),
    ("replaced", "replaced"),
    ("all", "any"),
];
const TIERS: [Choice; 6] = [
    ("", "any"),
    ("STOP", "Stop"),
    ("HIGH", "High"),
    ("MED", "Medium"),
    ("LOW", "Reminder"),
    ("grave", "Stop or High"),
];
const WAITS: [Choice; 5] = [("", "any time"), ("15", "15 min"), ("30", "30 min"), ("60", "1 h"), ("240", "4 h")];
const STARTS: [Choice; 5] =
    [("", "any time"), ("1", "within 1 h"), ("4", "within 4 h"), ("24", "within 24 h"), ("began", "already")];

#[derive(Template)]
#[template(path = "queue.html")]
struct List<'l> {
    chrome: Chrome,
    title: String,
    banner: Banner,
    here: String,
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
    wards: Vec<(String, u64)>,
    filtered: bool,
    trouble: Option<String>,
    total_words: String,
    empty: String,
    items: Vec<Row>,
    next: Option<String>,
}

/// A rule's id as rulebooks write it, however it was typed: `WAT-01`, `GRO-02b`.
fn rule_id(text: &str) -> String {
    let upper = text.to_ascii_uppercase();
    match upper.rfind(|c: char| c.is_ascii_digit()).and_then(|last| upper.split_at_checked(last + 1)) {
        Some((id, variant)) => format!("{id}{}", variant.to_ascii_lowercase()),
        None => upper,
    }
}

impl Asked {
    fn read(form: &Form, job: Job) -> Self {
        let text = |name: &str| form.get(name).trim().chars().take(200).collect::<String>();
        let known = |list: &[Choice], name: &str| {
            let word = text(name);
            if list.iter().any(|(own, _)| *own == word) { word } else { String::new() }
        };
        let mut lane = text("lane");
        if lane != "all" && Lane::of(&lane).is_none() {
            lane = job.lane().map_or("all", Lane::word).to_owned();
        }
        let mut state = known(&STATES, "state");
        if state.is_empty() {
            "waiting".clone_into(&mut state);
        }
        Self {
            lane,
            state,
            tier: known(&TIERS, "tier"),
            ward: text("ward"),
            rule: rule_id(&text("rule")),
            waits: known(&WAITS, "waits"),
            starts: known(&STARTS, "starts"),
            unchecked: form.get("unchecked") == "1",
            mine: form.get("mine") == "1",
            q: text("q"),
        }
    }

    /// What of an address is asked for and cannot be: a sentence about it.
    fn not_understood(form: &Form) -> Option<String> {
        let lists = [("state", &STATES[..]), ("tier", &TIERS), ("waits", &WAITS), ("starts", &STARTS)];
        let known = |name: &str, value: &str| match lists.iter().find(|(own, _)| *own == name) {
            Some((_, list)) => list.iter().any(|(word, _)| *word == value),
            None if name == "lane" => value == "all" || Lane::of(value).is_some(),
            None => value == "1",
        };
        let asked = lists.iter().map(|(name, _)| *name).chain(["lane", "unchecked", "mine"]);
        let wrong: Vec<String> = asked
            .map(|name| (name, form.get(name).trim()))
            .filter(|(name, value)| !value.is_empty() && !known(name, value))
            .map(|(name, value)| format!("{name}={}", value.chars().take(40).collect::<String>()))
            .collect();
        (!wrong.is_empty()).then(|| {
            format!("Not understood, and not looked for: {}. The filters below are those in effect.", wrong.join(", "))
        })
    }

    /// As the query of an address; `after`: where a page begins.
    fn query(&self, after: Option<&str>) -> String {
        let mut query = form_urlencoded::Serializer::new(String::new());
        let parts = [
            ("lane", self.lane.as_str()),
            ("state", &self.state),
            ("tier", &self.tier),
            ("ward", &self.ward),
            ("rule", &self.rule),
            ("waits", &self.waits),
            ("starts", &self.starts),
            ("q", &self.q),
            ("unchecked", if self.unchecked { "1" } else { "" }),
            ("mine", if self.mine { "1" } else { "" }),
            ("after", after.unwrap_or("")),
        ];
        for (name, value) in parts.into_iter().filter(|(_, value)| !value.is_empty()) {
            query.append_pair(name, value);
        }
        query.finish()
    }

    fn href(&self, after: Option<&str>) -> String {
        format!("/queue?{}", self.query(after))
    }

    fn filter(&self, now: Timestamp, me: &Person) -> Filter {
        let lanes = Lane::of(&self.lane).map_or_else(|| Lane::ALL.to_vec(), |lane| vec![lane]);
        let state = LaneIs::ALL.into_iter().find(|(_, word)| *word == self.state).map(|(state, _)| state);
        let standing = match self.state.as_str() {
            "closed" => vec![Standing::Closed],
            "replaced" => vec![Standing::Replaced],
            "all" | "decided" => Vec::new(),
            _ => vec![Standing::Open],
        };
        let tiers = match self.tier.as_str() {
            "grave" => vec![Tier::Stop, Tier::High],
            word => [Tier::Stop, Tier::High, Tier::Med, Tier::Low].into_iter().filter(|t| t.code() == word).collect(),
        };
        let text = |text: &String| (!text.is_empty()).then(|| text.clone());
        let minutes = self.waits.parse::<i64>().ok();
        let hours = self.starts.parse::<i64>().ok();
        let later = |hours: i64| now.checked_add(SignedDuration::from_hours(hours)).ok();
        Filter {
            lane: state.map(|state| (lanes, state)),
            standing,
            tiers,
            ward: text(&self.ward),
            rule: text(&self.rule),
            by: self.mine.then(|| me.id.clone()),
            received_by: minutes.and_then(|m| now.checked_sub(SignedDuration::from_mins(m)).ok()),
            starts_before: if self.starts == "began" { Some(now) } else { hours.and_then(later) },
            starts_from: hours.map(|_| now),
            not_fully_checked: self.unchecked.then_some(true),
            search: self.q.clone(),
            ..Filter::default()
        }
    }
}

type Entered<'a> = (Signed, &'a Arc<dyn Store>, &'a People);

/// Whoever sees orders, the store and the people; a page that says why not.
fn entered(app: &App, signed: Option<Signed>) -> Result<Entered<'_>, Box<Response>> {
    let (Some(store), Some(people), Some(signed)) = (&app.doors.store, &app.doors.people, signed) else {
        let text = vec!["This service keeps nothing, so there is no queue.".to_owned()];
        let chrome = Chrome::new(app, "No queue", "queue", None);
        return Err(Box::new(message(StatusCode::NOT_FOUND, chrome, "No queue", text, Some(("/", "Start page")))));
    };
    Ok((signed, store, people))
}

/// `GET /queue`
pub async fn list(State(app): State<Arc<App>>, request: Request) -> Response {
    let (signed, store, _) = match entered(&app, signed(&app, &request)) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let now = Timestamp::now();
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let asked = Asked::read(&form, signed.person.job);
    let after = Some(form.get("after").to_owned()).filter(|a| !a.is_empty());
    let counts = store.counts(now).await;
    let filter = asked.filter(now, &signed.person);
    let lanes = filter.lanes().to_vec();
    let query = Query { filter, sort: Sort::Urgency, after, limit: A_PAGE, now };
    let found = store.list(query).await;
    let trouble = match (&found, &counts) {
        (Err(why), _) | (_, Err(why)) => {
            Some(format!("The queue cannot be read now: {why}. It is not empty because of that."))
        }
        _ => None,
    };
    let banner = banner(&app, &**store, counts.as_ref().ok());
    let counts = counts.unwrap_or_default();
    let (items, next, total) = match found {
        Ok(page) => (page.items, page.next, page.total),
        Err(_) => (Vec::new(), None, 0),
    };
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
        match store.health().last_order {
            Some(at) => format!(
                "No order waits for a decision here. The last order of any kind was received {}.",
                moment(&app, at)
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
        here: asked.href(None),
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
        wards: counts.wards.iter().filter(|(ward, _)| !ward.is_empty()).map(|(w, n)| (w.clone(), *n)).collect(),
        filtered,
        trouble,
        total_words,
        empty,
        items: items.iter().map(|item| row(&app, item, &lanes, &times, now)).collect(),
        next: next.map(|after| asked.href(Some(&after))),
        not_understood: Asked::not_understood(&form),
        f: asked,
    };
    page(StatusCode::OK, &list)
}

pub(in crate::http) fn banner(app: &App, store: &dyn Store, counts: Option<&crate::store::Counts>) -> Banner {
    let health = store.health();
    let mut rows = Vec::new();
    let mut bad =
        health.trouble.is_some() || health.lost > 0 || health.refused > 0 || health.waiting > 0 || counts.is_none();
    match health.last_order {
        Some(at) => rows.push(("Last order received", moment(app, at))),
        None => {
            bad = true;
            rows.push(("Last order received", format!("none since {}", moment(app, app.started))));
        }
    }
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
    let known =
        |of: fn(&crate::store::Counts) -> u64| counts.map_or_else(|| "not known".to_owned(), |c| of(c).to_string());
    rows.push(("Open", known(|c| c.open)));
    rows.push(("Not fully checked", known(|c| c.not_fully_checked)));
    if let Some(oldest) = counts.and_then(|c| c.oldest) {
        rows.push(("Waits longest", length(Timestamp::now().duration_since(oldest))));
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
    Banner { bad, rows }
}

fn views(asked: &Asked, counts: &crate::store::Counts, me: &Person) -> Vec<View> {
    let waiting = |lane: Lane| -> u64 {
        let states = counts.lanes.get(&lane);
        states.map_or(0, |states| {
            states.iter().filter(|(s, _)| !matches!(s.as_str(), "not-asked" | "decided")).map(|(_, n)| n).sum()
        })
    };
    let view =
        |name: &str, to: Asked, count| View { name: name.to_owned(), here: *asked == to, href: to.href(None), count };
    let plain = |lane: &str| Asked { lane: lane.to_owned(), state: "waiting".to_owned(), ..Asked::default() };
    let mut out = vec![
        view("Pharmacists", plain("pharmacist"), Some(waiting(Lane::Pharmacist))),
        view("Dietitians", plain("dietitian"), Some(waiting(Lane::Dietitian))),
        view("Both lanes", plain("all"), Some(counts.open)),
        view("Not fully checked", Asked { unchecked: true, ..plain("all") }, Some(counts.not_fully_checked)),
        view("Starts within 4 h", Asked { starts: "4".to_owned(), ..plain("all") }, None),
    ];
    if me.job.lane().is_some() {
        out.push(view("Mine", Asked { mine: true, ..plain("all") }, None));
    }
    out.push(view("Closed", Asked { state: "closed".to_owned(), ..plain("all") }, None));
    out.push(view("Replaced", Asked { state: "replaced".to_owned(), ..plain("all") }, None));
    out
}

/// A view that somebody keeps.
fn own_view(asked: &Asked, kept: views::View, job: Job) -> View {
    let to = Asked::read(&Form::parse(kept.query.as_bytes()), job);
    View { here: *asked == to, href: to.href(None), name: kept.name, count: None }
}

/// Most characters of a view's name.
const NAME: usize = 40;

/// `POST /queue/views`: keeps the filters of a list under a name, or removes such a view.
///
/// # Errors
/// What keeps the form from being read.
pub async fn keep_view(State(app): State<Arc<App>>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    let (signed, store, _) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return Ok(*answer),
    };
    let form = form::read(&app, request).await?;
    let said = |status, heading: &'static str, what: String| {
        let chrome = Chrome::new(&app, heading, "queue", Some(&signed));
        Ok(message(status, chrome, heading, vec![what], Some(("/queue", "Back to the queue"))))
    };
    if form.get("csrf") != signed.csrf {
        let what = "This form is not of this session. Open the queue again and repeat what you did.".to_owned();
        return said(StatusCode::FORBIDDEN, "Not of this session", what);
    }
    let asked = Asked::read(&Form::parse(form.get("query").as_bytes()), signed.person.job);
    let name = form.get("name").trim().to_owned();
    if name.is_empty() || name.chars().count() > NAME || name.chars().any(char::is_control) {
        let what = format!("A view needs a name of 1 to {NAME} characters.");
        return said(StatusCode::UNPROCESSABLE_ENTITY, "Something is missing", what);
    }
    let change = match form.get("act") {
        "keep" => views::Change::Keep(views::View { name, query: asked.query(None) }),
        "remove" => views::Change::Remove(name),
        _ => {
            let what = "The form does not say what is to be done.".to_owned();
            return said(StatusCode::BAD_REQUEST, "Not understood", what);
        }
    };
    match store.set_view(signed.person.id.clone(), change).await {
        Ok(views::Came::Done) => Ok(see_other(&asked.href(None))),
        Ok(views::Came::TooMany) => {
            let what = format!("You keep {} views already. Remove one first: open it, then its button.", views::MOST);
            said(StatusCode::CONFLICT, "Too many views", what)
        }
        Err(why) => Ok(unavailable(&app, &signed, &why.to_string())),
    }
}

fn lane_name(lane: Lane) -> &'static str {
    match lane {
        Lane::Pharmacist => "Pharmacist",
        Lane::Dietitian => "Dietitian",
    }
}

/// A lane's state in words.
fn state_words(app: &App, state: &LaneState, now: Timestamp) -> String {
    let left = |until: Timestamp| length(until.duration_since(now));
    match state {
        LaneState::NotAsked => "not asked".to_owned(),
        LaneState::Taken { by, until, .. } if *until > now => format!("held by {}, {} left", by.name, left(*until)),
        LaneState::Snoozed { by, until, .. } if *until > now => {
            format!("put off by {} until {}", by.name, moment(app, *until))
        }
        LaneState::Open | LaneState::Taken { .. } | LaneState::Snoozed { .. } => "open".to_owned(),
        LaneState::Asked { by, at, .. } => {
            format!("prescriber asked by {}, {} ago", by.name, length(now.duration_since(*at)))
        }
        LaneState::Decided { by, at, decision } => {
            let what = match decision {
                crate::queue::work::Decision::Accepted { .. } => "accepted",
                crate::queue::work::Decision::Changed { .. } => "closed as changed",
            };
            format!("{what} by {}, {}", by.name, moment(app, *at))
        }
    }
}

/// Identifiers of a patient in one line of the list.
const IDENTIFIERS: usize = 2;

fn count(n: u64, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// By what people tell a patient, in one line.
fn who(identity: &Identity) -> String {
    let name = Some(identity.name.clone()).filter(|name| !name.is_empty());
    let born = identity.born_words().map(|born| format!("born {born}"));
    let identifiers = identity.identifiers.iter().take(IDENTIFIERS).map(Identifier::words);
    let parts: Vec<String> = name.into_iter().chain(born).chain(identifiers).collect();
    parts.join(", ")
}

/// What was asked, or said, when a lane came to its state.
fn detail(s: &Summary, lane: Lane, trail: &[Entry], now: Timestamp) -> Option<String> {
    use crate::queue::work::Decision;
    let reason = |reason: &Reason| {
        let words =
            ACCEPT_REASONS.iter().find(|(code, _)| *code == reason.code).map_or(reason.code.as_str(), |(_, w)| w);
        match reason.text.as_deref().filter(|text| !text.is_empty()) {
            Some(text) => format!("{words}: {text}"),
            None => words.to_owned(),
        }
    };
    let text = match &s.lane(lane).state {
        LaneState::NotAsked | LaneState::Open => None,
        LaneState::Taken { until, .. } | LaneState::Snoozed { until, .. } if *until <= now => None,
        LaneState::Snoozed { note, .. } => Some(note.clone()),
        LaneState::Asked { question, .. } => Some(question.clone()),
        LaneState::Decided { decision: Decision::Accepted { reason: given }, .. } => Some(reason(given)),
        LaneState::Decided { decision: Decision::Changed { note }, .. } => Some(note.clone()),
        // Whoever handed it over said why; that is in the trail alone.
        LaneState::Taken { .. } => trail.iter().rev().find_map(|entry| match &entry.what {
            Event::Did { lane: own, action: Action::HandOver { note, .. } }
                if *own == lane && entry.version == s.lane(lane).version =>
            {
                Some(format!("{}, handing it over: {note}", entry.by.name)).filter(|_| !note.is_empty())
            }
            _ => None,
        }),
    };
    text.filter(|text| !text.trim().is_empty()).map(|text| crate::sheet::seen(&text))
}

/// Comments, and what the prescriber said to a card, the last first.
fn said(app: &App, trail: &[Entry]) -> Vec<(String, String, String)> {
    let one = |entry: &Entry| {
        let text = match &entry.what {
            Event::Did { action: Action::Comment { text }, .. } => text.clone(),
            Event::CardAnswered { accepted: false, .. } => entry.what.words(&|at| moment(app, at)),
            _ => return None,
        };
        Some((moment(app, entry.at), entry.by.name.clone(), crate::sheet::seen(&text)))
    };
    trail.iter().rev().filter_map(one).collect()
}

/// What happened, as people read it: somebody who looked again and again, with nobody else in between, in one line.
fn history(app: &App, trail: &[Entry]) -> Vec<(String, String, String)> {
    // Where the line of somebody's looks is, how many there were, and the last of them; until somebody else does something.
    let mut looks: Option<(usize, &queue::Person, u64)> = None;
    let mut out: Vec<(String, String, String)> = Vec::new();
    for entry in trail {
        let (at, viewed) = (moment(app, entry.at), entry.what == Event::Viewed);
        looks = looks.filter(|(_, by, _)| by.is(&entry.by));
        if let (true, Some((line, _, times))) = (viewed, &mut looks) {
            *times += 1;
            if let Some(line) = out.get_mut(*line) {
                line.2 = format!("looked at it, {times} times until {at}");
            }
            continue;
        }
        if viewed {
            looks = Some((out.len(), &entry.by, 1));
        }
        let words = crate::sheet::seen(&entry.what.words(&|at| moment(app, at)));
        out.push((at, entry.by.name.clone(), words));
    }
    out
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
    }
}

#[derive(Template)]
#[template(path = "item.html")]
struct One {
    chrome: Chrome,
    id: String,
    version: u64,
    /// The lane of whoever looks; empty where they have none.
    lane: &'static str,
    arrived: String,
    late: bool,
    /// Until when it is put off.
    put_off: Option<String>,
    done: Option<String>,
    refused: Option<NotDoneHere>,
    replaced: Option<(String, Option<String>)>,
    before: Option<String>,
    whole: bool,
    sheet: Sheet,
    work: Option<Work>,
    trail: Vec<(String, String, String)>,
    trail_trouble: Option<String>,
    notes: Vec<String>,
    by: String,
}

fn no_such(app: &App, signed: &Signed) -> Response {
    let text =
        vec!["There is no such order on the queue, or it is past the time for which orders are kept.".to_owned()];
    let chrome = Chrome::new(app, "No such order", "queue", Some(signed));
    message(StatusCode::NOT_FOUND, chrome, "No such order", text, Some(("/queue", "Back to the queue")))
}

fn unavailable(app: &App, signed: &Signed, why: &str) -> Response {
    let text = vec![format!("The store does not answer now: {why}. Nothing was done.")];
    let chrome = Chrome::new(app, "Not possible now", "queue", Some(signed));
    message(StatusCode::SERVICE_UNAVAILABLE, chrome, "Not possible now", text, Some(("/queue", "Back to the queue")))
}

/// Why what was asked for was not done, above the order as it is now.
struct NotDoneHere {
    heading: &'static str,
    what: String,
    who: Option<String>,
}

/// How an order is shown.
struct Shown {
    status: StatusCode,
    /// It is noted that somebody looked.
    noted: bool,
    /// The action that was done last, where that is to be said.
    done: String,
    refused: Option<NotDoneHere>,
    typed: Typed,
    /// The version that they saw; that of now where nothing else is said.
    seen: Option<u64>,
}

/// `GET /queue/{id}`
pub async fn one(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Response {
    let (signed, store, people) = match entered(&app, signed(&app, &request)) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let Some(id) = ItemId::read(&id) else { return no_such(&app, &signed) };
    let form = Form::parse(request.uri().query().unwrap_or("").as_bytes());
    let shown = Shown {
        status: StatusCode::OK,
        noted: request.method() == Method::GET,
        done: form.get("done").to_owned(),
        refused: None,
        typed: Typed::default(),
        seen: None,
    };
    show(&app, (&signed, store, people), id, shown).await
}

async fn show(
    app: &App,
    (signed, store, people): (&Signed, &Arc<dyn Store>, &People),
    id: ItemId,
    shown: Shown,
) -> Response {
    let now = Timestamp::now();
    let item = match store.get(id.clone()).await {
        Ok(Some(item)) => item,
        Ok(None) => return no_such(app, signed),
        Err(why) => return unavailable(app, signed, &why.to_string()),
    };
    // Who looked at what is part of the trail; without it nothing is shown.
    if let Some(person) = signed.person.on_queue()
        && shown.noted
        && let Err(why) = store.viewed(id.clone(), person, now).await
    {
        return unavailable(app, signed, &why.to_string());
    }
    let (trail, trail_trouble) = match store.trail(id.clone()).await {
        Ok(entries) => (entries, None),
        Err(why) => (Vec::new(), Some(why.to_string())),
    };
    // What an address says was done is only said where it is the last that whoever looks did.
    let mine = signed.person.on_queue().map(|person| person.id);
    let last = trail.iter().rev().find_map(|e| match &e.what {
        Event::Did { action, .. } if Some(&e.by.id) == mine.as_ref() => Some(match action {
            Action::Judge { useful: true, .. } => "useful",
            Action::Judge { useful: false, .. } => "not-useful",
            other => other.word(),
        }),
        _ => None,
    });
    let done =
        DONE.iter().find(|(word, _)| *word == shown.done && last == Some(*word)).map(|(_, words)| (*words).to_owned());
    let s = &item.summary;
    let replaced = (s.standing == Standing::Replaced).then(|| {
        let words = if s.replaced_by.is_some() {
            "The order was changed; what is below can no longer be decided."
        } else {
            "The order was changed, and nothing was found in what it is now. What is below can no longer be decided."
        };
        (words.to_owned(), s.replaced_by.as_ref().map(|id| format!("/queue/{id}")))
    });
    let (mut late, mut put_off) = (false, None);
    let mut arrived = format!("received {}", moment(app, s.received));
    if s.seen > 1 {
        arrived.push_str(&format!(", {} times, last {}", s.seen, moment(app, s.last_seen)));
    }
    if let Some(ward) = &s.ward {
        arrived.push_str(&format!(" · {}", crate::sheet::seen(ward)));
    }
    if s.standing == Standing::Open {
        let lanes = signed.person.job.lane().map_or_else(|| Lane::ALL.to_vec(), |lane| vec![lane]);
        let urgency = urgency(s, &lanes, &store.times(), now);
        late = urgency.overdue;
        put_off = urgency.put_off.map(|until| moment(app, until));
        let reasons: Vec<String> = urgency.reasons.into_iter().filter(|r| !r.starts_with("finding of tier")).collect();
        arrived.push_str(&format!(" · {}", reasons.join("; ")));
    }
    let by = &item.report.by;
    let title = match &shown.refused {
        Some(refused) => format!("{}: order {}", refused.heading, s.label),
        None => format!("Order {}", s.label),
    };
    let one = One {
        chrome: Chrome::new(app, title, "queue", Some(signed)),
        id: id.to_string(),
        version: s.version,
        lane: signed.person.job.lane().map_or("", Lane::word),
        arrived,
        late,
        put_off,
        done,
        refused: shown.refused,
        replaced,
        before: s.replaces.as_ref().map(|id| format!("/queue/{id}")),
        whole: item.report.sheet.is_some(),
        work: Some(work(app, (s, &trail), (&signed.person, people), (shown.typed, shown.seen), now)),
        sheet: sheet_of(&item),
        trail: history(app, &trail),
        trail_trouble,
        notes: item.report.notes.iter().map(|n| crate::sheet::seen(n)).collect(),
        by: format!(
            "{}; rulebook {}; formulary {} ({}); FHIR {}; time zone {}",
            by.program, by.rulebook, by.formulary, by.formulary_hash, by.fhir_version, by.time_zone
        ),
    };
    page(shown.status, &one)
}

/// The sheet as it was kept, or what the report alone gives.
fn sheet_of(item: &Item) -> Sheet {
    let identity = item.summary.identity.clone();
    let reference = crate::sheet::seen(&item.summary.key.patient);
    if let Some(sheet) = &item.report.sheet {
        return Sheet { identity, reference, ..(**sheet).clone() };
    }
    let r: &Report = &item.report;
    let places = |at: &[String]| -> Vec<Place> {
        at.iter().map(|path| Place { path: path.clone(), line: 0, column: 0 }).collect()
    };
    let seen = crate::sheet::seen;
    Sheet {
        label: seen(&item.summary.label),
        patient: identity
            .as_ref()
            .map(|who| who.name.clone())
            .filter(|name| !name.is_empty())
            .unwrap_or_else(|| reference.clone()),
        identity,
        reference,
        disposition: r.disposition.code().into(),
        computed: r.disposition != Disposition::Refused,
        found: r
            .findings
            .iter()
            .map(|f| Found {
                tier: f.tier,
                rule: f.rule.clone(),
                title: f.title.clone(),
                text: seen(&f.text),
                arithmetic: f.arithmetic.as_deref().map(seen),
                fix: f.fix.as_deref().map(seen),
                offers: Vec::<Offer>::new(),
                source: f.source.clone(),
                limit: f.limit,
                places: places(&f.at),
                ages: r.data.iter().map(|d| seen(d)).collect(),
            })
            .collect(),
        open: r
            .not_evaluated
            .iter()
            .map(|n| Open {
                rules: n.rules.iter().map(|id| (id.clone(), String::new())).collect(),
                why: seen(&n.why),
                places: places(&n.at),
            })
            .collect(),
        not_sent: r.not_provided.iter().map(|n| (n.what.clone(), n.rules.join(", "))).collect(),
        assumed: r.assumptions.clone(),
        ..Sheet::default()
    }
}

fn work(
    app: &App,
    (s, trail): (&Summary, &[Entry]),
    (me, people): (&Person, &People),
    (typed, seen): (Typed, Option<u64>),
    now: Timestamp,
) -> Work {
    let role = me.job.role().unwrap_or(Role::Reader);
    let lane = role.lane().unwrap_or(Lane::Pharmacist);
    let coordinator = role == Role::Coordinator;
    let own = role.lane().is_some();
    let open = s.standing != Standing::Replaced;
    let state = &s.lane(lane).state;
    let decided = matches!(state, LaneState::Decided { .. });
    let holder = match state {
        LaneState::Taken { by, until, .. } if *until > now => Some(by),
        _ => None,
    };
    let mine = holder.is_some_and(|h| h.id == me.id);
    let free = holder.is_none() || mine;
    let note = match (own, holder) {
        (true, Some(holder)) if !mine => {
            Some(format!("{} holds this order. You can comment; to decide, ask them to give it back.", holder.name))
        }
        (false, _) if coordinator => Some(
            "You can hand the order over and give it back for others; pharmacists and dietitians decide.".to_owned(),
        ),
        (false, _) => Some(format!(
            "As {} {} you can read{}; pharmacists and dietitians decide.",
            if me.job.words().starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" },
            me.job.words(),
            if role == Role::Prescriber { " and comment" } else { "" }
        )),
        _ => None,
    };
    let undecided = |lane: Lane| !matches!(s.lane(lane).state, LaneState::Decided { .. });
    let to = |job: Job| job.lane().is_some_and(|l| undecided(l) && (coordinator || l == lane && own));
    let hand = open && (coordinator || own && free);
    let back = |lane: Lane| match &s.lane(lane).state {
        LaneState::Taken { by, until, .. } if open && *until > now => {
            let words = if mine { "Give it back".to_owned() } else { format!("Give it back for {}", by.name) };
            (coordinator || mine && by.id == me.id).then_some((lane.word(), words))
        }
        _ => None,
    };
    let mut work = Work {
        id: s.id.to_string(),
        seen: seen.unwrap_or(s.version),
        lane: lane.word(),
        states: Lane::ALL
            .into_iter()
            .map(|l| (lane_name(l).to_owned(), state_words(app, &s.lane(l).state, now), detail(s, l, trail, now)))
            .collect(),
        unread: (trail.is_empty() && s.comments > 0).then(|| count(s.comments, "comment")),
        said: said(app, trail),
        note,
        take: own && open && !decided && holder.is_none(),
        back: Lane::ALL.into_iter().filter_map(back).collect(),
        decide: own && open && !decided && free,
        reopen: own && open && decided,
        comment: may(role, lane, &Action::Comment { text: String::new() }),
        judge: own,
        to: if hand {
            people.colleagues(now).into_iter().filter(|p| to(p.job) && p.id != me.id).collect()
        } else {
            Vec::new()
        },
        rules: s.rules.clone(),
        reasons: &ACCEPT_REASONS,
        lengths: &LENGTHS,
        command: Uuid::new_v4().to_string(),
        typed,
        left: Vec::new(),
    };
    let there = |act: &str| match act {
        "reopen" => work.reopen,
        "hand-over" => !work.to.is_empty(),
        "comment" => work.comment,
        _ => work.decide,
    };
    let gone = BOXES.iter().filter(|(act, _)| !there(act) && !work.typed.text(act).trim().is_empty());
    work.left = gone.map(|(act, words)| (*words, work.typed.text(act).to_owned())).collect();
    work
}

/// What is said after something was done.
const DONE: [(&str, &str); 11] = [
    ("take", "You hold this order now."),
    ("give-back", "The order was given back."),
    ("hand-over", "The order was handed over."),
    ("ask-prescriber", "The question to the prescriber was noted. The service does not send it."),
    ("accept", "The decision was recorded: the order is left as it is."),
    ("close-as-changed", "The decision was recorded: the order was changed."),
    ("snooze", "The order was put off."),
    ("reopen", "The decision was taken back."),
    ("comment", "The comment was added."),
    ("useful", "Counted as useful."),
    ("not-useful", "Counted as not useful."),
];

#[derive(Template)]
#[template(path = "conflict.html")]
struct NotDonePage {
    chrome: Chrome,
    heading: &'static str,
    what: String,
    texts: Vec<(&'static str, String)>,
    id: String,
}

/// `POST /queue/{id}`: one action. What stands in the other boxes of the page comes back with the answer.
///
/// # Errors
/// What keeps the form from being read.
pub async fn act(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Result<Response, Refusal> {
    let found = signed(&app, &request);
    let (signed, store, people) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return Ok(*answer),
    };
    let form = form::read(&app, request).await?;
    let Some(id) = ItemId::read(&id) else { return Ok(no_such(&app, &signed)) };
    let typed = Typed::read(&form);
    let texts = typed.all();
    let apart = |status, heading, what: String| {
        let chrome = Chrome::new(&app, heading, "queue", Some(&signed));
        let (what, texts, id) = (sentence(what), texts.clone(), id.to_string());
        Ok(page(status, &NotDonePage { chrome, heading, what, texts, id }))
    };
    if form.get("csrf") != signed.csrf {
        let what = "This form is not of this session. Open the order again and repeat what you did".to_owned();
        return apart(StatusCode::FORBIDDEN, "Not of this session", what);
    }
    let by = (&signed, store, people);
    let seen: u64 = form.get("seen").parse().unwrap_or(0);
    let (act, about) = asked_for(&form);
    let mut shown =
        Shown { status: StatusCode::OK, noted: true, done: String::new(), refused: None, typed, seen: None };
    if act == "look" {
        return Ok(show(&app, by, id.clone(), shown).await);
    }
    let now = Timestamp::now();
    let text = shown.typed.text(act).to_owned();
    let (Some(person), Some((lane, action))) = (signed.person.on_queue(), action(&form, &text, people, now)) else {
        let what = "The form does not say what is to be done".to_owned();
        return apart(StatusCode::BAD_REQUEST, "Not understood", what);
    };
    let remark = action.is_remark();
    let command = Command {
        // The id of the page with what is asked, so that the same form sent twice is done once and another form of the
        // same page is another command.
        id: command_id(&[
            form.get("command"),
            &person.id,
            lane.word(),
            act,
            about,
            &text,
            form.get("rule"),
            form.get("reason"),
            form.get("to"),
            form.get("minutes"),
        ]),
        by: person,
        at: now,
        lane,
        seen,
        action,
    };
    let here = |heading, what: String| Some(NotDoneHere { heading, what: sentence(what), who: None });
    match store.act(id.clone(), command).await {
        Ok(_) => {
            let typed = shown.typed.taken(act);
            if typed.is_empty() {
                return Ok(see_other(&format!("/queue/{id}?done={act}")));
            }
            shown = Shown { noted: false, done: act.to_owned(), typed, ..shown };
            // A remark says nothing of what else happened meanwhile.
            shown.seen = remark.then_some(seen);
        }
        Err(NotDone::NoSuchItem) => return Ok(no_such(&app, &signed)),
        Err(NotDone::Unavailable(why)) => {
            let what = format!("The store does not answer: {why}");
            return apart(StatusCode::SERVICE_UNAVAILABLE, "Not possible now", what);
        }
        Err(NotDone::Refused(Refused::Conflict(Conflict { what, by, at, .. }))) => {
            let who = Some(format!("By {} ({}), {}.", by.name, by.role.word(), moment(&app, at)));
            shown.status = StatusCode::CONFLICT;
            shown.refused = Some(NotDoneHere { heading: "Somebody was faster", what: sentence(what), who });
        }
        Err(NotDone::Refused(Refused::NotAllowed(why))) => {
            shown.status = StatusCode::FORBIDDEN;
            shown.refused = here("Not for this role", why);
        }
        Err(NotDone::Refused(Refused::NotPossible(why))) => {
            shown.status = StatusCode::CONFLICT;
            shown.refused = here("Not possible", why);
        }
        // What else happened meanwhile was not looked at.
        Err(NotDone::Refused(Refused::Invalid(why))) => {
            shown.status = StatusCode::UNPROCESSABLE_ENTITY;
            shown.refused = here("Something is missing", why);
            shown.seen = Some(seen);
        }
    }
    Ok(show(&app, by, id.clone(), shown).await)
}

/// An id that is the same for the same parts only; none for a form without one.
fn command_id(parts: &[&str]) -> String {
    if parts.first().is_none_or(|own| own.is_empty()) {
        return String::new();
    }
    crate::hooks::card::uuid_of(parts.iter().copied()).to_string()
}

/// What a form asks for.
fn action(form: &Form, text: &str, people: &People, now: Timestamp) -> Option<(Lane, Action)> {
    let (act, about) = asked_for(form);
    let mut lane = Lane::of(if act == "give-back" && !about.is_empty() { about } else { form.get("lane") });
    let rule = if about.is_empty() { form.get("rule") } else { about };
    let text = text.trim().to_owned();
    let action = match act {
        "take" => Action::Take,
        "give-back" => Action::GiveBack,
        "hand-over" => {
            let to = people.colleagues(now).into_iter().find(|p| p.id == form.get("to"))?;
            lane = to.job.lane();
            Action::HandOver { to: to.on_queue()?, note: text }
        }
        "ask-prescriber" => Action::AskPrescriber { question: text },
        "accept" => Action::Accept {
            reason: Reason { code: form.get("reason").to_owned(), text: (!text.is_empty()).then_some(text) },
        },
        "close-as-changed" => Action::CloseAsChanged { note: text },
        "snooze" => {
            let minutes: i64 = form.get("minutes").parse().ok().filter(|m| (1..=1440).contains(m))?;
            Action::Snooze { until: now.checked_add(SignedDuration::from_mins(minutes)).ok()?, note: text }
        }
        "reopen" => Action::Reopen { note: text },
        "comment" => Action::Comment { text },
        "useful" | "not-useful" => Action::Judge { rule: rule.to_owned(), useful: act == "useful" },
        _ => return None,
    };
    Some((lane?, action))
}

static LISTENERS: AtomicUsize = AtomicUsize::new(0);

/// One place among those that may wait for changes.
struct Listener;

impl Listener {
    fn new() -> Option<Self> {
        let taken =
            LISTENERS.fetch_update(Ordering::AcqRel, Ordering::Acquire, |n| (n < MOST_LISTENERS).then_some(n + 1));
        taken.ok().map(|_| Self)
    }
}

impl Drop for Listener {
    fn drop(&mut self) {
        LISTENERS.fetch_sub(1, Ordering::AcqRel);
    }
}

/// The versions at which an item was judged and its lanes changed last, so that whoever looks at it is told what it was.
async fn versions(store: &dyn Store, item: &ItemId) -> Option<String> {
    let s = store.get(item.clone()).await.ok()??.summary;
    let (judged, pharmacist, dietitian) = (s.judged, s.pharmacist.version, s.dietitian.version);
    let version = s.version;
    Some(format!(
        "{{\"item\":\"{item}\",\"version\":{version},\"judged\":{judged},\"pharmacist\":{pharmacist},\"dietitian\":{dietitian}}}"
    ))
}

/// `GET /queue/events`: what changes, as server-sent events: ids of items and versions, nothing of an order. With `item`
/// only what changes of that one, and what it was.
pub async fn events(State(app): State<Arc<App>>, request: Request) -> Response {
    let asked = request.uri().query().unwrap_or("").as_bytes().to_vec();
    let found = signed(&app, &request);
    let (signed, store, _) = match entered(&app, found) {
        Ok(found) => found,
        Err(answer) => return *answer,
    };
    let Some(listener) = Listener::new() else { return Refusal::Overloaded.into_response() };
    let one = ItemId::read(Form::parse(&asked).get("item"));
    let changes = store.changes();
    let begun = (app.clone(), signed, changes, (listener, one), true);
    let stream = futures_util::stream::unfold(begun, |(app, signed, mut changes, listener, first)| async move {
        if first {
            let hello = Bytes::from_static(b"retry: 3000\n: listening\n\n");
            return Some((Ok::<_, Infallible>(Frame::data(hello)), (app, signed, changes, listener, false)));
        }
        let next = tokio::time::timeout(BEAT, changes.recv()).await;
        let people = app.doors.people.as_ref()?;
        if app.stopping.load(Ordering::Relaxed) || !people.still(&signed, Timestamp::now()) {
            return None;
        }
        let one = &listener.1;
        let text = match next {
            Err(_) => ": still here\n\n".to_owned(),
            Ok(Ok(change)) if one.as_ref().is_some_and(|one| *one != change.item) => ": another\n\n".to_owned(),
            Ok(Ok(_) | Err(broadcast::error::RecvError::Lagged(_))) if let Some(one) = one => {
                match versions(&**app.doors.store.as_ref()?, one).await {
                    Some(data) => format!("event: change\ndata: {data}\n\n"),
                    None => ": not known\n\n".to_owned(),
                }
            }
            Ok(Ok(Change { item, version })) => {
                format!("event: change\ndata: {{\"item\":\"{item}\",\"version\":{version}}}\n\n")
            }
            // Too much at once to tell each: the page asks again.
            Ok(Err(broadcast::error::RecvError::Lagged(n))) => {
                format!("event: change\ndata: {{\"item\":\"{n} more\",\"version\":0}}\n\n")
            }
            Ok(Err(broadcast::error::RecvError::Closed)) => return None,
        };
        Some((Ok(Frame::data(Bytes::from(text))), (app, signed, changes, listener, false)))
    });
    let kind = HeaderValue::from_static("text/event-stream");
    ([(header::CONTENT_TYPE, kind)], Body::new(StreamBody::new(stream))).into_response()
}
