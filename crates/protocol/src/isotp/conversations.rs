//! A tester's conversations with many modules over one CAN bus.

use std::collections::{BTreeMap, VecDeque};

use super::ends::functional;
use super::{Channel, Ends, Event, Frame, SendError, Settings, Step};
use crate::exchange::Target;
use crate::{Address, CanFrame, CanId, Nanos};

/// Something that happened in one of the conversations.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// With whom. Not a [`Target::Module`]: the request that went to all, or to whoever listens.
    pub with: Target,
    /// What happened.
    pub event: Event,
}

/// Identifiers that modules answer a request to everyone with (ISO 15765-4): `7E8` to `7EF`, `18DAF1xx`.
#[must_use]
fn legislated(id: CanId) -> Option<Address> {
    match id {
        CanId::Standard(id @ 0x7E8..=0x7EF) => Some(Address::from_reply11(id)),
        CanId::Extended(id) if id >> 8 == 0x18_DAF1 => Some(Address::from_reply29(id)),
        _ => None,
    }
}

/// Who it is that answers a request to whoever listens on `asked`: as far as its identifier alone can tell.
///
/// Diagnostic replies lie near their requests: within the same 256 identifiers of 11 bits, or among the legislated ones
/// (common practice, no source).
fn neighbour(asked: Address, id: CanId) -> Option<Address> {
    match (asked, id) {
        (Address::Can11 { request, .. }, CanId::Standard(id)) if id >> 8 == request >> 8 && id != request => {
            Some(Address::from_reply11(id))
        }
        _ => legislated(id),
    }
}

/// Conversations with any number of modules at once, and requests to everyone.
#[derive(Debug, Clone)]
pub struct Conversations {
    settings: Settings,
    everyone: CanId,
    channels: BTreeMap<Address, Channel>,
    /// A request to everyone, or to whoever listens, that is to go out.
    functional: Option<(Target, CanFrame)>,
    /// Such a request that is on the bus, and has not been told of.
    functional_sent: Option<Target>,
    /// Whose frame is to be confirmed next.
    unconfirmed: Option<Target>,
    /// Whose turn comes after everyone else's.
    served: Option<Address>,
    /// Where strangers may answer from.
    anyone: Option<Address>,
    strangers: VecDeque<Said>,
}

impl Conversations {
    /// `wide`: requests to everyone have 29-bit identifiers (`18DB33F1` instead of `7DF`).
    #[must_use]
    pub fn new(settings: Settings, wide: bool) -> Self {
        let everyone = if wide { CanId::Extended(0x18DB_33F1) } else { CanId::Standard(0x7DF) };
        Self {
            settings,
            everyone,
            channels: BTreeMap::new(),
            functional: None,
            functional_sent: None,
            unconfirmed: None,
            served: None,
            anyone: None,
            strangers: VecDeque::new(),
        }
    }

    /// Listens to this module, also before anything was sent to it.
    ///
    /// # Errors
    /// [`SendError::NotOnCan`].
    pub fn open(&mut self, module: Address) -> Result<(), SendError> {
        self.channel(module).map(|_| ())
    }

    fn channel(&mut self, module: Address) -> Result<&mut Channel, SendError> {
        let ends = Ends::to_module(module).ok_or(SendError::NotOnCan(module))?;
        let settings = self.settings;
        // Two names for one partner would both take its frames.
        self.channels.retain(|known, channel| {
            *known == module || (channel.ends().rx, channel.ends().rx_byte) != (ends.rx, ends.rx_byte)
        });
        Ok(self.channels.entry(module).or_insert_with(|| Channel::new(ends, settings)))
    }

    /// Begins to send a message. A request to whoever listens lets strangers answer until the next message is sent.
    ///
    /// # Errors
    /// [`SendError`]: it cannot be sent, or another one to the same target is on its way.
    pub fn send(&mut self, to: Target, message: &[u8], now: Nanos) -> Result<(), SendError> {
        self.anyone = None;
        let (id, byte) = match to {
            Target::Module(module) => return self.channel(module)?.send(message.to_vec(), now),
            Target::Everyone => (self.everyone, None),
            Target::Anyone(address) => {
                let ends = Ends::to_module(address).ok_or(SendError::NotOnCan(address))?;
                (ends.tx, ends.tx_byte)
            }
        };
        if self.functional.is_some() {
            return Err(SendError::Busy);
        }
        self.functional = Some((to, functional(id, byte, message, &self.settings)?));
        if let Target::Anyone(address) = to {
            self.anyone = Some(address);
        }
        Ok(())
    }

    /// Gives up what is being sent to this module.
    pub fn cancel(&mut self, module: Address) {
        if let Some(channel) = self.channels.get_mut(&module) {
            channel.cancel();
        }
    }

    /// Whether a long message of this module is coming in.
    #[must_use]
    pub fn is_receiving(&self, module: Address) -> bool {
        self.channels.get(&module).is_some_and(Channel::is_receiving)
    }

    /// A frame has come; false when it belongs to none of the conversations.
    pub fn receive(&mut self, frame: &CanFrame, now: Nanos) -> bool {
        let mut is_ours = false;
        for channel in self.channels.values_mut() {
            is_ours |= channel.receive(frame, now);
        }
        if is_ours {
            return true;
        }
        if let Some(from) = self.anyone.and_then(|asked| neighbour(asked, frame.id)) {
            // Behind an open door most of what passes is no answer at all, but traffic of the vehicle itself.
            if let Ok(Frame::Single(message)) = Frame::read(&frame.data) {
                let event = Event::Received(message.to_vec());
                self.strangers.push_back(Said { with: Target::Module(from), event });
            }
            return true;
        }
        let channel = legislated(frame.id).and_then(|module| self.channel(module).ok());
        channel.is_some_and(|channel| channel.receive(frame, now))
    }

    /// The frame that [`Conversations::poll`] gave out last is on the bus.
    pub fn confirm(&mut self, now: Nanos) {
        match self.unconfirmed.take() {
            Some(Target::Module(module)) => {
                if let Some(channel) = self.channels.get_mut(&module) {
                    channel.confirm(now);
                }
            }
            to => self.functional_sent = to,
        }
    }

    /// When [`Conversations::poll`] has something to do next, unless a frame comes first.
    #[must_use]
    pub fn deadline(&self) -> Option<Nanos> {
        if self.functional.is_some() || self.functional_sent.is_some() || !self.strangers.is_empty() {
            return Some(Nanos::MIN);
        }
        self.channels.values().filter_map(Channel::deadline).min()
    }

    /// What is to be done at `now`; call again until it says to wait. Each frame is to be confirmed, or given up, before
    /// the next call.
    pub fn poll(&mut self, now: Nanos) -> Step<Said> {
        if let Some(with) = self.functional_sent.take() {
            return Step::Event(Said { with, event: Event::Sent });
        }
        if let Some(said) = self.strangers.pop_front() {
            return Step::Event(said);
        }
        if let Some((to, frame)) = self.functional.take() {
            self.unconfirmed = Some(to);
            return Step::Send(frame);
        }
        let mut next: Option<Nanos> = None;
        // One after another, so that nobody's flow control waits behind all frames of another.
        let served = self.served;
        let mut order: Vec<Address> = self.channels.keys().copied().collect();
        let n_served = order.iter().take_while(|module| served.is_some_and(|served| **module <= served)).count();
        order.rotate_left(n_served);
        for module in order {
            let Some(channel) = self.channels.get_mut(&module) else { continue };
            match channel.poll(now) {
                Step::Send(frame) => {
                    self.unconfirmed = Some(Target::Module(module));
                    self.served = Some(module);
                    return Step::Send(frame);
                }
                Step::Event(event) => return Step::Event(Said { with: Target::Module(module), event }),
                Step::Wait(at) => next = Some(next.map_or(at, |next| next.min(at))),
                Step::Idle => {}
            }
        }
        next.map_or(Step::Idle, Step::Wait)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::isotp::IsoTpError;

    const MS: Nanos = 1_000_000;

    fn frames(conversations: &mut Conversations, now: Nanos) -> Vec<String> {
        let mut sent = Vec::new();
        loop {
            match conversations.poll(now) {
                Step::Send(frame) => {
                    sent.push(frame.to_string());
                    conversations.confirm(now);
                }
                Step::Event(_) => {}
                Step::Wait(_) | Step::Idle => return sent,
            }
        }
    }

    fn receive(conversations: &mut Conversations, frame: &str, now: Nanos) -> bool {
        let (id, data) = frame.split_once('#').expect("a frame");
        let data: Vec<u8> =
            (0..data.len() / 2).map(|n| u8::from_str_radix(&data[2 * n..2 * n + 2], 16).expect("hex")).collect();
        conversations.receive(&CanFrame::classic(id.parse().expect("an identifier"), &data), now)
    }

    /// Reference: ISO 15765-4, request to everyone and two modules that answer at once; the VIN reply of ISO 15765-2 in
    /// three frames; the flow control goes to the module that asked for it.
    #[test]
    fn two_modules_answer_everyone_and_keep_apart() {
        let mut tester = Conversations::new(Settings::default(), false);
        tester.send(Target::Everyone, &[0x09, 0x02], 0).expect("fits");
        assert_eq!(frames(&mut tester, 0), ["7DF#0209020000000000"]);
        assert!(receive(&mut tester, "7E8#1014490201314734", 5 * MS));
        assert!(receive(&mut tester, "7E9#037F0911AAAAAAAA", 6 * MS));
        assert!(!receive(&mut tester, "123#0102", 6 * MS));
        let Step::Event(begun) = tester.poll(6 * MS) else { panic!("the long answer has begun") };
        assert_eq!(begun.event, Event::Begun { length: 20 });
        let Step::Send(flow) = tester.poll(6 * MS) else { panic!("a flow control is due") };
        assert_eq!(flow.to_string(), "7E0#3000000000000000");
        tester.confirm(6 * MS);
        let module = Target::Module(Address::from_reply11(0x7E9));
        let refusal = Said { with: module, event: Event::Received(vec![0x7F, 0x09, 0x11]) };
        assert_eq!(tester.poll(6 * MS), Step::Event(refusal));
        receive(&mut tester, "7E8#2141483539483435", 7 * MS);
        receive(&mut tester, "7E8#2247313138333431", 8 * MS);
        let Step::Event(Said { event: Event::Received(message), .. }) = tester.poll(8 * MS) else { panic!("whole") };
        assert_eq!(message.get(3..), Some(b"1G4AH59H45G118341".as_slice()));
    }

    #[test]
    fn what_cannot_be_sent_is_said() {
        let mut tester = Conversations::new(Settings::default(), true);
        let long = [0x22; 8];
        assert_eq!(tester.send(Target::Everyone, &long, 0), Err(SendError::Functional { length: 8, most: 7 }));
        let node = Address::Node(0x11);
        assert_eq!(tester.send(Target::Module(node), &[1], 0), Err(SendError::NotOnCan(node)));
        let module = Target::Module(Address::from_reply29(0x18DA_F110));
        assert_eq!(tester.send(module, &long, 0), Ok(()));
        assert_eq!(tester.send(module, &[1], 0), Err(SendError::Busy));
        assert_eq!(frames(&mut tester, 0), ["18DA10F1#1008222222222222"]);
        let anyone = Target::Anyone(Address::from_reply29(0x18DA_F144));
        assert_eq!(tester.send(anyone, &[0x3E, 0x00], 0), Ok(()));
        assert_eq!(frames(&mut tester, 0), ["18DA44F1#023E000000000000"]);
        // Nobody permits to go on.
        let timeout = SendError::NoFlowControl { sent: 6, length: 8 };
        let said = Said { with: module, event: Event::SendFailed(timeout) };
        assert_eq!(tester.poll(1_000 * MS), Step::Event(said));
        // A stray continuation is reported, not taken.
        receive(&mut tester, "18DAF110#2141483539483435", 1_001 * MS);
        let stray = Event::ReceiveFailed(IsoTpError::Stray { index: 1 });
        assert_eq!(tester.poll(1_001 * MS), Step::Event(Said { with: module, event: stray }));
    }

    /// ISO 15765-2, extended addressing: the address byte takes one data byte of every frame.
    #[test]
    fn an_address_byte_is_part_of_the_address() {
        let id = CanId::Standard;
        let module = Address::CanByte { request: id(0x6F1), request_byte: 0x12, reply: id(0x612), reply_byte: 0xF1 };
        let mut tester = Conversations::new(Settings::default(), false);
        tester.send(Target::Module(module), &[0x22, 0xF1, 0x90, 0xF1, 0x95, 0xF1, 0x97], 0).expect("sendable");
        assert_eq!(frames(&mut tester, 0), ["6F1#12100722F190F195"]);
        assert!(!receive(&mut tester, "612#F0300000", 0), "for another tester");
        assert!(receive(&mut tester, "612#F1300000", 0));
        assert_eq!(frames(&mut tester, 0), ["6F1#1221F19700000000"]);
    }
}
