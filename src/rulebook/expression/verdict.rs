//! The same evaluation without its reasons: most limits of most orders are decided, or lack context that nobody
//! sends, and nobody reads why. It copies and allocates nothing; what it leaves to the full evaluation it says.

use super::evaluate::{computed, holds, whole};
use super::lower::{Node, Operation, Test};
use crate::amount::Amount;
use crate::exact::Exact;
use crate::rulebook::facts::FACTS;
use crate::rulebook::value::{Facts, Missing, Need, Truth, Value};
use crate::settings::ContextKind;
use std::cell::Cell;
use std::cmp::Ordering;
use std::collections::BTreeSet;

/// What keeps a condition or an amount open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Gap {
    /// Nothing but context of kinds that the sender does not declare, this kind first.
    Undeclared(ContextKind),
    /// Anything else, or more than is decided here: the full evaluation tells.
    Other,
}

impl Gap {
    /// Both; the first names the kind.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        if other == Self::Other { other } else { self }
    }
}

/// A truth value without its reasons.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Verdict {
    /// Surely.
    True,
    /// Surely not.
    False,
    /// Cannot be said, or not here.
    Open(Gap),
}

/// An amount without its reasons, in base units.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Extent {
    /// Exactly this.
    Known(Exact),
    /// From the first to the second, which may be open.
    Span(Exact, Option<Exact>),
    /// Not known, or not here.
    Open(Gap),
}

impl Extent {
    const OTHER: Self = Self::Open(Gap::Other);

    /// Both ends.
    ///
    /// # Errors
    /// What keeps it open.
    fn ends(self) -> Result<(Exact, Option<Exact>), Gap> {
        match self {
            Self::Known(x) => Ok((x, Some(x))),
            Self::Span(low, high) => Ok((low, high)),
            Self::Open(gap) => Err(gap),
        }
    }
}

/// What is kept while one order is judged.
pub struct Sitting<'d> {
    declared: &'d BTreeSet<ContextKind>,
    /// Verdicts on the conditions that stand in more than one place, by their numbers.
    shared: Box<[Cell<Option<Verdict>>]>,
}

impl<'d> Sitting<'d> {
    /// For one order: the kinds of context that the sender declares, and how many conditions of the book stand in
    /// more than one place.
    pub fn new(declared: &'d BTreeSet<ContextKind>, shared: usize) -> Self {
        Self { declared, shared: vec![Cell::new(None); shared].into() }
    }
}

/// What is known of one order.
#[derive(Clone, Copy)]
pub(super) struct Quick<'o> {
    pub facts: &'o dyn Facts,
    pub sitting: &'o Sitting<'o>,
    /// Values of further names, as for [`super::Expression::evaluate`].
    pub extra: &'o [Value],
}

impl<'o> Quick<'o> {
    fn missing(self, missing: &[Missing]) -> Gap {
        let mut first = None;
        for m in missing {
            match FACTS.get(m.fact).map(|f| f.need) {
                Some(Need::Context(kind)) if m.at.is_empty() && !self.sitting.declared.contains(&kind) => {
                    first = first.or(Some(kind));
                }
                _ => return Gap::Other,
            }
        }
        first.map_or(Gap::Other, Gap::Undeclared)
    }

    fn held(self, node: &Node) -> Option<&'o Value> {
        match node {
            Node::Fact(fact) => self.facts.held(*fact),
            Node::Extra(nth) => self.extra.get(*nth),
            _ => None,
        }
    }

    /// Why a value is of no use here.
    fn gap(self, value: Option<&Value>) -> Gap {
        if let Some(Value::Missing(missing)) = value { self.missing(missing) } else { Gap::Other }
    }

    #[inline]
    pub(super) fn verdict(self, node: &Node) -> Verdict {
        let Node::Shared(number, condition) = node else { return self.judged(node) };
        let Some(known) = self.sitting.shared.get(*number) else { return self.judged(condition) };
        known.get().unwrap_or_else(|| {
            let verdict = self.judged(condition);
            known.set(Some(verdict));
            verdict
        })
    }

    fn judged(self, node: &Node) -> Verdict {
        match node {
            Node::Truth(truth) => said(*truth),
            Node::Shared(..) => self.verdict(node),
            Node::Fact(_) => match self.held(node) {
                Some(Value::Truth(Truth::True)) => Verdict::True,
                Some(Value::Truth(Truth::False)) => Verdict::False,
                Some(Value::Truth(Truth::Unknown { missing, why })) if why.is_empty() => {
                    Verdict::Open(self.missing(missing))
                }
                other => Verdict::Open(self.gap(other)),
            },
            Node::Not(inner) => match self.verdict(inner) {
                Verdict::True => Verdict::False,
                Verdict::False => Verdict::True,
                open => open,
            },
            Node::All(parts) => self.connected(parts, Verdict::False, Verdict::True),
            Node::Any(parts) => self.connected(parts, Verdict::True, Verdict::False),
            Node::Compare { test, sides, .. } => match (self.exact(&sides.0), self.exact(&sides.1)) {
                (Some(a), Some(b)) => said(test.holds(a.cmp(b))),
                _ => compare(*test, self.extent(&sides.0), self.extent(&sides.1)),
            },
            Node::SameTruth(sides) => match (self.verdict(&sides.0), self.verdict(&sides.1)) {
                (Verdict::Open(a), Verdict::Open(b)) => Verdict::Open(a.and(b)),
                (open @ Verdict::Open(_), _) | (_, open @ Verdict::Open(_)) => open,
                (a, b) => said(a == b),
            },
            Node::SameWord(sides) => match (self.word(&sides.0), self.word(&sides.1)) {
                (Ok(a), Ok(b)) => said(a == b),
                (Err(a), Err(b)) => Verdict::Open(a.and(b)),
                (Err(gap), Ok(_)) | (Ok(_), Err(gap)) => Verdict::Open(gap),
            },
            Node::OneOf(subject, words) => match self.word(subject) {
                Ok(word) => said(words.iter().any(|w| w == word)),
                Err(gap) => Verdict::Open(gap),
            },
            Node::Holds(set, key) => match self.held(set) {
                Some(Value::Keys(keys)) => holds(keys, key).map_or(Verdict::Open(Gap::Other), said),
                other => Verdict::Open(self.gap(other)),
            },
            Node::Known(fact) => match self.facts.held(*fact) {
                None => Verdict::Open(Gap::Other),
                Some(Value::Missing(_) | Value::Quantity(Amount::Unknown(_)) | Value::Truth(Truth::Unknown { .. })) => {
                    Verdict::False
                }
                Some(_) => Verdict::True,
            },
            Node::Choice(parts) => match self.verdict(&parts.0) {
                Verdict::True => self.verdict(&parts.1),
                Verdict::False => self.verdict(&parts.2),
                open => match (self.verdict(&parts.1), self.verdict(&parts.2)) {
                    (Verdict::True, Verdict::True) => Verdict::True,
                    (Verdict::False, Verdict::False) => Verdict::False,
                    // Where a branch is left to the full evaluation, the two may come to the same after all.
                    (Verdict::Open(Gap::Other), _) | (_, Verdict::Open(Gap::Other)) => Verdict::Open(Gap::Other),
                    _ => open,
                },
            },
            _ => Verdict::Open(Gap::Other),
        }
    }

    fn connected(self, parts: &[Node], settles: Verdict, otherwise: Verdict) -> Verdict {
        let mut open: Option<Gap> = None;
        for part in parts {
            match self.verdict(part) {
                verdict if verdict == settles => return verdict,
                Verdict::Open(gap) => open = Some(open.map_or(gap, |before| before.and(gap))),
                _ => {}
            }
        }
        open.map_or(otherwise, Verdict::Open)
    }

    fn word(self, node: &Node) -> Result<&'o str, Gap> {
        match self.held(node) {
            Some(Value::Word(word)) => Ok(word),
            other => Err(self.gap(other)),
        }
    }

    /// An amount that stands there as it is, without a copy.
    fn exact<'n>(self, node: &'n Node) -> Option<&'n Exact>
    where
        'o: 'n,
    {
        match node {
            Node::Amount(x) => Some(x),
            Node::Fact(_) | Node::Extra(_) => match self.held(node) {
                Some(Value::Quantity(Amount::Known(x))) => Some(x),
                _ => None,
            },
            _ => None,
        }
    }

    /// Whether a measure lies surely beyond a bound, surely not, or neither.
    pub(super) fn beyond(self, measure: &Node, bound: &Node, above: bool) -> Verdict {
        if let (Some(m), Some(b)) = (self.exact(measure), self.exact(bound)) {
            return said(if above { m > b } else { m < b });
        }
        match (self.extent(measure).ends(), self.extent(bound).ends()) {
            (Ok((low, high)), Ok((bound_low, bound_high))) => {
                let (surely, maybe) = if above {
                    (bound_high.is_some_and(|b| low > b), high.is_none_or(|m| m > bound_low))
                } else {
                    (high.is_some_and(|m| m < bound_low), bound_high.is_none_or(|b| low < b))
                };
                match (surely, maybe) {
                    (true, _) => Verdict::True,
                    (false, false) => Verdict::False,
                    (false, true) => Verdict::Open(Gap::Other),
                }
            }
            (Err(a), Err(b)) => Verdict::Open(a.and(b)),
            (Err(gap), _) | (_, Err(gap)) => Verdict::Open(gap),
        }
    }

    fn extent(self, node: &Node) -> Extent {
        match node {
            Node::Amount(x) => Extent::Known(*x),
            Node::Fact(_) | Node::Extra(_) => match self.held(node) {
                Some(Value::Quantity(Amount::Known(x))) => Extent::Known(*x),
                Some(Value::Quantity(Amount::Range(span))) => Extent::Span(span.low, span.high),
                other => Extent::Open(self.gap(other)),
            },
            Node::Arithmetic(operation, sides) => match (self.exact(&sides.0), self.exact(&sides.1)) {
                (Some(a), Some(b)) => of_exact(*operation, *a, *b).map_or(Extent::OTHER, Extent::Known),
                _ => operated(*operation, self.extent(&sides.0), self.extent(&sides.1)),
            },
            Node::Negative(inner) => one(self.extent(inner), |x| Some(x.neg())),
            Node::Absolute(inner) => one(self.extent(inner), |x| Some(x.abs())),
            Node::Whole(rounding, inner) => one(self.extent(inner), |x| whole(*rounding, x)),
            Node::Least(parts) => self.extreme(parts, Exact::min),
            Node::Greatest(parts) => self.extreme(parts, Exact::max),
            Node::Choice(parts) => match self.verdict(&parts.0) {
                Verdict::True => self.extent(&parts.1),
                Verdict::False => self.extent(&parts.2),
                Verdict::Open(_) => Extent::OTHER,
            },
            _ => Extent::OTHER,
        }
    }

    fn extreme(self, parts: &[Node], pick: fn(Exact, Exact) -> Exact) -> Extent {
        let mut so_far: Option<Extent> = None;
        for part in parts {
            let next = self.extent(part);
            so_far = Some(match so_far {
                None => next,
                Some(before) => both(before, next, |x, y| Some(pick(x, y))),
            });
        }
        so_far.unwrap_or(Extent::OTHER)
    }
}

fn said(truth: bool) -> Verdict {
    if truth { Verdict::True } else { Verdict::False }
}

/// A function of one exact amount; ranges are left to the full evaluation.
fn one(x: Extent, f: impl Fn(Exact) -> Option<Exact>) -> Extent {
    match x {
        Extent::Known(x) => f(x).map_or(Extent::OTHER, Extent::Known),
        Extent::Span(..) => Extent::OTHER,
        open @ Extent::Open(_) => open,
    }
}

/// A function of two exact amounts.
fn both(a: Extent, b: Extent, f: impl Fn(Exact, Exact) -> Option<Exact>) -> Extent {
    match (a, b) {
        (Extent::Known(x), Extent::Known(y)) => f(x, y).map_or(Extent::OTHER, Extent::Known),
        (Extent::Open(a), Extent::Open(b)) => Extent::Open(a.and(b)),
        (open @ Extent::Open(_), _) | (_, open @ Extent::Open(_)) => open,
        _ => Extent::OTHER,
    }
}

fn operated(operation: Operation, a: Extent, b: Extent) -> Extent {
    both(a, b, |x, y| of_exact(operation, x, y))
}

/// The result on two exact amounts; `None` for a divisor of zero as well.
fn of_exact(operation: Operation, x: Exact, y: Exact) -> Option<Exact> {
    if operation == Operation::Divide && y.is_zero() { None } else { computed(operation, x, y) }
}

fn compare(test: Test, a: Extent, b: Extent) -> Verdict {
    let ((a_low, a_high), (b_low, b_high)) = match (a, b) {
        (Extent::Known(x), Extent::Known(y)) => return said(test.holds(x.cmp(&y))),
        _ => match (a.ends(), b.ends()) {
            (Ok(a), Ok(b)) => (a, b),
            (Err(a), Err(b)) => return Verdict::Open(a.and(b)),
            (Err(gap), _) | (_, Err(gap)) => return Verdict::Open(gap),
        },
    };
    let (mut yes, mut no) = (false, false);
    let overlap = b_high.is_none_or(|b| a_low <= b) && a_high.is_none_or(|a| b_low <= a);
    for (possible, order) in [
        (b_high.is_none_or(|b| a_low < b), Ordering::Less),
        (overlap, Ordering::Equal),
        (a_high.is_none_or(|a| b_low < a), Ordering::Greater),
    ] {
        if possible {
            if test.holds(order) { yes = true } else { no = true }
        }
    }
    match (yes, no) {
        (true, false) => Verdict::True,
        (false, true) => Verdict::False,
        _ => Verdict::Open(Gap::Other),
    }
}
