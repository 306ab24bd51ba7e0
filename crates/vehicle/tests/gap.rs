//! A gap begins where the samples end, however long the link takes to notice.

#![allow(clippy::unwrap_used, clippy::panic, reason = "a helper of a test may stop it")]

mod common;

use common::{Keep, S, definitions, ids};
use link::{AtLink, Dial, Port, PortError, Settings};
use vehicle::Vehicle;

/// When nothing comes back from the adapter, on the link's clock.
const DEAF: std::ops::Range<i64> = 20 * S..28 * S;

struct DeafDial(Box<dyn Dial>);
struct DeafPort(Box<dyn Port>);

impl Dial for DeafDial {
    fn address(&self) -> &str {
        self.0.address()
    }

    fn dial(&mut self) -> Result<Box<dyn Port>, PortError> {
        Ok(Box::new(DeafPort(self.0.dial()?)))
    }

    fn now(&self) -> i64 {
        self.0.now()
    }

    fn pause(&mut self, nanos: i64) {
        self.0.pause(nanos);
    }
}

impl Port for DeafPort {
    fn now(&self) -> i64 {
        self.0.now()
    }

    fn write_all(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.0.write_all(bytes)
    }

    fn read_until(&mut self, buffer: &mut [u8], deadline: i64) -> Result<usize, PortError> {
        loop {
            let n = self.0.read_until(buffer, deadline)?;
            if n == 0 || !DEAF.contains(&self.0.now()) {
                return Ok(n);
            }
        }
    }
}

/// The adapter reports trouble now and then in place of an answer, and the link looks for the network again: the request that
/// it was doing that for is answered in the end, seconds later.
#[test]
fn a_link_that_has_to_start_over_before_it_can_ask_leaves_a_gap() {
    let mut n_gaps = 0;
    for seed in 1..6 {
        let spec = format!("fell?script=idle&seed={seed}&quirk=say:ACT_ALERT:0.02");
        let (_, keep) = common::sample(&mut common::vehicle(&spec), &definitions(&spec), &["engine.speed"], 30);
        let mut known: Vec<(i64, i64)> =
            keep.samples.iter().map(|(_, sample)| (sample.asked_ns, sample.t_ns)).collect();
        known.extend(keep.gaps.iter().map(|gap| (gap.from_ns, gap.to_ns)));
        known.sort_unstable();
        for pair in known.windows(2) {
            assert!(pair[1].0 - pair[0].1 < 3 * S / 2, "seed {seed}: nothing between {pair:?}");
        }
        n_gaps += keep.gaps.len();
    }
    assert!(n_gaps > 0, "nothing went wrong");
}

#[test]
fn a_gap_begins_with_the_request_that_was_not_answered() {
    let spec = "fell?script=idle";
    let dial = Box::new(DeafDial(standin::dial(spec).unwrap()));
    let link = AtLink::start(dial, Settings { bus: None, need_vehicle: true }).unwrap();
    let mut vehicle = Vehicle::find(Box::new(link)).unwrap();
    let mut plan = vehicle.plan(&ids(&["engine.speed"]), &definitions(spec)).unwrap();
    let start_ns = vehicle.now();
    let mut keep = Keep { until_ns: Some(40 * S - start_ns), ..Keep::default() };
    vehicle.sample(&mut plan, &mut keep).unwrap();
    let [gap] = keep.gaps.as_slice() else { panic!("{:?}", keep.gaps) };
    let times: Vec<i64> = keep.samples.iter().map(|(_, sample)| sample.t_ns).collect();
    let before_ns = *times.iter().rfind(|t_ns| **t_ns < gap.to_ns).unwrap();
    // The adapter is given up seconds after it fell silent.
    assert!(gap.from_ns >= before_ns && gap.from_ns - before_ns < S / 5, "{gap:?} behind {before_ns}");
    assert!(gap.from_ns + start_ns - DEAF.start < S / 5, "{gap:?} from {start_ns}");
    assert!(*times.last().unwrap() > gap.to_ns);
}
