//! Exact arithmetic against an independent implementation of unbounded rationals (`num-rational`).

use enteral_gate::exact::{Decimal, DecimalError, Exact};
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, Zero};
use proptest::prelude::*;
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

fn big(x: Exact) -> BigRational {
    let (num, den) = x.parts();
    BigRational::new(num.into(), den.into())
}

/// Whether lowest terms fit: what `Exact` promises to hold.
fn fits(x: &BigRational) -> bool {
    let limit = BigInt::from(i128::MAX);
    x.numer().abs() <= limit && x.denom() <= &limit
}

fn whole(n: i128) -> Exact {
    Exact::whole(n).unwrap()
}

/// Numbers of every size, with those at the edges of the representation over-represented.
fn number() -> impl Strategy<Value = i128> {
    let edge = prop_oneof![
        Just(0i128),
        Just(1),
        Just(-1),
        Just(i128::MAX),
        Just(-i128::MAX),
        Just(1 << 62),
        Just((1 << 62) + 1),
        Just(-(1 << 63)),
        Just(1 << 64),
        Just(-(1 << 126)),
        Just(i128::MAX / 2 + 1),
    ];
    let sized = (any::<i128>(), 0u32..127).prop_map(|(n, shift)| (n >> shift).max(-i128::MAX));
    let round = (1i128..1_000_000, 0u32..30, any::<bool>()).prop_map(|(n, zeros, minus)| {
        let n = n * 10i128.pow(zeros);
        if minus { -n } else { n }
    });
    prop_oneof![1 => edge, 3 => sized, 2 => round]
}

/// Rationals, reached through operations so that unreduced forms occur too.
fn exact() -> impl Strategy<Value = Exact> {
    (number(), number()).prop_filter_map("a quotient that fits", |(n, d)| whole(n).div(whole(d)))
}

/// Rationals as they occur in orders.
fn usual() -> impl Strategy<Value = Exact> {
    (-1_000_000i64..1_000_000, 1i64..100_000).prop_map(|(n, d)| Exact::ratio(n, d))
}

fn either() -> impl Strategy<Value = Exact> {
    prop_oneof![exact(), usual()]
}

/// Whether a sum fits all the way: its parts over the common denominator, and the sum itself.
fn sum_fits(a: &BigRational, b: &BigRational) -> bool {
    let (mut x, mut y) = (a.denom().clone(), b.denom().clone());
    while !y.is_zero() {
        (x, y) = (y.clone(), x % y);
    }
    let common = BigRational::from(a.denom() / x * b.denom());
    [a * &common, b * &common, (a + b) * &common, common].iter().all(fits)
}

/// `None` exactly when the true result does not fit.
fn same(ours: Option<Exact>, truth: Option<BigRational>) -> Result<(), TestCaseError> {
    match (ours, truth) {
        (Some(x), Some(truth)) => prop_assert_eq!(big(x), truth),
        (None, Some(truth)) => prop_assert!(!fits(&truth), "refused {truth}, which fits"),
        (Some(x), None) => prop_assert!(false, "{x} where there is no result"),
        (None, None) => {}
    }
    Ok(())
}

fn rounded(x: &BigRational, places: u32) -> String {
    let unit = BigInt::from(10).pow(places);
    let scaled = x.abs() * BigRational::from(unit.clone());
    let half = BigRational::new(BigInt::one(), 2.into());
    let digits = (scaled + half).floor().to_integer();
    let sign = if x.is_negative() && !digits.is_zero() { "-" } else { "" };
    let (head, tail) = (&digits / &unit, &digits % &unit);
    if places == 0 {
        format!("{sign}{head}")
    } else {
        format!("{sign}{head}.{:0>width$}", tail.to_string(), width = places as usize)
    }
}

fn hash(x: Exact) -> u64 {
    let mut hasher = DefaultHasher::new();
    x.hash(&mut hasher);
    hasher.finish()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 4_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn sums_products_and_quotients_are_true_or_refused(a in either(), b in either()) {
        for (ours, other) in [(a.add(b), big(b)), (a.sub(b), -big(b))] {
            match ours {
                Some(x) => prop_assert_eq!(big(x), big(a) + other),
                None => prop_assert!(!sum_fits(&big(a), &other), "refused a sum that fits"),
            }
        }
        same(a.mul(b), Some(big(a) * big(b)))?;
        same(a.div(b), (!b.is_zero()).then(|| big(a) / big(b)))?;
        same(Some(a.neg()), Some(-big(a)))?;
        same(Some(a.abs()), Some(big(a).abs()))?;
    }

    #[test]
    fn order_equality_and_hash_agree_with_the_value(a in either(), b in either()) {
        prop_assert_eq!(a.cmp(&b), big(a).cmp(&big(b)));
        prop_assert_eq!(a == b, big(a) == big(b));
        prop_assert_eq!(a.min(b), if big(a) <= big(b) { a } else { b });
        prop_assert_eq!(a.max(b), if big(a) >= big(b) { a } else { b });
        // The same value reached another way.
        if let Some(again) = a.mul(b).and_then(|x| x.div(b)) {
            prop_assert_eq!(again, a);
            prop_assert_eq!(hash(again), hash(a));
        }
        prop_assert_eq!(a.is_zero(), big(a).is_zero());
        prop_assert_eq!(a.is_positive(), big(a).is_positive());
        prop_assert_eq!(a.is_negative(), big(a).is_negative());
    }

    #[test]
    fn neighbours_are_told_apart(a in exact()) {
        // Numbers so close that cross-multiplying leaves the type.
        let (num, den) = a.parts();
        if let (Some(n), Some(d)) = (num.checked_add(1).and_then(Exact::whole), den.checked_sub(1).filter(|d| *d > 0))
            && let Some(b) = n.div(whole(d))
        {
            prop_assert_eq!(a.cmp(&b), big(a).cmp(&big(b)));
        }
    }

    #[test]
    fn whole_parts_are_true(a in either()) {
        prop_assert_eq!(BigInt::from(a.floor()), big(a).floor().to_integer());
        prop_assert_eq!(BigInt::from(a.ceil()), big(a).ceil().to_integer());
        prop_assert_eq!(a.is_whole(), big(a).is_integer());
    }

    #[test]
    fn rounding_for_display_is_half_away_from_zero(a in either(), places in 0u32..=12) {
        prop_assert_eq!(a.rounded(places), rounded(&big(a), places));
        let short = a.short(places);
        prop_assert!(!short.contains('.') || !short.ends_with(['0', '.']), "{}", short);
        let scaled = big(a) * BigRational::from(BigInt::from(10).pow(places));
        prop_assert!(!a.fits(places) || scaled.is_integer());
        prop_assert!(a.fits(places) || !scaled.is_integer() || !fits(&scaled));
    }

    #[test]
    fn literals_are_read_exactly(minus in any::<bool>(), head in "0|[1-9][0-9]{0,11}", tail in "(\\.[0-9]{1,12})?", power in prop::option::of(-12i32..=12)) {
        let literal = format!("{}{head}{tail}{}", if minus { "-" } else { "" }, power.map_or(String::new(), |p| format!("e{p}")));
        if let Ok(decimal) = Decimal::parse(&literal) {
            let mantissa: BigInt = format!("{head}{}", tail.trim_start_matches('.')).parse().unwrap();
            let scale = power.unwrap_or(0) - i32::try_from(tail.trim_start_matches('.').len()).unwrap();
            let ten = BigRational::from(BigInt::from(10));
            let value = BigRational::from(mantissa) * ten.pow(scale) * BigRational::from(BigInt::from(if minus { -1 } else { 1 }));
            prop_assert_eq!(big(decimal.exact()), value.clone());
            prop_assert_eq!(decimal.is_zero(), value.is_zero());
            prop_assert_eq!(decimal.is_negative(), value.is_negative());
            // What is shown is the same number.
            let (head, tail) = decimal.to_string().split_once('.').map_or((decimal.to_string(), String::new()), |(h, t)| (h.into(), t.into()));
            let digits: BigInt = format!("{head}{tail}").parse().unwrap();
            prop_assert_eq!(BigRational::new(digits, BigInt::from(10).pow(tail.len() as u32)), value);
        }
    }

    #[test]
    fn usual_literals_are_all_accepted_and_kept_as_written(minus in any::<bool>(), head in "0|[1-9][0-9]{0,8}", tail in "(\\.[0-9]{1,8})?") {
        let literal = format!("{}{head}{tail}", if minus { "-" } else { "" });
        match Decimal::parse(&literal) {
            Ok(decimal) if decimal.is_zero() => prop_assert_eq!(decimal.to_string(), format!("{head}{tail}")),
            Ok(decimal) => prop_assert_eq!(decimal.to_string(), literal),
            Err(why) => prop_assert!(false, "{} refused: {}", literal, why),
        }
    }

    #[test]
    fn no_text_makes_a_literal_panic(text in "\\PC{0,40}") {
        let _ = Decimal::parse(&text);
    }

    #[test]
    fn almost_literals_never_panic(text in "[-+0-9.eE ]{0,40}") {
        let _ = Decimal::parse(&text);
    }
}

#[test]
fn the_edges_of_the_type_hold() {
    let top = whole(i128::MAX);
    assert_eq!(Exact::whole(i128::MIN), None);
    assert_eq!(top.add(Exact::ONE), None);
    assert_eq!(top.neg().sub(Exact::ONE), None);
    assert_eq!(whole(-(1 << 126)).mul(Exact::int(2)), None);
    assert_eq!(whole(-(1 << 126)).add(whole(-(1 << 126))), None);
    assert_eq!(top.neg().abs(), top);
    assert_eq!(top.neg().neg(), top.neg().abs().neg().neg());
    assert_eq!(top.div(top), Some(Exact::ONE));
    assert_eq!(Exact::ONE.div(Exact::ZERO), None);
    assert_eq!(Exact::ZERO.div(top.neg()), Some(Exact::ZERO));
    assert_eq!(Exact::ONE.div(top).and_then(|x| x.mul(top)), Some(Exact::ONE));
    assert_eq!(
        Decimal::parse("999999999999999999e9").map(|d| d.exact().floor()),
        Ok(999_999_999_999_999_999_000_000_000)
    );
    assert_eq!(Decimal::parse("0e99"), Err(DecimalError::Exponent));
}

/// Eighteen places after the point are read, and eight zeros after it before the first other digit.
#[test]
fn literals_have_so_many_places() {
    for text in ["0.012345678901234567", "1.23456789012345678", "0.00000000123456789", "1.5e-9", "0.00000000", "12e9"] {
        assert!(Decimal::parse(text).is_ok(), "{text}: {:?}", Decimal::parse(text));
    }
    let shown = |text: &str| Decimal::parse(text).map(|d| d.to_string());
    assert_eq!(shown("0.012345678901234567"), Ok("0.012345678901234567".to_owned()));
    for text in
        ["0.0123456789012345678", "0.0000000001", "0.000000000", "0.0000000000", "0.000000000123", "0e-9", "1e10"]
    {
        assert_eq!(Decimal::parse(text), Err(DecimalError::Exponent), "{text}");
    }
}

/// Numbers too wide for one division are shown as any other.
#[test]
fn wide_numbers_are_shown_in_short() {
    let wide = whole(10i128.pow(30));
    assert_eq!(wide.short(2), format!("1{}", "0".repeat(30)));
    assert_eq!(wide.neg().short(0), format!("-1{}", "0".repeat(30)));
    let half = wide.add(Exact::ratio(1, 2)).unwrap();
    assert_eq!(half.short(3), format!("1{}.5", "0".repeat(30)));
    assert_eq!(half.rounded(3), format!("1{}.500", "0".repeat(30)));
    let tiny = Exact::ONE.div(wide).unwrap();
    assert_eq!((tiny.short(3), tiny.neg().short(3)), ("0".to_owned(), "0".to_owned()));
    assert_eq!(format!("{} {}", Exact::ratio(1, 3), Exact::ratio(-5, 2)), "0.333333333 -2.5");
}

#[test]
fn numbers_that_differ_have_hashes_that_differ() {
    let hash = |x: Exact| {
        let mut hasher = DefaultHasher::new();
        x.hash(&mut hasher);
        hasher.finish()
    };
    assert_eq!(hash(Exact::ratio(1, 2)), hash(Exact::ratio(2, 4)));
    assert_ne!(hash(Exact::ratio(1, 2)), hash(Exact::ratio(1, 3)));
}
