//! Who is let in: connections are counted, and none may keep the workbench waiting.
//!
//! The shop's network is closed until the bench opens it.

use std::collections::HashMap;
use std::io;
use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use axum::extract::ConnectInfo;
use axum::{Extension, Router, middleware};
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::net::{TcpListener, TcpStream};
use tokio::task::JoinSet;

use crate::app::App;
use crate::failure::Failure;
use crate::patient::Patient;
use crate::{Peer, api, guard};

/// Most connections at a time in all: far below the 1024 files that a process usually may have open.
const MOST: usize = 256;
/// Most connections at a time from one address: some pages with the six that a browser opens at most to one server.
const MOST_OF_ONE: usize = 48;
/// Pause after the system could not give a connection, such as for want of files.
const PAUSE: Duration = Duration::from_millis(50);

/// Answers whoever connects, until it is dropped; every connection ends with it.
///
/// A connection that has not said what it wants within the patience of [`crate::Options`] is closed, and one that takes
/// nothing of its answer for so long.
pub(crate) async fn serve(listener: TcpListener, app: App) {
    let router = api::router(app.clone()).layer(middleware::from_fn_with_state(app.clone(), guard::watch));
    let guests = Arc::new(Guests::default());
    let mut connections = JoinSet::new();
    loop {
        tokio::select! {
            accepted = listener.accept() => match accepted {
                // One too many is closed without a word.
                Ok((stream, remote)) => if let Some(place) = guests.place(remote.ip()) {
                    connections.spawn(answer(stream, remote, router.clone(), app.options().patience, place));
                },
                Err(_) => tokio::time::sleep(PAUSE).await,
            },
            Some(_) = connections.join_next() => {}
        }
    }
}

async fn answer(stream: TcpStream, remote: SocketAddr, router: Router, patience: Duration, _place: Place) {
    // Without an own address the connection is as good as gone; an unspecified one matches no host.
    let local = stream.local_addr().unwrap_or(SocketAddr::new(IpAddr::V4(Ipv4Addr::UNSPECIFIED), 0));
    let service = TowerToHyperService::new(router.layer(Extension(ConnectInfo(Peer { remote, local }))));
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(patience);
    // A connection that breaks off is nobody's failure.
    let stream = Patient::new(stream, patience);
    let _ = http.serve_connection(TokioIo::new(stream), service).with_upgrades().await;
}

/// Connections that are open, by address.
#[derive(Default)]
struct Guests(Mutex<HashMap<IpAddr, usize>>);

impl Guests {
    /// A place for one more, if there is one.
    fn place(self: &Arc<Self>, ip: IpAddr) -> Option<Place> {
        let mut open = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let n_all: usize = open.values().sum();
        let n_own = open.entry(ip).or_default();
        if n_all >= MOST || *n_own >= MOST_OF_ONE {
            return None;
        }
        *n_own += 1;
        Some(Place { guests: Arc::clone(self), ip })
    }
}

/// One open connection.
struct Place {
    guests: Arc<Guests>,
    ip: IpAddr,
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut open = self.guests.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(n) = open.get_mut(&self.ip) {
            *n -= 1;
        }
        open.retain(|_, n| *n > 0);
    }
}

/// Listens on the shop's network too; returns the address that phones can reach.
///
/// Errors: there is no network, or its port is taken.
pub(crate) async fn open(app: &App) -> Result<SocketAddr, Failure> {
    let no_network = || {
        Failure::own("this machine has no address on a network")
            .hint("connect it to the shop's network (cable or radio) and try again")
    };
    let ip = own_address().ok_or_else(no_network)?;
    let wanted = SocketAddr::new(ip, app.port());
    let listener = TcpListener::bind(wanted).await.map_err(|source: io::Error| {
        Failure::own(format!("cannot listen on {wanted}: {source}"))
            .hint("start the workbench with another port: `witness serve --listen 127.0.0.1:PORT`")
    })?;
    // It ends only by being closed.
    let task = tokio::spawn(serve(listener, app.clone()));
    app.network_opened(wanted, task.abort_handle());
    Ok(wanted)
}

/// Whether phones can still reach the workbench there: a laptop changes its network, and a network its addresses.
pub(crate) fn is_own(address: SocketAddr) -> bool {
    own_address() == Some(address.ip())
}

/// The address that this machine uses towards others. Nothing is sent: connecting a datagram socket only asks the
/// routing table. The far address is of the block for documentation (RFC 5737).
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_loopback() && !ip.is_unspecified()).then_some(ip)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_address_cannot_take_all_places_and_places_come_back() {
        let guests = Arc::new(Guests::default());
        let place = |n: u8| guests.place(IpAddr::V4(Ipv4Addr::new(192, 0, 2, n)));
        let mut held: Vec<Place> = (0..MOST_OF_ONE).map_while(|_| place(1)).collect();
        assert_eq!(held.len(), MOST_OF_ONE);
        assert!(place(1).is_none() && place(2).is_some());
        held.pop();
        assert!(place(1).is_some());
        held.extend((2..100).filter_map(place).take(MOST));
        held.extend((2..100).filter_map(place).take(MOST));
        held.extend((2..100).filter_map(place).take(MOST));
        assert_eq!(held.len(), MOST);
        drop(held);
        assert!(guests.0.lock().unwrap().is_empty());
    }
}
