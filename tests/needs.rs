//! Requirement estimates against published equations, worked by hand or by an outside library.
//!
//! The source stands beside each number. Where it names an equation or a table, the expected number was worked
//! out from the published coefficients apart from this code, in exact arithmetic.

use enteral_gate::amount::Amount;
use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::needs::growth::{self, ZBand};
use enteral_gate::needs::{
    Estimate, Figure, Inputs, Kind, Mark, Sex, Single, Validity, Ventilation, body_mass_class, estimates, find, single,
};
use proptest::prelude::*;
use std::collections::HashSet;

fn n(text: &str) -> Exact {
    Decimal::parse(text).expect("a number").exact()
}

fn years(text: &str) -> Option<(Exact, Exact)> {
    let days = n(text).mul(n("365.25")).expect("in range");
    Some((days, days))
}

fn days(low: &str, high: &str) -> Option<(Exact, Exact)> {
    Some((n(low), n(high)))
}

fn person(sex: Sex, age: Option<(Exact, Exact)>, kg: &str, cm: &str) -> Inputs {
    Inputs {
        sex: Some(sex),
        age_days: age,
        weight_kg: Some(n(kg)),
        height_cm: (!cm.is_empty()).then(|| n(cm)),
        ..Inputs::default()
    }
}

fn ventilated(inputs: Inputs, litres: &str, celsius: &str) -> Inputs {
    Inputs { ventilated: Some(Ventilation { minute_volume_l: Some(n(litres)), tmax_c: Some(n(celsius)) }), ..inputs }
}

fn one<'e>(list: &'e [Estimate], id: &str, variant: Option<&str>) -> &'e Estimate {
    find(list, id, variant).unwrap_or_else(|| panic!("{id} {variant:?} is not listed"))
}

fn of_kind<'e>(list: &'e [Estimate], id: &str, kind: Kind, variant: Option<&str>) -> &'e Estimate {
    list.iter()
        .find(|e| e.id == id && e.kind == kind && e.variant == variant)
        .unwrap_or_else(|| panic!("{id} {kind:?} {variant:?} is not listed"))
}

/// The single value with `places` decimals.
fn value(inputs: &Inputs, id: &str, variant: Option<&str>, places: u32) -> String {
    let list = estimates(inputs);
    let estimate = one(&list, id, variant);
    match estimate.result {
        Some(Figure::One(x)) => x.rounded(places),
        other => panic!("{id}: {other:?}, {}", estimate.validity),
    }
}

use Sex::{Female, Male};

// ---- adults: resting energy -------------------------------------------------------------------------

#[test]
fn adult_resting_energy_gives_the_published_equations() {
    let man = ventilated(person(Male, years("58"), "80", "178"), "9.5", "38.2");
    let woman = person(Female, years("45"), "55", "163");
    let obese = ventilated(person(Female, years("68"), "110", "160"), "8.0", "37.5");
    for (inputs, id, expected) in [
        // Mifflin et al., Am J Clin Nutr 1990;51:241.
        (&man, "mifflin-st-jeor", "1627.50"),
        (&woman, "mifflin-st-jeor", "1182.75"),
        (&obese, "mifflin-st-jeor", "1599.00"),
        // Harris and Benedict 1919, age term of men 6.755.
        (&man, "harris-benedict", "1665.40"),
        (&woman, "harris-benedict", "1272.17"),
        // Roza and Shizgal, Am J Clin Nutr 1984;40:168.
        (&man, "roza-shizgal", "1685.08"),
        (&woman, "roza-shizgal", "1266.30"),
        // Frankenfield 2004/2009 as in Ann Intensive Care 2016.
        (&man, "penn-state-2003b", "2024.30"),
        // Frankenfield 2011.
        (&obese, "penn-state-2010", "1749.79"),
        // FAO/WHO/UNU 1985, WHO Technical Report Series 724, from memory.
        (&person(Male, years("40"), "85", ""), "fao-who-unu-1985-adult", "1865.00"),
        (&person(Female, years("70"), "60", ""), "fao-who-unu-1985-adult", "1226.00"),
    ] {
        assert_eq!(value(inputs, id, None, 2), expected, "{id}");
    }
}

/// The age term of men in Harris-Benedict is 6.755, not the misprint 6.775 (Carnegie 1919).
#[test]
fn harris_benedict_ages_by_6_755() {
    let at = |age| n(&value(&person(Male, years(age), "70", "175"), "harris-benedict", None, 6));
    assert_eq!(at("40").sub(at("41")), Some(n("6.755")));
}

#[test]
fn what_is_delivered_reads_as_a_share_of_an_estimate() {
    // 1560 mL of 1.2 kcal/mL against Penn State 2003b: 92.5 % (worked by hand).
    let list = estimates(&ventilated(person(Male, years("58"), "80", "178"), "9.5", "38.2"));
    let penn = one(&list, "penn-state-2003b", None);
    assert!(penn.holds());
    let share = penn.percent_met(&Amount::Known(Exact::int(1872)));
    assert_eq!(share.known().map(|x| x.rounded(1)), Some("92.5".into()));
    // Against a range, a range.
    let ward = of_kind(&list, "icu", Kind::EnergyTarget, None);
    assert_eq!(ward.result, Figure::read("2000-2400"));
    let share = ward.percent_met(&Amount::Known(Exact::int(1872)));
    assert_eq!(
        (share.low().map(|x| x.rounded(1)), share.high().map(|x| x.rounded(1))),
        (Some("78.0".into()), Some("93.6".into()))
    );
}

#[test]
fn penn_state_is_listed_only_with_ventilation_and_names_what_it_lacks() {
    let base = person(Male, years("58"), "80", "178");
    assert!(find(&estimates(&base), "penn-state-2003b", None).is_none());
    let no_data = Inputs { ventilated: Some(Ventilation::default()), ..base };
    let list = estimates(&no_data);
    let penn = one(&list, "penn-state-2003b", None);
    assert_eq!(penn.validity, Validity::MissingInput(vec!["minute volume", "highest temperature in 24 h"]));
    assert_eq!(penn.result, None);
    // Fahrenheit is refused: the result would mean nothing.
    let list = estimates(&ventilated(base, "9.5", "100.8"));
    assert!(one(&list, "penn-state-2003b", None).result.is_none());
    assert!(one(&list, "penn-state-2003b", None).validity.to_string().contains("°C"));
}

/// The rule of use: body mass index 30 and 60 years together decide between the two (Frankenfield 2011, from memory).
#[test]
fn penn_state_domains_meet_without_overlap() {
    for (age, kg, old_rule) in
        [("59.9", "97.1", true), ("60", "97.2", false), ("60", "97.1", true), ("85", "60", true), ("59.9", "150", true)]
    {
        // 180 cm: body mass index 30 at 97.2 kg.
        let list = estimates(&ventilated(person(Female, years(age), kg, "180"), "8", "37"));
        let (first, second) = (one(&list, "penn-state-2003b", None), one(&list, "penn-state-2010", None));
        assert_eq!(first.validity == Validity::InDomain, old_rule, "{age} {kg} {}", first.validity);
        assert_eq!(second.validity == Validity::InDomain, !old_rule, "{age} {kg} {}", second.validity);
        assert!(first.result.is_some() && second.result.is_some());
    }
}

#[test]
fn out_of_domain_keeps_the_value_with_the_flag() {
    for (age, inside) in [("18.9", false), ("19", true), ("78.9", true), ("79", false)] {
        let list = estimates(&person(Male, years(age), "80", "178"));
        let mifflin = one(&list, "mifflin-st-jeor", None);
        assert_eq!(mifflin.validity == Validity::InDomain, inside, "{age}");
        assert!(mifflin.result.is_some(), "{age}");
    }
}

#[test]
fn fao_adult_bands_change_at_30_and_60() {
    // FAO/WHO/UNU 1985, from memory: men 15.3 W + 679, 11.6 W + 879, 13.5 W + 487.
    for (age, expected) in
        [("18", "1750.0"), ("29.99", "1750.0"), ("30", "1691.0"), ("59.99", "1691.0"), ("60", "1432.0")]
    {
        assert_eq!(value(&person(Male, years(age), "70", ""), "fao-who-unu-1985-adult", None, 1), expected, "{age}");
    }
}

#[test]
fn measured_expenditure_comes_first() {
    let inputs = Inputs { measured_energy_kcal: Some(n("1710")), ..person(Male, years("58"), "80", "178") };
    let list = estimates(&inputs);
    assert_eq!(list.first().map(|e| (e.id, e.result)), Some(("indirect-calorimetry", Some(Figure::One(n("1710"))))));
}

// ---- adults: targets per kg -------------------------------------------------------------------------

fn ends(estimate: &Estimate, places: u32) -> String {
    estimate.result.map_or_else(|| format!("none: {}", estimate.validity), |figure| figure.shown(places))
}

#[test]
fn targets_per_kg_give_the_table() {
    let man = person(Male, years("70"), "80", "178");
    let list = estimates(&man);
    use Kind::{EnergyTarget as E, Protein as P};
    for (id, kind, variant, expected) in [
        ("ward", E, None, "2000–2800"),          // NICE CG32
        ("ward", P, None, "64–120"),             // NICE CG32
        ("icu", E, None, "2000–2400"),           // ASPEN/SCCM 2016
        ("icu", P, None, "96–160"),              // ASPEN/SCCM 2016
        ("icu-first-days", E, None, "960–2000"), // ASPEN 2022, from memory
        ("icu-espen", P, None, "104"),           // ESPEN 2019/2023, from memory
        ("dialysis", P, None, "80–96"),          // KDOQI 2020
        ("acute-kidney-injury", P, Some("continuous renal replacement"), "at most 200"), // ASPEN/SCCM 2016
        ("older-adult", E, None, "2400"),        // ESPEN geriatrics 2018
        ("older-adult", E, Some("underweight"), "2560–3040"), // ESPEN geriatrics 2018
        ("older-adult", P, None, "at least 80"), // ESPEN geriatrics 2018
        ("older-adult", P, Some("ill"), "96–120"), // from memory
        ("pressure-injury", E, None, "2400–2800"), // pressure-ulcer guideline 2014
        ("pressure-injury", P, None, "100–120"), // pressure-ulcer guideline 2014
        ("dri-adult", P, None, "64"),            // DRI, from memory
    ] {
        let row = of_kind(&list, id, kind, variant);
        assert_eq!(ends(row, 1), expected, "{id} {kind:?} {variant:?}");
        assert!(row.holds(), "{id} {}", row.validity);
    }
    // Ideal weight 73.18 kg (Devine): kidney rows stand on it. KDOQI 2020: 0.55-0.60, with diabetes 0.6-0.8.
    assert_eq!(ends(of_kind(&list, "kidney-disease", P, None), 1), "40.2–43.9");
    assert_eq!(ends(of_kind(&list, "kidney-disease", P, Some("with diabetes")), 1), "43.9–58.5");
    assert_eq!(ends(of_kind(&list, "kidney-disease", E, None), 0), "1830–2561");
    // Rows for obesity are flagged for a body mass index of 25.2.
    for id in ["icu-obesity", "icu-obesity-adjusted", "ward-obesity"] {
        let row = of_kind(&list, id, P, None);
        assert!(matches!(row.validity, Validity::OutOfDomain(_)) && row.result.is_some(), "{id}");
    }
    // Shares of another target: none is picked.
    assert_eq!(ends(one(&list, "icu-phase", Some("days 1 to 3")), 0), "at most 70");
    assert_eq!(ends(one(&list, "icu-phase", Some("after day 3, measured by calorimetry")), 0), "80–100");
    assert_eq!(ends(one(&list, "severe-illness-start", Some("start")), 0), "at most 50");
}

#[test]
fn targets_in_obesity_follow_the_body_mass_index() {
    use Kind::{EnergyTarget as E, Protein as P};
    // F 165 cm: Devine 56.909 kg; 140 kg is a body mass index of 51.4.
    let list = estimates(&person(Female, years("50"), "140", "165"));
    let above = of_kind(&list, "icu-obesity", E, Some("body mass index above 50"));
    assert_eq!((ends(above, 0), above.holds()), ("1252–1423".into(), true)); // 22-25 × 56.909, ASPEN/SCCM 2016
    assert!(!of_kind(&list, "icu-obesity", E, None).holds());
    let protein = of_kind(&list, "icu-obesity", P, Some("body mass index 40 and above"));
    assert_eq!((ends(protein, 1), protein.holds()), ("113.8–142.3".into(), true)); // 2.0-2.5 × 56.909
    let adjusted = of_kind(&list, "ward-obesity", E, None);
    assert_eq!(ends(adjusted, 0), "1554–1942"); // 20-25 × 77.682, common practice
    let equation = one(&list, "ward-obesity-mifflin", None);
    assert_eq!(ends(equation, 1), "2424.3–2626.3"); // (1400 + 1031.25 - 250 - 161) × 1.2 and 1.3
    assert!(!of_kind(&list, "ward", E, None).holds());

    // Edges at 180 cm: 97.2 kg is 30, 162 kg is 50, 129.6 kg is 40.
    for (kg, low, high, two, up_to_two_and_a_half) in [
        ("97.19", false, false, false, false),
        ("97.2", true, false, true, false),
        ("129.6", true, false, false, true),
        ("162", true, false, false, true),
        ("162.01", false, true, false, true),
    ] {
        let list = estimates(&person(Male, years("50"), kg, "180"));
        assert_eq!(of_kind(&list, "icu-obesity", E, None).holds(), low, "{kg}");
        assert_eq!(of_kind(&list, "icu-obesity", E, Some("body mass index above 50")).holds(), high, "{kg}");
        assert_eq!(of_kind(&list, "icu-obesity", P, None).holds(), two, "{kg}");
        assert_eq!(
            of_kind(&list, "icu-obesity", P, Some("body mass index 40 and above")).holds(),
            up_to_two_and_a_half,
            "{kg}"
        );
    }
}

#[test]
fn a_body_mass_index_that_cannot_be_known_is_said_so() {
    let list = estimates(&person(Male, years("58"), "80", ""));
    let ward = of_kind(&list, "ward", Kind::EnergyTarget, None);
    assert!(
        matches!(&ward.validity, Validity::Unchecked(what) if what.contains("height is missing")),
        "{}",
        ward.validity
    );
    assert_eq!(ends(ward, 0), "2000–2800");
    assert!(!ward.holds());
}

// ---- children ---------------------------------------------------------------------------------------

#[test]
fn child_resting_energy_gives_the_published_equations() {
    // Schofield, Hum Nutr Clin Nutr 1985;39C Suppl 1:5-41; FAO/WHO/UNU 1985.
    for (sex, age, kg, cm, weight_only, with_height) in [
        (Male, "2.5", "11.5", "88", "654.0", "719.7"),
        (Male, "6", "20", "115", "958.4", "956.7"),
        (Female, "6", "20", "115", "892.2", "896.6"),
        (Male, "14", "50", "163", "1542.5", "1551.8"),
        (Female, "14", "50", "160", "1361.8", "1363.2"),
        (Female, "1", "9.0", "74", "493.8", "489.9"),
    ] {
        let inputs = person(sex, years(age), kg, cm);
        assert_eq!(value(&inputs, "schofield-weight", None, 1), weight_only);
        assert_eq!(value(&inputs, "schofield-weight-height", None, 1), with_height);
    }
    let list = estimates(&person(Male, years("6"), "20", "115"));
    assert_eq!(one(&list, "schofield-weight", None).formula, "22.706 W + 504.3 [3 years to below 10 years]");
    assert_eq!(value(&person(Male, years("6"), "20", ""), "fao-who-unu-1985-child", None, 1), "949.0");
    assert_eq!(value(&person(Female, years("1"), "9", ""), "fao-who-unu-1985-child", None, 1), "498.0");
}

/// Some prints give H in centimetres; the kcal forms are 1000 ÷ 4.184 of the MJ forms (Schofield 1985), height in metres.
#[test]
fn schofield_height_is_in_metres() {
    let at = |cm| n(&value(&person(Male, years("6"), "20", cm), "schofield-weight-height", None, 6));
    let per_metre = at("200").sub(at("100")).expect("in range");
    assert_eq!(per_metre.rounded(1), "130.3");
    // In centimetres a boy of 115 would need over 15,000 kcal.
    assert!(at("115") < n("1200"));
}

#[test]
fn eer_2002_gives_the_published_equations() {
    // Institute of Medicine 2002/2005.
    for (inputs, level, expected) in [
        (person(Male, days("60.875", "60.875"), "4.2", ""), None, "448.8"),
        (person(Female, days("273.9375", "273.9375"), "8.5", ""), None, "678.5"),
        (person(Male, years("6"), "20", "115"), Some("sedentary"), "1309.6"),
        (person(Female, years("12"), "42", "152"), Some("low active"), "1924.7"),
        (person(Male, years("40"), "85", "180"), Some("sedentary"), "2604.4"),
        (person(Male, years("2.5"), "11.5", "88"), None, "943.5"),
        // By hand: 354 - 6.91 × 30 + 1.45 × (9.36 × 70 + 726 × 1.70).
        (person(Female, years("30"), "70", "170"), Some("very active"), "2886.3"),
    ] {
        assert_eq!(value(&inputs, "eer-2002", level, 1), expected);
    }
}

#[test]
fn eer_2002_growth_steps_at_completed_months() {
    // 0-3 months +175, 4-6 +56, 7-12 +22, 13-35 +20 (Institute of Medicine 2002/2005).
    for (months, growth) in
        [("0", 175), ("3.99", 175), ("4", 56), ("6.99", 56), ("7", 22), ("12.99", 22), ("13", 20), ("35.99", 20)]
    {
        let age = n(months).mul(n("30.4375")).expect("in range");
        let inputs = person(Male, Some((age, age)), "10", "");
        assert_eq!(value(&inputs, "eer-2002", None, 0), (790 + growth).to_string(), "{months}");
    }
}

#[test]
fn eer_2023_gives_the_published_equations() {
    // National Academies, Dietary Reference Intakes for Energy, 2023 (Health Canada equation page).
    for (inputs, level, expected) in [
        (person(Female, years("0.1667"), "4.2", "56"), None, "500.02"),
        (person(Male, years("2.5"), "11.5", "88"), None, "1042.40"),
        (person(Male, years("6"), "20", "115"), Some("inactive"), "1348.72"),
        (person(Female, years("12"), "42", "152"), Some("low active"), "2025.16"),
        (person(Male, years("30"), "70", "170"), Some("inactive"), "2520.17"),
        (person(Female, years("30"), "70", "170"), Some("active"), "2475.55"),
    ] {
        assert_eq!(value(&inputs, "eer-2023", level, 2), expected);
    }
}

/// Every activity level and sex (Institute of Medicine 2002/2005; National Academies 2023).
#[test]
#[rustfmt::skip]
fn every_activity_level_gives_the_published_equations() {
    for (id, sex, age, kg, cm, level, expected) in [
        ("eer-2023", Male, "10", "32.5", "138.5", "inactive", "1843.55"),
        ("eer-2023", Male, "10", "32.5", "138.5", "low active", "1933.89"),
        ("eer-2023", Male, "10", "32.5", "138.5", "active", "2091.97"),
        ("eer-2023", Male, "10", "32.5", "138.5", "very active", "2275.81"),
        ("eer-2023", Female, "16", "57.3", "163.1", "inactive", "2072.63"),
        ("eer-2023", Female, "16", "57.3", "163.1", "low active", "2293.28"),
        ("eer-2023", Female, "16", "57.3", "163.1", "active", "2440.13"),
        ("eer-2023", Female, "16", "57.3", "163.1", "very active", "2742.62"),
        ("eer-2023", Male, "47.5", "83.2", "176.4", "inactive", "2558.37"),
        ("eer-2023", Male, "47.5", "83.2", "176.4", "low active", "2774.17"),
        ("eer-2023", Male, "47.5", "83.2", "176.4", "active", "2964.24"),
        ("eer-2023", Male, "47.5", "83.2", "176.4", "very active", "3311.25"),
        ("eer-2023", Female, "71.5", "61.7", "158.9", "inactive", "1715.10"),
        ("eer-2023", Female, "71.5", "61.7", "158.9", "low active", "1872.33"),
        ("eer-2023", Female, "71.5", "61.7", "158.9", "active", "2009.62"),
        ("eer-2023", Female, "71.5", "61.7", "158.9", "very active", "2226.79"),
        ("eer-2002", Male, "10", "32.5", "138.5", "sedentary", "1612.91"),
        ("eer-2002", Male, "10", "32.5", "138.5", "low active", "1888.30"),
        ("eer-2002", Male, "10", "32.5", "138.5", "active", "2163.69"),
        ("eer-2002", Male, "10", "32.5", "138.5", "very active", "2502.64"),
        ("eer-2002", Male, "5", "18.2", "110.4", "sedentary", "1281.85"),
        ("eer-2002", Male, "5", "18.2", "110.4", "low active", "1474.62"),
        ("eer-2002", Male, "5", "18.2", "110.4", "active", "1667.39"),
        ("eer-2002", Male, "5", "18.2", "110.4", "very active", "1904.65"),
        ("eer-2002", Female, "16", "57.3", "163.1", "sedentary", "1763.85"),
        ("eer-2002", Female, "16", "57.3", "163.1", "low active", "2099.27"),
        ("eer-2002", Female, "16", "57.3", "163.1", "active", "2413.72"),
        ("eer-2002", Female, "16", "57.3", "163.1", "very active", "2937.81"),
        ("eer-2002", Female, "4", "16.1", "103.2", "sedentary", "1156.99"),
        ("eer-2002", Female, "4", "16.1", "103.2", "low active", "1336.97"),
        ("eer-2002", Female, "4", "16.1", "103.2", "active", "1505.70"),
        ("eer-2002", Female, "4", "16.1", "103.2", "very active", "1786.93"),
        ("eer-2002", Male, "47.5", "83.2", "176.4", "sedentary", "2484.89"),
        ("eer-2002", Male, "47.5", "83.2", "176.4", "low active", "2735.20"),
        ("eer-2002", Male, "47.5", "83.2", "176.4", "active", "3053.78"),
        ("eer-2002", Male, "47.5", "83.2", "176.4", "very active", "3577.16"),
        ("eer-2002", Female, "71.5", "61.7", "158.9", "sedentary", "1591.06"),
        ("eer-2002", Female, "71.5", "61.7", "158.9", "low active", "1798.80"),
        ("eer-2002", Female, "71.5", "61.7", "158.9", "active", "2058.47"),
        ("eer-2002", Female, "71.5", "61.7", "158.9", "very active", "2370.07"),
    ] {
        assert_eq!(value(&person(sex, years(age), kg, cm), id, Some(level), 2), expected, "{id} {sex:?} {age} {level}");
    }
}

/// Bands not met above: FAO/WHO/UNU 1985 (adult rows from memory).
#[test]
fn fao_bands_give_the_published_equations() {
    for (id, sex, age, kg, expected) in [
        ("fao-who-unu-1985-child", Male, "2", "12", "676.8"),
        ("fao-who-unu-1985-child", Female, "6", "20", "949.0"),
        ("fao-who-unu-1985-child", Male, "14", "50", "1526.0"),
        ("fao-who-unu-1985-child", Female, "14", "50", "1356.0"),
        ("fao-who-unu-1985-adult", Female, "25", "60", "1378.0"),
        ("fao-who-unu-1985-adult", Female, "40", "60", "1351.0"),
    ] {
        assert_eq!(value(&person(sex, years(age), kg, ""), id, None, 1), expected, "{id} {sex:?} {age}");
    }
}

/// The cost of growth by band (National Academies 2023), seen as the step between the bands' formulas.
#[test]
fn eer_2023_growth_steps_at_the_bands() {
    let growth = |sex, age| {
        let list = estimates(&person(sex, years(age), "20", "110"));
        let estimate = list.iter().find(|e| e.id == "eer-2023").expect("listed").clone();
        let (_, growth) = estimate.formula.rsplit_once("+ ").expect("a growth term");
        growth.split_once(" [").map(|(kcal, _)| kcal.to_owned()).expect("its age band")
    };
    for (sex, age, expected) in [
        (Male, "0.24", "200"),
        (Male, "0.25", "50"),
        (Male, "0.49", "50"),
        (Male, "0.5", "20"),
        (Male, "2.99", "20"),
        (Male, "3", "20"),
        (Male, "4", "15"),
        (Male, "8.99", "15"),
        (Male, "9", "25"),
        (Male, "14", "20"),
        (Male, "18.99", "20"),
        (Female, "0.24", "180"),
        (Female, "0.25", "60"),
        (Female, "0.5", "20"),
        (Female, "0.99", "20"),
        (Female, "1", "15"),
        (Female, "3", "15"),
        (Female, "8.99", "15"),
        (Female, "9", "30"),
        (Female, "14", "20"),
    ] {
        assert_eq!(growth(sex, age), expected, "{sex:?} {age}");
    }
    let list = estimates(&person(Male, years("19"), "70", "170"));
    assert!(!one(&list, "eer-2023", Some("inactive")).formula.contains('('));
}

#[test]
fn all_activity_levels_are_listed_from_three_years() {
    let levels = |id, age| {
        estimates(&person(Female, years(age), "20", "115"))
            .iter()
            .filter(|e| e.id == id)
            .map(|e| e.variant)
            .collect::<Vec<_>>()
    };
    let rest = [Some("low active"), Some("active"), Some("very active")];
    for age in ["3", "6", "18.9", "19", "80"] {
        let list = levels("eer-2023", age);
        assert_eq!((list.first(), list.get(1..)), (Some(&Some("inactive")), Some(&rest[..])), "{age}");
        let list = levels("eer-2002", age);
        assert_eq!((list.first(), list.get(1..)), (Some(&Some("sedentary")), Some(&rest[..])), "{age}");
    }
    assert_eq!(levels("eer-2023", "2.9"), [None]);
    assert_eq!(levels("eer-2002", "2.9"), [None]);
}

#[test]
fn child_protein_gives_the_tables() {
    let per_kg = |sex, age, id| {
        let list = estimates(&person(sex, years(age), "10", ""));
        one(&list, id, None).per_kg.map(|f| f.shown(3)).unwrap_or_default()
    };
    // Dietary Reference Intakes, g/kg/d.
    for (age, expected) in [
        ("0.2", "1.52"),
        ("0.9", "1.2"),
        ("1", "1.05"),
        ("3.9", "1.05"),
        ("4", "0.95"),
        ("13.9", "0.95"),
        ("14", "0.85"),
        ("18.9", "0.85"),
    ] {
        assert_eq!(per_kg(Male, age, "dri-protein"), expected, "{age}");
    }
    // WHO/FAO/UNU 2007 safe level, g/kg/d.
    for (sex, age, expected) in [
        (Male, "0.5", "1.31"),
        (Male, "1", "1.14"),
        (Male, "2", "0.97"),
        (Male, "3", "0.9"),
        (Male, "4", "0.87"),
        (Male, "7", "0.92"),
        (Male, "11", "0.9"),
        (Female, "11", "0.89"),
        (Male, "15", "0.87"),
        (Female, "15", "0.84"),
        (Male, "18.9", "0.87"),
    ] {
        assert_eq!(per_kg(sex, age, "who-safe-protein"), expected, "{age}");
    }
    let list = estimates(&person(Male, years("0.4"), "7", ""));
    assert!(one(&list, "who-safe-protein", None).result.is_none());
    // Nordic 2012: at most 10 % of energy to 6 months, 15 to 12, 17 to 24, 20 from there.
    for (age, expected) in
        [("0.4", "at most 10"), ("0.6", "at most 15"), ("1", "at most 17"), ("2", "at most 20"), ("10", "at most 20")]
    {
        assert_eq!(ends(one(&estimates(&person(Male, years(age), "10", "")), "protein-share", None), 0), expected);
    }
    // SCCM/ASPEN 2017: at least 1.5 g/kg, at least 2/3 of the energy by the end of week 1.
    let list = estimates(&person(Male, years("6"), "20", "115"));
    assert_eq!(ends(one(&list, "picu-protein", None), 1), "at least 30");
    assert_eq!(ends(one(&list, "picu-energy-share", None), 1), "at least 66.7");
}

// ---- infants ----------------------------------------------------------------------------------------

fn preterm(gestation: &str, birth: &str, now: &str, age: &str) -> Inputs {
    Inputs {
        gestational_weeks: Some(n(gestation)),
        birth_weight_kg: Some(n(birth)),
        weight_kg: Some(n(now)),
        age_days: days(age, age),
        sex: Some(Female),
        ..Inputs::default()
    }
}

#[test]
fn preterm_ranges_give_the_tables() {
    let list = estimates(&preterm("29", "1.10", "1.10", "14"));
    use Kind::{Calcium, EnergyTarget as E, Fluid, Protein, ProteinPerEnergy, Sodium};
    for (id, kind, variant, per_kg, total) in [
        ("preterm-2022", Fluid, Some("usual"), "150–180", "165–198"), // ESPGHAN 2022
        ("preterm-2022", E, None, "115–140", "126.5–154"),            // ESPGHAN 2022, from memory
        ("preterm-2022", Protein, Some("only if growth is slow"), "at most 4.5", "at most 4.95"),
        ("preterm-2022", Sodium, Some("outer limit"), "at most 8", "at most 8.8"),
        ("preterm-2010", E, None, "110–135", "121–148.5"), // ESPGHAN 2010
        ("preterm-2010", Calcium, None, "3–3.5", "3.3–3.85"),
        ("very-low-birth-weight-2014", E, None, "110–130", "121–143"), // Koletzko 2014
        ("very-low-birth-weight-2024", Calcium, None, "150–220", "165–242"), // ASPEN handbook 2024, mg
        ("preterm-table", Kind::Fat, None, "4.55–8.1", "5.005–8.91"),
        ("low-birth-weight", Protein, None, "3–3.6", "3.3–3.96"), // WHO
    ] {
        let row = of_kind(&list, id, kind, variant);
        assert_eq!(
            (row.per_kg.map(|f| f.shown(3)), ends(row, 3)),
            (Some(per_kg.to_owned()), total.to_owned()),
            "{id} {kind:?}"
        );
        assert!(row.holds(), "{id} {}", row.validity);
    }
    assert_eq!(ends(of_kind(&list, "preterm-2022", ProteinPerEnergy, None), 1), "2.8–3.6");
    assert_eq!(of_kind(&list, "preterm-2022", E, None).source.mark, Mark::FromMemory);
}

#[test]
fn infant_tables_follow_gestation_and_birth_weight() {
    let listed = |inputs: &Inputs| estimates(inputs).iter().map(|e| e.id).collect::<HashSet<_>>();
    for (birth, in_list, not_in_list) in [
        (
            "1.499",
            vec!["preterm-2022", "very-low-birth-weight-2014", "low-birth-weight"],
            vec!["birth-weight-1500-2000"],
        ),
        ("1.5", vec!["preterm-2022", "birth-weight-1500-2000"], vec!["very-low-birth-weight-2014"]),
        ("1.8", vec!["preterm-table", "birth-weight-1500-2000"], vec!["preterm-2022", "preterm-2010"]),
        ("2", vec!["birth-weight-2000-2500", "low-birth-weight"], vec!["birth-weight-1500-2000"]),
        ("2.5", vec!["preterm-table"], vec!["birth-weight-2000-2500", "low-birth-weight"]),
    ] {
        let listed = listed(&preterm("33", birth, birth, "5"));
        for id in in_list {
            assert!(listed.contains(id), "{birth} {id}");
        }
        for id in not_in_list {
            assert!(!listed.contains(id), "{birth} {id}");
        }
    }
    // 36.9 weeks are preterm, 37 are term (trade convention).
    assert!(listed(&preterm("36.9", "2.6", "2.6", "5")).contains("preterm-table"));
    assert!(!listed(&preterm("37", "2.6", "2.6", "5")).contains("preterm-table"));
    // What is not known is named, never guessed.
    let unknown = Inputs { gestational_weeks: None, birth_weight_kg: None, ..preterm("33", "1.6", "1.6", "5") };
    let list = estimates(&unknown);
    let row = of_kind(&list, "preterm-2022", Kind::EnergyTarget, None);
    assert_eq!(row.validity, Validity::MissingInput(vec!["gestational age at birth", "birth weight"]));
    // A gestation in days is not read as "term".
    let wrong = preterm("203", "1.1", "1.1", "5");
    let list = estimates(&wrong);
    assert!(of_kind(&list, "preterm-2022", Kind::EnergyTarget, None).validity.to_string().contains("not in weeks"));
}

#[test]
fn preterm_ranges_are_flagged_past_44_weeks() {
    // 29 weeks + 105 days = 44 weeks.
    for (age, inside) in [("105", true), ("105.5", false), ("200", false)] {
        let list = estimates(&preterm("29", "1.10", "4", age));
        let row = of_kind(&list, "preterm-2022", Kind::EnergyTarget, None);
        assert_eq!(row.holds(), inside, "{age} {}", row.validity);
        assert!(row.result.is_some());
    }
}

#[test]
fn term_infant_ranges_give_the_tables() {
    let girl = Inputs { gestational_weeks: Some(n("39.5")), ..person(Female, days("61", "61"), "4.2", "") };
    let list = estimates(&girl);
    use Kind::{EnergyTarget as E, Fluid, Protein};
    for (id, kind, variant, total) in [
        ("term-first-half", Fluid, Some("usual"), "588–672"), // from memory
        ("term-first-half", Fluid, Some("outer limit"), "at most 756"), // from memory
        ("term-first-half", E, None, "378–462"),
        ("term-first-half", Protein, None, "6.384"), // DRI
        ("term-first-half-2024", E, Some("enteral, 0 to 3 months"), "441–504"), // ASPEN handbook 2024
        ("catch-up", E, None, "504–630"),            // common practice, no source
    ] {
        assert_eq!(ends(of_kind(&list, id, kind, variant), 3), total, "{id} {kind:?}");
    }
    assert!(of_kind(&list, "term-first-half", E, None).holds());
    let unknown = Inputs { gestational_weeks: None, ..girl };
    assert!(matches!(of_kind(&estimates(&unknown), "term-first-half", E, None).validity, Validity::Unchecked(_)));
    let later = Inputs { age_days: days("250", "250"), ..girl };
    let list = estimates(&later);
    assert_eq!(of_kind(&list, "term-second-half", E, None).per_kg, Figure::read("75-85"));
    assert!(find(&list, "term-first-half", None).is_none());
}

// ---- fluid ------------------------------------------------------------------------------------------

#[test]
fn holliday_segar_gives_the_published_rule() {
    // Holliday and Segar, Pediatrics 1957;19:823.
    for (kg, expected) in [
        ("4.2", "420"),
        ("10", "1000"),
        ("11.5", "1075"),
        ("18", "1400"),
        ("20", "1500"),
        ("25", "1600"),
        ("11.34", "1067"),
        ("32", "1740"),
    ] {
        assert_eq!(value(&person(Female, years("4"), kg, ""), "holliday-segar", None, 0), expected, "{kg}");
    }
    for (age, inside) in [("27.9", false), ("28", true)] {
        let list = estimates(&person(Female, days(age, age), "3.4", ""));
        let row = one(&list, "holliday-segar", None);
        assert_eq!((row.holds(), row.result), (inside, Some(Figure::One(n("340")))), "{age}");
    }
}

#[test]
fn adult_fluid_gives_the_bands() {
    // NICE CG32: 30-35 mL/kg. By age: common practice, no source. Drinks: ESPEN geriatrics, from memory.
    for (age, by_age) in [("18", "2800"), ("59.9", "2800"), ("60", "2400"), ("74.9", "2400"), ("75", "2000–2400")] {
        let list = estimates(&person(Male, years(age), "80", "178"));
        assert_eq!(ends(one(&list, "adult-fluid-nice", None), 0), "2400–2800");
        assert_eq!(ends(one(&list, "adult-fluid-by-age", None), 0), by_age, "{age}");
    }
    for (sex, age, text, inside) in [
        (Female, "65", "at least 1600", true),
        (Male, "65", "at least 2000", true),
        (Male, "64.9", "at least 2000", false),
    ] {
        let list = estimates(&person(sex, years(age), "80", "178"));
        let row = one(&list, "older-adult-drinks", None);
        assert_eq!((ends(row, 0), row.holds()), (text.to_owned(), inside));
    }
}

#[test]
fn newborn_fluid_follows_the_day_of_life() {
    // ESPGHAN/ESPEN/ESPR/CSPEN 2018, from memory; the 2005 table; the ASPEN handbook 2024.
    let per_kg = |id, gestation, birth, age: &str| {
        let list = estimates(&preterm(gestation, birth, birth, age));
        let row = one(&list, id, None);
        row.result.and(row.per_kg).map_or_else(|| row.validity.to_string(), |f| f.shown(0))
    };
    let table = |gestation, birth| {
        ["0", "1", "2.5", "3", "4.99"].map(|age| per_kg("newborn-fluid-2018", gestation, birth, age))
    };
    assert_eq!(table("39", "3.4"), ["40–60", "50–70", "60–80", "60–100", "100–140"]);
    assert_eq!(table("33", "1.6"), ["60–80", "80–100", "100–120", "120–140", "140–160"]);
    assert_eq!(table("30", "1.5"), ["70–90", "90–110", "110–130", "130–150", "160–180"]);
    assert_eq!(table("28", "1.0"), table("30", "1.5"));
    assert_eq!(table("26", "0.999"), ["80–100", "100–120", "120–140", "140–160", "160–180"]);
    assert_eq!(per_kg("newborn-fluid-2018", "39", "3.4", "5"), "out of domain: day 6 of life, the table ends at day 5");
    assert_eq!(per_kg("newborn-fluid-2005", "39", "3.4", "0.5"), "60–120");
    assert_eq!(per_kg("newborn-fluid-2005", "39", "3.4", "4"), "140–160");
    assert!(find(&estimates(&preterm("30", "1.5", "1.5", "1")), "newborn-fluid-2005", None).is_none());
    assert_eq!(per_kg("newborn-fluid-2024", "30", "1.5", "0.5"), "70–80");
    assert_eq!(per_kg("newborn-fluid-2024", "30", "1.5", "6"), "150");
    assert!(per_kg("newborn-fluid-2024", "30", "1.5", "3").contains("day 1 and the end of week 1"));
    // At term the birth weight is not needed; with the gestation unknown it is, and both are named.
    let term = Inputs { birth_weight_kg: None, ..preterm("39", "3.4", "3.4", "1") };
    assert!(one(&estimates(&term), "newborn-fluid-2018", None).holds());
    let unknown = Inputs { gestational_weeks: None, ..term };
    assert_eq!(
        one(&estimates(&unknown), "newborn-fluid-2018", None).validity,
        Validity::MissingInput(vec!["gestational age at birth", "birth weight"])
    );
}

// ---- body size --------------------------------------------------------------------------------------

#[test]
fn body_size_gives_the_published_formulas() {
    let man = person(Male, years("58"), "80", "178");
    let woman = person(Female, years("50"), "140", "165");
    for (inputs, id, variant, places, expected) in [
        (&man, "devine", None, 1, "73.2"),               // Devine 1974
        (&woman, "devine", None, 1, "56.9"),             // Devine 1974
        (&man, "hamwi", None, 1, "75.5"),                // Hamwi 1964
        (&woman, "hamwi", None, 1, "56.6"),              // Hamwi 1964
        (&man, "hamwi", Some("metric form"), 1, "75.2"), // metric form as printed in PMC4411565
        (&woman, "hamwi", Some("metric form"), 1, "56.4"),
        (&woman, "body-mass-index", None, 1, "51.4"),
        (&woman, "adjusted-weight-25", None, 1, "77.7"),
        (&woman, "adjusted-weight-40", None, 1, "90.1"),
        (&man, "mosteller", None, 2, "1.99"), // Mosteller 1987
        (&person(Male, years("2.5"), "11.5", "88"), "mosteller", None, 2, "0.53"),
        (&person(Female, years("29"), "36", "165"), "body-mass-index", None, 1, "13.2"),
    ] {
        assert_eq!(value(inputs, id, variant, places), expected, "{id}");
    }
    let list = estimates(&man);
    assert_eq!(ends(one(&list, "hamwi", Some("frame small to large")), 1), "68–83.1");
    // 80 kg is 109 % of ideal and a body mass index of 25: no adjustment is meant.
    assert!(!one(&list, "adjusted-weight-25", None).holds());
    assert!(one(&estimates(&woman), "adjusted-weight-25", None).holds());
}

#[test]
fn ideal_weight_is_flagged_below_sixty_inches_and_refused_at_zero() {
    for (cm, holds, has_value) in
        [("152.4", true, true), ("152.3", false, true), ("120", false, true), ("90", false, false)]
    {
        let list = estimates(&person(Male, years("40"), "50", cm));
        let row = one(&list, "devine", None);
        assert_eq!((row.holds(), row.result.is_some()), (holds, has_value), "{cm}");
    }
    assert_eq!(value(&person(Male, years("40"), "50", "152.4"), "devine", None, 1), "50.0");
    assert!(find(&estimates(&person(Male, years("12"), "40", "150")), "devine", None).is_none(), "not for children");
}

#[test]
fn body_mass_classes_start_at_their_lower_end() {
    // WHO adult classes.
    for (bmi, class) in [
        ("15.99", "severe thinness"),
        ("16", "moderate thinness"),
        ("17", "mild thinness"),
        ("18.49", "mild thinness"),
        ("18.5", "normal"),
        ("24.99", "normal"),
        ("25", "overweight"),
        ("30", "obesity class I "),
        ("35", "obesity class II "),
        ("40", "obesity class III "),
    ] {
        assert!(body_mass_class(n(bmi)).starts_with(class), "{bmi}");
    }
    let child = estimates(&person(Male, years("6"), "20", "115"));
    assert_eq!(one(&child, "body-mass-index", None).class, None);
    let adult = estimates(&person(Female, years("29"), "36", "165"));
    assert_eq!(one(&adult, "body-mass-index", None).class, Some("severe thinness (below 16)"));
}

// ---- growth -----------------------------------------------------------------------------------------

#[test]
fn weight_for_age_gives_the_published_z_scores() {
    // WHO Child Growth Standards: day tables and the rule for tails (WHO's own z-score software).
    for (sex, day, kg, z, band) in [
        (Male, 365, "7.5", "-2.28", ZBand::BelowMinus2),
        (Male, 365, "22.0", "9.38", ZBand::ImplausiblyHigh),
        (Female, 61, "4.2", "-1.53", ZBand::Middle),
        (Female, 518, "25", "8.53", ZBand::ImplausiblyHigh),
        (Female, 518, "11.34", "0.98", ZBand::Middle),
        (Male, 0, "3.3464", "0.00", ZBand::Middle),
    ] {
        let score = growth::weight_for_age(sex, day, n(kg)).expect("in the table");
        assert_eq!((score.z.rounded(2), score.band), (z.to_owned(), band), "{sex:?} {day} {kg}");
    }
    assert!(growth::weight_for_age(Male, 1827, n("18")).is_none());
    assert!(growth::weight_for_age(Male, 10, n("0")).is_none());
}

/// Two general growth libraries from the Python package index, which carry WHO's tables themselves.
#[test]
fn weight_for_age_agrees_with_two_outside_libraries() {
    let (mut first, mut second) = (0, 0);
    for line in include_str!("needs_weight_for_age.csv").lines().filter(|l| !l.starts_with('#')).skip(1) {
        let cells: Vec<&str> = line.split(',').collect();
        let sex = if cells[0] == "male" { Male } else { Female };
        let score = growth::weight_for_age(sex, cells[1].parse().expect("a day"), n(cells[2])).expect("in the table");
        let apart = |cell: &str| n(cell).sub(score.z).expect("in range").abs();
        // Ours is rounded to 2 decimals, theirs to 6: half a hundredth apart at most.
        assert!(apart(cells[3]) <= n("0.005001"), "{line} {:?}", score.z);
        first += 1;
        if !cells[4].is_empty() {
            assert!(apart(cells[4]) <= n("0.01"), "{line} {:?}", score.z);
            second += 1;
        }
    }
    assert_eq!((first, second), (640, 620));
}

#[test]
fn plausibility_edges_are_judged_unrounded() {
    let mut seen: Vec<ZBand> = vec![];
    let mut around_five = HashSet::new();
    for grams in 1000..25_000i64 {
        let score = growth::weight_for_age(Male, 365, Exact::decimal(grams, 3)).expect("in the table");
        assert!(seen.last().is_none_or(|band| *band <= score.band), "bands rise with weight");
        if seen.last() != Some(&score.band) {
            seen.push(score.band);
        }
        if score.z == n("5") {
            around_five.insert(score.band.name());
        }
    }
    // Some weights show 5.00 on either side of the edge: the band tells them apart.
    assert_eq!(around_five.len(), 2);
    assert_eq!(
        seen,
        [
            ZBand::ImplausiblyLow,
            ZBand::BelowMinus3,
            ZBand::BelowMinus2,
            ZBand::Middle,
            ZBand::Above2,
            ZBand::Above3,
            ZBand::ImplausiblyHigh
        ]
    );
}

#[test]
fn weight_for_age_uses_the_corrected_age_of_the_preterm() {
    // Born at 30 weeks, 435 days old: 70 days early, corrected 365.
    let inputs = Inputs { gestational_weeks: Some(n("30")), ..person(Male, days("435", "435"), "7.5", "") };
    let list = estimates(&inputs);
    let row = one(&list, "who-weight-for-age", None);
    assert_eq!((ends(row, 2), row.holds()), ("-2.28".into(), true));
    assert!(row.notes.iter().any(|note| note.contains("corrected age 365 days")));
    // From 24 months the age stands as it is.
    let older = Inputs { age_days: days("731", "731"), ..inputs };
    let term = Inputs { gestational_weeks: Some(n("39")), ..older };
    assert_eq!(
        one(&estimates(&older), "who-weight-for-age", None).result,
        one(&estimates(&term), "who-weight-for-age", None).result
    );
    // Before term a preterm chart is needed.
    let early = Inputs { age_days: days("69", "69"), ..inputs };
    let list = estimates(&early);
    let row = one(&list, "who-weight-for-age", None);
    assert!(row.result.is_none() && row.validity.to_string().contains("preterm chart"));
    // Unknown gestation is said so; term is in domain.
    let unknown = Inputs { gestational_weeks: None, age_days: days("365", "365"), ..inputs };
    assert!(matches!(one(&estimates(&unknown), "who-weight-for-age", None).validity, Validity::Unchecked(_)));
}

#[test]
fn the_tables_end_at_day_1826() {
    let at = |low, high| {
        let list = estimates(&person(Male, days(low, high), "18", ""));
        find(&list, "who-weight-for-age", None).map(|e| (e.result.is_some(), e.validity.to_string()))
    };
    assert!(at("1826.9", "1826.9").is_some_and(|(has, _)| has));
    assert!(at("1827", "1827").is_none(), "not listed past the tables");
    assert!(at("1800", "1830").is_some_and(|(has, why)| !has && why.contains("1826")));
}

// ---- partial birth dates, gaps, nonsense ------------------------------------------------------------

#[test]
fn a_partial_birth_date_gives_a_range() {
    // Born some day of one year: 58 to 59 years.
    let mut inputs = person(Male, None, "80", "178");
    inputs.age_days = years("58").zip(years("59")).map(|((low, _), (high, _))| (low, high));
    let list = estimates(&inputs);
    let mifflin = one(&list, "mifflin-st-jeor", None);
    assert_eq!(mifflin.result, Figure::read("1622.5-1627.5"));
    assert_eq!(mifflin.validity, Validity::InDomain);
    // A range holds both ends: a growing term in age (boys 2023, +3.68 A) too.
    let mut boy = person(Male, None, "20", "115");
    boy.age_days = years("5").zip(years("6")).map(|((low, _), (high, _))| (low, high));
    let list = estimates(&boy);
    assert_eq!(one(&list, "eer-2023", Some("inactive")).result, Figure::read("1345.04-1348.72"));
}

#[test]
fn a_partial_birth_date_across_a_band_edge_gives_no_value() {
    let mut boy = person(Male, None, "15", "98");
    boy.age_days = years("2.6").zip(years("3.5")).map(|((low, _), (high, _))| (low, high));
    let list = estimates(&boy);
    for id in ["schofield-weight", "schofield-weight-height", "fao-who-unu-1985-child", "eer-2002", "eer-2023"] {
        let rows: Vec<&Estimate> = list.iter().filter(|e| e.id == id).collect();
        assert_eq!(rows.len(), 1, "{id}");
        assert!(
            rows[0].result.is_none() && rows[0].validity.to_string().contains("across the limit at 3"),
            "{id} {}",
            rows[0].validity
        );
    }
    // 18 to 19 years: adult and child families are both there.
    let mut edge = person(Female, None, "60", "165");
    edge.age_days = years("17.5").zip(years("18.5")).map(|((low, _), (high, _))| (low, high));
    let list = estimates(&edge);
    assert!(find(&list, "mifflin-st-jeor", None).is_some() && find(&list, "schofield-weight", None).is_some());
    assert!(one(&list, "schofield-weight", None).result.is_none());
}

#[test]
fn with_the_age_missing_every_family_says_so() {
    let list = estimates(&person(Male, None, "12", "85"));
    for id in [
        "mifflin-st-jeor",
        "fao-who-unu-1985-adult",
        "schofield-weight",
        "eer-2002",
        "eer-2023",
        "holliday-segar",
        "adult-fluid-nice",
        "devine",
        "who-weight-for-age",
        "dri-protein",
        "newborn-fluid-2024",
    ] {
        let row = list.iter().find(|e| e.id == id).unwrap_or_else(|| panic!("{id}"));
        assert!(
            row.validity.to_string().contains("missing: ") && row.validity.to_string().contains("age"),
            "{id} {}",
            row.validity
        );
        assert_eq!(row.result, None, "{id}");
    }
    assert!(matches!(one(&list, "mifflin-st-jeor", None).validity, Validity::MissingInput(_)));
    // 80 kg is no infant.
    let list = estimates(&person(Male, None, "80", "178"));
    assert!(find(&list, "who-weight-for-age", None).is_none() && find(&list, "term-first-half", None).is_none());
    assert!(find(&list, "schofield-weight", None).is_some());
}

#[test]
fn families_follow_the_age() {
    let listed = |age| estimates(&person(Female, years(age), "20", "115")).iter().map(|e| e.id).collect::<HashSet<_>>();
    for (age, id, there) in [
        ("17.9", "mifflin-st-jeor", false),
        ("18", "mifflin-st-jeor", true),
        ("17.9", "schofield-weight", true),
        ("18", "schofield-weight", false),
        ("18.9", "dri-protein", true),
        ("19", "dri-protein", false),
        ("18.9", "holliday-segar", true),
        ("19", "holliday-segar", false),
        ("0.99", "catch-up", true),
        ("1", "catch-up", false),
        ("0.07", "newborn-fluid-2018", true),
        ("0.08", "newborn-fluid-2018", false),
        ("17.9", "adult-fluid-nice", false),
        ("18", "adult-fluid-nice", true),
        ("4.9", "who-weight-for-age", true),
        ("5.1", "who-weight-for-age", false),
    ] {
        assert_eq!(listed(age).contains(id), there, "{age} {id}");
    }
}

#[test]
fn nothing_is_computed_from_impossible_inputs() {
    for inputs in [
        person(Male, years("58"), "0", "178"),
        person(Male, years("58"), "-80", "178"),
        person(Male, years("58"), "80000", "178"),
        person(Male, years("58"), "80", "1.78"),
        person(Male, Some((n("-1"), n("-1"))), "80", "178"),
        person(Male, Some((n("200"), n("100"))), "80", "178"),
    ] {
        let list = estimates(&inputs);
        for row in list.iter().filter(|e| ["mifflin-st-jeor", "schofield-weight-height"].contains(&e.id)) {
            assert!(
                row.result.is_none() && matches!(row.validity, Validity::OutOfDomain(_)),
                "{inputs:?} {} {}",
                row.id,
                row.validity
            );
        }
    }
    // An equation that gives nothing above 0 says so: Schofield for a boy of 400 g.
    let list = estimates(&person(Male, days("1", "1"), "0.4", "30"));
    let row = one(&list, "schofield-weight", None);
    assert!(row.result.is_none() && row.validity.to_string().contains("gives -6.6"), "{}", row.validity);
}

#[test]
fn an_empty_person_gets_a_list_of_what_is_missing() {
    let list = estimates(&Inputs::default());
    assert!(list.len() > 100);
    for row in list {
        assert!(
            row.result.is_none() && matches!(row.validity, Validity::MissingInput(_)),
            "{} {:?} {}",
            row.id,
            row.result,
            row.validity
        );
    }
}

#[test]
fn every_estimate_explains_itself_and_is_unique() {
    let mut people = vec![Inputs::default(), ventilated(person(Male, years("70"), "80", "178"), "9", "38")];
    people.extend(["0.5", "2", "6", "14", "18.5", "30", "80"].map(|age| person(Female, years(age), "15", "100")));
    people.push(preterm("29", "1.1", "1.1", "3"));
    for inputs in &people {
        let mut seen = HashSet::new();
        for e in estimates(inputs) {
            assert!(seen.insert((e.id, e.variant, e.kind)), "{} {:?} {:?} twice", e.id, e.variant, e.kind);
            for text in [&*e.formula, e.name, e.unit, e.domain, e.source.citation] {
                assert!(!text.is_empty(), "{} {e:?}", e.id);
            }
            match &e.validity {
                Validity::InDomain | Validity::Unchecked(_) => assert!(e.result.is_some(), "{}", e.id),
                Validity::MissingInput(which) => assert!(e.result.is_none() && !which.is_empty(), "{}", e.id),
                Validity::OutOfDomain(why) => assert!(!why.is_empty(), "{}", e.id),
            }
        }
    }
}

#[test]
fn figures_are_read_as_the_tables_write_them() {
    assert_eq!(Figure::read("25-35"), Some(Figure::Between { low: n("25"), high: n("35") }));
    assert_eq!(Figure::read("<=4.5"), Some(Figure::AtMost(n("4.5"))));
    for text in ["", "35-25", "25-", "-25", "~30", "25 - 35", "<4"] {
        assert_eq!(Figure::read(text), None, "{text}");
    }
}

// ---- properties -------------------------------------------------------------------------------------

fn hundredths(range: std::ops::Range<i64>) -> impl Strategy<Value = Exact> {
    range.prop_map(|n| Exact::decimal(n, 2))
}

fn same_list(a: &[Estimate], b: &[Estimate]) -> Vec<(Estimate, Estimate)> {
    a.iter()
        .filter_map(|e| {
            b.iter().find(|f| (f.id, f.variant, f.kind) == (e.id, e.variant, e.kind)).map(|f| (e.clone(), f.clone()))
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// More weight never lowers an amount per day, nor a z-score, nor the body mass index.
    #[test]
    fn more_weight_never_needs_less(age in hundredths(0..9000), kg in hundredths(100..15_000), more in hundredths(0..500), male: bool) {
        let days = age.mul(n("365.25")).expect("in range");
        let sex = if male { Male } else { Female };
        let light = Inputs { age_days: Some((days, days)), weight_kg: Some(kg), height_cm: Some(n("120")), sex: Some(sex), gestational_weeks: Some(n("40")), ..Inputs::default() };
        let heavy = Inputs { weight_kg: kg.add(more), ..light };
        for (a, b) in same_list(&estimates(&light), &estimates(&heavy)) {
            if let (Some(x), Some(y)) = (a.result, b.result) {
                prop_assert!(x.low() <= y.low() && x.high() <= y.high(), "{} {:?}: {} then {}", a.id, a.kind, x.shown(3), y.shown(3));
            }
        }
    }

    /// A partial birth date gives a range that holds the value of each single day in it.
    #[test]
    fn a_range_holds_every_age_inside(first in 0..30_000i64, width in 0..400i64, part in 0..=100i64, male: bool) {
        let (low, high) = (Exact::int(first), Exact::int(first + width));
        let inside = Exact::int(first + width * part / 100);
        let sex = if male { Male } else { Female };
        let base = Inputs { weight_kg: Some(n("14")), height_cm: Some(n("95")), sex: Some(sex), gestational_weeks: Some(n("40")), ..Inputs::default() };
        let wide = estimates(&Inputs { age_days: Some((low, high)), ..base });
        let single = estimates(&Inputs { age_days: Some((inside, inside)), ..base });
        for (a, b) in same_list(&wide, &single) {
            if let (Some(x), Some(y)) = (a.result, b.result) {
                prop_assert!(x.low() <= y.low() && y.high() <= x.high(), "{}: {} does not hold {}", a.id, x.shown(3), y.shown(3));
            }
        }
    }

    /// Taking an input away never turns an estimate into one that holds.
    #[test]
    fn a_missing_input_never_makes_an_estimate_hold(age in hundredths(0..9000), kg in hundredths(100..15_000), cm in hundredths(4000..20_000), which in 0..5usize) {
        let days = age.mul(n("365.25")).expect("in range");
        let whole = Inputs {
            age_days: Some((days, days)), weight_kg: Some(kg), height_cm: Some(cm), sex: Some(Male), gestational_weeks: Some(n("35")),
            birth_weight_kg: Some(n("1.7")), ventilated: Some(Ventilation { minute_volume_l: Some(n("8")), tmax_c: Some(n("37")) }), ..Inputs::default()
        };
        let mut part = whole;
        match which {
            0 => part.sex = None,
            1 => part.weight_kg = None,
            2 => part.height_cm = None,
            3 => part.gestational_weeks = None,
            _ => part.birth_weight_kg = None,
        }
        for (a, b) in same_list(&estimates(&whole), &estimates(&part)) {
            prop_assert!(!b.holds() || a.holds(), "{} holds without input {which}: {}", a.id, a.validity);
        }
    }

    /// Whatever comes in, an answer comes out.
    #[test]
    fn nothing_panics(age in any::<(i64, i64)>(), kg: i64, cm: i64, weeks: i64, places in 0u32..18) {
        let x = |n: i64| Exact::decimal(n, places);
        let inputs = Inputs {
            sex: Some(Female), age_days: Some((x(age.0), x(age.1))), weight_kg: Some(x(kg)), height_cm: Some(x(cm)), birth_weight_kg: Some(x(kg)),
            gestational_weeks: Some(x(weeks)), ventilated: Some(Ventilation { minute_volume_l: Some(x(kg)), tmax_c: Some(x(cm)) }),
            measured_energy_kcal: Some(x(kg)),
        };
        prop_assert!(!estimates(&inputs).is_empty());
    }
}

#[test]
fn an_estimate_asked_for_alone_is_the_one_of_the_list() {
    let mut people = vec![Inputs::default(), person(Male, years("70"), "80", "178")];
    people.extend(["0.02", "0.5", "6", "17.99", "18.5", "19", "80"].map(|age| person(Female, years(age), "15", "100")));
    people.push(Inputs { height_cm: None, ..person(Female, years("40"), "60", "170") });
    let mut there = 0;
    for inputs in &people {
        let list = estimates(inputs);
        for (which, id) in [
            (Single::MifflinStJeor, "mifflin-st-jeor"),
            (Single::SchofieldWeight, "schofield-weight"),
            (Single::SchofieldWeightHeight, "schofield-weight-height"),
            (Single::HollidaySegar, "holliday-segar"),
            (Single::Ideal, "devine"),
            (Single::Adjusted25, "adjusted-weight-25"),
        ] {
            let alone = single(inputs, which);
            there += usize::from(alone.is_some());
            assert_eq!(alone.as_ref(), list.iter().find(|e| e.id == id), "{which:?} {inputs:?}");
        }
    }
    assert!(there > 30, "{there}");
}
