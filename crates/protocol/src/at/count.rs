//! How many lines a request brings, so that the adapter need not wait for more, and how long they are, so that lost or
//! doubled digits show.

use std::collections::{BTreeMap, HashMap};

use crate::exchange::{Request, Target, only_reads};
use crate::{Address, Nanos};

/// Exchanges without a count after one in which somebody fell silent: they show who still answers.
const REST: u8 = 3;
/// Requests remembered; a watchlist is far shorter.
const MAX_SHAPES: usize = 1024;
/// Equal answers from everyone before they are counted on: a module may have been slow once.
const SEEN_EVERYONE: u8 = 3;
/// After this long one request to everyone goes without a count, so that a module that woke up is noticed.
const RECHECK_NS: Nanos = 15_000_000_000;

/// From one frame of a long answer to the next, where the receiver asks for no pause: 0.6 ms on the wire at 250 kbit/s,
/// and a module that looks once per millisecond (common practice, no source).
const FRAME_NS: Nanos = 2_000_000;
/// With longer pauses, asking twice takes no less than waiting for the adapter's time-out.
pub(super) const FRAME_MAX_NS: Nanos = 50_000_000;

/// What one sender's answer takes in print.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(super) struct Size {
    pub(super) n_lines: usize,
    pub(super) n_digits: usize,
}

/// Sizes by sender.
pub(super) type Sizes = BTreeMap<Address, Size>;

#[derive(Debug, Clone, Default)]
struct Shape {
    sizes: Sizes,
    /// Other sizes that came once: when they come again they are the new ones.
    odd: Option<Sizes>,
    seen: u8,
    rest: u8,
    checked_ns: Nanos,
}

/// What the adapter takes the digit behind a request for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum Meaning {
    #[default]
    Lines,
    Messages,
    /// Neither worked for answers of several lines; with single lines both are the same.
    SingleLines,
    Refused,
}

#[derive(Debug, Clone, Copy, Default)]
struct LatePrompts {
    short: u8,
    long: u8,
}

/// How an answer to a counted request compares with the count.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Verdict {
    /// All lines came.
    AsCounted,
    /// Fewer came, after the adapter's full time-out: somebody fell silent.
    Fewer,
    /// Other or fewer lines came although the adapter saw enough: text was lost, or somebody else answered.
    Suspect,
}

/// The shapes of answers seen so far.
#[derive(Debug, Default)]
pub(super) struct Counts {
    shapes: HashMap<Target, HashMap<Vec<u8>, Shape>>,
    n_shapes: usize,
    meaning: Meaning,
    /// Times in a row that the adapter waited although all lines had come: of short answers, and of long ones.
    late_prompts: LatePrompts,
    /// The adapter was seen to stop at the number given.
    stops: bool,
    /// Modules that go on with a long answer more slowly than usual: from frame to frame; `None`: asking once for the
    /// length and once for the whole does not work with them.
    slow_frames: HashMap<Target, Option<Nanos>>,
}

impl Counts {
    /// The digit to append to this request at `now`; `None`: not known, or better not.
    pub(super) fn digit(&self, request: &Request, now: Nanos) -> Option<u8> {
        let shape = self.shapes.get(&request.to)?.get(request.bytes.as_slice())?;
        if shape.rest > 0 || !has_fixed_length(&request.bytes) {
            return None;
        }
        let n_senders = shape.sizes.len();
        let known = match request.to {
            Target::Module(_) => shape.seen >= 1,
            Target::Everyone if request.n_replies.is_some() => request.n_replies == Some(n_senders) && shape.seen >= 1,
            Target::Everyone => shape.seen >= SEEN_EVERYONE && now.saturating_sub(shape.checked_ns) < RECHECK_NS,
            Target::Anyone(_) => false,
        };
        let n_lines: usize = shape.sizes.values().map(|size| size.n_lines).sum();
        self.number(n_lines, n_senders).filter(|_| known)
    }

    /// The digit for an answer of this size; `None`: none can say it.
    fn number(&self, n_lines: usize, n_senders: usize) -> Option<u8> {
        let number = match self.meaning {
            Meaning::Lines => n_lines,
            Meaning::Messages => n_senders,
            Meaning::SingleLines if n_lines == n_senders => n_lines,
            Meaning::SingleLines | Meaning::Refused => return None,
        };
        u8::try_from(number).ok().filter(|number| (1..=15).contains(number))
    }

    /// The digit for one module's answer that its own beginning says to have this many lines.
    pub(super) fn exactly(&self, n_lines: usize) -> Option<u8> {
        self.number(n_lines, 1)
    }

    /// The digit for a request whose answer is not known yet: one line, which is all of a short answer and tells how
    /// long a longer one is. Only where one module answers, and where asking twice does no harm.
    pub(super) fn guess(&self, request: &Request) -> Option<u8> {
        let may = matches!(request.to, Target::Module(_)) && only_reads(&request.bytes);
        self.number(1, 1).filter(|_| may && self.frame_ns(request.to).is_some())
    }

    /// From frame to frame of this module's long answers; `None`: they have to be waited for.
    pub(super) fn frame_ns(&self, to: Target) -> Option<Nanos> {
        self.slow_frames.get(&to).copied().unwrap_or(Some(FRAME_NS))
    }

    /// Frames of the first answer came amid the second: give this module more time between them.
    pub(super) fn slow_down(&mut self, to: Target) {
        self.set_frame_ns(to, self.frame_ns(to).map(|ns| ns * 4).filter(|ns| *ns <= FRAME_MAX_NS));
    }

    /// The whole of a long answer did not come when it was asked for.
    pub(super) fn cannot_split(&mut self, to: Target) {
        self.set_frame_ns(to, None);
    }

    fn set_frame_ns(&mut self, to: Target, ns: Option<Nanos>) {
        if self.slow_frames.len() < MAX_SHAPES || self.slow_frames.contains_key(&to) {
            self.slow_frames.insert(to, ns);
        }
    }

    /// A long answer came whole although one line was asked for.
    pub(super) fn counts_messages(&mut self) {
        if self.meaning == Meaning::Lines {
            self.meaning = Meaning::Messages;
        }
    }

    /// Whether the adapter's prompt follows the last line at once.
    pub(super) fn stops(&self) -> bool {
        self.stops
    }

    /// Whether the adapter takes no digit at all.
    pub(super) fn is_refused(&self) -> bool {
        self.meaning == Meaning::Refused
    }

    /// Lines of the known answer to this request; `None`: not known for sure.
    pub(super) fn n_lines(&self, request: &Request) -> Option<usize> {
        let shape = self.shapes.get(&request.to)?.get(request.bytes.as_slice())?;
        Some(shape.sizes.values().map(|size| size.n_lines).sum())
    }

    /// The adapter does not understand a request with a digit.
    pub(super) fn refuse(&mut self) {
        self.meaning = Meaning::Refused;
    }

    /// Learns from an answer whose length was not counted on; `sound`: complete and without any problem.
    ///
    /// False: a known answer came in another size, so that digits were lost or doubled; it must not be believed.
    pub(super) fn learn(&mut self, request: &Request, sizes: &Sizes, sound: bool, now: Nanos) -> bool {
        if matches!(request.to, Target::Anyone(_)) {
            return true; // who answers it is what is to be found out
        }
        if self.n_shapes >= MAX_SHAPES {
            self.shapes.clear();
            self.n_shapes = 0;
        }
        let of_target = self.shapes.entry(request.to).or_default();
        if !of_target.contains_key(&request.bytes) {
            self.n_shapes += 1;
            of_target.insert(request.bytes.clone(), Shape::default());
        }
        let Some(shape) = of_target.get_mut(&request.bytes) else {
            return true;
        };
        shape.checked_ns = now;
        shape.rest = shape.rest.saturating_sub(1);
        // One sender fewer may be a module that fell silent, or two lines that became one.
        let lacks = !sizes.is_empty() && shape.sizes.keys().any(|from| !sizes.contains_key(from));
        let is_odd = has_fixed_length(&request.bytes) && (lacks || differs(&shape.sizes, sizes));
        if is_odd && shape.odd.as_ref() != Some(sizes) {
            shape.odd = sound.then(|| sizes.clone());
            shape.seen = 0;
            return false;
        }
        if !sound || sizes.is_empty() {
            shape.seen = 0;
        } else if shape.sizes == *sizes {
            shape.seen = shape.seen.saturating_add(1);
        } else {
            shape.sizes.clone_from(sizes);
            shape.seen = 1;
        }
        shape.odd = None;
        true
    }

    /// Whether an answer has exactly the known size.
    pub(super) fn is_as_known(&self, request: &Request, sizes: &Sizes) -> bool {
        let shape = self.shapes.get(&request.to).and_then(|shapes| shapes.get(&request.bytes));
        shape.is_some_and(|shape| shape.sizes == *sizes)
    }

    /// Judges an answer to a counted request. `early`: the prompt came before the adapter's time-out could have ended;
    /// `exact`: the adapter keeps to that time-out.
    pub(super) fn judge(&mut self, request: &Request, sizes: &Sizes, early: bool, exact: bool) -> Verdict {
        let Some(shape) = self.shapes.get_mut(&request.to).and_then(|shapes| shapes.get_mut(&request.bytes)) else {
            return Verdict::Suspect;
        };
        let has_long = shape.sizes.values().any(|size| size.n_lines > 1);
        if shape.sizes == *sizes {
            // All lines came, and still the adapter waited: it counts something else.
            self.stops = early;
            let late = if has_long { &mut self.late_prompts.long } else { &mut self.late_prompts.short };
            *late = if early { 0 } else { *late + 1 };
            if *late >= 2 {
                *late = 0;
                self.meaning = match self.meaning {
                    Meaning::Lines if has_long => Meaning::Messages,
                    Meaning::Messages if has_long => Meaning::SingleLines,
                    _ => Meaning::Refused,
                };
            }
            return Verdict::AsCounted;
        }
        if early && has_long && self.meaning == Meaning::Messages {
            self.meaning = Meaning::SingleLines;
        }
        let is_other = differs(&shape.sizes, sizes) || !sizes.keys().all(|from| shape.sizes.contains_key(from));
        if is_other {
            // One exchange without a count shows whether the answer has changed or was damaged.
            shape.seen = 0;
        } else if !early && !sizes.is_empty() {
            shape.seen = 0;
            shape.rest = REST;
        }
        if is_other || (early && exact) { Verdict::Suspect } else { Verdict::Fewer }
    }
}

/// Whether a sender's answer has another size than before.
fn differs(before: &Sizes, now: &Sizes) -> bool {
    now.iter().any(|(from, size)| before.get(from).is_some_and(|before| before != size))
}

/// Services whose answers to the same request have the same length every time; lists of codes do not.
fn has_fixed_length(bytes: &[u8]) -> bool {
    matches!(bytes.first(), Some(0x01 | 0x02 | 0x05 | 0x08 | 0x09 | 0x1A | 0x21 | 0x22 | 0x3E))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn request(to: Target, n_replies: Option<usize>) -> Request {
        Request { to, bytes: vec![0x01, 0x0C], n_replies }
    }

    fn lines(ids: &[(u16, usize)]) -> Sizes {
        let size = |n_lines| Size { n_lines, n_digits: 19 * n_lines };
        ids.iter().map(|(id, n)| (Address::from_reply11(*id), size(*n))).collect()
    }

    #[test]
    fn counted_once_known() {
        let mut counts = Counts::default();
        let one = request(Target::Module(Address::from_reply11(0x7E8)), None);
        assert_eq!(counts.digit(&one, 0), None);
        assert!(counts.learn(&one, &lines(&[(0x7E8, 3)]), true, 0));
        assert_eq!(counts.digit(&one, 0), Some(3));

        let all = request(Target::Everyone, None);
        for _ in 0..SEEN_EVERYONE {
            assert_eq!(counts.digit(&all, 0), None);
            counts.learn(&all, &lines(&[(0x7E8, 1), (0x7E9, 1)]), true, 0);
        }
        assert_eq!(counts.digit(&all, 0), Some(2));
        assert_eq!(counts.digit(&all, RECHECK_NS), None);
        assert_eq!(counts.digit(&request(Target::Everyone, Some(2)), 0), Some(2));
        assert_eq!(counts.digit(&request(Target::Everyone, Some(3)), 0), None);
    }

    #[test]
    fn a_module_that_falls_silent_stops_the_counting_for_a_while() {
        let mut counts = Counts::default();
        let all = request(Target::Everyone, Some(2));
        let both = lines(&[(0x7E8, 1), (0x7E9, 1)]);
        counts.learn(&all, &both, true, 0);
        assert_eq!(counts.judge(&all, &lines(&[(0x7E8, 1)]), false, true), Verdict::Fewer);
        for _ in 0..REST {
            assert_eq!(counts.digit(&all, 0), None);
            counts.learn(&all, &both, true, 0);
        }
        assert_eq!(counts.digit(&all, 0), Some(2));
        assert_eq!(counts.judge(&all, &lines(&[(0x7E8, 1)]), true, true), Verdict::Suspect);
    }

    #[test]
    fn another_size_is_believed_when_it_comes_again() {
        let mut counts = Counts::default();
        let one = request(Target::Module(Address::from_reply11(0x7E8)), None);
        assert!(counts.learn(&one, &lines(&[(0x7E8, 1)]), true, 0));
        assert!(!counts.learn(&one, &lines(&[(0x7E8, 2)]), true, 0));
        assert!(counts.learn(&one, &lines(&[(0x7E8, 1)]), true, 0));
        assert!(!counts.learn(&one, &lines(&[(0x7E8, 2)]), true, 0));
        assert!(counts.learn(&one, &lines(&[(0x7E8, 2)]), true, 0));
        assert_eq!(counts.digit(&one, 0), Some(2));
    }

    /// Frames of a long answer are asked for one by one only where the module leaves time for it: each time that frames
    /// of two answers mix, it is given four times as much, and none at all above the longest.
    #[test]
    fn a_slow_module_gets_more_time_between_frames() {
        let mut counts = Counts::default();
        let [one, other] = [0x7E8, 0x7E9].map(|id| Target::Module(Address::from_reply11(id)));
        let mut steps = Vec::new();
        while let Some(ns) = counts.frame_ns(one) {
            steps.push(ns);
            assert!(steps.len() < 9);
            counts.slow_down(one);
        }
        assert_eq!(steps, [FRAME_NS, 4 * FRAME_NS, 16 * FRAME_NS]);
        assert!(FRAME_MAX_NS < 64 * FRAME_NS && counts.frame_ns(other) == Some(FRAME_NS));
        assert_eq!((counts.guess(&request(one, None)), counts.guess(&request(other, None))), (None, Some(1)));
        counts.cannot_split(other);
        assert_eq!(counts.frame_ns(other), None);
        let act = Request { to: Target::Module(Address::from_reply11(0x7EA)), bytes: vec![0x04], n_replies: None };
        assert_eq!(counts.guess(&act), None, "what acts is not asked twice");
        // A car with more modules than are remembered.
        let mut full = Counts::default();
        for n in 0..=MAX_SHAPES {
            full.cannot_split(Target::Module(Address::Logical(n as u16)));
        }
        let last = |n: usize| full.frame_ns(Target::Module(Address::Logical(n as u16)));
        assert_eq!((last(MAX_SHAPES - 1), last(MAX_SHAPES)), (None, Some(FRAME_NS)));
        full.slow_down(Target::Module(Address::Logical(0)));
        assert_eq!(full.frame_ns(Target::Module(Address::Logical(0))), None);
    }

    #[test]
    fn an_adapter_that_counts_messages() {
        let mut counts = Counts::default();
        let one = request(Target::Module(Address::from_reply11(0x7E8)), None);
        let long = lines(&[(0x7E8, 3)]);
        counts.learn(&one, &long, true, 0);
        for _ in 0..2 {
            assert_eq!(counts.digit(&one, 0), Some(3));
            assert_eq!(counts.judge(&one, &long, false, true), Verdict::AsCounted);
        }
        assert_eq!(counts.digit(&one, 0), Some(1));
        assert_eq!(counts.judge(&one, &long, true, true), Verdict::AsCounted);
        // And one that took neither meaning is only given counts where both agree.
        assert_eq!(counts.judge(&one, &lines(&[(0x7E8, 1)]), true, true), Verdict::Suspect);
        for _ in 0..=REST {
            counts.learn(&one, &long, true, 0);
        }
        assert_eq!(counts.digit(&one, 0), None);
    }

    /// Who counts on an answer's lines, and what it is held against.
    #[test]
    fn what_is_known_of_an_answer() {
        let mut counts = Counts::default();
        let one = request(Target::Module(Address::from_reply11(0x7E8)), None);
        let (long, short) = (lines(&[(0x7E8, 3)]), lines(&[(0x7E8, 1)]));
        assert_eq!((counts.n_lines(&one), counts.is_as_known(&one, &long), counts.stops()), (None, false, false));
        counts.learn(&one, &long, true, 0);
        assert_eq!((counts.n_lines(&one), counts.is_as_known(&one, &long)), (Some(3), true));
        assert!(!counts.is_as_known(&one, &short), "of another size");
        assert_eq!(counts.judge(&one, &long, true, true), Verdict::AsCounted);
        assert!(counts.stops());
        counts.judge(&one, &long, false, true);
        assert!(!counts.stops(), "it waited although all had come");
        // Lists of codes have no length that they always have: another one is no damage, and nothing is counted on.
        let codes = Request { bytes: vec![0x03], ..one.clone() };
        assert!(counts.learn(&codes, &short, true, 0) && counts.learn(&codes, &long, true, 0));
        assert_eq!(counts.digit(&codes, 0), None);
    }

    /// A module that says nothing at all: fewer lines if the adapter waited, suspect if it did not and keeps its times.
    #[test]
    fn silence_is_judged_by_whether_the_adapter_waited() {
        for (early, exact, verdict) in
            [(true, true, Verdict::Suspect), (true, false, Verdict::Fewer), (false, true, Verdict::Fewer)]
        {
            let mut counts = Counts::default();
            let one = request(Target::Module(Address::from_reply11(0x7E8)), None);
            counts.learn(&one, &lines(&[(0x7E8, 1)]), true, 0);
            assert_eq!(counts.judge(&one, &Sizes::new(), early, exact), verdict, "{early} {exact}");
            assert_eq!(counts.digit(&one, 0), Some(1), "it is asked as before");
            let other = lines(&[(0x7E9, 1)]);
            assert_eq!(counts.judge(&one, &other, false, true), Verdict::Suspect, "somebody else's");
            assert_eq!(counts.digit(&one, 0), None);
        }
    }
}
