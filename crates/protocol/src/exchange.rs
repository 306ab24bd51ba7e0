//! One request and what came back for it, whatever carries them.

use crate::reply::{NEGATIVE, reason};
use crate::{Address, Nanos, NegativeCode};

/// Whom a request is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Target {
    /// Functional addressing: every emissions module that listens.
    Everyone,
    /// Whoever listens to the request side of this address, which may be a functional one or one whose owner is not known
    /// yet. Replies of every sender count, wherever the network's diagnostic replies come from; the reply side of the
    /// address means nothing. Only for requests whose answers are short: nobody is sent a flow control.
    Anyone(Address),
    /// Physical addressing: this module alone.
    Module(Address),
}

/// One request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Request {
    /// Whom it is for.
    pub to: Target,
    /// Service and parameters, without headers, lengths or checksums.
    pub bytes: Vec<u8>,
    /// How many modules will answer, where that is known from earlier exchanges; the link then need not wait for more.
    pub n_replies: Option<usize>,
}

/// One complete reply message of one module.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reply {
    /// Who answered.
    pub from: Address,
    /// Service and data, reassembled, without headers, lengths or checksums.
    pub bytes: Vec<u8>,
    /// When its last byte had arrived here.
    pub arrived_ns: Nanos,
}

/// What came back for one request.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exchange {
    /// When the first byte of the request left.
    pub asked_ns: Nanos,
    /// When the exchange was over (prompt, last expected reply or time-out).
    pub over_ns: Nanos,
    /// Replies in order of arrival. Empty: nobody answered, which is a normal answer to a functional request.
    ///
    /// Final replies only: "response pending" has been waited out. Negative replies are replies.
    pub replies: Vec<Reply>,
    /// What did not fit: adapter error texts, damaged lines, incomplete messages. They never become replies.
    pub problems: Vec<String>,
}

/// How a message relates to a request, judged by its first bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// A positive or negative answer to it.
    Answer,
    /// "Response pending" (negative code 78) to it: the answer is still to come.
    Pending,
    /// An answer to something else.
    Foreign,
}

/// How `message`, which came from `from`, relates to the request `asked` (both: service and data).
///
/// Compared are the service + 0x40 and the part of the request that its answer repeats: the parameter, identifier or
/// sub-function. Two requests that differ only in what their answers do not repeat cannot be told apart here.
///
/// Source: ISO 14229-1 and SAE J1979 message layouts; the services of ISO 14230-3 from memory.
///
/// ```
/// use protocol::Address;
/// use protocol::exchange::{Fit, fit};
/// let engine = Address::from_reply11(0x7E8);
/// assert_eq!(fit(engine, &[0x01, 0x0C], &[0x41, 0x0C, 0x1A, 0xF8]), Fit::Answer);
/// assert_eq!(fit(engine, &[0x01, 0x0C], &[0x41, 0x0D, 0x32]), Fit::Foreign);
/// assert_eq!(fit(engine, &[0x22, 0xF1, 0x90], &[0x7F, 0x22, 0x78]), Fit::Pending);
/// ```
#[must_use]
pub fn fit(from: Address, asked: &[u8], message: &[u8]) -> Fit {
    let request = asked;
    let (Some((&service, asked)), Some((&first, data))) = (request.split_first(), message.split_first()) else {
        return Fit::Foreign;
    };
    if first == NEGATIVE {
        let is_own = |(refused, rest): &(&u8, &[u8])| {
            // With a part of the request in it: where lengths are those of the network, as on CAN, it would be damage.
            **refused == service && (rest.len() == 1 || matches!(from, Address::Node(_)))
        };
        return match data.split_first().filter(is_own).and_then(|(_, rest)| reason(request, rest)) {
            Some(NegativeCode::PENDING) => Fit::Pending,
            Some(_) => Fit::Answer,
            None => Fit::Foreign,
        };
    }
    if first != service.wrapping_add(0x40) || service & 0x40 != 0 {
        return Fit::Foreign;
    }
    let repeated = match service {
        // Several parameters or identifiers may be asked for at once; a module leaves out those that it lacks.
        0x01 => data.first().is_some_and(|first| asked.contains(first)),
        0x22 => data.get(..2).is_some_and(|first| asked.chunks(2).any(|one| one == first)),
        0x02 => asked.get(..2).is_none_or(|asked| data.starts_with(asked)),
        // The high bit of a sub-function only suppresses the positive response and is not part of its name.
        0x10 | 0x11 | 0x19 | 0x27 | 0x28 | 0x29 | 0x2C | 0x3E | 0x83 | 0x85 | 0x87 => {
            asked.first().is_none_or(|sub| data.first().is_some_and(|got| *got == sub & 0x7F))
                // The sessions of ISO 14230 have that bit in their names.
                || (service == 0x10 && asked.first() == data.first())
                // ISO 14230 answers these without the sub-function.
                || (data.is_empty() && matches!(service, 0x10 | 0x11 | 0x28 | 0x3E | 0x85))
        }
        0x05 | 0x06 | 0x08 | 0x09 | 0x12 | 0x1A | 0x21 | 0x2A | 0x30 | 0x32 | 0x33 | 0x3B => {
            asked.first() == data.first() || (service == 0x2A && data.is_empty())
        }
        0x2E | 0x2F => data.starts_with(asked.get(..2).unwrap_or(asked)),
        // Routine: sub-function and identifier.
        0x31 if is_routine_of_uds(from, asked) && data.len() >= 3 => data.get(..3) == asked.get(..3),
        // An identifier of one byte in ISO 14230.
        0x31 => asked.first() == data.first(),
        _ => true,
    };
    if repeated { Fit::Answer } else { Fit::Foreign }
}

/// Whether `31` and this data is a request of ISO 14229-1: start, stop or results, and an identifier of two bytes. On a
/// K-line the same bytes are an identifier of ISO 14230-3 with parameters. Where that is spoken on CAN, the identifiers 01
/// to 03 with two bytes of parameters and results cannot be told from it.
fn is_routine_of_uds(from: Address, asked: &[u8]) -> bool {
    !matches!(from, Address::Node(_)) && matches!(asked, [0x01..=0x03, _, _, ..])
}

/// Whether a module may answer with several messages one after the other where messages are short, on K-lines and SAE J1850:
/// lists, texts and results (SAE J1979 and ISO 14230-3, from memory).
pub(crate) fn comes_in_pieces(bytes: &[u8]) -> bool {
    matches!(bytes.first(), Some(0x03 | 0x05..=0x07 | 0x09 | 0x0A | 0x13 | 0x17..=0x1A))
}

/// Whether asking again does no more than asking once: services that only read.
#[must_use]
pub fn only_reads(bytes: &[u8]) -> bool {
    matches!(
        bytes.first(),
        Some(0x01..=0x03 | 0x05..=0x07 | 0x09 | 0x0A | 0x12 | 0x13 | 0x17..=0x1A | 0x21..=0x24 | 0x3E)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Layouts: SAE J1979 (services 01-0A) and ISO 14229-1, by their tables; from memory where no table is at hand.
    #[test]
    fn only_the_answer_to_this_request_fits() {
        let cases: &[(&[u8], &[u8], Fit)] = &[
            (&[0x01, 0x0C, 0x0D], &[0x41, 0x0D, 0x00], Fit::Answer),
            (&[0x01, 0x0C, 0x0D], &[0x41, 0x05, 0x00], Fit::Foreign),
            (&[0x02, 0x0C, 0x00], &[0x42, 0x0C, 0x00, 1, 2], Fit::Answer),
            (&[0x02, 0x0C, 0x00], &[0x42, 0x0C, 0x01, 1, 2], Fit::Foreign),
            (&[0x03], &[0x43, 0x00], Fit::Answer),
            (&[0x03], &[0x47, 0x00], Fit::Foreign),
            (&[0x09, 0x02], &[0x49, 0x04, 1], Fit::Foreign),
            (&[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x90, 1], Fit::Answer),
            (&[0x22, 0xF1, 0x90], &[0x62, 0xF1, 0x91, 1], Fit::Foreign),
            (&[0x22, 0xF1, 0x90, 0xF1, 0x91], &[0x62, 0xF1, 0x91, 1], Fit::Answer),
            (&[0x3E, 0x80], &[0x7E, 0x00], Fit::Answer),
            (&[0x10, 0x03], &[0x50, 0x01, 0, 0, 0, 0], Fit::Foreign),
            (&[0x10, 0x89], &[0x50, 0x89], Fit::Answer),
            (&[0x10, 0x89], &[0x50, 0x81], Fit::Foreign),
            (&[0x01, 0x0C], &[0x7F, 0x01, 0x12], Fit::Answer),
            (&[0x01, 0x0C], &[0x7F, 0x09, 0x12], Fit::Foreign),
            (&[0x01, 0x0C], &[0x7F, 0x01, 0x78], Fit::Pending),
            (&[0x01, 0x0C], &[0x7F, 0x09, 0x78], Fit::Foreign),
            (&[0x01, 0x0C], &[0x7F, 0x01], Fit::Foreign),
            (&[0x01, 0x0C], &[0x7F, 0x01, 0x0C, 0x00, 0x00, 0x12], Fit::Foreign),
            // No request has bit 6: it is what makes an answer of it.
            (&[0x41, 0x0C], &[0x81, 0x0C], Fit::Foreign),
            (&[0x02, 0x0C], &[0x42, 0x0C, 0x00], Fit::Answer),
            (&[0x14, 0xFF, 0xFF, 0xFF], &[0x54], Fit::Answer),
            (&[0x19, 0x02, 0xFF], &[0x59, 0x02, 0xFF], Fit::Answer),
            (&[0x19, 0x02, 0xFF], &[0x59, 0x06, 0xFF], Fit::Foreign),
            (&[0x27, 0x01], &[0x67], Fit::Foreign),
            (&[0x2A, 0x01, 0x12], &[0x6A], Fit::Answer),
            (&[0x2A, 0x01, 0x12], &[0x6A, 0x02], Fit::Foreign),
            (&[0x2E, 0x12, 0x34, 1], &[0x6E, 0x12, 0x34], Fit::Answer),
            (&[0x2E, 0x12, 0x34, 1], &[0x6E, 0x12, 0x35], Fit::Foreign),
            (&[0x2F, 0x12, 0x34, 3, 1], &[0x6F, 0x12, 0x34, 3, 1], Fit::Answer),
            (&[0x2F, 0x12, 0x34, 3, 1], &[0x6F, 0x12, 0x35, 3, 1], Fit::Foreign),
            (&[0x31, 0x01, 0x02, 0x03], &[0x71, 0x01, 0x02, 0x03, 9], Fit::Answer),
            (&[0x31, 0x01, 0x02, 0x03], &[0x71, 0x02, 0x02, 0x03], Fit::Foreign),
            (&[0x31, 0x01, 0x02, 0x03], &[0x71, 0x01, 0x02, 0x04, 9], Fit::Foreign),
            (&[0x31, 0x01, 0x02, 0x03, 7], &[0x71, 0x01, 0x03, 0x02], Fit::Foreign),
            (&[0x31, 0x01, 0x02, 0x03], &[0x7F, 0x31, 0x22], Fit::Answer),
            // ISO 14230-3, from memory: answers without sub-function, and identifiers of one byte.
            (&[0x10, 0x89], &[0x50], Fit::Answer),
            (&[0x3E, 0x01], &[0x7E], Fit::Answer),
            (&[0x21, 0x01], &[0x61, 0x01, 5], Fit::Answer),
            (&[0x21, 0x01], &[0x61, 0x02, 5], Fit::Foreign),
            (&[0x31, 0x10, 0x05], &[0x71, 0x10], Fit::Answer),
            (&[0x01, 0x0C], &[], Fit::Foreign),
            (&[], &[0x41, 0x0C], Fit::Foreign),
        ];
        let engine = Address::from_reply11(0x7E8);
        for (asked, message, expected) in cases {
            assert_eq!(fit(engine, asked, message), *expected, "{asked:02X?} {message:02X?}");
        }
        // SAE J1979 on J1850 and ISO 9141, from memory: the request's data, filled up with zeros, before the reason.
        for (pid, reason, expected) in
            [(0x0C, 0x12, Fit::Answer), (0x0C, 0x78, Fit::Pending), (0x0D, 0x12, Fit::Foreign)]
        {
            let refusal = [0x7F, 0x01, pid, 0x00, 0x00, reason];
            assert_eq!(fit(Address::Node(0x10), &[0x01, 0x0C], &refusal), expected, "{refusal:02X?}");
        }
        assert_eq!(fit(Address::Node(0x10), &[0x31, 0x05, 2], &[0x71, 0x06, 2]), Fit::Foreign);
        // On a K-line that is the routine 01 with its parameters and results.
        assert_eq!(fit(Address::Node(0x10), &[0x31, 0x01, 2, 3], &[0x71, 0x01, 8, 9]), Fit::Answer);
    }

    /// Services by what they do: SAE J1979 and ISO 14229-1; 12, 13, 17, 18, 1A and 21 of ISO 14230-3, from memory.
    #[test]
    fn what_acts_is_never_asked_twice() {
        let reading = [
            0x01, 0x02, 0x03, 0x05, 0x06, 0x07, 0x09, 0x0A, 0x12, 0x13, 0x17, 0x18, 0x19, 0x1A, 0x21, 0x22, 0x23, 0x24,
            0x3E,
        ];
        for service in 0..=0xFF {
            assert_eq!(only_reads(&[service, 0]), reading.contains(&service), "{service:02X}");
        }
        assert!(!only_reads(&[]));
    }
}
