//! The bound on a K-line: bytes at 10 400 baud, and the pauses between them that ISO 14230-2 asks for.

/// One byte of ten bits, seconds.
const BYTE_S: f64 = 10.0 / 10_400.0;
/// Header of a message.
const HEADER: f64 = 3.0;

/// Pauses, seconds.
pub(crate) struct Pauses {
    /// Between the bytes of an answer (P1).
    pub(crate) p1_s: f64,
    /// From a request to its answer (P2).
    pub(crate) p2_s: f64,
    /// From an answer to the next request (P3).
    pub(crate) p3_s: f64,
    /// Between the bytes of a request (P4).
    pub(crate) p4_s: f64,
}

/// The quickest that modules allow without an agreement.
pub(crate) const QUICKEST: Pauses = Pauses { p1_s: 0.0, p2_s: 0.025, p3_s: 0.055, p4_s: 0.005 };

/// Exchanges per second of a request of two bytes whose answer repeats them and has `n_data` more.
pub(crate) fn exchanges_per_second(pauses: &Pauses, n_data: usize) -> f64 {
    let (asked, told) = (HEADER + 2.0, HEADER + 2.0 + n_data as f64);
    let request_s = (asked + 1.0) * BYTE_S + asked * pauses.p4_s;
    let answer_s = (told + 1.0) * BYTE_S + told * pauses.p1_s;
    1.0 / (request_s + pauses.p2_s + answer_s + pauses.p3_s)
}

/// Fails when the formula does not give the values that were computed independently.
pub(crate) fn check() {
    let slow = Pauses { p1_s: 0.020, p2_s: 0.050, p3_s: 0.055, p4_s: 0.020 };
    let none = Pauses { p1_s: 0.0, p2_s: 0.0, p3_s: 0.0, p4_s: 0.0 };
    for (pauses, one, thirty) in [(&slow, 3.0, 1.1), (&QUICKEST, 8.5, 6.9), (&none, 80.0, 25.0)] {
        for (n_data, expected) in [(1, one), (30, thirty)] {
            let got = exchanges_per_second(pauses, n_data);
            assert!((got - expected).abs() <= 0.02 * expected + 0.05, "{n_data}: {got} instead of {expected}");
        }
    }
}
