//! The one task that writes, in a thread of its own. What waits is taken together; the items concerned are read, changed
//! in memory by the rules of [`crate::queue`], and written in one transaction; after its commit everybody is told, while
//! the next is written. When a transaction fails for a reason that may lie in one operation, each is tried by itself.

mod cards;
mod chain;
mod columns;
mod purge;
mod reading;
mod ready;
#[cfg(test)]
pub(crate) mod tests;
mod work;

pub(super) use cards::ANSWERS_SINCE;
pub(super) use chain::note;
#[cfg(test)]
pub(super) use columns::ITEM_COLUMNS;
pub(super) use columns::{SAID_AGAIN, said_again};
pub(super) use purge::PURGED;
pub(super) use ready::Ready;
pub(super) use work::{of_item, of_report};

use super::sql::{Shared, may_be_one, trouble};
use super::{CardAnswer, Change, NotDone, Recorded, Unavailable, opening, outbox, sorting, sql, sqlite, views};
use crate::queue::Person;
use crate::queue::item::{ItemId, Summary};
use crate::queue::tally::Count;
use crate::queue::trail::Entry;
use crate::queue::work::Command;
use jiff::Timestamp;
use sqlx::{AnyConnection, AnyPool};
use std::panic::AssertUnwindSafe;
use std::sync::Arc;
use tokio::sync::{mpsc, oneshot};
use work::{Held, Work};

/// Most operations of one transaction.
const MOST_OF_A_BATCH: usize = 512;

/// Orders of a transaction from which on no more operations are taken: one may bring many.
const MANY_ORDERS: usize = 512;

/// Most transactions that are done and of which not everybody knows yet.
const MOST_UNTOLD: usize = 4;

type Done<T, E = Unavailable> = oneshot::Sender<Result<T, E>>;

/// Something to be written.
pub(super) enum Op {
    Record {
        orders: Vec<Ready>,
        done: Done<Vec<Recorded>>,
    },
    Act {
        item: ItemId,
        command: Box<Command>,
        done: Done<Summary, NotDone>,
    },
    View {
        item: ItemId,
        by: Person,
        at: Timestamp,
        done: Done<()>,
    },
    Feedback {
        answers: Vec<CardAnswer>,
        done: Done<usize>,
    },
    Purge {
        before: Timestamp,
        by: Person,
        at: Timestamp,
        done: Done<u64>,
    },
    OwnView {
        person: String,
        change: views::Change,
        done: Done<views::Came>,
    },
    SortAgain {
        moved: Vec<sorting::Moved>,
        at: Timestamp,
        done: Done<u64>,
    },
    Outbox(outbox::Wanted),
    /// Nothing but to open the database, where it was away at the start.
    Open {
        done: Done<()>,
    },
    /// A fault of the program.
    #[cfg(test)]
    Fault {
        done: Done<()>,
    },
}

/// What came of an operation, to be said after the commit.
enum Came {
    Recorded(Vec<Recorded>),
    Acted(Result<Box<Summary>, NotDone>),
    Viewed,
    Answered(usize),
    Purged(u64),
    OwnView(views::Came),
    Sorted(u64),
    Outbox(outbox::Came),
    Opened,
}

impl Op {
    /// How many orders it brings.
    fn orders(&self) -> usize {
        if let Self::Record { orders, .. } = self { orders.len() } else { 0 }
    }

    fn say(self, came: Result<Came, Unavailable>, shared: &Shared) {
        // Whoever does not wait any more does not want to know.
        match (self, came) {
            (Self::Record { orders, done }, Ok(Came::Recorded(recorded))) => {
                shared.recorded(&orders);
                drop(done.send(Ok(recorded)));
                // A report is many small pieces: whoever waits next is told meanwhile.
                tokio::spawn(async move { drop(orders) });
            }
            (Self::Record { orders, done }, Err(error)) => {
                shared.not_recorded(orders, &error);
                drop(done.send(Err(error)));
            }
            (Self::Act { done, .. }, Ok(Came::Acted(acted))) => drop(done.send(acted.map(|item| *item))),
            (Self::Act { done, .. }, Err(error)) => drop(done.send(Err(error.into()))),
            (Self::View { done, .. }, Ok(Came::Viewed)) => drop(done.send(Ok(()))),
            (Self::View { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Feedback { done, .. }, Ok(Came::Answered(n))) => drop(done.send(Ok(n))),
            (Self::Feedback { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Purge { done, .. }, Ok(Came::Purged(n))) => drop(done.send(Ok(n))),
            (Self::Purge { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::OwnView { done, .. }, Ok(Came::OwnView(came))) => drop(done.send(Ok(came))),
            (Self::OwnView { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::SortAgain { done, .. }, Ok(Came::Sorted(n))) => drop(done.send(Ok(n))),
            (Self::SortAgain { done, .. }, Err(error)) => drop(done.send(Err(error))),
            (Self::Outbox(wanted), Ok(Came::Outbox(came))) => wanted.say(Ok(came)),
            (Self::Outbox(wanted), Err(error)) => wanted.say(Err(error)),
            (Self::Open { done }, Ok(Came::Opened)) => drop(done.send(Ok(()))),
            (Self::Open { done }, Err(error)) => drop(done.send(Err(error))),
            #[cfg(test)]
            (Self::Fault { done }, Err(error)) => drop(done.send(Err(error))),
            // Each operation gives its own kind; a sender that is dropped tells its receiver that nothing is known.
            (_, Ok(_)) => {}
        }
    }
}

/// Operations that were taken and are being written. Where that ends in their middle, each is told so.
struct Taken<'s> {
    ops: Vec<Op>,
    shared: &'s Shared,
}

impl Drop for Taken<'_> {
    fn drop(&mut self) {
        for op in self.ops.drain(..) {
            op.say(Err(Unavailable::Ended), self.shared);
        }
    }
}

/// Operations that are done, with what came of each.
struct Finished {
    ops: Vec<Op>,
    came: Result<Written, Unavailable>,
}

impl Finished {
    fn say(self, shared: &Shared) {
        match self.came {
            Ok((came, changes, _)) => {
                for (op, came) in self.ops.into_iter().zip(came) {
                    op.say(Ok(came), shared);
                }
                for change in changes {
                    // Nobody may be listening.
                    let _ = shared.changes.send(change);
                }
            }
            Err(error) => {
                for op in self.ops {
                    op.say(Err(error.clone()), shared);
                }
            }
        }
    }
}

/// Tells everybody what came of their operations, in the order in which they were done, while the next are written.
async fn tell(shared: Arc<Shared>, mut done: mpsc::Receiver<Finished>) {
    while let Some(finished) = done.recv().await {
        // Whoever is not told for a fault of the program hears that nothing is known; the others are told.
        if std::panic::catch_unwind(AssertUnwindSafe(|| finished.say(&shared))).is_err() {
            tracing::error!("somebody was not told what came of what they did");
        }
    }
}

/// Begins to write, in a thread of its own: between two statements nothing waits for the orders that are being read and
/// judged meanwhile. What it gives ends when nobody can send any more and everybody was told.
///
/// Where it ends before, by a fault of the program, that is noted for good; whoever waits is told, and what was to be
/// recorded is lost, and counted.
///
/// # Errors
/// Where there can be no such thread.
pub(super) fn begin(
    pool: AnyPool,
    shared: Arc<Shared>,
    mut waiting: mpsc::Receiver<Op>,
) -> std::io::Result<oneshot::Receiver<()>> {
    let (done, told) = mpsc::channel(MOST_UNTOLD);
    let (ended, end) = oneshot::channel();
    let writes = shared.clone();
    let (begun, began) = std::sync::mpsc::sync_channel(1);
    std::thread::Builder::new().name("queue".to_owned()).spawn(move || {
        let own = tokio::runtime::Builder::new_current_thread().enable_all().build();
        // It is waited for.
        let _ = begun.send(own.as_ref().map(|_| ()).map_err(std::io::Error::kind));
        let Ok(own) = own else { return };
        let ran = std::panic::catch_unwind(AssertUnwindSafe(|| own.block_on(write(pool, &writes, &mut waiting, done))));
        if ran.unwrap_or(false) {
            return;
        }
        writes.end();
        waiting.close();
        while let Some(op) = waiting.blocking_recv() {
            op.say(Err(Unavailable::Ended), &writes);
        }
    })?;
    began.recv().unwrap_or(Err(std::io::ErrorKind::Other))?;
    tokio::spawn(async move {
        tell(shared, told).await;
        drop(ended);
    });
    Ok(end)
}

/// Writes until nobody can send any more; gives whether it came to that.
async fn write(pool: AnyPool, shared: &Shared, waiting: &mut mpsc::Receiver<Op>, done: mpsc::Sender<Finished>) -> bool {
    let mut told = true;
    // A purge is written by itself: nothing else of its transaction is then about what it removes.
    let mut purge: Option<Op> = None;
    while told
        && let Some(first) = match purge.take() {
            None => waiting.recv().await,
            purge => purge,
        }
    {
        let mut orders = first.orders();
        let alone = matches!(first, Op::Purge { .. });
        let mut taken = Taken { ops: Vec::with_capacity(MOST_OF_A_BATCH), shared };
        taken.ops.push(first);
        while !alone
            && taken.ops.len() < MOST_OF_A_BATCH
            && orders < MANY_ORDERS
            && let Ok(next) = waiting.try_recv()
        {
            if matches!(next, Op::Purge { .. }) {
                purge = Some(next);
                break;
            }
            orders += next.orders();
            taken.ops.push(next);
        }
        sqlite::begin_log_again(&pool, shared).await;
        let came = batch(&pool, shared, &mut taken.ops).await;
        if taken.ops.len() > 1 && came.as_ref().is_err_and(may_be_one) {
            // The first is the next one: what they are about may depend on their order.
            while let Some(first) = taken.ops.first_mut() {
                let came = batch(&pool, shared, std::slice::from_mut(first)).await;
                shared.wrote(&came);
                let ops = vec![taken.ops.remove(0)];
                told &= said(&done, Finished { ops, came }, shared).await;
            }
        } else {
            shared.wrote(&came);
            let ops = std::mem::take(&mut taken.ops);
            told = said(&done, Finished { ops, came }, shared).await;
        }
    }
    pool.close().await;
    if !told {
        tracing::error!("nobody is there to say what was written");
    }
    told
}

/// Hands over what came of operations; where nobody tells it any more, it is told here, and that is the last.
async fn said(done: &mpsc::Sender<Finished>, finished: Finished, shared: &Shared) -> bool {
    match done.send(finished).await {
        Ok(()) => true,
        Err(mpsc::error::SendError(finished)) => {
            finished.say(shared);
            false
        }
    }
}

/// What came of each operation, what to tell listeners, and what is no longer needed.
type Written = (Vec<Came>, Vec<Change>, Spent);

/// What is no longer needed. It is many small pieces, made by others, and is dropped where nobody waits.
#[derive(Default)]
struct Spent {
    items: Vec<Held>,
    entries: Vec<Entry>,
    counts: Vec<(String, Count)>,
}

/// One transaction.
async fn batch(pool: &AnyPool, shared: &Shared, ops: &mut [Op]) -> Result<Written, Unavailable> {
    shared.look_for_the_file();
    shared.in_its_place()?;
    opening::open(pool, shared).await?;
    let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
    let mut written = transaction(&mut conn, shared, ops).await;
    if written.is_ok() {
        // What is said to be recorded is in the file that is found by its name, and not in one that was taken away meanwhile.
        shared.look_for_the_file();
        if let Err(error) = shared.in_its_place() {
            written = Err(error);
        }
    }
    if written.is_ok() {
        // From the next transaction on, whether or not it was said yet that it is so.
        for op in ops.iter() {
            if let Op::Outbox(outbox::Wanted::Listen { listeners, .. }) = op {
                shared.set_listeners(listeners.clone());
            }
        }
    } else {
        // Some errors (a full disk) end the transaction in the database already, which the connection does not know.
        let _ = conn.close().await;
    }
    written
}

async fn transaction(conn: &mut AnyConnection, shared: &Shared, ops: &mut [Op]) -> Result<Written, Unavailable> {
    let mut tx = sql::begin(conn, shared.dialect).await?;
    let mut work = Work { listeners: shared.listeners(), ..Work::default() };
    work.read(&mut tx, ops, &shared.dictionaries).await?;
    let mut came = Vec::with_capacity(ops.len());
    for op in ops {
        came.push(work.apply(&mut tx, op, shared).await?);
    }
    if let Some(packer) = shared.packer().filter(|_| work.packs()) {
        packer.keep(&mut tx).await?;
    }
    let (changes, spent) = work.write(&mut tx, shared).await?;
    tx.commit().await.map_err(|error| trouble(&error))?;
    Ok((came, changes, spent))
}
