//! Who may call: issuers as configured, signed tokens (JWT) read and verified, scopes, and tokens seen before.
//!
//! Pure: the time, the token and the keys are given. Signatures are verified by a library; what is decided here is which
//! key and which algorithm may be used at all, and what the claims must say (RFC 7515, 7517, 7519, 8725; CDS Hooks 2.0,
//! "Trusting CDS Clients"; SMART Backend Services).

#![cfg_attr(
    not(test),
    deny(
        clippy::unwrap_used,
        clippy::expect_used,
        clippy::panic,
        clippy::unreachable,
        clippy::indexing_slicing,
        clippy::string_slice,
        clippy::float_arithmetic,
        clippy::print_stdout,
        clippy::print_stderr,
        clippy::disallowed_methods,
    )
)]

pub mod id_token;
pub mod keys;
pub mod replay;
pub mod scope;
pub mod token;

use keys::{Algorithm, Keys};
use std::collections::BTreeSet;
use token::Reason;

/// What a caller may be used for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Role {
    /// Calls CDS Hooks services.
    Hooks,
    /// Calls FHIR operations, as far as its scopes go.
    Fhir,
    /// Reads metrics.
    Metrics,
}

impl Role {
    /// All roles with their words.
    pub const ALL: [(Self, &'static str); 3] =
        [(Self::Hooks, "hooks"), (Self::Fhir, "fhir"), (Self::Metrics, "metrics")];

    /// Its word.
    pub fn name(self) -> &'static str {
        Self::ALL.iter().find(|(role, _)| *role == self).map_or("", |(_, name)| name)
    }
}

/// What kind of tokens an issuer signs.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Kind {
    /// A CDS Hooks client, which signs a token of its own for every call.
    Client {
        /// What it may be used for; never [`Role::Fhir`], which needs scopes that somebody else granted.
        roles: BTreeSet<Role>,
    },
    /// An authorization server, which signs access tokens for backend services.
    AuthorizationServer {
        /// The audience that its tokens for this service name.
        audience: String,
        /// Clients whose tokens are taken; empty: every client it gives a token to.
        clients: BTreeSet<String>,
        /// The scope that lets a client read metrics; without it none of its clients may.
        metrics: Option<String>,
    },
}

/// Somebody whose signature is trusted.
#[derive(Clone, Debug)]
pub struct Issuer {
    /// The institution's name for it, for logs and counters.
    pub name: String,
    /// `iss` of its tokens, exactly.
    pub iss: String,
    /// Addresses of its keys. No other address is ever asked.
    pub key_urls: Vec<String>,
    /// Keys that were handed over as a file.
    pub keys: Option<Keys>,
    /// Algorithms that its keys may be for.
    pub algorithms: BTreeSet<Algorithm>,
    /// Requests of one of its clients at the same time.
    pub concurrent: usize,
    /// What kind of tokens it signs.
    pub kind: Kind,
}

/// Where the keys for one token are.
#[derive(Clone, Copy, Debug)]
pub enum KeySource<'a> {
    /// In the configuration.
    File(&'a Keys),
    /// At an address of the allow-list.
    Url(&'a str),
}

impl Issuer {
    /// Where the keys for a token are that names `jku`.
    ///
    /// # Errors
    /// When the address is not on the list of this issuer, or none is named and there is more than one.
    pub fn key_source(&self, jku: Option<&str>) -> Result<KeySource<'_>, Reason> {
        match (jku, &self.keys, self.key_urls.as_slice()) {
            // The address is never taken from the token: it only chooses among those configured.
            (Some(jku), _, urls) => {
                urls.iter().find(|url| *url == jku).map(|url| KeySource::Url(url)).ok_or(Reason::KeyUrl)
            }
            (None, Some(keys), _) => Ok(KeySource::File(keys)),
            (None, None, [only]) => Ok(KeySource::Url(only)),
            (None, None, _) => Err(Reason::KeyUrl),
        }
    }
}

/// Everything configured about callers.
#[derive(Clone, Debug)]
pub struct Access {
    /// The address under which callers reach the service, without a slash at its end.
    pub public_url: String,
    /// Seconds by which clocks may differ.
    pub leeway: i64,
    /// Those whose signatures are trusted; no two with the same `iss` or name.
    pub issuers: Vec<Issuer>,
}

impl Access {
    /// The issuer of a token.
    ///
    /// # Errors
    /// When nobody of that name is configured.
    pub fn issuer(&self, iss: &str) -> Result<&Issuer, Reason> {
        self.issuers.iter().find(|issuer| issuer.iss == iss).ok_or(Reason::UnknownIssuer)
    }
}
