//! The container's records one after the other, through any damage.
//!
//! Nothing here trusts a length: every one is held against the size of the file and a fixed limit before memory is
//! taken. Behind bytes that are no record the walk goes on at the next place that can only be one.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};

use mcap::records::op;

use crate::ProblemKind;
use crate::format::MAX_RECORD;

/// Opcode and length.
const PREFIX: usize = 9;
/// Fields of a chunk before its data, without the name of the compression.
const CHUNK_FIELDS: usize = 8 + 8 + 8 + 4 + 4 + 8;
/// Bytes that are read from the file at once.
const WINDOW: usize = 1 << 20;
/// Enough of a record to tell whether it is one.
const LOOK_AHEAD: usize = 128;
/// Bytes that are searched for the next record at once: a small part of a window, so that a file full of holes is not
/// read again and again.
const STRETCH: usize = 4096;

/// What is at one place of the file.
pub(crate) struct Piece<'a> {
    pub(crate) offset: u64,
    pub(crate) length: u64,
    pub(crate) kind: PieceKind<'a>,
}

pub(crate) enum PieceKind<'a> {
    /// The container's header and its profile name.
    Header(String),
    /// Key-value pairs under a name. They have no checksum of the container's.
    Metadata(String, BTreeMap<String, String>),
    /// The unpacked records of a chunk whose checksum fits.
    Chunk(&'a [u8]),
    /// Bytes that are no record, or a chunk that is not sound.
    Damage(ProblemKind),
    /// Behind the last record of the data; it comes once, as the last piece, unless reading fails.
    End {
        /// Whether the data was ended and the summary written to its last byte.
        is_complete: bool,
    },
}

/// A stretch of the file in memory.
struct Window {
    file: File,
    n_file: u64,
    start: u64,
    bytes: Vec<u8>,
}

impl Window {
    /// `length` bytes at `offset`, fewer at the end of the file.
    fn slice(&mut self, offset: u64, length: usize) -> io::Result<&[u8]> {
        let length = usize::try_from(self.n_file.saturating_sub(offset)).map_or(length, |rest| rest.min(length));
        let inside = offset >= self.start && offset + length as u64 <= self.start + self.bytes.len() as u64;
        if !inside {
            self.file.seek(SeekFrom::Start(offset))?;
            self.bytes.clear();
            self.start = offset;
            (&mut self.file).take(length.max(WINDOW) as u64).read_to_end(&mut self.bytes)?;
        }
        let from = usize::try_from(offset - self.start).unwrap_or(usize::MAX).min(self.bytes.len());
        let to = from.saturating_add(length).min(self.bytes.len());
        Ok(&self.bytes[from..to])
    }
}

/// Goes through the records of a file up to the end of its data.
pub(crate) struct Walker {
    window: Window,
    position: u64,
    unpacker: zstd::bulk::Decompressor<'static>,
    unpacked: Vec<u8>,
    state: State,
}

enum State {
    Data,
    /// No more records; whether it was the end of data that said so.
    Ended {
        by_record: bool,
    },
    Over,
}

impl Walker {
    /// Starts behind the container's first magic bytes; `None` if they are not there.
    pub(crate) fn start(file: File) -> io::Result<Option<Self>> {
        let n_file = file.metadata()?.len();
        let mut window = Window { file, n_file, start: 0, bytes: Vec::new() };
        if window.slice(0, mcap::MAGIC.len())? != mcap::MAGIC {
            return Ok(None);
        }
        let unpacker = zstd::bulk::Decompressor::new()?;
        Ok(Some(Self {
            window,
            position: mcap::MAGIC.len() as u64,
            unpacker,
            unpacked: Vec::new(),
            state: State::Data,
        }))
    }

    /// The next piece; `None` behind [`PieceKind::End`].
    pub(crate) fn next(&mut self) -> io::Result<Option<Piece<'_>>> {
        let (offset, n_file) = (self.position, self.window.n_file);
        match self.state {
            State::Over => return Ok(None),
            State::Data if offset < n_file => {}
            State::Data | State::Ended { by_record: false } => return Ok(Some(self.end(false))),
            State::Ended { by_record: true } => {
                let n_magic = mcap::MAGIC.len();
                let tail = self.window.slice(n_file.saturating_sub(n_magic as u64), n_magic)?;
                let is_complete = tail == mcap::MAGIC;
                return Ok(Some(self.end(is_complete)));
            }
        }
        let head = self.window.slice(offset, LOOK_AHEAD)?;
        let Some((opcode, length)) = record_at(head, n_file - offset) else {
            return self.damage(offset, ProblemKind::NoRecord).map(Some);
        };
        let whole = PREFIX as u64 + length as u64;
        self.position = offset + whole;
        let piece = |kind| Ok(Some(Piece { offset, length: whole, kind }));
        if opcode == op::DATA_END {
            self.state = State::Ended { by_record: true };
            return self.next();
        }
        let body = self.window.slice(offset + PREFIX as u64, length)?;
        if body.len() < length {
            // The file has become shorter since it was opened.
            self.state = State::Ended { by_record: false };
            return piece(PieceKind::Damage(ProblemKind::CutOff));
        }
        let mut fields = Fields(body);
        let kind = match opcode {
            op::HEADER => fields.text().map(PieceKind::Header),
            op::METADATA => fields.text().zip(fields.map()).map(|(name, pairs)| PieceKind::Metadata(name, pairs)),
            _ => Some(match unpack(&mut self.unpacker, &mut self.unpacked, fields) {
                Ok(()) => PieceKind::Chunk(&self.unpacked),
                Err(kind) => PieceKind::Damage(kind),
            }),
        };
        piece(kind.unwrap_or(PieceKind::Damage(ProblemKind::NoRecord)))
    }

    fn end(&mut self, is_complete: bool) -> Piece<'static> {
        self.state = State::Over;
        Piece { offset: self.window.n_file, length: 0, kind: PieceKind::End { is_complete } }
    }

    /// Skips to the next record behind the bytes at `offset`.
    fn damage(&mut self, offset: u64, kind: ProblemKind) -> io::Result<Piece<'_>> {
        let n_file = self.window.n_file;
        let mut from = offset + 1;
        while from < n_file {
            let stretch = self.window.slice(from, STRETCH)?;
            let n_stretch = stretch.len();
            if n_stretch == 0 {
                break;
            }
            // Unless the file ends, the last bytes of a stretch are looked at again at the start of the next one.
            // A file that has become shorter since it was opened ends there too.
            let is_last = from + n_stretch as u64 == n_file || n_stretch <= LOOK_AHEAD;
            let n_look = if is_last { n_stretch } else { n_stretch - LOOK_AHEAD };
            let found = (0..n_look).find(|&idx| {
                matches!(stretch[idx], op::CHUNK | op::METADATA | op::DATA_END)
                    && record_at(&stretch[idx..], n_file - from - idx as u64).is_some()
            });
            if let Some(idx) = found {
                self.position = from + idx as u64;
                return Ok(Piece { offset, length: self.position - offset, kind: PieceKind::Damage(kind) });
            }
            from += n_look as u64;
        }
        self.state = State::Ended { by_record: false };
        // Nothing behind it: most likely the last record was not written to its end.
        Ok(Piece { offset, length: n_file - offset, kind: PieceKind::Damage(ProblemKind::CutOff) })
    }
}

/// Opcode and length of the record that `head` starts with, if it can be one that a drive has in its data section:
/// it fits in the file and below the limit, and the lengths inside agree with the one outside.
fn record_at(head: &[u8], n_rest: u64) -> Option<(u8, usize)> {
    let mut fields = Fields(head);
    let opcode = fields.u8()?;
    let length = fields.u64()?;
    if length > MAX_RECORD as u64 || PREFIX as u64 + length > n_rest {
        return None;
    }
    let sound = match opcode {
        op::DATA_END => length == 4,
        // Two texts, or a text and a map: the lengths of both make up that of the record.
        op::HEADER | op::METADATA => {
            let n_first = fields.u32()?;
            fields.take(n_first as usize)?;
            let n_second = fields.u32()?;
            4 + u64::from(n_first) + 4 + u64::from(n_second) == length
        }
        op::CHUNK => {
            let size_fields = fields.0.get(16..24)?;
            let unpacked = u64::from_le_bytes(size_fields.try_into().ok()?);
            let mut behind = Fields(fields.0.get(28..)?);
            let n_name = behind.u32()?;
            let name = behind.take(n_name as usize)?;
            let packed = behind.u64()?;
            unpacked <= MAX_RECORD as u64
                && name.is_ascii()
                // Any number may stand there: one that reaches around the end of all numbers is none.
                && (CHUNK_FIELDS as u64 + u64::from(n_name)).checked_add(packed) == Some(length)
        }
        _ => false,
    };
    sound.then_some((opcode, usize::try_from(length).ok()?))
}

/// Unpacks a chunk and checks its checksum.
fn unpack(
    unpacker: &mut zstd::bulk::Decompressor<'_>,
    unpacked: &mut Vec<u8>,
    mut fields: Fields<'_>,
) -> Result<(), ProblemKind> {
    let mut parse = || {
        fields.take(16)?;
        let size = usize::try_from(fields.u64()?).ok().filter(|size| *size <= MAX_RECORD)?;
        let check = fields.u32()?;
        let compression = fields.text()?;
        let packed = fields.u64()?;
        let data = fields.take(usize::try_from(packed).ok()?)?;
        Some((size, check, compression, data))
    };
    let (size, check, compression, data) = parse().ok_or(ProblemKind::NoRecord)?;
    unpacked.clear();
    match compression.as_str() {
        "zstd" => {
            unpacked.reserve(size);
            unpacker.decompress_to_buffer(data, unpacked).map_err(|error| ProblemKind::Unpack(error.to_string()))?;
        }
        "" => unpacked.extend_from_slice(data),
        other => return Err(ProblemKind::Unpack(format!("unknown compression `{}`", other.escape_debug()))),
    }
    if unpacked.len() != size || crc32fast::hash(unpacked) != check {
        return Err(ProblemKind::Checksum);
    }
    Ok(())
}

/// Little-endian fields, read one after the other; `None` where the bytes run out.
#[derive(Clone, Copy)]
pub(crate) struct Fields<'a>(pub(crate) &'a [u8]);

impl<'a> Fields<'a> {
    pub(crate) fn take(&mut self, length: usize) -> Option<&'a [u8]> {
        let (head, rest) = self.0.split_at_checked(length)?;
        self.0 = rest;
        Some(head)
    }

    pub(crate) fn u8(&mut self) -> Option<u8> {
        Some(self.take(1)?[0])
    }

    pub(crate) fn u16(&mut self) -> Option<u16> {
        Some(u16::from_le_bytes(self.take(2)?.try_into().ok()?))
    }

    pub(crate) fn u32(&mut self) -> Option<u32> {
        Some(u32::from_le_bytes(self.take(4)?.try_into().ok()?))
    }

    pub(crate) fn u64(&mut self) -> Option<u64> {
        Some(u64::from_le_bytes(self.take(8)?.try_into().ok()?))
    }

    pub(crate) fn text(&mut self) -> Option<String> {
        let length = self.u32()?;
        String::from_utf8(self.take(length as usize)?.to_vec()).ok()
    }

    pub(crate) fn map(&mut self) -> Option<BTreeMap<String, String>> {
        let length = self.u32()?;
        let mut inside = Fields(self.take(length as usize)?);
        let mut map = BTreeMap::new();
        while !inside.0.is_empty() {
            map.insert(inside.text()?, inside.text()?);
        }
        Some(map)
    }

    /// The next record inside a chunk: opcode and body.
    pub(crate) fn record(&mut self) -> Option<(u8, &'a [u8])> {
        let opcode = self.u8()?;
        let length = self.u64()?;
        Some((opcode, self.take(usize::try_from(length).ok()?)?))
    }
}
