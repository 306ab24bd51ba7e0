//! The shop whose name and picture stand above a report.

use std::path::{Path, PathBuf};

use ::report::{Image, Shop};
use serde::{Deserialize, Serialize};

use crate::report::write_whole;
use crate::{Workshop, WorkshopError};

/// The shop as it is kept in a file.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct ShopFile {
    name: String,
    #[serde(default)]
    lines: Vec<String>,
    /// PNG or JPEG, beside this file or as a path.
    logo: Option<PathBuf>,
}

/// What becomes of the shop's picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LogoChange<'b> {
    /// It stays.
    Keep,
    /// It goes.
    Remove,
    /// This one, PNG or JPEG, takes its place.
    To(&'b [u8]),
}

impl Workshop {
    fn shop_file(&self) -> PathBuf {
        self.places().folder().join("shop.json")
    }

    /// The shop, from the file that was named or `shop.json` in the data folder; without either one without a name.
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Shop`], [`WorkshopError::Logo`].
    pub fn shop(&self, file: Option<&Path>) -> Result<Shop, WorkshopError> {
        let usual = self.shop_file();
        let path = match file {
            Some(path) => path,
            None if usual.exists() => &usual,
            None => return Ok(Shop::default()),
        };
        let read = read(path)?;
        let logo = read.logo.map(|logo| {
            let logo = beside(path, &logo);
            let bytes = std::fs::read(&logo).map_err(WorkshopError::read(&logo))?;
            Image::of(bytes).ok_or(WorkshopError::Logo(logo))
        });
        Ok(Shop { name: read.name, lines: read.lines, logo: logo.transpose()? })
    }

    /// Keeps the shop for the reports to come.
    ///
    /// # Errors
    /// [`WorkshopError::Logo`] when the picture is neither PNG nor JPEG; [`WorkshopError::Write`].
    pub fn save_shop(&self, name: &str, lines: &[String], logo: LogoChange<'_>) -> Result<(), WorkshopError> {
        let path = self.shop_file();
        let logo = match logo {
            LogoChange::Remove => None,
            // What cannot be read any more is replaced.
            LogoChange::Keep => read(&path).ok().and_then(|shop| shop.logo),
            LogoChange::To(bytes) => {
                let image = Image::of(bytes.to_vec()).ok_or_else(|| WorkshopError::Logo("the picture".into()))?;
                let name = image.named("shop-logo");
                write_whole(&beside(&path, Path::new(&name)), bytes, true)?;
                Some(PathBuf::from(name))
            }
        };
        let shop = ShopFile { name: name.trim().to_owned(), lines: lines.to_vec(), logo };
        let text =
            serde_json::to_vec_pretty(&shop).map_err(|source| WorkshopError::Shop { path: path.clone(), source })?;
        write_whole(&path, &text, true)
    }
}

fn read(path: &Path) -> Result<ShopFile, WorkshopError> {
    let text = std::fs::read_to_string(path).map_err(WorkshopError::read(path))?;
    serde_json::from_str(&text).map_err(|source| WorkshopError::Shop { path: path.to_owned(), source })
}

fn beside(path: &Path, other: &Path) -> PathBuf {
    path.parent().map_or_else(|| other.to_owned(), |folder| folder.join(other))
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

    use super::*;
    use crate::Places;

    #[test]
    fn a_shop_is_kept_with_its_picture() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(Places::at(folder.path()).unwrap(), "test");
        assert_eq!(workshop.shop(None).unwrap(), Shop::default());
        // The first eight bytes of every PNG (ISO/IEC 15948, 5.2).
        let png = [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A, 1, 2];
        let lines = ["1 Example Street".to_owned()];
        workshop.save_shop(" Example Garage ", &lines, LogoChange::To(&png)).unwrap();
        let kept = workshop.shop(None).unwrap();
        assert_eq!((kept.name.as_str(), kept.logo), ("Example Garage", Some(Image::Png(png.to_vec()))));
        assert!(workshop.save_shop("other", &lines, LogoChange::To(b"GIF89a")).is_err());
        assert_eq!(workshop.shop(None).unwrap().name, "Example Garage", "nothing is kept of what is refused");
        workshop.save_shop("other", &[], LogoChange::Keep).unwrap();
        assert!(workshop.shop(None).unwrap().logo.is_some());
        workshop.save_shop("other", &[], LogoChange::Remove).unwrap();
        assert!(workshop.shop(None).unwrap().logo.is_none());
    }
}
