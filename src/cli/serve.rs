//! `serve`: the HTTP service for an institution.

use super::doors::{self, Opened, Reached};
use super::exit::Exit;
use super::log::{self, LogFormat};
use super::reload::{Pace, Source, keep, tell_lapses};
use super::rules::Book;
use super::store::Keeping;
use super::subscribers_file;
use super::traces_file;
use super::{Institution, Products, formulary, rulebook};
use crate::answer::book_warning;
use crate::appraise;
use crate::http::appraiser::Core;
use crate::http::notices::{Notices, Times};
use crate::http::pages::people::People;
use crate::http::rules_in_use::RulesInUse;
use crate::http::server::{self, only_loopback};
use crate::http::traces::{Collector, Traces};
use crate::http::trail::file::open;
use crate::http::trail::{Bounds, Trail};
use crate::http::{App, Doors, Limits, routes, samples};
use crate::subscriptions::Subscribers;
use clap::Args;
use std::io::Write;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::oneshot;

/// Where it listens when nothing else is said.
pub const DEFAULT_LISTEN: &str = "127.0.0.1:8731";

/// Arguments of `serve`.
#[derive(Args, Debug)]
pub struct Serve {
    /// Address and port; without --access and a certificate only loopback addresses
    #[arg(long, env = "ENTERAL_GATE_LISTEN", default_value = DEFAULT_LISTEN, value_name = "ADDR:PORT")]
    listen: String,
    #[command(flatten)]
    reached: Reached,
    /// Seconds for which connections are still taken after a stop was asked for, while /readyz already says 503
    #[arg(long, default_value_t = 0, value_name = "SECONDS", value_parser = clap::value_parser!(u8))]
    stop_notice: u8,
    /// Connections from one address at the same time, of the 512 in all; 0 for no bound of its own, as behind a balancer
    #[arg(long, env = "ENTERAL_GATE_CONNECTIONS_PER_ADDRESS", default_value_t = 256, value_name = "COUNT")]
    connections_per_address: u16,
    #[command(flatten)]
    products: Products,
    #[command(flatten)]
    book: Book,
    #[command(flatten)]
    institution: Institution,
    /// Audit trail: a file to which an entry is appended for every call of an operation, hook or feedback, for callers turned away and for reloads
    #[arg(long, env = "ENTERAL_GATE_AUDIT", value_name = "FILE")]
    audit: Option<PathBuf>,
    #[command(flatten)]
    keeping: Keeping,
    /// Subscribers file (TOML): systems that are told of changes on the queue; read again when it changes and at SIGHUP; without it nobody is told
    #[arg(long, env = "ENTERAL_GATE_SUBSCRIBERS", value_name = "FILE")]
    subscribers: Option<PathBuf>,
    /// Traces file (TOML): a collector to which spans of requests are exported (OTLP over HTTP); without it there are none
    #[arg(long, env = "ENTERAL_GATE_TRACES", value_name = "FILE")]
    traces: Option<PathBuf>,
    /// Form of the log on standard error
    #[arg(long, value_enum, default_value_t)]
    log: LogFormat,
}

impl Serve {
    /// Serves until asked to stop.
    ///
    /// # Errors
    /// What about the configuration cannot be used; nothing is bound before all of it was read.
    pub fn run(self) -> Result<Exit, String> {
        let Opened { mut doors, address, admin, kept } = self.reached.open(&self.listen)?;
        let settings = self.institution.settings()?;
        let told = match self.subscribers {
            None => None,
            Some(file) => Some((subscribers(&file)?, file)),
        };
        let collector = self.traces.as_deref().map(collector).transpose()?;
        let file = self.products.formulary.ok_or("--formulary FILE is needed: without products nothing can be worked out (`enteral-gate demo` uses an invented one)")?;
        let formulary = Arc::new(formulary::load(&file)?);
        let source = Arc::new(Source::new(self.book.files, formulary.clone())?);
        let (rulebook, rehearsal, texts) = source.read().map_err(|problems| rulebook::unusable(&problems))?;
        let runtime = runtime()?;
        let traces = collector.map(|to| Arc::new(Traces::start(&to, runtime.handle().clone())));
        log::start_with(self.log, "info", false, traces.as_deref());
        doors.traces.clone_from(&traces);
        tracing::info!(
            products = formulary.len(),
            formulary = formulary.hash(),
            settings = settings.hash,
            limits = rulebook.limits.len(),
            rulebook = rulebook.hash,
            examples = rehearsal.examples,
            zone = settings.zone_name,
            "starting"
        );
        if let Some(warning) = book_warning(&rulebook) {
            tracing::warn!("{warning}");
        }
        tell_lapses(&rulebook);
        let trail = match &self.audit {
            None => None,
            Some(file) => Some(trail(file, &settings.hash)?),
        };
        if let Some(trail) = &trail {
            let book = if rulebook.hash.is_empty() { "none" } else { rulebook.hash.as_str() };
            trail.own("started", "done", &[("formulary", formulary.hash()), ("rulebook", book)]);
            doors.trail = Some(trail.clone());
            doors.gate.iter().for_each(|gate| gate.keep_in(trail.clone()));
            doors.certificates.iter().for_each(|certificates| certificates.keep_in(trail.clone()));
        }
        if trail.is_none() {
            tracing::warn!(
                "no audit trail (--audit): who calls, and who is shown lists of orders, is not noted; who opens an order is, in its own history"
            );
        }
        if doors.gate.is_none() {
            tracing::warn!("no callers are configured (--access): everybody on this machine may call");
        }
        let limits = Limits {
            notice: Duration::from_secs(self.stop_notice.into()),
            hook_time: Duration::from_millis(settings.hooks.deadline.into()),
            connections_per_address: self.connections_per_address.into(),
            ..Limits::default()
        };
        runtime.block_on(async {
            let listener = bind("--listen", address).await?;
            let beside = match admin {
                None => None,
                Some(admin) => Some((bind("--admin-listen", admin.address).await?, admin.guarded)),
            };
            let by = appraise::Institution { formulary: &formulary, rulebook: &rulebook, settings: &settings };
            let kept_store = self.keeping.open(&mut doors, settings.queue, || samples::reports(by)).await?;
            let notices = match (&told, &kept_store) {
                (None, _) => None,
                (Some(_), None) => {
                    return Err(
                        "--subscribers: nobody can be told of a queue that is not kept (--store none)".to_owned()
                    );
                }
                (Some((subscribers, _)), Some(kept)) => {
                    let notices = Notices::start(kept.store(), subscribers.clone(), Times::default()).await;
                    let notices = notices.map_err(|error| format!("--subscribers: {error}"))?;
                    trail.iter().for_each(|trail| notices.keep_in(trail.clone()));
                    Some(notices)
                }
            };
            doors.notices.clone_from(&notices);
            let token = sign_in_by_token(&mut doors);
            let rules = Arc::new(RulesInUse::new(rulebook, Some(rehearsal)));
            if let Some(trail) = &trail {
                rules.keep_in(trail.clone());
            }
            let pace = Pace::default();
            let background = doors.background.clone();
            let own = rules.clone();
            let again = move || keep(source.clone(), own.clone(), pace, texts.clone());
            let mut keeping = vec![background.keep("rulebook read again", again)];
            keeping.extend(kept.into_iter().flat_map(|kept| kept.keep(pace.look, &background)));
            if let (Some((read, file)), Some(notices)) = (told, &notices) {
                let notices = notices.clone();
                let again = move || subscribers_file::keep(file.clone(), notices.clone(), pace.look, read.clone());
                keeping.push(background.keep("subscribers file read again", again));
            }
            let certificates = doors.certificates.clone();
            let asked_to_stop = server::asked_to_stop();
            say_where("listening on", certificates.is_some(), &listener, "")?;
            if let Some(token) = token {
                say_where(
                    "sign in with the token after the #",
                    certificates.is_some(),
                    &listener,
                    &format!("/sign-in#{token}"),
                )?;
            }
            if let Some((listener, guarded)) = &beside {
                say_where("metrics on", *guarded, listener, "")?;
            }
            let app = App::behind(doors, Arc::new(Core::over(formulary, rules)), settings, limits);
            let (ended, end) = oneshot::channel::<()>();
            let public = async {
                let served = server::serve(listener, app.clone(), asked_to_stop).await;
                drop(ended);
                served
            };
            // Metrics and readiness are there until the last request has ended.
            let inside = async {
                let Some((listener, guarded)) = beside else { return Ok(()) };
                let routes = routes::admin(app.clone(), guarded);
                let certificates = certificates.filter(|_| guarded);
                server::serve_routes(listener, routes, certificates, app.clone(), async { drop(end.await) }).await
            };
            let (served, beside) = tokio::join!(public, inside);
            // Beside what is graver.
            let flushed = traces.map(|traces| tokio::spawn(async move { traces.stop().await }));
            keeping.iter().for_each(tokio::task::JoinHandle::abort);
            if let Some(notices) = notices {
                notices.stop().await;
            }
            crate::http::keeping::settled().await;
            if let Some(store) = kept_store {
                store.close().await;
            }
            if let Some(trail) = &trail {
                trail.close();
            }
            if let Some(flushed) = flushed {
                let _ = flushed.await;
            }
            served.and(beside).map_err(|error| error.to_string())?;
            Ok(Exit::Clear)
        })
    }
}

/// Who is told of changes on the queue.
fn subscribers(file: &Path) -> Result<Subscribers, String> {
    subscribers_file::load(file).map_err(|problems| match problems.as_slice() {
        [only] => only.clone(),
        _ => format!("the subscribers file cannot be used:\n  {}", problems.join("\n  ")),
    })
}

/// Where spans go.
fn collector(file: &Path) -> Result<Collector, String> {
    traces_file::load(file).map_err(|problems| match problems.as_slice() {
        [only] => only.clone(),
        _ => format!("the traces file cannot be used:\n  {}", problems.join("\n  ")),
    })
}

/// Opens the audit trail and goes on where it ends.
fn trail(file: &Path, settings: &str) -> Result<Arc<Trail>, String> {
    let (store, found) = open(file).map_err(|what| format!("--audit {what}"))?;
    if let Some(torn) = &found.torn {
        tracing::warn!(lines = torn.count(), "the audit trail ends with a line that is cut off; it is marked");
    }
    tracing::info!(entries = found.chain.last().sequence, "audit trail opened");
    let fixed = vec![("program", env!("CARGO_PKG_VERSION").to_owned()), ("settings", settings.to_owned())];
    Trail::start(store, found, Bounds::default(), fixed).map_err(|why| format!("--audit: {why}"))
}

/// Where callers are not told apart, and so only this machine can reach the service, whoever reads what is printed at the
/// start may sign in at the pages of the queue.
fn sign_in_by_token(doors: &mut Doors) -> Option<String> {
    if doors.gate.is_some() || doors.store.is_none() {
        return None;
    }
    let (people, token) = People::with_token(Vec::new(), doors.certificates.is_some());
    doors.people = Some(Arc::new(people));
    Some(token)
}

async fn bind(flag: &str, address: SocketAddr) -> Result<TcpListener, String> {
    TcpListener::bind(address).await.map_err(|error| format!("{flag} {address}: {error}"))
}

/// Reads `ADDR:PORT` and refuses what other machines could reach.
///
/// # Errors
/// A sentence naming the flag.
pub fn address(listen: &str) -> Result<SocketAddr, String> {
    let address = doors::address("--listen", listen)?;
    only_loopback(address).map_err(|exposed| format!("--listen: {exposed}"))
}

/// The runtime of the service.
///
/// # Errors
/// When the operating system gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, String> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(|error| format!("no runtime: {error}"))
}

fn say_where(what: &str, tls: bool, listener: &TcpListener, path: &str) -> Result<(), String> {
    let address = listener.local_addr().map_err(|error| error.to_string())?;
    let scheme = if tls { "https" } else { "http" };
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "{what} {scheme}://{address}{path}").and_then(|()| out.flush());
    Ok(())
}
