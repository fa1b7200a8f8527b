//! Work that goes on beside the answers as long as the service runs: files read again, keys renewed, orders tried again,
//! subscribers told. Where a fault of the program ends such work that is logged, counted and told at `/readyz`, and it
//! begins again.

use futures_util::FutureExt as _;
use jiff::Timestamp;
use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::future::Future;
use std::panic::AssertUnwindSafe;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};

/// Before it begins again the first time; twice that after each fault, up to the other.
const PAUSE: Duration = Duration::from_secs(1);
const LONGEST_PAUSE: Duration = Duration::from_secs(60);

/// What faults did to some work since the start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Faults {
    /// How often.
    pub times: u64,
    /// When last.
    pub last: Timestamp,
    /// It has not begun again yet.
    pub rests: bool,
}

/// Work and what faults did to it, by its name; nothing of what none did anything to.
pub type OfEach = BTreeMap<String, Faults>;

/// Work of one part of the service.
#[derive(Debug)]
pub struct Background {
    faults: Mutex<OfEach>,
    pause: Duration,
}

impl Default for Background {
    fn default() -> Self {
        Self { faults: Mutex::default(), pause: PAUSE }
    }
}

impl Background {
    fn locked(&self) -> MutexGuard<'_, OfEach> {
        self.faults.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Does some work until it ends by itself or is aborted; it is begun again by `work` where a fault ended it.
    pub fn keep<W, F>(self: &Arc<Self>, name: &str, work: W) -> JoinHandle<()>
    where
        W: FnMut() -> F + Send + 'static,
        F: Future<Output = ()> + Send + 'static,
    {
        self.keep_until(name, work, std::future::pending)
    }

    /// The same, and it is not begun again once what `stopped` gives is over.
    pub fn keep_until<W, F, S, E>(self: &Arc<Self>, name: &str, mut work: W, mut stopped: S) -> JoinHandle<()>
    where
        W: FnMut() -> F + Send + 'static,
        F: Future<Output = ()> + Send + 'static,
        S: FnMut() -> E + Send + 'static,
        E: Future<Output = ()> + Send + 'static,
    {
        let (own, name) = (self.clone(), name.to_owned());
        // Called here, and not once the task runs: what has to be heeded from now on is.
        let mut next = std::panic::catch_unwind(AssertUnwindSafe(&mut work));
        tokio::spawn(async move {
            let mut pause = own.pause;
            loop {
                let begun = Instant::now();
                let ended = match next {
                    Ok(work) => AssertUnwindSafe(work).catch_unwind().await,
                    Err(fault) => Err(fault),
                };
                if ended.is_ok() {
                    return;
                }
                if begun.elapsed() > LONGEST_PAUSE {
                    pause = own.pause;
                }
                own.fault(&name, true);
                tokio::select! {
                    () = sleep(pause) => {}
                    () = stopped() => return,
                }
                pause = (pause * 2).min(LONGEST_PAUSE);
                next = std::panic::catch_unwind(AssertUnwindSafe(&mut work));
                own.locked().entry(name.clone()).and_modify(|faults| faults.rests = false);
            }
        })
    }

    /// Notes a fault in some work; `rests` where it does not go on by itself.
    pub fn fault(&self, name: &str, rests: bool) {
        let mut of_each = self.locked();
        let last = Timestamp::now();
        let faults = of_each.entry(name.to_owned()).or_insert(Faults { times: 0, last, rests });
        *faults = Faults { times: faults.times + 1, last, rests };
        let times = faults.times;
        drop(of_each);
        tracing::error!(work = name, times, "a fault of the program ended work in the background; it is begun again");
    }

    /// What faults did since the start.
    pub fn faults(&self) -> OfEach {
        self.locked().clone()
    }
}

/// For `/readyz`: a line for each work that a fault ended.
pub fn ready(of_each: &OfEach) -> String {
    let mut out = String::new();
    for (name, Faults { times, last, rests }) in of_each {
        let now = if *rests { "has not begun again yet" } else { "was begun again" };
        let _ = writeln!(out, "background: {name}: ended by a fault {times} times, last {last:.0}; it {now}");
    }
    out
}

/// Appends the counter of faults.
pub fn metrics(of_each: &OfEach, out: &mut String) {
    const NAME: &str = "enteral_gate_background_faults_total";
    let _ = writeln!(
        out,
        "# HELP {NAME} Faults of the program that ended work in the background, which was begun again.\n# TYPE {NAME} counter"
    );
    for (name, Faults { times, .. }) in of_each {
        let _ = writeln!(out, "{NAME}{{work={name:?}}} {times}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicU32, Ordering};
    use tokio::sync::{mpsc, watch};

    fn quick() -> Arc<Background> {
        Arc::new(Background { pause: Duration::from_millis(1), ..Background::default() })
    }

    #[tokio::test]
    async fn work_that_a_fault_ended_is_counted_told_and_begun_again() {
        let background = quick();
        let (done, mut dones) = mpsc::unbounded_channel();
        let begun = Arc::new(AtomicU32::new(0));
        let work = move || {
            let (done, nth) = (done.clone(), begun.fetch_add(1, Ordering::SeqCst));
            assert_ne!(nth, 1, "before its future is there");
            async move {
                assert_ne!(nth, 0, "in its middle");
                let _ = done.send(nth);
            }
        };
        background.keep("invented work", work).await.unwrap();
        assert_eq!(dones.recv().await, Some(2));
        assert_eq!(dones.recv().await, None, "what ends by itself is not begun again");
        let faults = background.faults();
        assert_eq!(faults.len(), 1);
        assert_eq!((faults["invented work"].times, faults["invented work"].rests), (2, false));
        let told = ready(&faults);
        assert!(told.starts_with("background: invented work: ended by a fault 2 times, last "), "{told}");
        assert!(told.ends_with("; it was begun again\n"), "{told}");
        let mut counted = String::new();
        metrics(&faults, &mut counted);
        assert!(counted.ends_with("\nenteral_gate_background_faults_total{work=\"invented work\"} 2\n"), "{counted}");
    }

    #[tokio::test]
    async fn work_is_not_begun_again_after_the_stop() {
        let background = Arc::new(Background { pause: Duration::from_secs(3600), ..Background::default() });
        let (stop, stopped) = watch::channel(false);
        let until = move || {
            let mut stopped = stopped.clone();
            async move { drop(stopped.wait_for(|stop| *stop).await) }
        };
        let running = background.keep_until("invented work", || async { panic!("invented") }, until);
        while background.faults().is_empty() {
            tokio::task::yield_now().await;
        }
        assert!(ready(&background.faults()).contains("has not begun again yet"));
        stop.send_replace(true);
        running.await.unwrap();
        assert_eq!(background.faults()["invented work"].times, 1);
    }
}
