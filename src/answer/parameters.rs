//! A report as the Parameters of `$appraise`.

use super::fhir::{Parameter, Parameters, json_of};
use super::outcome::outcome;
use super::{PROGRAM, RULEBOOK};
use crate::amount::{Amount, Why};
use crate::appraise::{Appraisal, Combined, OrderReport};
use crate::exact::Exact;
use crate::intake::order::At;
use crate::needs::{self, Estimate, Figure, Kind};
use crate::nutrition::content::From;
use crate::nutrition::derive::{Derivation, Derivations, Input};
use crate::nutrition::measure::{Measure, spelled};
use crate::nutrition::plan::Plan;
use crate::nutrition::totals::{OrderDay, Totals};
use crate::timing::calendar::stamp;
use std::collections::HashMap;
use std::rc::Rc;

/// Code system of measures.
pub const MEASURE_SYSTEM: &str = "https://enteral-gate.example/fhir/CodeSystem/measure";

/// The report as Parameters, compact JSON. What could not be read at all is `disposition` and `outcome` only.
pub fn parameters_json(a: &Appraisal<'_>) -> String {
    let mut out =
        vec![Parameter::code("disposition", a.disposition().code()), Parameter::outcome("outcome", outcome(a))];
    let mut places = Places { of: a, known: HashMap::new() };
    for order in &a.orders {
        out.push(of_order(a, &mut places, order));
    }
    for c in &a.combined {
        out.push(combined(a, &mut places, c));
    }
    out.push(version(a));
    let days: usize = a.orders.iter().map(|o| o.days.len() + 1).sum();
    json_of(&Parameters::new(out), (8 << 10) + days * (96 << 10))
}

/// Paths of places, each worked out once: many parameters name the same few.
struct Places<'a> {
    of: &'a Appraisal<'a>,
    known: HashMap<At, Rc<str>>,
}

impl Places<'_> {
    fn expression<'p>(&mut self, at: At) -> Parameter<'p> {
        let path = self.known.entry(at).or_insert_with(|| self.of.path(at).into());
        Parameter::shared("expression", path.clone())
    }
}

fn version<'p>(a: &'p Appraisal<'_>) -> Parameter<'p> {
    let mut parts = vec![
        Parameter::string("program", PROGRAM),
        Parameter::string("formulary", a.formulary.label()),
        Parameter::string("formulary-hash", a.formulary.hash()),
        Parameter::string("rulebook", RULEBOOK),
        Parameter::code("fhir-version", a.version.number()),
        Parameter::string("time-zone", a.settings.zone_name.clone()),
        Parameter::string("time-zone-data", "IANA time zone database, bundled with the program"),
    ];
    if !a.settings.hash.is_empty() {
        parts.push(Parameter::string("settings-hash", a.settings.hash.clone()));
    }
    if a.settings.demo {
        parts.push(Parameter::boolean("invented-data", true));
    }
    Parameter::parts("version", parts)
}

fn of_order<'p>(a: &'p Appraisal<'_>, places: &mut Places<'_>, order: &'p OrderReport) -> Parameter<'p> {
    let mut parts = vec![
        Parameter::string("order", order.label.as_str()),
        places.expression(order.at),
        Parameter::code("disposition", order.disposition().code()),
    ];
    if !order.computed {
        parts.push(Parameter::string("not-computed", "the order is over, was entered in error, or has no tube feed"));
    }
    for (day, totals) in &order.days {
        parts.push(day_part(a, places, "day", &[(&order.plan, day)], totals, order.weight));
    }
    if order.computed {
        match &order.steady {
            Ok((day, totals)) => {
                parts.push(day_part(a, places, "steady-day", &[(&order.plan, day)], totals, order.weight))
            }
            Err(why) => parts.push(Parameter::parts("steady-day", vec![Parameter::string("unknown", why.to_string())])),
        }
        let typical = order.typical().map(|(_, t)| t);
        for e in needs::estimates(&order.needs) {
            parts.push(estimate(e, typical));
        }
    }
    for (assumption, at) in &order.assumptions {
        let mut inner = vec![Parameter::code("id", assumption.id()), Parameter::string("text", assumption.text())];
        inner.extend(at.iter().map(|x| places.expression(*x)));
        parts.push(Parameter::parts("assumption", inner));
    }
    Parameter::parts("order", parts)
}

fn combined<'p>(a: &'p Appraisal<'_>, places: &mut Places<'_>, c: &'p Combined) -> Parameter<'p> {
    let orders: Vec<&OrderReport> = c.orders.iter().filter_map(|i| a.orders.get(*i)).collect();
    let mut parts: Vec<Parameter> = orders.iter().map(|o| Parameter::string("order", o.label.as_str())).collect();
    parts.extend(orders.iter().map(|o| places.expression(o.at)));
    let pairs = |days: &[OrderDay]| -> Vec<(usize, usize)> { (0..days.len()).map(|i| (i, i)).collect() };
    let mut push = |name: &'static str, days: &'p [OrderDay], totals: &Totals| {
        let list: Vec<(&Plan, &OrderDay)> =
            pairs(days).into_iter().filter_map(|(i, j)| Some((&orders.get(i)?.plan, days.get(j)?))).collect();
        parts.push(day_part(a, places, name, &list, totals, c.weight));
    };
    for (days, totals) in &c.days {
        push("day", days, totals);
    }
    match &c.steady {
        Ok((days, totals)) => push("steady-day", days, totals),
        Err(why) => parts.push(Parameter::parts("steady-day", vec![Parameter::string("unknown", why.to_string())])),
    }
    Parameter::parts("combined", parts)
}

fn day_part<'p>(
    a: &'p Appraisal<'_>,
    places: &mut Places<'_>,
    name: &'static str,
    days: &[(&'p Plan, &'p OrderDay)],
    totals: &Totals,
    weight: Option<(Exact, At)>,
) -> Parameter<'p> {
    let zone = &a.settings.zone;
    let mut parts = Vec::new();
    if let Some((_, day)) = days.first() {
        let window = day.laid.window;
        parts.push(Parameter::date_time("start", stamp(zone, window.start)));
        parts.push(Parameter::date_time("end", stamp(zone, window.end())));
    }
    for (plan, day) in days {
        if let Some(reached) = day.laid.cap {
            let at = day.laid.window.start.add(reached.at).unwrap_or(day.laid.window.start);
            let mut inner = vec![
                Parameter::date_time("time", stamp(zone, at)),
                Parameter::quantity("maximum", reached.cap, "mL"),
                Parameter::quantity("scheduled", reached.scheduled, "mL"),
            ];
            if let Some(cap) = plan.cap {
                inner.push(places.expression(cap.at));
            }
            parts.push(Parameter::parts("maximum-reached", inner));
        }
        for s in &day.laid.segments {
            parts.push(segment(a, places, plan, day, s));
        }
    }
    let mut inner = Vec::with_capacity(2 * Measure::COUNT);
    let mut derivations = Derivations::new(days, totals, weight.map(|(kg, at)| (kg, Some(at))));
    let mut inputs = Vec::new();
    for m in Measure::ALL {
        let amount = totals.get(*m);
        if idle(*m, amount) {
            continue;
        }
        inner.push(measured(m.code(), amount, m.unit()));
        inner.push(derivation_part(a, places, &mut inputs, (*m, amount), derivations.of(*m)));
    }
    parts.push(Parameter::parts("total", inner));
    Parameter::parts(name, parts)
}

/// Measures of things this order does not have are left out: no additive, no second feed, no steps.
fn idle(m: Measure, amount: &Amount) -> bool {
    match amount {
        Amount::Unknown(why) => !why.is_empty() && why.iter().all(|w| matches!(w, Why::Nothing(_))),
        Amount::Known(x) => m == Measure::AdditiveVolume && x.is_zero(),
        Amount::Range { .. } => false,
    }
}

fn segment<'p>(
    a: &Appraisal<'_>,
    places: &mut Places<'_>,
    plan: &'p Plan,
    day: &OrderDay,
    s: &crate::timing::day::Segment,
) -> Parameter<'p> {
    let zone = &a.settings.zone;
    let at = |x: Exact| day.laid.window.start.add(x).unwrap_or(day.laid.window.start);
    let part = plan.parts.iter().find(|p| p.source == crate::nutrition::plan::Source::Line(s.line));
    let content = part.and_then(|p| plan.contents.get(p.content));
    let mut inner = vec![
        Parameter::date_time("from", stamp(zone, at(s.from))),
        Parameter::date_time("to", stamp(zone, at(s.to))),
        Parameter::string("product", content.map_or("", |c| c.label.as_str())),
        Parameter::quantity("volume", s.volume, "mL"),
    ];
    if let Some(rate) = s.to.sub(s.from).and_then(|d| s.volume.mul(Exact::int(3600))?.div(d)) {
        inner.push(Parameter::quantity("rate", rate, "mL/h"));
    }
    if let Some(line) = plan.lines.get(s.line) {
        inner.push(places.expression(line.at));
    }
    Parameter::parts("segment", inner)
}

fn measured<'p>(name: &'static str, amount: &Amount, unit: &'static str) -> Parameter<'p> {
    match amount {
        Amount::Known(x) => Parameter::quantity(name, *x, unit),
        Amount::Range { low, high, .. } => Parameter::range(name, *low, *high, unit),
        Amount::Unknown(why) => {
            let reasons: Vec<String> = why.iter().map(ToString::to_string).collect();
            Parameter::parts(name, vec![Parameter::string("unknown", reasons.join("; "))])
        }
    }
}

/// Inputs of a day that are already written; many derivations have the same ones.
type Written<'p> = Vec<(Rc<Input>, Parameter<'p>)>;

fn derivation_part<'p>(
    a: &'p Appraisal<'_>,
    places: &mut Places<'_>,
    written: &mut Written<'p>,
    (m, amount): (Measure, &Amount),
    d: Derivation,
) -> Parameter<'p> {
    let mut parts = Vec::with_capacity(4 + d.inputs.len() + d.assumptions.len());
    parts.push(Parameter::code("measure", m.code()));
    parts.push(Parameter::string("arithmetic", d.arithmetic));
    if let Amount::Range { mean: Some(mean), .. } = amount {
        parts.push(Parameter::quantity("mean", *mean, m.unit()));
    }
    for reason in amount.why() {
        parts.push(Parameter::string("reason", reason.to_string()));
    }
    for input in d.inputs {
        let known = written.iter().find(|(own, _)| Rc::ptr_eq(own, &input)).map(|(_, part)| part.clone());
        parts.push(known.unwrap_or_else(|| {
            let part = input_part(a, places, &input).written();
            written.push((input, part.clone()));
            part
        }));
    }
    parts.extend(d.assumptions.iter().map(|x| Parameter::code("assumption", x.id())));
    parts.push(Parameter::string("source", d.source));
    Parameter::parts("derivation", parts)
}

fn input_part<'p>(a: &'p Appraisal<'_>, places: &mut Places<'_>, input: &'p Input) -> Parameter<'p> {
    let mut inner =
        vec![Parameter::string("name", input.name.as_str()), Parameter::string("value", input.value.as_str())];
    if let Some(at) = input.at {
        inner.push(places.expression(at));
    }
    match input.product {
        Some(From::Formulary(ix)) => {
            if let Some(p) = a.formulary.product(ix) {
                inner.push(Parameter::string(
                    "product",
                    format!("{} ({} line {}; {})", p.name, p.provenance.file, p.provenance.line, p.provenance.stated),
                ));
            }
        }
        Some(From::Sent(ix)) => {
            if let Some((at, p)) = a.sent.get(ix) {
                inner.push(Parameter::string("product", format!("{} (sent with the order; {})", p.name, a.path(*at))));
            }
        }
        Some(From::Nowhere) | None => {}
    }
    Parameter::parts("input", inner)
}

fn figure<'p>(name: &'static str, f: Figure, unit: &'static str) -> Parameter<'p> {
    match (f.low(), f.high()) {
        (Some(l), Some(h)) if l == h => Parameter::quantity(name, l, unit),
        (Some(l), h) => Parameter::range(name, l, h, unit),
        (None, Some(h)) => Parameter::parts(name, vec![Parameter::quantity("at-most", h, unit)]),
        (None, None) => Parameter::parts(name, vec![Parameter::string("unknown", "no figure")]),
    }
}

fn estimate<'p>(mut e: Estimate, totals: Option<&Totals>) -> Parameter<'p> {
    let mut parts = Vec::with_capacity(12 + e.inputs.len() + e.notes.len());
    parts.extend([
        Parameter::code("id", e.id),
        Parameter::string("name", e.title()),
        Parameter::string("kind", e.kind.name()),
        Parameter::string("formula", std::mem::take(&mut e.formula)),
    ]);
    match e.result {
        Some(f) => parts.push(figure("value", f, e.unit)),
        None => parts.push(Parameter::parts("value", vec![Parameter::string("unknown", e.validity.to_string())])),
    }
    parts.push(Parameter::string("domain", e.domain));
    parts.push(Parameter::string("validity", e.validity.to_string()));
    if let Some(class) = e.class {
        parts.push(Parameter::string("class", class));
    }
    if let Some(setting) = e.setting {
        parts.push(Parameter::string("care-setting", setting));
    }
    for input in &e.inputs {
        let value = match &input.value {
            needs::Given::Number(f) => format!("{} {}", f.shown(4), spelled(input.unit)),
            needs::Given::Word(w) => (*w).to_owned(),
        };
        parts.push(Parameter::parts(
            "input",
            vec![Parameter::string("name", input.name), Parameter::string("value", value.trim().to_owned())],
        ));
    }
    if let Some(m) = delivered(e.kind, e.unit)
        && e.holds()
        && let Some(t) = totals
    {
        match e.percent_met(t.get(m)) {
            Amount::Known(x) => parts.push(Parameter::quantity("delivered-share", x, "%")),
            Amount::Range { low, high, .. } => parts.push(Parameter::range("delivered-share", low, high, "%")),
            Amount::Unknown(_) => {}
        }
    }
    parts.extend(e.notes.drain(..).map(|note| Parameter::string("note", note)));
    parts.push(Parameter::string("source", format!("{} ({})", e.source.citation, e.source.mark.name())));
    Parameter::parts("estimate", parts)
}

/// The measure an estimate is compared with.
pub(super) fn delivered(kind: Kind, unit: &str) -> Option<Measure> {
    match unit {
        "kcal/d" if kind.is_energy() => Some(Measure::Energy),
        "g/d" if kind == Kind::Protein => Some(Measure::Protein),
        _ => None,
    }
}
