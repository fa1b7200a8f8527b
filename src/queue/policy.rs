//! Which lanes are asked to decide, when an item is closed, how long somebody may hold one and how soon they should look.

use super::Lane;
use super::report::{Found, Report};
use super::urgency::Times;
use crate::findings::{Disposition, Tier};
use jiff::SignedDuration;
use std::collections::BTreeSet;

/// When an item is closed.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Closing {
    /// When every lane that was asked has decided.
    #[default]
    EveryLaneAsked,
    /// When the first lane has decided.
    FirstDecision,
    /// When both lanes have decided; both are always asked.
    BothLanes,
}

impl Closing {
    /// Each with its word in the settings.
    pub const ALL: [(Self, &'static str); 3] = [
        (Self::EveryLaneAsked, "every-lane-asked"),
        (Self::FirstDecision, "first-decision"),
        (Self::BothLanes, "both-lanes"),
    ];
}

/// The institution's choices about the queue.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Policy {
    /// When an item is closed.
    pub closing: Closing,
    /// How long somebody holds an item that they took; after that anybody of the lane may take it.
    pub hold: SignedDuration,
    /// Longest time for which an item may be put off.
    pub longest_snooze: SignedDuration,
    /// How soon somebody should look.
    pub times: Times,
}

impl Default for Policy {
    fn default() -> Self {
        Self {
            closing: Closing::default(),
            hold: SignedDuration::from_mins(30),
            longest_snooze: SignedDuration::from_hours(24),
            times: Times::default(),
        }
    }
}

impl Policy {
    /// The lanes that are asked about an order: those whose profession a finding is for; pharmacists for everything
    /// else, because they verify orders.
    pub fn asks(&self, report: &Report) -> BTreeSet<Lane> {
        if self.closing == Closing::BothLanes {
            return BTreeSet::from(Lane::ALL);
        }
        let mut asked: BTreeSet<Lane> = report
            .findings
            .iter()
            .flat_map(|finding| finding.audience.iter().filter_map(|who| Lane::of(who)))
            .collect();
        let unheard =
            |finding: &Found| finding.tier > Tier::Low && !finding.audience.iter().any(|who| Lane::of(who).is_some());
        if asked.is_empty()
            || report.findings.iter().any(unheard)
            || report.disposition == Disposition::NotFullyChecked
            || !report.not_evaluated.is_empty()
        {
            asked.insert(Lane::Pharmacist);
        }
        asked
    }
}
