//! Names are looked up once for each connection. The addresses that come of it are judged, and the connection goes to
//! them and to no others: a name that leads elsewhere a moment later (DNS rebinding) leads nowhere.

use super::address::Reach;
use reqwest::dns::{Addrs, Name, Resolve, Resolving};
use std::io;
use std::net::{IpAddr, SocketAddr, ToSocketAddrs};
use std::sync::Arc;
use tokio::sync::Semaphore;

/// Look-ups at the same time: one that hangs keeps a thread of the operating system.
const MOST_LOOKUPS: usize = 4;

/// Why there is no connection; without the name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum Refused {
    /// An address is not allowed.
    #[error("the name leads to an address that is not allowed")]
    Address,
    /// It could not be resolved.
    #[error("the name could not be resolved")]
    Name,
}

type Lookup = fn(&str) -> io::Result<Vec<IpAddr>>;

/// The resolver of one server.
pub struct Pinned {
    reach: Reach,
    lookups: Arc<Semaphore>,
    lookup: Lookup,
}

impl Pinned {
    /// A resolver that gives addresses within reach.
    pub fn new(reach: Reach) -> Self {
        Self::with(reach, |name| Ok((name, 0).to_socket_addrs()?.map(|address| address.ip()).collect()))
    }

    fn with(reach: Reach, lookup: Lookup) -> Self {
        Self { reach, lookups: Arc::new(Semaphore::new(MOST_LOOKUPS)), lookup }
    }
}

impl Resolve for Pinned {
    fn resolve(&self, name: Name) -> Resolving {
        let (reach, lookups, lookup) = (self.reach, self.lookups.clone(), self.lookup);
        Box::pin(async move {
            let permit = lookups.acquire_owned().await.map_err(|_| Refused::Name)?;
            // The permit is kept until the look-up has really ended, also when nobody waits for it any more.
            let looked = tokio::task::spawn_blocking(move || {
                let _permit = permit;
                lookup(name.as_str())
            });
            let found = looked.await.map_err(|_| Refused::Name)?.map_err(|_| Refused::Name)?;
            let addresses: Addrs = Box::new(checked(found, reach)?.into_iter());
            Ok(addresses)
        })
    }
}

/// All addresses of a name, if every one is allowed: one that is not is a sign that the name is not what it was.
fn checked(found: Vec<IpAddr>, reach: Reach) -> Result<Vec<SocketAddr>, Refused> {
    if found.is_empty() {
        return Err(Refused::Name);
    }
    if !found.iter().all(|address| reach.allows(*address)) {
        return Err(Refused::Address);
    }
    Ok(found.into_iter().map(|address| SocketAddr::new(address, 0)).collect())
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::sync::atomic::{AtomicUsize, Ordering};

    #[test]
    fn one_address_that_is_not_allowed_refuses_the_name() {
        let of = |list: &[&str], reach| checked(list.iter().map(|a| a.parse().unwrap()).collect(), reach);
        assert_eq!(of(&["8.8.8.8", "2606:4700::1"], Reach::Public).unwrap().len(), 2);
        assert_eq!(of(&["8.8.8.8", "10.0.0.1"], Reach::Public), Err(Refused::Address));
        assert_eq!(of(&["8.8.8.8", "::ffff:127.0.0.1"], Reach::Public), Err(Refused::Address));
        assert_eq!(of(&["10.0.0.1", "169.254.169.254"], Reach::Private), Err(Refused::Address));
        assert_eq!(of(&["127.0.0.1", "10.0.0.1"], Reach::Loopback), Err(Refused::Address));
        assert_eq!(of(&[], Reach::Private), Err(Refused::Name));
    }

    /// A name that says something else at every question: what was judged is what is called.
    #[tokio::test]
    async fn a_name_is_asked_once_for_a_connection() {
        static ASKED: AtomicUsize = AtomicUsize::new(0);
        let rebinding = |_: &str| {
            let address = if ASKED.fetch_add(1, Ordering::Relaxed) == 0 { "127.0.0.1" } else { "192.0.2.1" };
            Ok(vec![address.parse().unwrap()])
        };
        let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let client = reqwest::Client::builder()
            .no_proxy()
            .dns_resolver(Arc::new(Pinned::with(Reach::Loopback, rebinding)))
            .build()
            .unwrap();
        let server = std::thread::spawn(move || {
            use std::io::{Read, Write};
            let (mut stream, _) = listener.accept().unwrap();
            let _ = stream.read(&mut [0; 1024]).unwrap();
            stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 2\r\nconnection: close\r\n\r\nhi").unwrap();
        });
        let url = format!("http://fhir.invented.example:{port}/");
        assert_eq!(client.get(&url).send().await.unwrap().text().await.unwrap(), "hi");
        server.join().unwrap();
        assert_eq!(ASKED.load(Ordering::Relaxed), 1);
        // The second connection looks again, and is refused for what it is told then.
        let error = client.get(&url).send().await.unwrap_err();
        assert_eq!(super::super::unreachable(&error), crate::hooks::fetch::Why::Address);
        assert_eq!(ASKED.load(Ordering::Relaxed), 2);
    }
}
