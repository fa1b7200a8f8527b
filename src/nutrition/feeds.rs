//! What a day's schedule says of its feeds: how large a single one is, how long it takes, how fast feed runs in, how long
//! a container hangs.
//!
//! A single feed is one given as bolus or over a stated time; what the pump gives for part of the day is none where the
//! order has both. What runs at the same time adds up; lines that are steps of one feed follow each other.

use crate::amount::{Amount, Why, join};
use crate::exact::Exact;
use crate::formulary::product::{Form, Nutrient};
use crate::nutrition::plan::{Kind, Part, Plan, Source};
use crate::nutrition::totals::OrderDay;
use crate::timing::calendar::DAY;
use crate::timing::day::{LineDay, MAX_OCCURRENCES, Segment, begin_in, cycle_days};
use crate::timing::schedule::{Dose, Line, Method, Occurrences, Run};
use std::collections::BTreeMap;

const HOUR: Exact = Exact::int(3600);

/// Most feeds of a day of which it is worked out which run at the same time.
const MOST_TOGETHER: usize = 4_000;

/// Most days that are laid out to find the next feed, of all lines together.
const MOST_LINE_DAYS: i64 = 240;

/// What there is none of where a day has one feed.
pub const SECOND_FEED: &str = "second feed";

/// The lines of a day that give feed: plan, day, index of the line, part, and what the line gives.
pub(super) fn feed_lines<'a>(
    days: &'a [(&'a Plan, &'a OrderDay)],
) -> impl Iterator<Item = (&'a Plan, &'a OrderDay, usize, &'a Part, &'a LineDay)> {
    days.iter().flat_map(|(plan, day)| {
        plan.parts.iter().filter(|p| p.kind == Kind::Feed).filter_map(move |part| {
            let Source::Line(ix) = part.source else { return None };
            Some((*plan, *day, ix, part, day.laid.lines.get(ix)?))
        })
    })
}

fn none(what: &'static str) -> Amount {
    Amount::unknown(Why::Nothing(what))
}

fn not_stated() -> Why {
    Why::Schedule("how long a feed takes is not stated".to_owned())
}

/// What one occurrence gives, mL, and over how many seconds; `None` for what runs without single feeds. A pump that runs
/// on when the next feed is due gives what it gives until then.
fn feed_of(run: &Run) -> Option<(Exact, Exact)> {
    let Dose::Volume { ml, over } = run.dose else { return None };
    match run.occurrences.longest_gap() {
        Some(gap) if run.once && gap < over => Some((ml.mul(gap)?.div(over)?, gap)),
        _ => Some((ml, over)),
    }
}

/// mL/s while it runs; `None` where how long a feed takes is not stated.
fn rate_of(run: &Run) -> Option<Exact> {
    match run.dose {
        Dose::Rate(rate) => Some(rate),
        Dose::Volume { ml, over } => ml.div(over),
    }
}

/// From the least to the most of what every reading of a line says; unknown where one says nothing.
fn of_readings(line: &Line, of: impl Fn(&Run) -> Option<Exact>, lacking: impl Fn() -> Why) -> Amount {
    if line.high.is_none() {
        return Amount::Unknown(line.why.clone());
    }
    let (mut low, mut high): (Option<Exact>, Option<Exact>) = (None, None);
    for run in line.readings() {
        let Some(x) = of(run) else { return Amount::unknown(lacking()) };
        low = Some(low.map_or(x, |l| l.min(x)));
        high = Some(high.map_or(x, |h| h.max(x)));
    }
    match (low, high) {
        (Some(low), Some(high)) if low == high => Amount::Known(low),
        (Some(low), Some(high)) => Amount::range(low, Some(high), None, line.why.clone()),
        _ => Amount::unknown(lacking()),
    }
}

/// Whether a line runs at a rate, without feeds.
fn runs_on(line: &Line) -> bool {
    matches!(line.high.as_ref().map(|run| run.dose), Some(Dose::Rate(_)))
}

/// Whether a container hangs until it is empty: at a rate, or in feeds without a pause between them.
pub(crate) fn hangs_on(line: &Line) -> bool {
    let pause = [Some(line.method), line.also_method].into_iter().flatten().any(|m| m != Method::Continuous);
    let fed = line.readings().all(|run| feed_of(run).is_some_and(|(_, over)| over.is_positive()));
    runs_on(line) || fed && !pause
}

/// The lines of a content that run on where others of it end, as pieces of one feed: pumped for part of the day each, at known
/// times.
fn joined(plan: &Plan, day: &OrderDay, content: usize) -> Vec<usize> {
    joined_among(plan, day.laid.segments.iter(), day.laid.window.length, content)
}

/// The same of the segments of a day so long.
pub(crate) fn joined_among<'s>(
    plan: &Plan,
    segments: impl Iterator<Item = &'s Segment>,
    length: Exact,
    content: usize,
) -> Vec<usize> {
    let pumped = |line: &Line| !is_single(line) && line.is_exact() && !line.spaced && line.has_times();
    let of: Vec<usize> = plan
        .parts
        .iter()
        .filter(|p| p.kind == Kind::Feed && p.content == content)
        .filter_map(|p| if let Source::Line(ix) = p.source { Some(ix) } else { None })
        .filter(|ix| plan.lines.get(*ix).is_some_and(pumped))
        .collect();
    // One line alone goes on from nothing.
    if of.len() < 2 {
        return Vec::new();
    }
    let mut pieces: Vec<&Segment> =
        segments.filter(|s| s.from < s.to && of.contains(&s.line)).take(MOST_TOGETHER).collect();
    pieces.sort_by_key(|s| (s.from, s.to));
    // What runs at the same time hangs beside it, each in a container of its own; the rest of the day may follow each other.
    let mut beside = vec![false; pieces.len()];
    let mut longest: Option<(usize, Exact)> = None;
    for (ix, s) in pieces.iter().enumerate() {
        if let Some((before, until)) = longest
            && s.from < until
        {
            for own in [before, ix] {
                if let Some(own) = beside.get_mut(own) {
                    *own = true;
                }
            }
        }
        if longest.is_none_or(|(_, until)| s.to > until) {
            longest = Some((ix, s.to));
        }
    }
    let mut alone = beside.iter().map(|beside| !beside);
    pieces.retain(|_| alone.next().unwrap_or(true));
    let ends: BTreeMap<Exact, usize> = pieces.iter().map(|s| (s.to, s.line)).collect();
    let mut out: Vec<usize> = Vec::new();
    for s in &pieces {
        // What begins with the day goes on from what ends with it.
        let around = ends.get(&length).filter(|_| s.from.is_zero());
        for before in ends.get(&s.from).into_iter().chain(around).filter(|before| **before != s.line) {
            out.extend([*before, s.line]);
        }
    }
    out.sort_unstable();
    out.dedup();
    out
}

/// Whether a line gives single feeds.
fn is_single(line: &Line) -> bool {
    let single = |method| !matches!(method, Method::Cyclic | Method::Continuous);
    (single(line.method) || line.also_method.is_some_and(single)) && !runs_on(line)
}

/// Whether a line counts among the single feeds of a day: all that have feeds, where all are cyclic.
fn counts(days: &[(&Plan, &OrderDay)]) -> impl Fn(&Line) -> bool {
    let any =
        feed_lines(days).any(|(plan, _, ix, _, l)| !l.volume.is_zero() && plan.lines.get(ix).is_some_and(is_single));
    move |line| !runs_on(line) && (!any || is_single(line))
}

/// A line of a day, for what adds up at the same time.
struct Strand<'a> {
    /// Lines that are steps of one feed share one.
    channel: usize,
    line: &'a Line,
    amount: Amount,
    /// When it runs, seconds of the window; all the time between where it is not known when.
    spans: Vec<(Exact, Exact)>,
    /// Whether when it runs is known.
    placed: bool,
}

/// The most at any time of what lines give that run then; `stacks`: what of one line runs into itself adds up as well,
/// unless it is one pump.
fn most_at_once<'a>(
    days: &'a [(&'a Plan, &'a OrderDay)],
    wanted: impl Fn(&Line) -> bool,
    of: impl Fn(&Plan, &Part, &Line) -> Amount,
    stacks: bool,
) -> Option<Amount> {
    let mut strands: Vec<Strand<'a>> = Vec::new();
    let mut before = 0usize;
    for (plan, day) in days {
        let one = [(*plan, *day)];
        for (_, _, ix, part, l) in feed_lines(&one) {
            let Some(line) = plan.lines.get(ix).filter(|line| wanted(line)) else { continue };
            if l.volume.is_zero() {
                continue;
            }
            let group = plan.settled.steps.iter().position(|group| group.contains(&ix));
            let channel = before.saturating_add(group.map_or(ix, |group| plan.lines.len().saturating_add(group)));
            let placed = line.is_exact() && !line.spaced && line.has_times();
            let mut spans: Vec<_> = day.laid.segments.iter().filter(|s| s.line == ix).map(|s| (s.from, s.to)).collect();
            spans.sort_unstable();
            let mut amount = of(plan, part, line);
            if !placed {
                // How its feeds lie to each other is known all the same.
                let times =
                    if stacks && !line.high.as_ref().is_some_and(|run| run.once) { most_running(&spans) } else { 1 };
                if times > 1 {
                    let most = amount.scaled(Exact::int(times));
                    amount = if line.is_exact() { most } else { reaching(&amount, &most) };
                }
                let from = spans.iter().map(|s| s.0).min();
                let to = spans.iter().map(|s| s.1).max();
                spans = from.zip(to).into_iter().collect();
            }
            strands.push(Strand { channel, line, amount, spans, placed });
        }
        before = before.saturating_add(plan.lines.len()).saturating_add(plan.settled.steps.len());
    }
    let alone = strands.iter().map(|s| s.amount.clone()).reduce(|a, b| largest(&a, &b))?;
    match together(&strands, stacks) {
        // Without an upper end it reaches beyond any.
        Some(most) if most.low() > alone.low() || most.high().is_none() || most.high() > alone.high() => {
            Some(largest(&alone, &most))
        }
        _ => Some(alone),
    }
}

/// How many of these, in the order of their beginnings, run at the same time when most do.
fn most_running(spans: &[(Exact, Exact)]) -> i64 {
    let mut ends: Vec<Exact> = spans.iter().map(|(_, to)| *to).collect();
    ends.sort_unstable();
    let (mut over, mut most) = (0usize, 0usize);
    for (begun, (from, _)) in spans.iter().enumerate() {
        while ends.get(over).is_some_and(|end| end <= from) {
            over = over.saturating_add(1);
        }
        most = most.max(begun.saturating_add(1).saturating_sub(over));
    }
    i64::try_from(most).unwrap_or(i64::MAX)
}

/// From the least of one amount to the most of another.
fn reaching(low: &Amount, high: &Amount) -> Amount {
    match low.low() {
        Some(least) => Amount::range(least, high.high(), None, join(low.why(), high.why())),
        None => high.clone(),
    }
}

/// The most of several strands at once; `None` where no two run at the same time.
fn together(strands: &[Strand<'_>], stacks: bool) -> Option<Amount> {
    let stacked = |s: &Strand<'_>| stacks && s.placed && !s.line.high.as_ref().is_some_and(|run| run.once);
    let meets_itself = |s: &Strand<'_>| stacked(s) && s.spans.windows(2).any(|w| matches!(w, [a, b] if b.0 < a.1));
    if strands.len() < 2 && !strands.iter().any(meets_itself) {
        return None;
    }
    let mut why = strands.iter().fold(Vec::new(), |why, s| join(&why, s.amount.why()));
    if strands.iter().any(|s| !s.placed) {
        why = join(&why, &[Why::Schedule("which feeds run at the same time is not certain".to_owned())]);
    }
    if strands.iter().map(|s| s.spans.len()).sum::<usize>() > MOST_TOGETHER {
        why.push(Why::Schedule("there are too many feeds to tell which run at the same time".to_owned()));
        return Some(Amount::at_least(Exact::ZERO, why));
    }
    // What ends makes room before what begins at the same moment; what takes no time ends last.
    let mut events: Vec<(Exact, u8, usize)> = Vec::new();
    let mut channels: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (nth, strand) in strands.iter().enumerate() {
        channels.entry(strand.channel).or_default().push(nth);
        for (from, to) in &strand.spans {
            events.push((*from, 1, nth));
            events.push((*to, if from == to { 2 } else { 0 }, nth));
        }
    }
    events.sort_unstable();
    let mut running = vec![0i64; strands.len()];
    let (mut now, mut most) = ((Exact::ZERO, Exact::ZERO), (Exact::ZERO, Exact::ZERO));
    let (mut busy, mut met) = (0usize, false);
    for (_, kind, nth) in events {
        let strand = strands.get(nth)?;
        let members = channels.get(&strand.channel)?;
        let runs = |running: &[i64]| members.iter().any(|m| running.get(*m).is_some_and(|n| *n > 0));
        let (before, ran) = (of_a_channel(strands, members, &running, stacked), runs(&running));
        let n = running.get_mut(nth)?;
        *n = if kind == 1 { n.saturating_add(1) } else { n.saturating_sub(1) };
        let stacks_now = *n > 1 && stacked(strand);
        let (after, run) = (of_a_channel(strands, members, &running, stacked), runs(&running));
        busy = busy.saturating_add(usize::from(run)).saturating_sub(usize::from(ran));
        let changed = |sum: Exact, before: Exact, after: Exact| sum.sub(before)?.add(after);
        let sums = before.zip(after).and_then(|(b, a)| changed(now.0, b.0, a.0).zip(changed(now.1, b.1, a.1)));
        let Some(sums) = sums else { return Some(Amount::unknown(Why::Range)) };
        now = sums;
        if kind == 1 && (busy > 1 || stacks_now) {
            met = true;
            most = (most.0.max(now.0), most.1.max(now.1));
        }
    }
    let open = strands.iter().any(|s| s.amount.high().is_none());
    met.then(|| match (most.0 == most.1, open) {
        (_, true) => Amount::at_least(most.0, why),
        (true, false) => Amount::Known(most.0),
        (false, false) => Amount::range(most.0, Some(most.1), None, why),
    })
}

/// What a channel gives at one time, at the least and at the most: the most of its lines that run.
fn of_a_channel(
    strands: &[Strand<'_>],
    members: &[usize],
    running: &[i64],
    stacked: impl Fn(&Strand<'_>) -> bool,
) -> Option<(Exact, Exact)> {
    let mut out = (Exact::ZERO, Exact::ZERO);
    for (strand, n) in members.iter().filter_map(|m| Some((strands.get(*m)?, *running.get(*m)?))) {
        if n < 1 {
            continue;
        }
        let times = if stacked(strand) { Exact::int(n) } else { Exact::ONE };
        let low = strand.amount.low().filter(|_| strand.placed).unwrap_or(Exact::ZERO).mul(times)?;
        let high = strand.amount.high().or(strand.amount.low()).unwrap_or(Exact::ZERO).mul(times)?;
        out = (out.0.max(low), out.1.max(high));
    }
    Some(out)
}

/// mL of the largest single feed, with what is given at the same time.
pub(super) fn largest_feed(days: &[(&Plan, &OrderDay)]) -> Amount {
    let of = |_: &Plan, _: &Part, line: &Line| match (&line.high, line.quantity) {
        (None, Some(stated)) => Amount::Known(stated),
        _ => of_readings(line, |run| feed_of(run).map(|(ml, _)| ml), not_stated),
    };
    most_at_once(days, counts(days), of, false).unwrap_or_else(|| none("single feed"))
}

/// h that the longest feed takes, of part of the day as well.
pub(super) fn feed_duration(days: &[(&Plan, &OrderDay)]) -> Amount {
    durations(days, |line| !runs_on(line)).reduce(|a, b| largest(&a, &b)).unwrap_or_else(|| none("single feed"))
}

/// h that the shortest single feed takes.
pub fn shortest_feed(days: &[(&Plan, &OrderDay)]) -> Amount {
    durations(days, counts(days)).reduce(|a, b| smallest(&a, &b)).unwrap_or_else(|| none("single feed"))
}

/// h that the feeds of each line take.
fn durations<'a>(
    days: &'a [(&'a Plan, &'a OrderDay)],
    wanted: impl Fn(&Line) -> bool + 'a,
) -> impl Iterator<Item = Amount> + 'a {
    let lines = feed_lines(days).filter(|(.., l)| !l.volume.is_zero());
    lines.filter_map(|(plan, _, ix, ..)| plan.lines.get(ix)).filter(move |line| wanted(line)).map(|line| {
        let hours = |run: &Run| feed_of(run).map(|(_, over)| over).filter(|over| over.is_positive())?.div(HOUR);
        if line.high.is_some() { of_readings(line, hours, not_stated) } else { Amount::unknown(not_stated()) }
    })
}

/// mL/h at which feed runs in when most does; what runs at the same time together.
pub(super) fn highest_rate(days: &[(&Plan, &OrderDay)]) -> Amount {
    most_at_once(days, |_| true, hourly, true).unwrap_or_else(|| none("feed"))
}

/// The same of what runs around the clock or for part of the day.
pub fn highest_running_rate(days: &[(&Plan, &OrderDay)]) -> Amount {
    let on = |method| matches!(method, Method::Continuous | Method::Cyclic | Method::Unclear);
    let runs = |line: &Line| on(line.method) || line.also_method.is_some_and(on);
    most_at_once(days, runs, hourly, true).unwrap_or_else(|| none("continuous or cyclic feed"))
}

/// The same of single feeds.
pub fn highest_single_rate(days: &[(&Plan, &OrderDay)]) -> Amount {
    most_at_once(days, counts(days), hourly, true).unwrap_or_else(|| none("single feed"))
}

/// mL/h at which feed runs in when least does, by the lowest of each reading; unknown where that of one feed is.
pub fn lowest_rate(days: &[(&Plan, &OrderDay)]) -> Amount {
    let mut lowest: Option<Exact> = None;
    for (plan, _, ix, part, l) in feed_lines(days) {
        let Some(line) = plan.lines.get(ix).filter(|_| !l.volume.is_zero()) else { continue };
        match hourly(plan, part, line) {
            Amount::Unknown(why) => return Amount::Unknown(why),
            rate => lowest = lowest.into_iter().chain(rate.low()).min(),
        }
    }
    lowest.map_or_else(|| none("feed"), Amount::Known)
}

/// mL/h while a line runs.
fn hourly(_: &Plan, _: &Part, line: &Line) -> Amount {
    of_readings(line, |run| rate_of(run)?.mul(HOUR), not_stated)
}

/// mg/kg/min of carbohydrate when most runs in.
pub(super) fn carbohydrate_feeding(days: &[(&Plan, &OrderDay)], weight: Option<Exact>) -> Amount {
    let Some(kg) = weight else { return Amount::unknown(Why::NoWeight) };
    // mL/s × g/mL × 60 s × 1000 mg ÷ kg
    let of = |plan: &Plan, part: &Part, line: &Line| {
        let Some(content) = plan.contents.get(part.content) else { return Amount::unknown(Why::ProductUnknown) };
        let rate = of_readings(line, rate_of, not_stated);
        let carbohydrate = content.nutrient(Nutrient::Carbohydrate).scaled(Exact::int(60_000));
        carbohydrate.times(&rate).divided(kg, "the dosing weight")
    };
    most_at_once(days, |_| true, of, true).unwrap_or_else(|| none("feed"))
}

/// h of the shortest time from the beginning of one feed to that of the next, which may be the next day's: of the feeds that
/// begin in the day, or in the days of the cycle where the schedule does not repeat every day.
pub(super) fn feed_interval(days: &[(&Plan, &OrderDay)]) -> Amount {
    // Feeds whose times are not known may lie between the others.
    let unplaced = feed_lines(days).fold(Vec::new(), |all, (.., l)| match &l.feeds {
        Amount::Unknown(why) => join(&all, why),
        _ => all,
    });
    if !unplaced.is_empty() {
        return Amount::Unknown(unplaced);
    }
    let counted = counts(days);
    let none_today =
        !feed_lines(days).any(|(plan, _, ix, _, l)| !l.volume.is_zero() && plan.lines.get(ix).is_some_and(&counted));
    if none_today {
        return none("single feed");
    }
    let Some(Beginnings { until, starts, whole }) = beginnings(days) else { return Amount::unknown(Why::Range) };
    let shortest = closest(until, &starts).and_then(|(a, b)| b.sub(a)?.div(HOUR));
    if !whole {
        let why = Why::Schedule("not every day on which its feeds begin was laid out".to_owned());
        // Others may follow each other sooner.
        return shortest
            .map_or(Amount::unknown(why.clone()), |h| Amount::range(Exact::ZERO, Some(h), None, vec![why.clone()]));
    }
    match shortest {
        Some(h) => Amount::Known(h),
        None if starts.first().is_none_or(|first| *first >= until) => none("single feed"),
        None => none(SECOND_FEED),
    }
}

/// Where the two feeds begin that follow each other soonest, seconds of the window.
pub(super) fn closest_feeds(days: &[(&Plan, &OrderDay)]) -> Option<(Exact, Exact)> {
    let Beginnings { until, starts, whole } = beginnings(days)?;
    if whole { closest(until, &starts) } else { None }
}

fn closest(until: Exact, starts: &[Exact]) -> Option<(Exact, Exact)> {
    let pairs = starts.windows(2).filter_map(|w| match w {
        [a, b] if *a < until => Some((b.sub(*a)?, *a, *b)),
        _ => None,
    });
    pairs.min().map(|(_, a, b)| (a, b))
}

/// Where single feeds begin.
struct Beginnings {
    /// Where the cycle of days ends, seconds of the window.
    until: Exact,
    /// The beginnings, in order, seconds of the window, those of one moment once.
    starts: Vec<Exact>,
    /// Whether every day of the cycle was laid out.
    whole: bool,
}

/// Where all single feeds of a day, of the days of its cycle and of the day after them begin.
fn beginnings(days: &[(&Plan, &OrderDay)]) -> Option<Beginnings> {
    let counted = counts(days);
    let window = days.first()?.1.laid.window;
    let lines: Vec<(&OrderDay, usize, &Line)> = feed_lines(days)
        .filter_map(|(plan, day, ix, ..)| Some((day, ix, plan.lines.get(ix).filter(|line| counted(line))?)))
        .collect();
    let all: Vec<Line> = lines.iter().map(|(.., line)| (*line).clone()).collect();
    let known = cycle_days(&all).and_then(|days| i64::try_from(days).ok());
    let most = MOST_LINE_DAYS.checked_div(i64::try_from(all.len()).ok()?).unwrap_or(1);
    let cycle = known.unwrap_or(MOST_LINE_DAYS).min(most).max(1);
    let mut whole = known.is_some_and(|days| days <= cycle);
    let until = window.length.add(Exact::int(cycle.checked_sub(1)?.checked_mul(DAY)?))?;
    let mut starts: Vec<Exact> = Vec::new();
    for (day, ix, line) in lines {
        let own = day.laid.segments.iter().filter(|s| s.line == ix && s.begins && !s.continuous).map(|s| s.from);
        let own: Vec<Exact> = own.collect();
        let step = line.high.as_ref().filter(|run| run.start.is_none()).and_then(|run| match run.occurrences {
            Occurrences::Every { step, weekdays: 0, .. } => Some(step),
            _ => None,
        });
        match step {
            // Without a start it is laid from the beginning of each window: the next feed is due an interval after the last.
            Some(step) => starts.extend(own.iter().max().and_then(|last| last.add(step))),
            None => {
                for k in 1..=cycle.saturating_mul(2) {
                    let enough = k > cycle && starts.iter().any(|from| *from >= until);
                    if enough {
                        break;
                    }
                    if starts.len() > MOST_TOGETHER {
                        whole = false;
                        break;
                    }
                    let (offset, next) = day.laid.day_after(k)?;
                    let begin = begin_in(&day.laid.zone, next, line).into_iter().map(|from| from.add(offset));
                    starts.extend(begin.collect::<Option<Vec<_>>>()?);
                }
            }
        }
        starts.extend(own);
    }
    starts.sort_unstable();
    starts.dedup();
    Some(Beginnings { until, starts, whole })
}

pub(super) fn feeding_time(days: &[(&Plan, &OrderDay)]) -> Amount {
    // Union of all feed segments: two feeds at once are one time.
    let mut spans: Vec<(Exact, Exact)> = Vec::new();
    let mut why: Vec<Why> = Vec::new();
    for (plan, day, ix, _, l) in feed_lines(days) {
        if l.volume.is_zero() {
            continue;
        }
        if let Amount::Unknown(w) = &l.running {
            why = join(&why, w);
            continue;
        }
        if l.running.known().is_none() || l.volume.known().is_none() {
            why = join(&why, l.running.why());
            why = join(&why, l.volume.why());
        }
        let untimed = plan
            .lines
            .get(ix)
            .and_then(|x| x.high.as_ref())
            .is_some_and(|r| matches!(r.dose, Dose::Volume { over, .. } if over.is_zero()));
        if untimed {
            why = join(&why, &[not_stated()]);
        }
        spans.extend(day.laid.segments.iter().filter(|s| s.line == ix).map(|s| (s.from, s.to)));
    }
    spans.sort_unstable();
    let mut total = Exact::ZERO;
    let mut open: Option<(Exact, Exact)> = None;
    for (from, to) in spans {
        open = Some(match open {
            Some((a, b)) if from <= b => (a, b.max(to)),
            Some((a, b)) => {
                let Some(sum) = b.sub(a).and_then(|d| total.add(d)) else { return Amount::unknown(Why::Range) };
                total = sum;
                (from, to)
            }
            None => (from, to),
        });
    }
    if let Some((a, b)) = open {
        let Some(sum) = b.sub(a).and_then(|d| total.add(d)) else { return Amount::unknown(Why::Range) };
        total = sum;
    }
    let Some(hours) = total.div(HOUR) else { return Amount::unknown(Why::Range) };
    if why.is_empty() { Amount::Known(hours) } else { Amount::Unknown(why) }
}

/// What is known of the containers of a content.
struct Hung<'p> {
    plan: &'p Plan,
    content: usize,
    /// As in [`joined`].
    pieces: Vec<usize>,
    /// Until one is empty, where that was worked out.
    hours: Option<Option<Exact>>,
}

/// The longest time that one container hangs: from when it is begun to when it is empty or the feed ends,
/// over the schedule as it runs, for the largest container the formulary states.
pub(super) fn hang_time(days: &[(&Plan, &OrderDay)]) -> Amount {
    let mut out: Option<Amount> = None;
    // Of each content once: many lines may give the same.
    let mut known: Vec<Hung<'_>> = Vec::new();
    for (plan, day, ix, part, l) in feed_lines(days) {
        if l.volume.is_zero() {
            continue;
        }
        let (Some(content), Some(line)) = (plan.contents.get(part.content), plan.lines.get(ix)) else { continue };
        let closed = content.form == Some(Form::ReadyToHang);
        let at = known.iter().position(|hung| std::ptr::eq(hung.plan, plan) && hung.content == part.content);
        let at = at.unwrap_or_else(|| {
            known.push(Hung { plan, content: part.content, pieces: joined(plan, day, part.content), hours: None });
            known.len().saturating_sub(1)
        });
        let Some(hung) = known.get_mut(at) else { continue };
        let x = match line.high.as_ref() {
            None => Amount::Unknown(line.why.clone()),
            Some(_) if hangs_on(line) || hung.pieces.contains(&ix) => match content.containers.last() {
                // The container empties at the rate.
                Some(size) => {
                    let hours = || emptied(plan, day, part.content, *size)?.lasts.div(HOUR);
                    let hours = *hung.hours.get_or_insert_with(hours);
                    hours.map_or_else(|| Amount::unknown(Why::Range), Amount::Known)
                }
                None if content.form.is_none() => Amount::unknown(Why::ProductUnknown),
                None => {
                    let why = vec![Why::NotStated(content.label.clone(), "container sizes")];
                    // One that hangs for a piece, and perhaps on.
                    match line.readings().filter_map(feed_of).filter_map(|(_, over)| over.div(HOUR)).min() {
                        Some(piece) => Amount::at_least(piece, why),
                        None => Amount::Unknown(why),
                    }
                }
            },
            // Single feeds: a container holds one feed, unless a smaller one is changed on the way.
            Some(_) => {
                let hours = |run: &Run| {
                    let (ml, over) = feed_of(run).filter(|(_, over)| over.is_positive())?;
                    let share = match content.containers.last() {
                        Some(size) if *size < ml && closed => size.div(ml)?.mul(over)?,
                        _ => over,
                    };
                    share.div(HOUR)
                };
                of_readings(line, hours, not_stated)
            }
        };
        out = Some(out.map_or(x.clone(), |y| largest(&y, &x)));
    }
    out.unwrap_or_else(|| none("feed"))
}

/// Hours until a container is empty, the longest in the day, over all running segments of one content in
/// turn: a container begun at a low rate and emptied at a higher one hangs for what it really takes. The last
/// container of the day is taken to run on at the last rate unless the feed ends.
pub(super) fn emptied(plan: &Plan, day: &OrderDay, content: usize, size: Exact) -> Option<Hang> {
    let pieces = joined(plan, day, content);
    let gives = |line: usize| plan.parts.iter().any(|p| p.content == content && p.source == Source::Line(line));
    let on = |line: usize| pieces.contains(&line) || plan.lines.get(line).is_some_and(hangs_on);
    let runs: Vec<bool> = (0..plan.lines.len()).map(|line| on(line) && gives(line)).collect();
    if !runs.contains(&true) {
        return None;
    }
    let runs = |line: usize| runs.get(line).copied().unwrap_or_default();
    let segments: Vec<Segment> = day.laid.segments.iter().filter(|s| runs(s.line) && s.from < s.to).copied().collect();
    // What is pumped for part of the day is taken down when it pauses; each stretch is a container's own.
    let length = day.laid.window.length;
    let pumped_on = segments.iter().any(|s| !pieces.contains(&s.line));
    let stretches = if pumped_on { vec![segments] } else { stretches(segments, length) };
    let mut longest: Option<Hang> = None;
    for stretch in &stretches {
        // What ends with the day runs on, unless it pauses there.
        let all_day = stretches.len() == 1 && stretch.first().is_some_and(|s| s.from.is_zero());
        let hang = emptied_in(stretch, size, Some(length).filter(|_| pumped_on || all_day))?;
        longest = Some(longest.filter(|had| had.lasts >= hang.lasts).unwrap_or(hang));
    }
    longest
}

/// How a container empties.
pub(super) struct Hang {
    /// Seconds from when it is begun.
    pub(super) lasts: Exact,
    /// mL/s and seconds, one after the other; a pause at 0.
    pub(super) pieces: Vec<(Exact, Exact)>,
}

impl Hang {
    fn take(&mut self, lasts: Exact, pieces: &[(Exact, Exact)]) {
        if lasts > self.lasts {
            *self = Self { lasts, pieces: pieces.to_vec() };
        }
    }
}

/// Whether what a part gives comes from a container that hangs until it is empty.
pub(super) fn is_emptied(plan: &Plan, day: &OrderDay, part: &Part) -> bool {
    let Source::Line(ix) = part.source else { return false };
    plan.lines.get(ix).is_some_and(hangs_on) || joined(plan, day, part.content).contains(&ix)
}

/// Segments without a pause between them together; what ends with the day goes on in what begins with it.
fn stretches(segments: Vec<Segment>, length: Exact) -> Vec<Vec<Segment>> {
    let mut out: Vec<Vec<Segment>> = Vec::new();
    for s in segments {
        match out.last_mut() {
            Some(stretch) if stretch.last().is_some_and(|before| before.to >= s.from) => stretch.push(s),
            _ => out.push(vec![s]),
        }
    }
    let goes_on = out.len() > 1
        && out.first().and_then(|stretch| stretch.first()).is_some_and(|s| s.from.is_zero())
        && out.last().and_then(|stretch| stretch.last()).is_some_and(|s| s.to >= length);
    if goes_on {
        let first = out.remove(0);
        let later =
            first.into_iter().filter_map(|s| Some(Segment { from: s.from.add(length)?, to: s.to.add(length)?, ..s }));
        if let Some(last) = out.last_mut() {
            last.extend(later);
        }
    }
    out
}

/// The container that takes longest until it is empty, of some segments in turn; what ends at `on` runs on.
fn emptied_in(segments: &[Segment], size: Exact, on: Option<Exact>) -> Option<Hang> {
    let mut longest = Hang { lasts: Exact::ZERO, pieces: Vec::new() };
    let mut begun = segments.first()?.from;
    let mut left = size;
    let mut last: Option<(Exact, Exact)> = None;
    let mut own: Vec<(Exact, Exact)> = Vec::new();
    let mut changes = 0usize;
    for s in segments {
        let rate = s.volume.div(s.to.sub(s.from)?)?;
        let mut at = s.from;
        match last.map(|(to, _)| to).filter(|to| *to < s.from) {
            _ if left == size => begun = s.from,
            Some(to) => own.push((Exact::ZERO, s.from.sub(to)?)),
            None => {}
        }
        loop {
            let empty = at.add(left.div(rate)?)?;
            if empty > s.to {
                own.push((rate, s.to.sub(at)?));
                left = left.sub(s.to.sub(at)?.mul(rate)?)?;
                break;
            }
            own.push((rate, empty.sub(at)?));
            longest.take(empty.sub(begun)?, &own);
            own.clear();
            at = empty;
            begun = empty;
            left = size;
            changes += 1;
            if changes > MAX_OCCURRENCES {
                return None;
            }
            if at == s.to {
                break;
            }
        }
        last = Some((s.to, rate));
    }
    let (to, rate) = last?;
    if left < size || longest.lasts.is_zero() {
        // The day's last container: to the end of the feed, or on at the last rate.
        let on = if Some(to) == on { left.div(rate)? } else { Exact::ZERO };
        match own.last_mut() {
            Some((_, seconds)) => *seconds = seconds.add(on)?,
            None => own.push((rate, on)),
        }
        longest.take(to.add(on)?.sub(begun)?, &own);
    }
    Some(longest)
}

pub(super) fn time_to_goal(days: &[(&Plan, &OrderDay)]) -> Amount {
    let mut longest: Option<Exact> = None;
    for (plan, _) in days {
        for group in &plan.settled.advances {
            let starts: Vec<Exact> = group.iter().filter_map(|i| plan.lines.get(*i).and_then(|l| l.start)).collect();
            if let (Some(a), Some(b)) = (starts.iter().min(), starts.iter().max())
                && let Some(h) = b.sub(*a).and_then(|s| s.div(HOUR))
            {
                longest = Some(longest.map_or(h, |x| x.max(h)));
            }
        }
    }
    longest.map_or_else(|| Amount::unknown(Why::Nothing("stepped feed")), Amount::Known)
}

/// The larger of two amounts, as a range where it is not settled.
pub fn largest(a: &Amount, b: &Amount) -> Amount {
    match (a.low(), b.low()) {
        (Some(x), Some(y)) => {
            let low = x.max(y);
            let high = match (a.high(), b.high()) {
                (Some(x), Some(y)) => Some(x.max(y)),
                _ => None,
            };
            match high {
                Some(h) if h == low => Amount::Known(low),
                _ => Amount::range(low, high, None, join(a.why(), b.why())),
            }
        }
        (Some(x), None) => Amount::at_least(x, b.why().to_vec()),
        (None, Some(y)) => Amount::at_least(y, a.why().to_vec()),
        (None, None) => Amount::Unknown(join(a.why(), b.why())),
    }
}

/// The smaller of two amounts, as a range where it is not settled.
pub fn smallest(a: &Amount, b: &Amount) -> Amount {
    match (a.low(), b.low()) {
        (Some(x), Some(y)) => {
            let low = x.min(y);
            let high = match (a.high(), b.high()) {
                (Some(x), Some(y)) => Some(x.min(y)),
                (one, other) => one.or(other),
            };
            match high {
                Some(h) if h == low => Amount::Known(low),
                _ => Amount::range(low, high, None, join(a.why(), b.why())),
            }
        }
        // Nothing says how small the other one is.
        (Some(_), None) => Amount::range(Exact::ZERO, a.high(), None, b.why().to_vec()),
        (None, Some(_)) => Amount::range(Exact::ZERO, b.high(), None, a.why().to_vec()),
        (None, None) => Amount::Unknown(join(a.why(), b.why())),
    }
}
