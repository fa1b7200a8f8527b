//! What is counted per rule, for the people who look after the rulebook. Nothing of a person, an order or a day's hour.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// What happened to a finding of a rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fate {
    /// An item with a finding of the rule was recorded.
    Fired,
    /// A rule could not be evaluated for an item.
    NotEvaluated,
    /// A lane accepted the order as it is; with the code of the reason.
    Accepted,
    /// A lane closed the item because the order was changed.
    Changed,
    /// The prescriber took the card's advice.
    CardAccepted,
    /// The prescriber went on all the same; with the code of the reason.
    CardOverridden,
    /// Somebody of a lane judged the finding useful.
    Useful,
    /// Somebody of a lane judged it not useful.
    NotUseful,
}

impl Fate {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Fired,
        Self::NotEvaluated,
        Self::Accepted,
        Self::Changed,
        Self::CardAccepted,
        Self::CardOverridden,
        Self::Useful,
        Self::NotUseful,
    ];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Fired => "fired",
            Self::NotEvaluated => "not-evaluated",
            Self::Accepted => "accepted",
            Self::Changed => "changed",
            Self::CardAccepted => "card-accepted",
            Self::CardOverridden => "card-overridden",
            Self::Useful => "useful",
            Self::NotUseful => "not-useful",
        }
    }

    /// The fate of that word.
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|fate| fate.word() == word)
    }
}

/// One thing to count.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Count {
    /// The rule.
    pub rule: String,
    /// What happened.
    pub fate: Fate,
    /// The code of a reason, or nothing.
    pub reason: String,
    /// How much is added; a vote that was changed takes the old one back.
    pub n: i64,
}

impl Count {
    /// One more.
    pub fn one(rule: &str, fate: Fate, reason: &str) -> Self {
        Self { rule: rule.to_owned(), fate, reason: reason.to_owned(), n: 1 }
    }
}

/// Days without a finding after which a rule is called silent: common practice, no source.
pub const SILENT: i32 = 90;

/// When rules last found something.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct LastFound {
    /// The first day on which anything was counted.
    pub since: Option<Date>,
    /// The last day of each rule that ever found something.
    pub of: BTreeMap<String, Date>,
}

impl LastFound {
    /// For how many days a rule has found nothing, where these are many. A rule that never did is silent since counting
    /// began.
    pub fn silent(&self, rule: &str, today: Date) -> Option<i32> {
        let last = self.of.get(rule).copied().or(self.since)?;
        let days = last.until(today).ok()?.get_days();
        (days >= SILENT).then_some(days)
    }
}

/// What is known of a rule over some days.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize)]
#[serde(rename_all = "camelCase")]
pub struct RuleStatistics {
    /// The rule.
    pub rule: String,
    /// Items with a finding of it.
    pub fired: i64,
    /// Items for which it could not be evaluated.
    pub not_evaluated: i64,
    /// Decisions of a lane to leave the order as it is, by the code of the reason.
    pub accepted: BTreeMap<String, i64>,
    /// Decisions of a lane that the order was changed.
    pub changed: i64,
    /// Cards whose advice was taken.
    pub card_accepted: i64,
    /// Cards that were passed over, by the code of the reason; empty where none was given.
    pub card_overridden: BTreeMap<String, i64>,
    /// Judged useful.
    pub useful: i64,
    /// Judged not useful.
    pub not_useful: i64,
}

impl RuleStatistics {
    /// Adds what was counted.
    pub fn add(&mut self, fate: Fate, reason: &str, n: i64) {
        match fate {
            Fate::Fired => self.fired += n,
            Fate::NotEvaluated => self.not_evaluated += n,
            Fate::Accepted => *self.accepted.entry(reason.to_owned()).or_default() += n,
            Fate::Changed => self.changed += n,
            Fate::CardAccepted => self.card_accepted += n,
            Fate::CardOverridden => *self.card_overridden.entry(reason.to_owned()).or_default() += n,
            Fate::Useful => self.useful += n,
            Fate::NotUseful => self.not_useful += n,
        }
    }
}
