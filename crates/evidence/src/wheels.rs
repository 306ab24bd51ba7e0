//! The four wheels of a drive, brought to common moments and condensed to blocks of about a second.
//!
//! In a turn without slip the wheels of a car with wheelbase L and track t, whose rear axle moves at v and which turns at
//! w (left positive), roll at
//!
//! ```text
//! rear  left, right:  v - w t/2,  v + w t/2
//! front left, right:  sqrt((v - w t/2)^2 + (w L)^2),  sqrt((v + w t/2)^2 + (w L)^2)
//! ```
//!
//! (rigid body, rolling directions square to the radius; the formulas of the turn table that the tests check). In the
//! *squares* of the speeds a turn therefore moves left against right by the same amount on both axles, lifts both front
//! wheels by the same amount, and does nothing else. The diagonal contrast FL^2 + RR^2 - FR^2 - RL^2 is zero in every
//! turn, whatever L and t are. So a block holds the squares, divided by twice their mean: one part in a hundred more
//! speed on a wheel is 0.01 more there.

mod held;
#[cfg(test)]
mod tests;

use std::borrow::Cow;

use signal::{Recording, Unit, seconds_from_nanos};

use crate::skew::{Cursor, longest_join_s, rows_per_sample, sampled, taken_ns, unheld};
use crate::stats::{quantum, robust};

/// Names of the wheels, always in the order FL, FR, RL, RR.
pub(crate) const WHEELS: [&str; 4] =
    ["wheel.speed.front_left", "wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"];

/// The wheels in words.
pub(crate) const WORDS: [&str; 4] = ["front left", "front right", "rear left", "rear right"];

/// Slowest speed at which a wheel is compared: passive sensors fall silent below 3 to 8 km/h (common practice, no
/// source), and 10 km/h leaves them a margin.
pub(crate) const MIN_SPEED_KMH: f64 = 10.0;

/// Usual track width in metres; passenger cars lie within 1.4 to 1.65 m (common practice, no source).
pub(crate) const TRACK_M: f64 = 1.5;

/// Usual wheelbase over track; passenger cars lie within 1.6 to 2.0 (common practice, no source).
const WHEELBASE_PER_TRACK: f64 = 1.8;

/// What a turn adds to both front wheels, in the measure of [`Block::relative`].
///
/// With x = curvature times track, V^2 the mean square and v the mid rear axle: V^2 / v^2 = 1 + x^2 (1/4 + (L/t)^2 / 2), the
/// measured turn is x v^2 / V^2, and the lift is ((L/t) x)^2 v^2 / (2 V^2). Solved for x by repetition.
pub(crate) fn lift_of(turn: f64) -> f64 {
    let turn = turn.clamp(-0.25, 0.25);
    let growth = 0.25 + 0.5 * WHEELBASE_PER_TRACK.powi(2);
    let square_ratio = (0..8).fold(1.0, |ratio, _| 1.0 + growth * (turn * ratio).powi(2));
    0.5 * (WHEELBASE_PER_TRACK * turn).powi(2) * square_ratio
}

/// Error of one wheel's speed, as a share, from how far it lies from `n` - 1 others in the measure of [`Block::relative`].
///
/// One that reads r times as much as the others lies (n / 2) (r^2 - 1) / (n - 1 + r^2) from them. For small errors the two are
/// the same; twice the speed of three others is 0.857 there, and nothing -0.667.
pub(crate) fn error_of(relative: f64, n: usize) -> f64 {
    let (half, others) = (0.5 * n as f64, n as f64 - 1.0);
    ((half + others * relative).max(0.0) / (half - relative).max(1e-3)).sqrt() - 1.0
}

/// About a second of rolling.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Block {
    /// First sample, seconds on the drive's time base.
    pub(crate) from_s: f64,
    /// Last sample, seconds on the drive's time base.
    pub(crate) to_s: f64,
    /// Median of the wheels, m/s.
    pub(crate) speed_m_s: f64,
    /// Change of that speed, m/s2.
    pub(crate) accel_m_s2: f64,
    /// Relative speed of each wheel: square over twice the mean square, less one half. A front wheel's extra way in a
    /// turn is taken out. Zero for a wheel that was not recorded.
    pub(crate) relative: [f64; 4],
    /// (right - left) / speed, which is path curvature times track: that of the calmer axle, so that one odd wheel
    /// cannot feign a turn. 0 when no axle is complete.
    pub(crate) turn: f64,
    /// The same, each axle on its own; NaN when the axle is not complete.
    pub(crate) turn_of_axle: [f64; 2],
    /// Standard error of one wheel's relative speed from the scatter of the samples.
    pub(crate) noise: f64,
    /// Yaw rate in rad/s, if recorded.
    pub(crate) yaw_rad_s: Option<f64>,
    /// Steering wheel angle in degrees, if recorded.
    pub(crate) steering_deg: Option<f64>,
}

/// The wheels of one drive.
#[derive(Debug)]
pub(crate) struct Rig {
    /// Which wheels were recorded.
    pub(crate) present: [bool; 4],
    /// Blocks in which the car rolled, in order of time.
    pub(crate) blocks: Vec<Block>,
    /// The coarsest step of a wheel speed, km/h.
    pub(crate) step_kmh: f64,
    /// The longest of the wheels' median sampling intervals, seconds.
    pub(crate) interval_s: f64,
    /// Whether the wheels carry common times though nobody says that they came in one answer: a table of rows, within which
    /// they may have been read one after another.
    pub(crate) shares_times: bool,
}

/// One wheel (or helper signal) ready for reading at any time.
struct Track<'a> {
    t_ns: Cow<'a, [i64]>,
    value: Cow<'a, [f64]>,
    scale: f64,
    interval_s: f64,
}

impl<'a> Track<'a> {
    /// `rows_per_sample`: where the signals beside it show that the table repeats its values, although this one may not.
    fn of(recording: &'a Recording, id: &str, unit: &str, rows_per_sample: Option<usize>) -> Option<Self> {
        let series = recording.series(id)?;
        let scale = series.unit.convert(1.0, &Unit::named(unit))?;
        let taken = rows_per_sample.map_or_else(|| unheld(series), |rows| Cow::Owned(sampled(series, rows)));
        let interval_s = taken.median_interval_s()?;
        let (t_ns, value) = match taken {
            Cow::Borrowed(series) => (taken_ns(series), Cow::Borrowed(series.value.as_slice())),
            Cow::Owned(series) => (Cow::Owned(series.t_ns), Cow::Owned(series.value)),
        };
        Some(Self { t_ns, value, scale, interval_s })
    }

    fn cursor(&self) -> Cursor<'_> {
        Cursor::new(&self.t_ns, &self.value, longest_join_s(self.interval_s))
    }
}

/// One moment: speeds of the wheels in km/h.
#[derive(Clone, Copy)]
struct Row {
    t_ns: i64,
    kmh: [f64; 4],
    yaw: Option<f64>,
    steering: Option<f64>,
}

impl Rig {
    /// Error of one wheel's speed as a share, see [`error_of`].
    pub(crate) fn error_of(&self, relative: f64) -> f64 {
        error_of(relative, self.present.iter().filter(|there| **there).count())
    }

    /// Reads the wheels of a drive; `None` with fewer than two wheels.
    pub(crate) fn of(recording: &Recording) -> Option<Self> {
        // The rows of a table repeat all of its wheels alike, though a coarse step shows it of some of them only.
        let repeats = WHEELS.iter().filter_map(|id| rows_per_sample(recording.series(id)?)).min();
        let wheels = WHEELS.map(|id| Track::of(recording, id, "km/h", repeats));
        let present = wheels.each_ref().map(Option::is_some);
        // The slowest wheel gives the moments: reading the others between their samples invents nothing.
        let (slowest, clock) =
            wheels.iter().enumerate().filter_map(|(i, w)| Some((i, w.as_ref()?))).min_by_key(|(_, w)| w.value.len())?;
        if present.iter().filter(|there| **there).count() < 2 {
            return None;
        }
        let interval_s = wheels.iter().flatten().map(|w| w.interval_s).fold(0.0, f64::max);
        let step_kmh = wheels.iter().flatten().map(|w| w.scale * quantum::step_of(&w.value)).fold(0.0, f64::max);
        let yaw = Track::of(recording, "yaw.rate", "rad/s", None);
        let steering = Track::of(recording, "steering.angle", "deg", None);
        let mut cursors = wheels.each_ref().map(|w| w.as_ref().map(Track::cursor));
        let mut yaw_cursor = yaw.as_ref().map(Track::cursor);
        let mut steering_cursor = steering.as_ref().map(Track::cursor);

        // Five moments at least, so that a single wild one can be told; one second at least, so that a block
        // spans a wheel turn (about 2 m) at the least speed.
        let length_ns = signal::nanos_from_seconds((5.0 * interval_s).max(1.0));
        let hole_ns = signal::nanos_from_seconds(longest_join_s(clock.interval_s));
        let mut rig = Self { present, blocks: Vec::new(), step_kmh, interval_s, shares_times: false };
        let (mut n_common, mut n_complete) = (0usize, 0usize);
        let mut rows: Vec<Row> = Vec::new();
        let held = held::held(wheels.iter().flatten(), interval_s);
        let mut held = held.into_iter().peekable();
        for &t_ns in clock.t_ns.iter() {
            let mut kmh = [0.0; 4];
            let (mut complete, mut is_common) = (true, true);
            for (i, cursor) in cursors.iter_mut().enumerate() {
                let (Some(cursor), Some(wheel)) = (cursor.as_mut(), wheels[i].as_ref()) else { continue };
                match cursor.at(t_ns) {
                    Some(between) => {
                        kmh[i] = between.value * wheel.scale;
                        is_common &= between.nearest_s == 0.0;
                    }
                    None => complete = false,
                }
            }
            let ended = rows.first().is_some_and(|first| t_ns.saturating_sub(first.t_ns) >= length_ns)
                || rows.last().is_some_and(|last| t_ns.saturating_sub(last.t_ns) > hole_ns);
            if ended {
                rig.blocks.extend(rig.block(&rows));
                rows.clear();
            }
            n_complete += usize::from(complete);
            n_common += usize::from(complete && is_common);
            while held.next_if(|(_, to_ns)| *to_ns <= t_ns).is_some() {}
            let is_held = held.peek().is_some_and(|(from_ns, _)| *from_ns < t_ns);
            if complete && !is_held {
                let read = |cursor: Option<&mut Cursor<'_>>, track: Option<&Track<'_>>| {
                    Some(cursor?.at(t_ns)?.value * track?.scale)
                };
                let yaw = read(yaw_cursor.as_mut(), yaw.as_ref());
                let steering = read(steering_cursor.as_mut(), steering.as_ref());
                rows.push(Row { t_ns, kmh, yaw, steering });
            }
        }
        rig.blocks.extend(rig.block(&rows));
        let is_one_answer = |id: &&str| {
            recording
                .series(id)
                .is_none_or(|series| series.exchange.iter().all(|&e| e != 0) && !series.exchange.is_empty())
        };
        let is_table = repeats.is_some() || 2 * n_common > n_complete;
        rig.shares_times = is_table && !WHEELS.iter().all(is_one_answer);
        debug_assert!(present[slowest]);
        Some(rig)
    }

    /// Condenses the rows of a block; `None` when the car did not roll on its wheels, or with too few rows.
    fn block(&self, rows: &[Row]) -> Option<Block> {
        let there: Vec<usize> = (0..4).filter(|&i| self.present[i]).collect();
        if rows.len() < 4 {
            return None;
        }
        let middles: Vec<f64> = rows
            .iter()
            .filter_map(|row| robust::median(&mut there.iter().map(|&i| row.kmh[i]).collect::<Vec<_>>()))
            .collect();
        let keep = self.calm_rows(rows, &middles, &there);
        let kept = || (0..rows.len()).filter(|&k| keep[k]);
        let n = kept().count();
        // More than half thrown away: nothing steady is left to compare.
        if 2 * n < rows.len() || n < 4 {
            return None;
        }
        let mean = |of: &dyn Fn(usize) -> f64| kept().map(of).sum::<f64>() / n as f64;
        let speed_kmh = mean(&|k| middles[k]);
        let squares = [0, 1, 2, 3].map(|i| mean(&|k| rows[k].kmh[i] * rows[k].kmh[i]));
        let fastest = there.iter().map(|&i| squares[i]).fold(0.0, f64::max).sqrt();
        // Two wheels at rest while others turn: an axle on a lift or on ice. One alone may be a dead sensor.
        let at_rest = there.iter().filter(|&&i| squares[i].sqrt() < 0.2 * fastest).count();
        if speed_kmh < MIN_SPEED_KMH || at_rest > 1 || at_rest + 1 >= there.len() {
            return None;
        }
        let mean_square = there.iter().map(|&i| squares[i]).sum::<f64>() / there.len() as f64;
        let mut relative = [0.0; 4];
        for &i in &there {
            relative[i] = squares[i] / (2.0 * mean_square) - 0.5;
        }
        let turn_of_axle = [(0, 1), (2, 3)].map(|(left, right)| {
            if self.present[left] && self.present[right] { relative[right] - relative[left] } else { f64::NAN }
        });
        let turn = turn_of_axle
            .into_iter()
            .filter(|x| x.is_finite())
            .min_by(|a, b| a.abs().total_cmp(&b.abs()))
            .unwrap_or(0.0);
        let lift = lift_of(turn);
        for i in there.iter().copied().filter(|&i| i < 2) {
            relative[i] -= lift;
        }
        let scatter = there
            .iter()
            .map(|&i| {
                let offset = mean(&|k| rows[k].kmh[i] - middles[k]);
                mean(&|k| (rows[k].kmh[i] - middles[k] - offset).powi(2))
            })
            .sum::<f64>()
            / there.len() as f64;
        let t_mean = mean(&|k| seconds_from_nanos(rows[k].t_ns));
        let slope = mean(&|k| (seconds_from_nanos(rows[k].t_ns) - t_mean) * middles[k])
            / mean(&|k| (seconds_from_nanos(rows[k].t_ns) - t_mean).powi(2)).max(1e-9);
        let helper = |of: &dyn Fn(&Row) -> Option<f64>| {
            let values: Vec<f64> = kept().filter_map(|k| of(&rows[k])).collect();
            (2 * values.len() >= n).then(|| values.iter().sum::<f64>() / values.len() as f64)
        };
        Some(Block {
            from_s: seconds_from_nanos(rows[0].t_ns),
            to_s: seconds_from_nanos(rows[rows.len() - 1].t_ns),
            speed_m_s: speed_kmh / 3.6,
            accel_m_s2: slope / 3.6,
            relative,
            turn,
            turn_of_axle,
            noise: (scatter / n as f64).sqrt() / speed_kmh,
            yaw_rad_s: helper(&|row| row.yaw),
            steering_deg: helper(&|row| row.steering),
        })
    }

    /// Which rows of a block go together: a wheel that vanishes or jumps for a moment is no statement about its size.
    fn calm_rows(&self, rows: &[Row], middles: &[f64], there: &[usize]) -> Vec<bool> {
        let mut keep = vec![true; rows.len()];
        let mut sorted = Vec::with_capacity(rows.len());
        for &i in there {
            let off = |k: usize| rows[k].kmh[i] - middles[k];
            sorted.clear();
            sorted.extend((0..rows.len()).map(off));
            let Some((middle, sigma)) = robust::median_and_sigma(&mut sorted) else { continue };
            // 4 sigma of the block's own scatter, but never less than two steps or 2 % (a turn begins within a block).
            let limit = (4.0 * sigma).max(2.0 * self.step_kmh).max(0.02 * middles[0].abs());
            for (k, keep) in keep.iter_mut().enumerate() {
                *keep &= (off(k) - middle).abs() <= limit;
            }
        }
        keep
    }
}
