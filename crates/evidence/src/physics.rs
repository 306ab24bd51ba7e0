//! What the machine can do: limits of motion of the signals whose physics is known.
//!
//! Every limit names its source. "Derived" means derived here from the quantities named; where a limit is common
//! practice it is set so wide that only gross impossibilities pass it.

use signal::SignalId;

/// Standard gravity, m/s².
pub(crate) const GRAVITY_M_S2: f64 = 9.806_65;
/// km/h per m/s.
pub(crate) const KMH_PER_M_S: f64 = 3.6;

/// How much faster one wheel can slow down or speed up than the car, per m/s² of the car's own acceleration.
///
/// Derived: the torque that brakes a car of mass m at a acts on wheels of inertia J and radius r that may lose their grip:
/// (m/4) a r² / J, with m = 1500 kg, r = 0.30 m, J = 1.0 kg m² (wheel, tyre and brake disc) 34 a, and 1.45 times that on the
/// axle that carries more in braking. The other way round the grip that spins it up again is bounded by what slows the
/// car. Masses and inertia: common practice, no source.
pub(crate) const WHEEL_SLIP_GAIN: f64 = 50.0;
/// Fastest change of a wheel's circumferential speed while its tyre grips, m/s². Source: handbook values of 15 m/s² with
/// grip (common practice, no source).
pub(crate) const WHEEL_GRIP_M_S2: f64 = 15.0;
/// Fastest change of a wheel's circumferential speed at all, m/s²: full grip on a free wheel, 0.9 * 4000 N * (0.30 m)² /
/// 1.0 kg m² = 324 m/s² (derived); published slip events are 30-100 m/s² (common practice, no source).
pub(crate) const WHEEL_LIMIT_M_S2: f64 = 324.0;
/// Fastest spin-up by the drive, m/s²: 1000 N m at one wheel with 2.2 kg m² of wheel and geared motor, 0.30 m (derived).
pub(crate) const WHEEL_SPIN_M_S2: f64 = 136.0;
/// Largest short change of a wheel's speed when it rolls over an edge, as a share of its speed, below
/// [`EDGE_SLOW_KMH`]: 1/cos of the angle at an edge of 0.1 m and a wheel of 0.3 m is 1.5 (derived), with a margin.
pub(crate) const EDGE_SHARE_SLOW: f64 = 0.55;
/// The same above it: an edge that does not destroy the wheel (0.05 m: 1/cos = 1.2), with a margin.
pub(crate) const EDGE_SHARE_FAST: f64 = 0.30;
/// Where the two shares meet, km/h.
pub(crate) const EDGE_SLOW_KMH: f64 = 30.0;
/// Passive wheel sensors go silent below 3-8 km/h (common practice, no source): nothing is judged below this speed.
pub(crate) const SENSOR_ALIVE_KMH: f64 = 10.0;

/// Tracks of one pedal or throttle may differ by this much, % (workshop limits are 3-5 % of full scale; common practice, no
/// source).
pub(crate) const TRACKS_DIFFER_PERCENT: f64 = 5.0;

/// What kind of quantity a signal is: members of one family can stand in for each other as witnesses.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Family {
    /// Speed of a wheel or of the car, km/h.
    Speed,
    /// Engine speed, rpm.
    Engine,
    /// A track of the accelerator pedal, %.
    Pedal,
    /// A track of the throttle, %.
    Throttle,
    /// Any other signal whose limits are known.
    Other,
}

/// Limits of motion of one signal, in its catalogue unit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Dynamics {
    /// Its family.
    pub(crate) family: Family,
    /// Amplitude that ordinary disturbances reach; smaller excursions are never judged.
    pub(crate) smallest: f64,
    /// Fastest there-and-back, per second: one of the two edges is always slower. Infinite where it is not known.
    pub(crate) fastest_per_s: f64,
    /// Edges slower than this are not looked at.
    pub(crate) notable_per_s: f64,
    /// Shortest time in which the quantity can leave, and come back to, its level; 0 where it is not known.
    pub(crate) shortest_return_s: f64,
    /// Least and greatest value that a working sensor in a working machine can show.
    pub(crate) living: (f64, f64),
}

/// The limits of a signal; `None` where nothing is known that would hold for every car.
pub(crate) fn dynamics(id: &SignalId) -> Option<Dynamics> {
    let id = id.as_str();
    let is = |prefix: &str| id.starts_with(prefix);
    let other = |smallest, fastest_per_s, notable_per_s, living| Dynamics {
        family: Family::Other,
        smallest,
        fastest_per_s,
        notable_per_s,
        shortest_return_s: 0.0,
        living,
    };
    Some(match id {
        // The car itself: at most 1 g (from memory); the wheel limits above apply with the context of each event, also to
        // the car's speed, which many cars take from one driven axle. 250 km/h: no car jumps there from below 150.
        _ if is("wheel.speed.") || id == "vehicle.speed" => Dynamics {
            family: Family::Speed,
            smallest: SENSOR_ALIVE_KMH,
            fastest_per_s: WHEEL_LIMIT_M_S2 * KMH_PER_M_S,
            notable_per_s: GRAVITY_M_S2 * KMH_PER_M_S,
            shortest_return_s: 0.0,
            living: (-1.0, 250.0),
        },
        // 300 N m on 0.15 kg m² are 2000 rad/s² = 19 000 rpm/s (derived); a start from standstill needs at least half a
        // second of run-down, engagement and cranking (common practice, no source); engines of cars end at 9000 rpm.
        "engine.speed" => Dynamics {
            family: Family::Engine,
            smallest: 400.0,
            fastest_per_s: 20_000.0,
            notable_per_s: 1500.0,
            shortest_return_s: 0.5,
            living: (0.0, 12_000.0),
        },
        // A foot crosses the whole travel in 60-100 ms and taps at most 6 times a second (common practice, no source).
        _ if is("pedal.position_") => Dynamics {
            family: Family::Pedal,
            smallest: 10.0,
            fastest_per_s: 1500.0,
            notable_per_s: 150.0,
            shortest_return_s: 0.17,
            living: (0.0, 100.5),
        },
        // Electric throttles cross the whole travel in about 100 ms (common practice, no source).
        _ if is("throttle.position_") => Dynamics {
            family: Family::Throttle,
            smallest: 10.0,
            fastest_per_s: 1500.0,
            notable_per_s: 150.0,
            shortest_return_s: 0.12,
            living: (0.0, 100.5),
        },
        // A 3 l manifold filled by a 2 l engine at 6000 rpm: time constant 33 ms, so 100 kPa change at 3000 kPa/s at most
        // (derived); no engine pulls below 5 kPa.
        "intake.manifold_pressure" => other(20.0, 3000.0, 60.0, (5.0, 2048.0)),
        // Weather, hills and tunnels change it by a few kPa per minute; 40 kPa is the air at 7 km (standard atmosphere).
        "barometric.pressure" => other(10.0, 10.0, 5.0, (40.0, 115.0)),
        // A sensor in water needs seconds: 10 K/s is never reached (common practice, no source). The ends of the
        // scale of the one-byte temperature (-40, 215) are what an open or shorted sensor reads.
        "coolant.temperature" => other(15.0, 10.0, 5.0, (-39.5, 200.0)),
        // A bare air sensor in a charge pipe is quick: only the ends of the scale are impossible.
        "intake.air_temperature" => other(30.0, f64::INFINITY, 10.0, (-39.5, 214.5)),
        // Cranking pulls a weak battery to 6 V within milliseconds; a module that still answers has more than 4 V.
        "battery.voltage" => other(3.0, f64::INFINITY, 0.5, (4.0, 60.0)),
        // Quick hands turn the wheel at 1000 to 1500 deg/s (common practice, no source).
        "steering.angle" => other(30.0, 2500.0, 1500.0, (-1500.0, 1500.0)),
        // A car of 2500 kg m² turned by 10 kN at 1.5 m: 6 rad/s² = 340 deg/s² (derived); doubled, and noise aside.
        "yaw.rate" => other(20.0, 700.0, 350.0, (-300.0, 300.0)),
        _ => return None,
    })
}

/// How rough a sound signal of a sound car may be from one sample to the next, as the standard deviation of what looks like
/// noise, in its catalogue unit.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Roughness {
    /// At any value.
    pub(crate) floor: f64,
    /// Added per unit of the value.
    pub(crate) share: f64,
    /// Longest interval between samples, seconds, at which motion is still told from noise.
    pub(crate) slowest_s: f64,
    /// Values below which nothing is judged: the machine stands, or the sensor is asleep.
    pub(crate) alive_above: f64,
    /// Whether nothing in the machine can make it rough for a moment.
    pub(crate) is_inert: bool,
}

impl Roughness {
    /// Standard deviation allowed at a value.
    pub(crate) fn at(&self, value: f64) -> f64 {
        self.floor.hypot(self.share * value.abs())
    }
}

/// The roughness of a sound signal; `None` where the machine may make it as rough as it likes (switching oxygen sensors,
/// trims, counters), or where nothing is known.
///
/// The figures say what is usual; a fault is only what lies several times above them. Common practice, no source, where
/// nothing else is said.
pub(crate) fn roughness(id: &SignalId) -> Option<Roughness> {
    let id = id.as_str();
    let of =
        |floor, share, slowest_s, alive_above, is_inert| Roughness { floor, share, slowest_s, alive_above, is_inert };
    Some(match id {
        // Sound wheels on an open motorway drive (comma2k19): 0.09 to 0.12 km/h at 29 to 71 km/h, 0.01 km/h of step. A ring is
        // cut to a fraction of a percent of a tooth, and a road is not smooth.
        _ if id.starts_with("wheel.speed.") => of(0.1, 0.002, 0.5, SENSOR_ALIVE_KMH, false),
        // A car cannot tremble: its whole mass would have to.
        "vehicle.speed" => of(0.2, 0.002, 0.25, SENSOR_ALIVE_KMH, false),
        // Idle swings by 20 to 50 rpm; combustion makes a few tenths of a percent at any speed.
        "engine.speed" => of(25.0, 0.01, 0.1, 400.0, false),
        // A foot that rests on a shaking pedal.
        _ if id.starts_with("pedal.position_") => of(0.7, 0.0, 0.1, f64::NEG_INFINITY, false),
        // A throttle that holds its place hunts by some tenths of a percent.
        _ if id.starts_with("throttle.position_") => of(0.7, 0.0, 0.1, f64::NEG_INFINITY, false),
        // Strokes of intake of a few cylinders, met at random moments.
        "intake.manifold_pressure" => of(2.0, 0.02, 0.1, f64::NEG_INFINITY, false),
        "intake.air_flow" => of(0.5, 0.04, 0.1, 0.5, false),
        "barometric.pressure" => of(0.5, 0.0, 5.0, f64::NEG_INFINITY, true),
        // Tens of kilograms of metal and water behind a sensor that takes seconds.
        "coolant.temperature" => of(0.4, 0.0, 2.0, f64::NEG_INFINITY, true),
        "intake.air_temperature" => of(0.6, 0.0, 2.0, f64::NEG_INFINITY, true),
        // Ripple of a sound alternator and of loads that are switched quickly: about 0.1 V. A starter, the pump of the brakes and
        // electric steering make it rough for moments.
        "battery.voltage" => of(0.12, 0.0, 2.0, 6.0, false),
        "yaw.rate" => of(0.6, 0.0, 0.1, f64::NEG_INFINITY, false),
        "steering.angle" => of(1.0, 0.0, 0.1, f64::NEG_INFINITY, false),
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What lives on a working machine, and what no working machine shows; the fastest change of each in its own unit.
    /// Sources: beside the limits.
    #[test]
    fn limits_of_the_signals() {
        let g_kmh = 35.303_94; // 9.80665 m/s² in km/h per second.
        /// Signal, family, what lives, what does not, the fastest and the notable change per second.
        type Case = (&'static str, Family, &'static [f64], &'static [f64], f64, f64);
        let cases: [Case; 13] = [
            ("wheel.speed.fl", Family::Speed, &[0.0, 249.0], &[-2.0, 251.0], 1166.4, g_kmh),
            ("vehicle.speed", Family::Speed, &[0.0, 249.0], &[-2.0, 251.0], 1166.4, g_kmh),
            ("engine.speed", Family::Engine, &[0.0, 9000.0], &[-1.0, 16_383.75], 20_000.0, 1500.0),
            ("pedal.position_d", Family::Pedal, &[0.0, 100.0], &[-1.0, 101.0], 1500.0, 150.0),
            ("throttle.position_b", Family::Throttle, &[0.0, 100.0], &[-1.0, 101.0], 1500.0, 150.0),
            ("intake.manifold_pressure", Family::Other, &[20.0, 255.0], &[0.0, 3000.0], 3000.0, 60.0),
            ("barometric.pressure", Family::Other, &[60.0, 108.0], &[0.0, 255.0], 10.0, 5.0),
            ("coolant.temperature", Family::Other, &[-39.0, 130.0], &[-40.0, 215.0], 10.0, 5.0),
            ("intake.air_temperature", Family::Other, &[-39.0, 150.0], &[-40.0, 215.0], f64::INFINITY, 10.0),
            ("battery.voltage", Family::Other, &[6.0, 14.4, 29.0], &[0.0, 65.5], f64::INFINITY, 0.5),
            ("steering.angle", Family::Other, &[-780.0, 780.0], &[-1600.0, 1600.0], 2500.0, 1500.0),
            ("yaw.rate", Family::Other, &[-90.0, 90.0], &[-327.0, 327.0], 700.0, 350.0),
            ("misfire.cylinder_1", Family::Other, &[], &[], 0.0, 0.0),
        ];
        for (id, family, alive, dead, fastest, notable) in cases {
            let Some(limits) = dynamics(&SignalId::new(id).unwrap()) else {
                assert_eq!(id, "misfire.cylinder_1", "nothing is known that would hold for every car");
                continue;
            };
            let lives = |value: &f64| (limits.living.0..=limits.living.1).contains(value);
            assert!(alive.iter().all(lives) && !dead.iter().any(lives), "{id}: {:?}", limits.living);
            assert_eq!(limits.family, family, "{id}");
            let near = |a: f64, b: f64| a == b || (a - b).abs() < 1e-3;
            assert!(near(limits.fastest_per_s, fastest) && near(limits.notable_per_s, notable), "{id}: {limits:?}");
            assert!(limits.smallest > 0.0 && limits.shortest_return_s < 1.0);
        }
    }

    /// Each has its figures, floor and share add as independent noise does (3, 4: 5), and only what is heavy is inert.
    #[test]
    fn roughness_of_the_signals() {
        let of = |id: &str| roughness(&SignalId::new(id).unwrap());
        let made = Roughness { floor: 3.0, share: 0.04, slowest_s: 1.0, alive_above: 0.0, is_inert: false };
        assert_eq!((made.at(100.0), made.at(-100.0), made.at(0.0)), (5.0, 5.0, 3.0));
        for (id, at_0, is_inert) in [
            ("wheel.speed.rr", 0.1, false),
            ("vehicle.speed", 0.2, false),
            ("engine.speed", 25.0, false),
            ("pedal.position_e", 0.7, false),
            ("throttle.position_c", 0.7, false),
            ("intake.manifold_pressure", 2.0, false),
            ("intake.air_flow", 0.5, false),
            ("barometric.pressure", 0.5, true),
            ("coolant.temperature", 0.4, true),
            ("intake.air_temperature", 0.6, true),
            ("battery.voltage", 0.12, false),
            ("yaw.rate", 0.6, false),
            ("steering.angle", 1.0, false),
        ] {
            let own = of(id).unwrap();
            assert_eq!((own.at(0.0), own.is_inert), (at_0, is_inert), "{id}");
        }
        assert!(of("fuel.trim_short_1").is_none());
    }
}
