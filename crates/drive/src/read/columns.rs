//! From messages to series: what a drive's samples, marks and gaps become in memory.

use std::collections::{BTreeMap, HashSet};

use prost::Message as _;
use signal::{Gap, Mark, Recording, Series, SignalId, Unit};

use super::{Handler, Span};
use crate::format::{self, DriveInfo, Samples};
use crate::{Problem, ProblemKind};

/// One signal while it is being read. Its name may come late, or never, in a damaged file.
#[derive(Default)]
struct Column {
    name: Option<(SignalId, Unit)>,
    definition: String,
    t_ns: Vec<i64>,
    asked_ns: Vec<i64>,
    exchange: Vec<u32>,
    value: Vec<f64>,
    offset: u64,
}

/// Collects samples, marks and gaps.
#[derive(Default)]
pub(crate) struct Columns {
    by_channel: BTreeMap<u16, Column>,
    marks: Vec<Mark>,
    gaps: Vec<Gap>,
    /// Raw exchanges that were seen and skipped.
    pub(crate) n_exchanges: u64,
    /// Raw frames that were seen and skipped.
    pub(crate) n_frames: u64,
    n_samples: u64,
    batch: Samples,
}

impl Handler for Columns {
    fn signal(&mut self, channel: u16, metadata: &BTreeMap<String, String>) {
        let column = self.by_channel.entry(channel).or_default();
        if let (Some(id), Some(unit)) = (metadata.get("id"), metadata.get("unit")) {
            column.set_name(id, unit);
        }
        column.definition = metadata.get("definition").cloned().unwrap_or_default();
    }

    fn message(&mut self, channel: u16, body: &[u8], offset: u64) -> Result<Option<Span>, String> {
        let wrong = |error: prost::DecodeError| error.to_string();
        match channel {
            format::EXCHANGES => {
                self.n_exchanges += 1;
                Ok(None)
            }
            format::FRAMES => {
                let span = crate::frames::each(&format::Frames::decode(body).map_err(wrong)?, |_| self.n_frames += 1)?;
                Ok(span)
            }
            format::MARKS => {
                let format::Mark { t_ns, text } = format::Mark::decode(body).map_err(wrong)?;
                self.n_samples += 1;
                self.marks.push(Mark { t_ns: believable(t_ns)?, text });
                Ok(Some((t_ns, t_ns)))
            }
            format::GAPS => {
                let format::Gap { from_ns, to_ns, reason } = format::Gap::decode(body).map_err(wrong)?;
                self.n_samples += 1;
                self.gaps.push(Gap { from_ns: believable(from_ns)?, to_ns: believable(to_ns)?, reason });
                Ok(Some((from_ns, to_ns)))
            }
            format::FIRST_SIGNAL.. => {
                self.batch.clear();
                self.batch.merge(body).map_err(wrong)?;
                let column = self.by_channel.entry(channel).or_insert_with(|| Column { offset, ..Column::default() });
                let span = column.append(&self.batch)?;
                self.n_samples += self.batch.value.len() as u64;
                Ok(span)
            }
            _ => Err(format!("a message of the unknown channel {channel}")),
        }
    }

    fn n_samples(&self) -> u64 {
        self.n_samples
    }
}

fn believable(t_ns: i64) -> Result<i64, String> {
    if format::is_time(t_ns) { Ok(t_ns) } else { Err(format!("the time {t_ns} ns")) }
}

impl Column {
    fn set_name(&mut self, id: &str, unit: &str) {
        if self.name.is_none()
            && let Ok(id) = SignalId::new(id)
        {
            self.name = Some((id, Unit::named(unit)));
        }
    }

    /// Takes the samples of a batch; nothing of it if any part of it makes no sense.
    fn append(&mut self, batch: &Samples) -> Result<Option<Span>, String> {
        if !batch.signal.is_empty() {
            self.set_name(&batch.signal, &batch.unit);
        }
        let n_samples = batch.value.len();
        let fits = |length: usize| length == 0 || length == n_samples;
        if batch.t_step_ns.len() != n_samples || !fits(batch.latency_ns.len()) || !fits(batch.exchange_step.len()) {
            return Err("columns of different length".into());
        }
        if batch.value.iter().any(|value| !value.is_finite()) {
            return Err("a value that is not a number".into());
        }
        let n_before = self.t_ns.len();
        let result = self.append_times(batch);
        if result.is_err() {
            self.t_ns.truncate(n_before);
            self.asked_ns.truncate(n_before);
            self.exchange.truncate(n_before);
        } else {
            self.value.extend_from_slice(&batch.value);
        }
        result
    }

    fn append_times(&mut self, batch: &Samples) -> Result<Option<Span>, String> {
        let n_before = self.t_ns.len();
        let mut previous_ns = self.t_ns.last().copied().unwrap_or(i64::MIN);
        let mut t_ns = 0i64;
        for step in &batch.t_step_ns {
            t_ns = believable(t_ns.checked_add(*step).ok_or("a time beyond all limits")?)?;
            if t_ns < previous_ns {
                return Err("samples that go back in time".into());
            }
            previous_ns = t_ns;
            self.t_ns.push(t_ns);
        }
        let new = &self.t_ns[n_before..];
        if !batch.latency_ns.is_empty() {
            if self.asked_ns.is_empty() {
                // Unknown until here; an unknown request time is the arrival time.
                self.asked_ns.extend_from_slice(&self.t_ns[..n_before]);
            }
            for (t_ns, latency) in new.iter().zip(&batch.latency_ns) {
                self.asked_ns.push(believable(t_ns.checked_sub(*latency).ok_or("a time beyond all limits")?)?);
            }
        } else if !self.asked_ns.is_empty() {
            self.asked_ns.extend_from_slice(new);
        }
        if !batch.exchange_step.is_empty() {
            self.exchange.resize(n_before, 0);
            let mut number = 0i64;
            for step in &batch.exchange_step {
                number = number.checked_add(*step).ok_or("an exchange number beyond all limits")?;
                self.exchange.push(u32::try_from(number).map_err(|_| format!("exchange number {number}"))?);
            }
        } else if !self.exchange.is_empty() {
            self.exchange.resize(self.t_ns.len(), 0);
        }
        Ok(new.first().copied().zip(new.last().copied()))
    }
}

impl Columns {
    /// All that was collected, and what is wrong with it as a whole.
    pub(crate) fn into_recording(
        self,
        info: &DriveInfo,
        problems: &mut Vec<Problem>,
    ) -> (Recording, BTreeMap<SignalId, String>) {
        let mut recording = Recording { start_unix_ns: info.start_unix_ns, ..Recording::default() };
        let (mut definitions, mut seen) = (BTreeMap::new(), HashSet::new());
        for column in self.by_channel.into_values() {
            let mut problem = |kind| {
                let (after_ns, before_ns) = (column.t_ns.first().copied(), column.t_ns.last().copied());
                problems.push(Problem { offset: column.offset, length: 0, after_ns, before_ns, kind });
            };
            let Some((id, unit)) = column.name else {
                problem(ProblemKind::Nameless { n_samples: column.t_ns.len() });
                continue;
            };
            if !seen.insert(id.clone()) {
                problem(ProblemKind::Content(format!("`{id}` twice; the second one is left out")));
                continue;
            }
            if !column.definition.is_empty() {
                definitions.insert(id.clone(), column.definition);
            }
            let Column { t_ns, asked_ns, exchange, value, .. } = column;
            recording.series.push(Series { id, unit, t_ns, asked_ns, exchange, value });
        }
        recording.marks = self.marks;
        recording.marks.sort_by_key(|mark| mark.t_ns);
        recording.gaps = self.gaps;
        recording.gaps.sort_by_key(|gap| gap.from_ns);
        (recording, definitions)
    }
}
