//! Pictures of a case: checked, without what a camera writes beside them, and no larger than a report shows.

use std::io::Cursor;
use std::path::Path;

use ::report::{Image, Photo};
use casebook::{effective, sha256};
use drive::{Overwrite, write_file};
use image::{DynamicImage, ImageDecoder, ImageFormat, ImageReader, Limits};
use wire::{CaseEntry, CaseFile, Content, FileRef};

use crate::{Lack, Workshop, WorkshopError, time_for_people};

/// Most bytes of a picture that is taken in: more than a telephone's camera makes.
pub const MAX_PHOTO_BYTES: u64 = 40 << 20;
/// Most pixels of a side, and most memory of its pixels: a picture from outside must not take the machine's memory. While it
/// is set upright its pixels are there twice. Own choice: half a gigabyte in all.
const MAX_SIDE: u32 = 20_000;
const MAX_MEMORY: u64 = 240 << 20;
/// Longest side of what is kept, pixels: 300 dots per inch over the width of a page.
const KEPT_SIDE: u32 = 2400;

impl Workshop {
    /// Adds a picture (PNG or JPEG) to the chosen case. What is kept in the data folder is drawn anew from its pixels:
    /// upright, no larger than a report shows, and without place, time, owner and whatever else a camera writes beside it.
    ///
    /// # Errors
    /// [`WorkshopError::Read`], [`WorkshopError::Photo`], [`WorkshopError::Write`], [`WorkshopError::NoOpenCase`],
    /// [`WorkshopError::Casebook`].
    pub fn add_photo(&self, picture: &Path, text: &str) -> Result<CaseEntry, WorkshopError> {
        let case = self.chosen_case(&mut self.casebook()?)?;
        let about = std::fs::metadata(picture).map_err(WorkshopError::read(picture))?;
        let refused = |what: String| WorkshopError::Photo { path: picture.to_owned(), what };
        if about.len() > MAX_PHOTO_BYTES {
            return Err(refused(format!("it has more than {} MB", MAX_PHOTO_BYTES >> 20)));
        }
        let bytes = std::fs::read(picture).map_err(WorkshopError::read(picture))?;
        let (bytes, ending) = redrawn(&bytes).map_err(refused)?;
        let kept = self.new_kept_path(&case.uid, &sha256(&bytes), Path::new(&format!("photo.{ending}")))?;
        // Whole and on the disk before the ledger names it; the same picture may be there already, and be looked at.
        write_file(&kept, Overwrite::WhenDone, |to| to.write_all(&bytes))?;
        self.add_entry(&Content::Photo { file: self.file_ref(&kept)?, text: text.to_owned() })
    }

    /// A picture of the chosen case by its checksum.
    ///
    /// # Errors
    /// [`WorkshopError::Lacking`] when the case has none with it; as [`Workshop::add_photo`].
    pub fn photo(&self, checksum: &str) -> Result<Image, WorkshopError> {
        let case = self.case_file()?;
        let lacking = WorkshopError::Lacking { case: case.case.number, lacking: Lack::Picture };
        let known = effective(&case.entries).into_iter().find_map(|(_, content)| match content {
            Content::Photo { file, .. } if file.sha256 == checksum => Some(file),
            _ => None,
        });
        self.read_photo(&case, known.ok_or(lacking)?)
    }

    /// The pictures of a case as they are reported; one that cannot be read becomes a problem.
    pub(crate) fn photos(&self, case: &CaseFile, problems: &mut Vec<String>) -> Vec<Photo> {
        let mut photos = Vec::new();
        for (entry, content) in effective(&case.entries) {
            let Content::Photo { file, text } = content else { continue };
            match self.read_photo(case, file) {
                Ok(image) => photos.push(Photo {
                    time: time_for_people(entry.time_unix_ms.saturating_mul(1_000_000)),
                    caption: text.clone(),
                    image,
                }),
                Err(error) => problems.push(error.to_string()),
            }
        }
        photos
    }

    /// A picture that is kept: of an imported case it is checked again.
    fn read_photo(&self, case: &CaseFile, file: &FileRef) -> Result<Image, WorkshopError> {
        let path = self.path_of(&case.case.uid, file);
        let refused = |what: String| WorkshopError::Photo { path: path.clone(), what };
        let bytes = std::fs::read(&path).map_err(WorkshopError::read(&path))?;
        let is_ours = Image::of(bytes.clone()).filter(|_| sha256(&bytes) == file.sha256);
        let Some(image) = is_ours else { return Err(refused("it is not the picture that was added".to_owned())) };
        let (decoded, format) = decoded(&bytes).map_err(refused)?;
        if decoded.width().max(decoded.height()) <= KEPT_SIDE {
            return Ok(image);
        }
        let (bytes, _) = written(decoded, format).map_err(refused)?;
        Image::of(bytes).ok_or_else(|| refused("it cannot be drawn".to_owned()))
    }
}

/// The pixels of a picture, upright.
fn decoded(bytes: &[u8]) -> Result<(DynamicImage, ImageFormat), String> {
    let mut reader = ImageReader::new(Cursor::new(bytes)).with_guessed_format().map_err(|error| error.to_string())?;
    let format = reader.format().filter(|format| matches!(format, ImageFormat::Png | ImageFormat::Jpeg));
    let format = format.ok_or("it is neither PNG nor JPEG")?;
    let mut limits = Limits::default();
    limits.max_image_width = Some(MAX_SIDE);
    limits.max_image_height = Some(MAX_SIDE);
    limits.max_alloc = Some(MAX_MEMORY);
    reader.limits(limits);
    let mut decoder = reader.into_decoder().map_err(|error| error.to_string())?;
    if decoder.total_bytes() > MAX_MEMORY {
        return Err(format!("its pixels take more than {} MB: make it smaller", MAX_MEMORY >> 20));
    }
    let upright = decoder.orientation().map_err(|error| error.to_string())?;
    let mut picture = DynamicImage::from_decoder(decoder).map_err(|error| error.to_string())?;
    picture.apply_orientation(upright);
    Ok((picture, format))
}

/// The same picture from its pixels alone, no larger than a report shows; with the ending of its name.
fn redrawn(bytes: &[u8]) -> Result<(Vec<u8>, &'static str), String> {
    let (picture, format) = decoded(bytes)?;
    written(picture, format)
}

fn written(picture: DynamicImage, format: ImageFormat) -> Result<(Vec<u8>, &'static str), String> {
    let is_large = picture.width().max(picture.height()) > KEPT_SIDE;
    let picture = if is_large { picture.thumbnail(KEPT_SIDE, KEPT_SIDE) } else { picture };
    let mut bytes = Vec::new();
    let (plain, ending) = match format {
        ImageFormat::Png => (DynamicImage::ImageRgba8(picture.into_rgba8()), "png"),
        _ => (DynamicImage::ImageRgb8(picture.into_rgb8()), "jpeg"),
    };
    plain.write_to(&mut Cursor::new(&mut bytes), format).map_err(|error| error.to_string())?;
    Ok((bytes, ending))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A JPEG of these pixels with an Exif block (layout: Exif 2.32 and TIFF 6.0, from memory) that says "turned by 90
    /// degrees" and holds a word that stands for a place.
    fn photo(width: u32, height: u32) -> Vec<u8> {
        let (jpeg, _) = written(DynamicImage::new_rgb8(width, height), ImageFormat::Jpeg).unwrap();
        let mut exif = b"Exif\0\0II*\0\x08\0\0\0\x01\0".to_vec();
        // Tag 0112, orientation: one short, 6; then no further directory.
        exif.extend(b"\x12\x01\x03\0\x01\0\0\0\x06\0\0\0\0\0\0\0GPS 47.11 N");
        let length = u16::try_from(exif.len() + 2).unwrap().to_be_bytes();
        [&jpeg[..2], &[0xFF, 0xE1], &length, &exif, &jpeg[2..]].concat()
    }

    fn has(bytes: &[u8], words: &[u8]) -> bool {
        bytes.windows(words.len()).any(|window| window == words)
    }

    #[test]
    fn a_camera_s_remarks_are_gone_and_the_picture_stands_upright() {
        let taken = photo(60, 40);
        assert!(has(&taken, b"GPS"));
        let (kept, ending) = redrawn(&taken).unwrap();
        assert!(!has(&kept, b"GPS") && !has(&kept, b"Exif"));
        let (picture, _) = decoded(&kept).unwrap();
        assert_eq!((picture.width(), picture.height(), ending), (40, 60, "jpeg"));
    }

    #[test]
    fn a_picture_that_is_added_again_is_whole_all_the_while() {
        let folder = tempfile::tempdir().unwrap();
        let workshop = Workshop::new(crate::Places::at(&folder.path().join("home")).unwrap(), "test 1");
        workshop.new_case(&crate::NewCase::default()).unwrap();
        let taken = folder.path().join("taken.jpeg");
        std::fs::write(&taken, photo(600, 400)).unwrap();
        let add = || match workshop.add_photo(&taken, "hose").unwrap().entry.content {
            Content::Photo { file, .. } => file,
            other => panic!("{other:?}"),
        };
        let first = add();
        let path = workshop.places().folder().join(&first.path);
        let is_over = std::sync::atomic::AtomicBool::new(false);
        std::thread::scope(|scope| {
            let looking = scope.spawn(|| {
                while !is_over.load(std::sync::atomic::Ordering::Relaxed) {
                    assert_eq!(sha256(&std::fs::read(&path).unwrap()), first.sha256);
                }
            });
            for _ in 0..40 {
                assert_eq!(add(), first);
            }
            is_over.store(true, std::sync::atomic::Ordering::Relaxed);
            looking.join().unwrap();
        });
    }

    #[test]
    fn large_pictures_become_smaller_and_others_are_none() {
        let (large, _) = written(DynamicImage::new_rgb8(10, 10), ImageFormat::Png).unwrap();
        assert_eq!(redrawn(&large).unwrap().1, "png");
        let (kept, _) = redrawn(&photo(3000, 10)).unwrap();
        assert_eq!(decoded(&kept).unwrap().0.height(), KEPT_SIDE);
        for bytes in [&b"GIF89a"[..], b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"", &photo(60, 40)[..40]] {
            assert!(redrawn(bytes).is_err());
        }
    }

    /// A few bytes that promise 65 000 by 65 000 pixels (PNG, W3C recommendation: signature, IHDR, IDAT; annex D: CRC).
    #[test]
    fn a_picture_that_promises_too_much_is_refused_before_memory_is_taken() {
        let chunk = |kind: &[u8; 4], data: &[u8]| -> Vec<u8> {
            let body = [&kind[..], data].concat();
            let crc = body.iter().fold(u32::MAX, |crc, &byte| {
                let step = |crc: u32, _| if crc & 1 == 1 { 0xEDB8_8320 ^ (crc >> 1) } else { crc >> 1 };
                (0..8).fold(crc ^ u32::from(byte), step)
            });
            [&u32::try_from(data.len()).unwrap().to_be_bytes()[..], &body, &(!crc).to_be_bytes()].concat()
        };
        let size = 65_000u32.to_be_bytes();
        let header = [&size[..], &size, &[8, 2, 0, 0, 0]].concat();
        let signature = [0x89, b'P', b'N', b'G', 0x0D, 0x0A, 0x1A, 0x0A];
        let png = [&signature[..], &chunk(b"IHDR", &header), &chunk(b"IDAT", &[0; 9])].concat();
        let refused = redrawn(&png).unwrap_err();
        assert!(refused.to_lowercase().contains("limit"), "{refused}");
    }
}
