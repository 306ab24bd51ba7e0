//! Comparisons of drives, with their sentences.

use evidence::compare::{AgainstReference, CellAgainst, CellCompared, Comparison, Means, Shift};
use evidence::proof::Bounds;
use signal::Unit;

use super::bounds;

/// What a comparison of two drives does not say.
const TWO_DRIVES: &str = "Two drives were compared, and weather, fuel, road and driver differ between any two: a difference \
    shows that the drives differ there, not why. All intervals hold together at 95 %.";
/// What a comparison with healthy drives does not say.
const HEALTHY: &str = "The healthy drives show what was usual in them, not all that is healthy: outside is a reason to look, \
    not a fault. At most one comparison in twenty finds anything outside by chance, over all conditions and signals together.";

pub(crate) fn compared(found: &Comparison, before: &str, after: &str) -> wire::DrivesCompared {
    let signals = found.signals.iter().map(|signal| wire::SignalCompared {
        statement: statement(&signal.id, &signal.unit, &signal.cells),
        cells: signal.cells.iter().map(cell).collect(),
        id: signal.id.clone(),
        unit: signal.unit.clone(),
    });
    wire::DrivesCompared {
        before: before.to_owned(),
        after: after.to_owned(),
        signals: signals.collect(),
        only_in_one: found.only_in_one.clone(),
        caution: TWO_DRIVES.to_owned(),
    }
}

fn cell(cell: &CellCompared) -> wire::CellCompared {
    wire::CellCompared {
        bounds: cell.bounds.iter().map(bounds).collect(),
        verdict: match cell.verdict {
            Shift::Higher => "higher",
            Shift::Lower => "lower",
            Shift::NotShown => "no difference shown",
            Shift::TooShort => "too short",
        }
        .to_owned(),
        difference: cell.difference.map(|it| it.0),
        low: cell.difference.map(|it| it.1),
        high: cell.difference.map(|it| it.2),
        before: mean(&cell.before),
        after: mean(&cell.after),
    }
}

fn mean(means: &Means) -> wire::CellMean {
    wire::CellMean { seconds: means.seconds, mean: finite(means.mean) }
}

fn finite(value: f64) -> Option<f64> {
    Some(value).filter(|value| value.is_finite())
}

/// A condition in words.
fn place(bounds: &[Bounds]) -> String {
    let each = bounds.iter().map(|it| {
        let name = it.signal.replace('.', " ");
        let unit = &it.unit;
        match (it.from, it.to) {
            (Some(from), Some(to)) => format!("{name} {from:.0} to {to:.0} {unit}"),
            (Some(from), None) => format!("{name} above {from:.0} {unit}"),
            (None, Some(to)) => format!("{name} below {to:.0} {unit}"),
            (None, None) => name,
        }
    });
    let all: Vec<String> = each.collect();
    if all.is_empty() { "over the whole drive".to_owned() } else { format!("at {}", all.join(" and ")) }
}

/// The clearest difference, and how many conditions show none or say nothing.
fn statement(id: &str, unit: &str, cells: &[CellCompared]) -> String {
    let count = |wanted: Shift| cells.iter().filter(|cell| cell.verdict == wanted).count();
    let (same, short) = (count(Shift::NotShown), count(Shift::TooShort));
    let differs: Vec<&CellCompared> =
        cells.iter().filter(|cell| matches!(cell.verdict, Shift::Higher | Shift::Lower)).collect();
    let size = |cell: &CellCompared| cell.difference.map_or(0.0, |it| it.0.abs());
    let clearest = differs.iter().copied().max_by(|a, b| size(a).total_cmp(&size(b)));
    let told = clearest.and_then(|cell| Some((cell, cell.difference?))).map(|(cell, (difference, low, high))| {
        let way = if difference > 0.0 { "higher" } else { "lower" };
        let (near, far) = (low.abs().min(high.abs()), low.abs().max(high.abs()));
        let unit = Unit::named(unit).of_difference();
        let number = with_unit(digits(difference.abs()), &unit);
        let (near, far) = (digits(near), with_unit(digits(far), &unit));
        format!("{id} is {number} {way} afterwards ({near} to {far}) {}", place(&cell.bounds))
    });
    let rest = [
        (differs.len().saturating_sub(1), "differs in"),
        (same, "shows no difference in"),
        (short, "too short to tell in"),
    ];
    let rest: Vec<String> = rest
        .into_iter()
        .filter(|(n, _)| *n > 0)
        .map(|(n, what)| {
            format!(
                "{what} {n} {}condition{}",
                if told.is_some() { "further " } else { "" },
                if n == 1 { "" } else { "s" }
            )
        })
        .collect();
    match (told, rest.is_empty()) {
        (Some(told), true) => format!("{told}."),
        (Some(told), false) => format!("{told}; {}.", rest.join(", ")),
        (None, true) => format!("{id}: the drives have no condition in common."),
        (None, false) => format!("{id}: {}.", rest.join(", ")),
    }
}

/// A number and its unit, where it has one.
fn with_unit(number: String, unit: &Unit) -> String {
    if matches!(unit.symbol(), "" | "1") { number } else { format!("{number} {unit}") }
}

/// Three digits that count.
fn digits(value: f64) -> String {
    match value.abs() {
        v if v >= 100.0 => format!("{value:.0}"),
        v if v >= 10.0 => format!("{value:.1}"),
        v if v >= 1.0 => format!("{value:.2}"),
        _ => format!("{value:.3}"),
    }
}

pub(crate) fn referred(
    found: &AgainstReference,
    drive: &str,
    model: &str,
    references: Vec<String>,
) -> wire::ReferenceCompared {
    let signals = found.signals.iter().map(|signal| wire::SignalReferred {
        statement: standing(&signal.id, &signal.unit, &signal.cells),
        cells: signal.cells.iter().map(cell_referred).collect(),
        id: signal.id.clone(),
        unit: signal.unit.clone(),
    });
    wire::ReferenceCompared {
        drive: drive.to_owned(),
        model: model.to_owned(),
        references,
        signals: signals.collect(),
        without_reference: found.without_reference.clone(),
        caution: HEALTHY.to_owned(),
    }
}

fn cell_referred(cell: &CellAgainst) -> wire::CellReferred {
    let verdict = match cell.is_outside {
        Some(true) => "outside",
        Some(false) => "as the healthy ones",
        None => "too little",
    };
    let percentiles = cell.reference.percentiles;
    wire::CellReferred {
        bounds: cell.bounds.iter().map(bounds).collect(),
        verdict: verdict.to_owned(),
        drive: mean(&cell.drive),
        median: finite(cell.median),
        percentile: cell.percentile.map(|share| 100.0 * share),
        reference: if cell.reference.stretches > 0 { percentiles.to_vec() } else { Vec::new() },
        reference_drives: cell.reference.drives,
        reference_seconds: cell.reference.seconds,
    }
}

/// The condition that lies furthest outside, and how many are as usual or say nothing.
fn standing(id: &str, unit: &str, cells: &[CellAgainst]) -> String {
    let count = |wanted: Option<bool>| cells.iter().filter(|cell| cell.is_outside == wanted).count();
    let (outside, usual, open) = (count(Some(true)), count(Some(false)), count(None));
    let beyond = |cell: &CellAgainst| {
        let [low, .., high] = cell.reference.percentiles;
        (low - cell.median).max(cell.median - high) / (high - low).abs().max(f64::MIN_POSITIVE)
    };
    let furthest =
        cells.iter().filter(|cell| cell.is_outside == Some(true)).max_by(|a, b| beyond(a).total_cmp(&beyond(b)));
    let many = |n: usize| if n == 1 { "1 condition".to_owned() } else { format!("{n} conditions") };
    let rest = format!("as the healthy ones in {}, too little to tell in {}", many(usual), many(open));
    match furthest {
        Some(cell) => {
            let [low, .., high] = cell.reference.percentiles;
            let unit = Unit::named(unit);
            let (median, low, high) =
                (with_unit(digits(cell.median), &unit), digits(low), with_unit(digits(high), &unit));
            format!(
                "{id} lies outside in {}: {median}, where the healthy drives have {low} to {high} (nine stretches in \
                 ten), {}; {rest}.",
                many(outside),
                place(&cell.bounds)
            )
        }
        None => format!("{id}: {rest}."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(verdict: Shift, difference: Option<(f64, f64, f64)>) -> CellCompared {
        let bound = |signal: &str, from, to| Bounds { signal: signal.into(), unit: "rpm".into(), from, to };
        let means = Means { stretches: 9, seconds: 90.0, mean: 1.0 };
        let bounds = vec![bound("engine.speed", Some(750.0), Some(1500.0))];
        CellCompared { bounds, before: means, after: means, difference, verdict }
    }

    #[test]
    fn a_sentence_claims_what_the_interval_does() {
        let lower = of(Shift::Lower, Some((-6.0, -7.5, -4.5)));
        let same = of(Shift::NotShown, Some((0.1, -0.3, 0.5)));
        let said = statement("fuel.trim.long.bank_1", "%", &[same.clone(), lower, of(Shift::TooShort, None)]);
        assert_eq!(
            said,
            "fuel.trim.long.bank_1 is 6.00 % lower afterwards (4.50 to 7.50 %) at engine speed 750 to 1500 rpm; shows no \
             difference in 1 further condition, too short to tell in 1 further condition."
        );
        assert_eq!(statement("x", "V", &[same]), "x: shows no difference in 1 condition.");
        assert_eq!(statement("x", "V", &[]), "x: the drives have no condition in common.");
    }
}
