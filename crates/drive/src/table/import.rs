//! A drive from a table.

use std::borrow::Cow;
use std::collections::HashMap;
use std::fs::File;
use std::io::Read;
use std::path::Path;

use signal::{Catalogue, Recording, Series, SignalId, Unit};

use super::heading::{self, MapEntry};
use super::number::{self, DecimalMark, NoValue};
use super::rows::Rows;
use super::{Layout, TIME, TableError, TableProblem};
use crate::write::{DriveFile, NewFile, Overwrite};
use crate::{DriveError, DriveInfo};

/// Samples that gather before they are written; they then lie together in the file.
const FLUSH_AT: usize = 1 << 16;
/// A day of a clock, nanoseconds.
const DAY_NS: i64 = 86_400_000_000_000;
/// Longest text of a cell that an error repeats, characters.
const MAX_QUOTE: usize = 60;

/// How a table becomes a drive.
#[derive(Debug, Clone)]
pub struct ImportOptions {
    /// Which columns become which signals; the others keep their names.
    pub map: Vec<MapEntry>,
    /// What to do if the drive exists already.
    pub overwrite: Overwrite,
    /// Description of the drive.
    pub info: DriveInfo,
}

impl Default for ImportOptions {
    fn default() -> Self {
        Self { map: Vec::new(), overwrite: Overwrite::Never, info: DriveInfo::default() }
    }
}

/// What was imported.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// The kind of table that it was.
    pub layout: Layout,
    /// Rows, without the headings.
    pub n_rows: u64,
    /// Signals, in the order of their first appearance.
    pub signals: Vec<SignalId>,
    /// Samples over all signals.
    pub n_samples: u64,
    /// What was assumed or converted, one line each.
    pub notes: Vec<String>,
}

/// Makes a drive from a table in a file, plain or gzipped. The drive appears when it is complete; after an error nothing
/// is left behind.
///
/// # Errors
/// [`DriveError::Table`] with line and column; [`DriveError::Exists`]; [`DriveError::Io`]; [`DriveError::Write`].
pub fn import(table: &Path, out: &Path, options: &ImportOptions) -> Result<Imported, DriveError> {
    let source = File::open(table).map_err(DriveError::io("cannot open", table))?;
    import_table(source, &table.display().to_string(), out, options)
}

/// As [`import`], from any stream. `name` stands for the table in errors.
///
/// # Errors
/// As [`import`].
pub fn import_table(
    source: impl Read,
    name: &str,
    out: &Path,
    options: &ImportOptions,
) -> Result<Imported, DriveError> {
    let (new_file, file) = NewFile::beside(out, options.overwrite)?;
    let failed = DriveError::write(out);
    let mut file = DriveFile::start(Box::new(file), &options.info).map_err(&failed)?;
    let mut table = Table::new(&options.map, Some(&mut file));
    let layout = table.read(source).map_err(|error| error.into_drive_error(name, out))?;
    let (imported, _) = table.into_parts(layout);
    file.finish().map_err(&failed)?;
    new_file.keep()?;
    Ok(imported)
}

/// Reads a table into memory instead of a file.
///
/// # Errors
/// [`DriveError::Table`] with line and column.
pub fn read_table(source: impl Read, name: &str, map: &[MapEntry]) -> Result<(Recording, Imported), DriveError> {
    let mut table = Table::new(map, None);
    let layout = table.read(source).map_err(|error| error.into_drive_error(name, Path::new(name)))?;
    let (imported, series) = table.into_parts(layout);
    Ok((Recording { series, ..Recording::default() }, imported))
}

/// What stops an import.
enum Stop {
    Table { line: u64, column: Option<String>, problem: TableProblem },
    Write(mcap::McapError),
}

impl Stop {
    fn into_drive_error(self, file: &str, out: &Path) -> DriveError {
        match self {
            Self::Table { line, column, problem } => {
                DriveError::Table(Box::new(TableError { file: file.to_owned(), line, column, problem }))
            }
            Self::Write(source) => DriveError::write(out)(source),
        }
    }
}

impl From<mcap::McapError> for Stop {
    fn from(source: mcap::McapError) -> Self {
        Self::Write(source)
    }
}

fn at(line: u64, column: Option<String>) -> impl FnOnce(TableProblem) -> Stop {
    move |problem| Stop::Table { line, column, problem }
}

/// A text from outside, fit to be shown.
pub(crate) fn quote(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    let mut shown: String = text.chars().take(MAX_QUOTE).collect::<String>().escape_debug().to_string();
    if text.chars().nth(MAX_QUOTE).is_some() {
        shown.push('…');
    }
    shown
}

/// One signal of the table.
struct Column {
    /// Its heading or name in the table.
    heading: String,
    /// Its unit as text of the table; only a long table can change it.
    unit_text: Vec<u8>,
    /// From the unit of the table to the one of the series; `None` if they are the same.
    convert: Conversion,
}

/// From the unit of a file to the one of a series; `None` if they are the same.
pub(crate) type Conversion = Option<Box<dyn Fn(f64) -> f64>>;

/// A table while it is being read.
struct Table<'a> {
    map: &'a [MapEntry],
    is_used: Vec<bool>,
    file: Option<&'a mut DriveFile>,
    columns: Vec<Column>,
    series: Vec<Series>,
    by_signal: HashMap<SignalId, usize>,
    /// Where semicolons stand between the cells; between commas only a point can stand before decimals.
    mark: Option<DecimalMark>,
    n_gathered: usize,
    n_rows: u64,
    n_samples: u64,
    notes: Vec<String>,
}

/// Where the time is, and in which power of ten seconds.
struct TimeColumn {
    idx: usize,
    heading: String,
    exponent: i32,
    /// Whether its cells may read `HH:MM:SS`: not in a column that is said to be in some unit, as `time_s` is by its name.
    may_be_clock: bool,
    /// Whether they do; the first one tells for all.
    is_clock: Option<bool>,
    /// What the clock read last, and how many midnights it has passed.
    clock_ns: i64,
    n_midnights: i64,
}

impl TimeColumn {
    /// A time of the clock, behind all midnights before it: a clock that falls by more than half a day has passed one.
    fn since_first_midnight(&mut self, clock_ns: i64) -> Option<i64> {
        self.n_midnights += i64::from(self.clock_ns - clock_ns > DAY_NS / 2);
        self.clock_ns = clock_ns;
        self.n_midnights.checked_mul(DAY_NS)?.checked_add(clock_ns).filter(|t_ns| crate::format::is_time(*t_ns))
    }
}

/// The power of ten seconds that a unit of time is.
fn exponent_of(unit: &str) -> Option<i32> {
    match unit {
        "s" => Some(0),
        "ms" => Some(-3),
        "us" | "µs" => Some(-6),
        "ns" => Some(-9),
        _ => None,
    }
}

/// The headings with the units that a second row of a table names below them; `None` where it names none. The cell below the
/// time tells: a unit of time, or nothing where no other cell is a number.
fn with_units(rows: &Rows<'_>, time: &TimeColumn, headings: &[String]) -> Result<Option<Vec<String>>, Stop> {
    if rows.n_cells() != headings.len() {
        return Ok(None);
    }
    let bare = |idx: usize| {
        let text = rows.text(idx);
        let inside = [('[', ']'), ('(', ')')].into_iter().find_map(|(a, b)| text.strip_prefix(a)?.strip_suffix(b));
        inside.unwrap_or(&text).trim().to_owned()
    };
    let units: Vec<String> = (0..rows.n_cells()).map(bare).collect();
    let is_number = |unit: &String| unit.replace(',', ".").parse::<f64>().is_ok();
    let are_units = match units[time.idx].as_str() {
        "" => !units.iter().any(is_number) && units.iter().any(|unit| !unit.is_empty()),
        unit => exponent_of(unit).is_some(),
    };
    if !are_units || units.iter().any(|unit| unit.contains(char::is_control)) {
        return Ok(None);
    }
    let mut joined = Vec::new();
    for (heading, to) in headings.iter().zip(units) {
        joined.push(match heading::split(heading).1 {
            Some(from) if !to.is_empty() && Unit::named(from) != Unit::named(&to) => {
                let (signal, from, to) = (heading.clone(), quote(from.as_bytes()), quote(to.as_bytes()));
                return Err(at(rows.line(), Some(heading.clone()))(TableProblem::UnitChanges { signal, from, to }));
            }
            None if !to.is_empty() && !heading.is_empty() => format!("{heading} [{to}]"),
            _ => heading.clone(),
        });
    }
    Ok(Some(joined))
}

impl<'a> Table<'a> {
    fn new(map: &'a [MapEntry], file: Option<&'a mut DriveFile>) -> Self {
        Self {
            map,
            is_used: vec![false; map.len()],
            file,
            columns: Vec::new(),
            series: Vec::new(),
            by_signal: HashMap::new(),
            mark: None,
            n_gathered: 0,
            n_rows: 0,
            n_samples: 0,
            notes: Vec::new(),
        }
    }

    fn into_parts(self, layout: Layout) -> (Imported, Vec<Series>) {
        let signals = self.series.iter().map(|series| series.id.clone()).collect();
        let Self { n_rows, n_samples, notes, series, .. } = self;
        (Imported { layout, n_rows, signals, n_samples, notes }, series)
    }

    fn read(&mut self, source: impl Read) -> Result<Layout, Stop> {
        for (idx, entry) in self.map.iter().enumerate() {
            if self.map[..idx].iter().any(|other| other.column == entry.column) {
                return Err(at(0, None)(TableProblem::MapTwice(entry.column.clone())));
            }
        }
        let mut rows = Rows::start(source).map_err(at(0, None))?;
        if !advance(&mut rows)? {
            return Err(at(0, None)(TableProblem::Empty));
        }
        self.mark = rows.has_semicolons().then(DecimalMark::default);
        let headings: Vec<String> = (0..rows.n_cells()).map(|idx| rows.text(idx)).collect();
        // A tab is told of as what it is, a separator.
        if headings.iter().any(|heading| heading.contains(|c: char| c.is_control() && c != '\t')) {
            return Err(at(rows.line(), None)(TableProblem::Binary("its first line has control characters")));
        }
        let mut time = self.time_column(&headings).map_err(at(rows.line(), None))?;
        let others: Vec<&str> =
            headings.iter().enumerate().filter(|(idx, _)| *idx != time.idx).map(|(_, text)| text.as_str()).collect();
        let layout = match others.as_slice() {
            [] => return Err(at(rows.line(), None)(TableProblem::NoSignal)),
            ["signal", "value"] | ["signal", "value", "unit"] => Layout::Long,
            ["signal", ..] => {
                return Err(at(rows.line(), None)(TableProblem::LongHeading(quote(headings.join(",").as_bytes()))));
            }
            _ => Layout::Wide,
        };
        match layout {
            Layout::Wide => self.read_wide(&mut rows, &mut time, headings)?,
            Layout::Long => self.read_long(&mut rows, &mut time, headings.len())?,
        }
        self.flush()?;
        if let Some(mark) = &self.mark
            && let Some(mark) = mark.found().map_err(TableProblem::Thousands).map_err(at(0, None))?
        {
            self.notes.push(format!("columns stand apart by semicolons, and decimals behind {mark:?}"));
        }
        if time.is_clock == Some(true) {
            self.notes.push("times of the form HH:MM:SS are seconds since 00:00:00".to_owned());
        }
        if time.n_midnights > 0 {
            self.notes
                .push(format!("midnights that the clock passed, and behind which it goes on: {}", time.n_midnights));
        }
        let unused = self.map.iter().zip(&self.is_used).find(|(_, is_used)| !**is_used);
        unused.map_or(Ok(layout), |(entry, _)| Err(at(0, None)(self.unknown_map(entry))))
    }

    fn unknown_map(&self, entry: &MapEntry) -> TableProblem {
        let mut names: Vec<&str> = self.columns.iter().map(|column| column.heading.as_str()).take(41).collect();
        if names.len() == 41 {
            names[40] = "…";
        }
        TableProblem::UnknownMap {
            column: entry.column.clone(),
            signal: entry.signal.to_string(),
            has: names.join(", "),
        }
    }

    /// The map entry for a heading, with or without its unit.
    fn mapped(&mut self, heading: &str) -> Option<&'a MapEntry> {
        let name = heading::split(heading).0;
        let find = |text: &str| self.map.iter().position(|entry| entry.column == text);
        let idx = find(heading).or_else(|| find(name))?;
        self.is_used[idx] = true;
        self.map.get(idx)
    }

    fn time_column(&mut self, headings: &[String]) -> Result<TimeColumn, TableProblem> {
        let mut found = None;
        for (idx, heading) in headings.iter().enumerate() {
            let entry = self.mapped(heading).filter(|entry| entry.signal.as_str() == TIME);
            let (name, unit) = heading::split(heading);
            let unit = match entry {
                Some(entry) => entry.unit.as_ref().map(Unit::symbol).or(unit),
                None if idx == 0 && name == TIME => unit,
                None => continue,
            };
            let unit_or_s = unit.unwrap_or("s");
            let exponent = exponent_of(unit_or_s).ok_or_else(|| TableProblem::TimeUnit(unit_or_s.to_owned()))?;
            let may_be_clock = name != TIME && unit.is_none();
            let heading = heading.clone();
            let column =
                TimeColumn { idx, heading, exponent, may_be_clock, is_clock: None, clock_ns: 0, n_midnights: 0 };
            if found.replace(column).is_some() {
                return Err(TableProblem::TwoTimes);
            }
        }
        found.ok_or_else(|| {
            let first = headings.first().map_or("", String::as_str);
            let separator = [';', '\t', '|'].into_iter().find(|c| headings.len() == 1 && first.contains(*c));
            TableProblem::NoTime { found: quote(first.as_bytes()), separator }
        })
    }

    /// Adds a signal for a column or name of the table; `unit` is what the table says of it.
    fn add_column(&mut self, heading: &str, name: &str, unit: Option<&str>) -> Result<usize, Stop> {
        let entry = self.mapped(heading);
        let column = signal_for(&mut self.notes, entry, heading, name, unit).map_err(at(0, None))?;
        let (id, kept_in, convert) = column;
        if let Some(&first) = self.by_signal.get(&id) {
            let (first, second) = (self.columns[first].heading.clone(), heading.to_owned());
            return Err(at(0, None)(match first == second {
                true => TableProblem::SameHeading(first),
                false => TableProblem::SameSignal { first, second, signal: id.to_string() },
            }));
        }
        if let Some(file) = &mut self.file {
            file.add_signal(&id, &kept_in, &format!("column `{heading}` of a table"))?;
        }
        let idx = self.series.len();
        self.by_signal.insert(id.clone(), idx);
        self.series.push(Series::new(id, kept_in));
        let unit_text = unit.unwrap_or_default().as_bytes().to_vec();
        self.columns.push(Column { heading: heading.to_owned(), unit_text, convert });
        Ok(idx)
    }

    fn read_wide(&mut self, rows: &mut Rows<'_>, time: &mut TimeColumn, headings: Vec<String>) -> Result<(), Stop> {
        let line = rows.line();
        let mut has_row = advance(rows)?;
        let below = if has_row { with_units(rows, time, &headings)? } else { None };
        let headings = below.as_ref().unwrap_or(&headings);
        if below.is_some() {
            *time = self.time_column(headings).map_err(at(rows.line(), None))?;
            self.notes.push(format!("line {} names units", rows.line()));
            has_row = advance(rows)?;
        }
        // The cell of each column of a signal.
        let mut places = Vec::new();
        for (idx, heading) in headings.iter().enumerate().filter(|(idx, _)| *idx != time.idx) {
            // As a separator at the end of every line makes, or the numbers of rows in front.
            if heading.is_empty() {
                self.notes.push(format!("column {} has no heading and is left out", idx + 1));
                continue;
            }
            let (name, unit) = heading::split(heading);
            self.add_column(heading, name, unit).map_err(|stop| place(stop, line, heading))?;
            places.push(idx);
        }
        if places.is_empty() {
            return Err(at(line, None)(TableProblem::NoSignal));
        }
        // A map for a column that is not there is known now, and need not wait for the end of a long table.
        if let Some((entry, _)) = self.map.iter().zip(&self.is_used).find(|(_, is_used)| !**is_used) {
            return Err(at(line, None)(self.unknown_map(entry)));
        }
        let mut previous_ns = i64::MIN;
        while has_row {
            let t_ns = self.row_time(rows, time, headings.len())?;
            if t_ns <= previous_ns {
                let problem = TableProblem::NotIncreasing { t_ns, is_same: t_ns == previous_ns };
                return Err(at(rows.line(), Some(time.heading.clone()))(problem));
            }
            previous_ns = t_ns;
            self.n_rows += 1;
            for (idx, place) in places.iter().enumerate() {
                let cell = rows.cell(*place);
                if !cell.is_empty() {
                    self.push(idx, t_ns, cell, rows.line())?;
                }
            }
            self.flush_if_full()?;
            has_row = advance(rows)?;
        }
        Ok(())
    }

    fn read_long(&mut self, rows: &mut Rows<'_>, time: &mut TimeColumn, n_columns: usize) -> Result<(), Stop> {
        // The columns in their order, without the one that holds the time.
        let place_of = |idx: usize| idx + usize::from(idx >= time.idx);
        let (name_at, value_at) = (place_of(0), place_of(1));
        let unit_at = (n_columns > 3).then(|| place_of(2));
        let mut by_name: HashMap<Vec<u8>, usize> = HashMap::new();
        let mut previous_ns = i64::MIN;
        while advance(rows)? {
            let t_ns = self.row_time(rows, time, n_columns)?;
            if t_ns < previous_ns {
                return Err(at(rows.line(), Some(time.heading.clone()))(TableProblem::Decreasing(t_ns)));
            }
            previous_ns = t_ns;
            self.n_rows += 1;
            let unit = unit_at.map_or(&b""[..], |idx| rows.cell(idx));
            let idx = match by_name.get(rows.cell(name_at)) {
                Some(&idx) => idx,
                None => {
                    let name = rows.text(name_at);
                    let unit = unit_at.map(|idx| rows.text(idx)).filter(|unit| !unit.is_empty());
                    let idx = self
                        .add_column(&name, &name, unit.as_deref())
                        .map_err(|stop| place(stop, rows.line(), "signal"))?;
                    by_name.insert(rows.cell(name_at).to_vec(), idx);
                    idx
                }
            };
            let column = &self.columns[idx];
            if !unit.is_empty() && column.unit_text != unit {
                // Bytes may differ where the text is the same: what was kept is not in the table's character set.
                let from = String::from_utf8_lossy(&column.unit_text);
                let to = unit_at.map_or(String::new(), |idx| rows.text(idx));
                if from.is_empty() || Unit::named(&from) != Unit::named(&to) {
                    let (signal, to) = (column.heading.clone(), quote(to.as_bytes()));
                    let problem = TableProblem::UnitChanges { signal, from: from.into_owned(), to };
                    return Err(at(rows.line(), Some("unit".into()))(problem));
                }
            }
            let cell = rows.cell(value_at);
            if !cell.is_empty() {
                self.push(idx, t_ns, cell, rows.line())?;
            }
            self.flush_if_full()?;
        }
        Ok(())
    }

    fn push(&mut self, idx: usize, t_ns: i64, cell: &[u8], line: u64) -> Result<(), Stop> {
        let column = &self.columns[idx];
        let bad = |problem: fn(String) -> TableProblem| at(line, Some(column.heading.clone()))(problem(quote(cell)));
        let text = match &mut self.mark {
            Some(mark) => mark.with_point(cell).ok_or_else(|| bad(TableProblem::Marks))?,
            None => Cow::Borrowed(cell),
        };
        let value = number::parse_value(&text).map_err(|reason| match reason {
            NoValue::Text => bad(TableProblem::Number),
            NoValue::NotFinite => bad(TableProblem::NotFinite),
        })?;
        let value = column.convert.as_ref().map_or(value, |convert| convert(value));
        if !value.is_finite() {
            return Err(bad(TableProblem::NotFinite));
        }
        self.series[idx].push_value(t_ns, value);
        self.n_gathered += 1;
        self.n_samples += 1;
        Ok(())
    }

    /// The time of the last row.
    fn row_time(&mut self, rows: &Rows<'_>, time: &mut TimeColumn, n_columns: usize) -> Result<i64, Stop> {
        if rows.n_cells() != n_columns {
            let problem = TableProblem::Ragged { found: rows.n_cells(), expected: n_columns };
            return Err(at(rows.line(), None)(problem));
        }
        let cell = rows.cell(time.idx);
        let text = match &mut self.mark {
            Some(mark) => mark.with_point(cell),
            None => Some(Cow::Borrowed(cell)),
        };
        let is_clock = *time.is_clock.get_or_insert(time.may_be_clock && cell.contains(&b':'));
        let parsed = text.and_then(|text| match is_clock {
            true => time.since_first_midnight(number::parse_clock(&text)?),
            false => number::parse_time(&text, time.exponent),
        });
        parsed.ok_or_else(|| at(rows.line(), Some(time.heading.clone()))(TableProblem::Time(quote(cell))))
    }

    fn flush_if_full(&mut self) -> Result<(), Stop> {
        if self.file.is_some() && self.n_gathered >= FLUSH_AT { self.flush() } else { Ok(()) }
    }

    fn flush(&mut self) -> Result<(), Stop> {
        let Some(file) = &mut self.file else { return Ok(()) };
        for (idx, series) in self.series.iter_mut().enumerate() {
            file.write_samples(idx, series, 0..series.len())?;
            series.t_ns.clear();
            series.value.clear();
        }
        self.n_gathered = 0;
        Ok(())
    }
}

/// Which signal a column is, in which unit it is kept, and how its values get there.
pub(crate) fn signal_for(
    notes: &mut Vec<String>,
    entry: Option<&MapEntry>,
    heading: &str,
    name: &str,
    unit: Option<&str>,
) -> Result<(SignalId, Unit, Conversion), TableProblem> {
    let wanted = entry.map_or(name, |entry| entry.signal.as_str());
    let told = entry.and_then(|entry| entry.unit.clone()).or_else(|| unit.map(Unit::named));
    if let (Some(told), Some(unit)) = (&told, unit)
        && *told != Unit::named(unit)
    {
        notes.push(format!("`{heading}` is taken to be in {told}, as mapped, not in {unit}"));
    }
    let known = SignalId::new(wanted).ok().and_then(|id| Catalogue::standard().get(&id));
    let Some(known) = known else {
        let id = SignalId::custom(wanted)
            .map_err(|reason| TableProblem::Name { heading: quote(heading.as_bytes()), reason })?;
        let unit = told.unwrap_or_else(Unit::one);
        if id.as_str() != wanted {
            notes.push(format!("the catalogue has no `{wanted}`; kept as `{id}` in `{unit}`"));
        }
        return Ok((id, unit, None));
    };
    let (id, kept_in) = (known.id.clone(), known.unit.clone());
    let Some(told) = told else {
        notes.push(format!("`{heading}` names no unit; `{id}` is taken to be in {kept_in}"));
        return Ok((id, kept_in, None));
    };
    if told == kept_in {
        return Ok((id, kept_in, None));
    }
    let Some(convert) = told.conversion(&kept_in) else {
        let accepted = kept_in.convertible().collect::<Vec<_>>().join(", ");
        return Err(TableProblem::Unit { signal: id.to_string(), unit: told.to_string(), accepted });
    };
    notes.push(format!("`{heading}` was converted from {told} to {kept_in}"));
    Ok((id, kept_in, Some(Box::new(convert))))
}

/// Puts line and column to a problem that was found without knowing them.
fn place(stop: Stop, line: u64, column: &str) -> Stop {
    match stop {
        Stop::Table { problem, .. } => Stop::Table { line, column: Some(column.to_owned()), problem },
        other => other,
    }
}

fn advance(rows: &mut Rows<'_>) -> Result<bool, Stop> {
    rows.advance().map_err(|problem| at(rows.line_in_work(), None)(problem))
}
