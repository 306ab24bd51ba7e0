//! The container of a drive, MCAP (<https://mcap.dev/spec>), written from front to back.
//!
//! Others read it with a library; it is written here because a drive ends a chunk four times a second, and the library's
//! own writer keeps some 170 bytes of each until the end: 2.5 MB an hour, and twice that while it finishes.

use std::collections::BTreeMap;
use std::io::{BufWriter, Write};

use mcap::records::op;
use mcap::{MAGIC, McapError};

type McapResult<T> = Result<T, McapError>;

/// Uncompressed size from which a chunk is ended.
const CHUNK_BYTES: usize = 1 << 20;
const COMPRESSION: &str = "zstd";

/// The content of a record while it is put together.
#[derive(Default)]
struct Content(Vec<u8>);

impl Content {
    fn u16(mut self, value: u16) -> Self {
        self.0.extend(value.to_le_bytes());
        self
    }

    fn u32(mut self, value: u32) -> Self {
        self.0.extend(value.to_le_bytes());
        self
    }

    fn u64(mut self, value: u64) -> Self {
        self.0.extend(value.to_le_bytes());
        self
    }

    /// Bytes behind their number.
    fn bytes(self, bytes: &[u8]) -> Self {
        let mut content = self.u32(size(bytes.len()));
        content.0.extend(bytes);
        content
    }

    fn text(self, text: &str) -> Self {
        self.bytes(text.as_bytes())
    }

    fn texts(self, pairs: &BTreeMap<String, String>) -> Self {
        let all = pairs.iter().fold(Self::default(), |all, (key, value)| all.text(key).text(value));
        self.bytes(&all.0)
    }

    /// The whole record.
    fn record(self, op: u8) -> Vec<u8> {
        let mut record = Vec::with_capacity(self.0.len() + 9);
        record.push(op);
        record.extend((self.0.len() as u64).to_le_bytes());
        record.extend(self.0);
        record
    }
}

/// Nothing in a drive is as long as 4 GB: a chunk is ended long before.
fn size(length: usize) -> u32 {
    u32::try_from(length).unwrap_or(u32::MAX)
}

/// Where a chunk is, and the times of its messages.
struct Chunk {
    offset: u64,
    record_bytes: u32,
    n_uncompressed: u32,
    from: u64,
    to: u64,
}

/// Bytes of a chunk's record besides what was compressed.
const CHUNK_HEAD: u32 = 9 + 8 + 8 + 8 + 4 + 4 + COMPRESSION.len() as u32 + 8;

/// A sink that knows how far it is, and the check sum of all that went into it.
struct Out<W: Write> {
    sink: BufWriter<W>,
    position: u64,
    crc: crc32fast::Hasher,
}

impl<W: Write> Out<W> {
    fn put(&mut self, bytes: &[u8]) -> McapResult<()> {
        self.sink.write_all(bytes)?;
        self.position += bytes.len() as u64;
        self.crc.update(bytes);
        Ok(())
    }
}

/// Records of one kind, one after the other.
type Records<'c> = Box<dyn Iterator<Item = Vec<u8>> + 'c>;

/// A container that is being written.
pub(super) struct Container<W: Write> {
    out: Out<W>,
    compressor: zstd::bulk::Compressor<'static>,
    /// The records of the chunk that is open, and the times of its messages.
    open: Vec<u8>,
    open_times: Option<(u64, u64)>,
    chunks: Vec<Chunk>,
    /// The times of all messages.
    times: Option<(u64, u64)>,
    /// The records of schemas and channels, which the summary repeats.
    schemas: Vec<Vec<u8>>,
    channels: Vec<Vec<u8>>,
    n_messages: BTreeMap<u16, u64>,
    /// Where descriptions are, and their names.
    metadata: Vec<(u64, u64, String)>,
}

impl<W: Write> Container<W> {
    pub(super) fn start(sink: W, profile: &str, library: &str) -> McapResult<Self> {
        let out = Out { sink: BufWriter::with_capacity(1 << 16, sink), position: 0, crc: crc32fast::Hasher::new() };
        let mut container = Self {
            out,
            compressor: zstd::bulk::Compressor::new(zstd::DEFAULT_COMPRESSION_LEVEL)?,
            open: Vec::new(),
            open_times: None,
            chunks: Vec::new(),
            times: None,
            schemas: Vec::new(),
            channels: Vec::new(),
            n_messages: BTreeMap::new(),
            metadata: Vec::new(),
        };
        container.out.put(MAGIC)?;
        container.out.put(&Content::default().text(profile).text(library).record(op::HEADER))?;
        Ok(container)
    }

    /// Writes a description; it stands between chunks.
    pub(super) fn metadata(&mut self, name: &str, pairs: &BTreeMap<String, String>) -> McapResult<()> {
        self.end_chunk()?;
        let record = Content::default().text(name).texts(pairs).record(op::METADATA);
        self.metadata.push((self.out.position, record.len() as u64, name.to_owned()));
        self.out.put(&record)
    }

    /// Adds a schema in protobuf's form; its number.
    pub(super) fn schema(&mut self, name: &str, descriptors: &[u8]) -> McapResult<u16> {
        let number = u16::try_from(self.schemas.len() + 1).map_err(|_| McapError::TooManySchemas)?;
        let content = Content::default().u16(number).text(name).text("protobuf").bytes(descriptors);
        let record = content.record(op::SCHEMA);
        self.open.extend(&record);
        self.schemas.push(record);
        Ok(number)
    }

    /// Adds a channel whose number is not taken.
    pub(super) fn channel(&mut self, number: u16, schema: u16, topic: &str, about: &BTreeMap<String, String>) {
        let content = Content::default().u16(number).u16(schema).text(topic).text("protobuf").texts(about);
        let record = content.record(op::CHANNEL);
        self.open.extend(&record);
        self.channels.push(record);
    }

    /// Appends a message; `time`: the latest time in it, ns.
    pub(super) fn message(&mut self, channel: u16, time: u64, bytes: &[u8]) -> McapResult<()> {
        let mut content = Content::default().u16(channel).u32(0).u64(time).u64(time);
        content.0.extend(bytes);
        self.open.extend(content.record(op::MESSAGE));
        for times in [&mut self.open_times, &mut self.times] {
            let (from, to) = times.unwrap_or((time, time));
            *times = Some((from.min(time), to.max(time)));
        }
        *self.n_messages.entry(channel).or_default() += 1;
        if self.open.len() >= CHUNK_BYTES { self.end_chunk() } else { Ok(()) }
    }

    /// Ends the chunk and flushes the sink.
    pub(super) fn flush(&mut self) -> McapResult<()> {
        self.end_chunk()?;
        Ok(self.out.sink.flush()?)
    }

    fn end_chunk(&mut self) -> McapResult<()> {
        if self.open.is_empty() {
            return Ok(());
        }
        let (from, to) = self.open_times.take().unwrap_or_default();
        let packed = self.compressor.compress(&self.open)?;
        let n_uncompressed = size(self.open.len());
        let head = Content::default().u64(from).u64(to).u64(n_uncompressed.into()).u32(crc32fast::hash(&self.open));
        let mut content = head.text(COMPRESSION).u64(packed.len() as u64);
        content.0.extend(packed);
        let record = content.record(op::CHUNK);
        let offset = self.out.position;
        self.chunks.push(Chunk { offset, record_bytes: size(record.len()), n_uncompressed, from, to });
        self.open.clear();
        self.out.put(&record)
    }

    /// Ends the data and writes the summary; the file is complete when this returns.
    pub(super) fn finish(mut self) -> McapResult<()> {
        self.end_chunk()?;
        let data_crc = std::mem::take(&mut self.out.crc).finalize();
        self.out.put(&Content::default().u32(data_crc).record(op::DATA_END))?;
        self.out.crc = crc32fast::Hasher::new();
        let summary = self.out.position;
        let mut offsets = Vec::new();
        let groups: [(u8, Records<'_>); 5] = [
            (op::SCHEMA, Box::new(self.schemas.iter().cloned())),
            (op::CHANNEL, Box::new(self.channels.iter().cloned())),
            (op::STATISTICS, Box::new(std::iter::once(self.statistics()))),
            (op::CHUNK_INDEX, Box::new(self.chunks.iter().map(Chunk::index))),
            (op::METADATA_INDEX, Box::new(self.metadata.iter().map(metadata_index))),
        ];
        for (kind, records) in groups {
            let start = self.out.position;
            for record in records {
                self.out.put(&record)?;
            }
            if self.out.position > start {
                let offset = Content(vec![kind]).u64(start).u64(self.out.position - start);
                offsets.extend(offset.record(op::SUMMARY_OFFSET));
            }
        }
        let summary_offsets = self.out.position;
        self.out.put(&offsets)?;
        // The check sum covers the footer up to itself.
        let mut footer = Content::default().u64(summary).u64(summary_offsets).u32(0).record(op::FOOTER);
        footer.truncate(footer.len() - 4);
        self.out.put(&footer)?;
        let summary_crc = std::mem::take(&mut self.out.crc).finalize();
        self.out.put(&summary_crc.to_le_bytes())?;
        self.out.put(MAGIC)?;
        Ok(self.out.sink.flush()?)
    }

    fn statistics(&self) -> Vec<u8> {
        let (from, to) = self.times.unwrap_or_default();
        let counts = self.n_messages.iter().fold(Content::default(), |all, (channel, n)| all.u16(*channel).u64(*n));
        Content::default()
            .u64(self.n_messages.values().sum())
            .u16(u16::try_from(self.schemas.len()).unwrap_or(u16::MAX))
            .u32(size(self.channels.len()))
            .u32(0)
            .u32(size(self.metadata.len()))
            .u32(size(self.chunks.len()))
            .u64(from)
            .u64(to)
            .bytes(&counts.0)
            .record(op::STATISTICS)
    }
}

impl Chunk {
    fn index(&self) -> Vec<u8> {
        let place = Content::default().u64(self.from).u64(self.to).u64(self.offset).u64(self.record_bytes.into());
        // No message indexes, and nothing of them.
        let rest = place.u32(0).u64(0).text(COMPRESSION);
        rest.u64((self.record_bytes - CHUNK_HEAD).into()).u64(self.n_uncompressed.into()).record(op::CHUNK_INDEX)
    }
}

fn metadata_index((offset, length, name): &(u64, u64, String)) -> Vec<u8> {
    Content::default().u64(*offset).u64(*length).text(name).record(op::METADATA_INDEX)
}
