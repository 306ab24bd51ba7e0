//! Outputs and routines as the rows of a maker's file.

use std::time::Duration;

use protocol::Address;
use serde::Deserialize;
use signal::Unit;
use toml::Spanned;

use super::{Call, Care, Condition, Drive, Field, Output, Parameter, Range, ResultsIn, Routine};
use crate::bits::{Bits, Encoding};
use crate::coded::Coded;
use crate::error::{DefinitionError, FileProblem, Place};
use crate::file::hex;
use crate::standard::catalogue_id;
use crate::values::row_with_value;

/// `[[module.output]]`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct OutputRow {
    pub(crate) id: Spanned<String>,
    title: Spanned<String>,
    did: Option<Spanned<String>>,
    local: Option<Spanned<String>>,
    test: Option<Spanned<String>>,
    routine: Option<Spanned<String>>,
    #[serde(default)]
    mask: Vec<u8>,
    n_bytes: usize,
    state: Option<ValueRow>,
    level: Option<Spanned<LevelRow>>,
    safe: Option<f64>,
    #[serde(default)]
    responds: Vec<Spanned<String>>,
    care: CareRow,
}

/// `[[module.routine]]`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RoutineRow {
    pub(crate) id: Spanned<String>,
    title: Spanned<String>,
    routine: Option<Spanned<String>>,
    local: Option<Spanned<String>>,
    #[serde(default)]
    n_bytes: usize,
    #[serde(default)]
    parameter: Vec<ParameterRow>,
    #[serde(default)]
    result: Vec<ResultRow>,
    #[serde(default)]
    results_in: ResultsInRow,
    #[serde(default)]
    can_stop: bool,
    care: CareRow,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct LevelRow {
    min: f64,
    max: f64,
    unit: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ParameterRow {
    name: Spanned<String>,
    title: Option<String>,
    unit: String,
    min: f64,
    max: f64,
    default: Option<f64>,
    value: ValueRow,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ResultRow {
    name: Spanned<String>,
    title: Option<String>,
    unit: String,
    value: ValueRow,
}

#[derive(Deserialize, Default, Clone, Copy)]
#[serde(rename_all = "lowercase")]
enum ResultsInRow {
    #[default]
    Start,
    Stop,
    Request,
}

/// `[module.output.care]`, `[module.routine.care]`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct CareRow {
    session: Option<u8>,
    #[serde(default)]
    conditions: Vec<Spanned<ConditionRow>>,
    #[serde(default)]
    while_moving: bool,
    cautions: Spanned<Vec<String>>,
    longest_s: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(untagged)]
enum ConditionRow {
    Named(String),
    Within(WithinRow),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WithinRow {
    signal: String,
    min: Option<f64>,
    max: Option<f64>,
}

row_with_value! {
    /// Where a value lies in some bytes, and how it is scaled: the same keys as a signal has.
    struct ValueRow {
        #[serde(default)]
        byte: usize,
    }
}

type Span = std::ops::Range<usize>;

fn value(place: &Place<'_>, row: Option<&ValueRow>, n_bytes: usize, at: &Span) -> Result<Coded, DefinitionError> {
    match row {
        Some(row) => row.value_keys(row.byte).coded(place, n_bytes, at),
        // The first byte as it is.
        None if n_bytes == 0 => {
            Err(place.error(at.clone(), FileProblem::OutsideData { byte: 0, bit: 0, bits: 8, length: 0 }))
        }
        None => Ok(Coded::plain(Bits { byte: 0, bit: 0, bits: 8, little_endian: false, encoding: Encoding::Unsigned })),
    }
}

fn title(place: &Place<'_>, text: &Spanned<String>) -> Result<String, DefinitionError> {
    match text.get_ref().trim() {
        "" => Err(place.error(text.span(), FileProblem::Empty("title"))),
        text => Ok(text.to_owned()),
    }
}

/// A data identifier.
pub(crate) fn number16(place: &Place<'_>, text: &Spanned<String>) -> Result<u16, DefinitionError> {
    let wrong = || place.error(text.span(), FileProblem::Identifier(text.get_ref().escape_debug().to_string()));
    hex(text.get_ref(), 4).and_then(|number| u16::try_from(number).ok()).ok_or_else(wrong)
}

/// A local identifier or test id.
pub(crate) fn number8(place: &Place<'_>, text: &Spanned<String>) -> Result<u8, DefinitionError> {
    let wrong = || place.error(text.span(), FileProblem::LocalIdentifier(text.get_ref().escape_debug().to_string()));
    hex(text.get_ref(), 2).and_then(|number| u8::try_from(number).ok()).ok_or_else(wrong)
}

fn care(place: &Place<'_>, row: &CareRow) -> Result<Care, DefinitionError> {
    let cautions: Vec<String> = row.cautions.get_ref().iter().map(|text| text.trim().to_owned()).collect();
    if cautions.is_empty() || cautions.iter().any(String::is_empty) {
        return Err(place.error(row.cautions.span(), FileProblem::Empty("cautions")));
    }
    let longest = match &row.longest_s {
        None => None,
        Some(seconds) => match Duration::try_from_secs_f64(*seconds.get_ref()) {
            Ok(longest) if !longest.is_zero() => Some(longest),
            _ => return Err(place.error(seconds.span(), FileProblem::Duration(*seconds.get_ref()))),
        },
    };
    let condition = |row: &Spanned<ConditionRow>| {
        Ok(match row.get_ref() {
            ConditionRow::Named(name) => match name.as_str() {
                "standing" => Condition::Standing,
                "engine off" => Condition::EngineOff,
                "engine running" => Condition::EngineRunning,
                "ignition on" => Condition::IgnitionOn,
                _ => return Err(place.error(row.span(), FileProblem::Condition(name.escape_debug().to_string()))),
            },
            ConditionRow::Within(within) => {
                let signal = catalogue_id(place, &within.signal, row.span())?;
                let (min, max) = (within.min, within.max);
                if min.zip(max).is_some_and(|(min, max)| min.partial_cmp(&max).is_none_or(std::cmp::Ordering::is_gt)) {
                    let limits = format!("{} .. {}", min.unwrap_or_default(), max.unwrap_or_default());
                    return Err(place.error(row.span(), FileProblem::Limits(limits)));
                }
                Condition::Within { signal, min, max }
            }
        })
    };
    let conditions = row.conditions.iter().map(condition).collect::<Result<_, _>>()?;
    Ok(Care { session: row.session, conditions, while_moving: row.while_moving, cautions, longest })
}

/// Reads an output.
pub(crate) fn output(place: &Place<'_>, row: &OutputRow, module: Address) -> Result<Output, DefinitionError> {
    let at = row.id.span();
    let drive = match (&row.did, &row.local, &row.test, &row.routine) {
        (Some(did), None, None, None) => Drive::Identifier { did: number16(place, did)?, mask: row.mask.clone() },
        (None, Some(id), None, None) => Drive::Local { id: number8(place, id)? },
        (None, None, Some(tid), None) => Drive::Test { tid: number8(place, tid)? },
        (None, None, None, Some(id)) => Drive::Routine { id: number16(place, id)? },
        _ => return Err(place.error(at, FileProblem::DriveKeys)),
    };
    let range = match &row.level {
        None => Range::Switch,
        Some(level) => {
            let LevelRow { min, max, unit } = level.get_ref();
            if min.partial_cmp(max) != Some(std::cmp::Ordering::Less) || !min.is_finite() || !max.is_finite() {
                return Err(place.error(level.span(), FileProblem::Limits(format!("{min} .. {max}"))));
            }
            Range::Level { min: *min, max: *max, unit: Unit::named(unit) }
        }
    };
    let lowest = match range {
        Range::Switch => 0.0,
        Range::Level { min, .. } => min,
    };
    let responds = row.responds.iter().map(|text| catalogue_id(place, text.get_ref(), text.span()));
    let output = Output {
        id: catalogue_id(place, row.id.get_ref(), at.clone())?,
        title: title(place, &row.title)?,
        module,
        drive,
        safe: row.safe.unwrap_or(lowest),
        range,
        responds: responds.collect::<Result<_, _>>()?,
        care: care(place, &row.care)?,
        n_bytes: row.n_bytes,
        place: value(place, row.state.as_ref(), row.n_bytes, &at)?,
    };
    // Every level from the least to the greatest, and the safe one, must fit the bits.
    let outer = [output.safe, lowest, output.on_level()];
    for level in outer {
        output.drive_request(level).map_err(|error| place.error(at.clone(), FileProblem::Level(error.to_string())))?;
    }
    Ok(output)
}

/// Reads a routine.
pub(crate) fn routine(place: &Place<'_>, row: &RoutineRow, module: Address) -> Result<Routine, DefinitionError> {
    let at = row.id.span();
    let call = match (&row.routine, &row.local) {
        (Some(id), None) => Call::Identifier { id: number16(place, id)? },
        (None, Some(id)) => Call::Local { id: number8(place, id)? },
        _ => return Err(place.error(at, FileProblem::CallKeys)),
    };
    let field = |name: &Spanned<String>, title: &Option<String>, unit: &str, row: &ValueRow, n_bytes| {
        let own = name.get_ref().trim().to_owned();
        if own.is_empty() {
            return Err(place.error(name.span(), FileProblem::Empty("name")));
        }
        let title = title.clone().unwrap_or_else(|| own.replace('_', " "));
        Ok(Field { title, unit: Unit::named(unit), place: value(place, Some(row), n_bytes, &name.span())?, name: own })
    };
    let mut parameters: Vec<Parameter> = Vec::new();
    for row_p in &row.parameter {
        let field = field(&row_p.name, &row_p.title, &row_p.unit, &row_p.value, row.n_bytes)?;
        if parameters.iter().any(|other| other.field.name == field.name) {
            let problem = FileProblem::Twice(format!("parameter `{}` of this routine", field.name));
            return Err(place.error(row_p.name.span(), problem));
        }
        let (min, max) = (row_p.min, row_p.max);
        let fits = |value: f64| field.place.raw_from_physical(value).is_some();
        let inside = row_p.default.is_none_or(|default| (min..=max).contains(&default));
        if min.partial_cmp(&max) != Some(std::cmp::Ordering::Less) || !inside || !fits(min) || !fits(max) {
            return Err(place.error(row_p.name.span(), FileProblem::Limits(format!("{min} .. {max}"))));
        }
        parameters.push(Parameter { field, min, max, default: row_p.default });
    }
    // How long an answer is, the module says; 255 bytes are more than any answer of a routine that is read here.
    let results = row.result.iter().map(|result| field(&result.name, &result.title, &result.unit, &result.value, 255));
    Ok(Routine {
        id: catalogue_id(place, row.id.get_ref(), at)?,
        title: title(place, &row.title)?,
        module,
        call,
        parameters,
        results: results.collect::<Result<_, _>>()?,
        results_in: match row.results_in {
            ResultsInRow::Start => ResultsIn::Start,
            ResultsInRow::Stop => ResultsIn::Stop,
            ResultsInRow::Request => ResultsIn::Request,
        },
        can_stop: row.can_stop,
        care: care(place, &row.care)?,
        n_option_bytes: row.n_bytes,
    })
}
