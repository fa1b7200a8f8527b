//! The order that a limit's finding offers instead: the same order with its feed or its flush multiplied, in the steps
//! of the pump.

use super::facts::FACTS;
use super::value::{Facts, Scaled, Stated, Value};
use super::{Bound, Check};
use crate::exact::Exact;
use crate::findings::Correction;

/// Decimals of an amount in an order, and what makes a whole number of it.
const PLACES: u32 = 3;
const WHOLE: Exact = Exact::int(1_000);

/// The correction of a check's finding: `None` where the check names none, where no single amount of the order says how
/// much is given, where what it rests on is not exactly known, or where the rounded amount is nothing,
/// the same, or on the other side of what is ordered.
///
/// The amount is rounded to the pump's step, down where the measure was too high and up where it was too low, so that
/// rounding never leaves it beyond the bound. `extra`: the measure and the bound, as texts have them.
pub(super) fn of(check: &Check, facts: &dyn Facts, extra: &[Value]) -> Option<Correction> {
    let (what, by) = check.scale.as_ref()?;
    let stated = facts.stated(*what)?;
    let Value::Quantity(factor) = by.evaluate(facts, extra) else { return None };
    let (at, was, step, unit, per) = match stated {
        Stated::Rate(at, rate) => (at, rate, "pump_rate_step", "mL/h", Exact::int(3_600)),
        Stated::Volume(at, volume) => (at, volume, "pump_volume_step", "mL", Exact::ONE),
    };
    let ix = FACTS.iter().position(|fact| fact.name == step)?;
    let Value::Quantity(step) = facts.value(ix) else { return None };
    let step = step.known().filter(|step| *step > Exact::ZERO)?;
    let steps = was.mul(factor.known()?)?.div(step)?;
    let steps = match check.bound {
        Bound::Above(_) => steps.floor(),
        Bound::Below(_) => steps.ceil(),
        Bound::When(_) => steps.add(Exact::ratio(1, 2))?.floor(),
    };
    let amount = Exact::whole(steps)?.mul(step)?;
    let toward_the_bound = match check.bound {
        Bound::Above(_) => amount < was,
        Bound::Below(_) => amount > was,
        Bound::When(_) => amount != was,
    };
    if amount <= Exact::ZERO || !toward_the_bound {
        return None;
    }
    let shown = amount.mul(per)?;
    let value = shown.short(PLACES);
    // An amount that needs more decimals is not written with fewer.
    if !shown.mul(WHOLE)?.is_whole() {
        return None;
    }
    let name = match (stated, what) {
        (Stated::Rate(..), Scaled::Feed) => "Rate",
        (Stated::Rate(..), Scaled::Flush) => "Rate of the water",
        (Stated::Volume(..), Scaled::Feed) => "Volume per feed",
        (Stated::Volume(..), Scaled::Flush) => "Volume per flush",
    };
    Some(Correction::quantity(format!("{name} {value} {unit}"), at, Some(value), Some(unit)))
}
