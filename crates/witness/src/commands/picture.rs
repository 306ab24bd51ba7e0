//! `witness picture`: what checks look at, as tables for people and as numbers for scripts.

use std::fmt::Write as _;

use workshop::PictureWish;

use crate::cli::PictureArgs;
use crate::failure::{Exit, Failure};
use crate::output::{clean, print_json, print_text};

pub(crate) fn run(args: &PictureArgs, json: bool) -> Result<Exit, Failure> {
    let pair = args.pair.clone().map(<[String; 2]>::try_from).transpose();
    let pair = pair.map_err(|_| Failure::input("a pair is two signals: `--pair FIRST,SECOND`"))?;
    let wish = PictureWish { map: args.map.clone(), pair, wheels: args.wheels };
    if wish == PictureWish::default() {
        return Err(
            Failure::input("no picture was asked for").hint("`--map SIGNAL`, `--pair FIRST,SECOND` or `--wheels`")
        );
    }
    let pictures = super::workshop()?.pictures(&args.drive, &wish)?;
    if json {
        print_json(&pictures)?;
    } else {
        print_text(&page(&pictures));
    }
    Ok(if pictures.problems.is_empty() { Exit::Done } else { Exit::Lost })
}

fn page(pictures: &wire::Pictures) -> String {
    let mut page = String::new();
    // Writing into a string cannot fail.
    if let Some(map) = &pictures.map {
        let load = map.load.as_deref().unwrap_or("no load");
        let _ = writeln!(page, "{} [{}] over engine speed and {}", clean(&map.signal), clean(&map.unit), clean(load));
        let _ = writeln!(page, "{:>12} {:>10} {:>12} {:>12}", "from rpm", "from load", "exposure", "value");
        for cell in &map.cells {
            let _ = writeln!(page, "{:12.0} {:10.0} {:12.1} {:12.3}", cell.rpm, cell.load, cell.exposure, cell.value);
        }
    }
    if let Some(pair) = &pictures.pair {
        let [first, second] = &pair.signals;
        let (first, second) = (clean(first), clean(second));
        let _ = writeln!(page, "{second} = {:.4} x {first} {:+.3}; error by position:", pair.slope, pair.offset);
        let _ = writeln!(page, "{:>8} {:>8} {:>8} {:>8} {:>8} {:>8}", "from", "to", "low", "middle", "high", "allowed");
        for cell in &pair.cells {
            let wire::PairCell { from, to, low, middle, high, allowed, .. } = cell;
            let _ = writeln!(page, "{from:8.1} {to:8.1} {low:8.2} {middle:8.2} {high:8.2} {allowed:8.2}");
        }
    }
    for one in pictures.wheels.iter().flat_map(|wheels| &wheels.spectra) {
        let top = one.per_m.iter().zip(&one.percent).max_by(|a, b| a.1.total_cmp(b.1));
        let (per_m, percent) = top.map_or((0.0, 0.0), |(per_m, percent)| (*per_m, *percent));
        let _ = writeln!(
            page,
            "{}: largest repeating error {percent:.2} %, every {:.2} m; looked at {:.0} m",
            one.signal,
            1.0 / per_m.max(1e-9),
            one.metres
        );
    }
    for problem in &pictures.problems {
        let _ = writeln!(page, "lost: {}", clean(problem));
    }
    page
}
