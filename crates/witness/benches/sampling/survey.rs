//! How long the survey of a car with 25 modules takes behind an AT-command adapter, against the least that its own
//! questions and answers need on wire and serial line.

use definition::Definitions;
use link::{Settings, Target};
use vehicle::{RawExchange, Survey, Vehicle};

use crate::Failure;
use crate::bound::{FRAME_S, Link};

/// Within this time a module has begun to answer or will not any more (P2 max, ISO 15765-4), seconds.
const P2_MAX_S: f64 = 0.050;
/// Answer time of every module, seconds.
const TAU_S: f64 = 0.010;
/// What an adapter prints when nobody answers, with its line end.
const NO_DATA: usize = 8;
/// The return and the prompt.
const PROMPT: usize = 2;

/// Seconds that an exchange takes at least: the request with its line end, and every frame of every answer as a line. An
/// address that may be nobody's has to be waited out, and so have requests to everyone.
fn least_s(link: &Link, raw: &RawExchange) -> f64 {
    let char_s = 10.0 / link.baud;
    let replies = &raw.exchange.replies;
    let request_chars = 2 * raw.request.len() + usize::from(!replies.is_empty()) + 1;
    let frames = |n_bytes: usize| if n_bytes <= 7 { 1 } else { 1 + (n_bytes - 6).div_ceil(7) };
    let line_chars: usize = replies
        .iter()
        .map(|reply| match reply.bytes.len() {
            // Identifier, length, payload and return; a segmented message in whole frames.
            n @ ..=7 => 3 + 2 + 2 * n + 1,
            n => (3 + 16 + 1) * frames(n),
        })
        .sum();
    let asked_s = request_chars as f64 * char_s + FRAME_S;
    let wait_s = match (replies.is_empty(), raw.to) {
        (true, _) | (_, Target::Everyone | Target::Anyone(_)) => P2_MAX_S,
        // Printing hides the frames behind the first.
        (false, Target::Module(_)) => link.tau_s + FRAME_S,
    };
    let printed = if replies.is_empty() { NO_DATA } else { line_chars };
    asked_s + wait_s + (printed + PROMPT) as f64 * char_s
}

/// Prints the survey of the invented car with 25 modules.
pub(crate) fn rows() -> Result<(), Failure> {
    println!("\nSurvey of 25 modules behind an AT-command adapter, CAN 500 kbit/s, 11-bit");
    println!("{:>7}  {:>9}  {:>9}  {:>9}  ratio", "baud", "questions", "bound s", "took s");
    for baud in [38_400, 115_200, 500_000] {
        let spec = format!("crag?script=idle&baud={baud}&ms=all:10&jitter=0&busy=telephone:0&pending=camera:0");
        let mut car = Vehicle::find(standin::open(&spec, Settings { bus: None, need_vehicle: true })?)?;
        let from = car.now();
        let survey: Survey = car.survey_everything(&Definitions::standard(), |_| {});
        let took_s = signal::seconds_from_nanos(car.now() - from);
        if survey.modules.len() != 25 {
            return Err(format!("{} modules", survey.modules.len()).into());
        }
        let link = Link { baud: f64::from(baud), tau_s: TAU_S };
        let bound_s: f64 = survey.raw.iter().map(|raw| least_s(&link, raw)).sum();
        let n = survey.raw.len();
        println!("{baud:>7}  {n:>9}  {bound_s:>9.1}  {took_s:>9.1}  {:.3}", bound_s / took_s);
    }
    Ok(())
}
