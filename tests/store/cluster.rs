//! A PostgreSQL server of the tests' own: made in a temporary folder, on a free port, by a user who is not root, and
//! stopped when the process that asked for it ends.

use std::io::Read;
use std::net::TcpListener;
use std::os::unix::process::CommandExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicU32, Ordering};
use std::time::{Duration, Instant};

/// A server.
pub struct Cluster {
    folder: PathBuf,
    data: PathBuf,
    bin: PathBuf,
    port: u16,
    user: Option<(u32, u32)>,
    keeper: Option<Child>,
}

/// Where PostgreSQL's programs are.
fn bin() -> PathBuf {
    let mut found: Vec<PathBuf> = std::fs::read_dir("/usr/lib/postgresql")
        .into_iter()
        .flatten()
        .filter_map(|entry| Some(entry.ok()?.path().join("bin")))
        .filter(|bin| bin.join("initdb").exists())
        .collect();
    found.sort();
    let on_path = || {
        let path = std::env::var("PATH").unwrap_or_default();
        path.split(':').map(PathBuf::from).find(|bin| bin.join("initdb").exists())
    };
    found.pop().or_else(on_path).expect("PostgreSQL is needed for these tests: apt-get install postgresql")
}

/// A user who may run a server, where this is root.
pub fn user() -> Option<(u32, u32)> {
    let me = std::fs::read_to_string("/proc/self/status").unwrap();
    let root = me.lines().any(|line| line.starts_with("Uid:") && line.split_whitespace().nth(2) == Some("0"));
    if !root {
        return None;
    }
    let users = std::fs::read_to_string("/etc/passwd").unwrap();
    let of = |name: &str| {
        let line = users.lines().find(|line| line.split(':').next() == Some(name))?;
        let mut ids = line.split(':').skip(2).map(|id| id.parse().unwrap());
        Some((ids.next()?, ids.next()?))
    };
    Some(of("postgres").or_else(|| of("nobody")).expect("a user who is not root"))
}

fn as_user(command: &mut Command, user: Option<(u32, u32)>) -> &mut Command {
    if let Some((uid, gid)) = user {
        command.uid(uid).gid(gid);
    }
    command
}

impl Cluster {
    /// Makes and starts one.
    pub fn start(name: &str) -> Self {
        let folder = Self::folder(name);
        Self::begin(folder.clone(), folder.join("data"), &[])
    }

    /// The same, with its data in a folder that there is not yet.
    pub fn start_in(name: &str, data: &Path) -> Self {
        // Small files, of which few are kept: the place is small.
        Self::begin(Self::folder(name), data.to_owned(), &["--wal-segsize=1"])
    }

    fn folder(name: &str) -> PathBuf {
        std::env::temp_dir().join(format!("eg-postgres-{name}-{}", std::process::id()))
    }

    fn begin(folder: PathBuf, data: PathBuf, more: &[&str]) -> Self {
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(&folder).unwrap();
        let user = user();
        if let Some((uid, gid)) = user {
            std::os::unix::fs::chown(&folder, Some(uid), Some(gid)).unwrap();
        }
        let bin = bin();
        let made = as_user(&mut Command::new(bin.join("initdb")), user)
            .args(["-U", "queue", "--auth=trust", "-E", "UTF8", "--no-sync"])
            .args(more)
            .arg("-D")
            .arg(&data)
            .current_dir(&folder)
            .output()
            .unwrap();
        assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
        let port = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap().port();
        let mut cluster = Self { folder, data, bin, port, user, keeper: None };
        cluster.up();
        cluster
    }

    /// Starts the server; it ends when the standard input of its keeper is closed, which the end of this process does.
    pub fn up(&mut self) {
        let script = r#""$0" -D "$3" -p "$2" -k "$1" -h 127.0.0.1 -c max_connections=200 >"$1/log" 2>&1 &
            server=$!; cat >/dev/null; kill -INT $server 2>/dev/null; wait $server; [ -e "$1/keep" ] || rm -rf "$1""#;
        let keeper = as_user(&mut Command::new("sh"), self.user)
            .args(["-c", script])
            .arg(self.bin.join("postgres"))
            .arg(&self.folder)
            .arg(self.port.to_string())
            .arg(&self.data)
            .current_dir(&self.folder)
            .stdin(Stdio::piped())
            .process_group(0)
            .spawn()
            .unwrap();
        self.keeper = Some(keeper);
        let begun = Instant::now();
        while std::net::TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(begun.elapsed() < Duration::from_secs(60), "{}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
        // It listens before it lets anybody in.
        while !self.psql("postgres", "SELECT 1").0 {
            assert!(begun.elapsed() < Duration::from_secs(60), "{}", self.log());
            std::thread::sleep(Duration::from_millis(50));
        }
    }

    /// Stops the server at once, as a crash of it would.
    pub fn down(&mut self) {
        std::fs::write(self.folder.join("keep"), "").unwrap();
        let pid = std::fs::read_to_string(self.data.join("postmaster.pid")).unwrap();
        let pid = pid.lines().next().unwrap().to_owned();
        assert!(Command::new("kill").args(["-QUIT", &pid]).status().unwrap().success());
        self.let_go();
    }

    /// Whether it answers, within this time.
    pub fn answers_within(&self, most: Duration) -> bool {
        let begun = Instant::now();
        while begun.elapsed() < most {
            if self.psql("postgres", "SELECT 1").0 {
                return true;
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        false
    }

    /// Uses up the room that the server still has for its log of what was written; whether it broke off for that.
    pub fn use_up_its_log(&self) -> bool {
        let more = "SELECT pg_logical_emit_message(true, 'invented', repeat('x', 100000)), pg_switch_wal()";
        (0..100).any(|_| !self.psql("postgres", more).0)
    }

    /// Starts the server again that ended by itself.
    pub fn again(&mut self) {
        std::fs::write(self.folder.join("keep"), "").unwrap();
        self.let_go();
        self.up();
    }

    fn let_go(&mut self) {
        if let Some(mut keeper) = self.keeper.take() {
            drop(keeper.stdin.take());
            keeper.wait().unwrap();
        }
        std::fs::remove_file(self.folder.join("keep")).unwrap();
    }

    pub fn log(&self) -> String {
        std::fs::read_to_string(self.folder.join("log")).unwrap_or_default()
    }

    fn psql(&self, database: &str, sql: &str) -> (bool, String) {
        let port = self.port.to_string();
        let out = Command::new(if Path::new("/usr/bin/psql").exists() {
            "/usr/bin/psql".into()
        } else {
            self.bin.join("psql")
        })
        .args(["-h", "127.0.0.1", "-p", &port, "-U", "queue", "-d", database, "-qAtc", sql])
        .stdin(Stdio::null())
        .output()
        .unwrap();
        let mut text = String::from_utf8_lossy(&out.stdout).into_owned();
        text.push_str(&String::from_utf8_lossy(&out.stderr));
        (out.status.success(), text)
    }

    /// Speaks TLS from now on, with this certificate.
    pub fn speak_tls(&self, certificate: &str, key: &str) {
        use std::os::unix::fs::PermissionsExt;
        for (name, text) in [("server.crt", certificate), ("server.key", key)] {
            let path = self.data.join(name);
            std::fs::write(&path, text).unwrap();
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
            if let Some((uid, gid)) = self.user {
                std::os::unix::fs::chown(&path, Some(uid), Some(gid)).unwrap();
            }
        }
        for sql in ["ALTER SYSTEM SET ssl = on", "SELECT pg_reload_conf()"] {
            let (done, said) = self.psql("postgres", sql);
            assert!(done, "{said}");
        }
    }

    /// A new database; gives its address.
    pub fn database(&self) -> String {
        static NUMBER: AtomicU32 = AtomicU32::new(0);
        let name = format!("queue_{}", NUMBER.fetch_add(1, Ordering::Relaxed));
        let (made, text) = self.psql("postgres", &format!("CREATE DATABASE {name}"));
        assert!(made, "{text}");
        format!("postgres://queue@127.0.0.1:{}/{name}", self.port)
    }
}

impl Drop for Cluster {
    fn drop(&mut self) {
        if let Some(mut keeper) = self.keeper.take() {
            drop(keeper.stdin.take());
            let mut left = String::new();
            if let Some(out) = keeper.stdout.as_mut() {
                let _ = out.read_to_string(&mut left);
            }
            let _ = keeper.wait();
        }
    }
}

/// The server that the behaviours share, each with a database of its own.
pub fn shared() -> &'static Cluster {
    static SHARED: OnceLock<Cluster> = OnceLock::new();
    SHARED.get_or_init(|| Cluster::start("shared"))
}
