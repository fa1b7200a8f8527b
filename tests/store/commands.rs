//! The command line looks after a store while it is used: copies that are whole, copies put back into either database,
//! and what is past its time removed with a line that says so.

use crate::cluster;
use crate::orders::{Folder, GAPS, Place, accept, all, command, json, order, pharmacist, put, runtime};
use crate::told::{FORMULARY, Running, asked, http};
use enteral_gate::audit;
use enteral_gate::cli::store::purge_again;
use enteral_gate::queue::item::Summary;
use enteral_gate::store::schema::VERSION;
use enteral_gate::store::views::{Change, View};
use enteral_gate::store::{Store, tables};
use jiff::{SignedDuration, Timestamp};
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::time::Duration;

fn store(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
        .env_clear()
        .arg("store")
        .args(arguments)
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

/// A queue that cannot be sorted by other times is given in the order of before, and sorted when it can be.
#[test]
fn other_times_keep_no_service_from_starting() {
    let folder = Folder::new();
    let place = Place::Sqlite(folder.join("queue.sqlite"));
    let look = |sql: &str| runtime().block_on(place.lines(sql));
    runtime().block_on(async {
        let store = place.open().await;
        for n in 0..2 {
            put(&store, order(n, 1, 0)).await;
        }
        store.close().await.unwrap();
    });
    let keys = || look("SELECT DISTINCT sort_key FROM items");
    let before = keys();
    let only = format!("CREATE UNIQUE INDEX one ON items (standing) WHERE sort_key <> '{}'", before[0]);
    runtime().block_on(place.tamper(&only));
    let settings = folder.join("settings.toml");
    std::fs::write(
        &settings,
        "queue = { stop-within = 1, high-within = 1, not-fully-checked-within = 1, medium-within = 1 }\n",
    )
    .unwrap();
    let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    command
        .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
        .args(["--store", &place.text(), "--settings", settings.to_str().unwrap()])
        .env("ENTERAL_GATE_LOG", "off");
    let service = Running::of(command);
    let answer = http(&service.at, "GET", "/readyz", "");
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    assert_eq!(keys(), before);
    runtime().block_on(place.tamper("DROP INDEX one"));
    let mut after = keys();
    for _ in 0..600 {
        if after != before {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
        after = keys();
    }
    assert!(after.len() == 1 && after != before, "{after:?}");
}

/// What a command says that does what it should.
fn done(arguments: &[&str]) -> String {
    let out = store(arguments);
    let said = String::from_utf8(out.stdout).unwrap();
    assert!(out.status.success(), "{arguments:?}: {said}{}", String::from_utf8_lossy(&out.stderr));
    said
}

fn fails(arguments: &[&str], code: i32) -> String {
    let out = store(arguments);
    assert_eq!(out.status.code(), Some(code), "{arguments:?}: {out:?}");
    String::from_utf8(if code == 64 { out.stderr } else { out.stdout }).unwrap()
}

fn items(place: &Place) -> Vec<Summary> {
    runtime().block_on(async {
        let store = place.open().await;
        let items = all(&store).await;
        store.verify().await.unwrap();
        store.close().await.unwrap();
        items
    })
}

fn fill(place: &Place) {
    runtime().block_on(async {
        let store = place.open().await;
        let ann = pharmacist("ann");
        for n in 0..70 {
            put(&store, order(n, 1, n as i64)).await;
        }
        for n in 0..10 {
            store.act(order(n, 1, 0).id(), command(&ann, 1, 100, accept())).await.unwrap();
        }
        store.close().await.unwrap();
    });
}

fn copied_and_put_back(place: &Place) {
    fill(place);
    let views = |place: &Place| {
        let place = place.clone();
        runtime().block_on(async move { place.open().await.views("ann".to_owned()).await.unwrap() })
    };
    let view = View { name: "Mine".to_owned(), query: "q=x".to_owned() };
    runtime().block_on(async {
        let store = place.open().await;
        store.set_view("ann".to_owned(), Change::Keep(view.clone())).await.unwrap();
        store.close().await.unwrap();
    });
    let before = items(place);
    let folder = Folder::new();
    let path = |name: &str| folder.join(name).to_str().unwrap().to_owned();
    let (copy, other) = (path("copy.sqlite"), path("other.sqlite"));
    let said = done(&["backup", "--store", &place.text(), &copy]);
    assert!(said.contains("70 orders, 80 entries of the trail (0 of removed orders)"), "{said}");
    assert!(!Path::new(&format!("{copy}-wal")).exists() && !Path::new(&format!("{copy}.part")).exists());
    assert!(fails(&["backup", "--store", &place.text(), &copy], 64).contains("there already"));
    // The place of the last entry is found again, and not where the end is missing.
    let anchor = said.trim().rsplit(' ').next().unwrap().to_owned();
    let bytes = std::fs::read(&copy).unwrap();
    done(&["verify", "--store", &copy, "--anchor", &anchor]);
    assert_eq!(std::fs::read(&copy).unwrap(), bytes, "to look at a copy changes nothing in it");
    // Put back into a file, and into a database.
    let said = done(&["restore", "--store", &other, &copy]);
    assert!(said.starts_with("restored: 70 orders"), "{said}");
    assert_eq!(items(&Place::Sqlite(other.clone().into())), before);
    let database = Place::Postgres(cluster::shared().database());
    done(&["restore", "--store", &database.text(), &copy]);
    assert_eq!(items(&database), before);
    assert_eq!(views(&database), [view]);
    assert!(fails(&["restore", "--store", &database.text(), &copy], 64).contains("not empty"));
    // Over a file: what was there is kept.
    runtime().block_on(async {
        let store = Place::Sqlite(other.clone().into()).open().await;
        put(&store, order(500, 1, 500)).await;
        store.close().await.unwrap();
    });
    let said = done(&["restore", "--store", &other, &copy]);
    assert!(said.contains(&format!("kept as {other}.before-1")), "{said}");
    assert_eq!(items(&Place::Sqlite(other.clone().into())), before);
    assert_eq!(items(&Place::Sqlite(format!("{other}.before-1").into())).len(), 71);
    // And what comes after goes on in the same chain.
    runtime().block_on(async {
        let store = database.open().await;
        put(&store, order(600, 1, 600)).await;
        let verified = store.verify().await.unwrap();
        assert_eq!((verified.items, verified.entries), (71, 81));
        store.close().await.unwrap();
    });
    // A copy that was changed is not put back, and is named.
    runtime().block_on(Place::Sqlite(copy.clone().into()).tamper("DELETE FROM trail WHERE seq = 80"));
    let said = fails(&["verify", "--store", &copy, "--anchor", &anchor], 1);
    assert!(said.starts_with("NOT whole: "), "{said}");
    let text = std::fs::read(&other).unwrap();
    fails(&["restore", "--store", &other, &copy], 64);
    assert_eq!(std::fs::read(&other).unwrap(), text, "nothing has changed");
}

/// A hook reads longer texts than the operations do: what it accepted and recorded is whole in every copy.
#[test]
fn an_order_of_a_hook_with_a_long_text_is_whole_in_copies() {
    let folder = Folder::new();
    let path = |name: &str| folder.join(name).to_str().unwrap().to_owned();
    let (queue, copy, other) = (path("queue.sqlite"), path("copy.sqlite"), path("other.sqlite"));
    let mut serve = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
    serve
        .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
        .args(["--store", &queue])
        .env("ENTERAL_GATE_LOG", "off");
    let service = Running::of(serve);
    let request = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/hooks/requests/sign-maximum-below-schedule.json");
    let mut request: serde_json::Value = serde_json::from_slice(&std::fs::read(request).unwrap()).unwrap();
    request["context"]["draftOrders"]["entry"][0]["resource"]["note"] =
        serde_json::json!([{"text": "invented ".repeat(2_000)}]);
    let hook = ("POST", "/cds-services/tube-feeding-order-sign");
    let answer = asked(&service.at, hook, "application/json", "", &request.to_string());
    assert!(answer.starts_with("HTTP/1.1 200") && answer.contains(r#""recorded":true"#), "{answer}");
    drop(service);
    assert!(done(&["verify", "--store", &queue]).starts_with("whole: 1 order"));
    done(&["backup", "--store", &queue, &copy]);
    assert!(done(&["restore", "--store", &other, &copy]).starts_with("restored: 1 order"));
}

#[test]
fn copies_of_sqlite_are_whole_and_put_back() {
    let folder = Folder::new();
    copied_and_put_back(&Place::Sqlite(folder.join("queue.sqlite")));
}

#[test]
fn copies_of_postgres_are_whole_and_put_back() {
    copied_and_put_back(&Place::Postgres(cluster::shared().database()));
}

/// A copy made while others write is of one moment.
#[test]
fn copies_are_made_while_others_write() {
    let folder = Folder::new();
    for (n, place) in
        [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())].iter().enumerate()
    {
        runtime().block_on(async {
            let store = std::sync::Arc::new(place.open().await);
            let stop = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
            let written = std::sync::Arc::new(std::sync::atomic::AtomicUsize::new(0));
            let writing = tokio::spawn({
                let (store, stop, written) = (store.clone(), stop.clone(), written.clone());
                async move {
                    let mut n = 0;
                    while !stop.load(std::sync::atomic::Ordering::Relaxed) {
                        put(&*store, order(n / 2, n % 2, n as i64)).await;
                        n += 1;
                        written.store(n, std::sync::atomic::Ordering::Relaxed);
                    }
                }
            });
            let mut round = 0;
            // However slow the machine is, copies are made until enough was written beside them.
            while round < 5 || written.load(std::sync::atomic::Ordering::Relaxed) <= 10 {
                let file = folder.join(&format!("copy-{n}-{round}.sqlite"));
                let (place, to) = (place.text(), file.clone());
                let said =
                    tokio::task::spawn_blocking(move || done(&["backup", "--store", &place, to.to_str().unwrap()]));
                assert!(said.await.unwrap().contains("orders, "));
                round += 1;
            }
            stop.store(true, std::sync::atomic::Ordering::Relaxed);
            writing.await.unwrap();
            store.close().await.unwrap();
        });
    }
}

#[test]
fn what_is_past_its_time_is_removed_with_a_line() {
    let folder = Folder::new();
    for place in [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())] {
        let now = Timestamp::now();
        let days_ago = |days: i64| now.checked_sub(SignedDuration::from_hours(days * 24)).unwrap();
        runtime().block_on(async {
            let store = place.open().await;
            for (n, days) in [(1, 40), (2, 40), (3, 1)] {
                let mut one = order(n, 1, 0);
                one.at = days_ago(days);
                put(&store, one).await;
                if n != 2 {
                    let mut decide = command(&pharmacist("ann"), 1, 0, accept());
                    decide.at = days_ago(days);
                    store.act(order(n, 1, 0).id(), decide).await.unwrap();
                }
            }
            store.close().await.unwrap();
        });
        let at = place.text();
        assert_eq!(done(&["purge", "--store", &at, "--keep-days", "30"]), "1 orders removed\n");
        let left: Vec<String> = items(&place).into_iter().map(|s| s.key.order).collect();
        assert_eq!(left.len(), 2, "the open one stays however old it is: {left:?}");
        assert!(left.contains(&"n2".to_owned()) && left.contains(&"n3".to_owned()));
        let said = done(&["verify", "--store", &at]);
        assert!(said.contains("2 orders, 6 entries of the trail (2 of removed orders)"), "{said}");
        assert_eq!(purges(&place, now), [("program".to_owned(), Some("command-line".to_owned()), Some(1))]);
    }
}

/// Who removed orders since a time, by kind and reference, and how many.
fn purges(place: &Place, since: Timestamp) -> Vec<(String, Option<String>, Option<u32>)> {
    let lines = runtime().block_on(place.lines("SELECT line FROM trail WHERE item IS NULL ORDER BY seq"));
    let read = |line: &String| {
        let event = audit::line::read(line.as_bytes()).unwrap().event;
        assert_eq!((event.action.as_str(), event.outcome.result.as_str()), ("purged", "done"), "{line}");
        assert!(since <= event.time && event.time <= Timestamp::now(), "{line}");
        assert_eq!(event.on, audit::On::default(), "of what was removed nothing is said: {line}");
        let who = event.who.reference.map(|reference| reference.as_str().to_owned());
        (event.who.kind.word().to_owned(), who, event.outcome.count)
    };
    lines.iter().map(read).collect()
}

/// Records orders that were decided, replaced or left open so many days ago.
async fn of_days(store: &dyn Store, now: Timestamp, orders: &[(usize, &str, i64)]) {
    for &(n, what, days) in orders {
        let at = now.checked_sub(SignedDuration::from_hours(days * 24)).unwrap();
        for content in 1..=if what == "replaced" { 2 } else { 1 } {
            put(store, enteral_gate::queue::item::Received { at, ..order(n, content, 0) }).await;
        }
        if what == "decided" {
            let decide = enteral_gate::queue::work::Command { at, ..command(&pharmacist("ann"), 1, 0, accept()) };
            store.act(order(n, 1, 0).id(), decide).await.unwrap();
        }
    }
}

/// A service that is told how long to keep orders removes what is past that when it starts, and one that is not told keeps
/// everything. That it did so, and with how many, stays in the trail.
#[test]
fn a_service_removes_what_is_past_its_time_when_it_starts() {
    let folder = Folder::new();
    for place in [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())] {
        let now = Timestamp::now();
        runtime().block_on(async {
            let store = place.open().await;
            let orders =
                [(1, "decided", 31), (2, "replaced", 31), (3, "open", 31), (4, "decided", 29), (5, "replaced", 29)];
            of_days(&store, now, &orders).await;
            store.close().await.unwrap();
        });
        let left = || {
            let mut left = runtime().block_on(place.lines("SELECT id FROM items"));
            left.sort_unstable();
            left
        };
        let ids = |orders: &[(usize, usize)]| {
            let mut ids: Vec<_> = orders.iter().map(|(n, content)| order(*n, *content, 0).id().to_string()).collect();
            ids.sort_unstable();
            ids
        };
        let everything = ids(&[(1, 1), (2, 1), (2, 2), (3, 1), (4, 1), (5, 1), (5, 2)]);
        let kept = ids(&[(2, 2), (3, 1), (4, 1), (5, 1), (5, 2)]);
        let (by_program, at) = (("program".to_owned(), Some("program".to_owned()), Some(2)), place.text());
        for (days, wanted, lines) in [
            (None, &everything, vec![]),
            (Some("32"), &everything, vec![]),
            (Some("30"), &kept, vec![by_program.clone()]),
            // Nothing more is past its time, and no line says that nothing was removed.
            (Some("30"), &kept, vec![by_program]),
        ] {
            let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
            command
                .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"])
                .args(["--store", &at])
                .args(days.map(|days| ["--keep-days", days]).into_iter().flatten())
                .env("ENTERAL_GATE_LOG", "off");
            let service = Running::of(command);
            let mut found = left();
            for round in 0..300 {
                // What is not to be removed stays for a while.
                if &found == wanted && round > 10 {
                    break;
                }
                std::thread::sleep(Duration::from_millis(100));
                found = left();
            }
            assert_eq!(&found, wanted, "{days:?}");
            drop(service);
            assert_eq!(purges(&place, now), lines, "{days:?}");
        }
        let said = done(&["verify", "--store", &at]);
        // Seven orders, of which two were decided and two replaced, and the line.
        assert!(said.contains("5 orders, 12 entries of the trail (4 of removed orders)"), "{said}");
    }
}

/// What is past its time only later is removed then, and no sooner.
#[test]
fn a_service_removes_what_is_past_its_time_when_it_is() {
    let folder = Folder::new();
    for place in [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())] {
        runtime().block_on(async {
            let store = std::sync::Arc::new(place.open().await);
            let begun = Timestamp::now();
            let soon = SignedDuration::from_secs(3);
            of_days(&*store, begun.checked_add(soon).unwrap(), &[(1, "decided", 30), (2, "open", 30)]).await;
            let again = tokio::spawn(purge_again(store.clone(), 30, Duration::from_millis(100)));
            let end = std::time::Instant::now() + Duration::from_secs(60);
            while store.get(order(1, 1, 0).id()).await.unwrap().is_some() {
                assert!(std::time::Instant::now() < end, "it is never removed");
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            assert!(Timestamp::now().duration_since(begun) >= soon, "it was removed too soon");
            assert!(!again.is_finished(), "it goes on");
            again.abort();
            assert!(store.get(order(2, 1, 0).id()).await.unwrap().is_some());
            store.verify().await.unwrap();
            store.close().await.unwrap();
        });
        let expected = ("program".to_owned(), Some("program".to_owned()), Some(1));
        assert_eq!(purges(&place, Timestamp::UNIX_EPOCH), [expected]);
    }
}

/// A service packs by itself, and by the same dictionary after each start, as long as it says the same.
#[test]
fn a_service_packs_what_it_records() {
    let folder = Folder::new();
    for place in [Place::Sqlite(folder.join("queue.sqlite")), Place::Postgres(cluster::shared().database())] {
        let look = |sql: &str| runtime().block_on(place.lines(sql));
        let serve = |rulebook: &[&str]| {
            let mut command = Command::new(env!("CARGO_BIN_EXE_enteral-gate"));
            command
                .args(["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--store", &place.text()])
                .args(rulebook)
                .env("ENTERAL_GATE_LOG", "off");
            Running::of(command)
        };
        for (n, rulebook) in [(1, &[][..]), (2, &[]), (3, &["--rulebook", "none"])] {
            let service = serve(rulebook);
            let order = json(&format!("n{n}"), "p", GAPS);
            let answer = http(&service.at, "POST", "/fhir/R4/NutritionOrder/$validate", &order);
            assert!(answer.contains("enteral-gate-queue: recorded"), "{answer}");
            let kept = look("SELECT report FROM items WHERE report_packed IS NOT NULL");
            assert_eq!(kept, vec![""; n], "each is packed");
            drop(service);
        }
        assert_eq!(look("SELECT id FROM dictionaries").len(), 2, "one for each rulebook");
        assert_eq!(look("SELECT DISTINCT report_dictionary FROM items").len(), 2);
        assert!(done(&["verify", "--store", &place.text()]).starts_with("whole: 3 orders"));
    }
}

#[test]
fn versions_of_the_tables_are_said_and_taken_back() {
    let folder = Folder::new();
    let place = Place::Sqlite(folder.join("queue.sqlite"));
    fill(&place);
    let at = place.text();
    assert_eq!(
        done(&["tables", "--store", &at]),
        format!(
            "tables of version {VERSION}; this program makes version {VERSION}\nreports are kept packed, which programs that know only tables before version 6 cannot read: they do not start on these tables\n"
        )
    );
    let said = done(&["tables", "--store", &at, "--to", "1"]);
    assert!(said.starts_with("tables of version 1;") && said.contains("reports are kept plain"), "{said}");
    let newer = (VERSION + 1).to_string();
    assert!(fails(&["tables", "--store", &at, "--to", &newer], 64).contains(&format!("no version {newer}")));
    assert!(fails(&["tables", "--store", &at, "--to", "last"], 64).contains("no number and not"));
    // As the job of deploy/kubernetes does it.
    let manifest = include_str!("../../deploy/kubernetes/enteral-gate.yaml");
    assert!(manifest.contains(r#"args: ["store", "tables", "--to", "latest"]"#));
    assert!(done(&["tables", "--store", &at, "--to", "latest"]).starts_with(&format!("tables of version {VERSION};")));
    assert!(done(&["tables", "--store", &at, "--to", "1"]).starts_with("tables of version 1;"));
    assert_eq!(items(&place).len(), 70);
    assert!(done(&["tables", "--store", &at]).contains("reports are kept plain"));
    assert!(fails(&["tables", "--store", &at, "--to", "5", "--pack-reports"], 64).contains("cannot be used with"));
    let said = done(&["tables", "--store", &at, "--pack-reports"]);
    assert!(
        said.starts_with(&format!("tables of version {VERSION};")) && said.contains("reports are kept packed"),
        "{said}"
    );
    assert!(done(&["tables", "--store", &at, "--to", "latest"]).contains("reports are kept packed"), "it stays");
    assert_eq!(runtime().block_on(tables(&at, None)).unwrap(), VERSION);
    let nowhere = folder.join("nowhere.sqlite");
    for command in ["verify", "tables"] {
        assert!(fails(&[command, "--store", nowhere.to_str().unwrap()], 64).contains("is not there"));
    }
    assert!(!nowhere.exists(), "no command but serve makes a store");
    assert!(fails(&["verify", "--store", "none"], 64).contains("none"));
}

/// A service that has the file open would go on writing into the one that was set aside.
#[test]
fn a_file_that_is_in_use_is_not_restored_over() {
    use enteral_gate::store::Store;
    use enteral_gate::store::backup::{backup, restore};
    let folder = Folder::new();
    let path = folder.join("queue.sqlite");
    let copy = folder.join("copy.sqlite");
    runtime().block_on(async {
        let place = Place::Sqlite(path.clone());
        let store = place.open().await;
        put(&store, order(1, 1, 0)).await;
        backup(&place.text(), &copy).await.unwrap();
        put(&store, order(2, 1, 0)).await;
        // Nothing is being written or read just now.
        tokio::time::sleep(std::time::Duration::from_millis(300)).await;
        let refused = restore(&copy, &place.text()).await.unwrap_err().to_string();
        assert!(refused.contains("is in use: stop the service"), "{refused}");
        assert!(!folder.join("queue.sqlite.before-1").exists() && !folder.join("queue.sqlite.part").exists());
        put(&store, order(3, 1, 0)).await;
        assert_eq!(store.verify().await.unwrap().items, 3);
        store.close().await.unwrap();
        let (found, before) = restore(&copy, &place.text()).await.unwrap();
        assert_eq!(found.items, 1);
        let before = before.unwrap();
        assert_eq!(enteral_gate::store::verify(before.to_str().unwrap(), None).await.unwrap().items, 3);
        // What was put there is used like any other, and so is a file in whose place something else was.
        let store = place.open().await;
        put(&store, order(4, 1, 0)).await;
        store.close().await.unwrap();
        assert_eq!(enteral_gate::store::verify(&place.text(), None).await.unwrap().items, 2);
        std::fs::write(&path, "no file of SQLite, whoever has it open. ".repeat(200)).unwrap();
        let (found, before) = restore(&copy, &place.text()).await.unwrap();
        assert_eq!(found.items, 1);
        assert!(std::fs::read_to_string(before.unwrap()).unwrap().starts_with("no file of SQLite"));
    });
}

/// Orders of patients are for the service's user alone, whatever the machine lets others read.
#[cfg(unix)]
#[test]
fn what_is_kept_of_patients_is_for_its_owner_alone() {
    use std::os::unix::fs::PermissionsExt as _;
    let folder = Folder::new();
    let rights = |path: &Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    let log = folder.join("log");
    let widely = |arguments: &[&str]| {
        let mut command = Command::new("sh");
        command
            .args(["-c", "umask 022; exec \"$0\" \"$@\" 2>\"$LOG\"", env!("CARGO_BIN_EXE_enteral-gate")])
            .args(arguments)
            .env("LOG", &log)
            .env("ENTERAL_GATE_LOG", "warn")
            .env("XDG_STATE_HOME", folder.join("state"))
            .env_remove("STATE_DIRECTORY")
            .env_remove("ENTERAL_GATE_STORE");
        command
    };
    let serve = ["serve", "--listen", "127.0.0.1:0", "--formulary", FORMULARY, "--rulebook", "none"];
    let own = folder.join("state/enteral-gate");
    let file = own.join("queue.sqlite");
    let service = Running::of(widely(&serve));
    let answer = http(&service.at, "POST", "/fhir/R4/NutritionOrder/$validate", &json("n1", "p1", GAPS));
    assert!(answer.contains("enteral-gate-queue: recorded"), "{answer}");
    assert_eq!(rights(&own), 0o700);
    for end in ["", "-wal", "-shm"] {
        assert_eq!(rights(&own.join(format!("queue.sqlite{end}"))), 0o600, "queue.sqlite{end}");
    }
    drop(service);
    let said = || std::fs::read_to_string(&log).unwrap();
    assert!(!said().contains("others than the owner"), "{}", said());

    let (copy, back) = (folder.join("copy.sqlite"), folder.join("back.sqlite"));
    let (copy, back) = (copy.to_str().unwrap(), back.to_str().unwrap());
    for arguments in
        [["store", "backup", "--store", file.to_str().unwrap(), copy], ["store", "restore", "--store", back, copy]]
    {
        assert!(widely(&arguments).output().unwrap().status.success(), "{arguments:?}: {}", said());
    }
    assert_eq!((rights(Path::new(copy)), rights(Path::new(back))), (0o600, 0o600));

    // As an earlier program made them: they stay as they are, and it is said.
    for (path, mode) in [(&file, 0o644), (&own, 0o755)] {
        std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    }
    drop(Running::of(widely(&serve)));
    let said = said();
    for path in [&file, &own] {
        assert!(
            said.contains(&format!("path={} ", path.display())) || said.contains(&format!("path={}\n", path.display())),
            "{said}"
        );
    }
    assert!(said.contains("others than the owner have rights on what the queue is kept in"), "{said}");
}

/// The certificate of a database is verified by the authorities of the machine, as those of everybody else who is called.
#[test]
fn the_authorities_of_the_machine_are_those_of_the_database() {
    use rcgen::{BasicConstraints, CertificateParams, CertifiedIssuer, DnType, IsCa, KeyPair};
    let authority = |name: &str| {
        let mut own = CertificateParams::new(Vec::new()).unwrap();
        own.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
        own.distinguished_name.push(DnType::CommonName, name);
        CertifiedIssuer::self_signed(own, KeyPair::generate().unwrap()).unwrap()
    };
    let (ours, theirs) = (authority("Invented"), authority("Invented elsewhere"));
    let key = KeyPair::generate().unwrap();
    let names = vec!["127.0.0.1".to_owned()];
    let certificate = CertificateParams::new(names).unwrap().signed_by(&key, &ours).unwrap();
    let cluster = cluster::Cluster::start("tls");
    let place = format!("{}?sslmode=verify-full", cluster.database());
    cluster.speak_tls(&certificate.pem(), &key.serialize_pem());
    let folder = Folder::new();
    let mut said = Vec::new();
    for (name, authority) in [("ours.pem", &ours), ("theirs.pem", &theirs)] {
        let file = folder.join(name);
        std::fs::write(&file, authority.pem()).unwrap();
        // Until the server has read what it was told.
        let end = std::time::Instant::now() + Duration::from_secs(20);
        let out = loop {
            let out = Command::new(env!("CARGO_BIN_EXE_enteral-gate"))
                .env_clear()
                .env("SSL_CERT_FILE", &file)
                .args(["store", "tables", "--store", &place])
                .output()
                .unwrap();
            if name != "ours.pem" || out.status.success() || std::time::Instant::now() > end {
                break out;
            }
            std::thread::sleep(Duration::from_millis(200));
        };
        said.push((out.status.success(), String::from_utf8_lossy(&out.stderr).into_owned()));
    }
    assert!(said[0].0 && !said[1].0, "{said:?}");
}
