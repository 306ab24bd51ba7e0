//! Many requests in a row, several at once where the adapter can, and what passes by without being asked for.

use protocol::{Address, CanId, Nanos};

use crate::{Exchange, LinkError, Request, Target};

/// What a [`Feed`] wants to happen next.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Next {
    /// Send this. Best to a module that is not busy: the link sends nothing else before it could send this one.
    Ask(Request),
    /// Ask again at this time of the link's clock; earlier if an answer comes first.
    Wait(Nanos),
    /// Nothing more. What is under way is still waited for.
    Stop,
}

/// Gives a link its requests and takes the answers, while [`crate::Link::run`] keeps as many under way as the adapter can.
pub trait Feed {
    /// Asked whenever another request could be sent. `busy`: to whom requests are under way.
    fn next(&mut self, now: Nanos, busy: &[Target]) -> Next;

    /// A request is over. Requests end in any order; those to one module in the order in which they were asked.
    ///
    /// An error means that this request could not be sent; the loss of the adapter comes out of `run` instead.
    fn answered(&mut self, request: Request, outcome: Result<Exchange, LinkError>);

    /// A request that was over without an answer was answered after all. Its [`Exchange::asked_ns`] is when it had been
    /// asked, so that a value in it is as old as it is.
    fn late(&mut self, request: Request, exchange: Exchange) {
        let _ = (request, exchange);
    }

    /// The link has asked something by itself, before a request that had to wait for it: whether its module still owes an
    /// answer to an earlier one.
    fn asked_beside(&mut self, request: Request, exchange: Exchange) {
        let _ = (request, exchange);
    }

    /// Something passed by that [`crate::Link::listen_to`] had asked for.
    fn heard(&mut self, heard: Heard) {
        let _ = heard;
    }
}

/// When a link can hear what nobody asked it for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Hearing {
    /// Never.
    Never,
    /// Only while no request is under way: the adapter does one thing at a time.
    BetweenRequests,
    /// Always.
    Always,
}

/// What to listen to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Wanted {
    /// All frames.
    AnyFrame,
    /// Frames with this identifier; broadcasts, and periodic replies that come as single frames without a length.
    Frames(CanId),
    /// Whole messages of this module that answer nothing, such as its periodic replies.
    Messages(Address),
}

/// Who sent what was heard.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Source {
    /// A CAN frame; the bytes are its data.
    Frame(CanId),
    /// A whole message.
    Message(Address),
}

/// Something that passed by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Who sent it.
    pub from: Source,
    /// Data bytes of the frame, or the message.
    pub bytes: Vec<u8>,
    /// When its last byte had arrived here, on the link's clock.
    pub arrived_ns: Nanos,
}

/// A list of requests as a feed.
pub(crate) struct Batch {
    /// `None`: handed out.
    waiting: Vec<Option<Request>>,
    /// Places of the requests under way, oldest first.
    under_way: Vec<(usize, Request)>,
    outcomes: Vec<Option<Result<Exchange, LinkError>>>,
}

impl Batch {
    pub(crate) fn new(requests: &[Request]) -> Self {
        let waiting: Vec<Option<Request>> = requests.iter().cloned().map(Some).collect();
        let outcomes = waiting.iter().map(|_| None).collect();
        Self { waiting, under_way: Vec::new(), outcomes }
    }

    /// The exchanges in the order of the requests.
    pub(crate) fn into_exchanges(self) -> Result<Vec<Exchange>, LinkError> {
        let missing = || Err(LinkError::Unsendable("the link ended before this request was sent".to_owned()));
        self.outcomes.into_iter().map(|outcome| outcome.unwrap_or_else(missing)).collect()
    }
}

impl Feed for Batch {
    fn next(&mut self, _now: Nanos, busy: &[Target]) -> Next {
        let is_free = |request: &Request| !busy.contains(&request.to);
        let idle = self.waiting.iter().position(|request| request.as_ref().is_some_and(is_free));
        let Some(idx) = idle.or_else(|| self.waiting.iter().position(Option::is_some)) else { return Next::Stop };
        match self.waiting.get_mut(idx).and_then(Option::take) {
            Some(request) => {
                self.under_way.push((idx, request.clone()));
                Next::Ask(request)
            }
            None => Next::Stop,
        }
    }

    fn answered(&mut self, request: Request, outcome: Result<Exchange, LinkError>) {
        let Some(place) = self.under_way.iter().position(|(_, asked)| *asked == request) else { return };
        let (idx, _) = self.under_way.remove(place);
        if let Some(slot) = self.outcomes.get_mut(idx) {
            *slot = Some(outcome);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(reply: u16, pid: u8) -> Request {
        let to = Target::Module(Address::from_reply11(reply));
        Request { to, bytes: vec![1, pid], n_replies: Some(1) }
    }

    fn exchange(at: Nanos) -> Exchange {
        Exchange { asked_ns: at, over_ns: at, replies: Vec::new(), problems: Vec::new() }
    }

    #[test]
    fn a_list_goes_to_idle_modules_first_and_comes_back_in_its_own_order() {
        let requests = [request(0x7E8, 0), request(0x7E8, 1), request(0x7E9, 2)];
        let mut batch = Batch::new(&requests);
        assert_eq!(batch.next(0, &[]), Next::Ask(requests[0].clone()));
        assert_eq!(batch.next(0, &[requests[0].to]), Next::Ask(requests[2].clone()));
        batch.answered(requests[2].clone(), Ok(exchange(3)));
        batch.answered(requests[0].clone(), Ok(exchange(1)));
        assert_eq!(batch.next(0, &[]), Next::Ask(requests[1].clone()));
        batch.answered(requests[1].clone(), Ok(exchange(2)));
        assert_eq!(batch.next(0, &[]), Next::Stop);
        let times: Vec<Nanos> = batch.into_exchanges().expect("all sent").iter().map(|e| e.asked_ns).collect();
        assert_eq!(times, [1, 2, 3]);
    }
}
