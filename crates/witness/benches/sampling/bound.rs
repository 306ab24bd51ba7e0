//! The highest rate that wire, module and adapter allow, computed from the frame formats: what the sampler is measured
//! against.
//!
//! Sources: CAN frame fields and bit stuffing ISO 11898-1 (a frame of 8 bytes with an 11-bit identifier has 111 bits with
//! intermission and without stuff bits), segmentation ISO 15765-2, 8N1 characters of 10 bits. Command and reply text of
//! AT-command adapters from memory.

/// Seconds of one unstuffed 8-byte frame with an 11-bit identifier at 500 kbit/s.
pub(crate) const FRAME_S: f64 = 111.0 / 500_000.0;

/// Settings of a link whose bound is wanted.
pub(crate) struct Link {
    /// Serial speed, bit/s.
    pub(crate) baud: f64,
    /// From the end of the request to the start of the reply, seconds.
    pub(crate) tau_s: f64,
}

/// Samples per second of one request for parameters of these sizes (bytes) again and again, headers on, spaces off, with
/// the number of expected reply lines appended.
pub(crate) fn samples_per_second(link: &Link, sizes: &[usize]) -> f64 {
    let char_s = 10.0 / link.baud;
    let request_chars = 2 + 2 * sizes.len() + 2; // service, parameters, count, return
    let reply_bytes = 1 + sizes.iter().map(|size| 1 + size).sum::<usize>();
    let lines: Vec<usize> = if reply_bytes <= 7 {
        vec![3 + 2 + 2 * reply_bytes + 1] // identifier, length byte, payload, return
    } else {
        vec![3 + 16 + 1; 1 + (reply_bytes - 6).div_ceil(7)]
    };
    let mut arrival_s = request_chars as f64 * char_s + FRAME_S + link.tau_s + FRAME_S;
    let mut printed_s: f64 = 0.0;
    for (idx, chars) in lines.iter().enumerate() {
        if idx == 1 {
            arrival_s += FRAME_S; // the flow control
        }
        if idx > 0 {
            arrival_s += FRAME_S;
        }
        printed_s = printed_s.max(arrival_s) + *chars as f64 * char_s;
    }
    let exchange_s = printed_s + 2.0 * char_s; // return and prompt
    sizes.len() as f64 / exchange_s
}

/// Fails when the formula does not give the values that were computed independently for these settings.
pub(crate) fn check() {
    // samples/s for one 2-byte parameter / for parameters of 1, 1, 2, 1, 1, 2 bytes.
    for (baud, tau_s, one, six) in [
        (38_400.0, 0.001, 139.0, 276.0),
        (38_400.0, 0.005, 89.0, 233.0),
        (115_200.0, 0.005, 136.0, 491.0),
        (115_200.0, 0.025, 37.0, 186.0),
        (500_000.0, 0.005, 170.0, 851.0),
        (500_000.0, 0.001, 531.0, 1969.0),
    ] {
        let link = Link { baud, tau_s };
        for (sizes, expected) in [([2].as_slice(), one), (&[1, 1, 2, 1, 1, 2], six)] {
            let got = samples_per_second(&link, sizes);
            assert!((got - expected).abs() < 1.0, "{baud} baud, {tau_s} s, {sizes:?}: {got} instead of {expected}");
        }
    }
}
