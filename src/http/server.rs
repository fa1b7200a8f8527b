//! The accept loop. `axum::serve` installs no timer, which leaves hyper's header timeout without effect,
//! so connections are served here: with a timer, a cap, an age, and a drain when asked to stop.

use super::connections::Room;
use super::tls::Certificates;
use super::{App, routes};
use axum::Router;
use http::{Request, Uri};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::convert::Infallible;
use std::future::Future;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::watch;
use tokio::time::{sleep, timeout};
use tokio_rustls::TlsAcceptor;

/// Why an address is not bound: there is no authentication, so only this machine may reach the service.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error(
    "{0} can be reached from other machines and no authentication is configured; listen on a loopback address such as 127.0.0.1:8080, or say who may call (--access) and give a certificate (--tls-cert, --tls-key)"
)]
pub struct Exposed(pub SocketAddr);

/// Refuses an address that other machines could reach.
pub fn only_loopback(address: SocketAddr) -> Result<SocketAddr, Exposed> {
    if is_loopback(address) { Ok(address) } else { Err(Exposed(address)) }
}

/// Whether only this machine can reach it.
pub fn is_loopback(address: SocketAddr) -> bool {
    address.ip().to_canonical().is_loopback()
}

/// Serves until `stop` resolves, then lets running requests end within the drain time.
///
/// # Errors
/// When the listener breaks for good.
pub async fn serve(listener: TcpListener, app: Arc<App>, stop: impl Future<Output = ()>) -> std::io::Result<()> {
    let certificates = app.doors.certificates.clone();
    serve_routes(listener, routes::router(app.clone()), certificates, app, stop).await
}

/// Serves these routes until `stop` resolves, with TLS where there are certificates.
///
/// # Errors
/// When the listener breaks for good.
pub async fn serve_routes(
    listener: TcpListener,
    routes: Router,
    certificates: Option<Arc<Certificates>>,
    app: Arc<App>,
    stop: impl Future<Output = ()>,
) -> std::io::Result<()> {
    let service = TowerToHyperService::new(routes);
    let room = Room::new(&app.limits);
    let (stopping, stopped) = watch::channel(false);
    // Whoever sends requests here hears that this service stops while it still answers.
    let mut stop = pin!(async {
        stop.await;
        if !app.stopping.swap(true, Ordering::Relaxed) {
            sleep(app.limits.notice).await;
        }
    });
    let (demo, note) = app.mark();
    loop {
        let (stream, from) = tokio::select! {
            () = &mut stop => break,
            accepted = listener.accept() => match accepted {
                Ok(accepted) => accepted,
                Err(error) => {
                    // Out of descriptors, or a connection that was gone before it was taken.
                    tracing::warn!(error = %error, demo, note, "a connection could not be accepted");
                    app.connections.not_accepted();
                    sleep(Duration::from_millis(20)).await;
                    continue;
                }
            },
        };
        let mut place = match room.enter(&app, from.ip(), certificates.is_some()) {
            Ok(place) => place,
            Err(why) => {
                app.connections.turned_away(&app, why);
                // Words in plain text mean nothing to a client that begins a handshake.
                if certificates.is_none() {
                    turn_away(&stream);
                }
                continue;
            }
        };
        let _ = stream.set_nodelay(true);
        let (service, app, stopped) = (service.clone(), app.clone(), stopped.clone());
        let certificates = certificates.clone();
        tokio::spawn(async move {
            let service = service_fn(move |request| service.call(plain_dollar(request)));
            match certificates {
                None => connection(stream, service, &app, stopped).await,
                Some(certificates) => {
                    // A handshake has the time of a header: until it is done nobody is there to be answered.
                    let acceptor = TlsAcceptor::from(certificates.current());
                    if let Ok(Ok(stream)) = timeout(app.limits.header_time, acceptor.accept(stream)).await {
                        place.greeted();
                        connection(stream, service, &app, stopped).await;
                    }
                }
            }
            drop(place);
        });
    }
    drop(listener);
    tracing::info!(demo, note, "stopping: no new connections, waiting for running requests");
    let _ = stopping.send(true);
    if timeout(app.limits.drain, room.empty()).await.is_err() {
        tracing::warn!(demo, note, "stopped with requests still running");
    }
    Ok(())
}

/// One connection to its end.
async fn connection<S>(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send,
    service: S,
    app: &App,
    mut stopped: watch::Receiver<bool>,
) where
    S: Service<Request<Incoming>, Response = axum::response::Response, Error = Infallible>,
{
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(app.limits.header_time)
        .max_buf_size(32 << 10)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = pin!(connection);
    tokio::select! {
        _ = connection.as_mut() => {}
        () = async {
            tokio::select! {
                _ = stopped.wait_for(|stop| *stop) => {}
                () = sleep(app.limits.connection_age) => {}
            }
        } => {
            connection.as_mut().graceful_shutdown();
            let _ = timeout(app.limits.drain, connection).await;
        }
    }
}

/// `%24validate` is `$validate`: some clients escape the dollar sign, and routes are matched as written.
fn plain_dollar<B>(mut request: Request<B>) -> Request<B> {
    let Some(target) = request.uri().path_and_query() else { return request };
    if target.path().contains("%24") {
        let query = target.query().map_or_else(String::new, |query| format!("?{query}"));
        if let Ok(uri) = Uri::try_from(target.path().replace("%24", "$") + &query) {
            *request.uri_mut() = uri;
        }
    }
    request
}

/// A short answer to a connection over the cap, without waiting for anything.
fn turn_away(stream: &TcpStream) {
    let body = super::refusal::Refusal::Overloaded.outcome();
    let answer = format!(
        "HTTP/1.1 503 Service Unavailable\r\ncontent-type: {}\r\ncontent-length: {}\r\nretry-after: 1\r\nconnection: close\r\n\r\n{body}",
        super::refusal::FHIR_JSON,
        body.len(),
    );
    let _ = stream.try_write(answer.as_bytes());
}

/// Resolves at SIGINT or, on Unix, SIGTERM.
///
/// It listens from the call on, and not only once the future is looked at: a stop that is asked for as soon as the address
/// is known is not missed.
pub fn asked_to_stop() -> impl Future<Output = ()> + Send {
    #[cfg(unix)]
    {
        use tokio::signal::unix::{SignalKind, signal};
        let (interrupt, terminate) = (signal(SignalKind::interrupt()), signal(SignalKind::terminate()));
        async move {
            match (interrupt, terminate) {
                (Ok(mut interrupt), Ok(mut terminate)) => {
                    tokio::select! {
                        _ = interrupt.recv() => {}
                        _ = terminate.recv() => {}
                    }
                }
                (Ok(mut one), Err(_)) | (Err(_), Ok(mut one)) => drop(one.recv().await),
                (Err(_), Err(_)) => std::future::pending().await,
            }
        }
    }
    #[cfg(not(unix))]
    async {
        drop(tokio::signal::ctrl_c().await);
    }
}
