//! Clearing codes, under a grant for each module, and never by accident.

use link::{LinkError, Reply, Target};
use protocol::obd::{control, current, on_uds};
use protocol::uds::clear_codes;
use protocol::uds_read::identifiers;
use protocol::{Address, NegativeCode, ReplyError, kwp};

use crate::{Grant, GrantError, Module, Purpose, Speaks, Vehicle};

/// Engine speed from which an engine counts as running, rpm; see [`definition::Condition::EngineOff`].
const STOPPED: definition::Condition = definition::Condition::EngineOff;
const STANDING: definition::Condition = definition::Condition::Standing;

/// What is allowed although it usually is not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Despite {
    /// The engine runs, or nobody knows whether it does.
    pub engine_running: bool,
    /// Whether the engine runs cannot be read from this car, which may have none, and somebody knows that it is off. An engine
    /// speed that is read is believed.
    pub engine_unknown: bool,
    /// The speed cannot be read from this car, and somebody sees that it stands still. A speed that is read is believed.
    pub speed_unknown: bool,
}

/// What a module did about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Clearing {
    /// It confirmed.
    Confirmed,
    /// It refused, with its reason.
    Refused(String),
    /// It did not answer.
    Silent,
}

/// Why nothing was cleared.
#[derive(Debug, thiserror::Error)]
pub enum ClearError {
    /// The grant does not allow it.
    #[error(transparent)]
    Grant(#[from] GrantError),
    /// No module answers at the address of the grant.
    #[error("no module answers at {0}")]
    NoModule(Address),
    /// The car is not in a state in which codes may be cleared.
    #[error("codes are not cleared now: {0}")]
    State(String),
    /// The link failed before anything was cleared.
    #[error(transparent)]
    Link(#[from] LinkError),
    /// The link failed on the way.
    #[error("whether {module} cleared its codes is not known: {source}")]
    Interrupted {
        /// What was done before.
        done: Vec<(Address, Clearing)>,
        /// The module that had been told to clear, or was about to be.
        module: Address,
        /// What failed.
        source: LinkError,
    },
}

impl Vehicle {
    /// Engine speed in rpm and vehicle speed in km/h as the emissions modules tell them now, the greater where they differ.
    ///
    /// # Errors
    /// [`LinkError`] when the link fails.
    pub fn motion(&mut self) -> Result<(Option<f64>, Option<f64>), LinkError> {
        let mut read = |pid: u8| -> Result<Option<f64>, LinkError> {
            let mut greatest = None::<f64>;
            for module in self.modules.clone().iter().filter(|module| module.pids.has(pid)) {
                let number = on_uds::parameter(pid);
                let asked = match module.speaks {
                    Speaks::ObdOnUds => identifiers::request(&[number]),
                    _ => current::request(&[pid]),
                };
                for reply in self.ask_patiently(module.address, &asked)? {
                    // The same bytes under another name (SAE J1979-2).
                    let as_current = match (module.speaks, reply.as_slice()) {
                        (Speaks::ObdOnUds, [0x62, high, low, data @ ..]) if [*high, *low] == number.to_be_bytes() => {
                            [&[0x41, pid], data].concat()
                        }
                        _ => reply,
                    };
                    let read = current::interpret(&current::request(&[pid]), &as_current);
                    let parts = read.map(|decoded| decoded.value).unwrap_or_default();
                    let values = parts.iter().flat_map(|part| part.values().value);
                    let value = values.filter_map(|value| value.content.number()).next();
                    greatest = greatest.into_iter().chain(value).reduce(f64::max);
                }
            }
            Ok(greatest)
        };
        Ok((read(0x0C)?, read(0x0D)?))
    }

    /// Clears the codes of the granted modules, with all that goes with them: freeze frames, readiness, test results.
    ///
    /// Take a survey before, and another one after: what a module confirms is not always what it does. On networks without
    /// physical addressing one request clears all modules, so that all of them have to be granted. Modules that are not
    /// among the outcomes were not told any more, because it was [stopped](Vehicle::stop_on).
    ///
    /// # Errors
    /// [`ClearError`]; nothing was cleared then, unless it was [interrupted](ClearError::Interrupted).
    pub fn clear_codes(&mut self, grants: &[Grant], despite: Despite) -> Result<Vec<(Address, Clearing)>, ClearError> {
        let now = self.now();
        let mut wanted: Vec<Module> = Vec::new();
        for grant in grants {
            let Some(address) = grant.module() else { continue };
            grant.check(address, &Purpose::ClearCodes, now)?;
            let module = self.modules.iter().find(|module| module.address == address);
            wanted.push(module.cloned().ok_or(ClearError::NoModule(address))?);
        }
        if let Some(first) = self.modules.first().filter(|_| wanted.is_empty()) {
            Grant::default().check(first.address, &Purpose::ClearCodes, now)?;
        }
        // One request to everyone clears all of them.
        let is_shared = |module: &Module| matches!((module.address, module.speaks), (Address::Node(_), Speaks::Obd));
        let shared: Vec<Address> = self.modules.iter().filter(|it| is_shared(it)).map(|it| it.address).collect();
        if wanted.iter().any(is_shared)
            && let Some(left_out) = shared.iter().find(|address| wanted.iter().all(|it| it.address != **address))
        {
            Grant::default().check(*left_out, &Purpose::ClearCodes, now)?;
        }
        self.check_motion(despite)?;
        let mut outcomes: Vec<(Address, Clearing)> = Vec::new();
        let mut told: Option<Vec<Reply>> = None;
        for module in &wanted {
            let is_told = is_shared(module) && told.is_some();
            if !is_told && self.stops_here() {
                continue;
            }
            let outcome = if is_shared(module) {
                // Asked once, and each answers for itself.
                let replies = match told.take() {
                    Some(replies) => Ok(replies),
                    None => self.ask(Target::Everyone, &control::clear_request(), None),
                };
                replies.map(|replies| clearing_of(module.address, told.insert(replies)))
            } else {
                self.clear_module(module)
            };
            match outcome {
                Ok(outcome) => outcomes.push((module.address, outcome)),
                Err(source) => {
                    return Err(ClearError::Interrupted { done: outcomes, module: module.address, source });
                }
            }
        }
        Ok(outcomes)
    }

    fn check_motion(&mut self, despite: Despite) -> Result<(), ClearError> {
        let (engine, speed) = self.motion()?;
        match speed {
            None if despite.speed_unknown => {}
            None => return Err(ClearError::State("the vehicle's speed cannot be read".to_owned())),
            Some(speed) if STANDING.holds(Some(speed)) => {}
            Some(speed) => return Err(ClearError::State(format!("the vehicle moves, at {speed} km/h"))),
        }
        if despite.engine_running || STOPPED.holds(engine) || (engine.is_none() && despite.engine_unknown) {
            return Ok(());
        }
        Err(ClearError::State(match engine {
            Some(speed) => format!("the engine is running, at {speed:.0} rpm"),
            None => "whether the engine runs cannot be read".to_owned(),
        }))
    }

    fn clear_module(&mut self, module: &Module) -> Result<Clearing, LinkError> {
        let requests = match module.speaks {
            Speaks::Obd => vec![control::clear_request(), clear_codes::request(clear_codes::ALL)],
            Speaks::ObdOnUds | Speaks::Uds => vec![clear_codes::request(clear_codes::ALL)],
            Speaks::Kwp => vec![kwp::codes::clear(kwp::codes::ALL)],
        };
        let mut outcome = Clearing::Silent;
        for asked in requests {
            // One that is busy has done nothing yet.
            let replies = self.ask_patiently(module.address, &asked)?;
            let Some(reply) = replies.first() else { continue };
            let read = match (asked.first(), module.speaks) {
                (Some(0x04), _) => control::clear_interpret(&asked, reply),
                (_, Speaks::Kwp) => kwp::codes::interpret_clear(&asked, reply),
                _ => clear_codes::interpret(&asked, reply),
            };
            match read {
                Ok(()) => return Ok(Clearing::Confirmed),
                // Not its service: the next may be.
                Err(ReplyError::Negative { code: NegativeCode(0x11 | 0x12 | 0x7F), .. })
                    if outcome == Clearing::Silent =>
                {
                    outcome = Clearing::Refused("it knows no service that clears".to_owned());
                }
                Err(error) => return Ok(Clearing::Refused(error.to_string())),
            }
        }
        Ok(outcome)
    }
}

/// What a module said to service 04, which went to everyone.
fn clearing_of(module: Address, replies: &[Reply]) -> Clearing {
    match replies.iter().find(|reply| reply.from == module) {
        None => Clearing::Silent,
        Some(reply) => match control::clear_interpret(&control::clear_request(), &reply.bytes) {
            Ok(()) => Clearing::Confirmed,
            Err(error) => Clearing::Refused(error.to_string()),
        },
    }
}
