//! Reading a drive: everything that is sound, and a list of what is not.
//!
//! `records` finds the records of the container through any damage, this module knows what they mean for a drive, and
//! `columns` makes series of them.

mod columns;
mod records;

use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

use mcap::records::op;
use prost::Message as _;
use signal::{Recording, SignalId};

use crate::format::{self, DriveInfo, Exchange, Frames, PROFILE};
use crate::frames::{self, Frame};
use crate::{DriveError, Problem, ProblemKind};

use columns::Columns;
use records::{Fields, Piece, PieceKind, Walker};

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
    /// How many raw CAN frames it holds; [`read_frames`] reads them.
    pub n_frames: u64,
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
    let (n_exchanges, n_frames) = (columns.n_exchanges, columns.n_frames);
    let (recording, definitions) = columns.into_recording(&info, &mut problems);
    problems.sort_by_key(|problem| problem.offset);
    Ok(Opened { recording, info, definitions, n_exchanges, n_frames, is_finished, problems })
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

/// Hands the raw CAN frames of a drive over one by one in the order of recording, and returns what is damaged.
///
/// # Errors
/// As [`read`].
pub fn read_frames(path: &Path, mut take: impl FnMut(Frame<'_>)) -> Result<Vec<Problem>, DriveError> {
    let mut handler = |channel: u16, body: &[u8]| {
        if channel != format::FRAMES {
            return Ok(None);
        }
        let batch = Frames::decode(body).map_err(|error| error.to_string())?;
        frames::each(&batch, &mut take)
    };
    Ok(scan(path, &mut handler)?.problems)
}

/// First and last time that a message speaks of, nanoseconds.
pub(crate) type Span = (i64, i64);

/// What wants to know of the messages of a drive.
pub(crate) trait Handler {
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
    let Some(mut walker) = Walker::start(file).map_err(io_error())? else {
        return Err(not_a_drive(
            "it does not start as an MCAP file does; a table is made into a drive by importing it",
        ));
    };
    let mut scan = Scan::default();
    while let Some(piece) = walker.next().map_err(io_error())? {
        let is_drive = scan.piece(piece, handler);
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

#[cfg(test)]
mod tests;
