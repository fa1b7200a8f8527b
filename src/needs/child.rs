//! Children: resting energy by equation and, from birth to old age, the Dietary Reference Intakes for
//! energy; protein; what the paediatric intensive-care guideline asks for.

use super::estimate::{Estimate, Figure, Kind, Mark, Sex, Source};
use super::formula::Span;
use super::person::{Bands, Card, Person, Sheet};
use crate::exact::Exact;

const fn years(n: i64) -> Exact {
    Exact::int(n)
}

/// kcal in one MJ: 1000 ÷ 4.184.
const KCAL_PER_MJ: Exact = Exact::ratio(1_000_000, 4184);

const SCHOFIELD_W: Card = Card {
    id: "schofield-weight",
    name: "Schofield 1985, weight",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "children below 18 years",
    source: Source::new(Mark::TextSeen, "Schofield, Hum Nutr Clin Nutr 1985;39C Suppl 1:5-41 (table as reprinted)"),
};

const SCHOFIELD_WH: Card = Card {
    id: "schofield-weight-height",
    name: "Schofield 1985, weight and height",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "children below 18 years; height in metres",
    source: Source::new(
        Mark::TextSeen,
        "Schofield, Hum Nutr Clin Nutr 1985;39C Suppl 1:5-41 (coefficients in MJ from an open data file)",
    ),
};

const FAO_1985: Card = Card {
    id: "fao-who-unu-1985-child",
    name: "FAO/WHO/UNU 1985",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "children below 18 years; weight only",
    source: Source::new(
        Mark::TextSeen,
        "FAO/WHO/UNU, Energy and protein requirements, WHO Technical Report Series 724, 1985",
    ),
};

/// Sums for boys and girls by age in years.
type BySex = Bands<(&'static str, &'static str)>;

const SCHOFIELD_W_BANDS: &BySex = &[
    (years(0), Some(years(3)), ("59.512 W - 30.4", "58.317 W - 31.1")),
    (years(3), Some(years(10)), ("22.706 W + 504.3", "20.315 W + 485.9")),
    (years(10), Some(years(18)), ("17.686 W + 658.2", "13.384 W + 692.6")),
];

/// In MJ/d.
const SCHOFIELD_WH_BANDS: &BySex = &[
    (years(0), Some(years(3)), ("0.0007 W + 6.349 M - 2.584", "0.068 W + 4.281 M - 1.730")),
    (years(3), Some(years(10)), ("0.082 W + 0.545 M + 1.736", "0.071 W + 0.677 M + 1.553")),
    (years(10), Some(years(18)), ("0.068 W + 0.574 M + 2.157", "0.035 W + 1.948 M + 0.837")),
];

const FAO_BANDS: &BySex = &[
    (years(0), Some(years(3)), ("60.9 W - 54", "61.0 W - 51")),
    (years(3), Some(years(10)), ("22.7 W + 495", "22.5 W + 499")),
    (years(10), Some(years(18)), ("17.5 W + 651", "12.2 W + 746")),
];

/// Resting energy: every equation for children.
pub(super) fn resting(person: &Person<'_>) -> Vec<Estimate> {
    vec![schofield(person, false), schofield(person, true), by_band(person, &FAO_1985, FAO_BANDS, false)]
}

/// Schofield by weight, or by weight and height.
pub(super) fn schofield(person: &Person<'_>, with_height: bool) -> Estimate {
    if with_height {
        by_band(person, &SCHOFIELD_WH, SCHOFIELD_WH_BANDS, true)
    } else {
        by_band(person, &SCHOFIELD_W, SCHOFIELD_W_BANDS, false)
    }
}

fn by_band(person: &Person<'_>, card: &Card, bands: &'static BySex, megajoules: bool) -> Estimate {
    let mut sheet = Sheet::new(person, card);
    sheet.wants(true, true, megajoules);
    let (sex, age) = (sheet.sex(), sheet.age_years());
    let shown = |text: &str| if megajoules { format!("({text}) × 1000 ÷ 4.184") } else { text.to_owned() };
    let mut value = None;
    if let (Some(sex), Some(age)) = (sex, age)
        && let Some((boys, girls)) = sheet.band(bands, age, "years")
    {
        let text = if sex == Sex::Male { boys } else { girls };
        sheet.formula(shown(text));
        value = sheet.work_out(text);
        if megajoules {
            value = value.and_then(|mj| mj.times(KCAL_PER_MJ));
        }
    } else {
        sheet.formula("by sex and age band");
    }
    sheet.note("in intensive care without a stress factor (SCCM/ASPEN 2017)");
    sheet.amount(value)
}

const EER_2002: Card = Card {
    id: "eer-2002",
    name: "Estimated energy requirement 2002/2005",
    kind: Kind::TotalEnergy,
    unit: "kcal/d",
    domain: "healthy, normal weight; from birth; height in metres",
    source: Source::new(
        Mark::TextSeen,
        "Institute of Medicine, Dietary Reference Intakes for energy, 2002/2005 (textbook appendix; Nutr Metab 2017, s12986-017-0226-y, Table 1)",
    ),
};

/// Months of the infant bands and the growth allowance in each, kcal/d. Completed months: 0–3, 4–6, 7–12, 13–35.
const EER_2002_INFANT: &Bands<&str> = &[
    (Exact::int(0), Some(Exact::int(4)), "175"),
    (Exact::int(4), Some(Exact::int(7)), "56"),
    (Exact::int(7), Some(Exact::int(13)), "22"),
    (Exact::int(13), Some(Exact::int(36)), "20"),
];

/// One sex of the 2002/2005 equation: what stands before the activity factor, what it multiplies, the
/// factors, and the growth allowance.
struct Eer2002 {
    before: &'static str,
    times: &'static str,
    activity: [&'static str; 4],
    growth: Option<&'static str>,
}

const BOYS_ACTIVITY: [&str; 4] = ["1.00", "1.13", "1.26", "1.42"];
const GIRLS_ACTIVITY: [&str; 4] = ["1.00", "1.16", "1.31", "1.56"];
const fn boys(growth: &'static str) -> Eer2002 {
    Eer2002 { before: "88.5 - 61.9 A", times: "26.7 W + 903 M", activity: BOYS_ACTIVITY, growth: Some(growth) }
}
const fn girls(growth: &'static str) -> Eer2002 {
    Eer2002 { before: "135.3 - 30.8 A", times: "10.0 W + 934 M", activity: GIRLS_ACTIVITY, growth: Some(growth) }
}

const EER_2002_BANDS: &Bands<(Eer2002, Eer2002)> = &[
    (years(3), Some(years(9)), (boys("20"), girls("20"))),
    (years(9), Some(years(19)), (boys("25"), girls("25"))),
    (
        years(19),
        None,
        (
            Eer2002 {
                before: "662 - 9.53 A",
                times: "15.91 W + 539.6 M",
                activity: ["1.00", "1.11", "1.25", "1.48"],
                growth: None,
            },
            Eer2002 {
                before: "354 - 6.91 A",
                times: "9.36 W + 726 M",
                activity: ["1.00", "1.12", "1.27", "1.45"],
                growth: None,
            },
        ),
    ),
];

const LEVELS_2002: [&str; 4] = ["sedentary", "low active", "active", "very active"];
const LEVELS_2023: [&str; 4] = ["inactive", "low active", "active", "very active"];
const IMMOBILE: &str = "an immobile tube-fed person often needs less than the lowest activity level";

/// The 2002/2005 requirement: one estimate below 3 years, four activity levels from there.
pub(super) fn eer_2002(person: &Person<'_>) -> Vec<Estimate> {
    let three = years(3);
    match person.years() {
        Some(age) if age.high < three => vec![eer_2002_infant(person)],
        Some(age) if age.low >= three => {
            LEVELS_2002.iter().enumerate().map(|(level, name)| eer_2002_level(person, level, name)).collect()
        }
        _ => vec![unsettled(person, &EER_2002)],
    }
}

/// The age is missing, impossible or on both sides of 3 years: one line says so.
fn unsettled(person: &Person<'_>, card: &Card) -> Estimate {
    let mut sheet = Sheet::new(person, card);
    sheet.formula("by sex, age band and activity level");
    sheet.wants(true, true, true);
    if let Some(age) = sheet.age_years() {
        sheet.refuse(format!("the birth date leaves an age of {} years, across the limit at 3 years", age.shown()));
    }
    sheet.done(None)
}

fn eer_2002_infant(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &EER_2002);
    sheet.formula("89 W - 100 + growth");
    let total = sheet.work_out("89 W - 100");
    let months = sheet.age_months();
    let growth = months.and_then(|months| sheet.band(EER_2002_INFANT, months, "months").copied());
    let mut value = None;
    if let Some(growth) = growth {
        sheet.formula(format!("(89 W - 100) + {growth}"));
        value = total.zip(sheet.work_out(growth)).and_then(|(total, growth)| total.add(growth));
    }
    sheet.amount(value)
}

fn eer_2002_level(person: &Person<'_>, level: usize, name: &'static str) -> Estimate {
    let mut sheet = Sheet::new(person, &EER_2002);
    sheet.variant(name);
    sheet.wants(true, true, true);
    sheet.formula("by sex, age band and activity level");
    let (sex, age) = (sheet.sex(), sheet.age_years());
    let mut value = None;
    if let (Some(sex), Some(age)) = (sex, age)
        && let Some((male, female)) = sheet.band(EER_2002_BANDS, age, "years")
    {
        let form = if sex == Sex::Male { male } else { female };
        if let Some(activity) = form.activity.get(level) {
            let growth = form.growth.map_or_else(String::new, |kcal| format!(" + {kcal}"));
            sheet.formula(format!("{} + {activity} × ({}){growth}", form.before, form.times));
            let (before, times) = (sheet.work_out(form.before), sheet.work_out(form.times));
            let factor = Figure::read(activity).and_then(Figure::one);
            let growth = form.growth.map_or(Some(Span::at(Exact::ZERO)), |kcal| sheet.work_out(kcal));
            value = (|| before?.add(times?.times(factor?)?)?.add(growth?))();
        }
    }
    sheet.note(IMMOBILE);
    sheet.amount(value)
}

const EER_2023: Card = Card {
    id: "eer-2023",
    name: "Estimated energy requirement 2023",
    kind: Kind::TotalEnergy,
    unit: "kcal/d",
    domain: "general population from birth; height in centimetres",
    source: Source::new(
        Mark::TextSeen,
        "National Academies, Dietary Reference Intakes for Energy, 2023 (Health Canada equation page)",
    ),
};

const UNDER_3: (&str, &str) = ("-716.45 - 1.00 A + 17.82 H + 15.06 W", "-69.15 + 80.0 A + 2.65 H + 54.15 W");

/// By activity level: boys, girls.
const CHILD_2023: [(&str, &str); 4] = [
    ("-447.51 + 3.68 A + 13.01 H + 13.15 W", "55.59 - 22.25 A + 8.43 H + 17.07 W"),
    ("19.12 + 3.68 A + 8.62 H + 20.28 W", "-297.54 - 22.25 A + 12.77 H + 14.73 W"),
    ("-388.19 + 3.68 A + 12.66 H + 20.46 W", "-189.55 - 22.25 A + 11.74 H + 18.34 W"),
    ("-671.75 + 3.68 A + 15.38 H + 23.25 W", "-709.59 - 22.25 A + 18.22 H + 14.25 W"),
];

/// By activity level: men, women.
const ADULT_2023: [(&str, &str); 4] = [
    ("753.07 - 10.83 A + 6.50 H + 14.10 W", "584.90 - 7.01 A + 5.72 H + 11.71 W"),
    ("581.47 - 10.83 A + 8.30 H + 14.94 W", "575.77 - 7.01 A + 6.60 H + 12.14 W"),
    ("1004.82 - 10.83 A + 6.52 H + 15.91 W", "710.25 - 7.01 A + 6.54 H + 12.34 W"),
    ("-517.88 - 10.83 A + 15.61 H + 19.11 W", "511.83 - 7.01 A + 9.07 H + 12.56 W"),
];

/// Energy cost of growth by age in years, kcal/d.
const GROWTH_BOYS: &Bands<&str> = &[
    (Exact::int(0), Some(Exact::ratio(1, 4)), "200"),
    (Exact::ratio(1, 4), Some(Exact::ratio(1, 2)), "50"),
    (Exact::ratio(1, 2), Some(years(4)), "20"),
    (years(4), Some(years(9)), "15"),
    (years(9), Some(years(14)), "25"),
    (years(14), Some(years(19)), "20"),
];
const GROWTH_GIRLS: &Bands<&str> = &[
    (Exact::int(0), Some(Exact::ratio(1, 4)), "180"),
    (Exact::ratio(1, 4), Some(Exact::ratio(1, 2)), "60"),
    (Exact::ratio(1, 2), Some(years(1)), "20"),
    (years(1), Some(years(9)), "15"),
    (years(9), Some(years(14)), "30"),
    (years(14), Some(years(19)), "20"),
];

/// The 2023 requirement: one estimate below 3 years, four activity levels from there.
pub(super) fn eer_2023(person: &Person<'_>) -> Vec<Estimate> {
    let three = years(3);
    let under_19 = match person.years() {
        Some(age) if age.high < three => return vec![eer_2023_level(person, None, UNDER_3, true)],
        Some(age) if age.low < three => return vec![unsettled(person, &EER_2023)],
        Some(age) if age.high < years(19) => true,
        Some(age) if age.low >= years(19) => false,
        Some(_) => {
            let mut sheet = Sheet::new(person, &EER_2023);
            sheet.formula("by sex, age band and activity level");
            if let Some(age) = sheet.age_years() {
                sheet.refuse(format!(
                    "the birth date leaves an age of {} years, across the limit at 19 years",
                    age.shown()
                ));
            }
            return vec![sheet.done(None)];
        }
        None => return vec![unsettled(person, &EER_2023)],
    };
    let table = if under_19 { CHILD_2023 } else { ADULT_2023 };
    LEVELS_2023.iter().zip(table).map(|(name, sums)| eer_2023_level(person, Some(name), sums, under_19)).collect()
}

fn eer_2023_level(
    person: &Person<'_>,
    level: Option<&'static str>,
    (male, female): (&'static str, &'static str),
    grows: bool,
) -> Estimate {
    let mut sheet = Sheet::new(person, &EER_2023);
    if let Some(level) = level {
        sheet.variant(level);
        sheet.note(IMMOBILE);
    }
    sheet.wants(true, true, true);
    sheet.formula("by sex, age band and activity level");
    let (sex, age) = (sheet.sex(), sheet.age_years());
    let mut value = None;
    if let (Some(sex), Some(age)) = (sex, age) {
        let text = if sex == Sex::Male { male } else { female };
        sheet.formula(text);
        value = sheet.work_out(text);
        if grows {
            let bands = if sex == Sex::Male { GROWTH_BOYS } else { GROWTH_GIRLS };
            let growth = sheet.band(bands, age, "years").copied();
            if let Some(growth) = growth {
                sheet.formula(format!("({text}) + {growth}"));
                value = value.zip(sheet.work_out(growth)).and_then(|(total, growth)| total.add(growth));
            }
            if sex == Sex::Male && age.high >= years(3) && age.low < years(4) {
                sheet.note("growth of boys at 3 years: one text read gives 20 kcal/d, another 15");
            }
        }
    }
    sheet.amount(value)
}

const DRI_PROTEIN: Card = Card {
    id: "dri-protein",
    name: "Dietary Reference Intake, protein",
    kind: Kind::Protein,
    unit: "g/d",
    domain: "healthy children below 19 years",
    source: Source::new(Mark::TextSeen, "Dietary Reference Intakes, protein per kg (reprinted page)"),
};

/// g/kg/d by age in years; 0–6 months in completed months.
const DRI_PROTEIN_BANDS: &Bands<&str> = &[
    (Exact::int(0), Some(Exact::ratio(7, 12)), "1.52"),
    (Exact::ratio(7, 12), Some(years(1)), "1.2"),
    (years(1), Some(years(4)), "1.05"),
    (years(4), Some(years(14)), "0.95"),
    (years(14), Some(years(19)), "0.85"),
];

const SAFE_PROTEIN: Card = Card {
    id: "who-safe-protein",
    name: "WHO safe level of protein",
    kind: Kind::Protein,
    unit: "g/d",
    domain: "healthy children from 6 months to 18 years",
    source: Source::new(
        Mark::TextSeen,
        "WHO/FAO/UNU 2007, Technical Report Series 935 (European Commission knowledge page)",
    ),
};

/// Boys, girls; completed years, the first from 6 months.
const SAFE_BANDS: &BySex = &[
    (Exact::ratio(1, 2), Some(years(1)), ("1.31", "1.31")),
    (years(1), Some(years(2)), ("1.14", "1.14")),
    (years(2), Some(years(3)), ("0.97", "0.97")),
    (years(3), Some(years(4)), ("0.90", "0.90")),
    (years(4), Some(years(7)), ("0.87", "0.87")),
    (years(7), Some(years(11)), ("0.92", "0.92")),
    (years(11), Some(years(15)), ("0.90", "0.89")),
    (years(15), Some(years(19)), ("0.87", "0.84")),
];

const PROTEIN_SHARE: Card = Card {
    id: "protein-share",
    name: "Suggested upper share of protein",
    kind: Kind::ProteinShare,
    unit: "%",
    domain: "healthy children",
    source: Source::new(Mark::TextSeen, "Nordic nutrition recommendations 2012 (European Commission knowledge page)"),
};

/// Percent of energy by age in months.
const SHARE_BANDS: &Bands<&str> = &[
    (Exact::int(0), Some(Exact::int(6)), "<=10"),
    (Exact::int(6), Some(Exact::int(12)), "<=15"),
    (Exact::int(12), Some(Exact::int(24)), "<=17"),
    (Exact::int(24), None, "<=20"),
];

const PICU_PROTEIN: Card = Card {
    id: "picu-protein",
    name: "Paediatric intensive care, protein",
    kind: Kind::Protein,
    unit: "g/d",
    domain: "critically ill children from 1 month to 18 years",
    source: Source::new(Mark::TextSeen, "SCCM/ASPEN paediatric critical care 2017 (abstract)"),
};

const PICU_SHARE: Card = Card {
    id: "picu-energy-share",
    name: "Paediatric intensive care, energy by the end of week 1",
    kind: Kind::TargetShare,
    unit: "%",
    domain: "critically ill children from 1 month to 18 years",
    source: Source::new(Mark::TextSeen, "SCCM/ASPEN paediatric critical care 2017 (abstract)"),
};

/// Protein: reference intakes, safe level, suggested upper share, and what intensive care asks for.
pub(super) fn protein(person: &Person<'_>) -> Vec<Estimate> {
    let mut out = vec![];

    let mut sheet = Sheet::new(person, &DRI_PROTEIN);
    let age = sheet.age_years();
    let row = age.and_then(|age| sheet.band(DRI_PROTEIN_BANDS, age, "years").copied());
    out.push(per_kg(sheet, row));

    let mut sheet = Sheet::new(person, &SAFE_PROTEIN);
    let (sex, age) = (sheet.sex(), sheet.age_years());
    let row = age.and_then(|age| sheet.band(SAFE_BANDS, age, "years").copied());
    let row = sex.zip(row).map(|(sex, (boys, girls))| if sex == Sex::Male { boys } else { girls });
    out.push(per_kg(sheet, row));

    let mut sheet = Sheet::new(person, &PROTEIN_SHARE);
    let age = sheet.age_months();
    let row = age.and_then(|age| sheet.band(SHARE_BANDS, age, "months").copied());
    let figure = row.and_then(Figure::read);
    sheet.formula(figure.map_or_else(|| "by age band".to_owned(), |share| format!("{} % of energy", share.shown(0))));
    out.push(sheet.done(figure));

    let mut sheet = Sheet::new(person, &PICU_PROTEIN);
    sheet.setting(Some("paediatric intensive care"));
    critical_ages(&mut sheet);
    out.push(per_kg(sheet, Some(">=1.5")));

    let mut sheet = Sheet::new(person, &PICU_SHARE);
    sheet.setting(Some("paediatric intensive care"));
    sheet.formula("at least 2/3 of the prescribed energy by the end of week 1");
    critical_ages(&mut sheet);
    sheet.note("of whichever energy goal is prescribed; none is picked here");
    out.push(sheet.done(Some(Figure::AtLeast(Exact::ratio(200, 3)))));
    out
}

/// Flags an age under 1 month (from memory: the guideline covers more than 1 month to below 18 years).
fn critical_ages(sheet: &mut Sheet<'_>) {
    if let Some(age) = sheet.age_months()
        && (age.low < Exact::ONE || age.high >= Exact::int(216))
    {
        sheet.flag(format!("age {} months, domain 1 month to below 18 years", age.shown()));
    }
}

/// `row` g/kg/d × weight.
fn per_kg(mut sheet: Sheet<'_>, row: Option<&str>) -> Estimate {
    let weight = sheet.weight();
    let figure = row.and_then(Figure::read);
    match figure {
        Some(figure) => {
            sheet.per_kg(figure);
            sheet.formula(format!("{} g/kg/d × W", figure.shown(3)));
        }
        None => sheet.formula("by age band, g/kg/d × W"),
    }
    let total = figure.zip(weight).and_then(|(figure, kg)| figure.each_end(|per_kg| per_kg.mul(kg)));
    sheet.done(total)
}
