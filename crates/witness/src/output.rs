//! What people read on the terminal.

use std::io::{IsTerminal, Write};
use std::sync::OnceLock;

use serde::Serialize;

/// Prints the one JSON object of a command.
pub(crate) fn print_json<T: Serialize>(value: &T) -> Result<(), crate::failure::Failure> {
    let mut out = std::io::stdout().lock();
    let mut json = serde_json::Serializer::with_formatter(&mut out, PlainJson);
    value.serialize(&mut json).map_err(std::io::Error::from).and_then(|()| writeln!(out)).or_else(|error| {
        match error.kind() {
            // The reader went away (`| head`): it has what it wanted.
            std::io::ErrorKind::BrokenPipe => Ok(()),
            _ => Err(crate::failure::Failure::new(crate::failure::Exit::Failed, format!("cannot print: {error}"))),
        }
    })
}

/// JSON whose strings hold no control characters: the format asks only for those of ASCII to be escaped (RFC 8259, 7),
/// and a terminal obeys those beyond as well (ECMA-48, 5.3).
struct PlainJson;

impl serde_json::ser::Formatter for PlainJson {
    fn write_string_fragment<W: ?Sized + Write>(&mut self, writer: &mut W, fragment: &str) -> std::io::Result<()> {
        for piece in fragment.split_inclusive(steers) {
            let rest = piece.trim_end_matches(steers);
            writer.write_all(rest.as_bytes())?;
            for c in piece[rest.len()..].chars() {
                write!(writer, "\\u{:04x}", u32::from(c))?;
            }
        }
        Ok(())
    }
}

/// Prints text for people, whatever is in it; a reader that goes away early is no error, and what else fails is told at
/// the end, by [`all_printed`].
pub(crate) fn print_text(text: &str) {
    let mut out = std::io::stdout().lock();
    match out.write_all(clean_lines(text).as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            let _ = UNPRINTED.set(error.to_string());
        }
        _ => {}
    }
}

/// Why something that was to be read on standard output is not there: a full disk behind a `>`, for instance.
static UNPRINTED: OnceLock<String> = OnceLock::new();

/// Whether everything was printed. What was done is done all the same.
pub(crate) fn all_printed() -> Result<(), crate::failure::Failure> {
    UNPRINTED.get().map_or(Ok(()), |error| {
        Err(crate::failure::Failure::new(crate::failure::Exit::Failed, format!("cannot print: {error}")))
    })
}

/// Prints text for people on standard error.
pub(crate) fn print_error(text: &str) {
    let _ = std::io::stderr().lock().write_all(clean_lines(text).as_bytes());
}

/// Progress on standard error, one line or several.
pub(crate) fn progress(text: &str) {
    print_error(&format!("{text}\n"));
}

/// Tells progress on standard error.
pub(crate) struct Aloud;

impl workshop::Observer for Aloud {
    fn say(&mut self, line: &str) {
        progress(line);
    }
}

/// Width to wrap text at.
pub(crate) fn width() -> usize {
    if std::io::stdout().is_terminal() {
        crossterm::terminal::size().map_or(100, |(columns, _)| usize::from(columns).clamp(40, 120))
    } else {
        100
    }
}

/// Text from a car, a file or a person as one line that cannot steer the terminal; the lines that a person wrote stand
/// behind one another.
pub(crate) fn clean(text: &str) -> String {
    text.replace("\r\n", " ").replace(['\n', '\t'], " ").replace(steers, "\u{FFFD}")
}

/// The same with its lines as they are. What is printed goes through here, also where somebody forgot [`clean`].
fn clean_lines(text: &str) -> String {
    text.replace(|c| c != '\n' && steers(c), "\u{FFFD}")
}

/// Whether a character moves the cursor, changes the terminal, or turns the order of what stands beside it (Unicode
/// Standard Annex 9, 2: explicit directional formatting).
fn steers(c: char) -> bool {
    c.is_control() || matches!(c, '\u{202A}'..='\u{202E}' | '\u{2066}'..='\u{2069}')
}

/// `text` wrapped to `width` columns, each line behind `indent`. Words joined by a no-break space stay together.
pub(crate) fn wrapped(text: &str, indent: &str, width: usize) -> String {
    let room = width.saturating_sub(indent.chars().count()).max(20);
    let mut lines = String::new();
    let mut line = String::new();
    for word in text.split([' ', '\n']).filter(|word| !word.is_empty()) {
        if !line.is_empty() && line.chars().count() + 1 + word.chars().count() > room {
            lines += &format!("{indent}{line}\n");
            line.clear();
        }
        if !line.is_empty() {
            line.push(' ');
        }
        line += word;
    }
    if !line.is_empty() {
        lines += &format!("{indent}{line}\n");
    }
    lines
}

/// Short texts in as many columns as fit into `width`, read downwards, each line behind `indent`.
pub(crate) fn in_columns(texts: &[String], indent: &str, width: usize) -> String {
    let cell = texts.iter().map(|text| text.chars().count()).max().unwrap_or(0) + 3;
    let n_columns = (width.saturating_sub(indent.len()) / cell).clamp(1, 4);
    let n_lines = texts.len().div_ceil(n_columns);
    (0..n_lines)
        .map(|line| {
            let cells = (0..n_columns).filter_map(|column| texts.get(column * n_lines + line));
            let row: String = cells.map(|text| format!("{text:cell$}")).collect();
            format!("{indent}{}\n", row.trim_end())
        })
        .collect()
}

/// Seconds as `m:ss.s` from the start of the drive, which is how marks are found again.
pub(crate) fn clock(t_s: f64) -> String {
    let sign = if t_s < 0.0 { "-" } else { "" };
    let tenths = (t_s.abs() * 10.0).round() as u64;
    format!("{sign}{}:{:02}.{}", tenths / 600, tenths / 10 % 60, tenths % 10)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_that_is_printed_steers_the_terminal() {
        // An escape sequence of 7 and of 8 bits (ECMA-48, 5.4), a bell, a carriage return, DEL, and a reversed word.
        let hostile = "a\u{1B}[2Jb\u{9B}31mc\u{7}d\re\u{7F}f\u{202E}g\nh";
        assert_eq!(clean_lines(hostile).matches('\u{FFFD}').count(), 6);
        assert!(!clean_lines(hostile).replace('\n', "").contains(steers) && !clean(hostile).contains(steers));
        assert_eq!(clean("lamp on\r\nand off\n\tagain"), "lamp on and off  again", "lines of a note");
        let mut json = Vec::new();
        hostile.serialize(&mut serde_json::Serializer::with_formatter(&mut json, PlainJson)).unwrap();
        let json = String::from_utf8(json).unwrap();
        assert!(!json.contains(steers) && json.contains("\\u009b31m") && json.contains("\\u202eg"), "{json}");
        assert_eq!(serde_json::from_str::<String>(&json).unwrap(), hostile, "and nothing is lost");
    }

    #[test]
    fn times_of_a_drive() {
        for (t_s, expected) in
            [(0.0, "0:00.0"), (59.96, "1:00.0"), (83.25, "1:23.3"), (3723.0, "62:03.0"), (-1.5, "-0:01.5")]
        {
            assert_eq!(clock(t_s), expected);
        }
    }

    #[test]
    fn columns_are_read_downwards() {
        let texts: Vec<String> = ["a", "bb", "c", "d", "e"].map(str::to_owned).to_vec();
        assert_eq!(in_columns(&texts, "  ", 12), "  a    d\n  bb   e\n  c\n");
        assert_eq!(in_columns(&[], "  ", 12), "");
    }

    #[test]
    fn text_wraps_between_words() {
        assert_eq!(wrapped("one two three four five six", "  ", 22), "  one two three four\n  five six\n");
        assert_eq!(wrapped("one two three four\u{a0}five six", "  ", 22), "  one two three\n  four\u{a0}five six\n");
        assert_eq!(wrapped("", "  ", 20), "");
    }
}
