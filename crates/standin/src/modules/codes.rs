//! A module's trouble codes: pending, stored, permanent, and the frozen moment.

use crate::physics::State;

/// One code with its history. The status byte is that of ISO 14229-1.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Code {
    /// Two bytes as on CAN (P0301 = 0301).
    pub(crate) code: u16,
    /// Failure type byte.
    pub(crate) failure_type: u8,
    /// Test result bits, as in ISO 14229-1.
    pub(crate) status: u8,
    pub(crate) permanent: bool,
    /// Operation cycles in a row that ended with a pass.
    pub(crate) good_cycles: u8,
    /// Operation cycles in which it failed.
    pub(crate) occurrences: u8,
    /// Needs a failure in two operation cycles before it is confirmed.
    two_trips: bool,
    lamp: bool,
}

/// The moment at which a code was stored.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct FreezeFrame {
    pub(crate) code: u16,
    pub(crate) state: State,
}

mod bit {
    pub(super) const FAILED: u8 = 0x01;
    pub(super) const FAILED_THIS_CYCLE: u8 = 0x02;
    pub(super) const PENDING: u8 = 0x04;
    pub(super) const CONFIRMED: u8 = 0x08;
    pub(super) const NOT_COMPLETED_SINCE_CLEAR: u8 = 0x10;
    pub(super) const FAILED_SINCE_CLEAR: u8 = 0x20;
    pub(super) const NOT_COMPLETED_THIS_CYCLE: u8 = 0x40;
    pub(super) const LAMP: u8 = 0x80;
}

/// What a code of this module is like.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Kind {
    pub(crate) code: u16,
    pub(crate) failure_type: u8,
    /// Confirmed only by a second operation cycle with the fault; otherwise at once.
    pub(crate) two_trips: bool,
    /// Switches the lamp on once confirmed; emissions modules only.
    pub(crate) lamp: bool,
}

/// All codes that a module can set, whether they are set or not.
#[derive(Debug, Clone)]
pub(crate) struct Codes {
    codes: Vec<Code>,
    frame: Option<FreezeFrame>,
}

impl Codes {
    pub(crate) fn new(kinds: &[Kind]) -> Self {
        let code = |kind: &Kind| Code {
            code: kind.code,
            failure_type: kind.failure_type,
            status: bit::NOT_COMPLETED_THIS_CYCLE,
            permanent: false,
            good_cycles: 0,
            occurrences: 0,
            two_trips: kind.two_trips,
            lamp: kind.lamp,
        };
        Self { codes: kinds.iter().map(code).collect(), frame: None }
    }

    fn having(&self, mask: u8) -> Vec<u16> {
        self.codes.iter().filter(|c| c.status & mask != 0).map(|c| c.code).collect()
    }

    pub(crate) fn stored(&self) -> Vec<u16> {
        // Codes of modules without a lamp request are no emissions codes.
        self.having(bit::CONFIRMED)
    }

    pub(crate) fn pending(&self) -> Vec<u16> {
        self.having(bit::PENDING)
    }

    pub(crate) fn permanent(&self) -> Vec<u16> {
        self.codes.iter().filter(|c| c.permanent).map(|c| c.code).collect()
    }

    pub(crate) fn lamp(&self) -> bool {
        self.codes.iter().any(|c| c.status & bit::LAMP != 0)
    }

    pub(crate) fn freeze_frame(&self) -> Option<&FreezeFrame> {
        self.frame.as_ref()
    }

    /// Every code with its status byte, for service 19.
    pub(crate) fn all(&self) -> &[Code] {
        &self.codes
    }

    /// A test of the monitor behind `code` has come to a result.
    pub(crate) fn report(&mut self, code: u16, failed: bool, state: &State) {
        let Some(entry) = self.codes.iter_mut().find(|c| c.code == code) else { return };
        entry.status &= !(bit::NOT_COMPLETED_SINCE_CLEAR | bit::NOT_COMPLETED_THIS_CYCLE);
        if !failed {
            entry.status &= !bit::FAILED;
            return;
        }
        let first_this_cycle = entry.status & bit::FAILED_THIS_CYCLE == 0;
        let known = entry.status & bit::PENDING != 0;
        entry.status |= bit::FAILED | bit::FAILED_THIS_CYCLE | bit::PENDING | bit::FAILED_SINCE_CLEAR;
        if first_this_cycle {
            entry.occurrences = entry.occurrences.saturating_add(1);
        }
        if first_this_cycle && (known || !entry.two_trips) {
            entry.status |= bit::CONFIRMED;
            if entry.lamp {
                entry.status |= bit::LAMP;
                entry.permanent = true;
            }
        }
        // Misfire and fuel codes take the frame over from others (reference page 1.10).
        let urgent = |code: u16| matches!(code, 0x0171 | 0x0172 | 0x0300..=0x0304);
        if self.frame.as_ref().is_none_or(|frame| urgent(code) && !urgent(frame.code)) {
            self.frame = Some(FreezeFrame { code, state: state.clone() });
        }
    }

    /// The engine is started anew: the last operation cycle is over.
    pub(crate) fn new_cycle(&mut self) {
        for code in &mut self.codes {
            let ran = code.status & bit::NOT_COMPLETED_THIS_CYCLE == 0;
            let failed = code.status & bit::FAILED_THIS_CYCLE != 0;
            if ran && !failed {
                code.good_cycles = code.good_cycles.saturating_add(1);
                code.status &= !bit::PENDING;
                // Three good cycles in a row put the lamp out and end the permanent code (reference page 5.4).
                if code.good_cycles >= 3 {
                    code.status &= !bit::LAMP;
                    code.permanent = false;
                }
            } else if failed {
                code.good_cycles = 0;
            }
            code.status &= !(bit::FAILED | bit::FAILED_THIS_CYCLE);
            code.status |= bit::NOT_COMPLETED_THIS_CYCLE;
        }
    }

    /// Clears everything but the permanent codes.
    pub(crate) fn clear(&mut self) {
        self.frame = None;
        for code in &mut self.codes {
            code.status = bit::NOT_COMPLETED_SINCE_CLEAR | bit::NOT_COMPLETED_THIS_CYCLE;
            code.good_cycles = 0;
            code.occurrences = 0;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn codes() -> Codes {
        Codes::new(&[Kind { code: 0x0301, failure_type: 0, two_trips: true, lamp: true }])
    }

    /// Two-trip logic and the life of a permanent code: reference page 5.4.
    #[test]
    fn pending_then_stored_then_permanent() {
        let (mut codes, state) = (codes(), State::default());
        codes.report(0x0301, true, &state);
        assert_eq!((codes.pending(), codes.stored(), codes.lamp()), (vec![0x0301], vec![], false));
        codes.new_cycle();
        codes.report(0x0301, true, &state);
        assert_eq!((codes.stored(), codes.permanent(), codes.lamp()), (vec![0x0301], vec![0x0301], true));
        codes.clear();
        assert_eq!((codes.stored(), codes.permanent(), codes.lamp()), (vec![], vec![0x0301], false));
        // Not tested since clearing is not a pass (reference page 2.3: status 50).
        assert_eq!(codes.all()[0].status, 0x50);
        for _ in 0..3 {
            codes.report(0x0301, false, &state);
            codes.new_cycle();
        }
        assert!(codes.permanent().is_empty());
    }

    #[test]
    fn a_pass_in_the_next_cycle_ends_pending() {
        let (mut codes, state) = (codes(), State::default());
        codes.report(0x0301, true, &state);
        codes.new_cycle();
        assert_eq!(codes.pending(), [0x0301], "until the next cycle has passed");
        codes.report(0x0301, false, &state);
        codes.new_cycle();
        assert!(codes.pending().is_empty());
    }
}
