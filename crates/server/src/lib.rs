//! The workbench in the browser: it serves the pages and their data, streams live samples, and keeps the roles.
//!
//! Asynchronous code lives here alone; what talks to the car runs on a thread of its own and never waits for a page. This
//! crate must not know how evidence is computed, how an adapter speaks or how a file is laid out: it calls the rooms of
//! the house and hands on what they say. Everything that comes from a page is checked here again, whatever the page
//! itself would allow, and every text from a car or a file goes out as data, never as markup.
//!
//! Its main types are [`Options`] and [`Workbench`]; one file per resource of the interface is in `api`, the streams are
//! in `stream`, the roles in `access`, and what every request must show in `guard`.
//!
//! ```no_run
//! use std::sync::atomic::AtomicBool;
//!
//! let workshop = workshop::Workshop::new(workshop::Places::usual()?, "example 1.0");
//! let workbench = server::Workbench::open(&server::Options::default(), workshop)?;
//! println!("{}", workbench.url());
//! workbench.run(&AtomicBool::new(false))?;
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod access;
mod api;
mod app;
mod assets;
mod bay;
mod clearing;
mod failure;
mod grip;
mod guard;
mod network;
mod overview;
mod patient;
mod shelf;
mod shown;
mod stream;
mod thin;

use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime};

use tokio::net::TcpListener;

pub use crate::api::gate::{Gate, Resource};
pub use crate::api::interface;

use crate::app::App;

/// Where the workbench listens unless told otherwise: always the same, so that a browser keeps what it installed.
pub const PORT: u16 = 4715;

/// What the workbench needs to know to start.
#[derive(Debug, Clone)]
pub struct Options {
    /// Where it listens.
    pub listen: SocketAddr,
    /// Adapters that are offered besides those that are found.
    pub adapters: Vec<String>,
    /// How many times as fast as the wall's clock the invented car lives while it is recorded; above 0.
    pub pace: f64,
    /// How long a connection may keep the workbench waiting for what it is about to say, or to take.
    pub patience: Duration,
    /// Space on the disk that what pages bring in must leave, bytes.
    pub reserve: u64,
}

/// Long enough for a phone at the edge of the shop's radio.
const PATIENCE: Duration = Duration::from_secs(20);

/// Listening on loopback alone, at the usual port.
impl Default for Options {
    fn default() -> Self {
        let listen = SocketAddr::new(IpAddr::V4(Ipv4Addr::LOCALHOST), PORT);
        Self { listen, adapters: Vec::new(), pace: 1.0, patience: PATIENCE, reserve: workshop::RESERVE }
    }
}

/// Why the workbench cannot run.
#[derive(Debug, thiserror::Error)]
pub enum ServerError {
    /// The address cannot be listened on.
    #[error("cannot listen on {address}: {source}")]
    Listen {
        /// The address that was asked for.
        address: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// The system gives no threads, or takes them away.
    #[error("the workbench cannot go on: {0}")]
    System(#[from] std::io::Error),
}

/// Both ends of a connection.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Peer {
    pub(crate) remote: SocketAddr,
    /// The address of ours that it came in at.
    pub(crate) local: SocketAddr,
}

/// A workbench that listens.
pub struct Workbench {
    runtime: tokio::runtime::Runtime,
    listener: TcpListener,
    address: SocketAddr,
    app: App,
}

/// How often it looks whether it should stop.
const LOOKS_EVERY: Duration = Duration::from_millis(100);
/// How often it puts away drives that nobody looks at.
const TIDIES_EVERY: Duration = Duration::from_secs(60);

impl Workbench {
    /// Starts listening; pages are served from [`Workbench::run`] on.
    ///
    /// # Errors
    /// [`ServerError::Listen`] when the address is taken or not ours.
    pub fn open(options: &Options, workshop: workshop::Workshop) -> Result<Self, ServerError> {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(2)
            .thread_name("workbench")
            .enable_all()
            .build()?;
        let listen = |source| ServerError::Listen { address: options.listen, source };
        let listener = runtime.block_on(TcpListener::bind(options.listen)).map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        let app = App::start(options.clone(), workshop, address.port())?;
        Ok(Self { runtime, listener, address, app })
    }

    /// The address of its first page.
    #[must_use]
    pub fn url(&self) -> String {
        format!("http://{}/", self.address)
    }

    /// Serves until `stop` is set.
    ///
    /// # Errors
    /// [`ServerError::System`] when the system takes the listener away.
    pub fn run(self, stop: &AtomicBool) -> Result<(), ServerError> {
        let Self { runtime, listener, app, .. } = self;
        let ended = async {
            while !stop.load(Ordering::Relaxed) {
                tokio::time::sleep(LOOKS_EVERY).await;
            }
        };
        let tidying = app.clone();
        runtime.spawn(async move {
            let mut before = (Instant::now(), SystemTime::now());
            loop {
                tokio::time::sleep(TIDIES_EVERY).await;
                tidying.shelf().tidy();
                let now = (Instant::now(), SystemTime::now());
                tidying.slept(asleep(now.0 - before.0, now.1.duration_since(before.1).unwrap_or_default()));
                before = now;
            }
        });
        runtime.block_on(async {
            tokio::select! {
                () = network::serve(listener, app.clone()) => {}
                () = ended => {}
            }
        });
        app.close();
        // Streams may be open; they end with the runtime.
        runtime.shutdown_timeout(Duration::from_secs(1));
        Ok(())
    }
}

/// How long the machine slept while this much passed by its monotonic clock, which stands still meanwhile on some systems
/// (POSIX leaves it open; on Linux `CLOCK_MONOTONIC` does), and this much by the wall's, which may be corrected a little.
fn asleep(awake: Duration, passed: Duration) -> Duration {
    let asleep = passed.saturating_sub(awake);
    if asleep < TIDIES_EVERY { Duration::ZERO } else { asleep }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_what_no_clock_is_corrected_by_is_sleep() {
        let hours = |n: u64| Duration::from_secs(n * 3600);
        assert_eq!(asleep(TIDIES_EVERY, hours(14) + TIDIES_EVERY), hours(14));
        assert_eq!(asleep(TIDIES_EVERY, TIDIES_EVERY + Duration::from_secs(1)), Duration::ZERO);
        assert_eq!(asleep(TIDIES_EVERY, Duration::ZERO), Duration::ZERO, "a clock that was set back");
    }
}
