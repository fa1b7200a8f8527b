//! Adults: resting energy by equation, and targets per kg by care setting.

use super::estimate::{Estimate, Figure, Kind, Mark, Sex, Source};
use super::person::{Bands, Basis, Card, Person, Sheet};
use crate::exact::Exact;

/// Every equation predicts groups.
const GROUPS: &str = "predicts groups: for one person typically within 10 to 15 %, not better";

/// Mifflin-St Jeor as a sum.
pub(super) const fn mifflin_st_jeor(sex: Sex) -> &'static str {
    match sex {
        Sex::Male => "10 W + 6.25 H - 5 A + 5",
        Sex::Female => "10 W + 6.25 H - 5 A - 161",
    }
}

/// A resting-energy equation with one sum for each sex.
struct ForEachSex {
    card: Card,
    men: &'static str,
    women: &'static str,
    /// Completed years, first and one past the last.
    ages: (i64, Option<i64>),
    note: Option<&'static str>,
}

const MIFFLIN: ForEachSex = ForEachSex {
    card: Card {
        id: "mifflin-st-jeor",
        name: "Mifflin-St Jeor",
        kind: Kind::RestingEnergy,
        unit: "kcal/d",
        domain: "498 healthy adults of 19 to 78 years, normal weight and obese; actual weight",
        source: Source::new(Mark::TextSeen, "Mifflin et al., Am J Clin Nutr 1990;51:241 (abstract)"),
    },
    men: mifflin_st_jeor(Sex::Male),
    women: mifflin_st_jeor(Sex::Female),
    ages: (19, Some(79)),
    note: None,
};

const BY_SEX: [ForEachSex; 2] = [
    ForEachSex {
        card: Card {
            id: "harris-benedict",
            name: "Harris-Benedict 1919",
            kind: Kind::RestingEnergy,
            unit: "kcal/d",
            domain: "239 healthy adults",
            source: Source::new(
                Mark::TextSeen,
                "Harris and Benedict, Carnegie Institution 1919 (coefficients as reprinted)",
            ),
        },
        men: "66.4730 + 13.7516 W + 5.0033 H - 6.7550 A",
        women: "655.0955 + 9.5634 W + 1.8496 H - 4.6756 A",
        ages: (18, None),
        note: Some("overestimates by about 5 %"),
    },
    ForEachSex {
        card: Card {
            id: "roza-shizgal",
            name: "Harris-Benedict revised by Roza and Shizgal",
            kind: Kind::RestingEnergy,
            unit: "kcal/d",
            domain: "adults; a larger and older sample than 1919",
            source: Source::new(Mark::TextSeen, "Roza and Shizgal, Am J Clin Nutr 1984;40:168 (abstract)"),
        },
        men: "88.362 + 13.397 W + 4.799 H - 5.677 A",
        women: "447.593 + 9.247 W + 3.098 H - 4.330 A",
        ages: (18, None),
        note: Some("95 % range of single persons: 213 kcal either way in men, 201 in women"),
    },
];

const PENN_2003B: Card = Card {
    id: "penn-state-2003b",
    name: "Penn State 2003b",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "ventilated adults with a body mass index below 30 at any age, or of 30 and more below 60 years",
    source: Source::new(
        Mark::TextSeen,
        "Frankenfield 2004 and 2009; coefficients and rule as in Ann Intensive Care 2016, methods table",
    ),
};

const PENN_2010: Card = Card {
    id: "penn-state-2010",
    name: "Penn State 2010 (modified)",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "ventilated adults of 60 years and more with a body mass index of 30 and more",
    source: Source::new(Mark::Secondary, "Frankenfield 2011; coefficients seen second-hand, domain from memory"),
};

const FAO_1985: Card = Card {
    id: "fao-who-unu-1985-adult",
    name: "FAO/WHO/UNU 1985",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "adults from 18 years; weight only",
    source: Source::new(
        Mark::FromMemory,
        "FAO/WHO/UNU, Energy and protein requirements, WHO Technical Report Series 724, 1985, adult rows",
    ),
};

/// Years from, to, and (men, women).
const FAO_BANDS: &Bands<(&str, &str)> = &[
    (Exact::int(18), Some(Exact::int(30)), ("15.3 W + 679", "14.7 W + 496")),
    (Exact::int(30), Some(Exact::int(60)), ("11.6 W + 879", "8.7 W + 829")),
    (Exact::int(60), None, ("13.5 W + 487", "10.5 W + 596")),
];

const CALORIMETRY: Card = Card {
    id: "indirect-calorimetry",
    name: "Indirect calorimetry",
    kind: Kind::RestingEnergy,
    unit: "kcal/d",
    domain: "the person measured, while the state is that of the measurement",
    source: Source::new(Mark::CommonPractice, "measured in this person; outranks every equation"),
};

/// A measured expenditure, listed first where it is given.
pub(super) fn measured(person: &Person<'_>) -> Option<Estimate> {
    person.inputs().measured_energy_kcal?;
    let mut sheet = Sheet::new(person, &CALORIMETRY);
    sheet.formula("as measured");
    let value = sheet.measured_energy();
    Some(sheet.done(value.map(Figure::One)))
}

/// Resting energy: every equation for adults. The Penn State pair only where ventilation data is given.
pub(super) fn resting(person: &Person<'_>) -> Vec<Estimate> {
    let mut out = vec![mifflin(person)];
    out.extend(BY_SEX.iter().map(|equation| for_each_sex(person, equation)));
    if person.inputs().ventilated.is_some() {
        out.push(penn_state(person, &PENN_2003B, "0.96 R + 31 V + 167 T - 6212", |bmi, old| !(bmi && old)));
        out.push(penn_state(person, &PENN_2010, "0.71 R + 64 V + 85 T - 3085", |bmi, old| bmi && old));
    }
    out.push(fao_1985(person));
    out
}

/// Mifflin-St Jeor.
pub(super) fn mifflin(person: &Person<'_>) -> Estimate {
    for_each_sex(person, &MIFFLIN)
}

fn for_each_sex(person: &Person<'_>, equation: &ForEachSex) -> Estimate {
    let mut sheet = Sheet::new(person, &equation.card);
    let sex = sheet.sex();
    let text = match sex {
        Some(Sex::Female) => equation.women,
        _ => equation.men,
    };
    match sex {
        Some(_) => sheet.formula(text),
        None => sheet.formula(format!("men {}; women {}", equation.men, equation.women)),
    }
    let value = sheet.work_out(text);
    sheet.ages(equation.ages.0, equation.ages.1);
    if let Some(note) = equation.note {
        sheet.note(note);
    }
    sheet.note(GROUPS);
    sheet.amount(value)
}

/// `holds(obese, sixty or older)` is the source's rule of use.
fn penn_state(person: &Person<'_>, card: &Card, text: &'static str, holds: fn(bool, bool) -> bool) -> Estimate {
    let mut sheet = Sheet::new(person, card);
    sheet.formula(text);
    sheet.setting(Some("mechanically ventilated, intensive care"));
    let value = sheet.work_out(text);
    sheet.ages(18, None);
    if let (Some(bmi), Some(age)) = (person.body_mass_index(), person.years()) {
        let sixty = Exact::int(60);
        let obese = bmi >= Exact::int(30);
        if !holds(obese, age.low >= sixty) || !holds(obese, age.high >= sixty) {
            sheet.flag(format!("body mass index {} at {} years, domain {}", bmi.short(1), age.shown(), card.domain));
        }
    }
    sheet.note("add no stress or injury factor");
    sheet.note(GROUPS);
    sheet.amount(value)
}

fn fao_1985(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &FAO_1985);
    sheet.wants(true, true, false);
    let (sex, age) = (sheet.sex(), sheet.age_years());
    sheet.formula("men 18–30 years 15.3 W + 679, 30–60 11.6 W + 879, from 60 13.5 W + 487; women 14.7 W + 496, 8.7 W + 829, 10.5 W + 596");
    let value = match (sex, age) {
        (Some(sex), Some(age)) => sheet.band(FAO_BANDS, age, "years").copied().and_then(|(men, women)| {
            let text = if sex == Sex::Male { men } else { women };
            sheet.formula(text);
            sheet.work_out(text)
        }),
        _ => None,
    };
    sheet.note(GROUPS);
    sheet.amount(value)
}

/// The body mass indexes a row is for.
#[derive(Clone, Copy)]
enum Bmi {
    Any,
    /// From (included), to (excluded), in words.
    Within(i64, i64, &'static str),
    /// From and to, both included.
    Between(i64, i64, &'static str),
    /// Above.
    Above(i64, &'static str),
}

/// A care setting.
#[derive(Clone, Copy)]
struct Setting {
    id: &'static str,
    name: &'static str,
    text: &'static str,
}

const fn setting(id: &'static str, name: &'static str, text: &'static str) -> Setting {
    Setting { id, name, text }
}

/// A row of the table of targets per kg.
struct Row {
    setting: Setting,
    variant: Option<&'static str>,
    kind: Kind,
    per_kg: &'static str,
    basis: Basis,
    bmi: Bmi,
    /// Completed years, from.
    from: i64,
    source: Source,
    note: Option<&'static str>,
}

const ICU: &str = "intensive care";
const WARD_OBESE: &str = "general ward, obesity";
const WARD: Setting =
    setting("ward", "General ward", "general ward, not severely ill or injured, no risk of refeeding syndrome");
const CRITICAL: Setting = setting("icu", "Intensive care (ASPEN/SCCM 2016)", ICU);
const CRITICAL_WEEK: Setting =
    setting("icu-first-days", "Intensive care, first days (ASPEN 2022)", "intensive care, first 7 to 10 days");
const CRITICAL_ESPEN: Setting = setting("icu-espen", "Intensive care (ESPEN)", ICU);
const CRITICAL_OBESE: Setting = setting("icu-obesity", "Intensive care, obesity (ASPEN/SCCM 2016)", ICU);
const CRITICAL_ADJUSTED: Setting = setting("icu-obesity-adjusted", "Intensive care, obesity, adjusted weight", ICU);
const OBESE: Setting = setting("ward-obesity", "General ward, obesity", WARD_OBESE);
const CKD: Setting = setting(
    "kidney-disease",
    "Chronic kidney disease, no dialysis",
    "chronic kidney disease stage 3 to 5, no dialysis, stable",
);
const DIALYSIS: Setting = setting("dialysis", "Maintenance dialysis", "maintenance dialysis");
const AKI: Setting = setting("acute-kidney-injury", "Acute kidney injury", "acute kidney injury");
const OLD: Setting = setting("older-adult", "Older adult", "older adult with chronic illness");
const PRESSURE: Setting = setting("pressure-injury", "Pressure injury", "pressure injury");
const HEALTHY: Setting = setting("dri-adult", "Dietary Reference Intake, protein", "healthy");
const BELOW_30: Bmi = Bmi::Within(0, 30, "below 30");
const NICE: Source = Source::new(Mark::TextSeen, "NICE CG32, Nutrition support for adults");
const ASPEN_2016: Source =
    Source::new(Mark::TextSeen, "ASPEN/SCCM 2016, as tabulated in Crit Care 2022 (s13054-022-04148-0)");
const ASPEN_2016_SECOND: Source =
    Source::new(Mark::Secondary, "ASPEN/SCCM 2016, as tabulated in Crit Care 2020 (s13054-020-2739-4)");
const ASPEN_2022: Source =
    Source::new(Mark::FromMemory, "ASPEN 2022, provision of nutrition support therapy in adult critical illness");
const ESPEN_ADJUSTED: Source = Source::new(
    Mark::FromMemory,
    "ESPEN intensive care; only the adjusted weight was seen (Crit Care 2022, s13054-022-04148-0)",
);
const KDOQI_PROTEIN: Source = Source::new(
    Mark::TextSeen,
    "KDOQI nutrition in CKD, 2020 update (statements on an evidence-library page; PMC8045140, Table 1)",
);
const DIALYSIS_ENERGY: Source =
    Source::new(Mark::Secondary, "KDOQI nutrition in CKD, 2020 update, energy in maintenance dialysis");
const AKI_SOURCE: Source = Source::new(Mark::FromMemory, "ASPEN/SCCM 2016, acute kidney injury");
const CRRT: Source = Source::new(Mark::Secondary, "ASPEN/SCCM 2016, continuous renal replacement, course text of 2022");
const GERIATRICS: Source = Source::new(Mark::Secondary, "ESPEN geriatrics 2018");
const PRESSURE_SOURCE: Source =
    Source::new(Mark::TextSeen, "international pressure-ulcer guideline, 2009 and 2014 editions (2019 not seen)");
const PRACTICE: Source = Source::new(Mark::CommonPractice, "no published source known");

const fn row(
    setting: Setting,
    variant: Option<&'static str>,
    kind: Kind,
    per_kg: &'static str,
    basis: Basis,
    bmi: Bmi,
    source: Source,
) -> Row {
    Row { setting, variant, kind, per_kg, basis, bmi, from: 18, source, note: None }
}

const fn from(years: i64, row: Row) -> Row {
    Row { from: years, ..row }
}

const fn noted(note: &'static str, row: Row) -> Row {
    Row { note: Some(note), ..row }
}

use Basis::{Actual, Adjusted25, Ideal};
use Kind::{EnergyTarget as Energy, Protein};

const ROWS: [Row; 31] = [
    row(WARD, None, Energy, "25-35", Actual, BELOW_30, NICE),
    row(WARD, None, Protein, "0.8-1.5", Actual, BELOW_30, NICE),
    row(CRITICAL, None, Energy, "25-30", Actual, BELOW_30, ASPEN_2016_SECOND),
    row(CRITICAL, None, Protein, "1.2-2.0", Actual, BELOW_30, ASPEN_2016_SECOND),
    row(CRITICAL_WEEK, None, Energy, "12-25", Actual, BELOW_30, ASPEN_2022),
    row(CRITICAL_WEEK, None, Protein, "1.2-2.0", Actual, BELOW_30, ASPEN_2022),
    noted(
        "to be reached step by step, not on the first day",
        row(
            CRITICAL_ESPEN,
            None,
            Protein,
            "1.3",
            Actual,
            BELOW_30,
            Source::new(Mark::FromMemory, "ESPEN intensive care 2019 and 2023"),
        ),
    ),
    row(CRITICAL_OBESE, None, Energy, "11-14", Actual, Bmi::Between(30, 50, "30 to 50"), ASPEN_2016),
    row(
        CRITICAL_OBESE,
        Some("body mass index above 50"),
        Energy,
        "22-25",
        Ideal,
        Bmi::Above(50, "above 50"),
        ASPEN_2016,
    ),
    row(CRITICAL_OBESE, None, Protein, "2.0", Ideal, Bmi::Within(30, 40, "30 to below 40"), ASPEN_2016),
    noted(
        "the source says up to 2.5; the lower end is that of a body mass index of 30 to 40",
        row(
            CRITICAL_OBESE,
            Some("body mass index 40 and above"),
            Protein,
            "2.0-2.5",
            Ideal,
            Bmi::Within(40, 1000, "40 and above"),
            ASPEN_2016,
        ),
    ),
    row(CRITICAL_ADJUSTED, None, Energy, "20-25", Adjusted25, Bmi::Within(30, 1000, "30 and above"), ESPEN_ADJUSTED),
    row(CRITICAL_ADJUSTED, None, Protein, "1.3", Adjusted25, Bmi::Within(30, 1000, "30 and above"), ESPEN_ADJUSTED),
    row(OBESE, None, Energy, "20-25", Adjusted25, Bmi::Within(30, 1000, "30 and above"), PRACTICE),
    row(OBESE, None, Protein, "1.2-1.5", Adjusted25, Bmi::Within(30, 1000, "30 and above"), PRACTICE),
    row(CKD, None, Energy, "25-35", Ideal, Bmi::Any, KDOQI_PROTEIN),
    noted(
        "metabolically stable, under close supervision",
        row(CKD, None, Protein, "0.55-0.60", Ideal, Bmi::Any, KDOQI_PROTEIN),
    ),
    noted(
        "opinion; under close supervision",
        row(CKD, Some("with diabetes"), Protein, "0.6-0.8", Ideal, Bmi::Any, KDOQI_PROTEIN),
    ),
    noted(
        "about 1.0",
        row(
            CKD,
            Some("acutely ill"),
            Protein,
            "1.0",
            Ideal,
            Bmi::Any,
            Source::new(Mark::FromMemory, "KDOQI nutrition in CKD, 2020 update; figure not found in the text"),
        ),
    ),
    row(DIALYSIS, None, Energy, "25-35", Actual, Bmi::Any, DIALYSIS_ENERGY),
    row(DIALYSIS, None, Protein, "1.0-1.2", Actual, Bmi::Any, KDOQI_PROTEIN),
    row(AKI, None, Energy, "25-30", Actual, BELOW_30, AKI_SOURCE),
    row(AKI, None, Protein, "1.2-2.0", Actual, BELOW_30, AKI_SOURCE),
    row(AKI, Some("continuous renal replacement"), Protein, "<=2.5", Actual, BELOW_30, CRRT),
    noted("about 30", from(65, row(OLD, None, Energy, "30", Actual, BELOW_30, GERIATRICS))),
    from(65, row(OLD, Some("underweight"), Energy, "32-38", Actual, BELOW_30, GERIATRICS)),
    from(65, row(OLD, None, Protein, ">=1.0", Actual, BELOW_30, GERIATRICS)),
    from(
        65,
        row(
            OLD,
            Some("ill"),
            Protein,
            "1.2-1.5",
            Actual,
            BELOW_30,
            Source::new(Mark::FromMemory, "ESPEN geriatrics 2018"),
        ),
    ),
    row(PRESSURE, None, Energy, "30-35", Actual, BELOW_30, PRESSURE_SOURCE),
    noted(
        "the 2019 edition may start at 1.2",
        row(PRESSURE, None, Protein, "1.25-1.5", Actual, BELOW_30, PRESSURE_SOURCE),
    ),
    from(
        19,
        row(
            HEALTHY,
            None,
            Protein,
            "0.8",
            Actual,
            Bmi::Any,
            Source::new(Mark::FromMemory, "Dietary Reference Intakes, recommended allowance of adults"),
        ),
    ),
];

/// Targets per kg of weight for every setting, then those given as a share of the full target.
pub(super) fn targets(person: &Person<'_>) -> Vec<Estimate> {
    let mut out: Vec<Estimate> = ROWS.iter().map(|row| target(person, row)).collect();
    out.push(ward_obesity_by_equation(person));
    for share in &SHARES {
        let mut sheet = Sheet::new(person, &share.card());
        sheet.variant(share.variant);
        sheet.setting(Some(share.setting));
        sheet.formula(share.text);
        sheet.ages(18, None);
        sheet.note(share.of);
        out.push(sheet.done(Figure::read(share.percent)));
    }
    out
}

fn target(person: &Person<'_>, row: &Row) -> Estimate {
    let unit = if row.kind == Energy { "kcal/d" } else { "g/d" };
    let card = Card {
        id: row.setting.id,
        name: row.setting.name,
        kind: row.kind,
        unit,
        domain: domain(row),
        source: row.source,
    };
    let mut sheet = Sheet::new(person, &card);
    if let Some(variant) = row.variant {
        sheet.variant(variant);
    }
    sheet.setting(Some(row.setting.text));
    let figure = Figure::read(row.per_kg);
    if let Some(figure) = figure {
        sheet.per_kg(figure);
        let shown = unit.strip_suffix("/d").unwrap_or(unit);
        sheet.formula([&figure.shown(3), " ", shown, "/kg/d × ", row.basis.name()].concat());
    }
    let weight = sheet.weight_on(row.basis);
    sheet.ages(row.from, None);
    match row.bmi {
        Bmi::Any => {}
        Bmi::Within(low, high, text) => {
            sheet.body_mass_index(|bmi| bmi >= Exact::int(low) && bmi < Exact::int(high), text)
        }
        Bmi::Between(low, high, text) => {
            sheet.body_mass_index(|bmi| bmi >= Exact::int(low) && bmi <= Exact::int(high), text)
        }
        Bmi::Above(low, text) => sheet.body_mass_index(|bmi| bmi > Exact::int(low), text),
    }
    if let Some(note) = row.note {
        sheet.note(note);
    }
    let total = figure.zip(weight).and_then(|(figure, weight)| figure.each_end(|per_kg| per_kg.mul(weight)));
    sheet.done(total)
}

/// The part of a row's domain that the inputs can show.
fn domain(row: &Row) -> &'static str {
    match (row.from, row.bmi) {
        (65, _) => "adults from 65 years, body mass index below 30",
        (19, _) => "adults from 19 years",
        (_, Bmi::Any) => "adults",
        (_, Bmi::Within(30, 40, _)) => "adults, body mass index 30 to below 40",
        (_, Bmi::Within(40, ..)) => "adults, body mass index 40 and above",
        (_, Bmi::Within(30, ..)) => "adults, body mass index 30 and above",
        (_, Bmi::Within(..)) => "adults, body mass index below 30 (for 30 and above the rows for obesity are meant)",
        (_, Bmi::Between(..)) => "adults, body mass index 30 to 50",
        (_, Bmi::Above(..)) => "adults, body mass index above 50",
    }
}

/// Mifflin-St Jeor on actual weight × 1.2 to 1.3.
fn ward_obesity_by_equation(person: &Person<'_>) -> Estimate {
    let card = Card {
        id: "ward-obesity-mifflin",
        name: "Mifflin-St Jeor × 1.2 to 1.3",
        kind: Energy,
        unit: "kcal/d",
        domain: "adults with a body mass index of 30 and more; actual weight",
        source: PRACTICE,
    };
    let mut sheet = Sheet::new(person, &card);
    sheet.setting(Some(WARD_OBESE));
    sheet.formula("(1.2 to 1.3) × R");
    let resting = sheet.work_out("1 R");
    sheet.ages(19, Some(79));
    sheet.body_mass_index(|bmi| bmi >= Exact::int(30), "30 and above");
    let value = resting.and_then(|r| {
        Some(super::formula::Span { low: r.low.mul(Exact::decimal(12, 1))?, high: r.high.mul(Exact::decimal(13, 1))? })
    });
    sheet.amount(value)
}

/// A target that is a share of another one.
struct Share {
    id: &'static str,
    variant: &'static str,
    setting: &'static str,
    text: &'static str,
    percent: &'static str,
    of: &'static str,
    source: Source,
}

impl Share {
    const fn card(&self) -> Card {
        Card {
            id: self.id,
            name: "Share of the full target",
            kind: Kind::TargetShare,
            unit: "%",
            domain: "adults",
            source: self.source,
        }
    }
}

const OF_EXPENDITURE: &str = "of whichever expenditure is used; none is picked here";
const ESPEN_PHASE: Source = Source::new(
    Mark::Secondary,
    "ESPEN intensive care 2019 and 2023, as tabulated in Crit Care 2020 (s13054-020-2739-4) and PMC9923975",
);

const SHARES: [Share; 4] = [
    Share {
        id: "icu-phase",
        variant: "days 1 to 3",
        setting: ICU,
        text: "at most 70 % of expenditure",
        percent: "<=70",
        of: OF_EXPENDITURE,
        source: ESPEN_PHASE,
    },
    Share {
        id: "icu-phase",
        variant: "after day 3, measured by calorimetry",
        setting: ICU,
        text: "80 to 100 % of measured expenditure",
        percent: "80-100",
        of: "the table that was read prints 70 to 100 %",
        source: Source::new(Mark::FromMemory, "ESPEN intensive care 2019 and 2023"),
    },
    Share {
        id: "icu-phase",
        variant: "week 1, estimated by equation",
        setting: ICU,
        text: "below 70 % of estimated expenditure",
        percent: "<=70",
        of: OF_EXPENDITURE,
        source: ESPEN_PHASE,
    },
    Share {
        id: "severe-illness-start",
        variant: "start",
        setting: "seriously ill or injured",
        text: "at most 50 % of the energy and protein target",
        percent: "<=50",
        of: "for the first 24 to 48 h (that time from memory)",
        source: NICE,
    },
];
