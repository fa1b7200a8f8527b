//! What a complete order states.

use super::free_text::{Says, says};
use super::{Case, Identity, Weight, finding, found};
use crate::amount::Why;
use crate::exact::Exact;
use crate::findings::{Finding, Outcome, Tier};
use crate::formulary::Match;
use crate::formulary::product::{Form, Nutrient};
use crate::intake::order::{At, When};
use crate::nutrition::content::{Content, Density, From};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::Kind;
use crate::nutrition::route::{Tip, tip};
use crate::settings::Site;
use std::borrow::Cow;

/// Years; nobody on record lived to 123.
const OLDEST: Exact = Exact::int(123);

pub(super) fn core(case: &Case<'_>) -> Outcome {
    let order = case.order;
    let mut missing: Vec<(String, At)> = Vec::new();
    let mut not_known: Vec<(String, At)> = Vec::new();
    let here = order.formula.as_ref().map_or(order.at, |f| f.at);
    match &case.person.identity {
        Identity::None(why) => missing.push((format!("patient ({why})"), order.patient.at().unwrap_or(order.at))),
        Identity::NotSent => not_known
            .push(("birth date and sex (the Patient was not sent)".to_owned(), order.patient.at().unwrap_or(order.at))),
        Identity::Sent(at) => {
            if !case.person.birth_known {
                missing.push(("birth date".to_owned(), *at));
            } else if case.age_years().is_none_or(|(young, _)| young >= OLDEST) {
                missing.push(("usable age (birth date against the order's date)".to_owned(), *at));
            }
            if !case.person.sex_known {
                missing.push(("sex".to_owned(), *at));
            }
        }
    }
    if order.orderer.is_none() {
        missing.push(("prescriber".to_owned(), order.at));
    }
    if case.plan.start_assumed && !matches!(order.date_time.value(), Some(When::Instant { .. })) {
        missing.push((
            "start (neither the schedule nor the order's date has a clock time)".to_owned(),
            order.date_time.at().unwrap_or(order.at),
        ));
    }
    let Some(f) = &order.formula else {
        missing.push(("tube feed".to_owned(), order.at));
        return flagged(missing, not_known);
    };
    if f.base.is_none() && f.administrations.iter().all(|a| a.product.is_none()) {
        missing.push(("formula".to_owned(), here));
    }
    let feeds: Vec<_> = case.plan.parts.iter().filter(|p| p.kind == Kind::Feed).collect();
    // Without an entry that says how it is given there is no part, and the formula's content is the only one that is made.
    let own = f.base.as_ref().filter(|_| f.administrations.is_empty()).and_then(|_| case.plan.contents.first());
    let fed: Vec<_> = feeds.iter().filter_map(|p| case.plan.contents.get(p.content)).chain(own).collect();
    // Water that carries an additive counts as fed; alone it is still no feed.
    let only_water = fed.iter().all(|c| {
        let product = match c.from {
            From::Formulary(ix) => case.formulary.product(ix).map(|p| p.form),
            _ => c.form,
        };
        product == Some(Form::Water)
    });
    if only_water && !case.plan.parts.is_empty() && !case.beside.iter().any(|b| b.feeds) {
        not_known.push(("feed (only water is ordered, and no feeding order was sent beside it)".to_owned(), here));
    }
    // A product by the dose or gram has no energy per mL either.
    let by_weight = |c: &Content| {
        f.density.is_absent() && c.density == Density::None && c.mixed.is_empty() && c.form != Some(Form::Water)
    };
    if fed.iter().any(|c| c.energy.why().contains(&Why::NoDensity)) || own.is_some_and(by_weight) {
        missing.push(("energy density".to_owned(), here));
    }
    // Beside entries with times, one without any may have lost them.
    let timed = |a: &&crate::intake::order::Administration<'_>| !a.timings.is_empty();
    if f.administrations.len() > 1 && f.administrations.iter().any(|a| timed(&a)) {
        for a in f.administrations.iter().filter(|a| !timed(a)) {
            missing.push(("schedule of one entry (the others have one)".to_owned(), a.at));
        }
    }
    let unwritten =
        fed.iter().any(|c| c.form == Some(Form::Blenderised) && c.nutrient(Nutrient::Protein).low().is_none());
    if unwritten {
        missing.push(("recipe of the blend (its composition is not known)".to_owned(), here));
    }
    match f.route.value() {
        None => missing.push(("route".to_owned(), here)),
        Some(concept) => {
            let at = f.route.at().unwrap_or(here);
            match tip(case.settings, concept) {
                Tip::At(Site::Gastric | Site::PostPyloric) => {}
                Tip::At(Site::Oral) => missing.push(("tube route (the route is by mouth)".to_owned(), at)),
                // RTE-06 stops it.
                Tip::At(Site::NotEnteral) => {}
                Tip::At(Site::Unknown) => missing
                    .push(("site of the tube's tip (the route does not tell stomach from small bowel)".to_owned(), at)),
                Tip::Differ(a, b) => missing.push((
                    format!(
                        "one site of the tube's tip (the route's codes and text name different ones: {}, {})",
                        a.name(),
                        b.name()
                    ),
                    at,
                )),
            }
        }
    }
    if f.administrations.is_empty() {
        missing.push(("rate or volume with a schedule".to_owned(), here));
    }
    for part in &feeds {
        let crate::nutrition::plan::Source::Line(ix) = part.source else { continue };
        let Some(line) = case.plan.lines.get(ix) else { continue };
        for why in &line.why {
            let text = match why {
                Why::Schedule(text) => text.clone(),
                Why::Unreadable(text) => text.clone(),
                Why::Range => "a number outside the range of exact arithmetic".to_owned(),
                // A range that the order states on purpose is not an omission.
                _ => continue,
            };
            missing.push((format!("one way to compute the day's volume ({text})"), line.at));
        }
    }
    flagged(missing, not_known)
}

fn flagged(missing: Vec<(String, At)>, not_known: Vec<(String, At)>) -> Outcome {
    if !missing.is_empty() {
        let mut names: Vec<String> = Vec::new();
        let mut at: Vec<At> = Vec::new();
        for (name, place) in missing.into_iter().chain(not_known) {
            if !names.contains(&name) {
                names.push(name);
            }
            if !at.contains(&place) {
                at.push(place);
            }
        }
        return found(vec![Finding {
            fix: Some(format!("State: {}.", names.join("; "))),
            ..finding(Tier::High, format!("The order does not state: {}.", names.join("; ")), at)
        }]);
    }
    if !not_known.is_empty() {
        let names: Vec<String> = not_known.iter().map(|(n, _)| n.clone()).collect();
        return Outcome::NotEvaluated(names.join("; "), not_known.into_iter().map(|(_, at)| at).collect());
    }
    Outcome::Clear
}

pub(super) fn weight(case: &Case<'_>) -> Outcome {
    match (of_weight(case), &case.person.weight) {
        (Outcome::Clear, Weight::Usable { at, .. }) if case.person.weight_of_nobody => Outcome::NotEvaluated(
            "whose weight it is, is not stated; it was taken as this patient's, the only one in the input".to_owned(),
            vec![*at],
        ),
        (outcome, _) => outcome,
    }
}

fn of_weight(case: &Case<'_>) -> Outcome {
    match &case.person.weight {
        Weight::NotSent => found(vec![Finding {
            fix: Some("Send the latest body weight with its date (LOINC 29463-7).".to_owned()),
            ..finding(
                Tier::High,
                "There is no dosing weight: nothing could be reckoned per kg.".to_owned(),
                vec![case.order.at],
            )
        }]),
        Weight::Unusable(why, at) => {
            let at = if at.is_empty() { vec![case.order.at] } else { at.clone() };
            found(vec![Finding {
                fix: Some("Weigh again, or correct the record.".to_owned()),
                ..finding(
                    Tier::High,
                    format!("The weight cannot be used: {why}. Nothing could be reckoned per kg."),
                    at,
                )
            }])
        }
        Weight::Usable { days_old: None, at, .. } => {
            Outcome::NotEvaluated("the age of the weight is not known".to_owned(), vec![*at])
        }
        Weight::Usable { kg, at, days_old: Some((newest, oldest)) } => {
            // Neonatal unit 2 d, infant 7 d, child 30 d, adult in hospital 7 d, adult at home 90 d:
            // common practice, no source.
            let Some(years) = case.age_years() else {
                return Outcome::NotEvaluated(
                    "how old the weight may be depends on the patient's age".to_owned(),
                    vec![*at],
                );
            };
            let at_ages = case.person.age_days.map(|(youngest, oldest)| [(youngest, years.0), (oldest, years.1)]);
            let limits = at_ages.into_iter().flatten().flat_map(|(days, years)| {
                let (hospital, home) = if days <= Exact::int(28) {
                    (2, 7)
                } else if years < Exact::ONE {
                    (7, 7)
                } else if years < Exact::int(18) {
                    (30, 30)
                } else {
                    (7, 90)
                };
                match case.person.inpatient {
                    Some(true) => [hospital, hospital],
                    Some(false) => [home, home],
                    None => [hospital, home],
                }
            });
            let limits: Vec<i64> = limits.collect();
            let sure = limits.iter().min().copied().unwrap_or(0);
            let never = limits.iter().max().copied().unwrap_or(0);
            if *oldest <= Exact::int(sure) {
                Outcome::Clear
            } else if *newest > Exact::int(never) {
                found(vec![Finding {
                    fix: Some("Weigh again, and state which weight is meant.".to_owned()),
                    ..finding(
                        Tier::High,
                        format!(
                            "The weight of {} kg is {} days old; for this patient it should be at most {never}.",
                            kg.short(3),
                            days_between(*newest, *oldest)
                        ),
                        vec![*at],
                    )
                }])
            } else {
                let mut on = Vec::new();
                if case.person.inpatient.is_none() {
                    on.push("the care setting, which was not sent");
                }
                if years.0 != years.1 && case.person.age_days.is_some_and(|(a, b)| a != b) {
                    on.push("the full birth date");
                }
                if on.is_empty() || oldest.sub(*newest).is_none_or(|width| width > Exact::ONE) {
                    on.push("the day it was measured on");
                }
                Outcome::NotEvaluated(
                    format!(
                        "whether a weight {} days old is recent enough depends on {}",
                        days_between(*newest, *oldest),
                        on.join(" and ")
                    ),
                    vec![*at],
                )
            }
        }
    }
}

/// Whole days, as a range where the time is not told to the day.
fn days_between(newest: Exact, oldest: Exact) -> String {
    match oldest.sub(newest) {
        Some(width) if width > Exact::ONE => format!("{} to {}", newest.short(0), oldest.short(0)),
        _ => newest.short(0),
    }
}

pub(super) fn text(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let mut not_understood: Vec<(String, At)> = Vec::new();
    for t in &case.order.texts {
        let body = t.value.trim();
        if body.is_empty() {
            continue;
        }
        // The words are detected and quoted, never turned into numbers.
        let quoted = quote(body);
        match says(body, &case.settings.harmless_texts) {
            Says::Dose => out.push(Finding {
                fix: Some("Move amounts, times and holds into the coded order.".to_owned()),
                ..finding(
                    Tier::Med,
                    format!("Free text that may change the dose was not counted: “{quoted}”."),
                    vec![t.at],
                )
            }),
            Says::Nothing => {
                out.push(finding(Tier::Low, format!("Free text was not counted: “{quoted}”."), vec![t.at]));
            }
            Says::NotUnderstood => not_understood.push((quoted, t.at)),
        }
    }
    // A text in a timing's code says when and how often: where it is not the code in words, it may say otherwise.
    for n in &case.plan.notes {
        let crate::timing::schedule::Note::CodeText(text) = &n.note else { continue };
        out.push(Finding {
            fix: Some("Move amounts, times and holds into the coded order.".to_owned()),
            ..finding(
                Tier::Med,
                format!(
                    "The text beside the timing's code may change the dose and was not counted: “{}”.",
                    quote(text)
                ),
                vec![n.at],
            )
        });
    }
    if not_understood.is_empty() {
        return found(out);
    }
    // Reminders of harmless texts give way to what may not be harmless.
    if out.iter().all(|f| f.tier == Tier::Low) {
        let texts: Vec<String> = not_understood.iter().map(|(quoted, _)| format!("“{quoted}”")).collect();
        return Outcome::NotEvaluated(
            format!(
                "free text that is not understood here may change the dose: {}; move what it says into coded fields, or confirm that it changes nothing",
                texts.join(", ")
            ),
            not_understood.into_iter().map(|(_, at)| at).collect(),
        );
    }
    for (quoted, at) in not_understood {
        out.push(Finding {
            fix: Some("Move what it says into coded fields, or confirm that it changes nothing.".to_owned()),
            ..finding(
                Tier::Med,
                format!("Free text that is not understood here may change the dose and was not counted: “{quoted}”."),
                vec![at],
            )
        });
    }
    found(out)
}

/// Up to 120 characters, control characters shown as a symbol.
fn quote(text: &str) -> String {
    let mut out: String =
        text.chars().take(120).map(|c| if c.is_control() || is_direction(c) { '\u{FFFD}' } else { c }).collect();
    if text.chars().count() > 120 {
        out.push('…');
    }
    out
}

fn is_direction(c: char) -> bool {
    matches!(c, '\u{200B}'..='\u{200F}' | '\u{202A}'..='\u{202E}' | '\u{2060}'..='\u{2069}' | '\u{FEFF}')
}

pub(super) fn product(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for l in &case.plan.lookups {
        match &l.found {
            Match::Unknown => out.push(Finding {
                fix: Some("Add the product to the formulary, or order it by the formulary's code or name.".to_owned()),
                ..finding(
                    Tier::Med,
                    format!(
                        "“{}” ({}) is not in the formulary: its nutrients, water and minerals could not be computed.",
                        quote(&l.label),
                        l.role
                    ),
                    vec![l.at],
                )
            }),
            Match::Ambiguous(candidates) => {
                let names: Vec<String> = candidates
                    .iter()
                    .map(|c| {
                        let name = case.formulary.product(c.index).map_or("?", |p| p.name.as_str());
                        format!("{} {} → {name}", c.by, quote(&c.given))
                    })
                    .collect();
                out.push(Finding {
                    fix: Some("Make code and name agree.".to_owned()),
                    ..finding(
                        Tier::High,
                        format!(
                            "The keys of the {} lead to different products: {}. None was used.",
                            l.role,
                            names.join("; ")
                        ),
                        vec![l.at],
                    )
                });
            }
            Match::Found { .. } | Match::Sent => {}
        }
        if !l.differences.is_empty() {
            let told: Vec<String> = l
                .differences
                .iter()
                .map(|d| format!("{} {} in the formulary, {} as sent", d.what, d.institution, d.sent))
                .collect();
            out.push(Finding {
                fix: Some("Settle which product is meant, and whose figures are right.".to_owned()),
                ..finding(
                    Tier::Med,
                    format!(
                        "The {} “{}” was sent with other figures than the formulary has, whose figures were used: {}.",
                        l.role,
                        quote(&l.label),
                        told.join("; ")
                    ),
                    vec![l.at],
                )
            });
        }
        for note in &l.notes {
            let tier = match note {
                crate::formulary::KeyNote::NameNotOfProduct { .. }
                | crate::formulary::KeyNote::HiddenCharacter { .. } => Tier::Med,
                // A code of a system that the formulary uses contradicts the name that was found.
                crate::formulary::KeyNote::CodeNotConfigured { system, .. } if case.formulary.uses_system(system) => {
                    Tier::Med
                }
                crate::formulary::KeyNote::CodeNotConfigured { .. } => Tier::Low,
            };
            out.push(finding(tier, format!("For the {}: {note}.", l.role), vec![l.at]));
        }
    }
    if case.plan.lookups.is_empty() { Outcome::NotApplicable(Cow::Borrowed("no product is named")) } else { found(out) }
}

pub(super) fn additive(case: &Case<'_>) -> Outcome {
    let mut twice: Vec<Finding> = Vec::new();
    for (i, dose) in case.plan.doses.iter().enumerate() {
        if !dose.water && case.plan.doses.iter().take(i).any(|d| d.product.key == dose.product.key) {
            twice.push(finding(
                Tier::Med,
                format!("“{}” is ordered twice; both were counted.", quote(&dose.label)),
                vec![dose.at],
            ));
        }
    }
    for content in &case.plan.contents {
        for (i, mixed) in content.mixed.iter().enumerate() {
            if content.mixed.iter().take(i).any(|m| m.from == mixed.from) {
                let at = case.order.formula.as_ref().map_or(case.order.at, |f| f.at);
                twice.push(finding(
                    Tier::Med,
                    format!("“{}” is mixed in twice; both were counted.", quote(&mixed.label)),
                    vec![at],
                ));
            }
        }
    }
    found(
        twice
            .into_iter()
            .chain(case.plan.uncounted.iter().map(|u| Finding {
                fix: Some("State the amount with what it is per: a day, a feed, or a volume of feed.".to_owned()),
                ..finding(
                    Tier::Med,
                    format!("“{}” was not counted: {}. Totals are “at least”.", quote(&u.label), u.why),
                    vec![u.at],
                )
            }))
            .collect(),
    )
}

pub(super) fn formulary(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let mut any = false;
    for l in &case.plan.lookups {
        if let Match::Found { index, .. } = &l.found {
            any = true;
            for warning in case.formulary.warnings(*index) {
                out.push(finding(Tier::Med, format!("The formulary's entry: {warning}"), vec![l.at]));
            }
        }
    }
    if any { found(out) } else { Outcome::NotApplicable(Cow::Borrowed("no product of the formulary is ordered")) }
}

pub(super) fn flush(case: &Case<'_>) -> Outcome {
    if case.order.formula.is_none() {
        return Outcome::NotApplicable(Cow::Borrowed("there is no tube feed"));
    }
    let here = case.plan.parts.iter().any(|p| p.kind == Kind::Flush) || case.plan.doses.iter().any(|d| d.water);
    let elsewhere = case.beside.iter().any(|b| !b.feeds);
    // Newborns, preterm infants to 44 weeks after the last period: lines are cleared with air or with a few drops there
    // (common practice, no source).
    let newborn = case.person.age_days.is_some_and(|(_, old)| old < Exact::int(29))
        || case.person.postmenstrual_days.is_some_and(|(_, old)| old < Exact::int(44 * 7));
    let tier = if newborn { Tier::Low } else { Tier::Med };
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Flush) {
        let crate::nutrition::plan::Source::Line(ix) = part.source else { continue };
        let Some(line) = case.plan.lines.get(ix) else { continue };
        let seldom = line
            .low
            .as_ref()
            .and_then(|l| crate::timing::schedule::per_day(&l.occurrences))
            .is_some_and(|n| n < Exact::ONE)
            || super::consistency::not_daily(line).is_some();
        if seldom {
            return found(vec![Finding {
                fix: Some("Check how often the flush is given.".to_owned()),
                ..finding(tier, "A water flush is not ordered for every day.".to_owned(), vec![line.at])
            }]);
        }
    }
    if here
        && !elsewhere
        && let Some((day, _)) = case.day()
    {
        // A flush that is not given on every day is none on that day.
        let least: Option<crate::exact::Exact> = case
            .plan
            .parts
            .iter()
            .zip(&day.volumes)
            .filter(|(p, _)| p.kind == Kind::Flush)
            .map(|(_, v)| v.low())
            .try_fold(Exact::ZERO, |acc, low| low.and_then(|l| acc.add(l)));
        let water_doses = case.plan.doses.iter().any(|d| d.water);
        match least {
            Some(l) if l.is_zero() && !water_doses => {
                return found(vec![Finding {
                    fix: Some("Check how often the flush is given.".to_owned()),
                    ..finding(
                        tier,
                        "There are days without any water flush.".to_owned(),
                        vec![case.order.formula.as_ref().map_or(case.order.at, |f| f.at)],
                    )
                }]);
            }
            None => {
                return Outcome::NotEvaluated(
                    "how much water the flushes give is not known".to_owned(),
                    vec![case.order.formula.as_ref().map_or(case.order.at, |f| f.at)],
                );
            }
            Some(_) => {}
        }
    }
    if here || elsewhere {
        return Outcome::Clear;
    }
    found(vec![Finding {
        fix: Some(
            if newborn {
                "State how the tube is cleared, by the unit's practice: with air, or with how little water."
            } else {
                "Add a water flush: its volume, and how often or with which feeds."
            }
            .to_owned(),
        ),
        ..finding(
            tier,
            "No water flush is ordered.".to_owned(),
            vec![case.order.formula.as_ref().map_or(case.order.at, |f| f.at)],
        )
    }])
}

pub(super) fn totals(case: &Case<'_>) -> Outcome {
    let Some((_, totals)) = case.day() else { return Outcome::NotApplicable(Cow::Borrowed("no day is computed")) };
    if !case.plan.parts.iter().any(|p| p.kind == Kind::Feed) {
        return if case.plan.parts.is_empty() {
            Outcome::NotEvaluated("nothing in the order can be computed".to_owned(), vec![case.order.at])
        } else {
            Outcome::NotApplicable(Cow::Borrowed("the order gives no feed"))
        };
    }
    let mut unknown: Vec<String> = Vec::new();
    for m in [Measure::FormulaVolume, Measure::Energy, Measure::Protein] {
        let amount = totals.get(m);
        // A range for want of a product's figure (how much room an additive takes) is not the schedule's own.
        let open = amount.high().is_none() || amount.why().iter().any(|w| matches!(w, Why::NotStated(..)));
        if open {
            let why: Vec<String> = amount.why().iter().map(ToString::to_string).collect();
            unknown.push(format!("{} ({})", m.label(), why.join("; ")));
        }
    }
    if unknown.is_empty() {
        return Outcome::Clear;
    }
    let at = case.order.formula.as_ref().map_or(case.order.at, |f| f.at);
    Outcome::NotEvaluated(format!("not known for the day: {}", unknown.join(", ")), vec![at])
}

pub(super) fn outside(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    if let Some(at) = case.order.oral_diet {
        out.push(finding(Tier::Low, "The oral diet of this order was not computed.".to_owned(), vec![at]));
    }
    for at in &case.order.supplements {
        out.push(finding(Tier::Low, "A supplement of this order was not computed.".to_owned(), vec![*at]));
    }
    // Many resources may be set aside for one reason.
    let mut set_aside: Vec<(&str, Vec<At>)> = Vec::new();
    for (what, at) in &case.person.set_aside {
        match set_aside.iter_mut().find(|(known, _)| *known == what.as_str()) {
            Some((_, places)) => places.push(*at),
            None => set_aside.push((what, vec![*at])),
        }
    }
    for (what, places) in set_aside {
        let times = if places.len() > 1 { format!(" ({} resources)", places.len()) } else { String::new() };
        out.push(finding(Tier::Low, format!("Not used: {what}{times}."), places));
    }
    if case.foods_not_known.is_empty() {
        return found(out);
    }
    // It may be what the formula is made of.
    let foods = case.order.excluded.iter().filter(|food| case.foods_not_known.contains(&food.at));
    let names: Vec<String> =
        foods.map(|food| format!("“{}”", quote(food.value.label().unwrap_or("a food without a name")))).collect();
    let mut why = format!(
        "the order excludes {}: no code known here says what that is, so it was not looked for in what is given",
        names.join(", ")
    );
    for also in &out {
        why.push_str("; ");
        why.push_str(also.text.trim_end_matches('.'));
    }
    let also = out.into_iter().flat_map(|f| f.at);
    Outcome::NotEvaluated(why, case.foods_not_known.iter().copied().chain(also).collect())
}

pub(super) fn supporting(case: &Case<'_>) -> Outcome {
    if case.order.formula.is_none() {
        return Outcome::NotApplicable(Cow::Borrowed("there is no tube feed"));
    }
    found(vec![finding(
        Tier::Low,
        "Not part of this order, check that they stand elsewhere: tip confirmation, head-of-bed elevation, tube care, weights and laboratory checks, what to do on intolerance or when the feed stops.".to_owned(),
        vec![case.order.at],
    )])
}

pub(super) fn declared(case: &Case<'_>) -> Outcome {
    if case.settings.declared.is_empty() {
        return Outcome::NotApplicable(Cow::Borrowed("the sender declares no kind of context"));
    }
    let (missing, unread) = (&case.person.declared_missing, &case.person.declared_unread);
    let mut why = Vec::new();
    if !missing.is_empty() {
        why.push(format!(
            "the sender declares to send {}, and nothing usable of it is there (an empty answer would be data)",
            missing.join(", ")
        ));
    }
    if !unread.is_empty() {
        why.push(format!(
            "the sender declares to send {}, which the program does not read, sent or not",
            unread.join(", ")
        ));
    }
    if why.is_empty() { Outcome::Clear } else { Outcome::NotEvaluated(why.join("; "), vec![case.order.at]) }
}
