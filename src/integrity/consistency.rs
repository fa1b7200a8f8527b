//! The order against itself.

use super::{Case, PumpRange, Stops, Weight, finding, found};
use crate::exact::Exact;
use crate::findings::{Correction, Finding, Outcome, Tier};
use crate::intake::order::{At, Field, Rate, When};
use crate::nutrition::measure::Measure;
use crate::nutrition::plan::{Cap, Kind, Source};
use crate::timing::calendar::{DAY, clock, end_instant_of, instant_of, stamp, to_local};
use crate::timing::schedule::{Line, Note, Noted, Occurrences};
use std::borrow::Cow;

fn notes<'c>(case: &'c Case<'_>) -> impl Iterator<Item = &'c Noted> {
    case.plan.notes.iter()
}

fn hours(seconds: Exact) -> String {
    seconds.div(Exact::int(3600)).unwrap_or(seconds).short(2)
}

fn per_hour(rate: Exact) -> Exact {
    rate.mul(Exact::int(3600)).unwrap_or(rate)
}

pub(super) fn timing(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let mut too_costly: Vec<(&str, At)> = Vec::new();
    for n in notes(case) {
        let text = match &n.note {
            Note::NotComputable(why) => format!("The timing cannot be computed: {why}."),
            Note::UnknownCode(code) => format!(
                "The timing “{code}” is text, or a code that is not known here; it was not turned into a number."
            ),
            Note::Inverted(why) => format!("The timing cannot be computed: {why}."),
            Note::RateWithoutStop => {
                "A rate is given at stated times without a duration: when it stops is not stated.".to_owned()
            }
            Note::EventsIgnored(k) => {
                out.push(finding(
                    Tier::Low,
                    format!("{k} listed event(s) beside a repeat: the repeat was used, the events were not counted."),
                    vec![n.at],
                ));
                continue;
            }
            Note::TooCostly(why) => {
                too_costly.push((why, n.at));
                continue;
            }
            _ => continue,
        };
        out.push(finding(Tier::High, text, vec![n.at]));
    }
    // A bound of the program's is no fault of the order's: what lies beyond it is not evaluated. A reminder beside it is no
    // finding that would stop the order.
    if let (true, Some((why, at))) = (out.iter().all(|f: &Finding| f.tier == Tier::Low), too_costly.first()) {
        let reminders: String = out.iter().map(|f| format!(". {}", f.text.trim_end_matches('.'))).collect();
        return Outcome::NotEvaluated(format!("{why}{reminders}"), vec![*at]);
    }
    for (why, at) in too_costly {
        out.push(finding(Tier::Low, format!("Not all was looked at: {why}."), vec![at]));
    }
    found(out)
}

pub(super) fn code_against_repeat(case: &Case<'_>) -> Outcome {
    found(
        notes(case)
            .filter_map(|n| match &n.note {
                Note::CodeAgainstRepeat(code, of_code, of_repeat) => Some(finding(
                    Tier::High,
                    format!("The timing code {code} means {of_code} a day, the repeat {of_repeat}. Neither was used."),
                    vec![n.at],
                )),
                Note::CodeAgainstCode(one, other) => Some(finding(
                    Tier::High,
                    format!(
                        "The timing has the codes {one} and {other}, which do not mean the same. Neither was used."
                    ),
                    vec![n.at],
                )),
                Note::ContinuousFor(seconds) => Some(Finding {
                    fix: Some("Order it at clock times for its duration, or leave the duration out.".to_owned()),
                    ..finding(
                        Tier::High,
                        format!(
                            "The timing code means a continuous feed, the repeat one of {} h. Neither was picked.",
                            hours(*seconds)
                        ),
                        vec![n.at],
                    )
                }),
                _ => None,
            })
            .collect(),
    )
}

pub(super) fn count(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for n in notes(case) {
        match &n.note {
            Note::TimesAgainstCount(times, stated) => out.push(Finding {
                fix: Some(format!("State {times} feeds, or {stated} clock times.")),
                ..finding(
                    Tier::High,
                    format!("{times} clock times are given, but {stated} feeds are stated."),
                    vec![n.at],
                )
            }),
            Note::DaysAgainstCount(makes, weeks, stated) => {
                let span = if *weeks == 1 { "a week".to_owned() } else { format!("in {weeks} weeks") };
                out.push(Finding {
                    fix: Some("Name as many weekdays as there are feeds, or leave the count out.".to_owned()),
                    ..finding(
                        Tier::High,
                        format!("The named weekdays make {makes} feeds {span}, but {stated} are stated."),
                        vec![n.at],
                    )
                });
            }
            Note::TimingRepeated => {
                out.push(finding(
                    Tier::Med,
                    "Two timings of one entry name the same times; they were counted once.".to_owned(),
                    vec![n.at],
                ));
            }
            Note::DoubledTimes(k) => {
                out.push(finding(
                    Tier::Low,
                    format!("{k} clock time(s) given more than once; each was counted once."),
                    vec![n.at],
                ));
            }
            _ => {}
        }
    }
    found(out)
}

/// The line a note is about.
fn line_with<'c>(case: &Case<'c>, note: &Noted) -> Option<&'c Line> {
    case.plan.lines.iter().find(|l| l.at == note.at || l.notes.contains(note))
}

/// The rate of a line, where it is stated as a quantity.
pub(super) fn rate_of(case: &Case<'_>, line: &Line) -> Option<At> {
    match &case.order.formula.as_ref()?.administrations.get(line.administration?)?.rate {
        Field::Present(rate) if matches!(rate.value, Rate::Quantity(_)) => Some(rate.at),
        _ => None,
    }
}

pub(super) fn feeds_overlap(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for n in notes(case) {
        let Note::LongerThanInterval(duration, interval) = &n.note else { continue };
        let line = line_with(case, n);
        let correction = line.and_then(|l| {
            let rate = ceil_to(per_hour(l.quantity?.div(*interval)?), 1).short(1);
            Some(Correction::quantity(format!("Rate {rate} mL/h"), rate_of(case, l)?, Some(rate), Some("mL/h")))
        });
        let fix = line.and_then(|l| {
            let q = l.quantity?;
            let rate = q.div(*interval)?;
            Some(format!(
                "A rate of at least {} mL/h gives {} mL within {} h; or order it as a continuous feed.",
                ceil_to(per_hour(rate), 1).short(1),
                q.short(1),
                hours(*interval)
            ))
        });
        out.push(Finding {
            arithmetic: line.map(|l| match (l.quantity, l.rate) {
                (Some(q), Some(r)) => {
                    format!(
                        "{} mL ÷ {} mL/h = {} h; interval {} h",
                        q.short(2),
                        per_hour(r).short(2),
                        hours(*duration),
                        hours(*interval)
                    )
                }
                _ => format!("duration {} h; interval {} h", hours(*duration), hours(*interval)),
            }),
            fix,
            correction,
            ..finding(
                Tier::High,
                format!(
                    "Each feed lasts {} h, but the next one begins after {} h: the feeds overlap.",
                    hours(*duration),
                    hours(*interval)
                ),
                vec![n.at],
            )
        });
    }
    found(out)
}

/// Rounded up to a number of decimals.
fn ceil_to(x: Exact, places: u32) -> Exact {
    let scale = Exact::int(10i64.pow(places.min(6)));
    x.mul(scale).map(Exact::ceil).and_then(Exact::whole).and_then(|w| w.div(scale)).unwrap_or(x)
}

/// Whole mL that are not more (`down`) or not less than a volume; under 10 mL with a decimal.
fn whole_ml(volume: Exact, down: bool) -> String {
    let places = u32::from(volume < Exact::int(10));
    let up = |x: Exact| ceil_to(x, places);
    let near = if down { Exact::ZERO.sub(volume).map(up).and_then(|x| Exact::ZERO.sub(x)) } else { Some(up(volume)) };
    near.unwrap_or(volume).short(places)
}

pub(super) fn rate_against_volume(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    for n in notes(case) {
        match &n.note {
            Note::QuantityAgainstRate(q, rate, duration) => {
                let ran = rate.mul(*duration).unwrap_or(*q);
                let off = ran.sub(*q).map(Exact::abs).unwrap_or(*q);
                // More than max(2 %, 5 mL; 1 mL under 10 kg).
                let light = case.person.weight.kg().is_some_and(|kg| kg < Exact::int(10));
                let floor = if light { Exact::ONE } else { Exact::int(5) };
                let share = q.mul(Exact::ratio(2, 100)).unwrap_or(floor);
                let limit = share.max(floor);
                if off <= limit && matches!(case.person.weight, Weight::Usable { .. }) {
                    continue;
                }
                let correction = q.div(*duration).and_then(|r| {
                    let (line, r) = (line_with(case, n)?, per_hour(r).short(1));
                    Some(Correction::quantity(format!("Rate {r} mL/h"), rate_of(case, line)?, Some(r), Some("mL/h")))
                });
                let fix = q.div(*duration).map(|r| {
                    format!("{} mL/h gives {} mL in {} h; {} mL/h takes {} h.", per_hour(r).short(1), q.short(1), hours(*duration), per_hour(*rate).short(1), hours(q.div(*rate).unwrap_or(*duration)))
                });
                out.push(Finding {
                    arithmetic: Some(format!("{} mL/h × {} h = {} mL; stated {} mL", per_hour(*rate).short(3), hours(*duration), ran.short(2), q.short(2))),
                    fix,
                    correction,
                    ..finding(
                        Tier::High,
                        format!("The rate over the duration gives {} mL, the stated volume is {} mL: {} mL apart.", ran.short(1), q.short(1), off.short(1)),
                        vec![n.at],
                    )
                });
            }
            Note::TwoReadings(q, day) => out.push(Finding {
                arithmetic: Some(format!("rate × 24 h = {} mL; quantity {} mL", day.short(1), q.short(1))),
                fix: Some("State how many feeds of this volume are given, or how many hours the rate runs.".to_owned()),
                ..finding(
                    Tier::High,
                    format!("A volume of {} mL and a rate that gives {} mL in a day are stated without a schedule: which one holds is not said.", q.short(1), day.short(1)),
                    vec![n.at],
                )
            }),
            Note::BothRates => out.push(finding(Tier::High, "Two rates are stated for one entry.".to_owned(), vec![n.at])),
            _ => {}
        }
    }
    found(out)
}

pub(super) fn count_against_volume(_: &Case<'_>) -> Outcome {
    super::waits("CON-02")
}

pub(super) fn cap(case: &Case<'_>) -> Outcome {
    let plan = case.plan;
    if let Some(at) = plan.cap_unusable {
        return Outcome::NotEvaluated("the maximum volume has no usable value or unit".to_owned(), vec![at]);
    }
    let Some(cap) = plan.cap else { return Outcome::NotApplicable(Cow::Borrowed("no maximum volume is stated")) };
    if cap.period != Exact::int(DAY) {
        return cap_of_a_period(case, cap);
    }
    let mut out = Vec::new();
    let zone = &case.settings.zone;
    // The first day on which the cap cuts, and the steady day, each once.
    let cut = case.all_days().find(|(d, _)| d.laid.cap.is_some());
    if let Some((day, _)) = cut
        && let Some(reached) = day.laid.cap
    {
        let short = reached.scheduled.sub(reached.cap).unwrap_or(Exact::ZERO);
        let instant = day.laid.window.start.add(reached.at).unwrap_or(day.laid.window.start);
        let at_clock = clock(to_local(zone, instant));
        let mut text = format!(
            "The schedule gives up to {} mL, the maximum is {} mL: it is reached at {at_clock}, {} mL short.",
            reached.scheduled.short(1),
            reached.cap.short(1),
            short.short(1)
        );
        if let Some((steady, _)) = case.steady
            && let Some(s) = steady.laid.cap
            && s.scheduled != reached.scheduled
        {
            text.push_str(&format!(" On the steady day the schedule gives {} mL.", s.scheduled.short(1)));
        }
        let highest =
            case.all_days().filter_map(|(d, _)| d.laid.cap).map(|c| c.scheduled).fold(reached.scheduled, Exact::max);
        let hours_run = reached.at.div(Exact::int(3600)).unwrap_or(reached.at);
        out.push(Finding {
            arithmetic: Some(format!(
                "schedule {} mL − maximum {} mL = {} mL; reached {} h after the day begins",
                reached.scheduled.short(2),
                reached.cap.short(2),
                short.short(2),
                hours_run.short(2)
            )),
            fix: Some(format!(
                "Raise the maximum to {} mL, or lower the schedule to {} mL a day.",
                whole_ml(highest, false),
                whole_ml(reached.cap, true)
            )),
            correction: Some(maximum_of(highest, cap.at)),
            ..finding(Tier::High, text, vec![cap.at])
        });
        return found(out);
    }
    // A cap far above anything the order gives may be left over from another order.
    let mut most: Option<Exact> = None;
    for (_, totals) in case.all_days() {
        let Some(high) = totals.get(Measure::FormulaVolume).high() else {
            return Outcome::NotEvaluated("the volume of the schedule is not known".to_owned(), vec![cap.at]);
        };
        most = Some(most.map_or(high, |m| m.max(high)));
    }
    let Some(most) = most else {
        return Outcome::NotEvaluated("the volume of the schedule is not known".to_owned(), vec![cap.at]);
    };
    let limit = most.mul(Exact::ratio(12, 10)).unwrap_or(most);
    if cap.per_day > limit && most.is_positive() {
        let percent = cap
            .per_day
            .div(most)
            .and_then(|r| r.sub(Exact::ONE))
            .and_then(|r| r.mul(Exact::int(100)))
            .unwrap_or(Exact::ZERO);
        out.push(Finding {
            arithmetic: Some(format!("{} mL ÷ {} mL − 1 = {} %", cap.per_day.short(1), most.short(1), percent.short(0))),
            fix: Some(format!("A maximum of {} mL fits the schedule.", whole_ml(most, false))),
            correction: Some(maximum_of(most, cap.at)),
            ..finding(
                Tier::Med,
                format!("The maximum of {} mL is {} % above the {} mL that the schedule gives: it may be from another order.", cap.per_day.short(1), percent.short(0), most.short(1)),
                vec![cap.at],
            )
        });
    }
    found(out)
}

/// A maximum that is not per day: what any stretch as long as its period gives.
fn cap_of_a_period(case: &Case<'_>, cap: Cap) -> Outcome {
    let all = || case.all_days().filter_map(|(day, _)| day.in_period);
    let Some(most) = all().map(|p| p.most).reduce(Exact::max) else {
        return Outcome::NotEvaluated("the volume of the schedule is not known".to_owned(), vec![cap.at]);
    };
    let span = span(cap.period);
    let not_known = format!("what the schedule gives in {span} at most is not known");
    if all().any(|p| p.beyond) {
        let short = most.sub(cap.volume).unwrap_or(Exact::ZERO);
        return found(vec![Finding {
            arithmetic: Some(format!(
                "schedule {} mL − maximum {} mL = {} mL in {span}",
                most.short(2),
                cap.volume.short(2),
                short.short(2)
            )),
            fix: Some(format!("Raise the maximum to {} mL in {span}, or lower the schedule.", whole_ml(most, false))),
            ..finding(
                Tier::High,
                format!(
                    "In {span} the schedule gives up to {} mL, the maximum is {} mL: what is given is not known.",
                    most.short(1),
                    cap.volume.short(1)
                ),
                vec![cap.at],
            )
        }]);
    }
    if all().any(|p| p.open) {
        return Outcome::NotEvaluated(not_known, vec![cap.at]);
    }
    let over = cap.volume.div(most).and_then(|r| r.sub(Exact::ONE)).and_then(|r| r.mul(Exact::int(100)));
    match over.filter(|percent| *percent > Exact::int(20)) {
        Some(percent) => found(vec![Finding {
            arithmetic: Some(format!("{} mL ÷ {} mL − 1 = {} %", cap.volume.short(1), most.short(1), percent.short(0))),
            fix: Some(format!("A maximum of {} mL in {span} fits the schedule.", whole_ml(most, false))),
            ..finding(
                Tier::Med,
                format!(
                    "The maximum of {} mL in {span} is {} % above the {} mL that the schedule gives: it may be from another order.",
                    cap.volume.short(1),
                    percent.short(0),
                    most.short(1)
                ),
                vec![cap.at],
            )
        }]),
        None => Outcome::Clear,
    }
}

/// A length of time for people.
fn span(seconds: Exact) -> String {
    let (unit, word) = match seconds {
        s if s >= Exact::int(2 * DAY) => (DAY, "days"),
        s if s >= Exact::int(3_600) => (3_600, "h"),
        _ => (60, "min"),
    };
    format!("{} {word}", seconds.div(Exact::int(unit)).unwrap_or(seconds).short(2))
}

/// A maximum volume of so many mL.
fn maximum_of(volume: Exact, at: At) -> Correction {
    let volume = whole_ml(volume, false);
    Correction::quantity(format!("Maximum volume {volume} mL"), at, Some(volume), Some("mL"))
}

pub(super) fn density(case: &Case<'_>) -> Outcome {
    let mut out = Vec::new();
    let mut any = false;
    let mut open = Vec::new();
    let at = case.order.formula.as_ref().and_then(|f| f.density.at()).unwrap_or(case.order.at);
    for content in &case.plan.contents {
        any |= content.form.is_some();
        open.extend(content.density_not_compared.iter().map(ToString::to_string));
        let Some((order, product)) = content.density_conflict else { continue };
        let of = if content.mixed.is_empty() {
            content.label.clone()
        } else {
            format!("{} with what is mixed in", content.label)
        };
        // Of a product without energy (water) every strength is another.
        let percent = order.sub(product).and_then(|d| d.div(product)).and_then(|d| d.mul(Exact::int(100)));
        let tier = if percent.is_none_or(|x| x.abs() > Exact::int(5)) { Tier::Med } else { Tier::Low };
        let apart = percent.map_or_else(|| "no energy of its own".to_owned(), |x| format!("{} %", x.short(1)));
        out.push(Finding {
            arithmetic: Some(format!("{} kcal/mL against {} kcal/mL: {apart}", order.short(4), product.short(4))),
            fix: Some(format!("Confirm the strength; the formulary has {of} at {} kcal/mL.", product.short(4))),
            ..finding(
                tier,
                format!(
                    "The order says {} kcal/mL, the formulary {} kcal/mL for {of} ({apart}). The order's figure was used for energy.",
                    order.short(4),
                    product.short(4),
                ),
                vec![at],
            )
        });
    }
    if !out.is_empty() {
        found(out)
    } else if !open.is_empty() {
        Outcome::NotEvaluated(format!("the energy density of the mix is not known: {}", open.join("; ")), vec![at])
    } else if any {
        Outcome::Clear
    } else {
        Outcome::NotApplicable(Cow::Borrowed("no product of the formulary is ordered"))
    }
}

pub(super) fn steps(case: &Case<'_>) -> Outcome {
    let settled = &case.plan.settled;
    let mut out = Vec::new();
    let at = |i: usize| case.plan.lines.get(i).map_or(case.order.at, |l| l.at);
    for (a, b) in &settled.overlaps {
        out.push(Finding {
            fix: Some("Give the earlier entry an end, or order one rate.".to_owned()),
            ..finding(
                Tier::Med,
                "Two entries of the same feed run at the same time; their rates were added.".to_owned(),
                vec![at(*a), at(*b)],
            )
        });
    }
    for (a, b) in &settled.doubled {
        out.push(finding(
            Tier::Med,
            "Two entries of the same feed start together; both were counted.".to_owned(),
            vec![at(*a), at(*b)],
        ));
    }
    for (a, b) in &settled.added {
        out.push(Finding {
            fix: Some("If it replaces the earlier entry, give that an end.".to_owned()),
            ..finding(
                Tier::Med,
                "A later entry of the same feed has other times than an earlier one without an end; its amounts were added."
                    .to_owned(),
                vec![at(*a), at(*b)],
            )
        });
    }
    for (a, b, gap) in &settled.gaps {
        out.push(finding(
            Tier::Med,
            format!("Between two entries of the feed nothing runs for {} h.", hours(*gap)),
            vec![at(*a), at(*b)],
        ));
    }
    start_far_off(case, &mut out);
    over_before_ordered(case, &mut out);
    feeds_not_daily(case, &mut out);
    days_without_feed(case, &mut out);
    if case.plan.lines.is_empty() { Outcome::NotApplicable(Cow::Borrowed("no schedule is stated")) } else { found(out) }
}

/// A start far from the order's own date is from another order, or a slip of the year.
fn start_far_off(case: &Case<'_>, out: &mut Vec<Finding>) {
    let Some((ordered, _)) =
        case.order.date_time.value().and_then(|w| crate::timing::calendar::instant_of(&case.settings.zone, *w))
    else {
        return;
    };
    for line in &case.plan.lines {
        let Some(start) = line.start else { continue };
        let off = start.sub(ordered).map(Exact::abs).and_then(|s| s.div(Exact::int(DAY))).unwrap_or(Exact::ZERO);
        if off > Exact::int(30) {
            let side = if start < ordered { "before" } else { "after" };
            out.push(Finding {
                fix: Some("Check the date of the start.".to_owned()),
                ..finding(
                    Tier::Med,
                    format!("The schedule starts {} days {side} the order's own date.", off.short(0)),
                    vec![line.at],
                )
            });
            return;
        }
    }
}

/// Feeds that all end before the order was written give nothing from then on.
fn over_before_ordered(case: &Case<'_>, out: &mut Vec<Finding>) {
    let Some((ordered, _)) =
        case.order.date_time.value().and_then(|w| crate::timing::calendar::instant_of(&case.settings.zone, *w))
    else {
        return;
    };
    let end = |line: &Line| match line.high.as_ref().map(|run| &run.occurrences) {
        Some(Occurrences::Listed(at)) => at.last().copied(),
        _ => line.end,
    };
    let feeds = case.plan.parts.iter().filter(|p| p.kind == Kind::Feed).filter_map(|part| match part.source {
        Source::Line(ix) => case.plan.lines.get(ix),
        Source::WithFeeds { .. } => None,
    });
    let over: Vec<At> = feeds.clone().filter(|l| end(l).is_some_and(|e| e <= ordered)).map(|l| l.at).collect();
    if over.is_empty() || over.len() < feeds.count() {
        return;
    }
    out.push(Finding {
        fix: Some("Check the dates: give the schedule a later end, or end the order.".to_owned()),
        ..finding(
            Tier::High,
            "The schedule is over before the order was written: from then on it gives nothing.".to_owned(),
            over,
        )
    });
}

/// Occurrences and days of a schedule that repeats in a period of more than a day and names no weekdays.
pub(super) fn not_daily(line: &Line) -> Option<(Exact, Exact)> {
    let day = Exact::int(DAY);
    match &line.high.as_ref()?.occurrences {
        Occurrences::Clock { interval, times, weekdays: 0 } if *interval > 1 => {
            Some((Exact::int(i64::try_from(times.len()).ok()?), Exact::int(*interval)))
        }
        // A step that is no part of a day: the feeds fall on other times, or none, from day to day.
        Occurrences::Every { step, weekdays: 0, .. } if *step > day => Some((Exact::ONE, step.div(day)?)),
        Occurrences::Every { step, weekdays: 0, .. } => {
            let n = day.div(*step)?;
            let week = n.mul(Exact::int(7))?;
            (!n.is_whole() && week.is_whole() && n < Exact::int(2)).then_some((week, Exact::int(7)))
        }
        _ => None,
    }
}

/// A feed that is not given every day, without saying on which days.
fn feeds_not_daily(case: &Case<'_>, out: &mut Vec<Finding>) {
    for part in case.plan.parts.iter().filter(|p| p.kind == Kind::Feed) {
        let Source::Line(ix) = part.source else { continue };
        let Some((line, (n, days))) = case.plan.lines.get(ix).and_then(|l| Some((l, not_daily(l)?))) else { continue };
        out.push(Finding {
            fix: Some("State how often a day, or on which days of the week.".to_owned()),
            ..finding(
                Tier::Med,
                format!(
                    "The feed is ordered {} in {} days, not for every day.",
                    if n == Exact::ONE { "once".to_owned() } else { format!("{} times", n.short(1)) },
                    days.short(1)
                ),
                vec![line.at],
            )
        });
    }
}

/// A schedule that repeats, and leaves days on which nothing is fed.
fn days_without_feed(case: &Case<'_>, out: &mut Vec<Finding>) {
    let Some((_, totals)) = case.steady else { return };
    let volume = totals.get(Measure::FormulaVolume);
    if let crate::amount::Amount::Range(span) = volume
        && let crate::amount::Span { low, mean: Some(mean), .. } = &**span
        && low.is_zero()
        && mean.is_positive()
    {
        out.push(Finding {
            arithmetic: Some(format!("from {} mL on some days, {} mL in the mean", low.short(1), mean.short(1))),
            fix: Some("Check period and unit of the schedule, or confirm the days without feed.".to_owned()),
            ..finding(
                Tier::Med,
                "The schedule leaves days on which nothing is fed.".to_owned(),
                vec![case.order.formula.as_ref().map_or(case.order.at, |f| f.at)],
            )
        });
    }
}

pub(super) fn beside(case: &Case<'_>) -> Outcome {
    if case.beside.is_empty() && case.whose.is_empty() {
        return if case.others_sent {
            Outcome::Clear
        } else {
            Outcome::NotProvided(Cow::Borrowed("other orders of the patient"))
        };
    }
    let feeds_here = case.plan.parts.iter().any(|p| p.kind == Kind::Feed);
    let mut out = Vec::new();
    let mut open: Vec<(&str, At)> = Vec::new();
    for other in case.beside.iter().filter(|o| o.feeds && feeds_here) {
        if !other.stated {
            open.push(("another active feeding order of this patient does not state what it gives, or when", other.at));
            continue;
        }
        let (tier, text) = if other.identical {
            (Tier::Med, "Another active order of this patient says the same: it may be a duplicate.".to_owned())
        } else if other.overlaps {
            (
                Tier::High,
                format!("Another active feeding order of this patient runs at the same times; {}.", other.together),
            )
        } else {
            (
                Tier::Low,
                format!("Another active feeding order of this patient runs at other times; {}.", other.together),
            )
        };
        out.push(Finding {
            fix: (tier > Tier::Low).then(|| "End one of the orders, or confirm that both are meant.".to_owned()),
            ..finding(tier, text, vec![case.order.at, other.at])
        });
    }
    let whose = "whether another feeding order is for this patient cannot be told from the patient it names";
    open.extend(case.whose.iter().filter(|_| feeds_here).map(|at| (whose, *at)));
    // A reminder is no finding that would stop the order.
    if let (true, Some((why, _))) = (out.iter().all(|f: &Finding| f.tier == Tier::Low), open.first()) {
        let reminders: String = out.iter().map(|f| format!(". {}", f.text.trim_end_matches('.'))).collect();
        return Outcome::NotEvaluated(format!("{why}{reminders}"), open.iter().map(|(_, at)| *at).collect());
    }
    for (why, at) in open {
        out.push(finding(Tier::Low, format!("Not all was looked at: {why}."), vec![at]));
    }
    found(out)
}

pub(super) fn pump(case: &Case<'_>) -> Outcome {
    if case.pumps.is_empty() {
        return Outcome::NotProvided(Cow::Borrowed(
            "the pump's range and steps (the rulebook states none for this order)",
        ));
    }
    let feeds = case.plan.parts.iter().filter(|p| p.kind == Kind::Feed);
    let lines = feeds.filter_map(|part| match part.source {
        Source::Line(ix) => case.plan.lines.get(ix).map(|line| (ix, line)),
        Source::WithFeeds { .. } => None,
    });
    let (mut out, mut open, mut any) = (Vec::new(), Vec::new(), false);
    for (ix, line) in lines {
        let Some(rate) = line.rate.and_then(|rate| rate.mul(Exact::int(3600))) else { continue };
        any = true;
        // What is zero or less has a rule of its own (UNT-08).
        let cannot: Vec<&PumpRange> =
            case.pumps.iter().filter(|p| rate.is_positive() && !programmable(rate, p)).collect();
        match (cannot.first(), cannot.len() == case.pumps.len()) {
            (None, _) => {}
            (Some(pump), true) => out.push(not_programmable(case, (ix, line), rate, pump)),
            (Some(_), false) => open.push((line.at, rate)),
        }
    }
    if !out.is_empty() {
        return found(out);
    }
    if let Some((_, rate)) = open.first() {
        let titles: Vec<&str> = case.pumps.iter().map(|p| p.title.as_str()).collect();
        return Outcome::NotEvaluated(
            format!(
                "which pump is used is not known ({}), and not each of them can be set to {} mL/h",
                titles.join(" or "),
                rate.short(4)
            ),
            open.iter().map(|(at, _)| *at).collect(),
        );
    }
    if any { Outcome::Clear } else { Outcome::NotApplicable(Cow::Borrowed("no rate is stated that a pump is set to")) }
}

/// Whether a pump can be set to a rate, mL/h.
fn programmable(rate: Exact, pump: &PumpRange) -> bool {
    let [lowest, highest, step] = pump.rate;
    rate >= lowest && rate <= highest && rate.div(step).is_some_and(Exact::is_whole)
}

fn not_programmable(case: &Case<'_>, (ix, line): (usize, &Line), rate: Exact, pump: &PumpRange) -> Finding {
    let [lowest, highest, step] = pump.rate;
    let stepped = |up: bool| {
        let steps = rate.div(step)?;
        let steps = if up { steps.ceil() } else { steps.floor() };
        Exact::whole(steps)?.mul(step).filter(|near| *near >= lowest && *near <= highest)
    };
    let near: Vec<Exact> = if rate < lowest {
        vec![lowest]
    } else if rate > highest {
        vec![highest]
    } else {
        [stepped(false), stepped(true)].into_iter().flatten().collect()
    };
    // Hours that it runs on the day that stands for the order. Where the volume of a feed is stated, another rate changes only
    // how long it takes.
    let seconds = case.day().filter(|_| line.quantity.is_none()).and_then(|(day, _)| {
        let mine = day.laid.segments.iter().filter(|s| s.line == ix);
        mine.map(|s| s.to.sub(s.from)).try_fold(Exact::ZERO, |sum, s| sum.add(s?)).filter(|s| s.is_positive())
    });
    let offer = |near: &Exact| {
        let apart = near.sub(rate);
        let a_day = apart.zip(seconds).and_then(|(apart, s)| apart.mul(s)?.div(Exact::int(3600)));
        let difference = a_day.map_or_else(String::new, |ml| {
            let word = if ml.is_positive() { "more" } else { "less" };
            format!(" ({} mL a day {word})", ml.abs().short(1))
        });
        format!("{} mL/h{difference}", near.short(4))
    };
    let offers: Vec<String> = near.iter().map(offer).collect();
    let (low, high, by) = (lowest.short(4), highest.short(4), step.short(4));
    let why = if rate < lowest || rate > highest {
        format!("it runs from {low} to {high} mL/h")
    } else {
        format!("it is set in steps of {by} mL/h")
    };
    let closest = near.iter().copied().reduce(|a, b| {
        let apart = |x: Exact| x.sub(rate).map(Exact::abs);
        if apart(b) < apart(a) { b } else { a }
    });
    Finding {
        arithmetic: Some(format!("{} mL/h; {}: {low} to {high} mL/h in steps of {by} mL/h", rate.short(4), pump.title)),
        fix: (!offers.is_empty()).then(|| format!("Order {}.", offers.join(" or "))),
        correction: closest.and_then(|near| {
            let near = near.short(4);
            Some(Correction::quantity(format!("Rate {near} mL/h"), rate_of(case, line)?, Some(near), Some("mL/h")))
        }),
        ..finding(
            Tier::High,
            format!("The pump cannot be set to {} mL/h: {why}. Whoever sets it has to round.", rate.short(4)),
            vec![line.at],
        )
    }
}

pub(super) fn nil_by_mouth(case: &Case<'_>) -> Outcome {
    let (stops, unread) = match case.stops {
        Stops::NoCodes => {
            return Outcome::NotProvided(Cow::Borrowed(
                "codes of nil-by-mouth and hold orders (concepts of kind hold in the rulebook)",
            ));
        }
        Stops::NotSent => return Outcome::NotProvided(Cow::Borrowed("nil-by-mouth and hold orders")),
        Stops::Sent { found, unread } => (found, unread),
    };
    let instant = |when| instant_of(&case.settings.zone, when).map(|(x, _)| x);
    // From the first start of a feed to its last end. A start that is not stated is no more than a day before the one that is
    // reckoned; an end that is not stated is open.
    let lines = || {
        let feeds = case.plan.parts.iter().filter(|p| p.kind == Kind::Feed);
        feeds.filter_map(|part| if let Source::Line(ix) = part.source { case.plan.lines.get(ix) } else { None })
    };
    let reckoned = case.plan.start.sub(Exact::int(DAY));
    let start = lines().map(|line| line.start.or(reckoned)).reduce(|a, b| Some(a?.min(b?))).flatten();
    let end = lines().map(|line| line.end).reduce(|a, b| Some(a?.max(b?))).flatten();
    let mut out = Vec::new();
    for stop in stops {
        let [from, to] = stop.period;
        // An end of a date alone is the end of that day.
        let until = to.and_then(|when| end_instant_of(&case.settings.zone, when));
        let before = matches!((until, start), (Some(until), Some(start)) if until <= start);
        let after = matches!((from.and_then(instant), end), (Some(from), Some(end)) if from >= end);
        if before || after {
            continue;
        }
        // As precise as it is stated, to the minute.
        let stated = |when: Option<When>| {
            let stamp = stamp(&case.settings.zone, instant(when?)?);
            let length = match when? {
                When::Instant { .. } => 16,
                When::Day(..) => 10,
                When::Month(..) => 7,
                When::Year(..) => 4,
            };
            Some(stamp.chars().take(length).collect::<String>().replace('T', " "))
        };
        let span = match (stated(from), stated(to)) {
            (Some(from), Some(to)) => format!(" from {from} to {to}"),
            (Some(from), None) => format!(" from {from} on, without an end"),
            (None, Some(to)) => format!(" to {to}"),
            (None, None) => ", without times".to_owned(),
        };
        out.push(Finding {
            fix: Some("Settle with whoever ordered it whether it is meant for the tube as well as for the mouth; then order the pause of the feed with its times, or have the other order say what it leaves.".to_owned()),
            ..finding(
                Tier::Med,
                format!("An active order says “{}”{span}, while this feed runs.", stop.title),
                vec![stop.at, case.order.at],
            )
        });
    }
    if !out.is_empty() {
        return found(out);
    }
    match unread.first() {
        Some((_, why)) => Outcome::NotEvaluated(
            format!(
                "of {} active order(s) beside it, it cannot be told whether they stop the feed: {why}",
                unread.len()
            ),
            unread.iter().map(|(at, _)| *at).collect(),
        ),
        None => Outcome::Clear,
    }
}

/// mL a day of a rate.
pub(super) fn a_day(rate: Exact) -> Option<Exact> {
    rate.mul(Exact::int(DAY))
}
