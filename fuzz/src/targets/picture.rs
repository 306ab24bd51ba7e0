//! Pictures that a page or a technician hands in: photos of a case, and the shop's own.

use std::io::Cursor;

use workshop::{LogoChange, NewCase};

use super::case_file::{ONE_PIXEL, shop};
use crate::scratch;
use crate::{Seeds, Target};

pub(super) const TARGET: Target = Target {
    name: "picture",
    max_len: 8 << 10,
    words: &["PNG\r\n\u{1a}\n", "IHDR", "PLTE", "tRNS", "IDAT", "IEND", "eXIf", "iCCP", "acTL", "JFIF", "Exif\0\0"],
    seeds,
    run,
};

/// A picture that is taken in is one that is kept and shown, and not larger than what a report shows; one that is refused
/// leaves nothing.
fn run(input: &[u8]) {
    let file = scratch::file("photo", input);
    let here = shop("home");
    here.new_case(&NewCase { complaint: "it stumbles".into(), ..NewCase::default() }).unwrap();
    if here.add_photo(&file, "the coil").is_ok() {
        let case = here.case_file().unwrap();
        let kept = case.entries.iter().find_map(|entry| match &entry.content {
            wire::Content::Photo { file, .. } => Some(file.sha256.clone()),
            _ => None,
        });
        here.photo(&kept.expect("the entry")).expect("what was taken in is shown");
    }
    let is_taken = here.save_shop("a shop", &[], LogoChange::To(input)).is_ok();
    assert_eq!(here.shop(None).unwrap().logo.is_some(), is_taken);
}

fn seeds(seeds: &mut Seeds) {
    seeds.add(ONE_PIXEL);
    let drawn = image::RgbImage::from_fn(24, 16, |x, y| image::Rgb([x as u8 * 9, y as u8 * 13, 77]));
    let drawn = image::DynamicImage::ImageRgb8(drawn);
    let grey = image::DynamicImage::ImageLuma16(drawn.to_luma16());
    for picture in [drawn, grey] {
        for format in [image::ImageFormat::Png, image::ImageFormat::Jpeg] {
            let mut bytes = Cursor::new(Vec::new());
            // JPEG has no 16 bits.
            if picture.write_to(&mut bytes, format).is_ok() {
                seeds.add(bytes.into_inner());
            }
        }
    }
}
