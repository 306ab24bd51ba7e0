//! What a report is made of: plain data, also as JSON.

use serde::{Deserialize, Serialize};

use crate::{Language, Paper, Units};

/// One visit of one car with one complaint, as far as it is to be reported.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Case {
    /// Number or name of the case.
    pub number: String,
    /// When it was opened, for people.
    pub opened: String,
    /// When it was closed, for people.
    pub closed: Option<String>,
    /// Who worked on it.
    pub technician: String,
    /// The shop.
    pub shop: Shop,
    /// The car.
    pub vehicle: Vehicle,
    /// The complaint in the customer's words.
    pub complaint: String,
    /// When it happens: hot or cold, speed, weather, how often.
    pub conditions: Vec<String>,
    /// Surveys in order of time.
    pub surveys: Vec<Survey>,
    /// Drives in order of time.
    pub drives: Vec<Drive>,
    /// Exchanged parts.
    pub swap: Option<Swap>,
    /// Weighed suspects.
    pub suspects: Option<wire::Suspects>,
    /// The first and the last drive side by side.
    pub compared: Option<wire::DrivesCompared>,
    /// Repairs and replaced parts, in the technician's words.
    pub done: Vec<Entry>,
    /// Commanded outputs.
    pub commands: Vec<Entry>,
    /// Cleared codes.
    pub clearings: Vec<Entry>,
    /// Notes.
    pub notes: Vec<Entry>,
    /// The proof of the repair.
    pub proof: Option<wire::Proof>,
    /// Whether something came after the proof that it has not judged and that may change what it says.
    pub is_proof_outdated: bool,
    /// What remains to be done, in the technician's words.
    pub remains: Vec<String>,
    /// Program and version.
    pub software: String,
    /// Pictures, in order of time.
    #[serde(skip)]
    pub photos: Vec<Photo>,
    /// Every file that belongs to the case.
    pub files: Vec<File>,
    /// What could not be read.
    pub problems: Vec<String>,
}

impl Case {
    /// The proof, as long as it tells how things are now.
    pub(crate) fn standing_proof(&self) -> Option<&wire::Proof> {
        self.proof.as_ref().filter(|_| !self.is_proof_outdated)
    }
}

/// Who hands the report over.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Shop {
    /// Name.
    pub name: String,
    /// Address and telephone, one line each.
    pub lines: Vec<String>,
    /// Its picture.
    #[serde(skip)]
    pub logo: Option<Image>,
}

/// A picture as its file has it.
#[derive(Debug, Clone, PartialEq)]
pub enum Image {
    /// PNG bytes.
    Png(Vec<u8>),
    /// JPEG bytes.
    Jpeg(Vec<u8>),
}

impl Image {
    /// Recognises PNG and JPEG by their first bytes; `None` for anything else, and for a picture that says it is larger
    /// than 50 megapixels.
    #[must_use]
    pub fn of(bytes: Vec<u8>) -> Option<Self> {
        if pixels(&bytes).is_some_and(|n| n > MAX_PIXELS) {
            return None;
        }
        match bytes.as_slice() {
            [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, ..] => Some(Self::Png(bytes)),
            [0xFF, 0xD8, 0xFF, ..] => Some(Self::Jpeg(bytes)),
            _ => None,
        }
    }

    /// What kind of file it is, as browsers name it.
    #[must_use]
    pub fn media_type(&self) -> &'static str {
        match self {
            Self::Png(_) => "image/png",
            Self::Jpeg(_) => "image/jpeg",
        }
    }

    /// The bytes of the file.
    #[must_use]
    pub fn bytes(&self) -> &[u8] {
        match self {
            Self::Png(bytes) | Self::Jpeg(bytes) => bytes,
        }
    }

    /// A name for the file, with the ending of its kind.
    #[must_use]
    pub fn named(&self, name: &str) -> String {
        match self {
            Self::Png(_) => format!("{name}.png"),
            Self::Jpeg(_) => format!("{name}.jpeg"),
        }
    }
}

/// A picture that somebody took of the car.
#[derive(Debug, Clone, PartialEq)]
pub struct Photo {
    /// When it was added, for people.
    pub time: String,
    /// What it shows.
    pub caption: String,
    /// The picture.
    pub image: Image,
}

/// Most pixels of a picture, what a good camera takes; some kilobytes can claim to be thousands of megapixels.
const MAX_PIXELS: u64 = 50_000_000;

/// Width times height as the picture's own head tells them; `None` where it tells none.
///
/// Sources: ISO/IEC 15948, 11.2.2 (IHDR); ITU-T T.81, B.2.2 (frame header).
fn pixels(bytes: &[u8]) -> Option<u64> {
    let number = |at: usize, n: usize| -> Option<u64> {
        Some(bytes.get(at..at + n)?.iter().fold(0, |number, byte| number << 8 | u64::from(*byte)))
    };
    if bytes.starts_with(b"\x89PNG") {
        return Some(number(16, 4)? * number(20, 4)?);
    }
    let mut at = 2;
    while number(at, 1)? == 0xFF {
        match bytes.get(at + 1)? {
            0xFF => at += 1,
            // A frame header, of whatever kind; C4, C8 and CC are tables and an extension.
            0xC0..=0xC3 | 0xC5..=0xC7 | 0xC9..=0xCB | 0xCD..=0xCF => {
                return Some(number(at + 5, 2)? * number(at + 7, 2)?);
            }
            _ => at += 2 + usize::try_from(number(at + 2, 2)?).ok()?,
        }
    }
    None
}

/// The car.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Vehicle {
    /// Maker and model in words.
    pub description: String,
    /// 17 characters.
    pub vin: Option<String>,
    /// Registration.
    pub plate: Option<String>,
    /// Engine in words.
    pub engine: Option<String>,
    /// Kilometres.
    pub mileage_km: Option<f64>,
}

/// Where in the story something belongs.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Moment {
    /// Before the repair.
    #[default]
    Before,
    /// After a swap or a first repair, before the last one.
    Between,
    /// After the repair.
    After,
}

/// A survey of the case.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Survey {
    /// When.
    pub moment: Moment,
    /// What it found.
    pub survey: wire::Survey,
}

/// A drive of the case.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Drive {
    /// When.
    pub moment: Moment,
    /// When it started, for people.
    pub started: String,
    /// What has judged it.
    pub judged: Judged,
    /// What it proves.
    pub examined: wire::Examined,
}

/// What has judged a drive.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Judged {
    /// All checks.
    #[default]
    Examined,
    /// The proof that was made after it, or the command that it was recorded beside.
    Elsewhere,
    /// Nothing yet.
    Nothing,
}

/// Exchanged parts and the verdict on them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Swap {
    /// What was exchanged.
    pub experiment: wire::Experiment,
    /// The verdict.
    pub judged: wire::SwapJudged,
}

/// Something that happened.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Entry {
    /// When, for people.
    pub time: String,
    /// What.
    pub text: String,
}

/// A file of the case.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct File {
    /// Its name.
    pub name: String,
    /// Its size.
    pub bytes: u64,
    /// SHA-256 in hex.
    pub sha256: String,
}

/// How it is shown.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Settings {
    /// Language of the report's own words.
    pub language: Language,
    /// Units of values.
    pub units: Units,
    /// Paper of the print.
    pub paper: Paper,
    /// Pictures that are left out, by their place among all pictures of the report, from 0.
    pub without_pictures: Vec<usize>,
}
