//! Sentences with figures in them.

use super::{Expression, Fault, Names, Scale, Wanted, scan};
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

/// A sentence with figures in it: `{expression; unit; places}`, unit and places optional, `{{` and `}}` braces.
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
}

impl Template {
    /// Reads and checks a sentence.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn compile(text: &str, names: &Names<'_>) -> Result<Self, Vec<Fault>> {
        let chars: Vec<char> = text.chars().collect();
        let place = |at: usize| scan::place(&chars, at);
        if chars.len() > MAX_CHARACTERS {
            return Err(vec![fault(place(0), format!("the text is longer than {MAX_CHARACTERS} characters"), None)]);
        }
        let (mut parts, mut faults) = (Vec::new(), Vec::new());
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
                    match figure(&chars, &sections, names) {
                        Ok(part) => parts.push(part),
                        Err(list) => faults.extend(list),
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
        if faults.is_empty() { Ok(Self { text: text.to_owned(), parts }) } else { Err(faults) }
    }

    /// Indices of the facts it uses, ascending, each once.
    pub fn facts(&self) -> Vec<usize> {
        let mut out: Vec<usize> = self.expressions().flat_map(|e| e.facts().iter().copied()).collect();
        out.sort_unstable();
        out.dedup();
        out
    }

    /// The expressions of its figures.
    pub fn expressions(&self) -> impl Iterator<Item = &Expression> {
        self.parts.iter().filter_map(|part| match part {
            Part::Text(_) => None,
            Part::Figure { expression, .. } => Some(expression.as_ref()),
        })
    }

    /// The sentence for one order; `extra` as for [`Expression::evaluate`].
    pub fn render(&self, facts: &dyn Facts, extra: &[Value]) -> String {
        let mut out = String::with_capacity(self.text.len() + 16);
        for part in &self.parts {
            match part {
                Part::Text(text) => out.push_str(text),
                Part::Figure { expression, unit, places } => {
                    show(&mut out, &expression.evaluate(facts, extra), unit.as_ref(), *places);
                }
            }
        }
        out
    }
}

fn fault((line, column): (usize, usize), message: String, suggestion: Option<String>) -> Fault {
    Fault { offset_line: line, offset_column: column, message, suggestion }
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
    let expression = match Expression::compile(&text, names, Wanted::Any) {
        Ok(expression) => Some(expression),
        Err(list) => {
            let (line, column) = scan::place(chars, at);
            faults.extend(list.into_iter().map(|f| Fault {
                // Only the first line of the expression starts behind other text.
                offset_column: if f.offset_line == 1 { f.offset_column + column - 1 } else { f.offset_column },
                offset_line: f.offset_line + line - 1,
                ..f
            }));
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

fn show(out: &mut String, value: &Value, unit: Option<&Scale>, places: u32) {
    match value {
        Value::Quantity(amount) => match shown(amount, unit, places) {
            Some(text) => out.push_str(&text),
            None => out.push_str(NOT_KNOWN),
        },
        Value::Word(word) => out.push_str(word),
        Value::Truth(Truth::True) => out.push_str("yes"),
        Value::Truth(Truth::False) => out.push_str("no"),
        Value::Truth(Truth::Unknown { .. }) | Value::Keys(_) | Value::Missing(_) => out.push_str(NOT_KNOWN),
    }
}

/// An amount for people, rounded once; `None` when nothing is known of it.
pub(in crate::rulebook) fn shown(amount: &Amount, unit: Option<&Scale>, places: u32) -> Option<String> {
    let number = |x: Exact| -> Option<String> {
        let x = match unit {
            Some(unit) => unit.from_base(x)?,
            None => x,
        };
        Some(x.short(places))
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
