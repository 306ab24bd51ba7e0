//! A drive from raw CAN frames: a log as text, or the frames that a drive holds already.
//!
//! What is in a frame is told by a function that the caller gives: this crate knows no definitions. Log lines read
//! `(SECONDS) INTERFACE ID#DATA`, identifier and data in hex, an identifier of eight digits having 29 bits; `ID##FDATA` is
//! a frame of CAN FD whose F are its flags.

use std::collections::HashMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use signal::{Series, SignalId, Unit};

use crate::frames::{Frame, FrameBatch, MAX_DATA};
use crate::source::Source;
use crate::table::{Conversion, MapEntry, TableError, TableProblem, parse_time, quote, signal_for};
use crate::write::{DriveFile, FRAMES_AT_ONCE, NewFile, Overwrite};
use crate::{DriveError, DriveInfo, read, read_frames};

/// Longest line that is looked at, bytes; a frame of CAN FD takes 200.
const MAX_LINE: usize = 4096;
/// Most interfaces that are kept apart.
const MAX_BUSES: usize = 64;
/// Samples that gather before they are written; they then lie together in the file.
const FLUSH_AT: usize = 1 << 18;
/// Samples at which they are written even if earlier ones may still come.
const FLUSH_ALL_AT: usize = 1 << 22;
/// How far frames may be out of order in a log, nanoseconds: recorders buffer interfaces apart. Measured on open logs of
/// two buses: up to 34 ms.
const DISORDER_NS: i64 = 1_000_000_000;
/// Times from here on count from 1970 (this one is in 2001), seconds.
const UNIX_FROM_NS: i64 = 1_000_000_000_000_000_000;

/// A signal that frames may hold.
#[derive(Debug, Clone, PartialEq)]
pub struct FrameSignal {
    /// Name of its message.
    pub message: String,
    /// Its name within that.
    pub name: String,
    /// What it is called in the drive unless it is mapped.
    pub id: SignalId,
    /// Unit of its values.
    pub unit: Unit,
    /// Where its decoding comes from.
    pub definition: String,
}

/// How frames become a drive.
#[derive(Debug, Clone)]
pub struct FrameImport {
    /// Which signals get which names, as `SIGNAL`, `MESSAGE.SIGNAL` or by their name in the drive.
    pub map: Vec<MapEntry>,
    /// The bus to be read; `None`: all of them.
    pub bus: Option<String>,
    /// What to do if the drive exists already.
    pub overwrite: Overwrite,
    /// Description of the drive.
    pub info: DriveInfo,
}

/// What was imported.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct ImportedFrames {
    /// Frames that were read and kept.
    pub n_frames: u64,
    /// Frames of which the definitions say something.
    pub n_decoded: u64,
    /// Samples over all signals.
    pub n_samples: u64,
    /// Signals, in the order of their first appearance.
    pub signals: Vec<SignalId>,
    /// Interfaces with their numbers of frames.
    pub buses: Vec<(String, u64)>,
    /// What was assumed or converted, one line each.
    pub notes: Vec<String>,
    /// What was lost, one line each.
    pub problems: Vec<String>,
}

/// Whether a file looks like a log of CAN frames as text (plain or gzipped).
///
/// # Errors
/// [`DriveError::Io`].
pub fn is_frame_log(path: &Path) -> Result<bool, DriveError> {
    let file = File::open(path).map_err(DriveError::io("cannot open", path))?;
    let Ok((mut source, _)) = Source::start(file) else { return Ok(false) };
    let mut start = Vec::new();
    // A damaged stream is told of by whoever reads it for good.
    let _ = source.append_block(&mut start);
    let lines = start.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii);
    Ok(lines.filter(|line| !line.is_empty()).take(20).any(|line| matches!(Line::of(line), Line::Frame { .. })))
}

/// Hands the frames of a log as text (plain or gzipped) over, in the order of its lines and with the times as they stand
/// there; what could not be read, one line each.
///
/// # Errors
/// [`DriveError::Io`]; [`DriveError::Table`] if it cannot be read on.
pub fn read_frame_log(path: &Path, take: impl FnMut(&Frame<'_>)) -> Result<Vec<String>, DriveError> {
    let file = File::open(path).map_err(DriveError::io("cannot open", path))?;
    let refuse = |line: u64, problem| {
        let file = path.display().to_string();
        DriveError::Table(Box::new(TableError { file, line, column: None, problem }))
    };
    let mut lines = Lines::start(file).map_err(|problem| refuse(0, problem))?;
    lines.each(take).map_err(|problem| refuse(lines.n_lines, problem))?;
    Ok(lines.problems().collect())
}

/// Makes a drive from a log of CAN frames as text, plain or gzipped, or from the raw frames of a drive: its raw frames,
/// and every value that `decode` finds in them. The drive appears when it is complete; after an error nothing is left.
///
/// `decode` gives the index in `signals` and the value, in order of time or not; `false` if it does not know the frame.
///
/// # Errors
/// [`DriveError::Table`] if the log or a map cannot be used; [`DriveError::Exists`]; [`DriveError::Io`];
/// [`DriveError::Write`]; as [`read`] if the source is a drive.
pub fn import_frames(
    from: &Path,
    out: &Path,
    signals: &[FrameSignal],
    mut decode: impl FnMut(&Frame<'_>, &mut Vec<(usize, f64)>) -> bool,
    options: &FrameImport,
) -> Result<ImportedFrames, DriveError> {
    let name = from.display().to_string();
    let mut file = File::open(from).map_err(DriveError::io("cannot open", from))?;
    let mut magic = Vec::new();
    (&mut file).take(4).read_to_end(&mut magic).map_err(DriveError::io("cannot read", from))?;
    let refuse = |line: u64, problem| {
        DriveError::Table(Box::new(TableError { file: name.clone(), line, column: None, problem }))
    };
    let slots = slots(signals, &options.map).map_err(|problem| refuse(0, problem))?;
    let (new_file, sink) = NewFile::beside(out, options.overwrite)?;
    let failed = DriveError::write(out);
    let file_of = |info: &DriveInfo| DriveFile::start(Box::new(sink), info).map_err(&failed);
    let mut out = if magic == mcap::MAGIC[..4] {
        let opened = read(from)?;
        if opened.n_frames == 0 {
            return Err(refuse(0, TableProblem::NoFrames));
        }
        let info = DriveInfo { software: options.info.software.clone(), ..opened.info };
        let mut out = Collector::new(file_of(&info)?, signals, slots, options);
        out.done.problems.extend(opened.problems.iter().map(ToString::to_string));
        read_frames(from, |frame| out.frame(&frame, &mut decode))?;
        for mark in &opened.recording.marks {
            out.file.write_mark(mark).map_err(&failed)?;
        }
        for gap in &opened.recording.gaps {
            out.file.write_gap(gap).map_err(&failed)?;
        }
        out
    } else {
        let source = std::io::Cursor::new(magic).chain(file);
        let mut lines = Lines::start(source).map_err(|problem| refuse(0, problem))?;
        let start_ns = lines.find_start().map_err(|problem| refuse(lines.n_lines, problem))?;
        let start_ns = start_ns.ok_or_else(|| refuse(1, TableProblem::NoLog))?;
        let is_unix = start_ns >= UNIX_FROM_NS;
        let mut info = options.info.clone();
        if is_unix {
            info.start_unix_ns = Some(start_ns);
        }
        let mut out = Collector::new(file_of(&info)?, signals, slots, options);
        let zero_ns = if is_unix { start_ns } else { 0 };
        let mut decode = |frame: &Frame<'_>, found: &mut Vec<(usize, f64)>| decode(frame, found);
        lines
            .each(|frame| out.frame(&Frame { t_ns: frame.t_ns - zero_ns, ..*frame }, &mut decode))
            .map_err(|problem| refuse(lines.n_lines, problem))?;
        out.done.problems.extend(lines.problems());
        out
    };
    out.finish().map_err(&failed)?;
    let Collector { done, file, .. } = out;
    file.finish().map_err(&failed)?;
    new_file.keep()?;
    Ok(done)
}

/// Where the values of a signal go.
struct Slot {
    entry: Option<MapEntry>,
    /// Index of its series, once it has a sample.
    series: Option<usize>,
}

/// Which signal is mapped to what.
fn slots(signals: &[FrameSignal], map: &[MapEntry]) -> Result<Vec<Slot>, TableProblem> {
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
struct Collector<'a> {
    file: DriveFile,
    signals: &'a [FrameSignal],
    slots: Vec<Slot>,
    options: &'a FrameImport,
    columns: Vec<Column>,
    by_id: HashMap<SignalId, usize>,
    batches: Vec<FrameBatch>,
    n_gathered: usize,
    n_late: u64,
    latest_ns: i64,
    found: Vec<(usize, f64)>,
    failure: Option<mcap::McapError>,
    done: ImportedFrames,
}

impl<'a> Collector<'a> {
    fn new(file: DriveFile, signals: &'a [FrameSignal], slots: Vec<Slot>, options: &'a FrameImport) -> Self {
        Self {
            file,
            signals,
            slots,
            options,
            columns: Vec::new(),
            by_id: HashMap::new(),
            batches: Vec::new(),
            n_gathered: 0,
            n_late: 0,
            latest_ns: i64::MIN,
            found: Vec::new(),
            failure: None,
            done: ImportedFrames::default(),
        }
    }

    fn frame(&mut self, frame: &Frame<'_>, decode: &mut impl FnMut(&Frame<'_>, &mut Vec<(usize, f64)>) -> bool) {
        if self.failure.is_some() || self.options.bus.as_deref().is_some_and(|bus| bus != frame.bus) {
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
    fn finish(&mut self) -> Result<(), mcap::McapError> {
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

/// What a line of a log is.
enum Line<'a> {
    Frame {
        t_ns: i64,
        bus: &'a [u8],
        number: u32,
        is_extended: bool,
        hex: &'a [u8],
    },
    /// A remote frame, which has no data, or an error frame.
    Empty,
    No,
}

impl<'a> Line<'a> {
    fn of(line: &'a [u8]) -> Self {
        Self::parse(line).unwrap_or(Self::No)
    }

    fn parse(line: &'a [u8]) -> Option<Self> {
        let rest = line.strip_prefix(b"(")?;
        let (time, rest) = split(rest, b')')?;
        let t_ns = quick_time(time).or_else(|| parse_time(time, 0))?;
        let rest = rest.trim_ascii_start();
        let (bus, rest) = split(rest, b' ')?;
        let rest = rest.trim_ascii_start();
        let (id, rest) = split(rest, b'#')?;
        if bus.is_empty() || !matches!(id.len(), 3 | 8) {
            return None;
        }
        let mut number = 0;
        for digit in id {
            number = number << 4 | u32::from(nibble(*digit)?);
        }
        let is_extended = id.len() == 8;
        if number > if is_extended { 0x1FFF_FFFF } else { 0x7FF } {
            // Flags above the identifier mark error frames.
            return (is_extended && number & 1 << 29 != 0).then_some(Self::Empty);
        }
        // Behind the data there may be a direction.
        let hex = rest.split(|byte| *byte == b' ').next().unwrap_or_default();
        let hex = match hex {
            [b'R', ..] => return Some(Self::Empty),
            [b'#', _flags, hex @ ..] => hex,
            hex => hex,
        };
        (hex.len().is_multiple_of(2) && hex.len() <= 2 * MAX_DATA).then_some(Self::Frame {
            t_ns,
            bus,
            number,
            is_extended,
            hex,
        })
    }
}

fn split(text: &[u8], at: u8) -> Option<(&[u8], &[u8])> {
    let idx = text.iter().position(|byte| *byte == at)?;
    Some((&text[..idx], &text[idx + 1..]))
}

/// A time in plain notation with at most nine decimals; everything else is left to the general reading.
fn quick_time(text: &[u8]) -> Option<i64> {
    let (mut whole, mut decimals, mut n_decimals, mut in_decimals) = (0i64, 0i64, 0, false);
    if text.is_empty() || text.len() > 19 {
        return None;
    }
    for byte in text {
        match byte {
            b'0'..=b'9' if in_decimals => {
                decimals = decimals * 10 + i64::from(byte - b'0');
                n_decimals += 1;
            }
            b'0'..=b'9' => whole = whole * 10 + i64::from(byte - b'0'),
            b'.' if !in_decimals => in_decimals = true,
            _ => return None,
        }
    }
    const SCALE: [i64; 10] = [1_000_000_000, 100_000_000, 10_000_000, 1_000_000, 100_000, 10_000, 1000, 100, 10, 1];
    let t_ns = whole.checked_mul(1_000_000_000)?.checked_add(decimals * SCALE.get(n_decimals)?)?;
    crate::format::is_time(t_ns).then_some(t_ns)
}

/// What a hex digit stands for; `NO_DIGIT` for any other byte. A table, because half of a log is hex digits.
const NIBBLES: [u8; 256] = {
    let mut table = [NO_DIGIT; 256];
    let mut value = 0;
    while value < 16 {
        table[b"0123456789ABCDEF"[value] as usize] = value as u8;
        table[b"0123456789abcdef"[value] as usize] = value as u8;
        value += 1;
    }
    table
};
const NO_DIGIT: u8 = 0xFF;

#[inline]
fn nibble(digit: u8) -> Option<u8> {
    let value = NIBBLES[usize::from(digit)];
    (value != NO_DIGIT).then_some(value)
}

/// The lines of a log.
struct Lines<'a> {
    source: Source<'a>,
    buffer: Vec<u8>,
    n_lines: u64,
    n_empty: u64,
    n_bad: u64,
    first_bad: Option<(u64, String)>,
}

impl<'a> Lines<'a> {
    fn start(source: impl Read + 'a) -> Result<Self, TableProblem> {
        let (source, head) = Source::start(source)?;
        if head.is_empty() {
            return Err(TableProblem::NoLog);
        }
        Ok(Self { source, buffer: Vec::new(), n_lines: 0, n_empty: 0, n_bad: 0, first_bad: None })
    }

    /// The time of the first frame, if one is near the start; nothing is consumed.
    fn find_start(&mut self) -> Result<Option<i64>, TableProblem> {
        self.source.append_block(&mut self.buffer)?;
        let mut lines = self.buffer.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii);
        Ok(lines.find_map(|line| match Line::of(line) {
            Line::Frame { t_ns, .. } => Some(t_ns),
            _ => None,
        }))
    }

    /// Hands every frame over.
    fn each(&mut self, mut take: impl FnMut(&Frame<'_>)) -> Result<(), TableProblem> {
        let mut at_end = false;
        while !at_end {
            // What was read to find the start comes first.
            at_end = self.source.append_block(&mut self.buffer)? == 0;
            let buffer = std::mem::take(&mut self.buffer);
            let n_whole = if at_end {
                buffer.len()
            } else {
                buffer.iter().rposition(|byte| *byte == b'\n').map_or(0, |idx| idx + 1)
            };
            if n_whole == 0 && buffer.len() > MAX_LINE {
                return Err(TableProblem::LongRow(MAX_LINE));
            }
            let mut rest = &buffer[..n_whole];
            while !rest.is_empty() {
                let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
                self.line(rest[..end].trim_ascii(), &mut take);
                rest = rest.get(end + 1..).unwrap_or_default();
            }
            self.buffer = buffer;
            self.buffer.drain(..n_whole);
        }
        Ok(())
    }

    #[inline]
    fn line(&mut self, line: &[u8], take: &mut impl FnMut(&Frame<'_>)) {
        self.n_lines += 1;
        if line.is_empty() {
            return;
        }
        if let Line::Frame { t_ns, bus, number, is_extended, hex } = Line::of(line)
            && let Ok(bus) = std::str::from_utf8(bus)
        {
            let (mut data, mut seen) = ([0; MAX_DATA], 0);
            for (byte, pair) in data.iter_mut().zip(hex.chunks_exact(2)) {
                let (high, low) = (NIBBLES[usize::from(pair[0])], NIBBLES[usize::from(pair[1])]);
                seen |= high | low;
                *byte = high << 4 | low;
            }
            let is_hex = seen < 16;
            if is_hex {
                return take(&Frame { t_ns, bus, number, is_extended, data: &data[..hex.len() / 2] });
            }
        } else if matches!(Line::of(line), Line::Empty) {
            self.n_empty += 1;
            return;
        }
        self.n_bad += 1;
        self.first_bad.get_or_insert_with(|| (self.n_lines, quote(line)));
    }

    fn problems(&self) -> impl Iterator<Item = String> {
        let bad = self.first_bad.as_ref().map(|(line, text)| {
            format!(
                "{} lines are no frame `(SECONDS) INTERFACE ID#DATA`, the first is line {line}: `{text}`",
                self.n_bad
            )
        });
        bad.into_iter()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn frame(line: &str) -> Option<(i64, u32, bool, usize)> {
        match Line::of(line.as_bytes()) {
            Line::Frame { t_ns, number, is_extended, hex, .. } => Some((t_ns, number, is_extended, hex.len() / 2)),
            _ => None,
        }
    }

    #[test]
    fn lines_of_every_kind() {
        assert_eq!(frame("(0.000013) can0 2C1#0014DF14BBCA3A91"), Some((13_000, 0x2C1, false, 8)));
        assert_eq!(
            frame("(1436509052.249713) vcan0 18DAF110#"),
            Some((1_436_509_052_249_713_000, 0x18DA_F110, true, 0))
        );
        assert_eq!(frame("(1.5) can1 123##1aabbcc T"), Some((1_500_000_000, 0x123, false, 3)));
        assert_eq!(frame("(1.5) can1 123#AABB R"), Some((1_500_000_000, 0x123, false, 2)));
        assert_eq!(frame("(1.5e0) can1 123#AA"), Some((1_500_000_000, 0x123, false, 1)));
        for line in
            ["", "(1.5) can1", "(1.5) can1 923#", "(1.5) can1 12#", "(x) can1 123#", "1.5 can1 123#", "(1) a 123#A"]
        {
            assert_eq!(frame(line), None, "{line}");
        }
        assert!(matches!(Line::of(b"(1.5) can1 123#R8"), Line::Empty));
        assert!(matches!(Line::of(b"(1.5) can1 20000004#0000000000000000"), Line::Empty));
    }

    proptest::proptest! {
        #[test]
        fn any_line_is_read_without_a_panic(line: Vec<u8>) {
            let _ = Line::of(&line);
            let _ = Line::of(&[b"(1.0) can0 123#", line.as_slice()].concat());
        }

        #[test]
        fn quick_times_are_those_of_the_general_reading(text in "[0-9]{0,12}(\\.[0-9]{0,11})?") {
            if let Some(t_ns) = quick_time(text.as_bytes()) {
                proptest::prop_assert!(parse_time(text.as_bytes(), 0) == Some(t_ns) || text == ".");
            }
        }
    }
}
