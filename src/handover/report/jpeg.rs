//! Small pictures as JPEG, and what a JPEG costs to decode.

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, RgbImage, imageops};

/// Bytes that a small picture may have. As text in a page it takes a third more: with its name, date and link about
/// 4,600 bytes, so that the sheets of 20,000 pictures stay under 100 MB whatever the pictures hold.
pub(super) const MOST_BYTES: usize = 3000;

/// From good to bad; the last is for pictures like noise.
const QUALITIES: [u8; 5] = [60, 45, 30, 18, 8];

/// How a small picture is made smaller if no quality is bad enough.
const SMALLER: u32 = 96;

/// A small picture in [`MOST_BYTES`]; `None` if it can't be had in so few.
pub(super) fn encoded(picture: &RgbImage) -> Option<Vec<u8>> {
    let within = |picture: &RgbImage| {
        QUALITIES.into_iter().find_map(|quality| {
            let mut bytes = Vec::with_capacity(MOST_BYTES);
            let (width, height) = picture.dimensions();
            JpegEncoder::new_with_quality(&mut bytes, quality)
                .encode(picture.as_raw(), width, height, ExtendedColorType::Rgb8)
                .ok()?;
            (bytes.len() <= MOST_BYTES).then_some(bytes)
        })
    };
    within(picture).or_else(|| {
        let (width, height) = picture.dimensions();
        let longest = width.max(height).max(1);
        let scaled = |length: u32| (length * SMALLER / longest).max(1);
        within(&imageops::thumbnail(picture, scaled(width), scaled(height)))
    })
}

/// How many scans a JPEG may have at the most: the marker `SOS` (ITU-T T.81, B.1.1.3, FF DA) never stands in coded data,
/// where FF is followed by 00. A small picture inside the file's head counts, too.
pub(super) fn scans(bytes: &[u8]) -> u64 {
    bytes.windows(2).filter(|pair| *pair == [0xff, 0xda]).count() as u64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn noise_fits_too() {
        let mut state = 1_u32;
        let noise = RgbImage::from_fn(144, 144, |_, _| {
            let mut next = || {
                state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                (state >> 24) as u8
            };
            image::Rgb([next(), next(), next()])
        });
        let bytes = encoded(&noise).expect("even noise");
        assert!(bytes.len() <= MOST_BYTES && bytes.starts_with(&[0xff, 0xd8]), "{}", bytes.len());
        let plain = RgbImage::from_pixel(144, 108, image::Rgb([10, 100, 200]));
        let bytes = encoded(&plain).expect("one colour");
        assert_eq!(scans(&bytes), 1);
        assert_eq!(image::load_from_memory(&bytes).expect("a JPEG").width(), 144);
    }
}
