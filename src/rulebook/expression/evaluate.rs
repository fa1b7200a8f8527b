//! Evaluation: exact amounts, ranges that hold every completion, Kleene's three truth values. The paths on which
//! everything is known allocate nothing.

use super::Scale;
use super::lower::{Node, Operation, Rounding, Test};
use super::template::shown;
use crate::amount::{Amount, Why, join};
use crate::exact::Exact;
use crate::rulebook::value::{Facts, Keys, Missing, Truth, Type, Value};
use std::borrow::Cow;
use std::cmp::Ordering;

/// Decimals of amounts in reasons.
const PLACES: u32 = 2;

/// The value of a node of this kind.
pub(super) fn value(node: &Node, kind: Type, facts: &dyn Facts, extra: &[Value]) -> Value {
    let order = Order { facts, extra };
    match kind {
        Type::Truth => Value::Truth(order.truth(node)),
        Type::Quantity(_) => match node {
            // The mean of a cycle is lost in arithmetic, not in naming a fact.
            Node::Fact(_) | Node::Extra(_) => match order.load(node).as_deref() {
                Some(Value::Quantity(amount)) if amount.low().is_some() => Value::Quantity(amount.clone()),
                _ => order.side(node).into_value(),
            },
            _ => order.side(node).into_value(),
        },
        Type::Word(_) => match order.word(node) {
            Ok(word) => Value::Word(word.into_owned()),
            Err(lack) => Value::Missing(lack.missing),
        },
        Type::Keys => match order.load(node) {
            Some(loaded) => loaded.into_owned(),
            None => Value::Missing(Vec::new()),
        },
    }
}

/// The truth of a node.
pub(super) fn truth(node: &Node, facts: &dyn Facts) -> Truth {
    Order { facts, extra: &[] }.truth(node)
}

/// The result of an operation on two exact amounts; `None` outside the range of the type or for a divisor of zero.
pub(super) fn computed(operation: Operation, x: Exact, y: Exact) -> Option<Exact> {
    match operation {
        Operation::Add => x.add(y),
        Operation::Subtract => x.sub(y),
        Operation::Multiply => x.mul(y),
        Operation::Divide => x.div(y),
    }
}

/// What stands in the way of a value.
#[derive(Clone, Debug, Default)]
struct Lack {
    missing: Vec<Missing>,
    why: Vec<Why>,
    words: Vec<String>,
}

impl Lack {
    fn because(why: Why) -> Box<Self> {
        Box::new(Self { why: vec![why], ..Self::default() })
    }

    fn of(missing: Vec<Missing>) -> Box<Self> {
        Box::new(Self { missing, ..Self::default() })
    }

    fn with(mut self: Box<Self>, other: Self) -> Box<Self> {
        for one in other.missing {
            if !self.missing.contains(&one) {
                self.missing.push(one);
            }
        }
        self.why = join(&self.why, &other.why);
        for word in other.words {
            if !self.words.contains(&word) {
                self.words.push(word);
            }
        }
        self
    }

    fn truth(self) -> Truth {
        let mut words = self.words;
        for reason in self.why {
            let text = reason.to_string();
            if !words.contains(&text) {
                words.push(text);
            }
        }
        Truth::Unknown { missing: self.missing, why: words }
    }
}

/// An amount between two ends; an end that is `None` is open.
#[derive(Clone, Debug)]
struct Span {
    low: Option<Exact>,
    high: Option<Exact>,
    why: Vec<Why>,
}

/// An amount during evaluation.
#[derive(Clone, Debug)]
enum Side {
    Known(Exact),
    Span(Box<Span>),
    Lack(Box<Lack>),
}

impl Side {
    fn of(amount: &Amount) -> Self {
        match amount {
            Amount::Known(x) => Self::Known(*x),
            Amount::Range(range) => {
                Self::Span(Box::new(Span { low: Some(range.low), high: range.high, why: range.why.clone() }))
            }
            Amount::Unknown(why) => Self::Lack(Box::new(Lack { why: why.clone(), ..Lack::default() })),
        }
    }

    fn range() -> Self {
        Self::Lack(Lack::because(Why::Range))
    }

    fn exact(x: Option<Exact>) -> Self {
        x.map_or_else(Self::range, Self::Known)
    }

    fn span(low: Option<Exact>, high: Option<Exact>, why: Vec<Why>) -> Self {
        match (low, high) {
            (None, None) => Self::Lack(Box::new(Lack { why, ..Lack::default() })),
            (Some(a), Some(b)) if a == b => Self::Known(a),
            _ => Self::Span(Box::new(Span { low, high, why })),
        }
    }

    fn into_value(self) -> Value {
        match self {
            Self::Known(x) => Value::Quantity(Amount::Known(x)),
            Self::Span(span) => Value::Quantity(match span.low {
                Some(low) => Amount::range(low, span.high, None, span.why),
                None => Amount::Unknown(span.why),
            }),
            Self::Lack(lack) if lack.missing.is_empty() => {
                let mut why = lack.why;
                why.extend(lack.words.into_iter().map(Why::Unreadable));
                Value::Quantity(Amount::Unknown(why))
            }
            Self::Lack(lack) => Value::Missing(lack.missing),
        }
    }

    fn low(&self) -> Option<Exact> {
        match self {
            Self::Known(x) => Some(*x),
            Self::Span(span) => span.low,
            Self::Lack(_) => None,
        }
    }

    fn high(&self) -> Option<Exact> {
        match self {
            Self::Known(x) => Some(*x),
            Self::Span(span) => span.high,
            Self::Lack(_) => None,
        }
    }

    fn why(&self) -> &[Why] {
        match self {
            Self::Known(_) => &[],
            Self::Span(span) => &span.why,
            Self::Lack(lack) => &lack.why,
        }
    }

    /// For a function that never falls where its argument grows.
    fn rising(self, f: impl Fn(Exact) -> Option<Exact>) -> Self {
        match self {
            Self::Known(x) => Self::exact(f(x)),
            Self::Span(span) => match (end(span.low, &f), end(span.high, &f)) {
                (Some(low), Some(high)) => Self::span(low, high, span.why),
                _ => Self::range(),
            },
            lack => lack,
        }
    }

    fn negative(self) -> Self {
        match self {
            Self::Known(x) => Self::Known(x.neg()),
            Self::Span(span) => Self::span(span.high.map(Exact::neg), span.low.map(Exact::neg), span.why),
            lack => lack,
        }
    }

    fn absolute(self) -> Self {
        match self {
            Self::Known(x) => Self::Known(x.abs()),
            Self::Span(span) => match (span.low, span.high) {
                (Some(low), _) if !low.is_negative() => Self::Span(span),
                (_, Some(high)) if !high.is_positive() => Self::Span(span).negative(),
                (low, high) => {
                    let far = low.zip(high).map(|(low, high)| low.abs().max(high.abs()));
                    Self::span(Some(Exact::ZERO), far, span.why)
                }
            },
            lack => lack,
        }
    }

    fn operated(self, operation: Operation, other: Self) -> Self {
        let (a, b) = match (self, other) {
            (Self::Known(x), Self::Known(y)) => {
                if operation == Operation::Divide && y.is_zero() {
                    return Self::Lack(Lack::because(Why::ZeroDenominator("the divisor")));
                }
                return Self::exact(computed(operation, x, y));
            }
            (Self::Lack(a), Self::Lack(b)) => return Self::Lack(a.with(*b)),
            (Self::Lack(lack), _) | (_, Self::Lack(lack)) => return Self::Lack(lack),
            (a, b) => (a, b),
        };
        let why = join(a.why(), b.why());
        let b = match operation {
            Operation::Add | Operation::Multiply => b,
            Operation::Subtract => b.negative(),
            Operation::Divide => {
                let apart = b.low().is_some_and(Exact::is_positive) || b.high().is_some_and(Exact::is_negative);
                if !apart {
                    return Self::Lack(
                        Lack::because(Why::ZeroDenominator("the divisor")).with(Lack { why, ..Lack::default() }),
                    );
                }
                // Away from zero the reciprocal falls; that of an open end comes as near to zero as one likes.
                let under = |x: Option<Exact>| x.map_or(Some(Exact::ZERO), |x| Exact::ONE.div(x));
                match (under(b.high()), under(b.low())) {
                    (Some(low), Some(high)) => Self::span(Some(low), Some(high), Vec::new()),
                    _ => return Self::range(),
                }
            }
        };
        let ends = match operation {
            Operation::Add | Operation::Subtract => {
                let sum = |x: Option<Exact>, y: Option<Exact>| match (x, y) {
                    (Some(x), Some(y)) => x.add(y).map(Some),
                    _ => Some(None),
                };
                sum(a.low(), b.low()).zip(sum(a.high(), b.high()))
            }
            Operation::Multiply | Operation::Divide => product((a.low(), a.high()), (b.low(), b.high())),
        };
        match ends {
            Some((low, high)) => Self::span(low, high, why),
            None => Self::range(),
        }
    }
}

/// An end of a range under a function; `None` outside the range of the type, `Some(None)` for an open end.
fn end(x: Option<Exact>, f: impl Fn(Exact) -> Option<Exact>) -> Option<Option<Exact>> {
    match x {
        Some(x) => f(x).map(Some),
        None => Some(None),
    }
}

/// A number or one of the two open ends.
#[derive(Clone, Copy)]
enum End {
    Below,
    At(Exact),
    Above,
}

impl End {
    fn sign(self) -> Ordering {
        match self {
            Self::Below => Ordering::Less,
            Self::At(x) => x.cmp(&Exact::ZERO),
            Self::Above => Ordering::Greater,
        }
    }

    /// The product; zero times an open end is zero, since the end itself is never reached.
    fn times(self, other: Self) -> Option<Self> {
        if let (Self::At(x), Self::At(y)) = (self, other) {
            return x.mul(y).map(Self::At);
        }
        Some(match (self.sign(), other.sign()) {
            (Ordering::Equal, _) | (_, Ordering::Equal) => Self::At(Exact::ZERO),
            (x, y) if x == y => Self::Above,
            _ => Self::Below,
        })
    }
}

type Ends = (Option<Exact>, Option<Exact>);

/// The ends of a product: the least and the greatest of the four products of ends.
fn product(a: Ends, b: Ends) -> Option<Ends> {
    let open = |(low, high): Ends| (low.map_or(End::Below, End::At), high.map_or(End::Above, End::At));
    let ((al, ah), (bl, bh)) = (open(a), open(b));
    let (mut low, mut high): (Option<End>, Option<End>) = (None, None);
    for corner in [al.times(bl)?, al.times(bh)?, ah.times(bl)?, ah.times(bh)?] {
        low = Some(match (low, corner) {
            (None, x) => x,
            (Some(End::Below), _) | (_, End::Below) => End::Below,
            (Some(End::Above), x) | (Some(x), End::Above) => x,
            (Some(End::At(x)), End::At(y)) => End::At(x.min(y)),
        });
        high = Some(match (high, corner) {
            (None, x) => x,
            (Some(End::Above), _) | (_, End::Above) => End::Above,
            (Some(End::Below), x) | (Some(x), End::Below) => x,
            (Some(End::At(x)), End::At(y)) => End::At(x.max(y)),
        });
    }
    let closed = |end: Option<End>| if let Some(End::At(x)) = end { Some(x) } else { None };
    Some((closed(low), closed(high)))
}

pub(super) fn whole(rounding: Rounding, x: Exact) -> Option<Exact> {
    Exact::whole(match rounding {
        Rounding::Down => x.floor(),
        Rounding::Up => x.ceil(),
        // Halves go up, below zero as well, so that the function never falls.
        Rounding::Nearest => x.add(Exact::ratio(1, 2))?.floor(),
    })
}

/// What is known of one order.
struct Order<'o> {
    facts: &'o dyn Facts,
    extra: &'o [Value],
}

impl<'o> Order<'o> {
    fn load(&self, node: &Node) -> Option<Cow<'o, Value>> {
        match node {
            Node::Fact(fact) => Some(match self.facts.held(*fact) {
                Some(value) => Cow::Borrowed(value),
                None => Cow::Owned(self.facts.value(*fact)),
            }),
            Node::Extra(index) => self.extra.get(*index).map(Cow::Borrowed),
            _ => None,
        }
    }

    /// What a value that is of no use here lacks.
    fn lack(&self, node: &Node, value: Option<&Value>) -> Box<Lack> {
        let why = match value {
            Some(Value::Missing(missing)) if !missing.is_empty() => return Lack::of(missing.clone()),
            // An amount of which nothing is known is missing, for its own reasons.
            Some(Value::Quantity(amount)) => {
                if !matches!(node, Node::Fact(_)) {
                    return Box::new(Lack { why: amount.why().to_vec(), ..Lack::default() });
                }
                amount.why().iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
            }
            _ => "not known".to_owned(),
        };
        match node {
            Node::Fact(fact) => Lack::of(vec![Missing { fact: *fact, why: why.into(), at: self.facts.places(*fact) }]),
            _ => Box::new(Lack { words: vec![why], ..Lack::default() }),
        }
    }

    fn truth(&self, node: &Node) -> Truth {
        match node {
            Node::Truth(true) => Truth::True,
            Node::Truth(false) => Truth::False,
            Node::Shared(_, inner) => self.truth(inner),
            Node::Fact(_) | Node::Extra(_) => match self.load(node).as_deref() {
                Some(Value::Truth(truth)) => truth.clone(),
                other => self.lack(node, other).truth(),
            },
            Node::Not(inner) => match self.truth(inner) {
                Truth::True => Truth::False,
                Truth::False => Truth::True,
                unknown => unknown,
            },
            Node::All(parts) => self.connected(parts, &Truth::False, Truth::True),
            Node::Any(parts) => self.connected(parts, &Truth::True, Truth::False),
            Node::Compare { test, sides, unit } => {
                let (a, b) = (self.side(&sides.0), self.side(&sides.1));
                compare(*test, a, b, unit.as_deref())
            }
            Node::SameTruth(sides) => match (self.truth(&sides.0), self.truth(&sides.1)) {
                (a @ Truth::Unknown { .. }, b) | (b, a @ Truth::Unknown { .. }) => unknown(a, b),
                (a, b) => said(a == b),
            },
            Node::SameWord(sides) => match (self.word(&sides.0), self.word(&sides.1)) {
                (Ok(a), Ok(b)) => said(a == b),
                (Err(a), Err(b)) => a.with(*b).truth(),
                (Err(lack), Ok(_)) | (Ok(_), Err(lack)) => lack.truth(),
            },
            Node::OneOf(subject, words) => match self.word(subject) {
                Ok(word) => said(words.iter().any(|w| *w == *word)),
                Err(lack) => lack.truth(),
            },
            Node::Holds(set, key) => match self.load(set).as_deref() {
                Some(Value::Keys(keys)) => match holds(keys, key) {
                    Some(held) => said(held),
                    None => {
                        let why = format!("whether `{key}` is among them is not known");
                        match **set {
                            Node::Fact(fact) => {
                                Lack::of(vec![Missing { fact, why: why.into(), at: self.facts.places(fact) }]).truth()
                            }
                            _ => Truth::Unknown { missing: Vec::new(), why: vec![why] },
                        }
                    }
                },
                other => self.lack(set, other).truth(),
            },
            Node::Known(fact) => said(match self.load(&Node::Fact(*fact)).as_deref() {
                Some(Value::Missing(_) | Value::Quantity(Amount::Unknown(_)) | Value::Truth(Truth::Unknown { .. }))
                | None => false,
                Some(_) => true,
            }),
            Node::Choice(parts) => match self.truth(&parts.0) {
                Truth::True => self.truth(&parts.1),
                Truth::False => self.truth(&parts.2),
                open => match (self.truth(&parts.1), self.truth(&parts.2)) {
                    (Truth::True, Truth::True) => Truth::True,
                    (Truth::False, Truth::False) => Truth::False,
                    _ => open,
                },
            },
            _ => Truth::Unknown { missing: Vec::new(), why: vec!["not true or false".to_owned()] },
        }
    }

    fn connected(&self, parts: &[Node], settles: &Truth, otherwise: Truth) -> Truth {
        let mut open: Option<Truth> = None;
        for part in parts {
            match self.truth(part) {
                truth if truth == *settles => return truth,
                truth @ Truth::Unknown { .. } => {
                    open = Some(match open {
                        None => truth,
                        Some(before) => unknown(before, truth),
                    });
                }
                _ => {}
            }
        }
        open.unwrap_or(otherwise)
    }

    fn word(&self, node: &Node) -> Result<Cow<'o, str>, Box<Lack>> {
        match node {
            Node::Choice(parts) => match self.truth(&parts.0) {
                Truth::True => self.word(&parts.1),
                Truth::False => self.word(&parts.2),
                Truth::Unknown { missing, why } => match (self.word(&parts.1), self.word(&parts.2)) {
                    (Ok(a), Ok(b)) if a == b => Ok(a),
                    _ => Err(Box::new(Lack { missing, words: why, ..Lack::default() })),
                },
            },
            _ => match self.load(node) {
                Some(Cow::Borrowed(Value::Word(word))) => Ok(Cow::Borrowed(word)),
                Some(Cow::Owned(Value::Word(word))) => Ok(Cow::Owned(word)),
                other => Err(self.lack(node, other.as_deref())),
            },
        }
    }

    fn side(&self, node: &Node) -> Side {
        match node {
            Node::Amount(x) => Side::Known(*x),
            Node::Fact(_) | Node::Extra(_) => match self.load(node).as_deref() {
                Some(Value::Quantity(amount)) if amount.low().is_some() => Side::of(amount),
                other => Side::Lack(self.lack(node, other)),
            },
            Node::Arithmetic(operation, sides) => self.side(&sides.0).operated(*operation, self.side(&sides.1)),
            Node::Negative(inner) => self.side(inner).negative(),
            Node::Absolute(inner) => self.side(inner).absolute(),
            Node::Least(parts) => self.extreme(parts, true),
            Node::Greatest(parts) => self.extreme(parts, false),
            Node::Whole(rounding, inner) => self.side(inner).rising(|x| whole(*rounding, x)),
            Node::Multiple(rounding, sides) => {
                let (x, step) = (self.side(&sides.0), self.side(&sides.1));
                match (x, step) {
                    (Side::Lack(a), Side::Lack(b)) => Side::Lack(a.with(*b)),
                    (Side::Lack(lack), _) | (_, Side::Lack(lack)) => Side::Lack(lack),
                    (x, Side::Known(step)) if step.is_positive() => {
                        x.rising(|x| whole(*rounding, x.div(step)?)?.mul(step))
                    }
                    (_, Side::Known(_)) => Side::Lack(Lack::because(Why::ZeroDenominator("the step"))),
                    (_, Side::Span(span)) => Side::Lack(Box::new(Lack {
                        why: span.why,
                        words: vec!["the step is not one number".to_owned()],
                        missing: Vec::new(),
                    })),
                }
            }
            Node::Choice(parts) => match self.truth(&parts.0) {
                Truth::True => self.side(&parts.1),
                Truth::False => self.side(&parts.2),
                Truth::Unknown { missing, why } => match (self.side(&parts.1), self.side(&parts.2)) {
                    (Side::Known(a), Side::Known(b)) if a == b => Side::Known(a),
                    // Without a missing fact to name, either is possible.
                    (a, b) if missing.is_empty() && !matches!((&a, &b), (Side::Lack(_), _) | (_, Side::Lack(_))) => {
                        let mut reasons = join(a.why(), b.why());
                        reasons.extend(why.into_iter().map(Why::Spread));
                        let low = a.low().zip(b.low()).map(|(a, b)| a.min(b));
                        let high = a.high().zip(b.high()).map(|(a, b)| a.max(b));
                        Side::span(low, high, reasons)
                    }
                    (a, b) => {
                        let mut lack = Box::new(Lack { missing, words: why, ..Lack::default() });
                        for side in [a, b] {
                            if let Side::Lack(other) = side {
                                lack = lack.with(*other);
                            }
                        }
                        Side::Lack(lack)
                    }
                },
            },
            _ => Side::Lack(Lack::because(Why::Unreadable("not an amount".to_owned()))),
        }
    }

    fn extreme(&self, parts: &[Node], least: bool) -> Side {
        let mut so_far: Option<Side> = None;
        for part in parts {
            let next = self.side(part);
            so_far = Some(match (so_far, next) {
                (None, next) => next,
                (Some(Side::Known(a)), Side::Known(b)) => Side::Known(if least { a.min(b) } else { a.max(b) }),
                (Some(Side::Lack(a)), Side::Lack(b)) => Side::Lack(a.with(*b)),
                (Some(Side::Lack(lack)), _) | (Some(_), Side::Lack(lack)) => Side::Lack(lack),
                (Some(a), b) => {
                    let why = join(a.why(), b.why());
                    let pick = |x: Option<Exact>, y: Option<Exact>, open_wins: bool| match (x, y) {
                        (Some(x), Some(y)) => Some(if least { x.min(y) } else { x.max(y) }),
                        (one, other) => (!open_wins).then_some(one.or(other)).flatten(),
                    };
                    // An open end below decides the least, an open end above the greatest.
                    Side::span(pick(a.low(), b.low(), least), pick(a.high(), b.high(), !least), why)
                }
            });
        }
        so_far.unwrap_or_else(Side::range)
    }
}

fn said(truth: bool) -> Truth {
    if truth { Truth::True } else { Truth::False }
}

/// Two truths of which at least one is unknown.
fn unknown(a: Truth, b: Truth) -> Truth {
    match (a, b) {
        (Truth::Unknown { mut missing, mut why }, Truth::Unknown { missing: more, why: reasons }) => {
            for one in more {
                if !missing.contains(&one) {
                    missing.push(one);
                }
            }
            for reason in reasons {
                if !why.contains(&reason) {
                    why.push(reason);
                }
            }
            Truth::Unknown { missing, why }
        }
        (open @ Truth::Unknown { .. }, _) | (_, open) => open,
    }
}

pub(super) fn holds(keys: &Keys, key: &str) -> Option<bool> {
    if keys.present.iter().any(|k| k == key) {
        return Some(true);
    }
    (keys.complete || keys.absent.iter().any(|k| k == key)).then_some(false)
}

fn compare(test: Test, a: Side, b: Side, unit: Option<&Scale>) -> Truth {
    match (&a, &b) {
        (Side::Known(x), Side::Known(y)) => return said(test.holds(x.cmp(y))),
        (Side::Lack(_), _) | (_, Side::Lack(_)) => {
            return match (a, b) {
                (Side::Lack(a), Side::Lack(b)) => a.with(*b).truth(),
                (Side::Lack(lack), _) | (_, Side::Lack(lack)) => lack.truth(),
                _ => Truth::Unknown { missing: Vec::new(), why: Vec::new() },
            };
        }
        _ => {}
    }
    let (al, ah, bl, bh) = (a.low(), a.high(), b.low(), b.high());
    let below = |x: Option<Exact>, y: Option<Exact>| x.zip(y).is_none_or(|(x, y)| x < y);
    let reaches = |x: Option<Exact>, y: Option<Exact>| x.zip(y).is_none_or(|(x, y)| x <= y);
    let (mut yes, mut no) = (false, false);
    for (possible, order) in [
        (below(al, bh), Ordering::Less),
        (reaches(al, bh) && reaches(bl, ah), Ordering::Equal),
        (below(bl, ah), Ordering::Greater),
    ] {
        if possible {
            if test.holds(order) { yes = true } else { no = true }
        }
    }
    match (yes, no) {
        (true, false) => Truth::True,
        (false, true) => Truth::False,
        _ => Truth::Unknown { missing: Vec::new(), why: vec![cut(&a, &b, unit)] },
    }
}

/// Why a comparison cannot be decided.
fn cut(a: &Side, b: &Side, unit: Option<&Scale>) -> String {
    let text = |side: &Side| -> String {
        let amount = match side {
            Side::Known(x) => Some(Amount::Known(*x)),
            Side::Span(span) => span.low.map(|low| Amount::range(low, span.high, None, vec![])),
            Side::Lack(_) => None,
        };
        // Without a unit the figures would be in base units, which nobody reads.
        amount.and_then(|amount| unit.and_then(|unit| shown(&amount, Some(unit), PLACES))).unwrap_or_default()
    };
    let spaced = |text: String| if text.is_empty() { text } else { format!(" {text}") };
    let mut out = match (a, b) {
        (Side::Known(_), _) => format!("the bound{} lies within the range{}", spaced(text(a)), spaced(text(b))),
        (_, Side::Known(_)) => format!("the bound{} lies within the range{}", spaced(text(b)), spaced(text(a))),
        _ => format!("the range{} overlaps the range{}", spaced(text(a)), spaced(text(b))),
    };
    let reasons: Vec<String> = join(a.why(), b.why()).iter().map(ToString::to_string).collect();
    if !reasons.is_empty() {
        out.push_str(&format!(" ({})", reasons.join("; ")));
    }
    out
}
