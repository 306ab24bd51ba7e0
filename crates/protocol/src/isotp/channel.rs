//! Both directions of a conversation with one partner: segments what is sent, puts together what is received.

use std::collections::VecDeque;

use super::ends::{Ends, Settings, frame, room};
use super::frame::MAX_SHORT;
use super::{Frame, IsoTpError, Reassembly, separation_ns};
use crate::{Address, CanFrame, Nanos};

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
