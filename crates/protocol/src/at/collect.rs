//! From the lines of an answer to the replies of modules.

use std::collections::BTreeMap;

use super::count::Sizes;
use super::line::{Form, Printed, payload_without_header, read};
use super::turn::{Answer, Line, shown};
use super::words::{Word, plain, split_progress};
use crate::exchange::{Fit, Reply, Target, comes_in_pieces, fit};
use crate::isotp::{Frame, IsoTpError, Reassembly};
use crate::{Address, Bus, Nanos};

/// What the lines of one request have brought so far.
#[derive(Debug)]
pub(super) struct Collector {
    form: Form,
    to: Target,
    asked: Vec<u8>,
    senders: BTreeMap<Address, Reassembly>,
    bare: Option<BareMessage>,
    pub(super) replies: Vec<Reply>,
    /// Modules that asked for more time and have not answered since; when they asked last.
    pub(super) pending: BTreeMap<Address, Nanos>,
    /// How often they did in all.
    pub(super) n_pending: usize,
    /// Answers to what kept the adapter listening.
    pub(super) n_present: usize,
    pub(super) words: Vec<Word>,
    pub(super) problems: Vec<String>,
    /// Lines and digits that were part of a reply, per sender.
    pub(super) sizes: Sizes,
    /// Digits of the line being read.
    n_digits: usize,
    last_sender: Option<Address>,
    is_after_fragment: bool,
    /// When the last line of a reply or of a request for more time had arrived.
    pub(super) last_ns: Option<Nanos>,
    /// Modules whose frames were incomplete or damaged, or that said more than one thing: their replies are dropped.
    spoilt: Vec<Address>,
    /// The first frame continued a message that this request did not begin.
    pub(super) began_amid: bool,
    /// An answer came without the header that had been switched on.
    pub(super) lacks_headers: bool,
}

/// A segmented message printed without headers.
#[derive(Debug)]
struct BareMessage {
    length: usize,
    next_index: u8,
    bytes: Vec<u8>,
}

impl Collector {
    pub(super) fn new(form: Form, to: Target, asked: &[u8]) -> Self {
        Self {
            form,
            to,
            asked: asked.to_vec(),
            senders: BTreeMap::new(),
            bare: None,
            replies: Vec::new(),
            pending: BTreeMap::new(),
            n_pending: 0,
            n_present: 0,
            words: Vec::new(),
            problems: Vec::new(),
            sizes: Sizes::new(),
            n_digits: 0,
            last_sender: None,
            is_after_fragment: false,
            last_ns: None,
            spoilt: Vec::new(),
            began_amid: false,
            lacks_headers: false,
        }
    }

    /// Takes all lines of one turn. Messages may go on over several turns.
    pub(super) fn take(&mut self, answer: &Answer) {
        for line in &answer.lines {
            self.take_line(line);
        }
        if answer.cut {
            self.problems.push("the adapter sent more text than an answer can have; the rest was dropped".to_owned());
        }
    }

    fn take_line(&mut self, line: &Line) {
        let plain = plain(&line.text);
        let mut rest = plain.as_str();
        while let Some((word, behind)) = split_progress(rest) {
            self.words.push(word);
            rest = behind;
        }
        if rest.is_empty() {
            return;
        }
        if let Some(word) = Word::read(rest) {
            self.words.push(word);
            return;
        }
        if !line.is_ended {
            self.problems.push(format!("dropped `{}`: the line broke off", shown(&line.text)));
            return;
        }
        if let Some((_, mark)) = rest.split_once('<') {
            let word = Word::read(&format!("<{mark}")).unwrap_or(Word::LineDataError);
            self.problems
                .push(format!("dropped a line that the adapter marks as damaged (`{word}`): `{}`", shown(rest)));
            return;
        }
        self.n_digits = rest.len();
        match read(rest, self.form) {
            Ok(printed) => self.take_printed(printed, line.arrived_ns),
            Err(error) => {
                self.problems.push(format!("dropped `{}`: {error}", shown(&line.text)));
                let bare = payload_without_header(rest, self.form.bus).filter(|_| self.form.headers);
                self.lacks_headers |= bare.is_some_and(|data| fit(self.presumed(), &self.asked, &data) == Fit::Answer);
                // It may be the end of the line before it, or the beginning of the one behind.
                self.is_after_fragment = true;
                if let Some(from) = self.last_sender {
                    self.spoil(from);
                }
            }
        }
    }

    fn take_printed(&mut self, printed: Printed, now: Nanos) {
        match printed {
            Printed::Frame { from, data } => {
                let from = self.renamed(from);
                if matches!(self.to, Target::Anyone(_)) {
                    return self.take_anyones(from, &data, now);
                }
                if !self.expects(from) {
                    self.problems.push(format!("dropped a frame of {from}, which was not asked"));
                    return;
                }
                let sender = self.senders.entry(from).or_default();
                match Frame::parse(&data).and_then(|frame| sender.push(frame, now)) {
                    Ok(Some(message)) => self.message(from, message, now),
                    Ok(None) => self.count(from, now),
                    Err(error) => {
                        let is_first = self.sizes.is_empty() && self.problems.is_empty();
                        self.began_amid |= matches!(error, IsoTpError::Stray { .. }) && is_first;
                        self.problems.push(format!("dropped a frame of {from}: {error}"));
                        self.spoil(from);
                    }
                }
            }
            Printed::Message { from, data } if self.expects(from) => self.message(from, data, now),
            // Without a receive filter the answers of others are part of the game on a network of broadcasts.
            Printed::Message { .. } => {}
            Printed::Bare(data) => self.message(self.presumed(), data, now),
            Printed::Length(length) => {
                self.end_bare();
                self.bare = Some(BareMessage { length, next_index: 0, bytes: Vec::new() });
                // Not counted: it is no frame of the network.
            }
            Printed::Piece { index, data } => self.piece(index, &data, now),
        }
    }

    /// Behind an open filter most of what passes is no answer at all, but traffic of the vehicle itself.
    fn take_anyones(&mut self, from: Address, data: &[u8], now: Nanos) {
        if self.expects(from)
            && let Ok(Frame::Single(message)) = Frame::parse(data)
            && fit(from, &self.asked, message) != Fit::Foreign
        {
            self.message(from, message.to_vec(), now);
        }
    }

    fn piece(&mut self, index: u8, data: &[u8], now: Nanos) {
        let from = self.presumed();
        let Some(mut bare) = self.bare.take().filter(|bare| bare.next_index == index) else {
            self.problems.push(format!("dropped piece {index:X} of a long message: it is out of order"));
            self.spoil(from);
            return;
        };
        let missing = bare.length.saturating_sub(bare.bytes.len());
        let full = if bare.bytes.is_empty() { 6 } else { 7 };
        if data.len() != full && data.len() != missing {
            self.problems.push(format!("dropped a long message: piece {index:X} is damaged"));
            self.spoil(from);
            return;
        }
        bare.bytes.extend_from_slice(data.get(..missing.min(data.len())).unwrap_or(data));
        if bare.bytes.len() == bare.length {
            self.message(from, bare.bytes, now);
        } else {
            bare.next_index = (index + 1) & 0x0F;
            self.bare = Some(bare);
            self.count(from, now);
        }
    }

    fn end_bare(&mut self) {
        if let Some(bare) = self.bare.take() {
            self.problems.push(format!("a message broke off after {} of {} bytes", bare.bytes.len(), bare.length));
            self.spoil(self.presumed());
        }
    }

    fn count(&mut self, from: Address, now: Nanos) {
        self.last_sender = Some(from);
        if std::mem::take(&mut self.is_after_fragment) {
            self.spoil(from);
        }
        let size = self.sizes.entry(from).or_default();
        size.n_lines += 1;
        size.n_digits += self.n_digits;
        self.last_ns = Some(now);
    }

    fn spoil(&mut self, from: Address) {
        if !self.spoilt.contains(&from) {
            self.spoilt.push(from);
        }
    }

    fn message(&mut self, from: Address, bytes: Vec<u8>, now: Nanos) {
        match fit(from, &self.asked, &bytes) {
            // Answers to the "tester present" that keeps the adapter listening.
            Fit::Foreign if self.n_pending > 0 && matches!(*bytes, [0x7F, 0x3E, _] | [0x7E, ..]) => {
                self.n_present += 1;
            }
            Fit::Foreign => {
                let hex: String = bytes.iter().take(8).map(|byte| format!("{byte:02X}")).collect();
                self.problems.push(format!("dropped an answer of {from} to something else: {hex}"));
            }
            Fit::Pending => {
                self.last_ns = Some(now);
                self.n_pending += 1;
                self.pending.insert(from, now);
            }
            Fit::Answer => {
                self.count(from, now);
                self.pending.remove(&from);
                self.answer(Reply { from, bytes, arrived_ns: now });
            }
        }
    }

    fn answer(&mut self, reply: Reply) {
        let from = reply.from;
        let before: Vec<&Reply> = self.replies.iter().filter(|other| other.from == from).collect();
        if !before.is_empty() && !self.may_repeat() {
            if before.iter().any(|other| other.bytes == reply.bytes) {
                self.problems.push(format!("{from} said the same twice; once was kept"));
                return;
            }
            // One of them answers an earlier request, and nothing tells which one.
            self.problems.push(format!("dropped two different answers of {from} to one request"));
            self.spoil(from);
        }
        self.replies.push(reply);
    }

    /// Whether a module may answer one request with several messages.
    fn may_repeat(&self) -> bool {
        !self.form.bus.is_can() && comes_in_pieces(&self.asked)
    }

    /// The target's own address where the reply identifier matches: it may not follow the rule of ISO 15765-4.
    fn renamed(&self, from: Address) -> Address {
        match (self.to, from) {
            (Target::Module(to @ Address::Can11 { reply: asked, .. }), Address::Can11 { reply, .. })
                if asked == reply =>
            {
                to
            }
            (Target::Module(to @ Address::Can29 { reply: asked, .. }), Address::Can29 { reply, .. })
                if asked == reply =>
            {
                to
            }
            _ => from,
        }
    }

    fn expects(&self, from: Address) -> bool {
        match (self.to, from) {
            (Target::Module(to), _) => to == from,
            // ISO 15765-4: legislated replies.
            (Target::Everyone, Address::Can11 { reply, .. }) => (0x7E8..=0x7EF).contains(&reply),
            (Target::Everyone, Address::Can29 { reply, .. }) => reply >> 8 == 0x18_DAF1,
            (Target::Anyone(Address::Can11 { request, .. }), Address::Can11 { reply, .. }) => {
                reply >> 8 == request >> 8 || reply >> 3 == 0x7E8 >> 3
            }
            (Target::Anyone(Address::Can29 { .. }), Address::Can29 { reply, .. }) => reply >> 8 == 0x18_DAF1,
            (Target::Everyone | Target::Anyone(_), Address::Node(_)) => true,
            // Adapters of this kind print no other senders.
            _ => false,
        }
    }

    /// Without headers: who must have answered.
    fn presumed(&self) -> Address {
        match self.to {
            Target::Module(to) => to,
            Target::Everyone | Target::Anyone(_) => presumed_engine(self.form.bus),
        }
    }

    /// Whether nobody said anything, and no text was damaged or spoke of a fault.
    pub(super) fn is_silent(&self) -> bool {
        let is_normal = |word: &Word| matches!(word, Word::Ok | Word::NoData | Word::Searching | Word::BusInit);
        self.sizes.is_empty() && self.n_pending == 0 && self.problems.is_empty() && self.words.iter().all(is_normal)
    }

    /// Lines of the whole message whose beginning alone has come, without damage: each CAN frame is a line, the first
    /// holds 6 bytes, the others 7 (ISO 15765-2).
    pub(super) fn lines_announced(&self) -> Option<usize> {
        if !self.problems.is_empty() || !self.spoilt.is_empty() || !self.replies.is_empty() {
            return None;
        }
        let bare = self.bare.as_ref().map(|bare| bare.length);
        let length = self.senders.values().find_map(Reassembly::announced).or(bare)?;
        Some(1 + length.saturating_sub(6).div_ceil(7))
    }

    /// Ends the request: what is incomplete or ambiguous is dropped and said to be.
    pub(super) fn finish(&mut self) {
        self.end_bare();
        for (from, mut sender) in std::mem::take(&mut self.senders) {
            if let Some(error) = sender.finish() {
                self.problems.push(format!("dropped an answer of {from}: {error}"));
                self.spoil(from);
            }
        }
        let spoilt = std::mem::take(&mut self.spoilt);
        self.replies.retain(|reply| !spoilt.contains(&reply.from));
    }
}

/// The engine module, the only one that every vehicle has: taken for the sender when the adapter cannot print senders.
pub(super) fn presumed_engine(bus: Bus) -> Address {
    match bus {
        Bus::Can { wide: false, .. } => Address::from_reply11(0x7E8),
        Bus::Can { wide: true, .. } => Address::from_reply29(0x18DA_F110),
        _ => Address::Node(0x10),
    }
}
