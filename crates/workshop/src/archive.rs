//! A case as one file that another shop can open: a zip of JSON, the ledger as it is, and its files.
//!
//! `case.json` says what is in it, `ledger.jsonl` holds one entry per line with its content exactly as it is hashed, and
//! `files/` the drives, surveys and photos under their checksums. On import nothing in it is believed: names are made
//! from checksums, sizes are capped, the hash chain and every file are verified.

use std::fs::File;
use std::io::{BufRead, BufReader, Read, Write};
use std::path::Path;

use casebook::RawEntry;
use definition::packed::{MAX_MEMBERS, Metered, open};
use serde::{Deserialize, Serialize};
use wire::{Case, CaseMoved};
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, ZipArchive, ZipWriter};

use crate::cases::{file_of, is_checksum};
use crate::places::RESERVE;
use crate::{Workshop, WorkshopError};

/// A zip from elsewhere.
type Zip = ZipArchive<Metered<BufReader<File>>>;

/// Most bytes that a case may unpack to: some hundred hours of drives.
const MAX_BYTES: u64 = 16 << 30;
/// Most bytes of the ledger.
const MAX_LEDGER: u64 = 256 << 20;
/// Most times its packed size that a member may have; what a case holds shrinks to a twentieth at most, and a member made
/// to fill the disk to a thousandth.
const MAX_RATIO: u64 = 200;
/// Up to this size nobody asks, bytes.
const SMALL: u64 = 1 << 20;
/// Version of this form.
const FORMAT: u32 = 1;

/// `case.json`.
#[derive(Serialize, Deserialize)]
struct Manifest {
    format: u32,
    uid: String,
    /// Hash of the last entry.
    head: String,
    /// For people; what counts is in the ledger.
    #[serde(default)]
    complaint: String,
    #[serde(default)]
    software: String,
}

/// A line of `ledger.jsonl`.
#[derive(Serialize, Deserialize)]
struct Line {
    number: u64,
    time_unix_ms: i64,
    who: String,
    software: String,
    hash: String,
    content: Box<serde_json::value::RawValue>,
}

impl Workshop {
    /// Writes the chosen case into a new zip. A file that is gone or was changed is left out and told.
    ///
    /// # Errors
    /// [`WorkshopError::Kept`] when the zip exists already, [`WorkshopError::Write`], [`WorkshopError::NoOpenCase`],
    /// [`WorkshopError::Casebook`].
    pub fn export_case(&self, to: &Path) -> Result<CaseMoved, WorkshopError> {
        let mut casebook = self.casebook()?;
        let number = self.chosen_case(&mut casebook)?.number;
        // Of one moment: a recording that ends meanwhile must not make it a case that cannot be taken in.
        let (case, entries) = casebook.raw_case(number)?;
        let file = File::create_new(to).map_err(WorkshopError::write_new(to))?;
        let written = self.write_zip(file, &case, &entries).map_err(WorkshopError::write(to));
        if written.is_err() {
            let _ = std::fs::remove_file(to);
        }
        let (n_files, problems) = written?;
        Ok(CaseMoved { case: Some(case), file: to.display().to_string(), n_files, problems, ..CaseMoved::default() })
    }

    /// How large the zip of the chosen case becomes, bytes: no larger than its ledger and the files of it that are here.
    ///
    /// # Errors
    /// [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn size_of_case(&self) -> Result<u64, WorkshopError> {
        let mut casebook = self.casebook()?;
        let case = self.chosen_case(&mut casebook)?;
        let (mut done, mut n_bytes) = (std::collections::BTreeSet::new(), 0);
        for entry in casebook.raw_entries(case.number)? {
            n_bytes += entry.content.len() as u64;
            let entry = entry.read();
            if let Some(file) = file_of(&entry.content).filter(|file| done.insert(file.sha256.clone())) {
                n_bytes += self.path_of(&case.uid, file).metadata().map_or(0, |about| about.len());
            }
        }
        Ok(n_bytes)
    }

    fn write_zip(&self, file: File, case: &Case, entries: &[RawEntry]) -> std::io::Result<(usize, Vec<String>)> {
        let packed = SimpleFileOptions::default().compression_method(CompressionMethod::Deflated);
        // Drives are packed already.
        let stored = SimpleFileOptions::default().compression_method(CompressionMethod::Stored).large_file(true);
        let mut zip = ZipWriter::new(file);
        zip.start_file("case.json", packed)?;
        serde_json::to_writer_pretty(
            &mut zip,
            &Manifest {
                format: FORMAT,
                uid: case.uid.clone(),
                head: case.head.clone(),
                complaint: case.complaint.clone(),
                software: self.software.clone(),
            },
        )?;
        zip.start_file("ledger.jsonl", packed)?;
        for entry in entries {
            let line = Line {
                number: entry.number,
                time_unix_ms: entry.time_unix_ms,
                who: entry.who.clone(),
                software: entry.software.clone(),
                hash: entry.hash.clone(),
                content: serde_json::value::RawValue::from_string(entry.content.clone())?,
            };
            serde_json::to_writer(&mut zip, &line)?;
            zip.write_all(b"\n")?;
        }
        let (mut done, mut problems) = (std::collections::BTreeSet::new(), Vec::new());
        for entry in entries.iter().cloned().map(RawEntry::read) {
            let Some(wanted) = file_of(&entry.content).filter(|file| done.insert(file.sha256.clone())) else {
                continue;
            };
            let path = self.path_of(&case.uid, wanted);
            let problem = match casebook::sha256_of_file(&path, "") {
                Ok(found) if found.sha256 == wanted.sha256 => {
                    zip.start_file(format!("files/{}", wanted.sha256), stored)?;
                    std::io::copy(&mut File::open(&path)?, &mut zip)?;
                    continue;
                }
                Ok(_) => "it was changed after it was recorded".to_owned(),
                Err(error) => error.to_string(),
            };
            done.remove(&wanted.sha256);
            problems.push(format!("`{}` is left out: {problem}", path.display()));
        }
        zip.finish()?.sync_all()?;
        Ok((done.len(), problems))
    }

    /// Takes in a case from a zip, with its files. Of a case that is here already, as on a bench that shares its casebook
    /// with the one that recorded, only the files are taken that are lacking here.
    ///
    /// # Errors
    /// [`WorkshopError::Archive`] when it is no such zip, too large, or its ledger does not hold;
    /// [`WorkshopError::Casebook`] when the case is here already. A damaged or missing file is told, not an error.
    pub fn import_case(&self, from: &Path) -> Result<CaseMoved, WorkshopError> {
        let bad = |problem: &str| WorkshopError::Archive { path: from.to_owned(), problem: problem.to_owned() };
        let file = File::open(from).map_err(WorkshopError::read(from))?;
        let mut zip = open(BufReader::new(file)).map_err(|error| bad(&error.to_string()))?;
        if zip.len() > MAX_MEMBERS {
            return Err(bad("it has too many members"));
        }
        let manifest: Manifest = {
            let member = member(&mut zip, "case.json", SMALL).map_err(|problem| bad(&problem))?;
            serde_json::from_reader(member).map_err(|error| bad(&format!("case.json: {error}")))?
        };
        if manifest.format != FORMAT {
            return Err(bad(&format!("it has format {}, this program knows {FORMAT}", manifest.format)));
        }
        let entries = {
            let member = member(&mut zip, "ledger.jsonl", MAX_LEDGER).map_err(|problem| bad(&problem))?;
            let mut entries = Vec::new();
            for line in BufReader::new(member).lines() {
                let number = entries.len() + 1;
                let line = line.map_err(|error| bad(&format!("ledger.jsonl, line {number}: {error}")))?;
                let line: Line = serde_json::from_str(&line)
                    .map_err(|error| bad(&format!("ledger.jsonl, line {number}: {error}")))?;
                entries.push(RawEntry {
                    number: line.number,
                    time_unix_ms: line.time_unix_ms,
                    who: line.who,
                    software: line.software,
                    content: line.content.get().to_owned(),
                    hash: line.hash,
                });
            }
            entries
        };
        if entries.last().is_none_or(|last| last.hash != manifest.head) {
            return Err(bad("its ledger is not whole: the last entry is not the one that case.json names"));
        }
        // The case first: what is wrong with it must not leave files behind.
        let (case, notes, is_known) = match self.casebook()?.adopt(&manifest.uid, &entries) {
            Ok((case, differs)) => {
                self.mark_foreign(&case.uid)?;
                (case, differs, false)
            }
            Err(casebook::CasebookError::Known(number)) => (self.casebook()?.summary(number)?, Vec::new(), true),
            Err(error) => return Err(error.into()),
        };
        // What this casebook says of the case counts, not what the zip says.
        let entries = if is_known { self.casebook()?.raw_entries(case.number)? } else { entries };
        let (mut n_files, mut problems, mut left) = (0, Vec::new(), MAX_BYTES);
        let mut done = std::collections::BTreeSet::new();
        for entry in entries.into_iter().map(RawEntry::read) {
            let Some(wanted) = file_of(&entry.content) else { continue };
            if !done.insert(wanted.sha256.clone()) || (is_known && self.path_of(&case.uid, wanted).exists()) {
                continue;
            }
            match self.unpack(&mut zip, &case.uid, wanted, &mut left) {
                Ok(()) => n_files += 1,
                Err(problem) => problems.push(format!("`{}` did not come with it: {problem}", wanted.path)),
            }
        }
        if is_known && n_files == 0 {
            return Err(casebook::CasebookError::Known(case.number).into());
        }
        Ok(CaseMoved { case: Some(case), file: from.display().to_string(), n_files, notes, problems })
    }

    fn unpack(&self, zip: &mut Zip, uid: &str, wanted: &wire::FileRef, left: &mut u64) -> Result<(), String> {
        if !is_checksum(&wanted.sha256) {
            return Err("its checksum is none".to_owned());
        }
        if wanted.bytes > *left {
            return Err(format!("the case would unpack to more than {} GB", MAX_BYTES >> 30));
        }
        if self.places.disk_left().is_some_and(|room| room < wanted.bytes.saturating_add(RESERVE)) {
            return Err("the disk has no room for it".to_owned());
        }
        *left -= wanted.bytes;
        // One byte more than it should have, so that a longer one is seen to be longer.
        let mut member = member(zip, &format!("files/{}", wanted.sha256), wanted.bytes + 1)?;
        let to = self.new_kept_path(uid, &wanted.sha256, Path::new(&wanted.path)).map_err(|error| error.to_string())?;
        let draft = to.with_extension("part");
        let unpacked =
            File::create(&draft).and_then(|mut file| std::io::copy(&mut member, &mut file).and(file.sync_all()));
        let kept = unpacked.and_then(|()| casebook::sha256_of_file(&draft, "")).map_err(|error| error.to_string());
        let kept = match kept {
            Ok(found) if found.sha256 == wanted.sha256 => {
                std::fs::rename(&draft, &to).map_err(|error| error.to_string())
            }
            Ok(_) => Err("it is damaged".to_owned()),
            Err(error) => Err(error),
        };
        if kept.is_err() {
            let _ = std::fs::remove_file(&draft);
        }
        kept
    }

    /// Writes a copy of the whole casebook into a new file, while others go on working with it. Drives, surveys and
    /// photos are not in it.
    ///
    /// # Errors
    /// [`WorkshopError::Casebook`].
    pub fn back_up(&self, to: &Path) -> Result<CaseMoved, WorkshopError> {
        self.casebook()?.back_up(to)?;
        Ok(CaseMoved { file: to.display().to_string(), ..CaseMoved::default() })
    }
}

/// What a member unpacks to, at most `most` bytes of it, whatever the zip says of its size.
fn member<'z>(zip: &'z mut Zip, name: &str, most: u64) -> Result<impl Read + 'z, String> {
    let member = zip.by_name(name).map_err(|error| format!("{name}: {error}"))?;
    let believable = member.compressed_size().saturating_mul(MAX_RATIO).max(SMALL);
    if member.size() > believable {
        return Err(format!("{name}: it would unpack to more than {MAX_RATIO} times its size"));
    }
    Ok(member.take(most.min(believable)))
}
