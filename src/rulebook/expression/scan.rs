//! The text before it is parsed: only characters, words and symbols of the subset pass, bounded in number and
//! nesting, and literals are kept as they are written.

use super::{Fault, MAX_CHARACTERS, MAX_NESTING, MAX_OPERATORS, MAX_TOKENS};
use crate::exact::{Decimal, Exact};
use std::collections::BTreeMap;

/// A text that may be given to the parser.
#[derive(Debug)]
pub(super) struct Scanned {
    /// The text with every character outside ASCII replaced, so that the parser's offsets count characters. Only
    /// quoted text holds such characters, and quoted text is taken from here, not from the parser.
    pub(super) masked: String,
    /// Numbers by the offset of their first digit.
    pub(super) numbers: BTreeMap<usize, Exact>,
    /// Quoted texts by the offset of their opening quote.
    pub(super) quoted: BTreeMap<usize, String>,
}

/// Line and column of an offset in characters, each from 1.
pub(super) fn place(chars: &[char], at: usize) -> (usize, usize) {
    let before = chars.get(..at.min(chars.len())).unwrap_or_default();
    let line = before.iter().filter(|c| **c == '\n').count() + 1;
    let column = before.iter().rev().take_while(|c| **c != '\n').count() + 1;
    (line, column)
}

/// Words of the parser's language that mean something else there or are kept free by it.
const RESERVED: [&str; 17] = [
    "null",
    "as",
    "break",
    "const",
    "continue",
    "else",
    "for",
    "function",
    "if",
    "import",
    "let",
    "loop",
    "package",
    "namespace",
    "return",
    "var",
    "while",
];

struct Scanner<'c> {
    chars: &'c [char],
    at: usize,
    faults: Vec<Fault>,
    numbers: BTreeMap<usize, Exact>,
    quoted: BTreeMap<usize, String>,
}

impl Scanner<'_> {
    fn peek(&self, ahead: usize) -> Option<char> {
        self.chars.get(self.at + ahead).copied()
    }

    fn wrong(&mut self, at: usize, message: impl Into<String>, suggestion: Option<&str>) {
        let (line, column) = place(self.chars, at);
        self.faults.push(Fault {
            offset_line: line,
            offset_column: column,
            message: message.into(),
            suggestion: suggestion.map(str::to_owned),
            within: None,
        });
    }

    fn taken(&mut self, test: impl Fn(char) -> bool) -> String {
        let mut out = String::new();
        while let Some(c) = self.peek(0).filter(|c| test(*c)) {
            out.push(c);
            self.at += 1;
        }
        out
    }

    fn number(&mut self) {
        let from = self.at;
        let written = self.taken(|c| c.is_ascii_alphanumeric() || c == '.' || c == '_');
        // Exponents, hexadecimal and unsigned numbers are not of the subset: figures are decimals as written.
        let plain = written.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        match Decimal::parse(&written) {
            Ok(decimal) if plain => {
                self.numbers.insert(from, decimal.exact());
            }
            Ok(_) => self.wrong(from, format!("`{written}` is no plain decimal"), Some("a decimal such as 0.5")),
            Err(e) if plain => self.wrong(from, format!("`{written}` cannot be read: {e}"), None),
            Err(_) => self.wrong(
                from,
                format!("`{written}` is no plain decimal"),
                Some("a decimal such as 0.5, or an amount such as q('500 mL')"),
            ),
        }
    }

    fn quoted(&mut self, quote: char) {
        let from = self.at;
        self.at += 1;
        let text = self.taken(|c| c != quote && c != '\n' && c != '\r');
        if self.peek(0) != Some(quote) {
            return self.wrong(from, "a quoted text is not closed", None);
        }
        self.at += 1;
        if text.contains('\\') {
            self.wrong(from, "a backslash cannot stand in a quoted text", None);
        } else if self.peek(0) == Some(quote) {
            self.wrong(self.at, "two quoted texts stand side by side", None);
        }
        self.quoted.insert(from, text);
    }
}

/// Looks over a text.
pub(super) fn scan(text: &str) -> Result<Scanned, Vec<Fault>> {
    let chars: Vec<char> = text.chars().take(MAX_CHARACTERS + 1).collect();
    let mut s = Scanner { chars: &chars, at: 0, faults: Vec::new(), numbers: BTreeMap::new(), quoted: BTreeMap::new() };
    if chars.len() > MAX_CHARACTERS {
        s.wrong(0, format!("the expression is longer than {MAX_CHARACTERS} characters"), None);
        return Err(s.faults);
    }
    let (mut tokens, mut signs, mut choices, mut operators) = (0usize, 0usize, 0usize, 0usize);
    let mut open: Vec<(char, usize)> = Vec::new();
    while let Some(c) = s.peek(0) {
        let from = s.at;
        if matches!(c, ' ' | '\t' | '\n' | '\r') {
            s.at += 1;
            continue;
        }
        tokens += 1;
        signs = if matches!(c, '!' | '-') { signs + 1 } else { 0 };
        choices += usize::from(c == '?');
        operators += usize::from(matches!(c, '+' | '-' | '*' | '/' | '<' | '>' | '=' | '!'));
        if operators > MAX_OPERATORS {
            s.wrong(from, format!("the expression has more than {MAX_OPERATORS} operators"), None);
            return Err(s.faults);
        }
        if tokens > MAX_TOKENS {
            s.wrong(from, format!("the expression has more than {MAX_TOKENS} parts"), None);
            return Err(s.faults);
        }
        if open.len() > MAX_NESTING || signs > MAX_NESTING || choices > MAX_NESTING {
            s.wrong(from, format!("the expression is nested deeper than {MAX_NESTING}"), None);
            return Err(s.faults);
        }
        match (c, s.peek(1)) {
            ('0'..='9', _) => s.number(),
            ('a'..='z' | 'A'..='Z' | '_', _) => {
                let word = s.taken(|c| c.is_ascii_alphanumeric() || c == '_');
                if RESERVED.contains(&word.as_str()) {
                    s.wrong(from, format!("`{word}` cannot be used as a name"), None);
                }
                if matches!(s.peek(0), Some('\'' | '"')) {
                    s.wrong(from, format!("`{word}` stands directly before a quoted text"), None);
                }
            }
            ('\'' | '"', _) => s.quoted(c),
            ('&', Some('&')) | ('|', Some('|')) | ('=' | '!' | '<' | '>', Some('=')) => s.at += 2,
            ('(' | '[', _) => {
                open.push((if c == '(' { ')' } else { ']' }, from));
                s.at += 1;
            }
            (')' | ']', _) => {
                match open.pop() {
                    Some((expected, _)) if expected == c => {}
                    Some((expected, _)) => s.wrong(from, format!("`{c}` where `{expected}` was expected"), None),
                    None => s.wrong(from, format!("`{c}` without an opening one"), None),
                }
                s.at += 1;
            }
            ('!' | '<' | '>' | '+' | '-' | '*' | '/' | '?' | ':' | ',', _) => s.at += 1,
            _ => {
                let hint = match c {
                    '&' => Some("&&"),
                    '|' => Some("||"),
                    '=' => Some("=="),
                    '≤' => Some("<="),
                    '≥' => Some(">="),
                    '≠' => Some("!="),
                    '×' | '·' => Some("*"),
                    '÷' => Some("/"),
                    '−' | '–' => Some("-"),
                    '‘' | '’' | '“' | '”' => Some("'"),
                    _ => None,
                };
                s.wrong(from, format!("`{}` cannot stand in an expression", c.escape_debug()), hint);
                s.at += 1;
            }
        }
    }
    for (expected, at) in open {
        s.wrong(at, format!("`{expected}` is missing for this bracket"), None);
    }
    if tokens == 0 {
        s.wrong(0, "the expression is empty", None);
    }
    let Scanner { faults, numbers, quoted, .. } = s;
    if !faults.is_empty() {
        return Err(faults);
    }
    let masked = chars.iter().map(|c| if c.is_ascii() && !c.is_ascii_control() || *c == '\n' { *c } else { ' ' });
    Ok(Scanned { masked: masked.collect(), numbers, quoted })
}
