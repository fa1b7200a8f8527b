//! The certificate of a running service: read at the start, read again when its files change or at SIGHUP. What cannot be
//! used never replaces what is in use.

use super::access_file::bytes;
use super::reload::Asked;
use crate::http::tls::{Certificates, Pem};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;
use tokio::task::spawn_blocking;
use tokio::time::{Instant, MissedTickBehavior, interval_at};

/// Largest file, bytes.
const LIMIT: u64 = 1 << 20;

/// Where certificate and key are.
#[derive(Clone, Debug)]
pub struct CertificateFiles {
    /// The certificate and those between it and its root, PEM.
    pub certificate: PathBuf,
    /// The private key, PEM.
    pub key: PathBuf,
    /// The authorities whose clients may connect, PEM.
    pub client_authorities: Option<PathBuf>,
}

impl CertificateFiles {
    /// Reads the files.
    ///
    /// # Errors
    /// Which cannot be read, and why.
    pub fn read(&self) -> Result<Pem, String> {
        let read = |path: &Path| bytes(path, LIMIT).map_err(|what| format!("{}: {what}", path.display()));
        Ok(Pem {
            certificate: read(&self.certificate)?,
            key: read(&self.key)?,
            client_authorities: self.client_authorities.as_deref().map(read).transpose()?,
        })
    }
}

/// Keeps the certificate up to date until it is dropped. `decided` is what was found on disk before. SIGHUP is heeded
/// from this call on.
pub fn keep(
    files: CertificateFiles,
    certificates: Arc<Certificates>,
    look: Duration,
    decided: Pem,
) -> impl Future<Output = ()> + Send + 'static {
    let asked = Asked::new();
    async move { run(files, certificates, look, decided, asked).await }
}

async fn run(files: CertificateFiles, certificates: Arc<Certificates>, look: Duration, decided: Pem, mut asked: Asked) {
    let mut looks = interval_at(Instant::now() + look, look);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut decided = Ok(decided);
    let mut before: Option<Result<Pem, String>> = None;
    loop {
        let found = tokio::select! {
            () = asked.again() => found(&files).await,
            _ = looks.tick() => {
                let found = found(&files).await;
                // Certificate and key are two files: between their writing they do not belong together.
                let settled = before.as_ref() == Some(&found);
                before = Some(found.clone());
                if !settled || found == decided {
                    continue;
                }
                found
            }
        };
        match certificates.take(found.as_ref().map_err(Clone::clone)) {
            Ok(()) => tracing::info!("certificate taken"),
            Err(problem) => {
                tracing::error!(problem, "the certificate on disk cannot be used; the one in use stays");
            }
        }
        decided = found;
    }
}

async fn found(files: &CertificateFiles) -> Result<Pem, String> {
    let files = files.clone();
    spawn_blocking(move || files.read()).await.unwrap_or_else(|_| Err("reading the files ended in a fault".to_owned()))
}
