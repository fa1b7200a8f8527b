//! Calling one place that the institution declared, and nothing else: no redirect, no proxy, no address that is not
//! allowed.

use super::address::Reach;
use super::resolver::{Pinned, Refused};
use reqwest::{Client, ClientBuilder, Url};
use std::sync::Arc;
use std::time::Duration;

/// How long a connection that is idle is kept.
const IDLE: Duration = Duration::from_secs(30);

/// One place, with the client for it.
#[derive(Clone)]
pub(in crate::http) struct Outward {
    at: Option<Url>,
    reach: Reach,
    client: Option<Client>,
}

impl Outward {
    /// A place by its address. On other machines it is called with TLS only; on this one without only where
    /// `private_addresses` says so. `idle`: connections that are kept; `more`: what else the client needs.
    pub(in crate::http) fn new(
        address: &str,
        private_addresses: bool,
        idle: usize,
        more: impl FnOnce(ClientBuilder) -> ClientBuilder,
    ) -> Self {
        let at = Url::parse(address).ok();
        let secure = at.as_ref().is_some_and(|at| at.scheme() == "https");
        let reach = match (secure, private_addresses) {
            (true, true) => Reach::Private,
            (true, false) => Reach::Public,
            (false, _) => Reach::Loopback,
        };
        let builder = Client::builder()
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .referer(false)
            .retry(reqwest::retry::never())
            .https_only(secure)
            .dns_resolver(Arc::new(Pinned::new(reach)))
            .pool_max_idle_per_host(idle)
            .pool_idle_timeout(IDLE)
            .user_agent(concat!("enteral-gate/", env!("CARGO_PKG_VERSION")));
        let client = more(builder).build().ok().filter(|_| secure || private_addresses);
        Self { at, reach, client }
    }

    /// The address.
    pub(in crate::http) fn at(&self) -> Option<&Url> {
        self.at.as_ref()
    }

    /// The client; none where the place may not be called.
    pub(in crate::http) fn client(&self) -> Option<&Client> {
        self.client.as_ref()
    }

    /// Whether an address that is written as one is allowed; a connection to it asks no resolver.
    pub(in crate::http) fn written_address_is_allowed(&self) -> bool {
        let host = self.at.as_ref().and_then(Url::host_str).unwrap_or_default();
        let bare = host.trim_start_matches('[').trim_end_matches(']');
        bare.parse().map_or(true, |address| self.reach.allows(address))
    }
}

/// Why there was no answer, in the words of metrics and logs.
pub(in crate::http) fn no_answer(error: &reqwest::Error) -> &'static str {
    match refused(error) {
        Some(Refused::Address) => return "address",
        Some(Refused::Name) => return "name",
        None => {}
    }
    if error.is_timeout() {
        "late"
    } else if error.is_connect() {
        "unreachable"
    } else {
        "interrupted"
    }
}

/// Why the resolver gave no address, where that is why there was no answer.
pub(in crate::http) fn refused(error: &reqwest::Error) -> Option<Refused> {
    let mut source: Option<&dyn std::error::Error> = Some(error);
    while let Some(inner) = source {
        if let Some(refused) = inner.downcast_ref::<Refused>() {
            return Some(*refused);
        }
        source = inner.source();
    }
    None
}
