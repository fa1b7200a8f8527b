//! Exact numbers: the decimal as it was written, and the rational it is computed with.
//!
//! Nothing in here rounds except [`Exact::rounded`], which is for display only. Every operation that
//! could leave the range of the type returns `None`; the caller turns that into an unknown with a reason.

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

use std::cmp::Ordering;
use std::fmt;
use std::num::NonZero;

/// A number exactly as written on the wire: `mantissa × 10^-scale`.
///
/// Keeps trailing zeros (`1.50` stays `1.50`). At most 18 significant digits and an exponent within ±9;
/// anything else is refused by [`Decimal::parse`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Decimal {
    mantissa: i64,
    scale: i8,
}

/// Why a number literal was refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum DecimalError {
    /// Not a number in JSON's grammar.
    #[error("not a number in JSON's grammar")]
    Grammar,
    /// More than 18 significant digits.
    #[error("more than 18 significant digits")]
    Digits,
    /// The power of ten lies outside ±9.
    #[error("an exponent outside -9 to 9")]
    Exponent,
}

/// Most significant digits a literal may carry.
pub const MAX_DIGITS: u32 = 18;
/// Largest power of ten, either way, that a literal may carry.
pub const MAX_EXPONENT: i32 = 9;

impl Decimal {
    /// A decimal from its parts, for constants: `Decimal::new(150, 2)` is `1.50`.
    pub const fn new(mantissa: i64, scale: i8) -> Self {
        Self { mantissa, scale }
    }

    /// Reads a JSON number literal.
    ///
    /// # Errors
    /// [`DecimalError`] for anything outside JSON's grammar (a sign `+`, leading zeros, `NaN`), over 18
    /// significant digits, over 18 places after the point, nine zeros or more between the point and the first other
    /// digit, or an `e` part outside ±9.
    pub fn parse(literal: &str) -> Result<Self, DecimalError> {
        let bytes = literal.as_bytes();
        let mut at = 0usize;
        let byte = |i: usize| bytes.get(i).copied();
        let negative = byte(at) == Some(b'-');
        if negative {
            at += 1;
        }
        let mut mantissa: i64 = 0;
        let mut digits: u32 = 0;
        let mut scale: i32 = 0;
        let push = |d: u8, mantissa: &mut i64, digits: &mut u32| -> Result<(), DecimalError> {
            if *digits == 0 && d == b'0' {
                return Ok(());
            }
            *digits += 1;
            if *digits > MAX_DIGITS {
                return Err(DecimalError::Digits);
            }
            *mantissa = *mantissa * 10 + i64::from(d - b'0');
            Ok(())
        };
        match byte(at) {
            Some(b'0') => {
                at += 1;
                if matches!(byte(at), Some(b'0'..=b'9')) {
                    return Err(DecimalError::Grammar);
                }
            }
            Some(b'1'..=b'9') => {
                while let Some(d @ b'0'..=b'9') = byte(at) {
                    push(d, &mut mantissa, &mut digits)?;
                    at += 1;
                }
            }
            _ => return Err(DecimalError::Grammar),
        }
        if byte(at) == Some(b'.') {
            at += 1;
            let first = at;
            while let Some(d @ b'0'..=b'9') = byte(at) {
                push(d, &mut mantissa, &mut digits)?;
                scale += 1;
                at += 1;
            }
            if at == first {
                return Err(DecimalError::Grammar);
            }
        }
        if matches!(byte(at), Some(b'e' | b'E')) {
            at += 1;
            let minus = byte(at) == Some(b'-');
            if matches!(byte(at), Some(b'+' | b'-')) {
                at += 1;
            }
            let first = at;
            let mut exponent: i32 = 0;
            while let Some(d @ b'0'..=b'9') = byte(at) {
                exponent = (exponent * 10 + i32::from(d - b'0')).min(1_000_000);
                at += 1;
            }
            if at == first {
                return Err(DecimalError::Grammar);
            }
            if exponent > MAX_EXPONENT {
                return Err(DecimalError::Exponent);
            }
            scale += if minus { exponent } else { -exponent };
        }
        if at != bytes.len() {
            return Err(DecimalError::Grammar);
        }
        // Places after the point count as a negative power of ten: 1e-400 and 0.000…1 are the same trap.
        if !(-MAX_EXPONENT..=2 * MAX_EXPONENT).contains(&scale)
            || i64::from(scale) - i64::from(digits) >= i64::from(MAX_EXPONENT)
        {
            return Err(DecimalError::Exponent);
        }
        Ok(Self { mantissa: if negative { -mantissa } else { mantissa }, scale: scale as i8 })
    }

    /// The exact value.
    pub fn exact(self) -> Exact {
        let scale = i32::from(self.scale);
        if scale <= 0 {
            // INVARIANT: |mantissa| < 10^18 and -scale <= 9, so the product is below 10^27.
            Exact::over(i128::from(self.mantissa) * pow10(scale.unsigned_abs()), 1)
        } else {
            Exact::over(i128::from(self.mantissa), pow10(scale.unsigned_abs()))
        }
    }

    /// Whether the value is zero.
    pub fn is_zero(self) -> bool {
        self.mantissa == 0
    }

    /// Whether the value is below zero.
    pub fn is_negative(self) -> bool {
        self.mantissa < 0
    }
}

impl fmt::Display for Decimal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.mantissa < 0 { "-" } else { "" };
        let digits = self.mantissa.unsigned_abs();
        if self.scale <= 0 {
            let whole = u128::from(digits) * pow10(u32::from(self.scale.unsigned_abs())).unsigned_abs();
            return write!(f, "{sign}{whole}");
        }
        let unit = pow10(u32::from(self.scale.unsigned_abs())).unsigned_abs();
        let places = usize::from(self.scale.unsigned_abs());
        write!(f, "{sign}{}.{:0places$}", u128::from(digits) / unit, u128::from(digits) % unit)
    }
}

const fn pow10(n: u32) -> i128 {
    let mut out: i128 = 1;
    let mut i = 0;
    while i < n {
        out *= 10;
        i += 1;
    }
    out
}

/// An exact rational number. Operations return `None` when the result leaves the range of `i128` even
/// after reduction; they never round.
#[derive(Clone, Copy, Debug)]
pub struct Exact {
    num: i128,
    // INVARIANT: 0 < den <= i128::MAX. Not zero by its type, so that an optional number takes no more room.
    den: NonZero<u128>,
}

/// Above this a part is reduced at once, so that the next product still fits.
const REDUCE_ABOVE: u128 = 1 << 62;

/// The product, when it is in range. Two numbers of 64 bits, which nearly all are, need no look at the range.
#[inline]
fn product(a: i128, b: i128) -> Option<i128> {
    match (i64::try_from(a), i64::try_from(b)) {
        (Ok(a), Ok(b)) => Some(i128::from(a).wrapping_mul(i128::from(b))),
        _ => a.checked_mul(b),
    }
}

#[allow(clippy::should_implement_trait, reason = "the operators cannot return None")]
impl Exact {
    /// 0.
    pub const ZERO: Self = Self::over(0, 1);
    /// 1.
    pub const ONE: Self = Self::over(1, 1);

    /// From its parts. INVARIANT: callers give `den > 0`; 0 would be read as 1.
    #[inline]
    const fn over(num: i128, den: i128) -> Self {
        let den = match NonZero::new(den.unsigned_abs()) {
            Some(den) => den,
            None => NonZero::<u128>::MIN,
        };
        Self { num, den }
    }

    #[inline]
    const fn den(self) -> i128 {
        self.den.get().cast_signed()
    }

    /// Both parts, where each has at most 64 bits, as nearly all have.
    #[inline]
    fn narrow(self) -> Option<(i64, i64)> {
        Some((i64::try_from(self.num).ok()?, i64::try_from(self.den.get()).ok()?))
    }

    /// A whole number.
    pub const fn int(n: i64) -> Self {
        Self::over(n as i128, 1)
    }

    /// `num / den` for constants. A `den` of 0 or below is read as 1, so that the type's invariant holds;
    /// constants are checked by tests.
    pub const fn ratio(num: i64, den: i64) -> Self {
        Self::over(num as i128, if den > 0 { den as i128 } else { 1 })
    }

    /// `mantissa × 10^-places`, for constants: `Exact::decimal(295735295625, 10)`.
    pub const fn decimal(mantissa: i64, places: u32) -> Self {
        Self::over(mantissa as i128, pow10(places))
    }

    /// `None` for the one numerator that has no opposite, so that [`Exact::neg`] and [`Exact::abs`] hold.
    #[inline]
    fn settled(num: i128, den: i128) -> Option<Self> {
        if num.unsigned_abs() <= REDUCE_ABOVE && den.unsigned_abs() <= REDUCE_ABOVE {
            return Some(Self::over(num, den));
        }
        Some(Self::over(num, den).reduced()).filter(|x| x.num != i128::MIN)
    }

    /// The same value in lowest terms.
    pub fn reduced(self) -> Self {
        if self.den.get() == 1 {
            return self;
        }
        let g = gcd(self.num.unsigned_abs(), self.den.get());
        if g <= 1 {
            return self;
        }
        // INVARIANT: g divides both parts and den > 0, hence g <= i128::MAX.
        Self::over(self.num / g as i128, self.den() / g as i128)
    }

    /// Numerator and denominator in lowest terms.
    pub fn parts(self) -> (i128, i128) {
        let r = self.reduced();
        (r.num, r.den())
    }

    /// `self + other`. Also `None` when only the numerators over the common denominator leave the range.
    #[inline]
    pub fn add(self, other: Self) -> Option<Self> {
        if self.den == other.den {
            return Self::settled(self.num.checked_add(other.num)?, self.den());
        }
        self.add_unlike(other)
    }

    fn add_unlike(self, other: Self) -> Option<Self> {
        if self.num == 0 {
            return Some(other);
        }
        if other.num == 0 {
            return Some(self);
        }
        let plain = |a: Self, b: Self| -> Option<Self> {
            let num = product(a.num, b.den())?.checked_add(product(b.num, a.den())?)?;
            Self::settled(num, product(a.den(), b.den())?)
        };
        plain(self, other).or_else(|| {
            let (a, b) = (self.reduced(), other.reduced());
            let g = gcd(a.den.get(), b.den.get()) as i128;
            let left = a.num.checked_mul(b.den() / g)?;
            let right = b.num.checked_mul(a.den() / g)?;
            Self::settled(left.checked_add(right)?, (a.den() / g).checked_mul(b.den())?)
        })
    }

    /// `self - other`.
    #[inline]
    pub fn sub(self, other: Self) -> Option<Self> {
        self.add(other.neg())
    }

    /// `-self`.
    #[inline]
    pub fn neg(self) -> Self {
        // INVARIANT: num is never i128::MIN: `settled` and the constructors refuse it.
        Self { num: self.num.wrapping_neg(), den: self.den }
    }

    /// `self × other`.
    pub fn mul(self, other: Self) -> Option<Self> {
        if let (Some((a, b)), Some((c, d))) = (self.narrow(), other.narrow()) {
            let (num, den) = (i128::from(a).wrapping_mul(i128::from(c)), i128::from(b).wrapping_mul(i128::from(d)));
            return Self::settled(num, den);
        }
        if let (Some(num), Some(den)) = (product(self.num, other.num), product(self.den(), other.den())) {
            return Self::settled(num, den);
        }
        let (x, y) = (self.reduced(), other.reduced());
        let a = Self { num: x.num, den: y.den }.reduced();
        let b = Self { num: y.num, den: x.den }.reduced();
        Self::settled(a.num.checked_mul(b.num)?, a.den().checked_mul(b.den())?)
    }

    /// `self ÷ other`; `None` also when `other` is 0.
    #[inline]
    pub fn div(self, other: Self) -> Option<Self> {
        let flipped = match other.num.cmp(&0) {
            Ordering::Equal => return None,
            Ordering::Greater => Self::over(other.den(), other.num),
            Ordering::Less => Self::over(other.den().checked_neg()?, other.num.checked_neg()?),
        };
        self.mul(flipped)
    }

    /// Largest whole number not above the value.
    pub fn floor(self) -> i128 {
        if self.den.get() == 1 { self.num } else { self.num.div_euclid(self.den()) }
    }

    /// Smallest whole number not below the value.
    pub fn ceil(self) -> i128 {
        let down = self.floor();
        if down.checked_mul(self.den()) == Some(self.num) { down } else { down.saturating_add(1) }
    }

    /// Whether the value is a whole number.
    pub fn is_whole(self) -> bool {
        self.den.get() == 1 || self.num % self.den() == 0
    }

    /// A whole number of any size; `None` outside the range of the type.
    pub fn whole(n: i128) -> Option<Self> {
        (n != i128::MIN).then_some(Self::over(n, 1))
    }

    /// Whether the value is 0.
    #[inline]
    pub fn is_zero(self) -> bool {
        self.num == 0
    }

    /// Whether the value is above 0.
    #[inline]
    pub fn is_positive(self) -> bool {
        self.num > 0
    }

    /// Whether the value is below 0.
    #[inline]
    pub fn is_negative(self) -> bool {
        self.num < 0
    }

    /// The value without its sign.
    pub fn abs(self) -> Self {
        if self.num < 0 { self.neg() } else { self }
    }

    /// The smaller of two.
    #[inline]
    pub fn min(self, other: Self) -> Self {
        if other < self { other } else { self }
    }

    /// The larger of two.
    #[inline]
    pub fn max(self, other: Self) -> Self {
        if other > self { other } else { self }
    }

    /// Rounded half away from zero to `places` decimals, as text. For display only: nothing is computed
    /// with the result.
    pub fn rounded(self, places: u32) -> String {
        match self.in_digits(places) {
            Some((whole, rest)) => {
                let mut out = String::with_capacity(24);
                write_into(&mut out, self.num < 0 && (whole, rest) != (0, 0), whole, rest, places);
                out
            }
            None => self.rounded_wide(places),
        }
    }

    /// Whole part and decimals, without the sign, rounded half away from zero; `None` for a number too wide
    /// for one division.
    fn in_digits(self, places: u32) -> Option<(u64, u64)> {
        // More decimals than 10^19 tells apart are for the long way.
        let one = 10u64.checked_pow(places)?;
        let (num, den) = (u64::try_from(self.num.unsigned_abs()).ok()?, u64::try_from(self.den.get()).ok()?);
        let (whole, rest) = (num / den, num % den);
        if rest == 0 {
            return Some((whole, 0));
        }
        let (decimals, left) = match rest.checked_mul(one) {
            Some(scaled) => (scaled / den, scaled % den),
            None => {
                let (scaled, den) = (u128::from(rest) * u128::from(one), u128::from(den));
                (u64::try_from(scaled / den).ok()?, u64::try_from(scaled % den).ok()?)
            }
        };
        let decimals = if left >= den - left { decimals + 1 } else { decimals };
        if decimals == one { Some((whole.checked_add(1)?, 0)) } else { Some((whole, decimals)) }
    }

    /// [`Exact::rounded`] for numbers of any width, digit by digit.
    fn rounded_wide(self, places: u32) -> String {
        let (num, den) = self.parts();
        let negative = num < 0;
        let (num, den) = (num.unsigned_abs(), den.unsigned_abs());
        let whole = num / den;
        let mut rest = num % den;
        let mut digits = String::new();
        let mut carry_digits: Vec<u8> = Vec::with_capacity(places as usize);
        for _ in 0..places {
            // `rest < den < 2^127`: take the tenfold in two steps so that it cannot leave u128.
            let (digit, next) = tenfold(rest, den);
            carry_digits.push(digit);
            rest = next;
        }
        let up = rest >= den - rest;
        let mut whole = whole;
        if up {
            let mut i = carry_digits.len();
            let mut carry = true;
            while carry && i > 0 {
                i -= 1;
                if let Some(d) = carry_digits.get_mut(i) {
                    if *d == 9 {
                        *d = 0;
                    } else {
                        *d += 1;
                        carry = false;
                    }
                }
            }
            if carry {
                whole = whole.saturating_add(1);
            }
        }
        for d in &carry_digits {
            digits.push(char::from(b'0' + d));
        }
        let zero = whole == 0 && carry_digits.iter().all(|d| *d == 0);
        let sign = if negative && !zero { "-" } else { "" };
        if places == 0 { format!("{sign}{whole}") } else { format!("{sign}{whole}.{digits}") }
    }

    /// Rounded to at most `places` decimals, without trailing zeros.
    pub fn short(self, places: u32) -> String {
        let mut out = String::with_capacity(24);
        self.short_into(&mut out, places);
        out
    }

    /// [`Exact::short`], added to a text.
    pub fn short_into(self, out: &mut String, places: u32) {
        if let Some((whole, mut decimals)) = self.in_digits(places) {
            let negative = self.num < 0 && (whole, decimals) != (0, 0);
            let mut places = if decimals == 0 { 0 } else { places };
            while places > 0 && decimals.is_multiple_of(10) {
                decimals /= 10;
                places -= 1;
            }
            return write_into(out, negative, whole, decimals, places);
        }
        let text = self.rounded(places);
        let cut = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
        out.push_str(cut);
    }

    /// Whether `places` decimals show the value without rounding.
    pub fn fits(self, places: u32) -> bool {
        Self::over(pow10(places.min(30)), 1).mul(self).is_some_and(|scaled| scaled.is_whole())
    }

    /// The nearest float, for the one room that needs powers and roots. Never used to decide equality.
    #[allow(
        clippy::float_arithmetic,
        clippy::cast_precision_loss,
        reason = "the one way out, for the room with powers and roots"
    )]
    pub fn to_f64(self) -> f64 {
        let (num, den) = self.parts();
        num as f64 / den as f64
    }
}

/// A number in digits: sign, whole part and `places` decimals.
fn write_into(out: &mut String, negative: bool, whole: u64, decimals: u64, places: u32) {
    let mut digits = [0u8; 44];
    let mut used = 0;
    let mut left = decimals;
    for (k, slot) in digits.iter_mut().rev().enumerate() {
        let k = k as u32;
        *slot = match k.cmp(&places) {
            Ordering::Less => {
                let digit = left % 10;
                left /= 10;
                b'0' + digit as u8
            }
            Ordering::Equal if places > 0 => {
                left = whole;
                b'.'
            }
            _ => {
                if k == 0 {
                    left = whole;
                }
                let digit = left % 10;
                left /= 10;
                b'0' + digit as u8
            }
        };
        used = k + 1;
        // At least one digit stands before the point.
        if left == 0 && k >= places + u32::from(places > 0) {
            break;
        }
    }
    if negative {
        out.push('-');
    }
    let from = digits.len().saturating_sub(used as usize);
    out.push_str(digits.get(from..).and_then(|digits| std::str::from_utf8(digits).ok()).unwrap_or(""));
}

fn tenfold(rest: u128, den: u128) -> (u8, u128) {
    let mut digit = 0u8;
    let mut acc = 0u128;
    for _ in 0..10 {
        // INVARIANT: acc < den and rest < den < 2^127, so the sum is below 2^128.
        acc += rest;
        if acc >= den {
            acc -= den;
            digit += 1;
        }
    }
    (digit, acc)
}

fn gcd(a: u128, b: u128) -> u128 {
    if let (Ok(mut x), Ok(mut y)) = (u64::try_from(a), u64::try_from(b)) {
        while y != 0 {
            (x, y) = (y, x % y);
        }
        return u128::from(x);
    }
    let (mut x, mut y) = (a, b);
    while y != 0 {
        (x, y) = (y, x % y);
    }
    x
}

impl PartialEq for Exact {
    #[inline]
    fn eq(&self, other: &Self) -> bool {
        if self.den == other.den { self.num == other.num } else { self.cmp(other) == Ordering::Equal }
    }
}
impl Eq for Exact {}

impl PartialOrd for Exact {
    #[inline]
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Exact {
    #[inline]
    fn cmp(&self, other: &Self) -> Ordering {
        if self.den == other.den {
            return self.num.cmp(&other.num);
        }
        match (self.narrow(), other.narrow()) {
            // Products of 64 bits each fit.
            (Some((a, b)), Some((c, d))) => {
                (i128::from(a).wrapping_mul(i128::from(d))).cmp(&i128::from(c).wrapping_mul(i128::from(b)))
            }
            _ => self.cmp_unlike(other),
        }
    }
}

impl Exact {
    fn cmp_unlike(&self, other: &Self) -> Ordering {
        let (left, right) = (self.num.signum(), other.num.signum());
        if left != right {
            return left.cmp(&right);
        }
        if let (Some(left), Some(right)) = (product(self.num, other.den()), product(other.num, self.den())) {
            return left.cmp(&right);
        }
        // Too wide to cross-multiply: compare whole parts, then the flipped remainders (Euclid).
        let (mut a, mut b) = (self.reduced(), other.reduced());
        let mut flipped = false;
        loop {
            let (wa, wb) = (a.floor(), b.floor());
            if wa != wb {
                return if flipped { wb.cmp(&wa) } else { wa.cmp(&wb) };
            }
            let (ra, rb) = (a.num.rem_euclid(a.den()), b.num.rem_euclid(b.den()));
            match (ra == 0, rb == 0) {
                (true, true) => return Ordering::Equal,
                (true, false) => return if flipped { Ordering::Greater } else { Ordering::Less },
                (false, true) => return if flipped { Ordering::Less } else { Ordering::Greater },
                (false, false) => {
                    (a, b) = (Self::over(a.den(), ra), Self::over(b.den(), rb));
                    flipped = !flipped;
                }
            }
        }
    }
}

impl std::hash::Hash for Exact {
    fn hash<H: std::hash::Hasher>(&self, state: &mut H) {
        self.parts().hash(state);
    }
}

impl From<Decimal> for Exact {
    fn from(d: Decimal) -> Self {
        d.exact()
    }
}

/// Up to nine decimals, without trailing zeros. Display only.
impl fmt::Display for Exact {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.short(9))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn literals_keep_their_precision() {
        for text in ["1.50", "0", "-0.5", "1200", "0.001", "123456789012345678", "0.000000001", "1.000000000000000000"]
        {
            match Decimal::parse(text) {
                Ok(d) => assert_eq!(d.to_string(), text),
                Err(e) => assert_eq!(text, "1.000000000000000000", "{text}: {e}"),
            }
        }
        assert_eq!(Decimal::parse("1E3").map(|d| d.to_string()), Ok("1000".into()));
        assert_eq!(Decimal::parse("-0").map(|d| d.exact()), Ok(Exact::ZERO));
    }

    #[test]
    fn literals_outside_the_range_are_refused() {
        for (text, why) in [
            ("1e400", DecimalError::Exponent),
            ("1e-400", DecimalError::Exponent),
            ("1e2147483648", DecimalError::Exponent),
            ("1234567890123456789", DecimalError::Digits),
            ("NaN", DecimalError::Grammar),
            ("060", DecimalError::Grammar),
            ("+1", DecimalError::Grammar),
            (".5", DecimalError::Grammar),
            ("1.", DecimalError::Grammar),
            ("", DecimalError::Grammar),
            ("1e", DecimalError::Grammar),
            ("1 ", DecimalError::Grammar),
        ] {
            assert_eq!(Decimal::parse(text), Err(why), "{text}");
        }
    }

    #[test]
    fn digits_by_one_division_are_those_by_long_division() {
        let parts = [0, 1, 2, 3, 5, 7, 9, 10, 19, 64, 99, 100, 995, 999, 1_000, 86_400, 999_999, 9_999_995, 29_573_529];
        let wide = [u32::MAX as i64, 1 << 53, i64::MAX / 10, i64::MAX];
        let all = || parts.iter().chain(&wide).copied();
        for num in all().flat_map(|n| [n, -n]) {
            for den in all().filter(|d| *d > 0) {
                for places in 0..=12 {
                    let x = Exact::ratio(num, den);
                    let text = x.rounded_wide(places);
                    assert_eq!(x.rounded(places), text, "{num}/{den} to {places}");
                    let cut = if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.') } else { &text };
                    assert_eq!(x.short(places), cut, "{num}/{den} to {places}");
                }
            }
        }
    }

    #[test]
    fn a_third_times_three_is_one() {
        let third = Exact::ONE.div(Exact::int(3));
        assert_eq!(third.and_then(|t| t.mul(Exact::int(3))), Some(Exact::ONE));
        assert_eq!(Exact::int(200).div(Exact::int(3)).and_then(|r| r.mul(Exact::int(24))), Some(Exact::int(1600)));
    }

    #[test]
    fn rounding_is_half_away_from_zero_and_carries() {
        assert_eq!(Exact::ratio(5, 2).rounded(0), "3");
        assert_eq!(Exact::ratio(-5, 2).rounded(0), "-3");
        assert_eq!(Exact::decimal(9995, 3).rounded(2), "10.00");
        assert_eq!(Exact::ratio(1, 3).rounded(4), "0.3333");
        assert_eq!(Exact::decimal(-4, 2).rounded(1), "0.0");
        assert_eq!(Exact::decimal(150, 2).short(3), "1.5");
    }
}
