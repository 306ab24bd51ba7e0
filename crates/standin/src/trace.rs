//! A table of what the car does, without any bus: for people who want to look at the physics.

use crate::StandinError;
use crate::spec::Spec;

/// Header and one comma-separated line every `step_s` seconds, for `seconds` of the drive.
///
/// # Errors
/// As [`crate::dial`].
pub fn trace(spec: &str, step_s: f64, seconds: f64) -> Result<Vec<String>, StandinError> {
    let mut physics = spec.parse::<Spec>()?.physics()?;
    let mut lines = vec![
        "time_s,speed_kmh,pedal_pct,gear,rpm,load_pct,map_kpa,air_g_s,throttle_pct,torque_nm,coolant_c,intake_c,short_pct,\
         long_pct,lambda,fuel_l_h,volts,fan_pct,clutch,ac_kpa,fl,fr,rl,rr,yaw_deg_s,steering_deg,misfires"
            .to_owned(),
    ];
    let mut time_s = 0.0;
    while time_s < seconds {
        time_s += step_s;
        physics.advance(time_s);
        let s = physics.state();
        let [fl, fr, rl, rr] = s.wheels_kmh;
        lines.push(format!(
            "{:.3},{:.2},{:.1},{},{:.0},{:.1},{:.1},{:.2},{:.1},{:.1},{:.1},{:.1},{:.1},{:.1},{:.3},{:.2},{:.2},{:.0},{},{:.0},\
             {fl:.2},{fr:.2},{rl:.2},{rr:.2},{:.2},{:.1},{}",
            s.time_s,
            s.true_speed_kmh,
            s.true_pedal_pct,
            s.gear,
            s.engine_rpm,
            s.load_pct,
            s.manifold_kpa,
            s.air_flow_g_s,
            s.throttle_tracks_pct[0],
            s.torque_nm,
            s.coolant_c,
            s.intake_c,
            s.short_trim_pct,
            s.long_trim_pct,
            s.lambda,
            s.fuel_l_h,
            s.battery_v,
            s.fan_pct,
            u8::from(s.ac_clutch),
            s.ac_pressure_kpa,
            s.yaw_deg_s,
            s.steering_deg,
            s.misfires.map(|n| n.to_string()).join("/"),
        ));
    }
    Ok(lines)
}
