//! The sockets under HTTP: how many there are, how long one is kept, and how they end.
//!
//! A connection costs a descriptor and somebody else decides when it sends. So a head has a time limit, which
//! is that of an idle connection too; every connection has an end; and there are only so many, in all and of
//! one address.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::extract::ConnectInfo;
use axum::http::Request;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio::time::{Instant, sleep, timeout};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt;

use application::network::Network;

/// For how long a head may be on its way, and a connection idle.
const HEAD: Duration = Duration::from_secs(15);
/// After how long a connection is asked to end with the request that it has: nobody keeps one by reading slowly.
const LIFE: Duration = Duration::from_mins(10);
/// How long what is under way may take when a connection or the process is to end.
pub const END: Duration = Duration::from_secs(20);

/// How many connections there may be.
#[derive(Debug, Clone, Copy)]
pub struct Most {
    /// In all; who comes later waits in the operating system's queue.
    pub in_all: usize,
    /// From one address, or one network of IPv6; one more is closed at once.
    pub by_address: usize,
}

/// Serves on a socket until the future ends, and then until what is under way has ended, [`END`] at most.
pub async fn serve(listener: TcpListener, router: Router, most: Most, until: impl Future<Output = ()>) {
    let (closing, open) = (CancellationToken::new(), TaskTracker::new());
    tokio::select! {
        () = until => {}
        () = accept(&listener, router, most, &closing, &open) => {}
    }
    drop(listener);
    closing.cancel();
    open.close();
    if timeout(END, open.wait()).await.is_err() {
        tracing::warn!(connections = open.len(), "connections.cut");
    }
}

/// Accepts for ever.
async fn accept(
    listener: &TcpListener,
    router: Router,
    most: Most,
    closing: &CancellationToken,
    open: &TaskTracker,
) {
    let places = Arc::new(Semaphore::new(most.in_all));
    let counts = Counts::default();
    let mut told: Option<Instant> = None;
    // The semaphore is never closed.
    while let Ok(place) = Arc::clone(&places).acquire_owned().await {
        let (stream, peer) = match listener.accept().await {
            Ok(accepted) => accepted,
            Err(error) => {
                // One that was taken back before we came to it, or no descriptors: others may end meanwhile.
                tracing::warn!(error = %error, "connections.not_accepted");
                sleep(Duration::from_millis(50)).await;
                continue;
            }
        };
        let network = Network::of(peer.ip());
        let Some(counted) = counts.one_more(network, most.by_address) else {
            // Once a minute, whoever it is: lines are not to be a way to fill a disk.
            if told.is_none_or(|told| told.elapsed() > Duration::from_mins(1)) {
                tracing::warn!(%network, "connections.refused");
                told = Some(Instant::now());
            }
            continue;
        };
        let connection = connection(stream, peer, router.clone(), closing.clone());
        open.spawn(async move {
            connection.await;
            drop((counted, place));
        });
    }
}

/// Serves one connection to its end.
async fn connection(stream: TcpStream, peer: SocketAddr, router: Router, closing: CancellationToken) {
    let service = router.map_request(move |request: Request<Incoming>| {
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(ConnectInfo(peer));
        request
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEAD)
        .serve_connection(TokioIo::new(stream), TowerToHyperService::new(service));
    let mut connection = std::pin::pin!(connection);
    // What goes wrong on a connection concerns its caller alone, who is told or gone.
    tokio::select! {
        _ = connection.as_mut() => return,
        () = closing.cancelled() => {}
        () = sleep(LIFE) => {}
    }
    connection.as_mut().graceful_shutdown();
    let _ = timeout(END, connection).await;
}

/// How many connections an address has.
#[derive(Clone, Default)]
struct Counts(Arc<Mutex<HashMap<Network, usize>>>);

impl Counts {
    /// One more, until this is dropped; nothing, where there are so many already.
    fn one_more(&self, address: Network, most: usize) -> Option<Counted> {
        let mut counts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = counts.entry(address).or_insert(0);
        if *count >= most {
            return None;
        }
        *count += 1;
        Some(Counted { counts: self.clone(), address })
    }
}

/// A connection that counts.
struct Counted {
    counts: Counts,
    address: Network,
}

impl Drop for Counted {
    fn drop(&mut self) {
        let mut counts = self.counts.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = counts.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                counts.remove(&self.address);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_its_places_and_gets_them_back() {
        let counts = Counts::default();
        let [one, other] = ["192.0.2.1", "192.0.2.2"].map(|address| Network::of(address.parse().unwrap()));
        let first = counts.one_more(one, 2).unwrap();
        let _second = counts.one_more(one, 2).unwrap();
        assert!(counts.one_more(one, 2).is_none() && counts.one_more(other, 2).is_some());
        drop(first);
        assert!(counts.one_more(one, 2).is_some());
        assert_eq!(counts.0.lock().unwrap().len(), 1);
    }
}
