//! Amounts that are known, bounded or unknown: a range holds every completion of what is missing, "unknown plus
//! known" is "at least the known", and nothing unknown becomes zero. Ends are those of interval arithmetic for
//! numbers that are not negative: [a, b] + [c, d] = [a + c, b + d], [a, b] × [c, d] = [ac, bd],
//! [a, b] ÷ [c, d] = [a/d, b/c].

use enteral_gate::amount::{Amount, Why, join};
use enteral_gate::exact::Exact;

const MILK: Why = Why::ProductUnknown;
const WEIGHT: Why = Why::NoWeight;
const NEED: Why = Why::AsNeeded;

fn known(n: i64) -> Amount {
    Amount::Known(Exact::int(n))
}

fn range(low: i64, high: i64, why: Why) -> Amount {
    Amount::between(Exact::int(low), Exact::int(high), why)
}

fn at_least(low: i64, why: &[Why]) -> Amount {
    Amount::at_least(Exact::int(low), why.to_vec())
}

fn unknown(why: &[Why]) -> Amount {
    Amount::Unknown(why.to_vec())
}

/// The largest number there is.
fn largest() -> Exact {
    Exact::whole(i128::MAX).unwrap()
}

fn out_of_range() -> Amount {
    Amount::unknown(Why::Range)
}

#[test]
fn ends_that_meet_are_an_exact_value() {
    assert_eq!(range(5, 5, NEED), known(5));
    let between = range(0, 5, NEED);
    assert_eq!((between.low(), between.high(), between.known()), (Some(Exact::ZERO), Some(Exact::int(5)), None));
    assert_eq!((between.why(), between.mean()), (&[NEED][..], None));
    assert_eq!(
        (known(5).low(), known(5).high(), known(5).mean()),
        (Some(Exact::int(5)), Some(Exact::int(5)), Some(Exact::int(5)))
    );
    assert!(known(5).why().is_empty());
    let nothing = unknown(&[MILK]);
    assert_eq!((nothing.low(), nothing.high(), nothing.mean(), nothing.known()), (None, None, None, None));
    assert_eq!(nothing.why(), [MILK]);
    assert_eq!(at_least(3, &[MILK]).high(), None);
    assert!(known(0).is_zero() && !known(1).is_zero());
    // None of these is nothing.
    assert!(!range(0, 5, NEED).is_zero() && !unknown(&[MILK]).is_zero() && !at_least(0, &[MILK]).is_zero());
}

#[test]
fn sums_hold_every_completion() {
    assert_eq!(known(2).plus(&known(3)), known(5));
    assert_eq!(range(1, 2, NEED).plus(&known(3)), Amount::range(Exact::int(4), Some(Exact::int(5)), None, vec![NEED]));
    assert_eq!(
        range(1, 2, NEED).plus(&range(10, 20, WEIGHT)),
        Amount::range(Exact::int(11), Some(Exact::int(22)), None, vec![NEED, WEIGHT])
    );
    // Without an upper end on one side there is none of the sum.
    assert_eq!(at_least(1, &[MILK]).plus(&range(1, 2, NEED)), at_least(2, &[MILK, NEED]));
    assert_eq!(range(1, 2, NEED).plus(&at_least(1, &[MILK])), at_least(2, &[NEED, MILK]));
    let cycle =
        |low, high, mean| Amount::range(Exact::int(low), Some(Exact::int(high)), Some(Exact::int(mean)), vec![NEED]);
    assert_eq!(cycle(1, 3, 2).plus(&cycle(10, 30, 20)), cycle(11, 33, 22));
    assert_eq!(cycle(1, 3, 2).plus(&known(5)), cycle(6, 8, 7));
    assert_eq!(cycle(1, 3, 2).plus(&range(1, 2, NEED)).mean(), None);
}

#[test]
fn unknown_and_known_is_at_least_the_known() {
    for (a, b) in [(unknown(&[MILK]), known(3)), (known(3), unknown(&[MILK]))] {
        assert_eq!(a.plus(&b), at_least(3, &[MILK]));
    }
    assert_eq!(unknown(&[MILK]).plus(&range(1, 2, NEED)), at_least(1, &[MILK, NEED]));
    // "At least nothing" says nothing.
    assert_eq!(unknown(&[MILK]).plus(&known(0)), unknown(&[MILK]));
    assert_eq!(range(0, 2, NEED).plus(&unknown(&[MILK])), unknown(&[MILK, NEED]));
    assert_eq!(unknown(&[MILK, NEED]).plus(&unknown(&[WEIGHT, MILK])), unknown(&[MILK, NEED, WEIGHT]));
    assert_eq!(join(&[MILK, NEED], &[WEIGHT, NEED]), [MILK, NEED, WEIGHT]);
}

#[test]
fn products_hold_every_completion() {
    assert_eq!(known(2).times(&known(3)), known(6));
    assert_eq!(
        known(2).times(&range(3, 5, NEED)),
        Amount::range(Exact::int(6), Some(Exact::int(10)), None, vec![NEED])
    );
    assert_eq!(range(3, 5, NEED).times(&known(2)), known(2).times(&range(3, 5, NEED)));
    assert_eq!(
        range(2, 3, NEED).times(&range(5, 7, WEIGHT)),
        Amount::range(Exact::int(10), Some(Exact::int(21)), None, vec![NEED, WEIGHT])
    );
    assert_eq!(range(2, 3, NEED).times(&at_least(5, &[WEIGHT])), at_least(10, &[NEED, WEIGHT]));
    assert_eq!(at_least(5, &[WEIGHT]).times(&range(2, 3, NEED)), at_least(10, &[WEIGHT, NEED]));
    // Nothing given of something unknown is nothing; something given of it is unknown.
    for what in [unknown(&[MILK]), range(2, 3, NEED), at_least(2, &[MILK])] {
        assert_eq!(known(0).times(&what), known(0));
        assert_eq!(what.times(&known(0)), known(0));
    }
    for what in [known(2), range(2, 3, MILK), at_least(2, &[MILK])] {
        assert_eq!(unknown(&[MILK]).times(&what), unknown(&[MILK]));
        assert_eq!(what.times(&unknown(&[MILK])), unknown(&[MILK]));
    }
    assert_eq!(
        range(2, 3, NEED).scaled(Exact::int(4)),
        Amount::range(Exact::int(8), Some(Exact::int(12)), None, vec![NEED])
    );
    assert_eq!(at_least(2, &[NEED]).scaled(Exact::int(4)), at_least(8, &[NEED]));
    assert_eq!(unknown(&[MILK]).scaled(Exact::ZERO), unknown(&[MILK]));
}

#[test]
fn quotients_hold_every_completion() {
    let zero = |what| Amount::unknown(Why::ZeroDenominator(what));
    assert_eq!(known(6).over(&known(3), "weight"), known(2));
    assert_eq!(known(6).divided(Exact::int(3), "weight"), known(2));
    assert_eq!(
        range(6, 12, NEED).over(&known(3), "weight"),
        Amount::range(Exact::int(2), Some(Exact::int(4)), None, vec![NEED])
    );
    assert_eq!(
        range(6, 12, NEED).over(&range(2, 3, WEIGHT), "weight"),
        Amount::range(Exact::int(2), Some(Exact::int(6)), None, vec![NEED, WEIGHT])
    );
    // Nothing is divided by nothing, or by less.
    assert_eq!(known(6).over(&known(0), "weight"), zero("weight"));
    assert_eq!(known(6).divided(Exact::int(-1), "weight"), zero("weight"));
    assert_eq!(
        known(6).over(&Amount::range(Exact::ZERO, Some(Exact::ZERO), None, vec![NEED]), "weight"),
        zero("weight")
    );
    // A divisor that may be nothing leaves no upper end; one without an upper end leaves the lower end at nothing.
    assert_eq!(known(6).over(&range(0, 3, NEED), "weight"), at_least(2, &[NEED]));
    assert_eq!(
        known(6).over(&at_least(3, &[NEED]), "weight"),
        Amount::range(Exact::ZERO, Some(Exact::int(2)), None, vec![NEED])
    );
    assert_eq!(at_least(6, &[MILK]).over(&range(2, 3, NEED), "weight"), at_least(2, &[MILK, NEED]));
    assert_eq!(unknown(&[MILK]).over(&range(2, 3, NEED), "weight"), unknown(&[MILK, NEED]));
    assert_eq!(range(2, 3, NEED).over(&unknown(&[MILK]), "weight"), unknown(&[NEED, MILK]));
}

#[test]
fn what_leaves_the_range_of_arithmetic_is_unknown() {
    let (big, two) = (Amount::Known(largest()), known(2));
    let top = Amount::range(Exact::ONE, Some(largest()), Some(Exact::ONE), vec![NEED]);
    let all = Amount::range(largest(), Some(largest()), None, vec![NEED]);
    for sum in [big.plus(&two), top.plus(&two), top.plus(&top), all.plus(&two), all.plus(&at_least(1, &[MILK]))] {
        assert_eq!(sum, out_of_range());
    }
    for product in [
        big.times(&two),
        top.times(&two),
        top.scaled(Exact::int(2)),
        top.times(&range(2, 3, NEED)),
        all.times(&at_least(2, &[MILK])),
    ] {
        assert_eq!(product, out_of_range());
    }
    let small = Exact::ONE.div(largest()).unwrap();
    assert_eq!(two.divided(small, "weight"), out_of_range());
    assert_eq!(all.over(&Amount::range(small, Some(small), None, vec![NEED]), "weight"), out_of_range());
    // An upper end that cannot be told leaves the lower one.
    assert_eq!(two.over(&Amount::range(small, Some(Exact::ONE), None, vec![NEED]), "weight"), at_least(2, &[NEED]));
}

#[test]
fn a_reason_is_given_once_and_an_exact_amount_needs_none() {
    assert_eq!(known(2).because(NEED), known(2));
    assert_eq!(unknown(&[MILK]).because(NEED), unknown(&[MILK, NEED]));
    assert_eq!(unknown(&[MILK]).because(MILK), unknown(&[MILK]));
    assert_eq!(range(1, 2, NEED).because(WEIGHT).why(), [NEED, WEIGHT]);
    assert_eq!(range(1, 2, NEED).because(NEED).why(), [NEED]);
}

#[test]
fn reasons_are_told_in_words() {
    let said = |why: Why| why.to_string();
    assert_eq!(said(Why::NoWeight), "no usable dosing weight");
    assert_eq!(said(Why::ProductUnknown), "the formula is not in the formulary");
    assert_eq!(said(Why::ZeroDenominator("the weight")), "the weight is, or may be, zero");
    assert_eq!(said(Why::Nothing("feed")), "no feed in this day");
    assert_eq!(said(Why::MissingInput("height")), "height is missing");
}
