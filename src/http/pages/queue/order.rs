//! One order: what was found, what was said and done.

use super::act::DONE;
use super::work::{Typed, Work, work};
use super::{entered, no_such, not_shown, unavailable};
use crate::findings::Disposition;
use crate::http::App;
use crate::http::negotiate::indented;
use crate::http::pages::form::Form;
use crate::http::pages::html::{Chrome, moment, page, sentence, tier_word};
use crate::http::pages::people::{People, Signed};
use crate::http::pages::signed;
use crate::queue;
use crate::queue::Lane;
use crate::queue::item::{Item, ItemId, Standing};
use crate::queue::report::Report;
use crate::queue::trail::{Entry, Event};
use crate::queue::urgency::urgency;
use crate::queue::work::Action;
use crate::sheet::{Found, Offer, Open, Place, Sheet};
use crate::store::Store;
use askama::Template;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::{Method, StatusCode};
use jiff::Timestamp;
use std::sync::Arc;

/// Comments, and what the prescriber said to a card, the last first.
pub(super) fn said(app: &App, trail: &[Entry]) -> Vec<(String, String, String)> {
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

/// Most characters of an order that are shown as sent.
const LONGEST_SENT: usize = 20_000;

/// The order as it was sent, laid out.
fn as_sent(resource: &str) -> String {
    let laid_out = indented(resource);
    let shown: String = laid_out.chars().take(LONGEST_SENT).collect();
    let mut lines: Vec<String> = shown.lines().map(crate::sheet::seen).collect();
    if laid_out.len() > shown.len() {
        lines.push(format!("… the first {LONGEST_SENT} characters of {}", laid_out.chars().count()));
    }
    lines.join("\n")
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
    /// The list that was looked at before.
    back: String,
    whole: bool,
    /// The order as it was sent, where nothing was drawn of it.
    as_sent: Option<String>,
    sheet: Sheet,
    work: Option<Work>,
    trail: Vec<(String, String, String)>,
    trail_trouble: Option<String>,
    notes: Vec<String>,
    by: String,
}

/// Why what was asked for was not done, above the order as it is now.
pub(super) struct NotDoneHere {
    pub(super) heading: &'static str,
    pub(super) what: String,
    pub(super) who: Option<String>,
}

/// How an order is shown.
pub(super) struct Shown {
    pub(super) status: StatusCode,
    /// It is noted that somebody looked.
    pub(super) noted: bool,
    /// The action that was done last, where that is to be said.
    pub(super) done: String,
    pub(super) refused: Option<NotDoneHere>,
    pub(super) typed: Typed,
    /// The version that they saw; that of now where nothing else is said.
    pub(super) seen: Option<u64>,
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

pub(super) async fn show(
    app: &App,
    (signed, store, people): (&Signed, &Arc<dyn Store>, &People),
    id: ItemId,
    shown: Shown,
) -> Response {
    let now = Timestamp::now();
    people.learn(store.as_ref(), now).await;
    let item = match store.get(id.clone()).await {
        Ok(Some(item)) => item,
        Ok(None) => return no_such(app, signed),
        Err(why) => return not_shown(app, signed, &why),
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
        back: people.list_of(signed).unwrap_or_else(|| "/queue".to_owned()),
        whole: item.report.sheet.is_some(),
        as_sent: item.report.sheet.is_none().then(|| as_sent(&item.resource)),
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
