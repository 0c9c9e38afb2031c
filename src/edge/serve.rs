//! The accept loop: limits on connections and on silence, TLS, HTTP/1 and HTTP/2 on one port.
//!
//! A connection that says nothing within ten seconds is closed, whatever it was going to say: the
//! HTTP library starts its own timers only after the handshake.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, SocketAddr};
use std::pin::Pin;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::task::{Context, Poll};
use std::time::Duration;

use axum::Router;
use hyper_util::rt::{TokioExecutor, TokioIo, TokioTimer};
use hyper_util::server::conn::auto::Builder;
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};
use tokio_rustls::TlsAcceptor;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::metrics;

/// Bounds of the accept loop.
#[derive(Debug, Clone, Copy)]
pub struct Limits {
    /// Connections in all.
    pub connections: usize,
    /// Connections per address.
    pub per_address: usize,
    /// Time for the TLS handshake and the first bytes.
    pub silence: Duration,
    /// Age at which a connection is asked to go.
    pub age: Duration,
    /// Time for its last requests after that.
    pub grace: Duration,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            connections: 2_000,
            per_address: 50,
            silence: Duration::from_secs(10),
            age: Duration::from_hours(1),
            grace: Duration::from_secs(30),
        }
    }
}

/// Bytes after which a connection counts as speaking: the length of the HTTP/2 preface.
const SPEAKING: usize = 24;

/// Places taken, in all and per address.
#[derive(Debug, Default)]
pub(super) struct Places {
    taken: Mutex<HashMap<IpAddr, usize>>,
}

/// One connection's place; free again when dropped.
pub(super) struct Place {
    places: Arc<Places>,
    address: IpAddr,
}

impl Places {
    fn take(self: &Arc<Self>, address: IpAddr, limits: Limits) -> Option<Place> {
        let mut taken = self.taken.lock().ok()?;
        if taken.values().sum::<usize>() >= limits.connections {
            return None;
        }
        let count = taken.entry(address).or_default();
        if *count >= limits.per_address {
            return None;
        }
        *count += 1;
        Some(Place {
            places: Arc::clone(self),
            address,
        })
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let Ok(mut taken) = self.places.taken.lock() else {
            return;
        };
        if let Some(count) = taken.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                taken.remove(&self.address);
            }
        }
    }
}

/// A listener with what it serves.
pub struct Door {
    /// Bound socket.
    pub listener: TcpListener,
    /// What is served.
    pub router: Router,
    /// TLS, when configured.
    pub tls: Option<TlsAcceptor>,
    /// Bounds.
    pub limits: Limits,
}

/// Accepts until `stop`, within the limits; each connection is handed on with its place.
pub(super) async fn accept(
    listener: TcpListener,
    limits: Limits,
    stop: CancellationToken,
    mut serve: impl FnMut(TcpStream, SocketAddr, Place),
) {
    let places = Arc::new(Places::default());
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = stop.cancelled() => return,
        };
        let (stream, peer) = match accepted {
            Ok(accepted) => accepted,
            Err(error) => {
                // Out of descriptors, most likely: existing connections go on.
                tracing::warn!(%error, "a connection could not be accepted");
                tokio::time::sleep(Duration::from_millis(200)).await;
                continue;
            }
        };
        let Some(place) = places.take(peer.ip(), limits) else {
            metrics::count_refused("connections");
            continue;
        };
        serve(stream, peer, place);
    }
}

impl Door {
    /// Accepts until `stop`; then every connection finishes its requests. Tasks run on `tasks`.
    pub async fn run(self, tasks: TaskTracker, stop: CancellationToken) {
        let served = Arc::new((self.router, self.tls, self.limits));
        accept(
            self.listener,
            self.limits,
            stop.clone(),
            |stream, peer, place| {
                let work = connection((stream, peer), Arc::clone(&served), stop.clone());
                tasks.spawn(async move {
                    work.await;
                    drop(place);
                });
            },
        )
        .await;
    }
}

async fn connection(
    (stream, peer): (TcpStream, SocketAddr),
    served: Arc<(Router, Option<TlsAcceptor>, Limits)>,
    stop: CancellationToken,
) {
    let (router, tls, limits) = &*served;
    // Receipts are small and waited for.
    let _ = stream.set_nodelay(true);
    let served = match tls {
        None => serve(stream, router.clone(), *limits, stop).await,
        Some(tls) => match tokio::time::timeout(limits.silence, tls.accept(stream)).await {
            Ok(Ok(stream)) => serve(stream, router.clone(), *limits, stop).await,
            Ok(Err(error)) => Err(error.into()),
            Err(_) => Err(io::Error::from(io::ErrorKind::TimedOut).into()),
        },
    };
    if let Err(error) = served {
        tracing::debug!(%peer, %error, "a connection ended");
    }
}

async fn serve<S>(
    stream: S,
    router: Router,
    limits: Limits,
    stop: CancellationToken,
) -> Result<(), Box<dyn std::error::Error + Send + Sync>>
where
    S: AsyncRead + AsyncWrite + Unpin + Send + 'static,
{
    // Counted inside TLS: what came along with the handshake counts, its own bytes do not.
    let heard = Arc::new(AtomicUsize::new(0));
    let stream = Heard {
        stream,
        bytes: Arc::clone(&heard),
    };
    let mut builder = Builder::new(TokioExecutor::new());
    builder
        .http1()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.silence);
    builder
        .http2()
        .timer(TokioTimer::new())
        .max_concurrent_streams(64)
        .max_header_list_size(16 * 1024)
        .keep_alive_interval(Duration::from_secs(20))
        .keep_alive_timeout(Duration::from_secs(10));
    let service = TowerToHyperService::new(router);
    let work = builder.serve_connection_with_upgrades(TokioIo::new(stream), service);
    let mut work = std::pin::pin!(work);
    let silent = async {
        tokio::time::sleep(limits.silence).await;
        if heard.load(Ordering::Relaxed) >= SPEAKING {
            std::future::pending::<()>().await;
        }
    };
    tokio::select! {
        done = work.as_mut() => return done,
        () = silent => {
            metrics::count_refused("silence");
            return Err(io::Error::from(io::ErrorKind::TimedOut).into());
        }
        () = stop.cancelled() => {}
        () = tokio::time::sleep(limits.age) => {}
    }
    work.as_mut().graceful_shutdown();
    match tokio::time::timeout(limits.grace, work).await {
        Ok(done) => done,
        Err(_) => Ok(()),
    }
}

/// A stream that counts what was read.
struct Heard<S> {
    stream: S,
    bytes: Arc<AtomicUsize>,
}

impl<S: AsyncRead + Unpin> AsyncRead for Heard<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        let poll = Pin::new(&mut self.stream).poll_read(cx, buf);
        self.bytes
            .fetch_add(buf.filled().len() - before, Ordering::Relaxed);
        poll
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Heard<S> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &[u8],
    ) -> Poll<io::Result<usize>> {
        Pin::new(&mut self.stream).poll_write(cx, buf)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
