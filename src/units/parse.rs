//! The parser of UCUM codes. It works from left to right with a small fixed stack, so that neither the
//! length nor the nesting of a code can cost more than a few hundred steps.

use super::table::{self, Atom};
use super::{Dimension, Unit};
use crate::exact::Exact;
use std::borrow::Cow;

/// Longest code that is read, bytes.
pub const MAX_CODE_BYTES: usize = 64;
/// Deepest nesting of parentheses.
pub const MAX_NESTING: usize = 4;
const MAX_NUMBER_DIGITS: usize = 9;
const MAX_EXPONENT: i8 = Dimension::LARGEST;

/// Why a code is not a usable unit. Each names the part that is to blame.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum UnitError {
    /// Nothing is there.
    #[error("the unit is empty")]
    Empty,
    /// Longer than [`MAX_CODE_BYTES`].
    #[error("the unit is longer than {MAX_CODE_BYTES} bytes")]
    TooLong,
    /// More than [`MAX_NESTING`] open parentheses.
    #[error("more than {MAX_NESTING} nested parentheses in the unit")]
    Nesting,
    /// A character outside ASCII, or white space. It is given by its number, because look-alikes cannot be told by eye.
    #[error("the character U+{0:04X} cannot stand in a UCUM code{1}", u32::from(*.found), Hint(*.hint))]
    Character {
        /// The character.
        found: char,
        /// What to write instead.
        hint: Option<&'static str>,
    },
    /// A symbol outside the subset.
    #[error("`{part}` is not a known unit{hint}", hint = Hint(*.hint))]
    Unknown {
        /// The symbol.
        part: String,
        /// What to write instead.
        hint: Option<&'static str>,
    },
    /// A symbol that is known and cannot be computed with.
    #[error("`{unit}` cannot be computed with: {why}")]
    NotForArithmetic {
        /// The symbol.
        unit: String,
        /// The reason.
        why: &'static str,
    },
    /// Not in UCUM's grammar.
    #[error("{what} at `{at}`")]
    Grammar {
        /// What is wrong.
        what: &'static str,
        /// The rest of the code from there; `end of unit` at its end.
        at: String,
    },
    /// The factor or an exponent is outside the range of exact arithmetic.
    #[error("the unit is outside the range of exact arithmetic")]
    Range,
}

struct Hint(Option<&'static str>);

impl std::fmt::Display for Hint {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        self.0.map_or(Ok(()), |hint| write!(f, "; {hint}"))
    }
}

#[derive(Clone, Copy)]
struct Part {
    factor: Exact,
    dimension: Dimension,
    small_calories: i8,
}

const ONE: Part = Part { factor: Exact::ONE, dimension: Dimension::NUMBER, small_calories: 0 };

impl Part {
    fn power(self, n: i8) -> Option<Self> {
        let mut factor = Exact::ONE;
        for _ in 0..n.unsigned_abs() {
            factor = factor.mul(self.factor)?;
        }
        if n < 0 {
            factor = Exact::ONE.div(factor)?;
        }
        Some(Self { factor, dimension: self.dimension.power(n)?, small_calories: self.small_calories.checked_mul(n)? })
    }

    fn join(self, divide: bool, right: Self) -> Option<Self> {
        let right = if divide { right.power(-1)? } else { right };
        Some(Self {
            factor: self.factor.mul(right.factor)?,
            dimension: self.dimension.times(right.dimension)?,
            small_calories: self.small_calories.checked_add(right.small_calories)?,
        })
    }
}

/// What has been read on one level of parentheses, and how the next component joins it.
#[derive(Clone, Copy)]
struct Level {
    so_far: Part,
    divide: bool,
}

const FRESH: Level = Level { so_far: ONE, divide: false };

struct Parser<'c> {
    code: &'c str,
    at: usize,
    annotated: bool,
}

pub(super) fn parse(code: &str) -> Result<Unit, UnitError> {
    if code.is_empty() {
        return Err(UnitError::Empty);
    }
    if code.len() > MAX_CODE_BYTES {
        return Err(UnitError::TooLong);
    }
    if let Some(found) = code.chars().find(|c| !c.is_ascii_graphic()) {
        return Err(UnitError::Character { found, hint: character_hint(found) });
    }
    let mut parser = Parser { code, at: 0, annotated: false };
    let whole = parser.term()?;
    Ok(Unit {
        code: Cow::Owned(code.to_owned()),
        factor: whole.factor.reduced(),
        dimension: whole.dimension,
        small_calories: whole.small_calories,
        annotated: parser.annotated,
    })
}

impl Parser<'_> {
    fn peek(&self) -> Option<u8> {
        self.code.as_bytes().get(self.at).copied()
    }

    fn step(&mut self) {
        self.at = self.at.saturating_add(1);
    }

    fn take_while(&mut self, test: impl Fn(u8) -> bool) -> &str {
        let from = self.at;
        while self.peek().is_some_and(&test) {
            self.step();
        }
        self.code.get(from..self.at).unwrap_or("")
    }

    fn wrong(&self, what: &'static str) -> UnitError {
        let rest = self.code.get(self.at..).unwrap_or("");
        UnitError::Grammar { what, at: if rest.is_empty() { "end of unit".to_owned() } else { rest.to_owned() } }
    }

    fn term(&mut self) -> Result<Part, UnitError> {
        let mut outer = [FRESH; MAX_NESTING];
        let mut depth = 0usize;
        let mut level = FRESH;
        if self.peek() == Some(b'/') {
            level.divide = true;
            self.step();
        }
        loop {
            if self.peek() == Some(b'(') {
                *outer.get_mut(depth).ok_or(UnitError::Nesting)? = level;
                depth = depth.saturating_add(1);
                level = FRESH;
                self.step();
                continue;
            }
            let mut right = self.component()?;
            // After a component: close parentheses, then an operator or the end.
            loop {
                let joined = level.so_far.join(level.divide, right).ok_or(UnitError::Range)?;
                if self.peek() != Some(b')') {
                    level.so_far = joined;
                    break;
                }
                depth =
                    depth.checked_sub(1).ok_or_else(|| self.wrong("a closing parenthesis without an opening one"))?;
                level = *outer.get(depth).ok_or(UnitError::Nesting)?;
                right = joined;
                self.step();
            }
            match self.peek() {
                None if depth == 0 => return Ok(level.so_far),
                None => return Err(self.wrong("a closing parenthesis is missing")),
                Some(b'.') => level.divide = false,
                Some(b'/') => level.divide = true,
                Some(_) => return Err(self.wrong("an operator `.` or `/` is missing")),
            }
            self.step();
        }
    }

    fn component(&mut self) -> Result<Part, UnitError> {
        let part = match self.peek() {
            None => return Err(self.wrong("a unit is missing")),
            Some(b'{') => ONE,
            Some(b'0'..=b'9') => self.number()?,
            Some(b'.' | b'/' | b')' | b'}' | b']' | b'+' | b'-') => return Err(self.wrong("a unit is missing")),
            Some(_) => self.symbol()?,
        };
        if self.peek() == Some(b'{') {
            self.annotation()?;
        }
        Ok(part)
    }

    fn number(&mut self) -> Result<Part, UnitError> {
        let from = self.at;
        let digits = self.take_while(|b| b.is_ascii_digit());
        if digits.len() > MAX_NUMBER_DIGITS {
            return Err(UnitError::Range);
        }
        let Some(value) = digits.parse::<i64>().ok().filter(|n| *n > 0) else {
            self.at = from;
            return Err(self.wrong("a number in a unit must be above zero"));
        };
        if self.peek().is_some_and(|b| b.is_ascii_alphabetic() || b == b'[' || b == b'%') {
            self.at = from;
            return Err(self.wrong("a `.` is missing between the number and the unit"));
        }
        Ok(Part { factor: Exact::int(value), ..ONE })
    }

    fn symbol(&mut self) -> Result<Part, UnitError> {
        let from = self.at;
        if self.peek() == Some(b'[') {
            self.take_while(|b| b != b']');
            if self.peek().is_none() {
                self.at = from;
                return Err(self.wrong("a closing bracket is missing"));
            }
            self.step();
        } else {
            self.take_while(|b| {
                !matches!(b, b'.' | b'/' | b'(' | b')' | b'{' | b'}' | b'[' | b']' | b'+' | b'-') && !b.is_ascii_digit()
            });
        }
        let symbol = self.code.get(from..self.at).unwrap_or("");
        let Some(Atom { factor, dimension, small_calorie }) = table::atom(symbol) else {
            return Err(match table::refusal(symbol) {
                Some(why) => UnitError::NotForArithmetic { unit: symbol.to_owned(), why },
                None => UnitError::Unknown { part: symbol.to_owned(), hint: symbol_hint(symbol) },
            });
        };
        let atom = Part { factor, dimension, small_calories: i8::from(small_calorie) };
        match self.exponent(symbol == "%")? {
            Some(n) => atom.power(n).ok_or(UnitError::Range),
            None => Ok(atom),
        }
    }

    fn exponent(&mut self, refused: bool) -> Result<Option<i8>, UnitError> {
        let from = self.at;
        let sign = self.peek().filter(|b| matches!(b, b'+' | b'-'));
        if sign.is_some() {
            self.step();
        }
        let digits = self.take_while(|b| b.is_ascii_digit());
        if digits.is_empty() && sign.is_none() {
            return Ok(None);
        }
        let value = digits.parse::<i8>().ok().filter(|n| (1..=MAX_EXPONENT).contains(n) && !refused);
        let Some(value) = value else {
            self.at = from;
            return Err(self.wrong("an exponent must be 1 to 9"));
        };
        Ok(Some(if sign == Some(b'-') { value.saturating_neg() } else { value }))
    }

    fn annotation(&mut self) -> Result<(), UnitError> {
        let from = self.at;
        self.step();
        self.take_while(|b| !matches!(b, b'{' | b'}'));
        if self.peek() != Some(b'}') {
            self.at = from;
            return Err(self.wrong("a closing brace is missing"));
        }
        self.step();
        self.annotated = true;
        Ok(())
    }
}

fn character_hint(found: char) -> Option<&'static str> {
    Some(match found {
        '\u{b5}' | '\u{3bc}' => "UCUM writes micro as the letter u",
        '\u{b2}' | '\u{b3}' => "UCUM writes powers as plain digits, as in m2",
        '\u{b7}' | '\u{d7}' | '\u{22c5}' => "UCUM multiplies with a full stop",
        '\u{b0}' => "UCUM writes degrees Celsius as Cel",
        ' ' | '\t' | '\n' | '\r' | '\u{a0}' => "UCUM codes have no spaces",
        '\u{370}'..='\u{52f}' => "a Greek or Cyrillic letter looks like a Latin one",
        '\u{ff01}'..='\u{ff5e}' => "write it in ASCII, not full width",
        _ => return None,
    })
}

/// What to write instead. A hint is shown to people; it never changes how a code is read.
fn symbol_hint(symbol: &str) -> Option<&'static str> {
    let lower = symbol.to_ascii_lowercase();
    Some(match lower.as_str() {
        "hr" | "hrs" | "hour" | "hours" => "the hour is h in UCUM",
        "day" | "days" => "the day is d in UCUM",
        "mins" | "minute" | "minutes" => "the minute is min in UCUM",
        "sec" | "secs" | "second" | "seconds" => "the second is s in UCUM",
        "week" | "weeks" | "wks" | "w" => "the week is wk in UCUM",
        "month" | "months" | "year" | "years" | "yr" | "y" => "months and years have no fixed length",
        "cc" | "mls" | "milliliter" | "milliliters" | "millilitre" | "millilitres" => "the millilitre is mL in UCUM",
        "cal" | "cals" | "calorie" | "calories" | "kcal" | "kcals" | "kilocalorie" | "kilocalories" => {
            "the kilocalorie is kcal in UCUM (or [Cal])"
        }
        "kj" | "kilojoule" | "kilojoules" => "the kilojoule is kJ in UCUM",
        "oz" | "ounce" | "ounces" | "floz" | "fl" | "[oz]" | "[foz]" | "[floz]" => {
            "an ounce is [foz_us] or [foz_br] (fluid) or [oz_av] (mass) in UCUM"
        }
        "lb" | "lbs" | "pound" | "pounds" | "[lb]" => "the pound is [lb_av] in UCUM",
        "in" | "inch" | "inches" | "[in]" => "the inch is [in_i] in UCUM",
        "ft" | "foot" | "feet" | "[ft]" => "the foot is [ft_i] in UCUM",
        "mcg" => "the microgram is ug in UCUM",
        "gm" | "gms" | "gram" | "grams" | "gramme" | "grammes" => "the gram is g in UCUM",
        "kgs" | "kilo" | "kilos" | "kilogram" | "kilograms" => "the kilogram is kg in UCUM",
        "mcl" => "the microlitre is uL in UCUM",
        "meq" | "eq" => "milliequivalents are meq in UCUM",
        "osm" | "mosm" | "mosmol" | "osmol" => "milliosmoles are mosm in UCUM",
        "gtt" | "gtts" | "drop" | "drops" | "drp" => "the size of a drop differs between tubes and sets",
        "cup" | "cups" => "the US cup is [cup_us] in UCUM",
        "tsp" => "the US teaspoon is [tsp_us] in UCUM",
        "tbsp" | "tbs" => "the US tablespoon is [tbs_us] in UCUM",
        _ if lower != symbol && table::atom(&lower).is_some() => "UCUM codes are case-sensitive",
        _ => return None,
    })
}
