//! Pictures as SVG: one writer for the web, HTML and PDF.
//!
//! Colours are those of Okabe and Ito 2008 ("Color Universal Design"), which people with colour-blindness tell apart;
//! every line has a pattern of its own too, so that a print in black and white reads.

mod map;
mod traces;

pub use map::{Cell, Frame, Map};
pub use traces::{Band, Panel, Trace, Traces};

/// Okabe and Ito's palette without the colours that are too light for a line on white.
const COLOURS: [&str; 6] = ["#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#000000"];
/// Patterns that tell lines apart without colour; the first is solid.
const DASHES: [&str; 6] = ["", "7 3", "2 2.5", "9 3 2 3", "14 4", "1 4"];
/// Fonts in the order in which they are looked for; the first is the one that the PDF carries.
const FONT: &str = "Libertinus Serif, Georgia, serif";

/// An SVG document that is being written.
struct Svg {
    width: f64,
    height: f64,
    body: String,
}

/// Where a text is anchored.
#[derive(Clone, Copy)]
enum Anchor {
    Start,
    Middle,
    End,
}

impl Svg {
    fn new(width: f64, height: f64) -> Self {
        Self { width, height, body: String::new() }
    }

    fn line(&mut self, from: (f64, f64), to: (f64, f64), style: &str) {
        self.body += &format!(
            "<line x1=\"{:.1}\" y1=\"{:.1}\" x2=\"{:.1}\" y2=\"{:.1}\" {style}/>\n",
            from.0, from.1, to.0, to.1
        );
    }

    fn rect(&mut self, at: (f64, f64), size: (f64, f64), style: &str) {
        self.body += &format!(
            "<rect x=\"{:.1}\" y=\"{:.1}\" width=\"{:.1}\" height=\"{:.1}\" {style}/>\n",
            at.0, at.1, size.0, size.1
        );
    }

    fn text(&mut self, at: (f64, f64), size: f64, anchor: Anchor, text: &str, style: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        self.body += &format!(
            "<text x=\"{:.1}\" y=\"{:.1}\" font-size=\"{size}\" text-anchor=\"{anchor}\" {style}>{}</text>\n",
            at.0,
            at.1,
            escape(text)
        );
    }

    fn finish(self, title: &str) -> String {
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w:.0} {h:.0}\" width=\"{w:.0}\" height=\"{h:.0}\" \
             font-family=\"{FONT}\" role=\"img\">\n<title>{title}</title>\n{body}</svg>\n",
            w = self.width,
            h = self.height,
            title = escape(title),
            body = self.body
        )
    }
}

/// Whether a character turns the order of what stands behind it (Unicode Standard Annex 9, 2: explicit directional
/// formatting): a text from a car or a file must not make a sentence say something else.
pub(crate) fn turns(c: char) -> bool {
    matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// Text as it may stand in XML: markup escaped, control characters and those that turn the order replaced.
pub(crate) fn escape(text: &str) -> String {
    let mut escaped = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => escaped += "&amp;",
            '<' => escaped += "&lt;",
            '>' => escaped += "&gt;",
            '"' => escaped += "&quot;",
            '\'' => escaped += "&#39;",
            '\n' | '\t' => escaped.push(' '),
            c if c.is_control() || turns(c) || matches!(c, '\u{FFFE}' | '\u{FFFF}') => escaped.push('\u{FFFD}'),
            c => escaped.push(c),
        }
    }
    escaped
}

/// About how wide a text is, in units of its size: an upper bound for ordinary words.
fn width_of(text: &str, size: f64) -> f64 {
    0.52 * size * text.chars().count() as f64
}

/// Round values from `low` to `high`, at most `n` of them.
fn ticks(low: f64, high: f64, n: usize) -> Vec<f64> {
    let range = high - low;
    if range.is_nan() || range <= 0.0 || !range.is_finite() || n == 0 {
        return vec![low];
    }
    let rough = range / n as f64;
    let power = 10f64.powf(rough.log10().floor());
    let step = [1.0, 2.0, 5.0, 10.0].into_iter().map(|m| m * power).find(|step| *step >= rough).unwrap_or(10.0 * power);
    let first = (low / step - 1e-9).ceil();
    (0..=n + 1).map(|k| (first + k as f64) * step).take_while(|value| *value <= high + 1e-9 * range).collect()
}

/// At most four points per column: first, least, greatest and last of each, in order of time. Keeps every extreme.
///
/// `points` in order of x; `columns` of equal width between the first and last x.
#[must_use]
pub fn decimate(points: &[(f64, f64)], columns: usize) -> Vec<(f64, f64)> {
    let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
    let width = (last.0 - first.0) / columns.max(1) as f64;
    if points.len() <= 4 * columns || width.is_nan() || width <= 0.0 {
        return points.to_vec();
    }
    let column = |x: f64| (((x - first.0) / width) as usize).min(columns - 1);
    let mut kept = Vec::with_capacity(4 * columns);
    for group in points.chunk_by(|a, b| column(a.0) == column(b.0)) {
        let mut chosen = [0, 0, 0, group.len() - 1];
        for (idx, point) in group.iter().enumerate() {
            if point.1 < group[chosen[1]].1 {
                chosen[1] = idx;
            }
            if point.1 > group[chosen[2]].1 {
                chosen[2] = idx;
            }
        }
        chosen.sort_unstable();
        let mut before = None;
        for idx in chosen {
            if before != Some(idx) {
                kept.push(group[idx]);
            }
            before = Some(idx);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimation_keeps_every_extreme() {
        let mut points: Vec<(f64, f64)> = (0..100_000).map(|k| (f64::from(k), (f64::from(k) * 0.001).sin())).collect();
        points[54_321].1 = 9.0;
        points[54_322].1 = -9.0;
        let kept = decimate(&points, 500);
        assert!(kept.len() <= 2000);
        assert!(kept.contains(&(54_321.0, 9.0)) && kept.contains(&(54_322.0, -9.0)));
        assert!(kept.windows(2).all(|pair| pair[0].0 < pair[1].0));
        assert_eq!((kept.first(), kept.last()), (points.first(), points.last()));
        assert_eq!(decimate(&points[..10], 500), &points[..10]);
        assert!(decimate(&[], 5).is_empty());
    }

    #[test]
    fn ticks_are_round_and_inside() {
        assert_eq!(ticks(0.0, 100.0, 5), [0.0, 20.0, 40.0, 60.0, 80.0, 100.0]);
        assert_eq!(ticks(-3.0, 8.0, 4), [0.0, 5.0]);
        assert_eq!(ticks(1.0, 1.0, 4), [1.0]);
        assert_eq!(ticks(f64::NAN, 1.0, 4).len(), 1);
    }

    #[test]
    fn markup_in_a_label_is_text() {
        let mut svg = Svg::new(10.0, 10.0);
        svg.text((0.0, 0.0), 8.0, Anchor::Start, "</text><script>x</script>\u{0}", "");
        let text = svg.finish("a & b");
        assert!(!text.contains("<script") && text.contains("&lt;script&gt;") && text.contains("a &amp; b"));
    }
}
