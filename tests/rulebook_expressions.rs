//! Conditions and bounds of limits through what they come to: the quick verdict against the full evaluation as
//! `Expression::verdict` promises, ranges against bounds that touch their ends, choices whose condition is open, and
//! what a wrong sign is answered with. Facts are invented.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::exact::Exact;
use enteral_gate::intake::order::At;
use enteral_gate::rulebook::expression::{Expression, Fault, Gap, Names, Scale, Sitting, Template, Verdict, Wanted};
use enteral_gate::rulebook::value::{Fact, Facts, Keys, Missing, Need, Truth, Type, Value};
use enteral_gate::units::Dimension;
use std::collections::BTreeSet;

const fn fact(name: &'static str, kind: Type, unit: &'static str) -> Fact {
    Fact { name, kind, unit, need: Need::Core, title: name }
}

static FACTS: &[Fact] = &[
    fact("x", Type::Quantity(Dimension::NUMBER), "1"),
    fact("y", Type::Quantity(Dimension::NUMBER), "1"),
    fact("rate", Type::Quantity(Dimension::VOLUME_RATE), "mL/h"),
    fact("route", Type::Word(&["gastric", "oral"]), ""),
    fact("place", Type::Word(&["gastric", "oral"]), ""),
    fact("conditions", Type::Keys, ""),
    fact("p", Type::Truth, ""),
    fact("r", Type::Truth, ""),
];

const NAMES: Names<'static> = Names { facts: FACTS, parameters: &[], extra: &[], terms: &[], phrases: &[] };

struct Given(Vec<(&'static str, Value)>);

impl Facts for Given {
    fn value(&self, fact: usize) -> Value {
        let none = || Value::Missing(vec![Missing { fact, why: "not sent".into(), at: vec![] }]);
        self.held(fact).cloned().unwrap_or_else(none)
    }
    fn held(&self, fact: usize) -> Option<&Value> {
        self.0.iter().find(|(name, _)| *name == FACTS[fact].name).map(|(_, value)| value)
    }
    fn places(&self, _: usize) -> Vec<At> {
        vec![]
    }
}

fn compile(text: &str) -> Expression {
    Expression::compile(text, &NAMES, Wanted::Any).unwrap_or_else(|faults| panic!("{text}: {faults:?}"))
}

fn faults(text: &str) -> Vec<Fault> {
    Expression::compile(text, &NAMES, Wanted::Any).err().unwrap_or_else(|| panic!("{text} was read"))
}

fn known(n: i64) -> Value {
    Value::Quantity(Amount::Known(Exact::int(n)))
}

fn range(low: i64, high: i64) -> Value {
    Value::Quantity(Amount::between(Exact::int(low), Exact::int(high), Why::AsNeeded))
}

fn at_least(low: i64) -> Value {
    Value::Quantity(Amount::at_least(Exact::int(low), vec![Why::ProductUnknown]))
}

fn word(text: &str) -> Value {
    Value::Word(text.to_owned())
}

fn open() -> Value {
    Value::Truth(Truth::Unknown {
        missing: vec![Missing { fact: 6, why: "p is not known".into(), at: vec![] }],
        why: vec![],
    })
}

/// What both evaluations come to; `None` where it stays open. Fails where they contradict each other, or where the
/// quick one leaves open for a kind of context what the full one decides.
fn decided(text: &str, given: &Given) -> Option<bool> {
    let e = compile(text);
    let full = match e.holds(given) {
        Truth::True => Some(true),
        Truth::False => Some(false),
        Truth::Unknown { missing, why } => {
            assert!(!missing.is_empty() || !why.is_empty(), "{text} is open and does not say why");
            None
        }
    };
    match e.verdict(given, &Sitting::new(&BTreeSet::new(), 0)) {
        Verdict::True => assert_eq!(full, Some(true), "{text}"),
        Verdict::False => assert_eq!(full, Some(false), "{text}"),
        Verdict::Open(Gap::Undeclared(kind)) => assert_eq!(full, None, "{text}: {kind:?}"),
        Verdict::Open(Gap::Other) => {}
    }
    full
}

/// As [`decided`], where the quick evaluation has to decide.
fn at_once(text: &str, given: &Given) -> bool {
    let quick = match compile(text).verdict(given, &Sitting::new(&BTreeSet::new(), 0)) {
        Verdict::True => true,
        Verdict::False => false,
        open => panic!("{text}: {open:?}"),
    };
    assert_eq!(decided(text, given), Some(quick), "{text}");
    quick
}

#[test]
fn what_is_known_is_decided_at_once() {
    let g = Given(vec![
        ("x", known(7)),
        ("y", known(2)),
        ("route", word("oral")),
        ("place", word("oral")),
        ("p", Value::Truth(Truth::True)),
        ("r", Value::Truth(Truth::False)),
        (
            "conditions",
            Value::Keys(Keys { present: vec!["ckd".to_owned()], absent: vec!["dm".to_owned()], complete: false }),
        ),
    ]);
    for text in [
        "true",
        "!false",
        "p",
        "!r",
        "p && !r",
        "p || r",
        "x > 6",
        "x == 7",
        "x != 8",
        "x >= 7 && x <= 7",
        "x + y == 9",
        "x - y == 5",
        "x * y == 14",
        "x / y == 3.5",
        "-x == -7",
        "-x < -6",
        "abs(y - x) == 5",
        "floor(x / y) == 3",
        "ceil(x / y) == 4",
        "min(x, y, 3) == 2",
        "max(x, y, 3) == 7",
        "(p ? x : y) == 7",
        "(r ? x : y) == 2",
        "(p ? r : p) == false",
        "p ? true : r",
        "r ? false : p",
        "p != r",
        "!(p == r)",
        "route == place",
        "route == 'oral'",
        "route != 'gastric'",
        "route in ['oral', 'gastric']",
        "!(route in ['gastric'])",
        "known(x) && known(p)",
        "!known(rate)",
        "'ckd' in conditions",
        "!('dm' in conditions)",
    ] {
        // What is not there at all is left to the full evaluation.
        if text == "!known(rate)" {
            assert_eq!(decided(text, &g), Some(true));
        } else {
            assert!(at_once(text, &g), "{text}");
            assert!(!at_once(&format!("!({text})"), &g), "{text}");
        }
    }
    assert_eq!(decided("'copd' in conditions", &g), None);
    assert_eq!(decided("rate > q('1 mL/h')", &g), None);
    // Words that differ.
    let g = Given(vec![("route", word("oral")), ("place", word("gastric"))]);
    assert!(!at_once("route == place", &g) && at_once("route != place", &g));
    for missing in [Given(vec![("route", word("oral"))]), Given(vec![("place", word("oral"))]), Given(vec![])] {
        assert_eq!(decided("route == place", &missing), None);
    }
}

/// Where one part settles it, the open ones do not matter; otherwise they do.
#[test]
fn open_parts_stay_open_until_another_settles_it() {
    let g = Given(vec![("p", open()), ("r", Value::Truth(Truth::False)), ("x", known(1))]);
    for (text, want) in [
        ("p", None),
        ("!p", None),
        ("p && r", Some(false)),
        ("p || x == 1", Some(true)),
        ("p || r", None),
        ("p == r", None),
        ("p == p", None),
        ("p ? true : true", Some(true)),
        ("p ? false : false", Some(false)),
        ("p ? r : x == 2", Some(false)),
        ("p ? x == 1 : !r", Some(true)),
        ("p ? true : false", None),
        ("(p ? 3 : 3) == 3", Some(true)),
        ("(p ? 3 : 3) > 3", Some(false)),
        ("(p ? 3 : 4) > 2", None),
    ] {
        assert_eq!(decided(text, &g), want, "{text}");
    }
    match compile("p == p").holds(&g) {
        // One fact is lacking, and named once.
        Truth::Unknown { missing, .. } => assert_eq!(missing.iter().map(|m| m.fact).collect::<Vec<_>>(), [6]),
        other => panic!("{other:?}"),
    }
    match compile("p == (route == place)").holds(&g) {
        Truth::Unknown { missing, .. } => assert_eq!(missing.iter().map(|m| m.fact).collect::<Vec<_>>(), [6, 3, 4]),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_choice_of_words_is_a_word() {
    let of = |p: Value| Given(vec![("p", p), ("route", word("oral"))]);
    let (yes, no) = (Value::Truth(Truth::True), Value::Truth(Truth::False));
    let text = "route == (p ? place : route)";
    assert_eq!(decided(text, &of(no)), Some(true));
    match compile(text).holds(&of(yes)) {
        Truth::Unknown { missing, .. } => assert_eq!(missing[0].fact, 4),
        other => panic!("{other:?}"),
    }
    assert_eq!(decided("route == (p ? route : route)", &of(open())), Some(true));
    let both = Given(vec![("p", open()), ("route", word("oral")), ("place", word("gastric"))]);
    match compile("route == (p ? route : place)").holds(&both) {
        Truth::Unknown { missing, why } => {
            assert_eq!(
                (missing.len(), missing[0].fact, missing[0].why.to_string()),
                (1, 6, "p is not known".to_owned())
            );
            assert!(why.is_empty(), "{why:?}");
        }
        other => panic!("{other:?}"),
    }
    let because = Value::Truth(Truth::Unknown { missing: vec![], why: vec!["given as needed".to_owned()] });
    let both = Given(vec![("p", because), ("route", word("oral")), ("place", word("gastric"))]);
    match compile("route == (p ? route : place)").holds(&both) {
        Truth::Unknown { missing, why } => assert_eq!((missing.len(), why), (0, vec!["given as needed".to_owned()])),
        other => panic!("{other:?}"),
    }
}

/// Interval arithmetic on closed intervals: [1, 3] and [3, 5] touch.
#[test]
fn ranges_that_touch_are_compared_by_their_ends() {
    for (x, y, text, want) in [
        (range(1, 3), range(3, 5), "x <= y", Some(true)),
        (range(1, 3), range(3, 5), "x > y", Some(false)),
        (range(1, 3), range(3, 5), "x < y", None),
        (range(1, 3), range(3, 5), "x >= y", None),
        (range(1, 3), range(3, 5), "x == y", None),
        (range(1, 3), range(3, 5), "x != y", None),
        (range(3, 5), range(1, 3), "x >= y", Some(true)),
        (range(3, 5), range(1, 3), "x < y", Some(false)),
        (range(3, 5), range(1, 3), "x > y", None),
        (range(1, 2), range(3, 4), "x == y", Some(false)),
        (range(1, 2), range(3, 4), "x != y", Some(true)),
        (range(3, 4), range(1, 2), "x == y", Some(false)),
        (range(1, 2), range(3, 4), "x < y", Some(true)),
        (range(1, 2), range(3, 4), "x >= y", Some(false)),
        (range(1, 5), range(2, 4), "x > y", None),
        (range(1, 3), known(3), "x <= y", Some(true)),
        (range(1, 3), known(3), "x < y", None),
        (range(1, 3), known(1), "x >= y", Some(true)),
        (range(1, 3), known(1), "x > y", None),
        (known(3), range(1, 3), "x >= y", Some(true)),
        (known(1), range(1, 3), "x <= y", Some(true)),
        (known(2), range(1, 3), "x == y", None),
        (at_least(3), known(3), "x >= y", Some(true)),
        (at_least(3), known(3), "x > y", None),
        (at_least(3), known(2), "x > y", Some(true)),
        (at_least(3), known(2), "x == y", Some(false)),
        (at_least(3), known(4), "x < y", None),
        (known(3), at_least(3), "x <= y", Some(true)),
        (known(2), at_least(3), "x < y", Some(true)),
        (known(2), at_least(3), "x >= y", Some(false)),
        (known(4), at_least(3), "x > y", None),
        (at_least(3), at_least(4), "x == y", None),
    ] {
        let said = format!("{x:?} {y:?} {text}");
        assert_eq!(decided(text, &Given(vec![("x", x), ("y", y)])), want, "{said}");
    }
    for (x, text, want) in [(range(1, 3), "x > 0", true), (range(1, 3), "x == 4", false), (range(1, 3), "x < 1", false)]
    {
        assert_eq!(at_once(text, &Given(vec![("x", x)])), want, "{text}");
    }
}

/// A measure beyond its bound: surely, surely not, or open. A bound that is reached is not passed.
#[test]
fn a_bound_that_is_reached_is_not_passed() {
    let beyond = |x: Value, y: Value, above: bool| {
        let (measure, bound) = (compile("x"), compile("y"));
        measure.beyond(&bound, above, &Given(vec![("x", x), ("y", y)]), &Sitting::new(&BTreeSet::new(), 0))
    };
    let other = Verdict::Open(Gap::Other);
    for (x, y, above, want) in [
        (known(4), known(3), true, Verdict::True),
        (known(3), known(3), true, Verdict::False),
        (known(3), known(3), false, Verdict::False),
        (known(2), known(3), false, Verdict::True),
        (range(4, 6), known(3), true, Verdict::True),
        (range(4, 6), known(4), true, other),
        (range(4, 6), known(6), true, Verdict::False),
        (range(4, 6), known(5), true, other),
        (range(4, 6), known(7), false, Verdict::True),
        (range(4, 6), known(6), false, other),
        (range(4, 6), known(4), false, Verdict::False),
        (range(4, 6), range(1, 3), true, Verdict::True),
        (range(4, 6), range(3, 4), true, other),
        (range(4, 6), range(6, 8), true, Verdict::False),
        (range(4, 6), range(7, 8), false, Verdict::True),
        (range(4, 6), range(6, 7), false, other),
        (range(4, 6), range(1, 4), false, Verdict::False),
        (at_least(4), known(3), true, Verdict::True),
        (at_least(4), known(9), true, other),
        (at_least(4), known(9), false, other),
        (at_least(4), known(4), false, Verdict::False),
        (known(4), at_least(4), true, Verdict::False),
        (known(5), at_least(4), true, other),
        (known(3), at_least(4), false, Verdict::True),
        (known(5), at_least(4), false, other),
    ] {
        assert_eq!(beyond(x.clone(), y.clone(), above), want, "{x:?} {y:?} {above}");
    }
    let (measure, bound) = (compile("x"), compile("y"));
    for given in [Given(vec![]), Given(vec![("x", known(1))]), Given(vec![("y", known(1))])] {
        assert_eq!(measure.beyond(&bound, true, &given, &Sitting::new(&BTreeSet::new(), 0)), other);
    }
}

#[test]
fn what_cannot_be_compared_says_which_range_is_in_the_way() {
    let said = |text: &str, given: &Given| match compile(text).holds(given) {
        Truth::Unknown { why, .. } => why.join("; "),
        other => panic!("{text}: {other:?}"),
    };
    let scaled = |low: i64, high: i64| {
        let base = |n| Scale::parse("mL/h").unwrap().to_base(Exact::int(n)).unwrap();
        Given(vec![("rate", Value::Quantity(Amount::between(base(low), base(high), Why::AsNeeded)))])
    };
    let given = "(given as needed: from none to all of it)";
    for text in ["rate > q('150 mL/h')", "q('150 mL/h') < rate"] {
        assert_eq!(
            said(text, &scaled(120, 180)),
            format!("the bound 150 mL/h lies within the range 120 to 180 mL/h {given}")
        );
    }
    assert_eq!(
        said("rate > rate * 1.1", &scaled(100, 200)),
        format!("the range 100 to 200 mL/h overlaps the range 110 to 220 mL/h {given}")
    );
}

#[test]
fn signs_that_people_write_are_answered_with_the_right_one() {
    for (text, hint) in [
        ("x ≤ 3", "<="),
        ("x ≥ 3", ">="),
        ("x ≠ 3", "!="),
        ("x × 3 > 1", "*"),
        ("x · 3 > 1", "*"),
        ("x ÷ 3 > 1", "/"),
        ("x − 3 > 1", "-"),
        ("x – 3 > 1", "-"),
        ("route == ‘oral’", "'"),
        ("route == “oral”", "'"),
        ("x = 3", "=="),
        ("p & r", "&&"),
        ("p | r", "||"),
    ] {
        assert_eq!(faults(text)[0].suggestion.as_deref(), Some(hint), "{text}");
    }
    assert_eq!(faults("x # 3")[0].suggestion, None);
    assert!(faults("[1, 2]")[0].message.contains("to the right of `in`"));
    assert!(faults("p < r")[0].message.contains("cannot be compared"));
    assert!(faults("p == route")[0].message.contains("cannot be compared"));
    assert!(faults("route < place")[0].message.contains("cannot be compared"));
}

#[test]
fn a_sentence_shows_what_can_be_shown() {
    let bad = |text: &str| Template::compile(text, &NAMES).unwrap_err().remove(0).message;
    assert_eq!(bad("{conditions}"), "a set cannot be shown");
    assert_eq!(bad("{route; mL}"), "only an amount has a unit");
    assert_eq!(bad("{p; mL}"), "only an amount has a unit");
    let sentence = Template::compile("{rate} of {y} and {x + y}, {p}", &NAMES).unwrap();
    assert_eq!(sentence.facts(), [0, 1, 2, 6]);
    assert!(Template::compile("nothing", &NAMES).unwrap().facts().is_empty());
    let g = Given(vec![("y", known(2)), ("x", at_least(1)), ("p", Value::Truth(Truth::False))]);
    assert_eq!(sentence.render(&g, &[]), "not known of 2 and at least 3, no");
    let g = Given(vec![("x", range(1, 2)), ("y", known(2)), ("p", open())]);
    assert_eq!(sentence.render(&g, &[]), "not known of 2 and 3 to 4, not known");
}

/// A part is said where its condition surely holds and its figures are known, and else what stands for it.
#[test]
fn a_part_of_a_sentence_is_said_where_it_holds_and_is_known() {
    let said = |text: &str, given: &[(&'static str, Value)]| {
        let sentence = Template::compile(text, &NAMES).unwrap_or_else(|all| panic!("{text}: {all:?}"));
        sentence.render(&Given(given.to_vec()), &[])
    };
    let choice = "a{if x > 1} over {x}{else} under{end}.";
    assert_eq!(said(choice, &[("x", known(2))]), "a over 2.");
    assert_eq!(said(choice, &[("x", known(1))]), "a under.");
    // Neither where it is not known, nor where a range straddles the bound.
    assert_eq!(said(choice, &[]), "a under.");
    assert_eq!(said(choice, &[("x", range(0, 2))]), "a under.");
    assert_eq!(said(choice, &[("x", range(2, 3))]), "a over 2 to 3.");
    // A figure that is not known takes the part with it that it stands in, and no other.
    let clause = "{x}{if known}: {y} of {x}{end}{if r}, r{end}.";
    assert_eq!(said(clause, &[("x", known(1)), ("y", known(2))]), "1: 2 of 1.");
    assert_eq!(said(clause, &[("x", known(1)), ("r", Value::Truth(Truth::True))]), "1, r.");
    assert_eq!(said(clause, &[("y", known(2))]), "not known.");
    let nested = "{if x > 0}{if known}{y}{else}no y{end}, {rate; mL/h}{else}nothing{end}";
    let rate = Value::Quantity(Amount::Known(Exact::ratio(1, 3600)));
    assert_eq!(said(nested, &[("x", known(1)), ("rate", rate.clone())]), "no y, 1 mL/h");
    assert_eq!(said(nested, &[("x", known(1)), ("y", known(3)), ("rate", rate)]), "3, 1 mL/h");
    assert_eq!(said(nested, &[("x", known(1)), ("y", known(3))]), "nothing");
    // The facts of conditions are among those it uses, in every part.
    let all = Template::compile("{if x > 0}{y}{else}{if p}a{else}{place}{end}{end}{rate; mL/h}", &NAMES).unwrap();
    assert_eq!(all.facts(), [0, 1, 2, 4, 6]);
    // What is wrong is said at its place.
    let bad = |text: &str| {
        let all = Template::compile(text, &NAMES).unwrap_err();
        all.into_iter().map(|f| (f.offset_column, f.message)).collect::<Vec<_>>()
    };
    assert_eq!(bad("a {if x > 1} b"), [(3, "the part is not closed: `{end}` is missing".to_owned())]);
    assert_eq!(bad("a {else} b"), [(3, "an {else} without an {if …} of its own".to_owned())]);
    assert_eq!(bad("{if p}a{else}b{else}c{end}")[0].0, 15);
    assert!(bad("a {end}")[0].1.starts_with("`end` is no fact"), "{:?}", bad("a {end}"));
    assert_eq!(bad("{if x; 1}a{end}"), [(6, "a condition has neither unit nor places".to_owned())]);
    assert!(bad("{if x}a{end}")[0].1.contains("true or false is wanted"));
    assert_eq!(bad("ab {if xx > 1}a{end}")[0].0, 8);
    let deep = |n: usize| format!("{}a{}", "{if p}".repeat(n), "{end}".repeat(n));
    assert!(Template::compile(&deep(4), &NAMES).is_ok());
    assert_eq!(bad(&deep(5)), [(25, "nested deeper than 4".to_owned())]);
}

#[test]
fn what_cannot_be_read_is_said_where_it_stands() {
    for (text, says) in [
        ("(x > 1]", "`]` where `)` was expected"),
        ("x in [1, 2)", "`)` where `]` was expected"),
        ("x > 1)", "`)` without an opening one"),
        ("(x > 1", "`)` is missing for this bracket"),
        ("'oral'", "a quoted text can only be compared with a word"),
        ("999999999 * 999999999 * 999999999 * 999999999 * 999999999 > x", "outside the range of exact arithmetic"),
        ("x / (2 - 2) > 1", "the divisor is zero"),
    ] {
        let all = faults(text);
        assert!(all.iter().any(|f| f.message.contains(says)), "{text}: {all:?}");
    }
    // Amounts without a fact are worked out once, exactly.
    assert!(at_once("1 / 3 + 1 / 6 == 0.5", &Given(vec![])));
}

fn value(text: &str, given: &Given) -> Value {
    compile(text).evaluate(given, &[])
}

/// Ranges through functions: what is known of both ends is kept, no more and no less.
#[test]
fn functions_keep_what_is_known_of_a_range() {
    let g = |low, high| Given(vec![("x", range(low, high)), ("y", at_least(2))]);
    // From −3 to −1 the distance from zero is 1 to 3; from −2 to 3 it is 0 to 3.
    for (low, high, text, want) in [
        (2, 3, "abs(x) >= 2", Some(true)),
        (2, 3, "abs(x) > 3", Some(false)),
        (-3, -1, "abs(x) >= 1", Some(true)),
        (-3, -1, "abs(x) <= 3", Some(true)),
        (-3, -1, "abs(x) > 2", None),
        (-2, 3, "abs(x) >= 0", Some(true)),
        (-2, 3, "abs(x) <= 3", Some(true)),
        (-2, 3, "abs(x) >= 1", None),
        (-4, 3, "abs(x) <= 4", Some(true)),
        (-4, 3, "abs(x) <= 3", None),
        (-3, 0, "abs(x) >= 0", Some(true)),
        (0, 3, "abs(x) <= 3", Some(true)),
        (5, 7, "down(x, 2) >= 4", Some(true)),
        (5, 7, "down(x, 2) <= 6", Some(true)),
        (5, 7, "up(x, 2) >= 6", Some(true)),
        (5, 7, "up(x, 2) > 6", None),
        (5, 7, "floor(x / 2) == 2", None),
        (5, 7, "ceil(x / 4) == 2", Some(true)),
    ] {
        assert_eq!(decided(text, &g(low, high)), want, "{text} with {low} to {high}");
    }
    // Two ends that meet are one number.
    assert_eq!(value("ceil(x / 4)", &g(5, 7)), known(2));
    assert_eq!(value("x * 0", &g(5, 7)), known(0));
    // At least 2 less at least 2 may be anything: nothing is known, for both reasons.
    let Value::Quantity(Amount::Unknown(why)) = value("y - y", &g(5, 7)) else {
        panic!("{:?}", value("y - y", &g(5, 7)))
    };
    assert_eq!(why, [Why::ProductUnknown]);
}

/// What either side lacks is said, not only what the first does.
#[test]
fn both_sides_say_what_they_lack() {
    let g = Given(vec![("p", open())]);
    let lacking = |text: &str| match compile(text).holds(&g) {
        Truth::Unknown { missing, .. } => missing.into_iter().map(|m| FACTS[m.fact].name).collect::<Vec<_>>(),
        decided => panic!("{text}: {decided:?}"),
    };
    for text in ["x > y", "x + y > 3", "min(x, y) > 3", "max(y, x) < 3", "down(x, y) > 3", "x > 1 && y > 1"] {
        let mut all = lacking(text);
        all.sort_unstable();
        assert_eq!(all, ["x", "y"], "{text}");
    }
    assert_eq!(lacking("x > 3"), ["x"]);
    let mut all = lacking("(p ? x : y) > 3");
    all.sort_unstable();
    assert_eq!(all, ["p", "x", "y"]);
}

/// Sixty operators, four hundred parts, ten levels and ten choices are read; one more is not, and which it is is said.
#[test]
fn expressions_have_a_size() {
    let says = |text: &str, words: &str| {
        Expression::compile(text, &NAMES, Wanted::Any)
            .err()
            .is_some_and(|all| all.iter().any(|f| f.message.contains(words)))
    };
    let sum = |n: usize| format!("1{}", " + 1".repeat(n));
    assert!(Expression::compile(&sum(60), &NAMES, Wanted::Any).is_ok());
    assert!(says(&sum(61), "more than 60 operators"));
    let parts = |n: usize| "x ".repeat(n);
    assert!(!says(&parts(400), "more than 400 parts"));
    assert!(says(&parts(401), "more than 400 parts"));
    let nested = |n: usize| format!("{}x{}", "(".repeat(n), ")".repeat(n));
    assert!(Expression::compile(&nested(10), &NAMES, Wanted::Any).is_ok());
    assert!(says(&nested(11), "nested deeper than 10"));
    let not = |n: usize| format!("{}p", "!".repeat(n));
    assert!(Expression::compile(&not(10), &NAMES, Wanted::Any).is_ok());
    assert!(says(&not(11), "nested deeper than 10"));
    // Signs apart from one another do not nest.
    let apart = format!("p{}", " && !p".repeat(11));
    assert!(Expression::compile(&apart, &NAMES, Wanted::Any).is_ok());
    let choices = |n: usize| format!("{}2", "p ? 1 : ".repeat(n));
    assert!(Expression::compile(&choices(10), &NAMES, Wanted::Any).is_ok());
    assert!(says(&choices(11), "nested deeper than 10"));
    assert!(says("", "the expression is empty") && says(" \n\t", "the expression is empty"));
}

/// Units of a figure may carry an annotation in braces, one after the other.
#[test]
fn figures_may_have_units_with_braces() {
    let g = Given(vec![("rate", Value::Quantity(Amount::Known(Exact::ratio(1, 60))))]);
    let text = "{rate; mL/min/{1.73_m2}; 0} and {rate; mL/min/{1.73_m2}; 1}, {rate; mL/min; 0}";
    let compiled = Template::compile(text, &NAMES).unwrap_or_else(|all| panic!("{all:?}"));
    assert_eq!(compiled.facts().len(), 1);
    assert!(compiled.render(&g, &[]).contains(" and "), "{}", compiled.render(&g, &[]));
}

/// Reasons are the same where they read the same, however they are kept.
#[test]
fn reasons_are_told_apart_by_their_words() {
    use enteral_gate::rulebook::value::Words;
    let own = |text: &str| Words::Own(text.into());
    assert_eq!(Words::Fixed("a"), own("a"));
    assert_eq!(Words::NotSent("weight"), own("no weight was sent"));
    assert_ne!(Words::Fixed("a"), Words::Fixed("b"));
    assert_ne!(own("a"), own("b"));
    assert_ne!(Words::NotSent("weight"), Words::NoEarlier("weight"));
    assert_ne!(Words::NotSent("weight"), Words::NotSent("height"));
    assert!(Words::Fixed("").is_empty() && own("").is_empty());
    assert!(!Words::Fixed("a").is_empty() && !Words::NotSent("").is_empty());
}

/// A choice whose condition is open for no missing fact is between both of its sides.
#[test]
fn an_open_choice_is_between_its_sides() {
    let g = Given(vec![("x", range(4, 6)), ("y", known(3))]);
    for (text, want) in [
        ("(x > 5 ? 1 : 2) >= 1", Some(true)),
        ("(x > 5 ? 1 : 2) <= 2", Some(true)),
        ("(x > 5 ? 1 : 2) <= 1", None),
        ("(x > 5 ? y : 2) >= 2", Some(true)),
        ("(x > 5 ? x : y) <= 6", Some(true)),
        ("(x > 5 ? 2 : 2) == 2", Some(true)),
        ("(x > 6 ? 1 : 2) == 2", Some(true)),
    ] {
        assert_eq!(decided(text, &g), want, "{text}");
    }
}

/// What is open only for want of context that the sender does not declare names the kind; with anything else beside it,
/// or where the kind is declared or the value has a place, it does not.
#[test]
fn what_is_open_for_undeclared_context_names_its_kind() {
    use enteral_gate::rulebook::facts::FACTS as ALL;
    use enteral_gate::settings::ContextKind;
    let need = |kind| ALL.iter().position(|f| f.need == Need::Context(kind)).unwrap();
    let core = ALL.iter().position(|f| f.need == Need::Core).unwrap();
    let lacks = |fact: usize| Value::Missing(vec![Missing { fact, why: "not sent".into(), at: vec![] }]);
    let (labs, devices) = (need(ContextKind::Labs), need(ContextKind::Devices));
    let said = |text: &str, x: usize, y: usize, declared: &[ContextKind]| {
        let declared: BTreeSet<ContextKind> = declared.iter().copied().collect();
        let given = Given(vec![("x", lacks(x)), ("y", lacks(y)), ("rate", known(1))]);
        compile(text).verdict(&given, &Sitting::new(&declared, 0))
    };
    let (undeclared, other) = (|kind| Verdict::Open(Gap::Undeclared(kind)), Verdict::Open(Gap::Other));
    assert_eq!(said("x > 3", labs, core, &[]), undeclared(ContextKind::Labs));
    assert_eq!(said("x > 3", labs, core, &[ContextKind::Devices]), undeclared(ContextKind::Labs));
    assert_eq!(said("x > 3", labs, core, &[ContextKind::Labs]), other);
    assert_eq!(said("x > 3", core, labs, &[]), other);
    for text in ["x > y", "x + y > 3", "x == 3 && y == 3", "min(x, y) > 3"] {
        assert_eq!(said(text, labs, devices, &[]), undeclared(ContextKind::Labs), "{text}");
        assert_eq!(said(text, devices, labs, &[]), undeclared(ContextKind::Devices), "{text}");
        assert_eq!(said(text, labs, core, &[]), other, "{text}");
        assert_eq!(said(text, core, labs, &[]), other, "{text}");
        assert_eq!(said(text, labs, devices, &[ContextKind::Devices]), other, "{text}");
    }
    // A choice that nobody can make is open for what its branches lack as well.
    let chosen = |p: usize, x: usize| {
        let given = Given(vec![("p", lacks(p)), ("x", lacks(x)), ("r", Value::Truth(Truth::True))]);
        compile("p ? x > 3 : r").verdict(&given, &Sitting::new(&BTreeSet::new(), 0))
    };
    assert_eq!(chosen(labs, labs), undeclared(ContextKind::Labs));
    assert_eq!(chosen(labs, core), other);
    // Where both branches say the same, the choice does not matter.
    for (text, want) in [("p ? 1 < 2 : r", Verdict::True), ("p ? 1 > 2 : !r", Verdict::False)] {
        let given = Given(vec![("p", lacks(labs)), ("r", Value::Truth(Truth::True))]);
        assert_eq!(compile(text).verdict(&given, &Sitting::new(&BTreeSet::new(), 0)), want, "{text}");
    }
    assert!(!Given(vec![]).some_sent(ContextKind::Labs));
    // A truth that lacks the same.
    let unknown = |why: &[&str]| {
        let missing = vec![Missing { fact: labs, why: "not sent".into(), at: vec![] }];
        let why = why.iter().map(|why| (*why).to_owned()).collect();
        let given = Given(vec![("p", Value::Truth(Truth::Unknown { missing, why }))]);
        compile("!p").verdict(&given, &Sitting::new(&BTreeSet::new(), 0))
    };
    assert_eq!(unknown(&[]), undeclared(ContextKind::Labs));
    assert_eq!(unknown(&["given as needed"]), other);
    // A sum with what is known lacks what its other part lacks.
    assert_eq!(said("x + 1 > 3", labs, core, &[]), undeclared(ContextKind::Labs));
}

/// Nought is a number as any other, except below a stroke.
#[test]
fn nought_is_counted_with() {
    let g = Given(vec![("x", known(7)), ("y", known(0))]);
    for text in ["x + y == 7", "x - y == 7", "x * y == 0", "y / x == 0"] {
        assert!(at_once(text, &g), "{text}");
    }
    assert_eq!(decided("x / y > 1", &g), None);
    for text in ["down(x, y)", "up(x, y)", "nearest(x, y)", "down(x, y - 1)"] {
        let Value::Quantity(Amount::Unknown(why)) = value(text, &g) else { panic!("{text}: {:?}", value(text, &g)) };
        assert_eq!(why, [Why::ZeroDenominator("the step")], "{text}");
    }
}

/// Why nothing is known of an amount stays with it, through arithmetic and comparisons.
#[test]
fn reasons_are_carried_along() {
    // Between minus one and one lies zero: for that reason, and for the one that it is a range.
    let g = Given(vec![("x", range(-1, 1)), ("y", at_least(2))]);
    assert_eq!(
        value("1 / x", &g),
        Value::Quantity(Amount::Unknown(vec![Why::ZeroDenominator("the divisor"), Why::AsNeeded]))
    );
    // At least two less at least two has no end, and no range to name.
    match compile("y - y > 1").holds(&g) {
        Truth::Unknown { missing, why } => {
            assert_eq!((missing.len(), why), (0, vec![Why::ProductUnknown.to_string()]));
        }
        other => panic!("{other:?}"),
    }
    let names = Names {
        facts: FACTS,
        parameters: &[],
        extra: &[("measure", Type::Quantity(Dimension::NUMBER))],
        terms: &[],
        phrases: &[],
    };
    let doubled = Expression::compile("measure * 2", &names, Wanted::Any).unwrap();
    let of = |extra: &[Value]| doubled.evaluate(&g, extra);
    assert_eq!(of(&[known(3)]), known(6));
    let nothing = Value::Quantity(Amount::Unknown(vec![Why::NoWeight, Why::NoDensity]));
    assert_eq!(of(std::slice::from_ref(&nothing)), nothing);
    for other in [vec![], vec![word("oral")], vec![Value::Missing(vec![])]] {
        assert_eq!(of(&other), Value::Quantity(Amount::Unknown(vec![Why::Unreadable("not known".to_owned())])));
    }
}

/// Each fault once, where it stands, with what it is and what was meant.
#[test]
fn faults_say_what_they_found() {
    let only = |text: &str| {
        let all = faults(text);
        assert_eq!(all.len(), 1, "{text}: {all:?}");
        let Fault { offset_line, offset_column, message, suggestion, .. } = all.into_iter().next().unwrap();
        (offset_line, offset_column, message, suggestion)
    };
    let bare = |line, column, message: &str| (line, column, message.to_owned(), None);
    assert_eq!(only("x > 3 # y"), bare(1, 7, "`#` cannot stand in an expression"));
    assert_eq!(only("p && x"), bare(1, 6, "true or false is wanted here, this is a plain number"));
    let rate = "true or false is wanted here, this is an amount of volume per time";
    assert_eq!(only("p && rate"), bare(1, 6, rate));
    assert_eq!(only("p && route"), bare(1, 6, "true or false is wanted here, this is a word"));
    assert_eq!(only("p && conditions"), bare(1, 6, "true or false is wanted here, this is a set of keys"));
    assert_eq!(only("conditions[0]").2, "this operator is not offered");
    let decimal = "a decimal such as 0.5, or an amount such as q('500 mL')".to_owned();
    assert_eq!(only("x > 3h"), (1, 5, "`3h` is no plain decimal".to_owned(), Some(decimal)));
    // The unit that is proposed is that of what is compared.
    let unit = Some("an amount with its unit, as q('1 mL/h')".to_owned());
    assert_eq!(only("rate > 5").3, unit);
    assert_eq!(only("5 < rate").3, unit);
    // Places are counted in characters, whatever stands before them.
    assert_eq!(only("'öäü' in conditions && q > 1").1, 24);
    for text in ["x > 1.2.3", "x > 1234567890123456789"] {
        let said = only(text);
        assert!(said.2.contains("cannot be read") && said.3.is_none(), "{said:?}");
    }
    let hint = Some("an amount with its unit, as q('1 mL/h')".to_owned());
    let number = "a plain number cannot be taken from an amount of volume per time";
    assert_eq!(only("rate - x > rate"), (1, 6, number.to_owned(), hint.clone()));
    let number = "an amount of volume per time cannot be added to a plain number";
    assert_eq!(only("rate + x > rate"), (1, 6, number.to_owned(), hint));
    for text in ["x > > 1 && y < < 2", "x + * 2 > ) 3", "p ? : 3 > 2 ? :"] {
        let all = faults(text);
        let mut places: Vec<_> = all.iter().map(|f| (f.offset_line, f.offset_column)).collect();
        places.dedup();
        assert_eq!(places.len(), all.len(), "{text}: {all:?}");
    }
    let places: Vec<_> = faults("x > > 1 && y < < 2").iter().map(|f| (f.offset_line, f.offset_column)).collect();
    assert_eq!(places, [(1, 5), (1, 16)]);
    // Two thousand characters are read, one more is not.
    let long = |n: usize| format!("x > 3{}", " ".repeat(n - 5));
    assert!(Expression::compile(&long(2_000), &NAMES, Wanted::Any).is_ok());
    assert_eq!(only(&long(2_001)), bare(1, 1, "the expression is longer than 2000 characters"));
}

/// What stands in quotes belongs to the figure, also what would part or close it.
#[test]
fn a_figure_may_hold_quoted_signs() {
    let of = |present: &str| {
        Given(vec![(
            "conditions",
            Value::Keys(Keys { present: vec![present.to_owned()], absent: vec![], complete: true }),
        )])
    };
    for key in ["a;b", "a}b", "a{b", "a\"b"] {
        let text = format!("{{'{key}' in conditions}}.");
        let sentence = Template::compile(&text, &NAMES).unwrap_or_else(|all| panic!("{text}: {all:?}"));
        assert_eq!((sentence.render(&of(key), &[]), sentence.render(&of("c"), &[])), ("yes.".into(), "no.".into()));
    }
    let all = Template::compile("In the first line,\nin the second {q} and\n {conditions} and {x +\n q}", &NAMES)
        .unwrap_err();
    let places: Vec<_> = all.iter().map(|f| (f.offset_line, f.offset_column)).collect();
    assert_eq!(places, [(2, 16), (3, 3), (4, 2)], "{all:?}");
}

/// An amount is given back as it is: with the mean of a cycle, or missing with its reasons.
#[test]
fn a_fact_alone_is_given_back_as_it_is() {
    let cycle =
        Value::Quantity(Amount::range(Exact::ONE, Some(Exact::int(3)), Some(Exact::int(2)), vec![Why::AsNeeded]));
    let g = Given(vec![("x", cycle.clone()), ("y", Value::Quantity(Amount::unknown(Why::NoWeight)))]);
    assert_eq!(value("x", &g), cycle);
    let Value::Missing(missing) = value("y", &g) else { panic!("{:?}", value("y", &g)) };
    assert_eq!((missing.len(), missing[0].fact, missing[0].why.to_string()), (1, 1, Why::NoWeight.to_string()));
    // What is missing without a word is not known.
    match compile("x > 1").holds(&Given(vec![("x", Value::Missing(vec![]))])) {
        Truth::Unknown { missing, .. } => {
            assert_eq!(
                missing.iter().map(|m| (m.fact, m.why.to_string())).collect::<Vec<_>>(),
                [(0, "not known".to_owned())]
            );
        }
        other => panic!("{other:?}"),
    }
}

/// Open ends with unlike signs: from minus two downwards times from two upwards lies below minus four.
#[test]
fn signs_of_open_ends_are_kept() {
    let g = Given(vec![("x", at_least(3)), ("y", at_least(2))]);
    for (text, want) in [
        ("-y * y <= -4", Some(true)),
        ("-y * y > -4", Some(false)),
        ("-y * -x >= 6", Some(true)),
        ("x * y >= 6", Some(true)),
        ("x * -y <= -6", Some(true)),
        ("x * -y < -7", None),
        ("x * 0 == 0", Some(true)),
        ("0 * -y == 0", Some(true)),
    ] {
        assert_eq!(decided(text, &g), want, "{text}");
    }
}

/// Why a choice or a comparison of truths is open is said once for each reason.
#[test]
fn every_reason_is_said_once() {
    let because = |why: &str| Value::Truth(Truth::Unknown { missing: vec![], why: vec![why.to_owned()] });
    let why = |text: &str, given: Vec<(&'static str, Value)>| match compile(text).holds(&Given(given)) {
        Truth::Unknown { missing, why } => (missing.iter().map(|m| FACTS[m.fact].name).collect::<Vec<_>>(), why),
        other => panic!("{text}: {other:?}"),
    };
    let (a, b) = (|| because("given as needed"), || because("no usable schedule"));
    assert_eq!(why("p == r", vec![("p", a()), ("r", b())]).1, ["given as needed", "no usable schedule"]);
    assert_eq!(why("p == r", vec![("p", a()), ("r", a())]).1, ["given as needed"]);
    let sum = "(p ? x : 3) + (r ? x : 3) > 2";
    assert_eq!(why(sum, vec![("p", a()), ("r", b())]).1, ["given as needed", "no usable schedule"]);
    assert_eq!(why(sum, vec![("p", a()), ("r", a())]), (vec!["x"], vec!["given as needed".to_owned()]));
    assert_eq!(why("1 / (x - x) > 1", vec![("x", known(1))]).1, [Why::ZeroDenominator("the divisor").to_string()]);
    let (missing, words) = why("(p ? x : 3) > 2", vec![("p", a())]);
    assert_eq!((missing, words), (vec!["x"], vec!["given as needed".to_owned()]));
}

/// Ends that read the same are one figure; four thousand characters are a sentence, one more is not.
#[test]
fn figures_and_sentences_have_a_size() {
    let tenths = |n| Exact::ratio(n, 10);
    let g = Given(vec![("x", Value::Quantity(Amount::between(tenths(1_001), tenths(1_002), Why::AsNeeded)))]);
    let sentence = Template::compile("{x; 1; 0} and {x; 1; 1}", &NAMES).unwrap();
    assert_eq!(sentence.render(&g, &[]), "100 and 100.1 to 100.2");
    // A figure has the unit of what it is worked out from.
    let hourly = Scale::parse("mL/h").unwrap().to_base(Exact::int(60)).unwrap();
    let g = Given(vec![("rate", Value::Quantity(Amount::Known(hourly))), ("x", known(2))]);
    let sentence = Template::compile("{rate * 2} or {x * rate} or {rate / x}", &NAMES).unwrap();
    assert_eq!(sentence.render(&g, &[]), "120 mL/h or 120 mL/h or 30 mL/h");
    assert!(Template::compile(&"x".repeat(4_000), &NAMES).is_ok());
    let all = Template::compile(&"x".repeat(4_001), &NAMES).unwrap_err();
    assert_eq!(all[0].message, "the text is longer than 4000 characters");
}
