//! Services 01 to 0A: the emissions diagnostics.

use link::LinkError;
use protocol::obd::codes::{self, CodeList};
use protocol::obd::{current, freeze, info, monitors};
use protocol::{Hex, NegativeCode, ReplyError};

use super::{FreezeFrame, InfoItem, ModuleSurvey, first, is_for_now, readiness_in};
use crate::Vehicle;

impl Vehicle {
    pub(super) fn survey_obd(&mut self, module: &mut ModuleSurvey) -> Result<(), LinkError> {
        let (address, is_can) = (module.address, self.is_can());
        let mut problems = Vec::new();
        for (pid, slot) in [(0x01, &mut module.readiness), (0x41, &mut module.readiness_this_cycle)] {
            if module.pids.has(pid) {
                let asked = current::request(&[pid]);
                let data = self.read(address, &asked, |r| current::interpret(&asked, first(r)), &mut problems)?;
                *slot = data.as_deref().and_then(readiness_in);
            }
        }
        let n_problems = self.problems.len() + problems.len();
        // On the older networks a module need not answer when it has no codes (SAE J1979, from memory); it has counted them.
        let may_be_silent = !is_can && module.readiness.as_ref().is_some_and(|readiness| readiness.n_codes == 0);
        for list in CodeList::ALL {
            let asked = codes::request(list);
            let replies = self.ask_patiently(address, &asked)?;
            if replies.is_empty() && (may_be_silent || list != CodeList::Stored) {
                continue; // service 0A is younger than many cars, and silence is how they say so
            }
            let replies: Vec<&[u8]> = replies.iter().map(Vec::as_slice).collect();
            match codes::interpret(&asked, &replies, is_can) {
                // Or they say so.
                Err(ReplyError::Negative { code: NegativeCode(0x11 | 0x12 | 0x7F), .. })
                    if list != CodeList::Stored => {}
                Ok(decoded) => {
                    decoded.value.into_iter().for_each(|code| module.add_code(code, list));
                    problems
                        .extend(decoded.problems.iter().map(|problem| format!("{}: {problem}", Hex::from(&asked[..]))));
                }
                Err(error) => problems.push(error.to_string()),
            }
        }
        module.is_cut_short |= self.problems.len() + problems.len() > n_problems;
        self.freeze_frame(module, &mut problems)?;
        if is_can {
            for mid in self.numbers(address, monitors::request)?.iter() {
                let asked = monitors::request(mid);
                let results = self.read(address, &asked, |r| monitors::interpret(&asked, first(r)), &mut problems)?;
                module.results.extend(results.unwrap_or_default());
            }
        } else {
            for tid in self.numbers(address, monitors::request)?.iter() {
                let asked = monitors::request(tid);
                let results = self.read(address, &asked, |r| monitors::interpret_plain(&asked, r), &mut problems)?;
                module.plain_results.extend(results.unwrap_or_default());
            }
        }
        for kind in self.numbers(address, info::request)?.iter() {
            let asked = info::request(kind);
            let read = self.read(address, &asked, |r| info::interpret(&asked, r, is_can), &mut problems)?;
            if let Some(content) = read {
                if let (info::MODULE_NAME, info::Info::Texts(texts)) = (kind, &content) {
                    module.name = texts.first().cloned();
                }
                let title = info::title(kind).map_or_else(|| format!("information type {kind:02X}"), str::to_owned);
                module.info.push(InfoItem { title, content });
            }
        }
        module.problems.append(&mut problems);
        Ok(())
    }

    /// Frame 0, the one that the regulations ask for: first the code that stored it, then what it holds.
    fn freeze_frame(&mut self, module: &mut ModuleSurvey, problems: &mut Vec<String>) -> Result<(), LinkError> {
        const FRAME: u8 = 0;
        let address = module.address;
        let asked = freeze::request(&[0x02], FRAME);
        let Some(reply) = self.ask_patiently(address, &asked)?.into_iter().next() else { return Ok(()) };
        let code = match freeze::code(&asked, &reply) {
            Ok(Some(code)) => code,
            // No frame, or none of this service: a module without codes has nothing to show.
            Ok(None) => return Ok(()),
            Err(ReplyError::Negative { code, .. }) if !is_for_now(code) => return Ok(()),
            Err(error) => {
                problems.push(error.to_string());
                return Ok(());
            }
        };
        let frame_request = |base| freeze::request(&[base], FRAME);
        let pids: Vec<u8> = self.numbers(address, frame_request)?.iter().filter(|pid| *pid != 0x02).collect();
        let per_request = if self.is_can() { current::MAX_FREEZE_PIDS } else { 1 };
        let mut frame = FreezeFrame { number: FRAME, code, data: Vec::new(), others: Vec::new() };
        for group in pids.chunks(per_request) {
            let asked = freeze::request(group, FRAME);
            let mut unread = Vec::new();
            let data = self.read(address, &asked, |r| freeze::interpret(&asked, first(r)), &mut unread)?;
            match data {
                Some(data) if unread.is_empty() || group.len() == 1 => {
                    problems.append(&mut unread);
                    frame.data.extend(data);
                }
                // Some modules take one PID per request only.
                _ => {
                    for pid in group {
                        let asked = freeze::request(&[*pid], FRAME);
                        let data = self.read(address, &asked, |r| freeze::interpret(&asked, first(r)), problems)?;
                        frame.data.extend(data.unwrap_or_default());
                    }
                }
            }
        }
        module.freeze_frames.push(frame);
        Ok(())
    }
}
