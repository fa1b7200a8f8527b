//! What the program's own rules say at the edges of their bands, and whether the arithmetic, the way out and the
//! correction that go with a finding hold the figures. Bands: `docs/integrity-rules.md` and the comments beside them in
//! `src/integrity`; figures worked out by hand. People, products and orders are invented.

use enteral_gate::appraise::appraise;
use enteral_gate::findings::{Finding, Outcome, Tier};
use enteral_gate::formulary::Formulary;
use enteral_gate::intake::order::FhirVersion;
use enteral_gate::nutrition::measure::Measure;
use enteral_gate::rulebook::{Rulebook, short_form};
use enteral_gate::settings::Settings;
use std::sync::LazyLock;

static FORMULARY: LazyLock<Formulary> =
    LazyLock::new(|| Formulary::from_csv("tests", include_bytes!("../deploy/demo/formulary.csv")).unwrap());

const ADULT: &str = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"A10\"\n";

fn compose(given: &str) -> String {
    short_form::compose(&given.parse().unwrap_or_else(|why| panic!("{given}: {why}")), &Rulebook::default())
        .unwrap_or_else(|why| panic!("{given}: {why}"))
}

/// What a rule came to for a document.
fn judged(rule: &str, bundle: &str) -> Outcome {
    judged_by(rule, bundle, &Settings::default())
}

fn judged_by(rule: &str, bundle: &str, settings: &Settings) -> Outcome {
    let done = appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, settings);
    done.orders[0].judged.iter().find(|j| j.rule.id == rule).unwrap_or_else(|| panic!("{rule}")).outcome.clone()
}

fn outcome(rule: &str, given: &str) -> Outcome {
    judged(rule, &compose(given))
}

fn found(rule: &str, given: &str) -> Vec<Finding> {
    match outcome(rule, given) {
        Outcome::Flagged(all) => all,
        _ => Vec::new(),
    }
}

/// The only finding of a rule.
fn one(rule: &str, given: &str) -> Finding {
    let mut all = found(rule, given);
    assert_eq!(all.len(), 1, "{rule} of {given}: {:?}", outcome(rule, given));
    all.remove(0)
}

fn flags(rule: &str, given: &str) -> bool {
    !found(rule, given).is_empty()
}

fn words(f: &Finding) -> (&str, &str, &str) {
    (&f.text, f.arithmetic.as_deref().unwrap_or(""), f.fix.as_deref().unwrap_or(""))
}

fn label(f: &Finding) -> &str {
    f.correction.as_ref().map_or("", |c| &c.label)
}

#[test]
fn densities_in_the_other_unit_lie_between_15_and_40_or_0_4_and_2_5() {
    let density = |d: &str| flags("UNT-02", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"{d}\"\n"));
    for d in ["15 kcal/mL", "24 kcal/mL", "40 kcal/mL", "0.4 kcal/[foz_us]", "1.5 kcal/[foz_br]", "2.5 kcal/[foz_us]"] {
        assert!(density(d), "{d}");
    }
    for d in [
        "14.9 kcal/mL",
        "40.1 kcal/mL",
        "0.39 kcal/[foz_us]",
        "2.51 kcal/[foz_us]",
        "24 kcal/[foz_us]",
        "1 kcal/mL",
        "20 kJ/mL",
        "2 kJ/[foz_us]",
        "24 kcal/L",
    ] {
        assert!(!density(d), "{d}");
    }
    let of = |d: &str| one("UNT-02", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"{d}\"\n"));
    // 24 ÷ 29.5735 = 0.812; 1.5 ÷ 29.5735 = 0.051.
    let f = of("24 kcal/mL");
    assert_eq!(f.tier, Tier::Stop);
    assert_eq!(
        words(&f),
        (
            "An energy density of 24 kcal/mL is not one a feed has; it is usual in kcal per fluid ounce.",
            "as written 24 kcal/mL; read as kcal per fluid ounce: 0.812 kcal/mL",
            "If kcal per fluid ounce is meant, state 24 kcal/[foz_us]."
        )
    );
    assert_eq!(label(&f), "Energy density 24 kcal/[foz_us]");
    let f = of("1.5 kcal/[foz_us]");
    assert_eq!(words(&f).1, "as written 0.051 kcal/mL; read as kcal/mL: 1.5 kcal/mL");
    assert_eq!(words(&f).2, "If kcal/mL is meant, state 1.5 kcal/mL.");
    assert_eq!(label(&f), "Energy density 1.5 kcal/mL");
}

#[test]
fn feeds_have_0_3_to_2_5_kcal_per_ml() {
    let density = |d: &str| found("UNT-01", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"{d}\"\n"));
    for d in ["0.3 kcal/mL", "2.5 kcal/mL", "300 kcal/L"] {
        assert!(density(d).is_empty(), "{d}");
    }
    for d in ["0.29 kcal/mL", "2.51 kcal/mL", "299 kcal/L"] {
        let all = density(d);
        assert_eq!((all.len(), all[0].tier), (1, Tier::Stop), "{d}");
    }
    let all = density("3 kcal/mL");
    assert_eq!(
        words(&all[0]),
        (
            "An energy density of 3 kcal/mL is outside the 0.3 to 2.5 kcal/mL that feeds have.",
            "3 kcal/mL; feeds lie between 0.3 and 2.5 kcal/mL",
            "Confirm number and unit of the energy density."
        )
    );
}

#[test]
fn small_calories_are_named_with_both_readings() {
    let density = |d: &str| one("UNT-03", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"{d}\"\n"));
    let f = density("1.5 cal/mL");
    assert_eq!((f.tier, label(&f)), (Tier::Med, "Energy density in kcal/mL"));
    assert_eq!(words(&f).1, "as coded 0.0015 kcal/mL; read as kilocalories 1.5 kcal/mL");
    assert_eq!(words(&f).2, "Send the unit as kcal/mL (or kcal/[foz_us]).");
    assert_eq!(label(&density("20 cal/[foz_us]")), "Energy density in kcal/[foz_us]");
    // Another unit has no correction that is sure.
    assert_eq!(label(&density("1500 cal/L")), "");
    let f = density("24 cal/mL");
    assert_eq!(f.tier, Tier::High);
    assert_eq!(words(&f).1, "as coded 0.024 kcal/mL; in kilocalories 24 kcal/mL");
    assert_eq!(words(&f).2, "Send the unit as kcal/mL (or kcal/[foz_us]).");
    let f = density("1500 cal/mL");
    assert_eq!((f.tier, f.arithmetic.is_none()), (Tier::Med, true));
    assert!(f.text.starts_with("The energy density: "), "{}", f.text);
    assert!(!flags("UNT-03", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"1.5 kcal/mL\"\n")));
}

/// Ceilings: 400 mL/h, under 14 years 250, under 1 year 100; under 10 kg also 25 mL/kg/h.
#[test]
fn rates_above_what_a_pump_is_set_to_may_be_the_days_volume() {
    let rate = |who: &str, rate: &str| flags("UNT-04", &format!("{who}\nproduct = \"A10\"\nrate = \"{rate}\"\n"));
    let adult = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"";
    let unknown = "sex = \"male\"\nweight = \"60 kg\"";
    let boy = "age = \"13 a\"\nsex = \"male\"\nweight = \"45 kg\"";
    let youth = "age = \"15 a\"\nsex = \"male\"\nweight = \"45 kg\"";
    let heavy_infant = "age = \"11 mo\"\nsex = \"male\"\nweight = \"10 kg\"";
    let infant = "age = \"3 mo\"\nsex = \"male\"\nweight = \"3 kg\"";
    let toddler = "age = \"13 mo\"\nsex = \"male\"\nweight = \"9.9 kg\"";
    for (who, within, above) in [
        (adult, "400 mL/h", "401 mL/h"),
        (unknown, "400 mL/h", "401 mL/h"),
        (youth, "400 mL/h", "401 mL/h"),
        (boy, "250 mL/h", "251 mL/h"),
        (heavy_infant, "100 mL/h", "101 mL/h"),
        (infant, "75 mL/h", "76 mL/h"),
        (toddler, "247.5 mL/h", "247.6 mL/h"),
    ] {
        assert!(!rate(who, within), "{who} {within}");
        assert!(rate(who, above), "{who} {above}");
    }
    let f = one("UNT-04", &format!("{adult}\nproduct = \"A10\"\nrate = \"1500 mL/h\"\n"));
    assert_eq!(f.tier, Tier::Stop);
    assert_eq!(
        words(&f),
        (
            "A pump rate of 1500 mL/h is above the 400 mL/h possible for an adult: it may be the day's volume.",
            "1500 mL/h × 24 h = 36000 mL; 1500 ÷ 24 = 62.5 mL/h",
            "If 1500 mL is meant for the day, the rate is 62.5 mL/h; if the decimal point slipped, 150 mL/h."
        )
    );
    assert_eq!(label(&f), "Rate 62.5 mL/h");
    let text = |who: &str, rate: &str| one("UNT-04", &format!("{who}\nproduct = \"A10\"\nrate = \"{rate}\"\n")).text;
    assert_eq!(text(infant, "78 mL/h"), "A pump rate of 78 mL/h is 26 mL/kg/h: it may be the day's volume.");
    assert!(text(infant, "120 mL/h").contains("above the 100 mL/h possible for an infant"));
    assert!(text(boy, "300 mL/h").contains("above the 250 mL/h possible for a child"));
    assert!(matches!(
        outcome("UNT-04", &format!("{adult}\nproduct = \"A10\"\nvolume = \"200 mL\"\nfeeds = 5\n")),
        Outcome::NotApplicable(_)
    ));
}

#[test]
fn a_rate_with_the_number_of_the_maximum_may_be_the_days_volume() {
    let with = |rate: &str, cap: &str| found("UNT-04", &format!("{ADULT}rate = \"{rate}\"\ncap = \"{cap}\"\n"));
    let f = with("60 mL/h", "60 mL/d");
    assert_eq!((f.len(), f[0].tier), (1, Tier::Stop));
    assert_eq!(f[0].text, "The rate, 60 mL/h, is the number of the day's maximum volume: it may be the day's volume.");
    assert_eq!(f[0].fix.as_deref(), Some("If 60 mL is meant for the day, the rate is 2.5 mL/h."));
    // The same speed coded for the day has another number; another maximum too.
    assert!(with("1440 mL/d", "60 mL/d").is_empty());
    assert!(with("60 mL/h", "61 mL/d").is_empty());
}

/// 1 to 12 in mL for more than 3 kg, 30 to 360 in fluid ounces.
#[test]
fn volumes_that_are_usual_in_the_other_unit_are_seen() {
    let feed = |who: &str, volume: &str| {
        found("UNT-06", &format!("{who}\nproduct = \"A10\"\nvolume = \"{volume}\"\nevery = \"4 h\"\n"))
    };
    let adult = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"";
    for volume in ["1 mL", "8 mL", "12 mL", "30 [foz_us]", "360 [foz_us]", "60 [foz_br]"] {
        assert_eq!(feed(adult, volume).len(), 1, "{volume}");
    }
    for volume in ["0.9 mL", "12.1 mL", "29 [foz_us]", "361 [foz_us]", "240 mL", "8 [foz_us]"] {
        assert_eq!(feed(adult, volume).len(), 0, "{volume}");
    }
    let infant = |kg: &str| format!("age = \"1 mo\"\nsex = \"male\"\nweight = \"{kg} kg\"");
    assert!(feed(&infant("3"), "4 mL").is_empty());
    // 4 × 29.57 = 118.3 mL are 30 mL/kg at 3.94 kg; 6 × 4 mL are 6.1 mL/kg a day.
    assert_eq!(feed(&infant("3.95"), "4 mL").len(), 1);
    assert!(feed(&infant("3.94"), "4 mL").is_empty(), "over 30 mL/kg at once");
    assert_eq!(feed(&infant("3.1"), "3 mL").len(), 1, "5.8 mL/kg a day, 28.6 mL/kg at once in ounces");
    // 6 × 8 mL are 10 mL/kg a day; as ounces 49 mL/kg at once.
    assert!(feed(&infant("4.8"), "8 mL").is_empty());
    // 12 × 4 mL at 4 kg are 12 mL/kg a day, and 29.6 mL/kg at once in ounces; at 4.9 kg 9.8 mL/kg a day.
    let often = |kg: &str| {
        found("UNT-06", &format!("{}\nproduct = \"A10\"\nvolume = \"4 mL\"\nevery = \"2 h\"\n", infant(kg))).len()
    };
    assert_eq!((often("4"), often("4.8"), often("4.9")), (0, 0, 1));
    // 6 × 3 mL at 3.5 kg are 5.1 mL/kg a day, and 25 mL/kg at once in ounces.
    let days = |age: &str| feed(&format!("age = \"{age}\"\nsex = \"male\"\nweight = \"3.5 kg\""), "3 mL").len();
    assert_eq!((days("7 d"), days("8 d")), (0, 1));
    // 8 × 29.5735 = 236.6; 60 × 29.5735 = 1774.4.
    let f = feed(adult, "8 mL").remove(0);
    assert_eq!(f.tier, Tier::High);
    assert_eq!(
        words(&f),
        (
            "A feed of 8 mL is small for 60 kg; 8 would be usual in fluid ounces (237 mL).",
            "8 fluid ounces = 237 mL",
            "If ounces are meant, state 237 mL."
        )
    );
    assert_eq!(label(&f), "Volume per feed 237 mL");
    let f = feed(adult, "60 [foz_us]").remove(0);
    assert_eq!(
        words(&f),
        (
            "A feed of 60 fluid ounces is 1774 mL; 60 would be usual in mL.",
            "60 fluid ounces = 1774 mL",
            "If millilitres are meant, state 60 mL."
        )
    );
    assert_eq!(label(&f), "Volume per feed 60 mL");
    let nobody = "age = \"70 a\"\nsex = \"male\"\nproduct = \"A10\"\nvolume = \"8 mL\"\nevery = \"4 h\"\n";
    assert!(matches!(outcome("UNT-06", nobody), Outcome::NotEvaluated(..)));
    assert!(matches!(outcome("UNT-06", &format!("{ADULT}rate = \"60 mL/h\"\n")), Outcome::NotApplicable(_)));
}

/// Bands of a day, kcal/kg: under 1 y 40–200, 1–3 y 35–180, 4–9 y 25–140, 10–17 y 15–100, adults 10–80.
#[test]
fn a_day_outside_its_band_is_seen_at_each_age() {
    // Too little is a slip where ten times as much lies in the band: 8, 10, 14, 18 kcal/kg.
    // Rates in mL/h of 1 kcal/mL: kcal/kg × kg ÷ 24.
    for (age, kg, within, outside) in [
        ("70 a", "60", "200", "200.1"),
        ("19 a", "60", "200", "200.1"),
        ("17 a", "60", "250", "250.1"),
        ("11 a", "24", "100", "100.1"),
        ("9 a", "24", "130", "130.1"),
        ("5 a", "12", "65", "65.1"),
        ("3 a", "12", "82.5", "82.6"),
        ("13 mo", "12", "82.5", "82.6"),
        ("70 a", "60", "20.1", "20"),
        ("17 a", "60", "25.1", "25"),
        ("9 a", "24", "14.1", "14"),
        ("3 a", "12", "9.1", "9"),
        ("11 mo", "6", "50", "50.1"),
    ] {
        let of = |rate: &str| {
            flags(
                "UNT-05",
                &format!(
                    "age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\nrate = \"{rate} mL/h\"\n"
                ),
            )
        };
        assert!(
            !of(within),
            "{age} {within}: {:?}",
            found(
                "UNT-05",
                &format!(
                    "age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\nrate = \"{within} mL/h\"\n"
                )
            )
        );
        assert!(of(outside), "{age} {outside}");
    }
}

#[test]
fn a_slip_is_named_with_its_factor() {
    let day = |rate: &str| one("UNT-05", &format!("{ADULT}rate = \"{rate} mL/h\"\n"));
    // 300 × 24 ÷ 60 = 120 kcal/kg.
    let f = day("300");
    assert_eq!(f.tier, Tier::High);
    assert_eq!(
        words(&f),
        (
            "The day's energy of 120 kcal/kg is implausible; 10 times less, it would be usual (12 kcal/kg).",
            "120 kcal/kg ÷ 10 = 12 kcal/kg, at 60 kg",
            "Check the decimal point of volume, rate, density, times and weight: a factor of 10."
        )
    );
    // 210 × 24 ÷ 60 = 84: a tenth is 8.4, below the band too.
    let f = found("UNT-05", &format!("{ADULT}rate = \"210 mL/h\"\n")).remove(0);
    assert_eq!(
        words(&f),
        (
            "The day's energy of 84 kcal/kg is outside any feeding order.",
            "84 kcal/kg a day at 60 kg; feeding orders lie between 10 and 80",
            "Check weight, volumes, rate, density, times and their units."
        )
    );
    // 7 × 24 = 168 mL, 2.8 kcal/kg: less than a cautious start.
    let f = day("7");
    assert_eq!(f.tier, Tier::High);
    assert_eq!(
        words(&f).0,
        "The day's energy of 2.8 kcal/kg is implausible; 10 times more, it would be usual (28 kcal/kg)."
    );
    assert_eq!(words(&f).1, "2.8 kcal/kg × 10 = 28 kcal/kg, at 60 kg");
    assert_eq!(
        words(&f).2,
        "Check the decimal point of volume, rate, density, times and weight: a factor of 10, or a deliberate low start."
    );
}

/// From 16 years: 3 kcal/kg/d (a start of 5 rounded down to the step of a pump) or 240 to 480 mL/d; under 1 year 10 to 24 mL/kg/d.
#[test]
fn a_trophic_feed_is_no_slip() {
    let tier = |who: &str, rate: &str| {
        let all = found("UNT-05", &format!("{who}\nproduct = \"A10\"\nrate = \"{rate} mL/h\"\n"));
        all.iter().find(|f| f.text.starts_with("The day's")).map(|f| f.tier)
    };
    let adult = |kg: &str| format!("age = \"70 a\"\nsex = \"male\"\nweight = \"{kg} kg\"");
    assert_eq!(tier(&adult("100"), "10"), Some(Tier::Med), "240 mL, 2.4 kcal/kg");
    assert_eq!(tier(&adult("100"), "9.9"), Some(Tier::High), "237.6 mL");
    assert_eq!(tier(&adult("170"), "20"), Some(Tier::Med), "480 mL, 2.82 kcal/kg");
    assert_eq!(tier(&adult("170"), "20.1"), Some(Tier::High), "482.4 mL, 2.84 kcal/kg");
    assert_eq!(tier(&adult("60"), "7.5"), Some(Tier::Med), "3 kcal/kg");
    assert_eq!(tier(&adult("60"), "7.4"), Some(Tier::High), "2.96 kcal/kg");
    assert_eq!(tier("age = \"16 a\"\nsex = \"male\"\nweight = \"60 kg\"", "12"), Some(Tier::Med), "4.8 kcal/kg");
    assert_eq!(tier("age = \"15 a\"\nsex = \"male\"\nweight = \"60 kg\"", "12"), Some(Tier::High), "under 16 years");
    let child = "age = \"6 a\"\nsex = \"male\"\nweight = \"20 kg\"";
    assert_eq!(tier(child, "10"), Some(Tier::Med), "12 mL/kg");
    assert_eq!(tier(child, "9.9"), Some(Tier::High), "11.9 mL/kg");
    let new = format!("{child}\nother-orders = []");
    assert_eq!(tier(&new, "5"), Some(Tier::Med), "6 mL/kg, a first feed");
    assert_eq!(tier(&new, "4.9"), Some(Tier::High), "5.9 mL/kg");
    let fed = format!("{child}\nother-orders = [{{ product = \"PED10\", rate = \"40 mL/h\" }}]");
    assert_eq!(tier(&fed, "5"), Some(Tier::High), "6 mL/kg beside another feed");
    let infant = "age = \"1 mo\"\nsex = \"male\"\nweight = \"4.8 kg\"";
    assert_eq!(tier(infant, "2"), Some(Tier::Med), "10 mL/kg");
    assert_eq!(tier(infant, "1.9"), Some(Tier::High), "9.5 mL/kg");
    assert_eq!(tier(infant, "4.8"), Some(Tier::Med), "24 mL/kg");
    // 0.67 kcal/mL: 29.7 mL/kg are 19.9 kcal/kg, and ten times that would be usual energy, but 297 mL/kg.
    let preterm = |kg: &str, ml: &str| {
        flags(
            "UNT-05",
            &format!(
                "age = \"2 d\"\ngestation = \"31 wk\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"HM\"\nvolume = \"{ml} mL\"\nfeeds = 8\n"
            ),
        )
    };
    assert!(!preterm("1.4", "5.2"), "29.7 mL/kg");
    assert!(preterm("1.4", "4.2"), "24 mL/kg");
    assert!(preterm("1.4", "1.7"), "9.7 mL/kg");
    let f = one("UNT-05", &format!("{}\nproduct = \"A10\"\nrate = \"10 mL/h\"\n", adult("60")));
    assert_eq!(
        words(&f),
        (
            "The day's energy of 4 kcal/kg is that of a trophic feed or a cautious start; a slip of the decimal point would have meant 40 kcal/kg.",
            "4 kcal/kg × 10 = 40 kcal/kg, at 60 kg",
            "If a trophic feed or a cautious start is meant, it stands as ordered; if not, check the decimal point: a factor of 10."
        )
    );
}

/// 250 mL at once for adults, 5 mL/kg for children, 3 under 1 year; a slip is more than twice that, and a tenth is not.
#[test]
fn a_flush_ten_times_too_large_is_seen() {
    let flush = |who: &str, volume: &str| {
        let all = found(
            "UNT-05",
            &format!("{who}\nproduct = \"A10\"\nflush = {{ volume = \"{volume} mL\", every = \"6 h\" }}\n"),
        );
        all.into_iter().find(|f| f.text.starts_with("A single flush"))
    };
    let adult = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nrate = \"60 mL/h\"";
    let youth = "age = \"17 a\"\nsex = \"male\"\nweight = \"60 kg\"\nrate = \"60 mL/h\"";
    let child = "age = \"8 a\"\nsex = \"male\"\nweight = \"24 kg\"\nrate = \"50 mL/h\"";
    let infant = "age = \"6 mo\"\nsex = \"male\"\nweight = \"6 kg\"\nrate = \"30 mL/h\"";
    for (who, within, outside, beyond) in [
        (adult, "500", "501", "2501"),
        (youth, "500", "501", "2501"),
        (child, "240", "241", "1201"),
        (infant, "36", "37", "181"),
    ] {
        assert!(flush(who, within).is_none(), "{who} {within}");
        assert!(flush(who, outside).is_some(), "{who} {outside}");
        assert!(flush(who, beyond).is_none(), "{who} {beyond}: a tenth is not usual either");
    }
    let f = flush(adult, "600").unwrap();
    assert_eq!(f.tier, Tier::High);
    assert_eq!(
        words(&f),
        (
            "A single flush of 600 mL is implausible; a tenth of it would be usual.",
            "600 mL at once; 250 mL is the most that is usual at once",
            "Check the decimal point: 60 mL?"
        )
    );
}

#[test]
fn a_flush_more_often_than_hourly_is_seen() {
    let flush = |every: &str| {
        let all = found(
            "UNT-05",
            &format!("{ADULT}rate = \"60 mL/h\"\nflush = {{ volume = \"30 mL\", every = \"{every}\" }}\n"),
        );
        all.into_iter().find(|f| f.text.starts_with("A flush"))
    };
    assert!(flush("1 h").is_none());
    assert!(flush("50 min").is_some());
    let f = flush("30 min").unwrap();
    assert_eq!(
        words(&f),
        ("A flush 48 times a day is more often than flushes are given.", "", "Check how often the flush is given.")
    );
}

/// 60 mL/min in adults, 2 mL/kg/min in children.
#[test]
fn a_feed_faster_than_any_is_seen() {
    let feed = |who: &str, over: &str| {
        let all = found(
            "UNT-05",
            &format!("{who}\nproduct = \"A10\"\nvolume = \"300 mL\"\nevery = \"6 h\"\nover = \"{over}\"\n"),
        );
        all.into_iter().find(|f| f.text.starts_with("A feed at"))
    };
    let adult = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"";
    let youth = "age = \"17 a\"\nsex = \"male\"\nweight = \"60 kg\"";
    let child = "age = \"8 a\"\nsex = \"male\"\nweight = \"25 kg\"";
    for (who, within, outside) in
        [(adult, "5 min", "4.9 min"), (youth, "5 min", "4.9 min"), (child, "6 min", "5.9 min")]
    {
        assert!(feed(who, within).is_none(), "{who}");
        assert!(feed(who, outside).is_some(), "{who}");
    }
    let f = feed(adult, "4 min").unwrap();
    assert_eq!(
        words(&f),
        (
            "A feed at 75 mL/min is faster than feeds are given.",
            "300 mL in 4 min = 75 mL/min",
            "Check the rate or the duration of the feed."
        )
    );
}

/// A quarter of a mL/kg.
#[test]
fn a_feed_next_to_nothing_is_seen() {
    let feed = |volume: &str| {
        let all = found("UNT-05", &format!("{ADULT}volume = \"{volume} mL\"\nevery = \"1 h\"\n"));
        all.into_iter().find(|f| f.text.starts_with("A feed of"))
    };
    assert!(feed("15").is_none());
    let f = feed("14.9").unwrap();
    assert_eq!(f.tier, Tier::High);
    assert_eq!(
        words(&f),
        (
            "A feed of 14.9 mL at a time is less than any that is given at 60 kg.",
            "14.9 mL; 15 mL at 60 kg is 0.25 mL/kg",
            "Check the volume, or the rate, the duration and its unit."
        )
    );
}

/// Packets of 25 kcal and 6 g protein; fortifier in human milk between 1 and 10 in 100 mL.
#[test]
fn an_additive_in_a_dose_no_one_orders_is_seen() {
    let with = |amount: &str| {
        let all = found(
            "UNT-05",
            &format!(
                "{ADULT}rate = \"60 mL/h\"\nadditives = [{{ product = \"PROT\", amount = \"{amount} {{dose}}\", per = \"day\" }}]\n"
            ),
        );
        all.into_iter()
            .find(|f| f.fix.as_deref() == Some("Check the decimal point and the unit of the additive's amount."))
    };
    assert!(with("1").is_none());
    let f = with("0.9").unwrap();
    assert!(f.text.ends_with(": 0.9 of a dose is not one that is given."), "{}", f.text);
    assert_eq!((f.tier, f.arithmetic.as_deref()), (Tier::High, Some("0.9 doses")));
    // 1440 mL bring 1440 kcal and A10's protein; packets bring more than half of the whole when they bring more than the feed.
    let f = with("100").unwrap();
    assert!(f.text.ends_with("it would be more than half of the day's energy or protein."), "{}", f.text);
    assert_eq!(f.arithmetic.as_deref(), Some("2500 kcal and 600 g protein from 100 units"));
    assert!(with("3").is_none());
}

#[test]
fn routes_that_are_not_into_the_gut_stop_the_order() {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let says = |text: &str| {
        let new =
            plain.replace("\"routeofAdministration\":{", &format!("\"routeofAdministration\":{{\"text\":\"{text}\","));
        assert_ne!(new, plain);
        matches!(judged("RTE-06", &new), Outcome::Flagged(all) if all[0].tier == Tier::Stop)
    };
    for text in ["intravenous", "Intravenously", "IV", "via CVC", "picc line", "parenteral", "(iv)"] {
        assert!(says(text), "{text}");
    }
    for text in ["nasogastric", "given by ivory tube", "enteral"] {
        assert!(!says(text), "{text}");
    }
    let coded = |code: &str| {
        let route = format!("http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|{code}");
        outcome("RTE-06", &format!("{ADULT}rate = \"60 mL/h\"\nroute = \"{route}\"\n"))
    };
    // v3-RouteOfAdministration: injections and infusions, into veins, muscles, joints.
    for code in ["IV", "IM", "SQ", "IVPUSH", "IPINJ"] {
        assert!(matches!(coded(code), Outcome::Flagged(_)), "{code}: {:?}", coded(code));
    }
    for code in ["NGT", "GT", "OGT", "GJT", "JJTINSTL", "EFT", "ENTINSTL", "PO"] {
        assert!(matches!(coded(code), Outcome::Clear), "{code}: {:?}", coded(code));
    }
    assert!(matches!(
        outcome("RTE-06", &format!("{ADULT}rate = \"60 mL/h\"\nroute = \"none\"\n")),
        Outcome::NotApplicable(_)
    ));
}

/// z-scores from the WHO Child Growth Standards: a girl of 24 months weighs 11.5 kg in the median.
#[test]
fn a_weight_in_pounds_is_offered_only_where_it_fits() {
    let girl = |kg: &str| {
        found(
            "WGT-01",
            &format!(
                "age = \"24 mo\"\nsex = \"female\"\nweight = \"{kg} kg\"\nproduct = \"PED10\"\nrate = \"40 mL/h\"\n"
            ),
        )
    };
    assert!(girl("11.5").is_empty());
    // 26 lb = 11.79 kg.
    let f = girl("26").remove(0);
    assert_eq!(f.tier, Tier::High);
    assert!(
        f.fix
            .as_deref()
            .unwrap()
            .starts_with("Check unit, patient and age. If the number is in pounds, the weight is 11.79 kg (z 0."),
        "{f:?}"
    );
    assert!(
        f.arithmetic.as_deref().unwrap().starts_with("weight-for-age z of 26 kg at 731 days: ")
            || f.arithmetic.as_deref().unwrap().starts_with("weight-for-age z of 26 kg at 730 days: "),
        "{f:?}"
    );
    // 45 lb = 20.4 kg does not fit either.
    assert_eq!(girl("45").remove(0).fix.as_deref(), Some("Check unit, patient and age."));
}

#[test]
fn a_flush_that_is_not_daily_is_none_on_most_days() {
    let flush = |every: &str| {
        outcome(
            "TUB-01",
            &format!("{ADULT}rate = \"60 mL/h\"\nflush = {{ volume = \"30 mL\", every = \"{every}\" }}\n"),
        )
    };
    for every in ["4 h", "1 d", "24 h"] {
        assert!(matches!(flush(every), Outcome::Clear), "{every}: {:?}", flush(every));
    }
    match flush("2 d") {
        Outcome::Flagged(all) => {
            assert_eq!(
                (all[0].tier, words(&all[0])),
                (Tier::Med, ("A water flush is not ordered for every day.", "", "Check how often the flush is given."))
            );
        }
        other => panic!("{other:?}"),
    }
    match outcome("TUB-01", &format!("{ADULT}rate = \"60 mL/h\"\n")) {
        Outcome::Flagged(all) => assert_eq!(
            words(&all[0]),
            ("No water flush is ordered.", "", "Add a water flush: its volume, and how often or with which feeds.")
        ),
        other => panic!("{other:?}"),
    }
}

/// A pause of more than an hour, a start of more than 30 days, feeds on some days only.
#[test]
fn days_and_hours_without_feed_are_said() {
    let all = |given: &str| found("CON-09", &format!("{ADULT}{given}"));
    let volume = |every: &str| all(&format!("volume = \"300 mL\"\nevery = \"{every}\"\n"));
    for every in ["4 h", "12 h", "1 d", "24 h"] {
        assert!(volume(every).is_empty(), "{every}: {:?}", volume(every));
    }
    for (every, says) in [
        ("2 d", "The feed is ordered once in 2 days, not for every day."),
        ("36 h", "The feed is ordered once in 1.5 days, not for every day."),
        ("1 wk", "The feed is ordered once in 7 days, not for every day."),
    ] {
        let f = volume(every);
        assert_eq!(
            (f[0].tier, words(&f[0])),
            (Tier::Med, (says, "", "State how often a day, or on which days of the week."))
        );
    }
    let f = volume("2 d").into_iter().find(|f| f.text.starts_with("The schedule leaves")).unwrap();
    assert_eq!(
        words(&f),
        (
            "The schedule leaves days on which nothing is fed.",
            "from 0 mL on some days, 150 mL in the mean",
            "Check period and unit of the schedule, or confirm the days without feed."
        )
    );
    // The order is of 2026-11-25, 08:00.
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let starts = |start: &str| {
        let new = plain.replace("{\"start\":\"2026-11-25T08:00:00Z\"}", &format!("{{\"start\":\"{start}\"}}"));
        assert_ne!(new, plain);
        match judged("CON-09", &new) {
            Outcome::Flagged(all) => all,
            _ => Vec::new(),
        }
    };
    for near in ["2026-12-25T08:00:00Z", "2026-10-26T08:00:00Z", "2026-11-25T09:00:00Z"] {
        assert!(starts(near).is_empty(), "{near}: {:?}", starts(near));
    }
    let f = starts("2026-12-26T08:00:00Z");
    assert_eq!(
        words(&f[0]),
        ("The schedule starts 31 days after the order's own date.", "", "Check the date of the start.")
    );
    let f = starts("2025-11-25T08:00:00Z");
    assert_eq!(words(&f[0]).0, "The schedule starts 365 days before the order's own date.");
}

/// 5 % and less is a reminder.
#[test]
fn a_density_beside_the_products_own_is_told_apart() {
    let density = |d: &str| found("CON-04", &format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"{d} kcal/mL\"\n"));
    assert!(density("1").is_empty());
    assert_eq!(density("1.05")[0].tier, Tier::Low);
    assert_eq!(density("0.95")[0].tier, Tier::Low);
    assert_eq!(density("1.06")[0].tier, Tier::Med);
    assert_eq!(density("0.94")[0].tier, Tier::Med);
    let f = density("1.5").remove(0);
    assert_eq!(words(&f).1, "1.5 kcal/mL against 1 kcal/mL: 50 %");
    assert!(words(&f).2.starts_with("Confirm the strength; the formulary has "), "{f:?}");
    assert!(words(&f).0.starts_with("The order says 1.5 kcal/mL, the formulary 1 kcal/mL for "), "{f:?}");
}

#[test]
fn a_maximum_below_or_far_above_the_schedule_is_said() {
    let cap = |cap: &str| found("CON-03", &format!("{ADULT}rate = \"60 mL/h\"\ncap = \"{cap}\"\n"));
    // 60 × 24 = 1440; a fifth more is 1728.
    for fits in ["1440 mL/d", "1728 mL/d"] {
        assert!(cap(fits).is_empty(), "{fits}: {:?}", cap(fits));
    }
    let f = cap("1729 mL/d").remove(0);
    assert_eq!((f.tier, label(&f)), (Tier::Med, "Maximum volume 1440 mL"));
    assert_eq!(
        words(&f),
        (
            "The maximum of 1729 mL is 20 % above the 1440 mL that the schedule gives: it may be from another order.",
            "1729 mL ÷ 1440 mL − 1 = 20 %",
            "A maximum of 1440 mL fits the schedule."
        )
    );
    let f = cap("1200 mL/d").remove(0);
    assert_eq!((f.tier, label(&f)), (Tier::High, "Maximum volume 1440 mL"));
    assert_eq!(words(&f).1, "schedule 1440 mL − maximum 1200 mL = 240 mL; reached 20 h after the day begins");
    assert_eq!(words(&f).2, "Raise the maximum to 1440 mL, or lower the schedule to 1200 mL a day.");
    assert!(f.text.starts_with("The schedule gives up to 1440 mL, the maximum is 1200 mL: it is reached at "), "{f:?}");
    assert!(f.text.contains(", 240 mL short."), "{f:?}");
    // What is advised lies within what it is advised for: 60.01 × 24 = 1440.24, and 1199.6 at most.
    let cap = |cap: &str| found("CON-03", &format!("{ADULT}rate = \"60.01 mL/h\"\ncap = \"{cap}\"\n")).remove(0);
    let f = cap("1199.6 mL/d");
    assert_eq!(label(&f), "Maximum volume 1441 mL");
    assert_eq!(words(&f).2, "Raise the maximum to 1441 mL, or lower the schedule to 1199 mL a day.");
    let f = cap("1800 mL/d");
    assert_eq!((label(&f), words(&f).2), ("Maximum volume 1441 mL", "A maximum of 1441 mL fits the schedule."));
    assert!(matches!(outcome("CON-03", &format!("{ADULT}rate = \"60 mL/h\"\n")), Outcome::NotApplicable(_)));
}

/// Rate × duration against the volume: apart by more than 2 % and 5 mL, under 10 kg 1 mL.
#[test]
fn rate_duration_and_volume_have_to_agree() {
    let of = |weight: &str, volume: &str, rate: &str, hours: &str| {
        let given = format!(
            "age = \"70 a\"\nsex = \"male\"\nweight = \"{weight} kg\"\nproduct = \"A10\"\nvolume = \"{volume} mL\"\nfeeds = 2\nover = \"{hours} h\"\n"
        );
        let plain = compose(&given);
        let quantity = format!(
            "\"rateQuantity\":{{\"value\":{rate},\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"}},\"schedule\":"
        );
        let new = plain.replace("\"schedule\":", &quantity);
        assert_ne!(new, plain);
        match judged("CON-01", &new) {
            Outcome::Flagged(all) => all,
            Outcome::Clear => Vec::new(),
            other => panic!("{other:?}"),
        }
    };
    // 100 mL: 5 mL; 500 mL: 10 mL; a light person: 1 mL, or 2 %.
    for (weight, volume, rate, apart) in [
        ("60", "100", "52.5", false),
        ("60", "100", "52.6", true),
        ("60", "100", "47.5", false),
        ("60", "100", "47.4", true),
        ("60", "500", "255", false),
        ("60", "500", "255.1", true),
        ("9.9", "40", "20.5", false),
        ("9.9", "40", "20.6", true),
        ("10", "40", "20.6", false),
        ("9.9", "100", "51", false),
        ("9.9", "100", "51.1", true),
    ] {
        assert_eq!(!of(weight, volume, rate, "2").is_empty(), apart, "{weight} kg: {volume} mL at {rate} mL/h in 2 h");
    }
    let f = of("60", "100", "60", "2").remove(0);
    assert_eq!((f.tier, label(&f)), (Tier::High, "Rate 50 mL/h"));
    assert_eq!(
        words(&f),
        (
            "The rate over the duration gives 120 mL, the stated volume is 100 mL: 20 mL apart.",
            "60 mL/h × 2 h = 120 mL; stated 100 mL",
            "50 mL/h gives 100 mL in 2 h; 60 mL/h takes 1.67 h."
        )
    );
}

#[test]
fn a_feed_longer_than_its_interval_overlaps_the_next() {
    let of =
        |hours: &str| found("CON-05", &format!("{ADULT}volume = \"240 mL\"\nevery = \"4 h\"\nover = \"{hours} h\"\n"));
    assert!(of("4").is_empty());
    let f = of("4.5").remove(0);
    assert_eq!(f.tier, Tier::High);
    assert_eq!(f.text, "Each feed lasts 4.5 h, but the next one begins after 4 h: the feeds overlap.");
    assert_eq!(f.arithmetic.as_deref(), Some("duration 4.5 h; interval 4 h"));
    assert_eq!(
        f.fix.as_deref(),
        Some("A rate of at least 60 mL/h gives 240 mL within 4 h; or order it as a continuous feed.")
    );
}

#[test]
fn orders_beside_each_other_are_told_apart() {
    let with = |other: &str| found("CON-08", &format!("{ADULT}rate = \"60 mL/h\"\nother-orders = [{{ {other} }}]\n"));
    let f = with("product = \"A10\", rate = \"60 mL/h\"").remove(0);
    assert_eq!((f.tier, f.fix.as_deref()), (Tier::Med, Some("End one of the orders, or confirm that both are meant.")));
    let f = with("product = \"A15\", rate = \"20 mL/h\"").remove(0);
    assert_eq!(
        (f.tier, f.fix.as_deref()),
        (Tier::High, Some("End one of the orders, or confirm that both are meant."))
    );
    assert!(f.text.contains("runs at the same times"), "{f:?}");
    // At other times nothing has to be ended.
    let night = |start: &str| format!("{ADULT}rate = \"60 mL/h\"\nhours = \"8 h\"\nstart = \"{start}\"\n");
    let f = found(
        "CON-08",
        &format!(
            "{}other-orders = [{{ product = \"A15\", rate = \"20 mL/h\", hours = \"4 h\", start = \"18:00\" }}]\n",
            night("08:00")
        ),
    )
    .remove(0);
    assert!(f.tier == Tier::Low && f.fix.is_none() && f.text.contains("runs at other times"), "{f:?}");
}

/// How old a weight may be (common practice, no source): newborn in hospital 2 d, infant 7 d, child 30 d, adult in hospital
/// 7 d, adult at home 90 d; where the place decides and was not sent, nothing is said.
#[test]
fn a_weight_may_be_so_old() {
    enum Is {
        Fresh,
        Open,
        Old,
    }
    let hospital = "ward = \"W3\"\n";
    let home = "setting = \"home\"\n";
    for (age, place, days, want) in [
        ("70 a", "", 7, Is::Fresh),
        ("70 a", "", 8, Is::Open),
        ("70 a", "", 90, Is::Open),
        ("70 a", "", 91, Is::Old),
        ("70 a", hospital, 7, Is::Fresh),
        ("70 a", hospital, 8, Is::Old),
        ("70 a", home, 90, Is::Fresh),
        ("70 a", home, 91, Is::Old),
        ("17 a", home, 30, Is::Fresh),
        ("17 a", home, 31, Is::Old),
        ("2 a", hospital, 30, Is::Fresh),
        ("2 a", hospital, 31, Is::Old),
        ("6 mo", home, 7, Is::Fresh),
        ("6 mo", home, 8, Is::Old),
        ("20 d", hospital, 2, Is::Fresh),
        ("20 d", hospital, 3, Is::Old),
        ("20 d", home, 7, Is::Fresh),
        ("20 d", home, 8, Is::Old),
        ("20 d", "", 2, Is::Fresh),
        ("20 d", "", 3, Is::Open),
        ("20 d", "", 8, Is::Old),
        ("30 d", hospital, 3, Is::Fresh),
    ] {
        let given = format!(
            "age = \"{age}\"\nsex = \"male\"\nweight = \"6 kg\"\nweight-age = \"{days} d\"\nproduct = \"A10\"\nrate = \"6 mL/h\"\n{place}"
        );
        let came = outcome("CMP-02", &given);
        let right = match want {
            Is::Fresh => matches!(came, Outcome::Clear),
            Is::Open => matches!(came, Outcome::NotEvaluated(..)),
            Is::Old => matches!(came, Outcome::Flagged(_)),
        };
        assert!(right, "{age}, {place} {days} d: {came:?}");
    }
    let f = one(
        "CMP-02",
        "age = \"17 a\"\nsex = \"male\"\nweight = \"60 kg\"\nweight-age = \"45 d\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\n",
    );
    assert_eq!(
        (f.tier, words(&f)),
        (
            Tier::High,
            (
                "The weight of 60 kg is 45 days old; for this patient it should be at most 30.",
                "",
                "Weigh again, and state which weight is meant."
            )
        )
    );
    let f = one("CMP-02", "age = \"17 a\"\nsex = \"male\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\n");
    assert_eq!(words(&f).0, "There is no dosing weight: nothing could be reckoned per kg.");
    assert_eq!(words(&f).2, "Send the latest body weight with its date (LOINC 29463-7).");
}

#[test]
fn what_an_order_leaves_out_is_listed_once() {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    assert!(matches!(judged("CMP-01", &plain), Outcome::Clear));
    let without = |member: &str, other: &str| {
        let new = plain.replace(member, other);
        assert_ne!(new, plain, "{member}");
        match judged("CMP-01", &new) {
            Outcome::Flagged(all) => all.into_iter().next().unwrap(),
            other => panic!("{member}: {other:?}"),
        }
    };
    let f = without("\"orderer\":{\"reference\":\"Practitioner/x\"},", "");
    assert_eq!((f.tier, words(&f)), (Tier::High, ("The order does not state: prescriber.", "", "State: prescriber.")));
    assert!(without("\"gender\":\"male\",", "").text.contains("sex"));
    assert!(without("\"baseFormulaProductName\":\"A10\",", "").text.contains("formula"));
    assert!(
        without("\"birthDate\":", "\"deceasedBoolean\":false,\"_birthDate\":{\"id\":\"x\"},\"language\":")
            .text
            .contains("birth date")
    );
    let given = |more: &str| one("CMP-01", &format!("age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\n{more}"));
    assert_eq!(
        given("product = \"A10\"\nrate = \"60 mL/h\"\nroute = \"none\"\n").text,
        "The order does not state: route."
    );
    // Water alone is no feed, and the feed may be ordered beside it.
    let water = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"WATER\"\nrate = \"60 mL/h\"\n";
    assert!(
        matches!(outcome("CMP-01", water), Outcome::NotEvaluated(why, _) if why.starts_with("feed (only water is ordered"))
    );
}

#[test]
fn an_order_without_an_entry_lacks_only_what_its_product_does_not_give() {
    let given = |more: &str| one("CMP-01", &format!("age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\n{more}")).text;
    let lacks = |what: &str| format!("The order does not state: {what}.");
    let amount = "rate or volume with a schedule";
    for (product, missing) in [
        // The row has 1 kcal/mL.
        ("product = \"A10\"\n", lacks(amount)),
        ("product = \"A10\"\nflush = { volume = \"30 mL\", every = \"4 h\" }\n", lacks(amount)),
        // No product of that name, with and without a density in the order.
        ("product = \"Nobody's\"\n", lacks(&format!("energy density; {amount}"))),
        ("product = \"Nobody's\"\ndensity = \"1 kcal/mL\"\n", lacks(amount)),
        // Its figures are per 100 kcal: how strong it is mixed is for the order to say.
        ("product = \"INF\"\n", lacks(&format!("energy density; {amount}"))),
        ("product = \"INF\"\ndensity = \"0.67 kcal/mL\"\n", lacks(amount)),
        // Given by the packet, so there is no energy per mL.
        ("product = \"PROT\"\n", lacks(&format!("energy density; {amount}"))),
        // Water has none.
        ("product = \"WATER\"\n", lacks(amount)),
    ] {
        assert_eq!(given(product), missing, "{product}");
    }
}

#[test]
fn free_text_is_quoted_and_cut() {
    let note = |text: &str| one("CMP-03", &format!("{ADULT}rate = \"60 mL/h\"\nnote = \"{text}\"\n"));
    let f = note("hold at night");
    assert_eq!(
        (f.tier, words(&f)),
        (
            Tier::Med,
            (
                "Free text that may change the dose was not counted: “hold at night”.",
                "",
                "Move amounts, times and holds into the coded order."
            )
        )
    );
    let f = note("Family informed.");
    assert_eq!((f.tier, words(&f)), (Tier::Low, ("Free text was not counted: “Family informed.”.", "", "")));
    // What is neither is not understood, and quoted all the same.
    let open = |text: &str| match outcome("CMP-03", &format!("{ADULT}rate = \"60 mL/h\"\nnote = \"{text}\"\n")) {
        Outcome::NotEvaluated(why, at) => {
            assert_eq!(at.len(), 1);
            why
        }
        other => panic!("{text}: {other:?}"),
    };
    assert_eq!(
        open("see the diary"),
        "free text that is not understood here may change the dose: “see the diary”; move what it says into coded fields, \
         or confirm that it changes nothing"
    );
    let long = "y".repeat(120);
    assert!(open(&long).contains(&format!(": “{long}”;")));
    assert!(open(&format!("{long}y")).contains(&format!(": “{long}…”;")));
    // What a display would obey or hide is shown as a symbol.
    assert!(open("see \u{202e} diary").contains("see \u{fffd} diary"));
    assert!(open("see \u{200b}diary").contains("see \u{fffd}diary"));
    for text in ["5ml", "5 ml", "give 2.5 g", "1.5kcal/ml", "12 x", "ml", "5 beds", "5", "b5ml", "x 12"] {
        assert_eq!(note(text).tier, Tier::Med, "{text}");
    }
    assert!(!flags("CMP-03", &format!("{ADULT}rate = \"60 mL/h\"\nnote = \"  \"\n")));
}

#[test]
fn products_and_additives_that_cannot_be_counted_are_said() {
    let f = one(
        "INT-04",
        "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"Something Else\"\nrate = \"60 mL/h\"\n",
    );
    assert_eq!(
        (f.tier, words(&f)),
        (
            Tier::Med,
            (
                "“Something Else” (formula) is not in the formulary: its nutrients, water and minerals could not be computed.",
                "",
                "Add the product to the formulary, or order it by the formulary's code or name."
            )
        )
    );
    assert!(matches!(outcome("INT-04", &format!("{ADULT}rate = \"60 mL/h\"\n")), Outcome::Clear));
    let with = |additives: &str| found("INT-05", &format!("{ADULT}rate = \"60 mL/h\"\nadditives = [{additives}]\n"));
    let packet = "{ product = \"PROT\", amount = \"2 {dose}\", per = \"day\" }";
    let oil = "{ product = \"MCT\", amount = \"10 mL\", per = \"day\" }";
    assert!(with(packet).is_empty());
    assert!(with(&format!("{packet}, {oil}")).is_empty());
    let f = with(&format!("{packet}, {packet}"));
    assert_eq!((f.len(), f[0].tier, f[0].text.as_str()), (1, Tier::Med, "“PROT” is ordered twice; both were counted."));
    let f = with("{ product = \"PROT\" }");
    assert_eq!(f.len(), 1);
    assert!(
        f[0].text.starts_with("“PROT” was not counted: ") && f[0].text.ends_with(". Totals are “at least”."),
        "{f:?}"
    );
    assert_eq!(words(&f[0]).2, "State the amount with what it is per: a day, a feed, or a volume of feed.");
    for (additive, why) in [
        ("{ product = \"a powder that nobody knows\" }", "it is ordered without an amount"),
        (
            "{ product = \"a powder that nobody knows\", amount = \"2 {dose}\", per = \"day\" }",
            "it is not in the formulary",
        ),
    ] {
        let f = with(additive);
        assert!(f[0].text.contains(why), "{f:?}");
    }
    match outcome(
        "INT-06",
        "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"Something Else\"\nrate = \"60 mL/h\"\n",
    ) {
        Outcome::NotEvaluated(why, _) => {
            assert!(
                why.starts_with("not known for the day: ") && why.contains("nergy") && why.contains("rotein"),
                "{why}"
            );
            assert!(!why.contains("olume ("), "the volume is known: {why}");
        }
        other => panic!("{other:?}"),
    }
    assert!(matches!(outcome("INT-06", &format!("{ADULT}rate = \"60 mL/h\"\n")), Outcome::Clear));
}

/// A single feed has its own speed, unless it is the volume of a day.
#[test]
fn the_speed_of_a_single_feed_is_no_daily_volume() {
    let of = |volume: &str, rate: &str| {
        let plain = compose(&format!("{ADULT}volume = \"{volume} mL\"\nfeeds = 2\n"));
        let quantity = format!(
            "\"rateQuantity\":{{\"value\":{rate},\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"}},\"schedule\":"
        );
        let new = plain.replace("\"schedule\":", &quantity);
        assert_ne!(new, plain);
        matches!(judged("UNT-04", &new), Outcome::Flagged(_))
    };
    assert!(!of("600", "500"));
    assert!(of("601", "500"));
    assert!(!of("601", "400"));
    assert!(!of("240", "480"));
}

/// The bands of a day's energy and volume change on the birthday itself: 4 to 9 years 25 to 140 kcal/kg, before 35 to 180;
/// a day at the lower end of its band lies in it.
#[test]
fn bands_change_with_the_birthday() {
    let day = |age: &str, kg: &str, rate: &str| {
        let given = format!(
            "age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\nrate = \"{rate} mL/h\"\n"
        );
        found("UNT-05", &given).into_iter().map(|f| f.text).filter(|t| t.starts_with("The day's")).collect::<Vec<_>>()
    };
    // 16 kg: 105 mL/h are 2520 kcal, 157.5 kcal/kg and mL/kg. Under four years a little less than 180 and 165.
    assert!(day("47 mo", "16", "105").is_empty(), "{:?}", day("47 mo", "16", "105"));
    let four = day("4 a", "16", "105");
    assert_eq!(four.len(), 2, "{four:?}");
    assert!(four[0].contains("energy of 157.5 kcal/kg") && four[1].contains("157.5 mL/kg"), "{four:?}");
    // An adult of 60 kg: 25 mL/h are 10 kcal/kg, the end of the band; 20 are 8 kcal/kg, a tenth of 80, and 8 mL/kg, the end
    // of the other.
    assert!(day("70 a", "60", "25").is_empty());
    let low = day("70 a", "60", "20");
    assert!(low.len() == 1 && low[0].contains("energy of 8 kcal/kg"), "{low:?}");
    // 200 mL/h are 80 kcal/kg and mL/kg.
    assert!(day("70 a", "60", "200").is_empty());
    assert_eq!(day("70 a", "60", "200.1").len(), 2);
}

/// Weights past five years: 8 to 120 kg under ten, 13 to 300 under eighteen, 20 and more for adults (from memory).
#[test]
fn weights_past_the_table_have_bounds() {
    let at = |age: &str, kg: &str| {
        flags(
            "WGT-01",
            &format!("age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\nrate = \"20 mL/h\"\n"),
        )
    };
    for (age, kg, said) in [
        ("9 a", "8", false),
        ("9 a", "7.9", true),
        ("9 a", "120", false),
        ("9 a", "120.1", true),
        ("10 a", "12.9", true),
        ("10 a", "13", false),
        ("10 a", "121", false),
        ("17 a", "300", false),
        ("17 a", "300.1", true),
        ("18 a", "19.9", true),
        ("18 a", "20", false),
        ("18 a", "301", false),
    ] {
        assert_eq!(at(age, kg), said, "{age} {kg} kg");
    }
}

/// Before term no growth chart counts: 0.3 to 5.5 kg. In the first 14 days half to twice the birth weight (both from memory).
#[test]
fn weights_before_term_have_bounds() {
    let at = |age: &str, kg: &str, more: &str| {
        found(
            "WGT-01",
            &format!(
                "age = \"{age}\"\nsex = \"male\"\ngestation = \"30 wk\"\nweight = \"{kg} kg\"\nproduct = \"HM\"\nvolume = \"10 mL\"\nfeeds = 8\n{more}"
            ),
        )
    };
    for (kg, said) in [("0.299", true), ("0.3", false), ("1.05", false), ("5.5", false), ("5.501", true)] {
        assert_eq!(!at("30 d", kg, "").is_empty(), said, "{kg}");
    }
    let slipped = at("10 d", "10.5", "").remove(0);
    assert_eq!(
        (slipped.tier, words(&slipped)),
        (
            Tier::High,
            (
                "A weight of 10.5 kg is implausible before term: everything per kg rests on it.",
                "10.5 kg; between 0.3 and 5.5 kg before term",
                "Check weight, unit, birth date and patient. If the decimal point slipped, the weight is 1.05 kg."
            )
        )
    );
    let born = "birth-weight = \"1.2 kg\"\n";
    for (age, kg, said) in [
        ("14 d", "2.4", false),
        ("14 d", "2.41", true),
        ("14 d", "0.6", false),
        ("14 d", "0.59", true),
        ("15 d", "2.41", false),
    ] {
        assert_eq!(!at(age, kg, born).is_empty(), said, "{age} {kg}");
    }
    let light = at("5 d", "0.5", "birth-weight = \"3.4 kg\"\n").remove(0);
    assert_eq!(
        words(&light),
        (
            "A weight of 0.5 kg does not fit the birth weight of 3.4 kg in the first 14 days: everything per kg rests on it.",
            "0.5 kg; between 1.7 and 6.8 kg, half and twice the birth weight",
            "Check weight, unit, birth date and patient. If the decimal point slipped, the weight is 5 kg."
        )
    );
}

/// The rate for a small infant is rounded down in tenths: whole mL/h would double it. From 10 kg on it is a whole number.
#[test]
fn the_rate_in_place_of_single_feeds_is_never_more() {
    let fix = |who: &str, volume: &str, feeds: u32, product: &str| {
        one(
            "RTE-01",
            &format!(
                "{who}\nproduct = \"{product}\"\nvolume = \"{volume} mL\"\nfeeds = {feeds}\nroute = \"post-pyloric\"\n"
            ),
        )
        .fix
        .unwrap()
    };
    let preterm = "age = \"8 d\"\ngestation = \"25 wk\"\nsex = \"male\"\nweight = \"0.6 kg\"";
    // 8 × 1.5 = 12 mL ÷ 24 h = 0.5 mL/h; 8 × 1.6 = 12.8 mL: 0.53 mL/h.
    assert_eq!(
        fix(preterm, "1.5", 8, "HM"),
        "Give 12 mL a day by pump: 0.5 mL/h, set 0.5 mL/h (12 mL); or move the tip to the stomach."
    );
    assert_eq!(
        fix(preterm, "1.6", 8, "HM"),
        "Give 12.8 mL a day by pump: 0.53 mL/h, set 0.5 mL/h (12 mL); or move the tip to the stomach."
    );
    // 8 × 0.2 = 1.6 mL ÷ 24 h = 0.07 mL/h: no tenth lies below.
    assert_eq!(fix(preterm, "0.2", 8, "HM"), "Give 1.6 mL a day by pump: 0.07 mL/h; or move the tip to the stomach.");
    // 8 × 12.6 mL = 100.8 mL ÷ 24 h = 4.2 mL/h.
    for (kg, set) in [("9.9", "4.2 mL/h (100.8 mL)"), ("10", "5 mL/h (120 mL)")] {
        let year = format!("age = \"13 mo\"\nsex = \"male\"\nweight = \"{kg} kg\"");
        assert!(fix(&year, "12.6", 8, "PED10").contains(&format!("set {set}")), "{kg}");
    }
    let adult = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"";
    // 6 × 250 = 1500 mL ÷ 24 h = 62.5 mL/h.
    assert_eq!(
        fix(adult, "250", 6, "A10"),
        "Give 1500 mL a day by pump: 62.5 mL/h, set 63 mL/h (1512 mL); or move the tip to the stomach."
    );
}

/// Newborns' lines are cleared with air or a few drops: no flush is LOW there, until 29 days or 44 weeks after the last
/// period.
#[test]
fn a_newborn_without_a_flush_is_a_reminder() {
    let tier = |age: &str, gestation: &str| {
        one("TUB-01", &format!("age = \"{age}\"\ngestation = \"{gestation} wk\"\nsex = \"male\"\nweight = \"3 kg\"\nproduct = \"HM\"\nvolume = \"50 mL\"\nfeeds = 8\n")).tier
    };
    assert_eq!(tier("28 d", "40"), Tier::Low);
    assert_eq!(tier("29 d", "40"), Tier::Med, "44 weeks and a day");
    assert_eq!(tier("97 d", "30"), Tier::Low, "43 weeks and 6 days");
    assert_eq!(tier("98 d", "30"), Tier::Med, "44 weeks");
}

/// What a status or an intent leaves open is said; an order that runs says nothing.
#[test]
fn the_life_of_an_order_is_said() {
    let says = |more: &str| {
        found("LIF-03", &format!("{ADULT}rate = \"60 mL/h\"\n{more}"))
            .into_iter()
            .map(|f| (f.tier, f.text))
            .collect::<Vec<_>>()
    };
    assert_eq!(says("status = \"active\"\n"), []);
    for (more, text) in [
        ("status = \"on-hold\"\n", "The order is on hold: it is computed as if it ran."),
        ("status = \"unknown\"\n", "The order's status is unknown: it is computed as if it ran."),
        ("intent = \"plan\"\n", "The intent is not that of an order for use; it is computed all the same."),
    ] {
        assert_eq!(says(more), [(Tier::Low, text.to_owned())], "{more}");
    }
}

/// How old a weight may be changes on the eighteenth birthday: a child's 30 days, an adult's at home 90.
#[test]
fn an_adult_at_home_is_weighed_less_often() {
    let old = |age: &str, days: u32| {
        let given = format!(
            "age = \"{age}\"\nsex = \"male\"\nweight = \"60 kg\"\nweight-age = \"{days} d\"\nsetting = \"home\"\nproduct = \"A10\"\nrate = \"60 mL/h\"\n"
        );
        flags("CMP-02", &given)
    };
    for (age, days, said) in [
        ("17 a", 30, false),
        ("17 a", 32, true),
        ("18 a", 32, false),
        ("18 a", 90, false),
        ("18 a", 92, true),
        ("11 mo", 7, false),
        ("11 mo", 9, true),
        ("1 a", 9, false),
    ] {
        assert_eq!(old(age, days), said, "{age} {days} d");
    }
}

/// The bands of ten and of eighteen years: 25 to 140, 15 to 100 and 10 to 80 kcal/kg; 25 to 130, 15 to 100 and 8 to 80 mL/kg.
#[test]
fn bands_change_at_ten_and_at_eighteen() {
    let day = |age: &str, product: &str, kg: &str, rate: &str| {
        let given = format!(
            "age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"{product}\"\nrate = \"{rate} mL/h\"\n"
        );
        found("UNT-05", &given).into_iter().filter(|f| f.text.starts_with("The day's")).count()
    };
    // 30 kg: 150 mL/h are 120 mL/kg. 50 kg: 187.5 mL/h are 90 mL/kg.
    assert_eq!((day("9 a", "A10", "30", "150"), day("10 a", "A10", "30", "150")), (0, 2));
    assert_eq!((day("17 a", "A10", "50", "187.5"), day("18 a", "A10", "50", "187.5")), (0, 2));
    // 8 mL/kg of 1.5 kcal/mL are 12 kcal/kg.
    assert_eq!(day("70 a", "A15", "60", "20"), 0);
}

/// A tenth of a year's difference: up to the first birthday a flush of more than 2 × 3 mL/kg is a slip, then 2 × 5.
#[test]
fn flushes_of_a_year_old_may_be_larger() {
    let slips = |age: &str| {
        let given = format!(
            "age = \"{age}\"\nsex = \"male\"\nweight = \"10 kg\"\nproduct = \"PED10\"\nrate = \"40 mL/h\"\nflush = {{ volume = \"80 mL\", every = \"12 h\" }}\n"
        );
        found("UNT-05", &given).into_iter().filter(|f| f.text.to_lowercase().contains("flush")).count()
    };
    assert_eq!((slips("11 mo"), slips("1 a")), (1, 0));
}

/// Fortifier in human milk: 1 to 10 units in 100 mL (common practice, no source); in a formula it is another matter.
#[test]
fn a_fortifier_is_mixed_in_a_strength() {
    let with = |product: &str, amount: &str| {
        let given = format!(
            "age = \"14 d\"\ngestation = \"30 wk\"\nsex = \"male\"\nweight = \"1.5 kg\"\nproduct = \"{product}\"\nvolume = \"25 mL\"\nfeeds = 8\nadditives = [{{ product = \"HMF\", amount = \"{amount} /(100.mL)\" }}]\n"
        );
        found("UNT-05", &given)
            .into_iter()
            .find(|f| f.text.contains("units in 100 mL are not a strength"))
            .map(|f| f.arithmetic)
    };
    assert_eq!(with("HM", "4"), None);
    assert_eq!(with("HM", "1"), None);
    assert_eq!(with("HM", "10"), None);
    assert_eq!(with("HM", "0.9"), Some(Some("0.9 units per 100 mL".to_owned())));
    assert_eq!(with("HM", "10.1"), Some(Some("10.1 units per 100 mL".to_owned())));
    assert_eq!(with("PRE08", "10.1"), None);
}

/// What makes a feed: water with something in it is no feed, a blend has a recipe, a route by mouth is no tube.
#[test]
fn what_is_no_feed_is_said() {
    let person = "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\n";
    let says = |more: &str| match outcome("CMP-01", &format!("{person}{more}")) {
        Outcome::Flagged(all) => all.into_iter().map(|f| f.text).collect::<String>(),
        Outcome::NotEvaluated(why, _) => why,
        _ => String::new(),
    };
    let oil = "additives = [{ product = \"MCT\", amount = \"15 mL\", per = \"day\" }]\n";
    assert!(says(&format!("product = \"WATER\"\nrate = \"60 mL/h\"\n{oil}")).contains("only water is ordered"));
    assert_eq!(says(&format!("product = \"A10\"\nrate = \"60 mL/h\"\n{oil}")), "");
    assert!(says("product = \"BLEND\"\nrate = \"60 mL/h\"\n").contains("recipe of the blend"));
    let unknown = says("product = \"Something Else\"\nrate = \"60 mL/h\"\n");
    assert!(!unknown.contains("recipe of the blend") && unknown.contains("energy density"), "{unknown}");
    let oral = says(
        "product = \"A10\"\nrate = \"60 mL/h\"\nroute = \"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|PO\"\n",
    );
    assert!(oral.contains("tube route (the route is by mouth)"), "{oral}");
    // A tube whose tip may lie anywhere, and a code that says nothing of a tube: neither is a vein.
    for code in ["GJT", "EFT", "ENTINSTL", "XYZ"] {
        let given = format!(
            "product = \"A10\"\nrate = \"60 mL/h\"\nroute = \"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|{code}\"\n"
        );
        assert!(says(&given).contains("site of the tube's tip"), "{code}: {}", says(&given));
        assert!(matches!(outcome("RTE-06", &format!("{person}{given}")), Outcome::Clear), "{code}");
    }
}

/// Zero is no density and no maximum, a negative flush no flush: each is said with what it is.
#[test]
fn amounts_that_are_not_positive_are_said() {
    let says = |bundle: &str| match judged("UNT-08", bundle) {
        Outcome::Flagged(all) => all.into_iter().map(|f| f.text + " ").collect::<String>(),
        _ => String::new(),
    };
    let order = |more: &str| compose(&format!("{ADULT}volume = \"240 mL\"\nfeeds = 5\n{more}"));
    assert_eq!(says(&order("density = \"1 kcal/mL\"\ncap = \"1500 mL/d\"\n")), "");
    for (more, what) in [
        ("density = \"0 kcal/mL\"\n", "energy density"),
        ("density = \"-1 kcal/mL\"\n", "energy density"),
        ("cap = \"0 mL/d\"\n", "maximum volume"),
        ("cap = \"-100 mL/d\"\n", "maximum volume"),
    ] {
        let said = says(&order(more)).to_lowercase();
        assert!(said.contains(what), "{more}: {said}");
    }
    let flush = "\"extension\":[{\"url\":\"https://enteral-gate.example/fhir/StructureDefinition/water-flush\",\"extension\":[{\"url\":\"volume\",\"valueQuantity\":{\"value\":0,\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},{\"url\":\"with-each-feed\",\"valueCode\":\"after\"}]}],\"administration\":";
    let said = says(&order("").replace("\"administration\":", flush)).to_lowercase();
    assert!(said.contains("flush volume"), "{said}");
}

/// A flush with each feed is missing on days without one.
#[test]
fn water_that_goes_with_feeds_is_missing_without_them() {
    let order = |period: &str| {
        let plain = compose(&format!("{ADULT}volume = \"240 mL\"\nfeeds = 2\n"));
        let flush = "\"extension\":[{\"url\":\"https://enteral-gate.example/fhir/StructureDefinition/water-flush\",\"extension\":[{\"url\":\"volume\",\"valueQuantity\":{\"value\":30,\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},{\"url\":\"with-each-feed\",\"valueCode\":\"after\"}]}],\"administration\":";
        plain
            .replace("\"administration\":", flush)
            .replace("\"frequency\":2,\"period\":1", &format!("\"frequency\":1,\"period\":{period}"))
    };
    let said = |period: &str| match judged("TUB-01", &order(period)) {
        Outcome::Flagged(all) => all.into_iter().map(|f| f.text).collect::<String>(),
        _ => String::new(),
    };
    assert_eq!(said("2"), "There are days without any water flush.");
    assert_eq!(said("1"), "");
}

/// Ten feeds in seven days fall on other hours, or none, from day to day.
#[test]
fn feeds_by_the_week_are_not_daily() {
    let plain = compose(&format!("{ADULT}volume = \"240 mL\"\nfeeds = 2\n"));
    let says = |frequency: u32, period: u32, unit: &str| {
        let new = plain.replace("\"frequency\":2", &format!("\"frequency\":{frequency}"));
        let new = new
            .replace("\"period\":1", &format!("\"period\":{period}"))
            .replace("\"periodUnit\":\"d\"", &format!("\"periodUnit\":\"{unit}\""));
        match judged("CON-09", &new) {
            Outcome::Flagged(all) => {
                all.into_iter().map(|f| f.text).filter(|t| t.contains("not for every day")).collect()
            }
            _ => String::new(),
        }
    };
    assert_eq!(says(10, 1, "wk"), "The feed is ordered 10 times in 7 days, not for every day.");
    assert_eq!(says(1, 2, "d"), "The feed is ordered once in 2 days, not for every day.");
    assert_eq!(says(1, 36, "h"), "The feed is ordered once in 1.5 days, not for every day.");
    // Fourteen in a week are two a day, and fifteen more than that.
    for (frequency, period, unit) in [(14, 1, "wk"), (15, 1, "wk"), (1, 1, "d"), (1, 24, "h"), (1, 5, "h")] {
        assert_eq!(says(frequency, period, unit), "", "{frequency} {period} {unit}");
    }
}

/// Water ordered beside a feed is no second feed.
#[test]
fn an_order_of_water_is_no_feed_beside_the_feed() {
    let beside =
        |other: &str| found("CON-08", &format!("{ADULT}rate = \"60 mL/h\"\nother-orders = [{{ {other} }}]\n")).len();
    assert_eq!(beside("product = \"A10\", rate = \"30 mL/h\""), 1);
    assert_eq!(beside("product = \"WATER\", volume = \"100 mL\", feeds = 4"), 0);
}

/// A birth date of which only the year is known: a weight that fits part of the year leaves it open.
#[test]
fn a_weight_that_fits_part_of_the_year_is_left_open() {
    let born = |kg: &str, date: &str| {
        let plain = compose(&format!(
            "birth-date = \"2025-11-25\"\nsex = \"female\"\nweight = \"{kg} kg\"\nproduct = \"PED10\"\nrate = \"10 mL/h\"\n"
        ));
        let new = plain.replace("\"2025-11-25\"", &format!("\"{date}\""));
        assert_ne!(new, plain);
        judged("WGT-01", &new)
    };
    // WHO Child Growth Standards, girls: 0 to 11 months of age on 25 November; 2.0 kg is low at birth and impossible at
    // 10 months; 20 kg is impossible throughout; 8.5 kg is usual at 9 months and impossible at birth.
    assert!(matches!(born("8.5", "2026"), Outcome::NotEvaluated(why, _) if why.contains("full birth date")));
    assert!(matches!(born("2.0", "2026"), Outcome::NotEvaluated(why, _) if why.contains("full birth date")));
    assert!(matches!(born("25", "2026"), Outcome::Flagged(_)));
    assert!(matches!(born("5.5", "2026-08"), Outcome::Clear));
}

/// A product's density is compared where there is a product.
#[test]
fn a_density_is_compared_with_the_products() {
    let order = |product: &str, more: &str| {
        outcome(
            "CON-04",
            &format!(
                "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"{product}\"\nrate = \"60 mL/h\"\n{more}"
            ),
        )
    };
    assert!(matches!(order("A10", ""), Outcome::Clear));
    assert!(matches!(order("A10", "density = \"1 kcal/mL\"\n"), Outcome::Clear));
    assert!(matches!(order("Something Else", "density = \"1 kcal/mL\"\n"), Outcome::NotApplicable(_)));
    let tier = |density: &str| match order("A10", &format!("density = \"{density} kcal/mL\"\n")) {
        Outcome::Flagged(all) => all[0].tier,
        other => panic!("{other:?}"),
    };
    // More than 5 % apart is more than a rounding.
    assert_eq!((tier("1.05"), tier("0.95")), (Tier::Low, Tier::Low));
    assert_eq!((tier("1.051"), tier("0.949")), (Tier::Med, Tier::Med));
}

/// Words of findings: an age that is known is one number, a unit whose text says something else is said, a volume that the
/// rate cannot give in time is reckoned out, and what is wrong with the structure is a sentence.
#[test]
fn findings_are_said_in_full() {
    let f =
        one("WGT-01", "age = \"9 a\"\nsex = \"male\"\nweight = \"7.9 kg\"\nproduct = \"A10\"\nrate = \"20 mL/h\"\n");
    assert_eq!(
        words(&f),
        (
            "A weight of 7.9 kg is implausible at 9 years: everything per kg rests on it.",
            "7.9 kg; between 8 and 120 kg at 9 years",
            "Check weight, unit, birth date and patient."
        )
    );
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    assert!(matches!(judged("UNT-09", &plain), Outcome::Clear));
    let text = plain.replace("\"unit\":\"mL/h\"", "\"unit\":\"L/h\"");
    assert_ne!(text, plain);
    let Outcome::Flagged(all) = judged("UNT-09", &text) else { panic!("{:?}", judged("UNT-09", &text)) };
    assert!(all[0].tier == Tier::High && all[0].text.contains("L/h"), "{:?}", all[0]);
    let feeds = compose(&format!("{ADULT}volume = \"300 mL\"\nevery = \"4 h\"\n"));
    let both = feeds.replace(
        "\"schedule\":",
        "\"rateQuantity\":{\"value\":60,\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"},\"schedule\":",
    );
    let Outcome::Flagged(all) = judged("CON-05", &both) else { panic!("{:?}", judged("CON-05", &both)) };
    assert_eq!(
        words(&all[0]),
        (
            "Each feed lasts 5 h, but the next one begins after 4 h: the feeds overlap.",
            "300 mL ÷ 60 mL/h = 5 h; interval 4 h",
            "A rate of at least 75 mL/h gives 300 mL within 4 h; or order it as a continuous feed."
        )
    );
    let broken = plain.replace("\"status\":\"active\"", "\"status\":\"underway\"");
    assert_ne!(broken, plain);
    let Outcome::Flagged(all) = judged("INT-01", &broken) else { panic!("{:?}", judged("INT-01", &broken)) };
    assert!(all.iter().all(|f| f.code.is_some()), "{all:?}");
    for f in &all {
        assert!(f.text.ends_with('.') && f.text.starts_with(|c: char| !c.is_lowercase()), "{}", f.text);
    }
    assert!(all.iter().any(|f| f.text.contains("underway") || f.text.to_lowercase().contains("status")), "{all:?}");
}

/// A code that the formulary does not have: of a system it uses it contradicts the name, of another it says nothing.
/// Code and name that lead to two products lead to none.
#[test]
fn codes_beside_the_name_are_told_apart() {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let coded = |system: &str, code: &str| {
        let new = plain.replace(
            "\"baseFormulaProductName\":",
            &format!("\"baseFormulaType\":{{\"coding\":[{{\"system\":\"{system}\",\"code\":\"{code}\"}}]}},\"baseFormulaProductName\":"),
        );
        assert_ne!(new, plain);
        match judged("INT-04", &new) {
            Outcome::Flagged(all) => all.into_iter().map(|f| (f.tier, f.fix.unwrap_or_default())).collect(),
            _ => Vec::new(),
        }
    };
    let own = "https://enteral-gate.example/fhir/CodeSystem/invented-products";
    assert_eq!(coded(own, "A10"), []);
    assert_eq!(coded(own, "A12"), [(Tier::High, "Make code and name agree.".to_owned())]);
    assert_eq!(coded(own, "ZZZ"), [(Tier::Med, String::new())]);
    assert_eq!(coded("https://other.example/products", "ZZZ"), [(Tier::Low, String::new())]);
}

#[test]
fn what_is_mixed_in_twice_is_said() {
    let with = |additives: &str| {
        let given = format!(
            "age = \"14 d\"\ngestation = \"30 wk\"\nsex = \"male\"\nweight = \"1.5 kg\"\nproduct = \"HM\"\nvolume = \"25 mL\"\nfeeds = 8\nadditives = [{additives}]\n"
        );
        found("INT-05", &given).into_iter().map(|f| (f.tier, f.text)).collect::<Vec<_>>()
    };
    let fortifier = "{ product = \"HMF\", amount = \"2 /(100.mL)\" }";
    assert_eq!(with(fortifier), []);
    assert_eq!(with(&format!("{fortifier}, {{ product = \"MCT\", amount = \"0.5 mL/(100.mL)\" }}")), []);
    let twice = (Tier::Med, "“Invented Milk Fortifier (HMF)” is mixed in twice; both were counted.".to_owned());
    assert_eq!(with(&format!("{fortifier}, {fortifier}")), [twice]);
}

/// An order of water beside the feed may be its flush; an order of another feed is none.
#[test]
fn a_flush_may_be_ordered_beside_the_feed() {
    let with = |other: &str| outcome("TUB-01", &format!("{ADULT}rate = \"60 mL/h\"\nother-orders = [{{ {other} }}]\n"));
    assert!(matches!(with("product = \"WATER\", volume = \"50 mL\", feeds = 6"), Outcome::Clear));
    let Outcome::Flagged(all) = with("product = \"A10\", rate = \"20 mL/h\"") else { panic!("no finding") };
    assert_eq!(all[0].text, "No water flush is ordered.");
}

const RATE: &str =
    "\"rateQuantity\":{\"value\":30,\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"}";

/// An entry of 30 mL/h from one moment to another.
fn timed(start: &str, end: &str) -> String {
    format!("{{{RATE},\"schedule\":{{\"repeat\":{{\"boundsPeriod\":{{\"start\":\"{start}\",\"end\":\"{end}\"}}}}}}}}")
}

/// An order with these entries.
fn entries(entries: &[String]) -> String {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let from = plain.find("\"administration\":[").unwrap() + "\"administration\":[".len();
    let to = from + plain[from..].find("}],").or(plain[from..].find("}]")).unwrap() + 1;
    format!("{}{}{}", &plain[..from], entries.join(","), &plain[to..])
}

/// Beside an entry with times, one without may have lost them; where none has any, or there is but one, nothing was lost.
#[test]
fn an_entry_without_times_beside_others_is_said() {
    let bare = format!("{{{RATE}}}");
    let lacks = |all: &[String]| match judged("CMP-01", &entries(all)) {
        Outcome::Flagged(all) => all[0].text.matches("schedule of one entry (the others have one)").count(),
        _ => 0,
    };
    let first = timed("2026-11-25T08:00:00Z", "2026-11-25T20:00:00Z");
    let second = timed("2026-11-25T20:00:00Z", "2026-11-26T08:00:00Z");
    assert_eq!(lacks(&[first.clone(), bare.clone()]), 1);
    // It is the one without times that is led to: the second entry, or the first.
    let place = |all: &[String]| match judged("CMP-01", &entries(all)) {
        Outcome::Flagged(all) => all[0].at[0].0,
        other => panic!("{other:?}"),
    };
    assert!(place(&[first.clone(), bare.clone()]) > place(&[bare.clone(), first.clone()]));
    assert_eq!(lacks(&[bare.clone(), first.clone(), second.clone()]), 1);
    assert_eq!(lacks(&[first.clone(), second]), 0);
    assert_eq!(lacks(&[bare.clone(), bare.clone()]), 0);
    assert_eq!(lacks(&[bare]), 0);
    assert_eq!(lacks(&[first]), 0);
}

#[test]
fn entries_of_one_feed_at_one_time_have_a_way_out() {
    let overlapping = entries(&[
        timed("2026-11-25T08:00:00Z", "2026-11-26T08:00:00Z"),
        timed("2026-11-25T16:00:00Z", "2026-11-26T16:00:00Z"),
    ]);
    let Outcome::Flagged(all) = judged("CON-09", &overlapping) else { panic!("{:?}", judged("CON-09", &overlapping)) };
    assert_eq!(all[0].text, "Two entries of the same feed run at the same time; their rates were added.");
    assert_eq!(all[0].fix.as_deref(), Some("Give the earlier entry an end, or order one rate."));
    let days = |given: &str| found("CON-09", &format!("{ADULT}{given}"));
    let f = days("volume = \"240 mL\"\nevery = \"48 h\"\n");
    let gap = f.iter().find(|f| f.text == "The schedule leaves days on which nothing is fed.").expect("a day without");
    assert_eq!(gap.fix.as_deref(), Some("Check period and unit of the schedule, or confirm the days without feed."));
    assert_eq!(gap.arithmetic.as_deref(), Some("from 0 mL on some days, 120 mL in the mean"));
    // 300 mL in 4 h are 75 mL/h.
    let feeds = compose(&format!("{ADULT}volume = \"300 mL\"\nevery = \"4 h\"\n"));
    let both = feeds.replace(
        "\"schedule\":",
        "\"rateQuantity\":{\"value\":60,\"unit\":\"mL/h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL/h\"},\"schedule\":",
    );
    let Outcome::Flagged(all) = judged("CON-05", &both) else { panic!("{:?}", judged("CON-05", &both)) };
    assert_eq!(label(&all[0]), "Rate 75 mL/h");
}

/// The order is of 25 November 2026: 731 days before is 24 November 2024, 1,826 days before 25 November 2021.
#[test]
fn bands_of_weights_end_on_a_day() {
    let with = |rule: &str, born: &str, kg: &str, rate: &str| {
        outcome(
            rule,
            &format!(
                "birth-date = \"{born}\"\nsex = \"female\"\nweight = \"{kg} kg\"\nproduct = \"PED10\"\nrate = \"{rate} mL/h\"\n"
            ),
        )
    };
    // Under 731 days nobody weighs 100 kg: 100 may be grams, as 400.1 at any age.
    let grams = |born: &str, kg: &str| matches!(with("WGT-05", born, kg, "40"), Outcome::Flagged(_));
    assert_eq!(
        [
            ("2024-11-25", "100"),
            ("2024-11-25", "99"),
            ("2024-11-24", "100"),
            ("2025-11-25", "100"),
            ("1956-11-25", "400.1"),
            ("1956-11-25", "400"),
        ]
        .map(|(born, kg)| grams(born, kg)),
        [true, false, false, true, true, false]
    );
    // 40 kg at five years: z above +5 (WHO Child Growth Standards end at 1,856 days; +3 SD of a girl of 60 months is 29.5 kg,
    // from memory); past the table 8 to 120 kg.
    assert!(matches!(with("WGT-01", "2021-11-25", "40", "40"), Outcome::Flagged(_)));
    assert!(matches!(with("WGT-01", "2021-11-24", "40", "40"), Outcome::Clear));
    // On the day of birth a weight is one for age.
    assert!(matches!(with("WGT-01", "2026-11-25", "3.3", "10"), Outcome::Clear));
    assert!(matches!(with("WGT-01", "2026-11-25", "33", "10"), Outcome::Flagged(_)));
}

/// A bolus is judged by where the tube ends; a tube whose tip may lie anywhere is CMP-01's.
#[test]
fn a_bolus_is_judged_by_the_site() {
    let at = |code: &str| {
        outcome(
            "RTE-01",
            &format!(
                "{ADULT}volume = \"240 mL\"\nfeeds = 5\nroute = \"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|{code}\"\n"
            ),
        )
    };
    for code in ["GJT", "EFT", "ENTINSTL", "XYZ"] {
        let Outcome::NotApplicable(why) = at(code) else { panic!("{code}: {:?}", at(code)) };
        assert_eq!(why, "the site of the tip is not stated (CMP-01)");
    }
    assert!(matches!(at("JJTINSTL"), Outcome::Flagged(_)));
    assert!(matches!(at("NGT"), Outcome::Clear));
}

/// Small volumes of water are no feeds that were meant in ounces.
#[test]
fn water_is_not_given_in_ounces() {
    let of = |product: &str| {
        outcome(
            "UNT-06",
            &format!(
                "age = \"70 a\"\nsex = \"male\"\nweight = \"60 kg\"\nproduct = \"{product}\"\nvolume = \"8 mL\"\nfeeds = 6\n"
            ),
        )
    };
    let Outcome::NotApplicable(why) = of("WATER") else { panic!("{:?}", of("WATER")) };
    assert_eq!(why, "no volume per feed is stated");
    assert!(matches!(of("A10"), Outcome::Flagged(_)), "{:?}", of("A10"));
}

/// On the first birthday the bands of a child count, on the eighteenth the adult's speed. A10 has 1 kcal/mL.
#[test]
fn the_birthday_is_the_first_day_of_the_next_band() {
    let slips = |age: &str, kg: &str, more: &str| {
        found("UNT-05", &format!("age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\n{more}"))
            .into_iter()
            .map(|f| (f.tier, f.text))
            .collect::<Vec<_>>()
    };
    // 10 kg, 79.2 mL/h: 190.1 kcal/kg and mL/kg; 200 and 240 at eleven months, 180 and 165 at one year.
    assert_eq!(slips("11 mo", "10", "rate = \"79.2 mL/h\"\n"), []);
    let year = slips("12 mo", "10", "rate = \"79.2 mL/h\"\n");
    assert_eq!(year.iter().map(|(tier, _)| *tier).collect::<Vec<_>>(), [Tier::High, Tier::High], "{year:?}");
    // 10 kg, 72 mL/h: 172.8: the energy of a child, more volume than a child's.
    let volume = slips("12 mo", "10", "rate = \"72 mL/h\"\n");
    assert!(volume.len() == 1 && volume[0].1.contains("total volume"), "{volume:?}");
    // 10.8 mL/kg are trophic under a year only, from then on 12 are.
    let trophic = "volume = \"18 mL\"\nfeeds = 6\n";
    assert_eq!(slips("11 mo", "10", trophic).first().map(|(tier, _)| *tier), Some(Tier::Med));
    assert_eq!(slips("12 mo", "10", trophic).first().map(|(tier, _)| *tier), Some(Tier::High));
    // 20 kg: 40 mL/min under eighteen years, 60 from then on.
    let fast = "volume = \"250 mL\"\nfeeds = 2\nover = \"5 min\"\n";
    let speed = |age: &str| slips(age, "20", fast).into_iter().filter(|(_, text)| text.contains("mL/min")).count();
    assert_eq!((speed("215 mo"), speed("216 mo")), (1, 0));
    // 20 kg: up to 2 × 100 mL at once under eighteen years, 2 × 250 mL from then on.
    let flush = |age: &str| {
        let given = "rate = \"40 mL/h\"\nflush = { volume = \"210 mL\", every = \"12 h\" }\n";
        slips(age, "20", given).into_iter().filter(|(_, text)| text.starts_with("A single flush of 210 mL")).count()
    };
    assert_eq!((flush("215 mo"), flush("216 mo")), (1, 0));
    // 0.9 kcal/kg, which no single slip explains, is under a tenth of the 10 that an adult has at least.
    let nothing = slips("70 a", "60", "rate = \"2.25 mL/h\"\n");
    assert_eq!(nothing[0].1, "The day's energy of 0.9 kcal/kg is outside any feeding order.");
    // More than half of the day's energy, and no protein: oil of 7.7 kcal/mL beside 480 kcal.
    let oil = |rate: &str, ml: &str| {
        slips(
            "70 a",
            "60",
            &format!(
                "rate = \"{rate} mL/h\"\nadditives = [{{ product = \"MCT\", amount = \"{ml} mL\", per = \"day\" }}]\n"
            ),
        )
        .into_iter()
        .filter(|(_, text)| text.contains("more than half of the day's energy or protein"))
        .count()
    };
    assert_eq!((oil("20", "62"), oil("20", "63")), (0, 1));
    // 554.4 kcal of the feed are those of 72 mL of oil: half is not more than half.
    assert_eq!((oil("23.1", "72"), oil("23.1", "72.1")), (0, 1));
}

/// What is not computed is left open by one rule, which says why, and does not apply to the others.
#[test]
fn an_order_that_is_over_is_not_judged() {
    for status in ["completed", "revoked", "entered-in-error"] {
        let bundle = compose(&format!("{ADULT}rate = \"60 mL/h\"\nstatus = \"{status}\"\n"));
        let settings = Settings::default();
        let done = appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
        let open: Vec<&str> = done.orders[0]
            .judged
            .iter()
            .filter(|j| matches!(j.outcome, Outcome::NotEvaluated(..)))
            .map(|j| j.rule.id.as_ref())
            .collect();
        assert_eq!(open, ["LIF-03"], "{status}");
        assert!(
            done.orders[0]
                .judged
                .iter()
                .all(|j| matches!(j.outcome, Outcome::NotEvaluated(..) | Outcome::NotApplicable(_)))
        );
    }
}

/// What keeps the day's volume from being worked out is listed, in its own words.
#[test]
fn what_keeps_the_volume_open_is_listed() {
    let says = |entry: &str| match judged("CMP-01", &entries(&[entry.to_owned()])) {
        Outcome::Flagged(all) => all.into_iter().map(|f| f.text).collect::<String>(),
        other => format!("{other:?}"),
    };
    let volume = RATE.replace("rateQuantity", "quantity").replace("mL/h", "mL");
    let kilograms = RATE.replace("mL/h", "kg");
    let lacks = |why: &str| format!("The order does not state: one way to compute the day's volume ({why}).");
    assert_eq!(
        says(&format!("{{{volume}}}")),
        lacks("a quantity without a schedule: whether per feed or per day is not stated")
    );
    assert_eq!(says(&format!("{{{kilograms}}}")), lacks("the rate cannot be used"));
    assert_eq!(says(&format!("{{{RATE}}}")), "Clear");
    assert_eq!(
        says(&format!("{{{RATE},\"schedule\":{{\"code\":{{\"text\":\"as told\"}}}}}}")),
        lacks("the timing `as told` is text or a code that is not known here")
    );
}

/// Ceilings of a pump change on the birthday and at 10 kg: 100 mL/h under a year, 250 under fourteen, 400 from then on;
/// under 10 kg also 25 mL/kg/h.
#[test]
fn ceilings_of_a_pump_end_where_the_next_begins() {
    let too_fast = |age: &str, kg: &str, rate: &str| {
        flags(
            "UNT-04",
            &format!(
                "age = \"{age}\"\nsex = \"male\"\nweight = \"{kg} kg\"\nproduct = \"A10\"\nrate = \"{rate} mL/h\"\n"
            ),
        )
    };
    assert_eq!((too_fast("11 mo", "10", "101"), too_fast("12 mo", "10", "101")), (true, false));
    assert_eq!((too_fast("167 mo", "40", "251"), too_fast("168 mo", "40", "251")), (true, false));
    assert_eq!((too_fast("15 a", "9.9", "300"), too_fast("15 a", "10", "300")), (true, false));
}

/// The correction of a feed that overlaps the next is that of its own entry.
#[test]
fn an_overlap_is_corrected_where_it_is() {
    let entry = |ml: &str| {
        format!(
            "{{{RATE},\"quantity\":{{\"value\":{ml},\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},\"schedule\":{{\"repeat\":{{\"frequency\":1,\"period\":4,\"periodUnit\":\"h\"}}}}}}"
        )
    };
    let Outcome::Flagged(all) = judged("CON-05", &entries(&[entry("60"), entry("300")])) else { panic!("no overlap") };
    // 300 mL in 4 h; 60 mL at 30 mL/h take two hours.
    assert_eq!(all.iter().map(label).collect::<Vec<_>>(), ["Rate 75 mL/h"]);
    assert_eq!(all[0].arithmetic.as_deref(), Some("300 mL ÷ 30 mL/h = 10 h; interval 4 h"));
}

/// A rate and a volume without a schedule are two readings: 30 mL/h are 720 mL in a day.
#[test]
fn a_rate_beside_a_volume_without_a_schedule_is_said() {
    let volume = RATE.replace("rateQuantity", "quantity").replace("mL/h", "mL").replace("30", "300");
    let both = entries(&[format!("{{{RATE},{volume}}}")]);
    let Outcome::Flagged(all) = judged("CON-01", &both) else { panic!("{:?}", judged("CON-01", &both)) };
    assert_eq!((all.len(), all[0].tier), (1, Tier::High));
    assert_eq!(
        words(&all[0]),
        (
            "A volume of 300 mL and a rate that gives 720 mL in a day are stated without a schedule: which one holds is not said.",
            "rate × 24 h = 720 mL; quantity 300 mL",
            "State how many feeds of this volume are given, or how many hours the rate runs."
        )
    );
}

#[test]
fn a_weight_of_nobody_is_taken_and_said() {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    assert!(matches!(judged("CMP-02", &plain), Outcome::Clear));
    let whose = plain.replace("\"status\":\"final\",\"subject\":{\"reference\":\"Patient/p\"}", "\"status\":\"final\"");
    assert_ne!(whose, plain);
    let Outcome::NotEvaluated(why, at) = judged("CMP-02", &whose) else { panic!("{:?}", judged("CMP-02", &whose)) };
    assert_eq!(at.len(), 1);
    assert_eq!(why, "whose weight it is, is not stated; it was taken as this patient's, the only one in the input");
}

/// A rate stated as a ratio is a rate, and has no one number to correct; two rates of one entry are said.
#[test]
fn rates_as_ratios_are_rates() {
    let ratio = |ml: &str| {
        format!(
            "\"rateRatio\":{{\"numerator\":{{\"value\":{ml},\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},\"denominator\":{{\"value\":1,\"unit\":\"h\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"h\"}}}}"
        )
    };
    let flagged = |rule: &str, entry: String| match judged(rule, &entries(&[entry])) {
        Outcome::Flagged(all) => all,
        other => panic!("{other:?}"),
    };
    let f = flagged("UNT-04", format!("{{{}}}", ratio("1800"))).remove(0);
    assert!(f.text.contains("1800 mL/h") && f.correction.is_none(), "{f:?}");
    let f = flagged("UNT-04", format!("{{{}}}", RATE.replace("30", "1800"))).remove(0);
    assert_eq!(label(&f), "Rate 75 mL/h");
    let f = flagged("CON-01", format!("{{{RATE},{}}}", ratio("40"))).remove(0);
    assert_eq!((f.tier, f.text.as_str()), (Tier::High, "Two rates are stated for one entry."));
}

/// Codes of FHIR's value set count before the institution's map of texts, and its map of codes before both.
#[test]
fn the_institution_may_map_its_routes() {
    let order = |code: &str, text: &str| {
        let route = format!("http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration|{code}");
        let plain = compose(&format!("{ADULT}volume = \"240 mL\"\nfeeds = 5\nroute = \"{route}\"\n"));
        plain.replace("\"routeofAdministration\":{", &format!("\"routeofAdministration\":{{\"text\":\"{text}\","))
    };
    let mut settings = Settings::default();
    let site = |settings: &Settings, code: &str, text: &str| match judged_by("RTE-01", &order(code, text), settings) {
        Outcome::Flagged(_) => "beyond the stomach",
        Outcome::Clear => "stomach",
        Outcome::NotApplicable(_) => "not known",
        Outcome::NotEvaluated(..) => "they differ",
        other => panic!("{other:?}"),
    };
    assert_eq!(site(&settings, "GJT", "Own Tube"), "not known");
    settings.routes.insert((String::new(), "own tube".to_owned()), enteral_gate::settings::Site::PostPyloric);
    for (code, want) in [
        ("XYZ", "beyond the stomach"),
        // These codes do not tell where the tip is; the institution's text does.
        ("GJT", "beyond the stomach"),
        ("EFT", "beyond the stomach"),
        ("ENTINSTL", "beyond the stomach"),
        ("JJTINSTL", "beyond the stomach"),
        ("NGT", "they differ"),
    ] {
        assert_eq!(site(&settings, code, "Own Tube"), want, "{code}");
    }
    assert_eq!(site(&settings, "XYZ", "another tube"), "not known");
    let system = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration".to_owned();
    settings.routes.insert((system, "GJT".to_owned()), enteral_gate::settings::Site::Gastric);
    assert_eq!(site(&settings, "GJT", "another tube"), "stomach");
    assert_eq!(site(&settings, "GJT", "Own Tube"), "they differ");
    assert_eq!(site(&settings, "EFT", "another tube"), "not known");
    // A vein stays a vein, whatever is set.
    let system = "http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration".to_owned();
    settings.routes.insert((system, "IVPUSH".to_owned()), enteral_gate::settings::Site::Gastric);
    assert!(matches!(judged_by("RTE-06", &order("IVPUSH", ""), &settings), Outcome::Flagged(_)));
}

/// All codes of a route are looked at, in any order: one that is not into the gut stops the order, two sites of the tip
/// leave it open and are said.
#[test]
fn codes_of_a_route_that_contradict_each_other_are_said() {
    let order = |codes: &[&str]| {
        let plain = compose(&format!("{ADULT}volume = \"240 mL\"\nfeeds = 5\n"));
        let coding = |code: &&str| {
            format!(
                "{{\"system\":\"http://terminology.hl7.org/CodeSystem/v3-RouteOfAdministration\",\"code\":\"{code}\"}}"
            )
        };
        let codings: Vec<String> = codes.iter().map(coding).collect();
        let (before, rest) = plain.split_once("\"routeofAdministration\":{\"coding\":[").expect("a route");
        let (_, after) = rest.split_once(']').expect("its end");
        format!("{before}\"routeofAdministration\":{{\"coding\":[{}]{after}", codings.join(","))
    };
    let flagged = |rule: &str, codes: &[&str]| match judged(rule, &order(codes)) {
        Outcome::Flagged(all) => Some((all[0].tier, all[0].text.clone())),
        _ => None,
    };
    for codes in [&["NGT", "IV"], &["IV", "NGT"], &["XYZ", "IVPUSH"]] {
        assert_eq!(flagged("RTE-06", codes).map(|f| f.0), Some(Tier::Stop), "{codes:?}");
    }
    for (codes, names) in [
        (&["NGT", "JJTINSTL"], "gastric, post-pyloric"),
        (&["JJTINSTL", "NGT"], "post-pyloric, gastric"),
        (&["NGT", "PO"], "gastric, oral"),
        (&["PO", "EFT"], "oral, unknown"),
        (&["EFT", "PO"], "unknown, oral"),
    ] {
        let (tier, text) = flagged("CMP-01", codes).unwrap_or_else(|| panic!("{codes:?}"));
        assert_eq!(tier, Tier::High);
        assert!(text.contains(&format!("(the route's codes and text name different ones: {names})")), "{text}");
        assert!(matches!(judged("RTE-01", &order(codes)), Outcome::NotEvaluated(..)), "{codes:?}");
        assert_eq!(flagged("RTE-06", codes), None);
    }
    // The third does not settle what the first two say.
    assert!(flagged("CMP-01", &["NGT", "JJTINSTL", "JJTINSTL"]).is_some());
    assert_eq!(flagged("RTE-06", &["NGT", "JJTINSTL", "IV"]).map(|f| f.0), Some(Tier::Stop));
    // The same site twice, a tube of any kind beside it, or a code that nothing knows: no contradiction.
    for codes in [&["NGT", "GT"], &["NGT", "EFT"], &["EFT", "NGT"], &["XYZ", "NGT"], &["NGT", "XYZ"]] {
        assert_eq!(flagged("CMP-01", codes), None, "{codes:?}");
        assert!(matches!(judged("RTE-01", &order(codes)), Outcome::Clear), "{codes:?}");
    }
}

/// Water is what FHIR's additive codes call water: no feed as a formula, no calories as an additive; another code of that
/// system, or the same word of another, is none.
#[test]
fn water_is_known_by_its_code() {
    const ADDITIVES: &str = "http://terminology.hl7.org/CodeSystem/entformula-additive";
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let coded = |element: &str, system: &str, code: &str| {
        let new = plain.replace(
            "\"baseFormulaProductName\":\"A10\"",
            &match element {
                "baseFormulaType" => format!("\"baseFormulaType\":{{\"coding\":[{{\"system\":\"{system}\",\"code\":\"{code}\"}}]}}"),
                _ => format!("\"baseFormulaProductName\":\"A10\",\"{element}\":{{\"coding\":[{{\"system\":\"{system}\",\"code\":\"{code}\"}}]}}"),
            },
        );
        assert_ne!(new, plain);
        new
    };
    let only_water = |order: &str| matches!(judged("CMP-01", order), Outcome::NotEvaluated(why, _) if why.starts_with("feed (only water"));
    for (system, code, water) in
        [(ADDITIVES, "water", true), (ADDITIVES, "lipid", false), ("http://other.example", "water", false)]
    {
        let base = coded("baseFormulaType", system, code);
        assert_eq!(only_water(&base), water, "{system}|{code}: {:?}", judged("CMP-01", &base));
        assert_eq!(
            matches!(judged("INT-04", &base), Outcome::NotApplicable(_)),
            water,
            "{:?}",
            judged("INT-04", &base)
        );
        let additive = coded("additiveType", system, code);
        let Outcome::Flagged(all) = judged("INT-05", &additive) else { panic!("{system}|{code}") };
        let said = if water { "is ordered without an amount" } else { "without an amount" };
        assert!(all.len() == 1 && all[0].text.contains(said), "{all:?}");
        let found = match judged("INT-04", &additive) {
            Outcome::Clear => false,
            Outcome::Flagged(all) => all.iter().any(|f| f.text.contains("(additive) is not in the formulary")),
            other => panic!("{other:?}"),
        };
        assert_eq!(found, !water, "{system}|{code}");
    }
    // 100 mL of it a day are counted as water, and as nothing else.
    let amount =
        "\"valueQuantity\":{\"value\":100,\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}";
    let dose = |code: &str| {
        plain.replace(
            "\"baseFormulaProductName\":",
            &format!(
                "\"extension\":[{{\"url\":\"https://enteral-gate.example/fhir/StructureDefinition/additive-dose\",\"extension\":[{{\"url\":\"item\",\"valueCodeableConcept\":{{\"coding\":[{{\"system\":\"{ADDITIVES}\",\"code\":\"{code}\"}}]}}}},{{\"url\":\"quantity\",{amount}}},{{\"url\":\"per\",\"valueCode\":\"day\"}}]}}],\"baseFormulaProductName\":"
            ),
        )
    };
    assert_ne!(dose("water"), plain);
    assert!(matches!(judged("INT-05", &dose("water")), Outcome::Clear), "{:?}", judged("INT-05", &dose("water")));
    let Outcome::Flagged(all) = judged("INT-05", &dose("lipid")) else { panic!("counted") };
    assert!(all[0].text.contains("it is not in the formulary"), "{all:?}");
    let f = found(
        "INT-05",
        &format!(
            "{ADULT}rate = \"60 mL/h\"\nadditives = [{{ product = \"PROT\", amount = \"2 {{dose}}\", per = \"volume\" }}]\n"
        ),
    );
    assert!(f[0].text.contains("its amount is per volume of feed, but which volume is not stated"), "{f:?}");
}

/// What the steady day gives is added where it is not what the first day gives.
#[test]
fn a_maximum_is_compared_with_the_steady_day() {
    let text = |more: &str| found("CON-03", &format!("{ADULT}{more}cap = \"1000 mL\"\n")).remove(0).text;
    let same = "The schedule gives up to 1440 mL, the maximum is 1000 mL: it is reached at 00:40, 440 mL short.";
    assert_eq!(text("rate = \"60 mL/h\"\n"), same);
    // 8 h of 60 and 16 h of 80; then 24 h of 80.
    let later = text("steps = [{ rate = \"60 mL/h\", for = \"8 h\" }, { rate = \"80 mL/h\" }]\n");
    assert!(
        later.starts_with("The schedule gives up to 1760 mL")
            && later.ends_with(" On the steady day the schedule gives 1920 mL."),
        "{later}"
    );
}

/// A flush on Mondays only, or one that ends while the feed goes on, is none on the other days; where it is given every day there is no such day.
#[test]
fn days_without_a_flush_are_said() {
    let with = |days: &str| {
        let plain =
            compose(&format!("{ADULT}rate = \"60 mL/h\"\nflush = {{ volume = \"50 mL\", every = \"24 h\" }}\n"));
        let from = plain.find("\"valueTiming\":").unwrap();
        let to = from + plain[from..].find("}}").unwrap() + 2;
        format!(
            "{}\"valueTiming\":{{\"repeat\":{{\"timeOfDay\":[\"08:00:00\"]{days}}}}}{}",
            &plain[..from],
            &plain[to..]
        )
    };
    let said = |days: &str| match judged("TUB-01", &with(days)) {
        Outcome::Flagged(all) => all.into_iter().map(|f| f.text).collect::<String>(),
        other => format!("{other:?}"),
    };
    assert_eq!(said(",\"dayOfWeek\":[\"mon\"]"), "A water flush is not ordered for every day.");
    let ends = ",\"boundsPeriod\":{\"start\":\"2026-11-25T07:00:00Z\",\"end\":\"2026-11-25T20:00:00Z\"}";
    assert_eq!(said(ends), "There are days without any water flush.");
    assert_eq!(said(""), "Clear");
}

/// Each place once: where two are wrong in two places, there are two findings; what lacks in two places leads to both.
#[test]
fn each_place_is_named_once() {
    let of = |rule: &str, more: &str| found(rule, &format!("{ADULT}volume = \"240 mL\"\nfeeds = 5\n{more}"));
    let both = of("UNT-08", "density = \"0 kcal/mL\"\ncap = \"0 mL/d\"\n");
    assert_eq!(both.len(), 2, "{both:?}");
    assert_ne!(both[0].at, both[1].at);
    assert_eq!(of("UNT-08", "density = \"-1 kcal/mL\"\n").len(), 1);
    let lacking = one("CMP-01", "age = \"70 a\"\nweight = \"60 kg\"\nproduct = \"A10\"\nroute = \"none\"\n");
    // Sex; route and schedule, both of the formula.
    assert!(lacking.text.contains("sex") && lacking.text.contains("route"), "{}", lacking.text);
    assert_eq!(lacking.at.len(), 2, "{lacking:?}");
    assert_ne!(lacking.at[0], lacking.at[1]);
}

/// A number so large that nothing can be worked out with it is said, as what it is.
#[test]
fn a_number_out_of_range_is_said() {
    let huge = "999999999999999999e9";
    let entry = format!(
        "{{{},\"quantity\":{{\"value\":100,\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},\"schedule\":{{\"repeat\":{{\"frequency\":1,\"period\":4,\"periodUnit\":\"h\",\"duration\":{huge},\"durationUnit\":\"h\"}}}}}}",
        RATE.replace("mL/h", "L/h").replace("30", huge)
    );
    let Outcome::Flagged(all) = judged("CMP-01", &entries(std::slice::from_ref(&entry))) else {
        panic!("{:?}", judged("CMP-01", &entries(&[entry])))
    };
    assert_eq!(
        all[0].text,
        "The order does not state: one way to compute the day's volume (a number outside the range of exact arithmetic)."
    );
}

/// That small calories were read as kilocalories is an assumption about energy; another remark on the density is none.
#[test]
fn calories_read_as_kilocalories_are_assumed() {
    use enteral_gate::assumptions::Assumption;
    let assumed = |density: &str| {
        let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\ndensity = \"1 kcal/mL\"\n"));
        let from = plain.find("\"caloricDensity\":{").unwrap();
        let to = from + plain[from..].find('}').unwrap() + 1;
        let text = format!("{}\"caloricDensity\":{density}{}", &plain[..from], &plain[to..]);
        let settings = Settings::default();
        let done = appraise(text.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
        let content = &done.orders[0].plan.contents[0];
        let noted =
            done.orders[0].plan.notes.iter().filter(|n| format!("{:?}", n.note).contains("energy density")).count();
        (content.assumptions.contains(&Assumption::CalorieIsKilocalorie), noted > 0)
    };
    assert_eq!(assumed("{\"value\":1.5,\"system\":\"http://unitsofmeasure.org\",\"code\":\"cal/mL\"}"), (true, true));
    assert_eq!(
        assumed("{\"value\":1.5,\"system\":\"http://unitsofmeasure.org\",\"code\":\"kcal/mL\"}"),
        (false, false)
    );
    assert_eq!(
        assumed("{\"value\":1.5,\"system\":\"http://unitsofmeasure.org\",\"code\":\"kcal{energy}/mL\"}"),
        (false, true)
    );
}

/// Without a rulebook nothing knows what the order excludes: it is named, with whatever else was not computed.
#[test]
fn foods_that_nothing_knows_are_named() {
    let plain = compose(&format!("{ADULT}rate = \"60 mL/h\"\n"));
    let with = |members: &str| {
        let new = plain.replacen(
            "\"resourceType\":\"NutritionOrder\"",
            &format!("\"resourceType\":\"NutritionOrder\",{members}"),
            1,
        );
        assert_ne!(new, plain);
        judged("INT-08", &new)
    };
    let food = "\"excludeFoodModifier\":[{\"coding\":[{\"code\":\"x\",\"display\":\" Cow's milk \"}]},{\"coding\":[]}]";
    let Outcome::NotEvaluated(why, at) = with(food) else { panic!("{:?}", with(food)) };
    let said = "the order excludes “Cow's milk”, “a food without a name”: no code known here says what that is, so it was not looked for in what is given";
    assert_eq!((why.as_str(), at.len()), (said, 2));
    let diet = format!("{food},\"oralDiet\":{{\"instruction\":\"x\"}}");
    let Outcome::NotEvaluated(why, at) = with(&diet) else { panic!("{:?}", with(&diet)) };
    assert_eq!((why, at.len()), (format!("{said}; The oral diet of this order was not computed"), 3));
    assert!(matches!(with("\"foodPreferenceModifier\":[{\"text\":\"Vegetarian\"}]"), Outcome::Clear));
}

/// A maximum per another time than a day limits any stretch of that length, wherever it begins.
#[test]
fn a_maximum_per_another_time_than_a_day_limits_each_such_time() {
    let order = |given: &str, cap: &str| compose(&format!("{ADULT}{given}cap = \"{cap}\"\n"));
    let said = |bundle: &str| match judged("CON-03", bundle) {
        Outcome::Flagged(all) => {
            Some((all[0].tier, all[0].text.clone(), all[0].arithmetic.clone().unwrap_or_default()))
        }
        Outcome::Clear => None,
        other => panic!("{other:?}"),
    };
    // 119 mL/h for 12 h: 119 mL in each hour. Under the maximum by less than 1 mL is a rounding.
    let night = "rate = \"119 mL/h\"\nhours = \"12 h\"\n";
    for fits in ["119 mL/h", "118.4 mL/h", "2 mL/min", "476 mL/(4.h)"] {
        assert_eq!(said(&order(night, fits)), None, "{fits}");
    }
    assert_eq!(
        said(&order(night, "60 mL/h")),
        Some((
            Tier::High,
            "In 1 h the schedule gives up to 119 mL, the maximum is 60 mL: what is given is not known.".to_owned(),
            "schedule 119 mL − maximum 60 mL = 59 mL in 1 h".to_owned()
        ))
    );
    // 1 mL/min is the same as 60 mL/h, and 59 s of it is no minute: 119 ÷ 60 = 1.98 mL in a minute is 0.98 mL more.
    assert_eq!(said(&order(night, "1 mL/min")), None);
    let (tier, text, _) = said(&order(night, "200 mL/h")).expect("a maximum of another order");
    assert_eq!(tier, Tier::Med);
    assert!(text.starts_with("The maximum of 200 mL in 1 h is 68 % above the 119 mL"), "{text}");
    // Feeds at once every 4 h: each is in a stretch of 4 h of its own, two in one of 5 h.
    let feeds = "volume = \"200 mL\"\nevery = \"4 h\"\n";
    assert_eq!(said(&order(feeds, "200 mL/(4.h)")), None);
    let (tier, _, reckoned) = said(&order(feeds, "200 mL/(5.h)")).expect("two of them");
    assert_eq!((tier, reckoned.as_str()), (Tier::High, "schedule 400 mL − maximum 200 mL = 200 mL in 5 h"));
    // Feeds over an hour: 4 h hold one of them and no more, 5 h hold two.
    let slow = "volume = \"200 mL\"\nevery = \"4 h\"\nover = \"1 h\"\n";
    assert_eq!(said(&order(slow, "200 mL/(4.h)")), None);
    assert_eq!(
        said(&order(slow, "200 mL/(5.h)")).expect("two of them").2,
        "schedule 400 mL − maximum 200 mL = 200 mL in 5 h"
    );
    // What is given is from nothing to the schedule, also of what goes with it; within the maximum it is known.
    let settings = Settings::default();
    let volume = |bundle: &str| {
        let done = appraise(bundle.as_bytes(), "", FhirVersion::R4, &FORMULARY, &settings);
        let volume = done.orders[0].typical().expect("a day").1.get(Measure::FormulaVolume).clone();
        (volume.low().map(|x| x.short(1)), volume.high().map(|x| x.short(1)))
    };
    let ends = |low: &str, high: &str| (Some(low.to_owned()), Some(high.to_owned()));
    assert_eq!(volume(&order(night, "60 mL/h")), ends("0", "1428"));
    assert_eq!(volume(&order(night, "119 mL/h")), ends("1428", "1428"));
}

/// 2,000 mL on Monday, Wednesday and Friday are 6,000 in any week; 250 mL at 6:00 and at 8:00 are 500 in four hours on both
/// sides of the feeding-day hour.
#[test]
fn a_maximum_is_looked_at_over_days_and_across_their_ends() {
    let entry = |ml: &str, repeat: &str| {
        format!(
            "{{\"quantity\":{{\"value\":{ml},\"unit\":\"mL\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"mL\"}},\"schedule\":{{\"repeat\":{{{repeat}}}}}}}"
        )
    };
    let with = |entry: &str, value: &str, code: &str| {
        let cap = format!(
            "\"maxVolumeToDeliver\":{{\"value\":{value},\"unit\":\"{code}\",\"system\":\"http://unitsofmeasure.org\",\"code\":\"{code}\"}},\"administration\":["
        );
        judged("CON-03", &entries(&[entry.to_owned()]).replace("\"administration\":[", &cap))
    };
    let week = entry("2000", "\"dayOfWeek\":[\"mon\",\"wed\",\"fri\"],\"timeOfDay\":[\"12:00:00\"]");
    assert!(matches!(with(&week, "6000", "mL/wk"), Outcome::Clear), "{:?}", with(&week, "6000", "mL/wk"));
    let Outcome::Flagged(all) = with(&week, "5900", "mL/wk") else { panic!() };
    assert_eq!(words(&all[0]).1, "schedule 6000 mL − maximum 5900 mL = 100 mL in 7 days");
    // 42 days are looked at, no more.
    assert!(matches!(with(&week, "36000", "mL/(42.d)"), Outcome::Clear), "{:?}", with(&week, "36000", "mL/(42.d)"));
    let why = with(&week, "60000", "mL/(43.d)");
    assert!(matches!(why, Outcome::NotEvaluated(..)), "{why:?}");
    let morning = entry("250", "\"timeOfDay\":[\"06:00:00\",\"08:00:00\"]");
    assert!(matches!(with(&morning, "500", "mL/(4.h)"), Outcome::Clear));
    let Outcome::Flagged(all) = with(&morning, "400", "mL/(4.h)") else { panic!() };
    assert_eq!(words(&all[0]).1, "schedule 500 mL − maximum 400 mL = 100 mL in 4 h");
    assert_eq!(words(&all[0]).2, "Raise the maximum to 500 mL in 4 h, or lower the schedule.");
}
