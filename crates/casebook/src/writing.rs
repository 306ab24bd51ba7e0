//! What an entry does to the tables: the chain goes on, and the case at a glance follows.

use std::hash::{BuildHasher, Hasher, RandomState};
use std::time::{SystemTime, UNIX_EPOCH};

use wire::{Case, CaseVehicle, Content, Entry};

use crate::CasebookError;
use crate::chain::{START, hash};
use crate::db::{Sql, Value};
use crate::rows::{int, read_vehicle, text};
use crate::search::terms;
use crate::store::{Author, NewCase, RawEntry};

/// The state of a case that the next entry builds on.
pub(crate) struct Head {
    pub(crate) uid: String,
    pub(crate) n_entries: u64,
    pub(crate) hash: String,
    pub(crate) is_closed: bool,
}

impl Head {
    pub(crate) fn of(sql: &mut dyn Sql, case: i64, for_update: &str) -> Result<Self, CasebookError> {
        let query = format!("SELECT uid, n_entries, head, closed_ms FROM cases WHERE id = $1{for_update}");
        let rows = sql.rows(&query, &[case.into()])?;
        let row = rows.first().ok_or(CasebookError::NoCase(case))?;
        Ok(Self {
            uid: text(row, 0)?,
            n_entries: u64::try_from(int(row, 1)?).unwrap_or(0),
            hash: text(row, 2)?,
            is_closed: row.get(3).and_then(Value::optional_int).is_some(),
        })
    }

    /// Whether this may be added.
    pub(crate) fn check(&self, case: i64, content: &Content) -> Result<(), CasebookError> {
        match content {
            Content::Correction { of, .. } if !(1..=self.n_entries).contains(of) => {
                Err(CasebookError::NoEntry { case, entry: *of })
            }
            Content::Note { .. } | Content::Correction { .. } | Content::Reopened { .. } => Ok(()),
            _ if self.is_closed => Err(CasebookError::Closed(case)),
            _ => Ok(()),
        }
    }

    pub(crate) fn follow(&mut self, entry: &Entry) {
        self.n_entries = entry.number;
        self.hash.clone_from(&entry.hash);
        match entry.content {
            Content::Closed { .. } => self.is_closed = true,
            Content::Reopened { .. } => self.is_closed = false,
            _ => {}
        }
    }
}

pub(crate) fn open_case(sql: &mut dyn Sql, author: &Author, new: &NewCase) -> Result<i64, CasebookError> {
    let (uid, now) = (random_uid(), now_ms());
    let vehicle = keep_vehicle(sql, &new.vehicle)?;
    let number = insert_case(sql, &uid, vehicle.number, new, now)?;
    let content = Content::Opened {
        complaint: new.complaint.clone(),
        conditions: new.conditions.clone(),
        vehicle,
        mileage_km: new.mileage_km,
    };
    let head = Head { uid, n_entries: 0, hash: START.to_owned(), is_closed: false };
    insert_entry(sql, number, &head, author, now, &content)?;
    Ok(number)
}

pub(crate) fn insert_case(
    sql: &mut dyn Sql,
    uid: &str,
    vehicle: i64,
    new: &NewCase,
    now: i64,
) -> Result<i64, CasebookError> {
    let conditions = serde_json::to_string(&new.conditions).unwrap_or_default();
    let rows = sql.rows(
        "INSERT INTO cases (uid, vehicle, complaint, conditions, mileage_km, opened_ms, n_entries, head) \
         VALUES ($1, $2, $3, $4, $5, $6, 0, $7) RETURNING id",
        &[
            uid.into(),
            vehicle.into(),
            new.complaint.as_str().into(),
            conditions.as_str().into(),
            new.mileage_km.map(i64::from).into(),
            now.into(),
            START.into(),
        ],
    )?;
    rows.first().map_or_else(|| Err(CasebookError::Strange("no number for a case".to_owned())), |row| int(row, 0))
}

/// Seals an entry behind `head` and stores it.
pub(crate) fn insert_entry(
    sql: &mut dyn Sql,
    case: i64,
    head: &Head,
    author: &Author,
    now: i64,
    content: &Content,
) -> Result<Entry, CasebookError> {
    let stored = serde_json::to_string(content).map_err(|error| CasebookError::Strange(error.to_string()))?;
    let mut raw = RawEntry {
        number: head.n_entries + 1,
        time_unix_ms: now,
        who: author.who.clone(),
        software: author.software.clone(),
        content: stored,
        hash: String::new(),
    };
    raw.hash = hash(&head.hash, &head.uid, &raw);
    insert_raw(sql, case, &raw, content)?;
    Ok(raw.read())
}

pub(crate) fn insert_raw(sql: &mut dyn Sql, case: i64, raw: &RawEntry, content: &Content) -> Result<(), CasebookError> {
    let number = i64::try_from(raw.number).unwrap_or(i64::MAX);
    sql.run(
        "INSERT INTO entries (case_id, number, time_ms, who, software, content, hash) \
         VALUES ($1, $2, $3, $4, $5, $6, $7)",
        &[
            case.into(),
            number.into(),
            raw.time_unix_ms.into(),
            raw.who.as_str().into(),
            raw.software.as_str().into(),
            raw.content.as_str().into(),
            raw.hash.as_str().into(),
        ],
    )?;
    sql.run(
        "UPDATE cases SET n_entries = $1, head = $2 WHERE id = $3",
        &[number.into(), raw.hash.as_str().into(), case.into()],
    )?;
    for term in terms(content) {
        let add = "INSERT INTO terms (term, case_id) VALUES ($1, $2) ON CONFLICT DO NOTHING";
        sql.run(add, &[term.as_str().into(), case.into()])?;
    }
    Ok(())
}

/// What an entry changes of the case at a glance, its vehicle apart.
pub(crate) fn change_case(sql: &mut dyn Sql, case: i64, entry: &Entry) -> Result<(), CasebookError> {
    match changing(&entry.content) {
        Content::Opened { complaint, conditions, .. } => {
            let conditions = serde_json::to_string(conditions).unwrap_or_default();
            sql.run(
                "UPDATE cases SET complaint = $1, conditions = $2 WHERE id = $3",
                &[complaint.as_str().into(), conditions.as_str().into(), case.into()],
            )
        }
        Content::Closed { .. } => {
            sql.run("UPDATE cases SET closed_ms = $1 WHERE id = $2", &[entry.time_unix_ms.into(), case.into()])
        }
        Content::Reopened { .. } => sql.run("UPDATE cases SET closed_ms = NULL WHERE id = $1", &[case.into()]),
        _ => Ok(()),
    }
}

/// What the case at a glance says that its ledger does not, one sentence each: the tables beside the entries carry no hash,
/// and reports show them. The vehicle is left out, as other cases change it too.
///
/// Nothing is told of a ledger that a later version wrote: what its entries change is not known here.
pub(crate) fn beside_ledger(case: &Case, entries: &[RawEntry]) -> Vec<String> {
    let contents: Result<Vec<Content>, _> = entries.iter().map(|entry| serde_json::from_str(&entry.content)).collect();
    let (Ok(contents), Some(first)) = (contents, entries.first()) else { return Vec::new() };
    let mut told = Case { opened_unix_ms: first.time_unix_ms, ..Case::default() };
    // As [`change_case`] does it.
    for (entry, content) in entries.iter().zip(&contents) {
        match changing(content) {
            Content::Opened { complaint, conditions, mileage_km, .. } => {
                (told.complaint, told.conditions) = (complaint.clone(), conditions.clone());
                told.mileage_km = mileage_km.or(told.mileage_km);
            }
            Content::Vehicle { mileage_km, .. } => told.mileage_km = mileage_km.or(told.mileage_km),
            Content::Closed { .. } => told.closed_unix_ms = Some(entry.time_unix_ms),
            Content::Reopened { .. } => told.closed_unix_ms = None,
            _ => {}
        }
    }
    let differs = [
        ("complaint", told.complaint != case.complaint),
        ("conditions", told.conditions != case.conditions),
        ("odometer", told.mileage_km != case.mileage_km),
        ("opening", told.opened_unix_ms != case.opened_unix_ms),
        ("closing", told.closed_unix_ms != case.closed_unix_ms),
    ];
    let differing = differs.into_iter().filter(|(_, differs)| *differs);
    differing.map(|(what, _)| format!("the {what} of the case is not what its ledger says")).collect()
}

/// What of an entry may change the case at a glance: of a correction of the opening what it ought to have said.
fn changing(content: &Content) -> &Content {
    match content {
        Content::Correction { of: 1, content: Some(content), .. } => content,
        other => other,
    }
}

/// What an entry says of the vehicle, and of its odometer.
pub(crate) fn said_of_vehicle(content: &Content) -> Option<(&CaseVehicle, Option<u32>)> {
    match changing(content) {
        Content::Opened { vehicle, mileage_km, .. } | Content::Vehicle { vehicle, mileage_km } => {
            Some((vehicle, *mileage_km))
        }
        _ => None,
    }
}

/// Puts what is said in place of what is there; what is left open stays as it was.
pub(crate) fn take_over(there: &mut CaseVehicle, said: &CaseVehicle) {
    for (slot, said) in [
        (&mut there.vin, &said.vin),
        (&mut there.plate, &said.plate),
        (&mut there.model, &said.model),
        (&mut there.engine, &said.engine),
    ] {
        if said.is_some() {
            slot.clone_from(said);
        }
    }
}

/// The vehicle of a case became known better: the one with this VIN, else the one that the case has. The number in an entry
/// is not looked at: in a case from elsewhere it belongs to another casebook, and a correction may have none.
pub(crate) fn change_vehicle(sql: &mut dyn Sql, case: i64, content: &Content) -> Result<(), CasebookError> {
    let Some((vehicle, mileage_km)) = said_of_vehicle(content) else { return Ok(()) };
    let rows = sql.rows("SELECT vehicle FROM cases WHERE id = $1", &[case.into()])?;
    let number = rows.first().map_or(Err(CasebookError::NoCase(case)), |row| int(row, 0))?;
    let kept = keep_vehicle(sql, &CaseVehicle { number, ..vehicle.clone() })?;
    sql.run(
        "UPDATE cases SET vehicle = $1, mileage_km = COALESCE($2, mileage_km) WHERE id = $3",
        &[kept.number.into(), mileage_km.map(i64::from).into(), case.into()],
    )
}

/// The vehicle as it is kept: the one with this VIN, else the one with this number, else a new one. What the description
/// leaves open stays as it was.
pub(crate) fn keep_vehicle(sql: &mut dyn Sql, vehicle: &CaseVehicle) -> Result<CaseVehicle, CasebookError> {
    let mut kept = find_or_make(sql, vehicle)?;
    take_over(&mut kept, vehicle);
    write_vehicle(sql, &kept)?;
    Ok(kept)
}

/// The same for a description from elsewhere: it fills what is not known here and changes nothing else. Tells what differs,
/// one sentence each.
pub(crate) fn complete_vehicle(
    sql: &mut dyn Sql,
    vehicle: &CaseVehicle,
) -> Result<(CaseVehicle, Vec<String>), CasebookError> {
    let known = find_or_make(sql, vehicle)?;
    let mut kept = vehicle.clone();
    take_over(&mut kept, &known);
    kept.number = known.number;
    write_vehicle(sql, &kept)?;
    let both = [
        ("number plate", &known.plate, &vehicle.plate),
        ("model", &known.model, &vehicle.model),
        ("engine", &known.engine, &vehicle.engine),
    ];
    let differs = both.into_iter().filter_map(|(what, known, said)| match (known, said) {
        (Some(known), Some(said)) if known != said => {
            Some(format!("the {what} of the vehicle stays `{known}`, as it is known here; this case says `{said}`"))
        }
        _ => None,
    });
    Ok((kept, differs.collect()))
}

fn find_or_make(sql: &mut dyn Sql, vehicle: &CaseVehicle) -> Result<CaseVehicle, CasebookError> {
    let columns = "SELECT id, vin, plate, model, engine FROM vehicles WHERE";
    let mut found = Vec::new();
    if let Some(vin) = &vehicle.vin {
        found = sql.rows(&format!("{columns} vin = $1"), &[vin.as_str().into()])?;
    }
    if found.is_empty() && vehicle.number != 0 {
        found = sql.rows(&format!("{columns} id = $1"), &[vehicle.number.into()])?;
    }
    if let Some(row) = found.first() {
        return read_vehicle(row);
    }
    let rows = sql.rows("INSERT INTO vehicles (vin) VALUES ($1) RETURNING id", &[vehicle.vin.as_deref().into()])?;
    let number = rows.first().map_or(Ok(0), |row| int(row, 0))?;
    Ok(CaseVehicle { number, vin: vehicle.vin.clone(), ..CaseVehicle::default() })
}

fn write_vehicle(sql: &mut dyn Sql, vehicle: &CaseVehicle) -> Result<(), CasebookError> {
    sql.run(
        "UPDATE vehicles SET vin = $1, plate = $2, model = $3, engine = $4 WHERE id = $5",
        &[
            vehicle.vin.as_deref().into(),
            vehicle.plate.as_deref().into(),
            vehicle.model.as_deref().into(),
            vehicle.engine.as_deref().into(),
            vehicle.number.into(),
        ],
    )
}

pub(crate) fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_millis()).unwrap_or(0)
}

/// 128 random bits as 32 hex digits. The standard library's hasher is keyed with random bits of the system.
pub(crate) fn random_uid() -> String {
    let half = || {
        let mut hasher = RandomState::new().build_hasher();
        hasher.write_i64(now_ms());
        hasher.write_u32(std::process::id());
        hasher.finish()
    };
    format!("{:016x}{:016x}", half(), half())
}
