//! Unpacking ahead of the reader, on a thread of its own: unpacking and decoding each take about half of the time.

use std::fs::File;
use std::io;
use std::ops::Range;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::thread::{Builder, JoinHandle};

use crate::walk::{Piece, PieceKind, Walker};

/// Unpacked bytes that are handed over at once. A block of this size stays in the cache of a core.
const BLOCK: usize = 256 << 10;
/// Blocks that may wait for the reader; what is in memory at most is this times the largest chunk.
const MAX_WAITING: usize = 2;

/// Pieces of the file, with the content of their chunks in one buffer.
#[derive(Default)]
pub(crate) struct Block {
    bytes: Vec<u8>,
    pieces: Vec<Held>,
}

struct Held {
    offset: u64,
    length: u64,
    /// Where a chunk's records are in the buffer of the block.
    chunk: Range<usize>,
    kind: PieceKind<'static>,
}

impl Block {
    /// The pieces in order.
    pub(crate) fn into_pieces(self, mut take: impl FnMut(Piece<'_>)) {
        for Held { offset, length, chunk, kind } in self.pieces {
            let kind = match kind {
                PieceKind::Chunk(_) => PieceKind::Chunk(&self.bytes[chunk]),
                other => other,
            };
            take(Piece { offset, length, kind });
        }
    }

    fn push(&mut self, piece: Piece<'_>) {
        let from = self.bytes.len();
        let kind = match piece.kind {
            PieceKind::Chunk(records) => {
                self.bytes.extend_from_slice(records);
                PieceKind::Chunk(&[])
            }
            PieceKind::Header(profile) => PieceKind::Header(profile),
            PieceKind::Metadata(name, pairs) => PieceKind::Metadata(name, pairs),
            PieceKind::Damage(kind) => PieceKind::Damage(kind),
            PieceKind::End { is_complete } => PieceKind::End { is_complete },
        };
        let chunk = from..self.bytes.len();
        self.pieces.push(Held { offset: piece.offset, length: piece.length, chunk, kind });
    }
}

/// The pieces of a file, unpacked ahead.
pub(crate) struct Ahead {
    blocks: Option<Receiver<io::Result<Block>>>,
    thread: Option<JoinHandle<()>>,
}

impl Ahead {
    /// Starts; `None` if the file does not start as one of the container does.
    pub(crate) fn start(file: File) -> io::Result<Option<Self>> {
        let Some(mut walker) = Walker::start(file)? else { return Ok(None) };
        let (sender, receiver) = sync_channel(MAX_WAITING);
        let thread = Builder::new().name("drive-unpack".into()).spawn(move || unpack_all(&mut walker, &sender))?;
        Ok(Some(Self { blocks: Some(receiver), thread: Some(thread) }))
    }

    /// The next block; `None` at the end.
    pub(crate) fn next(&mut self) -> Option<io::Result<Block>> {
        self.blocks.as_ref()?.recv().ok()
    }
}

impl Drop for Ahead {
    fn drop(&mut self) {
        // Hanging up ends the thread at its next block.
        self.blocks = None;
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn unpack_all(walker: &mut Walker, sender: &SyncSender<io::Result<Block>>) {
    let mut block = Block::default();
    loop {
        let result = match walker.next() {
            Ok(Some(piece)) => {
                block.push(piece);
                if block.bytes.len() < BLOCK && block.pieces.len() < BLOCK / 64 {
                    continue;
                }
                Ok(std::mem::take(&mut block))
            }
            Ok(None) => {
                // The reader may have hung up; then nobody wants the rest.
                let _ = sender.send(Ok(block));
                return;
            }
            Err(error) => Err(error),
        };
        let is_error = result.is_err();
        if sender.send(result).is_err() || is_error {
            return;
        }
    }
}
