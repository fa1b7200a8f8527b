//! Totals of a day over its parts: sums, amounts per kg, and ratios where volumes are known, ranges, open or nothing.
//! Definitions: `docs/calculation.md`, "Measures"; figures worked out by hand. The feeds are invented.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::exact::{Decimal, Exact};
use enteral_gate::formulary::product::{AgeClass, Basis, Form, NUTRIENTS, Nutrient, Product, Provenance};
use enteral_gate::intake::order::At;
use enteral_gate::nutrition::content::{Content, Density, From};
use enteral_gate::nutrition::measure::Measure as M;
use enteral_gate::nutrition::plan::{DosePlan, Kind, Part, Per, Plan, Source, Uncounted};
use enteral_gate::nutrition::totals::{OrderDay, Sums, Totals, judged_totals, lay_plan, method_name, totals};
use enteral_gate::settings::Settings;
use enteral_gate::timing::day::{Laid, Window};
use enteral_gate::timing::schedule::{Dose, Line, Method, Occurrences, Run};
use enteral_gate::timing::steps::Settled;
use jiff::tz::TimeZone;

fn x(text: &str) -> Exact {
    Decimal::parse(text).unwrap().exact()
}

fn known(text: &str) -> Amount {
    Amount::Known(x(text))
}

fn range(low: &str, high: &str) -> Amount {
    Amount::range(x(low), Some(x(high)), None, vec![Why::AsNeeded])
}

fn at_least(low: &str) -> Amount {
    Amount::at_least(x(low), vec![Why::AsNeeded])
}

fn ends(a: &Amount) -> (Option<Exact>, Option<Exact>) {
    (a.low(), a.high())
}

fn between(low: Exact, high: Exact) -> (Option<Exact>, Option<Exact>) {
    (Some(low), Some(high))
}

/// A feed: kcal, g of protein, fat and carbohydrate and mL of water in a mL; its minerals are not stated.
fn feed(energy: &str, protein: &str, fat: &str, carbohydrate: &str, water: &str) -> Content {
    let mut content = Content::water("a feed".to_owned(), From::Nowhere);
    content.per_ml = std::array::from_fn(|_| Amount::unknown(Why::NotStated("a feed".to_owned(), "it")));
    for (nutrient, text) in [
        (Nutrient::Protein, protein),
        (Nutrient::Fat, fat),
        (Nutrient::Carbohydrate, carbohydrate),
        (Nutrient::Water, water),
    ] {
        content.per_ml[nutrient as usize] = known(text);
    }
    content.energy = known(energy);
    content.density = Density::Product(x(energy));
    content.form = Some(Form::ReadyToHang);
    content
}

/// 1 kcal/mL with 4 g of protein in 100 kcal.
fn standard() -> Content {
    feed("1", "0.04", "0.034", "0.1335", "0.84")
}

/// 2 kcal/mL with 5 g of protein in 100 kcal.
fn dense() -> Content {
    feed("2", "0.1", "0.08", "0.22", "0.7")
}

fn water() -> Content {
    Content::water("water".to_owned(), From::Nowhere)
}

/// Its figures for one unit of its basis.
fn modular(basis: Basis, energy: &str, protein: &str) -> Product {
    let mut per_unit = [Some(Exact::ZERO); NUTRIENTS];
    per_unit[Nutrient::Protein as usize] = Some(x(protein));
    Product {
        key: "M".to_owned(),
        name: "a modular".to_owned(),
        aliases: vec![],
        codes: vec![],
        identifiers: vec![],
        form: Form::Modular,
        basis,
        energy: Some(x(energy)),
        per_unit,
        osmolality: None,
        displacement: None,
        age: AgeClass::Any,
        flags: vec![],
        viscosity: None,
        containers: vec![],
        provenance: Provenance { file: String::new(), line: 0, stated: "invented".to_owned() },
    }
}

fn dose(product: Product, amount: &str, per: Per, water: bool) -> DosePlan {
    DosePlan { at: At(0), label: "a modular".to_owned(), product, from: From::Nowhere, amount: x(amount), per, water }
}

/// Each part gives what a line of its own gives.
fn plan(parts: Vec<(Kind, Content)>, doses: Vec<DosePlan>) -> Plan {
    Plan {
        lines: vec![],
        capped: vec![false; parts.len()],
        parts: (0..)
            .zip(&parts)
            .map(|(ix, (kind, _))| Part { source: Source::Line(ix), kind: *kind, content: ix })
            .collect(),
        contents: parts.into_iter().map(|(_, content)| content).collect(),
        doses,
        cap: None,
        cap_unusable: None,
        weight: None,
        settled: Settled::default(),
        notes: vec![],
        lookups: vec![],
        uncounted: vec![],
        start: Exact::ZERO,
        start_assumed: false,
    }
}

fn window() -> Window {
    Window::elapsed(&TimeZone::UTC, Exact::ZERO)
}

/// A day on which the parts give these volumes, the doses these amounts.
fn day(volumes: Vec<Amount>, doses: Vec<Amount>) -> OrderDay {
    OrderDay {
        laid: Laid { window: window(), zone: jiff::tz::TimeZone::UTC, lines: vec![], segments: vec![], cap: None },
        volumes,
        doses,
        in_period: None,
    }
}

fn of(given: Vec<(Kind, Content, Amount)>) -> Totals {
    let (parts, volumes) = given.into_iter().map(|(kind, content, volume)| ((kind, content), volume)).unzip();
    totals(&[(&plan(parts, vec![]), &day(volumes, vec![]))], None)
}

/// Only of feeds.
fn fed(given: Vec<(Content, Amount)>) -> Totals {
    of(given.into_iter().map(|(content, volume)| (Kind::Feed, content, volume)).collect())
}

#[test]
fn a_common_volume_cancels_in_a_ratio() {
    for volume in [known("1200"), range("900", "1500"), range("0", "1500")] {
        let t = fed(vec![(standard(), volume.clone())]);
        assert_eq!(*t.get(M::EnergyDensity), known("1"), "{volume:?}");
        assert_eq!(*t.get(M::ProteinPerEnergy), known("4"), "{volume:?}");
        assert_eq!(*t.get(M::WaterPerEnergy), known("0.84"), "{volume:?}");
        // 4 × 0.04 of 4 × 0.04 + 9 × 0.034 + 4 × 0.1335 = 1 kcal.
        assert_eq!(*t.get(M::ProteinEnergyShare), known("16"), "{volume:?}");
        assert_eq!(*t.get(M::FatEnergyShare), known("30.6"), "{volume:?}");
        assert_eq!(*t.get(M::CarbohydrateEnergyShare), known("53.4"), "{volume:?}");
        // (1 − 0.16) ÷ (0.04 ÷ 6.25) = 131.25.
        assert_eq!(*t.get(M::NonProteinEnergyPerNitrogen), known("131.25"), "{volume:?}");
    }
    for volume in [known("0")] {
        let t = fed(vec![(standard(), volume)]);
        for m in [M::EnergyDensity, M::ProteinPerEnergy, M::ProteinEnergyShare, M::NonProteinEnergyPerNitrogen] {
            assert!(matches!(t.get(m), Amount::Unknown(why) if matches!(&why[..], [Why::Nothing(_)])), "{m:?}");
        }
    }
}

/// 1000 mL at 1 kcal/mL beside 0 to 500 mL at 2 kcal/mL are 1000 to 2000 kcal in 1000 to 1500 mL.
#[test]
fn a_ratio_of_ranges_lies_between_its_corners() {
    let density = |given| ends(fed(given).get(M::EnergyDensity));
    let third = |n: i64| Exact::ratio(n, 3);
    assert_eq!(density(vec![(standard(), known("1000")), (dense(), range("0", "500"))]), between(Exact::ONE, third(4)));
    // 500 to 1000 mL beside it: most where there is little of the one and much of the other, in whichever order.
    let both = || [(standard(), range("500", "1000")), (dense(), range("250", "500"))];
    let mut turned = both();
    turned.reverse();
    for given in [both().to_vec(), turned.to_vec()] {
        // (1000 + 500) ÷ 1250 and (500 + 1000) ÷ 1000.
        assert_eq!(density(given.clone()), between(Exact::ratio(6, 5), Exact::ratio(3, 2)));
        // (40 + 25) ÷ 1500 and (20 + 50) ÷ 1500, times 100.
        let t = fed(given);
        assert_eq!(ends(t.get(M::ProteinPerEnergy)), between(third(13), third(14)));
        assert_eq!(t.get(M::EnergyDensity).why(), [Why::AsNeeded]);
    }
    // Three: 1000 kcal in 1000 mL, and water of the flushes is no part of the feed's density.
    let t = of(vec![
        (Kind::Feed, standard(), known("1000")),
        (Kind::Flush, water(), range("100", "300")),
        (Kind::Feed, dense(), range("0", "500")),
    ]);
    assert_eq!(ends(t.get(M::EnergyDensity)), between(Exact::ONE, third(4)));
    // Water: 840 + 100 + 350 of 2000 kcal, and 840 + 300 of 1000 kcal.
    assert_eq!(ends(t.get(M::WaterPerEnergy)), between(x("0.645"), x("1.14")));
}

#[test]
fn where_nothing_may_be_given_a_ratio_is_that_of_what_is() {
    let none_or = |high: &str| range("0", high);
    let t = fed(vec![(standard(), none_or("1000")), (dense(), none_or("500"))]);
    assert_eq!(ends(t.get(M::EnergyDensity)), between(Exact::ONE, Exact::int(2)));
    assert_eq!(ends(t.get(M::ProteinPerEnergy)), between(Exact::int(4), Exact::int(5)));
    // Beside water that is given whatever becomes of the feed, water per kcal has no upper end.
    let t = of(vec![
        (Kind::Feed, standard(), none_or("1000")),
        (Kind::Feed, dense(), none_or("500")),
        (Kind::Flush, water(), known("200")),
    ]);
    let water = t.get(M::WaterPerEnergy);
    assert!(matches!(water, Amount::Unknown(why) if why[..] == [Why::ZeroDenominator("energy")]), "{water:?}");
    assert_eq!(ends(t.get(M::EnergyDensity)), between(Exact::ONE, Exact::int(2)));
}

#[test]
fn a_ratio_without_corners_is_the_wider_one() {
    // What one mL holds is a range itself.
    let mut unsure = standard();
    unsure.energy = range("1", "1.2");
    let t = fed(vec![(unsure.clone(), known("1000"))]);
    assert_eq!(ends(t.get(M::EnergyDensity)), between(Exact::ONE, x("1.2")));
    let t = fed(vec![(unsure, range("500", "1000"))]);
    assert_eq!(ends(t.get(M::EnergyDensity)), between(x("0.5"), x("2.4")));
    // Without an upper end of the volume there is none of the quotient.
    let t = fed(vec![(standard(), at_least("1000")), (dense(), known("500"))]);
    assert_eq!(ends(t.get(M::EnergyDensity)), (Some(Exact::ZERO), None));
    assert_eq!(t.get(M::EnergyDensity).why(), [Why::AsNeeded]);
    // Six ranges are tried at their corners, seven are not.
    let parts = |n: usize| fed((0..n).map(|_| (standard(), range("100", "200"))).collect());
    assert_eq!(*parts(6).get(M::EnergyDensity), known("1"));
    assert_eq!(ends(parts(7).get(M::EnergyDensity)), between(x("0.5"), Exact::int(2)));
}

/// What is not given does not matter, known or not.
#[test]
fn a_part_that_gives_nothing_bears_on_no_figure() {
    let mut unheard = standard();
    unheard.energy = Amount::unknown(Why::ProductUnknown);
    unheard.per_ml = std::array::from_fn(|_| Amount::unknown(Why::ProductUnknown));
    let t = fed(vec![(unheard.clone(), known("0")), (standard(), known("1000"))]);
    for (m, want) in [(M::Energy, "1000"), (M::Protein, "40"), (M::EnergyDensity, "1"), (M::ProteinPerEnergy, "4")] {
        assert_eq!(*t.get(m), known(want), "{m:?}");
    }
    let t = fed(vec![(unheard, known("10")), (standard(), known("1000"))]);
    assert_eq!(ends(t.get(M::Energy)), (Some(Exact::int(1_000)), None));
    assert!(t.get(M::EnergyDensity).high().is_none());
    assert!(t.get(M::ProteinEnergyShare).high().is_none());
}

/// 1440 mL of feed, 200 mL of water, of an oil 15 mL at 7.7 kcal, two packets of 25 kcal and 6 g of protein, 100 mL of
/// water as an additive.
#[test]
fn what_is_given_apart_adds_to_the_totals() {
    let mut plain_water = modular(Basis::Millilitre, "0", "0");
    plain_water.per_unit[Nutrient::Water as usize] = Some(Exact::ONE);
    let doses = vec![
        dose(modular(Basis::Millilitre, "7.7", "0"), "15", Per::Day, false),
        dose(modular(Basis::Dose, "25", "6"), "2", Per::Day, false),
        dose(plain_water, "100", Per::Day, true),
    ];
    let p = plan(vec![(Kind::Feed, standard()), (Kind::Flush, water())], doses);
    let amounts = vec![known("15"), known("2"), known("100")];
    let d = day(vec![known("1440"), known("200")], amounts.clone());
    let t = totals(&[(&p, &d)], Some(Exact::int(60)));
    for (m, want) in [
        (M::Volume, "1755"),
        (M::FormulaVolume, "1440"),
        (M::FlushVolume, "300"),
        (M::AdditiveVolume, "15"),
        (M::Energy, "1605.5"),
        (M::Protein, "69.6"),
        (M::FreeWater, "1509.6"),
        (M::FreeWaterFeed, "1209.6"),
        (M::VolumePerKg, "29.25"),
        (M::FormulaVolumePerKg, "24"),
        (M::ProteinPerKg, "1.16"),
        (M::EnergyDensity, "1"),
    ] {
        assert_eq!(*t.get(m), known(want), "{m:?}");
    }
    // The same where one of them is a range: every sum goes the longer way.
    let d = day(vec![range("1400", "1440"), known("200")], amounts);
    let t = totals(&[(&p, &d)], None);
    for (m, low, high) in [
        (M::Volume, "1715", "1755"),
        (M::FormulaVolume, "1400", "1440"),
        (M::Energy, "1565.5", "1605.5"),
        (M::Protein, "68", "69.6"),
        (M::FreeWaterFeed, "1176", "1209.6"),
    ] {
        assert_eq!(ends(t.get(m)), between(x(low), x(high)), "{m:?}");
    }
    assert_eq!((t.get(M::FlushVolume), t.get(M::AdditiveVolume)), (&known("300"), &known("15")));
    // An additive that cannot be counted may add to the volume and to what is given apart, not to feed and flushes.
    let mut p = p;
    p.uncounted.push(Uncounted { at: At(0), label: "an oil".to_owned(), why: "it is not in the formulary".to_owned() });
    let t = totals(&[(&p, &d)], None);
    assert_eq!(ends(t.get(M::Volume)), (Some(x("1715")), None));
    assert_eq!(ends(t.get(M::AdditiveVolume)), (Some(x("15")), None));
    assert_eq!(*t.get(M::FlushVolume), known("300"));
}

#[test]
fn rules_see_the_same_figures() {
    let p = plan(vec![(Kind::Feed, standard()), (Kind::Flush, water())], vec![]);
    let d = day(vec![known("1440"), range("0", "200")], vec![]);
    let kg = Some(Exact::int(60));
    let (all, judged, sums) = (totals(&[(&p, &d)], kg), judged_totals(&[(&p, &d)], kg), Sums::new(vec![(&p, &d)], kg));
    for (m, low, high) in [
        (M::Volume, "1440", "1640"),
        (M::FormulaVolume, "1440", "1440"),
        (M::Energy, "1440", "1440"),
        (M::Protein, "57.6", "57.6"),
        (M::EnergyPerKg, "24", "24"),
    ] {
        for got in [all.get(m), judged.get(m), &sums.measure(m)] {
            assert_eq!(ends(got), between(x(low), x(high)), "{m:?}");
        }
    }
    assert_eq!(sums.measure(M::VolumePerKg), *judged.get(M::VolumePerKg));
    // The others were not worked out.
    assert!(matches!(judged.get(M::FreeWater), Amount::Unknown(_)));
    // Every measure can be asked for by itself.
    for m in M::ALL {
        assert_eq!(sums.measure(*m), *all.get(*m), "{m:?}");
    }
}

/// Without a weight nothing is known per kg; where the amount is not known either, both are said.
#[test]
fn what_lacks_for_an_amount_per_kilogram_is_all_said() {
    let p = plan(vec![(Kind::Feed, standard())], vec![]);
    let d = day(vec![known("1440")], vec![]);
    let t = totals(&[(&p, &d)], None);
    assert_eq!(*t.get(M::EnergyPerKg), Amount::unknown(Why::NoWeight));
    let not_stated = Why::NotStated("a feed".to_owned(), "it");
    assert_eq!(*t.get(M::CalciumPerKg), Amount::Unknown(vec![Why::NoWeight, not_stated.clone()]));
    let t = totals(&[(&p, &d)], Some(Exact::int(60)));
    assert_eq!(*t.get(M::EnergyPerKg), known("24"));
    assert_eq!(*t.get(M::CalciumPerKg), Amount::unknown(not_stated));
}

/// Two orders of one patient add up.
#[test]
fn orders_of_one_patient_add_up() {
    let (p, o) = (plan(vec![(Kind::Feed, standard())], vec![]), plan(vec![(Kind::Feed, dense())], vec![]));
    let (d, e) = (day(vec![known("1000")], vec![]), day(vec![range("0", "500")], vec![]));
    let t = totals(&[(&p, &d), (&o, &e)], None);
    assert_eq!(ends(t.get(M::Energy)), between(Exact::int(1_000), Exact::int(2_000)));
    assert_eq!(ends(t.get(M::EnergyDensity)), between(Exact::ONE, Exact::ratio(4, 3)));
}

/// A line that gives this, for certain or as needed.
fn line(run: Run, needed: bool) -> Line {
    Line {
        at: At(0),
        administration: Some(0),
        low: Some(run.clone()).filter(|_| !needed),
        least: Some(run.clone()).filter(|_| needed),
        also: None,
        high: Some(run),
        why: if needed { vec![Why::AsNeeded] } else { vec![] },
        rate: None,
        quantity: None,
        method: Method::Bolus,
        also_method: None,
        start: None,
        end: None,
        length: None,
        spaced: false,
        named: vec![],
        untimed: vec![],
        notes: vec![],
    }
}

/// A line of the plan that is laid: one feed of 100 mL at 08:00 UTC on 1 January 1970, given or as needed, or nothing.
fn laid(parts: &[(Kind, i64, bool)], doses: Vec<DosePlan>) -> OrderDay {
    let contents = parts.iter().map(|(kind, ..)| (*kind, if *kind == Kind::Feed { standard() } else { water() }));
    let mut p = plan(contents.collect(), doses);
    for (_, ml, needed) in parts {
        let run = Run {
            occurrences: Occurrences::Listed(if *ml == 0 { vec![] } else { vec![Exact::int(8 * 3_600)] }),
            dose: Dose::Volume { ml: Exact::int(*ml), over: Exact::ZERO },
            start: None,
            end: None,
            count: None,
            once: false,
        };
        p.lines.push(line(run, *needed));
    }
    lay_plan(&p, &Settings::default(), window(), false)
}

/// An amount per day counts on days on which the feed is given; with each feed, as many times as one begins.
#[test]
fn additives_go_with_the_feed() {
    let each = || {
        vec![
            dose(modular(Basis::Dose, "25", "6"), "2", Per::Day, false),
            dose(modular(Basis::Dose, "25", "6"), "3", Per::Feed, false),
        ]
    };
    use Kind::{Feed, Flush};
    assert_eq!(laid(&[(Feed, 100, false)], each()).doses, [known("2"), known("3")]);
    assert_eq!(laid(&[(Feed, 100, false), (Feed, 100, false)], each()).doses, [known("2"), known("6")]);
    // Water alone is no feed.
    assert_eq!(laid(&[(Feed, 0, false), (Flush, 100, false)], each()).doses, [known("0"), known("0")]);
    assert_eq!(laid(&[(Feed, 100, false), (Flush, 100, false)], each()).doses, [known("2"), known("3")]);
    // As needed: from nothing; where another feed is certain, it is too.
    let needed = laid(&[(Feed, 100, true), (Flush, 100, false)], each());
    assert_eq!([ends(&needed.doses[0]), ends(&needed.doses[1])], [between(x("0"), x("2")), between(x("0"), x("3"))]);
    assert_eq!(needed.doses[0].why(), [Why::AsNeeded]);
    let one_is_certain = laid(&[(Feed, 100, true), (Feed, 100, false)], each());
    assert_eq!(one_is_certain.doses[0], known("2"));
    assert_eq!(ends(&one_is_certain.doses[1]), between(x("3"), x("6")));
}

/// The trade's words for how a feed is given.
#[test]
fn methods_have_their_names() {
    let names =
        [Method::Continuous, Method::Cyclic, Method::Intermittent, Method::Bolus, Method::Unclear].map(method_name);
    assert_eq!(names, ["continuous", "cyclic", "intermittent", "bolus", "method unclear"]);
}

/// Ten thousand containers a day are looked at, each of 8.64 s; more are not.
#[test]
fn containers_too_small_to_count_leave_their_time_unknown() {
    let hang = |ml: i64| {
        let mut content = standard();
        content.containers = vec![Exact::ratio(1, 10)];
        let mut p = plan(vec![(Kind::Feed, content)], vec![]);
        let run = Run {
            occurrences: Occurrences::Continuous,
            dose: Dose::Rate(Exact::ratio(ml, 86_400)),
            start: None,
            end: None,
            count: None,
            once: false,
        };
        p.lines.push(line(run, false));
        let d = lay_plan(&p, &Settings::default(), window(), false);
        totals(&[(&p, &d)], None).get(M::HangTime).clone()
    };
    assert_eq!(hang(1_000), Amount::Known(Exact::ratio(24, 10_000)));
    assert_eq!(hang(1_001), Amount::unknown(Why::Range));
}

/// Two feeds hang from containers of their own: 1000 mL at 50 and at 100 mL/h are empty after 20 and after 10 h.
#[test]
fn each_feed_has_its_own_container() {
    let pumped = |ml_per_hour: i64| Run {
        occurrences: Occurrences::Continuous,
        dose: Dose::Rate(Exact::ratio(ml_per_hour, 3_600)),
        start: None,
        end: None,
        count: None,
        once: false,
    };
    let hang = |rates: [i64; 2]| {
        let contents = [standard(), dense()].map(|mut content| {
            content.containers = vec![Exact::int(500), Exact::int(1_000)];
            (Kind::Feed, content)
        });
        let mut p = plan(contents.to_vec(), vec![]);
        p.lines = rates.map(|r| line(pumped(r), false)).to_vec();
        let d = lay_plan(&p, &Settings::default(), window(), false);
        totals(&[(&p, &d)], None).get(M::HangTime).clone()
    };
    assert_eq!((hang([50, 100]), hang([100, 50]), hang([100, 100])), (known("20"), known("20"), known("10")));
    // From noon 100 mL at 20 mL/h, 5 h each, beside 1000 mL at 100 mL/h.
    let mut small = dense();
    small.containers = vec![Exact::int(100)];
    let mut large = standard();
    large.containers = vec![Exact::int(1_000)];
    let mut p = plan(vec![(Kind::Feed, large), (Kind::Feed, small)], vec![]);
    let noon = Run { start: Some(Exact::int(12 * 3_600)), ..pumped(20) };
    p.lines = vec![line(pumped(100), false), line(noon, false)];
    let d = lay_plan(&p, &Settings::default(), window(), false);
    assert_eq!(*totals(&[(&p, &d)], None).get(M::HangTime), known("10"));
}
