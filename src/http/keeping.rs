//! Appraised orders on their way to the queue. What is found always goes out; whether it was recorded as well is said in
//! the answer, and counted.

use super::App;
use super::metrics::Counters;
use super::spans::{Stage, stage};
use crate::queue::item::Received;
use crate::store::{NotOpened, Recorded, Store};
use axum::response::Response;
use http::{HeaderName, HeaderValue};
use jiff::Timestamp;
use serde_json::{Value, json};
use std::collections::HashSet;
use std::fmt::Write as _;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::Semaphore;
use tokio::time::{Instant, timeout_at};
use tracing::Instrument as _;

/// Says in an answer whether what it tells of is in the queue: `recorded` or `not-recorded`; absent where nothing was to
/// be recorded.
pub const HEADER: HeaderName = HeaderName::from_static("enteral-gate-queue");

/// Counter of orders that were to be recorded.
pub const RECORDED: &str = "enteral_gate_queue_orders_total";

/// What the counters are.
pub const COUNTERS: [(&str, &str); 1] = [(
    RECORDED,
    "Orders that were to be recorded: new, again, not-recorded (tried again from memory or the spool), late (not known when the answer went out).",
)];

/// Longest time that an answer to an operation waits for its orders to be recorded.
pub const PATIENCE: Duration = Duration::from_secs(2);

/// How much of that is left to the disk on which what is not recorded waits.
const SPARE: Duration = Duration::from_millis(250);

/// Clear orders that are looked up at the same time; more wait in memory.
static CLEAR: Semaphore = Semaphore::const_new(MOST_CLEAR as usize);
const MOST_CLEAR: u32 = 64;

/// Who sent orders, and how.
#[derive(Clone, Debug, Default)]
pub struct Sender {
    /// The caller, as configured.
    pub client: String,
    /// Base of its FHIR server, as it says.
    pub base: String,
    /// What was called.
    pub through: &'static str,
    /// When their request came, where that is known: what was asked for after it is newer.
    pub came: Option<Timestamp>,
    /// When the orders were received, where the answer to them went out long ago.
    pub since: Option<Timestamp>,
}

/// What came of recording.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kept {
    /// There was nothing to record, or nothing is kept here.
    Nothing,
    /// All of it is durable.
    Recorded,
    /// It is not, as far as is known now.
    NotRecorded,
}

impl Kept {
    /// Says it in a header.
    pub fn mark(self, response: &mut Response) {
        let word = match self {
            Self::Nothing => return,
            Self::Recorded => "recorded",
            Self::NotRecorded => "not-recorded",
        };
        response.headers_mut().insert(HEADER, HeaderValue::from_static(word));
    }
}

/// Whether anything is kept, and so whether it is worth while to put it together.
pub fn keeps(app: &App) -> bool {
    app.doors.store.is_some()
}

/// Records the orders of one request, all or none, and waits for it as long as there is time.
pub async fn keep(app: &App, orders: Vec<Received>, sender: Sender, until: Instant) -> Kept {
    keep_each(app, orders, sender, until).await.0
}

/// The same, with what came of each that is on the queue now.
pub async fn keep_each(app: &App, mut orders: Vec<Received>, sender: Sender, until: Instant) -> (Kept, Vec<Recorded>) {
    let Some(store) = app.doors.store.clone() else { return (Kept::Nothing, Vec::new()) };
    if orders.is_empty() {
        return (Kept::Nothing, Vec::new());
    }
    let now = Timestamp::now();
    store.received(now);
    let mut before = HashSet::new();
    for order in &mut orders {
        // What came after them may be there already.
        (order.at, order.late) = sender.since.map_or((now, None), |since| (since, Some(now)));
        order.key.client.clone_from(&sender.client);
        order.key.base.clone_from(&sender.base);
        order.through = sender.through.to_owned();
        let key = order.key.text();
        if order.is_item() {
            before.extend(key);
        } else {
            // What was asked for after it, and judged sooner, stays; what stands before it in the same request does not.
            let same = key.is_some_and(|key| before.contains(&key));
            order.at = if same { order.at } else { sender.since.or(sender.came).unwrap_or(now) };
            order.late = Some(now);
        }
    }
    let items = orders.iter().filter(|order| order.is_item()).count();
    if items == 0 {
        replace_earlier(store, orders);
        return (Kept::Nothing, Vec::new());
    }
    let count = |result: &str, n| app.kept.add(RECORDED, format!("result=\"{result}\""), n);
    // What is not recorded by then is brought to the disk before its answer goes out.
    let spare =
        if store.has_spool() { SPARE.min(until.saturating_duration_since(Instant::now()) / 4) } else { Duration::ZERO };
    let recording = async {
        let came = timeout_at(until.checked_sub(spare).unwrap_or(until), store.record(orders)).await;
        if !matches!(came, Ok(Ok(_))) {
            let _ = store.spooled(until).await;
        }
        came
    };
    let came = recording.instrument(stage(Stage::Record)).await;
    match came {
        Ok(Ok(mut recorded)) => {
            let new = recorded.iter().filter(|r| matches!(r, Recorded::New(_))).count();
            count("new", new);
            count("again", recorded.iter().filter(|r| matches!(r, Recorded::Again(_))).count());
            recorded.retain(|r| r.item().is_some());
            (Kept::Recorded, recorded)
        }
        Ok(Err(error)) => {
            count("not-recorded", items);
            tracing::error!(orders = items, problem = %error, "orders were answered and not recorded");
            (Kept::NotRecorded, Vec::new())
        }
        Err(_) => {
            count("late", items);
            tracing::error!(orders = items, "orders were answered before it was known whether they are recorded");
            (Kept::NotRecorded, Vec::new())
        }
    }
}

/// Takes earlier contents of clear orders off the queue. No answer waits for that: what the same client sends next may be
/// there before, and stays.
fn replace_earlier(store: Arc<dyn Store>, mut orders: Vec<Received>) {
    orders.retain(|order| order.key.text().is_some());
    if orders.is_empty() {
        return;
    }
    let Ok(turn) = CLEAR.try_acquire() else { return store.replace_later(orders) };
    tokio::spawn(async move {
        let _turn = turn;
        if let Err(error) = store.record(orders).await {
            tracing::warn!(problem = %error, "earlier contents of clear orders are still on the queue; it is tried again");
        }
    });
}

/// Waits a little until no clear order is being looked up beside its answer; what is not by then waits in memory, where it
/// is counted when the store is closed.
pub async fn settled() {
    let _ = tokio::time::timeout(PATIENCE, CLEAR.acquire_many(MOST_CLEAR)).await;
}

const NOT_RECORDED: &str = "Not recorded: this could not be put on the queue, where pharmacists and dietitians see it. It is tried again, as far as there is room for it to wait.";

fn issue() -> Value {
    json!({ "severity": "warning", "code": "transient", "details": { "text": NOT_RECORDED } })
}

/// An answer with an issue that it was not recorded: an OperationOutcome, or Parameters with one. Anything else stays as
/// it is; the header says it.
pub fn with_issue(body: String) -> String {
    let Ok(mut answer) = serde_json::from_str::<Value>(&body) else { return body };
    let parameters = answer.get("parameter").and_then(Value::as_array);
    let outcome = parameters.and_then(|list| list.iter().position(|p| p["name"] == "outcome"));
    let issues = match outcome {
        Some(nth) => answer.pointer_mut(&format!("/parameter/{nth}/resource/issue")),
        None => answer.get_mut("issue"),
    };
    let Some(issues) = issues.and_then(Value::as_array_mut) else { return body };
    issues.push(issue());
    answer.to_string()
}

/// An OperationOutcome that says only that.
pub fn outcome() -> String {
    json!({ "resourceType": "OperationOutcome", "issue": [issue()] }).to_string()
}

/// Why nothing is recorded here, where that is no outage that this process saw begin: another one may record.
pub fn over(app: &App) -> Option<&'static str> {
    let health = app.doors.store.as_ref()?.health();
    match (health.ended, health.displaced, health.not_opened) {
        (true, ..) => Some("nothing is recorded until the service is started again"),
        (false, true, _) => {
            Some("nothing is recorded until the queue's file is back in its place, or the service is started again")
        }
        (false, false, Some(NotOpened::NeverReached)) => {
            Some("nothing is recorded here until the database was reached once; what comes is answered")
        }
        (false, false, Some(NotOpened::NotUsable)) => {
            Some("nothing is recorded here as long as the database cannot be worked on; what comes is answered")
        }
        (false, false, None) => None,
    }
}

/// Says how many of those that wait have no room in memory.
fn on_disk_alone(out: &mut String, n: u64) {
    if n > 0 {
        let _ = write!(out, " ({n} of them in the spool alone)");
    }
}

/// What `/readyz` says of the store. A store that cannot be used is no reason to take no orders: what is found goes out.
/// One that never will be, or never was since the start, is: another replica may record them, and is not to be replaced.
pub fn ready(app: &App) -> String {
    let Some(store) = &app.doors.store else { return String::new() };
    let health = store.health();
    let mut out = format!("queue: {}", health.kind);
    match (&health.trouble, health.since) {
        (Some(trouble), Some(since)) if health.looking => {
            let _ = write!(out, ": the queue cannot be looked at since {since:.0}: {trouble}");
        }
        (Some(trouble), Some(since)) => {
            let _ = write!(out, ": orders are answered and NOT recorded since {since:.0}: {trouble}");
        }
        _ => out.push_str(": recording"),
    }
    if health.waiting > 0 {
        let _ = write!(out, "; {} wait to be recorded", health.waiting);
        on_disk_alone(&mut out, health.on_disk_alone);
    }
    if health.lost > 0 {
        let _ = write!(out, "; {} were lost since the start", health.lost);
    }
    if health.clear_waiting > 0 {
        let _ = write!(out, "; {} clear orders wait to take earlier contents off the queue", health.clear_waiting);
        on_disk_alone(&mut out, health.clear_on_disk_alone);
    }
    if health.clear_lost > 0 {
        let _ = write!(
            out,
            "; {} clear orders were lost since the start, earlier contents of which may still be on the queue",
            health.clear_lost
        );
    }
    if let Some(spool) = &health.spool {
        if spool.orders > 0 {
            let _ = write!(out, "; {} orders are in the spool, {} bytes", spool.orders, spool.bytes);
        }
        if let Some((since, why)) = &spool.trouble {
            let _ = write!(out, "; the spool is NOT written since {since:.0}: {why}: what waits is in memory alone");
        }
        if let Some(last) = &spool.last_damaged {
            let _ = write!(
                out,
                "; {} files of the spool were not whole, and what was in them is NOT on the queue, the last: {last}",
                spool.damaged
            );
        }
        if let Some(last) = &spool.last_unread {
            let _ = write!(
                out,
                "; {} files of the spool cannot be read and are tried again, one of them: {last}",
                spool.unread
            );
        }
        if let Some(last) = spool.last_unremoved.as_ref().filter(|_| spool.unremoved > 0) {
            let _ = write!(
                out,
                "; {} files of the spool cannot be removed though their orders are recorded, the last: {last}",
                spool.unremoved
            );
        }
        if spool.refused > 0 {
            let _ = write!(
                out,
                "; {} files of the spool hold orders that the store refused and that are NOT on the queue",
                spool.refused
            );
        }
        if spool.gone > 0 {
            let _ = write!(
                out,
                "; {} files of the spool were gone, and what was in them may NOT be on the queue",
                spool.gone
            );
        }
    }
    if let Some(bytes) = health.log_behind {
        let _ = write!(
            out,
            "; {} MiB of SQLite's log are not in its file, and it grows until the disk is full",
            bytes >> 20
        );
    }
    if let Some(last) = &health.last_refused {
        let _ =
            write!(out, "; {} were refused by the store and are NOT on the queue, the last: {last}", health.refused);
    }
    if let Some(last) = &health.last_damaged {
        let _ = write!(
            out,
            "; {} items of the queue cannot be read, and orders that belong to them wait; one of them: {last}",
            health.damaged
        );
    }
    match health.last_order {
        Some(at) => {
            let _ = writeln!(out, "; last order received {at:.0}");
        }
        None => out.push_str("; no order was ever received\n"),
    }
    out
}

/// Appends the metrics of the queue.
pub fn metrics(app: &App, counters: &Counters, out: &mut String) {
    let Some(store) = &app.doors.store else { return };
    counters.write(out, &COUNTERS);
    let health = store.health();
    let gauges = [
        (
            "enteral_gate_queue_up",
            "Whether orders are recorded and can be looked at (1) or not (0).",
            u64::from(health.trouble.is_none()),
        ),
        (
            "enteral_gate_queue_waiting",
            "Orders that wait in memory, or in the spool alone, to be recorded.",
            health.waiting,
        ),
        (
            "enteral_gate_queue_lost",
            "Orders for which there was no room in memory, nor in the spool, since the start.",
            health.lost,
        ),
        (
            "enteral_gate_queue_refused",
            "Orders that the store refused by themselves again and again and that are not on the queue, since the start.",
            health.refused,
        ),
        (
            "enteral_gate_queue_damaged",
            "Items of the queue that cannot be read, as far as somebody looked; what is about them waits, all else goes on.",
            health.damaged,
        ),
        (
            "enteral_gate_queue_clear_waiting",
            "Clear orders that wait in memory, or in the spool alone, to take an earlier content off the queue.",
            health.clear_waiting,
        ),
        (
            "enteral_gate_queue_clear_lost",
            "Clear orders that could not be kept in memory either, since the start: an earlier content may still be on the queue.",
            health.clear_lost,
        ),
        (
            "enteral_gate_queue_log_behind_bytes",
            "Bytes of SQLite's log that are not in its file, where they are too many; otherwise 0.",
            health.log_behind.unwrap_or_default(),
        ),
        (
            "enteral_gate_queue_last_order_seconds",
            "When the last order was received, seconds since 1970; 0 for never.",
            health.last_order.map_or(0, |at| u64::try_from(at.as_second()).unwrap_or_default()),
        ),
    ];
    let spool = health.spool.as_ref().map(|spool| {
        [
            (
                "enteral_gate_spool_up",
                "Whether the spool can be written, read and removed from (1), or not, and what waits is in memory alone (0).",
                u64::from(spool.is_well()),
            ),
            ("enteral_gate_spool_orders", "Orders in the spool.", spool.orders),
            (
                "enteral_gate_spool_bytes",
                "Bytes that the orders in the spool take on its disk, in blocks of 4096.",
                spool.bytes,
            ),
            (
                "enteral_gate_spool_damaged",
                "Files that lie in the spool and were not whole: what was in them is not on the queue.",
                spool.damaged,
            ),
            (
                "enteral_gate_spool_refused",
                "Files that lie in the spool of orders that the store refused: they are not on the queue.",
                spool.refused,
            ),
            (
                "enteral_gate_spool_gone",
                "Files of the spool that were gone, since the start: what was in them may not be on the queue.",
                spool.gone,
            ),
        ]
    });
    for (name, what, value) in gauges.into_iter().chain(spool.into_iter().flatten()) {
        let _ = writeln!(out, "# HELP {name} {what}\n# TYPE {name} gauge\n{name} {value}");
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::formulary::Formulary;
    use crate::http::appraiser::Core;
    use crate::http::{Doors, Limits, pages};
    use crate::settings::Settings;
    use axum::extract::State;
    use http::StatusCode;

    /// A service with a queue of its own.
    async fn keeps() -> (crate::store::Folder, Arc<crate::store::SqlStore>, Arc<App>) {
        let csv = include_bytes!("../../deploy/demo/formulary.csv");
        let core = Arc::new(Core::new(Formulary::from_csv("formulary.csv", csv).unwrap()));
        let folder = crate::store::Folder::new();
        let store = crate::store::SqlStore::sqlite(&folder.place(), Default::default()).await.unwrap();
        let store = Arc::new(store);
        let doors = Doors { store: Some(store.clone()), ..Doors::default() };
        let app = App::behind(doors, core, Settings::default(), Limits::default());
        (folder, store, app)
    }

    /// A clear order is looked at beside its answer; what the same client sent after it may be recorded before, and stays.
    /// In one thread what was begun beside runs only once the other waits: the clear one is always the later.
    #[tokio::test]
    async fn a_clear_order_that_is_slow_does_not_replace_what_came_after_it() {
        let (_folder, store, app) = keeps().await;
        let content = |n: u8, clear: bool| {
            let mut one = crate::store::order(1);
            one.content = format!("{n:064x}");
            if clear {
                Arc::make_mut(&mut one.report).disposition = crate::findings::Disposition::Clear;
                assert!(!one.is_item());
            }
            one
        };
        let sends = async |n: u8, clear: bool| {
            let until = Instant::now() + Duration::from_secs(60);
            keep(&app, vec![content(n, clear)], Sender::default(), until).await
        };
        assert_eq!(sends(1, false).await, Kept::Recorded);
        assert_eq!(sends(2, true).await, Kept::Nothing);
        assert_eq!(sends(3, false).await, Kept::Recorded);
        // The clear one is done when all turns are free again.
        let free = tokio::time::timeout(Duration::from_secs(60), CLEAR.acquire_many(64)).await.unwrap().unwrap();
        drop(free);
        let kept = store.get(content(3, false).id()).await.unwrap().unwrap().summary;
        assert!(kept.is_open(), "{:?}", kept.standing);
    }

    /// A clear answer that was asked for first and judged last, as one is whose hook fetched for long, takes nothing off the
    /// queue that was asked for meanwhile; what was asked for before it, it does.
    #[tokio::test]
    async fn a_clear_order_counts_as_asked_for_when_its_request_came() {
        let (_folder, store, app) = keeps().await;
        let content = |order: usize, n: u8, clear: bool| {
            let mut one = crate::store::order(order);
            one.content = format!("{n:064x}");
            if clear {
                Arc::make_mut(&mut one.report).disposition = crate::findings::Disposition::Clear;
            }
            one
        };
        let until = Instant::now() + Duration::from_secs(60);
        let sends = async |orders, came| keep(&app, orders, Sender { came, ..Sender::default() }, until).await;
        let open = async |order, n| {
            store.get(content(order, n, false).id()).await.unwrap().is_some_and(|item| item.summary.is_open())
        };
        let early = Some(Timestamp::now());
        assert_eq!(sends(vec![content(1, 1, false)], Some(Timestamp::now())).await, Kept::Recorded);
        sends(vec![content(1, 2, true)], early).await;
        // The same in a request with others.
        sends(vec![content(2, 9, false), content(1, 2, true)], early).await;
        settled().await;
        assert!(open(1, 1).await, "it was asked for after the clear one");
        sends(vec![content(1, 2, true)], Some(Timestamp::now())).await;
        settled().await;
        assert!(!open(1, 1).await, "it was asked for before the clear one");
        // Of one request the later entry is the order's content.
        sends(vec![content(3, 1, false), content(3, 2, true)], early).await;
        assert!(!open(3, 1).await);
    }

    /// Where nothing is written any more, whoever shares the load is told to send orders elsewhere, and the pages say it.
    #[tokio::test(flavor = "multi_thread")]
    async fn a_store_that_writes_no_more_is_not_ready_and_says_so() {
        let csv = include_bytes!("../../deploy/demo/formulary.csv");
        let core = || Arc::new(Core::new(Formulary::from_csv("formulary.csv", csv).unwrap()));
        let (_folder, store) = crate::store::ended().await;
        let doors = Doors { store: Some(Arc::new(store)), ..Doors::default() };
        let app = App::behind(doors, core(), Settings::default(), Limits::default());
        let ready = pages::ready(State(app.clone())).await;
        assert_eq!(ready.status(), StatusCode::SERVICE_UNAVAILABLE);
        let said = axum::body::to_bytes(ready.into_body(), 1 << 16).await.unwrap();
        let said = String::from_utf8(said.to_vec()).unwrap();
        assert!(said.starts_with("not ready: nothing is recorded until the service is started again"), "{said}");
        assert!(said.contains("NOT recorded since") && said.contains("what writes has ended"), "{said}");
        let mut told = String::new();
        metrics(&app, &app.kept, &mut told);
        assert!(told.contains("\nenteral_gate_queue_up 0\n"), "{told}");
        let banner = pages::queue::banner(&app, &**app.doors.store.as_ref().unwrap(), None, Timestamp::now());
        assert!(banner.bad && banner.rows.iter().any(|(_, words)| words.contains("restart the service")));
        let state = pages::state::queue(&app, Timestamp::now()).await;
        assert!(state.iter().any(|(name, words, bad)| name == "Trouble" && words.contains("restart") && *bad));
        // A service that keeps nothing has nothing that could end.
        let app = App::new(core(), Settings::default(), Limits::default());
        assert_eq!(pages::ready(State(app)).await.status(), StatusCode::OK);
    }
}
