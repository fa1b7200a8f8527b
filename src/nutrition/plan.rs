//! One order's lines, contents and doses, put together.

use crate::amount::Why;
use crate::assumptions::Assumption;
use crate::exact::Exact;
use crate::formulary::product::{Basis, Form, Product};
use crate::formulary::{Difference, Formulary, KeyNote, Match};
use crate::intake::order::{At, EnteralFormula, Field, Order, ProductRef, When};
use crate::nutrition::additive::{AmountPer, amount_of};
use crate::nutrition::content::{Content, Density, From, Ingredients, content};
use crate::timing::calendar::{DAY, instant_of, to_epoch, to_local};
use crate::timing::schedule::{Frame, Line, Note, Noted, flush_line, flush_volume, line_of};
use crate::timing::steps::{Settled, settle};
use crate::units::{self, Dimension, Unit, UnitNote};

/// The code system of FHIR's value set for additives; its code `water` is a flush.
pub const ADDITIVE_SYSTEM: &str = "http://terminology.hl7.org/CodeSystem/entformula-additive";

/// Most entries with a timing of one order that are computed.
pub const MOST_LINES: usize = 100;

/// What a part of the plan is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Feed.
    Feed,
    /// Water flush.
    Flush,
}

/// Where a part's volume comes from.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Source {
    /// A line with a schedule of its own.
    Line(usize),
    /// A flush with each feed: mL of one, and how many with each feed.
    WithFeeds {
        /// mL; `None` when it cannot be used.
        volume: Option<Exact>,
        /// 1 (before or after) or 2 (both).
        times: i64,
        /// Where.
        at: At,
    },
}

/// One part: something given by volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Part {
    /// Where its volume comes from.
    pub source: Source,
    /// Feed or flush.
    pub kind: Kind,
    /// Index in [`Plan::contents`].
    pub content: usize,
}

/// What a dose is per.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Per {
    /// Each day.
    Day,
    /// Each feed that begins.
    Feed,
}

/// A modular given apart from the feed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct DosePlan {
    /// Where.
    pub at: At,
    /// Name for people.
    pub label: String,
    /// The product's figures per unit of its basis.
    pub product: Product,
    /// Where they come from.
    pub from: From,
    /// Units of the basis.
    pub amount: Exact,
    /// Per.
    pub per: Per,
    /// It is water: counted with the flushes.
    pub water: bool,
}

/// The maximum volume.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cap {
    /// mL per 24 h, or what comes to the same over many days.
    pub per_day: Exact,
    /// mL in any stretch as long as the period.
    pub volume: Exact,
    /// Seconds of the period that it is stated for.
    pub period: Exact,
    /// Where.
    pub at: At,
    /// It was stated without a period.
    pub period_assumed: bool,
}

/// How a product was looked up.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lookup {
    /// The element that names it.
    pub at: At,
    /// Name as the order has it.
    pub label: String,
    /// Outcome.
    pub found: Match,
    /// Remarks on the keys.
    pub notes: Vec<KeyNote>,
    /// Figures in which the product that was sent for it differs from the formulary's, which is used.
    pub differences: Vec<Difference>,
    /// What it is for: `formula`, `additive`, `flush`.
    pub role: &'static str,
}

/// An additive that is ordered without an amount that can be counted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Uncounted {
    /// Where.
    pub at: At,
    /// Name for people.
    pub label: String,
    /// Why.
    pub why: String,
}

/// One order, ready to be laid over windows.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// Lines with schedules.
    pub lines: Vec<Line>,
    /// What is given by volume.
    pub parts: Vec<Part>,
    /// What the parts hold.
    pub contents: Vec<Content>,
    /// Modulars given apart.
    pub doses: Vec<DosePlan>,
    /// Which lines the cap limits, parallel to `lines`.
    pub capped: Vec<bool>,
    /// The cap.
    pub cap: Option<Cap>,
    /// A cap is there and cannot be used.
    pub cap_unusable: Option<At>,
    /// Dosing weight, kg.
    pub weight: Option<Exact>,
    /// Steps, overlaps, gaps.
    pub settled: Settled,
    /// What was noticed while reading schedules and units.
    pub notes: Vec<Noted>,
    /// Product look-ups.
    pub lookups: Vec<Lookup>,
    /// Additives not counted.
    pub uncounted: Vec<Uncounted>,
    /// The instant the order is reckoned from.
    pub start: Exact,
    /// That instant is not a stated start.
    pub start_assumed: bool,
}

/// What a plan is made from.
#[derive(Clone, Copy)]
pub struct Materials<'a> {
    /// Settings and weight.
    pub frame: Frame<'a>,
    /// The institution's products.
    pub formulary: &'a Formulary,
    /// Products sent with the order, by the place of their NutritionProduct.
    pub sent: &'a [(At, Product)],
}

/// Puts an order together. An order without a tube-feeding part gives an empty plan.
pub fn plan(order: &Order<'_>, m: Materials<'_>) -> Plan {
    let mut p = Plan {
        lines: Vec::new(),
        parts: Vec::new(),
        contents: Vec::new(),
        doses: Vec::new(),
        capped: Vec::new(),
        cap: None,
        cap_unusable: None,
        weight: m.frame.weight,
        settled: Settled::default(),
        notes: Vec::new(),
        lookups: Vec::new(),
        uncounted: Vec::new(),
        start: Exact::ZERO,
        start_assumed: true,
    };
    if let Some(f) = &order.formula {
        let entries = f.administrations.len() + f.flushes.len();
        p.lines.reserve(entries);
        p.parts.reserve(entries);
        p.capped.reserve(entries);
        p.contents.reserve(1 + usize::from(!f.flushes.is_empty()));
        fill(&mut p, f, m);
    }
    start_of(&mut p, order, m);
    place_from_start(&mut p);
    p
}

/// A schedule that cannot be placed without a start (a count, a length, or every so many days) and states
/// none begins with the order.
fn place_from_start(p: &mut Plan) {
    use crate::timing::schedule::Occurrences;
    let start = p.start;
    let mut assumed = Vec::new();
    for line in p.lines.iter_mut().filter(|l| l.start.is_none()) {
        let needs = line.length.is_some()
            || [&line.low, &line.least, &line.high].into_iter().flatten().any(|run| {
                run.count.is_some() && !matches!(run.occurrences, Occurrences::Listed(_))
                    || matches!(run.occurrences, Occurrences::Clock { interval, .. } if interval > 1)
            });
        for run in [&mut line.low, &mut line.least, &mut line.also, &mut line.high].into_iter().flatten() {
            if needs && run.start.is_none() {
                run.start = Some(start);
                assumed.push(line.at);
            }
        }
        if let Some((shortest, longest)) = line.length {
            for (run, length) in [
                (&mut line.low, shortest),
                (&mut line.least, shortest),
                (&mut line.also, longest),
                (&mut line.high, longest),
            ] {
                if let Some(run) = run {
                    run.end = start.add(length);
                }
            }
        }
    }
    for at in assumed {
        let noted = Noted { at, note: Note::Assumed(Assumption::StartFromOrder) };
        if !p.notes.contains(&noted) {
            p.notes.push(noted);
        }
    }
}

fn fill(p: &mut Plan, f: &EnteralFormula<'_>, m: Materials<'_>) {
    // The density is read once; it belongs to the order's own formula.
    let mut density = None;
    let mut unusable = false;
    match &f.density {
        Field::Absent => {}
        Field::Present(q) => {
            let reading = units::energy_density(&q.value);
            push_units(p, q.at, "energy density", reading.notes);
            match reading.value {
                Some(x) if x.is_positive() => density = Some((x, q.at)),
                Some(_) => {
                    let shown = q.value.value.value().map(ToString::to_string).unwrap_or_default();
                    p.notes.push(Noted { at: q.at, note: Note::NotPositive("energy density", shown) });
                    unusable = true;
                }
                None => unusable = true,
            }
        }
        Field::Missing { .. } | Field::Unreadable { .. } => unusable = true,
    }
    let (mixed, uncounted) = additives(p, f, m);
    let mixed_refs: Vec<_> = mixed.iter().map(|(product, from, n)| (product, *from, *n)).collect();
    // The order's own formula.
    let mut base_content: Option<usize> = None;
    let mut others: Vec<(ProductKey, usize)> = Vec::new();
    let entries: usize = f.administrations.iter().map(|a| a.timings.len().max(1)).sum();
    let too_many = entries > MOST_LINES;
    if too_many {
        let why = format!("the order has {entries} entries with a timing; of more than {MOST_LINES} none is computed");
        p.notes.push(Noted { at: f.at, note: Note::TooCostly(why) });
    }
    for (ix, a) in f.administrations.iter().enumerate().take(if too_many { 1 } else { MOST_LINES }) {
        let (content_ix, kind) = match &a.product {
            Some(other) => other_content(p, &mut others, other, m, "formula"),
            None => {
                let c = *base_content.get_or_insert_with(|| {
                    let made = base(p, f.base.as_ref(), density, unusable, &mixed_refs, &uncounted, m);
                    p.contents.push(made);
                    p.contents.len() - 1
                });
                (c, kind_of(p.contents.get(c)))
            }
        };
        let timings: Vec<Option<_>> =
            if a.timings.is_empty() { vec![None] } else { a.timings.iter().map(Some).collect() };
        let first = p.lines.len();
        for timing in timings {
            let mut line = line_of(m.frame, a, ix, timing);
            if too_many {
                // Part of a schedule is not the schedule: nothing is known of it.
                (line.low, line.least, line.high) = (None, None, None);
                line.why = vec![Why::Schedule(format!("more than {MOST_LINES} entries"))];
            }
            // The timings of one entry are a union: what two of them say alike is given once.
            if let Some(earlier) = p.lines.iter_mut().skip(first).find(|l| said_by(l, &line)) {
                earlier.notes.push(Noted { at: timing.map_or(a.at, |t| t.at), note: Note::TimingRepeated });
                unite(earlier, &line);
                continue;
            }
            p.lines.push(line);
            p.capped.push(kind == Kind::Feed);
            p.parts.push(Part { source: Source::Line(p.lines.len() - 1), kind, content: content_ix });
        }
    }
    if f.administrations.is_empty() && f.base.is_some() {
        let made = base(p, f.base.as_ref(), density, unusable, &mixed_refs, &uncounted, m);
        p.contents.push(made);
    }
    flushes(p, f, &mut others, m);
    // Which lines give the same thing.
    let given: Vec<usize> = p.parts.iter().filter(|x| matches!(x.source, Source::Line(_))).map(|x| x.content).collect();
    p.settled = settle(&mut p.lines, |i, j| given.get(i).is_some() && given.get(i) == given.get(j));
    cap(p, f);
    for line in &p.lines {
        for note in &line.notes {
            if !p.notes.contains(note) {
                p.notes.push(note.clone());
            }
        }
    }
}

/// Whether two timings of one entry say times of one kind: the same, or clock times of the same days.
fn said_by(a: &Line, b: &Line) -> bool {
    use crate::timing::schedule::Occurrences;
    if a.length != b.length {
        return false;
    }
    if (&a.low, &a.least, &a.also, &a.high) == (&b.low, &b.least, &b.also, &b.high) && a.high.is_some() {
        return true;
    }
    let shared = |x: &Line, y: &Line| match (&x.high, &y.high) {
        (Some(x), Some(y)) => match (&x.occurrences, &y.occurrences) {
            (
                Occurrences::Clock { interval: i, weekdays: w, times: s },
                Occurrences::Clock { interval: j, weekdays: v, times: t },
            ) => {
                i == j
                    && w == v
                    && x.dose == y.dose
                    && x.start == y.start
                    && x.end == y.end
                    && x.count == y.count
                    && s.iter().any(|k| t.contains(k))
            }
            _ => false,
        },
        _ => false,
    };
    a.is_exact() && b.is_exact() && shared(a, b)
}

/// Adds the clock times of one timing to those of another.
fn unite(into: &mut Line, from: &Line) {
    use crate::timing::schedule::Occurrences;
    let Some(Occurrences::Clock { times: more, .. }) = from.high.as_ref().map(|h| h.occurrences.clone()) else {
        return;
    };
    for run in [&mut into.low, &mut into.high].into_iter().flatten() {
        if let Occurrences::Clock { times, .. } = &mut run.occurrences {
            times.extend(more.iter().copied());
            times.sort_unstable();
            times.dedup();
        }
    }
}

fn push_units(p: &mut Plan, at: At, what: &'static str, notes: Vec<UnitNote>) {
    for note in notes {
        let noted = Noted { at, note: Note::Unit(what, note) };
        if !p.notes.contains(&noted) {
            p.notes.push(noted);
        }
    }
}

fn kind_of(content: Option<&Content>) -> Kind {
    if content.is_some_and(|c| c.form == Some(Form::Water)) { Kind::Flush } else { Kind::Feed }
}

fn is_water_code(product: &ProductRef<'_>) -> bool {
    product
        .concept
        .codings
        .iter()
        .any(|c| c.system.as_deref() == Some(ADDITIVE_SYSTEM) && c.code.as_deref() == Some("water"))
}

fn look_up<'m>(
    p: &mut Plan,
    asked: &ProductRef<'_>,
    m: Materials<'m>,
    role: &'static str,
) -> Option<(&'m Product, From)> {
    let sent_at = asked.reference.as_ref().and_then(|r| r.resolved);
    let sent = sent_at.and_then(|at| m.sent.iter().position(|(a, _)| *a == at));
    let sent_product = sent.and_then(|ix| m.sent.get(ix)).map(|(_, product)| product);
    let found = m.formulary.find_with(asked, sent_product);
    let notes = m.formulary.key_notes(asked, &found);
    let out = match &found {
        Match::Found { index, .. } => m.formulary.product(*index).map(|product| (product, From::Formulary(*index))),
        Match::Sent => sent_product.zip(sent).map(|(product, ix)| (product, From::Sent(ix))),
        Match::Ambiguous(_) | Match::Unknown => None,
    };
    let differences = match (&found, sent_product) {
        (Match::Found { index, .. }, Some(sent)) => m.formulary.differences(*index, sent),
        _ => Vec::new(),
    };
    p.lookups.push(Lookup { at: asked.at, label: asked.label(), found, notes, differences, role });
    out
}

#[allow(clippy::too_many_arguments, reason = "one call, each argument a different part of the order")]
fn base(
    p: &mut Plan,
    asked: Option<&ProductRef<'_>>,
    density: Option<(Exact, At)>,
    unusable: bool,
    mixed: &[(&Product, From, Exact)],
    uncounted: &[String],
    m: Materials<'_>,
) -> Content {
    let label = asked.map_or_else(|| "formula without a name".to_owned(), ProductRef::label);
    let plain_water;
    let product = match asked {
        Some(asked) if is_water_code(asked) => {
            plain_water = water_product("water");
            Some((&plain_water, From::Nowhere))
        }
        Some(asked) => look_up(p, asked, m, "formula"),
        None => None,
    };
    let mut made = content(
        Ingredients { label: &label, product, order_density: density, density_unusable: unusable },
        mixed,
        uncounted,
    );
    // How the density was read bears on every figure of energy.
    let as_kcal = |n: &Noted| matches!(n.note, Note::Unit(_, UnitNote::CalorieReadAsKilocalorie { .. }));
    if let Density::Order(_, at) = made.density
        && p.notes.iter().any(|n| n.at == at && as_kcal(n))
    {
        made.assumptions.push(Assumption::CalorieIsKilocalorie);
    }
    // Water that carries what is given with it is the feed, not a flush.
    if made.form == Some(Form::Water) && p.doses.iter().any(|d| !d.water) {
        made.form = Some(Form::NotStated);
    }
    made
}

type ProductKey = String;

/// The content of another product that an entry or a flush names: no density of the order applies to it.
fn other_content(
    p: &mut Plan,
    known: &mut Vec<(ProductKey, usize)>,
    asked: &ProductRef<'_>,
    m: Materials<'_>,
    role: &'static str,
) -> (usize, Kind) {
    let key = format!(
        "{}|{}",
        asked.label(),
        asked
            .concept
            .codings
            .iter()
            .map(|c| format!("{}#{}", c.system.as_deref().unwrap_or(""), c.code.as_deref().unwrap_or("")))
            .collect::<Vec<_>>()
            .join(";")
    );
    let ix = match known.iter().find(|(k, _)| *k == key) {
        Some((_, ix)) => *ix,
        None => {
            let made = if is_water_code(asked) {
                Content::water("water".to_owned(), From::Nowhere)
            } else {
                let label = asked.label();
                let product = look_up(p, asked, m, role);
                content(Ingredients { label: &label, product, order_density: None, density_unusable: false }, &[], &[])
            };
            p.contents.push(made);
            known.push((key, p.contents.len() - 1));
            p.contents.len() - 1
        }
    };
    (ix, kind_of(p.contents.get(ix)))
}

fn flushes(p: &mut Plan, f: &EnteralFormula<'_>, others: &mut Vec<(ProductKey, usize)>, m: Materials<'_>) {
    let mut water: Option<usize> = None;
    for flush in &f.flushes {
        let content = match &flush.fluid {
            Some(fluid) => other_content(p, others, fluid, m, "flush").0,
            None => *water.get_or_insert_with(|| {
                p.contents.push(Content::water("water".to_owned(), From::Nowhere));
                p.contents.len() - 1
            }),
        };
        if let Some(timing) = &flush.schedule {
            let line = flush_line(m.frame, flush.at, &flush.volume, timing);
            p.lines.push(line);
            p.capped.push(false);
            p.parts.push(Part { source: Source::Line(p.lines.len() - 1), kind: Kind::Flush, content });
            continue;
        }
        let (volume, notes) = flush_volume(m.frame, flush.at, &flush.volume);
        for note in notes {
            if !p.notes.contains(&note) {
                p.notes.push(note);
            }
        }
        let times = match flush.with_each_feed.as_ref().map(|w| w.value.as_ref()) {
            Some("before" | "after") => 1,
            Some("before-and-after") => 2,
            _ => {
                p.notes.push(Noted {
                    at: flush.at,
                    note: Note::NotComputable("the flush has neither a schedule nor a feed it goes with".to_owned()),
                });
                p.parts.push(Part {
                    source: Source::WithFeeds { volume: None, times: 1, at: flush.at },
                    kind: Kind::Flush,
                    content,
                });
                continue;
            }
        };
        p.notes.push(Noted { at: flush.at, note: Note::Assumed(Assumption::FlushWithRun) });
        p.parts.push(Part { source: Source::WithFeeds { volume, times, at: flush.at }, kind: Kind::Flush, content });
    }
}

type MixedOwned = Vec<(Product, From, Exact)>;

fn additives(p: &mut Plan, f: &EnteralFormula<'_>, m: Materials<'_>) -> (MixedOwned, Vec<String>) {
    let mut mixed = Vec::new();
    let mut uncounted = Vec::new();
    for a in &f.additives {
        let water = is_water_code(&a.product);
        let label = a.product.label();
        let found = if water { None } else { look_up(p, &a.product, m, "additive") };
        let plain_water;
        let (product, from) = match found {
            Some((product, from)) => (product, from),
            None if water => {
                plain_water = water_product(&label);
                (&plain_water, From::Nowhere)
            }
            None => {
                let why = match &a.quantity {
                    Field::Absent => "it is ordered without an amount",
                    _ => "it is not in the formulary",
                };
                p.uncounted.push(Uncounted { at: a.at, label: label.clone(), why: why.to_owned() });
                uncounted.push(label);
                continue;
            }
        };
        let is_water = water || product.form == Form::Water;
        let (amount, notes) = amount_of(a, product);
        push_units(p, a.quantity.at().unwrap_or(a.at), "additive amount", notes);
        match amount {
            Ok(AmountPer::Volume(n)) if !is_water => mixed.push((product.clone(), from, n)),
            Ok(AmountPer::Day(amount)) => {
                p.doses.push(DosePlan {
                    at: a.at,
                    label,
                    product: product.clone(),
                    from,
                    amount,
                    per: Per::Day,
                    water: is_water,
                });
            }
            Ok(AmountPer::Feed(amount)) => {
                p.doses.push(DosePlan {
                    at: a.at,
                    label,
                    product: product.clone(),
                    from,
                    amount,
                    per: Per::Feed,
                    water: is_water,
                });
            }
            Ok(AmountPer::Volume(_)) => {
                let why = "water mixed into the feed changes its strength; how is not stated".to_owned();
                p.uncounted.push(Uncounted { at: a.at, label: label.clone(), why });
                uncounted.push(label);
            }
            Err(why) => {
                p.uncounted.push(Uncounted { at: a.at, label: label.clone(), why });
                uncounted.push(label);
            }
        }
    }
    (mixed, uncounted)
}

fn water_product(label: &str) -> Product {
    use crate::formulary::product::{AgeClass, NUTRIENTS, Nutrient, Provenance};
    let mut per_unit = [Some(Exact::ZERO); NUTRIENTS];
    if let Some(w) = per_unit.get_mut(Nutrient::Water as usize) {
        *w = Some(Exact::ONE);
    }
    Product {
        key: "water".to_owned(),
        name: label.to_owned(),
        aliases: Vec::new(),
        codes: Vec::new(),
        identifiers: Vec::new(),
        form: Form::Water,
        basis: Basis::Millilitre,
        energy: Some(Exact::ZERO),
        per_unit,
        osmolality: None,
        displacement: None,
        age: AgeClass::Any,
        flags: Vec::new(),
        viscosity: None,
        containers: Vec::new(),
        provenance: Provenance { file: String::new(), line: 0, stated: "water".to_owned() },
    }
}

fn cap(p: &mut Plan, f: &EnteralFormula<'_>) {
    match &f.cap {
        Field::Absent => {}
        Field::Present(q) => {
            let per_time = units::measure(&q.value, Dimension::VOLUME_RATE);
            if let Some(x) = per_time.value {
                push_units(p, q.at, "maximum volume", per_time.notes);
                let period = per_time.unit.as_ref().and_then(|unit| period_of(unit.code())).unwrap_or(Exact::int(DAY));
                let amounts = x.mul(Exact::int(DAY)).zip(x.mul(period)).filter(|_| x.is_positive());
                p.cap =
                    amounts.map(|(per_day, volume)| Cap { per_day, volume, period, at: q.at, period_assumed: false });
            } else {
                let plain = units::measure(&q.value, Dimension::VOLUME);
                p.cap = plain.value.filter(|x| x.is_positive()).map(|per_day| Cap {
                    per_day,
                    volume: per_day,
                    period: Exact::int(DAY),
                    at: q.at,
                    period_assumed: true,
                });
                push_units(p, q.at, "maximum volume", plain.notes);
            }
            if p.cap.is_none() {
                if let Some(value) = q.value.value.value()
                    && (value.is_zero() || value.is_negative())
                {
                    p.notes.push(Noted { at: q.at, note: Note::NotPositive("maximum volume", value.to_string()) });
                }
                p.cap_unusable = Some(q.at);
            }
        }
        Field::Missing { at, .. } | Field::Unreadable { at } => p.cap_unusable = Some(*at),
    }
}

/// Seconds of the time that a unit is per: what stands below its last bar, or its last power of −1.
fn period_of(code: &str) -> Option<Exact> {
    let below = match code.rsplit_once('/') {
        Some((_, below)) => below,
        None => code.strip_suffix("-1")?.rsplit_once('.')?.1,
    };
    let unit = Unit::parse(below).ok().filter(|unit| unit.dimension == Dimension::TIME)?;
    unit.to_base(Exact::ONE).filter(|seconds| seconds.is_positive())
}

/// The instant the order is reckoned from: its first stated start, else its own date.
fn start_of(p: &mut Plan, order: &Order<'_>, m: Materials<'_>) {
    let settings = m.frame.settings;
    if let Some(first) = p.lines.iter().filter_map(|l| l.start).min() {
        p.start = first;
        p.start_assumed = false;
        return;
    }
    let listed = p.lines.iter().filter_map(|l| match l.high.as_ref().map(|h| &h.occurrences) {
        Some(crate::timing::schedule::Occurrences::Listed(at)) => at.first().copied(),
        _ => None,
    });
    if let Some(first) = listed.min() {
        p.start = first;
        p.start_assumed = false;
        return;
    }
    let feeding_day = |local: Exact| {
        let days = i64::try_from(local.floor()).unwrap_or(0).div_euclid(DAY);
        let today = days.saturating_mul(DAY).saturating_add(i64::from(settings.day_start));
        to_epoch(&settings.zone, Exact::int(today))
    };
    p.start = match order.date_time.value() {
        Some(When::Instant { epoch, .. }) => feeding_day(to_local(&settings.zone, *epoch)),
        Some(when) => {
            instant_of(&settings.zone, *when).map_or(Exact::ZERO, |(x, _)| feeding_day(to_local(&settings.zone, x)))
        }
        None => {
            settings.asked.as_of.map_or_else(|| feeding_day(Exact::ZERO), |x| feeding_day(to_local(&settings.zone, x)))
        }
    };
}

/// Why nothing is known of a volume that a flush cannot give.
pub fn flush_unknown() -> Why {
    Why::Unreadable("the flush has no usable volume or schedule".to_owned())
}
