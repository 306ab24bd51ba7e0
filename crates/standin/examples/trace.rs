//! Prints what the invented car does, for a look at the physics: `cargo run -p standin --example trace -- NAME [STEP_S]`.

use std::io::Write;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut args = std::env::args().skip(1);
    let spec = args.next().unwrap_or_else(|| "fell".to_owned());
    let step_s: f64 = args.next().map_or(Ok(1.0), |text| text.parse())?;
    let seconds: f64 = args.next().map_or(Ok(900.0), |text| text.parse())?;
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in standin::trace(&spec, step_s, seconds)? {
        writeln!(out, "{line}")?;
    }
    Ok(())
}
