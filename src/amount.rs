//! Known, bounded or unknown: the only way a computed quantity travels through the core.

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

use crate::exact::Exact;
use std::fmt;

/// Why an amount is not exactly known. Shown to people through `Display`.
#[derive(Clone, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum Why {
    /// The order gives no usable energy density and the product has none.
    NoDensity,
    /// No product of the formulary matches.
    ProductUnknown,
    /// The product, of the formulary or sent with the order, does not state this nutrient. (product name, nutrient name)
    NotStated(String, &'static str),
    /// No usable dosing weight.
    NoWeight,
    /// A part of the schedule cannot be turned into a number. (what, in words)
    Schedule(String),
    /// The schedule leaves a choice of times or counts. (what, in words)
    Spread(String),
    /// Given as needed: from none to all of it.
    AsNeeded,
    /// The ceiling lies below the schedule.
    CapBelowSchedule,
    /// What runs beside the feed is not the same on every day of it; each amount between is that of some day.
    DayByDay,
    /// A maximum volume of another time than a day lies below what the schedule gives in it; what is given is not known.
    CapInPeriod,
    /// An additive is ordered without an amount that can be counted. (its name)
    AdditiveAmount(String),
    /// A quantity has no usable value or unit. (which, in words)
    Unreadable(String),
    /// Osmolality is not a sum of parts here. (why, in words)
    Osmolality(String),
    /// The number left the range of exact arithmetic.
    Range,
    /// The denominator is, or may be, zero. (which, in words)
    ZeroDenominator(&'static str),
    /// Nothing of this kind happens in the window, so the measure has no meaning. (which, in words)
    Nothing(&'static str),
    /// The order ends, or has not begun, before there is such a day. (in words)
    NoSuchDay(&'static str),
    /// An input of a formula is missing. (which, in words)
    MissingInput(&'static str),
    /// An input is outside the range a formula was derived on. (in words)
    OutOfDomain(String),
}

impl fmt::Display for Why {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Why::NoDensity => f.write_str("no energy density in the order or the formulary"),
            Why::ProductUnknown => f.write_str("the formula is not in the formulary"),
            Why::NotStated(product, nutrient) => {
                write!(f, "the data on {product} do not state {nutrient}")
            }
            Why::NoWeight => f.write_str("no usable dosing weight"),
            Why::Schedule(what) | Why::Spread(what) | Why::Unreadable(what) | Why::Osmolality(what) => {
                f.write_str(what)
            }
            Why::AsNeeded => f.write_str("given as needed: from none to all of it"),
            Why::DayByDay => f.write_str("what is given by vein is not the same every day"),
            Why::CapInPeriod => f.write_str("the schedule gives more than the maximum volume of a part of the time"),
            Why::CapBelowSchedule => f.write_str("the maximum volume lies below the schedule"),
            Why::AdditiveAmount(name) => write!(f, "{name} is ordered without an amount that can be counted"),
            Why::Range => f.write_str("the number is outside the range of exact arithmetic"),
            Why::ZeroDenominator(what) => write!(f, "{what} is, or may be, zero"),
            Why::Nothing(what) => write!(f, "no {what} in this day"),
            Why::NoSuchDay(what) => f.write_str(what),
            Why::MissingInput(what) => write!(f, "{what} is missing"),
            Why::OutOfDomain(what) => f.write_str(what),
        }
    }
}

/// An exact value, a range that contains every completion of what is missing, or unknown, each of the
/// latter with its reasons. Amounts of things delivered are never negative; the operations rely on that
/// where they say so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Amount {
    /// Exactly this.
    Known(Exact),
    /// Between two ends.
    Range(Box<Span>),
    /// Nothing can be said.
    Unknown(Vec<Why>),
}

/// Between `low` and `high`, both ends included.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Span {
    /// Lowest completion.
    pub low: Exact,
    /// Highest completion; `None` when something unknown may be added: "at least".
    pub high: Option<Exact>,
    /// Mean over the repeating cycle, where the range comes from a repeating schedule.
    pub mean: Option<Exact>,
    /// Why it is not one number.
    pub why: Vec<Why>,
}

impl Amount {
    /// A range.
    pub fn range(low: Exact, high: Option<Exact>, mean: Option<Exact>, why: Vec<Why>) -> Self {
        Amount::Range(Box::new(Span { low, high, mean, why }))
    }

    /// Exactly zero.
    pub const ZERO: Self = Amount::Known(Exact::ZERO);

    /// Unknown for one reason.
    pub fn unknown(why: Why) -> Self {
        Amount::Unknown(vec![why])
    }

    /// A range, or the exact value where both ends meet.
    pub fn between(low: Exact, high: Exact, why: Why) -> Self {
        if low == high { Amount::Known(low) } else { Amount::range(low, Some(high), None, vec![why]) }
    }

    /// `low` or more.
    pub fn at_least(low: Exact, why: Vec<Why>) -> Self {
        Amount::range(low, None, None, why)
    }

    /// The exact value, if it is one.
    pub fn known(&self) -> Option<Exact> {
        if let Amount::Known(x) = self { Some(*x) } else { None }
    }

    /// The lowest completion; `None` when unknown.
    pub fn low(&self) -> Option<Exact> {
        match self {
            Amount::Known(x) => Some(*x),
            Amount::Range(span) => Some(span.low),
            Amount::Unknown(_) => None,
        }
    }

    /// The highest completion; `None` when unknown or without an upper bound.
    pub fn high(&self) -> Option<Exact> {
        match self {
            Amount::Known(x) => Some(*x),
            Amount::Range(span) => span.high,
            Amount::Unknown(_) => None,
        }
    }

    /// The reasons why it is not exactly known; empty when it is.
    pub fn why(&self) -> &[Why] {
        match self {
            Amount::Known(_) => &[],
            Amount::Range(span) => &span.why,
            Amount::Unknown(why) => why,
        }
    }

    /// Whether the amount is exactly zero.
    pub fn is_zero(&self) -> bool {
        matches!(self, Amount::Known(x) if x.is_zero())
    }

    /// Sum. Unknown + known = "at least the known": both must be amounts that cannot be negative.
    pub fn plus(&self, other: &Amount) -> Amount {
        use Amount::{Known, Unknown};
        match (self, other) {
            (Known(a), Known(b)) => a.add(*b).map_or_else(|| Amount::unknown(Why::Range), Known),
            (Unknown(a), Unknown(b)) => Unknown(join(a, b)),
            (Unknown(why), x) | (x, Unknown(why)) => match x.low() {
                Some(low) if low.is_positive() => Amount::at_least(low, join(why, x.why())),
                _ => Unknown(join(why, x.why())),
            },
            (a, b) => {
                let ends = |x: &Amount| (x.low().unwrap_or(Exact::ZERO), x.high(), x.mean());
                let ((al, ah, am), (bl, bh, bm)) = (ends(a), ends(b));
                let Some(low) = al.add(bl) else { return Amount::unknown(Why::Range) };
                let high = match (ah, bh) {
                    (Some(x), Some(y)) => match x.add(y) {
                        Some(sum) => Some(sum),
                        None => return Amount::unknown(Why::Range),
                    },
                    _ => None,
                };
                let mean = am.zip(bm).and_then(|(x, y)| x.add(y));
                Amount::range(low, high, mean, join(a.why(), b.why()))
            }
        }
    }

    /// The mean over a repeating cycle, or the value itself when exact.
    pub fn mean(&self) -> Option<Exact> {
        match self {
            Amount::Known(x) => Some(*x),
            Amount::Range(span) => span.mean,
            Amount::Unknown(_) => None,
        }
    }

    /// Product with a factor that is exact and not negative.
    pub fn scaled(&self, factor: Exact) -> Amount {
        self.each_end(|x| x.mul(factor))
    }

    /// Quotient by a divisor that is exact and positive.
    pub fn divided(&self, by: Exact, what: &'static str) -> Amount {
        if !by.is_positive() {
            return Amount::unknown(Why::ZeroDenominator(what));
        }
        self.each_end(|x| x.div(by))
    }

    /// Product of two amounts that cannot be negative.
    pub fn times(&self, other: &Amount) -> Amount {
        use Amount::{Known, Range, Unknown};
        match (self, other) {
            // Nothing given of something unknown is nothing.
            (Known(a), _) | (_, Known(a)) if a.is_zero() => Amount::ZERO,
            (Known(a), x) | (x, Known(a)) => x.scaled(*a),
            (Unknown(a), b) | (b, Unknown(a)) => Unknown(join(a, b.why())),
            (Range(a), Range(b)) => {
                let Some(low) = a.low.mul(b.low) else { return Amount::unknown(Why::Range) };
                let high = match (a.high, b.high) {
                    (Some(x), Some(y)) => match x.mul(y) {
                        Some(product) => Some(product),
                        None => return Amount::unknown(Why::Range),
                    },
                    _ => None,
                };
                Amount::range(low, high, None, join(&a.why, &b.why))
            }
        }
    }

    /// Quotient of two independent amounts, the divisor not negative. A divisor that may be zero leaves
    /// no upper bound; one that is zero leaves nothing known.
    pub fn over(&self, by: &Amount, what: &'static str) -> Amount {
        match by {
            Amount::Known(x) => self.divided(*x, what),
            Amount::Unknown(why) => Amount::Unknown(join(self.why(), why)),
            Amount::Range(divisor) => {
                let Span { low: bl, high: bh, why, .. } = &**divisor;
                let (Some(low), high) = (self.low(), self.high()) else {
                    return Amount::Unknown(join(self.why(), why));
                };
                let low = match bh {
                    Some(bh) if bh.is_positive() => low.div(*bh),
                    Some(_) => return Amount::unknown(Why::ZeroDenominator(what)),
                    None => Some(Exact::ZERO),
                };
                let Some(low) = low else { return Amount::unknown(Why::Range) };
                let high = if bl.is_positive() { high.and_then(|h| h.div(*bl)) } else { None };
                Amount::range(low, high, None, join(self.why(), why))
            }
        }
    }

    /// The same amount with one more reason; an exact amount stays exact.
    pub fn because(mut self, reason: Why) -> Amount {
        let why = match &mut self {
            Amount::Known(_) => return self,
            Amount::Range(span) => &mut span.why,
            Amount::Unknown(why) => why,
        };
        if !why.contains(&reason) {
            why.push(reason);
        }
        self
    }

    fn each_end(&self, f: impl Fn(Exact) -> Option<Exact>) -> Amount {
        match self {
            Amount::Known(x) => f(*x).map_or_else(|| Amount::unknown(Why::Range), Amount::Known),
            Amount::Unknown(why) => Amount::Unknown(why.clone()),
            Amount::Range(span) => {
                let Span { low, high, mean, why } = &**span;
                let Some(low) = f(*low) else { return Amount::unknown(Why::Range) };
                let high = match high {
                    Some(h) => match f(*h) {
                        Some(h) => Some(h),
                        None => return Amount::unknown(Why::Range),
                    },
                    None => None,
                };
                Amount::range(low, high, mean.and_then(&f), why.clone())
            }
        }
    }
}

/// Both lists, each reason once.
pub fn join(a: &[Why], b: &[Why]) -> Vec<Why> {
    let mut out = a.to_vec();
    for reason in b {
        if !out.contains(reason) {
            out.push(reason.clone());
        }
    }
    out
}
