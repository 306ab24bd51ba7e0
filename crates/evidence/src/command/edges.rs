//! When an output was switched, from its own signal or from marks.

use signal::{Mark, Series, seconds_from_nanos};

use crate::stats::robust::quantile;

/// Longest window around an edge that is looked at, seconds: what an output moves directly, it moves within this.
const LONGEST_WINDOW_S: f64 = 10.0;

/// Longest over shortest interval of a command that counts as evenly spaced.
const EVEN: f64 = 1.2;

/// One switching.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Edge {
    pub(super) t_s: f64,
    pub(super) is_on: bool,
}

/// All switchings of one output, alternating.
pub(super) struct Command {
    pub(super) name: String,
    pub(super) edges: Vec<Edge>,
    /// How far a recorded edge may be behind the true one, seconds.
    pub(super) late_by_s: f64,
}

impl Command {
    /// What nine in ten neighbouring edges are at least apart, seconds; infinite with a single edge.
    pub(super) fn usual_half_s(&self) -> f64 {
        let mut halves: Vec<f64> = self.edges.windows(2).map(|pair| pair[1].t_s - pair[0].t_s).collect();
        quantile(&mut halves, 0.1).unwrap_or(f64::INFINITY)
    }

    /// Window on each side of an edge, seconds: nearly all edges keep their neighbours out of it.
    pub(super) fn window_s(&self) -> f64 {
        (0.45 * self.usual_half_s()).min(LONGEST_WINDOW_S)
    }

    /// Whether the edges are spaced so evenly that any other order of them is the same again.
    pub(super) fn is_even(&self) -> bool {
        let mut halves: Vec<f64> = self.edges.windows(2).map(|pair| pair[1].t_s - pair[0].t_s).collect();
        let (low, high) = (quantile(&mut halves, 0.1), quantile(&mut halves, 0.9));
        low.zip(high).is_some_and(|(low, high)| high <= EVEN * low)
    }

    /// First and last edge, seconds.
    pub(super) fn span_s(&self) -> (f64, f64) {
        (self.edges.first().map_or(0.0, |e| e.t_s), self.edges.last().map_or(0.0, |e| e.t_s))
    }

    /// Stretches in which it was on, seconds.
    pub(super) fn on_spans(&self) -> Vec<(f64, f64)> {
        self.edges.windows(2).filter(|pair| pair[0].is_on).map(|pair| (pair[0].t_s, pair[1].t_s)).collect()
    }
}

/// Edges of a recorded output: crossings of the middle of its range.
pub(super) fn of_series(series: &Series) -> Command {
    let finite = || series.value.iter().copied().filter(|v| v.is_finite());
    let (low, high) = (finite().fold(f64::INFINITY, f64::min), finite().fold(f64::NEG_INFINITY, f64::max));
    let middle = f64::midpoint(low, high);
    let mut edges = Vec::new();
    let mut was_on = None;
    for (k, &value) in series.value.iter().enumerate().filter(|(_, value)| value.is_finite()) {
        let is_on = high > low && value > middle;
        if was_on.is_some_and(|was| was != is_on) {
            edges.push(Edge { t_s: seconds_from_nanos(series.t_ns[k]), is_on });
        }
        was_on = Some(is_on);
    }
    Command { name: series.id.to_string(), edges, late_by_s: series.median_interval_s().unwrap_or(0.0) }
}

/// Outputs whose switching was marked: "fan on", "fan off", or only "on" and "off".
pub(super) fn of_marks(marks: &[Mark]) -> Vec<Command> {
    let mut commands: Vec<Command> = Vec::new();
    for mark in marks {
        let text = mark.text.trim().to_lowercase();
        let Some((name, is_on)) = text
            .strip_suffix("on")
            .map(|name| (name, true))
            .or_else(|| text.strip_suffix("off").map(|name| (name, false)))
            // "on" must be a word of its own, not the end of "engine smokes upon acceleration".
            .filter(|(name, _)| name.is_empty() || name.ends_with(|c: char| !c.is_alphanumeric()))
        else {
            continue;
        };
        let name = name.trim_matches(|c: char| !c.is_alphanumeric());
        let name = if name.is_empty() { "marks" } else { name };
        let known = commands.iter().position(|command| command.name == name);
        let at = known.unwrap_or_else(|| {
            commands.push(Command { name: name.to_owned(), edges: Vec::new(), late_by_s: 0.0 });
            commands.len() - 1
        });
        let edges = &mut commands[at].edges;
        if edges.last().is_none_or(|last| last.is_on != is_on) {
            edges.push(Edge { t_s: seconds_from_nanos(mark.t_ns), is_on });
        }
    }
    // A lone "fan off" is a remark, not an experiment.
    commands.retain(|command| command.edges.len() >= 2);
    commands
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn marks_are_read_by_word() {
        let mark = |t_s: f64, text: &str| Mark { t_ns: signal::nanos_from_seconds(t_s), text: text.into() };
        let marks =
            [mark(1.0, "Fan: ON"), mark(2.0, "acceleration"), mark(3.0, "on"), mark(4.0, "fan off"), mark(5.0, "off")];
        let commands = of_marks(&marks);
        assert_eq!(commands.len(), 2);
        assert_eq!(commands[0].name, "fan");
        assert_eq!(commands[0].edges, [Edge { t_s: 1.0, is_on: true }, Edge { t_s: 4.0, is_on: false }]);
        assert_eq!((commands[1].name.as_str(), commands[1].on_spans()), ("marks", vec![(3.0, 5.0)]));
    }

    fn command(edges: &[(f64, bool)]) -> Command {
        let edges = edges.iter().map(|&(t_s, is_on)| Edge { t_s, is_on }).collect();
        Command { name: "fan".into(), edges, late_by_s: 0.0 }
    }

    /// Edges 10, 12, 14, 16, 18, 20 s apart and so on: the shortest tenth of ten intervals is the second.
    #[test]
    fn how_far_edges_are_apart() {
        let mut at = 0.0;
        let of = |gaps: &[f64], at: &mut f64| {
            let edges: Vec<(f64, bool)> = std::iter::once(0.0)
                .chain(gaps.iter().copied())
                .enumerate()
                .map(|(k, gap)| {
                    *at += gap;
                    (*at, k % 2 == 0)
                })
                .collect();
            command(&edges)
        };
        let uneven = of(&[10.0, 12.0, 14.0, 16.0, 18.0, 20.0, 19.0, 17.0, 15.0, 13.0, 11.0], &mut at);
        assert_eq!(uneven.usual_half_s(), 11.0);
        assert!((uneven.window_s() - 0.45 * 11.0).abs() < 1e-12 && !uneven.is_even());
        assert_eq!(uneven.span_s(), (0.0, 165.0));
        assert_eq!(uneven.on_spans()[..2], [(0.0, 10.0), (22.0, 36.0)]);
        // A window is ten seconds at most; a fifth more still is even.
        assert_eq!(of(&[40.0; 6], &mut 0.0).window_s(), 10.0);
        assert!(
            of(&[10.0, 12.0, 10.0, 12.0], &mut 0.0).is_even() && !of(&[10.0, 12.1, 10.0, 12.1], &mut 0.0).is_even()
        );
        assert_eq!((command(&[]).span_s(), command(&[(5.0, true)]).usual_half_s()), ((0.0, 0.0), f64::INFINITY));
        assert!(!command(&[]).is_even());
    }

    #[test]
    fn a_recorded_output_switches_at_its_middle() {
        let of = |values: &'static [f64]| {
            of_series(&crate::made::series("fan.command", "%", 0.5, values.len(), |k| values[k]))
        };
        let fan = of(&[20.0, 20.0, 59.0, 61.0, 100.0, f64::NAN, 60.0, 20.0]);
        assert_eq!(fan.edges, [Edge { t_s: 1.5, is_on: true }, Edge { t_s: 3.0, is_on: false }]);
        assert_eq!((fan.name.as_str(), fan.late_by_s), ("fan.command", 0.5));
        assert!(of(&[50.0; 9]).edges.is_empty() && of(&[f64::NAN; 3]).edges.is_empty());
    }
}
