//! Cards: one per order that has something for the prescriber, its findings grouped inside.

use super::evaluate::{Draft, Evaluated};
use super::fetch::Why;
use super::indicator;
use super::markdown::{escaped, plain, shortened};
use super::prefetch::State;
use super::suggestion::Suggestion;
use crate::answer::{self, PROGRAM, STANDING};
use crate::appraise::{Appraisal, OrderReport};
use crate::findings::{Finding, Outcome, Rule, RuleKind, Tier};
use crate::intake::content::content_hash;
use crate::intake::json::Node;
use crate::intake::order::{At, Problem};
use crate::nutrition::derive::shown;
use crate::nutrition::measure::Measure;
use crate::rulebook::{Limit, Rulebook};
use jiff::civil::Date;
use serde::Serialize;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::LazyLock;
use uuid::Uuid;

/// Code system of the reasons for going on all the same.
pub const OVERRIDE_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/override-reason";

/// Reasons where the rule has none of its own: code and words.
pub const OVERRIDE_REASONS: [(&str, &str); 4] = [
    ("intended-and-documented", "Intended, and documented elsewhere"),
    ("will-adjust", "Will adjust the order"),
    ("data-wrong-or-outdated", "Data used here are wrong or outdated"),
    ("does-not-apply", "Does not apply to this patient"),
];

/// The standing statements as Markdown.
static STATEMENTS: LazyLock<String> = LazyLock::new(|| escaped(STANDING));

/// Most reasons on one card.
const MOST_REASONS: usize = 6;
/// Most characters of a summary; the specification asks for fewer than 140.
const LONGEST_SUMMARY: usize = 139;
/// Most items of one list on a card; how many more there are is said.
const LONGEST_LIST: usize = 20;

/// A card, as it is written.
#[derive(Clone, Debug, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct Card {
    /// Follows from the content: the same order, however it is written, and the same findings give the same.
    pub uuid: String,
    /// One line.
    pub summary: String,
    /// GitHub Flavored Markdown.
    pub detail: String,
    /// `info`, `warning` or `critical`.
    pub indicator: &'static str,
    source: Source,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    suggestions: Vec<Suggestion>,
    #[serde(skip_serializing_if = "Option::is_none")]
    selection_behavior: Option<&'static str>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    override_reasons: Vec<Coding>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    links: Vec<Link>,
}

#[derive(Clone, Debug, Serialize)]
struct Source {
    label: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
struct Link {
    label: String,
    url: String,
    r#type: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
struct Coding {
    code: String,
    system: &'static str,
    display: String,
}

/// An id that follows from content.
pub fn uuid_of<'p>(parts: impl IntoIterator<Item = &'p str>) -> Uuid {
    let space = Uuid::new_v5(&Uuid::NAMESPACE_URL, b"https://enteral-gate.example/cds-hooks");
    let mut content = Sha256::new();
    for part in parts {
        // Each with its length first, so that no two contents look alike.
        content.update((part.len() as u64).to_be_bytes());
        content.update(part.as_bytes());
    }
    Uuid::new_v5(&space, &content.finalize())
}

/// What was found in an order, by who is told.
pub struct Sorted<'r> {
    /// For the card, the gravest first.
    pub shown: Vec<(&'r Rule, &'r Finding)>,
    /// Reminders of the program's own rules; no reason for a card.
    pub reminders: Vec<(&'r Rule, &'r Finding)>,
    /// Everything that is not for the card.
    pub others: Vec<(&'r Rule, &'r Finding)>,
    /// Findings of limits that do not go to the prescriber, by who can act on them.
    pub not_on_card: BTreeMap<&'static str, usize>,
    /// The limit of a rule that is one.
    limits: Vec<(&'r str, &'r Limit)>,
}

/// Sorts an order's findings: those of limits by the limit's own words (`mode`, `audience`); those of the program's
/// own rules to the prescriber, except reminders.
pub fn sort<'r>(report: &'r OrderReport<'_>, book: &'r Rulebook) -> Sorted<'r> {
    let mut out = Sorted {
        shown: Vec::new(),
        reminders: Vec::new(),
        others: Vec::new(),
        not_on_card: BTreeMap::new(),
        limits: Vec::new(),
    };
    for j in &report.judged {
        let Outcome::Flagged(findings) = &j.outcome else { continue };
        let rule: &Rule = j.rule;
        let limit = book.limits.iter().find(|l| rule.kind == RuleKind::Limit && l.rule.id == rule.id);
        out.limits.extend(limit.map(|l| (rule.id.as_ref(), l)));
        for finding in findings {
            match limit {
                Some(l) if l.is_for_card(finding.tier) => out.shown.push((rule, finding)),
                Some(l) => {
                    for who in &l.audience {
                        *out.not_on_card.entry(who.word()).or_default() += 1;
                    }
                    out.others.push((rule, finding));
                }
                None if finding.tier == Tier::Low => {
                    out.reminders.push((rule, finding));
                    out.others.push((rule, finding));
                }
                None => out.shown.push((rule, finding)),
            }
        }
    }
    // Stable: within a tier the order of the rules stays.
    out.shown.sort_by_key(|(_, finding)| std::cmp::Reverse(finding.tier));
    out
}

/// The card of an order, where there is something to say.
pub fn of_order(
    evaluated: &Evaluated<'_>,
    draft: &Draft,
    report: &OrderReport<'_>,
    sorted: &Sorted<'_>,
    suggestions: Vec<Suggestion>,
) -> Option<Card> {
    let missing = missing(evaluated, report);
    if sorted.shown.is_empty() && missing.is_empty() {
        return None;
    }
    let a = &evaluated.appraisal;
    let (summary, level) = match sorted.shown.as_slice() {
        [] => (nothing_found(missing.first().map(|m| m.why.as_str()), missing.len()), "warning"),
        [(_, finding), more @ ..] => (headline(finding, more.len(), missing.len()), indicator(finding.tier)),
    };
    // What could not be checked is no less grave than a reminder.
    let level = if level == "info" && !missing.is_empty() { "warning" } else { level };

    let mut detail = String::new();
    detail.push_str(&format!("**Tube-feeding order** {}", escaped(&draft.name)));
    if let Some(given) = delivered(report) {
        detail.push_str(&format!(": {}", escaped(&given)));
    }
    detail.push_str("\n\n");
    for (rule, finding) in &sorted.shown {
        detail.push_str(&found(evaluated, report, rule, finding));
    }
    let lines: Vec<String> = missing.iter().map(Missing::line).collect();
    list(&mut detail, "Not checked", &lines);
    let reminders: Vec<String> = sorted.reminders.iter().map(|(rule, f)| format!("{} ({})", f.text, rule.id)).collect();
    list(&mut detail, "Also noted", &reminders);
    list(&mut detail, "Data used", &data_used(evaluated, report, sorted));
    let mut notes: Vec<String> = Vec::new();
    let (not_sent, _) = answer::not_provided(&report.judged);
    if !not_sent.is_empty() {
        let kinds: Vec<&str> = not_sent.iter().map(|(what, _)| *what).collect();
        notes.push(format!("Not checked, because it is not sent: {}.", kinds.join("; ")));
    }
    for j in &report.judged {
        if let Outcome::Off(why) = &j.outcome {
            notes.push(format!("Switched off ({}): {why}.", j.rule.id));
        }
    }
    let fetched: Vec<&str> =
        evaluated.sent.keys.iter().filter(|k| k.fetched && k.state == State::Present).map(|k| k.key.what).collect();
    if !fetched.is_empty() {
        notes.push(format!("Fetched from the client's FHIR server: {}.", fetched.join("; ")));
    }
    if !evaluated.sent.not_listed.is_empty() {
        let why = answer::capital(Why::NotListed.text());
        notes.push(format!("{why} Not sent: {}.", evaluated.sent.not_listed.join(", ")));
    }
    if !report.unlisted.is_empty() {
        notes.push(answer::unlisted(report.unlisted.len()));
    }
    notes.extend(
        evaluated.appraisal.problems.iter().filter(|p| !p.grave).take(LONGEST_LIST).map(|p| answer::capital(&p.text)),
    );
    if !report.assumptions.is_empty() {
        let ids: Vec<&str> = report.assumptions.iter().map(|(x, _)| x.id()).collect();
        notes.push(format!("Assumed: {}.", ids.join(", ")));
    }
    notes.extend(answer::book_warning(a.rulebook).map(|text| text.into_owned()));
    notes.push(format!(
        "{PROGRAM}; formulary {} ({}); rulebook {}.",
        a.formulary.label(),
        a.formulary.hash().get(..12).unwrap_or_default(),
        answer::book(a.rulebook)
    ));
    if a.settings.demo {
        notes.push("Demonstration: formulary, orders and patients are invented. Not for use on patients.".to_owned());
    }
    for note in &notes {
        detail.push_str(&escaped(note));
        detail.push_str("\n\n");
    }
    detail.push_str(&STATEMENTS);
    let content = evaluated.node(draft.at).map(content_hash).unwrap_or_default();
    Some(
        Card {
            uuid: String::new(),
            summary,
            detail: detail.trim_end().to_owned(),
            indicator: level,
            source: source(evaluated),
            selection_behavior: (!suggestions.is_empty()).then_some("at-most-one"),
            override_reasons: reasons(sorted),
            links: Vec::new(),
            suggestions,
        }
        .with_uuid(&content),
    )
}

/// The card about the request as a whole: drafts that were not judged, and what could not be read.
pub fn of_request(evaluated: &Evaluated<'_>) -> Option<Card> {
    use super::evaluate::Fate;
    let mut lines = Vec::new();
    for (nth, draft) in evaluated.sent.drafts.iter().enumerate() {
        match evaluated.fate(nth) {
            Fate::AnotherPatient => {
                lines.push(format!("{}: it is for another patient than the one this request is about", draft.name))
            }
            Fate::NotRead => lines.push(format!("{}: it could not be read as an order", draft.name)),
            Fate::Judged(_) | Fate::NotSelected | Fate::NotATubeFeed => {}
        }
    }
    for pointer in &evaluated.sent.not_found {
        lines.push(format!("The order selected at {pointer} is not among the draft orders"));
    }
    for pointer in &evaluated.sent.inside {
        lines.push(format!(
            "What is inside the resource at {pointer}: a draft order is looked for as an entry of its own"
        ));
    }
    for pointer in &evaluated.sent.unread {
        lines.push(format!("What is at {pointer}: FHIR has no resource of this type"));
    }
    // That there is no order is no problem of a hook that fires for every kind of order. What is inside another
    // resource is told above.
    let told = |p: &Problem| {
        let pointer = evaluated.node(p.at).map(Node::pointer).unwrap_or_default();
        evaluated.sent.inside.iter().any(|own| pointer.starts_with(&format!("{own}/")))
    };
    let problems = evaluated.appraisal.problems.iter();
    let about_orders = |p: &Problem| !evaluated.appraisal.orders.is_empty() || evaluated.sent.defects.contains(p);
    let grave = problems.filter(|p| p.grave && about_orders(p) && !told(p));
    lines.extend(grave.map(|p| answer::capital(&p.text)));
    if lines.is_empty() {
        return None;
    }
    let mut detail = String::new();
    list(&mut detail, "Not checked", &lines);
    detail.push_str(&STATEMENTS);
    let summary = nothing_found(lines.first().map(String::as_str), lines.len());
    let drafts = evaluated.sent.drafts.iter().filter_map(|d| evaluated.node(d.at));
    let drafts: Vec<String> = drafts.map(content_hash).collect();
    Some(bare(summary, detail, source(evaluated)).with_uuid(&drafts.join("\n")))
}

/// Whether orders that were not checked in time are on the queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum OnQueue {
    /// They are, as not fully checked.
    Recorded,
    /// Not now; what the check finds will be.
    WhenItEnds,
    /// They could not be put there.
    NotRecorded,
}

impl OnQueue {
    const fn text(self) -> &'static str {
        match self {
            Self::Recorded => {
                "Recorded: the orders are on the queue as not fully checked, where pharmacists and dietitians see them."
            }
            Self::WhenItEnds => {
                "Not recorded yet: the check goes on, and what it finds is put on the queue, where pharmacists and dietitians see it."
            }
            Self::NotRecorded => {
                "Not recorded: these orders could not be put on the queue, where pharmacists and dietitians see them."
            }
        }
    }
}

/// The card of a request that the program gave up on.
pub fn not_checked(why: &str, queue: Option<OnQueue>) -> Card {
    let summary = shortened(&plain(&format!("Tube-feeding orders not checked: {why}")), LONGEST_SUMMARY);
    let mut detail = escaped(&answer::capital(&format!("nothing was checked: {why}")));
    for more in queue.map(OnQueue::text).into_iter().chain([STATEMENTS.as_str()]) {
        detail.push_str("\n\n");
        detail.push_str(more);
    }
    bare(summary, detail, Source { label: PROGRAM.to_owned() }).with_uuid("")
}

/// Said where an order could not be recorded.
const NOT_RECORDED: &str =
    "Not recorded: this order could not be put on the queue, where pharmacists and dietitians see it.";

/// Said where the same was received before.
const NOT_NEW: &str = "Not new: this order was received before with the same content.";

/// The card of an order that has findings for others only, and could not be recorded.
pub fn only_not_recorded(order: &str, findings: usize) -> Card {
    let them = if findings == 1 { "1 finding" } else { &format!("{findings} findings") };
    let summary = format!("Tube feed: {them} for pharmacist or dietitian could not be recorded");
    let detail = format!("**Tube-feeding order** {}\n\n{NOT_RECORDED}\n\n{}", escaped(order), *STATEMENTS);
    bare(summary, detail, Source { label: PROGRAM.to_owned() }).with_uuid(order)
}

fn bare(summary: String, detail: String, source: Source) -> Card {
    Card {
        uuid: String::new(),
        summary,
        detail,
        indicator: "warning",
        source,
        suggestions: Vec::new(),
        selection_behavior: None,
        override_reasons: Vec::new(),
        links: Vec::new(),
    }
}

impl Card {
    /// Says that the order could not be recorded. The card keeps its id: feedback on it is on the same findings.
    pub fn not_recorded(&mut self) {
        self.detail.push_str("\n\n");
        self.detail.push_str(NOT_RECORDED);
    }

    /// Says that the order was received before. The card keeps its id.
    pub fn not_new(&mut self) {
        if !self.detail.ends_with(NOT_NEW) {
            self.detail.push_str("\n\n");
            self.detail.push_str(NOT_NEW);
        }
    }

    /// Leads to an order on the queue. The card keeps its id.
    pub fn linked(&mut self, order: &str, url: String) {
        if !self.links.iter().any(|link| link.url == url) {
            let label = plain(&format!("{order} on the queue of pharmacists and dietitians"));
            self.links.push(Link { label, url, r#type: "absolute" });
        }
    }

    fn with_uuid(mut self, order: &str) -> Self {
        let offered = self.suggestions.iter().map(Suggestion::id);
        let parts = [order, &self.summary, &self.detail, self.indicator, &self.source.label];
        self.uuid = uuid_of(parts.into_iter().chain(offered)).to_string();
        self
    }
}

/// Cards of the same content in one answer are told apart by their number.
pub fn number(cards: &mut [Card]) {
    let mut seen: BTreeMap<String, u32> = BTreeMap::new();
    for card in cards {
        let times = seen.entry(card.uuid.clone()).or_default();
        if *times > 0 {
            card.uuid = uuid_of([card.uuid.as_str(), &times.to_string()]).to_string();
        }
        *times += 1;
    }
}

/// Who judged: the institution's rulebook, or the program's own rules alone.
fn source(evaluated: &Evaluated<'_>) -> Source {
    let a = &evaluated.appraisal;
    let mut label = match (a.rulebook.is_empty(), &a.rulebook.adopted) {
        (true, _) => format!("{PROGRAM}, integrity rules only"),
        (false, Some(by)) => format!("{} {}, adopted by {}", a.rulebook.label, a.rulebook.edition, by.by),
        (false, None) => format!("{} {}, not adopted by this institution", a.rulebook.label, a.rulebook.edition),
    };
    if a.settings.demo {
        label.push_str(" (demonstration, invented data)");
    }
    Source { label: plain(&label) }
}

fn headline(finding: &Finding, more: usize, missing: usize) -> String {
    let mut rest = String::new();
    if more > 0 {
        rest.push_str(&format!(" (+{more} more)"));
    }
    if missing > 0 {
        rest.push_str(" (not fully checked)");
    }
    let room = LONGEST_SUMMARY.saturating_sub(rest.chars().count());
    format!("{}{rest}", sentences(&plain(&finding.text), room))
}

/// As many whole sentences as there is room for, else the beginning of the first.
fn sentences(text: &str, room: usize) -> String {
    let ends = text.match_indices(". ").map(|(at, _)| at + 1).chain([text.len()]);
    let whole = ends.filter_map(|end| text.get(..end)).filter(|t| t.chars().count() <= room).last();
    whole.map_or_else(|| shortened(text, room), str::to_owned)
}

fn nothing_found(first: Option<&str>, count: usize) -> String {
    let rest = if count > 1 { format!(" (+{} more)", count - 1) } else { String::new() };
    let room = LONGEST_SUMMARY.saturating_sub(rest.chars().count());
    let text = format!("Tube feed not fully checked: {}", first.unwrap_or("the reason is not known"));
    format!("{}{rest}", shortened(&plain(&text), room))
}

/// Something that could not be checked.
struct Missing {
    why: String,
    /// The rules that needed it.
    rules: Option<String>,
}

impl Missing {
    fn line(&self) -> String {
        self.rules.as_ref().map_or_else(|| self.why.clone(), |rules| format!("{} ({rules})", self.why))
    }
}

/// What could not be checked, once per reason.
fn missing(evaluated: &Evaluated<'_>, report: &OrderReport<'_>) -> Vec<Missing> {
    let mut out: Vec<Missing> = evaluated.lacks().map(|why| Missing { why, rules: None }).collect();
    for (rules, why, _) in answer::not_evaluated(&report.judged) {
        let names: Vec<&str> = rules.iter().map(|rule| rule.id.as_ref()).collect();
        let names = match names.as_slice() {
            few if few.len() <= 6 => few.join(", "),
            many => format!(
                "{} and {} more rules",
                many.iter().take(5).copied().collect::<Vec<_>>().join(", "),
                many.len().saturating_sub(5)
            ),
        };
        out.push(Missing { why: why.to_owned(), rules: Some(names) });
    }
    out
}

fn found(evaluated: &Evaluated<'_>, report: &OrderReport<'_>, rule: &Rule, finding: &Finding) -> String {
    let mut out = format!("**{}** {} ({})\n\n", finding.tier.code(), escaped(&finding.text), escaped(&rule.id));
    let mut item = |what: &str, text: &str| out.push_str(&format!("- {what}: {}\n", escaped(text)));
    if let Some(arithmetic) = &finding.arithmetic {
        item("Arithmetic", arithmetic);
    }
    if let Some(fix) = &finding.fix {
        item("A way out", fix);
    }
    let data: Vec<String> =
        finding.at.iter().filter_map(|at| datum(&evaluated.appraisal, report, *at)).take(LONGEST_LIST).collect();
    if !data.is_empty() {
        item("Data", &data.join("; "));
    }
    item("Source", &rule.source);
    out.push('\n');
    out
}

fn list(out: &mut String, title: &str, lines: &[String]) {
    if lines.is_empty() {
        return;
    }
    out.push_str(&format!("**{title}**\n\n"));
    for line in lines.iter().take(LONGEST_LIST) {
        out.push_str(&format!("- {}\n", escaped(line)));
    }
    if lines.len() > LONGEST_LIST {
        out.push_str(&format!("- and {} more\n", lines.len() - LONGEST_LIST));
    }
    out.push('\n');
}

/// What the order gives on the day that stands for it.
fn delivered(report: &OrderReport<'_>) -> Option<String> {
    let (_, totals) = report.typical()?;
    let of = |m: Measure| shown(totals.get(m), m.places(), m.unit_text());
    let day = if report.steady.is_ok() { "steady day" } else { "day" };
    Some(format!(
        "{day} {} of feed, energy {}, protein {}",
        of(Measure::FormulaVolume),
        of(Measure::Energy),
        of(Measure::Protein)
    ))
}

/// Data of the patient that the order was judged with, with their dates.
fn data_used(evaluated: &Evaluated<'_>, report: &OrderReport<'_>, sorted: &Sorted<'_>) -> Vec<String> {
    let mut places: Vec<At> = report.weight.iter().map(|(_, at)| *at).collect();
    places.extend(sorted.shown.iter().flat_map(|(_, finding)| finding.at.iter().copied()));
    let mut out: Vec<String> = Vec::new();
    for line in places.into_iter().filter_map(|at| datum(&evaluated.appraisal, report, at)) {
        if !out.contains(&line) {
            out.push(line);
        }
    }
    out
}

/// A resource beside the order, in words: what it is, its value, its date and how long before the order that was.
pub fn datum(a: &Appraisal<'_>, report: &OrderReport<'_>, at: At) -> Option<String> {
    let document = a.document.as_ref()?;
    let node = document.node(at);
    let resource = std::iter::successors(Some(node), |n| n.parent()).find(|n| n.resource_type().is_some())?;
    if resource.at() == report.at {
        return None;
    }
    let kind = resource.resource_type()?;
    let concept = |name: &str| {
        let concept = resource.get(name)?;
        let coding = || concept.get("coding")?.items().find_map(|c| c.get("display"));
        concept.get("text").or_else(coding).and_then(Node::as_str)
    };
    let name = concept("code").or_else(|| concept("medicationCodeableConcept"));
    let mut out = name.map_or_else(|| kind.to_string(), |name| shortened(&name, 80));
    if let Some(quantity) = resource.get("valueQuantity")
        && let Some(value) = quantity.get("value").and_then(Node::literal)
    {
        let unit = quantity.get("unit").or_else(|| quantity.get("code")).and_then(Node::as_str).unwrap_or_default();
        out.push_str(&format!(" {value} {unit}"));
    }
    let dated = ["effectiveDateTime", "effectiveInstant", "recordedDate", "authoredOn", "dateTime", "issued"];
    let date = dated.iter().find_map(|name| resource.get(name)).and_then(Node::as_str);
    match date {
        None if kind == "Observation" => out.push_str(", without a date"),
        None => {}
        Some(written) => {
            out.push_str(&format!(" of {}", shortened(&written, 40)));
            let ordered = document.node(report.at).get("dateTime").and_then(Node::as_str);
            let days = |text: &str| text.get(..10).and_then(|day| day.parse::<Date>().ok());
            if let (Some(then), Some(ordered)) = (days(&written), ordered.as_deref().and_then(days))
                && let Ok(span) = then.until(ordered)
            {
                let n = span.get_days();
                out.push_str(&match n {
                    0 => " (the day of the order)".to_owned(),
                    1 => " (1 day before the order)".to_owned(),
                    n if n > 1 => format!(" ({n} days before the order)"),
                    n => format!(" ({} days after the order)", -n),
                });
            }
        }
    }
    Some(out)
}

/// Reasons of the rules on the card, the gravest first; the same words have the same code on every card.
fn reasons(sorted: &Sorted<'_>) -> Vec<Coding> {
    let mut out: Vec<Coding> = Vec::new();
    let mut put = |code: String, display: &str| {
        if out.len() < MOST_REASONS && !out.iter().any(|c| c.code == code) {
            out.push(Coding { code, system: OVERRIDE_SYSTEM, display: plain(display) });
        }
    };
    for (rule, _) in &sorted.shown {
        let own = sorted.limits.iter().find(|(id, _)| *id == rule.id).map(|(_, limit)| &limit.override_reasons);
        match own.filter(|list| !list.is_empty()) {
            Some(list) => list.iter().for_each(|words| put(code_of(words), words)),
            None => OVERRIDE_REASONS.iter().for_each(|(code, words)| put((*code).to_owned(), words)),
        }
    }
    out
}

/// Codes of all reasons that cards may offer under a rulebook.
pub fn reasons_offered(rulebook: &Rulebook) -> BTreeSet<String> {
    let own = rulebook.limits.iter().flat_map(|limit| &limit.override_reasons).map(|words| code_of(words));
    OVERRIDE_REASONS.iter().map(|(code, _)| (*code).to_owned()).chain(own).collect()
}

/// A code from words: lower case, hyphens between.
fn code_of(words: &str) -> String {
    let letters: String =
        words.chars().map(|c| if c.is_alphanumeric() { c.to_ascii_lowercase() } else { ' ' }).collect();
    letters.split(' ').filter(|w| !w.is_empty()).collect::<Vec<_>>().join("-")
}
