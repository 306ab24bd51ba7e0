//! Trying a plan out: the rate that each signal gets.

use protocol::Nanos;
use signal::{Gap, Sample, SignalId};

use super::{SampleError, Sink};
use crate::schedule::catch_odds;
use crate::{Plan, RawExchange, Vehicle};

/// Part of a trial that is not counted, seconds.
const WARM_UP_S: f64 = 1.0;

/// The rate that a signal was seen to get.
#[derive(Debug, Clone, PartialEq)]
pub struct Rate {
    /// The signal.
    pub id: SignalId,
    /// Samples per second; 0 when none came.
    pub per_second: f64,
    /// Intervals between its samples, seconds.
    pub intervals_s: Vec<f64>,
    /// Mean time of the exchanges that bring it, seconds; `None` for what comes without a request.
    pub exchange_s: Option<f64>,
}

impl Rate {
    /// Odds of catching an event of this length, seconds.
    #[must_use]
    pub fn odds(&self, event_s: f64) -> f64 {
        catch_odds(event_s, &self.intervals_s)
    }
}

impl Vehicle {
    /// Tries a plan for some seconds and tells the rate that each signal got, once the link has got into its stride: the
    /// first answers of every kind take longer, because nobody knows yet how long they are.
    ///
    /// # Errors
    /// [`SampleError::NothingPlanned`].
    pub fn measure(&mut self, plan: &mut Plan, seconds: f64) -> Result<Vec<Rate>, SampleError<()>> {
        let mut trial = Trial {
            from_ns: signal::nanos_from_seconds(WARM_UP_S),
            until_ns: signal::nanos_from_seconds(WARM_UP_S + seconds),
            times: vec![Vec::new(); plan.signals.len()],
            in_exchange: Vec::new(),
            exchanges_s: vec![(0.0, 0); plan.signals.len()],
        };
        // A link that fails now will be noticed by the trial itself.
        let _ = self.tune(plan);
        self.sample(plan, &mut trial)?;
        let rate = |((signal, times), (took_s, n)): ((&crate::PlannedSignal, &Vec<Nanos>), &(f64, u32))| {
            let intervals_s: Vec<f64> =
                times.windows(2).map(|pair| signal::seconds_from_nanos(pair[1] - pair[0])).collect();
            let total: f64 = intervals_s.iter().sum();
            let per_second = if total > 0.0 { intervals_s.len() as f64 / total } else { times.len() as f64 / seconds };
            let exchange_s = (*n > 0).then(|| took_s / f64::from(*n));
            Rate { id: signal.id.clone(), per_second, intervals_s, exchange_s }
        };
        Ok(plan.signals.iter().zip(&trial.times).zip(&trial.exchanges_s).map(rate).collect())
    }
}

/// Keeps times only.
struct Trial {
    /// Signals of the exchange that is being handed over.
    in_exchange: Vec<(u32, usize)>,
    /// Of each signal: time of the exchanges that brought it, and how many they were.
    exchanges_s: Vec<(f64, u32)>,
    from_ns: Nanos,
    until_ns: Nanos,
    times: Vec<Vec<Nanos>>,
}

impl Sink for Trial {
    type Error = ();

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), ()> {
        if sample.t_ns >= self.from_ns
            && let Some(times) = self.times.get_mut(signal)
        {
            times.push(sample.t_ns);
            self.in_exchange.push((sample.exchange, signal));
        }
        Ok(())
    }

    fn exchange(&mut self, number: u32, raw: RawExchange) -> Result<(), ()> {
        let took_s = signal::seconds_from_nanos(raw.exchange.over_ns - raw.exchange.asked_ns);
        for (_, signal) in self.in_exchange.drain(..).filter(|(own, _)| *own == number) {
            if let Some((total_s, n)) = self.exchanges_s.get_mut(signal) {
                *total_s += took_s;
                *n += 1;
            }
        }
        Ok(())
    }

    fn gap(&mut self, _: Gap) -> Result<(), ()> {
        Ok(())
    }

    fn note(&mut self, _: Nanos, _: &str) {}

    fn go_on(&mut self, t_ns: Nanos) -> Result<bool, ()> {
        Ok(t_ns < self.until_ns)
    }
}
