//! The arithmetic of a measure, written as a person would, with its inputs. Worked out from the same plan and
//! day as the totals, and only when an answer shows it.

use crate::amount::Amount;
use crate::assumptions::Assumption;
use crate::exact::Exact;
use crate::formulary::product::{Basis, Nutrient};
use crate::intake::order::At;
use crate::nutrition::content::{Density, From};
use crate::nutrition::feeds;
use crate::nutrition::measure::{Given, Measure, Quotient, Recipe};
use crate::nutrition::plan::{Kind, Plan, Source};
use crate::nutrition::totals::{OrderDay, Totals};
use crate::timing::calendar::{DAY, clock, stamp, to_local};
use crate::timing::day::LineDay;
use crate::timing::schedule::{Dose, Line, Note};
use std::collections::BTreeMap;
use std::fmt::Write;
use std::rc::Rc;

/// One input of a derivation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Input {
    /// What it is.
    pub name: String,
    /// Its value with unit, as used.
    pub value: String,
    /// The element of the order or its context it was read from.
    pub at: Option<At>,
    /// The product row it was read from.
    pub product: Option<From>,
}

/// How a measure came about.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Derivation {
    /// The arithmetic in one line.
    pub arithmetic: String,
    /// Inputs, each once; measures share what they have in common.
    pub inputs: Vec<Rc<Input>>,
    /// Readings it rests on.
    pub assumptions: Vec<Assumption>,
    /// Source of the formula.
    pub source: &'static str,
}

/// An amount for people: `1560 mL`, `880 to 2160 mL`, `at least 40 g`, `not known`.
pub fn shown(a: &Amount, places: u32, unit: &str) -> String {
    let mut out = String::with_capacity(32);
    match a {
        Amount::Known(x) => x.short_into(&mut out, places),
        Amount::Range(span) => match (span.low, span.high) {
            (low, Some(high)) => {
                let (l, h) = (low.short(places), high.short(places));
                // Two ends that look alike when rounded are shown with more digits.
                let ends = if l == h { [low.short(places + 3), high.short(places + 3)] } else { [l, h] };
                out.push_str(&ends.join(" to "));
            }
            (low, None) => {
                out.push_str("at least ");
                low.short_into(&mut out, places);
            }
        },
        Amount::Unknown(_) => {
            out.push_str("not known");
            return out;
        }
    }
    if !unit.is_empty() {
        out.push(' ');
        out.push_str(unit);
    }
    if let (None, Some(_), Some(mean)) = (a.known(), a.high(), a.mean()) {
        out.push_str(" (mean ");
        mean.short_into(&mut out, places);
        out.push(')');
    }
    out
}

/// Text, inputs and readings of a part or a nutrient, worked out once for all measures of the days.
#[derive(Clone, Default)]
struct Piece {
    text: Option<String>,
    inputs: Vec<Rc<Input>>,
    assumptions: Vec<Assumption>,
}

/// The instant at which a step starts, and its place.
type Start = (Exact, At);

/// A nutrient (energy: none), and whether of the feed only.
type OfNutrient = (Option<Nutrient>, bool);

/// The derivations of one or more orders of one patient over the same window.
pub struct Derivations<'a> {
    days: &'a [(&'a Plan, &'a OrderDay)],
    totals: &'a Totals,
    weight: Option<(Exact, Option<At>)>,
    /// By day and part.
    parts: Vec<((usize, usize), Rc<Piece>)>,
    nutrients: Vec<(OfNutrient, Rc<Piece>)>,
}

fn kilograms(kg: Exact) -> String {
    shown(&Amount::Known(kg), 4, "kg")
}

/// A measure as a term of another's arithmetic; one that is not known by its name.
fn named(m: Measure, totals: &Totals, unit: &str) -> String {
    match totals.get(m) {
        Amount::Unknown(_) => format!("({} not known)", m.label()),
        amount => shown(amount, m.places() + 2, unit),
    }
}

struct Writer<'w, 'a> {
    shared: &'w mut Derivations<'a>,
    inputs: Vec<Rc<Input>>,
    assumptions: Vec<Assumption>,
}

/// Writes out the derivation of one measure. For several measures of the same days, [`Derivations`] works out
/// once what they share.
pub fn derive(
    m: Measure,
    days: &[(&Plan, &OrderDay)],
    totals: &Totals,
    weight: Option<(Exact, Option<At>)>,
) -> Derivation {
    Derivations::new(days, totals, weight).of(m)
}

impl<'a> Derivations<'a> {
    /// Derivations of these days, with the dosing weight and its place.
    pub fn new(days: &'a [(&'a Plan, &'a OrderDay)], totals: &'a Totals, weight: Option<(Exact, Option<At>)>) -> Self {
        Self { days, totals, weight, parts: Vec::new(), nutrients: Vec::new() }
    }

    /// Writes out the derivation of one measure.
    pub fn of(&mut self, m: Measure) -> Derivation {
        written(m, self)
    }
}

fn written(m: Measure, shared: &mut Derivations<'_>) -> Derivation {
    let (totals, weight) = (shared.totals, shared.weight);
    let mut w = Writer { shared, inputs: Vec::new(), assumptions: Vec::new() };
    let result = shown(totals.get(m), m.places().max(3), m.unit_text());
    let arithmetic = match m.recipe() {
        Recipe::Volume(which) => w.volume(which),
        Recipe::Energy => w.nutrient(None, false).text.clone().unwrap_or_default(),
        Recipe::Nutrient { nutrient, feed_only } => {
            w.nutrient(Some(nutrient), feed_only).text.clone().unwrap_or_default()
        }
        Recipe::Moles(of, n) => {
            let mass = n.atomic_mass().unwrap_or(Exact::ONE);
            w.behind(of);
            let mg = named(of, totals, "mg");
            [&mg, " ÷ ", &mass.short(4), " mg/mmol"].concat()
        }
        Recipe::PerKg(of) => {
            w.behind(of);
            w.weight(weight);
            let kg = weight.map_or_else(|| "dosing weight not known".to_owned(), |(kg, _)| kilograms(kg));
            [&named(of, totals, of.unit_text()), " ÷ ", &kg].concat()
        }
        Recipe::Ratio(q) => w.ratio(q, totals),
        Recipe::Schedule => w.schedule(m, totals, weight),
    };
    let mut arithmetic = if arithmetic.is_empty() { "nothing is given".to_owned() } else { arithmetic };
    let why = totals.get(m).why();
    arithmetic.reserve(3 + result.len() + 64 * why.len());
    arithmetic.push_str(" = ");
    arithmetic.push_str(&result);
    for (nth, reason) in why.iter().enumerate() {
        let _ = write!(arithmetic, "{}{reason}", if nth == 0 { " (" } else { "; " });
    }
    if !why.is_empty() {
        arithmetic.push(')');
    }
    w.assumptions.sort_unstable();
    w.assumptions.dedup();
    Derivation { arithmetic, inputs: w.inputs, assumptions: w.assumptions, source: m.source() }
}

impl<'a> Writer<'_, 'a> {
    fn input(&mut self, name: String, value: String, at: Option<At>, product: Option<From>) {
        self.add(Rc::new(Input { name, value, at, product }));
    }

    fn add(&mut self, input: Rc<Input>) {
        if !self.inputs.contains(&input) {
            self.inputs.push(input);
        }
    }

    /// What `write` adds and gives, by itself.
    fn piece(&mut self, write: impl FnOnce(&mut Writer<'_, 'a>) -> Option<String>) -> Rc<Piece> {
        let mut own = Writer { shared: self.shared, inputs: Vec::new(), assumptions: Vec::new() };
        let text = write(&mut own);
        Rc::new(Piece { text, inputs: own.inputs, assumptions: own.assumptions })
    }

    fn take(&mut self, piece: &Piece) {
        for input in &piece.inputs {
            self.add(input.clone());
        }
        self.assumptions.extend_from_slice(&piece.assumptions);
    }

    fn weight(&mut self, weight: Option<(Exact, Option<At>)>) {
        if let Some((kg, at)) = weight {
            self.input("dosing weight".to_owned(), kilograms(kg), at, None);
            self.assumptions.push(Assumption::WeightLatest);
        }
    }

    /// Inputs behind a measure that another is made of, without repeating its arithmetic.
    fn behind(&mut self, of: Measure) {
        match of.recipe() {
            Recipe::Volume(which) => {
                self.volume(which);
            }
            Recipe::Energy => {
                self.nutrient(None, false);
            }
            Recipe::Nutrient { nutrient, feed_only } => {
                self.nutrient(Some(nutrient), feed_only);
            }
            Recipe::Moles(of, _) | Recipe::PerKg(of) => self.behind(of),
            Recipe::Ratio(_) | Recipe::Schedule => {}
        }
    }

    /// One part's volume: `65 mL/h × 24 h`, `200 mL × 5 feeds`.
    fn part_volume(&mut self, (day_ix, plan, day): (usize, &Plan, &OrderDay), part_ix: usize) -> Rc<Piece> {
        let key = (day_ix, part_ix);
        let known = self.shared.parts.iter().find(|(own, _)| *own == key).map(|(_, piece)| piece.clone());
        let piece = known.unwrap_or_else(|| {
            let made = self.piece(|w| w.write_part_volume(plan, day, part_ix));
            self.shared.parts.push((key, made.clone()));
            made
        });
        self.take(&piece);
        piece
    }

    fn write_part_volume(&mut self, plan: &Plan, day: &OrderDay, part_ix: usize) -> Option<String> {
        let part = plan.parts.get(part_ix)?;
        let total = day.volumes.get(part_ix)?;
        if total.is_zero() {
            return None;
        }
        let name = plan.contents.get(part.content).map_or_else(String::new, |c| c.label.clone());
        let (one, many) = match part.kind {
            Kind::Feed => ("feed", "feeds"),
            Kind::Flush => ("flush", "flushes"),
        };
        match part.source {
            Source::WithFeeds { volume, times, at } => {
                let v = volume.map_or_else(|| "volume not known".to_owned(), |v| format!("{} mL", v.short(3)));
                // How many feeds there are, where the day's volume tells it.
                let feeds = volume
                    .and_then(|v| v.mul(Exact::int(times)))
                    .filter(|_| total.low().is_some() && total.high().is_some())
                    .map_or_else(|| "the day's feeds".to_owned(), |v| times_of(total, &Amount::ZERO, v, "feeds"));
                self.input(format!("flush of {name} with each feed"), v.clone(), Some(at), None);
                self.assumptions.push(Assumption::FlushWithRun);
                Some(if times > 1 { format!("{v} × {times} × {feeds}") } else { format!("{v} × {feeds}") })
            }
            Source::Line(ix) => {
                let line = plan.lines.get(ix)?;
                let laid = day.laid.lines.get(ix)?;
                for noted in &line.notes {
                    if let Note::Assumed(a) = noted.note {
                        self.assumptions.push(a);
                    }
                }
                let Some(run) = &line.high else {
                    self.input(name, "not known".to_owned(), Some(line.at), None);
                    return Some("volume not known".to_owned());
                };
                let text = match run.dose {
                    Dose::Rate(r) => {
                        let per_hour = r.mul(Exact::int(3600)).unwrap_or(r);
                        let hours = laid.running.low().zip(laid.running.high()).map_or_else(
                            || "hours not known".to_owned(),
                            |(l, h)| {
                                let hour = |x: Exact| x.div(Exact::int(3600)).unwrap_or(x).short(3);
                                if l == h { format!("{} h", hour(l)) } else { format!("{} to {} h", hour(l), hour(h)) }
                            },
                        );
                        self.input(
                            format!("rate of {name}"),
                            format!("{} mL/h", per_hour.short(4)),
                            Some(line.at),
                            None,
                        );
                        format!("{} mL/h × {hours}", per_hour.short(4))
                    }
                    Dose::Volume { ml, over } => {
                        let value = if over.is_zero() {
                            format!("{} mL", ml.short(4))
                        } else {
                            format!("{} mL over {} h", ml.short(4), over.div(Exact::int(3600)).unwrap_or(over).short(3))
                        };
                        self.input(format!("volume of one {one} of {name}"), value, Some(line.at), None);
                        format!("{} mL × {}", ml.short(4), times_of(total, &laid.feeds, ml, many))
                    }
                };
                Some(match &day.laid.cap {
                    Some(reached) if plan.capped.get(ix).copied().unwrap_or(false) => {
                        if let Some(cap) = plan.cap {
                            self.input(
                                "maximum volume".to_owned(),
                                format!("{} mL", reached.cap.short(3)),
                                Some(cap.at),
                                None,
                            );
                            self.assumptions.push(Assumption::CapFormulaOnly);
                            if cap.period_assumed {
                                self.assumptions.push(Assumption::CapPerDay);
                            }
                        }
                        format!("{text} (the maximum of {} mL is reached first)", reached.cap.short(3))
                    }
                    _ => text,
                })
            }
        }
    }

    fn volume(&mut self, which: Given) -> String {
        let mut terms = Vec::new();
        for (day_ix, (plan, day)) in self.shared.days.iter().enumerate() {
            for (ix, part) in plan.parts.iter().enumerate() {
                let keep = match which {
                    Given::All => true,
                    Given::Feed => part.kind == Kind::Feed,
                    Given::Flush => part.kind == Kind::Flush,
                    Given::Additive => false,
                };
                if keep && let Some(t) = &self.part_volume((day_ix, plan, day), ix).text {
                    terms.push(t.clone());
                }
            }
            for (dose, amount) in plan.doses.iter().zip(&day.doses) {
                let keep = match which {
                    Given::All => true,
                    Given::Flush => dose.water,
                    Given::Additive => !dose.water,
                    Given::Feed => false,
                };
                if keep && dose.product.basis == Basis::Millilitre && !amount.is_zero() {
                    self.input(dose.label.clone(), shown(amount, 3, "mL"), Some(dose.at), Some(dose.from));
                    terms.push(shown(amount, 3, "mL"));
                }
            }
        }
        terms.join(" + ")
    }

    fn nutrient(&mut self, nutrient: Option<Nutrient>, feed_only: bool) -> Rc<Piece> {
        let key = (nutrient, feed_only);
        let known = self.shared.nutrients.iter().find(|(own, _)| *own == key).map(|(_, piece)| piece.clone());
        let piece = known.unwrap_or_else(|| {
            let made = self.piece(|w| Some(w.write_nutrient(nutrient, feed_only)));
            self.shared.nutrients.push((key, made.clone()));
            made
        });
        self.take(&piece);
        piece
    }

    fn write_nutrient(&mut self, nutrient: Option<Nutrient>, feed_only: bool) -> String {
        let mut terms = Vec::new();
        let unit = nutrient.map_or("kcal", Nutrient::unit);
        let what = nutrient.map_or("energy", |n| if n == Nutrient::Water { "free water" } else { n.name() });
        for (day_ix, (plan, day)) in self.shared.days.iter().enumerate() {
            for (ix, part) in plan.parts.iter().enumerate() {
                if feed_only && part.kind == Kind::Flush {
                    continue;
                }
                let (Some(volume), Some(content)) = (day.volumes.get(ix), plan.contents.get(part.content)) else {
                    continue;
                };
                if volume.is_zero() {
                    continue;
                }
                let per = nutrient.map_or(&content.energy, |n| content.nutrient(n));
                if per.is_zero() && part.kind == Kind::Flush {
                    continue;
                }
                self.part_volume((day_ix, plan, day), ix);
                let (name, at, product) = match (nutrient, content.density) {
                    (None, Density::Order(_, at)) => ("energy density of the order".to_owned(), Some(at), None),
                    (None, _) => (["energy density of ", &content.label].concat(), None, Some(content.from)),
                    (Some(Nutrient::Water), _) => {
                        (["free water of ", &content.label].concat(), None, Some(content.from))
                    }
                    (Some(n), _) => ([n.name(), " in ", &content.label].concat(), None, Some(content.from)),
                };
                let value = match per {
                    Amount::Unknown(_) => [what, " per mL not known"].concat(),
                    known => shown(known, 6, &[unit, "/mL"].concat()),
                };
                self.input(name, value.clone(), at, product.filter(|p| *p != From::Nowhere));
                for mixed in &content.mixed {
                    self.input(
                        format!("{} mixed in", mixed.label),
                        format!("{} per mL", mixed.per_ml.short(6)),
                        None,
                        Some(mixed.from),
                    );
                }
                self.assumptions.extend(content.assumptions.iter().copied().filter(|a| concerns(*a, nutrient)));
                let given = match volume {
                    Amount::Unknown(_) => "volume not known".to_owned(),
                    known => shown(known, 3, "mL"),
                };
                terms.push([&given, " × ", &value].concat());
            }
            if feed_only {
                continue;
            }
            for (dose, amount) in plan.doses.iter().zip(&day.doses) {
                let per = match nutrient {
                    None => dose.product.energy,
                    Some(n) => dose.product.nutrient(n),
                };
                if amount.is_zero() || per.is_some_and(Exact::is_zero) {
                    continue;
                }
                let unit_of = match dose.product.basis {
                    Basis::Gram => "g",
                    Basis::Millilitre => "mL",
                    Basis::Dose | Basis::Kilocalorie => "doses",
                };
                let per = per.map_or_else(|| "not stated".to_owned(), |x| format!("{} {unit}", x.short(4)));
                self.input(
                    format!("{} (each)", dose.label),
                    per.clone(),
                    Some(dose.at),
                    Some(dose.from).filter(|f| *f != From::Nowhere),
                );
                self.assumptions.push(Assumption::AdditivePer);
                terms.push(format!("{} × {per}", shown(amount, 3, unit_of)));
            }
        }
        terms.join(" + ")
    }

    fn ratio(&mut self, q: Quotient, totals: &Totals) -> String {
        let t = |m: Measure| named(m, totals, m.unit_text());
        let macros = |top: &str| {
            let (protein, fat, carbohydrate) = (t(Measure::Protein), t(Measure::Fat), t(Measure::Carbohydrate));
            [top, " ÷ (4 × ", &protein, " + 9 × ", &fat, " + 4 × ", &carbohydrate, ") × 100"].concat()
        };
        match q {
            Quotient::ProteinShare | Quotient::FatShare | Quotient::CarbohydrateShare => {
                self.assumptions.push(Assumption::EnergyFactors);
                for m in [Measure::Protein, Measure::Fat, Measure::Carbohydrate] {
                    self.behind(m);
                }
                match q {
                    Quotient::ProteinShare => macros(&format!("4 × {}", t(Measure::Protein))),
                    Quotient::FatShare => macros(&format!("9 × {}", t(Measure::Fat))),
                    _ => macros(&format!("4 × {}", t(Measure::Carbohydrate))),
                }
            }
            Quotient::NonProteinPerNitrogen => {
                self.behind(Measure::Energy);
                self.behind(Measure::Protein);
                format!("({} − 4 × {}) ÷ ({} ÷ 6.25)", t(Measure::Energy), t(Measure::Protein), t(Measure::Protein))
            }
            Quotient::ProteinPerEnergy => {
                self.behind(Measure::Protein);
                self.behind(Measure::Energy);
                format!("{} ÷ {} × 100", t(Measure::Protein), t(Measure::Energy))
            }
            Quotient::SolutePerEnergy => {
                self.behind(Measure::Energy);
                self.solute();
                format!("{} ÷ {} × 100", t(Measure::RenalSoluteLoad), t(Measure::Energy))
            }
            Quotient::WaterPerEnergy => {
                self.behind(Measure::FreeWater);
                self.behind(Measure::Energy);
                format!("{} ÷ {}", t(Measure::FreeWater), t(Measure::Energy))
            }
            Quotient::EnergyPerVolume => {
                self.behind(Measure::FormulaVolume);
                let energy = self.nutrient(None, true).text.clone().unwrap_or_default();
                format!("({energy}) ÷ {}", t(Measure::FormulaVolume))
            }
        }
    }

    /// Carbohydrate, g/mL, and rate, mL/h, of the feed that gives most of it in a minute.
    fn fastest_carbohydrate(&self) -> Option<(Exact, Exact)> {
        let mut best: Option<(Exact, Exact, Exact)> = None;
        for (plan, day) in self.shared.days {
            for (ix, part) in plan.parts.iter().enumerate() {
                let Source::Line(line) = part.source else { continue };
                if part.kind != Kind::Feed || day.volumes.get(ix).is_none_or(Amount::is_zero) {
                    continue;
                }
                let grams = plan.contents.get(part.content)?.nutrient(Nutrient::Carbohydrate).known()?;
                let rate = match plan.lines.get(line)?.high.as_ref()?.dose {
                    Dose::Rate(r) => r,
                    Dose::Volume { ml, over } => ml.div(over)?,
                };
                let rate = rate.mul(Exact::int(3600))?;
                let each = grams.mul(rate)?;
                if best.is_none_or(|(most, ..)| each > most) {
                    best = Some((each, grams, rate));
                }
            }
        }
        best.map(|(_, grams, rate)| (grams, rate))
    }

    /// How long a container hangs, with the containers as inputs.
    fn hanging(&mut self) -> String {
        for (plan, _) in self.shared.days {
            for part in plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
                let Some(content) = plan.contents.get(part.content) else { continue };
                if let Some(size) = content.containers.last() {
                    self.input(
                        format!("largest container of {}", content.label),
                        format!("{} mL", size.short(3)),
                        None,
                        Some(content.from).filter(|f| *f != From::Nowhere),
                    );
                }
            }
        }
        let mut longest: Option<(Exact, String)> = None;
        for (plan, day) in self.shared.days {
            // Of each content once: many lines may give the same.
            let mut hangs: BTreeMap<usize, Option<feeds::Hang>> = BTreeMap::new();
            for (ix, part) in plan.parts.iter().enumerate().filter(|(_, p)| p.kind == Kind::Feed) {
                let (Some(content), Source::Line(line)) = (plan.contents.get(part.content), part.source) else {
                    continue;
                };
                if day.volumes.get(ix).is_none_or(Amount::is_zero) {
                    continue;
                }
                let Some(line) = plan.lines.get(line) else { continue };
                let emptied = hangs.entry(part.content).or_insert_with(|| {
                    content.containers.last().and_then(|size| feeds::emptied(plan, day, part.content, *size))
                });
                let (lasts, text) = match (emptied, line.high.as_ref().map(|run| run.dose)) {
                    (Some(hang), _) if !hang.pieces.is_empty() && feeds::is_emptied(plan, day, part) => {
                        (hang.lasts, pieces_of(&hang.pieces))
                    }
                    (_, Some(Dose::Volume { ml, over })) if over.is_positive() => {
                        (over, format!("one feed of {} mL over {} h", ml.short(4), hours(over)))
                    }
                    _ => continue,
                };
                if longest.as_ref().is_none_or(|(most, _)| lasts > *most) {
                    longest = Some((lasts, text));
                }
            }
        }
        longest.map_or_else(|| "the time one container hangs".to_owned(), |(_, text)| text)
    }

    /// Lines that give feed on the day, with what one feed is or the rate at which they run.
    fn fed(&self) -> Vec<(&'a Line, &'a LineDay, Dose)> {
        let mut out = Vec::new();
        for (plan, day) in self.shared.days {
            for part in plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
                let Source::Line(ix) = part.source else { continue };
                let (Some(line), Some(laid)) = (plan.lines.get(ix), day.laid.lines.get(ix)) else { continue };
                if let (Some(run), false) = (&line.high, laid.volume.is_zero()) {
                    out.push((line, laid, run.dose));
                }
            }
        }
        out
    }

    /// Rates at which feeds run in: `65 mL/h`, `240 mL ÷ 0.5 h`.
    fn rates(&self) -> Vec<(Exact, String)> {
        let rate = |dose| match dose {
            Dose::Rate(r) => {
                let r = r.mul(Exact::int(3600))?;
                Some((r, format!("{} mL/h", r.short(4))))
            }
            Dose::Volume { ml, over } => {
                let h = over.div(Exact::int(3600)).filter(|h| h.is_positive())?;
                Some((ml.div(h)?, format!("{} mL ÷ {} h", ml.short(4), h.short(4))))
            }
        };
        self.fed().into_iter().filter_map(|(.., dose)| rate(dose)).collect()
    }

    /// The start of the first and of the last step of the feed that takes longest to its goal.
    fn steps(&mut self) -> String {
        let mut widest: Option<(Exact, [Start; 2], &OrderDay)> = None;
        for (plan, day) in self.shared.days {
            for group in &plan.settled.advances {
                let starts = || {
                    let lines = group.iter().filter_map(|ix| plan.lines.get(*ix));
                    lines.filter_map(|line| Some((line.start?, line.at)))
                };
                let (Some(first), Some(last)) = (starts().min_by_key(|s| s.0), starts().max_by_key(|s| s.0)) else {
                    continue;
                };
                let Some(takes) = last.0.sub(first.0) else { continue };
                if widest.as_ref().is_none_or(|(most, ..)| takes > *most) {
                    widest = Some((takes, [first, last], day));
                }
            }
        }
        let Some((_, [first, last], day)) = widest else { return "time from the first to the last step".to_owned() };
        let stamp = |instant| stamp(&day.laid.zone, instant);
        self.input("start of the first step".to_owned(), stamp(first.0), Some(first.1), None);
        self.input("start of the last step".to_owned(), stamp(last.0), Some(last.1), None);
        format!("{} − {}", stamp(last.0), stamp(first.0))
    }

    /// The beginnings of the two feeds that follow each other soonest.
    fn closest(&self) -> String {
        let pair = feeds::closest_feeds(self.shared.days).zip(self.shared.days.first());
        let Some(((a, b), (_, day))) = pair else {
            return "shortest time between the beginnings of two feeds".to_owned();
        };
        let window = day.laid.window;
        let local = |from: Exact| match (window.civil, window.start.add(from)) {
            (true, Some(instant)) => Some(to_local(&day.laid.zone, instant)),
            _ => window.local.add(from),
        };
        let (Some(from), Some(to)) = (local(a), local(b)) else { return String::new() };
        let date = |x: Exact| i64::try_from(x.floor()).unwrap_or(0).div_euclid(DAY);
        let later = match date(to).saturating_sub(date(from)) {
            0 => String::new(),
            1 => " (the next day)".to_owned(),
            n => format!(" ({n} days later)"),
        };
        format!("from {} to {}{later}, the shortest time from one feed to the next", clock(from), clock(to))
    }

    fn solute(&mut self) {
        for m in [Measure::Protein, Measure::Sodium, Measure::Potassium, Measure::Chloride, Measure::Phosphorus] {
            self.behind(m);
        }
    }

    fn schedule(&mut self, m: Measure, totals: &Totals, weight: Option<(Exact, Option<At>)>) -> String {
        let t = |m: Measure| named(m, totals, m.unit_text());
        match m {
            Measure::CarbohydrateRate => {
                self.behind(Measure::Carbohydrate);
                self.weight(weight);
                let minutes = self.shared.days.first().and_then(|(_, d)| d.laid.window.length.div(Exact::int(60)));
                format!(
                    "{} × 1000 ÷ {} kg ÷ {} min",
                    t(Measure::Carbohydrate),
                    weight.map_or_else(|| "?".to_owned(), |(kg, _)| kg.short(4)),
                    minutes.map_or_else(|| "?".to_owned(), |x| x.short(0))
                )
            }
            Measure::CarbohydrateRateFeeding => {
                self.behind(Measure::Carbohydrate);
                self.weight(weight);
                let kg = weight.map_or_else(|| "dosing weight not known".to_owned(), |(kg, _)| kilograms(kg));
                match self.fastest_carbohydrate() {
                    Some((grams, rate)) => format!(
                        "{} g/mL × {} mL/h × 1000 ÷ {kg} ÷ 60 min, the highest of any feed",
                        grams.short(6),
                        rate.short(4)
                    ),
                    None => format!("carbohydrate per mL × the highest rate of a feed ÷ {kg}"),
                }
            }
            Measure::RenalSoluteLoad => {
                self.solute();
                format!(
                    "{} ÷ 6.25 × 1000 ÷ 28 + {} + {} + {} + {}",
                    t(Measure::Protein),
                    t(Measure::SodiumMoles),
                    t(Measure::PotassiumMoles),
                    t(Measure::ChlorideMoles),
                    t(Measure::PhosphorusMoles)
                )
            }
            Measure::Osmolality => {
                self.behind(Measure::FormulaVolume);
                let feeds = self.shared.days.iter().flat_map(|(plan, _)| {
                    let of = plan.parts.iter().filter(|p| p.kind == Kind::Feed);
                    of.filter_map(|p| plan.contents.get(p.content))
                });
                let stated: Vec<_> = feeds
                    .filter_map(|c| Some((c.label.clone(), c.osmolality.known()?, c.from)))
                    .filter(|(.., from)| *from != From::Nowhere)
                    .collect();
                for (label, osmolality, from) in stated {
                    let value = format!("{} {}", osmolality.short(3), m.unit_text());
                    self.input(format!("osmolality of {label}"), value, None, Some(from));
                }
                "as stated for the feed".to_owned()
            }
            Measure::FeedsPerDay => {
                self.volume(Given::Feed);
                let fed = self.fed();
                let counts = fed.iter().filter_map(|(_, laid, dose)| match dose {
                    Dose::Rate(_) => None,
                    Dose::Volume { ml, .. } => {
                        Some(format!("{} of {} mL", shown(&laid.feeds, 3, "").trim(), ml.short(4)))
                    }
                });
                let counts = counts.collect::<Vec<_>>().join(" + ");
                if counts.is_empty() { "what runs at a rate begins no feed".to_owned() } else { counts }
            }
            Measure::LargestFeed => {
                self.volume(Given::Feed);
                let fed = self.fed();
                let volumes = fed.iter().filter_map(|(.., dose)| match dose {
                    Dose::Volume { ml, .. } => Some(format!("{} mL", ml.short(4))),
                    Dose::Rate(_) => None,
                });
                one_of("the largest of", volumes, "the largest volume of one feed")
            }
            Measure::FeedDuration => {
                self.volume(Given::Feed);
                let fed = self.fed();
                let lengths = fed.iter().filter_map(|(line, _, dose)| match (dose, line.rate) {
                    (Dose::Volume { ml, over }, Some(rate)) if ml.div(rate) == Some(*over) => {
                        let per_hour = rate.mul(Exact::int(3600))?;
                        Some(format!("{} mL ÷ {} mL/h", ml.short(4), per_hour.short(4)))
                    }
                    (Dose::Volume { over, .. }, _) if over.is_positive() => {
                        Some(format!("{} h as stated", hours(*over)))
                    }
                    _ => None,
                });
                one_of("the longest of", lengths, "how long a feed takes")
            }
            Measure::FeedInterval => {
                self.volume(Given::Feed);
                self.closest()
            }
            Measure::FeedingTime => {
                self.volume(Given::Feed);
                let fed = self.fed();
                let runs: Vec<String> = fed
                    .iter()
                    .map(|(_, laid, dose)| {
                        let (low, high) = (laid.running.low(), laid.running.high());
                        match (dose, low.zip(high)) {
                            (Dose::Volume { over, .. }, Some((l, h))) if l == h && over.is_positive() => {
                                let n = l.div(*over).unwrap_or(l);
                                format!("{} × {} h", n.short(4), hours(*over))
                            }
                            (_, Some((l, h))) if l == h => format!("{} h", hours(l)),
                            (_, Some((l, h))) => format!("{} to {} h", hours(l), hours(h)),
                            _ => "hours not known".to_owned(),
                        }
                    })
                    .collect();
                let once = if runs.len() > 1 { ", what runs at the same time counted once" } else { "" };
                format!("{}{once}", runs.join(" + "))
            }
            Measure::HighestRate => {
                self.volume(Given::Feed);
                let rates = self.rates();
                let most = rates.iter().map(|(rate, _)| *rate).max();
                let texts = rates.iter().map(|(_, text)| text.clone());
                let several = match (most, totals.get(m).known()) {
                    (Some(one), Some(all)) if all > one => "the most at one time of",
                    _ => "the highest of",
                };
                one_of(several, texts, "the highest rate of a feed")
            }
            Measure::HangTime => {
                self.volume(Given::Feed);
                self.hanging()
            }
            Measure::TimeToGoal => self.steps(),
            _ => String::new(),
        }
    }
}

/// h of seconds, for people.
fn hours(seconds: Exact) -> String {
    seconds.div(Exact::int(3600)).unwrap_or(seconds).short(3)
}

/// One of several, each told once: `240 mL`, `the largest of 240 mL, 300 mL`; `none` where there is none.
fn one_of(which: &str, all: impl Iterator<Item = String>, none: &str) -> String {
    let mut told: Vec<String> = Vec::new();
    for one in all {
        if !told.contains(&one) {
            told.push(one);
        }
    }
    match told.as_slice() {
        [] => none.to_owned(),
        [one] => one.clone(),
        many => format!("{which} {}", many.join(", ")),
    }
}

/// How a container empties: `1000 mL ÷ 60 mL/h`, `20 mL/h × 8 h + 40 mL/h × 8 h = 480 mL in 8 h + 8 h`.
fn pieces_of(pieces: &[(Exact, Exact)]) -> String {
    let mut alike: Vec<(Exact, Exact)> = Vec::new();
    for (rate, seconds) in pieces {
        match alike.last_mut().filter(|(before, _)| before == rate) {
            Some((_, so_far)) => *so_far = so_far.add(*seconds).unwrap_or(*so_far),
            None => alike.push((*rate, *seconds)),
        }
    }
    let per_hour = |rate: Exact| rate.mul(Exact::int(3600)).unwrap_or(rate).short(4);
    let held = alike.iter().try_fold(Exact::ZERO, |sum, (rate, seconds)| sum.add(rate.mul(*seconds)?));
    let held = held.map_or_else(|| "?".to_owned(), |ml| ml.short(3));
    if let [(rate, _)] = alike.as_slice() {
        return format!("{held} mL ÷ {} mL/h", per_hour(*rate));
    }
    let terms = alike.iter().map(|(rate, seconds)| {
        if rate.is_zero() {
            format!("a pause of {} h", hours(*seconds))
        } else {
            format!("{} mL/h × {} h", per_hour(*rate), hours(*seconds))
        }
    });
    let times = alike.iter().map(|(_, seconds)| format!("{} h", hours(*seconds)));
    format!("{held} mL = {}; {}", terms.collect::<Vec<_>>().join(" + "), times.collect::<Vec<_>>().join(" + "))
}

/// Feeds in a volume: the count where whole feeds lie in the day, else the fraction that does.
fn times_of(total: &Amount, feeds: &Amount, ml: Exact, noun: &str) -> String {
    match (total.low().and_then(|t| t.div(ml)), total.high().and_then(|t| t.div(ml))) {
        (Some(l), Some(h)) if l == h => {
            format!("{} {}", l.short(3), if l == Exact::ONE { noun.trim_end_matches('s') } else { noun })
        }
        (Some(l), Some(h)) => format!("{} to {} {noun}", l.short(3), h.short(3)),
        _ => shown(feeds, 1, noun),
    }
}

/// Whether a reading of a content bears on a figure.
fn concerns(a: Assumption, nutrient: Option<Nutrient>) -> bool {
    match a {
        Assumption::OrderDensity | Assumption::CalorieIsKilocalorie => nutrient.is_none(),
        Assumption::WaterFromDensity => nutrient == Some(Nutrient::Water),
        Assumption::StrengthScales => nutrient.is_some(),
        _ => true,
    }
}
