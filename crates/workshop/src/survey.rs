//! Everything that a car says of itself, saved before anything else may happen.

use std::path::Path;

use serde::Deserialize;
use serde::de::IgnoredAny;
use wire::Content;

use crate::places::{fresh, time_for_name, unix_now_ns};
use crate::{Car, Observer, Workshop, WorkshopError, to_wire};

/// How much of a car a survey reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scope {
    /// The modules of the emissions diagnostics: some seconds.
    Emissions,
    /// Every module that answers at a usual address, each in its own dialect: under a minute behind most adapters.
    Everything,
}

impl Workshop {
    /// Whether a survey can be saved under this name, for asking before a car is read for a minute; `None`: a name of its
    /// own.
    ///
    /// # Errors
    /// [`WorkshopError::Kept`], [`WorkshopError::Write`].
    pub fn expect_survey_room(&self, out: Option<&Path>) -> Result<(), WorkshopError> {
        let Some(path) = out else { return Ok(()) };
        std::fs::File::create_new(path).map_err(WorkshopError::write_new(path))?;
        std::fs::remove_file(path).map_err(WorkshopError::write(path))
    }

    /// Surveys a car and saves everything, raw bytes included, before it returns: in `out`, or in a new file of the data
    /// folder named after time and vehicle; it is written into its case then. Gives the survey without the raw bytes. Changes nothing in the car.
    ///
    /// # Errors
    /// [`WorkshopError::Write`]; [`WorkshopError::Kept`], as an existing file is never replaced. What goes wrong with a module is no error but stands
    /// in the survey.
    pub fn survey(
        &self,
        car: &mut Car,
        scope: Scope,
        out: Option<&Path>,
        observer: &mut dyn Observer,
    ) -> Result<wire::Survey, WorkshopError> {
        let taken = unix_now_ns();
        let tell = |line: &str| observer.say(&format!("reading {line}"));
        let survey = match scope {
            Scope::Emissions => car.vehicle.survey(tell),
            Scope::Everything => car.vehicle.survey_everything(&car.definitions, tell),
        };
        let mut survey = to_wire::survey(&survey, taken, &self.software);
        let path = match out {
            Some(path) => path.to_owned(),
            None => {
                // From outside, but a VIN has only letters and digits.
                let vin = survey.vehicle.vin.as_deref().unwrap_or("no-vin");
                fresh(&self.places.sub("surveys")?, &format!("{}-{vin}", time_for_name(taken)), "json")
            }
        };
        survey.file = Some(path.display().to_string());
        save(&path, &survey)?;
        survey.raw.clear();
        let (vin, kept) = (survey.vehicle.vin.clone(), self.file_ref(&path)?);
        let mut problems = Vec::new();
        let content = Content::Survey { file: kept, survey: Box::new(survey.clone()) };
        survey.case = self.enter_or_tell(vin.as_deref(), &mut problems, &[content]);
        survey.problems.append(&mut problems);
        Ok(survey)
    }
}

/// Writes the file in one piece: it is there whole or not at all. An existing one is never replaced.
fn save(path: &Path, survey: &wire::Survey) -> Result<(), WorkshopError> {
    use std::io::Write;
    let mut file = std::fs::File::create_new(path).map_err(WorkshopError::write_new(path))?;
    let written = serde_json::to_vec_pretty(survey)
        .map_err(std::io::Error::from)
        .and_then(|text| file.write_all(&text))
        .and_then(|()| file.sync_all());
    written.map_err(|source| {
        let _ = std::fs::remove_file(path); // half a survey would pass for a whole one
        WorkshopError::write(path)(source)
    })
}

/// A survey that was saved.
pub(crate) fn saved_survey(path: &Path) -> Result<wire::Survey, WorkshopError> {
    /// What every survey has. Anything else, such as what a command that failed has printed, would read as that of a car
    /// without codes.
    #[derive(Deserialize)]
    struct Own {
        #[serde(rename = "vehicle")]
        _vehicle: IgnoredAny,
        #[serde(rename = "modules")]
        _modules: IgnoredAny,
    }
    let wrong = |source| WorkshopError::Survey { path: path.to_owned(), source };
    let bytes = std::fs::read(path).map_err(WorkshopError::read(path))?;
    serde_json::from_slice::<Own>(&bytes).map_err(wrong)?;
    serde_json::from_slice(&bytes).map_err(wrong)
}
