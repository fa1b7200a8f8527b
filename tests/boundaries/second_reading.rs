//! A second reading of limits: conditions are taken apart at their text, numbers are compared here with the operator
//! as written, and truth values are joined here. Only the sides of a comparison, and conditions that compare no
//! numbers, are evaluated by the program. What the limit must come to follows.

use enteral_gate::amount::Amount;
use enteral_gate::exact::Exact;
use enteral_gate::rulebook::expression::{Expression, Names, Term, Wanted};
use enteral_gate::rulebook::facts::FACTS;
use enteral_gate::rulebook::value::{Facts, Truth, Value};
use enteral_gate::rulebook::{Bound, Limit};
use std::cmp::Ordering;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Operator {
    Below,
    AtMost,
    Above,
    AtLeast,
}

impl Operator {
    fn holds(self, order: Ordering) -> bool {
        match self {
            Operator::Below => order == Ordering::Less,
            Operator::AtMost => order != Ordering::Greater,
            Operator::Above => order == Ordering::Greater,
            Operator::AtLeast => order != Ordering::Less,
        }
    }
}

/// Two amounts compared, as the rulebook writes it.
pub struct Comparison {
    pub text: String,
    pub left: Expression,
    pub right: Expression,
    pub operator: Operator,
    /// Whether it is the measure of a check against its bound.
    pub measure: bool,
}

enum Condition {
    Always,
    Compare(usize),
    All(Vec<Condition>),
    Any(Vec<Condition>),
    Not(Box<Condition>),
    /// No numbers are compared.
    Whole(Box<Expression>),
}

impl Condition {
    fn holds_comparison(&self, nth: usize) -> bool {
        match self {
            Condition::Compare(at) => *at == nth,
            Condition::All(all) | Condition::Any(all) => all.iter().any(|c| c.holds_comparison(nth)),
            Condition::Not(one) => one.holds_comparison(nth),
            Condition::Always | Condition::Whole(_) => false,
        }
    }
}

impl Comparison {
    /// The comparison with the figures of two orders, in the unit in which people read them.
    pub fn shown(&self, [l, r, m, s]: [Exact; 4]) -> String {
        let unit = self.left.unit().or(self.right.unit());
        let in_unit = |value: Exact| match unit {
            Some(unit) => format!("{} {}", unit.from_base(value).map_or("?".to_owned(), |v| v.short(7)), unit.code),
            None => value.short(12),
        };
        format!("{}: {} to {}, {} to {}", self.text, in_unit(l), in_unit(r), in_unit(m), in_unit(s))
    }
}

/// A limit taken apart.
pub struct Reading {
    pub comparisons: Vec<Comparison>,
    scope: Condition,
    checks: Vec<(Condition, Condition)>,
}

/// Both sides of a comparison for one order, in base units.
pub type Sides = Option<(Exact, Exact)>;

/// One limit read for one order.
pub struct Read {
    pub in_scope: Option<bool>,
    /// Per check, whether it finds something.
    pub finds: Vec<Option<bool>>,
    /// Every check of which that is open for its condition alone finds nothing whatever that comes to.
    pub within: bool,
    /// Per comparison, both sides where both are known.
    pub sides: Vec<Sides>,
    /// Per comparison, its truth.
    pub truths: Vec<Option<bool>>,
}

impl Read {
    /// What the limit must come to where it is in scope.
    pub fn flagged(&self) -> Option<bool> {
        any(self.finds.iter().copied())
    }
}

fn any(all: impl Iterator<Item = Option<bool>>) -> Option<bool> {
    let mut open = false;
    for one in all {
        match one {
            Some(true) => return Some(true),
            Some(false) => {}
            None => open = true,
        }
    }
    (!open).then_some(false)
}

impl Reading {
    pub fn of(limit: &Limit) -> Self {
        let mut out = Self { comparisons: Vec::new(), scope: Condition::Always, checks: Vec::new() };
        if let Some(scope) = &limit.scope {
            out.scope = out.condition(&scope.text, limit);
        }
        for check in &limit.checks {
            let when = match &check.when {
                Some(when) => out.condition(&when.text, limit),
                None => Condition::Always,
            };
            let finds = match (&check.measure, &check.bound) {
                (_, Bound::When(flag)) => out.condition(&flag.text, limit),
                (Some(measure), Bound::Above(bound)) => out.compare(measure, Operator::Above, bound, true),
                (Some(measure), Bound::Below(bound)) => out.compare(measure, Operator::Below, bound, true),
                (None, _) => panic!("{}: a check without a measure", limit.rule.id),
            };
            out.checks.push((when, finds));
        }
        out
    }

    fn compare(&mut self, left: &Expression, operator: Operator, right: &Expression, measure: bool) -> Condition {
        let sign = match operator {
            Operator::Below => "<",
            Operator::AtMost => "<=",
            Operator::Above => ">",
            Operator::AtLeast => ">=",
        };
        let text = format!("{} {sign} {}", left.text.trim(), right.text.trim());
        let there = self.comparisons.iter().position(|c| c.text == text && c.measure == measure);
        Condition::Compare(there.unwrap_or_else(|| {
            self.comparisons.push(Comparison { text, left: left.clone(), right: right.clone(), operator, measure });
            self.comparisons.len() - 1
        }))
    }

    fn condition(&mut self, text: &str, limit: &Limit) -> Condition {
        let text = text.trim();
        // A part with a name is read where it stands.
        if let Some(term) = limit.terms.iter().find(|term| term.name == text) {
            return self.condition(&term.text, limit);
        }
        let terms: Vec<Term> = limit.terms.iter().cloned().map(Term::from).collect();
        let parameters = &limit.parameters;
        let names = Names { facts: FACTS, parameters, extra: &[], terms: &terms, phrases: &[] };
        let top = top_level(text);
        if !top.iter().any(|(_, sign)| *sign == "?") {
            for (sign, join) in [("||", Condition::Any as fn(Vec<Condition>) -> Condition), ("&&", Condition::All)] {
                if top.iter().any(|(_, s)| *s == sign) {
                    let parts = split(text, &top, sign);
                    return join(parts.into_iter().map(|part| self.condition(part, limit)).collect());
                }
            }
            if let Some(inner) = text.strip_prefix('(').and_then(|t| t.strip_suffix(')')).filter(|_| top.is_empty())
                && closes_at_the_end(text)
            {
                return self.condition(inner, limit);
            }
            if let Some(rest) = text.strip_prefix('!') {
                return Condition::Not(Box::new(self.condition(rest, limit)));
            }
            if let [(at, sign)] = top.as_slice() {
                let operator = match *sign {
                    "<" => Some(Operator::Below),
                    "<=" => Some(Operator::AtMost),
                    ">" => Some(Operator::Above),
                    ">=" => Some(Operator::AtLeast),
                    _ => None,
                };
                let side = |text| Expression::compile(text, &names, Wanted::Quantity(None));
                if let (Some(operator), Ok(left), Ok(right)) =
                    (operator, side(&text[..*at]), side(&text[at + sign.len()..]))
                {
                    return self.compare(&left, operator, &right, false);
                }
            }
        }
        let whole = Expression::compile(text, &names, Wanted::Truth).unwrap_or_else(|all| panic!("{text}: {all:?}"));
        Condition::Whole(Box::new(whole))
    }

    /// Whether a check compares numbers.
    pub fn compares(&self, check: usize) -> bool {
        (0..self.comparisons.len()).any(|nth| self.concerns(check, nth))
    }

    /// Whether a comparison is part of a check.
    pub fn concerns(&self, check: usize, comparison: usize) -> bool {
        let (when, finds) = &self.checks[check];
        when.holds_comparison(comparison) || finds.holds_comparison(comparison)
    }

    /// The limit for one order.
    pub fn read(&self, facts: &dyn Facts) -> Read {
        let (mut sides, mut truths) = (Vec::new(), Vec::new());
        for comparison in &self.comparisons {
            let (left, right) = (comparison.left.evaluate(facts, &[]), comparison.right.evaluate(facts, &[]));
            let (Value::Quantity(left), Value::Quantity(right)) = (left, right) else {
                sides.push(None);
                truths.push(None);
                continue;
            };
            sides.push(left.known().zip(right.known()));
            truths.push(truth(comparison.operator, &left, &right));
        }
        let resolve = |c: &Condition| resolve(c, &truths, facts);
        let finds = self
            .checks
            .iter()
            .map(|(when, finds)| match resolve(when) {
                Some(true) => resolve(finds),
                other => other,
            })
            .collect();
        let within = self.checks.iter().all(|(when, finds)| resolve(when).is_some() || resolve(finds) == Some(false));
        Read { within, in_scope: resolve(&self.scope), finds, sides, truths }
    }
}

/// True or false where every completion of both amounts says the same.
fn truth(operator: Operator, left: &Amount, right: &Amount) -> Option<bool> {
    let ends = |a: &Amount| Some((a.low()?, a.high()?));
    let ((a, b), (c, d)) = (ends(left)?, ends(right)?);
    let all = [a.cmp(&c), a.cmp(&d), b.cmp(&c), b.cmp(&d)].map(|o| operator.holds(o));
    all.iter().all(|x| *x == all[0]).then_some(all[0])
}

fn resolve(condition: &Condition, truths: &[Option<bool>], facts: &dyn Facts) -> Option<bool> {
    let not = |x: Option<bool>| x.map(|x| !x);
    match condition {
        Condition::Always => Some(true),
        Condition::Compare(at) => truths[*at],
        Condition::Any(all) => any(all.iter().map(|c| resolve(c, truths, facts))),
        Condition::All(all) => not(any(all.iter().map(|c| not(resolve(c, truths, facts))))),
        Condition::Not(one) => not(resolve(one, truths, facts)),
        Condition::Whole(expression) => match expression.holds(facts) {
            Truth::True => Some(true),
            Truth::False => Some(false),
            Truth::Unknown { .. } => None,
        },
    }
}

/// Signs outside brackets and quotes, with their places.
fn top_level(text: &str) -> Vec<(usize, &'static str)> {
    const SIGNS: [&str; 9] = ["||", "&&", "<=", ">=", "==", "!=", "<", ">", "?"];
    let (mut out, mut depth, mut quoted, mut at) = (Vec::new(), 0_i32, false, 0);
    while at < text.len() {
        let rest = &text[at..];
        let c = rest.chars().next().unwrap_or(' ');
        match c {
            '\'' => quoted = !quoted,
            '(' | '[' if !quoted => depth += 1,
            ')' | ']' if !quoted => depth -= 1,
            _ if quoted || depth > 0 => {}
            _ => {
                if let Some(sign) = SIGNS.into_iter().find(|sign| rest.starts_with(sign)) {
                    out.push((at, sign));
                    at += sign.len();
                    continue;
                }
            }
        }
        at += c.len_utf8();
    }
    out
}

fn split<'t>(text: &'t str, top: &[(usize, &str)], sign: &str) -> Vec<&'t str> {
    let (mut out, mut from) = (Vec::new(), 0);
    for (at, _) in top.iter().filter(|(_, s)| *s == sign) {
        out.push(&text[from..*at]);
        from = at + sign.len();
    }
    out.push(&text[from..]);
    out
}

/// Whether the bracket that opens the text is the one that closes it.
fn closes_at_the_end(text: &str) -> bool {
    let mut depth = 0_i32;
    for (at, c) in text.char_indices() {
        match c {
            '(' => depth += 1,
            ')' => depth -= 1,
            _ => {}
        }
        if depth == 0 {
            return at + 1 == text.len();
        }
    }
    false
}
