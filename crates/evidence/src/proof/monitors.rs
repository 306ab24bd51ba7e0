//! What the car's own monitors usually need to run.

/// Usual conditions under which a readiness monitor runs to its end, by the name that the survey gives it.
///
/// Common practice, no source: each maker has conditions of its own, and this says so too.
///
/// ```
/// assert!(evidence::proof::usual_conditions("catalyst").contains("steady"));
/// assert!(evidence::proof::usual_conditions("something else").contains("maker"));
/// ```
#[must_use]
pub fn usual_conditions(monitor: &str) -> &'static str {
    match monitor {
        "misfire" | "fuel system" | "components" => "runs all the time while the engine runs",
        "catalyst" | "heated catalyst" | "NMHC catalyst" => {
            "engine warm, some minutes at a steady speed of 60 to 90 km/h, then rolling without pedal"
        }
        "evaporative system" => {
            "cold start after a night's standing, tank between a quarter and three quarters, then steady driving and idle"
        }
        "secondary air" => "cold start, then some minutes at idle",
        "A/C refrigerant or petrol particulate filter" => {
            "air conditioning on for some minutes, or steady driving with long rolling without pedal"
        }
        "oxygen sensor" | "exhaust gas sensor" => {
            "engine warm, steady driving, then rolling without pedal from 80 km/h"
        }
        "oxygen sensor heater" => "cold start, then some minutes at idle",
        "EGR or variable valve timing" => "engine warm, steady driving, and rolling without pedal several times",
        "NOx aftertreatment" => "engine warm, half an hour at a steady motorway speed",
        "boost pressure" => "engine warm, several strong accelerations",
        "particulate filter" => "engine warm, half an hour at a steady motorway speed",
        _ => "the maker's service instructions give its conditions",
    }
}
