//! The certificate of a running service: read at the start, read again when its files change or at SIGHUP. What cannot be
//! used never replaces what is in use.

use super::access_file::bytes;
use super::reload::watch;
use crate::http::tls::{Certificates, Pem};
use std::future::ready;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

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
    let decide = move |found: Result<Pem, String>| {
        match certificates.take(found.as_ref().map_err(Clone::clone)) {
            Ok(()) => tracing::info!("certificate taken"),
            Err(problem) => tracing::error!(problem, "the certificate on disk cannot be used; the one in use stays"),
        }
        ready(true)
    };
    watch(look, Ok(decided), move || files.read(), decide)
}
