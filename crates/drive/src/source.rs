//! Bytes of a file from outside, plain or gzipped, block by block.

use std::cell::Cell;
use std::io::{self, Read};
use std::rc::Rc;

use flate2::read::MultiGzDecoder;

use crate::TableProblem;

/// Bytes read at once.
const BLOCK: usize = 256 << 10;
/// A gzip stream of measurements shrinks ten- to fiftyfold; one that unpacks to more than this, once it is longer than
/// `BOMB_FROM`, is not one. (The most that the format can do is 1032-fold.)
const BOMB_RATIO: u64 = 300;
const BOMB_FROM: u64 = 256 << 20;

/// The bytes, unpacked.
pub(crate) struct Source<'a> {
    inner: Box<dyn Read + 'a>,
    gzip: Option<Rc<Cell<u64>>>,
    n_unpacked: u64,
}

/// Counts what goes through.
struct Counting<R> {
    inner: R,
    n_bytes: Rc<Cell<u64>>,
}

impl<R: Read> Read for Counting<R> {
    fn read(&mut self, bytes: &mut [u8]) -> io::Result<usize> {
        let n_read = self.inner.read(bytes)?;
        self.n_bytes.set(self.n_bytes.get() + n_read as u64);
        Ok(n_read)
    }
}

impl<'a> Source<'a> {
    /// Starts reading; plain bytes and gzip are told apart by the first of them, which are returned too (at most 4).
    pub(crate) fn start(mut source: impl Read + 'a) -> Result<(Self, Vec<u8>), TableProblem> {
        let mut head = Vec::new();
        (&mut source).take(4).read_to_end(&mut head).map_err(TableProblem::Io)?;
        let is_gzip = head.starts_with(&[0x1f, 0x8b]);
        let n_bytes = Rc::new(Cell::new(0));
        let source = Counting { inner: io::Cursor::new(head.clone()).chain(source), n_bytes: Rc::clone(&n_bytes) };
        let inner: Box<dyn Read> = if is_gzip { Box::new(MultiGzDecoder::new(source)) } else { Box::new(source) };
        Ok((Self { inner, gzip: is_gzip.then_some(n_bytes), n_unpacked: 0 }, head))
    }

    /// Appends the next block; the number of bytes, 0 at the end.
    pub(crate) fn append_block(&mut self, to: &mut Vec<u8>) -> Result<usize, TableProblem> {
        let n_read = (&mut self.inner)
            .take(BLOCK as u64)
            .read_to_end(to)
            .map_err(|error| if self.gzip.is_some() { TableProblem::Gzip(error) } else { TableProblem::Io(error) })?;
        self.n_unpacked += n_read as u64;
        if let Some(n_packed) = &self.gzip
            && self.n_unpacked > BOMB_FROM
            && self.n_unpacked / BOMB_RATIO > n_packed.get()
        {
            return Err(TableProblem::Bomb(BOMB_RATIO));
        }
        Ok(n_read)
    }
}
