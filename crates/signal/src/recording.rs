//! Samples, series and the recording in memory.

use crate::{SignalId, Unit, seconds_from_nanos};

/// One value of one signal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// When the answer had arrived, nanoseconds since the start of the drive.
    pub t_ns: i64,
    /// When the request had left, nanoseconds since the start of the drive; equal to `t_ns` where it is unknown.
    pub asked_ns: i64,
    /// Number of the exchange that brought the value, from 1; 0 where it is unknown.
    ///
    /// Two samples with the same number other than 0 are simultaneous: one module took them for one answer.
    pub exchange: u32,
    /// The value in the unit of its series.
    pub value: f64,
}

/// All samples of one signal, in order of time.
///
/// The columns are kept apart because a check reads times and values of millions of samples and seldom anything else.
/// `asked_ns` and `exchange` are either empty (unknown for the whole series, as in most imported files) or as long as
/// `t_ns`.
#[derive(Debug, Clone, PartialEq)]
pub struct Series {
    /// Which signal.
    pub id: SignalId,
    /// The unit of every value.
    pub unit: Unit,
    /// Arrival times, nanoseconds since the start of the drive, never decreasing.
    pub t_ns: Vec<i64>,
    /// Request times, nanoseconds since the start of the drive; empty when unknown.
    pub asked_ns: Vec<i64>,
    /// Exchange numbers; empty when unknown. See [`Sample::exchange`].
    pub exchange: Vec<u32>,
    /// The values.
    pub value: Vec<f64>,
}

impl Series {
    /// A series without samples.
    #[must_use]
    pub fn new(id: SignalId, unit: Unit) -> Self {
        Self { id, unit, t_ns: Vec::new(), asked_ns: Vec::new(), exchange: Vec::new(), value: Vec::new() }
    }

    /// Number of samples.
    #[must_use]
    pub fn len(&self) -> usize {
        self.t_ns.len()
    }

    /// Whether there is no sample.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.t_ns.is_empty()
    }

    /// Appends a sample whose request time and exchange are unknown.
    pub fn push_value(&mut self, t_ns: i64, value: f64) {
        self.push(Sample { t_ns, asked_ns: t_ns, exchange: 0, value });
    }

    /// Appends a sample. Request times and exchange numbers take up memory only from the first one that says something.
    pub fn push(&mut self, sample: Sample) {
        let n_before = self.t_ns.len();
        if self.asked_ns.is_empty() && sample.asked_ns != sample.t_ns {
            self.asked_ns.clone_from(&self.t_ns);
        }
        if self.exchange.is_empty() && sample.exchange != 0 {
            self.exchange = vec![0; n_before];
        }
        self.t_ns.push(sample.t_ns);
        self.value.push(sample.value);
        if !self.asked_ns.is_empty() || (n_before == 0 && sample.asked_ns != sample.t_ns) {
            self.asked_ns.push(sample.asked_ns);
        }
        if !self.exchange.is_empty() || (n_before == 0 && sample.exchange != 0) {
            self.exchange.push(sample.exchange);
        }
    }

    /// The sample at `idx`, if there is one.
    #[must_use]
    pub fn get(&self, idx: usize) -> Option<Sample> {
        let t_ns = *self.t_ns.get(idx)?;
        Some(Sample {
            t_ns,
            asked_ns: self.asked_ns.get(idx).copied().unwrap_or(t_ns),
            exchange: self.exchange.get(idx).copied().unwrap_or(0),
            value: *self.value.get(idx)?,
        })
    }

    /// All samples in order.
    pub fn iter(&self) -> impl Iterator<Item = Sample> + '_ {
        (0..self.len()).filter_map(|idx| self.get(idx))
    }

    /// Median of the intervals between samples in seconds; `None` with fewer than two samples.
    ///
    /// Of a long series it is the median over runs of neighbours spread evenly along it, some 16 000 intervals in all: every
    /// check asks for it.
    #[must_use]
    pub fn median_interval_s(&self) -> Option<f64> {
        const RUNS: usize = 64;
        const RUN: usize = 256;
        let between = |pair: &[i64]| pair[1] - pair[0];
        let mut intervals: Vec<i64> = if self.t_ns.len() <= 2 * RUNS * RUN {
            self.t_ns.windows(2).map(between).collect()
        } else {
            let every = self.t_ns.len() / RUNS;
            self.t_ns.chunks(every).flat_map(|run| run[..run.len().min(RUN)].windows(2)).map(between).collect()
        };
        if intervals.is_empty() {
            return None;
        }
        let middle = intervals.len() / 2;
        let (_, upper, _) = intervals.select_nth_unstable(middle);
        Some(seconds_from_nanos(*upper))
    }
}

/// A place that somebody, or the tool, marked while recording.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mark {
    /// When, nanoseconds since the start of the drive.
    pub t_ns: i64,
    /// What was said of it; may be empty.
    pub text: String,
}

/// A stretch in which nothing could be recorded, and why.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Gap {
    /// Last moment before the gap, nanoseconds since the start of the drive.
    pub from_ns: i64,
    /// First moment after the gap, nanoseconds since the start of the drive.
    pub to_ns: i64,
    /// Why, in one line, such as "adapter vanished".
    pub reason: String,
}

/// One drive in memory: what every check reads.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Recording {
    /// Wall clock at the start of the drive in nanoseconds since 1970-01-01 UTC; `None` when the file did not say.
    pub start_unix_ns: Option<i64>,
    /// One series per signal, each signal once.
    pub series: Vec<Series>,
    /// Marks in order of time.
    pub marks: Vec<Mark>,
    /// Known gaps in order of time.
    pub gaps: Vec<Gap>,
}

impl Recording {
    /// The series of a signal by its name, if it was recorded.
    #[must_use]
    pub fn series(&self, id: &str) -> Option<&Series> {
        self.series.iter().find(|series| series.id.as_str() == id)
    }

    /// First and last sample time over all series, nanoseconds; `None` without any sample.
    #[must_use]
    pub fn span_ns(&self) -> Option<(i64, i64)> {
        let first = self.series.iter().filter_map(|s| s.t_ns.first()).min()?;
        let last = self.series.iter().filter_map(|s| s.t_ns.last()).max()?;
        Some((*first, *last))
    }

    /// Seconds from the first to the last sample; 0 without samples.
    #[must_use]
    pub fn duration_s(&self) -> f64 {
        self.span_ns().map_or(0.0, |(first, last)| seconds_from_nanos(last - first))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn series() -> Series {
        Series::new(SignalId::new("vehicle.speed").unwrap(), Unit::named("km/h"))
    }

    #[test]
    fn columns_appear_with_the_first_sample_that_needs_them() {
        let mut s = series();
        s.push_value(10, 1.0);
        assert!(s.asked_ns.is_empty() && s.exchange.is_empty());
        let late = Sample { t_ns: 30, asked_ns: 20, exchange: 7, value: 2.0 };
        s.push(late);
        assert_eq!((s.asked_ns.as_slice(), s.exchange.as_slice()), ([10, 20].as_slice(), [0, 7].as_slice()));
        assert_eq!(s.get(1), Some(late));
        assert_eq!(s.get(2), None);
        let mut first = series();
        first.push(late);
        assert_eq!(first.iter().collect::<Vec<_>>(), [late]);
    }

    #[test]
    fn the_middle_interval() {
        let mut s = series();
        assert_eq!(s.median_interval_s(), None);
        for t in [0, 1, 2, 3, 100] {
            s.push_value(t * 1_000_000_000, 0.0);
        }
        assert_eq!(s.median_interval_s(), Some(1.0));
        // Two of three samples follow after 1 s, the third after 5 s; a long series is looked at in part.
        let mut long = series();
        (0..100_000).for_each(|k| long.push_value((k / 3 * 7 + k % 3) * 1_000_000_000, 0.0));
        assert_eq!(long.median_interval_s(), Some(1.0));
    }
}
