//! A drive as an ASAM MDF 4 file.
//!
//! Every signal has a channel group of its own, because every signal has its own time base: the master channel `time`
//! (whole nanoseconds, shown as seconds), `value`, and where they are known `requested` (time) and `exchange` (number).
//! Raw exchanges, replies, frames, marks and gaps have groups too, their texts and bytes as byte arrays of fixed length
//! with the true length beside them. The group's name is the signal's, its comment the counterpart in the open catalogue.

mod blocks;

use std::path::Path;

use drive::{Contents, Exchange, FrameBatch, Overwrite, Reply};
use mdf4_rs::blocks::{ChannelBlock, ConversionBlock, ConversionType};
use mdf4_rs::parsing::decoder::decode_channel_value_with_validity;
use mdf4_rs::{Channel, DataType, DecodedValue, MDF, MdfWriter};
use signal::{Catalogue, Gap, Mark, Series, SignalId, Unit};

use crate::{InterchangeError, describe, take_description, vss};

const FORMAT: &str = "MDF 4";
/// Names of the groups that hold no signal.
const EXCHANGES: &str = "witness exchanges";
const REPLIES: &str = "witness replies";
const FRAMES: &str = "witness frames";
const MARKS: &str = "witness marks";
const GAPS: &str = "witness gaps";
const DESCRIPTION: &str = "witness description";
/// Longest byte array in a record.
const MAX_BYTES: usize = 1 << 16;
/// Values up to which nobody asks how large their file is: they take 2 GB while they are read.
const FEW_VALUES: u64 = 64 << 20;
/// Records that are written together.
const AT_ONCE: usize = 8192;
const NANOSECOND: f64 = 1e-9;
/// Flag of the header: its start counts by the clock on the wall of where it was recorded, and not UTC. Source: ASAM MDF
/// 4.1, header block, as asammdf reads it.
const LOCAL_TIME: u8 = 1;

type Mdf<T> = mdf4_rs::Result<T>;
type Writer = MdfWriter<mdf4_rs::writer::VecWriter>;

/// What a channel holds.
#[derive(Clone, Copy)]
enum Kind {
    /// Nanoseconds, shown as seconds; the master of its group if it is the first.
    Time,
    Double,
    Number,
    /// At most so many bytes; a channel with the true length follows.
    Bytes(usize),
}

struct ChannelSpec<'a> {
    name: &'a str,
    kind: Kind,
    unit: &'a str,
    comment: Option<&'a str>,
}

fn channel(name: &str, kind: Kind) -> ChannelSpec<'_> {
    ChannelSpec { name, kind, unit: "", comment: None }
}

/// A value of a record.
enum Cell<'a> {
    Time(i64),
    Double(f64),
    Number(u64),
    Bytes(&'a [u8]),
}

/// Writes one group with its records.
fn group<'c>(
    writer: &mut Writer,
    name: &str,
    comment: &str,
    channels: &[ChannelSpec<'_>],
    records: impl Iterator<Item = Vec<Cell<'c>>>,
) -> Mdf<u64> {
    let id = writer.add_channel_group(None, |_| {})?;
    writer.set_channel_group_name(&id, name)?;
    if !comment.is_empty() {
        writer.set_channel_group_comment(&id, comment)?;
    }
    let mut previous: Option<String> = None;
    let mut add = |writer: &mut Writer, name: &str, data_type: DataType, bits: u32| -> Mdf<String> {
        let added = writer.add_channel(&id, previous.as_deref(), |block| {
            block.name = Some(name.to_owned());
            block.data_type = data_type;
            block.bit_count = bits;
        })?;
        previous = Some(added.clone());
        Ok(added)
    };
    for (idx, spec) in channels.iter().enumerate() {
        let (data_type, bits) = match spec.kind {
            Kind::Time => (DataType::SignedIntegerLE, 64),
            Kind::Double => (DataType::FloatLE, 64),
            Kind::Number => (DataType::UnsignedIntegerLE, 64),
            Kind::Bytes(n) => (DataType::ByteArray, (n.max(1) * 8) as u32),
        };
        let added = add(writer, spec.name, data_type, bits)?;
        if matches!(spec.kind, Kind::Time) {
            // Without the range, which the standard wants in any case, other programs read the coefficients wrongly.
            let mut conversion = ConversionBlock::linear(0.0, NANOSECOND);
            (conversion.phys_range_min, conversion.phys_range_max) = (Some(0.0), Some(0.0));
            writer.set_channel_conversion(&added, &conversion)?;
            writer.set_channel_unit(&added, "s")?;
            if idx == 0 {
                writer.set_time_channel(&added)?;
            }
        } else {
            writer.set_channel_unit(&added, spec.unit)?;
        }
        if let Some(comment) = spec.comment {
            writer.set_channel_comment(&added, comment)?;
        }
        if matches!(spec.kind, Kind::Bytes(_)) {
            add(writer, &format!("{} length", spec.name), DataType::UnsignedIntegerLE, 64)?;
        }
    }
    writer.start_data_block_for_cg(&id, 0)?;
    let (mut batch, mut n_records): (Vec<Vec<DecodedValue>>, u64) = (Vec::new(), 0);
    for record in records {
        let mut values = Vec::with_capacity(record.len());
        for cell in record {
            match cell {
                Cell::Time(t_ns) => values.push(DecodedValue::SignedInteger(t_ns)),
                Cell::Double(value) => values.push(DecodedValue::Float(value)),
                Cell::Number(number) => values.push(DecodedValue::UnsignedInteger(number)),
                Cell::Bytes(bytes) => {
                    values.push(DecodedValue::ByteArray(bytes.to_vec()));
                    values.push(DecodedValue::UnsignedInteger(bytes.len() as u64));
                }
            }
        }
        batch.push(values);
        n_records += 1;
        if batch.len() >= AT_ONCE {
            writer.write_records(&id, batch.iter().map(Vec::as_slice))?;
            batch.clear();
        }
    }
    writer.write_records(&id, batch.iter().map(Vec::as_slice))?;
    writer.finish_data_block(&id)?;
    Ok(n_records)
}

/// Writes everything; the number of records.
pub(crate) fn write(contents: &Contents, out: &Path, overwrite: Overwrite) -> Result<u64, InterchangeError> {
    let refuse = |what: String| InterchangeError::CannotHold { format: FORMAT, what };
    let mut writer = MdfWriter::in_memory();
    let n_records = write_groups(contents, &mut writer).map_err(|error| refuse(error.to_string()))?;
    let bytes = writer.into_inner().into_inner();
    drive::write_file(out, overwrite, |sink| sink.write_all(&bytes))?;
    Ok(n_records)
}

fn write_groups(contents: &Contents, writer: &mut Writer) -> Mdf<u64> {
    let (_, header) = writer.init_mdf_file()?;
    let start = contents.recording.start_unix_ns.or(contents.info.start_unix_ns);
    if let Some(start) = start.and_then(|start| u64::try_from(start).ok()) {
        // Start of the measurement in the header block: behind its 24 bytes of head and six links.
        writer.update_link(header + 72, start)?;
    }
    let mut n_records = 0;
    for series in &contents.recording.series {
        n_records += signal_group(series, writer)?;
    }
    let longest = |lengths: &mut dyn Iterator<Item = usize>| lengths.max().unwrap_or(0).min(MAX_BYTES);
    let exchanges = &contents.exchanges;
    if !exchanges.is_empty() {
        let problems: Vec<String> = exchanges.iter().map(|exchange| exchange.problems.join("\n")).collect();
        let channels = [
            channel("time", Kind::Time),
            channel("over", Kind::Time),
            channel("number", Kind::Number),
            channel("to", Kind::Bytes(longest(&mut exchanges.iter().map(|exchange| exchange.to.len())))),
            channel("request", Kind::Bytes(longest(&mut exchanges.iter().map(|exchange| exchange.request.len())))),
            channel("problems", Kind::Bytes(longest(&mut problems.iter().map(String::len)))),
        ];
        let records = exchanges.iter().zip(&problems).map(|(exchange, problems)| {
            vec![
                Cell::Time(exchange.asked_ns),
                Cell::Time(exchange.over_ns),
                Cell::Number(u64::from(exchange.number)),
                Cell::Bytes(exchange.to.as_bytes()),
                Cell::Bytes(&exchange.request),
                Cell::Bytes(problems.as_bytes()),
            ]
        });
        n_records += group(writer, EXCHANGES, "requests as bytes, without transport framing", &channels, records)?;
        let replies = || {
            exchanges
                .iter()
                .enumerate()
                .flat_map(|(idx, exchange)| exchange.replies.iter().map(move |reply| (idx, reply)))
        };
        let channels = [
            channel("time", Kind::Time),
            channel("request record", Kind::Number),
            channel("from", Kind::Bytes(longest(&mut replies().map(|(_, reply)| reply.from.len())))),
            channel("reply", Kind::Bytes(longest(&mut replies().map(|(_, reply)| reply.bytes.len())))),
        ];
        let records = replies().map(|(idx, reply)| {
            vec![
                Cell::Time(reply.arrived_ns),
                Cell::Number(idx as u64),
                Cell::Bytes(reply.from.as_bytes()),
                Cell::Bytes(&reply.bytes),
            ]
        });
        n_records += group(writer, REPLIES, "replies as bytes, without transport framing", &channels, records)?;
    }
    for batches in contents.frames.chunk_by(|a, b| a.bus() == b.bus()) {
        let bus = batches.first().map_or("", FrameBatch::bus);
        let (mut frames, mut longest) = (Vec::new(), 0);
        for batch in batches {
            batch.each(|frame| {
                longest = longest.max(frame.data.len());
                frames.push((frame.t_ns, frame.number, frame.is_extended, frame.data.to_vec()));
            });
        }
        let channels = [
            channel("time", Kind::Time),
            channel("CAN_DataFrame.ID", Kind::Number),
            channel("CAN_DataFrame.IDE", Kind::Number),
            channel("CAN_DataFrame.DataBytes", Kind::Bytes(longest)),
        ];
        let records = frames.iter().map(|(t_ns, number, is_extended, data)| {
            let id = Cell::Number(u64::from(*number));
            vec![Cell::Time(*t_ns), id, Cell::Number(u64::from(*is_extended)), Cell::Bytes(data)]
        });
        n_records += group(writer, FRAMES, bus, &channels, records)?;
    }
    let (marks, gaps) = (&contents.recording.marks, &contents.recording.gaps);
    if !marks.is_empty() {
        let n = longest(&mut marks.iter().map(|mark| mark.text.len()));
        let channels = [channel("time", Kind::Time), channel("text", Kind::Bytes(n))];
        let records = marks.iter().map(|mark| vec![Cell::Time(mark.t_ns), Cell::Bytes(mark.text.as_bytes())]);
        n_records += group(writer, MARKS, "", &channels, records)?;
    }
    if !gaps.is_empty() {
        let n = longest(&mut gaps.iter().map(|gap| gap.reason.len()));
        let channels = [channel("time", Kind::Time), channel("until", Kind::Time), channel("reason", Kind::Bytes(n))];
        let records = gaps
            .iter()
            .map(|gap| vec![Cell::Time(gap.from_ns), Cell::Time(gap.to_ns), Cell::Bytes(gap.reason.as_bytes())]);
        n_records += group(writer, GAPS, "", &channels, records)?;
    }
    let pairs = describe(contents);
    if !pairs.is_empty() {
        let channels = [
            channel("key", Kind::Bytes(longest(&mut pairs.iter().map(|(key, _)| key.len())))),
            channel("text", Kind::Bytes(longest(&mut pairs.iter().map(|(_, text)| text.len())))),
        ];
        let records = pairs.iter().map(|(key, text)| vec![Cell::Bytes(key.as_bytes()), Cell::Bytes(text.as_bytes())]);
        n_records += group(writer, DESCRIPTION, "what the drive says of itself", &channels, records)?;
    }
    writer.finalize()?;
    Ok(n_records)
}

fn signal_group(series: &Series, writer: &mut Writer) -> Mdf<u64> {
    let (id, vss) = (series.id.as_str(), vss(&series.id));
    let comment = vss.map_or(String::new(), |vss| format!("vss={vss}"));
    let (has_asked, has_exchange) = (!series.asked_ns.is_empty(), !series.exchange.is_empty());
    let mut channels = vec![
        channel("time", Kind::Time),
        ChannelSpec { name: id, kind: Kind::Double, unit: series.unit.symbol(), comment: Some(comment.as_str()) },
    ];
    let (requested, exchange) = (format!("{id} requested"), format!("{id} exchange"));
    if has_asked {
        channels.push(channel(&requested, Kind::Time));
    }
    if has_exchange {
        channels.push(channel(&exchange, Kind::Number));
    }
    let records = series.iter().map(|sample| {
        let mut cells = vec![Cell::Time(sample.t_ns), Cell::Double(sample.value)];
        if has_asked {
            cells.push(Cell::Time(sample.asked_ns));
        }
        if has_exchange {
            cells.push(Cell::Number(u64::from(sample.exchange)));
        }
        cells
    });
    group(writer, id, &comment, &channels, records)
}

/// One channel that was read: its values as they stand in the records.
struct Column {
    name: String,
    unit: String,
    is_master: bool,
    values: Vec<DecodedValue>,
}

/// Reads everything back: contents, number of records, notes. Files of other programs give their numbers as signals.
pub(crate) fn read(path: &Path, name: &str) -> Result<(Contents, u64, Vec<String>), InterchangeError> {
    let mut bytes = std::fs::read(path).map_err(|source| InterchangeError::Io { file: name.to_owned(), source })?;
    let wrong = |what: String| InterchangeError::Content { file: name.to_owned(), format: FORMAT, what };
    if let Some(what) = not_readable(&bytes) {
        return Err(wrong(what));
    }
    blocks::check(&bytes).map_err(wrong)?;
    let most = FEW_VALUES.max(bytes.len() as u64 * blocks::MAX_RATIO);
    let joined = blocks::join(&mut bytes).map_err(wrong)?;
    let path = path.to_str().ok_or_else(|| wrong("its name is not UTF-8; rename it".into()))?;
    let mdf = MDF::from_file(path).map_err(|error| wrong(error.to_string()))?;
    let bytes = if joined.iter().any(Option::is_some) { bytes } else { Vec::new() };
    let bytes = if bytes.is_empty() { &mdf.raw().mmap } else { &bytes };
    let mut contents = Contents::default();
    let (mut n_records, mut n_values, mut notes) = (0, 0_u64, Vec::new());
    let header = &mdf.raw().header;
    let start = i64::try_from(header.start_time_ns).ok().filter(|start| *start > 0);
    let is_local = header.time_flags & LOCAL_TIME != 0;
    if start.is_some() && is_local {
        notes.push("its start is in the local time of a place that it does not name, and is left out".to_owned());
    }
    contents.recording.start_unix_ns = start.filter(|_| !is_local);
    contents.info.start_unix_ns = contents.recording.start_unix_ns;
    let mut data_groups = mdf.raw().data_groups.clone();
    for (group, joined) in data_groups.iter_mut().zip(joined) {
        group.block.data_block_addr = joined.unwrap_or(group.block.data_block_addr);
    }
    let raw_groups = data_groups.iter().flat_map(|data| std::iter::repeat(data).zip(&data.channel_groups));
    for (group, (raw_group, raw_channels)) in mdf.channel_groups().iter().zip(raw_groups) {
        let text = |text: Mdf<Option<String>>| plain(&text.ok().flatten().unwrap_or_default());
        let (group_name, comment) = (text(group.name()), text(group.comment()));
        let is_own = matches!(group_name.as_str(), EXCHANGES | REPLIES | FRAMES | MARKS | GAPS | DESCRIPTION);
        let (mut columns, channels) = (Vec::new(), &raw_channels.raw_channels);
        let records = channels.first().and_then(|raw| raw.records(raw_group, raw_channels, bytes).ok());
        n_values += records.map_or(0, Iterator::count) as u64 * channels.len() as u64;
        if n_values > most {
            return Err(wrong(format!("it holds more than {most} values, which no measurement of its size does")));
        }
        for raw in channels {
            let block = &raw.block;
            let channel = &Channel::new(block, raw_group, raw_channels, raw, bytes);
            let channel_name = text(channel.name());
            if let Some(formula) = uncomputed(block) {
                notes.push(format!("channel `{channel_name}` is left out: its formula `{formula}` is not computed"));
                continue;
            }
            if blocks::is_array(bytes, block.component_addr) {
                notes.push(format!("channel `{channel_name}` is left out: each of its values is an array"));
                continue;
            }
            let (n_id, n_data) = (usize::from(raw_group.block.record_id_size), raw_channels.block.record_size);
            let is_whole = matches!(block.data_type, DataType::SignedIntegerLE | DataType::UnsignedIntegerLE);
            let records = || raw.records(raw_group, raw_channels, bytes);
            let as_stored = || -> Mdf<Vec<DecodedValue>> {
                let stored = records()?.map(|record| {
                    let stored = decode_channel_value_with_validity(record?, n_id, n_data, block);
                    Ok(stored.filter(|stored| stored.is_valid).map_or(DecodedValue::Unknown, |stored| stored.value))
                });
                stored.collect()
            };
            let values = || -> Mdf<Vec<DecodedValue>> {
                if matches!(block.channel_type, blocks::VIRTUAL_MASTER | blocks::VIRTUAL_DATA) {
                    let of_number = |(idx, _)| block.apply_conversion_value(DecodedValue::Float(idx as f64), bytes);
                    return records()?.enumerate().map(of_number).collect();
                }
                // Whole nanoseconds are taken as they stand: seconds as doubles would lose their last digits.
                if is_own || (is_whole && is_nanoseconds(channel)) {
                    return as_stored();
                }
                let values: Vec<DecodedValue> =
                    channel.values()?.into_iter().map(|value| value.unwrap_or(DecodedValue::Unknown)).collect();
                let has_texts = values.iter().any(|value| matches!(value, DecodedValue::String(_)));
                if has_texts && block.conversion.is_some() && values.iter().all(|value| value.as_f64().is_none()) {
                    // Texts for states, such as `on`: a signal has numbers.
                    return as_stored();
                }
                // Whole numbers of other programs are no nanoseconds.
                Ok(values.into_iter().map(|value| value.as_f64().map_or(value, DecodedValue::Float)).collect())
            };
            let values = match values() {
                Ok(values) => values,
                Err(error) => {
                    notes.push(format!("channel `{channel_name}` is left out: {error}"));
                    continue;
                }
            };
            // Its own, or else that of its conversion.
            let unit = Some(text(channel.unit())).filter(|unit| !unit.is_empty()).or_else(|| {
                let of_conversion = block.conversion.as_ref().and_then(|conversion| conversion.unit_addr);
                of_conversion.map(|at| plain(&blocks::text(bytes, at)))
            });
            let is_master = matches!(block.channel_type, 2 | blocks::VIRTUAL_MASTER) && block.sync_type == 1;
            columns.push(Column { name: channel_name, unit: unit.unwrap_or_default(), is_master, values });
        }
        n_records += columns.iter().map(|column| column.values.len() as u64).max().unwrap_or(0);
        if is_own {
            own_group(&group_name, &comment, &columns, &mut contents).map_err(wrong)?;
        } else {
            signals(&columns, &mut contents, &mut notes);
        }
    }
    if contents.recording.series.is_empty() && contents.frames.is_empty() {
        return Err(wrong("it holds no channel with numbers and a time".into()));
    }
    contents.recording.marks.sort_by_key(|mark| mark.t_ns);
    contents.recording.gaps.sort_by_key(|gap| gap.from_ns);
    Ok((contents, n_records, notes))
}

/// Why a file of the format is none that can be read: its first eight bytes say that it was not finished, the next eight
/// which version it is.
fn not_readable(bytes: &[u8]) -> Option<String> {
    if bytes.starts_with(b"UnFin") {
        return Some("the program that wrote it did not finish it; let that program, or another one, do so".to_owned());
    }
    let version: String =
        bytes.iter().skip(8).take(8).take_while(|byte| byte.is_ascii_graphic()).map(|b| char::from(*b)).collect();
    (!version.starts_with('4')).then(|| format!("it is of version {version}; convert it to version 4"))
}

/// A text of the format as it is read. It ends with a zero; what a damaged length adds behind it is none of it. In place of
/// a plain text there may be XML with the text in its element `TX`.
fn plain(text: &str) -> String {
    let text = text.split('\0').next().unwrap_or_default();
    let inner = || {
        let (_, behind) = text.trim_start().strip_prefix('<')?.split_once("<TX")?;
        Some(behind.split_once('>')?.1.split_once("</TX>")?.0.trim())
    };
    inner().unwrap_or(text).to_owned()
}

/// The formula of a channel that the library cannot compute: it then gives the stored numbers as if they were the values,
/// and a formula that it understands in part counts as far as it goes.
fn uncomputed(block: &ChannelBlock) -> Option<&str> {
    let conversion = block.conversion.as_ref().filter(|own| own.conversion_type == ConversionType::Algebraic)?;
    let formula = conversion.formula.as_deref().unwrap_or_default();
    let probe = ConversionBlock { formula: Some(format!("({formula})*0+7")), ..conversion.clone() };
    let value = probe.apply_decoded(DecodedValue::Float(0.731), &[]);
    let is_computed = value.ok().and_then(|value| value.as_f64()) == Some(7.0);
    (!is_computed).then_some(formula)
}

/// Whether a channel is shown as seconds of whole nanoseconds.
fn is_nanoseconds(channel: &mdf4_rs::Channel<'_>) -> bool {
    let probe = channel.block().apply_conversion_value(DecodedValue::SignedInteger(1_000_000_000), &[]);
    let is_second = probe.ok().and_then(|value| value.as_f64()).is_some_and(|value| (value - 1.0).abs() < 1e-9);
    is_second && channel.unit().ok().flatten().as_deref() == Some("s")
}

/// The numbers of a group over its time.
fn signals(columns: &[Column], contents: &mut Contents, notes: &mut Vec<String>) {
    let Some(master) = columns.iter().find(|column| column.is_master) else {
        if let Some(column) = columns.first() {
            notes.push(format!("the group of `{}` has no time and is left out", column.name));
        }
        return;
    };
    let time = |value: &DecodedValue| match value {
        DecodedValue::SignedInteger(t_ns) => Some(*t_ns),
        DecodedValue::UnsignedInteger(t_ns) => i64::try_from(*t_ns).ok(),
        DecodedValue::Float(t_s) => t_s.is_finite().then(|| signal::nanos_from_seconds(*t_s)),
        _ => None,
    };
    let companion = |name: &str, what: &str| columns.iter().find(|column| column.name == format!("{name} {what}"));
    for column in columns.iter().filter(|column| !column.is_master) {
        let is_companion = ["requested", "exchange"].iter().any(|what| {
            let of = column.name.strip_suffix(what).and_then(|name| name.strip_suffix(' '));
            of.is_some_and(|of| columns.iter().any(|other| other.name == of))
        });
        if is_companion {
            continue;
        }
        let Some((id, unit, convert)) = identity(column, notes) else { continue };
        if contents.recording.series.iter().any(|series| series.id == id) {
            notes.push(format!("`{}` comes twice, the second one is left out", column.name));
            continue;
        }
        let mut series = Series::new(id, unit);
        let (asked, exchange) = (companion(&column.name, "requested"), companion(&column.name, "exchange"));
        let mut n_odd = 0;
        for (idx, (t, value)) in master.values.iter().zip(&column.values).enumerate() {
            let value = value.as_f64().map(|value| convert.as_ref().map_or(value, |convert| convert(value)));
            let sound = time(t).zip(value.filter(|value| value.is_finite()));
            let Some((t_ns, value)) = sound.filter(|(t_ns, _)| series.t_ns.last().is_none_or(|last| last <= t_ns))
            else {
                n_odd += 1;
                continue;
            };
            series.t_ns.push(t_ns);
            series.value.push(value);
            if let Some(column) = asked {
                series.asked_ns.push(column.values.get(idx).and_then(time).unwrap_or(t_ns));
            }
            if let Some(column) = exchange {
                let number = column.values.get(idx).and_then(DecodedValue::as_f64).unwrap_or(0.0);
                series.exchange.push(number as u32);
            }
        }
        if n_odd > 0 {
            notes.push(format!(
                "{n_odd} values of `{}` are no numbers or go back in time; they are left out",
                column.name
            ));
        }
        if !series.is_empty() || column.values.is_empty() {
            contents.recording.series.push(series);
        }
    }
}

type Conversion = Box<dyn Fn(f64) -> f64>;

/// Name, unit and conversion of a channel's signal.
fn identity(column: &Column, notes: &mut Vec<String>) -> Option<(SignalId, Unit, Option<Conversion>)> {
    let own = Unit::named(&column.unit);
    if let Some(known) = SignalId::new(&column.name).ok().and_then(|id| Catalogue::standard().get(&id)) {
        if own == known.unit {
            return Some((known.id.clone(), own, None));
        }
        if let Some(convert) = own.conversion(&known.unit) {
            notes.push(format!("`{}` was converted from {own} to {}", column.name, known.unit));
            return Some((known.id.clone(), known.unit.clone(), Some(Box::new(convert))));
        }
    }
    match SignalId::custom(&column.name.replace(char::is_control, " ")) {
        Ok(id) => Some((id, own, None)),
        Err(error) => {
            notes.push(format!("a channel is left out: {error}"));
            None
        }
    }
}

/// A group that holds no signal.
fn own_group(name: &str, comment: &str, columns: &[Column], contents: &mut Contents) -> Result<(), String> {
    let column = |wanted: &str| {
        let found = columns.iter().find(|column| column.name == wanted);
        found.ok_or_else(|| format!("the group `{name}` has no channel `{wanted}`"))
    };
    let n_records = columns.first().map_or(0, |column| column.values.len());
    let time = |column: &Column, idx: usize| match column.values.get(idx) {
        Some(DecodedValue::SignedInteger(t_ns)) => *t_ns,
        _ => 0,
    };
    let number = |column: &Column, idx: usize| match column.values.get(idx) {
        Some(DecodedValue::UnsignedInteger(number)) => *number,
        _ => 0,
    };
    let bytes = |wanted: &str, idx: usize| -> Result<Vec<u8>, String> {
        let length = usize::try_from(number(column(&format!("{wanted} length"))?, idx)).unwrap_or(usize::MAX);
        Ok(match column(wanted)?.values.get(idx) {
            Some(DecodedValue::ByteArray(bytes)) => bytes.get(..length).unwrap_or(bytes).to_vec(),
            _ => Vec::new(),
        })
    };
    let text = |wanted: &str, idx: usize| bytes(wanted, idx).map(|bytes| String::from_utf8_lossy(&bytes).into_owned());
    for idx in 0..n_records {
        match name {
            EXCHANGES => contents.exchanges.push(Exchange {
                number: number(column("number")?, idx) as u32,
                asked_ns: time(column("time")?, idx),
                over_ns: time(column("over")?, idx),
                to: text("to", idx)?,
                request: bytes("request", idx)?,
                replies: Vec::new(),
                problems: text("problems", idx)?.lines().map(str::to_owned).collect(),
            }),
            REPLIES => {
                let of = usize::try_from(number(column("request record")?, idx)).unwrap_or(usize::MAX);
                let reply = Reply {
                    from: text("from", idx)?,
                    arrived_ns: time(column("time")?, idx),
                    bytes: bytes("reply", idx)?,
                };
                if let Some(exchange) = contents.exchanges.get_mut(of) {
                    exchange.replies.push(reply);
                }
            }
            FRAMES => {
                let is_full = contents.frames.last().is_none_or(|batch| batch.bus() != comment || batch.len() >= 4096);
                if is_full {
                    contents.frames.push(FrameBatch::new(comment));
                }
                let is_extended = number(column("CAN_DataFrame.IDE")?, idx) != 0;
                let id = number(column("CAN_DataFrame.ID")?, idx) as u32;
                let data = bytes("CAN_DataFrame.DataBytes", idx)?;
                if let Some(batch) = contents.frames.last_mut() {
                    batch.push(time(column("time")?, idx), id, is_extended, &data);
                }
            }
            MARKS => contents.recording.marks.push(Mark { t_ns: time(column("time")?, idx), text: text("text", idx)? }),
            GAPS => contents.recording.gaps.push(Gap {
                from_ns: time(column("time")?, idx),
                to_ns: time(column("until")?, idx),
                reason: text("reason", idx)?,
            }),
            _ => take_description(contents, &text("key", idx)?, &text("text", idx)?),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    /// Found by fuzzing: a unit that reached over the blocks behind it did not come back from an export as it was.
    #[test]
    fn a_text_ends_with_its_zero() {
        assert_eq!(super::plain("km/h\0##TX\0\0x"), "km/h");
        assert_eq!(super::plain("km/h"), "km/h");
        assert_eq!(super::plain(""), "");
        assert_eq!(super::plain("<CNunit><TX xml:space=\"preserve\">km/h</TX></CNunit>\0"), "km/h");
    }
}
