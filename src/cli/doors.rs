//! How the service is reached: addresses, TLS, and who may call. What could be reached from other machines without
//! authentication or in plain text is refused before anything is bound.

use super::access_file;
use super::certificates::CertificateFiles;
use crate::http::Doors;
use crate::http::gate::Gate;
use crate::http::key_sets::{KeySets, Pace};
use crate::http::server::{Exposed, is_loopback};
use crate::http::tls::{Certificates, Pem};
use clap::Args;
use reqwest::Certificate;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;

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
    /// What to look at for a newer certificate, and what was there.
    pub watched: Option<(CertificateFiles, Arc<Certificates>, Pem)>,
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
        let gate = match callers {
            None => None,
            Some(callers) => {
                let roots = Certificate::from_pem_bundle(&callers.key_authorities)
                    .map_err(|_| "key-authorities: not a list of certificates in PEM")?;
                let sets = KeySets::new(&callers.access, roots, Pace::default())?;
                Some(Gate::new(callers.access, sets))
            }
        };
        let certificates = watched.as_ref().map(|(_, certificates, _)| certificates.clone());
        let doors = Doors { gate, certificates, admin: admin.is_some() };
        Ok(Opened { doors, address, admin, watched })
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
