use super::*;
use crate::amount::{Amount, Why};
use crate::exact::Exact;
use crate::rulebook::value::{Keys, Missing, Need, Truth};
use num_rational::BigRational;
use num_traits::{Signed, Zero};
use proptest::prelude::*;

const CORE: Need = Need::Core;
const ROUTES: &[&str] = &["gastric", "post-pyloric", "oral"];

macro_rules! facts {
    ($($name:literal $kind:expr, $unit:literal;)*) => {
        &[$(Fact { name: $name, kind: $kind, unit: $unit, need: CORE, title: $name }),*]
    };
}

static FACTS: &[Fact] = facts! {
    "weight" Type::Quantity(Dimension::MASS), "kg";
    "highest_rate" Type::Quantity(Dimension::VOLUME_RATE), "mL/h";
    "energy" Type::Quantity(Dimension::ENERGY_RATE), "kcal/d";
    "energy_per_kg" Type::Quantity(Dimension::ENERGY_RATE_PER_MASS), "kcal/kg/d";
    "age" Type::Quantity(Dimension::TIME), "a";
    "route" Type::Word(ROUTES), "";
    "conditions" Type::Keys, "";
    "has_flush" Type::Truth, "";
    "steps" Type::Quantity(Dimension::NUMBER), "1";
    "x" Type::Quantity(Dimension::NUMBER), "1";
    "y" Type::Quantity(Dimension::NUMBER), "1";
    "p" Type::Truth, "";
    "r" Type::Truth, "";
    "protein" Type::Quantity(Dimension::MASS_RATE), "g/d";
};

struct Given(Vec<(&'static str, Value)>);

impl Facts for Given {
    fn value(&self, fact: usize) -> Value {
        let found = self.0.iter().find(|(name, _)| *name == FACTS[fact].name);
        let none = || Value::Missing(vec![Missing { fact, why: "not sent".into(), at: vec![] }]);
        found.map_or_else(none, |(_, value)| value.clone())
    }
    fn held(&self, fact: usize) -> Option<&Value> {
        self.0.iter().find(|(name, _)| *name == FACTS[fact].name).map(|(_, value)| value)
    }
    fn places(&self, _: usize) -> Vec<crate::intake::order::At> {
        vec![]
    }
}

const NAMES: Names<'static> = Names { facts: FACTS, parameters: &[], extra: &[], terms: &[], phrases: &[] };

fn known(n: i64, d: i64) -> Value {
    Value::Quantity(Amount::Known(Exact::ratio(n, d)))
}

fn of(number: i64, unit: &str) -> Value {
    Value::Quantity(Amount::Known(Scale::parse(unit).unwrap().to_base(Exact::int(number)).unwrap()))
}

fn range(low: i64, high: i64, unit: &str) -> Value {
    let base = |n| Scale::parse(unit).unwrap().to_base(Exact::int(n)).unwrap();
    Value::Quantity(Amount::between(base(low), base(high), Why::AsNeeded))
}

fn compile(text: &str) -> Expression {
    Expression::compile(text, &NAMES, Wanted::Any).unwrap_or_else(|faults| panic!("{text}: {faults:?}"))
}

fn faults(text: &str) -> Vec<Fault> {
    Expression::compile(text, &NAMES, Wanted::Any).err().unwrap_or_else(|| panic!("{text} was read"))
}

fn truth(text: &str, given: &Given) -> Truth {
    match compile(text).evaluate(given, &[]) {
        Value::Truth(truth) => truth,
        other => panic!("{text}: {other:?}"),
    }
}

fn number(text: &str, given: &Given) -> Exact {
    match compile(text).evaluate(given, &[]) {
        Value::Quantity(Amount::Known(x)) => x,
        other => panic!("{text}: {other:?}"),
    }
}

fn yes(text: &str, given: &Given) {
    assert_eq!(truth(text, given), Truth::True, "{text}");
}

#[test]
fn what_is_known_is_exact() {
    let g = Given(vec![
        ("weight", of(70, "kg")),
        ("highest_rate", of(160, "mL/h")),
        ("energy", of(2100, "kcal/d")),
        ("energy_per_kg", of(30, "kcal/kg/d")),
        ("age", of(70, "a")),
        ("route", Value::Word("post-pyloric".to_owned())),
        ("has_flush", Value::Truth(Truth::True)),
        ("steps", known(3, 1)),
        ("protein", of(84, "g/d")),
        (
            "conditions",
            Value::Keys(Keys { present: vec!["ckd".to_owned()], absent: vec!["dm".to_owned()], complete: false }),
        ),
    ]);
    for text in [
        "0.1 + 0.2 == 0.3",
        "1 / 3 * 3 == 1",
        "-2 < -1 && - 2 == -2.0 && --2 == 2",
        "energy / weight == energy_per_kg",
        "energy_per_kg * weight == energy && weight * energy_per_kg == energy",
        "energy / energy_per_kg == weight",
        "protein / protein == 1",
        "protein / weight == q('1.2 g/kg/d')",
        "highest_rate * q('1 h') == q('160 mL')",
        "highest_rate > q('150 mL/h') && highest_rate < q('4 L/d')",
        "age >= q('18 a') && age > q('839 mo') && age < q('25568 d')",
        "route == 'post-pyloric' && route != 'oral' && 'oral' != route",
        "route in ['gastric', \"post-pyloric\"] && !(route in ['oral'])",
        "'ckd' in conditions && !('dm' in conditions)",
        "known(weight) && has_flush && steps == 3 && has_flush == true",
        "min(3, 1, 2) == 1 && max(q('1 L'), q('900 mL')) == q('1000 mL') && abs(-3) == 3",
        "floor(2.5) == 2 && ceil(2.5) == 3 && floor(-2.5) == -3",
        "down(q('127 mL'), q('5 mL')) == q('125 mL') && up(q('126 mL'), q('5 mL')) == q('130 mL')",
        "nearest(2.5, 1) == 3 && nearest(q('7 mL'), q('5 mL')) == q('5 mL')",
        "(age < q('18 a') ? q('25 mL/h') : q('150 mL/h')) == q('150 mL/h')",
        "q('50 %') == 0.5 && q('5 mmol/L') == q('5000 umol/L')",
    ] {
        yes(text, &g);
    }
    assert!(matches!(truth("'copd' in conditions", &g), Truth::Unknown { missing, .. } if missing.len() == 1));
    assert_eq!(compile("weight > q('1 kg') || weight < q('2 kg') && steps == 1").facts(), [0, 8]);
    assert_eq!(compile("'ckd' in conditions").keys()[0].key, "ckd");
    assert_eq!(compile("energy / weight").kind(), Type::Quantity(Dimension::ENERGY_RATE_PER_MASS));
}

#[test]
fn three_truth_values_follow_kleene() {
    let unknown = || Truth::Unknown { missing: vec![], why: vec!["?".to_owned()] };
    let values = [(0, Truth::False), (1, unknown()), (2, Truth::True)];
    let rank = |truth: &Truth| match truth {
        Truth::False => 0,
        Truth::Unknown { .. } => 1,
        Truth::True => 2,
    };
    for (i, a) in &values {
        for (j, b) in &values {
            let g = Given(vec![("p", Value::Truth(a.clone())), ("r", Value::Truth(b.clone()))]);
            assert_eq!(rank(&truth("p && r", &g)), (*i).min(*j));
            assert_eq!(rank(&truth("p || r", &g)), (*i).max(*j));
            assert_eq!(rank(&truth("!p", &g)), 2 - i);
            let same = if *i == 1 || *j == 1 { 1 } else { 2 * i32::from(i == j) };
            assert_eq!(rank(&truth("p == r", &g)), same);
            let chosen = if *i == 2 {
                2
            } else if *i == 0 {
                *j
            } else if *j == 2 {
                2
            } else {
                1
            };
            assert_eq!(rank(&truth("p ? true : r", &g)), chosen);
        }
    }
    let none = Given(vec![]);
    yes("true || p", &none);
    yes("!(false && weight > q('1 kg'))", &none);
    yes("!known(weight)", &none);
    match truth("weight > q('1 kg') && p", &none) {
        Truth::Unknown { missing, .. } => assert_eq!(missing.iter().map(|m| m.fact).collect::<Vec<_>>(), [0, 11]),
        other => panic!("{other:?}"),
    }
}

#[test]
fn a_bound_within_a_range_is_said() {
    let g = Given(vec![("highest_rate", range(120, 180, "mL/h"))]);
    match truth("highest_rate > q('150 mL/h')", &g) {
        Truth::Unknown { missing, why } => {
            assert!(missing.is_empty());
            assert_eq!(
                why,
                ["the bound 150 mL/h lies within the range 120 to 180 mL/h (given as needed: from none to all of it)"]
            );
        }
        other => panic!("{other:?}"),
    }
    yes("highest_rate > q('119 mL/h') && highest_rate <= q('180 mL/h') && highest_rate != q('5 mL/h')", &g);
}

#[test]
fn a_divisor_that_may_be_zero_leaves_nothing_known() {
    let g = Given(vec![("x", range(-1, 1, "1")), ("y", known(0, 1))]);
    for text in ["1 / x", "1 / y", "down(1, y)", "x / (y * 2)"] {
        match compile(text).evaluate(&g, &[]) {
            Value::Quantity(Amount::Unknown(why)) => assert!(!why.is_empty()),
            other => panic!("{text}: {other:?}"),
        }
    }
    let nothing = Given(vec![("weight", Value::Quantity(Amount::unknown(Why::NoWeight)))]);
    match compile("weight * 2").evaluate(&nothing, &[]) {
        Value::Missing(missing) => assert_eq!(missing[0].why.to_string(), "no usable dosing weight"),
        other => panic!("{other:?}"),
    }
}

#[test]
fn faults_have_a_place_and_a_suggestion() {
    for (text, line, column, message, suggestion) in [
        ("wieght > q('1 kg')", 1, 1, "no fact", Some("weight")),
        ("steps > 1 &&\n  stepz < 3", 2, 3, "no fact", Some("steps")),
        (
            "weight > 5",
            1,
            8,
            "an amount of mass is compared with a plain number",
            Some("an amount with its unit, as q('1 kg')"),
        ),
        ("weight + energy > weight", 1, 8, "cannot be added", None),
        ("route == 'gastrik'", 1, 10, "none of the words", Some("gastric")),
        ("route in ['oral', 'mouth']", 1, 19, "none of the words", Some("gastric, post-pyloric, oral")),
        ("route < 'oral'", 1, 7, "no order", Some("== or !=")),
        ("weight > q('5 kilo')", 1, 12, "kilo", None),
        ("weight > q('5kg')", 1, 12, "no amount", Some("q('500 mL'), or a number alone")),
        ("weight > '5 kg'", 1, 10, "quoted text", Some("q('5 kg')")),
        ("mim(1, 2) > 1", 1, 1, "no function", Some("min")),
        ("has(conditions, 'x')", 1, 1, "no function", Some("known(fact), or 'key' in set")),
        ("floor(weight) > q('1 kg')", 1, 7, "plain number", Some("down(amount, step)")),
        ("weight > q('1 kg') & p", 1, 20, "cannot stand", Some("&&")),
        ("steps ≥ 3", 1, 7, "cannot stand", Some(">=")),
        ("steps / 0 > 1", 1, 9, "zero", None),
        ("steps > 1e3", 1, 9, "plain decimal", Some("a decimal such as 0.5")),
        ("p && weight", 1, 6, "true or false is wanted", None),
        ("conditions == 'ckd'", 1, 12, "not compared", Some("'ckd' in the set")),
        ("steps.size() > 1", 1, 6, "cannot stand", None),
        ("", 1, 1, "empty", None),
        ("(steps > 1", 1, 1, "is missing", None),
        ("steps >", 1, 8, "not an expression here", None),
    ] {
        let list = faults(text);
        let first = &list[0];
        assert_eq!((first.offset_line, first.offset_column), (line, column), "{text}: {list:?}");
        assert!(first.message.contains(message), "{text}: {list:?}");
        assert_eq!(first.suggestion.as_deref(), suggestion, "{text}: {list:?}");
    }
    let several = faults("wieght > q('1 kg') && route == 'gastrik' && steps > q('1 mL')");
    assert_eq!(several.len(), 3, "{several:?}");
    assert!(Expression::compile("steps + 1", &NAMES, Wanted::Truth).is_err());
    assert!(Expression::compile("weight", &NAMES, Wanted::Quantity(Some(Dimension::ENERGY))).is_err());
    assert!(Expression::compile("weight", &NAMES, Wanted::Quantity(Some(Dimension::MASS))).is_ok());
}

#[test]
fn length_and_nesting_are_bounded() {
    let deep = |n: usize| format!("{}1{} == 1", "(".repeat(n), ")".repeat(n));
    yes(&deep(MAX_NESTING), &Given(vec![]));
    assert!(faults(&deep(500))[0].message.contains("nested"));
    assert!(faults(&"!".repeat(50))[0].message.contains("nested"));
    assert!(faults(&format!("1{}", "+1".repeat(600)))[0].message.contains("operators"));
    assert!(faults(&"x".repeat(MAX_CHARACTERS + 1))[0].message.contains("longer"));
    // The worst that passes: everything that nests, nested at once, on the small stack of a test's thread.
    let worst = format!(
        "{}{}1{}{}",
        "true?1:".repeat(MAX_NESTING),
        "-(".repeat(MAX_NESTING),
        ")".repeat(MAX_NESTING),
        "+1".repeat(50)
    );
    assert_eq!(number(&worst, &Given(vec![])), Exact::int(1));
    let _ = Expression::compile(&worst.replacen("true?1:", "false?1:", 10), &NAMES, Wanted::Any);
    assert_eq!(number(&format!("1{}", "+1".repeat(60)), &Given(vec![])), Exact::int(61));
}

#[test]
fn sentences_show_amounts_as_people_read_them() {
    let parameters = [Parameter { name: "adult".to_owned(), value: Exact::int(150), unit: "mL/h".to_owned() }];
    let rate = Type::Quantity(Dimension::VOLUME_RATE);
    let names = Names {
        facts: FACTS,
        parameters: &parameters,
        extra: &[("measure", rate), ("bound", rate)],
        terms: &[],
        phrases: &[],
    };
    let text = "{{{measure; mL/h; 0}}} over {bound;mL/h;0} at {age} years; {q('1200 mL') / bound; h; 1}, {route}, {weight}, {adult}";
    let template = Template::compile(text, &names).unwrap_or_else(|f| panic!("{f:?}"));
    let g = Given(vec![("age", of(70, "a")), ("route", Value::Word("oral".to_owned()))]);
    assert_eq!(
        template.render(&g, &[range(120, 180, "mL/h"), of(150, "mL/h")]),
        "{120 to 180 mL/h} over 150 mL/h at 70 years years; 8 h, oral, not known, 150 mL/h"
    );
    let bad = Template::compile("a } {wieght} {weight; mL} {weight; kg; many} {measure} {x; 1; 1; 1} {p", &names);
    let bad = bad.unwrap_err();
    let places: Vec<usize> = bad.iter().map(|f| f.offset_column).collect();
    assert_eq!(places, [3, 6, 23, 40, 47, 66, 69], "{bad:?}");
}

fn decimals() -> impl Strategy<Value = (i64, u32)> {
    (-99_999i64..99_999, 0u32..4)
}

fn written((mantissa, places): (i64, u32)) -> String {
    format!("({})", Exact::decimal(mantissa, places).short(9))
}

fn rational((mantissa, places): (i64, u32)) -> BigRational {
    BigRational::new(mantissa.into(), 10i64.pow(places).into())
}

fn big(x: Exact) -> BigRational {
    let (num, den) = x.parts();
    BigRational::new(num.into(), den.into())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn arithmetic_is_that_of_rationals(a in decimals(), b in decimals(), c in decimals()) {
        let none = Given(vec![]);
        let (x, y, z) = (rational(a), rational(b), rational(c));
        let (ta, tb, tc) = (written(a), written(b), written(c));
        prop_assert_eq!(big(number(&format!("{ta} + {tb} * {tc}"), &none)), &x + &y * &z);
        prop_assert_eq!(big(number(&format!("abs({ta} - {tb}) - {tc}"), &none)), (&x - &y).abs() - &z);
        if !z.is_zero() {
            prop_assert_eq!(big(number(&format!("({ta} - {tb}) / {tc}"), &none)), (&x - &y) / &z);
        }
        prop_assert_eq!(truth(&format!("{ta} < {tb}"), &none) == Truth::True, x < y);
    }

    #[test]
    fn a_range_agrees_with_every_completion(
        a in (-9i64..9, 0i64..9), b in (-9i64..9, 0i64..9), s in 0i64..=4, t in 0i64..=4,
        form in prop::sample::select(vec![
            "x + y > 2", "x - y <= 1", "x * y < 6", "x / y >= 1", "min(x, y) == 2", "max(x, y) != 3",
            "abs(x) > 2", "-x < y", "floor(x / 2) == 1", "down(x, 2) >= y", "nearest(y, 3) == 3", "x * x > y",
            "x > 1 && y < 4", "x > 1 || !(y < 4)", "(x > 0 ? y : 1) > 2", "(x > 0 ? x * y : -y) <= 4",
        ]),
    ) {
        let open = Given(vec![("x", range(a.0, a.0 + a.1, "1")), ("y", range(b.0, b.0 + b.1, "1"))]);
        let said = truth(form, &open);
        let full = Given(vec![
            ("x", known(a.0 * 4 + a.1 * s, 4)),
            ("y", known(b.0 * 4 + b.1 * t, 4)),
        ]);
        let real = truth(form, &full);
        if !matches!(said, Truth::Unknown { .. }) {
            prop_assert_eq!(said, real);
        }
    }

    #[test]
    fn open_ranges_hold_what_they_may_become(
        low in 0i64..9, more in 0i64..50, other in -9i64..9,
        form in prop::sample::select(vec!["x + y > 3", "y - x < 1", "x * y > 4", "y / x < 2", "min(x, y) > 2", "max(x, -x) > 5", "abs(-x) >= y"]),
    ) {
        let at_least = Value::Quantity(Amount::at_least(Exact::int(low), vec![Why::AsNeeded]));
        let said = truth(form, &Given(vec![("x", at_least), ("y", known(other, 1))]));
        let real = truth(form, &Given(vec![("x", known(low + more, 1)), ("y", known(other, 1))]));
        if !matches!(said, Truth::Unknown { .. }) {
            prop_assert_eq!(said, real);
        }
    }

    #[test]
    fn another_unit_of_the_same_amount_changes_nothing(rate in 0i64..400, bound in 1i64..400) {
        let g = Given(vec![("highest_rate", of(rate, "mL/h"))]);
        let litres = Exact::ratio(bound * 24, 1_000).short(9);
        let per_minute = Exact::ratio(bound, 1).short(9);
        let outcome = truth(&format!("highest_rate > q('{bound} mL/h')"), &g);
        prop_assert_eq!(&outcome, &truth(&format!("highest_rate > q('{litres} L/d')"), &g));
        prop_assert_eq!(&outcome, &truth(&format!("highest_rate * 60 > q('{per_minute} mL/min')"), &g));
    }

    #[test]
    fn no_text_does_harm(text in "\\PC{0,60}") {
        let _ = Expression::compile(&text, &NAMES, Wanted::Any);
        let _ = Template::compile(&text, &NAMES);
    }

    #[test]
    fn no_row_of_symbols_does_harm(parts in prop::collection::vec(prop::sample::select(vec![
        "x", "weight", "route", "conditions", "p", "1", "0.5", "'oral'", "'é'", "q", "q('5 kg')", "min", "known", "has",
        "(", ")", "[", "]", ",", "+", "-", "*", "/", "!", "&&", "||", "?", ":", "==", "<", ">=", " in ", " ", "\n", "true", "{", "}", ";", ".", "\"a\"",
    ]), 0..24)) {
        let text: String = parts.concat();
        if let Ok(e) = Expression::compile(&text, &NAMES, Wanted::Any) {
            let _ = e.evaluate(&Given(vec![]), &[]);
            let _ = e.evaluate(&Given(vec![("x", known(0, 1)), ("weight", range(0, 3, "kg"))]), &[]);
        }
        let _ = Template::compile(&format!("a {{{text}}} b"), &NAMES);
    }
}

#[test]
#[ignore = "a measurement, not a test"]
fn cost_of_a_condition() {
    struct Row(Vec<Value>);
    impl Facts for Row {
        fn value(&self, fact: usize) -> Value {
            self.0[fact].clone()
        }
        fn held(&self, fact: usize) -> Option<&Value> {
            self.0.get(fact)
        }
        fn places(&self, _: usize) -> Vec<crate::intake::order::At> {
            vec![]
        }
    }
    let mut row: Vec<Value> = FACTS.iter().map(|_| known(1, 1)).collect();
    row[0] = of(70, "kg");
    row[1] = of(160, "mL/h");
    row[2] = of(2100, "kcal/d");
    row[4] = of(70, "a");
    row[5] = Value::Word("post-pyloric".to_owned());
    let row = Row(row);
    for text in [
        "highest_rate > q('150 mL/h')",
        "age >= q('18 a') && route == 'post-pyloric' && highest_rate > q('150 mL/h')",
        "energy / weight > q('35 kcal/kg/d')",
    ] {
        let e = compile(text);
        let start = std::time::Instant::now();
        for _ in 0..1_000_000 {
            std::hint::black_box(e.evaluate(std::hint::black_box(&row), &[]));
        }
        println!("{text}: {} ns", start.elapsed().as_nanos() / 1_000_000);
    }
}
