//! Rows of the tables as what they stand for.

use wire::{Case, CaseVehicle};

use crate::CasebookError;
use crate::db::{Row, Value};
use crate::store::RawEntry;

pub(crate) fn column(row: &Row, idx: usize) -> Result<&Value, CasebookError> {
    row.get(idx).ok_or_else(|| CasebookError::Strange(format!("a row without column {idx}")))
}

pub(crate) fn int(row: &Row, idx: usize) -> Result<i64, CasebookError> {
    column(row, idx)?.int()
}

pub(crate) fn text(row: &Row, idx: usize) -> Result<String, CasebookError> {
    Ok(column(row, idx)?.text()?.to_owned())
}

pub(crate) fn read_vehicle(row: &[Value]) -> Result<CaseVehicle, CasebookError> {
    let [number, vin, plate, model, engine, ..] = row else {
        return Err(CasebookError::Strange("a vehicle without all its columns".to_owned()));
    };
    Ok(CaseVehicle {
        number: number.int()?,
        vin: vin.optional_text(),
        plate: plate.optional_text(),
        model: model.optional_text(),
        engine: engine.optional_text(),
    })
}

pub(crate) fn read_case(row: &Row) -> Result<Case, CasebookError> {
    Ok(Case {
        number: int(row, 0)?,
        uid: text(row, 1)?,
        vehicle: read_vehicle(row.get(2..).unwrap_or_default())?,
        complaint: text(row, 7)?,
        conditions: serde_json::from_str(&text(row, 8)?).unwrap_or_default(),
        mileage_km: column(row, 9)?.optional_int().and_then(|km| u32::try_from(km).ok()),
        opened_unix_ms: int(row, 10)?,
        closed_unix_ms: column(row, 11)?.optional_int(),
        n_entries: u64::try_from(int(row, 12)?).unwrap_or(0),
        head: text(row, 13)?,
    })
}

pub(crate) fn read_entry(row: Row) -> Result<RawEntry, CasebookError> {
    let mut values = row.into_iter();
    let mut next = || values.next().unwrap_or(Value::Null);
    let owned = |value: Value| match value {
        Value::Text(text) => Ok(text),
        other => other.text().map(str::to_owned),
    };
    Ok(RawEntry {
        number: u64::try_from(next().int()?).unwrap_or(0),
        time_unix_ms: next().int()?,
        who: owned(next())?,
        software: owned(next())?,
        content: owned(next())?,
        hash: owned(next())?,
    })
}
