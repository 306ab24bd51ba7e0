//! Writing a drive file, whole chunks at a time.

use std::collections::{BTreeMap, HashSet};
use std::io::Write;
use std::ops::Range;

use prost::Message as _;
use signal::{Catalogue, Gap, Mark, Series, SignalId, Unit};

use crate::DriveError;
use crate::format::{self, DriveInfo, Exchange, Samples};
use crate::frames::FrameBatch;
use crate::write::container::Container;

struct Column {
    id: SignalId,
    unit: Unit,
    n_batches: u64,
}

/// A drive file that is being written.
pub(crate) struct DriveFile {
    mcap: Container<Box<dyn Write + Send>>,
    samples_schema: u16,
    columns: Vec<Column>,
    has_frames: bool,
    /// Kept for its memory.
    samples: Samples,
}

type McapResult<T> = Result<T, mcap::McapError>;

impl DriveFile {
    /// Starts a file: container header, description, and the channels that every drive has. Flushing the sink has to
    /// wait for the disk, as the files of [`super::NewFile`] do.
    pub(crate) fn start(sink: Box<dyn Write + Send>, info: &DriveInfo) -> McapResult<Self> {
        // No index of every message: it would treble the size of a drive and nobody reads it, as samples are read by the
        // stretch.
        let library = concat!("witness drive ", env!("CARGO_PKG_VERSION"));
        let mut mcap = Container::start(sink, format::PROFILE, library)?;
        // First of all, so that a reader knows what it reads before it meets a chunk.
        mcap.metadata(format::PROFILE, &info.to_pairs())?;
        let descriptors = format::descriptor_set();
        for (channel, name, topic) in [
            (format::EXCHANGES, format::EXCHANGE_SCHEMA, "exchanges"),
            (format::MARKS, format::MARK_SCHEMA, "marks"),
            (format::GAPS, format::GAP_SCHEMA, "gaps"),
        ] {
            let schema = mcap.schema(name, &descriptors)?;
            mcap.channel(channel, schema, topic, &BTreeMap::new());
        }
        let samples_schema = mcap.schema(format::SAMPLES_SCHEMA, &descriptors)?;
        let mut file =
            Self { mcap, samples_schema, columns: Vec::new(), has_frames: false, samples: Samples::default() };
        file.save()?;
        Ok(file)
    }

    /// (Re)writes the description; the last one in the file counts.
    pub(crate) fn write_info(&mut self, info: &DriveInfo) -> McapResult<()> {
        self.mcap.metadata(format::PROFILE, &info.to_pairs())
    }

    /// Adds a signal. The caller has checked that it is new and that its unit is right.
    pub(crate) fn add_signal(&mut self, id: &SignalId, unit: &Unit, definition: &str) -> McapResult<()> {
        let mut metadata =
            BTreeMap::from([("id".to_owned(), id.to_string()), ("unit".to_owned(), unit.symbol().to_owned())]);
        if let Some(known) = Catalogue::standard().get(id) {
            metadata.insert("title".into(), known.title.clone());
            if let Some(vss) = &known.vss {
                metadata.insert("vss".into(), vss.clone());
            }
        }
        if !definition.is_empty() {
            metadata.insert("definition".into(), definition.to_owned());
        }
        let channel = channel_of(self.columns.len())?;
        let topic = format!("{}{id}", format::SIGNAL_TOPIC);
        self.mcap.channel(channel, self.samples_schema, &topic, &metadata);
        self.columns.push(Column { id: id.clone(), unit: unit.clone(), n_batches: 0 });
        Ok(())
    }

    /// Appends a range of a series to the signal that was added as number `idx`.
    pub(crate) fn write_samples(&mut self, idx: usize, series: &Series, range: Range<usize>) -> McapResult<()> {
        for from in range.clone().step_by(format::MAX_BATCH) {
            self.write_batch(idx, series, from, range.end.min(from + format::MAX_BATCH))?;
        }
        Ok(())
    }

    fn write_batch(&mut self, idx: usize, series: &Series, from: usize, to: usize) -> McapResult<()> {
        let Some(column) = self.columns.get_mut(idx) else { return Ok(()) };
        let batch = &mut self.samples;
        batch.clear();
        let mut previous = 0i64;
        batch
            .t_step_ns
            .extend(series.t_ns[from..to].iter().map(|&t| t.wrapping_sub(std::mem::replace(&mut previous, t))));
        batch.value.extend_from_slice(&series.value[from..to]);
        if !series.asked_ns.is_empty() {
            let pairs = series.t_ns[from..to].iter().zip(&series.asked_ns[from..to]);
            batch.latency_ns.extend(pairs.map(|(t, asked)| t.wrapping_sub(*asked)));
        }
        if !series.exchange.is_empty() {
            let mut previous = 0i64;
            let numbers = series.exchange[from..to].iter().map(|&number| i64::from(number));
            batch.exchange_step.extend(numbers.map(|number| number - std::mem::replace(&mut previous, number)));
        }
        // A name costs some 30 bytes: nothing beside a long batch, little once in 64 short ones. Early on it comes more
        // often, so that no single bad chunk costs the name of a short drive.
        let n_batches = column.n_batches;
        if to - from >= 256 || n_batches.is_multiple_of(64) || n_batches.is_power_of_two() {
            batch.signal.push_str(column.id.as_str());
            batch.unit.push_str(column.unit.symbol());
        }
        column.n_batches += 1;
        let bytes = batch.encode_to_vec();
        self.message(channel_of(idx)?, series.t_ns[to - 1], &bytes)
    }

    /// Appends a raw exchange.
    pub(crate) fn write_exchange(&mut self, exchange: &Exchange) -> McapResult<()> {
        self.message(format::EXCHANGES, exchange.over_ns, &exchange.encode_to_vec())
    }

    /// Appends raw frames of one bus.
    pub(crate) fn write_frames(&mut self, batch: &FrameBatch) -> McapResult<()> {
        if batch.is_empty() {
            return Ok(());
        }
        if !self.has_frames {
            let schema = self.mcap.schema(format::FRAMES_SCHEMA, &format::descriptor_set())?;
            self.mcap.channel(format::FRAMES, schema, "frames", &BTreeMap::new());
            self.has_frames = true;
        }
        self.message(format::FRAMES, batch.last_ns, &batch.frames.encode_to_vec())
    }

    /// Appends a mark.
    pub(crate) fn write_mark(&mut self, mark: &Mark) -> McapResult<()> {
        let message = format::Mark { t_ns: mark.t_ns, text: mark.text.clone() };
        self.message(format::MARKS, mark.t_ns, &message.encode_to_vec())
    }

    /// Appends a gap.
    pub(crate) fn write_gap(&mut self, gap: &Gap) -> McapResult<()> {
        let message = format::Gap { from_ns: gap.from_ns, to_ns: gap.to_ns, reason: gap.reason.clone() };
        self.message(format::GAPS, gap.to_ns, &message.encode_to_vec())
    }

    fn message(&mut self, channel_id: u16, t_ns: i64, bytes: &[u8]) -> McapResult<()> {
        // The container knows no time before its zero; the message itself holds the true one.
        let log_time = u64::try_from(t_ns).unwrap_or(0);
        self.mcap.message(channel_id, log_time, bytes)
    }

    /// Ends the chunk and returns once it is on the disk.
    pub(crate) fn save(&mut self) -> McapResult<()> {
        self.mcap.flush()
    }

    /// Writes the summary; the file is complete and on the disk when this returns.
    pub(crate) fn finish(self) -> McapResult<()> {
        self.mcap.finish()
    }
}

/// Number of the container's channel for signal `idx`.
fn channel_of(idx: usize) -> McapResult<u16> {
    u16::try_from(idx + usize::from(format::FIRST_SIGNAL)).map_err(|_| mcap::McapError::TooManyChannels)
}

/// Checks that a signal may be added to a drive, and remembers it.
pub(crate) fn check_signal(seen: &mut HashSet<SignalId>, id: &SignalId, unit: &Unit) -> Result<(), DriveError> {
    let refuse = |problem: String| Err(DriveError::Signal { signal: id.to_string(), problem });
    if let Some(known) = Catalogue::standard().get(id)
        && known.unit != *unit
    {
        return refuse(format!("its unit is `{}`, not `{unit}`; convert the values first", known.unit));
    }
    if seen.len() >= usize::from(u16::MAX - format::FIRST_SIGNAL) {
        return refuse("a drive holds at most 65519 signals".into());
    }
    if !seen.insert(id.clone()) {
        return refuse("it is there already".into());
    }
    Ok(())
}
