//! How the service is reached: addresses, TLS, and who may call. What could be reached from other machines without
//! authentication or in plain text is refused before anything is bound.

use super::access_file::{self, Callers};
use super::certificates::{self, CertificateFiles};
use super::reload::watch;
use crate::background::Background;
use crate::http::Doors;
use crate::http::gate::Gate;
use crate::http::pages::people::People;
use crate::http::server::{Exposed, is_loopback};
use crate::http::tls::{Certificates, Pem};
use clap::Args;
use std::future::ready;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinHandle;

/// Where metrics and details are, when callers are configured and nothing else is said.
const DEFAULT_ADMIN: &str = "127.0.0.1:8732";

/// Arguments about callers and TLS.
#[derive(Args, Debug)]
pub struct Reached {
    /// Access file (TOML): clients and authorization servers whose tokens are taken; without it everybody on this machine may call
    #[arg(long, env = "ENTERAL_GATE_ACCESS", value_name = "FILE")]
    access: Option<PathBuf>,
    /// Certificate chain (PEM) for TLS; read again when it changes and at SIGHUP
    #[arg(long, env = "ENTERAL_GATE_TLS_CERT", value_name = "FILE", requires = "tls_key")]
    tls_cert: Option<PathBuf>,
    /// Private key (PEM) of the certificate
    #[arg(long, env = "ENTERAL_GATE_TLS_KEY", value_name = "FILE", requires = "tls_cert")]
    tls_key: Option<PathBuf>,
    /// Authorities (PEM) of client certificates; with it only clients with one of theirs may connect (mutual TLS)
    #[arg(long, env = "ENTERAL_GATE_TLS_CLIENT_CA", value_name = "FILE", requires = "tls_cert")]
    tls_client_ca: Option<PathBuf>,
    /// Address and port of a listener of its own for /metrics and the details of /readyz, or "off" [default: 127.0.0.1:8732 with --access, otherwise off]
    #[arg(long, env = "ENTERAL_GATE_ADMIN_LISTEN", value_name = "ADDR:PORT|off")]
    admin_listen: Option<String>,
}

/// The listener for metrics and details.
#[derive(Clone, Copy, Debug)]
pub struct Admin {
    /// Where.
    pub address: SocketAddr,
    /// Whether its callers need a token, and it speaks TLS: where other machines could reach it.
    pub guarded: bool,
}

/// Everything read and found good.
pub struct Opened {
    /// For the service.
    pub doors: Doors,
    /// Where the service listens.
    pub address: SocketAddr,
    /// Where metrics and details are.
    pub admin: Option<Admin>,
    /// What to look at for something newer.
    pub kept: Vec<Kept>,
}

/// Files that are read again while the service runs, and what was in them.
pub enum Kept {
    /// Who may call.
    Access {
        /// The access file.
        path: PathBuf,
        /// Where they are in use.
        gate: Arc<Gate>,
        /// What was read.
        read: Callers,
    },
    /// TLS.
    Certificates {
        /// The files.
        files: CertificateFiles,
        /// Where they are in use.
        certificates: Arc<Certificates>,
        /// What was read.
        pem: Pem,
    },
}

impl Kept {
    /// Keeps it up to date.
    pub fn keep(self, look: Duration, background: &Arc<Background>) -> Vec<JoinHandle<()>> {
        match self {
            Self::Certificates { files, certificates, pem } => {
                let keep = move || certificates::keep(files.clone(), certificates.clone(), look, pem.clone());
                vec![background.keep("certificates read again", keep)]
            }
            Self::Access { path, gate, read } => {
                let renewed = gate.clone();
                let at_start = read.people.clone();
                let watching = move || {
                    let (gate, at_start, path) = (gate.clone(), at_start.clone(), path.clone());
                    let decide = move |found: Result<Callers, Vec<String>>| {
                        take(&gate, &found);
                        if found.as_ref().is_ok_and(|found| found.people != at_start) {
                            tracing::warn!(
                                "[people] in the access file is not that of the start: people sign in as before until the service is started again"
                            );
                        }
                        ready(true)
                    };
                    watch(look, Ok(read.clone()), move || access_file::load(&path), decide)
                };
                let renewing = move || {
                    let renewed = renewed.clone();
                    async move { renewed.renew_keys().await }
                };
                vec![background.keep("access file read again", watching), background.keep("keys renewed", renewing)]
            }
        }
    }
}

/// Takes callers into use or says why not.
fn take(gate: &Gate, found: &Result<Callers, Vec<String>>) {
    let read = found.clone().map_err(|problems| problems.join("; ")).and_then(Callers::with_keys);
    match &read {
        Ok((access, _)) => tracing::info!(issuers = access.issuers.len(), "access file taken"),
        Err(problems) => tracing::error!(problems, "the access file on disk cannot be used; the one in use stays"),
    }
    gate.take(read);
}

impl Reached {
    /// Reads all files and judges the addresses.
    ///
    /// # Errors
    /// What cannot be used or would be exposed; nothing of a key.
    pub fn open(self, listen: &str) -> Result<Opened, String> {
        let callers = match &self.access {
            None => None,
            Some(path) => Some(access_file::load(path).map_err(|problems| match problems.as_slice() {
                [only] => only.clone(),
                _ => format!("the access file cannot be used:\n  {}", problems.join("\n  ")),
            })?),
        };
        let watched = match (self.tls_cert, self.tls_key) {
            (Some(certificate), Some(key)) => {
                let files = CertificateFiles { certificate, key, client_authorities: self.tls_client_ca };
                let pem = files.read()?;
                let certificates = Certificates::new(&pem).map_err(|what| format!("--tls-cert: {what}"))?;
                Some((files, Arc::new(certificates), pem))
            }
            _ => None,
        };
        let judge = |flag: &str, address: SocketAddr| match (is_loopback(address), &callers, &watched) {
            (true, ..) | (false, Some(_), Some(_)) => Ok(address),
            (false, None, _) => Err(format!("{flag}: {}", Exposed(address))),
            (false, Some(_), None) => Err(format!(
                "{flag}: {address} can be reached from other machines, and tokens and orders would go there in plain text; give --tls-cert and --tls-key, or listen on a loopback address"
            )),
        };
        let address = judge("--listen", address("--listen", listen)?)?;
        let wanted = match (self.admin_listen.as_deref(), &callers) {
            (Some("off"), _) | (None, None) => None,
            (Some(wanted), _) => Some(wanted),
            (None, Some(_)) => Some(DEFAULT_ADMIN),
        };
        let admin = match wanted {
            None => None,
            Some(wanted) => {
                let address = judge("--admin-listen", self::address("--admin-listen", wanted)?)?;
                Some(Admin { address, guarded: !is_loopback(address) })
            }
        };
        let mut kept = Vec::new();
        let mut people = None;
        let gate = match (callers, self.access) {
            (Some(callers), Some(path)) => {
                // Over TLS here, or at a proxy that ends it.
                let secure = watched.is_some() || callers.access.public_url.starts_with("https:");
                people = callers.provider()?.map(|provider| Arc::new(People::with_provider(provider, secure)));
                let (access, sets) = callers.clone().with_keys()?;
                let gate = Arc::new(Gate::new(access, sets));
                kept.push(Kept::Access { path, gate: gate.clone(), read: callers });
                Some(gate)
            }
            _ => None,
        };
        let certificates = watched.as_ref().map(|(_, certificates, _)| certificates.clone());
        kept.extend(watched.map(|(files, certificates, pem)| Kept::Certificates { files, certificates, pem }));
        let doors = Doors { gate, certificates, admin: admin.is_some(), people, ..Doors::default() };
        Ok(Opened { doors, address, admin, kept })
    }
}

/// Reads `ADDR:PORT`.
///
/// # Errors
/// A sentence naming the flag.
pub fn address(flag: &str, listen: &str) -> Result<SocketAddr, String> {
    let numeric = listen.strip_prefix("localhost:").map(|port| format!("127.0.0.1:{port}"));
    numeric.as_deref().unwrap_or(listen).parse().map_err(|_| {
        format!("{flag}: expected an IP address and a port such as {}, found {listen:?}", super::serve::DEFAULT_LISTEN)
    })
}
