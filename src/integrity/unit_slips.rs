//! Units, and numbers that look like another unit.

use super::consistency::{a_day, rate_of};
use super::{Case, finding, found};
use crate::exact::{Decimal, Exact};
use crate::findings::{Correction, Finding, Outcome, Tier};
use crate::intake::order::{Field, Quantity, Rate};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Kind, Source};
use crate::nutrition::totals::Totals;
use crate::timing::schedule::{Dose, Method, Note};
use crate::units::{self, Dimension, Unit, UnitNote};
use std::borrow::Cow;

pub(super) fn not_usable(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for n in &case.plan.notes {
        let Note::Unit(what, note) = &n.note else { continue };
        if !note.blocks()
            || matches!(note, UnitNote::TextContradicts { .. } | UnitNote::Negative | UnitNote::CalorieAmbiguous { .. })
        {
            continue;
        }
        out.push(finding(Tier::High, format!("The {what} cannot be used: {note}."), vec![n.at]));
    }
    found(out)
}

pub(super) fn text_against_code(case: &Case<'_>) -> Outcome {
    found(
        case.plan
            .notes
            .iter()
            .filter_map(|n| match &n.note {
                Note::Unit(what, note @ UnitNote::TextContradicts { .. }) => {
                    Some(finding(Tier::High, format!("The {what} cannot be used: {note}."), vec![n.at]))
                }
                Note::Unit(what, note @ UnitNote::TextIsAnotherMeasure { .. }) => Some(Finding {
                    fix: Some("Make text and code of the unit agree.".to_owned()),
                    ..finding(Tier::Med, format!("The {what}: {note}."), vec![n.at])
                }),
                // A translation of the unit's name, most likely.
                Note::Unit(what, note @ UnitNote::TextNotUnderstood { .. }) => {
                    Some(finding(Tier::Low, format!("The {what}: {note}."), vec![n.at]))
                }
                _ => None,
            })
            .collect(),
    )
}

pub(super) fn not_positive(case: &Case<'_>) -> Outcome {
    let mut out: Vec<Finding> = case
        .plan
        .notes
        .iter()
        .filter_map(|n| match &n.note {
            Note::NotPositive(what, shown) => {
                Some(finding(Tier::High, format!("The {what} is {shown}; it must be above zero."), vec![n.at]))
            }
            Note::Unit(what, UnitNote::Negative) => {
                Some(finding(Tier::High, format!("The {what} is below zero."), vec![n.at]))
            }
            _ => None,
        })
        .collect();
    out.dedup_by(|a, b| a.at == b.at);
    found(out)
}

pub(super) fn alias(case: &Case<'_>) -> Outcome {
    let mut out: Vec<Finding> = Vec::new();
    for n in &case.plan.notes {
        let Note::Unit(what, note) = &n.note else { continue };
        if matches!(note, UnitNote::AliasUsed { .. } | UnitNote::NoSystem { .. }) {
            out.push(finding(Tier::Low, format!("The {what}: {note}."), vec![n.at]));
        }
    }
    found(out)
}

/// The order's density as a number with its unit.
fn density<'c>(case: &'c Case<'_>) -> Option<(&'c Quantity<'c>, Exact, crate::intake::order::At)> {
    let f = case.order.formula.as_ref()?;
    let Field::Present(q) = &f.density else { return None };
    let value = q.value.value.value().map(|d| d.exact())?;
    Some((&q.value, value, q.at))
}

fn unit_code(q: &Quantity<'_>) -> String {
    q.code.as_deref().or(q.unit.as_deref()).unwrap_or("").to_owned()
}

pub(super) fn density_swapped(case: &Case<'_>) -> Outcome {
    let Some((q, value, at)) = density(case) else {
        return Outcome::NotApplicable(Cow::Borrowed("no energy density is stated"));
    };
    let unit = unit_code(q);
    // The two are mistaken for each other in kilocalories only.
    let joules = unit.to_ascii_lowercase().contains('j');
    let per_ounce = !joules && (unit.contains("[foz_us]") || unit.contains("[foz_br]"));
    let per_ml = !joules && (unit.ends_with("/mL") || unit.ends_with("/ml"));
    let within = |lo: Exact, hi: Exact| value >= lo && value <= hi;
    let (looks, other) = if per_ml && within(Exact::int(15), Exact::int(40)) {
        (true, "kcal per fluid ounce")
    } else if per_ounce && within(Exact::ratio(4, 10), Exact::ratio(25, 10)) {
        (true, "kcal/mL")
    } else {
        (false, "")
    };
    if !looks {
        return Outcome::Clear;
    }
    // In the other unit it must be a density a feed has.
    let shown = q.value.value().map(Decimal::to_string).unwrap_or_default();
    let ounce = Exact::decimal(295_735_295_625, 10);
    let as_other = if per_ml { value.div(ounce) } else { Some(value) };
    let as_written = if per_ml { Some(value) } else { value.div(ounce) };
    found(vec![Finding {
        arithmetic: Some(format!(
            "as written {} kcal/mL; read as {other}: {} kcal/mL",
            as_written.map(|x| x.short(3)).unwrap_or_default(),
            as_other.map(|x| x.short(3)).unwrap_or_default()
        )),
        fix: Some(format!("If {other} is meant, state {shown} {}.", if per_ml { "kcal/[foz_us]" } else { "kcal/mL" })),
        correction: Some({
            let unit = if per_ml { "kcal/[foz_us]" } else { "kcal/mL" };
            Correction::quantity(format!("Energy density {shown} {unit}"), at, None, Some(unit))
        }),
        ..finding(
            Tier::Stop,
            format!("An energy density of {shown} {unit} is not one a feed has; it is usual in {other}."),
            vec![at],
        )
    }])
}

pub(super) fn density_impossible(case: &Case<'_>) -> Outcome {
    let Some((q, _, at)) = density(case) else {
        return Outcome::NotApplicable(Cow::Borrowed("no energy density is stated"));
    };
    let reading = units::energy_density(q);
    let Some(x) = reading.value else {
        return Outcome::NotEvaluated("the energy density has no usable value or unit".to_owned(), vec![at]);
    };
    let (lo, hi) = (Exact::ratio(3, 10), Exact::ratio(25, 10));
    if x >= lo && x <= hi {
        return Outcome::Clear;
    }
    found(vec![Finding {
        arithmetic: Some(format!("{} kcal/mL; feeds lie between 0.3 and 2.5 kcal/mL", x.short(4))),
        fix: Some("Confirm number and unit of the energy density.".to_owned()),
        ..finding(
            Tier::Stop,
            format!("An energy density of {} kcal/mL is outside the 0.3 to 2.5 kcal/mL that feeds have.", x.short(4)),
            vec![at],
        )
    }])
}

pub(super) fn calorie(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for n in &case.plan.notes {
        let Note::Unit(_, note) = &n.note else { continue };
        match note {
            UnitNote::CalorieReadAsKilocalorie { literal, read } => out.push(Finding {
                arithmetic: Some(format!(
                    "as coded {} kcal/mL; read as kilocalories {} kcal/mL",
                    literal.short(6),
                    read.short(4)
                )),
                fix: Some("Send the unit as kcal/mL (or kcal/[foz_us]).".to_owned()),
                correction: in_kilocalories(case),
                ..finding(
                    Tier::Med,
                    format!(
                        "The energy density is coded in small calories (cal); it was read as kilocalories, {} kcal/mL.",
                        read.short(4)
                    ),
                    vec![n.at],
                )
            }),
            UnitNote::CalorieAmbiguous { literal, other } => out.push(Finding {
                arithmetic: Some(format!(
                    "as coded {} kcal/mL; in kilocalories {} kcal/mL",
                    literal.short(6),
                    other.short(4)
                )),
                fix: Some("Send the unit as kcal/mL (or kcal/[foz_us]).".to_owned()),
                ..finding(Tier::High, format!("The energy density cannot be used: {note}."), vec![n.at])
            }),
            UnitNote::CalorieTakenAsWritten { .. } => {
                out.push(finding(Tier::Med, format!("The energy density: {note}."), vec![n.at]))
            }
            _ => {}
        }
    }
    found(out)
}

/// The same energy density with its unit in kilocalories.
fn in_kilocalories(case: &Case<'_>) -> Option<Correction> {
    let (q, _, at) = density(case)?;
    let unit = match unit_code(q).as_str() {
        "cal/mL" => "kcal/mL",
        "cal/[foz_us]" => "kcal/[foz_us]",
        _ => return None,
    };
    Some(Correction::quantity(format!("Energy density in {unit}"), at, None, Some(unit)))
}

pub(super) fn daily_volume_as_rate(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let mut rates = 0;
    // Water by pump as well.
    for line in case.plan.parts.iter().filter_map(|p| match p.source {
        Source::Line(ix) => case.plan.lines.get(ix),
        Source::WithFeeds { .. } => None,
    }) {
        let Some(rate) = line.rate else { continue };
        rates += 1;
        let at = case
            .order
            .formula
            .as_ref()
            .and_then(|f| f.administrations.get(line.administration?))
            .and_then(|a| a.rate.at())
            .unwrap_or(line.at);
        let hourly = rate.mul(Exact::int(3600)).unwrap_or(rate);
        let with_way_out = |f: Finding, slip: bool| {
            let as_day = a_day(rate).unwrap_or(rate);
            let reads = hourly.div(Exact::int(24)).unwrap_or(hourly);
            Finding {
                fix: Some(format!(
                    "If {} mL is meant for the day, the rate is {} mL/h{}.",
                    hourly.short(1),
                    reads.short(1),
                    hourly.div(Exact::int(10)).filter(|_| slip).map_or_else(String::new, |tenth| {
                        format!("; if the decimal point slipped, {} mL/h", tenth.short(1))
                    })
                )),
                correction: rate_of(case, line).map(|at| {
                    Correction::quantity(
                        format!("Rate {} mL/h", reads.short(1)),
                        at,
                        Some(reads.short(1)),
                        Some("mL/h"),
                    )
                }),
                arithmetic: Some(format!(
                    "{} mL/h × 24 h = {} mL; {} ÷ 24 = {} mL/h",
                    hourly.short(2),
                    as_day.short(0),
                    hourly.short(2),
                    reads.short(1)
                )),
                ..f
            }
        };
        // The number of the rate is the number of the maximum: only for rates coded per hour.
        let coded_hourly = case.order.formula.as_ref().and_then(|f| f.administrations.get(line.administration?)).is_some_and(|a| {
            matches!(&a.rate, Field::Present(r) if matches!(&r.value, Rate::Quantity(q) if q.code.as_deref().is_some_and(|c| c.ends_with("/h"))))
        });
        if coded_hourly
            && let Some(cap) = case.plan.cap
            && hourly == cap.per_day
        {
            out.push(with_way_out(
                finding(
                    Tier::Stop,
                    format!(
                        "The rate, {} mL/h, is the number of the day's maximum volume: it may be the day's volume.",
                        hourly.short(1)
                    ),
                    vec![at],
                ),
                false,
            ));
            continue;
        }
        // Feeds over a stated time have their own speed, unless one of them is the volume of a day; pump feeds
        // have a ceiling no pump order passes.
        let whole_day = line.quantity.is_some_and(|q| q > Exact::int(600));
        if !matches!(line.method, Method::Continuous | Method::Cyclic) && !whole_day {
            continue;
        }
        let light = case.person.weight.kg().filter(|kg| *kg < Exact::int(10));
        let per_kg = light.and_then(|kg| hourly.div(kg));
        let ceiling = match case.age_years() {
            Some((_, oldest)) if oldest < Exact::ONE => Some((Exact::int(100), "an infant")),
            Some((_, oldest)) if oldest < Exact::int(14) => Some((Exact::int(250), "a child")),
            // With the age unknown only the highest ceiling is certain.
            _ => Some((Exact::int(400), "an adult")),
        };
        if let Some((limit, whom)) = ceiling
            && (hourly > limit || per_kg.is_some_and(|x| x > Exact::int(25)))
        {
            let text = match per_kg.filter(|x| *x > Exact::int(25) && hourly <= limit) {
                Some(x) => format!(
                    "A pump rate of {} mL/h is {} mL/kg/h: it may be the day's volume.",
                    hourly.short(1),
                    x.short(1)
                ),
                None => format!(
                    "A pump rate of {} mL/h is above the {} mL/h possible for {whom}: it may be the day's volume.",
                    hourly.short(1),
                    limit.short(0)
                ),
            };
            out.push(with_way_out(finding(Tier::Stop, text, vec![at]), true));
        }
    }
    if rates == 0 { Outcome::NotApplicable(Cow::Borrowed("no rate is stated")) } else { found(out) }
}

pub(super) fn ounces(case: &Case<'_>) -> Outcome {
    let Some(f) = &case.order.formula else { return Outcome::NotApplicable(Cow::Borrowed("there is no tube feed")) };
    let mut out = Vec::new();
    let mut any = false;
    for (ix, a) in f.administrations.iter().enumerate() {
        let feed = case.plan.parts.iter().any(|p| {
            p.kind == Kind::Feed && matches!(p.source, Source::Line(l) if case.plan.lines.get(l).and_then(|x| x.administration) == Some(ix))
        });
        let Field::Present(q) = &a.quantity else { continue };
        if !feed {
            continue;
        }
        any = true;
        let Some(value) = q.value.value.value() else { continue };
        let number = value.exact();
        let Some(unit) = units::measure(&q.value, Dimension::VOLUME).unit else { continue };
        let ounce = Exact::decimal(295_735_295_625, 10);
        // However the millilitre is spelled.
        if unit == Unit::MILLILITRE && number >= Exact::ONE && number <= Exact::int(12) {
            match case.person.weight.kg() {
                None => {
                    return Outcome::NotEvaluated(
                        "whether the volume may be in ounces depends on the weight, which is not usable".to_owned(),
                        vec![q.at],
                    );
                }
                Some(kg) if kg > Exact::int(3) => {
                    let millilitres = number.mul(ounce).unwrap_or(number);
                    // Over 30 mL/kg at once nobody means ounces either.
                    let too_much = kg.mul(Exact::int(30)).is_some_and(|most| millilitres > most);
                    if too_much || primes_the_gut(case, kg) {
                        continue;
                    }
                    out.push(Finding {
                        arithmetic: Some(format!("{value} fluid ounces = {} mL", millilitres.short(0))),
                        fix: Some(format!("If ounces are meant, state {} mL.", millilitres.short(0))),
                        correction: Some(Correction::quantity(format!("Volume per feed {} mL", millilitres.short(0)), q.at, Some(millilitres.short(0)), None)),
                        ..finding(Tier::High, format!("A feed of {value} mL is small for {} kg; {value} would be usual in fluid ounces ({} mL).", kg.short(2), millilitres.short(0)), vec![q.at])
                    });
                }
                Some(_) => {}
            }
        }
        if unit.code().starts_with("[foz_") && number >= Exact::int(30) && number <= Exact::int(360) {
            let millilitres = number.mul(ounce).unwrap_or(number);
            out.push(Finding {
                arithmetic: Some(format!("{value} fluid ounces = {} mL", millilitres.short(0))),
                fix: Some(format!("If millilitres are meant, state {value} mL.")),
                correction: Some(Correction::quantity(format!("Volume per feed {value} mL"), q.at, None, Some("mL"))),
                ..finding(
                    Tier::High,
                    format!(
                        "A feed of {value} fluid ounces is {} mL; {value} would be usual in mL.",
                        millilitres.short(0)
                    ),
                    vec![q.at],
                )
            });
        }
    }
    if any { found(out) } else { Outcome::NotApplicable(Cow::Borrowed("no volume per feed is stated")) }
}

/// Whether an infant's day of feed is one that primes the gut: 10 to 24 mL/kg (trophic feeds of very-low-birth-weight
/// trials, Cochrane CD001241; secondary). A day of ounces written as millilitres stays below: 240 mL/kg are 8. In the first
/// week nobody is fed such a day, and less counts too (UNT-05 speaks of that).
fn primes_the_gut(case: &Case<'_>, kg: Exact) -> bool {
    let infant = case.age_years().is_some_and(|(_, old)| old < Exact::ONE);
    let feed = case.day().map(|(_, totals)| totals.get(Measure::FormulaVolume));
    infant
        && feed.is_some_and(|feed| {
            let week = case.person.age_days.is_some_and(|(_, old)| old < Exact::int(8));
            let least = feed.low().zip(kg.mul(Exact::int(10))).is_some_and(|(x, least)| week || x >= least);
            least && feed.high().zip(kg.mul(Exact::int(24))).is_some_and(|(x, most)| x <= most)
        })
}

/// What a day of feeding lies in, for telling a slip of the decimal point, kcal/kg. Wider than any goal:
/// from memory, not for judging adequacy. (under 1 y, 1–3, 4–9, 10–17, adult)
fn energy_band(years: Exact) -> (Exact, Exact) {
    let band = |a, b| (Exact::int(a), Exact::int(b));
    if years < Exact::ONE {
        band(40, 200)
    } else if years < Exact::int(4) {
        band(35, 180)
    } else if years < Exact::int(10) {
        band(25, 140)
    } else if years < Exact::int(18) {
        band(15, 100)
    } else {
        band(10, 80)
    }
}

/// The same for the total volume, mL/kg.
fn volume_band(years: Exact) -> (Exact, Exact) {
    let band = |a, b| (Exact::int(a), Exact::int(b));
    if years < Exact::ONE {
        band(60, 240)
    } else if years < Exact::int(4) {
        band(35, 165)
    } else if years < Exact::int(10) {
        band(25, 130)
    } else if years < Exact::int(18) {
        band(15, 100)
    } else {
        band(8, 80)
    }
}

pub(super) fn decimal_slip(case: &Case<'_>) -> Outcome {
    let Some((_, totals)) = case.day() else { return Outcome::NotApplicable(Cow::Borrowed("no day is computed")) };
    let (Some((young, old)), Some(kg)) = (case.age_years(), case.person.weight.kg()) else {
        return Outcome::NotEvaluated(
            "whether a decimal point slipped depends on weight and age".to_owned(),
            vec![case.order.at],
        );
    };
    let fed = case.plan.parts.iter().any(|p| p.kind == Kind::Feed);
    if case.plan.parts.is_empty() {
        return Outcome::NotApplicable(Cow::Borrowed("the order gives no feed"));
    }
    let mut out = Vec::new();
    let energy = totals.get(Measure::EnergyPerKg);
    let volume = totals.get(Measure::VolumePerKg);
    let widest = |f: fn(Exact) -> (Exact, Exact)| {
        let (a, b) = (f(young), f(old));
        (a.0.min(b.0), a.1.max(b.1))
    };
    for (what, amount, band, unit) in
        [("energy", energy, widest(energy_band), "kcal/kg"), ("total volume", volume, widest(volume_band), "mL/kg")]
    {
        // A range reaches into the band or not; only when it lies wholly outside is there a slip to see.
        // What is too much on one day is a slip whatever the others give.
        let measure = if what == "energy" { Measure::EnergyPerKg } else { Measure::VolumePerKg };
        let most = case.all_days().filter_map(|(_, totals)| totals.get(measure).low()).max();
        let (low, high) = match (most, amount.low(), amount.high()) {
            (Some(most), ..) if most > band.1 => (most, most),
            (_, Some(low), Some(high)) => (low, high),
            _ => continue,
        };
        // Water alone can only be too much.
        let (above, below) = (low > band.1, fed && high < band.0);
        if !above && !below {
            continue;
        }
        let value = if above { low } else { high };
        let factor = [10i64, 100, 1000].into_iter().find(|k| {
            let moved = if above { value.div(Exact::int(*k)) } else { value.mul(Exact::int(*k)) };
            moved.is_some_and(|m| m >= band.0 && m <= band.1)
        });
        let Some(k) = factor else {
            // No single slip explains it: too much is implausible all the same; too little only when it is next
            // to nothing, since feeds are begun low.
            let nothing = band.0.div(Exact::int(10)).is_some_and(|f| value < f);
            if above || nothing {
                out.push(Finding {
                    arithmetic: Some(format!(
                        "{} {unit} a day at {} kg; feeding orders lie between {} and {}",
                        value.short(2),
                        kg.short(3),
                        band.0,
                        band.1
                    )),
                    fix: Some("Check weight, volumes, rate, density, times and their units.".to_owned()),
                    ..finding(
                        Tier::High,
                        format!("The day's {what} of {} {unit} is outside any feeding order.", value.short(1)),
                        vec![case.order.at],
                    )
                });
            }
            continue;
        };
        let moved = if above { value.div(Exact::int(k)) } else { value.mul(Exact::int(k)) }.unwrap_or(value);
        let arithmetic = Some(format!(
            "{} {unit} {} {k} = {} {unit}, at {} kg",
            value.short(2),
            if above { "÷" } else { "×" },
            moved.short(2),
            kg.short(3)
        ));
        if below && cautious_start_of_an_infant(totals, kg, old) {
            continue;
        }
        if below && low_on_purpose(case, totals, kg, (young, old)) {
            out.push(Finding {
                arithmetic,
                fix: Some(format!(
                    "If a trophic feed or a cautious start is meant, it stands as ordered; if not, check the decimal point: a factor of {k}."
                )),
                ..finding(
                    Tier::Med,
                    format!(
                        "The day's {what} of {} {unit} is that of a trophic feed or a cautious start; a slip of the decimal point would have meant {} {unit}.",
                        value.short(1),
                        moved.short(1)
                    ),
                    vec![case.order.at],
                )
            });
            break;
        }
        out.push(Finding {
            arithmetic,
            fix: Some(format!(
                "Check the decimal point of volume, rate, density, times and weight: a factor of {k}{}.",
                // Who is started that low is not told by the order.
                if below && old >= Exact::ONE { ", or a deliberate low start" } else { "" }
            )),
            ..finding(
                Tier::High,
                format!(
                    "The day's {what} of {} {unit} is implausible; {k} times {} it would be usual ({} {unit}).",
                    value.short(1),
                    if above { "less," } else { "more," },
                    moved.short(1)
                ),
                vec![case.order.at],
            )
        });
        break;
    }
    additive_slip(case, &mut out);
    flush_slip(case, kg, old, &mut out);
    speed_slip(case, kg, old, &mut out);
    small_slip(case, kg, &mut out);
    found(out)
}

/// Whether so little can be meant: a trophic feed, or a cautious start where refeeding is feared. Such a feed and a
/// slip by ten cannot be told apart from the order alone.
///
/// Under 1 y: 10 to 24 mL/kg/d of feed (trophic feeds of very-low-birth-weight trials, Cochrane CD001241; secondary).
/// From 1 to 15 years: 12 to 24 mL/kg/d, 0.5 to 1 mL/kg/h, or from 6 mL/kg/d where other orders were sent and none of
/// them feeds (common practice, no source): a tenth of what children get lies mostly below.
/// From 16 years: from 3 kcal/kg/d (NICE CG32: 5 at extreme risk of refeeding, rounded down to the step of a pump), or 240 to 480 mL/d
/// (trophic feeds at 10 to 20 mL/h; from memory).
fn low_on_purpose(case: &Case<'_>, totals: &Totals, kg: Exact, (young, old): (Exact, Exact)) -> bool {
    let feed_within = |least, most| feed_within(totals, least, most);
    if old < Exact::ONE {
        feed_within(kg.mul(Exact::int(10)), kg.mul(Exact::int(24)))
    } else if young >= Exact::ONE && old < Exact::int(16) {
        let new = case.others_sent && !case.beside.iter().any(|b| b.feeds);
        feed_within(kg.mul(Exact::int(if new { 6 } else { 12 })), kg.mul(Exact::int(24)))
    } else {
        young >= Exact::int(16)
            && (totals.get(Measure::EnergyPerKg).low().is_some_and(|x| x >= Exact::int(3))
                || feed_within(Some(Exact::int(240)), Some(Exact::int(480))))
    }
}

/// Whether the day's feed, mL, lies within bounds.
fn feed_within(totals: &Totals, least: Option<Exact>, most: Option<Exact>) -> bool {
    let feed = totals.get(Measure::FormulaVolume);
    feed.low().zip(least).is_some_and(|(x, least)| x >= least)
        && feed.high().zip(most).is_some_and(|(x, most)| x <= most)
}

/// Over 24 and to 40 mL/kg/d under 1 y: what a feed begins with in the first days (NEO-01). Ten times that is more than any
/// infant is given, so that no slip of the decimal point explains it.
fn cautious_start_of_an_infant(totals: &Totals, kg: Exact, old: Exact) -> bool {
    old < Exact::ONE
        && feed_within(totals, kg.mul(Exact::int(24)), kg.mul(Exact::int(40)))
        && !feed_within(totals, Some(Exact::ZERO), kg.mul(Exact::int(24)))
}

/// An additive in a dose no one orders: less than one unit, or more than half of the day's energy or protein.
fn additive_slip(case: &Case<'_>, out: &mut Vec<Finding>) {
    use crate::formulary::product::{Basis, Nutrient};
    let Some((_, totals)) = case.day() else { return };
    let supplied = |per: Option<Exact>, amount: Exact| per.and_then(|p| p.mul(amount));
    let half = |part: Option<Exact>, whole: &crate::amount::Amount| {
        part.zip(whole.low()).is_some_and(|(p, w)| p.mul(Exact::int(2)).is_some_and(|twice| twice > w))
    };
    let mut report = |at, label: &str, text: String, arithmetic: String| {
        out.push(Finding {
            arithmetic: Some(arithmetic),
            fix: Some("Check the decimal point and the unit of the additive's amount.".to_owned()),
            ..finding(Tier::High, format!("{label}: {text}"), vec![at])
        });
    };
    for dose in &case.plan.doses {
        if dose.water {
            continue;
        }
        // Halves and quarters of a packet are given to infants: common practice, no source.
        let quarters = dose.amount.mul(Exact::int(4)).is_some_and(Exact::is_whole);
        if dose.product.basis == Basis::Dose && dose.amount < Exact::ONE && !quarters {
            report(
                dose.at,
                &dose.label,
                format!("{} of a dose is not one that is given.", dose.amount.short(3)),
                format!("{} doses", dose.amount.short(3)),
            );
            continue;
        }
        let energy = supplied(dose.product.energy, dose.amount);
        let protein = supplied(dose.product.nutrient(Nutrient::Protein), dose.amount);
        if half(energy, totals.get(Measure::Energy)) || half(protein, totals.get(Measure::Protein)) {
            report(
                dose.at,
                &dose.label,
                "it would be more than half of the day's energy or protein.".to_owned(),
                format!(
                    "{} kcal and {} g protein from {} units",
                    energy.map(|x| x.short(0)).unwrap_or_default(),
                    protein.map(|x| x.short(1)).unwrap_or_default(),
                    dose.amount.short(2)
                ),
            );
        }
    }
    for content in &case.plan.contents {
        for mixed in &content.mixed {
            let per_100 = mixed.per_ml.mul(Exact::int(100)).unwrap_or(mixed.per_ml);
            let at = case.order.formula.as_ref().and_then(|f| f.additives.first()).map_or(case.order.at, |a| a.at);
            // A unit per 25 mL is usual; under 1 or over 10 per 100 mL is a slip (common practice, no source).
            if content.form == Some(crate::formulary::product::Form::HumanMilk)
                && (per_100 < Exact::ONE || per_100 > Exact::int(10))
            {
                report(
                    at,
                    &mixed.label,
                    format!("{} units in 100 mL are not a strength that is mixed.", per_100.short(2)),
                    format!("{} units per 100 mL", per_100.short(2)),
                );
            }
        }
    }
}

/// A single flush ten times what is given to clear a tube.
fn flush_slip(case: &Case<'_>, kg: Exact, years: Exact, out: &mut Vec<Finding>) {
    // 250 mL at once for adults, 5 mL/kg for children: common practice, no source.
    let per_kg = if years < Exact::ONE { 3 } else { 5 };
    let most = if years < Exact::int(18) {
        kg.mul(Exact::int(per_kg)).unwrap_or(kg).min(Exact::int(250))
    } else {
        Exact::int(250)
    };
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Flush) {
        if let Source::Line(ix) = part.source
            && let Some(line) = case.plan.lines.get(ix)
            && let Some(n) = line.high.as_ref().and_then(|h| crate::timing::schedule::per_day(&h.occurrences))
            && n > Exact::int(24)
        {
            out.push(Finding {
                fix: Some("Check how often the flush is given.".to_owned()),
                ..finding(
                    Tier::High,
                    format!("A flush {} times a day is more often than flushes are given.", n.short(1)),
                    vec![line.at],
                )
            });
        }
        let (ml, at) = match part.source {
            Source::WithFeeds { volume, at, .. } => (volume, at),
            Source::Line(ix) => match case.plan.lines.get(ix) {
                Some(l) => (
                    match l.high.as_ref().map(|h| h.dose) {
                        Some(Dose::Volume { ml, .. }) => Some(ml),
                        _ => None,
                    },
                    l.at,
                ),
                None => continue,
            },
        };
        let Some(ml) = ml else { continue };
        let tenth = ml.div(Exact::int(10)).unwrap_or(ml);
        // Up to twice that is a large flush, not a slip.
        let implausible = most.mul(Exact::int(2)).unwrap_or(most);
        if ml > implausible && tenth <= most {
            out.push(Finding {
                arithmetic: Some(format!(
                    "{} mL at once; {} mL is the most that is usual at once",
                    ml.short(1),
                    most.short(1)
                )),
                fix: Some(format!("Check the decimal point: {} mL?", tenth.short(1))),
                ..finding(
                    Tier::High,
                    format!("A single flush of {} mL is implausible; a tenth of it would be usual.", ml.short(1)),
                    vec![at],
                )
            });
        }
    }
}

/// A single feed given faster than any feed is.
fn speed_slip(case: &Case<'_>, kg: Exact, years: Exact, out: &mut Vec<Finding>) {
    // 60 mL/min in adults, 2 mL/kg/min in children: twice the usual speed (common practice, no source).
    let most =
        if years < Exact::int(18) { kg.mul(Exact::int(2)).unwrap_or(kg).min(Exact::int(60)) } else { Exact::int(60) };
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        let Source::Line(ix) = part.source else { continue };
        let Some(line) = case.plan.lines.get(ix) else { continue };
        let Some(Dose::Volume { ml, over }) = line.high.as_ref().map(|h| h.dose) else { continue };
        let Some(per_minute) = ml.div(over).and_then(|r| r.mul(Exact::int(60))) else { continue };
        if per_minute > most {
            out.push(Finding {
                arithmetic: Some(format!(
                    "{} mL in {} min = {} mL/min",
                    ml.short(1),
                    over.div(Exact::int(60)).unwrap_or(over).short(1),
                    per_minute.short(1)
                )),
                fix: Some("Check the rate or the duration of the feed.".to_owned()),
                ..finding(
                    Tier::High,
                    format!("A feed at {} mL/min is faster than feeds are given.", per_minute.short(1)),
                    vec![line.at],
                )
            });
        }
    }
}

/// A single feed, or run of a pump, that is next to nothing beside the patient's weight: a duration in the wrong
/// unit, a volume moved by a digit.
fn small_slip(case: &Case<'_>, kg: Exact, out: &mut Vec<Finding>) {
    // The smallest feeds given on purpose, to prime the gut of a preterm infant, are 0.5 mL/kg and more (common
    // practice, no source); half of that.
    let Some(least) = kg.div(Exact::int(4)) else { return };
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        let Source::Line(ix) = part.source else { continue };
        let Some(line) = case.plan.lines.get(ix) else { continue };
        let Some(Dose::Volume { ml, .. }) = line.high.as_ref().map(|h| h.dose) else { continue };
        if ml >= least || !ml.is_positive() {
            continue;
        }
        out.push(Finding {
            arithmetic: Some(format!("{} mL; {} mL at {} kg is 0.25 mL/kg", ml.short(2), least.short(2), kg.short(3))),
            fix: Some("Check the volume, or the rate, the duration and its unit.".to_owned()),
            ..finding(
                Tier::High,
                format!("A feed of {} mL at a time is less than any that is given at {} kg.", ml.short(2), kg.short(3)),
                vec![line.at],
            )
        });
    }
}

pub(super) fn electrolyte(_: &Case<'_>) -> Outcome {
    super::waits("UNT-07")
}
