//! Sentences with figures in them.

use super::{Expression, Fault, MAX_NAMED_DEEP, Names, Scale, Wanted, scan};
use crate::amount::Amount;
use crate::exact::Exact;
use crate::rulebook::value::{Facts, Truth, Type, Value};

/// Decimals shown when a figure names none; trailing zeros are never shown.
const PLACES: u32 = 2;
/// Most decimals a figure may ask for.
const MAX_PLACES: u32 = 9;
/// Longest sentence, in characters.
const MAX_CHARACTERS: usize = 4_000;
const NOT_KNOWN: &str = "not known";
/// Deepest nesting of parts that are not always said.
const MAX_NESTING: usize = 4;

/// A sentence with figures in it: `{expression; unit; places}`, unit and places optional, `{{` and `}}` braces.
///
/// What stands between `{if condition}` and `{end}` is said where the condition surely holds and every figure in it is
/// known, otherwise what stands after `{else}`, where there is one. `{if known}` asks for the figures alone. `{phrase}` says
/// what the phrase of that name says.
#[derive(Clone, Debug)]
pub struct Template {
    /// As written.
    pub text: String,
    parts: Vec<Part>,
}

#[derive(Clone, Debug)]
enum Part {
    Text(String),
    Figure { expression: Box<Expression>, unit: Option<Scale>, places: u32 },
    Choice(Box<Choice>),
}

/// Parts of which one or the other is said.
#[derive(Clone, Debug)]
struct Choice {
    when: Option<Expression>,
    then: Vec<Part>,
    otherwise: Vec<Part>,
}

/// A choice whose end is still to come.
struct Open {
    at: usize,
    when: Option<Expression>,
    then: Option<Vec<Part>>,
    /// What stands before it.
    before: Vec<Part>,
}

impl Template {
    /// Reads and checks a sentence.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn compile(text: &str, names: &Names<'_>) -> Result<Self, Vec<Fault>> {
        Self::within(text, names, &[])
    }

    /// `open`: the phrases that this one stands in, the outermost first.
    fn within(text: &str, names: &Names<'_>, open_phrases: &[usize]) -> Result<Self, Vec<Fault>> {
        let chars: Vec<char> = text.chars().collect();
        let place = |at: usize| scan::place(&chars, at);
        if chars.len() > MAX_CHARACTERS {
            return Err(vec![fault(place(0), format!("the text is longer than {MAX_CHARACTERS} characters"), None)]);
        }
        let (mut parts, mut faults, mut open) = (Vec::new(), Vec::new(), Vec::<Open>::new());
        let mut plain = String::new();
        let mut at = 0usize;
        while let Some(&c) = chars.get(at) {
            let doubled = chars.get(at + 1) == Some(&c);
            match c {
                '{' | '}' if doubled => {
                    plain.push(c);
                    at += 2;
                }
                '}' => {
                    faults.push(fault(
                        place(at),
                        "a closing brace without an opening one".to_owned(),
                        Some("}}".to_owned()),
                    ));
                    at += 1;
                }
                '{' => {
                    let Some((sections, end)) = sections(&chars, at + 1) else {
                        faults.push(fault(
                            place(at),
                            "the figure is not closed: `}` is missing".to_owned(),
                            Some("{{ for a brace".to_owned()),
                        ));
                        break;
                    };
                    if !plain.is_empty() {
                        parts.push(Part::Text(std::mem::take(&mut plain)));
                    }
                    match (mark(&chars, &sections), open.last_mut()) {
                        (Mark::If(from), _) => {
                            if open.len() >= MAX_NESTING {
                                faults.push(fault(place(at), format!("nested deeper than {MAX_NESTING}"), None));
                            }
                            let when = condition(&chars, from, &sections, names).unwrap_or_else(|list| {
                                faults.extend(list);
                                None
                            });
                            open.push(Open { at, when, then: None, before: std::mem::take(&mut parts) });
                        }
                        (Mark::Else, Some(Open { then: then @ None, .. })) => *then = Some(std::mem::take(&mut parts)),
                        (Mark::Else, _) => {
                            faults.push(fault(place(at), "an {else} without an {if …} of its own".to_owned(), None));
                        }
                        (Mark::End, Some(_)) => {
                            if let Some(Open { when, then, mut before, .. }) = open.pop() {
                                let last = std::mem::take(&mut parts);
                                let (then, otherwise) = match then {
                                    Some(then) => (then, last),
                                    None => (last, Vec::new()),
                                };
                                before.push(Part::Choice(Box::new(Choice { when, then, otherwise })));
                                parts = before;
                            }
                        }
                        // Without anything to end it is the name of an amount.
                        (Mark::End | Mark::Figure, _) => {
                            let said = match phrase(&chars, &sections, names) {
                                Some(index) => said(index, names, open_phrases, place(at)),
                                None => figure(&chars, &sections, names).map(|part| vec![part]),
                            };
                            match said {
                                Ok(more) => parts.extend(more),
                                Err(list) => faults.extend(list),
                            }
                        }
                    }
                    at = end + 1;
                }
                _ => {
                    plain.push(c);
                    at += 1;
                }
            }
        }
        if !plain.is_empty() {
            parts.push(Part::Text(plain));
        }
        faults.extend(open.iter().map(|open| {
            fault(place(open.at), "the part is not closed: `{end}` is missing".to_owned(), Some("{end}".to_owned()))
        }));
        if faults.is_empty() { Ok(Self { text: text.to_owned(), parts }) } else { Err(faults) }
    }

    /// Indices of the facts it uses, ascending, each once.
    pub fn facts(&self) -> Vec<usize> {
        let mut out: Vec<usize> = self.expressions().flat_map(|e| e.facts().iter().copied()).collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    /// The expressions of its figures and of its conditions.
    pub fn expressions(&self) -> impl Iterator<Item = &Expression> {
        let mut waiting: Vec<&Part> = self.parts.iter().rev().collect();
        std::iter::from_fn(move || {
            loop {
                match waiting.pop()? {
                    Part::Text(_) => {}
                    Part::Figure { expression, .. } => return Some(expression.as_ref()),
                    Part::Choice(choice) => {
                        waiting.extend(choice.otherwise.iter().rev().chain(choice.then.iter().rev()));
                        if let Some(when) = &choice.when {
                            return Some(when);
                        }
                    }
                }
            }
        })
    }

    /// The sentence for one order; `extra` as for [`Expression::evaluate`]. Figures that differ from the bound and would be
    /// rounded to the same have so many decimals more that they differ.
    pub fn render(&self, facts: &dyn Facts, extra: &[Value]) -> String {
        let mut out = String::with_capacity(self.text.len() + 16);
        say(&mut out, &self.parts, facts, extra, self.finer(facts, extra));
        out
    }

    /// Decimals that the figures in the unit of the bound need beyond those that they name.
    fn finer<'t>(&'t self, facts: &dyn Facts, extra: &[Value]) -> Finer<'t> {
        let bounds = || self.parts.iter().filter_map(|part| part.of_bound(true));
        let figures = || self.parts.iter().filter_map(|part| part.of_bound(false));
        let amount = |expression: &Expression| match expression.evaluate(facts, extra) {
            Value::Quantity(Amount::Known(x)) => Some(x),
            _ => None,
        };
        let mut finer = Finer { unit: None, more: 0 };
        for (bound, unit, places) in bounds() {
            let Some(b) = amount(bound) else { continue };
            for (figure, its_unit, its_places) in figures().filter(|(_, its_unit, _)| *its_unit == unit) {
                let Some(x) = amount(figure).filter(|x| *x != b && !apart(*x, b, unit, places.min(its_places))) else {
                    continue;
                };
                let alike = |more: u32| {
                    let show = |x, places: u32| shown(&Amount::Known(x), its_unit, places.saturating_add(more));
                    show(x, its_places) == show(b, places)
                };
                let more = (0..=MAX_PLACES).find(|n| !alike(*n)).unwrap_or(0);
                if more > finer.more {
                    finer = Finer { unit, more };
                }
            }
        }
        finer
    }
}

/// Whether two amounts are shown differently for sure: they are one step of the last of so many decimals apart, or more.
fn apart(x: Exact, b: Exact, unit: Option<&Scale>, places: u32) -> bool {
    let step = 10_i64.checked_pow(places).map(|steps| Exact::ratio(1, steps));
    let step = step.and_then(|step| unit.map_or(Some(step), |unit| unit.to_base(step)));
    x.sub(b).zip(step).is_some_and(|(difference, step)| difference.abs() >= step)
}

/// Decimals more that figures of a unit need.
#[derive(Clone, Copy)]
struct Finer<'t> {
    unit: Option<&'t Scale>,
    more: u32,
}

impl Part {
    /// A figure with its unit and decimals, that is the bound, or one that is not.
    fn of_bound(&self, bound: bool) -> Option<(&Expression, Option<&Scale>, u32)> {
        match self {
            Self::Figure { expression, unit, places } if (expression.text == "bound") == bound => {
                Some((expression, unit.as_ref(), *places))
            }
            _ => None,
        }
    }
}

/// Says parts, and tells whether every figure among them is known.
fn say(out: &mut String, parts: &[Part], facts: &dyn Facts, extra: &[Value], finer: Finer<'_>) -> bool {
    let mut known = true;
    for part in parts {
        match part {
            Part::Text(text) => out.push_str(text),
            Part::Figure { expression, unit, places } => {
                let more = if unit.as_ref() == finer.unit { finer.more } else { 0 };
                known &= show(out, &expression.evaluate(facts, extra), unit.as_ref(), places.saturating_add(more));
            }
            Part::Choice(choice) => {
                let before = out.len();
                let holds = choice.when.as_ref().is_none_or(|when| when.surely_holds(facts, extra));
                if !(holds && say(out, &choice.then, facts, extra, finer)) {
                    out.truncate(before);
                    known &= say(out, &choice.otherwise, facts, extra, finer);
                }
            }
        }
    }
    known
}

/// What braces hold.
enum Mark {
    /// A condition, with where it begins.
    If(usize),
    Else,
    End,
    Figure,
}

fn mark(chars: &[char], sections: &[(usize, usize)]) -> Mark {
    let Some(&(from, to)) = sections.first() else { return Mark::Figure };
    let all = chars.get(from..to).unwrap_or_default();
    let lead = all.iter().take_while(|c| c.is_whitespace()).count();
    let text: String = all.iter().collect();
    match (text.trim(), sections.len()) {
        ("else", 1) => Mark::Else,
        ("end", 1) => Mark::End,
        (text, _) if text.strip_prefix("if").is_some_and(|rest| !rest.starts_with(is_of_a_name)) => {
            Mark::If(from + lead + 2)
        }
        _ => Mark::Figure,
    }
}

fn is_of_a_name(c: char) -> bool {
    c.is_ascii_alphanumeric() || c == '_'
}

/// The phrase that is named here.
fn phrase(chars: &[char], sections: &[(usize, usize)], names: &Names<'_>) -> Option<usize> {
    let [(from, to)] = sections else { return None };
    let name: String = chars.get(*from..*to)?.iter().collect();
    names.phrases.iter().position(|phrase| phrase.name == name.trim())
}

/// What a phrase says, in its place.
fn said(index: usize, names: &Names<'_>, open: &[usize], at: (usize, usize)) -> Result<Vec<Part>, Vec<Fault>> {
    let Some(phrase) = names.phrases.get(index) else { return Ok(Vec::new()) };
    let name = &phrase.name;
    if open.contains(&index) {
        return Err(vec![fault(at, format!("the phrase `{name}` stands in itself"), None)]);
    }
    if open.len() >= MAX_NAMED_DEEP {
        let message = format!("phrases stand in one another at most {MAX_NAMED_DEEP} deep");
        return Err(vec![fault(at, message, None)]);
    }
    let open: Vec<usize> = open.iter().copied().chain([index]).collect();
    Template::within(&phrase.text, names, &open).map(|template| template.parts).map_err(|list| {
        let first = list.into_iter().next();
        let message = first.as_ref().map_or("", |first| first.message.as_str());
        let mut told = fault(at, format!("the phrase `{name}` cannot be said here: {message}"), None);
        told.within = Some(first.and_then(|first| first.within).unwrap_or_else(|| name.clone()));
        vec![told]
    })
}

/// The condition that begins here, to the end of the braces; `None` for figures alone.
fn condition(
    chars: &[char],
    from: usize,
    sections: &[(usize, usize)],
    names: &Names<'_>,
) -> Result<Option<Expression>, Vec<Fault>> {
    let to = match sections {
        [(_, to)] => *to,
        [(_, to), ..] => {
            let message = "a condition has neither unit nor places".to_owned();
            return Err(vec![fault(scan::place(chars, *to), message, None)]);
        }
        [] => from,
    };
    let all = chars.get(from..to).unwrap_or_default();
    let lead = all.iter().take_while(|c| c.is_whitespace()).count();
    let text: String = all.iter().collect();
    if text.trim() == "known" {
        return Ok(None);
    }
    compiled(chars, from + lead, text.trim(), names, Wanted::Truth).map(Some)
}

/// An expression within a sentence, its faults placed in the sentence.
fn compiled(
    chars: &[char],
    at: usize,
    text: &str,
    names: &Names<'_>,
    wanted: Wanted,
) -> Result<Expression, Vec<Fault>> {
    Expression::compile(text, names, wanted).map_err(|list| {
        let (line, column) = scan::place(chars, at);
        list.into_iter()
            .map(|f| Fault {
                // Only the first line of the expression starts behind other text.
                offset_column: if f.offset_line == 1 { f.offset_column + column - 1 } else { f.offset_column },
                offset_line: f.offset_line + line - 1,
                ..f
            })
            .collect()
    })
}

fn fault((line, column): (usize, usize), message: String, suggestion: Option<String>) -> Fault {
    Fault { offset_line: line, offset_column: column, message, suggestion, within: None }
}

/// Start and end of each section of a figure, and where its closing brace stands. Quoted text may hold `;` and `}`.
fn sections(chars: &[char], from: usize) -> Option<(Vec<(usize, usize)>, usize)> {
    let (mut out, mut start, mut quote) = (Vec::new(), from, None);
    let mut braces = 0usize;
    for (i, &c) in chars.iter().enumerate().skip(from) {
        match (quote, c) {
            (Some(q), c) if q == c => quote = None,
            (Some(_), _) => {}
            (None, '\'' | '"') => quote = Some(c),
            // Units may carry an annotation: {1.73_m2}.
            (None, '{') => braces += 1,
            (None, '}') if braces > 0 => braces -= 1,
            (None, ';') => {
                out.push((start, i));
                start = i + 1;
            }
            (None, '}') => {
                out.push((start, i));
                return Some((out, i));
            }
            _ => {}
        }
    }
    None
}

fn figure(chars: &[char], sections: &[(usize, usize)], names: &Names<'_>) -> Result<Part, Vec<Fault>> {
    let section = |n: usize| -> Option<(usize, String)> {
        let &(from, to) = sections.get(n)?;
        let all = chars.get(from..to)?;
        let lead = all.iter().take_while(|c| c.is_whitespace()).count();
        Some((from + lead, all.iter().collect::<String>().trim().to_owned()))
    };
    let mut faults = Vec::new();
    let (at, text) = section(0).unwrap_or_default();
    let expression = match compiled(chars, at, &text, names, Wanted::Any) {
        Ok(expression) => Some(expression),
        Err(list) => {
            faults.extend(list);
            None
        }
    };
    let amount = match expression.as_ref().map(Expression::kind) {
        Some(Type::Quantity(dimension)) => Some(dimension),
        Some(Type::Keys) => {
            faults.push(fault(scan::place(chars, at), "a set cannot be shown".to_owned(), None));
            None
        }
        _ => None,
    };
    let mut unit = expression.as_ref().and_then(|e| e.unit().cloned());
    if let Some((at, code)) = section(1).filter(|(_, code)| !code.is_empty()) {
        match Scale::parse(&code) {
            Err(why) => faults.push(fault(scan::place(chars, at), why, None)),
            Ok(scale) => match (amount, &expression) {
                (Some(dimension), _) if dimension != scale.dimension => faults.push(fault(
                    scan::place(chars, at),
                    format!("`{code}` is {}, the figure is {dimension}", scale.dimension),
                    unit.as_ref().map(|u| u.code.clone()),
                )),
                (None, Some(_)) => {
                    faults.push(fault(scan::place(chars, at), "only an amount has a unit".to_owned(), None));
                }
                _ => unit = Some(scale),
            },
        }
    } else if amount.is_some_and(|d| d != crate::units::Dimension::NUMBER) && unit.is_none() {
        faults.push(fault(
            scan::place(chars, at),
            "the figure needs a unit".to_owned(),
            Some(format!("{{{text}; unit; places}}")),
        ));
    }
    let mut places = PLACES;
    if let Some((at, digits)) = section(2).filter(|(_, digits)| !digits.is_empty()) {
        match digits.parse::<u32>().ok().filter(|n| *n <= MAX_PLACES) {
            Some(n) => places = n,
            None => faults.push(fault(
                scan::place(chars, at),
                format!("`{digits}` is no number of decimals (0 to {MAX_PLACES})"),
                None,
            )),
        }
    }
    if let Some((at, _)) = section(3) {
        faults.push(fault(
            scan::place(chars, at),
            "a figure has three parts: {expression; unit; places}".to_owned(),
            None,
        ));
    }
    match expression {
        Some(expression) if faults.is_empty() => Ok(Part::Figure { expression: Box::new(expression), unit, places }),
        _ => Err(faults),
    }
}

/// Shows a figure, and tells whether it is known.
fn show(out: &mut String, value: &Value, unit: Option<&Scale>, places: u32) -> bool {
    match value {
        Value::Quantity(amount) => match shown(amount, unit, places) {
            Some(text) => out.push_str(&text),
            None => {
                out.push_str(NOT_KNOWN);
                return false;
            }
        },
        Value::Word(word) => out.push_str(word),
        Value::Truth(Truth::True) => out.push_str("yes"),
        Value::Truth(Truth::False) => out.push_str("no"),
        Value::Truth(Truth::Unknown { .. }) | Value::Keys(_) | Value::Missing(_) => {
            out.push_str(NOT_KNOWN);
            return false;
        }
    }
    true
}

/// Whether a number as it is shown is zero.
fn is_zero(text: &str) -> bool {
    text == "0" || text == "-0"
}

/// An amount for people, rounded once; `None` when nothing is known of it.
pub(in crate::rulebook) fn shown(amount: &Amount, unit: Option<&Scale>, places: u32) -> Option<String> {
    let number = |x: Exact| -> Option<String> {
        let x = match unit {
            Some(unit) => unit.from_base(x)?,
            None => x,
        };
        // What is not zero is not shown as zero.
        let text = (places..=places.max(MAX_PLACES)).map(|places| x.short(places)).find(|text| !is_zero(text));
        Some(text.unwrap_or_else(|| x.short(places)))
    };
    let mut text = match amount {
        Amount::Known(x) => number(*x)?,
        Amount::Range(span) => match (number(span.low)?, span.high) {
            (low, None) => format!("at least {low}"),
            (low, Some(high)) => match number(high)? {
                high if low == high => low,
                high => format!("{low} to {high}"),
            },
        },
        Amount::Unknown(_) => return None,
    };
    if let Some(unit) = unit.map(Scale::spelled).filter(|u| !u.is_empty()) {
        text.push(' ');
        text.push_str(unit);
    }
    Some(text)
}
