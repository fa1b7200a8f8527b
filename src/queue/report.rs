//! What an appraisal said of one order, as plain data: it can be read when the rulebook, the formulary and the program
//! that said it are gone.

use crate::amount::{Amount, Why};
use crate::answer::{self, PROGRAM};
use crate::appraise::{Appraisal, Institution, OrderReport};
use crate::exact::Exact;
use crate::findings::{Disposition, Finding, Judged, Outcome, Rule, RuleKind, Tier};
use crate::hooks::{card, suggestion};
use crate::intake::bundle::Gathered;
use crate::intake::order::{At, Problem};
use crate::nutrition::derive::shown;
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Plan, Source};
use crate::nutrition::totals::OrderDay;
use crate::rulebook::Audience;
use crate::sheet::{Offer, Sheet};
use crate::timing::calendar::stamp;
use serde::{Deserialize, Serialize};

/// What was said of an order, and by what.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Report {
    /// What it came to.
    pub disposition: Disposition,
    /// What was found, the gravest first.
    pub findings: Vec<Found>,
    /// What could not be evaluated, once per reason.
    pub not_evaluated: Vec<NotEvaluated>,
    /// Context that the sender does not provide, with the rules that would look at it.
    pub not_provided: Vec<NotProvided>,
    /// Rules that the institution switched off, with its reason.
    pub switched_off: Vec<SwitchedOff>,
    /// What else the sender should know: problems beside the order, the state of the rulebook.
    pub notes: Vec<String>,
    /// What the order gives on the day that stands for it.
    pub delivered: Vec<Figure>,
    /// How it is given over that day, where it can be laid out.
    pub day: Option<DayLaid>,
    /// Data of the patient that were used, with their dates.
    pub data: Vec<String>,
    /// Readings taken: id and text.
    pub assumptions: Vec<(String, String)>,
    /// What judged.
    pub by: Versions,
    /// The whole of it as a person reads it; it is not there in what earlier programs recorded.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sheet: Option<Box<Sheet>>,
}

/// A finding.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Found {
    /// The rule's id.
    pub rule: String,
    /// What the rule is, for people.
    pub title: String,
    /// Whether it is a limit of the institution, and not a rule of the program.
    pub limit: bool,
    /// How grave.
    pub tier: Tier,
    /// One sentence.
    pub text: String,
    /// The arithmetic, or what was compared.
    pub arithmetic: Option<String>,
    /// A way out.
    pub fix: Option<String>,
    /// FHIRPath of the elements concerned.
    pub at: Vec<String>,
    /// Where the rule comes from.
    pub source: String,
    /// Who can act on it: `prescriber`, `pharmacist`, `dietitian`, `nurse`. Empty for a reminder.
    pub audience: Vec<String>,
    /// Whether it goes on the prescriber's card.
    pub on_card: bool,
}

/// Rules that could not be evaluated for want of the same.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct NotEvaluated {
    /// Ids; empty for what concerns the input as a whole.
    pub rules: Vec<String>,
    /// Why.
    pub why: String,
    /// FHIRPath of the elements concerned.
    pub at: Vec<String>,
}

/// A kind of context that is not sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct NotProvided {
    /// What.
    pub what: String,
    /// Rules that look at it.
    pub rules: Vec<String>,
}

/// A rule that the institution switched off.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct SwitchedOff {
    /// Its id.
    pub rule: String,
    /// By whom, why, until when.
    pub why: String,
}

/// One measure of the day, in words.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Figure {
    /// Its code, see the code system of measures.
    pub measure: String,
    /// Its name for people.
    pub name: String,
    /// The value with its unit, a range, or why it is not known.
    pub value: String,
    /// Whether it is known exactly.
    pub known: bool,
}

/// A day of the order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct DayLaid {
    /// Its beginning (RFC 3339, with the offset of the institution's zone).
    pub start: String,
    /// Its end.
    pub end: String,
    /// Whether it is the day that repeats.
    pub steady: bool,
    /// What is given, by time.
    pub segments: Vec<Given>,
}

/// Something given in one go.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Given {
    /// From (RFC 3339).
    pub from: String,
    /// To; the same as `from` for what is given at once.
    pub to: String,
    /// Product.
    pub product: String,
    /// Volume with its unit.
    pub volume: String,
    /// Rate with its unit, where there is one.
    pub rate: Option<String>,
    /// FHIRPath of the schedule.
    pub at: String,
}

/// What judged an order.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct Versions {
    /// The program with its version.
    pub program: String,
    /// The rulebook in words.
    pub rulebook: String,
    /// Its hash; empty without one.
    pub rulebook_hash: String,
    /// The formulary's label.
    pub formulary: String,
    /// Its hash.
    pub formulary_hash: String,
    /// Hash of the settings; empty without a file.
    pub settings_hash: String,
    /// The FHIR version the order was read as: `R4`, `R4B`, `R5`.
    pub fhir_version: String,
    /// The institution's time zone.
    pub time_zone: String,
    /// Everything is invented.
    pub demo: bool,
}

impl Report {
    /// The gravest finding.
    pub fn tier(&self) -> Option<Tier> {
        self.findings.iter().map(|found| found.tier).max()
    }

    /// Whether a pharmacist or dietitian should see it: something was found for somebody, or not everything could be
    /// evaluated. Reminders alone are no reason.
    pub fn for_the_queue(&self) -> bool {
        self.disposition != Disposition::Clear || self.findings.iter().any(|found| !found.audience.is_empty())
    }

    /// Ids of the rules with a finding, each once.
    pub fn rules(&self) -> Vec<String> {
        let mut out: Vec<String> = self.findings.iter().map(|found| found.rule.clone()).collect();
        out.sort();
        out.dedup();
        out
    }

    /// Ids of the rules that could not be evaluated, each once.
    pub fn unevaluated_rules(&self) -> Vec<String> {
        let mut out: Vec<String> = self.not_evaluated.iter().flat_map(|n| n.rules.iter().cloned()).collect();
        out.sort();
        out.dedup();
        out
    }

    /// One line for a list: the gravest finding, or why it was not fully checked.
    pub fn headline(&self) -> String {
        let found = self.findings.first().map(|found| found.text.as_str());
        let missing = || self.not_evaluated.first().map(|missing| missing.why.as_str());
        found.or_else(missing).unwrap_or("Nothing was evaluated.").to_owned()
    }

    /// What this report says and `before` did not: findings by rule, tier and text, and what could not be evaluated.
    pub fn says_more_than(&self, before: &Self) -> bool {
        let known = |found: &Found| {
            before.findings.iter().any(|b| b.rule == found.rule && b.tier == found.tier && b.text == found.text)
        };
        let missed = |missing: &NotEvaluated| {
            before.not_evaluated.iter().any(|b| b.rules == missing.rules && b.why == missing.why)
        };
        !self.findings.iter().all(known) || !self.not_evaluated.iter().all(missed)
    }
}

/// Whether an order is for the queue, without its report: as [`Report::for_the_queue`].
pub fn wanted(a: &Appraisal<'_>, order: &OrderReport<'_>, lacks: bool) -> bool {
    let told = |j: &Judged<'_>| match &j.outcome {
        Outcome::Flagged(findings) => findings.iter().any(|finding| !audience(a, j.rule, finding).0.is_empty()),
        _ => false,
    };
    lacks
        || order.disposition() != Disposition::Clear
        || unseen(a, order).next().is_some()
        || order.judged.iter().any(told)
}

/// What of the whole input could not be looked at: it may concern every order that was checked.
fn unseen<'r>(a: &'r Appraisal<'_>, order: &OrderReport<'_>) -> impl Iterator<Item = &'r Problem> {
    let checked = order.computed;
    a.problems.iter().filter(move |problem| checked && problem.grave)
}

/// The report of an order that has nothing for anybody.
pub fn nothing(a: &Appraisal<'_>) -> Report {
    Report {
        disposition: Disposition::Clear,
        findings: Vec::new(),
        not_evaluated: Vec::new(),
        not_provided: Vec::new(),
        switched_off: Vec::new(),
        notes: Vec::new(),
        delivered: Vec::new(),
        day: None,
        data: Vec::new(),
        assumptions: Vec::new(),
        by: versions(a),
        sheet: None,
    }
}

/// The report of an order that could not be judged at all.
pub fn unjudged(a: &Appraisal<'_>, why: &str) -> Report {
    let missing = NotEvaluated { rules: Vec::new(), why: why.to_owned(), at: Vec::new() };
    // That no order was found says nothing of this one.
    let about = a.problems.iter().filter(|problem| !problem.grave || !a.orders.is_empty());
    let notes = about.map(|problem| answer::capital(&problem.text)).collect();
    Report { disposition: Disposition::NotFullyChecked, not_evaluated: vec![missing], notes, ..nothing(a) }
}

fn versions(a: &Appraisal<'_>) -> Versions {
    Versions {
        program: PROGRAM.to_owned(),
        rulebook: answer::book(a.rulebook).into_owned(),
        rulebook_hash: if a.rulebook.is_empty() { String::new() } else { a.rulebook.hash.clone() },
        formulary: a.formulary.label().to_owned(),
        formulary_hash: a.formulary.hash().to_owned(),
        settings_hash: a.settings.hash.clone(),
        fhir_version: a.version.name().to_owned(),
        time_zone: a.settings.zone_name.clone(),
        demo: a.settings.demo,
    }
}

/// Who can act on a finding, whether it goes on the prescriber's card, and whether its rule is a limit.
fn audience(a: &Appraisal<'_>, rule: &Rule, finding: &Finding) -> (Vec<Audience>, bool, bool) {
    match a.rulebook.limits.iter().find(|l| rule.kind == RuleKind::Limit && l.rule.id == rule.id) {
        Some(l) => (l.audience.to_vec(), l.is_for_card(finding.tier), true),
        None if finding.tier == Tier::Low => (Vec::new(), false, false),
        // Contradictions and gaps of the order itself: the prescriber can mend them, the pharmacist verifies.
        None => (vec![Audience::Prescriber, Audience::Pharmacist], true, false),
    }
}

/// The report of one order of an appraisal. `lacks` is what the sender tried to send and could not; `offers` are the
/// corrections of its findings, where they were tried already.
pub fn of(a: &Appraisal<'_>, order: &OrderReport<'_>, lacks: &[String], offers: Option<&[Offer]>) -> Report {
    among(a, order, lacks, offers, None)
}

/// The same of one of several orders, with what their document holds, which is looked up once.
pub fn among(
    a: &Appraisal<'_>,
    order: &OrderReport<'_>,
    lacks: &[String],
    offers: Option<&[Offer]>,
    gathered: Option<&Gathered<'_>>,
) -> Report {
    let mut disposition = order.disposition();
    let unseen: Vec<&Problem> = unseen(a, order).collect();
    if !lacks.is_empty() || !unseen.is_empty() {
        disposition = disposition.max(Disposition::NotFullyChecked);
    }
    let mut findings: Vec<Found> = order
        .judged
        .iter()
        .filter_map(|j| if let Outcome::Flagged(found) = &j.outcome { Some((j.rule, found)) } else { None })
        .flat_map(|(rule, found)| found.iter().map(move |finding| (rule, finding)))
        .map(|(rule, finding)| found(a, rule, finding))
        .collect();
    findings.sort_by_key(|found| std::cmp::Reverse(found.tier));
    let paths = |at: &[At]| -> Vec<String> { at.iter().map(|at| a.path(*at)).collect() };
    let ids = |rules: &[&Rule]| rules.iter().map(|rule| rule.id.to_string()).collect();
    let mut not_evaluated: Vec<NotEvaluated> = lacks
        .iter()
        .map(|why| NotEvaluated { rules: Vec::new(), why: why.clone(), at: Vec::new() })
        .chain(unseen.iter().map(|problem| NotEvaluated {
            rules: Vec::new(),
            why: answer::capital(&problem.text),
            at: paths(&[problem.at]),
        }))
        .chain(answer::not_evaluated(&order.judged).into_iter().map(|(rules, why, at)| NotEvaluated {
            rules: ids(&rules),
            why: why.to_owned(),
            at: paths(at),
        }))
        .collect();
    if !order.computed && not_evaluated.is_empty() && disposition == Disposition::NotFullyChecked {
        not_evaluated.push(NotEvaluated {
            rules: Vec::new(),
            why: "Nothing was computed: the order is over, was entered in error, or has no tube feed.".to_owned(),
            at: Vec::new(),
        });
    }
    let (not_sent, not_read) = answer::not_provided(&order.judged);
    let mut not_provided: Vec<NotProvided> = not_sent
        .into_iter()
        .map(|(what, rules)| NotProvided {
            what: what.to_owned(),
            rules: rules.into_iter().map(str::to_owned).collect(),
        })
        .collect();
    if !not_read.is_empty() {
        let rules = not_read.into_iter().map(str::to_owned).collect();
        not_provided.push(NotProvided { what: "data that this version does not read".to_owned(), rules });
    }
    let off = order.judged.iter().filter_map(|j| match &j.outcome {
        Outcome::Off(why) => Some(SwitchedOff { rule: j.rule.id.to_string(), why: why.clone() }),
        _ => None,
    });
    let beside = a.problems.iter().filter(|problem| !unseen.contains(problem));
    let mut notes: Vec<String> = beside.map(|problem| answer::capital(&problem.text)).collect();
    if !order.unlisted.is_empty() {
        notes.push(answer::unlisted(order.unlisted.len()));
    }
    notes.extend(answer::book_warning(a.rulebook).map(|text| text.into_owned()));
    Report {
        disposition,
        not_evaluated,
        not_provided,
        switched_off: off.collect(),
        notes,
        delivered: delivered(order),
        day: day(a, order),
        data: data(a, order),
        assumptions: order.assumptions.iter().map(|(x, _)| (x.id().to_owned(), x.text().to_owned())).collect(),
        by: versions(a),
        findings,
        sheet: sheet(a, order, offers, gathered),
    }
}

/// The order's sheet, with corrections that are tried here where they were not before.
fn sheet(
    a: &Appraisal<'_>,
    order: &OrderReport<'_>,
    offers: Option<&[Offer]>,
    gathered: Option<&Gathered<'_>>,
) -> Option<Box<Sheet>> {
    let nth = a.orders.iter().position(|o| o.at == order.at)?;
    if let Some(offers) = offers {
        return crate::sheet::of_order_alone(a, nth, offers, gathered).map(Box::new);
    }
    let document = a.document.as_ref()?;
    let by = Institution { formulary: a.formulary, rulebook: a.rulebook, settings: a.settings };
    let offers = suggestion::try_corrections(document.text(), a, Some(nth), a.version, by);
    let offers = offers.get(nth).map_or(&[][..], Vec::as_slice);
    crate::sheet::of_order_alone(a, nth, offers, gathered).map(Box::new)
}

fn found(a: &Appraisal<'_>, rule: &Rule, finding: &Finding) -> Found {
    let (audience, on_card, limit) = audience(a, rule, finding);
    Found {
        rule: rule.id.to_string(),
        title: rule.title.to_string(),
        limit,
        tier: finding.tier,
        text: finding.text.clone(),
        arithmetic: finding.arithmetic.clone(),
        fix: finding.fix.clone(),
        at: finding.at.iter().map(|at| a.path(*at)).collect(),
        source: rule.source.to_string(),
        audience: audience.iter().map(|who| who.word().to_owned()).collect(),
        on_card,
    }
}

fn delivered(order: &OrderReport<'_>) -> Vec<Figure> {
    let Some((_, totals)) = order.typical() else { return Vec::new() };
    let mut out = Vec::new();
    for m in Measure::ALL {
        let amount = totals.get(*m);
        if let Amount::Unknown(why) = amount
            && why.iter().all(|w| matches!(w, Why::Nothing(_)))
        {
            continue;
        }
        out.push(Figure {
            measure: m.code().to_owned(),
            name: m.label().to_owned(),
            value: shown(amount, m.places(), m.unit_text()),
            known: matches!(amount, Amount::Known(_)),
        });
    }
    out
}

fn day(a: &Appraisal<'_>, order: &OrderReport<'_>) -> Option<DayLaid> {
    let (day, _) = order.typical()?;
    let window = day.laid.window;
    Some(DayLaid {
        start: stamp(&a.settings.zone, window.start),
        end: stamp(&a.settings.zone, window.end()),
        steady: order.steady.is_ok(),
        segments: day.laid.segments.iter().map(|s| given(a, &order.plan, day, s)).collect(),
    })
}

fn given(a: &Appraisal<'_>, plan: &Plan, day: &OrderDay, s: &crate::timing::day::Segment) -> Given {
    let at = |x: Exact| {
        let start = day.laid.window.start;
        stamp(&a.settings.zone, start.add(x).unwrap_or(start))
    };
    let part = plan.parts.iter().find(|p| p.source == Source::Line(s.line));
    let content = part.and_then(|p| plan.contents.get(p.content));
    let rate = s.to.sub(s.from).and_then(|d| s.volume.mul(Exact::int(3600))?.div(d));
    Given {
        from: at(s.from),
        to: at(s.to),
        product: content.map_or_else(String::new, |c| c.label.clone()),
        volume: format!("{} mL", s.volume.short(1)),
        rate: rate.map(|rate| format!("{} mL/h", rate.short(1))),
        at: plan.lines.get(s.line).map_or_else(String::new, |line| a.path(line.at)),
    }
}

fn data(a: &Appraisal<'_>, order: &OrderReport<'_>) -> Vec<String> {
    let mut places: Vec<At> = order.weight.iter().map(|(_, at)| *at).collect();
    for j in &order.judged {
        if let Outcome::Flagged(found) = &j.outcome {
            places.extend(found.iter().flat_map(|finding| finding.at.iter().copied()));
        }
    }
    let mut out: Vec<String> = Vec::new();
    for line in places.into_iter().filter_map(|at| card::datum(a, order, at)) {
        if !out.contains(&line) {
            out.push(line);
        }
    }
    out
}
