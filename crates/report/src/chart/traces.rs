//! Traces over time, in panels above each other, with the fault marked.

use super::{Anchor, COLOURS, DASHES, Svg, decimate, ticks, width_of};
use crate::units::{clock, number};

/// One line.
#[derive(Debug, Clone, PartialEq)]
pub struct Trace {
    /// What it is called.
    pub name: String,
    /// Seconds and values, in order of time.
    pub points: Vec<(f64, f64)>,
    /// Values hold until the next one (a switch or counter) instead of changing evenly.
    pub is_stepped: bool,
}

/// Traces that share an axis.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// Unit of the axis.
    pub unit: String,
    /// Its lines.
    pub traces: Vec<Trace>,
}

/// A marked stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Start, seconds.
    pub from_s: f64,
    /// End, seconds.
    pub to_s: f64,
}

/// The picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Traces {
    /// From top to bottom.
    pub panels: Vec<Panel>,
    /// Marked stretches.
    pub bands: Vec<Band>,
    /// What the marks mean.
    pub band_text: String,
    /// What the axis of time is called.
    pub axis_text: String,
    /// What stands before the decimals of a number.
    pub decimal_mark: String,
    /// Shown stretch, seconds.
    pub from_s: f64,
    /// See `from_s`.
    pub to_s: f64,
}

const WIDTH: f64 = 720.0;
const LEFT: f64 = 58.0;
const RIGHT: f64 = 14.0;
const PANEL: f64 = 60.0;
const LEGEND: f64 = 17.0;
const TOP: f64 = 18.0;
const BOTTOM: f64 = 40.0;

impl Traces {
    fn localised(&self, number: String) -> String {
        number.replace('.', &self.decimal_mark)
    }

    /// The picture as an SVG document; `title` is read aloud by those who cannot see it.
    #[must_use]
    pub fn svg(&self, title: &str) -> String {
        let legends: Vec<Vec<Vec<usize>>> = self.panels.iter().map(Panel::legend).collect();
        let heights: Vec<f64> = legends.iter().map(|rows| LEGEND * rows.len() as f64 + PANEL).collect();
        let height = TOP + heights.iter().sum::<f64>() + BOTTOM;
        let mut svg = Svg::new(WIDTH, height);
        let x = |t_s: f64| LEFT + (t_s - self.from_s) / (self.to_s - self.from_s) * (WIDTH - LEFT - RIGHT);
        let (area_top, area_bottom) = (TOP, height - BOTTOM);
        self.bands(&mut svg, &x, area_top, area_bottom);
        let mut top = TOP;
        for ((panel, legend), panel_height) in self.panels.iter().zip(&legends).zip(&heights) {
            let plot_top = top + LEGEND * legend.len() as f64;
            let written = |value: f64| self.localised(number(value));
            panel.draw(&mut svg, (&x, &written), plot_top, legend, (self.from_s, self.to_s));
            top += panel_height;
        }
        let base = height - BOTTOM;
        for t_s in ticks(self.from_s, self.to_s, 8) {
            svg.line((x(t_s), base), (x(t_s), base + 4.0), "stroke=\"#000\"");
            svg.text((x(t_s), base + 16.0), 11.0, Anchor::Middle, &self.localised(clock(t_s)), "");
        }
        svg.text((f64::midpoint(LEFT, WIDTH - RIGHT), height - 6.0), 11.0, Anchor::Middle, &self.axis_text, "");
        svg.finish(title)
    }

    fn bands(&self, svg: &mut Svg, x: &dyn Fn(f64) -> f64, top: f64, bottom: f64) {
        let right = WIDTH - RIGHT;
        let shown: Vec<(f64, f64)> = self
            .bands
            .iter()
            .filter(|band| band.to_s >= self.from_s && band.from_s <= self.to_s)
            .map(|band| {
                let (a, b) = (x(band.from_s).max(LEFT), x(band.to_s).min(right));
                // Too short to be seen is still marked.
                if b - a < 3.0 { (f64::midpoint(a, b) - 1.5, f64::midpoint(a, b) + 1.5) } else { (a, b) }
            })
            .collect();
        for (a, b) in &shown {
            svg.rect((*a, top), (b - a, bottom - top), "fill=\"#E69F00\" fill-opacity=\"0.25\"");
            for edge in [*a, *b] {
                svg.line((edge, top), (edge, bottom), "stroke=\"#000\" stroke-width=\"0.7\" stroke-dasharray=\"3 2\"");
            }
        }
        // One word over the widest mark, not over each.
        if let Some((a, b)) = shown.iter().copied().max_by(|a, b| (a.1 - a.0).total_cmp(&(b.1 - b.0))) {
            let half = width_of(&self.band_text, 11.0) / 2.0;
            let middle = f64::midpoint(a, b).clamp(LEFT + half, (right - half).max(LEFT + half));
            svg.text((middle, top - 5.0), 11.0, Anchor::Middle, &self.band_text, "font-weight=\"bold\"");
        }
    }
}

impl Panel {
    /// Which traces stand in each row of the legend.
    fn legend(&self) -> Vec<Vec<usize>> {
        let mut rows: Vec<Vec<usize>> = vec![Vec::new()];
        let mut used = 0.0;
        for (idx, trace) in self.traces.iter().enumerate() {
            let width = 44.0 + width_of(&trace.name, 11.0);
            if used + width > WIDTH - LEFT - RIGHT && used > 0.0 {
                rows.push(Vec::new());
                used = 0.0;
            }
            used += width;
            if let Some(row) = rows.last_mut() {
                row.push(idx);
            }
        }
        rows
    }

    fn draw(
        &self,
        svg: &mut Svg,
        (x, written): (&dyn Fn(f64) -> f64, &dyn Fn(f64) -> String),
        top: f64,
        legend: &[Vec<usize>],
        shown: (f64, f64),
    ) {
        let bottom = top + PANEL - 12.0;
        let inside: Vec<Vec<(f64, f64)>> = self.traces.iter().map(|trace| trace.within(shown.0, shown.1)).collect();
        let values = inside.iter().flatten().map(|point| point.1).filter(|value| value.is_finite());
        let (mut low, mut high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
        if low > high {
            (low, high) = (0.0, 1.0);
        }
        let pad = if high > low { 0.06 * (high - low) } else { high.abs().max(1.0) * 0.1 };
        (low, high) = (low - pad, high + pad);
        let y = |value: f64| bottom - (value - low) / (high - low) * (bottom - top);
        for value in ticks(low, high, 3) {
            svg.line((LEFT, y(value)), (WIDTH - RIGHT, y(value)), "stroke=\"#BBB\" stroke-width=\"0.5\"");
            svg.text((LEFT - 6.0, y(value) + 3.5), 11.0, Anchor::End, &written(value), "");
        }
        svg.rect(
            (LEFT, top),
            (WIDTH - LEFT - RIGHT, bottom - top),
            "fill=\"none\" stroke=\"#000\" stroke-width=\"0.8\"",
        );
        let unit = format!("transform=\"rotate(-90 13 {:.1})\"", f64::midpoint(top, bottom));
        svg.text((13.0, f64::midpoint(top, bottom)), 11.0, Anchor::Middle, &self.unit, &unit);
        for (idx, (trace, points)) in self.traces.iter().zip(&inside).enumerate() {
            let kept = decimate(points, (WIDTH - LEFT - RIGHT) as usize);
            let mut path = String::with_capacity(12 * kept.len());
            let mut is_pen_down = false;
            let mut last_y = 0.0;
            for (t_s, value) in kept {
                if !value.is_finite() {
                    is_pen_down = false;
                    continue;
                }
                let (px, py) = (x(t_s), y(value));
                if is_pen_down && trace.is_stepped {
                    path += &format!("L{px:.1} {last_y:.1}");
                }
                path += &format!("{}{px:.1} {py:.1}", if is_pen_down { "L" } else { "M" });
                (is_pen_down, last_y) = (true, py);
            }
            svg.body += &format!("<path d=\"{path}\" fill=\"none\" {}/>\n", line_style(idx));
        }
        for (row, indices) in legend.iter().enumerate() {
            let at_y = top - LEGEND * (legend.len() - row) as f64 + 13.0;
            let mut at_x = LEFT;
            for &idx in indices {
                svg.line((at_x, at_y - 4.0), (at_x + 26.0, at_y - 4.0), &line_style(idx));
                svg.text((at_x + 31.0, at_y), 11.0, Anchor::Start, &self.traces[idx].name, "");
                at_x += 44.0 + width_of(&self.traces[idx].name, 11.0);
            }
        }
    }
}

impl Trace {
    /// Points in the stretch, with the one before and the one after it moved to its edges, so that lines reach them.
    fn within(&self, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        let start = self.points.partition_point(|point| point.0 < from_s);
        let end = self.points.partition_point(|point| point.0 <= to_s);
        let edge = |outside: (f64, f64), inside: (f64, f64), at: f64| {
            let share = (at - outside.0) / (inside.0 - outside.0);
            let value = if self.is_stepped { outside.1 } else { outside.1 + share * (inside.1 - outside.1) };
            (at, value)
        };
        let mut points = Vec::with_capacity(end.saturating_sub(start) + 2);
        if start > 0 && start < self.points.len() {
            points.push(edge(self.points[start - 1], self.points[start], from_s));
        }
        points.extend_from_slice(&self.points[start..end.max(start)]);
        if end > 0 && end < self.points.len() && end >= start {
            let (inside, outside) = (self.points[end - 1], self.points[end]);
            let share = (to_s - inside.0) / (outside.0 - inside.0);
            let value = if self.is_stepped { inside.1 } else { inside.1 + share * (outside.1 - inside.1) };
            points.push((to_s, value));
        }
        points
    }
}

fn line_style(idx: usize) -> String {
    let (colour, dash) = (COLOURS[idx % COLOURS.len()], DASHES[idx % DASHES.len()]);
    format!(
        "stroke=\"{colour}\" stroke-width=\"1.4\" stroke-dasharray=\"{}\"",
        if dash.is_empty() { "none" } else { dash }
    )
}
