//! A report as the Parameters of `$appraise`.

use super::fhir::Parameters;
use super::outcome::outcome_into;
use super::{PROGRAM, book};
use crate::amount::{Amount, Why};
use crate::appraise::{Appraisal, Combined, OrderReport};
use crate::exact::Exact;
use crate::findings::{Judged, Outcome};
use crate::intake::order::At;
use crate::needs::{self, Estimate, Figure, Kind};
use crate::nutrition::content::From;
use crate::nutrition::derive::{Derivation, Derivations, Input};
use crate::nutrition::measure::{Measure, spelled};
use crate::nutrition::plan::Plan;
use crate::nutrition::totals::{OrderDay, Totals};
use crate::timing::calendar::stamp;
use std::collections::HashMap;
use std::ops::Range;
use std::rc::Rc;

/// Code system of measures.
pub const MEASURE_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/measure";

/// The report as Parameters, compact JSON. What could not be read at all is `disposition` and `outcome` only.
pub fn parameters_json(a: &Appraisal<'_>) -> String {
    parameters_of(a, None)
}

/// The same with the name of the input, where one of several is answered.
pub fn parameters_json_of(a: &Appraisal<'_>, input: &str) -> String {
    parameters_of(a, Some(input))
}

fn parameters_of(a: &Appraisal<'_>, input: Option<&str>) -> String {
    let days: usize = a.orders.iter().map(|o| o.days.len() + 1).sum();
    let mut to = Parameters::begin(((16 << 10) + days * (112 << 10)).min(8 << 20));
    if let Some(input) = input {
        to.string("input", input);
    }
    to.code("disposition", a.disposition().code());
    to.resource("outcome", |out| outcome_into(a, out));
    let mut places = Places { of: a, known: HashMap::new() };
    for order in &a.orders {
        to.parts("order", |to| of_order(a, &mut places, order, to));
    }
    for c in &a.combined {
        to.parts("combined", |to| combined(a, &mut places, c, to));
    }
    to.parts("version", |to| version(a, to));
    to.end()
}

/// Paths of places, each worked out once: many parameters name the same few.
struct Places<'a> {
    of: &'a Appraisal<'a>,
    known: HashMap<At, String>,
}

impl Places<'_> {
    fn expression(&mut self, at: At, to: &mut Parameters) {
        to.string("expression", self.known.entry(at).or_insert_with(|| self.of.path(at)));
    }
}

fn version(a: &Appraisal<'_>, to: &mut Parameters) {
    to.string("program", PROGRAM);
    to.string("formulary", a.formulary.label());
    to.string("formulary-hash", a.formulary.hash());
    to.string("rulebook", &book(a.rulebook));
    if !a.rulebook.is_empty() {
        to.string("rulebook-hash", &a.rulebook.hash);
    }
    to.code("fhir-version", a.version.number());
    to.string("time-zone", &a.settings.zone_name);
    to.string("time-zone-data", "IANA time zone database, bundled with the program");
    if !a.settings.hash.is_empty() {
        to.string("settings-hash", &a.settings.hash);
    }
    if a.settings.demo {
        to.boolean("invented-data", true);
    }
}

fn of_order(a: &Appraisal<'_>, places: &mut Places<'_>, order: &OrderReport<'_>, to: &mut Parameters) {
    to.string("order", &order.label);
    places.expression(order.at, to);
    to.code("disposition", order.disposition().code());
    if !order.computed {
        to.string("not-computed", "the order is over, was entered in error, or has no tube feed");
    }
    let mut days_left_out = 0_usize;
    for (day, totals) in &order.days {
        if to.is_long() {
            days_left_out += 1;
            continue;
        }
        to.parts("day", |to| day_part(a, places, &[(&order.plan, day)], totals, order.weight, to));
    }
    if days_left_out > 0 {
        left_out(days_left_out, to);
    }
    if order.computed && !to.is_long() {
        to.parts("steady-day", |to| match &order.steady {
            Ok((day, totals)) => day_part(a, places, &[(&order.plan, day)], totals, order.weight, to),
            Err(why) => to.string("unknown", &why.to_string()),
        });
        let typical = order.typical().map(|(_, t)| t);
        for e in needs::estimates(&order.needs) {
            to.parts("estimate", |to| estimate(&e, typical, to));
        }
    } else if order.computed {
        to.string(
            "steady-day-left-out",
            "the steady day and the estimates are not listed: ask for fewer orders at once",
        );
    }
    for (name, judged) in [("rule", &order.judged), ("shadow-rule", &order.shadow)] {
        for j in judged {
            to.parts(name, |to| rule(j, to));
        }
    }
    for (assumption, at) in &order.assumptions {
        to.parts("assumption", |to| {
            to.code("id", assumption.id());
            to.string("text", assumption.text());
            for x in at {
                places.expression(*x, to);
            }
        });
    }
}

/// What one rule came to, and why it found, or could find, nothing.
fn rule(j: &Judged<'_>, to: &mut Parameters) {
    to.code("id", &j.rule.id);
    to.code("outcome", j.outcome.word());
    if let Some(tier) = j.outcome.tier() {
        to.code("tier", tier.code());
    }
    let why: &str = match &j.outcome {
        Outcome::Flagged(_) | Outcome::Clear => "",
        Outcome::NotApplicable(why) | Outcome::NotProvided(why) => why,
        Outcome::NotEvaluated(why, _) | Outcome::Off(why) => why,
        Outcome::Hidden(cause) => cause,
    };
    if !why.is_empty() {
        to.string("reason", why);
    }
}

fn combined(a: &Appraisal<'_>, places: &mut Places<'_>, c: &Combined, to: &mut Parameters) {
    let orders: Vec<&OrderReport<'_>> = c.orders.iter().filter_map(|i| a.orders.get(*i)).collect();
    for o in &orders {
        to.string("order", &o.label);
    }
    for o in &orders {
        places.expression(o.at, to);
    }
    let mut push = |days: &[OrderDay], totals: &Totals, to: &mut Parameters| {
        let list: Vec<(&Plan, &OrderDay)> = orders.iter().map(|o| &o.plan).zip(days).collect();
        day_part(a, places, &list, totals, c.weight, to);
    };
    let mut days_left_out = 0_usize;
    for (days, totals) in &c.days {
        if to.is_long() {
            days_left_out += 1;
        } else {
            to.parts("day", |to| push(days, totals, to));
        }
    }
    if days_left_out > 0 {
        left_out(days_left_out, to);
    }
    if to.is_long() {
        return to.string("steady-day-left-out", "the steady day is not listed: ask for fewer orders at once");
    }
    to.parts("steady-day", |to| match &c.steady {
        Ok((days, totals)) => push(days, totals, to),
        Err(why) => to.string("unknown", &why.to_string()),
    });
}

/// Says how many days are not listed, because the answer would be too long.
fn left_out(days: usize, to: &mut Parameters) {
    to.string("days-left-out", &format!("{days} more days are not listed: ask for fewer orders or days at once"));
}

/// Most segments of a day that are listed, one a minute: a small order can ask for a hundred times as many.
const MOST_SEGMENTS: usize = 24 * 60;

fn day_part(
    a: &Appraisal<'_>,
    places: &mut Places<'_>,
    days: &[(&Plan, &OrderDay)],
    totals: &Totals,
    weight: Option<(Exact, At)>,
    to: &mut Parameters,
) {
    let zone = &a.settings.zone;
    if let Some((_, day)) = days.first() {
        let window = day.laid.window;
        to.date_time("start", &stamp(zone, window.start));
        to.date_time("end", &stamp(zone, window.end()));
    }
    for (plan, day) in days {
        if let Some(reached) = day.laid.cap {
            let at = day.laid.window.start.add(reached.at).unwrap_or(day.laid.window.start);
            to.parts("maximum-reached", |to| {
                to.date_time("time", &stamp(zone, at));
                to.quantity("maximum", reached.cap, "mL");
                to.quantity("scheduled", reached.scheduled, "mL");
                if let Some(cap) = plan.cap {
                    places.expression(cap.at, to);
                }
            });
        }
    }
    let all = || days.iter().flat_map(|(plan, day)| day.laid.segments.iter().map(move |s| (*plan, *day, s)));
    for (plan, day, s) in all().take(MOST_SEGMENTS) {
        to.parts("segment", |to| segment(a, places, (plan, day), s, to));
    }
    let left_out = all().count().saturating_sub(MOST_SEGMENTS);
    if left_out > 0 {
        to.string("segments-left-out", &format!("{left_out} more segments are not listed; the total counts them all"));
    }
    to.parts("total", |to| {
        let mut derivations = Derivations::new(days, totals, weight.map(|(kg, at)| (kg, Some(at))));
        let mut inputs = Vec::new();
        for m in Measure::ALL {
            let amount = totals.get(*m);
            if idle(*m, amount) {
                continue;
            }
            measured(m.code(), amount, m.unit(), to);
            let derivation = derivations.of(*m);
            to.parts("derivation", |to| derivation_part(a, places, &mut inputs, (*m, amount), derivation, to));
        }
    });
}

/// Measures of things this order does not have are left out: no additive, no second feed, no steps.
fn idle(m: Measure, amount: &Amount) -> bool {
    match amount {
        Amount::Unknown(why) => !why.is_empty() && why.iter().all(|w| matches!(w, Why::Nothing(_))),
        Amount::Known(x) => m == Measure::AdditiveVolume && x.is_zero(),
        Amount::Range(_) => false,
    }
}

fn segment(
    a: &Appraisal<'_>,
    places: &mut Places<'_>,
    (plan, day): (&Plan, &OrderDay),
    s: &crate::timing::day::Segment,
    to: &mut Parameters,
) {
    let zone = &a.settings.zone;
    let at = |x: Exact| day.laid.window.start.add(x).unwrap_or(day.laid.window.start);
    let part = plan.parts.iter().find(|p| p.source == crate::nutrition::plan::Source::Line(s.line));
    let content = part.and_then(|p| plan.contents.get(p.content));
    to.date_time("from", &stamp(zone, at(s.from)));
    to.date_time("to", &stamp(zone, at(s.to)));
    to.string("product", content.map_or("", |c| c.label.as_str()));
    to.quantity("volume", s.volume, "mL");
    if let Some(rate) = s.to.sub(s.from).and_then(|d| s.volume.mul(Exact::int(3600))?.div(d)) {
        to.quantity("rate", rate, "mL/h");
    }
    if let Some(line) = plan.lines.get(s.line) {
        places.expression(line.at, to);
    }
}

fn measured(name: &'static str, amount: &Amount, unit: &'static str, to: &mut Parameters) {
    match amount {
        Amount::Known(x) => to.quantity(name, *x, unit),
        Amount::Range(span) => to.range(name, span.low, span.high, unit),
        Amount::Unknown(why) => {
            let reasons: Vec<String> = why.iter().map(ToString::to_string).collect();
            to.parts(name, |to| to.string("unknown", &reasons.join("; ")));
        }
    }
}

/// Inputs of a day that are already written, with their place; many derivations have the same ones.
type Written = Vec<(Rc<Input>, Range<usize>)>;

fn derivation_part(
    a: &Appraisal<'_>,
    places: &mut Places<'_>,
    written: &mut Written,
    (m, amount): (Measure, &Amount),
    d: Derivation,
    to: &mut Parameters,
) {
    to.code("measure", m.code());
    to.string("arithmetic", &d.arithmetic);
    if let (None, Some(mean)) = (amount.known(), amount.mean()) {
        to.quantity("mean", mean, m.unit());
    }
    for reason in amount.why() {
        to.string("reason", &reason.to_string());
    }
    for input in d.inputs {
        match written.iter().find(|(own, _)| Rc::ptr_eq(own, &input)) {
            Some((_, place)) => to.repeat(place.clone()),
            None => {
                let place = to.noted(|to| to.parts("input", |to| input_part(a, places, &input, to)));
                written.push((input, place));
            }
        }
    }
    for x in &d.assumptions {
        to.code("assumption", x.id());
    }
    to.string("source", d.source);
}

fn input_part(a: &Appraisal<'_>, places: &mut Places<'_>, input: &Input, to: &mut Parameters) {
    to.string("name", &input.name);
    to.string("value", &input.value);
    if let Some(at) = input.at {
        places.expression(at, to);
    }
    match input.product {
        Some(From::Formulary(ix)) => {
            if let Some(p) = a.formulary.product(ix) {
                let line = p.provenance.line.to_string();
                to.string_of(
                    "product",
                    &[&p.name, " (", &p.provenance.file, " line ", &line, "; ", &p.provenance.stated, ")"],
                );
            }
        }
        Some(From::Sent(ix)) => {
            if let Some((at, p)) = a.sent.get(ix) {
                to.string_of("product", &[&p.name, " (sent with the order; ", &a.path(*at), ")"]);
            }
        }
        Some(From::Nowhere) | None => {}
    }
}

fn figure(name: &'static str, f: Figure, unit: &'static str, to: &mut Parameters) {
    match (f.low(), f.high()) {
        (Some(l), Some(h)) if l == h => to.quantity(name, l, unit),
        (Some(l), h) => to.range(name, l, h, unit),
        (None, Some(h)) => to.parts(name, |to| to.quantity("at-most", h, unit)),
        (None, None) => to.parts(name, |to| to.string("unknown", "no figure")),
    }
}

fn estimate(e: &Estimate, totals: Option<&Totals>, to: &mut Parameters) {
    to.code("id", e.id);
    to.string("name", &e.title());
    to.string("kind", e.kind.name());
    to.string("formula", &e.formula);
    let validity = e.validity.to_string();
    match e.result {
        Some(f) => figure("value", f, e.unit, to),
        None => to.parts("value", |to| to.string("unknown", &validity)),
    }
    to.string("domain", e.domain);
    to.string("validity", &validity);
    if let Some(class) = e.class {
        to.string("class", class);
    }
    if let Some(setting) = e.setting {
        to.string("care-setting", setting);
    }
    for input in &e.inputs {
        to.parts("input", |to| {
            to.string("name", input.name);
            match &input.value {
                needs::Given::Number(f) => match spelled(input.unit) {
                    "" => to.string("value", &f.shown(4)),
                    unit => to.string_of("value", &[&f.shown(4), " ", unit]),
                },
                needs::Given::Word(w) => to.string("value", w.trim()),
            }
        });
    }
    if let Some(m) = delivered(e.kind, e.unit)
        && e.holds()
        && let Some(t) = totals
    {
        match e.percent_met(t.get(m)) {
            Amount::Known(x) => to.quantity("delivered-share", x, "%"),
            Amount::Range(span) => to.range("delivered-share", span.low, span.high, "%"),
            Amount::Unknown(_) => {}
        }
    }
    for note in &e.notes {
        to.string("note", note);
    }
    to.string_of("source", &[e.source.citation, " (", e.source.mark.name(), ")"]);
}

/// The measure an estimate is compared with.
pub(crate) fn delivered(kind: Kind, unit: &str) -> Option<Measure> {
    match unit {
        "kcal/d" if kind.is_energy() => Some(Measure::Energy),
        "g/d" if kind == Kind::Protein => Some(Measure::Protein),
        _ => None,
    }
}
