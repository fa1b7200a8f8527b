//! A plan over a window: every measure of the day.

use crate::amount::{Amount, Why, join};
use crate::exact::Exact;
use crate::formulary::product::{Basis, Nutrient};
use crate::nutrition::content::Content;
use crate::nutrition::feeds::{
    carbohydrate_feeding, feed_duration, feed_interval, feed_lines, feeding_time, hang_time, highest_rate,
    largest_feed, time_to_goal,
};
use crate::nutrition::measure::{Given, Measure, Quotient, Recipe};
use crate::nutrition::plan::{Cap, Kind, Per, Plan, Source, flush_unknown};
use crate::settings::Settings;
use crate::timing::calendar::{DAY, to_local};
use crate::timing::day::{Laid, Segment, Window, beyond_cap, cycle_days, lay, steady};
use crate::timing::schedule::{Line, Method};
use std::borrow::Cow;

/// One order over one window.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OrderDay {
    /// Lines laid out.
    pub laid: Laid,
    /// mL of each part, parallel to [`Plan::parts`].
    pub volumes: Vec<Amount>,
    /// Units of each dose, parallel to [`Plan::doses`].
    pub doses: Vec<Amount>,
    /// Where the maximum volume is per another period than a day: what is given in one.
    pub in_period: Option<InPeriod>,
}

/// The most that is given in any stretch as long as the period of a maximum volume that is not per day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct InPeriod {
    /// mL that the schedule gives at most in one that meets the day, as far as it is known.
    pub most: Exact,
    /// Part of it is not known.
    pub open: bool,
    /// It is more than the maximum.
    pub beyond: bool,
}

/// Measures of a day: all of them, or only those that rules look at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Totals {
    of: &'static [Measure],
    /// Parallel to `of`.
    values: Vec<Amount>,
}

impl Totals {
    /// The amount of a measure.
    pub fn get(&self, m: Measure) -> &Amount {
        static UNKNOWN: Amount = Amount::Unknown(Vec::new());
        find(self.of, &self.values, m).unwrap_or(&UNKNOWN)
    }
}

/// A measure among those worked out so far.
fn find<'v>(of: &[Measure], values: &'v [Amount], m: Measure) -> Option<&'v Amount> {
    let at = if of.len() == Measure::COUNT { m.index() } else { of.iter().position(|x| *x == m)? };
    values.get(at)
}

/// Lays a plan over one window.
pub fn lay_plan(plan: &Plan, settings: &Settings, window: Window, is_steady: bool) -> OrderDay {
    let of_a_day = |c: &Cap| c.period == Exact::int(DAY);
    // A civil day longer than 24 h has room for more; a shorter one still has all its feeds: no phantom breach.
    let cap = plan.cap.and_then(|c| {
        if !of_a_day(&c) {
            Some(OUT_OF_REACH)
        } else if window.length <= Exact::int(DAY) {
            Some(c.per_day)
        } else {
            c.per_day.mul(window.length)?.div(Exact::int(DAY))
        }
    });
    let mut laid = if is_steady {
        steady(&settings.zone, window, &plan.lines, &plan.capped, cap)
    } else {
        lay(&settings.zone, window, &plan.lines, &plan.capped, cap)
    };
    let in_period = plan.cap.filter(|c| !of_a_day(c)).map(|c| limit_periods(plan, settings, &mut laid, c, is_steady));
    let feeds = feeds_of(plan, &laid);
    let volumes: Vec<Amount> = plan
        .parts
        .iter()
        .map(|part| match part.source {
            Source::Line(ix) => laid.lines.get(ix).map_or(Amount::ZERO, |l| l.volume.clone()),
            Source::WithFeeds { volume: Some(v), times, .. } => {
                v.mul(Exact::int(times)).map_or_else(|| Amount::unknown(Why::Range), |v| feeds.scaled(v))
            }
            Source::WithFeeds { volume: None, .. } => Amount::unknown(flush_unknown()),
        })
        .collect();
    let nothing_runs = plan.parts.iter().zip(&volumes).all(|(p, v)| p.kind != Kind::Feed || v.is_zero());
    let may_be_nothing =
        plan.parts.iter().zip(&volumes).all(|(p, v)| p.kind != Kind::Feed || v.low().is_some_and(Exact::is_zero));
    let doses = plan
        .doses
        .iter()
        .map(|d| match d.per {
            Per::Day if nothing_runs => Amount::ZERO,
            Per::Day if may_be_nothing => {
                let why = plan.lines.iter().fold(Vec::new(), |all, l| join(&all, &l.why));
                Amount::range(Exact::ZERO, Some(d.amount), None, why)
            }
            Per::Day => Amount::Known(d.amount),
            Per::Feed => feeds.scaled(d.amount),
        })
        .collect();
    OrderDay { laid, volumes, doses, in_period }
}

/// mL that no schedule reaches: the day itself has no maximum, what is known of its lines is as under one.
const OUT_OF_REACH: Exact = Exact::int(1_000_000_000_000);
/// Longest period of a maximum volume that is looked at, days.
const LONGEST_PERIOD: i64 = 42;

/// Most segments that are looked at for a maximum volume of another period than a day.
const MOST_SEGMENTS: usize = 1_000;

/// Looks at every stretch as long as the maximum's period that meets the day. Where one has more than the maximum, the lines
/// that it limits give from nothing to their schedule: when a pump stops and goes on is not said.
fn limit_periods(plan: &Plan, settings: &Settings, laid: &mut Laid, cap: Cap, is_steady: bool) -> InPeriod {
    let capped = |ix: usize| plan.capped.get(ix).copied().unwrap_or(false);
    let around = around(plan, settings, laid.window, cap.period, is_steady);
    let most = around.as_ref().and_then(|around| {
        let mut segments: Vec<&Segment> = around.segments.iter().filter(|s| capped(s.line)).collect();
        segments.sort_by_key(|s| s.from);
        // Of a range it is not said which reading gives the most in a stretch; less than all of it gives any.
        let all = || segments.iter().try_fold(Exact::ZERO, |sum, s| sum.add(s.volume));
        let one_reading =
            |ix: usize, line: &Line| !capped(ix) || line.also.is_none() && (line.is_exact() || as_needed(line));
        if plan.lines.iter().enumerate().all(|(ix, line)| one_reading(ix, line)) {
            most_in_any(&segments, cap.period)
        } else {
            all().filter(|all| !beyond_cap(*all, cap.volume))
        }
    });
    let unknown = |laid: &Laid| laid.lines.iter().enumerate().any(|(ix, l)| capped(ix) && l.volume.high().is_none());
    let open = unknown(laid) || around.as_ref().is_none_or(unknown);
    let beyond = most.is_none_or(|most| beyond_cap(most, cap.volume));
    if beyond {
        for (_, line) in laid.lines.iter_mut().enumerate().filter(|(ix, _)| capped(*ix)) {
            for amount in [&mut line.volume, &mut line.feeds, &mut line.running] {
                if amount.low().is_some_and(Exact::is_positive) {
                    let why = join(amount.why(), &[Why::CapInPeriod]);
                    *amount = Amount::range(Exact::ZERO, amount.high(), None, why);
                }
            }
        }
    }
    InPeriod { most: most.unwrap_or(Exact::ZERO), open: open || most.is_none(), beyond: beyond && most.is_some() }
}

/// Whether a line gives one thing or nothing.
fn as_needed(line: &Line) -> bool {
    line.low.is_none() && line.least.is_none()
}

/// The window, or the cycle that begins with it, with a period before and after it.
fn around(plan: &Plan, settings: &Settings, window: Window, period: Exact, is_steady: bool) -> Option<Laid> {
    if period > Exact::int(LONGEST_PERIOD.saturating_mul(DAY)) {
        return None;
    }
    let length = if is_steady { Exact::int(DAY).mul(Exact::whole(cycle_days(&plan.lines)?)?)? } else { window.length };
    let start = window.start.sub(period)?;
    let local = if window.civil { to_local(&settings.zone, start) } else { window.local.sub(period)? };
    let wide = Window { start, local, length: length.add(period)?.add(period)?, civil: window.civil };
    Some(lay(&settings.zone, wide, &plan.lines, &plan.capped, None))
}

/// The most that segments give in any stretch of so many seconds: one that begins with a segment, or ends with one. `None`
/// outside the range of exact arithmetic, and of more segments than are looked at. They are in the order of their beginnings.
fn most_in_any(segments: &[&Segment], period: Exact) -> Option<Exact> {
    if segments.len() > MOST_SEGMENTS {
        return None;
    }
    let longest = segments.iter().filter_map(|s| s.to.sub(s.from)).fold(Exact::ZERO, Exact::max);
    let within = |from: Exact, to: Exact, last: bool| {
        let earliest = from.sub(longest)?;
        let (a, b) = (segments.partition_point(|s| s.from < earliest), segments.partition_point(|s| s.from <= to));
        segments.get(a..b)?.iter().try_fold(Exact::ZERO, |sum, s| {
            let part = if s.from == s.to {
                // Given at once, at the one end or the other.
                let inside = if last { from < s.from && s.from <= to } else { from <= s.from && s.from < to };
                if inside { s.volume } else { Exact::ZERO }
            } else {
                let (a, b) = (s.from.max(from), s.to.min(to));
                if b <= a { Exact::ZERO } else { s.volume.mul(b.sub(a)?)?.div(s.to.sub(s.from)?)? }
            };
            sum.add(part)
        })
    };
    let mut most = Exact::ZERO;
    for s in segments {
        most = most.max(within(s.from, s.from.add(period)?, false)?);
        most = most.max(within(s.to.sub(period)?, s.to, true)?);
    }
    Some(most)
}

/// Feeds that begin in the window, over all feed lines.
fn feeds_of(plan: &Plan, laid: &Laid) -> Amount {
    let mut out = Amount::ZERO;
    for part in plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        if let Source::Line(ix) = part.source
            && let Some(l) = laid.lines.get(ix)
        {
            out = out.plus(&l.feeds);
        }
    }
    out
}

/// One thing that is given: its amount and what each unit of it holds.
struct Given1<'p> {
    amount: &'p Amount,
    kind: Option<Kind>,
    holds: Holds<'p>,
}

enum Holds<'p> {
    Content(&'p Content),
    Dose(&'p crate::nutrition::plan::DosePlan),
}

impl<'p> Given1<'p> {
    fn energy(&self) -> Cow<'p, Amount> {
        match &self.holds {
            Holds::Content(c) => Cow::Borrowed(&c.energy),
            Holds::Dose(d) => Cow::Owned(stated(d.product.energy, &d.label, "energy")),
        }
    }

    fn nutrient(&self, n: Nutrient) -> Cow<'p, Amount> {
        match &self.holds {
            Holds::Content(c) => Cow::Borrowed(c.nutrient(n)),
            Holds::Dose(d) => Cow::Owned(stated(d.product.nutrient(n), &d.label, n.name())),
        }
    }

    /// The figure where it is exact, without making a copy.
    fn exact_energy(&self) -> Option<Exact> {
        match &self.holds {
            Holds::Content(c) => c.energy.known(),
            Holds::Dose(d) => d.product.energy,
        }
    }

    fn exact_nutrient(&self, n: Nutrient) -> Option<Exact> {
        match &self.holds {
            Holds::Content(c) => c.nutrient(n).known(),
            Holds::Dose(d) => d.product.nutrient(n),
        }
    }

    fn volume(&self) -> Exact {
        match &self.holds {
            Holds::Content(_) => Exact::ONE,
            Holds::Dose(d) if d.product.basis == Basis::Millilitre => Exact::ONE,
            Holds::Dose(_) => Exact::ZERO,
        }
    }
}

fn stated(x: Option<Exact>, label: &str, what: &'static str) -> Amount {
    x.map_or_else(|| Amount::unknown(Why::NotStated(label.to_owned(), what)), Amount::Known)
}

/// The measures that rules look at. The others are worked out only for an answer that shows them.
pub const JUDGED: &[Measure] = &[
    Measure::Volume,
    Measure::FormulaVolume,
    Measure::Energy,
    Measure::Protein,
    Measure::VolumePerKg,
    Measure::EnergyPerKg,
];

/// Every measure of one or more orders of one patient over the same window.
pub fn totals(days: &[(&Plan, &OrderDay)], weight: Option<Exact>) -> Totals {
    Totals { of: Measure::ALL, values: work_out(days, weight, Measure::ALL) }
}

/// Only the measures of [`JUDGED`]; the others say that they were not worked out.
pub fn judged_totals(days: &[(&Plan, &OrderDay)], weight: Option<Exact>) -> Totals {
    Totals { of: JUDGED, values: work_out(days, weight, JUDGED) }
}

/// The measures of a list in which each comes after what it rests on.
fn work_out(days: &[(&Plan, &OrderDay)], weight: Option<Exact>, of: &[Measure]) -> Vec<Amount> {
    let sums = Sums::new(days.to_vec(), weight);
    let mut values: Vec<Amount> = Vec::with_capacity(of.len());
    for m in of {
        let value = sums.resting_on(*m, m.rests_on().and_then(|base| find(of, &values, base)));
        values.push(value);
    }
    values
}

/// All that is given over one window, from which any one measure can be worked out.
pub struct Sums<'p> {
    days: Vec<(&'p Plan, &'p OrderDay)>,
    given: Vec<Given1<'p>>,
    weight: Option<Exact>,
}

impl<'p> Sums<'p> {
    /// The plans and their days.
    pub fn days(&self) -> &[(&'p Plan, &'p OrderDay)] {
        &self.days
    }

    /// One or more orders of one patient over the same window.
    pub fn new(days: Vec<(&'p Plan, &'p OrderDay)>, weight: Option<Exact>) -> Self {
        let mut given: Vec<Given1<'_>> = Vec::new();
        for (plan, day) in &days {
            for (part, amount) in plan.parts.iter().zip(&day.volumes) {
                if let Some(content) = plan.contents.get(part.content) {
                    given.push(Given1 { amount, kind: Some(part.kind), holds: Holds::Content(content) });
                }
            }
            for (dose, amount) in plan.doses.iter().zip(&day.doses) {
                given.push(Given1 { amount, kind: dose.water.then_some(Kind::Flush), holds: Holds::Dose(dose) });
            }
        }
        Self { days, given, weight }
    }

    /// kcal of the additives given apart.
    pub fn additive_energy(&self) -> Amount {
        let apart = |g: &Given1<'_>| matches!(g.holds, Holds::Dose(_));
        let out = exactly(&self.given, apart, |g| g.exact_energy())
            .unwrap_or_else(|| sum_where(&self.given, apart, |g| g.energy().into_owned()));
        self.with_uncounted(out)
    }

    /// g of a macronutrient, mg of a mineral, of the additives given apart.
    pub fn additive(&self, nutrient: Nutrient) -> Amount {
        let apart = |g: &Given1<'_>| matches!(g.holds, Holds::Dose(_));
        let out = exactly(&self.given, apart, |g| g.exact_nutrient(nutrient))
            .unwrap_or_else(|| sum_where(&self.given, apart, |g| g.nutrient(nutrient).into_owned()));
        self.with_uncounted(out)
    }

    /// An amount with that of the additives that cannot be counted.
    fn with_uncounted(&self, mut out: Amount) -> Amount {
        for open in self.days.iter().flat_map(|(plan, _)| &plan.uncounted) {
            out = out.plus(&Amount::unknown(Why::AdditiveAmount(open.label.clone())));
        }
        out
    }

    /// One measure.
    pub fn measure(&self, m: Measure) -> Amount {
        match m.rests_on() {
            Some(base) => self.resting_on(m, Some(&self.measure(base))),
            None => self.resting_on(m, None),
        }
    }

    /// A measure, from the one it rests on where there is one ([`Measure::rests_on`]).
    fn resting_on(&self, m: Measure, base: Option<&Amount>) -> Amount {
        let (given, days, weight) = (&self.given, &self.days, self.weight);
        match m.recipe() {
            Recipe::Volume(which) => volume(given, which, days),
            Recipe::Energy => exactly(given, |_| true, |g| g.exact_energy())
                .unwrap_or_else(|| sum_where(given, |_| true, |g| g.energy().into_owned())),
            Recipe::Nutrient { nutrient, feed_only } => {
                let keep = |g: &Given1<'_>| !feed_only || g.kind == Some(Kind::Feed);
                exactly(given, keep, |g| g.exact_nutrient(nutrient))
                    .unwrap_or_else(|| sum_where(given, keep, |g| g.nutrient(nutrient).into_owned()))
            }
            Recipe::Moles(_, nutrient) => match nutrient.atomic_mass() {
                Some(mass) => base.map_or(Amount::ZERO, |a| a.divided(mass, "the atomic mass")),
                None => Amount::unknown(Why::Range),
            },
            Recipe::PerKg(_) => match (weight, base) {
                (Some(kg), Some(a)) => a.divided(kg, "the dosing weight"),
                (None, Some(Amount::Unknown(why))) => Amount::Unknown(join(&[Why::NoWeight], why)),
                _ => Amount::unknown(Why::NoWeight),
            },
            Recipe::Ratio(q) => ratio(given, q),
            Recipe::Schedule => schedule(m, days, given, base, weight),
        }
    }
}

/// The sum where every part of it is exact: the common case, without any amount being copied.
fn exactly(
    given: &[Given1<'_>],
    keep: impl Fn(&Given1<'_>) -> bool,
    of: impl Fn(&Given1<'_>) -> Option<Exact>,
) -> Option<Amount> {
    let mut out = Exact::ZERO;
    for g in given.iter().filter(|g| keep(g)) {
        let amount = g.amount.known()?;
        if amount.is_zero() {
            continue;
        }
        let per = of(g)?;
        if !per.is_zero() {
            out = out.add(amount.mul(per)?)?;
        }
    }
    Some(Amount::Known(out))
}

fn sum_where(given: &[Given1<'_>], keep: impl Fn(&Given1<'_>) -> bool, of: impl Fn(&Given1<'_>) -> Amount) -> Amount {
    let mut out = Amount::ZERO;
    for g in given.iter().filter(|g| keep(g)) {
        out = out.plus(&g.amount.times(&of(g)));
    }
    out
}

fn volume(given: &[Given1<'_>], which: Given, days: &[(&Plan, &OrderDay)]) -> Amount {
    let keep = |g: &Given1<'_>| match which {
        Given::All => true,
        Given::Feed => g.kind == Some(Kind::Feed),
        Given::Flush => g.kind == Some(Kind::Flush),
        Given::Additive => g.kind.is_none(),
    };
    let mut out = exactly(given, keep, |g| Some(g.volume()))
        .unwrap_or_else(|| sum_where(given, keep, |g| Amount::Known(g.volume())));
    // An additive without a countable amount may add volume.
    if matches!(which, Given::All | Given::Additive) {
        for name in days.iter().flat_map(|(p, _)| &p.uncounted).map(|u| u.label.clone()) {
            out = out.plus(&Amount::unknown(Why::AdditiveAmount(name)));
        }
    }
    out
}

/// At most this many varying amounts are worked out corner by corner.
const CORNERS: usize = 6;

/// A ratio of two sums over the same parts. With volumes in a range, a ratio of two linear sums is largest
/// and smallest at corners of the box, so those are tried; figures that are themselves ranges, or more
/// than [`CORNERS`] varying parts, fall back to the wider quotient of the two ranges.
fn ratio(given: &[Given1<'_>], q: Quotient) -> Amount {
    let (top_scale, what) = match q {
        Quotient::ProteinShare | Quotient::FatShare | Quotient::CarbohydrateShare => {
            (Exact::int(100), "energy from macronutrients")
        }
        Quotient::NonProteinPerNitrogen => (Exact::decimal(625, 2), "protein"),
        Quotient::ProteinPerEnergy | Quotient::SolutePerEnergy => (Exact::int(100), "energy"),
        Quotient::WaterPerEnergy => (Exact::ONE, "energy"),
        Quotient::EnergyPerVolume => (Exact::ONE, "feed volume"),
    };
    let relevant: Vec<&Given1<'_>> = given
        .iter()
        .filter(|g| q != Quotient::EnergyPerVolume || g.kind == Some(Kind::Feed))
        .filter(|g| !g.amount.is_zero())
        .collect();
    if let Some(x) = exact_ratio(&relevant, q, top_scale) {
        return x.map_or_else(|| Amount::unknown(Why::Nothing(what)), Amount::Known);
    }
    let mut tops = Vec::with_capacity(relevant.len());
    let mut bottoms = Vec::with_capacity(relevant.len());
    for g in &relevant {
        let (t, b) = quotient_parts(g, q);
        tops.push(t);
        bottoms.push(b);
    }
    let linear = tops.iter().chain(&bottoms).all(|a| a.known().is_some());
    let varying: Vec<usize> =
        (0..relevant.len()).filter(|i| relevant.get(*i).is_some_and(|g| g.amount.known().is_none())).collect();
    let bounded = relevant.iter().all(|g| g.amount.low().is_some() && g.amount.high().is_some());
    if linear && bounded && varying.len() <= CORNERS {
        return corners(&relevant, &tops, &bottoms, &varying, top_scale, what);
    }
    let total =
        |parts: &[Amount]| relevant.iter().zip(parts).fold(Amount::ZERO, |acc, (g, p)| acc.plus(&g.amount.times(p)));
    let (top, bottom) = (total(&tops), total(&bottoms));
    if bottom.is_zero() {
        return Amount::unknown(Why::Nothing(what));
    }
    top.scaled(top_scale).over(&bottom, what)
}

/// The ratio where every part of it is exact; `Some(None)` when there is nothing to divide by.
fn exact_ratio(relevant: &[&Given1<'_>], q: Quotient, scale: Exact) -> Option<Option<Exact>> {
    let (mut top, mut bottom) = (Exact::ZERO, Exact::ZERO);
    for g in relevant {
        let amount = g.amount.known()?;
        let n = |n: Nutrient| g.exact_nutrient(n);
        let (t, b) = match q {
            Quotient::ProteinShare | Quotient::FatShare | Quotient::CarbohydrateShare => {
                let p = n(Nutrient::Protein)?.mul(Exact::int(4))?;
                let f = n(Nutrient::Fat)?.mul(Exact::int(9))?;
                let c = n(Nutrient::Carbohydrate)?.mul(Exact::int(4))?;
                let top = match q {
                    Quotient::ProteinShare => p,
                    Quotient::FatShare => f,
                    _ => c,
                };
                (top, p.add(f)?.add(c)?)
            }
            Quotient::NonProteinPerNitrogen => {
                let p = n(Nutrient::Protein)?;
                (g.exact_energy()?.sub(p.mul(Exact::int(4))?)?, p)
            }
            Quotient::ProteinPerEnergy => (n(Nutrient::Protein)?, g.exact_energy()?),
            Quotient::SolutePerEnergy => (exact_solute(g)?, g.exact_energy()?),
            Quotient::WaterPerEnergy => (n(Nutrient::Water)?, g.exact_energy()?),
            Quotient::EnergyPerVolume => (g.exact_energy()?, Exact::ONE),
        };
        top = top.add(amount.mul(t)?)?;
        bottom = bottom.add(amount.mul(b)?)?;
    }
    if !bottom.is_positive() {
        return Some(None);
    }
    Some(Some(top.mul(scale)?.div(bottom)?))
}

/// Potential renal solute load of one unit where every part of it is exact, mOsm.
fn exact_solute(g: &Given1<'_>) -> Option<Exact> {
    let mut out = g.exact_nutrient(Nutrient::Protein)?.mul(Exact::ratio(1000, 175))?;
    for n in [Nutrient::Sodium, Nutrient::Potassium, Nutrient::Chloride, Nutrient::Phosphorus] {
        out = out.add(g.exact_nutrient(n)?.div(n.atomic_mass()?)?)?;
    }
    Some(out)
}

fn corners(
    relevant: &[&Given1<'_>],
    tops: &[Amount],
    bottoms: &[Amount],
    varying: &[usize],
    scale: Exact,
    what: &'static str,
) -> Amount {
    let mut low: Option<Exact> = None;
    let mut high: Option<Exact> = None;
    let mut empty = false;
    for corner in 0..1usize << varying.len() {
        let mut top = Some(Exact::ZERO);
        let mut bottom = Some(Exact::ZERO);
        for (i, g) in relevant.iter().enumerate() {
            let upper = varying.iter().position(|v| *v == i).is_some_and(|k| corner >> k & 1 == 1);
            let v = if upper { g.amount.high() } else { g.amount.low() };
            let add = |acc: Option<Exact>, per: Option<&Amount>| acc.and_then(|a| a.add(v?.mul(per?.known()?)?));
            top = add(top, tops.get(i));
            bottom = add(bottom, bottoms.get(i));
        }
        let (Some(top), Some(bottom)) = (top, bottom) else { return Amount::unknown(Why::Range) };
        if !bottom.is_positive() {
            empty = true;
            continue;
        }
        let Some(x) = top.mul(scale).and_then(|t| t.div(bottom)) else { return Amount::unknown(Why::Range) };
        low = Some(low.map_or(x, |l| l.min(x)));
        high = Some(high.map_or(x, |h| h.max(x)));
    }
    match (low, high) {
        (Some(l), Some(h)) if l == h => Amount::Known(l),
        (Some(l), Some(h)) if !empty => {
            let why = relevant.iter().fold(Vec::new(), |acc, g| join(&acc, g.amount.why()));
            Amount::range(l, Some(h), None, why)
        }
        // With nothing given there is no ratio; where anything is, it lies among the corners of what is.
        (Some(_), Some(_)) => {
            let parts: Vec<(Exact, Exact)> = tops
                .iter()
                .zip(bottoms)
                .filter_map(|(t, b)| Some((t.known()?, b.known()?)))
                .filter(|(_, b)| b.is_positive())
                .collect();
            let each: Option<Vec<Exact>> = parts.iter().map(|(t, b)| t.mul(scale)?.div(*b)).collect();
            match each.as_deref() {
                Some(xs) if parts.len() == tops.len() => {
                    let l = xs.iter().copied().reduce(Exact::min);
                    let h = xs.iter().copied().reduce(Exact::max);
                    let why = relevant.iter().fold(Vec::new(), |acc, g| join(&acc, g.amount.why()));
                    match (l, h) {
                        (Some(l), Some(h)) if l == h => Amount::Known(l),
                        (Some(l), Some(h)) => Amount::range(l, Some(h), None, why),
                        _ => Amount::unknown(Why::Nothing(what)),
                    }
                }
                _ => Amount::unknown(Why::ZeroDenominator(what)),
            }
        }
        _ => Amount::unknown(Why::Nothing(what)),
    }
}

/// What one unit adds to the top and to the bottom of a ratio.
fn quotient_parts(g: &Given1<'_>, q: Quotient) -> (Amount, Amount) {
    let p = || g.nutrient(Nutrient::Protein).into_owned();
    let macro_energy = || {
        p().scaled(Exact::int(4))
            .plus(&g.nutrient(Nutrient::Fat).scaled(Exact::int(9)))
            .plus(&g.nutrient(Nutrient::Carbohydrate).scaled(Exact::int(4)))
    };
    // A share needs all three; "at least" on one of them says nothing of the share.
    let share = |top: Amount, n: Nutrient| {
        let bottom = macro_energy();
        let whole =
            [Nutrient::Protein, Nutrient::Fat, Nutrient::Carbohydrate].iter().all(|x| g.nutrient(*x).known().is_some());
        if whole { (top, bottom) } else { (Amount::Unknown(join(g.nutrient(n).why(), bottom.why())), bottom) }
    };
    match q {
        Quotient::ProteinShare => share(p().scaled(Exact::int(4)), Nutrient::Protein),
        Quotient::FatShare => share(g.nutrient(Nutrient::Fat).scaled(Exact::int(9)), Nutrient::Fat),
        Quotient::CarbohydrateShare => {
            share(g.nutrient(Nutrient::Carbohydrate).scaled(Exact::int(4)), Nutrient::Carbohydrate)
        }
        Quotient::NonProteinPerNitrogen => {
            // (E − 4P) ÷ (P ÷ 6.25): exact only where both are.
            let top = match (g.energy().into_owned(), p()) {
                (Amount::Known(e), Amount::Known(x)) => x
                    .mul(Exact::int(4))
                    .and_then(|four| e.sub(four))
                    .map_or_else(|| Amount::unknown(Why::Range), Amount::Known),
                (e, x) => Amount::Unknown(join(e.why(), x.why())),
            };
            (top, p())
        }
        Quotient::ProteinPerEnergy => (p(), g.energy().into_owned()),
        Quotient::SolutePerEnergy => (solute(g), g.energy().into_owned()),
        Quotient::WaterPerEnergy => (g.nutrient(Nutrient::Water).into_owned(), g.energy().into_owned()),
        Quotient::EnergyPerVolume => (g.energy().into_owned(), Amount::Known(Exact::ONE)),
    }
}

/// Potential renal solute load of one unit, mOsm: N(mg)/28 + Na + K + Cl + P (mmol).
fn solute(g: &Given1<'_>) -> Amount {
    // 1 g protein = 1000/6.25 mg nitrogen = 1000/(6.25·28) mOsm.
    let mut out = g.nutrient(Nutrient::Protein).scaled(Exact::ratio(1000, 175));
    for n in [Nutrient::Sodium, Nutrient::Potassium, Nutrient::Chloride, Nutrient::Phosphorus] {
        let Some(mass) = n.atomic_mass() else { continue };
        let part = g.nutrient(n).divided(mass, "the atomic mass");
        // A missing mineral leaves the load unknown, not merely larger: it is judged against upper limits,
        // where "at least" would pass for an answer.
        if let Amount::Unknown(why) = &part {
            return Amount::Unknown(join(out.why(), why));
        }
        out = out.plus(&part);
    }
    out
}

/// Lines of feeds with their content.
fn schedule(
    m: Measure,
    days: &[(&Plan, &OrderDay)],
    given: &[Given1<'_>],
    base: Option<&Amount>,
    weight: Option<Exact>,
) -> Amount {
    let length = days.first().map_or(Exact::int(DAY), |(_, d)| d.laid.window.length);
    match m {
        Measure::CarbohydrateRate => {
            let Some(kg) = weight else { return Amount::unknown(Why::NoWeight) };
            let minutes = length.div(Exact::int(60)).unwrap_or(Exact::int(1440));
            base.cloned()
                .unwrap_or_else(|| Amount::Unknown(Vec::new()))
                .scaled(Exact::int(1000))
                .divided(kg, "the dosing weight")
                .divided(minutes, "the day")
        }
        Measure::CarbohydrateRateFeeding => carbohydrate_feeding(days, weight),
        Measure::RenalSoluteLoad => {
            exactly(given, |_| true, exact_solute).unwrap_or_else(|| sum_where(given, |_| true, solute))
        }
        Measure::Osmolality => osmolality(days),
        Measure::FeedsPerDay => feed_lines(days).fold(Amount::ZERO, |acc, (.., l)| acc.plus(&l.feeds)),
        Measure::LargestFeed => largest_feed(days),
        Measure::FeedDuration => feed_duration(days),
        Measure::FeedInterval => feed_interval(days),
        Measure::FeedingTime => feeding_time(days),
        Measure::HighestRate => highest_rate(days),
        Measure::HangTime => hang_time(days),
        Measure::TimeToGoal => time_to_goal(days),
        _ => Amount::unknown(Why::Range),
    }
}

fn osmolality(days: &[(&Plan, &OrderDay)]) -> Amount {
    let mut found: Option<(&Content, Amount)> = None;
    for (plan, _, _, part, l) in feed_lines(days) {
        if l.volume.is_zero() {
            continue;
        }
        let Some(content) = plan.contents.get(part.content) else { continue };
        match &found {
            None => found = Some((content, content.osmolality.clone())),
            Some((first, _)) if *first == content => {}
            Some(_) => {
                return Amount::unknown(Why::Osmolality(
                    "several feeds are given; each has its own osmolality".to_owned(),
                ));
            }
        }
    }
    found.map_or_else(|| Amount::unknown(Why::Nothing("feed")), |(_, x)| x)
}

/// How a line is given, for people.
pub fn method_name(m: Method) -> &'static str {
    match m {
        Method::Continuous => "continuous",
        Method::Cyclic => "cyclic",
        Method::Intermittent => "intermittent",
        Method::Bolus => "bolus",
        Method::Unclear => "method unclear",
    }
}
