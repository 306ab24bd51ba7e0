//! The rate that each signal gets, and the odds of catching a short event.

use definition::Definitions;
use vehicle::{Plan, Rate, Vehicle, Wish};

use crate::{Car, Observer, Workshop, WorkshopError, to_wire};

/// How long the rates are measured, seconds.
const TRIAL_S: f64 = 4.0;

impl Workshop {
    /// Plans the requests for the wanted signals, tries them for some seconds, and tells what each signal gets, the odds of
    /// catching an event of `event_ms`, and what to leave out for better odds.
    ///
    /// # Errors
    /// [`WorkshopError::Number`], [`WorkshopError::NothingPlanned`], [`WorkshopError::Link`].
    pub fn plan(
        &self,
        car: &mut Car,
        wanted: &[Wish],
        event_ms: f64,
        observer: &mut dyn Observer,
    ) -> Result<wire::Planned, WorkshopError> {
        if !(event_ms > 0.0 && event_ms.is_finite()) {
            let (what, wanted) = ("the length of the event", "above 0 ms");
            return Err(WorkshopError::Number { what, wanted, found: event_ms });
        }
        let (plan, rates) = measured(&mut car.vehicle, &car.definitions, wanted, TRIAL_S, observer)?;
        Ok(wire::Planned {
            protocol: car.vehicle.link_info().bus.map(|bus| bus.to_string()),
            event_ms,
            signals: planned_signals(&plan, &rates, event_ms),
            unavailable: plan.unavailable.iter().map(to_wire::unavailable).collect(),
            leave_out: car.vehicle.reliefs(&plan, &rates, event_ms / 1000.0).iter().map(to_wire::relief).collect(),
        })
    }
}

/// A plan and the rates that it was seen to give.
pub(crate) fn measured(
    vehicle: &mut Vehicle,
    definitions: &Definitions,
    wanted: &[Wish],
    trial_s: f64,
    observer: &mut dyn Observer,
) -> Result<(Plan, Vec<Rate>), WorkshopError> {
    let mut plan = vehicle.plan_wishes(wanted, definitions)?;
    for missing in &plan.unavailable {
        observer.say(&format!("not available: {}: {}", missing.id, missing.reason));
    }
    let nothing = |plan: &Plan| {
        let first = plan.unavailable.first().map_or("", |missing| missing.reason.as_str());
        WorkshopError::NothingPlanned(first.to_owned())
    };
    if plan.signals.is_empty() {
        return Err(nothing(&plan));
    }
    let rates = vehicle.measure(&mut plan, trial_s).map_err(|_| nothing(&plan))?;
    for module in vehicle.faster_in_session() {
        observer.say(&format!(
            "{module} sends values by itself in an extended session only: --extended-session opens one, which can be faster"
        ));
    }
    Ok((plan, rates))
}

/// What is planned, with its measured rates; a signal whose rate was not measured has none.
pub(crate) fn planned_signals(plan: &Plan, rates: &[Rate], event_ms: f64) -> Vec<wire::PlannedSignal> {
    let planned = plan.signals.iter().enumerate().map(|(idx, signal)| {
        let rate = rates.get(idx);
        let odds = rate.map_or(0.0, |rate| rate.odds(event_ms / 1000.0));
        wire::PlannedSignal {
            id: signal.id.to_string(),
            unit: signal.unit.to_string(),
            source: signal.source.clone(),
            per_second: rate.map_or(0.0, |rate| rate.per_second),
            every_s: signal.period_s(),
            odds,
            events_for_95_percent: events_for_95_percent(odds),
            left_out: false,
        }
    });
    planned.collect()
}

/// Events after which at least one is caught with 95 %: ln 0.05 / ln(1 - p), rounded up. Source: derived from
/// independent events.
#[must_use]
pub fn events_for_95_percent(odds: f64) -> Option<f64> {
    if odds <= 0.0 {
        None
    } else if odds >= 1.0 {
        Some(1.0)
    } else {
        Some((0.05f64.ln() / (1.0 - odds).ln()).ceil())
    }
}

#[cfg(test)]
mod tests {
    use super::events_for_95_percent;

    #[test]
    fn events_until_one_is_caught() {
        // Rows computed independently: p = 0.25 -> 11, 0.40 -> 6, 0.60 -> 4, 0.04 -> 74.
        for (odds, events) in [(0.25, 11.0), (0.4, 6.0), (0.6, 4.0), (0.04, 74.0), (1.0, 1.0)] {
            assert_eq!(events_for_95_percent(odds), Some(events));
        }
        assert_eq!(events_for_95_percent(0.0), None);
    }
}
