//! What people do with an item: the actions, who may do what, and what stands in the way.
//!
//! The lanes are independent: what happens in one is no conflict for the other. An action names the version of the item
//! that its doer saw. It is a conflict when the item was judged again, replaced, or changed in the same lane since.

use super::item::{ItemId, Standing, Summary};
use super::policy::{Closing, Policy};
use super::trail::Event;
use super::{Lane, Person, Role};
use crate::hooks::card::OVERRIDE_REASONS;
use jiff::{SignedDuration, Timestamp};
use serde::{Deserialize, Serialize};
use std::borrow::Cow;
use thiserror::Error;

/// Most characters of what somebody writes.
pub const LONGEST_TEXT: usize = 4000;

/// Reasons for leaving an order as it is: code and words.
pub const ACCEPT_REASONS: [(&str, &str); 5] = [
    ("suits-this-patient", "Intended for this patient"),
    ("agreed-with-prescriber", "Agreed with the prescriber"),
    ("data-wrong-or-outdated", "Data used here are wrong or outdated"),
    ("does-not-apply", "Does not apply to this patient"),
    ("other", "Another reason, as written"),
];

/// A reason in words: of somebody who left an order as it is, or who went on in spite of a card. Codes of an institution's own
/// reasons are made of their words.
pub fn reason_words(code: &str) -> Cow<'_, str> {
    let known = ACCEPT_REASONS.iter().chain(&OVERRIDE_REASONS).find(|(own, _)| *own == code);
    known.map_or_else(|| Cow::Owned(code.replace('-', " ")), |(_, words)| Cow::Borrowed(*words))
}

/// Why an order is left as it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Reason {
    /// One of [`ACCEPT_REASONS`].
    pub code: String,
    /// In somebody's own words; needed with `other`.
    pub text: Option<String>,
}

/// What somebody does.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Action {
    /// Takes the item, for a while.
    Take,
    /// Gives it back.
    GiveBack,
    /// Hands it to somebody of the same profession.
    HandOver {
        /// To whom.
        to: Person,
        /// What they should know.
        note: String,
    },
    /// Has asked the prescriber and waits.
    AskPrescriber {
        /// What was asked.
        question: String,
    },
    /// Leaves the order as it is.
    Accept {
        /// Why.
        reason: Reason,
    },
    /// The order was, or is being, changed.
    CloseAsChanged {
        /// How.
        note: String,
    },
    /// Puts it off.
    Snooze {
        /// Until when.
        until: Timestamp,
        /// Why.
        note: String,
    },
    /// Takes a decision back.
    Reopen {
        /// Why.
        note: String,
    },
    /// Says something.
    Comment {
        /// What.
        text: String,
    },
    /// Judges whether a finding was worth its time. The last judgement of a person counts.
    Judge {
        /// The rule.
        rule: String,
        /// Whether it was.
        useful: bool,
    },
}

impl Action {
    /// Its word, as commands and addresses write it.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Take => "take",
            Self::GiveBack => "give-back",
            Self::HandOver { .. } => "hand-over",
            Self::AskPrescriber { .. } => "ask-prescriber",
            Self::Accept { .. } => "accept",
            Self::CloseAsChanged { .. } => "close-as-changed",
            Self::Snooze { .. } => "snooze",
            Self::Reopen { .. } => "reopen",
            Self::Comment { .. } => "comment",
            Self::Judge { .. } => "judge",
        }
    }

    /// In words, with what was written; `moment` writes a time as the institution does.
    pub fn words(&self, moment: &dyn Fn(Timestamp) -> String) -> String {
        let with = |what: &str, text: &str| if text.is_empty() { what.to_owned() } else { format!("{what}: {text}") };
        match self {
            Self::Take => "taken".to_owned(),
            Self::GiveBack => "given back".to_owned(),
            Self::HandOver { to, note } => with(&format!("handed over to {}", to.name), note),
            Self::AskPrescriber { question } => with("prescriber asked", question),
            Self::Accept { reason } => {
                let words = reason_words(&reason.code);
                with(&format!("accepted as it is ({words})"), reason.text.as_deref().unwrap_or_default())
            }
            Self::CloseAsChanged { note } => with("closed: the order was changed", note),
            Self::Snooze { until, note } => with(&format!("put off until {}", moment(*until)), note),
            Self::Reopen { note } => with("decision taken back", note),
            Self::Comment { text } => with("comment", text),
            Self::Judge { rule, useful: true } => format!("finding of {rule} judged useful"),
            Self::Judge { rule, useful: false } => format!("finding of {rule} judged not useful"),
        }
    }

    /// Whether it leaves lane and versions alone, so that nothing can stand in its way.
    pub const fn is_remark(&self) -> bool {
        matches!(self, Self::Comment { .. } | Self::Judge { .. })
    }

    fn texts(&self) -> [Option<&str>; 2] {
        match self {
            Self::HandOver { note, .. }
            | Self::CloseAsChanged { note }
            | Self::Snooze { note, .. }
            | Self::Reopen { note } => [Some(note), None],
            Self::AskPrescriber { question } => [Some(question), None],
            Self::Accept { reason } => [reason.text.as_deref(), Some(&reason.code)],
            Self::Comment { text } => [Some(text), None],
            Self::Judge { rule, .. } => [Some(rule), None],
            Self::Take | Self::GiveBack => [None, None],
        }
    }
}

/// An action with everything needed to carry it out.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Command {
    /// An id that the sender gives, so that the same command sent twice is done once; empty for none.
    pub id: String,
    /// Who.
    pub by: Person,
    /// When.
    pub at: Timestamp,
    /// In which lane.
    pub lane: Lane,
    /// The version of the item that they saw.
    pub seen: u64,
    /// What.
    pub action: Action,
}

/// A decision of a lane.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Decision {
    /// The order is left as it is.
    Accepted {
        /// Why.
        reason: Reason,
    },
    /// The order was changed.
    Changed {
        /// How.
        note: String,
    },
}

/// The state of a lane.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum LaneState {
    /// Nothing is asked of it; somebody of it may take the item all the same.
    NotAsked,
    /// Anybody of the lane may take it.
    Open,
    /// Somebody holds it.
    Taken {
        /// Who.
        by: Person,
        /// Since when.
        since: Timestamp,
        /// After that anybody of the lane may take it.
        until: Timestamp,
    },
    /// The prescriber was asked; anybody of the lane may go on.
    Asked {
        /// Who asked.
        by: Person,
        /// When.
        at: Timestamp,
        /// What.
        question: String,
    },
    /// Put off; anybody of the lane may go on before.
    Snoozed {
        /// By whom.
        by: Person,
        /// Until when.
        until: Timestamp,
        /// Why.
        note: String,
    },
    /// Decided.
    Decided {
        /// By whom.
        by: Person,
        /// When.
        at: Timestamp,
        /// What.
        decision: Decision,
    },
}

impl LaneState {
    /// Its word, without regard to the time.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::NotAsked => "not-asked",
            Self::Open => "open",
            Self::Taken { .. } => "taken",
            Self::Asked { .. } => "asked",
            Self::Snoozed { .. } => "snoozed",
            Self::Decided { .. } => "decided",
        }
    }

    /// Its word now: what is held or put off beyond its time is open.
    pub fn word_at(&self, now: Timestamp) -> &'static str {
        match self.until() {
            Some(until) if until <= now => "open",
            _ => self.word(),
        }
    }

    /// When it is open again by itself.
    pub const fn until(&self) -> Option<Timestamp> {
        match self {
            Self::Taken { until, .. } | Self::Snoozed { until, .. } => Some(*until),
            Self::NotAsked | Self::Open | Self::Asked { .. } | Self::Decided { .. } => None,
        }
    }

    /// Who holds it, asked, put it off or decided.
    pub const fn by(&self) -> Option<&Person> {
        match self {
            Self::Taken { by, .. } | Self::Asked { by, .. } | Self::Snoozed { by, .. } | Self::Decided { by, .. } => {
                Some(by)
            }
            Self::NotAsked | Self::Open => None,
        }
    }

    /// Whether it waits for a decision.
    pub const fn waits(&self) -> bool {
        !matches!(self, Self::NotAsked | Self::Decided { .. })
    }
}

/// A lane with its last change.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "camelCase")]
pub struct LaneRecord {
    /// Its state.
    pub state: LaneState,
    /// The item's version at its last change.
    pub version: u64,
    /// When that was.
    pub changed_at: Timestamp,
    /// Who did it.
    pub changed_by: Person,
}

impl LaneRecord {
    pub(super) fn set(&mut self, state: LaneState, version: u64, by: &Person, at: Timestamp) {
        *self = Self { state, version, changed_at: at, changed_by: by.clone() };
    }
}

/// Something happened that the doer of an action did not see.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Error)]
#[serde(rename_all = "camelCase")]
#[error("{what}: by {}, {at}", by.name)]
pub struct Conflict {
    /// What.
    pub what: String,
    /// Who did it.
    pub by: Person,
    /// When.
    pub at: Timestamp,
    /// The version that the item has now.
    pub version: u64,
    /// The item of the order's content now, where it was replaced by one.
    pub replaced_by: Option<ItemId>,
}

/// Why an action was not carried out. Nothing has changed then.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Refused {
    /// The doer's role does not allow it.
    #[error("{0}")]
    NotAllowed(String),
    /// Something happened that the doer did not see.
    #[error(transparent)]
    Conflict(Conflict),
    /// The state of the lane does not allow it.
    #[error("{0}")]
    NotPossible(String),
    /// Something in the action is missing or wrong.
    #[error("{0}")]
    Invalid(String),
}

/// Whether somebody of that role may do that at all.
pub fn may(role: Role, lane: Lane, action: &Action) -> bool {
    match action {
        Action::Comment { .. } => !matches!(role, Role::Reader | Role::Program),
        Action::HandOver { .. } | Action::GiveBack => role == Role::Coordinator || role.lane() == Some(lane),
        Action::Take
        | Action::AskPrescriber { .. }
        | Action::Accept { .. }
        | Action::CloseAsChanged { .. }
        | Action::Snooze { .. }
        | Action::Reopen { .. }
        | Action::Judge { .. } => role.lane() == Some(lane),
    }
}

impl Summary {
    /// Carries an action out, and gives what the trail says of it.
    ///
    /// # Errors
    /// Why it was not carried out; nothing has changed then.
    pub fn act(&mut self, command: &Command, policy: &Policy) -> Result<Event, Refused> {
        let Command { by, at, lane, action, .. } = command;
        let (lane, now) = (*lane, *at);
        if !may(by.role, lane, action) {
            let text = format!("A {} may not do this in the {} lane: {}.", by.role.word(), lane.word(), action.word());
            return Err(Refused::NotAllowed(text));
        }
        self.check_words(command, policy)?;
        let event = Event::Did { lane, action: action.clone() };
        match action {
            Action::Comment { .. } => {
                self.comments += 1;
                self.touched(now);
                return Ok(event);
            }
            Action::Judge { rule, .. } => {
                if !self.rules.contains(rule) {
                    return Err(Refused::Invalid(format!("The rule {rule} found nothing in this order.")));
                }
                self.touched(now);
                return Ok(event);
            }
            _ => {}
        }
        self.check_version(command)?;
        let record = self.lane(lane);
        let held = match &record.state {
            LaneState::Taken { by: holder, until, .. } if *until > now => Some(holder),
            _ => None,
        };
        let mine = held.is_none_or(|holder| holder.is(by));
        let not_mine = |holder: &Person| {
            Refused::Conflict(Conflict {
                what: format!("{} holds this item", holder.name),
                by: holder.clone(),
                at: record.changed_at,
                version: self.version,
                replaced_by: None,
            })
        };
        let decided = matches!(record.state, LaneState::Decided { .. });
        let not_possible = |text: &str| Err(Refused::NotPossible(text.to_owned()));
        if decided && !matches!(action, Action::Reopen { .. }) {
            return not_possible("This lane has decided; the decision can be taken back.");
        }
        if let Some(holder) = held
            && !mine
            && by.role != Role::Coordinator
        {
            return Err(not_mine(holder));
        }
        let until = |time: SignedDuration| now.checked_add(time).unwrap_or(Timestamp::MAX);
        let next = match action {
            Action::Take => LaneState::Taken { by: by.clone(), since: now, until: until(policy.hold) },
            Action::GiveBack if held.is_some() => LaneState::Open,
            Action::GiveBack => return not_possible("Nobody holds this item."),
            Action::HandOver { to, .. } => LaneState::Taken { by: to.clone(), since: now, until: until(policy.hold) },
            Action::AskPrescriber { question } => {
                LaneState::Asked { by: by.clone(), at: now, question: question.clone() }
            }
            Action::Accept { reason } => {
                LaneState::Decided { by: by.clone(), at: now, decision: Decision::Accepted { reason: reason.clone() } }
            }
            Action::CloseAsChanged { note } => {
                LaneState::Decided { by: by.clone(), at: now, decision: Decision::Changed { note: note.clone() } }
            }
            // Nobody puts an order off beyond the start of its feed.
            Action::Snooze { until, note } => {
                let starts = self.starts.filter(|start| *start > now);
                let until = starts.map_or(*until, |start| start.min(*until));
                LaneState::Snoozed { by: by.clone(), until, note: note.clone() }
            }
            Action::Reopen { .. } if decided => LaneState::Open,
            Action::Reopen { .. } => return not_possible("This lane has not decided."),
            Action::Comment { .. } | Action::Judge { .. } => return Ok(event),
        };
        self.touched(now);
        let version = self.version;
        self.lane_mut(lane).set(next, version, by, now);
        self.settle(policy);
        Ok(event)
    }

    /// Open or closed, by what the lanes have decided.
    pub(super) fn settle(&mut self, policy: &Policy) {
        if self.standing == Standing::Replaced {
            return;
        }
        let lanes = [&self.pharmacist.state, &self.dietitian.state];
        let decided = lanes.iter().filter(|state| matches!(state, LaneState::Decided { .. })).count();
        let waits = lanes.iter().any(|state| state.waits());
        let closed = match policy.closing {
            Closing::FirstDecision => decided > 0,
            Closing::EveryLaneAsked => decided > 0 && !waits,
            Closing::BothLanes => decided == lanes.len(),
        };
        self.standing = if closed { Standing::Closed } else { Standing::Open };
    }

    fn check_version(&self, command: &Command) -> Result<(), Refused> {
        let record = self.lane(command.lane);
        let conflict = |what: &str, by: &Person, at: Timestamp, replaced_by: Option<ItemId>| {
            Err(Refused::Conflict(Conflict {
                what: what.to_owned(),
                by: by.clone(),
                at,
                version: self.version,
                replaced_by,
            }))
        };
        let program = Person::program();
        if self.standing == Standing::Replaced {
            let what = if self.replaced_by.is_some() {
                "The order was changed; this is not its content any more"
            } else {
                "The order was changed and is clear now; this is not its content any more"
            };
            return conflict(what, &program, self.judged_at, self.replaced_by.clone());
        }
        if command.seen > self.version {
            return Err(Refused::Invalid(format!("There is no version {} of this item.", command.seen)));
        }
        if command.seen < self.judged {
            return conflict("The order was judged again", &program, self.judged_at, None);
        }
        if command.seen < record.version {
            let what = format!("The {} lane changed to {}", command.lane.word(), record.state.word());
            return conflict(&what, &record.changed_by, record.changed_at, None);
        }
        Ok(())
    }

    fn check_words(&self, command: &Command, policy: &Policy) -> Result<(), Refused> {
        let invalid = |text: String| Err(Refused::Invalid(text));
        for text in command.action.texts().into_iter().flatten() {
            if text.chars().count() > LONGEST_TEXT {
                return invalid(format!("At most {LONGEST_TEXT} characters can be written."));
            }
        }
        let empty = |text: &str| text.trim().is_empty();
        match &command.action {
            Action::Accept { reason } => {
                if !ACCEPT_REASONS.iter().any(|(code, _)| *code == reason.code) {
                    let words: Vec<&str> = ACCEPT_REASONS.iter().map(|(_, words)| *words).collect();
                    return invalid(format!("A reason is needed: one of “{}”.", words.join("”, “")));
                }
                if reason.code == "other" && reason.text.as_deref().is_none_or(empty) {
                    return invalid("Another reason needs words.".to_owned());
                }
            }
            Action::AskPrescriber { question } if empty(question) => {
                return invalid("What the prescriber was asked is missing.".to_owned());
            }
            Action::Comment { text } if empty(text) => return invalid("The comment is empty.".to_owned()),
            Action::CloseAsChanged { note } if empty(note) => {
                return invalid("What was changed is missing.".to_owned());
            }
            Action::Reopen { note } if empty(note) => {
                return invalid("Why the decision is taken back is missing.".to_owned());
            }
            Action::HandOver { to, .. } if to.role.lane() != Some(command.lane) => {
                return invalid(format!("{} is no {}.", to.name, command.lane.word()));
            }
            Action::HandOver { to, .. } if empty(&to.id) => {
                return invalid("To whom it is handed over is missing.".to_owned());
            }
            Action::Snooze { until, .. } => {
                let latest = command.at.checked_add(policy.longest_snooze).unwrap_or(Timestamp::MAX);
                if *until <= command.at || *until > latest {
                    let longest = super::urgency::length(policy.longest_snooze);
                    return invalid(format!("An item can be put off for {longest} at most, and not into the past."));
                }
            }
            _ => {}
        }
        Ok(())
    }
}
