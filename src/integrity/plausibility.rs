//! Facts that cannot be together: a weight against an age, a way of feeding against the tube's tip.

use super::{Case, finding, found};
use crate::exact::Exact;
use crate::findings::{Finding, Outcome, Tier};
use crate::formulary::Match;
use crate::formulary::product::Form;
use crate::intake::order::At;
use crate::needs::growth::weight_for_ages;
use crate::nutrition::plan::{Kind, Lookup, Source};
use crate::nutrition::route::{Tip, tip};
use crate::settings::Site;
use crate::timing::calendar::DAY;
use crate::timing::schedule::{Method, per_day};
use std::borrow::Cow;

/// Pounds in a kilogram, to read a weight as pounds (1 lb = 0.45359237 kg).
const POUND: Exact = Exact::decimal(45_359_237, 8);

pub(super) fn weight_for_age_implausible(case: &Case<'_>) -> Outcome {
    let super::Weight::Usable { kg, at, .. } = &case.person.weight else {
        return Outcome::NotApplicable(Cow::Borrowed("there is no usable weight (CMP-02)"));
    };
    match against_age(case, kg, at) {
        flagged @ Outcome::Flagged(_) => flagged,
        other => against_birth_weight(case, *kg, *at).map_or(other, |f| found(vec![f])),
    }
}

/// Weights before term, kg: the least and the most (from memory, to be confirmed; wider than any chart).
const BEFORE_TERM: (Exact, Exact) = (Exact::decimal(3, 1), Exact::decimal(55, 1));

/// A tenth or ten times of a weight, where that lies within bounds.
fn decimal_moved(kg: Exact, within: (Exact, Exact)) -> Option<Exact> {
    let ten = Exact::int(10);
    [kg.div(ten), kg.mul(ten)].into_iter().flatten().find(|x| *x >= within.0 && *x <= within.1)
}

fn check_weight(moved: Option<Exact>) -> String {
    match moved {
        Some(kg) => format!(
            "Check weight, unit, birth date and patient. If the decimal point slipped, the weight is {} kg.",
            kg.short(3)
        ),
        None => "Check weight, unit, birth date and patient.".to_owned(),
    }
}

fn before_term(kg: Exact, at: At) -> Outcome {
    let (least, most) = BEFORE_TERM;
    if kg >= least && kg <= most {
        return Outcome::Clear;
    }
    found(vec![Finding {
        arithmetic: Some(format!(
            "{} kg; between {} and {} kg before term",
            kg.short(3),
            least.short(1),
            most.short(1)
        )),
        fix: Some(check_weight(decimal_moved(kg, BEFORE_TERM))),
        ..finding(
            Tier::High,
            format!("A weight of {} kg is implausible before term: everything per kg rests on it.", kg.short(3)),
            vec![at],
        )
    }])
}

/// In the first 14 days a weight is between half and twice the birth weight (from memory, to be confirmed).
fn against_birth_weight(case: &Case<'_>, kg: Exact, at: At) -> Option<Finding> {
    let (_, oldest) = case.person.age_days?;
    let (birth, birth_at) = case.person.birth_weight?;
    let (half, twice) = (birth.div(Exact::int(2))?, birth.mul(Exact::int(2))?);
    if oldest > Exact::int(14) || !birth.is_positive() || (kg >= half && kg <= twice) {
        return None;
    }
    Some(Finding {
        arithmetic: Some(format!(
            "{} kg; between {} and {} kg, half and twice the birth weight",
            kg.short(3),
            half.short(3),
            twice.short(3)
        )),
        fix: Some(check_weight(decimal_moved(kg, (half, twice)))),
        ..finding(
            Tier::High,
            format!(
                "A weight of {} kg does not fit the birth weight of {} kg in the first 14 days: everything per kg rests on it.",
                kg.short(3),
                birth.short(3)
            ),
            vec![at, birth_at],
        )
    })
}

/// A weight against growth charts and, where they do not reach, against bounds.
fn against_age(case: &Case<'_>, kg: &Exact, at: &At) -> Outcome {
    let Some((young, old)) = case.person.corrected_days else {
        return Outcome::NotEvaluated("whether the weight fits the age: the age is not known".to_owned(), vec![*at]);
    };
    if young > Exact::int(1_826) {
        return beyond_the_table(case, *kg, *at);
    }
    if old < Exact::ZERO {
        // The table starts at term.
        return before_term(*kg, *at);
    }
    let Some(sex) = case.person.sex else {
        return Outcome::NotEvaluated("whether the weight fits the age: the sex is not known".to_owned(), vec![*at]);
    };
    let day = |x: Exact| u32::try_from(x.max(Exact::ZERO).min(Exact::int(1_826)).floor()).unwrap_or(0);
    let scores = |kg: Exact| weight_for_ages(sex, (day(young), day(old)), kg);
    let Some((a, b)) = scores(*kg) else {
        return Outcome::NotEvaluated(
            "whether the weight fits the age: there is no z-score for it".to_owned(),
            vec![*at],
        );
    };
    if !(a.band.implausible() || b.band.implausible()) {
        return Outcome::Clear;
    }
    if !(a.band.implausible() && b.band.implausible()) {
        return Outcome::NotEvaluated(
            "whether the weight fits the age depends on the full birth date".to_owned(),
            vec![*at],
        );
    }
    // Pounds written as kilograms: the mechanism of most such slips.
    let as_pounds = kg.mul(POUND);
    let fix = match as_pounds.and_then(|kg| Some((kg, scores(kg)?.0))) {
        Some((kg, z)) if z.z.abs() <= Exact::int(2) => {
            format!(
                "Check unit, patient and age. If the number is in pounds, the weight is {} kg (z {}).",
                kg.short(2),
                z.z.short(2)
            )
        }
        _ => "Check unit, patient and age.".to_owned(),
    };
    found(vec![Finding {
        arithmetic: Some(format!(
            "weight-for-age z of {} kg at {} days: {} (implausible below −6 or above +5)",
            kg.short(3),
            old.short(0),
            b.z.short(2)
        )),
        fix: Some(fix),
        ..finding(
            Tier::High,
            format!(
                "A weight of {} kg is implausible at this age (z {}): everything per kg rests on it.",
                kg.short(3),
                b.z.short(2)
            ),
            vec![*at],
        )
    }])
}

/// Past the table's five years: bounds that not even severe illness passes, to see another patient's weight or
/// birth date, or a slip of the year. (kg at the least, kg at the most; from memory, wider than any chart)
fn beyond_the_table(case: &Case<'_>, kg: Exact, at: At) -> Outcome {
    let Some((young, old)) = case.age_years() else {
        return Outcome::NotEvaluated("whether the weight fits the age: the age is not known".to_owned(), vec![at]);
    };
    let bounds = |years: Exact| -> (i64, i64) {
        if years < Exact::int(10) {
            (8, 120)
        } else if years < Exact::int(18) {
            (13, 300)
        } else {
            (20, 400)
        }
    };
    let ((least, _), (_, most)) = (bounds(young), bounds(old));
    // Over 400 kg is WGT-05.
    if kg >= Exact::int(least) && (kg <= Exact::int(most) || most == 400) {
        return Outcome::Clear;
    }
    let years = if young.floor() == old.floor() {
        old.floor().to_string()
    } else {
        format!("{} to {}", young.floor(), old.floor())
    };
    found(vec![Finding {
        arithmetic: Some(format!("{} kg; between {least} and {most} kg at {years} years", kg.short(3))),
        fix: Some("Check weight, unit, birth date and patient.".to_owned()),
        ..finding(
            Tier::High,
            format!("A weight of {} kg is implausible at {years} years: everything per kg rests on it.", kg.short(3)),
            vec![at],
        )
    }])
}

pub(super) fn grams_as_kilograms(case: &Case<'_>) -> Outcome {
    let super::Weight::Usable { kg, at, .. } = &case.person.weight else {
        return Outcome::NotApplicable(Cow::Borrowed("there is no usable weight (CMP-02)"));
    };
    let young = case.person.age_days.is_some_and(|(_, oldest)| oldest < Exact::int(731));
    if !(*kg > Exact::int(400) || young && *kg >= Exact::int(100)) {
        return Outcome::Clear;
    }
    let grams = kg.div(Exact::int(1000)).unwrap_or(*kg);
    found(vec![Finding {
        arithmetic: Some(format!("{} g = {} kg", kg.short(0), grams.short(3))),
        fix: Some(format!("If the number is in grams, the weight is {} kg.", grams.short(3))),
        ..finding(
            Tier::Stop,
            format!("A weight of {} kg is not possible here; it may be in grams.", kg.short(1)),
            vec![*at],
        )
    }])
}

pub(super) fn not_enteral(case: &Case<'_>) -> Outcome {
    let Some(f) = &case.order.formula else { return Outcome::NotApplicable(Cow::Borrowed("there is no tube feed")) };
    // Whatever the route says: what is made for a vein has no business in a tube, nor its name in a feeding order.
    let for_a_vein = |found: &Match| match found {
        Match::Found { index, .. } => case.formulary.product(*index).is_some_and(|p| p.form == Form::Infusion),
        _ => false,
    };
    let named: Vec<&Lookup> = case.plan.lookups.iter().filter(|l| for_a_vein(&l.found)).collect();
    if let Some(first) = named.first() {
        return found(vec![Finding {
            fix: Some("Order a product for the tube; parenteral products are ordered by vein.".to_owned()),
            ..finding(
                Tier::Stop,
                format!("{} is made to be given by vein; this order feeds it by tube.", first.label),
                named.iter().map(|l| l.at).collect(),
            )
        }]);
    }
    let Some(concept) = f.route.value() else {
        return Outcome::NotApplicable(Cow::Borrowed("the route is not stated (CMP-01)"));
    };
    // The word alone is enough to stop: a feed into a vein kills.
    let words = concept.codings.iter().filter_map(|c| c.display.as_deref()).chain(concept.text.as_deref());
    let said = words.into_iter().any(says_into_a_vein);
    if !said && tip(case.settings, concept) != Tip::At(Site::NotEnteral) {
        return Outcome::Clear;
    }
    found(vec![Finding {
        fix: Some("Correct the route; use connectors for enteral feeding only (ISO 80369-3).".to_owned()),
        ..finding(
            Tier::Stop,
            "The route is not into the gut: a feed given into a vein is fatal.".to_owned(),
            vec![f.route.at().unwrap_or(f.at)],
        )
    }])
}

/// Words and abbreviations of ways into a vein; abbreviations also with full stops and spaces between their letters.
const INTO_A_VEIN: [&str; 12] =
    ["iv", "ivi", "cvc", "cvl", "cvad", "picc", "pivc", "cicc", "midline", "parenteral", "intraarterial", "zvk"];

fn says_into_a_vein(text: &str) -> bool {
    let lower = text.to_lowercase();
    if ["intraven", "central venous", "zentralven", "voie veineuse", "endoven"].iter().any(|word| lower.contains(word))
    {
        return true;
    }
    let words: Vec<&str> = lower.split(|c: char| !c.is_alphanumeric()).filter(|word| !word.is_empty()).collect();
    // "i.v." is two words of one letter each.
    let spelled =
        |from: usize| words.iter().skip(from).take_while(|word| word.chars().count() == 1).copied().collect::<String>();
    words.iter().any(|word| INTO_A_VEIN.contains(word))
        || (0..words.len()).any(|from| {
            let starts = from.checked_sub(1).and_then(|before| words.get(before)).is_none_or(|w| w.chars().count() > 1);
            starts && INTO_A_VEIN.contains(&spelled(from).as_str())
        })
}

/// Centimetres in an inch, to read a height as inches.
const INCH: Exact = Exact::decimal(254, 2);

/// Heights in cm that are plausible at an age in years, and those that are possible at all (common practice, no source; wider
/// than growth charts at six standard deviations): least, most.
fn heights(years: Exact) -> ((i64, i64), (i64, i64)) {
    if years < Exact::decimal(8, 2) {
        ((22, 62), (20, 65))
    } else if years < Exact::ONE {
        ((28, 90), (25, 95))
    } else if years < Exact::int(2) {
        ((50, 105), (45, 110))
    } else if years < Exact::int(5) {
        ((62, 132), (55, 140))
    } else if years < Exact::int(10) {
        ((75, 170), (65, 180))
    } else if years < Exact::int(18) {
        ((90, 220), (75, 240))
    } else {
        ((120, 230), (90, 250))
    }
}

pub(super) fn height_for_age_implausible(case: &Case<'_>) -> Outcome {
    let Some((cm, at)) = case.person.height else {
        return Outcome::NotApplicable(Cow::Borrowed("there is no usable height"));
    };
    let ages = case.age_years().unwrap_or((Exact::ZERO, Exact::int(123)));
    let ((plausible, possible), (plausible_old, possible_old)) = (heights(ages.0), heights(ages.1));
    let within =
        |(least, _): (i64, i64), (_, most): (i64, i64), cm: Exact| cm >= Exact::int(least) && cm <= Exact::int(most);
    if within(plausible, plausible_old, cm) {
        return Outcome::Clear;
    }
    let years = if ages.0.floor() == ages.1.floor() {
        ages.1.floor().to_string()
    } else {
        format!("{} to {}", ages.0.floor(), ages.1.floor())
    };
    let other = [("inches", cm.mul(INCH)), ("metres", cm.mul(Exact::int(100)))]
        .into_iter()
        .find_map(|(unit, as_cm)| as_cm.filter(|x| within(plausible, plausible_old, *x)).map(|x| (unit, x)));
    let grave = !within(possible, possible_old, cm);
    let fix = match other {
        Some((unit, as_cm)) => {
            format!("Check unit, patient and age. If the number is in {unit}, the height is {} cm.", as_cm.short(1))
        }
        None => "Check unit, patient and age; measure again.".to_owned(),
    };
    found(vec![Finding {
        arithmetic: Some(format!(
            "{} cm; between {} and {} cm at {years} years",
            cm.short(2),
            plausible.0,
            plausible_old.1
        )),
        fix: Some(fix),
        ..finding(
            if grave { Tier::High } else { Tier::Med },
            format!(
                "A height of {} cm is {} at {years} years: body-mass index and ideal weight rest on it.",
                cm.short(2),
                if grave { "implausible" } else { "unusual" }
            ),
            vec![at],
        )
    }])
}

/// The rate, mL/h, that a pump is set to for a day's volume: down to the coarsest step of the pumps that may be in use,
/// where none is known down to tenths under 10 kg or 1 year, else up to whole mL/h (common practice, no source). `None`
/// where no such rate is above zero.
fn settable(case: &Case<'_>, rate: Exact) -> Option<Exact> {
    let small = match case.person.weight.kg() {
        Some(kg) => kg < Exact::int(10),
        None => case.age_years().is_none_or(|(young, _)| young < Exact::ONE),
    };
    let pump = case.pumps.iter().map(|super::PumpRange { rate: [_, _, step], .. }| *step).max();
    let step = match pump.filter(|step| step.is_positive()) {
        Some(step) => step,
        None if small => Exact::decimal(1, 1),
        None => return Exact::whole(rate.ceil()),
    };
    let set = Exact::whole(rate.div(step)?.floor())?.mul(step)?;
    let lowest =
        case.pumps.iter().map(|super::PumpRange { rate: [lowest, ..], .. }| *lowest).max().unwrap_or(Exact::ZERO);
    (set.is_positive() && set >= lowest).then_some(set)
}

pub(super) fn bolus_beyond_stomach(case: &Case<'_>) -> Outcome {
    let Some(f) = &case.order.formula else { return Outcome::NotApplicable(Cow::Borrowed("there is no tube feed")) };
    let Some(concept) = f.route.value() else {
        return Outcome::NotApplicable(Cow::Borrowed("the route is not stated (CMP-01)"));
    };
    match tip(case.settings, concept) {
        Tip::At(Site::PostPyloric) => {}
        Tip::At(Site::Unknown) => {
            return Outcome::NotApplicable(Cow::Borrowed("the site of the tip is not stated (CMP-01)"));
        }
        Tip::At(_) => return Outcome::Clear,
        Tip::Differ(..) => {
            return Outcome::NotEvaluated(
                "the route's codes and text name different sites of the tip (CMP-01)".to_owned(),
                vec![f.route.at().unwrap_or(f.at)],
            );
        }
    }
    let mut out = Vec::new();
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        let Source::Line(ix) = part.source else { continue };
        let Some(line) = case.plan.lines.get(ix) else { continue };
        if line.method != Method::Bolus {
            continue;
        }
        let a_day =
            line.quantity.zip(line.high.as_ref().and_then(|h| per_day(&h.occurrences))).and_then(|(q, n)| q.mul(n));
        let fix = a_day.and_then(|ml| Some((ml, ml.div(Exact::int(DAY / 3600))?))).map(|(ml, rate)| {
            let set = settable(case, rate).and_then(|set| Some((set, set.mul(Exact::int(24))?)));
            let set = set.map_or_else(String::new, |(set, gives)| {
                format!(", set {} mL/h ({} mL)", set.short(3), gives.short(1))
            });
            format!(
                "Give {} mL a day by pump: {} mL/h{set}; or move the tip to the stomach.",
                ml.short(1),
                rate.short(2)
            )
        });
        out.push(Finding {
            fix,
            ..finding(
                Tier::High,
                "A bolus is ordered, but the tube ends beyond the stomach: the small bowel has no reservoir for it."
                    .to_owned(),
                vec![line.at, f.route.at().unwrap_or(f.at)],
            )
        });
    }
    found(out)
}
