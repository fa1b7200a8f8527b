//! `serve`: the HTTP service for an institution.

use super::exit::Exit;
use super::log::{self, LogFormat};
use super::reload::{Pace, Source, keep};
use super::rules::Book;
use super::{Institution, Products, formulary, rulebook};
use crate::answer::NO_RULEBOOK;
use crate::http::appraiser::Core;
use crate::http::rules_in_use::RulesInUse;
use crate::http::server::{self, only_loopback};
use crate::http::{App, Limits};
use clap::Args;
use std::io::Write;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;
use tokio::net::TcpListener;

/// Where it listens when nothing else is said.
pub const DEFAULT_LISTEN: &str = "127.0.0.1:8731";

/// Arguments of `serve`.
#[derive(Args, Debug)]
pub struct Serve {
    /// Address and port; only loopback addresses, because no authentication is built in
    #[arg(long, env = "ENTERAL_GATE_LISTEN", default_value = DEFAULT_LISTEN, value_name = "ADDR:PORT")]
    listen: String,
    #[command(flatten)]
    products: Products,
    #[command(flatten)]
    book: Book,
    #[command(flatten)]
    institution: Institution,
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
        let address = address(&self.listen)?;
        let settings = self.institution.settings()?;
        let file = self.products.formulary.ok_or("--formulary FILE is needed: without products nothing can be worked out (`enteral-gate demo` uses an invented one)")?;
        let formulary = Arc::new(formulary::load(&file)?);
        let source = Arc::new(Source::new(self.book.files, formulary.clone())?);
        let (rulebook, rehearsal, texts) = source.read().map_err(|problems| rulebook::unusable(&problems))?;
        log::start(self.log, "info", false);
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
        if rulebook.is_empty() {
            tracing::warn!("{NO_RULEBOOK}");
        }
        runtime()?.block_on(async {
            let listener = TcpListener::bind(address).await.map_err(|error| format!("--listen {address}: {error}"))?;
            let rules = Arc::new(RulesInUse::new(rulebook, Some(rehearsal)));
            let keeping = tokio::spawn(keep(source, rules.clone(), Pace::default(), texts));
            say_where(&listener)?;
            let hook_time = Duration::from_millis(settings.hooks.deadline.into());
            let limits = Limits { hook_time, ..Limits::default() };
            let app = App::new(Arc::new(Core::over(formulary, rules)), settings, limits);
            let served = server::serve(listener, app, server::asked_to_stop()).await;
            keeping.abort();
            served.map_err(|error| error.to_string())?;
            Ok(Exit::Clear)
        })
    }
}

/// Reads `ADDR:PORT` and refuses what other machines could reach.
///
/// # Errors
/// A sentence naming the flag.
pub fn address(listen: &str) -> Result<SocketAddr, String> {
    let numeric = listen.strip_prefix("localhost:").map(|port| format!("127.0.0.1:{port}"));
    let address: SocketAddr = numeric.as_deref().unwrap_or(listen).parse().map_err(|_| {
        format!("--listen: expected an IP address and a port such as {DEFAULT_LISTEN}, found {listen:?}")
    })?;
    only_loopback(address).map_err(|exposed| format!("--listen: {exposed}"))
}

/// The runtime of the service.
///
/// # Errors
/// When the operating system gives no threads.
pub fn runtime() -> Result<tokio::runtime::Runtime, String> {
    tokio::runtime::Builder::new_multi_thread().enable_all().build().map_err(|error| format!("no runtime: {error}"))
}

fn say_where(listener: &TcpListener) -> Result<(), String> {
    let address = listener.local_addr().map_err(|error| error.to_string())?;
    let mut out = std::io::stdout().lock();
    let _ = writeln!(out, "listening on http://{address}").and_then(|()| out.flush());
    Ok(())
}
