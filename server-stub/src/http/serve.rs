//! Our own accept loop: the framework's has no limit on the time for a header, so that half a header would hold a
//! connection, and with it the shutdown, for ever.

use std::future::Future;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use axum::{Extension, Router};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;

use super::Limits;
use super::gate::Peer;

/// Largest header.
const MAX_HEADER_BYTES: usize = 16 * 1024;
/// Pause after the kernel refused a connection (out of descriptors): no spinning.
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// A socket to serve on.
#[derive(Debug)]
pub struct Listening {
    /// The socket.
    pub listener: TcpListener,
    /// With TLS, where there is a certificate.
    pub tls: Option<Arc<rustls::ServerConfig>>,
}

impl Listening {
    /// Where it listens.
    ///
    /// # Errors
    /// If the system doesn't say.
    pub fn address(&self) -> std::io::Result<SocketAddr> {
        self.listener.local_addr()
    }
}

/// Serves until `stop` is done, then lets requests under way finish within a deadline.
pub async fn serve(
    listening: Listening,
    router: Router,
    limits: Limits,
    stop: impl Future<Output = ()> + Send,
) {
    let tls = listening.tls.map(TlsAcceptor::from);
    let permits = Arc::new(Semaphore::new(limits.max_connections));
    let (stopping, stopped) = watch::channel(false);
    let mut connections = JoinSet::new();
    tokio::pin!(stop);
    loop {
        // The wait for a free place must not keep the hub from stopping.
        let (permit, accepted) = tokio::select! {
            () = &mut stop => break,
            next = next_connection(&listening.listener, &permits) => next,
        };
        while connections.try_join_next().is_some() {}
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(e) => {
                tracing::warn!(error = %e, "a connection could not be accepted");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        let router = router.clone().layer(Extension(Peer(peer.ip())));
        let (tls, stopped) = (tls.clone(), stopped.clone());
        connections.spawn(async move {
            let _permit = permit;
            connection(stream, tls, router, limits, stopped).await;
        });
    }
    drop(listening.listener);
    let _ = stopping.send(true);
    let drained = timeout(limits.drain, async { while connections.join_next().await.is_some() {} }).await;
    if drained.is_err() {
        tracing::warn!(
            n_connections = connections.len(),
            "requests were cut off at the deadline for stopping"
        );
        connections.shutdown().await;
    }
}

async fn next_connection(
    listener: &TcpListener,
    permits: &Arc<Semaphore>,
) -> (OwnedSemaphorePermit, std::io::Result<(TcpStream, SocketAddr)>) {
    let permit = Arc::clone(permits).acquire_owned().await.expect("the semaphore is never closed");
    (permit, listener.accept().await)
}

async fn connection(
    stream: TcpStream,
    tls: Option<TlsAcceptor>,
    router: Router,
    limits: Limits,
    stopped: watch::Receiver<bool>,
) {
    let Some(tls) = tls else { return http(stream, router, limits, stopped).await };
    match timeout(limits.handshake, tls.accept(stream)).await {
        Ok(Ok(stream)) => http(stream, router, limits, stopped).await,
        Ok(Err(e)) => tracing::debug!(error = %e, "a TLS handshake failed"),
        Err(_) => tracing::debug!("a TLS handshake took too long"),
    }
}

async fn http<I>(stream: I, router: Router, limits: Limits, mut stopped: watch::Receiver<bool>)
where
    I: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.header)
        .max_buf_size(MAX_HEADER_BYTES)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(router));
    tokio::pin!(connection);
    let result = tokio::select! {
        result = connection.as_mut() => result,
        () = stopping(&mut stopped) => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(e) = result {
        tracing::debug!(error = %e, "a connection ended in error");
    }
}

/// Returns once the hub stops. (A function of its own: what the wait returns may not be held across another await.)
async fn stopping(stopped: &mut watch::Receiver<bool>) {
    let _ = stopped.wait_for(|&stopping| stopping).await.is_ok();
}
