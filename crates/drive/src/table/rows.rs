//! Rows of text with commas or semicolons between the cells, from any stream, one at a time and of bounded length.

use std::io::Read;

use csv_core::ReadRecordResult;

use super::TableProblem;
use crate::source::Source;

/// Longest row, bytes: room for the cells of as many columns as a drive can have signals.
const MAX_ROW: usize = 4 << 20;
/// Most columns: as many as a drive can have signals, and the time.
const MAX_COLUMNS: usize = 65_520;
/// The rows of a table.
pub(super) struct Rows<'a> {
    source: Source<'a>,
    input: Vec<u8>,
    from: usize,
    /// A carriage return at the end of the last block: what follows tells what it means.
    pending_return: bool,
    at_end: bool,
    csv: csv_core::Reader,
    /// What stands between the cells; `None` before the first line was seen.
    separator: Option<u8>,
    cells: Vec<u8>,
    ends: Vec<usize>,
    n_cells: usize,
    line: u64,
}

impl<'a> Rows<'a> {
    /// Starts reading; plain text and gzip are told apart by their first bytes.
    pub(super) fn start(source: impl Read + 'a) -> Result<Self, TableProblem> {
        let (source, head) = Source::start(source)?;
        match head.as_slice() {
            [] => return Err(TableProblem::Empty),
            [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => return Err(TableProblem::Binary("it is UTF-16")),
            b"PK\x03\x04" => return Err(TableProblem::Binary("it is a zip archive, perhaps a spreadsheet")),
            [0x89, b'M', b'C', b'A'] => {
                return Err(TableProblem::Binary("it is an MCAP file, perhaps a drive already"));
            }
            _ => {}
        }
        Ok(Self {
            source,
            input: Vec::new(),
            from: 0,
            pending_return: false,
            at_end: false,
            csv: csv_core::Reader::new(),
            separator: None,
            cells: vec![0; 4096],
            ends: vec![0; 64],
            n_cells: 0,
            line: 0,
        })
    }

    /// Reads the next row; `false` at the end. Empty lines are skipped.
    pub(super) fn advance(&mut self) -> Result<bool, TableProblem> {
        let (mut n_out, mut n_ends) = (0, 0);
        loop {
            if self.from == self.input.len() && !self.at_end {
                self.fill()?;
            }
            if self.separator.is_none() {
                let separator = separator(&self.input);
                self.csv = csv_core::ReaderBuilder::new().delimiter(separator).build();
                self.separator = Some(separator);
            }
            let (result, n_in, n_written, n_new) =
                self.csv.read_record(&self.input[self.from..], &mut self.cells[n_out..], &mut self.ends[n_ends..]);
            let last = self.input[self.from..].get(n_in.wrapping_sub(1)).copied();
            self.from += n_in;
            n_out += n_written;
            n_ends += n_new;
            match result {
                ReadRecordResult::InputEmpty => {}
                ReadRecordResult::OutputFull if n_out >= MAX_ROW => return Err(TableProblem::LongRow(MAX_ROW)),
                ReadRecordResult::OutputFull => self.cells.resize(self.cells.len() * 2, 0),
                ReadRecordResult::OutputEndsFull if n_ends >= MAX_COLUMNS => {
                    return Err(TableProblem::ManyColumns(MAX_COLUMNS));
                }
                ReadRecordResult::OutputEndsFull => self.ends.resize(self.ends.len() * 2, 0),
                ReadRecordResult::Record => {
                    self.n_cells = n_ends;
                    // The reader has counted the line end that it has just passed.
                    self.line = self.csv.line() - u64::from(last == Some(b'\n'));
                    return Ok(true);
                }
                ReadRecordResult::End => return Ok(false),
            }
        }
    }

    /// The line that the last row ended on, from 1; where reading had got to after an error.
    pub(super) fn line(&self) -> u64 {
        self.line
    }

    /// The line that is being read, for errors of [`Rows::advance`].
    pub(super) fn line_in_work(&self) -> u64 {
        self.csv.line()
    }

    /// Whether semicolons stand between the cells, so that a comma may stand before decimals.
    pub(super) fn has_semicolons(&self) -> bool {
        self.separator == Some(b';')
    }

    /// Number of cells of the last row.
    pub(super) fn n_cells(&self) -> usize {
        self.n_cells
    }

    /// A cell of the last row, without blanks around it.
    pub(super) fn cell(&self, idx: usize) -> &[u8] {
        let from = if idx == 0 { 0 } else { self.ends[idx - 1] };
        self.cells[from..self.ends[idx]].trim_ascii()
    }

    /// A cell of the last row as text. Bytes that are not UTF-8 are taken as Latin-1, which is what old tools write `°` in.
    pub(super) fn text(&self, idx: usize) -> String {
        let cell = self.cell(idx);
        match std::str::from_utf8(cell) {
            Ok(text) => text.to_owned(),
            Err(_) => cell.iter().map(|&byte| char::from(byte)).collect(),
        }
    }

    /// Reads the next block and makes every line end a single line feed.
    fn fill(&mut self) -> Result<(), TableProblem> {
        self.from = 0;
        self.input.clear();
        let n_read = self.source.append_block(&mut self.input)?;
        self.at_end = n_read == 0;
        let had_return = std::mem::take(&mut self.pending_return);
        if had_return && self.input.first() != Some(&b'\n') {
            self.input.insert(0, b'\n');
        }
        if self.input.contains(&b'\r') {
            if self.input.last() == Some(&b'\r') {
                self.pending_return = true;
                self.input.pop();
            }
            let mut kept = 0;
            for idx in 0..self.input.len() {
                let byte = match self.input[idx] {
                    b'\r' if self.input.get(idx + 1) == Some(&b'\n') => continue,
                    b'\r' => b'\n',
                    byte => byte,
                };
                self.input[kept] = byte;
                kept += 1;
            }
            self.input.truncate(kept);
        }
        // The block may have been a lone carriage return: no input means the end to the reader of records.
        if self.input.is_empty() && !self.at_end { self.fill() } else { Ok(()) }
    }
}

/// What stands between the cells, by the first line, as far as it is in the first block: a semicolon where there are
/// semicolons and no commas outside of quotes.
fn separator(block: &[u8]) -> u8 {
    let (mut is_quoted, mut has_semicolon) = (false, false);
    let line = block.iter().skip_while(|byte| **byte == b'\n').take_while(|byte| **byte != b'\n');
    for byte in line {
        match byte {
            b'"' => is_quoted = !is_quoted,
            b',' if !is_quoted => return b',',
            b';' if !is_quoted => has_semicolon = true,
            _ => {}
        }
    }
    if has_semicolon { b';' } else { b',' }
}
