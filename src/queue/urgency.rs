//! What comes first, and why, in words. The order of the queue is fixed when an item is judged, so that a page of it
//! can be continued: first the grade of what was found, then the time by which somebody should have looked.

use super::Lane;
use super::item::Summary;
use super::work::LaneState;
use crate::findings::{Disposition, Tier};
use jiff::{SignedDuration, Timestamp};

/// How grave an item is for the order of the queue; greater comes first. What is not fully checked never stands
/// behind a finding that is likely sub-optimal: nobody knows what it hides.
pub fn grade(tier: Option<Tier>, disposition: Disposition, not_evaluated: bool) -> u8 {
    let unknown = not_evaluated || disposition == Disposition::NotFullyChecked;
    match tier {
        Some(Tier::Stop) => 4,
        Some(Tier::High) => 3,
        _ if unknown => 2,
        Some(Tier::Med) => 1,
        Some(Tier::Low) | None => 0,
    }
}

/// A feed that began longer than this before its order was received was looked after without it: an old order that is
/// sent again, and no emergency. Common practice, no source.
pub const LONG: SignedDuration = SignedDuration::from_hours(24);

/// How soon somebody should look at an item. The defaults are common practice, no source: they sort the list and are no
/// recommendation of how fast to act.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Times {
    /// After receipt, by grade, where it does not start before.
    within: [SignedDuration; 5],
    /// Before the feed starts.
    before_start: SignedDuration,
}

impl Times {
    /// In minutes, by grade from 0 to 4, and before the feed starts.
    pub fn minutes(within: [u16; 5], before_start: u16) -> Self {
        let time = |minutes: u16| SignedDuration::from_mins(minutes.into());
        Self { within: within.map(time), before_start: time(before_start) }
    }

    /// After receipt.
    pub fn within(&self, grade: u8) -> SignedDuration {
        let [rest, medium, unknown, high, stop] = self.within;
        match grade {
            4.. => stop,
            3 => high,
            2 => unknown,
            1 => medium,
            0 => rest,
        }
    }

    /// By when somebody should have looked: before the start of the feed, or when the time after receipt is over,
    /// whichever is first, and not before it was received. A feed that runs already is due at receipt; one that ran for
    /// more than [`LONG`] by then is an order sent again and waits its time.
    pub fn due(&self, grade: u8, received: Timestamp, starts: Option<Timestamp>) -> Timestamp {
        let waited = self.waited(grade, received);
        match starts {
            Some(start) if received.duration_since(start) <= LONG => {
                start.checked_sub(self.before_start).unwrap_or(start).max(received).min(waited)
            }
            Some(_) | None => waited,
        }
    }

    fn waited(&self, grade: u8, received: Timestamp) -> Timestamp {
        received.checked_add(self.within(grade)).unwrap_or(received)
    }
}

impl Default for Times {
    fn default() -> Self {
        Self::minutes([480, 120, 60, 30, 15], 0)
    }
}

/// A text that sorts as the queue does, the most urgent first.
pub fn sort_key(grade: u8, due: Timestamp) -> String {
    // Milliseconds since the year -9999 are never negative.
    let due = due.as_millisecond().saturating_add(400_000_000_000_000).max(0);
    format!("{}{due:020}", 9u8.saturating_sub(grade))
}

/// Why an item stands where it stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Urgency {
    /// 0 to 4.
    pub grade: u8,
    /// By when somebody should have looked.
    pub due: Timestamp,
    /// That time is over and no lane has decided; of what was due when it was received, the time after receipt.
    pub overdue: bool,
    /// Until when it is put off; it is not late before that.
    pub put_off: Option<Timestamp>,
    /// The reasons, the weightiest first.
    pub reasons: Vec<String>,
}

/// The urgency of an item now, for whoever works in these lanes.
pub fn urgency(item: &Summary, lanes: &[Lane], times: &Times, now: Timestamp) -> Urgency {
    let grade = item.grade();
    let due = times.due(grade, item.received, item.starts);
    let mut reasons = Vec::new();
    if let Some(tier) = item.tier {
        reasons.push(format!("finding of tier {}", tier.code()));
    }
    match item.not_evaluated {
        0 if item.disposition == Disposition::NotFullyChecked => reasons.push("not fully checked".to_owned()),
        0 => {}
        1 => reasons.push("not fully checked: 1 rule".to_owned()),
        n => reasons.push(format!("not fully checked: {n} rules")),
    }
    let waited = length(now.duration_since(item.received));
    let by_receipt = format!("waiting {waited} (look within {})", length(times.within(grade)));
    let before = times.before_start;
    match item.starts {
        // The start decides.
        Some(start) if start > item.received && due < times.waited(grade, item.received) => {
            let early = if before.is_zero() { String::new() } else { format!(" {}", length(before)) };
            reasons.push(if start > now {
                format!("look{early} before it starts, in {}", length(start.duration_since(now)))
            } else {
                format!("started {} ago; to be looked at{early} before", length(now.duration_since(start)))
            });
            reasons.push(format!("waiting {waited}"));
        }
        Some(start) if start > now => {
            reasons.push(format!("starts in {}", length(start.duration_since(now))));
            reasons.push(by_receipt);
        }
        Some(start) if start > item.received => {
            reasons.push(format!("started {} ago", length(now.duration_since(start))));
            reasons.push(by_receipt);
        }
        Some(start) => {
            let ran = item.received.duration_since(start);
            let ago = length(now.duration_since(start));
            reasons.push(if ran <= LONG {
                format!("runs already, since {ago}: look now")
            } else {
                format!("began {ago} ago, long before the order was received")
            });
            reasons.push(by_receipt);
        }
        None => reasons.push(by_receipt),
    }
    // What runs when it arrives is due at once, and late when its time after receipt is over.
    let ran = item.starts.is_some_and(|start| start <= item.received);
    let late = if ran { times.waited(grade, item.received) } else { due };
    let asked = lanes.iter().filter_map(|lane| match &item.lane(*lane).state {
        LaneState::Asked { at, .. } if item.is_open() => Some(*at),
        _ => None,
    });
    if let Some(asked) = asked.min() {
        reasons.push(format!("waiting for the prescriber's answer {}", length(now.duration_since(asked))));
    }
    let put_off = item.put_off(lanes, now);
    Urgency { grade, due, overdue: now > late && item.is_open() && put_off.is_none(), put_off, reasons }
}

/// A length of time in two units at most: `2 d 3 h`, `1 h 5 min`, `12 min`.
pub fn length(time: SignedDuration) -> String {
    let minutes = time.as_mins().max(0);
    let (days, hours, minutes) = (minutes / 1440, minutes / 60 % 24, minutes % 60);
    match (days, hours, minutes) {
        (0, 0, m) => format!("{m} min"),
        (0, h, 0) => format!("{h} h"),
        (0, h, m) => format!("{h} h {m} min"),
        (d, 0, _) => format!("{d} d"),
        (d, h, _) => format!("{d} d {h} h"),
    }
}
