//! Pictures of a finding: the traces around the event, and the map of where it happens.

use signal::{Recording, Series, seconds_from_nanos};
use wire::Finding;

use crate::Settings;
use crate::chart::{Band, Cell, Frame, Map, Panel, Trace, Traces};
use crate::texts::Texts;

/// Lines of a picture beyond which nobody tells them apart.
const MOST_LINES: usize = 6;
/// Least and greatest stretch shown, seconds.
const STRETCH_S: (f64, f64) = (4.0, 120.0);
/// Fields of the map.
const SPEED_STEP_RPM: f64 = 500.0;
const LOAD_STEP_PERCENT: f64 = 10.0;
const MOST_COLUMNS: usize = 16;
const MOST_ROWS: usize = 12;
/// Longer than this between two readings nobody knows where the engine was, seconds.
const MOST_GAP_S: f64 = 3.0;

/// Traces of what a finding is about, around its worst moment; `None` when the recording has none of its signals.
pub(crate) fn traces(
    finding: &Finding,
    recording: &Recording,
    texts: &Texts,
    settings: &Settings,
) -> Option<(Traces, Vec<String>)> {
    let series = shown_series(finding, recording);
    if series.is_empty() {
        return None;
    }
    let (from_s, to_s) = stretch(finding, recording)?;
    let mut panels: Vec<Panel> = Vec::new();
    for one in &series {
        let unit = texts.said(&settings.units.shown(0.0, one.unit.symbol()).1, settings.units);
        let points = one
            .t_ns
            .iter()
            .zip(&one.value)
            .map(|(&t_ns, &value)| (seconds_from_nanos(t_ns), settings.units.shown(value, one.unit.symbol()).0));
        let id = one.id.to_string();
        let trace = Trace {
            name: texts.signal(&id),
            points: points.collect(),
            is_stepped: id.starts_with("misfire.") || id == "ac.clutch",
        };
        match panels.iter_mut().find(|panel| panel.unit == unit) {
            Some(panel) => panel.traces.push(trace),
            None => panels.push(Panel { unit, traces: vec![trace] }),
        }
    }
    let names = series.iter().map(|one| texts.signal(&one.id.to_string())).collect();
    let bands = finding.spans.iter().map(|span| Band { from_s: span.from_s, to_s: span.to_s }).collect();
    let picture = Traces {
        panels,
        bands,
        band_text: texts.get("text", "fault"),
        axis_text: texts.get("text", "axis_time"),
        decimal_mark: texts.decimal_mark(),
        from_s,
        to_s,
    };
    Some((picture, names))
}

/// The subject's own signals first, then what puts them in their place.
fn shown_series<'a>(finding: &Finding, recording: &'a Recording) -> Vec<&'a Series> {
    let own = finding.subject.iter().map(String::as_str);
    let beside: &[&str] = match finding.kind.as_str() {
        "misfire" => &["engine.speed", "engine.load"],
        "mixture" => &["fuel.trim.short.bank_1", "fuel.trim.long.bank_1", "intake.air_flow", "engine.speed"],
        "airflow" => &["intake.air_flow", "intake.manifold_pressure", "engine.speed"],
        "charging" | "cranking" => &["battery.voltage", "engine.speed"],
        "warm-up" => &["coolant.temperature", "vehicle.speed"],
        "command" => &["engine.speed", "engine.load", "ac.pressure"],
        _ if finding.subject.iter().any(|id| id.starts_with("wheel.speed.")) => {
            &["wheel.speed.front_left", "wheel.speed.front_right", "wheel.speed.rear_left", "wheel.speed.rear_right"]
        }
        _ => &["vehicle.speed"],
    };
    let mut series: Vec<&Series> = Vec::new();
    for id in own.chain(beside.iter().copied()) {
        let found = recording.series(id).filter(|one| !one.is_empty());
        if let Some(one) = found.filter(|one| !series.iter().any(|other| other.id == one.id)) {
            series.push(one);
        }
    }
    series.truncate(MOST_LINES);
    series
}

/// The stretch to show: around the worst event if the finding names it, else around the first; all of a short drive.
fn stretch(finding: &Finding, recording: &Recording) -> Option<(f64, f64)> {
    let (first, last) = recording.span_ns()?;
    let (first, last) = (seconds_from_nanos(first), seconds_from_nanos(last));
    if last <= first {
        return None;
    }
    let worst = finding.figures.get("worst_at_s");
    let span = worst
        .and_then(|at| finding.spans.iter().find(|span| (span.from_s..=span.to_s).contains(at)))
        .or_else(|| finding.spans.first());
    let Some(span) = span else { return Some((first, last)) };
    let length = (3.0 * (span.to_s - span.from_s)).clamp(STRETCH_S.0, STRETCH_S.1);
    let middle = match span.to_s - span.from_s {
        long if long > STRETCH_S.1 => span.from_s + STRETCH_S.1 / 3.0,
        _ => f64::midpoint(span.from_s, span.to_s),
    };
    let from = (middle - length / 2.0).max(first);
    let to = (from + length).min(last);
    (to > from).then_some((from, to))
}

/// Where a cylinder misfires; `None` when counter, speed or load were not recorded.
pub(crate) fn map(finding: &Finding, recording: &Recording, texts: &Texts) -> Option<Map> {
    let counter = recording.series(finding.subject.first()?).filter(|one| one.len() >= 2)?;
    let speed = recording.series("engine.speed").filter(|one| !one.is_empty())?;
    let load = recording.series("engine.load").filter(|one| !one.is_empty())?;
    let field = |rpm: f64, percent: f64| {
        let column = (rpm / SPEED_STEP_RPM).floor().clamp(0.0, (MOST_COLUMNS - 1) as f64) as usize;
        let row = (percent / LOAD_STEP_PERCENT).floor().clamp(0.0, (MOST_ROWS - 1) as f64) as usize;
        (row, column)
    };
    let mut cells = vec![vec![Cell::default(); MOST_COLUMNS]; MOST_ROWS];
    let pairs = speed.t_ns.windows(2).zip(&speed.value);
    for (times, &rpm) in pairs {
        let seconds = seconds_from_nanos(times[1] - times[0]);
        let Some(percent) = held(load, times[0]) else { continue };
        if rpm > 0.0 && seconds < MOST_GAP_S {
            let (row, column) = field(rpm, percent);
            cells[row][column].seconds += seconds;
        }
    }
    for (times, values) in counter.t_ns.windows(2).zip(counter.value.windows(2)) {
        let counted = values[1] - values[0];
        // A counter that falls was reset or wrapped: what it counted meanwhile is for the check, not for a picture.
        if counted > 0.0
            && counted < 1000.0
            && let (Some(rpm), Some(percent)) = (held(speed, times[1]), held(load, times[1]))
        {
            let (row, column) = field(rpm, percent);
            cells[row][column].events += counted as u64;
        }
    }
    let is_used = |cell: &Cell| cell.seconds > 0.0 || cell.events > 0;
    let columns = 1 + cells.iter().filter_map(|row| row.iter().rposition(is_used)).max()?;
    let rows = 1 + cells.iter().rposition(|row| row.iter().any(is_used))?;
    cells.truncate(rows);
    for row in &mut cells {
        row.truncate(columns);
    }
    let figure = |name: &str| finding.figures.get(name).copied();
    let frame = Frame {
        from_x: figure("region_from_rpm").filter(|value| *value > 0.0),
        to_x: figure("region_to_rpm"),
        from_y: figure("region_from_load_percent").filter(|value| *value > 0.0),
        to_y: figure("region_to_load_percent"),
    };
    Some(Map {
        x_text: texts.get("text", "axis_speed"),
        y_text: texts.get("text", "axis_load"),
        x_step: SPEED_STEP_RPM,
        y_step: LOAD_STEP_PERCENT,
        x_from: 0.0,
        y_from: 0.0,
        cells,
        frame: (frame != Frame::default()).then_some(frame),
    })
}

/// The last reading at or before a time; `None` when it is too old.
fn held(series: &Series, t_ns: i64) -> Option<f64> {
    let at = series.t_ns.partition_point(|&t| t <= t_ns).checked_sub(1)?;
    let age_s = seconds_from_nanos(t_ns - series.t_ns[at]);
    Some(series.value[at]).filter(|value| value.is_finite() && age_s < MOST_GAP_S)
}
