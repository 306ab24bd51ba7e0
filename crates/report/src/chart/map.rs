//! A map over two quantities: how long each field was driven, and how many events were counted there.

use super::{Anchor, Svg};
use crate::units::number;

/// One field of the map.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Cell {
    /// Seconds driven in it.
    pub seconds: f64,
    /// Events counted in it.
    pub events: u64,
}

/// A framed part of the map; a side that is missing lies at the edge.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Frame {
    /// Least x.
    pub from_x: Option<f64>,
    /// Greatest x.
    pub to_x: Option<f64>,
    /// Least y.
    pub from_y: Option<f64>,
    /// Greatest y.
    pub to_y: Option<f64>,
}

/// The picture.
#[derive(Debug, Clone, PartialEq)]
pub struct Map {
    /// Name and unit of the axis to the right.
    pub x_text: String,
    /// Name and unit of the axis upwards.
    pub y_text: String,
    /// Width of a field.
    pub x_step: f64,
    /// Height of a field.
    pub y_step: f64,
    /// Where the first column begins.
    pub x_from: f64,
    /// Where the lowest row begins.
    pub y_from: f64,
    /// Rows from below, each with the same number of columns.
    pub cells: Vec<Vec<Cell>>,
    /// The part that stands out.
    pub frame: Option<Frame>,
}

const WIDTH: f64 = 360.0;
const LEFT: f64 = 58.0;
const TOP: f64 = 8.0;
const BOTTOM: f64 = 42.0;
const RIGHT: f64 = 16.0;
const CELL_HEIGHT: f64 = 15.0;

impl Map {
    /// The picture as an SVG document.
    #[must_use]
    pub fn svg(&self, title: &str) -> String {
        let (n_rows, n_columns) = (self.cells.len(), self.cells.iter().map(Vec::len).max().unwrap_or(0));
        let height = TOP + CELL_HEIGHT * n_rows as f64 + BOTTOM;
        let mut svg = Svg::new(WIDTH, height);
        let base = TOP + CELL_HEIGHT * n_rows as f64;
        let cell_width = (WIDTH - LEFT - RIGHT) / n_columns.max(1) as f64;
        let longest = self.cells.iter().flatten().map(|cell| cell.seconds).fold(0.0, f64::max);
        for (row, cells) in self.cells.iter().enumerate() {
            for (column, cell) in cells.iter().enumerate() {
                let at = (LEFT + cell_width * column as f64, base - CELL_HEIGHT * (row + 1) as f64);
                if cell.seconds > 0.0 && longest > 0.0 {
                    // White is never driven; the square root keeps short stays visible, and figures stay legible.
                    let grey = (245.0 - 110.0 * (cell.seconds / longest).sqrt()) as u8;
                    let fill = format!("fill=\"#{grey:02X}{grey:02X}{grey:02X}\"");
                    svg.rect(at, (cell_width, CELL_HEIGHT), &fill);
                }
                if cell.events > 0 {
                    let middle = (at.0 + cell_width / 2.0, at.1 + CELL_HEIGHT / 2.0 + 3.8);
                    svg.text(middle, 11.0, Anchor::Middle, &cell.events.to_string(), "font-weight=\"bold\"");
                }
            }
        }
        let style = "fill=\"none\" stroke=\"#000\" stroke-width=\"0.8\"";
        svg.rect((LEFT, TOP), (WIDTH - LEFT - RIGHT, base - TOP), style);
        for column in 0..=n_columns {
            let x = LEFT + cell_width * column as f64;
            svg.line((x, base), (x, base + 4.0), "stroke=\"#000\"");
            if column % (1 + n_columns / 6) == 0 {
                let value = self.x_from + self.x_step * column as f64;
                svg.text((x, base + 16.0), 11.0, Anchor::Middle, &number(value), "");
            }
        }
        for row in 0..=n_rows {
            let y = base - CELL_HEIGHT * row as f64;
            svg.line((LEFT - 4.0, y), (LEFT, y), "stroke=\"#000\"");
            if row % 2 == 0 {
                let value = self.y_from + self.y_step * row as f64;
                svg.text((LEFT - 7.0, y + 4.0), 11.0, Anchor::End, &number(value), "");
            }
        }
        if let Some(frame) = self.frame {
            let x = |value: f64| LEFT + ((value - self.x_from) / self.x_step).clamp(0.0, n_columns as f64) * cell_width;
            let y = |value: f64| base - ((value - self.y_from) / self.y_step).clamp(0.0, n_rows as f64) * CELL_HEIGHT;
            let (left, right) = (frame.from_x.map_or(LEFT, x), frame.to_x.map_or(WIDTH - RIGHT, x));
            let (bottom, top) = (frame.from_y.map_or(base, y), frame.to_y.map_or(TOP, y));
            let style = "fill=\"none\" stroke=\"#D55E00\" stroke-width=\"2.5\" stroke-dasharray=\"8 3\"";
            svg.rect((left, top), ((right - left).max(2.0), (bottom - top).max(2.0)), style);
        }
        svg.text((f64::midpoint(LEFT, WIDTH - RIGHT), height - 6.0), 11.0, Anchor::Middle, &self.x_text, "");
        let turn = format!("transform=\"rotate(-90 14 {:.1})\"", f64::midpoint(TOP, base));
        svg.text((14.0, f64::midpoint(TOP, base)), 11.0, Anchor::Middle, &self.y_text, &turn);
        svg.finish(title)
    }
}
