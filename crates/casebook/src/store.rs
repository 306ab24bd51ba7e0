//! The casebook itself.

use std::path::Path;

use wire::{Case, CaseFile, CaseVehicle, Conditions, Content, Entry};

use crate::CasebookError;
use crate::chain::{START, verify};
use crate::db::{Db, Sql, Sqlite};
use crate::rows::{int, read_case, read_entry, read_vehicle};
use crate::search::words;
use crate::writing::{
    Head, beside_ledger, change_case, change_vehicle, complete_vehicle, insert_case, insert_entry, insert_raw, now_ms,
    open_case, said_of_vehicle, take_over,
};

/// In whose name an entry is made.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Author {
    /// The person.
    pub who: String,
    /// Program and version.
    pub software: String,
}

/// A case that is to be opened.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct NewCase {
    /// The vehicle: one of the casebook by its number, or one described here. One with a VIN that is known already is that
    /// vehicle.
    pub vehicle: CaseVehicle,
    /// The complaint in the customer's words.
    pub complaint: String,
    /// When it shows.
    pub conditions: Conditions,
    /// Odometer, km.
    pub mileage_km: Option<u32>,
}

/// An entry as it is stored; its hash covers `content` to the byte.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct RawEntry {
    /// Its number in the ledger, from 1.
    pub number: u64,
    /// When it was made, ms since 1970-01-01 UTC.
    pub time_unix_ms: i64,
    /// Who made it.
    pub who: String,
    /// Program and version that made it.
    pub software: String,
    /// JSON of a [`Content`].
    pub content: String,
    /// SHA-256 in hex.
    pub hash: String,
}

impl RawEntry {
    /// The entry with its content read; one of a kind that only a later version knows becomes a note that says so.
    #[must_use]
    pub fn read(self) -> Entry {
        let content = serde_json::from_str(&self.content).unwrap_or_else(|error| Content::Note {
            text: format!("an entry that this version cannot read ({error}): {}", self.content),
        });
        Entry {
            number: self.number,
            time_unix_ms: self.time_unix_ms,
            who: self.who,
            software: self.software,
            content,
            hash: self.hash,
        }
    }
}

/// Vehicles, cases and ledgers, in one place.
pub struct Casebook {
    db: Box<dyn Db>,
}

fn summary(sql: &mut dyn Sql, case: i64) -> Result<Case, CasebookError> {
    let rows = sql.rows(&format!("{CASE} WHERE c.id = $1"), &[case.into()])?;
    rows.first().map_or(Err(CasebookError::NoCase(case)), read_case)
}

fn raw_entries(sql: &mut dyn Sql, case: i64) -> Result<Vec<RawEntry>, CasebookError> {
    let query = "SELECT number, time_ms, who, software, content, hash FROM entries WHERE case_id = $1 ORDER BY number";
    sql.rows(query, &[case.into()])?.into_iter().map(read_entry).collect()
}

const CASE: &str = "SELECT c.id, c.uid, v.id, v.vin, v.plate, v.model, v.engine, c.complaint, c.conditions, \
    c.mileage_km, c.opened_ms, c.closed_ms, c.n_entries, c.head FROM cases c JOIN vehicles v ON v.id = c.vehicle";

impl Casebook {
    /// Opens the casebook at a path, or on a server when the address begins with `postgres://` or `postgresql://`.
    ///
    /// # Errors
    /// [`CasebookError`]: the file is damaged or cannot be opened, the server does not answer, the format is newer.
    pub fn open(address: &str) -> Result<Self, CasebookError> {
        if address.starts_with("postgres://") || address.starts_with("postgresql://") {
            #[cfg(feature = "postgres")]
            return Ok(Self { db: Box::new(crate::db::Server::open(address)?) });
            #[cfg(not(feature = "postgres"))]
            return Err(CasebookError::NoServer);
        }
        Self::open_file(Path::new(address))
    }

    /// Opens or makes a casebook in a file.
    ///
    /// # Errors
    /// As [`Casebook::open`].
    pub fn open_file(path: &Path) -> Result<Self, CasebookError> {
        Ok(Self { db: Box::new(Sqlite::open(path)?) })
    }

    /// Opens a case; its first entry holds what is known now.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn open_case(&mut self, author: &Author, new: &NewCase) -> Result<Case, CasebookError> {
        let mut number = 0;
        self.db.transaction(&mut |sql| {
            number = open_case(sql, author, new)?;
            Ok(())
        })?;
        self.summary(number)
    }

    /// Opens many cases at once, or none.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn open_cases(&mut self, author: &Author, cases: &[NewCase]) -> Result<(), CasebookError> {
        self.db.transaction(&mut |sql| cases.iter().try_for_each(|new| open_case(sql, author, new).map(|_| ())))
    }

    /// Adds an entry to a case. Others may add to the same case at the same moment: each entry gets its place, none is
    /// lost.
    ///
    /// # Errors
    /// [`CasebookError::NoCase`]; [`CasebookError::Closed`], except for notes, corrections and opening it again;
    /// [`CasebookError::NoEntry`] for a correction of what is not there.
    pub fn append(&mut self, author: &Author, case: i64, content: &Content) -> Result<Entry, CasebookError> {
        let entries = self.append_all(author, case, std::slice::from_ref(content))?;
        entries.into_iter().next().ok_or(CasebookError::NoCase(case))
    }

    /// Adds several entries that follow each other, or none of them.
    ///
    /// # Errors
    /// As [`Casebook::append`].
    pub fn append_all(
        &mut self,
        author: &Author,
        case: i64,
        contents: &[Content],
    ) -> Result<Vec<Entry>, CasebookError> {
        let for_update = self.db.dialect().for_update();
        let mut made = Vec::new();
        self.db.transaction(&mut |sql| {
            made.clear();
            let mut head = Head::of(sql, case, for_update)?;
            for content in contents {
                head.check(case, content)?;
                // Under the lock, so that times run along a ledger that several write to as far as their clocks do.
                let entry = insert_entry(sql, case, &head, author, now_ms(), content)?;
                change_case(sql, case, &entry)?;
                change_vehicle(sql, case, &entry.content)?;
                head.follow(&entry);
                made.push(entry);
            }
            Ok(())
        })?;
        Ok(made)
    }

    /// A case at a glance.
    ///
    /// # Errors
    /// [`CasebookError::NoCase`].
    pub fn summary(&mut self, case: i64) -> Result<Case, CasebookError> {
        summary(&mut *self.db, case)
    }

    /// The case with this identity, if it is here.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn by_uid(&mut self, uid: &str) -> Result<Option<Case>, CasebookError> {
        let rows = self.db.rows(&format!("{CASE} WHERE c.uid = $1"), &[uid.into()])?;
        rows.first().map(read_case).transpose()
    }

    /// A case with its whole ledger.
    ///
    /// # Errors
    /// [`CasebookError::NoCase`].
    pub fn case(&mut self, case: i64) -> Result<CaseFile, CasebookError> {
        let summary = self.summary(case)?;
        let entries = self.raw_entries(case)?.into_iter().map(RawEntry::read).collect();
        Ok(CaseFile { case: summary, entries })
    }

    /// A ledger as it is stored.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn raw_entries(&mut self, case: i64) -> Result<Vec<RawEntry>, CasebookError> {
        raw_entries(&mut *self.db, case)
    }

    /// A case with its ledger as it is stored, both of one moment: others may write to it meanwhile.
    ///
    /// # Errors
    /// [`CasebookError::NoCase`].
    pub fn raw_case(&mut self, case: i64) -> Result<(Case, Vec<RawEntry>), CasebookError> {
        let for_update = self.db.dialect().for_update();
        let mut found = None;
        self.db.transaction(&mut |sql| {
            // Whoever adds an entry takes the row of the case first.
            Head::of(sql, case, for_update)?;
            found = Some((summary(sql, case)?, raw_entries(sql, case)?));
            Ok(())
        })?;
        found.ok_or(CasebookError::NoCase(case))
    }

    /// The newest cases.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn list(&mut self, limit: usize) -> Result<Vec<Case>, CasebookError> {
        let limit = i64::try_from(limit).unwrap_or(i64::MAX);
        let rows = self.db.rows(&format!("{CASE} ORDER BY c.id DESC LIMIT $1"), &[limit.into()])?;
        rows.iter().map(read_case).collect()
    }

    /// The newest cases that hold every one of the words, each as a whole word or the beginning of one: complaint, codes,
    /// parts, notes, vehicle.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn search(&mut self, text: &str, limit: usize) -> Result<Vec<Case>, CasebookError> {
        let mut found: Option<Vec<i64>> = None;
        for word in words(text) {
            // Every word that begins with it stands before the word followed by the last character there is.
            let end = format!("{word}\u{10FFFF}");
            let sql = "SELECT case_id FROM terms WHERE term >= $1 AND term < $2";
            let rows = self.db.rows(sql, &[word.as_str().into(), end.as_str().into()])?;
            let mut cases = rows.iter().map(|row| int(row, 0)).collect::<Result<Vec<_>, _>>()?;
            cases.sort_unstable();
            cases.dedup();
            if let Some(before) = &found {
                cases.retain(|case| before.binary_search(case).is_ok());
            }
            found = Some(cases);
        }
        let Some(found) = found else { return self.list(limit) };
        found.iter().rev().take(limit).map(|case| self.summary(*case)).collect()
    }

    /// All cases of a vehicle, the newest first.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn cases_of_vehicle(&mut self, vehicle: i64) -> Result<Vec<Case>, CasebookError> {
        let rows = self.db.rows(&format!("{CASE} WHERE c.vehicle = $1 ORDER BY c.id DESC"), &[vehicle.into()])?;
        rows.iter().map(read_case).collect()
    }

    /// The vehicle with this number plate, if there is one.
    ///
    /// # Errors
    /// [`CasebookError`].
    pub fn vehicle_by_plate(&mut self, plate: &str) -> Result<Option<CaseVehicle>, CasebookError> {
        let sql = "SELECT id, vin, plate, model, engine FROM vehicles WHERE plate = $1 ORDER BY id DESC LIMIT 1";
        let rows = self.db.rows(sql, &[plate.into()])?;
        rows.first().map(|row| read_vehicle(row)).transpose()
    }

    /// What speaks against a case's ledger; empty when nothing does.
    ///
    /// # Errors
    /// [`CasebookError::NoCase`].
    pub fn verify(&mut self, case: i64) -> Result<Vec<String>, CasebookError> {
        let (summary, entries) = self.raw_case(case)?;
        let mut problems = verify(&summary.uid, &entries);
        if !problems.is_empty() {
            return Ok(problems);
        }
        let n = entries.len() as u64;
        if n != summary.n_entries {
            problems.push(format!("the case knows of {} entries and its ledger holds {n}", summary.n_entries));
        } else if entries.last().map_or(START, |entry| &entry.hash) != summary.head {
            problems.push(format!("entry {n} is not the last one that the case knows of"));
        }
        problems.extend(beside_ledger(&summary, &entries));
        Ok(problems)
    }

    /// Takes in a case from elsewhere with its ledger as it is. What is known here of its vehicle stays; where its ledger says
    /// otherwise is told with it, one sentence each.
    ///
    /// # Errors
    /// [`CasebookError::Known`]; [`CasebookError::Unsound`] when its hash chain does not hold or it does not begin with
    /// the opening of a case.
    pub fn adopt(&mut self, uid: &str, entries: &[RawEntry]) -> Result<(Case, Vec<String>), CasebookError> {
        if uid.len() != 32 || !uid.bytes().all(|byte| byte.is_ascii_hexdigit()) {
            return Err(CasebookError::Unsound("its identity is not 32 hex digits".to_owned()));
        }
        if let Some(known) = self.by_uid(uid)? {
            return Err(CasebookError::Known(known.number));
        }
        if let Some(problem) = verify(uid, entries).into_iter().next() {
            return Err(CasebookError::Unsound(problem));
        }
        let read: Vec<Entry> = entries.iter().cloned().map(RawEntry::read).collect();
        let Some(Content::Opened { complaint, conditions, .. }) = read.first().map(|entry| entry.content.clone())
        else {
            return Err(CasebookError::Unsound("it does not begin with the opening of a case".to_owned()));
        };
        // What its whole ledger says of the vehicle; numbers of vehicles belong to the casebook that they come from.
        let mut new = NewCase { complaint, conditions, ..NewCase::default() };
        for (vehicle, mileage_km) in read.iter().filter_map(|entry| said_of_vehicle(&entry.content)) {
            take_over(&mut new.vehicle, vehicle);
            new.mileage_km = mileage_km.or(new.mileage_km);
        }
        let (mut number, mut differs) = (0, Vec::new());
        self.db.transaction(&mut |sql| {
            let vehicle;
            (vehicle, differs) = complete_vehicle(sql, &new.vehicle)?;
            number = insert_case(sql, uid, vehicle.number, &new, read.first().map_or(0, |entry| entry.time_unix_ms))?;
            for (raw, entry) in entries.iter().zip(&read) {
                insert_raw(sql, number, raw, &entry.content)?;
                change_case(sql, number, entry)?;
            }
            Ok(())
        })?;
        Ok((self.summary(number)?, differs))
    }

    /// Writes a copy of the whole casebook into a new file, while others go on working with it, and checks the copy. A
    /// casebook on a server becomes one in a file.
    ///
    /// # Errors
    /// [`CasebookError::Io`] when the file exists already or cannot be written.
    pub fn back_up(&mut self, to: &Path) -> Result<(), CasebookError> {
        let io = |doing| move |source| CasebookError::Io { doing, path: to.to_owned(), source };
        if to.exists() {
            return Err(io("will not replace")(std::io::ErrorKind::AlreadyExists.into()));
        }
        if to.parent().is_some_and(|folder| !folder.as_os_str().is_empty() && !folder.is_dir()) {
            return Err(io("cannot write")(std::io::ErrorKind::NotFound.into()));
        }
        let draft = to.with_extension("part");
        let _ = std::fs::remove_file(&draft);
        let made = self.db.copy_into(&draft).and_then(|()| Sqlite::open(&draft)?.check());
        let named = made.and_then(|()| {
            for leftover in ["-wal", "-shm"] {
                let _ = std::fs::remove_file(format!("{}{leftover}", draft.display()));
            }
            let synced = std::fs::File::open(&draft).and_then(|file| file.sync_all());
            synced.and_then(|()| std::fs::rename(&draft, to)).map_err(io("cannot write"))
        });
        if named.is_err() {
            let _ = std::fs::remove_file(&draft);
        }
        named
    }
}
