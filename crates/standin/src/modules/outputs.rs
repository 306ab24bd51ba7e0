//! The outputs that a tester may drive, whatever the dialect of their module: A/C clutch, fan, and the fan's ramp.

use super::uds::{OUT_OF_RANGE, SEQUENCE};
use crate::physics::{Commands, State};

/// An output.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Output {
    /// Relay of the compressor clutch: one byte, 0 or 1.
    Clutch,
    /// Radiator fan: one byte, 0 to 100 %.
    Fan,
}

/// What of a routine is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Routine {
    /// To begin.
    Start,
    /// To end.
    Stop,
    /// What has come of it.
    Results,
}

/// Runs the fan through its speeds, a quarter more each step.
#[derive(Debug, Default, Clone, Copy, PartialEq)]
enum Ramp {
    #[default]
    Never,
    Running {
        since_s: f64,
        step_s: f64,
    },
    Over,
    Stopped,
}

/// The outputs as a tester holds them.
#[derive(Debug, Default)]
pub(super) struct Outputs {
    commands: Commands,
    ramp: Ramp,
}

impl Outputs {
    /// Drives an output to a state, or takes it back into the module's own hands.
    pub(super) fn drive(&mut self, output: Output, wanted: Option<&[u8]>) -> Result<(), u8> {
        match (output, wanted) {
            (Output::Clutch, None) => self.commands.ac_clutch = None,
            (Output::Clutch, Some(&[on @ (0 | 1)])) => self.commands.ac_clutch = Some(on == 1),
            (Output::Fan, None) => self.commands.fan_pct = None,
            (Output::Fan, Some(&[pct @ 0..=100])) => self.commands.fan_pct = Some(f64::from(pct)),
            _ => return Err(OUT_OF_RANGE),
        }
        Ok(())
    }

    /// The fan's ramp; answers with its status record. The option is the time of a step, 1 to 10 s.
    pub(super) fn ramp(&mut self, what: Routine, option: &[u8], state: &State) -> Result<Vec<u8>, u8> {
        match (what, option, self.ramp) {
            (Routine::Start, &[step @ 1..=10], _) => {
                self.ramp = Ramp::Running { since_s: state.time_s, step_s: f64::from(step) };
                Ok(Vec::new())
            }
            (Routine::Start, ..) => Err(OUT_OF_RANGE),
            (_, _, Ramp::Never) => Err(SEQUENCE),
            (Routine::Stop, ..) => {
                if matches!(self.ramp, Ramp::Running { .. }) {
                    self.ramp = Ramp::Stopped;
                    self.commands.fan_pct = None;
                }
                Ok(Vec::new())
            }
            (_, _, Ramp::Running { .. }) => Ok(vec![0]),
            (_, _, Ramp::Over) => Ok(vec![1]),
            (_, _, Ramp::Stopped) => Ok(vec![2]),
        }
    }

    /// Time has passed. With the session everything that was set in it ends (reference page 3.3).
    pub(super) fn observe(&mut self, has_session: bool, state: &State) {
        if !has_session {
            self.commands = Commands::default();
            if matches!(self.ramp, Ramp::Running { .. }) {
                self.ramp = Ramp::Stopped;
            }
        }
        if let Ramp::Running { since_s, step_s } = self.ramp {
            let step = ((state.time_s - since_s) / step_s).floor();
            self.commands.fan_pct = (step < 4.0).then_some(25.0 * (step + 1.0));
            if step >= 4.0 {
                self.ramp = Ramp::Over;
            }
        }
    }

    /// What the tester drives at present.
    pub(super) fn commands(&self) -> Commands {
        self.commands
    }
}
