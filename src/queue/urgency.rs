//! What comes first, and why, in words. The order of the queue is fixed when an item is judged, so that a page of it
//! can be continued: first the grade of what was found, then the time by which somebody should have looked.

use super::item::Summary;
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

/// Time after receipt within which an item of a grade should be looked at, where it does not start before. Common
/// practice, no source: it sorts the list and is no recommendation of how fast to act.
pub fn allowance(grade: u8) -> SignedDuration {
    SignedDuration::from_mins(match grade {
        4.. => 15,
        3 => 30,
        2 => 60,
        1 => 120,
        0 => 480,
    })
}

/// By when somebody should have looked: at the start of the feed, or when the allowance is over, whichever is first.
pub fn due(grade: u8, received: Timestamp, starts: Option<Timestamp>) -> Timestamp {
    let waited = received.checked_add(allowance(grade)).unwrap_or(received);
    starts.filter(|start| *start >= received).map_or(waited, |start| start.min(waited))
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
    /// That time is over and no lane has decided.
    pub overdue: bool,
    /// The reasons, the weightiest first.
    pub reasons: Vec<String>,
}

/// The urgency of an item now.
pub fn urgency(item: &Summary, now: Timestamp) -> Urgency {
    let grade = item.grade();
    let due = due(grade, item.received, item.starts);
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
    if let Some(start) = item.starts {
        reasons.push(if start > now {
            format!("starts in {}", length(start.duration_since(now)))
        } else {
            format!("started {} ago", length(now.duration_since(start)))
        });
    }
    reasons.push(format!("waiting {}", length(now.duration_since(item.received))));
    Urgency { grade, due, overdue: now > due && item.is_open(), reasons }
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
