//! Reading a drive: everything that is sound, and a list of what is not.

use std::collections::{BTreeMap, HashSet};
use std::fs::File;
use std::path::Path;

use mcap::records::op;
use prost::Message as _;
use signal::{Gap, Mark, Recording, Series, SignalId, Unit};

use crate::ahead::Ahead;
use crate::format::{self, DriveInfo, Exchange, PROFILE, Samples};
use crate::walk::{Fields, Piece, PieceKind};
use crate::{DriveError, Problem, ProblemKind};

/// Most samples that are read into memory: 100 hours of 12 signals at 20 Hz, 2.4 GB.
const MAX_SAMPLES: u64 = 100_000_000;

/// A drive as read from its file.
#[derive(Debug, Clone, PartialEq)]
pub struct Opened {
    /// Its samples, marks and gaps.
    pub recording: Recording,
    /// Its description.
    pub info: DriveInfo,
    /// Where the decoding of a signal came from, for those that said so.
    pub definitions: BTreeMap<SignalId, String>,
    /// How many raw exchanges it holds; [`read_exchanges`] reads them.
    pub n_exchanges: u64,
    /// Whether it was finished; if not, [`crate::repair`] makes a finished copy.
    pub is_finished: bool,
    /// What is damaged, in order of place. The rest was read.
    pub problems: Vec<Problem>,
}

/// Reads a drive: all samples, marks and gaps that are sound, and a list of what is not.
///
/// Raw exchanges are skipped; see [`read_exchanges`].
///
/// # Errors
/// [`DriveError::Io`]; [`DriveError::NotADrive`] for any other kind of file, which names what is missing;
/// [`DriveError::Newer`]; [`DriveError::TooLarge`].
pub fn read(path: &Path) -> Result<Opened, DriveError> {
    let mut columns = Columns::default();
    let scanned = scan(path, &mut columns)?;
    let Scanned { info, mut problems, is_finished } = scanned;
    let n_exchanges = columns.n_exchanges;
    let (recording, definitions) = columns.into_recording(&info, &mut problems);
    problems.sort_by_key(|problem| problem.offset);
    Ok(Opened { recording, info, definitions, n_exchanges, is_finished, problems })
}

/// Hands over the raw exchanges of a drive one by one in the order of recording, and returns what is damaged.
///
/// # Errors
/// As [`read`].
pub fn read_exchanges(path: &Path, mut take: impl FnMut(Exchange)) -> Result<Vec<Problem>, DriveError> {
    let mut handler = |channel: u16, body: &[u8]| {
        if channel != format::EXCHANGES {
            return Ok(None);
        }
        let exchange = Exchange::decode(body).map_err(|error| error.to_string())?;
        let span = (exchange.asked_ns, exchange.over_ns);
        take(exchange);
        Ok(Some(span))
    };
    Ok(scan(path, &mut handler)?.problems)
}

/// First and last time that a message speaks of, nanoseconds.
type Span = (i64, i64);

/// What wants to know of the messages of a drive.
trait Handler {
    /// A signal's channel and the container's metadata for it.
    fn signal(&mut self, _channel: u16, _metadata: &BTreeMap<String, String>) {}

    /// A message. An error says what is wrong with its content.
    fn message(&mut self, channel: u16, body: &[u8], offset: u64) -> Result<Option<Span>, String>;

    /// How many samples, marks and gaps are in memory.
    fn n_samples(&self) -> u64 {
        0
    }
}

impl<F: FnMut(u16, &[u8]) -> Result<Option<Span>, String>> Handler for F {
    fn message(&mut self, channel: u16, body: &[u8], _offset: u64) -> Result<Option<Span>, String> {
        self(channel, body)
    }
}

/// What one pass over a file found besides its messages.
#[derive(Default)]
struct Scanned {
    info: DriveInfo,
    problems: Vec<Problem>,
    is_finished: bool,
}

/// Problems in order, with the times around them.
#[derive(Default)]
struct Log {
    problems: Vec<Problem>,
    latest_ns: Option<i64>,
    /// How many of `problems` know what follows them.
    n_closed: usize,
}

impl Log {
    fn add(&mut self, offset: u64, length: u64, kind: ProblemKind) {
        if let Some(last) = self.problems.last_mut()
            && last.kind == kind
            && last.offset + last.length == offset
        {
            last.length += length;
            return;
        }
        self.problems.push(Problem { offset, length, after_ns: self.latest_ns, before_ns: None, kind });
    }

    fn data(&mut self, (first_ns, last_ns): Span) {
        for problem in &mut self.problems[self.n_closed..] {
            problem.before_ns = Some(first_ns);
        }
        self.n_closed = self.problems.len();
        self.latest_ns = Some(self.latest_ns.map_or(last_ns, |latest| latest.max(last_ns)));
    }
}

/// What is known so far of a file that is being scanned.
#[derive(Default)]
struct Scan {
    log: Log,
    info: Option<DriveInfo>,
    is_ours: bool,
    is_finished: bool,
    newer: Option<u32>,
}

fn scan(path: &Path, handler: &mut dyn Handler) -> Result<Scanned, DriveError> {
    let io_error = || DriveError::io("cannot read", path);
    let file = File::open(path).map_err(DriveError::io("cannot open", path))?;
    let not_a_drive = |missing: &str| DriveError::NotADrive { path: path.to_owned(), missing: missing.to_owned() };
    let Some(mut ahead) = Ahead::start(file).map_err(io_error())? else {
        return Err(not_a_drive(
            "it does not start as an MCAP file does; a table is made into a drive by importing it",
        ));
    };
    let mut scan = Scan::default();
    while let Some(block) = ahead.next() {
        let mut is_drive = true;
        block.map_err(io_error())?.into_pieces(|piece| is_drive = is_drive && scan.piece(piece, handler));
        if let Some(found) = scan.newer {
            return Err(DriveError::Newer { path: path.to_owned(), found, known: format::VERSION });
        }
        if handler.n_samples() > MAX_SAMPLES {
            return Err(DriveError::TooLarge { path: path.to_owned(), limit: MAX_SAMPLES });
        }
        if !is_drive {
            break;
        }
    }
    if !scan.is_drive() {
        return Err(not_a_drive(&format!(
            "the MCAP file has no metadata record `{PROFILE}` with format, start time and checksum"
        )));
    }
    let Scan { mut log, info, is_finished, .. } = scan;
    if info.is_none() && !log.problems.iter().any(|problem| problem.kind == ProblemKind::Info) {
        log.add(mcap::MAGIC.len() as u64, 0, ProblemKind::Info);
    }
    Ok(Scanned { info: info.unwrap_or_default(), problems: log.problems, is_finished })
}

impl Scan {
    fn is_drive(&self) -> bool {
        self.is_ours || self.info.is_some()
    }

    /// Takes in a piece; `false` if there is no point in going on.
    fn piece(&mut self, piece: Piece<'_>, handler: &mut dyn Handler) -> bool {
        let Piece { offset, length, kind } = piece;
        match kind {
            PieceKind::Header(profile) => self.is_ours |= profile == PROFILE,
            PieceKind::Metadata(name, pairs) if name == PROFILE => match DriveInfo::from_pairs(pairs) {
                Some((found, _)) if found > format::VERSION => {
                    self.newer = Some(found);
                    return false;
                }
                Some((_, info)) => self.info = Some(info),
                None => self.log.add(offset, length, ProblemKind::Info),
            },
            PieceKind::Metadata(..) => {}
            // The description comes before the first chunk, so by now it is known whether the file is a drive.
            PieceKind::Chunk(_) if !self.is_drive() => return false,
            PieceKind::Chunk(records) => chunk(records, offset, length, handler, &mut self.log),
            PieceKind::Damage(kind) => self.log.add(offset, length, kind),
            PieceKind::End { is_complete: true } => self.is_finished = true,
            PieceKind::End { is_complete: false } => self.log.add(offset, 0, ProblemKind::Unfinished),
        }
        true
    }
}

/// Hands the records of one chunk over.
fn chunk(records: &[u8], offset: u64, length: u64, handler: &mut dyn Handler, log: &mut Log) {
    let mut fields = Fields(records);
    // One word per chunk is enough, and a hostile file cannot fill the memory with words.
    let mut is_told = false;
    while !fields.0.is_empty() {
        let result = match fields.record() {
            Some((op::MESSAGE, body)) => message(body, offset, handler),
            Some((op::CHANNEL, body)) => signal_channel(body).map_or(Err("a damaged channel".into()), |found| {
                if let Some((channel, metadata)) = found {
                    handler.signal(channel, &metadata);
                }
                Ok(None)
            }),
            Some(_) => Ok(None),
            None => {
                log.add(offset, length, ProblemKind::Content("a record that reaches beyond its chunk".into()));
                return;
            }
        };
        match result {
            Ok(Some(span)) => log.data(span),
            Ok(None) => {}
            Err(_) if is_told => {}
            Err(why) => {
                is_told = true;
                log.add(offset, length, ProblemKind::Content(why));
            }
        }
    }
}

fn message(body: &[u8], offset: u64, handler: &mut dyn Handler) -> Result<Option<Span>, String> {
    let mut fields = Fields(body);
    // Behind the channel's number: sequence, log time and publish time.
    let channel = fields.u16().filter(|_| fields.take(4 + 8 + 8).is_some()).ok_or("a message without a header")?;
    handler.message(channel, fields.0, offset)
}

/// Number and metadata of a signal's channel; the inner `None` for other channels, the outer one for damage.
fn signal_channel(body: &[u8]) -> Option<Option<(u16, BTreeMap<String, String>)>> {
    let mut fields = Fields(body);
    let (channel, _schema) = (fields.u16()?, fields.u16()?);
    let (_topic, _encoding) = (fields.text()?, fields.text()?);
    let metadata = fields.map()?;
    Some((channel >= format::FIRST_SIGNAL).then_some((channel, metadata)))
}

/// One signal while it is being read. Its name may come late, or never, in a damaged file.
#[derive(Default)]
struct Column {
    name: Option<(SignalId, Unit)>,
    definition: String,
    t_ns: Vec<i64>,
    asked_ns: Vec<i64>,
    exchange: Vec<u32>,
    value: Vec<f64>,
    n_back_in_time: usize,
    offset: u64,
}

/// Collects samples, marks and gaps.
#[derive(Default)]
struct Columns {
    by_channel: BTreeMap<u16, Column>,
    marks: Vec<Mark>,
    gaps: Vec<Gap>,
    n_exchanges: u64,
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
            self.drop_back_in_time(n_before);
        }
        result
    }

    fn append_times(&mut self, batch: &Samples) -> Result<Option<Span>, String> {
        let n_before = self.t_ns.len();
        let mut t_ns = 0i64;
        for step in &batch.t_step_ns {
            t_ns = believable(t_ns.checked_add(*step).ok_or("a time beyond all limits")?)?;
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

    /// Leaves out what is older than its predecessor: a series never goes back.
    fn drop_back_in_time(&mut self, n_before: usize) {
        let from = n_before.saturating_sub(1);
        if self.t_ns[from..].is_sorted() {
            return;
        }
        let mut latest_ns = self.t_ns[from];
        let keep: Vec<bool> = self.t_ns[from..]
            .iter()
            .map(|&t_ns| {
                let keep = t_ns >= latest_ns;
                latest_ns = latest_ns.max(t_ns);
                keep
            })
            .collect();
        self.n_back_in_time += keep.iter().filter(|keep| !**keep).count();
        fn retain<T>(column: &mut Vec<T>, from: usize, keep: &[bool]) {
            let mut idx = 0;
            column.retain(|_| {
                idx += 1;
                idx <= from || keep.get(idx - 1 - from).copied().unwrap_or(true)
            });
        }
        retain(&mut self.t_ns, from, &keep);
        retain(&mut self.asked_ns, from, &keep);
        retain(&mut self.exchange, from, &keep);
        retain(&mut self.value, from, &keep);
    }
}

impl Columns {
    fn into_recording(self, info: &DriveInfo, problems: &mut Vec<Problem>) -> (Recording, BTreeMap<SignalId, String>) {
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
            if column.n_back_in_time > 0 {
                problem(ProblemKind::BackInTime { signal: id.clone(), n_samples: column.n_back_in_time });
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
