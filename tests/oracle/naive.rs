//! A second, naive reading of `docs/calculation.md`: what a NutritionOrder delivers inside one window.
//!
//! Written from that page alone. It shares no code with the library: own JSON walk, own unit table, own times,
//! rationals of unlimited size. Every choice the page leaves (a range of durations, of frequencies, …) is played
//! out as a `Reading` of its own, piece by piece between the moments at which something begins or ends, and the
//! least and the most of them are kept.

use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Signed, ToPrimitive, Zero};
use serde_json::Value;
use std::collections::BTreeMap;

pub type Q = BigRational;

pub fn int(n: i64) -> Q {
    Q::from_integer(BigInt::from(n))
}

pub fn frac(n: i64, d: i64) -> Q {
    Q::new(BigInt::from(n), BigInt::from(d))
}

const DAY: i64 = 86_400;
pub const NUTRIENTS: usize = 11;
pub const WATER: usize = 4;

/// A number literal, exactly.
fn number(v: &Value) -> Option<Q> {
    let text = v.as_number()?.to_string();
    let (text, exponent) = match text.find(['e', 'E']) {
        Some(at) => (text[..at].to_owned(), text[at + 1..].parse::<i32>().ok()?),
        None => (text, 0),
    };
    let (whole, places) = match text.find('.') {
        Some(at) => (text.replace('.', ""), (text.len() - at - 1) as i32),
        None => (text, 0),
    };
    let ten = |n: u32| Q::from_integer(BigInt::from(10).pow(n));
    let power = exponent - places;
    let digits = Q::from_integer(whole.parse::<BigInt>().ok()?);
    Some(if power >= 0 { digits * ten(power as u32) } else { digits / ten(power.unsigned_abs()) })
}

// ---------------------------------------------------------------- amounts

/// At least `low`, at most `high`. Nothing known at all is `low` 0 without a `high`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Val {
    pub low: Q,
    pub high: Option<Q>,
}

impl Val {
    pub fn exactly(x: Q) -> Self {
        Self { low: x.clone(), high: Some(x) }
    }
    pub fn zero() -> Self {
        Self::exactly(Q::zero())
    }
    pub fn unknown() -> Self {
        Self { low: Q::zero(), high: None }
    }
    pub fn is_unknown(&self) -> bool {
        self.low.is_zero() && self.high.is_none()
    }
    pub fn known(&self) -> Option<&Q> {
        self.high.as_ref().filter(|h| **h == self.low)
    }
    pub fn plus(&self, o: &Val) -> Val {
        Val { low: &self.low + &o.low, high: self.high.as_ref().zip(o.high.as_ref()).map(|(a, b)| a + b) }
    }
    pub fn times(&self, x: &Q) -> Val {
        if x.is_zero() {
            return Val::zero();
        }
        Val { low: &self.low * x, high: self.high.as_ref().map(|h| h * x) }
    }
    /// So much of something that holds so much.
    pub fn of(&self, content: &Val) -> Val {
        if self.known().is_some_and(Q::is_zero) || content.known().is_some_and(Q::is_zero) {
            return Val::zero();
        }
        Val { low: &self.low * &content.low, high: self.high.as_ref().zip(content.high.as_ref()).map(|(a, b)| a * b) }
    }
    fn stated(x: Option<&Q>) -> Val {
        x.map_or_else(Val::unknown, |x| Val::exactly(x.clone()))
    }
    pub fn or(&self, o: &Val) -> Val {
        Val {
            low: self.low.clone().min(o.low.clone()),
            high: self.high.as_ref().zip(o.high.as_ref()).map(|(a, b)| a.max(b).clone()),
        }
    }
}

// ---------------------------------------------------------------- products and place

/// What one mL (or one kcal, dose, gram) holds.
#[derive(Clone, Debug, Default)]
pub struct Item {
    pub per: Per,
    pub powder: bool,
    pub kcal: Option<Q>,
    pub nutrients: [Option<Q>; NUTRIENTS],
    pub displacement: Option<Q>,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Per {
    #[default]
    Millilitre,
    Kilocalorie,
    Dose,
    Gram,
}

pub struct Place {
    pub zone: TimeZone,
    pub day_start: i64,
    pub weight: Option<Q>,
    pub clock: BTreeMap<String, Vec<i64>>,
    pub products: BTreeMap<String, Item>,
}

#[derive(Clone, Debug)]
pub struct Window {
    /// Seconds since the epoch.
    pub start: Q,
    /// Seconds.
    pub length: Q,
    pub civil: bool,
    /// What the clock shows at its beginning, as seconds since 1970-01-01T00:00 of the wall.
    pub wall: Q,
}

// ---------------------------------------------------------------- units

/// Factor to mL, kcal, kg, s and the powers of (volume, energy, mass, time).
fn unit(code: &str) -> Option<(Q, [i32; 4])> {
    let mut factor = Q::one();
    let mut powers = [0; 4];
    for (at, part) in code.split('/').enumerate() {
        let sign = if at == 0 { 1 } else { -1 };
        let ounce = frac(295_735_295_625, 10_000_000_000);
        let (f, which) = match part {
            "" | "1" | "{dose}" | "{packet}" => (int(1), None),
            "mL" => (int(1), Some(0)),
            "dL" => (int(100), Some(0)),
            "L" => (int(1000), Some(0)),
            "[foz_us]" => (ounce, Some(0)),
            "kcal" => (int(1), Some(1)),
            "cal" => (frac(1, 1000), Some(1)),
            "kJ" => (frac(1000, 4184), Some(1)),
            "kg" => (int(1), Some(2)),
            "g" => (frac(1, 1000), Some(2)),
            "s" => (int(1), Some(3)),
            "min" => (int(60), Some(3)),
            "h" => (int(3600), Some(3)),
            "d" => (int(DAY), Some(3)),
            "wk" => (int(7 * DAY), Some(3)),
            "(4.h)" => (int(4 * 3600), Some(3)),
            _ => return None,
        };
        factor = if sign == 1 { factor * f } else { factor / f };
        if let Some(which) = which {
            powers[which] += sign;
        }
    }
    Some((factor, powers))
}

/// A quantity in base units with its dimension; `None` without value, unit or with a comparator.
fn quantity(v: &Value) -> Option<(Q, [i32; 4])> {
    if v.get("comparator").is_some() {
        return None;
    }
    let value = number(v.get("value")?)?;
    if !value.is_positive() {
        return None;
    }
    if v.get("system")?.as_str()? != "http://unitsofmeasure.org" {
        return None;
    }
    let (factor, powers) = unit(v.get("code")?.as_str()?)?;
    Some((value * factor, powers))
}

fn measure(v: &Value, powers: [i32; 4]) -> Option<Q> {
    quantity(v).filter(|(_, p)| *p == powers).map(|(x, _)| x)
}

/// mL per second.
fn rate(administration: &Value, weight: Option<&Q>) -> Option<Option<Q>> {
    let (x, powers) = if let Some(q) = administration.get("rateQuantity") {
        match quantity(q) {
            Some(found) => found,
            None => return Some(None),
        }
    } else {
        let ratio = administration.get("rateRatio")?;
        let side = |name: &str| ratio.get(name).and_then(quantity);
        match (side("numerator"), side("denominator")) {
            (Some((n, np)), Some((d, dp))) if !d.is_zero() => {
                (n / d, [np[0] - dp[0], np[1] - dp[1], np[2] - dp[2], np[3] - dp[3]])
            }
            _ => return Some(None),
        }
    };
    Some(match powers {
        [1, 0, 0, -1] => Some(x),
        [1, 0, -1, -1] => weight.map(|w| x * w),
        _ => None,
    })
}

// ---------------------------------------------------------------- times

fn floor(x: &Q) -> i64 {
    x.floor().to_integer().to_i64().expect("a time within reach")
}

fn seconds_of(dt: DateTime) -> i64 {
    let span = Date::constant(1970, 1, 1).until(dt.date()).expect("a date within reach");
    i64::from(span.get_days()) * DAY
        + i64::from(dt.hour()) * 3600
        + i64::from(dt.minute()) * 60
        + i64::from(dt.second())
}

fn date_of(day: i64) -> Date {
    Date::constant(1970, 1, 1).checked_add(day.days()).expect("a date within reach")
}

/// Local clock as seconds since 1970-01-01T00:00 of the wall.
fn clock(zone: &TimeZone, instant: &Q) -> Q {
    let stamp = Timestamp::from_second(floor(instant)).expect("an instant within reach");
    instant + int(i64::from(zone.to_offset(stamp).seconds()))
}

/// The instant of a local clock time: the earlier of two, moved forward by what the clock skips.
fn instant(zone: &TimeZone, wall: &Q) -> Q {
    let whole = floor(wall);
    let rest = wall - int(whole);
    let (day, second) = (whole.div_euclid(DAY), whole.rem_euclid(DAY));
    let time = jiff::civil::time((second / 3600) as i8, (second / 60 % 60) as i8, (second % 60) as i8, 0);
    let dt = date_of(day).to_datetime(time);
    let ambiguous = zone.to_ambiguous_timestamp(dt);
    int(ambiguous.compatible().expect("an instant within reach").as_second()) + rest
}

enum Moment {
    Instant(Q),
    Day(i64),
}

fn moment(v: &Value) -> Option<Moment> {
    let text = v.as_str()?;
    if let Ok(date) = text.parse::<Date>()
        && text.len() == 10
    {
        return Some(Moment::Day(seconds_of(date.to_datetime(jiff::civil::Time::midnight())) / DAY));
    }
    let stamp: Timestamp = text.parse().ok()?;
    Some(Moment::Instant(int(stamp.as_second())))
}

fn start_of(v: &Value, zone: &TimeZone) -> Option<Q> {
    Some(match moment(v)? {
        Moment::Instant(i) => i,
        Moment::Day(day) => instant(zone, &int(day * DAY)),
    })
}

fn end_of(v: &Value, zone: &TimeZone) -> Option<Q> {
    Some(match moment(v)? {
        Moment::Instant(i) => i,
        Moment::Day(day) => instant(zone, &int((day + 1) * DAY)),
    })
}

// ---------------------------------------------------------------- lines

/// When something is given.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Pattern {
    /// No occurrences: around the clock.
    Running,
    /// Every so many seconds, elapsed.
    Every(Q),
    /// So many evenly spaced clock times every so many days.
    Even(i64, i64),
    /// At these clock times every so many days.
    Times(Vec<i64>, i64),
    /// At these instants.
    Listed(Vec<Q>),
}

#[derive(Clone, Debug)]
enum How {
    Rate(Q),
    Volume(Q),
    Both(Q, Q),
}

#[derive(Clone, Debug)]
struct Line {
    water: bool,
    flush: bool,
    start: Option<Q>,
    /// Where phases and counts are reckoned from.
    anchor: Q,
    /// The start is stated.
    stated: bool,
    ends: Vec<Option<Q>>,
    patterns: Vec<Pattern>,
    weekdays: Vec<i64>,
    durations: Vec<Option<Q>>,
    counts: Vec<Option<i64>>,
    how: Option<How>,
    as_needed: bool,
    /// No stated end and no count.
    open: bool,
    /// The entry it belongs to.
    entry: usize,
    /// Times or events that are named without a clock time.
    named: Vec<String>,
    /// Where such events are laid among the clock times.
    untimed: Vec<i64>,
    /// Shortest and longest length, without a start to count it from.
    lengths: Vec<Option<Q>>,
}

/// The parts of a timing. `None`: it cannot be computed.
struct When {
    start: Option<Q>,
    anchor: Q,
    ends: Vec<Option<Q>>,
    patterns: Vec<Pattern>,
    weekdays: Vec<i64>,
    durations: Vec<Option<Q>>,
    counts: Vec<Option<i64>>,
    open: bool,
    lengths: Vec<Option<Q>>,
    /// On any of the days it may be nothing.
    maybe: bool,
    untimed: Vec<i64>,
}

fn time_unit(v: Option<&Value>) -> Option<i64> {
    match v?.as_str()? {
        "s" => Some(1),
        "min" => Some(60),
        "h" => Some(3600),
        "d" => Some(DAY),
        "wk" => Some(7 * DAY),
        _ => None,
    }
}

fn weekday(v: &Value) -> Option<i64> {
    ["mon", "tue", "wed", "thu", "fri", "sat", "sun"].iter().position(|d| Some(*d) == v.as_str()).map(|i| i as i64)
}

fn time_of_day(v: &Value) -> Option<i64> {
    let t: jiff::civil::Time = v.as_str()?.parse().ok()?;
    Some(i64::from(t.hour()) * 3600 + i64::from(t.minute()) * 60 + i64::from(t.second()))
}

/// Times a day, for comparing.
fn per_day(p: &Pattern) -> Option<Q> {
    match p {
        Pattern::Every(i) => Some(int(DAY) / i),
        Pattern::Even(f, p) => Some(frac(*f, *p)),
        Pattern::Times(times, p) => Some(frac(times.len() as i64, *p)),
        Pattern::Running | Pattern::Listed(_) => None,
    }
}

/// f per p.
fn spaced(f: &Q, p: &Q, unit: i64) -> Pattern {
    let seconds = p * int(unit);
    let whole_days = (&seconds / int(DAY)).is_integer().then(|| floor(&(&seconds / int(DAY))));
    if let (true, Some(days)) = (unit >= DAY, whole_days) {
        if f.is_one() {
            return Pattern::Even(1, days);
        }
        if days == 1 && f.is_integer() && (int(DAY) / f).is_integer() {
            return Pattern::Even(floor(f), 1);
        }
    }
    Pattern::Every(seconds / f)
}

enum Code {
    None,
    Text,
    Continuous,
    Pattern(Pattern),
    Unknown,
}

fn code(timing: &Value, place: &Place) -> Code {
    let Some(code) = timing.get("code") else { return Code::None };
    let Some(codings) = code.get("coding").and_then(Value::as_array) else { return Code::Text };
    for coding in codings {
        let system = coding.get("system").and_then(Value::as_str).unwrap_or("");
        let Some(code) = coding.get("code").and_then(Value::as_str) else { continue };
        if system.ends_with("timing-abbreviation") && code == "C" {
            return Code::Continuous;
        }
        if !system.ends_with("v3-GTSAbbreviation") && !system.ends_with("timing-abbreviation") {
            continue;
        }
        let hours = |n: i64| Code::Pattern(Pattern::Every(int(n * 3600)));
        return match code {
            "QD" => Code::Pattern(Pattern::Even(1, 1)),
            "AM" | "PM" | "BED" => Code::Pattern(match place.clock.get(code) {
                Some(times) => Pattern::Times(times.clone(), 1),
                None => Pattern::Even(1, 1),
            }),
            "BID" => Code::Pattern(Pattern::Even(2, 1)),
            "TID" => Code::Pattern(Pattern::Even(3, 1)),
            "QID" => Code::Pattern(Pattern::Even(4, 1)),
            "Q1H" => hours(1),
            "Q2H" => hours(2),
            "Q3H" => hours(3),
            "Q4H" => hours(4),
            "Q6H" => hours(6),
            "Q8H" => hours(8),
            "QOD" => Code::Pattern(Pattern::Even(1, 2)),
            "WK" => Code::Pattern(Pattern::Even(1, 7)),
            _ => Code::Unknown,
        };
    }
    Code::Unknown
}

/// `anchor`: the feeding-day hour on the order's own date.
fn when(timing: Option<&Value>, place: &Place, anchor: &Q) -> Option<When> {
    let mut w = When {
        start: None,
        anchor: anchor.clone(),
        ends: vec![None],
        patterns: vec![Pattern::Running],
        weekdays: vec![],
        durations: vec![None],
        counts: vec![None],
        open: true,
        lengths: vec![],
        maybe: false,
        untimed: vec![],
    };
    let Some(timing) = timing else { return Some(w) };
    let empty = serde_json::json!({});
    let repeat = timing.get("repeat").unwrap_or(&empty);

    if let Some(period) = repeat.get("boundsPeriod") {
        if let Some(v) = period.get("start") {
            w.start = Some(start_of(v, &place.zone)?);
        }
        if let Some(v) = period.get("end") {
            w.ends = vec![Some(end_of(v, &place.zone)?)];
        }
    }
    if let Some(start) = &w.start {
        w.anchor = start.clone();
    }
    if let (Some(s), [Some(e)]) = (&w.start, w.ends.as_slice())
        && e <= s
    {
        return None;
    }
    let time = [0, 0, 0, 1];
    if let Some(v) = repeat.get("boundsDuration") {
        w.lengths = vec![Some(measure(v, time)?)];
    }
    if let Some(v) = repeat.get("boundsRange") {
        w.lengths = vec![Some(measure(v.get("low")?, time)?), Some(measure(v.get("high")?, time)?)];
    }

    let n = |name: &str| -> Option<Option<Q>> {
        match repeat.get(name) {
            None => Some(None),
            Some(v) => number(v).map(Some),
        }
    };
    let d = n("duration")?;
    if let Some(d) = &d {
        let unit = time_unit(repeat.get("durationUnit"))?;
        w.durations = vec![Some(d * int(unit))];
    }
    if let Some(d) = n("durationMax")? {
        let unit = time_unit(repeat.get("durationUnit"))?;
        if w.durations == [None] {
            w.durations = vec![Some(Q::zero())];
        }
        w.durations.push(Some(d * int(unit)));
    }
    if let Some(c) = n("count")? {
        w.counts = vec![Some(floor(&c))];
    }
    if let Some(c) = n("countMax")? {
        w.counts.push(Some(floor(&c)));
        w.counts.retain(Option::is_some);
    }
    for v in repeat.get("dayOfWeek").and_then(Value::as_array).into_iter().flatten() {
        w.weekdays.push(weekday(v)?);
    }

    // Frequency and period.
    let (f, p) = (n("frequency")?, n("period")?);
    let (fm, pm) = (n("frequencyMax")?, n("periodMax")?);
    let mut by_frequency = vec![];
    if f.is_some() || p.is_some() || fm.is_some() || pm.is_some() {
        let unit = time_unit(repeat.get("periodUnit"))?;
        let p = p.clone()?;
        if !p.is_positive() {
            return None;
        }
        let f1 = f.clone().unwrap_or_else(Q::one);
        if !f1.is_positive() || pm.as_ref().is_some_and(|x| !x.is_positive()) {
            return None;
        }
        let whole = |x: &Q| x.is_integer();
        if !whole(&f1) || fm.as_ref().is_some_and(|x| !whole(x)) {
            return None;
        }
        by_frequency.push(spaced(&f1, pm.as_ref().unwrap_or(&p), unit));
        if fm.is_some() || pm.is_some() {
            by_frequency.push(spaced(fm.as_ref().unwrap_or(&f1), &p, unit));
        }
        by_frequency.dedup();
        if by_frequency.iter().any(|p| per_day(p).is_some_and(|n| n > int(1440))) {
            return None;
        }
    }

    // Clock times.
    let mut times = vec![];
    for v in repeat.get("timeOfDay").and_then(Value::as_array).into_iter().flatten() {
        times.push(time_of_day(v)?);
    }
    let mut by_event = 0;
    // On which day of the clock a feed lies, from that of its event.
    let mut shifts: Vec<i64> = vec![];
    for v in repeat.get("when").and_then(Value::as_array).into_iter().flatten() {
        let name = v.as_str()?;
        let offset = n("offset")?.unwrap_or_else(Q::zero);
        match place.clock.get(name) {
            Some(list) => {
                // `offset` is minutes before or after, which the code itself says: before meals, and before sleep.
                let sign = if name.starts_with("AC") || name == "HS" { -1 } else { 1 };
                for t in list {
                    let at = t + sign * floor(&(&offset * int(60)));
                    times.push(at.rem_euclid(DAY));
                    shifts.push(at.div_euclid(DAY));
                }
            }
            None if ["C", "AC", "PC"].contains(&name) => return None,
            None => {
                by_event += 1;
                shifts.push(0);
            }
        }
    }
    times.sort_unstable();
    times.dedup();

    let events: Vec<Q> = timing
        .get("event")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .map(|v| start_of(v, &place.zone))
        .collect::<Option<_>>()?;

    let mut patterns = vec![];
    for k in 0..by_event {
        // Counted once a day each, laid evenly from the feeding-day hour where nothing else lies.
        let mut t = (place.day_start + k * (DAY / by_event)).rem_euclid(DAY);
        while times.contains(&t) {
            t = (t + 60).rem_euclid(DAY);
        }
        times.push(t);
        w.untimed.push(t);
    }
    times.sort_unstable();
    if shifts.iter().any(|s| *s != 0) {
        let every_few_days = p.as_ref().is_some_and(|p| {
            let days = time_unit(repeat.get("periodUnit")).map(|unit| p * frac(unit, DAY));
            days.is_some_and(|d| !d.is_one() && (w.weekdays.is_empty() || !(d / int(7)).is_integer()))
        });
        let apart = shifts.iter().any(|s| *s != shifts[0]);
        if every_few_days || apart && !w.weekdays.is_empty() {
            return None;
        }
        if !w.weekdays.is_empty() {
            w.weekdays = w.weekdays.iter().map(|d| (d + shifts[0]).rem_euclid(7)).collect();
        }
    }
    let mut named: Vec<i64> = w.weekdays.clone();
    named.sort_unstable();
    named.dedup();
    // Whole weeks, shortest and longest.
    let in_weeks = |x: &Q| time_unit(repeat.get("periodUnit")).map(|unit| x * frac(unit, 7 * DAY));
    let weeks = p.as_ref().and_then(in_weeks).filter(Q::is_integer);
    let plain_week = f == Some(int(7)) && weeks == Some(int(1)) && fm.is_none() && pm.is_none();
    let by_days = weeks.filter(|_| !named.is_empty() && (named.len() < 7 || plain_week || !times.is_empty()));
    if let Some(weeks) = by_days {
        if !times.is_empty() && pm.is_some() && pm != p {
            return None;
        }
        // The days say when, the count says how often: together they leave nothing open only if every slot of every
        // week is taken.
        let slots = int((named.len() * times.len().max(1)) as i64);
        let most_weeks = pm.as_ref().and_then(in_weeks).unwrap_or_else(|| weeks.clone()).max(weeks.clone()).ceil();
        let stated = (f.is_some() || fm.is_some()).then(|| {
            let least = f.clone().unwrap_or_else(Q::one);
            (least.clone(), fm.clone().or_else(|| f.clone()).unwrap_or(least))
        });
        let full = stated.as_ref().is_none_or(|(a, b)| *a <= slots && slots <= *b);
        patterns.push(if times.is_empty() { Pattern::Even(1, 1) } else { Pattern::Times(times, 1) });
        if !(full && weeks.is_one() && most_weeks.is_one()) {
            if repeat.get("count").is_some() || repeat.get("countMax").is_some() {
                return None;
            }
            w.maybe = true;
            if let Some((_, most)) = stated
                && most > &slots * &most_weeks
            {
                patterns.push(spaced(&most, &Q::one(), DAY));
            }
        }
    } else if !times.is_empty() {
        let days = match (&p, by_frequency.is_empty()) {
            (Some(p), false) => {
                let days = p * frac(time_unit(repeat.get("periodUnit"))?, DAY);
                if !days.is_integer() {
                    return None;
                }
                floor(&days)
            }
            _ => 1,
        };
        patterns.push(Pattern::Times(times, days));
        if f.is_some() || fm.is_some() {
            let own = per_day(&patterns[0]);
            let counts: Vec<Option<Q>> = by_frequency.iter().map(per_day).collect();
            if !(counts.iter().any(|c| *c <= own) && counts.iter().any(|c| *c >= own)) {
                patterns.extend(by_frequency.iter().cloned());
            }
        }
    } else {
        // Feeds more than a day apart are no matter of weekdays.
        if !w.weekdays.is_empty() && by_frequency.iter().any(|p| matches!(p, Pattern::Every(i) if *i > int(DAY))) {
            return None;
        }
        patterns = by_frequency;
    }
    if patterns.is_empty() && !w.weekdays.is_empty() {
        patterns.push(Pattern::Even(1, 1));
    }
    match code(timing, place) {
        Code::None => {}
        Code::Text if patterns.is_empty() => return None,
        Code::Text => {}
        Code::Unknown => return None,
        Code::Continuous if patterns.is_empty() => {}
        // Continuous agrees with at least every hour.
        Code::Continuous => {
            let hourly = |p: &Pattern| matches!(p, Pattern::Every(i) if *i <= int(3600) && (int(DAY) / i).is_integer());
            if !(patterns.len() == 1 && w.weekdays.is_empty() && patterns.iter().all(hourly)) {
                return None;
            }
        }
        Code::Pattern(own) => {
            if patterns.is_empty() {
                patterns.push(own);
            } else {
                let share = if w.weekdays.is_empty() { int(1) } else { frac(w.weekdays.len() as i64, 7) };
                let counts: Vec<Q> = patterns.iter().filter_map(per_day).map(|n| n * &share).collect();
                let code = per_day(&own)?;
                if !(counts.iter().any(|n| *n <= code) && counts.iter().any(|n| *n >= code)) {
                    return None;
                }
            }
        }
    }
    let continuous = matches!(code(timing, place), Code::Continuous);
    if patterns.is_empty() && !events.is_empty() && !continuous {
        patterns.push(Pattern::Listed(events));
    }
    if !patterns.is_empty() {
        w.patterns = patterns;
    }
    w.patterns.dedup();
    w.durations.dedup();
    w.counts.dedup();
    w.open = w.ends == [None] && w.counts == [None] && w.lengths.is_empty();
    Some(w)
}

fn line(timing: Option<&Value>, place: &Place, anchor: &Q, water: bool, how: Option<How>, as_needed: bool) -> Line {
    let when = when(timing, place, anchor);
    let known = when.is_some();
    // What cannot be computed may still say when it starts.
    let start = || {
        let v = timing?.get("repeat")?.get("boundsPeriod")?.get("start")?;
        start_of(v, &place.zone)
    };
    let w = when.unwrap_or_else(|| When {
        start: start(),
        anchor: anchor.clone(),
        ends: vec![None],
        patterns: vec![Pattern::Running],
        weekdays: vec![],
        durations: vec![None],
        counts: vec![None],
        open: false,
        lengths: vec![],
        maybe: false,
        untimed: vec![],
    });
    Line {
        water,
        flush: false,
        stated: w.start.is_some(),
        start: w.start,
        anchor: w.anchor,
        ends: w.ends,
        patterns: w.patterns,
        weekdays: w.weekdays,
        durations: w.durations,
        counts: w.counts,
        how: how.filter(|_| known),
        as_needed: as_needed || w.maybe,
        open: w.open && known,
        entry: 0,
        named: timing.map_or_else(Vec::new, |t| names(t, place)),
        untimed: w.untimed,
        lengths: w.lengths,
    }
}

/// The times or events that a timing names without a clock time.
fn names(timing: &Value, place: &Place) -> Vec<String> {
    let repeat = timing.get("repeat");
    let says = |name: &str| repeat.and_then(|r| r.get(name));
    let mut out: Vec<String> = says("when")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter_map(Value::as_str)
        .filter(|w| !place.clock.contains_key(*w))
        .map(str::to_owned)
        .collect();
    let often = ["frequency", "frequencyMax", "period", "periodMax", "dayOfWeek", "timeOfDay", "when"];
    if often.iter().all(|name| says(name).is_none())
        && let Some(codings) = timing.get("code").and_then(|c| c.get("coding")).and_then(Value::as_array)
    {
        let code = codings.iter().filter_map(|c| c.get("code").and_then(Value::as_str));
        out.extend(
            code.filter(|c| ["AM", "PM", "BED"].contains(c) && !place.clock.contains_key(*c)).map(str::to_owned),
        );
    }
    out.sort();
    out
}

/// The order's own feeding-day hour.
fn own_anchor(order: &Value, place: &Place) -> Option<Q> {
    let day = match moment(order.get("dateTime")?)? {
        Moment::Day(d) => d,
        Moment::Instant(i) => floor(&clock(&place.zone, &i)).div_euclid(DAY),
    };
    Some(instant(&place.zone, &int(day * DAY + place.day_start)))
}

fn extensions<'v>(v: &'v Value, name: &str) -> Vec<&'v Value> {
    v.get("extension")
        .and_then(Value::as_array)
        .into_iter()
        .flatten()
        .filter(|e| e.get("url").and_then(Value::as_str).is_some_and(|u| u.rsplit('/').next() == Some(name)))
        .collect()
}

fn part<'v>(v: &'v Value, name: &str, value: &str) -> Option<&'v Value> {
    extensions(v, name).first().and_then(|e| e.get(value))
}

fn lines(order: &Value, place: &Place) -> Option<Vec<Line>> {
    lines_from(order, place, &first_day(order, place)?)
}

/// `anchor`: where the first day begins.
fn lines_from(order: &Value, place: &Place, anchor: &Q) -> Option<Vec<Line>> {
    let formula = order.get("enteralFormula")?;
    let mut out = vec![];
    for (entry, a) in formula.get("administration").and_then(Value::as_array).into_iter().flatten().enumerate() {
        let water = !extensions(a, "administration-product").is_empty();
        let mut timings: Vec<Option<&Value>> = vec![];
        let mut as_needed = false;
        if let Some(schedule) = a.get("schedule") {
            if order.get("subject").is_some() {
                timings.extend(schedule.get("timing").and_then(Value::as_array).into_iter().flatten().map(Some));
                as_needed =
                    schedule.get("asNeeded") == Some(&Value::Bool(true)) || schedule.get("asNeededFor").is_some();
            } else {
                timings.push(Some(schedule));
            }
        }
        if timings.is_empty() {
            timings.push(None);
        }
        let q = a.get("quantity").map(|q| measure(q, [1, 0, 0, 0]));
        let r = rate(a, place.weight.as_ref());
        let how = match (q, r) {
            (None, Some(Some(r))) => Some(How::Rate(r)),
            (Some(Some(q)), None) => Some(How::Volume(q)),
            (Some(Some(q)), Some(Some(r))) => Some(How::Both(q, r)),
            _ => None,
        };
        for timing in timings {
            let mut l = line(timing, place, anchor, water, how.clone(), as_needed);
            l.entry = entry;
            if !said(&mut out, &l, place) {
                out.push(l);
            }
        }
    }
    steps(&mut out, place);
    for f in extensions(formula, "water-flush") {
        let Some(schedule) = part(f, "schedule", "valueTiming") else { continue };
        let volume = part(f, "volume", "valueQuantity").and_then(|v| measure(v, [1, 0, 0, 0]));
        let mut l = line(Some(schedule), place, anchor, true, volume.map(How::Volume), false);
        l.flush = true;
        out.push(l);
    }
    // A count, a length, or every so many days begins with the first day.
    for l in out.iter_mut().filter(|l| l.start.is_none()) {
        let days =
            !runs(l) && l.patterns.iter().any(|p| matches!(p, Pattern::Even(_, d) | Pattern::Times(_, d) if *d > 1));
        let listed = l.patterns.iter().any(|p| matches!(p, Pattern::Listed(_)));
        if l.counts != [None] && !listed || !l.lengths.is_empty() || days {
            l.start = Some(anchor.clone());
        }
        if !l.lengths.is_empty() {
            l.ends = l.lengths.iter().map(|x| x.as_ref().map(|x| anchor + x)).collect();
        }
    }
    Some(out)
}

/// The clock times of a line, when that is all it says.
fn clock_times(l: &Line, place: &Place) -> Option<(Vec<Q>, i64)> {
    match l.patterns.as_slice() {
        [Pattern::Times(times, days)] => Some((times.iter().map(|t| int(*t)).collect(), *days)),
        [Pattern::Even(f, days)] => {
            let from = if l.stated { clock(&place.zone, &l.anchor) } else { int(place.day_start) };
            let day = int(DAY);
            Some(((0..*f).map(|k| &from + frac(DAY * k, *f)).map(|t| &t - (&t / &day).floor() * &day).collect(), *days))
        }
        _ => None,
    }
}

/// Shortest time between two of them.
fn shortest(times: &[Q], days: i64) -> Q {
    let mut times = times.to_vec();
    times.sort();
    let around = &times[0] + int(DAY * days) - &times[times.len() - 1];
    times.windows(2).map(|p| &p[1] - &p[0]).fold(around, |a, b| a.min(b))
}

/// Whether an earlier timing of the same entry says the same; clock times that share one become one list.
fn said(earlier: &mut [Line], l: &Line, place: &Place) -> bool {
    for e in earlier.iter_mut().filter(|e| e.entry == l.entry && e.how.is_some() && l.how.is_some()) {
        let same = |a: &Line, b: &Line| {
            a.start == b.start
                && a.ends == b.ends
                && (a.weekdays == b.weekdays || runs(a) && runs(b))
                && a.counts == b.counts
                && a.lengths == b.lengths
                && (a.durations == b.durations || runs(a) && runs(b) || matches!(a.how, Some(How::Both(..))))
        };
        if !same(e, l) {
            continue;
        }
        if e.patterns == l.patterns && e.durations == l.durations || runs(e) && runs(l) && maybe(e) == maybe(l) {
            return true;
        }
        // Only where nothing is left open.
        let settled = |l: &Line| match (&l.how, l.durations.first()) {
            (Some(How::Both(q, r)), Some(d)) => {
                let gap = clock_times(l, place).map(|(times, days)| shortest(&times, days));
                let agrees = d.as_ref().is_none_or(|d| (r * d - q).abs() <= (q * frac(2, 100)).max(int(1)));
                agrees && gap.is_none_or(|g| q / r <= g)
            }
            _ => true,
        };
        if !settled(e)
            || !settled(l)
            || e.as_needed
            || e.durations.len() > 1
            || e.counts.len() > 1
            || e.lengths.len() > 1
            || runs(e)
        {
            continue;
        }
        if let (Some((a, days)), Some((b, other))) = (clock_times(e, place), clock_times(l, place)) {
            if days == other && a.len() == b.len() && a.iter().all(|t| b.contains(t)) {
                return true;
            }
            if days == other && a.iter().any(|t| b.contains(t)) {
                let mut all: Vec<Q> = a.into_iter().chain(b).collect();
                all.sort();
                all.dedup();
                e.patterns = vec![Pattern::Times(all.iter().map(floor).collect(), days)];
                return true;
            }
        }
    }
    false
}

/// Whether it simply runs at a rate, as far as the order says.
fn runs(l: &Line) -> bool {
    match (&l.how, l.patterns.as_slice()) {
        (Some(How::Rate(_) | How::Both(..)), [Pattern::Running]) => !for_hours(l),
        (Some(How::Rate(_)), _) => l.durations == [None],
        _ => false,
    }
}

/// Continuous by its code, and for a stated time that is not a day: one or the other.
fn for_hours(l: &Line) -> bool {
    let told = l.durations.iter().any(|d| d.as_ref().is_some_and(|d| *d != int(DAY)));
    l.patterns == [Pattern::Running]
        && told
        && match &l.how {
            Some(How::Rate(_)) => true,
            Some(How::Both(q, r)) => fits(l, q, r),
            _ => false,
        }
}

/// Whether the volume is what the rate gives over the duration, or lies in the range of that.
fn fits(l: &Line, q: &Q, r: &Q) -> bool {
    let of: Vec<Q> = l.durations.iter().flatten().map(|d| r * d).collect();
    let near = (q * frac(2, 100)).max(int(1));
    of.iter().any(|x| (x - q).abs() <= near) || of.iter().any(|x| x <= q) && of.iter().any(|x| x >= q)
}

/// Whether it may be nothing.
fn maybe(l: &Line) -> bool {
    l.as_needed
        || match (&l.how, l.patterns.as_slice()) {
            (Some(How::Both(q, r)), [Pattern::Running]) => !as_whole_day(q, r),
            (Some(How::Rate(_)), [Pattern::Running]) => false,
            (Some(How::Rate(_)), [Pattern::Every(i)]) if hourly(i, &l.durations) && l.weekdays.is_empty() => false,
            (Some(How::Rate(_)), _) => l.durations == [None],
            _ => false,
        }
}

fn hourly(i: &Q, durations: &[Option<Q>]) -> bool {
    *i <= int(3600) && (int(DAY) / i).is_integer() && durations == [None]
}

fn as_whole_day(q: &Q, r: &Q) -> bool {
    (r * int(DAY) - q).abs() <= q * frac(1, 100)
}

fn steps(lines: &mut [Line], place: &Place) {
    let hour = |l: &Line| {
        let from = if l.stated { floor(&clock(&place.zone, &l.anchor)) } else { place.day_start };
        from.rem_euclid(DAY)
    };
    let alike = |a: &Line, b: &Line| {
        a.how.is_some()
            && b.how.is_some()
            && a.water == b.water
            && a.open
            && b.open
            && maybe(a) == maybe(b)
            && for_hours(a) == for_hours(b)
            && (!for_hours(a) || hour(a) == hour(b))
            && (runs(a) || a.named == b.named)
            && match (runs(a), runs(b)) {
                (true, true) => true,
                (false, false) => a.patterns == b.patterns && a.weekdays == b.weekdays,
                _ => false,
            }
    };
    let mut ends = vec![];
    for a in lines.iter() {
        let group: Vec<&Line> = lines.iter().filter(|b| alike(a, b)).collect();
        let together = group
            .iter()
            .enumerate()
            .any(|(i, x)| group.iter().skip(i + 1).any(|y| x.start == y.start || x.entry == y.entry));
        let next =
            group.iter().filter_map(|b| b.start.clone()).filter(|s| a.start.as_ref().is_none_or(|own| s > own)).min();
        ends.push(next.filter(|_| !together && a.open));
    }
    for (l, end) in lines.iter_mut().zip(ends) {
        if end.is_some() {
            l.ends = vec![end];
        }
    }
}

// ---------------------------------------------------------------- playing a line out

/// One feed, or a stretch of running, in seconds from the beginning of the window.
#[derive(Clone, Debug)]
struct Run {
    from: Q,
    to: Q,
    volume: Q,
    /// It is a feed with a beginning of its own.
    feed: bool,
}

/// One way it may go. `more`: it may also be more than this.
#[derive(Clone, Debug, Default)]
struct Reading {
    runs: Vec<Run>,
    more: bool,
}

impl Run {
    fn by(&self, t: &Q) -> Q {
        if self.to <= *t && self.to > self.from || self.from == self.to && self.from < *t {
            return self.volume.clone();
        }
        if *t <= self.from || self.from == self.to {
            return Q::zero();
        }
        &self.volume * (t - &self.from) / (&self.to - &self.from)
    }
    /// Volume inside `[a, b)`.
    fn inside(&self, a: &Q, b: &Q) -> Q {
        self.by(b) - self.by(a)
    }
}

impl Reading {
    fn volume(&self, until: &Q) -> Q {
        self.runs.iter().map(|r| r.inside(&Q::zero(), until)).sum()
    }
    fn feeds(&self, until: &Q) -> Q {
        int(self.runs.iter().filter(|r| r.feed && !r.from.is_negative() && r.from < *until).count() as i64)
    }
}

/// How long before the window something may begin and still run into it.
fn back(l: &Line) -> i64 {
    let takes = match &l.how {
        Some(How::Both(q, r)) => floor(&(q / r)),
        _ => 0,
    };
    let lasts = l.durations.iter().flatten().map(floor).max().unwrap_or(0);
    (takes.max(lasts) / DAY + 2) * DAY
}

/// Where occurrences lie, in seconds from the beginning of the window; earlier ones as far as they may run into it.
fn occurrences(l: &Line, pattern: &Pattern, count: Option<i64>, end: Option<&Q>, w: &Window, place: &Place) -> Vec<Q> {
    let zone = &place.zone;
    let w_clock = w.wall.clone();
    let mut out: Vec<Q> = vec![];
    // Clock times: days are counted from the local date of the anchor.
    let anchor_clock = clock(zone, &l.anchor);
    let anchor_day = floor(&anchor_clock).div_euclid(DAY);
    let anchor_time = if l.stated { &anchor_clock - int(anchor_day * DAY) } else { int(place.day_start) };
    let daily = |times: &[Q], days: i64, out: &mut Vec<Q>| {
        let first = floor(&w_clock).div_euclid(DAY) - back(l) / DAY;
        let last = floor(&(&w_clock + &w.length)).div_euclid(DAY) + 2;
        let first = if count.is_some() { first.min(anchor_day) } else { first };
        for day in first..=last {
            if (day - anchor_day).rem_euclid(days) != 0 {
                continue;
            }
            if !l.weekdays.is_empty() && !l.weekdays.contains(&(day + 3).rem_euclid(7)) {
                continue;
            }
            for time in times {
                let wall = int(day * DAY) + time;
                let at = instant(zone, &wall);
                let belongs = if w.civil {
                    l.start.as_ref().is_none_or(|s| at >= *s) && end.is_none_or(|e| at < *e)
                } else {
                    l.start.as_ref().is_none_or(|s| wall >= clock(zone, s)) && end.is_none_or(|e| wall < clock(zone, e))
                };
                if belongs && (count.is_none() || wall >= anchor_clock) {
                    out.push(if w.civil { at - &w.start } else { wall - &w_clock });
                }
            }
        }
    };
    match pattern {
        Pattern::Running => {}
        Pattern::Listed(list) => {
            for at in list {
                if l.start.as_ref().is_none_or(|s| at >= s) && end.is_none_or(|e| at < e) {
                    out.push(at - &w.start);
                }
            }
        }
        Pattern::Times(times, days) => {
            let times: Vec<Q> = times.iter().map(|t| int(*t)).collect();
            daily(&times, *days, &mut out);
        }
        Pattern::Even(f, days) => {
            let times: Vec<Q> = (0..*f)
                .map(|k| {
                    let t = &anchor_time + frac(DAY * k, *f);
                    if t >= int(DAY) { t - int(DAY) } else { t }
                })
                .collect();
            daily(&times, *days, &mut out);
        }
        Pattern::Every(i) if w.civil && keeps_clock(i) => {
            let n = floor(&(int(DAY) / i));
            // Without a start, from the window's own clock time.
            let from = if l.start.is_some() {
                &anchor_clock - int(anchor_day * DAY)
            } else {
                &w_clock - int(floor(&w_clock).div_euclid(DAY) * DAY)
            };
            let times: Vec<Q> = (0..n)
                .map(|k| {
                    let t = &from + i * int(k);
                    if t >= int(DAY) { t - int(DAY) } else { t }
                })
                .collect();
            daily(&times, 1, &mut out);
        }
        Pattern::Every(i) => {
            let mut k = floor(&((&w.start - int(back(l)) - &l.anchor) / i));
            if count.is_some() || l.start.is_some() {
                k = k.max(0);
            }
            if count.is_some() {
                k = 0;
            }
            loop {
                let at = &l.anchor + i * int(k);
                if at >= &w.start + &w.length {
                    break;
                }
                k += 1;
                let day = floor(&clock(zone, &at)).div_euclid(DAY);
                let on = l.weekdays.is_empty() || l.weekdays.contains(&(day + 3).rem_euclid(7));
                if on && end.is_none_or(|e| at < *e) {
                    out.push(at - &w.start);
                }
            }
        }
    }
    out.sort();
    out.dedup();
    if let Some(n) = count {
        out.truncate(usize::try_from(n).unwrap_or(0));
    }
    out
}

/// Runs that overlap are one: a pump does not run twice at the same time.
fn pumped(at: &[Q], d: &Q, rate: &Q) -> Vec<Run> {
    let mut out = vec![];
    for (k, from) in at.iter().enumerate() {
        let mut to = from + d;
        if let Some(next) = at.get(k + 1)
            && to > *next
        {
            to = next.clone();
        }
        out.push(Run { volume: rate * (&to - from), from: from.clone(), to, feed: true });
    }
    out
}

fn running(l: &Line, rate: &Q, end: Option<&Q>, w: &Window) -> Reading {
    let from = l.start.as_ref().map_or_else(Q::zero, |s| s - &w.start).max(Q::zero());
    let to = end.map_or_else(|| w.length.clone(), |e| e - &w.start).min(w.length.clone());
    if to <= from {
        return Reading::default();
    }
    Reading { runs: vec![Run { volume: rate * (&to - &from), from, to, feed: false }], more: false }
}

/// The ways a line may go, or `None` when nothing can be said.
fn readings(l: &Line, w: &Window, place: &Place) -> Option<Vec<Reading>> {
    let how = l.how.as_ref()?;
    let mut out = vec![];
    if any_time(l) {
        // Nobody says at what time of the day: every two hours, and around the edges of the schedule.
        let mut hours: Vec<i64> = (0..12).map(|k| k * 7200).collect();
        let edges = l.start.iter().chain(l.ends.iter().flatten()).map(|x| floor(&clock(&place.zone, x)));
        hours.extend(edges.chain([floor(&w.wall)]).flat_map(|t| [t.rem_euclid(DAY), (t - 1).rem_euclid(DAY)]));
        for hour in hours {
            let moved = |p: &Pattern| match p {
                Pattern::Times(times, days) => {
                    let first = l.untimed.first().copied().unwrap_or(0);
                    let shift = |t: &i64| if l.untimed.contains(t) { (t - first + hour).rem_euclid(DAY) } else { *t };
                    let mut times: Vec<i64> = times.iter().map(shift).collect();
                    times.sort_unstable();
                    times.dedup();
                    Pattern::Times(times, *days)
                }
                Pattern::Even(1, 1) if l.untimed.is_empty() => Pattern::Times(vec![hour], 1),
                p => p.clone(),
            };
            let count = |p: &Pattern| if let Pattern::Times(times, _) = p { times.len() } else { 0 };
            let patterns: Vec<Pattern> = l.patterns.iter().map(moved).collect();
            // Two at the same moment would be one.
            if patterns.iter().zip(&l.patterns).any(|(a, b)| count(a) < count(b)) {
                continue;
            }
            let one = Line { patterns, named: vec![], untimed: vec![], ..l.clone() };
            out.extend(readings(&one, w, place)?);
        }
        return Some(out);
    }
    if l.as_needed {
        out.push(Reading::default());
    }
    for pattern in &l.patterns {
        for duration in &l.durations {
            for count in &l.counts {
                for end in &l.ends {
                    let end = end.as_ref();
                    if let Pattern::Running = pattern
                        && for_hours(l)
                    {
                        let (How::Rate(r) | How::Both(_, r)) = how else { return None };
                        out.push(running(l, r, end, w));
                        match duration {
                            Some(d) if *d < int(DAY) && d.is_positive() => {
                                let at = occurrences(l, &Pattern::Even(1, 1), *count, end, w, place);
                                out.push(Reading { runs: pumped(&at, d, r), more: false });
                            }
                            Some(d) if *d >= int(DAY) && l.stated => {
                                let at = &l.anchor - &w.start;
                                out.push(Reading { runs: pumped(&[at], d, r), more: false });
                            }
                            _ => out.push(Reading::default()),
                        }
                        continue;
                    }
                    if let Pattern::Running = pattern {
                        match how {
                            How::Rate(r) => out.push(running(l, r, end, w)),
                            How::Volume(_) => return None,
                            How::Both(q, r) if as_whole_day(q, r) => out.push(running(l, r, end, w)),
                            How::Both(q, r) => {
                                out.push(Reading::default());
                                out.push(running(l, &(q / int(DAY)).max(r.clone()), end, w));
                            }
                        }
                        continue;
                    }
                    // The count of a day when nothing says when it begins.
                    let mut sets = vec![];
                    match pattern {
                        Pattern::Every(i) if l.start.is_none() && !(w.civil && keeps_clock(i)) => {
                            let n = floor(&(&w.length / i));
                            let on = |t: &Q| {
                                let day = floor(&clock(&place.zone, &(&w.start + t))).div_euclid(DAY);
                                l.weekdays.is_empty() || l.weekdays.contains(&(day + 3).rem_euclid(7))
                            };
                            let before = |t: &Q| end.is_none_or(|e| &w.start + t < *e);
                            let places =
                                |n: i64| (0..n).map(|k| i * int(k)).filter(on).filter(before).collect::<Vec<Q>>();
                            sets.push(places(n));
                            // Of a range of frequencies, the higher one tells the most.
                            if !(&w.length / i).is_integer() && Some(pattern) == l.patterns.last() {
                                sets.push(places(n + 1));
                            }
                        }
                        _ => sets.push(occurrences(l, pattern, *count, end, w, place)),
                    }
                    // Of a feed that the end of the day cuts, its beginning gives the rest.
                    let whole =
                        matches!(pattern, Pattern::Every(i) if l.start.is_none() && !(w.civil && keeps_clock(i)));
                    let to = |t: &Q, d: &Q| if whole { (t + d).min(w.length.clone()) } else { t + d };
                    let interval = match pattern {
                        Pattern::Every(i) => Some(i.clone()),
                        Pattern::Even(f, days) => Some(frac(DAY * days, *f)),
                        Pattern::Times(times, days) => {
                            let mut gaps: Vec<i64> = times.windows(2).map(|p| p[1] - p[0]).collect();
                            gaps.push(times[0] + DAY * days - times[times.len() - 1]);
                            gaps.iter().min().map(|g| int(*g))
                        }
                        Pattern::Listed(list) => {
                            let mut list = list.clone();
                            list.sort();
                            list.dedup();
                            list.windows(2).map(|p| &p[1] - &p[0]).min()
                        }
                        Pattern::Running => None,
                    };
                    for at in sets {
                        let each = |d: &Q, volume: &Q| -> Reading {
                            let runs = at
                                .iter()
                                .map(|t| Run { from: t.clone(), to: to(t, d), volume: volume.clone(), feed: true })
                                .collect();
                            Reading { runs, more: false }
                        };
                        let pump = |d: &Q, r: &Q| -> Vec<Run> {
                            let mut runs = pumped(&at, d, r);
                            if let (true, Some(i), Some(last)) = (whole, &interval, runs.last_mut()) {
                                // Without pause, to the end of the window.
                                if d >= i {
                                    last.to = (&last.from + d).min(w.length.clone());
                                    last.volume = r * (&last.to - &last.from);
                                }
                                runs.iter_mut().for_each(|x| x.to = x.to.clone().min(w.length.clone()));
                            }
                            runs
                        };
                        match (how, duration) {
                            (How::Rate(r), Some(d)) => {
                                out.push(Reading { runs: pump(d, r), more: false });
                            }
                            (How::Rate(r), None) => match pattern {
                                Pattern::Every(i)
                                    if hourly(i, &l.durations) && l.patterns.len() == 1 && l.weekdays.is_empty() =>
                                {
                                    match (count, &l.start) {
                                        (Some(n), Some(start)) => {
                                            let over = start + i * int(*n);
                                            let end = end.map_or_else(|| over.clone(), |e| e.min(&over).clone());
                                            out.push(running(l, r, Some(&end), w));
                                            // It is not said when the hours begin, only when they are over.
                                            if !l.stated && l.lengths.is_empty() && l.ends != [None] {
                                                out.pop();
                                                out.push(Reading::default());
                                                out.push(running(l, r, l.ends[0].as_ref(), w));
                                            }
                                        }
                                        _ => out.push(running(l, r, end, w)),
                                    }
                                }
                                _ => {
                                    out.push(Reading::default());
                                    out.push(running(l, r, end, w));
                                }
                            },
                            (How::Volume(q), d) => out.push(each(&d.clone().unwrap_or_else(Q::zero), q)),
                            (How::Both(q, r), d) => {
                                if r.is_zero() {
                                    return None;
                                }
                                let takes = q / r;
                                // r·D at either end of the range of D.
                                let of: Vec<Q> = l.durations.iter().flatten().map(|d| r * d).collect();
                                let tolerance = (q * frac(2, 100)).max(int(1));
                                let agrees = of.iter().any(|x| (x - q).abs() <= tolerance)
                                    || of.iter().any(|x| x <= q) && of.iter().any(|x| x >= q);
                                if let Some(d) = d
                                    && !agrees
                                {
                                    out.push(Reading { runs: pump(d, r), more: false });
                                }
                                if let Some(i) = &interval
                                    && takes > *i
                                {
                                    out.push(Reading { runs: pump(&takes, r), more: false });
                                }
                                out.push(each(&takes, q));
                            }
                        }
                    }
                }
            }
        }
    }
    out.extend(crossed(l, w, place));
    if let Some([least, most]) = between(l, w) {
        out.push(least);
        out.push(most);
    }
    Some(out)
}

/// Whether it has feeds of which the time of day is not known.
fn any_time(l: &Line) -> bool {
    !l.named.is_empty() && !runs(l)
}

/// Of a range of durations, what is carried into the window by one and what begins in it by the other.
fn crossed(l: &Line, w: &Window, place: &Place) -> Vec<Reading> {
    if l.durations.len() < 2 || !matches!(l.how, Some(How::Volume(_))) {
        return vec![];
    }
    let mut out = vec![];
    for pattern in &l.patterns {
        for count in &l.counts {
            for end in &l.ends {
                let with = |d: &Option<Q>| -> Vec<Run> {
                    let one = Line {
                        patterns: vec![pattern.clone()],
                        counts: vec![*count],
                        ends: vec![end.clone()],
                        durations: vec![d.clone()],
                        as_needed: false,
                        ..l.clone()
                    };
                    readings(&one, w, place).and_then(|list| list.into_iter().next()).unwrap_or_default().runs
                };
                let (short, long) = (with(&l.durations[0]), with(&l.durations[1]));
                for (a, b) in [(&short, &long), (&long, &short)] {
                    let carried = a.iter().filter(|r| r.from.is_negative());
                    let runs = carried.chain(b.iter().filter(|r| !r.from.is_negative())).cloned().collect();
                    out.push(Reading { runs, more: false });
                }
            }
        }
    }
    out
}

/// Whether the interval is a range that may fall into a window once more or once less.
fn is_loose(l: &Line) -> bool {
    let daily = |p: &Pattern| matches!(p, Pattern::Even(_, 1) | Pattern::Times(_, 1));
    l.patterns.len() > 1 && l.start.is_some() && !l.patterns.iter().all(daily) && !runs(l)
}

/// The count of the least rounded down, that of the most rounded up.
fn between(l: &Line, w: &Window) -> Option<[Reading; 2]> {
    if !is_loose(l) {
        return None;
    }
    // All times of a day that comes every so many days are taken together.
    let steps: Vec<(Q, i64)> = l
        .patterns
        .iter()
        .filter_map(|p| match p {
            Pattern::Even(f, days) if *days > 1 => Some((int(DAY * days), *f)),
            Pattern::Times(times, days) if *days > 1 => Some((int(DAY * days), times.len() as i64)),
            p => per_day(p).map(|n| (int(DAY) / n, 1)),
        })
        .collect();
    let (longest, shortest) = (&steps.iter().max_by_key(|s| &s.0)?.0, &steps.iter().min_by_key(|s| &s.0)?.0);
    let (of_least, of_most) = (steps.first()?.1, steps.last()?.1);
    let from = (l.start.as_ref()? - &w.start).max(Q::zero());
    let room = |end: &Option<Q>| -> Q {
        let to = end.as_ref().map_or_else(|| w.length.clone(), |e| e - &w.start).min(w.length.clone());
        (to - &from).max(Q::zero())
    };
    let rooms: Vec<Q> = l.ends.iter().map(room).collect();
    let of = |step: &Q, n: i64, least: bool| -> Option<Reading> {
        let d = || {
            let all = l.durations.iter().flatten();
            if least { all.min() } else { all.max() }
        };
        let ml = match l.how.as_ref()? {
            How::Volume(q) => q.clone(),
            How::Rate(r) => r * d()?.min(step),
            How::Both(q, r) => {
                let of: Vec<Q> = l.durations.iter().flatten().map(|d| r * d).collect();
                let tolerance = (q * frac(2, 100)).max(int(1));
                let agrees = of.iter().any(|x| (x - q).abs() <= tolerance)
                    || of.iter().any(|x| x <= q) && of.iter().any(|x| x >= q);
                let by_rate = d().filter(|_| !agrees).map_or_else(|| q.clone(), |d| r * d.min(step));
                let held = (r * step).min(q.clone());
                if least { held.min(by_rate) } else { by_rate.max(q.clone()) }
            }
        };
        let run = |k: i64| {
            let at = &from + step * int(k / if least { of_least } else { of_most });
            Run { from: at.clone(), to: at, volume: ml.clone(), feed: true }
        };
        // Of what reaches to the very end, a little is told as inside.
        let runs = (0..n)
            .map(run)
            .map(|r| if r.from >= w.length { Run { from: from.clone(), to: from.clone(), ..r } } else { r });
        Some(Reading { runs: runs.collect(), more: false })
    };
    let fewest = if l.weekdays.is_empty() { floor(&(rooms.iter().min()? / longest)) * of_least } else { 0 };
    let most = (rooms.iter().max()? / shortest).ceil().to_integer().to_i64()? * of_most;
    let limit = |n: i64, c: Option<i64>| c.map_or(n, |c| n.min(c));
    let least = limit(fewest, *l.counts.first()?);
    let most = limit(most, *l.counts.last()?);
    let mut upper = of(shortest, most, false)?;
    let longest_feed = l.durations.iter().flatten().max();
    let over = match l.how.as_ref()? {
        How::Volume(_) | How::Rate(_) => longest_feed.cloned(),
        How::Both(_, r) => of(shortest, 1, false).map(|one| &one.runs[0].volume / r),
    };
    let end = l.ends.iter().map(|e| e.as_ref().map_or_else(|| w.length.clone(), |e| e - &w.start)).max()?;
    let end = end.min(w.length.clone());
    // A feed that takes long runs in, and one that takes less time begins as late.
    let mixed = matches!(l.how, Some(How::Volume(_))) && l.durations.len() > 1 && l.durations[0] != l.durations[1];
    if let Some(over) = over.filter(|over| over > &Q::zero())
        && l.start.as_ref().is_some_and(|s| *s < w.start)
        && (mixed || end < w.length)
        && let Some(Run { volume: ml, .. }) = of(shortest, 1, false).and_then(|one| one.runs.into_iter().next())
    {
        // One that begins just before the end, others before it: those that begin before the window run into it.
        let mut k = most;
        while l.counts.last().copied().flatten().is_none_or(|c| k < c) {
            let reaches = &end + &over - shortest * int(k / of_most);
            if reaches <= Q::zero() {
                break;
            }
            let volume = &ml * &reaches / &over;
            upper.runs.push(Run { from: Q::zero(), to: Q::zero(), volume, feed: false });
            k += 1;
        }
        let any = &ml * (&w.length / shortest).ceil() * int(of_most);
        let so_far: Q = upper.runs.iter().map(|x| x.volume.clone()).sum();
        if !mixed && so_far > any {
            upper.runs.push(Run { from: Q::zero(), to: Q::zero(), volume: any - so_far, feed: false });
        }
    }
    let rate = match &l.how {
        Some(How::Rate(r)) => Some(r),
        Some(How::Both(q, r)) if l.durations.iter().flatten().any(|d| r * d.min(shortest) > *q) => Some(r),
        _ => None,
    };
    if let (Some(r), Some(d)) = (rate, l.durations.iter().flatten().max()) {
        // Without pause to the end of the last, where they overlap; never for longer than there is time.
        let last = l.ends.iter().map(|e| e.as_ref().map_or_else(|| w.length.clone(), |e| e - &w.start)).max()?;
        let to = ((last + d).min(w.length.clone()) - &from).max(Q::zero());
        let volume = r * &to;
        if d > shortest || upper.runs.iter().map(|x| x.volume.clone()).sum::<Q>() > volume {
            upper.runs.iter_mut().for_each(|x| x.volume = Q::zero());
            if from < w.length {
                upper.runs.push(Run { from: from.clone(), to: &from + to, volume, feed: false });
            }
        }
    }
    let mut lower = of(longest, least, true)?;
    if mixed
        && l.start.as_ref().is_some_and(|s| *s < w.start)
        && let Some(long) = longest_feed
    {
        // Cut by the end, where those before it were short.
        let room = (&w.length - long).min(rooms.iter().min()?.clone()).max(Q::zero());
        let whole = floor(&(room / longest)) * of_least;
        lower.runs.iter_mut().skip(usize::try_from(whole).ok()?).for_each(|x| x.volume = Q::zero());
    }
    Some([lower, upper])
}

// ---------------------------------------------------------------- a window

/// What one window delivers.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// Each line's volume, mL, in the order of the order; then scheduled flushes.
    pub lines: Vec<Val>,
    pub feed: Val,
    /// Flushes, and entries that give water.
    pub flush: Val,
    pub feeds: Val,
    pub volume: Val,
    pub energy: Val,
    /// Protein, carbohydrate, fat, fibre g; water mL; Na, K, Cl, Ca, P, Mg mg.
    pub nutrients: Vec<Val>,
    /// When the maximum volume is reached, seconds from the beginning.
    pub cap_at: Option<Q>,
    /// The maximum is reached, and more than one reading of a line gives the most: which is meant is open.
    pub cap_open: bool,
}

fn least_most(readings: &[Reading], of: impl Fn(&Reading) -> Q) -> Val {
    readings
        .iter()
        .map(|r| {
            let x = of(r);
            Val { low: x.clone(), high: (!r.more).then_some(x) }
        })
        .reduce(|a, b| a.or(&b))
        .unwrap_or_else(Val::zero)
}

/// The maximum volume, mL, and the seconds in which no more may be given. `Some(None)`: there is one that cannot be read.
fn cap(formula: &Value) -> Option<Option<(Q, Q)>> {
    let v = formula.get("maxVolumeToDeliver")?;
    Some(match quantity(v) {
        Some((x, [1, 0, 0, 0])) => Some((x, int(DAY))),
        Some((x, [1, 0, 0, -1])) => {
            let (seconds, _) = unit(v.get("code")?.as_str()?.split('/').nth(1)?)?;
            Some((x * &seconds, seconds))
        }
        _ => None,
    })
}

/// Whether a stretch of so many seconds that meets the window has more than the maximum in it; `None` where more than one
/// reading of a line may be the one that gives it, `true` as well where there is too much to look at.
fn too_much_at_once(lines: &[&Line], cap: &Q, period: &Q, w: &Window, place: &Place) -> Option<bool> {
    let start = &w.start - period;
    let wide = Window {
        wall: if w.civil { clock(&place.zone, &start) } else { &w.wall - period },
        start,
        length: &w.length + period * int(2),
        civil: w.civil,
    };
    let mut runs: Vec<Run> = vec![];
    for line in lines {
        let Some(list) = readings(line, &wide, place) else { continue };
        let mut given: Vec<Vec<Run>> = vec![];
        for reading in list {
            // What lies outside, or is nothing, is none.
            let inside =
                reading.runs.into_iter().filter(|r| r.inside(&Q::zero(), &wide.length).is_positive()).collect();
            given.push(inside);
        }
        given.retain(|runs| !runs.is_empty());
        let same = |a: &[Run], b: &[Run]| {
            a.len() == b.len() && a.iter().zip(b).all(|(a, b)| a.from == b.from && a.to == b.to && a.volume == b.volume)
        };
        if is_loose(line) || given.windows(2).any(|pair| !same(&pair[0], &pair[1])) {
            return None;
        }
        runs.extend(given.into_iter().next().unwrap_or_default());
    }
    let too_much = |sum: &Q| sum - cap > (cap * frac(5, 1000)).max(int(1));
    // All of it together is not too much, so no part is.
    if !too_much(&runs.iter().map(|r| r.inside(&Q::zero(), &wide.length)).sum()) {
        return Some(false);
    }
    if runs.len() > 1000 {
        return Some(true);
    }
    let ends: Vec<Q> = runs.iter().flat_map(|r| [r.from.clone(), r.to.clone()]).collect();
    for from in ends.iter().flat_map(|end| [end.clone(), end - period]) {
        let to = &from + period;
        // With what is given at once at its beginning, or at its end.
        for first in [true, false] {
            let sum: Q = runs
                .iter()
                .filter(|r| r.to >= from && r.from <= to)
                .map(|r| {
                    let (a, b) = (r.from.clone().max(Q::zero()), r.to.clone().min(wide.length.clone()));
                    if r.from == r.to {
                        let inside = if first { r.from != to } else { r.from != from };
                        if inside { r.volume.clone() } else { Q::zero() }
                    } else {
                        r.inside(&a.max(from.clone()), &b.min(to.clone())).max(Q::zero())
                    }
                })
                .sum();
            if too_much(&sum) {
                return Some(true);
            }
        }
    }
    Some(false)
}

pub fn deliver(order: &Value, place: &Place, w: &Window) -> Option<Delivery> {
    let formula = order.get("enteralFormula")?;
    let lines = lines(order, place)?;
    let played: Vec<Option<Vec<Reading>>> = lines.iter().map(|l| readings(l, w, place)).collect();
    let total = |r: &Option<Vec<Reading>>, until: &Q| match r {
        Some(list) => least_most(list, |x| x.volume(until)),
        None => Val::unknown(),
    };
    let counted = |l: &Line, r: &Option<Vec<Reading>>, until: &Q| match r {
        Some(list) => least_most(list, |x| x.feeds(until)),
        None if runs(l) => Val::zero(),
        None => Val::unknown(),
    };
    let mut volumes: Vec<Val> = played.iter().map(|r| total(r, &w.length)).collect();
    let mut feeds: Vec<Val> = lines.iter().zip(&played).map(|(l, r)| counted(l, r, &w.length)).collect();

    // The maximum volume.
    let mut cap_at = None;
    let mut cap_open = false;
    let feed_lines: Vec<usize> = (0..lines.len()).filter(|i| !lines[*i].water).collect();
    let limit = cap(formula).flatten();
    if let Some((cap, period)) = limit.clone().filter(|(_, period)| *period != int(DAY)) {
        let capped: Vec<&Line> = feed_lines.iter().map(|i| &lines[*i]).collect();
        match too_much_at_once(&capped, &cap, &period, w, place) {
            None => cap_open = true,
            Some(false) => {}
            // When the pump stops and goes on is not said: from nothing to the schedule.
            Some(true) => {
                for i in &feed_lines {
                    volumes[*i].low = Q::zero();
                    feeds[*i].low = Q::zero();
                }
            }
        }
    }
    if let Some((cap, _)) = limit.filter(|(_, period)| *period == int(DAY)) {
        let cap = if w.length > int(DAY) { cap * &w.length / int(DAY) } else { cap };
        let most: Q =
            feed_lines.iter().filter_map(|i| played[*i].as_ref()?.iter().map(|r| r.volume(&w.length)).max()).sum();
        if &most - &cap > (&cap * frac(5, 1000)).max(int(1)) {
            cap_open = feed_lines
                .iter()
                .any(|i| is_loose(&lines[*i]) || lines[*i].durations.len() > 1 || any_time(&lines[*i]))
                || feed_lines.iter().filter_map(|i| played[*i].as_ref()).any(|list| {
                    let most = list.iter().map(|r| r.volume(&w.length)).max();
                    list.iter().filter(|r| Some(r.volume(&w.length)) == most).count() > 1
                });
            // The reading that gives the most, of each line.
            let best: Vec<&Reading> = feed_lines
                .iter()
                .filter_map(|i| played[*i].as_ref().and_then(|r| r.iter().rev().max_by_key(|x| x.volume(&w.length))))
                .collect();
            let given = |t: &Q| -> Q { best.iter().map(|r| r.volume(t)).sum() };
            // Walk from one moment at which something begins or ends to the next.
            let mut marks: Vec<Q> = best
                .iter()
                .flat_map(|r| r.runs.iter().flat_map(|x| [x.from.clone(), x.to.clone()]))
                .filter(|t| !t.is_negative() && *t < w.length)
                .chain([Q::zero(), w.length.clone()])
                .collect();
            marks.sort();
            marks.dedup();
            for pair in marks.windows(2) {
                let (a, b) = (&pair[0], &pair[1]);
                let at_once: Q = best
                    .iter()
                    .flat_map(|r| &r.runs)
                    .filter(|x| x.from == x.to && x.from == *a)
                    .map(|x| x.volume.clone())
                    .sum();
                let before = given(a);
                if before >= cap || &before + &at_once >= cap {
                    cap_at = Some(a.clone());
                    break;
                }
                let end = given(b);
                if end >= cap {
                    let slope = (&end - &before - &at_once) / (b - a);
                    cap_at = Some(a + (&cap - &before - &at_once) / slope);
                    break;
                }
            }
            if let Some(t) = &cap_at {
                // What is given at once at that very moment is filled up in the order of the entries.
                let mut room = &cap - given(t);
                for (best, i) in best.iter().zip(feed_lines.iter().filter(|i| played[**i].is_some())) {
                    let now: Vec<&Run> = best.runs.iter().filter(|r| r.from == r.to && r.from == *t).collect();
                    let wanted: Q = now.iter().map(|r| r.volume.clone()).sum();
                    let part = wanted.min(room.clone()).max(Q::zero());
                    room -= &part;
                    let begun = best.feeds(t) + if part.is_positive() { int(now.len() as i64) } else { Q::zero() };
                    let own = best.volume(t) + part;
                    let list = played[*i].as_ref().expect("it is played");
                    let others = || list.iter().filter(|x| !std::ptr::eq(*x, *best));
                    let low = others().map(|x| x.volume(t)).fold(own, |a, b| a.min(b));
                    let few = others().map(|x| x.feeds(t)).fold(begun, |a, b| a.min(b));
                    volumes[*i].low = volumes[*i].low.clone().min(low);
                    feeds[*i].low = feeds[*i].low.clone().min(few);
                }
            }
        }
    }

    // Flushes with each feed.
    let all_feeds = feed_lines.iter().fold(Val::zero(), |s, i| s.plus(&feeds[*i]));
    let mut flush = Val::zero();
    for (l, v) in lines.iter().zip(&volumes) {
        if l.flush {
            flush = flush.plus(v);
        }
    }
    for f in extensions(formula, "water-flush") {
        let Some(with) = part(f, "with-each-feed", "valueCode") else { continue };
        let times = if with == "before-and-after" { 2 } else { 1 };
        let volume = part(f, "volume", "valueQuantity").and_then(|v| measure(v, [1, 0, 0, 0]));
        flush = flush.plus(&match volume {
            Some(v) => all_feeds.times(&(v * int(times))),
            None => Val::unknown(),
        });
    }

    let feed = feed_lines.iter().fold(Val::zero(), |s, i| s.plus(&volumes[*i]));
    let other =
        (0..lines.len()).filter(|i| lines[*i].water && !lines[*i].flush).fold(Val::zero(), |s, i| s.plus(&volumes[i]));
    let clear = flush.plus(&other);
    let content = content(order, formula, place);
    let mut energy = feed.of(&content.kcal);
    let mut nutrients: Vec<Val> = (0..NUTRIENTS).map(|n| feed.of(&content.nutrients[n])).collect();
    nutrients[WATER] = nutrients[WATER].plus(&clear);
    for (n, item, times) in &content.apart {
        let how_often = match times {
            Apart::Day if feed.known().is_some_and(Q::is_zero) => Val::zero(),
            Apart::Day if feed_lines.iter().all(|i| played[*i].is_some() && volumes[*i].low.is_zero()) => {
                Val { low: Q::zero(), high: Some(Q::one()) }
            }
            Apart::Day => Val::exactly(Q::one()),
            Apart::Feed => all_feeds.clone(),
        };
        let amount = how_often.times(n);
        energy = energy.plus(&amount.of(&Val::stated(item.kcal.as_ref())));
        for (sum, per) in nutrients.iter_mut().zip(&item.nutrients) {
            *sum = sum.plus(&amount.of(&Val::stated(per.as_ref())));
        }
    }
    let mut volume = feed.plus(&clear);
    if content.more {
        volume.high = None;
    }
    Some(Delivery { lines: volumes, feed, flush: clear, feeds: all_feeds, volume, energy, nutrients, cap_at, cap_open })
}

// ---------------------------------------------------------------- content

enum Apart {
    Day,
    Feed,
}

struct Content {
    kcal: Val,
    nutrients: Vec<Val>,
    apart: Vec<(Q, Item, Apart)>,
    /// Something is added that cannot be counted.
    more: bool,
}

fn density(formula: &Value) -> Option<Option<Q>> {
    let v = formula.get("caloricDensity")?;
    let Some((x, [-1, 1, 0, 0])) = quantity(v) else { return Some(None) };
    let code = v.get("code").and_then(Value::as_str).unwrap_or("");
    if code.starts_with("cal") {
        let sound = |x: &Q| *x >= frac(3, 10) && *x <= frac(5, 2);
        let read = &x * int(1000);
        return Some(match (sound(&read), sound(&x)) {
            (true, false) => Some(read),
            (false, true) => Some(x),
            _ => Some(x),
        });
    }
    Some(Some(x))
}

/// Usual water content, mL/mL.
fn usual_water(kcal: &Q) -> Option<Q> {
    let table = [(10, 84), (12, 81), (15, 76), (20, 70)];
    for pair in table.windows(2) {
        let (x0, x1) = (frac(pair[0].0, 10), frac(pair[1].0, 10));
        if *kcal >= x0 && *kcal <= x1 {
            let (y0, y1) = (frac(pair[0].1, 100), frac(pair[1].1, 100));
            return Some(&y0 + (&y1 - &y0) * (kcal - &x0) / (&x1 - &x0));
        }
    }
    None
}

fn name_of(v: &Value) -> Option<&str> {
    v.get("text").and_then(Value::as_str)
}

fn content(order: &Value, formula: &Value, place: &Place) -> Content {
    let base = formula.get("baseFormulaProductName").and_then(Value::as_str).and_then(|name| place.products.get(name));
    let ordered = density(formula);

    // Additives: (what, amount, per).
    type Amount = Option<(Q, [i32; 4])>;
    let mut additives: Vec<(Option<&Item>, Amount, String)> = vec![];
    for e in extensions(formula, "additive-dose") {
        let item = part(e, "item", "valueCodeableConcept").and_then(name_of).and_then(|n| place.products.get(n));
        let amount = part(e, "quantity", "valueQuantity").and_then(quantity);
        let per = part(e, "per", "valueCode").and_then(Value::as_str).unwrap_or("").to_owned();
        additives.push((item, amount, per));
    }
    if order.get("subject").is_some() {
        for a in formula.get("additive").and_then(Value::as_array).into_iter().flatten() {
            let item = a.get("productName").and_then(Value::as_str).and_then(|n| place.products.get(n));
            let amount = a.get("quantity").and_then(quantity);
            let per = part_value(a, "additive-per").unwrap_or("").to_owned();
            additives.push((item, amount, per));
        }
    } else if formula.get("additiveType").is_some() || formula.get("additiveProductName").is_some() {
        additives.push((None, None, String::new()));
    }

    let mut more = false;
    let mut apart = vec![];
    // Into one mL of the feed: so much of each.
    let mut mixed: Vec<(Q, &Item)> = vec![];
    for (item, amount, per) in additives {
        let (Some(item), Some((x, powers))) = (item, amount) else {
            more = true;
            continue;
        };
        // Grams are kept as kilograms by the unit table.
        let grams = |x: Q| x * int(1000);
        let (amount, volume, time) = match (item.per, powers) {
            (Per::Gram, [v, 0, 1, t]) => (grams(x), v, t),
            (Per::Dose, [v, 0, 0, t]) => (x, v, t),
            _ => {
                more = true;
                continue;
            }
        };
        // So much in a second is so much in a day; that is no amount per feed.
        let units = match (volume, time, per.as_str()) {
            (v, 0, _) => Some((amount, v)),
            (0, -1, "day" | "") => {
                apart.push((amount * int(DAY), item.clone(), Apart::Day));
                continue;
            }
            _ => None,
        };
        match (units, per.as_str()) {
            (Some((n, 0)), "day") => apart.push((n, item.clone(), Apart::Day)),
            (Some((n, 0)), "feed") => apart.push((n, item.clone(), Apart::Feed)),
            (Some((n, -1)), _) => mixed.push((n, item)),
            _ => more = true,
        }
    }
    // One mL of the feed makes so many mL, of which the additives bring so many kcal.
    let mut makes = Q::one();
    let mut brought = Q::zero();
    for (n, item) in &mixed {
        makes += n * item.displacement.as_ref().expect("each additive of the test states it");
        brought += n * item.kcal.as_ref().expect("each additive of the test states it");
    }

    // An ordered strength is that of all those mL; what the additives do not bring is in the one mL of the feed.
    let ordered_mix = ordered.clone().flatten();
    let feeds_part = ordered_mix.as_ref().map(|d| d * &makes - &brought).filter(Q::is_positive);
    let by_formulary = base.filter(|b| b.per == Per::Millilitre).and_then(|b| b.kcal.clone());
    let mut nutrients: Vec<Option<Q>> = vec![None; NUTRIENTS];
    if let Some(b) = base {
        let same = by_formulary.as_ref().is_some_and(|own| Some((own + &brought) / &makes) == ordered_mix);
        let stronger = b.powder && ordered_mix.is_some() && !same;
        for (n, out) in nutrients.iter_mut().enumerate() {
            let own = b.nutrients[n].clone();
            *out = match b.per {
                Per::Kilocalorie => own.zip(feeds_part.clone()).map(|(x, kcal)| x * kcal),
                _ if stronger => own
                    .zip(feeds_part.clone())
                    .zip(b.kcal.clone())
                    .filter(|(_, e)| !e.is_zero())
                    .map(|((x, kcal), e)| x * kcal / e),
                _ => own,
            };
        }
        if stronger || b.per == Per::Kilocalorie {
            nutrients[WATER] = None;
        } else if b.nutrients[WATER].is_none() {
            let kcal = match &ordered {
                Some(Some(_)) => feeds_part,
                Some(None) => None,
                None => by_formulary.clone(),
            };
            nutrients[WATER] = kcal.as_ref().and_then(usual_water);
        }
    }

    // Where an ordered strength cannot be read nothing is known of the feed's own; what is mixed in is there.
    let mut kcal = match &ordered {
        Some(Some(d)) => Val::exactly(d.clone()),
        Some(None) => Val::unknown().plus(&Val::exactly(brought)).times(&makes.recip()),
        None => Val::stated(by_formulary.as_ref()).plus(&Val::exactly(brought)).times(&makes.recip()),
    };
    let mut nutrients: Vec<Val> = nutrients.iter().map(|x| Val::stated(x.as_ref())).collect();
    for (n, item) in &mixed {
        for (sum, own) in nutrients.iter_mut().zip(&item.nutrients) {
            *sum = sum.plus(&Val::exactly(n.clone()).of(&Val::stated(own.as_ref())));
        }
    }
    for v in nutrients.iter_mut() {
        *v = v.times(&makes.recip());
    }
    if more {
        kcal.high = None;
        nutrients.iter_mut().for_each(|v| v.high = None);
    }
    Content { kcal, nutrients, apart, more }
}

fn part_value<'v>(v: &'v Value, name: &str) -> Option<&'v str> {
    extensions(v, name).first().and_then(|e| e.get("valueCode")).and_then(Value::as_str)
}

// ---------------------------------------------------------------- windows

/// Start of the first day.
pub fn first_day(order: &Value, place: &Place) -> Option<Q> {
    let anchor = own_anchor(order, place)?;
    // A start that is only reckoned is not stated: only its own place counts here.
    let formula = order.get("enteralFormula")?;
    let r5 = order.get("subject").is_some();
    let mut starts = vec![];
    let mut events = vec![];
    let entries = formula.get("administration").and_then(Value::as_array).into_iter().flatten();
    let mut timings: Vec<(bool, bool, &Value)> = vec![];
    for a in entries {
        let Some(schedule) = a.get("schedule") else { continue };
        let usable = a.get("quantity").is_none_or(|q| measure(q, [1, 0, 0, 0]).is_some_and(|q| q.is_positive()))
            && rate(a, place.weight.as_ref()).is_none_or(|r| r.is_some_and(|r| r.is_positive()))
            && (a.get("quantity").is_some() || rate(a, place.weight.as_ref()).is_some());
        let rate_only = a.get("quantity").is_none();
        if r5 {
            timings.extend(
                schedule.get("timing").and_then(Value::as_array).into_iter().flatten().map(|t| (usable, rate_only, t)),
            );
        } else {
            timings.push((usable, rate_only, schedule));
        }
    }
    for f in extensions(formula, "water-flush") {
        let usable = part(f, "volume", "valueQuantity").is_some_and(|v| measure(v, [1, 0, 0, 0]).is_some());
        timings.extend(part(f, "schedule", "valueTiming").map(|t| (usable, false, t)));
    }
    for (usable, rate_only, timing) in timings {
        let l = line(Some(timing), place, &anchor, false, Some(How::Volume(Q::one())), false);
        let usable = usable && (!rate_only || l.durations != [None]);
        starts.extend(l.start.clone());
        if usable && l.how.is_some() {
            for p in &l.patterns {
                if let Pattern::Listed(list) = p {
                    events.extend(list.iter().min().cloned());
                }
            }
        }
    }
    Some(starts.into_iter().min().or(events.into_iter().min()).unwrap_or(anchor))
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Steady {
    None,
    /// 24 h from here.
    Day(Q),
    /// So many days of 24 h from here.
    Cycle(Q, i64),
    /// It repeats after too long a time.
    TooLong,
}

/// The steady day.
pub fn steady(order: &Value, place: &Place) -> Option<Steady> {
    let all = lines(order, place)?;
    let lines: Vec<Line> = all.iter().filter(|l| readable(l)).cloned().collect();
    if lines
        .iter()
        .any(|l| l.counts != [None] || !runs(l) && l.patterns.iter().any(|p| matches!(p, Pattern::Listed(_))))
    {
        return Some(Steady::None);
    }
    let first = first_day(order, place)?;
    let last = lines.iter().filter_map(|l| l.start.clone()).max().unwrap_or(first);
    let day = floor(&clock(&place.zone, &last)).div_euclid(DAY);
    let last_clock = clock(&place.zone, &last);
    let wall = (-1..3).map(|k| int((day + k) * DAY + place.day_start)).find(|wall| *wall >= last_clock)?;
    let start = instant(&place.zone, &wall);
    let ends: Vec<Option<Q>> = lines.iter().map(|l| l.ends.iter().max().cloned().flatten()).collect();
    let cut = |from: &Q| ends.iter().flatten().any(|e| e > from && *e < from + int(DAY));
    // Flushes alone make no day.
    let asked = |l: &&Line| !l.flush || all.iter().all(|l| l.flush);
    let ended = |l: &Line| l.ends.iter().max().cloned().flatten().is_some_and(|e| e <= start);
    let over = !all.is_empty() && all.iter().filter(asked).all(|l| readable(l) && ended(l));
    let start = if !cut(&start) && !over {
        start
    } else if !cut(&last) {
        last
    } else {
        return Some(Steady::None);
    };
    let mut cycle = 1i64;
    for l in lines.iter().filter(|l| !runs(l)) {
        for d in repeats(l)? {
            cycle = cycle / gcd(cycle, d) * d;
            if cycle > 120 {
                return Some(Steady::TooLong);
            }
        }
    }
    // A feed that runs across the feeding-day hour may be missing in the first such day.
    let wall = clock(&place.zone, &start);
    let most = |k: i64| -> Option<Vec<(Option<Q>, Option<Q>)>> {
        let after = int(k * DAY);
        let w = Window { wall: &wall + &after, start: &start + &after, length: int(DAY), civil: false };
        // The least as well, where nobody says at what time of the day.
        let lines = deliver(order, place, &w)?.lines.into_iter();
        Some(lines.zip(&all).map(|(v, l)| (v.high, any_time(l).then_some(v.low))).collect())
    };
    let mut moved = 0;
    for k in 0..=3 {
        if ends.iter().flatten().any(|e| *e < &start + int((k + cycle + 1) * DAY)) {
            break;
        }
        if most(k)? == most(k + cycle)? {
            moved = k;
            break;
        }
    }
    let start = &start + int(moved * DAY);
    Some(if cycle == 1 { Steady::Day(start) } else { Steady::Cycle(start, cycle) })
}

/// The days after which each part of a line repeats itself.
fn repeats(l: &Line) -> Option<Vec<i64>> {
    let mut days = vec![];
    if !l.weekdays.is_empty() {
        days.push(7);
    }
    for p in &l.patterns {
        match p {
            Pattern::Every(i) if l.start.is_some() => days.push((i / int(DAY)).numer().to_i64()?),
            Pattern::Even(_, d) | Pattern::Times(_, d) => days.push(*d),
            _ => {}
        }
    }
    Some(days)
}

/// Each line's own cycle in days; `None` beyond 120, and for what cannot be computed.
pub fn cycles(order: &Value, place: &Place) -> Option<Vec<Option<i64>>> {
    let own = |l: &Line| {
        let days = if runs(l) { vec![] } else { repeats(l)? };
        let cycle = days.into_iter().fold(1, |c, d| c / gcd(c, d) * d);
        Some(cycle).filter(|c| *c <= 120 && readable(l))
    };
    Some(lines(order, place)?.iter().map(own).collect())
}

/// Whether anything can be said of it.
fn readable(l: &Line) -> bool {
    !matches!((&l.how, l.patterns.as_slice()), (None, _) | (Some(How::Volume(_)), [Pattern::Running]))
}

/// Whether an interval keeps its clock times on civil days.
fn keeps_clock(i: &Q) -> bool {
    i.is_integer() && (int(DAY) / i).is_integer()
}

fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}
