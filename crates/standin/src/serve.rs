//! The stand-in for other programs: over TCP or on a pseudo terminal, in real time or faster.

use crate::StandinError;
use crate::rig::Rig;
use crate::spec::{FaceKind, Spec};
use protocol::Nanos;
use protocol::doip::{Payload, Reader, VERSION_2012};
use std::fs::File;
use std::io::{ErrorKind, Read, Write};
use std::net::{TcpListener, TcpStream, UdpSocket};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Longest sleep before looking for bytes and for the wish to stop.
const NAP: Duration = Duration::from_millis(1);

/// A byte stream that does not block.
trait Line: Read + Write {}
impl Line for TcpStream {}
impl Line for File {}

/// The car with a clock that runs on its own.
struct Live {
    rig: Rig,
    speed: f64,
    started: Instant,
}

impl Live {
    fn new(spec: &str, speed: f64) -> Result<Self, StandinError> {
        if !(speed.is_finite() && speed > 0.0 && speed <= 1000.0) {
            return Err(StandinError::Value {
                option: "speed".to_owned(),
                value: speed.to_string(),
                expected: "a number above 0, up to 1000; 1 is real time".to_owned(),
            });
        }
        Ok(Self { rig: spec.parse::<Spec>()?.rig()?, speed, started: Instant::now() })
    }

    fn now(&self) -> Nanos {
        (self.started.elapsed().as_secs_f64() * self.speed * 1e9) as Nanos
    }

    /// Nobody is there: drives on.
    fn wait(&mut self) {
        std::thread::sleep(10 * NAP);
        self.rig.advance(self.now());
        self.rig.keep_up();
    }

    /// How long nothing will happen, at most a nap.
    fn idle_for(&self) -> Duration {
        let until = self.rig.next_event().map_or(f64::MAX, |at| (at - self.now()).max(0) as f64 / 1e9 / self.speed);
        Duration::from_secs_f64(until.min(NAP.as_secs_f64()))
    }

    /// Talks to one client until it leaves (true) or `stop` is set (false).
    fn talk(&mut self, line: &mut dyn Line, stop: &AtomicBool) -> bool {
        self.rig.advance(self.now());
        self.rig.hang_up();
        let mut buffer = [0; 4096];
        while !stop.load(Ordering::Relaxed) {
            let mut busy = false;
            match line.read(&mut buffer) {
                Ok(0) => return true,
                Ok(n) => {
                    self.rig.advance(self.now());
                    self.rig.write(&buffer[..n]);
                    busy = true;
                }
                Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {}
                Err(_) => return true,
            }
            let now = self.now();
            let n = self.rig.read(now, &mut buffer);
            if n > 0 {
                busy = true;
                if !send(line, &buffer[..n], stop) {
                    return true;
                }
            }
            if !busy {
                self.rig.keep_up();
                std::thread::sleep(self.idle_for());
            }
        }
        false
    }
}

/// Writes everything, also when the other side reads slowly; false when it has gone.
fn send(line: &mut dyn Line, mut bytes: &[u8], stop: &AtomicBool) -> bool {
    while !bytes.is_empty() {
        match line.write(bytes) {
            Ok(0) => return false,
            Ok(n) => bytes = &bytes[n..],
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::Interrupted) => {
                if stop.load(Ordering::Relaxed) {
                    return false;
                }
                std::thread::sleep(NAP);
            }
            Err(_) => return false,
        }
    }
    true
}

/// How addresses of the stand-in named `spec` begin when it is served: `at`, `slcan`.
///
/// # Errors
/// [`StandinError`] when `spec` has a name, an option or a value that does not exist, or a face that speaks no bytes.
pub fn scheme(spec: &str) -> Result<&'static str, StandinError> {
    match spec.parse::<Spec>()?.face {
        FaceKind::At => Ok("at"),
        FaceKind::Slcan => Ok("slcan"),
        FaceKind::Doip => Ok("doip"),
        FaceKind::Can => Err(StandinError::NoBytes),
    }
}

/// Answers, until `stop` is set, whoever asks by UDP at this address which vehicle is there: the one with this number.
fn announce(address: std::net::SocketAddr, vin: &str, stop: &AtomicBool) -> std::io::Result<()> {
    let socket = UdpSocket::bind(address)?;
    socket.set_read_timeout(Some(Duration::from_millis(100)))?;
    let mut buffer = [0; 1024];
    while !stop.load(Ordering::Relaxed) {
        let Ok((n, from)) = socket.recv_from(&mut buffer) else { continue };
        let mut reader = Reader::default();
        reader.push(&buffer[..n]);
        let who = crate::face::doip::announcement(vin);
        let is_meant = match reader.next_message() {
            Some(Ok((_, Payload::WhoIsThere))) => true,
            Some(Ok((_, Payload::WhoHasEid(eid)))) => eid == who.eid,
            Some(Ok((_, Payload::WhoHasVin(vin)))) => vin == who.vin,
            _ => false,
        };
        if is_meant {
            // Whoever has gone in the meantime misses nothing.
            let _ = socket.send_to(&Payload::Announcement(who).encode(VERSION_2012), from);
        }
    }
    Ok(())
}

/// Serves the stand-in named `spec` to one TCP client after another until `stop` is set. `speed` 1 is real time.
///
/// The car drives on while nobody is connected, and the adapter keeps its settings, as one does that stays plugged in.
///
/// # Errors
/// As [`crate::dial`]; [`StandinError::Serve`] when the socket fails; [`StandinError::Value`] for an impossible `speed`.
pub fn serve_tcp(listener: &TcpListener, spec: &str, speed: f64, stop: &AtomicBool) -> Result<(), StandinError> {
    let address = listener.local_addr().map_or_else(|_| "a TCP port".to_owned(), |address| address.to_string());
    let failed = |source| StandinError::Serve { address: address.clone(), source };
    let mut live = Live::new(spec, speed)?;
    listener.set_nonblocking(true).map_err(failed)?;
    let parsed = spec.parse::<Spec>()?;
    if parsed.face == FaceKind::Doip {
        let address = listener.local_addr().map_err(failed)?;
        return std::thread::scope(|scope| {
            let announcing = scope.spawn(|| announce(address, parsed.vin(), stop));
            let served = accept(&mut live, listener, stop).map_err(failed);
            // Ends with the same flag.
            match announcing.join() {
                Ok(Err(source)) => served.and(Err(failed(source))),
                _ => served,
            }
        });
    }
    accept(&mut live, listener, stop).map_err(failed)
}

/// One client after another.
fn accept(live: &mut Live, listener: &TcpListener, stop: &AtomicBool) -> std::io::Result<()> {
    while !stop.load(Ordering::Relaxed) {
        match listener.accept() {
            Ok((mut stream, _)) => {
                // A client that leaves before it is set up is no reason to stop serving.
                if stream.set_nonblocking(true).is_ok() && stream.set_nodelay(true).is_ok() {
                    live.talk(&mut stream, stop);
                }
            }
            Err(error)
                if matches!(
                    error.kind(),
                    ErrorKind::WouldBlock | ErrorKind::Interrupted | ErrorKind::ConnectionAborted
                ) =>
            {
                live.wait();
            }
            Err(source) => return Err(source),
        }
    }
    Ok(())
}

/// A pseudo terminal that a tester can open like a serial port.
#[derive(Debug)]
pub struct Terminal {
    controller: File,
    path: PathBuf,
}

impl Terminal {
    /// Creates one, without line editing or echo.
    ///
    /// # Errors
    /// [`StandinError::Serve`] when the system has none to give, as none but Unix has.
    pub fn open() -> Result<Self, StandinError> {
        let (controller, path) =
            raw_terminal().map_err(|source| StandinError::Serve { address: "a pseudo terminal".to_owned(), source })?;
        Ok(Self { controller, path })
    }

    /// What the tester opens.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }
}

#[cfg(unix)]
fn raw_terminal() -> std::io::Result<(File, PathBuf)> {
    use rustix::fs::{OFlags, fcntl_getfl, fcntl_setfl};
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    use rustix::termios::{OptionalActions, tcgetattr, tcsetattr};

    let controller = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY)?;
    // In a step of its own: not every Unix takes it when the terminal is made.
    rustix::io::fcntl_setfd(&controller, rustix::io::FdFlags::CLOEXEC)?;
    grantpt(&controller)?;
    unlockpt(&controller)?;
    let path = PathBuf::from(ptsname(&controller, Vec::new())?.to_string_lossy().into_owned());
    // The settings of the line belong to the pair and outlive every client.
    let mut mode = tcgetattr(&controller)?;
    mode.make_raw();
    tcsetattr(&controller, OptionalActions::Now, &mode)?;
    let flags = fcntl_getfl(&controller)?;
    fcntl_setfl(&controller, flags | OFlags::NONBLOCK)?;
    Ok((File::from(controller), path))
}

#[cfg(not(unix))]
fn raw_terminal() -> std::io::Result<(File, PathBuf)> {
    Err(ErrorKind::Unsupported.into())
}

/// Serves the stand-in named `spec` on a pseudo terminal to one client after another until `stop` is set.
///
/// # Errors
/// As [`serve_tcp`].
pub fn serve_pty(terminal: &mut Terminal, spec: &str, speed: f64, stop: &AtomicBool) -> Result<(), StandinError> {
    let mut live = Live::new(spec, speed)?;
    while !stop.load(Ordering::Relaxed) {
        // Nobody at the other end reads as an error (EIO); somebody who opens it ends that.
        if live.talk(&mut terminal.controller, stop) {
            live.wait();
        }
    }
    Ok(())
}
