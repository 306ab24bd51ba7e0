//! A connection that is given up when the other side takes nothing of what it is sent.
//!
//! A page that asks for much and reads none of it would keep its place, and what was made for it, for as long as it likes.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep, sleep_until};

/// A connection whose every write is taken, at least in part, within the patience.
pub(crate) struct Patient {
    stream: TcpStream,
    patience: Duration,
    /// Until when the write that waits must be taken.
    until: Option<Pin<Box<Sleep>>>,
}

impl Patient {
    pub(crate) fn new(stream: TcpStream, patience: Duration) -> Self {
        Self { stream, patience, until: None }
    }

    /// What comes of a write: a failure once it has waited for too long.
    fn in_time<T>(&mut self, written: Poll<io::Result<T>>, cx: &mut Context<'_>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.until = None;
            return written;
        }
        let deadline = Instant::now() + self.patience;
        let until = self.until.get_or_insert_with(|| Box::pin(sleep_until(deadline)));
        ready!(until.as_mut().poll(cx));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl AsyncRead for Patient {
    fn poll_read(mut self: Pin<&mut Self>, cx: &mut Context<'_>, to: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(cx, to)
    }
}

impl AsyncWrite for Patient {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, bytes: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write(cx, bytes);
        self.in_time(written, cx)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.stream).poll_write_vectored(cx, pieces);
        self.in_time(written, cx)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    // A socket keeps nothing back, and closing it waits for nobody.
    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_shutdown(cx)
    }
}
