//! How a raw value becomes a physical one: the COMPU-METHOD of a data object.

use crate::conversion::{Conversion, Interval, Piece, Quotient};

use super::Read;
use crate::odx::types::{Compu, TextRow};
use crate::odx::xml::Element;

pub(super) fn compu(element: Option<&Element>) -> Read<Compu> {
    let Some(element) = element else { return Ok(Compu::Identical) };
    let category = element.text_of("CATEGORY").unwrap_or("IDENTICAL");
    let forward = element.child("COMPU-INTERNAL-TO-PHYS");
    let backward = element.child("COMPU-PHYS-TO-INTERNAL");
    let scales = |side: Option<&Element>| -> Read<Vec<Scale>> {
        side.map(|side| side.list("COMPU-SCALES").map(Scale::of).collect()).unwrap_or(Ok(Vec::new()))
    };
    let limits_of = |rows: &[Scale]| Interval {
        low: rows.iter().map(|row| row.raw.low).fold(f64::INFINITY, f64::min),
        high: rows.iter().map(|row| row.raw.high).fold(f64::NEG_INFINITY, f64::max),
        low_is_open: rows.first().is_some_and(|row| row.raw.low_is_open),
        high_is_open: rows.last().is_some_and(|row| row.raw.high_is_open),
    };
    let checked = |conversion: Conversion| match conversion.problem() {
        Some(problem) => Err(problem.to_owned()),
        None => Ok(conversion),
    };
    Ok(match category {
        "IDENTICAL" => Compu::Identical,
        "LINEAR" => {
            let rows = scales(forward)?;
            let [row] = rows.as_slice() else { return Err("LINEAR needs one scale".into()) };
            Compu::Number { forward: Some(checked(row.linear()?)?), backward: None, limits: row.raw }
        }
        "RAT-FUNC" => {
            let one = |side: Option<&Element>| -> Read<Option<(Conversion, Interval)>> {
                let rows = scales(side)?;
                let Some(row) = rows.first() else { return Ok(None) };
                Ok(Some((checked(Conversion::Rational(row.quotient()?))?, row.raw)))
            };
            let (there, back) = (one(forward)?, one(backward)?);
            let limits = there.as_ref().map_or(Interval::ALL, |(_, limits)| *limits);
            Compu::Number { forward: there.map(|(row, _)| row), backward: back.map(|(row, _)| row), limits }
        }
        "SCALE-LINEAR" | "SCALE-RAT-FUNC" => {
            let pieces = |side: Option<&Element>| -> Read<Option<(Conversion, Interval)>> {
                let rows = scales(side)?;
                if rows.is_empty() {
                    return Ok(None);
                }
                let pieces: Read<Vec<Piece>> = rows
                    .iter()
                    .map(|row| Ok(Piece { raw: row.raw, quotient: row.quotient()?, inverse: row.inverse }))
                    .collect();
                Ok(Some((checked(Conversion::Pieces(pieces?))?, limits_of(&rows))))
            };
            let (there, back) = (pieces(forward)?, pieces(backward)?);
            let limits = there.as_ref().map_or(Interval::ALL, |(_, limits)| *limits);
            Compu::Number { forward: there.map(|(row, _)| row), backward: back.map(|(row, _)| row), limits }
        }
        "TAB-INTP" => {
            let rows = scales(forward)?;
            let points: Read<Vec<(f64, f64)>> = rows
                .iter()
                .map(|row| {
                    let value = row.text.as_ref().and_then(|text| text.parse().ok());
                    Ok((row.raw.low, value.ok_or("a point without a number")?))
                })
                .collect();
            Compu::Number { forward: Some(checked(Conversion::Table(points?))?), backward: None, limits: Interval::ALL }
        }
        "TEXTTABLE" => {
            let mut texts = Vec::new();
            for row in scales(forward)? {
                let text = row.text.clone().ok_or("a scale without text")?;
                let inverse = row.inverse.unwrap_or(if row.raw.low.is_finite() { row.raw.low } else { row.raw.high });
                texts.push(TextRow { raw: row.raw, text, inverse });
            }
            let default = forward.and_then(|side| side.child("COMPU-DEFAULT-VALUE")).and_then(|value| {
                let inverse = value.child("COMPU-INVERSE-VALUE").and_then(|child| child.text_of("V"));
                Some((value.text_of("VT")?.to_owned(), inverse.and_then(|text| text.parse().ok())))
            });
            Compu::Texts { rows: texts, default }
        }
        "COMPUCODE" => return Err("it is computed by program code, which is not run".into()),
        other => return Err(format!("the computation `{other}` is not known")),
    })
}

/// One COMPU-SCALE.
struct Scale {
    raw: Interval,
    /// Text or number of its constant.
    text: Option<String>,
    inverse: Option<f64>,
    coefficients: Option<Quotient>,
}

impl Scale {
    fn of(element: &Element) -> Read<Self> {
        let limit = |name: &str, other: &str, none: f64| -> Read<(f64, bool)> {
            let Some(limit) = element.child(name) else {
                // A lower limit alone means one value in tables of texts; elsewhere no limit.
                let is_text = element.child("COMPU-CONST").is_some();
                let single = element.child(other).filter(|_| is_text).and_then(|limit| limit.text.parse().ok());
                return Ok((single.unwrap_or(none), false));
            };
            match limit.attribute("INTERVAL-TYPE") {
                Some("INFINITE") => Ok((none, false)),
                kind => {
                    let number = limit.text.parse().map_err(|_| format!("the limit `{}` is no number", limit.text))?;
                    Ok((number, kind == Some("OPEN")))
                }
            }
        };
        let (low, low_is_open) = limit("LOWER-LIMIT", "UPPER-LIMIT", f64::NEG_INFINITY)?;
        let (high, high_is_open) = limit("UPPER-LIMIT", "LOWER-LIMIT", f64::INFINITY)?;
        let constant = element.child("COMPU-CONST");
        let text = constant.and_then(|child| child.text_of("VT").or_else(|| child.text_of("V"))).map(str::to_owned);
        let inverse = element.child("COMPU-INVERSE-VALUE").and_then(|child| child.text_of("V"));
        let coefficients = element.child("COMPU-RATIONAL-COEFFS").map(|child| {
            let list = |name: &str| -> Read<Vec<f64>> {
                let parse = |v: &Element| v.text.parse().map_err(|_| format!("`{}` is no coefficient", v.text));
                child.list(name).map(parse).collect()
            };
            Ok::<_, String>(Quotient { numerator: list("COMPU-NUMERATOR")?, denominator: list("COMPU-DENOMINATOR")? })
        });
        // A constant number is a function too.
        let of_constant = text.as_ref().and_then(|text| text.parse().ok());
        let of_constant = of_constant.map(|number| Quotient { numerator: vec![number], denominator: Vec::new() });
        Ok(Self {
            raw: Interval { low, high, low_is_open, high_is_open },
            inverse: inverse.and_then(|text| text.parse().ok()),
            coefficients: coefficients.transpose()?.or(of_constant),
            text,
        })
    }

    fn quotient(&self) -> Read<Quotient> {
        self.coefficients.clone().ok_or_else(|| "a scale without coefficients".to_owned())
    }

    fn linear(&self) -> Read<Conversion> {
        let Quotient { numerator, denominator } = self.quotient()?;
        match (numerator.as_slice(), denominator.as_slice()) {
            ([v0, v1], []) => Ok(Conversion::Linear { multiply: *v1, divide: 1.0, offset: *v0 }),
            ([v0, v1], [d0]) if *d0 != 0.0 => Ok(Conversion::Linear { multiply: *v1, divide: *d0, offset: v0 / d0 }),
            _ => Err("LINEAR has two coefficients above the line and at most one below".into()),
        }
    }
}
