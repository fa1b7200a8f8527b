//! `store`: looking after what the queue keeps; and the flags by which `serve` keeps one.

use super::exit::Exit;
use super::serve::runtime;
use crate::http::Doors;
use crate::queue::policy::{Closing, Policy};
use crate::queue::urgency::Times;
use crate::queue::{Person, Role};
use crate::settings::LookWithin;
use crate::store::backup::{backup, restore};
use crate::store::outbox::{ByHand, Letter, Which, by_hand, letters};
use crate::store::{
    SqlStore, Store, Unavailable, Verified, is_postgres, open, open_or_later, pack_reports, packs_reports, postgres,
    schema, sqlite, tables, verify,
};
use clap::builder::PossibleValuesParser;
use clap::{Args, Subcommand};
use jiff::{SignedDuration, Timestamp};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// What `--store` says where nothing is to be kept.
const NONE: &str = "none";
/// The file's name where none is given.
const FILE: &str = "queue.sqlite";
/// How often what is past its time is removed.
const PURGE: Duration = Duration::from_secs(3600);
/// After what time it is tried again to sort the queue, at first; twice that after each try, up to the other.
const SORT_AGAIN: Duration = Duration::from_secs(1);
const SORT_AGAIN_AT_LEAST: Duration = Duration::from_secs(60);

fn closings() -> PossibleValuesParser {
    PossibleValuesParser::new(Closing::ALL.map(|(_, word)| word))
}

/// Flags about the queue, for `serve`.
#[derive(Args, Debug)]
pub struct Keeping {
    /// Where flagged and not fully checked orders are kept: a file (SQLite), postgres://USER@HOST/DATABASE, or "none" [default: queue.sqlite in $STATE_DIRECTORY, $XDG_STATE_HOME/enteral-gate or ~/.local/state/enteral-gate]
    #[arg(long, env = "ENTERAL_GATE_STORE", value_name = "PLACE", hide_env_values = true)]
    store: Option<String>,
    /// Folder in which orders that cannot be recorded wait as well as in memory, so that they outlive the process; one for each service [default: in memory alone]
    #[arg(long, env = "ENTERAL_GATE_SPOOL", value_name = "FOLDER")]
    spool: Option<PathBuf>,
    /// Days after which orders that are closed or replaced are removed [default: never]
    #[arg(long, env = "ENTERAL_GATE_KEEP_DAYS", value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=36500))]
    keep_days: Option<u32>,
    /// When an order on the queue is closed
    #[arg(long, env = "ENTERAL_GATE_CLOSING", value_name = "POLICY", value_parser = closings(), default_value = "every-lane-asked")]
    closing: String,
    /// Minutes for which somebody holds an order that they took
    #[arg(long, env = "ENTERAL_GATE_HOLD_MINUTES", value_name = "MINUTES", default_value_t = 30, value_parser = clap::value_parser!(u16).range(1..=1440))]
    hold_minutes: u16,
}

/// Makes a folder for its owner alone, with those above it, where there is none.
fn make_folder(folder: &Path) -> std::io::Result<()> {
    let mut made = std::fs::DirBuilder::new();
    made.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut made, 0o700);
    made.create(folder)
}

/// Says in the log which files of the queue, or its own folder, others than the owner may look into; of a database, whether
/// others on the way there may.
fn warn_of_others(place: &str, own_folder: bool) {
    if is_postgres(place) {
        if postgres::is_open_on_the_way(place) {
            tracing::warn!(
                "--store: the certificate of the database is not verified, so that others on the way there could read and change orders: add sslmode=verify-full"
            );
        }
        return;
    }
    let path = Path::new(place);
    let folder = path.parent().filter(|folder| own_folder && sqlite::is_open_to_others(folder));
    for open in sqlite::open_to_others(path).iter().map(PathBuf::as_path).chain(folder) {
        tracing::warn!(
            path = %open.display(),
            "others than the owner have rights on what the queue is kept in, which holds orders of patients: chmod go-rwx"
        );
    }
}

/// The place of a store: as given, or the usual one. The folder of the usual one is made.
fn place(given: Option<&str>) -> Result<String, String> {
    if let Some(given) = given {
        return Ok(given.to_owned());
    }
    let variable = |name: &str| std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from);
    let folder = variable("STATE_DIRECTORY")
        .or_else(|| variable("XDG_STATE_HOME").map(|home| home.join("enteral-gate")))
        .or_else(|| variable("HOME").map(|home| home.join(".local/state/enteral-gate")))
        .ok_or("--store PLACE is needed: there is no home folder to keep the queue in (`--store none` keeps none)")?;
    make_folder(&folder)
        .map_err(|error| format!("--store: the folder {} cannot be made: {error}", folder.display()))?;
    folder
        .join(FILE)
        .into_os_string()
        .into_string()
        .map_err(|_| "--store PLACE is needed: the name of the state folder is no text".to_owned())
}

impl Keeping {
    /// The institution's choices.
    fn policy(&self, queue: LookWithin) -> Policy {
        let closing = Closing::ALL.into_iter().find(|(_, word)| *word == self.closing);
        Policy {
            closing: closing.map(|(closing, _)| closing).unwrap_or_default(),
            hold: SignedDuration::from_mins(self.hold_minutes.into()),
            times: Times::minutes(queue.grades, queue.before_start),
            ..Policy::default()
        }
    }

    /// Opens the store and puts it into the service; gives what keeps it in order, to be stopped and closed at the end.
    /// `samples` are reports of invented orders, which those that will be recorded are like.
    ///
    /// # Errors
    /// A store that cannot be used: a service that cannot record from the start is not started, but for a database of
    /// PostgreSQL that is away.
    pub async fn open(
        &self,
        doors: &mut Doors,
        queue: LookWithin,
        samples: impl FnOnce() -> Vec<String>,
    ) -> Result<Option<Open>, String> {
        if self.store.as_deref() == Some(NONE) {
            if self.spool.is_some() {
                return Err("--spool: there is no queue to wait for (--store none)".to_owned());
            }
            tracing::warn!("--store none: flagged orders are answered, and nobody sees them on a queue");
            return Ok(None);
        }
        let place = place(self.store.as_deref())?;
        let trouble = |error: Unavailable| format!("--store: {error}");
        let store = Arc::new(open_or_later(&place, self.policy(queue)).await.map_err(trouble)?);
        let packed = store.pack_like(&samples());
        if !store.is_opened() {
            tracing::warn!(
                store = store.health().kind,
                "the database is away: orders are answered and not recorded, and it is opened when it is there"
            );
        } else if !packed {
            tracing::info!(
                "reports are kept plain, so that programs that know only tables before version 6 can use the tables: `store tables --pack-reports` ends that"
            );
        }
        if let Some(folder) = &self.spool {
            let waiting = store.spool_in(folder).map_err(|error| format!("--spool: {error}"))?;
            tracing::info!(folder = %folder.display(), waiting, "orders that cannot be recorded wait in the spool as well");
            if sqlite::is_open_to_others(folder) {
                tracing::warn!(
                    path = %folder.display(),
                    "others than the owner have rights on the spool, which holds orders of patients: chmod go-rwx"
                );
            }
        }
        warn_of_others(&place, self.store.is_none());
        if store.is_opened() {
            tracing::info!(store = store.health().kind, keep_days = self.keep_days, packed, "the queue is kept");
        }
        doors.store = Some(store.clone());
        let background = &doors.background;
        let own = store.clone();
        let mut tasks = vec![background.keep("the queue sorted again", move || sort_again(own.clone()))];
        if let Some(days) = self.keep_days {
            let own = store.clone();
            tasks
                .push(background.keep("orders past their time removed", move || purge_again(own.clone(), days, PURGE)));
        }
        Ok(Some(Open { store, tasks }))
    }
}

/// A store in use.
pub struct Open {
    store: Arc<SqlStore>,
    tasks: Vec<JoinHandle<()>>,
}

impl Open {
    /// The store.
    pub fn store(&self) -> Arc<SqlStore> {
        self.store.clone()
    }

    /// Writes what waits and lets go of it.
    pub async fn close(self) {
        self.tasks.iter().for_each(JoinHandle::abort);
        // It never fails: what could not be written is in the log.
        let _ = self.store.close().await;
    }
}

fn before(now: Timestamp, days: u32) -> Timestamp {
    now.checked_sub(SignedDuration::from_hours(i64::from(days) * 24)).unwrap_or(Timestamp::MIN)
}

/// Sorts what is kept by the times of now. Orders are taken and lists given meanwhile: in the order of before they are no
/// reason to take and give none.
async fn sort_again(store: Arc<SqlStore>) {
    let mut pause = SORT_AGAIN;
    loop {
        match store.sort_again(Timestamp::now()).await {
            Ok(0) => return,
            Ok(orders) => {
                tracing::info!(orders, "the queue was sorted again: other times say how soon somebody should look");
                return;
            }
            Err(error) => tracing::warn!(
                problem = %error,
                "the queue could not be sorted again by the times of now; orders of before may stand elsewhere, and it is tried again"
            ),
        }
        tokio::time::sleep(pause).await;
        pause = (pause * 2).min(SORT_AGAIN_AT_LEAST);
    }
}

/// Removes what is past its time now, and again and again after such a time; never ends.
pub async fn purge_again(store: Arc<SqlStore>, days: u32, every: Duration) {
    loop {
        let now = Timestamp::now();
        match store.purge_if_any(before(now, days), Person::program(), now).await {
            Ok(0) => {}
            Ok(removed) => tracing::info!(removed, keep_days = days, "orders past their time were removed"),
            Err(error) => tracing::error!(problem = %error, "orders past their time could not be removed"),
        }
        tokio::time::sleep(every).await;
    }
}

/// Where a store is, for the commands.
#[derive(Args, Debug)]
pub struct Where {
    /// A file (SQLite) or postgres://USER@HOST/DATABASE [default: as `serve`]
    #[arg(long, env = "ENTERAL_GATE_STORE", value_name = "PLACE", hide_env_values = true)]
    store: Option<String>,
}

/// Commands about what the queue keeps.
#[derive(Subcommand, Debug)]
pub enum StoreCommand {
    /// Copy everything, as it is at one moment, into a new file, and verify the copy; the service may run meanwhile
    Backup {
        /// Where
        #[command(flatten)]
        at: Where,
        /// The new file
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Say whether everything is whole: the file, every order, every entry of the trail and the chain over them
    Verify {
        /// Where
        #[command(flatten)]
        at: Where,
        /// Place of an entry that was noted before (SEQUENCE:HASH); it has to be in the chain, or at its end
        #[arg(long, value_name = "SEQUENCE:HASH")]
        anchor: Option<String>,
    },
    /// Put a copy in the place of a store that no service uses; a file that is there is kept under another name
    Restore {
        /// Where
        #[command(flatten)]
        at: Where,
        /// The copy
        #[arg(value_name = "FILE")]
        file: PathBuf,
    },
    /// Remove orders that are closed or replaced and did not change for some days; the trail keeps a line of it
    Purge {
        /// Where
        #[command(flatten)]
        at: Where,
        /// Days
        #[arg(long, value_name = "DAYS", value_parser = clap::value_parser!(u32).range(1..=36500))]
        keep_days: u32,
    },
    /// List messages to subscribers, and send dead letters again or remove them; the service may run meanwhile
    Outbox {
        /// What
        #[command(subcommand)]
        command: OutboxCommand,
    },
    /// Say of which version the tables are, or bring them to one, forward or back. Back: no service may use them meanwhile
    Tables {
        /// Where
        #[command(flatten)]
        at: Where,
        /// The version, or "latest" for the one this program makes
        #[arg(long, value_name = "VERSION", value_parser = version)]
        to: Option<i64>,
        /// Bring them to the version that this program makes, and let services keep reports packed from their next start on: programs that know only tables before version 6 do not start on them again
        #[arg(long, conflicts_with = "to")]
        pack_reports: bool,
    },
}

/// Messages that are looked for.
#[derive(Args, Debug)]
pub struct Wanted {
    /// Where
    #[command(flatten)]
    at: Where,
    /// Only to this subscriber
    #[arg(long, value_name = "ID")]
    subscriber: Option<String>,
    /// Only about this event
    #[arg(long, value_name = "UUID")]
    event: Option<String>,
    /// Only the one of this number, as the list has it
    #[arg(long, value_name = "NUMBER", requires = "subscriber")]
    number: Option<u64>,
}

impl Wanted {
    fn which(&self, state: Option<String>) -> Which {
        let (subscriber, event) = (self.subscriber.clone(), self.event.clone());
        Which { state, subscriber, event, number: self.number, until: None }
    }
}

/// Commands about messages to subscribers.
#[derive(Subcommand, Debug)]
pub enum OutboxCommand {
    /// List messages: subscriber, number, event, state, tries, why the last try failed, when it happened, Task. Nothing of a patient
    List {
        /// Which
        #[command(flatten)]
        wanted: Wanted,
        /// Which messages
        #[arg(long, default_value = "dead", value_parser = ["dead", "waiting", "delivered", "all"])]
        state: String,
        /// At most so many
        #[arg(long, default_value_t = 200, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        most: u32,
    },
    /// Send dead letters again, under the same id and number; the first message to a subscriber, number 0, only by its number or event
    Retry {
        /// Which
        #[command(flatten)]
        wanted: Wanted,
    },
    /// Remove dead letters: their subscribers are not told any more
    Discard {
        /// Which
        #[command(flatten)]
        wanted: Wanted,
        /// What still waits for the subscriber, instead: one that is not declared any more
        #[arg(long, requires = "subscriber")]
        waiting: bool,
    },
}

impl OutboxCommand {
    async fn run(self) -> Result<(), String> {
        let trouble = |error: Unavailable| error.to_string();
        let (wanted, state, what) = match self {
            Self::List { wanted, state, most } => {
                let state = Some(state).filter(|state| state != "all");
                let (found, total) =
                    letters(&usable(&wanted.at)?, &wanted.which(state), most).await.map_err(trouble)?;
                for letter in &found {
                    say(&line(letter))?;
                }
                return say(&format!("{} of {total} messages", found.len()));
            }
            Self::Retry { wanted } => (wanted, None, ByHand::SendAgain),
            Self::Discard { wanted, waiting } => (wanted, waiting.then(|| "waiting".to_owned()), ByHand::Discard),
        };
        let which = if state.is_some() { "messages that waited" } else { "dead letters" };
        let place = usable(&wanted.at)?;
        let n = by_hand(&place, &wanted.which(state), what).await.map_err(trouble)?;
        let done = if what == ByHand::SendAgain { "are sent again" } else { "were removed" };
        let mut said = format!("{n} {which} {done}");
        if what == ByHand::SendAgain && wanted.number.is_none() && wanted.event.is_none() {
            let first = Which { number: Some(0), ..wanted.which(Some("dead".to_owned())) };
            let (_, left) = letters(&place, &first, 1).await.map_err(trouble)?;
            if left > 0 {
                said.push_str("; first messages (number 0) are left, and until one is answered nothing else is sent: --subscriber ID --number 0");
            }
        }
        say(&said)
    }
}

/// One message in a line, in columns that a program can read too.
fn line(letter: &Letter) -> String {
    let Letter { subscriber, number, event, state, tries, trouble } = letter;
    let why = trouble.as_deref().unwrap_or("-");
    let (id, at, item) = match event {
        Some(event) => {
            let item = event.task.as_ref().map_or_else(|| "handshake".to_owned(), ToString::to_string);
            (event.id.to_string(), format!("{:.0}", event.at), item)
        }
        None => ("-".to_owned(), "-".to_owned(), "damaged: it can only be discarded".to_owned()),
    };
    format!("{subscriber}\t{number}\t{id}\t{state}\t{tries}\t{why}\t{at}\t{item}")
}

/// The place of a store that has to be there.
fn usable(at: &Where) -> Result<String, String> {
    match at.store.as_deref() {
        Some(NONE) => Err("--store none keeps nothing to work on".to_owned()),
        given => place(given),
    }
}

fn version(text: &str) -> Result<i64, String> {
    if text == "latest" {
        return Ok(schema::VERSION);
    }
    text.parse().map_err(|_| format!("`{text}` is no number and not \"latest\""))
}

fn say(text: &str) -> Result<(), String> {
    writeln!(std::io::stdout().lock(), "{text}").map_err(|error| error.to_string())
}

fn counted(found: &Verified) -> String {
    let Verified { items, entries, purged, last } = found;
    format!("{items} orders, {entries} entries of the trail ({purged} of removed orders), last entry {last}")
}

impl StoreCommand {
    /// Runs the command.
    ///
    /// # Errors
    /// What cannot be used, or is not whole.
    pub fn run(self) -> Result<Exit, String> {
        let trouble = |error: Unavailable| error.to_string();
        runtime()?.block_on(async {
            match self {
                Self::Backup { at, file } => {
                    let found = backup(&usable(&at)?, &file).await.map_err(trouble)?;
                    say(&format!("{}: {}", file.display(), counted(&found)))?;
                }
                Self::Verify { at, anchor } => {
                    let place = usable(&at)?;
                    let anchor =
                        anchor.map(|anchor| anchor.parse()).transpose().map_err(|what| format!("--anchor: {what}"))?;
                    match verify(&place, anchor).await {
                        Ok(found) => say(&format!("whole: {}", counted(&found)))?,
                        Err(Unavailable::Damaged(what)) => {
                            say(&format!("NOT whole: {what}"))?;
                            return Ok(Exit::Flagged);
                        }
                        Err(Unavailable::DamagedItem(damage)) => {
                            say(&format!("NOT whole: {damage}"))?;
                            return Ok(Exit::Flagged);
                        }
                        Err(error) => return Err(error.to_string()),
                    }
                }
                Self::Restore { at, file } => {
                    let (found, before) = restore(&file, &usable(&at)?).await.map_err(trouble)?;
                    say(&format!("restored: {}", counted(&found)))?;
                    if let Some(before) = before {
                        say(&format!("what was there before is kept as {}", before.display()))?;
                    }
                }
                Self::Purge { at, keep_days } => {
                    let place = usable(&at)?;
                    if !is_postgres(&place) && !Path::new(&place).exists() {
                        return Err(format!("{place} is not there"));
                    }
                    let store = open(&place, Policy::default()).await.map_err(trouble)?;
                    let now = Timestamp::now();
                    let by =
                        Person { id: "command-line".to_owned(), name: "command line".to_owned(), role: Role::Program };
                    let removed = store.purge(before(now, keep_days), by, now).await.map_err(trouble)?;
                    store.close().await.map_err(trouble)?;
                    say(&format!("{removed} orders removed"))?;
                }
                Self::Outbox { command } => command.run().await?,
                Self::Tables { at, to, pack_reports: pack } => {
                    let place = usable(&at)?;
                    if pack {
                        pack_reports(&place).await.map_err(trouble)?;
                    }
                    let version = tables(&place, to).await.map_err(trouble)?;
                    say(&format!("tables of version {version}; this program makes version {}", schema::VERSION))?;
                    say(if packs_reports(&place).await.map_err(trouble)? {
                        "reports are kept packed, which programs that know only tables before version 6 cannot read: they do not start on these tables"
                    } else {
                        "reports are kept plain, as programs that know only tables before version 6 keep them"
                    })?;
                }
            }
            Ok(Exit::Clear)
        })
    }
}
