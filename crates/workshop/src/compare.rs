//! Before and after: two surveys, two drives, and a drive beside those of healthy cars of the same model.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use casebook::effective;
use signal::Recording;
use wire::{
    CaseEntry, CodeCompared, Compared, Content, FileRef, FrameCompared, FreezeFrame, Module, StateCompared, Survey,
    SurveysCompared,
};

use crate::examine::open_drive;
use crate::survey::saved_survey;
use crate::{Lack, Workshop, WorkshopError, to_wire};

/// What is to be compared, in files; nothing at all means what the chosen case has.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CompareWish {
    /// Two saved surveys.
    pub surveys: Option<(PathBuf, PathBuf)>,
    /// Two drives.
    pub drives: Option<(PathBuf, PathBuf)>,
    /// A drive that is laid over healthy ones.
    pub over_reference: Option<PathBuf>,
    /// The model whose healthy drives are meant; by default that of the chosen case.
    pub model: Option<String>,
}

impl Workshop {
    /// Compares what is named; without a name the first and the last survey of the chosen case, its first and its last
    /// drive, and the last drive over the healthy ones of its model, as far as they are there.
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Survey`], [`WorkshopError::Drive`], [`WorkshopError::Elsewhere`],
    /// [`WorkshopError::Lacking`] when the case has nothing to compare, [`WorkshopError::NoModel`].
    pub fn compare(&self, wish: &CompareWish) -> Result<Compared, WorkshopError> {
        let mut compared = Compared::default();
        if *wish == CompareWish::default() {
            return self.compare_case();
        }
        if let Some((before, after)) = &wish.surveys {
            compared.surveys = Some(compare_surveys(&saved_survey(before)?, &saved_survey(after)?));
        }
        if let Some((before, after)) = &wish.drives {
            compare_drives(before, after, &mut compared)?;
        }
        if let Some(drive) = &wish.over_reference {
            let model = wish.model.clone().map_or_else(|| self.model_of_case(), Ok)?;
            self.lay_over(drive, &model, &mut compared)?;
        }
        Ok(compared)
    }

    fn compare_case(&self) -> Result<Compared, WorkshopError> {
        let file = self.case_file()?;
        let contents = effective(&file.entries);
        let surveys = contents.iter().filter_map(|(_, content)| match content {
            Content::Survey { survey, .. } => Some(survey),
            _ => None,
        });
        let surveys: Vec<_> = surveys.collect();
        let drives = contents.iter().filter_map(|(entry, content)| match content {
            Content::Drive { file: drive, .. } => Some((drive, entry.who.as_str())),
            _ => None,
        });
        let drives: Vec<(&FileRef, &str)> = drives.collect();
        let mut compared = Compared::default();
        if let [first, .., last] = surveys.as_slice() {
            compared.surveys = Some(compare_surveys(first, last));
        }
        let here = |(drive, who): &(&FileRef, &str)| self.file_here(&file.case.uid, drive, who);
        if let [first, .., last] = drives.as_slice() {
            compare_drives(&here(first)?, &here(last)?, &mut compared)?;
            let name = |(drive, _): &(&FileRef, &str)| self.told_name(&file.case.uid, drive);
            if let Some(drives) = &mut compared.drives {
                (drives.before, drives.after) = (name(first), name(last));
            }
        }
        if let (Some(last), Some(model)) = (drives.last(), &file.case.vehicle.model)
            && !self.references(model)?.is_empty()
        {
            self.lay_over(&here(last)?, model, &mut compared)?;
            if let Some(reference) = &mut compared.reference {
                reference.drive = self.told_name(&file.case.uid, last.0);
            }
        }
        if compared.surveys.is_none() && compared.drives.is_none() && compared.reference.is_none() {
            return Err(WorkshopError::Lacking { case: file.case.number, lacking: Lack::Pair });
        }
        Ok(compared)
    }

    /// Lays a drive over the healthy ones of a model; the drive itself is none of them.
    fn lay_over(&self, drive: &Path, model: &str, compared: &mut Compared) -> Result<(), WorkshopError> {
        let own = self.file_ref(drive)?;
        let own_recording = open(drive, &mut compared.problems)?;
        let (mut names, mut healthy) = (Vec::new(), Vec::new());
        for (uid, file, who) in self.references(model)?.into_iter().filter(|(_, file, _)| file.sha256 != own.sha256) {
            let opened = self.file_here(&uid, &file, &who).and_then(|path| {
                let recording = open(&path, &mut compared.problems)?;
                Ok((self.told_name(&uid, &file), recording))
            });
            match opened {
                Ok((name, recording)) => {
                    names.push(name);
                    healthy.push(recording);
                }
                Err(error) => compared.problems.push(error.to_string()),
            }
        }
        if healthy.is_empty() {
            return Err(WorkshopError::NoReference(model.to_owned()));
        }
        let found = evidence::compare::against_reference(&healthy.iter().collect::<Vec<_>>(), &own_recording);
        compared.reference = Some(to_wire::referred(&found, &drive.display().to_string(), model, names));
        Ok(())
    }

    /// Marks a drive as that of a healthy car, in the chosen case; later drives of the same model can be laid over it.
    ///
    /// # Errors
    /// [`WorkshopError::Drive`], [`WorkshopError::NoModel`], [`WorkshopError::NoOpenCase`], [`WorkshopError::Casebook`].
    pub fn mark_reference(&self, drive: &Path, model: Option<&str>, text: &str) -> Result<CaseEntry, WorkshopError> {
        open_drive(drive)?;
        let model = model.map_or_else(|| self.model_of_case(), |model| Ok(model.to_owned()))?;
        let file = self.file_ref(drive)?;
        self.add_entry(&Content::Reference { file, model, text: text.to_owned() })
    }

    fn model_of_case(&self) -> Result<String, WorkshopError> {
        self.case_file()?.case.vehicle.model.filter(|model| !model.trim().is_empty()).ok_or(WorkshopError::NoModel)
    }

    /// The healthy drives of a model over all cases, with the identity of their case and who marked them.
    fn references(&self, model: &str) -> Result<Vec<(String, FileRef, String)>, WorkshopError> {
        let mut casebook = self.casebook()?;
        let mut found: BTreeMap<String, (String, FileRef, String)> = BTreeMap::new();
        for case in casebook.search(casebook::REFERENCE_TERM, usize::MAX)? {
            let file = casebook.case(case.number)?;
            for (entry, content) in effective(&file.entries) {
                if let Content::Reference { file: drive, model: of, .. } = content
                    && is_same_model(of, model)
                {
                    let row = (case.uid.clone(), drive.clone(), entry.who.clone());
                    found.entry(drive.sha256.clone()).or_insert(row);
                }
            }
        }
        Ok(found.into_values().collect())
    }
}

fn compare_drives(before: &Path, after: &Path, compared: &mut Compared) -> Result<(), WorkshopError> {
    let (first, second) = (open(before, &mut compared.problems)?, open(after, &mut compared.problems)?);
    let found = evidence::compare::compare(&first, &second);
    let name = |path: &Path| path.display().to_string();
    compared.drives = Some(to_wire::compared(&found, &name(before), &name(after)));
    Ok(())
}

/// Whether two descriptions name the same model: the same words, however they are written.
fn is_same_model(a: &str, b: &str) -> bool {
    let words = |text: &str| text.to_lowercase().split_whitespace().map(str::to_owned).collect::<Vec<_>>();
    words(a) == words(b)
}

fn open(path: &Path, problems: &mut Vec<String>) -> Result<Recording, WorkshopError> {
    let (recording, lost) = open_drive(path)?;
    problems.extend(lost.into_iter().map(|problem| format!("{}: {problem}", path.display())));
    Ok(recording)
}

/// Compares two surveys: codes, readiness and freeze frames.
#[must_use]
pub fn compare_surveys(before: &Survey, after: &Survey) -> SurveysCompared {
    let addresses =
        |survey: &Survey| -> BTreeSet<String> { survey.modules.iter().map(|module| module.address.clone()).collect() };
    let (first, second) = (addresses(before), addresses(after));
    SurveysCompared {
        before: before.taken.clone(),
        after: after.taken.clone(),
        codes: codes(before, after),
        readiness: readiness(before, after),
        frames: frames(before, after),
        only_in_one: first.symmetric_difference(&second).cloned().collect(),
    }
}

/// The lists that each code of a survey is in, by module and code.
pub(crate) fn held(survey: &Survey) -> BTreeMap<(String, String), Vec<String>> {
    let each = survey.modules.iter().flat_map(|module| module.codes.iter().map(move |code| (module, code)));
    each.map(|(module, code)| ((module.address.clone(), code.code.clone()), code.kinds.clone())).collect()
}

/// Whether a survey has all of a module: what is not in it then is not in the module.
pub(crate) fn was_read(survey: &Survey, address: &str) -> bool {
    survey.modules.iter().any(|module| module.address == address && module.problems.is_empty())
}

fn codes(before: &Survey, after: &Survey) -> Vec<CodeCompared> {
    let (first, second) = (held(before), held(after));
    let keys: BTreeSet<_> = first.keys().chain(second.keys()).collect();
    let each = keys.into_iter().map(|key| CodeCompared {
        module: key.0.clone(),
        code: key.1.clone(),
        change: match (first.contains_key(key), second.contains_key(key)) {
            (true, true) => "still there",
            (true, false) if was_read(after, &key.0) => "gone",
            (false, true) if was_read(before, &key.0) => "new",
            _ => "not asked",
        }
        .to_owned(),
        before: first.get(key).cloned().unwrap_or_default(),
        after: second.get(key).cloned().unwrap_or_default(),
    });
    each.collect()
}

fn readiness(before: &Survey, after: &Survey) -> Vec<StateCompared> {
    let states = |survey: &Survey| -> BTreeMap<String, String> {
        survey.readiness.monitors.iter().map(|it| (it.name.clone(), it.state.clone())).collect()
    };
    let compared = side_by_side(&states(before), &states(after));
    compared.into_iter().filter(|it| it.before != it.after || it.after.as_deref() == Some("incomplete")).collect()
}

/// Everything that is in either, by name.
fn side_by_side(before: &BTreeMap<String, String>, after: &BTreeMap<String, String>) -> Vec<StateCompared> {
    let names: BTreeSet<&String> = before.keys().chain(after.keys()).collect();
    let each = names.into_iter().map(|name| StateCompared {
        name: name.clone(),
        before: before.get(name).cloned(),
        after: after.get(name).cloned(),
    });
    each.collect()
}

fn frames(before: &Survey, after: &Survey) -> Vec<FrameCompared> {
    let of = |survey: &Survey| -> BTreeMap<(String, String), BTreeMap<String, String>> {
        let each = |module: &Module| {
            let address = module.address.clone();
            module
                .freeze_frames
                .iter()
                .map(move |frame| ((address.clone(), frame.code.clone()), values(frame)))
                .collect::<Vec<_>>()
        };
        survey.modules.iter().flat_map(each).collect()
    };
    let (first, second) = (of(before), of(after));
    let none = BTreeMap::new();
    let keys: BTreeSet<_> = first.keys().chain(second.keys()).collect();
    let each = keys.into_iter().map(|key| FrameCompared {
        module: key.0.clone(),
        code: key.1.clone(),
        values: side_by_side(first.get(key).unwrap_or(&none), second.get(key).unwrap_or(&none)),
    });
    each.collect()
}

/// The values of a frame with their units, as text.
fn values(frame: &FreezeFrame) -> BTreeMap<String, String> {
    let text = |value: &wire::Value| {
        let number = value.text(&|number| number.to_string());
        if value.unit.is_empty() || value.unit == "1" { number } else { format!("{number} {}", value.unit) }
    };
    frame.values.iter().map(|value| (value.words(), text(value))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use wire::{Code, MonitorState, Readiness, Value};

    fn survey(codes: &[&str], monitors: &[(&str, &str)], trim: f64) -> Survey {
        let code = |code: &&str| Code { code: (*code).to_owned(), kinds: vec!["stored".into()], ..Code::default() };
        let value = Value { name: "fuel_trim".into(), value: trim.into(), unit: "%".into(), ..Value::default() };
        let frame = FreezeFrame { frame: 0, code: "P0301".into(), values: vec![value] };
        let module = Module {
            address: "7E8".into(),
            codes: codes.iter().map(code).collect(),
            freeze_frames: if codes.contains(&"P0301") { vec![frame] } else { Vec::new() },
            ..Module::default()
        };
        let state = |(name, state): &(&str, &str)| MonitorState {
            name: (*name).to_owned(),
            state: (*state).to_owned(),
            ..MonitorState::default()
        };
        let readiness = Readiness { monitors: monitors.iter().map(state).collect(), ..Readiness::default() };
        Survey { modules: vec![module], readiness, ..Survey::default() }
    }

    #[test]
    fn codes_are_gone_new_or_still_there() {
        let before = survey(&["P0301", "P0420"], &[("catalyst", "complete"), ("misfire", "complete")], 4.7);
        let mut after = survey(&["P0420", "P0171"], &[("catalyst", "incomplete"), ("misfire", "complete")], 0.0);
        let compared = compare_surveys(&before, &after);
        let told: Vec<_> = compared.codes.iter().map(|it| (it.code.as_str(), it.change.as_str())).collect();
        assert_eq!(told, [("P0171", "new"), ("P0301", "gone"), ("P0420", "still there")]);
        let [catalyst] = compared.readiness.as_slice() else { panic!("{:?}", compared.readiness) };
        assert_eq!((catalyst.before.as_deref(), catalyst.after.as_deref()), (Some("complete"), Some("incomplete")));
        let [frame] = compared.frames.as_slice() else { panic!("{:?}", compared.frames) };
        assert_eq!((frame.values[0].before.as_deref(), frame.values[0].after.as_deref()), (Some("4.7 %"), None));

        // A module whose codes could not be read has not lost them, and may have had them before.
        let [mut silent, mut dumb] = [before.clone(), after.clone()];
        for survey in [&mut silent, &mut dumb] {
            survey.modules[0].codes.clear();
            survey.modules[0].problems = vec!["03: no answer".into()];
        }
        for (before, after) in [(&before, &dumb), (&silent, &after)] {
            let compared = compare_surveys(before, after);
            assert!(compared.codes.iter().all(|it| it.change == "not asked"), "{:?}", compared.codes);
        }

        // Nor has a module that did not answer.
        after.modules.clear();
        let compared = compare_surveys(&before, &after);
        assert!(compared.codes.iter().all(|it| it.change == "not asked"), "{:?}", compared.codes);
        assert_eq!(compared.only_in_one, ["7E8"]);
    }

    #[test]
    fn models_are_the_same_however_they_are_written() {
        assert!(is_same_model("Tarnwick  Fell 1.6", "tarnwick fell 1.6 "));
        assert!(!is_same_model("Tarnwick Fell 1.6", "Tarnwick Fell 1.4"));
    }
}
