//! The live view of a recording in the terminal: numbers, small traces, marks by key.

use std::collections::VecDeque;
use std::io::{IsTerminal, Write};
use std::time::{Duration, Instant};

use crossterm::event::{Event, KeyCode, KeyEventKind, KeyModifiers};
use crossterm::{cursor, execute, terminal};
use protocol::Nanos;
use signal::Sample;
use workshop::{Control, Observer};

use crate::failure::Failure;
use crate::keys::Keys;
use crate::output::{clean, clock, progress};

/// A key that means something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Pressed {
    /// Space bar, enter or m.
    Mark,
    /// q, escape or Ctrl-C.
    Quit,
}

/// Pause between two pictures: ten a second are all that an eye can read.
const PICTURE_EVERY: Duration = Duration::from_millis(100);
/// Stretch of time that a small trace shows, seconds.
const TRACE_S: f64 = 20.0;
/// Columns of a small trace.
const TRACE_COLUMNS: usize = 40;
/// Notes shown at the bottom.
const NOTES: usize = 4;

/// The view.
pub(crate) struct Live {
    rows: Vec<Row>,
    notes: VecDeque<String>,
    marks: usize,
    drawn: Option<Instant>,
    /// Once the terminal is taken over.
    keys: Option<Keys>,
    control: Control,
}

struct Row {
    label: String,
    unit: String,
    recent: VecDeque<(Nanos, f64)>,
}

impl Live {
    /// # Errors
    /// There is no terminal.
    pub(crate) fn new(control: Control) -> Result<Self, Failure> {
        if !std::io::stdout().is_terminal() || !std::io::stdin().is_terminal() {
            return Err(
                Failure::input("a live view needs a terminal").hint("`witness drive record` records without one")
            );
        }
        Ok(Self::off(control))
    }

    fn off(control: Control) -> Self {
        Self { rows: Vec::new(), notes: VecDeque::new(), marks: 0, drawn: None, keys: None, control }
    }

    /// Gives the terminal back.
    fn give_back(&mut self) {
        if self.keys.take().is_some() {
            let _ = execute!(std::io::stdout(), cursor::Show, terminal::LeaveAlternateScreen);
            let _ = terminal::disable_raw_mode();
        }
    }

    fn add_note(&mut self, line: &str) {
        self.notes.push_back(clean(line));
        while self.notes.len() > NOTES {
            self.notes.pop_front();
        }
    }

    /// The picture as lines of at most `columns` characters, at most `lines` of them.
    fn picture(&self, t_ns: Nanos, columns: usize, lines: usize) -> String {
        let mut all = vec![
            format!("recording {}    marks {}", clock(signal::seconds_from_nanos(t_ns)), self.marks),
            "space: set a mark    q: end".to_owned(),
            String::new(),
        ];
        all.extend(self.rows.iter().map(|row| row.line(t_ns)));
        all.push(String::new());
        all.extend(self.notes.iter().cloned());
        let cut = |line: &String| line.chars().take(columns.saturating_sub(1)).collect::<String>();
        // Raw mode: the carriage does not return by itself; the rest of an older, longer line is blanked.
        all.iter().take(lines.saturating_sub(1)).map(|line| format!("{}\x1b[K\r\n", cut(line))).collect()
    }
}

impl Observer for Live {
    fn say(&mut self, line: &str) {
        progress(line);
    }

    /// Takes over the terminal; without it the drive is recorded all the same, and Ctrl-C ends it.
    fn begin(&mut self, signals: &[wire::PlannedSignal]) {
        let row = |signal: &wire::PlannedSignal| Row {
            label: clean(&signal.id),
            unit: clean(&signal.unit),
            recent: VecDeque::new(),
        };
        self.rows = signals.iter().map(row).collect();
        let taken = terminal::enable_raw_mode()
            .and_then(|()| execute!(std::io::stdout(), terminal::EnterAlternateScreen, cursor::Hide));
        match taken {
            Ok(()) => self.keys = Some(Keys::listen()),
            Err(error) => progress(&format!("cannot take over the terminal: {error}; Ctrl-C ends the drive")),
        }
    }

    fn sample(&mut self, signal: usize, sample: Sample) {
        let Some(row) = self.rows.get_mut(signal) else { return };
        row.recent.push_back((sample.t_ns, sample.value));
        let oldest = sample.t_ns - signal::nanos_from_seconds(TRACE_S);
        while row.recent.front().is_some_and(|(t_ns, _)| *t_ns < oldest) {
            row.recent.pop_front();
        }
    }

    fn note(&mut self, t_ns: Nanos, text: &str) {
        self.add_note(&format!("{:.3} s: {text}", signal::seconds_from_nanos(t_ns)));
    }

    fn mark(&mut self, t_ns: Nanos, _: &str) {
        self.marks += 1;
        self.add_note(&format!("mark {} at {}", self.marks, clock(signal::seconds_from_nanos(t_ns))));
    }

    /// Draws when it is time to, and does what the pressed keys say.
    fn turn(&mut self, t_ns: Nanos) {
        let Some(keys) = &self.keys else { return };
        if self.drawn.is_some_and(|drawn| drawn.elapsed() < PICTURE_EVERY) {
            return;
        }
        self.drawn = Some(Instant::now());
        match pressed(keys) {
            // Taken right after this turn.
            Some(Pressed::Mark) => {
                self.control.mark("");
            }
            Some(Pressed::Quit) => self.control.stop(),
            None => {}
        }
        let (columns, lines) = terminal::size().unwrap_or((80, 24));
        let picture = self.picture(t_ns, usize::from(columns), usize::from(lines));
        let mut out = std::io::stdout().lock();
        let _ = execute!(out, cursor::MoveTo(0, 0));
        let _ = out.write_all(picture.as_bytes()).and_then(|()| out.flush());
        let _ = execute!(out, terminal::Clear(terminal::ClearType::FromCursorDown));
    }

    fn end(&mut self) {
        self.give_back();
    }
}

impl Drop for Live {
    fn drop(&mut self) {
        self.give_back();
    }
}

impl Row {
    fn line(&self, now_ns: Nanos) -> String {
        let value = self.recent.back().map_or_else(|| "-".to_owned(), |(_, value)| format!("{value:.2}"));
        let span = self
            .recent
            .front()
            .zip(self.recent.back())
            .map_or(0.0, |(first, last)| signal::seconds_from_nanos(last.0 - first.0));
        let rate = if span > 0.0 { (self.recent.len() - 1) as f64 / span } else { 0.0 };
        format!("{:34} {value:>10} {:6} {rate:6.1}/s  {}", self.label, self.unit, self.trace(now_ns))
    }

    /// The last seconds as one line of blocks, from least to greatest value seen in them.
    fn trace(&self, now_ns: Nanos) -> String {
        const BLOCKS: [char; 8] = ['▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
        let (mut low, mut high) = (f64::INFINITY, f64::NEG_INFINITY);
        let mut columns = [None::<f64>; TRACE_COLUMNS];
        for (t_ns, value) in &self.recent {
            let age = signal::seconds_from_nanos(now_ns - t_ns) / TRACE_S;
            let column = ((1.0 - age) * TRACE_COLUMNS as f64) as usize;
            if let Some(slot) = columns.get_mut(column.min(TRACE_COLUMNS - 1)) {
                // The value farthest from the middle of what was there: a short spike must not vanish between columns.
                let keep =
                    slot.is_none_or(|old: f64| (value - (low + high) / 2.0).abs() > (old - (low + high) / 2.0).abs());
                if keep || !low.is_finite() {
                    *slot = Some(*value);
                }
            }
            (low, high) = (low.min(*value), high.max(*value));
        }
        let level = |value: f64| if high > low { ((value - low) / (high - low) * 7.0).round() as usize } else { 0 };
        columns.iter().map(|slot| slot.map_or(' ', |value| BLOCKS[level(value).min(7)])).collect()
    }
}

fn pressed(keys: &Keys) -> Option<Pressed> {
    while let Some(event) = keys.next(Duration::ZERO) {
        let Event::Key(key) = event else { continue };
        if key.kind == KeyEventKind::Release {
            continue;
        }
        let is_interrupt = key.modifiers.contains(KeyModifiers::CONTROL) && key.code == KeyCode::Char('c');
        match key.code {
            KeyCode::Char('q') | KeyCode::Esc => return Some(Pressed::Quit),
            _ if is_interrupt => return Some(Pressed::Quit),
            KeyCode::Char(' ' | 'm') | KeyCode::Enter => return Some(Pressed::Mark),
            _ => {}
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_stays_in_the_small_trace() {
        let mut row = Row { label: "a".into(), unit: "V".into(), recent: VecDeque::new() };
        for k in 0..2000 {
            row.recent.push_back((k * 10_000_000, if k == 1000 { 9.0 } else { 1.0 }));
        }
        let trace = row.trace(20_000_000_000);
        assert_eq!(trace.chars().filter(|c| *c == '█').count(), 1, "{trace}");
        assert_eq!(trace.chars().count(), TRACE_COLUMNS);
    }

    #[test]
    fn the_picture_fits_the_terminal() {
        let mut live = Live::off(Control::default());
        live.rows =
            (0..50).map(|_| Row { label: "x".repeat(100), unit: "V".into(), recent: VecDeque::new() }).collect();
        let picture = live.picture(0, 40, 10);
        assert_eq!(picture.matches("\r\n").count(), 9);
        assert!(picture.split("\r\n").all(|line| line.replace("\x1b[K", "").chars().count() < 40));
    }
}
