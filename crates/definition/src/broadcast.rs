//! Signals that modules broadcast in CAN frames, without being asked.
//!
//! A [`Message`] says what is in the frames of one identifier; a [`FrameDecoder`] makes values of frames, as fast as
//! frames can come.

use std::collections::HashMap;

use protocol::CanId;
use signal::{SignalId, Unit};

use crate::bits::{Encoding, Raw};
use crate::coded::Coded;
use crate::conversion::Conversion;

/// The parameter group number of SAE J1939-21 in a 29-bit identifier: without priority and source, and without the
/// destination where the second byte is one.
///
/// ```
/// use definition::parameter_group;
/// use protocol::CanId;
/// // Electronic engine controller 1, group 61444 (0xF004); a request, whose second byte is a destination.
/// assert_eq!(parameter_group(CanId::Extended(0x0CF0_0400)), Some(61444));
/// assert_eq!(parameter_group(CanId::Extended(0x18EA_FFF9)), Some(0xEA00));
/// assert_eq!(parameter_group(CanId::Standard(0x123)), None);
/// ```
#[must_use]
pub fn parameter_group(id: CanId) -> Option<u32> {
    let CanId::Extended(number) = id else { return None };
    let group = number >> 8 & 0x3_FFFF;
    let has_destination = (group >> 8 & 0xFF) < 240;
    Some(if has_destination { group & 0x3_FF00 } else { group })
}

/// What is in the frames of one identifier.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Its name.
    pub name: String,
    /// The identifier.
    pub id: CanId,
    /// Whether any identifier of the same parameter group (SAE J1939) carries it, whoever sends it.
    pub is_group: bool,
    /// Number of data bytes; frames may be shorter, and then lack the signals at their end.
    pub n_bytes: usize,
    /// How often it is sent, milliseconds; `None` where that is not said.
    pub cycle_ms: Option<f64>,
    /// Who sends it.
    pub senders: Vec<String>,
    /// What the file says about it; may be empty.
    pub note: String,
    /// The signals in it.
    pub signals: Vec<BroadcastSignal>,
}

/// One signal of a message.
#[derive(Debug, Clone, PartialEq)]
pub struct BroadcastSignal {
    /// Its name in the file.
    pub name: String,
    /// Its name in the catalogue, or its own and that of the message under `custom.`.
    pub id: SignalId,
    /// Unit of its values.
    pub unit: Unit,
    /// What it is, in a few words.
    pub title: String,
    /// Where it is and how it is read.
    pub coded: Coded,
    /// What the file gives as least and greatest value, in `unit`. Many files are careless about them: nothing is left
    /// out because of them.
    pub limits: Option<(f64, f64)>,
    /// When it is there at all; `None`: in every frame.
    pub multiplexed: Option<Multiplexed>,
    /// Whether other signals depend on its value.
    pub is_selector: bool,
}

/// A signal that is there only while another one has certain raw values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Multiplexed {
    /// Index of the other signal in the message.
    pub selector: usize,
    /// The raw values, each from and to.
    pub values: Vec<(i128, i128)>,
}

/// Makes values of frames.
///
/// Signals are numbered through all messages, in their order.
#[derive(Debug, Clone)]
pub struct FrameDecoder {
    /// Index in `messages` plus 1 by 11-bit identifier; 0 for none.
    short: Vec<u32>,
    long: HashMap<u32, usize>,
    groups: HashMap<u32, usize>,
    messages: Vec<Compiled>,
}

#[derive(Debug, Clone)]
struct Compiled {
    /// Number of its first signal.
    first: usize,
    signals: Vec<CompiledSignal>,
}

#[derive(Debug, Clone)]
struct CompiledSignal {
    kind: Kind,
    multiplexed: Option<Multiplexed>,
}

#[derive(Debug, Clone)]
enum Kind {
    /// A linear value within the first eight bytes: one shift and one mask.
    Short {
        end: usize,
        shift: u32,
        little_endian: bool,
        mask: u64,
        unused: u32,
        is_signed: bool,
        scale: [f64; 3],
    },
    Any(Box<Coded>),
}

impl Kind {
    fn of(coded: &Coded) -> Self {
        let bits = coded.bits;
        let is_signed = match bits.encoding {
            Encoding::Unsigned => Some(false),
            Encoding::TwosComplement => Some(true),
            _ => None,
        };
        if let (Conversion::Linear { multiply, divide, offset }, Some(is_signed)) = (&coded.conversion, is_signed)
            && bits.end() <= 8
            && coded.convert.is_none()
            && coded.invalid.is_empty()
        {
            // The eight bytes are one number in either order: the value's lowest bit is so far up in it.
            let byte = if bits.little_endian { bits.byte } else { 8 - bits.end() };
            Self::Short {
                end: bits.end(),
                shift: (byte * 8) as u32 + bits.bit,
                little_endian: bits.little_endian,
                mask: bits.mask(),
                unused: 64 - bits.bits,
                is_signed,
                scale: [*multiply, *divide, *offset],
            }
        } else {
            Self::Any(Box::new(coded.clone()))
        }
    }

    #[inline]
    fn value(&self, data: &[u8], [little, big]: [u64; 2]) -> Option<f64> {
        match self {
            Self::Short { end, shift, little_endian, mask, unused, is_signed, scale: [multiply, divide, offset] } => {
                if data.len() < *end {
                    return None;
                }
                let number = (if *little_endian { little } else { big }) >> shift & mask;
                let raw = if *is_signed { ((number << unused).cast_signed() >> unused) as f64 } else { number as f64 };
                let value = raw * multiply;
                Some(if *divide == 1.0 { value + offset } else { value / divide + offset })
            }
            Self::Any(coded) => coded.physical_from_raw(coded.bits.raw(data)?),
        }
    }

    fn raw(&self, data: &[u8], [little, big]: [u64; 2]) -> Option<i128> {
        match self {
            Self::Short { end, shift, little_endian, mask, unused, is_signed, .. } if data.len() >= *end => {
                let number = (if *little_endian { little } else { big }) >> shift & mask;
                Some(if *is_signed { ((number << unused).cast_signed() >> unused).into() } else { number.into() })
            }
            Self::Short { .. } => None,
            Self::Any(coded) => match coded.bits.raw(data)? {
                Raw::Whole(raw) => Some(raw),
                Raw::Real(_) => None,
            },
        }
    }
}

impl FrameDecoder {
    /// A decoder for these messages. Where two have the same identifier, the first counts.
    #[must_use]
    pub fn new<'a>(messages: impl IntoIterator<Item = &'a Message>) -> Self {
        let mut decoder =
            Self { short: vec![0; 0x800], long: HashMap::new(), groups: HashMap::new(), messages: Vec::new() };
        let mut first = 0;
        for message in messages {
            let idx = decoder.messages.len();
            match message.id {
                CanId::Extended(number) => drop(decoder.long.entry(number).or_insert(idx)),
                CanId::Standard(number) => {
                    if let Some(place) = decoder.short.get_mut(usize::from(number)).filter(|place| **place == 0) {
                        *place = idx as u32 + 1;
                    }
                }
            }
            if message.is_group
                && let Some(group) = parameter_group(message.id)
            {
                decoder.groups.entry(group).or_insert(idx);
            }
            let signals = message.signals.iter().map(|signal| CompiledSignal {
                kind: Kind::of(&signal.coded),
                multiplexed: signal.multiplexed.clone(),
            });
            decoder.messages.push(Compiled { first, signals: signals.collect() });
            first += message.signals.len();
        }
        decoder
    }

    /// Hands every value in a frame over, with the number of its signal; `false` if no message has this identifier.
    ///
    /// A signal is left out if the frame ends before it, if the value of its selector is another one, and if its value is
    /// no number.
    #[inline]
    pub fn decode(&self, id: CanId, data: &[u8], mut take: impl FnMut(usize, f64)) -> bool {
        let found = match id {
            CanId::Extended(number) => {
                let group = || self.groups.get(&parameter_group(id)?);
                self.long.get(&number).or_else(group).copied()
            }
            CanId::Standard(number) => {
                self.short.get(usize::from(number)).and_then(|idx| (*idx as usize).checked_sub(1))
            }
        };
        let Some(message) = found.and_then(|idx| self.messages.get(idx)) else { return false };
        let words = words(data);
        for (idx, signal) in message.signals.iter().enumerate() {
            if signal.multiplexed.is_some() && !message.is_there(idx, data, words) {
                continue;
            }
            if let Some(value) = signal.kind.value(data, words)
                && value.is_finite()
            {
                take(message.first + idx, value);
            }
        }
        true
    }
}

impl Compiled {
    /// Whether a signal is in this frame, by its selector, by the selector's own selector, and so on.
    fn is_there(&self, idx: usize, data: &[u8], words: [u64; 2]) -> bool {
        let mut idx = idx;
        // No chain is longer than there are signals; one that goes in a circle ends here.
        for _ in 0..self.signals.len() {
            let Some(Multiplexed { selector, values }) = self.signals.get(idx).and_then(|s| s.multiplexed.as_ref())
            else {
                return true;
            };
            let raw = self.signals.get(*selector).and_then(|signal| signal.kind.raw(data, words));
            if !raw.is_some_and(|raw| values.iter().any(|(low, high)| (*low..=*high).contains(&raw))) {
                return false;
            }
            idx = *selector;
        }
        false
    }
}

/// The first eight bytes as one number, least significant byte first and last; what is missing is 0.
#[inline]
fn words(data: &[u8]) -> [u64; 2] {
    let mut bytes = [0; 8];
    match data.first_chunk::<8>() {
        Some(all) => bytes = *all,
        None => bytes.iter_mut().zip(data).for_each(|(byte, from)| *byte = *from),
    }
    [u64::from_le_bytes(bytes), u64::from_be_bytes(bytes)]
}
