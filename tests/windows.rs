//! Lines over a window: what lies in a day, what is carried into it, what a maximum leaves of it, and which day is the
//! steady one. Definitions: `docs/calculation.md`, "Windows" and "The maximum volume"; figures worked out by hand. The
//! schedules are invented. Day 0 is 2026-11-25, a Wednesday; windows begin at 07:00 UTC unless said otherwise.

use enteral_gate::amount::{Amount, Why};
use enteral_gate::exact::Exact;
use enteral_gate::intake::order::At;
use enteral_gate::settings::DayKind;
use enteral_gate::timing::calendar::days_of;
use enteral_gate::timing::day::{
    Laid, MAX_CYCLE, MAX_OCCURRENCES, Window, beyond_cap, cycle_days, lay, steady, steady_window,
};
use enteral_gate::timing::schedule::{Dose, Line, Method, Occurrences, Run};
use jiff::tz::TimeZone;

const HOUR: i64 = 3_600;
const DAY: i64 = 86_400;
const SEVEN: u32 = 7 * 3_600;
const UTC: TimeZone = TimeZone::UTC;

/// Monday, Wednesday, Friday and so on, as bits from Monday.
const MON: u8 = 1;
const WED: u8 = 1 << 2;
const FRI: u8 = 1 << 4;
const SAT: u8 = 1 << 5;
const SUN: u8 = 1 << 6;

/// An hour of day 0, which may lie on a day before or after.
fn instant(hour: i64) -> Exact {
    Exact::int(days_of(jiff::civil::date(2026, 11, 25)) * DAY + hour * HOUR)
}

/// 24 h from 07:00 of a day.
fn day(n: i64) -> Window {
    Window::elapsed(&UTC, instant(24 * n + 7))
}

fn hours(h: i64) -> Exact {
    Exact::int(h * HOUR)
}

/// Every so many hours.
fn every(h: i64) -> Occurrences {
    Occurrences::Every { step: hours(h), up: true, weekdays: 0 }
}

/// At full hours, every so many days, on these weekdays.
fn clock(times: &[i64], interval: i64, weekdays: u8) -> Occurrences {
    Occurrences::Clock { interval, times: times.iter().map(|h| h * HOUR).collect(), weekdays }
}

/// So many mL over so many hours, each.
fn feed(occurrences: Occurrences, ml: i64, over: i64) -> Run {
    let dose = Dose::Volume { ml: Exact::int(ml), over: hours(over) };
    Run { occurrences, dose, start: None, end: None, count: None, once: false }
}

/// Runs of a pump: mL/h for so many hours, each.
fn pump(occurrences: Occurrences, rate: i64, over: i64) -> Run {
    Run { once: true, ..feed(occurrences, rate * over, over) }
}

/// A pump at mL/h without pause.
fn rate(ml_per_hour: i64) -> Run {
    let dose = Dose::Rate(Exact::ratio(ml_per_hour, HOUR));
    Run { occurrences: Occurrences::Continuous, dose, start: None, end: None, count: None, once: false }
}

fn from(run: Run, hour: i64) -> Run {
    Run { start: Some(instant(hour)), ..run }
}

fn until(run: Run, hour: i64) -> Run {
    Run { end: Some(instant(hour)), ..run }
}

fn times(run: Run, count: i64) -> Run {
    Run { count: Some(count), ..run }
}

/// Somewhere between two runs.
fn between(low: Run, high: Run) -> Line {
    let why = if low == high { vec![] } else { vec![Why::Spread("a choice".to_owned())] };
    Line {
        at: At(0),
        administration: Some(0),
        start: high.start,
        end: high.end,
        low: Some(low),
        least: None,
        also: None,
        high: Some(high),
        why,
        rate: None,
        quantity: None,
        method: Method::Unclear,
        also_method: None,
        length: None,
        spaced: false,
        named: vec![],
        untimed: vec![],
        notes: vec![],
    }
}

fn exactly(run: Run) -> Line {
    between(run.clone(), run)
}

fn over(window: Window, lines: &[Line]) -> Laid {
    lay(&UTC, window, lines, &vec![false; lines.len()], None)
}

fn capped(window: Window, lines: &[Line], cap: i64) -> Laid {
    lay(&UTC, window, lines, &vec![true; lines.len()], Some(Exact::int(cap)))
}

/// mL and feeds that begin, both exactly known.
fn given(window: Window, run: &Run) -> (i128, i128) {
    let laid = over(window, &[exactly(run.clone())]);
    let known = |a: &Amount| a.known().unwrap_or_else(|| panic!("{run:?}: {a:?}"));
    let (volume, feeds) = (known(&laid.lines[0].volume), known(&laid.lines[0].feeds));
    assert!(volume.is_whole() && feeds.is_whole(), "{volume:?} {feeds:?}");
    (volume.floor(), feeds.floor())
}

/// Lowest and highest, in whole numbers.
fn ends(a: &Amount) -> (i128, i128) {
    let (low, high) = (a.low().unwrap(), a.high().unwrap());
    assert!(low.is_whole() && high.is_whole(), "{a:?}");
    (low.floor(), high.floor())
}

/// Segments as hours from the window's beginning and mL.
fn segments(laid: &Laid) -> Vec<(i128, i128, i128)> {
    let hour = |x: Exact| x.div(Exact::int(HOUR)).filter(|x| x.is_whole()).unwrap().floor();
    laid.segments.iter().map(|s| (hour(s.from), hour(s.to), s.volume.floor())).collect()
}

#[test]
fn a_feed_given_at_once_lies_in_one_of_two_days() {
    let at = |seconds: i64| feed(Occurrences::Listed(vec![instant(7).add(Exact::int(seconds)).unwrap()]), 100, 0);
    assert_eq!(given(day(0), &at(-1)), (0, 0));
    assert_eq!(given(day(0), &at(0)), (100, 1));
    assert_eq!(given(day(0), &at(DAY - 1)), (100, 1));
    assert_eq!(given(day(0), &at(DAY)), (0, 0));
    assert_eq!(given(day(1), &at(DAY)), (100, 1));
}

/// What takes time counts for the part inside, and is a feed of the day in which it begins.
#[test]
fn a_feed_that_takes_time_counts_for_the_part_inside() {
    let at = |hour: i64| feed(Occurrences::Listed(vec![instant(hour)]), 240, 4);
    for (hour, this, next) in [
        (3, (0, 0), (0, 0)),
        (4, (60, 0), (0, 0)),
        (7, (240, 1), (0, 0)),
        (27, (240, 1), (0, 0)),
        (28, (180, 1), (60, 0)),
        (30, (60, 1), (180, 0)),
        (31, (0, 0), (240, 1)),
    ] {
        assert_eq!((given(day(0), &at(hour)), given(day(1), &at(hour))), (this, next), "{hour}");
    }
    // Ending with the day's beginning it leaves no trace in it.
    assert!(over(day(0), &[exactly(at(3))]).segments.is_empty());
    assert_eq!(segments(&over(day(0), &[exactly(at(4))])), [(0, 1, 60)]);
}

#[test]
fn a_rate_runs_from_its_start_to_its_end() {
    for (start, end, ml) in [
        (7, 31, 1_440),
        (0, 40, 1_440),
        (10, 40, 1_260),
        (0, 12, 300),
        (10, 12, 120),
        (0, 7, 0),
        (31, 40, 0),
        (31, 33, 0),
    ] {
        let run = until(from(rate(60), start), end);
        assert_eq!(given(day(0), &run), (ml, 0), "{start} to {end}");
        assert_eq!(over(day(0), &[exactly(run)]).segments.len(), usize::from(ml > 0), "{start} to {end}");
    }
}

/// Listed events belong to a schedule from its start to before its end, at most so many.
#[test]
fn listed_events_keep_to_start_end_and_count() {
    let list = || feed(Occurrences::Listed([8, 10, 12, 14].map(instant).to_vec()), 100, 0);
    assert_eq!(given(day(0), &list()), (400, 4));
    assert_eq!(given(day(0), &from(list(), 10)), (300, 3));
    assert_eq!(given(day(0), &until(list(), 12)), (200, 2));
    assert_eq!(given(day(0), &until(from(list(), 10), 14)), (200, 2));
    assert_eq!(given(day(0), &times(list(), 3)), (300, 3));
    assert_eq!(given(day(0), &times(from(list(), 10), 2)), (200, 2));
}

/// Every 6 h from 05:00 two days before, 90 mL over 3 h: 05:00 is carried in with 2 of its 3 hours missing, the next
/// 05:00 has two of them.
#[test]
fn what_repeats_by_the_hour_is_carried_into_the_day() {
    let run = from(feed(every(6), 90, 3), 5 - 48);
    assert_eq!(given(day(0), &run), (30 + 90 + 90 + 90 + 60, 4));
    assert_eq!(
        segments(&over(day(0), &[exactly(run)])),
        [(0, 1, 30), (4, 7, 90), (10, 13, 90), (16, 19, 90), (22, 24, 60)]
    );
}

/// A pump does not run twice at once: each run ends where the next begins, the last is given in full.
#[test]
fn the_last_of_overlapping_runs_lasts_its_full_time() {
    // 60 mL/h for 5 h, every 4 h from 07:00.
    let run = || from(pump(every(4), 60, 5), 7);
    assert_eq!(given(day(0), &run()), (1_440, 6));
    assert_eq!(segments(&over(day(0), &[exactly(times(run(), 2))])), [(0, 4, 240), (4, 9, 300)]);
    assert_eq!(segments(&over(day(0), &[exactly(until(run(), 15))])), [(0, 4, 240), (4, 9, 300)]);
    assert_eq!(segments(&over(day(0), &[exactly(until(times(run(), 3), 15))])), [(0, 4, 240), (4, 9, 300)]);
    // Without a start they are laid from the day's beginning.
    let phase_unknown = || pump(every(4), 60, 5);
    assert_eq!(segments(&over(day(0), &[exactly(until(phase_unknown(), 15))])), [(0, 4, 240), (4, 9, 300)]);
    assert_eq!(given(day(0), &phase_unknown()), (1_440, 6));
    // On Wednesdays only: the next after 23:00 would be on Thursday, so that of 23:00 lasts until 04:00.
    let wednesdays = Occurrences::Every { step: hours(4), up: true, weekdays: WED };
    let on_wednesdays = from(pump(wednesdays, 60, 5), 7);
    assert_eq!(given(day(0), &on_wednesdays), (4 * 240 + 300, 5));
    // What overlaps without being one pump's runs adds up: 100 mL every 4 h over 6 h is 600 mL in any day.
    let both = from(feed(every(4), 100, 6), 7 - 24);
    assert_eq!(given(day(0), &both), (600, 6));
}

/// Every 5 h with the phase unknown: four or five begin in a day; runs of 7 h at 60 mL/h go without pause, and the last of
/// four to its end, 22 h after the first.
#[test]
fn with_the_phase_unknown_the_count_is_rounded_down_or_up() {
    let by = |up: bool| Occurrences::Every { step: hours(5), up, weekdays: 0 };
    assert_eq!(given(day(0), &feed(by(false), 100, 0)), (400, 4));
    assert_eq!(given(day(0), &feed(by(true), 100, 0)), (500, 5));
    assert_eq!(given(day(0), &pump(by(false), 60, 7)), (22 * 60, 4));
    assert_eq!(given(day(0), &pump(by(true), 60, 7)), (24 * 60, 5));
    assert_eq!(given(day(0), &pump(by(false), 60, 2)), (480, 4));
    assert_eq!(given(day(0), &times(feed(by(true), 100, 0), 3)), (300, 3));
    assert_eq!(given(day(0), &until(feed(by(true), 100, 0), 17)), (200, 2));
}

/// So many feeds are laid and no more: beyond, the day is unknown, never cut short.
#[test]
fn more_feeds_than_are_laid_leave_the_day_unknown() {
    let most = i64::try_from(MAX_OCCURRENCES).unwrap();
    let fast = |n: i64| {
        let step = Exact::ratio(DAY, n);
        Run {
            dose: Dose::Volume { ml: Exact::ONE, over: Exact::ZERO },
            ..feed(Occurrences::Every { step, up: true, weekdays: 0 }, 1, 0)
        }
    };
    let unknown = |run: Run| {
        let laid = over(day(0), &[exactly(run)]);
        let day = &laid.lines[0];
        [&day.volume, &day.feeds, &day.running].iter().all(|a| **a == Amount::unknown(Why::Range))
    };
    assert_eq!(given(day(0), &fast(most)), (10_000, 10_000));
    assert!(unknown(fast(most + 1)));
    assert_eq!(given(day(0), &from(fast(most - 1), 7)), (9_999, 9_999));
    assert!(unknown(from(fast(most + 1), 7)));
    // Daily feeds of 9,997 days each: as many are under way at any time, and a day of each is 1 mL.
    let long = |days: i64| {
        let dose = Dose::Volume { ml: Exact::int(days), over: Exact::int(days * DAY) };
        Run { dose, ..feed(clock(&[7], 1, 0), 1, 0) }
    };
    assert_eq!(given(day(0), &long(9_997)), (9_997, 1));
    assert!(unknown(long(11_000)));
}

#[test]
fn clock_times_keep_to_start_and_end() {
    let three = || feed(clock(&[7, 12, 18], 1, 0), 100, 0);
    for window in [day(0), Window::civil(&UTC, days_of(jiff::civil::date(2026, 11, 25)), SEVEN)] {
        assert_eq!(given(window, &three()), (300, 3));
        assert_eq!(given(window, &from(three(), 12)), (200, 2));
        assert_eq!(given(window, &until(three(), 18)), (200, 2));
        assert_eq!(given(window, &until(from(three(), 12), 18)), (100, 1));
        assert_eq!(given(window, &until(from(three(), 13), 18)), (0, 0));
        assert_eq!(given(window, &from(three(), 31)), (0, 0));
    }
}

/// A night feed of 80 mL/h from 20:00 for 12 h: its last hour lies in the next day. One of 30 h every second day fills a
/// day and a quarter.
#[test]
fn long_feeds_at_clock_times_are_carried_over() {
    let night = || feed(clock(&[20], 1, 0), 960, 12);
    assert_eq!(given(day(0), &night()), (80 + 880, 1));
    assert_eq!(given(day(0), &from(night(), 7)), (880, 1));
    let long = from(feed(clock(&[7], 2, 0), 300, 30), 7);
    for (n, want) in [(0, (240, 1)), (1, (60, 0)), (2, (240, 1)), (3, (60, 0))] {
        assert_eq!(given(day(n), &long), want, "{n}");
    }
}

/// Runs at clock times: 50 mL/h for 6 h at 08:00 and 12:00 are one pump that runs from 08:00 to 18:00.
#[test]
fn runs_at_clock_times_end_where_the_next_begins() {
    let run = pump(clock(&[8, 12], 1, 0), 50, 6);
    assert_eq!(segments(&over(day(0), &[exactly(run)])), [(1, 5, 200), (5, 11, 300)]);
    let apart = pump(clock(&[8, 14], 1, 0), 50, 6);
    assert_eq!(segments(&over(day(0), &[exactly(apart)])), [(1, 7, 300), (7, 13, 300)]);
    let feeds = feed(clock(&[8, 12], 1, 0), 300, 6);
    assert_eq!(given(day(0), &feeds), (600, 2));
}

/// A count of occurrences (FHIR Timing: `count`) runs from the start, over days.
#[test]
fn a_count_runs_over_days() {
    let feeds = |run: &Run, days: &[i64]| days.iter().map(|d| given(day(*d), run).1).collect::<Vec<_>>();
    let three = |start: i64, count: i64| times(from(feed(clock(&[8, 12, 20], 1, 0), 100, 0), start), count);
    assert_eq!(feeds(&three(7, 4), &[0, 1, 2]), [3, 1, 0]);
    // Of the second day it is the first hour that is still counted.
    assert_eq!(segments(&over(day(1), &[exactly(three(7, 4))])), [(1, 1, 100)]);
    assert_eq!(segments(&over(day(1), &[exactly(three(12, 3))])), [(1, 1, 100)]);
    // The start's own time is the first.
    assert_eq!(feeds(&three(8, 4), &[0, 1, 2]), [3, 1, 0]);
    assert_eq!(feeds(&three(12, 4), &[0, 1, 2]), [2, 2, 0]);
    assert_eq!(feeds(&three(13, 4), &[0, 1, 2]), [1, 3, 0]);
    assert_eq!(feeds(&three(21, 4), &[0, 1, 2]), [0, 3, 1]);
    let second_day = times(from(feed(clock(&[8], 2, 0), 100, 0), 7), 2);
    assert_eq!(feeds(&second_day, &[0, 1, 2, 3, 4]), [1, 0, 1, 0, 0]);
    // Monday, Wednesday, Friday at 08:00 and 20:00, from Wednesday noon and from Thursday noon.
    let weekdays = |start: i64| times(from(feed(clock(&[8, 20], 1, MON | WED | FRI), 100, 0), start), 4);
    assert_eq!(feeds(&weekdays(12), &[0, 1, 2, 3, 4, 5, 6, 7]), [1, 0, 2, 0, 0, 1, 0, 0]);
    assert_eq!(feeds(&weekdays(36), &[0, 1, 2, 3, 4, 5, 6, 7]), [0, 0, 2, 0, 0, 2, 0, 0]);
    // Every third day that is a Wednesday, Saturday or Sunday: 25 and 28 November, 13, 16 and 19 December.
    let both = times(from(feed(clock(&[8], 3, WED | SAT | SUN), 100, 0), 7), 4);
    assert_eq!(feeds(&both, &[0, 3, 4, 7, 18, 21, 24]), [1, 1, 0, 0, 1, 1, 0]);
    // By the hour: the seventh of every 4 h is the first of the next day.
    let by_the_hour = times(from(feed(every(4), 100, 0), 7), 7);
    assert_eq!(feeds(&by_the_hour, &[0, 1, 2]), [6, 1, 0]);
}

#[test]
fn intervals_of_a_civil_day() {
    let civil = Window::civil(&UTC, days_of(jiff::civil::date(2026, 11, 26)), SEVEN);
    let places = |run: Run| {
        let laid = over(civil, &[exactly(run)]);
        laid.segments.iter().map(|s| s.from).collect::<Vec<_>>()
    };
    // Every 6 h from 09:00 the day before: 09:00, 15:00, 21:00, 03:00.
    assert_eq!(places(from(feed(every(6), 100, 0), 9)), [2, 8, 14, 20].map(hours));
    // Every 5 h does not divide the day: 24 h after 07:00 of day 0 it is 1 h to the fifth.
    assert_eq!(places(from(feed(every(5), 100, 0), 7)), [1, 6, 11, 16, 21].map(hours));
    // Seven a day are not whole seconds apart.
    let seventh = Occurrences::Every { step: Exact::ratio(DAY, 7), up: true, weekdays: 0 };
    let want: Vec<_> = (0..7).map(|k| Exact::ratio(k * DAY, 7)).collect();
    assert_eq!(places(from(feed(seventh, 100, 0), 7)), want);
    // Without a start from the day's beginning.
    assert_eq!(places(feed(every(6), 100, 0)), [0, 6, 12, 18].map(hours));
}

/// What an order leaves open can come together in any way: the least and the most are over all of them.
#[test]
fn choices_are_combined() {
    let volume = |low: Run, high: Run| ends(&over(day(0), &[between(low, high)]).lines[0].volume);
    // Two feeds or one, of 100 or 300 mL.
    assert_eq!(volume(feed(clock(&[8, 20], 1, 0), 100, 0), feed(clock(&[8], 1, 0), 300, 0)), (100, 600));
    // Until 19:00 or around the clock, at 60 or 40 mL/h.
    assert_eq!(volume(until(from(rate(60), 7), 19), from(rate(40), 7)), (480, 1_440));
    // Two or four of them, of 300 or 100 mL.
    let four_hourly = |ml: i64, count: i64| times(from(feed(every(4), ml, 0), 7), count);
    assert_eq!(volume(four_hourly(300, 2), four_hourly(100, 4)), (200, 1_200));
    // Every second day, 100 or 200 mL, from today or from tomorrow.
    let second_day = |ml: i64, start: i64| from(feed(clock(&[8], 2, 0), ml, 0), start);
    assert_eq!(volume(second_day(100, 7), second_day(200, 31)), (0, 200));
    // Whether overlapping runs are one pump's: 1200 or 1440 mL from 07:00.
    assert_eq!(volume(from(pump(every(4), 60, 5), 7), from(feed(every(4), 300, 5), 7)), (1_440, 5 * 300 + 240));
}

/// Each of the feeds may last the shorter or the longer time: 240 mL at 06:00 over 2 to 4 h leave 120 to 180 for the
/// next day and give 60 to 120 before it.
#[test]
fn lengths_of_feeds_are_chosen_feed_by_feed() {
    let at = |times: &[i64], over: i64| feed(clock(times, 1, 0), 240, over);
    let laid = over(day(0), &[between(at(&[6], 4), at(&[6], 2))]);
    assert_eq!(ends(&laid.lines[0].volume), (120 + 60, 180 + 120));
    assert_eq!(ends(&laid.lines[0].feeds), (1, 1));
    // Which hour it is, is one choice for all days: at noon nothing is carried over.
    let laid = over(day(0), &[between(at(&[12], 4), at(&[6], 2))]);
    assert_eq!(ends(&laid.lines[0].volume), (180, 300));
    // Of two readings that give the same, the day is drawn with the order's first: here the shorter feed.
    let laid = over(day(0), &[between(at(&[8], 4), at(&[8], 2))]);
    assert_eq!((laid.lines[0].volume.clone(), segments(&laid)), (Amount::Known(Exact::int(240)), vec![(1, 3, 240)]));
    assert_eq!(ends(&laid.lines[0].running), (2 * 3_600, 4 * 3_600));
    // Of two that do not, with the larger.
    let laid = over(day(0), &[between(at(&[8, 20], 2), at(&[8], 2))]);
    assert_eq!(segments(&laid), [(1, 3, 240), (13, 15, 240)]);
}

/// Every 5 to 7 h, for days: in any 24 h at least three and at most five begin (24 ÷ 7 and 24 ÷ 5, rounded down and up).
#[test]
fn intervals_in_a_range_drift_against_the_day() {
    let by = |h: i64, ml: i64, over: i64| from(feed(every(h), ml, over), 7 - 48);
    let laid = over(day(0), &[between(by(7, 100, 0), by(5, 100, 0))]);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((300, 500), (3, 5)));
    // Every one or two days: a day in the middle may be one of those left out.
    let days = |interval: i64| from(feed(clock(&[8], interval, 0), 100, 0), 7);
    let laid = over(day(2), &[between(days(2), days(1))]);
    assert_eq!(ends(&laid.lines[0].feeds), (0, 1));
    // On Wednesdays only there may be none.
    let on_wednesdays = |h: i64| {
        let occurrences = Occurrences::Every { step: hours(h), up: true, weekdays: WED };
        from(feed(occurrences, 100, 0), 7 - 48)
    };
    let laid = over(day(0), &[between(on_wednesdays(7), on_wednesdays(5))]);
    assert_eq!(laid.lines[0].feeds.low(), Some(Exact::ZERO));
    // Runs of 6 h at 60 mL/h: three of them, or the pump without pause; more than 24 h a day it does not run.
    let runs = |h: i64| from(pump(every(h), 60, 6), 7 - 48);
    let laid = over(day(0), &[between(runs(7), runs(5))]);
    let line = &laid.lines[0];
    assert_eq!((ends(&line.volume), ends(&line.feeds)), ((18 * 60, 24 * 60), (3, 5)));
    assert_eq!(ends(&line.running), (18 * 3_600, 24 * 3_600));
    // Runs of 6 h that begin before 17:00 end by 23:00: 16 h of the day at most.
    let ended = |h: i64| until(runs(h), 17);
    let laid = over(day(0), &[between(ended(7), ended(5))]);
    assert_eq!((ends(&laid.lines[0].volume).1, ends(&laid.lines[0].running).1), (16 * 60, 16 * 3_600));
    // No longer than the day do runs of 5 h at the shortest interval go, or of 4.9 h, of which five would be 24.5 h.
    for minutes in [300, 294] {
        let runs = |h: i64| {
            let over = Exact::int(60 * minutes);
            let dose = Dose::Volume { ml: Exact::int(minutes), over };
            Run { dose, ..from(pump(every(h), 60, 1), 7 - 48) }
        };
        let laid = over(day(0), &[between(runs(7), runs(5))]);
        let line = &laid.lines[0];
        assert_eq!((ends(&line.volume).1, ends(&line.feeds), ends(&line.running).1), (1_440, (3, 5), 24 * 3_600));
        assert_eq!(ends(&line.volume).0, 3 * i128::from(minutes));
    }
    // Feeds of 300 mL over 6 h, every 6 to 8 h, that end at 18:00: one just before it, one at 12:00, and what is left after
    // 07:00 of one begun just before 06:00 would be 2 x 300 + 5/6 x 300; begun at 07:00 two days before, every 6 h they
    // come at 07:00 and 13:00.
    let ended = |h: i64| until(from(feed(every(h), 300, 6), 7 - 48), 18);
    let laid = over(day(0), &[between(ended(8), ended(6))]);
    assert_eq!((ends(&laid.lines[0].volume).1, ends(&laid.lines[0].feeds).1), (850, 2));
    // Runs of 2 h: three to five of them, each with its 120 mL.
    let short = |h: i64| from(pump(every(h), 60, 2), 7 - 48);
    let laid = over(day(0), &[between(short(7), short(5))]);
    let line = &laid.lines[0];
    assert_eq!((ends(&line.volume), ends(&line.feeds)), ((360, 600), (3, 5)));
    assert_eq!(ends(&line.running), (6 * 3_600, 10 * 3_600));
    // Two runs of 5 h are two, also where the next would follow at once.
    let two = |h: i64| times(from(pump(every(h), 60, 5), 7), 2);
    let laid = over(day(0), &[between(two(7), two(5))]);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].running)), ((600, 600), (36_000, 36_000)));
    // Begun at 19:00 there are 12 h left for floor(12 ÷ 7) to ceil(12 ÷ 5).
    let late = |h: i64| from(feed(every(h), 100, 0), 19);
    let laid = over(day(0), &[between(late(7), late(5))]);
    assert_eq!(ends(&laid.lines[0].feeds), (1, 3));
    // Until 17:00, ten hours after the day's beginning.
    let early = |h: i64| until(by(h, 100, 0), 17);
    let laid = over(day(0), &[between(early(7), early(5))]);
    assert_eq!(ends(&laid.lines[0].feeds), (1, 2));
    // At most so many.
    let counted = |h: i64, n: i64| times(from(feed(every(h), 100, 0), 7), n);
    let laid = over(day(0), &[between(counted(7, 2), counted(5, 4))]);
    assert_eq!(ends(&laid.lines[0].feeds), (2, 4));
    // 100 mL of a feed over 2 h, or 200 mL of a pump that runs for 4 h, every 8 to 6 h: three of one to four of the other. A
    // pump's run gives no more for running in.
    let laid = over(day(0), &[between(by(8, 100, 2), from(pump(every(6), 50, 4), 7 - 48))]);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((300, 800), (3, 4)));
}

/// So many times a day are that many in any day: three stated times or two spaced ones, from 10:00, are one or two feeds
/// of the first day.
#[test]
fn so_many_times_a_day_do_not_drift() {
    let stated = from(feed(clock(&[8, 9, 10], 1, 0), 100, 0), 10);
    let spaced = from(feed(clock(&[10, 22], 1, 0), 100, 0), 10);
    let laid = over(day(0), &[between(spaced, stated)]);
    assert_eq!(ends(&laid.lines[0].feeds), (1, 2));
    assert_eq!(ends(&laid.lines[0].volume), (100, 200));
}

/// What may also not be given at all: from nothing.
#[test]
fn as_needed_is_from_nothing() {
    let run = || from(feed(every(6), 100, 0), 7);
    let line = Line { low: None, least: Some(run()), ..exactly(run()) };
    let laid = over(day(0), &[line]);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((0, 400), (0, 4)));
    // Without the least named: the same.
    let laid = over(day(0), &[Line { low: None, ..exactly(run()) }]);
    assert_eq!(ends(&laid.lines[0].volume), (0, 400));
    // No upper bound: nothing is known, for the reason that the schedule has.
    let why = vec![Why::Schedule("neither a rate nor a quantity is given".to_owned())];
    let laid = over(day(0), &[Line { low: None, high: None, why: why.clone(), ..exactly(run()) }]);
    assert_eq!(laid.lines[0].volume, Amount::Unknown(why));
    // A further reading beside two that are alike.
    let also = Some(from(feed(every(6), 150, 0), 7));
    let laid = over(day(0), &[Line { also, ..exactly(run()) }]);
    assert_eq!(ends(&laid.lines[0].volume), (400, 600));
}

/// The tolerance of a maximum is the larger of 0.5 % and 1 mL.
/// A feed at bedtime, where nobody says when that is: 80 mL/h for 10 h, laid at 07:00.
fn at_bedtime(run: Run) -> Line {
    Line { named: vec!["HS".to_owned()], untimed: vec![7 * HOUR], ..exactly(run) }
}

#[test]
fn a_feed_at_an_unknown_time_is_a_range_where_the_schedule_begins_or_ends() {
    let night = |weekdays| pump(clock(&[7], 1, weekdays), 80, 10);
    let volume = |n: i64, run: Run| {
        let laid = over(day(n), &[at_bedtime(run)]);
        (ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds), ends(&laid.lines[0].running))
    };
    let (none, one, open) =
        (((0, 0), (0, 0), (0, 0)), ((800, 800), (1, 1), (10 * 3_600, 10 * 3_600)), ((0, 800), (0, 1), (0, 36_000)));
    // Begun with the window: by 07:00 the next day any part of the ten hours may be over. A day later what one end of
    // the day cuts the other gives.
    assert_eq!([0, 1, 2].map(|n| volume(n, from(night(0), 7))), [open, one, one]);
    // Begun ten hours before the window it has run into it, if at all; nine hours before it may not have.
    assert_eq!((volume(0, from(night(0), -3)), volume(0, from(night(0), -2))), (one, open));
    // Without a start it has always been given; before its start it is not.
    assert_eq!((volume(0, night(0)), volume(0, from(night(0), 31))), (one, none));
    // An end in the window leaves it open whether the last begins before; ten hours later nothing runs.
    assert_eq!([0, 1, 2].map(|n| volume(n, until(night(0), 25))), [open, open, none]);
    assert_eq!(volume(1, until(night(0), 21)), none);
    // Given at once, it falls into every 24 h of its schedule, wherever that begins.
    let at_once = |run: Run| Run { dose: Dose::Volume { ml: Exact::int(800), over: Exact::ZERO }, once: false, ..run };
    let (volumes, feeds, _) = volume(0, from(at_once(night(0)), 7));
    assert_eq!((volumes, feeds), ((800, 800), (1, 1)));
    assert_eq!(volume(0, from(at_once(night(0)), 8)).0, (0, 800));
    // On Fridays only: Friday before 07:00 is in the day before; begun at 23:00, it runs to 09:00 in Saturday's.
    assert_eq!([0, 1, 2, 3, 4].map(|n| volume(n, night(FRI))), [none, open, open, open, none]);
    // On a day on which none may begin or run, an end makes nothing of it.
    assert_eq!(volume(4, until(night(FRI), 24 * 4 + 12)), none);
    // Two of a count of two are over on the second day or the third; on the fourth none is left.
    assert_eq!([0, 1, 2].map(|n| volume(n, times(from(night(0), 7), 2))), [open, open, open]);
    assert_eq!(volume(4, times(from(night(0), 7), 2)), none);
    // With one at a known time beside it: 800 mL at 12:00 are certain.
    let beside = over(day(0), &[at_bedtime(from(pump(clock(&[7, 12], 1, 0), 80, 10), 7))]);
    assert_eq!(ends(&beside.lines[0].volume), (800, 1_600));
    // A maximum that it may exceed, cuts; one that it may not, does not.
    let line = || at_bedtime(from(night(0), 7));
    let laid = capped(day(0), &[line()], 500);
    assert_eq!((ends(&laid.lines[0].volume), laid.cap.is_some()), ((0, 800), true));
    assert_eq!(capped(day(0), &[line()], 800).cap, None);
    // Given only once, it is on the first night, the next morning or in part on both.
    assert_eq!(volume(0, times(from(night(0), 7), 1)), open);
    // Every second night, begun four days before: Wednesday's may be over by Thursday, 07:00, or run on into it.
    let second = from(pump(clock(&[7], 2, 0), 80, 10), 7 - 96);
    assert_eq!([0, 1].map(|n| volume(n, second.clone())), [open, open]);
    // 40 mL/h for 36 h, every day: a day has 24 of them, 960 mL.
    let (volumes, _, running) = volume(1, from(pump(clock(&[7], 1, 0), 40, 36), 7));
    assert_eq!((volumes.1, running.1), (960, 24 * 3_600));
}

/// How long a feed takes may differ from day to day. 240 mL over 2 to 4 h at an unknown hour: where that is 05:00, the
/// evening before may have left half of its 240 mL, 120, and today's be over by 07:00. What a pump gives goes with how long
/// it runs: at 80 mL/h for 8 to 10 h no day has more than 800 mL, nor less than 640.
#[test]
fn a_feed_at_an_unknown_time_may_be_longer_on_one_day_than_on_the_next() {
    let volume = |low: Run, high: Run| {
        let line = Line { named: vec!["HS".to_owned()], untimed: vec![7 * HOUR], ..between(low, high) };
        ends(&over(day(0), &[line]).lines[0].volume)
    };
    let fed = |over: i64| feed(clock(&[7], 1, 0), 240, over);
    let (low, high) = volume(fed(4), fed(2));
    assert_eq!(high, 240 + 120);
    // The other way round, 120 mL of a long one are left for the morning after, and yesterday's was short.
    assert!(low <= 120, "{low}");
    let pumped = |over: i64| pump(clock(&[7], 1, 0), 80, over);
    assert_eq!(volume(pumped(8), pumped(10)), (640, 800));
}

/// When something is given is known where clock times, instants or a start say so.
#[test]
fn a_line_has_times_where_they_are_known() {
    let at_ten = || pump(clock(&[22], 1, 0), 80, 10);
    assert!(exactly(at_ten()).has_times() && exactly(rate(60)).has_times());
    assert!(!at_bedtime(at_ten()).has_times());
    // Every 5 h from a start, and from nobody knows when.
    assert!(exactly(from(feed(every(5), 100, 1), 7)).has_times());
    assert!(!exactly(feed(every(5), 100, 1)).has_times());
    assert!(!Line { high: None, ..exactly(at_ten()) }.has_times());
}

#[test]
fn the_steady_day_of_a_feed_at_an_unknown_time_is_exact() {
    // From 07:00, when the feeding day begins: the first day may have any part of it, so the steady day is the next.
    let every_night = at_bedtime(from(pump(clock(&[7], 1, 0), 80, 10), 7));
    let window = steady_window(&UTC, DayKind::Elapsed, SEVEN, std::slice::from_ref(&every_night), instant(7)).unwrap();
    assert_eq!(window, day(1));
    assert_eq!(ends(&steady(&UTC, window, &[every_night], &[false], None).lines[0].volume), (800, 800));
    // On three days of the week, 2,400 mL in seven days, whenever it is.
    let some = at_bedtime(pump(clock(&[7], 1, MON | WED | FRI), 80, 10));
    let volume = steady(&UTC, day(0), &[some], &[false], None).lines[0].volume.clone();
    assert_eq!((ends(&volume), volume.mean()), ((0, 800), Some(Exact::ratio(2_400, 7))));
}

#[test]
fn the_tolerance_of_a_maximum_is_exact() {
    let ml = |n: i64| Exact::decimal(n, 2);
    for (scheduled, cap, beyond) in [
        (100_500, 100_000, false),
        (100_501, 100_000, true),
        (10_100, 10_000, false),
        (10_101, 10_000, true),
        (9_000, 10_000, false),
        (20_100, 20_000, false),
        (20_101, 20_000, true),
    ] {
        assert_eq!(beyond_cap(ml(scheduled), ml(cap)), beyond, "{scheduled} {cap}");
    }
}

fn at_hour(laid: &Laid) -> Exact {
    laid.cap.unwrap().at.div(Exact::int(HOUR)).unwrap()
}

#[test]
fn a_maximum_is_reached_where_all_that_runs_adds_up_to_it() {
    // 40 mL/h from 07:00 and 100 mL at once at 09:00 and 15:00: 80, 180, then 420 at 15:00 before and 520 after.
    let lines = [exactly(from(rate(40), 7)), exactly(from(feed(clock(&[9, 15], 1, 0), 100, 0), 7))];
    for (cap, hour, each) in [
        (60, Exact::ratio(3, 2), [(60, 960), (0, 200)]),
        (150, Exact::int(2), [(80, 960), (70, 200)]),
        (180, Exact::int(2), [(80, 960), (100, 200)]),
        (300, Exact::int(5), [(200, 960), (100, 200)]),
        (420, Exact::int(8), [(320, 960), (100, 200)]),
        (470, Exact::int(8), [(320, 960), (150, 200)]),
        (620, Exact::ratio(21, 2), [(420, 960), (200, 200)]),
    ] {
        let laid = capped(day(0), &lines, cap);
        assert_eq!(at_hour(&laid), hour, "{cap}");
        assert_eq!(laid.cap.unwrap().scheduled, Exact::int(1_160));
        for (line, want) in laid.lines.iter().zip(each) {
            assert_eq!(ends(&line.volume), want, "{cap}");
            assert_eq!(line.volume.why().contains(&Why::CapBelowSchedule), want.0 != want.1, "{cap}");
        }
    }
    // Both at once at one moment: first come, first served, in the order of the entries.
    let pair = [exactly(feed(clock(&[8], 1, 0), 100, 0)), exactly(feed(clock(&[8], 1, 0), 100, 0))];
    let laid = capped(day(0), &pair, 150);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[1].volume)), ((100, 100), (50, 100)));
    assert_eq!(laid.lines[0].feeds, Amount::Known(Exact::ONE));
    assert_eq!(laid.lines[1].feeds, Amount::Known(Exact::ONE));
    let laid = capped(day(0), &pair, 100);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[1].volume)), ((100, 100), (0, 100)));
    assert_eq!(ends(&laid.lines[1].feeds), (0, 1));
    // A pause: 50 mL/h from 07:00 to 11:00 and from 15:00; 200 mL are reached as the first ends.
    let lines = [exactly(until(from(rate(50), 7), 11)), exactly(until(from(rate(50), 15), 19))];
    let laid = capped(day(0), &lines, 200);
    assert_eq!(at_hour(&laid), Exact::int(4));
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[1].volume)), ((200, 200), (0, 200)));
    // What is not under the maximum neither fills it up nor is cut by it.
    let water = [exactly(from(rate(50), 7)), exactly(from(feed(every(6), 100, 0), 7))];
    let laid = lay(&UTC, day(0), &water, &[true, false], Some(Exact::int(600)));
    assert_eq!((at_hour(&laid), ends(&laid.lines[0].volume)), (Exact::int(12), (600, 1_200)));
    assert_eq!(laid.lines[1].volume, Amount::Known(Exact::int(400)));
    assert!(lay(&UTC, day(0), &water, &[true, false], Some(Exact::int(1_200))).cap.is_none());
}

/// A feed that has begun when the maximum is reached has begun, for certain.
#[test]
fn feeds_that_have_begun_count() {
    let two = exactly(feed(clock(&[8, 12], 1, 0), 100, 2));
    let laid = capped(day(0), &[two], 150);
    assert_eq!(at_hour(&laid), Exact::int(6));
    assert_eq!(ends(&laid.lines[0].volume), (150, 200));
    assert_eq!(laid.lines[0].feeds, Amount::Known(Exact::int(2)));
    // One that ran into the day is none of it: 06:00 gives 50, 09:00 100, noon the last 50 by 13:00.
    let three = exactly(feed(clock(&[6, 9, 12], 1, 0), 100, 2));
    let laid = capped(day(0), &[three], 200);
    assert_eq!(at_hour(&laid), Exact::int(6));
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((200, 300), (2, 3)));
    assert!(laid.lines[0].feeds.why().contains(&Why::CapBelowSchedule));
}

/// Where the order leaves a choice, the least is what any reading has given when the most reaches the maximum.
#[test]
fn a_maximum_cuts_the_least_of_a_range_too() {
    let at = |times: &[i64], over: i64| feed(clock(times, 1, 0), 100, over);
    // The most: 07:00, 09:00, 13:00, 19:00 with the last 50 mL. Without 13:00 there are two before 19:00.
    let laid = capped(day(0), &[between(at(&[7, 9, 19], 0), at(&[7, 9, 13, 19], 0))], 350);
    assert_eq!(at_hour(&laid), Exact::int(12));
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((200, 400), (2, 4)));
    // 06:00 runs into the day, with and without 09:00: at 13:00, 200 mL of two begun or 100 mL of one.
    let laid = capped(day(0), &[between(at(&[6, 12], 2), at(&[6, 9, 12], 2))], 200);
    assert_eq!(at_hour(&laid), Exact::int(6));
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((100, 300), (1, 3)));
    // Three early feeds or four over the day: by 19:00 each reading has given the 250 mL.
    let laid = capped(day(0), &[between(at(&[7, 8, 9], 0), at(&[1, 7, 13, 19], 0))], 250);
    assert_eq!(ends(&laid.lines[0].volume), (250, 400));
    assert_eq!(ends(&laid.lines[0].feeds), (3, 4));
    assert!(!laid.lines[0].feeds.why().contains(&Why::CapBelowSchedule));
    // Every 4 to 6 h for days: in the 8 h to the third of the most at least one (8 ÷ 6, rounded down).
    let by = |h: i64| from(feed(every(h), 100, 0), 7 - 72);
    let laid = capped(day(0), &[between(by(6), by(4))], 250);
    assert_eq!(at_hour(&laid), Exact::int(8));
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((100, 600), (1, 6)));
    // As needed: nothing may have been given.
    let run = || from(feed(every(6), 100, 0), 7);
    let laid = capped(day(0), &[Line { low: None, least: Some(run()), ..exactly(run()) }], 250);
    assert_eq!((ends(&laid.lines[0].volume), ends(&laid.lines[0].feeds)), ((0, 400), (0, 4)));
}

/// Volumes whose sum leaves exact arithmetic: eight feeds of 100 mL and a little are more than 799 mL, when the maximum is
/// reached is not known, and each has given from nothing to all of it.
#[test]
fn a_maximum_beyond_exact_arithmetic_leaves_everything_open() {
    let primes = [1_000_003, 1_000_033, 1_000_037, 1_000_039, 1_000_081, 1_000_099, 1_000_117, 1_000_121];
    let lines: Vec<Line> = primes
        .iter()
        .map(|p| {
            let ml = Exact::int(100).add(Exact::ratio(1, *p)).unwrap();
            exactly(Run { dose: Dose::Volume { ml, over: Exact::ZERO }, ..feed(clock(&[8], 1, 0), 1, 0) })
        })
        .collect();
    let laid = capped(day(0), &lines, 799);
    let reached = laid.cap.unwrap();
    assert_eq!((reached.scheduled, reached.at), (Exact::int(800), Exact::int(DAY)));
    for line in &laid.lines {
        assert_eq!((line.volume.low(), line.feeds.low()), (Some(Exact::ZERO), Some(Exact::ZERO)));
        assert!(line.volume.high() > Some(Exact::int(100)) && line.feeds.high() == Some(Exact::ONE));
        assert!(line.volume.why().contains(&Why::CapBelowSchedule) && line.volume.why().contains(&Why::Range));
    }
    let laid = capped(day(0), &lines, 800);
    assert!(laid.cap.is_none() && laid.lines[0].volume.known() > Some(Exact::int(100)), "{laid:?}");
}

/// After how many days a schedule repeats itself with the clock.
#[test]
fn schedules_repeat_after_whole_days() {
    let hour = |h: i64| exactly(from(feed(every(h), 100, 0), 7));
    let at = |interval: i64, weekdays: u8| exactly(from(feed(clock(&[8], interval, weekdays), 100, 0), 7));
    for (lines, days) in [
        (vec![], Some(1)),
        (vec![exactly(rate(60))], Some(1)),
        (vec![hour(4)], Some(1)),
        (vec![hour(5)], Some(5)),
        (vec![hour(36)], Some(3)),
        (vec![exactly(feed(every(5), 100, 0))], Some(1)),
        (vec![at(1, 0)], Some(1)),
        (vec![at(2, 0)], Some(2)),
        (vec![at(1, WED)], Some(7)),
        (vec![at(2, WED)], Some(14)),
        (vec![hour(5), at(2, 0)], Some(10)),
        (vec![at(4, 0), at(6, 0)], Some(12)),
        (vec![at(8, 0), at(15, 0)], Some(MAX_CYCLE)),
        (vec![at(121, 0)], None),
        (vec![at(11, 0), at(13, 0)], None),
        // What is given as needed has no least of every day, and a least of the days on which it is given.
        (vec![Line { low: None, least: Some(from(feed(clock(&[8], 6, 0), 100, 0), 7)), ..hour(36) }], Some(6)),
    ] {
        assert_eq!(cycle_days(&lines), days, "{lines:?}");
    }
}

#[test]
fn the_steady_day_spans_its_cycle() {
    let at = |interval: i64, ml: i64| exactly(from(feed(clock(&[8], interval, 0), ml, 0), 7));
    let over_cycle = |lines: &[Line], capped: &[bool], cap: Option<i64>| {
        steady(&UTC, day(0), lines, capped, cap.map(Exact::int)).lines
    };
    let told = |a: &Amount| (a.low(), a.high(), a.mean());
    let spread = |ml: i64, days: i64| (Some(Exact::ZERO), Some(Exact::int(ml)), Some(Exact::ratio(ml, days)));
    // Every 5 h: five feeds on four of five days, four on one; 24 in five days.
    let by_five = [exactly(from(feed(every(5), 100, 0), 7))];
    assert_eq!(
        told(&over_cycle(&by_five, &[false], None)[0].feeds),
        (Some(Exact::int(4)), Some(Exact::int(5)), Some(Exact::ratio(24, 5)))
    );
    let lines = over_cycle(&[at(2, 100), at(1, 50)], &[false; 2], None);
    assert_eq!(told(&lines[0].volume), spread(100, 2));
    assert_eq!(lines[1].volume, Amount::Known(Exact::int(50)));
    // 11 and 13 days together are 143, too many: each over its own.
    let three = [at(1, 50), at(11, 100), at(13, 100)];
    for (capped, cap) in [([false; 3], None), ([false; 3], Some(100)), ([true; 3], None)] {
        let lines = over_cycle(&three, &capped, cap);
        assert_eq!(lines[0].volume, Amount::Known(Exact::int(50)));
        assert_eq!((told(&lines[1].volume), told(&lines[2].volume)), (spread(100, 11), spread(100, 13)));
    }
    // Under one maximum they depend on one another, the daily one as well.
    for line in over_cycle(&three, &[true; 3], Some(120)) {
        for a in [&line.volume, &line.feeds, &line.running] {
            assert!(matches!(a, Amount::Unknown(why) if matches!(&why[..], [Why::Schedule(_)])), "{a:?}");
        }
    }
    // A cycle of its own that is too long.
    let lines = over_cycle(&[at(1, 50), at(121, 100)], &[false; 2], None);
    assert_eq!(lines[0].volume, Amount::Known(Exact::int(50)));
    assert!(matches!(lines[1].volume, Amount::Unknown(_)));
    // On a day of the cycle the maximum is reached; that is said of the steady day.
    let laid = steady(&UTC, day(1), &[at(2, 100)], &[true], Some(Exact::int(50)));
    assert_eq!(laid.cap.map(|c| (c.cap, c.scheduled)), Some((Exact::int(50), Exact::int(100))));
}

#[test]
fn the_steady_window_begins_with_a_feeding_day() {
    let found = |lines: &[Line], order_start: i64| {
        steady_window(&UTC, DayKind::Elapsed, SEVEN, lines, instant(order_start)).map(|w| (w.start, w.length))
    };
    let whole = |hour: i64| Ok((instant(hour), hours(24)));
    // At the hour itself, and after it.
    assert_eq!(found(&[exactly(from(rate(60), 7))], 7), whole(7));
    assert_eq!(found(&[exactly(from(rate(60), 8))], 8), whole(31));
    assert_eq!(found(&[exactly(from(rate(60), 8)), exactly(from(rate(60), 40))], 8), whole(55));
    assert_eq!(found(&[], 10), whole(31));
    // Ends with the feeding day, inside it, before it.
    assert_eq!(found(&[exactly(until(from(rate(60), 10), 55))], 10), whole(31));
    assert_eq!(found(&[exactly(until(from(rate(60), 10), 34))], 10), whole(10));
    let none = |lines: &[Line]| matches!(found(lines, 10), Err(Why::NoSuchDay(_)));
    assert_eq!(found(&[exactly(until(from(rate(60), 10), 54))], 10), whole(10));
    assert!(none(&[exactly(until(from(rate(60), 10), 33))]));
    // Over by the time the feeding day begins: no day is whole.
    assert!(none(&[exactly(until(from(rate(60), 10), 31))]));
    // One is over, the other goes on: the feeding day.
    assert_eq!(found(&[exactly(until(from(rate(60), 10), 31)), exactly(from(rate(20), 10))], 10), whole(31));
    // Counted and listed feeds have no steady day.
    assert!(none(&[exactly(times(from(feed(every(4), 100, 0), 10), 3))]));
    assert!(none(&[exactly(feed(Occurrences::Listed(vec![instant(12)]), 100, 0))]));
    assert!(none(&[exactly(from(rate(60), 10)), exactly(times(from(feed(every(4), 100, 0), 10), 3))]));
}

/// A night feed that runs across the feeding-day hour is missing in the first window; the steady day is the one after.
/// The feed is for one night, 20:00 to 06:00; its flush has no end. A day of water alone is not the steady day.
#[test]
fn flushes_after_the_feed_make_no_steady_day() {
    let one_night = || exactly(until(from(rate(120), 20), 30));
    let flush = || Line { administration: None, ..exactly(feed(every(4), 50, 0)) };
    let none = |lines: &[Line]| steady_window(&UTC, DayKind::Elapsed, SEVEN, lines, instant(20)).is_err();
    assert!(none(&[one_night()]) && none(&[one_night(), flush()]));
    // A feed that goes on has one, and so have flushes without any feed.
    assert!(!none(&[one_night(), exactly(from(rate(60), 30)), flush()]));
    assert!(!none(&[flush()]));
}

#[test]
fn the_steady_window_has_the_night_feed_of_the_evening_before() {
    let night = || from(feed(clock(&[20], 1, 0), 960, 12), 6);
    let window = |run: Run| steady_window(&UTC, DayKind::Elapsed, SEVEN, &[exactly(run)], instant(6)).unwrap();
    let moved = window(night());
    assert_eq!(moved.start, instant(31));
    assert_eq!(given(moved, &night()), (960, 1));
    assert_eq!(given(day(0), &night()), (880, 1));
    // It still lasts through the day with which it is compared, or no longer.
    assert_eq!(window(until(night(), 24 * 3 + 7)).start, instant(31));
    assert_eq!(window(until(night(), 24 * 3 + 6)).start, instant(7));
    // A feed of 60 h every third day: three days later everything runs as it always does.
    let long = from(feed(clock(&[20], 3, 0), 600, 60), 6);
    let moved = steady_window(&UTC, DayKind::Elapsed, SEVEN, &[exactly(long.clone())], instant(6)).unwrap();
    for n in 0..3 {
        let (a, b) = (moved.later(n).unwrap(), moved.later(n + 3).unwrap());
        assert_eq!(given(a, &long), given(b, &long), "{n}");
    }
    // One that fits into a feeding day does not move it; on request the day is the calendar's.
    assert_eq!(window(from(feed(clock(&[20], 1, 0), 880, 11), 6)).start, instant(7));
    let civil = steady_window(&UTC, DayKind::Civil, SEVEN, &[exactly(from(rate(60), 7))], instant(7)).unwrap();
    assert!(civil.civil && civil.start == instant(7));
}

/// A sequence of numbers that only looks random, so that a failure comes again.
struct Draw(u64);

impl Draw {
    fn from(&mut self, low: i64, high: i64) -> i64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        low + i64::try_from(self.0 >> 33).unwrap() % (high - low + 1)
    }
}

/// Fails where a day lies outside what is said of it.
fn lies_within(name: &str, said: &Amount, is: &Amount, of: &dyn std::fmt::Debug) {
    let (low, high) = (said.low().unwrap(), said.high().unwrap());
    let is = is.known().unwrap();
    assert!(low <= is && is <= high, "{name} {is:?}, said {low:?} to {high:?}: {of:?}");
}

/// Of a range of intervals any may be meant: what each gives by itself lies within what is said of the range, wherever
/// the schedule began and ends.
#[test]
fn a_day_by_any_interval_of_a_range_lies_within_what_is_said_of_the_range() {
    let mut draw = Draw(20_261_126);
    let minutes = |n: i64| Exact::int(60 * n);
    let mut carried = 0;
    for case in 0..4_000 {
        let shortest = draw.from(60, 720);
        let longest = shortest + draw.from(15, 480);
        let once = draw.from(0, 1) == 1;
        // Feeds do not overlap; runs of a pump may. How long one takes may be a range as well.
        let most = if once { 2 * longest } else { shortest };
        let lasts = (draw.from(1, most), draw.from(1, most));
        let lasts = if draw.from(0, 1) == 1 { lasts } else { (lasts.0, lasts.0) };
        let ml = draw.from(20, 400);
        let dose = |minutes: i64| {
            let ml = if once { Exact::ratio(ml * minutes, 60) } else { Exact::int(ml) };
            Dose::Volume { ml, over: Exact::int(60 * minutes) }
        };
        // A feed's volume is the same however long it takes; a pump gives less in a shorter run.
        let (low, high) = if once { (lasts.0.min(lasts.1), lasts.0.max(lasts.1)) } else { lasts };
        let begins = instant(7).add(minutes(draw.from(-12_000, 1_500))).unwrap();
        let stops = draw.from(0, 2) > 0;
        let end = stops.then(|| instant(7).add(minutes(draw.from(-600, 1_800))).unwrap()).filter(|e| *e > begins);
        let count = (draw.from(0, 3) == 0).then(|| draw.from(1, 40));
        let by = |step: Exact, takes: i64| Run {
            occurrences: Occurrences::Every { step, up: true, weekdays: 0 },
            dose: dose(takes),
            start: Some(begins),
            end,
            count,
            once,
        };
        let said = over(day(0), &[between(by(minutes(longest), low), by(minutes(shortest), high))]);
        let said = &said.lines[0];
        for part in 0..=24 {
            let step = minutes(shortest).add(Exact::ratio(60 * (longest - shortest) * part, 24)).unwrap();
            let takes = [low, high, (low + high) / 2][draw.from(0, 2) as usize];
            let one = over(day(0), &[exactly(by(step, takes))]);
            carried += usize::from(one.segments.iter().any(|s| !s.begins) && end.is_some());
            // Of feeds, not of runs of a pump, what runs in may have taken longer than what begins here.
            let others = over(day(0), &[exactly(by(step, if takes == low { high } else { low }))]);
            let part = |of: &Laid, begins: bool| {
                let of = of.segments.iter().filter(|s| s.begins == begins);
                of.map(|s| s.volume).fold(Exact::ZERO, |sum, x| sum.add(x).unwrap())
            };
            let mixed = part(&one, true).add(part(&others, false)).unwrap();
            let mixed = Amount::Known(if once { said.volume.low().unwrap() } else { mixed });
            let (one, of) = (&one.lines[0], (case, by(step, takes)));
            lies_within("volume", &said.volume, &one.volume, &of);
            lies_within("volume of two lengths", &said.volume, &mixed, &of);
            lies_within("feeds", &said.feeds, &one.feeds, &of);
            lies_within("running", &said.running, &one.running, &of);
        }
    }
    assert!(carried > 10_000, "{carried} days into which something ran");
}

/// The same where a day with feeds comes every so many days: every number of days between may be meant, and all feeds of
/// such a day fall into one window.
#[test]
fn days_with_feeds_that_come_every_so_many_days_are_within_what_is_said_of_the_range() {
    let mut draw = Draw(20_261_127);
    let minutes = |n: i64| Exact::int(60 * n);
    let (mut only_between, mut carried) = (0, 0);
    for case in 0..4_000 {
        let shortest = draw.from(1, 4);
        let longest = shortest + draw.from(1, 4);
        let mut times: Vec<i64> = (0..draw.from(1, 4)).map(|_| 900 * draw.from(0, 95)).collect();
        times.sort_unstable();
        times.dedup();
        let once = draw.from(0, 1) == 1;
        let lasts = draw.from(1, 1_800);
        let ml = draw.from(20, 400);
        let ml = if once { Exact::ratio(ml * lasts, 60) } else { Exact::int(ml) };
        let begins = instant(0).add(minutes(15 * draw.from(-1_500, 100))).unwrap();
        let end = (draw.from(0, 2) > 0).then(|| instant(7).add(minutes(draw.from(-600, 1_800))).unwrap());
        let end = end.filter(|e| *e > begins);
        let count = (draw.from(0, 3) == 0).then(|| draw.from(1, 12));
        let by = |days: i64| Run {
            occurrences: Occurrences::Clock { interval: days, times: times.clone(), weekdays: 0 },
            dose: Dose::Volume { ml, over: minutes(lasts) },
            start: Some(begins),
            end,
            count,
            once,
        };
        let said = over(day(0), &[between(by(longest), by(shortest))]);
        let said = &said.lines[0];
        let alone: Vec<Laid> = (shortest..=longest).map(|days| over(day(0), &[exactly(by(days))])).collect();
        let feeds = |laid: &Laid| laid.lines[0].feeds.known().unwrap();
        let ends_give = feeds(&alone[0]).max(feeds(&alone[alone.len() - 1]));
        only_between += usize::from(alone.iter().any(|one| feeds(one) > ends_give));
        for (days, one) in (shortest..).zip(&alone) {
            carried += usize::from(one.segments.iter().any(|s| !s.begins) && end.is_some());
            let (one, of) = (&one.lines[0], (case, by(days)));
            lies_within("volume", &said.volume, &one.volume, &of);
            lies_within("feeds", &said.feeds, &one.feeds, &of);
            lies_within("running", &said.running, &one.running, &of);
        }
    }
    assert!(only_between > 200 && carried > 1_000, "{only_between} and {carried}");
}

/// Where a stated volume and rate × time disagree and the pump outlasts its interval, each of the two by any interval lies
/// within what is said of the range.
#[test]
fn either_of_two_amounts_by_any_interval_lies_within_what_is_said_of_the_range() {
    let mut draw = Draw(20_261_128);
    let minutes = |n: i64| Exact::int(60 * n);
    let mut further = 0;
    for case in 0..2_000 {
        let shortest = draw.from(60, 480);
        let longest = shortest + draw.from(15, 300);
        // 1 mL a minute: the volume takes as many minutes, no fewer than the shortest interval; the pump runs for longer.
        let ml = shortest + draw.from(0, 240);
        let lasts = ml + draw.from(2, 600);
        let begins = instant(7).add(minutes(draw.from(-6_000, 1_200))).unwrap();
        let end = (draw.from(0, 2) > 0).then(|| instant(7).add(minutes(draw.from(-300, 1_500))).unwrap());
        let end = end.filter(|e| *e > begins);
        let count = (draw.from(0, 3) == 0).then(|| draw.from(1, 40));
        let by = |step: Exact, takes: i64, once: bool| Run {
            occurrences: Occurrences::Every { step, up: true, weekdays: 0 },
            dose: Dose::Volume { ml: Exact::int(takes), over: minutes(takes) },
            start: Some(begins),
            end,
            count,
            once,
        };
        let (low, high) = (by(minutes(longest), ml, ml > shortest), by(minutes(shortest), ml, false));
        let both = over(day(0), &[between(low.clone(), high.clone())]);
        let said = over(day(0), &[Line { also: Some(by(minutes(shortest), lasts, true)), ..between(low, high) }]);
        further += usize::from(said.lines[0].volume.high() > both.lines[0].volume.high());
        for part in 0..=24 {
            let step = minutes(shortest).add(Exact::ratio(60 * (longest - shortest) * part, 24)).unwrap();
            for run in [by(step, ml, false), by(step, ml, true), by(step, lasts, true)] {
                let one = over(day(0), &[exactly(run.clone())]);
                lies_within("volume", &said.lines[0].volume, &one.lines[0].volume, &(case, &run));
                lies_within("feeds", &said.lines[0].feeds, &one.lines[0].feeds, &(case, &run));
                lies_within("running", &said.lines[0].running, &one.lines[0].running, &(case, &run));
            }
        }
    }
    assert!(further > 100, "{further}");
}
