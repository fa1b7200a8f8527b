//! Units: properties that hold for every code and every text.

use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::intake::order::{At, Field, Quantity, Sourced, Text};
use enteral_gate::units::{
    Dimension, ElementUnit, MAX_CODE_BYTES, UCUM, Unit, UnitNote, aliases, atom_codes, common_codes, convert_element,
    energy_density, measure, measure_nutrient,
};
use proptest::prelude::*;

/// A unit as a tree, with its own naive evaluation to compare the parser with.
#[derive(Clone, Debug)]
enum Tree {
    Number(i64),
    Atom(&'static str, i8),
    Feed,
    Join(Box<Tree>, bool, Box<Tree>),
}

impl Tree {
    /// The UCUM code; a right-hand side of several parts goes in parentheses.
    fn print(&self) -> String {
        match self {
            Tree::Number(n) => n.to_string(),
            Tree::Atom(code, 1) => (*code).to_owned(),
            Tree::Atom(code, n) => format!("{code}{n}"),
            Tree::Feed => "{feed}".to_owned(),
            Tree::Join(left, divide, right) => {
                let right =
                    if matches!(**right, Tree::Join(..)) { format!("({})", right.print()) } else { right.print() };
                format!("{}{}{right}", left.print(), if *divide { '/' } else { '.' })
            }
        }
    }

    fn value(&self) -> Option<(Exact, Dimension)> {
        match self {
            Tree::Number(n) => Some((Exact::int(*n), Dimension::NUMBER)),
            Tree::Feed => Some((Exact::ONE, Dimension::NUMBER)),
            Tree::Atom(code, n) => {
                let atom = Unit::parse(code).unwrap();
                let mut factor = Exact::ONE;
                for _ in 0..n.unsigned_abs() {
                    factor = if *n > 0 { factor.mul(atom.factor)? } else { factor.div(atom.factor)? };
                }
                Some((factor, atom.dimension.power(*n)?))
            }
            Tree::Join(left, divide, right) => {
                let (lf, ld) = left.value()?;
                let (rf, rd) = right.value()?;
                Some(if *divide { (lf.div(rf)?, ld.per(rd)?) } else { (lf.mul(rf)?, ld.times(rd)?) })
            }
        }
    }
}

fn atom() -> impl Strategy<Value = &'static str> {
    prop::sample::select(atom_codes())
}

fn tree() -> impl Strategy<Value = Tree> {
    let leaf = prop_oneof![
        6 => atom().prop_map(|code| Tree::Atom(code, 1)),
        1 => (atom().prop_filter("a percentage has no power", |code| *code != "%"), prop::sample::select(vec![-2i8, -1, 2, 3]))
            .prop_map(|(code, n)| Tree::Atom(code, n)),
        1 => (1i64..1_000).prop_map(Tree::Number),
        1 => Just(Tree::Feed),
    ];
    leaf.prop_recursive(3, 6, 2, |inner| {
        (inner.clone(), any::<bool>(), inner)
            .prop_map(|(left, divide, right)| Tree::Join(Box::new(left), divide, Box::new(right)))
    })
}

fn quantity(value: &str, unit: Option<String>, system: Option<String>, code: Option<String>) -> Quantity<'static> {
    Quantity {
        value: Field::Present(Sourced { value: Decimal::parse(value).unwrap(), at: At(0) }),
        comparator: None,
        unit: unit.map(Text::from),
        system: system.map(Text::from),
        code: code.map(Text::from),
    }
}

/// Texts near to units, so that more than the first character is looked at.
fn near_unit() -> impl Strategy<Value = String> {
    prop_oneof![
        "\\PC{0,80}",
        "[-+./(){}%0-9a-zA-Z\\[\\]_ ]{0,70}",
        prop::collection::vec(
            prop_oneof![
                atom().prop_map(str::to_owned),
                "[./(){}]",
                "[0-9]{1,12}",
                Just("{feed}".to_owned()),
                Just("hr".to_owned()),
                Just(" per ".to_owned()),
                Just("calories".to_owned()),
                Just("ounce".to_owned()),
                Just("µ".to_owned()),
            ],
            0..12
        )
        .prop_map(|parts| parts.concat()),
        prop::sample::select(aliases()).prop_map(|alias| alias.given.to_owned()),
    ]
}

const WANTS: [Dimension; 8] = [
    Dimension::VOLUME,
    Dimension::VOLUME_RATE,
    Dimension::ENERGY_DENSITY,
    Dimension::MASS,
    Dimension::TIME,
    Dimension::NUMBER,
    Dimension::ENERGY,
    Dimension::VOLUME_RATE_PER_MASS,
];

proptest! {
    #![proptest_config(ProptestConfig { cases: 4_000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn what_is_printed_is_read_back_with_the_same_meaning(tree in tree()) {
        let code = tree.print();
        match (Unit::parse(&code), tree.value()) {
            (Ok(unit), Some((factor, dimension))) => {
                prop_assert_eq!(unit.factor, factor, "{}", code);
                prop_assert_eq!(unit.dimension, dimension, "{}", code);
                prop_assert_eq!(unit.to_string(), code);
            }
            (Ok(_), None) => {} // The naive order of operations overflowed first.
            (Err(why), value) => prop_assert!(value.is_none() || code.len() > MAX_CODE_BYTES, "{}: {}", code, why),
        }
    }

    #[test]
    fn there_and_back_is_the_same_amount(mantissa in -1_000_000_000i64..1_000_000_000, places in 0u32..6, a in prop::sample::select(common_codes()), b in prop::sample::select(common_codes())) {
        let (a, b) = (Unit::parse(a).unwrap(), Unit::parse(b).unwrap());
        let value = Exact::decimal(mantissa, places);
        match a.convert(value, &b) {
            Some(there) => {
                prop_assert_eq!(a.dimension, b.dimension);
                prop_assert_eq!(b.convert(there, &a), Some(value));
                prop_assert_eq!(b.to_base(there), a.to_base(value));
            }
            None => prop_assert_ne!(a.dimension, b.dimension),
        }
        prop_assert_eq!(a.to_base(value).and_then(|x| a.from_base(x)), Some(value));
    }

    #[test]
    fn atoms_convert_there_and_back(mantissa in -1_000_000i64..1_000_000, places in 0u32..4, a in atom(), b in atom()) {
        let (a, b) = (Unit::parse(a).unwrap(), Unit::parse(b).unwrap());
        let value = Exact::decimal(mantissa, places);
        let there = a.convert(value, &b);
        prop_assert_eq!(there.is_some(), a.dimension == b.dimension);
        if let Some(there) = there {
            prop_assert_eq!(b.convert(there, &a), Some(value));
        }
    }

    #[test]
    fn elements_convert_there_and_back(mantissa in 0i64..1_000_000_000, places in 0u32..6, n in 0usize..11, from in 0usize..3, to in 0usize..3) {
        let (nutrient, from, to) = (Nutrient::ALL[n], ElementUnit::ALL[from], ElementUnit::ALL[to]);
        let value = Exact::decimal(mantissa, places);
        if let Ok(there) = convert_element(value, from, to, nutrient) {
            prop_assert_eq!(convert_element(there, to, from, nutrient), Ok(value));
        }
    }

    #[test]
    fn the_shortcut_says_what_the_parser_says(code in near_unit()) {
        let (fast, full) = (Unit::parse(&code), Unit::parse_in_full(&code));
        match (fast, full) {
            (Ok(fast), Ok(full)) => {
                prop_assert_eq!(&fast, &full);
                prop_assert_eq!(fast.code(), full.code());
                prop_assert_eq!(fast.has_small_calorie(), full.has_small_calorie());
                // What was accepted is printable, short and positive.
                prop_assert!(code.is_ascii() && code.len() <= MAX_CODE_BYTES && full.factor.is_positive());
            }
            (Err(fast), Err(full)) => {
                prop_assert_eq!(&fast, &full);
                prop_assert!(!fast.to_string().is_empty());
            }
            (fast, full) => prop_assert!(false, "{code}: {fast:?} {full:?}"),
        }
    }

    #[test]
    fn no_quantity_panics_and_none_is_silent(
        value in prop::sample::select(vec!["0", "1.5", "-3", "999999999999999999e9", "0.000000001", "1440"]),
        unit in prop::option::of(near_unit()),
        system in prop::option::weighted(0.8, prop_oneof![9 => Just(UCUM.to_owned()), 1 => "\\PC{0,30}"]),
        code in prop::option::weighted(0.8, near_unit()),
        want in prop::sample::select(WANTS.to_vec()),
        nutrient in prop::sample::select(Nutrient::ALL.to_vec()),
    ) {
        let q = quantity(value, unit, system, code);
        let general = [measure(&q, want), energy_density(&q)].map(|r| (r.value, r.notes));
        let nutrients = [Dimension::NUMBER, Dimension::VOLUME, Dimension::MASS].map(|per| measure_nutrient(&q, nutrient, per)).map(|r| (r.value, r.notes));
        for (read, notes) in general.iter().chain(&nutrients) {
            // A value or a reason, never both, never neither.
            prop_assert_eq!(read.is_none(), notes.iter().any(UnitNote::blocks), "{:?}", notes);
            for note in notes {
                let text = note.to_string();
                prop_assert!(!text.is_empty() && !text.chars().any(char::is_control) && text.len() < 1_200, "{}", text);
                prop_assert!(!note.kind().is_empty());
            }
        }
        let reading = measure(&q, want);
        if let (Some(x), Some(unit)) = (reading.value, &reading.unit) {
            prop_assert_eq!(unit.dimension, want);
            prop_assert_eq!(x.is_zero(), value == "0");
            prop_assert!(!x.is_negative());
        }
    }

    #[test]
    fn an_accepted_code_without_text_is_its_factor(tree in tree()) {
        let code = tree.print();
        if let Ok(unit) = Unit::parse(&code) {
            let reading = measure(&quantity("2", None, Some(UCUM.into()), Some(code)), unit.dimension);
            let calories = reading.notes.iter().any(|note| note.kind().starts_with("calorie"));
            prop_assert!(calories || reading.value == unit.factor.mul(Exact::int(2)));
        }
    }

    #[test]
    fn dimensions_multiply_and_divide_back(a in tree(), b in tree()) {
        if let (Some((_, a)), Some((_, b))) = (a.value(), b.value()) {
            prop_assert!(!a.name().is_empty());
            prop_assert_eq!(a.times(b), b.times(a));
            prop_assert_eq!(a.per(b), b.per(a).and_then(|x| x.power(-1)));
        }
    }
}
