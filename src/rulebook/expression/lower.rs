//! From the parser's tree to the own one: names, dimensions and words are checked on the way, and everything that
//! does not depend on an order is worked out.

use super::evaluate;
use super::scan::{self, Scanned};
use super::{Expression, Fault, Key, MAX_NAMED, MAX_NAMED_DEEP, Names, Scale, Wanted};
use crate::exact::{Decimal, Exact};
use crate::formulary::suggestion::closest;
use crate::rulebook::value::{Fact, Type};
use crate::units::Dimension;
use cel::common::ast::{CallExpr, Expr, IdedExpr, LiteralValue, SourceInfo, operators};
use std::cmp::Ordering;

/// What is evaluated.
#[derive(Clone, Debug)]
pub(super) enum Node {
    Truth(bool),
    /// A condition with its number among those that stand in more than one place.
    Shared(usize, Box<Node>),
    Amount(Exact),
    Fact(usize),
    Extra(usize),
    Not(Box<Node>),
    All(Box<[Node]>),
    Any(Box<[Node]>),
    Compare {
        test: Test,
        sides: Box<(Node, Node)>,
        unit: Option<Box<Scale>>,
    },
    SameTruth(Box<(Node, Node)>),
    SameWord(Box<(Node, Node)>),
    OneOf(Box<Node>, Box<[String]>),
    Holds(Box<Node>, String),
    Known(usize),
    Choice(Box<(Node, Node, Node)>),
    Arithmetic(Operation, Box<(Node, Node)>),
    Negative(Box<Node>),
    Absolute(Box<Node>),
    Least(Box<[Node]>),
    Greatest(Box<[Node]>),
    Whole(Rounding, Box<Node>),
    Multiple(Rounding, Box<(Node, Node)>),
}

/// Comparison of two amounts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Test {
    Equal,
    Unequal,
    Less,
    AtMost,
    Greater,
    AtLeast,
}

impl Test {
    pub(super) fn holds(self, order: Ordering) -> bool {
        match self {
            Self::Equal => order == Ordering::Equal,
            Self::Unequal => order != Ordering::Equal,
            Self::Less => order == Ordering::Less,
            Self::AtMost => order != Ordering::Greater,
            Self::Greater => order == Ordering::Greater,
            Self::AtLeast => order != Ordering::Less,
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Operation {
    Add,
    Subtract,
    Multiply,
    Divide,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Rounding {
    Down,
    Up,
    Nearest,
}

const FUNCTIONS: [&str; 10] = ["q", "min", "max", "abs", "floor", "ceil", "down", "up", "nearest", "known"];

/// A part that is checked.
struct Part {
    node: Node,
    kind: Type,
    unit: Option<Scale>,
}

impl Part {
    fn truth(node: Node) -> Self {
        Self { node, kind: Type::Truth, unit: None }
    }

    fn dimension(&self) -> Option<Dimension> {
        if let Type::Quantity(d) = self.kind { Some(d) } else { None }
    }
}

/// What the parser complains of, in words: what stands at a place, from 1, and what could stand there.
fn misplaced(text: &str, line: usize, column: usize, complaint: &str) -> String {
    let rest = text.lines().nth(line - 1).map_or("", |line| {
        let at = line.char_indices().nth(column - 1).map_or(line.len(), |(at, _)| at);
        line.get(at..).unwrap_or_default()
    });
    let rest = rest.trim_start();
    let word: String = rest.chars().take_while(|c| c.is_alphanumeric() || matches!(c, '_' | '.')).take(40).collect();
    let sign = ["&&", "||", "==", "!=", "<=", ">="].into_iter().find(|sign| rest.starts_with(sign));
    let found = match (word.is_empty(), sign, rest.chars().next()) {
        (false, ..) => format!("“{word}”"),
        (true, Some(sign), _) => format!("“{sign}”"),
        (true, None, Some(letter)) => format!("“{letter}”"),
        (true, None, None) => "the end of the text".to_owned(),
    };
    const VALUE: &str = "a name, a number, an amount such as q('5 mL/h'), or an opening parenthesis";
    const SIGN: &str = "a sign such as + or < or &&, or the end of the text";
    let could = complaint.split_once("expecting").map_or("", |(_, could)| could);
    let expected = if could.contains("IDENTIFIER") {
        VALUE
    } else if could.contains("EOF") {
        SIGN
    } else if could.contains("')'") {
        "a sign such as + or < or &&, or a closing parenthesis"
    } else if could.contains("':'") {
        "a colon with the value that counts otherwise (… ? … : …)"
    } else if could.contains("']'") {
        "a comma or a closing bracket"
    } else if rest.is_empty() || sign.is_some() || rest.starts_with(['+', '*', '/', '<', '>', ')', ',', ':', '?']) {
        VALUE
    } else {
        SIGN
    };
    format!("not an expression here: found {found}, expected {expected}")
}

/// A text, parsed.
#[derive(Debug)]
pub(super) struct Read {
    scanned: Scanned,
    chars: Vec<char>,
    tree: IdedExpr,
    source: SourceInfo,
}

fn read(text: &str) -> Result<Read, Vec<Fault>> {
    let scanned = scan::scan(text)?;
    let chars: Vec<char> = scanned.masked.chars().collect();
    let parsed = cel::parser::Parser::new().parse_with_source_info(&scanned.masked);
    let (tree, source) = parsed.map_err(|errors| {
        let mut faults: Vec<Fault> = Vec::new();
        for error in errors.errors {
            // One misplaced symbol makes the parser complain of all that follows; one complaint a place is enough.
            let line = usize::try_from(error.pos.0).unwrap_or(1).max(1);
            let column = usize::try_from(error.pos.1).unwrap_or(1).max(1);
            if faults.iter().all(|f| (f.offset_line, f.offset_column) != (line, column)) {
                let message = misplaced(text, line, column, &error.msg);
                faults.push(Fault {
                    offset_line: line,
                    offset_column: column,
                    message,
                    suggestion: None,
                    within: None,
                });
            }
        }
        if faults.is_empty() {
            let message = "not an expression".to_owned();
            faults.push(Fault { offset_line: 1, offset_column: 1, message, suggestion: None, within: None });
        }
        faults
    })?;
    Ok(Read { scanned, chars, tree, source })
}

pub(super) fn compile(text: &str, names: &Names<'_>, wanted: Wanted) -> Result<Expression, Vec<Fault>> {
    let Read { scanned, chars, tree, source } = read(text)?;
    let mut lower = Lower {
        names,
        scanned: &scanned,
        source: &source,
        chars: &chars,
        faults: vec![],
        facts: vec![],
        keys: vec![],
        open: vec![],
        named: MAX_NAMED,
    };
    let part = lower.part(&tree);
    if let Some(part) = &part {
        let fits = match (wanted, part.kind) {
            (Wanted::Any, _) | (Wanted::Truth, Type::Truth) | (Wanted::Quantity(None), Type::Quantity(_)) => true,
            (Wanted::Quantity(Some(d)), Type::Quantity(is)) => d == is,
            _ => false,
        };
        if !fits {
            let expected = match wanted {
                Wanted::Truth => "true or false".to_owned(),
                Wanted::Quantity(Some(d)) => amount_of(d),
                Wanted::Quantity(None) | Wanted::Any => "an amount".to_owned(),
            };
            lower.wrong_at(0, format!("{expected} is wanted here, this is {}", named(part.kind)), None);
        }
    }
    let Lower { mut faults, mut facts, keys, .. } = lower;
    facts.sort_unstable();
    facts.dedup();
    faults.sort_by_key(|f| (f.offset_line, f.offset_column));
    faults.dedup();
    match part {
        Some(Part { node, kind, unit }) if faults.is_empty() => {
            Ok(Expression { text: text.to_owned(), node, kind, unit, facts, keys })
        }
        _ => {
            if faults.is_empty() {
                let message = "not an expression".to_owned();
                faults.push(Fault { offset_line: 1, offset_column: 1, message, suggestion: None, within: None });
            }
            Err(faults)
        }
    }
}

fn amount_of(dimension: Dimension) -> String {
    if dimension == Dimension::NUMBER { "a plain number".to_owned() } else { format!("an amount of {dimension}") }
}

fn named(kind: Type) -> String {
    match kind {
        Type::Truth => "true or false".to_owned(),
        Type::Quantity(dimension) => amount_of(dimension),
        Type::Word(_) => "a word".to_owned(),
        Type::Keys => "a set of keys".to_owned(),
    }
}

struct Lower<'l> {
    names: &'l Names<'l>,
    scanned: &'l Scanned,
    source: &'l SourceInfo,
    chars: &'l [char],
    faults: Vec<Fault>,
    facts: Vec<usize>,
    keys: Vec<Key>,
    /// The named parts that are being read, the outermost first.
    open: Vec<usize>,
    /// How many more places named parts may stand for.
    named: usize,
}

impl Lower<'_> {
    fn offset(&self, expr: &IdedExpr) -> usize {
        self.source.offset_for(expr.id).map_or(0, |(start, _)| usize::try_from(start).unwrap_or(0))
    }

    fn wrong_at(&mut self, at: usize, message: String, suggestion: Option<String>) {
        let (offset_line, offset_column) = scan::place(self.chars, at);
        self.faults.push(Fault { offset_line, offset_column, message, suggestion, within: None });
    }

    fn wrong(&mut self, expr: &IdedExpr, message: impl Into<String>, suggestion: Option<String>) -> Option<Part> {
        self.wrong_at(self.offset(expr), message.into(), suggestion);
        None
    }

    /// The quoted text that an expression is, as written.
    fn quoted(&self, expr: &IdedExpr) -> Option<String> {
        match &expr.expr {
            Expr::Literal(LiteralValue::String(_)) => self.scanned.quoted.get(&self.offset(expr)).cloned(),
            _ => None,
        }
    }

    fn part(&mut self, expr: &IdedExpr) -> Option<Part> {
        match &expr.expr {
            Expr::Literal(literal) => self.literal(expr, literal),
            Expr::Ident(name) => self.name(expr, name),
            Expr::Call(call) if call.target.is_none() => self.call(expr, call),
            Expr::List(_) => self.wrong(expr, "a list can only stand to the right of `in`", None),
            _ => self.wrong(expr, "this form is not offered", None),
        }
    }

    fn literal(&mut self, expr: &IdedExpr, literal: &LiteralValue) -> Option<Part> {
        let negative = match literal {
            LiteralValue::Boolean(b) => return Some(Part::truth(Node::Truth(*b.inner()))),
            LiteralValue::Int(n) => n.inner().is_negative(),
            LiteralValue::Double(x) => x.inner().is_sign_negative(),
            LiteralValue::String(_) => {
                return self.wrong(
                    expr,
                    "a quoted text can only be compared with a word, looked for with `in`, or stand in q('…')",
                    None,
                );
            }
            _ => return self.wrong(expr, "this kind of literal is not offered", None),
        };
        let Some(number) = self.scanned.numbers.get(&self.offset(expr)).copied() else {
            return self.wrong(expr, "the number cannot be read as written", None);
        };
        let number = if negative { number.neg() } else { number };
        Some(Part { node: Node::Amount(number), kind: Type::Quantity(Dimension::NUMBER), unit: None })
    }

    fn name(&mut self, expr: &IdedExpr, name: &str) -> Option<Part> {
        if let Some((index, (_, kind))) = self.names.extra.iter().enumerate().find(|(_, (n, _))| *n == name) {
            return Some(Part { node: Node::Extra(index), kind: *kind, unit: None });
        }
        if let Some(parameter) = self.names.parameters.iter().find(|p| p.name == name) {
            return match Scale::parse(&parameter.unit) {
                Ok(scale) => self.amount(expr, parameter.value, scale),
                Err(why) => self.wrong(expr, format!("the parameter `{name}` has no usable unit: {why}"), None),
            };
        }
        if let Some(index) = self.names.terms.iter().position(|term| term.named.name == name) {
            return self.term(expr, index);
        }
        let Some((index, fact)) = self.names.facts.iter().enumerate().find(|(_, fact)| fact.name == name) else {
            let near = self.near(name);
            return self.wrong(expr, format!("`{name}` is no fact, and no parameter or term of this limit"), near);
        };
        self.facts.push(index);
        // An open quantity's unit is for people only; facts come in base units.
        let unit = Scale::parse(fact.unit).ok().filter(|scale| fact.kind == Type::Quantity(scale.dimension));
        Some(Part { node: Node::Fact(index), kind: fact.kind, unit })
    }

    /// What a term stands for.
    fn term(&mut self, expr: &IdedExpr, index: usize) -> Option<Part> {
        let term = self.names.terms.get(index)?;
        let name = &term.named.name;
        if self.open.contains(&index) {
            return self.wrong(expr, format!("the term `{name}` is worked out from itself"), None);
        }
        let within = |why: String| format!("the term `{name}` cannot be used here: {why}");
        if self.open.len() >= MAX_NAMED_DEEP {
            return self.wrong(expr, within(format!("terms stand in one another at most {MAX_NAMED_DEEP} deep")), None);
        }
        let Some(left) = self.named.checked_sub(1) else {
            return self.wrong(expr, within(format!("terms stand for more than {MAX_NAMED} places")), None);
        };
        let mut faults = Vec::new();
        let part = match term.read.get_or_init(|| read(&term.named.text)) {
            Ok(Read { scanned, chars, tree, source }) => {
                let mut inner = Lower {
                    names: self.names,
                    scanned,
                    source,
                    chars,
                    faults: Vec::new(),
                    facts: Vec::new(),
                    keys: Vec::new(),
                    open: self.open.iter().copied().chain([index]).collect(),
                    named: left,
                };
                let part = inner.part(tree);
                self.named = inner.named;
                self.facts.append(&mut inner.facts);
                // Told at the place of the name.
                let (line, column) = scan::place(self.chars, self.offset(expr));
                self.keys.extend(inner.keys.into_iter().map(|key| Key { line, column, ..key }));
                faults = inner.faults;
                part
            }
            Err(list) => {
                faults.extend(list.iter().cloned());
                None
            }
        };
        if let Some(first) = faults.into_iter().next() {
            let (offset_line, offset_column) = scan::place(self.chars, self.offset(expr));
            let message = within(first.message);
            let within = Some(first.within.unwrap_or_else(|| name.clone()));
            self.faults.push(Fault { offset_line, offset_column, message, suggestion: first.suggestion, within });
            return None;
        }
        part
    }

    fn near(&self, name: &str) -> Option<String> {
        let known = self.names.facts.iter().map(|fact| fact.name);
        let known = known.chain(self.names.parameters.iter().map(|p| p.name.as_str()));
        let known = known.chain(self.names.terms.iter().map(|term| term.named.name.as_str()));
        closest(name, known.chain(self.names.extra.iter().map(|(n, _)| *n))).map(str::to_owned)
    }

    fn amount(&mut self, expr: &IdedExpr, value: Exact, scale: Scale) -> Option<Part> {
        match scale.to_base(value) {
            Some(base) => Some(Part {
                node: Node::Amount(base.reduced()),
                kind: Type::Quantity(scale.dimension),
                unit: Some(scale),
            }),
            None => self.wrong(expr, "the amount is outside the range of exact arithmetic", None),
        }
    }

    fn call(&mut self, expr: &IdedExpr, call: &CallExpr) -> Option<Part> {
        let name = call.func_name.as_str();
        let test = match name {
            operators::EQUALS => Some(Test::Equal),
            operators::NOT_EQUALS => Some(Test::Unequal),
            operators::LESS => Some(Test::Less),
            operators::LESS_EQUALS => Some(Test::AtMost),
            operators::GREATER => Some(Test::Greater),
            operators::GREATER_EQUALS => Some(Test::AtLeast),
            _ => None,
        };
        let operation = match name {
            operators::ADD => Some(Operation::Add),
            operators::SUBSTRACT => Some(Operation::Subtract),
            operators::MULTIPLY => Some(Operation::Multiply),
            operators::DIVIDE => Some(Operation::Divide),
            _ => None,
        };
        match (name, call.args.as_slice()) {
            (operators::LOGICAL_AND | operators::LOGICAL_OR, _) => self.connected(expr, name),
            (operators::LOGICAL_NOT, [a]) => {
                let a = self.truth(a)?;
                Some(Part::truth(Node::Not(Box::new(a))))
            }
            (operators::CONDITIONAL, [a, b, c]) => self.choice(expr, a, b, c),
            (operators::IN, [a, b]) => self.member(expr, a, b),
            (operators::NEGATE, [a]) => {
                let a = self.quantity(a)?;
                let node = match a.node {
                    Node::Amount(x) => Node::Amount(x.neg()),
                    node => Node::Negative(Box::new(node)),
                };
                Some(Part { node, ..a })
            }
            (_, [a, b]) if test.is_some() => self.compared(expr, test?, a, b),
            (_, [a, b]) if operation.is_some() => self.arithmetic(expr, operation?, a, b),
            ("q", [a]) => self.written(a),
            ("known", [a]) => match self.part(a)? {
                Part { node: Node::Fact(index), .. } => Some(Part::truth(Node::Known(index))),
                _ => self.wrong(a, "known() takes the name of a fact", None),
            },
            ("min" | "max", [_, ..]) => self.extreme(expr, name == "min", &call.args),
            ("abs", [a]) => {
                let a = self.quantity(a)?;
                Some(Part { node: Node::Absolute(Box::new(a.node)), ..a })
            }
            ("floor" | "ceil", [a]) => {
                let part = self.quantity(a)?;
                if part.dimension() != Some(Dimension::NUMBER) {
                    let other = if name == "floor" { "down" } else { "up" };
                    return self.wrong(
                        a,
                        format!("{name}() takes a plain number, this is {}", named(part.kind)),
                        Some(format!("{other}(amount, step)")),
                    );
                }
                let rounding = if name == "floor" { Rounding::Down } else { Rounding::Up };
                Some(Part { node: Node::Whole(rounding, Box::new(part.node)), ..part })
            }
            ("down" | "up" | "nearest", [a, step]) => {
                let (x, by) = (self.quantity(a), self.quantity(step));
                let (x, by) = (x?, by?);
                if x.kind != by.kind {
                    let message = format!("the step is {}, the amount is {}", named(by.kind), named(x.kind));
                    return self.wrong(step, message, None);
                }
                if matches!(by.node, Node::Amount(by) if !by.is_positive()) {
                    return self.wrong(step, "the step must be above zero", None);
                }
                let rounding = match name {
                    "down" => Rounding::Down,
                    "up" => Rounding::Up,
                    _ => Rounding::Nearest,
                };
                Some(Part { node: Node::Multiple(rounding, Box::new((x.node, by.node))), ..x })
            }
            _ if name.starts_with(|c: char| c.is_ascii_alphabetic()) => {
                // What stands inside is looked at all the same: all faults at once.
                for arg in &call.args {
                    if self.quoted(arg).is_none() {
                        self.part(arg);
                    }
                }
                // A call is placed at its bracket; the name stands before it.
                let name_at = self.offset(expr).saturating_sub(name.chars().count());
                if FUNCTIONS.contains(&name) {
                    self.wrong_at(name_at, format!("{name}() does not take {} values", call.args.len()), None);
                } else {
                    let near = match name {
                        "has" => Some("known(fact), or 'key' in set".to_owned()),
                        _ => closest(name, FUNCTIONS).map(str::to_owned),
                    };
                    self.wrong_at(name_at, format!("there is no function `{name}`"), near);
                }
                None
            }
            _ => self.wrong(expr, "this operator is not offered", None),
        }
    }

    fn truth(&mut self, expr: &IdedExpr) -> Option<Node> {
        let part = self.part(expr)?;
        if part.kind == Type::Truth {
            return Some(part.node);
        }
        self.wrong(expr, format!("true or false is wanted here, this is {}", named(part.kind)), None)?;
        None
    }

    fn quantity(&mut self, expr: &IdedExpr) -> Option<Part> {
        let part = self.part(expr)?;
        if part.dimension().is_some() {
            return Some(part);
        }
        self.wrong(expr, format!("an amount is wanted here, this is {}", named(part.kind)), None)
    }

    /// `a && b && c`, which the parser gives as a tree, as one list.
    fn connected(&mut self, expr: &IdedExpr, name: &str) -> Option<Part> {
        let (mut waiting, mut out, mut whole) = (vec![expr], Vec::new(), true);
        while let Some(next) = waiting.pop() {
            match &next.expr {
                Expr::Call(call) if call.func_name == name && call.target.is_none() => {
                    waiting.extend(call.args.iter().rev());
                }
                _ => match self.truth(next) {
                    // What a term stands for is a part of the same list.
                    Some(Node::All(more)) if name == operators::LOGICAL_AND => out.extend(more),
                    Some(Node::Any(more)) if name == operators::LOGICAL_OR => out.extend(more),
                    Some(node) => out.push(node),
                    None => whole = false,
                },
            }
        }
        let out = out.into_boxed_slice();
        whole.then(|| Part::truth(if name == operators::LOGICAL_AND { Node::All(out) } else { Node::Any(out) }))
    }

    fn choice(&mut self, expr: &IdedExpr, a: &IdedExpr, b: &IdedExpr, c: &IdedExpr) -> Option<Part> {
        let (a, b, c) = (self.truth(a), self.part(b), self.part(c));
        let (a, b, c) = (a?, b?, c?);
        let alike = b.kind == c.kind || matches!((b.kind, c.kind), (Type::Word(_), Type::Word(_)));
        if !alike {
            let message = format!("the choice is between {} and {}", named(b.kind), named(c.kind));
            return self.wrong(expr, message, None);
        }
        if b.kind == Type::Keys {
            return self.wrong(expr, "the choice is between sets", None);
        }
        // Words of two lists together are an open list.
        let kind = if b.kind == c.kind { b.kind } else { Type::Word(&[]) };
        Some(Part { kind, unit: b.unit.or(c.unit), node: Node::Choice(Box::new((a, b.node, c.node))) })
    }

    /// A word that is compared with a fact's list.
    fn word(&mut self, expr: &IdedExpr, word: &str, list: &[&str]) {
        if !list.is_empty() && !list.contains(&word) {
            let near = closest(word, list.iter().copied()).map_or_else(|| list.join(", "), str::to_owned);
            self.wrong(expr, format!("`{word}` is none of the words of this fact"), Some(near));
        }
    }

    fn member(&mut self, expr: &IdedExpr, a: &IdedExpr, b: &IdedExpr) -> Option<Part> {
        if let Expr::List(list) = &b.expr {
            let subject = self.part(a);
            let mut words = Vec::with_capacity(list.elements.len());
            for element in &list.elements {
                match (self.quoted(element), &subject) {
                    (Some(word), Some(Part { kind: Type::Word(known), .. })) => {
                        self.word(element, &word, known);
                        words.push(word);
                    }
                    (Some(_), _) => {}
                    (None, _) => {
                        self.wrong(element, "the list may only hold quoted words", None);
                    }
                }
            }
            let subject = subject?;
            if !matches!(subject.kind, Type::Word(_)) {
                return self.wrong(a, format!("a word is wanted here, this is {}", named(subject.kind)), None);
            }
            if words.is_empty() {
                return self.wrong(b, "the list is empty", None);
            }
            return Some(Part::truth(Node::OneOf(Box::new(subject.node), words.into_boxed_slice())));
        }
        let set = self.part(b);
        let Some(key) = self.quoted(a) else {
            return self.wrong(a, "to the left of `in` stands a quoted key, or a word before a list", None);
        };
        let set = set?;
        if set.kind != Type::Keys {
            let list = format!("['{key}']");
            return self.wrong(expr, format!("a set is wanted here, this is {}", named(set.kind)), Some(list));
        }
        if let Node::Fact(fact) = set.node {
            let (line, column) = scan::place(self.chars, self.offset(a));
            self.keys.push(Key { fact, key: key.clone(), line, column });
        }
        Some(Part::truth(Node::Holds(Box::new(set.node), key)))
    }

    fn compared(&mut self, expr: &IdedExpr, test: Test, a: &IdedExpr, b: &IdedExpr) -> Option<Part> {
        let equality = matches!(test, Test::Equal | Test::Unequal);
        let turned = |node: Node| Part::truth(if test == Test::Unequal { Node::Not(Box::new(node)) } else { node });
        match (self.quoted(a), self.quoted(b)) {
            (Some(_), Some(_)) => return self.wrong(expr, "two quoted words are compared", None),
            (Some(word), None) | (None, Some(word)) => {
                let (literal, other) = if self.quoted(a).is_some() { (a, b) } else { (b, a) };
                let subject = self.part(other)?;
                return match subject.kind {
                    Type::Word(list) => {
                        self.word(literal, &word, list);
                        if !equality {
                            return self.wrong(expr, "words have no order", Some("== or !=".to_owned()));
                        }
                        Some(turned(Node::OneOf(Box::new(subject.node), Box::new([word]))))
                    }
                    Type::Keys => {
                        self.wrong(expr, "a set is not compared with a word", Some(format!("'{word}' in the set")))
                    }
                    Type::Quantity(d) => self.wrong(
                        literal,
                        format!("a quoted text is compared with {}", amount_of(d)),
                        Some(format!("q('{word}')")),
                    ),
                    Type::Truth => self.wrong(literal, "a quoted text is compared with true or false", None),
                };
            }
            (None, None) => {}
        }
        let (left, right) = (self.part(a), self.part(b));
        let (left, right) = (left?, right?);
        let sides = Box::new((left.node, right.node));
        match (left.kind, right.kind) {
            (Type::Quantity(x), Type::Quantity(y)) => {
                if x != y {
                    let hint = self.hint(x, y);
                    return self.wrong(expr, format!("{} is compared with {}", amount_of(x), amount_of(y)), hint);
                }
                let unit = left.unit.or(right.unit).map(Box::new);
                Some(Part::truth(Node::Compare { test, sides, unit }))
            }
            (Type::Truth, Type::Truth) if equality => Some(turned(Node::SameTruth(sides))),
            (Type::Word(_), Type::Word(_)) if equality => Some(turned(Node::SameWord(sides))),
            (x, y) => self.wrong(expr, format!("{} cannot be compared so with {}", named(x), named(y)), None),
        }
    }

    /// What is probably meant where two dimensions do not fit.
    fn hint(&self, x: Dimension, y: Dimension) -> Option<String> {
        let other = if x == Dimension::NUMBER { y } else { x };
        if x == Dimension::NUMBER || y == Dimension::NUMBER {
            let fits = |fact: &&Fact| fact.kind == Type::Quantity(other) && !fact.unit.is_empty();
            let unit = self.names.facts.iter().find(fits).map_or("mL", |fact| fact.unit);
            return Some(format!("an amount with its unit, as q('1 {unit}')"));
        }
        None
    }

    fn arithmetic(&mut self, expr: &IdedExpr, operation: Operation, a: &IdedExpr, b: &IdedExpr) -> Option<Part> {
        let (left, right) = (self.quantity(a), self.quantity(b));
        let (left, right) = (left?, right?);
        let (x, y) = (left.dimension()?, right.dimension()?);
        let dimension = match operation {
            Operation::Add | Operation::Subtract => {
                if x != y {
                    let (verb, hint) =
                        (if operation == Operation::Add { "added to" } else { "taken from" }, self.hint(x, y));
                    let (first, second) = if operation == Operation::Add { (x, y) } else { (y, x) };
                    let message = format!("{} cannot be {verb} {}", amount_of(first), amount_of(second));
                    return self.wrong(expr, message, hint);
                }
                Some(x)
            }
            Operation::Multiply => x.product(y),
            Operation::Divide => x.quotient(y),
        };
        let Some(dimension) = dimension else {
            return self.wrong(expr, "the unit of the result is outside what is computed with", None);
        };
        if operation == Operation::Divide && matches!(right.node, Node::Amount(y) if y.is_zero()) {
            return self.wrong(b, "the divisor is zero", None);
        }
        let unit = [left.unit, right.unit].into_iter().flatten().find(|unit| unit.dimension == dimension);
        // Amounts without a fact in them are worked out once.
        let node = match (&left.node, &right.node) {
            (Node::Amount(x), Node::Amount(y)) => match evaluate::computed(operation, *x, *y) {
                Some(z) => Node::Amount(z.reduced()),
                None => return self.wrong(expr, "the amount is outside the range of exact arithmetic", None),
            },
            _ => Node::Arithmetic(operation, Box::new((left.node, right.node))),
        };
        Some(Part { node, kind: Type::Quantity(dimension), unit })
    }

    /// `q('500 mL')`
    fn written(&mut self, expr: &IdedExpr) -> Option<Part> {
        let Some(text) = self.quoted(expr) else {
            return self.wrong(expr, "q() takes a quoted amount", Some("q('500 mL')".to_owned()));
        };
        let Some((number, code)) = text.split_once(' ') else {
            return self.wrong(
                expr,
                format!("`{text}` is no amount"),
                Some("q('500 mL'), or a number alone".to_owned()),
            );
        };
        let value = match Decimal::parse(number) {
            Ok(value) => value.exact(),
            Err(why) => return self.wrong(expr, format!("`{number}` cannot be read: {why}"), None),
        };
        match Scale::parse(code) {
            Ok(scale) => self.amount(expr, value, scale),
            Err(why) => self.wrong(expr, why, None),
        }
    }

    fn extreme(&mut self, expr: &IdedExpr, least: bool, args: &[IdedExpr]) -> Option<Part> {
        let parts: Vec<Option<Part>> = args.iter().map(|arg| self.quantity(arg)).collect();
        let parts: Vec<Part> = parts.into_iter().collect::<Option<_>>()?;
        let kind = parts.first()?.kind;
        if let Some((arg, other)) = args.iter().zip(&parts).find(|(_, part)| part.kind != kind) {
            let message = format!("{} stands beside {}", named(other.kind), named(kind));
            return self.wrong(arg, message, None);
        }
        if parts.len() < 2 {
            return self.wrong(expr, "two or more amounts are wanted here", None);
        }
        let unit = parts.iter().find_map(|part| part.unit.clone());
        let nodes = parts.into_iter().map(|part| part.node).collect();
        Some(Part { node: if least { Node::Least(nodes) } else { Node::Greatest(nodes) }, kind, unit })
    }
}
