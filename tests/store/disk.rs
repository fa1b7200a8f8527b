//! A disk that is really full: a small file system in memory, in a mount namespace of its own, in which the database is,
//! SQLite's file with the spool beside it, or the data folder of a PostgreSQL server.

use crate::cluster::{Cluster, user};
use crate::orders::{Folder, said};
use crate::trouble::{Service, files, metric, not_recorded_is_said, recorded, until_full, verified};
use std::io::{BufRead as _, BufReader, ErrorKind, Write as _};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

/// A small file system, which is there until this is dropped or the process ends.
struct Disk {
    keeper: Child,
    /// What a program is called through that is to see it at [`Disk::at`].
    enter: Vec<String>,
    at: PathBuf,
    _folder: Folder,
}

impl Disk {
    /// Mounts one of so many MiB; `owner` is whose it is, where that is not this user.
    fn mount(size: usize, owner: Option<(u32, u32)>) -> Result<Self, String> {
        let folder = Folder::new();
        let at = folder.join("disk");
        std::fs::create_dir(&at).unwrap();
        // Root mounts as it is; others as the root of a user namespace, where the machine lets them.
        let ways = [("-m", &["-m"][..]), ("-rm", &["-U", "-m", "--preserve-credentials"])];
        let mut why = String::new();
        for (unshare, nsenter) in ways {
            let script = r#"mount -t tmpfs -o size="$2m" none "$1" || exit
                [ "$3" = - ] || { chown "$3:$4" "$1" && set -- setpriv --reuid="$3" --regid="$4" --clear-groups cat; } || exit
                [ "$1" = setpriv ] || set -- cat
                echo mounted; exec "$@""#;
            let owner = owner.map_or(["-".to_owned(), "-".to_owned()], |(uid, gid)| [uid.to_string(), gid.to_string()]);
            let mut keeper = Command::new("unshare")
                .args([unshare, "sh", "-c", script, "sh"])
                .arg(&at)
                .arg(size.to_string())
                .args(owner)
                .stdin(Stdio::piped())
                .stdout(Stdio::piped())
                .stderr(Stdio::piped())
                .spawn()
                .expect("unshare is needed for these tests: apt-get install util-linux");
            let mut first = String::new();
            BufReader::new(keeper.stdout.take().unwrap()).read_line(&mut first).unwrap();
            if first == "mounted\n" {
                let pid = keeper.id().to_string();
                let enter = ["nsenter", "-t", &pid].iter().chain(nsenter).map(ToString::to_string).collect();
                return Ok(Self { enter, keeper, at, _folder: folder });
            }
            let out = keeper.wait_with_output().unwrap();
            why.push_str(&String::from_utf8_lossy(&out.stderr));
        }
        Err(why.trim().replace('\n', "; "))
    }

    /// Where it is for this process, and for programs that were not called through [`Disk::enter`].
    fn seen(&self) -> PathBuf {
        let root = PathBuf::from(format!("/proc/{}/root", self.keeper.id()));
        root.join(self.at.strip_prefix("/").unwrap())
    }

    /// Fills it to the last byte.
    fn fill(&self) {
        let mut ballast = std::fs::File::create(self.seen().join("ballast")).unwrap();
        for some in [&[0_u8; 65536][..], &[0_u8; 512]] {
            let full = std::iter::repeat_with(|| ballast.write_all(some)).find_map(Result::err).unwrap();
            assert_eq!(full.kind(), ErrorKind::StorageFull, "{full}");
        }
    }

    /// Makes room on it again.
    fn clear(&self) {
        std::fs::remove_file(self.seen().join("ballast")).unwrap();
    }

    /// What the program prints that is called through it.
    fn store(&self, command: &str, store: &str) -> String {
        let out = Command::new(&self.enter[0])
            .args(&self.enter[1..])
            .arg(env!("CARGO_BIN_EXE_enteral-gate"))
            .args(["store", command, "--store", store])
            .output()
            .unwrap();
        String::from_utf8_lossy(&out.stdout).into_owned() + &String::from_utf8_lossy(&out.stderr)
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = self.keeper.kill();
        let _ = self.keeper.wait();
    }
}

/// A disk; without one it is said what is not shown.
fn disk(what: &str, size: usize, owner: Option<(u32, u32)>) -> Option<Disk> {
    let disk = Disk::mount(size, owner);
    disk.inspect_err(|why| said(&format!("NOT SHOWN: {what}: no file system can be mounted here: {why}"))).ok()
}

#[test]
fn a_file_on_a_full_disk_is_survived() {
    let Some(disk) = disk("SQLite's file and the spool on a full disk", 8, None) else { return };
    let at = |name: &str| disk.at.join(name).to_str().unwrap().to_owned();
    let (store, spool) = (at("queue.sqlite"), at("spool"));
    let service = Service::begin_in(&disk.enter, &store, &["--spool", &spool]);
    for n in 5000..5003 {
        assert!(recorded(&service.order(n)));
    }
    assert!(disk.seen().join("queue.sqlite").exists(), "it is on that disk");
    disk.fill();
    let sent = until_full(&service);
    for n in sent..sent + 5 {
        assert!(!recorded(&service.order(n)));
    }
    not_recorded_is_said(&service, true);
    let ready = service.get("/readyz");
    assert!(ready.contains("full") && ready.contains("the spool is NOT written since"), "{ready}");
    assert_eq!(metric(&service, "enteral_gate_spool_up"), 0);
    disk.clear();
    service.until_it_records();
    service.until_the_spool_is_empty();
    // It is looked from time to time whether the spool can be written.
    for _ in 0..600 {
        if metric(&service, "enteral_gate_spool_up") == 1 {
            break;
        }
        std::thread::sleep(Duration::from_millis(100));
    }
    assert!(recorded(&service.order(sent + 5)));
    let up =
        ["enteral_gate_queue_up", "enteral_gate_spool_up", "enteral_gate_queue_lost", "enteral_gate_spool_damaged"];
    assert_eq!(up.map(|name| metric(&service, name)), [1, 1, 0, 0]);
    let left = files(&disk.seen().join("spool"), "order").len() + files(&disk.seen().join("spool"), "damaged").len();
    assert_eq!(left, 0, "nothing is left behind");
    drop(service);
    let whole = disk.store("verify", &store);
    let all = 3 + sent + 6 + 1;
    assert!(whole.contains(&format!("whole: {all} orders")), "{all}, with the hook's: {whole}");
    said(&format!(
        "counts: a full disk (ENOSPC) under SQLite and the spool: {all} orders answered, all recorded after"
    ));
}

/// What is full is the disk of the server's data folder, its log of what was written and all.
#[test]
fn a_server_on_a_full_disk_is_survived() {
    let Some(disk) = disk("the data folder of PostgreSQL on a full disk", 96, user()) else { return };
    let mut cluster = Cluster::start_in("full", &disk.seen().join("data"));
    let url = cluster.database();
    let service = Service::begin(&url, None, &[]);
    for n in 5000..5003 {
        assert!(recorded(&service.order(n)));
    }
    disk.fill();
    let sent = until_full(&service);
    for n in sent..sent + 5 {
        assert!(!recorded(&service.order(n)));
    }
    not_recorded_is_said(&service, true);
    assert!(cluster.log().contains("No space left on device"), "{}", cluster.log());
    // It goes on with what it has, until it cannot even write its log.
    if cluster.answers_within(Duration::from_secs(10)) {
        assert!(cluster.use_up_its_log(), "{}", cluster.log());
    }
    assert!(cluster.log().contains("PANIC"), "{}", cluster.log());
    for n in sent + 5..sent + 8 {
        assert!(!recorded(&service.order(n)));
    }
    not_recorded_is_said(&service, true);
    disk.clear();
    // A server that cannot write its log ends; whoever keeps it starts it again.
    let ended = !cluster.answers_within(Duration::from_secs(10));
    if ended {
        cluster.again();
    }
    service.until_it_records();
    assert!(recorded(&service.order(sent + 8)));
    assert_eq!((metric(&service, "enteral_gate_queue_up"), metric(&service, "enteral_gate_queue_lost")), (1, 0));
    drop(service);
    let all = 3 + sent + 9 + 1;
    let whole = verified(&url);
    assert!(whole.contains(&format!("whole: {all} orders")), "{all}, with the hook's: {whole}");
    let server = if ended { "which ended and was started again" } else { "which began again by itself" };
    said(&format!("counts: a full disk (ENOSPC) under a server, {server}: {all} orders answered, all recorded after"));
}

/// A disk that is not full, and one that is, are told apart by the tests above.
#[test]
fn a_full_disk_is_full_and_has_room_again() {
    let Some(disk) = disk("that a disk is full", 2, None) else { return };
    let write = |name: &str| std::fs::write(disk.seen().join(name), [0; 4096]).map_err(|error| error.kind());
    assert_eq!(write("before"), Ok(()));
    disk.fill();
    assert_eq!(write("while"), Err(ErrorKind::StorageFull));
    disk.clear();
    assert_eq!(write("after"), Ok(()));
    assert!(!Path::new(&disk.at).join("before").exists(), "nobody else sees it");
}
