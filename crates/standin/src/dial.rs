//! The stand-in inside this process, on a virtual clock: as fast as it is asked.

use crate::StandinError;
use crate::rig::Rig;
use crate::spec::{FaceKind, Spec};
use crate::truth::Truth;
use link::{AtLink, Dial, Link, LinkError, Port, PortError, Settings, SlcanDial};
use protocol::Nanos;
use std::io::{Error, ErrorKind};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// Opens the stand-in named `spec` (what follows `standin:` in an adapter address) on a virtual clock: time passes only
/// while somebody waits for it.
///
/// # Errors
/// [`StandinError`] when `spec` has a name, an option or a value that does not exist; it says which there are.
pub fn dial(spec: &str) -> Result<Box<dyn Dial>, StandinError> {
    let parsed: Spec = spec.parse()?;
    let rig = parsed.rig()?;
    Ok(Box::new(StandinDial::new(spec, &parsed, Shared::new(rig))))
}

/// As [`dial`], with a view of the car that no tester has.
///
/// # Errors
/// As [`dial`].
pub fn dial_with_truth(spec: &str) -> Result<(Box<dyn Dial>, Truth), StandinError> {
    let parsed: Spec = spec.parse()?;
    let mut rig = parsed.rig()?;
    let kept = rig.keep_answers();
    let shared = Shared::new(rig);
    let dial = StandinDial::new(spec, &parsed, shared.clone());
    Ok((Box::new(dial), Truth { shared, kept }))
}

/// Why a link to a stand-in could not be opened.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Its name says something that there is not.
    #[error(transparent)]
    Standin(#[from] StandinError),
    /// The adapter or the car does not answer, as a setting made it.
    #[error(transparent)]
    Link(#[from] LinkError),
}

/// A link to the stand-in named `spec`, through the face that it wears, on a virtual clock.
///
/// # Errors
/// [`OpenError`].
pub fn open(spec: &str, settings: Settings) -> Result<Box<dyn Link>, OpenError> {
    Ok(match spec.parse::<Spec>()?.face {
        FaceKind::At => Box::new(AtLink::start(dial(spec)?, settings)?),
        FaceKind::Slcan => link::can::start(Box::new(SlcanDial::new(dial(spec)?)), settings)?,
        FaceKind::Doip => link::doip::start(dial(spec)?, None, settings)?,
        FaceKind::Can => link::can::start(crate::can_dial(spec)?, settings)?,
    })
}

/// Longest single wait. A port that nothing comes from would block for ever; this one comes back, so that a forgotten
/// deadline does not send the car to the end of time.
pub(crate) const LONGEST_WAIT_NS: Nanos = 3_600_000_000_000;

fn ns(seconds: f64) -> Nanos {
    (seconds * 1e9) as Nanos
}

#[derive(Debug, Clone)]
pub(crate) struct Shared(Arc<Mutex<Rig>>);

impl Shared {
    fn new(rig: Rig) -> Self {
        Self(Arc::new(Mutex::new(rig)))
    }

    pub(crate) fn rig(&self) -> MutexGuard<'_, Rig> {
        // A panic elsewhere while holding the lock leaves a rig that is still whole.
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[derive(Debug)]
struct StandinDial {
    address: String,
    shared: Shared,
    /// Spans in which the adapter is unplugged.
    gone: Arc<[(Nanos, Nanos)]>,
}

#[derive(Debug)]
struct StandinPort {
    address: String,
    shared: Shared,
    gone: Arc<[(Nanos, Nanos)]>,
}

impl StandinDial {
    fn new(spec: &str, parsed: &Spec, shared: Shared) -> Self {
        let gone = parsed.gone_s.iter().map(|&(from, length)| (ns(from), ns(from + length))).collect();
        Self { address: format!("standin:{spec}"), shared, gone }
    }
}

fn is_gone(gone: &[(Nanos, Nanos)], now: Nanos) -> bool {
    gone.iter().any(|&(from, to)| (from..to).contains(&now))
}

impl Dial for StandinDial {
    fn address(&self) -> &str {
        &self.address
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        if is_gone(&self.gone, self.now()) {
            let source = Error::new(ErrorKind::NotFound, "the stand-in's adapter is unplugged");
            return Err(PortError::Open { address: self.address.clone(), source });
        }
        self.shared.rig().hang_up();
        let (address, shared, gone) = (self.address.clone(), self.shared.clone(), self.gone.clone());
        Ok(Box::new(StandinPort { address, shared, gone }))
    }

    fn now(&self) -> Nanos {
        self.shared.rig().now()
    }

    fn pause(&mut self, nanos: Nanos) {
        let mut rig = self.shared.rig();
        let to = rig.now() + nanos.clamp(0, LONGEST_WAIT_NS);
        rig.advance(to);
    }
}

impl StandinPort {
    fn lost(&self) -> PortError {
        let source = Error::new(ErrorKind::BrokenPipe, "the stand-in's adapter was unplugged");
        PortError::Lost { address: self.address.clone(), source }
    }
}

impl Port for StandinPort {
    fn now(&self) -> Nanos {
        self.shared.rig().now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let mut rig = self.shared.rig();
        if is_gone(&self.gone, rig.now()) {
            return Err(self.lost());
        }
        rig.write(bytes);
        Ok(())
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: Nanos) -> Result<usize, PortError> {
        let mut rig = self.shared.rig();
        let now = rig.now();
        if is_gone(&self.gone, now) {
            return Err(self.lost());
        }
        let unplugged = self.gone.iter().map(|&(from, _)| from).filter(|&from| from > now).min();
        let deadline = deadline.clamp(now, now + LONGEST_WAIT_NS);
        let until = unplugged.map_or(deadline, |from| deadline.min(from));
        let n = rig.read(until, buffer);
        if n == 0 && is_gone(&self.gone, rig.now()) {
            return Err(self.lost());
        }
        Ok(n)
    }
}
