//! Bayes' rule over the hypotheses of one area, one observation after the other.

use super::{Change, Reason, Step};

/// A factor that is nearer to 1 is no reason.
const REASON: f64 = 1.15;

/// An observation, ready to be counted.
pub(super) struct Observed {
    pub(super) evidence: String,
    pub(super) seen: String,
    pub(super) why: String,
    pub(super) group: Option<String>,
    /// Natural logarithm of its likelihood under each hypothesis.
    pub(super) ln: Vec<f64>,
}

impl Observed {
    /// How far it separates the hypotheses.
    fn spread(&self) -> f64 {
        let (low, high) = self.ln.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| (l.min(x), h.max(x)));
        high - low
    }
}

/// What speaks for a hypothesis, and what against it.
pub(super) type Reasons = (Vec<Reason>, Vec<Reason>);

/// Brings in one observation after the other: the steps, the reasons per hypothesis, the probabilities at the end.
pub(super) fn count(observed: &[Observed], ids: &[String], priors: &[f64]) -> (Vec<Step>, Vec<Reasons>, Vec<f64>) {
    let mut p = priors.to_vec();
    let mut reasons: Vec<Reasons> = ids.iter().map(|_| (Vec::new(), Vec::new())).collect();
    let mut steps = Vec::new();
    for (idx, observation) in observed.iter().enumerate() {
        // Of one group the strongest counts whole; equal ones in their order.
        let is_stronger = |other: &Observed, k: usize| {
            other.group == observation.group
                && other.group.is_some()
                && k != idx
                && (other.spread() > observation.spread() || (other.spread() == observation.spread() && k < idx))
        };
        let counts_half = observed.iter().enumerate().any(|(k, other)| is_stronger(other, k));
        let weight = if counts_half { 0.5 } else { 1.0 };
        let before = p.clone();
        for (p, ln) in p.iter_mut().zip(&observation.ln) {
            *p *= (weight * ln).exp();
        }
        let total: f64 = p.iter().sum();
        for p in &mut p {
            *p /= total;
        }
        for (k, (speaks_for, speaks_against)) in reasons.iter_mut().enumerate() {
            let odds = |p: f64| p / (1.0 - p).max(1e-12);
            let factor = odds(p[k]) / odds(before[k]);
            let text = format!("{} ({}): {}", observation.seen, observation.evidence, observation.why);
            if factor >= REASON {
                speaks_for.push(Reason { text, factor });
            } else if factor <= 1.0 / REASON {
                speaks_against.push(Reason { text, factor });
            }
        }
        steps.push(Step {
            evidence: observation.evidence.clone(),
            seen: observation.seen.clone(),
            why: observation.why.clone(),
            counts_half,
            changes: (0..ids.len()).map(|k| Change { suspect: ids[k].clone(), from: before[k], to: p[k] }).collect(),
        });
    }
    for (speaks_for, speaks_against) in &mut reasons {
        speaks_for.sort_by(|a, b| b.factor.total_cmp(&a.factor));
        speaks_against.sort_by(|a, b| a.factor.total_cmp(&b.factor));
    }
    (steps, reasons, p)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn observed(group: Option<&str>, likelihoods: [f64; 2]) -> Observed {
        let (evidence, seen, why) = ("e".to_owned(), "s".to_owned(), "w".to_owned());
        Observed { evidence, seen, why, group: group.map(str::to_owned), ln: likelihoods.map(f64::ln).to_vec() }
    }

    fn counted(observed: &[Observed]) -> (Vec<bool>, Vec<Reasons>, f64) {
        let (steps, reasons, p) = count(observed, &["a".to_owned(), "b".to_owned()], &[0.5, 0.5]);
        assert!((p.iter().sum::<f64>() - 1.0).abs() < 1e-12);
        (steps.iter().map(|step| step.counts_half).collect(), reasons, p[0] / p[1])
    }

    /// Odds of 4 and of 9 are 36 together; of one group the stronger counts whole and the other by its root, whichever came
    /// first.
    #[test]
    fn related_evidence_counts_half() {
        let (four, nine) = ([0.8, 0.2], [0.9, 0.1]);
        let (half, _, odds) = counted(&[observed(None, four), observed(None, nine)]);
        assert!(half == [false, false] && (odds - 36.0).abs() < 1e-9);
        let (half, _, odds) = counted(&[observed(Some("g"), four), observed(Some("g"), nine)]);
        assert!(half == [true, false] && (odds - 18.0).abs() < 1e-9, "{odds}");
        let (half, _, odds) =
            counted(&[observed(Some("g"), nine), observed(Some("g"), four), observed(Some("h"), four)]);
        assert!(half == [false, true, false] && (odds - 9.0 * 2.0 * 4.0).abs() < 1e-9, "{odds}");
        // Equal ones in their order; evidence against counts by its strength too.
        assert_eq!(counted(&[observed(Some("g"), four), observed(Some("g"), four)]).0, [false, true]);
        assert_eq!(counted(&[observed(Some("g"), four), observed(Some("g"), [0.1, 0.9])]).0, [true, false]);
    }

    #[test]
    fn reasons_by_how_much_they_change() {
        let (_, reasons, _) =
            counted(&[observed(None, [0.53, 0.47]), observed(None, [0.54, 0.46]), observed(None, [0.9, 0.1])]);
        // Odds of 1.128 are no reason, of 1.174 they are; the strongest first.
        let factors =
            |reasons: &[Reason]| reasons.iter().map(|reason| (reason.factor * 1000.0).round()).collect::<Vec<_>>();
        assert_eq!((factors(&reasons[0].0), factors(&reasons[0].1)), (vec![9000.0, 1174.0], vec![]));
        assert_eq!((factors(&reasons[1].0), factors(&reasons[1].1)), (vec![], vec![111.0, 852.0]));
        assert_eq!(reasons[0].0[0].text, "s (e): w");
    }
}
