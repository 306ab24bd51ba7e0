//! A table from a drive.

use std::io::Write;
use std::path::Path;

use signal::{Recording, Series};

use super::{Layout, TIME, heading, number};
use crate::write::{NewFile, Overwrite, earliest_ns};
use crate::{DriveError, Problem, read};

/// Bytes that gather before they are written.
const PASS_ON_AT: usize = 1 << 16;

/// First line of a long table.
const LONG_HEADINGS: &str = "time_s,signal,value,unit";

/// How a drive becomes a table.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ExportOptions {
    /// The kind of table.
    pub layout: Layout,
    /// What to do if the table exists already.
    pub overwrite: Overwrite,
}

impl Default for ExportOptions {
    fn default() -> Self {
        Self { layout: Layout::Wide, overwrite: Overwrite::Never }
    }
}

/// What was exported.
#[derive(Debug, Clone, PartialEq)]
pub struct Exported {
    /// Rows, without the headings.
    pub n_rows: u64,
    /// Samples over all signals.
    pub n_samples: u64,
    /// What the drive holds and a table cannot, one line each.
    pub left_out: Vec<String>,
    /// What is damaged in the drive and therefore missing in the table.
    pub problems: Vec<Problem>,
}

/// Writes a drive as a table, without loss of time or value. The table appears when it is complete; after an error
/// nothing is left behind.
///
/// # Errors
/// As [`read`]; [`DriveError::Exists`]; [`DriveError::Io`]; [`DriveError::NoTable`].
pub fn export(drive: &Path, out: &Path, options: ExportOptions) -> Result<Exported, DriveError> {
    let opened = read(drive)?;
    let (new_file, mut file) = NewFile::beside(out, options.overwrite)?;
    let mut exported = export_table(&opened.recording, &mut file, options.layout).map_err(|error| match error {
        DriveError::Io { source, .. } => DriveError::io("cannot write", out)(source),
        other => other,
    })?;
    new_file.keep()?;
    let mut note = |n: usize, what: &str| {
        if n > 0 {
            exported.left_out.push(format!("{n} {what}"));
        }
    };
    let recording = &opened.recording;
    note(recording.marks.len(), "marks");
    note(recording.gaps.len(), "gaps");
    note(usize::try_from(opened.n_exchanges).unwrap_or(usize::MAX), "raw exchanges");
    note(usize::try_from(opened.n_frames).unwrap_or(usize::MAX), "raw frames");
    note(recording.series.iter().filter(|series| !series.asked_ns.is_empty()).count(), "signals with request times");
    exported.problems = opened.problems;
    Ok(exported)
}

/// Writes a recording as a table to any stream.
///
/// # Errors
/// [`DriveError::NoTable`] if the layout cannot hold the recording; [`DriveError::Io`].
pub fn export_table(recording: &Recording, out: &mut dyn Write, layout: Layout) -> Result<Exported, DriveError> {
    for series in &recording.series {
        check(series, layout)?;
    }
    let mut text = Text { bytes: Vec::with_capacity(PASS_ON_AT * 2), out };
    let written = match layout {
        Layout::Wide => wide(recording, &mut text),
        Layout::Long => long(recording, &mut text),
    };
    let n_rows = written
        .and_then(|n_rows| text.pass_on().and_then(|()| text.out.flush()).map(|()| n_rows))
        .map_err(DriveError::io("cannot write", Path::new("the table")))?;
    let n_samples = recording.series.iter().map(|series| series.len() as u64).sum();
    let is_lost = |series: &&Series| layout == Layout::Long && series.is_empty();
    let left_out = recording.series.iter().filter(is_lost).map(|s| format!("`{}`, which has no sample", s.id));
    Ok(Exported { n_rows, n_samples, left_out: left_out.collect(), problems: Vec::new() })
}

/// Whether a series comes back from the table as it is.
fn check(series: &Series, layout: Layout) -> Result<(), DriveError> {
    let (id, unit) = (&series.id, &series.unit);
    let refuse = |layout, problem| Err(DriveError::NoTable { layout, problem });
    match layout {
        Layout::Wide => {
            let heading = heading::join(id, unit);
            if heading.contains(char::is_control) || heading::split(&heading) != (id.as_str(), Some(unit.symbol())) {
                let problem = format!("the heading `{id} [{unit}]` cannot be taken apart again; write a long table");
                return refuse("wide", problem);
            }
            if let Some(idx) = series.t_ns.windows(2).position(|pair| pair[0] == pair[1]) {
                let t_s = signal::seconds_from_nanos(series.t_ns[idx]);
                return refuse("wide", format!("`{id}` has two samples at {t_s} s; write a long table"));
            }
        }
        Layout::Long => {
            if id.as_str().trim() != id.as_str() {
                return refuse("long", format!("the name `{id}` has blanks at its ends; write a wide table"));
            }
            // The unit has cells of its own there.
            if unit.symbol().starts_with(['=', '+', '-', '@']) {
                let problem = format!("a spreadsheet would compute the unit `{unit}` of `{id}`; write a wide table");
                return refuse("long", problem);
            }
        }
    }
    Ok(())
}

/// Text on its way out.
struct Text<'a> {
    bytes: Vec<u8>,
    out: &'a mut dyn Write,
}

impl Text<'_> {
    fn cell(&mut self, text: &str) {
        if text.contains([',', '"', '\n', '\r']) {
            let quoted = format!("\"{}\"", text.replace('"', "\"\""));
            self.bytes.extend_from_slice(quoted.as_bytes());
        } else {
            self.bytes.extend_from_slice(text.as_bytes());
        }
    }

    fn comma(&mut self) {
        self.bytes.push(b',');
    }

    fn end_row(&mut self) -> std::io::Result<()> {
        self.bytes.push(b'\n');
        if self.bytes.len() >= PASS_ON_AT { self.pass_on() } else { Ok(()) }
    }

    /// Hands over what has gathered.
    fn pass_on(&mut self) -> std::io::Result<()> {
        self.out.write_all(&self.bytes)?;
        self.bytes.clear();
        Ok(())
    }
}

/// One row per time that any signal has.
fn wide(recording: &Recording, text: &mut Text<'_>) -> std::io::Result<u64> {
    text.cell(TIME);
    for series in &recording.series {
        text.comma();
        text.cell(&heading::join(&series.id, &series.unit));
    }
    text.end_row()?;
    let mut next = vec![0; recording.series.len()];
    let mut n_rows = 0;
    while let Some(t_ns) = earliest_ns(recording, &next) {
        number::write_time(&mut text.bytes, t_ns);
        for (series, idx) in recording.series.iter().zip(&mut next) {
            text.comma();
            if series.t_ns.get(*idx) == Some(&t_ns) {
                number::write_value(&mut text.bytes, series.value[*idx]);
                *idx += 1;
            }
        }
        text.end_row()?;
        n_rows += 1;
    }
    Ok(n_rows)
}

/// One row per sample, in order of time and then of the signals.
fn long(recording: &Recording, text: &mut Text<'_>) -> std::io::Result<u64> {
    text.bytes.extend_from_slice(LONG_HEADINGS.as_bytes());
    text.end_row()?;
    let mut next = vec![0; recording.series.len()];
    let mut n_rows = 0;
    while let Some(t_ns) = earliest_ns(recording, &next) {
        for (series, idx) in recording.series.iter().zip(&mut next) {
            while series.t_ns.get(*idx) == Some(&t_ns) {
                number::write_time(&mut text.bytes, t_ns);
                text.comma();
                text.cell(series.id.as_str());
                text.comma();
                number::write_value(&mut text.bytes, series.value[*idx]);
                text.comma();
                text.cell(series.unit.symbol());
                text.end_row()?;
                *idx += 1;
                n_rows += 1;
            }
        }
    }
    Ok(n_rows)
}
