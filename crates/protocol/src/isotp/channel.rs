//! Both directions of a conversation with one partner: segments what is sent, puts together what is received.

use std::collections::VecDeque;

use super::frame::{MAX_SHORT, frame_size};
use super::{Frame, IsoTpError, Reassembly, separation_ns};
use crate::{Address, CanFrame, CanId, Nanos};

const S: Nanos = 1_000_000_000;

/// Whose frames are whose.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Ends {
    /// Identifier of our frames.
    pub tx: CanId,
    /// First data byte of our frames, with extended or mixed addressing.
    pub tx_byte: Option<u8>,
    /// Identifier of the partner's frames.
    pub rx: CanId,
    /// First data byte of the partner's frames.
    pub rx_byte: Option<u8>,
}

impl Ends {
    /// The tester's view of a module; `None` when it is not on CAN.
    #[must_use]
    pub fn to_module(address: Address) -> Option<Self> {
        let (tx, tx_byte, rx, rx_byte) = match address {
            Address::Can11 { request, reply } => (CanId::Standard(request), None, CanId::Standard(reply), None),
            Address::Can29 { request, reply } => (CanId::Extended(request), None, CanId::Extended(reply), None),
            Address::CanByte { request, request_byte, reply, reply_byte } => {
                (request, Some(request_byte), reply, Some(reply_byte))
            }
            Address::Node(_) | Address::Logical(_) => return None,
        };
        Some(Self { tx, tx_byte, rx, rx_byte })
    }

    /// The same conversation as the partner sees it.
    #[must_use]
    pub const fn reversed(self) -> Self {
        Self { tx: self.rx, tx_byte: self.rx_byte, rx: self.tx, rx_byte: self.tx_byte }
    }

    /// What follows the address byte, if this frame is one of the partner's.
    #[must_use]
    pub fn addressed<'f>(&self, frame: &'f CanFrame) -> Option<&'f [u8]> {
        match (self.rx_byte, frame.data.split_first()) {
            _ if frame.id != self.rx => None,
            (None, _) => Some(&frame.data),
            (Some(byte), Some((first, rest))) if *first == byte => Some(rest),
            _ => None,
        }
    }
}

/// The longest times that ISO 15765-2 allows; all 1 s there but those of the two waits that are ours to keep short.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Timers {
    /// N_As: until one of our frames is on the bus.
    pub as_ns: Nanos,
    /// N_Ar: until our flow control is on the bus.
    pub ar_ns: Nanos,
    /// N_Bs: until the partner's flow control comes.
    pub bs_ns: Nanos,
    /// N_Br: after which a receiver that is not ready says "wait" again; (N_Br + N_Ar) is below 0.9 N_Bs.
    pub br_ns: Nanos,
    /// N_Cs: after which a consecutive frame that is due and could not be given to the bus is too late;
    /// (N_Cs + N_As) is below 0.9 N_Cr.
    pub cs_ns: Nanos,
    /// N_Cr: until the partner's next consecutive frame comes.
    pub cr_ns: Nanos,
}

impl Default for Timers {
    fn default() -> Self {
        Self { as_ns: S, ar_ns: S, bs_ns: S, br_ns: 400_000_000, cs_ns: 800_000_000, cr_ns: S }
    }
}

/// How we speak, and what we take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Settings {
    /// Largest frame that we send: 8, with `is_fd` also one of [`crate::can::FD_LENGTHS`]; other values count as 8.
    pub frame_bytes: usize,
    /// Whether our frames have the CAN FD format.
    pub is_fd: bool,
    /// What frames are filled up to 8 bytes with, as ISO 15765-4 wants them; `None`: they end with their last byte. Above
    /// 8 bytes, frames are filled up to the next possible size in any case, then with `CC`.
    pub padding: Option<u8>,
    /// Consecutive frames after which the partner waits for another flow control of ours; 0: it need not.
    pub block_size: u8,
    /// Separation time that we ask for, as coded in the flow control.
    pub st_min: u8,
    /// Longest message that we take; longer ones are refused with "overflow".
    pub max_length: usize,
    /// "Wait" frames in a row that we take from the partner, and that we send at most (N_WFTmax).
    pub max_waits: u8,
    /// Time-outs.
    pub timers: Timers,
}

/// A tester's, by ISO 15765-4: classical frames filled with zeros, no blocks, no separation.
impl Default for Settings {
    fn default() -> Self {
        Self {
            frame_bytes: 8,
            is_fd: false,
            padding: Some(0),
            block_size: 0,
            st_min: 0,
            max_length: 1 << 20,
            max_waits: 10,
            timers: Timers::default(),
        }
    }
}

/// Why a message could not be sent.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
pub enum SendError {
    /// The address is not one of CAN.
    #[error("module {0} is not on CAN")]
    NotOnCan(Address),
    /// Another message to the same partner is still on its way.
    #[error("the message before it is still on its way")]
    Busy,
    /// Nothing to send, or more than the protocol can.
    #[error("a message has 1 to 4294967295 bytes, this one has {0}")]
    Length(usize),
    /// To everyone only single frames can be sent.
    #[error("a request to everyone has to fit into one frame of {most} bytes, this one has {length}")]
    Functional {
        /// Bytes of the message.
        length: usize,
        /// Bytes that fit.
        most: usize,
    },
    /// A frame of ours did not get onto the bus in time.
    #[error("a frame did not get onto the bus in time (N_As)")]
    Blocked,
    /// The permission to go on did not come.
    #[error("the permission to go on did not come in time (N_Bs; {sent} of {length} bytes were sent)")]
    NoFlowControl {
        /// Bytes sent.
        sent: usize,
        /// Bytes of the message.
        length: usize,
    },
    /// The partner asked to wait too often.
    #[error("the receiver asked to wait more than {0} times (N_WFTmax)")]
    Waits(u8),
    /// The partner does not take messages of this length.
    #[error("the receiver cannot take {0} bytes (overflow)")]
    Overflow(usize),
    /// The permission to go on cannot be understood.
    #[error("the receiver answered with a flow control that means nothing (status {0})")]
    FlowStatus(u8),
    /// We were held up for so long that the partner has given up.
    #[error("the next frame could not be given to the bus in time (N_Cs)")]
    HeldUp,
}

/// What happened on a channel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Event {
    /// The message that was to be sent is on the bus.
    Sent,
    /// It is not, and will not be.
    SendFailed(SendError),
    /// The beginning of a long message has come.
    Begun {
        /// Bytes of the whole message.
        length: usize,
    },
    /// A whole message has come.
    Received(Vec<u8>),
    /// A frame or a message could not be used.
    ReceiveFailed(IsoTpError),
}

/// What a channel wants now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step<E = Event> {
    /// Put this on the bus, then call `confirm`.
    Send(CanFrame),
    /// Something happened.
    Event(E),
    /// Nothing before this time, unless a frame comes.
    Wait(Nanos),
    /// Nothing, unless a frame comes or something is to be sent.
    Idle,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Turn {
    /// The first (or only) frame is to go out.
    First,
    /// Ours: a consecutive frame, from this time on.
    Consecutive(Nanos),
    /// The partner's: its flow control, until this time.
    Flow(Nanos),
}

#[derive(Debug, Clone)]
struct Sending {
    message: Vec<u8>,
    sent: usize,
    index: u8,
    /// Frames left in the block; `None`: no blocks.
    left: Option<u8>,
    gap_ns: Nanos,
    n_waits: u8,
    turn: Turn,
}

/// A flow control that is still to be sent.
#[derive(Debug, Clone, Copy)]
enum Flow {
    /// Go on, as soon as we are ready; until then "wait" at this time.
    Due {
        wait_at: Nanos,
        n_waits: u8,
    },
    Overflow,
}

/// One of our frames that is not known to be on the bus.
#[derive(Debug, Clone, Copy)]
struct Unconfirmed {
    is_flow: bool,
    until: Nanos,
}

/// Both ends of a conversation with one partner.
///
/// ```
/// use protocol::isotp::{Channel, Ends, Event, Settings, Step};
/// use protocol::{Address, CanFrame, CanId};
/// let ends = Ends::to_module(Address::from_reply11(0x7E8)).expect("on CAN");
/// let mut tester = Channel::new(ends, Settings::default());
/// tester.send(vec![0x01, 0x0D], 0)?;
/// let Step::Send(frame) = tester.poll(0) else { panic!("a frame is due") };
/// assert_eq!(frame.to_string(), "7E0#02010D0000000000");
/// tester.confirm(0);
/// assert_eq!(tester.poll(0), Step::Event(Event::Sent));
/// tester.receive(&CanFrame::classic(CanId::Standard(0x7E8), &[0x03, 0x41, 0x0D, 0x32]), 4_000_000);
/// assert_eq!(tester.poll(4_000_000), Step::Event(Event::Received(vec![0x41, 0x0D, 0x32])));
/// # Ok::<(), protocol::isotp::SendError>(())
/// ```
#[derive(Debug, Clone)]
pub struct Channel {
    ends: Ends,
    settings: Settings,
    sending: Option<Sending>,
    reassembly: Reassembly,
    /// Frames that the partner may still send before our next flow control; `None`: no blocks.
    block_left: Option<u8>,
    flow: Option<Flow>,
    unconfirmed: Option<Unconfirmed>,
    is_ready: bool,
    events: VecDeque<Event>,
}

impl Channel {
    /// A quiet channel.
    #[must_use]
    pub fn new(ends: Ends, settings: Settings) -> Self {
        Self {
            ends,
            settings,
            sending: None,
            reassembly: Reassembly::on_bus(settings.timers.cr_ns),
            block_left: None,
            flow: None,
            unconfirmed: None,
            is_ready: true,
            events: VecDeque::new(),
        }
    }

    /// Whose frames are whose.
    #[must_use]
    pub fn ends(&self) -> Ends {
        self.ends
    }

    /// Whether a message of ours is on its way.
    #[must_use]
    pub fn is_sending(&self) -> bool {
        self.sending.is_some()
    }

    /// Whether a long message is coming in.
    #[must_use]
    pub fn is_receiving(&self) -> bool {
        self.reassembly.announced().is_some()
    }

    /// Gives up what is being sent, without a word.
    pub fn cancel(&mut self) {
        self.sending = None;
        self.unconfirmed = self.unconfirmed.filter(|unconfirmed| unconfirmed.is_flow);
    }

    /// Whether we can take frames now: a receiver that cannot says "wait" to a first frame and at the end of a block.
    pub fn set_ready(&mut self, is_ready: bool) {
        self.is_ready = is_ready;
    }

    /// Begins to send a message.
    ///
    /// # Errors
    /// [`SendError::Busy`], [`SendError::Length`].
    pub fn send(&mut self, message: Vec<u8>, now: Nanos) -> Result<(), SendError> {
        let _ = now;
        if self.sending.is_some() {
            return Err(SendError::Busy);
        }
        if message.is_empty() || u32::try_from(message.len()).is_err() {
            return Err(SendError::Length(message.len()));
        }
        let sending = Sending { message, sent: 0, index: 1, left: None, gap_ns: 0, n_waits: 0, turn: Turn::First };
        self.sending = Some(sending);
        Ok(())
    }

    /// A frame has come; false when it is none of the partner's.
    pub fn receive(&mut self, frame: &CanFrame, now: Nanos) -> bool {
        let Some(data) = self.ends.addressed(frame) else { return false };
        // An idle partner's frame before its time is over is no reason to drop it.
        if let Some(error) = self.reassembly.expire(now) {
            self.events.push_back(Event::ReceiveFailed(error));
        }
        let read = Frame::read(data).and_then(|read| match read {
            Frame::First { length, data } if frame.data.len() < 8 => {
                Err(IsoTpError::Length { stated: length, carried: data.len() })
            }
            read => Ok(read),
        });
        match read {
            Ok(Frame::FlowControl { status, block_size, st_min }) => self.flow_control(status, block_size, st_min, now),
            Ok(read) => self.data(read, now),
            Err(error) => self.events.push_back(Event::ReceiveFailed(error)),
        }
        true
    }

    fn data(&mut self, frame: Frame<'_>, now: Nanos) {
        if !matches!(frame, Frame::Consecutive { .. }) {
            // A new message ends the one before it (ISO 15765-2, unexpected arrival of a frame).
            self.flow = None;
            if let Some(error) = self.reassembly.finish() {
                self.events.push_back(Event::ReceiveFailed(error));
            }
        }
        if let Frame::First { length, .. } = frame
            && length > self.settings.max_length
        {
            self.flow = Some(Flow::Overflow);
            let error = IsoTpError::TooLong { length, max: self.settings.max_length };
            self.events.push_back(Event::ReceiveFailed(error));
            return;
        }
        match self.reassembly.push(frame, now) {
            Ok(Some(message)) => self.events.push_back(Event::Received(message)),
            Ok(None) => match frame {
                Frame::First { length, .. } => {
                    self.events.push_back(Event::Begun { length });
                    self.ask_on(now);
                }
                _ => {
                    if let Some(left) = self.block_left.as_mut() {
                        *left = left.saturating_sub(1);
                        if *left == 0 {
                            self.ask_on(now);
                        }
                    }
                }
            },
            // Strays are common: frames of a message that was given up before.
            Err(error) => self.events.push_back(Event::ReceiveFailed(error)),
        }
    }

    /// A flow control of ours is due.
    fn ask_on(&mut self, now: Nanos) {
        let wait_at = now.saturating_add(self.settings.timers.br_ns);
        self.flow = Some(Flow::Due { wait_at, n_waits: 0 });
    }

    fn flow_control(&mut self, status: u8, block_size: u8, st_min: u8, now: Nanos) {
        let ends_turn = |sending: &Sending| sending.turn == Turn::First || sending.left == Some(1);
        if self.unconfirmed.is_some_and(|unconfirmed| !unconfirmed.is_flow)
            && self.sending.as_ref().is_some_and(ends_turn)
        {
            // It comes before our own frame is known to be on the bus, and proves that it is.
            self.confirm(now);
        }
        let Some(sending) = self.sending.as_mut().filter(|sending| matches!(sending.turn, Turn::Flow(_))) else {
            // Not asked for: passed over (ISO 15765-2).
            return;
        };
        let failed = match status {
            0 => {
                sending.left = (block_size > 0).then_some(block_size);
                sending.gap_ns = separation_ns(st_min);
                sending.n_waits = 0;
                sending.turn = Turn::Consecutive(now);
                return;
            }
            1 if sending.n_waits < self.settings.max_waits => {
                sending.n_waits += 1;
                sending.turn = Turn::Flow(now.saturating_add(self.settings.timers.bs_ns));
                return;
            }
            1 => SendError::Waits(self.settings.max_waits),
            2 => SendError::Overflow(sending.message.len()),
            status => SendError::FlowStatus(status),
        };
        self.fail(failed);
    }

    fn fail(&mut self, error: SendError) {
        self.cancel();
        self.events.push_back(Event::SendFailed(error));
    }

    /// The frame that [`Channel::poll`] gave out last is on the bus.
    pub fn confirm(&mut self, now: Nanos) {
        let Some(unconfirmed) = self.unconfirmed.take() else { return };
        if unconfirmed.is_flow {
            self.reassembly.restart(now);
            return;
        }
        let Some(sending) = self.sending.as_mut() else { return };
        if sending.sent >= sending.message.len() {
            self.sending = None;
            self.events.push_back(Event::Sent);
            return;
        }
        sending.turn = match (sending.turn, sending.left.as_mut()) {
            (Turn::Consecutive(_), None) => Turn::Consecutive(now.saturating_add(sending.gap_ns)),
            (Turn::Consecutive(_), Some(left)) => {
                *left = left.saturating_sub(1);
                match left {
                    0 => Turn::Flow(now.saturating_add(self.settings.timers.bs_ns)),
                    _ => Turn::Consecutive(now.saturating_add(sending.gap_ns)),
                }
            }
            (Turn::First | Turn::Flow(_), _) => Turn::Flow(now.saturating_add(self.settings.timers.bs_ns)),
        };
    }

    /// What is to be done at `now`; call again until it says to wait.
    pub fn poll(&mut self, now: Nanos) -> Step {
        if let Some(unconfirmed) = self.unconfirmed.filter(|unconfirmed| unconfirmed.until <= now) {
            self.unconfirmed = None;
            if unconfirmed.is_flow {
                self.break_off("N_Ar");
            } else {
                self.fail(SendError::Blocked);
            }
        }
        if let Some(error) = self.reassembly.expire(now) {
            self.flow = None;
            self.events.push_back(Event::ReceiveFailed(error));
        }
        if let Some(event) = self.events.pop_front() {
            return Step::Event(event);
        }
        if self.unconfirmed.is_none() {
            if let Some(frame) = self.next_flow(now) {
                self.unconfirmed =
                    Some(Unconfirmed { is_flow: true, until: now.saturating_add(self.settings.timers.ar_ns) });
                return Step::Send(frame);
            }
            if let Some(frame) = self.next_data(now) {
                self.unconfirmed =
                    Some(Unconfirmed { is_flow: false, until: now.saturating_add(self.settings.timers.as_ns) });
                return Step::Send(frame);
            }
            // A timer may have run out just now.
            if let Some(event) = self.events.pop_front() {
                return Step::Event(event);
            }
        }
        self.deadline().map_or(Step::Idle, Step::Wait)
    }

    fn break_off(&mut self, timer: &'static str) {
        self.flow = None;
        if let Some(length) = self.reassembly.announced() {
            self.reassembly.finish();
            self.events.push_back(Event::ReceiveFailed(IsoTpError::NoFlowControl { length, timer }));
        }
    }

    fn next_flow(&mut self, now: Nanos) -> Option<CanFrame> {
        let status = match self.flow? {
            Flow::Overflow => {
                self.flow = None;
                2
            }
            Flow::Due { .. } if self.is_ready => {
                self.flow = None;
                self.block_left = (self.settings.block_size > 0).then_some(self.settings.block_size);
                0
            }
            Flow::Due { wait_at, .. } if wait_at > now => return None,
            Flow::Due { n_waits, .. } if n_waits >= self.settings.max_waits => {
                self.break_off("N_Br");
                return None;
            }
            Flow::Due { n_waits, .. } => {
                let wait_at = now.saturating_add(self.settings.timers.br_ns);
                self.flow = Some(Flow::Due { wait_at, n_waits: n_waits + 1 });
                1
            }
        };
        let (block_size, st_min) = if status == 0 { (self.settings.block_size, self.settings.st_min) } else { (0, 0) };
        Some(self.frame(&[0x30 | status, block_size, st_min]))
    }

    fn next_data(&mut self, now: Nanos) -> Option<CanFrame> {
        let room = self.room();
        let short = 7 - usize::from(self.ends.tx_byte.is_some());
        let sending = self.sending.as_mut()?;
        let length = sending.message.len();
        let mut bytes = Vec::with_capacity(room);
        match sending.turn {
            Turn::Flow(until) if until <= now => {
                let error = SendError::NoFlowControl { sent: sending.sent, length };
                self.fail(error);
                return None;
            }
            Turn::Flow(_) => return None,
            Turn::Consecutive(from) if from > now => return None,
            Turn::Consecutive(from) if now > from.saturating_add(self.settings.timers.cs_ns) => {
                self.fail(SendError::HeldUp);
                return None;
            }
            Turn::Consecutive(_) => {
                bytes.push(0x20 | sending.index);
                sending.index = (sending.index + 1) & 0x0F;
            }
            // In frames above 8 bytes the length has a byte of its own.
            Turn::First if length <= short => bytes.push(u8::try_from(length).unwrap_or(0)),
            Turn::First if length + 2 <= room && room > 8 => bytes.extend([0, u8::try_from(length).unwrap_or(0)]),
            Turn::First => {
                let [.., high, low] = length.to_be_bytes();
                if length <= MAX_SHORT {
                    bytes.extend([0x10 | high, low]);
                } else {
                    bytes.extend([0x10, 0x00]);
                    bytes.extend(u32::try_from(length).unwrap_or(u32::MAX).to_be_bytes());
                }
            }
        }
        let rest = sending.message.get(sending.sent..).unwrap_or_default();
        let payload = rest.get(..room - bytes.len()).unwrap_or(rest);
        bytes.extend_from_slice(payload);
        sending.sent += payload.len();
        Some(self.frame(&bytes))
    }

    /// Data bytes of our largest frame, behind the address byte.
    fn room(&self) -> usize {
        room(self.ends.tx_byte, &self.settings)
    }

    fn frame(&self, bytes: &[u8]) -> CanFrame {
        frame(self.ends.tx, self.ends.tx_byte, bytes, &self.settings)
    }

    /// When [`Channel::poll`] has something to do next, unless a frame comes first.
    #[must_use]
    pub fn deadline(&self) -> Option<Nanos> {
        if !self.events.is_empty() {
            return Some(Nanos::MIN);
        }
        let receiving = self.reassembly.deadline();
        if let Some(unconfirmed) = self.unconfirmed {
            return Some(receiving.map_or(unconfirmed.until, |at| at.min(unconfirmed.until)));
        }
        let flow = self.flow.map(|flow| match flow {
            Flow::Due { wait_at, .. } if !self.is_ready => wait_at,
            Flow::Due { .. } | Flow::Overflow => Nanos::MIN,
        });
        let sending = self.sending.as_ref().map(|sending| match sending.turn {
            Turn::First => Nanos::MIN,
            Turn::Consecutive(at) | Turn::Flow(at) => at,
        });
        [receiving, flow, sending].into_iter().flatten().min()
    }
}

/// Data bytes of the largest frame behind the address byte.
fn room(byte: Option<u8>, settings: &Settings) -> usize {
    let is_possible = settings.is_fd && crate::can::FD_LENGTHS.contains(&settings.frame_bytes);
    (if is_possible { settings.frame_bytes } else { 8 }) - usize::from(byte.is_some())
}

fn frame(id: CanId, byte: Option<u8>, bytes: &[u8], settings: &Settings) -> CanFrame {
    const FILL: u8 = 0xCC;
    let mut data: Vec<u8> = byte.into_iter().chain(bytes.iter().copied()).collect();
    let size = frame_size(data.len());
    let size = if settings.padding.is_some() { size.max(8) } else { size };
    data.resize(size, settings.padding.unwrap_or(FILL));
    CanFrame { id, data, is_fd: settings.is_fd }
}

/// The one frame of a request to everyone with this identifier (and address byte).
///
/// # Errors
/// [`SendError::Functional`], [`SendError::Length`].
pub(super) fn functional(
    id: CanId,
    byte: Option<u8>,
    message: &[u8],
    settings: &Settings,
) -> Result<CanFrame, SendError> {
    let most = room(byte, settings);
    let most = if most > 8 { most - 2 } else { most - 1 };
    match u8::try_from(message.len()) {
        Err(_) | Ok(0) => Err(SendError::Length(message.len())),
        Ok(length) if message.len() <= 7 - usize::from(byte.is_some()) => {
            Ok(frame(id, byte, &[&[length], message].concat(), settings))
        }
        Ok(length) if message.len() <= most => Ok(frame(id, byte, &[&[0, length], message].concat(), settings)),
        Ok(_) => Err(SendError::Functional { length: message.len(), most }),
    }
}
