//! A database that was away when the service started: what is left of opening it is done by the one that writes, before
//! anything else is written, as soon as the database is there.

use super::outbox::{Listener, Wanted};
use super::sql::{RETRY, Shared, begin, locked, migrate, trouble};
use super::writer::Op;
use super::{Unavailable, packing, reader, schema};
use jiff::Timestamp;
use sqlx::AnyPool;
use std::sync::Arc;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering};
use tokio::sync::{mpsc, oneshot};

/// Why a database was not opened since the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum NotOpened {
    /// It was never reached.
    NeverReached,
    /// It is there, and cannot be worked on: its tables are of a version that is not known here, for one.
    NotUsable,
}

/// Whether a database was opened, and what is to be done when it is.
pub(super) struct Opened {
    /// Its tables were looked at, and can be worked on.
    is: AtomicBool,
    left: Mutex<Left>,
}

/// What is left to be done.
#[derive(Default)]
struct Left {
    /// Who is told of changes: of the first of them as well.
    listeners: Option<Arc<[Listener]>>,
    /// Why it could not be opened though it was there, as the log has it.
    said: Option<Unavailable>,
}

impl Opened {
    pub(super) fn new(is: bool) -> Self {
        Self { is: AtomicBool::new(is), left: Mutex::default() }
    }

    pub(super) fn is(&self) -> bool {
        self.is.load(Ordering::Acquire)
    }

    /// Why nothing can be looked at, where the tables were never seen: they may be of a version that is not known here.
    pub(super) fn looked_at(&self) -> Result<(), Unavailable> {
        if self.is() {
            return Ok(());
        }
        let said = locked(&self.left).said.clone();
        Err(said.unwrap_or_else(|| Unavailable::Database(AWAY.to_owned())))
    }

    /// Why nothing was ever written since the start, if nothing was.
    pub(super) fn why_not(&self) -> Option<NotOpened> {
        let left = (!self.is()).then(|| locked(&self.left).said.is_some())?;
        Some(if left { NotOpened::NotUsable } else { NotOpened::NeverReached })
    }

    /// Keeps who is told of changes until the database is opened; gives them back where it is.
    pub(super) fn listen(&self, listeners: Arc<[Listener]>) -> Result<(), Arc<[Listener]>> {
        let mut left = locked(&self.left);
        if self.is() {
            return Err(listeners);
        }
        left.listeners = Some(listeners);
        Ok(())
    }
}

/// What is said of a database as long as it was never reached.
const AWAY: &str = "it was away when the service started, and was not reached since";

/// Says of an error that the database was away at the start.
pub(super) fn away(error: &sqlx::Error) -> Unavailable {
    match trouble(error) {
        Unavailable::Database(said) => Unavailable::Database(format!("{AWAY}: {said}")),
        other => other,
    }
}

/// Does what is left of opening the database, where anything is.
///
/// # Errors
/// Where it is still away, or its tables cannot be worked on; nothing may be written then.
pub(super) async fn open(pool: &AnyPool, shared: &Shared) -> Result<(), Unavailable> {
    if shared.opened.is() {
        return Ok(());
    }
    let conn = pool.acquire().await.map_err(|error| away(&error))?;
    drop(conn);
    let opened = of_a_database_that_is_there(pool, shared).await;
    if let Err(error) = &opened {
        let mut left = locked(&shared.opened.left);
        if left.said.as_ref() != Some(error) {
            tracing::error!(problem = %error, "the database is there again and cannot be used: nothing is written into it");
            left.said = Some(error.clone());
        }
    }
    opened
}

async fn of_a_database_that_is_there(pool: &AnyPool, shared: &Shared) -> Result<(), Unavailable> {
    migrate(pool, shared.dialect, schema::VERSION).await?;
    let packed = packing::may_be(pool, shared.dialect).await?;
    let last = reader::last_received(pool).await?;
    loop {
        let listeners = locked(&shared.opened.left).listeners.clone();
        if let Some(listeners) = &listeners {
            let mut conn = pool.acquire().await.map_err(|error| trouble(&error))?;
            let mut tx = begin(&mut conn, shared.dialect).await?;
            let (done, _) = oneshot::channel();
            let wanted = Wanted::Listen { listeners: listeners.clone(), at: Timestamp::now(), done };
            wanted.apply(&mut tx, shared.dialect).await?;
            tx.commit().await.map_err(|error| trouble(&error))?;
            shared.set_listeners(listeners.clone());
        }
        let mut left = locked(&shared.opened.left);
        let same = match (&left.listeners, &listeners) {
            (Some(now), Some(then)) => Arc::ptr_eq(now, then),
            (now, then) => now.is_none() && then.is_none(),
        };
        if same {
            *left = Left::default();
            shared.received_last(last);
            shared.may_pack(packed);
            shared.opened.is.store(true, Ordering::Release);
            break;
        }
    }
    tracing::info!(packed, "the database that was away at the start is there: the queue is kept");
    Ok(())
}

/// Asks the one that writes to open the database, again and again until it is.
pub(super) async fn open_again(shared: Arc<Shared>, ops: mpsc::WeakSender<Op>) {
    while !shared.opened.is() {
        tokio::time::sleep(RETRY).await;
        let Some(ops) = ops.upgrade() else { return };
        let (done, wait) = oneshot::channel();
        // Where too much waits, that asks for it too.
        let _ = ops.try_send(Op::Open { done });
        drop(ops);
        let _ = wait.await;
    }
}
