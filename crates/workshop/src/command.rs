//! Outputs and routines: what there is, and doing it beside a recording.

use std::path::PathBuf;

use definition::{Care, Output, Range, Routine};
use signal::SignalId;
use vehicle::{CommandError, Conduct, Ended, Grant, Hand, Order, Pattern, Purpose, Returned, SampleError, Wish};
use wire::Content;

use crate::record::DriveFile;
use crate::{Car, Control, Observer, Workshop, WorkshopError, to_wire};

/// What holds for everything that moves when it is told to.
pub const GENERAL_CAUTIONS: [&str; 3] = [
    "Hands, hair, clothing and tools clear; parking brake on, gear in neutral or park, wheels blocked.",
    "Say aloud what you are about to do. Control goes back to the module afterwards: check that it did.",
    "The maker's procedure and local law come first.",
];

/// How long a grant lasts beyond the time that the command takes by itself and its pauses, seconds.
const SPARE_S: f64 = 30.0;

/// What is to be done.
#[derive(Debug, Clone, PartialEq)]
pub struct CommandWish {
    /// The output or routine.
    pub id: SignalId,
    /// How.
    pub how: How,
    /// Signals recorded beside it; none: its own state and what ought to respond.
    pub signals: Vec<SignalId>,
    /// The drive file; `None`: a new file in the data folder.
    pub out: Option<PathBuf>,
    /// Whether an existing drive may be replaced.
    pub replace: bool,
    /// Whether somebody has read the cautions. Nothing is done otherwise.
    pub cautions_read: bool,
    /// How long it may take beyond that in all, for pauses between presses, seconds.
    pub pauses_s: f64,
}

/// How something is to be done.
#[derive(Debug, Clone, PartialEq)]
pub enum How {
    /// Drive an output to a level and back; without a level to its greatest, or on.
    Hold {
        /// The level.
        level: Option<f64>,
        /// Seconds.
        seconds: f64,
    },
    /// Drive an output on and off in turn.
    Pulses {
        /// The level; without one the greatest, or on.
        level: Option<f64>,
        /// Seconds on.
        on_s: f64,
        /// Seconds off.
        off_s: f64,
        /// How often.
        count: u32,
        /// Whether all are equally long.
        even: bool,
    },
    /// Run a routine.
    Routine {
        /// Its parameters by name.
        parameters: Vec<(String, f64)>,
        /// How long it may run, seconds.
        seconds: f64,
    },
}

/// An output or routine by its name.
enum Found {
    Output(Output),
    Routine(Routine),
}

impl Workshop {
    /// What the modules of this car can be told to do.
    ///
    /// # Errors
    /// [`WorkshopError::Link`].
    pub fn commands(&self, car: &mut Car) -> Result<wire::Commands, WorkshopError> {
        let vin = car.vehicle.vin()?;
        let vin = vin.as_ref().map(protocol::Vin::as_str);
        let answers = |address| car.vehicle.modules().iter().any(|module| module.address == address);
        let outputs = car.definitions.outputs(vin).filter(|output| answers(output.module));
        let routines = car.definitions.routines(vin).filter(|routine| answers(routine.module));
        Ok(wire::Commands {
            outputs: outputs.map(to_wire::output).collect(),
            routines: routines.map(to_wire::routine).collect(),
            cautions: GENERAL_CAUTIONS.map(str::to_owned).to_vec(),
        })
    }

    /// What has to be read before an output or routine is used: cautions, the general ones last.
    ///
    /// # Errors
    /// [`WorkshopError::NoCommand`], [`WorkshopError::Link`].
    pub fn cautions(&self, car: &mut Car, id: &SignalId) -> Result<Vec<String>, WorkshopError> {
        let care = match find(car, id)? {
            Found::Output(output) => output.care,
            Found::Routine(routine) => routine.care,
        };
        Ok(care.cautions.into_iter().chain(GENERAL_CAUTIONS.map(str::to_owned)).collect())
    }

    /// Does it, and records the signals beside it, with marks where the output was switched. Control is back with the
    /// module when this returns, or the result says how it goes back.
    ///
    /// `hand` is asked again and again: unless it presses, control goes back; while it is near it may press again. Once it
    /// is away, or `control` is stopped, all of it ends.
    ///
    /// # Errors
    /// [`WorkshopError::Refused`] when nothing was sent for safety's sake; [`WorkshopError::NoModule`];
    /// [`WorkshopError::Order`] for what cannot be done.
    /// What stopped it on the way stands in [`wire::Commanded::ended`].
    pub fn command(
        &self,
        car: &mut Car,
        wish: &CommandWish,
        control: &Control,
        observer: &mut dyn Observer,
        hand: &mut dyn FnMut() -> Hand,
    ) -> Result<wire::Commanded, WorkshopError> {
        let found = find(car, &wish.id)?;
        let order = order(&found, &wish.how)?;
        // No grant lasts that long, and it would be refused as one that is over.
        if !order.seconds().is_finite() {
            return Err(WorkshopError::Order(vehicle::PatternError::Time.to_string()));
        }
        // Before a drive is begun, which may be to replace another.
        if car.vehicle.modules().iter().all(|module| module.address != order.module()) {
            return Err(WorkshopError::NoModule(order.module()));
        }
        if !wish.cautions_read {
            let what =
                format!("to {} at {} moves parts: its cautions have to be read first", order.purpose(), order.module());
            return Err(WorkshopError::Refused(what));
        }
        let mut signals = wish.signals.clone();
        if let (true, Found::Output(output)) = (signals.is_empty(), &found) {
            signals = std::iter::once(&output.id).chain(&output.responds).cloned().collect();
        }
        let wishes: Vec<Wish> = signals.into_iter().map(Wish::from).collect();
        let mut plan = car.vehicle.plan_beside(&order, &wishes, &car.definitions)?;
        for missing in &plan.unavailable {
            observer.say(&format!("not available: {}: {}", missing.id, missing.reason));
        }
        // What is faster is tried before anything moves; a link that fails is noticed by what follows.
        let _ = car.vehicle.tune(&mut plan);
        let lasts_ns = signal::nanos_from_seconds(order.seconds() + wish.pauses_s + SPARE_S);
        let until_ns = car.vehicle.now().saturating_add(lasts_ns);
        let grant = Grant::new(order.module(), order.purpose(), until_ns);
        let file = DriveFile { out: self.drive_file(wish.out.as_deref())?, replace: wish.replace, until_ns: None };
        let mut hand = || if control.is_stopped() { Hand::Away } else { hand() };
        // Stopping ends the command first and the recording with it, so that control is back before the file is closed.
        let own = control.with_the_same_marks();
        let (outcome, mut recorded) =
            self.on_tape(car, &mut plan, &[], file, &own, observer, |vehicle, plan, tape| {
                vehicle.command(&order, &grant, plan, tape, &mut hand)
            })?;
        let conduct = match outcome {
            Ok(conduct) => conduct,
            Err(CommandError::Sample(SampleError::Sink(error))) => {
                recorded.problems.insert(0, error.to_string());
                // Control went back before the recording gave up; how, the raw exchanges of the drive tell.
                Conduct { ended: Ended::Released, returned: Returned::Unknown, driven: Vec::new(), results: None }
            }
            Err(error @ (CommandError::Grant(_) | CommandError::Unreadable { .. })) => {
                return Err(WorkshopError::Refused(error.to_string()));
            }
            Err(CommandError::NoModule(address)) => return Err(WorkshopError::NoModule(address)),
            Err(error) => return Err(WorkshopError::Order(error.to_string())),
        };
        // Why it cannot be read again stands among the problems already.
        let opened = crate::examine::open_drive(std::path::Path::new(&recorded.drive.file));
        let findings = opened.map_or_else(|_| Vec::new(), |(recording, _)| evidence::examine(&recording));
        let own = findings.iter().filter(|finding| {
            finding.kind == evidence::Kind::Command
                && finding.subject.iter().any(|subject| *subject == wish.id.to_string())
        });
        let commanded = wire::Commanded {
            id: wish.id.to_string(),
            module: order.module().to_string(),
            ended: ended(&conduct.ended).to_owned(),
            ended_text: ended_text(&conduct.ended, order.care()),
            returned: returned(conduct.returned).to_owned(),
            returned_text: returned_text(conduct.returned).to_owned(),
            driven: conduct.driven.iter().map(to_wire::driven).collect(),
            results: match (&found, &conduct.results) {
                (Found::Routine(routine), Some(results)) => to_wire::routine_results(routine, results),
                _ => Vec::new(),
            },
            findings: own.map(to_wire::finding).collect(),
            recorded,
        };
        let vin = car.vehicle.vin()?.map(|vin| vin.as_str().to_owned());
        Ok(self.in_ledger(vin.as_deref(), order.purpose(), commanded))
    }

    /// Writes a command into its case, behind the drive that was recorded beside it.
    fn in_ledger(&self, vin: Option<&str>, purpose: Purpose, mut commanded: wire::Commanded) -> wire::Commanded {
        let entry = Content::Command {
            module: commanded.module.clone(),
            output: commanded.id.clone(),
            statement: format!("{purpose}: {}; {}", commanded.ended_text, commanded.returned_text),
            details: serde_json::json!({
                "ended": commanded.ended,
                "returned": commanded.returned,
                "drive": commanded.recorded.drive.file,
                "findings": commanded.findings,
            }),
        };
        self.enter_or_tell(vin, &mut commanded.recorded.problems, &[entry]);
        commanded
    }
}

fn find(car: &mut Car, id: &SignalId) -> Result<Found, WorkshopError> {
    let vin = car.vehicle.vin()?;
    let vin = vin.as_ref().map(protocol::Vin::as_str);
    let output = car.definitions.outputs(vin).find(|output| output.id == *id).cloned().map(Found::Output);
    let routine = || car.definitions.routines(vin).find(|routine| routine.id == *id).cloned().map(Found::Routine);
    output.or_else(routine).ok_or_else(|| WorkshopError::NoCommand(id.to_string()))
}

fn order<'f>(found: &'f Found, how: &How) -> Result<Order<'f>, WorkshopError> {
    Ok(match (found, how) {
        (Found::Output(output), How::Hold { level, seconds }) => {
            let level = level.unwrap_or_else(|| output.on_level());
            Order::Output { output, pattern: Pattern::Hold { level, seconds: *seconds } }
        }
        (Found::Output(output), How::Pulses { level, on_s, off_s, count, even }) => {
            let level = level.unwrap_or_else(|| output.on_level());
            let pattern = Pattern::Pulses { level, on_s: *on_s, off_s: *off_s, count: *count, even: *even };
            Order::Output { output, pattern }
        }
        (Found::Routine(routine), How::Routine { parameters, seconds }) => {
            Order::Routine { routine, parameters: parameters.clone(), seconds: *seconds }
        }
        (Found::Output(output), How::Routine { .. }) => {
            return Err(WorkshopError::Order(format!("`{}` is an output, which takes {}", output.id, output.range)));
        }
        (Found::Routine(routine), _) => {
            return Err(WorkshopError::Order(format!(
                "`{}` is a routine, which is started and takes no level",
                routine.id
            )));
        }
    })
}

fn ended(ended: &Ended) -> &'static str {
    match ended {
        Ended::Complete => "complete",
        Ended::Released => "released",
        Ended::Unmet(_) => "unmet",
        Ended::Expired => "expired",
        Ended::Longest => "longest",
        Ended::Refused(_) => "refused",
        Ended::Silent => "silent",
        Ended::SessionOver => "session-over",
        Ended::LinkLost => "link-lost",
    }
}

fn ended_text(ended: &Ended, care: &Care) -> String {
    match ended {
        Ended::Complete => "everything was done".to_owned(),
        Ended::Released => "it was let go".to_owned(),
        Ended::Unmet(what) => what.clone(),
        Ended::Expired => "the grant expired".to_owned(),
        Ended::Longest => {
            let longest_s = care.longest.map_or(0.0, |longest| longest.as_secs_f64());
            format!("it may last {longest_s} s in one go, and no longer")
        }
        Ended::Refused(why) => format!("the module refused: {why}"),
        Ended::Silent => "the module did not answer any more".to_owned(),
        Ended::SessionOver => "the module started anew and drives it no more".to_owned(),
        Ended::LinkLost => "the adapter was lost".to_owned(),
    }
}

fn returned(returned: Returned) -> &'static str {
    match returned {
        Returned::NotDriven => "not-driven",
        Returned::Confirmed => "confirmed",
        Returned::BySession => "by-session",
        Returned::Unknown => "unknown",
    }
}

fn returned_text(returned: Returned) -> &'static str {
    match returned {
        Returned::NotDriven => "nothing was driven",
        Returned::Confirmed => "the module confirmed that it has control back",
        Returned::BySession => {
            "the module did not confirm; it takes control back by itself within 5 s, when its session times out: check that it did"
        }
        Returned::Unknown => {
            "the module did not confirm, and no time-out of its own is known: switch the ignition off to be sure"
        }
    }
}

/// Least and greatest level, and their unit.
pub(crate) fn limits(range: &Range) -> (f64, f64, String) {
    match range {
        Range::Switch => (0.0, 1.0, "1".to_owned()),
        Range::Level { min, max, unit } => (*min, *max, unit.to_string()),
    }
}
