//! The shop's network: closed until the bench opens it.

use std::net::{IpAddr, Ipv4Addr, SocketAddr, UdpSocket};

use axum::extract::connect_info::IntoMakeServiceWithConnectInfo;
use axum::{Router, middleware};
use tokio::net::TcpListener;

use crate::app::App;
use crate::failure::Failure;
use crate::{Peer, api, guard};

/// Everything that answers, behind the guard.
pub(crate) fn service(app: &App) -> IntoMakeServiceWithConnectInfo<Router, Peer> {
    let router = api::router(app.clone()).layer(middleware::from_fn(guard::watch));
    router.into_make_service_with_connect_info::<Peer>()
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
    let listener = match TcpListener::bind(wanted).await {
        Ok(listener) => listener,
        Err(source) => {
            return Err(Failure::own(format!("cannot listen on {wanted}: {source}"))
                .hint("start the workbench with another port: `witness serve --listen 127.0.0.1:PORT`"));
        }
    };
    let service = service(app);
    let task = tokio::spawn(async move {
        // It ends only by being closed.
        let _ = axum::serve(listener, service).await;
    });
    app.network_opened(wanted, task.abort_handle());
    Ok(wanted)
}

/// The address that this machine uses towards others. Nothing is sent: connecting a datagram socket only asks the
/// routing table. The far address is of the block for documentation (RFC 5737).
fn own_address() -> Option<IpAddr> {
    let socket = UdpSocket::bind((Ipv4Addr::UNSPECIFIED, 0)).ok()?;
    socket.connect((Ipv4Addr::new(192, 0, 2, 1), 9)).ok()?;
    let ip = socket.local_addr().ok()?.ip();
    (!ip.is_loopback() && !ip.is_unspecified()).then_some(ip)
}
