//! What PostgreSQL does for a statement while it knows nothing yet of the rows of a table that has grown fast.

use crate::cluster;
use crate::orders::{Place, order, query, runtime};
use enteral_gate::store::Store;
use std::time::{Duration, Instant};

/// A service that starts beside a queue which was just filled looks orders up one by one. PostgreSQL takes a column without
/// statistics for one of 200 different values, and would read every row for each transaction of some hundred orders.
#[test]
fn orders_are_looked_up_by_the_index_before_there_are_statistics() {
    const ROWS: usize = 8192;
    let place = Place::Postgres(cluster::shared().database());
    let orders = |from: usize, n: usize| (from..from + n).map(|n| order(n, 1, 0)).collect::<Vec<_>>();
    let number = |lines: Vec<String>| lines[0].parse::<i64>().unwrap();
    runtime().block_on(async {
        let store = place.open().await;
        // Nobody else brings statistics in meanwhile.
        place.lines("ALTER TABLE items SET (autovacuum_enabled = false)").await;
        store.record(orders(0, ROWS)).await.unwrap();
        store.close().await.unwrap();
        // What a session read is counted at the latest when it has gone.
        let others = "SELECT COUNT(*)::text FROM pg_stat_activity WHERE datname = current_database() \
                      AND backend_type = 'client backend' AND pid <> pg_backend_pid()";
        let read = async || {
            let begun = Instant::now();
            while place.lines(others).await != ["0"] {
                assert!(begun.elapsed() < Duration::from_secs(60), "a closed store keeps its sessions");
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
            place.lines("SELECT SUM(seq_tup_read)::text FROM pg_stat_user_tables WHERE relname = 'items'").await
        };
        // What opening a store reads, and what recording reads beside that.
        let mut after = vec![number(read().await)];
        for more in [0, 512] {
            let store = place.open().await;
            // The queue has been read, in both.
            store.list(query(1)).await.unwrap();
            if more > 0 {
                store.record(orders(ROWS, more)).await.unwrap();
            }
            store.close().await.unwrap();
            after.push(number(read().await));
        }
        let (opening, recording) = (after[1] - after[0], after[2] - after[1]);
        println!(
            "counts: {opening} rows read one after the other to open, {recording} to open and record; {ROWS} are there"
        );
        assert!(recording - opening < ROWS as i64, "the table was read whole for what an index tells");
    });
}
