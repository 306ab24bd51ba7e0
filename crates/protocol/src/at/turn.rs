//! One command and the text that follows until the prompt.

use super::words::{plain, split_progress};
use crate::Nanos;

/// Longest line and most lines kept of one answer; a longer text is cut and said to be.
const MAX_LINE: usize = 4096;
const MAX_LINES: usize = 2048;

/// What to type, and how long to wait for the prompt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Say {
    /// Without the return.
    pub(super) text: String,
    /// Longest silence before the text is given up.
    pub(super) quiet_ns: Nanos,
    /// The same once the adapter has said that it looks for a network or opens one.
    pub(super) progress_ns: Nanos,
    /// Longest time in all, also when text keeps coming.
    pub(super) total_ns: Nanos,
    /// Longest silence after a complete line other than a sign of progress; `None`: as before any line.
    pub(super) after_line_ns: Option<Nanos>,
    /// So many lines are the whole answer, and after them the prompt comes within this time.
    pub(super) whole: Option<(usize, Nanos)>,
}

impl Say {
    /// To be answered within `ns`; a text that keeps coming may take twice that.
    pub(super) fn within(text: &str, ns: Nanos) -> Self {
        let total_ns = ns.saturating_mul(2);
        Self { text: text.to_owned(), quiet_ns: ns, progress_ns: ns, total_ns, after_line_ns: None, whole: None }
    }

    /// Says nothing: takes what comes until it is quiet for `ns`.
    pub(super) fn nothing(ns: Nanos) -> Self {
        Self::within("", ns)
    }
}

/// One line of text from the adapter; never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Line {
    pub(super) text: String,
    pub(super) arrived_ns: Nanos,
    /// Whether it was ended by a line end, and not by the prompt or by silence in the middle of it.
    pub(super) is_ended: bool,
}

/// The text that followed a command.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Answer {
    pub(super) sent_ns: Nanos,
    pub(super) over_ns: Nanos,
    /// Without the echo.
    pub(super) lines: Vec<Line>,
    pub(super) echoed: bool,
    /// When the prompt came; `None`: it did not.
    pub(super) prompt_ns: Option<Nanos>,
    /// Whether an empty line stood before the prompt, as it does with most adapters.
    pub(super) blank_before_prompt: bool,
    /// Text was too long and has been cut.
    pub(super) cut: bool,
}

impl Answer {
    /// The lines as words and bytes, for messages.
    pub(super) fn said(&self) -> String {
        let lines: Vec<&str> = self.lines.iter().map(|line| line.text.as_str()).collect();
        shown(&lines.join(" | "))
    }

    /// Whether a line equals `text`, spaces and case aside.
    pub(super) fn has(&self, text: &str) -> bool {
        self.lines.iter().any(|line| plain(&line.text) == text)
    }
}

/// Outside text for a message: escaped and shortened.
pub(super) fn shown(text: &str) -> String {
    const MAX: usize = 80;
    let mut out: String = text.chars().take(MAX).flat_map(char::escape_debug).collect();
    if text.chars().nth(MAX).is_some() {
        out.push_str("...");
    }
    out
}

/// A command on its way.
#[derive(Debug)]
pub(super) struct Turn {
    say: Say,
    sent_ns: Nanos,
    heard_ns: Nanos,
    lines: Vec<Line>,
    partial: String,
    /// Line ends since the last text.
    n_line_ends: usize,
    has_cr: bool,
    progress: bool,
    cut: bool,
    /// Prompts without any text before them: left over from before this command.
    pub(super) n_stray_prompts: usize,
}

impl Turn {
    pub(super) fn new(say: Say, now: Nanos) -> Self {
        Self {
            say,
            sent_ns: now,
            heard_ns: now,
            lines: Vec::new(),
            partial: String::new(),
            n_line_ends: 0,
            has_cr: false,
            progress: false,
            cut: false,
            n_stray_prompts: 0,
        }
    }

    pub(super) fn deadline(&self) -> Nanos {
        let quiet = match self.say.after_line_ns {
            _ if self.is_whole() => self.say.whole.map_or(self.say.quiet_ns, |(_, ns)| ns),
            Some(ns) if self.lines.iter().any(|line| split_progress(&plain(&line.text)).is_none()) => ns,
            _ if self.progress => self.say.progress_ns,
            _ => self.say.quiet_ns,
        };
        self.heard_ns.saturating_add(quiet).min(self.sent_ns.saturating_add(self.say.total_ns))
    }

    fn is_whole(&self) -> bool {
        self.say.whole.is_some_and(|(n_lines, _)| {
            // A K-line that was opened first is no line of the answer.
            self.lines.len() >= n_lines && self.lines.iter().filter(|line| !is_progress(line)).count() >= n_lines
        })
    }

    /// Takes one byte; true when it was the prompt that ends the answer.
    pub(super) fn receive(&mut self, now: Nanos, byte: u8) -> bool {
        self.heard_ns = now;
        match byte {
            b'>' => {
                let anything = !self.lines.is_empty() || !self.partial.is_empty();
                self.n_stray_prompts += usize::from(!anything);
                return anything;
            }
            b'\r' | b'\n' => {
                // CR LF counts as one end: with any CR in the text, only those count.
                self.has_cr |= byte == b'\r';
                self.n_line_ends += usize::from(byte == b'\r' || !self.has_cr);
                self.end_line(now, true);
            }
            // Adapters put NUL bytes into their text where they please.
            0 => {}
            b' '..=b'~' | b'\t' => self.push(char::from(byte)),
            _ => self.push(char::REPLACEMENT_CHARACTER),
        }
        false
    }

    fn push(&mut self, c: char) {
        self.n_line_ends = 0;
        if self.partial.len() < MAX_LINE {
            self.partial.push(c);
        } else {
            self.cut = true;
        }
        if self.partial.len() == "BUS INIT".len() || c == '.' {
            let plain = plain(&self.partial);
            self.progress |= plain.starts_with("SEARCHING") || plain.starts_with("BUSINIT");
        }
    }

    fn end_line(&mut self, now: Nanos, is_ended: bool) {
        let text = std::mem::take(&mut self.partial);
        let text = text.trim();
        if text.is_empty() {
            return;
        }
        if self.lines.len() < MAX_LINES {
            self.lines.push(Line { text: text.to_owned(), arrived_ns: now, is_ended });
        } else {
            self.cut = true;
        }
    }

    /// Ends the turn: at the prompt, or because the time is over.
    pub(super) fn finish(mut self, now: Nanos, prompt: bool) -> Answer {
        let blank_before_prompt = prompt && self.partial.is_empty() && self.n_line_ends >= 2;
        self.end_line(now, false);
        let mut lines = self.lines;
        let echoed = strip_echo(&mut lines, &self.say.text);
        Answer {
            sent_ns: self.sent_ns,
            over_ns: now,
            lines,
            echoed,
            prompt_ns: prompt.then_some(now),
            blank_before_prompt,
            cut: self.cut,
        }
    }
}

/// Whether a line holds nothing but a sign of progress.
fn is_progress(line: &Line) -> bool {
    matches!(split_progress(&plain(&line.text)), Some((_, "")))
}

/// Removes the command from the front of the answer; true if it was there.
///
/// An answer never begins with its own request: a positive answer carries the service + 0x40, and a header differs too.
fn strip_echo(lines: &mut Vec<Line>, sent: &str) -> bool {
    let sent = plain(sent);
    let Some(first) = lines.first_mut().filter(|_| !sent.is_empty()) else {
        return false;
    };
    let text = plain(&first.text);
    let Some(rest) = text.strip_prefix(&sent) else {
        return false;
    };
    if rest.is_empty() {
        lines.remove(0);
    } else {
        // The return between echo and answer was lost.
        first.text = rest.to_owned();
    }
    true
}
