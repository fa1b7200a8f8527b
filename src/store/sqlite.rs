//! SQLite in one file. Durable at every commit (`synchronous=FULL` over a write-ahead log), written by one connection;
//! the log is brought into the file by another one, but for the last of a long one.

use super::sql::{Dialect, Opening, Shared, run, trouble};
use super::{SqlStore, Unavailable};
use crate::queue::policy::Policy;
use sqlx::ConnectOptions as _;
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::{AnyConnection, AnyPool, Connection as _, Row};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::Duration;

/// How often the log is brought into the file.
const CHECKPOINT: Duration = Duration::from_secs(1);
/// Bytes of the log from which on it is to begin at its start again.
const LONGEST_LOG: u64 = 64 << 20;
/// Bytes of it that are brought over quickly enough for a writer to wait.
const LITTLE_OF_THE_LOG: u64 = 8 << 20;
/// How often what was written meanwhile is brought over, at most.
const MOST_PASSES: usize = 6;
/// Bytes of its file from which on that is cut, when little is in it.
const LONGEST_FILE: u64 = 4 * LONGEST_LOG;
/// Bytes of the log that are not in the file, from which on that is said: nothing keeps it from filling the disk then.
const MOST_BEHIND: u64 = 2 * LONGEST_FILE;
/// Bytes of a page with its place in the log.
const FRAME: u64 = 4096 + 24;
/// Connections that read.
const READERS: u32 = 4;

/// What every connection is told; no commit brings the log over.
const TOLD: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
                    PRAGMA wal_autocheckpoint = 0; PRAGMA cache_size = -16000; PRAGMA temp_store = MEMORY;";

/// What the one that writes is told as well: ids have no order, so that each item falls on another page of the indexes.
/// Room for those of some hundred thousand items.
const TOLD_THE_WRITER: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
     PRAGMA wal_autocheckpoint = 0; PRAGMA cache_size = -64000; PRAGMA temp_store = MEMORY;";

/// What the one that brings the log into the file is told: it waits for nobody, least of all while the writer waits for it.
const TOLD_WHO_BRINGS_OVER: &str = "PRAGMA busy_timeout = 0; PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
                                    PRAGMA wal_autocheckpoint = 0; PRAGMA temp_store = MEMORY;";

/// What a connection is told that looks at a file which may be a copy: whether there is a log stays as it is.
const TOLD_OF_A_COPY: &str = "PRAGMA busy_timeout = 5000; PRAGMA synchronous = FULL; PRAGMA temp_store = MEMORY;";

/// File systems over a network, on which locks and shared memory cannot be relied on.
const NETWORK: [&str; 10] =
    ["nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "afs", "ceph", "fuse.sshfs", "fuse.glusterfs"];

fn options(path: &Path, mode: &str) -> Result<AnyConnectOptions, Unavailable> {
    sqlx::any::install_default_drivers();
    let path = path.to_str().ok_or_else(|| Unavailable::Database("its path is no text".to_owned()))?;
    let mut url = "sqlite://".to_owned();
    for byte in path.bytes() {
        if byte.is_ascii_alphanumeric() || matches!(byte, b'/' | b'.' | b'_' | b'-') {
            url.push(char::from(byte));
        } else {
            let _ = write!(url, "%{byte:02X}");
        }
    }
    let _ = write!(url, "?mode={mode}");
    let options = AnyConnectOptions::from_str(&url).map_err(|error| trouble(&error))?;
    // What is bound to a statement is never logged; the statements are not either.
    Ok(options.disable_statement_logging())
}

fn pool(options: AnyConnectOptions, connections: u32, told: &'static str) -> AnyPool {
    AnyPoolOptions::new()
        .max_connections(connections)
        .acquire_timeout(Duration::from_secs(6))
        .idle_timeout(None)
        .max_lifetime(None)
        .test_before_acquire(false)
        .after_connect(move |conn, _| Box::pin(async move { sqlx::raw_sql(told).execute(conn).await.map(drop) }))
        .connect_lazy_with(options)
}

/// The file system that a path is on, where the operating system tells.
fn file_system(path: &Path) -> Option<String> {
    let folder = path.parent().filter(|p| !p.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let folder = folder.canonicalize().ok()?;
    let mounts = std::fs::read_to_string("/proc/self/mounts").ok()?;
    let of = |line: &str| {
        let mut words = line.split(' ').skip(1);
        let at = words.next()?.replace("\\040", " ");
        Some((at, words.next()?.to_owned()))
    };
    let mut found: Vec<(String, String)> =
        mounts.lines().filter_map(of).filter(|(at, _)| folder.starts_with(at)).collect();
    found.sort_by_key(|(at, _)| at.len());
    found.pop().map(|(_, kind)| kind)
}

/// One pool of a file that exists, for the commands that look at it.
pub(super) fn existing(path: &Path) -> Result<AnyPool, Unavailable> {
    Ok(pool(options(path, "rw")?, 1, TOLD_OF_A_COPY))
}

/// A file that nobody else uses as long as this is held; nobody else begins to.
pub(super) struct Alone {
    conn: AnyConnection,
}

impl Alone {
    /// Takes a file for itself; nothing where it is none that SQLite can open, which nobody can be using.
    ///
    /// # Errors
    /// Where somebody uses it.
    pub(super) async fn with(path: &Path) -> Result<Option<Self>, Unavailable> {
        let in_use = || {
            let text = format!("{} is in use: stop the service that has it open first", path.display());
            Unavailable::Database(text)
        };
        let Ok(mut conn) = options(path, "rw")?.connect().await else { return Ok(None) };
        // Whoever has it open holds a lock on it, also while nothing is written; it is not waited for. Without a log in
        // the end: who closes a file with one removes it, and by then that may be the log of another file.
        for told in [
            "PRAGMA busy_timeout = 200; PRAGMA locking_mode = EXCLUSIVE",
            "PRAGMA journal_mode = DELETE",
            "BEGIN EXCLUSIVE",
        ] {
            match sqlx::raw_sql(told).execute(&mut conn).await {
                Ok(_) => {}
                Err(error) if is_locked(&error) => return Err(in_use()),
                Err(_) => return Ok(None),
            }
        }
        Ok(Some(Self { conn }))
    }

    /// Lets go of it.
    pub(super) async fn end(self) {
        // Nothing was written, and the file is another one by now.
        let _ = self.conn.close().await;
    }
}

/// Whether somebody else holds what is needed: SQLITE_BUSY or SQLITE_LOCKED.
fn is_locked(error: &sqlx::Error) -> bool {
    let sqlx::Error::Database(own) = error else { return false };
    own.code().and_then(|code| code.parse::<u32>().ok()).is_some_and(|code| matches!(code & 0xff, 5 | 6))
}

/// Makes the file for its owner alone, where there is none: orders of patients are in it. What SQLite lays beside it
/// (`-wal`, `-shm`) gets the rights of the file.
fn make(path: &Path) -> Result<(), Unavailable> {
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    match options.open(path) {
        Err(error) if error.kind() != std::io::ErrorKind::AlreadyExists => {
            Err(Unavailable::Database(format!("{}: {error}", path.display())))
        }
        _ => Ok(()),
    }
}

/// The file and what lies beside it, as far as others than its owner may read or write it.
pub fn open_to_others(path: &Path) -> Vec<PathBuf> {
    let files = ["", "-wal", "-shm"].into_iter().map(|end| beside(path, end));
    files.filter(|file| is_open_to_others(file)).collect()
}

/// Whether others than its owner may do anything with a file or folder; where that cannot be told, not.
pub fn is_open_to_others(path: &Path) -> bool {
    #[cfg(unix)]
    return std::fs::metadata(path).is_ok_and(|is| std::os::unix::fs::MetadataExt::mode(&is) & 0o077 != 0);
    #[cfg(not(unix))]
    return false;
}

/// One pool of a file that is made.
pub(super) fn new(path: &Path) -> Result<AnyPool, Unavailable> {
    make(path)?;
    Ok(pool(options(path, "rwc")?, 1, TOLD_OF_A_COPY))
}

impl SqlStore {
    /// Opens a file, or makes it.
    ///
    /// # Errors
    /// Where it cannot be used, or lies on a file system of a network.
    pub async fn sqlite(path: &Path, policy: Policy) -> Result<Self, Unavailable> {
        if let Some(kind) = file_system(path).filter(|kind| NETWORK.contains(&kind.as_str())) {
            return Err(Unavailable::Database(format!(
                "{} is on a network file system ({kind}), where SQLite is not safe; use a local disk, or PostgreSQL",
                path.display()
            )));
        }
        make(path)?;
        // What is wrong with the file is said at once; a pool tries again until it says that there was no time.
        let mut first = options(path, "rwc")?.connect().await.map_err(|error| trouble(&error))?;
        run(&mut first, "PRAGMA busy_timeout = 5000; PRAGMA schema_version".to_owned()).await?;
        first.close().await.map_err(|error| trouble(&error))?;
        let opening = Opening {
            dialect: Dialect::Sqlite,
            label: format!("SQLite file {}", path.display()),
            readers: pool(options(path, "rwc")?, READERS, TOLD),
            writer: pool(options(path, "rwc")?, 1, TOLD_THE_WRITER),
            policy,
        };
        let store = Self::start(opening, None).await?;
        let checkpoints = pool(options(path, "rw")?, 1, TOLD_WHO_BRINGS_OVER);
        let files = Arc::new(Files { path: path.to_owned(), log: beside(path, "-wal"), is: which(path).ok() });
        let _ = store.shared.files.set(files.clone());
        let shared = store.shared.clone();
        store.keep("the log brought into the file", move || {
            checkpoint(checkpoints.clone(), files.clone(), shared.clone())
        });
        Ok(store)
    }
}

/// A file that lies beside another, by the end of its name: that is put after the whole name, whatever is in it.
pub(super) fn beside(path: &Path, end: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(end);
    PathBuf::from(name)
}

/// The file, its log, and which file it is.
pub(super) struct Files {
    path: PathBuf,
    log: PathBuf,
    is: Option<Which>,
}

/// Device and number of a file, where the operating system has them.
type Which = Option<(u64, u64)>;

fn which(path: &Path) -> std::io::Result<Which> {
    let found = std::fs::metadata(path)?;
    #[cfg(unix)]
    return Ok(Some((std::os::unix::fs::MetadataExt::dev(&found), std::os::unix::fs::MetadataExt::ino(&found))));
    #[cfg(not(unix))]
    return Ok(found.is_file().then_some((0, 0)));
}

impl Files {
    /// What is wrong, where the file that was opened is not there any more; nothing where that cannot be told.
    pub(super) fn wrong(&self) -> Option<String> {
        let opened = self.is?;
        let path = self.path.display();
        match which(&self.path) {
            Ok(found) if found == opened => None,
            Ok(_) => Some(format!("another file is in the place of {path} since it was opened")),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                Some(format!("{path} was removed or moved away since it was opened"))
            }
            // Its folder cannot be read now, say: the file may well be there.
            Err(_) => None,
        }
    }
}

/// What the writer has to do about the log, if anything; and how much of it is not in the file.
pub(super) struct LogIs {
    /// It is long, and little of it is not in the file yet.
    long: AtomicBool,
    /// Readers kept it from beginning again for so long that they are to be waited for.
    too_long: AtomicBool,
    /// Bytes of it that are not in the file, where they are more than the next.
    behind: AtomicU64,
    /// More bytes than that are said.
    pub(super) most_behind: AtomicU64,
}

impl Default for LogIs {
    fn default() -> Self {
        Self {
            long: AtomicBool::default(),
            too_long: AtomicBool::default(),
            behind: AtomicU64::default(),
            most_behind: AtomicU64::new(MOST_BEHIND),
        }
    }
}

impl LogIs {
    /// Bytes that are not in the file and should be: the log grows, and nobody brings it over.
    pub(super) fn behind(&self) -> Option<u64> {
        Some(self.behind.load(Ordering::Relaxed)).filter(|bytes| *bytes > 0)
    }

    /// Notes how many bytes are left, and says it where that is a new trouble or the end of one.
    fn left(&self, bytes: u64) {
        let behind = if bytes > self.most_behind.load(Ordering::Relaxed) { bytes } else { 0 };
        let before = self.behind.swap(behind, Ordering::Relaxed);
        if before == 0 && behind > 0 {
            tracing::error!(bytes, "SQLite's log is not brought into its file, and grows until the disk is full");
        } else if before > 0 && behind == 0 {
            tracing::info!(bytes, "SQLite's log is brought into its file again");
        }
    }
}

/// Brings the log into the file, again and again, and looks whether the file is still there. Where the log is long, the
/// writer is told when only little is left.
async fn checkpoint(pool: AnyPool, files: Arc<Files>, shared: Arc<Shared>) {
    loop {
        tokio::time::sleep(CHECKPOINT).await;
        shared.look_for_the_file();
        if shared.in_its_place().is_err() {
            continue;
        }
        let bytes = tokio::fs::metadata(&files.log).await.map_or(0, |log| log.len());
        if bytes == 0 {
            shared.log.left(0);
            continue;
        }
        let Ok(mut conn) = pool.acquire().await else {
            shared.log.left(bytes);
            continue;
        };
        let Some(mut now) = bring_over(&mut conn).await else {
            shared.log.left(bytes);
            continue;
        };
        shared.log.left(now.left());
        // The file keeps its length as long as much is written: what is written over need not be allocated, and reaches the
        // disk sooner.
        if bytes > LONGEST_FILE && now.bytes() < LITTLE_OF_THE_LOG {
            let _ = run(&mut conn, "PRAGMA wal_checkpoint(TRUNCATE)".to_owned()).await;
        }
        if now.bytes() <= LONGEST_LOG {
            continue;
        }
        for _ in 0..MOST_PASSES {
            let Some(next) = bring_over(&mut conn).await else { break };
            // As long as that took, about as much again was written since.
            let brought = next.pages.saturating_sub(now.done);
            let little = (next.pages.saturating_sub(next.done) + brought) * FRAME < LITTLE_OF_THE_LOG;
            now = next;
            if little {
                shared.log.long.store(true, Ordering::Relaxed);
                break;
            }
        }
        shared.log.too_long.store(now.bytes() > LONGEST_FILE, Ordering::Relaxed);
    }
}

/// Brings over the rest of the log between two transactions, so that the next one begins at its start again. By the writer,
/// which knows when nothing is being written: anybody else waits for a moment to come by, and meanwhile there is more. On
/// some disks that takes as long as what the passes before brought over takes to reach them.
///
/// Readers that still need the log are not waited for, and it is tried again later; unless it has become too long.
pub(super) async fn begin_log_again(pool: &AnyPool, shared: &Shared) {
    let (long, too_long) =
        (shared.log.long.swap(false, Ordering::Relaxed), shared.log.too_long.swap(false, Ordering::Relaxed));
    if (long || too_long)
        && let Ok(mut conn) = pool.acquire().await
    {
        if too_long {
            let waiting = "PRAGMA busy_timeout = 200; PRAGMA wal_checkpoint(RESTART); PRAGMA busy_timeout = 5000";
            let _ = run(&mut conn, waiting.to_owned()).await;
        } else {
            bring_over(&mut conn).await;
        }
    }
}

/// The log after some of it was brought over.
struct Log {
    /// Pages in it, when that began.
    pages: u64,
    /// Pages of them that are in the file.
    done: u64,
}

impl Log {
    fn bytes(&self) -> u64 {
        self.pages * FRAME
    }

    /// Bytes of it that are not in the file.
    fn left(&self) -> u64 {
        self.pages.saturating_sub(self.done) * FRAME
    }
}

/// Brings what is in the log into the file, as far as no reader needs the file as it is; waits for nobody. `None` where that
/// failed: what fails here fails where something is written as well, and is said there.
async fn bring_over(conn: &mut AnyConnection) -> Option<Log> {
    let row = sqlx::query("PRAGMA wal_checkpoint(PASSIVE)").fetch_one(conn).await.ok()?;
    let number = |at: usize| row.try_get::<i64, _>(at).ok().and_then(|n| u64::try_from(n).ok());
    Some(Log { pages: number(1)?, done: number(2)? })
}

/// What SQLite itself says of the file.
///
/// # Errors
/// What is wrong with it.
pub(super) async fn integrity(pool: &AnyPool) -> Result<(), Unavailable> {
    let rows = sqlx::query("PRAGMA integrity_check(10)").fetch_all(pool).await.map_err(|error| trouble(&error))?;
    for row in rows {
        let said: String = row.try_get(0).map_err(|error| trouble(&error))?;
        if said != "ok" {
            return Err(Unavailable::Damaged(said));
        }
    }
    Ok(())
}
