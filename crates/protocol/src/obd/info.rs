//! Service 09: what the vehicle says of itself.

use crate::{Decoded, Hex, Problem, ReplyError, reply_body};

/// Vehicle identification number.
pub const VIN: u8 = 0x02;
/// Calibration identifications.
pub const CALIBRATIONS: u8 = 0x04;
/// Calibration verification numbers, in the order of the calibrations.
pub const VERIFICATIONS: u8 = 0x06;
/// In-use performance, spark ignition.
pub const SPARK_PERFORMANCE: u8 = 0x08;
/// Name of the module.
pub const MODULE_NAME: u8 = 0x0A;
/// In-use performance, compression ignition.
pub const COMPRESSION_PERFORMANCE: u8 = 0x0B;
/// Engine serial number (from memory).
pub const ENGINE_SERIAL: u8 = 0x0D;
/// Exhaust approval number (from memory).
pub const EXHAUST_APPROVAL: u8 = 0x0F;

/// The content of one information type.
#[derive(Debug, Clone, PartialEq)]
pub enum Info {
    /// Types 00, 20 ..: the next 32 types that exist.
    Supported(Vec<u8>),
    /// Types 01, 03, 05, 07, 09: how many messages the type after it takes on networks other than CAN.
    MessageCount(u8),
    /// Texts: VIN, calibration identifications, module name, serial numbers.
    Texts(Vec<String>),
    /// Calibration verification numbers.
    Verifications(Vec<Hex>),
    /// How often monitors could have run and did.
    Performance(Performance),
    /// A type whose layout is not known to us.
    Bytes(Hex),
}

/// In-use performance: how often the monitors run on this car.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Performance {
    /// Drive cycles that counted for the general conditions.
    pub obd_conditions: u16,
    /// Ignition cycles.
    pub ignition_cycles: u16,
    /// One per monitor.
    pub monitors: Vec<InUse>,
}

/// One monitor's in-use performance.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct InUse {
    /// The monitor.
    pub name: &'static str,
    /// How often it ran far enough to find a fault.
    pub completions: u16,
    /// How often driving met the conditions for it.
    pub conditions: u16,
}

impl InUse {
    /// Completions over conditions, `None` when the conditions were never met.
    ///
    /// ```
    /// use protocol::obd::info::InUse;
    /// assert_eq!(InUse { name: "catalyst, bank 1", completions: 39, conditions: 104 }.ratio(), Some(0.375));
    /// ```
    #[must_use]
    pub fn ratio(&self) -> Option<f64> {
        (self.conditions != 0).then(|| f64::from(self.completions) / f64::from(self.conditions))
    }
}

/// Order of the pairs in type 08 (from memory); the last two came with 2010 models.
const SPARK_MONITORS: [&str; 9] = [
    "catalyst, bank 1",
    "catalyst, bank 2",
    "oxygen sensor, bank 1",
    "oxygen sensor, bank 2",
    "EGR or variable valve timing",
    "secondary air",
    "evaporative system",
    "secondary oxygen sensor, bank 1",
    "secondary oxygen sensor, bank 2",
];

/// Order of the pairs in type 0B (from memory).
const COMPRESSION_MONITORS: [&str; 8] = [
    "NMHC catalyst",
    "NOx catalyst",
    "NOx adsorber",
    "particulate filter",
    "exhaust gas sensor",
    "EGR or variable valve timing",
    "boost pressure",
    "fuel system",
];

/// How the items of a type are laid out.
enum Layout {
    Bitmap,
    Count,
    Texts(usize),
    Verifications,
    Performance(&'static [&'static str]),
    Unknown,
}

const fn layout(kind: u8) -> Layout {
    match kind {
        VIN | ENGINE_SERIAL | EXHAUST_APPROVAL => Layout::Texts(17),
        CALIBRATIONS => Layout::Texts(16),
        MODULE_NAME => Layout::Texts(20),
        VERIFICATIONS => Layout::Verifications,
        SPARK_PERFORMANCE => Layout::Performance(&SPARK_MONITORS),
        COMPRESSION_PERFORMANCE => Layout::Performance(&COMPRESSION_MONITORS),
        0x01 | 0x03 | 0x05 | 0x07 | 0x09 => Layout::Count,
        _ if super::is_bitmap(kind) => Layout::Bitmap,
        _ => Layout::Unknown,
    }
}

/// What a type is, in a few words.
#[must_use]
pub fn title(kind: u8) -> Option<&'static str> {
    Some(match kind {
        VIN => "vehicle identification number",
        CALIBRATIONS => "calibration identifications",
        VERIFICATIONS => "calibration verification numbers",
        SPARK_PERFORMANCE => "in-use performance, spark ignition",
        MODULE_NAME => "module name",
        COMPRESSION_PERFORMANCE => "in-use performance, compression ignition",
        ENGINE_SERIAL => "engine serial number",
        EXHAUST_APPROVAL => "exhaust approval number",
        0x01 | 0x03 | 0x05 | 0x07 | 0x09 => "number of messages of the next type",
        _ => return None,
    })
}

/// Asks for one information type.
#[must_use]
pub fn request(kind: u8) -> Vec<u8> {
    vec![0x09, kind]
}

/// Reads all messages that one module sent in reply to [`request`], in order of arrival.
///
/// On CAN there is one message, with an item count before the items. On other networks each message has a sequence
/// number from 1 and four data bytes; items are padded with 00 in front.
///
/// # Errors
/// [`ReplyError`] when no message is an answer or the content is cut off before its first item.
///
/// ```
/// use protocol::obd::info::{self, Info};
/// let reply = [&[0x49, 0x02, 0x01][..], b"1G4AH59H45G118341"].concat();
/// let read = info::interpret(&info::request(info::VIN), &[&reply], true).unwrap();
/// assert_eq!(read.value, Info::Texts(vec!["1G4AH59H45G118341".into()]));
/// ```
pub fn interpret(request: &[u8], replies: &[&[u8]], is_can: bool) -> Result<Decoded<Info>, ReplyError> {
    let kind = request.get(1).copied().unwrap_or(0);
    let is_single = is_can || matches!(layout(kind), Layout::Count);
    let mut pieces = 0usize;
    let joined = super::each_message(request, replies, |reply, out: &mut Decoded<Vec<u8>>| {
        let data = match reply_body(request, reply)? {
            [echo, data @ ..] if *echo == kind => data,
            _ => return Err(ReplyError::foreign(request, reply)),
        };
        pieces += 1;
        if is_single {
            if pieces > 1 {
                out.problems.push(Problem::LeftOver { what: "second message".into(), rest: data.into() });
            } else {
                out.value.extend_from_slice(data);
            }
            return Ok(());
        }
        let [number, data @ ..] = data else {
            let problem = Problem::Short { what: "message of several".into(), need: 3, have: reply.len() };
            return Err(ReplyError::malformed(request, reply, problem));
        };
        if usize::from(*number) != pieces {
            // What was read so far stays; a gap inside a text would make another text of it.
            let got = usize::from(*number);
            return Err(ReplyError::malformed(
                request,
                reply,
                Problem::Sequence { what: "message of several".into(), expected: pieces, got },
            ));
        }
        out.value.extend_from_slice(data);
        Ok(())
    })?;
    let mut problems = joined.problems;
    let value = content(request, kind, &joined.value, is_can, &mut problems)?;
    Ok(Decoded { value, problems })
}

fn content(
    request: &[u8],
    kind: u8,
    data: &[u8],
    is_can: bool,
    problems: &mut Vec<Problem>,
) -> Result<Info, ReplyError> {
    let what = || title(kind).map_or_else(|| format!("information type {kind:02X}"), str::to_owned);
    let short = |need| ReplyError::malformed(request, data, Problem::Short { what: what(), need, have: data.len() });
    let items = |size: usize, problems: &mut Vec<Problem>| {
        let items = if is_can { counted(data, size, what, problems) } else { padded(data, size, what, problems) };
        items.into_iter().map(<[u8]>::to_vec).collect::<Vec<_>>()
    };
    match layout(kind) {
        Layout::Bitmap => match data.first_chunk::<4>() {
            Some(bitmap) => Ok(Info::Supported(super::numbers_in(kind, *bitmap).collect())),
            None => Err(short(4)),
        },
        Layout::Count => data.first().map(|count| Info::MessageCount(*count)).ok_or_else(|| short(1)),
        Layout::Texts(size) => {
            let texts: Vec<String> =
                items(size, problems).iter().map(|item| text(item)).filter(|t| !t.is_empty()).collect();
            Ok(Info::Texts(texts))
        }
        Layout::Verifications => Ok(Info::Verifications(items(4, problems).into_iter().map(Hex).collect())),
        Layout::Performance(names) => {
            let words: Vec<u16> =
                items(2, problems).iter().filter_map(|w| w.first_chunk().copied()).map(u16::from_be_bytes).collect();
            let [obd_conditions, ignition_cycles, pairs @ ..] = words.as_slice() else { return Err(short(4)) };
            let pairs = pairs.as_chunks::<2>().0;
            // Newer editions have monitors that we have no names for.
            let more = pairs.get(names.len()..).unwrap_or_default().as_flattened();
            if !more.is_empty() {
                let rest = Hex(more.iter().flat_map(|word| word.to_be_bytes()).collect());
                problems.push(Problem::LeftOver { what: what(), rest });
            }
            let monitors = names.iter().zip(pairs);
            Ok(Info::Performance(Performance {
                obd_conditions: *obd_conditions,
                ignition_cycles: *ignition_cycles,
                monitors: monitors
                    .map(|(name, [completions, conditions])| InUse {
                        name,
                        completions: *completions,
                        conditions: *conditions,
                    })
                    .collect(),
            }))
        }
        Layout::Unknown => Ok(Info::Bytes(data.into())),
    }
}

/// The items after the count byte of a CAN reply. Some modules leave the byte out: then the length tells.
fn counted<'d>(data: &'d [u8], size: usize, what: impl Fn() -> String, problems: &mut Vec<Problem>) -> Vec<&'d [u8]> {
    let Some((count, items)) = data.split_first() else { return Vec::new() };
    if data.len().is_multiple_of(size) && !items.len().is_multiple_of(size) {
        return data.chunks(size).collect();
    }
    let (said, have) = (usize::from(*count), items.len() / size);
    if said != have || !items.len().is_multiple_of(size) {
        problems.push(Problem::Count { what: what(), said, have });
    }
    items.chunks(size).collect()
}

/// The items of a reply in several messages: each fills whole messages of four bytes, with its padding in front.
fn padded<'d>(data: &'d [u8], size: usize, what: impl Fn() -> String, problems: &mut Vec<Problem>) -> Vec<&'d [u8]> {
    // Words of in-use performance come two to a message; they are the only items below four bytes.
    let full = if size < 4 { size } else { size.next_multiple_of(4) };
    let have = data.len() % full;
    if have != 0 {
        problems.push(Problem::Short { what: what(), need: full, have });
    }
    data.chunks(full).filter_map(|item| item.get((full - size).min(item.len())..)).collect()
}

/// Text without its padding: 00 anywhere, blanks at the ends. Bytes that are no printable ASCII are shown as `\xNN`.
fn text(bytes: &[u8]) -> String {
    let kept = bytes.iter().filter(|byte| **byte != 0);
    let text: String = kept.flat_map(|byte| std::ascii::escape_default(*byte)).map(char::from).collect();
    text.trim().to_owned()
}
