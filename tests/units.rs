//! Units: what is accepted, what is refused, and what a quantity is read as.
//!
//! Factors: UCUM 2.2 (<https://ucum.org/ucum>); the same factors are checked against an independent UCUM
//! library in `tests/outside-units`. Atomic masses: IUPAC abridged standard atomic weights.

use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::formulary::product::Nutrient;
use enteral_gate::intake::order::{At, Field, Quantity, Sourced, Text};
use enteral_gate::units::{
    ALIASES_VERSION, Dimension, ElementError, ElementUnit, MAX_CODE_BYTES, MAX_NESTING, Reading, UCUM, Unit, UnitError,
    UnitNote, aliases, atom_codes, common_codes, convert_element, energy_density, energy_density_within, measure,
    measure_nutrient, refused_codes, valence,
};
use sha2::{Digest, Sha256};

fn unit(code: &str) -> Unit {
    Unit::parse(code).unwrap_or_else(|why| panic!("{code}: {why}"))
}

fn number(text: &str) -> Exact {
    Decimal::parse(text).unwrap().exact()
}

fn converted(value: &str, from: &str, to: &str) -> Option<Exact> {
    unit(from).convert(number(value), &unit(to))
}

fn quantity<'d>(value: &str, unit: Option<&'d str>, system: Option<&'d str>, code: Option<&'d str>) -> Quantity<'d> {
    let value = if value.is_empty() {
        Field::Absent
    } else {
        Field::Present(Sourced { value: Decimal::parse(value).unwrap(), at: At(0) })
    };
    Quantity {
        value,
        comparator: None,
        unit: unit.map(Text::from),
        system: system.map(Text::from),
        code: code.map(Text::from),
    }
}

fn coded<'d>(value: &str, code: &'d str) -> Quantity<'d> {
    quantity(value, None, Some(UCUM), Some(code))
}

fn texted<'d>(value: &str, text: &'d str) -> Quantity<'d> {
    quantity(value, Some(text), None, None)
}

fn both<'d>(value: &str, text: &'d str, code: &'d str) -> Quantity<'d> {
    quantity(value, Some(text), Some(UCUM), Some(code))
}

fn kinds(reading: &Reading) -> Vec<&'static str> {
    reading.notes.iter().map(UnitNote::kind).collect()
}

#[test]
fn every_unit_an_order_needs_has_its_dimension() {
    let d = |code: &str| unit(code).dimension;
    for (codes, want) in [
        ("mL L dL uL ml l [foz_us] [foz_br] [cup_us] [tsp_us] [tbs_us] cm3", Dimension::VOLUME),
        ("mL/h mL/min mL/d L/d [foz_us]/d mL/(4.h) 1000.mL/(24.h) mL.h-1", Dimension::VOLUME_RATE),
        ("mL/kg/h mL/kg/d mL/(kg.h) mL/(kg.d) mL.kg-1.h-1", Dimension::VOLUME_RATE_PER_MASS),
        ("kcal cal [Cal] kJ J MJ", Dimension::ENERGY),
        (
            "kcal/mL kcal/L kcal/dL kcal/(100.mL) kcal/[foz_us] cal/mL cal/[foz_us] [Cal]/mL kJ/mL kJ/L kJ/(100.mL)",
            Dimension::ENERGY_DENSITY,
        ),
        ("kcal/kg/d kcal/(kg.d)", Dimension::ENERGY_RATE_PER_MASS),
        ("kcal/d", Dimension::ENERGY_RATE),
        ("g/kg/d mg/kg/min", Dimension::MASS_RATE_PER_MASS),
        ("g kg mg ug [lb_av] [oz_av]", Dimension::MASS),
        ("cm m mm [in_i] [ft_i]", Dimension::LENGTH),
        ("g/L g/dL g/(100.mL) mg/dL", Dimension::MASS_CONCENTRATION),
        ("mmol/L umol/L mol/L", Dimension::SUBSTANCE_CONCENTRATION),
        ("meq/L", Dimension::EQUIVALENT_CONCENTRATION),
        ("mosm/kg", Dimension::OSMOLALITY),
        ("mosm/L", Dimension::OSMOLARITY),
        ("s min h d wk", Dimension::TIME),
        ("1 % {feed} 1{feed} 24 h/h", Dimension::NUMBER),
        ("mL/{feed} mL{milk}", Dimension::VOLUME),
        ("{can}/d {feed}/d /d /(4.h) 1/d d-1", Dimension::PER_TIME),
        ("kg/m2", Dimension::MASS_PER_AREA),
    ] {
        for code in codes.split(' ') {
            assert_eq!(d(code), want, "{code}");
        }
    }
}

#[test]
fn factors_are_exact() {
    for (value, from, to, want) in [
        ("1", "kcal", "kJ", "4.184"),
        ("1", "[Cal]", "cal", "1000"),
        ("1", "MJ", "kJ", "1000"),
        ("1", "[foz_us]", "mL", "29.5735295625"),
        ("1", "[foz_br]", "mL", "28.4130625"),
        ("1", "[cup_us]", "[foz_us]", "8"),
        ("3", "[tsp_us]", "[tbs_us]", "1"),
        ("2", "[tbs_us]", "[foz_us]", "1"),
        ("1", "[lb_av]", "kg", "0.45359237"),
        ("16", "[oz_av]", "[lb_av]", "1"),
        ("1", "[in_i]", "cm", "2.54"),
        ("1", "[ft_i]", "[in_i]", "12"),
        ("1", "wk", "d", "7"),
        ("60", "mL/h", "mL/d", "1440"),
        ("200", "mL/(4.h)", "mL/h", "50"),
        ("67", "kcal/(100.mL)", "kcal/mL", "0.67"),
        ("1.5", "kcal/mL", "kcal/L", "1500"),
        ("10", "mg/kg/min", "g/kg/d", "14.4"),
        ("1", "cm3", "mL", "1"),
        ("1", "kg/m2", "g/m2", "1000"),
        ("50", "%", "1", "0.5"),
        ("29.5735295625", "kcal/[foz_us]", "kcal/mL", "1"),
    ] {
        assert_eq!(converted(value, from, to), Some(number(want)), "{value} {from} in {to}");
    }
}

#[test]
fn common_spellings_that_are_not_ucum_are_refused_and_named() {
    for (code, part) in [
        ("ml/hr", "hr"),
        ("mL/hr", "hr"),
        ("mL/day", "day"),
        ("Cal", "Cal"),
        ("kCal", "kCal"),
        ("Kcal", "Kcal"),
        ("KCAL", "KCAL"),
        ("cc", "cc"),
        ("oz", "oz"),
        ("mEq", "mEq"),
        ("mcg", "mcg"),
        ("lb", "lb"),
        ("kcal/oz", "oz"),
        ("ML", "ML"),
        ("Mg", "Mg"),
        ("KG", "KG"),
        ("H", "H"),
    ] {
        match Unit::parse(code) {
            Err(UnitError::Unknown { part: named, hint }) => {
                assert_eq!(named, part, "{code}");
                assert!(hint.is_some(), "{code}: no hint");
            }
            other => panic!("{code}: {other:?}"),
        }
    }
    for (code, place) in
        [("kcal/100mL", "100mL"), ("g/100mL", "100mL"), ("mL/24h", "24h"), ("2[foz_us]", "2[foz_us]"), ("5%", "5%")]
    {
        assert_eq!(
            Unit::parse(code),
            Err(UnitError::Grammar { what: "a `.` is missing between the number and the unit", at: place.into() }),
            "{code}"
        );
    }
}

#[test]
fn look_alikes_are_named_by_number() {
    for (code, found) in [
        ("µg", '\u{b5}'),
        ("μg", '\u{3bc}'),
        ("kсal", '\u{441}'),
        ("m²", '\u{b2}'),
        ("mL/h ", ' '),
        (" mL", ' '),
        ("fl oz", ' '),
        ("mL·h", '\u{b7}'),
        ("ｍL", '\u{ff4d}'),
        ("mL\u{200b}", '\u{200b}'),
        ("mL\u{0}", '\u{0}'),
    ] {
        match Unit::parse(code) {
            Err(UnitError::Character { found: named, .. }) => assert_eq!(named, found, "{code}"),
            other => panic!("{code}: {other:?}"),
        }
    }
    assert_eq!(
        Unit::parse("µg").unwrap_err().to_string(),
        "the character U+00B5 cannot stand in a UCUM code; UCUM writes micro as the letter u"
    );
}

#[test]
fn months_years_drops_and_celsius_are_known_and_refused() {
    for (code, symbol) in [
        ("mo", "mo"),
        ("a", "a"),
        ("[drp]", "[drp]"),
        ("[drp]/min", "[drp]"),
        ("Cel", "Cel"),
        ("mL/a", "a"),
        ("/mo", "mo"),
    ] {
        match Unit::parse(code) {
            Err(UnitError::NotForArithmetic { unit, .. }) => assert_eq!(unit, symbol),
            other => panic!("{code}: {other:?}"),
        }
    }
    assert_eq!(kinds(&measure(&coded("2", "mo"), Dimension::TIME)), ["not-for-arithmetic"]);
    assert_eq!(kinds(&measure(&coded("20", "[drp]/min"), Dimension::VOLUME_RATE)), ["not-for-arithmetic"]);
}

#[test]
fn broken_codes_are_refused() {
    for code in [
        "",
        "/",
        "mL/",
        "mL//h",
        "mL..h",
        ".mL",
        "(mL",
        "mL)",
        "()",
        "mL/()",
        "(/h)",
        "mL/(/h)",
        "(mL)2",
        "(mL){x}",
        "mL(h)",
        "0.mL",
        "mL/0",
        "m0",
        "m10",
        "m-",
        "m+",
        "m2.",
        "[foz_us",
        "foz_us]",
        "mL{",
        "mL}",
        "{a{b}}",
        "-1",
        "mL/-h",
        "1e3.mL",
        "10*3",
        "10^3",
        "%2",
        "mL2{",
        "1234567890",
        "g%",
        "mLh",
        "kcalmL",
        "m2m",
    ] {
        let why = Unit::parse(code).expect_err(code);
        assert!(!why.to_string().is_empty());
        assert!(!matches!(why, UnitError::NotForArithmetic { .. }), "{code}");
    }
}

#[test]
fn length_nesting_and_size_are_bounded() {
    assert_eq!(Unit::parse(&"m".repeat(MAX_CODE_BYTES + 1)), Err(UnitError::TooLong));
    assert_eq!(Unit::parse(&"(".repeat(MAX_CODE_BYTES)), Err(UnitError::Nesting));
    let nested = |n: usize| format!("{}mL{}", "(".repeat(n), ")".repeat(n));
    assert_eq!(unit(&nested(MAX_NESTING)), unit("mL"));
    assert_eq!(Unit::parse(&nested(MAX_NESTING + 1)), Err(UnitError::Nesting));
    assert_eq!(Unit::parse("m9.m9"), Err(UnitError::Range));
    assert_eq!(Unit::parse("999999999.999999999.999999999.999999999.999999999"), Err(UnitError::Range));
    assert_eq!(Unit::parse("wk9"), Err(UnitError::Range));
}

#[test]
fn valid_codes_that_mean_something_else_fail_on_their_dimension() {
    for (code, want) in [
        ("mL/kg/24.h", Dimension::VOLUME_RATE_PER_MASS),
        ("kcal/kg.d", Dimension::ENERGY_RATE_PER_MASS),
        ("mL/4.h", Dimension::VOLUME_RATE),
        ("kcal/100.mL", Dimension::ENERGY_DENSITY),
        ("{can}/d", Dimension::VOLUME_RATE),
        ("{feed}/d", Dimension::VOLUME_RATE),
        ("m/h", Dimension::VOLUME_RATE),
        ("mol/L", Dimension::MASS_CONCENTRATION),
        ("[oz_av]", Dimension::VOLUME),
        ("[foz_us]", Dimension::MASS),
        ("mL/h", Dimension::VOLUME),
        ("mL", Dimension::VOLUME_RATE),
        ("/d", Dimension::MASS_RATE_PER_MASS),
        ("g/kg/d", Dimension::PER_TIME),
        ("meq", Dimension::SUBSTANCE),
        ("osm", Dimension::SUBSTANCE),
        ("kcal", Dimension::ENERGY_DENSITY),
        ("kcal/g", Dimension::ENERGY_DENSITY),
        ("kcal/kg", Dimension::ENERGY_DENSITY),
        ("%", Dimension::MASS_CONCENTRATION),
    ] {
        let reading = measure(&coded("1", code), want);
        assert_eq!(reading.value, None, "{code}");
        let found = unit(code).dimension;
        assert_eq!(
            reading.notes.last(),
            Some(&UnitNote::WrongDimension { code: code.into(), found, expected: want }),
            "{code}"
        );
    }
    let reading = measure(&coded("1", "mL/kg/24.h"), Dimension::VOLUME_RATE_PER_MASS);
    assert_eq!(
        reading.notes[0].to_string(),
        "the unit `mL/kg/24.h` measures volume × time per mass; volume per mass and time is needed here \
         (what follows a full stop multiplies; a divisor of several parts goes in parentheses, as in mL/(4.h))"
    );
}

#[test]
fn the_code_decides_and_the_value_comes_in_base_units() {
    let reading = measure(&both("60", "ml/hr", "mL/h"), Dimension::VOLUME_RATE);
    assert_eq!(reading.value, Some(Exact::ratio(1, 60)));
    assert_eq!(reading.notes, []);
    assert_eq!(reading.in_unit(&unit("mL/d")), Some(Exact::int(1_440)));
    assert_eq!(reading.in_unit(&unit("mL")), None);
    assert_eq!(measure(&coded("4", "[foz_us]"), Dimension::VOLUME).value, Some(number("118.29411825")));
    assert_eq!(measure(&coded("0", "mL"), Dimension::VOLUME).value, Some(Exact::ZERO));
}

#[test]
fn without_a_value_or_with_a_comparator_there_is_no_number() {
    let reading = measure(&coded("", "mL"), Dimension::VOLUME);
    assert_eq!((reading.value, kinds(&reading)), (None, vec!["no-value"]));
    let mut q = coded("1500", "mL");
    q.comparator = Some("<=".into());
    let reading = measure(&q, Dimension::VOLUME);
    assert_eq!((reading.value, kinds(&reading)), (None, vec!["comparator"]));
    let mut q = coded("1500", "mL");
    q.value = Field::Missing { at: At(0), reason: "unknown".into() };
    assert_eq!(measure(&q, Dimension::VOLUME).notes, [UnitNote::NoValue { reason: Some("unknown".into()) }]);
    q.value = Field::Unreadable { at: At(0) };
    assert_eq!(measure(&q, Dimension::VOLUME).notes, [UnitNote::UnreadableValue]);
    let reading = measure(&coded("-5", "mL"), Dimension::VOLUME);
    assert_eq!((reading.value, kinds(&reading)), (None, vec!["negative"]));
}

#[test]
fn another_system_is_never_ucum() {
    for system in ["http://snomed.info/sct", "http://unitsofmeasure.org/", "https://unitsofmeasure.org", ""] {
        let reading = measure(&quantity("5", Some("mL"), Some(system), Some("mL")), Dimension::VOLUME);
        assert_eq!((reading.value, kinds(&reading)), (None, vec!["wrong-unit-system"]), "{system}");
    }
    let reading = measure(&quantity("5", None, None, Some("mL")), Dimension::VOLUME);
    assert_eq!((reading.value, kinds(&reading)), (Some(Exact::int(5)), vec!["no-unit-system"]));
}

#[test]
fn text_alone_is_read_only_through_the_alias_table() {
    for (text, read_as) in [
        ("mL", "mL"),
        ("ml/hr", "mL/h"),
        ("mL/hr", "mL/h"),
        ("ml/h", "mL/h"),
        ("mL/day", "mL/d"),
        ("kcal/mL", "kcal/mL"),
        ("cc", "mL"),
        ("mls", "mL"),
        ("lbs", "[lb_av]"),
        ("ML/HR", "mL/h"),
        ("  mL/hr ", "mL/h"),
        ("mcg", "ug"),
        ("kcal/100mL", "kcal/(100.mL)"),
        ("mL/24h", "mL/(24.h)"),
    ] {
        let reading = measure(&texted("1", text), unit(read_as).dimension);
        assert_eq!(reading.value, Some(unit(read_as).factor), "{text}");
        assert!(
            matches!(&reading.notes[..], [UnitNote::AliasUsed { read_as: r, in_code: false, .. }] if *r == read_as),
            "{text}"
        );
    }
    for (text, kind) in [
        ("oz", "ambiguous-unit-text"),
        ("kcal/oz", "ambiguous-unit-text"),
        ("fl oz", "ambiguous-unit-text"),
        ("calories per milliliter", "ambiguous-unit-text"),
        ("m", "ambiguous-unit-text"),
        ("can", "unlisted-unit-text"),
        ("MG", "unlisted-unit-text"),
        ("µg", "unlisted-unit-text"),
        ("mL/kg/24.h", "unlisted-unit-text"),
        ("mo", "not-for-arithmetic"),
        ("", "no-unit"),
        ("  ", "no-unit"),
    ] {
        let reading = measure(&texted("1", text), Dimension::VOLUME);
        assert_eq!((reading.value, kinds(&reading)), (None, vec![kind]), "{text}");
    }
    assert_eq!(measure(&quantity("3", None, None, None), Dimension::NUMBER).value, Some(Exact::int(3)));
    assert_eq!(kinds(&measure(&quantity("3", None, None, None), Dimension::VOLUME)), ["no-unit"]);
}

#[test]
fn a_wrong_code_is_read_only_through_the_alias_table() {
    let reading = measure(&coded("60", "mL/hr"), Dimension::VOLUME_RATE);
    assert_eq!(reading.value, Some(Exact::ratio(1, 60)));
    assert_eq!(reading.notes, [UnitNote::AliasUsed { given: "mL/hr".into(), read_as: "mL/h", in_code: true }]);
    // In a code, capitals are another unit (ML is the megalitre): only a display text may shout.
    assert_eq!(kinds(&measure(&coded("60", "ML/HR"), Dimension::VOLUME_RATE)), ["unknown-unit"]);
    assert_eq!(kinds(&measure(&coded("60", "oz"), Dimension::VOLUME)), ["unknown-unit"]);
    assert_eq!(kinds(&measure(&both("60", "mL", "milliliterz"), Dimension::VOLUME)), ["unknown-unit"]);
}

#[test]
fn a_text_that_plainly_says_another_unit_contradicts_the_code() {
    for (text, code) in [
        ("kcal/mL", "cal/mL"),
        ("L/hr", "mL/h"),
        ("mL", "L"),
        ("mL", "mL/h"),
        ("milliliters", "L"),
        ("milliliters per hour", "mL/d"),
        ("kcal/oz", "kcal/mL"),
        ("calories per ounce", "kcal/mL"),
        ("pounds", "kg"),
        ("lb", "kg"),
        ("grams", "kg"),
        ("mg", "g"),
        ("hours", "d"),
        ("months", "d"),
        ("mo", "wk"),
        ("drops/min", "mL/h"),
        ("ounces", "mL"),
        ("mmol", "meq"),
        ("mL/kg/24.h", "mL/kg/d"),
        ("mL/hr", "mL/day"),
        ("ml/Tag", "mL/h"),
        ("mL pro Stunde", "mL/d"),
        ("mL par jour", "mL/h"),
        ("ml al giorno", "mL/h"),
        ("mL/dag", "mL/h"),
        ("ml every hour", "mL/d"),
        ("mL daily", "mL/h"),
        ("24h", "h"),
        ("ml/24 h", "mL/h"),
        ("ml / 24 Stunden", "mL/h"),
        ("ml/ 24h", "mL/h"),
        ("ml every 4 hours", "mL/h"),
        ("mL/4h", "mL/h"),
        ("мл/сут", "mL/h"),
    ] {
        let want = Unit::parse(code).map_or(Dimension::VOLUME_RATE, |u| u.dimension);
        let reading = measure(&both("1", text, code), want);
        assert_eq!(reading.value, None, "{text} / {code}");
        assert!(
            reading.notes.contains(&UnitNote::TextContradicts { text: text.into(), code: code.into() }),
            "{text} / {code}: {:?}",
            reading.notes
        );
    }
    for (text, code) in [
        ("milliliters", "mL"),
        ("ml/hr", "mL/h"),
        ("milliliter/day", "mL/d"),
        ("ml/Std", "mL/h"),
        ("mililitros por hora", "mL/h"),
        ("ml/jour", "mL/d"),
        ("mL hourly", "mL/h"),
        ("ml/24 h", "mL/d"),
        ("ml every 4 hours", "mL/(4.h)"),
        ("мл/ч", "mL/h"),
        ("calories per milliliter", "kcal/mL"),
        ("cal/mL", "kcal/mL"),
        ("calories per ounce", "kcal/[foz_us]"),
        ("ounces", "[foz_us]"),
        ("ounces", "[foz_br]"),
        ("oz", "[oz_av]"),
        ("Cal", "kcal"),
        ("pounds", "[lb_av]"),
        ("cc", "mL"),
        ("L/(1000.h)", "mL/h"),
        ("m", "min"),
        ("scoops", "g"),
        ("quelque chose", "mL"),
        ("mL feed", "mL"),
        ("Kilogram", "kg"),
        ("mmol/l", "mmol/L"),
        ("M", "mol/L"),
        ("mL / hour", "mL/h"),
        ("MILLILITERS PER HOUR", "mL/h"),
        ("feeds/day", "/d"),
    ] {
        let reading = measure(&both("1", text, code), unit(code).dimension);
        // The code counts; that the text is not understood, or is another measure, is said.
        let said = match text {
            "scoops" => vec!["unit-text-another-measure"],
            "quelque chose" | "mL feed" | "M" | "feeds/day" => vec!["unit-text-not-understood"],
            _ => vec![],
        };
        assert_eq!((reading.value.is_some(), kinds(&reading)), (true, said), "{text} / {code}");
    }
}

#[test]
fn small_calories_in_a_density_are_settled_by_plausibility_alone() {
    let reading = energy_density(&both("1.5", "calories per milliliter", "cal/mL"));
    assert_eq!(reading.value, Some(number("1.5")));
    assert_eq!(reading.notes, [UnitNote::CalorieReadAsKilocalorie { literal: number("0.0015"), read: number("1.5") }]);
    // The official infant example: 20 cal/[foz_us].
    let reading = energy_density(&both("20", "calories per ounce", "cal/[foz_us]"));
    assert_eq!(reading.value, Exact::int(20).div(number("29.5735295625")));
    assert_eq!(kinds(&reading), ["calorie-read-as-kilocalorie"]);
    for (value, code, want, kind) in [
        ("0.3", "cal/mL", Some("0.3"), "calorie-read-as-kilocalorie"),
        ("2.5", "cal/mL", Some("2.5"), "calorie-read-as-kilocalorie"),
        ("2.51", "cal/mL", None, "calorie-ambiguous"),
        ("0.29", "cal/mL", None, "calorie-ambiguous"),
        ("24", "cal/mL", None, "calorie-ambiguous"),
        ("1500", "cal/mL", Some("1.5"), "calorie-taken-as-written"),
        ("1500", "cal/L", Some("1.5"), "calorie-read-as-kilocalorie"),
    ] {
        let reading = energy_density(&coded(value, code));
        assert_eq!(reading.value, want.map(number), "{value} {code}");
        assert_eq!(kinds(&reading), [kind], "{value} {code}");
    }
    for (value, code, want) in [
        ("1.2", "kcal/mL", "1.2"),
        ("1.2", "[Cal]/mL", "1.2"),
        ("5020.8", "kJ/L", "1.2"),
        ("0", "cal/mL", "0"),
        ("9", "kcal/mL", "9"),
    ] {
        let reading = energy_density(&coded(value, code));
        assert_eq!((reading.value, kinds(&reading)), (Some(number(want)), vec![]), "{value} {code}");
    }
    let reading = energy_density(&texted("1.5", "cal/mL"));
    assert_eq!(
        (reading.value, kinds(&reading)),
        (Some(number("1.5")), vec!["unit-alias-used", "calorie-read-as-kilocalorie"])
    );
    let reading = energy_density(&both("1.5", "kcal/mL", "cal/mL"));
    assert_eq!(reading.value, None);
    // Another band, for products that are denser.
    let reading = energy_density_within(&coded("7.7", "cal/mL"), (number("0.3"), number("9")));
    assert_eq!((reading.value, kinds(&reading)), (Some(number("7.7")), vec!["calorie-read-as-kilocalorie"]));
    for code in ["kcal", "kcal/g", "kcal/kg", "cal/g", "mL"] {
        assert_eq!(kinds(&energy_density(&coded("1.5", code))), ["wrong-dimension"], "{code}");
    }
}

#[test]
fn small_calories_elsewhere_are_never_taken_as_written() {
    for (code, want) in
        [("cal", Dimension::ENERGY), ("cal/d", Dimension::ENERGY_RATE), ("cal/kg/d", Dimension::ENERGY_RATE_PER_MASS)]
    {
        let reading = measure(&coded("1800", code), want);
        assert_eq!((reading.value, kinds(&reading)), (None, vec!["calorie-ambiguous"]), "{code}");
    }
}

#[test]
fn annotations_are_left_out_and_said() {
    let reading = measure(&coded("240", "mL/{feed}"), Dimension::VOLUME);
    assert_eq!((reading.value, kinds(&reading)), (Some(Exact::int(240)), vec!["unit-annotation"]));
    let reading = measure(&coded("6", "{feed}/d"), Dimension::PER_TIME);
    assert_eq!((reading.value, kinds(&reading)), (Some(Exact::ratio(6, 86_400)), vec!["unit-annotation"]));
}

#[test]
fn elements_convert_by_atomic_mass_and_valence() {
    use ElementUnit::{Milliequivalent, Milligram, Millimole};
    for (value, from, to, nutrient, want) in [
        ("1", Millimole, Milligram, Nutrient::Sodium, "22.99"),
        ("1", Millimole, Milliequivalent, Nutrient::Sodium, "1"),
        ("1", Millimole, Milliequivalent, Nutrient::Calcium, "2"),
        ("1", Milliequivalent, Milligram, Nutrient::Calcium, "20.039"),
        ("1", Milliequivalent, Milligram, Nutrient::Magnesium, "12.1525"),
        ("39.098", Milligram, Milliequivalent, Nutrient::Potassium, "1"),
        ("70.9", Milligram, Millimole, Nutrient::Chloride, "2"),
        ("2", Millimole, Milligram, Nutrient::Phosphorus, "61.948"),
    ] {
        assert_eq!(
            convert_element(number(value), from, to, nutrient),
            Ok(number(want)),
            "{value} {from:?} {to:?} {nutrient:?}"
        );
    }
    assert_eq!(
        convert_element(Exact::ONE, Milliequivalent, Millimole, Nutrient::Phosphorus),
        Err(ElementError::NoValence("phosphorus"))
    );
    assert_eq!(
        convert_element(Exact::ONE, Milligram, Millimole, Nutrient::Protein),
        Err(ElementError::NotAnElement("protein"))
    );
    assert_eq!(Nutrient::ALL.iter().filter_map(|n| valence(*n)).sum::<i64>(), 7);
}

#[test]
fn nutrients_are_read_in_their_own_unit() {
    for (value, code, nutrient, per, want) in [
        ("1", "mmol", Nutrient::Sodium, Dimension::NUMBER, "22.99"),
        ("2", "meq", Nutrient::Calcium, Dimension::NUMBER, "40.078"),
        ("0.5", "g", Nutrient::Potassium, Dimension::NUMBER, "500"),
        ("40", "mmol/L", Nutrient::Sodium, Dimension::VOLUME, "0.9196"),
        ("900", "mg/L", Nutrient::Sodium, Dimension::VOLUME, "0.9"),
        ("5", "g/(100.mL)", Nutrient::Protein, Dimension::VOLUME, "0.05"),
        ("800", "mL/L", Nutrient::Water, Dimension::VOLUME, "0.8"),
        ("3", "mmol/kg", Nutrient::Potassium, Dimension::MASS, "0.117294"),
    ] {
        let reading = measure_nutrient(&coded(value, code), nutrient, per);
        assert_eq!((reading.value, kinds(&reading)), (Some(number(want)), vec![]), "{value} {code} {nutrient:?}");
    }
    // A mineral given in meq is a mass once it is read.
    let reading = measure_nutrient(&coded("2", "meq"), Nutrient::Calcium, Dimension::NUMBER);
    assert_eq!(reading.in_unit(&Unit::MILLIGRAM), Some(number("40.078")));
    assert_eq!(reading.in_unit(&unit("meq")), None);
    let reading = measure_nutrient(&coded("40", "mmol/L"), Nutrient::Sodium, Dimension::VOLUME);
    assert_eq!(reading.in_unit(&unit("mg/L")), Some(number("919.6")));
    for (code, nutrient, per, kind) in [
        ("meq", Nutrient::Phosphorus, Dimension::NUMBER, "not-convertible"),
        ("mmol", Nutrient::Protein, Dimension::NUMBER, "wrong-dimension"),
        ("mL", Nutrient::Sodium, Dimension::NUMBER, "wrong-dimension"),
        ("mg/L", Nutrient::Sodium, Dimension::NUMBER, "wrong-dimension"),
        ("mEq/d", Nutrient::Sodium, Dimension::NUMBER, "unknown-unit"),
        ("g", Nutrient::Water, Dimension::NUMBER, "wrong-dimension"),
        ("mosm", Nutrient::Sodium, Dimension::NUMBER, "wrong-dimension"),
    ] {
        let reading = measure_nutrient(&coded("1", code), nutrient, per);
        assert_eq!((reading.value, kinds(&reading)), (None, vec![kind]), "{code} {nutrient:?}");
    }
}

#[test]
fn texts_from_the_document_are_cut_and_cleaned() {
    let long = "x".repeat(5_000);
    let reading = measure(&texted("1", &long), Dimension::VOLUME);
    assert!(reading.notes[0].to_string().len() < 300);
    let reading = measure(&texted("1", "mL\u{202e}\u{7}"), Dimension::VOLUME);
    assert!(reading.notes[0].to_string().contains("\\u{202e}\\u{7}"));
    let reading = measure(&coded("1", &long), Dimension::VOLUME);
    assert!(reading.notes[0].to_string().len() < 300);
}

#[test]
fn the_tables_hold_what_they_promise() {
    for code in common_codes() {
        let (fast, full) = (unit(code), Unit::parse_in_full(code).unwrap());
        assert_eq!(fast, full, "{code}");
        assert_eq!(
            (fast.code(), fast.has_small_calorie(), fast.is_annotated()),
            (*code, full.has_small_calorie(), full.is_annotated())
        );
    }
    for code in atom_codes() {
        assert_eq!(unit(code).to_string(), *code);
    }
    for known in Unit::KNOWN {
        assert_eq!(known, Unit::parse_in_full(known.code()).unwrap());
    }
    assert_eq!(refused_codes().iter().map(|(code, _)| *code).collect::<Vec<_>>(), ["mo", "a", "[drp]", "Cel"]);
    for (code, why) in refused_codes() {
        assert!(matches!(Unit::parse(code), Err(UnitError::NotForArithmetic { .. })), "{code} {why}");
    }
    assert!(aliases().is_sorted_by(|a, b| a.given < b.given), "sorted, each once");
    for alias in aliases() {
        assert!(Unit::parse(alias.read_as).is_ok(), "{}", alias.read_as);
        assert!(!alias.reason.is_empty());
        if let Ok(own) = Unit::parse(alias.given) {
            // A spelling that is UCUM already keeps its meaning.
            assert_eq!(own, unit(alias.read_as), "{}", alias.given);
            assert!(!alias.in_code, "{}", alias.given);
        }
    }
}

#[test]
fn dimensions_have_names_for_people() {
    for (code, name) in [
        ("mL", "volume"),
        ("mL/h", "volume per time"),
        ("mL/kg/h", "volume per mass and time"),
        ("kcal/mL", "energy per volume"),
        ("mL/kg/24.h", "volume × time per mass"),
        ("kcal/kg.d", "energy × time per mass"),
        ("1", "a number"),
        ("/d", "frequency (per time)"),
        ("m4", "length^4"),
        ("/mL2", "per volume^2"),
        ("mmol/kg/d", "amount of substance per mass and time"),
    ] {
        assert_eq!(unit(code).dimension.name(), name, "{code}");
    }
    // A dose per mass times a mass is the dose; any other product has the parts of both.
    let product = |a: &str, b: &str| unit(a).dimension.product(unit(b).dimension).map(|d| d.name().into_owned());
    for (a, b, name) in [
        ("mL/kg", "kg", "volume"),
        ("kg", "mL/kg/h", "volume per time"),
        ("kg", "h", "mass × time"),
        ("h", "kg", "mass × time"),
        ("kg", "kg", "mass^2"),
        ("mL/kg", "h", "volume × time per mass"),
        ("h", "mL/kg", "volume × time per mass"),
    ] {
        assert_eq!(product(a, b).as_deref(), Some(name), "{a} × {b}");
    }
}

/// A change of the alias table changes how orders are read: it must show in the version. When this fails,
/// raise `ALIASES_VERSION` and write the new pair here.
#[test]
fn a_changed_alias_table_has_a_new_version() {
    let mut table = Sha256::new();
    for alias in aliases() {
        table.update(format!("{}\t{}\t{}\n", alias.given, alias.read_as, alias.in_code));
    }
    let hash: String = table.finalize().iter().take(8).map(|byte| format!("{byte:02x}")).collect();
    assert_eq!((ALIASES_VERSION, hash.as_str()), (1, "dff36f8e24e4d607"));
}

/// Everyday words in a display text, each beside a code that says it and one that does not. Words: common practice, no
/// source.
#[test]
fn everyday_words_are_told_apart() {
    for (text, own, other) in [
        ("deciliters", "dL", "L"),
        ("micrograms", "ug", "mg"),
        ("milligrams", "mg", "g"),
        ("kilogramme", "kg", "g"),
        ("kilojoules", "kJ", "kcal"),
        ("kilocalories", "kcal", "kJ"),
        ("milliliters per pound", "mL/[lb_av]", "mL/kg"),
        ("grams per days", "g/d", "g/h"),
        ("hrs", "h", "d"),
        ("mins", "min", "h"),
        ("secs", "s", "min"),
        ("wks", "wk", "d"),
        ("millimoles", "mmol", "umol"),
        ("milliequivalents", "meq", "mmol"),
        ("centimeters", "cm", "m"),
        ("inches", "[in_i]", "cm"),
        ("inches per days", "[in_i]/d", "cm/d"),
        ("milligrams per days", "mg/d", "g/d"),
        ("feet", "[ft_i]", "[in_i]"),
    ] {
        let want = unit(own).dimension;
        let reading = measure(&both("1", text, own), want);
        assert_eq!((reading.value, kinds(&reading)), (Some(unit(own).factor), vec![]), "{text} / {own}");
        let reading = measure(&both("1", text, other), unit(other).dimension);
        assert_eq!(reading.value, None, "{text} / {other}");
        assert!(kinds(&reading).contains(&"unit-text-contradicts-code"), "{text} / {other}: {:?}", reading.notes);
    }
    // Words for what has no fixed size contradict every unit.
    for (text, code) in [("drops per minute", "mL/min"), ("years", "wk"), ("gtts/min", "mL/min")] {
        assert!(
            kinds(&measure(&both("1", text, code), unit(code).dimension)).contains(&"unit-text-contradicts-code"),
            "{text}"
        );
    }
}

#[test]
fn a_refused_spelling_comes_with_the_code_to_write() {
    for (spelling, says) in [
        ("hrs", "h"),
        ("days", "d"),
        ("minutes", "min"),
        ("secs", "s"),
        ("weeks", "wk"),
        ("cc", "mL"),
        ("calories", "kcal"),
        ("kilojoules", "kJ"),
        ("kj", "kJ"),
        ("ounces", "[foz_us]"),
        ("pounds", "[lb_av]"),
        ("inches", "[in_i]"),
        ("feet", "[ft_i]"),
        ("mcg", "ug"),
        ("grams", "g"),
        ("kilograms", "kg"),
        ("mcl", "uL"),
        ("mEq", "meq"),
        ("osmol", "mosm"),
        ("cups", "[cup_us]"),
        ("tsp", "[tsp_us]"),
        ("tbsp", "[tbs_us]"),
    ] {
        assert!(Unit::parse(says).is_ok(), "{says}");
        match Unit::parse(spelling) {
            Err(UnitError::Unknown { hint: Some(hint), .. }) => {
                assert!(hint.split([' ', '(', ')']).any(|word| word == says), "{spelling}: {hint}")
            }
            other => panic!("{spelling}: {other:?}"),
        }
    }
    for (spelling, says) in [("months", "no fixed length"), ("gtts", "differs between tubes"), ("KG", "case-sensitive")]
    {
        assert!(Unit::parse(spelling).unwrap_err().to_string().contains(says), "{spelling}");
    }
    for (code, says) in [
        ("\u{b0}C", "Cel"),
        ("m\u{b2}", "m2"),
        ("mL\u{d7}h", "full stop"),
        ("\u{3bc}g", "the letter u"),
        ("fl oz", "no spaces"),
        ("k\u{441}al", "Cyrillic"),
        ("\u{ff4d}L", "full width"),
    ] {
        assert!(Unit::parse(code).unwrap_err().to_string().contains(says), "{code}");
    }
    // Nothing is advised where nothing is known.
    assert!(matches!(Unit::parse("blip"), Err(UnitError::Unknown { hint: None, .. })));
    assert!(matches!(Unit::parse("mL\u{1f37c}"), Err(UnitError::Character { hint: None, .. })));
}

#[test]
fn units_of_elements_are_ucum() {
    let codes = ElementUnit::ALL.map(|u| unit(u.code()).dimension);
    assert_eq!(codes, [Dimension::MASS, Dimension::SUBSTANCE, Dimension::EQUIVALENTS]);
    assert_eq!(ElementUnit::Milligram.code(), "mg");
}

/// Every named dimension is that of a unit written out in base units.
#[test]
fn named_dimensions_are_those_of_units_in_base_units() {
    for (named, code) in [
        (Dimension::NUMBER, "1"),
        (Dimension::LENGTH, "cm"),
        (Dimension::AREA, "cm2"),
        (Dimension::VOLUME, "cm3"),
        (Dimension::MASS, "g"),
        (Dimension::ENERGY, "kcal"),
        (Dimension::TIME, "s"),
        (Dimension::SUBSTANCE, "mmol"),
        (Dimension::EQUIVALENTS, "meq"),
        (Dimension::OSMOLES, "mosm"),
        (Dimension::PER_TIME, "/s"),
        (Dimension::PER_VOLUME, "/cm3"),
        (Dimension::VOLUME_RATE, "cm3/s"),
        (Dimension::VOLUME_PER_MASS, "cm3/g"),
        (Dimension::VOLUME_RATE_PER_MASS, "cm3/g/s"),
        (Dimension::ENERGY_DENSITY, "kcal/cm3"),
        (Dimension::ENERGY_PER_MASS, "kcal/g"),
        (Dimension::ENERGY_RATE, "kcal/s"),
        (Dimension::ENERGY_RATE_PER_MASS, "kcal/g/s"),
        (Dimension::MASS_RATE, "g/s"),
        (Dimension::MASS_PER_MASS, "g/g"),
        (Dimension::MASS_RATE_PER_MASS, "g/g/s"),
        (Dimension::MASS_CONCENTRATION, "g/cm3"),
        (Dimension::SUBSTANCE_CONCENTRATION, "mmol/cm3"),
        (Dimension::EQUIVALENT_CONCENTRATION, "meq/cm3"),
        (Dimension::OSMOLARITY, "mosm/cm3"),
        (Dimension::OSMOLALITY, "mosm/g"),
        (Dimension::MASS_PER_AREA, "g/cm2"),
        (Dimension::SUBSTANCE_RATE, "mmol/s"),
        (Dimension::SUBSTANCE_RATE_PER_MASS, "mmol/g/s"),
        (Dimension::OSMOLE_RATE, "mosm/s"),
        (Dimension::OSMOLE_RATE_PER_MASS, "mosm/g/s"),
        (Dimension::OSMOLES_PER_ENERGY, "mosm/kcal"),
        (Dimension::MASS_PER_ENERGY, "g/kcal"),
        (Dimension::VOLUME_PER_ENERGY, "cm3/kcal"),
    ] {
        let found = Unit::parse_in_full(code).unwrap();
        assert_eq!((found.dimension, found.factor), (named, Exact::ONE), "{code}");
    }
}

/// A display text of up to 64 bytes is looked into.
#[test]
fn long_display_texts_are_not_looked_into() {
    let of = |bytes: usize| {
        let text = format!("milliliters{}/ hour", " ".repeat(bytes - "milliliters/ hour".len()));
        assert_eq!(text.len(), bytes);
        kinds(&measure(&both("1", &text, "mL/d"), Dimension::VOLUME_RATE))
    };
    assert_eq!(of(64), ["unit-text-contradicts-code"]);
    assert_eq!(of(65), ["unit-text-not-understood"]);
}

/// 19.549 mg/dL of potassium (39.098 g/mol) are 5 mmol/L; of an ion with two charges 2 meq/L are 1 mmol/L.
#[test]
fn concentrations_are_read_by_mass_and_by_charge() {
    use enteral_gate::units::measure_substance;
    let read = |value: &str, code: &str, mass: Option<Exact>, charge: Option<i64>| {
        let reading = measure_substance(&coded(value, code), mass, charge);
        (reading.value.and_then(|x| x.div(unit("mmol/L").factor)), kinds(&reading))
    };
    let potassium = Some(Exact::decimal(39_098, 3));
    assert_eq!(read("19.549", "mg/dL", potassium, Some(1)), (Some(Exact::int(5)), vec![]));
    assert_eq!(read("5", "mmol/L", potassium, Some(1)), (Some(Exact::int(5)), vec![]));
    assert_eq!(read("2", "meq/L", None, Some(2)), (Some(Exact::ONE), vec![]));
    assert_eq!(read("19.549", "mg/dL", None, Some(1)), (None, vec!["wrong-dimension"]));
    assert_eq!(read("2", "meq/L", potassium, None), (None, vec!["wrong-dimension"]));
    assert_eq!(read("", "mg/dL", potassium, None), (None, vec!["no-value"]));
}

/// A hint is given where it helps: that a full stop multiplies, beside a time above the line; that capitals matter, where
/// small letters make a unit.
#[test]
fn hints_are_given_where_they_help() {
    let says = |code: &str| {
        let reading = measure(&coded("1", code), Dimension::VOLUME);
        reading.notes.iter().map(ToString::to_string).collect::<String>()
    };
    for (code, stop) in [("mL/kg/24.h", true), ("mL.h", true), ("h", false), ("g.cm", false), ("mL.h-1", false)] {
        let said = says(code);
        assert!(said.contains("is needed here"), "{said}");
        assert_eq!(said.contains("a full stop multiplies"), stop, "{code}: {said}");
    }
    let wrong = |code: &str| Unit::parse(code).unwrap_err().to_string();
    for (code, capitals) in [("H", true), ("D", true), ("XYZ", false), ("QQ", false), ("xyz", false)] {
        assert_eq!(wrong(code).contains("case-sensitive"), capitals, "{code}: {}", wrong(code));
    }
    // Nine digits in a code are read, ten are not.
    assert_eq!(unit("123456789.mL").factor, Exact::int(123_456_789));
    assert_eq!(Unit::parse("1234567890.mL"), Err(UnitError::Range));
    // Only an amount of energy may be meant in kilocalories.
    let share = measure(&coded("1", "cal/kcal"), Dimension::NUMBER);
    assert_eq!((share.value, kinds(&share)), (Some(Exact::ratio(1, 1_000)), vec![]));
}
