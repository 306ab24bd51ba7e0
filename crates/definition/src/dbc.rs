//! Reading DBC files: the messages and signals of one CAN bus.
//!
//! The grammar is that of the crate `can-dbc`; what it reads is turned into [`Message`]s here.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use can_dbc::{AttributeValue, ByteOrder, Dbc, MessageId, MultiplexIndicator, SignalExtendedValueType, ValueType};
use protocol::CanId;
use signal::{SignalId, Unit};

use crate::bits::{Bits, Encoding};
use crate::broadcast::{BroadcastSignal, Message, Multiplexed};
use crate::coded::Coded;
use crate::conversion::{Conversion, Interval, StateText};
use crate::error::{DefinitionError, FileProblem};
use crate::file::MakerFile;

/// Longest file, bytes: the longest of real ones have a few MB.
const MAX_BYTES: usize = 64 << 20;
/// Longest CAN frame (CAN FD), bytes.
const MAX_FRAME: u64 = 64;
/// The message that editors keep signals in which belong to none.
const NO_MESSAGE: &str = "VECTOR__INDEPENDENT_SIG_MSG";
/// Why nobody can tell when a signal is there.
const NO_SELECTOR: &str = "there is no selector for its multiplex value";
/// What stands for "no sender".
const NO_NODE: &str = "Vector__XXX";

/// What a DBC file holds.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct DbcFile {
    /// The messages, in the order of the file.
    pub messages: Vec<Message>,
    /// What could not be used, with its line. The rest was read.
    pub problems: Vec<DefinitionError>,
}

impl DbcFile {
    /// As a file of definitions: messages alone, for any vehicle.
    pub(crate) fn into_maker_file(self, file: &str) -> MakerFile {
        MakerFile {
            messages: self.messages,
            problems: self.problems,
            ..MakerFile::empty(file, "messages of one CAN bus", "a DBC file")
        }
    }
}

/// Reads a DBC file. Bytes that are no UTF-8 are taken as Windows-1252, which old editors write.
///
/// # Errors
/// [`DefinitionError`] with the line if the file is no DBC. What is wrong with a single message or signal is in
/// [`DbcFile::problems`].
pub fn read(bytes: &[u8], file: &str) -> Result<DbcFile, DefinitionError> {
    let error = |line: usize, problem: String| DefinitionError {
        file: file.to_owned(),
        line,
        problem: FileProblem::Format(problem),
    };
    if bytes.len() > MAX_BYTES {
        return Err(error(1, format!("longer than {} MB", MAX_BYTES >> 20)));
    }
    let text = text(bytes);
    let text = text.trim_start_matches('\u{FEFF}');
    let dbc = Dbc::try_from(text).map_err(|problem| {
        let said = problem.to_string();
        error(line_said(&said).unwrap_or(1), format!("no DBC from here on: {}", last_line(&said)))
    })?;
    let lines = Lines::of(text);
    let mut reader = Reader { dbc: &dbc, lines: &lines, file, out: DbcFile::default() };
    reader.messages();
    Ok(reader.out)
}

/// Whether bytes look like a DBC file: the first word of its first line.
pub(crate) fn is_likely(bytes: &[u8]) -> bool {
    let bytes = bytes.strip_prefix(b"\xEF\xBB\xBF").unwrap_or(bytes);
    let line = bytes.split(|byte| *byte == b'\n').map(<[u8]>::trim_ascii).find(|line| !line.is_empty());
    let first = line.and_then(|line| line.split(|byte| matches!(byte, b' ' | b'\t' | b':')).next());
    matches!(first, Some(b"VERSION" | b"NS_" | b"BS_" | b"BU_" | b"BO_" | b"CM_"))
}

/// UTF-8, or else Windows-1252.
pub(crate) fn text(bytes: &[u8]) -> std::borrow::Cow<'_, str> {
    match std::str::from_utf8(bytes) {
        Ok(text) => text.into(),
        Err(_) => bytes.iter().map(|byte| char_of_1252(*byte)).collect::<String>().into(),
    }
}

/// Windows-1252: Latin-1 but for 80 to 9F. Source: the mapping table of the Unicode consortium, CP1252.TXT, from memory;
/// five codes are undefined there and become the control characters of Latin-1.
fn char_of_1252(byte: u8) -> char {
    const HIGH: [char; 32] = [
        '€', '\u{81}', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '\u{8D}', 'Ž', '\u{8F}', '\u{90}', '‘',
        '’', '“', '”', '•', '–', '—', '˜', '™', 'š', '›', 'œ', '\u{9D}', 'ž', 'Ÿ',
    ];
    match byte {
        0x80..=0x9F => HIGH[usize::from(byte - 0x80)],
        _ => char::from(byte),
    }
}

/// The line in a parser's message, which points with `--> LINE:COLUMN`.
fn line_said(message: &str) -> Option<usize> {
    let (_, rest) = message.split_once("--> ")?;
    rest.split(':').next()?.trim().parse().ok()
}

/// What a parser expected, without its drawing of the place.
fn last_line(message: &str) -> String {
    let line = message.lines().last().unwrap_or(message);
    line.trim_start_matches([' ', '=', '|']).chars().take(200).collect()
}

/// Where messages and signals stand in the text: the parser's result does not tell, and it shortens identifiers that are
/// too long.
struct Lines {
    /// Line and whole identifier by name of the message.
    messages: HashMap<String, (usize, u64)>,
    /// Lines by names of message and signal.
    signals: HashMap<(String, String), Vec<usize>>,
}

impl Lines {
    fn of(text: &str) -> Self {
        let mut lines = Self { messages: HashMap::new(), signals: HashMap::new() };
        let mut message = String::new();
        for (idx, line) in text.lines().enumerate() {
            let mut words = line.split([' ', '\t', ':']).filter(|word| !word.is_empty());
            match (words.next(), words.next(), words.next()) {
                (Some("BO_"), Some(id), Some(name)) => {
                    if let Ok(id) = id.parse() {
                        name.clone_into(&mut message);
                        lines.messages.entry(name.to_owned()).or_insert((idx + 1, id));
                    }
                }
                (Some("SG_"), Some(name), _) => {
                    lines.signals.entry((message.clone(), name.to_owned())).or_default().push(idx + 1);
                }
                _ => {}
            }
        }
        lines
    }

    /// Where a signal is named for the last time.
    fn of_signal(&self, message: &str, signal: &str) -> usize {
        let key = (message.to_owned(), signal.to_owned());
        self.signals.get(&key).and_then(|lines| lines.last()).copied().unwrap_or(1)
    }
}

struct Reader<'a> {
    dbc: &'a Dbc,
    lines: &'a Lines,
    file: &'a str,
    out: DbcFile,
}

impl Reader<'_> {
    fn problem(&mut self, line: usize, problem: String) {
        self.note(line, FileProblem::LeftOut(problem));
    }

    fn note(&mut self, line: usize, problem: FileProblem) {
        self.out.problems.push(DefinitionError { file: self.file.to_owned(), line, problem });
    }

    fn messages(&mut self) {
        let dbc = self.dbc;
        let about = About::of(dbc);
        let (mut ids, mut names) = (BTreeSet::new(), BTreeSet::new());
        for message in dbc.messages.iter().filter(|message| message.name != NO_MESSAGE) {
            let (line, whole) =
                self.lines.messages.get(&message.name).copied().unwrap_or((1, u64::from(message.id.raw())));
            let id = match message.id {
                MessageId::Standard(_) => u16::try_from(whole).ok().filter(|id| *id <= 0x7FF).map(CanId::Standard),
                MessageId::Extended(number) => Some(CanId::Extended(number)),
            };
            let name = about.long_message.get(&message.id).cloned().unwrap_or_else(|| message.name.clone());
            let Some(id) = id else {
                let what = "has more than 11 bits and is not marked as one of 29";
                self.problem(line, format!("message `{name}`: identifier {whole} {what}"));
                continue;
            };
            if message.size > MAX_FRAME && !about.is_group(message.id) {
                self.problem(
                    line,
                    format!("message `{name}`: {} bytes, a frame has at most {MAX_FRAME}", message.size),
                );
                continue;
            }
            if !ids.insert(id) {
                self.problem(line, format!("message `{name}`: identifier {id} is there already"));
                continue;
            }
            // Names become names of signals, which must differ.
            let name = if names.insert(name.clone()) { name } else { format!("{name} {id}") };
            let more = about.more_senders.get(&message.id).into_iter().flatten().copied();
            let mut known = BTreeSet::from([NO_NODE]);
            let senders = message.transmitter.iter().chain(more);
            let senders = senders.map(|sender| about.long_node.get(sender.as_str()).copied().unwrap_or(sender));
            let senders = senders.filter(|sender| known.insert(sender)).map(str::to_owned).collect();
            let signals = self.signals(message, &name, &about);
            self.out.messages.push(Message {
                name,
                id,
                is_group: about.is_group(message.id),
                n_bytes: message.size as usize,
                cycle_ms: about.cycle_ms(message.id),
                senders,
                note: about.notes.get(&(message.id, None)).copied().unwrap_or_default().trim().to_owned(),
                signals,
            });
        }
    }

    fn signals(&mut self, message: &can_dbc::Message, message_name: &str, about: &About<'_>) -> Vec<BroadcastSignal> {
        let mut kept: Vec<(&can_dbc::Signal, BroadcastSignal)> = Vec::new();
        let mut names = BTreeSet::new();
        for signal in &message.signals {
            let line = self.lines.of_signal(&message.name, &signal.name);
            let is_new = names.insert(signal.name.as_str());
            match self.signal(message, signal, message_name, about) {
                Ok(_) if !is_new => {
                    self.problem(line, format!("signal `{}` of `{message_name}` is there already", signal.name));
                }
                Ok(read) => {
                    // Frames may well be longer than the message says, and then have it.
                    if read.coded.bits.end() as u64 > message.size {
                        let (name, size) = (&signal.name, message.size);
                        let what = format!("signal `{name}` reaches beyond the {size} bytes of `{message_name}`");
                        self.note(line, FileProblem::Odd(what));
                    }
                    kept.push((signal, read));
                }
                Err(why) => self.problem(line, format!("signal `{}` of `{message_name}`: {why}", signal.name)),
            }
        }
        // No name is there twice.
        let places: HashMap<&str, usize> =
            kept.iter().enumerate().map(|(idx, (signal, _))| (signal.name.as_str(), idx)).collect();
        let outermost: Vec<usize> = (0..kept.len())
            .filter(|idx| matches!(kept[*idx].0.multiplexer_indicator, MultiplexIndicator::Multiplexor))
            .collect();
        let mut found = Vec::new();
        for (signal, _) in &kept {
            let own = match signal.multiplexer_indicator {
                MultiplexIndicator::MultiplexedSignal(value)
                | MultiplexIndicator::MultiplexorAndMultiplexedSignal(value) => Some(value),
                MultiplexIndicator::Multiplexor | MultiplexIndicator::Plain => None,
            };
            let extended = about.extended.get(&(message.id, signal.name.as_str()));
            found.push(match (extended, own) {
                (Some(row), _) => Some(match places.get(row.multiplexor_signal_name.as_str()) {
                    Some(&selector) => {
                        let values = row.mappings.iter().map(|range| (range.min_value.into(), range.max_value.into()));
                        Ok(Multiplexed { selector, values: values.collect() })
                    }
                    None => Err(NO_SELECTOR),
                }),
                (None, Some(value)) => Some(match outermost.as_slice() {
                    [selector] => Ok(Multiplexed { selector: *selector, values: vec![(value.into(), value.into())] }),
                    [] => Err(NO_SELECTOR),
                    _ => Err("it does not say which of the selectors its multiplex value is for"),
                }),
                (None, None) => None,
            });
        }
        let mut signals = Vec::new();
        for (idx, ((signal, mut read), multiplexed)) in kept.into_iter().zip(found).enumerate() {
            read.is_selector = is_selector(signal.multiplexer_indicator);
            match multiplexed.transpose() {
                Ok(multiplexed) => read.multiplexed = multiplexed,
                Err(why) => {
                    let line = self.lines.of_signal(&message.name, &signal.name);
                    self.problem(line, format!("signal `{}` of `{message_name}`: {why}", signal.name));
                    // It stays, so that the places of the others stay, but no frame has it.
                    read.multiplexed = Some(Multiplexed { selector: idx, values: Vec::new() });
                }
            }
            signals.push(read);
        }
        signals
    }

    fn signal(
        &self,
        message: &can_dbc::Message,
        signal: &can_dbc::Signal,
        message_name: &str,
        about: &About<'_>,
    ) -> Result<BroadcastSignal, String> {
        let key = (message.id, signal.name.as_str());
        let encoding = match (about.floats.get(&key), signal.value_type) {
            (Some(SignalExtendedValueType::IEEEfloat32Bit | SignalExtendedValueType::IEEEdouble64bit), _) => {
                Encoding::Float
            }
            (_, ValueType::Signed) => Encoding::TwosComplement,
            (_, ValueType::Unsigned) => Encoding::Unsigned,
        };
        let bits = place(signal, encoding)
            .ok_or_else(|| format!("{} bits from bit {} are no place in a frame", signal.size, signal.start_bit))?;
        let conversion = Conversion::Linear { multiply: signal.factor, divide: 1.0, offset: signal.offset };
        if let Some(problem) = conversion.problem() {
            return Err(problem.to_owned());
        }
        let name = about.long_signal.get(&key).cloned().unwrap_or_else(|| signal.name.clone());
        let full = format!("{message_name}.{name}").replace(char::is_control, " ");
        let id = SignalId::custom(&full).map_err(|error| error.to_string())?;
        let (low, high) = (number(signal.min), number(signal.max));
        let note = about.notes.get(&(message.id, Some(signal.name.as_str()))).copied().unwrap_or_default();
        Ok(BroadcastSignal {
            title: if note.trim().is_empty() { name.replace('_', " ") } else { note.trim().to_owned() },
            name,
            id,
            unit: Unit::named(&signal.unit),
            coded: Coded {
                conversion,
                texts: about.texts.get(&key).cloned().unwrap_or_default(),
                ..Coded::plain(bits)
            },
            limits: (low < high).then_some((low, high)),
            multiplexed: None,
            is_selector: false,
        })
    }
}

fn is_selector(indicator: MultiplexIndicator) -> bool {
    matches!(indicator, MultiplexIndicator::Multiplexor | MultiplexIndicator::MultiplexorAndMultiplexedSignal(_))
}

fn number(value: can_dbc::NumericValue) -> f64 {
    match value {
        can_dbc::NumericValue::Uint(number) => number as f64,
        can_dbc::NumericValue::Int(number) => number as f64,
        can_dbc::NumericValue::Double(number) => number,
    }
}

/// The format numbers bits through the frame, bit 0 of byte 0 first. `start_bit` is the lowest bit of a little-endian
/// signal and the highest one of a big-endian signal.
fn place(signal: &can_dbc::Signal, encoding: Encoding) -> Option<Bits> {
    let (start, size) = (u32::try_from(signal.start_bit).ok()?, u32::try_from(signal.size).ok()?);
    if u64::from(start) >= MAX_FRAME * 8 || !(1..=64).contains(&size) {
        return None;
    }
    let (byte, bit) = ((start / 8) as usize, start % 8);
    let bits = match signal.byte_order {
        ByteOrder::LittleEndian => Bits { byte, bit, bits: size, little_endian: true, encoding },
        ByteOrder::BigEndian => {
            // Bits from the top of the first byte down to the signal's lowest one.
            let last = 7 - bit + size - 1;
            Bits { byte, bit: 7 - last % 8, bits: size, little_endian: false, encoding }
        }
    };
    (bits.is_sound() && bits.end() as u64 <= MAX_FRAME).then_some(bits)
}

/// What the file says of messages and signals apart from them.
struct About<'a> {
    cycle_ms: HashMap<MessageId, f64>,
    default_cycle_ms: Option<f64>,
    frame_format: HashMap<MessageId, String>,
    default_frame_format: Option<String>,
    long_message: HashMap<MessageId, String>,
    long_signal: HashMap<(MessageId, &'a str), String>,
    long_node: HashMap<&'a str, &'a str>,
    floats: HashMap<(MessageId, &'a str), SignalExtendedValueType>,
    texts: HashMap<(MessageId, &'a str), Vec<StateText>>,
    extended: HashMap<(MessageId, &'a str), &'a can_dbc::ExtendedMultiplex>,
    /// Who else sends a message.
    more_senders: HashMap<MessageId, Vec<&'a String>>,
    /// Comments on messages and their signals.
    notes: HashMap<(MessageId, Option<&'a str>), &'a str>,
}

impl<'a> About<'a> {
    fn of(dbc: &'a Dbc) -> Self {
        // Values of an enumeration are texts, or places in the list of its definition.
        let lists: BTreeMap<&str, &Vec<String>> = dbc
            .attribute_definitions
            .iter()
            .filter_map(|definition| match definition {
                can_dbc::AttributeDefinition::Message(name, can_dbc::AttributeValueType::Enum(list)) => {
                    Some((name.as_str(), list))
                }
                _ => None,
            })
            .collect();
        let as_text = |name: &str, value: &AttributeValue| match value {
            AttributeValue::String(text) => Some(text.clone()),
            other => {
                let idx = as_number(other)? as usize;
                lists.get(name)?.get(idx).cloned()
            }
        };
        let mut about = Self {
            cycle_ms: HashMap::new(),
            default_cycle_ms: None,
            frame_format: HashMap::new(),
            default_frame_format: None,
            long_message: HashMap::new(),
            long_signal: HashMap::new(),
            long_node: HashMap::new(),
            floats: HashMap::new(),
            texts: HashMap::new(),
            extended: HashMap::new(),
            more_senders: HashMap::new(),
            notes: HashMap::new(),
        };
        for row in &dbc.message_transmitters {
            about.more_senders.entry(row.message_id).or_default().extend(&row.transmitter);
        }
        for comment in &dbc.comments {
            let (key, text) = match comment {
                can_dbc::Comment::Message { id, comment } => ((*id, None), comment),
                can_dbc::Comment::Signal { message_id, name, comment } => ((*message_id, Some(name.as_str())), comment),
                _ => continue,
            };
            about.notes.entry(key).or_insert(text);
        }
        for default in &dbc.attribute_defaults {
            match default.name.as_str() {
                CYCLE => about.default_cycle_ms = as_number(&default.value),
                FRAME_FORMAT => about.default_frame_format = as_text(FRAME_FORMAT, &default.value),
                _ => {}
            }
        }
        for row in &dbc.attribute_values_message {
            match (row.name.as_str(), &row.value) {
                (CYCLE, value) => drop(as_number(value).map(|cycle| about.cycle_ms.insert(row.message_id, cycle))),
                (FRAME_FORMAT, value) => {
                    drop(as_text(FRAME_FORMAT, value).map(|text| about.frame_format.insert(row.message_id, text)));
                }
                (LONG_MESSAGE, AttributeValue::String(name)) if !name.trim().is_empty() => {
                    about.long_message.insert(row.message_id, name.clone());
                }
                _ => {}
            }
        }
        for row in &dbc.attribute_values_signal {
            if let (LONG_SIGNAL, AttributeValue::String(name)) = (row.name.as_str(), &row.value)
                && !name.trim().is_empty()
            {
                about.long_signal.insert((row.message_id, row.signal_name.as_str()), name.clone());
            }
        }
        for row in &dbc.attribute_values_node {
            if let (LONG_NODE, AttributeValue::String(name)) = (row.name.as_str(), &row.value)
                && !name.trim().is_empty()
            {
                about.long_node.insert(&row.node_name, name);
            }
        }
        for row in &dbc.signal_extended_value_type_list {
            about.floats.insert((row.message_id, row.signal_name.as_str()), row.signal_extended_value_type);
        }
        for row in &dbc.value_descriptions {
            if let can_dbc::ValueDescription::Signal { message_id, name, value_descriptions } = row {
                let texts = value_descriptions.iter().map(|row| StateText {
                    raw: Interval::new(row.id as f64, row.id as f64),
                    text: row.description.clone(),
                });
                about.texts.insert((*message_id, name.as_str()), texts.collect());
            }
        }
        for row in &dbc.extended_multiplex {
            about.extended.insert((row.message_id, row.signal_name.as_str()), row);
        }
        about
    }

    /// The cycle that is given; 0 stands for none.
    fn cycle_ms(&self, id: MessageId) -> Option<f64> {
        self.cycle_ms.get(&id).copied().or(self.default_cycle_ms).filter(|cycle| *cycle > 0.0)
    }

    fn is_group(&self, id: MessageId) -> bool {
        let format = self.frame_format.get(&id).or(self.default_frame_format.as_ref());
        matches!(id, MessageId::Extended(_)) && format.is_some_and(|format| format == "J1939PG")
    }
}

// Names of attributes that common practice gives a meaning (no published source; checked on the files of the tests).
const CYCLE: &str = "GenMsgCycleTime";
const FRAME_FORMAT: &str = "VFrameFormat";
const LONG_MESSAGE: &str = "SystemMessageLongSymbol";
const LONG_SIGNAL: &str = "SystemSignalLongSymbol";
const LONG_NODE: &str = "SystemNodeLongSymbol";

fn as_number(value: &AttributeValue) -> Option<f64> {
    match value {
        AttributeValue::Uint(number) => Some(*number as f64),
        AttributeValue::Int(number) => Some(*number as f64),
        AttributeValue::Double(number) => Some(*number),
        AttributeValue::String(_) => None,
    }
}
