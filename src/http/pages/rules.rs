//! Rules: a list of them, and a page per rule.

use super::html::{Chrome, message, moment, page, sentence, tier_word};
use super::people::Signed;
use super::signed;
use crate::answer::book_warning;
use crate::appraise::{not_judged_yet, own_rules};
use crate::findings::{Rule, Tier};
use crate::http::App;
use crate::http::refusal::Refusal;
use crate::http::trail::Listing;
use crate::queue::item::Summary;
use crate::queue::work::reason_words;
use crate::rulebook::expression::Named;
use crate::rulebook::{Bound, Limit, Mode, Rulebook};
use crate::sheet::seen;
use crate::store::{Store, Unavailable};
use askama::Template;
use axum::extract::{Path, Request, State};
use axum::response::Response;
use http::{Method, StatusCode};
use jiff::civil::Date;
use jiff::{Span, Timestamp};
use std::collections::BTreeMap;
use std::sync::Arc;

struct Short {
    id: String,
    title: String,
    tier: Tier,
    up_to: Option<Tier>,
    goes: &'static str,
    source: String,
    /// Orders in which it found something, and what became of that.
    found: String,
    /// That it has found nothing for long.
    silent: Option<String>,
}

struct Group {
    title: &'static str,
    about: &'static str,
    rules: Vec<Short>,
}

#[derive(Template)]
#[template(path = "rules.html")]
struct List {
    chrome: Chrome,
    count: usize,
    book: String,
    warning: Option<String>,
    groups: Vec<Group>,
    /// Days over which is counted; nothing where no queue is kept.
    days: Option<i64>,
    /// That the counts cannot be read.
    trouble: Option<String>,
    silent: usize,
}

struct Check {
    tier: Tier,
    when: String,
    says: String,
    offers: String,
    instead: String,
    /// Parts of expressions whose meaning is the check's own: name and text.
    terms: Vec<(String, String)>,
}

struct Figure {
    key: String,
    value: String,
    place: String,
    replaced: String,
}

struct Example {
    title: String,
    given: String,
    comes: String,
}

#[derive(Default)]
struct Full {
    id: String,
    title: String,
    name: String,
    tier: Option<Tier>,
    up_to: Option<Tier>,
    stands: String,
    goes: String,
    who: String,
    owner: String,
    off: Option<String>,
    waits: Option<String>,
    applies: String,
    /// Parts of the limit's expressions and sentences that have a name: name and text.
    terms: Vec<(String, String)>,
    phrases: Vec<(String, String)>,
    checks: Vec<Check>,
    figures: Vec<Figure>,
    source: String,
    evidence: &'static str,
    note: String,
    reasons: Vec<String>,
    tests: Vec<Example>,
    changes: Vec<String>,
}

/// What was counted of a rule.
struct Counted {
    rows: Vec<(&'static str, String)>,
    days: i64,
    recent: Vec<(String, String, String)>,
    /// Why the latest orders are not shown.
    not_shown: Option<String>,
}

#[derive(Template)]
#[template(path = "rule.html")]
struct One {
    chrome: Chrome,
    r: Full,
    tier: Tier,
    counted: Option<Counted>,
}

fn goes(mode: Mode) -> &'static str {
    match mode {
        Mode::Off => "nobody: switched off",
        Mode::Shadow => "nobody yet: recorded apart",
        Mode::Queue => "the queue; what is High or Stop to the prescriber's card as well",
        Mode::Card => "the prescriber's card and the queue",
    }
}

/// The mildest tier of a limit's findings, and the gravest where that is another.
fn tiers(limit: &Limit) -> (Tier, Option<Tier>) {
    let (mildest, gravest) = limit.tiers();
    (mildest, (gravest != mildest).then_some(gravest))
}

fn short(rule: &Rule, goes: &'static str) -> Short {
    Short {
        id: rule.id.to_string(),
        title: rule.title.to_string(),
        tier: rule.tier,
        up_to: None,
        goes,
        source: rule.source.to_string(),
        found: String::new(),
        silent: None,
    }
}

/// Days over which is counted.
const DAYS: i64 = 28;

/// The first and the last day of what is counted.
fn days(app: &App) -> Option<(Date, Date)> {
    let today = Timestamp::now().to_zoned_date(&app.settings.zone);
    Some((today.checked_sub(Span::new().days(DAYS - 1)).ok()?, today))
}

/// Puts to the rules what was counted of them; gives how many are silent.
async fn put_counts(
    store: &dyn Store,
    (from, today): (Date, Date),
    groups: &mut [Group],
) -> Result<usize, Unavailable> {
    let of = store.statistics(from, today).await?;
    let last = store.last_found().await?;
    let mut silent = 0;
    for rule in groups.iter_mut().flat_map(|group| &mut group.rules).filter(|rule| rule.goes != WAITS) {
        let known = of.iter().find(|known| known.rule == rule.id);
        rule.found = known.map_or_else(
            || "0".to_owned(),
            |known| {
                let mut parts = vec![known.fired.to_string()];
                let left: i64 = known.accepted.values().sum();
                parts.extend((left > 0).then(|| format!("left as ordered {left}")));
                parts.extend((known.changed > 0).then(|| format!("changed {}", known.changed)));
                let votes = (known.useful, known.not_useful);
                parts.extend((votes != (0, 0)).then(|| format!("useful {}, not useful {}", votes.0, votes.1)));
                parts.join("; ")
            },
        );
        if let Some(days) = last.silent(&rule.id, today) {
            silent += 1;
            rule.silent = Some(match last.of.get(&rule.id) {
                Some(day) => format!("silent for {days} days, since {day}"),
                None => format!("silent in all the {days} days of counting"),
            });
        }
    }
    Ok(silent)
}

/// Where what waits for data goes.
const WAITS: &str = "nobody: cannot be evaluated yet";

const OWN: &str = "the prescriber's card and the queue; reminders to nobody";

/// `GET /rules`
pub async fn list(State(app): State<Arc<App>>, request: Request) -> Response {
    let chrome = Chrome::new(&app, "Rules", "rules", signed(&app, &request).as_ref());
    let book = app.appraiser.rulebook();
    let own: Vec<Short> = own_rules()
        .map(|rule| short(rule, if not_judged_yet(&rule.id).is_some() { "nobody: not judged yet" } else { OWN }))
        .collect();
    let limits = book.limits.iter().map(|l| {
        let (tier, up_to) = tiers(l);
        Short { tier, up_to, ..short(&l.rule, goes(l.mode)) }
    });
    let limits: Vec<Short> = limits.collect();
    let waiting: Vec<Short> = book.waiting.iter().map(|w| short(&w.rule, WAITS)).collect();
    let count = own.len() + limits.len() + waiting.len();
    let mut groups = vec![Group {
        title: "Limits of the rulebook",
        about: "Figures of the institution. An institution changes them in its own files, without a new program.",
        rules: limits,
    }];
    groups.push(Group {
        title: "Rules of the program",
        about: "They find contradictions, slips of units and gaps, and need no figure of the institution.",
        rules: own,
    });
    groups.push(Group {
        title: "Listed, and not evaluated by this version",
        about: "What they need cannot be read yet. They are listed so that nobody takes them for done.",
        rules: waiting,
    });
    groups.retain(|g| !g.rules.is_empty());
    let name = if book.is_empty() { String::new() } else { format!("{} {} ({})", book.label, book.edition, book.hash) };
    let warning = book_warning(&book).map(std::borrow::Cow::into_owned);
    let (mut over, mut trouble, mut silent) = (None, None, 0);
    if let (Some(store), Some(days)) = (app.doors.store.as_deref(), days(&app)) {
        match put_counts(store, days, &mut groups).await {
            Ok(found) => (over, silent) = (Some(DAYS), found),
            Err(why) => trouble = Some(why.to_string()),
        }
    }
    page(StatusCode::OK, &List { chrome, count, book: name, warning, groups, days: over, trouble, silent })
}

/// `GET /rules/{id}`
///
/// # Errors
/// What keeps a page from being shown.
pub async fn one(State(app): State<Arc<App>>, Path(id): Path<String>, request: Request) -> Result<Response, Refusal> {
    let signed = signed(&app, &request);
    let book = app.appraiser.rulebook();
    let Some(r) = full(&book, &id) else {
        let chrome = Chrome::new(&app, "No such rule", "rules", signed.as_ref());
        let text = vec!["Neither the program nor the rulebook in use has a rule of that name.".to_owned()];
        return Ok(message(StatusCode::NOT_FOUND, chrome, "No such rule", text, Some(("/rules", "All rules"))));
    };
    let chrome = Chrome::new(&app, format!("{} {}", r.id, r.title), "rules", signed.as_ref());
    let sees_orders = signed.as_ref().filter(|s| request.method() == Method::GET && s.person.job.role().is_some());
    let counted = counted(&app, &r.id, sees_orders).await;
    let tier = r.tier.unwrap_or(Tier::Low);
    Ok(page(StatusCode::OK, &One { chrome, r, tier, counted }))
}

async fn counted(app: &App, id: &str, sees_orders: Option<&Signed>) -> Option<Counted> {
    let store = app.doors.store.as_ref()?;
    let now = Timestamp::now();
    let (from, today) = days(app)?;
    let of = match store.statistics(from, today).await {
        Ok(of) => of,
        Err(why) => {
            let rows = vec![("cannot be read now", why.to_string())];
            return Some(Counted { rows, days: DAYS, recent: Vec::new(), not_shown: None });
        }
    };
    let s = of.into_iter().find(|s| s.rule == id).unwrap_or_default();
    let with_reasons = |map: &std::collections::BTreeMap<String, i64>| {
        let sum: i64 = map.values().sum();
        let list: Vec<String> = map
            .iter()
            .map(|(why, n)| match why.as_str() {
                "" => format!("no reason given: {n}"),
                code => format!("{}: {n}", reason_words(code)),
            })
            .collect();
        if list.is_empty() { sum.to_string() } else { format!("{sum} ({})", list.join(", ")) }
    };
    let last = match store.last_found().await {
        Err(why) => why.to_string(),
        Ok(last) => match (last.of.get(id), last.since) {
            (Some(day), _) => day.to_string(),
            (None, Some(since)) => format!("never since counting began on {since}"),
            (None, None) => "nothing was counted yet".to_owned(),
        },
    };
    let rows = vec![
        ("orders in which it found something", s.fired.to_string()),
        ("last found something", last),
        ("orders for which it could not be evaluated", s.not_evaluated.to_string()),
        ("left as ordered by a reviewer", with_reasons(&s.accepted)),
        ("order changed", s.changed.to_string()),
        ("card followed by the prescriber", s.card_accepted.to_string()),
        ("card passed over", with_reasons(&s.card_overridden)),
        ("judged useful, not useful", format!("{}, {}", s.useful, s.not_useful)),
    ];
    let (recent, not_shown) = match sees_orders {
        None => (Vec::new(), None),
        Some(signed) => match latest(app, &**store, id, signed, now).await {
            Ok(recent) => (recent, None),
            Err(why) => (Vec::new(), Some(why)),
        },
    };
    Some(Counted { rows, days: DAYS, recent, not_shown })
}

/// The latest orders in which a rule found something: id, name, when. Who was shown which is in the audit trail before.
async fn latest(
    app: &App,
    store: &dyn Store,
    id: &str,
    signed: &Signed,
    now: Timestamp,
) -> Result<Vec<(String, String, String)>, String> {
    let filter = crate::store::Filter { rule: Some(id.to_owned()), ..Default::default() };
    let query = crate::store::Query { filter, sort: crate::store::Sort::Changed, after: None, limit: 10, now };
    let found = store.list(query).await.map_err(|why| why.to_string())?.items;
    let gives_ids = app.doors.people.as_ref().is_some_and(|people| people.gives_ids());
    if let Some(trail) = app.doors.trail.as_ref().filter(|_| !found.is_empty()) {
        let listing = Listing {
            who: Some(signed.person.id.as_str()).filter(|_| gives_ids),
            route: "/rules/{id}",
            about: Some(id),
            asked: BTreeMap::new(),
            filters: "",
            items: found.iter().map(|item| &item.id).collect(),
        };
        trail.kept(listing.event()).await?;
    }
    let one = |item: Summary| (item.id.to_string(), seen(&item.label), moment(app, item.received));
    Ok(found.into_iter().map(one).collect())
}

fn full(book: &Rulebook, id: &str) -> Option<Full> {
    if let Some(limit) = book.limits.iter().find(|l| l.rule.id == id) {
        return Some(of_limit(book, limit));
    }
    if let Some(waiting) = book.waiting.iter().find(|w| w.rule.id == id) {
        let mut out = of_rule(&waiting.rule, format!("the rulebook, {}", book.label));
        out.waits = Some(waiting.why.clone());
        "nobody: cannot be evaluated yet".clone_into(&mut out.goes);
        return Some(out);
    }
    let own = own_rules().find(|rule| rule.id == id)?;
    let mut out = of_rule(own, "the program".to_owned());
    OWN.clone_into(&mut out.goes);
    if let Some(waits) = not_judged_yet(id) {
        out.waits = Some(waits.to_owned());
        "nobody: not judged yet".clone_into(&mut out.goes);
    }
    out.off = off(book, id);
    Some(out)
}

/// Who switched a rule off, until when and why.
fn off(book: &Rulebook, id: &str) -> Option<String> {
    let off = book.off.iter().find(|off| off.rule == id)?;
    Some(format!("by {}, until {}: {}", off.by, off.until, off.why))
}

fn of_rule(rule: &Rule, stands: String) -> Full {
    Full {
        id: rule.id.to_string(),
        title: rule.title.to_string(),
        name: rule.name.to_string(),
        tier: Some(rule.tier),
        source: rule.source.to_string(),
        stands,
        ..Full::default()
    }
}

fn named(parts: &[Named]) -> Vec<(String, String)> {
    parts.iter().map(|one| (one.name.clone(), one.text.clone())).collect()
}

fn of_limit(book: &Rulebook, l: &Limit) -> Full {
    let who: Vec<&str> = l.audience.iter().map(|a| a.word()).collect();
    let checks = l.checks.iter().map(|c| {
        let what = match (&c.measure, &c.bound) {
            (Some(m), Bound::Above(b)) => format!("{} above {}", m.text, b.text),
            (Some(m), Bound::Below(b)) => format!("{} below {}", m.text, b.text),
            (_, Bound::When(w)) => w.text.clone(),
            (None, _) => String::new(),
        };
        let when = c.when.as_ref().map_or_else(String::new, |w| format!(", when {}", w.text));
        Check {
            tier: c.tier,
            when: what + &when,
            says: c.text.text.clone(),
            offers: c.fix.as_ref().map_or_else(String::new, |f| f.text.clone()),
            terms: named(&c.terms),
            instead: c.offers_instead().unwrap_or_default(),
        }
    });
    let figures = book
        .effective()
        .iter()
        .filter(|e| e.limit == l.rule.id)
        .filter(|e| e.key.starts_with("parameters.") || !e.replaced.is_empty());
    let (tier, up_to) = tiers(l);
    Full {
        tier: Some(tier),
        up_to,
        goes: goes(l.mode).to_owned(),
        who: who.join(", "),
        owner: l.owner.clone(),
        applies: if l.scope_text.is_empty() { "every order.".to_owned() } else { sentence(&l.scope_text) },
        checks: checks.collect(),
        terms: named(&l.terms),
        phrases: named(&l.phrases),
        figures: figures
            .map(|e| Figure {
                key: e.key.trim_start_matches("parameters.").to_owned(),
                value: e.value.clone(),
                place: e.place.clone(),
                replaced: e
                    .replaced
                    .iter()
                    .map(|(value, place)| format!("{value} ({place})"))
                    .collect::<Vec<_>>()
                    .join("; "),
            })
            .collect(),
        evidence: l.evidence.mark(),
        note: l.note.clone(),
        reasons: l.override_reasons.clone(),
        tests: l
            .tests
            .iter()
            .map(|t| Example {
                title: t.title.clone(),
                given: t.given.iter().map(|(k, v)| format!("{k} = {v}")).collect::<Vec<_>>().join(", "),
                comes: match t.expect {
                    crate::rulebook::Expected::Flagged => "flagged",
                    crate::rulebook::Expected::Clear => "nothing found",
                    crate::rulebook::Expected::NotEvaluated => "not evaluated",
                    crate::rulebook::Expected::NotProvided => "not provided by the sender",
                    crate::rulebook::Expected::NotApplicable => "does not apply",
                }
                .to_owned(),
            })
            .collect(),
        changes: l.changes.clone(),
        off: off(book, &l.rule.id),
        ..of_rule(&l.rule, format!("the rulebook, {} {} ({})", book.label, book.edition, l.places.join(", ")))
    }
}

/// The local date of a moment.
trait LocalDate {
    fn to_zoned_date(self, zone: &jiff::tz::TimeZone) -> jiff::civil::Date;
}

impl LocalDate for Timestamp {
    fn to_zoned_date(self, zone: &jiff::tz::TimeZone) -> jiff::civil::Date {
        zone.to_datetime(self).date()
    }
}
