//! A lane's part in an item as one task: where it stands, and who has it.

use super::item::{ItemId, Standing, Summary};
use super::work::LaneState;
use super::{Lane, Person};
use jiff::Timestamp;
use std::fmt;

/// Where a task stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum TaskIs {
    /// Nobody has begun, or what was begun is past its time.
    Requested,
    /// Somebody holds it, asked the prescriber, or put it off.
    InProgress,
    /// The lane has decided.
    Completed,
    /// There is nothing to decide any more: the order was changed, or the other lane's decision closed the item.
    Cancelled,
}

impl TaskIs {
    /// Each with its code in FHIR.
    pub const ALL: [(Self, &'static str); 4] = [
        (Self::Requested, "requested"),
        (Self::InProgress, "in-progress"),
        (Self::Completed, "completed"),
        (Self::Cancelled, "cancelled"),
    ];

    /// Its code.
    pub fn code(self) -> &'static str {
        Self::ALL.iter().find(|(own, _)| *own == self).map_or("requested", |(_, code)| code)
    }
}

impl LaneState {
    /// Whether what somebody began still counts.
    pub fn counts_at(&self, now: Timestamp) -> bool {
        self.until().is_none_or(|until| until > now)
    }
}

impl Summary {
    /// The task of a lane at a time; `None` where the lane was not asked.
    pub fn task(&self, lane: Lane, now: Timestamp) -> Option<TaskIs> {
        let state = &self.lane(lane).state;
        Some(match (self.standing, state) {
            (_, LaneState::NotAsked) => return None,
            (Standing::Replaced, _) => TaskIs::Cancelled,
            (_, LaneState::Decided { .. }) => TaskIs::Completed,
            (Standing::Closed, _) => TaskIs::Cancelled,
            (Standing::Open, LaneState::Open) => TaskIs::Requested,
            (Standing::Open, _) if state.counts_at(now) => TaskIs::InProgress,
            (Standing::Open, _) => TaskIs::Requested,
        })
    }

    /// Who has the task of a lane at a time, or had it last.
    pub fn task_owner(&self, lane: Lane, now: Timestamp) -> Option<&Person> {
        let state = &self.lane(lane).state;
        state.by().filter(|_| state.counts_at(now))
    }
}

/// The id of a task: its item, and the lane.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct TaskId {
    /// The item.
    pub item: ItemId,
    /// The lane.
    pub lane: Lane,
}

impl TaskId {
    /// Reads what [`fmt::Display`] writes: `{item}-{lane}`.
    pub fn read(text: &str) -> Option<Self> {
        let (item, lane) = text.rsplit_once('-')?;
        Some(Self { item: ItemId::read(item)?, lane: Lane::of(lane)? })
    }
}

impl fmt::Display for TaskId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}-{}", self.item, self.lane.word())
    }
}
