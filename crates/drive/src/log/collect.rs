//! From frames to the signals of a drive.

use std::collections::{BTreeSet, HashMap};

use signal::{Series, SignalId};

use super::{FrameImport, FrameSignal, ImportedFrames};
use crate::frames::{Frame, FrameBatch};
use crate::table::{Conversion, MapEntry, TableProblem, signal_for};
use crate::write::{DriveFile, FRAMES_AT_ONCE};

/// Most interfaces that are kept apart.
const MAX_BUSES: usize = 64;
/// Samples that gather before they are written; they then lie together in the file.
const FLUSH_AT: usize = 1 << 18;
/// Samples at which they are written even if earlier ones may still come.
const FLUSH_ALL_AT: usize = 1 << 22;
/// How far frames may be out of order in a log, nanoseconds: recorders buffer interfaces apart. Measured on open logs of
/// two buses: up to 34 ms.
const DISORDER_NS: i64 = 1_000_000_000;

/// Where the values of a signal go.
pub(super) struct Slot {
    entry: Option<MapEntry>,
    /// Index of its series, once it has a sample.
    series: Option<usize>,
}

/// Which signal is mapped to what.
pub(super) fn slots(signals: &[FrameSignal], map: &[MapEntry]) -> Result<Vec<Slot>, TableProblem> {
    let mut slots: Vec<Slot> = signals.iter().map(|_| Slot { entry: None, series: None }).collect();
    let mut by_name: HashMap<String, Vec<usize>> = HashMap::new();
    for (idx, signal) in signals.iter().enumerate() {
        let full = format!("{}.{}", signal.message, signal.name);
        let names = [signal.name.clone(), full, signal.id.to_string()];
        for (k, name) in names.iter().enumerate() {
            if !names[..k].contains(name) {
                by_name.entry(name.clone()).or_default().push(idx);
            }
        }
    }
    for entry in map {
        match by_name.get(&entry.column).map(Vec::as_slice) {
            Some([idx]) => {
                if slots[*idx].entry.replace(entry.clone()).is_some() {
                    return Err(TableProblem::MapTwice(entry.column.clone()));
                }
            }
            found => {
                let several = found.unwrap_or_default();
                let full = |idx: &usize| format!("{}.{}", signals[*idx].message, signals[*idx].name);
                let has: Vec<String> = if several.is_empty() {
                    signals.iter().take(40).map(|signal| format!("{}.{}", signal.message, signal.name)).collect()
                } else {
                    several.iter().map(full).collect()
                };
                let (column, signal, has) = (entry.column.clone(), entry.signal.to_string(), has.join(", "));
                return Err(if several.is_empty() {
                    TableProblem::UnknownMap { column, signal, has }
                } else {
                    TableProblem::AmbiguousMap { column, has }
                });
            }
        }
    }
    Ok(slots)
}

/// One signal of the drive that is being made.
struct Column {
    series: Series,
    convert: Conversion,
    is_sorted: bool,
    /// Latest time that was written.
    written_ns: i64,
}

/// Takes frames and their values, and writes them a stretch at a time.
pub(super) struct Collector<'a> {
    pub(super) file: DriveFile,
    signals: &'a [FrameSignal],
    slots: Vec<Slot>,
    options: &'a FrameImport,
    columns: Vec<Column>,
    by_id: HashMap<SignalId, usize>,
    batches: Vec<FrameBatch>,
    /// Buses that were not asked for.
    others: BTreeSet<String>,
    n_gathered: usize,
    n_late: u64,
    latest_ns: i64,
    found: Vec<(usize, f64)>,
    failure: Option<mcap::McapError>,
    pub(super) done: ImportedFrames,
}

impl<'a> Collector<'a> {
    pub(super) fn new(file: DriveFile, signals: &'a [FrameSignal], slots: Vec<Slot>, options: &'a FrameImport) -> Self {
        Self {
            file,
            signals,
            slots,
            options,
            columns: Vec::new(),
            by_id: HashMap::new(),
            batches: Vec::new(),
            others: BTreeSet::new(),
            n_gathered: 0,
            n_late: 0,
            latest_ns: i64::MIN,
            found: Vec::new(),
            failure: None,
            done: ImportedFrames::default(),
        }
    }

    /// What is wrong with the bus that was asked for, when no frame is of it.
    pub(super) fn no_bus(&self) -> Option<TableProblem> {
        let bus = self.options.bus.clone().filter(|_| self.done.n_frames == 0 && !self.others.is_empty())?;
        let has: Vec<String> = self.others.iter().map(|bus| format!("`{bus}`")).collect();
        Some(TableProblem::NoBus { bus, has: has.join(", ") })
    }

    pub(super) fn frame(
        &mut self,
        frame: &Frame<'_>,
        decode: &mut impl FnMut(&Frame<'_>, &mut Vec<(usize, f64)>) -> bool,
    ) {
        if self.options.bus.as_deref().is_some_and(|bus| bus != frame.bus) {
            if self.others.len() < MAX_BUSES && !self.others.contains(frame.bus) {
                self.others.insert(frame.bus.to_owned());
            }
            return;
        }
        if self.failure.is_some() {
            return;
        }
        let result = self.take(frame, decode);
        self.failure = result.err();
    }

    fn take(
        &mut self,
        frame: &Frame<'_>,
        decode: &mut impl FnMut(&Frame<'_>, &mut Vec<(usize, f64)>) -> bool,
    ) -> Result<(), mcap::McapError> {
        self.keep(frame)?;
        self.latest_ns = self.latest_ns.max(frame.t_ns);
        let mut found = std::mem::take(&mut self.found);
        self.done.n_decoded += u64::from(decode(frame, &mut found));
        for (idx, value) in found.drain(..) {
            if let Some(column) = self.column(idx)? {
                let Column { series, convert, is_sorted, written_ns } = column;
                let value = convert.as_ref().map_or(value, |convert| convert(value));
                if frame.t_ns < *written_ns || !value.is_finite() {
                    self.n_late += u64::from(value.is_finite());
                    continue;
                }
                *is_sorted &= series.t_ns.last().is_none_or(|last| *last <= frame.t_ns);
                series.t_ns.push(frame.t_ns);
                series.value.push(value);
                self.n_gathered += 1;
                self.done.n_samples += 1;
            }
        }
        self.found = found;
        if self.n_gathered >= FLUSH_ALL_AT {
            self.flush(i64::MAX)?;
        } else if self.n_gathered >= FLUSH_AT && self.n_gathered.is_multiple_of(FLUSH_AT / 8) {
            self.flush(self.latest_ns.saturating_sub(DISORDER_NS))?;
        }
        Ok(())
    }

    /// Keeps the frame itself.
    fn keep(&mut self, frame: &Frame<'_>) -> Result<(), mcap::McapError> {
        let idx = match self.done.buses.iter().position(|(bus, _)| bus == frame.bus) {
            Some(idx) => idx,
            // More interfaces than any car has buses: the rest go by one name.
            None if self.done.buses.len() >= MAX_BUSES => MAX_BUSES - 1,
            None => {
                self.done.buses.push((frame.bus.to_owned(), 0));
                self.batches.push(FrameBatch::new(frame.bus));
                self.done.buses.len() - 1
            }
        };
        self.done.buses[idx].1 += 1;
        self.done.n_frames += 1;
        let batch = &mut self.batches[idx];
        batch.push(frame.t_ns, frame.number, frame.is_extended, frame.data);
        if batch.len() >= FRAMES_AT_ONCE {
            self.file.write_frames(batch)?;
            batch.clear();
        }
        Ok(())
    }

    /// The column of a signal; `None` if it has none because another one has its name.
    fn column(&mut self, idx: usize) -> Result<Option<&mut Column>, mcap::McapError> {
        let Some(slot) = self.slots.get_mut(idx) else { return Ok(None) };
        let at = match slot.series {
            Some(at) => at,
            None => {
                let signal = &self.signals[idx];
                let heading = format!("{}.{}", signal.message, signal.name);
                let found = signal_for(
                    &mut self.done.notes,
                    slot.entry.as_ref(),
                    &heading,
                    signal.id.as_str(),
                    Some(signal.unit.symbol()),
                );
                let at = match found {
                    Ok((id, unit, convert)) => match self.by_id.get(&id) {
                        Some(_) => {
                            self.done.problems.push(format!("`{heading}` is left out: `{id}` has its values already"));
                            usize::MAX
                        }
                        None => {
                            self.file.add_signal(&id, &unit, &signal.definition)?;
                            self.by_id.insert(id.clone(), self.columns.len());
                            self.done.signals.push(id.clone());
                            let series = Series::new(id, unit);
                            self.columns.push(Column { series, convert, is_sorted: true, written_ns: i64::MIN });
                            self.columns.len() - 1
                        }
                    },
                    Err(problem) => {
                        self.done.problems.push(format!("`{heading}` is left out: {problem}"));
                        usize::MAX
                    }
                };
                slot.series = Some(at);
                at
            }
        };
        Ok(self.columns.get_mut(at))
    }

    /// Writes the samples up to a time.
    fn flush(&mut self, until_ns: i64) -> Result<(), mcap::McapError> {
        self.n_gathered = 0;
        for (idx, column) in self.columns.iter_mut().enumerate() {
            let series = &mut column.series;
            if !column.is_sorted {
                sort(series);
                column.is_sorted = true;
            }
            let n_ripe = series.t_ns.partition_point(|t_ns| *t_ns <= until_ns);
            if n_ripe > 0 {
                self.file.write_samples(idx, series, 0..n_ripe)?;
                column.written_ns = series.t_ns[n_ripe - 1];
                series.t_ns.drain(..n_ripe);
                series.value.drain(..n_ripe);
            }
            self.n_gathered += series.len();
        }
        Ok(())
    }

    /// Writes what is left, and tells what is worth knowing of the whole.
    pub(super) fn finish(&mut self) -> Result<(), mcap::McapError> {
        if let Some(failure) = self.failure.take() {
            return Err(failure);
        }
        self.flush(i64::MAX)?;
        for batch in &self.batches {
            self.file.write_frames(batch)?;
        }
        let done = &mut self.done;
        if self.n_late > 0 {
            let what = format!(
                "{} samples came more than {} s late and are left out of their signals; the raw frames are there",
                self.n_late,
                signal::seconds_from_nanos(DISORDER_NS)
            );
            done.problems.push(what);
        }
        for (slot, signal) in self.slots.iter().zip(self.signals) {
            if slot.entry.is_some() && slot.series.is_none() {
                done.notes.push(format!("no frame has `{}.{}`, which was mapped", signal.message, signal.name));
            }
        }
        if done.buses.len() > 1 {
            let names: Vec<&str> = done.buses.iter().map(|(bus, _)| bus.as_str()).collect();
            done.notes.push(format!(
                "frames of {} were all read with the same definitions; choose one with --bus if they describe one bus",
                names.join(", ")
            ));
        }
        if done.n_decoded < done.n_frames {
            let n_unknown = done.n_frames - done.n_decoded;
            done.notes.push(format!("{n_unknown} frames are not in the definitions; they are kept as raw frames"));
        }
        Ok(())
    }
}

/// Puts samples in order of time; those of the same time keep theirs.
fn sort(series: &mut Series) {
    let mut order: Vec<usize> = (0..series.len()).collect();
    order.sort_by_key(|idx| series.t_ns[*idx]);
    series.t_ns = order.iter().map(|idx| series.t_ns[*idx]).collect();
    series.value = order.iter().map(|idx| series.value[*idx]).collect();
}
