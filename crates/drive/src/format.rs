//! What is in a drive file: topics, messages, and the description of the drive. See `docs/drive-format.md`.

use std::collections::BTreeMap;

use prost::Message as _;
use prost_types::field_descriptor_proto::{Label, Type};
use prost_types::{DescriptorProto, FieldDescriptorProto, FileDescriptorProto, FileDescriptorSet};

/// Version of what this module describes. Readers refuse a higher one.
pub(crate) const VERSION: u32 = 1;
/// The container's profile name, and the name of the metadata record that describes the drive.
pub(crate) const PROFILE: &str = "witness-drive";
/// Channel of raw exchanges. The first three channels and schemas have fixed numbers, so that their messages can be
/// told apart even if the records that describe the channels are damaged.
pub(crate) const EXCHANGES: u16 = 1;
/// Channel of marks.
pub(crate) const MARKS: u16 = 2;
/// Channel of gaps.
pub(crate) const GAPS: u16 = 3;
/// Channel of raw CAN frames; only drives that have some have it.
pub(crate) const FRAMES: u16 = 4;
/// Channel of the first signal; the others follow.
pub(crate) const FIRST_SIGNAL: u16 = 16;
/// Topic of a signal's channel before its id.
pub(crate) const SIGNAL_TOPIC: &str = "signal/";
/// Largest record that is read, and largest size to which a chunk may unpack, bytes: ours stay below a tenth of it.
pub(crate) const MAX_RECORD: usize = 32 << 20;
/// Most samples in one message.
pub(crate) const MAX_BATCH: usize = 8192;

/// Whether a time can be one of a drive: within 73 years of its start, which covers times since 1970 and leaves room for
/// the difference of any two.
pub(crate) fn is_time(t_ns: i64) -> bool {
    t_ns.unsigned_abs() <= i64::MAX.unsigned_abs() / 4
}

const PACKAGE: &str = "witness";

/// Consecutive samples of one signal. Times and exchange numbers are running sums: the first entry counts from 0, every
/// other one from its predecessor, which a small varint then holds.
#[derive(Clone, PartialEq, prost::Message)]
pub(crate) struct Samples {
    /// Arrival times, nanoseconds since the start of the drive, as differences.
    #[prost(sint64, repeated, tag = "1")]
    pub(crate) t_step_ns: Vec<i64>,
    /// Values in the unit of the signal.
    #[prost(double, repeated, tag = "2")]
    pub(crate) value: Vec<f64>,
    /// For each sample how long before its arrival the request had left, nanoseconds; empty where unknown.
    #[prost(sint64, repeated, tag = "3")]
    pub(crate) latency_ns: Vec<i64>,
    /// Numbers of the exchanges that brought the samples, as differences; empty where unknown.
    #[prost(sint64, repeated, tag = "4")]
    pub(crate) exchange_step: Vec<i64>,
    /// Name of the signal, repeated now and then so that damage elsewhere does not cost it.
    #[prost(string, tag = "15")]
    pub(crate) signal: String,
    /// Unit of the signal, given together with its name.
    #[prost(string, tag = "16")]
    pub(crate) unit: String,
}

/// One request and everything that came back for it, as bytes.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Exchange {
    /// Its number within the drive, from 1, as in [`signal::Sample::exchange`].
    #[prost(uint32, tag = "1")]
    pub number: u32,
    /// When the request left, nanoseconds since the start of the drive.
    #[prost(sint64, tag = "2")]
    pub asked_ns: i64,
    /// When the exchange was over, nanoseconds since the start of the drive.
    #[prost(sint64, tag = "3")]
    pub over_ns: i64,
    /// Whom the request was for, such as a module's address in hex.
    #[prost(string, tag = "4")]
    pub to: String,
    /// The request, without transport framing.
    #[prost(bytes = "vec", tag = "5")]
    pub request: Vec<u8>,
    /// The replies in order of arrival.
    #[prost(message, repeated, tag = "6")]
    pub replies: Vec<Reply>,
    /// What did not fit: adapter texts, damaged lines.
    #[prost(string, repeated, tag = "7")]
    pub problems: Vec<String>,
}

/// One reply to a request, as bytes.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Reply {
    /// Who answered, such as a module's address in hex.
    #[prost(string, tag = "1")]
    pub from: String,
    /// When its last byte had arrived, nanoseconds since the start of the drive.
    #[prost(sint64, tag = "2")]
    pub arrived_ns: i64,
    /// The reply, without transport framing.
    #[prost(bytes = "vec", tag = "3")]
    pub bytes: Vec<u8>,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(crate) struct Mark {
    #[prost(sint64, tag = "1")]
    pub(crate) t_ns: i64,
    #[prost(string, tag = "2")]
    pub(crate) text: String,
}

#[derive(Clone, PartialEq, prost::Message)]
pub(crate) struct Gap {
    #[prost(sint64, tag = "1")]
    pub(crate) from_ns: i64,
    #[prost(sint64, tag = "2")]
    pub(crate) to_ns: i64,
    #[prost(string, tag = "3")]
    pub(crate) reason: String,
}

/// Consecutive frames of one CAN bus. Times are running sums, as in [`Samples`].
#[derive(Clone, PartialEq, prost::Message)]
pub(crate) struct Frames {
    #[prost(string, tag = "1")]
    pub(crate) bus: String,
    /// Arrival times, nanoseconds since the start of the drive, as differences.
    #[prost(sint64, repeated, tag = "2")]
    pub(crate) t_step_ns: Vec<i64>,
    /// Identifiers; bit 31 is set for those of 29 bits.
    #[prost(uint32, repeated, tag = "3")]
    pub(crate) id: Vec<u32>,
    /// Data bytes of each frame.
    #[prost(uint32, repeated, tag = "4")]
    pub(crate) length: Vec<u32>,
    /// The data of all of them, one after the other.
    #[prost(bytes = "vec", tag = "5")]
    pub(crate) data: Vec<u8>,
}

/// Names of the message types in schema records.
pub(crate) const SAMPLES_SCHEMA: &str = "witness.Samples";
pub(crate) const EXCHANGE_SCHEMA: &str = "witness.Exchange";
pub(crate) const MARK_SCHEMA: &str = "witness.Mark";
pub(crate) const GAP_SCHEMA: &str = "witness.Gap";
pub(crate) const FRAMES_SCHEMA: &str = "witness.Frames";

/// The message types above as a `FileDescriptorSet`, which makes the file readable without this program.
pub(crate) fn descriptor_set() -> Vec<u8> {
    let field = |name: &str, number: i32, kind: Type, label: Label, type_name: Option<&str>| FieldDescriptorProto {
        name: Some(name.into()),
        number: Some(number),
        label: Some(label.into()),
        r#type: Some(kind.into()),
        type_name: type_name.map(|name| format!(".{PACKAGE}.{name}")),
        ..Default::default()
    };
    let one = |name, number, kind| field(name, number, kind, Label::Optional, None);
    let many = |name, number, kind| field(name, number, kind, Label::Repeated, None);
    let message = |name: &str, field: Vec<FieldDescriptorProto>| DescriptorProto {
        name: Some(name.into()),
        field,
        ..Default::default()
    };
    let file = FileDescriptorProto {
        name: Some("witness/drive.proto".into()),
        package: Some(PACKAGE.into()),
        syntax: Some("proto3".into()),
        message_type: vec![
            message(
                "Samples",
                vec![
                    many("t_step_ns", 1, Type::Sint64),
                    many("value", 2, Type::Double),
                    many("latency_ns", 3, Type::Sint64),
                    many("exchange_step", 4, Type::Sint64),
                    one("signal", 15, Type::String),
                    one("unit", 16, Type::String),
                ],
            ),
            message(
                "Exchange",
                vec![
                    one("number", 1, Type::Uint32),
                    one("asked_ns", 2, Type::Sint64),
                    one("over_ns", 3, Type::Sint64),
                    one("to", 4, Type::String),
                    one("request", 5, Type::Bytes),
                    field("replies", 6, Type::Message, Label::Repeated, Some("Reply")),
                    many("problems", 7, Type::String),
                ],
            ),
            message(
                "Reply",
                vec![one("from", 1, Type::String), one("arrived_ns", 2, Type::Sint64), one("bytes", 3, Type::Bytes)],
            ),
            message("Mark", vec![one("t_ns", 1, Type::Sint64), one("text", 2, Type::String)]),
            message(
                "Gap",
                vec![one("from_ns", 1, Type::Sint64), one("to_ns", 2, Type::Sint64), one("reason", 3, Type::String)],
            ),
            message(
                "Frames",
                vec![
                    one("bus", 1, Type::String),
                    many("t_step_ns", 2, Type::Sint64),
                    many("id", 3, Type::Uint32),
                    many("length", 4, Type::Uint32),
                    one("data", 5, Type::Bytes),
                ],
            ),
        ],
        ..Default::default()
    };
    FileDescriptorSet { file: vec![file] }.encode_to_vec()
}

/// What is known of a drive as a whole.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DriveInfo {
    /// Wall clock at the start of the drive in nanoseconds since 1970-01-01 UTC, where known.
    pub start_unix_ns: Option<i64>,
    /// Program and version that made the file.
    pub software: Option<String>,
    /// What the adapter says of itself.
    pub adapter: Option<String>,
    /// The network that the samples came over.
    pub protocol: Option<String>,
    /// Vehicle identification number, where the vehicle reported one.
    pub vin: Option<String>,
    /// Anything else worth keeping, by name.
    pub extra: BTreeMap<String, String>,
}

const EXTRA: &str = "extra.";
const CHECK: &str = "crc32";

impl DriveInfo {
    /// As the key-value pairs of the metadata record, with a checksum, since the container has none for it.
    pub(crate) fn to_pairs(&self) -> BTreeMap<String, String> {
        let mut pairs = BTreeMap::from([("format".to_owned(), VERSION.to_string())]);
        if let Some(start) = self.start_unix_ns {
            pairs.insert("start_unix_ns".into(), start.to_string());
        }
        for (key, text) in
            [("software", &self.software), ("adapter", &self.adapter), ("protocol", &self.protocol), ("vin", &self.vin)]
        {
            if let Some(text) = text {
                pairs.insert(key.into(), text.clone());
            }
        }
        pairs.extend(self.extra.iter().map(|(key, value)| (format!("{EXTRA}{key}"), value.clone())));
        let check = checksum(&pairs);
        pairs.insert(CHECK.into(), check);
        pairs
    }

    /// The format version and the description; `None` if the pairs are damaged.
    pub(crate) fn from_pairs(mut pairs: BTreeMap<String, String>) -> Option<(u32, Self)> {
        let check = pairs.remove(CHECK)?;
        if check != checksum(&pairs) {
            return None;
        }
        let format = pairs.remove("format")?.parse().ok()?;
        let start_unix_ns = match pairs.remove("start_unix_ns") {
            Some(text) => Some(text.parse().ok()?),
            None => None,
        };
        let mut take = |key: &str| pairs.remove(key);
        let (software, adapter, protocol, vin) = (take("software"), take("adapter"), take("protocol"), take("vin"));
        let extra =
            pairs.into_iter().filter_map(|(key, value)| Some((key.strip_prefix(EXTRA)?.to_owned(), value))).collect();
        Some((format, Self { start_unix_ns, software, adapter, protocol, vin, extra }))
    }
}

/// CRC-32 (as in gzip) of every key and value in order of the keys, each followed by a zero byte; eight hex digits.
fn checksum(pairs: &BTreeMap<String, String>) -> String {
    let mut hasher = crc32fast::Hasher::new();
    for text in pairs.iter().flat_map(|(key, value)| [key, value]) {
        hasher.update(text.as_bytes());
        hasher.update(&[0]);
    }
    format!("{:08x}", hasher.finalize())
}
