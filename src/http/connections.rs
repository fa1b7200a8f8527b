//! How many connections there may be: of all, from one address, and without a finished handshake. What is turned away is
//! counted, and told in the log now and then; from where is in neither.

use super::metrics::Counters;
use super::{App, Limits};
use std::collections::HashMap;
use std::fmt::Write as _;
use std::net::IpAddr;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Between two lines of the log.
const TOLD_AGAIN: Duration = Duration::from_secs(10);

/// Counter of connections that were turned away.
const REFUSED: &str = "enteral_gate_connections_refused_total";
const COUNTERS: [(&str, &str); 1] = [(
    REFUSED,
    "Connections that were turned away: all (too many), address (too many from one), handshake (too many unfinished), error (not to be accepted).",
)];

/// Why a connection is turned away.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Full {
    /// There are as many as may be.
    All,
    /// There are as many from its address.
    Address,
    /// There are as many whose handshake has not ended.
    Handshake,
}

impl Full {
    const fn word(self) -> &'static str {
        match self {
            Self::All => "all",
            Self::Address => "address",
            Self::Handshake => "handshake",
        }
    }
}

/// Connections of all listeners, counted.
#[derive(Debug, Default)]
pub struct Counted {
    open: AtomicUsize,
    refused: Counters,
    /// When the log was last told, and how many were turned away since.
    told: Mutex<(Option<Instant>, u64)>,
}

impl Counted {
    /// Counts one that was turned away.
    pub fn turned_away(&self, app: &App, why: Full) {
        self.count(why.word());
        let mut told = locked(&self.told);
        told.1 += 1;
        if told.0.is_none_or(|at| at.elapsed() >= TOLD_AGAIN) {
            let (demo, note) = app.mark();
            tracing::warn!(reason = why.word(), connections = told.1, demo, note, "connections were turned away");
            *told = (Some(Instant::now()), 0);
        }
    }

    /// Counts one that could not be accepted.
    pub fn not_accepted(&self) {
        self.count("error");
    }

    fn count(&self, reason: &str) {
        self.refused.add(REFUSED, format!("reason=\"{reason}\""), 1);
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        const OPEN: &str = "enteral_gate_connections";
        let open = self.open.load(Ordering::Relaxed);
        let _ = write!(out, "# HELP {OPEN} Open connections, of all listeners.\n# TYPE {OPEN} gauge\n{OPEN} {open}\n");
        self.refused.write(out, &COUNTERS);
    }
}

/// How many there are from each address.
type ByAddress = Arc<Mutex<HashMap<IpAddr, usize>>>;

/// Room for the connections of one listener.
pub struct Room {
    all: Arc<Semaphore>,
    cap: u32,
    handshakes: Arc<Semaphore>,
    per_address: usize,
    by_address: ByAddress,
}

/// The place of one connection, until it is dropped.
pub struct Place {
    app: Arc<App>,
    address: Option<(IpAddr, ByAddress)>,
    _all: OwnedSemaphorePermit,
    handshake: Option<OwnedSemaphorePermit>,
}

impl Place {
    /// Its handshake has ended.
    pub fn greeted(&mut self) {
        self.handshake = None;
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        self.app.connections.open.fetch_sub(1, Ordering::Relaxed);
        let Some((address, by)) = &self.address else { return };
        let mut by = locked(by);
        if let Some(n) = by.get_mut(address) {
            *n -= 1;
            if *n == 0 {
                by.remove(address);
            }
        }
    }
}

impl Room {
    /// An empty one.
    pub fn new(limits: &Limits) -> Self {
        let cap = u32::try_from(limits.connections).unwrap_or(u32::MAX);
        Self {
            all: Arc::new(Semaphore::new(cap as usize)),
            cap,
            handshakes: Arc::new(Semaphore::new(limits.handshakes)),
            per_address: limits.connections_per_address,
            by_address: Arc::default(),
        }
    }

    /// A place for a connection from there, which begins with a handshake or does not.
    ///
    /// # Errors
    /// Why there is none.
    pub fn enter(&self, app: &Arc<App>, from: IpAddr, handshake: bool) -> Result<Place, Full> {
        let all = self.all.clone().try_acquire_owned().map_err(|_| Full::All)?;
        let handshake = if handshake {
            Some(self.handshakes.clone().try_acquire_owned().map_err(|_| Full::Handshake)?)
        } else {
            None
        };
        let address = if self.per_address == 0 {
            None
        } else {
            let mut by = locked(&self.by_address);
            let n = by.entry(from.to_canonical()).or_default();
            if *n >= self.per_address {
                return Err(Full::Address);
            }
            *n += 1;
            Some((from.to_canonical(), self.by_address.clone()))
        };
        app.connections.open.fetch_add(1, Ordering::Relaxed);
        Ok(Place { app: app.clone(), address, _all: all, handshake })
    }

    /// Waits until every connection has ended.
    pub async fn empty(&self) {
        // It is never closed.
        drop(self.all.acquire_many(self.cap).await);
    }
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
