//! The car, served to other programs while a test runs.

use std::net::TcpListener;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

/// Serves the stand-in of this name in real time while `client` runs; it is given the port.
pub(crate) fn served<T>(spec: &str, client: impl FnOnce(&str) -> T) -> T {
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let port = listener.local_addr().expect("bound").port().to_string();
    let stop = Arc::new(AtomicBool::new(false));
    let server = {
        let (stop, spec) = (stop.clone(), spec.to_owned());
        std::thread::spawn(move || standin::serve_tcp(&listener, &spec, 1.0, &stop))
    };
    let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| client(&port)));
    stop.store(true, Ordering::Relaxed);
    assert!(server.join().expect("no panic").is_ok());
    outcome.unwrap_or_else(|panic| std::panic::resume_unwind(panic))
}
