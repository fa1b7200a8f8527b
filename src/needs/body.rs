//! Body size: ideal and adjusted weight, body mass index, body surface.

use super::estimate::{Estimate, Figure, Kind, Mark, Sex, Source};
use super::growth;
use super::person::{Card, Person, Sheet};
use crate::exact::Exact;
use std::borrow::Cow;

const DEVINE: Card = Card {
    id: "devine",
    name: "Ideal weight (Devine)",
    kind: Kind::ReferenceWeight,
    unit: "kg",
    domain: "adults from 152.4 cm; not children, not after amputation",
    source: Source::new(Mark::TextSeen, "Devine 1974 (PMC4411565, Table 3)"),
};
const HAMWI: Card = Card {
    id: "hamwi",
    name: "Ideal weight (Hamwi)",
    kind: Kind::ReferenceWeight,
    unit: "kg",
    domain: "adults from 152.4 cm; not children, not after amputation",
    source: Source::new(Mark::TextSeen, "Hamwi 1964 (PMC4411565, Table 3)"),
};
const ADJUSTED_25: Card = Card {
    id: "adjusted-weight-25",
    name: "Adjusted weight, 0.25 of the excess",
    kind: Kind::ReferenceWeight,
    unit: "kg",
    domain: "adults above 120 % of ideal weight or with a body mass index of 30 and more; nutrition",
    source: Source::new(
        Mark::TextSeen,
        "PMC4411565, Table 3; ESPEN intensive care uses 0.25 (Crit Care 2022, s13054-022-04148-0)",
    ),
};
const ADJUSTED_40: Card = Card {
    id: "adjusted-weight-40",
    name: "Adjusted weight, 0.40 of the excess",
    kind: Kind::ReferenceWeight,
    unit: "kg",
    domain: "adults above 120 % of ideal weight or with a body mass index of 30 and more; drug dosing",
    source: Source::new(Mark::TextSeen, "PMC4411565, Table 3"),
};
const BODY_MASS_INDEX: Card = Card {
    id: "body-mass-index",
    name: "Body mass index",
    kind: Kind::BodyMassIndex,
    unit: "kg/m2",
    domain: "classes for adults",
    source: Source::new(Mark::FromMemory, "WHO adult classes"),
};
const MOSTELLER: Card = Card {
    id: "mosteller",
    name: "Body surface (Mosteller)",
    kind: Kind::BodySurface,
    unit: "m2",
    domain: "adults and children",
    source: Source::new(Mark::TextSeen, "Mosteller 1987 (PMC4411565, Table 3)"),
};

/// One pound, kg, exact by definition.
const POUND: Exact = Exact::decimal(45_359_237, 8);

/// Ideal and adjusted weights, for adults.
pub(super) fn reference_weights(person: &Person<'_>) -> Vec<Estimate> {
    let mut out = vec![devine(person)];

    let pounds = ((106, 6), (100, 5));
    let mut sheet = Sheet::new(person, &HAMWI);
    sheet.formula(by_sex(
        person,
        "(106 + 6 × (H ÷ 2.54 - 60)) × 0.45359237",
        "(100 + 5 × (H ÷ 2.54 - 60)) × 0.45359237",
    ));
    let ideal = hamwi(&mut sheet, pounds);
    out.push(sheet.done(ideal.map(Figure::One)));

    let mut sheet = Sheet::new(person, &HAMWI);
    sheet.variant("frame small to large");
    sheet.formula(by_sex(
        person,
        "(106 + 6 × (H ÷ 2.54 - 60)) × 0.45359237, 10 % either way",
        "(100 + 5 × (H ÷ 2.54 - 60)) × 0.45359237, 10 % either way",
    ));
    let ideal = hamwi(&mut sheet, pounds);
    out.push(
        sheet.done(
            ideal.and_then(|kg| Some(Figure::between(kg.mul(Exact::ratio(9, 10))?, kg.mul(Exact::ratio(11, 10))?))),
        ),
    );

    let mut sheet = Sheet::new(person, &HAMWI);
    sheet.variant("metric form");
    sheet.formula(by_sex(person, "48.0 + 2.7 × (H ÷ 2.54 - 60)", "45.5 + 2.2 × (H ÷ 2.54 - 60)"));
    let (sex, height) = (sheet.sex(), sheet.height());
    sheet.ages(18, None);
    let ideal = sex.zip(height).and_then(|(sex, cm)| {
        sheet.tall_enough(cm);
        let (base, per_inch) = match sex {
            Sex::Male => (Exact::int(48), Exact::decimal(27, 1)),
            Sex::Female => (Exact::decimal(455, 1), Exact::decimal(22, 1)),
        };
        sheet.over_sixty_inches(base, per_inch, cm)
    });
    out.push(sheet.done(ideal.map(Figure::One)));

    out.extend([adjusted_25(person), adjusted_40(person)]);
    out
}

/// Ideal weight, Devine.
pub(super) fn devine(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &DEVINE);
    sheet.formula(by_sex(person, "50 + 2.3 × (H ÷ 2.54 - 60)", "45.5 + 2.3 × (H ÷ 2.54 - 60)"));
    let ideal = sheet.ideal_weight();
    sheet.ages(18, None);
    sheet.done(ideal.map(Figure::One))
}

/// Ideal weight and a quarter of the excess.
pub(super) fn adjusted_25(person: &Person<'_>) -> Estimate {
    adjusted(person, &ADJUSTED_25, Exact::ratio(1, 4), "ideal (Devine) + 0.25 × (W - ideal)")
}

fn adjusted_40(person: &Person<'_>) -> Estimate {
    adjusted(person, &ADJUSTED_40, Exact::ratio(2, 5), "ideal (Devine) + 0.40 × (W - ideal)")
}

fn adjusted(person: &Person<'_>, card: &Card, factor: Exact, text: &'static str) -> Estimate {
    let mut sheet = Sheet::new(person, card);
    sheet.formula(text);
    let (actual, ideal) = (sheet.weight(), sheet.ideal_weight());
    sheet.ages(18, None);
    let adjusted = actual.zip(ideal).and_then(|(actual, ideal)| sheet.adjusted_weight(actual, ideal, factor));
    sheet.done(adjusted.map(Figure::One))
}

fn by_sex(person: &Person<'_>, men: &'static str, women: &'static str) -> Cow<'static, str> {
    match person.inputs().sex {
        Some(Sex::Male) => men.into(),
        Some(Sex::Female) => women.into(),
        None => format!("men {men}; women {women}").into(),
    }
}

/// Hamwi in pounds over 60 in, as kg.
fn hamwi(sheet: &mut Sheet<'_>, (men, women): ((i64, i64), (i64, i64))) -> Option<Exact> {
    let (sex, height) = (sheet.sex(), sheet.height());
    sheet.ages(18, None);
    let (sex, height) = (sex?, height?);
    sheet.tall_enough(height);
    let (base, per_inch) = if sex == Sex::Male { men } else { women };
    sheet.over_sixty_inches(Exact::int(base).mul(POUND)?, Exact::int(per_inch).mul(POUND)?, height)
}

/// Upper ends (excluded) of the adult classes.
const CLASSES: [(Exact, &str); 7] = [
    (Exact::int(16), "severe thinness (below 16)"),
    (Exact::int(17), "moderate thinness (16 to 16.9)"),
    (Exact::decimal(185, 1), "mild thinness (17 to 18.4)"),
    (Exact::int(25), "normal range (18.5 to 24.9)"),
    (Exact::int(30), "overweight (25 to 29.9)"),
    (Exact::int(35), "obesity class I (30 to 34.9)"),
    (Exact::int(40), "obesity class II (35 to 39.9)"),
];

/// The adult class of a body mass index, kg/m2.
pub fn body_mass_class(bmi: Exact) -> &'static str {
    CLASSES.iter().find(|(end, _)| bmi < *end).map_or("obesity class III (40 and above)", |(_, class)| class)
}

/// Body mass index with its class for adults.
pub(super) fn body_mass_index(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &BODY_MASS_INDEX);
    sheet.formula("W ÷ M²");
    let _ = (sheet.weight(), sheet.height());
    let bmi = person.body_mass_index();
    match person.years() {
        Some(age) if age.low >= Exact::int(18) => {
            if let Some(bmi) = bmi {
                sheet.class(body_mass_class(bmi));
            }
        }
        Some(_) => sheet.note("no class: those shown are for adults"),
        None => sheet.note("no class: the age is missing"),
    }
    sheet.done(bmi.map(Figure::One))
}

/// Body surface.
pub(super) fn body_surface(person: &Person<'_>) -> Estimate {
    let mut sheet = Sheet::new(person, &MOSTELLER);
    sheet.formula("√(H × W ÷ 3600)");
    let (height, weight) = (sheet.height(), sheet.weight());
    sheet.note("a root: rounded to 2 decimals");
    let surface = height.zip(weight).and_then(|(cm, kg)| growth::body_surface(cm, kg));
    sheet.done(surface.map(Figure::One))
}
