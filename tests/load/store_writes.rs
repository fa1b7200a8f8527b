//! Flagged orders recorded durably a second, and how long one waits for it, on SQLite and on PostgreSQL. It measures; it
//! is no test. `tests/load/store` runs it.

#[path = "../store/cluster.rs"]
#[allow(dead_code, reason = "only what is needed here of it")]
mod cluster;
#[path = "../store/orders.rs"]
#[allow(dead_code, reason = "only what is needed here of it")]
mod orders;

use enteral_gate::store::Store;
use enteral_gate::store::outbox::Listener;
use enteral_gate::subscriptions::Criteria;
use orders::{Folder, Place, accept, command, order, pharmacist};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// That of the service.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// One measurement: what was done, and how long each took. `told`: subscribers for whom it is kept as well; nothing is
/// sent.
async fn measure(
    place: &Place,
    callers: usize,
    seconds: u64,
    (decide, told): (bool, usize),
) -> (f64, Duration, Duration) {
    let store = Arc::new(place.open().await);
    let stop = Arc::new(AtomicBool::new(false));
    let number = Arc::new(AtomicUsize::new(1 + usize::from(decide) * 100_000_000 + told * 200_000_000));
    let listener = |n| Listener {
        id: format!("told-{n}"),
        endpoint: "https://told.example".to_owned(),
        criteria: Criteria::default(),
    };
    store.listen((0..told).map(listener).collect(), orders::at(0)).await.unwrap();
    let begun = Instant::now();
    let tasks: Vec<_> = (0..callers)
        .map(|who| {
            let (store, stop, number) = (store.clone(), stop.clone(), number.clone());
            tokio::spawn(async move {
                let me = pharmacist(&format!("p{who}"));
                let mut times = Vec::new();
                while !stop.load(Ordering::Relaxed) {
                    let n = number.fetch_add(1, Ordering::Relaxed);
                    // Each a little later than the one before, as orders come.
                    let mut one = order(n, 1, 0);
                    one.at = one.at.checked_add(jiff::SignedDuration::from_millis(n as i64)).unwrap_or(one.at);
                    let id = one.id();
                    let from = Instant::now();
                    store.record(vec![one]).await.unwrap();
                    if decide {
                        store.act(id, command(&me, 1, 1, accept())).await.unwrap();
                    }
                    times.push(from.elapsed());
                }
                times
            })
        })
        .collect();
    tokio::time::sleep(Duration::from_secs(seconds)).await;
    stop.store(true, Ordering::Relaxed);
    let mut times = Vec::new();
    for task in tasks {
        times.extend(task.await.unwrap());
    }
    let rate = times.len() as f64 / begun.elapsed().as_secs_f64();
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize];
    let out = (rate, at(0.5), at(0.99));
    store.close().await.unwrap();
    out
}

/// Seconds of CPU that this process has taken, those of a server of its own not among them.
fn cpu() -> f64 {
    let stat = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let ticks = |nth: usize| stat.rsplit(')').next()?.split_whitespace().nth(nth)?.parse::<f64>().ok();
    // A hundred ticks a second, which is what Linux tells programs whatever it counts itself.
    (ticks(11).unwrap_or_default() + ticks(12).unwrap_or_default()) / 100.0
}

fn main() {
    let seconds = std::env::var("EG_SECONDS").ok().map_or(10, |n| n.parse().expect("EG_SECONDS is a number"));
    let folder = Folder::new();
    let cluster = cluster::Cluster::start("load");
    let bytes = order(1, 1, 0);
    let report = serde_json::to_string(&*bytes.report).unwrap().len();
    let kept = orders::runtime().block_on(async {
        let place = Place::Sqlite(folder.join("one.sqlite"));
        let store = place.open().await;
        orders::put(&store, order(1, 1, 0)).await;
        store.close().await.unwrap();
        place
            .lines("SELECT CAST(LENGTH(report) + COALESCE(LENGTH(report_packed), 0) AS TEXT) FROM items")
            .await
            .remove(0)
    });
    println!(
        "an order of {} bytes with a report of {report} bytes, kept as {kept}; {seconds} s each",
        bytes.resource.len()
    );
    println!(
        "{:12} {:>8} {:18} {:>10} {:>12} {:>12} {:>14} {:>14}",
        "store", "callers", "what", "a second", "median", "99 of 100", "own CPU each", "load average"
    );
    for callers in std::env::var("EG_CALLERS")
        .ok()
        .map_or(vec![1, 64, 256, 1000], |n| vec![n.parse().expect("EG_CALLERS is a number")])
    {
        let only = std::env::var("EG_ONLY").unwrap_or_default();
        for (name, place) in [
            ("SQLite", Place::Sqlite(folder.join(&format!("queue-{callers}.sqlite")))),
            ("PostgreSQL", Place::Postgres(cluster.database())),
        ] {
            if !only.is_empty() && only != name {
                continue;
            }
            for (what, decide, told) in [
                ("record", false, 0),
                ("record and decide", true, 0),
                ("record, tell one", false, 1),
                ("record, tell five", false, 5),
            ] {
                if what != "record" && callers < 64 {
                    continue;
                }
                let before = cpu();
                let (rate, median, most) =
                    orders::runtime().block_on(measure(&place, callers, seconds, (decide, told)));
                let each = (cpu() - before) / (rate * seconds as f64) * 1e6;
                let load = std::fs::read_to_string("/proc/loadavg").unwrap_or_default();
                let load = load.split(' ').next().unwrap_or_default();
                println!(
                    "{name:12} {callers:>8} {what:18} {rate:>10.0} {median:>12.1?} {most:>12.1?} {each:>11.0} µs {load:>14}"
                );
            }
        }
    }
}
