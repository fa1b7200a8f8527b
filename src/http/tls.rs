//! TLS: the certificate in use, which may be put in another's place while connections run, and what is known about it.

use super::trail::Trail;
use jiff::Timestamp;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::WebPkiClientVerifier;
use rustls::{RootCertStore, ServerConfig};
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, OnceLock, PoisonError, RwLock};

/// The texts of the files, PEM.
#[derive(Clone, PartialEq, Eq)]
pub struct Pem {
    /// The certificate and those between it and its root.
    pub certificate: Vec<u8>,
    /// The private key.
    pub key: Vec<u8>,
    /// The authorities whose clients may connect; without them any client may.
    pub client_authorities: Option<Vec<u8>>,
}

#[derive(Clone, Debug, Default)]
struct Known {
    loaded: Option<Timestamp>,
    refused: Option<(Timestamp, String)>,
}

/// The certificate in use. Connections that run keep theirs.
pub struct Certificates {
    config: RwLock<Arc<ServerConfig>>,
    known: Mutex<Known>,
    taken: AtomicU64,
    refused: AtomicU64,
    trail: OnceLock<Arc<Trail>>,
}

impl Certificates {
    /// The first certificate.
    ///
    /// # Errors
    /// What about the files cannot be used; nothing of their contents.
    pub fn new(pem: &Pem) -> Result<Self, String> {
        Ok(Self {
            config: RwLock::new(config(pem)?),
            known: Mutex::new(Known { loaded: Some(Timestamp::now()), refused: None }),
            taken: AtomicU64::new(0),
            refused: AtomicU64::new(0),
            trail: OnceLock::new(),
        })
    }

    /// Changes of the certificate are kept in this trail from now on.
    pub fn keep_in(&self, trail: Arc<Trail>) {
        let _ = self.trail.set(trail);
    }

    /// What the next connection is served with.
    pub fn current(&self) -> Arc<ServerConfig> {
        self.config.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Puts another in place, at once for every connection that begins after.
    ///
    /// # Errors
    /// What cannot be used; then the one in use stays.
    pub fn take(&self, pem: Result<&Pem, String>) -> Result<(), String> {
        let read = pem.and_then(config);
        if let Some(trail) = self.trail.get() {
            trail.own("certificate-reload", if read.is_ok() { "taken" } else { "refused" }, &[]);
        }
        match read {
            Ok(config) => {
                let mut known = self.known();
                *self.config.write().unwrap_or_else(PoisonError::into_inner) = config;
                *known = Known { loaded: Some(Timestamp::now()), refused: None };
                self.taken.fetch_add(1, Ordering::Relaxed);
                Ok(())
            }
            Err(why) => {
                let mut known = self.known();
                let since = known.refused.as_ref().map_or_else(Timestamp::now, |(since, _)| *since);
                known.refused = Some((since, why.clone()));
                self.refused.fetch_add(1, Ordering::Relaxed);
                Err(why)
            }
        }
    }

    fn known(&self) -> MutexGuard<'_, Known> {
        self.known.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// For `/readyz`.
    pub fn ready(&self) -> String {
        let known = self.known().clone();
        let mut lines = known.loaded.map_or_else(String::new, |at| format!("certificate: loaded {at:.0}"));
        if let Some((since, why)) = known.refused {
            let _ = write!(lines, "\ncertificate on disk: NOT in use since {since:.0}: {why}");
        }
        lines
    }

    /// In Prometheus text format.
    pub fn metrics(&self, out: &mut String) {
        let known = self.known().clone();
        let _ = write!(
            out,
            "# HELP enteral_gate_certificate_loaded_timestamp_seconds When the certificate in use was loaded.\n\
             # TYPE enteral_gate_certificate_loaded_timestamp_seconds gauge\n\
             enteral_gate_certificate_loaded_timestamp_seconds {}\n\
             # HELP enteral_gate_certificate_reloads_total Certificate files read again since the start.\n\
             # TYPE enteral_gate_certificate_reloads_total counter\n\
             enteral_gate_certificate_reloads_total{{result=\"taken\"}} {}\n\
             enteral_gate_certificate_reloads_total{{result=\"refused\"}} {}\n\
             # HELP enteral_gate_certificate_stale Whether the files on disk could not be taken and an older certificate is in use.\n\
             # TYPE enteral_gate_certificate_stale gauge\n\
             enteral_gate_certificate_stale {}\n",
            known.loaded.map_or(0, Timestamp::as_second),
            self.taken.load(Ordering::Relaxed),
            self.refused.load(Ordering::Relaxed),
            u8::from(known.refused.is_some()),
        );
    }
}

/// TLS 1.2 and 1.3 with the library's own choice of ciphers.
fn config(pem: &Pem) -> Result<Arc<ServerConfig>, String> {
    let chain = certificates(&pem.certificate, "the certificate")?;
    // Errors of the library about the key are not repeated: they could hold parts of it.
    let key = PrivateKeyDer::from_pem_slice(&pem.key).map_err(|_| "the key is not one private key in PEM")?;
    let builder = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::aws_lc_rs::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(|_| "no TLS version can be offered")?;
    let builder = match &pem.client_authorities {
        None => builder.with_no_client_auth(),
        Some(authorities) => {
            let mut roots = RootCertStore::empty();
            for authority in certificates(authorities, "the clients' authority")? {
                roots.add(authority).map_err(|_| "the clients' authority is no certificate of an authority")?;
            }
            let provider = Arc::new(rustls::crypto::aws_lc_rs::default_provider());
            let verifier = WebPkiClientVerifier::builder_with_provider(Arc::new(roots), provider).build();
            builder.with_client_cert_verifier(verifier.map_err(|_| "the clients' authority cannot be used")?)
        }
    };
    let mut config = builder
        .with_single_cert(chain, key)
        .map_err(|_| "certificate and key do not belong together, or are of a kind that cannot be used")?;
    config.alpn_protocols = vec![b"http/1.1".to_vec()];
    Ok(Arc::new(config))
}

/// The certificates of a PEM text.
///
/// # Errors
/// When there is none, or one cannot be read; `what` names the file's part.
pub fn certificates(pem: &[u8], what: &str) -> Result<Vec<CertificateDer<'static>>, String> {
    let read: Result<Vec<_>, _> = CertificateDer::pem_slice_iter(pem).collect();
    match read {
        Ok(list) if !list.is_empty() => Ok(list),
        _ => Err(format!("{what} is not a list of certificates in PEM")),
    }
}
