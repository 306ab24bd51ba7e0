//! What the tests against the invented car share: a connected car, and a sink that keeps everything.

#![allow(dead_code, reason = "each test uses some of it")]

use definition::Definitions;
use link::{Heard, Settings};
use signal::{Gap, Mark, Sample, SignalId};
use vehicle::{Plan, RawExchange, Sink, Vehicle};

pub(crate) const S: i64 = 1_000_000_000;

/// The invented car of this name, with the modules that were found.
pub(crate) fn vehicle(spec: &str) -> Vehicle {
    let link = standin::open(spec, Settings { bus: None, need_vehicle: true });
    Vehicle::find(link.unwrap_or_else(|error| panic!("{spec}: {error}"))).unwrap_or_else(|error| panic!("{error}"))
}

/// The standard, and the maker's file of the invented car of this name.
pub(crate) fn definitions(spec: &str) -> Definitions {
    let mut definitions = Definitions::standard();
    definitions.load_toml(standin::definitions(spec).unwrap(), "tarnwick").unwrap();
    definitions
}

pub(crate) fn ids(names: &[&str]) -> Vec<SignalId> {
    names.iter().map(|name| SignalId::new(name).unwrap()).collect()
}

/// Seconds since the start of a sampling.
pub(crate) type Clock = std::rc::Rc<std::cell::Cell<f64>>;

/// Keeps everything.
#[derive(Default)]
pub(crate) struct Keep {
    pub(crate) samples: Vec<(usize, Sample)>,
    pub(crate) exchanges: Vec<(u32, RawExchange)>,
    pub(crate) heard: Vec<(u32, Heard)>,
    pub(crate) gaps: Vec<Gap>,
    pub(crate) marks: Vec<Mark>,
    pub(crate) notes: Vec<String>,
    /// Ends the sampling; `None`: whoever samples does.
    pub(crate) until_ns: Option<i64>,
    /// Shows the time of the sampling to whoever presses.
    pub(crate) clock: Clock,
}

impl Sink for Keep {
    type Error = &'static str;

    fn sample(&mut self, signal: usize, sample: Sample) -> Result<(), Self::Error> {
        self.samples.push((signal, sample));
        Ok(())
    }

    fn exchange(&mut self, number: u32, raw: RawExchange) -> Result<(), Self::Error> {
        self.exchanges.push((number, raw));
        Ok(())
    }

    fn heard(&mut self, number: u32, heard: Heard) -> Result<(), Self::Error> {
        self.heard.push((number, heard));
        Ok(())
    }

    fn gap(&mut self, gap: Gap) -> Result<(), Self::Error> {
        self.gaps.push(gap);
        Ok(())
    }

    fn note(&mut self, t_ns: i64, text: &str) {
        self.notes.push(format!("{t_ns} {text}"));
    }

    fn mark(&mut self, mark: Mark) -> Result<(), Self::Error> {
        self.marks.push(mark);
        Ok(())
    }

    fn go_on(&mut self, t_ns: i64) -> Result<bool, Self::Error> {
        self.clock.set(t_ns as f64 / 1e9);
        Ok(self.until_ns.is_none_or(|until_ns| t_ns < until_ns))
    }
}

impl Keep {
    /// Times at which a request that begins like this left, seconds.
    pub(crate) fn times_s(&self, start: &[u8]) -> Vec<f64> {
        let own = self.exchanges.iter().filter(|(_, raw)| raw.request.starts_with(start));
        own.map(|(_, raw)| raw.exchange.asked_ns as f64 / 1e9).collect()
    }

    /// Time in seconds and value of each sample of a signal.
    pub(crate) fn values(&self, plan: &Plan, name: &str) -> Vec<(f64, f64)> {
        let idx = plan.signals.iter().position(|signal| signal.id.as_str() == name).unwrap();
        let own = self.samples.iter().filter(|(signal, _)| *signal == idx);
        own.map(|(_, sample)| (sample.t_ns as f64 / 1e9, sample.value)).collect()
    }
}

/// Some seconds of these signals.
pub(crate) fn sample(vehicle: &mut Vehicle, definitions: &Definitions, signals: &[&str], seconds: i64) -> (Plan, Keep) {
    let mut plan = vehicle.plan(&ids(signals), definitions).unwrap();
    let mut keep = Keep { until_ns: Some(seconds * S), ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    (plan, keep)
}
