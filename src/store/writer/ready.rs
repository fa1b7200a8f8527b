//! What of an order can be worked out before it is its turn, where it came in.

use super::columns::row_of;
use crate::audit::chain::Hash;
use crate::queue::Person;
use crate::queue::item::{ItemId, Received, Summary};
use crate::queue::policy::Policy;
use crate::queue::tally::{Count, Fate};
use crate::queue::trail::{Entry, Event};
use crate::store::Unavailable;
use crate::store::packing::Kept;
use crate::store::spool::Slot;
use crate::store::sql::{Shared, Value, Waiting, damaged};
use jiff::Timestamp;
use jiff::tz::TimeZone;
use std::sync::Arc;
use std::time::{Duration, Instant};

/// An order with what can be worked out before it is its turn.
pub(in crate::store) struct Ready {
    pub(in crate::store) received: Received,
    pub(super) id: ItemId,
    pub(super) key: Option<String>,
    pub(super) report: Kept,
    /// The item that it becomes where it is a new order; as most are.
    pub(super) fresh: Option<Box<Fresh>>,
    /// How often the database refused it by itself.
    pub(super) refused: u32,
    /// How long it waited for its item to be mended, before it was tried.
    pub(in crate::store) rested: Option<Duration>,
    /// Its place in the spool, where there is one.
    pub(in crate::store) slot: Option<Arc<Slot>>,
}

impl Ready {
    pub(in crate::store) fn of(received: Received, shared: &Shared) -> Self {
        let item = received.is_item();
        let report = if item { shared.kept(&received.report) } else { Kept::default() };
        // What fails here fails again in its turn, and is said there.
        let fresh = if item { Fresh::of(&received, &shared.policy).ok().map(Box::new) } else { None };
        let id = fresh.as_ref().map_or_else(|| received.id(), |fresh| fresh.summary.id.clone());
        Self { id, key: received.key.text(), report, fresh, received, refused: 0, rested: None, slot: None }
    }

    /// One with its place in the spool.
    pub(in crate::store) fn kept_in(slot: Option<Arc<Slot>>, received: Received, shared: &Shared) -> Self {
        Self { slot, ..Self::of(received, shared) }
    }

    /// One that is tried again.
    pub(in crate::store) fn again(waiting: Waiting, shared: &Shared) -> Self {
        let rested = waiting.rests.map(|(_, rested)| rested);
        Self { refused: waiting.refused, rested, slot: waiting.slot, ..Self::of(waiting.order, shared) }
    }

    /// As it waits where it could not be recorded.
    pub(in crate::store) fn waiting(self) -> Waiting {
        let rests = self.rested.map(|rested| (Instant::now(), rested));
        Waiting { order: self.received, refused: self.refused, rests, slot: self.slot }
    }
}

/// A new item that replaces none, worked out where its order came in and not in the one task that writes.
pub(super) struct Fresh {
    pub(super) summary: Summary,
    /// All columns but the last, which are long.
    pub(super) row: Vec<Value>,
    pub(super) entry: Entered,
    /// What is counted of it on its day.
    pub(super) counts: Vec<(String, Count)>,
}

impl Fresh {
    pub(super) fn of(received: &Received, policy: &Policy) -> Result<Self, Unavailable> {
        let (summary, event) = Summary::first(received, None, policy);
        let row = row_of(&summary, &policy.times)?;
        let entry = Entered::first(&summary, received.kept(), event)?;
        let day = day_of(received.kept());
        let counts = counts_of_new(received).into_iter().map(|count| (day.clone(), count)).collect();
        Ok(Self { row, entry, counts, summary })
    }
}

/// The day on which what happens then is counted.
pub(super) fn day_of(at: Timestamp) -> String {
    TimeZone::UTC.to_datetime(at).date().to_string()
}

/// What is counted of an order that is new.
pub(super) fn counts_of_new(received: &Received) -> Vec<Count> {
    let fired = received.report.rules().into_iter().map(|rule| Count::one(&rule, Fate::Fired, ""));
    let not = received.report.unevaluated_rules().into_iter().map(|rule| Count::one(&rule, Fate::NotEvaluated, ""));
    fired.chain(not).collect()
}

/// An entry of the trail on its way.
pub(super) struct Entered {
    pub(super) entry: Entry,
    pub(super) command: Option<String>,
    /// The entry as it is kept, and its hash, where that was worked out before.
    pub(super) detail: Option<(String, Hash)>,
}

impl Entered {
    pub(super) fn first(summary: &Summary, at: Timestamp, what: Event) -> Result<Self, Unavailable> {
        let entry = Entry { item: summary.id.clone(), version: summary.version, at, by: Person::program(), what };
        let detail = Some(detail_of(&entry)?);
        Ok(Self { entry, command: None, detail })
    }
}

pub(super) fn detail_of(entry: &Entry) -> Result<(String, Hash), Unavailable> {
    let detail = serde_json::to_string(entry).map_err(|error| damaged("an entry of the trail", &error))?;
    let hash = Hash::of(detail.as_bytes());
    Ok((detail, hash))
}
