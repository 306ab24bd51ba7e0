//! A drive as one Parquet table.
//!
//! One row per sample, exchange, reply, frame, mark and gap; the column `kind` tells them apart and every other column is
//! empty where it does not apply, which costs next to nothing in this format. Times are whole nanoseconds. What the drive
//! says of itself is in the key-value metadata, behind `witness.`.

use std::fs::File;
use std::path::Path;
use std::sync::Arc;

use drive::{Contents, Exchange, FrameBatch, Overwrite, Reply};
use parquet::basic::Compression;
use parquet::column::reader::ColumnReader;
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;
use signal::{Gap, Mark, Series, SignalId, Unit};

use crate::{InterchangeError, describe, outline, take_description, vss};

const FORMAT: &str = "Parquet";
/// Rows that are written together.
const ROWS_AT_ONCE: usize = 1 << 18;
/// Most rows that are read: those of a drive are held in memory.
const MAX_ROWS: i64 = 200_000_000;
/// Most rows in one group of a file that is read, for they are unpacked at once; other writers make as many at most unless
/// they are told otherwise (common practice, from memory).
const MAX_GROUP: i64 = 1 << 20;
/// Most rows for each byte of a file (no source): a column that stays as it is takes next to nothing, but times go on.
const MAX_ROWS_PER_BYTE: i64 = 64;
const META: &str = "witness.";

/// The columns, in order.
const SCHEMA: &str = "message drive {
    required binary kind (STRING);
    required int64 time_ns;
    optional int64 asked_ns;
    optional int64 until_ns;
    optional int32 exchange;
    optional binary signal (STRING);
    optional double value;
    optional binary unit (STRING);
    optional binary vss (STRING);
    optional binary address (STRING);
    optional binary bus (STRING);
    optional binary data;
    optional binary text (STRING);
}";
const COLUMNS: [&str; 13] = [
    "kind", "time_ns", "asked_ns", "until_ns", "exchange", "signal", "value", "unit", "vss", "address", "bus", "data",
    "text",
];

/// Rows on their way, column by column; `None` where a column does not apply.
#[derive(Default)]
struct Rows {
    kind: Vec<ByteArray>,
    time_ns: Vec<i64>,
    asked_ns: Vec<Option<i64>>,
    until_ns: Vec<Option<i64>>,
    exchange: Vec<Option<i32>>,
    signal: Vec<Option<ByteArray>>,
    value: Vec<Option<f64>>,
    unit: Vec<Option<ByteArray>>,
    vss: Vec<Option<ByteArray>>,
    address: Vec<Option<ByteArray>>,
    bus: Vec<Option<ByteArray>>,
    data: Vec<Option<ByteArray>>,
    text: Vec<Option<ByteArray>>,
}

/// One row; see [`SCHEMA`].
#[derive(Default, Clone)]
struct Row {
    kind: ByteArray,
    time_ns: i64,
    asked_ns: Option<i64>,
    until_ns: Option<i64>,
    exchange: Option<u32>,
    signal: Option<ByteArray>,
    value: Option<f64>,
    unit: Option<ByteArray>,
    vss: Option<ByteArray>,
    address: Option<ByteArray>,
    bus: Option<ByteArray>,
    data: Option<ByteArray>,
    text: Option<ByteArray>,
}

fn text(text: &str) -> ByteArray {
    ByteArray::from(text)
}

impl Rows {
    fn push(&mut self, row: Row) {
        self.kind.push(row.kind);
        self.time_ns.push(row.time_ns);
        self.asked_ns.push(row.asked_ns);
        self.until_ns.push(row.until_ns);
        self.exchange.push(row.exchange.map(u32::cast_signed));
        self.signal.push(row.signal);
        self.value.push(row.value);
        self.unit.push(row.unit);
        self.vss.push(row.vss);
        self.address.push(row.address);
        self.bus.push(row.bus);
        self.data.push(row.data);
        self.text.push(row.text);
    }

    fn len(&self) -> usize {
        self.time_ns.len()
    }

    fn write<W: std::io::Write + Send>(&self, group: &mut SerializedRowGroupWriter<'_, W>) -> Result<(), ParquetError> {
        required::<ByteArrayType, W>(group, &self.kind)?;
        required::<Int64Type, W>(group, &self.time_ns)?;
        optional::<Int64Type, W>(group, &self.asked_ns)?;
        optional::<Int64Type, W>(group, &self.until_ns)?;
        optional::<Int32Type, W>(group, &self.exchange)?;
        optional::<ByteArrayType, W>(group, &self.signal)?;
        optional::<DoubleType, W>(group, &self.value)?;
        for column in [&self.unit, &self.vss, &self.address, &self.bus, &self.data, &self.text] {
            optional::<ByteArrayType, W>(group, column)?;
        }
        Ok(())
    }
}

fn required<T: DataType, W: std::io::Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &[T::T],
) -> Result<(), ParquetError> {
    if let Some(mut column) = group.next_column()? {
        column.typed::<T>().write_batch(values, None, None)?;
        column.close()?;
    }
    Ok(())
}

fn optional<T: DataType, W: std::io::Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &[Option<T::T>],
) -> Result<(), ParquetError> {
    if let Some(mut column) = group.next_column()? {
        let levels: Vec<i16> = values.iter().map(|value| i16::from(value.is_some())).collect();
        let present: Vec<T::T> = values.iter().flatten().cloned().collect();
        column.typed::<T>().write_batch(&present, Some(&levels), None)?;
        column.close()?;
    }
    Ok(())
}

/// Writes everything; the number of rows.
pub(crate) fn write(contents: &Contents, out: &Path, overwrite: Overwrite) -> Result<u64, InterchangeError> {
    let mut n_rows = 0;
    drive::write_file(out, overwrite, |sink| {
        n_rows = write_to(contents, sink).map_err(std::io::Error::other)?;
        Ok(())
    })?;
    Ok(n_rows)
}

fn write_to(contents: &Contents, sink: &mut (dyn std::io::Write + Send)) -> Result<u64, ParquetError> {
    let schema = Arc::new(parse_message_type(SCHEMA)?);
    let mut pairs = vec![KeyValue::new(format!("{META}format"), "1".to_owned())];
    pairs.extend(describe(contents).into_iter().map(|(key, value)| KeyValue::new(format!("{META}{key}"), value)));
    // Signals without a sample have no row.
    for series in contents.recording.series.iter().filter(|series| series.is_empty()) {
        pairs.push(KeyValue::new(format!("{META}empty.{}", series.id), series.unit.to_string()));
    }
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(concat!("witness interchange ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_key_value_metadata(Some(pairs))
        .build();
    let mut writer = SerializedFileWriter::new(sink, schema, Arc::new(properties))?;
    let (mut rows, mut n_rows) = (Rows::default(), 0);
    let mut push = |row: Row, rows: &mut Rows| -> Result<(), ParquetError> {
        rows.push(row);
        if rows.len() >= ROWS_AT_ONCE {
            n_rows += rows.len() as u64;
            let mut group = writer.next_row_group()?;
            rows.write(&mut group)?;
            group.close()?;
            *rows = Rows::default();
        }
        Ok(())
    };
    for series in &contents.recording.series {
        let head = Row {
            kind: text("sample"),
            signal: Some(text(series.id.as_str())),
            unit: Some(text(series.unit.symbol())),
            vss: vss(&series.id).map(text),
            ..Row::default()
        };
        for idx in 0..series.len() {
            let (Some(time_ns), Some(value)) = (series.t_ns.get(idx), series.value.get(idx)) else { break };
            let row = Row {
                time_ns: *time_ns,
                value: Some(*value),
                asked_ns: series.asked_ns.get(idx).copied(),
                exchange: series.exchange.get(idx).copied(),
                ..head.clone()
            };
            push(row, &mut rows)?;
        }
    }
    for exchange in &contents.exchanges {
        let row = Row {
            kind: text("exchange"),
            time_ns: exchange.asked_ns,
            until_ns: Some(exchange.over_ns),
            exchange: Some(exchange.number),
            address: Some(text(&exchange.to)),
            data: Some(ByteArray::from(exchange.request.clone())),
            text: (!exchange.problems.is_empty()).then(|| text(&exchange.problems.join("\n"))),
            ..Row::default()
        };
        push(row, &mut rows)?;
        for reply in &exchange.replies {
            let row = Row {
                kind: text("reply"),
                time_ns: reply.arrived_ns,
                exchange: Some(exchange.number),
                address: Some(text(&reply.from)),
                data: Some(ByteArray::from(reply.bytes.clone())),
                ..Row::default()
            };
            push(row, &mut rows)?;
        }
    }
    for batch in &contents.frames {
        let bus = Some(text(batch.bus()));
        let mut failure = None;
        batch.each(|frame| {
            let digits = if frame.is_extended { 8 } else { 3 };
            let row = Row {
                kind: text("frame"),
                time_ns: frame.t_ns,
                address: Some(text(&format!("{:0digits$X}", frame.number))),
                bus: bus.clone(),
                data: Some(ByteArray::from(frame.data.to_vec())),
                ..Row::default()
            };
            if failure.is_none() {
                failure = push(row, &mut rows).err();
            }
        });
        failure.map_or(Ok(()), Err)?;
    }
    for mark in &contents.recording.marks {
        let row = Row { kind: text("mark"), time_ns: mark.t_ns, text: Some(text(&mark.text)), ..Row::default() };
        push(row, &mut rows)?;
    }
    for gap in &contents.recording.gaps {
        let (until_ns, reason) = (Some(gap.to_ns), Some(text(&gap.reason)));
        push(Row { kind: text("gap"), time_ns: gap.from_ns, until_ns, text: reason, ..Row::default() }, &mut rows)?;
    }
    n_rows += rows.len() as u64;
    if rows.len() > 0 {
        let mut group = writer.next_row_group()?;
        rows.write(&mut group)?;
        group.close()?;
    }
    writer.close()?;
    Ok(n_rows)
}

/// Reads everything back: contents, number of rows, notes.
pub(crate) fn read(file: File, name: &str) -> Result<(Contents, u64, Vec<String>), InterchangeError> {
    let wrong = |what: String| InterchangeError::Content { file: name.to_owned(), format: FORMAT, what };
    let n_bytes = outline::check(&file).map_err(wrong)?;
    let reader = SerializedFileReader::new(file).map_err(|error| wrong(error.to_string()))?;
    let metadata = reader.metadata();
    let columns = metadata.file_metadata().schema_descr().columns();
    let names: Vec<&str> = columns.iter().map(|column| column.name()).collect();
    if names != COLUMNS {
        return Err(wrong(format!(
            "its columns are not those of an exported drive ({}), but {}",
            COLUMNS.join(", "),
            names.join(", ")
        )));
    }
    if !are_rows_few(metadata.row_groups().iter().map(|group| group.num_rows()), n_bytes) {
        return Err(wrong("more rows than are read into memory at once".into()));
    }
    let mut contents = Contents::default();
    for pair in metadata.file_metadata().key_value_metadata().into_iter().flatten() {
        let (Some(key), Some(value)) = (pair.key.strip_prefix(META), &pair.value) else { continue };
        match key.strip_prefix("empty.").and_then(|id| SignalId::new(id).ok()) {
            Some(id) => contents.recording.series.push(Series::new(id, Unit::named(value))),
            None => take_description(&mut contents, key, value),
        }
    }
    let (mut n_rows, mut builder) = (0, Builder::default());
    for idx in 0..reader.num_row_groups() {
        let read = || -> Result<Rows, ParquetError> {
            let group = reader.get_row_group(idx)?;
            let n = usize::try_from(group.metadata().num_rows()).unwrap_or(0);
            let mut column = {
                let mut next = 0;
                move || {
                    next += 1;
                    group.get_column_reader(next - 1)
                }
            };
            Ok(Rows {
                kind: bytes(column()?, n)?.into_iter().map(Option::unwrap_or_default).collect(),
                time_ns: longs(column()?, n)?.into_iter().map(Option::unwrap_or_default).collect(),
                asked_ns: longs(column()?, n)?,
                until_ns: longs(column()?, n)?,
                exchange: ints(column()?, n)?,
                signal: bytes(column()?, n)?,
                value: doubles(column()?, n)?,
                unit: bytes(column()?, n)?,
                vss: bytes(column()?, n)?,
                address: bytes(column()?, n)?,
                bus: bytes(column()?, n)?,
                data: bytes(column()?, n)?,
                text: bytes(column()?, n)?,
            })
        };
        let rows = read().map_err(|error| wrong(error.to_string()))?;
        n_rows += rows.len() as u64;
        builder.take(&rows, &mut contents).map_err(wrong)?;
    }
    for series in &mut contents.recording.series {
        builder.complete(series);
    }
    contents.recording.marks.sort_by_key(|mark| mark.t_ns);
    contents.recording.gaps.sort_by_key(|gap| gap.from_ns);
    Ok((contents, n_rows, Vec::new()))
}

/// Whether the rows of these groups are no more than are held in memory, and than a file of so many bytes can have.
fn are_rows_few(groups: impl IntoIterator<Item = i64>, n_bytes: u64) -> bool {
    let n_bytes = i64::try_from(n_bytes).unwrap_or(i64::MAX);
    let mut left = n_bytes.saturating_mul(MAX_ROWS_PER_BYTE).saturating_add(ROWS_AT_ONCE as i64).min(MAX_ROWS);
    groups.into_iter().all(|n_rows| {
        left = left.saturating_sub(n_rows.max(0));
        n_rows <= MAX_GROUP && left >= 0
    })
}

macro_rules! column {
    ($name:ident, $variant:ident, $type:ty) => {
        /// A column of a row group, `None` where it is empty.
        fn $name(reader: ColumnReader, n: usize) -> Result<Vec<Option<$type>>, ParquetError> {
            let ColumnReader::$variant(mut reader) = reader else {
                return Err(ParquetError::General("a column has another type than in an exported drive".into()));
            };
            let (mut levels, mut values): (Vec<i16>, Vec<$type>) = (Vec::new(), Vec::new());
            let mut n_read = 0;
            while n_read < n {
                let (records, ..) = reader.read_records(n - n_read, Some(&mut levels), None, &mut values)?;
                if records == 0 {
                    return Err(ParquetError::General("a column is shorter than its row group".into()));
                }
                n_read += records;
            }
            if levels.is_empty() {
                return Ok(values.into_iter().map(Some).collect());
            }
            let mut values = values.into_iter();
            Ok(levels.into_iter().map(|level| if level > 0 { values.next() } else { None }).collect())
        }
    };
}
column!(ints, Int32ColumnReader, i32);
column!(longs, Int64ColumnReader, i64);
column!(doubles, DoubleColumnReader, f64);
column!(bytes, ByteArrayColumnReader, ByteArray);

/// Makes a drive of rows.
#[derive(Default)]
struct Builder {
    by_id: std::collections::HashMap<Vec<u8>, usize>,
}

impl Builder {
    fn take(&mut self, rows: &Rows, contents: &mut Contents) -> Result<(), String> {
        let as_text = |column: &[Option<ByteArray>], idx: usize| -> Result<String, String> {
            let Some(Some(bytes)) = column.get(idx) else { return Ok(String::new()) };
            bytes.as_utf8().map(str::to_owned).map_err(|_| format!("row {idx} has text that is not UTF-8"))
        };
        let data = |idx: usize| rows.data.get(idx).and_then(|data| data.as_ref()).map(|data| data.data().to_vec());
        for idx in 0..rows.len() {
            let time_ns = rows.time_ns[idx];
            let number = rows.exchange.get(idx).copied().flatten().map(i32::cast_unsigned);
            let until_ns = rows.until_ns.get(idx).copied().flatten().unwrap_or(time_ns);
            match rows.kind[idx].data() {
                b"sample" => {
                    let (Some(Some(name)), Some(Some(value))) = (rows.signal.get(idx), rows.value.get(idx)) else {
                        return Err(format!("row {idx} is a sample without signal or value"));
                    };
                    let at = match self.by_id.get(name.data()) {
                        Some(at) => *at,
                        None => {
                            let text = name.as_utf8().map_err(|error| error.to_string())?;
                            let id = SignalId::new(text).map_err(|error| error.to_string())?;
                            contents.recording.series.push(Series::new(id, Unit::named(&as_text(&rows.unit, idx)?)));
                            self.by_id.insert(name.data().to_vec(), contents.recording.series.len() - 1);
                            contents.recording.series.len() - 1
                        }
                    };
                    let series = &mut contents.recording.series[at];
                    series.t_ns.push(time_ns);
                    series.value.push(*value);
                    if let Some(asked_ns) = rows.asked_ns.get(idx).copied().flatten() {
                        series.asked_ns.push(asked_ns);
                    }
                    if let Some(number) = number {
                        series.exchange.push(number);
                    }
                }
                b"exchange" => contents.exchanges.push(Exchange {
                    number: number.unwrap_or(0),
                    asked_ns: time_ns,
                    over_ns: until_ns,
                    to: as_text(&rows.address, idx)?,
                    request: data(idx).unwrap_or_default(),
                    replies: Vec::new(),
                    problems: as_text(&rows.text, idx)?.lines().map(str::to_owned).collect(),
                }),
                b"reply" => {
                    let reply = Reply {
                        from: as_text(&rows.address, idx)?,
                        arrived_ns: time_ns,
                        bytes: data(idx).unwrap_or_default(),
                    };
                    let exchange = contents.exchanges.last_mut().filter(|exchange| Some(exchange.number) == number);
                    exchange.ok_or_else(|| format!("row {idx} is a reply to nothing"))?.replies.push(reply);
                }
                b"frame" => {
                    let (bus, id) = (as_text(&rows.bus, idx)?, as_text(&rows.address, idx)?);
                    let number =
                        u32::from_str_radix(&id, 16).map_err(|_| format!("row {idx}: `{id}` is no CAN identifier"))?;
                    let fits = |batch: &&mut FrameBatch| batch.bus() == bus && batch.len() < 4096;
                    if contents.frames.last_mut().filter(fits).is_none() {
                        contents.frames.push(FrameBatch::new(&bus));
                    }
                    if let Some(batch) = contents.frames.last_mut() {
                        batch.push(time_ns, number, id.len() > 3, &data(idx).unwrap_or_default());
                    }
                }
                b"mark" => contents.recording.marks.push(Mark { t_ns: time_ns, text: as_text(&rows.text, idx)? }),
                b"gap" => {
                    let reason = as_text(&rows.text, idx)?;
                    contents.recording.gaps.push(Gap { from_ns: time_ns, to_ns: until_ns, reason });
                }
                other => return Err(format!("row {idx} is of the unknown kind `{}`", String::from_utf8_lossy(other))),
            }
        }
        Ok(())
    }

    /// A column that is there for some samples only says nothing for the others: it is left out.
    fn complete(&self, series: &mut Series) {
        if series.asked_ns.len() != series.t_ns.len() {
            series.asked_ns.clear();
        }
        if series.exchange.len() != series.t_ns.len() {
            series.exchange.clear();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_as_many_as_memory_and_the_file_have_room_for() {
        let (large, group, at_once) = (1 << 32, MAX_GROUP, ROWS_AT_ONCE as i64);
        assert!(are_rows_few([], 0) && are_rows_few([group; 3], large));
        assert!(!are_rows_few([group + 1], large));
        // A short file: so many for each byte beside those of one group of our own.
        assert!(are_rows_few([at_once, 6400], 100) && !are_rows_few([at_once, 6401], 100));
        // 190 groups are less than 200 million rows, 191 are more, and whatever a damaged one says.
        assert!(are_rows_few(vec![group; 190], large) && !are_rows_few(vec![group; 191], u64::MAX));
        assert!(!are_rows_few([i64::MIN, i64::MAX], large));
    }
}
