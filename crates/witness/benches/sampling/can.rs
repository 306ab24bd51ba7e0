//! The bound on a CAN bus without anything between: frame times, segmentation and the answer time of the module.
//!
//! Sources: CAN frame fields ISO 11898-1 (a frame of 8 bytes with an 11-bit identifier has 111 bits with intermission; stuff
//! bits are left out, so that the bound is a little above what any sampler can reach), segmentation ISO 15765-2.

/// A bus with one module on it.
#[derive(Clone, Copy)]
pub(crate) struct Bus {
    /// Time of a frame, seconds.
    pub(crate) frame_s: f64,
    /// From the end of a request to the start of its answer, seconds.
    pub(crate) tau_s: f64,
    /// All delay around a flow control, seconds.
    pub(crate) flow_s: f64,
}

/// 500 kbit/s, 11-bit identifiers.
pub(crate) const FRAME_S: f64 = 111.0 / 500_000.0;
/// The same with the stuff bits of requests and replies that are filled up with AA or CC: 4.7 and 5.0 in the mean, computed
/// over real ones with a frame builder of its own.
pub(crate) const STUFFED_S: f64 = (111.0 + 4.85) / 500_000.0;

/// Frames of a message, and the flow controls that it needs.
fn frames(n_bytes: usize) -> (usize, usize) {
    if n_bytes <= 7 { (1, 0) } else { (1 + (n_bytes - 6).div_ceil(7), 1) }
}

/// Seconds from one request to the next.
pub(crate) fn exchange_s(bus: &Bus, request: usize, reply: usize) -> f64 {
    let ((asked, asked_flow), (told, told_flow)) = (frames(request), frames(reply));
    let flows = asked_flow + told_flow;
    bus.frame_s * (asked + told + flows) as f64 + bus.tau_s + bus.flow_s * flows as f64
}

/// Reads per second of parameters of these sizes, `echo` bytes of number before each: the best of all in one request, of
/// as many as answer in one frame, and of one at a time.
pub(crate) fn reads_per_second(bus: &Bus, sizes: &[usize], echo: usize) -> f64 {
    let cycle = |groups: &[Vec<usize>]| -> f64 {
        let exchange = |group: &Vec<usize>| {
            let reply: usize = group.iter().map(|size| echo + size).sum();
            exchange_s(bus, 1 + echo * group.len(), 1 + reply)
        };
        groups.iter().map(exchange).sum()
    };
    let mut sorted = sizes.to_vec();
    sorted.sort_unstable_by(|a, b| b.cmp(a));
    let mut single: Vec<Vec<usize>> = Vec::new();
    for size in sorted {
        let fits = |group: &&mut Vec<usize>| 1 + group.iter().map(|n| n + echo).sum::<usize>() + size + echo <= 7;
        match single.iter_mut().find(fits) {
            Some(group) => group.push(size),
            None => single.push(vec![size]),
        }
    }
    let alone: Vec<Vec<usize>> = sizes.iter().map(|size| vec![*size]).collect();
    let best = [cycle(&[sizes.to_vec()]), cycle(&single), cycle(&alone)].into_iter().fold(f64::INFINITY, f64::min);
    sizes.len() as f64 / best
}

/// Fails when the formula does not give the values that were computed independently.
pub(crate) fn check() {
    // tau; samples/s of one 2-byte parameter, of six 1-byte ones, of 1, 1, 2, 1, 1, 2 bytes, without delay at flow controls.
    for (tau_s, one, six, mixed) in [
        (0.0, 2252.0, 6757.0, 5405.0),
        (0.001, 693.0, 3178.0, 2844.0),
        (0.005, 184.0, 1019.0, 982.0),
        (0.010, 96.0, 551.0, 540.0),
        (0.025, 39.0, 232.0, 230.0),
    ] {
        let bus = Bus { frame_s: FRAME_S, tau_s, flow_s: 0.0 };
        for (sizes, expected) in [([2].as_slice(), one), (&[1; 6], six), (&[1, 1, 2, 1, 1, 2], mixed)] {
            let got = reads_per_second(&bus, sizes, 1);
            assert!((got - expected).abs() < 1.0, "tau {tau_s} s, {sizes:?}: {got} instead of {expected}");
        }
    }
}
