//! What the check says.

use std::collections::BTreeMap;

use super::measure::{Measured, Steadiness};
use super::{Case, Doubt, More, STATED_FAULT, TOLERANCE};
use crate::answer;
use crate::exposure;
use crate::finding::Verdict;
use crate::odd_wheel::steady::LEAST_BLOCKS;
use crate::wheels::{MIN_SPEED_KMH, WORDS};

impl Case<'_> {
    pub(super) fn figures(&self, measured: &Measured, steadiness: &Steadiness) -> BTreeMap<String, f64> {
        let seconds = ("seconds_used", self.seconds_used());
        if self.steady.n_used() == 0 {
            return answer::figures([seconds]);
        }
        let [axle, side] = measured.differences();
        let [speed, time] = steadiness.changes();
        let mut figures = answer::figures([
            ("ratio", 1.0 + measured.size),
            ("difference_percent", 100.0 * measured.size),
            ("difference_low_percent", 100.0 * (measured.size - 1.96 * measured.error)),
            ("difference_high_percent", 100.0 * (measured.size + 1.96 * measured.error)),
            ("scatter_percent", 100.0 * measured.scatter),
            ("tolerance_percent", 100.0 * TOLERANCE),
            ("front_less_rear_percent", 100.0 * axle),
            ("left_less_right_percent", 100.0 * side),
            ("change_with_speed_percent", 100.0 * speed),
            ("change_with_time_percent", 100.0 * time),
            ("step_km_h", self.rig.step_kmh),
        ]);
        figures.insert(seconds.0.to_owned(), seconds.1);
        if let Some((at_s, size)) = steadiness.step() {
            figures.insert("changed_at_s".to_owned(), at_s);
            figures.insert("change_there_percent".to_owned(), 100.0 * size);
        }
        figures
    }

    pub(super) fn statement(
        &self,
        wheel: usize,
        verdict: Verdict,
        doubt: Option<Doubt>,
        measured: &Measured,
        steadiness: &Steadiness,
    ) -> String {
        let word = WORDS[wheel];
        if self.steady.n_used() == 0 {
            return format!(
                "The size of the {word} wheel could not be compared: the car never rolled steadily above {MIN_SPEED_KMH:.0} km/h with all recorded wheels in view."
            );
        }
        let radius = -100.0 * measured.size / (1.0 + measured.size).max(0.1);
        let seen = format!(
            "{:.2} % {} than the mean of the others (95 %: give or take {:.2} %) over {:.0} s",
            radius.abs(),
            if radius < 0.0 { "smaller" } else { "larger" },
            196.0 * measured.error,
            self.seconds_used()
        );
        let tolerance = 100.0 * TOLERANCE;
        match (verdict, doubt) {
            (Verdict::Healthy, _) => format!(
                "The {word} wheel rolls {seen}, within the {tolerance:.0} % that sound tyres differ by; {:.1} % would have shown.",
                100.0 * STATED_FAULT
            ),
            (Verdict::Faulty, _) => {
                format!(
                    "The {word} wheel rolls {seen}, steadily and at all speeds; sound tyres differ by up to {tolerance:.0} %."
                )
            }
            (_, Some(Doubt::Exchange(_))) => format!(
                "The size of the {word} wheel cannot be judged: wheels turn against each other in every turn, as if columns were exchanged."
            ),
            (_, Some(Doubt::TooMuch)) => {
                format!("The {word} wheel reads {:.0} % off, which no tyre explains.", 100.0 * measured.size)
            }
            (_, Some(Doubt::Shifts)) => {
                format!("The {word} wheel seems {seen}, but by how much depends on the speed: that is no size.")
            }
            (_, Some(Doubt::Wavers)) => format!(
                "The {word} wheel seems {seen}, but that changed during the drive{}: a leaking tyre or a sensor that errs now and then, not a size.",
                steadiness.step().map_or_else(String::new, |(at_s, size)| format!(
                    ", most at {at_s:.0} s (by {:+.1} %)",
                    100.0 * size
                ))
            ),
            (_, Some(Doubt::Both(which, size))) => format!(
                "Both {which} wheels turn {:.1} % faster than the other two; which pair has the wrong size the wheels alone cannot tell, and slip of a driven axle looks alike.",
                100.0 * size
            ),
            (_, Some(Doubt::Contested)) => {
                format!("The {word} wheel seems {seen}; some wheel differs, but this drive does not tell which one.")
            }
            (_, None) => format!(
                "The {word} wheel seems {seen}, which this drive cannot tell from sound tyres, turns and slip (tolerance {tolerance:.0} %)."
            ),
        }
    }

    pub(super) fn alternatives(&self, verdict: Verdict, doubt: Option<Doubt>, measured: &Measured) -> Vec<String> {
        if verdict == Verdict::Healthy || self.steady.n_used() == 0 || measured.size.abs() < TOLERANCE {
            return Vec::new();
        }
        let tyre = if measured.size > 0.0 {
            "low pressure, a worn tyre (all of 6.5 mm tread: 2.1 %), a space-saver spare or a smaller size (2 to 5 %)"
        } else {
            "a new tyre among worn ones (6.5 mm of tread: 2.1 %), much higher pressure or a larger size (2 to 5 %)"
        };
        let no_tyre = matches!(doubt, Some(Doubt::TooMuch | Doubt::Shifts));
        let tyre = (!no_tyre).then(|| tyre.to_owned());
        tyre.into_iter()
            .chain(["a sensor or control unit that counts this wheel with a wrong scale".to_owned()])
            .collect()
    }

    pub(super) fn next(&self, wheel: usize, verdict: Verdict, doubt: Option<Doubt>) -> Vec<String> {
        let word = WORDS[wheel];
        match (verdict, doubt) {
            (Verdict::Healthy, _) => Vec::new(),
            (Verdict::Faulty, _) => vec![format!(
                "compare pressure, size marking and tread of the {word} tyre with the others; if they are equal, see odd-wheel"
            )],
            (_, Some(Doubt::Exchange(_))) => {
                vec!["check which column belongs to which wheel, map them anew and examine again".to_owned()]
            }
            (_, Some(Doubt::TooMuch | Doubt::Shifts)) => {
                vec![format!("see odd-wheel and dropout for the {word} wheel: look at its sensor first")]
            }
            (_, Some(Doubt::Wavers)) => vec![
                format!("measure the pressure of the {word} tyre now, and again after an hour"),
                "record five minutes more at steady speeds".to_owned(),
            ],
            (_, Some(Doubt::Both(..))) => {
                vec!["compare size marking, tread and pressure of the front and rear, left and right tyres".to_owned()]
            }
            (_, Some(Doubt::Contested) | None) => self.more(wheel),
        }
    }

    /// How much more driving would decide, by asking the model itself.
    fn more(&self, wheel: usize) -> Vec<String> {
        let suspect = self.prime_suspect();
        let block_s = (5.0 * self.rig.interval_s).max(1.0);
        let decides = |seconds: f64, kmh: f64, sigma: Option<f64>| {
            let more = More { seconds, speed_m_s: kmh / 3.6 };
            if (self.steady.n_used() as f64) + seconds / block_s < LEAST_BLOCKS as f64 {
                return false;
            }
            if let Some(suspect) = suspect {
                let weighing = self.weighed(&self.steady.seen, more, sigma);
                return weighing.is_some_and(|w| w.log10_odds[suspect] >= 2.0 || w.log10_odds[suspect] <= -1.0);
            }
            let healthy = self.weighed(&self.steady.pure(wheel, 0.0), more, sigma);
            healthy.is_some_and(|w| w.log10_odds[wheel] <= -1.0) && self.sees_fault(wheel, more, sigma)
        };
        let seconds = [20.0, 30.0, 60.0, 120.0, 300.0, 600.0];
        exposure::needed(self.rig, &seconds, self.sigma(), self.reference.is_some(), decides)
    }
}
