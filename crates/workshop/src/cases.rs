//! Everything that is done belongs to a case: the open one, the one that was named, or a new one.

use std::path::{Path, PathBuf};

use casebook::{Author, Casebook, CasebookError, NewCase, effective, placements, sha256_of_file};
use drive::{Overwrite, write_file};
use wire::{Case, CaseEntry, CaseFile, CaseRef, CaseShown, CaseVehicle, Content, FileRef, Placement};

use crate::places::make_folder;
use crate::suspects::in_words;
use crate::{Workshop, WorkshopError};

/// Name of the file in the data folder that holds the identity of the open case. The open case belongs to the bench, not
/// to the casebook: two benches that share one casebook work on different cars.
const OPEN_CASE: &str = "open-case.txt";
/// Name of the casebook in the data folder.
const CASEBOOK: &str = "casebook.sqlite";

/// The case that things are done in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum CaseChoice {
    /// The open case; without one, a new one is opened.
    #[default]
    Open,
    /// The one with this number.
    Number(i64),
    /// None: nothing is written into the casebook.
    None,
}

impl Workshop {
    /// The same workshop, working in another case.
    #[must_use]
    pub fn in_case(mut self, choice: CaseChoice) -> Self {
        self.choice = choice;
        self
    }

    /// The same workshop for something that takes its time: what comes of it belongs to the case that is open now, as long
    /// as the car may be its own, also when somebody opens another one before it is done.
    #[must_use]
    pub fn from_now_on(mut self) -> Self {
        self.began_in = Some(self.uid_of_open_case());
        self
    }

    /// The same workshop, in somebody's name.
    #[must_use]
    pub fn by(mut self, who: &str) -> Self {
        who.clone_into(&mut self.who);
        self
    }

    /// The same workshop with its casebook elsewhere: a path, or the URL of a PostgreSQL server.
    #[must_use]
    pub fn with_casebook(mut self, address: &str) -> Self {
        self.casebook = Some(address.to_owned());
        self
    }

    /// Opens the casebook.
    ///
    /// # Errors
    /// [`WorkshopError::Casebook`].
    pub fn casebook(&self) -> Result<Casebook, WorkshopError> {
        Ok(match &self.casebook {
            Some(address) => Casebook::open(address)?,
            None => Casebook::open_file(&self.places.folder().join(CASEBOOK))?,
        })
    }

    /// How large the casebook is, bytes; 0 for one on a server, which does not tell.
    #[must_use]
    pub fn size_of_casebook(&self) -> u64 {
        let usual = || self.places.folder().join(CASEBOOK);
        let file = self.casebook.as_ref().map_or_else(usual, PathBuf::from);
        file.metadata().map_or(0, |about| about.len())
    }

    pub(crate) fn author(&self) -> Author {
        Author { who: self.who.clone(), software: self.software.clone() }
    }

    /// The newest cases that hold every one of the words, and the open one.
    ///
    /// # Errors
    /// [`WorkshopError::Casebook`].
    pub fn find_cases(&self, text: &str, limit: usize) -> Result<wire::Cases, WorkshopError> {
        let mut casebook = self.casebook()?;
        let cases = casebook.search(text, limit)?;
        Ok(wire::Cases { cases, open: self.open_case(&mut casebook)?.map(|case| case.number) })
    }

    /// Makes the chosen case the open one of this bench.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`], [`WorkshopError::Write`].
    pub fn take_up_case(&self) -> Result<Case, WorkshopError> {
        let case = self.chosen_case(&mut self.casebook()?)?;
        if case.closed_unix_ms.is_some() {
            return Err(CasebookError::Closed(case.number).into());
        }
        self.set_open_case(Some(&case))?;
        Ok(case)
    }

    /// The open case of this bench, if there is one and it is not closed.
    ///
    /// # Errors
    /// [`WorkshopError::Casebook`].
    pub fn open_case(&self, casebook: &mut Casebook) -> Result<Option<Case>, WorkshopError> {
        let case = casebook.by_uid(&self.uid_of_open_case())?;
        Ok(case.filter(|case| case.closed_unix_ms.is_none()))
    }

    fn uid_of_open_case(&self) -> String {
        std::fs::read_to_string(self.places.folder().join(OPEN_CASE)).unwrap_or_default().trim().to_owned()
    }

    /// The case that what was done to the car with this VIN belongs to: the one that was open when it began or is open now,
    /// the one of that very car first. None of another car's.
    fn case_of_car(&self, casebook: &mut Casebook, vin: Option<&str>) -> Result<Option<Case>, WorkshopError> {
        let began_in = self.began_in.as_deref().map(|uid| casebook.by_uid(uid)).transpose()?.flatten();
        let began_in = began_in.filter(|case| case.closed_unix_ms.is_none());
        let cases: Vec<Case> = began_in.into_iter().chain(self.open_case(casebook)?).collect();
        let is_its_own = |case: &&Case| vin.is_some() && case.vehicle.vin.as_deref() == vin;
        let may_be = |case: &&Case| vin.is_none() || case.vehicle.vin.is_none();
        Ok(cases.iter().find(is_its_own).or_else(|| cases.iter().find(may_be)).cloned())
    }

    /// Makes a case the open one of this bench, or none.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::Write`].
    pub fn set_open_case(&self, case: Option<&Case>) -> Result<(), WorkshopError> {
        let path = self.places.folder().join(OPEN_CASE);
        match case {
            // Never half: whoever reads it meanwhile, or finds it after the disk was full, would see no open case.
            Some(case) => Ok(write_file(&path, Overwrite::WhenDone, |to| writeln!(to, "{}", case.uid))?),
            None => match std::fs::remove_file(&path) {
                Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
                    Err(WorkshopError::write(&path)(source))
                }
                _ => Ok(()),
            },
        }
    }

    /// Opens a new case and makes it the open one.
    ///
    /// # Errors
    /// [`WorkshopError::Casebook`], [`WorkshopError::Write`].
    pub fn new_case(&self, new: &NewCase) -> Result<CaseEntry, WorkshopError> {
        let mut casebook = self.casebook()?;
        let case = casebook.open_case(&self.author(), new)?;
        self.set_open_case(Some(&case))?;
        let entry = casebook.case(case.number)?.entries.into_iter().next().unwrap_or_default();
        Ok(CaseEntry { case, entry, placement: Placement::new() })
    }

    /// The case that was chosen, which must be there: the one that was named, or the open one.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn chosen_case(&self, casebook: &mut Casebook) -> Result<Case, WorkshopError> {
        match self.choice {
            CaseChoice::Number(number) => Ok(casebook.summary(number)?),
            CaseChoice::Open => self.open_case(casebook)?.ok_or(WorkshopError::NoOpenCase),
            CaseChoice::None => Err(WorkshopError::NoOpenCase),
        }
    }

    /// Adds an entry to the chosen case.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`]; [`WorkshopError::NotInModel`] for a test or a repair that
    /// the fault model does not know.
    pub fn add_entry(&self, content: &Content) -> Result<CaseEntry, WorkshopError> {
        expect_in_model(content)?;
        let mut casebook = self.casebook()?;
        let case = self.chosen_case(&mut casebook)?;
        let entry = casebook.append(&self.author(), case.number, content)?;
        if matches!(content, Content::Reopened { .. }) {
            self.set_open_case(Some(&case))?;
        }
        let file = casebook.case(case.number)?;
        Ok(CaseEntry { placement: current_placement(&file), case: file.case, entry })
    }

    /// Adds entries to the chosen case, all of them or none.
    ///
    /// # Errors
    /// As [`Workshop::add_entry`].
    pub fn add_entries(&self, contents: &[Content]) -> Result<(), WorkshopError> {
        contents.iter().try_for_each(expect_in_model)?;
        let mut casebook = self.casebook()?;
        let case = self.chosen_case(&mut casebook)?;
        casebook.append_all(&self.author(), case.number, contents)?;
        Ok(())
    }

    /// A case with its ledger and where its parts sit.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn show_case(&self) -> Result<CaseShown, WorkshopError> {
        let file = self.case_file()?;
        let placement = current_placement(&file);
        let words = file.entries.iter().filter_map(|entry| Some((entry.number, in_words(&entry.content)?))).collect();
        Ok(CaseShown { case: file.case, entries: file.entries, placement, words })
    }

    /// The chosen case with its ledger.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn case_file(&self) -> Result<CaseFile, WorkshopError> {
        let mut casebook = self.casebook()?;
        let case = self.chosen_case(&mut casebook)?;
        Ok(casebook.case(case.number)?)
    }

    /// Holds the ledger of the chosen case against its hash chain, and its files against their checksums.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn verify_case(&self) -> Result<wire::Verified, WorkshopError> {
        let mut casebook = self.casebook()?;
        let case = self.chosen_case(&mut casebook)?;
        let mut problems = casebook.verify(case.number)?;
        let mut n_files = 0;
        for entry in casebook.case(case.number)?.entries {
            let Some(file) = file_of(&entry.content) else { continue };
            n_files += 1;
            let path = self.path_of(&case.uid, file);
            match sha256_of_file(&path, "") {
                Ok(found) if found.sha256 == file.sha256 => {}
                Ok(_) => problems.push(format!("entry {}: `{}` was changed", entry.number, path.display())),
                Err(error) => problems.push(format!("entry {}: `{}`: {error}", entry.number, path.display())),
            }
        }
        Ok(wire::Verified { case, sound: problems.is_empty(), problems, n_files })
    }

    /// Writes what was done into the case that it belongs to, which is told; nothing when none was wanted.
    ///
    /// The open case is left alone when the car is not its own: somebody forgot to open another, and a new one is opened
    /// then.
    pub(crate) fn enter(&self, vin: Option<&str>, contents: &[Content]) -> Result<Option<CaseRef>, WorkshopError> {
        if self.choice == CaseChoice::None {
            return Ok(None);
        }
        let mut casebook = self.casebook()?;
        let known = match self.choice {
            CaseChoice::Number(number) => Some(casebook.summary(number)?),
            _ => self.case_of_car(&mut casebook, vin)?,
        };
        let is_new = known.is_none();
        let case = match known {
            Some(case) => case,
            None => {
                let vehicle = CaseVehicle { vin: vin.map(str::to_owned), ..CaseVehicle::default() };
                let case = casebook.open_case(&self.author(), &NewCase { vehicle, ..NewCase::default() })?;
                self.set_open_case(Some(&case))?;
                case
            }
        };
        let mut all = Vec::new();
        if let (None, Some(vin)) = (&case.vehicle.vin, vin) {
            let vehicle = CaseVehicle { vin: Some(vin.to_owned()), ..case.vehicle.clone() };
            all.push(Content::Vehicle { vehicle, mileage_km: None });
        }
        for content in contents {
            // A drive is one drive, however often it is examined.
            let is_known = match content {
                Content::Drive { file, .. } => holds_drive(&mut casebook, case.number, &file.sha256)?,
                _ => false,
            };
            if !is_known {
                all.push(content.clone());
            }
        }
        let entries = casebook.append_all(&self.author(), case.number, &all)?;
        // The entry that says what was done; marks of a drive follow it.
        let main = entries.iter().find(|entry| !matches!(entry.content, Content::Vehicle { .. }));
        let entry = main.map_or(case.n_entries, |entry| entry.number);
        Ok(Some(CaseRef { number: case.number, entry, is_new }))
    }

    /// As [`Workshop::enter`]; what cannot be written into the casebook becomes a problem, because what was done is done
    /// and its file is safe.
    pub(crate) fn enter_or_tell(
        &self,
        vin: Option<&str>,
        problems: &mut Vec<String>,
        contents: &[Content],
    ) -> Option<CaseRef> {
        self.enter(vin, contents).unwrap_or_else(|error| {
            problems.push(format!("not written into the casebook: {error}"));
            None
        })
    }

    /// A file by its checksum, named as the ledger names it.
    pub(crate) fn file_ref(&self, path: &Path) -> Result<FileRef, WorkshopError> {
        sha256_of_file(path, &self.name_of(path)).map_err(WorkshopError::read(path))
    }

    /// How the ledger names a file: below the data folder with `/`, else by its whole path.
    fn name_of(&self, path: &Path) -> String {
        let whole = |path: &Path| path.canonicalize().unwrap_or_else(|_| path.to_owned());
        let (path, home) = (whole(path), whole(self.places.folder()));
        match path.strip_prefix(&home) {
            Ok(below) => below.iter().map(|part| part.to_string_lossy()).collect::<Vec<_>>().join("/"),
            Err(_) => path.display().to_string(),
        }
    }

    /// Where a file of a case is: where its entry says, or in the folder of the case, where imported files are kept.
    ///
    /// The entries of a case from elsewhere name files of another computer, or what somebody hopes to find on this one:
    /// of such a case only what came with it is ever looked at.
    #[must_use]
    pub fn path_of(&self, uid: &str, file: &FileRef) -> PathBuf {
        if self.foreign_mark(uid).exists() {
            return self.kept_path(uid, &file.sha256, Path::new(&file.path));
        }
        let named = self.places.folder().join(&file.path);
        let is_it = named.metadata().is_ok_and(|metadata| metadata.len() == file.bytes);
        if is_it {
            return named;
        }
        let kept = self.kept_path(uid, &file.sha256, Path::new(&file.path));
        if kept.exists() { kept } else { named }
    }

    /// What people know a file of a case by: where it is, and of a case from elsewhere, whose files are kept under their
    /// checksums, the name that it had there.
    pub(crate) fn told_name(&self, uid: &str, file: &FileRef) -> String {
        if self.foreign_mark(uid).exists() {
            return file.path.rsplit(['/', '\\']).next().unwrap_or(&file.path).to_owned();
        }
        self.path_of(uid, file).display().to_string()
    }

    /// As [`Workshop::path_of`], for a file that must be here.
    pub(crate) fn file_here(&self, uid: &str, file: &FileRef, who: &str) -> Result<PathBuf, WorkshopError> {
        let path = self.path_of(uid, file);
        if path.exists() {
            return Ok(path);
        }
        Err(WorkshopError::Elsewhere { path: file.path.clone(), who: who.to_owned() })
    }

    fn case_folder(&self, uid: &str) -> PathBuf {
        self.places.folder().join("cases").join(uid)
    }

    /// The file whose presence tells that the ledger of a case was written elsewhere.
    fn foreign_mark(&self, uid: &str) -> PathBuf {
        self.case_folder(uid).join("from-elsewhere")
    }

    /// From now on nothing that the ledger of this case names is looked for outside its folder.
    pub(crate) fn mark_foreign(&self, uid: &str) -> Result<(), WorkshopError> {
        make_folder(&self.case_folder(uid))?;
        let mark = self.foreign_mark(uid);
        std::fs::write(&mark, "").map_err(WorkshopError::write(&mark))
    }

    fn kept_path(&self, uid: &str, sha256: &str, name: &Path) -> PathBuf {
        let folder = self.case_folder(uid).join("files");
        let sha256 = if is_checksum(sha256) { sha256 } else { "without-checksum" };
        let fits = |ending: &&str| ending.len() <= 8 && ending.bytes().all(|byte| byte.is_ascii_alphanumeric());
        match name.extension().and_then(|ending| ending.to_str()).filter(fits) {
            Some(ending) => folder.join(format!("{sha256}.{ending}")),
            None => folder.join(sha256),
        }
    }

    /// Where a file is to be kept in the folder of its case, under its checksum.
    pub(crate) fn new_kept_path(&self, uid: &str, sha256: &str, name: &Path) -> Result<PathBuf, WorkshopError> {
        let to = self.kept_path(uid, sha256, name);
        let folder = to.parent().unwrap_or(&to);
        make_folder(folder)?;
        Ok(to)
    }

    /// The case in whose ledger a drive with this content is, the newest of several.
    pub(crate) fn case_of_drive(&self, sha256: &str) -> Result<Option<i64>, WorkshopError> {
        if self.choice != CaseChoice::Open {
            return Ok(None);
        }
        let mut casebook = self.casebook()?;
        for case in casebook.search(sha256, usize::MAX)? {
            if holds_drive(&mut casebook, case.number, sha256)? {
                return Ok(Some(case.number));
            }
        }
        Ok(None)
    }
}

/// Whether a drive with this content is in the ledger of a case; one that was withdrawn is found there as well, but is not.
fn holds_drive(casebook: &mut Casebook, case: i64, sha256: &str) -> Result<bool, CasebookError> {
    let file = casebook.case(case)?;
    let is_it = |content: &Content| matches!(content, Content::Drive { file, .. } if file.sha256 == sha256);
    Ok(effective(&file.entries).into_iter().any(|(_, content)| is_it(content)))
}

/// Whether the fault model knows a test or a repair that is to be written down.
fn expect_in_model(content: &Content) -> Result<(), WorkshopError> {
    match content {
        Content::Tested { area, test: name, .. } | Content::Repaired { area, suspect: name, .. }
            if in_words(content).is_none() =>
        {
            Err(WorkshopError::NotInModel(format!("{area}/{name}")))
        }
        _ => Ok(()),
    }
}

/// Whether this is a SHA-256 in hex.
pub(crate) fn is_checksum(text: &str) -> bool {
    text.len() == 64 && text.bytes().all(|byte| byte.is_ascii_hexdigit())
}

/// That the case was opened by what is written into it.
#[must_use]
pub fn opened_in_words(case: &wire::CaseRef) -> String {
    format!("no case of this car was open: opened case {}", case.number)
}

/// The file that an entry is about.
#[must_use]
pub fn file_of(content: &Content) -> Option<&FileRef> {
    match content {
        Content::Survey { file, .. }
        | Content::Drive { file, .. }
        | Content::Photo { file, .. }
        | Content::Reference { file, .. } => Some(file),
        Content::Earlier { content, .. } => file_of(content),
        _ => None,
    }
}

/// Where the parts of a case sit now.
#[must_use]
pub fn current_placement(file: &CaseFile) -> Placement {
    placements(&effective(&file.entries)).pop().unwrap_or_default()
}

/// A case that cannot be found or written to is the user's doing, everything else the machine's.
pub(crate) fn is_input(error: &CasebookError) -> bool {
    matches!(
        error,
        CasebookError::NoCase(_)
            | CasebookError::NoEntry { .. }
            | CasebookError::Closed(_)
            | CasebookError::Known(_)
            | CasebookError::Unsound(_)
            | CasebookError::Newer { .. }
            | CasebookError::NoServer
            | CasebookError::Security(_)
    )
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::Places;

    #[test]
    fn the_open_case_is_never_none_while_another_is_taken_up() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let [first, second] = [0, 1].map(|_| workshop.new_case(&NewCase::default()).unwrap().case);
        let is_over = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let reading = scope.spawn(|| {
                while !is_over.load(std::sync::atomic::Ordering::Relaxed) {
                    assert!([&first.uid, &second.uid].contains(&&workshop.uid_of_open_case()));
                }
            });
            for case in [&first, &second].into_iter().cycle().take(500) {
                workshop.set_open_case(Some(case)).unwrap();
            }
            is_over.store(true, std::sync::atomic::Ordering::Relaxed);
            reading.join().unwrap();
        });
    }

    #[test]
    fn a_drive_that_was_withdrawn_can_be_brought_in_again() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let number = workshop.new_case(&NewCase::default()).unwrap().case.number;
        let file = FileRef { path: "drives/d.mcap".into(), sha256: "ab".repeat(32), bytes: 1 };
        let drive = Content::Drive { file: file.clone(), summary: wire::DriveSummary::default(), problems: Vec::new() };
        let held = || {
            let entries = workshop.case_file().unwrap().entries;
            let is_drive = |(_, content): &(_, &Content)| matches!(content, Content::Drive { .. });
            let n_held = effective(&entries).iter().filter(|entry| is_drive(entry)).count();
            (n_held, workshop.case_of_drive(&file.sha256).unwrap())
        };
        let bring_in_twice = || {
            for _ in 0..2 {
                workshop.enter(None, std::slice::from_ref(&drive)).unwrap();
            }
        };
        bring_in_twice();
        assert_eq!(held(), (1, Some(number)));
        let withdrawn = Content::Correction { of: 2, reason: "of another car".into(), content: None };
        workshop.add_entry(&withdrawn).unwrap();
        assert_eq!(held(), (0, None));
        bring_in_twice();
        assert_eq!(held(), (1, Some(number)));
    }

    #[test]
    fn what_began_in_a_case_stays_in_it_whatever_is_opened_meanwhile() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        let new = |vin: Option<&str>, plate: &str| {
            let vehicle =
                CaseVehicle { vin: vin.map(str::to_owned), plate: Some(plate.into()), ..CaseVehicle::default() };
            workshop.new_case(&NewCase { vehicle, ..NewCase::default() }).unwrap().case
        };
        let done = [Content::Note { text: "driven".into() }];
        let case_of = |at_work: &Workshop, vin: Option<&str>| at_work.enter(vin, &done).unwrap().unwrap().number;
        let (own, other) = (Some("1M8GDM9AXKP042788"), Some("11111111111111111"));
        // The next customer comes in while the car of the first is driven.
        let first = new(own, "TF 16");
        let driving = workshop.clone().from_now_on();
        let second = new(None, "EL 1");
        assert_eq!(case_of(&driving, own), first.number);
        assert_eq!(case_of(&driving, None), first.number, "a car that tells no VIN");
        let kept = workshop.casebook().unwrap().summary(second.number).unwrap();
        assert_eq!((kept.vehicle, kept.n_entries), (second.vehicle, 1));
        // The case of the car before was still open when this one was connected, and then its own is opened.
        assert_eq!(case_of(&driving, other), second.number);
        assert_eq!(case_of(&workshop, None), second.number);
    }
}
