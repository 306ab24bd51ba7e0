//! The last minutes of what the car says, for every page that watches.
//!
//! The sampler only pushes into memory under a lock that nobody holds for long; pages read from there at their own pace.

use std::collections::VecDeque;
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::stream::frame::Frame;
use crate::thin::{self, Points};

/// Samples that are kept per signal: 20 minutes at 50 a second, 1 MB.
const KEPT: usize = 60_000;

/// A running or finished flow of samples.
#[derive(Default)]
pub(crate) struct Feed {
    inner: Mutex<Inner>,
}

#[derive(Default)]
struct Inner {
    number: u16,
    tracks: Vec<Track>,
}

struct Track {
    /// How many samples fell out at the old end.
    dropped: u64,
    samples: VecDeque<(i64, f64)>,
}

/// Room for all that is kept, at once: the system gives pages as samples come, and a track that is made larger again and
/// again would leave its old places behind.
impl Default for Track {
    fn default() -> Self {
        Self { dropped: 0, samples: VecDeque::with_capacity(KEPT) }
    }
}

/// How far a client has read each signal of a feed.
#[derive(Debug, Default)]
pub(crate) struct Cursor {
    feed: u16,
    read: Vec<u64>,
}

impl Feed {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        // What a panicking writer left is still a list of samples.
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Starts anew with this many signals; returns the number of the feed.
    pub(crate) fn start(&self, n_signals: usize) -> u16 {
        let mut inner = self.lock();
        inner.number = inner.number.wrapping_add(1).max(1);
        inner.tracks = (0..n_signals).map(|_| Track::default()).collect();
        inner.number
    }

    /// Goes on with this many signals; those that there are keep their numbers and samples.
    pub(crate) fn extend(&self, n_signals: usize) {
        let mut inner = self.lock();
        let n = inner.tracks.len().max(n_signals);
        inner.tracks.resize_with(n, Track::default);
    }

    pub(crate) fn push(&self, signal: usize, t_ns: i64, value: f64) {
        let mut inner = self.lock();
        let Some(track) = inner.tracks.get_mut(signal) else { return };
        if track.samples.len() >= KEPT {
            track.samples.pop_front();
            track.dropped += 1;
        }
        track.samples.push_back((t_ns, value));
    }

    /// What is new for a client since `cursor`, for the signals that `wants` accepts, at most `most` samples each; `None`
    /// when there is nothing. The cursor moves on.
    pub(crate) fn news(
        &self,
        cursor: &mut Cursor,
        wants: impl Fn(usize) -> bool,
        most: usize,
        number: u32,
    ) -> Option<Vec<u8>> {
        let inner = self.lock();
        if cursor.feed != inner.number {
            *cursor = Cursor { feed: inner.number, read: vec![0; inner.tracks.len()] };
        }
        cursor.read.resize(inner.tracks.len(), 0);
        let mut pieces = Vec::new();
        for (signal, (track, read)) in inner.tracks.iter().zip(&mut cursor.read).enumerate() {
            let end = track.dropped + track.samples.len() as u64;
            let from = (*read).max(track.dropped);
            if from < end && wants(signal) {
                *read = end;
                let skipped = (from - track.dropped) as usize;
                pieces
                    .push((signal as u16, track.samples.range(skipped..).copied().unzip::<i64, f64, Vec<_>, Vec<_>>()));
            }
        }
        drop(inner);
        let mut frame = Frame::new(number, cursor.feed);
        for (signal, (t_ns, value)) in pieces {
            let is_thinned = t_ns.len() > most;
            let n_columns = if is_thinned { most / 2 } else { t_ns.len() };
            let (first, last) = (t_ns.first().copied().unwrap_or(0), t_ns.last().copied().unwrap_or(0));
            let points: Points = thin::columns(&t_ns, &value, first, last, n_columns.max(1));
            frame.block(signal, is_thinned, &points);
        }
        (!frame.is_empty()).then(|| frame.into_bytes())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn n_samples(frame: &[u8]) -> u32 {
        u32::from_le_bytes(frame[12..16].try_into().unwrap())
    }

    #[test]
    fn each_client_gets_every_sample_once_at_its_own_pace() {
        let feed = Feed::default();
        feed.start(2);
        let (mut fast, mut slow) = (Cursor::default(), Cursor::default());
        let mut seen = 0;
        for k in 0..100 {
            feed.push(0, k * 1000, k as f64);
            if k % 10 == 9 {
                seen += n_samples(&feed.news(&mut fast, |_| true, 1000, 1).unwrap());
            }
        }
        assert_eq!(seen, 100);
        assert!(feed.news(&mut fast, |_| true, 1000, 1).is_none());
        assert_eq!(n_samples(&feed.news(&mut slow, |_| true, 1000, 1).unwrap()), 100);
    }

    #[test]
    fn a_slow_client_gets_fewer_points_with_the_extremes() {
        let feed = Feed::default();
        feed.start(1);
        for k in 0..10_000i64 {
            feed.push(0, k * 1_000_000, if k == 5_555 { 99.0 } else { 1.0 });
        }
        let frame = feed.news(&mut Cursor::default(), |_| true, 200, 1).unwrap();
        let n = n_samples(&frame) as usize;
        assert!(n <= 200, "{n}");
        assert_eq!(frame[10], 1, "says that it is thinned");
        let values = frame[16 + 8 * n..].chunks_exact(8).map(|bytes| f64::from_le_bytes(bytes.try_into().unwrap()));
        assert!(values.into_iter().any(|value| value == 99.0));
    }

    #[test]
    fn what_is_not_watched_is_not_sent_and_comes_whole_when_it_is() {
        let feed = Feed::default();
        feed.start(2);
        let mut cursor = Cursor::default();
        feed.push(0, 1, 1.0);
        feed.push(1, 1, 1.0);
        assert_eq!(feed.news(&mut cursor, |signal| signal == 0, 100, 1).unwrap()[4], 1);
        assert!(feed.news(&mut cursor, |signal| signal == 1, 100, 1).is_some());
    }

    #[test]
    fn a_feed_that_grows_goes_on() {
        let feed = Feed::default();
        feed.start(1);
        let mut cursor = Cursor::default();
        feed.push(0, 1, 1.0);
        feed.news(&mut cursor, |_| true, 100, 1).unwrap();
        feed.extend(2);
        feed.push(1, 2, 5.0);
        let frame = feed.news(&mut cursor, |_| true, 100, 1).unwrap();
        assert_eq!((n_samples(&frame), frame[8]), (1, 1), "only what is new, under its number");
    }

    #[test]
    fn a_new_feed_starts_over() {
        let feed = Feed::default();
        let mut cursor = Cursor::default();
        let first = feed.start(1);
        feed.push(0, 1, 1.0);
        feed.news(&mut cursor, |_| true, 100, 1).unwrap();
        let second = feed.start(1);
        assert_ne!(first, second);
        feed.push(0, 1, 2.0);
        assert!(feed.news(&mut cursor, |_| true, 100, 1).is_some());
    }
}
