//! How much more driving would tell one wheel from the others, in words.

use crate::wheels::{Rig, WHEELS};

/// Side difference that an ordinary yaw sensor leaves open, as a share; see `odd_wheel::road`.
const LEFT_OPEN_BY_YAW: f64 = 0.0015;
/// Speeds that are proposed, km/h: in town and out of it.
const SPEEDS_KMH: [f64; 2] = [50.0, 80.0];

/// What to record next: the shortest of the `seconds` at which `decides` holds, and what else would help where none does.
///
/// `decides(seconds, speed_kmh, sigma)` asks the model itself, with `sigma` as what is known of the turn of the car: as it is
/// in this drive, or as a yaw sensor would tell it.
pub(crate) fn needed(
    rig: &Rig,
    seconds: &[f64],
    sigma: Option<f64>,
    has_reference: bool,
    decides: impl Fn(f64, f64, Option<f64>) -> bool,
) -> Vec<String> {
    let least = |sigma| {
        let plans = seconds.iter().flat_map(|s| SPEEDS_KMH.map(|v| (*s, v)));
        plans.into_iter().find(|(s, v)| decides(*s, *v, sigma))
    };
    if let Some((seconds, kmh)) = least(sigma) {
        return vec![format!("record {seconds:.0} s more, straight on at a steady {kmh:.0} km/h")];
    }
    let mut list = Vec::new();
    if rig.present != [true; 4] {
        let missing: Vec<&str> = (0..4).filter(|&i| !rig.present[i]).map(|i| WHEELS[i]).collect();
        list.push(format!("record all four wheels: {} missing", missing.join(", ")));
    }
    let with_yaw = if has_reference { None } else { least(Some(LEFT_OPEN_BY_YAW)) };
    if let Some((seconds, kmh)) = with_yaw {
        list.push(format!("record yaw.rate or steering.angle as well, {seconds:.0} s straight on at {kmh:.0} km/h"));
    }
    if list.is_empty() {
        list.push(
            "measure the rolling circumference of all four tyres: more driving of this kind does not decide".to_owned(),
        );
    }
    list
}
